"""What is said of a flame, and of sanding beside a wet film, when they are recorded; no source."""

from __future__ import annotations

import pytest

from rules.clocks.at_event import heater_remark, sanding_remark
from rules.clocks.clock import Clock, ClockState
from rules.events import Event
from rules.vocabulary import ClockName, EventKind


@pytest.mark.parametrize(
    ("note", "says"),
    [
        ("propane, no flue", True),
        ("gas heater", True),
        ("unflued paraffin stove", True),
        ("diesel heater with a flue, stands outside", False),
        ("electric, 2 kW", False),
        ("", False),
    ],
)
def test_a_flame_without_a_flue_gets_a_remark(note: str, says: bool) -> None:
    text = heater_remark(Event(EventKind.HEATER_ON, 0.0, "tent", note=note))
    assert bool(text) is says
    assert heater_remark(Event(EventKind.HEATER_OFF, 0.0, "tent", note=note)) == ""


@pytest.mark.parametrize(
    ("section", "state", "says"),
    [
        ("stbd", ClockState.RUNNING, True),
        ("stbd", ClockState.ENDED, False),
        ("port", ClockState.RUNNING, False),  # its own film is sanded by who knows it
    ],
)
def test_sanding_beside_a_film_that_is_not_touch_dry_is_remarked(
    section: str, state: ClockState, says: bool
) -> None:
    event = Event(EventKind.SANDED, 0.0, "tent", "port")
    clock = Clock(ClockName.TOUCH_DRY, section, None, state, coat=1)
    assert bool(sanding_remark(event, [clock])) is says
