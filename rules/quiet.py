"""Within which values and until when a section's answers cannot change, whatever is read.

A section judges whole only what leaves that; `section` asks, and catches up before it explains.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import repeat
from statistics import median
from typing import NamedTuple

from rules.air.saturation import AIR_MAX_C, AIR_MIN_C, RH_FRACTION_PCT, RH_MAX_PCT
from rules.air.state import wetting_point_c
from rules.answer import Answerer
from rules.climate import (
    AIR_TEMP,
    HUMIDITY,
    AssumedSurface,
    Climate,
    PointValue,
)
from rules.limits import (
    MEDIAN_SPAN_S,
    RecentMedian,
    Witness,
    deciding,
    kept_of,
    takes_place,
)
from rules.reasons import Doubt
from rules.sources import QUANTITY_OF, Move, Source, moves_of, sources_of
from rules.spec.model import Limit
from rules.stance import Key, Stance, stance_of
from rules.trend import EarlierOutlook, Noted
from rules.vocabulary import LimitName

_BOXES = ((0.5, 2.0), (0.15, 0.6), (0.05, 0.2))
"""How far temperatures and humidities may move [K, %]; the first that changes nothing counts."""
_MOST_MISSED = 256
_NOBODY: tuple[PointValue, ...] = ()
SURE_S = 1e-3
"""So much sooner than due, so that no rounding comes into it [s]."""


class _Bound(NamedTuple):
    """Where one point's value may be.

    Attributes:
        low: lowest value, excluded; minus infinity where it does not speak to any limit.
        high: highest value, excluded.
        least: from here on ...
        most: to here no estimate needs to be looked at.
        rest: all else of it that has to stay as it is.
    """

    low: float
    high: float
    least: float
    most: float
    rest: tuple[object, ...]


class _Told(NamedTuple):
    """Whom to tell what one estimate says to one limit.

    Attributes:
        medians: of the answer.
        key: of the value there.
        below_k: what the film is colder by [K].
        at: place of the estimate.
    """

    medians: RecentMedian
    key: tuple[LimitName, str, str]
    below_k: float
    at: int


class _Asked(NamedTuple):
    """One limit of an answer, for the samples of its trend.

    Attributes:
        limit: in force.
        unknown: whether a point that it needs is not ok.
        said: of each estimate whom it is told, its guard, and how far that can go [unit].
    """

    limit: Limit
    unknown: bool
    said: tuple[tuple[_Told, float, float], ...]


class Quiet:
    """What may be read without any effect, and what was read since that was found.

    Attributes:
        until_s: from here on time alone may change something, or a trend takes a sample [s].
        due_s: from here on it may change something beside a trend [s].
        ahead: the outlook that it was found with, or None.
        assumed: what stood in for a surface.
        doubts: what beside the limits forbade GO.
        missed: evaluations of which the medians do not know yet: time [s], what was sensed, and
            what the estimates were, where somebody has reckoned them.
        used: how many evaluations it has saved.
    """

    __slots__ = (
        "_answerers",
        "_apart",
        "_asked",
        "_bands",
        "_bodies",
        "_bounds",
        "_courses",
        "_reach",
        "_said",
        "_seen",
        "_sources",
        "_standing",
        "_told",
        "ahead",
        "assumed",
        "doubts",
        "due_s",
        "missed",
        "until_s",
        "used",
    )

    def __init__(
        self,
        answerers: Sequence[Answerer],
        found: _Found,
        until_s: float,
        ahead: EarlierOutlook | None,
        assumed: AssumedSurface | None,
        doubts: tuple[Doubt, ...],
    ) -> None:
        self._standing = [_standing(each) for each in answerers]
        self.ahead = ahead
        self.assumed = assumed
        self.doubts = doubts
        self.missed: list[tuple[float, Sequence[PointValue], list[float] | None]] = []
        self.used = 0
        self._answerers = tuple(answerers)
        self._bounds = found.bounds
        self._sources = [(*each[:2], found.bodies.get(each[2:], -1)) for each in found.sources]
        self._bodies = list(found.bodies)
        self._bands = found.bands
        self._apart = found.apart
        self._asked = found.asked
        self._reach = found.reach
        self._courses = [each.trend.courses() for each in answerers]
        self._told = [told for asked in found.asked for each in asked for told, _, _ in each.said]
        self._said: list[float] | None = None
        self._seen: Sequence[PointValue] = _NOBODY
        self.lasts(until_s, until_s)

    def lasts(self, due_s: float, sample_s: float) -> None:
        """Let it go on, now that an evaluation within it was judged whole.

        Args:
            due_s: from here on time alone may change something beside a trend [s].
            sample_s: from here on a trend takes a sample [s].
        """
        self.due_s = due_s - SURE_S
        self.until_s = min(due_s, sample_s) - SURE_S

    def fits(
        self,
        sensed: Sequence[PointValue],
        ahead: EarlierOutlook | None,
        assumed: AssumedSurface | None,
        doubts: Sequence[Doubt],
    ) -> bool:
        """Return whether values of now can change nothing.

        Args:
            sensed: the last word of every point, in the order in which this was found.
            ahead: the outlook that was made last, or None.
            assumed: what stands in for a surface probe.
            doubts: what beside the limits forbids GO for now.
        """
        bounds, seen, self._said, self._seen = self._bounds, self._seen, None, _NOBODY
        if ahead is not self.ahead or len(sensed) != len(bounds):
            return False
        sure = True
        # What is still what was seen last is where it was; all of `seen` is surely within.
        for entry, before, (low, high, least, most, rest) in zip(
            sensed, seen or repeat(None), bounds, strict=False
        ):
            if entry is before:
                continue
            if not least < entry[3] < most and low != -math.inf:
                if not low < entry[3] < high:
                    return False
                sure = False
            if entry[4:10] != rest:
                return False
        if assumed != self.assumed or tuple(doubts) != self.doubts:
            return False
        if sure:
            self._seen = sensed
        return sure or self._is_within(sensed)

    def _is_within(self, sensed: Sequence[PointValue]) -> bool:
        """Whether every estimate is where it changes nothing."""
        said = self._said = self._estimates(sensed)
        for value, (low, high) in zip(said, self._bands, strict=True):
            if not low < value < high:
                return False
        return all(sign * (said[more] - said[less]) > by for more, less, sign, by in self._apart)

    def _estimates(self, sensed: Sequence[PointValue]) -> list[float]:
        """What every probe and pair says, with its places for the medians [unit of the limit]."""
        wet_c = [
            wetting_point_c(sensed[air][3], sensed[humidity][3]) for air, humidity in self._bodies
        ]
        said = []
        for own, offset_k, body in self._sources:
            value = sensed[own][3]
            if offset_k is not None:
                value += offset_k
            said.append(value if body < 0 else value - wet_c[body])
        return said

    def miss(self, time_s: float, sensed: Sequence[PointValue]) -> None:
        """Let an evaluation pass, and keep it for the medians.

        Args:
            time_s: never before the last evaluation [s].
            sensed: then.
        """
        self.used += 1
        missed = self.missed
        if len(missed) >= _MOST_MISSED:
            self.catch_up()
        missed.append((time_s, sensed, self._said))

    def catch_up(self) -> None:
        """Let the medians know of what was missed; nothing is made of what they would drop."""
        missed = self.missed
        if not missed:
            return
        times_s = [each[0] for each in missed]
        kept: dict[tuple[float, ...], tuple[list[int], list[float]]] = {}
        said: dict[int, list[float]] = {}
        for medians, key, below_k, at in self._told:
            ends = medians.last_two_s(key)
            if ends not in kept:
                places = kept_of(ends, times_s)
                kept[ends] = places, [times_s[k] for k in places]
                for k in places:
                    if k not in said:
                        _, sensed, known = missed[k]
                        said[k] = self._estimates(sensed) if known is None else known
            places, of_them_s = kept[ends]
            medians.note_kept(key, of_them_s, [said[k][at] - below_k for k in places])
        missed.clear()

    def samples(self, time_s: float, sensed: Sequence[PointValue]) -> bool:
        """Give the trends their samples of an evaluation that fits and is still to be missed.

        Args:
            time_s: of it, never before the last one [s].
            sensed: then.

        Returns:
            Whether that changes nothing.
        """
        said = self._said = self._said or self._estimates(sensed)
        median_of = self._medians(said, time_s)
        for answerer, asked in zip(self._answerers, self._asked, strict=True):
            noted = [_noted(each, said, median_of) for each in asked]
            if None in noted:
                return False
            answerer.trend.take([each for each in noted if each is not None], time_s)
        return self._keeps_courses()

    def _medians(self, said: list[float], time_s: float) -> Callable[[_Told], float]:
        """Return what tells the median of the last 60 s, the estimates of now included."""
        lately = self._said_lately(time_s)
        if lately is None:
            self.catch_up()
            return lambda told: told.medians.with_one_more(
                told.key, time_s, said[told.at] - told.below_k
            )
        rows = [*lately, said]
        found: dict[tuple[int, float], float] = {}

        def median_of(told: _Told) -> float:
            at, below_k = which = told.at, told.below_k
            if which not in found:
                found[which] = median([row[at] - below_k for row in rows])
            return found[which]

        return median_of

    def _said_lately(self, time_s: float) -> list[list[float]] | None:
        """What the estimates were in the last 60 s; None where the medians know of some of it.

        None too where evaluations are so close to each other that they would not keep each.
        """
        missed, oldest_s = self.missed, time_s - MEDIAN_SPAN_S
        if not missed or missed[0][0] > oldest_s:
            return None
        lately: list[list[float]] = []
        for at in range(len(missed) - 1, -1, -1):
            missed_s, sensed, known = missed[at]
            if missed_s <= oldest_s:
                break
            if takes_place(missed_s, time_s):
                return None
            if known is None:
                known = self._estimates(sensed)
                missed[at] = (missed_s, sensed, known)
            lately.append(known)
            time_s = missed_s
        return lately

    def still_stands(self) -> bool:
        """Return whether all but values and times is, after a judgement, as this was found."""
        standing = [_standing(each) for each in self._answerers]
        return standing == self._standing and self._keeps_courses()

    def _keeps_courses(self) -> bool:
        """Whether the trends of now lead past no other limits than where this was found."""
        for answerer, reach, before in zip(
            self._answerers, self._reach, self._courses, strict=True
        ):
            trend = answerer.trend
            if trend.courses() != before and (
                -math.inf in reach.values() or not trend.stays_within(reach)
            ):
                return False
        return True


def _noted(
    asked: _Asked, said: Sequence[float], median_of: Callable[[_Told], float]
) -> Noted | None:
    """What a trend takes note of at a limit; None where it is not sure which probe decides."""
    limit = asked.limit
    witnesses = [
        Witness(said[told.at] - told.below_k, median_of(told), guard, moved)
        for told, guard, moved in asked.said
    ]
    if not witnesses:
        return Noted(limit.name, limit.bound, None)
    inside_median = deciding(limit, witnesses, unknown=asked.unknown)
    return None if inside_median is None else Noted(limit.name, limit.bound, inside_median)


class _Found(NamedTuple):
    """What may be read without effect, by places: of points, and of estimates."""

    bounds: list[_Bound]
    sources: list[Source]
    bodies: dict[tuple[int, int], int]
    bands: list[tuple[float, float]]
    apart: list[tuple[int, int, float, float]]
    asked: list[list[_Asked]]
    reach: list[dict[LimitName, float]]


def quiet_of(
    answerers: Sequence[Answerer],
    climate: Climate,
    sensed: Sequence[PointValue],
    until_s: float,
    ahead: EarlierOutlook | None,
    assumed: AssumedSurface | None,
    doubts: Sequence[Doubt],
) -> Quiet | None:
    """Return what can change nothing after an evaluation, or None where that is too little.

    Args:
        answerers: of the section, each just evaluated.
        climate: that they were given.
        sensed: what it was made of.
        until_s: from here on time alone may change something [s].
        ahead: the outlook that was made last, or None.
        assumed: what stands in for a surface probe.
        doubts: what beside the limits forbids GO for now.
    """
    places = {(each.point, each.quantity): at for at, each in enumerate(sensed)}
    sources = sources_of(climate, places) if len(places) == len(sensed) else None
    if sources is None:
        return None
    boxes = [
        (box, moves) for box in _BOXES if (moves := moves_of(sensed, sources, *box)) is not None
    ]
    for at, (_, moves) in enumerate(boxes):
        moved = {key: move.guard for key, move in moves.items()}
        stance = stance_of(answerers, climate, QUANTITY_OF, moved)
        if stance is not None:
            boxes = boxes[at:]
            break
    else:
        return None
    values = {
        (QUANTITY_OF[name], *each[2:]): each.value
        for name, estimates in climate.estimates.items()
        for each in estimates
    }
    sure = next((box for box, inner in boxes if _holds(stance, values, inner)), (0.0, 0.0))
    keys = {key: at for at, key in enumerate(sources)}
    speak = {at for each in sources.values() for at in (each.own, each.air, each.humidity)}
    bodies = dict.fromkeys(each[2:] for each in sources.values() if each.humidity >= 0)
    found = _Found(
        [_bound(entry, boxes[0][0], sure, speaks=at in speak) for at, entry in enumerate(sensed)],
        list(sources.values()),
        {body: at for at, body in enumerate(bodies)},
        [stance.bands.get(key, (-math.inf, math.inf)) for key in sources],
        [(keys[each.more], keys[each.less], each.sign, each.least) for each in stance.apart],
        [_asked_by(each, climate, keys, moved) for each in answerers],
        stance.courses,
    )
    return Quiet(answerers, found, until_s, ahead, assumed, tuple(doubts))


def _holds(stance: Stance, values: Mapping[Key, float], moves: Mapping[Key, Move]) -> bool:
    """Whether no estimate leaves its band while no value moves by more than a box."""
    return all(
        low < values[key] - moves[key].value and values[key] + moves[key].value < high
        for key, (low, high) in stance.bands.items()
    ) and all(
        each.sign * (values[each.more] - values[each.less])
        - moves[each.more].value
        - moves[each.less].value
        > each.least
        for each in stance.apart
    )


def _asked_by(
    answerer: Answerer, climate: Climate, keys: Mapping[Key, int], moved: Mapping[Key, float]
) -> list[_Asked]:
    """The limits of one answer, and what of every estimate speaks to them."""
    found = []
    for name, limit in answerer.limits.items():
        quantity = QUANTITY_OF[name]
        said = []
        for each in climate.estimates.get(name, ()):
            key = (quantity, each.source, each.beside)
            told = _Told(
                answerer.medians, (name, each.source, each.beside), limit.film_below_k, keys[key]
            )
            said.append((told, each.guard, moved[key]))
        found.append(_Asked(limit, name in climate.unknown, tuple(said)))
    return found


def _standing(answerer: Answerer) -> tuple[object, ...]:
    """All but values, times and courses that decides what can change nothing."""
    memory = answerer.memory
    return memory.call, memory.cause, answerer.held_back, answerer.harms.names()


def _bound(
    entry: PointValue,
    box: tuple[float, float],
    sure: tuple[float, float],
    *,
    speaks: bool,
) -> _Bound:
    """Within what a value may move, and what else of it has to stay as it is."""
    if not speaks:
        return _Bound(-math.inf, math.inf, -math.inf, math.inf, entry[4:10])
    at, least, most = 0, -math.inf, math.inf
    if entry.quantity == HUMIDITY:
        at, least, most = 1, RH_FRACTION_PCT, RH_MAX_PCT
    elif entry.quantity == AIR_TEMP:
        least, most = AIR_MIN_C, AIR_MAX_C
    low, high = max(entry.value - box[at], least), min(entry.value + box[at], most)
    return _Bound(
        low, high, max(entry.value - sure[at], low), min(entry.value + sure[at], high), entry[4:10]
    )
