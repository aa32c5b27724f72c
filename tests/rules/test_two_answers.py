"""A section's two answers, and the one call that they make, by DEVELOPERS.md, "The calls".

A margin of 1 K is under the 3 K of ISO 8502-4:2017, one of 10 K well over it: 18 degC with 55 % has
a dew point of 8.9 degC (WMO No. 8, Annex 4.B), so a surface at 9.9 or at 18.9 degC stands so.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.call import Call
from rules.climate import PointValue
from rules.film_facts import FactKind
from rules.reasons import IS_THE_FILM_SAFE, MAY_I_START, Doubt
from rules.section import Film, LastAnswer, Section, SectionCall
from rules.spec.model import GENERAL_GUIDANCE, Limit
from rules.vocabulary import LimitName, LimitState, Stage, Step

WAIT = Doubt("recoat opens", "not open yet")
PREP = Film(GENERAL_GUIDANCE)
APPLY = replace(PREP, stage=Stage.APPLY)
CURE = replace(PREP, stage=Stage.CURE)
DRY_C, DAMP_C = 18.9, 9.9


def sensed(surface_c: float | None) -> list[PointValue]:
    return [
        PointValue("air", "air_temp", None, 18.0, "ok", 0.3),
        PointValue("air", "humidity", None, 55.0, "ok", 2.0),
        PointValue(
            "plank",
            "surface_temp",
            None,
            surface_c or 0.0,
            "stale" if surface_c is None else "ok",
            0.5,
        ),
    ]


def run(
    section: Section, begin_min: int, end_min: int, surface_c: float | None = DRY_C
) -> SectionCall:
    for minute in range(begin_min, end_min):
        section.evaluate(sensed(surface_c), 60.0 * minute)
    return section.explain()


def settled(film: Film) -> Section:
    section = Section("all", film, 0.0)
    run(section, 0, 13)
    return section


def test_without_a_wet_film_there_is_one_answer() -> None:
    call = settled(PREP).explain()
    assert (call.call, call.question, call.films, call.facts) == (Call.GO, MAY_I_START, None, ())
    assert call.start is not None
    assert (call.start.call, call.start.reasons) == (call.call, call.reasons)


@pytest.mark.parametrize(
    ("film", "call", "question"),
    [
        (CURE, Call.GO, IS_THE_FILM_SAFE),
        (replace(CURE, start_doubts=(WAIT,)), Call.GO, IS_THE_FILM_SAFE),
        (replace(CURE, start_doubts=(WAIT,), pot_in_hand=True), Call.HOLD, MAY_I_START),
        (replace(CURE, pot_in_hand=True), Call.GO, MAY_I_START),
        (replace(CURE, pot_in_hand=True, doubts=(WAIT,)), Call.HOLD, IS_THE_FILM_SAFE),
        (replace(APPLY, start_doubts=(WAIT,)), Call.HOLD, MAY_I_START),
        (replace(APPLY, coating_forbidden="closed"), Call.STOP, MAY_I_START),
        (replace(CURE, coating_forbidden="closed"), Call.GO, IS_THE_FILM_SAFE),
        (replace(PREP, coating_forbidden="closed"), Call.STOP, MAY_I_START),
    ],
)
def test_a_pot_or_a_brush_lets_the_worse_answer_decide(
    film: Film, call: Call, question: str
) -> None:
    got = settled(film).explain()
    assert (got.call, got.question) == (call, question)


def test_a_film_laid_into_a_stop_is_harmed_from_the_first_stroke() -> None:
    section = settled(PREP)
    assert run(section, 13, 15, DAMP_C).call is Call.STOP
    section.set_film(APPLY, 900.0)
    call = run(section, 15, 16, DAMP_C)
    assert call.films is not None
    assert call.films.call is Call.STOP
    assert {(fact.kind, fact.cause) for fact in call.facts} >= {(FactKind.HARMED, "dew_margin_min")}


@pytest.mark.parametrize("beneath", [False, True], ids=["bare", "over a film"])
@pytest.mark.parametrize(
    ("begun_min", "told_min", "then_c", "since_min"),
    [
        (20, 20, DRY_C, None),  # well again for 5 min, with 10 min of the STOP to go
        (14.5, 15, DRY_C, 14.5),  # begun while the last reading was past its limit
        (14.5, 15, DAMP_C, 14.5),
        (18.5, 19, None, 18.5),  # nobody has seen it well again
        (10, 18, DRY_C, 13),  # written down late
        (17, 19, DRY_C, None),
    ],
)
def test_a_film_is_harmed_only_by_what_was_past_while_it_was_there(
    begun_min: float, told_min: int, then_c: float | None, since_min: float | None, *, beneath: bool
) -> None:
    """DESIGN.md: alarms are facts about films; a STOP waits out its time all the same."""
    cured = replace(GENERAL_GUIDANCE, limits={})  # which minds nothing any more
    old = replace(CURE, begun_s=-1e6, spec=cured, next_spec=GENERAL_GUIDANCE)
    section = settled(old if beneath else PREP)
    run(section, 13, 15, DAMP_C)
    run(section, 15, told_min, then_c)
    section.set_film(replace(APPLY, begun_s=60.0 * begun_min), 60.0 * told_min)
    call = run(section, told_min, told_min + 1, then_c)
    assert call.films is not None
    assert call.films.call is Call.STOP
    harmed = [fact for fact in call.facts if fact.kind is FactKind.HARMED]
    harms = [fact.since_s for fact in harmed if fact.cause == LimitName.DEW_MARGIN_MIN]
    assert harms == ([] if since_min is None else [60.0 * since_min])


@pytest.mark.parametrize("beneath", [False, True], ids=["bare", "over a film"])
@pytest.mark.parametrize(
    ("begun", "out_min"), [(True, 30), (False, 35)], ids=["a coat begun", "another spec"]
)
def test_a_coat_begun_while_a_stop_is_on_its_way_out_does_not_begin_it_anew(
    begun: bool, out_min: int, *, beneath: bool
) -> None:
    """DESIGN.md, "Leaving STOP": 15 min inside, to HOLD; GO wants the dwell by its own limits."""
    humidity = Limit(LimitName.HUMIDITY_MAX, 70.0, Step.CURED)
    limits = GENERAL_GUIDANCE.limits[Stage.APPLY] | {humidity.name: humidity}
    stricter = replace(GENERAL_GUIDANCE, limits={Stage.APPLY: limits})
    old = replace(CURE, begun_s=0.0) if beneath else PREP
    section = settled(old)
    run(section, 13, 15, DAMP_C)
    assert run(section, 15, 20).call is Call.STOP
    begun_s = 1200.0 if begun else old.begun_s
    section.set_film(replace(APPLY, spec=stricter, begun_s=begun_s), 1200.0)
    assert run(section, 20, out_min).call is Call.STOP
    after = run(section, out_min, out_min + 1)
    assert (after.call, after.films and after.films.call) == (Call.HOLD, Call.HOLD)


def test_the_dwell_of_a_coat_begun_while_a_stop_is_on_its_way_out_is_its_own() -> None:
    """A GO by laxer limits is none by those that count now."""
    section = settled(PREP)
    run(section, 13, 15, DAMP_C)
    run(section, 15, 20)
    humidity = Limit(LimitName.HUMIDITY_MAX, 70.0, Step.CURED)
    limits = GENERAL_GUIDANCE.limits[Stage.APPLY] | {humidity.name: humidity}
    stricter = replace(GENERAL_GUIDANCE, limits={Stage.APPLY: limits}, dwell_s=1800.0)
    section.set_film(replace(APPLY, spec=stricter, begun_s=1200.0), 1200.0)
    assert run(section, 20, 50).call is Call.HOLD
    assert run(section, 50, 52).call is Call.GO


def test_the_cause_of_a_stop_stands_before_what_weighs_the_same() -> None:
    """18 degC with 84.5 % has a dew point of 15.3 degC (WMO No. 8, Annex 4.B)."""
    section = settled(APPLY)
    for minute, surface_c in ((13, 16.3), (14, 16.3), (15, 18.9), (16, 18.9)):
        damp = [replace_value(each, 84.5, surface_c) for each in sensed(DRY_C)]
        section.evaluate(damp, 60.0 * minute)
    call = section.explain()
    assert call.call is Call.STOP
    near = [each.limit for each in call.reasons if each.state is LimitState.NEAR]
    assert near[:2] == ["dew_margin_min", "humidity_max"]


def replace_value(each: PointValue, rh_pct: float, surface_c: float) -> PointValue:
    value = {"humidity": rh_pct, "surface_temp": surface_c}.get(each.quantity, each.value)
    return each._replace(value=value)


def test_a_closed_window_is_no_harm_to_the_film_that_was_laid_in_spite_of_it() -> None:
    section = settled(replace(PREP, coating_forbidden="closed"))
    section.set_film(replace(CURE, coating_forbidden="closed"), 780.0)
    call = run(section, 13, 26)
    assert call.films is not None
    assert call.start is not None
    assert (call.films.call, call.start.call, call.facts) == (Call.GO, Call.STOP, ())


def test_a_film_beneath_keeps_its_own_stricter_limit() -> None:
    stricter = Limit(LimitName.SURFACE_TEMP_MIN, 20.0, Step.CURED)
    section = settled(replace(CURE, beneath={stricter.name: stricter}))
    call = section.explain()
    assert call.call is Call.STOP
    assert [fact.cause for fact in call.facts] == ["surface_temp_min"]


def test_a_harm_ends_by_itself_and_silence_ends_none() -> None:
    section = settled(CURE)
    run(section, 13, 15, DAMP_C)
    silent = run(section, 15, 60, None)
    kinds = {fact.kind: fact for fact in silent.facts}
    assert set(kinds) == {FactKind.HARMED, FactKind.BLIND}
    assert kinds[FactKind.HARMED].reason.state is LimitState.UNKNOWN
    assert "back inside" not in silent.advice
    assert FactKind.HARMED in {fact.kind for fact in run(section, 60, 75).facts}
    assert run(section, 75, 77).facts == ()


def test_near_after_a_harm_has_eased_is_nothing_new_until_it_was_well() -> None:
    section = settled(CURE)
    run(section, 13, 15, DAMP_C)
    eased = run(section, 15, 40, 12.5)  # 3.6 K: over the re-entry band, inside the guard
    assert (eased.call, [fact.kind for fact in eased.facts]) == (Call.HOLD, [])
    run(section, 40, 50)
    assert [fact.kind for fact in run(section, 50, 55, 12.5).facts] == [FactKind.NEAR]


def test_both_answers_come_back_after_a_restart() -> None:
    cause = frozenset({"dew_margin_min@plank + air"})
    stop = LastAnswer(Call.STOP, cause, -3600.0)
    section = Section("all", replace(CURE, pot_in_hand=True), 0.0, LastAnswer(Call.GO), stop)
    call = run(section, 0, 1)
    assert (call.call, call.question, call.since_s) == (Call.STOP, IS_THE_FILM_SAFE, -3600.0)
    assert call.start is not None
    assert call.start.call is Call.HOLD
    assert [(fact.cause, fact.since_s) for fact in call.facts] == [("dew_margin_min", -3600.0)]


def test_a_probe_taken_out_of_the_config_ends_the_harm_that_it_alone_showed() -> None:
    stop = LastAnswer(Call.STOP, frozenset({"dew_margin_min@keel + air"}), -60.0)
    section = Section("all", CURE, 0.0, None, stop)
    assert run(section, 0, 1).facts
    assert section.release(frozenset({"keel"}), 60.0)
    assert run(section, 1, 2).facts == ()
