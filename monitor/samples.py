"""What the air and the ground of a section were, sample by sample: kept live, or from the log."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.config.model import EnclosureConfig
from monitor.log.log import Store
from monitor.log.rows import LIVE, QUALITY_CODES
from rules.clocks.clock import Clock
from rules.units import DAY_S
from sensors.faults import DEFAULT_RULES, MOST_MAX_AGE_S, max_age_s
from sensors.reading import Quality, Quantity

if TYPE_CHECKING:
    from rules.climate import AssumedSurface
    from rules.clocks.history import TemperatureHistory

SAMPLE_EVERY_S = 30.0
# Samples of the last two days stay as they are; older ones are joined, so that a program which
# runs for a year keeps some ten thousands and not a million.
THIN_AFTER_S = 172_800.0
THIN_TO_S = 600.0
ROOM_ROWS = 16_384
"""As many as come in three days whole and the eight weeks before them thinned."""


class Row(NamedTuple):
    """What surfaces and air of a section were at one time; NaN where not known.

    Attributes:
        time_s: when [s].
        coldest_c: the coldest surface [degC].
        warmest_c: the warmest [degC].
        air_coldest_c: the coldest air [degC].
        air_warmest_c: the warmest [degC].
        rh_low_pct: the lowest humidity, the probes' accuracy taken off [%].
        rh_high_pct: the highest, with it added [%].
        co2_low_ppm: the least carbon dioxide [ppm].
        co2_high_ppm: the most [ppm].
    """

    time_s: float
    coldest_c: float
    warmest_c: float
    air_coldest_c: float
    air_warmest_c: float
    rh_low_pct: float = math.nan
    rh_high_pct: float = math.nan
    co2_low_ppm: float = math.nan
    co2_high_ppm: float = math.nan


_COLUMNS = len(Row._fields)
Rows = Iterable[Sequence[float]] | NDArray[np.float64]
"""Samples with the columns of `Row`, or the first of them."""


def _table(rows: Rows) -> NDArray[np.float64]:
    if isinstance(rows, np.ndarray):
        return rows
    return np.array([Row(*row) for row in rows], dtype=np.float64).reshape(-1, _COLUMNS)


class Temperatures:
    """The ends of a section's surfaces, of the air and its humidity, sample by sample.

    Attributes:
        ended: clocks that have ended by these samples, which none later takes back.
        whole_from_s: from here on nothing is missing that the log has, save what came late;
            infinity while there is nothing [s].
    """

    def __init__(
        self,
        surface_accuracy_k: float,
        air_accuracy_k: float,
        assumed: AssumedSurface | None = None,
    ) -> None:
        self.whole_from_s = math.inf
        self.ended: dict[Hashable, Clock] = {}
        # An array of one size from the start, and all of it written to, so that a watch of months
        # needs no more memory than one of hours.
        self._kept = np.full((ROOM_ROWS, _COLUMNS), math.nan)
        self._count = 0
        self._surface_accuracy_k = surface_accuracy_k
        self._air_accuracy_k = air_accuracy_k
        self._assumed = assumed
        self._thinned_s = -math.inf

    def take(
        self,
        time_s: float,
        surfaces_c: list[float],
        airs_c: list[float],
        rh_pct: Sequence[tuple[float, float]] = (),
        co2_ppm: Sequence[float] = (),
    ) -> None:
        """Add a sample, unless the last is younger than 30 s or newer.

        Args:
            time_s: when [s].
            surfaces_c: the section's believed surface temperatures [degC].
            airs_c: the enclosure's believed air temperatures [degC].
            rh_pct: the enclosure's believed humidities, each with its accuracy [%].
            co2_ppm: its believed carbon dioxide [ppm].
        """
        if self._count and time_s < self._kept[self._count - 1, 0] + SAMPLE_EVERY_S:
            return
        low_pct, _ = _ends([value - accuracy for value, accuracy in rh_pct])
        _, high_pct = _ends([value + accuracy for value, accuracy in rh_pct])
        gas = _ends(list(co2_ppm))
        row = Row(time_s, *_ends(surfaces_c), *_ends(airs_c), low_pct, high_pct, *gas)
        last = self._rows[-1:, 1:]
        if last.size and not (any(map(math.isfinite, row[1:])) or np.isfinite(last).any()):
            return  # the first row of a silence tells of it
        self._make_room(self._count + 1)
        self._kept[self._count] = row
        self._count += 1
        self.whole_from_s = min(self.whole_from_s, time_s)
        if not self._thinned_s <= time_s < self._thinned_s + THIN_AFTER_S / 2.0:
            self._thinned_s = time_s
            self._thin(time_s - THIN_AFTER_S)

    @property
    def _rows(self) -> NDArray[np.float64]:
        """The samples, a row each with the columns of `Row`, in the order of their times."""
        return self._kept[: self._count]

    def _make_room(self, count: int) -> None:
        if count > len(self._kept):
            grown = np.empty((2 * count, _COLUMNS))
            grown[: self._count] = self._rows
            self._kept = grown

    def _put(self, rows: NDArray[np.float64]) -> None:
        """Keep these rows and no others."""
        self._make_room(len(rows))
        self._kept[: len(rows)] = rows
        self._count = len(rows)

    def _thin(self, before_s: float) -> None:
        """Join the samples of each 10 min before a time: coldest of coldest, warmest of warmest."""
        old = self._rows[self._rows[:, 0] < before_s]
        begins = np.flatnonzero(np.diff(old[:, 0] // THIN_TO_S, prepend=-np.inf))
        if len(begins) < len(old):
            bins = (old[begin:end] for begin, end in pairwise((*begins, len(old))))
            joined = [
                each for rows in bins for each in _joined([Row(*row) for row in rows.tolist()])
            ]
            self._put(np.concatenate((_table(joined), self._rows[len(old) :])))

    def put_before(self, rows: Rows) -> None:
        """Add samples that the log has from before or between, in any order."""
        both = np.concatenate((_table(rows), self._rows))
        both = both[np.argsort(both[:, 0], kind="stable")]
        # Of two samples of one time the last counts, which is our own.
        self._put(both[np.diff(both[:, 0], append=np.inf) > 0.0])
        self.ended.clear()

    def take_from_log(self, rows: Rows) -> None:
        """Take the log's word for the time that it tells of: late readings are only there."""
        told = _table(rows)
        if len(told):
            own = self._rows
            apart = (own[:, 0] < told[:, 0].min()) | (own[:, 0] > told[:, 0].max())
            both = np.concatenate((own[apart], told))
            self._put(both[np.argsort(both[:, 0], kind="stable")])
            self.ended.clear()

    def drop_after(self, time_s: float) -> None:
        """Forget samples later than a clock that was set back now says."""
        self._count = int(np.searchsorted(self._rows[:, 0], time_s))
        self.ended.clear()
        if self.whole_from_s >= time_s:
            self.whole_from_s = math.inf

    def drop_before(self, time_s: float) -> None:
        """Forget samples older than any clock needs."""
        if self._count and self._kept[0, 0] < time_s - DAY_S:
            self._put(self._rows[np.searchsorted(self._rows[:, 0], time_s) :].copy())
            self.whole_from_s = max(self.whole_from_s, time_s)

    def history(self) -> TemperatureHistory:
        """Return the samples as the clocks read them."""
        from rules.clocks.history import TemperatureHistory, with_assumed_surface

        table = self._rows
        history = TemperatureHistory(
            time_s=table[:, 0].copy(),
            coldest_c=table[:, 1].copy(),
            warmest_c=table[:, 2].copy(),
            accuracy_k=self._surface_accuracy_k,
            air_coldest_c=table[:, 3].copy(),
            air_warmest_c=table[:, 4].copy(),
            air_accuracy_k=self._air_accuracy_k,
            rh_low_pct=table[:, 5].copy(),
            rh_high_pct=table[:, 6].copy(),
            co2_ppm=table[:, 8].copy(),
        )
        assumed = self._assumed
        return history if assumed is None else with_assumed_surface(history, assumed)


def _joined(rows: Sequence[Row]) -> Iterator[Row]:
    """Yield one sample for many, or three where something was silent for a part of their time.

    The middle one of three tells of the silence, from its first sample to its last: the time
    between has no temperature. What was known within it still counts for the ends.
    """
    _, *columns = (list(column) for column in zip(*rows, strict=True))
    ends = [_known(max if k % 2 else min, column) for k, column in enumerate(columns)]
    silent = [
        place
        for place, row in enumerate(rows)
        if any(
            math.isnan(one) and not math.isnan(end) for one, end in zip(row[1:], ends, strict=True)
        )
    ]
    if not silent:
        yield Row(rows[len(rows) // 2].time_s, *ends)
        return
    before, after = rows[: silent[0]], rows[silent[-1] + 1 :]
    if before:
        yield Row(before[len(before) // 2].time_s, *ends)
    lost = [any(math.isnan(rows[place][k]) for place in silent) for k in range(1, _COLUMNS)]
    left = [math.nan if gone else end for gone, end in zip(lost, ends, strict=True)]
    yield Row(rows[silent[0]].time_s, *left)
    if after:
        yield Row(after[len(after) // 2].time_s, *ends)


def _ends(values_c: list[float]) -> tuple[float, float]:
    return (min(values_c), max(values_c)) if values_c else (math.nan, math.nan)


def _known(pick: Callable[[list[float]], float], values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return pick(known) if known else math.nan


GRID_S = 60.0
MOST_ROWS = 100_000  # 69 days in minutes; a longer time is told in longer steps


class TemperatureChannel(NamedTuple):
    """One temperature or humidity in the log: where it is and how long a value of it counts.

    Attributes:
        point: name of the sensor body.
        quantity: air or surface temperature, or humidity.
        max_age_s: or None for three usual intervals, 90 s to 35 min [s].
        accuracy_pct: of a humidity [%].
    """

    point: str
    quantity: Quantity
    max_age_s: float | None = None
    accuracy_pct: float = 0.0


def channels_of(config: EnclosureConfig, section: str) -> list[TemperatureChannel]:
    """Return the temperatures and humidities that count for a section."""
    return [
        TemperatureChannel(
            point.name,
            point.quantity,
            point.rules.max_age_s,
            point.accuracy if point.quantity is Quantity.HUMIDITY else 0.0,
        )
        for point in config.points
        if point.quantity is Quantity.AIR_TEMP
        or (point.quantity in (Quantity.HUMIDITY, Quantity.CO2) and point.inside)
        or (point.quantity is Quantity.SURFACE_TEMP and point.section in (None, section))
    ]


def history_rows(
    store: Store,
    enclosure: str,
    channels: Sequence[TemperatureChannel],
    from_s: float,
    to_s: float,
    *,
    source: int = LIVE,
    known_s: float | None = None,
) -> NDArray[np.float64]:
    """Return temperatures minute by minute, as the log has them.

    What is asked for may reach back to a mistyped year: only the time that has readings is told.

    Args:
        store: the log.
        enclosure: where.
        channels: which count.
        from_s: first instant [s].
        to_s: last instant [s].
        source: where the readings came from.
        known_s: only what had arrived by then, or None for all [s].

    Returns:
        A row a minute and one at the end, with the columns of `Row`; NaN where no value that was
        believed is young enough. Of a time without any temperature only the first row comes.
    """
    nothing = np.empty((0, _COLUMNS))
    if not to_s > from_s:
        return nothing
    span_s = (from_s - MOST_MAX_AGE_S, to_s)
    believed = {
        channel: _believed(store, enclosure, channel, span_s, source, known_s)
        for channel in channels
    }
    ends_s = [(times[0], times[-1]) for times, _ in believed.values() if times.size]
    if not ends_s:
        return nothing
    first_s = max(from_s, min(first for first, _ in ends_s))
    last_s = min(to_s, max(last for _, last in ends_s) + MOST_MAX_AGE_S)
    grid = np.arange(first_s, last_s, max(GRID_S, (last_s - first_s) / MOST_ROWS))
    # Up to the last instant, which is now: else the minute that has just begun is not known.
    grid = np.append(grid[grid < last_s], last_s)
    held = {channel: _held(channel, *believed[channel], grid) for channel in channels}
    columns = [
        *_bounds([held[each] for each in channels if each.quantity is Quantity.SURFACE_TEMP], grid),
        *_bounds([held[each] for each in channels if each.quantity is Quantity.AIR_TEMP], grid),
    ]
    damp = [each for each in channels if each.quantity is Quantity.HUMIDITY]
    columns += [
        _bounds([held[each] - each.accuracy_pct for each in damp], grid)[0],
        _bounds([held[each] + each.accuracy_pct for each in damp], grid)[1],
        *_bounds([held[each] for each in channels if each.quantity is Quantity.CO2], grid),
    ]
    known = np.isfinite(columns[0]) | np.isfinite(columns[2])
    hole_begins = ~known & np.concatenate(([False], known[:-1]))
    table: NDArray[np.float64] = np.column_stack((grid, *columns))
    told: NDArray[np.float64] = table[known | hole_begins]
    return told


def _bounds(
    series: list[NDArray[np.float64]], grid: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if not series:
        nothing = np.full(grid.shape, math.nan)
        return nothing, nothing
    table = np.vstack(series)
    return np.fmin.reduce(table, axis=0), np.fmax.reduce(table, axis=0)


def _believed(
    store: Store,
    enclosure: str,
    channel: TemperatureChannel,
    span_s: tuple[float, float],
    source: int,
    known_s: float | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times and values of the readings that were believed."""
    times, values, codes = store.readings(
        enclosure, channel.point, channel.quantity, *span_s, source=source, known_s=known_s
    )
    ok = codes == QUALITY_CODES[Quality.OK]
    return times[ok], values[ok]


def _usual_step_s(times: NDArray[np.float64]) -> float:
    """The median of the steps between two times or more; numpy's loads its masked arrays [s]."""
    steps = np.diff(times)
    upper = steps.size // 2
    lower = (steps.size - 1) // 2
    ordered = np.partition(steps, (lower, upper))
    return float(0.5 * (ordered[lower] + ordered[upper]))


def _held(
    channel: TemperatureChannel,
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    grid: NDArray[np.float64],
) -> NDArray[np.float64]:
    """The last believed value at each instant, for as long as it counts.

    Where the next one came later than that, nobody measured between them, and none is held.
    """
    held = np.full(grid.shape, math.nan)
    if times.size == 0:
        return held
    usual_s = _usual_step_s(times) if times.size > 1 else 0.0
    counts_s = channel.max_age_s
    if counts_s is None:
        counts_s = max_age_s(DEFAULT_RULES[channel.quantity], usual_s)
    last = np.searchsorted(times, grid, side="right") - 1
    known = last >= 0
    known[known] = grid[known] - times[last[known]] <= counts_s
    silent = np.append(np.diff(times) > counts_s, False)
    known[known] &= ~silent[last[known]] | (grid[known] <= times[last[known]])
    held[known] = values[last[known]]
    return held
