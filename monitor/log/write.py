"""What waits in memory on its way into the log, and how it is written in one transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import NoReturn

from monitor.log.open import WatchLock, connect, connect_to_go_on, may_write
from monitor.log.put import put_call, put_outage
from monitor.log.read import Queries
from monitor.log.readings import is_damage
from monitor.log.rows import LIVE, CallRow, LogDamaged, LogRefused, Outage, micros
from monitor.log.thin import MINUTE_US, ThinningStep, next_span, thin
from rules.errors import FilmcallError
from rules.text import counted

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
# Once another process has held the log too long, no further wait of that length until it lets go.
BUSY_AGAIN_S = 0.02

Key = tuple[int, str, str, str]
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


class Buffered(Queries):
    """An open log with its buffer; `Store` is what the program uses."""

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
        self._channels: dict[Key, int] = {}
        self._sources = {LIVE}
        self._buffer: dict[Key, list[ReadingTuple]] = {}
        self._buffered = 0
        self._oldest_s: float | None = None
        self._noted: list[tuple[Key, int, int, int]] = []
        self._calls: list[CallRow] = []
        self._refused_s: float | None = None
        self._dropping: Outage | None = None
        self._replaying = False
        # Why the file could only be read at the start, or "".
        self._shut = ""
        self._began_with = ""
        self._wants_lock = False
        self._looked_us: dict[int, int] = {}
        self._busy_s = 0.0

    @property
    def waiting(self) -> tuple[int, int]:
        """How many readings and calls wait in memory."""
        return self._buffered, len(self._calls)

    def call_waits(self, enclosure: str) -> bool:
        """Return whether a call of an enclosure is not in the log yet."""
        return any(call.enclosure == enclosure for call in self._calls)

    @property
    def _due(self) -> int:
        return COMMIT_ROWS_REPLAY if self._replaying else COMMIT_ROWS

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
        refused_before = bool(self._calls) and not self._replaying
        if refused_before or not 0 <= waited < COMMIT_EVERY_S or self._buffered >= self._due:
            self._commit()

    def flush(self) -> None:
        """Write everything that is buffered.

        Raises:
            LogRefused: the disk refuses; what was buffered is kept.
        """
        while self._buffered or self._noted or self._calls or self._dropping is not None:
            self._commit()

    def thin_step(self, before_s: float, keep_days: int) -> ThinningStep | None:
        """Put minute means in the place of a few old live readings; see `retention.Retention`.

        Args:
            before_s: readings from this minute on stay [s].
            keep_days: how long readings are kept whole, to be written beside it [days].

        Returns:
            What was done, (0, 0) where there was nothing to gain; None once no step is left.

        Raises:
            LogRefused: the disk refuses; nothing was thinned.
        """
        before_us = micros(before_s) // MINUTE_US * MINUTE_US
        with self._asking():
            span = next_span(self._connection, before_us, self._looked_us)
        if span is None:
            return None
        done = ThinningStep(0, 0)

        def put() -> None:
            nonlocal done
            done = thin(self._connection, span, keep_days, micros(self._now_s()))

        self._commit("this thinning", put)
        if not done.readings:
            self._looked_us[span.channel] = span.to_us
        return done

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
        resting = self._refused_s is not None and 0 <= now - self._refused_s < RETRY_S
        try:
            if self._buffered >= self._due and not resting:
                self._commit()
                # More at once than memory may keep: what the disk takes is not dropped.
                while self._buffered > KEPT_ROWS:
                    self._commit()
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
                f"{counted(self.counts.dropped, 'reading was', 'readings were')} dropped: the "
                f"disk refused the log and {KEPT_ROWS} already waited in memory.",
            )

    def _commit(self, what: str = "", put: Callable[[], object] | None = None) -> list[int | None]:
        """Write a portion of the buffer and one more thing in one transaction, all or nothing.

        After an outage the buffer may hold `KEPT_ROWS`; written at once, or tried in vain at
        once, they would let a call wait for seconds on a small board.
        """
        self._open_again(what)
        connection = self._connection
        portion = self._portion()
        count = sum(map(len, portion.values()))
        whole = count == self._buffered
        try:
            with self._transaction():
                channels = self._put_channels()
                added = connection.total_changes
                for key, rows in portion.items():
                    connection.executemany(
                        f"INSERT INTO readings VALUES ({channels[key]}, ?, ?, ?, ?, ?) "
                        f"ON CONFLICT (channel, time_us) DO NOTHING",
                        rows,
                    )
                added = connection.total_changes - added
                if whole:
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
        self.counts.duplicates += count - added
        self._written(portion, whole=whole)
        self._wait_for_others(self._busy_s)
        return call_rows

    def _portion(self) -> dict[Key, list[ReadingTuple]]:
        """The readings that one transaction takes: all of them, or the first of a long wait."""
        if self._replaying or self._buffered <= COMMIT_ROWS:
            return self._buffer
        portion = {}
        left = COMMIT_ROWS
        for key, rows in self._buffer.items():
            portion[key] = rows[:left]
            left -= len(portion[key])
            if left <= 0:
                break
        return portion

    def _written(self, portion: dict[Key, list[ReadingTuple]], *, whole: bool) -> None:
        self._calls = []
        self._refused_s = None
        self._dropping = None
        if whole:
            self._buffer = {}
            self._buffered = 0
            self._noted = []
            self._oldest_s = None
            return
        for key, rows in portion.items():
            self._buffered -= len(rows)
            rest = self._buffer.pop(key)[len(rows) :]
            if rest:
                self._buffer[key] = rest

    def _open_again(self, what: str) -> None:
        """Open to write what could only be read at the start, where the disk takes it now."""
        if not self._shut:
            return
        try:
            self._change_over()
        except FilmcallError as fault:
            self._count_refusal()
            raise LogRefused(f"{what} was not written: {fault}" if what else str(fault)) from fault
        self._shut = ""
        self._channels = {}

    def _change_over(self) -> None:
        if not may_write(self.path):
            raise LogRefused(self._shut)
        self._began_with = self._began_with or self.log_uuid
        # First, since SQLite shares what it opened to read only with all of one process.
        self._connection.close()
        try:
            connection, notices = connect(
                self.path, self._now_s(), read_only=False, busy_s=BUSY_AGAIN_S
            )
        except FilmcallError:
            self._connection = connect_to_go_on(self.path, self._now_s(), busy_s=BUSY_AGAIN_S)
            raise
        self._connection = connection
        self.notices = (*self.notices, *notices)
        self._take_lock()
        if self._began_with != self.log_uuid and next(self.calls(), None) is not None:
            raise LogRefused(
                f"log {self.path}: it can be read only now, after this program had begun "
                f"without it, so whether a STOP stands in it is not known. Start the program "
                f"again."
            )

    def _take_lock(self) -> None:
        if self._wants_lock and self._lock is None:
            self._lock = WatchLock(self.path, self._now_s())

    def _wait_for_others(self, busy_s: float) -> None:
        self._connection.execute(f"PRAGMA busy_timeout = {round(busy_s * 1000)}")

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
        self._count_refusal()
        clauses = [f"{what} was not written"] if what else []
        if waiting := self._waiting_words():
            clauses.append(waiting)
        lost = ", and ".join(clauses)
        if is_damage(error):
            raise LogDamaged(
                f"log {self.path}: it is damaged inside ({error}); {lost}. Start the program "
                f"again: it sets the file aside and begins a new one."
            ) from error
        if (getattr(error, "sqlite_errorcode", 0) & 0xFF) == sqlite3.SQLITE_BUSY:
            # The calls that follow at once would each wait anew, and be told late.
            self._wait_for_others(min(self._busy_s, BUSY_AGAIN_S))
            why = "another process has been writing to it for too long"
            mend = "End that process if it hangs"
        else:
            why = f"the disk refuses it ({error})"
            mend = "Free some space, or check the disk and its permissions"
        until = " until it is tried again" if waiting else ""
        raise LogRefused(f"log {self.path}: {why}; {lost}{until}. {mend}.") from error

    def _waiting_words(self) -> str:
        """Say what waits in memory, or "" where nothing does."""
        counts = {
            "reading": self._buffered,
            "quality note": len(self._noted),
            "call": len(self._calls),
        }
        kept = [counted(number, name) for name, number in counts.items() if number]
        verb = "waits" if sum(counts.values()) == 1 else "wait"
        return f"{' and '.join(kept)} {verb} in memory" if kept else ""

    def _count_refusal(self) -> None:
        self.counts.refusals += 1
        self._refused_s = self._now_s()
        surplus = len(self._calls) - KEPT_CALLS
        if surplus > 0:
            self.counts.calls_dropped += surplus
            del self._calls[:surplus]

    def _put_channels(self) -> dict[Key, int]:
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
