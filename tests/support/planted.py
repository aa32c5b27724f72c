"""Invented painting jobs with one planted mistake each, to ask the review what went wrong.

Written from the trade's and the chemistry's account of the mistakes, before and without sight of
the program's own list of defects and causes, and sharing no constant with it. Figures without a
source beside them are common practice, no source. The saturation curve is a Magnus form (WMO-No. 8
gives it), not the program's own.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.events import Event
from rules.vocabulary import EventKind, Method

Floats = NDArray[np.float64]

ENCLOSURE = "polytunnel"
SECTION = "hull-port"
EPOXY = "two-pack-epoxy-primer"
TOPCOAT = "polyurethane-topcoat"
MIDNIGHT_S = 1_790_380_800.0  # a midnight UTC; which one does not matter
HOUR = 3600.0
DAY = 86_400.0


@dataclass(frozen=True)
class Planted:
    """One job: what was done, and what two air points and one plank said every minute."""

    plant: str
    seed: int
    spec: str
    events: tuple[Event, ...]
    time_s: Floats
    air_c: tuple[Floats, Floats]
    rh_pct: tuple[Floats, Floats]
    surface_c: Floats
    co2_ppm: Floats | None


class Job:
    """A job under construction: a good climate and good habits, until a plant spoils them."""

    def __init__(self, plant: str, seed: int, days: float = 17.0) -> None:
        self.chance = random.Random(f"{plant} {seed}")
        self.noise = np.random.default_rng(self.chance.randrange(2**32))
        self.plant, self.seed = plant, seed
        self.time_s = MIDNIGHT_S + np.arange(0.0, days * DAY, 60.0)
        hour = (self.time_s - MIDNIGHT_S) / HOUR
        u = self.chance.uniform
        # A tent kept warm: 17 to 22 degC, a small swing from day to night.
        self.mean_c = u(17.5, 22.0)
        swing = u(0.4, 1.8)
        self.air = self.mean_c + swing * np.cos((hour - 15.0) * np.pi / 12.0) + self.wander(0.25)
        # Air dry enough that a night's low leaves five kelvin and more over the dew point.
        self.dew = self.mean_c - swing - u(6.5, 10.0) + self.wander(0.3)
        self.lift = np.full_like(self.air, u(-0.3, 0.5))  # surface over the air that it follows
        self.co2: Floats | None = None
        self.spec = EPOXY
        self.events: list[Event] = []
        self.damaged_until_s = MIDNIGHT_S + 4.0 * DAY
        self.tell(EventKind.SESSION_STARTED, 0.2, note="invented workboat")

    def wander(self, spread: float) -> Floats:
        """Slow changes: noise smoothed over about two hours."""
        raw = self.noise.normal(0.0, 1.0, self.time_s.size // 120 + 3)
        at = np.arange(raw.size) * 7200.0
        return spread * np.interp(self.time_s - MIDNIGHT_S, at, raw)

    def hump(self, from_h: float, to_h: float, ramp_h: float) -> Floats:
        """One between two hours of the job, rising and falling evenly outside them."""
        at = np.array([from_h - ramp_h, from_h, to_h, to_h + ramp_h]) * HOUR + MIDNIGHT_S
        return np.interp(self.time_s, at, np.array([0.0, 1.0, 1.0, 0.0]))

    def pull(self, series: Floats, target: float, hump: Floats) -> Floats:
        """Draw a series to a value under a hump."""
        return series + hump * (target - series)

    def tell(self, kind: EventKind, hour: float, **words: object) -> None:
        """Write an event down, at an hour of the job."""
        section = None if kind is EventKind.SESSION_STARTED else SECTION
        self.events.append(
            Event(kind, MIDNIGHT_S + hour * HOUR, ENCLOSURE, section, **words)  # type: ignore[arg-type]
        )

    def coat(
        self, number: int, start_h: float, hours: float, spec: str, *, mixed_before_h: float = 0.6
    ) -> float:
        """Mix and lay a coat; returns the hour at which it ended."""
        self.spec = spec
        self.tell(EventKind.MIXED, start_h - mixed_before_h, spec=spec, amount_ml=700.0)
        self.tell(EventKind.COAT_STARTED, start_h, spec=spec, coat=number, method=Method.BRUSH)
        self.tell(EventKind.COAT_ENDED, start_h + hours, coat=number)
        return start_h + hours

    def finish(self) -> Planted:
        """Close the job: decoys, sensors and their errors, a gap now and then."""
        u = self.chance.uniform
        if self.chance.random() < 0.5:
            # A dripping night before any paint: it harms nothing and must not be blamed.
            wet = self.hump(25.0, 29.0, 1.0)
            self.air = self.pull(self.air, u(6.0, 10.0), wet)
            self.dew = self.pull(self.dew, u(6.0, 9.0), wet)
        if self.chance.random() < 0.5:
            # The heating is off at the end, two weeks and more after the last stroke.
            late = self.hump(16.0 * 24.0, 16.6 * 24.0, 3.0)
            self.air = self.pull(self.air, u(4.0, 8.0), late)
            self.dew = self.pull(self.dew, u(3.0, 6.0), late)
        self.dew = np.minimum(self.dew, self.air - 0.05)
        surface = _lagged(self.air, u(1200.0, 3600.0)) + self.lift
        airs, humidities = [], []
        for offset in (u(-0.3, 0.3), u(-0.3, 0.3)):
            body = self.air + offset
            rh = 100.0 * _magnus(np.minimum(self.dew, body)) / _magnus(body)
            airs.append(self.sensor(body, u(-0.15, 0.15), 0.05))
            humidities.append(np.clip(self.sensor(rh, u(-1.2, 1.2), 0.3), 2.0, 100.0))
        planks = self.sensor(surface, u(-0.25, 0.25), 0.05)
        co2 = None if self.co2 is None else self.sensor(self.co2, u(-30.0, 30.0), 15.0)
        if self.chance.random() < 0.3:
            # Somebody knocks the plug out for some hours, when nothing matters any more.
            begin = self.damaged_until_s + u(8.0, 10.0) * DAY
            lost = (self.time_s > begin) & (self.time_s < begin + u(2.0, 6.0) * HOUR)
            for series in (*airs, *humidities, planks):
                series[lost] = np.nan
        return Planted(
            self.plant,
            self.seed,
            self.spec,
            tuple(sorted(self.events, key=lambda event: event.time_s)),
            self.time_s,
            (airs[0], airs[1]),
            (humidities[0], humidities[1]),
            planks,
            co2,
        )

    def sensor(self, truth: Floats, bias: float, noise: float) -> Floats:
        """What a sensor of ordinary quality makes of the truth."""
        said: Floats = truth + bias + self.noise.normal(0.0, noise, truth.size)
        return said


def _magnus(dew_c: Floats) -> Floats:
    """Saturation pressure over water [hPa], WMO-No. 8, annex 4.B."""
    return np.asarray(6.112 * np.exp(17.62 * dew_c / (243.12 + dew_c)))


def _dew_of(air_c: float, rh_pct: float) -> float:
    """Dew point by the same form, inverted [degC]."""
    ln = float(np.log(rh_pct / 100.0)) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * ln / (17.62 - ln)


def _lagged(series: Floats, tau_s: float) -> Floats:
    """A first-order lag: timber follows the air by half an hour or so."""
    keep = float(np.exp(-60.0 / tau_s))
    out = np.empty_like(series)
    state = float(series[0])
    for i, value in enumerate(series.tolist()):
        state = keep * state + (1.0 - keep) * value
        out[i] = state
    return out


# --- good jobs ------------------------------------------------------------------------------


def good_primer(seed: int) -> Planted:
    """Two coats of primer a day apart, both in a kind climate."""
    job = Job("good-primer", seed)
    u = job.chance.uniform
    job.tell(EventKind.TAPE_ON, 33.0)
    first = job.coat(1, u(34.0, 37.0), u(0.8, 1.8), EPOXY)
    second = job.coat(2, first + u(20.0, 26.0), u(0.8, 1.8), EPOXY)
    job.tell(EventKind.TAPE_OFF, second + u(9.0, 12.0))
    return job.finish()


def good_topcoat(seed: int) -> Planted:
    """One coat of topcoat in a kind climate, tape off in the evening."""
    job = Job("good-topcoat", seed)
    u = job.chance.uniform
    job.tell(EventKind.TAPE_ON, 33.0)
    ended = job.coat(1, u(34.0, 37.0), u(0.8, 1.8), TOPCOAT)
    job.tell(EventKind.TAPE_OFF, ended + u(9.0, 12.0))
    return job.finish()


def good_system(seed: int) -> Planted:
    """Primer, then topcoat the next day, and a second topcoat the day after."""
    job = Job("good-system", seed)
    u = job.chance.uniform
    first = job.coat(1, u(34.0, 36.0), u(0.8, 1.5), EPOXY)
    second = job.coat(2, first + u(21.0, 25.0), u(0.8, 1.5), TOPCOAT)
    job.tell(EventKind.TAPE_ON, second + 24.0)
    third = job.coat(3, second + u(26.0, 30.0), u(0.8, 1.5), TOPCOAT)
    job.tell(EventKind.TAPE_OFF, third + u(9.0, 12.0))
    return job.finish()


# --- plants ---------------------------------------------------------------------------------


def _one_coat(job: Job, spec: str) -> float:
    u = job.chance.uniform
    return job.coat(1, u(36.0, 38.5), u(0.8, 1.8), spec)


def _dewy_night(job: Job, ended_h: float) -> None:
    """Water forms on a film some hours old: the heater goes off, the sky is clear."""
    u = job.chance.uniform
    begin = ended_h + u(2.0, 5.0)
    night = job.hump(begin, begin + u(3.0, 7.0), u(1.0, 2.0))
    air_c = u(10.5, 14.0)
    below = u(0.5, 1.5)
    job.air = job.pull(job.air, air_c, night)
    job.lift = job.pull(job.lift, -below, night)
    job.dew = job.pull(job.dew, air_c - below + u(-0.3, 1.0), night)


def _damp_hours(job: Job, begin_h: float, end_h: float) -> None:
    """Damp air over a hull that lamps keep warmer than it, so that no dew forms."""
    u = job.chance.uniform
    damp = job.hump(begin_h, end_h, 0.7)
    air_c = u(15.0, 19.0)
    job.air = job.pull(job.air, air_c, damp)
    job.lift = job.pull(job.lift, u(2.5, 4.0), damp)
    job.dew = job.pull(job.dew, _dew_of(air_c, u(89.0, 95.0)), damp)


def dew_on_epoxy(seed: int) -> Planted:
    """Primer laid in the afternoon, dew on it in the evening: greasy by the morning."""
    job = Job("dew-on-epoxy", seed)
    _dewy_night(job, _one_coat(job, EPOXY))
    return job.finish()


def damp_over_epoxy(seed: int) -> Planted:
    """Primer in damp air without dew."""
    job = Job("damp-over-epoxy", seed)
    ended = _one_coat(job, EPOXY)
    begin = ended + job.chance.uniform(0.5, 2.0)
    _damp_hours(job, begin, begin + job.chance.uniform(4.0, 9.0))
    return job.finish()


def cold_dry_epoxy(seed: int) -> Planted:
    """Primer that lies cold in dry air: amine comes up without any water (a forum's account)."""
    job = Job("cold-dry-epoxy", seed)
    u = job.chance.uniform
    begin = _one_coat(job, EPOXY) + u(1.5, 3.0)
    cold = job.hump(begin, begin + u(8.0, 16.0), 1.0)
    air_c = u(4.0, 7.5)
    job.air = job.pull(job.air, air_c, cold)
    job.dew = job.pull(job.dew, _dew_of(air_c, u(30.0, 48.0)), cold)
    return job.finish()


def fuel_heater_epoxy(seed: int) -> Planted:
    """Primer under a fuel heater without a flue: carbon dioxide by the thousand ppm, warm air."""
    job = Job("fuel-heater-epoxy", seed)
    u = job.chance.uniform
    ended = _one_coat(job, EPOXY)
    begin = ended + u(0.2, 1.0)
    end = begin + u(4.0, 9.0)
    burning = job.hump(begin, end, 0.8)
    job.tell(EventKind.HEATER_ON, begin - 0.8, note="gas heater")
    job.tell(EventKind.HEATER_OFF, end)
    job.co2 = 450.0 + job.wander(30.0) + burning * u(2500.0, 5500.0)
    job.dew = job.dew + burning * u(0.5, 1.5)
    return job.finish()


def dew_on_topcoat(seed: int) -> Planted:
    """Topcoat laid in the afternoon, dew on it the same night: dull in the morning."""
    job = Job("dew-on-topcoat", seed)
    _dewy_night(job, _one_coat(job, TOPCOAT))
    return job.finish()


def damp_over_topcoat(seed: int) -> Planted:
    """Topcoat laid and left in damp air: isocyanate takes the water and gives off gas."""
    job = Job("damp-over-topcoat", seed)
    ended = _one_coat(job, TOPCOAT)
    _damp_hours(job, ended - 3.0, ended + job.chance.uniform(3.0, 7.0))
    return job.finish()


def cold_cure(seed: int) -> Planted:
    """Topcoat that lies in the cold for days: still soft when it should be hard."""
    job = Job("cold-cure", seed)
    u = job.chance.uniform
    begin = _one_coat(job, TOPCOAT) + u(3.0, 8.0)
    cold = job.hump(begin, begin + u(3.0, 6.0) * 24.0, 3.0)
    air_c = u(4.0, 7.5)
    job.air = job.pull(job.air, air_c, cold)
    job.dew = job.pull(job.dew, _dew_of(air_c, u(45.0, 62.0)), cold)
    return job.finish()


def hot_brushing(seed: int) -> Planted:
    """Topcoat brushed in a tent like an oven: the wet edge is gone before it is met."""
    job = Job("hot-brushing", seed)
    u = job.chance.uniform
    ended = _one_coat(job, TOPCOAT)
    hot = job.hump(ended - 3.0, ended + u(0.5, 1.5), 1.0)
    job.air = job.pull(job.air, u(38.0, 42.0), hot)
    return job.finish()


def stale_pot(seed: int) -> Planted:
    """Topcoat brushed out of a pot mixed in the morning: it drags."""
    job = Job("stale-pot", seed)
    u = job.chance.uniform
    start = u(38.0, 40.0)
    job.coat(1, start, u(1.0, 2.0), TOPCOAT, mixed_before_h=u(5.5, 8.0))
    return job.finish()


def late_recoat(seed: int) -> Planted:
    """Topcoat over primer that had ten days to harden, and nobody abraded it."""
    job = Job("late-recoat", seed, days=28.0)
    u = job.chance.uniform
    ended = _one_coat(job, EPOXY)
    job.coat(2, ended + 24.0 * u(8.0, 12.0), 1.2, TOPCOAT)
    job.damaged_until_s = MIDNIGHT_S + 15.0 * DAY
    return job.finish()


def dew_under_second_coat(seed: int) -> Planted:
    """The second coat is brushed onto a hull that was wet with dew that morning."""
    job = Job("dew-under-second-coat", seed)
    u = job.chance.uniform
    ended = job.coat(1, u(34.0, 36.0), 1.2, EPOXY)
    start = ended + u(20.0, 24.0)
    job.coat(2, start, u(0.8, 1.4), EPOXY)
    wet = job.hump(start - u(2.0, 4.0), start + u(0.5, 1.0), 1.0)
    air_c, below = u(11.5, 15.0), u(0.5, 1.5)
    job.air = job.pull(job.air, air_c, wet)
    job.lift = job.pull(job.lift, -below, wet)
    job.dew = job.pull(job.dew, air_c - below + u(-0.2, 0.8), wet)
    return job.finish()


def heated_too_soon(seed: int) -> Planted:
    """Heat on a topcoat minutes old: it skins over, and the solvent blows through the skin."""
    job = Job("heated-too-soon", seed)
    u = job.chance.uniform
    begin = _one_coat(job, TOPCOAT) + u(0.3, 0.6)
    lamps = job.hump(begin, begin + u(1.0, 3.0), 0.3)
    job.lift = job.pull(job.lift, u(20.0, 28.0), lamps)
    job.air = job.air + lamps * u(2.0, 5.0)
    return job.finish()


def coated_too_soon(seed: int) -> Planted:
    """The second topcoat goes on while the first still gives off its solvent."""
    job = Job("coated-too-soon", seed)
    u = job.chance.uniform
    ended = _one_coat(job, TOPCOAT)
    job.coat(2, ended + u(1.2, 3.0), 1.0, TOPCOAT)
    return job.finish()


def old_tape(seed: int) -> Planted:
    """Masking tape is left on over a week."""
    job = Job("old-tape", seed)
    u = job.chance.uniform
    job.tell(EventKind.TAPE_ON, 33.0)
    ended = _one_coat(job, TOPCOAT)
    job.tell(EventKind.TAPE_OFF, ended + 24.0 * u(6.0, 12.0))
    return job.finish()


CLEAN: dict[str, Callable[[int], Planted]] = {
    "good-primer": good_primer,
    "good-topcoat": good_topcoat,
    "good-system": good_system,
}
PLANTS: dict[str, Callable[[int], Planted]] = {
    "dew-on-epoxy": dew_on_epoxy,
    "damp-over-epoxy": damp_over_epoxy,
    "cold-dry-epoxy": cold_dry_epoxy,
    "fuel-heater-epoxy": fuel_heater_epoxy,
    "dew-on-topcoat": dew_on_topcoat,
    "damp-over-topcoat": damp_over_topcoat,
    "cold-cure": cold_cure,
    "hot-brushing": hot_brushing,
    "stale-pot": stale_pot,
    "late-recoat": late_recoat,
    "dew-under-second-coat": dew_under_second_coat,
    "heated-too-soon": heated_too_soon,
    "coated-too-soon": coated_too_soon,
    "old-tape": old_tape,
}
