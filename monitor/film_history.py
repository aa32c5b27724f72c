"""Reads a section's temperatures out of the log, for clocks that a restart must not lose."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.config_types import EnclosureConfig
from monitor.store import Store
from monitor.store_rows import LIVE, QUALITY_CODES
from sensors.faults import LEAST_MAX_AGE_S, MOST_MAX_AGE_S
from sensors.reading import Quality, Quantity

GRID_S = 60.0

Row = tuple[float, float, float, float, float]


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
) -> Iterator[Row]:
    """Yield temperatures minute by minute, as the log has them.

    Args:
        store: the log.
        enclosure: where.
        channels: which count.
        from_s: first instant [s].
        to_s: last instant [s].
        source: where the readings came from.

    Yields:
        Time [s], coldest and warmest surface, coldest and warmest air [degC]; NaN where no value
        that was believed is young enough.
    """
    if not to_s > from_s:
        return
    grid = np.arange(from_s, to_s, GRID_S)
    held = {channel: _held(store, enclosure, channel, grid, source) for channel in channels}
    columns = [
        *_ends([held[each] for each in channels if each.quantity is Quantity.SURFACE_TEMP], grid),
        *_ends([held[each] for each in channels if each.quantity is Quantity.AIR_TEMP], grid),
    ]
    for k in np.flatnonzero(np.isfinite(columns[0]) | np.isfinite(columns[2])):
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


def _held(
    store: Store, enclosure: str, channel: Channel, grid: NDArray[np.float64], source: int
) -> NDArray[np.float64]:
    """The last believed value at each instant, for as long as it counts."""
    times, values, codes = store.readings(
        enclosure,
        channel.point,
        channel.quantity,
        float(grid[0]) - MOST_MAX_AGE_S,
        float(grid[-1]),
        source=source,
    )
    ok = codes == QUALITY_CODES[Quality.OK]
    times, values = times[ok], values[ok]
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
    held[known] = values[last[known]]
    return held
