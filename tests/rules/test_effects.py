"""What each effect of a limit does to judgement, call, alarm and harm time; figures by hand."""

from __future__ import annotations

import pytest

from monitor.specs import find_spec, shipped_names
from rules.climate import PointValue
from rules.harm import harm_until
from rules.limits import is_stricter, limits_in_force
from rules.notices import co2_notice
from rules.reasons import CureLeft
from rules.section import Film, Section
from rules.spec.model import Limit
from rules.vocabulary import Effect, LimitName, LimitState, Method, Stage, Step

PRIMER = find_spec("two-pack-epoxy-primer")[0]
MARGIN = LimitName.DEW_MARGIN_MIN


def said(film: Film, air_c: float, rh_pct: float, hull_c: float | None, minutes: int = 60):
    """Return the call after an hour of the same air, and its facts."""
    section = Section("port", film, 0.0)
    for minute in range(minutes):
        points = [
            PointValue("bow", "air_temp", None, air_c, "ok", 0.3),
            PointValue("bow", "humidity", None, rh_pct, "ok", 2.0),
        ]
        quality = "ok" if hull_c is not None else "missing"
        points.append(PointValue("plank", "surface_temp", None, hull_c or 0.0, quality, 0.3))
        section.evaluate(points, 60.0 * minute)
    return section.explain()


# 20 degC at 60 % has a dew point of 12.0 degC (psychrometric chart).
@pytest.mark.parametrize(
    ("stage", "ended", "hull_c", "call", "rings"),
    [
        (Stage.APPLY, (), 14.5, "STOP", {"harmed"}),
        (Stage.FLASH, (), 14.5, "HOLD", set()),  # 2.5 K: it waits, nothing is spoiled
        (Stage.FLASH, (), 13.5, "HOLD", {"near"}),  # 1.5 K: nearer to 1 K than the sensors' error
        (Stage.FLASH, (), 12.5, "STOP", {"harmed"}),
        (Stage.CURE, (Step.TOUCH_DRY,), 14.5, "GO", set()),
        (Stage.CURE, (Step.TOUCH_DRY,), 11.0, "STOP", {"harmed"}),
        (Stage.CURE, (Step.TOUCH_DRY, Step.HANDLE), 11.0, "GO", set()),
        (Stage.CURE, (Step.TOUCH_DRY, Step.HANDLE), 9.0, "GO", set()),  # cold as well
    ],
)
def test_a_margin_does_by_the_films_age_what_the_shipped_spec_says(
    stage: Stage, ended: tuple[Step, ...], hull_c: float, call: str, rings: set[str]
) -> None:
    film = Film(PRIMER, stage, Method.ROLLER, steps_ended=frozenset(ended))
    found = said(film, 20.0, 60.0, hull_c)
    assert found.call == call, [each.text for each in found.reasons]
    assert {fact.kind.value for fact in found.facts} == rings


def test_a_slow_limit_says_how_much_longer_and_stands_first() -> None:
    ended = frozenset((Step.TOUCH_DRY, Step.HANDLE))
    film = Film(PRIMER, Stage.CURE, steps_ended=ended, cured_left_s=3 * 86_400.0)
    found = said(film, 12.0, 50.0, 9.0)
    first = next(each for each in found.reasons if each.state is LimitState.OK)
    assert first.limit == "surface_temp_min"
    assert "slowly" in first.text
    assert "3 d more" in first.text
    assert "no cure is counted" in CureLeft(None).text


def test_what_only_slows_gives_no_go_while_nobody_knows_it() -> None:
    ended = frozenset((Step.TOUCH_DRY, Step.HANDLE))
    found = said(Film(PRIMER, Stage.CURE, steps_ended=ended), 20.0, 60.0, None)
    assert found.call == "HOLD"
    assert found.facts == (), "and nobody is woken for it"


def test_harm_goes_before_waiting_and_waiting_before_slowing() -> None:
    harm, wait, slow = (Limit(MARGIN, bound, Step.HANDLE, effect=effect) for bound, effect in (
        (0.0, Effect.HARM), (3.0, Effect.WAIT), (5.0, Effect.SLOW),
    ))  # fmt: skip
    assert is_stricter(harm, wait)
    assert is_stricter(wait, slow)
    assert not is_stricter(slow, harm)


def test_the_harm_of_a_limit_ends_where_it_only_slows() -> None:
    until = harm_until(PRIMER)
    assert until[MARGIN] is Step.HANDLE
    assert until[LimitName.SURFACE_TEMP_MIN] is Step.TOUCH_DRY


@pytest.mark.parametrize("name", shipped_names())
def test_every_shipped_spec_is_graded_alike(name: str) -> None:
    """3, 1 and 0 K: ISO 8502-4:2017 guidance for the 3; the rest common practice, no source."""
    spec = find_spec(name)[0]
    by_stage = {stage: spec.limits_for(stage)[MARGIN] for stage in (Stage.APPLY, Stage.FLASH)}
    assert by_stage[Stage.APPLY].bound == 3.0
    assert (by_stage[Stage.FLASH].bound, by_stage[Stage.FLASH].wait) == (1.0, 3.0)
    cure = limits_in_force(spec, Stage.CURE, (Step.TOUCH_DRY,))
    assert (cure[MARGIN].bound, cure[MARGIN].effect) == (0.0, Effect.HARM)
    handled = limits_in_force(spec, Stage.CURE, (Step.TOUCH_DRY, Step.RECOAT_OPENS, Step.HANDLE))
    assert handled[MARGIN].effect is Effect.SLOW
    assert cure[LimitName.SURFACE_TEMP_MIN].effect is Effect.SLOW
    cured = limits_in_force(spec, Stage.CURE, tuple(Step))
    assert MARGIN not in cured


@pytest.mark.parametrize("ppm", [1000.0, 5000.0, 40_000.0])
def test_carbon_dioxide_is_never_called_fit_to_breathe(ppm: float) -> None:
    text = co2_notice(ppm).text
    assert f"{ppm:,.0f} ppm" in text
    assert not {"safe", "fine", "harmless", "acceptable"} & set(text.lower().split())
