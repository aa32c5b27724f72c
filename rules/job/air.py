"""The air ahead in one enclosure, and what it makes of a film's clocks and of a coat's start.

Several courses of the same hours can be held at once: the one that is known, or the draws of what
may come. Clocks are the integral of the sheet's rate over them, as the live ones are.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.air.arrays import (
    dew_points_of_ln,
    ln_vapour_pressures,
    relative_humidities_pct,
    wetting_temps_c,
)
from rules.clocks.all_clocks import recoat_table
from rules.job.model import CoatToLay
from rules.job.tent import FULL_SUN_W_M2, Tent, by_hour
from rules.limits import is_upper, wet_film_allowance_k
from rules.rate import RateLaw, SafeSide, rate_law, reciprocal
from rules.spec.model import Limit, Spec, TimeTable
from rules.units import HOUR_S
from rules.vocabulary import CLOCK_OF_STEP, ClockName, LimitName, Stage, Step

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_EDGE_S = 1.0  # a harm time that ends on the hour's stroke does not ask for the next hour


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """Hours of air in an enclosure without a hole; surfaces stand at the air's temperature.

    Attributes:
        start_s: when the first hour begins [s since 1970].
        temp_c: courses by hours [°C].
        dew_point_c: over liquid water, courses by hours [°C].
        known_s: until when it is known and not drawn [s since 1970].
        sun_w_m2: on the flat outside, courses by hours, or None [W/m²].
    """

    start_s: float
    temp_c: Floats
    dew_point_c: Floats
    known_s: float
    sun_w_m2: Floats | None = None
    # A job of 72 coats asks the same few clocks and limits over and over.
    _made: dict[Any, Any] = field(default_factory=dict, init=False)

    @property
    def end_s(self) -> float:
        """When the last hour ends [s since 1970]."""
        return float(self.start_s + self.temp_c.shape[1] * HOUR_S)

    def warmer(self, warmer_k: float) -> Air:
        """Return the air so much warmer, with the water that it holds unchanged [K]."""
        return replace(
            self,
            temp_c=self.temp_c + warmer_k,
            dew_point_c=np.minimum(self.dew_point_c, self.temp_c + warmer_k),
        )

    def in_tent(self, tent: Tent) -> Air:
        """Return the air in a tent that stands in this air; without a sun told of, none is taken.

        What would be over saturation is left on the sheet.
        """
        forced = self.temp_c
        if tent.sun_k and self.sun_w_m2 is not None:
            forced = forced + tent.sun_k * self.sun_w_m2 / FULL_SUN_W_M2
        temp_c = by_hour(forced, tent.lag_s) + tent.warmer_k
        dew = self.dew_point_c
        if tent.moister_pa or tent.vapour_lag_s:
            water = by_hour(np.exp(ln_vapour_pressures(dew)), tent.vapour_lag_s)
            dew = dew_points_of_ln(np.log(np.maximum(water + tent.moister_pa, 1.0)))
        return replace(self, temp_c=temp_c, dew_point_c=np.minimum(dew, temp_c), sun_w_m2=None)

    def drier(self, drier_pct: float) -> Air:
        """Return the air at so much less relative humidity, in its points [%]."""
        share = np.maximum(self.rh_pct() - drier_pct, 1.0) / 100.0
        ln = ln_vapour_pressures(self.temp_c) + np.log(share)
        return replace(self, dew_point_c=dew_points_of_ln(ln))

    def rh_pct(self) -> Floats:
        """Relative humidity over liquid water, courses by hours [%].

        To thousandths: the way over the dew point must not put 80 % on the other side of 80 %.
        """
        return np.round(relative_humidities_pct(self.temp_c, self.dew_point_c), 3)

    def passed(self, law: RateLaw) -> Floats:
        """Return how much of a clock has passed at each hour's beginning and the last one's end.

        Args:
            law: its rate by temperature.

        Returns:
            Courses by hours and one [1].
        """
        hourly = law.rate_at_x(reciprocal(self.temp_c)) * HOUR_S
        total = np.zeros((hourly.shape[0], hourly.shape[1] + 1))
        np.cumsum(hourly, axis=1, out=total[:, 1:])
        return total

    def clock(self, table: TimeTable, lean: SafeSide) -> ClockTable:
        """Return a clock over every course.

        Args:
            table: the sheet's times.
            lean: which way is the safe one.
        """
        if (table, lean) not in self._made:
            self._made[table, lean] = ClockTable(self, table, lean)
        found: ClockTable = self._made[table, lean]
        return found

    def failures(self, limit: Limit, cooler_k: float) -> NDArray[np.int32]:
        """Return in how many hours a limit has failed before each hour and at the end.

        Args:
            limit: of a spec.
            cooler_k: how far a wet film stands below its surface [K].

        Returns:
            Courses by hours and one.
        """
        if (limit, cooler_k) not in self._made:
            value = _value(self, limit.name, cooler_k)
            fails = value > limit.bound if is_upper(limit.name) else value < limit.bound
            count = np.zeros((fails.shape[0], fails.shape[1] + 1), dtype=np.int32)
            np.cumsum(fails, axis=1, out=count[:, 1:])
            self._made[limit, cooler_k] = count
        found: NDArray[np.int32] = self._made[limit, cooler_k]
        return found


class ClockTable:
    """One clock over every course: when it ends, by when it starts.

    Attributes:
        law: its rate by temperature.
    """

    def __init__(self, air: Air, table: TimeTable, lean: SafeSide) -> None:
        """Take the air and the sheet's times.

        Args:
            air: that the film stands in; after its last hour that hour goes on.
            table: of the clock.
            lean: which way is the safe one.
        """
        self.law = rate_law(table, lean)
        self._start_s = air.start_s
        self._hours = air.temp_c.shape[1]
        self._passed = air.passed(self.law)
        self._last = np.diff(self._passed[:, -2:], axis=1)[:, 0] / HOUR_S
        # Rows laid one after the other ascend as one, so that one search finds the end in each.
        self._apart = float(self._passed[:, -1].max()) + 3.0
        offsets = self._apart * np.arange(self._passed.shape[0])
        self._flat = (self._passed + offsets[:, None]).ravel()

    def ends_s(self, start_s: Floats, share: float = 1.0) -> Floats:
        """Return when the clock ends.

        Args:
            start_s: courses by starts, or one row for all [s since 1970].
            share: of it that is left at its start [1].

        Returns:
            Courses by starts [s since 1970]; infinite where the air never lets it end.
        """
        rows, hours = self._passed.shape[0], self._hours
        starts = np.broadcast_to(start_s, (rows, start_s.shape[-1]))
        at = np.clip((starts - self._start_s) / HOUR_S, 0.0, hours)
        cell = np.minimum(at.astype(np.intp), hours - 1)
        row = np.arange(rows)[:, None]
        begun = self._passed[row, cell]
        rate = self._passed[row, cell + 1] - begun
        over_s = np.maximum(starts - (self._start_s + hours * HOUR_S), 0.0)
        need = begun + rate * (at - cell) + over_s * self._last[:, None] + share - 1e-12
        found = np.searchsorted(self._flat, (need + self._apart * row).ravel(), "left")
        found = found.reshape(need.shape) - row * (hours + 1)
        inside = found <= hours
        left = np.clip(found - 1, 0, hours - 1)
        low, high = self._passed[row, left], self._passed[row, left + 1]
        part = (need - low) / np.where(high > low, high - low, 1.0)
        ends = self._start_s + (left + part) * HOUR_S
        rest = need - self._passed[:, -1:]
        with np.errstate(divide="ignore"):
            after = self._start_s + hours * HOUR_S + rest / np.maximum(self._last[:, None], 0.0)
        result: Floats = np.where(inside, ends, after)
        return result


@dataclass(frozen=True, slots=True, eq=False)
class FilmClocks:
    """What the clocks of one kind of coat say in one enclosure; None where the sheet has none.

    Attributes:
        opens: recoat opens, before the coat that follows; cured where the sheet does not say it.
        closes: recoat closes, likewise.
        touch_dry: until then the film takes dust.
        sand: when it can be sanded.
        handle: when it bears tape.
        done: the step that the job asks for; cured where the sheet has no time for it.
        induction: of the pot.
        pot_life: of the pot.
        tape_off: tape not before.
        tape_stays: tape not after.
    """

    opens: ClockTable | None
    closes: ClockTable | None
    touch_dry: ClockTable
    sand: ClockTable | None
    handle: ClockTable | None
    done: ClockTable
    induction: ClockTable | None
    pot_life: ClockTable | None
    tape_off: ClockTable | None
    tape_stays: ClockTable | None


def film_clocks(air: Air, spec: Spec, following: Spec | None, done: ClockName) -> FilmClocks:
    """Return the clocks of a coat.

    Args:
        air: of its enclosure.
        spec: of the coat.
        following: spec of the next coat, or None for the last.
        done: the clock of the step that the job asks for.
    """

    def clock(name: ClockName, lean: SafeSide = SafeSide.OPENS) -> ClockTable | None:
        if name in (ClockName.RECOAT_OPENS, ClockName.RECOAT_CLOSES):
            table = None if following is None else recoat_table(spec, name, following)
        else:
            table = spec.times.get(name)
        return None if table is None or not table.rows else air.clock(table, lean)

    cured = air.clock(spec.times[ClockName.CURED], SafeSide.OPENS)
    opens = clock(ClockName.RECOAT_OPENS)
    if opens is None and following is not None:
        opens = cured  # a sheet without it: safe, no source
    return FilmClocks(
        opens=opens,
        closes=clock(ClockName.RECOAT_CLOSES, SafeSide.CLOSES),
        touch_dry=clock(ClockName.TOUCH_DRY) or cured,
        sand=clock(ClockName.SAND),
        handle=clock(ClockName.HANDLE),
        done=clock(done) or cured,
        induction=clock(ClockName.INDUCTION),
        pot_life=clock(ClockName.POT_LIFE, SafeSide.CLOSES),
        tape_off=clock(ClockName.TAPE_NOT_BEFORE),
        tape_stays=clock(ClockName.TAPE_NOT_AFTER, SafeSide.CLOSES),
    )


def held(air: Air, coat: CoatToLay, start_s: Floats) -> tuple[Bools, Floats]:
    """Return where every limit of a coat's spec holds in each hour until its harm time is over.

    Args:
        air: of its enclosure.
        coat: that is begun.
        start_s: when it is begun [s since 1970].

    Returns:
        Courses by starts: whether all limits hold, and when the last harm time ends; that is
        infinite, and nothing holds, where the air does not reach so far [s since 1970].
    """
    unbroken, ends_s = unbroken_until(air, coat, start_s)
    return unbroken & np.isfinite(ends_s), ends_s


def unbroken_until(air: Air, coat: CoatToLay, start_s: Floats) -> tuple[Bools, Floats]:
    """Return as `held` does, but for where no limit breaks as far as the air reaches.

    Source:
        DEVELOPERS.md, "The job": each limit in each hour that its harm time touches. The spec's
        bounds stand as they are; what sensors add to them is left to the day itself.
    """
    rows = air.temp_c.shape[0]
    end_s = start_s[None, :] + coat.takes_s
    good = np.ones((rows, start_s.size), dtype=np.bool_)
    latest = np.broadcast_to(end_s, good.shape).copy()
    first = np.floor((start_s - air.start_s) / HOUR_S).astype(np.intp)
    good &= (first >= 0)[None, :]
    first = np.clip(first, 0, air.temp_c.shape[1])
    row = np.arange(rows)[:, None]
    clocks: dict[Step | float, Floats] = {}
    cooler_k = wet_film_allowance_k(coat.spec, Stage.APPLY, coat.method)
    for limit in coat.spec.limits_for(Stage.APPLY).values():
        until = limit.until
        if until not in clocks and isinstance(until, Step):
            own = coat.spec.times.get(CLOCK_OF_STEP[until])
            table = own or coat.spec.times[ClockName.CURED]
            clocks[until] = air.clock(table, SafeSide.OPENS).ends_s(end_s)
        elif not isinstance(until, Step):
            clocks[until] = np.broadcast_to(end_s + until, good.shape)
        harm_s = clocks[until]
        count = air.failures(limit, cooler_k)
        reach = harm_s <= air.end_s + _EDGE_S
        last = np.ceil((np.where(reach, harm_s, air.end_s) - _EDGE_S - air.start_s) / HOUR_S)
        last = np.clip(last, 0, air.temp_c.shape[1]).astype(np.intp)
        good &= count[row, last] == count[row, first[None, :]]
        np.maximum(latest, np.where(reach, harm_s, np.inf), out=latest)
    return good, latest


def _value(air: Air, name: LimitName, cooler_k: float) -> Floats:
    if name is LimitName.DEW_MARGIN_MIN:
        return air.temp_c - cooler_k - wetting_temps_c(air.dew_point_c)
    if name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN):
        return air.rh_pct()
    return air.temp_c
