"""What each bound of a spec says of the climate: ok, near, broken or unknown.

Takes a `Climate`; hands one `LimitJudgement` a limit to `call`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from rules.climate import Climate
from rules.spec.model import Limit, Spec
from rules.vocabulary import LimitName, LimitState, Method, Stage, Step

MEDIAN_SPAN_S = 60.0

_UPPER = frozenset((LimitName.HUMIDITY_MAX, LimitName.SURFACE_TEMP_MAX, LimitName.AIR_TEMP_MAX))
_UNITS = {
    LimitName.DEW_MARGIN_MIN: "K",
    LimitName.HUMIDITY_MAX: "%",
    LimitName.HUMIDITY_MIN: "%",
}
_SEVERITY = {
    LimitState.BROKEN: 0,
    LimitState.UNKNOWN: 1,
    LimitState.NEAR: 2,
    LimitState.OK: 3,
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
        source: the point that the estimate rests on, or "".
        why_unknown: in words, where `state` is unknown.
        beside: the second point that it rests on, or "".
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

    @property
    def unit(self) -> str:
        """Unit of every figure here: K, % or degC."""
        return unit_of(self.name)


def unit_of(name: LimitName) -> str:
    """Return the unit in which a limit is stated: K, % or degC."""
    return _UNITS.get(name, "degC")


def is_upper(name: LimitName) -> bool:
    """Return whether the limit bounds its quantity from above."""
    return name in _UPPER


def is_stricter(one: Limit, other: Limit) -> bool:
    """Return whether the first of two limits on the same side leaves less room."""
    return one.bound < other.bound if is_upper(one.name) else one.bound > other.bound


class RecentMedian:
    """Medians over the last 60 s of what each limit judges; at most one value a second is kept."""

    __slots__ = ("_windows",)

    def __init__(self) -> None:
        self._windows: dict[LimitName, deque[tuple[float, float]]] = {}

    def take(self, name: LimitName, time_s: float, value: float) -> float:
        """Add a value and return the median of the last 60 s, this value included.

        Args:
            name: the limit whose quantity it is.
            time_s: when, never before the value before [s].
            value: in the limit's unit.

        Returns:
            The median; the lower or upper of the middle two makes no difference that the guard
            would not cover, so their mean is taken.
        """
        window = self._windows.get(name)
        if window is None:
            window = self._windows[name] = deque()
        oldest = time_s - MEDIAN_SPAN_S
        while window and window[0][0] <= oldest:
            window.popleft()
        if len(window) > 1 and time_s - window[-2][0] < 1.0:
            window[-1] = (time_s, value)
        else:
            window.append((time_s, value))
        count = len(window)
        if count == 1:
            return value
        ordered = sorted([entry[1] for entry in window])
        middle = count // 2
        if count % 2:
            return ordered[middle]
        return 0.5 * (ordered[middle - 1] + ordered[middle])

    def forget(self) -> None:
        """Drop every value, as after a jump of the clock."""
        self._windows.clear()


def limits_in_force(
    spec: Spec, stage: Stage, steps_ended: Iterable[Step] = ()
) -> dict[LimitName, Limit]:
    """Return the limits that matter in a stage, less those whose last step has ended.

    Args:
        spec: the coating's.
        stage: of the section.
        steps_ended: steps that the film already has behind it.
    """
    over = frozenset(steps_ended)
    limits = spec.limits_for(stage)
    if not over:
        return limits
    return {name: limit for name, limit in limits.items() if limit.until not in over}


def wet_film_allowance_k(spec: Spec, stage: Stage, method: Method | None) -> float:
    """Return what the wet film's own cooling adds to the margin asked for [K].

    It counts until the solvent has gone, so not in cure. Where the method is not known the
    largest allowance counts.
    """
    if stage is Stage.CURE or not spec.wet_film_cooling_k:
        return 0.0
    if method is None:
        return max(spec.wet_film_cooling_k.values())
    return spec.wet_film_cooling_k.get(method, 0.0)


def judge(
    climate: Climate,
    limits: Mapping[LimitName, Limit],
    medians: RecentMedian,
    allowance_k: float = 0.0,
) -> tuple[LimitJudgement, ...]:
    """Return what each limit says of the climate.

    A limit is broken where the best estimate itself is past the bound, near where the median of
    the last 60 s is inside by less than the guard. A required point that is not ok makes its
    limits unknown, whatever the others say; save that what an ok point shows to be past the
    bound is past it whatever the silent one would have said.

    Args:
        climate: at the time of the judgement.
        limits: those in force.
        medians: kept from one judgement to the next.
        allowance_k: added to the margin's bound for the wet film's own cooling [K].

    Source:
        Guard: one-sided 95 % of the combined standard uncertainty, JCGM 100:2008.
    """
    judged: list[LimitJudgement] = []
    time_s = climate.time_s
    for name, limit in limits.items():
        bound = limit.bound
        if allowance_k and name is LimitName.DEW_MARGIN_MIN:
            bound += allowance_k
        estimate = climate.estimates.get(name)
        why = climate.unknown.get(name, "")
        if estimate is None:
            judged.append(
                LimitJudgement(
                    name, LimitState.UNKNOWN, None, bound, 0.0, None, None, "", why or "no data"
                )
            )
            continue
        value, guard, source, beside = estimate
        if not limit.guard:
            guard = 0.0
        median = medians.take(name, time_s, value)
        if name in _UPPER:
            inside = bound - value
            inside_median = bound - median
        else:
            inside = value - bound
            inside_median = median - bound
        if inside < 0.0:
            state = LimitState.BROKEN
        elif why:
            state = LimitState.UNKNOWN
        elif inside_median < guard:
            state = LimitState.NEAR
        else:
            state = LimitState.OK
        judged.append(
            LimitJudgement(
                name, state, value, bound, guard, inside, inside_median, source, why, beside
            )
        )
    return tuple(judged)


def worst_first(judged: Iterable[LimitJudgement]) -> list[LimitJudgement]:
    """Return the limits ordered by how bad they are: broken, unknown, near, ok; least room first.

    Room is counted in units of each limit's re-entry-like scale (1 K, 4 %), so that a humidity
    and a temperature can be compared at all; common practice, no source.
    """
    return sorted(judged, key=_badness)


def _badness(entry: LimitJudgement) -> tuple[int, float]:
    room = entry.inside_median if entry.inside_median is not None else 0.0
    if entry.state is LimitState.BROKEN and entry.inside is not None:
        room = entry.inside
    scale = 4.0 if entry.unit == "%" else 1.0
    return _SEVERITY[entry.state], (room - entry.guard) / scale
