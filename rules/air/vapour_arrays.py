"""Humidity, dew point and wetting point for whole arrays of expected states, by table.

`psychrometric_arrays` starts from humidity as probes give it; an outlook carries the dew point and
asks the other way round. The tables hold the same equations at every 0.25 K.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from rules.air.arrays import Floats
from rules.air.saturation import TRIPLE_POINT_C, ZERO_C_IN_K, ln_saturation_ice, ln_saturation_water

# Between table points ln(pressure) bends by under 3e-4 a K2: linear steps of 0.25 K are within
# 3e-6 of the curve, or 0.0003 %RH at saturation.
_STEP_K = 0.25
_LOW_C, _HIGH_C = -90.0, 90.0


@cache
def _water() -> tuple[Floats, Floats]:
    temps_c = np.arange(_LOW_C, _HIGH_C + _STEP_K, _STEP_K)
    return temps_c, np.array([ln_saturation_water(float(t) + ZERO_C_IN_K) for t in temps_c])


@cache
def _ice() -> tuple[Floats, Floats]:
    temps_c = np.append(np.arange(_LOW_C, 0.0, _STEP_K), TRIPLE_POINT_C)
    return temps_c, np.array([ln_saturation_ice(float(t) + ZERO_C_IN_K) for t in temps_c])


def ln_vapour_pressures(dew_point_c: Floats) -> Floats:
    """Return ln of the vapour pressure [Pa] of air with these dew points [°C].

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6, as in `saturation`.

    >>> round(float(np.exp(ln_vapour_pressures(np.array(20.0)))), 0)
    2339.0
    """
    temps_c, logs = _water()
    return np.interp(dew_point_c, temps_c, logs)


def dew_points_of_ln(ln_pressure: Floats) -> Floats:
    """Return the dew points over water [°C] of ln of vapour pressures [Pa]."""
    temps_c, logs = _water()
    return np.interp(ln_pressure, logs, temps_c)


def relative_humidities_pct(air_temp_c: Floats, dew_point_c: Floats) -> Floats:
    """Return the humidity of air over liquid water, at most 100 %.

    Args:
        air_temp_c: -90 to 90 [°C].
        dew_point_c: over liquid water, same range [°C].

    Returns:
        Relative humidity [%].

    Source:
        As `ln_vapour_pressures`.

    >>> round(float(relative_humidities_pct(np.array(20.0), np.array(9.2702))), 1)
    50.0
    """
    ln_ratio = ln_vapour_pressures(dew_point_c) - ln_vapour_pressures(air_temp_c)
    return 100.0 * np.exp(np.minimum(ln_ratio, 0.0))


def wetting_temps_c(dew_point_c: Floats) -> Floats:
    """Return the higher of dew and frost point: where a surface gets wet or white [°C].

    Args:
        dew_point_c: over liquid water [°C].

    Source:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 5 over ice and 6 over water, as in
        `saturation`.

    >>> wetting_temps_c(np.array([9.27, -4.56])).round(2).tolist()
    [9.27, -4.04]
    """
    temps_c, logs = _ice()
    ln_pressure = ln_vapour_pressures(dew_point_c)
    frost_c = np.interp(ln_pressure, logs, temps_c)
    return np.where(dew_point_c < TRIPLE_POINT_C, np.maximum(frost_c, dew_point_c), dew_point_c)
