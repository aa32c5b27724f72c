"""How far a clock has come by the logged temperatures, and when it will have passed.

A countdown is always computed from the whole history since its start, never carried along, so
that late readings, corrected events, a restart and a power cut change nothing but what is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rules.clocks.history import Samples
from rules.rate import FloatArray, RateLaw, SafeSide

SHORT_GAP_S = 3600.0
"""A gap up to here counts at its warmer neighbour for a closes clock, a longer one hotter [s]."""

_LONG_S = SHORT_GAP_S + 1e-3  # so that an hour in floating seconds is still an hour
_BLOCK = 8192  # samples worked at once: a clock that ended early does not read the rest
_DONE = 1.0 - 1e-12  # the whole, but for the rounding of a sum


class Gaps(StrEnum):
    """What passes in time that nobody measured."""

    NOTHING = "nothing"  # opens clocks: no credit
    FASTEST = "fastest"  # closes clocks: warmer neighbour, or the hottest row when long
    WARMER = "warmer"  # the other bound of an opens clock: as the warmer neighbour
    SLOWEST = "slowest"  # the other bound of a closes clock: cooler neighbour, or the coldest row


SAFE_GAPS = {SafeSide.OPENS: Gaps.NOTHING, SafeSide.CLOSES: Gaps.FASTEST}
OTHER_GAPS = {SafeSide.OPENS: Gaps.WARMER, SafeSide.CLOSES: Gaps.SLOWEST}


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
        nodes = xs[k - 1 : stop]
        whole_s = t1 - t0
        known = samples.measured(k, stop)
        begin_s, end_s = t0, t1
        if t0[0] < start_s or t1[-1] > now_s:
            begin_s, end_s, nodes = t0.copy(), t1.copy(), nodes.copy()
            # Only the first interval can begin before the start, only the last end after now.
            ends = (
                _between(samples, k, max(float(t0[0]), start_s)),
                _between(samples, stop - 1, min(float(t1[-1]), now_s)),
            )
            begin_s[0], end_s[-1] = max(float(t0[0]), start_s), min(float(t1[-1]), now_s)
            nodes[0], nodes[-1] = ends
        part_s = end_s - begin_s
        rates = law.mean_rates(nodes)
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
                _end_within(
                    law, float(nodes[at]), float(nodes[at + 1]), float(part_s[at]), 1.0 - before
                )
                if known[at]
                else (1.0 - before) / float(rates[at])
            )
            ended_at = float(begin_s[at]) + min(max(within, 0.0), float(part_s[at]))
            used = slice(at + 1)
            part_s = part_s.copy()
            part_s[at] = ended_at - begin_s[at]
        part_s, known, whole_s = part_s[used], known[used], whole_s[used]
        spans = _span_shares(law, nodes[: len(part_s) + 1])
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


def _between(samples: Samples, interval: int, time_s: float) -> float:
    """-1/T at an instant within the interval that ends at that sample [1/K]."""
    t0, t1 = float(samples.time_s[interval - 1]), float(samples.time_s[interval])
    x0, x1 = float(samples.x[interval - 1]), float(samples.x[interval])
    return x0 + (x1 - x0) * (time_s - t0) / (t1 - t0) if t1 > t0 else x1


def _end_within(law: RateLaw, x0: float, x1: float, part_s: float, need: float) -> float:
    """Seconds into an interval of evenly running x after which `need` has passed.

    Newton's step, kept inside a bracket that every step narrows.
    """
    if part_s <= 0.0:
        return 0.0
    low, high = 0.0, part_s
    at = 0.5 * part_s
    for _ in range(60):
        x = x0 + (x1 - x0) * (at / part_s)
        missing = need - float(law.mean_rates(np.array([x0, x]))[0]) * at
        if missing > 0.0:
            low = at
        else:
            high = at
        rate = _rate_x(law, x)
        step = missing / rate if rate > 0.0 else 0.0
        following = at + step
        if rate <= 0.0 or not low < following < high:
            following = 0.5 * (low + high)
        if abs(following - at) < 1e-6 or high - low < 1e-6:
            return following
        at = following
    return at


def _span_shares(law: RateLaw, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shares of each interval that lie below and above the table [1]."""
    cold_x, hot_x = float(law.knot_x[1]) - 1e-14, float(law.knot_x[-1]) + 1e-14
    low, high = np.minimum(x[:-1], x[1:]), np.maximum(x[:-1], x[1:])
    if low.size and low.min() >= cold_x and high.max() <= hot_x:
        none = np.zeros(low.size)
        return none, none
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
        if t1 > t0 and bool(samples.measured(last, last + 1)[0]):
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
        gained = np.cumsum(law.mean_rates(xs) * np.diff(times))
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
        if law.lean is SafeSide.OPENS:
            return None
        return from_s + need / law.hottest_rate
    rate = _rate_x(law, present_x)
    return from_s + need / rate if rate > 0.0 else None


def _at(ahead: Samples, time_s: float) -> float:
    return float(np.interp(time_s, ahead.time_s, ahead.x))
