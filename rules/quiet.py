"""Within which values and until when a section's answers cannot change, whatever is read.

A section judges whole only what leaves that; `section` asks, and catches up before it explains.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rules.air.saturation import AIR_MAX_C, AIR_MIN_C, RH_FRACTION_PCT, RH_MAX_PCT
from rules.air.state import dew_point_slopes, wetting_point_c
from rules.air.uncertainty import GUARD_FACTOR, standard_uncertainty
from rules.answer import Answerer
from rules.call import Call, cause_at
from rules.climate import (
    AIR_TEMP,
    ASSUMED,
    HUMIDITY,
    SURFACE_TEMP,
    AssumedSurface,
    Climate,
    Estimate,
    PointValue,
)
from rules.limits import RecentMedian, is_upper, takes_place
from rules.reasons import Doubt
from rules.spec.model import Limit
from rules.trend import EarlierOutlook
from rules.vocabulary import Effect, LimitName

_BOXES = ((0.5, 2.0), (0.15, 0.6), (0.05, 0.2))
"""How far temperatures and humidities may move [K, %]; the first that changes nothing counts."""
_MOST_RH_SHARE = 0.1  # of a humidity: the slope by it goes as its inverse
_SLOPE_PER_K = 0.012  # d ln p/dT of water and ice changes by less than this in a kelvin
_KINK = 1.15  # at the triple point it is 1.137 times as steep over ice as over water
_STEEPER = 1.4  # more than a slope can grow within a box
_TRIPLE_C = 0.01
_MOST_MISSED = 64
_SURE = 1e-6  # so that no rounding comes into it [unit of the limit]
_SURE_S = 1e-3

_Key = tuple[str, str]  # of what was sensed: point and quantity
_QUANTITY = {
    LimitName.AIR_TEMP_MIN: AIR_TEMP,
    LimitName.AIR_TEMP_MAX: AIR_TEMP,
    LimitName.HUMIDITY_MIN: HUMIDITY,
    LimitName.HUMIDITY_MAX: HUMIDITY,
    LimitName.SURFACE_TEMP_MIN: SURFACE_TEMP,
    LimitName.SURFACE_TEMP_MAX: SURFACE_TEMP,
    LimitName.DEW_MARGIN_MIN: SURFACE_TEMP,
}


class _Source(NamedTuple):
    """What an estimate is made of, by its places in what was sensed.

    Attributes:
        own: of its value, or of the air that its surface is assumed from.
        offset_k: of an assumed surface, or None [K].
        air: of the air beside it; -1 where the estimate is no margin.
        humidity: likewise.
    """

    own: int
    offset_k: float | None
    air: int = -1
    humidity: int = -1


class _Move(NamedTuple):
    """How far an estimate and its guard can go within a box [unit of the limit]."""

    value: float
    guard: float = 0.0


_Told = tuple[RecentMedian, tuple[LimitName, str, str], float, _Source]


class Quiet:
    """What may be read without any effect, and what was read since that was found.

    Attributes:
        until_s: from here on time alone may change something [s].
        standing: of the answers, as this was found; see `standing_of`.
        ahead: the outlook that it was found with, or None.
        assumed: what stood in for a surface.
        doubts: what beside the limits forbade GO.
        missed: evaluations of which the medians do not know yet: time [s] and what was sensed.
        used: how many evaluations it has saved.
    """

    __slots__ = (
        "_bounds",
        "_kept_s",
        "_told",
        "ahead",
        "assumed",
        "doubts",
        "missed",
        "standing",
        "until_s",
        "used",
    )

    def __init__(
        self,
        bounds: list[tuple[float, float, tuple[object, ...]]],
        told: list[_Told],
        until_s: float,
        standing: tuple[object, ...],
        ahead: EarlierOutlook | None,
        assumed: AssumedSurface | None,
        doubts: tuple[Doubt, ...],
    ) -> None:
        self.standing = standing
        self.ahead = ahead
        self.assumed = assumed
        self.doubts = doubts
        self.missed: list[tuple[float, Sequence[PointValue]]] = []
        self._bounds = bounds
        self._told = told
        self.used = 0
        self.lasts(until_s)

    def lasts(self, until_s: float) -> None:
        """Let it go on, now that an evaluation within it was judged whole [s]."""
        self.until_s = until_s - _SURE_S
        ends = {medians.last_two_s(key) for medians, key, _, _ in self._told}
        # Where all medians kept the same seconds, what one of them drops all of them drop.
        self._kept_s = ends.pop() if len(ends) == 1 else None

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
        bounds = self._bounds
        if ahead is not self.ahead or len(sensed) != len(bounds):
            return False
        for entry, (low, high, rest) in zip(sensed, bounds, strict=True):
            if not (low < entry[3] < high or low == -math.inf) or entry[4:10] != rest:
                return False
        return assumed == self.assumed and tuple(doubts) == self.doubts

    def miss(self, time_s: float, sensed: Sequence[PointValue]) -> None:
        """Let an evaluation pass, and keep what the medians will ask for, one a second as they do.

        Args:
            time_s: never before the last evaluation [s].
            sensed: then.
        """
        self.used += 1
        missed, kept_s = self.missed, self._kept_s
        if kept_s is None:
            if len(missed) >= _MOST_MISSED:
                self.catch_up()
            missed.append((time_s, sensed))
            return
        again = len(kept_s) > 1 and takes_place(kept_s[-2], time_s)
        self._kept_s = (*(kept_s[:-1] if again else kept_s[-1:]), time_s)
        if again and missed:
            missed[-1] = (time_s, sensed)
        else:
            missed.append((time_s, sensed))

    def catch_up(self) -> None:
        """Let the medians know of what was missed."""
        missed = self.missed
        for medians, key, below_k, (own, offset_k, air, humidity) in self._told:
            for time_s, sensed in missed:
                value = sensed[own].value
                if offset_k is not None:
                    value += offset_k
                if humidity >= 0:
                    value -= wetting_point_c(sensed[air].value, sensed[humidity].value)
                medians.note(key, time_s, value - below_k)
        missed.clear()


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
    sources = _sources(climate, places) if len(places) == len(sensed) else None
    if sources is None:
        return None
    for temp_k, rh_pct in _BOXES:
        moves = _moves(sensed, sources, temp_k, rh_pct)
        if moves is not None and all(_stands(each, climate, moves) for each in answerers):
            break
    else:
        return None
    told: list[_Told] = [
        (
            each.medians,
            (name, said.source, said.beside),
            limit.film_below_k,
            sources[_QUANTITY[name], said.source, said.beside],
        )
        for each in answerers
        for name, limit in each.limits.items()
        for said in climate.estimates.get(name, ())
    ]
    speak = {at for each in sources.values() for at in (each.own, each.air, each.humidity)}
    bounds = [_bound(entry, temp_k, rh_pct, speaks=at in speak) for at, entry in enumerate(sensed)]
    standing = standing_of(answerers)
    return Quiet(bounds, told, until_s, standing, ahead, assumed, tuple(doubts))


def standing_of(answerers: Sequence[Answerer]) -> tuple[object, ...]:
    """Return all but values and times that decides what can change nothing."""
    return tuple(
        (
            each.memory.call,
            each.memory.cause,
            each.held_back,
            each.harms.names(),
            each.trend.courses(),
        )
        for each in answerers
    )


def _bound(
    entry: PointValue, temp_k: float, rh_pct: float, *, speaks: bool
) -> tuple[float, float, tuple[object, ...]]:
    """Within what a value may move, and what else of it has to stay as it is."""
    if not speaks:
        return -math.inf, math.inf, entry[4:10]
    move, least, most = temp_k, -math.inf, math.inf
    if entry.quantity == HUMIDITY:
        move, least, most = rh_pct, RH_FRACTION_PCT, RH_MAX_PCT
    elif entry.quantity == AIR_TEMP:
        least, most = AIR_MIN_C, AIR_MAX_C
    return max(entry.value - move, least), min(entry.value + move, most), entry[4:10]


def _sources(
    climate: Climate, places: Mapping[_Key, int]
) -> dict[tuple[str, str, str], _Source] | None:
    """What every estimate is made of, or None where a margin that there might be is missing."""
    found: dict[tuple[str, str, str], _Source] = {}
    offset_k = climate.assumed_offset_k
    for name, estimates in climate.estimates.items():
        quantity = _QUANTITY[name]
        for said in estimates:
            assumed = quantity == SURFACE_TEMP and said.source.endswith(ASSUMED)
            point = said.source.removesuffix(ASSUMED)
            beside = (-1, -1)
            if said.beside:
                beside = places[said.beside, AIR_TEMP], places[said.beside, HUMIDITY]
            found[quantity, said.source, said.beside] = _Source(
                places[point, AIR_TEMP if assumed else quantity],
                offset_k if assumed else None,
                *beside,
            )
    surfaces, airs, damp = (
        {source for of, source, beside in found if of == quantity and not beside}
        for quantity in (SURFACE_TEMP, AIR_TEMP, HUMIDITY)
    )
    return found if len(climate.pairs) == len(surfaces) * len(airs & damp) else None


def _moves(
    sensed: Sequence[PointValue],
    sources: Mapping[tuple[str, str, str], _Source],
    temp_k: float,
    rh_pct: float,
) -> dict[tuple[str, str, str], _Move] | None:
    """How far every estimate can go while no value moves by more; None where nobody knows."""
    found = {}
    for key, source in sources.items():
        if source.humidity >= 0:
            move = _margin_move(sensed[source.air], sensed[source.humidity], temp_k, rh_pct)
            if move is None:
                return None
            found[key] = move
        else:
            found[key] = _Move(rh_pct if key[0] == HUMIDITY else temp_k)
    return found


def _margin_move(
    air: PointValue, humidity: PointValue, temp_k: float, rh_pct: float
) -> _Move | None:
    """How far a margin and its guard can go: by the largest that its slopes can be in the box.

    A standard uncertainty is a norm of its parts, so that it changes by no more than they do.
    """
    if rh_pct > _MOST_RH_SHARE * humidity.value:
        return None
    per_k, per_pct = dew_point_slopes(air.value, humidity.value)
    by_values_k = per_k * temp_k + per_pct * rh_pct
    most_k = _STEEPER * by_values_k
    steeper = (1.0 + _SLOPE_PER_K * (temp_k + most_k)) / (1.0 - rh_pct / humidity.value)
    if abs(wetting_point_c(air.value, humidity.value) - _TRIPLE_C) <= most_k:
        steeper *= _KINK
    by_air_k = per_k * standard_uncertainty(air.accuracy)
    by_rh_k = per_pct * standard_uncertainty(humidity.accuracy)
    shared_k = math.sqrt(abs(2.0 * by_air_k * per_pct * humidity.by_air * by_air_k / per_k))
    parts_k = GUARD_FACTOR * (by_air_k + by_rh_k + shared_k)
    parts_k += per_k * air.usual_change + per_pct * humidity.usual_change
    return _Move(temp_k + steeper * by_values_k, (steeper - 1.0) * parts_k)


class _Range(NamedTuple):
    """From where to where one probe or pair goes in the box, its last minute included.

    Attributes:
        cause: as a STOP remembers it.
        low: how far inside the bound at least [unit].
        high: and at most [unit].
        near: how far inside a value is near, in the middle of where that goes [unit].
        guard: of that, the guard [unit].
        moved: how far the guard goes [unit].
        unknown: whether the limit is not known, whatever this says.
        least: what it has to spare now, its guard taken off, at least [unit].
        most: and at most [unit].
    """

    cause: str
    low: float
    high: float
    near: float
    guard: float
    moved: float
    unknown: bool
    least: float
    most: float

    def never_ok(self, limit: Limit) -> bool:
        """Return whether a limit is near, broken or unknown throughout."""
        slow = limit.effect is Effect.SLOW
        return self.unknown or (not slow and self.high < self.near - self.moved - _SURE)

    def side(self, figure: float, moved: float = 0.0) -> bool | None:
        """Return whether it stays beyond a figure that itself goes so far; None if on both."""
        if self.low > figure + moved + _SURE:
            return True
        return False if self.high < figure - moved - _SURE else None


def _stands(
    answerer: Answerer, climate: Climate, moves: Mapping[tuple[str, str, str], _Move]
) -> bool:
    """Whether every limit says the same to one answer wherever in the box the values are.

    Where one thing holds GO back throughout, what the others have to spare is of no account.
    """
    ranges = {
        name: [
            _range(answerer, limit, said, moves[_QUANTITY[name], said.source, said.beside], climate)
            for said in climate.estimates.get(name, ())
        ]
        for name, limit in answerer.limits.items()
    }
    held = answerer.held_back or any(
        not said or any(each.never_ok(answerer.limits[name]) for each in said)
        for name, said in ranges.items()
    )
    for name, said in ranges.items():
        limit = answerer.limits[name]
        worst: list[tuple[int, tuple[bool | None, ...], _Range]] = []
        for each in said:
            sides = _sides(answerer, limit, each, held=held)
            if None in sides:
                return False
            worst.append((_rank(limit, sides, unknown=each.unknown, held=held), sides, each))
        highest = max((rank for rank, _, _ in worst), default=0)
        worst = [each for each in worst if each[0] == highest]
        if highest == _BROKEN:
            most = min(each.most for _, _, each in worst)
            worst = [each for each in worst if each[2].least <= most]
            if any(each.cause not in answerer.memory.cause for _, _, each in worst):
                return False
        # Whichever of those that may decide does, it has to say the same.
        if len({sides for _, sides, _ in worst}) > 1:
            return False
    return True


_BROKEN = 3


def _rank(limit: Limit, sides: tuple[bool | None, ...], *, unknown: bool, held: bool) -> int:
    """How bad it is, in the order of `limits.judge`; near, unknown and ok are one where held."""
    if limit.harms and not sides[0]:
        return _BROKEN
    if held:
        return 0
    if unknown:
        return 2
    return 0 if limit.effect is Effect.SLOW or all(sides[:2]) else 1


def _range(
    answerer: Answerer, limit: Limit, said: Estimate, move: _Move, climate: Climate
) -> _Range:
    name = limit.name
    value = said.value - limit.film_below_k
    lowest, highest = answerer.medians.ends((name, said.source, said.beside))
    lowest, highest = min(lowest, value - move.value), max(highest, value + move.value)
    sign = -1.0 if is_upper(name) else 1.0
    low, high = sorted((sign * (lowest - limit.bound), sign * (highest - limit.bound)))
    inside = sign * (value - limit.bound)
    guarded = limit.guard and limit.effect is not Effect.SLOW
    guard, moved = (said.guard, move.guard) if guarded else (0.0, 0.0)
    inner = 0.0 if limit.wait is None else abs(limit.wait - limit.bound)
    return _Range(
        cause_at(name, said.source, said.beside),
        low,
        high,
        guard + inner,
        guard,
        moved,
        name in climate.unknown,
        inside - guard - move.value - moved,
        inside - guard + move.value + moved,
    )


def _sides(
    answerer: Answerer, limit: Limit, said: _Range, *, held: bool
) -> tuple[bool | None, ...]:
    """On which side it stays of each figure that counts for the call, timers and facts."""
    name, call = limit.name, answerer.memory.call
    lasting, eased = answerer.harms.names()
    go = answerer.spec.go_band.of(name)
    slow = limit.effect is Effect.SLOW
    sides: list[bool | None] = []
    if limit.harms or not (held or slow):
        sides.append(said.side(0.0))
    if not (held or slow):
        sides.append(said.side(said.near, said.moved))
        if call is not Call.GO:  # what ends GO begins the dwell anew
            sides.append(said.side(said.near + go, said.moved))
    if limit.harms:
        if name in eased:
            sides += [said.side(each, said.moved) for each in (said.near, said.guard + go)]
        if call is Call.STOP or name in lasting:
            sides.append(said.side(answerer.spec.re_entry_band.of(name)))
        if not held:
            sides += [said.side(room) for room in answerer.trend.turning_rooms(name)]
    return tuple(sides)
