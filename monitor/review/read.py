"""Reads a session's readings out of the log onto one even grid, piece by piece, for the review."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.config.model import DEFAULT_ACCURACY, EnclosureConfig, PointConfig
from monitor.log.log import Store
from monitor.log.readings import Readings
from monitor.log.rows import LIVE, QUALITY_CODES, QUALITY_OF_CODE, LogChannel
from rules.events import CarriedOut, Spans
from rules.known import Floats
from rules.review.climate_arrays import PointColumn
from rules.units import DAY_S
from sensors.faults import DEFAULT_RULES, LEAST_MAX_AGE_S, max_age_s
from sensors.reading import Quality, Quantity

PIECE_S = 7 * DAY_S
MOST_CELLS = 1_200_000
STEP_MAX_S = 60.0
_NEEDED = (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP, Quantity.CO2)

Progress = Callable[[float], None]
NOT_CARRIED = CarriedOut()


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """What one quantity at one point gave.

    Attributes:
        point: name of the sensor body.
        quantity: what.
        readings: how many.
        by_quality: how many of each quality but ok.
        usual_interval_s: between two readings, or None [s].
        gaps: times without a reading that outlast its age, from the session's begin to its end.
        longest_gap_s: the longest of them [s].
        silent_from_s: when the longest began, or None without one [s].
        low: lowest ok value, or None [unit].
        high: highest ok value, or None [unit].
        thinned: how many of the readings are kept only as minute means.
    """

    point: str
    quantity: Quantity
    readings: int
    by_quality: dict[str, int]
    usual_interval_s: float | None
    gaps: int
    longest_gap_s: float
    low: float | None
    high: float | None
    thinned: int = 0
    silent_from_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Everything measured in a session, on one grid.

    Attributes:
        time_s: start of each cell [s].
        step_s: length of a cell [s].
        of: by quantity, the points' columns; surfaces with their section.
        sections: sections of each surface point where a config says them, and until when it stood
            for each [s].
        health: of each channel.
        max_age_s: the longest age at which a value still counted [s].
    """

    time_s: Floats
    step_s: float
    of: dict[Quantity, tuple[PointColumn, ...]]
    sections: dict[str, dict[str | None, float]]
    health: tuple[SensorHealth, ...]
    max_age_s: float


def read_columns(
    store: Store,
    enclosure: str,
    source: int,
    from_s: float,
    to_s: float,
    config: EnclosureConfig | None = None,
    progress: Progress | None = None,
    known_s: float | None = None,
    told_from_s: float | None = None,
    carried: CarriedOut = NOT_CARRIED,
) -> Columns:
    """Read a session's readings and put each channel on the grid, the last value held.

    A value counts until its max_age has passed: the config's, else three usual intervals, 90 s
    to 35 min. What is not ok counts as not known.

    Args:
        store: the log.
        enclosure: where.
        source: of the readings.
        from_s: begin [s].
        to_s: end [s].
        config: for accuracies, ages and sections; None for the defaults.
        progress: is told the share done, 0 to 1.
        known_s: leave out what arrived or was found out later; None leaves out nothing. What a
            recording holds was known when it was made, whenever it was played [s].
        told_from_s: what came before this is in the columns but not in the counts; None for
            `from_s` [s].
        carried: which probes were carried out, and when: then they tell of nothing inside.

    Returns:
        The columns; the grid is as fine as the quickest channel, 1 to 60 s, and coarser where
        the session is so long that it would pass 1.2 million cells.
    """
    channels = [
        each
        for each in store.channels(source=source)
        if each.enclosure == enclosure and each.quantity in _NEEDED
    ]
    asked = LogQuery(store, source, known_s if source == LIVE else None)
    intervals = {each: _interval_s(asked, each, from_s, to_s) for each in channels}
    quickest = min((s for s in intervals.values() if s is not None), default=STEP_MAX_S)
    step_s = min(max(quickest, 1.0), STEP_MAX_S)
    step_s = max(step_s, math.ceil((to_s - from_s) / MOST_CELLS))
    count = max(1, math.ceil((to_s - from_s) / step_s))
    time_s: Floats = np.asarray(from_s + np.arange(count) * step_s, dtype=np.float64)
    found: dict[Quantity, list[PointColumn]] = {}
    health: list[SensorHealth] = []
    sections: dict[str, dict[str | None, float]] = {}
    oldest_s = LEAST_MAX_AGE_S
    pieces = max(1, math.ceil((to_s - from_s) / PIECE_S))
    for at, channel in enumerate(channels):
        point = _configured(config, channel)
        rules = DEFAULT_RULES[channel.quantity] if point is None else point.rules
        age_s = max_age_s(rules, intervals[channel] or 0.0)
        oldest_s = max(oldest_s, age_s)
        tell = _part_of(progress, at, len(channels), pieces)
        held, told = _held(asked, channel, time_s, to_s, age_s, tell, told_from_s)
        health.append(told.health(channel, intervals[channel]))
        surface = channel.quantity is Quantity.SURFACE_TEMP
        held.leave_out(
            time_s, carried.spans(None, surface=surface) if point is None else point.away_s(carried)
        )
        accuracy = DEFAULT_ACCURACY[channel.quantity] if point is None else point.accuracy
        required = point is None or point.required
        found.setdefault(channel.quantity, []).append(
            PointColumn(
                channel.point,
                held.values,
                accuracy,
                required,
                lows=held.lows,
                highs=held.highs,
                doubted=held.doubted,
            )
        )
        if surface:
            sections[channel.point] = _stood_for(config, channel.point)
    return Columns(
        time_s=time_s,
        step_s=step_s,
        of={quantity: tuple(columns) for quantity, columns in found.items()},
        sections=sections,
        health=tuple(health),
        max_age_s=oldest_s,
    )


def last_measured_s(store: Store, enclosure: str, source: int, from_s: float) -> float | None:
    """Return when an open session was last measured in, or None where it never was [s]."""
    lasts_s = (
        store.last_reading_s(enclosure, channel.point, channel.quantity, source=source)
        for channel in store.channels(source=source)
        if channel.enclosure == enclosure and channel.quantity in _NEEDED
    )
    return max(
        (last_s for last_s in lasts_s if last_s is not None and last_s >= from_s), default=None
    )


def _configured(config: EnclosureConfig | None, channel: LogChannel) -> PointConfig | None:
    if config is None:
        return None
    for point in config.points:
        if point.name == channel.point and point.quantity is channel.quantity:
            return point
    return None


def _stood_for(config: EnclosureConfig | None, point: str) -> dict[str | None, float]:
    """For which sections a surface point stood, and until when; for all without a config [s]."""
    points = () if config is None else config.points
    own = [each for each in points if (each.name, each.quantity) == (point, Quantity.SURFACE_TEMP)]
    return {each.section: each.left_s for each in own} or {None: math.inf}


def _part_of(
    progress: Progress | None, at: int, channels: int, pieces: int
) -> Callable[[int], None]:
    def tell(piece: int) -> None:
        if progress is not None:
            progress((at + (piece + 1) / pieces) / channels)

    return tell


@dataclass(frozen=True, slots=True)
class LogQuery:
    """The log, whose readings of it, and by when they had to be known."""

    store: Store
    source: int
    known_s: float | None

    def readings(self, channel: LogChannel, from_s: float, to_s: float) -> Readings:
        return self.store.readings(
            channel.enclosure,
            channel.point,
            channel.quantity,
            from_s=from_s,
            to_s=to_s,
            source=self.source,
            known_s=self.known_s,
        )


def _interval_s(asked: LogQuery, channel: LogChannel, from_s: float, to_s: float) -> float | None:
    """The usual time between two readings, from the first day that has any."""
    begin = from_s
    while begin < to_s:
        found = asked.readings(channel, begin, min(begin + DAY_S, to_s))
        times, _, _ = found
        if times.size > 2:
            # Between two means lie as many readings as half of either stands for.
            between = 0.5 * (found.counts[1:] + found.counts[:-1])
            return float(np.median(np.diff(times) / between))
        begin += DAY_S
    return None


class ChannelTally:
    """Counts what a channel gave from a time on, piece after piece."""

    def __init__(self, from_s: float) -> None:
        self.codes = np.zeros(256, dtype=np.int64)
        self.thinned = 0
        self.gaps = 0
        self.longest_s = 0.0
        self.silent_from_s: float | None = None
        self.low = math.inf
        self.high = -math.inf
        self.last_s = from_s

    def take(self, found: Readings, inside: NDArray[np.bool_], age_s: float) -> None:
        times, codes = found[0][inside], found[2][inside]
        if not times.size:
            return
        counts = found.counts[inside]
        np.add.at(self.codes, codes, counts)
        self.thinned += int(counts[counts > 1].sum())
        self._count_gaps(times, age_s)
        low, high = found.low[inside], found.high[inside]
        good = (codes == 0) & np.isfinite(low)
        if good.any():
            self.low = min(self.low, float(low[good].min()))
            self.high = max(self.high, float(high[good].max()))

    def end(self, to_s: float, age_s: float) -> None:
        """Count the time since the last reading too."""
        self._count_gaps(np.array([max(to_s, self.last_s)]), age_s)

    def _count_gaps(self, times: Floats, age_s: float) -> None:
        steps = np.diff(times, prepend=self.last_s)
        longest = int(steps.argmax())
        self.gaps += int((steps > age_s).sum())
        if steps[longest] > max(age_s, self.longest_s):
            self.longest_s = float(steps[longest])
            self.silent_from_s = float(times[longest]) - self.longest_s
        self.last_s = float(times[-1])

    def health(self, channel: LogChannel, interval_s: float | None) -> SensorHealth:
        bad = {
            QUALITY_OF_CODE[code].value: int(self.codes[code])
            for code in np.flatnonzero(self.codes).tolist()
            if QUALITY_OF_CODE.get(code, Quality.OK) is not Quality.OK
        }
        seen = math.isfinite(self.low)
        return SensorHealth(
            point=channel.point,
            quantity=channel.quantity,
            readings=int(self.codes.sum()),
            by_quality=bad,
            usual_interval_s=interval_s,
            gaps=self.gaps,
            longest_gap_s=self.longest_s,
            silent_from_s=self.silent_from_s,
            low=self.low if seen else None,
            high=self.high if seen else None,
            thinned=self.thinned,
        )


@dataclass(slots=True)
class _Held:
    """One channel on the grid; lowest and highest only where it has minute means.

    What was said and doubted stands beside it, where anything was.
    """

    values: Floats
    lows: Floats | None = None
    highs: Floats | None = None
    doubted: Floats | None = None

    def leave_out(self, time_s: Floats, away_s: Spans) -> None:
        for begin_s, end_s in away_s:
            away = (time_s > begin_s) & (time_s < end_s)
            for column in (self.values, self.lows, self.highs, self.doubted):
                if column is not None:
                    column[away] = np.nan


def _held(
    asked: LogQuery,
    channel: LogChannel,
    time_s: Floats,
    to_s: float,
    age_s: float,
    tell: Callable[[int], None],
    told_from_s: float | None,
) -> tuple[_Held, ChannelTally]:
    """One channel on the grid, the last word held until its age runs out."""
    out = _Held(np.full(time_s.size, np.nan))
    told_from_s = float(time_s[0]) if told_from_s is None else told_from_s
    told = ChannelTally(told_from_s)
    # Of the last entry before a piece: time, quality, value, lowest, highest.
    carry: list[NDArray[Any]] = [
        np.empty(0),
        np.empty(0, dtype=np.uint8),
        np.empty(0),
        np.empty(0),
        np.empty(0),
    ]
    from_s = float(time_s[0])
    # A value from before the begin may still hold.
    begin, piece = from_s - age_s, 0
    while begin < to_s:
        end = min(from_s + (piece + 1) * PIECE_S, to_s)
        # What stands on a seam belongs to the piece after it; the last piece has none.
        found = asked.readings(channel, begin, end - 1e-6 if end < to_s else to_s)
        told.take(found, found[0] >= told_from_s, age_s)
        fresh: tuple[NDArray[Any], ...] = (found[0], found[2], found[1], found.low, found.high)
        taken = [np.concatenate((old, new)) for old, new in zip(carry, fresh, strict=True)]
        low, high = np.searchsorted(time_s, (from_s + piece * PIECE_S, end), "left").tolist()
        if taken[0].size and high > low:
            _put(out, slice(low, high), time_s[low:high], taken, age_s, bool(found.thinned.any()))
        carry = [column[-1:] for column in taken]
        tell(piece)
        begin, piece = end, piece + 1
    told.end(to_s, age_s)
    return out, told


def _put(
    out: _Held, cells: slice, grid: Floats, taken: list[NDArray[Any]], age_s: float, thinned: bool
) -> None:
    """Hold the entries of one piece on its cells."""
    times, codes, values, lows, highs = taken
    at = np.searchsorted(times, grid, "right") - 1
    safe = np.maximum(at, 0)
    fresh = (at >= 0) & (grid - times[safe] <= age_s)
    good = fresh & (codes[safe] == 0)
    doubted = fresh & (codes[safe] == QUALITY_CODES[Quality.DOUBTED])
    if out.doubted is None and doubted.any():
        out.doubted = np.full(out.values.size, np.nan)
    if out.doubted is not None:
        out.doubted[cells] = np.where(doubted, values[safe], np.nan)
    if thinned and out.lows is None:
        # All that came before was whole: there the ends are the values.
        out.lows, out.highs = out.values.copy(), out.values.copy()
    for column, given in ((out.values, values), (out.lows, lows), (out.highs, highs)):
        if column is not None:
            column[cells] = np.where(good, given[safe], np.nan)


def columns_for(columns: Columns, section: str) -> tuple[PointColumn, ...]:
    """Return the surface columns that count for a section, for as long as they stood for it."""
    found = []
    for column in columns.of.get(Quantity.SURFACE_TEMP, ()):
        stood = columns.sections[column.point]
        until_s = max((stood[each] for each in (None, section) if each in stood), default=-math.inf)
        if math.isfinite(until_s):
            found.append(_cut(column, columns.time_s >= until_s))
        elif until_s > 0.0:
            found.append(column)
    return tuple(found)


def _cut(column: PointColumn, later: NDArray[np.bool_]) -> PointColumn:
    """A column without some cells."""

    def kept(part: Floats | None) -> Floats | None:
        return None if part is None else np.where(later, np.nan, part)

    return replace(
        column,
        values=np.where(later, np.nan, column.values),
        lows=kept(column.lows),
        highs=kept(column.highs),
        doubted=kept(column.doubted),
    )
