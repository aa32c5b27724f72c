"""The log: one SQLite file that keeps readings, calls and events; nothing in it is rewritten."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from monitor.log.entries import Entries
from monitor.log.open import LogFile
from monitor.log.read import Queries
from monitor.log.readings import ReadingQueries
from monitor.log.thin import Thinner
from monitor.log.write import StoreCounts, Writer
from rules.errors import FilmcallError


def log_path(given: Path | None) -> Path:
    """Return the log's file: the one given, or the one in the platform's data folder.

    Raises:
        FilmcallError: it is a database's address, which this question is not put to.
    """
    if given is not None:
        if given.parts and given.parts[0].endswith("sql:"):
            raise FilmcallError(
                f"log {given.parts[0]}//...: this command wants the log's own file, so nothing was "
                f"done; only review, export and sessions read a shipped copy. Give a file."
            )
        return given
    from platformdirs import user_data_path

    return user_data_path("filmcall") / "log.db"


class Store:
    """An open log. One thread uses it; another thread or process opens its own.

    Door: `open`. Readings are buffered until `tick` or `flush`; calls and events are on disk when
    their function returns, and take the buffered readings with them. The questions and entries
    stand here by name; each is described where it is defined.

    Attributes:
        file: the open file.
    """

    def __init__(self, file: LogFile, now_s: Callable[[], float]) -> None:
        """Wrap an open file; `open` is the way in."""
        self.file = file
        self._writer = writer = Writer(file, now_s)
        entries = Entries(writer, now_s)
        queries, measured = Queries(file), ReadingQueries(file)

        self.add_readings = writer.add_readings
        self.add_reading_rows = writer.add_reading_rows
        self.note_quality = writer.note_quality
        self.tick = writer.tick
        self.flush = writer.flush
        self.call_waits = writer.call_waits
        self.thin_step = Thinner(writer, now_s).step

        self.add_call = entries.add_call
        self.add_calls = entries.add_calls
        self.add_event = entries.add_event
        self.keep_spec = entries.keep_spec
        self.add_calibration = entries.add_calibration
        self.add_outage = entries.add_outage
        self.add_alarm = entries.add_alarm
        self.add_forecast = entries.add_forecast
        self.begin_source = entries.begin_source
        self.end_source = entries.end_source

        self.readings = measured.readings
        self.cell_means = measured.cell_means
        self.count_readings = measured.count_readings
        self.reading_rows = measured.reading_rows
        self.last_reading_s = measured.last_reading_s
        self.minute_rows = measured.minute_rows
        self.newest_time_s = measured.newest_time_s
        self.days_kept_s = measured.days_kept_s

        self.verify = queries.verify
        self.audit = queries.audit
        self.seal = queries.seal
        self.sealed_as = queries.sealed_as
        self.head = queries.head
        self.sources = queries.sources
        self.channels = queries.channels
        self.last_call = queries.last_call
        self.stands_since_s = queries.stands_since_s
        self.newest_calls = queries.newest_calls
        self.calls_standing = queries.calls_standing
        self.sections_called = queries.sections_called
        self.calls = queries.calls
        self.events = queries.events
        self.sessions = queries.sessions
        self.stations = queries.stations
        self.photos = queries.photos
        self.event_called = queries.event_called
        self.told_by = queries.told_by
        self.forecasts = queries.forecasts
        self.spec_text = queries.spec_text
        self.calibrations = queries.calibrations
        self.outages = queries.outages
        self.alarms = queries.alarms

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
        `notices` says so. Files up to `open.CHECKED_BYTES` are checked whole on opening;
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
        return cls(
            LogFile.open(path, now_s, read_only=read_only, busy_s=busy_s, go_on=go_on), now_s
        )

    @property
    def path(self) -> Path:
        """The file's path."""
        return self.file.path

    @property
    def notices(self) -> tuple[str, ...]:
        """What has to be said loudly, such as a damaged file set aside."""
        return self.file.notices

    @property
    def counts(self) -> StoreCounts:
        """What happened to readings."""
        return self._writer.buffer.counts

    @property
    def waiting(self) -> tuple[int, int]:
        """How many readings and calls wait in memory."""
        return self._writer.waiting

    @property
    def log_uuid(self) -> str:
        """The file's own name in the world; (log_uuid, row) names a row for ever."""
        return self.file.uuid

    def lock_for_watch(self) -> None:
        """Take the right to watch into this log, until it is closed.

        Raises:
            LogBusy: another process has it; the text says which.
            LogRefused: the lock's file cannot be made.
        """
        self.file.lock_for_watch()

    def close(self) -> None:
        """Write what is buffered, give back the lock and close the file.

        Raises:
            LogRefused: the disk refuses what is buffered; the file is closed all the same.
        """
        try:
            self._writer.end()
        finally:
            self.file.close()

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
