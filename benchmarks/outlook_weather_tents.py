"""Many invented enclosures under typical-year weather, side by side, with forecasts as issued.

The population that the outlook's regression begins from (`outlook_prior`): tents, sheds, rooms and
open lean-tos, heated or not, by figures drawn over wide ranges. Nodes: cover, air, a film and the
planking under it, floor; vapour, water on the cover, timber that takes up damp. The years are the
TMY3 and TMY2 files that come with pvlib (BSD-3-Clause; made by the United States' National
Renewable Energy Laboratory, public domain). Every other figure is generic, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pvlib
from scipy.signal import lfilter

from rules.outlook.members import outdoors_at
from rules.outlook.regression import Outdoors
from rules.outlook.weather import Outside

Floats = np.ndarray[Any, np.dtype[np.float64]]
YEARS = ("723170TYA.CSV", "703165TY.csv", "12839.tm2")
DAYS, AHEAD_DAYS, STEP_MIN = 10, 2, 15
AIR_J_M3K, VAPOUR_J_KGK, ZERO_C = 1206.0, 461.5, 273.15
ISSUE_H, REACH_H = 6, 48


def _year_of(name: str) -> Floats:
    """Hours by temperature [°C], dew point [°C], sun on the flat [W/m²], clouds 0 to 1, wind."""
    path = Path(pvlib.__file__).parent / "data" / name
    if name.endswith(".tm2"):
        table, _ = pvlib.iotools.read_tmy2(str(path))
        names, scale = ("DryBulb", "DewPoint", "GHI", "TotCld", "Wspd"), (0.1, 0.1, 1.0, 0.1, 0.1)
    else:
        table, _ = pvlib.iotools.read_tmy3(str(path), map_variables=True)
        names = ("temp_air", "temp_dew", "ghi", "TotCld (tenths)", "wind_speed")
        scale = (1.0, 1.0, 1.0, 0.1, 1.0)
    return np.asarray(table[list(names)].to_numpy(float) * np.array(scale))


def _vapour_pa(dew_c: Floats) -> Floats:
    """Over water: the Magnus form of WMO-No. 8, annex 4.B."""
    return np.asarray(611.2 * np.exp(17.62 * dew_c / (243.12 + dew_c)))


def _dew_c(vapour_pa: Floats) -> Floats:
    x = np.log(np.maximum(vapour_pa, 1.0) / 611.2)
    return np.asarray(243.12 * x / (17.62 - x))


def _walk(chance: np.random.Generator, shape: tuple[int, ...], memory: float) -> Floats:
    """Courses of standard deviation 1 along the last axis that forget themselves in `memory`."""
    kept = np.exp(-1.0 / memory)
    begun = kept * chance.normal(size=(*shape[:-1], 1))
    noise = chance.normal(size=shape) * np.sqrt(1.0 - kept**2)
    return np.asarray(lfilter([1.0], [1.0, -kept], noise, axis=-1, zi=begun)[0])


def populated(count: int, seed: int = 1) -> list[tuple[Floats, Outdoors]]:
    """Return enclosures: steps of 15 min by air, dew point and hull [°C], and the weather outside.

    Args:
        count: how many.
        seed: of everything.
    """
    chance = np.random.default_rng([31, seed])
    years = [_year_of(name) for name in YEARS]
    hours = 24 * (DAYS + AHEAD_DAYS)
    begins = 24 * chance.integers(0, 365 - DAYS - AHEAD_DAYS, count)
    rows = np.stack([years[n % 3][first : first + hours] for n, first in enumerate(begins)])
    inside = _inside(rows, chance)
    found = []
    for row, values in zip(rows, inside, strict=True):
        end = 60 * 24 * DAYS - 1
        steps = values[end % STEP_MIN :: STEP_MIN]
        times_s = 60.0 * np.arange(end % STEP_MIN, end + 1, STEP_MIN)
        issues = _issued(row, chance)
        known = [each for each in issues if each.made_s is not None and each.made_s <= times_s[-1]]
        found.append((steps, outdoors_at(_file_of(known), times_s, known)))
    return found


def _issued(row: Floats, chance: np.random.Generator) -> list[Outside]:
    """Forecasts every six hours, their errors apart and growing, partly the same in each issue."""
    count = len(row)
    size, place = chance.uniform(0.6, 1.4), chance.normal(0.0, 0.6, 2)
    common = _walk(chance, (3, count), 15.0)
    found = []
    for begin in range(0, count - 3, ISSUE_H):
        span = slice(begin, min(begin + REACH_H, count))
        length = span.stop - begin
        walk = 0.6 * common[:, span] + 0.8 * _walk(chance, (3, length), 15.0)
        grows = size * np.sqrt(0.4 + 0.1 * np.arange(length))
        temp = row[span, 0] + place[0] + grows * walk[0]
        dew = np.minimum(row[span, 1] + place[1] + 1.2 * grows * walk[1], temp)
        sun = row[span, 2] * np.exp(np.minimum(0.25 * grows * walk[2], 0.5))
        times_s = 3600.0 * np.arange(begin, span.stop)
        found.append(Outside(times_s, temp, dew, sun, 3600.0 * begin))
    return found


def _file_of(issues: list[Outside]) -> Outside:
    """What a forecast file holds: its past hours are the first hours of earlier issues."""
    ends = [ISSUE_H] * (len(issues) - 1) + [None]
    parts = [
        np.column_stack([each.time_s, each.temp_c, each.dew_point_c, each.sun_w_m2])[:end]
        for each, end in zip(issues, ends, strict=True)
    ]
    time_s, temp, dew, sun = np.concatenate(parts).T
    return Outside(time_s, temp, dew, sun, issues[-1].made_s)


def _figures(rows: Floats, chance: np.random.Generator) -> dict[str, Floats]:
    """Figures of each enclosure."""
    count = len(rows)

    def drawn(low: float, high: float) -> Floats:
        return np.asarray(np.exp(chance.uniform(np.log(low), np.log(high), count)))

    volume = drawn(30.0, 200.0)
    mean = rows[:, :, 0].mean(axis=1)
    heat = chance.random(count)
    return {
        "volume": volume,
        "skin": 5.5 * volume ** (2 / 3),
        "floor": volume / 2.6,
        "hull_m2": drawn(0.1, 0.4) * volume,
        "air": drawn(2.0, 8.0) * AIR_J_M3K * volume,
        "cover": drawn(3e3, 2e5),
        "within": drawn(0.6, 5.0),
        "without": drawn(3.0, 14.0),
        "sky": chance.uniform(0.0, 3.0, count),
        "takes": chance.uniform(0.02, 0.25, count),
        "lets": drawn(0.005, 0.6),
        "leak": drawn(0.15, 12.0),
        "windy": drawn(0.02, 1.0),
        "wet": drawn(0.01, 1.0),
        "timber": drawn(0.05, 1.0),
        "plank": drawn(4e3, 8e4),
        "deep_c": mean + chance.uniform(-2.0, 3.0, count),
        # A third goes unheated, a third by somebody's switch, the rest by a thermostat.
        "switched": (heat > 0.45) & (heat < 0.65),
        "thermostat": heat >= 0.65,
        "watts": drawn(1.5e3, 8e3),
        "wanted": np.where(heat >= 0.65, mean + chance.uniform(3.0, 14.0, count), 35.0),
        "set_back": chance.choice([0.0, 0.0, 3.0, 6.0], count),
    }


def _people(figures: dict[str, Floats], chance: np.random.Generator) -> tuple[Floats, ...]:
    """Door [changes an hour], vapour [kg/s] and whether a heater may run: by enclosure, minute."""
    count, minutes = len(figures["volume"]), 1440 * DAYS
    door, vapour, may = np.zeros((3, count, minutes))
    may[figures["thermostat"]] = 1.0
    for n in range(count):
        usual, stays, diligence = chance.uniform(7, 17), chance.uniform(2, 9), chance.uniform(0, 1)
        for day in range(DAYS):
            if chance.random() > diligence:
                continue
            begin = int(60 * (24 * day + usual + chance.normal(0.0, 0.8)))
            end = begin + int(60 * stays * chance.uniform(0.6, 1.3))
            vapour[n, begin:end] += 1.6e-5 * chance.integers(1, 4)
            if figures["switched"][n]:
                may[n, begin : end + int(chance.choice([0.0, 0.0, chance.uniform(0, 500)]))] = 1.0
            for _ in range(chance.poisson(3.0)):
                at = int(chance.uniform(begin, end))
                door[n, at : at + int(chance.uniform(3.0, 40.0))] += chance.uniform(2.0, 15.0)
            if chance.random() < 0.1:
                vapour[n, end : end + 180] += 1.0 / 3600.0
    return door, vapour, may


def _inside(rows: Floats, chance: np.random.Generator) -> Floats:
    """What the probes say: enclosures by minutes by air, dew point and hull [°C]."""
    f = _figures(rows, chance)
    door, breath, may = _people(f, chance)
    count, minutes = door.shape
    at = np.minimum(np.arange(minutes) / 60.0, rows.shape[1] - 1.001)
    low, part = at.astype(int), (at % 1.0)[None, :, None]
    weather = rows[:, low] * (1.0 - part) + rows[:, low + 1] * part
    weather[:, :, 0] += 0.3 * _walk(chance, (count, minutes), 20.0)
    weather[:, :, 2] *= np.exp(0.3 * _walk(chance, (count, minutes), 25.0))
    outside, dew, sun, cloud, wind = weather.transpose(2, 1, 0)
    out_pa = _vapour_pa(np.minimum(dew, outside))
    flow = f["volume"] / 3600.0 * (f["leak"] + f["windy"] * wind + door.T)
    loses = f["without"] + 1.2 * wind
    warms = outside - (3.0 + 15.0 * (1.0 - cloud)) * f["sky"] / (loses + f["sky"])
    cold = f["wanted"] - np.where((at[:, None] % 24.0 < 6.0), f["set_back"], 0.0)

    air = cover = film = plank = outside[0].copy()
    floor, vapour = f["deep_c"].copy(), out_pa[0].copy()
    timber, water = np.clip(vapour / _vapour_pa(film), 0.2, 0.9), np.zeros(count)
    said = np.empty((3, minutes, count))
    for i in range(minutes):
        heater = np.clip(2e3 * (cold[i] - air), 0.0, f["watts"]) * may.T[i]
        shone = f["lets"] * sun[i] * f["floor"]
        soaked = _vapour_pa(cover)
        wets = np.where((vapour > soaked) | (water > 0), 0.0025 * f["skin"] * (vapour - soaked), 0)
        dries = f["hull_m2"] * 0.001 * (timber * _vapour_pa(film) - vapour)
        damp = 0.001 * f["wet"] * f["floor"] * (_vapour_pa(floor) - vapour)
        per_kg = VAPOUR_J_KGK * (air + ZERO_C)
        vapour = vapour + 60.0 / f["volume"] * (
            flow[i] * (out_pa[i] - vapour) - wets + dries + damp + breath.T[i] * per_kg
        )
        water = np.clip(water + 60.0 * wets / per_kg / f["skin"], 0.0, 0.1)
        timber = np.clip(timber - 60.0 * dries / per_kg / f["hull_m2"] / f["timber"], 0.05, 1.0)
        by_cover = f["within"] * f["skin"] * (cover - air)
        by_floor, by_film = 3.5 * f["floor"] * (floor - air), 5.0 * f["hull_m2"] * (film - air)
        sinks = 12.0 * (film - plank)
        by_air = AIR_J_M3K * flow[i] * (outside[i] - air)
        gains = (by_cover + by_floor + by_film + by_air + heater + 0.2 * shone) / f["air"]
        shines = f["takes"] * sun[i] + f["within"] * (air - cover)
        shines += 2.0 * (film - cover) * f["hull_m2"] / f["skin"]
        cover = cover + 60.0 / f["cover"] * ((loses[i] + f["sky"]) * (warms[i] - cover) + shines)
        film = film + 60.0 / 3.5e3 * (
            -by_film / f["hull_m2"] + 2.0 * (cover - film) - sinks + 0.25 * f["lets"] * sun[i]
        )
        plank = plank + 60.0 / f["plank"] * (sinks + 1.5 * (air - plank))
        floor = floor + 60.0 / 1.4e5 * (
            -by_floor / f["floor"] + 1.5 * (f["deep_c"] - floor) + 0.5 * shone / f["floor"]
        )
        air = air + 60.0 * gains
        vapour = np.clip(vapour, 30.0, _vapour_pa(air))
        said[:, i] = air, vapour, film
    shape = (2, count, minutes)
    noise = 0.06 * _walk(chance, shape, 3.0) + 0.2 * chance.normal(size=(2, count, 1))
    damp = 100.0 * (said[1] / _vapour_pa(said[0])).T
    damp += 0.5 * _walk(chance, shape[1:], 4.0) + 1.2 * chance.normal(size=(count, 1))
    air, hull = said[0].T + noise[0], said[2].T + noise[1]
    damp = np.clip(damp, 3.0, 100.0) / 100.0
    return np.stack([air, _dew_c(_vapour_pa(air) * damp), hull], axis=2)
