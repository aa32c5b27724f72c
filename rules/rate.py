"""How fast a film or a pot ages at a temperature: a sheet's time table made into a rate.

Between the rows of a table ln(time) runs linearly in 1/T (Arrhenius), so with x = -1/T the
logarithm of the rate is piecewise linear in x. Between two temperatures the mean rate then has a
closed form, and no step size has to be chosen.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rules.errors import SpecFault
from rules.spec.model import STEEPEST_EA_J_PER_MOL, TimeTable
from rules.text import duration_text
from rules.units import ZERO_C_IN_K

FloatArray = NDArray[np.float64]

GAS_CONSTANT_J_PER_MOL_K = 8.314462618
"""CODATA 2018; exact since the SI of 2019."""

RECKONED_BELOW_K = 0.2
"""So far under the only row nobody need be told that its time is reckoned; our own choice [K]."""

_EDGE_X = 1e-14  # about 1e-9 K: 10.7 less 0.7 still counts as the row at 10
_FLAT_X = 1e-10  # about 1e-5 K: below it the mean rate is the rate at the middle


class SafeSide(StrEnum):
    """Which error would do harm, and so to which side a clock leans."""

    OPENS = "opens"  # ending too soon does harm: touch dry, recoat opens, cured, induction
    CLOSES = "closes"  # ending too late does harm: recoat closes, pot life, tape not after


Damp = tuple[FloatArray, FloatArray]
"""Lowest and highest humidity that the air can have had [%]."""


def reciprocal(temp_c: FloatArray) -> FloatArray:
    """Return x = -1/T, which rises with temperature.

    Args:
        temp_c: temperatures over absolute zero [°C].

    Returns:
        -1/T [1/K].

    Source:
        The variable of the Arrhenius law; the sign makes warmer greater.
    """
    return -1.0 / (np.asarray(temp_c, dtype=np.float64) + ZERO_C_IN_K)


@dataclass(frozen=True, slots=True, eq=False)
class RateLaw:
    """Progress a second by temperature, leaning to the safe side outside the table.

    Below the table an opens clock does not advance (save where a table of one row is reckoned
    down to the application minimum) and a closes clock runs as at the coldest row;
    above it an opens clock runs as at the hottest row and a closes clock is extrapolated.

    Attributes:
        lean: which side is the safe one.
        coldest_c: the table's coldest row [°C].
        hottest_c: the table's hottest row [°C].
        knot_x: the start of each cell in x; the cell under the table hangs from the first row.
        knot_rate: the rate there [1/s].
        slope: d ln(rate)/dx in the cell; Ea/R [K].
        integral: the rate integrated over x from the first row to the knot.
        columns: humidity [%] and the law that holds there, from dry to damp; empty where the
            sheet's times go by temperature alone.
        plain: the law of the sheet's times for no humidity in particular, which count beside the
            nearest column in air drier or damper than all of them; None where the sheet has none.
        reckoned_x: under this a table of one row is reckoned, or None [1/K].
    """

    lean: SafeSide
    coldest_c: float
    hottest_c: float
    knot_x: FloatArray
    knot_rate: FloatArray
    slope: FloatArray
    integral: FloatArray
    columns: tuple[tuple[float, RateLaw], ...] = ()
    plain: RateLaw | None = None
    reckoned_x: float | None = None

    @property
    def _by_humidity(self) -> list[RateLaw]:
        """The laws of the columns, and the plain one behind them."""
        return [*(law for _, law in self.columns), *((self.plain,) if self.plain else ())]

    def _cell(self, x: FloatArray) -> NDArray[np.intp]:
        cell = np.zeros(x.shape, dtype=np.intp)
        for row_x in self.knot_x[1:]:  # a table has few rows: cheaper than a binary search
            cell += x >= row_x - _EDGE_X
        return cell

    def rate_at_x(self, x: FloatArray, damp: Damp | None = None) -> FloatArray:
        """Return the rate at x = -1/T [1/s] and a humidity; see `rate` and `mean_rates`."""
        if self.columns:
            return self._between_columns([law.rate_at_x(x) for law in self._by_humidity], damp)
        cell = self._cell(x)
        result: FloatArray = self.knot_rate[cell] * np.exp(
            self.slope[cell] * (x - self.knot_x[cell])
        )
        return result

    def _between_columns(self, rates: list[FloatArray], damp: Damp | None) -> FloatArray:
        """Rates at the humidity that each can have had, on the safe side; all where not known."""
        every = np.stack(rates)
        worst = np.minimum if self.lean is SafeSide.OPENS else np.maximum
        unknown: FloatArray = worst.reduce(every, axis=0)
        if damp is None or len(rates) == 1:
            return unknown
        columns = np.array([humidity_pct for humidity_pct, _ in self.columns])
        at_column = every[: len(columns)]
        everyone = np.arange(at_column.shape[1])

        def at(humidity_pct: FloatArray) -> FloatArray:
            if len(columns) == 1:
                only: FloatArray = at_column[0]
                return only
            held = np.clip(humidity_pct, columns[0], columns[-1])
            dry = np.clip(np.searchsorted(columns, held, "right") - 1, 0, len(columns) - 2)
            share = (held - columns[dry]) / (columns[dry + 1] - columns[dry])
            found: FloatArray = (
                at_column[dry, everyone] ** (1.0 - share) * at_column[dry + 1, everyone] ** share
            )
            return found

        low, high = damp
        known: FloatArray = worst(at(low), at(high))
        for column_pct, rate in zip(columns[1:-1], at_column[1:-1], strict=True):
            reached = (low < column_pct) & (column_pct < high)
            known = np.where(reached, worst(known, rate), known)
        if self.plain is not None:
            past = (low < columns[0]) | (high > columns[-1])
            known = np.where(past, worst(known, every[-1]), known)
        return known

    def by_plain(self, x: FloatArray, damp: Damp | None) -> NDArray[np.bool_]:
        """Return for each interval of `mean_rates` whether the plain times decide beside columns.

        Args:
            x: as there [1/K].
            damp: as there [%].
        """
        if self.plain is None:
            return np.zeros(len(x) - 1, dtype=np.bool_)
        return np.equal(self.mean_rates(x, damp), self.plain.mean_rates(x))

    def mean_rates(self, x: FloatArray, damp: Damp | None = None) -> FloatArray:
        """Return the mean rate between each two neighbours while x runs evenly [1/s],

            (1 / (x2 - x1)) integral of r dx from x1 to x2
                = r_k (exp(b (x2 - x_k)) - exp(b (x1 - x_k))) / (b (x2 - x1))

        in a cell that begins at x_k with the rate r_k and the slope b = Ea/R; x = -1/T.

        Over two samples minutes apart, x running evenly and temperature running evenly are the
        same: across 2.5 K they differ by 0.005 K in the middle.

        Where the sheet has columns by humidity, the mean of each is taken, and between two columns
        ln(time) runs linearly in the humidity. In air drier or damper than every column the nearest
        one counts, or the plain times of the sheet where these are on the safer side.

        Args:
            x: -1/T at two instants or more [1/K].
            damp: lowest and highest humidity between each two, or None where not known [%].

        Returns:
            The exact means of the law, kinks at the rows and the edge of the table included; one
            fewer than x.

        Source:
            Integral of exp(a + b x); numerical checks against scipy in tests/rules.
        """
        if self.columns:
            return self._between_columns([law.mean_rates(x) for law in self._by_humidity], damp)
        span = np.diff(x)
        flat = np.abs(span) < _FLAT_X
        mean: FloatArray = np.diff(self._antiderivative(x)) / np.where(flat, 1.0, span)
        if flat.any():
            mean[flat] = self.rate_at_x(0.5 * (x[:-1] + x[1:])[flat])
        return mean

    def _antiderivative(self, x: FloatArray) -> FloatArray:
        cell = self._cell(x)
        dx = x - self.knot_x[cell]
        z = self.slope[cell] * dx
        steep = np.abs(z) > 1e-12
        shape = np.where(steep, np.expm1(z) / np.where(steep, z, 1.0), 1.0)
        result: FloatArray = self.integral[cell] + self.knot_rate[cell] * dx * shape
        return result

    def rate(self, temp_c: float) -> float:
        """Return how much of the whole passes in one second at a temperature.

        Args:
            temp_c: temperature [°C].

        Returns:
            Rate [1/s]; 0.0 where an opens clock does not count.

        Source:
            Arrhenius between rows; what happens outside the table is common practice made safe.
        """
        return float(self.rate_at_x(reciprocal(np.array([temp_c])))[0])

    def time_s(self, temp_c: float) -> float:
        """Return how long the step takes at a constant temperature.

        Args:
            temp_c: temperature [°C].

        Returns:
            Time [s]; infinite where an opens clock does not count.

        Source:
            As `rate`.
        """
        rate = self.rate(temp_c)
        return math.inf if rate <= 0.0 else 1.0 / rate

    @property
    def hottest_rate(self) -> float:
        """The rate at the table's hottest row [1/s]; of columns by humidity, the fastest one's."""
        if self.columns:
            return max(law.hottest_rate for law in self._by_humidity)
        return float(self.knot_rate[-1])

    @property
    def blind_rate(self) -> float:
        """The rate where no temperature was ever known: the safe end of the table [1/s]."""
        return 0.0 if self.lean is SafeSide.OPENS else self.hottest_rate


@lru_cache(maxsize=512)
def rate_law(table: TimeTable, lean: SafeSide, factor: float = 1.0) -> RateLaw:
    """Make a sheet's time table into a rate of progress r(T) = 1 / t(T). Between two rows

        ln t(T) = ln t_i + (Ea/R) (1/T - 1/T_i)
        Ea/R    = ln(t_i / t_{i+1}) / (1/T_i - 1/T_{i+1})

    and a clock has run out when the integral of r dt reaches 1.

    Args:
        table: times by temperature, cold to hot, never rising with temperature.
        lean: the side to which the clock leans.
        factor: what every time is multiplied by, as for a big pot [1].

    Returns:
        The law.

    Raises:
        SpecFault: no rows, rows out of order, times that rise with temperature, or times or a
            factor that are not above zero.

    Source:
        Arrhenius' law; its sum over a temperature history is the equivalent age of ASTM C1074
        (eq. 2, from memory). Ea/R by the sheet's own rows, see `STEEPEST_EA_J_PER_MOL` for the
        value outside them.

    >>> from rules.spec.model import TimeRow
    >>> table = TimeTable((TimeRow(10.0, 16 * 3600.0), TimeRow(20.0, 8 * 3600.0)))
    >>> opens = rate_law(table, SafeSide.OPENS)
    >>> [round(opens.time_s(t) / 3600.0, 2) for t in (9.9, 10.0, 15.0, 20.0, 30.0)]
    [inf, 16.0, 11.25, 8.0, 8.0]
    >>> closes = rate_law(table, SafeSide.CLOSES)
    >>> [round(closes.time_s(t) / 3600.0, 2) for t in (5.0, 10.0, 15.0, 20.0, 30.0)]
    [16.0, 16.0, 11.25, 8.0, 3.32]
    >>> one = rate_law(TimeTable((TimeRow(20.0, 8 * 3600.0),), reckoned_to_c=10.0), SafeSide.OPENS)
    >>> [round(one.time_s(t) / 3600.0, 2) for t in (9.9, 10.0, 20.0, 30.0)]
    [inf, 20.52, 8.0, 8.0]
    """
    rows = table.rows
    if not rows:
        raise SpecFault("a time table has no rows, so its clock cannot run; give it at least one")
    if not (math.isfinite(factor) and factor > 0.0):
        raise SpecFault(f"a factor on a time is {factor}, not above 0, so its clock cannot run")
    for row in rows:
        if not (math.isfinite(row.temp_c) and row.temp_c > -ZERO_C_IN_K):
            raise SpecFault(f"a time table has a row at {row.temp_c} °C, which is no temperature")
        if not (math.isfinite(row.duration_s) and row.duration_s > 0.0):
            raise SpecFault(
                f"a time table has {row.duration_s} s at {row.temp_c} °C; a time must be above 0"
            )
    for cold, hot in itertools.pairwise(rows):
        if hot.temp_c <= cold.temp_c:
            raise SpecFault(
                f"a time table has the row {hot.temp_c} °C after {cold.temp_c} °C; "
                "order its rows from cold to hot"
            )
        if hot.duration_s > cold.duration_s:
            raise SpecFault(
                f"a time table takes {duration_text(hot.duration_s, cold.duration_s)} at "
                f"{hot.temp_c} °C but only {duration_text(cold.duration_s, hot.duration_s)} at "
                f"{cold.temp_c} °C; times fall as it gets warmer"
            )
    x = reciprocal(np.array([row.temp_c for row in rows]))
    rate = 1.0 / (factor * np.array([row.duration_s for row in rows]))
    steepest = STEEPEST_EA_J_PER_MOL / GAS_CONSTANT_J_PER_MOL_K
    coldest_c, floor_c, reckoned_x = rows[0].temp_c, table.reckoned_to_c, None
    if lean is SafeSide.OPENS and floor_c is not None and floor_c < coldest_c:
        floor_x = reciprocal(np.array([floor_c]))
        rate = np.concatenate((rate[0] * np.exp(steepest * (floor_x - x[0])), rate))
        reckoned_x = float(reciprocal(np.array([coldest_c - RECKONED_BELOW_K]))[0])
        x, coldest_c = np.concatenate((floor_x, x)), floor_c
    between = np.diff(np.log(rate)) / np.diff(x)
    if lean is SafeSide.OPENS:
        under, over = 0.0, 0.0
    else:
        under = float(rate[0])
        over = max(float(between[-1]) if len(rows) > 1 else 0.0, steepest)
    slope = np.concatenate(([0.0], between, [over]))
    knot_x = np.concatenate(([x[0]], x))
    knot_rate = np.concatenate(([under], rate))
    integral = np.zeros(len(knot_x))
    for k in range(2, len(knot_x)):
        dx = knot_x[k] - knot_x[k - 1]
        z = slope[k - 1] * dx
        shape = math.expm1(z) / z if abs(z) > 1e-12 else 1.0
        integral[k] = integral[k - 1] + knot_rate[k - 1] * dx * shape
    restated = any(rows == each.rows for _, each in table.columns)
    return RateLaw(
        lean=lean,
        coldest_c=coldest_c,
        hottest_c=rows[-1].temp_c,
        knot_x=knot_x,
        knot_rate=knot_rate,
        slope=slope,
        integral=integral,
        columns=tuple((rh_pct, rate_law(each, lean, factor)) for rh_pct, each in table.columns),
        plain=rate_law(replace(table, columns=()), lean, factor)
        if table.columns and not restated
        else None,
        reckoned_x=reckoned_x,
    )
