"""Planks and air bodies in an invented tent of which one probe falls silent, and what was true.

The physics is this file's own: air with a daily swing and slow weather, planks that follow it with
a lag, an offset and the sun on one side. Every probe errs by a fixed amount and a little noise,
together less than its accuracy. What a clock may say is integrated here from the true temperatures
of each place, by the spec's table as the design has it: ln(time) linear in 1/T between rows (the
form of ASTM C1074's equivalent age); an opens clock goes no faster than its hottest row and stands
below its coldest; a closes clock goes on as at its coldest row below the table, and above it by the
last slope or 65 kJ/mol (common practice, no source), whichever is steeper.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from recorded import HOUR_S, Row, point, spec_text

Floats = NDArray[np.float64]
Table = tuple[tuple[float, float], ...]  # [degC], [h]

ZERO_C_K = 273.15
R_J_MOL_K = 8.314462618  # CODATA 2018
ABOVE_J_MOL = 65_000.0
GRID_S = 30.0
ACCURACY_K = {"surface_temp": 0.5, "air_temp": 0.3}  # the program's defaults, in every config here
NOISE_K = 0.03
WRONG_K = 8.0
SECTION = "hull-port"
DAYLIGHT_H = (1.0, 9.0)  # after 08:00, on every day

OPENS: dict[str, Table] = {
    "touch dry": ((10.0, 8.0), (20.0, 4.0), (30.0, 2.0)),
    "recoat opens": ((10.0, 16.0), (20.0, 8.0), (30.0, 4.0)),
    "handle": ((10.0, 20.0), (20.0, 10.0), (30.0, 5.0)),
    "cured": ((10.0, 28.0), (20.0, 14.0), (30.0, 7.0)),
}
CLOSES: dict[str, Table] = {
    "tape not after": ((10.0, 20.0), (20.0, 10.0), (30.0, 5.0)),
    "recoat closes": ((10.0, 28.0), (20.0, 14.0), (30.0, 7.0)),
}
POT_OPENS: dict[str, Table] = {"induction": ((10.0, 4.0), (20.0, 2.0), (30.0, 1.0))}
POT_CLOSES: dict[str, Table] = {"pot life": ((10.0, 8.0), (20.0, 4.0), (30.0, 2.0))}


def sheet() -> str:
    """Return the trial's spec as its file's text."""
    tables = {**OPENS, **CLOSES, **POT_OPENS, **POT_CLOSES}
    rows = {
        name.replace(" ", "_"): ", ".join(f'"{at_c:g} degC" = "{h:g} h"' for at_c, h in table)
        for name, table in tables.items()
    }
    return spec_text(**{name: f"{{ {each} }}" for name, each in rows.items()})


def rate_per_h(temp_c: Floats, table: Table, *, opens: bool) -> Floats:
    """Return which part of a clock passes in an hour at each temperature [1/h]."""
    x = 1.0 / (np.asarray(temp_c) + ZERO_C_K)
    at = np.array([1.0 / (row_c + ZERO_C_K) for row_c, _ in table])
    log_h = np.log([row_h for _, row_h in table])
    rate = np.exp(-np.interp(x, at[::-1], log_h[::-1]))
    if opens:
        return np.where(temp_c < table[0][0], 0.0, rate)
    slope = max((log_h[-2] - log_h[-1]) / (at[-2] - at[-1]), ABOVE_J_MOL / R_J_MOL_K)
    return np.where(temp_c > table[-1][0], np.exp(-log_h[-1] - slope * (x - at[-1])), rate)


def end_h(time_h: Floats, temp_c: Floats, table: Table, start_h: float, *, opens: bool) -> float:
    """Return when a clock that starts then is over, infinite where it outlasts these hours [h]."""
    rate = rate_per_h(temp_c, table, opens=opens)
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(time_h)
    done = np.concatenate([[0.0], np.cumsum(steps)])
    need = float(np.interp(start_h, time_h, done)) + 1.0
    return float(np.interp(need, done, time_h)) if need <= done[-1] else math.inf


@dataclass(frozen=True, slots=True)
class Body:
    """One probe, and the place that it measures.

    Attributes:
        name: of the point, and of its column.
        offset_k: of the place from the tent's air, night and day [K].
        sun_k: what a clear noon would add for ever, of which the lag lets through a part [K].
        lag_h: behind the air; 0 for a body in the air [h].
        bias_k: by which the probe reads too warm [K].
        quantity: `surface_temp` or `air_temp`.
    """

    name: str
    offset_k: float = 0.0
    sun_k: float = 0.0
    lag_h: float = 2.0
    bias_k: float = 0.0
    quantity: str = "surface_temp"

    @property
    def accuracy_k(self) -> float:
        return ACCURACY_K[self.quantity]


@dataclass(frozen=True, slots=True)
class Silence:
    """When a probe reports nothing true, and what comes in its place.

    Attributes:
        body: whose.
        from_h: from when on [h].
        to_h: until when; infinity for ever [h].
        how: `absent` rows, `ERR`, `stuck` at the last value, or `wrong` by 8 K; the last two come
            to be doubted.
    """

    body: str
    from_h: float
    to_h: float = math.inf
    how: str = "absent"

    def holds(self, at_h: float) -> bool:
        return self.from_h < at_h < self.to_h


DONE = (("mixed", 25.5), ("coat-started", 26.0), ("coat-ended", 26.5))


@dataclass(frozen=True)
class Tent:
    """One tent from its first reading to its last.

    Attributes:
        name: of the enclosure.
        bodies: the probes of one section, and air bodies beside `air-bow`.
        silences: of them.
        hours: that are recorded [h].
        every_s: between two rows [s].
        mean_c: of the air [degC].
        swing_k: of the air to both sides in a day [K].
        clear: how much of the sun each day has [1]; the last goes on.
        bow: how the body that is always there differs from the tent's air [K].
        done: events and when [h].
        seed: of weather and noise.
        drift_k: of the slow weather [K].
    """

    name: str
    bodies: tuple[Body, ...]
    silences: tuple[Silence, ...] = ()
    hours: float = 44.0
    every_s: float = 600.0
    mean_c: float = 16.0
    swing_k: float = 3.0
    clear: tuple[float, ...] = (1.0,)
    bow: Body = Body("air-bow", lag_h=0.0, quantity="air_temp")
    done: tuple[tuple[str, float], ...] = DONE
    seed: int = 1
    drift_k: float = 1.0

    # The truth ------------------------------------------------------------------------------

    @cached_property
    def time_h(self) -> Floats:
        return np.arange(0.0, self.hours * HOUR_S + GRID_S, GRID_S) / HOUR_S

    @cached_property
    def air_c(self) -> Floats:
        made, h = random.Random(self.seed), self.time_h
        found = self.mean_c + self.swing_k * np.sin(2.0 * math.pi * (h - 1.0) / 24.0)
        for period_h, part in ((5.3, 0.15), (37.0, 0.5), (61.0, 0.5)):
            turn = made.uniform(0.0, 2.0 * math.pi)
            found += self.drift_k * part * np.sin(2.0 * math.pi * h / period_h + turn)
        return found

    @cached_property
    def sun(self) -> Floats:
        rise_h, set_h = DAYLIGHT_H
        day, of_day = np.divmod(self.time_h, 24.0)
        up = np.sin(math.pi * (of_day - rise_h) / (set_h - rise_h))
        shine = np.where((of_day > rise_h) & (of_day < set_h), up, 0.0)
        return shine * np.take(self.clear, np.minimum(day, len(self.clear) - 1).astype(int))

    @cached_property
    def true_c(self) -> dict[str, Floats]:
        """The true temperature of each place on `time_h` [degC]."""
        return {each.name: self._place_c(each) for each in (self.bow, *self.bodies)}

    def _place_c(self, body: Body) -> Floats:
        drive = self.air_c + body.offset_k + body.sun_k * self.sun
        if not body.lag_h:
            return drive
        keep = math.exp(-GRID_S / HOUR_S / body.lag_h)
        found, now_c = np.empty_like(drive), float(drive[:2880].mean())
        for k, to_c in enumerate(drive):
            now_c = to_c + (now_c - to_c) * keep
            found[k] = now_c
        return found

    def surfaces(self) -> list[Body]:
        return [each for each in self.bodies if each.quantity == "surface_temp"]

    def start_h(self, kind: str) -> float:
        return next(at_h for each, at_h in self.done if each == kind)

    def true_ends_h(self, *, opens: bool) -> dict[str, float]:
        """Return when each clock that opens, or closes, is truly over: at its worst place [h].

        A film opens when its slowest place has, and closes when its fastest has; a pot may stand
        at any place that is measured.
        """
        worst = max if opens else min
        films, pots = (OPENS, POT_OPENS) if opens else (CLOSES, POT_CLOSES)
        planks = [each.name for each in self.surfaces()]
        asked = [(films, planks, "coat-ended" if opens else "coat-started")]
        asked.append((pots, list(self.true_c), "mixed"))
        return {
            name: worst(
                end_h(self.time_h, self.true_c[place], table, self.start_h(kind), opens=opens)
                for place in places
            )
            for tables, places, kind in asked
            for name, table in tables.items()
            if any(kind == each for each, _ in self.done)
        }

    # What the probes say --------------------------------------------------------------------

    @cached_property
    def row_h(self) -> Floats:
        return np.arange(0.0, self.hours * HOUR_S + 1.0, self.every_s) / HOUR_S

    @cached_property
    def sound_c(self) -> dict[str, Floats]:
        """What each probe would read on `row_h` if none fell silent [degC]."""
        return {body.name: self._read_c(body) for body in (self.bow, *self.bodies)}

    def _read_c(self, body: Body) -> Floats:
        made = random.Random(f"{self.seed} {body.name}")
        true_c = np.interp(self.row_h, self.time_h, self.true_c[body.name])
        return np.array([round(c + body.bias_k + made.gauss(0.0, NOISE_K), 2) for c in true_c])

    @cached_property
    def reported(self) -> dict[str, list[float | str | None]]:
        """What each probe says on `row_h`: a value, a word in its place, or None for nothing."""
        found: dict[str, list[float | str | None]] = {}
        for name, sound in self.sound_c.items():
            found[name] = [float(each) for each in sound]
            for silence in self.silences:
                if silence.body != name:
                    continue
                for k in np.flatnonzero([silence.holds(each) for each in self.row_h]):
                    held = found[name][max(k - 1, 0)]
                    wrong = round(float(sound[k]) + WRONG_K, 2)
                    instead = {"absent": None, "ERR": "ERR", "stuck": held, "wrong": wrong}
                    found[name][k] = instead[silence.how]
        return found

    @cached_property
    def rh_pct(self) -> list[float]:
        made = random.Random(f"{self.seed} humidity")
        air_c = np.interp(self.row_h, self.time_h, self.true_c["air-bow"])
        return [round(50.0 - 2.0 * (c - self.mean_c) + made.gauss(0.0, 0.2), 1) for c in air_c]

    def rows(self) -> list[Row]:
        """Return the tent's recording."""
        found: list[Row] = []
        for k, at_h in enumerate(self.row_h):
            said = {name: each[k] for name, each in self.reported.items()}
            cells = {name: "" if each is None else each for name, each in said.items()}
            cells["rh_bow"] = "" if said["air-bow"] is None else self.rh_pct[k]
            if any(cells.values()):
                found.append((round(float(at_h) * HOUR_S), cells))
        return found

    def config(self, *, without: Sequence[str] = ()) -> str:
        """Return the enclosure's part of a config, for replay and for live alike."""
        found = f'\n[[enclosure]]\nname = "{self.name}"\nspec = "trial.toml"\n'
        topic = f"shed/{self.name}"
        bow = {"topic": f"{topic}/air-bow"}
        found += point("air-bow", "humidity", "rh_bow", value="rh", **bow)
        for body in (self.bow, *self.bodies):
            if body.name in without:
                continue
            more = {"topic": f"{topic}/{body.name}", "value": "t"}
            more["accuracy"] = f"{body.accuracy_k:g} K"
            if body.quantity == "surface_temp":
                more["section"] = SECTION
            found += point(body.name, body.quantity, body.name, **more)
        return found

    # What may be known ----------------------------------------------------------------------

    def apart_k(self, one: str, other: str, until_h: float) -> tuple[float, float]:
        """Return the least and the greatest of one probe's reading less another's [K]."""
        before = self.row_h <= until_h
        apart = (self.sound_c[one] - self.sound_c[other])[before]
        return float(apart.min()), float(apart.max())

    def owed_c(self, silence: Silence, neighbour: str, *, opens: bool) -> Floats:
        """Return the temperature on `row_h` that a rule by a neighbour may at worst reckon with.

        In the silence: what the probe would have read, less (or plus) one and a half times the
        range of the differences seen between the two before it, and the accuracy. Else the worst
        reading and the accuracy.
        """
        least_k, most_k = self.apart_k(silence.body, neighbour, silence.from_h)
        off_k = 1.5 * (most_k - least_k)
        sign = -1.0 if opens else 1.0
        worst = np.minimum if opens else np.maximum
        found = np.full(self.row_h.size, -sign * math.inf)
        for body in self.surfaces():
            leaned = self.sound_c[body.name] + sign * body.accuracy_k
            if body.name == silence.body:
                blind = np.array([silence.holds(each) for each in self.row_h])
                leaned = leaned + sign * off_k * blind
            found = worst(found, leaned)
        return found


def within_k(tent: Tent) -> Mapping[str, float]:
    """Return by how much each probe errs at most, for a check of the trial itself [K]."""
    return {
        name: float(np.abs(sound - np.interp(tent.row_h, tent.time_h, tent.true_c[name])).max())
        for name, sound in tent.sound_c.items()
    }
