"""The weather outside, hour by hour, past and forecast, as the enclosure model reads it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rules.air.arrays import Floats
from rules.errors import FilmcallError
from rules.events import Event, in_force
from rules.vocabulary import EventKind

_FUELS = re.compile(
    r"\b(propane|butane|lpg|bottled gas|gas|paraffin|kerosene|diesel|petrol|fuel)\b", re.IGNORECASE
)
_VENTED = re.compile(r"\b(flue|flued|vented|chimney|indirect)\b", re.IGNORECASE)
_UNVENTED = re.compile(r"\b(no flue|without (a )?flue|unflued|unvented|flueless)\b", re.IGNORECASE)
_WATTS = {"w": 1.0, "kw": 1000.0}


def burns_into_air(event: Event) -> bool:
    """Return whether a heater-on event tells of fuel that burns without a flue.

    Args:
        event: its `what` or its note names the fuel; a flue in the note takes the water outside.

    Returns:
        True where fuel is named and no flue is; an electric heater is False.

    >>> burns_into_air(Event(EventKind.HEATER_ON, 0.0, "tent", note="propane, no flue"))
    True
    >>> burns_into_air(Event(EventKind.HEATER_ON, 0.0, "tent", note="diesel with flue"))
    False
    """
    said = f"{event.what or ''} {event.note}"
    if not _FUELS.search(said):
        return False
    return bool(_UNVENTED.search(said)) or not _VENTED.search(said)


def heater_course(events: Iterable[Event], times_s: Floats) -> tuple[Floats, Floats]:
    """Return how far the heater was on, and how far by burning fuel, over cells.

    Args:
        events: of one enclosure, corrections among them.
        times_s: the ends of even cells [s].

    Returns:
        Two columns from 0 to 1: shares of the strongest heater told of (its power where `value` and
        `unit` W or kW say so, else on is 1), averaged over each cell; the second holds only what
        burns without a flue.
    """
    standing = [
        event
        for event in in_force(tuple(events))
        if event.kind in (EventKind.HEATER_ON, EventKind.HEATER_OFF)
    ]
    heat, fuel = np.zeros(times_s.size), np.zeros(times_s.size)
    watts = [_watts(event) for event in standing if event.kind is EventKind.HEATER_ON]
    strongest = max((w for w in watts if w is not None), default=None)
    cell_s = float(times_s[1] - times_s[0]) if times_s.size > 1 else 300.0
    for number, event in enumerate(standing):
        if event.kind is EventKind.HEATER_OFF:
            continue
        own = _watts(event)
        share = own / strongest if own is not None and strongest else 1.0
        until_s = standing[number + 1].time_s if number + 1 < len(standing) else np.inf
        begin = np.maximum(times_s - cell_s, event.time_s)
        covered = np.clip(np.minimum(times_s, until_s) - begin, 0.0, cell_s) / cell_s
        heat += share * covered
        if burns_into_air(event):
            fuel += share * covered
    return heat, fuel


def _watts(event: Event) -> float | None:
    factor = _WATTS.get((event.unit or "").strip().lower())
    if factor is None or event.value is None or not event.value > 0.0:
        return None
    return event.value * factor


LONGEST_GAP_S = 3.0 * 3600.0 + 1.0
"""Hours further apart than this are not joined by a straight line [s]."""

STALE_AFTER_S = 12.0 * 3600.0
DROPPED_AFTER_S = 48.0 * 3600.0
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
