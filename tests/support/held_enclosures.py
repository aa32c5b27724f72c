"""Held-out enclosures for judging the outlook: tents, sheds, heated rooms, of their own physics.

Nothing here is shared with `sensors.simulate` or `tent_weeks`, so that an outlook that was settled
on those meets something new. Four heat nodes (cover, air, hull, ground), vapour with water on the
cover, damp ground and timber that takes up and gives off; people, doors, thermostats. Every figure
is generic, no source. All enclosures are walked side by side in steps of a minute.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from held_weather import (
    STATIONS,
    ZERO_C,
    Weather,
    airfield,
    dew_c_of,
    office,
    prairie,
    ripple,
    typical,
    vapour_pa,
)

from rules.outlook.track import CELL_S, Track, cell_means

Floats = np.ndarray[Any, np.dtype[np.float64]]
DAYS, FORECAST_DAYS = 10, 2
STEP_S = 60.0
AIR_J_M3K = 1206.0  # 1.2 kg/m³ times 1005 J/kgK
VAPOUR_J_KGK = 461.5

# Ranges by kind: cover J/m²K; W/m²K to its inside; share of the sky; sunshine that the cover takes
# up and lets through; air changes an hour, and more a m/s of wind; wet share of the ground; hull
# J/m²K; heater W and the °C that it is set to.
_FIGURES = (
    "cover", "inside", "sky", "takes", "lets", "change", "windy", "wet", "hull", "watts", "wanted",
)  # fmt: skip
_KINDS = {
    "tent": (
        (4e3, 7e3), (3.5, 5.0), (0.35, 0.6), (0.1, 0.25), (0.2, 0.55), (0.8, 4.0),
        (0.2, 0.8), (0.25, 0.95), (8e3, 4e4), (0.0, 0.0), (0.0, 0.0),
    ),
    "heated tent": (
        (4e3, 8e3), (2.5, 4.5), (0.3, 0.5), (0.1, 0.25), (0.15, 0.45), (0.8, 2.5),
        (0.1, 0.5), (0.1, 0.7), (8e3, 4e4), (1.5e3, 4.5e3), (30.0, 30.0),
    ),
    "timber shed": (
        (1e4, 2.5e4), (1.2, 2.5), (0.2, 0.4), (0.4, 0.7), (0.01, 0.08), (0.5, 2.0),
        (0.1, 0.4), (0.1, 0.6), (1.5e4, 6e4), (0.0, 0.0), (0.0, 0.0),
    ),
    "block shed": (
        (8e4, 2e5), (1.5, 2.5), (0.1, 0.3), (0.3, 0.6), (0.01, 0.06), (0.3, 1.2),
        (0.05, 0.2), (0.05, 0.4), (1.5e4, 6e4), (0.0, 0.0), (0.0, 0.0),
    ),
    "heated room": (
        (3e4, 1.2e5), (0.7, 1.5), (0.05, 0.2), (0.3, 0.6), (0.03, 0.15), (0.3, 1.0),
        (0.03, 0.1), (0.02, 0.2), (1.5e4, 6e4), (3e3, 8e3), (14.0, 20.0),
    ),
    "inner room": (
        (6e3, 1.5e4), (1.0, 3.0), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.2, 1.5),
        (0.0, 0.0), (0.0, 0.05), (1e4, 4e4), (0.0, 0.0), (0.0, 0.0),
    ),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Enclosure:
    """One held-out log and the weather round it.

    Attributes:
        name: kind, where, number.
        kind: tent and so on.
        track: what the probes said, by cells of the outlook.
        heat: heater that a person switched, by cell, 0 to 1; a thermostat's is not known.
        weather: true, reaching past the track's end where there is more of it.
        seed: of its own.
    """

    name: str
    kind: str
    track: Track
    heat: Floats
    weather: Weather | None
    seed: int


@dataclass(frozen=True)
class _Plan:
    kind: str
    where: str
    weather: Callable[[int], Weather]


def plans() -> list[_Plan]:
    """Return 31 enclosures: kinds by place and season, five of them under recorded weather."""
    found = []
    days = DAYS + FORECAST_DAYS
    kinds = ("tent", "timber shed", "heated room", "heated tent", "block shed", "tent")
    first = (20, 75, 105, 140, 205, 255, 285, 320)
    for number in range(24):
        station = STATIONS[number % 3]
        day = first[(number * 5 + number // 8) % 8] + number
        found.append(
            _Plan(
                kinds[(number + number // 6) % 6],
                station.split(".")[0],
                lambda seed, s=station, d=day: typical(s, d, days, seed),  # type: ignore[misc]
            )
        )
    for number, kind in enumerate(("tent", "timber shed", "heated tent")):
        found.append(
            _Plan(kind, "airfield", lambda seed, n=number: airfield(12 * n + 2, days, seed))  # type: ignore[misc]
        )
    for kind in ("timber shed", "heated room"):
        found.append(_Plan(kind, "prairie", lambda _: prairie()))
    for _ in range(2):
        found.append(_Plan("inner room", "office", lambda _: office()))
    return found


def enclosures(numbers: list[int] | None = None) -> list[Enclosure]:
    """Return the held-out enclosures, or those of some numbers.

    Each is the same whichever others are walked beside it.
    """
    every = plans()
    picked = list(range(len(every))) if numbers is None else numbers
    weathers = [every[n].weather(n) for n in picked]
    lengths = [min(len(w.time_s), 1440 * DAYS) for w in weathers]
    made = [
        _Made(every[n].kind, w, length, n)
        for n, w, length in zip(picked, weathers, lengths, strict=True)
    ]
    readings = _walk(made)
    found = []
    for i, (n, one) in enumerate(zip(picked, made, strict=True)):
        columns = readings[:, i, : one.length]
        found.append(_told(f"{one.kind}, {every[n].where}, {n}", one, columns))
    return found


class _Made:
    """One enclosure's figures and what people do in it, drawn by its seed."""

    def __init__(self, kind: str, weather: Weather, length: int, seed: int) -> None:
        chance = np.random.default_rng([20, seed])
        self.kind, self.weather, self.length, self.seed = kind, weather, length, seed
        figures = {n: chance.uniform(*span) for n, span in zip(_FIGURES, _KINDS[kind], strict=True)}
        volume = chance.uniform(40.0, 120.0) if kind != "inner room" else chance.uniform(12.0, 30.0)
        self.figures = figures | {
            "volume": volume,
            "skin": 5.5 * volume ** (2.0 / 3.0),
            "floor": volume / 2.5,
            "hull_m2": chance.uniform(0.15, 0.35) * volume,
            "deep_c": float(weather.temp_c.mean()) + chance.uniform(-1.0, 1.0),
            "timber": chance.uniform(0.15, 0.6),  # kg/m² of water from dry to soaked air
            "cover_lag": chance.uniform(120.0, 400.0),
        }
        self.people(chance)

    def people(self, chance: np.random.Generator) -> None:
        """Draw doors, breath and wetted floors, and when a heater may run."""
        count = self.length
        self.extra_change, self.vapour_kg_s = np.zeros(count), np.zeros(count)
        self.heater_on, self.wanted = np.zeros(count), np.full(count, self.figures["wanted"])
        from_h, hours = chance.uniform(7.0, 18.0), chance.uniform(2.0, 8.0)
        diligence = chance.uniform(0.3, 0.95)
        set_back = chance.uniform(0.0, 6.0)
        start_h = float(self.weather.time_s[0]) / 3600.0 % 24.0
        for day in range(count // 1440 + 1):
            if self.kind == "heated room":
                night = slice(max(0, int(60 * (24 * day - 2 - start_h))),
                              max(0, int(60 * (24 * day + 6 - start_h))))  # fmt: skip
                self.wanted[night] -= set_back
            if chance.random() > diligence:
                continue
            begin = int(60 * (24 * day + from_h + chance.normal(0.0, 0.7) - start_h))
            end = begin + int(60 * hours * chance.uniform(0.5, 1.3))
            if begin < 0 or begin >= count:
                continue
            self.vapour_kg_s[begin:end] += 0.06 / 3600.0 * chance.integers(1, 3)
            for _ in range(chance.poisson(4.0)):
                at = int(chance.uniform(begin, end))
                self.extra_change[at : at + int(chance.uniform(3.0, 20.0))] += chance.uniform(3, 15)
            if self.kind in ("tent", "heated tent") and chance.random() < 0.15:
                self.vapour_kg_s[begin : begin + 150] += 1.0 / 3600.0  # a floor wetted
            stays = int(chance.uniform(0.0, 480.0)) if chance.random() < 0.5 else 0
            self.heater_on[begin : end + stays] = 1.0
        if self.kind == "heated room":
            self.heater_on[:] = 1.0


def _walk(made: list[_Made]) -> Floats:
    """Return air, dew point and hull by quantity, enclosure and minute [°C]."""
    longest = max(each.length for each in made)

    def laid(get: Callable[[_Made], Floats]) -> Floats:
        rows = [get(each)[: each.length] for each in made]
        return np.array([np.pad(r, (0, longest - len(r)), mode="edge") for r in rows]).T.copy()

    f = {name: np.array([each.figures[name] for each in made]) for name in made[0].figures}
    out_c, out_pa = laid(lambda m: m.weather.temp_c), laid(lambda m: vapour_pa(m.weather.dew_c))
    sun, wind = laid(lambda m: m.weather.sun_w_m2), laid(lambda m: m.weather.wind_m_s)
    sky_c = laid(lambda m: m.weather.sky_c)
    doors, breath = laid(lambda m: m.extra_change), laid(lambda m: m.vapour_kg_s)
    allowed, wanted = laid(lambda m: m.heater_on), laid(lambda m: m.wanted)
    air_heat = 5.0 * AIR_J_M3K * f["volume"]
    out_by_wind = np.minimum(6.0 + 3.0 * wind, 30.0)
    changes = f["change"] + f["windy"] * wind + doors

    air = out_c[0] + 1.0
    cover, hull, ground = out_c[0].copy(), out_c[0].copy(), f["deep_c"].copy()
    vapour = out_pa[0].copy()
    timber = np.clip(vapour / vapour_pa(hull), 0.2, 0.9)
    water = np.zeros_like(air)
    burns = np.zeros_like(air)
    told = np.empty((3, len(made), longest))
    for i in range(longest):
        flow = f["volume"] * changes[i] / 3600.0  # m³/s
        burns = np.where(air < wanted[i] - 0.5, 1.0, np.where(air > wanted[i] + 0.5, 0.0, burns))
        watts = burns * allowed[i] * f["watts"]
        into = f["skin"] * f["inside"] * (cover - air)
        from_hull = 6.0 * f["hull_m2"] * (hull - air)
        from_ground = 4.0 * f["floor"] * (ground - air)
        shone = f["lets"] * sun[i] * f["floor"]
        wetted = vapour_pa(cover)
        on_cover = np.where(
            (vapour > wetted) | (water > 0.0), 0.003 * f["skin"] * (vapour - wetted), 0.0
        )
        timber_pa = timber * vapour_pa(hull)
        into_timber = 0.0008 * f["hull_m2"] * 2.0 * (vapour - timber_pa)
        given = 0.0012 * f["wet"] * f["floor"] * (vapour_pa(ground) - vapour)
        per_kg = VAPOUR_J_KGK * (air + ZERO_C)
        vapour = vapour + STEP_S / f["volume"] * (
            flow * (out_pa[i] - vapour) + given - on_cover - into_timber + breath[i] * per_kg
        )
        water = np.clip(water + STEP_S * on_cover / per_kg / f["skin"], 0.0, 0.2)
        timber = timber + STEP_S * into_timber / per_kg / (2.0 * f["hull_m2"] * f["timber"])
        timber = np.clip(timber, 0.05, 1.0)
        air, cover, hull, ground = (
            air + STEP_S / air_heat * (
                into + from_hull + from_ground + watts + 0.25 * shone
                + AIR_J_M3K * flow * (out_c[i] - air)
            ),
            cover + STEP_S / f["cover"] * (
                out_by_wind[i] * (out_c[i] - cover) + f["inside"] * (air - cover)
                + 5.0 * f["sky"] * (sky_c[i] - cover) + 0.35 * f["takes"] * sun[i]
            ),
            hull + STEP_S / (f["hull"] * f["hull_m2"]) * (
                -from_hull + 3.0 * f["hull_m2"] * (cover - hull) + 0.2 * shone
            ),
            ground + STEP_S / (1.5e5 * f["floor"]) * (
                -from_ground + f["floor"] * (f["deep_c"] - ground) + 0.4 * shone
            ),
        )  # fmt: skip
        vapour = np.clip(vapour, 30.0, vapour_pa(air))
        told[0, :, i], told[1, :, i], told[2, :, i] = air, dew_c_of(vapour), hull
    return told


def _told(name: str, one: _Made, columns: Floats) -> Enclosure:
    """Read the walk through probes with noise, last digits, lag and an error of their own."""
    chance = np.random.default_rng([21, one.seed])
    air, dew, hull = columns
    count = len(air)
    rh = 100.0 * vapour_pa(dew) / vapour_pa(air) + chance.normal(0.0, 1.2)
    noisy = (0.03, 0.1)[one.seed % 2]
    digit_c, digit_rh = ((0.01, 0.1), (0.1, 0.1), (0.1, 1.0))[one.seed % 3]
    air = air + chance.normal(0.0, 0.2) + ripple(chance, count, noisy, 3.0)
    hull = hull + chance.normal(0.0, 0.2) + ripple(chance, count, noisy, 3.0)
    rh = np.clip(rh + ripple(chance, count, 0.4, 5.0), 3.0, 100.0)
    air, hull = (digit_c * np.round(each / digit_c) for each in (air, hull))
    rh = np.clip(digit_rh * np.round(rh / digit_rh), 3.0, 100.0)
    time_s = one.weather.time_s[:count]
    end_s = float(time_s[-1])
    cells = int((end_s - time_s[0]) // CELL_S)
    read = (air, dew_c_of(vapour_pa(air) * rh / 100.0), hull)
    track = Track(end_s, *(cell_means(time_s, each, end_s, cells) for each in read))
    known = one.heater_on if one.kind == "heated tent" else np.zeros(count)
    heat = np.nan_to_num(cell_means(time_s, known, end_s, cells))
    return Enclosure(name, one.kind, track, heat, one.weather, one.seed)
