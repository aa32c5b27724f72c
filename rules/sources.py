"""What every estimate is made of, and how far it can go while no value leaves a box.

Stands between what was sensed and `quiet`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rules.air.state import dew_point_slopes, wetting_point_c
from rules.air.uncertainty import GUARD_FACTOR, standard_uncertainty
from rules.climate import AIR_TEMP, ASSUMED, HUMIDITY, SURFACE_TEMP, Climate, PointValue
from rules.stance import Key
from rules.vocabulary import LimitName

_MOST_RH_SHARE = 0.1  # of a humidity: the slope by it goes as its inverse
_SLOPE_PER_K = 0.012  # d ln p/dT of water and ice changes by less than this in a kelvin
_KINK = 1.15  # at the triple point it is 1.137 times as steep over ice as over water
_STEEPER = 1.4  # more than a slope can grow within a box
_TRIPLE_C = 0.01

QUANTITY_OF = {
    LimitName.AIR_TEMP_MIN: AIR_TEMP,
    LimitName.AIR_TEMP_MAX: AIR_TEMP,
    LimitName.HUMIDITY_MIN: HUMIDITY,
    LimitName.HUMIDITY_MAX: HUMIDITY,
    LimitName.SURFACE_TEMP_MIN: SURFACE_TEMP,
    LimitName.SURFACE_TEMP_MAX: SURFACE_TEMP,
    LimitName.DEW_MARGIN_MIN: SURFACE_TEMP,
}


class Source(NamedTuple):
    """What an estimate is made of, by its places in what was sensed.

    Attributes:
        own: of its value, or of the air that its surface is assumed from.
        offset_k: of an assumed surface, or None [K].
        air: of the air beside it; -1 where the estimate is no margin.
        humidity: likewise.
    """

    own: int
    offset_k: float | None
    air: int = -1
    humidity: int = -1


class Move(NamedTuple):
    """How far an estimate and its guard can go within a box [unit of the limit]."""

    value: float
    guard: float = 0.0


def sources_of(climate: Climate, places: Mapping[tuple[str, str], int]) -> dict[Key, Source] | None:
    """What every estimate is made of, or None where a margin that there might be is missing."""
    found: dict[Key, Source] = {}
    offset_k = climate.assumed_offset_k
    for name, estimates in climate.estimates.items():
        quantity = QUANTITY_OF[name]
        for said in estimates:
            assumed = quantity == SURFACE_TEMP and said.source.endswith(ASSUMED)
            point = said.source.removesuffix(ASSUMED)
            beside = (-1, -1)
            if said.beside:
                beside = places[said.beside, AIR_TEMP], places[said.beside, HUMIDITY]
            found[quantity, said.source, said.beside] = Source(
                places[point, AIR_TEMP if assumed else quantity],
                offset_k if assumed else None,
                *beside,
            )
    surfaces, airs, damp = (
        {source for of, source, beside in found if of == quantity and not beside}
        for quantity in (SURFACE_TEMP, AIR_TEMP, HUMIDITY)
    )
    return found if len(climate.pairs) == len(surfaces) * len(airs & damp) else None


def moves_of(
    sensed: Sequence[PointValue],
    sources: Mapping[Key, Source],
    temp_k: float,
    rh_pct: float,
) -> dict[Key, Move] | None:
    """How far every estimate can go while no value moves by more; None where nobody knows."""
    found = {}
    for key, source in sources.items():
        if source.humidity >= 0:
            move = _margin_move(sensed[source.air], sensed[source.humidity], temp_k, rh_pct)
            if move is None:
                return None
            found[key] = move
        else:
            found[key] = Move(rh_pct if key[0] == HUMIDITY else temp_k)
    return found


def _margin_move(
    air: PointValue, humidity: PointValue, temp_k: float, rh_pct: float
) -> Move | None:
    """How far a margin and its guard can go: by the largest that its slopes can be in the box.

    A standard uncertainty is a norm of its parts, so that it changes by no more than they do.
    """
    if rh_pct > _MOST_RH_SHARE * humidity.value:
        return None
    per_k, per_pct = dew_point_slopes(air.value, humidity.value)
    by_values_k = per_k * temp_k + per_pct * rh_pct
    most_k = _STEEPER * by_values_k
    steeper = (1.0 + _SLOPE_PER_K * (temp_k + most_k)) / (1.0 - rh_pct / humidity.value)
    if abs(wetting_point_c(air.value, humidity.value) - _TRIPLE_C) <= most_k:
        steeper *= _KINK
    by_air_k = per_k * standard_uncertainty(air.accuracy)
    by_rh_k = per_pct * standard_uncertainty(humidity.accuracy)
    shared_k = math.sqrt(abs(2.0 * by_air_k * per_pct * humidity.by_air * by_air_k / per_k))
    parts_k = GUARD_FACTOR * (by_air_k + by_rh_k + shared_k)
    parts_k += per_k * air.usual_change + per_pct * humidity.usual_change
    return Move(temp_k + steeper * by_values_k, (steeper - 1.0) * parts_k)
