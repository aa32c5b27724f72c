"""Quantiles, conformal levels and vapour tables against numpy, theory and PsychroLib.

Coverage of split conformal intervals: for n exchangeable scores the k-th smallest holds the next
with probability k / (n + 1) exactly (order statistics of a continuous distribution; textbook).
"""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from rules.air.arrays import (
    dew_points_of_ln,
    ln_vapour_pressures,
    relative_humidities_pct,
    wetting_temps_c,
)
from rules.outlook.quantiles import (
    conformal_level,
    independent_count,
    near_in_the_day,
    spread_evenly,
    weighted_quantile,
)


def test_weighted_quantile_is_numpys_inverted_cdf() -> None:
    chance = np.random.default_rng(4)
    for level in (0.0, 0.1, 0.37, 0.8, 0.9, 1.0):
        values = chance.normal(size=41)
        wanted = np.quantile(values, level, method="inverted_cdf")
        assert weighted_quantile(values, np.ones(41), level) == wanted


def test_whole_weights_count_as_repeats() -> None:
    chance = np.random.default_rng(5)
    values, times = chance.normal(size=30), chance.integers(0, 4, 30)
    repeated = np.repeat(values, times)
    for level in (0.2, 0.5, 0.8):
        wanted = np.quantile(repeated, level, method="inverted_cdf")
        assert weighted_quantile(values, times.astype(float), level) == wanted


@pytest.mark.parametrize("count", [9, 19, 49])
def test_the_conformal_level_holds_the_next_as_often_as_theory_says(count: int) -> None:
    chance = np.random.default_rng(count)
    draws = 20_000
    scores = np.abs(chance.standard_t(3, size=(draws, count + 1)))
    level = conformal_level(0.8, count)
    rank = int(np.ceil(level * count - 1e-9))
    edge = np.sort(scores[:, :count], axis=1)[:, rank - 1]
    held = float(np.mean(scores[:, count] <= edge))
    theory = rank / (count + 1)
    assert theory >= 0.8 - 1e-9
    # Four standard deviations of the count of successes.
    assert held == pytest.approx(theory, abs=4.0 * np.sqrt(theory * (1 - theory) / draws))


def test_without_the_correction_few_scores_hold_too_little() -> None:
    chance = np.random.default_rng(1)
    scores = np.abs(chance.normal(size=(20_000, 10)))
    plain = np.sort(scores[:, :9], axis=1)[:, int(np.ceil(0.8 * 9)) - 1]
    # The eighth of nine holds exactly 0.8; the seventh, which 0.8 x 9 floors to, only 0.7.
    assert np.mean(scores[:, 9] <= plain) == pytest.approx(0.8, abs=0.012)
    seventh = np.sort(scores[:, :9], axis=1)[:, 6]
    assert np.mean(scores[:, 9] <= seventh) == pytest.approx(0.7, abs=0.013)


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
