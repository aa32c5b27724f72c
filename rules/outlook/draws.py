"""What the next hours will probably bring, as draws, and when a limit will probably break.

`damped_trend` and `enclosure_model` make an `Outlook`; sections ask it for breaks, `windows` for
hours that hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rules.air.arrays import Floats, relative_humidities_pct, wetting_temps_c
from rules.limits import is_upper
from rules.vocabulary import LimitName

BREAK_PROBABILITY = 0.2
"""From this probability of a break on GO is held, where a config does not say otherwise."""

LEVELS = (0.1, 0.5, 0.9)

_AIR = (LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX)
_SURFACE = (LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX)


class OutlookBreak(NamedTuple):
    """When a limit will probably break.

    Attributes:
        name: the limit.
        probability: that it breaks within the span, 0 to 1.
        median_s: the middle of the times at which the draws that break do so, seconds from when
            the outlook was made [s].
        early_s: 10 % of them break before this [s].
        late_s: 90 % of them break before this [s].
        span_s: how far ahead was looked: the span asked for, or less where the outlook ends [s].
    """

    name: LimitName
    probability: float
    median_s: float
    early_s: float
    late_s: float
    span_s: float


class Bands(NamedTuple):
    """The 0.1, 0.5 and 0.9 quantiles of each quantity, rows in that order; None where unknown."""

    horizons_s: Floats
    air_temp_c: Floats
    rh_pct: Floats
    dew_point_c: Floats
    surface_temp_c: Floats | None
    dew_margin_k: Floats | None


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What the air and one section's surface will probably do.

    Each row of the arrays is one draw: a course of events that the enclosure's own past errors make
    as likely as any other row. The first column is the present.

    Attributes:
        made_s: when its last datum was taken, seconds since 1970-01-01 UTC [s].
        horizons_s: from then on, ascending from 0 [s].
        air_temp_c: draws by horizons [°C].
        dew_point_c: the same, over liquid water [°C].
        surface_temp_c: the same for the coldest surface, or None [°C].
        centre: the expected course: air, dew point and, where known, surface by horizons [°C].
        source: in words, what it rests on.
        looked_ahead_s: the last horizon [s].
        notes: what the reader should know: a stale forecast, a model refused.
    """

    made_s: float
    horizons_s: Floats
    air_temp_c: Floats
    dew_point_c: Floats
    surface_temp_c: Floats | None
    centre: Floats
    source: str
    looked_ahead_s: float
    notes: tuple[str, ...] = ()

    def draws(self, name: LimitName) -> Floats | None:
        """Return the draws of the quantity that a limit bounds, or None where it is not known.

        Args:
            name: the limit.

        Returns:
            Draws by horizons, in the limit's unit.
        """
        if name in _AIR:
            return self.air_temp_c
        if name in _SURFACE:
            return self.surface_temp_c
        if name is LimitName.DEW_MARGIN_MIN:
            if self.surface_temp_c is None:
                return None
            return self.surface_temp_c - wetting_temps_c(self.dew_point_c)
        return relative_humidities_pct(self.air_temp_c, self.dew_point_c)

    def bands(self) -> Bands:
        """Return the quantiles of every quantity by horizon."""
        margin = self.draws(LimitName.DEW_MARGIN_MIN)
        humidity = relative_humidities_pct(self.air_temp_c, self.dew_point_c)
        surface = self.surface_temp_c
        return Bands(
            self.horizons_s,
            np.quantile(self.air_temp_c, LEVELS, axis=0),
            np.quantile(humidity, LEVELS, axis=0),
            np.quantile(self.dew_point_c, LEVELS, axis=0),
            None if surface is None else np.quantile(surface, LEVELS, axis=0),
            None if margin is None else np.quantile(margin, LEVELS, axis=0),
        )

    def break_times_s(self, name: LimitName, bound: float) -> Floats | None:
        """Return when each draw first passes a bound, infinite where it does not.

        Args:
            name: the limit, which tells quantity and side.
            bound: in the limit's unit, wet-film cooling included; no guard, since the draws spread
                as widely as the future is unsure.

        Returns:
            Seconds from `made_s`, by straight lines between horizons; None where the quantity is
            not known.
        """
        values = self.draws(name)
        if values is None:
            return None
        inside = bound - values if is_upper(name) else values - bound
        broken = inside < 0.0
        first = np.argmax(broken, axis=1)
        breaks = broken.any(axis=1)
        rows = np.arange(len(first))
        before = inside[rows, np.maximum(first - 1, 0)]
        after = inside[rows, first]
        fall = np.where(first > 0, before - after, 1.0)
        part = np.where(first > 0, before / np.where(fall > 0.0, fall, 1.0), 0.0)
        begin_s, end_s = self.horizons_s[np.maximum(first - 1, 0)], self.horizons_s[first]
        times: Floats = np.where(breaks, begin_s + part * (end_s - begin_s), np.inf)
        return times

    def break_probability(self, name: LimitName, bound: float, span_s: float) -> float:
        """Return how probable a break of a limit is within a span, 0 to 1.

        Args:
            name: the limit.
            bound: as for `break_times_s`.
            span_s: from when the outlook was made [s].

        Returns:
            Share of draws; 0 where the quantity is not known at all.
        """
        times = self.break_times_s(name, bound)
        if times is None:
            return 0.0
        return float(np.mean(times <= span_s))

    def first_break(self, name: LimitName, bound: float, span_s: float) -> OutlookBreak | None:
        """Return when a limit will probably break first, or None where no draw breaks it.

        Args:
            name: the limit.
            bound: as for `break_times_s`.
            span_s: from when the outlook was made [s].

        Returns:
            The break, with its range over the draws that do break.
        """
        times = self.break_times_s(name, bound)
        if times is None:
            return None
        within = times[times <= span_s]
        if not within.size:
            return None
        early_s, median_s, late_s = (float(each) for each in np.quantile(within, LEVELS))
        probability = within.size / times.size
        looked_s = min(span_s, self.looked_ahead_s)
        return OutlookBreak(name, probability, median_s, early_s, late_s, looked_s)


def outlook_breaks(
    outlook: Outlook,
    limits: Mapping[LimitName, float],
    spans_s: Mapping[LimitName, float],
    *,
    age_s: float = 0.0,
    threshold: float = BREAK_PROBABILITY,
) -> list[OutlookBreak]:
    """Return the limits that forbid GO, since they will probably break while the film minds them.

    Args:
        outlook: made at most a while ago.
        limits: the bound of each limit in force, wet-film cooling included, no guard.
        spans_s: how long the film will mind each, from now: coating time and the time to the step
            that the limit names at the expected temperature [s]. A limit without one is looked at
            as far as the outlook goes.
        age_s: time since the outlook was made; breaks that should have come by now count still,
            since an outlook is young [s].
        threshold: least probability that counts.

    Returns:
        Breaks, soonest first; their times count from now and are never negative.
    """
    found: list[OutlookBreak] = []
    for name, bound in limits.items():
        span_s = min(spans_s.get(name, outlook.looked_ahead_s), outlook.looked_ahead_s - age_s)
        each = outlook.first_break(name, bound, span_s + age_s)
        if each is not None and each.probability >= threshold:
            median_s, early_s, late_s = (
                max(0.0, t - age_s) for t in (each.median_s, each.early_s, each.late_s)
            )
            found.append(
                OutlookBreak(name, each.probability, median_s, early_s, late_s, max(0.0, span_s))
            )
    return sorted(found, key=lambda each: each.median_s)
