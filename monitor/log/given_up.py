"""What the owner of a shipped copy gave up in it: the one gap of which a log is not accused."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from monitor.log.rows import micros
from rules.text import iso_utc, printable

_HASH_BYTES = 32


@dataclass(frozen=True, slots=True)
class GivenUp:
    """Readings, minute means and notes of whole months, taken out of a copy by who owns it.

    Attributes:
        before_s: all before this went [s].
        at_s: when [s].
        by: the account that did it.
        leaves: by root of the chain, the hashes of its leaves that went, in their order, joined.
    """

    before_s: float
    at_s: float
    by: str
    leaves: Mapping[int, bytes]

    def words(self) -> str:
        """Say what went, who took it out and when, in one sentence."""
        return (
            f"Given up in the database: readings, minute means and notes before "
            f"{iso_utc(self.before_s, 0)}, by account {printable(self.by)!r} at "
            f"{iso_utc(self.at_s, 0)}."
        )

    def hashes_of(self, root: int) -> list[bytes]:
        """Return the hashes of a root's leaves that went; all others came after them."""
        joined = self.leaves.get(root, b"")
        return [joined[at : at + _HASH_BYTES] for at in range(0, len(joined), _HASH_BYTES)]

    def thinnings(self, connection: sqlite3.Connection) -> set[int]:
        """Return the thinnings whose means, or a part of them, went: no hash tells of the rest."""
        before_us = micros(self.before_s)
        return {
            row
            for (row,) in connection.execute(
                "SELECT id FROM thinnings WHERE from_us < ?", (before_us,)
            )
        }


class CopyFile(NamedTuple):
    """A shipped copy laid out as a log's file.

    Attributes:
        path: of the file.
        given_up: what went out of the copy, or None.
    """

    path: Path
    given_up: GivenUp | None
