"""How long the air matters to a film: from the first brush stroke until no limit does any more."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from rules.events import Event, in_force
from rules.limits import limits_in_force
from rules.spec.model import Spec
from rules.vocabulary import (
    CLOCK_OF_STEP,
    FILM_STAGES,
    Effect,
    EventKind,
    LimitName,
    Stage,
    Step,
    Until,
)

WIDER_EACH_PCT = 1.0
WIDEST_PCT = 5.0

_SOLVENT = (EventKind.WIPED, EventKind.COAT_STARTED)


def solvent_widening_pct(events: Iterable[Event], checked_s: float, now_s: float) -> float:
    """Return what is added to a humidity probe's accuracy after wipes and coats beside it.

    Args:
        events: of the enclosure, corrections among them.
        checked_s: when the probe was last checked against a salt point [s].
        now_s: [s].

    Returns:
        1 % for each wipe and coat since the check, 5 % at most [%].

    Source:
        Generic, no source for the figure; that solvents make polymer probes read low at high
        humidity is their makers' common handling advice.
    """
    count = sum(
        event.kind in _SOLVENT and checked_s < event.time_s <= now_s
        for event in in_force(tuple(events))
    )
    return min(count * WIDER_EACH_PCT, WIDEST_PCT)


def harm_until(spec: Spec) -> dict[LimitName, Until | None]:
    """Return until which step or time each limit that harms a coat as it goes on can harm it.

    Where a later stage says that the film then only cures more slowly, the harm ends with the stage
    before. None is the coat's end. A limit that never harms is left out.

    Args:
        spec: of the coat.
    """
    found: dict[LimitName, Until | None] = {}
    by_stage = {stage: spec.limits_for(stage) for stage in FILM_STAGES}
    for name, limit in by_stage[Stage.APPLY].items():
        if limit.effect is Effect.SLOW:
            continue
        if by_stage[Stage.FLASH][name].effect is Effect.SLOW:
            found[name] = None
        elif by_stage[Stage.CURE][name].effect is Effect.SLOW:
            found[name] = Step.TOUCH_DRY
        else:
            found[name] = by_stage[Stage.CURE][name].until
    return found


def harm_time_s(
    spec: Spec, surface_temp_c: float, coating_time_s: float | None = None
) -> float | None:
    """Return how long a coat begun now would mind the air: coating time plus its longest step.

    Args:
        spec: of the coat.
        surface_temp_c: at which it would dry and cure [degC].
        coating_time_s: or None for the spec's own [s].

    Returns:
        The time from the first brush stroke [s]; None where the spec does not tell, or where at
        that temperature it would never be over.
    """
    from rules.rate import SafeSide, rate_law  # numpy: only where a spec has times

    longest_s = 0.0
    for last in set(harm_until(spec).values()):
        if last is None:
            continue
        if not isinstance(last, Step):
            longest_s = max(longest_s, last)
            continue
        table = spec.times.get(CLOCK_OF_STEP[last])
        if table is None:
            return None
        takes_s = rate_law(table, SafeSide.OPENS).time_s(surface_temp_c)
        if not math.isfinite(takes_s):
            return None
        longest_s = max(longest_s, takes_s)
    return (coating_time_s or spec.coating_time_s) + longest_s


def harm_left_s(spec: Spec, stage: Stage, left_s: Mapping[Until, float | None]) -> float | None:
    """Return how long an open film will go on minding the air.

    Args:
        spec: that it was laid with.
        stage: apply, flash or cure.
        left_s: how long until each step, and each time that a limit names, has ended; None where
            it is not known [s].

    Returns:
        The longest of the steps that its limits name [s]; None where one of them is not known.
    """
    ends = harm_until(spec)
    steps: set[Until] = set()
    for name, limit in limits_in_force(spec, stage).items():
        if limit.effect is not Effect.SLOW:
            steps.add(ends.get(name) or limit.until)
    known: list[float] = []
    for step in steps:
        left = left_s.get(step)
        if left is None:
            return None
        known.append(left)
    return max(known, default=None)
