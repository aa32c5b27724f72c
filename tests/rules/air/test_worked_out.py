"""How well a humidity is known that a dew point or a wet bulb stands in for."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rules.air.state import rh_from_dew_point_pct, rh_from_wet_bulb_pct
from rules.air.uncertainty import margin_u_assumed_k, margin_u_k, wet_bulb_accuracy
from rules.air.worked_out import usual_accuracy_pct, worked_out_accuracy, worked_out_pct
from rules.errors import ImplausibleReading
from rules.vocabulary import WorkedOutFrom

DEW, WET = WorkedOutFrom.DEW_POINT, WorkedOutFrom.WET_BULB
SEA_PA = 101_325.0


@pytest.mark.parametrize("dew_c", [17.4, 12.0, 5.0])
def test_a_margin_over_a_dew_point_is_as_sure_as_surface_and_dew_point_are(dew_c: float) -> None:
    """JCGM 100, 5.1.2, by hand: margin = Ts - Td, so the air temperature's error is no part of it.

    Where the surface is the air less an offset, that air's error stands in it once.
    """
    air_c, air_k, dew_k, surface_k = 20.0, 0.3, 0.5, 0.4
    rh_pct = rh_from_dew_point_pct(air_c, dew_c)
    accuracy, by_air = worked_out_accuracy(DEW, air_c, rh_pct, air_k, dew_k, SEA_PA)
    got = margin_u_k(air_c, rh_pct, surface_k, air_k, accuracy, rh_by_air=by_air)
    assert got == pytest.approx(math.hypot(surface_k, dew_k) / math.sqrt(3.0), rel=1e-3)
    assumed = margin_u_assumed_k(air_c, rh_pct, air_k, accuracy, 2.0)
    # 1 %: the slopes of dew point and air temperature are nearly one.
    assert assumed == pytest.approx(math.hypot(2.0, dew_k, air_k) / math.sqrt(3.0), rel=0.01)


@pytest.mark.parametrize(("air_c", "dew_c"), [(20.0, 17.4), (10.0, 7.5), (25.0, 8.0)])
def test_the_humiditys_own_error_follows_a_monte_carlo(air_c: float, dew_c: float) -> None:
    """JCGM 101, with the Magnus form of WMO-No. 8, Annex 4.B, which is not the project's own."""
    draw = np.random.default_rng(101)
    air, dew = (at + draw.uniform(-k, k, 200_000) for at, k in ((air_c, 0.3), (dew_c, 0.5)))
    rh = 100.0 * np.exp(17.62 * dew / (243.12 + dew) - 17.62 * air / (243.12 + air))
    rh_pct = rh_from_dew_point_pct(air_c, dew_c)
    accuracy, _ = worked_out_accuracy(DEW, air_c, rh_pct, 0.3, 0.5, SEA_PA)
    assert accuracy / math.sqrt(3.0) == pytest.approx(float(rh.std()), rel=0.02)


def test_a_wet_bulb_is_reckoned_as_a_hand_reading_is() -> None:
    for air_c, bulb_c in ((20.0, 15.0), (8.0, 6.0)):
        rh_pct = worked_out_pct(WET, air_c, bulb_c, 95_000.0)
        assert rh_pct == rh_from_wet_bulb_pct(air_c, bulb_c, 95_000.0)
        got = worked_out_accuracy(WET, air_c, rh_pct, 0.3, 0.3, 95_000.0)
        # The bulb is found again to 0.001 K.
        assert got == pytest.approx(wet_bulb_accuracy(air_c, bulb_c, 95_000.0, 0.3), rel=1e-2)


def test_a_bulb_a_last_digit_over_the_air_is_saturated_and_one_far_over_is_refused() -> None:
    """As 100 to 103 % of a humidity probe; how far is judgement, no source."""
    assert worked_out_pct(WET, 12.0, 12.4, SEA_PA) == pytest.approx(100.0, abs=0.01)
    with pytest.raises(ImplausibleReading, match="is above air_temp_c"):
        worked_out_pct(WET, 12.0, 12.6, SEA_PA)


def test_one_figure_for_all_air_is_no_smaller_than_near_the_limit_in_a_mild_tent() -> None:
    for source in WorkedOutFrom:
        usual = usual_accuracy_pct(source, 0.3, 0.5, SEA_PA)
        assert usual >= worked_out_accuracy(source, 18.0, 80.0, 0.3, 0.5, SEA_PA)[0]
