"""An enclosure's recent past on an even grid: what an outlook learns from and starts at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.air.arrays import Floats
from rules.errors import FilmcallError
from rules.known import HUMIDITY, TEMPERATURE, Pace, ends_of
from rules.text import duration_text

CELL_S = 300.0
CELLS_A_DAY = 288
MOST_HIDDEN = {TEMPERATURE: 1.0, HUMIDITY: 5.0}
"""A hole in which a quantity can have gone further than this teaches no outlook; common practice,
no source [K, %]."""


class TooLittleLog(FilmcallError, ValueError):
    """The log does not reach back far enough, or not up to now, for an outlook."""


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Means over cells of 5 min up to now; NaN where nothing was measured.

    Attributes:
        end_s: the end of the last cell, now, seconds since 1970-01-01 UTC [s].
        air_temp_c: of the air that counts for the margin [°C].
        dew_point_c: of the same air, over liquid water [°C].
        surface_temp_c: the section's coldest surface, or None where it has none [°C].

    Raises:
        TooLittleLog: columns of unequal length.
    """

    end_s: float
    air_temp_c: Floats
    dew_point_c: Floats
    surface_temp_c: Floats | None = None

    def __post_init__(self) -> None:
        """Refuse columns that cannot stand side by side."""
        columns = [self.air_temp_c, self.dew_point_c]
        if self.surface_temp_c is not None:
            columns.append(self.surface_temp_c)
        if len({column.shape for column in columns}) != 1 or columns[0].ndim != 1:
            raise TooLittleLog("the columns of a track differ in length; no outlook is made")

    @property
    def count(self) -> int:
        """How many cells there are."""
        return int(self.air_temp_c.size)

    def table(self) -> Floats:
        """Return cells by quantities: air, dew point and, where known, surface [°C]."""
        columns = [self.air_temp_c, self.dew_point_c]
        if self.surface_temp_c is not None:
            columns.append(self.surface_temp_c)
        return np.column_stack(columns)

    def times_s(self) -> Floats:
        """Return the end of each cell [s]."""
        times: Floats = self.end_s - CELL_S * np.arange(self.count - 1, -1, -1, dtype=np.float64)
        return times

    def until(self, count: int) -> Track:
        """Return the track as it stood when it had `count` cells."""
        surface = self.surface_temp_c
        return Track(
            self.end_s - CELL_S * (self.count - count),
            self.air_temp_c[:count],
            self.dew_point_c[:count],
            None if surface is None else surface[:count],
        )


def cell_means(time_s: Floats, values: Floats, end_s: float, count: int) -> Floats:
    """Return means over the cells that end at `end_s`.

    Args:
        time_s: instants of believed readings, in any order [s].
        values: finite, one an instant.
        end_s: the end of the last cell; a reading at it belongs to that cell [s].
        count: how many cells.

    Returns:
        Means, NaN where a cell has nothing.

    Source:
        No source: bookkeeping.

    >>> cell_means(np.array([10.0, 290.0, 610.0]), np.array([1.0, 3.0, 5.0]), 900.0, 3).tolist()
    [2.0, nan, 5.0]
    """
    back = np.floor((end_s - time_s) / CELL_S).astype(np.int64)
    inside = (back >= 0) & (back < count)
    place = count - 1 - back[inside]
    sums = np.bincount(place, weights=values[inside], minlength=count)
    counts = np.bincount(place, minlength=count)
    means: Floats = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    return means


def usual_interval_s(means: Floats, readings: float) -> float:
    """Return the usual time between two readings of a channel, 0 where that is not known [s].

    Args:
        means: over even cells, NaN where a cell has none.
        readings: how many there are in all of them.

    >>> usual_interval_s(np.array([1.0, np.nan, 3.0, np.nan, 3.5]), 3)  # one in every other cell
    600.0
    >>> usual_interval_s(np.array([1.0, 2.0, np.nan]), 60)
    10.0
    """
    known = np.flatnonzero(np.isfinite(means))
    if known.size < 2 or readings <= 0.0:
        return 0.0
    return float(CELL_S * np.median(np.diff(known)) * known.size / readings)


def measured_cells(means: Floats, max_age_s: float) -> Floats:
    """Return the cells of a channel that is read more seldom than there are cells.

    Args:
        means: of its readings, NaN where a cell has none.
        max_age_s: how long a reading of it counts [s].

    Returns:
        Straight lines between two that are no further apart than that, and the last one held for
        so long; NaN elsewhere.

    >>> nan = np.nan
    >>> measured_cells(np.array([nan, 1.0, nan, 3.0, nan, nan]), 600.0).tolist()
    [nan, 1.0, 2.0, 3.0, 3.0, 3.0]
    >>> measured_cells(np.array([nan, 1.0, nan, 3.0, nan, nan]), 90.0).tolist()
    [nan, 1.0, nan, 3.0, nan, nan]
    """
    filled = means.copy()
    known = np.flatnonzero(np.isfinite(means))
    if known.size == 0:
        return filled
    for k in np.flatnonzero((np.diff(known) > 1) & (CELL_S * np.diff(known) <= max_age_s)):
        begin, end = known[k], known[k + 1]
        filled[begin : end + 1] = np.linspace(means[begin], means[end], end - begin + 1)
    last = int(known[-1])
    filled[last : last + 1 + int(max_age_s // CELL_S)] = means[last]
    return filled


def bridged(cells: Floats, pace: Pace) -> Floats:
    """Return a column with those holes filled in which its quantity cannot have gone far.

    Args:
        cells: NaN where nobody measured.
        pace: of the quantity's kind.

    Returns:
        In a hole the middle of what is known of it, where neither end is off it by more than
        `MOST_HIDDEN`; NaN elsewhere.

    Source:
        `rules.known`, from the whole column.

    >>> bridged(np.array([51.0, np.nan, 53.0, np.nan]), HUMIDITY).tolist()
    [51.0, 52.0, 53.0, nan]
    """
    known = np.flatnonzero(np.isfinite(cells))
    filled = cells.copy()
    if known.size < 2 or known.size == cells.size:
        return filled
    at_s = CELL_S * np.arange(cells.size, dtype=np.float64)
    means = cells[known]
    low, high = ends_of(at_s[known], means, means, at_s, CELL_S, pace)
    half = 0.5 * (high - low)
    fills = np.isnan(cells) & (half <= MOST_HIDDEN[pace])
    fills[: known[0]] = fills[known[-1] :] = False
    filled[fills] = (low + half)[fills]
    return filled


def checked_track(track: Track, least_cells: int) -> None:
    """Raise unless a track reaches back far enough and up to now.

    Raises:
        TooLittleLog: it does not; the text says what is missing.
    """
    table = track.table()
    whole = np.asarray(np.isfinite(table).all(axis=1))
    have = int(whole.sum())
    if have < least_cells:
        have_text, least_text = (duration_text(n * CELL_S) for n in (have, least_cells))
        raise TooLittleLog(
            f"the log has {have_text} of the {least_text} that an outlook needs, so none is made; "
            "let the log grow"
        )
    if not bool(whole[-1]):
        raise TooLittleLog(
            "the last 5 min of the log lack air temperature, humidity or surface, so no outlook is "
            "made; see `filmcall check` or the screen for the point that is silent"
        )
