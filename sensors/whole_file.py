"""The one door for a file that is read whole: plain, not too long, and text where text is wanted.

A pipe would hold the program up for ever and `/dev/zero` fill its memory; both can stand where a
config names a file.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path

from rules.errors import FilmcallError
from rules.text import counted

MOST_BYTES = 2_000_000
"""Of a config, a spec, a job: some thousand times what a person writes."""

_NO_TEXT = (
    (b"\x1f\x8b", "compressed by gzip"),
    (b"PK\x03\x04", "compressed by zip, as a spreadsheet is too"),
    (b"BZh", "compressed by bzip2"),
    (b"\xfd7zXZ\x00", "compressed by xz"),
    (b"\x28\xb5\x2f\xfd", "compressed by zstd"),
    (b"7z\xbc\xaf\x27\x1c", "compressed by 7-Zip"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet"),
    (b"%PDF", "a PDF"),
    (b"SQLite format 3", "an SQLite database"),
)


class Unreadable(FilmcallError):
    """A file cannot be read whole; the text says why, for a sentence of the reader's own."""


def what_it_is(head: bytes) -> str | None:
    """Return what a file that is no text is by its first bytes, or None.

    >>> what_it_is(b"PK\\x03\\x04..."), what_it_is(b"time,temp")
    ('compressed by zip, as a spreadsheet is too', None)
    """
    return next((what for start, what in _NO_TEXT if head.startswith(start)), None)


def owner_text(path: Path) -> str:
    """Return whose a file or its closed folder is and how to run as that account, or ""."""
    for each in (path, *path.absolute().parents):
        try:
            owner_id = each.stat().st_uid
        except OSError:  # the folder that it lies in lets nobody else look
            continue
        if owner_id == os.geteuid():
            return ""
        try:
            import pwd

            owner = pwd.getpwuid(owner_id).pw_name
        except (ImportError, KeyError):
            owner = f"#{owner_id}"
        return f"it belongs to {owner}; run it as sudo -u {owner} filmcall"
    return ""


def plain(status: os.stat_result) -> None:
    """Refuse what is no plain file.

    Raises:
        Unreadable: it is a folder, a pipe, a device or a socket.
    """
    if not stat.S_ISREG(status.st_mode):
        raise Unreadable(
            "it is a folder" if stat.S_ISDIR(status.st_mode) else "it is no plain file"
        )


def whole_bytes(
    path: Path, most_bytes: int = MOST_BYTES, *, check: Callable[[os.stat_result], None] = plain
) -> bytes:
    """Read a file.

    Args:
        path: of it.
        most_bytes: longest that is read.
        check: refuses a file by what it is, before a byte of it is read.

    Raises:
        Unreadable: it is no plain file, is too long, or the system refuses it.
    """
    if "\0" in str(path):
        raise Unreadable("its name holds a zero byte")
    try:
        # Without O_NONBLOCK a pipe of that name would stop the program for ever.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            check(os.fstat(handle))
            with open(handle, "rb", closefd=False) as file:
                content = file.read(most_bytes + 1)
        finally:
            os.close(handle)
    except OSError as error:
        if error.errno == errno.ENXIO:  # a socket, or a device that is not there
            raise Unreadable("it is no plain file") from None
        why = (error.strerror or type(error).__name__).lower()
        whose = owner_text(path) if isinstance(error, PermissionError) else ""
        raise Unreadable(f"{why}: {whose}" if whose else why) from None
    if len(content) > most_bytes:
        raise Unreadable(f"it is longer than {counted(most_bytes, 'byte')}")
    return content


def whole_text(
    path: Path, most_bytes: int = MOST_BYTES, *, check: Callable[[os.stat_result], None] = plain
) -> str:
    """Read a file of UTF-8 text, its lines ended by `\\n`, without its byte order mark.

    Raises:
        Unreadable: also where it is no such text.
    """
    content = whole_bytes(path, most_bytes, check=check)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        what = what_it_is(content)
        raise Unreadable(f"it is {what}" if what else "it is not UTF-8 text") from None
    return text.replace("\r\n", "\n").replace("\r", "\n")
