"""How sure `filmcall check --wet-bulb` is: two thermometers, whose errors are independent."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from command import filmcall
from CoolProp.HumidAirProp import HAPropsSI
from numpy.typing import NDArray

SURFACE_K, BULB_K = 0.5, 0.3  # half-widths: a surface's and an air temperature's default
PRESSURE_PA = 101_325.0
DRAWS = 500_000

# Air, wet bulb, surface: mild, dry, near saturation, hot, and so cold that the frost point counts.
CASES = [
    (21.1111, 16.6667, 20.0),
    (25.0, 13.0, 20.0),
    (15.0, 14.5, 19.0),
    (33.0, 24.0, 30.0),
    (8.0, 4.0, 8.0),
]

Column = NDArray[np.float64]


def check(air_c: float, bulb_c: float, surface_c: float, *more: str) -> dict[str, Any]:
    words = ("--air", f"{air_c}", "--wet-bulb", f"{bulb_c}", "--surface", f"{surface_c}")
    ran = filmcall("check", *words, *more, "--json")
    assert ran.err == ""
    return json.loads(ran.out)  # type: ignore[no-any-return]


def by_differences(air_c: float, bulb_c: float) -> float:
    """JCGM 100:2008, 5.1.2, with the slopes of CoolProp's dew point between differences.

    What pressure and coefficient do, a tenth and 25 hPa (common practice, no source), comes by the
    psychrometer formula of WMO-No. 8, from memory: CoolProp has no coefficient.
    """

    def dew_c(air_c: float, bulb_c: float) -> float:
        state = ("T", air_c + 273.15, "B", bulb_c + 273.15, "P", PRESSURE_PA)
        return float(HAPropsSI("D", *state))

    by_air = (dew_c(air_c + 0.05, bulb_c) - dew_c(air_c - 0.05, bulb_c)) / 0.1
    by_bulb = (dew_c(air_c, bulb_c + 0.05) - dew_c(air_c, bulb_c - 0.05)) / 0.1
    ap = 1.0 + np.array([-0.005, 0.005])
    low_c, high_c = wetting_points_c(np.full(2, air_c), np.full(2, bulb_c), ap)
    by_product = float(high_c - low_c) / 0.01 * math.hypot(0.1, 2500.0 / PRESSURE_PA)
    parts = (SURFACE_K, by_air * BULB_K, by_bulb * BULB_K, by_product)
    return math.hypot(*parts) / math.sqrt(3.0)


def wetting_points_c(air: Column, bulb: Column, product: Column) -> Column:
    """By the psychrometer formula and the inverse of WMO-No. 8 (2018), 4.B and 4.A, from memory.

    For an aspirated psychrometer; another equation than the project's. `product` scales A p.
    """
    saturated_hpa = 6.112 * np.exp(17.62 * bulb / (243.12 + bulb))
    a_p = 6.53e-4 * (1.0 + 9.44e-4 * bulb) * PRESSURE_PA / 100.0 * product
    ln = np.log((saturated_hpa - a_p * (air - bulb)) / 6.112)
    dew, frost = 243.12 * ln / (17.62 - ln), 272.62 * ln / (22.46 - ln)
    return np.asarray(np.where(ln < 0.0, frost, dew))


def by_draws(air_c: float, bulb_c: float, surface_c: float) -> float:
    """JCGM 101:2008, with the formula of `wetting_points_c`."""
    draw = np.random.default_rng(7)
    air, bulb = (c + draw.uniform(-BULB_K, BULB_K, DRAWS) for c in (air_c, bulb_c))
    surface = surface_c + draw.uniform(-SURFACE_K, SURFACE_K, DRAWS)
    weather = 1.0 + draw.uniform(-2500.0, 2500.0, DRAWS) / PRESSURE_PA
    product = weather * (1.0 + draw.uniform(-0.1, 0.1, DRAWS))
    return float(np.std(surface - wetting_points_c(air, bulb, product)))


@pytest.mark.parametrize(("air_c", "bulb_c", "surface_c"), CASES)
def test_the_margins_uncertainty_is_that_of_the_two_thermometers(
    air_c: float, bulb_c: float, surface_c: float
) -> None:
    found = check(air_c, bulb_c, surface_c)
    u95_k = found["dew_margin_u95_k"]
    # 3 %: the engines differ by less than 1 in their slopes by temperature, but by more in that by
    # pressure; 4 %: the WMO's constant is a fit for one instrument, and a first-order sum leaves
    # the bend of the curve out.
    assert u95_k == pytest.approx(1.96 * by_differences(air_c, bulb_c), rel=0.03)
    assert u95_k == pytest.approx(1.96 * by_draws(air_c, bulb_c, surface_c), rel=0.04)
    (reason,) = [each for each in found["reasons"] if each["limit"] == "dew_margin_min"]
    assert reason["guard"] == pytest.approx(u95_k * 1.645 / 1.96, abs=2e-4)


def test_the_guard_of_the_call_goes_by_it() -> None:
    # The dew point is 14.07 degC, so the margin 4.10 K. GO needs 3 K, the guard and 0.3 K: with
    # 1.645 * 0.468 = 0.77 K it has them, with 0.92 K (errors taken for independent) it had not.
    found = check(21.1111, 16.6667, 18.17)
    assert found["call"] == "GO"
    assert found["dew_margin_u95_k"] == pytest.approx(0.918, abs=0.002)


def test_the_humiditys_own_guard_is_that_of_thermometers_pressure_and_coefficient() -> None:
    def rh_pct(air_c: float, bulb_c: float) -> float:
        state = ("T", air_c + 273.15, "B", bulb_c + 273.15, "P", PRESSURE_PA)
        return 100.0 * float(HAPropsSI("R", *state))

    by_air = (rh_pct(21.15, 16.6) - rh_pct(21.05, 16.6)) / 0.1
    by_bulb = (rh_pct(21.1, 16.65) - rh_pct(21.1, 16.55)) / 0.1
    # WMO-No. 8, 4.B, from memory: e = e_w - A p (t - t_w), so that a share of A p is that of the
    # depression's part, over the saturation pressure at 21.1 degC (2,504 Pa, WMO's own formula).
    part_pct = 100.0 * 6.53e-4 * 1.0157 * PRESSURE_PA * 4.5 / 2504.0
    by_product = part_pct * math.hypot(0.1, 2500.0 / PRESSURE_PA)
    u_pct = math.hypot(BULB_K * by_air, BULB_K * by_bulb, by_product) / math.sqrt(3.0)
    found = check(21.1, 16.6, 20.0)
    (reason,) = [each for each in found["reasons"] if each["limit"] == "humidity_max"]
    assert reason["guard"] == pytest.approx(1.645 * u_pct, rel=0.03)


@pytest.mark.parametrize(
    ("air_c", "bulb_c"),
    [(20.0, 20.0), (60.0, 40.0), (60.0, 60.0), (0.0, 0.0), (3.0, 0.0), (3.0, -0.001), (-5.0, -5.0)],
)
def test_no_slope_is_taken_across_saturation_freezing_or_the_range(
    air_c: float, bulb_c: float
) -> None:
    u95_k = check(air_c, bulb_c, 20.0)["dew_margin_u95_k"]
    # From 0.5 K at the surface alone up to three times what 0.3 K at the bulb gives there.
    assert 1.96 * 0.288 < u95_k < 2.0
