"""The weather that a plan rests on: a forecast's hours, a typical year from EPW or TMY3."""

from __future__ import annotations

import tempfile
from codecs import BOM_UTF8
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from rules.air.arrays import Floats, dew_points_c
from rules.errors import FilmcallError
from rules.job.ahead import Ahead
from rules.job.air import Air
from rules.job.draws import YEAR_HOURS, WeatherYear, drawn
from rules.job.model import Job
from rules.job.tent import KINDS, Tent
from rules.text import printable
from rules.units import DAY_S, HOUR_S
from sensors.forecast import ForecastFault, ForecastHours, read_forecast
from sensors.whole_file import Unreadable, whole_bytes

_MOST_BYTES = 20_000_000  # ten times a typical year
_MOST_SUN_W_M2 = 1500.0
# EPW's sign for no temperature and no humidity, and TMY3's for any: EnergyPlus, Auxiliary Programs;
# NREL/TP-581-43156.
_NO_FIGURE = frozenset((99.9, 999.0, -9900.0))
_TMY3_NAMES = {
    "temp_air": "Dry-bulb (C)",
    "relative_humidity": "RHum (%)",
    "ghi": "GHI (W/m^2)",
}
"""pvlib's names of what is used of a year, and those in a TMY3 file's second line."""
_AFTER_DAYS = 30.0  # a plan may show how late it would be, not only that it is late


class WeatherFault(FilmcallError):
    """Weather that cannot be used for a plan; the text is one sentence for the user."""


def read_hours(path: Path, timezone: str | None) -> ForecastHours:
    """Read a forecast's hours.

    Raises:
        WeatherFault: it cannot be used at all.
    """
    try:
        return read_forecast(path, timezone=timezone)
    except ForecastFault as fault:
        raise WeatherFault(str(fault)) from None


def stretch_s(hours: ForecastHours, from_s: float) -> tuple[float, float]:
    """Return when the hours without a hole around a time begin and end; they may end before [s]."""
    first_s, last_s = float(hours.time_s[0]), float(hours.time_s[-1])
    for begin_s, end_s in hours.gaps_s():
        if end_s <= from_s:
            first_s = end_s
        else:
            last_s = min(last_s, begin_s)
    return first_s, last_s + HOUR_S


def known_air(hours: ForecastHours, from_s: float) -> Air:
    """Return a forecast as full hours in one stretch, from the last hole before a time to the next.

    Args:
        hours: of the forecast.
        from_s: the plan's first moment [s since 1970].

    Raises:
        WeatherFault: it ends before the plan begins.
    """
    first_s, end_s = stretch_s(hours, from_s)
    if end_s <= from_s:
        raise WeatherFault(
            "the forecast's hours end before the plan begins, so no step could rest on them; give "
            "a newer forecast, or --weather-year FILE.epw"
        )
    first_s = np.ceil(first_s / HOUR_S) * HOUR_S
    grid = np.arange(first_s, end_s - HOUR_S + 1.0, HOUR_S)
    temp = np.interp(grid, hours.time_s, hours.temp_c)
    dew = np.where(
        np.isfinite(hours.dew_point_c),
        hours.dew_point_c,
        dew_points_c(hours.temp_c, np.nan_to_num(hours.rh_pct, nan=50.0)),
    )
    dew = np.minimum(np.interp(grid, hours.time_s, dew), temp)
    sun = None if hours.sun_w_m2 is None else np.interp(grid, hours.time_s, hours.sun_w_m2)[None, :]
    return Air(float(first_s), temp[None, :], dew[None, :], float(grid[-1] + HOUR_S), sun)


def air_ahead(
    job: Job,
    hours: ForecastHours | None,
    year: WeatherYear | None,
    from_s: float,
    tents: Mapping[str, Tent] | None = None,
) -> dict[str, Ahead]:
    """Return what is expected of each enclosure's air, from the weather outside.

    Args:
        job: whose enclosures.
        hours: of a forecast, or None.
        year: a typical year, or None.
        from_s: the plan's first moment [s since 1970].
        tents: what is known of each enclosure; None for what the job says.

    Raises:
        WeatherFault: there is neither.
    """
    if hours is None and year is None:
        raise WeatherFault(
            "no hours of weather are given, so no step can be judged; give --forecast FILE.csv, "
            "--weather-year FILE.epw, or both"
        )
    known = None if hours is None else known_air(hours, from_s)
    start_s = np.floor(from_s / HOUR_S) * HOUR_S - DAY_S
    draws = drawn(known, year, float(start_s), job.deadline_s + _AFTER_DAYS * DAY_S)
    found = {}
    for name in {section.enclosure for section in job.sections}:
        tent = (job.tents if tents is None else tents).get(name, KINDS["open"])
        found[name] = Ahead(
            known=None if known is None else known.in_tent(tent),
            draws=None if draws is None else draws.in_tent(tent),
            far=year is not None,
            basis=tent.basis,
        )
    return found


def read_year(path: Path) -> WeatherYear:
    """Read a typical year from an EPW or a TMY3 file with pvlib.

    Args:
        path: of the file; both forms stamp an hour at its end.

    Raises:
        WeatherFault: it is neither, is not whole, or pvlib is not installed.
    """
    try:
        content = whole_bytes(path, _MOST_BYTES).removeprefix(BOM_UTF8)
    except Unreadable as why:
        raise WeatherFault(
            f"{path}: {why}, so there is no weather year; check the file's name"
        ) from None
    # A city's name alone has other letters, in whatever code; no figure does.
    text = content.decode("ascii", "replace").encode("ascii", "replace")
    lines = text.rstrip().splitlines()
    epw = bool(lines) and lines[0].upper().startswith(b"LOCATION,")
    if not epw and not (len(lines) > 1 and lines[1].startswith(b"Date (MM/DD/YYYY)")):
        raise _no_year(path, "it is neither an EPW nor a TMY3 file")
    first_line = 9 if epw else 3
    hours = sum(bool(line.strip()) for line in lines[first_line - 1 :])
    if hours != YEAR_HOURS:
        raise _no_year(path, f"it holds {hours} hours, not the {YEAR_HOURS} of a year")
    try:
        from pandas import to_numeric
        from pvlib.iotools import read_epw, read_tmy3
    except ImportError:
        raise WeatherFault(
            "a weather year is read by pvlib, which is not installed, so it is not used; install "
            "filmcall with its 'plan' extra"
        ) from None
    try:
        with tempfile.NamedTemporaryFile(suffix=path.suffix) as copy:  # pvlib reads files only
            copy.write(text)
            copy.flush()
            if epw:
                table, about = read_epw(copy.name)
                zone_h, label_h = float(about["TZ"]), 0  # pvlib labels these by an hour's beginning
            else:
                table, about = read_tmy3(copy.name, map_variables=True)
                zone_h, label_h = float(about["TZ"]), 1  # and these by its end
        temp_c, rh_pct, sun = (
            to_numeric(table[each], errors="coerce").to_numpy(dtype=float) for each in _TMY3_NAMES
        )
    except KeyError as fault:
        name = _TMY3_NAMES.get(fault.args[0], fault.args[0])
        raise _no_year(path, f"it has no column {printable(str(name), 60)!r}") from None
    except (ValueError, IndexError, TypeError, AttributeError, StopIteration) as fault:
        said = f"{type(fault).__name__}: {printable(str(fault), 160)}"
        raise _no_year(path, f"pvlib cannot read it ({said})") from None
    if temp_c.size != hours:
        raise _no_year(path, f"pvlib reads {temp_c.size} of its {hours} hours")
    _refuse_odd(path, first_line, "temperature", temp_c, (-60.0, 60.0), "°C")
    _refuse_odd(path, first_line, "humidity", rh_pct, (1.0, 110.0), "%")
    first = table.index[0]
    hour = (first.day_of_year - 1) * 24 + first.hour - label_h
    return WeatherYear(path.name, *_universal(temp_c, rh_pct, sun, hour - zone_h))


def _refuse_odd(
    path: Path, first_line: int, what: str, values: Floats, ends: tuple[float, float], unit: str
) -> None:
    """Raise WeatherFault by the first hour whose figure is none, or none of this earth's."""
    odd = ~((values > ends[0]) & (values <= ends[1]))
    if not odd.any():
        return
    at = int(np.argmax(odd))
    has = f"has no {what}"
    if np.isfinite(values[at]) and values[at] not in _NO_FIGURE:
        has = f"has a {what} of {values[at]:g} {unit}, not between {ends[0]:g} and {ends[1]:g}"
    raise _no_year(path, f"its hour {at + 1}, line {at + first_line}, {has}")


def _universal(
    temp_c: Floats, rh_pct: Floats, sun: Floats, first_hour: float
) -> tuple[Floats, Floats, Floats | None]:
    """Temperature, dew point and sun by universal time's hours of the year."""
    cold = temp_c < -40.0
    dew = dew_points_c(np.where(cold, -40.0, temp_c), np.minimum(rh_pct, 100.0))
    shift = round(first_hour) % YEAR_HOURS
    shone = bool(((sun >= 0.0) & (sun < _MOST_SUN_W_M2)).all())  # else the file left it out
    return (
        np.roll(temp_c, shift),
        np.roll(np.minimum(dew, temp_c), shift),
        np.roll(sun, shift) if shone else None,
    )


def _no_year(path: Path, why: str) -> WeatherFault:
    return WeatherFault(
        f"{path}: {why}, so it is not used as a weather year; give an EPW or TMY3 file"
    )
