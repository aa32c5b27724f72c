"""What a leaf covers: one channel's readings, or notes, of one minute, packed in one form for ever.

A leaf's own row says which rows are its: those that it names, or, where it names none, all of its
channel and minute that no other leaf names. `blocks` makes leaves, `verify` holds them to it.
"""

from __future__ import annotations

import json
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby, starmap
from typing import NamedTuple

from monitor.log import merkle

MINUTE_US = 60_000_000
OF_READINGS, OF_NOTES = 0, 1
# A leaf's row is its minute times this, and a number in it.
IN_A_MINUTE = 1 << 20
# Readings of the minute before this one, of this and of the next are not in the chain yet.
OPEN_MINUTES = 3
# Minutes are asked for together where so few of them lie between two, and at most so many.
_APART, _RUN = 10, 1440

# time, arrival, raw, calibrated, which of both there are, quality
_READING_FORM = struct.Struct("<qqddBB")
_READING = _READING_FORM.pack
PACKED_BYTES = _READING_FORM.size
_TIME = struct.Struct("<q")
# time, when noted, quality
_NOTE = struct.Struct("<qqB")

Packable = tuple[int, int, float, float, int, int]
_COLUMNS = (
    "time_us, coalesce(received_us, time_us), coalesce(raw, 0.0), coalesce(calibrated, raw, 0.0), "
    "(raw IS NOT NULL) + 2 * (coalesce(calibrated, raw) IS NOT NULL), quality"
)
READING_SQL = (
    f"SELECT {_COLUMNS} FROM readings "
    f"WHERE channel = ? AND time_us >= ? AND time_us < ? ORDER BY time_us"
)
# Each channel's rows come together and in the order of the key, since CROSS JOIN keeps its order.
_MINUTES_SQL = (
    f"SELECT channel, {_COLUMNS} FROM json_each(?) j CROSS JOIN readings "
    f"ON channel = j.value AND time_us >= ? AND time_us < ?"
)


class Leaf(NamedTuple):
    """A leaf as the log keeps it.

    Attributes:
        minute: since 1970 [min].
        channel: whose readings or notes.
        root: the row of `roots` that joined it to the chain.
        kind: `OF_READINGS` or `OF_NOTES`.
        sha256: of what it covers.
        members: which rows it names, packed, or None for the rest of its minute.
    """

    minute: int
    channel: int
    root: int
    kind: int
    sha256: bytes
    members: bytes | None


def name_of(connection: sqlite3.Connection, channel: int) -> bytes:
    """Return a channel by its names, as every leaf of it opens; empty where there is none."""
    found = connection.execute(
        "SELECT s.kind, s.digest, c.enclosure, c.point, c.quantity FROM channels c "
        "JOIN sources s ON s.id = c.source WHERE c.id = ?",
        (channel,),
    ).fetchone()
    return b"" if found is None else json.dumps(found, separators=(",", ":")).encode()


def readings_hash(
    name: bytes, minute: int, members: bytes | None, rows: Iterable[Packable]
) -> bytes:
    """Return the hash of a leaf of readings; empty where a row holds what no log keeps.

    Args:
        name: of the channel, by `name_of`.
        minute: since 1970 [min].
        members: as the leaf keeps them.
        rows: of `READING_SQL`, in the order of their times.
    """
    packed = packed_readings(rows)
    return b"" if packed is None else packed_hash(name, minute, members, packed)


def packed_readings(rows: Iterable[Packable]) -> bytes | None:
    """Return rows of `READING_SQL` as leaves cover them, or None where one holds what no log keeps.

    Each takes `PACKED_BYTES`.
    """
    try:
        return b"".join(starmap(_READING, rows))
    except struct.error:
        return None


def packed_hash(name: bytes, minute: int, members: bytes | None, packed: bytes) -> bytes:
    """Return the hash of a leaf of readings that are packed already; see `readings_hash`."""
    return merkle.leaf(_opening(name, minute, OF_READINGS, members) + packed)


def notes_hash(name: bytes, minute: int, members: bytes) -> bytes:
    """Return the hash of a leaf of notes, which are all in its members."""
    return merkle.leaf(_opening(name, minute, OF_NOTES, members))


def _opening(name: bytes, minute: int, kind: int, members: bytes | None) -> bytes:
    named = b"-" if members is None else str(len(members)).encode()
    return b"filmcall leaf 1\n%s\n%d %d %s\n%s" % (name, minute, kind, named, members or b"")


def number(connection: sqlite3.Connection, leaves: Sequence[Leaf]) -> list[tuple[int, Leaf]]:
    """Give new leaves their rows, behind those that their minutes have."""
    last: dict[int, int] = {}
    for first, until in runs_of({leaf.minute for leaf in leaves}):
        for later, newest in connection.execute(
            "SELECT (id - ?1) / ?3 AS later, max(id) FROM leaves WHERE id >= ?1 AND id < ?2 "
            "GROUP BY later",
            (first * IN_A_MINUTE, (until + 1) * IN_A_MINUTE, IN_A_MINUTE),
        ):
            last[first + later] = newest
    found = []
    for leaf in sorted(leaves):
        last[leaf.minute] = last.get(leaf.minute, leaf.minute * IN_A_MINUTE - 1) + 1
        found.append((last[leaf.minute], leaf))
    return found


def pack_times(times_us: Iterable[int]) -> bytes:
    """Return the members of a leaf of readings by their times [us]."""
    return b"".join(map(_TIME.pack, sorted(times_us)))


def times_in(members: bytes) -> set[int]:
    """Return the times that members name [us]; none where they are not ours."""
    if len(members) % _TIME.size:
        return set()
    return {time_us for (time_us,) in _TIME.iter_unpack(members)}


def pack_notes(notes: Iterable[tuple[int, int, int]]) -> bytes:
    """Return the members of a leaf of notes: time, when noted [us], quality code."""
    return b"".join(starmap(_NOTE.pack, sorted(notes)))


def notes_in(members: bytes) -> set[tuple[int, int, int]]:
    """Return the notes that members hold; none where they are not ours."""
    if len(members) % _NOTE.size:
        return set()
    return {(time_us, noted_us, code) for time_us, noted_us, code in _NOTE.iter_unpack(members)}


def rows_of(connection: sqlite3.Connection, channel: int, minute: int) -> list[Packable]:
    """Return a channel's readings of one minute, to be packed."""
    bounds = (channel, minute * MINUTE_US, (minute + 1) * MINUTE_US)
    return connection.execute(READING_SQL, bounds).fetchall()


def rows_of_minutes(
    connection: sqlite3.Connection, from_minute: int, to_minute: int, channels: Sequence[int]
) -> dict[tuple[int, int], list[Packable]]:
    """Return the readings of minutes, to be packed, by channel and minute; one question for speed.

    Args:
        connection: the log.
        from_minute: the first, since 1970.
        to_minute: the first that is left out.
        channels: whose.
    """
    rows = connection.execute(
        _MINUTES_SQL, (json.dumps(channels), from_minute * MINUTE_US, to_minute * MINUTE_US)
    )
    grouped = groupby(rows, lambda row: (row[0], row[1] // MINUTE_US))
    return {minute: [row[1:] for row in of_minute] for minute, of_minute in grouped}


def runs_of(minutes: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Yield the first and the last of minutes that lie together, to be asked for at once."""
    run: list[int] = []
    for minute in sorted(minutes):
        if run and (minute - run[0] >= _RUN or minute - run[-1] > _APART):
            yield run[0], run[-1]
            run.clear()
        run.append(minute)
    if run:
        yield run[0], run[-1]


def leaves_of(
    connection: sqlite3.Connection, from_minute: int, to_minute: int
) -> dict[int, list[Leaf]]:
    """Return leaves by channel, each in the order of minutes, the last minute not included."""
    found: dict[int, list[Leaf]] = {}
    for row in connection.execute(
        "SELECT id, channel, root, kind, sha256, members FROM leaves "
        "WHERE id >= ? AND id < ? ORDER BY id",
        (from_minute * IN_A_MINUTE, to_minute * IN_A_MINUTE),
    ):
        found.setdefault(row[1], []).append(Leaf(row[0] // IN_A_MINUTE, *row[1:]))
    return found


def hashes_of_root(connection: sqlite3.Connection, root: int) -> list[bytes]:
    """Return the hashes that one root joins, in the order of their rows; looks at every leaf."""
    found = connection.execute("SELECT sha256 FROM leaves WHERE root = ? ORDER BY id", (root,))
    return [sha256 if isinstance(sha256, bytes) else b"" for (sha256,) in found]


def named_since(
    connection: sqlite3.Connection, thinning: int, channel: int, from_us: int, to_us: int
) -> set[int]:
    """Return the times of readings that came for a thinned time after it was thinned [us]."""
    found: set[int] = set()
    for (members,) in connection.execute(
        "SELECT members FROM leaves l WHERE channel = ?1 AND id >= ?2 AND id < ?3 "
        "AND kind = ?4 AND members IS NOT NULL AND "
        "(SELECT seq FROM chain WHERE kind = 'readings' AND row = l.root) > "
        "(SELECT seq FROM chain WHERE kind = 'thinning' AND row = ?5)",
        (
            channel,
            from_us // MINUTE_US * IN_A_MINUTE,
            -(-to_us // MINUTE_US) * IN_A_MINUTE,
            OF_READINGS,
            thinning,
        ),
    ):
        found |= times_in(members)
    return found


def means_hash(
    connection: sqlite3.Connection, thinning: int, channel: int, from_us: int, to_us: int
) -> bytes:
    """Return the hash of what a thinning left: its means, and the readings that stayed whole."""
    means = connection.execute(
        "SELECT time_us, quality, count, mean, low, high, raw_mean, known_us FROM minutes "
        "WHERE channel = ? AND time_us >= ? AND time_us < ? ORDER BY time_us, quality",
        (channel, from_us, to_us),
    ).fetchall()
    later = named_since(connection, thinning, channel, from_us, to_us)
    rows: Sequence[Packable] = connection.execute(READING_SQL, (channel, from_us, to_us)).fetchall()
    text = json.dumps(
        [means, [row for row in rows if row[0] not in later]],
        separators=(",", ":"),
        default=repr,
    )
    return merkle.leaf(b"filmcall means 1\n" + name_of(connection, channel) + text.encode())
