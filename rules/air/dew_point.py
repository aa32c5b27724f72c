"""Dew point, frost point and their slopes: the inversion that every call and every replay row uses.

PsychroLib inverts the saturation equations between a check of every input and a check of every
answer: alone it takes humidity over ice below 0.01 degC, never answers above the air temperature,
and with numba beside it returns 0.0 in place of an error.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import exp, log

import psychrolib

from rules.air.saturation import (
    LN_TRIPLE,
    TRIPLE_POINT_C,
    ZERO_C_IN_K,
    checked_air_c,
    checked_rh_pct,
    ln_saturation_ice,
    ln_saturation_water,
    slope_ice,
    slope_water,
)
from rules.errors import FilmcallError

# Once, since with numba each change of unit compiles anew (about 1 s). PsychroLib is not asked for
# its unit first: with numba 0.68 beside PsychroLib 2.5 GetUnitSystem ends the interpreter.
psychrolib.SetUnitSystem(psychrolib.SI)


class EngineFault(FilmcallError, ArithmeticError):
    """The library that solves for a state point gave an answer that its own equation denies."""


def engine_fault(what: str, answer: float) -> EngineFault:
    return EngineFault(
        f"{what} {answer:g} from the psychrometric library does not satisfy its own equation; it "
        "is set aside. Check that nothing else in this program changes PsychroLib's units, and "
        "which version of it is installed."
    )


def vapour_pressure_pa(air_temp_c: float, rh_pct: float) -> float:
    """Return the partial pressure of water vapour in the air.

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
    """Return the dew point and, where frost can form, the frost point.

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
    """Return how the wetting point moves with the two readings it comes from.

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
