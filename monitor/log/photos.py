"""Photos that people put beside the log: copied under the name of their hash, which is chained.

They lie in a folder beside the log, `<log's file>.photos`; whoever copies the log copies it too.
"""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
from pathlib import Path
from typing import NamedTuple

from rules.errors import FilmcallError
from rules.text import printable

MOST_BYTES = 10_000_000
"""No photo is larger; a telephone's has 2 to 8 MB [bytes]."""
# What a file of each kind begins with, and where: ISO/IEC 10918-1, ISO/IEC 15948, RFC 9649.
_KINDS = {"jpg": (b"\xff\xd8\xff", 0), "png": (b"\x89PNG\r\n\x1a\n", 0), "webp": (b"WEBP", 8)}
MIME = {"jpg": "image/jpeg", "png": "image/png", "webp": "image/webp"}


class Photo(NamedTuple):
    """A photo as the log knows it.

    Attributes:
        name: of the copy: SHA-256 of what is in it, and its kind.
        size: how long it is [bytes].
        event: row of the event that it belongs to; 0 before it is kept.
    """

    name: str
    size: int
    event: int = 0

    @property
    def mime(self) -> str:
        """Its kind, as pages name it."""
        return MIME.get(self.name.rpartition(".")[2], "")


class PhotoFault(FilmcallError):
    """A file cannot be taken in as a photo."""


def folder_of(log: Path) -> Path:
    """Return where a log's photos lie."""
    return log.with_name(f"{log.name}.photos")


def take_photo(file: Path, log: Path) -> Photo:
    """Copy a photo beside the log.

    Args:
        file: as a person named it.
        log: the log's file.

    Returns:
        The photo, to be kept with its event.

    Raises:
        PhotoFault: it is a link, no plain file, too large or no picture, or cannot be copied.
    """
    held = _read(file)
    begins = [kind for kind, (mark, at) in _KINDS.items() if held[at : at + len(mark)] == mark]
    if not begins:
        raise _fault(file, "is no JPEG, PNG or WebP picture")
    photo = Photo(f"{hashlib.sha256(held).hexdigest()}.{begins[0]}", len(held))
    try:
        _write(folder_of(log), photo.name, held)
    except OSError as error:
        raise PhotoFault(
            f"photo {printable(str(file))} could not be copied to {folder_of(log)} "
            f"({error.strerror}), so nothing was recorded; fix that, or leave --photo out"
        ) from None
    return photo


def _read(file: Path) -> bytes:
    try:
        if file.is_symlink():
            raise _fault(file, "is a link")
        # Not to wait for a pipe's other end.
        handle = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(handle, "rb") as opened:
            found = os.fstat(opened.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise _fault(file, "is no plain file")
            held = opened.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise _fault(file, f"cannot be read ({why})") from None
    if len(held) > MOST_BYTES:
        raise _fault(file, f"is over {MOST_BYTES // 1_000_000} MB")
    return held


def _fault(file: Path, what: str) -> PhotoFault:
    return PhotoFault(
        f"photo {printable(str(file))} {what}, so nothing was recorded; give a JPEG, PNG or WebP "
        f"file of at most {MOST_BYTES // 1_000_000} MB"
    )


def _write(folder: Path, name: str, held: bytes) -> None:
    """Write a copy whole or not at all."""
    folder.mkdir(mode=0o750, exist_ok=True)
    if folder.is_symlink():
        raise OSError(0, "that folder is a link")
    handle, scratch = tempfile.mkstemp(dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(held)
            file.flush()
            os.fsync(file.fileno())
        os.replace(scratch, folder / name)
    except BaseException:
        Path(scratch).unlink(missing_ok=True)
        raise


def photo_bytes(log: Path, photo: Photo) -> bytes | None:
    """Return what a photo holds, or None where it lies no more beside the log.

    Raises:
        PhotoFault: it is not what was taken in.
    """
    file = folder_of(log) / Path(photo.name).name
    try:
        held = _read(file)
    except PhotoFault:
        if not os.path.lexists(file):
            return None
        held = b""
    if f"{hashlib.sha256(held).hexdigest()}" != photo.name.partition(".")[0]:
        raise PhotoFault(f"The photo of event {photo.event} is not as it was taken in.")
    return held
