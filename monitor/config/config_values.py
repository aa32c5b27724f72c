"""Single values of a config: words, names, whole numbers, files, zones; each fault is told."""

from __future__ import annotations

import zoneinfo
from difflib import get_close_matches
from pathlib import Path

from rules.toml_table import Table
from rules.units import shown

# What no topic level and no file system takes, and the sign that brokers keep for themselves.
_UNSAFE = frozenset('/\\+#$<>:"|?*')
_MOST_LETTERS = 64


def text_at(table: Table, key: str) -> str | None:
    """Return words as they stand, since a column or topic may hold double blanks."""
    if key not in table.values:
        return None
    value = table.values[key]
    if not isinstance(value, str):
        table.fault(key, f"{shown(value)} is not text", "put it in quotes")
    elif not value.strip():
        table.fault(key, "is empty", "write it, or leave the line out")
    elif not value.isprintable():
        table.fault(key, "holds control characters", "write plain words")
    else:
        return value
    return None


def name_at(table: Table, key: str, example: str, *, required: bool = True) -> str | None:
    """Return a name that topics and files can be called by, or None."""
    if key not in table.values:
        if required:
            table.missing(key, f'"{example}"')
        return None
    name = text_at(table, key)
    if name is None:
        return None
    bad = sorted({letter for letter in name if letter in _UNSAFE})
    if bad:
        problem = f"{shown(name)} holds {' '.join(bad)}"
    elif ".." in name or name[0] in ".- " or name[-1] in ". ":
        problem = f"{shown(name)} has a dot, dash or blank where a file name cannot"
    elif len(name) > _MOST_LETTERS:
        problem = f"{shown(name)} is longer than {_MOST_LETTERS} letters"
    else:
        return name
    mend = f'topics and files are named after it: write a plain name such as "{example}"'
    table.fault(key, problem, mend)
    return None


def whole_at(table: Table, key: str, default: int, low: int, high: int) -> int:
    """Return a whole number within bounds, or the default."""
    value = table.values.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int):
        table.fault(key, f"{shown(value)} is not a whole number", f"write {default}, no quotes")
    elif not low <= value <= high:
        table.fault(key, f"{value} cannot be right", f"give a number from {low} to {high}")
    else:
        return value
    return default


def file_at(table: Table, key: str, base_dir: Path) -> Path | None:
    """Return a file, counted from the config's own folder, or None."""
    name = text_at(table, key)
    return None if name is None else base_dir / Path(name).expanduser()


def zone_at(table: Table) -> str | None:
    """Return the table's `timezone` where it is one that is known, or None."""
    name = text_at(table, "timezone")
    if name is None:
        return None
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = get_close_matches(name, sorted(zoneinfo.available_timezones()), 1)
        mend = f"did you mean {near[0]}" if near else 'write "Etc/UTC" or "AREA/TOWN"'
        table.fault("timezone", f"{shown(name)} is no time zone that is known", mend)
        return None
    return name


def figure_at(
    table: Table, key: str, unit: str, low: float, high: float, *, difference: bool = False
) -> float | None:
    """Return a figure with its unit, read into another one, or None."""
    return table.figure(key, unit, low, high, difference=difference)
