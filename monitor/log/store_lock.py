"""One `watch` per log: a lock that the system takes back by itself when the program dies."""

from __future__ import annotations

import os
import socket
import sys
from contextlib import suppress
from pathlib import Path
from typing import TextIO

from monitor.log.rows import LogBusy, LogRefused, iso_utc, micros


class WatchLock:
    """A lock on the file beside a log, held until `release` or the end of the process."""

    def __init__(self, log: Path, now_s: float) -> None:
        """Take the lock.

        Args:
            log: the log's file.
            now_s: the time to tell others [s].

        Raises:
            LogBusy: another process holds it; the text says which.
            LogRefused: the file beside the log cannot be made.
        """
        path = log.with_name(log.name + ".lock")
        try:
            self._file: TextIO | None = _opened(path)
        except OSError as error:
            raise LogRefused(
                f"log {log}: its lock {path} cannot be made ({error.strerror}); nothing was "
                f"started. Check who owns the folder and whether it can be written."
            ) from error
        if not _lock(self._file):
            self._file.seek(0)
            holder = self._file.read().strip() or "a process that did not say its name"
            self._file.close()
            self._file = None
            raise LogBusy(
                f"log {log}: {holder} is watching into it, and two would count every reading "
                f"twice; nothing was started. Stop that one, or give another file with --db."
            )
        name = f"process {os.getpid()} on {socket.gethostname()} since {iso_utc(micros(now_s))}\n"
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
    except OSError:
        return False
    return True
