"""The margin's uncertainty against differences, a Monte Carlo by JCGM 101:2008, and hand sums."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from rules.air.state import dew_point_c, dew_point_slopes, wetting_point_c
from rules.air.uncertainty import (
    GUARD_FACTOR,
    SHARED_ELEMENT_CORRELATION,
    SHOW_FACTOR,
    dew_point_u_k,
    margin_u_assumed_k,
    margin_u_k,
    standard_uncertainty,
)
from rules.errors import ImplausibleReading
from tests.tables_reader import rows

DRAWS = 200_000
SQRT_3 = math.sqrt(3.0)


def test_dew_point_slopes_and_uncertainty_are_the_tabled_ones() -> None:
    for row in rows("dew_point_uncertainty"):
        at = float(row["air_temp_c"]), float(row["rh_pct"])
        got = {
            "dew_point_c": dew_point_c(*at),
            "by_air": dew_point_slopes(*at)[0],
            "by_rh": dew_point_slopes(*at)[1],
            # The table's standard uncertainties, 0.2 K and 2 %, as the rectangles they come from.
            "u_k": dew_point_u_k(*at, 0.2 * SQRT_3, 2.0 * SQRT_3),
        }[row["quantity"]]
        assert got == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row


def magnus_wetting_c(air_c: Any, rh_pct: Any) -> Any:
    """WMO-No. 8 (2018), vol. I, ch. 4, Annex 4.B: the higher of dew and frost point.

    An equation that is not the project's, so that the Monte Carlo checks the slopes as well.
    """
    ln_pv = np.log(rh_pct / 100.0) + 17.62 * air_c / (243.12 + air_c)
    dew, frost = 243.12 * ln_pv / (17.62 - ln_pv), 272.62 * ln_pv / (22.46 - ln_pv)
    return np.where(ln_pv < 0.0, frost, dew)


def rectangle(draw: np.random.Generator, half_width: float) -> Any:
    return draw.uniform(-half_width, half_width, DRAWS)


# Air, humidity, accuracy of surface, air, humidity: mild, dry, near saturation, cold, frost, poor.
CASES = [
    (20.0, 85.0, 0.5, 0.3, 3.0),
    (20.0, 50.0, 0.5, 0.3, 3.0),
    (20.0, 30.0, 0.5, 0.3, 3.0),
    (10.0, 95.0, 0.25, 0.2, 1.5),
    (5.0, 85.0, 0.5, 0.3, 2.0),
    (-5.0, 80.0, 0.5, 0.3, 3.0),
    (25.0, 60.0, 2.0, 1.0, 5.0),
]


@pytest.mark.parametrize("case", CASES)
def test_margin_follows_a_monte_carlo(case: tuple[float, ...]) -> None:
    air_c, rh_pct, surface_a, air_a, rh_a = case
    draw = np.random.default_rng(101)
    surface = rectangle(draw, surface_a)
    wetting = magnus_wetting_c(air_c + rectangle(draw, air_a), rh_pct + rectangle(draw, rh_a))
    spread = surface - wetting
    u_k = margin_u_k(air_c, rh_pct, surface_a, air_a, rh_a)
    # First order leaves out the curve of the dew point, 1 % of u in dry air; the Magnus form's
    # slopes are 0.2 % off; 2e5 draws give a standard deviation to 0.2 %.
    assert u_k == pytest.approx(float(spread.std()), rel=0.02)
    # What the factors promise: margins short of the best estimate by more than the guard in 5 %
    # of cases, outside the band that is shown in 5 %. Sums of rectangles have shorter tails than
    # a normal, so fewer (never more than 5.6 %); not so few that the guard would be idle.
    margin = spread + magnus_wetting_c(air_c, rh_pct)
    short = float((margin < -GUARD_FACTOR * u_k).mean())
    outside = float((np.abs(margin) > SHOW_FACTOR * u_k).mean())
    assert 0.03 <= short <= 0.06
    assert 0.02 <= outside <= 0.056


@pytest.mark.parametrize("case", CASES)
def test_a_shared_element_follows_a_monte_carlo_with_correlated_errors(
    case: tuple[float, ...],
) -> None:
    air_c, rh_pct, surface_a, air_a, rh_a = case
    draw = np.random.default_rng(102)
    # Normal pairs with the stated correlation, JCGM 101:2008, 6.4.8; the humidity a rectangle.
    r = SHARED_ELEMENT_CORRELATION
    pair = draw.multivariate_normal([0.0, 0.0], [[1.0, r], [r, 1.0]], DRAWS).T / SQRT_3
    wetting = magnus_wetting_c(air_c + air_a * pair[1], rh_pct + rectangle(draw, rh_a))
    spread = surface_a * pair[0] - wetting
    u_k = margin_u_k(air_c, rh_pct, surface_a, air_a, rh_a, shared_element=True)
    assert u_k == pytest.approx(float(spread.std()), rel=0.02)
    assert u_k < margin_u_k(air_c, rh_pct, surface_a, air_a, rh_a)


@pytest.mark.parametrize("case", CASES)
def test_an_assumed_surface_follows_a_monte_carlo(case: tuple[float, ...]) -> None:
    air_c, rh_pct, _, air_a, rh_a = case
    draw = np.random.default_rng(103)
    air_error = rectangle(draw, air_a)
    wetting = magnus_wetting_c(air_c + air_error, rh_pct + rectangle(draw, rh_a))
    for offset_a in (1.0, 2.0):
        spread = air_error + rectangle(draw, offset_a) - wetting
        u_k = margin_u_assumed_k(air_c, rh_pct, air_a, rh_a, offset_a)
        assert u_k == pytest.approx(float(spread.std()), rel=0.02)


def test_the_air_temperature_s_error_nearly_cancels_over_an_assumed_surface() -> None:
    # By hand from the tabled slopes at 20 degC and 85 %: (1 - 0.9801) * 1 / sqrt(3) = 0.0115.
    assert margin_u_assumed_k(20.0, 85.0, 1.0, 0.0, 0.0) == pytest.approx(0.0115, abs=0.0001)


def test_margin_by_hand() -> None:
    # 0.3 K and 3 % and 0.5 K at 20 degC and 85 %: 0.9801 * 0.17321 = 0.16976;
    # 0.1861 * 1.73205 = 0.32233; 0.28868; root of the sum of squares 0.4648.
    assert margin_u_k(20.0, 85.0, 0.5, 0.3, 3.0) == pytest.approx(0.4648, abs=0.0002)
    # In one housing less 2 * 0.5 * 0.28868 * 0.16976 under the root: 0.4087.
    got = margin_u_k(20.0, 85.0, 0.5, 0.3, 3.0, shared_element=True)
    assert got == pytest.approx(0.4087, abs=0.0002)


def test_a_humidity_that_counts_as_100_pct_has_its_uncertainty() -> None:
    assert dew_point_u_k(20.0, 102.0, 0.3, 3.0) == dew_point_u_k(20.0, 100.0, 0.3, 3.0)
    assert wetting_point_c(20.0, 102.0) == wetting_point_c(20.0, 100.0)


@pytest.mark.parametrize("accuracy", [math.nan, math.inf, -0.1, 100.1])
def test_an_accuracy_that_cannot_be_is_refused(accuracy: float) -> None:
    with pytest.raises(ImplausibleReading, match=r"^accuracy .* is not between 0 and 100"):
        standard_uncertainty(accuracy)
    with pytest.raises(ImplausibleReading, match=r"^rh_accuracy_pct "):
        margin_u_k(20.0, 50.0, 0.5, 0.3, accuracy)
    with pytest.raises(ImplausibleReading, match=r"^offset_accuracy_k "):
        margin_u_assumed_k(20.0, 50.0, 0.3, 3.0, accuracy)


def test_the_refusal_of_an_accuracy_says_what_to_do() -> None:
    with pytest.raises(ImplausibleReading) as refusal:
        standard_uncertainty(-0.3, "surface_accuracy_k")
    assert str(refusal.value) == (
        "surface_accuracy_k -0.3 is not between 0 and 100; no guard can be worked out. "
        "Give the half-width that the sensor's sheet states, as 0.3 K or 3 %."
    )
