"""Dew points for long columns of readings, for bulk work; `state` does the same for one pair.

The saturation curve and its inverse are evaluated as polynomials, fitted at first use to the
equations in `saturation` and nothing else, in pieces that stay in the processor's cache.
"""

from __future__ import annotations

from functools import cache
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

from rules.air.saturation import (
    AIR_MAX_C,
    AIR_MIN_C,
    LN_TRIPLE,
    RH_FRACTION_PCT,
    RH_MAX_PCT,
    RH_SATURATED_PCT,
    TRIPLE_POINT_C,
    checked_air_c,
    checked_rh_pct,
    ln_saturation_ice,
    ln_saturation_water,
    slope_ice,
    slope_water,
)
from rules.units import ZERO_C_IN_K

Floats: TypeAlias = npt.NDArray[np.float64]

# Three work arrays of this length, 8 bytes a value, fit the second-level cache of a small board.
_PIECE = 8192
_DRIEST_PCT = 1.1
# Degrees at which the fit errors are 4e-8 K (saturation), 3e-6 K (dew point), 1e-6 K (frost).
_DEGREE_SATURATION, _DEGREE_DEW, _DEGREE_FROST = 8, 9, 7
_LN_PV_MIN = ln_saturation_water(AIR_MIN_C + ZERO_C_IN_K) + float(np.log(RH_FRACTION_PCT / 100.0))
_LN_PV_MAX = ln_saturation_water(AIR_MAX_C + ZERO_C_IN_K)


class _Polynomial:
    """A fit in powers of (x - middle), evaluated without a new array a step."""

    def __init__(self, low: float, high: float, nodes: Floats, values: Floats) -> None:
        # Interpolation at the Chebyshev nodes of [low, high]: within a factor of about 3 of the
        # best polynomial of that degree. Powers of (x - middle) keep their digits at degree 9.
        fit = chebyshev.cheb2poly(chebyshev.chebfit(nodes, values, len(nodes) - 1))
        half = 0.5 * (high - low)
        self.middle = 0.5 * (low + high)
        self.coefficients = [float(c) / half**k for k, c in enumerate(fit)]

    def into(self, out: Floats, x: Floats) -> None:
        """Evaluate by Horner's rule at x, which has `middle` taken off already."""
        highest, *rest = reversed(self.coefficients)
        np.multiply(x, highest, out=out)
        for c in rest[:-1]:
            out += c
            out *= x
        out += rest[-1]


def _nodes(degree: int) -> Floats:
    """Chebyshev nodes in [-1, 1]."""
    return np.asarray(np.cos((np.arange(degree + 1) + 0.5) * np.pi / (degree + 1)))


@cache
def _saturation_fit() -> _Polynomial:
    """ln of the saturation pressure over water [Pa] by air temperature [degC]: eq. 6."""
    low, high = AIR_MIN_C, AIR_MAX_C
    u = _nodes(_DEGREE_SATURATION)
    temps_k = low + 0.5 * (u + 1.0) * (high - low) + ZERO_C_IN_K
    return _Polynomial(low, high, u, np.array([ln_saturation_water(t) for t in temps_k]))


@cache
def _point_fit(*, ice: bool) -> _Polynomial:
    """Dew point, or frost point, [degC] by ln of the vapour pressure: eq. 6, or 5, inverted."""
    ln_of, slope = (ln_saturation_ice, slope_ice) if ice else (ln_saturation_water, slope_water)
    low, high = _LN_PV_MIN, (LN_TRIPLE if ice else _LN_PV_MAX)
    u = _nodes(_DEGREE_FROST if ice else _DEGREE_DEW)
    points_c = []
    for ln_pv in low + 0.5 * (u + 1.0) * (high - low):
        temp_k = ZERO_C_IN_K
        for _ in range(12):  # Newton from 0 degC: the worst node is exact after 7
            temp_k -= (ln_of(temp_k) - ln_pv) / slope(temp_k)
        points_c.append(temp_k - ZERO_C_IN_K)
    return _Polynomial(low, high, u, np.array(points_c))


def _as_floats(values: npt.ArrayLike) -> Floats:
    if isinstance(values, np.ma.MaskedArray):
        # Else the number under the mask would come through.
        values = np.ma.filled(values.astype(np.float64), np.nan)
    return np.asarray(values, dtype=np.float64)


def _raise_first_bad(air_c: Floats, rh_pct: Floats, first: int, missing_ok: bool) -> None:
    """Name the first element that the scalar path refuses, in the scalar path's words."""
    for i, (air, rh) in enumerate(zip(air_c.tolist(), rh_pct.tolist(), strict=True)):
        if not (missing_ok and air != air):
            checked_air_c(air, f"air_temp_c[{first + i}]")
        if not (missing_ok and rh != rh):
            checked_rh_pct(rh, f"rh_pct[{first + i}]")


def _checked_piece(air_c: Floats, rh_pct: Floats, first: int, missing_ok: bool) -> None:
    # min and max carry a NaN through, fmin and fmax step over it; a comparison with NaN is False.
    low, high = (np.fmin, np.fmax) if missing_ok else (np.minimum, np.maximum)
    good = (
        low.reduce(air_c) >= AIR_MIN_C
        and high.reduce(air_c) <= AIR_MAX_C
        and low.reduce(rh_pct) > RH_FRACTION_PCT
        and high.reduce(rh_pct) <= RH_MAX_PCT
    )
    if not good:  # or nothing but missing values
        _raise_first_bad(air_c, rh_pct, first, missing_ok)


def _points(
    air_temp_c: npt.ArrayLike, rh_pct: npt.ArrayLike, missing_ok: bool, *, dew: bool, frost: bool
) -> Floats:
    air_all, rh_all = np.broadcast_arrays(_as_floats(air_temp_c), _as_floats(rh_pct))
    shape = air_all.shape
    air_flat, rh_flat = air_all.reshape(-1), rh_all.reshape(-1)
    out_flat = np.empty(air_flat.shape)
    saturation, dew_fit, frost_fit = _saturation_fit(), _point_fit(ice=False), _point_fit(ice=True)
    work = np.empty((3, min(_PIECE, max(1, air_flat.size))))
    for first in range(0, air_flat.size, _PIECE):
        piece = slice(first, first + _PIECE)
        air, rh, out = air_flat[piece], rh_flat[piece], out_flat[piece]
        _checked_piece(air, rh, first, missing_ok)
        ln_pv, x, frost_c = work[0, : air.size], work[1, : air.size], work[2, : air.size]
        np.subtract(air, saturation.middle, out=x)
        saturation.into(ln_pv, x)
        np.minimum(rh, RH_SATURATED_PCT, out=x)
        x *= 0.01
        np.log(x, out=x)
        ln_pv += x
        if dew:
            np.subtract(ln_pv, dew_fit.middle, out=x)
            dew_fit.into(out, x)
            np.minimum(out, air, out=out)  # at 100 % the last digits may stand over the air's
        if frost:
            if not dew:
                out.fill(np.nan)
            # The fit holds up to the triple point; what is capped there is not used.
            if np.fmin.reduce(ln_pv) < LN_TRIPLE:
                np.minimum(ln_pv, LN_TRIPLE, out=x)
                x -= frost_fit.middle
                frost_fit.into(frost_c, x)
                np.copyto(out, frost_c, where=ln_pv < LN_TRIPLE)
    return out_flat.reshape(shape)


def dew_points_c(
    air_temp_c: npt.ArrayLike, rh_pct: npt.ArrayLike, *, missing_ok: bool = False
) -> Floats:
    """Return the dew points over liquid water of columns of readings.

    Args:
        air_temp_c: -40 to 60 [degC].
        rh_pct: over liquid water, over 1 to 103 [%]; over 100 counts as 100.
        missing_ok: whether NaN in gives NaN out; otherwise NaN is refused as any other bad value.

    Returns:
        Dew points [degC], never above the air, within 0.00001 K of the equation.

    Raises:
        ImplausibleReading: an element is NaN or outside its range; the text names the first.
        ValueError: the two cannot be brought to one shape.

    Source:
        As `state.dew_and_frost_c`.

    >>> dew_points_c([20.0, 5.0], [50.0, 50.0]).round(2).tolist()
    [9.27, -4.56]
    """
    return _points(air_temp_c, rh_pct, missing_ok, dew=True, frost=False)


def frost_points_c(
    air_temp_c: npt.ArrayLike, rh_pct: npt.ArrayLike, *, missing_ok: bool = False
) -> Floats:
    """Return the frost points over ice, NaN where they would not be below 0.01 degC.

    Args, Raises and Source as `dew_points_c`.

    >>> frost_points_c([20.0, 5.0], [50.0, 50.0]).round(2).tolist()
    [nan, -4.03]
    """
    return _points(air_temp_c, rh_pct, missing_ok, dew=False, frost=True)


def wetting_points_c(
    air_temp_c: npt.ArrayLike, rh_pct: npt.ArrayLike, *, missing_ok: bool = False
) -> Floats:
    """Return the higher of dew and frost point, below which a surface gets wet or white [degC].

    Args, Raises and Source as `dew_points_c`.

    >>> wetting_points_c([20.0, 5.0], [50.0, 50.0]).round(2).tolist()
    [9.27, -4.03]
    """
    return _points(air_temp_c, rh_pct, missing_ok, dew=True, frost=True)


def nearest_wetting_points_c(air_temp_c: Floats, rh_pct: Floats) -> Floats:
    """Return `wetting_points_c` of the nearest air that the formula takes, NaN where one is NaN.

    For the ends of what is known, which may lie past what any air can be [degC, %].

    >>> nearest_wetting_points_c(np.full(2, 20.0), np.array([140.0, np.nan])).round(2).tolist()
    [20.0, nan]
    """
    within = (
        np.clip(air_temp_c, AIR_MIN_C, AIR_MAX_C),
        np.clip(rh_pct, _DRIEST_PCT, RH_SATURATED_PCT),
    )
    return wetting_points_c(*within, missing_ok=True)


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
