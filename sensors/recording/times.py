"""How a recording writes its times, and what moment each is; local times get their zone here."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rules.numbers import number
from rules.units import DAY_S
from sensors.reading import FIRST_S, LAST_S
from sensors.recording.local_clock import LocalClock, seconds_of
from sensors.recording.words import month_number
from sensors.zones import UnknownZone, zone_named

DAY, MONTH, YEAR = "day first", "month first", "year first"
_ORDERS = {DAY: "dmy", MONTH: "mdy", YEAR: "ymd"}

# Abbreviations that one zone only goes by where such loggers are sold; from memory (IANA tz).
_ABBREVIATIONS = {
    "UTC": 0, "GMT": 0, "Z": 0, "WET": 0, "WEST": 60, "BST": 60, "CET": 60, "MEZ": 60,
    "CEST": 120, "MESZ": 120, "EET": 120, "EEST": 180, "MSK": 180, "EST": -300, "EDT": -240,
    "CST": -360, "CDT": -300, "MST": -420, "MDT": -360, "PST": -480, "PDT": -420, "AKST": -540,
    "AKDT": -480, "HST": -600, "AST": -240, "ADT": -180, "NZST": 720, "NZDT": 780, "AEST": 600,
    "AEDT": 660, "AWST": 480, "JST": 540,
}  # fmt: skip
_CLOCK = (
    r"(?P<hour>[0-9]{1,2})(?:[:.h](?P<minute>[0-9]{2}))(?:[:.](?P<second>[0-9]{2})"
    r"(?:[.,](?P<fraction>[0-9]{1,9}))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?\s?[Mm]\.?)?(?:\s?(?:[Uu]hr|h|hrs))?"
)
_OFFSET = (
    r"(?:\s*[\[(]?(?P<offset>[Zz]|(?:UTC|GMT)?\s?[+-][0-9]{1,2}(?::?[0-9]{2})?|[A-Z]{3,4})[\])]?)?"
)
_BETWEEN = r"(?:\s*[T,;_]\s*|\s+(?:-\s+|kl\.?\s+|klo\s+|um\s+|à\s+|at\s+|o\s+|de\s+)?)"
_WEEKDAY = r"(?:[^\W\d_]{2,10}\.?,?\s+)?"
_MONTH = r"(?P<name>[^\W\d_]{3,12})\.?"
_DATES = {
    "ymd4": r"(?P<year>[0-9]{4})\s?[-/.]\s?(?P<a>[0-9]{1,2})\s?[-/.]\s?(?P<b>[0-9]{1,2})\.?",
    "last": r"(?P<a>[0-9]{1,2})\s?[-/.]\s?(?P<b>[0-9]{1,2})\s?[-/.]\s?(?P<year>[0-9]{4}|[0-9]{2})",
    "named": rf"(?P<a>[0-9]{{1,2}})\.?[-/\s]?\s*(?:de\s+)?{_MONTH}[-/,\s]?\s*(?:de\s+)?"
    r"(?P<year>[0-9]{4}|[0-9]{2})",
    "month": rf"{_MONTH}[-/\s]\s*(?P<a>[0-9]{{1,2}}),?[-/\s]\s*(?P<year>[0-9]{{4}})",
    "year": rf"(?P<year>[0-9]{{4}})[-/\s]{_MONTH}[-/\s](?P<a>[0-9]{{1,2}})",
    "packed": r"(?P<year>(?:19|20)[0-9]{2})(?P<a>[0-9]{2})(?P<b>[0-9]{2})",
}
_FORMS = {
    name: re.compile(rf"{_WEEKDAY}{pattern}{_BETWEEN}{_CLOCK}{_OFFSET}")
    for name, pattern in _DATES.items()
}
_CLOCK_FIRST = {name: re.compile(rf"{_CLOCK}[\s,]+{pattern}") for name, pattern in _DATES.items()}
_DATE_ONLY = {
    name: re.compile(rf"{_WEEKDAY}{pattern}(?:[T ]00:00(?::00)?)?")
    for name, pattern in _DATES.items()
}
_COMPACT = re.compile(
    r"(?P<year>(?:19|20)[0-9]{2})(?P<a>[0-9]{2})(?P<b>[0-9]{2})[T_ -]?"
    rf"(?P<hour>[0-9]{{2}})(?P<minute>[0-9]{{2}})(?P<second>[0-9]{{2}})?{_OFFSET}"
)
_EPOCH = re.compile(r"[0-9]{9,19}(?:[.,][0-9]+)?")
_CLOCK_ONLY = re.compile(_CLOCK + _OFFSET)
_CLOCK_PACKED = re.compile(r"(?P<hour>[0-9]{2})(?P<minute>[0-9]{2})(?P<second>[0-9]{2})?")
_EXCEL = re.compile(r"[3-6][0-9]{4}(?:[.,][0-9]+)?")
_EXCEL_EPOCH = datetime(1899, 12, 30, tzinfo=UTC)

# How many of an epoch's units make a second, by its size: 1e8 s is 1973, 1e11 s the year 5138.
_EPOCH_UNITS = ((1e17, 1e9), (1e14, 1e6), (1e11, 1e3), (1e8, 1.0))
_OFFSET_SAID = re.compile(
    r"(?:(?<![A-Za-z])(?:UTC|GMT)(?: offset)?|[\[(])\s?"
    r"(?P<sign>[+\-−–])\s?(?P<hours>[0-9]{1,2})(?::?(?P<minutes>[0-9]{2}))?"
    r"(?![0-9:])",
    re.IGNORECASE,
)
# Words beside an offset or a zone that make it doubtful what the clock showed.
_UNLIKE_ZONE = re.compile(
    r"\b(?:not|ahead|behind|plus|minus|from|summer|winter|dst|daylight|sommerzeit)\b",
    re.IGNORECASE,
)
_NO_SUMMER = re.compile(
    r"\b(?:no|without|ohne)\s+(?:dst|daylight|summer|sommerzeit)"
    r"|\b(?:dst|daylight[a-z ]*|sommerzeit)\s*[:=]?\s*(?:off|no|nein|none|false|disabled|0)\b",
    re.IGNORECASE,
)
_AREA = re.compile(
    r"\b(?:Etc/(?:GMT|UTC)[+-][0-9]{1,2}"
    r"|[A-Z][A-Za-z_]+/[A-Z][A-Za-z_]+(?:/[A-Z][A-Za-z_]+)?)\b"
)


@dataclass(frozen=True, slots=True)
class TimeForm:
    """How times are written in one recording.

    Attributes:
        kind: `text`, `epoch` (seconds, or a thousandth, millionth ..., since 1970), `excel` (days
            since 30 December 1899, as spreadsheets count) or `compact` (20260425140000).
        order: `day first`, `month first` or `year first`: how 04/02/15 is meant.
        pandas_format: one format that the sample follows throughout, or None.
        zoned: the sample carries offsets.
    """

    kind: str
    order: str
    pandas_format: str | None
    zoned: bool


def zone_said(text: str) -> tzinfo | None:
    """Return the zone or offset that a header, a units row or a comment states, or None.

    >>> [str(zone_said(text)) for text in ("Date Time, GMT-04:00", "Zeit (UTC+2)", "time_utc")]
    ['UTC-04:00', 'UTC+02:00', 'UTC']
    >>> zone_said("Local time"), str(zone_said("Time (Europe/Oslo)"))
    (None, 'Europe/Oslo')
    >>> zone_said("2 h ahead of UTC"), str(zone_said("Time_UTC+2")), zone_said("UTC-5, DST on")
    (None, 'UTC+02:00', None)
    """
    for found in _AREA.finditer(text):
        try:
            return zone_named(found[0])
        except UnknownZone:
            continue
    if _UNLIKE_ZONE.search(_NO_SUMMER.sub(" ", text)):
        return None
    said = _OFFSET_SAID.search(text)
    if said is not None:
        minutes = int(said["hours"]) * 60 + int(said["minutes"] or 0)
        if minutes <= 14 * 60:
            return timezone(timedelta(minutes=minutes if said["sign"] == "+" else -minutes))
    for word in re.findall(r"[A-Za-z]{1,4}", re.sub(r"(?<=[a-z])(?=[A-Z])|_", " ", text)):
        if word.upper() in ("UTC", "GMT"):
            # `local UTC 2` and the like say something that is not understood.
            return None if re.search(r"(?:UTC|GMT)\W*[0-9]", text, re.IGNORECASE) else UTC
        if word in _ABBREVIATIONS and word.isupper() and len(word) > 2:
            return timezone(timedelta(minutes=_ABBREVIATIONS[word.upper()]))
    return None


_SUMMER = frozenset(("WEST", "BST", "CEST", "MESZ", "EEST", "EDT", "CDT", "MDT", "PDT"))
_WINTER = frozenset(("WET", "CET", "MEZ", "EET", "EST", "CST", "MST", "PST"))


def is_out_of_season(text: str, cells: Sequence[str], order: str) -> bool:
    """Whether a header names the winter's time over rows of the summer, or the other way round.

    People write CET the whole year round, so that such a name is no offset.
    """
    said = set(re.findall(r"[A-Z]{3,4}", text))
    odd_months = {4, 5, 6, 7, 8, 9} if said & _WINTER else {1, 2, 12} if said & _SUMMER else set()
    for cell in cells if odd_months else ():
        try:
            when, _ = parse_time(cell, order)
        except ValueError:
            continue
        if when.month in odd_months:
            return True
    return False


_BESIDE = re.compile(r"[AaPp]\.?\s?[Mm]\.?|[Zz]|(?:UTC|GMT)?\s?[+-][0-9]{1,2}(?::?[0-9]{2})?")


def stands_beside(cell: str) -> bool:
    """Whether a cell of its own completes the time beside it: AM or PM, an offset, a short zone.

    >>> [stands_beside(cell) for cell in ("PM", "+02:00", "EDT", "UTC-4", "-4.5", "OK")]
    [True, True, True, True, False, False]
    """
    return cell in _ABBREVIATIONS or _BESIDE.fullmatch(cell) is not None


def is_half_a_clock(cells: Sequence[str]) -> bool:
    """Whether hours run from 1 to 12 and begin anew with nothing that says morning or evening.

    Args:
        cells: times of a recording, in file order, over half a day at least.
    """
    hours: list[int] = []
    for cell in cells:
        found = _match(cell)
        if found is None or found.groupdict().get("half") or not 1 <= int(found["hour"]) <= 12:
            return False
        hours.append(int(found["hour"]))
    return any(before == 12 and after == 1 for before, after in pairwise(hours))


def looks_like_time(cell: str) -> bool:
    """Whether a cell holds a date and a time of day.

    >>> looks_like_time("04/02/2015 17:51"), looks_like_time("1423068660")
    (True, False)
    """
    return _match(cell) is not None


def looks_like_epoch(cell: str) -> bool:
    """Whether a cell may hold seconds or milliseconds since 1970, from 2000 to 2100.

    >>> [looks_like_epoch(cell) for cell in ("1423072260", "1423072260000", "202604251400")]
    [True, True, False]
    """
    if _EPOCH.fullmatch(cell) is None:
        return False
    seconds = _epoch_s(float(cell.replace(",", ".")))
    return 946_684_800.0 <= seconds < 4_102_444_800.0 and not looks_compact(cell)


def looks_compact(cell: str) -> bool:
    """Whether a cell holds a date and a time of day without signs between, as 20260425140000."""
    found = _COMPACT.fullmatch(cell)
    return (
        found is not None
        and 1 <= int(found["a"]) <= 12
        and 1 <= int(found["b"]) <= 31
        and (int(found["hour"]) < 24 and int(found["minute"]) < 60)
    )


def looks_like_excel(cell: str) -> bool:
    """Whether a cell may hold a spreadsheet's days: from 1982 to 2091."""
    return _EXCEL.fullmatch(cell) is not None


def looks_like_date(cell: str) -> bool:
    """Whether a cell holds a date without a time of day."""
    return any(form.fullmatch(cell) for form in _DATE_ONLY.values())


def looks_like_clock(cell: str) -> bool:
    """Whether a cell holds a time of day without a date."""
    return _CLOCK_ONLY.fullmatch(cell) is not None


def looks_like_packed_clock(cell: str) -> bool:
    """Whether a cell may hold a time of day without signs between, as 140000."""
    found = _CLOCK_PACKED.fullmatch(cell)
    return found is not None and int(found["hour"]) < 24 and int(found["minute"]) < 60


_THREE = re.compile(r"([0-9]{1,2})\s?[-/.]\s?([0-9]{1,2})\s?[-/.]\s?([0-9]{2,4})")


def needs_order(cells: Sequence[str]) -> bool:
    """Whether dates are written so that day, month and year could be confused."""
    for cell in cells:
        found = _match(cell)
        if found is not None:
            return found.re in (_FORMS["last"], _CLOCK_FIRST["last"])
    return False


def may_begin_with_year(cell: str) -> bool:
    """Whether a date such as 26-04-25 may be year, month and day.

    >>> may_begin_with_year("26-04-25 14:00"), may_begin_with_year("04/02/2015 17:51")
    (True, False)
    """
    found = _THREE.search(cell)
    try:
        return found is not None and _date_of((found[1], found[2], found[3]), YEAR).year >= 2010
    except ValueError:
        return False


def date_order(cells: Iterable[str]) -> tuple[str | None, str]:
    """Tell in which order dates such as 04/02/2015 are written, and by what.

    Args:
        cells: times of the whole recording in file order; those of other forms are passed over.

    Returns:
        (`day first`, `month first`, `year first` or None where more than one will do, why).

    >>> date_order(["04/02/2015 17:51", "13/02/2015 17:51"])[0]
    'day first'
    >>> date_order(["03/10/2026 23:50", "04/10/2026 00:00"])[0], date_order(["04/05/2026 08:00"])[0]
    ('day first', None)
    """
    seen: dict[tuple[str, str, str], None] = {}
    for cell in cells:
        found = _THREE.search(cell)
        if found is not None:
            seen[found[1], found[2], found[3]] = None
    dates = list(seen)
    spans: dict[str, int] = {}
    invalid: set[str] = set()
    for order in (DAY, MONTH, YEAR):
        days: list[int] = []
        bad = 0
        for parts in dates:
            try:
                days.append(_date_of(parts, order).toordinal())
            except ValueError:
                bad += 1
        if bad > 0.02 * len(dates):
            invalid.add(order)
        else:
            spans[order] = sum(abs(after - before) for before, after in pairwise(days))
    if len(spans) == 1:
        return next(iter(spans)), "since the other order would give a month over 12"
    if spans:
        ranked = sorted(spans.items(), key=lambda each: each[1])
        if ranked[0][1] < ranked[1][1]:
            return ranked[0][0], "since so they follow each other more closely"
    return None, "and no date in the file tells whether that is right"


def _date_of(parts: tuple[str, str, str], order: str) -> date:
    first, second, third = parts
    if order == YEAR:
        if len(third) == 4 or len(first) != 2:
            raise ValueError("no year first")
        year, month, day = int(first) + 2000, int(second), int(third)
    else:
        year = int(third) + (2000 if len(third) == 2 else 0)
        day, month = (int(first), int(second)) if order == DAY else (int(second), int(first))
    return date(year, month, day)


def time_form(cells: Sequence[str], *, order: str) -> TimeForm | None:
    """Find how times are written.

    Args:
        cells: a sample of the time column.
        order: what to take for 04/02, see `TimeForm`.

    Returns:
        The form, or None where hardly any cell is a time.
    """
    counts = {
        "text": sum(looks_like_time(cell) for cell in cells),
        "epoch": sum(looks_like_epoch(cell) for cell in cells),
        "excel": sum(looks_like_excel(cell) for cell in cells),
        "compact": sum(looks_compact(cell) for cell in cells),
    }
    kind = max(counts, key=lambda each: counts[each])
    if not counts[kind]:
        return None
    if kind in ("epoch", "excel"):
        return TimeForm(kind, order, None, zoned=kind == "epoch")
    if kind == "compact":
        zoned = sum((found := _COMPACT.fullmatch(c)) is not None and found["offset"] is not None
                    for c in cells) > counts[kind] / 2  # fmt: skip
        return TimeForm(kind, order, None, zoned)
    good = [found for cell in cells if (found := _match(cell)) is not None]
    formats = {_pandas_format(found, order) for found in good}
    zoned = sum(_is_zone(found) for found in good) > len(good) / 2
    return TimeForm(kind, order, formats.pop() if len(formats) == 1 else None, zoned)


def _is_zone(found: re.Match[str]) -> bool:
    said = found.groupdict().get("offset")
    return said is not None and _offset_of(said) is not None


def _match(cell: str) -> re.Match[str] | None:
    for forms in (_FORMS, _CLOCK_FIRST):
        for form in forms.values():
            found = form.fullmatch(cell)
            if found is not None:
                name = found.groupdict().get("name")
                if name is not None and month_number(name) is None:
                    continue
                return found
    return None


def _pandas_format(found: re.Match[str], order: str) -> str | None:
    """The strptime format of a cell, for the bulk path; None sends it to `parse_time`."""
    if found.re not in (_FORMS["ymd4"], _FORMS["last"]):
        return None
    offset, half = found["offset"], found["half"]
    if half or len(found["year"]) == 2 or found.start("year") * found.start("a"):
        return None
    if offset and not re.fullmatch(r"[Zz]|[+-][0-9]{2}:?[0-9]{2}", offset):
        return None
    if len(found["a"]) < 2 or len(found["b"]) < 2 or len(found["hour"]) < 2:
        return None
    cell = found.string
    form = list(cell.replace("%", "%%")) if "%" not in cell else None
    if form is None:
        return None
    first = "m d" if found.re is _FORMS["ymd4"] or order == MONTH else "d m"
    parts = [("year", "%Y"), ("a", f"%{first[0]}"), ("b", f"%{first[2]}"), ("hour", "%H")]
    parts += [("minute", "%M"), ("second", "%S"), ("fraction", "%f"), ("offset", "%z")]
    for name, code in sorted(parts, key=lambda part: found.start(part[0]), reverse=True):
        if found[name] is not None:
            form[found.start(name) : found.end(name)] = [code]
    return "".join(form)


def _offset_of(text: str) -> timezone | None:
    plain = text.strip().upper()
    if plain in _ABBREVIATIONS:
        return timezone(timedelta(minutes=_ABBREVIATIONS[plain]))
    found = re.fullmatch(r"(?:UTC|GMT)?\s?([+-])([0-9]{1,2})(?::?([0-9]{2}))?", plain)
    if found is None:
        return None
    minutes = int(found[2]) * 60 + int(found[3] or 0)
    if minutes > 14 * 60:
        return None
    return timezone(timedelta(minutes=minutes if found[1] == "+" else -minutes))


def parse_time(cell: str, order: str) -> tuple[datetime, bool]:
    """Read one time.

    Args:
        cell: a date and a time of day.
        order: what to take for 04/02, see `TimeForm`.

    Returns:
        The time, and whether it carried an offset; without one the time is still local.

    Raises:
        ValueError: the cell is no time that exists in the calendar.

    >>> parse_time("4.2.2015 5:51 pm", "day first")[0].isoformat()
    '2015-02-04T17:51:00'
    >>> parse_time("25. avr. 2026 14h30", "day first")[0].isoformat()
    '2026-04-25T14:30:00'
    """
    found = _match(cell) or _COMPACT.fullmatch(cell)
    if found is None:
        raise ValueError(f"time {cell!r} is not understood")
    groups = found.groupdict()
    year_text = groups["year"]
    year = int(year_text) + (2000 if len(year_text) == 2 else 0)
    if groups.get("name"):
        month = month_number(groups["name"])
        if month is None:
            raise ValueError(f"time {cell!r} names no month that is known")
        day = int(groups["a"])
    elif found.re in (_FORMS["last"], _CLOCK_FIRST["last"]):
        when = _date_of((groups["a"], groups["b"], year_text), order)
        year, month, day = when.year, when.month, when.day
    else:
        month, day = int(groups["a"]), int(groups["b"])
    hour = int(groups["hour"])
    if groups.get("half"):
        if not 1 <= hour <= 12:
            raise ValueError(f"time {cell!r} has no such hour")
        hour = hour % 12 + (12 if groups["half"] in "pP" else 0)
    fraction = int(((groups.get("fraction") or "") + "000000")[:6])
    zone: tzinfo | None = None
    if groups.get("offset"):
        zone = _offset_of(groups["offset"])
        if zone is None:
            raise ValueError(f"time {cell!r} has a zone that is not known")
    minute, second = int(groups["minute"] or 0), int(groups["second"] or 0)
    return datetime(year, month, day, hour, minute, second, fraction, zone), zone is not None


def _epoch_s(value: float) -> float:
    for size, per_second in _EPOCH_UNITS:
        if value >= size:
            return value / per_second
    return value


@dataclass(slots=True)
class TimeReader:
    """Turns the cells of a time column into seconds since 1970, chunk by chunk, in file order.

    Attributes:
        form: how the times are written.
        zone: zone, or fixed offset, of times that carry none.
        say: called once with each thing that the user should know.
    """

    form: TimeForm
    zone: tzinfo
    say: Callable[[str], None]
    _clock: LocalClock = field(init=False)

    def __post_init__(self) -> None:
        """Begin with the clock as the zone has it."""
        self._clock = LocalClock(self.zone, self.say)

    def read(self, cells: pd.Series[str]) -> tuple[NDArray[np.float64], dict[int, str]]:
        """Read one chunk.

        Args:
            cells: the time column, without blanks around.

        Returns:
            Seconds since 1970 UTC, NaN where a time is not usable, and why by position.
        """
        if self.form.kind == "epoch":
            return self._read_epoch(cells)
        seconds = np.full(len(cells), np.nan)
        local = np.zeros(len(cells), dtype=bool)
        if self.form.pandas_format is not None:
            stamps = pd.to_datetime(
                cells, format=self.form.pandas_format, errors="coerce", utc=self.form.zoned
            )
            if self.form.zoned:
                stamps = stamps.dt.tz_localize(None)
            read = stamps.notna().to_numpy()
            seconds[read] = seconds_of(stamps[read])
            local[:] = read & (not self.form.zoned)
        why: dict[int, str] = {}
        texts = cells.tolist() if np.isnan(seconds).any() else []
        for at in np.flatnonzero(np.isnan(seconds)).tolist():
            text = texts[at].strip()
            try:
                if self.form.kind == "excel" and looks_like_excel(text):
                    days = float(text.replace(",", "."))
                    when, zoned = _EXCEL_EPOCH + timedelta(days=days), False
                    # Six decimals of a day are 0.09 s: the second that was meant is the nearest.
                    when = (when + timedelta(milliseconds=500)).replace(microsecond=0)
                else:
                    when, zoned = parse_time(text, self.form.order)
            except ValueError:
                why[at] = f"time {texts[at]!r} is not understood"
                continue
            local[at] = not zoned
            seconds[at] = (when if zoned else when.replace(tzinfo=UTC)).timestamp()
        self._leave_out_far(seconds, texts or cells, why)
        local &= ~np.isnan(seconds)
        if local.any():
            places = np.flatnonzero(local)
            seconds[places], absent = self._clock.utc_s(seconds[places])
            why |= {int(places[at]): text for at, text in absent.items()}
        return seconds, why

    def _read_epoch(self, cells: pd.Series[str]) -> tuple[NDArray[np.float64], dict[int, str]]:
        texts = cells.tolist()
        numbers = pd.to_numeric(cells.str.replace(",", "."), errors="coerce").to_numpy(float)
        seconds = np.full(len(cells), np.nan)
        below = np.inf
        for size, per_second in _EPOCH_UNITS:
            chosen = (numbers >= size) & (numbers < below)
            seconds[chosen] = numbers[chosen] / per_second
            below = size
        bad = np.flatnonzero(np.isnan(seconds)).tolist()
        why: dict[int, str] = {}
        for at in bad:
            try:
                when, zoned = parse_time(texts[at].strip(), self.form.order)
            except ValueError:
                why[at] = f"time {texts[at]!r} is not understood"
                continue
            seconds[at] = (when if zoned else when.replace(tzinfo=UTC)).timestamp()
        self._leave_out_far(seconds, texts, why)
        return seconds, why

    @staticmethod
    def _leave_out_far(
        seconds: NDArray[np.float64], cells: Sequence[str] | pd.Series[str], why: dict[int, str]
    ) -> None:
        """Leave out what no recording is dated, in place."""
        # A local time is up to a day from its moment.
        far = (seconds < FIRST_S - DAY_S) | (seconds >= LAST_S + DAY_S)
        if not far.any():
            return
        texts = list(cells)
        for at in np.flatnonzero(far).tolist():
            why[at] = f"time {texts[at]!r} is not between 1970 and 2100"
        seconds[far] = np.nan


def is_backwards(cells: Sequence[str], form: TimeForm) -> bool:
    """Whether a recording's newest row stands first.

    Args:
        cells: of the time column, in file order.
        form: how they are written.
    """
    quiet = TimeReader(form, UTC, lambda _text: None)
    seconds, _ = quiet.read(pd.Series(list(cells), dtype=str))
    steps = np.diff(seconds[~np.isnan(seconds)])
    return len(steps) > 0 and int((steps < 0).sum()) > 0.8 * len(steps)


def share(cells: Sequence[str], test: Callable[[str], bool]) -> float:
    """Return which part of the cells that hold anything passes a test; 0 where none does."""
    counts = Counter(test(cell) for cell in cells if cell)
    return counts[True] / max(sum(counts.values()), 1)


def packed_clock(cell: str) -> str:
    """Return a time of day without signs with them: 140000 as 14:00:00."""
    found = _CLOCK_PACKED.fullmatch(cell.zfill(6) if len(cell) in (5, 6) else cell.zfill(4))
    if found is None or number(cell) is None:
        return cell
    return ":".join(part for part in found.groups() if part)
