"""The outlook's judge is judged: scores by closed forms, forecasts and enclosures by what they are.

Sources: T. Gneiting and A. E. Raftery, J. Am. Stat. Assoc. 102 (2007) 359–378, for the CRPS of a
normal distribution; scipy's energy distance, whose half square is the CRPS of a single outcome;
Magnus's values of WMO-No. 8 computed independently; pvlib's own clear sky.
"""

from __future__ import annotations

import math

import held_enclosures
import numpy as np
import pandas as pd
import pvlib
import pytest
from held_enclosures import enclosures
from held_weather import Weather, clear_sun_w_m2, dew_c_of, typical, vapour_pa
from issued_forecasts import DEW_FACTOR, PLACE_K, issued, outside, spread_k
from outlook_figures import Figure, Table, counted, kept, printed, tables
from outlook_judge import (
    LEADS_H,
    SIMPLE,
    Asked,
    Simple,
    answered,
    brier,
    crps,
    skill,
    tenths,
)
from outlook_trial import EVERY_CELLS, Found, enclosure_logs, play
from scipy import stats

from rules.outlook.draws import Outlook
from rules.vocabulary import LimitName


@pytest.mark.parametrize(("mean", "spread", "came"), [(0, 1, 0), (2, 1.5, 4), (-3, 0.4, -3.5)])
def test_crps_of_many_normal_draws_is_the_closed_form(
    mean: float, spread: float, came: float
) -> None:
    """Gneiting and Raftery 2007: σ (z (2Φ(z) − 1) + 2φ(z) − 1/√π); 0.2337 σ for z = 0."""
    z = (came - mean) / spread
    density, below = math.exp(-z * z / 2) / math.sqrt(2 * math.pi), stats.norm.cdf(z)
    closed = spread * (z * (2 * below - 1) + 2 * density - 1 / math.sqrt(math.pi))
    draws = stats.norm.ppf((np.arange(4000) + 0.5) / 4000, mean, spread)
    assert crps(draws, np.array(came)) == pytest.approx(closed, abs=1e-3 * spread)


def test_crps_by_hand_and_beside_scipys_energy_distance() -> None:
    # by hand: mean |x − 1| = 5/3, mean |x − x′| = 16/9, so 5/3 − 8/9 = 7/9
    assert crps(np.array([4.0, 0.0, 2.0]), np.array(1.0)) == pytest.approx(7 / 9)
    chance = np.random.default_rng(3)
    draws, came = chance.normal(1.0, 2.0, (5, 256)), chance.normal(0.0, 3.0, 5)
    by_scipy = [stats.energy_distance(d, [y]) ** 2 / 2 for d, y in zip(draws, came, strict=True)]
    np.testing.assert_allclose(crps(draws, came), by_scipy, rtol=1e-9)


def test_brier_skill_and_tenths_by_hand() -> None:
    told, came = np.array([0.8, 0.3, 0.5, 1.0]), np.array([True, False, True, True])
    assert brier(told, came) == pytest.approx((0.04 + 0.09 + 0.25) / 4)
    assert skill(0.05, 0.2) == pytest.approx(0.75)
    assert math.isnan(skill(0.1, 0.0))
    found = tenths(np.array([0.05, 0.02, 0.31, 0.39, 1.0]), np.array([0, 0, 1, 0, 1], dtype=bool))
    assert [(round(t.told, 3), t.came, t.cases) for t in found] == [
        (0.035, 0.0, 2), (0.35, 0.5, 2), (1.0, 1.0, 1),
    ]  # fmt: skip


def test_each_simple_forecaster_is_right_where_it_must_be() -> None:
    cell = 4 * 288 + 100
    line = np.repeat(0.01 * np.arange(6.0 * 288)[:, None], 5, axis=1)
    points, draws = Simple(line).at(cell)
    for number, hours in enumerate(LEADS_H):
        by_name = dict(zip(SIMPLE, points[number, :, 0] - line[cell + 12 * hours, 0], strict=True))
        assert by_name["linear trend"] == pytest.approx(0.0, abs=1e-9)
        assert by_name["persistence + hourly bias"] == pytest.approx(0.0, abs=1e-9)
        assert by_name["persistence"] == pytest.approx(-0.12 * hours)
        # two hours' damping: slope × 24 (1 − e^(−lead / 24))
        damped = 0.01 * 24 * (1 - math.exp(-12 * hours / 24)) - 0.12 * hours
        assert by_name["damped trend"] == pytest.approx(damped)
        # of four earlier days, 1 to 4 days back, the mean is 2.5 days back
        assert by_name["own days"] == pytest.approx(-0.01 * 2.5 * 288)
        # dressed with its own past errors, all the same here, persistence is right as well
        assert draws[number][0][0] == pytest.approx(line[cell + 12 * hours, 0])


def test_a_simple_forecaster_sees_nothing_that_comes() -> None:
    chance = np.random.default_rng(5)
    values = chance.normal(50.0, 5.0, (5 * 288, 5))
    other, cell = values.copy(), 3 * 288 + 17
    other[cell + 1 :] += 9.0
    for one, two in zip(Simple(values).at(cell)[0], Simple(other).at(cell)[0], strict=True):
        np.testing.assert_array_equal(one, two)
    for lead in range(len(LEADS_H)):
        for one, two in zip(
            Simple(values).at(cell)[1][lead], Simple(other).at(cell)[1][lead], strict=True
        ):
            np.testing.assert_array_equal(one, two)


def test_a_break_is_asked_of_draws_and_of_the_logs_own_days() -> None:
    values = np.full((4 * 288, 5), 50.0)
    values[:, 0] = 12.0
    values[288 + 10 : 288 + 20, 0] = 9.0  # on one of two earlier days, soon after the same hour
    cell = 3 * 288 + 5
    values[cell + 18 :, 0] = 9.5  # and now after an hour and a half
    horizons = np.arange(0.0, 13 * 3600.0, 900.0)
    air = np.full((10, horizons.size), 12.0)
    air[:3, 4:] = 8.0  # three of ten draws within an hour
    made = Outlook(0.0, horizons, air, air - 5.0, None, np.zeros((2, 1)), "", horizons[-1])
    ask = Asked(LimitName.AIR_TEMP_MIN, 10.0)
    answer = answered(values, cell, made, ask, 2)
    assert answer is not None
    assert answer.told == pytest.approx(0.3)
    assert answer.days == pytest.approx((1 + 1) / (3 + 2))  # Laplace: one of three days
    assert answer.came_h == pytest.approx(1.5)
    assert answer.room == pytest.approx(2.0)
    assert answered(values, cell + 30, made, ask, 2) is None  # broken already


def test_forecast_errors_grow_with_lead_and_go_apart() -> None:
    """Standard deviations against those stated, from 300 fresh issues; chance is about 4 %."""
    minutes = np.arange(1440.0 * 4)
    flat = np.zeros_like(minutes)
    weather = Weather(60.0 * minutes, flat + 20.0, flat, flat + 300.0, flat, flat)
    errors = []
    for seed in range(300):
        one = issued(weather, seed)[5]  # has errors of earlier issues in it
        errors.append(np.stack([one.temp_c - 20.0, one.dew_c, np.log(one.sun_w_m2 / 300.0)]))
    found = np.array(errors)  # issues by quantities by hours
    for lead in (0, 6, 24, 40):
        grows = float(spread_k(np.array(float(lead))))
        assert found[:, 0, lead].std() == pytest.approx(math.hypot(PLACE_K, grows), rel=0.15)
        assert found[:, 1, lead].std() == pytest.approx(
            math.hypot(PLACE_K, DEW_FACTOR * grows), rel=0.15
        )
        between = np.corrcoef(found[:, :, lead].T)
        assert np.abs(between[np.triu_indices(3, 1)]).max() < 0.2
    assert np.corrcoef(found[:, 0, 6], found[:, 0, 7])[0, 1] > 0.8


def test_a_forecast_file_holds_only_what_was_issued() -> None:
    weather = typical("723170TYA.CSV", 100, 4, 1)
    issues = issued(weather, 1)
    now_s = float(weather.time_s[0]) + 33.0 * 3600.0
    hours, known = outside(issues, now_s)
    assert known[-1].made_s == hours.made_s == weather.time_s[0] + 30 * 3600.0
    ahead = hours.time_s >= known[-1].made_s
    np.testing.assert_array_equal(hours.temp_c[ahead], known[-1].temp_c)
    assert (np.diff(hours.time_s) == 3600.0).all()


def test_vapour_pressure_and_clear_sun_are_the_published_ones() -> None:
    # WMO-No. 8, annex 4.B, computed independently: 10 °C 1226.03 Pa, 20 °C 2332.60 Pa
    np.testing.assert_allclose(vapour_pa(np.array([10.0, 20.0])), [1226.03, 2332.60], rtol=1e-4)
    assert dew_c_of(np.array(1226.03)) == pytest.approx(10.0, abs=0.01)
    noon_s = 86_400.0 * 171 + 12 * 3600.0  # the longest day
    zenith = 40.8 - 23.44
    by_pvlib = pvlib.clearsky.haurwitz(pd.Series([zenith])).iloc[0, 0]
    assert float(clear_sun_w_m2(np.array([noon_s]), 40.8)[0]) == pytest.approx(by_pvlib, rel=0.005)


def test_an_enclosure_left_alone_takes_on_the_air_around_it() -> None:
    """No sun, no people, sky as warm as the air: whatever its figures, it ends at the outside."""
    minutes = np.arange(1440.0 * 4)
    flat = np.zeros_like(minutes)
    weather = Weather(60.0 * minutes, flat + 15.0, flat + 9.0, flat, flat + 2.0, flat + 15.0)
    for kind in ("tent", "timber shed"):
        one = held_enclosures._Made(kind, weather, len(minutes), 5)
        one.figures |= {"deep_c": 15.0, "wet": 0.0}
        one.extra_change[:] = one.vapour_kg_s[:] = 0.0
        air, dew, hull = held_enclosures._walk([one])[:, 0, -1]
        assert (air, hull) == pytest.approx((15.0, 15.0), abs=0.05)
        assert dew == pytest.approx(9.0, abs=0.7)  # timber gives off slowly


def test_a_log_is_played_and_every_figure_has_one_name() -> None:
    made, alone = enclosures([27, 29]), enclosures([29])
    np.testing.assert_array_equal(made[1].track.air_temp_c, alone[0].track.air_temp_c)
    found = Found()
    play(enclosure_logs(made)[0], 8 * EVERY_CELLS, found)
    assert len(found.scores) >= 3
    assert len(found.spent_s[1]) >= 1
    figures = [f for t in tables(found) for _, cells in t.rows for f in cells if f is not None]
    assert len({each.key for each in figures}) == len(figures)
    assert any(each.aimed for each in figures)


def test_a_miss_within_chance_is_marked_apart() -> None:
    marks = [Figure("", value, 100, 77.0, 83.0, 4.0).mark for value in (80.0, 70.0, 68.0, 92.0)]
    assert marks == [" ", "?", "!", "!"]


def test_what_stood_before_is_printed_under_what_changed() -> None:
    def made(value: float) -> list[Table]:
        cells = [Figure("a/1", value, 9, 77.0, 83.0), None, Figure("a/2", 1.0, 9)]
        return [Table("Held", ("one", "two", "three"), [("row", cells)])]

    before = kept(made(70.0))
    lines = [line.split() for line in printed(made(80.0)[0], before)]
    assert lines[-2:] == [["row", "80.0", "–", "1.0"], ["before", "70.0", "–", "1.0"]]
    assert [line.split() for line in printed(made(70.0)[0], before)][-1][:2] == ["row", "70.0!"]
    assert list(counted(made(80.0), before))[-1].split() == [
        "a",
        "1",
        "of",
        "1",
        "0",
        "of",
        "1",
        "0",
    ]
