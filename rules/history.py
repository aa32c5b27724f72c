"""What the log knows of a film's temperature, and how far a clock has come by it.

A countdown is always computed from the whole history since its start, never carried along, so
that late readings, corrected events, a restart and a power cut change nothing but what is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rules.arrhenius import FloatArray, Lean, RateLaw, reciprocal
from rules.errors import ImplausibleReading

SHORT_GAP_S = 3600.0
"""A gap up to here counts at its warmer neighbour for a closes clock, a longer one hotter [s]."""

_LONG_S = SHORT_GAP_S + 1e-3  # so that an hour in floating seconds is still an hour
_BLOCK = 8192  # samples worked at once: a clock that ended early does not read the rest
_DONE = 1.0 - 1e-12  # the whole, but for the rounding of a sum
_COLDEST_C = -100.0
_HOTTEST_C = 200.0


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureHistory:
    """What the log knows of one section's temperatures; NaN where a value is not known.

    Attributes:
        time_s: instants, never descending, seconds since 1970-01-01 UTC [s].
        coldest_c: the section's coldest surface at each instant [°C].
        warmest_c: the section's warmest surface at each instant [°C].
        accuracy_k: taken off the coldest and added to the warmest [K].
        max_gap_s: two samples further apart than this leave a gap between them [s].
        air_coldest_c: coldest air at each instant, for a pot's induction, or None [°C].
        air_warmest_c: warmest air at each instant, for a pot's life, or None [°C].
        air_accuracy_k: as `accuracy_k`, for the air [K].

    Raises:
        ImplausibleReading: arrays of unequal length, times that descend or are not finite, or
            temperatures outside -100 to 200 °C.
    """

    time_s: FloatArray
    coldest_c: FloatArray
    warmest_c: FloatArray
    accuracy_k: float = 0.5
    max_gap_s: float = 2100.0
    air_coldest_c: FloatArray | None = None
    air_warmest_c: FloatArray | None = None
    air_accuracy_k: float = 0.3

    def __post_init__(self) -> None:
        """Refuse what no clock could be computed from."""
        times = self.time_s
        if times.ndim != 1 or not bool(np.isfinite(times).all()):
            raise ImplausibleReading("temperature history: a time is not finite; drop that sample")
        if times.size > 1 and bool((np.diff(times) < 0.0).any()):
            raise ImplausibleReading("temperature history: times descend; sort the samples first")
        for name in ("coldest_c", "warmest_c", "air_coldest_c", "air_warmest_c"):
            values = getattr(self, name)
            if values is None:
                continue
            if values.shape != times.shape:
                raise ImplausibleReading(
                    f"temperature history: {name} has {values.size} values for {times.size} times"
                )
            if bool(((values < _COLDEST_C) | (values > _HOTTEST_C)).any()):
                raise ImplausibleReading(
                    f"temperature history: {name} has a value outside {_COLDEST_C:.0f} to "
                    f"{_HOTTEST_C:.0f} °C, so no clock is run on it; set that reading aside"
                )
        for name in ("accuracy_k", "air_accuracy_k", "max_gap_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ImplausibleReading(f"temperature history: {name} is {value}, not 0 or more")


EMPTY_HISTORY = TemperatureHistory(np.empty(0), np.empty(0), np.empty(0))
"""No temperature at all: opens clocks stand still, closes clocks run at their hottest row."""


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureOutlook:
    """What the surface will probably do from now on.

    Attributes:
        time_s: instants ahead, ascending [s].
        surface_c: the probable coldest surface [°C].
        low_c: lower edge of the interval [°C].
        high_c: upper edge of the interval [°C].
    """

    time_s: FloatArray
    surface_c: FloatArray
    low_c: FloatArray
    high_c: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Believed temperatures of one body, already moved to the safe side.

    Attributes:
        time_s: instants [s].
        x: -1/T [1/K].
        max_gap_s: as in the history [s].
    """

    time_s: FloatArray
    x: FloatArray
    max_gap_s: float


def samples_of(time_s: FloatArray, temp_c: FloatArray, shift_k: float, max_gap_s: float) -> Samples:
    """Return the known samples of one series, moved by the sensors' accuracy.

    Args:
        time_s: instants, never descending [s].
        temp_c: temperatures, NaN where not known [°C].
        shift_k: added to each; negative to lean cold [K].
        max_gap_s: two samples further apart leave a gap [s].

    Returns:
        Samples without the unknown ones.

    Source:
        No source: bookkeeping.
    """
    known = np.isfinite(temp_c)
    if not bool(known.all()):
        time_s, temp_c = time_s[known], temp_c[known]
    return Samples(time_s, reciprocal(temp_c + shift_k), max_gap_s)


class Gaps(StrEnum):
    """What passes in time that nobody measured."""

    NOTHING = "nothing"  # opens clocks: no credit
    FASTEST = "fastest"  # closes clocks: warmer neighbour, or the hottest row when long
    WARMER = "warmer"  # the other bound of an opens clock: as the warmer neighbour
    SLOWEST = "slowest"  # the other bound of a closes clock: cooler neighbour, or the coldest row


SAFE_GAPS = {Lean.OPENS: Gaps.NOTHING, Lean.CLOSES: Gaps.FASTEST}
OTHER_GAPS = {Lean.OPENS: Gaps.WARMER, Lean.CLOSES: Gaps.SLOWEST}


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a clock has come.

    Attributes:
        done: share of the whole that has passed; 1 or more once ended.
        ended_at_s: when the whole had passed, or None [s].
        reached_s: the instant to which `done` holds: now, or the last sample just before it [s].
        present_x: -1/T at present, or None where nothing recent is known [1/K].
        measured_s: time with a known temperature, until the end or now [s].
        unknown_s: time without [s].
        long_gap_s: the part of `unknown_s` in gaps longer than an hour [s].
        below_s: measured time below the table's coldest row [s].
        above_s: measured time above its hottest row [s].
    """

    done: float
    ended_at_s: float | None
    reached_s: float
    present_x: float | None
    measured_s: float
    unknown_s: float
    long_gap_s: float
    below_s: float
    above_s: float


def progress(
    law: RateLaw, samples: Samples, start_s: float, now_s: float, gaps: Gaps | None = None
) -> Progress:
    """Integrate dt / time(T) from a clock's start until now, and find when it reached one.

    Args:
        law: the rate by temperature.
        samples: believed temperatures.
        start_s: when the clock started [s].
        now_s: until when [s].
        gaps: what passes in unmeasured time; the law's safe side where None.

    Returns:
        How far the clock has come, and on what that rests.

    Source:
        Maturity by the equivalent age of ASTM C1074, with the sheet's table as the rate; checked
        against that practice's figures and scipy's integrator in tests/rules.
    """
    gaps = gaps or SAFE_GAPS[law.lean]
    times, xs, count = samples.time_s, samples.x, samples.time_s.size
    first = int(np.searchsorted(times, start_s, "right"))
    last = int(np.searchsorted(times, now_s, "right"))
    done = measured = unknown = long_gap = below = above = 0.0
    ended_at: float | None = None
    # Interval k runs from sample k-1 to sample k; 0 is all before the first, count all after the
    # last. The clock needs the intervals first to last, the outer two only in part.
    k = first
    while k <= last and ended_at is None:
        if k == 0 or k == count:
            begin = start_s if k == 0 else max(start_s, float(times[-1]))
            end = min(now_s, float(times[0])) if k == 0 and count else now_s
            length = end - begin
            if length > 0.0:
                open_tail = k == count and count > 0 and length <= samples.max_gap_s
                neighbour = float(xs[0 if k == 0 else -1]) if count else None
                whole = now_s - float(times[-1]) if k == count and count else length
                rate = _gap_rate(law, gaps, neighbour, neighbour, whole)
                ended_at, length = _end_at_rate(done, rate, begin, length)
                done += rate * length
                if not open_tail:
                    unknown += length
                    long_gap += length if whole > _LONG_S else 0.0
            k += 1
            continue
        stop = min(last + 1, count, k + _BLOCK)
        t0, t1 = times[k - 1 : stop - 1], times[k:stop]
        x0, x1 = xs[k - 1 : stop - 1], xs[k:stop]
        whole_s = t1 - t0
        known = whole_s <= samples.max_gap_s
        begin_s, end_s = np.maximum(t0, start_s), np.minimum(t1, now_s)
        if begin_s[0] != t0[0] or end_s[-1] != t1[-1]:
            slope = (x1 - x0) / np.where(whole_s > 0.0, whole_s, 1.0)
            x0, x1 = x0 + slope * (begin_s - t0), x0 + slope * (end_s - t0)
        part_s = end_s - begin_s
        rates = law.mean_rate_x(x0, x1)
        for gap in np.flatnonzero(~known):
            rates[gap] = _gap_rate(
                law, gaps, float(xs[k - 1 + gap]), float(xs[k + gap]), float(whole_s[gap])
            )
        gained = np.cumsum(rates * part_s)
        used = slice(None)
        if done + gained[-1] >= _DONE:
            at = int(np.searchsorted(gained, min(1.0 - done, float(gained[-1]))))
            before = done + (float(gained[at - 1]) if at else 0.0)
            within = (
                _end_within(law, float(x0[at]), float(x1[at]), float(part_s[at]), 1.0 - before)
                if known[at]
                else (1.0 - before) / float(rates[at])
            )
            ended_at = float(begin_s[at]) + min(max(within, 0.0), float(part_s[at]))
            used = slice(at + 1)
            part_s = part_s.copy()
            part_s[at] = ended_at - begin_s[at]
        part_s, known, whole_s = part_s[used], known[used], whole_s[used]
        spans = _span_shares(law, x0[used], x1[used])
        measured += float(part_s[known].sum())
        unknown += float(part_s[~known].sum())
        long_gap += float(part_s[~known & (whole_s > _LONG_S)].sum())
        below += float((part_s * spans[0])[known].sum())
        above += float((part_s * spans[1])[known].sum())
        done += float(gained[-1])
        k = stop
    return Progress(
        done=max(done, 1.0) if ended_at is not None else done,
        ended_at_s=ended_at,
        reached_s=_reached(samples, last, start_s, now_s, gaps),
        present_x=_present(samples, last, now_s),
        measured_s=measured,
        unknown_s=unknown,
        long_gap_s=long_gap,
        below_s=below,
        above_s=above,
    )


def _gap_rate(
    law: RateLaw, gaps: Gaps, one_x: float | None, other_x: float | None, length_s: float
) -> float:
    """The rate that counts in a gap of that length between two neighbours [1/s]."""
    if gaps is Gaps.NOTHING:
        return 0.0
    near = [x for x in (one_x, other_x) if x is not None]
    if gaps is Gaps.WARMER:
        return _rate_x(law, max(near)) if near else law.hottest_rate
    is_long = length_s > _LONG_S or not near
    if gaps is Gaps.SLOWEST:
        return law.coldest_rate if is_long else _rate_x(law, min(near))
    warmer = _rate_x(law, max(near)) if near else 0.0
    return max(law.hottest_rate, warmer) if is_long else warmer


def _rate_x(law: RateLaw, x: float) -> float:
    return float(law.rate_at_x(np.array([x]))[0])


def _end_at_rate(
    done: float, rate: float, begin_s: float, length_s: float
) -> tuple[float | None, float]:
    """When a constant rate reaches one, and how much of the length that takes."""
    if rate > 0.0 and done + rate * length_s >= _DONE:
        need = min(max((1.0 - done) / rate, 0.0), length_s)
        return begin_s + need, need
    return None, length_s


def _end_within(law: RateLaw, x0: float, x1: float, part_s: float, need: float) -> float:
    """Seconds into an interval of evenly running x after which `need` has passed."""
    low, high = 0.0, part_s
    if part_s <= 0.0:
        return 0.0
    start = np.array([x0])
    for _ in range(60):
        middle = 0.5 * (low + high)
        to = np.array([x0 + (x1 - x0) * (middle / part_s)])
        if float(law.mean_rate_x(start, to)[0]) * middle < need:
            low = middle
        else:
            high = middle
        if high - low < 1e-6:
            break
    return high


def _span_shares(law: RateLaw, x0: FloatArray, x1: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shares of each interval that lie below and above the table [1]."""
    cold_x, hot_x = float(law.knot_x[1]) - 1e-14, float(law.knot_x[-1]) + 1e-14
    low, high = np.minimum(x0, x1), np.maximum(x0, x1)
    span = high - low
    safe = np.where(span > 0.0, span, 1.0)
    level = span <= 0.0
    below = np.where(level, low < cold_x, np.clip((cold_x - low) / safe, 0.0, 1.0))
    above = np.where(level, high > hot_x, np.clip((high - hot_x) / safe, 0.0, 1.0))
    return below, above


def _reached(samples: Samples, last: int, start_s: float, now_s: float, gaps: Gaps) -> float:
    """The instant to which progress holds; a tail shorter than a gap is still to be measured."""
    if gaps is not Gaps.NOTHING or last == 0 or last < samples.time_s.size:
        return now_s
    tail_from = float(samples.time_s[-1])
    if now_s - tail_from > samples.max_gap_s:
        return now_s
    return max(start_s, tail_from)


def _present(samples: Samples, last: int, now_s: float) -> float | None:
    """-1/T now: between two near samples, or at the last one while it is fresh [1/K]."""
    if last == 0:
        return None
    t0, x0 = float(samples.time_s[last - 1]), float(samples.x[last - 1])
    if last < samples.time_s.size:
        t1, x1 = float(samples.time_s[last]), float(samples.x[last])
        if t1 - t0 <= samples.max_gap_s and t1 > t0:
            return x0 + (x1 - x0) * (now_s - t0) / (t1 - t0)
    return x0 if now_s - t0 <= samples.max_gap_s else None


def time_to_end_s(
    law: RateLaw,
    need: float,
    from_s: float,
    present_x: float | None,
    ahead: Samples | None = None,
) -> float | None:
    """Return when the rest of a clock will have passed, at the present or the expected temperature.

    Args:
        law: the rate by temperature.
        need: share of the whole that is left [1].
        from_s: the instant to which the rest is counted [s].
        present_x: -1/T at present, or None where it is not known [1/K].
        ahead: temperatures expected from now on; beyond the last the last one holds.

    Returns:
        The instant of the end [s], or None where the clock stands still or nothing is known. A
        closes clock without a present temperature is taken at its hottest row.

    Source:
        As `progress`.
    """
    if ahead is not None and ahead.time_s.size:
        begin = float(ahead.time_s[0])
        x_from = present_x if present_x is not None else float(ahead.x[0])
        later = ahead.time_s > from_s
        times = np.concatenate(([from_s], ahead.time_s[later]))
        xs = np.concatenate(([x_from if begin > from_s else _at(ahead, from_s)], ahead.x[later]))
        gained = np.cumsum(law.mean_rate_x(xs[:-1], xs[1:]) * np.diff(times))
        if gained.size and gained[-1] >= need:
            at = min(int(np.searchsorted(gained, need)), gained.size - 1)
            before = float(gained[at - 1]) if at else 0.0
            part = float(times[at + 1] - times[at])
            return float(times[at]) + _end_within(
                law, float(xs[at]), float(xs[at + 1]), part, need - before
            )
        need -= float(gained[-1]) if gained.size else 0.0
        from_s, present_x = float(times[-1]), float(xs[-1])
    if present_x is None:
        if law.lean is Lean.OPENS:
            return None
        return from_s + need / law.hottest_rate
    rate = _rate_x(law, present_x)
    return from_s + need / rate if rate > 0.0 else None


def _at(ahead: Samples, time_s: float) -> float:
    return float(np.interp(time_s, ahead.time_s, ahead.x))
