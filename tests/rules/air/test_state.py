"""The state point against handbook tables, published equations and two independent libraries."""

from __future__ import annotations

import math
from itertools import pairwise

import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from rules.air import state as psy
from rules.errors import ImplausibleReading
from tests.tables_reader import rows

ONE_ATMOSPHERE_PA = 101_325.0


def test_saturation_pressures_are_the_published_ones() -> None:
    over = {
        "water": psy.saturation_vapour_pressure_water_pa,
        "ice": psy.saturation_vapour_pressure_ice_pa,
    }
    for row in rows("saturation_pressure_pa"):
        got = over[row["phase"]](float(row["temp_c"]))
        assert got == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row


def test_pressure_at_altitude_is_the_standard_atmosphere() -> None:
    for row in rows("standard_pressure_pa"):
        got = psy.pressure_at_altitude_pa(float(row["altitude_m"]))
        assert got == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row


def test_state_points_are_the_published_ones() -> None:
    for row in rows("state_points"):
        air_c, rh_pct = float(row["air_temp_c"]), float(row["second"])
        if row["second_is"] == "wet_bulb_c":
            rh_pct = psy.rh_from_wet_bulb_pct(air_c, rh_pct)
        got = (
            rh_pct if row["quantity"] == "rh_pct" else getattr(psy, row["quantity"])(air_c, rh_pct)
        )
        assert got == pytest.approx(float(row["expected"]), abs=float(row["tolerance"])), row


# --------------------------------------------------------------------------- published equations


def magnus_water_pa(temp_c: float) -> float:
    """WMO-No. 8 (2018), vol. I, ch. 4, Annex 4.B, over water, -45 to 60 degC."""
    return 611.2 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def magnus_ice_pa(temp_c: float) -> float:
    """WMO-No. 8 (2018), vol. I, ch. 4, Annex 4.B, over ice, -65 to 0 degC."""
    return 611.2 * math.exp(22.46 * temp_c / (272.62 + temp_c))


def sonntag_water_pa(temp_c: float) -> float:
    """Sonntag, Z. Meteorol. 70(5), 1990, 340-344: over water, 173.15 to 373.15 K."""
    t = temp_c + 273.15
    return 100.0 * math.exp(
        -6096.9385 / t + 16.635794 - 2.711193e-2 * t + 1.673952e-5 * t * t + 2.433502 * math.log(t)
    )


def sonntag_ice_pa(temp_c: float) -> float:
    """Sonntag, Z. Meteorol. 70(5), 1990, 340-344: over ice."""
    t = temp_c + 273.15
    return 100.0 * math.exp(
        -6024.5282 / t
        + 24.7219
        + 1.0613868e-2 * t
        - 1.3198825e-5 * t * t
        - 0.49382577 * math.log(t)
    )


def test_saturation_over_water_follows_wmo_and_sonntag_down_to_supercooled() -> None:
    for tenth in range(-400, 601, 5):
        temp_c = tenth / 10
        got = psy.saturation_vapour_pressure_water_pa(temp_c)
        # The Magnus form is stated to 0.6 % (k = 2); it leaves 0.29 % near 28 degC.
        assert got == pytest.approx(magnus_water_pa(temp_c), rel=0.003)
        # Two formulations of one measured curve: 0.025 % above freezing; supercooled water is
        # extrapolated by both, and they part to 0.09 % (0.008 K) at -40 degC.
        assert got == pytest.approx(sonntag_water_pa(temp_c), rel=3e-4 if temp_c >= 0 else 1e-3)


def test_saturation_over_ice_follows_wmo_and_sonntag() -> None:
    for tenth in range(-400, 1, 5):
        temp_c = tenth / 10
        got = psy.saturation_vapour_pressure_ice_pa(temp_c)
        # 0.036 % and 0.064 % are the largest differences, both near -40 degC: 0.004, 0.006 K.
        assert got == pytest.approx(magnus_ice_pa(temp_c), rel=5e-4)
        assert got == pytest.approx(sonntag_ice_pa(temp_c), rel=8e-4)


@pytest.mark.parametrize("air_c", [-38.0, -25.0, -12.5, -5.0, -1.0, 0.0, 4.0, 12.0])
@pytest.mark.parametrize("rh_pct", [5.0, 20.0, 50.0, 80.0, 95.0, 100.0])
def test_below_freezing_dew_and_frost_point_are_apart_and_both_right(
    air_c: float, rh_pct: float
) -> None:
    dew_c, frost_c = psy.dew_and_frost_c(air_c, rh_pct)
    pv_pa = rh_pct / 100.0 * sonntag_water_pa(air_c)
    # Sonntag's curve inverted by a root finder. Both curves are extrapolated below -40 degC over
    # water, where they part to 0.6 % of pressure, 0.05 K.
    dew_should_c = brentq(lambda t: sonntag_water_pa(t) - pv_pa, -90.0, 60.0, xtol=1e-9)
    assert dew_c == pytest.approx(dew_should_c, abs=0.01 if dew_should_c > -40.0 else 0.06)
    if pv_pa < 611.6:
        assert frost_c is not None
        frost_should_c = brentq(lambda t: sonntag_ice_pa(t) - pv_pa, -90.0, 0.01, xtol=1e-9)
        # 0.1 % of pressure over water at the air's temperature plus 0.06 % over ice: 0.02 K.
        assert frost_c == pytest.approx(frost_should_c, abs=0.02)
        assert frost_c > dew_c
        assert psy.wetting_point_c(air_c, rh_pct) == frost_c
    else:
        assert frost_c is None
        assert psy.wetting_point_c(air_c, rh_pct) == dew_c


def test_frost_point_ends_at_the_triple_point() -> None:
    # IAPWS R6-95: 611.657 Pa at 0.01 degC. The humidity at 10 degC that has this vapour pressure:
    rh_pct = 100.0 * 611.657 / 1227.995  # eq. 6 at 10 degC, computed independently
    below = psy.frost_point_c(10.0, rh_pct - 0.01)
    assert below is not None
    assert below == pytest.approx(0.01, abs=0.005)  # 0.01 % of humidity is 0.0024 K
    assert psy.frost_point_c(10.0, rh_pct + 0.01) is None


# -------------------------------------------------------------------------- independent libraries


def test_dew_point_follows_coolprop() -> None:
    checked = 0
    for half in range(-10, 91, 2):
        air_c = half / 2
        for rh_pct in range(20, 99, 3):
            theirs_c = HAPropsSI(
                "D", "T", air_c + 273.15, "P", ONE_ATMOSPHERE_PA, "R", rh_pct / 100
            ) - (273.15)
            if air_c <= 0.01 or theirs_c < 0.0:
                continue  # CoolProp's humidity and dew point are over ice there
            # The project's bound; the largest difference found is 0.014 K, at 45 degC and 20 %.
            assert psy.dew_point_c(air_c, rh_pct) == pytest.approx(theirs_c, abs=0.05)
            checked += 1
    assert checked > 900


@pytest.mark.parametrize("air_c", [-20.0, -10.0, -5.0, 0.0, 5.0, 10.0])
@pytest.mark.parametrize("rh_pct", [20.0, 40.0, 60.0, 80.0])
def test_frost_point_follows_coolprop_from_the_vapour_content(air_c: float, rh_pct: float) -> None:
    frost_c = psy.frost_point_c(air_c, rh_pct)
    if frost_c is None:
        assert psy.vapour_pressure_pa(air_c, rh_pct) >= 611.65  # IAPWS R6-95: the triple point
        return
    # Given the humidity ratio, CoolProp needs no humidity convention, and answers over ice.
    pressure_pa = 60_000.0  # at lower pressure real gas and ideal gas part less
    ratio = psy.humidity_ratio_g_per_kg(air_c, rh_pct, pressure_pa) / 1000.0
    theirs_c = HAPropsSI("D", "T", air_c + 273.15, "P", pressure_pa, "W", ratio) - 273.15
    # Our ratio is of ideal gases. The enhancement factor, 1.003 to 1.004 at this pressure (WMO-No.
    # 8, Annex 4.B: 1.0024), moves the frost point by up to 0.04 K.
    assert frost_c == pytest.approx(theirs_c, abs=0.045)


@pytest.mark.parametrize("air_c", [2.0, 10.0, 20.0, 30.0, 45.0])
@pytest.mark.parametrize("rh_pct", [20.0, 50.0, 85.0, 98.0])
def test_water_content_follows_coolprop(air_c: float, rh_pct: float) -> None:
    state = ("T", air_c + 273.15, "P", ONE_ATMOSPHERE_PA, "R", rh_pct / 100)
    ratio = HAPropsSI("W", *state)
    per_m3 = ratio / HAPropsSI("Vda", *state)
    # Ideal gas leaves out the enhancement factor: 0.57 % at most over this grid.
    assert psy.humidity_ratio_g_per_kg(air_c, rh_pct) == pytest.approx(1000 * ratio, rel=0.006)
    assert psy.absolute_humidity_g_per_m3(air_c, rh_pct) == pytest.approx(1000 * per_m3, rel=0.006)


@pytest.mark.parametrize("air_c", [15.0, 25.0, 40.0])
@pytest.mark.parametrize("rh_pct", [40.0, 60.0, 85.0, 98.0])
def test_liquid_wet_bulb_follows_coolprop(air_c: float, rh_pct: float) -> None:
    state = ("T", air_c + 273.15, "P", ONE_ATMOSPHERE_PA, "R", rh_pct / 100)
    # Ideal against real gas at one humidity; the largest difference found is 0.016 K.
    assert psy.wet_bulb_c(air_c, rh_pct) == pytest.approx(HAPropsSI("B", *state) - 273.15, abs=0.02)


@pytest.mark.parametrize(
    ("air_c", "rh_pct"),
    # At -5 degC and 99 % the air is over saturated for ice: the bulb stands above the air.
    [(5, 20), (5, 50), (2, 40), (-5, 60), (-10, 80), (20, 10), (10, 15), (-5, 99)],
)
def test_wet_bulb_of_cold_or_dry_air_follows_coolprop(air_c: float, rh_pct: float) -> None:
    ratio = psy.humidity_ratio_g_per_kg(air_c, rh_pct) / 1000.0  # needs no humidity convention
    state = ("T", air_c + 273.15, "P", ONE_ATMOSPHERE_PA, "W", ratio)
    # Ideal against real gas at one water content: the enhancement factor, 0.4 %, is 0.03 K.
    assert psy.wet_bulb_c(air_c, rh_pct) == pytest.approx(HAPropsSI("B", *state) - 273.15, abs=0.04)


@pytest.mark.parametrize("altitude_m", [0.0, 1500.0])
@pytest.mark.parametrize("air_c", [1.0, 8.0, 21.0, 35.0, 60.0])
@pytest.mark.parametrize("rh_pct", [35.0, 60.0, 90.0, 100.0])
def test_above_freezing_everything_is_psychrolib_s(
    air_c: float, rh_pct: float, altitude_m: float
) -> None:
    pressure_pa = psy.pressure_at_altitude_pa(altitude_m)
    theirs_dew_c = float(psychrolib.GetTDewPointFromRelHum(air_c, rh_pct / 100))
    ratio = float(psychrolib.GetHumRatioFromRelHum(air_c, rh_pct / 100, pressure_pa))
    assert psy.humidity_ratio_g_per_kg(air_c, rh_pct, pressure_pa) == pytest.approx(1000 * ratio)
    if theirs_dew_c > 0.01:
        # The same equation; PsychroLib stops within 0.001 K, in truth within 1e-6 K.
        assert psy.dew_point_c(air_c, rh_pct) == pytest.approx(theirs_dew_c, abs=2e-5)
        theirs_bulb_c = float(psychrolib.GetTWetBulbFromRelHum(air_c, rh_pct / 100, pressure_pa))
        bulb_c = psy.wet_bulb_c(air_c, rh_pct, pressure_pa)
        assert bulb_c == pytest.approx(theirs_bulb_c, abs=0.0011)  # two bisections to 0.001 K
        theirs_rh = float(psychrolib.GetRelHumFromTWetBulb(air_c, bulb_c, pressure_pa))
        rh_back_pct = psy.rh_from_wet_bulb_pct(air_c, bulb_c, pressure_pa)
        assert rh_back_pct == pytest.approx(min(100.0, 100 * theirs_rh), abs=1e-6)
    elif theirs_dew_c < 0.0:
        frost_c = psy.frost_point_c(air_c, rh_pct)
        assert frost_c == pytest.approx(theirs_dew_c, abs=2e-5)  # its dew point is over ice there


@pytest.mark.parametrize(("air_c", "rh_pct"), [(-10.0, 70.0), (-3.0, 60.0), (5.0, 20.0)])
def test_ice_bulb_is_psychrolib_s_from_the_vapour_content(air_c: float, rh_pct: float) -> None:
    ratio = psy.humidity_ratio_g_per_kg(air_c, rh_pct) / 1000.0
    theirs_c = float(psychrolib.GetTWetBulbFromHumRatio(air_c, ratio, ONE_ATMOSPHERE_PA))
    # PsychroLib halves its bracket down to 0.001 K.
    assert psy.wet_bulb_c(air_c, rh_pct) == pytest.approx(theirs_c, abs=0.0011)


def test_where_liquid_and_ice_bulb_both_balance_the_liquid_one_is_given() -> None:
    # At 5 degC and 39 to 43 % both exist; the step down to ice comes once liquid would pass 0 degC.
    bulbs = [psy.wet_bulb_c(5.0, 30.0 + tenth / 10) for tenth in range(200)]
    assert bulbs == sorted(bulbs)
    steps = [(low, high) for low, high in pairwise(bulbs) if high - low > 0.1]
    assert len(steps) == 1
    low, high = steps[0]
    assert low < -0.2
    assert 0.0 <= high < 0.05


def test_humidity_at_the_surface_is_the_ratio_of_pressures() -> None:
    # WMO-No. 8 Magnus form, by hand: 60 % at 20 degC on a surface of 15 degC; the form is within
    # 0.3 % of eq. 6 at each temperature, in the same direction.
    should_pct = 60.0 * magnus_water_pa(20.0) / magnus_water_pa(15.0)
    assert psy.rh_at_surface_pct(20.0, 60.0, 15.0) == pytest.approx(should_pct, rel=0.001)
    assert psy.rh_at_surface_pct(20.0, 60.0, psy.dew_point_c(20.0, 60.0)) == pytest.approx(100.0)
    assert psy.rh_at_surface_pct(20.0, 60.0, 5.0) > 100.0


# ------------------------------------------------------------------------------------- properties

airs = st.floats(-40.0, 60.0)
humidities = st.floats(1.01, 100.0)
quick = settings(deadline=None, max_examples=150)


@quick
@given(airs, humidities)
def test_dew_point_is_never_above_the_air_and_gives_its_vapour_back(
    air_c: float, rh: float
) -> None:
    dew_c, frost_c = psy.dew_and_frost_c(air_c, rh)
    assert dew_c <= air_c
    pv_pa = psy.vapour_pressure_pa(air_c, rh)
    if dew_c >= -40.0:  # a round trip, as an extra
        assert psy.saturation_vapour_pressure_water_pa(dew_c) == pytest.approx(pv_pa, rel=2e-6)
    if frost_c is not None and frost_c >= -40.0:
        assert psy.saturation_vapour_pressure_ice_pa(frost_c) == pytest.approx(pv_pa, rel=2e-6)


@quick
@given(airs, humidities, st.floats(0.01, 20.0))
def test_more_humidity_raises_every_point(air_c: float, rh: float, more: float) -> None:
    wetter = min(100.0, rh + more)
    if wetter - rh < 0.01:
        return
    assert psy.dew_point_c(air_c, rh) < psy.dew_point_c(air_c, wetter)
    assert psy.wetting_point_c(air_c, rh) < psy.wetting_point_c(air_c, wetter)
    # The bulb is known to 0.001 K, and 0.01 % moves it by less in dry cold air.
    assert psy.wet_bulb_c(air_c, rh) <= psy.wet_bulb_c(air_c, wetter) + 0.001


@pytest.mark.parametrize(("air_c", "rh_pct"), [(5.0, 32.71), (8.0, 8.39)])
def test_a_wet_bulb_at_the_ice_point_is_read_in_dry_air_too(air_c: float, rh_pct: float) -> None:
    # By hand, ASHRAE Handbook Fundamentals 2017 ch. 1 eq. 33: 611.2 Pa over water at 0 degC is
    # 3.7745 g/kg saturated at 101325 Pa; at 8 degC (2501 x 3.7745 - 1.006 x 8000) / 2515.9 is
    # 0.5533 g/kg, 90.1 Pa of the 1073 Pa over water there; at 5 degC 1.7568 g/kg, 285.4 Pa of
    # 872.6 Pa.
    assert psy.rh_from_wet_bulb_pct(air_c, 0.0) == pytest.approx(rh_pct, abs=0.05)


@quick
@given(st.floats(0.5, 60.0), st.floats(8.0, 100.0), st.floats(60_000.0, 108_000.0))
def test_wet_bulb_and_back(air_c: float, rh: float, pressure_pa: float) -> None:
    bulb_c = psy.wet_bulb_c(air_c, rh, pressure_pa)
    # A round trip, as an extra: 0.0005 K of bulb is 0.012 % of humidity at 0.5 degC.
    assert psy.rh_from_wet_bulb_pct(air_c, bulb_c, pressure_pa) == pytest.approx(rh, abs=0.02)


@quick
@given(st.floats(-39.0, 59.0), st.floats(2.0, 99.0))
def test_slopes_are_those_of_the_wetting_point(air_c: float, rh: float) -> None:
    frost = [
        psy.frost_point_c(air_c + dt, rh + dh) is None
        for dt in (-1e-3, 1e-3)
        for dh in (-1e-3, 1e-3)
    ]
    if len(set(frost)) > 1:
        return  # at the triple point the slope has a step
    by_air, by_rh = psy.dew_point_slopes(air_c, rh)
    d = 1e-3
    rise_air = psy.wetting_point_c(air_c + d, rh) - psy.wetting_point_c(air_c - d, rh)
    rise_rh = psy.wetting_point_c(air_c, rh + d) - psy.wetting_point_c(air_c, rh - d)
    # Central differences of an answer that is good to about 1e-8 K.
    assert by_air == pytest.approx(rise_air / (2 * d), abs=1e-4)
    assert by_rh == pytest.approx(rise_rh / (2 * d), abs=1e-4, rel=1e-4)


@pytest.mark.parametrize("air_c", [-5.0, 3.0, 12.0, 20.0, 30.0])
@pytest.mark.parametrize("below_k", [0.0, 0.5, 2.6, 6.0, 12.0, 20.0])
def test_humidity_from_a_dew_point_is_that_of_published_equations(
    air_c: float, below_k: float
) -> None:
    dew_c = air_c - below_k
    got = psy.rh_from_dew_point_pct(air_c, dew_c)
    # The Magnus form is within 0.3 % of eq. 6 at both ends of its range.
    assert got == pytest.approx(100.0 * magnus_water_pa(dew_c) / magnus_water_pa(air_c), rel=4e-3)
    assert psy.dew_point_c(air_c, got) == pytest.approx(dew_c, abs=1e-5)
    if dew_c > 0.5:
        oracle = HAPropsSI("R", "T", air_c + 273.15, "D", dew_c + 273.15, "P", ONE_ATMOSPHERE_PA)
        assert got == pytest.approx(100.0 * oracle, abs=0.1)  # real gas against ideal gas


def test_a_dew_point_over_the_air_is_over_100_and_one_that_cannot_be_is_refused() -> None:
    assert 102.0 < psy.rh_from_dew_point_pct(15.0, 15.4) < 103.0
    with pytest.raises(ImplausibleReading, match="dew_point_c 61 is above 60"):
        psy.rh_from_dew_point_pct(20.0, 61.0)
