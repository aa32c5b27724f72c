"""An enclosure's recent past on an even grid: what an outlook learns from and starts at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.air.arrays import Floats
from rules.errors import FilmcallError
from rules.text import duration_text

CELL_S = 300.0
CELLS_A_DAY = 288
LONGEST_BRIDGE_CELLS = 6  # half an hour without data is bridged by a straight line


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
    """Return means over the cells that end at `end_s`, short gaps bridged.

    Args:
        time_s: instants of believed readings, in any order [s].
        values: finite, one an instant.
        end_s: the end of the last cell; a reading at it belongs to that cell [s].
        count: how many cells.

    Returns:
        Means, NaN where a cell and its neighbours within half an hour have nothing.

    Source:
        No source: bookkeeping.

    >>> cell_means(np.array([10.0, 290.0, 610.0]), np.array([1.0, 3.0, 5.0]), 900.0, 3).tolist()
    [2.0, 3.5, 5.0]
    """
    back = np.floor((end_s - time_s) / CELL_S).astype(np.int64)
    inside = (back >= 0) & (back < count)
    place = count - 1 - back[inside]
    sums = np.bincount(place, weights=values[inside], minlength=count)
    counts = np.bincount(place, minlength=count)
    means = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    return bridged(means)


def bridged(values: Floats) -> Floats:
    """Return a column with gaps of up to half an hour filled by straight lines.

    >>> bridged(np.array([1.0, np.nan, 3.0, np.nan])).tolist()
    [1.0, 2.0, 3.0, nan]
    """
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2 or known.size == values.size:
        return values
    filled = values.copy()
    gaps = np.flatnonzero((np.diff(known) > 1) & (np.diff(known) <= LONGEST_BRIDGE_CELLS + 1))
    for gap in gaps:
        low, high = int(known[gap]), int(known[gap + 1])
        filled[low : high + 1] = np.linspace(values[low], values[high], high - low + 1)
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
