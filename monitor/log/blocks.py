"""How readings come into the chain as they are written: leaves, joined by roots.

A minute stays open until the one after it is over, so that what comes a little late is still of its
leaf. What comes later, or again after a restart, gets a leaf that names it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from monitor.log import chain, merkle, outbox
from monitor.log.leaves import (
    IN_A_MINUTE,
    MINUTE_US,
    OF_NOTES,
    OF_READINGS,
    OPEN_MINUTES,
    Leaf,
    name_of,
    notes_hash,
    number,
    pack_notes,
    pack_times,
    readings_hash,
    rows_of,
    rows_of_minutes,
    runs_of,
)
from monitor.log.rows import LIVE

# What the root of a program that ends says: no minute of ours is so old.
_NONE_OPEN = 0

# time, received or None where equal, raw or None where missing, calibrated or None where equal,
# quality code
ReadingTuple = tuple[int, int | None, float | None, float | None, int]
_INSERT = (
    "INSERT INTO readings VALUES ({}, ?, ?, ?, ?, ?) ON CONFLICT (channel, time_us) DO NOTHING"
)
Minute = tuple[int, int]
"""A channel and a minute since 1970."""


@dataclass(slots=True)
class _State:
    """What has to be put back where a transaction fails.

    Attributes:
        open: minutes with readings that are in no leaf.
        window: the first minute that the last root of this program said to be open, or None.
        leafed: by channel, the last minute that has a leaf or that an older program wrote.
        names: of channels, for leaves.
    """

    open: set[Minute] = field(default_factory=set)
    window: int | None = None
    leafed: dict[int, int] = field(default_factory=dict)
    names: dict[int, bytes] = field(default_factory=dict)

    def copy(self) -> _State:
        return _State(set(self.open), self.window, dict(self.leafed), self.names)


@dataclass(slots=True)
class _Closing:
    """What the root of this transaction will join.

    Attributes:
        whole: minutes whose leaf names nothing.
        over: those of them that were open.
        open: channel, first and last time of what was written into minutes that are open [us].
        late: readings that a leaf names, by their times [us].
        notes: by their minutes.
    """

    whole: set[Minute] = field(default_factory=set)
    over: set[Minute] = field(default_factory=set)
    open: list[tuple[int, int, int]] = field(default_factory=list)
    late: dict[Minute, list[int]] = field(default_factory=dict)
    notes: dict[Minute, list[tuple[int, int, int]]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.whole or self.late or self.notes)


class Blocks:
    """Puts readings into the log and into the chain. Door: `write`, inside a transaction."""

    def __init__(self) -> None:
        """Begin with nothing open; what a program before left open is taken up on writing."""
        self._state = _State()
        self._before = _State()

    def due(self, now_s: float) -> bool:
        """Return whether a minute is over and has to be closed."""
        window, state = _window(now_s), self._state
        if not state.open or window == state.window:
            return False
        return any(not _is_open(minute, window) for _, minute in state.open)

    @property
    def open(self) -> bool:
        """Whether readings wait for their leaf."""
        return bool(self._state.open)

    def begin(self) -> None:
        """Remember how things stand, before a transaction of which `write` may be a part."""
        self._before = self._state

    def undo(self) -> None:
        """Forget what was written since `begin`, since the transaction failed."""
        self._state = self._before

    def write(
        self,
        connection: sqlite3.Connection,
        readings: Iterable[tuple[int, bool, Sequence[ReadingTuple]]],
        notes: Iterable[tuple[int, int, int, int]],
        now_s: float,
        *,
        last: bool = False,
    ) -> int:
        """Put readings and notes in, and close what is over; the caller holds the write lock.

        Args:
            connection: the log.
            readings: channel, whether it is live, and its rows.
            notes: channel, time, when noted [us] and quality code.
            now_s: [s].
            last: close all, since nothing comes after.

        Returns:
            How many readings were new.
        """
        self._state = self._state.copy()
        window = _window(now_s)
        closing = _Closing()
        portion = list(readings)
        live = any(is_live for _, is_live, _ in portion)
        if live and self._state.window is None:
            self._take_up(connection)
        before = connection.total_changes
        for channel, is_live, rows in portion:
            self._put(connection, channel, rows, window if is_live else None, closing)
        new = connection.total_changes - before
        _put_notes(connection, notes, closing)
        outbox.put_open(connection, closing.open)
        over = closing.over
        if last or window != self._state.window:
            over |= {each for each in self._state.open if last or not _is_open(each[1], window)}
        self._state.open -= over
        closing.whole |= over
        moved = live and window != self._state.window
        if closing or moved:
            stated = _NONE_OPEN if last else window if live or over else None
            self._close(connection, closing, stated, now_s)
            if stated is not None:
                self._state.window = stated
        if over and last:
            outbox.prune(connection, None, None)
        elif over:
            outbox.prune(connection, window * MINUTE_US, (window + OPEN_MINUTES) * MINUTE_US)
        return new

    def _put(
        self,
        connection: sqlite3.Connection,
        channel: int,
        rows: Sequence[ReadingTuple],
        window: int | None,
        closing: _Closing,
    ) -> None:
        state = self._state
        minutes = {row[0] // MINUTE_US for row in rows}
        if all((channel, minute) in state.open for minute in minutes):  # the usual case
            connection.executemany(_INSERT.format(channel), rows)
            _note_open(closing, channel, [row[0] for row in rows])
            return
        if channel not in state.leafed:
            state.leafed[channel] = _leafed_until(connection, channel)
        taken = {
            minute
            for minute in minutes
            if (channel, minute) not in state.open
            and minute <= state.leafed[channel]
            and (channel, minute) not in closing.whole
            and _is_leafed(connection, channel, minute)
        }
        if taken:
            late: dict[int, list[ReadingTuple]] = {minute: [] for minute in taken}
            rest: list[ReadingTuple] = []
            for row in rows:
                late.get(row[0] // MINUTE_US, rest).append(row)
            connection.executemany(_INSERT.format(channel), rest)
            for minute, of_minute in late.items():
                _put_late(connection, channel, minute, of_minute, closing)
        else:
            connection.executemany(_INSERT.format(channel), rows)
        for minute in minutes - taken:
            if window is not None and _is_open(minute, window):
                state.open.add((channel, minute))
            elif (channel, minute) not in state.open:  # which are closed as being over
                closing.whole.add((channel, minute))
        if window is not None:
            still = [row[0] for row in rows if (channel, row[0] // MINUTE_US) in state.open]
            _note_open(closing, channel, still)

    def _take_up(self, connection: sqlite3.Connection) -> None:
        """Take up what a program that was killed had left open; anything else stays outside."""
        found = connection.execute(
            "SELECT window_us FROM roots WHERE window_us IS NOT NULL ORDER BY id DESC LIMIT 1"
        ).fetchone()
        if found is None:
            return
        first = found[0] // MINUTE_US
        for channel, from_us in connection.execute(
            "SELECT id, ? FROM channels WHERE source = ?", (found[0], LIVE)
        ).fetchall():
            for (minute,) in connection.execute(
                "SELECT DISTINCT time_us / ?1 FROM readings WHERE channel = ?2 "
                "AND time_us >= ?3 AND time_us < ?4",
                (MINUTE_US, channel, from_us, (first + OPEN_MINUTES) * MINUTE_US),
            ).fetchall():
                if not _is_leafed(connection, channel, minute):
                    self._state.open.add((channel, minute))

    def _close(
        self, connection: sqlite3.Connection, closing: _Closing, window: int | None, now_s: float
    ) -> None:
        made_us = round(now_s * 1e6)
        window_us = None if window is None else window * MINUTE_US
        count = len(closing.whole) + len(closing.late) + len(closing.notes)
        cursor = connection.execute(
            "INSERT INTO roots(leaves, window_us, made_us) VALUES (?, ?, ?)",
            (count, window_us, made_us),
        )
        root = int(cursor.lastrowid or 0)
        made: list[Leaf] = []
        by_minute: dict[int, list[int]] = {}
        for channel, minute in closing.whole:
            by_minute.setdefault(minute, []).append(channel)
        for first, until in runs_of(by_minute):
            wanted = [
                (channel, minute)
                for minute in range(first, until + 1)
                for channel in by_minute.get(minute, ())
            ]
            channels = list({channel for channel, _ in wanted})
            rows = rows_of_minutes(connection, first, until + 1, channels)
            for channel, minute in wanted:
                name, of_minute = self._name(connection, channel), rows.get((channel, minute), [])
                sha256 = readings_hash(name, minute, None, of_minute)
                made.append(Leaf(minute, channel, root, OF_READINGS, sha256, None))
        for (channel, minute), times in closing.late.items():
            name, named = self._name(connection, channel), set(times)
            members = pack_times(named)
            late = [row for row in rows_of(connection, channel, minute) if row[0] in named]
            sha256 = readings_hash(name, minute, members, late)
            made.append(Leaf(minute, channel, root, OF_READINGS, sha256, members))
        for (channel, minute), notes in closing.notes.items():
            members = pack_notes(notes)
            sha256 = notes_hash(self._name(connection, channel), minute, members)
            made.append(Leaf(minute, channel, root, OF_NOTES, sha256, members))
        numbered = number(connection, made)
        connection.executemany(
            "INSERT INTO leaves VALUES (?, ?, ?, ?, ?, ?)",
            [(row, *leaf[1:]) for row, leaf in numbered],
        )
        told = [
            (row, leaf.members is None and (leaf.channel, leaf.minute) in closing.over)
            for row, leaf in numbered
        ]
        outbox.put_leaves(connection, root, told, IN_A_MINUTE)
        hashes = [leaf.sha256 for _, leaf in numbered]
        content = chain.root_content(count, window_us, made_us, merkle.root(hashes))
        chain.append(connection, "readings", root, content)
        leafed = self._state.leafed
        for leaf in made:
            if leaf.kind == OF_READINGS and leaf.minute > leafed.get(leaf.channel, -(2**62)):
                leafed[leaf.channel] = leaf.minute

    def _name(self, connection: sqlite3.Connection, channel: int) -> bytes:
        if channel not in self._state.names:
            self._state.names[channel] = name_of(connection, channel)
        return self._state.names[channel]


def _note_open(closing: _Closing, channel: int, times_us: Sequence[int]) -> None:
    if times_us:
        closing.open.append((channel, min(times_us), max(times_us)))


def _window(now_s: float) -> int:
    return int(now_s // 60.0) - 1


def _is_open(minute: int, window: int) -> bool:
    return window <= minute < window + OPEN_MINUTES


def _leafed_until(connection: sqlite3.Connection, channel: int) -> int:
    # A channel that is new has none; to look for it would be to look at every leaf.
    (begun,) = connection.execute(
        "SELECT EXISTS (SELECT 1 FROM readings WHERE channel = ?1) "
        "OR EXISTS (SELECT 1 FROM minutes WHERE channel = ?1)",
        (channel,),
    ).fetchone()
    if not begun:
        return -(2**62)
    (minute,) = connection.execute(
        "SELECT max(coalesce((SELECT id / ?4 FROM leaves WHERE channel = ?1 ORDER BY id DESC "
        "LIMIT 1), ?3), "
        "coalesce((SELECT until_us / ?2 FROM outside WHERE channel = ?1), ?3))",
        (channel, MINUTE_US, -(2**62), IN_A_MINUTE),
    ).fetchone()
    return int(minute)


def _is_leafed(connection: sqlite3.Connection, channel: int, minute: int) -> bool:
    return bool(
        connection.execute(
            "SELECT EXISTS (SELECT 1 FROM leaves WHERE id >= ?2 * ?5 AND id < (?2 + 1) * ?5 "
            "AND channel = ?1 AND kind = ?3) "
            "OR EXISTS (SELECT 1 FROM outside WHERE channel = ?1 AND until_us >= ?2 * ?4)",
            (channel, minute, OF_READINGS, MINUTE_US, IN_A_MINUTE),
        ).fetchone()[0]
    )


def _put_late(
    connection: sqlite3.Connection,
    channel: int,
    minute: int,
    rows: Sequence[ReadingTuple],
    closing: _Closing,
) -> None:
    here = {row[0] for row in rows_of(connection, channel, minute)}
    new = {row[0]: row for row in reversed(rows) if row[0] not in here}
    if new:
        connection.executemany(_INSERT.format(channel), list(new.values()))
        closing.late.setdefault((channel, minute), []).extend(new)


def _put_notes(
    connection: sqlite3.Connection, notes: Iterable[tuple[int, int, int, int]], closing: _Closing
) -> None:
    for channel, *note in notes:
        time_us, noted_us, code = note
        added = connection.execute(
            "INSERT INTO reading_notes VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (channel, time_us, noted_us, code),
        )
        if added.rowcount:
            minute = (channel, time_us // MINUTE_US)
            closing.notes.setdefault(minute, []).append((time_us, noted_us, code))
