"""Moist air for one state point at a time; `arrays` has dew points for long columns.

Humidity is relative to saturation over liquid water at every temperature. The equations
and the checks of readings are in `saturation`, and are handed on here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import exp, log

import psychrolib

from rules.air.saturation import (
    AIR_MAX_C,
    ALTITUDE_MAX_M,
    ALTITUDE_MIN_M,
    LN_TRIPLE,
    PRESSURE_MAX_PA,
    PRESSURE_MIN_PA,
    RH_FRACTION_PCT,
    TRIPLE_POINT_C,
    checked_air_c,
    checked_pressure_pa,
    checked_rh_pct,
    ln_saturation_ice,
    ln_saturation_water,
    refused,
    saturation_vapour_pressure_ice_pa,
    saturation_vapour_pressure_water_pa,
    slope_ice,
    slope_water,
)
from rules.errors import FilmcallError, ImplausibleReading
from rules.units import ZERO_C_IN_K, tenths

# Once, since with numba each change of unit compiles anew (about 1 s). PsychroLib is not asked for
# its unit first: with numba 0.68 beside PsychroLib 2.5 GetUnitSystem ends the interpreter.
psychrolib.SetUnitSystem(psychrolib.SI)


class EngineFault(FilmcallError, ArithmeticError):
    """The library that solves for a state point gave an answer that its own equation denies."""


def engine_fault(what: str, answer: float) -> EngineFault:
    return EngineFault(
        f"{what} {answer:g} from the psychrometric library does not satisfy its own equation; it "
        "is not used. Check that nothing else in this program changes PsychroLib's units, and "
        "which version of it is installed."
    )


def vapour_pressure_pa(air_temp_c: float, rh_pct: float) -> float:
    """Return the partial pressure of water vapour in the air,

        p_w = (RH / 100) p_ws(T)

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.

    Returns:
        Vapour pressure [Pa].

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 12 and 22, with eq. 6.

    >>> round(vapour_pressure_pa(20.0, 50.0), 1)
    1169.4
    """
    rh_pct = checked_rh_pct(rh_pct)
    return exp(ln_saturation_water(checked_air_c(air_temp_c) + ZERO_C_IN_K)) * (rh_pct / 100.0)


# PsychroLib starts at, and never answers above, the temperature that it is given. A start this far
# above an estimate by the Magnus form (WMO-No. 8, Annex 4.B) is above every answer, so that the
# cap cannot act, and near enough for two steps. The form is within 0.07 K over both ranges.
_HEAD_START_K = 0.1
_LN_MAGNUS = log(611.2)
# The equation at the answer must give the vapour pressure back: 1e-6 of it is 2e-5 K at most.
_LN_TOLERANCE = 1e-6


def _solved_by_library(start_c: float, ln_pv: float, ln_of: Callable[[float], float]) -> float:
    """Invert eq. 5 or 6 by PsychroLib and prove the answer, so that no silent 0.0 comes through."""
    try:
        answer_c = float(psychrolib.GetTDewPointFromVapPres(start_c, exp(ln_pv)))
    except ValueError as error:
        raise engine_fault("dew point", float("nan")) from error
    if not abs(ln_of(answer_c + ZERO_C_IN_K) - ln_pv) <= _LN_TOLERANCE:
        raise engine_fault("dew point", answer_c)
    return answer_c


@lru_cache(maxsize=4096)  # a climate asks for the same pair several times: margin, slopes, screen
def _dew_and_frost(air_temp_c: float, rh_pct: float) -> tuple[float, float | None]:
    ln_pv = ln_saturation_water(air_temp_c + ZERO_C_IN_K) + log(rh_pct / 100.0)
    m = ln_pv - _LN_MAGNUS
    dew_c = 243.12 * m / (17.62 - m)
    if ln_pv >= LN_TRIPLE:
        dew_c = _solved_by_library(dew_c + _HEAD_START_K, ln_pv, ln_saturation_water)
        return min(dew_c, air_temp_c), None  # at 100 % the last digit may stand over the air's
    # Below the triple point PsychroLib inverts the equation for ice; over supercooled water two
    # Newton steps from the Magnus form reach 1e-7 K.
    dew_k = dew_c + ZERO_C_IN_K
    dew_k -= (ln_saturation_water(dew_k) - ln_pv) / slope_water(dew_k)
    dew_k -= (ln_saturation_water(dew_k) - ln_pv) / slope_water(dew_k)
    start_c = min(272.62 * m / (22.46 - m) + _HEAD_START_K, TRIPLE_POINT_C)
    frost_c = _solved_by_library(start_c, ln_pv, ln_saturation_ice)
    return min(dew_k - ZERO_C_IN_K, air_temp_c), frost_c


def dew_and_frost_c(air_temp_c: float, rh_pct: float) -> tuple[float, float | None]:
    """Return the dew point and, where frost can form, the frost point: the T_d that solve

        p_ws(T_d) = p_w

    with p_ws over water (eq. 6) for the dew point and over ice (eq. 5) for the frost point. The
    first guess is the Magnus form, T_d = 243.12 m / (17.62 - m) with m = ln(p_w / 611.2 Pa).

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.

    Returns:
        Dew point over liquid water [degC], never above the air; frost point over ice [degC], or
        None where it would not be below 0.01 degC. Below freezing the frost point is the higher,
        and near saturation it stands above the air itself.

    Raises:
        ImplausibleReading: an input is NaN or outside its range.
        EngineFault: the library's answer does not satisfy its equation.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 and 6, inverted; WMO-No. 8, ch. 4, for
        dew point over water, frost point over ice, and humidity over water below 0 degC.

    >>> dew, frost = dew_and_frost_c(5.0, 50.0)
    >>> round(dew, 2), round(frost, 2)
    (-4.56, -4.03)
    >>> dew_and_frost_c(20.0, 85.0)[1] is None
    True
    """
    return _dew_and_frost(checked_air_c(air_temp_c), checked_rh_pct(rh_pct))


def dew_point_c(air_temp_c: float, rh_pct: float) -> float:
    """Return the dew point over liquid water [degC]; see `dew_and_frost_c`.

    >>> round(dew_point_c(20.0, 50.0), 2)
    9.27
    """
    return dew_and_frost_c(air_temp_c, rh_pct)[0]


def frost_point_c(air_temp_c: float, rh_pct: float) -> float | None:
    """Return the frost point over ice [degC], or None from 0.01 degC up; see `dew_and_frost_c`.

    >>> round(frost_point_c(-10.0, 100.0) or 0.0, 2)
    -8.9
    """
    return dew_and_frost_c(air_temp_c, rh_pct)[1]


def wetting_point_c(air_temp_c: float, rh_pct: float) -> float:
    """Return the higher of dew and frost point: a surface below it gets wet or white [degC].

    Args and Raises as in `dew_and_frost_c`.

    Source:
        That the frost point counts below freezing is common practice, no source.

    >>> round(wetting_point_c(5.0, 50.0), 2)
    -4.03
    """
    dew_c, frost_c = dew_and_frost_c(air_temp_c, rh_pct)
    return dew_c if frost_c is None else max(dew_c, frost_c)


def dew_point_slopes(air_temp_c: float, rh_pct: float) -> tuple[float, float]:
    """Return how the wetting point moves with the two readings it comes from,

        dT_d/dT = s(T) / s(T_d)        dT_d/dRH = 1 / (RH s(T_d))

    where s(T) = d(ln p_ws)/dT, at T_d over ice where that is the frost point.

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.

    Returns:
        Slope by air temperature [K/K] and by humidity [K per %].

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        Implicit derivative of ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 and 6:
        slope(Td) dTd = slope(T) dT + drh / rh.

    >>> tuple(round(slope, 3) for slope in dew_point_slopes(20.0, 85.0))
    (0.98, 0.186)
    """
    air_temp_c, rh_pct = checked_air_c(air_temp_c), checked_rh_pct(rh_pct)
    dew_c, frost_c = _dew_and_frost(air_temp_c, rh_pct)
    if frost_c is not None and frost_c > dew_c:
        at_wetting = slope_ice(frost_c + ZERO_C_IN_K)
    else:
        at_wetting = slope_water(dew_c + ZERO_C_IN_K)
    return slope_water(air_temp_c + ZERO_C_IN_K) / at_wetting, 1.0 / (rh_pct * at_wetting)


__all__ = [
    "STANDARD_PRESSURE_PA",
    "EngineFault",
    "absolute_humidity_g_per_m3",
    "dew_and_frost_c",
    "dew_point_c",
    "dew_point_slopes",
    "frost_point_c",
    "humidity_ratio_g_per_kg",
    "pressure_at_altitude_pa",
    "rh_at_surface_pct",
    "rh_from_dew_point_pct",
    "rh_from_wet_bulb_pct",
    "rh_from_wet_bulb_slopes",
    "saturation_vapour_pressure_ice_pa",
    "saturation_vapour_pressure_water_pa",
    "vapour_pressure_pa",
    "wet_bulb_c",
    "wetting_point_c",
]

STANDARD_PRESSURE_PA = 101_325.0
LOWEST_DEW_POINT_FROM_WET_BULB_C = -40.0
_SLOPE_STEP_K = 1e-3  # the curve is straight over it, and rounding 1e-9 of a slope

# Mole mass of water over that of dry air: ASHRAE Fundamentals 2017, ch. 1, eq. 20.
_WATER_TO_AIR = 0.621945
# 8.314462618 J/(mol K) (CODATA 2018) over 18.015268 g/mol (IAPWS R6-95) [J/(g K)].
_GAS_CONSTANT_WATER = 8.314462618 / 18.015268


def pressure_at_altitude_pa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere at an altitude,

        p = 101 325 Pa (1 - 2.25577e-5 Z)^5.2559

    Args:
        altitude_m: Z, above sea level, -500 to 5,000 [m].

    Returns:
        Pressure [Pa].

    Raises:
        ImplausibleReading: the altitude is NaN or outside its range.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 3.

    >>> round(pressure_at_altitude_pa(0.0)), round(pressure_at_altitude_pa(500.0))
    (101325, 95461)
    """
    if not ALTITUDE_MIN_M <= altitude_m <= ALTITUDE_MAX_M:
        hint = "Give the altitude above sea level in metres."
        raise refused("altitude_m", altitude_m, ALTITUDE_MIN_M, ALTITUDE_MAX_M, hint)
    pressure_pa = float(psychrolib.GetStandardAtmPressure(altitude_m))
    if not PRESSURE_MIN_PA <= pressure_pa <= PRESSURE_MAX_PA:
        raise engine_fault("pressure", pressure_pa)
    return pressure_pa


def humidity_ratio_g_per_kg(
    air_temp_c: float, rh_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Return the mass of water vapour by mass of dry air,

        W = 0.621945 p_w / (p - p_w)

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        pressure_pa: of the air, 50,000 to 110,000 [Pa].

    Returns:
        Humidity ratio [g/kg].

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 20; ideal gases, 0.5 % under real moist air.

    >>> round(humidity_ratio_g_per_kg(25.0, 50.0), 2)
    9.88
    """
    pv_pa = vapour_pressure_pa(air_temp_c, rh_pct)
    return 1000.0 * _ratio(pv_pa, checked_pressure_pa(pressure_pa))


def absolute_humidity_g_per_m3(air_temp_c: float, rh_pct: float) -> float:
    """Return the mass of water vapour in a cubic metre of air,

        rho_w = p_w / (R_w T),  R_w = 8.314462618 / 18.015268 J/(g K)

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.

    Returns:
        Absolute humidity [g/m3].

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        Ideal gas law with the gas constant of CODATA 2018 and the mole mass of IAPWS R6-95.

    >>> round(absolute_humidity_g_per_m3(20.0, 50.0), 2)
    8.64
    """
    pv_pa = vapour_pressure_pa(air_temp_c, rh_pct)
    return pv_pa / (_GAS_CONSTANT_WATER * (air_temp_c + ZERO_C_IN_K))


def rh_at_surface_pct(air_temp_c: float, rh_pct: float, surface_temp_c: float) -> float:
    """Return the humidity that the room's vapour has at the temperature of a surface,

        RH_s = 100 p_w / p_ws(T_s)

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        surface_temp_c: -40 to 80 [degC].

    Returns:
        Humidity over liquid water [%]; above 100 water forms on the surface.

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 22, with eq. 6 at both temperatures.

    >>> round(rh_at_surface_pct(20.0, 60.0, 15.0), 1)
    82.3
    """
    pv_pa = vapour_pressure_pa(air_temp_c, rh_pct)
    return 100.0 * pv_pa / saturation_vapour_pressure_water_pa(surface_temp_c)


def _ratio(pv_pa: float, pressure_pa: float) -> float:
    """Humidity ratio [kg/kg] by eq. 20; the pressure's range keeps it over any vapour pressure."""
    return _WATER_TO_AIR * pv_pa / (pressure_pa - pv_pa)


def rh_from_dew_point_pct(air_temp_c: float, dew_point_c: float) -> float:
    """Return the humidity that a dew point means,

        RH = 100 p_ws(T_d) / p_ws(T)

    Args:
        air_temp_c: -40 to 60 [degC].
        dew_point_c: over liquid water, -40 to 60 [degC].

    Returns:
        Humidity over liquid water [%]; over 100 where the dew point stands over the air.

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6 and 22; WMO-No. 8, ch. 4, for the dew point
        over water. A frost point that is taken for it below 0 degC makes the air too damp.

    >>> round(rh_from_dew_point_pct(20.0, 9.27), 1)
    50.0
    """
    pv_pa = saturation_vapour_pressure_water_pa(checked_air_c(dew_point_c, "dew_point_c"))
    return 100.0 * pv_pa / saturation_vapour_pressure_water_pa(checked_air_c(air_temp_c))


# --------------------------------------------------------------------------------------- wet bulb

# What PsychroLib's bisection leaves open [K], with as much again to spare.
_BULB_TOLERANCE_K = 0.002


def _ratio_at_bulb(air_c: float, bulb_c: float, pressure_pa: float, ice: bool) -> float:
    """Return the humidity ratio of air with this wet bulb t* [kg/kg], unbounded,

        W = ((2501 - 2.326 t*) Ws* - 1.006 (t - t*)) / (2501 + 1.86 t - 4.186 t*)   liquid, eq. 33
        W = ((2830 - 0.24 t*) Ws* - 1.006 (t - t*)) / (2830 + 1.86 t - 2.1 t*)      ice, eq. 35

    with t and t* in degC and Ws* the humidity ratio of saturated air at t* (eq. 20).

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 33 and 35.
    """
    if ice:
        saturated = _ratio(exp(ln_saturation_ice(bulb_c + ZERO_C_IN_K)), pressure_pa)
        heat = (2830.0 - 0.24 * bulb_c) * saturated - 1.006 * (air_c - bulb_c)
        return heat / (2830.0 + 1.86 * air_c - 2.1 * bulb_c)
    saturated = _ratio(exp(ln_saturation_water(bulb_c + ZERO_C_IN_K)), pressure_pa)
    heat = (2501.0 - 2.326 * bulb_c) * saturated - 1.006 * (air_c - bulb_c)
    return heat / (2501.0 + 1.86 * air_c - 4.186 * bulb_c)


def _bulb_between(
    low_c: float, high_c: float, air_c: float, ratio: float, pressure_pa: float, ice: bool
) -> float:
    """Halve the bracket until the bulb is known to 1e-7 K; the ratio rises with the bulb."""
    while high_c - low_c > 1e-7:
        middle_c = 0.5 * (low_c + high_c)
        if _ratio_at_bulb(air_c, middle_c, pressure_pa, ice) > ratio:
            high_c = middle_c
        else:
            low_c = middle_c
    return 0.5 * (low_c + high_c)


def wet_bulb_c(
    air_temp_c: float, rh_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Return the thermodynamic wet bulb; an aspirated psychrometer reads close to it.

    A bulb at or above 0 degC carries liquid water, below it carries ice (a wick that
    is still liquid there reads a little lower). Where both would balance, it is liquid. In air
    that is over saturated for ice the ice bulb stands above the air.

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        pressure_pa: of the air, 50,000 to 110,000 [Pa].

    Returns:
        Wet bulb [degC], within 0.001 K of the equation.

    Raises:
        ImplausibleReading: an input is NaN or outside its range.
        EngineFault: the library's answer does not satisfy its equation.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 33 and 35.

    >>> round(wet_bulb_c(25.0, 50.0), 1)
    17.9
    """
    ratio = _ratio(vapour_pressure_pa(air_temp_c, rh_pct), checked_pressure_pa(pressure_pa))
    frost_c = frost_point_c(air_temp_c, rh_pct)
    if frost_c is None:  # dew point, bulb and air are all in the liquid range: PsychroLib's own
        try:
            bulb_c = float(psychrolib.GetTWetBulbFromHumRatio(air_temp_c, ratio, pressure_pa))
        except ValueError as error:
            raise engine_fault("wet bulb", float("nan")) from error
        low = _ratio_at_bulb(air_temp_c, bulb_c - _BULB_TOLERANCE_K, pressure_pa, ice=False)
        high = _ratio_at_bulb(air_temp_c, bulb_c + _BULB_TOLERANCE_K, pressure_pa, ice=False)
        if not low <= ratio <= high:
            raise engine_fault("wet bulb", bulb_c)
        return bulb_c
    # PsychroLib's bisection crosses from one equation to the other at 0 degC, where they do not
    # meet, and never looks above the air.
    if air_temp_c > 0.0 and _ratio_at_bulb(air_temp_c, 0.0, pressure_pa, ice=False) <= ratio:
        return _bulb_between(0.0, air_temp_c, air_temp_c, ratio, pressure_pa, ice=False)
    low_c, high_c = min(frost_c, air_temp_c, 0.0), min(max(frost_c, air_temp_c), 0.0)
    return _bulb_between(low_c, high_c, air_temp_c, ratio, pressure_pa, ice=True)


def rh_from_wet_bulb_pct(
    air_temp_c: float, wet_bulb_c: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Return the humidity that a psychrometer's two temperatures mean.

    The bulb is taken as liquid at and above 0 degC and as ice below; a wick that is still liquid
    below 0 degC gives a humidity that is too high.

    Args:
        air_temp_c: dry bulb, -40 to 60 [degC].
        wet_bulb_c: wet bulb, -40 [degC] up to the dry bulb.
        pressure_pa: of the air, 50,000 to 110,000 [Pa].

    Returns:
        Humidity over liquid water, over 1 to 100 [%].

    Raises:
        ImplausibleReading: an input is NaN or outside its range; the wet bulb is above the dry
            one, or so low that the dew point would be under -40 degC or the humidity 1 % at most.
        EngineFault: the library's answer does not satisfy its equation.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 33, 35 and 20; that a dew point under
        -40 degC is a fault of the wick or the reading is common practice, no source.

    >>> round(rh_from_wet_bulb_pct(40.0, 20.0), 1)
    14.0
    """
    checked_air_c(air_temp_c)
    checked_air_c(wet_bulb_c, "wet_bulb_c")
    checked_pressure_pa(pressure_pa)
    if wet_bulb_c > air_temp_c:
        raise ImplausibleReading(
            f"wet_bulb_c {tenths(wet_bulb_c, air_temp_c)} is above air_temp_c "
            f"{tenths(air_temp_c, wet_bulb_c)}, which a wet bulb cannot be; it is not used. "
            "Check which thermometer is which."
        )
    ratio = _ratio_at_bulb(air_temp_c, wet_bulb_c, pressure_pa, ice=wet_bulb_c < 0.0)
    pv_pa = pressure_pa * ratio / (_WATER_TO_AIR + ratio)
    rh_pct = 100.0 * pv_pa / saturation_vapour_pressure_water_pa(air_temp_c)
    lowest_c = LOWEST_DEW_POINT_FROM_WET_BULB_C
    if pv_pa < saturation_vapour_pressure_water_pa(lowest_c) or rh_pct <= RH_FRACTION_PCT:
        raise ImplausibleReading(
            f"wet_bulb_c {tenths(wet_bulb_c)} at air_temp_c {tenths(air_temp_c)} would mean a dew "
            f"point under {lowest_c:g} degC or a humidity under {RH_FRACTION_PCT:g} %; it "
            "is not used. Check the wick, and that both temperatures are right."
        )
    answer = float(psychrolib.GetHumRatioFromTWetBulb(air_temp_c, wet_bulb_c, pressure_pa))
    # Between 0 and 0.01 degC PsychroLib has a liquid bulb with the pressure over ice: 1 in 10,000
    # of what is saturated there, which in dry air is more of what is left.
    near_ice = 0.0 <= wet_bulb_c < TRIPLE_POINT_C
    of = _ratio_at_bulb(wet_bulb_c, wet_bulb_c, pressure_pa, ice=False) if near_ice else ratio
    if not abs(answer - ratio) <= 2e-4 * of + 1e-9:
        raise engine_fault("humidity ratio", answer)
    return min(rh_pct, 100.0)


def rh_from_wet_bulb_slopes(
    air_temp_c: float, wet_bulb_c: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> tuple[float, float]:
    """Return how the humidity moves with the two temperatures that it is worked out from.

    Args:
        air_temp_c: as for `rh_from_wet_bulb_pct`.
        wet_bulb_c: likewise.
        pressure_pa: likewise.

    Returns:
        Slope by air temperature and by wet bulb [% per K]; at 0 degC, where water and ice on the
        bulb part, on the bulb's own side.

    Raises:
        ImplausibleReading, EngineFault: as for `rh_from_wet_bulb_pct`.

    Source:
        Differences of `rh_from_wet_bulb_pct`; JCGM 100:2008, 5.1.3, note 2.

    >>> tuple(round(slope, 2) for slope in rh_from_wet_bulb_slopes(20.0, 15.0))
    (-6.45, 7.49)
    """

    def rh(air_c: float, bulb_c: float) -> float:
        return rh_from_wet_bulb_pct(air_c, bulb_c, pressure_pa)

    # So near to the range's end, to saturation and to 0 degC the slopes are those a step beside.
    step_k = _SLOPE_STEP_K
    air_c = min(air_temp_c, AIR_MAX_C - step_k)
    bulb_c = min(wet_bulb_c, air_c - step_k)
    if abs(bulb_c) < 2.0 * step_k:
        bulb_c = 2.0 * step_k if wet_bulb_c >= 0.0 else -2.0 * step_k
    air_c = max(air_c, bulb_c + step_k)
    by_air = rh(air_c + step_k, bulb_c) - rh(air_c - step_k, bulb_c)
    by_bulb = rh(air_c, bulb_c + step_k) - rh(air_c, bulb_c - step_k)
    return by_air / (2.0 * step_k), by_bulb / (2.0 * step_k)
