"""What is said of a flame, and of sanding beside a wet film, when they are recorded; no source."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.specs import find_spec
from rules.clocks.at_event import (
    coat_warnings,
    heater_remark,
    mix_warnings,
    sanding_remark,
    soft_film_warnings,
    thinner_warnings,
)
from rules.clocks.clock import Clock, ClockState
from rules.events import Event
from rules.vocabulary import ClockName, EventKind, Method


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
        ("port", ClockState.RUNNING, False),  # its own film; see below
    ],
)
def test_sanding_beside_a_film_that_is_not_touch_dry_is_remarked(
    section: str, state: ClockState, says: bool
) -> None:
    event = Event(EventKind.SANDED, 0.0, "tent", "port")
    clock = Clock(ClockName.TOUCH_DRY, section, None, state, coat=1)
    assert bool(sanding_remark(event, ["port"], [clock])) is says


DRY, SAND = ClockName.TOUCH_DRY, ClockName.SAND
SOFT = {
    EventKind.SANDED: "sanding now tears the film",
    EventKind.WASHED: "washing now marks the film",
    EventKind.WIPED: "wiping now smears the film",
}


@pytest.mark.parametrize("kind", SOFT)
@pytest.mark.parametrize("section", [None, "port"])
@pytest.mark.parametrize(
    ("clocks", "says", "sanding_says"),
    [
        (
            {DRY: ClockState.RUNNING, SAND: ClockState.RUNNING},
            "is not touch dry before about 7200.0: ",
            "is not sandable before about 7200.0: ",
        ),
        ({DRY: ClockState.WAITING}, "is not touch dry: ", "is not touch dry: "),
        (
            {DRY: ClockState.ENDED, SAND: ClockState.RUNNING},
            "",
            "is not sandable before about 7200.0: ",
        ),
        ({DRY: ClockState.ENDED, SAND: ClockState.ENDED}, "", ""),
        ({DRY: ClockState.ENDED}, "", ""),
    ],
)
def test_work_on_a_film_that_is_soft_still_is_warned_of(
    kind: EventKind,
    section: str | None,
    clocks: dict[ClockName, ClockState],
    says: str,
    sanding_says: str,
) -> None:
    """Common practice, no source: nothing rubs a film before it is touch dry, nor cuts it soft."""
    event = Event(kind, 0.0, "tent", section)
    film = [
        Clock(
            name, section, None, state, coat=1,
            ends_at_s=7200.0 if state is ClockState.RUNNING else None,
        )
        for name, state in clocks.items()
    ]  # fmt: skip
    touches = () if section is None else (section,)
    found = soft_film_warnings(event, touches, film, str)
    expected = sanding_says if kind is EventKind.SANDED else says
    assert len(found) == bool(expected)
    for text in found:
        assert text.startswith("port: coat 1 " if section else "coat 1 ")
        assert expected in text
        assert SOFT[kind] in text
    below = [replace(each, buried=True) for each in film]
    stbd = [replace(each, section="stbd") for each in film]
    withdrawn = replace(event, withdrawn=True)
    assert soft_film_warnings(event, ("port",), [*below, *stbd], str) == []
    assert soft_film_warnings(withdrawn, touches, film, str) == []
    other = replace(event, kind=EventKind.INSPECTED)
    assert soft_film_warnings(other, touches, film, str) == []


@pytest.mark.parametrize(
    ("amount_ml", "thinner_pct", "says"),
    [
        (900.0, 5.0, ()),
        (None, None, ()),
        (100_000.0, None, ("100000 ml is above the sheet's 2000 ml in one pot",)),
        (900.0, 40.0, ("40 % of thinner is above the sheet's 25 %",)),
    ],
)
def test_a_mix_that_no_sheet_means_is_remarked(
    amount_ml: float | None, thinner_pct: float | None, says: tuple[str, ...]
) -> None:
    topcoat = find_spec("polyurethane-topcoat")[0]
    mixed = Event(EventKind.MIXED, 0.0, "tent", amount_ml=amount_ml, thinner_pct=thinner_pct)
    found = mix_warnings(mixed, topcoat)
    assert [text.startswith(begin) for text, begin in zip(found, says, strict=True)] == [
        True for _ in says
    ]


def test_a_coat_begun_over_an_open_one_carries_it_on_and_says_so() -> None:
    begun = Event(EventKind.COAT_STARTED, 0.0, "tent", section="port")
    again = Event(EventKind.COAT_STARTED, 600.0, "tent", section="port")
    ended = Event(EventKind.COAT_ENDED, 300.0, "tent", section="port")
    (said,) = coat_warnings(again, [begun], "port", (), str)
    assert said.startswith("port: coat 1 has not been ended, so this carries it on")
    assert coat_warnings(again, [begun, ended], "port", (), str) == []


@pytest.mark.parametrize(
    ("state", "window", "says"),
    [
        (ClockState.RUNNING, None, "coat 1 is not touch dry, and its spec has no recoat_opens"),
        (ClockState.ENDED, None, ""),
        (ClockState.RUNNING, ClockName.RECOAT_OPENS, "coat 1's recoat window has not opened"),
        (ClockState.RUNNING, ClockName.WET_ON_WET, ""),
    ],
)
def test_a_coat_over_a_wet_film_is_warned_of_by_a_spec_without_a_window_too(
    state: ClockState, window: ClockName | None, says: str
) -> None:
    laid = [
        Event(EventKind.COAT_STARTED, 0.0, "tent", section="port"),
        Event(EventKind.COAT_ENDED, 300.0, "tent", section="port"),
    ]
    next_coat = Event(EventKind.COAT_STARTED, 2400.0, "tent", section="port", coat=2)
    clocks = [Clock(ClockName.TOUCH_DRY, "port", None, state, coat=1)]
    if window is not None:
        clocks.append(Clock(window, "port", None, state, coat=1))
    found = coat_warnings(next_coat, laid, "port", clocks, str)
    assert len(found) == bool(says)
    assert all(text.startswith("port: this coat goes over a wet film") for text in found)
    assert all(says in text for text in found)


def test_the_time_left_until_a_window_opens_leads_to_the_hour_beside_it() -> None:
    """Now 2400 s: with an outlook the window opens at 9600 s, as it is now at 6000 s."""
    laid = [
        Event(EventKind.COAT_STARTED, 0.0, "tent", section="port"),
        Event(EventKind.COAT_ENDED, 300.0, "tent", section="port"),
    ]
    next_coat = Event(EventKind.COAT_STARTED, 2400.0, "tent", section="port", coat=2)
    window = Clock(
        ClockName.RECOAT_OPENS, "port", None, ClockState.RUNNING, coat=1, left_s=3600.0,
        left_outlook_s=7200.0, ends_at_s=9600.0,
    )  # fmt: skip
    (said,) = coat_warnings(next_coat, laid, "port", [window], str)
    assert "recoat window opens in 2 h, about 9600.0;" in said


@pytest.mark.parametrize(
    ("method", "temp_c", "says"),
    [
        (Method.BRUSH, 25.0, "20 % of thinner is above the sheet's 5 to 12 % by brush"),
        (Method.GUN, 25.0, ""),
        (None, 25.0, ""),  # by gun it is right
    ],
)
def test_thinner_goes_by_the_method_of_the_mix_or_of_its_coat(
    method: Method | None, temp_c: float, says: str
) -> None:
    # The generic topcoat's own figures: 5 to 12 % by brush at 20 to 35 °C, 15 to 25 % by gun.
    topcoat = find_spec("polyurethane-topcoat")[0]
    mixed = Event(EventKind.MIXED, 0.0, "tent", thinner_pct=20.0, method=method)
    begun = Event(EventKind.COAT_STARTED, 600.0, "tent", method=method)
    plain = replace(mixed, method=None)
    for found in (
        mix_warnings(mixed, topcoat, temp_c),
        thinner_warnings(begun, [plain], None, topcoat, temp_c),
    ):
        assert [text.startswith(says) for text in found] == ([True] if says else [])
