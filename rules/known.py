"""What is known of a quantity at times when nobody measured it: the one rule for every gap.

A quantity at a time is a known interval. Where it was measured it is the value; where it was not,
it widens from the measurements on both sides, or from the last one alone, by how fast the quantity
can move there. Clocks, outlook and review take the edge that is safe for them, so that none of them
handles a gap by itself. A live call does not: a point past its max_age is unknown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.units import DAY_S, HOUR_S

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Node = tuple[float, float]
"""An instant and a value, where a straight line bends [s, unit]."""

LEARN_S = 24.0 * HOUR_S
"""How long before a gap the record is asked how fast its quantity moves [s]."""

_LAG_S = 900.0  # movement within a quarter of an hour is the weather's, not the sensor's noise
_FEWEST = 8  # steps of that length, else the default counts
_STRETCH = 1.5  # what was not seen in a day may still come; common practice, no source


class Drift(NamedTuple):
    """How far a quantity can move from where it was last measured.

    Attributes:
        per_s: how fast, at the most [unit/s].
        most: how far in all [unit].
    """

    per_s: float
    most: float


class Pace(NamedTuple):
    """What one kind of quantity can do unseen, whatever its record teaches.

    Attributes:
        usual: where the record tells too little.
        slowest: that it can always have moved: a quiet day is no promise for the next.
        fastest: that is believed of it, unless it was seen to move faster.
        apart: how much further than was seen two probes of one enclosure can always have stood
            apart, for each day in which one of them was silent [unit].
        least: that it can be at all [unit].
        greatest: that it can be at all [unit].
    """

    usual: Drift
    slowest: Drift
    fastest: Drift
    apart: float
    least: float = -np.inf
    greatest: float = np.inf

    def possible(self, values: Floats) -> Floats:
        """Return values within what the quantity can be."""
        return np.clip(values, self.least, self.greatest)


def _pace(apart: float, *per_h_and_most: tuple[float, float]) -> Pace:
    usual, slowest, fastest = (Drift(per_h / HOUR_S, most) for per_h, most in per_h_and_most)
    return Pace(usual, slowest, fastest, apart)


TEMPERATURE = _pace(0.2, (6.0, 15.0), (0.5, 3.0), (12.0, 25.0))
"""A hull, or a tent's air; it and the three below are common practice, no source [K]."""

UNHEARD_HULL = TEMPERATURE._replace(slowest=TEMPERATURE.usual)
"""A hull where water may have lain on it: a quiet day before promises nothing [K]."""

MARGIN = _pace(1.0, (20.0, 25.0), (15.0, 20.0), (20.0, 30.0))
"""A surface over the dew point: a wetting or an open door is quicker than a hull [K]."""

HUMIDITY = _pace(2.0, (40.0, 60.0), (20.0, 50.0), (60.0, 100.0))._replace(least=0.0, greatest=100.0)
"""Relative humidity [%]."""

CARBON_DIOXIDE = _pace(200.0, (4000.0, 8000.0), (2000.0, 4000.0), (8000.0, 20_000.0))
"""A flame that is lit or put out [ppm]."""

_SUSPECT_S = HOUR_S  # before a probe falls silent, or is doubted, it may have been wrong already
_UNSEEN_APART = 15.0  # times `apart`, where two were seen together at no time of day

# A thin sheet follows the air within ten minutes, heavy planking in hours; where the air was not
# measured for more than an hour nothing is taken to have turned back further. Judgement, no source.
_QUICKEST_S, _SLOWEST_S = 600.0, 4.0 * HOUR_S
_DRAWN_EACH_S = 300.0

_MOST_DAYS = 8192
_DRIFT_OF_DAY: dict[tuple[Pace, bytes], Drift] = {}


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The lower or the upper edge of a known interval, as straight lines between nodes.

    Attributes:
        time_s: of each node, never descending [s].
        value: at each node; before the first and after the last it stays [unit].
        measured: for each node, whether the line that ends there runs between two measurements
            near enough to each other; the first is False.
        last_s: when the last measurement was made, or None without any [s].
        fresh_s: how long it counts as measured after that: not at all where the point is known to
            have gone silent [s].
    """

    time_s: Floats
    value: Floats
    measured: Bools
    last_s: float | None
    fresh_s: float


def learned_drift(time_s: Floats, value: Floats, pace: Pace = TEMPERATURE) -> Drift:
    """Return how fast a quantity moves, from a stretch of its own record.

    Args:
        time_s: instants, ascending [s].
        value: what was measured then [unit].
        pace: of its kind.

    Returns:
        One and a half times the fastest movement over a quarter of an hour and the widest span of
        the stretch, within the slowest and the fastest of its kind, and never less than was seen;
        the usual one where the stretch has under two hours of quarters.

    Source:
        Common practice, no source: bounds and stretch are this program's own.
    """
    if time_s.size < _FEWEST:
        return pace.usual
    grid = np.arange(time_s[0], time_s[-1], _LAG_S)
    at = np.searchsorted(time_s, grid)
    at = at[np.diff(at, prepend=-1) > 0]  # as `np.unique`, which loads masked arrays
    if at.size < _FEWEST:
        return pace.usual
    steps_s, moved = np.diff(time_s[at]), np.abs(np.diff(value[at]))
    per_s = float((moved / np.maximum(steps_s, _LAG_S)).max())
    most = float(value[at].max() - value[at].min())
    return Drift(
        max(per_s, min(max(_STRETCH * per_s, pace.slowest.per_s), pace.fastest.per_s)),
        max(most, min(max(_STRETCH * most, pace.slowest.most), pace.fastest.most)),
    )


def edge_of(
    time_s: Floats,
    value: Floats,
    max_gap_s: float,
    *,
    upper: bool,
    now_s: float | None = None,
    pace: Pace = TEMPERATURE,
    around: Floats | None = None,
) -> Edge:
    """Return one edge of what is known of a quantity over its whole record.

    Args:
        time_s: instants, never descending [s].
        value: measured then; NaN where the point had gone silent [unit].
        max_gap_s: two measurements further apart, or with a silence between, leave a gap [s].
        upper: the highest that it can have been, else the lowest.
        now_s: until when the last measurement must serve; None where none is asked [s].
        pace: of the quantity's kind.
        around: of a hull, this edge of the air at the same instants, NaN where not known; None
            where nothing draws the quantity [unit].

    Returns:
        The edge. In a gap it leaves both measurements at the speed that the day before the gap
        taught, as far as that taught, and always so fast that the two can be joined. Before the
        first measurement it does so too, and after the last once that is older than `max_gap_s`,
        or a silence follows it. What is around it can draw it further in a gap, as `_drawn` has it,
        and never holds it back.

    Source:
        The greatest and the least function of bounded slope through given points (the Whitney-
        McShane extensions of a Lipschitz function); where the bound is from is in `learned_drift`.

    >>> edge = edge_of(np.array([0.0, 7200.0]), np.array([20.0, 20.0]), 600.0, upper=False)
    >>> edge.time_s.tolist(), edge.value.tolist()
    ([-9000.0, 0.0, 3600.0, 7200.0], [5.0, 20.0, 14.0, 20.0])
    """
    place = np.flatnonzero(np.isfinite(value))
    if not place.size:
        return Edge(time_s[place], value[place], np.zeros(0, dtype=np.bool_), None, max_gap_s)
    first, count = int(place[0]), place.size
    whole = int(place[-1]) - first + 1 == count  # months without a hole are not copied
    part = slice(first, first + count) if whole else place
    times, values = time_s[part], value[part]
    gap = np.diff(times) > max_gap_s
    if not whole:
        gap |= np.diff(place) > 1
    fresh_s = 0.0 if int(place[-1]) + 1 < value.size else max_gap_s
    del place, part
    last_s = float(times[-1])
    sign = 1.0 if upper else -1.0
    measured = np.concatenate(([False], ~gap))
    at: list[int] = []
    nodes: list[Node] = []
    for k in np.flatnonzero(gap).tolist():
        drift = _before(times, values, k, pace)
        ends = (float(times[k]), float(values[k])), (float(times[k + 1]), float(values[k + 1]))
        found = _way(*ends, drift, sign, time_s, around)
        at += [k + 1] * len(found)
        nodes += found
    if now_s is not None and now_s - last_s > fresh_s:
        drift = _before(times, values, times.size - 1, pace)
        found = _way((last_s, float(values[-1])), None, drift, sign, time_s, around)
        at += [times.size] * len(found)
        nodes += found
    at.append(0)
    nodes.append(
        (
            float(times[0]) - pace.usual.most / pace.usual.per_s,
            float(values[0]) + sign * pace.usual.most,
        )
    )
    times = np.insert(times, at, [node[0] for node in nodes])
    values = np.insert(values, at, [node[1] for node in nodes])
    return Edge(times, values, np.insert(measured, at, False), last_s, fresh_s)


def ends_of(
    time_s: Floats,
    low: Floats,
    high: Floats,
    at_s: Floats,
    max_gap_s: float,
    pace: Pace,
    now_s: float | None = None,
    around: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, Floats]:
    """Return the lowest and the highest that a quantity can have been at some instants.

    Args:
        time_s: instants, never descending [s].
        low: the lowest as measured then, NaN where it was not [unit].
        high: the highest.
        at_s: when it is asked for, ascending [s].
        max_gap_s: as `edge_of`, and so `pace` and `now_s`.
        pace: of the quantity's kind.
        now_s: until when the last measurement must serve [s].
        around: of a hull, the lowest and the highest of the air, as `edge_of`.

    Returns:
        Both; minus and plus infinity where nothing was ever measured.
    """

    def end(values: Floats, *, upper: bool) -> Floats:
        beside = None if around is None else around[upper]
        edge = edge_of(
            time_s, values, max_gap_s, upper=upper, now_s=now_s, pace=pace, around=beside
        )
        if not edge.time_s.size:
            return np.full(at_s.size, np.inf if upper else -np.inf)
        return pace.possible(np.interp(at_s, edge.time_s, edge.value))

    return end(low, upper=False), end(high, upper=True)


def margin_over_silent_hull(
    time_s: Floats,
    hull: tuple[Floats, Floats],
    at_s: Floats,
    wetting: Sequence[Floats],
    max_gap_s: float,
    now_s: float,
    around: tuple[Floats, Floats],
) -> tuple[Floats, Floats]:
    """Return how far a hull can have stood over the wetting point that was measured beside it.

    Args:
        time_s: instants, never descending [s].
        hull: the lowest and the highest that it was then, NaN where it was silent [degC].
        at_s: when it is asked for, ascending [s].
        wetting: the lowest and the highest wetting point then, NaN where not known [degC].
        max_gap_s: as `edge_of`, and so `now_s`.
        now_s: until when the last measurement must serve [s].
        around: the lowest and the highest of the air, as `edge_of`.

    Returns:
        The least and the most [K], NaN where the wetting point is not known.
    """
    low, high = ends_of(time_s, *hull, at_s, max_gap_s, UNHEARD_HULL, now_s, around)
    return low - wetting[1], high - wetting[0]


Silences = dict[tuple[int, float, float, int], tuple[Floats, Floats]]
"""What a probe can have been in silences that have ended, by its place, their ends and length."""


def with_silences(
    time_s: Floats,
    low: Floats,
    high: Floats,
    pace: Pace,
    ended: Silences | None = None,
    around: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, Floats]:
    """Return what is known of each of several probes of one kind, the silent ones too.

    Args:
        time_s: instants, never descending, shape (n,) [s].
        low: the lowest that each probe can have meant, NaN where it said nothing, shape (n, probes)
            [unit].
        high: the highest, likewise.
        pace: of their kind.
        ended: what earlier calls found, of the same instants and perhaps fewer of them; what is
            found of silences that have ended is added. None to reckon all.
        around: of hulls, the lowest and the highest of the air at the same instants, as `edge_of`.

    Returns:
        Both, with each probe's silences filled: it leaves its own measurements on both sides as
        `edge_of` has it, but stands no further from a neighbour that speaks than the two were seen
        to stand apart in the day before, its last hour left out; where the two contradict each
        other, either may be right. A hull can have stayed behind one that has gone further out than
        it was then, or followed air that has, and `around` narrows nothing. NaN is left before a
        probe first spoke, and where none of them did.

    Source:
        Common practice, no source: how much further than seen they may part is in `_apart`.

    >>> day_s = np.arange(0.0, 172_800.0, 900.0)
    >>> bow = np.full(day_s.size, 12.0)
    >>> stern = np.where(day_s < 90_000.0, 10.0, np.nan)
    >>> both = np.column_stack([bow, stern])
    >>> low, high = with_silences(day_s, both, both, TEMPERATURE)
    >>> low[-1].round(1).tolist(), high[-1].round(1).tolist()
    ([12.0, 9.6], [12.0, 10.4])
    """
    spoke: Bools = np.isfinite(low)
    some: Bools = np.logical_or.reduce(spoke, axis=1)
    if spoke[some].all():
        return low, high
    several = _Several(time_s, low, high, pace, around)
    filled = low.copy(), high.copy()
    for probe in range(low.shape[1]):
        own = np.flatnonzero(spoke[:, probe])
        following = np.append(own[1:], time_s.size)
        for place in np.flatnonzero(following - own > 1).tolist():
            silence = _Silence(probe, int(own[place]), int(following[place]))
            key = silence.key(time_s)
            found = None if ended is None else ended.get(key)
            if found is None:
                drift = _before(time_s[own], low[own, probe], place, pace)
                found, settled = several.known(silence, drift)
                if settled and ended is not None:
                    ended[key] = found
            for column, values in zip(filled, found, strict=True):
                within = pace.possible(values)
                column[silence.rows, probe] = np.where(some[silence.rows], within, np.nan)
    return filled


def both_known(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return the lowest and the highest that two bounds of one quantity leave it.

    Args:
        one: lowest and highest, NaN where it says nothing [unit].
        other: likewise.

    Returns:
        What is within both. Where the two contradict each other, one of them is wrong, and nobody
        knows which: what is within either.

    >>> ends = both_known((np.array([1.0, 1.0]), np.array([5.0, 2.0])), (np.full(2, 3.0),) * 2)
    >>> [each.tolist() for each in ends]
    [[3.0, 1.0], [3.0, 3.0]]
    """
    low, high = np.fmax(one[0], other[0]), np.fmin(one[1], other[1])
    belied = low > high
    low = np.where(belied, np.fmin(one[0], other[0]), low)
    return low, np.where(belied, np.fmax(one[1], other[1]), high)


def gone_by(pace: Pace, unseen_s: float) -> float:
    """Return how far a quantity can have gone where nothing has told of it for some time [unit].

    Args:
        pace: of its kind; the usual one counts.
        unseen_s: for how long [s].

    >>> gone_by(TEMPERATURE, 600.0), gone_by(TEMPERATURE, 86_400.0)
    (1.0, 15.0)
    """
    return min(pace.usual.per_s * max(unseen_s, 0.0), pace.usual.most)


def between(edge: Edge, at_s: Floats, *, upper: bool) -> Floats:
    """Return what an edge is between each two instants.

    Args:
        edge: with one node at least.
        at_s: instants, never descending [s].
        upper: the edge is the upper one.

    Returns:
        One value fewer than instants: the mean where all between was measured, else the furthest
        that the edge goes there [unit].
    """
    further = np.maximum if upper else np.minimum
    ends = np.interp(at_s, edge.time_s, edge.value)
    begin, end = ends[:-1], ends[1:]
    found: Floats = further(begin, end)
    cell = np.searchsorted(at_s, edge.time_s) - 1
    inside = (cell >= 0) & (cell < found.size)
    further.at(found, cell[inside], edge.value[inside])
    unmeasured = np.cumsum(np.concatenate(([False], ~edge.measured, [True])))
    lines = np.searchsorted(edge.time_s, at_s[:-1], "right")
    last = np.maximum(np.searchsorted(edge.time_s, at_s[1:], "left") + 1, lines)
    return np.where(unmeasured[last] > unmeasured[lines], found, 0.5 * (begin + end))


class _Silence(NamedTuple):
    """Rows in which one of several probes said nothing.

    Attributes:
        probe: its place.
        begin: the row in which it last spoke.
        end: the row in which it spoke again, or the count of rows.
    """

    probe: int
    begin: int
    end: int

    @property
    def rows(self) -> slice:
        return slice(self.begin + 1, self.end)

    def key(self, time_s: Floats) -> tuple[int, float, float, int]:
        end_s = float(time_s[self.end]) if self.end < time_s.size else np.inf
        return self.probe, float(time_s[self.begin]), end_s, self.end - self.begin


class _Stood(NamedTuple):
    """How a neighbour was seen to stand to a silent probe.

    Attributes:
        other: its place.
        down: how far under it the silent one can stand at the most, negative [unit].
        up: how far over it.
        rows: in which both spoke.
        share: of the day's quarters of an hour in which they did, 0 to 1.
    """

    other: int
    down: float
    up: float
    rows: NDArray[np.intp]
    share: float


class _Several(NamedTuple):
    """What several probes of one kind said; see `with_silences`."""

    time_s: Floats
    low: Floats
    high: Floats
    pace: Pace
    around: tuple[Floats, Floats] | None

    def known(self, silence: _Silence, drift: Drift) -> tuple[tuple[Floats, Floats], bool]:
        """Lowest and highest in a silence, and whether later rows will leave them as they are.

        Air around it may widen what is known without that, and no more.
        """
        time_s, begin, end = self.time_s, silence.begin, silence.end
        back = end < time_s.size
        to_s = float(time_s[begin]) - _SUSPECT_S
        learned = self._learned(silence, to_s - LEARN_S, to_s)
        settled = back and bool(learned)
        if back and not learned:
            end_s = float(time_s[end])
            learned = self._learned(silence, end_s, end_s + LEARN_S)
        alone = both_known(self._own(silence, drift, None), self._beside(silence, learned, None))
        if self.around is None:
            return alone, settled
        drawn = self._own(silence, drift, self.around)
        low, high = both_known(drawn, self._beside(silence, learned, self.around))
        return (np.fmin(low, alone[0]), np.fmax(high, alone[1])), settled

    def _own(
        self, silence: _Silence, drift: Drift, around: tuple[Floats, Floats] | None
    ) -> tuple[Floats, Floats]:
        """What its own measurements say of a silent probe."""
        time_s, (probe, begin, end) = self.time_s, silence
        found = []
        for side, sign in ((0, -1.0), (1, 1.0)):
            values = (self.low, self.high)[side][:, probe]
            first = float(time_s[begin]), float(values[begin])
            last = (float(time_s[end]), float(values[end])) if end < time_s.size else None
            air = None if around is None else around[side]
            nodes = [first, *_way(first, last, drift, sign, time_s, air)]
            found.append(_along(nodes if last is None else [*nodes, last], time_s[silence.rows]))
        return found[0], found[1]

    def _learned(self, silence: _Silence, from_s: float, to_s: float) -> list[_Stood]:
        """How neighbours stood to a silent probe in a time, the closest one first."""
        first, last = np.searchsorted(self.time_s, (from_s, np.nextafter(to_s, np.inf)))
        seen = slice(int(first), int(last))
        quarter = self.time_s[seen] % DAY_S // _LAG_S
        learned = []
        for other in range(self.low.shape[1]):
            off_low, off_high = (
                each[seen, silence.probe] - each[seen, other] for each in (self.low, self.high)
            )
            both = np.isfinite(off_low)
            quarters = np.unique(quarter[both]).size
            if other != silence.probe and quarters >= _FEWEST:
                down, up = float(off_low[both].min()), float(off_high[both].max())
                share = quarters * _LAG_S / DAY_S
                further = _apart(up - down, share, self.pace)
                rows = seen.start + np.flatnonzero(both)
                learned.append(_Stood(other, down - further, up + further, rows, share))
        return sorted(learned, key=lambda each: each.up - each.down)

    def _beside(
        self,
        silence: _Silence,
        learned: list[_Stood],
        around: tuple[Floats, Floats] | None,
    ) -> tuple[Floats, Floats]:
        """What neighbours say of a silent probe."""
        unseen_s = self.time_s[silence.rows] - self.time_s[silence.begin]
        if silence.end < self.time_s.size:
            unseen_s = np.minimum(unseen_s, self.time_s[silence.end] - self.time_s[silence.rows])
        more = self.pace.apart * unseen_s / DAY_S
        low, high = np.full((2, unseen_s.size), np.nan)
        for stood in learned:
            further = more if around is None else more + self._further_off(silence, stood, around)
            rows = silence.rows, stood.other
            low = np.where(np.isnan(low), self.low[rows] + stood.down - further, low)
            high = np.where(np.isnan(high), self.high[rows] + stood.up + further, high)
        return low, high

    def _further_off(
        self, silence: _Silence, stood: _Stood, around: tuple[Floats, Floats]
    ) -> Floats:
        """How much further than can follow from when it was seen a silent hull may have left one.

        By so much as the air has since been further from that one, or that one itself further out
        than it was then: of two hulls the heavier stays behind.
        """
        low, high = self.low[:, stood.other], self.high[:, stood.other]
        at_s = self.time_s[silence.rows] - self.time_s[silence.begin]
        further = np.zeros(at_s.size)
        for lower, upper in ((low, high), (around[0] - high, around[1] - low)):
            if not (np.isfinite(lower) & np.isfinite(upper))[stood.rows].any():
                continue
            least, most = np.fmin.reduce(lower[stood.rows]), np.fmax.reduce(upper[stood.rows])
            slack = _apart(most - least, stood.share, self.pace)
            out = np.fmax(upper[silence.rows] - most, least - lower[silence.rows])
            np.fmax(further, np.where(out > slack, out, 0.0), out=further)
        with np.errstate(divide="ignore"):
            kept = np.log(further) + at_s / _SLOWEST_S
        found: Floats = np.exp(np.maximum.accumulate(kept) - at_s / _SLOWEST_S)
        return found


def _apart(span: float, seen: float, pace: Pace) -> float:
    """How much further than seen two probes may stand apart, on either side.

    Args:
        span: of the differences seen [unit].
        seen: the share of the day's quarters of an hour in which they were, 0 to 1.
        pace: of their kind.
    """
    unseen = _UNSEEN_APART * pace.apart * (1.0 - seen)
    return max(0.5 * (_STRETCH - 1.0) * span, pace.apart) + unseen


def _before(time_s: Floats, value: Floats, k: int, pace: Pace) -> Drift:
    """How fast the quantity moved in the day up to its measurement `k`.

    A log of hourly rows is all gaps, and is asked of anew at each of them: what a day has taught
    is remembered by what stood in it.
    """
    first = int(np.searchsorted(time_s, time_s[k] - LEARN_S))
    times, values = time_s[first : k + 1], value[first : k + 1]
    day = blake2b(times.tobytes(), digest_size=16)
    day.update(values.tobytes())
    key = pace, day.digest()
    drift = _DRIFT_OF_DAY.get(key)
    if drift is None:
        if len(_DRIFT_OF_DAY) >= _MOST_DAYS:
            _DRIFT_OF_DAY.clear()
        drift = _DRIFT_OF_DAY[key] = learned_drift(times, values, pace)
    return drift


def _way(
    first: Node,
    last: Node | None,
    drift: Drift,
    sign: float,
    time_s: Floats,
    around: Floats | None,
) -> list[Node]:
    """The nodes of an edge between two measurements, or after the last one."""
    if last is None:
        way = [(first[0] + drift.most / drift.per_s, first[1] + sign * drift.most)]
    else:
        way = _tent(*first, *last, drift, sign)
    if around is None:
        return way
    end = time_s.size if last is None else int(np.searchsorted(time_s, last[0]))
    silent = slice(int(np.searchsorted(time_s, first[0], "right")), end)
    drawn = _drawn(first, time_s[silent], around[silent], sign)
    if not drawn:
        return way
    at_s = np.array(sorted({at for at, _ in (*way, *drawn)}))
    further = np.maximum if sign > 0.0 else np.minimum
    value = further(
        _along([first, *way, *([] if last is None else [last])], at_s),
        _along([first, *drawn], at_s),
    )
    return list(zip(at_s.tolist(), value.tolist(), strict=True))


def _along(nodes: list[Node], at_s: Floats) -> Floats:
    """The value of a line at some instants; before its first node and after its last it stays."""
    return np.interp(at_s, [at for at, _ in nodes], [value for _, value in nodes])


def _drawn(first: Node, time_s: Floats, around: Floats, sign: float) -> list[Node]:
    """How far a hull can have followed the air since it was last measured.

    A body that is warmed and cooled by what is around it, at whatever lag between the quickest and
    the slowest, never goes further than one that follows it at the quickest and turns back at the
    slowest (comparison of first-order equations).
    """
    known = np.isfinite(around)
    time_s, around = time_s[known], around[known]
    if not time_s.size:
        return []
    begins = np.flatnonzero(np.diff(time_s // _DRAWN_EACH_S, prepend=-np.inf))
    ends_s = time_s[np.append(begins[1:], time_s.size) - 1]
    furthest = (np.maximum if sign > 0.0 else np.minimum).reduceat(around, begins)
    at_s, value = first
    found = []
    for end_s, air in zip(ends_s.tolist(), furthest.tolist(), strict=True):
        lag_s = _QUICKEST_S if sign * (air - value) > 0.0 else _SLOWEST_S
        value = air + (value - air) * math.exp(-min(end_s - at_s, HOUR_S) / lag_s)
        at_s = end_s
        found.append((at_s, value))
    return found


def _tent(
    begin_s: float, begin: float, end_s: float, end: float, drift: Drift, sign: float
) -> list[Node]:
    """The nodes between two measurements: where the lines from both meet, or where they stop."""
    span_s = end_s - begin_s
    per_s = max(drift.per_s, abs(end - begin) / span_s) if span_s > 0.0 else 0.0
    if per_s <= 0.0:
        return []
    meet_s = 0.5 * (begin_s + end_s + sign * (end - begin) / per_s)
    meet = begin + sign * per_s * (meet_s - begin_s)
    stop = (max if sign > 0.0 else min)(begin, end) + sign * drift.most
    if sign * (meet - stop) <= 0.0:
        return [(meet_s, meet)]
    return [
        (begin_s + abs(stop - begin) / per_s, stop),
        (end_s - abs(stop - end) / per_s, stop),
    ]
