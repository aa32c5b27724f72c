"""Forecasts as issued: every six hours, made from the true weather by errors that grow with lead.

The errors of temperature, dew point and sun are drawn apart from one another. Each is correlated
from hour to hour and from issue to issue, and temperature and dew point carry beside it an error of
the place that stays (the enclosure does not stand where the forecast is made for). Sizes: about
those of a good local forecast, 0.8 K growing to 1.7 K a day ahead in temperature, a quarter more in
dew point (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from held_weather import Weather

from rules.outlook.weather import Outside

Floats = np.ndarray[Any, np.dtype[np.float64]]
EVERY_H, REACH_H = 6, 48
PLACE_K = 0.5
HOURS_KEPT = 0.93  # of an error, from one hour to the next
ISSUES_KEPT = 0.6  # and from one issue to the next about the same hour
TEMP_K, TEMP_GROWS_K2_H, DEW_FACTOR = 0.6, 0.1, 1.25
SUN_SHARE, SUN_GROWS_H = 0.15, 0.008


@dataclass(frozen=True, eq=False)
class Issue:
    """One forecast as it was issued, by hours from its making on.

    Attributes:
        made_s: [s].
        time_s: of the hours [s].
        temp_c, dew_c: [°C].
        sun_w_m2: on the flat [W/m²].
    """

    made_s: float
    time_s: Floats
    temp_c: Floats
    dew_c: Floats
    sun_w_m2: Floats


def spread_k(lead_h: Floats) -> Floats:
    """Return the standard deviation of a temperature's error that grows with lead [K]."""
    return np.sqrt(TEMP_K**2 + TEMP_GROWS_K2_H * lead_h)


def issued(weather: Weather, seed: int) -> list[Issue]:
    """Return every forecast that was issued while a log ran, the first at its first hour."""
    chance = np.random.default_rng([22, seed])
    time_s, temp, dew, sun = weather.hourly()
    place = chance.normal(0.0, PLACE_K, 2)
    count = len(time_s)
    errors = np.zeros((3, count))
    found = []
    for begin in range(0, count - 3, EVERY_H):
        hours = slice(begin, min(begin + REACH_H, count))
        length = hours.stop - begin
        lead = np.arange(length, dtype=float)
        fresh = np.empty((3, length))
        fresh[:, 0] = chance.normal(0.0, 1.0, 3)
        steps = chance.normal(0.0, np.sqrt(1.0 - HOURS_KEPT**2), (3, length))
        for i in range(1, length):
            fresh[:, i] = HOURS_KEPT * fresh[:, i - 1] + steps[:, i]
        seen = errors[:, hours].any(axis=0)
        new = np.sqrt(1.0 - ISSUES_KEPT**2)
        errors[:, hours] = np.where(seen, ISSUES_KEPT * errors[:, hours] + new * fresh, fresh)
        now = errors[:, hours]
        told_temp = temp[hours] + place[0] + spread_k(lead) * now[0]
        told_dew = dew[hours] + place[1] + DEW_FACTOR * spread_k(lead) * now[1]
        told_sun = sun[hours] * np.exp((SUN_SHARE + SUN_GROWS_H * lead) * now[2])
        found.append(
            Issue(
                float(time_s[begin]),
                time_s[hours],
                told_temp,
                np.minimum(told_dew, told_temp),
                np.minimum(told_sun, 1100.0),
            )
        )
    return found


def outside(issues: list[Issue], now_s: float) -> tuple[Outside, list[Issue]]:
    """Return what a forecast file holds at a time, and the issues that it could be made of.

    The file's past hours are those of the first hours of earlier issues, as forecast services give
    them: nobody measured the true weather.
    """
    known = [each for each in issues if each.made_s <= now_s]
    columns: list[list[Floats]] = [[], [], [], []]
    for one, after in zip(known, [*known[1:], None], strict=True):
        held = np.full(one.time_s.shape, True) if after is None else one.time_s < after.made_s
        for column, values in zip(
            columns, (one.time_s, one.temp_c, one.dew_c, one.sun_w_m2), strict=True
        ):
            column.append(values[held])
    time_s, temp, dew, sun = (np.concatenate(each) for each in columns)
    return Outside(time_s, temp, dew, sun, known[-1].made_s), known
