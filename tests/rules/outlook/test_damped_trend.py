"""The outlook from a log alone: courses with a known answer, and control cases without one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from outlook_scores import damped_trend, joined, rms, score, trend_maker
from tent_weeks import tent_week

from rules.outlook.damped_trend import (
    HORIZON_CELLS,
    error_draws,
    features_of,
    fit_trend,
)
from rules.outlook.track import CELL_S, CELLS_A_DAY, TooLittleLog, Track, bridged, cell_means

NOW_S = 1_791_849_600.0


def daily(days: float, noise: float = 0.0, seed: int = 0) -> Track:
    """Three days of sines with a lag between air and hull."""
    count = int(days * CELLS_A_DAY)
    chance = np.random.default_rng(seed)
    hours = (np.arange(count) - count) / 12.0
    air = 14.0 + 5.0 * np.sin(2.0 * np.pi * hours / 24.0) + noise * chance.normal(size=count)
    dew = 7.0 + 1.0 * np.sin(2.0 * np.pi * (hours - 3.0) / 24.0)
    surface = 13.0 + 4.0 * np.sin(2.0 * np.pi * (hours - 2.0) / 24.0)
    return Track(NOW_S, air, dew, surface)


def test_features_by_hand() -> None:
    # Two days of a ramp of 1 K a cell: every day rises by 288, the hour by 12, 20 min by 4.
    values = np.arange(2.0 * CELLS_A_DAY)
    at = np.array([2 * CELLS_A_DAY - 1])
    found = features_of(values, at, np.array([6]))[0, 0]
    assert found.tolist() == [0.0, 4.0, 6.0, -288.0, 12.0]


def test_features_of_the_first_day_know_no_other() -> None:
    values = np.arange(100.0)
    found = features_of(values, np.array([50]), np.array([6]))[0, 0]
    assert found.tolist() == [12.0, 4.0, 0.0, 0.0, 0.0]


def test_a_day_like_the_last_ones_is_seen_coming() -> None:
    track = daily(7.0, noise=0.05)
    outlook = damped_trend(track)
    hours = HORIZON_CELLS / 12.0
    truth = 14.0 + 5.0 * np.sin(2.0 * np.pi * hours / 24.0)
    error = np.abs(outlook.centre[0, 1:] - truth)
    stay = np.abs(14.0 - truth)
    assert error[hours <= 6.0].max() < 0.35 * stay[hours <= 6.0].max()


def test_on_a_random_walk_nothing_beats_persistence_and_little_is_lost_to_it() -> None:
    # The best forecast of a random walk is that it stays: a method that "wins" here peeks.
    chance = np.random.default_rng(21)
    count = 9 * CELLS_A_DAY
    columns = [np.cumsum(chance.normal(0.0, 0.05, count)) + level for level in (15.0, 5.0, 13.0)]
    columns[1] = np.minimum(columns[1], columns[0] - 0.5)
    found = score(Track(NOW_S, *columns), trend_maker(144), 3 * CELLS_A_DAY, 18)
    ratio = np.sqrt((found.error**2).mean(axis=0) / (found.persistence**2).mean(axis=0))[[0, 3]]
    assert (ratio > 0.97).all()
    assert (ratio < 1.05).all()
    # White increments: the band's share can be trusted to a few per cent at 30 min.
    assert found.held[:, [0, 3], 0].mean() == pytest.approx(0.8, abs=0.06)


def test_tents_are_seen_coming_better_than_by_both_baselines() -> None:
    # Errors of all tents together, as the benchmark has them: where little moves, the ratio to
    # persistence is large and the error small.
    found = joined(
        [
            score(tent_week(seed, 4).track(), trend_maker(144), 5 * CELLS_A_DAY // 2, 9)
            for seed in (2101, 2102, 2103)
        ]
    )
    own, stay, line = (rms(each)[:3] for each in (found.error, found.persistence, found.line))
    assert (own / stay)[:, 1:].max() < 0.97
    assert (own / line)[:, 1:].max() < 0.97
    assert (own / stay).max() < 1.05
    assert 0.65 < found.held.mean() < 0.95


def test_bands_grow_with_the_horizon_and_hold_the_present() -> None:
    track = daily(5.0, noise=0.3, seed=4)
    bands = damped_trend(track).bands()
    assert bands.air_temp_c[:, 0] == pytest.approx(float(track.air_temp_c[-1]))
    assert (bands.air_temp_c[2, 1:] > bands.air_temp_c[0, 1:]).all()
    assert (bands.rh_pct <= 100.0).all()


def test_draws_are_past_errors_with_their_own_sign_less_most_of_their_mean() -> None:
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    skewed = np.where(np.arange(len(fit.errors)) % 4 == 0, 3.0, -1.0)[:, None, None]
    errors = np.where(np.isfinite(fit.errors), skewed, np.nan)
    draws = error_draws(replace(fit, errors=errors), NOW_S, 64)
    assert draws.shape == (64, 3, HORIZON_CELLS.size + 1)
    assert (draws[:, :, 0] == 0.0).all()
    at = draws[:, 0, 8]  # two hours: 3 in a quarter of cases, -1 in the others, mean 0
    spans = np.isfinite(errors[:, 7, 0]).sum() / 8.0
    widened = 1.0 + 1.0 / spans
    assert at.max() == pytest.approx(3.0 * widened, abs=0.3)
    assert at.min() == pytest.approx(-1.0 * widened, abs=0.3)
    assert np.mean(at > 0.0) == pytest.approx(0.25, abs=0.1)


def test_each_day_further_back_is_drawn_seven_tenths_as_often() -> None:
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    days = np.round((NOW_S - fit.origin_s) / 86_400.0)[:, None, None]
    draws = error_draws(replace(fit, errors=np.where(np.isfinite(fit.errors), days, np.nan)), NOW_S)
    # Errors that are told apart by their day: 0 (half a bell of hours, up to now), 1, 2, 3.
    _, counts = np.unique(draws[:, 0, 1].round(3), return_counts=True)
    # By so few draws each day's share is right to one of 256.
    assert counts[2] / counts[1] == pytest.approx(0.7, abs=0.03)
    assert counts[3] / counts[2] == pytest.approx(0.7, abs=0.03)


def test_what_sets_the_hull_apart_spreads_as_a_further_observation_does() -> None:
    # The next of n normal observations lies about their mean with a variance of s^2 (1 + 1/n): the
    # prediction interval of any textbook of statistics (from memory). What moves all alike spreads
    # by 1 + 1/n itself: common practice, no source.
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    signs = np.where(np.arange(fit.origin_s.size) % 2 == 0, 1.0, -1.0)[:, None, None]
    known = np.isfinite(fit.errors)
    for of_each, power in (((0.0, -1.0, 1.0), 0.5), ((1.0, 1.0, 1.0), 1.0)):
        errors = np.where(known, signs * np.array(of_each), np.nan)
        draws = error_draws(replace(fit, errors=errors), NOW_S)
        for hours in (6, 24):
            spans = known[:, 4 * hours - 1, 0].sum() / (4.0 * hours)
            spread = np.sqrt(np.mean(draws[:, 2, 4 * hours] ** 2))
            assert spread == pytest.approx((1.0 + 1.0 / spans) ** power, rel=0.01)


def test_a_bias_of_the_past_is_a_quarter_believed() -> None:
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    draws = error_draws(replace(fit, errors=np.where(np.isfinite(fit.errors), 2.0, np.nan)), NOW_S)
    assert draws[:, :, 1] == pytest.approx(0.5, abs=0.02)


def test_under_a_day_of_log_there_is_none() -> None:
    with pytest.raises(TooLittleLog, match=r"the log has 23 h 50 min of the 24 h"):
        fit_trend(daily(23.85 / 24.0))


def test_a_day_of_log_looks_no_further_than_it_can_tell() -> None:
    outlook = damped_trend(daily(1.0, noise=0.2))
    assert 6 * 3600.0 <= outlook.looked_ahead_s <= 12 * 3600.0
    assert damped_trend(daily(4.0, noise=0.2)).looked_ahead_s == 24 * 3600.0


def test_nothing_now_means_no_outlook() -> None:
    track = daily(3.0)
    track.air_temp_c[-8:] = np.nan
    with pytest.raises(TooLittleLog, match="the last 5 min of the log lack"):
        fit_trend(track)


def test_a_night_without_power_in_the_log_is_passed_over() -> None:
    whole, broken = daily(5.0, noise=0.2), daily(5.0, noise=0.2)
    for column in (broken.air_temp_c, broken.dew_point_c, broken.surface_temp_c):
        assert column is not None
        column[600:700] = np.nan
    apart = damped_trend(whole).centre - damped_trend(broken).centre
    assert np.isfinite(apart).all()
    assert np.abs(apart[:, :25]).max() < 0.5  # six hours


def test_cells_take_the_mean_and_short_gaps_are_bridged() -> None:
    times = NOW_S - np.array([10.0, 200.0, 299.0, 700.0, 3000.0])
    values = np.array([1.0, 2.0, 3.0, 8.0, 9.0])
    means = cell_means(times, values, NOW_S, 12)
    assert means[-1] == 2.0
    assert means[-3] == 8.0
    assert means[-2] == 5.0  # between 8 and 2
    assert np.isnan(means[0])
    lost = bridged(np.array([1.0, *[np.nan] * 7, 2.0]))
    assert np.isnan(lost[1:8]).all()
    kept = bridged(np.array([1.0, *[np.nan] * 6, 8.0]))
    assert kept.tolist() == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]


def test_cell_ends_are_even() -> None:
    track = daily(1.0)
    assert track.times_s()[-1] == NOW_S
    assert np.unique(np.diff(track.times_s())).tolist() == [CELL_S]
