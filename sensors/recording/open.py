"""Opens a recorded CSV: finds out how it is written, and says what it took for granted.

This module imports pandas, so import it only where a recording is really opened; `columns` does
without.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from sensors.recording import times
from sensors.recording.columns import Column, guess_columns, header_unit
from sensors.recording.layout import Layout, RecordingFault, sniff
from sensors.recording.rows import Recording, TimePlace
from sensors.zones import UTC_NAME, UnknownZone, zone_named

__all__ = [
    "Column",
    "Recording",
    "RecordingFault",
    "guess_columns",
    "open_recording",
]

_TIME_NAME = re.compile(r"time|date|stamp|\bts\b|epoch|unix|recorded|\bwhen\b", re.IGNORECASE)
_UTC_NAME = re.compile(r"(?<![a-z])(utc|gmt)(?![a-z])", re.IGNORECASE)


def open_recording(
    path: Path | str,
    columns: Sequence[Column] | None,
    *,
    enclosure: str,
    time_column: str | None = None,
    timezone: str | None = None,
) -> Recording:
    """Open a recorded CSV and find out how it is written; rows are read when it is iterated.

    Args:
        path: the file.
        columns: what to read, or None to guess by the names of the header.
        enclosure: name that the readings carry.
        time_column: the column with the time, or None to look for it.
        timezone: zone of times that carry none, like `Europe/Brussels`; None is UTC, and said.

    Returns:
        The recording, with `notices` saying what was found and assumed.

    Raises:
        RecordingFault: the file cannot be used at all.
    """
    path = Path(path)
    layout = sniff(path)
    notices = list(layout.notices)
    chosen = _columns(path, layout, columns, notices)
    place = _time_place(path, layout, time_column, chosen)
    if time_column is None:
        notices.append(f"The time is taken from {place.name}.")
    cells = [" ".join(row[at] for at in place.cells) for row in layout.sample]
    day_first = _day_first(path, layout, place, cells, chosen, notices)
    form = times.time_form(cells, day_first=day_first)
    if form is None:
        raise RecordingFault(
            f"{path}: column {place.name} holds {cells[0]!r}, which is no time that is understood, "
            "so nothing is replayed; write times like 2026-04-25 14:30"
        )
    return Recording(
        path,
        layout,
        chosen,
        enclosure=enclosure,
        time_place=place,
        time_form=form,
        zone=_zone(path, place, form, timezone, notices),
        notices=notices,
    )


def _columns(
    path: Path, layout: Layout, columns: Sequence[Column] | None, notices: list[str]
) -> list[Column]:
    names = [name for name in layout.header if name]
    if columns is None:
        guessed = [c for c in guess_columns(names) if not _TIME_NAME.search(c.column)]
        if not guessed:
            raise RecordingFault(
                f"{path}: none of the columns {', '.join(names)} is named after a temperature, "
                "a humidity or a surface, so nothing is replayed; "
                'give each point its column = "NAME" in a config'
            )
        notices += [
            f"Column {c.column!r} is taken for {c.quantity} of point {c.point!r} in {c.unit}."
            for c in guessed
        ]
        return guessed
    if not columns:
        raise RecordingFault(
            f"{path}: no point of the config names a column, so nothing is replayed; "
            f'give each point its column = "NAME", out of {", ".join(names)}'
        )
    chosen: list[Column] = []
    for column in columns:
        name = _present(path, names, column.column)
        unit = column.unit
        stated = header_unit(name)
        if stated is not None and stated != unit and unit in ("degC", "degF", "K"):
            if re.search(r"[°º˚℃℉]|\bdeg|[(\[][CFK][)\]]|fahrenheit|celsius|kelvin", name, re.I):
                notices.append(
                    f"Column {name!r} says {stated} in the header and the config says {unit}: "
                    f"it is read as {stated}."
                )
                unit = stated
            else:
                notices.append(
                    f"Column {name!r} is read as {unit}, as the config says, "
                    f"though its name could mean {stated}."
                )
        chosen.append(Column(name, column.point, column.quantity, unit))
    return chosen


def _present(path: Path, names: Sequence[str], wanted: str) -> str:
    """Return the header's own spelling of a name."""
    if wanted in names:
        return wanted
    folded = {name.casefold(): name for name in reversed(names)}
    if wanted.strip().casefold() in folded:
        return folded[wanted.strip().casefold()]
    near = difflib.get_close_matches(wanted.casefold(), folded, n=1, cutoff=0.4)
    hint = f"the nearest is {folded[near[0]]!r}, " if near else ""
    raise RecordingFault(
        f"{path}: column {wanted!r} is not in the header, so nothing is replayed; "
        f"{hint}the header has {', '.join(names)}"
    )


def _time_place(
    path: Path, layout: Layout, wanted: str | None, columns: Sequence[Column]
) -> TimePlace:
    header, sample = layout.header, layout.sample[:200]

    def mostly(at: int, test: Callable[[str], bool]) -> bool:
        return sum(test(row[at]) for row in sample) >= len(sample) / 2

    taken = {column.column for column in columns}
    free = [at for at, name in enumerate(header) if name not in taken]
    if wanted is not None:
        at = header.index(_present(path, [name for name in header if name], wanted))
        if mostly(at, times.looks_like_date):
            clocks = [other for other in free if mostly(other, times.looks_like_clock)]
            if clocks:
                return TimePlace((at, clocks[0]), f"{header[at]!r} and {header[clocks[0]]!r}")
        if mostly(at, times.looks_like_clock):
            dates = [other for other in free if mostly(other, times.looks_like_date)]
            if dates:
                return TimePlace((dates[0], at), f"{header[dates[0]]!r} and {header[at]!r}")
        return TimePlace((at,), repr(header[at]))
    whole = [at for at in free if mostly(at, times.looks_like_time)]
    epochs = [
        at for at in free if _TIME_NAME.search(header[at]) and mostly(at, times.looks_like_epoch)
    ]
    # A column that is named UTC needs no zone, so it comes before a local one.
    for at in sorted(whole, key=lambda at: _UTC_NAME.search(header[at]) is None) + epochs:
        return TimePlace((at,), repr(header[at]))
    dates = [at for at in free if mostly(at, times.looks_like_date)]
    clocks = [at for at in free if mostly(at, times.looks_like_clock)]
    if dates and clocks:
        return TimePlace((dates[0], clocks[0]), f"{header[dates[0]]!r} and {header[clocks[0]]!r}")
    raise RecordingFault(
        f"{path}: none of the columns {', '.join(name for name in header if name)} holds a date "
        "with a time of day, so nothing is replayed; "
        'name the time column with [replay] time = "NAME"'
    )


def _day_first(
    path: Path,
    layout: Layout,
    place: TimePlace,
    cells: Sequence[str],
    columns: Sequence[Column],
    notices: list[str],
) -> bool:
    """Tell how dates like 04/02/2015 are meant, and say by what: their numbers, their order, °F."""
    if not times.needs_day_or_month(cells):
        return True
    known, why = times.day_or_month(cells), "since the other order would give a month over 12"
    if known is None:
        # The head may lie within twelve days; the rest of the file may still tell.
        at = place.cells[0]
        with path.open(encoding=layout.encoding, errors="replace") as file:
            rows = csv.reader(
                (line.replace("\x00", "") for line in file), delimiter=layout.separator
            )
            dates = list(dict.fromkeys(row[at].strip()[:10] for row in rows if len(row) > at))
        known = times.day_or_month(dates)
        if known is None:
            known, why = _closer(dates), "since so they follow each other more closely"
    if known is None:
        known, why = True, "and no date in the file tells whether that is right"
        fahrenheit = any(column.unit == "degF" for column in columns)
        if fahrenheit and not any("." in cell for cell in cells):
            known, why = False, "as is usual where temperatures are in degF, and no date tells"
        why += "; if it is not, write them like 2026-04-25"
    notices.append(
        f"Dates like {cells[0]!r} are read with the {'day' if known else 'month'} first, {why}."
    )
    return known


def _closer(dates: Iterable[str]) -> bool | None:
    """Tell whether dates lie closer together with the day first; None where neither order does.

    A logger writes its rows one after another, so the order that makes 11/09 and 12/09
    neighbours is right, and the one that puts a month between them is wrong.

    >>> _closer(["03/10/2026", "04/10/2026"]), _closer(["10/03/2026", "10/04/2026"])
    (True, False)
    """
    pairs = [
        (int(found[1]), int(found[2]), int(found[3]))
        for found in (re.match(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{2,4})", each) for each in dates)
        if found is not None
    ]
    try:
        by_day = [date(max(year, 1), second, first).toordinal() for first, second, year in pairs]
        by_month = [date(max(year, 1), first, second).toordinal() for first, second, year in pairs]
    except ValueError:  # 31/02: no date at all, which the rows themselves will tell
        return None
    far_by_day, far_by_month = (
        sum(abs(after - before) for before, after in pairwise(days)) for days in (by_day, by_month)
    )
    return None if far_by_day == far_by_month else far_by_day < far_by_month


def _zone(
    path: Path,
    place: TimePlace,
    form: times.TimeForm,
    timezone: str | None,
    notices: list[str],
) -> ZoneInfo:
    utc = zone_named(UTC_NAME)
    try:
        given = zone_named(timezone) if timezone is not None else None
    except UnknownZone:
        raise RecordingFault(
            f"{path}: timezone {timezone!r} is not known, so its times cannot be read; "
            'give a name like "Europe/Brussels" or "Etc/UTC"'
        ) from None
    if form.zoned:
        return given or utc
    if _UTC_NAME.search(place.name):
        if given is not None and given.key not in ("UTC", UTC_NAME):
            notices.append(f"The header says UTC for {place.name}: {timezone} is not applied.")
        return utc
    if given is None:
        notices.append(
            "The times carry no zone and none is given: they are read as UTC. "
            "If they are local, give --timezone AREA/TOWN, or set it in the config."
        )
        return utc
    if given.key not in ("UTC", UTC_NAME):
        notices.append(f"The times carry no zone and are read as local times of {timezone}.")
    return given
