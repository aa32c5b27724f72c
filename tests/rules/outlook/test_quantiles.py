"""Which past errors count, and vapour tables, against closed forms and PsychroLib."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from scipy import stats

from rules.air.arrays import (
    dew_points_of_ln,
    ln_vapour_pressures,
    relative_humidities_pct,
    wetting_temps_c,
)
from rules.outlook.quantiles import (
    as_few_tell,
    independent_count,
    near_in_the_day,
    size_ratios,
    spread_evenly,
)


@pytest.mark.parametrize("count", [8, 12, 40])
def test_errors_are_spread_as_the_size_that_few_of_them_tell(count: int) -> None:
    """Beside scipy's chi square: so far off is a size that is reckoned from `count` errors."""
    found = np.log(as_few_tell(np.ones((512, 1, 1)), np.array([[float(count)]]), 0.0))
    off = -0.5 * np.log(stats.chi2.ppf((np.arange(512) + 0.5) / 512, count) / count)
    assert found.std() == pytest.approx(off.std(), rel=0.08)
    assert found.mean() == pytest.approx(0.5 * np.median(off), abs=0.002)  # half of it, as stated


def test_a_course_stays_whole_and_neighbours_go_apart() -> None:
    alike = np.ones((256, 2, 3)) * np.array([[[1.0]], [[-1.0]]])[np.arange(256) // 128]
    found = as_few_tell(alike, np.array([[2.0], [8.0]]), 0.75)
    assert (found == found[:, :, :1]).all()
    # By two errors and by eight a course is off to the same side, half as far.
    off = np.log(np.abs(found[:, :, 0]))
    assert off[:, 1] - 1.0 / 48.0 == pytest.approx(0.5 * (off[:, 0] - 1.0 / 12.0))
    # No mean is seen, so none is drawn; any 16 in a row go to both sides more alike than by chance,
    # which has a spread of 1 / 8 and so some .3 at most among so many runs.
    runs = np.lib.stride_tricks.sliding_window_view(off[:, 0], 16).mean(axis=1)
    assert np.abs(runs - 1.0 / 12.0).max() < 0.16


def test_equal_weights_count_fully_and_one_weight_counts_once() -> None:
    assert independent_count(np.ones(40), 900.0, 900.0) == 40.0
    assert independent_count(np.ones(40), 900.0, 3600.0) == 10.0
    lone = np.zeros(40)
    lone[7] = 3.0
    assert independent_count(lone, 900.0, 900.0) == 1.0


def test_the_hour_of_the_day_wraps_at_midnight() -> None:
    late, early = 86_400.0 - 600.0, 86_400.0 + 600.0
    near = near_in_the_day(np.array([late]), early, 5400.0, 0.05)
    assert near[0] == pytest.approx(0.05 + 0.95 * np.exp(-0.5 * (1200.0 / 5400.0) ** 2))


def test_sizes_at_an_hour_by_a_sum_over_every_error() -> None:
    chance = np.random.default_rng(8)
    origin_s = 3600.0 * np.arange(60.0)  # two days and a half
    squares = chance.exponential(size=(60, 2))
    squares[50:, 0] = squares[:, 1] = np.nan
    weights = 0.7 ** (np.arange(60.0)[::-1] / 24.0)
    now_s, width_s, days = 59.0 * 3600.0, 7200.0, 0.5

    def size(at_s: float) -> float:
        top = under = 0.0
        for square, weight, origin in zip(squares[:50, 0], weights, origin_s, strict=False):
            bell = near_in_the_day(np.array([origin]), at_s, width_s, 0.0)[0]
            top, under = top + weight * bell * square, under + weight * bell
        shared = days * sum(
            near_in_the_day(np.array([3600.0 * hour]), at_s, width_s, 0.0)[0] for hour in range(24)
        )
        mean = np.average(squares[:50, 0], weights=weights[:50])
        return float(np.sqrt((top + shared * mean) / (under + shared)))

    found = size_ratios(squares, weights, origin_s, now_s, width_s, days)
    assert found[:, 0] == pytest.approx([size(now_s) / size(each) for each in origin_s])
    assert found[:, 1] == pytest.approx(1.0)  # of which nothing is known


def test_draws_come_as_often_as_their_weight() -> None:
    weights = np.array([0.5, 0.25, 0.0, 0.25])
    assert np.bincount(spread_evenly(weights, 64), minlength=4).tolist() == [32, 16, 0, 16]


def test_vapour_tables_follow_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for dew_c in (-20.0, -5.0, 0.0, 3.33, 9.27, 25.0, 39.9):
        # Below freezing PsychroLib gives pressure over ice: the frost point's own.
        if dew_c > 0.01:
            wanted = psychrolib.GetSatVapPres(dew_c)
            found = float(np.exp(ln_vapour_pressures(np.array(dew_c))))
            assert found == pytest.approx(wanted, rel=1e-5)
            assert float(dew_points_of_ln(np.log(np.array(wanted)))) == pytest.approx(
                dew_c, abs=1e-4
            )
    for air_c, rh in ((20.0, 50.0), (30.0, 90.0), (5.0, 99.0)):
        dew = psychrolib.GetTDewPointFromRelHum(air_c, rh / 100.0)
        found_rh = float(relative_humidities_pct(np.array(air_c), np.array(dew)))
        assert found_rh == pytest.approx(rh, abs=0.01)


def test_below_freezing_the_frost_point_wets_first() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for frost_c in (-15.0, -4.0, -0.5):
        over_ice = psychrolib.GetSatVapPres(frost_c)
        dew = dew_points_of_ln(np.log(np.array([over_ice])))
        assert dew[0] < frost_c
        assert wetting_temps_c(dew)[0] == pytest.approx(frost_c, abs=1e-3)
