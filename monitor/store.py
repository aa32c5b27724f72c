"""The log: one SQLite file that keeps readings, calls and events; nothing in it is rewritten."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import inf, isfinite
from pathlib import Path
from types import TracebackType
from typing import NoReturn, Self

from monitor import chain
from monitor.store_lock import WatchLock
from monitor.store_open import connect
from monitor.store_put import check_correction, check_event, insert, put_call, put_event, put_outage
from monitor.store_queries import Queries, is_damage
from monitor.store_rows import (
    LIVE,
    QUALITY_CODES,
    Calibration,
    CallRow,
    LogDamaged,
    LogRefused,
    Outage,
    micros,
)
from rules.events import Event
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
# No time that a log holds is so far from 1970; questions without an end go this far.
_FAR_US = 2**62

_Key = tuple[int, str, str, str]
# time, received or None where equal, raw or None where missing, calibrated or None where equal,
# quality code
ReadingTuple = tuple[int, int | None, float | None, float | None, int]


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


class Store(Queries):
    """An open log. One thread uses it; another thread or process opens its own.

    Readings are buffered until `tick` or `flush`; calls and events are on disk when their
    function returns, and take the buffered readings with them.

    Attributes:
        path: the file.
        notices: what has to be said loudly, such as a damaged file set aside.
        counts: what happened to readings.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        now_s: Callable[[], float],
        notices: tuple[str, ...],
    ) -> None:
        """Wrap an open file; `open` is the way in."""
        self.path = path
        self.notices = notices
        self.counts = StoreCounts()
        self._connection = connection
        self._now_s = now_s
        self._lock: WatchLock | None = None
        self._channels: dict[_Key, int] = {}
        self._sources = {LIVE}
        self._buffer: dict[_Key, list[ReadingTuple]] = {}
        self._buffered = 0
        self._oldest_s: float | None = None
        self._noted: list[tuple[_Key, int, int, int]] = []
        self._calls: list[CallRow] = []
        self._refused_s: float | None = None
        self._dropping: Outage | None = None
        self._replaying = False

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        now_s: Callable[[], float],
        read_only: bool = False,
        busy_s: float = 5.0,
    ) -> Self:
        """Open a log, or make one.

        A damaged file is set aside under a new name with its time, a new log is begun, and
        `notices` says so. Files up to `store_open.CHECKED_BYTES` are checked whole on opening;
        longer ones show their damage when the part is read.

        Args:
            path: the file; its folder is made where needed.
            now_s: the clock, seconds since 1970-01-01 UTC.
            read_only: change nothing; the file has to exist.
            busy_s: how long to wait for another process that is writing [s].

        Returns:
            The open log.

        Raises:
            LogMissing: `read_only`, and there is no file.
            LogDamaged: `read_only` or another watch is at work, and the file is damaged.
            LogRefused: the disk or its permissions refuse.
            ForeignLog: the file is no log, or a newer program's.
        """
        connection, notices = connect(path, now_s(), read_only=read_only, busy_s=busy_s)
        return cls(path, connection, now_s, notices)

    def close(self) -> None:
        """Write what is buffered, give back the lock and close the file.

        Raises:
            LogRefused: the disk refuses what is buffered; the file is closed all the same.
        """
        try:
            self.flush()
        finally:
            if self._lock is not None:
                self._lock.release()
                self._lock = None
            self._connection.close()

    def __enter__(self) -> Self:
        """Return the log itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the log."""
        self.close()

    def lock_for_watch(self) -> None:
        """Take the right to watch into this log, until it is closed.

        Raises:
            LogBusy: another process has it; the text says which.
            LogRefused: the lock's file cannot be made.
        """
        if self._lock is None:
            self._lock = WatchLock(self.path, self._now_s())

    # What is put in -------------------------------------------------------------------------

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
        codes = QUALITY_CODES
        buffer = self._buffer
        count = 0
        values = iter(calibrated) if calibrated is not None else None
        try:
            for reading in readings:
                value = reading.value
                adjusted = next(values) if values is not None else value
                try:
                    time_us = round(reading.time_s * 1e6)
                    received_us = round(reading.received_s * 1e6)
                except (ValueError, OverflowError):
                    self.counts.untimed += 1
                    continue
                if not (-_FAR_US < time_us < _FAR_US and -_FAR_US < received_us < _FAR_US):
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
        self._known(source)
        self._buffer.setdefault((source, enclosure, point, quantity), []).extend(rows)
        self._took(len(rows))

    def note_quality(self, reading: Reading, quality: Quality, *, source: int = LIVE) -> None:
        """Note that a reading's quality turned out otherwise; the reading itself stays.

        Args:
            reading: the one that was added.
            quality: what it is now known to be.
            source: of the reading.
        """
        key = (source, reading.enclosure, reading.point, reading.quantity)
        noted_us = micros(self._now_s()) if source == LIVE else micros(reading.time_s)
        if len(self._noted) >= KEPT_ROWS:
            self.counts.dropped += 1
            return
        self._noted.append((key, micros(reading.time_s), noted_us, QUALITY_CODES[quality]))
        self._oldest_s = self._oldest_s if self._oldest_s is not None else self._now_s()

    def add_call(self, call: CallRow) -> int | None:
        """Keep a call; it is on disk on return, before anyone is told. In a replay it may wait.

        Args:
            call: its `logged_s` and `row` are given here.

        Returns:
            Its row, or None where a replay brought it before or it waits for the next commit.

        Raises:
            LogRefused: the disk refuses; tell the call as unlogged and do not add it again: it
                is kept in memory, up to `KEPT_CALLS`, and written when the disk takes it.
        """
        # A row that can never be kept must not stand in the way of those that come after.
        if call.call not in ("GO", "HOLD", "STOP"):
            raise ValueError(f"call {call.call!r} is none of GO, HOLD, STOP")
        call.body.encode()
        self._known(call.source)
        self._calls.append(replace(call, logged_s=self._now_s(), row=None))
        if self._replaying:
            return None
        rows = self._commit("this call")
        return rows[-1]

    def add_event(self, event: Event, *, source: int = LIVE, station: str = "") -> Event:
        """Keep an event; it is on disk on return.

        Args:
            event: what a person did; `recorded_s` is now where it is None.
            source: where it belongs.
            station: which shell, program or broker client it came through.

        Returns:
            The event as it was kept, with its row.

        Raises:
            LogRefused: the disk refuses; the event was not kept.
            FilmcallError: it corrects a row that cannot be corrected, or holds what no log keeps.
        """
        check_event(event)
        self._known(source)
        recorded = self._now_s() if event.recorded_s is None else event.recorded_s
        row = 0

        def put() -> None:
            nonlocal row
            check_correction(self._connection, self.path, event, source)
            row = put_event(self._connection, event, recorded, source, station)

        self._commit(f"this event ({event.kind})", put)
        return replace(
            event,
            time_s=micros(event.time_s) / 1e6,
            recorded_s=micros(recorded) / 1e6,
            row=row,
        )

    def keep_spec(self, text: str) -> str:
        """Keep a spec's text as it stands, once.

        Args:
            text: the whole file.

        Returns:
            SHA-256 of the text, by which calls and sessions name it.

        Raises:
            LogRefused: the disk refuses.
        """
        digest = hashlib.sha256(text.encode()).hexdigest()
        if self.spec_text(digest) is None:
            seen = micros(self._now_s())
            self._commit(
                "this spec's text",
                lambda: self._connection.execute(
                    "INSERT INTO specs VALUES (?, ?, ?) ON CONFLICT (sha256) DO NOTHING",
                    (digest, text, seen),
                ),
            )
        return digest

    def add_calibration(self, calibration: Calibration) -> Calibration:
        """Keep a sensor's calibration; on disk on return.

        Raises:
            LogRefused: the disk refuses; it was not kept.
        """
        row = 0

        def put() -> None:
            nonlocal row
            row = insert(
                self._connection,
                "calibrations",
                enclosure=calibration.enclosure,
                point=calibration.point,
                quantity=str(calibration.quantity),
                made_us=micros(calibration.made_s),
                body=calibration.body,
                logged_us=micros(self._now_s()),
            )
            chain.append(self._connection, "calibration", row)

        self._commit("this calibration", put)
        return replace(calibration, made_s=micros(calibration.made_s) / 1e6, row=row)

    def add_outage(self, outage: Outage) -> None:
        """Keep a time of which the log knows less than it should; on disk on return.

        Raises:
            LogRefused: the disk refuses; it was not kept.
        """
        self._commit("this outage", lambda: put_outage(self._connection, outage, self._now_s()))

    def begin_source(self, kind: str, digest: str, title: str) -> tuple[int, bool]:
        """Begin, or begin again, to take in a recording or a simulation.

        Until `end_source`, calls of a replay wait for the next commit like readings, since the
        recording can be played again.

        Args:
            kind: `replay` or `simulate`.
            digest: of the recording and everything that its calls follow from.
            title: what a person calls it.

        Returns:
            Its number, and whether it was played to its end before.

        Raises:
            LogRefused: the disk refuses.
        """
        find = "SELECT id, complete FROM sources WHERE kind = ? AND digest = ?"
        found = self._rows(find, kind, digest)
        if not found:
            begun = micros(self._now_s())
            self._commit(
                "this recording",
                lambda: self._connection.execute(
                    "INSERT INTO sources(kind, digest, title, started_us) VALUES (?, ?, ?, ?) "
                    "ON CONFLICT (kind, digest) DO NOTHING",
                    (kind, digest, title, begun),
                ),
            )
            found = self._rows(find, kind, digest)
        self._replaying = True
        return int(found[0][0]), bool(found[0][1])

    def end_source(self, source: int, *, complete: bool) -> None:
        """Write what is left of a recording and mark whether it was played to its end.

        Raises:
            LogRefused: the disk refuses.
        """
        self._replaying = False
        self._commit(
            "the end of this recording",
            lambda: self._connection.execute(
                "UPDATE sources SET complete = max(complete, ?) WHERE id = ?",
                (int(complete), source),
            ),
        )

    # To disk --------------------------------------------------------------------------------

    @property
    def waiting(self) -> tuple[int, int]:
        """How many readings and calls wait in memory."""
        return self._buffered, len(self._calls)

    def tick(self) -> None:
        """Write what is due; the caller calls this at least once a second.

        Raises:
            LogRefused: the disk refuses; what was buffered is kept and tried again later.
        """
        if self._oldest_s is None and not self._calls:
            return
        now = self._now_s()
        if self._refused_s is not None and 0 <= now - self._refused_s < RETRY_S:
            return
        # A clock that was set back must not keep readings from the disk.
        waited = inf if self._oldest_s is None else now - self._oldest_s
        if self._calls or not 0 <= waited < COMMIT_EVERY_S or self._buffered >= COMMIT_ROWS:
            self.flush()

    def flush(self) -> None:
        """Write everything that is buffered.

        Raises:
            LogRefused: the disk refuses; what was buffered is kept.
        """
        if self._buffered or self._noted or self._calls or self._dropping is not None:
            self._commit("nothing else")

    def _known(self, source: int) -> None:
        if source not in self._sources:
            self._sources = {kept.source for kept in self.sources()}
            if source not in self._sources:
                raise LookupError(f"source {source} was never begun in log {self.path}")

    def _took(self, count: int) -> None:
        self._buffered += count
        now = self._now_s()
        if self._oldest_s is None and count:
            self._oldest_s = now
        due = COMMIT_ROWS_REPLAY if self._replaying else COMMIT_ROWS
        resting = self._refused_s is not None and 0 <= now - self._refused_s < RETRY_S
        try:
            if self._buffered >= due and not resting:
                self._commit("nothing else")
        finally:
            if self._buffered > KEPT_ROWS:
                self._drop(self._buffered - KEPT_ROWS)

    def _drop(self, surplus: int) -> None:
        # The newest go, so that the time without readings is one, and is noted with its ends.
        times: list[int] = []
        for key in sorted(self._buffer, key=lambda key: -len(self._buffer[key])):
            rows = self._buffer[key]
            cut = min(surplus, max(len(rows) - KEPT_ROWS // len(self._buffer), 0))
            if cut:
                times.extend(row[0] for row in rows[-cut:])
                del rows[-cut:]
                surplus -= cut
        self._buffered -= len(times)
        self.counts.dropped += len(times)
        if times:
            begun, ended = min(times) / 1e6, max(times) / 1e6
            if self._dropping is not None:
                begun = min(begun, self._dropping.from_s)
                ended = max(ended, self._dropping.to_s or ended)
            self._dropping = Outage(
                "readings-dropped",
                begun,
                ended,
                f"{self.counts.dropped} readings were dropped: the disk refused the log and "
                f"{KEPT_ROWS} already waited in memory.",
            )

    def _commit(self, what: str, put: Callable[[], object] | None = None) -> list[int | None]:
        """Write the buffer and one more thing in one transaction, all of it or nothing."""
        connection = self._connection
        try:
            with self._transaction():
                channels = self._put_channels()
                added = connection.total_changes
                for key, rows in self._buffer.items():
                    connection.executemany(
                        f"INSERT INTO readings VALUES ({channels[key]}, ?, ?, ?, ?, ?) "
                        f"ON CONFLICT (channel, time_us) DO NOTHING",
                        rows,
                    )
                added = connection.total_changes - added
                connection.executemany(
                    "INSERT INTO reading_notes VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    [(channels[key], *rest) for key, *rest in self._noted],
                )
                call_rows = [put_call(connection, call, self._now_s()) for call in self._calls]
                if self._dropping is not None:
                    put_outage(connection, self._dropping, self._now_s())
                if put is not None:
                    put()
        except sqlite3.Error as error:
            self._refuse(what, error)
        self._channels = channels
        self.counts.added += added
        self.counts.duplicates += self._buffered - added
        self._buffer = {}
        self._buffered = 0
        self._noted = []
        self._calls = []
        self._oldest_s = None
        self._refused_s = None
        self._dropping = None
        return call_rows

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._connection.execute("COMMIT")
        except BaseException:
            # SQLite itself rolls back on some errors, a full disk among them.
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def _refuse(self, what: str, error: sqlite3.Error) -> NoReturn:
        self.counts.refusals += 1
        self._refused_s = self._now_s()
        surplus = len(self._calls) - KEPT_CALLS
        if surplus > 0:
            self.counts.calls_dropped += surplus
            del self._calls[:surplus]
        kept = f"{self._buffered} readings and {len(self._calls)} calls wait in memory"
        if is_damage(error):
            raise LogDamaged(
                f"log {self.path}: it is damaged inside ({error}); {what} was not written, and "
                f"{kept}. Start the program again: it sets the file aside and begins a new one."
            ) from error
        if (getattr(error, "sqlite_errorcode", 0) & 0xFF) == sqlite3.SQLITE_BUSY:
            why = "another process has been writing to it for too long"
            mend = "End that process if it hangs"
        else:
            why = f"the disk refuses it ({error})"
            mend = "Free some space, or check the disk and its permissions"
        raise LogRefused(
            f"log {self.path}: {why}; {what} was not written, and {kept} until it is tried again. "
            f"{mend}."
        ) from error

    def _put_channels(self) -> dict[_Key, int]:
        channels = dict(self._channels)
        for key in (*self._buffer, *(noted[0] for noted in self._noted)):
            if key not in channels:
                plain = (key[0], key[1], key[2], str(key[3]))
                self._connection.execute(
                    "INSERT INTO channels(source, enclosure, point, quantity) "
                    "VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    plain,
                )
                (channels[key],) = self._connection.execute(
                    "SELECT id FROM channels WHERE source = ? AND enclosure = ? AND point = ? "
                    "AND quantity = ?",
                    plain,
                ).fetchone()
        return channels
