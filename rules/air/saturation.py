"""The saturation equations over water and ice, and which readings they may be given at all.

`state` and `arrays` rest on these.
"""

from __future__ import annotations

from math import exp, log

from rules.errors import ImplausibleReading
from rules.units import ZERO_C_IN_K, tenths

AIR_MIN_C, AIR_MAX_C = -40.0, 60.0
SURFACE_MIN_C, SURFACE_MAX_C = -40.0, 80.0
RH_FRACTION_PCT = 1.0  # at or below this a humidity is taken for a fraction
RH_SATURATED_PCT, RH_MAX_PCT = 100.0, 103.0  # between the two a probe is taken as saturated
PRESSURE_MIN_PA, PRESSURE_MAX_PA = 50_000.0, 110_000.0
ALTITUDE_MIN_M, ALTITUDE_MAX_M = -500.0, 5_000.0
TRIPLE_POINT_C = 0.01


# ---------------------------------------------------------------------------- checks of the input


def refused(name: str, value: float, low: float, high: float, hint: str) -> ImplausibleReading:
    """Return the error that names a value, its limit, what follows and what to do."""
    if value != value:
        return ImplausibleReading(f"{name} is not a number; it is not used. {hint}")
    bound, side = (high, "above") if value > high else (low, "below")
    # A temperature that was typed in °F would come with more figures than it was read to.
    figure = tenths(value, bound) if name.endswith("_c") else f"{value:.10g}"
    return ImplausibleReading(f"{name} {figure} is {side} {bound:g}; it is not used. {hint}")


def checked_air_c(air_temp_c: float, name: str = "air_temp_c") -> float:
    """Return the air temperature, -40 to 60 [degC], or raise ImplausibleReading."""
    if AIR_MIN_C <= air_temp_c <= AIR_MAX_C:  # False for NaN too
        return air_temp_c
    hint = "Check the probe, and whether it reports degF."
    raise refused(name, air_temp_c, AIR_MIN_C, AIR_MAX_C, hint)


def checked_surface_c(surface_temp_c: float) -> float:
    """Return the surface temperature, -40 to 80 [degC], or raise ImplausibleReading."""
    if SURFACE_MIN_C <= surface_temp_c <= SURFACE_MAX_C:
        return surface_temp_c
    hint = "Check the probe, and whether it reports degF."
    raise refused("surface_temp_c", surface_temp_c, SURFACE_MIN_C, SURFACE_MAX_C, hint)


def checked_rh_pct(rh_pct: float, name: str = "rh_pct") -> float:
    """Return the humidity to reckon with [%]: over 100 to 103 counts as 100.

    Raises:
        ImplausibleReading: NaN, 0 or less (a dead probe), over 0 to 1 (a fraction), over 103.

    Source:
        Common practice, no source: capacitive probes over-read by 1 to 3 % near saturation.
    """
    if RH_FRACTION_PCT < rh_pct <= RH_SATURATED_PCT:
        return rh_pct
    if RH_SATURATED_PCT < rh_pct <= RH_MAX_PCT:
        return RH_SATURATED_PCT
    if 0.0 < rh_pct <= RH_FRACTION_PCT:
        raise ImplausibleReading(
            f"{name} {rh_pct:g} looks like a fraction; give it in per cent "
            f"({rh_pct * 100:g} for {rh_pct:g}); it is not used."
        )
    if rh_pct <= 0.0:
        raise ImplausibleReading(
            f"{name} {rh_pct:g} is at or below 0, which no air has: the probe looks dead; "
            "it is not used. Check its supply and its wires."
        )
    hint = "Check the probe or its calibration."
    raise refused(name, rh_pct, RH_FRACTION_PCT, RH_MAX_PCT, hint)


def checked_pressure_pa(pressure_pa: float) -> float:
    """Return the air pressure, 50,000 to 110,000 [Pa], or raise ImplausibleReading."""
    if PRESSURE_MIN_PA <= pressure_pa <= PRESSURE_MAX_PA:
        return pressure_pa
    hint = "Give it in Pa (1013.25 hPa is 101325 Pa)."
    raise refused("pressure_pa", pressure_pa, PRESSURE_MIN_PA, PRESSURE_MAX_PA, hint)


# --------------------------------------------------------------------------- saturation, pressure


def ln_saturation_water(temp_k: float) -> float:
    """Return ln of the saturation pressure over liquid water, by

        ln p_ws = C8/T + C9 + C10 T + C11 T^2 + C12 T^3 + C13 ln T

        C8  = -5.8002206e3     C9  =  1.3914993       C10 = -4.8640239e-2
        C11 =  4.1764768e-5    C12 = -1.4452093e-8    C13 =  6.5459673

    with p_ws in Pa and T in K.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6 (Hyland and Wexler 1983).
    """
    return (
        -5.8002206e3 / temp_k
        + 1.3914993
        + temp_k * (-4.8640239e-2 + temp_k * (4.1764768e-5 - temp_k * 1.4452093e-8))
        + 6.5459673 * log(temp_k)
    )


def ln_saturation_ice(temp_k: float) -> float:
    """Return ln of the saturation pressure over ice, by

        ln p_ws = C1/T + C2 + C3 T + C4 T^2 + C5 T^3 + C6 T^4 + C7 ln T

        C1 = -5.6745359e3     C2 =  6.3925247       C3 = -9.677843e-3     C4 = 6.2215701e-7
        C5 =  2.0747825e-9    C6 = -9.484024e-13    C7 =  4.1635019

    with p_ws in Pa and T in K.

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 (Hyland and Wexler 1983).
    """
    return (
        -5.6745359e3 / temp_k
        + 6.3925247
        + temp_k
        * (-9.677843e-3 + temp_k * (6.2215701e-7 + temp_k * (2.0747825e-9 - temp_k * 9.484024e-13)))
        + 4.1635019 * log(temp_k)
    )


def slope_water(temp_k: float) -> float:
    """Return the derivative of eq. 6 by temperature [1/K],

    d(ln p_ws)/dT = (-C8/T + C13)/T + C10 + 2 C11 T + 3 C12 T^2
    """
    return (
        (5.8002206e3 / temp_k + 6.5459673) / temp_k
        - 4.8640239e-2
        + temp_k * (2 * 4.1764768e-5 - temp_k * 3 * 1.4452093e-8)
    )


def slope_ice(temp_k: float) -> float:
    """Return the derivative of eq. 5 by temperature [1/K],

    d(ln p_ws)/dT = (-C1/T + C7)/T + C3 + 2 C4 T + 3 C5 T^2 + 4 C6 T^3
    """
    return (
        (5.6745359e3 / temp_k + 4.1635019) / temp_k
        - 9.677843e-3
        + temp_k * (2 * 6.2215701e-7 + temp_k * (3 * 2.0747825e-9 - temp_k * 4 * 9.484024e-13))
    )


LN_TRIPLE = ln_saturation_water(ZERO_C_IN_K + TRIPLE_POINT_C)


def saturation_vapour_pressure_water_pa(temp_c: float) -> float:
    """Return the saturation vapour pressure over liquid water, below 0 degC over supercooled water.

    Args:
        temp_c: -40 to 80 [degC].

    Returns:
        Pressure of the pure vapour [Pa].

    Raises:
        ImplausibleReading: the temperature is NaN or outside its range.

    Source:
        Hyland and Wexler 1983, as ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6; that it also
        serves for supercooled water is checked against WMO-No. 8 and Sonntag 1990 in the tests.

    >>> round(saturation_vapour_pressure_water_pa(20.0), 1)
    2338.8
    """
    return exp(ln_saturation_water(checked_surface_c(temp_c) + ZERO_C_IN_K))


def saturation_vapour_pressure_ice_pa(temp_c: float) -> float:
    """Return the saturation vapour pressure over ice.

    Args:
        temp_c: -40 to 0.01 [degC].

    Returns:
        Pressure of the pure vapour [Pa].

    Raises:
        ImplausibleReading: the temperature is NaN, too low, or above the triple point.

    Source:
        Hyland and Wexler 1983, as ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5.

    >>> round(saturation_vapour_pressure_ice_pa(-10.0), 1)
    259.9
    """
    if not SURFACE_MIN_C <= temp_c <= TRIPLE_POINT_C:
        hint = "Ice stands between -40 and 0.01 degC here; above, use the pressure over water."
        raise refused("temp_c", temp_c, SURFACE_MIN_C, TRIPLE_POINT_C, hint)
    return exp(ln_saturation_ice(temp_c + ZERO_C_IN_K))
