"""Reads a section's temperatures out of the log, for clocks that a restart must not lose."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.config.model import EnclosureConfig
from monitor.films import Row
from monitor.log.log import Store
from monitor.log.rows import LIVE, QUALITY_CODES
from sensors.faults import LEAST_MAX_AGE_S, MOST_MAX_AGE_S
from sensors.reading import Quality, Quantity

GRID_S = 60.0
MOST_ROWS = 100_000  # 69 days in minutes; a longer time is told in longer steps


class Channel(NamedTuple):
    """One temperature in the log: where it is and how long a value of it counts.

    Attributes:
        point: name of the sensor body.
        quantity: air or surface temperature.
        max_age_s: or None for three usual intervals, 90 s to 35 min [s].
    """

    point: str
    quantity: Quantity
    max_age_s: float | None = None


def channels_of(config: EnclosureConfig, section: str) -> list[Channel]:
    """Return the temperatures that count for a section."""
    return [
        Channel(point.name, point.quantity, point.rules.max_age_s)
        for point in config.points
        if point.quantity is Quantity.AIR_TEMP
        or (point.quantity is Quantity.SURFACE_TEMP and point.section in (None, section))
    ]


def history_rows(
    store: Store,
    enclosure: str,
    channels: Sequence[Channel],
    from_s: float,
    to_s: float,
    *,
    source: int = LIVE,
    known_s: float | None = None,
) -> Iterator[Row]:
    """Yield temperatures minute by minute, as the log has them.

    What is asked for may reach back to a mistyped year: only the time that has readings is told.

    Args:
        store: the log.
        enclosure: where.
        channels: which count.
        from_s: first instant [s].
        to_s: last instant [s].
        source: where the readings came from.
        known_s: only what had arrived by then, or None for all [s].

    Yields:
        Time [s], coldest and warmest surface, coldest and warmest air [degC]; NaN where no value
        that was believed is young enough. Of a time without any only the first row comes.
    """
    if not to_s > from_s:
        return
    span_s = (from_s - MOST_MAX_AGE_S, to_s)
    believed = {
        channel: _believed(store, enclosure, channel, span_s, source, known_s)
        for channel in channels
    }
    ends_s = [(times[0], times[-1]) for times, _ in believed.values() if times.size]
    if not ends_s:
        return
    first_s = max(from_s, min(first for first, _ in ends_s))
    last_s = min(to_s, max(last for _, last in ends_s) + MOST_MAX_AGE_S)
    grid = np.arange(first_s, last_s, max(GRID_S, (last_s - first_s) / MOST_ROWS))
    held = {channel: _held(channel, *believed[channel], grid) for channel in channels}
    columns = [
        *_ends([held[each] for each in channels if each.quantity is Quantity.SURFACE_TEMP], grid),
        *_ends([held[each] for each in channels if each.quantity is Quantity.AIR_TEMP], grid),
    ]
    known = np.isfinite(columns[0]) | np.isfinite(columns[2])
    hole_begins = ~known & np.concatenate(([False], known[:-1]))
    for k in np.flatnonzero(known | hole_begins):
        yield (
            float(grid[k]),
            float(columns[0][k]),
            float(columns[1][k]),
            float(columns[2][k]),
            float(columns[3][k]),
        )


def _ends(
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
    channel: Channel,
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


def _held(
    channel: Channel,
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
    usual_s = float(np.median(np.diff(times))) if times.size > 1 else 0.0
    max_age_s = channel.max_age_s
    if max_age_s is None:
        max_age_s = min(max(3.0 * usual_s, LEAST_MAX_AGE_S), MOST_MAX_AGE_S)
    last = np.searchsorted(times, grid, side="right") - 1
    known = last >= 0
    known[known] = grid[known] - times[last[known]] <= max_age_s
    silent = np.append(np.diff(times) > max_age_s, False)
    known[known] &= ~silent[last[known]] | (grid[known] <= times[last[known]])
    held[known] = values[last[known]]
    return held
