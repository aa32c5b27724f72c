"""Stage from events and clocks, as the design's "Which question a call answers" has it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.clocks.all_clocks import clocks_of
from rules.clocks.history import TemperatureHistory
from rules.clocks.stages import FilmState, stage_of
from rules.events import Event
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.vocabulary import ClockName, EventKind, Method, Stage, Step
from tests.support.clock_material import PRIMER, SPECS, T0, TOP, H, event, steady

K = EventKind


def state(
    events: tuple[Event, ...],
    now_h: float,
    spec: Spec = PRIMER,
    section: str | None = None,
    history: TemperatureHistory | None = None,
) -> FilmState:
    now = T0 + now_h * H
    tent = history or steady(20.0, 400.0)
    clocks = clocks_of(section, events, SPECS, spec, tent, now)
    return stage_of(section, events, spec, clocks, now)


JOB = (
    event(K.SESSION_STARTED, 0.0),
    event(K.WIPED, 0.5),
    event(K.MIXED, 1.0, batch="a", amount_ml=500.0),
    event(K.COAT_STARTED, 1.5, method=Method.ROLLER),
    event(K.COAT_ENDED, 2.5),
)


@pytest.mark.parametrize(
    ("now_h", "stage"),
    [
        (0.2, Stage.PREP),
        (0.9, Stage.PREP),
        (1.0, Stage.MIX),
        (1.4, Stage.MIX),
        (1.5, Stage.APPLY),
        (2.4, Stage.APPLY),
        (2.5, Stage.FLASH),
        (6.4, Stage.FLASH),
        (6.5, Stage.CURE),  # touch dry 4 h after the end
        (170.4, Stage.CURE),
        (170.5, Stage.PREP),  # cured 168 h after the end
    ],
)
def test_a_coat_goes_through_its_stages(now_h: float, stage: Stage) -> None:
    assert state(JOB, now_h).stage is stage


def test_the_steps_that_ended_are_told_with_their_time() -> None:
    got = state(JOB, 12.0)
    assert got.ended_steps == {Step.TOUCH_DRY, Step.RECOAT_OPENS}
    assert got.steps_ended[Step.TOUCH_DRY] == pytest.approx(T0 + 6.5 * H)
    assert got.steps_ended[Step.RECOAT_OPENS] == pytest.approx(T0 + 10.5 * H)
    assert got.steps_ended[Step.HANDLE] is None
    assert got.harm_left_s[Step.HANDLE] == pytest.approx(14.5 * H)
    assert got.harm_left_s[Step.TOUCH_DRY] == 0.0
    assert (got.coat, got.method) == (1, Method.ROLLER)
    assert (got.coat_started_s, got.coat_ended_s) == (T0 + 1.5 * H, T0 + 2.5 * H)


def test_a_step_without_a_time_ends_with_the_next_that_has_one() -> None:
    times = {
        name: rows
        for name, rows in PRIMER.times.items()
        if name in (ClockName.TOUCH_DRY, ClockName.CURED)
    }
    got = state(JOB, 100.0, replace(PRIMER, times=times))
    assert got.ended_steps == {Step.TOUCH_DRY}
    assert got.harm_left_s[Step.HANDLE] == got.harm_left_s[Step.CURED]
    # Nothing tells when a film without times is dry: it stays open to harm.
    assert state(JOB, 300.0, GENERAL_GUIDANCE).stage is Stage.FLASH


def test_a_cold_film_stays_open_to_harm() -> None:
    assert state(JOB, 300.0, history=steady(5.0, 400.0)).stage is Stage.FLASH


def test_a_mix_over_a_curing_film_is_in_hand_and_takes_no_stage() -> None:
    early = (*JOB, event(K.MIXED, 8.0, batch="b", spec="top", amount_ml=400.0))
    got = state(early, 8.5)
    assert (got.stage, got.pot_in_hand) == (Stage.CURE, True)
    later = (*JOB, event(K.MIXED, 11.0, batch="b", spec="top", amount_ml=400.0))
    got = state(later, 11.5)
    assert (got.stage, got.film_stage, got.pot_in_hand) == (Stage.CURE, Stage.CURE, True)
    assert (got.spec_name, got.next_spec_name) == ("primer", "top")
    # Kept for 6 h where no sheet gives pot life.
    assert not state(later, 18.0).pot_in_hand


def test_a_mix_that_names_no_section_is_for_one_that_can_be_coated() -> None:
    events = (*(replace(e, section="hull-port") for e in JOB[-2:]), event(K.MIXED, 8.0))
    assert not state(events, 8.5, section="hull-port").pot_in_hand
    assert state(events, 8.5, section="hull-stbd").pot_in_hand
    named = (*events[:-1], replace(events[-1], section="hull-port"))
    assert state(named, 8.5, section="hull-port").pot_in_hand


def test_a_mix_for_one_section_leaves_a_wet_film_elsewhere_wet() -> None:
    events = (
        event(K.COAT_STARTED, 0.0, section="hull-port"),
        event(K.COAT_ENDED, 1.0, section="hull-port"),
        event(K.MIXED, 1.1, amount_ml=400.0),
    )
    assert state(events, 1.2, section="hull-port").stage is Stage.FLASH
    assert state(events, 1.2, section="hull-stbd").stage is Stage.MIX


def test_a_mix_that_is_past_its_pot_life_is_prep_again_whatever_its_session() -> None:
    mixed = (event(K.MIXED, 0.0, amount_ml=500.0),)
    assert state(mixed, 3.9).stage is Stage.MIX
    assert state(mixed, 4.1).stage is Stage.PREP
    over = (*mixed, event(K.SESSION_ENDED, 1.0))
    assert [state(over, hours).stage for hours in (1.1, 3.9, 4.1)] == [
        Stage.MIX,
        Stage.MIX,
        Stage.PREP,
    ]


def test_a_coat_left_open_at_the_end_of_a_session_lies_wet() -> None:
    events = (*JOB[:-1], event(K.SESSION_ENDED, 3.0))
    assert state(events, 2.0).stage is Stage.APPLY
    assert state(events, 50.0).stage is Stage.FLASH


def test_a_film_keeps_its_spec_and_the_default_is_the_next_coats() -> None:
    laid = tuple(replace(e, spec="primer") if e.kind is K.COAT_STARTED else e for e in JOB)
    got = state(laid, 4.0, TOP)
    assert (got.spec_name, got.next_spec_name) == ("primer", "top")
    assert state((), 4.0, TOP).spec_name == "top"


def test_past_closes_coating_is_forbidden_and_a_launch_ends_the_watch() -> None:
    got = state(JOB, 60.0)
    assert got.coating_forbidden.startswith("Coat 1 is past its recoat window for primer: ")
    launched = (*JOB, event(K.BACK_IN_SERVICE, 20.0))
    got = state(launched, 21.0)
    assert (got.stage, got.film_stage) == (Stage.PREP, None)


def test_a_withdrawn_coat_was_never_laid() -> None:
    kept = tuple(replace(e, row=n) for n, e in enumerate(JOB, start=1))
    undo = tuple(
        replace(e, row=e.row + 10, corrects=e.row, withdrawn=True)
        for e in kept[3:]
        if e.row is not None
    )
    assert state((*kept, *undo), 2.0).stage is Stage.MIX
