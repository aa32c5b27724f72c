"""Enclosures under typical-year weather, one by seed, and the forecasts that they might have had.

The tent is that of `sensors.simulate.tent`; outside it are hours of a typical year, wind, clouds
and people by chance, in half of them a thermostat or a heater with hours. The years are the TMY3
and TMY2 files that come with pvlib (BSD-3-Clause; made by the United States' National Renewable
Energy Laboratory, public domain). Every other figure is generic, no source.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pvlib

from rules.air.arrays import dew_points_c
from rules.outlook.track import CELL_S, Track
from rules.outlook.weather import Outside
from sensors.reading import Quantity
from sensors.simulate import balance
from sensors.simulate.balance import Build, Forcing
from sensors.simulate.tent import Action, Tent, TentSettings

YEARS = ("723170TYA.CSV", "703165TY.csv", "12839.tm2")
MIDNIGHT_S = 1_791_849_600.0
HOUR_S = 3600.0


@cache
def year_of(name: str) -> np.ndarray:
    """Hours by temperature [°C], dew point [°C], sun on the flat [W/m²], clouds 0 to 1, wind."""
    path = Path(pvlib.__file__).parent / "data" / name
    if name.endswith(".tm2"):
        table, _ = pvlib.iotools.read_tmy2(str(path))
        names, scale = ("DryBulb", "DewPoint", "GHI", "TotCld", "Wspd"), (0.1, 0.1, 1.0, 0.1, 0.1)
    else:
        table, _ = pvlib.iotools.read_tmy3(str(path), map_variables=True)
        names = ("temp_air", "temp_dew", "ghi", "TotCld (tenths)", "wind_speed")
        scale = (1.0, 1.0, 1.0, 0.1, 1.0)
    return table[list(names)].to_numpy(float) * np.array(scale)


@dataclass(frozen=True)
class WeatherTent:
    """One enclosure's days.

    Attributes:
        track: what its probes said.
        hour_s, outside: times and rows as of `year_of`, a day longer than the track [s].
    """

    track: Track
    hour_s: np.ndarray
    outside: np.ndarray

    def forecast(self, now_s: float, seed: int, issue_s: float = 21_600.0) -> Outside:
        """The hours up to now as they were, from then on as the last issue had them.

        Errors of temperature, dew point and sun walk apart and are drawn back, as is usual: about
        1 K soon after the issue, 2 K a day ahead, and a bias that lasts for days. No source.
        """
        made_s = math.floor(now_s / issue_s) * issue_s
        times, rows = self.hour_s, self.outside.copy()
        ahead = np.maximum(0.0, times - made_s) / HOUR_S
        chance = np.random.default_rng([seed, 77])
        bias = chance.normal(0.0, (0.5, 0.5))
        chance = np.random.default_rng([seed, int(made_s)])
        for column in (0, 1):
            walk = _walk(chance, times.size, 18.0) * (0.7 + 1.1 * np.minimum(ahead / 24.0, 1.5))
            rows[:, column] += np.where(times > now_s, walk + bias[column], 0.0)
        cloud = np.exp(0.35 * _walk(chance, times.size, 6.0))
        sun = np.where(times > now_s, rows[:, 2] * np.minimum(cloud, 1.5), rows[:, 2])
        return Outside(times, rows[:, 0], np.minimum(rows[:, 1], rows[:, 0]), sun, made_s)


def _walk(chance: np.random.Generator, count: int, hours: float) -> np.ndarray:
    kept = math.exp(-1.0 / hours)
    noise, course = chance.normal(size=count), np.empty(count)
    course[0] = noise[0]
    for k in range(1, count):
        course[k] = kept * course[k - 1] + math.sqrt(1.0 - kept * kept) * noise[k]
    return course


class _Outdoors(Tent):
    """A tent whose weather is a table's and whose heater may hold a temperature."""

    rows: np.ndarray | None = None
    begin_s = sun_m2 = leak = by_wind = 0.0
    hold_c: tuple[float, float] | None = None

    def _forcing(self) -> Forcing:
        plain = super()._forcing()
        if self.rows is None:
            return plain
        hour = (self.time_s - self.begin_s) / HOUR_S
        at = min(max(int(hour), 0), len(self.rows) - 2)
        part = min(max(hour - at, 0.0), 1.0)
        temp, dew, sun, cloud, wind = self.rows[at] + part * (self.rows[at + 1] - self.rows[at])
        door = self.settings.door_air_changes_per_h if self._door_open else 0.0
        heater = self._heater_w
        if self.hold_c is not None:
            wanted = self.hold_c[0 if 6.0 <= hour % 24.0 < 22.0 else 1]
            heater = min(max(3000.0 * (wanted - self.state[balance.AIR]), 0.0), 9000.0)
        return replace(
            plain,
            outside_temp_c=temp + self._wander_k,
            outside_vapour_pa=balance.saturation_pa(min(dew, temp)),
            sky_temp_c=temp - 4.0 - 14.0 * (1.0 - cloud),
            sun_w=sun * self.sun_m2,
            air_changes_per_s=(self.leak + self.by_wind * wind + door) / HOUR_S,
            heater_w=heater,
        )


def weather_tent(seed: int, days: int = 9, year: str | None = None) -> WeatherTent:
    """Run one enclosure for some days from midnight, local time.

    Args:
        seed: of everything.
        days: how many.
        year: name of its weather, or None for one by chance.
    """
    chance = random.Random(f"{seed}:weather-tent")
    name = year or chance.choice(YEARS)
    table = year_of(name)
    first = 24 * chance.randrange(1, 364 - days - 2)
    rows = table[first - 24 : first + 24 * (days + 1)]
    size = math.exp(chance.uniform(math.log(0.4), math.log(2.5)))
    build = replace(
        Build(),
        volume_m3=90.0 * size,
        floor_damp=chance.choice((0.0, 0.01, 0.03, 0.1)),
        ground_temp_c=float(rows[:, 0].mean()) + chance.uniform(-2.0, 3.0),
        plank_j_m2k=17_000.0 * math.exp(chance.uniform(-1.2, 1.2)),
        skin_outside_w_m2k=math.exp(chance.uniform(math.log(1.0), math.log(12.0))),
    )
    settings = TentSettings(
        build=build, interval_s=300.0, weather_wander_k=0.4, sunrise_h=0.0, sunset_h=24.0
    )
    kind = chance.random()
    actions = _people(chance, days, heats=0.35 <= kind < 0.65)
    tent = _Outdoors(settings, seed, MIDNIGHT_S - 86_400.0, actions)
    tent.rows, tent.begin_s = rows, MIDNIGHT_S - 86_400.0
    tent.sun_m2 = chance.choice((0.0, 1.0, 3.0, 6.0)) * chance.uniform(0.5, 1.5)
    tent.leak = math.exp(chance.uniform(math.log(0.2), math.log(3.0)))
    tent.by_wind = chance.choice((0.0, 0.1, 0.4, 2.0))
    if kind >= 0.65:
        warm = float(rows[:, 0].mean()) + chance.uniform(3.0, 12.0)
        tent.hold_c = (warm, warm - chance.choice((0.0, 0.0, 3.0, 6.0)))
    balance_start = balance.initial_state(build, float(rows[:24, 0].mean()), 70.0)
    tent.state = balance_start
    said: list[tuple[float, float, float]] = []
    for _, readings in tent.run(86_400.0 * (days + 1), CELL_S):
        got = {(r.point, r.quantity): r.value for r in readings}
        said.append(
            (
                got["air-bow", Quantity.AIR_TEMP],
                got["air-bow", Quantity.HUMIDITY],
                got["plank-port", Quantity.SURFACE_TEMP],
            )
        )
    air, humidity, surface = np.array(said)[289:].T
    dew = dew_points_c(air, np.clip(humidity, 2.0, 100.0))
    hour_s = MIDNIGHT_S + HOUR_S * np.arange(-24.0, rows.shape[0] - 24.0)
    return WeatherTent(Track(MIDNIGHT_S + CELL_S * air.size, air, dew, surface), hour_s, rows)


def _people(chance: random.Random, days: int, *, heats: bool) -> list[Action]:
    actions: list[Action] = []
    weekend = chance.randrange(7) if chance.random() < 0.5 else -9
    for day in range(-1, days):
        if (day - weekend) % 7 < 2 and weekend >= 0:
            continue

        def at(hour: float, day: int = day) -> float:
            return MIDNIGHT_S + 86_400.0 * day + HOUR_S * hour

        if heats and chance.random() < 0.9:
            on = chance.gauss(8.5, 0.8)
            off = min(23.5, max(on + 2.0, chance.gauss(18.0, 1.5)))
            actions += [Action(at(on), "heater-on", chance.uniform(2000.0, 6000.0))]
            actions += [Action(at(off), "heater-off")]
        for _ in range(chance.choice((0, 0, 1, 2))):
            hour = chance.uniform(8.0, 18.0)
            actions += [Action(at(hour), "door-open")]
            actions += [Action(at(hour + chance.uniform(0.1, 1.2)), "door-closed")]
        if chance.random() < 0.2:
            hour, litres = chance.uniform(9.0, 19.0), chance.uniform(0.5, 2.0)
            actions += [Action(at(hour), "floor-wetted", litres)]
        if chance.random() < 0.25:
            hour = chance.uniform(9.0, 16.0)
            actions += [Action(at(hour), "coat-started"), Action(at(hour + 1.0), "coat-ended")]
    return actions
