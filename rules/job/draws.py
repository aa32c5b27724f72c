"""Draws of the weather ahead: the forecast with its errors, then whole stretches of a typical year.

Never the mean of either: a mean is too smooth, and would find good starts that do not come.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from rules.air.arrays import Floats
from rules.job.air import Air
from rules.outlook.weather import ERROR_MOST_K, ERROR_NOW_K, ERROR_PER_HOUR_K
from rules.units import HOUR_S

DRAWS = 200
YEAR_HOURS = 8760
_SEED = 20_261
_SHIFT_DAYS = 10  # a typical year's own fortnight about a day is what that day may be like
_MEMORY_H = 24.0  # how long a forecast's error lasts; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class WeatherYear:
    """A typical year of outdoor weather, hour by hour in universal time.

    Attributes:
        name: of the file.
        temp_c: by hour from 1 January 00:00 UTC [°C].
        dew_point_c: over liquid water [°C].
        sun_w_m2: on the flat, or None where the file does not tell [W/m²].
    """

    name: str
    temp_c: Floats
    dew_point_c: Floats
    sun_w_m2: Floats | None = None

    def from_hour(self, start_s: float, hours: int) -> Air:
        """Return the year's hours from an hour of any year on, going round at its end.

        Args:
            start_s: a full hour [s since 1970].
            hours: how many.
        """
        place = [hour_of_year(start_s + n * HOUR_S) for n in range(hours)]
        sun = None if self.sun_w_m2 is None else self.sun_w_m2[place][None, :]
        return Air(
            start_s, self.temp_c[place][None, :], self.dew_point_c[place][None, :], start_s, sun
        )


def hour_of_year(time_s: float) -> int:
    """Return which hour of its year a time lies in, from 0; 29 February counts as 1 March.

    >>> hour_of_year(0.0), hour_of_year(86_400.0 * 365 - 1)
    (0, 8759)
    """
    moment = datetime.fromtimestamp(time_s, UTC)
    leap = moment.month == 2 and moment.day == 29
    day = datetime(2023, 3 if leap else moment.month, 1 if leap else moment.day)
    return (day - datetime(2023, 1, 1)).days * 24 + moment.hour


def drawn(known: Air | None, year: WeatherYear | None, start_s: float, end_s: float) -> Air | None:
    """Return draws of the air outside; the same for the same hours.

    Args:
        known: one course of the forecast's hours, or None.
        year: a typical year for what comes after them, or None.
        start_s: a full hour, where there is no forecast [s since 1970].
        end_s: until when, where there is a year [s since 1970].

    Returns:
        The draws, or None where there is neither.

    Source:
        Error of a forecast by its age as in `rules.outlook.weather`, lasting a day; a typical
        year's hours from up to ten days before or after. Common practice, no source.
    """
    random = np.random.default_rng(_SEED)
    temp = np.empty((DRAWS, 0))
    dew = np.empty((DRAWS, 0))
    suns: list[Floats | None] = []
    if known is not None:
        start_s = known.start_s
        hours = known.temp_c.shape[1]
        temp = known.temp_c + _errors(random, hours)
        dew = np.minimum(known.dew_point_c + _errors(random, hours), temp)
        sun = known.sun_w_m2
        suns.append(None if sun is None else np.broadcast_to(sun, temp.shape))
    if year is not None:
        count = max(0, int((end_s - start_s) // HOUR_S) - temp.shape[1])
        shifts = 24 * random.integers(-_SHIFT_DAYS, _SHIFT_DAYS + 1, DRAWS)
        first = hour_of_year(start_s + temp.shape[1] * HOUR_S)
        place = (first + shifts[:, None] + np.arange(count)[None, :]) % YEAR_HOURS
        temp = np.hstack([temp, year.temp_c[place]])
        dew = np.hstack([dew, year.dew_point_c[place]])
        suns.append(None if year.sun_w_m2 is None else year.sun_w_m2[place])
    if temp.shape[1] == 0:
        return None
    known_suns = [each for each in suns if each is not None]
    whole = np.hstack(known_suns) if len(known_suns) == len(suns) else None
    return Air(start_s, temp, dew, start_s, whole)


def _errors(random: np.random.Generator, hours: int) -> Floats:
    """Errors of a forecast that grow with the hours ahead and last for about a day [K]."""
    keep = np.exp(-1.0 / _MEMORY_H)
    noise = random.standard_normal((DRAWS, hours))
    course = np.empty_like(noise)
    course[:, 0] = noise[:, 0]
    for hour in range(1, hours):
        course[:, hour] = keep * course[:, hour - 1] + np.sqrt(1.0 - keep**2) * noise[:, hour]
    size = np.minimum(ERROR_NOW_K + ERROR_PER_HOUR_K * np.arange(hours), ERROR_MOST_K)
    errors: Floats = course * size
    return errors
