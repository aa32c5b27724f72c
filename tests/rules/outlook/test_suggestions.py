"""What would help: safety first, then closed forms, then a simulated tent."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tent_weeks import tent_week

from monitor.outlook.prior import shipped_priors
from rules.air.arrays import relative_humidities_pct
from rules.outlook.draws import Outlook
from rules.outlook.members import outlook_of_log
from rules.outlook.suggestions import (
    Help,
    changed,
    covered,
    dried,
    heated_by_lag,
    hull_lag_s,
    slow_temps_c,
    suggestions,
)
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.spec.model import Limit, Provenance, Spec, TimeRow, TimeTable
from rules.vocabulary import ClockName, LimitName, Stage, Step

HOUR = 3600.0
GRID = 900.0 * np.arange(97.0)


def spec(bound_k: float = 3.0) -> Spec:
    return Spec(
        name="by-hand",
        title="By hand",
        family="any",
        provenance=Provenance("by hand", "", "", True),
        limits={
            Stage.APPLY: {
                LimitName.DEW_MARGIN_MIN: Limit(LimitName.DEW_MARGIN_MIN, bound_k, Step.TOUCH_DRY)
            }
        },
        times={ClockName.TOUCH_DRY: TimeTable((TimeRow(0.0, 3 * HOUR), TimeRow(30.0, HOUR)))},
    )


def level(margin_k: float) -> Outlook:
    surface = np.full((2, 97), 15.0)
    air, dew = surface + 3.0, surface - margin_k
    centre = np.stack([air[0], dew[0], surface[0]])
    return Outlook(0.0, GRID, air, dew, surface, centre, "by hand", float(GRID[-1]))


def lagging_track(lag_s: float = 3600.0) -> Track:
    count = 3 * CELLS_A_DAY
    air = 15.0 + 5.0 * np.sin(2.0 * np.pi * np.arange(count) / CELLS_A_DAY)
    surface = np.empty(count)
    state, kept = 15.0, math.exp(-CELL_S / lag_s)
    for k in range(count):
        state = kept * state + (1.0 - kept) * air[k]
        surface[k] = state
    return Track(1.79e9, air, np.full(count, 6.0), surface)


def test_while_a_film_gives_off_vapour_only_waiting_is_suggested() -> None:
    later = level(5.0)
    dew = later.dew_point_c.copy()
    dew[:, :20] = 14.0
    wet_first = replace(later, dew_point_c=dew)
    free = suggestions(wet_first, spec(), lagging_track(), gives_off_vapour=False)
    bound = suggestions(wet_first, spec(), lagging_track(), gives_off_vapour=True)
    assert {each.help for each in free} >= {Help.DRY, Help.WAIT}
    assert [each.help for each in bound] == [Help.WAIT]
    assert bound[0].window.start_from_s == 20 * 900.0


def test_nothing_is_suggested_where_a_coat_may_begin_now() -> None:
    assert suggestions(level(5.0), spec(), lagging_track(), gives_off_vapour=False) == []


def test_no_suggestion_names_a_fuel_heater_but_one_with_a_flue() -> None:
    track = tent_week(2005, 3).track()
    found = []
    for bound in (3.0, 5.0, 7.0, 9.0):
        found += suggestions(
            outlook_of_log(track, shipped_priors()), spec(bound), track, gives_off_vapour=False
        )
    found += suggestions(level(2.0), spec(), lagging_track(), gives_off_vapour=False)
    assert {each.help for each in found} & {Help.HEAT, Help.DRY}
    for each in found:
        words = each.text.lower()
        assert not any(w in words for w in ("propane", "gas", "paraffin", "diesel", "burn"))
        if each.help is Help.HEAT:
            assert "by electricity or with a flue" in words


def test_drying_to_55_per_cent_gets_there_in_an_hour_and_never_wets() -> None:
    damp = level(1.0)
    dry = dried(damp)
    found = relative_humidities_pct(dry.air_temp_c, dry.dew_point_c)
    assert found[:, 4:] == pytest.approx(55.0, abs=0.05)
    already = level(12.0)
    assert dried(already).dew_point_c == pytest.approx(already.dew_point_c)


def test_the_hulls_lag_is_found_and_its_heating_is_a_first_order_body() -> None:
    assert hull_lag_s(lagging_track(3600.0)) == 3600.0
    change = heated_by_lag(level(2.0), 3600.0)
    assert change.air_k[4:] == pytest.approx(2.0)
    # A ramp of an hour through a lag of an hour, then held: 2 (1 - (e - 1) exp(-t)) for t >= 1 h.
    wanted = 2.0 * (1.0 - (math.e - 1.0) * np.exp(-GRID[4:] / HOUR))
    assert change.surface_k[4:] == pytest.approx(wanted, abs=0.02)


def test_a_hull_that_follows_nothing_has_no_lag() -> None:
    chance = np.random.default_rng(1)
    track = lagging_track()
    noise = np.cumsum(chance.normal(0.0, 0.2, track.count)) + 10.0
    assert hull_lag_s(Track(track.end_s, track.air_temp_c, track.dew_point_c, noise)) is None


def test_a_change_moves_the_course_and_every_draw() -> None:
    plain = level(2.0)
    warm = changed(plain, heated_by_lag(plain, 3600.0))
    before, after = (each.draws(LimitName.DEW_MARGIN_MIN) for each in (plain, warm))
    assert before is not None
    assert after is not None
    assert (after - before)[:, -1] == pytest.approx(2.0, abs=0.01)
    assert warm.centre[2, -1] - plain.centre[2, -1] == pytest.approx(2.0, abs=0.01)


def test_a_covered_hull_goes_to_the_air_and_a_warmer_one_stays() -> None:
    # At 3 K under air that stands still, a lag of an hour leaves 3 exp(-t) K of the gap.
    cold = covered(level(2.0), 3600.0)
    assert cold.surface_temp_c is not None
    assert 18.0 - cold.surface_temp_c[0] == pytest.approx(3.0 * np.exp(-GRID / HOUR), abs=1e-9)
    assert cold.centre[2] == pytest.approx(cold.surface_temp_c[0])
    warm = replace(level(2.0), air_temp_c=level(2.0).air_temp_c - 6.0)
    assert covered(warm, 3600.0).surface_temp_c == pytest.approx(warm.surface_temp_c)


def test_heavy_parts_lag_as_first_order_bodies_do() -> None:
    air = np.concatenate([np.full(CELLS_A_DAY, 10.0), np.full(CELLS_A_DAY, 20.0)])
    course = slow_temps_c(air, 6 * 3600.0)
    after = CELLS_A_DAY + 72 - 1  # one time constant of six hours after the step
    assert course[after] == pytest.approx(10.0 + 10.0 * (1.0 - math.exp(-1.0)), abs=1e-9)


def test_a_simulated_tent_gets_suggestions_of_its_own_kind() -> None:
    track = tent_week(2006, 3).track()
    for each in suggestions(
        outlook_of_log(track, shipped_priors()), spec(4.0), track, gives_off_vapour=False
    ):
        assert each.help in (Help.WAIT, Help.HEAT, Help.DRY, Help.COVER_HULL)
