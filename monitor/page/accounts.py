"""Who may read the page and who may record: a file of names with hashed passwords.

The hash is Argon2id by argon2-cffi, with its defaults (RFC 9106's low-memory profile).
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import stat
import threading
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from rules.errors import FilmcallError
from rules.text import printable, shown

LEAST_PASSWORD = 8  # characters; NIST SP 800-63B (2017), 5.1.1.2
MOST_PASSWORD = 1024
MOST_NAME = 40


class Right(StrEnum):
    """What an account may do."""

    READ = "read"
    RECORD = "record"  # reads as well


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who may come in; the hash stands for the password.

    Attributes:
        name: of the account.
        right: what it may do.
        hash: Argon2id in its own text form.
    """

    name: str
    right: Right
    hash: str

    @property
    def stamp(self) -> str:
        """Changes with the password and the right, so that a session ends with either."""
        return f"{self.right.value} {self.hash[-16:]}"


class Accounts:
    """The accounts of a file, read again whenever it changes."""

    def __init__(self, path: Path) -> None:
        """Read the file.

        Raises:
            FilmcallError: it cannot be used.
        """
        self._path = path
        self._lock = threading.Lock()
        self._hasher = PasswordHasher()
        self._nobody = self._hasher.hash(secrets.token_hex(8))
        self._as_read: tuple[int, int] | None = None
        self._key, self._accounts = self._read()

    @property
    def key(self) -> str:
        """What sessions are signed with."""
        return self._key

    def get(self, name: str) -> Account | None:
        """Return an account, or None; a file that can no longer be read lets nobody in."""
        with self._lock:
            try:
                self._key, self._accounts = self._read()
            except FilmcallError:
                return None
            return self._accounts.get(name)

    def checked(self, name: str, password: str) -> Account | None:
        """Return the account if the password is its own; it takes as long for an unknown name."""
        account = self.get(name)
        known = self._nobody if account is None else account.hash
        try:
            self._hasher.verify(known, password[:MOST_PASSWORD])
        except (VerificationError, InvalidHashError):
            return None
        return account

    def _read(self) -> tuple[str, dict[str, Account]]:
        try:
            state = self._path.stat()
        except OSError as error:
            raise _unusable(self._path, (error.strerror or "").lower()) from None
        as_read = (state.st_mtime_ns, state.st_size)
        if as_read == self._as_read:
            return self._key, self._accounts
        if stat.S_IMODE(state.st_mode) & 0o077:
            raise FilmcallError(
                f"accounts {shown(str(self._path))} can be read by others, so the page does not "
                "use it; chmod 600 it"
            )
        found = _file(self._path)
        self._as_read = as_read
        return found


def add_account(path: Path, name: str, right: str, password: str) -> str:
    """Write an account into the file, which is made where there is none; return what was done.

    Args:
        path: of the file; an empty one is begun, and keeps its owner.
        name: of the account; one that is there gets the new right and password.
        right: read or record.
        password: in the clear; only its hash is written.

    Raises:
        FilmcallError: name, right or password cannot be, or the file cannot be written.
    """
    if not (0 < len(name) <= MOST_NAME and name.isprintable() and name.strip() == name):
        raise FilmcallError(
            f"name {shown(name)} is not 1 to {MOST_NAME} printable characters, so no account was "
            "written; choose another"
        )
    if right not in tuple(Right):
        raise FilmcallError(
            f"right {shown(right)} is neither read nor record, so no account was written"
        )
    if not LEAST_PASSWORD <= len(password) <= MOST_PASSWORD:
        raise FilmcallError(
            f"the password has {len(password)} characters and needs {LEAST_PASSWORD} to "
            f"{MOST_PASSWORD}, so no account was written; choose another"
        )
    begun = path.exists() and path.stat().st_size > 0
    key, accounts = _file(path) if begun else (secrets.token_hex(32), {})
    news = "changed" if name in accounts else "added"
    accounts[name] = Account(name, Right(right), PasswordHasher().hash(password))
    listed = {each.name: {"right": each.right, "hash": each.hash} for each in accounts.values()}
    _write(path, json.dumps({"key": key, "accounts": listed}, indent=1) + "\n")
    return f"{printable(name)} {news}: may {right}"


def _write(path: Path, text: str) -> None:
    """Put a whole new file in the old one's place, for its owner alone."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        opened = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(opened, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            old = path.stat()
            with contextlib.suppress(PermissionError):
                os.chown(beside, old.st_uid, old.st_gid)
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise FilmcallError(
            f"accounts {shown(str(path))} cannot be written ({(error.strerror or '').lower()}), so "
            "they are as they were"
        ) from None


def _file(path: Path) -> tuple[str, dict[str, Account]]:
    try:
        said: Any = json.loads(path.read_text("utf-8"))
        accounts = {
            name: Account(name, Right(each["right"]), str(each["hash"]))
            for name, each in said["accounts"].items()
        }
        key = said["key"]
        if not (isinstance(key, str) and len(key) >= 32):
            raise ValueError
    except OSError as error:
        raise _unusable(path, (error.strerror or "").lower()) from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise _unusable(path, "it is no file that --add-account wrote") from None
    return key, accounts


def _unusable(path: Path, why: str) -> FilmcallError:
    return FilmcallError(
        f"accounts {shown(str(path))} cannot be used ({why}), so nobody could log in; make it with "
        "--add-account NAME --right record"
    )
