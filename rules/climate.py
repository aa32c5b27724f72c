"""The enclosure's state at one time: from what the points sensed to what a limit can judge.

Takes values that `sensors` has already judged for quality; hands estimates to `limits`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from rules.air.state import dew_and_frost_c, dew_point_slopes
from rules.air.uncertainty import GUARD_FACTOR, margin_u_assumed_k, margin_u_k, standard_uncertainty
from rules.errors import FilmcallError
from rules.vocabulary import LimitName

AIR_TEMP = "air_temp"
HUMIDITY = "humidity"
SURFACE_TEMP = "surface_temp"


class PointValue(NamedTuple):
    """What one point last said of one quantity.

    Attributes:
        point: name of the sensor body.
        quantity: `air_temp`, `humidity` or `surface_temp`; others are not judged.
        section: the part of the work that a surface point belongs to; None counts for all.
        value: in degC or %; meaningless unless `quality` is "ok".
        quality: "ok", or why the value is not believed.
        accuracy: half-width of the sensor's error [K or %].
        required: whether its silence makes its limits unknown.
        usual_change: what the value usually does between two readings, where those are more
            than 5 min apart; widens the guard [K or %].
        by_air: how a humidity follows the error of the same point's air temperature, where it is
            worked out from that and a wet bulb; counts with a surface point [% per K].
    """

    point: str
    quantity: str
    section: str | None
    value: float
    quality: str
    accuracy: float
    required: bool = True
    usual_change: float = 0.0
    by_air: float = 0.0


class AssumedSurface(NamedTuple):
    """What stands in for a surface probe: an offset from the coldest air, and its accuracy [K]."""

    offset_k: float
    accuracy_k: float


def assumed_words(offset_k: float, air: str = "the coldest air") -> str:
    """Return where a surface is assumed to stand, by its offset from the air [K].

    >>> assumed_words(-0.5), assumed_words(0.0, "the air")
    ('0.5 K under the coldest air', 'as warm as the air')
    """
    return f"{-offset_k:g} K under {air}" if offset_k else f"as warm as {air}"


class Estimate(NamedTuple):
    """The value that a limit judges, how far from the bound it must stay, and where it is from.

    `beside` is the second point that it rests on: the air's, of a margin.
    """

    value: float
    guard: float
    source: str
    beside: str = ""


@dataclass(frozen=True, slots=True)
class Climate:
    """What is known of the air and of one section's surface at one time.

    Attributes:
        time_s: seconds since 1970-01-01 UTC [s].
        air_temp_c: at the point with the highest dew or frost point, or None [degC].
        rh_pct: at the same point [%].
        surface_temp_c: the coldest surface of the section, or None [degC].
        dew_point_c: over liquid water, at the same point as `air_temp_c` [degC].
        frost_point_c: or None at and above freezing [degC].
        dew_margin_k: coldest surface less the higher of the two, or None [K].
        dew_margin_u_k: its standard uncertainty [K].
        air_point: the point that the air's values come from, or "".
        surface_point: the point that the surface's value comes from, or "".
        assumed_offset_k: the offset where the surface is assumed, else None [K].
        estimates: what each limit can judge; known points only.
        unknown: limits for which a required point is not ok, and why.
    """

    time_s: float
    air_temp_c: float | None
    rh_pct: float | None
    surface_temp_c: float | None
    dew_point_c: float | None
    frost_point_c: float | None
    dew_margin_k: float | None
    dew_margin_u_k: float | None
    air_point: str
    surface_point: str
    assumed_offset_k: float | None
    estimates: Mapping[LimitName, Estimate]
    unknown: Mapping[LimitName, str]


_AIR_LIMITS = (LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX, LimitName.DEW_MARGIN_MIN)
_HUMIDITY_LIMITS = (LimitName.HUMIDITY_MIN, LimitName.HUMIDITY_MAX, LimitName.DEW_MARGIN_MIN)
_SURFACE_LIMITS = (
    LimitName.SURFACE_TEMP_MIN,
    LimitName.SURFACE_TEMP_MAX,
    LimitName.DEW_MARGIN_MIN,
)
_LIMITS_OF = {
    AIR_TEMP: _AIR_LIMITS,
    HUMIDITY: _HUMIDITY_LIMITS,
    SURFACE_TEMP: _SURFACE_LIMITS,
}
_QUALITY_WORDS = {
    "spike": "a spike",
    "retained": "only what the broker had kept",
    "clock": "from before the clock was set",
}
STUCK = "stuck"
ASSUMED = " (assumed)"
"""Behind the name of the air point whose temperature stands in for a surface."""
_WORD = {AIR_TEMP: "air temperature", HUMIDITY: "humidity", SURFACE_TEMP: "surface temperature"}


def climate_of(
    sensed: Iterable[PointValue],
    section: str,
    time_s: float,
    assumed: AssumedSurface | None = None,
) -> Climate:
    """Return the state of the air and of one section's surface.

    The margin takes the highest dew or frost point and the coldest surface; the upper humidity
    limit the most humid point. Humidity pairs only with the air temperature of the same point.
    A required point that is not ok makes its limits unknown.

    Args:
        sensed: the last word of every point of the enclosure; values already checked for range.
        section: which section's surface points count, beside those without a section.
        time_s: seconds since 1970-01-01 UTC [s].
        assumed: what stands in where the section has no surface point at all.

    Returns:
        The climate; quantities that no ok point gives are None.
    """
    airs: dict[str, PointValue] = {}
    humidities: list[PointValue] = []
    surfaces: list[PointValue] = []
    unknown: dict[LimitName, str] = {}
    has_surface_point = False
    for entry in sensed:
        quantity = entry.quantity
        if quantity not in _LIMITS_OF:
            continue
        if quantity == SURFACE_TEMP:
            if entry.section is not None and entry.section != section:
                continue
            has_surface_point = True
        if entry.quality != "ok":
            if entry.required:
                said = _QUALITY_WORDS.get(entry.quality, entry.quality)
                why = f"{_WORD[quantity]} of {entry.point} is {said}"
                for name in _LIMITS_OF[quantity]:
                    unknown.setdefault(name, why)
            if entry.quality != STUCK:
                continue
            # What a stuck value says may still be past a bound: it only gives no GO.
        if quantity == AIR_TEMP:
            airs[entry.point] = entry
        elif quantity == HUMIDITY:
            humidities.append(entry)
        else:
            surfaces.append(entry)

    for quantity, present in (
        (AIR_TEMP, bool(airs)),
        (HUMIDITY, bool(humidities)),
        (SURFACE_TEMP, bool(surfaces) or (assumed is not None and not has_surface_point)),
    ):
        if not present:
            for name in _LIMITS_OF[quantity]:
                unknown.setdefault(name, f"no {_WORD[quantity]}")

    estimates: dict[LimitName, Estimate] = {}
    _temperature_estimates(
        estimates, tuple(airs.values()), LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX
    )
    _temperature_estimates(
        estimates, surfaces, LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX
    )
    if humidities:
        for name, pick in ((LimitName.HUMIDITY_MAX, max), (LimitName.HUMIDITY_MIN, min)):
            entry = pick(humidities, key=_value)
            estimates[name] = Estimate(entry.value, _guard_of(entry), entry.point)

    wettest = None
    try:
        wettest = _wettest(airs, humidities)
    except FilmcallError as fault:
        unknown[LimitName.DEW_MARGIN_MIN] = f"no dew point: {fault}"
    if wettest is None and LimitName.DEW_MARGIN_MIN not in unknown:
        unknown[LimitName.DEW_MARGIN_MIN] = "no point has both air temperature and humidity"
    surface = min(surfaces, key=_value) if surfaces else None
    assumed_here = assumed if not has_surface_point else None
    surface_temp_c = surface.value if surface is not None else None
    surface_point = surface.point if surface is not None else ""
    if assumed_here is not None and airs:
        coldest_air = min(airs.values(), key=_value)
        surface_temp_c = coldest_air.value + assumed_here.offset_k
        accuracy = math.hypot(coldest_air.accuracy, assumed_here.accuracy_k)
        surface_point = f"{coldest_air.point}{ASSUMED}"
        guard = _guard(accuracy) + coldest_air.usual_change
        for name in (LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX):
            estimates[name] = Estimate(surface_temp_c, guard, surface_point)

    margin_k: float | None = None
    margin_u_k: float | None = None
    if wettest is not None and surface_temp_c is not None:
        air, humidity, wetting_c = wettest
        margin_k = surface_temp_c - wetting_c
        margin_u_k, change_k = _margin_spread(air, humidity, surface, assumed_here)
        estimates[LimitName.DEW_MARGIN_MIN] = Estimate(
            margin_k, GUARD_FACTOR * margin_u_k + change_k, surface_point, air.point
        )

    air_temp_c = rh_pct = dew_c = frost_c = None
    air_point = ""
    if wettest is not None:
        air, humidity, _ = wettest
        air_point, air_temp_c, rh_pct = air.point, air.value, humidity.value
        dew_c, frost_c = dew_and_frost_c(air_temp_c, rh_pct)
    elif airs or humidities:
        air_temp_c = min(airs.values(), key=_value).value if airs else None
        rh_pct = max(humidities, key=_value).value if humidities else None

    return Climate(
        time_s=time_s,
        air_temp_c=air_temp_c,
        rh_pct=rh_pct,
        surface_temp_c=surface_temp_c,
        dew_point_c=dew_c,
        frost_point_c=frost_c,
        dew_margin_k=margin_k,
        dew_margin_u_k=margin_u_k,
        air_point=air_point,
        surface_point=surface_point,
        assumed_offset_k=assumed_here.offset_k if assumed_here is not None else None,
        estimates=estimates,
        unknown=unknown,
    )


def _value(entry: PointValue) -> float:
    return entry.value


@lru_cache(maxsize=256)
def _guard(accuracy: float) -> float:
    return GUARD_FACTOR * standard_uncertainty(accuracy)


def _guard_of(entry: PointValue) -> float:
    return _guard(entry.accuracy) + entry.usual_change


def _temperature_estimates(
    estimates: dict[LimitName, Estimate],
    entries: Iterable[PointValue],
    low: LimitName,
    high: LimitName,
) -> None:
    found = tuple(entries)
    if found:
        for name, entry in ((low, min(found, key=_value)), (high, max(found, key=_value))):
            estimates[name] = Estimate(entry.value, _guard_of(entry), entry.point)


def _wettest(
    airs: Mapping[str, PointValue], humidities: Iterable[PointValue]
) -> tuple[PointValue, PointValue, float] | None:
    """The pair of one body with the highest dew or frost point, and that point [degC]."""
    best: tuple[PointValue, PointValue, float] | None = None
    for humidity in humidities:
        air = airs.get(humidity.point)
        if air is None:
            continue
        dew_c, frost_c = dew_and_frost_c(air.value, humidity.value)
        wetting_c = dew_c if frost_c is None else max(dew_c, frost_c)
        if best is None or wetting_c > best[2]:
            best = (air, humidity, wetting_c)
    return best


@lru_cache(maxsize=1024)
def _margin_u(
    air_temp_c: float,
    rh_pct: float,
    surface_accuracy_k: float,
    air_accuracy_k: float,
    rh_accuracy_pct: float,
    shared_housing: bool,
    rh_by_air: float,
) -> float:
    return margin_u_k(
        air_temp_c,
        rh_pct,
        surface_accuracy_k,
        air_accuracy_k,
        rh_accuracy_pct,
        shared_housing=shared_housing,
        rh_by_air=rh_by_air,
    )


def _margin_spread(
    air: PointValue,
    humidity: PointValue,
    surface: PointValue | None,
    assumed: AssumedSurface | None,
) -> tuple[float, float]:
    """Standard uncertainty of the margin, and its usual change between slow readings [K, K]."""
    change_k = 0.0
    if air.usual_change or humidity.usual_change:
        per_k, per_pct = dew_point_slopes(air.value, humidity.value)
        change_k = per_k * air.usual_change + per_pct * humidity.usual_change
    if surface is not None:
        change_k += surface.usual_change
        u_k = _margin_u(
            air.value,
            humidity.value,
            surface.accuracy,
            air.accuracy,
            humidity.accuracy,
            surface.point == air.point,
            humidity.by_air,
        )
        return u_k, change_k
    accuracy_k = assumed.accuracy_k if assumed is not None else 0.0
    u_k = margin_u_assumed_k(air.value, humidity.value, air.accuracy, humidity.accuracy, accuracy_k)
    return u_k, change_k + air.usual_change
