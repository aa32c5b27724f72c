"""The enclosure's state at one time: from what the points sensed to what a limit can judge.

Takes values that `sensors` has already judged for quality; hands estimates to `limits`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, NamedTuple

from rules.air.state import dew_and_frost_c, dew_point_slopes
from rules.air.uncertainty import (
    GUARD_FACTOR,
    extreme_bias_k,
    pair_u_k,
    standard_uncertainty,
)
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
        shared_element: of a surface, whether it is read by the same element as its body's air
            temperature, so that part of their error is one; only where the config says so.
        why: what made its value doubted, in words, or of a believed surface or humidity that its
            probe stands and its guard grows; "" where the quality says all.
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
    shared_element: bool = False
    why: str = ""


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
    """What one probe, or one pair of a surface and an air body, says to a limit.

    Attributes:
        value: the best estimate [K, % or degC].
        guard: how far inside the bound it must stay, by the errors of this probe or pair alone.
        source: the point; of a margin, the surface's.
        beside: of a margin, the air's point, else "".
    """

    value: float
    guard: float
    source: str
    beside: str = ""


class Pair(NamedTuple):
    """A surface beside an air body, with all that a screen shows of it.

    Attributes:
        surface_point: that the surface's value comes from.
        surface_temp_c: [degC].
        air_point: that the air's values come from.
        air_temp_c: [degC].
        rh_pct: [%].
        dew_margin_k: surface less the higher of dew and frost point [K].
        dew_margin_u_k: its standard uncertainty [K].
    """

    surface_point: str
    surface_temp_c: float
    air_point: str
    air_temp_c: float
    rh_pct: float
    dew_margin_k: float
    dew_margin_u_k: float


@dataclass(frozen=True, slots=True)
class Climate:
    """What is known of the air and of one section's surface at one time.

    Attributes:
        time_s: seconds since 1970-01-01 UTC [s].
        air_temp_c: at the air body that decides the dew margin, or None [degC].
        rh_pct: at the same body [%].
        surface_temp_c: the surface that decides it, or None [degC].
        dew_point_c: over liquid water, at the same point as `air_temp_c` [degC].
        frost_point_c: or None at and above freezing [degC].
        dew_margin_k: surface less the higher of the two, or None [K].
        dew_margin_u_k: its standard uncertainty [K].
        air_point: the point that the air's values come from, or "".
        surface_point: the point that the surface's value comes from, or "".
        assumed_offset_k: the offset where the surface is assumed, else None [K].
        estimates: what each probe or pair says to each limit; known points only.
        unknown: limits for which a required point is not ok, and why.
        pairs: every surface beside every air body.
        standing: points whose surface's or humidity's guard grows, since it has told of nothing.
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
    estimates: Mapping[LimitName, tuple[Estimate, ...]]
    unknown: Mapping[LimitName, str]
    pairs: tuple[Pair, ...] = ()
    standing: frozenset[str] = frozenset()

    def decided_by(self, surface_point: str, air_point: str) -> Climate:
        """Return the same climate with the figures of the pair that decides the dew margin.

        Args:
            surface_point: of the pair.
            air_point: of the pair.
        """
        for pair in self.pairs:
            if pair.surface_point == surface_point and pair.air_point == air_point:
                if self.surface_point == surface_point and self.air_point == air_point:
                    return self
                return replace(self, **_figures(pair))
        return self

    def stands(self, name: LimitName, guard: float) -> bool:
        """Return whether a limit's guard is that of a probe that tells of nothing.

        Args:
            name: the limit.
            guard: as one of its estimates has it [unit of the limit].
        """
        return name not in (LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX) and any(
            guard == each.guard and not self.standing.isdisjoint((each.source, each.beside))
            for each in self.estimates.get(name, ())
        )

    def likely_margin_k(self) -> float | None:
        """Return the dew margin less what the lowest of many pairs owes to chance, or None [K].

        For showing beside the deciding pair's; no limit is judged by it.
        """
        if self.dew_margin_k is None or self.dew_margin_u_k is None:
            return None
        beside = [each for each in self.pairs if each.air_point == self.air_point]
        on = [each for each in self.pairs if each.surface_point == self.surface_point]
        said = self.estimates.get(LimitName.SURFACE_TEMP_MIN, ())
        guard = max((each.guard for each in said if each.source == self.surface_point), default=0.0)
        surface_u_k = min(guard / GUARD_FACTOR, self.dew_margin_u_k)
        air_u_k = math.sqrt(self.dew_margin_u_k**2 - surface_u_k**2)
        return (
            self.dew_margin_k
            + extreme_bias_k([each.surface_temp_c for each in beside], surface_u_k)
            + extreme_bias_k([each.dew_margin_k for each in on], air_u_k)
        )


_SURFACE_LIMITS = (
    LimitName.SURFACE_TEMP_MIN,
    LimitName.SURFACE_TEMP_MAX,
    LimitName.DEW_MARGIN_MIN,
)
"""Limits that a surface speaks to."""
_AIR_LIMITS = (LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX, LimitName.DEW_MARGIN_MIN)
_HUMIDITY_LIMITS = (LimitName.HUMIDITY_MIN, LimitName.HUMIDITY_MAX, LimitName.DEW_MARGIN_MIN)
_LIMITS_OF = {
    AIR_TEMP: _AIR_LIMITS,
    HUMIDITY: _HUMIDITY_LIMITS,
    SURFACE_TEMP: _SURFACE_LIMITS,
}
_QUALITY_WORDS = {
    "spike": "a spike",
    "stale": "too old",
    "retained": "only an old message that the broker held",
    "clock": "from before the clock was set",
}
DOUBTED = "doubted"
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

    Every probe speaks to its limits for itself, with its own guard, and the dew margin is had from
    each pair of a surface and an air body: a probe added can only be a further witness. Humidity
    pairs only with the air temperature of the same point. A required point that is not ok makes
    its limits unknown. The figures to show are those of the pair with the lowest lower bound,
    until `decided_by` names another.

    Args:
        sensed: the last word of every point of the enclosure; values already checked for range.
        section: which section's surface points count, beside those without a section.
        time_s: seconds since 1970-01-01 UTC [s].
        assumed: what stands in where the section has no surface point at all.

    Returns:
        The climate; quantities that no ok point gives are None.
    """
    heard = _heard(sensed, section)
    stood_in = assumed if not heard.has_surface_point else None
    places = _places(heard.airs, heard.surfaces, stood_in)
    unknown = dict(heard.unknown)
    present = (
        (AIR_TEMP, heard.airs),
        (HUMIDITY, heard.humidities),
        (SURFACE_TEMP, heard.surfaces or stood_in),
    )
    for quantity, there in present:
        if not there:
            for name in _LIMITS_OF[quantity]:
                unknown.setdefault(name, f"no {_WORD[quantity]}")
    bodies: list[_Body] = []
    try:
        bodies = [
            _body(heard.airs[each.point], each)
            for each in heard.humidities
            if each.point in heard.airs
        ]
    except FilmcallError as fault:
        unknown[LimitName.DEW_MARGIN_MIN] = f"no dew point: {fault}"
    if not bodies and LimitName.DEW_MARGIN_MIN not in unknown:
        unknown[LimitName.DEW_MARGIN_MIN] = "no point has both air temperature and humidity"
    pairs, margins = _margins(places, bodies)
    bare = Climate(
        time_s=time_s,
        air_temp_c=min((each.value for each in heard.airs.values()), default=None),
        rh_pct=max((each.value for each in heard.humidities), default=None),
        surface_temp_c=min((each.value_c for each in places), default=None),
        dew_point_c=None,
        frost_point_c=None,
        dew_margin_k=None,
        dew_margin_u_k=None,
        air_point="",
        surface_point=min(places, key=lambda each: each.value_c).point if places else "",
        assumed_offset_k=stood_in.offset_k if stood_in is not None else None,
        estimates=_estimates_of(heard, places, margins),
        unknown=unknown,
        pairs=pairs,
        standing=frozenset(each.point for each in (*heard.surfaces, *heard.humidities) if each.why),
    )
    if pairs:
        worst = min(margins, key=lambda each: each.value - each.guard)
        return bare.decided_by(worst.source, worst.beside)
    if bodies:
        wettest = max(bodies, key=lambda each: each.wetting_c)
        return replace(bare, **_air_figures(wettest.air.point, wettest.air.value, wettest.rh_pct))
    return bare


class _Heard(NamedTuple):
    """What the points of one section say that can be judged, and what is not known for others."""

    airs: dict[str, PointValue]
    humidities: list[PointValue]
    surfaces: list[PointValue]
    has_surface_point: bool
    unknown: dict[LimitName, str]


def _heard(sensed: Iterable[PointValue], section: str) -> _Heard:
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
                why = entry.why or f"{_WORD[quantity]} of {entry.point} is {said}"
                for name in _LIMITS_OF[quantity]:
                    unknown.setdefault(name, why)
            if entry.quality != DOUBTED:
                continue
            # What a doubted value says may still be past a bound: it only gives no GO.
        if quantity == AIR_TEMP:
            airs[entry.point] = entry
        elif quantity == HUMIDITY:
            humidities.append(entry)
        else:
            surfaces.append(entry)
    return _Heard(airs, humidities, surfaces, has_surface_point, unknown)


def _margins(
    places: Iterable[_Place], bodies: list[_Body]
) -> tuple[tuple[Pair, ...], tuple[Estimate, ...]]:
    """Every surface beside every air body, and what each pair says to the dew margin."""
    pairs: list[Pair] = []
    margins: list[Estimate] = []
    for place in places:
        for body in bodies:
            pair, change_k = _pair(place, body)
            guard = GUARD_FACTOR * pair.dew_margin_u_k + change_k
            pairs.append(pair)
            margins.append(Estimate(pair.dew_margin_k, guard, place.point, pair.air_point))
    return tuple(pairs), tuple(margins)


def _estimates_of(
    heard: _Heard, places: Iterable[_Place], margins: tuple[Estimate, ...]
) -> dict[LimitName, tuple[Estimate, ...]]:
    """What each probe and each pair says to each limit."""
    by_air = _estimates(heard.airs.values())
    by_humidity = _estimates(heard.humidities)
    by_surface = tuple(
        Estimate(place.value_c, GUARD_FACTOR * place.u_k + place.change_k, place.point)
        for place in places
    )
    said = {
        LimitName.AIR_TEMP_MIN: by_air,
        LimitName.AIR_TEMP_MAX: by_air,
        LimitName.HUMIDITY_MIN: by_humidity,
        LimitName.HUMIDITY_MAX: by_humidity,
        LimitName.SURFACE_TEMP_MIN: by_surface,
        LimitName.SURFACE_TEMP_MAX: by_surface,
        LimitName.DEW_MARGIN_MIN: margins,
    }
    return {name: estimates for name, estimates in said.items() if estimates}


class _Place(NamedTuple):
    """A surface, measured or assumed: its value, its uncertainty, and what that shares."""

    point: str
    value_c: float
    u_k: float
    change_k: float
    body: str  # whose air temperature it shares an element with, or is taken from; else ""
    offset_u_k: float | None  # where it is assumed: the offset's own uncertainty


class _Body(NamedTuple):
    """An air temperature and a humidity of one sensor body."""

    air: PointValue
    rh_pct: float
    wetting_c: float
    per_k: float
    air_u_k: float  # of the wetting point, by the air temperature's error
    rh_u_k: float  # of the wetting point, by the humidity's error
    covariance_k2: float  # twice the covariance of the two
    change_k: float


def _estimates(entries: Iterable[PointValue]) -> tuple[Estimate, ...]:
    return tuple(Estimate(each.value, _guard_of(each), each.point) for each in entries)


def _places(
    airs: Mapping[str, PointValue],
    surfaces: Iterable[PointValue],
    assumed: AssumedSurface | None,
) -> tuple[_Place, ...]:
    if assumed is None:
        return tuple(
            _Place(
                each.point,
                each.value,
                standard_uncertainty(each.accuracy),
                each.usual_change,
                each.point if each.shared_element else "",
                None,
            )
            for each in surfaces
        )
    accuracy_k = assumed.accuracy_k
    return tuple(
        _Place(
            f"{air.point}{ASSUMED}",
            air.value + assumed.offset_k,
            standard_uncertainty(math.hypot(air.accuracy, accuracy_k)),
            air.usual_change,
            air.point,
            standard_uncertainty(accuracy_k),
        )
        for air in airs.values()
    )


def _body(air: PointValue, humidity: PointValue) -> _Body:
    """How the wetting point of a body follows its two errors.

    Raises:
        FilmcallError: no dew point can be had from these values.
    """
    dew_c, frost_c = dew_and_frost_c(air.value, humidity.value)
    per_k, per_pct = dew_point_slopes(air.value, humidity.value)
    air_u_k = standard_uncertainty(air.accuracy)
    covariance_k2 = 2.0 * per_k * air_u_k * per_pct * humidity.by_air * air_u_k
    return _Body(
        air,
        humidity.value,
        dew_c if frost_c is None else max(dew_c, frost_c),
        per_k,
        per_k * air_u_k,
        per_pct * standard_uncertainty(humidity.accuracy),
        covariance_k2,
        per_k * air.usual_change + per_pct * humidity.usual_change,
    )


def _pair(place: _Place, body: _Body) -> tuple[Pair, float]:
    """The margin of a surface over a body's wetting point, and its usual change [K].

    Source:
        JCGM 100:2008, 5.1.2 and 5.2.2, as `air.uncertainty.margin_u_k` has it for one pair; a
        surface assumed from this very body's air moves with its error.
    """
    same = place.body == body.air.point
    if same and place.offset_u_k is not None:
        # The air's error moves surface and dew point together and nearly cancels.
        moved_k = (1.0 - body.per_k) * standard_uncertainty(body.air.accuracy)
        u_k = pair_u_k(place.offset_u_k, moved_k, body.rh_u_k)
    else:
        u_k = pair_u_k(
            place.u_k, body.air_u_k, body.rh_u_k, body.covariance_k2, shared_element=same
        )
    pair = Pair(
        place.point,
        place.value_c,
        body.air.point,
        body.air.value,
        body.rh_pct,
        place.value_c - body.wetting_c,
        u_k,
    )
    return pair, place.change_k + body.change_k


def _figures(pair: Pair) -> dict[str, Any]:
    return {
        "surface_temp_c": pair.surface_temp_c,
        "surface_point": pair.surface_point,
        "dew_margin_k": pair.dew_margin_k,
        "dew_margin_u_k": pair.dew_margin_u_k,
        **_air_figures(pair.air_point, pair.air_temp_c, pair.rh_pct),
    }


def _air_figures(point: str, air_temp_c: float, rh_pct: float) -> dict[str, Any]:
    dew_c, frost_c = dew_and_frost_c(air_temp_c, rh_pct)
    return {
        "air_point": point,
        "air_temp_c": air_temp_c,
        "rh_pct": rh_pct,
        "dew_point_c": dew_c,
        "frost_point_c": frost_c,
    }


@lru_cache(maxsize=256)
def _guard(accuracy: float) -> float:
    return GUARD_FACTOR * standard_uncertainty(accuracy)


def _guard_of(entry: PointValue) -> float:
    return _guard(entry.accuracy) + entry.usual_change
