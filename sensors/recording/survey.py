"""Looks at a recording, a file or a folder of them, before it is read: shape, times, columns.

Up to 20,000 rows, and above that one in so many, are looked at, so that nothing is decided by the
first rows alone. This module imports pandas.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from itertools import islice, pairwise
from pathlib import Path

import numpy as np

from rules.numbers import number
from sensors.recording import times
from sensors.recording.file_zone import zone_of_file
from sensors.recording.layout import (
    MISSING,
    Layout,
    RecordingFault,
    sniff,
    split_rows,
    with_unit,
)
from sensors.recording.sights import Hints, Question, Sight, unless
from sensors.recording.words import fold, head_kinds, meaning, stated_unit

MOST_ROWS = 20_000
_LOOKED_AT = 400  # rows by which the time column is found
_MOST_CHANNELS = 64
_ENDINGS = (".csv", ".txt", ".tsv", ".dat", ".log", ".asc")
_TIME_NAME = re.compile(r"time|date|stamp|\bts\b|epoch|unix|recorded|\bwhen\b", re.IGNORECASE)
_ORDERS_SAID = {"d": times.DAY, "dd": times.DAY, "day": times.DAY, "m": times.MONTH,
                "mm": times.MONTH, "month": times.MONTH, "y": times.YEAR, "yy": times.YEAR,
                "yyyy": times.YEAR, "year": times.YEAR}  # fmt: skip
_UTC_NAME = re.compile(r"(?<![a-z])(utc|gmt)(?![a-z])(?!\s?[+\-−–]\s?[0-9])", re.IGNORECASE)
_NOT_THE_TIME = re.compile(
    r"install|calibrat|kalib|purchas|export|start|created|birth|last|receiv|upload|server|sync|arriv",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class TimePlace:
    """Where a row's time stands: one cell, or several that follow each other."""

    cells: tuple[int, ...]
    name: str
    packed: bool = False

    def text(self, row: Sequence[str]) -> str:
        """Return a row's time as it is read."""
        cells = [row[at] if at < len(row) else "" for at in self.cells]
        return joined_time(cells, packed=self.packed)

    def with_cell(self, at: int, header: Sequence[str]) -> TimePlace:
        """Return the same with a cell that completes it: AM or PM, or an offset."""
        return TimePlace((*self.cells, at), f"{self.name} and {header[at]!r}", self.packed)


def joined_time(cells: Sequence[str], *, packed: bool) -> str:
    """Return a date, a time of day and what completes them as one text."""
    if len(cells) == 1:
        return cells[0]
    if not times.looks_like_clock(cells[1].strip()) and not packed:
        return " ".join(cell.strip() for cell in cells).strip()
    day, clock = cells[0].strip(), cells[1].strip()
    if packed:
        clock = times.packed_clock(clock)
    # A spreadsheet's date has a midnight of its own.
    day = re.sub(r"[T ]00:00(:00)?$", "", day)
    if re.fullmatch(r"[0-9]{8}", day):
        day = f"{day[:4]}-{day[4:6]}-{day[6:]}"
    return " ".join([day, clock, *(cell.strip() for cell in cells[2:])]).strip()


@dataclass(frozen=True, slots=True)
class LongPlaces:
    """Where a long file, with one value a row, has what: which sensor, the value, its unit."""

    keys: tuple[int, ...]
    value: int
    unit: int | None

    def channel(self, row: Sequence[str]) -> str:
        """Return the name of the channel that a row belongs to."""
        return " ".join(part for at in self.keys if (part := row[at].strip()))


@dataclass(slots=True)
class Part:
    """One file of a recording.

    Attributes:
        path: of it.
        layout: how its text is laid out.
        rows: of it that were looked at, in file order.
        place: of the time.
        long: places of a long file, or None for one with a column a quantity.
        prefix: what stands before its column names, "" for a file alone.
        zone: that it says of its own, or None.
        order: of day and month, as far as it is known.
        order_why: by what.
    """

    path: Path
    layout: Layout
    rows: list[list[str]]
    place: TimePlace
    long: LongPlaces | None = None
    prefix: str = ""
    zone: tzinfo | None = None
    order: str | None = times.DAY
    order_why: str = ""

    def cells(self) -> list[str]:
        """Return the times of the rows that were looked at, as text."""
        return [self.place.text(row) for row in self.rows]

    def form(self, order: str) -> times.TimeForm:
        """Return how its times are written.

        Raises:
            RecordingFault: they are none.
        """
        cells = self.cells()
        found = times.time_form(cells[:2000], order=order)
        if found is None:
            raise RecordingFault(
                f"{self.path}: column {self.place.name} holds {cells[0]!r}, which is no time that "
                "is understood, so nothing is replayed; write times like 2026-04-25 14:30"
            )
        return found


@dataclass(slots=True)
class Survey:
    """A recording as it was seen.

    Attributes:
        path: the file or folder.
        parts: its files.
        sights: its columns but those of the time.
        hints: what it says as a whole.
        notices: what was found and is worth a word.
    """

    path: Path
    parts: list[Part]
    sights: list[Sight] = field(default_factory=list)
    hints: Hints = field(default_factory=Hints)
    notices: list[str] = field(default_factory=list)

    @property
    def names(self) -> list[str]:
        """Names by which its columns can be called."""
        return [sight.name for sight in self.sights]

    @property
    def zone_is_said(self) -> bool:
        """Whether every file says in which zone its clock ran."""
        return all(
            part.zone is not None or part.form(part.order or times.DAY).zoned for part in self.parts
        )

    def time_questions(self, answers: Mapping[str, str], zone_guess: str) -> list[Question]:
        """Return what is not known of the times.

        Args:
            answers: to questions asked before, by key.
            zone_guess: zone to be taken where the file names none.
        """
        asked: list[Question] = []
        open_order = [part for part in self.parts if part.order is None]
        if open_order and "order" not in answers:
            part = open_order[0]
            cell = part.cells()[0]
            us = self.hints.unit == "degF" or any(
                meaning(sight.words).unit == "degF" for sight in self.sights
            )
            guess = times.MONTH if us else times.DAY
            choices = [times.DAY, times.MONTH]
            if times.may_begin_with_year(cell):
                choices.append(times.YEAR)
                # Who writes hyphens mostly begins with the year; common practice, no source.
                guess = times.YEAR if "-" in cell else guess
            orders = f"{', '.join(choices[:-1])} or {choices[-1]}"
            why = f"{cell!r} can be read in more than one way, and no row tells: {orders}"
            fault_of = unless(lambda given: _order_said(given) in choices or None, orders)
            what = f"date order of {part.place.name}"
            asked.append(Question("order", what, guess, why, fault_of))
        if not self.zone_is_said and "zone" not in answers:
            why = "the file does not say where its clock ran; this computer's zone"
            name = next(p.place.name for p in self.parts if p.zone is None)
            asked.append(Question("zone", f"zone of {name}", zone_guess, why))
        return asked

    def order_of(self, part: Part, answers: Mapping[str, str]) -> str:
        """Return the order of day and month of a file, asked or told."""
        return part.order or _order_said(answers.get("order", "")) or times.DAY


def _order_said(given: str) -> str | None:
    """Return the order of day, month and year that an answer begins with, None where it has none.

    >>> [_order_said(text) for text in ("Day first", "mm/dd/yyyy", "american")]
    ['day first', 'month first', None]
    """
    first = re.split(r"[ /.-]", fold(given).strip(), maxsplit=1)[0]
    return _ORDERS_SAID.get(first)


def look(path: Path, time_column: str | None = None) -> Survey:
    """Look at a recording.

    Args:
        path: a file, or a folder that holds one file a sensor.
        time_column: the column with the time, or None to look for it.

    Raises:
        RecordingFault: it cannot be used at all.
    """
    if not path.is_dir():
        part = _part(path, time_column)
        survey = Survey(path, [part])
        survey.hints = _hints([part])
        survey.sights = list(_sights(part, ""))
        survey.notices = list(part.layout.notices)
        _say_long(survey, part)
        return survey
    files = sorted(
        each for each in path.iterdir()
        if each.is_file() and each.suffix.lower() in _ENDINGS and not each.name.startswith(".")
    )  # fmt: skip
    if not files:
        raise RecordingFault(
            f"{path}: the folder holds no file that ends in {', '.join(_ENDINGS)}, so nothing is "
            "replayed; give the folder with the recording in it"
        )
    if len(files) > _MOST_CHANNELS:
        raise RecordingFault(
            f"{path}: the folder holds {len(files)} files, and {_MOST_CHANNELS} at most are read "
            "as one recording; give a folder with one file a sensor"
        )
    parts: list[Part] = []
    aside: list[RecordingFault] = []
    for each in files:
        try:
            parts.append(_part(each, _own(time_column, each)))
        except RecordingFault as fault:
            aside.append(fault)
    if not parts:
        raise aside[0]
    survey = Survey(path, parts)
    survey.notices += [
        f"A file is left out: {str(fault).split(', so nothing is replayed')[0]}." for fault in aside
    ]
    survey.hints = _hints(parts)
    if len(parts) > 1 and _follow(parts):
        survey.notices.append(f"The {len(parts)} files follow each other: one recording.")
        survey.sights = _together([list(_sights(part, "")) for part in parts])
    else:
        for part in parts:
            part.prefix = part.path.stem if len(parts) > 1 else ""
            survey.sights += _sights(part, part.prefix)
    for part in parts:
        survey.notices += [f"{part.path.name}: {each}" for each in part.layout.notices]
        _say_long(survey, part)
    return survey


def _own(time_column: str | None, path: Path) -> str | None:
    """The time column's name where this file of several has it; it is looked for otherwise."""
    return time_column if time_column in sniff(path).header else None


def _say_long(survey: Survey, part: Part) -> None:
    if part.long is not None:
        header = part.layout.header
        by = " and ".join(repr(header[at]) for at in part.long.keys)
        survey.notices.append(
            f"Each row is one value ({header[part.long.value]!r}) of the sensor that {by} names."
        )


def _follow(parts: Sequence[Part]) -> bool:
    """Whether files have the same columns and lie one after another in time."""
    first = parts[0]
    if any(part.layout.header != first.layout.header or part.long for part in parts):
        return False
    spans: list[tuple[float, float]] = []
    for part in parts:
        form = part.form(part.order or times.DAY)
        reader = times.TimeReader(form, UTC, lambda _text: None)
        import pandas as pd

        seconds, _ = reader.read(pd.Series(part.cells(), dtype=str))
        if not np.isfinite(seconds).any():
            return False
        spans.append((float(np.nanmin(seconds)), float(np.nanmax(seconds))))
    spans.sort()
    return all(before[1] <= after[0] for before, after in pairwise(spans))


def _together(sights: Sequence[list[Sight]]) -> list[Sight]:
    found: list[Sight] = []
    for same in zip(*sights, strict=True):
        first = same[0]
        values = np.concatenate([each.values for each in same])
        found.append(Sight(first.name, first.words, first.unit_cell, values,
                           sum(each.texts for each in same)))  # fmt: skip
    return found


def rows_of(path: Path, layout: Layout) -> Iterator[list[str]]:
    """Give the rows of a file as cells, whole ones only, at most some 20,000 evenly spread."""
    size = path.stat().st_size
    head = sum(len(cell) + 1 for row in layout.sample[:500] for cell in row)
    per_row = max(head / max(len(layout.sample[:500]), 1), 1.0)
    every = max(1, int(size / per_row / MOST_ROWS))
    enough = {layout.fields, *layout.short}
    with path.open(encoding=layout.encoding, errors="replace") as file:
        for _ in islice(file, layout.header_line):
            pass
        block = 0
        while lines := list(islice(file, 500)):
            block += 1
            if every > 1 and block % every and block > 4:
                continue
            for _, _, cells, _ in split_rows(lines, layout.separator, layout.fields):
                if begins_anew(cells, layout.header):
                    return
                if len(cells) in enough:
                    yield cells + [""] * (layout.fields - len(cells))


_HEADS = frozenset(("temperature", "humidity", "air", "enclosure", "surface", "dew", "sensor"))


def begins_anew(cells: Sequence[str], header: Sequence[str]) -> bool:
    """Whether a row within a file is a header unlike the first: what stands below means other."""
    if any(cell[:1].isdigit() for cell in cells) or list(cells) == list(header):
        return False
    names = [cell for cell in cells if cell]
    if len(names) < 2 or names == [name for name in header if name]:
        return False
    kinds = [meaning(name).kinds for name in names]
    heads = sum(bool(each & _HEADS) for each in kinds)
    return any("time" in each for each in kinds) and 2 * heads >= len(names) and heads > 0


def _part(path: Path, time_column: str | None) -> Part:
    layout = sniff(path)
    rows = list(rows_of(path, layout))
    place = _time_place(path, layout, rows, time_column)
    # Only rows that have a time: a footer or a header that is repeated is none of them.
    part = Part(path, layout, rows, place)
    if times.is_half_a_clock(part.cells()):
        raise RecordingFault(
            f"{path}: the hours in {place.name} run from 1 to 12 and begin anew, and nothing says "
            "morning or evening, so nothing is replayed; export it with AM and PM, or in 24 hours"
        )
    part.zone = zone_of_file(layout, place.cells, rows)
    part.long = _long(layout, rows, place)
    cells = part.cells()
    if times.needs_order(cells):
        part.order, part.order_why = _order(layout, place, cells)
    heads = " ".join(layout.header[at] for at in place.cells)
    heads = f"{heads} {' '.join(layout.preamble)}"
    if part.zone is not None and times.is_out_of_season(
        heads, [*cells[:20], *cells[-20:]], part.order or times.DAY
    ):
        part.zone = None
    return part


def _order(layout: Layout, place: TimePlace, cells: Sequence[str]) -> tuple[str | None, str]:
    said = " ".join(
        [*(layout.header[at] for at in place.cells),
         *(layout.units[at] for at in place.cells if at < len(layout.units)), *layout.preamble]
    ).casefold()  # fmt: skip
    if re.search(r"\b(dd|tt|jj|d)[-/. ](mm|m)[-/. ](yy|jj|aa|y)", said):
        return times.DAY, "as the header says"
    if re.search(r"\b(mm|m)[-/. ](dd|d)[-/. ](yy|y)", said):
        return times.MONTH, "as the header says"
    order, why = times.date_order(cells)
    if order is not None:
        return order, why
    if any(re.match(r"[0-9]{1,2}\.\s?[0-9]{1,2}\.", cell) for cell in cells[:20]):
        return times.DAY, "as dates with points are written"
    languages = {tongue for name in layout.header for tongue in meaning(name).languages}
    if languages:
        return times.DAY, "as it is written in the header's language"
    return None, why


# ---- where the time stands -----------------------------------------------------------------------


def present(path: Path, names: Sequence[str], wanted: str) -> str:
    """Return the header's own spelling of a name.

    Raises:
        RecordingFault: it is not there.
    """
    import difflib

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


def _spread(rows: Sequence[list[str]], count: int) -> list[list[str]]:
    step = max(1, len(rows) // count)
    return list(rows[::step])


def _time_place(
    path: Path, layout: Layout, rows: Sequence[list[str]], wanted: str | None
) -> TimePlace:
    header = layout.header
    sample = _spread(rows, _LOOKED_AT)
    columns = [[row[at] for row in sample] for at in range(layout.fields)]

    def mostly(at: int, test: object, least: float = 0.5) -> bool:
        return callable(test) and times.share(columns[at], test) >= least

    everywhere = range(layout.fields)
    dates = [at for at in everywhere if mostly(at, times.looks_like_date)]
    dates += [
        at for at in everywhere
        if mostly(at, lambda c: re.fullmatch(r"(19|20)[0-9]{6}", c) is not None, 0.9)
        and _is_timely(header[at])
    ]  # fmt: skip
    clocks = [at for at in everywhere if mostly(at, times.looks_like_clock)]
    packed = [
        at for at in everywhere
        if mostly(at, times.looks_like_packed_clock, 0.9) and _is_timely(header[at])
        and at not in dates
    ]  # fmt: skip
    found: list[tuple[tuple[float, ...], TimePlace]] = []
    for at in everywhere:
        for rank, (test, least, by_name) in enumerate(
            (
                (times.looks_like_time, 0.5, False),
                (times.looks_compact, 0.8, False),
                (times.looks_like_epoch, 0.8, True),
                (times.looks_like_excel, 0.8, True),
            )
        ):
            timely = _is_timely(header[at]) or not layout.named
            if test is times.looks_like_epoch and not timely:
                # Seconds since 1970 that rise from row to row are a time, whatever their name.
                stamps = [number(cell) or 0.0 for cell in columns[at]]
                rising = all(a <= b for a, b in pairwise(stamps)) and len(set(stamps)) > 2
                timely = rising and mostly(at, test, 0.99)
            if mostly(at, test, least) and (timely or not by_name):
                place = TimePlace((at,), repr(header[at]))
                found.append((_rank(header, place, sample, rank), place))
    for day in dates:
        for clock in (*clocks, *packed):
            if clock != day:
                place = _pair(header, day, clock, clock not in clocks)
                found.append((_rank(header, place, sample, 0), place))
    if wanted is not None:
        only = header.index(present(path, [name for name in header if name], wanted))
        found = [each for each in found if only in each[1].cells]
        if not found:
            return TimePlace((only,), repr(header[only]))
    if not found:
        raise RecordingFault(
            f"{path}: none of the columns {', '.join(name for name in header if name)} holds a "
            "date with a time of day, so nothing is replayed; "
            'name the time column with [replay] time = "NAME"'
        )
    place = min(found, key=lambda each: each[0])[1]
    for at in everywhere:
        if at not in place.cells and mostly(at, times.stands_beside, 0.9):
            longer = place.with_cell(at, header)
            if all(times.looks_like_time(longer.text(row)) for row in sample[1:20] if row[at]):
                return longer
    return place


def _pair(header: Sequence[str], day: int, clock: int, packed: bool) -> TimePlace:
    return TimePlace((day, clock), f"{header[day]!r} and {header[clock]!r}", packed)


def _is_timely(name: str) -> bool:
    return bool(_TIME_NAME.search(name)) or "time" in meaning(name).kinds


def _rank(
    header: Sequence[str], place: TimePlace, sample: Sequence[list[str]], rank: int
) -> tuple[float, ...]:
    """How good a candidate is; the least is the best."""
    names = " ".join(header[at] for at in place.cells)
    cells = [place.text(row) for row in sample]
    distinct = len(set(cells)) / max(len(cells), 1)
    return (
        float(distinct < 0.02 and len(cells) > 1),
        float(bool(_NOT_THE_TIME.search(names))),
        float(not _UTC_NAME.search(names)),
        float(times.zone_said(names) is None and not times.share(cells, times.looks_like_epoch)),
        -round(distinct, 1),
        float(rank),
        float(not all(_is_timely(header[at]) for at in place.cells)),
        float(abs(place.cells[-1] - place.cells[0])),
        float(place.cells[0]),
    )


# ---- columns and channels ------------------------------------------------------------------------


def figure(cell: str, decimal: str | None) -> float:
    """Return the figure in a cell, or NaN."""
    found = number(cell, decimal or ".")
    if found is None and decimal is None:
        found = number(cell, ",")
    if found is None and (parts := with_unit(cell)) is not None:
        return figure(parts[0], decimal)
    return float("nan") if found is None else found


def _long(layout: Layout, rows: Sequence[list[str]], place: TimePlace) -> LongPlaces | None:
    """Find the places of a long file, or None where each quantity has a column of its own."""
    sample = _spread(rows, 2000)
    free = [at for at in range(layout.fields) if at not in place.cells]
    heads = {at: head_kinds(layout.header[at]) for at in free}
    figures: list[int] = []
    texts: list[int] = []
    for at in free:
        cells = [row[at] for row in sample if row[at] not in MISSING]
        numeric = sum(np.isfinite(figure(cell, layout.decimal)) for cell in cells)
        if not cells:
            continue
        (figures if numeric > 0.5 * len(cells) else texts).append(at)
    texts = [
        at for at in texts
        if "other" not in heads[at]
        and len({row[at] for row in sample}) <= min(_MOST_CHANNELS, max(2, len(sample) // 2))
    ]  # fmt: skip
    units = [
        at for at in texts
        if all(stated_unit(row[at]) is not None for row in sample if row[at])
        and ("unit" in heads[at] or any(stated_unit(row[at]) for row in sample))
    ]  # fmt: skip
    keys = [at for at in texts if at not in units]
    # A number may name a channel too, where its header says so.
    keys += [
        at for at in figures
        if "sensor" in heads[at] and "temperature" not in heads[at] and not units_in(layout, at)
        and 1 < len({row[at] for row in sample}) <= 16
        and all(re.fullmatch(r"[0-9]{1,8}", row[at]) for row in sample if row[at])
    ]  # fmt: skip
    values = [at for at in figures if at not in keys]
    named = [at for at in values if "value" in heads[at]]
    if len(values) > 1 and named:
        values = named
    if len(values) > 1:
        values = [
            at for at in values
            if not (heads[at] & {"other", "device", "time"})
            and len({row[at] for row in sample}) > 1
        ]  # fmt: skip
    if len(values) != 1 or not keys:
        return None
    keys = sorted(at for at in keys if len({row[at] for row in sample}) > 1) or sorted(keys)
    found = LongPlaces(tuple(keys), values[0], units[0] if units else None)
    channels = Counter(found.channel(row) for row in sample)
    if len(channels) < 1 or len(channels) > _MOST_CHANNELS:
        return None
    value_head = heads[values[0]]
    speaks = any(
        meaning(name).kinds & {"temperature", "humidity", "surface", "air", "dew"}
        for name in channels
    )
    says_long = bool(value_head & {"value"}) or any(
        heads[at] & {"sensor", "quantity"} for at in keys
    )
    repeats = sum(count > 1 for count in channels.values()) >= len(channels) / 2
    if not repeats or not (speaks or units or says_long):
        return None
    if value_head & {"temperature", "humidity"} and not says_long:
        return None
    return found


def units_in(layout: Layout, at: int) -> bool:
    """Whether a column's own header or units cell names a unit."""
    return bool(meaning(layout.header[at]).unit) or (
        at < len(layout.units) and bool(stated_unit(layout.units[at]))
    )


def _sights(part: Part, prefix: str) -> Iterator[Sight]:
    layout = part.layout
    body = prefix
    if part.long is not None:
        yield from _channel_sights(part, prefix)
        return
    device_only = prefix and "device" in meaning(prefix).kinds
    for at, name in enumerate(layout.header):
        if at in part.place.cells or not name:
            continue
        cells = [row[at] for row in part.rows if row[at] not in MISSING]
        values = np.array([figure(row[at], layout.decimal) for row in part.rows], dtype=float)
        texts = len(cells) - int(np.isfinite(values).sum())
        note = layout.notes[at] if at < len(layout.notes) else ""
        said = f"{note} {name} {_explained(layout, name)}".strip()
        if prefix and not device_only:
            said = f"{prefix} {said}"
        unit = layout.units[at] if at < len(layout.units) else ""
        written = {parts[1] for cell in cells[:200] if (parts := with_unit(cell)) is not None}
        if not unit and len(written) == 1:
            unit = written.pop()
        yield Sight(f"{prefix}: {name}" if prefix else name, said, unit, values, texts, body)


def _explained(layout: Layout, name: str) -> str:
    """What a preamble says of a column by its name: `Ch 1: Air temperature, °C`."""
    pattern = re.compile(rf"[#\s]*\"?{re.escape(name)}\"?\s*[:=;,\t]\s*(.+)", re.IGNORECASE)
    for line in layout.preamble:
        found = pattern.fullmatch(line.strip())
        if found is not None and not number(found[1]):
            return found[1].strip(' ;,\t"')
    return ""


def _channel_sights(part: Part, prefix: str) -> Iterator[Sight]:
    long = part.long
    if long is None:
        return
    values: dict[str, dict[str, float]] = {}
    texts: Counter[str] = Counter()
    units: dict[str, Counter[str]] = {}
    moments: dict[str, None] = {}
    for row in part.rows:
        name = long.channel(row)
        moment = part.place.text(row)
        moments[moment] = None
        value = figure(row[long.value], part.layout.decimal)
        values.setdefault(name, {})[moment] = value
        if not np.isfinite(value) and row[long.value] not in MISSING:
            texts[name] += 1
        if long.unit is not None:
            units.setdefault(name, Counter())[row[long.unit].strip()] += 1
    head = part.layout.header[long.value]
    for name, by_time in values.items():
        column = np.array([by_time.get(moment, np.nan) for moment in moments], dtype=float)
        unit = units[name].most_common(1)[0][0] if name in units else ""
        said = f"{prefix} {name} {_explained(part.layout, name)}".strip()
        if meaning(head).unit or meaning(head).kinds & {"temperature", "humidity"}:
            said = f"{said} {head}"
        shown = f"{prefix}: {name}" if prefix else name
        yield Sight(shown, said, unit, column, texts[name], prefix)


def _hints(parts: Sequence[Part]) -> Hints:
    units: set[str] = set()
    humid: set[str] = set()
    for part in parts:
        for line in part.layout.preamble:
            pieces = [piece.strip(" #\"'") for piece in re.split(r"[:;,=\t]|\bin\b|\bare\b", line)]
            kinds = meaning(pieces[0]).kinds
            for piece in pieces[1:]:
                unit = stated_unit(piece)
                if unit in ("degC", "degF") and kinds & {"temperature", "unit"}:
                    units.add(unit)
                if unit in ("%", "1") and "humidity" in kinds:
                    humid.add(unit)
    decimals = {part.layout.decimal for part in parts} - {None}
    return Hints(
        unit=units.pop() if len(units) == 1 else None,
        humidity_unit=humid.pop() if len(humid) == 1 else None,
        decimal=decimals.pop() if len(decimals) == 1 else None,
    )
