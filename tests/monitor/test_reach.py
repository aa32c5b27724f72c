"""GO can be reached: the highest humidity that gives it, by temperature and coldness of the hull.

Independent of the program: dew points from CoolProp (HAPropsSI 'D'), guards by JCGM 100:2008
with derivatives taken numerically from CoolProp, bands the spec's defaults. One row is
worked by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from monitor.cli.check import check
from rules.call import Call
from rules.spec.model import GENERAL_GUIDANCE, Limit
from rules.vocabulary import LimitName, Stage, Step

COLD_SPEC = replace(
    GENERAL_GUIDANCE,
    limits={
        Stage.APPLY: {
            **GENERAL_GUIDANCE.limits[Stage.APPLY],
            LimitName.AIR_TEMP_MIN: Limit(LimitName.AIR_TEMP_MIN, 0.0, Step.CURED),
            LimitName.SURFACE_TEMP_MIN: Limit(LimitName.SURFACE_TEMP_MIN, 0.0, Step.CURED),
        }
    },
)
DEFAULT = (0.3, 3.0, 0.5)
GOOD = (0.2, 1.5, 0.2)
BAND_K, BAND_PCT = 0.3, 1.0


def dew_c(air_c: float, rh_pct: float) -> float:
    found = HAPropsSI("D", "T", air_c + 273.15, "P", 101_325, "R", rh_pct / 100)
    return float(found) - 273.15


def gives_go(air_c: float, under_k: float, rh_pct: float, accuracy: tuple[float, ...]) -> bool:
    air_k, humidity_pct, surface_k = accuracy
    per_k = (dew_c(air_c + 0.05, rh_pct) - dew_c(air_c - 0.05, rh_pct)) / 0.1
    per_pct = (dew_c(air_c, rh_pct + 0.05) - dew_c(air_c, rh_pct - 0.05)) / 0.1
    u_k = math.sqrt((surface_k**2 + (per_k * air_k) ** 2 + (per_pct * humidity_pct) ** 2) / 3)
    margin_k = air_c - under_k - dew_c(air_c, rh_pct)
    humidity_guard = 1.645 * humidity_pct / math.sqrt(3)
    return margin_k >= 3.0 + 1.645 * u_k + BAND_K and rh_pct <= 85.0 - humidity_guard - BAND_PCT


def highest(air_c: float, under_k: float, accuracy: tuple[float, ...]) -> float:
    falling = (rh / 10 for rh in range(989, 199, -1))
    return next(rh_pct for rh_pct in falling if gives_go(air_c, under_k, rh_pct, accuracy))


# Printed in DEVELOPERS.md too. Its row for 20 degC and a surface as warm as the air, by hand: at
# 77.2 % the vapour pressure is 0.772 x 2338.8 = 1805.6 Pa (ASHRAE eq. 6), dew point 15.9 degC,
# margin 4.1 K; contributions 0.97 x 0.3, 0.203 x 3 and 0.5 over sqrt 3 make u = 0.485 K, guard
# 0.80 K, so that 3 + 0.80 + 0.3 = 4.1 K are needed; 85 - 2.85 - 1 = 81.15 % would allow more.
@pytest.mark.parametrize("accuracy", [DEFAULT, GOOD], ids=["default", "good"])
@pytest.mark.parametrize("under_k", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("air_c", [5.0, 12.0, 20.0])
def test_highest_humidity_that_gives_go(
    air_c: float, under_k: float, accuracy: tuple[float, float, float]
) -> None:
    top = highest(air_c, under_k, accuracy)

    def call(rh_pct: float) -> Call:
        found = check(
            air_c,
            rh_pct,
            air_c - under_k,
            COLD_SPEC,
            time_s=0.0,
            guidance=False,
            accuracies=accuracy,
        )
        return found.call

    # 0.15 %: one step of the search, and CoolProp's own distance of 0.014 K from eq. 6
    assert call(top - 0.15) is Call.GO
    assert call(top + 0.25) is Call.HOLD
    assert top > 55.0
