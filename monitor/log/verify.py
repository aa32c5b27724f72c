"""Whether a log is as it was kept: the chain walked, its readings held to their leaves, its shape
to what this program writes. What was changed is said in sentences, the first in the chain first.
"""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import NamedTuple

from monitor.log import chain, leaves, merkle, schema
from monitor.log.given_up import GivenUp
from monitor.log.leaves import MINUTE_US, OF_NOTES, OF_READINGS, OPEN_MINUTES, Leaf, Packable
from monitor.log.rows import EVER, LIVE
from rules.text import iso_utc

_NAMES = {
    "call": "call",
    "event": "event",
    "calibration": "calibration",
    "thinning": "thinning",
    "event-spec": "the spec of event",
    "photo": "the photo of event",
    "event-id": "the sender's name of event",
    "means": "the means of thinning",
    "source": "recording",
    "source-end": "the end of recording",
    "channel": "channel",
    "outage": "outage",
    "alarm": "alarm",
    "outside": "the note of what an older program wrote,",
    "spec": "spec",
    "readings": "the readings' root",
}
_LIVE_SOURCE = ("live", "", "live", 0, 0)


@dataclass(frozen=True, slots=True)
class ChainProblem:
    """One place where the log is not as it was kept.

    Attributes:
        seq: place in the chain, or None where it has none.
        kind: of the chain, or `chain`, `schema`, `leaf`.
        row: the row, or None.
        text: one sentence to show.
    """

    seq: int | None
    kind: str
    row: int | None
    text: str

    def __str__(self) -> str:
        """Return the sentence."""
        return self.text


@dataclass(slots=True)
class Audit:
    """What was found in a log.

    Attributes:
        problems: where it is not as it was kept; none for a sound log.
        readings: how many are as they were written.
        means: how many thinned minutes do.
        entries: how many calls and events do, where there is no problem.
        open: readings of the last minutes, which have no place in the chain yet.
        outside: readings that an older program wrote, which nothing vouches for.
        unproved: places of the chain that were given up in a copy and cannot be reckoned again.
    """

    problems: list[ChainProblem] = field(default_factory=list)
    readings: int = 0
    means: int = 0
    entries: int = 0
    open: int = 0
    outside: int = 0
    unproved: list[int] = field(default_factory=list)


class _Thinned(NamedTuple):
    """A span that was thinned, and the place of that in the chain."""

    from_us: int
    to_us: int
    seq: int


def audit(
    connection: sqlite3.Connection,
    *,
    readings: bool = True,
    from_us: int = EVER[0],
    to_us: int = EVER[1],
    given_up: GivenUp | None = None,
) -> Audit:
    """Walk the chain, and hold readings to their leaves.

    A person who rewrites a row and then every hash after it leaves no trace inside the file: only
    a `chain.Seal`, noted elsewhere at the time, shows that.

    Args:
        connection: the open log.
        readings: look at readings too, at about a million a second.
        from_us: only those from here on, and only the roots that join any of them [us].
        to_us: only those before this [us].
        given_up: what a copy's owner took out of it, which is no fault of the log.

    Returns:
        What was found; problems in the order of the chain, then those of readings.
    """
    found = Audit()
    found.problems.extend(_shape(connection))
    found.problems.extend(_walk(connection, found.unproved, from_us, to_us, given_up))
    found.problems.extend(_strays(connection))
    found.means, found.entries = connection.execute(
        "SELECT (SELECT count(*) FROM minutes m WHERE NOT EXISTS (SELECT 1 FROM thinnings t "
        "JOIN chain c ON c.kind = 'means' AND c.row = t.id JOIN json_each(?) j ON j.value = c.seq "
        "WHERE m.channel = t.channel AND m.time_us >= from_us AND m.time_us < to_us)), "
        "(SELECT count(*) FROM chain WHERE kind IN ('call', 'event'))",
        (json.dumps(found.unproved),),
    ).fetchone()
    if readings:
        looks = {
            channel: (ChannelAudit(connection, channel, live=bool(live)), ", ".join(names))
            for channel, live, *names in connection.execute(
                "SELECT id, source = ?, enclosure, point, quantity FROM channels ORDER BY id",
                (LIVE,),
            ).fetchall()
        }
        for day in _days(connection, from_us, to_us):
            low, high = max(from_us // MINUTE_US, day), min(-(-to_us // MINUTE_US), day + _DAY_MIN)
            of_day = leaves.leaves_of(connection, low, high)
            for channel, (look, _) in looks.items():
                look.run(low, high, of_day.get(channel, []))
        for look, name in looks.values():
            found.readings += look.sound
            found.open += look.open
            found.outside += look.outside
            found.problems.extend(_sentences(name, look.faults))
        if (from_us, to_us) == EVER:
            found.problems.extend(_nameless(connection))
    return found


_SHAPE = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"


@cache
def _meant() -> dict[tuple[str, str], str]:
    ours = sqlite3.connect(":memory:", isolation_level=None)
    try:
        schema.migrate(ours, "")
        return {(kind, name): sql for kind, name, sql in ours.execute(_SHAPE)}
    finally:
        ours.close()


def _shape(connection: sqlite3.Connection) -> Iterator[ChainProblem]:
    """Hold tables, indices, triggers and views to what this program writes."""
    meant = _meant()
    stands = {(kind, name): sql for kind, name, sql in connection.execute(_SHAPE)}
    for kind, name in sorted(meant.keys() | stands.keys()):
        key = (kind, name)
        if key not in stands:
            text = f"The log's {kind} {name} was taken off."
        elif key not in meant:
            text = f"The log has a {kind} {name} that filmcall did not make."
        elif meant[key] != stands[key]:
            text = f"The log's {kind} {name} is not as filmcall made it."
        else:
            continue
        yield ChainProblem(None, "schema", None, text)
    source = connection.execute(
        "SELECT kind, digest, title, started_us, complete FROM sources WHERE id = ?", (LIVE,)
    ).fetchone()
    if source != _LIVE_SOURCE:
        text = "The source of live readings is not as it was written."
        yield ChainProblem(None, "source", LIVE, text)


def _walk(
    connection: sqlite3.Connection,
    unproved: list[int],
    from_us: int,
    to_us: int,
    given_up: GivenUp | None,
) -> Iterator[ChainProblem]:
    whole = (from_us, to_us) == EVER
    wanted = None if whole else _roots_within(connection, from_us, to_us)
    roots = _roots(connection, wanted, given_up)
    lost = set() if given_up is None else given_up.thinnings(connection)
    before, last = chain.start_hash(chain.uuid_of(connection)), 0
    for seq, kind, row, kept in connection.execute(
        "SELECT seq, kind, row, hash FROM chain ORDER BY seq"
    ):
        if seq != last + 1:
            yield ChainProblem(seq, "chain", None, _places_missing(last + 1, seq - 1))
        if wanted is not None and kind == "readings" and row not in wanted:
            # Each link is held to the one before it as that is kept, so this one may be left out.
            before, last = kept, seq
            continue
        if kind == "means" and row in lost:
            unproved.append(seq)
            before, last = kept, seq
            continue
        content = None
        if kind == "readings" and row in roots:
            content = roots[row]
        elif kind in chain.KINDS:
            content = chain.content_of(connection, kind, row)
        name = f"{_NAMES.get(kind, kind)} {row} (place {seq} of the chain)"
        name = name[0].upper() + name[1:]
        if content is None:
            yield ChainProblem(seq, kind, row, f"{name} is gone.")
        elif chain.link(before, kind, row, content) != kept and seq == last + 1:
            yield ChainProblem(seq, kind, row, f"{name} is not as it was written.")
        before, last = kept, seq


def _roots_within(connection: sqlite3.Connection, from_us: int, to_us: int) -> set[int]:
    """The roots that join a leaf of a span of time."""
    low, high = from_us // MINUTE_US, -(-to_us // MINUTE_US)
    found = connection.execute(
        "SELECT DISTINCT root FROM leaves WHERE id >= ? AND id < ?",
        (low * leaves.IN_A_MINUTE, high * leaves.IN_A_MINUTE),
    )
    return {root for (root,) in found}


def _roots(
    connection: sqlite3.Connection, wanted: set[int] | None, given_up: GivenUp | None
) -> dict[int, chain.Content]:
    """What the links of roots cover, from one look at the leaves; None for those of all."""
    hashes: dict[int, list[bytes]] = defaultdict(list)
    if given_up is not None:
        hashes.update((root, given_up.hashes_of(root)) for root in given_up.leaves)
    which = "" if wanted is None else "WHERE root IN (SELECT value FROM json_each(?)) "
    for root, sha256 in connection.execute(
        f"SELECT root, sha256 FROM leaves {which}ORDER BY id",
        () if wanted is None else (json.dumps(sorted(wanted)),),
    ):
        hashes[root].append(sha256 if isinstance(sha256, bytes) else b"")
    return {
        row: chain.root_content(count, window_us, made_us, merkle.root(hashes.get(row, [])))
        for row, count, window_us, made_us in connection.execute(
            "SELECT id, leaves, window_us, made_us FROM roots"
        )
    }


def _places_missing(first: int, last: int) -> str:
    if first == last:
        return f"Place {first} of the chain is missing."
    return f"Places {first} to {last} of the chain are missing."


def _strays(connection: sqlite3.Connection) -> Iterator[ChainProblem]:
    """Rows without a place in the chain, and rows cut off the end."""
    where = {"source": f"id <> {LIVE}", "source-end": "complete"}
    for kind in chain.KINDS:
        table, name = chain.TABLES[kind], _NAMES[kind]
        for (row,) in connection.execute(
            f"SELECT id FROM {table} WHERE {where.get(kind, '1')} "
            f"AND id NOT IN (SELECT row FROM chain WHERE kind = ?) ORDER BY id",
            (kind,),
        ):
            text = f"{name} {row} has no place in the chain: filmcall did not write it."
            yield ChainProblem(None, kind, row, text[0].upper() + text[1:])
        # AUTOINCREMENT remembers the highest number ever given, so rows cut off the end show.
        given = connection.execute(
            "SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)
        ).fetchone()
        (last,) = connection.execute(
            "SELECT coalesce(max(row), 0) FROM chain WHERE kind = ?", (kind,)
        ).fetchone()
        if given is not None and (given[0] or 0) > last:
            text = f"{name} {given[0]} is cut off the end."
            if given[0] > last + 1:
                text = f"{name}s {last + 1} to {given[0]} are cut off the end."
            yield ChainProblem(None, kind, given[0], text[0].upper() + text[1:])
    for (sha256,) in connection.execute(
        "SELECT sha256 FROM specs WHERE sha256 NOT IN (SELECT sha256 FROM spec_numbers)"
    ):
        text = f"Spec {str(sha256)[:12]} has no place in the chain: filmcall did not write it."
        yield ChainProblem(None, "spec", None, text)
    for (count,) in connection.execute(
        "SELECT count(*) FROM minutes m WHERE NOT EXISTS (SELECT 1 FROM thinnings "
        "WHERE channel = m.channel AND m.time_us >= from_us AND m.time_us < to_us) "
        "GROUP BY channel ORDER BY channel"
    ):
        text = f"{count} thinned minutes belong to no thinning: filmcall did not write them."
        yield ChainProblem(None, "means", None, text)
    (lost,) = connection.execute(
        "SELECT count(*) FROM leaves WHERE root NOT IN (SELECT id FROM roots)"
    ).fetchone()
    if lost:
        text = f"Leaves of {lost} minutes of readings belong to no root of the chain."
        yield ChainProblem(None, "leaf", None, text)


# A day's leaves are looked at at once, so that a long log needs no room.
_DAY_MIN = 1440


def _days(connection: sqlite3.Connection, from_us: int, to_us: int) -> list[int]:
    """The first minutes of the days from which there is anything [min]."""
    floor = "(({0} - (({0} % {1} + {1}) % {1})) / {1})"
    of_leaves = floor.format("id", _DAY_MIN * leaves.IN_A_MINUTE)
    of_times = floor.format("time_us", _DAY_MIN * MINUTE_US)
    found = connection.execute(
        f"SELECT DISTINCT {of_leaves} FROM leaves WHERE id / ?4 >= ?1 / ?3 - 1 "
        f"AND id / ?4 <= ?2 / ?3 + 1 "
        f"UNION SELECT DISTINCT {of_times} FROM channels c CROSS JOIN readings r "
        f"ON r.channel = c.id AND time_us >= ?1 AND time_us < ?2 "
        f"UNION SELECT DISTINCT {of_times} FROM channels c CROSS JOIN reading_notes n "
        f"ON n.channel = c.id AND time_us >= ?1 AND time_us < ?2 ORDER BY 1",
        (from_us, to_us, MINUTE_US, leaves.IN_A_MINUTE),
    )
    return [day * _DAY_MIN for (day,) in found]


def _nameless(connection: sqlite3.Connection) -> Iterator[ChainProblem]:
    """Rows of a channel that is not there."""
    for table in ("readings", "reading_notes", "minutes", "leaves"):
        for (channel,) in connection.execute(
            f"SELECT DISTINCT channel FROM {table} WHERE channel NOT IN (SELECT id FROM channels)"
        ):
            text = f"Channel {channel} is gone, though the log has {table} of it."
            yield ChainProblem(None, "channel", channel, text)


def _sentences(name: str, faults: Mapping[str, list[int]]) -> Iterator[ChainProblem]:
    """One sentence for each run of minutes that are wrong in the same way."""
    for what, minutes in faults.items():
        runs: list[list[int]] = []
        for minute in sorted(minutes):
            if runs and minute == runs[-1][1] + 1:
                runs[-1][1] = minute
            else:
                runs.append([minute, minute])
        for first, last in runs:
            span = f"from {_moment(first)} to {_moment(last + 1)}"
            yield ChainProblem(None, "leaf", None, f"{name}: {span} {what}.")


def _moment(minute: int) -> str:
    try:
        return iso_utc(minute * 60.0)
    except (OverflowError, ValueError, OSError):  # no time that filmcall would have written
        return f"minute {minute}"


CHANGED = "readings are not as they were written"
ADDED = "readings have no place in the chain: filmcall did not write them"
NOTE_GONE = "a note on a reading's quality is gone or changed"
NOTE_ADDED = "a note on a reading's quality has no place in the chain"


class ChannelAudit:
    """Holds one channel's readings and notes to their leaves. Door: `run`, then the counts.

    Attributes:
        faults: what is wrong, with the minutes since 1970 that it is wrong in.
        sound: how many readings are as they were written.
        open: how many are of minutes that are not closed yet.
        outside: how many an older program wrote.
    """

    def __init__(self, connection: sqlite3.Connection, channel: int, *, live: bool) -> None:
        """Read what the log says of the channel.

        Args:
            connection: the log.
            channel: its number.
            live: whether its readings come from real sensors.
        """
        self.faults: dict[str, list[int]] = defaultdict(list)
        self.sound = self.open = self.outside = 0
        self._connection = connection
        self._channel = channel
        self._name = leaves.name_of(connection, channel)
        self._thinned = _thinned(connection, channel)
        self._outside_us = _outside_us(connection, channel)
        self._window = _window(connection) if live else None

    def run(self, first: int, last: int, of_span: Sequence[Leaf]) -> None:
        """Look at a span of time.

        Args:
            first: its first minute since 1970 [min].
            last: the minute after it.
            of_span: the channel's leaves in it.
        """
        by_minute: dict[int, list[Leaf]] = defaultdict(list)
        for leaf in of_span:
            by_minute[leaf.minute].append(leaf)
        rows: list[Packable] = self._connection.execute(
            leaves.READING_SQL, (self._channel, first * MINUTE_US, last * MINUTE_US)
        ).fetchall()
        packed, size = leaves.packed_readings(rows), leaves.PACKED_BYTES
        begin = 0
        for end in _ends_of_minutes(rows):
            minute = rows[begin][0] // MINUTE_US
            of_minute = by_minute.pop(minute, [])
            if packed is not None and self._is_one_leaf(minute, of_minute):
                # The usual case: one leaf over all of it.
                piece = packed[begin * size : end * size]
                if leaves.packed_hash(self._name, minute, None, piece) == of_minute[0].sha256:
                    self.sound += end - begin
                else:
                    self.faults[CHANGED].append(minute)
            else:
                self._minute(minute, rows[begin:end], of_minute)
            begin = end
        for minute, without in by_minute.items():
            self._minute(minute, [], without)
        self._notes(first, last, of_span)

    def _is_one_leaf(self, minute: int, of_minute: Sequence[Leaf]) -> bool:
        if len(of_minute) != 1 or of_minute[0].members is not None:
            return False
        return self._thinned_at(minute) is None

    def _minute(self, minute: int, rows: list[Packable], of_minute: list[Leaf]) -> None:
        thinned = self._thinned_at(minute)
        whole = []
        rest = {row[0]: row for row in rows}
        for leaf in of_minute:
            if leaf.kind != OF_READINGS:
                continue
            if leaf.members is None:
                whole.append(leaf)
            elif thinned is None or self._since(leaf, thinned):
                mine = [rest.pop(at) for at in sorted(_times(leaf)) if at in rest]
                if leaves.readings_hash(self._name, minute, leaf.members, mine) == leaf.sha256:
                    self.sound += len(mine)
                else:
                    self.faults[CHANGED].append(minute)
        left = list(rest.values())
        if thinned is not None:
            # The link of the means holds what stayed whole.
            self.sound += len(left)
        elif whole:
            hashed = leaves.readings_hash(self._name, minute, None, left)
            if len(whole) == 1 and hashed == whole[0].sha256:
                self.sound += len(left)
            else:
                self.faults[CHANGED].append(minute)
        elif left:
            self._unleafed(minute, left)

    def _unleafed(self, minute: int, rows: list[Packable]) -> None:
        if all(row[0] <= self._outside_us for row in rows):
            self.outside += len(rows)
        elif self._window is not None and 0 <= minute - self._window < OPEN_MINUTES:
            self.open += len(rows)
        else:
            self.faults[ADDED].append(minute)

    def _notes(self, first: int, last: int, of_span: Sequence[Leaf]) -> None:
        bounds = (self._channel, first * MINUTE_US, last * MINUTE_US)
        kept = set(
            self._connection.execute(
                "SELECT time_us, noted_us, quality FROM reading_notes "
                "WHERE channel = ? AND time_us >= ? AND time_us < ?",
                bounds,
            )
        )
        named = set()
        for leaf in of_span:
            if leaf.kind != OF_NOTES:
                continue
            members = leaf.members or b""
            notes = leaves.notes_in(members)
            named |= notes
            hashed = leaves.notes_hash(self._name, leaf.minute, members)
            gone = notes - kept
            if self._thinned_at(leaf.minute) is not None:
                gone = {note for note in gone if self._has_reading(note[0])}
            if hashed != leaf.sha256 or gone:
                self.faults[NOTE_GONE].append(leaf.minute)
        for note in kept - named:
            if note[0] > self._outside_us:
                self.faults[NOTE_ADDED].append(note[0] // MINUTE_US)

    def _has_reading(self, time_us: int) -> bool:
        found = self._connection.execute(
            "SELECT 1 FROM readings WHERE channel = ? AND time_us = ?", (self._channel, time_us)
        )
        return found.fetchone() is not None

    def _thinned_at(self, minute: int) -> _Thinned | None:
        begin_us = minute * MINUTE_US
        for span in self._thinned:
            if span.from_us <= begin_us < span.to_us:
                return span
        return None

    def _since(self, leaf: Leaf, thinned: _Thinned) -> bool:
        found = self._connection.execute(
            "SELECT seq FROM chain WHERE kind = 'readings' AND row = ?", (leaf.root,)
        ).fetchone()
        return found is None or bool(found[0] > thinned.seq)


def _ends_of_minutes(rows: Sequence[Packable]) -> Iterator[int]:
    """Yield where each minute's rows end among those of a span, which are in order."""
    minute_end_us = rows[0][0] // MINUTE_US * MINUTE_US + MINUTE_US if rows else 0
    for place, row in enumerate(rows):
        if row[0] >= minute_end_us:
            yield place
            minute_end_us = row[0] // MINUTE_US * MINUTE_US + MINUTE_US
    if rows:
        yield len(rows)


def _times(leaf: Leaf) -> set[int]:
    return leaves.times_in(leaf.members) if isinstance(leaf.members, bytes) else set()


def _thinned(connection: sqlite3.Connection, channel: int) -> list[_Thinned]:
    return [
        _Thinned(*row)
        for row in connection.execute(
            "SELECT from_us, to_us, seq FROM thinnings t JOIN chain c "
            "ON c.kind = 'thinning' AND c.row = t.id WHERE channel = ? ORDER BY from_us",
            (channel,),
        )
    ]


def _outside_us(connection: sqlite3.Connection, channel: int) -> int:
    found = connection.execute(
        "SELECT until_us FROM outside WHERE channel = ?", (channel,)
    ).fetchone()
    return EVER[0] if found is None else int(found[0])


def _window(connection: sqlite3.Connection) -> int:
    """The first minute of live readings that may be without a leaf."""
    found = connection.execute(
        "SELECT window_us FROM roots WHERE window_us IS NOT NULL ORDER BY id DESC LIMIT 1"
    ).fetchone()
    return -OPEN_MINUTES if found is None else int(found[0]) // MINUTE_US
