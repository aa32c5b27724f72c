"""Within which figures every answer of a section stays as it is, for each probe and pair.

`quiet` asks, and lets pass what stays within; `section` judges whole what does not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rules.answer import Answerer
from rules.call import Call, cause_at
from rules.climate import Climate
from rules.limits import is_upper
from rules.spec.model import Limit
from rules.vocabulary import Effect, LimitName

_REACH = 0.5  # of the room that there is: no course is expected to change by so much
_SURE = 1e-6  # so that no rounding comes into it [unit of the limit]

Key = tuple[str, str, str]
"""Of an estimate: its quantity, its source, and of a margin the air's point beside it."""


class Apart(NamedTuple):
    """How much more one estimate has to show than another, that the other decides.

    Attributes:
        more: key of the one that does not decide.
        less: key of the one that does.
        sign: 1 where more room is a higher value, else -1.
        least: by how much at least [unit of the limit].
    """

    more: Key
    less: Key
    sign: float
    least: float


class Stance:
    """What estimates may show without any effect.

    Attributes:
        bands: lowest and highest value of each, both excluded.
        apart: pairs of which one has to stay so far beyond the other.
        courses: of each answer, how much room the course of each limit may use up; what is not
            named, any; minus infinity where none may change.
    """

    __slots__ = ("apart", "bands", "courses")

    def __init__(self) -> None:
        self.bands: dict[Key, tuple[float, float]] = {}
        self.apart: list[Apart] = []
        self.courses: list[dict[LimitName, float]] = []

    def narrow(self, said: _Said) -> None:
        """Take in what one limit asks of an estimate."""
        low, high = said.low, said.high
        if said.sign < 0.0:
            low, high = -high, -low
        before = self.bands.get(said.key, (-math.inf, math.inf))
        self.bands[said.key] = max(before[0], said.zero + low), min(before[1], said.zero + high)


def stance_of(
    answerers: Sequence[Answerer],
    climate: Climate,
    quantity_of: Mapping[LimitName, str],
    moved: Mapping[Key, float],
) -> Stance | None:
    """Return within what every limit says the same to every answer, or None where nobody knows.

    Args:
        answerers: of the section, each just evaluated.
        climate: that they were given.
        quantity_of: of each limit, as in the keys.
        moved: how far the guard of each estimate can go meanwhile [unit of the limit].
    """
    stance = Stance()
    for answerer in answerers:
        found = {
            name: [
                _Said(answerer, limit, (quantity_of[name], *each[2:]), each.value, each.guard,
                      moved[quantity_of[name], each.source, each.beside])
                for each in climate.estimates.get(name, ())
            ]
            for name, limit in answerer.limits.items()
        }  # fmt: skip
        held = _is_held(answerer, found, climate)
        out = _is_out(answerer, found, climate)
        stance.courses.append({})
        for name, said in found.items():
            limit = answerer.limits[name]
            if not _stands(answerer, limit, said, stance, held=held, out=out):
                return None
        for said in found.values():
            for each in said:
                stance.narrow(each)
    return stance


class _Said:
    """What one probe or pair says to one limit, and how far it may go, as room inside the bound.

    Attributes:
        key: of the estimate.
        cause: as a STOP remembers it.
        room: how far inside the bound it is now; of the last minute `lowest` and `highest` [unit].
        near: how far inside a value is near, in the middle of where that goes [unit].
        guard: of that, the guard [unit].
        moved: how far the guard goes [unit].
        sign: 1 where more room is a higher value, else -1.
        zero: the value that leaves no room [unit].
        low: where its room may go without effect, at least [unit].
        high: and at most [unit].
    """

    __slots__ = (
        "cause", "guard", "high", "highest", "key", "low", "lowest", "moved", "near", "room",
        "sign", "zero",
    )  # fmt: skip

    def __init__(
        self,
        answerer: Answerer,
        limit: Limit,
        key: Key,
        value: float,
        guard: float,
        moved: float,
    ) -> None:
        name = limit.name
        self.key = key
        self.cause = cause_at(name, *key[1:])
        self.sign = sign = -1.0 if is_upper(name) else 1.0
        self.zero = limit.bound + limit.film_below_k
        lowest, highest = answerer.medians.ends((name, *key[1:]))
        self.lowest, self.highest = sorted(
            (sign * (lowest - limit.bound), sign * (highest - limit.bound))
        )
        self.room = sign * (value - limit.film_below_k - limit.bound)
        guarded = limit.guard and limit.effect is not Effect.SLOW
        self.guard, self.moved = (guard, moved) if guarded else (0.0, 0.0)
        self.near = self.guard + (0.0 if limit.wait is None else abs(limit.wait - limit.bound))
        self.low, self.high = -math.inf, math.inf

    def stays_over(self, figure: float) -> bool:
        """Keep it over a figure that counts at every moment; whether it is."""
        if not self.room > figure + _SURE:
            return False
        self.low = max(self.low, figure + _SURE)
        return True

    def stays_under(self, figure: float) -> bool:
        """Keep it under a figure that counts at every moment; whether it is."""
        if not self.room < figure - _SURE:
            return False
        self.high = min(self.high, figure - _SURE)
        return True

    def moment_side(self, figure: float) -> bool | None:
        """Keep it on its side of such a figure; whether it is over it, None where on neither."""
        if self.stays_over(figure):
            return True
        return False if self.stays_under(figure) else None

    def side(self, figure: float, moved: float = 0.0) -> bool | None:
        """Keep the medians of a minute on their side of a figure that itself goes so far.

        Returns:
            Whether they are over it; None where they may be on both sides.
        """
        moved += _SURE
        if self.lowest > figure + moved:
            self.low = max(self.low, figure + moved)
            return True
        if self.highest < figure - moved:
            self.high = min(self.high, figure - moved)
            return False
        return None


def _is_held(
    answerer: Answerer, found: Mapping[LimitName, Sequence[_Said]], climate: Climate
) -> bool:
    """Whether something holds GO back throughout; then what has room to spare is of no account.

    Where only estimates do, the one that is deepest is kept there.
    """
    if answerer.held_back or any(
        not said or name in climate.unknown for name, said in found.items()
    ):
        return True
    deepest, depth = None, _SURE
    for name, said in found.items():
        if answerer.limits[name].effect is Effect.SLOW:
            continue
        for each in said:
            under = max(each.near - each.moved - each.highest, -each.room)
            if under > depth:
                deepest, depth = each, under
    if deepest is None:
        return False
    return deepest.side(deepest.near, deepest.moved) is False or deepest.stays_under(0.0)


def _is_out(
    answerer: Answerer, found: Mapping[LimitName, Sequence[_Said]], climate: Climate
) -> bool:
    """Whether a limit keeps a STOP from ending throughout; then no other has to.

    Where only estimates do, those of the limit that is the furthest from re-entry are kept there.
    """
    if answerer.memory.call is not Call.STOP or answerer.memory.inside_since_s is not None:
        return False
    deepest, depth = None, _SURE
    for name, said in found.items():
        if not answerer.limits[name].harms:
            continue
        if not said or name in climate.unknown:
            return True
        re_entry = answerer.spec.re_entry_band.of(name)
        under = re_entry - max(each.room for each in said)
        if under > depth:
            deepest, depth = name, under
    if deepest is None:
        return False
    re_entry = answerer.spec.re_entry_band.of(deepest)
    return all(each.stays_under(re_entry) for each in found[deepest])


def _stands(
    answerer: Answerer,
    limit: Limit,
    said: Sequence[_Said],
    stance: Stance,
    *,
    held: bool,
    out: bool,
) -> bool:
    """Whether a limit goes on saying the same to one answer while its estimates keep their room."""
    lasting, eased = answerer.harms.names()
    name, stopped = limit.name, answerer.memory.call is Call.STOP
    if name in lasting and not all(each.stays_over(-answerer.harms.farther(name)) for each in said):
        return False
    if limit.harms:
        re_entry = answerer.spec.re_entry_band.of(name)
        known = [each for each in said if each.cause in answerer.memory.cause]
        harming = held and stopped and name in lasting and name not in eased
        under = len(known) == len(said) and all(each.room < re_entry - _SURE for each in said)
        if harming and under:
            # Past its bound or not yet well inside it: nothing differs while it cannot be ok.
            return all(each.stays_under(re_entry) for each in said)
        if any(each.room < 0.0 for each in said):
            return _stays_broken(said, known, stance)
    inside = limit.harms or not (held or limit.effect is Effect.SLOW)
    if inside and not all(each.stays_over(0.0) for each in said):
        return False
    outcomes = {_sides(answerer, limit, each, held=held, out=out) for each in said}
    if len(outcomes) > 1 or any(None in each for each in outcomes):
        return False
    return held or not limit.harms or _keeps_course(answerer, limit, said, stance)


def _keeps_course(answerer: Answerer, limit: Limit, said: Sequence[_Said], stance: Stance) -> bool:
    """Whether a limit stays within, or out of, reach of where its quantity is going.

    Out of reach of more than the present course, since another is found every few minutes.
    """
    rooms = answerer.trend.turning_rooms(limit.name)
    lowest = min(each.lowest for each in said)
    if all(lowest > room + 2.0 * _SURE for room in (0.0, *rooms)):
        reach = max([*rooms, _REACH * lowest])
        stance.courses[-1][limit.name] = reach
        return all(each.side(reach) for each in said)
    stance.courses[-1][limit.name] = -math.inf
    turning = (*rooms, 0.0) if rooms else ()
    sides = {tuple(each.side(room) for room in turning) for each in said}
    return len(sides) == 1 and None not in sides.pop()


def _stays_broken(said: Sequence[_Said], known: Sequence[_Said], stance: Stance) -> bool:
    """Whether a limit stays broken, by nothing that the STOP does not remember as its cause."""
    worst = min(said, key=lambda each: each.room - each.guard if each.room < 0.0 else math.inf)
    if worst not in known or not worst.stays_under(0.0):
        return False
    for each in said:
        if each in known or each.stays_over(0.0):
            continue
        least = each.guard - worst.guard + each.moved + worst.moved + _SURE
        if not each.room - worst.room > least:
            return False
        stance.apart.append(Apart(each.key, worst.key, each.sign, least))
    return True


def _sides(
    answerer: Answerer, limit: Limit, said: _Said, *, held: bool, out: bool
) -> tuple[bool | None, ...]:
    """On which side it stays of each figure that counts, beside its bound, for call and timers."""
    name, call = limit.name, answerer.memory.call
    lasting, eased = answerer.harms.names()
    go = answerer.spec.go_band.of(name)
    sides: list[bool | None] = []
    if not (held or limit.effect is Effect.SLOW):
        sides.append(said.side(said.near, said.moved))
        if call is not Call.GO:  # what ends GO begins the dwell anew
            sides.append(said.side(said.near + go, said.moved))
    if limit.harms:
        if name in eased:
            sides += [said.side(each, said.moved) for each in (said.near, said.guard + go)]
        if (call is Call.STOP and not out) or name in lasting:
            re_entry = answerer.spec.re_entry_band.of(name)
            sides.append(said.moment_side(re_entry))
    return tuple(sides)
