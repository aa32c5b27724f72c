"""Takes the local times of one clock to UTC, over the nights in which clocks are changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rules.units import HOUR_S
from sensors.zones import UTC_NAME

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_GOES_ON = 1.5  # usual intervals, within which a row follows the one before; judgement, no source
_FEWEST_STEPS = 8
_SET_WITHIN_S = 300.0  # who sets a clock by hand rights its minutes too; judgement, no source
_LEFT_OUT, _TWICE = 1, -1  # an hour in which a row stands, by the way that clocks went
_OFTEN_S = 1800.0  # of rows further apart a missing one looks like a clock set forward


@dataclass(slots=True)
class LocalClock:
    """Reads a recording's wall clock, piece by piece, in the order of its rows.

    A clock that was not changed with the others shows it: its rows run on through the hour that
    the others left out, or through the one that they showed twice. It is read by the offset that
    it had, until it is set.

    Attributes:
        zone: zone, or fixed offset.
        say: called once with each thing that the user should know.
    """

    zone: tzinfo
    say: Callable[[str], None]
    _last_s: float | None = None
    _interval_s: float | None = None
    _is_usual: bool = False  # enough rows have told of that interval
    _before: tuple[float, int] | None = None  # the row before: its wall time [s], and its hour
    _runs_on: tuple[timedelta, int] | None = None  # its own offset, and which way the others went
    _said: set[str] = field(default_factory=set)

    def utc_s(self, wall_s: Floats) -> tuple[Floats, dict[int, str]]:
        """Return moments.

        Args:
            wall_s: what the clock showed, as if it were UTC [s since 1970].

        Returns:
            Seconds since 1970 UTC, NaN where the zone has no such time, and why by position.
        """
        zone, why = self.zone, dict[int, str]()
        if not isinstance(zone, ZoneInfo):
            offset = zone.utcoffset(None)
            return wall_s - (offset.total_seconds() if offset is not None else 0.0), why
        if zone.key in ("UTC", UTC_NAME):
            return wall_s, why
        steps = np.diff(wall_s)
        steps = steps[(steps > 0) & (steps <= 2.0 * HOUR_S)]
        if self._interval_s is None and len(steps):
            self._interval_s = float(np.median(steps))
        self._is_usual |= len(steps) >= _FEWEST_STEPS
        found, begin = np.empty(len(wall_s)), 0
        while begin < len(wall_s):
            rest = wall_s[begin:], found[begin:], zone
            if self._runs_on is None:
                begin += self._by_zone(*rest, why, begin)
            else:
                begin += self._by_own_offset(*rest, *self._runs_on)
        return found, why

    def _by_own_offset(
        self, wall_s: Floats, found: Floats, zone: ZoneInfo, offset: timedelta, way: int
    ) -> int:
        """Read rows until the clock is set, and return how many."""
        interval_s = self._interval_s or 0.0
        last_s = wall_s[0] - interval_s if self._before is None else self._before[0]
        jumps_s = np.diff(wall_s, prepend=last_s) - interval_s
        is_set = np.abs(jumps_s - way * HOUR_S) <= _SET_WITHIN_S
        if way > 0 and interval_s > _OFTEN_S:
            is_set[:] = False
        end = int(np.argmax(is_set)) if is_set.any() else len(wall_s)
        found[:end] = wall_s[:end] - offset.total_seconds()
        self._pass(wall_s[:end], found[:end])
        if end < len(wall_s):
            self._runs_on = None
            stamp = _stamps(wall_s[end : end + 1])[0]
            self._say_once(f"set {stamp}", f"{stamp}: this clock was set; it goes by {zone.key}.")
        return end

    def _by_zone(
        self, wall_s: Floats, found: Floats, zone: ZoneInfo, why: dict[int, str], at: int
    ) -> int:
        """Read rows until they show that the clock was not changed, and return how many."""
        wall = _stamps(wall_s)
        first = _to_utc(wall, zone, fold_first=True)
        second = _to_utc(wall, zone, fold_first=False)
        absent, twice, earlier = np.isnan(first), second > first, first.copy()
        told = self._choose(first, second, np.flatnonzero(twice), wall, zone)
        hour = np.where(absent, _LEFT_OUT, np.where(twice & (first == earlier), _TWICE, 0))
        end, way = self._ran_on_at(wall_s, hour, absent | twice)
        if end < len(wall_s):
            since = end - int(np.argmin(np.append(hour[:end][::-1] == way, False)))
            words = "forward" if way == _LEFT_OUT else "back"
            offset = (wall[end] - timedelta(hours=3)).tz_localize(zone).utcoffset() or timedelta()
            self._runs_on = offset, way
            first[since:end] = wall_s[since:end] - offset.total_seconds()
            absent[since:end] = False
            told = {
                f"ran on {wall[end].date()}": f"{wall[end].date()}: the clocks went {words} in "
                f"{zone.key}, and this one ran on: it is read by the offset that it had."
            }
        for key, text in told.items():
            self._say_once(key, text)
        for place in np.flatnonzero(absent[:end]).tolist():
            why[at + place] = f"time {wall[place]} does not exist in {zone.key}"
            self._say_once(
                "gap",
                f"{wall[place].date()}: the clocks went forward in {zone.key}; "
                "times in the hour that was left out are skipped.",
            )
        found[:end] = first[:end]
        self._pass(wall_s[:end], found[:end], int(hour[end - 1]) if end else 0)
        return end

    def _ran_on_at(self, wall_s: Floats, hour: NDArray[np.int64], within: Bools) -> tuple[int, int]:
        """Where the first row stands that left such an hour as if nothing had been, and which hour.

        The count of rows where there is none.
        """
        before_s, before = (np.nan, 0) if self._before is None else self._before
        steps_s = np.diff(wall_s, prepend=before_s)
        left = np.append(before, hour[:-1])
        usual = self._is_usual & (steps_s > 0.0) & (steps_s <= _GOES_ON * (self._interval_s or 0.0))
        places = np.flatnonzero((left != 0) & ~within & usual)
        return (int(places[0]), int(left[places[0]])) if len(places) else (len(wall_s), 0)

    def _pass(self, wall_s: Floats, found: Floats, hour: int = 0) -> None:
        """Take note of the last row."""
        if len(wall_s):
            self._before = float(wall_s[-1]), hour
        elif self._before is not None:
            self._before = self._before[0], 0
        known = found[~np.isnan(found)]
        if len(known):
            self._last_s = float(known[-1])

    def _choose(
        self,
        first: Floats,
        second: Floats,
        twice: NDArray[np.intp],
        wall: pd.DatetimeIndex,
        zone: ZoneInfo,
    ) -> dict[str, str]:
        """Of the two moments of a local time that occurs twice, take the one that follows on.

        Returns what is to be said of it. What follows on lies nearest to one usual interval after
        the row before. So a repeated row and two rows out of order stay in their hour, and the step
        back of an hour leaves it.
        """
        interval_s = self._interval_s or 60.0
        told: dict[str, str] = {}
        for at in twice.tolist():
            before = first[:at][~np.isnan(first[:at])][-1:]
            last_s = float(before[0]) if len(before) else self._last_s
            if last_s is not None:
                expected_s = last_s + interval_s
                if abs(second[at] - expected_s) < abs(first[at] - expected_s):
                    first[at] = second[at]
            day = str(wall[at].date())
            told.setdefault(
                f"fold {day}",
                f"{day}: the clocks went back in {zone.key}, so an hour of local times occurs "
                "twice; the two are told apart by the order of the rows"
                + (
                    "."
                    if last_s is not None
                    else ", and the recording begins in it: its start is taken for the first."
                ),
            )
        return told

    def _say_once(self, key: str, text: str) -> None:
        if key not in self._said:
            self._said.add(key)
            self.say(text)


def _stamps(wall_s: Floats) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(np.round(wall_s * 1e6).astype("int64").view("M8[us]"))


def _to_utc(wall: pd.DatetimeIndex, zone: ZoneInfo, *, fold_first: bool) -> Floats:
    stamps = wall.tz_localize(
        zone, ambiguous=np.full(len(wall), fold_first), nonexistent="NaT"
    ).tz_convert(None)
    seconds = np.full(len(wall), np.nan)
    there = stamps.notna()
    seconds[there] = seconds_of(stamps[there])
    return seconds


def seconds_of(stamps: pd.Series[pd.Timestamp] | pd.DatetimeIndex) -> Floats:
    """Return seconds since 1970 of stamps without a zone."""
    micros = np.asarray(stamps, dtype="datetime64[us]").astype("int64")
    return micros / 1e6
