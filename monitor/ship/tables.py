"""Which tables of the log are shipped, with their columns and keys, and how text crosses over."""

from __future__ import annotations

import sqlite3
from functools import cache
from typing import Any

from monitor.log import leaves, schema
from rules.units import DAY_S

# The log's name is that of its copy too, the outbox is what a copy is made by, and no call can be
# proved from a forecast.
NOT_SHIPPED = frozenset({"meta", "outbox", "forecasts"})
_KEYS = {
    "readings": ("channel", "time_us"),
    "reading_notes": ("channel", "time_us", "noted_us", "quality"),
    "minutes": ("channel", "time_us", "quality"),
    "specs": ("sha256",),
    "chain": ("seq",),
}
# Cut by month in the database: the column that says when, and how many of its steps are a day.
CUT = {
    "readings": ("time_us", round(DAY_S * 1e6)),
    "minutes": ("time_us", round(DAY_S * 1e6)),
    "leaves": ("id", round(DAY_S / 60.0) * leaves.IN_A_MINUTE),
}
# PostgreSQL's text holds no NUL. The mark is of Unicode's private use.
_MARK = "\U000f0000"


@cache
def columns() -> dict[str, tuple[str, ...]]:
    """Return the log's tables that are shipped, each with its columns in their order."""
    ours = sqlite3.connect(":memory:", isolation_level=None)
    try:
        schema.migrate(ours, "")
        names = ours.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' "
            "AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
        ).fetchall()
        return {
            name: tuple(row[1] for row in ours.execute(f"PRAGMA table_info({name})"))
            for (name,) in names
            if name not in NOT_SHIPPED
        }
    finally:
        ours.close()


def key_of(table: str) -> tuple[str, ...]:
    """Return the columns by which a row of one log's table is known."""
    return _KEYS.get(table, ("id",))


def packed(value: Any) -> Any:
    """Return a value as PostgreSQL can hold it.

    >>> packed("a\\0b") == "a\\U000f00000b", packed(2)
    (True, 2)
    """
    if isinstance(value, str) and ("\0" in value or _MARK in value):
        return value.replace(_MARK, _MARK + "1").replace("\0", _MARK + "0")
    return value


def unpacked(value: Any) -> Any:
    """Return a value as the log holds it.

    >>> unpacked(packed("a\\0b\\U000f0000c")) == "a\\0b\\U000f0000c"
    True
    """
    if isinstance(value, str) and _MARK in value:
        return value.replace(_MARK + "0", "\0").replace(_MARK + "1", _MARK)
    return value
