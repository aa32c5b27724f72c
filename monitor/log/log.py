"""The log: one SQLite file that keeps readings, calls and events; nothing in it is rewritten."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path
from types import TracebackType
from typing import Self

from monitor.log import chain
from monitor.log.open import connect, connect_to_go_on
from monitor.log.put import check_correction, check_event, insert, put_event, put_outage
from monitor.log.rows import (
    LIVE,
    QUALITY_CODES,
    Calibration,
    CallRow,
    LogDamaged,
    LogRefused,
    Outage,
    micros,
)
from monitor.log.write import KEPT_ROWS, Buffered, ReadingTuple
from rules.events import Event
from sensors.reading import Quality, Quantity, Reading


def log_path(given: Path | None) -> Path:
    """Return the log's file: the one given, or the one in the platform's data folder."""
    if given is not None:
        return given
    from platformdirs import user_data_path

    return user_data_path("filmcall") / "log.db"


# No time that a log holds is so far from 1970.
_FAR_US = 2**62


def _by_disk(fault: LogDamaged) -> bool:
    return isinstance(fault.__cause__, OSError)


class Store(Buffered):
    """An open log. One thread uses it; another thread or process opens its own.

    Readings are buffered until `tick` or `flush`; calls and events are on disk when their
    function returns, and take the buffered readings with them.

    Attributes:
        path: the file.
        notices: what has to be said loudly, such as a damaged file set aside.
        counts: what happened to readings.
    """

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        now_s: Callable[[], float],
        read_only: bool = False,
        busy_s: float = 5.0,
        go_on: bool = False,
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
            go_on: where the disk refuses to write, open the log to read, or an empty one in
                memory where there is none yet: everything put in is refused and kept in memory
                until the disk takes it. `notices` says so.

        Returns:
            The open log.

        Raises:
            LogMissing: `read_only`, and there is no file.
            LogDamaged: `read_only` or another watch is at work, and the file is damaged.
            LogRefused: the disk or its permissions refuse.
            ForeignLog: the file is no log, or a newer program's.
        """
        try:
            connection, notices = connect(path, now_s(), read_only=read_only, busy_s=busy_s)
        except LogRefused as fault:
            # A damaged file that another watch writes to is that one's; one that a disk does not
            # let be set aside is not.
            if not go_on or (isinstance(fault, LogDamaged) and not _by_disk(fault)):
                raise
            connection = connect_to_go_on(path, now_s(), busy_s=busy_s)
            store = cls(path, connection, now_s, (str(fault),))
            store._shut = str(fault)
        else:
            store = cls(path, connection, now_s, notices)
        store._busy_s = busy_s
        return store

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
        self._wants_lock = True
        try:
            self._take_lock()
        except LogRefused:
            # Where nothing can be written nobody writes; the lock is taken with the log.
            if not self._shut:
                raise

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
        return self.add_calls([call])[0]

    def add_calls(self, calls: Sequence[CallRow]) -> list[int | None]:
        """Keep calls that were made at once, in one transaction: see `add_call`.

        Args:
            calls: of one evaluation.

        Returns:
            Their rows, in the same order.

        Raises:
            LogRefused: the disk refuses all of them; as for `add_call`.
        """
        # A row that can never be kept must not stand in the way of those that come after.
        for call in calls:
            if call.call not in ("GO", "HOLD", "STOP"):
                raise ValueError(f"call {call.call!r} is none of GO, HOLD, STOP")
            call.body.encode()
            self._known(call.source)
        now_s = self._now_s()
        self._calls.extend(replace(call, logged_s=now_s, row=None) for call in calls)
        if self._replaying:
            self._oldest_s = now_s if self._oldest_s is None else self._oldest_s
            return [None] * len(calls)
        rows = self._commit("this call" if len(calls) == 1 else "these calls")
        return rows[-len(calls) :]

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
        try:
            self._commit(
                "the end of this recording",
                lambda: self._connection.execute(
                    "UPDATE sources SET complete = max(complete, ?) WHERE id = ?",
                    (int(complete), source),
                ),
            )
        finally:
            self._replaying = False
