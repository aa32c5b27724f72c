"""What the log has of a section's air and ground, at the times at which a running watch samples."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.log.log import Store
from monitor.log.rows import LIVE, QUALITY_CODES
from monitor.samples import SAMPLE_EVERY_S, TemperatureChannel
from rules.units import DAY_S
from sensors.faults import DEFAULT_RULES, MOST_MAX_AGE_S, max_age_s
from sensors.reading import Quality, Quantity

OLDER_EVERY_S = 60.0
"""What lies more than a day before the end is told in minutes [s]."""
MOST_ROWS = 100_000  # 69 days in minutes; a longer time is told in longer steps


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
    """Return temperatures as the log has them, at the times at which a running watch samples them.

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
        A row where something was told or had been told too long ago, the last of each half minute
        (of a minute where it is old) and the last before each silence, as `Rows`; NaN where no
        value that was believed is young enough. Of a time without any temperature only the first
        row comes.
    """
    nothing = np.empty((0, 1 + 2 * len(channels)))
    if not to_s > from_s:
        return nothing
    span_s = (from_s - MOST_MAX_AGE_S, to_s)
    believed = [
        _believed(store, enclosure, channel, span_s, source, known_s) for channel in channels
    ]
    ends_s = [(times[0], times[-1]) for times, _ in believed if times.size]
    if not ends_s:
        return nothing
    first_s = max(from_s, min(first for first, _ in ends_s))
    last_s = min(to_s, max(last for _, last in ends_s) + MOST_MAX_AGE_S)
    ages_s = [
        _counts_s(channel, times) for channel, (times, _) in zip(channels, believed, strict=True)
    ]
    lasts_s = [
        times[np.diff(times, append=last_s) > age_s]
        for age_s, (times, _) in zip(ages_s, believed, strict=True)
    ]
    told_s = [times for times, _ in believed]
    ended_s = [last + age_s for age_s, last in zip(ages_s, lasts_s, strict=True)]
    told = np.unique(np.concatenate([np.array([first_s]), *told_s, *ended_s]))
    told = told[(told >= first_s) & (told <= last_s)]
    every_s = np.where(told > last_s - DAY_S, SAMPLE_EVERY_S, OLDER_EVERY_S)
    every_s = np.maximum(every_s, (last_s - first_s) / MOST_ROWS)
    # The last of all too: else the minute that has just begun is not known.
    kept = np.diff((told - first_s) // every_s, append=np.inf) > 0.0
    grid = told[kept | np.isin(told, np.concatenate(lasts_s))]
    table = np.empty((grid.size, nothing.shape[1]))
    table[:, 0] = grid
    known = np.zeros(grid.size, dtype=np.bool_)
    for k, (channel, age_s, readings) in enumerate(zip(channels, ages_s, believed, strict=True)):
        held = _held(*readings, grid, age_s, last_s)
        table[:, 1 + 2 * k] = held - channel.accuracy_pct
        table[:, 2 + 2 * k] = held + channel.accuracy_pct
        if channel.quantity in (Quantity.SURFACE_TEMP, Quantity.AIR_TEMP):
            known |= np.isfinite(held)
    hole_begins = ~known & np.concatenate(([False], known[:-1]))
    rows: NDArray[np.float64] = table[known | hole_begins]
    return rows


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


def _counts_s(channel: TemperatureChannel, times: NDArray[np.float64]) -> float:
    """How long a value of a channel counts."""
    if channel.max_age_s is not None:
        return channel.max_age_s
    usual_s = _usual_step_s(times) if times.size > 1 else 0.0
    return max_age_s(DEFAULT_RULES[channel.quantity], usual_s)


def _usual_step_s(times: NDArray[np.float64]) -> float:
    """The median of the steps between two times or more; numpy's loads its masked arrays [s]."""
    steps = np.diff(times)
    upper = steps.size // 2
    lower = (steps.size - 1) // 2
    ordered = np.partition(steps, (lower, upper))
    return float(0.5 * (ordered[lower] + ordered[upper]))


def _held(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    grid: NDArray[np.float64],
    counts_s: float,
    now_s: float,
) -> NDArray[np.float64]:
    """The last believed value at each instant, for as long as it counts.

    Where the next one came later than that, or none has by now, nobody measured since, and none is
    held.
    """
    held = np.full(grid.shape, math.nan)
    if times.size == 0:
        return held
    last = np.searchsorted(times, grid, side="right") - 1
    known = last >= 0
    known[known] = grid[known] - times[last[known]] <= counts_s
    silent = np.diff(times, append=now_s) > counts_s
    known[known] &= ~silent[last[known]] | (grid[known] <= times[last[known]])
    held[known] = values[last[known]]
    return held
