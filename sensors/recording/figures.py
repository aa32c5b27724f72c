"""What the figures of columns can be, and how near two of them are; only to tell them apart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.units import converted

# Beyond this no enclosure is, in whatever unit; between, a file that is mute is asked [degC].
# Common practice, no source.
_LEAST_C, _MOST_C = -40.0, 60.0


def far_apart(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """The median distance of two columns, or infinity where they have no row in common."""
    apart = np.abs(a - b)
    apart = apart[np.isfinite(apart)]
    return float(np.median(apart)) if len(apart) else np.inf


def dew_c(air_c: NDArray[np.float64], rh_pct: NDArray[np.float64]) -> NDArray[np.float64]:
    """Dew point, only to tell units and columns apart [degC].

    Source:
        Magnus form of Alduchov and Eskridge (1996), from memory.
    """
    with np.errstate(all="ignore"):
        gamma = np.log(rh_pct / 100.0) + 17.625 * air_c / (243.04 + air_c)
        dew: NDArray[np.float64] = 243.04 * gamma / (17.625 - gamma)
    return dew


def ratio(air_c: NDArray[np.float64], rh_pct: NDArray[np.float64]) -> NDArray[np.float64]:
    """Humidity ratio at sea level, only to tell units apart [kg/kg]."""
    with np.errstate(all="ignore"):
        vapour_pa = rh_pct / 100.0 * 610.94 * np.exp(17.625 * air_c / (243.04 + air_c))
        found: NDArray[np.float64] = 0.622 * vapour_pa / (101_325.0 - vapour_pa)
    return found


def can_be(values: NDArray[np.float64], unit: str) -> bool:
    """Whether figures can be temperatures of an enclosure in a unit: degC, degF or K."""
    if not np.isfinite(values).any():
        return True
    low, high = np.nanpercentile(values, [2.0, 98.0])
    low_c, high_c = converted(float(low), unit, "degC"), converted(float(high), unit, "degC")
    return low_c >= _LEAST_C and high_c <= _MOST_C
