"""What the next hours will probably do to each limit, and when one will break.

Where there is neither a day of log nor a forecast, the last hour's trend is carried for another.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Mapping, Sequence
from statistics import correlation, median
from typing import TYPE_CHECKING, NamedTuple, Protocol

from rules.limits import LimitJudgement, is_upper
from rules.vocabulary import LimitName, Stage

if TYPE_CHECKING:
    from rules.outlook.draws import OutlookBreak

CARRIED_S = 3600.0
AHEAD_COUNTS_S = 1800.0
_FINEST_S = 60.0
_COARSEST_S = 300.0
_KEPT_S = 3900.0
_KEPT_SLOW_S = 4 * 3600.0  # where readings are so far apart that an hour holds too few
_YOUNG_S = 900.0  # what changed so lately does not show in the hour's slope yet
# What so few minutes show is carried for twice as many; our own choice, no source.
_YOUNG_CARRIED = 2.0
_YOUNG_ROOM = 3.0  # further from its bound than so many of its mean courses it is not looked at
_YOUNG_STEP = 0.5  # largest share of its change that may come at once
_DIES_OUT_S = 1200.0
"""How soon a change that is not even slows down: chosen on twelve invented sheds, tried on fourteen
others (the clean runs of benchmarks/probe_faults.py) [s]."""
_EVEN_R2 = 0.97  # of a straight line through the samples
_EVEN_STILL = 0.8  # least share of its speed that its later half still has
_MOST_SAMPLES = 14
_LEAST_SAMPLES = 7
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


class Noted(NamedTuple):
    """What a trend takes note of at one limit.

    Attributes:
        name: the limit.
        bound: of it [unit].
        inside_median: how far inside it the median of the last 60 s is, or None [unit].
    """

    name: LimitName
    bound: float
    inside_median: float | None


class _Notes(Protocol):
    """What has those three, as a limit's judgement does."""

    @property
    def name(self) -> LimitName: ...
    @property
    def bound(self) -> float: ...
    @property
    def inside_median(self) -> float | None: ...


class Course(NamedTuple):
    """Where a limit's quantity is going.

    Attributes:
        per_s: how fast [unit/s].
        carried_s: how far ahead it is followed [s].
        even: it has gone a straight line so far and goes on as fast.
    """

    per_s: float
    carried_s: float
    even: bool

    def reaches_after_s(self, room: float, *, upper: bool) -> float | None:
        """Return after how long it has used up the room to a bound, or None.

        An even course runs on; any other dies out as T (1 - exp(-t / T)), T = 20 min.

        Args:
            room: inside the bound [unit].
            upper: the bound is an upper one.

        >>> round(Course(1.0 / 600.0, 3600.0, True).reaches_after_s(2.1, upper=True))
        1260
        >>> Course(1.0 / 600.0, 3600.0, False).reaches_after_s(2.1, upper=True)
        """
        nearer_per_s = self.nearer_per_s(upper=upper)
        if room < 0.0 or nearer_per_s <= 0.0:
            return None
        after_s = room / nearer_per_s
        if not self.even:
            left = 1.0 - after_s / _DIES_OUT_S
            after_s = -_DIES_OUT_S * math.log(left) if left > 0.0 else math.inf
        return after_s if after_s < self.carried_s else None

    def nearer_per_s(self, *, upper: bool) -> float:
        """Return how fast it nears an upper bound, or a lower one [unit/s]."""
        return self.per_s if upper else -self.per_s

    def uses_up(self, *, upper: bool) -> float:
        """Return the room to a bound from which on it does not reach it; 0 where it leads away.

        Args:
            upper: the bound is an upper one.

        >>> course = Course(1.0 / 600.0, 3600.0, False)
        >>> room = course.uses_up(upper=True)
        >>> course.reaches_after_s(0.999 * room, upper=True) is None
        False
        >>> course.reaches_after_s(1.001 * room, upper=True) is None
        True
        """
        lasts_s = self.carried_s
        if not self.even:
            lasts_s = _DIES_OUT_S * (1.0 - math.exp(-lasts_s / _DIES_OUT_S))
        return max(0.0, self.nearer_per_s(upper=upper) * lasts_s)


class EarlierOutlook(NamedTuple):
    """What an outlook made a while ago says of the limits in force.

    Attributes:
        made_s: when it was made, seconds since 1970-01-01 UTC [s].
        stage: of the section, for which it was made.
        looked_ahead_s: how far it looks [s].
        breaks: limits that will probably break while the film minds them, soonest first; their
            times count from when it was made.
        source: what it rests on, in words.
        last_start_s: the latest that a coat can be begun, seconds since 1970-01-01 UTC, where its
            harm time would first not fit any more; None where no end is seen, or none fits [s].
        last_start_limit: which limit ends it.
    """

    made_s: float
    stage: Stage
    looked_ahead_s: float
    breaks: tuple[OutlookBreak, ...]
    source: str
    last_start_s: float | None = None
    last_start_limit: LimitName | None = None

    def counts(self, stage: Stage, time_s: float) -> bool:
        """Return whether it is young enough, and about the stage that the section is in."""
        return stage is self.stage and 0.0 <= time_s - self.made_s <= AHEAD_COUNTS_S


class RecentTrend:
    """The last hour of each limit's quantity, and where it leads.

    Samples stand a minute apart at first and five minutes later on; slow readings count for 4 h.
    The last quarter of an hour is looked at by itself too: when a heater fails, the hour's slope
    shows it only once half of that hour has passed.

    Source:
        Slope by the Theil-Sen estimator, counted only where the Mann-Kendall test puts it three
        standard deviations out, so that neither noise nor a single step makes a trend.
    """

    __slots__ = (
        "_courses",
        "_next_sample_s",
        "_next_young_s",
        "_samples",
        "_spacing_s",
        "_young",
        "_young_courses",
    )

    def __init__(self) -> None:
        self._young: dict[LimitName, deque[tuple[float, float]]] = {}
        self._young_courses: dict[LimitName, Course] = {}
        self._next_young_s = -math.inf
        self._samples: dict[LimitName, deque[tuple[float, float]]] = {}
        self._courses: dict[LimitName, Course] = {}
        self._next_sample_s = -math.inf
        self._spacing_s = _FINEST_S

    def take(self, judged: Sequence[_Notes], time_s: float) -> None:
        """Note the medians of an evaluation; few are kept.

        Args:
            judged: every limit in force.
            time_s: of the evaluation, never before the last [s].
        """
        if time_s >= self._next_young_s:
            self._take_young(judged, time_s)
        if time_s < self._next_sample_s:
            return
        self._next_sample_s = (math.floor(time_s / self._spacing_s) + 1) * self._spacing_s
        for entry in judged:
            if entry.inside_median is None:
                continue
            samples = self._samples.setdefault(entry.name, deque())
            samples.append((time_s, _median_of(entry, entry.inside_median)))
        self._courses.clear()
        if any(len(samples) > _MOST_SAMPLES for samples in self._samples.values()):
            self._thin()
        for name, samples in self._samples.items():
            _drop_old(samples, time_s)
            slope = trend_per_s(samples)
            if slope:
                self._courses[name] = Course(slope, CARRIED_S, is_even(samples))

    def _take_young(self, judged: Sequence[_Notes], time_s: float) -> None:
        """Note a minute's medians, and find which limits the last quarter of an hour nears."""
        self._next_young_s = (math.floor(time_s / _FINEST_S) + 1) * _FINEST_S
        self._young_courses.clear()
        for entry in judged:
            room = entry.inside_median
            if room is None:
                continue
            samples = self._young.setdefault(entry.name, deque())
            samples.append((time_s, _median_of(entry, room)))
            while samples[0][0] < time_s - _YOUNG_S:
                samples.popleft()
            first_s, first = samples[0]
            nearer = (samples[-1][1] - first) * (1.0 if is_upper(entry.name) else -1.0)
            if len(samples) < _LEAST_SAMPLES or room > _YOUNG_ROOM * _YOUNG_CARRIED * nearer:
                continue
            values = [value for _, value in samples]
            # A reading that stands for minutes is one reading, not one a minute; and what one
            # step makes up is no course, though noise or drift go the same way.
            largest = max(abs(later - earlier) for earlier, later in itertools.pairwise(values))
            if len(set(values)) < _LEAST_SAMPLES or largest > _YOUNG_STEP * nearer:
                continue
            slope = trend_per_s(samples)
            if slope:
                carried_s = min(CARRIED_S, _YOUNG_CARRIED * (time_s - first_s))
                self._young_courses[entry.name] = Course(slope, carried_s, is_even(samples))

    def _thin(self) -> None:
        """Keep every other sample, the last among them, while the spacing can still grow."""
        if self._spacing_s >= _COARSEST_S:
            return
        self._spacing_s = min(2.0 * self._spacing_s, _COARSEST_S)
        for name, samples in self._samples.items():
            self._samples[name] = deque(list(samples)[::-2][::-1])

    def per_hour(self, name: LimitName) -> float:
        """Return how fast a limit's quantity moves, 0 where no trend stands out [unit/h]."""
        course = self._young_courses.get(name) or self._courses.get(name)
        return course.per_s * 3600.0 if course is not None else 0.0

    def looked_ahead_s(self) -> float:
        """Return how far the trend can be carried now: an hour, or 0 with too few samples."""
        if any(len(samples) >= _LEAST_SAMPLES for samples in self._samples.values()):
            return CARRIED_S
        return 0.0

    def breaks(self, judged: Sequence[LimitJudgement], time_s: float) -> list[Break]:
        """Return the limits that the trend would break within the hour, soonest first."""
        moving = self._courses.keys() | self._young_courses.keys()
        if not moving:
            return []
        found = [
            first
            for entry in judged
            if entry.name in moving
            and entry.harms
            and (first := self._first_break(entry, time_s)) is not None
        ]
        return sorted(found, key=lambda each: each.at_s)

    def _first_break(self, entry: LimitJudgement, time_s: float) -> Break | None:
        """The sooner of what the hour's course and the quarter's would break."""
        room = entry.inside_median
        if room is None:
            return None
        upper = is_upper(entry.name)
        breaks = [
            Break(entry.name, time_s + after_s, course.per_s * 3600.0)
            for courses in (self._courses, self._young_courses)
            if (course := courses.get(entry.name)) is not None
            and (after_s := course.reaches_after_s(room, upper=upper)) is not None
        ]
        return min(breaks, key=lambda each: each.at_s, default=None)

    def next_sample_s(self) -> float:
        """Return from when on an evaluation is noted [s]."""
        return min(self._next_sample_s, self._next_young_s)

    def courses(self) -> tuple[Course, ...]:
        """Return every course that there is now."""
        return (*self._courses.values(), *self._young_courses.values())

    def turning_rooms(self, name: LimitName) -> list[float]:
        """Return the rooms at which it changes whether a course would break a limit [unit]."""
        return [
            course.uses_up(upper=is_upper(name))
            for courses in (self._courses, self._young_courses)
            if (course := courses.get(name)) is not None
        ]

    def stays_within(self, rooms: Mapping[LimitName, float]) -> bool:
        """Return whether no course uses up more than this room; where none is named, it may [unit].

        Args:
            rooms: inside the bound of each limit.
        """
        return all(
            course.uses_up(upper=is_upper(name)) <= rooms.get(name, math.inf)
            for courses in (self._courses, self._young_courses)
            for name, course in courses.items()
        )

    def forget(self) -> None:
        """Drop every sample, as after a jump of the clock."""
        self._samples.clear()
        self._courses.clear()
        self._young.clear()
        self._young_courses.clear()
        self._next_sample_s = self._next_young_s = -math.inf
        self._spacing_s = _FINEST_S


def _median_of(entry: _Notes, inside_median: float) -> float:
    """The median itself, from how far inside its bound it is."""
    return entry.bound + (-inside_median if is_upper(entry.name) else inside_median)


def _drop_old(samples: deque[tuple[float, float]], time_s: float) -> None:
    while samples and (
        samples[0][0] < time_s - _KEPT_SLOW_S
        or (samples[0][0] < time_s - _KEPT_S and len(samples) > _LEAST_SAMPLES)
    ):
        samples.popleft()


def is_even(samples: Sequence[tuple[float, float]]) -> bool:
    """Return whether a course has gone a straight line and still goes as fast.

    Args:
        samples: (time [s], value), ordered by time; seven or more.

    >>> is_even([(60.0 * k, 0.5 * k) for k in range(8)])
    True
    >>> is_even([(60.0 * k, 1.0 - 0.5**k) for k in range(8)])
    False
    """
    times, values = zip(*samples, strict=True)
    if correlation(times, values) ** 2 < _EVEN_R2:
        return False
    half = len(times) // 2
    later = (values[-1] - values[half]) / (times[-1] - times[half])
    whole = (values[-1] - values[0]) / (times[-1] - times[0])
    return bool(later / whole >= _EVEN_STILL)


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
    slopes = [
        (later - earlier) / (later_s - earlier_s)
        for (earlier_s, earlier), (later_s, later) in itertools.combinations(entries, 2)
    ]
    slopes.sort()
    score = len(slopes) - bisect_right(slopes, 0.0) - bisect_left(slopes, 0.0)
    spread = math.sqrt(count * (count - 1) * (2 * count + 5) / 18.0)
    if abs(score) - 1 < _LEAST_Z * spread:
        return 0.0
    return median(slopes)
