"""How long a film lay inside, near and beyond each limit, and how much beyond: sums over a log.

Takes a climate on an even grid, as `monitor.review` reads it from the log; hands sums to `causes`
and to the report. Pure arithmetic on arrays.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from rules.air.arrays import nearest_wetting_points_c
from rules.events import Spans
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
from rules.limits import is_upper, unit_of
from rules.units import HOUR_S
from rules.vocabulary import LimitName, Stage

_PACE: Mapping[LimitName | None, Pace] = {
    LimitName.DEW_MARGIN_MIN: MARGIN,
    LimitName.HUMIDITY_MAX: HUMIDITY,
    LimitName.HUMIDITY_MIN: HUMIDITY,
    LimitName.SURFACE_TEMP_MIN: TEMPERATURE,
    LimitName.SURFACE_TEMP_MAX: TEMPERATURE,
    LimitName.AIR_TEMP_MIN: TEMPERATURE,
    LimitName.AIR_TEMP_MAX: TEMPERATURE,
    None: CARBON_DIOXIDE,
}

_SURFACE = LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX


@dataclass(frozen=True, slots=True, eq=False)
class ClimateSeries:
    """The climate of one section on an even grid; NaN where no point tells.

    Attributes:
        time_s: start of each cell, evenly apart [s].
        step_s: length of a cell [s].
        values: what each limit judges, as `climate.climate_of` picks it (coldest surface, highest
            dew or frost point, most humid point, warmest air) [unit of the limit].
        guards: how far each must stay inside to be sure of it [unit of the limit].
        complete: where every required point behind a limit was ok.
        co2_ppm: highest carbon dioxide, or None where none was measured [ppm].
        lowest: where a cell stands for a minute of which only the mean is kept, how low the value
            may have been in it, else the value itself; without a limit where nothing is so kept.
        highest: how high.
        measured_lowest: `lowest` by what was measured alone, where what a silent probe may have
            meant is in that; without a limit where nothing was silent.
        measured_highest: `highest` likewise.
        doubted_lowest: how low it was, where nothing was believed, if what was said and doubted
            was right; without a limit where nothing was doubted.
        doubted_highest: how high.
        assumed_offset_k: surface less coldest air where no surface was measured, else None [K].
    """

    time_s: Floats
    step_s: float
    values: Mapping[LimitName, Floats]
    guards: Mapping[LimitName, Floats] = field(default_factory=dict)
    complete: Mapping[LimitName, Bools] = field(default_factory=dict)
    co2_ppm: Floats | None = None
    lowest: Mapping[LimitName, Floats] = field(default_factory=dict)
    highest: Mapping[LimitName, Floats] = field(default_factory=dict)
    assumed_offset_k: float | None = None
    measured_lowest: Mapping[LimitName, Floats] = field(default_factory=dict)
    measured_highest: Mapping[LimitName, Floats] = field(default_factory=dict)
    doubted_lowest: Mapping[LimitName, Floats] = field(default_factory=dict)
    doubted_highest: Mapping[LimitName, Floats] = field(default_factory=dict)
    _known: dict[LimitName | None, tuple[Floats, Floats]] = field(default_factory=dict, repr=False)

    def known(self, name: LimitName | None) -> tuple[Floats, Floats]:
        """Return how low and how high a limit's quantity can have been in every cell.

        Args:
            name: the limit; None for carbon dioxide.

        Returns:
            Both, without the sensors' error; minus and plus infinity where it was never measured
            [unit of the limit, ppm].

        Source:
            `rules.known`, from the whole log.
        """
        if name not in self._known:
            if name is not None:
                low, high = self._told(name, name)
            elif self.co2_ppm is not None:
                low = high = self.co2_ppm
            else:
                low = high = np.full(self.time_s.size, np.nan)
            if not (np.isfinite(low) & np.isfinite(high)).all():
                at_s, gap_s = self.time_s, 1.5 * self.step_s
                air = self._told(LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX)
                around = air if name in _SURFACE else None
                low, high = ends_of(at_s, low, high, at_s, gap_s, _PACE[name], np.inf, around)
                if name is LimitName.DEW_MARGIN_MIN:
                    damp = self._told(LimitName.HUMIDITY_MIN, LimitName.HUMIDITY_MAX)
                    wetting = [
                        nearest_wetting_points_c(*ends) for ends in zip(air, damp, strict=True)
                    ]
                    over = margin_over_silent_hull(
                        *(at_s, self._told(*_SURFACE), at_s, wetting, gap_s, np.inf, air)
                    )
                    low, high = both_known((low, high), over)
            self._known[name] = low, high
        return self._known[name]

    def _told(self, least: LimitName, most: LimitName) -> tuple[Floats, Floats]:
        """How low and how high a quantity was told to be, by its limits; NaN where nobody did."""
        nothing = np.full(self.time_s.size, np.nan)
        return (
            self.lowest.get(least, self.values.get(least, nothing)),
            self.highest.get(most, self.values.get(most, nothing)),
        )

    def possible(self, name: LimitName | None) -> tuple[Floats, Floats]:
        """Return `known`, and where nothing was believed what was said there and doubted.

        A doubt says that a word is not to be gone by, not that it was wrong.
        """
        low, high = self.known(name)
        if name is None or name not in self.doubted_lowest:
            return low, high
        unknown = np.isnan(self.values[name])
        return (
            np.where(unknown, np.fmin(low, self.doubted_lowest[name]), low),
            np.where(unknown, np.fmax(high, self.doubted_highest[name]), high),
        )

    def measured(self, name: LimitName | None, *, upper: bool) -> Floats | None:
        """Return the highest, or the lowest, that was measured in every cell.

        Args:
            name: the limit; None for carbon dioxide.
            upper: which.

        Returns:
            NaN where nobody measured; None where it never was.
        """
        if name is None:
            return self.co2_ppm
        ends, measured = (
            (self.highest, self.measured_highest) if upper else (self.lowest, self.measured_lowest)
        )
        return measured.get(name, ends.get(name, self.values.get(name)))

    def guard(self, name: LimitName | None) -> Floats:
        """Return what the sensors' error can explain in every cell [unit of the limit].

        Where nothing was measured it is that of the neighbours in time.
        """
        guard = None if name is None else self.guards.get(name)
        if guard is None:
            return np.zeros(self.time_s.size)
        ok = np.isfinite(guard)
        if ok.all() or not ok.any():
            return np.where(ok, guard, 0.0)
        return np.interp(self.time_s, self.time_s[ok], guard[ok])

    def span(self, from_s: float, to_s: float) -> tuple[slice, Floats]:
        """Return the cells that a span touches and how much of each it covers [s]."""
        if not (to_s > from_s) or not self.time_s.size:
            return slice(0, 0), np.empty(0)
        low = int(np.searchsorted(self.time_s, from_s - self.step_s, "right"))
        high = int(np.searchsorted(self.time_s, to_s, "left"))
        begin = self.time_s[low:high]
        covered = np.minimum(begin + self.step_s, to_s) - np.maximum(begin, from_s)
        return slice(low, high), np.maximum(covered, 0.0)


@dataclass(frozen=True, slots=True)
class Excess:
    """How far and how long a quantity stood on the wrong side of a bound.

    Attributes:
        bound: the bound [unit].
        upper: whether it bounds from above.
        unit: of bound and worst.
        beyond_s: time on the wrong side [s].
        clear_s: the part of it that the sensors' uncertainty cannot explain [s].
        unknown_s: time without a value [s].
        whole_s: length of the span [s].
        exposure: how far times how long beyond [unit h].
        worst: what was measured furthest over, or nearest to, the bound; None without any.
        worst_s: when [s].
        first_s: when it was first beyond, or may have been; None where never [s].
        last_s: when it was last beyond, or may have been; None where never [s].
        partly_s: length of the minutes of which only the mean is kept, where that is inside and
            some of what it stands for was beyond, or may have been [s].
        possible: how far it may have gone where a probe was silent; None where no further than
            the worst.
        possible_s: when [s].
    """

    bound: float
    upper: bool
    unit: str
    beyond_s: float
    clear_s: float
    unknown_s: float
    whole_s: float
    exposure: float
    worst: float | None
    worst_s: float | None
    first_s: float | None
    last_s: float | None
    partly_s: float = 0.0
    possible: float | None = None
    possible_s: float | None = None

    @property
    def depth(self) -> float:
        """How far the worst value is beyond the bound, 0 where it is not [unit]."""
        if self.worst is None:
            return 0.0
        return max(0.0, self.worst - self.bound if self.upper else self.bound - self.worst)


@dataclass(frozen=True, slots=True)
class LimitTimes:
    """One limit over one stage of one coat.

    Attributes:
        name: the limit.
        stage: apply, flash or cure.
        from_s: begin of the span [s].
        to_s: its end: of the stage, or of the limit's own step [s].
        ok_s: time inside by more than the guard [s].
        near_s: time inside by less [s].
        broken_s: time beyond; `beyond.partly_s` is neither in it nor in the others [s].
        unknown_s: time that a needed point leaves unknown [s].
        beyond: how far and how long.
        unknown: the spans that make up `unknown_s` [s].
    """

    name: LimitName
    stage: Stage
    from_s: float
    to_s: float
    ok_s: float
    near_s: float
    broken_s: float
    unknown_s: float
    beyond: Excess
    unknown: Spans = ()

    @property
    def whole_s(self) -> float:
        """Length of the span [s]."""
        return self.to_s - self.from_s


def beyond(
    time_s: Floats,
    values: Floats,
    covered_s: Floats,
    bound: float,
    *,
    upper: bool,
    unit: str,
    guard: Floats | float = 0.0,
    whole_s: float | None = None,
    lowest: Floats | None = None,
    highest: Floats | None = None,
    measured: Floats | None = None,
) -> Excess:
    """Sum up how far and how long values stood on the wrong side of a bound.

    Args:
        time_s: start of each cell [s].
        values: in each cell, NaN where not known [unit].
        covered_s: how much of each cell counts [s].
        bound: [unit].
        upper: whether values over it are the wrong ones.
        unit: of the bound.
        guard: what the sensors' uncertainty can explain [unit].
        whole_s: length of the span where the grid does not cover it all [s].
        lowest: how low the value may have been in each cell; None where it is the value [unit].
        highest: how high.
        measured: the worst that was measured in each cell; None where that is `lowest`, or
            `highest`.

    Returns:
        The sums. Where a cell's lowest and highest stand on both sides of the bound, its exposure
        is the most that values of its mean can give, all of them at one end or the other. Where a
        cell holds the worst of several points, its mean is that of one of them and not of the
        worst at each moment: there it is about the most.

    Source:
        Definition: the integral of the excess over time. The most of it: Edmundson-Madansky
        inequality (from memory), for the excess is a convex function of the value.

    >>> import numpy as np
    >>> b = beyond(np.array([0.0, 3600.0]), np.array([1.0, 4.0]), np.array([3600.0, 3600.0]),
    ...            3.0, upper=False, unit="K")
    >>> b.beyond_s, b.exposure, b.worst
    (3600.0, 2.0, 1.0)
    """
    lowest, highest = values if lowest is None else lowest, values if highest is None else highest
    excess = values - bound if upper else bound - values
    most = np.fmax(excess, highest - bound if upper else bound - lowest)
    least = np.fmin(excess, lowest - bound if upper else bound - highest)
    known = ~np.isnan(excess) & (covered_s > 0.0)
    over = known & (excess > 0.0)
    partly = known & ~over & (most > 0.0)
    amount = np.where(over, excess, 0.0)
    both = (over | partly) & (least < 0.0)
    share = (excess[both] - least[both]) / (most[both] - least[both])
    amount[both] = np.maximum(amount[both], share * most[both])
    known_s = float(covered_s[known].sum())
    length_s = float(covered_s.sum()) if whole_s is None else whole_s
    worst = worst_s = possible = possible_s = first_s = last_s = None
    side = highest if upper else lowest
    if known.any():
        said = side if measured is None else measured
        past = said - bound if upper else bound - said
        at = int(np.argmax(np.where(known & ~np.isnan(past), past, -np.inf)))
        worst, worst_s = float(said[at]), float(time_s[at])
        furthest = int(np.argmax(np.where(known, most, -np.inf)))
        if measured is not None and most[furthest] > past[at]:
            possible, possible_s = float(side[furthest]), float(time_s[furthest])
    if over.any() or partly.any():
        places = np.flatnonzero(over | partly)
        first_s = float(time_s[places[0]])
        last_s = float(time_s[places[-1]] + covered_s[places[-1]])
    return Excess(
        bound=bound,
        upper=upper,
        unit=unit,
        beyond_s=float(covered_s[over].sum()),
        clear_s=float(covered_s[over & (excess > guard)].sum()),
        unknown_s=max(0.0, length_s - known_s),
        whole_s=length_s,
        exposure=float((amount[known] * covered_s[known]).sum()) / HOUR_S,
        worst=worst,
        worst_s=worst_s,
        first_s=first_s,
        last_s=last_s,
        partly_s=float(covered_s[partly].sum()),
        possible=possible,
        possible_s=possible_s,
    )


def limit_times(
    series: ClimateSeries,
    name: LimitName,
    stage: Stage,
    bound: float,
    from_s: float,
    to_s: float,
    *,
    guarded: bool = True,
) -> LimitTimes:
    """Return how long one limit was ok, near, broken and unknown in a span.

    As in a call: what is past the bound is broken even where another point is silent; else a
    silent required point makes it unknown. Unlike a call, each cell counts by its own value and
    not by a median; a minute's mean that hides something beyond the bound is neither ok nor near.

    Args:
        series: the section's climate.
        name: the limit.
        stage: of the film, for the record.
        bound: wet-film cooling included [unit of the limit].
        from_s: begin [s].
        to_s: end [s].
        guarded: whether the spec keeps the sensors' uncertainty clear of the bound.

    Returns:
        The sums; time outside the grid counts as unknown.

    Source:
        No source: this program's own four states.
    """
    cells, covered = series.span(from_s, to_s)
    whole_s = max(0.0, to_s - from_s)
    values = series.values.get(name)
    value = np.full(covered.size, math.nan) if values is None else values[cells]
    guards = series.guards.get(name)
    guard = 0.0 if guards is None or not guarded else guards[cells]
    complete = series.complete.get(name)
    upper = is_upper(name)
    measured = series.measured(name, upper=upper)
    found = beyond(
        series.time_s[cells],
        value,
        covered,
        bound,
        upper=upper,
        unit=unit_of(name),
        guard=guard,
        whole_s=whole_s,
        lowest=series.lowest[name][cells] if name in series.lowest else None,
        highest=series.highest[name][cells] if name in series.highest else None,
        measured=None if measured is None else measured[cells],
    )
    inside = bound - value if upper else value - bound
    valued = known = ~np.isnan(inside)
    if complete is not None:
        known = valued & complete[cells]
    with np.errstate(invalid="ignore"):
        told = known | (inside < 0.0)
    if found.partly_s:
        side = series.highest[name][cells] if upper else series.lowest[name][cells]
        partly = (side > bound) if upper else (side < bound)
        told |= valued & partly
        known &= ~partly
    with np.errstate(invalid="ignore"):
        ok_s = float(covered[known & (inside >= guard) & (inside >= 0.0)].sum())
        near_s = float(covered[known & (inside >= 0.0) & (inside < guard)].sum())
    return LimitTimes(
        name=name,
        stage=stage,
        from_s=from_s,
        to_s=to_s,
        ok_s=ok_s,
        near_s=near_s,
        broken_s=found.beyond_s,
        unknown_s=max(0.0, whole_s - ok_s - near_s - found.beyond_s - found.partly_s),
        beyond=found,
        unknown=_spans_without(series, cells, told, from_s, to_s),
    )


def _spans_without(
    series: ClimateSeries, cells: slice, told: Bools, from_s: float, to_s: float
) -> Spans:
    """The parts of a span that no told cell covers [s]."""
    begins_s = np.maximum(series.time_s[cells][told], from_s)
    ends_s = np.minimum(series.time_s[cells][told] + series.step_s, to_s)
    gaps = np.stack([np.append(from_s, ends_s), np.append(begins_s, to_s)], axis=1)
    return tuple((float(a), float(b)) for a, b in gaps[gaps[:, 1] - gaps[:, 0] > _NOTHING_S])


_NOTHING_S = 1e-3
