"""The outlook from a log alone: courses with a known answer, and control cases without one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from outlook_scores import damped_trend, joined, rms, score, trend_maker
from scipy.signal import lfilter
from tent_weeks import tent_week

from rules.known import TEMPERATURE
from rules.outlook.damped_trend import (
    BY_DAY,
    HORIZON_CELLS,
    HUBER,
    Fit,
    error_draws,
    features_of,
    fit_trend,
    origin_cells,
)
from rules.outlook.track import (
    CELL_S,
    CELLS_A_DAY,
    TooLittleLog,
    Track,
    bridged,
    cell_means,
    measured_cells,
)

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
    found = features_of(values, np.array([2 * CELLS_A_DAY - 1]))
    assert found.steady[0].tolist() == [0.0, 4.0, -288.0, 12.0]
    assert found.change[0].tolist() == HORIZON_CELLS.tolist()


def test_features_of_the_first_day_know_no_other() -> None:
    values = np.arange(100.0)
    found = features_of(values, np.array([50]))
    assert found.steady[0].tolist() == [12.0, 4.0, 0.0, 0.0]
    assert not found.change.any()


def test_features_of_many_origins_are_those_of_each_alone() -> None:
    values = np.cumsum(np.random.default_rng(9).normal(0.0, 0.1, 4 * CELLS_A_DAY))
    values[500:520] = np.nan
    origins = origin_cells(Track(NOW_S, values, values))
    found = features_of(values, origins)
    for at in (0, 100, 170, 250, -1):
        alone = features_of(values, origins[[at]])
        assert found.steady[at] == pytest.approx(alone.steady[0])
        assert found.change[at] == pytest.approx(alone.change[0])
        assert found.known[at] == alone.known[0]


def test_weights_are_those_of_the_plain_ridge() -> None:
    """One horizon of the air, its normal equations written out; ridge regression, from memory."""
    values = daily(5.0, noise=0.3, seed=4).air_temp_c.copy()
    values[300:340] = np.nan
    track = Track(NOW_S, values, values - 5.0)
    fit, origins = fit_trend(track), origin_cells(track)
    shown, ahead, at = features_of(values, origins), 24, 7
    x = np.column_stack([shown.steady, shown.change[:, at], np.zeros(origins.size)])
    came = origins + ahead
    y = np.where(came < values.size, values[np.minimum(came, values.size - 1)], np.nan)
    y -= values[origins]
    usable = np.isfinite(y) & shown.known
    x, y = x[usable], y[usable]
    day = ((values.size - 1 - origins) // CELLS_A_DAY)[usable]
    prior, missed = np.array([0.0, 0.0, 0.0, 0.0, BY_DAY.like_days, 0.0]), y
    for _ in range(3):
        reach = HUBER * 1.4826 * np.median(np.abs(missed))
        belief = np.minimum(1.0, reach / np.maximum(np.abs(missed), 1e-12))
        noise = np.average(missed**2, weights=belief) * ahead / 3.0
        pull = np.full(6, math.sqrt(noise) / BY_DAY.weight_sd)

        def weights(kept: np.ndarray) -> np.ndarray:
            root = np.sqrt(belief[kept])[:, None]  # noqa: B023 (called at once)
            rows = np.concatenate([root * x[kept], np.diag(pull)])  # noqa: B023
            sides = np.concatenate([root[:, 0] * y[kept], pull * prior])  # noqa: B023
            return np.linalg.lstsq(rows, sides, rcond=None)[0]

        missed = y - x @ weights(np.full(y.size, True))
    expected = np.empty(y.size)
    for each in np.unique(day):
        expected[day == each] = x[day == each] @ weights(day != each)
    squares, spread = (expected**2).sum(), ((y - expected) ** 2).mean() * ahead / 3.0
    earned = (expected * y).sum() / (squares + BY_DAY.doubt * spread)
    whole = weights(np.full(y.size, True))
    assert fit.weights[0, at] == pytest.approx(np.clip(earned, 0.0, 1.0) * whole, rel=1e-6)
    told = fit.errors[usable, at, 0]
    typical = np.isfinite(told)
    assert typical.sum() > 0.7 * y.size
    assert told[typical] == pytest.approx((y - min(earned, 1.0) * expected)[typical], abs=1e-9)


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
    draws = error_draws(replace(fit, errors=errors), NOW_S)
    assert draws.shape == (256, 3, HORIZON_CELLS.size + 1)
    assert (draws[:, :, 0] == 0.0).all()
    at = draws[:, 0, 8]  # two hours: 3 in a quarter of cases, -1 in the others, mean 0
    assert np.median(at[at > 0.0]) == pytest.approx(3.0, abs=0.3)
    assert np.median(at[at < 0.0]) == pytest.approx(-1.0, abs=0.1)
    assert np.mean(at > 0.0) == pytest.approx(0.25, abs=0.1)


def test_each_day_further_back_is_drawn_seven_tenths_as_often() -> None:
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    days = np.round((NOW_S - fit.origin_s) / 86_400.0)
    known = np.isfinite(fit.errors)
    turns = np.where(np.arange(fit.origin_s.size) % 2 == 0, 1.0, -1.0)
    shares = []
    for day in (1.0, 2.0, 3.0):
        # Of either sign, so that no mean is seen, and larger on one day.
        sizes = (turns * np.where(days == day, 3.0, 1.0))[:, None, None]
        draws = error_draws(replace(fit, errors=np.where(known, sizes, np.nan)), NOW_S)
        shares.append(np.mean(np.abs(draws[:, 0, 1]) > 2.0))
    # By so few draws each day's share is right to one of 256.
    assert shares[1] / shares[0] == pytest.approx(0.7, abs=0.03)
    assert shares[2] / shares[1] == pytest.approx(0.7, abs=0.03)


def test_draws_are_as_large_as_errors_are_from_this_hour_on() -> None:
    # Twelve hours of the day errors are three times as large as the other twelve. A sixth of the
    # draws come from those; as large as there they would spread by 2.8 and by 1.5.
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    known = np.isfinite(fit.errors)
    signs = np.where(np.arange(fit.origin_s.size) % 2 == 0, 1.0, -1.0)
    near = np.abs((fit.origin_s - NOW_S + 43_200.0) % 86_400.0 - 43_200.0) < 21_600.0
    for here, there in ((3.0, 1.0), (1.0, 3.0)):
        sizes = (signs * np.where(near, here, there))[:, None, None]
        draws = error_draws(replace(fit, errors=np.where(known, sizes, np.nan)), NOW_S)
        assert np.median(np.abs(draws[:, 0, 8])) == pytest.approx(here, rel=0.08)


@pytest.mark.parametrize("days", [2, 3])
def test_bands_of_a_young_log_hold_what_comes_next_of_red_noise(days: int) -> None:
    """A first-order autoregression that forgets itself in 8 h: what comes has the past's law.

    With the errors' mean and size taken for known, bands of 80 % held 69 and 71 %.
    """
    chance, count = np.random.default_rng(3), 96 * days
    kept = math.exp(-0.25 / 8.0)
    shocks = chance.normal(size=(count + 24, 600)) * np.sqrt(1.0 - kept**2)
    course = lfilter([1.0], [1.0, -kept], shocks, axis=0, zi=kept * chance.normal(size=(1, 600)))[0]
    ahead = np.append(course[:count], np.full((96, 600), np.nan), axis=0)
    errors = np.lib.stride_tricks.sliding_window_view(ahead[1:], 96, axis=0).transpose(0, 2, 1)
    origin_s, at, held = NOW_S - 900.0 * np.arange(count)[::-1], [4, 12, 24], []
    for first in range(0, 600, 3):
        three = slice(first, first + 3)
        draws = error_draws(Fit(np.empty(0), origin_s, errors[:, :, three]), NOW_S)
        low, high = np.quantile(draws[:, :, at], (0.1, 0.9), axis=0)
        came = course[count - 1 + np.array(at), three].T
        held.append((came >= low) & (came <= high))
    assert np.mean(held) == pytest.approx(0.8, abs=0.04)


def test_a_bias_of_the_past_is_a_quarter_believed_and_three_quarters_unsure() -> None:
    fit = fit_trend(daily(5.0, noise=0.3, seed=4))
    draws = error_draws(replace(fit, errors=np.where(np.isfinite(fit.errors), 2.0, np.nan)), NOW_S)
    assert draws[:, :, 1].mean(axis=0) == pytest.approx(0.5, abs=0.02)
    assert draws[:, :, 1].std(axis=0) == pytest.approx(1.5, rel=0.02)


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


def test_cells_take_the_mean_of_their_readings_and_hold_those_of_a_slow_channel() -> None:
    times = NOW_S - np.array([10.0, 200.0, 299.0, 700.0, 3000.0])
    values = np.array([1.0, 2.0, 3.0, 8.0, 9.0])
    means = cell_means(times, values, NOW_S, 12)
    assert means[-1] == 2.0
    assert means[-3] == 8.0
    assert np.isnan(means[-2])
    slow = measured_cells(means, 900.0)
    assert slow[-2] == 5.0  # between 8 and 2, which are within the age at which a reading counts
    assert np.isnan(slow[3:9]).all()
    # The last value of such a channel counts for as long, and no longer.
    late = measured_cells(means[:-1], 900.0)
    assert late[-1] == 8.0
    assert np.isnan(measured_cells(np.append(means, [np.nan] * 5), 900.0)[-2:]).all()


def test_a_hole_is_bridged_for_as_long_as_its_quantity_stays_known() -> None:
    def swung(kelvin: float, lost: int) -> np.ndarray:
        """A day of so many kelvin up and down every four hours, with a hole at a turn of it."""
        hours = CELL_S / 3600.0 * np.arange(CELLS_A_DAY)
        cells = 15.0 + kelvin * np.cos(2.0 * np.pi * hours / 4.0)
        cells[240 : 240 + lost] = np.nan
        return cells

    # By `rules.known` a hull whose day was quiet may have moved 0.5 K an hour unseen (common
    # practice, no source): two hours off its neighbours 1 K, which four hours without data reach.
    assert np.isfinite(bridged(swung(0.0, 47), TEMPERATURE)).all()
    assert np.isnan(bridged(swung(0.0, 60), TEMPERATURE)[240:300]).any()
    # One that moved by 2 x 3 K in two hours, 4.7 K an hour at the most, moves half as fast again.
    assert np.isfinite(bridged(swung(3.0, 2), TEMPERATURE)).all()
    assert np.isnan(bridged(swung(3.0, 6), TEMPERATURE)[240:246]).any()


def test_cell_ends_are_even() -> None:
    track = daily(1.0)
    assert track.times_s()[-1] == NOW_S
    assert np.unique(np.diff(track.times_s())).tolist() == [CELL_S]
