"""Humidity worked out from the air's temperature and a dew point or a wet bulb beside it.

For a body that has no humidity of its own: the value, and how well it is known.
"""

from __future__ import annotations

from functools import lru_cache

from rules.air.state import dew_point_c, rh_from_dew_point_pct, rh_from_wet_bulb_pct, wet_bulb_c
from rules.air.uncertainty import dew_point_accuracy, wet_bulb_accuracy
from rules.vocabulary import WorkedOutFrom

_BULB_OVER_K = 0.5
"""So far a wet bulb may stand over the air and counts as saturated, as 103 % of humidity does; a
last digit and two sensors' errors, judgement, no source [K]."""

_AT_C, _AT_PCT = 10.0, 85.0
"""Where a humidity's accuracy is taken that one figure has to stand for: the cold end of what most
sheets allow, near the humidity that matters; judgement, no source."""


def worked_out_pct(
    source: WorkedOutFrom, air_temp_c: float, told_c: float, pressure_pa: float
) -> float:
    """Return the humidity that a dew point or a wet bulb means.

    Args:
        source: which of them.
        air_temp_c: of the same body, -40 to 60 [degC].
        told_c: the dew point over liquid water, or the wet bulb [degC].
        pressure_pa: of the air; for the wet bulb alone [Pa].

    Returns:
        Humidity over liquid water [%]; over 100 where the dew point stands over the air.

    Raises:
        ImplausibleReading, EngineFault: as for `state.rh_from_dew_point_pct` and
            `state.rh_from_wet_bulb_pct`.
    """
    if source is WorkedOutFrom.DEW_POINT:
        return rh_from_dew_point_pct(air_temp_c, told_c)
    if air_temp_c < told_c <= air_temp_c + _BULB_OVER_K:
        told_c = air_temp_c
    return rh_from_wet_bulb_pct(air_temp_c, told_c, pressure_pa)


@lru_cache(maxsize=256)
def worked_out_accuracy(
    source: WorkedOutFrom,
    air_temp_c: float,
    rh_pct: float,
    air_accuracy_k: float,
    told_accuracy_k: float,
    pressure_pa: float,
) -> tuple[float, float]:
    """Return how well a humidity is known that was worked out.

    Args:
        source: what from.
        air_temp_c: of the same body [degC].
        rh_pct: as worked out, over 1 to 103 [%].
        air_accuracy_k: half-width of the air temperature's error [K].
        told_accuracy_k: half-width of the dew point's or the wet bulb's error [K].
        pressure_pa: of the air [Pa].

    Returns:
        As `uncertainty.wet_bulb_accuracy`.

    Raises:
        ImplausibleReading, EngineFault: as for `worked_out_pct`.
    """
    if source is WorkedOutFrom.DEW_POINT:
        dew_c = dew_point_c(air_temp_c, rh_pct)
        return dew_point_accuracy(air_temp_c, dew_c, air_accuracy_k, told_accuracy_k)
    bulb_c = min(wet_bulb_c(air_temp_c, rh_pct, pressure_pa), air_temp_c)
    thermometer_k = max(air_accuracy_k, told_accuracy_k)
    return wet_bulb_accuracy(air_temp_c, bulb_c, pressure_pa, thermometer_k)


def usual_accuracy_pct(
    source: WorkedOutFrom, air_accuracy_k: float, told_accuracy_k: float, pressure_pa: float
) -> float:
    """Return one figure for how well such a humidity is known, for what knows no air beside it [%].

    Args and Raises as in `worked_out_accuracy`, at 10 °C and 85 %.
    """
    return worked_out_accuracy(
        source, _AT_C, _AT_PCT, air_accuracy_k, told_accuracy_k, pressure_pa
    )[0]
