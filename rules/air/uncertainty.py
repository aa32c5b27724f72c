"""How well the dew margin is known, from what the sensors' makers promise; the guard rests on it.

Uncertainties combine by JCGM 100:2008 (the GUM), 5.1.2 and 5.2.2: first order, with the slopes of
the wetting point (the higher of dew and frost point). The tests hold them against a Monte Carlo by
JCGM 101:2008.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt
from statistics import NormalDist, variance

from rules.air.saturation import PRESSURE_MAX_PA, slope_water
from rules.air.state import (
    dew_point_slopes,
    rh_from_dew_point_pct,
    rh_from_wet_bulb_pct,
    rh_from_wet_bulb_slopes,
)
from rules.errors import ImplausibleReading
from rules.units import ZERO_C_IN_K

GUARD_FACTOR = 1.645  # one-sided 95 % of a normal distribution: how far a limit is kept clear of
SHOW_FACTOR = 1.96  # two-sided 95 %: the uncertainty that is shown
# Two temperatures read by one element and converter share part of their offset, which narrows the
# margin's band; so it counts only where the config says `shared_element = true`. A surface probe on
# a cable from the same node shares nothing. Common practice, no source: half, because full
# correlation would let the shared part vanish, and no user can show that all of it is shared.
SHARED_ELEMENT_CORRELATION = 0.5
COEFFICIENT_SHARE = 0.10  # how far a psychrometer's own coefficient may be out [-]
PRESSURE_BAND_PA = 2500.0  # how far the air pressure may be from the altitude's [Pa]
_PRESSURE_STEP = 0.005
_SQRT_3 = sqrt(3.0)
_ACCURACY_MAX = 100.0


def standard_uncertainty(accuracy: float, name: str = "accuracy") -> float:
    """Return the standard uncertainty that an accuracy a stands for, u = a / sqrt(3).

    Args:
        accuracy: half-width of the band in which the error lies, 0 to 100 [unit of the reading].
        name: what to call it in an error.

    Returns:
        Standard uncertainty [unit of the reading].

    Raises:
        ImplausibleReading: the accuracy is NaN, negative or above 100.

    Source:
        JCGM 100:2008, 4.3.7: a band with no more said of it is a rectangle, u = a / sqrt(3).

    >>> round(standard_uncertainty(0.3), 4)
    0.1732
    """
    if not 0.0 <= accuracy <= _ACCURACY_MAX:
        raise ImplausibleReading(
            f"{name} {accuracy:.10g} is not between 0 and {_ACCURACY_MAX:g}; no guard can be "
            "worked out. Give the half-width that the sensor's sheet states, as 0.3 K or 3 %."
        )
    return accuracy / _SQRT_3


def dew_point_u_k(
    air_temp_c: float, rh_pct: float, air_accuracy_k: float, rh_accuracy_pct: float
) -> float:
    """Return the standard uncertainty of the wetting point, the higher of dew and frost point,

        u(T_d)^2 = (dT_d/dT)^2 u(T)^2 + (dT_d/dRH)^2 u(RH)^2

    The errors of air temperature and humidity count as independent. In one body they are partly
    opposed (a body that is too warm reads warm and dry, and its dew point stays right), so that
    this leans to the safe side.

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        air_accuracy_k: half-width of the air temperature's band [K].
        rh_accuracy_pct: half-width of the humidity's band [%].

    Returns:
        Standard uncertainty [K].

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        JCGM 100:2008, 5.1.2.

    >>> round(dew_point_u_k(20.0, 85.0, 0.3, 3.0), 3)
    0.364
    """
    by_air, by_rh = dew_point_slopes(air_temp_c, rh_pct)
    air_u = by_air * standard_uncertainty(air_accuracy_k, "air_accuracy_k")
    rh_u = by_rh * standard_uncertainty(rh_accuracy_pct, "rh_accuracy_pct")
    return sqrt(air_u * air_u + rh_u * rh_u)


def dew_point_accuracy(
    air_temp_c: float, dew_point_c: float, air_accuracy_k: float, dew_accuracy_k: float
) -> tuple[float, float]:
    """Return how well a humidity is known that is worked out from a dew point,

        dRH/dT_d = RH s(T_d)        dRH/dT = -RH s(T)

    where s(T) = d(ln p_ws)/dT. With the second the air temperature's error leaves the dew point
    again where a margin is made of the two.

    Args:
        air_temp_c: -40 to 60 [degC].
        dew_point_c: over liquid water [degC].
        air_accuracy_k: half-width of the air temperature's error [K].
        dew_accuracy_k: half-width of the dew point's error [K].

    Returns:
        Half-width of the humidity's error [%], and how it follows the air temperature's [% per K].

    Raises:
        ImplausibleReading: as for `state.rh_from_dew_point_pct`.

    Source:
        JCGM 100:2008, 5.1.2; derivative of ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6.

    >>> round(dew_point_accuracy(20.0, 17.4, 0.3, 0.5)[0], 1)
    3.1
    """
    rh_pct = rh_from_dew_point_pct(air_temp_c, dew_point_c)
    by_dew = rh_pct * slope_water(dew_point_c + ZERO_C_IN_K)
    by_air = -rh_pct * slope_water(air_temp_c + ZERO_C_IN_K)
    return hypot(dew_accuracy_k * by_dew, air_accuracy_k * by_air), by_air


def wet_bulb_accuracy(
    air_temp_c: float, wet_bulb_c: float, pressure_pa: float, thermometer_k: float
) -> tuple[float, float]:
    """Return how well a humidity is known that is worked out from a dry and a wet bulb.

    Args:
        air_temp_c: dry bulb, as for `state.rh_from_wet_bulb_pct` [degC].
        wet_bulb_c: likewise [degC].
        pressure_pa: from the altitude [Pa].
        thermometer_k: half-width of each thermometer's error [K].

    Returns:
        Half-width of the humidity's error [%], and how it follows the air temperature's [% per K].

    Raises:
        ImplausibleReading, EngineFault: as for `state.rh_from_wet_bulb_pct`.

    Source:
        JCGM 100:2008, 5.1.2. The psychrometer's equation e = e_w(t_w) - A p (t - t_w) (WMO-No. 8,
        Annex 4.B) holds A and p as one product, so that a tenth of A and 25 hPa of weather and
        height act as one share of the pressure. The tenth, for a bulb that nobody has aspirated
        and timed, and the 25 hPa are common practice, no source.

    >>> round(wet_bulb_accuracy(20.0, 15.0, 101_325.0, 0.3)[0], 1)
    3.3
    """
    by_air, by_bulb = rh_from_wet_bulb_slopes(air_temp_c, wet_bulb_c, pressure_pa)
    share = hypot(COEFFICIENT_SHARE, PRESSURE_BAND_PA / pressure_pa)
    room = pressure_pa * (1.0 + _PRESSURE_STEP) < PRESSURE_MAX_PA
    step = _PRESSURE_STEP if room else -_PRESSURE_STEP
    here, beside = (
        rh_from_wet_bulb_pct(air_temp_c, wet_bulb_c, pressure_pa * (1.0 + each))
        for each in (0.0, step)
    )
    by_share = share * (beside - here) / step
    return hypot(thermometer_k * by_air, thermometer_k * by_bulb, by_share), by_air


def pair_u_k(
    surface_u_k: float,
    air_u_k: float,
    rh_u_k: float,
    covariance_k2: float = 0.0,
    *,
    shared_element: bool = False,
) -> float:
    """Return the standard uncertainty of a surface less a wetting point, u(m) in the formula

        u(m)^2 = u(Ts)^2 + u_T^2 + u_RH^2 + 2 cov(T, RH) - 2 r u(Ts) u_T

    Args:
        surface_u_k: u(Ts), of the surface temperature [K].
        air_u_k: u_T, of the wetting point by the air temperature's error [K].
        rh_u_k: u_RH, of the wetting point by the humidity's error [K].
        covariance_k2: twice the covariance of these two, where a wet bulb ties them [K2].
        shared_element: whether one element reads surface and air; r is then
            `SHARED_ELEMENT_CORRELATION`, else 0.

    Returns:
        Standard uncertainty [K].

    Source:
        JCGM 100:2008, 5.1.2 (eq. 10) and 5.2.2 (eq. 13).

    >>> round(pair_u_k(0.29, 0.17, 0.32), 2)
    0.46
    """
    variance = surface_u_k**2 + air_u_k**2 + rh_u_k**2 + covariance_k2
    if shared_element:
        variance -= 2.0 * SHARED_ELEMENT_CORRELATION * surface_u_k * air_u_k
    return sqrt(max(variance, 0.0))


def margin_u_k(
    air_temp_c: float,
    rh_pct: float,
    surface_accuracy_k: float,
    air_accuracy_k: float,
    rh_accuracy_pct: float,
    *,
    shared_element: bool = False,
    rh_by_air: float = 0.0,
) -> float:
    """Return the standard uncertainty of the dew margin with a surface probe.

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        surface_accuracy_k: half-width of the surface temperature's band [K].
        air_accuracy_k: half-width of the air temperature's band [K].
        rh_accuracy_pct: half-width of the humidity's band [%].
        shared_element: whether one element reads surface and air temperature; their errors then
            correlate by `SHARED_ELEMENT_CORRELATION`, which narrows the margin's band.
        rh_by_air: how the humidity follows the air temperature's error, where it is worked out
            from it and a wet bulb; `rh_accuracy_pct` then holds the errors of both [% per K].

    Returns:
        Standard uncertainty [K]; times GUARD_FACTOR for a guard, times SHOW_FACTOR to show.

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        JCGM 100:2008, 5.1.2 and, with a shared element or a wet bulb, 5.2.2.

    >>> round(margin_u_k(20.0, 85.0, 0.5, 0.3, 3.0), 3)
    0.465
    """
    by_air, by_rh = dew_point_slopes(air_temp_c, rh_pct)
    surface_u = standard_uncertainty(surface_accuracy_k, "surface_accuracy_k")
    air_u = by_air * standard_uncertainty(air_accuracy_k, "air_accuracy_k")
    rh_u = by_rh * standard_uncertainty(rh_accuracy_pct, "rh_accuracy_pct")
    # The humidity's covariance with the air temperature is rh_by_air u(T)^2.
    covariance = 2.0 * air_u * by_rh * rh_by_air * standard_uncertainty(air_accuracy_k)
    return pair_u_k(surface_u, air_u, rh_u, covariance, shared_element=shared_element)


def margin_u_assumed_k(
    air_temp_c: float,
    rh_pct: float,
    air_accuracy_k: float,
    rh_accuracy_pct: float,
    offset_accuracy_k: float,
) -> float:
    """Return the standard uncertainty of the dew margin where surface = air + assumed offset,

        u(m)^2 = (1 - dT_d/dT)^2 u(T)^2 + (dT_d/dRH)^2 u(RH)^2 + u(offset)^2

    The air temperature's error then moves surface and dew point together and nearly cancels; what
    is left is the humidity's error and how well the offset is known.

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        air_accuracy_k: half-width of the air temperature's band [K].
        rh_accuracy_pct: half-width of the humidity's band [%].
        offset_accuracy_k: half-width of the band in which the true offset lies [K].

    Returns:
        Standard uncertainty [K]; times GUARD_FACTOR for a guard, times SHOW_FACTOR to show.

    Raises:
        ImplausibleReading: an input is NaN or outside its range.

    Source:
        JCGM 100:2008, 5.1.2, for margin = T + offset - Td(T, rh).

    >>> round(margin_u_assumed_k(20.0, 85.0, 0.3, 3.0, 2.0), 3)
    1.199
    """
    by_air, by_rh = dew_point_slopes(air_temp_c, rh_pct)
    air_u = (1.0 - by_air) * standard_uncertainty(air_accuracy_k, "air_accuracy_k")
    rh_u = by_rh * standard_uncertainty(rh_accuracy_pct, "rh_accuracy_pct")
    offset_u = standard_uncertainty(offset_accuracy_k, "offset_accuracy_k")
    return sqrt(air_u * air_u + rh_u * rh_u + offset_u * offset_u)


def extreme_bias_k(values_c: Sequence[float], u_k: float) -> float:
    """Return by how much the lowest, or the highest, of several probes is probably out.

    The more probes there are, the further the lowest strays from the truth by their errors alone.
    How much of their spread is error is asked of the spread: probes that stand apart are believed.

    Args:
        values_c: what they say [degC].
        u_k: standard uncertainty of one [K].

    Returns:
        Mean of the largest of n standard normal values x u x the share u² / s², at most 1, of
        the spread that errors explain [K]; 0 for one probe.

    Source:
        Blom (1958), Statistical Estimates and Transformed Beta-Variables: expected order
        statistics as the quantile (i - 3/8) / (n + 1/4); from memory, to 0.02 of the exact.

    >>> round(extreme_bias_k([10.0, 10.6], 0.3), 2), extreme_bias_k([10.0], 0.3)
    (0.09, 0.0)
    """
    count = len(values_c)
    if count < 2 or u_k <= 0.0:
        return 0.0
    share = min(1.0, u_k * u_k / max(variance(values_c), 1e-12))
    return share * u_k * NormalDist().inv_cdf((count - 0.375) / (count + 0.25))
