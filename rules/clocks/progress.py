"""How far a clock has come by the logged temperatures, and when it will have passed.

A countdown is always computed from the whole history since its start, never carried along, so
that late readings, corrected events, a restart and a power cut change nothing but what is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rules.clocks.history import Course
from rules.rate import Damp, FloatArray, RateLaw, SafeSide

_BLOCK = 8192  # nodes worked at once: a clock that ended early does not read the rest
_DONE = 1.0 - 1e-12  # the whole, but for the rounding of a sum


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a clock has come.

    Attributes:
        done: share of the whole that has passed; 1 or more once ended.
        ended_at_s: when the whole had passed, or None [s].
        present_x: -1/T now, at the edge that counts, or None where nothing was ever known [1/K].
        measured_s: time with a measured temperature, until the end or now [s].
        unknown_s: time without, taken at the edge of what it can have been [s].
        blind_since_s: when the temperature was last measured, where that is too long ago [s].
        below_s: time below the table's coldest row [s].
        above_s: time above its hottest row [s].
        reckoned_s: time under the only row of a table, where it is reckoned [s].
        plain_s: time that went by the sheet's plain times beside its columns by humidity [s].
        present_damp: the air's humidity now, lowest and highest, or None where it is not known, or
            the rate does not go by it [%].
    """

    done: float
    ended_at_s: float | None
    present_x: float | None
    measured_s: float
    unknown_s: float
    blind_since_s: float | None
    below_s: float
    above_s: float
    reckoned_s: float = 0.0
    plain_s: float = 0.0
    present_damp: Damp | None = None


def progress(law: RateLaw, course: Course, start_s: float, now_s: float) -> Progress:
    """Integrate dt / time(T) from a clock's start until now, and find when it reached one.

    Args:
        law: the rate by temperature.
        course: the edge of the temperature that is safe for it, or the other one for a range.
        start_s: when the clock started [s].
        now_s: until when [s].

    Returns:
        How far the clock has come, and on what that rests.

    Source:
        Maturity by the equivalent age of ASTM C1074, with the sheet's table as the rate; checked
        against that practice's figures and scipy's integrator in tests/rules.
    """
    times, xs, count = course.time_s, course.x, course.time_s.size
    first = int(np.searchsorted(times, start_s, "right"))
    last = int(np.searchsorted(times, now_s, "right"))
    done = measured = unknown = below = above = reckoned = plain = 0.0
    ended_at: float | None = None
    last_s = -math.inf if course.last_s is None else course.last_s
    blind = now_s - last_s > course.fresh_s
    # Interval k runs from node k-1 to node k; 0 is all before the first, count all after the
    # last. The clock needs the intervals first to last, the outer two only in part.
    k = first
    while k <= last and ended_at is None:
        if k == 0 or k == count:
            begin = start_s if k == 0 else max(start_s, float(times[-1]))
            end = min(now_s, float(times[0])) if k == 0 and count else now_s
            length = end - begin
            if length > 0.0:
                rate = law.blind_rate
                damp = _damp_of(law, course, k, k)
                if count:
                    rate = _rate_x(law, float(xs[0 if k == 0 else -1]), damp)
                ended_at, length = _end_at_rate(done, rate, begin, length)
                done += rate * length
                if k == count and count and not blind:
                    measured += length
                else:
                    unknown += length
                if count:
                    flat = xs[[0, 0] if k == 0 else [-1, -1]]
                    under, over = _span_shares(law, flat)
                    below += float(under[0]) * length
                    above += float(over[0]) * length
                    reckoned += float(np.max(_reckoned_shares(law, flat))) * length
                    plain += float(law.by_plain(flat, damp)[0]) * length
            k += 1
            continue
        stop = min(last + 1, count, k + _BLOCK)
        begin_s, end_s = times[k - 1 : stop - 1], times[k:stop]
        nodes, known = xs[k - 1 : stop], course.measured[k:stop]
        if begin_s[0] < start_s or end_s[-1] > now_s:
            # Only the first interval can begin before the start, only the last end after now.
            ends = (
                _between(course, k, max(float(begin_s[0]), start_s)),
                _between(course, stop - 1, min(float(end_s[-1]), now_s)),
            )
            begin_s, end_s, nodes = begin_s.copy(), end_s.copy(), nodes.copy()
            begin_s[0], end_s[-1] = max(float(begin_s[0]), start_s), min(float(end_s[-1]), now_s)
            nodes[0], nodes[-1] = ends
        part_s = end_s - begin_s
        damp = _damp_of(law, course, k, stop - 1)
        gained = np.cumsum(law.mean_rates(nodes, damp) * part_s)
        used = slice(None)
        if done + gained[-1] >= _DONE:
            at = int(np.searchsorted(gained, min(1.0 - done, float(gained[-1]))))
            before = done + (float(gained[at - 1]) if at else 0.0)
            within = _end_within(
                law,
                float(nodes[at]),
                float(nodes[at + 1]),
                float(part_s[at]),
                1.0 - before,
                _damp_of(law, course, k + at, k + at),
            )
            ended_at = float(begin_s[at]) + min(max(within, 0.0), float(part_s[at]))
            used = slice(at + 1)
            part_s = part_s.copy()
            part_s[at] = ended_at - begin_s[at]
        part_s, known = part_s[used], known[used]
        plain += float(part_s[law.by_plain(nodes, damp)[used]].sum())
        spans = _span_shares(law, nodes[: len(part_s) + 1])
        measured += float(part_s[known].sum())
        unknown += float(part_s[~known].sum())
        below += float((part_s * spans[0]).sum())
        above += float((part_s * spans[1]).sum())
        reckoned += float((part_s * _reckoned_shares(law, nodes[: len(part_s) + 1])).sum())
        done += float(gained[-1])
        k = stop
    return Progress(
        done=max(done, 1.0) if ended_at is not None else done,
        ended_at_s=ended_at,
        present_x=_x_at(course, now_s),
        measured_s=measured,
        unknown_s=unknown,
        blind_since_s=course.last_s if blind else None,
        below_s=below,
        above_s=above,
        reckoned_s=reckoned,
        plain_s=plain,
        present_damp=None if not count else _damp_of(law, course, last, last),
    )


def _damp_of(law: RateLaw, course: Course, first: int, last: int) -> Damp | None:
    """The humidity of intervals, or None where it is not known or the rate does not go by it."""
    return course.damp_of(first, last) if law.columns else None


def _rate_x(law: RateLaw, x: float, damp: Damp | None) -> float:
    return float(law.rate_at_x(np.array([x]), damp)[0])


def _end_at_rate(
    done: float, rate: float, begin_s: float, length_s: float
) -> tuple[float | None, float]:
    """When a constant rate reaches one, and how much of the length that takes."""
    if rate > 0.0 and done + rate * length_s >= _DONE:
        need = min(max((1.0 - done) / rate, 0.0), length_s)
        return begin_s + need, need
    return None, length_s


def _between(course: Course, interval: int, time_s: float) -> float:
    """-1/T at an instant within the interval that ends at that sample [1/K]."""
    t0, t1 = float(course.time_s[interval - 1]), float(course.time_s[interval])
    x0, x1 = float(course.x[interval - 1]), float(course.x[interval])
    return x0 + (x1 - x0) * (time_s - t0) / (t1 - t0) if t1 > t0 else x1


def _end_within(
    law: RateLaw, x0: float, x1: float, part_s: float, need: float, damp: Damp | None
) -> float:
    """Seconds into an interval of evenly running x after which `need` has passed.

    Newton's step, kept inside a bracket that every step narrows.
    """
    if part_s <= 0.0:
        return 0.0
    low, high = 0.0, part_s
    at = 0.5 * part_s
    for _ in range(60):
        x = x0 + (x1 - x0) * (at / part_s)
        missing = need - float(law.mean_rates(np.array([x0, x]), damp)[0]) * at
        if missing > 0.0:
            low = at
        else:
            high = at
        rate = _rate_x(law, x, damp)
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


def _reckoned_shares(law: RateLaw, x: FloatArray) -> FloatArray | float:
    """Shares of each interval at which a table of one row is reckoned [1]."""
    if law.reckoned_x is None or float(x.max()) < float(law.knot_x[1]):
        return 0.0
    middle = 0.5 * (x[:-1] + x[1:])
    return np.where((middle < law.reckoned_x) & (middle >= law.knot_x[1]), 1.0, 0.0)


def _x_at(course: Course, time_s: float) -> float | None:
    """-1/T at an instant, or None where nothing was ever known [1/K]."""
    return float(np.interp(time_s, course.time_s, course.x)) if course.time_s.size else None


def time_to_end_s(
    law: RateLaw,
    need: float,
    from_s: float,
    present_x: float | None,
    ahead: Course | None = None,
    damp: Damp | None = None,
) -> float | None:
    """Return when the rest of a clock will have passed, at the present or the expected temperature.

    Args:
        law: the rate by temperature.
        need: share of the whole that is left [1].
        from_s: the instant to which the rest is counted [s].
        present_x: -1/T at present, or None where it is not known [1/K].
        ahead: temperatures expected from now on; beyond the last the last one holds.
        damp: the air's humidity, which is taken to stay as it is, or None where not known [%].

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
        x_from = x_from if begin > from_s else float(np.interp(from_s, ahead.time_s, ahead.x))
        xs = np.concatenate(([x_from], ahead.x[later]))
        stays = None if damp is None else (damp[0].repeat(len(xs) - 1), damp[1].repeat(len(xs) - 1))
        gained = np.cumsum(law.mean_rates(xs, stays) * np.diff(times))
        if gained.size and gained[-1] >= need:
            at = min(int(np.searchsorted(gained, need)), gained.size - 1)
            before = float(gained[at - 1]) if at else 0.0
            part = float(times[at + 1] - times[at])
            return float(times[at]) + _end_within(
                law, float(xs[at]), float(xs[at + 1]), part, need - before, damp
            )
        need -= float(gained[-1]) if gained.size else 0.0
        from_s, present_x = float(times[-1]), float(xs[-1])
    if present_x is None:
        if law.lean is SafeSide.OPENS:
            return None
        return from_s + need / law.hottest_rate
    rate = _rate_x(law, present_x, damp)
    return from_s + need / rate if rate > 0.0 else None
