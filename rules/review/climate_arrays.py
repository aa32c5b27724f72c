"""The climate of one section as columns, for a look back over months; `climate` does one time.

Takes columns on one even grid; hands a `ClimateSeries` to `exposure` and a `TemperatureHistory` to
`coats`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rules.air.arrays import wetting_points_c
from rules.air.saturation import AIR_MAX_C, AIR_MIN_C, RH_FRACTION_PCT, RH_MAX_PCT
from rules.air.uncertainty import GUARD_FACTOR, SHARED_ELEMENT_CORRELATION, standard_uncertainty
from rules.clocks.history import TemperatureHistory
from rules.known import CARBON_DIOXIDE, HUMIDITY, TEMPERATURE, Bools, Floats, Pace, with_silences
from rules.review.exposure import ClimateSeries
from rules.vocabulary import ASSUMED_SURFACE_ACCURACY_K, LimitName

# Steps of the difference quotients that give the wetting point's slopes [K, %].
_DT_K, _DRH_PCT = 0.05, 0.1
_PIECE = 65_536  # cells


@dataclass(frozen=True, slots=True, eq=False)
class PointColumn:
    """One quantity at one point on the grid.

    Attributes:
        point: name of the sensor body.
        values: NaN where not ok [degC, % or ppm].
        accuracy: half-width of the sensor's error [the same].
        required: whether its silence makes its limits unknown.
        lows: where a cell stands for a minute's mean, the lowest of that minute, else the value;
            None where every cell is a value of its own.
        highs: the highest.
        doubted: what was said and not believed, NaN elsewhere; None where nothing was.
        shared_element: of a surface, whether one element reads it and its body's air.
    """

    point: str
    values: Floats
    accuracy: float
    required: bool = True
    lows: Floats | None = None
    highs: Floats | None = None
    doubted: Floats | None = None
    shared_element: bool = False


def climate_series(
    time_s: Floats,
    step_s: float,
    airs: Sequence[PointColumn],
    humidities: Sequence[PointColumn],
    surfaces: Sequence[PointColumn],
    co2: Sequence[PointColumn] = (),
    assumed_offset_k: float | None = None,
    assumed_accuracy_k: float = ASSUMED_SURFACE_ACCURACY_K,
) -> ClimateSeries:
    """Return a section's climate as the limits judge it, cell by cell.

    Args:
        time_s: start of each cell, evenly apart [s].
        step_s: length of a cell [s].
        airs: air temperatures.
        humidities: humidities; each pairs only with the air temperature of the same point.
        surfaces: the surfaces that count for the section.
        co2: carbon dioxide.
        assumed_offset_k: stands in for surfaces where there are none, or None [K].
        assumed_accuracy_k: how far that may be out [K].

    Returns:
        The series: of each limit the worst value of its probes, and the guard that the probe asks
        which judges worst. Of minute means, the least margin is that of the coldest surface, the
        warmest and the most humid air of the minute, which need not have come together: it was no
        less than that.

    Source:
        As `climate.climate_of`; slopes of the wetting point by difference quotients.
    """
    size = time_s.size
    spoken = (airs, humidities, surfaces)
    airs, humidities, co2 = (
        _with_silences(time_s, columns, pace)
        for columns, pace in ((airs, TEMPERATURE), (humidities, HUMIDITY), (co2, CARBON_DIOXIDE))
    )
    air = [_ends(_at_end(airs, lowest=lowest), size) for lowest in (True, False)]
    surfaces = _with_silences(time_s, surfaces, TEMPERATURE, (air[0][0], air[1][1]))
    values: dict[LimitName, Floats] = {}
    guards: dict[LimitName, Floats] = {}
    complete: dict[LimitName, Bools] = {}
    air_ok, rh_ok, surface_ok = (_complete(c, size) for c in (airs, humidities, surfaces))
    assumed = not surfaces and assumed_offset_k is not None and bool(airs)
    if assumed and assumed_offset_k is not None:
        places = [_assumed_place(air, assumed_offset_k, assumed_accuracy_k) for air in airs]
        surface_ok = air_ok
    else:
        places = [_Place(c, standard_uncertainty(c.accuracy)) for c in surfaces]
    for columns, low, high in (
        (airs, LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX),
        (humidities, LimitName.HUMIDITY_MIN, LimitName.HUMIDITY_MAX),
        ([each.column for each in places], LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX),
    ):
        if columns:
            said = [(c.values, _guard(c.accuracy)) for c in columns]
            values[low], guards[low] = _worst(said, upper=False)
            values[high], guards[high] = _worst(said, upper=True)
    margin, margin_guard = np.full(size, np.nan), np.full(size, np.nan)
    if places and _bodies(airs, humidities, slice(0)):
        # Piece by piece: of months, each column on the way to a margin is megabytes.
        for begin in range(0, size, _PIECE):
            cells = slice(begin, begin + _PIECE)
            bodies = _bodies(airs, humidities, cells)
            margins = [_margin(place, body, cells) for place in places for body in bodies]
            margin[cells], margin_guard[cells] = _worst(margins, upper=False)
    values[LimitName.DEW_MARGIN_MIN], guards[LimitName.DEW_MARGIN_MIN] = margin, margin_guard
    for name in LimitName:
        complete[name] = {
            LimitName.DEW_MARGIN_MIN: air_ok & rh_ok & surface_ok,
            LimitName.HUMIDITY_MAX: rh_ok,
            LimitName.HUMIDITY_MIN: rh_ok,
            LimitName.AIR_TEMP_MIN: air_ok,
            LimitName.AIR_TEMP_MAX: air_ok,
        }.get(name, surface_ok)
    offset_k = assumed_offset_k if assumed else None
    ends, spoken_ends = (airs, humidities, surfaces, size, offset_k), (*spoken, size, offset_k)
    silent = any(a is not b for a, b in zip(spoken, (airs, humidities, surfaces), strict=True))
    ended = any(c.lows is not None for c in (*airs, *humidities, *surfaces))
    airs_said, rhs_said, surfaces_said = (
        [_believed(column) for column in columns] for columns in spoken
    )
    believed_ends = (airs_said, rhs_said, surfaces_said, size, offset_k)
    doubted = any(c.doubted is not None for columns in spoken for c in columns)
    lowest = _extremes(*ends, lowest=True) if ended else {}
    highest = _extremes(*ends, lowest=False) if ended else {}
    return ClimateSeries(
        time_s=time_s,
        step_s=step_s,
        values=values,
        guards=guards,
        complete=complete,
        co2_ppm=_ends(_at_end(co2, lowest=False), size)[1] if co2 else None,
        lowest=lowest,
        highest=highest,
        assumed_offset_k=offset_k,
        doubted_lowest=_extremes(*believed_ends, lowest=True) if doubted else {},
        doubted_highest=_extremes(*believed_ends, lowest=False) if doubted else {},
        measured_lowest=_other(_extremes(*spoken_ends, lowest=True), lowest) if silent else {},
        measured_highest=_other(_extremes(*spoken_ends, lowest=False), highest) if silent else {},
    )


def _other(
    found: Mapping[LimitName, Floats], ends: Mapping[LimitName, Floats]
) -> dict[LimitName, Floats]:
    """Those that differ from the ends; of months, each is megabytes."""
    return {
        name: values
        for name, values in found.items()
        if not np.array_equal(values, ends[name], equal_nan=True)
    }


def _believed(column: PointColumn) -> PointColumn:
    """The column as if what was doubted had been right."""
    if column.doubted is None:
        return column
    said = column.doubted

    def filled(values: Floats) -> Floats:
        return np.where(np.isnan(values), said, values)

    return replace(
        column,
        values=filled(column.values),
        lows=None if column.lows is None else filled(column.lows),
        highs=None if column.highs is None else filled(column.highs),
    )


def _with_silences(
    time_s: Floats,
    columns: Sequence[PointColumn],
    pace: Pace,
    around: tuple[Floats, Floats] | None = None,
) -> Sequence[PointColumn]:
    """The columns with what is known of each required one where it is silent and others speak."""
    needed = [column for column in columns if column.required]
    if len(needed) < 2 or all(np.isfinite(column.values).all() for column in needed):
        return columns
    low, high = (
        np.column_stack([each.values for each in _at_end(needed, lowest=lowest)])
        for lowest in (True, False)
    )
    spoke = np.isfinite(low)
    low, high = with_silences(time_s, low, high, pace, around=around)
    if (np.isfinite(low) == spoke).all():
        return columns  # before the first word, or while all were silent: nothing is known of it
    known = zip(low.T, high.T, strict=True)
    ends = {column.point: each for column, each in zip(needed, known, strict=True)}
    return [
        replace(column, lows=ends[column.point][0], highs=ends[column.point][1])
        if column.point in ends
        else column
        for column in columns
    ]


def _at_end(columns: Sequence[PointColumn], *, lowest: bool) -> list[PointColumn]:
    """The columns as if each stood at one end of what its cells stand for."""
    found = []
    for column in columns:
        end = column.lows if lowest else column.highs
        found.append(column if end is None else replace(column, values=end))
    return found


def _extremes(
    airs: Sequence[PointColumn],
    humidities: Sequence[PointColumn],
    surfaces: Sequence[PointColumn],
    size: int,
    assumed_offset_k: float | None,
    *,
    lowest: bool,
) -> dict[LimitName, Floats]:
    """How low or how high each limit's quantity may have been in each cell."""
    found: dict[LimitName, Floats] = {}
    for columns, low, high in (
        (airs, LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX),
        (humidities, LimitName.HUMIDITY_MIN, LimitName.HUMIDITY_MAX),
        (surfaces, LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX),
    ):
        if columns:
            found[low], found[high] = _ends(_at_end(columns, lowest=lowest), size)
    if assumed_offset_k is not None:
        surface_c = found[LimitName.AIR_TEMP_MIN] + assumed_offset_k
        found[LimitName.SURFACE_TEMP_MIN] = found[LimitName.SURFACE_TEMP_MAX] = surface_c
    surface_c = found.get(LimitName.SURFACE_TEMP_MIN, np.full(size, np.nan))
    # The margin is least where the air's own end is the other one.
    wetting_c = _wettest_c(
        _at_end(airs, lowest=not lowest), _at_end(humidities, lowest=not lowest), size
    )
    found[LimitName.DEW_MARGIN_MIN] = surface_c - wetting_c
    return found


def temperature_history(
    series: ClimateSeries, surface_accuracy_k: float, air_accuracy_k: float, max_gap_s: float
) -> TemperatureHistory:
    """Return the series' temperatures as the clocks read them, of each hole its first cell.

    Args:
        series: of the section.
        surface_accuracy_k: of its surface points [K].
        air_accuracy_k: of its air points [K].
        max_gap_s: two samples further apart leave a gap [s].
    """
    said = series.values
    measured = np.zeros(series.time_s.size, dtype=np.bool_)
    for name in (LimitName.SURFACE_TEMP_MIN, LimitName.AIR_TEMP_MIN):
        if name in said:
            measured |= np.isfinite(said[name])
    # The first cell of a hole tells that there is one, whatever lies between its ends.
    measured[1:] |= measured[:-1] & ~measured[1:]
    first, count = int(np.argmax(measured)), int(measured.sum())
    whole = slice(first, first + count)  # months without a hole are not copied
    known = whole if measured[whole].all() else measured

    def history(
        lowest: Mapping[LimitName, Floats], highest: Mapping[LimitName, Floats]
    ) -> TemperatureHistory:
        empty = np.full(series.time_s.size, np.nan)
        return TemperatureHistory(
            time_s=series.time_s[known] + 0.5 * series.step_s,
            coldest_c=lowest.get(LimitName.SURFACE_TEMP_MIN, empty)[known],
            warmest_c=highest.get(LimitName.SURFACE_TEMP_MAX, empty)[known],
            accuracy_k=surface_accuracy_k,
            max_gap_s=max_gap_s,
            air_coldest_c=lowest.get(LimitName.AIR_TEMP_MIN, empty)[known],
            air_warmest_c=highest.get(LimitName.AIR_TEMP_MAX, empty)[known],
            air_accuracy_k=air_accuracy_k,
            rh_low_pct=lowest.get(LimitName.HUMIDITY_MIN, empty)[known],
            rh_high_pct=highest.get(LimitName.HUMIDITY_MAX, empty)[known],
        )

    by_said = history(said, said)
    if not series.lowest:
        return by_said
    return replace(history({**said, **series.lowest}, {**said, **series.highest}), said=by_said)


def _complete(columns: Sequence[PointColumn], size: int) -> Bools:
    """Where every required point was ok; nowhere without any point."""
    if not columns:
        return np.zeros(size, dtype=np.bool_)
    whole = np.ones(size, dtype=np.bool_)
    some = np.zeros(size, dtype=np.bool_)
    for column in columns:
        known = np.isfinite(column.values)
        some |= known
        if column.required:
            whole &= known
    return whole & some


def _ends(columns: Sequence[PointColumn], size: int) -> tuple[Floats, Floats]:
    """Lowest and highest of the columns, NaN where none is known."""
    low, high = np.full(size, np.nan), np.full(size, np.nan)
    for column in columns:
        np.fmin(low, column.values, out=low)
        np.fmax(high, column.values, out=high)
    return low, high


class _Place(NamedTuple):
    """A surface, measured or assumed, with the uncertainty of its temperature."""

    column: PointColumn
    u_k: float
    offset_u_k: float | None = None  # where it is assumed from its own body's air


class _Body(NamedTuple):
    """The wetting point of one body, and how it follows the errors of its two columns."""

    air: PointColumn
    wetting_c: Floats
    per_k: Floats
    rh_u_k: Floats


def _assumed_place(air: PointColumn, offset_k: float, accuracy_k: float) -> _Place:
    column = replace(
        air, values=air.values + offset_k, accuracy=math.hypot(air.accuracy, accuracy_k)
    )
    u_k = standard_uncertainty(column.accuracy)
    return _Place(column, u_k, standard_uncertainty(accuracy_k))


def _guard(accuracy: float) -> float:
    return GUARD_FACTOR * standard_uncertainty(accuracy)


def _worst(said: Sequence[tuple[Floats, Floats | float]], *, upper: bool) -> tuple[Floats, Floats]:
    """The value nearest to or furthest past a bound, and the guard that the worst witness asks.

    A bound is broken where the worst value is past it, and near where any witness is inside by
    less than its own guard: that is where this value is inside by less than this guard, as
    `limits.judge` has it for one time.
    """
    sign = 1.0 if upper else -1.0
    pick = np.fmax if upper else np.fmin
    value = functools.reduce(pick, (each for each, _ in said))
    edge = functools.reduce(pick, (each + sign * guard for each, guard in said))
    return value, sign * (edge - value)


def _margin(place: _Place, body: _Body, cells: slice) -> tuple[Floats, Floats]:
    """The margin of a surface over a body's wetting point, and its guard; as `climate`'s pair."""
    air_u_k = standard_uncertainty(body.air.accuracy)
    same = place.column.point == body.air.point
    if place.offset_u_k is not None and same:
        variance = place.offset_u_k**2 + ((1.0 - body.per_k) * air_u_k) ** 2 + body.rh_u_k**2
    else:
        variance = place.u_k**2 + (body.per_k * air_u_k) ** 2 + body.rh_u_k**2
        if place.column.shared_element and same:
            shared = SHARED_ELEMENT_CORRELATION * place.u_k * body.per_k * air_u_k
            variance = variance - 2.0 * shared
    margin = place.column.values[cells] - body.wetting_c
    return margin, GUARD_FACTOR * np.sqrt(np.maximum(variance, 0.0))


def _bodies(
    airs: Sequence[PointColumn], humidities: Sequence[PointColumn], cells: slice
) -> list[_Body]:
    found = []
    by_point = {column.point: column for column in airs}
    for humidity in humidities:
        air = by_point.get(humidity.point)
        if air is None:
            continue
        temp, rh = _possible(air.values[cells], humidity.values[cells])
        wetting = wetting_points_c(temp, rh, missing_ok=True)
        # Steps to the inside, so that no input leaves the formula's range.
        colder = np.maximum(temp - _DT_K, AIR_MIN_C)
        drier = np.maximum(np.minimum(rh, 100.0) - _DRH_PCT, RH_FRACTION_PCT * 1.0001)
        per_k = (wetting - wetting_points_c(colder, rh, missing_ok=True)) / _DT_K
        per_pct = (wetting - wetting_points_c(temp, drier, missing_ok=True)) / _DRH_PCT
        found.append(_Body(air, wetting, per_k, per_pct * standard_uncertainty(humidity.accuracy)))
    return found


def _wettest_c(airs: Sequence[PointColumn], humidities: Sequence[PointColumn], size: int) -> Floats:
    """Highest wetting point of the bodies."""
    by_point = {column.point: column for column in airs}
    best = np.full(size, np.nan)
    for humidity in humidities:
        air = by_point.get(humidity.point)
        if air is not None:
            possible = _possible(air.values, humidity.values)
            np.fmax(best, wetting_points_c(*possible, missing_ok=True), out=best)
    return best


def _possible(temp_c: Floats, rh_pct: Floats) -> tuple[Floats, Floats]:
    """Both columns with NaN where the formula cannot take one of them."""
    with np.errstate(invalid="ignore"):
        good = (temp_c >= AIR_MIN_C) & (temp_c <= AIR_MAX_C)
        good &= (rh_pct > RH_FRACTION_PCT) & (rh_pct <= RH_MAX_PCT)
    return np.where(good, temp_c, np.nan), np.where(good, rh_pct, np.nan)
