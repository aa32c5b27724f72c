"""What the next hours will probably do to each limit, and when one will break.

Where there is neither a day of log nor a forecast, the last hour's trend is carried for another.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from rules.limits import Judged, is_upper
from rules.vocabulary import LimitName, Stage

if TYPE_CHECKING:
    from rules.outlook_draws import OutlookBreak

CARRIED_S = 3600.0
AHEAD_COUNTS_S = 1800.0
_SAMPLE_EVERY_S = 300.0
_KEPT_S = 3900.0
_LEAST_SAMPLES = 7  # half an hour
_LEAST_Z = 3.0


class Break(NamedTuple):
    """A limit that the trend would break.

    Attributes:
        name: the limit.
        at_s: about when, seconds since 1970-01-01 UTC [s].
        per_hour: how fast its quantity moves [unit/h].
    """

    name: LimitName
    at_s: float
    per_hour: float


class Ahead(NamedTuple):
    """What an outlook made a while ago says of the limits in force.

    Attributes:
        made_s: when it was made, seconds since 1970-01-01 UTC [s].
        stage: of the section, for which it was made.
        looked_ahead_s: how far it looks [s].
        breaks: limits that will probably break while the film minds them, soonest first; their
            times count from when it was made.
        source: what it rests on, in words.
    """

    made_s: float
    stage: Stage
    looked_ahead_s: float
    breaks: tuple[OutlookBreak, ...]
    source: str

    def counts(self, stage: Stage, time_s: float) -> bool:
        """Return whether it is young enough, and about the stage that the section is in."""
        return stage is self.stage and 0.0 <= time_s - self.made_s <= AHEAD_COUNTS_S


class RecentTrend:
    """The last hour of each limit's quantity, sampled every 5 min, and where it leads.

    Source:
        Slope by the Theil-Sen estimator, counted only where the Mann-Kendall test puts it three
        standard deviations out, so that neither noise nor a single step makes a trend.
    """

    __slots__ = ("_next_sample_s", "_samples", "_slopes")

    def __init__(self) -> None:
        self._samples: dict[LimitName, deque[tuple[float, float]]] = {}
        self._slopes: dict[LimitName, float] = {}
        self._next_sample_s = -math.inf

    def take(self, judged: Sequence[Judged], time_s: float) -> None:
        """Note the medians of an evaluation; one in 5 min is kept.

        Args:
            judged: every limit in force.
            time_s: of the evaluation, never before the last [s].
        """
        if time_s < self._next_sample_s:
            return
        self._next_sample_s = (math.floor(time_s / _SAMPLE_EVERY_S) + 1) * _SAMPLE_EVERY_S
        for entry in judged:
            if entry.inside_median is None:
                continue
            sign = -1.0 if is_upper(entry.name) else 1.0
            value = entry.bound + sign * entry.inside_median
            samples = self._samples.setdefault(entry.name, deque())
            samples.append((time_s, value))
        self._slopes.clear()
        for name, samples in self._samples.items():
            while samples and samples[0][0] < time_s - _KEPT_S:
                samples.popleft()
            slope = trend_per_s(samples)
            if slope:
                self._slopes[name] = slope

    def per_hour(self, name: LimitName) -> float:
        """Return how fast a limit's quantity moves, 0 where no trend stands out [unit/h]."""
        return self._slopes.get(name, 0.0) * 3600.0

    def looked_ahead_s(self) -> float:
        """Return how far the trend can be carried now: an hour, or 0 under half an hour of data."""
        if any(len(samples) >= _LEAST_SAMPLES for samples in self._samples.values()):
            return CARRIED_S
        return 0.0

    def breaks(self, judged: Sequence[Judged], time_s: float) -> list[Break]:
        """Return the limits that the trend would break within the hour, soonest first."""
        if not self._slopes:
            return []
        found: list[Break] = []
        for entry in judged:
            slope = self._slopes.get(entry.name)
            if slope is None or entry.inside_median is None:
                continue
            closing = slope if is_upper(entry.name) else -slope
            room = max(entry.inside_median, 0.0)
            if closing > 0.0 and room < closing * CARRIED_S:
                found.append(Break(entry.name, time_s + room / closing, slope * 3600.0))
        return sorted(found, key=lambda each: each.at_s)

    def forget(self) -> None:
        """Drop every sample, as after a jump of the clock."""
        self._samples.clear()
        self._slopes.clear()
        self._next_sample_s = -math.inf


def trend_per_s(samples: Sequence[tuple[float, float]]) -> float:
    """Return the slope of a short series where it stands out of the noise, else 0.

    Args:
        samples: (time [s], value), ordered by time; up to about 20.

    Returns:
        The median of the slopes of all pairs [unit/s]; 0 where fewer than seven samples or the
        Mann-Kendall statistic is under three standard deviations.

    Source:
        Theil-Sen estimator; Mann-Kendall test with var S = n (n - 1) (2 n + 5) / 18 (from memory).

    >>> trend_per_s([(60.0 * k, 0.5 * k) for k in range(8)])
    0.008333333333333333
    >>> trend_per_s([(60.0 * k, 1.0 if k > 3 else 0.0) for k in range(8)])
    0.0
    """
    entries = list(samples)
    count = len(entries)
    if count < _LEAST_SAMPLES:
        return 0.0
    score = 0
    slopes: list[float] = []
    for later in range(1, count):
        later_s, later_value = entries[later]
        for earlier in range(later):
            earlier_s, earlier_value = entries[earlier]
            change = later_value - earlier_value
            score += (change > 0.0) - (change < 0.0)
            slopes.append(change / (later_s - earlier_s))
    spread = math.sqrt(count * (count - 1) * (2 * count + 5) / 18.0)
    if abs(score) - 1 < _LEAST_Z * spread:
        return 0.0
    return median(slopes)
