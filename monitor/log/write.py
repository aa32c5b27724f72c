"""What waits in memory on its way into the log, and how it is written in one transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan
from typing import NamedTuple, NoReturn

from monitor.log import chain
from monitor.log.blocks import Blocks, ReadingTuple
from monitor.log.open import LogFile
from monitor.log.put import put_call, put_outage
from monitor.log.rows import (
    LIVE,
    QUALITY_CODES,
    CallRow,
    LogDamaged,
    LogRefused,
    Outage,
    is_damage,
    micros,
)
from rules.errors import FilmcallError
from rules.text import counted
from sensors.reading import Quality, Quantity, Reading

# A commit costs one write to the disk's platter, so it is shared by what comes within this time;
# with the caller's tick of at most 1 s, a reading is on disk within 3 s of the 5 s promised.
COMMIT_EVERY_S = 2.0
COMMIT_ROWS = 5_000
# In a replay the recording is still there, so commits may be few.
COMMIT_ROWS_REPLAY = 50_000
# What waits in memory while the disk refuses (about 40 MB), and how often it is tried again.
KEPT_ROWS = 200_000
KEPT_CALLS = 1_000
RETRY_S = 2.0
# No time that a log holds is so far from 1970.
_FAR_US = 2**62

Key = tuple[int, str, str, str]


@dataclass(slots=True)
class StoreCounts:
    """What happened to readings on their way into the log since it was opened.

    Attributes:
        added: new rows.
        duplicates: not added, since the channel has a reading of that very time.
        dropped: lost, since the disk refused and memory was full.
        untimed: not added, since their time is no time that a log can hold.
        calls_dropped: calls lost as well, since the disk refused and memory was full.
        refusals: times that the disk refused.
    """

    added: int = 0
    duplicates: int = 0
    dropped: int = 0
    untimed: int = 0
    calls_dropped: int = 0
    refusals: int = 0


class Portion(NamedTuple):
    """What one transaction takes of what waits: readings by channel, and notes to them."""

    readings: dict[Key, list[ReadingTuple]]
    notes: list[tuple[Key, int, int, int]]


class Buffer:
    """What waits in memory on its way into the log. Door: `add` puts in, `portion` takes out.

    Attributes:
        counts: what happened to readings and calls.
        readings: by channel, in the order in which they came.
        count: how many readings.
        oldest_s: since when the oldest of all waits [s], or None.
        notes: qualities found out later: channel, time, when noted [us], code.
        calls: that the disk refused, or of a replay.
        outage: the time of which readings were dropped, or None.
    """

    def __init__(self, now_s: Callable[[], float], known: Callable[[int], None]) -> None:
        """Begin empty.

        Args:
            now_s: the clock [s].
            known: raises `LookupError` for a source that was never begun.
        """
        self.counts = StoreCounts()
        self.readings: dict[Key, list[ReadingTuple]] = {}
        self.count = 0
        self.oldest_s: float | None = None
        self.notes: list[tuple[Key, int, int, int]] = []
        self.calls: list[CallRow] = []
        self.outage: Outage | None = None
        self._now_s = now_s
        self._known = known

    def __bool__(self) -> bool:
        """Return whether anything waits."""
        return bool(self.count or self.notes or self.calls or self.outage is not None)

    def add(
        self, readings: Iterable[Reading], calibrated: Sequence[float] | None, source: int
    ) -> None:
        """Take readings in; see `Writer.add_readings`."""
        codes = QUALITY_CODES
        buffer = self.readings
        count = 0
        values = iter(calibrated) if calibrated is not None else None
        last_s, time_us = nan, 0  # those of one row or message have one time
        try:
            for reading in readings:
                value = reading.value
                adjusted = next(values) if values is not None else value
                time_s, received_us = reading.time_s, None
                try:
                    if time_s != last_s:
                        time_us, last_s = _far_checked(time_s), time_s
                    if reading.received_s != time_s:
                        received_us = _far_checked(reading.received_s)
                except (ValueError, OverflowError):
                    self.counts.untimed += 1
                    continue
                row = (
                    time_us,
                    None if received_us == time_us else received_us,
                    value if isfinite(value) else None,
                    None if adjusted == value or not isfinite(adjusted) else adjusted,
                    codes[reading.quality],
                )
                key = (source, reading.enclosure, reading.point, reading.quantity)
                try:
                    buffer[key].append(row)
                except KeyError:
                    self._known(source)
                    buffer[key] = [row]
                count += 1
        finally:
            self._took(count)

    def add_rows(self, key: Key, rows: Sequence[ReadingTuple]) -> None:
        """Take one channel's readings in as bare tuples."""
        self._known(key[0])
        self.readings.setdefault(key, []).extend(rows)
        self._took(len(rows))

    def note(self, reading: Reading, quality: Quality, source: int) -> None:
        """Take in a quality that was found out later."""
        key = (source, reading.enclosure, reading.point, reading.quantity)
        noted_us = micros(self._now_s()) if source == LIVE else micros(reading.time_s)
        if len(self.notes) >= KEPT_ROWS:
            self.counts.dropped += 1
            return
        self.notes.append((key, micros(reading.time_s), noted_us, QUALITY_CODES[quality]))
        self.wait()

    def wait(self) -> None:
        """Remember since when the oldest waits."""
        if self.oldest_s is None:
            self.oldest_s = self._now_s()

    def portion(self, most: int, of: Collection[str] | None = None) -> Portion:
        """Return what one transaction takes: all, or the first of a long wait.

        Args:
            most: readings.
            of: only what is of these enclosures, or None for all.
        """
        readings, notes = self.readings, self.notes
        if of is not None:
            readings = {key: rows for key, rows in readings.items() if key[1] in of}
            notes = [each for each in notes if each[0][1] in of]
        if sum(map(len, readings.values())) <= most:
            return Portion(readings, notes)
        portion = {}
        for key, rows in readings.items():
            portion[key] = rows[:most]
            most -= len(portion[key])
            if most <= 0:
                break
        return Portion(portion, [])

    def written(self, portion: Portion) -> None:
        """Forget what is on disk now."""
        self.calls = []
        self.outage = None
        self.count -= sum(map(len, portion.readings.values()))
        if portion.readings is self.readings:
            self.readings = {}
        for key, rows in portion.readings.items() if self.readings else ():
            rest = self.readings.pop(key)[len(rows) :]
            if rest:
                self.readings[key] = rest
        self.notes = (
            []
            if portion.notes is self.notes
            else [each for each in self.notes if each not in portion.notes]
        )
        if not (self.count or self.notes):
            self.oldest_s = None

    def drop(self, surplus: int) -> None:
        """Lose readings for which there is no memory, and keep the time that they were of."""
        # The newest go, so that the time without readings is one, and is noted with its ends.
        times: list[int] = []
        for key in sorted(self.readings, key=lambda key: -len(self.readings[key])):
            rows = self.readings[key]
            cut = min(surplus, max(len(rows) - KEPT_ROWS // len(self.readings), 0))
            if cut:
                times.extend(row[0] for row in rows[-cut:])
                del rows[-cut:]
                surplus -= cut
        self.count -= len(times)
        self.counts.dropped += len(times)
        if times:
            begun, ended = min(times) / 1e6, max(times) / 1e6
            if self.outage is not None:
                begun = min(begun, self.outage.from_s)
                ended = max(ended, self.outage.to_s or ended)
            self.outage = Outage(
                "readings-dropped",
                begun,
                ended,
                f"{counted(self.counts.dropped, 'reading was', 'readings were')} dropped: the "
                f"disk refused the log and {KEPT_ROWS} already waited in memory.",
            )

    def words(self) -> str:
        """Say what waits in memory, or "" where nothing does."""
        counts = {
            "reading": self.count,
            "quality note": len(self.notes),
            "call": len(self.calls),
        }
        kept = [counted(number, name) for name, number in counts.items() if number]
        verb = "waits" if sum(counts.values()) == 1 else "wait"
        return f"{' and '.join(kept)} {verb} in memory" if kept else ""

    def _took(self, count: int) -> None:
        self.count += count
        if count:
            self.wait()


def _far_checked(time_s: float) -> int:
    """Return a time in microseconds.

    Raises:
        ValueError, OverflowError: it is no time that a log can hold.
    """
    time_us = round(time_s * 1e6)
    if not -_FAR_US < time_us < _FAR_US:
        raise ValueError(f"{time_s} s is no time that a log can hold")
    return time_us


class Writer:
    """Writes what waits, and one thing more, in one transaction. Door: `commit`.

    Attributes:
        file: the log's.
        buffer: what waits.
        replaying: a recording is played, so commits may be few and calls wait with readings.
    """

    def __init__(self, file: LogFile, now_s: Callable[[], float]) -> None:
        """Begin with nothing that waits."""
        self.file = file
        self.buffer = Buffer(now_s, self.known)
        self.replaying = False
        self._now_s = now_s
        self._channels: dict[Key, int] = {}
        self._sources = {LIVE}
        self._refused_s: float | None = None
        self._blocks = Blocks()

    @property
    def waiting(self) -> tuple[int, int]:
        """How many readings and calls wait in memory."""
        return self.buffer.count, len(self.buffer.calls)

    def call_waits(self, enclosure: str) -> bool:
        """Return whether a call of an enclosure is not in the log yet."""
        return any(call.enclosure == enclosure for call in self.buffer.calls)

    def known(self, source: int) -> None:
        """Refuse a source that was never begun.

        Raises:
            LookupError: it was not.
        """
        if source not in self._sources:
            self._sources = {each for (each,) in self.file.rows("SELECT id FROM sources")}
            if source not in self._sources:
                raise LookupError(f"source {source} was never begun in log {self.file.path}")

    def add_readings(
        self,
        readings: Iterable[Reading],
        calibrated: Sequence[float] | None = None,
        *,
        source: int = LIVE,
    ) -> None:
        """Take readings in; they are on disk after the next `tick`, `flush`, call or event.

        Args:
            readings: as they came, raw.
            calibrated: their values after calibration, in the same order; None where none is.
            source: where they came from, of `begin_source`.

        Raises:
            LogRefused: it was time to write and the disk refused; the readings are kept in
                memory, up to `KEPT_ROWS`, and tried again. Those beyond are counted as dropped.
        """
        try:
            self.buffer.add(readings, calibrated, source)
        finally:
            self._write_where_due()

    def add_reading_rows(
        self,
        enclosure: str,
        point: str,
        quantity: Quantity,
        rows: Sequence[ReadingTuple],
        *,
        source: int = LIVE,
    ) -> None:
        """Take one channel's readings in as bare tuples, for recordings of millions of rows.

        Args:
            enclosure: where.
            point: which sensor body.
            quantity: what.
            rows: time [us], time received [us] or None where equal, raw value or None where
                missing, calibrated value or None where equal, quality code.
            source: of `begin_source`.

        Raises:
            LogRefused: as for `add_readings`.
        """
        self.buffer.add_rows((source, enclosure, point, quantity), rows)
        self._write_where_due()

    def note_quality(self, reading: Reading, quality: Quality, *, source: int = LIVE) -> None:
        """Note that a reading's quality turned out otherwise; the reading itself stays.

        Args:
            reading: the one that was added.
            quality: what it is now known to be.
            source: of the reading.
        """
        self.buffer.note(reading, quality, source)

    @property
    def _due(self) -> int:
        return COMMIT_ROWS_REPLAY if self.replaying else COMMIT_ROWS

    def tick(self) -> None:
        """Write what is due; the caller calls this at least once a second.

        Raises:
            LogRefused: the disk refuses; what was buffered is kept and tried again later.
        """
        waiting = self.buffer
        now = self._now_s()
        over = self._blocks.due(now)
        if waiting.oldest_s is None and not waiting.calls and not over:
            return
        if self._refused_s is not None and 0 <= now - self._refused_s < RETRY_S:
            return
        # A clock that was set back must not keep readings from the disk.
        waited = inf if waiting.oldest_s is None else now - waiting.oldest_s
        refused_before = bool(waiting.calls) and not self.replaying
        if over or refused_before or not 0 <= waited < COMMIT_EVERY_S or waiting.count >= self._due:
            self.commit()

    def flush(self) -> None:
        """Write everything that is buffered.

        Raises:
            LogRefused: the disk refuses; what was buffered is kept.
        """
        while self.buffer:
            self.commit()

    def _write_where_due(self) -> None:
        waiting = self.buffer
        if waiting.count < self._due and waiting.count <= KEPT_ROWS:
            return
        now = self._now_s()
        resting = self._refused_s is not None and 0 <= now - self._refused_s < RETRY_S
        try:
            if waiting.count >= self._due and not resting:
                self.commit()
                # More at once than memory may keep: what the disk takes is not dropped.
                while waiting.count > KEPT_ROWS:
                    self.commit()
        finally:
            if waiting.count > KEPT_ROWS:
                waiting.drop(waiting.count - KEPT_ROWS)

    def end(self) -> None:
        """Write everything that is buffered and close every minute, since nothing comes after.

        Raises:
            LogRefused: the disk refuses.
        """
        self.flush()
        if self._blocks.open:
            self.commit(last=True)

    def commit(
        self,
        what: str = "",
        put: Callable[[], object] | None = None,
        *,
        last: bool = False,
        of: Collection[str] | None = None,
    ) -> list[int | None]:
        """Write a portion of the buffer and one more thing in one transaction, all or nothing.

        After an outage the buffer may hold `KEPT_ROWS`; written at once, or tried in vain at
        once, they would let a call wait for seconds on a small board.

        Args:
            what: the one more thing, as a refusal names it.
            put: puts it in.
            last: nothing comes after, so close the minutes that are still open.
            of: leave readings and notes of other enclosures than these to the next commit.

        Returns:
            The rows of the calls that waited.

        Raises:
            LogRefused: the disk refuses; what waited is kept, the one more thing is not.
        """
        self._reopen(what)
        connection = self.file.connection
        waiting = self.buffer
        portion = waiting.portion(waiting.count if self.replaying else COMMIT_ROWS, of)
        count = sum(map(len, portion.readings.values()))
        whole = count == waiting.count
        self._blocks.begin()
        try:
            with self.file.transaction():
                channels = self._put_channels()
                added = self._blocks.write(
                    connection,
                    [
                        (channels[key], key[0] == LIVE, rows)
                        for key, rows in portion.readings.items()
                    ],
                    [(channels[key], at, noted, code) for key, at, noted, code in portion.notes],
                    self._now_s(),
                    last=last and whole,
                )
                call_rows = [put_call(connection, call, self._now_s()) for call in waiting.calls]
                if waiting.outage is not None:
                    put_outage(connection, waiting.outage, self._now_s())
                if put is not None:
                    put()
        except BaseException as error:
            self._blocks.undo()
            if isinstance(error, sqlite3.Error):
                self._refuse(what, error)
            raise
        self._channels = channels
        waiting.counts.added += added
        waiting.counts.duplicates += count - added
        waiting.written(portion)
        self._refused_s = None
        self.file.wait_for_others(briefly=False)
        return call_rows

    def _reopen(self, what: str) -> None:
        try:
            if self.file.reopen():
                self._channels = {}
        except FilmcallError as fault:
            self._count_refusal()
            raise LogRefused(f"{what} was not written: {fault}" if what else str(fault)) from fault

    def _refuse(self, what: str, error: sqlite3.Error) -> NoReturn:
        self._count_refusal()
        clauses = [f"{what} was not written"] if what else []
        if waiting := self.buffer.words():
            clauses.append(waiting)
        lost = ", and ".join(clauses)
        if is_damage(error):
            raise LogDamaged(
                f"log {self.file.path}: it is damaged inside ({error}); {lost}. Start the program "
                f"again: it sets the file aside and begins a new one."
            ) from error
        if (getattr(error, "sqlite_errorcode", 0) & 0xFF) == sqlite3.SQLITE_BUSY:
            # The calls that follow at once would each wait anew, and be told late.
            self.file.wait_for_others(briefly=True)
            why = "another process has been writing to it for too long"
            fix = "End that process if it hangs"
        else:
            why = f"the disk refuses it ({error})"
            fix = "Free some space, or check the disk and its permissions"
        until = " until it is tried again" if waiting else ""
        raise LogRefused(f"log {self.file.path}: {why}; {lost}{until}. {fix}.") from error

    def _count_refusal(self) -> None:
        self.buffer.counts.refusals += 1
        self._refused_s = self._now_s()
        surplus = len(self.buffer.calls) - KEPT_CALLS
        if surplus > 0:
            self.buffer.counts.calls_dropped += surplus
            del self.buffer.calls[:surplus]

    def _put_channels(self) -> dict[Key, int]:
        channels = dict(self._channels)
        for key in (*self.buffer.readings, *(noted[0] for noted in self.buffer.notes)):
            if key not in channels:
                plain = (key[0], key[1], key[2], str(key[3]))
                added = self.file.connection.execute(
                    "INSERT INTO channels(source, enclosure, point, quantity) "
                    "VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    plain,
                )
                if added.rowcount:
                    chain.append(self.file.connection, "channel", int(added.lastrowid or 0))
                (channels[key],) = self.file.connection.execute(
                    "SELECT id FROM channels WHERE source = ? AND enclosure = ? AND point = ? "
                    "AND quantity = ?",
                    plain,
                ).fetchone()
        return channels
