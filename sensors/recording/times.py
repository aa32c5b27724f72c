"""How a recording writes its times, and what moment each is; local times get their zone here."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_OFFSET = r"(?:\s*(?P<offset>[Zz]|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2}))?"
_YEAR_FIRST = re.compile(
    rf"(?P<year>\d{{4}})[-/.](?P<a>\d{{1,2}})[-/.](?P<b>\d{{1,2}})[T ,]\s*{_CLOCK}{_OFFSET}"
)
_YEAR_LAST = re.compile(
    rf"(?P<a>\d{{1,2}})[-/.](?P<b>\d{{1,2}})[-/.](?P<year>\d{{4}}|\d{{2}})[T ,]\s*{_CLOCK}{_OFFSET}"
)
_EPOCH = re.compile(r"\d{9,19}(?:[.,]\d+)?")
_DATE_ONLY = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}")
_CLOCK_ONLY = re.compile(_CLOCK + _OFFSET)

# How many of an epoch's units make a second, by its size: 1e8 s is 1973, 1e11 s the year 5138.
_EPOCH_UNITS = ((1e17, 1e9), (1e14, 1e6), (1e11, 1e3), (1e8, 1.0))


@dataclass(frozen=True, slots=True)
class TimeForm:
    """How times are written in one recording.

    Attributes:
        epoch: seconds (or a thousandth, millionth ...) since 1970 in place of a date.
        day_first: 04/02 is the fourth of February.
        pandas_format: one format that the sample follows throughout, or None.
        zoned: the sample carries offsets.
    """

    epoch: bool
    day_first: bool
    pandas_format: str | None
    zoned: bool


def looks_like_time(cell: str) -> bool:
    """Whether a cell holds a date and a time of day.

    >>> looks_like_time("04/02/2015 17:51"), looks_like_time("1423068660")
    (True, False)
    """
    return bool(_YEAR_FIRST.fullmatch(cell) or _YEAR_LAST.fullmatch(cell))


def looks_like_epoch(cell: str) -> bool:
    """Whether a cell may hold seconds or milliseconds since 1970."""
    return _EPOCH.fullmatch(cell) is not None


def looks_like_date(cell: str) -> bool:
    """Whether a cell holds a date without a time of day."""
    return _DATE_ONLY.fullmatch(cell) is not None


def looks_like_clock(cell: str) -> bool:
    """Whether a cell holds a time of day without a date."""
    return _CLOCK_ONLY.fullmatch(cell) is not None


def day_or_month(cells: Iterable[str]) -> bool | None:
    """Tell whether the day comes first in dates like 04/02/2015.

    Args:
        cells: times or dates; those of other forms are passed over.

    Returns:
        True or False by the first number over 12, or None where there is none.

    >>> day_or_month(["04/02/2015 17:51", "13/02/2015 17:51"])
    True
    """
    for cell in cells:
        found = re.match(r"(\d{1,2})[-/.](\d{1,2})[-/.]\d", cell)
        if found is None:
            continue
        if int(found[1]) > 12:
            return True
        if int(found[2]) > 12:
            return False
    return None


def needs_day_or_month(cells: Sequence[str]) -> bool:
    """Whether dates are written so that day and month could be confused."""
    return any(_YEAR_LAST.fullmatch(cell) for cell in cells)


def time_form(cells: Sequence[str], *, day_first: bool) -> TimeForm | None:
    """Find how times are written.

    Args:
        cells: a sample of the time column.
        day_first: what to take for 04/02.

    Returns:
        The form, or None where hardly any cell is a time.
    """
    good = [cell for cell in cells if looks_like_time(cell)]
    epochs = [cell for cell in cells if looks_like_epoch(cell)]
    if len(epochs) > len(good):
        return TimeForm(epoch=True, day_first=day_first, pandas_format=None, zoned=True)
    if not good:
        return None
    formats = {_pandas_format(cell, day_first) for cell in good}
    zoned = sum(_match(cell)["offset"] is not None for cell in good) > len(good) / 2
    return TimeForm(
        epoch=False,
        day_first=day_first,
        pandas_format=formats.pop() if len(formats) == 1 else None,
        zoned=zoned,
    )


def _match(cell: str) -> re.Match[str]:
    found = _YEAR_FIRST.fullmatch(cell) or _YEAR_LAST.fullmatch(cell)
    if found is None:
        raise ValueError(f"time {cell!r} is not understood")
    return found


def _pandas_format(cell: str, day_first: bool) -> str | None:
    """The strptime format of a cell, for the bulk path; None sends it to `parse_time`."""
    found = _match(cell)
    offset, half = found["offset"], found["half"]
    if half or len(found["year"]) == 2 or (offset and offset.upper() in ("UTC", "GMT")):
        return None
    if len(found["a"]) < 2 or len(found["b"]) < 2 or len(found["hour"]) < 2:
        return None
    form = list(cell)
    order = "m d" if found.re is _YEAR_FIRST else ("d m" if day_first else "m d")
    parts = [("year", "%Y"), ("a", f"%{order[0]}"), ("b", f"%{order[2]}"), ("hour", "%H")]
    parts += [("minute", "%M"), ("second", "%S"), ("fraction", "%f"), ("offset", "%z")]
    for name, code in sorted(parts, key=lambda part: found.start(part[0]), reverse=True):
        if found[name] is not None:
            form[found.start(name) : found.end(name)] = [code]
    return "".join(form)


def parse_time(cell: str, day_first: bool) -> tuple[datetime, bool]:
    """Read one time.

    Args:
        cell: a date and a time of day.
        day_first: what to take for 04/02.

    Returns:
        The time, and whether it carried an offset; without one the time is still local.

    Raises:
        ValueError: the cell is no time that exists in the calendar.

    >>> parse_time("4.2.2015 5:51 pm", True)[0].isoformat()
    '2015-02-04T17:51:00'
    """
    found = _match(cell)
    first, second, year = int(found["a"]), int(found["b"]), int(found["year"])
    month_first = found.re is _YEAR_FIRST or not day_first
    month, day = (first, second) if month_first else (second, first)
    if len(found["year"]) == 2:
        year += 2000
    hour = int(found["hour"])
    if found["half"]:
        if not 1 <= hour <= 12:
            raise ValueError(f"time {cell!r} has no such hour")
        hour = hour % 12 + (12 if found["half"] in "pP" else 0)
    fraction = int(((found["fraction"] or "") + "000000")[:6])
    zone: tzinfo | None = None
    offset = found["offset"]
    if offset:
        zone = UTC
        if offset[0] in "+-":
            minutes = int(offset[1:3]) * 60 + int(offset[-2:] if len(offset) > 3 else 0)
            zone = timezone(timedelta(minutes=minutes if offset[0] == "+" else -minutes))
    when = datetime(
        year, month, day, hour, int(found["minute"]), int(found["second"] or 0), fraction, zone
    )
    return when, zone is not None


@dataclass(slots=True)
class TimeReader:
    """Turns the cells of a time column into seconds since 1970, chunk by chunk, in file order.

    Attributes:
        form: how the times are written.
        zone: zone of times that carry none.
        say: called once with each thing that the user should know.
    """

    form: TimeForm
    zone: ZoneInfo
    say: Callable[[str], None]
    _last_s: float | None = None
    _interval_s: float | None = None
    _said: set[str] = field(default_factory=set)

    def read(self, cells: pd.Series[str]) -> tuple[NDArray[np.float64], dict[int, str]]:
        """Read one chunk.

        Args:
            cells: the time column, without blanks around.

        Returns:
            Seconds since 1970 UTC, NaN where a time is not usable, and why by position.
        """
        if self.form.epoch:
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
            seconds[read] = _seconds(stamps[read])
            local[:] = read & (not self.form.zoned)
        why: dict[int, str] = {}
        texts = cells.tolist() if np.isnan(seconds).any() else []
        for at in np.flatnonzero(np.isnan(seconds)).tolist():
            try:
                when, zoned = parse_time(texts[at].strip(), self.form.day_first)
            except ValueError:
                why[at] = f"time {texts[at]!r} is not understood"
                continue
            local[at] = not zoned
            seconds[at] = (when if zoned else when.replace(tzinfo=UTC)).timestamp()
        if local.any() and self.zone.key not in ("UTC", "Etc/UTC"):
            self._localize(seconds, local, why)
        usable = seconds[~np.isnan(seconds)]
        if len(usable):
            self._last_s = float(usable[-1])
        return seconds, why

    def _read_epoch(self, cells: pd.Series[str]) -> tuple[NDArray[np.float64], dict[int, str]]:
        numbers = pd.to_numeric(cells.str.replace(",", "."), errors="coerce").to_numpy(float)
        seconds = np.full(len(cells), np.nan)
        below = np.inf
        for size, per_second in _EPOCH_UNITS:
            chosen = (numbers >= size) & (numbers < below)
            seconds[chosen] = numbers[chosen] / per_second
            below = size
        texts = cells.tolist()
        bad = np.flatnonzero(np.isnan(seconds)).tolist()
        return seconds, {at: f"time {texts[at]!r} is not understood" for at in bad}

    def _localize(
        self, seconds: NDArray[np.float64], local: NDArray[np.bool_], why: dict[int, str]
    ) -> None:
        """Take local wall-clock seconds to UTC, in place."""
        places = np.flatnonzero(local)
        wall = pd.DatetimeIndex(np.round(seconds[places] * 1e6).astype("int64").view("M8[us]"))
        first = _to_utc(wall, self.zone, fold_first=True)
        second = _to_utc(wall, self.zone, fold_first=False)
        for at in np.flatnonzero(np.isnan(first)).tolist():
            stamp = wall[at]
            why[int(places[at])] = f"time {stamp} does not exist in {self.zone.key}"
            self._say_once(
                "gap",
                f"{stamp.date()}: the clocks went forward in {self.zone.key}; "
                "times in the hour that was left out are skipped.",
            )
        twice = np.flatnonzero(second > first)
        if len(twice):
            self._choose(first, second, twice, wall)
        seconds[places] = first

    def _choose(
        self,
        first: NDArray[np.float64],
        second: NDArray[np.float64],
        twice: NDArray[np.intp],
        wall: pd.DatetimeIndex,
    ) -> None:
        """Of the two moments of a local time that occurs twice, take the one that follows on.

        What follows on lies nearest to one usual interval after the row before. So a repeated
        row and two rows out of order stay in their hour, and the step back of an hour leaves it.
        """
        steps = np.diff(first)
        steps = steps[(steps > 0) & (steps <= 7200)]
        interval_s = self._interval_s or (float(np.median(steps)) if len(steps) else 60.0)
        self._interval_s = interval_s
        for at in twice.tolist():
            before = first[:at][~np.isnan(first[:at])][-1:]
            last_s = float(before[0]) if len(before) else self._last_s
            if last_s is not None:
                expected_s = last_s + interval_s
                if abs(second[at] - expected_s) < abs(first[at] - expected_s):
                    first[at] = second[at]
            day = str(wall[at].date())
            self._say_once(
                f"fold {day}",
                f"{day}: the clocks went back in {self.zone.key}, so an hour of local times occurs "
                "twice; the two are told apart by the order of the rows"
                + (
                    "."
                    if last_s is not None
                    else ", and the recording begins in it: its start is taken for the first."
                ),
            )

    def _say_once(self, key: str, text: str) -> None:
        if key not in self._said:
            self._said.add(key)
            self.say(text)


def _to_utc(wall: pd.DatetimeIndex, zone: ZoneInfo, *, fold_first: bool) -> NDArray[np.float64]:
    stamps = wall.tz_localize(
        zone, ambiguous=np.full(len(wall), fold_first), nonexistent="NaT"
    ).tz_convert(None)
    seconds = np.full(len(wall), np.nan)
    there = stamps.notna()
    seconds[there] = _seconds(stamps[there])
    return seconds


def _seconds(stamps: pd.Series[pd.Timestamp] | pd.DatetimeIndex) -> NDArray[np.float64]:
    micros = np.asarray(stamps, dtype="datetime64[us]").astype("int64")
    return micros / 1e6
