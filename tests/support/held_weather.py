"""Weather a minute for the held-out enclosures: typical years and recordings, by seed.

Typical years are hourly and smooth inside the hour; a short-lived ripple is laid over them, since
no probe reads a smooth course. Sizes of the ripple are common sense, no source.
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.signal import lfilter

DATA = Path(__file__).parents[1] / "data" / "outlook"
OFFICE = Path(__file__).parents[2] / "examples" / "recordings" / "office-occupancy-2015-02.csv"
QUANTITIES = ("temp", "dew", "sun", "wind", "cloud")
STATIONS = ("723170TYA.CSV", "703165TY.csv", "12839.tm2")
STEFAN_BOLTZMANN = 5.670374e-8  # [W/m²K⁴], CODATA 2018
ZERO_C = 273.15
Floats = np.ndarray[Any, np.dtype[np.float64]]


def vapour_pa(dew_c: Floats) -> Floats:
    """Return vapour pressure over water by the Magnus formula of WMO-No. 8, annex 4.B [Pa]."""
    return np.asarray(611.2 * np.exp(17.62 * dew_c / (243.12 + dew_c)))


def dew_c_of(pressure_pa: Floats) -> Floats:
    """Return the dew point over water, the same formula turned round [°C]."""
    x = np.log(np.maximum(pressure_pa, 1.0) / 611.2)
    return np.asarray(243.12 * x / (17.62 - x))


@dataclass(frozen=True, eq=False)
class Weather:
    """A row a minute, local standard time taken for UTC.

    Attributes:
        time_s: since 1970 [s].
        temp_c, dew_c: of the air [°C].
        sun_w_m2: on the flat [W/m²].
        wind_m_s: [m/s].
        sky_c: temperature at which the sky radiates [°C].
    """

    time_s: Floats
    temp_c: Floats
    dew_c: Floats
    sun_w_m2: Floats
    wind_m_s: Floats
    sky_c: Floats

    def hourly(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Return times, temperature, dew point and sun at full hours, sun as the hour's mean."""
        count = len(self.time_s) // 60
        sun = self.sun_w_m2[: 60 * count].reshape(count, 60).mean(axis=1)
        at = slice(0, 60 * count, 60)
        return self.time_s[at], self.temp_c[at], self.dew_c[at], sun


def ripple(chance: np.random.Generator, count: int, size: float, minutes: float) -> Floats:
    """Return a wandering of a standard deviation that forgets itself in so many minutes."""
    keep = float(np.exp(-1.0 / minutes))
    steps = chance.normal(0.0, size * np.sqrt(1.0 - keep**2), count)
    start = np.array([keep * chance.normal(0.0, size)])
    return np.asarray(lfilter([1.0], [1.0, -keep], steps, zi=start)[0])


def sky_temp_c(temp_c: Floats, dew_c: Floats, cloud: Floats) -> Floats:
    """Return the sky's temperature by Brunt (1932) under cloud, 0 to 1 [°C].

    Emittance 0.52 + 0.065 √(e/hPa), D. Brunt, Q. J. R. Meteorol. Soc. 58, 389–420; cloud closes the
    rest of the sky to 0.9 of its share (common practice, no source).
    """
    clear = np.minimum(0.52 + 0.065 * np.sqrt(vapour_pa(dew_c) / 100.0), 0.95)
    emittance = clear + (1.0 - clear) * 0.9 * cloud
    return np.asarray(emittance**0.25 * (temp_c + ZERO_C) - ZERO_C)


@cache
def _year(station: str) -> dict[str, Floats]:
    import pvlib

    path = Path(pvlib.__file__).parent / "data" / station
    if path.suffix == ".tm2":
        frame, _ = pvlib.iotools.read_tmy2(path)
        names = ("DryBulb", "DewPoint", "GHI", "Wspd", "OpqCld")
        scale = (0.1, 0.1, 1.0, 0.1, 0.1)
    else:
        frame, _ = pvlib.iotools.read_tmy3(path, map_variables=False)
        names = ("Dry-bulb (C)", "Dew-point (C)", "GHI (W/m^2)", "Wspd (m/s)", "OpqCld (tenths)")
        scale = (1.0, 1.0, 1.0, 1.0, 0.1)
    return {
        name: each * frame[column].to_numpy(dtype=float)
        for name, column, each in zip(QUANTITIES, names, scale, strict=True)
    }


def typical(station: str, first_day: int, days: int, seed: int) -> Weather:
    """Return days of a typical year with a ripple laid over them."""
    year, chance = _year(station), np.random.default_rng([18, seed])
    picked = {
        name: np.take(values, np.arange(24 * first_day, 24 * (first_day + days) + 2), mode="wrap")
        for name, values in year.items()
    }
    return _from_hours(picked, first_day, 24 * days * 60, chance)


def _from_hours(
    hour: dict[str, Floats], first_day: int, count: int, chance: np.random.Generator
) -> Weather:
    at = np.arange(len(hour["temp"])) * 60.0
    minute = np.arange(count, dtype=float)
    # An hour's sunshine is its mean: it stands in the hour's middle.
    sun = np.maximum(np.interp(minute, at + 30.0, hour["sun"]), 0.0)
    cloud = np.clip(np.interp(minute, at, hour["cloud"]), 0.0, 1.0)
    broken = 4.0 * cloud * (1.0 - cloud)
    sun = sun * np.clip(1.0 + broken * ripple(chance, count, 0.35, 8.0), 0.15, 1.4)
    temp = PchipInterpolator(at, hour["temp"])(minute) + ripple(chance, count, 0.25, 25.0)
    dew = np.interp(minute, at, hour["dew"]) + ripple(chance, count, 0.2, 40.0)
    wind = np.interp(minute, at, hour["wind"]) * np.exp(ripple(chance, count, 0.3, 5.0))
    dew = np.minimum(dew, temp - 0.05)
    begin = datetime(2025, 1, 1, tzinfo=UTC).timestamp() + 24.0 * 3600.0 * first_day
    return Weather(begin + 60.0 * minute, temp, dew, sun, wind, sky_temp_c(temp, dew, cloud))


def _rows(name: str) -> tuple[Floats, list[dict[str, str]]]:
    with (DATA / name).open(newline="") as file:
        rows = list(csv.DictReader(file))
    times = [datetime.fromisoformat(each["time"]).replace(tzinfo=UTC).timestamp() for each in rows]
    return np.array(times), rows


def column(rows: list[dict[str, str]], name: str) -> Floats:
    """Return a column of numbers, NaN where a cell is empty."""
    return np.array([float(each[name] or "nan") for each in rows])


def clear_sun_w_m2(time_s: Floats, latitude_deg: float) -> Floats:
    """Return sunshine on the flat under a clear sky, by solar time [W/m²].

    B. Haurwitz, J. Meteorol. 3 (1946) 123–124: 1098 cos z exp(−0.057 / cos z); pvlib has 0.059.
    """
    day = time_s / (24.0 * 3600.0) % 365.25
    tilt = np.radians(-23.44 * np.cos(2.0 * np.pi * (day + 10.0) / 365.25))
    angle = 2.0 * np.pi * (time_s / 3600.0 % 24.0 - 12.0) / 24.0
    high = np.sin(np.radians(latitude_deg))
    wide = np.cos(np.radians(latitude_deg))
    cosine = high * np.sin(tilt) + wide * np.cos(tilt) * np.cos(angle)
    lit = np.maximum(cosine, 1e-3)
    return np.asarray(np.where(cosine > 0.0, 1098.0 * lit * np.exp(-0.057 / lit), 0.0))


def airfield(first_day: int, days: int, seed: int) -> Weather:
    """Return days of the hourly record; its sunshine is invented, since it holds none."""
    times, rows = _rows("airfield-2013-09.csv")
    chance = np.random.default_rng([19, seed])
    pick = slice(24 * first_day, 24 * (first_day + days) + 2)
    times = times[pick]
    clouds = np.clip(0.5 + ripple(chance, len(times), 0.35, 14.0), 0.0, 1.0)
    hour = {
        "temp": column(rows, "air_temp_c")[pick],
        "dew": column(rows, "dew_point_c")[pick],
        "wind": column(rows, "wind_m_s")[pick],
        "cloud": clouds,
        "sun": clear_sun_w_m2(times + 1800.0, 40.8) * (1.0 - 0.75 * clouds),
    }
    made = _from_hours(hour, 0, 60 * (min(24 * days, len(times) - 1)), chance)
    return Weather(
        times[0] + made.time_s - made.time_s[0], made.temp_c, made.dew_c, made.sun_w_m2,
        made.wind_m_s, made.sky_c,
    )  # fmt: skip


def prairie() -> Weather:
    """Return the week on grassland; its sunshine is invented, since it holds none."""
    times, rows = _rows("prairie-2019-01.csv")
    minute = np.arange(times[0], times[-1], 60.0)
    temp, rh = column(rows, "air_temp_c"), column(rows, "rh_pct")
    dew = dew_c_of(vapour_pa(temp) * rh / 100.0)
    temp, dew, wind = (
        np.interp(minute, times, each) for each in (temp, dew, column(rows, "wind_m_s"))
    )
    # Where the air is near its dew point the sky is taken for closed.
    cloud = np.clip(1.0 - (temp - dew) / 8.0, 0.0, 1.0)
    sun = clear_sun_w_m2(minute, 36.6) * (1.0 - 0.75 * cloud)
    return Weather(minute, temp, dew, sun, wind, sky_temp_c(temp, dew, cloud))


@cache
def office_columns() -> tuple[Floats, Floats, Floats]:
    """Return times [s], air temperature [°C] and humidity [%] of the real room."""
    times, airs, humidities = [], [], []
    with OFFICE.open(newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for row in rows:
            times.append(datetime.fromisoformat(row[1]).replace(tzinfo=UTC).timestamp())
            airs.append(float(row[2]))
            humidities.append(float(row[3]))
    return np.array(times), np.array(airs), np.array(humidities)


def office() -> Weather:
    """Return the air of the real room, as what stands round an enclosure in it."""
    times, air, rh = office_columns()
    minute = np.arange(times[0], times[-1], 60.0)
    dew = dew_c_of(vapour_pa(air) * rh / 100.0)
    temp, dew = np.interp(minute, times, air), np.interp(minute, times, dew)
    still = np.zeros_like(minute)
    return Weather(minute, temp, dew, still, still + 0.2, temp)


def grass_columns(path: Path) -> tuple[Floats, Floats, Floats, Floats]:
    """Return times [s], air [°C], humidity [%] and grass [°C] of a month in the station format.

    Logical record 0100 holds two lines a minute, the second ending in temperature, humidity and
    pressure and its sixth figure from the end being the infrared from the sky; 0300 one line with
    the infrared from the ground as sixth figure. Grass by Stefan and Boltzmann, emittance 0.98.
    """
    with gzip.open(path, "rt", encoding="ascii", errors="replace") as file:
        lines = file.read().splitlines()
    start, ground = lines.index("*U0100") + 1, lines.index("*U0300") + 1
    first = datetime(2016, 6, 1, tzinfo=UTC).timestamp()
    minutes = (ground - 1 - start) // 2
    air, rh, down = (np.full(minutes, np.nan) for _ in range(3))
    for i in range(minutes):
        parts = lines[start + 2 * i + 1].split()
        air[i], rh[i], down[i] = float(parts[8]), float(parts[9]), float(parts[4])
    up = np.full(minutes, np.nan)
    for line in lines[ground:]:
        if line.startswith("*"):
            break
        parts = line.split()
        at = (int(parts[0]) - 1) * 1440 + int(parts[1])
        if at < minutes:
            up[at] = float(parts[6])
    for values, missing in ((air, -99.0), (rh, -99.0), (down, -900.0), (up, -900.0)):
        values[values < missing] = np.nan
    surface = ((up - 0.02 * down) / (0.98 * STEFAN_BOLTZMANN)) ** 0.25 - ZERO_C
    # Minutes stand in universal time; the place lies 6.9° east, its noon at 11:32.
    return first + 60.0 * np.arange(minutes) + 1680.0, air, np.minimum(rh, 100.0), surface
