"""What a film went through since it was laid: wet, damp, cold, hot, gassed or warmed, by its age.

Takes the air over one film and its steps; call, gates and review read the same `FilmMemory`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from rules.air.arrays import nearest_wetting_points_c
from rules.clocks.history import AirBody, TemperatureHistory
from rules.clocks.section_work import SectionWork
from rules.clocks.work import is_about
from rules.events import Event
from rules.known import (
    CARBON_DIOXIDE,
    HUMIDITY,
    MARGIN,
    TEMPERATURE,
    Bools,
    Floats,
    Pace,
    both_known,
    ends_of,
    margin_over_silent_hull,
)
from rules.limits import limits_in_force
from rules.reasons import MEMORY, Doubt
from rules.spec.model import AMINES, Spec
from rules.text import duration_text, hour_and_day_text
from rules.units import HOUR_S
from rules.vocabulary import EventKind, LimitName, LimitState, Stage, Step

WET_S = 300.0
"""Water for less than this may be a probe's, and holds no coat; common practice, no source [s]."""

UNSEEN_S = 1800.0
"""As `WET_S`, where none was seen and it was not known whether any lay there; judgement [s]."""

COLD_BLOOM_C = 15.0
"""Colder than this an amine is slow to react and blooms; trade literature as other documents quote
it, from memory [degC]."""

GASSED_PPM = 1500.0
"""Over this the air is a flame's or a crowd's and no longer the weather's; from memory [ppm]."""

WARMED_K = 5.0
"""A ground that warms by so much under a soft film pushes its air out through it; common practice
for timber and filler, no source [K]."""

BLOOM_BY_CLASS: Mapping[str, float] = dict(zip(AMINES, (0.5, 0.7, 1.0, 2.0), strict=True))
"""How readily a hardener blooms, 1 where its kind is not known; judgement, common practice, no
source [1]."""

BLOOM_TOLD_H = 1.0
"""A dose of bloom from which people are told; judgement, no source [h]."""

_COLD_SCALE_K, _DAMP_SCALE_K, _GAS_SCALE_PPM = 10.0, 3.0, 2000.0
_OPEN = {"wet": 1.0, "soft": 0.3, "hard": 0.0}
_ANSWERS = (EventKind.WASHED, EventKind.INSPECTED, EventKind.SANDED)
_GRID_S = 600.0
_GRID_UNTIL_S = 366.0 * 24.0 * HOUR_S  # of a gap; its last cell then lasts until its end
_MOST_OF_IT = 0.9


class Age(StrEnum):
    """How far a film is when something reaches it."""

    WET = "wet"  # until it is touch dry
    SOFT = "soft"  # until it can be handled
    HARD = "hard"  # until it has cured


class Condition(StrEnum):
    """What can reach it."""

    WET = "wet"  # at the dew point or under it
    DAMP = "damp"  # under the margin, or over the humidity, that its sheet asks for a coat
    COLD = "cold"
    HOT = "hot"
    GASSED = "carbon dioxide"
    WARMED = "warmed"  # the ground, since the coat went on


class Minutes(NamedTuple):
    """How long something lasted: what is sure, the best estimate, and what it can have been [s]."""

    lowest_s: float
    best_s: float
    highest_s: float


class Known(NamedTuple):
    """A quantity cell by cell: best estimate, NaN where nobody measured, and its known interval."""

    best: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, eq=False)
class FilmAir:
    """The air and the ground of one film, cell by cell.

    Attributes:
        time_s: start of each cell, ascending [s].
        held_s: how long each counts [s].
        margin_k: surface over dew or frost point [K].
        humidity_pct: of the air [%].
        surface_c: of the ground [degC].
        partly: where a surface said nothing while others spoke.
        co2_ppm: carbon dioxide, or None where nobody measures it [ppm].
    """

    time_s: Floats
    held_s: Floats
    margin_k: Known
    humidity_pct: Known
    surface_c: Known
    partly: Bools
    co2_ppm: Known | None = None


@dataclass(frozen=True, slots=True)
class FilmAges:
    """When a film was laid and how far it came.

    Attributes:
        begun_s: first brush stroke [s].
        ended_s: the coat's end, or None while it goes on [s].
        dry_s: touch dry, or None [s].
        handled_s: handled, or None [s].
        cured_s: cured, or None [s].
    """

    begun_s: float
    ended_s: float | None
    dry_s: float | None = None
    handled_s: float | None = None
    cured_s: float | None = None


class Unseen(NamedTuple):
    """A time of which nothing is known, and for how much of it water can have lain there [s]."""

    begin_s: float
    end_s: float
    wet_s: float


@dataclass(frozen=True, slots=True)
class FilmMemory:
    """What one film went through.

    Attributes:
        lasted: how long each condition lasted, by the film's age; without an entry where never.
        wet_s: spans of water on it before it could be handled, by the best estimate [s].
        unseen: spans before it could be handled in which it was not known whether it was wet.
        bloom_h: hours of what makes an amine bloom, at its worst on a film just laid; judgement.
        warmed_k: how far its ground warmed while it was not touch dry [K].
    """

    lasted: Mapping[tuple[Condition, Age], Minutes]
    wet_s: tuple[tuple[float, float], ...] = ()
    unseen: tuple[Unseen, ...] = ()
    bloom_h: float = 0.0
    warmed_k: float = 0.0

    def minutes(self, condition: Condition, *ages: Age) -> Minutes:
        """Return how long a condition lasted at some ages together [s]."""
        found = [self.lasted[condition, age] for age in ages if (condition, age) in self.lasted]
        return Minutes(*(sum(column) for column in zip(*found, strict=True))) if found else NEVER


NEVER = Minutes(0.0, 0.0, 0.0)


def remembered(air: FilmAir, ages: FilmAges, spec: Spec) -> FilmMemory:
    """Return what a film went through.

    Args:
        air: over it, from the first brush stroke on; what lies outside its life does not count.
        ages: of the film.
        spec: that it was laid with.

    Source:
        Conditions by the coat's own sheet; the rest judgement, as each constant says.
    """
    stages = _stages(air.time_s, ages)
    bounds = {name: limit.asked for name, limit in limits_in_force(spec, Stage.APPLY).items()}
    level_c = _level_c(air, ages)
    lasted: dict[tuple[Condition, Age], Minutes] = {}
    for condition, (least, best, most) in _conditions(air, bounds, level_c).items():
        for age, at in stages.items():
            found = Minutes(*(float(air.held_s[hit & at].sum()) for hit in (least, best, most)))
            if found.highest_s > 0.0:
                lasted[condition, age] = found
    soft = stages[Age.WET] | stages[Age.SOFT]
    measured = np.isfinite(air.margin_k.best) & ~air.partly
    with np.errstate(invalid="ignore"):
        wet = (air.margin_k.best <= 0.0) & soft
        maybe = ~measured & ~wet & (air.margin_k.low <= 0.0) & soft & measured.any()
    young = air.surface_c.best[stages[Age.WET] & np.isfinite(air.surface_c.best)]
    return FilmMemory(
        lasted=lasted,
        wet_s=_spans(air, wet),
        unseen=tuple(_unseen(air, ~measured & soft, maybe)),
        bloom_h=_bloom_h(air, stages, spec, bounds.get(LimitName.DEW_MARGIN_MIN, 3.0)),
        warmed_k=max(0.0, float(young.max()) - level_c) if young.size else 0.0,
    )


def air_of(history: TemperatureHistory, now_s: float, from_s: float) -> FilmAir:
    """Return the air of one section as the log, or the running program, has sampled it.

    Where nobody measured for longer than the history's gap, cells of ten minutes stand in whose
    interval widens from both sides, as `known` has it.

    Args:
        history: with humidity beside the temperatures.
        now_s: now [s].
        from_s: from when on it is asked for [s].
    """
    keep = (history.time_s >= from_s) & (history.time_s <= now_s)
    time_s = history.time_s[keep]
    nothing = np.full(time_s.size, np.nan)

    def column(values: Floats | None) -> Floats:
        return nothing if values is None else values[keep]

    cold, warm = column(history.coldest_c), column(history.warmest_c)
    air_low, air_high = column(history.air_coldest_c), column(history.air_warmest_c)
    rh_low, rh_high = column(history.rh_low_pct), column(history.rh_high_pct)
    acc, air_acc = history.accuracy_k, history.air_accuracy_k
    said = history.said or history
    best = column(said.coldest_c)
    rh = 0.5 * (column(said.rh_low_pct) + column(said.rh_high_pct))
    wettest = _wettest_c([body.within(keep) for body in history.bodies], time_s.size)
    dampest = nearest_wetting_points_c(air_high + air_acc, rh_high)
    driest = nearest_wetting_points_c(air_low - air_acc, rh_low)
    around_c = air_low - air_acc, air_high + air_acc
    grid = _with_gaps(time_s, history.max_gap_s, now_s)
    margin_k, humidity_pct, surface_c = (
        _widened(time_s, each, grid, history.max_gap_s, pace, now_s, around)
        for each, pace, around in (
            (Known(best - wettest, cold - acc - dampest, warm + acc - driest), MARGIN, None),
            (Known(rh, rh_low, rh_high), HUMIDITY, None),
            (Known(best, cold - acc, warm + acc), TEMPERATURE, around_c),
        )
    )
    if np.isnan(cold).any():
        wetting = [_on(grid, time_s, each) for each in (driest, dampest)]
        over = margin_over_silent_hull(
            *(time_s, (cold - acc, warm + acc), grid, wetting),
            *(history.max_gap_s, now_s, around_c),
        )
        margin_k = Known(margin_k.best, *both_known((margin_k.low, margin_k.high), over))
    held_s = np.diff(np.append(grid, max(now_s, grid[-1] if grid.size else now_s)))
    ppm, co2 = column(history.co2_ppm), None
    if bool(np.isfinite(ppm).any()):
        gas = Known(column(said.co2_ppm), ppm, ppm)
        co2 = _widened(time_s, gas, grid, history.max_gap_s, CARBON_DIOXIDE, now_s)
    return FilmAir(grid, held_s, margin_k, humidity_pct, surface_c, _partly(history, grid), co2)


def _partly(history: TemperatureHistory, grid: Floats) -> Bools:
    """Where a surface that had spoken in the days before said nothing."""
    found = np.zeros(grid.size, dtype=np.bool_)
    for each in history.silent:
        for from_s, to_s in zip(each.from_s, each.to_s, strict=True) if each.heard else ():
            found |= (grid >= from_s) & (grid < to_s)
    return found


def dew_points_of(history: TemperatureHistory, from_s: float) -> tuple[Floats, Floats, Floats]:
    """Return dew points, or frost points where those are higher, and humidities as sampled.

    Args:
        history: of a section.
        from_s: from when on [s].

    Returns:
        Instants, the highest dew point of the bodies and the middle of the humidities
        [s, degC, %], NaN where not known; empty without humidity.
    """
    low_pct, high_pct = history.rh_low_pct, history.rh_high_pct
    if low_pct is None or high_pct is None:
        return np.empty(0), np.empty(0), np.empty(0)
    seen = slice(int(np.searchsorted(history.time_s, from_s)), None)
    times_s = history.time_s[seen]
    wettest_c = _wettest_c([body.within(seen) for body in history.bodies], times_s.size)
    return times_s, wettest_c, 0.5 * (low_pct + high_pct)[seen]


def _wettest_c(bodies: Iterable[AirBody], size: int) -> Floats:
    """The highest dew or frost point that a body measured, NaN where none did."""
    points_c = [nearest_wetting_points_c(*body) for body in bodies]
    return functools.reduce(np.fmax, points_c, np.full(size, np.nan))


def _with_gaps(time_s: Floats, max_gap_s: float, now_s: float) -> Floats:
    """The samples, with cells of ten minutes where a gap lies between them or before now."""
    ends = np.append(time_s, now_s) if time_s.size else time_s
    extra = [
        np.arange(begin + _GRID_S, min(end, begin + _GRID_UNTIL_S), _GRID_S)
        for begin, end in pairwise(ends)
        if end - begin > max_gap_s
    ]
    return np.sort(np.concatenate([time_s, *extra])) if extra else time_s


def _widened(
    time_s: Floats,
    known: Known,
    grid: Floats,
    max_gap_s: float,
    pace: Pace,
    now_s: float,
    around: tuple[Floats, Floats] | None = None,
) -> Known:
    if grid.size == time_s.size and not np.isnan(known.best).any():
        return known
    ends = ends_of(time_s, known.low, known.high, grid, max_gap_s, pace, now_s, around)
    return Known(_on(grid, time_s, known.best), *ends)


def _on(grid: Floats, time_s: Floats, values: Floats) -> Floats:
    """Values at the grid's instants, NaN at those that are no sample."""
    found = np.full(grid.size, np.nan)
    found[np.searchsorted(grid, time_s)] = values
    return found


def _stages(time_s: Floats, ages: FilmAges) -> dict[Age, Bools]:
    """Which cells lie in each age of the film."""
    end = math.inf
    edges = [ages.begun_s]
    for at in (ages.dry_s, ages.handled_s, ages.cured_s):
        edges.append(max(edges[-1], end if at is None else at))
    return {
        age: (time_s >= begin) & (time_s < until)
        for age, begin, until in zip(Age, edges[:-1], edges[1:], strict=True)
    }


def _level_c(air: FilmAir, ages: FilmAges) -> float:
    """The ground while the coat went on, from which warming counts."""
    until_s = ages.begun_s + HOUR_S if ages.ended_s is None else ages.ended_s
    laid = air.surface_c.best[(air.time_s >= ages.begun_s) & (air.time_s <= until_s)]
    laid = laid[np.isfinite(laid)]
    return float(np.median(laid)) if laid.size else math.inf


def _conditions(
    air: FilmAir, bounds: Mapping[LimitName, float], level_c: float
) -> dict[Condition, tuple[Bools, Bools, Bools]]:
    """For each condition the cells where it is sure, likely and possible."""
    margin_k = bounds.get(LimitName.DEW_MARGIN_MIN, 3.0)
    wettest = bounds.get(LimitName.HUMIDITY_MAX, math.inf)
    damp_k = _past(air.margin_k, margin_k, upper=False)
    damp_pct = _past(air.humidity_pct, wettest, upper=True)
    found = {
        Condition.WET: _past(air.margin_k, 0.0, upper=False),
        Condition.DAMP: (damp_k[0] | damp_pct[0], damp_k[1] | damp_pct[1], damp_k[2] | damp_pct[2]),
        Condition.COLD: _past(
            air.surface_c, bounds.get(LimitName.SURFACE_TEMP_MIN, -math.inf), upper=False
        ),
        Condition.HOT: _past(
            air.surface_c, bounds.get(LimitName.SURFACE_TEMP_MAX, math.inf), upper=True
        ),
        Condition.WARMED: _past(air.surface_c, level_c + WARMED_K, upper=True),
    }
    if air.co2_ppm is not None:
        found[Condition.GASSED] = _past(air.co2_ppm, GASSED_PPM, upper=True)
    return found


def _past(known: Known, bound: float, *, upper: bool) -> tuple[Bools, Bools, Bools]:
    """The cells past a bound for sure, by the best estimate, and perhaps."""
    with np.errstate(invalid="ignore"):
        if upper:
            return known.low > bound, known.best > bound, known.high > bound
        return known.high <= bound, known.best <= bound, known.low <= bound


def _spans(air: FilmAir, hit: Bools) -> tuple[tuple[float, float], ...]:
    """The spans of the cells that are hit, those less than a second apart joined."""
    found: list[tuple[float, float]] = []
    for k in np.flatnonzero(hit):
        begin, end = float(air.time_s[k]), float(air.time_s[k] + air.held_s[k])
        if found and begin - found[-1][1] < 1.0:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return tuple(found)


def _unseen(air: FilmAir, blind: Bools, maybe: Bools) -> Iterable[Unseen]:
    """The spans of the cells of which nothing is known, where water can have lain in some."""
    for begin, end in _spans(air, blind):
        within = maybe & (air.time_s >= begin) & (air.time_s < end)
        if within.any():
            yield Unseen(begin, end, float(air.held_s[within].sum()))


def _bloom_h(air: FilmAir, stages: Mapping[Age, Bools], spec: Spec, margin_k: float) -> float:
    """Hours of cold, damp and carbon dioxide on a film of amine, by how open it was to them.

    Source:
        AMPP paper of 2005 on amine blush (abstract) for what makes it; weights are judgement.
    """
    if "epoxy" not in spec.chemistry or not air.time_s.size:
        return 0.0
    share = sum((_OPEN[age] * at for age, at in stages.items()), np.zeros(air.time_s.size))
    cold = np.clip((COLD_BLOOM_C - air.surface_c.best) / _COLD_SCALE_K, 0.0, 1.0)
    damp = np.clip((margin_k - air.margin_k.best) / _DAMP_SCALE_K, 0.0, 1.0)
    dose = np.nan_to_num(cold) + np.nan_to_num(damp)
    if air.co2_ppm is not None:
        gas = np.clip((air.co2_ppm.best - GASSED_PPM) / _GAS_SCALE_PPM, 0.0, 1.0)
        dose = dose + np.nan_to_num(gas)
    factor = BLOOM_BY_CLASS.get(spec.hardener_class, 1.0)
    return factor * float((dose * share * air.held_s).sum()) / HOUR_S


# --- what follows ---------------------------------------------------------------------------------


def answered_s(section: str | None, standing: Iterable[Event], now_s: float) -> float:
    """Return when what a section's film went through was last dealt with, or minus infinity [s].

    Args:
        section: its name, or None.
        standing: the enclosure's events in force.
        now_s: now [s].
    """
    done = (
        each.time_s
        for each in standing
        if each.kind in _ANSWERS and each.time_s <= now_s and is_about(each, section)
    )
    return max(done, default=-math.inf)


class Wetting(NamedTuple):
    """Water on a soft film that nobody dealt with since.

    Attributes:
        lasted_s: for how long it lay there, or can have [s].
        when: from when to when.
        seen: False where it was not known, and it can have come.
        goes_on: whether it has not ended yet.
        begin_s: when it began [s].
        end_s: when it ended [s].
    """

    lasted_s: float
    when: str
    seen: bool
    goes_on: bool
    begin_s: float
    end_s: float


def memory_doubt(wetting: Wetting) -> Doubt:
    """Return why the next coat waits, over a film that was, or can have been, wet while soft."""
    if wetting.seen:
        first = "once it is dry wash" if wetting.goes_on else "wash"
        text = f"Wet {wetting.when} while soft: {first}, look, sand."
    else:
        text = (
            f"Not known {wetting.when} while soft, and dew can have come: look, wash if in doubt."
        )
    text = f"{text} Then record washed, inspected or sanded"
    return Doubt(MEMORY, text, LimitState.NEAR, wetting.lasted_s, 0.0, "s")


def unanswered(
    memory: FilmMemory, answered: float, now_s: float, zone: tzinfo | None
) -> Wetting | None:
    """Return what water lay on a soft film, or can have, and nobody dealt with since; or None.

    Args:
        memory: of the film.
        answered: when somebody last washed, inspected or sanded it [s].
        now_s: now [s].
        zone: of the times that it names; UTC where it is not known.
    """

    def when(begin_s: float, end_s: float, *, goes_on: bool) -> str:
        begin, end = (hour_and_day_text(each, zone or UTC, now_s) for each in (begin_s, end_s))
        return f"since {begin}" if goes_on else f"{begin} to {end}"

    wet = [(max(begin, answered), end) for begin, end in memory.wet_s if end > answered]
    lasted_s = sum(end - begin for begin, end in wet)
    if lasted_s >= WET_S:
        begin, end = wet[0][0], wet[-1][1]
        goes_on = now_s - end < _GRID_S
        said = when(begin, end, goes_on=goes_on)
        if lasted_s < _MOST_OF_IT * (end - begin):
            said += f", {duration_text(lasted_s)} in all"
        return Wetting(lasted_s, said, True, goes_on, begin, end)
    unseen = [each for each in memory.unseen if each.end_s > answered]
    lasted_s += sum(min(each.wet_s, each.end_s - max(each.begin_s, answered)) for each in unseen)
    if unseen and lasted_s >= (WET_S if wet else UNSEEN_S):
        begin, end = max(unseen[0].begin_s, answered), unseen[-1].end_s
        goes_on = now_s - end < 1.0
        return Wetting(lasted_s, when(begin, end, goes_on=goes_on), False, goes_on, begin, end)
    return None


def memory_notices(memory: FilmMemory, answered: float, begun_s: float) -> tuple[Doubt, ...]:
    """Return what else of a film's history is told beside every call, and changes none.

    Args:
        memory: of the film.
        answered: when somebody last washed, inspected or sanded it [s].
        begun_s: when the film was begun [s].
    """
    found: list[Doubt] = []
    if memory.bloom_h >= BLOOM_TOLD_H and answered < begun_s:
        ages = (Age.WET, Age.SOFT)
        ways = [
            f"{duration_text(lasted_s)} {word}"
            for condition, word in (
                (Condition.COLD, "cold"),
                (Condition.DAMP, "damp"),
                (Condition.GASSED, "in carbon dioxide"),
            )
            if (lasted_s := memory.minutes(condition, *ages).best_s) >= WET_S
        ]
        open_to = ", ".join(ways) or f"colder than {COLD_BLOOM_C:.0f} °C"
        text = f"It may bloom ({open_to} while soft; judgement): wash before the next coat"
        found.append(Doubt("bloom", text, LimitState.OK, memory.bloom_h, BLOOM_TOLD_H, "h"))
    if memory.warmed_k >= WARMED_K:
        text = (
            f"The hull warmed {memory.warmed_k:.0f} K under the wet film: timber and filler push "
            "air out through it (outgassing). Look for pinholes"
        )
        found.append(Doubt("outgassing", text, LimitState.OK, memory.warmed_k, WARMED_K, "K"))
    return tuple(found)


class Told(NamedTuple):
    """What a film's history says.

    Attributes:
        held: what holds the next coat, and is no safe film either.
        gates: what holds the next coat alone.
        notices: what is only told.
        goes_on: whether the first two tell of what has not ended yet.
    """

    held: tuple[Doubt, ...] = ()
    gates: tuple[Doubt, ...] = ()
    notices: tuple[Doubt, ...] = ()
    goes_on: bool = False


def history_told(
    bench: SectionWork,
    steps_ended: Mapping[Step, float | None],
    standing: Iterable[Event],
    zone: tzinfo | None,
) -> Told:
    """Return what the newest film's history says.

    Args:
        bench: the section's work laid out beside its temperatures.
        steps_ended: when each of the film's steps ended, or None where it has not [s].
        standing: the enclosure's events in force.
        zone: of the times that are named; UTC where it is not known.
    """
    coat, memory = bench.work.newest, memory_of(bench, steps_ended)
    if memory is None or coat is None or coat.started_s is None:
        return Told()
    answered = answered_s(bench.section, standing, bench.now_s)
    wetting = unanswered(memory, answered, bench.now_s, zone)
    notices = memory_notices(memory, answered, coat.started_s)
    if wetting is None:
        return Told(notices=notices)
    doubts = (memory_doubt(wetting),)
    held, gates = (doubts, ()) if wetting.seen else ((), doubts)
    return Told(held, gates, notices, wetting.goes_on)


def memory_of(bench: SectionWork, steps_ended: Mapping[Step, float | None]) -> FilmMemory | None:
    """Return what a section's newest film went through, or None where it has none that lies.

    Args:
        bench: the section's work laid out beside its temperatures.
        steps_ended: when each of the film's steps ended, or None where it has not [s].
    """
    coat = bench.work.newest
    if coat is None or coat.started_s is None or bench.work.back_in_service_s is not None:
        return None
    steps = (Step.TOUCH_DRY, Step.HANDLE, Step.CURED)
    ages = FilmAges(coat.started_s, coat.ended_s, *(steps_ended.get(step) for step in steps))
    air = air_of(bench.history, bench.now_s, coat.started_s)
    return remembered(air, ages, bench.spec_laid(coat) or bench.default_spec)
