"""What is said of an event that takes for granted what was never recorded.

A clock whose start was never recorded does not run, and says so: our own choice. The clocks that
the warning names are compared with those that really do not run.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.clocks.all_clocks import clocks_of
from rules.clocks.clock import ClockState
from rules.clocks.missing import missing_before
from rules.clocks.work import work_of
from rules.events import Event
from rules.vocabulary import EventKind
from tests.support.clock_material import PRIMER, SPECS, T0, H, event, steady

K = EventKind
PORT = {"section": "hull-port"}
STARTED, ENDED = event(K.COAT_STARTED, 1.0), event(K.COAT_ENDED, 2.0)


def said(*events: Event) -> str:
    """What is said of the last one; all of them get their rows."""
    rows = [replace(each, row=row) for row, each in enumerate(events, 1)]
    return missing_before(rows[-1], rows)


@pytest.mark.parametrize(
    "events",
    [
        (STARTED, ENDED),
        (event(K.COAT_STARTED, 1.0, **PORT), event(K.COAT_ENDED, 2.0, **PORT)),
        (event(K.COAT_STARTED, 1.0, **PORT), ENDED),
        (STARTED, event(K.COAT_ENDED, 2.0, **PORT)),
        (STARTED, event(K.SESSION_ENDED, 1.5), ENDED),
        (STARTED, ENDED, event(K.COAT_STARTED, 9.0)),
        (event(K.TAPE_ON, 0.0), event(K.TAPE_OFF, 2.0)),
        (event(K.TAPE_ON, 0.0, **PORT), event(K.TAPE_OFF, 2.0)),
        (event(K.SESSION_STARTED, 0.0), event(K.SESSION_ENDED, 2.0)),
        (event(K.MIXED, 0.0, batch="A"), event(K.COAT_STARTED, 1.0, batch="A")),
        (event(K.MIXED, 0.0), event(K.MEASURED, 1.0, what="mix-temperature", value=20.0)),
        (event(K.MEASURED, 1.0, what="wood-moisture", value=14.0, unit="pct"),),
        (event(K.NOTE, 0.0),),
    ],
)
def test_nothing_is_said_where_nothing_is_missing(events: tuple[Event, ...]) -> None:
    assert said(*events) == ""


def test_a_coat_that_ends_without_a_start_names_the_clocks_that_do_not_run() -> None:
    told = said(ENDED)
    assert told == (
        "no coat was open, so coat 1 has an end and no start: recoat by and tape off by "
        "are not known; record it: filmcall event coat-started --at TIME"
    )
    clocks = clocks_of(None, (ENDED,), SPECS, PRIMER, steady(), T0 + 3 * H)
    idle = [clock.name.value for clock in clocks if clock.state is ClockState.UNKNOWN]
    assert sorted(idle) == ["recoat closes", "tape not after"]


@pytest.mark.parametrize(
    ("events", "begins"),
    [
        ((STARTED, ENDED, event(K.COAT_ENDED, 3.0)),
         "no coat was open, so this counts as a later end of coat 1"),
        ((STARTED, event(K.COAT_ENDED, 2.0, coat=2)),
         "no coat was open, so coat 2 has an end and no start"),
        ((event(K.COAT_STARTED, 1.0, **PORT), event(K.COAT_ENDED, 2.0, section="hull-stbd")),
         "no coat was open, so coat 1 has an end and no start"),
        ((STARTED, event(K.COAT_STARTED, 20.0)),
         "coat 1 was never ended, so its clocks do not run and whether its recoat window is open"),
        ((event(K.TAPE_OFF, 2.0),),
         "no tape was on, so how long it was on is not known"),
        ((event(K.TAPE_ON, 0.0), event(K.TAPE_OFF, 1.0), event(K.TAPE_OFF, 2.0)),
         "no tape was on"),
        ((event(K.SESSION_ENDED, 2.0),),
         "no session was open, so none ends with it in the list of sessions"),
        ((event(K.MIXED, 0.0, batch="A"), event(K.COAT_STARTED, 1.0, batch="B")),
         "batch 'B' was never mixed, so its induction and pot life are not known"),
        ((event(K.MEASURED, 1.0, what="mix-temperature", value=20.0, unit="degC"),),
         "nothing was mixed, so no pot has this temperature"),
    ],
)  # fmt: skip
def test_what_is_missing_is_said_and_how_to_record_it(
    events: tuple[Event, ...], begins: str
) -> None:
    told = said(*events)
    assert told.startswith(begins)
    assert "record it: filmcall event " in told


TWO = (STARTED, ENDED, event(K.COAT_STARTED, 30.0))


@pytest.mark.parametrize("own", [{}, PORT])
@pytest.mark.parametrize(
    ("events", "says"),
    [
        (TWO, "coat 2 is on and not ended, and coat 1 was ended 28 h 30 min before"),
        ((*TWO, event(K.COAT_ENDED, 30.2)), "coat 2 is the newest, and coat 1 was ended 28 h 30 "),
        ((STARTED, *TWO[2:]), "coat 2 is on and not ended, and coat 1 lies beneath it"),
    ],
    ids=["open", "ended", "never ended"],
)
def test_an_end_of_a_coat_beneath_ends_none_and_is_told(
    events: tuple[Event, ...], says: str, own: dict[str, str]
) -> None:
    """DESIGN.md: at the moment of an event the program says what it means."""
    events = tuple(replace(each, **own) for each in events)
    section = own.get("section")
    slip = event(K.COAT_ENDED, 30.5, coat=1, **own)
    told = said(*events, slip)
    assert told.startswith(says)
    assert "so this ended none: take this row back" in told
    assert work_of(section, (*events, slip), T0 + 31 * H) == replace(
        work_of(section, events, T0 + 31 * H), air_coat_ended_s=T0 + 30.5 * H, air_coat_open=False
    )
    right = event(K.COAT_ENDED, 31.0, coat=2, **own)
    later = work_of(section, (*events, slip, right), T0 + 32 * H)
    assert [coat.number for coat in later.coats] == [1, 2]
    assert later.coats[-1].ended_s == T0 + 31 * H
    assert later.coats[-1].started_s == T0 + 30 * H, "so that recoat by is known"


def test_an_end_of_a_coat_beneath_without_a_section_is_told_of_the_open_one() -> None:
    events = tuple(replace(each, section="hull-port") for each in TWO)
    slip = event(K.COAT_ENDED, 30.5, coat=1)
    assert said(*events, slip).startswith("coat 2 is on and not ended, and coat 1 was ended")
    assert [coat.number for coat in work_of("hull-port", (*events, slip), T0 + 31 * H).coats] == [
        1, 2,
    ]  # fmt: skip


def test_long_after_the_newest_coats_end_an_old_number_tells_of_a_coat_that_nothing_else_does() -> (
    None
):
    """The numbers begin anew with the next job: to leave its film out would call GO over it."""
    events = (*TWO, event(K.COAT_ENDED, 31.0), event(K.COAT_ENDED, 60.0, coat=1))
    assert work_of(None, events, T0 + 61 * H).coats[-1].ended_s == T0 + 60 * H


def test_a_start_that_was_withdrawn_or_comes_later_is_missing() -> None:
    started = replace(STARTED, row=1)
    gone = replace(STARTED, row=2, corrects=1, withdrawn=True)
    ended = replace(ENDED, row=3)
    assert missing_before(ended, (started, gone, ended)).startswith("no coat was open")
    assert missing_before(gone, (started, gone)) == "", "taking back takes nothing for granted"
    later = replace(STARTED, time_s=T0 + 5 * H, row=1)
    assert missing_before(ended, (later, ended)).startswith("no coat was open")


def test_an_end_without_a_section_is_of_the_coat_that_is_open_and_makes_no_other_film() -> None:
    # A probe of no section is of "all"; DESIGN of this program: coat-ended touches those with a
    # coat open.
    started = event(EventKind.COAT_STARTED, 1.0, section="hull")
    ended = event(EventKind.COAT_ENDED, 2.0)
    assert work_of("hull", (started, ended), T0 + 3 * H).coats[0].ended_s == T0 + 2 * H
    assert work_of("all", (started, ended), T0 + 3 * H).coats == ()
    again = event(EventKind.COAT_ENDED, 2.5)
    (lone,) = work_of("all", (started, ended, again), T0 + 3 * H).coats
    assert lone.ended_s == T0 + 2.5 * H, "none was open: a coat with an end and no start"
    own = event(EventKind.COAT_STARTED, 1.5, section="all")
    assert work_of("all", (started, own, ended), T0 + 3 * H).coats[0].ended_s == T0 + 2 * H
