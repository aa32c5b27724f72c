"""Hand readings of the ground: which count, in which unit, and when none is asked for.

That bare ground is measured before the first coat only is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from clock_material import T0, H, event

from rules.events import Event
from rules.ground import ground_changes_s, ground_doubts
from rules.spec.model import Measurement
from rules.vocabulary import EventKind, LimitState

WOOD = Measurement("wood-moisture", "pct", 8.0, 16.0)
SALT = Measurement("chloride", "mg/m2", None, 30.0, standard="ISO 8502-6")
BLASTED = Measurement("blast-hours", "h", None, 4.0)
PAINT = Measurement("paint-temp", "degC", 15.0, 25.0, 2 * H)


def measured(what: str, at_h: float, value: float, unit: str, section: str | None = None) -> Event:
    return event(EventKind.MEASURED, at_h, what=what, value=value, unit=unit, section=section)


def states(asked: Measurement, *events: Event, at_h: float = 5.0) -> list[LimitState]:
    return [doubt.state for doubt in ground_doubts("port", [asked], events, T0 + at_h * H)]


@pytest.mark.parametrize(
    ("asked", "value", "unit", "inside"),
    [
        (WOOD, 14.0, "%", True),
        (WOOD, 16.0, "percent", True),
        (WOOD, 0.14, "1", None),  # no percentage
        # 1 ug/cm2 is 10 mg/m2: a square metre has 10,000 cm2, a milligram 1000 ug.
        (SALT, 2.9, "ug/cm2", True),
        (SALT, 3.1, "ug/cm2", False),
        (PAINT, 68.0, "degF", True),  # 20 degC
        (PAINT, 80.0, "degF", False),  # 26.7 degC
        (BLASTED, 90.0, "min", True),
    ],
)
def test_a_figure_counts_in_every_unit_that_fits(
    asked: Measurement, value: float, unit: str, inside: bool | None
) -> None:
    found = states(asked, measured(asked.what, 4.0, value, unit))
    assert found == {True: [], False: [LimitState.NEAR], None: [LimitState.UNKNOWN]}[inside]


def test_another_sections_figure_is_no_answer() -> None:
    assert states(WOOD, measured("wood-moisture", 4.0, 14.0, "pct", "stbd")) == [LimitState.UNKNOWN]
    assert states(WOOD, measured("wood-moisture", 4.0, 14.0, "pct", "port")) == []


def test_bare_ground_is_not_asked_for_between_the_coats_of_a_session() -> None:
    begun = event(EventKind.SESSION_STARTED, 0.0)
    coat = event(EventKind.COAT_STARTED, 1.0), event(EventKind.COAT_ENDED, 2.0)
    for asked in (WOOD, SALT, BLASTED):
        assert states(asked, begun) == [LimitState.UNKNOWN]
        assert states(asked, begun, *coat) == []
        anew = event(EventKind.SESSION_STARTED, 3.0)
        assert states(asked, begun, *coat, anew) == [LimitState.UNKNOWN]
    assert states(PAINT, begun, *coat) == [LimitState.UNKNOWN]  # of each coat's own paint


def test_it_is_known_when_a_figure_will_no_longer_do() -> None:
    now_s = T0 + 5 * H
    wood = measured("wood-moisture", 4.0, 14.0, "pct")
    blasted = measured("blast-hours", 4.0, 1.0, "h")
    assert ground_changes_s("port", [WOOD], [wood], now_s) == T0 + 28 * H
    assert ground_changes_s("port", [BLASTED], [blasted], now_s) == T0 + 7 * H  # 4 h since
    assert ground_changes_s("port", [WOOD], [], now_s) == math.inf


def test_a_pots_own_temperature_answers_for_the_mix() -> None:
    asked = Measurement("mix-temp", "degC", 15.0, 25.0)
    assert states(asked, measured("mix-temperature", 4.0, 20.0, "degC")) == []


RUB = Measurement("solvent-rub-class", "class", 4.0, None, of_the_film=True)


def test_a_film_is_measured_before_the_next_coat_and_anew_for_each() -> None:
    laid = event(EventKind.COAT_STARTED, 1.0), event(EventKind.COAT_ENDED, 2.0)
    again = event(EventKind.COAT_STARTED, 4.0), event(EventKind.COAT_ENDED, 4.5)
    rubbed = measured(RUB.what, 3.0, 5.0, "class")
    assert states(RUB) == []  # no film is there yet
    assert states(RUB, *laid) == [LimitState.UNKNOWN]
    assert states(RUB, *laid, event(EventKind.SESSION_STARTED, 3.0)) == [LimitState.UNKNOWN]
    assert states(RUB, *laid, measured(RUB.what, 3.0, 3.0, "class")) == [LimitState.NEAR]
    assert states(RUB, *laid, rubbed) == []
    assert states(RUB, *laid, rubbed, *again) == [LimitState.UNKNOWN]


@pytest.mark.parametrize("value", [-3.0, 0.0, 0.14])
def test_a_figure_that_cannot_be_answers_nothing(value: float) -> None:
    """Wood is never so dry in a shed: at 20 % humidity and 21 degC it holds 4.5 %.

    Source:
        Wood Handbook (FPL-GTR-282, 2021), table 4-2, equilibrium moisture content; from memory.
    """
    wood = replace(WOOD, low=None)
    assert states(wood, measured("wood-moisture", 4.0, value, "pct")) == [LimitState.UNKNOWN]
