"""The weather outside, hour by hour, past and forecast, as the outlook reads it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rules.air.arrays import Floats
from rules.errors import FilmcallError
from rules.text import duration_text
from rules.units import HOUR_S

LONGEST_GAP_S = 3.0 * 3600.0 + 1.0
"""Hours further apart than this are not joined by a straight line [s]."""

STALE_AFTER_S = 12.0 * 3600.0
DROPPED_AFTER_S = 48.0 * 3600.0
LEAST_REACH_S = 3.0 * 3600.0
# How far a forecast of the outside air is out: at once, for each hour ahead or of age, and at
# most. Common practice, no source.
ERROR_NOW_K, ERROR_PER_HOUR_K, ERROR_MOST_K = 0.7, 0.05, 3.0


class ForecastUnfit(FilmcallError, ValueError):
    """A forecast cannot be used for an outlook."""


@dataclass(frozen=True, slots=True, eq=False)
class Outside:
    """Hours of weather, the past ones to learn from, the coming ones to look ahead by.

    Attributes:
        time_s: ascending [s].
        temp_c: of the air [°C].
        dew_point_c: over liquid water [°C].
        sun_w_m2: on the flat, or None where the file does not tell [W/m²].
        made_s: when the forecast was made, or None where it is not known [s].

    Raises:
        ForecastUnfit: columns of unequal length, times that do not ascend.
    """

    time_s: Floats
    temp_c: Floats
    dew_point_c: Floats
    sun_w_m2: Floats | None = None
    made_s: float | None = None

    def __post_init__(self) -> None:
        """Refuse hours that cannot be read between."""
        columns = [self.temp_c, self.dew_point_c]
        if self.sun_w_m2 is not None:
            columns.append(self.sun_w_m2)
        if any(each.shape != self.time_s.shape for each in columns) or self.time_s.ndim != 1:
            raise ForecastUnfit("the columns of a forecast differ in length; it is not used")
        if self.time_s.size and not bool((np.diff(self.time_s) > 0.0).all()):
            raise ForecastUnfit("the hours of a forecast do not ascend; it is not used")

    def at(self, times_s: Floats) -> tuple[Floats, Floats, Floats]:
        """Return temperature, dew point and sun at times, by straight lines.

        Args:
            times_s: [s].

        Returns:
            Three arrays, NaN outside the hours and in gaps over three hours; sun 0 where the
            forecast has none [°C, °C, W/m²].
        """
        if self.time_s.size < 2:
            nothing = np.full(times_s.shape, np.nan)
            return nothing, nothing.copy(), nothing.copy()
        after = np.clip(np.searchsorted(self.time_s, times_s), 1, self.time_s.size - 1)
        gap_s = self.time_s[after] - self.time_s[after - 1]
        inside = (times_s >= self.time_s[0]) & (times_s <= self.time_s[-1])
        known = inside & (gap_s <= LONGEST_GAP_S)

        def column(values: Floats) -> Floats:
            return np.where(known, np.interp(times_s, self.time_s, values), np.nan)

        sun = np.zeros(times_s.shape) if self.sun_w_m2 is None else column(self.sun_w_m2)
        return column(self.temp_c), column(self.dew_point_c), sun

    def held_back(self, now_s: float) -> Outside:
        """Return the hours, the first of them true from now on where it begins within an hour.

        A forecast is often handed out from the next full hour on.
        """
        begins_s = float(self.time_s[0]) if self.time_s.size else now_s
        if not 0.0 < begins_s - now_s <= HOUR_S:
            return self
        sun = self.sun_w_m2
        return replace(
            self,
            time_s=np.append(now_s, self.time_s),
            temp_c=np.append(self.temp_c[:1], self.temp_c),
            dew_point_c=np.append(self.dew_point_c[:1], self.dew_point_c),
            sun_w_m2=None if sun is None else np.append(sun[:1], sun),
        )

    def error_k(self, now_s: float, ahead_s: Floats) -> Floats:
        """Return how far the outside temperature may be out, one standard deviation [K].

        Args:
            now_s: when it is used [s].
            ahead_s: how far ahead of now [s].

        Source:
            Common practice, no source; a forecast whose age is not known counts as six hours old.
        """
        age_s = 6.0 * 3600.0 if self.made_s is None else max(0.0, now_s - self.made_s)
        hours = (age_s + ahead_s) / 3600.0
        return np.where(
            ahead_s > 0.0, np.minimum(ERROR_NOW_K + ERROR_PER_HOUR_K * hours, ERROR_MOST_K), 0.0
        )


def forecast_notes(
    outside: Outside,
    now_s: float,
    known_ahead: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    step_s: float,
) -> tuple[str, ...]:
    """Return what a reader should know of a forecast that an outlook rests on.

    Args:
        outside: the forecast.
        now_s: when it is used [s].
        known_ahead: whether it tells of each step ahead.
        step_s: between two of them [s].

    Raises:
        ForecastUnfit: it is too old, or does not reach three hours ahead.
    """
    notes = []
    if outside.made_s is None:
        notes.append("forecast does not say when it was made: taken for 6 h old")
    else:
        age_s = now_s - outside.made_s
        if age_s > DROPPED_AFTER_S:
            raise ForecastUnfit(
                f"forecast made {duration_text(age_s)} ago is over the "
                f"{duration_text(DROPPED_AFTER_S)} after which it is dropped, so the outlook goes "
                "by the log alone; fetch a new one"
            )
        if age_s > STALE_AFTER_S:
            notes.append(f"forecast is {duration_text(age_s)} old: bands are wider for it")
    whole = bool(known_ahead.all())
    reach_s = step_s * (known_ahead.size if whole else int(np.argmin(known_ahead)))
    if reach_s < LEAST_REACH_S:
        raise ForecastUnfit(
            f"forecast reaches {duration_text(reach_s)} ahead without a gap, under the 3 h that "
            "are of use, so the outlook goes by the log alone; fetch a new one"
        )
    if not whole:
        notes.append(
            f"forecast ends, or has a gap, {duration_text(reach_s)} ahead: from there the log "
            "counts alone"
        )
    return tuple(notes)
