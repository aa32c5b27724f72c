"""The numpy path against the exact inversion, the scalar path and odd shapes of input."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from rules.air import arrays as psychrometric_arrays
from rules.air import state as dew_point
from rules.air.arrays import dew_points_c, frost_points_c, wetting_points_c
from rules.air.state import dew_and_frost_c
from rules.errors import ImplausibleReading

PROMISED_K = 0.001  # the project's own bound; what is found is 4e-6 K
FIT_K = 1e-5  # so that a fit of too low a degree shows long before the bound


def water_ln_pa(temp_c: float) -> float:
    """ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6, typed here a second time."""
    t = temp_c + 273.15
    return float(
        -5.8002206e03 / t
        + 1.3914993e00
        + -4.8640239e-02 * t
        + 4.1764768e-05 * t**2
        + -1.4452093e-08 * t**3
        + 6.5459673e00 * np.log(t)
    )


def ice_ln_pa(temp_c: float) -> float:
    """ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5, typed here a second time."""
    t = temp_c + 273.15
    return float(
        -5.6745359e03 / t
        + 6.3925247e00
        + -9.6778430e-03 * t
        + 6.2215701e-07 * t**2
        + 2.0747825e-09 * t**3
        + -9.4840240e-13 * t**4
        + 4.1635019e00 * np.log(t)
    )


def test_points_are_the_exact_inversion_over_the_whole_range() -> None:
    airs = np.linspace(-40.0, 60.0, 41)
    humidities = np.concatenate([[1.0001, 1.5, 3.0], np.linspace(5.0, 100.0, 20)])
    air, rh = (a.ravel() for a in np.meshgrid(airs, humidities))
    dews, frosts = dew_points_c(air, rh), frost_points_c(air, rh)
    wettings = wetting_points_c(air, rh)
    for a, h, dew, frost, wetting in zip(air, rh, dews, frosts, wettings, strict=True):
        ln_pv = water_ln_pa(a) + np.log(h / 100.0)
        exact = brentq(lambda t, ln_pv=ln_pv: water_ln_pa(t) - ln_pv, -90.0, 61.0, xtol=1e-10)
        assert dew == pytest.approx(exact, abs=FIT_K)
        assert dew <= a
        if ln_pv < water_ln_pa(0.01):
            exact = brentq(lambda t, ln_pv=ln_pv: ice_ln_pa(t) - ln_pv, -90.0, 1.0, xtol=1e-10)
            assert frost == pytest.approx(exact, abs=FIT_K)
            assert wetting == frost
        else:
            assert np.isnan(frost)
            assert wetting == dew


def test_both_paths_agree() -> None:
    draw = np.random.default_rng(20)
    air, rh = draw.uniform(-40.0, 60.0, 3000), draw.uniform(1.001, 103.0, 3000)
    dews, frosts, wettings = (
        dew_points_c(air, rh),
        frost_points_c(air, rh),
        wetting_points_c(air, rh),
    )
    dew_point._dew_and_frost.cache_clear()
    for i in range(air.size):
        dew, frost = dew_and_frost_c(float(air[i]), float(rh[i]))
        assert dews[i] == pytest.approx(dew, abs=PROMISED_K)
        if frost is None:
            assert np.isnan(frosts[i])
            assert wettings[i] == pytest.approx(dew, abs=PROMISED_K)
        else:
            assert frosts[i] == pytest.approx(frost, abs=PROMISED_K)
            assert wettings[i] == pytest.approx(max(dew, frost), abs=PROMISED_K)


def test_pieces_join_without_a_seam() -> None:
    n = 2 * psychrometric_arrays._PIECE + 17
    air, rh = np.linspace(-20.0, 40.0, n), np.linspace(95.0, 20.0, n)
    whole = wetting_points_c(air, rh)
    for cut in (1, 8191, 8192, 8193, n - 1):
        apart = np.concatenate(
            [wetting_points_c(air[:cut], rh[:cut]), wetting_points_c(air[cut:], rh[cut:])]
        )
        assert np.array_equal(whole, apart)


@pytest.mark.parametrize("bad", [np.nan, 0.0, 0.6, 1.0, 103.5, np.inf, -np.inf])
@pytest.mark.parametrize("place", [0, 8191, 8192, 20_000])
def test_one_bad_humidity_anywhere_is_refused_by_place(bad: float, place: int) -> None:
    rh = np.full(20_001, 50.0)
    rh[place] = bad
    for function in (dew_points_c, frost_points_c, wetting_points_c):
        with pytest.raises(ImplausibleReading, match=rf"^rh_pct\[{place}\] "):
            function(20.0, rh)
    if not np.isnan(bad):
        with pytest.raises(ImplausibleReading, match=rf"^rh_pct\[{place}\] "):
            dew_points_c(20.0, rh, missing_ok=True)


@pytest.mark.parametrize("bad", [np.nan, -40.5, 68.0, np.inf, -np.inf])
def test_one_bad_air_temperature_is_refused_by_place(bad: float) -> None:
    air = np.full(9000, 20.0)
    air[8500] = bad
    with pytest.raises(ImplausibleReading, match=r"^air_temp_c\[8500\] "):
        dew_points_c(air, 50.0)


def test_missing_values_stay_missing_and_only_where_asked_for() -> None:
    air = np.array([20.0, np.nan, 20.0, -5.0, np.nan])
    rh = np.array([50.0, 50.0, np.nan, 80.0, np.nan])
    missing = [False, True, True, False, True]
    assert np.isnan(dew_points_c(air, rh, missing_ok=True)).tolist() == missing
    assert np.isnan(wetting_points_c(air, rh, missing_ok=True)).tolist() == missing
    assert np.isnan(frost_points_c(air, rh, missing_ok=True)).tolist() == [True] * 3 + [False, True]
    nothing = np.full(3, np.nan)
    assert np.isnan(wetting_points_c(nothing, nothing, missing_ok=True)).all()
    with pytest.raises(ImplausibleReading, match=r"^air_temp_c\[1\] is not a number"):
        dew_points_c(air, rh)


def test_a_masked_value_counts_as_missing_not_as_what_lies_under_the_mask() -> None:
    rh = np.ma.array([50, 60], mask=[False, True])
    assert np.isnan(dew_points_c(20.0, rh, missing_ok=True)).tolist() == [False, True]
    with pytest.raises(ImplausibleReading, match=r"^rh_pct\[1\]"):
        dew_points_c(20.0, rh)


def test_shapes_and_kinds_of_input() -> None:
    assert dew_points_c([], []).shape == (0,)
    assert dew_points_c(20.0, 50.0).shape == ()
    grid = dew_points_c(np.array([[20.0], [10.0]]), np.array([50.0, 60.0, 70.0]))
    assert grid.shape == (2, 3)
    assert grid[1, 2] == dew_points_c(10.0, 70.0)
    strided = np.arange(40, dtype=np.int32)[::-4]  # whole numbers, backwards
    assert np.array_equal(dew_points_c(strided, 50), dew_points_c(strided.astype(float).copy(), 50))
    with pytest.raises(ValueError, match="shape"):
        dew_points_c([20.0, 21.0], [50.0, 51.0, 52.0])


def test_inputs_are_left_as_they_were() -> None:
    air, rh = np.array([20.0, -5.0]), np.array([102.0, 50.0])
    wetting_points_c(air, rh)
    assert air.tolist() == [20.0, -5.0]
    assert rh.tolist() == [102.0, 50.0]
