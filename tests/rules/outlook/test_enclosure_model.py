"""The enclosure model against SciPy's integrator, closed forms, and a tent that it knows not.

The tent (`sensors.simulate`) has other nodes, other equations and other constants than the model.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from tent_weeks import TentWeek, tent_week

from rules.air.arrays import ln_vapour_pressures
from rules.outlook.by_model import modelled_outlook
from rules.outlook.enclosure_model import EnclosureModel, ModelRefused, fit_model
from rules.outlook.enclosure_steps import (
    Drive,
    _expm,
    drive_of,
    run_heat,
    run_vapour,
    slow_temps_c,
)
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.outlook.weather import ForecastUnfit, Outside

RATES = np.array([math.log(1.1), math.log(0.4), math.log(0.5), math.log(1.6), math.log(0.2)])
HEAT = np.concatenate([RATES, [6.0, 2.0, 1.0, 0.3, -0.4]])
SLOW_S = 12 * 3600.0


@pytest.fixture(scope="module")
def week() -> TentWeek:
    return tent_week(2005, 4)


def weather(week: TentWeek, made_s: float | None = None) -> Outside:
    return Outside(week.time_s[::60], week.outside_c[::60], week.outside_dew_c[::60], None, made_s)


def test_the_step_matrix_is_scipys_exponential() -> None:
    chance = np.random.default_rng(3)
    for scale in (0.01, 1.0, 8.0):
        many = scale * chance.normal(size=(5, 7, 7))
        for mine, one in zip(_expm(many), many, strict=True):
            assert mine == pytest.approx(expm(one), rel=1e-9, abs=1e-9)


def test_the_heat_balance_is_the_integral_of_its_equations() -> None:
    steps = 60
    chance = np.random.default_rng(8)
    inputs = np.column_stack(
        [10.0 + 3.0 * chance.normal(size=steps + 1), chance.integers(0, 2, steps + 1),
         chance.uniform(0, 0.5, steps + 1), np.ones(steps + 1)]
    )  # fmt: skip
    start = np.array([[15.0, 12.0, 11.0]])
    course = run_heat(HEAT, SLOW_S, start, inputs, np.array([0]), steps)[0, 0]
    a_o, a_s, a_g, b_a, b_o = np.exp(RATES)

    def rates(_hours: float, x: np.ndarray, u: np.ndarray) -> list[float]:
        air, hull, heavy = x
        outside, heater, sun, _ = u
        return [
            a_o * (outside - air) + a_s * (hull - air) + a_g * (heavy - air)
            + 6.0 * heater + 2.0 * sun + 0.3,
            b_a * (air - hull) + b_o * (outside - hull) + 1.0 * sun - 0.4,
            (air - heavy) / 12.0,
        ]  # fmt: skip

    state = start[0]
    for k in range(steps):
        solved = solve_ivp(
            rates, (0.0, CELL_S / 3600.0), state, args=(inputs[k + 1],), rtol=1e-10, atol=1e-10
        )
        state = solved.y[:, -1]
        assert course[k] == pytest.approx(state, abs=1e-6)


def test_vapour_settles_where_leak_and_damp_balance() -> None:
    steps = 2000
    drive = Drive(
        np.full(steps + 1, 30.0),  # outside so warm that no sheet condenses
        np.full(steps + 1, math.log(800.0)),
        *(np.zeros(steps + 1) for _ in range(3)),
    )
    temps = np.full((1, 1, steps, 3), 20.0)
    vapour = np.array([math.log(1.0), math.log(0.25), math.log(1e-6), 0.0, 0.0, 50.0])
    end = run_vapour(vapour, np.array([math.log(1200.0)]), temps, drive, np.array([0]), steps)
    saturated = math.exp(float(ln_vapour_pressures(np.array(20.0))))
    balance = (1.0 * 800.0 + 0.25 * saturated + 50.0) / 1.25
    assert math.exp(end[0, 0, -1]) == pytest.approx(balance, rel=1e-4)


def test_burning_fuel_adds_water_and_electric_heat_does_not() -> None:
    steps = 240
    outside = np.full(steps + 1, 30.0)
    on = np.ones(steps + 1)
    ends = []
    for fuel in (0.0 * on, on):
        drive = Drive(outside, np.full(steps + 1, math.log(800.0)), 0.0 * on, on, fuel)
        vapour = np.array([0.0, -9.0, -9.0, 0.0, 120.0, 0.0])
        temps = np.full((1, 1, steps, 3), 20.0)
        course = run_vapour(vapour, np.array([math.log(800.0)]), temps, drive, np.array([0]), steps)
        ends.append(math.exp(course[0, 0, -1]))
    # At one air change an hour 120 Pa an hour settle at 120 Pa more.
    assert ends[1] - ends[0] == pytest.approx(120.0, rel=0.01)


def test_heavy_parts_lag_as_first_order_bodies_do() -> None:
    air = np.concatenate([np.full(CELLS_A_DAY, 10.0), np.full(CELLS_A_DAY, 20.0)])
    course = slow_temps_c(air, 6 * 3600.0)
    after = CELLS_A_DAY + 72 - 1  # one time constant of six hours after the step
    assert course[after] == pytest.approx(10.0 + 10.0 * (1.0 - math.exp(-1.0)), abs=1e-9)


def test_it_explains_a_tent_that_was_made_by_other_equations(week: TentWeek) -> None:
    track, heat = week.track(), week.heat()
    model = fit_model(track, drive_of(track, weather(week), heat, 0.0 * heat))
    air, hull, dew = model.explained
    assert min(air, hull) > 0.9
    assert dew > 0.4
    # With the weather turned about by half a day it explains much less.
    wrong = weather(week)
    turned = (np.roll(each, 12) for each in (wrong.temp_c, wrong.dew_point_c))
    wrong = Outside(wrong.time_s, *turned)
    try:
        worse = fit_model(track, drive_of(track, wrong, heat, 0.0 * heat)).explained[0]
    except ModelRefused:
        worse = 0.0
    assert worse < air - 0.02


def test_a_fit_that_begins_from_rates_held_otherwise_now_is_not_refused_for_it(
    week: TentWeek,
) -> None:
    """The earlier fit knew a hull probe and a heater; now there is neither, and both are held."""
    track, heat = week.track(), week.heat()
    outside = weather(week)
    start = fit_model(track, drive_of(track, outside, heat, 0.0 * heat))
    bare = Track(track.end_s, track.air_temp_c, track.dew_point_c)
    drive = drive_of(bare, outside, 0.0 * heat, 0.0 * heat)
    anew = fit_model(bare, drive)
    again = fit_model(bare, drive, replace(start, slow_s=anew.slow_s))
    assert abs(start.heat[5]) > 0.1
    assert again.heat[5] == pytest.approx(0.0, abs=5e-3)
    # Least squares from elsewhere may end in another valley, so that no more is asked than that
    # the fit passes the model's own tests, and holds the hull's rates where the prior has them.
    assert again.heat[[1, 3, 4]] == pytest.approx(anew.heat[[1, 3, 4]], abs=0.01)


def test_a_log_in_which_nothing_changes_determines_nothing() -> None:
    count = 3 * CELLS_A_DAY
    chance = np.random.default_rng(2)
    air = 15.0 + 0.02 * chance.normal(size=count)
    track = Track(1.79e9, air, air - 6.0, air - 0.5)
    hours = 1.79e9 + 3600.0 * np.arange(-80.0, 30.0)
    level = Outside(hours, np.full(110, 15.0), np.full(110, 9.0), None, 1.79e9)
    heat = np.zeros(count)
    with pytest.raises(ModelRefused, match=r"known only within a factor|explains \d+ %") as refusal:
        fit_model(track, drive_of(track, level, heat, heat))
    assert "trend alone" in str(refusal.value)


def test_a_heater_of_which_the_log_does_not_tell_is_asked_for(week: TentWeek) -> None:
    track, heat = week.track(), week.heat()
    assert heat.max() > 0.5
    fit_model(track, drive_of(track, weather(week), heat, 0.0 * heat))
    with pytest.raises(ModelRefused, match="log when it goes on and off; else let the log grow"):
        fit_model(track, drive_of(track, weather(week), 0.0 * heat, 0.0 * heat))


def test_without_past_hours_there_is_nothing_to_fit_to(week: TentWeek) -> None:
    track, heat = week.track().until(3 * CELLS_A_DAY), week.heat()[: 3 * CELLS_A_DAY]
    whole = weather(week)
    coming = whole.time_s > track.end_s - 3600.0
    bare = Outside(whole.time_s[coming], whole.temp_c[coming], whole.dew_point_c[coming])
    with pytest.raises(ModelRefused, match="past days' hours too"):
        fit_model(track, drive_of(track, bare, heat, heat))


def test_a_forecast_two_days_old_is_dropped_and_one_of_a_day_widens(week: TentWeek) -> None:
    track, heat = week.track().until(3 * CELLS_A_DAY), week.heat()[: 3 * CELLS_A_DAY]
    now = track.end_s
    with pytest.raises(ForecastUnfit, match=r"made 2 d 1 h ago is over the 2 d"):
        modelled_outlook(track, weather(week, now - 49 * 3600.0), heat, 0.0 * heat)
    fresh, model, _ = modelled_outlook(track, weather(week, now), heat, 0.0 * heat)
    stale, _, _ = modelled_outlook(
        track, weather(week, now - 24 * 3600.0), heat, 0.0 * heat, start=model
    )
    assert fresh.notes == ()
    assert "24 h old" in stale.notes[0]
    widths = [np.ptp(each.bands().air_temp_c[[0, 2]], axis=0)[4:].mean() for each in (fresh, stale)]
    assert widths[1] > widths[0]


def test_a_forecast_that_ends_soon_is_looked_at_no_further(week: TentWeek) -> None:
    track, heat = week.track().until(3 * CELLS_A_DAY), week.heat()[: 3 * CELLS_A_DAY]
    whole = weather(week, track.end_s)
    for hours, reached in ((8, 8 * 3600.0), (2, None)):
        kept = whole.time_s <= track.end_s + 3600.0 * hours + 900.0
        short = Outside(
            whole.time_s[kept], whole.temp_c[kept], whole.dew_point_c[kept], None, track.end_s
        )
        if reached is None:
            with pytest.raises(ForecastUnfit, match="under the 3 h"):
                modelled_outlook(track, short, heat, 0.0 * heat)
        else:
            made, _, _ = modelled_outlook(track, short, heat, 0.0 * heat)
            assert reached - 3600.0 <= made.looked_ahead_s <= reached + 900.0
            assert any("looked no further" in note for note in made.notes)


def test_it_says_its_rates_in_words(week: TentWeek) -> None:
    model = EnclosureModel(HEAT, HEAT, np.zeros(6), SLOW_S, (0.9, 0.9, 0.9))
    assert model.describe() == (
        "air follows outside in 0.9 h, hull follows air in 0.6 h, 1.0 air changes an hour"
    )
