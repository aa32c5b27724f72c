"""How a log's file is opened: made, brought up to date, checked, or set aside where damaged."""

from __future__ import annotations

import os
import shutil
import socket
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Self, TextIO

from monitor.log import chain
from monitor.log.given_up import GivenUp
from monitor.log.rows import (
    LIVE,
    LogBusy,
    LogDamaged,
    LogMissing,
    LogRefused,
    illegible,
    is_damage,
)
from monitor.log.schema import SCHEMA_VERSION, ForeignLog, migrate, version_of
from rules.errors import FilmcallError
from rules.text import iso_utc, printable, stamp_utc
from sensors.whole_file import owner_text


class WatchLock:
    """A lock on the file beside a log, held until `release` or the end of the process."""

    def __init__(self, log: Path, now_s: float) -> None:
        """Take the lock.

        Args:
            log: the log's file.
            now_s: the time to tell others [s].

        Raises:
            LogBusy: another process holds it; the text says which.
            LogRefused: the file beside the log cannot be made, or its folder knows no locks.
        """
        path = log.with_name(log.name + ".lock")
        try:
            self._file: TextIO | None = _opened(path)
        except OSError as error:
            raise LogRefused(
                f"log {log}: its lock {path} cannot be made ({error.strerror}); nothing was "
                f"started. Check who owns the folder and whether it can be written."
            ) from error
        try:
            free = _lock(self._file)
        except OSError as error:
            self._file.close()
            self._file = None
            raise LogRefused(
                f"log {log}: its folder knows no locks ({error.strerror}), as a folder over the "
                f"network may, so two could write into it at once; nothing was started. Give a "
                f"file on this machine's own disk with --db."
            ) from error
        if not free:
            self._file.seek(0)
            holder = self._file.read().strip() or "a process that did not say its name"
            self._file.close()
            self._file = None
            raise LogBusy(
                f"log {log}: {holder} is watching into it, and two would count every reading "
                f"twice; nothing was started. Stop that one, or give another file with --db."
            )
        name = f"process {os.getpid()} on {socket.gethostname()} since {iso_utc(now_s, 6)}\n"
        # The lock holds without the name, which a full or read-only disk does not take.
        with suppress(OSError):
            self._write(name)

    def _write(self, name: str) -> None:
        if self._file is not None and self._file.writable():
            # Past Python's buffer, which would try again on closing and fail there.
            os.ftruncate(self._file.fileno(), 0)
            os.write(self._file.fileno(), name.encode())

    def release(self) -> None:
        """Give the lock back; the file stays, since taking it away would let two in at once."""
        if self._file is not None:
            with suppress(OSError):
                self._write("")
            self._file.close()
            self._file = None


def _opened(path: Path) -> TextIO:
    try:
        return path.open("a+", encoding="utf-8")
    except OSError:
        # On a disk that can only be read, the file of an earlier watch can still be locked.
        if not path.exists():
            raise
        return path.open("r", encoding="utf-8")


def _lock(file: TextIO) -> bool:
    """Take a file's lock; return whether it was free.

    Raises:
        OSError: the file system knows no locks.
    """
    if sys.platform == "win32":
        import msvcrt

        try:
            # A byte far behind the text, since Windows keeps others from reading a locked one.
            file.seek(1 << 20)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


# Up to this size the whole file is checked on opening (measured: 0.1 s from the page cache). A
# longer one would keep `filmcall event` waiting, and shows its damage when the part is read.
CHECKED_BYTES = 32 * 1024 * 1024
# Once another process has held the log too long, no further wait of that length until it lets go.
BUSY_AGAIN_S = 0.02
BUSY_CLOSE_S = 1.0  # a watch that ends waits no longer for who reads
WATCH_CACHE_KIB = 512  # pages of its log that a watch keeps in memory


class LogFile:
    """An open log's file. Door: `rows` asks it, `transaction` changes it.

    Attributes:
        path: the file.
        connection: to it, in autocommit mode.
        notices: what has to be said loudly, such as a damaged file set aside.
        lock: the right to watch into it, where this program has it.
        given_up: what went out of a shipped copy that was laid out as this file, or None.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        now_s: Callable[[], float],
        notices: tuple[str, ...],
        busy_s: float,
    ) -> None:
        """Wrap an open connection; `open` is the way in."""
        self.path = path
        self.connection = connection
        self.notices = notices
        self.lock: WatchLock | None = None
        self.given_up: GivenUp | None = None
        self._now_s = now_s
        self._busy_s = busy_s
        # Why the file could only be read at the start, or "".
        self._shut = ""
        self._began_with = ""
        self._wants_lock = False

    @classmethod
    def open(
        cls,
        path: Path,
        now_s: Callable[[], float],
        *,
        read_only: bool,
        busy_s: float,
        go_on: bool,
    ) -> Self:
        """Open a log, or make one; `Store.open` describes the arguments and errors."""
        try:
            connection, notices = connect(path, now_s(), read_only=read_only, busy_s=busy_s)
        except LogRefused as fault:
            # A damaged file that another watch writes to is that one's; one that a disk does not
            # let be set aside is not.
            by_disk = isinstance(fault.__cause__, OSError)
            if not go_on or (isinstance(fault, LogDamaged) and not by_disk):
                raise
            connection = connect_to_go_on(path, now_s(), busy_s=busy_s)
            file = cls(path, connection, now_s, (str(fault),), busy_s)
            file._shut = str(fault)
            return file
        return cls(path, connection, now_s, notices, busy_s)

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Turn SQLite's errors in a question into this package's."""
        try:
            yield
        except sqlite3.Error as error:
            if is_damage(error):
                raise LogDamaged(
                    f"log {self.path}: it is damaged inside ({error}), so what was asked of it "
                    f"cannot be read. Open it once with `filmcall watch`, which moves it aside, "
                    f"or copy it and try `sqlite3 FILE .recover`."
                ) from error
            raise LogRefused(
                f"log {self.path}: it cannot be read ({printable(str(error))}). Check the disk "
                "and try again."
            ) from error

    def rows(self, sql: str, *values: object) -> list[Any]:
        """Return all rows that a question finds.

        Raises:
            LogRefused: the log cannot be read.
        """
        with self.asking():
            return self.connection.execute(sql, values).fetchall()

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """Answer all that is asked inside from one moment of the log, whoever writes meanwhile."""
        if self.connection.in_transaction:
            yield
            return
        self.connection.execute("BEGIN")
        try:
            yield
        finally:
            self.connection.execute("COMMIT")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Hold the write lock, and keep all that is done inside or nothing of it."""
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.connection.execute("COMMIT")
        except BaseException:
            # SQLite itself rolls back on some errors, a full disk among them.
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise

    @contextmanager
    def without_checkpoint(self) -> Iterator[None]:
        """Leave it to a later commit to put what was committed into its place in the file."""
        (pages,) = self.rows("PRAGMA wal_autocheckpoint")[0]
        self.rows("PRAGMA wal_autocheckpoint = 0")
        try:
            yield
        finally:
            self.rows(f"PRAGMA wal_autocheckpoint = {pages}")

    @property
    def uuid(self) -> str:
        """The file's own name in the world; (uuid, row) names a row for ever."""
        return str(self.rows("SELECT value FROM meta WHERE key = 'uuid'")[0][0])

    def wait_for_others(self, *, briefly: bool) -> None:
        """Set how long a write waits for another process: as asked on opening, or hardly."""
        busy_s = min(self._busy_s, BUSY_AGAIN_S) if briefly else self._busy_s
        self.connection.execute(f"PRAGMA busy_timeout = {round(busy_s * 1000)}")

    def lock_for_watch(self) -> None:
        """Take the right to watch into this log; `Store.lock_for_watch` describes the errors."""
        self._wants_lock = True
        try:
            self._take_lock()
        except LogRefused:
            # Where nothing can be written nobody writes; the lock is taken with the log.
            if not self._shut:
                raise

    def reopen(self) -> bool:
        """Open to write what could only be read at the start, where the disk takes it now.

        Returns:
            Whether the connection is a new one.

        Raises:
            FilmcallError: the disk does not take it yet.
        """
        if not self._shut:
            return False
        if not may_write(self.path):
            raise LogRefused(self._shut)
        self._began_with = self._began_with or self.uuid
        # First, since SQLite shares what it opened to read only with all of one process.
        self.connection.close()
        try:
            self.connection, notices = connect(
                self.path, self._now_s(), read_only=False, busy_s=BUSY_AGAIN_S
            )
        except FilmcallError:
            self.connection = connect_to_go_on(self.path, self._now_s(), busy_s=BUSY_AGAIN_S)
            raise
        self.notices = (*self.notices, *notices)
        self._take_lock()
        has_calls = self.rows("SELECT 1 FROM calls WHERE source = ? LIMIT 1", LIVE)
        if self._began_with != self.uuid and has_calls:
            raise LogRefused(
                f"log {self.path}: it can be read only now, after this program had begun "
                f"without it, so whether a STOP stands in it is not known. Start the program "
                f"again."
            )
        self._shut = ""
        return True

    def close(self) -> None:
        """Give back the lock and close the file."""
        if self.lock is not None:
            self._take_in_tail()
            self.lock.release()
            self.lock = None
        self.connection.close()

    def _take_in_tail(self) -> None:
        # While a shipper has the log open too, SQLite would leave all in the tail, which who moves
        # the file alone leaves behind. Where a reader is in the way, it stays as safe there.
        with suppress(sqlite3.Error):
            self.connection.execute(f"PRAGMA busy_timeout = {round(BUSY_CLOSE_S * 1000)}")
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _take_lock(self) -> None:
        if self._wants_lock:
            # A watch writes for months and looks back little: SQLite would fill 2 MB for it.
            self.connection.execute(f"PRAGMA cache_size = -{WATCH_CACHE_KIB}")
        if self._wants_lock and self.lock is None:
            self.lock = WatchLock(self.path, self._now_s())


def connect(
    path: Path, now_s: float, *, read_only: bool, busy_s: float
) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """Open a log's file; `LogFile.open` says what comes of it.

    Args:
        path: the file.
        now_s: the time, for the name of a file set aside [s].
        read_only: change nothing.
        busy_s: how long to wait for another process that is writing [s].

    Returns:
        The connection, in autocommit mode, and what has to be said loudly.

    Raises:
        LogMissing: `read_only`, and there is no file.
        LogDamaged: the file is damaged and may not be set aside now.
        LogRefused: the disk or its permissions refuse.
        ForeignLog: the file is no log, or a newer program's.
    """
    if read_only:
        return _reader(path, now_s, busy_s), ()
    notices: tuple[str, ...] = ()
    if _emptied(path):
        notices = (
            f"log {path}: the file is empty, though a watch has kept a log there; a new one was "
            f"begun, so clocks and the last call are not known. Check the disk or memory card.",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogRefused(
            f"log {path}: its folder cannot be made ({error.strerror}); nothing is recorded. Give "
            f"another file with --db."
        ) from error
    if _wal_alone(path):
        notices = (_set_aside(path, now_s, "its main part is gone and only its tail is left"),)
    try:
        return _writer(path, busy_s), notices
    except sqlite3.Error as error:
        if not is_damage(error):
            raise _refused(path, error) from error
        if not _was_log(path):
            raise ForeignLog(
                f"log {path}: it is no database ({error}), and nothing shows that it ever was a "
                f"log; nothing was changed in it. Give another file with --db."
            ) from error
        notices = (*notices, _set_aside(path, now_s, str(error)))
    try:
        return _writer(path, busy_s), notices
    except sqlite3.Error as error:
        raise _refused(path, error) from error


def may_write(path: Path) -> bool:
    """Return whether the system would let this account write to a log's file, or make it."""
    return os.access(path if path.exists() else path.parent, os.W_OK)


def connect_to_go_on(path: Path, now_s: float, *, busy_s: float) -> sqlite3.Connection:
    """Open a log that cannot be written so that a watch can go on: to read, or else in memory.

    Args:
        path: the file.
        now_s: the time [s].
        busy_s: how long to wait for another process that is writing [s].

    Returns:
        A connection that refuses to write; an empty log where the file is none or damaged.

    Raises:
        LogRefused: the file is there and cannot be read, so that a STOP in it would be lost.
    """
    tail = path.with_name(path.name + "-wal")
    try:
        # Damage was told when the file was opened first.
        with suppress(LogDamaged):
            if any(part.exists() and part.stat().st_size for part in (path, tail)):
                return _reader(path, now_s, busy_s)
    except OSError as error:
        raise LogRefused(
            f"log {path}: it cannot be looked at ({error.strerror}), so whether a STOP stands is "
            f"not known; nothing was started. Check who owns the folder."
        ) from error
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection, str(path))
    connection.execute("PRAGMA query_only = ON")
    return connection


def _emptied(path: Path) -> bool:
    beside = path.with_name(path.name + ".lock")
    return path.exists() and path.stat().st_size == 0 and not _wal_alone(path) and beside.exists()


def _wal_alone(path: Path) -> bool:
    # SQLite would take a main file that is gone or empty for a new log, and delete the tail.
    tail = path.with_name(path.name + "-wal")
    main = path.stat().st_size if path.exists() else 0
    return main == 0 and tail.exists() and tail.stat().st_size > 0


def _was_log(path: Path) -> bool:
    # A file of the user's own, named by a slip, must not be renamed under their hands; but a log
    # whose first page is gone is known by nothing but its name, so what is called `*.db` is one.
    with path.open("rb") as file:
        start = file.read(16)
    beside = (path.with_name(path.name + tail) for tail in ("-wal", "-shm", ".lock"))
    named = path.suffix == ".db"
    return named or start == b"SQLite format 3\0" or any(part.exists() for part in beside)


def _writer(path: Path, busy_s: float) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
    try:
        version_of(connection, str(path))
        _go_wal(connection, busy_s)
        _settle(connection)
        _check_writable(connection)
        _check(connection, path)
        migrate(connection, str(path))
        _check_words(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _go_wal(connection: sqlite3.Connection, busy_s: float) -> None:
    # SQLite does not wait here when two processes make a new log at once: one of them is told
    # that it is locked, whatever the timeout.
    until = time.monotonic() + busy_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            busy = (error.sqlite_errorcode & 0xFF) == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > until:
                raise
            time.sleep(0.02)
        else:
            return


def _check_writable(connection: sqlite3.Connection) -> None:
    # What cannot be written SQLite opens to read without a word, and for good: such a connection
    # would go on refusing after the disk takes writes again. Only a write tells.
    try:
        connection.execute("BEGIN IMMEDIATE")
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        connection.execute(f"PRAGMA user_version = {version}")
    except sqlite3.OperationalError as error:
        if (error.sqlite_errorcode & 0xFF) != sqlite3.SQLITE_BUSY:
            raise
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _settle(connection: sqlite3.Connection) -> None:
    # FULL: in WAL mode each commit waits until the disk has it.
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA journal_size_limit = 16777216")


def _check(connection: sqlite3.Connection, path: Path) -> None:
    if path.stat().st_size <= CHECKED_BYTES:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            damage = sqlite3.DatabaseError(str(found))
            damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise damage


def _check_words(connection: sqlite3.Connection, path: Path) -> None:
    found = illegible(connection)
    if found is None:
        return
    kind, row, why = found
    try:
        stands = chain.stands(connection, kind, row)
    except sqlite3.OperationalError:  # bytes that are no text
        stands = False
    if stands:
        raise ForeignLog(
            f"log {path}: {kind} row {row} is as it was written, but this program cannot read "
            f"it ({why}); nothing was changed in it. Use the newer filmcall that wrote it."
        )
    damage = sqlite3.DatabaseError(f"{kind} row {row}: {why}")
    damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    raise damage


def _reader(path: Path, now_s: float, busy_s: float) -> sqlite3.Connection:
    if not path.exists():
        raise LogMissing(
            f"log {path}: there is no such file, so there is nothing to show. Give the log's file "
            f"with --db, or start one with `filmcall watch`."
        )
    try:
        connection = _read_only(path, "mode=ro", busy_s)
        try:
            had = version_of(connection, str(path))
            if had == 0:
                raise LogMissing(
                    f"log {path}: the file is empty, so there is nothing to show. Give the log's "
                    f"file with --db, or start one with `filmcall watch`."
                )
            if had < SCHEMA_VERSION:
                connection.close()
                connection = _reader_of_older(path, now_s, busy_s)
            elif had > SCHEMA_VERSION:
                migrate(connection, str(path))  # says that it is a newer program's
            _check(connection, path)
            _check_words(connection, path)
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as error:
        if is_damage(error):
            raise LogDamaged(
                f"log {path}: it is damaged inside ({error}), so what it holds cannot be read. "
                f"Nothing was changed in it. Copy it and try `sqlite3 FILE .recover`; "
                f"`filmcall watch` moves it aside and begins a new one."
            ) from error
        raise _refused(path, error) from error
    return connection


def _reader_of_older(path: Path, now_s: float, busy_s: float) -> sqlite3.Connection:
    try:
        connect(path, now_s, read_only=False, busy_s=busy_s)[0].close()
    except LogDamaged:
        raise
    except LogRefused as fault:
        try:
            return _from_copy(path)
        except OSError:
            raise fault from None
    return _read_only(path, "mode=ro", busy_s)


def _from_copy(path: Path) -> sqlite3.Connection:
    """Read a copy, where a log's tail or its older version would have to be written to."""
    # The open files outlive their names, so that nothing is left behind.
    with tempfile.TemporaryDirectory(prefix="filmcall-", ignore_cleanup_errors=True) as folder:
        copy = Path(folder) / path.name
        for tail in ("", "-wal"):
            part = path.with_name(path.name + tail)
            if part.exists():
                shutil.copyfile(part, copy.with_name(copy.name + tail))
        connection = _writer(copy, 1.0)
    connection.execute("PRAGMA query_only = ON")
    return connection


def _read_only(path: Path, how: str, busy_s: float) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, timeout=busy_s, isolation_level=None)
    try:
        connection.execute("PRAGMA user_version").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        tail = path.with_name(path.name + "-wal")
        # On a read-only disk SQLite cannot make its shared index; without a tail it needs none.
        if "immutable" in how:
            raise
        if tail.exists() and tail.stat().st_size > 0:
            with suppress(OSError):
                return _from_copy(path)
            raise
        return _read_only(path, "mode=ro&immutable=1", busy_s)
    return connection


def _refused(path: Path, error: sqlite3.Error) -> LogRefused:
    whose = owner_text(path)
    if whose and not os.access(path, os.R_OK | os.W_OK):
        return LogRefused(
            f"log {path}: this account may not use it, so nothing is recorded; {whose}, or give "
            f"another file with --db."
        )
    return LogRefused(
        f"log {path}: it cannot be opened ({error}); nothing is recorded. Check that the disk is "
        f"there, has space and can be written, or give another file with --db."
    )


def _set_aside(path: Path, now_s: float, why: str) -> str:
    try:
        lock = WatchLock(path, now_s)
    except LogBusy as error:
        raise LogDamaged(
            f"log {path}: it is damaged ({why}), but it was left where it is, since {error}"
        ) from error
    try:
        stamp = stamp_utc(now_s)
        aside = path.with_name(f"{path.name}.damaged-{stamp}")
        number = 1
        while any(aside.with_name(aside.name + tail).exists() for tail in ("", "-wal", "-shm")):
            number += 1
            aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
        for tail in ("-wal", "-shm", ""):
            part = path.with_name(path.name + tail)
            if part.exists():
                part.rename(aside.with_name(aside.name + tail))
    except OSError as error:
        raise LogDamaged(
            f"log {path}: it is damaged ({why}) and cannot be moved aside ({error.strerror}); "
            f"nothing is recorded. Give another file with --db."
        ) from error
    finally:
        lock.release()
    return (
        f"log {path}: it is damaged ({why}); it was moved to {aside.name} and a new log was "
        f"begun, so clocks and the last call are not known. Copy the old one before any repair."
    )
