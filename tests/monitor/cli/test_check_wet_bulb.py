"""How sure `filmcall check --wet-bulb` is: two thermometers, whose errors are independent."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from command import filmcall
from CoolProp.HumidAirProp import HAPropsSI

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


def check(air_c: float, bulb_c: float, surface_c: float, *more: str) -> dict[str, Any]:
    words = ("--air", f"{air_c}", "--wet-bulb", f"{bulb_c}", "--surface", f"{surface_c}")
    ran = filmcall("check", *words, *more, "--json")
    assert ran.err == ""
    return json.loads(ran.out)  # type: ignore[no-any-return]


def by_differences(air_c: float, bulb_c: float) -> float:
    """JCGM 100:2008, 5.1.2, with the slopes of CoolProp's dew point between differences."""

    def dew_c(air_c: float, bulb_c: float) -> float:
        state = ("T", air_c + 273.15, "B", bulb_c + 273.15, "P", PRESSURE_PA)
        return float(HAPropsSI("D", *state))

    by_air = (dew_c(air_c + 0.05, bulb_c) - dew_c(air_c - 0.05, bulb_c)) / 0.1
    by_bulb = (dew_c(air_c, bulb_c + 0.05) - dew_c(air_c, bulb_c - 0.05)) / 0.1
    return math.sqrt((SURFACE_K**2 + (by_air * BULB_K) ** 2 + (by_bulb * BULB_K) ** 2) / 3.0)


def by_draws(air_c: float, bulb_c: float, surface_c: float) -> float:
    """JCGM 101:2008, by the psychrometer formula and the inverse of WMO-No. 8 (2018), 4.B and 4.A.

    For an aspirated psychrometer, from memory; another equation than the project's.
    """
    draw = np.random.default_rng(7)
    air, bulb = (c + draw.uniform(-BULB_K, BULB_K, DRAWS) for c in (air_c, bulb_c))
    surface = surface_c + draw.uniform(-SURFACE_K, SURFACE_K, DRAWS)
    saturated_hpa = 6.112 * np.exp(17.62 * bulb / (243.12 + bulb))
    pressure_hpa = PRESSURE_PA / 100.0
    vapour_hpa = saturated_hpa - 6.53e-4 * (1.0 + 9.44e-4 * bulb) * pressure_hpa * (air - bulb)
    ln = np.log(vapour_hpa / 6.112)
    dew, frost = 243.12 * ln / (17.62 - ln), 272.62 * ln / (22.46 - ln)
    return float(np.std(surface - np.where(ln < 0.0, frost, dew)))


@pytest.mark.parametrize(("air_c", "bulb_c", "surface_c"), CASES)
def test_the_margins_uncertainty_is_that_of_the_two_thermometers(
    air_c: float, bulb_c: float, surface_c: float
) -> None:
    found = check(air_c, bulb_c, surface_c)
    u95_k = found["dew_margin_u95_k"]
    # 1 %: the engines differ by less in their slopes; 3 %: the WMO's constant is a fit for one
    # instrument, and a first-order sum leaves the bend of the curve out.
    assert u95_k == pytest.approx(1.96 * by_differences(air_c, bulb_c), rel=0.01)
    assert u95_k == pytest.approx(1.96 * by_draws(air_c, bulb_c, surface_c), rel=0.03)
    (reason,) = [each for each in found["reasons"] if each["limit"] == "dew_margin_min"]
    assert reason["guard"] == pytest.approx(u95_k * 1.645 / 1.96, abs=2e-4)


def test_the_guard_of_the_call_goes_by_it() -> None:
    # The dew point is 14.07 degC, so the margin 4.10 K. GO needs 3 K, the guard and 0.3 K: with
    # 1.645 * 0.437 = 0.72 K it has them, with 0.87 K (errors taken for independent) it had not.
    found = check(21.1111, 16.6667, 18.17)
    assert found["call"] == "GO"
    assert found["dew_margin_u95_k"] == pytest.approx(0.856, abs=0.002)


def test_the_humiditys_own_guard_is_that_of_the_two_thermometers() -> None:
    def rh_pct(air_c: float, bulb_c: float) -> float:
        state = ("T", air_c + 273.15, "B", bulb_c + 273.15, "P", PRESSURE_PA)
        return 100.0 * float(HAPropsSI("R", *state))

    by_air = (rh_pct(21.15, 16.6) - rh_pct(21.05, 16.6)) / 0.1
    by_bulb = (rh_pct(21.1, 16.65) - rh_pct(21.1, 16.55)) / 0.1
    u_pct = BULB_K * math.hypot(by_air, by_bulb) / math.sqrt(3.0)
    found = check(21.1, 16.6, 20.0)
    (reason,) = [each for each in found["reasons"] if each["limit"] == "humidity_max"]
    assert reason["guard"] == pytest.approx(1.645 * u_pct, rel=0.01)


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
