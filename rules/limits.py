"""What each bound of a spec says of the climate: ok, near, broken or unknown.

Takes a `Climate`; hands one `LimitJudgement` a limit to `call`.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from statistics import median
from typing import NamedTuple

from rules.climate import Climate, Estimate
from rules.spec.model import FilmCooling, Limit, Spec
from rules.vocabulary import SEVERITY, Effect, LimitName, LimitState, Method, Stage, Step, Until

MEDIAN_SPAN_S = 60.0

_UPPER = frozenset((LimitName.HUMIDITY_MAX, LimitName.SURFACE_TEMP_MAX, LimitName.AIR_TEMP_MAX))
_UNITS = {
    LimitName.DEW_MARGIN_MIN: "K",
    LimitName.HUMIDITY_MAX: "%",
    LimitName.HUMIDITY_MIN: "%",
}


class LimitJudgement(NamedTuple):
    """What one limit says.

    Attributes:
        name: the limit.
        state: ok, near, broken or unknown.
        value: the best estimate now, or None [unit].
        bound: what the spec asks for, wet-film cooling included [unit].
        guard: how far inside the bound the estimate must stay to be ok [unit].
        inside: how far inside the bound the best estimate is now; negative beyond it [unit].
        inside_median: the same for the median of the last 60 s [unit].
        source: the point that decides, or "".
        why_unknown: in words, where `state` is unknown.
        beside: of a margin, the air's point beside it, or "".
        effect: what the film suffers past the bound; a slow one is never near nor broken.
        wait: the bound on the inner side past which nothing is to be begun, or None [unit].
        cooling: the wet film's own, where bound or value has it.
    """

    name: LimitName
    state: LimitState
    value: float | None
    bound: float
    guard: float
    inside: float | None
    inside_median: float | None
    source: str
    why_unknown: str
    beside: str = ""
    effect: Effect = Effect.HARM
    wait: float | None = None
    cooling: FilmCooling | None = None

    @property
    def harms(self) -> bool:
        """Whether the film is spoiled past the bound."""
        return self.effect is Effect.HARM

    @property
    def asked(self) -> float:
        """The bound that decides now: that of HOLD until the one of STOP is passed [unit]."""
        keeps = self.wait is None or self.state is LimitState.BROKEN
        return self.bound if keeps else self.wait or 0.0

    @property
    def room(self) -> float | None:
        """How far inside guard and both bounds the median of the last 60 s is [unit]."""
        if self.inside_median is None:
            return None
        return self.inside_median - self.guard - self.wait_inside

    @property
    def wait_inside(self) -> float:
        """How far inside the bound of STOP that of HOLD lies [unit]."""
        return 0.0 if self.wait is None else abs(self.wait - self.bound)

    @property
    def unit(self) -> str:
        """Unit of every figure here: K, % or degC."""
        return unit_of(self.name)

    @property
    def cooling_text(self) -> str:
        """What the wet film's own cooling makes of it and by which method, or ""."""
        if self.cooling is None:
            return ""
        share = "of that" if self.name is LimitName.DEW_MARGIN_MIN else "taken off"
        assumed = ", no method being given" if self.cooling.assumed else ""
        return (
            f"; {self.cooling.by_k:.1f} K {share} for a wet film by {self.cooling.method}{assumed}"
        )


def unit_of(name: LimitName) -> str:
    """Return the unit in which a limit is stated: K, % or degC."""
    return _UNITS.get(name, "degC")


def is_upper(name: LimitName) -> bool:
    """Return whether the limit bounds its quantity from above."""
    return name in _UPPER


_WORST_FIRST = (Effect.HARM, Effect.WAIT, Effect.SLOW)


def is_stricter(one: Limit, other: Limit) -> bool:
    """Return whether the first of two limits on the same side leaves less room, or does worse."""
    if one.effect is not other.effect:
        return _WORST_FIRST.index(one.effect) < _WORST_FIRST.index(other.effect)
    bound, other_bound = one.bound + one.film_below_k, other.bound + other.film_below_k
    return bound < other_bound if is_upper(one.name) else bound > other_bound


class RecentMedian:
    """Medians over the last 60 s of what each probe says; at most one value a second is kept."""

    __slots__ = ("_windows",)

    def __init__(self) -> None:
        self._windows: dict[Hashable, deque[tuple[float, float]]] = {}

    def take(self, name: Hashable, time_s: float, value: float) -> float:
        """Add a value and return the median of the last 60 s, this value included.

        Args:
            name: whose value it is: a limit's quantity at one probe, or at one pair.
            time_s: when, never before the value before [s].
            value: in the limit's unit.

        Returns:
            The median; the lower or upper of the middle two makes no difference that the guard
            would not cover, so their mean is taken.
        """
        window = self.note(name, time_s, value)
        return value if len(window) == 1 else median([entry[1] for entry in window])

    def note(self, name: Hashable, time_s: float, value: float) -> deque[tuple[float, float]]:
        """Add a value and return those of the last 60 s with their times; args as for `take`."""
        window = self._windows.get(name)
        if window is None:
            window = self._windows[name] = deque()
        oldest = time_s - MEDIAN_SPAN_S
        while window and window[0][0] <= oldest:
            window.popleft()
        if len(window) > 1 and takes_place(window[-2][0], time_s):
            window[-1] = (time_s, value)
        else:
            window.append((time_s, value))
        return window

    def note_kept(self, name: Hashable, times_s: Sequence[float], values: Sequence[float]) -> None:
        """Add those values that `kept_of` names, as one after the other; there has to be one.

        Args:
            name: as for `take`.
            times_s: of each [s].
            values: of each.
        """
        window = self.note(name, times_s[0], values[0])
        window.extend(zip(times_s[1:], values[1:], strict=True))
        oldest = times_s[-1] - MEDIAN_SPAN_S
        while window[0][0] <= oldest:
            window.popleft()

    def with_one_more(self, name: Hashable, time_s: float, value: float) -> float:
        """Return what `take` would, and keep nothing; there has to be a value already."""
        oldest = time_s - MEDIAN_SPAN_S
        kept = [entry for entry in self._windows[name] if entry[0] > oldest]
        if len(kept) > 1 and takes_place(kept[-2][0], time_s):
            kept.pop()
        return median([*(entry[1] for entry in kept), value])

    def ends(self, name: Hashable) -> tuple[float, float]:
        """Return the lowest and the highest value that is kept; there has to be one."""
        values = [value for _, value in self._windows[name]]
        return min(values), max(values)

    def last_two_s(self, name: Hashable) -> tuple[float, ...]:
        """Return the times of the last two values that are kept, or of the only one [s]."""
        window = self._windows[name]
        last_s = window[-1][0]
        return (window[-2][0], last_s) if len(window) > 1 else (last_s,)

    def forget(self) -> None:
        """Drop every value, as after a jump of the clock."""
        self._windows.clear()


def takes_place(last_but_one_s: float, time_s: float) -> bool:
    """Return whether a new value stands for the last one, within a second of the one before it."""
    return time_s - last_but_one_s < 1.0


def limits_in_force(
    spec: Spec, stage: Stage, steps_ended: Iterable[Until] = ()
) -> dict[LimitName, Limit]:
    """Return the limits that matter in a stage, less those whose last step has ended.

    One that the sheet wants told of afterwards goes on as a slow one until the film has cured.

    Args:
        spec: the coating's.
        stage: of the section.
        steps_ended: steps and times that the film already has behind it.
    """
    over = frozenset(steps_ended)
    limits = spec.limits_for(stage)
    if not over:
        return limits
    told = {
        name: replace(limit, effect=limit.then, until=Step.CURED, wait=None)
        for name, limit in limits.items()
        if limit.until in over and limit.then is not None and Step.CURED not in over
    }
    return {name: limit for name, limit in limits.items() if limit.until not in over} | told


USUAL_COOLING_K = {Method.GUN: 1.0}
"""How far a sprayed film stands under its surface where its sheet does not say: fine drops lose
their solvent on the way; common practice, no source [K]."""


def film_cooling(spec: Spec, stage: Stage, method: Method | None) -> FilmCooling | None:
    """Return how far the wet film stands under its surface, or None where no method cools it.

    It counts until the solvent has gone, so not in cure. Where the method is not known the
    largest allowance of the spec counts; where the spec gives none, a gun's usual one.
    """
    own = spec.wet_film_cooling_k
    by_method = own or ({} if method is None else USUAL_COOLING_K)
    if stage is Stage.CURE or not by_method:
        return None
    by = max(by_method, key=by_method.__getitem__) if method is None else method
    by_k = by_method.get(by, 0.0)
    return FilmCooling(by_k, by, assumed=method is None) if by_k else None


def wet_film_allowance_k(spec: Spec, stage: Stage, method: Method | None) -> float:
    """Return what `film_cooling` adds to the margin asked for [K]."""
    cooling = film_cooling(spec, stage, method)
    return 0.0 if cooling is None else cooling.by_k


def own_limits(
    spec: Spec, stage: Stage, method: Method | None, steps_ended: Iterable[Until] = ()
) -> dict[LimitName, Limit]:
    """Return one film's limits in force, the wet film's own cooling in its bounds.

    Water takes several times a solvent's heat with it and leaves for longer, so a film that it
    leaves is as cold as that while it forms; of a solvent-borne one the hull is what counts.

    Args:
        spec: of the film.
        stage: of the film.
        method: how it was put on, where it is known.
        steps_ended: steps that it has behind it.
    """
    found = limits_in_force(spec, stage, steps_ended)
    cooling = film_cooling(spec, stage, method)
    if cooling is None:
        return found
    margin = found.get(LimitName.DEW_MARGIN_MIN)
    coldest = found.get(LimitName.SURFACE_TEMP_MIN)
    if margin is not None:
        wait = None if margin.wait is None else margin.wait + cooling.by_k
        bound = margin.bound + cooling.by_k
        found[margin.name] = replace(margin, bound=bound, wait=wait, cooling=cooling)
    if coldest is not None and spec.water_borne:
        found[coldest.name] = replace(coldest, film_below_k=cooling.by_k, cooling=cooling)
    return found


def stricter_of(
    some: Mapping[LimitName, Limit], others: Mapping[LimitName, Limit]
) -> dict[LimitName, Limit]:
    """Return the limits of both; where two count for one quantity, the stricter."""
    merged = dict(some)
    for name, other in others.items():
        known = merged.get(name)
        if known is None or is_stricter(other, known):
            merged[name] = other
    return merged


def judge(
    climate: Climate,
    limits: Mapping[LimitName, Limit],
    medians: RecentMedian,
) -> tuple[LimitJudgement, ...]:
    """Return what each limit says of the climate: the verdict of the probe that judges worst.

    Each probe that can speak to a limit, and for the margin each pair of a surface and an air
    body, is judged by its own guard. For one of them the limit is broken where its best estimate
    is past the bound, and near where the median of its last 60 s is inside by less than its guard.
    The worst of them counts, and among equals the one with least room. A required point that is
    not ok makes its limits unknown, whatever the others say; save that what an ok point shows to
    be past the bound is past it whatever the silent one would have said.

    Args:
        climate: at the time of the judgement.
        limits: those in force.
        medians: kept from one judgement to the next.

    Source:
        Guard: one-sided 95 % of the combined standard uncertainty, JCGM 100:2008. The worst by
        judgement is guarded acceptance as in JCGM 106:2012, 8.3, for each probe.
    """
    judged: list[LimitJudgement] = []
    for name, limit in limits.items():
        why = climate.unknown.get(name, "")
        said = [
            _judge_one(name, limit, estimate, why, medians, climate.time_s)
            for estimate in climate.estimates.get(name, ())
        ]
        if said:
            judged.append(min(said, key=_badness) if len(said) > 1 else said[0])
        else:
            unknown = LimitState.UNKNOWN
            judged.append(
                LimitJudgement(
                    name,
                    unknown,
                    None,
                    limit.bound,
                    0.0,
                    None,
                    None,
                    "",
                    why or "no data",
                    effect=limit.effect,
                    wait=limit.wait,
                )
            )
    return tuple(judged)


def _judge_one(
    name: LimitName,
    limit: Limit,
    estimate: Estimate,
    why: str,
    medians: RecentMedian,
    time_s: float,
) -> LimitJudgement:
    """What one probe or pair says of a limit; `why` is why the limit as a whole is not known."""
    value, guard, source, beside = estimate
    value -= limit.film_below_k
    bound = limit.bound
    slow = limit.effect is Effect.SLOW
    if slow or not limit.guard:
        guard = 0.0
    sign = -1.0 if name in _UPPER else 1.0
    inside = sign * (value - bound)
    inside_median = sign * (medians.take((name, source, beside), time_s, value) - bound)
    inner = 0.0 if limit.wait is None else abs(limit.wait - bound)
    if inside < 0.0 and limit.harms:
        state = LimitState.BROKEN
    elif why:
        state = LimitState.UNKNOWN
    elif not slow and (inside < 0.0 or inside_median < guard + inner):
        state = LimitState.NEAR
    else:
        state = LimitState.OK
    return LimitJudgement(
        name, state, value, bound, guard, inside, inside_median, source, why, beside,
        limit.effect, limit.wait, limit.cooling,
    )  # fmt: skip


def kept_of(last_two_s: Sequence[float], times_s: Sequence[float]) -> list[int]:
    """Return the places of those times that a median keeps in the end, of all that it is told.

    Args:
        last_two_s: times that it kept last, as `RecentMedian.last_two_s` has them [s].
        times_s: that it is told one after the other, none before those [s].

    >>> kept_of((0.0, 0.5), [0.6, 0.9, 1.2, 1.3, 2.5])
    [1, 3, 4]
    """
    before_s = last_two_s[-2] if len(last_two_s) > 1 else -math.inf
    last_s, at = last_two_s[-1], 0
    found: list[int] = []
    while at < len(times_s):
        until = bisect_left(times_s, before_s + 1.0, at)
        while until < len(times_s) and takes_place(before_s, times_s[until]):
            until += 1
        while until > at and not takes_place(before_s, times_s[until - 1]):
            until -= 1
        if until > at:  # these take the last one's place, each that of the one before
            last_s = times_s[until - 1]
            found[-1:] = [until - 1]
        if until < len(times_s):
            before_s, last_s = last_s, times_s[until]
            found.append(until)
        at = until + 1
    return found


class Witness(NamedTuple):
    """What one probe or pair says of a limit where its guard is not reckoned anew.

    Attributes:
        value: now, what the film is colder by taken off [unit].
        median: of the last 60 s [unit].
        guard: as it was reckoned last [unit].
        moved: how far it may have gone since [unit].
    """

    value: float
    median: float
    guard: float
    moved: float


def deciding(limit: Limit, witnesses: Sequence[Witness], *, unknown: bool) -> float | None:
    """Return how far inside the bound the median of that probe is which `judge` would choose.

    Args:
        limit: in force.
        witnesses: in the order of the climate's estimates, one at least.
        unknown: whether the limit as a whole is not known.

    Returns:
        None where the guards are not known so well that the choice is sure [unit].
    """
    sign = -1.0 if limit.name in _UPPER else 1.0
    if len(witnesses) == 1:
        return sign * (witnesses[0].median - limit.bound)
    slow = limit.effect is Effect.SLOW
    inner = 0.0 if limit.wait is None else abs(limit.wait - limit.bound)
    found: list[tuple[int, float, float, float]] = []
    for value, middle, guard, moved in witnesses:
        if slow or not limit.guard:
            guard = moved = 0.0
        inside, inside_median = sign * (value - limit.bound), sign * (middle - limit.bound)
        room = inside_median - guard - inner
        state = LimitState.OK
        if inside < 0.0 and limit.harms:
            state, room = LimitState.BROKEN, inside - guard
        elif unknown:
            state = LimitState.UNKNOWN
        elif not slow:
            if inside >= 0.0 and abs(inside_median - guard - inner) <= moved:
                return None
            if inside < 0.0 or inside_median < guard + inner:
                state = LimitState.NEAR
        found.append((SEVERITY[state], room, moved, inside_median))
    worst = min(found, key=lambda each: each[:2])
    for each in found:
        unsure = each[2] + worst[2]
        if each is not worst and each[0] == worst[0] and 0.0 < unsure >= each[1] - worst[1]:
            return None
    return worst[3]


def worst_first(judged: Iterable[LimitJudgement]) -> list[LimitJudgement]:
    """Return the limits ordered by how bad they are: broken, unknown, near, ok; least room first.

    Room is counted by `scale_of`, so that a humidity and a temperature can be compared at all.
    """
    return sorted(judged, key=_badness)


def _badness(entry: LimitJudgement) -> tuple[int, float]:
    room = entry.room or 0.0
    if entry.state is LimitState.BROKEN and entry.inside is not None:
        room = entry.inside - entry.guard
    return SEVERITY[entry.state], room / scale_of(entry.unit)


def scale_of(unit: str) -> float:
    """Return what counts as one K of room in a limit's unit; common practice, no source."""
    return 4.0 if unit == "%" else 1.0
