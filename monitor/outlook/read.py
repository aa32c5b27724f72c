"""Reads what an outlook needs out of the log: air, dew point, coldest surface on an even grid."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.config.model import EnclosureConfig, PointConfig, worst_accuracy
from monitor.log.facts import with_former_points
from monitor.log.log import Store
from monitor.log.rows import LIVE
from rules.air.arrays import dew_points_c
from rules.air.saturation import AIR_MAX_C, AIR_MIN_C, RH_FRACTION_PCT, RH_MAX_PCT
from rules.climate import AssumedSurface, assumed_words
from rules.clocks.history import TemperatureHistory, with_assumed_surface
from rules.events import PROBES_MOVED, CarriedOut, in_force
from rules.known import HUMIDITY, TEMPERATURE
from rules.outlook.damped_trend import MOST_CELLS
from rules.outlook.track import (
    CELL_S,
    CELLS_A_DAY,
    TooLittleLog,
    Track,
    bridged,
    measured_cells,
    usual_interval_s,
)
from rules.vocabulary import HUMIDITY_ACCURACY_PCT
from sensors.faults import DEFAULT_RULES, max_age_s
from sensors.reading import Quantity

Floats = NDArray[np.float64]

Column = Callable[[str, Quantity, int, float], Floats]
Points = dict[tuple[str, Quantity], PointConfig]

LONGEST_HISTORY_CELLS = 90 * CELLS_A_DAY


@dataclass(frozen=True, slots=True, eq=False)
class SectionRecord:
    """What the log tells of one section of an enclosure.

    Attributes:
        track: to learn from and to start at.
        air_point: the body whose air counts: the one with the highest dew point of the last day.
        surface_points: whose coldest counts, or the words of an assumed surface.
        sections_known: False where several surface points could not be told apart by section.
        history: temperatures for the clocks.
    """

    track: Track
    air_point: str
    surface_points: tuple[str, ...]
    sections_known: bool
    history: TemperatureHistory

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know of the surface that counts."""
        found = []
        offset_k = self.history.assumed_offset_k
        if offset_k is not None:
            found.append(
                f"no surface probe: surface assumed {assumed_words(offset_k)}, and the dew margin "
                "rests on it"
            )
        if not self.sections_known:
            found.append(
                "which surface point belongs to which section is not in the log: the coldest of "
                "all counts; give the config"
            )
        return tuple(found)


def choose_source(store: Store, enclosure: str | None) -> tuple[int, str]:
    """Return which source and enclosure of the log to look ahead for.

    Args:
        store: the log.
        enclosure: wanted, or None for the only one.

    Returns:
        The live source where it has readings of the enclosure, else the last recording with them.

    Raises:
        TooLittleLog: there are none, or several enclosures and none was named.
    """
    channels = [c for c in store.channels() if enclosure is None or c.enclosure == enclosure]
    if not channels:
        have = ", ".join(sorted({c.enclosure for c in store.channels()})) or "none"
        raise TooLittleLog(
            f"enclosure {enclosure or '(any)'!r} has no reading in the log {store.path}, so there "
            f"is no outlook; it holds: {have}"
        )
    live = [c for c in channels if c.source == LIVE]
    source = LIVE if live else max(c.source for c in channels)
    names = sorted({c.enclosure for c in channels if c.source == source})
    if len(names) > 1:
        raise TooLittleLog(
            f"the log holds several enclosures ({', '.join(names)}) and none was named, so there "
            "is no outlook; give --enclosure"
        )
    return source, names[0]


def read_track(
    store: Store,
    enclosure: str,
    section: str | None,
    *,
    source: int = LIVE,
    config: EnclosureConfig | None = None,
    now_s: float | None = None,
    history_from_s: float | None = None,
    settled_by: Callable[[float], Iterator[float]] | None = None,
    settled: Callable[[TemperatureHistory, float], bool] | None = None,
) -> SectionRecord:
    """Read the last eight days of one section, and of the time before what its clocks need.

    Args:
        store: the log.
        enclosure: whose.
        section: whose surface points count beside those of no section; None for all.
        source: of the readings.
        config: which point belongs where, and what stands in for a surface probe.
        now_s: look no later than this; None for the last reading [s].
        history_from_s: temperatures for the clocks reach back to here, or None for eight days [s].
        settled_by: gives, for the time of the last reading, until when to read them at first: a
            film that cured weeks ago needs its own days and none since, and a log has many.
        settled: whether no temperature after these changes a clock up to a time; else all are read.

    Raises:
        TooLittleLog: no point has both air temperature and humidity.
    """
    points = _points(config)
    found: dict[Quantity, list[str]] = {}
    for channel in store.channels(source=source):
        point = points.get((channel.point, channel.quantity))
        if channel.enclosure == enclosure and (config is None or point is not None):
            found.setdefault(channel.quantity, []).append(channel.point)
    bodies = _bodies(found, points, enclosure)

    column = columns_of(store, enclosure, source, config)
    end_s = last_humidity_s(store, enclosure, bodies, source, now_s)
    span_s = 0.0 if history_from_s is None else end_s - history_from_s
    for to_s in settled_by(end_s) if settled_by and span_s > MOST_CELLS * CELL_S else ():
        after = int((end_s - to_s) / CELL_S)  # cells: these are the same as of the whole
        if after <= 0:
            break
        at_s, count = end_s - after * CELL_S, int(span_s / CELL_S + 1) - after
        history, _ = _history_of(column, found, bodies, section, at_s, count, config)
        if settled is not None and settled(history, end_s):
            told = told_of(column, found, section, enclosure, end_s, MOST_CELLS, config)
            return replace(told, history=history)
    count = int(min(max(MOST_CELLS, span_s / CELL_S + 1), LONGEST_HISTORY_CELLS))
    return told_of(column, found, section, enclosure, end_s, count, config)


def columns_of(store: Store, enclosure: str, source: int, config: EnclosureConfig | None) -> Column:
    """Return what gives a point's believed readings as means over even cells.

    Args:
        store: the log.
        enclosure: whose.
        source: of the readings.
        config: says how long a reading of each point counts; None for the defaults.

    Returns:
        Of a point's name, its quantity, a count of cells and the end of the last one: their means,
        NaN where the point was silent, or inside and carried out.
    """
    points = _points(config)
    standing = in_force(store.events(enclosure))
    if config is None or not any(each.kind in PROBES_MOVED for each in standing):
        carried = CarriedOut(standing)
    else:
        carried = with_former_points(store, config, source=source).carried_out(standing)

    def column(name: str, quantity: Quantity, count: int, end_s: float) -> Floats:
        low, high = believable(quantity)
        whose = (enclosure, name, quantity)
        means = store.cell_means(*whose, end_s, CELL_S, count, least=low, most=high, source=source)
        readings = store.count_readings(*whose, end_s - count * CELL_S, end_s, source=source)
        point = points.get((name, quantity))
        rules = DEFAULT_RULES[quantity] if point is None else point.rules
        found = measured_cells(means, max_age_s(rules, usual_interval_s(means, readings)))
        surface = quantity is Quantity.SURFACE_TEMP
        away_s = carried.spans(None, surface=surface) if point is None else point.away_s(carried)
        ends_s = end_s - CELL_S * np.arange(count - 1, -1, -1.0)
        for from_s, to_s in away_s:
            found[(ends_s > from_s) & (ends_s - CELL_S < to_s)] = np.nan
        return found

    return column


def believable(quantity: Quantity) -> tuple[float, float]:
    """Return the lowest and the highest value that an outlook can reckon with."""
    if quantity is Quantity.HUMIDITY:
        return RH_FRACTION_PCT + 1e-6, RH_MAX_PCT
    return AIR_MIN_C, AIR_MAX_C


def told_of(
    column: Column,
    found: Mapping[Quantity, Sequence[str]],
    section: str | None,
    enclosure: str,
    end_s: float,
    count: int,
    config: EnclosureConfig | None,
) -> SectionRecord:
    """Return what columns on the even grid tell of one section.

    Args:
        column: gives a point's quantity as so many cells up to a time, NaN where it was silent.
        found: points by quantity.
        section: whose surface points count beside those of no section; None for all.
        enclosure: for messages.
        end_s: the end of the last cell [s].
        count: cells.
        config: which point belongs where, and what stands in for a surface probe.

    Raises:
        TooLittleLog: no point has both air temperature and humidity.
    """
    bodies = _bodies(found, _points(config), enclosure)
    once: dict[tuple[str, Quantity], Floats] = {}

    def kept(name: str, quantity: Quantity, count: int, end_s: float) -> Floats:
        if (name, quantity) not in once:
            once[name, quantity] = column(name, quantity, count, end_s)
        return once[name, quantity]

    history, names = _history_of(kept, found, bodies, section, end_s, count, config)
    airs, dews = {}, {}
    for name in bodies:
        airs[name] = bridged(once[name, Quantity.AIR_TEMP], TEMPERATURE)
        humidity = bridged(once[name, Quantity.HUMIDITY], HUMIDITY)
        dews[name] = dew_points_c(airs[name], humidity, missing_ok=True)
    wettest = max(bodies, key=lambda name: _recent_mean(dews[name]))
    start = count - MOST_CELLS if count > MOST_CELLS else 0
    start += _silent_head(airs[wettest][start:])
    track = Track(
        end_s,
        airs[wettest][start:],
        dews[wettest][start:],
        bridged(history.coldest_c[start:], TEMPERATURE) if names else None,
    )
    sections_known = config is not None or len(found.get(Quantity.SURFACE_TEMP, ())) < 2
    return SectionRecord(track, wettest, names, sections_known, history)


def _history_of(
    column: Column,
    found: Mapping[Quantity, Sequence[str]],
    bodies: Sequence[str],
    section: str | None,
    end_s: float,
    count: int,
    config: EnclosureConfig | None,
) -> tuple[TemperatureHistory, tuple[str, ...]]:
    """The temperatures and humidities for the clocks, and which surface they are of."""
    points = _points(config)
    surfaces = [
        name
        for name in found.get(Quantity.SURFACE_TEMP, ())
        if _belongs(points.get((name, Quantity.SURFACE_TEMP)), section)
    ]
    coldest = warmest = np.full(count, np.nan)
    if surfaces:
        stack = np.stack([column(n, Quantity.SURFACE_TEMP, count, end_s) for n in surfaces])
        # A surface that is silent makes the coldest unknown, as for the call.
        coldest, warmest = stack.min(axis=0), stack.max(axis=0)
    airs = np.stack([column(name, Quantity.AIR_TEMP, count, end_s) for name in bodies])
    rhs = np.stack([column(name, Quantity.HUMIDITY, count, end_s) for name in bodies])
    own = [points.get((name, Quantity.HUMIDITY)) for name in bodies]
    off = np.array([[HUMIDITY_ACCURACY_PCT if p is None else p.accuracy] for p in own])
    history = TemperatureHistory(
        time_s=end_s - CELL_S * np.arange(count - 1, -1, -1, dtype=np.float64),
        coldest_c=coldest,
        warmest_c=warmest,
        accuracy_k=worst_accuracy(config, Quantity.SURFACE_TEMP),
        air_coldest_c=airs.min(axis=0),
        air_warmest_c=airs.max(axis=0),
        air_accuracy_k=worst_accuracy(config, Quantity.AIR_TEMP),
        rh_low_pct=(rhs - off).min(axis=0),
        rh_high_pct=(rhs + off).max(axis=0),
    )
    if surfaces or config is None or config.assumed_surface_offset_k is None:
        return history, tuple(surfaces)
    offset_k = config.assumed_surface_offset_k
    assumed = AssumedSurface(offset_k, config.assumed_surface_accuracy_k)
    names = (f"assumed {offset_k:+.1f} K from the coldest air",)
    return with_assumed_surface(history, assumed), names


def _points(config: EnclosureConfig | None) -> Points:
    return {(p.name, p.quantity): p for p in (config.points if config is not None else ())}


def _bodies(found: Mapping[Quantity, Sequence[str]], points: Points, enclosure: str) -> list[str]:
    bodies = [
        name
        for name in found.get(Quantity.AIR_TEMP, ())
        if name in found.get(Quantity.HUMIDITY, ()) and _inside(points, name)
    ]
    if not bodies:
        raise TooLittleLog(
            f"no point of enclosure {enclosure!r} has both air temperature and humidity in the "
            "log, so there is no outlook; give one body both"
        )
    return bodies


def _inside(points: dict[tuple[str, Quantity], PointConfig], name: str) -> bool:
    point = points.get((name, Quantity.HUMIDITY))
    return point is None or point.inside


def _belongs(point: PointConfig | None, section: str | None) -> bool:
    return point is None or section is None or point.section in (None, section)


def last_humidity_s(
    store: Store, enclosure: str, bodies: Sequence[str], source: int, now_s: float | None
) -> float:
    """Return when the last humidity of some bodies came, up to a time where one is given [s].

    Raises:
        TooLittleLog: there is none.
    """
    lasts_s = [
        store.last_reading_s(enclosure, name, Quantity.HUMIDITY, now_s, source=source)
        for name in bodies
    ]
    last = max((last_s for last_s in lasts_s if last_s is not None), default=None)
    if last is None:
        raise TooLittleLog(
            f"enclosure {enclosure!r} has no humidity reading up to the time asked for, so there "
            "is no outlook"
        )
    return last


def _recent_mean(values: Floats) -> float:
    recent = values[-CELLS_A_DAY:]
    known = recent[np.isfinite(recent)]
    return float(known.mean()) if known.size else -np.inf


def _silent_head(values: Floats) -> int:
    known = np.flatnonzero(np.isfinite(values))
    return int(known[0]) if known.size else 0
