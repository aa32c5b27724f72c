"""Reads a sheet's limits: the bounds of each stage, how long they matter, and what they do."""

from __future__ import annotations

from rules.spec.checks import check_wait
from rules.spec.model import Limit
from rules.spec.read_times import TEMPERATURES
from rules.text import shown
from rules.toml_table import Table
from rules.units import DAY_S, range_ends
from rules.vocabulary import FILM_STAGES, Effect, LimitName, Stage, Step, Until

# Without these a film's safety cannot be judged at all.
_NEEDED_LIMITS = {
    LimitName.DEW_MARGIN_MIN: '{ bound = "3 K", until = "handle" }',
    LimitName.HUMIDITY_MAX: '{ bound = "85 %", until = "touch-dry" }',
    LimitName.SURFACE_TEMP_MIN: '{ bound = "10 degC", until = "cured" }',
}
# What can be a bound at all; a humidity under 1 % is a fraction written as a percentage.
_BOUNDS = {
    LimitName.DEW_MARGIN_MIN: ("K", 0.0, 20.0),
    LimitName.HUMIDITY_MAX: ("%", 1.0, 100.0),
    LimitName.HUMIDITY_MIN: ("%", 1.0, 100.0),
}


def read_limits(top: Table, *, needed: bool = True) -> dict[Stage, dict[LimitName, Limit]]:
    """Return the limits of each stage.

    Args:
        top: the file, or the column of it that restates some.
        needed: whether those must stand there without which no film can be judged.
    """
    table = top.table("limits", [stage.value for stage in FILM_STAGES])
    limits: dict[Stage, dict[LimitName, Limit]] = {}
    for stage in FILM_STAGES:
        own = table.table(stage.value, [name.value for name in LimitName])
        if needed and stage is Stage.APPLY:
            for name, example in _NEEDED_LIMITS.items():
                if name.value not in own.values:
                    own.missing(name.value, example)
        read = [_limit(own, LimitName(key)) for key in own.values if key in list(LimitName)]
        limits[stage] = {limit.name: limit for limit in read if limit is not None}
    return limits


def _limit(own: Table, name: LimitName) -> Limit | None:
    entry = own.table(name.value, ("bound", "wait", "effect", "until", "then", "guard"))
    unit, low, high = _BOUNDS.get(name, TEMPERATURES)
    if not isinstance(own.values[name.value], dict):
        return None
    ends = range_ends(entry.values.get("bound"))
    side = name.value.rpartition("_")[0]
    if ends is not None and {f"{side}_min", f"{side}_max"} <= set(LimitName):
        entry.fault(
            "bound",
            f"{shown(entry.values['bound'])} is a range",
            f'write {side}_min "{ends[0]}" and {side}_max "{ends[1]}"',
        )
        return None
    bound = entry.figure("bound", unit, low, high, difference=unit == "K", example=f"10 {unit}")
    wait = entry.figure("wait", unit, low, high, difference=unit == "K")
    until = _until(entry)
    guard = entry.flag("guard", True)
    effect = Effect(entry.one_of("effect", list(Effect), required=False) or Effect.HARM)
    if bound is None or until is None:
        return None
    then = entry.one_of("then", [Effect.SLOW.value], required=False)
    found = Limit(name, bound, until, guard, effect, wait, Effect(then) if then else None)
    check_wait(found, entry)
    return found


def _until(entry: Table) -> Until | None:
    """A step of curing, or a time from the coat's end [s]."""
    written = entry.values.get("until")
    if isinstance(written, str) and written[:1].isdigit():
        return entry.duration("until", 60.0, 366.0 * DAY_S)
    step = entry.one_of("until", [step.value for step in Step], required=True)
    return None if step is None else Step(step)
