"""The zone that a recording says of its own: at the time's header, above it, or in a column."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, tzinfo

from sensors.recording import times
from sensors.recording.layout import Layout

_ZONE_WORD = re.compile(
    r"zone|clock|offset|\butc\b|\bgmt\b|zeit|fuseau|huso|fuso|zona|\btid|\btijd|strefa|aikavy|times?\b",
    re.IGNORECASE,
)  # fmt: skip
_ZONE_NUMBER = re.compile(
    r"[^:;,=]*(?:zone|offset|utc|gmt|fuseau|zona|strefa)[^:;,=]*[:;,=]\s*\"?(?P<sign>[+\-−]?)"
    r"(?P<hours>[0-9]{1,2}(?![0-9])|[0-9]{2}(?=[0-9]{2}\b))(?::?(?P<minutes>[0-9]{2}))?"
    r"(?:[.,]0+)?\s*(?:h|hours?)?\"?[;,\s]*",
    re.IGNORECASE,
)
_A_DATE = re.compile(r"[0-9]{1,4}[-/.][0-9]{1,2}[-/.][0-9]{1,4}")


def zone_of_file(
    layout: Layout, cells: Sequence[int], rows: Sequence[Sequence[str]]
) -> tzinfo | None:
    """Return the zone or offset of a file's times, or None where it says none.

    Args:
        layout: of the file.
        cells: places of its time.
        rows: that were looked at.
    """
    return _near_or_above(layout, cells) or _in_rows(layout, cells, rows)


def _near_or_above(layout: Layout, cells: Sequence[int]) -> tzinfo | None:
    near = [layout.header[at] for at in cells]
    near += [layout.units[at] for at in cells if at < len(layout.units)]
    near += [layout.notes[at] for at in cells if at < len(layout.notes)]
    for text in near:
        if (zone := times.zone_said(text)) is not None:
            return zone
    for line in layout.preamble:
        if not _ZONE_WORD.search(line) or _A_DATE.search(line):
            continue
        found = _ZONE_NUMBER.fullmatch(line.lstrip("# ").strip())
        if found is not None and int(found["hours"]) <= 14:
            sign = "-" if found["sign"] in ("-", "−") else "+"
            text = f"UTC{sign}{found['hours']}:{found['minutes'] or '00'}"
            return times.zone_said(text)
        zone = times.zone_said(line)
        if zone is not None and (zone != UTC or "offset" not in line.casefold()):
            return zone
    return None


def _in_rows(layout: Layout, cells: Sequence[int], rows: Sequence[Sequence[str]]) -> tzinfo | None:
    """Return the zone that a column of its own names in every row, like Europe/Oslo."""
    for at in range(layout.fields):
        named = {row[at] for row in rows if row[at]}
        name = named.pop() if len(named) == 1 else ""
        zone = times.zone_said(name) if "/" in name and at not in cells else None
        if zone is not None:
            return zone
    return None
