"""The ground before a coat: the hand readings that a sheet asks for, until which there is no GO.

What was measured last counts, as long as its sheet says; `section` asks before a coat alone, never
of a film that lies on the ground already.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rules.clocks.work import MIX_TEMPERATURE, is_about
from rules.events import Event
from rules.reasons import Doubt
from rules.spec.model import Measurement
from rules.text import duration_text
from rules.units import HAND_UNITS, HOUR_S, hand_figure
from rules.vocabulary import EventKind, LimitState

GROUND = "ground"
"""Name of the reason that a hand reading gives."""

OF_THE_BARE = frozenset(
    {
        "wood-moisture",
        "concrete-moisture",
        "chloride",
        "profile",
        "blast-hours",
        "sheet-test",
    }
)
"""What can be measured on a bare ground only, and so is not asked for between two coats."""

_COATED = (EventKind.COAT_STARTED, EventKind.COAT_ENDED)
_SAME = {"mix-temp": MIX_TEMPERATURE}
_SYMBOLS = {"pct": "%", "degC": "°C", "um": "µm", "mg/m2": "mg/m²"}


def ground_doubts(
    section: str | None,
    measurements: Sequence[Measurement],
    standing: Sequence[Event],
    now_s: float,
) -> tuple[Doubt, ...]:
    """Return what of the ground forbids GO for a coat that is to be begun.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        measurements: that the next coat's spec asks for of the ground, and that of the film that
            is there of itself.
        standing: the enclosure's events in force, in the order of time.
        now_s: now [s].
    """
    if not measurements:
        return ()
    own = [each for each in standing if each.time_s <= now_s and is_about(each, section)]
    coated, laid = _is_coated(own), any(each.kind in _COATED for each in own)
    judged = (
        _doubt_of(each, _last_of(each, own), now_s)
        for each in measurements
        if (laid if each.of_the_film else not (coated and each.what in OF_THE_BARE))
    )
    return tuple(doubt for doubt in judged if doubt is not None)


def ground_changes_s(
    section: str | None,
    measurements: Sequence[Measurement],
    standing: Sequence[Event],
    now_s: float,
) -> float:
    """Return when the next hand reading gets too old or too large, infinite for none [s]."""
    own = [each for each in standing if each.time_s <= now_s and is_about(each, section)]
    ends = [math.inf]
    for each in measurements:
        last = _last_of(each, own)
        if last is not None:
            ends.append(last.time_s + each.max_age_s)
            value = _figure(each, last)
            if each.unit == "h" and each.high is not None and value is not None:
                ends.append(last.time_s + (each.high - value) * HOUR_S)
    return min(end for end in ends if end > now_s)


def _is_coated(own: Iterable[Event]) -> bool:
    """Whether a coat lies on the ground; a new session begins on what it finds."""
    coated = False
    for event in own:
        if event.kind is EventKind.SESSION_STARTED:
            coated = False
        elif event.kind in _COATED:
            coated = True
    return coated


def _last_of(asked: Measurement, own: Sequence[Event]) -> Event | None:
    names = {asked.what, _SAME.get(asked.what, asked.what)}
    for event in reversed(own):
        if asked.of_the_film and event.kind in _COATED:
            return None  # of an earlier film
        if event.kind is EventKind.MEASURED and event.what in names:
            return event
    return None


def _figure(asked: Measurement, event: Event) -> float | None:
    """What was measured, in the sheet's unit, or None where it cannot be."""
    wanted = next(unit for unit, word in HAND_UNITS.items() if word == asked.unit)
    return hand_figure(event.value, event.unit, wanted)


def _doubt_of(asked: Measurement, last: Event | None, now_s: float) -> Doubt | None:
    name = asked.what.replace("-", " ")
    if last is None:
        return _unknown(asked, f"{name.capitalize()} is not measured yet")
    value = _figure(asked, last)
    if value is None:
        typed = f"{last.value:g} {last.unit}" if last.value is not None else "nothing"
        return _unknown(asked, f"{name.capitalize()} was entered as {typed}, which does not fit")
    age_s = now_s - last.time_s
    if asked.unit == "h":  # hours since something was done go on while nobody types
        value += age_s / HOUR_S
    for bound, past, words in (
        (asked.high, asked.high is not None and value > asked.high, "over"),
        (asked.low, asked.low is not None and value < asked.low, "under"),
    ):
        if past and bound is not None:
            text = (
                f"{name.capitalize()} {_shown(value, asked.unit)}, {words} the sheet's "
                f"{_shown(bound, asked.unit)}: put it right, then measure again{_how(asked)}"
            )
            return Doubt(GROUND, text, LimitState.NEAR, value, bound, asked.unit)
    if age_s >= asked.max_age_s:
        shown = _shown(value, asked.unit)
        return _unknown(
            asked,
            f"{name.capitalize()} was {shown} {duration_text(age_s)} ago, too long for a coat",
        )
    return None


def not_looked_at(asked: Measurement) -> str:
    """Return what a call says that nobody can tell of the ground, for want of a log."""
    name = asked.what.replace("-", " ").capitalize()
    return f"{name} is not looked at here; before a coat the sheet asks for {_wanted(asked)}"


def _wanted(asked: Measurement) -> str:
    sides = [
        "" if asked.low is None else f"at least {_shown(asked.low, asked.unit)}",
        "" if asked.high is None else f"at most {_shown(asked.high, asked.unit)}",
    ]
    return " and ".join(side for side in sides if side) + _how(asked)


def _unknown(asked: Measurement, what: str) -> Doubt:
    text = (
        f"{what}: {_wanted(asked)}. Record it: filmcall event measured "
        f"--what {asked.what} --value FIGURE --unit {asked.unit}"
    )
    bound = asked.high if asked.high is not None else asked.low
    return Doubt(GROUND, text, bound=bound, unit=asked.unit)


def _how(asked: Measurement) -> str:
    words = ", ".join(each for each in (asked.method, asked.standard) if each)
    return f" ({words})" if words else ""


def _shown(value: float, unit: str) -> str:
    if unit == "class":
        return f"class {value:g}"
    return f"{value:.3g} {_SYMBOLS.get(unit, unit)}"
