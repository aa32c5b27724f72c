"""What would help: safety first, then closed forms, then the tent that the model knows not."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tent_weeks import TentWeek, tent_week

from rules.air.arrays import relative_humidities_pct
from rules.events import Event
from rules.outlook.by_model import modelled_outlook
from rules.outlook.damped_trend import damped_trend
from rules.outlook.draws import Outlook
from rules.outlook.enclosure_model import EnclosureModel
from rules.outlook.enclosure_steps import Drive
from rules.outlook.suggestions import (
    Help,
    changed,
    dried,
    heated_by_lag,
    hull_lag_s,
    model_change,
    suggestions,
)
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.outlook.weather import Outside, burns_into_air, heater_course
from rules.spec.model import Limit, Provenance, Spec, TimeRow, TimeTable
from rules.vocabulary import ClockName, EventKind, LimitName, Stage, Step

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


@pytest.fixture(scope="module")
def fitted() -> tuple[TentWeek, Track, Outlook, EnclosureModel, Drive]:
    week = tent_week(2005, 4)
    track, heat = week.track().until(3 * CELLS_A_DAY), week.heat()[: 3 * CELLS_A_DAY]
    outside = Outside(
        week.time_s[::60], week.outside_c[::60], week.outside_dew_c[::60], None, track.end_s
    )
    made, model, drive = modelled_outlook(track, outside, heat, 0.0 * heat)
    return week, track, made, model, drive


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


def test_no_suggestion_names_a_fuel_heater_but_one_with_a_flue(fitted: tuple) -> None:  # type: ignore[type-arg]
    _, track, made, model, drive = fitted
    found = []
    for bound in (3.0, 5.0, 7.0, 9.0):
        found += suggestions(
            made, spec(bound), track, gives_off_vapour=False, model=model, drive=drive
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


def test_by_the_model_heat_helps_and_the_covered_hull_is_no_colder(fitted: tuple) -> None:  # type: ignore[type-arg]
    _, track, _, model, drive = fitted
    heat = model_change(Help.HEAT, model, track, drive)
    assert heat.air_k[4:] == pytest.approx(2.0)
    assert 0.5 < heat.surface_k[-1] <= 2.0
    assert heat.dew_k[-1] >= -0.01  # warmer damp evaporates no less
    cover = model_change(Help.COVER_HULL, model, track, drive)
    assert cover.surface_k[8:].min() > -0.05
    with pytest.raises(ValueError, match="not the model's to tell"):
        model_change(Help.WAIT, model, track, drive)


def test_closing_the_door_dries_only_where_outside_is_wetter(fitted: tuple) -> None:  # type: ignore[type-arg]
    _, track, _, model, drive = fitted
    ends = []
    for shift in (-2.0, 2.0):
        drier = Drive(drive.outside_c, drive.outside_ln + shift, drive.sun, drive.heat, drive.fuel)
        ends.append(model_change(Help.CLOSE_DOOR, model, track, drier).dew_k[8])
    assert ends[0] > 0.0  # dry air outside: less of it comes in
    assert ends[1] < 0.0


def test_the_trend_alone_can_suggest_too() -> None:
    week = tent_week(2006, 3)
    track = week.track()
    for each in suggestions(damped_trend(track), spec(4.0), track, gives_off_vapour=False):
        assert each.help in (Help.WAIT, Help.HEAT, Help.DRY)


@pytest.mark.parametrize(
    ("note", "what", "burns"),
    [
        ("", None, False),
        ("2 kW fan heater", None, False),
        ("propane", None, True),
        ("", "fuel", True),
        ("diesel with flue", None, False),
        ("gas, no flue", None, True),
        ("paraffin stove, unflued", None, True),
    ],
)
def test_what_a_heater_burns_is_read_from_its_event(
    note: str, what: str | None, burns: bool
) -> None:
    assert burns_into_air(Event(EventKind.HEATER_ON, 0.0, "tent", note=note, what=what)) == burns


def test_the_heaters_course_follows_events_and_their_corrections() -> None:
    def event(kind: EventKind, at: float, row: int, **more: object) -> Event:
        return Event(kind, at, "tent", row=row, **more)  # type: ignore[arg-type]

    events = (
        event(EventKind.HEATER_ON, 600.0, 1, value=2.0, unit="kW"),
        event(EventKind.HEATER_OFF, 1350.0, 2),
        event(EventKind.HEATER_ON, 1800.0, 3, value=1000.0, unit="W", note="propane"),
        event(EventKind.HEATER_OFF, 2100.0, 4),
        event(EventKind.HEATER_OFF, 2400.0, 5, corrects=4),
    )
    heat, fuel = heater_course(events, 300.0 * np.arange(1.0, 11.0))
    assert heat.tolist() == [0.0, 0.0, 1.0, 1.0, 0.5, 0.0, 0.5, 0.5, 0.0, 0.0]
    assert fuel.tolist() == [0.0] * 6 + [0.5, 0.5, 0.0, 0.0]
