"""Takes the local times of one clock to UTC, over the nights in which clocks are changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rules.units import HOUR_S
from sensors.zones import UTC_NAME

Floats = NDArray[np.float64]

RAN_ON_S = 600.0
"""Rows over so long in an hour that clocks left out are no late change; judgement, no source."""
_GOES_ON = 1.5  # usual intervals, within which a row follows the one before; judgement, no source


@dataclass(slots=True)
class LocalClock:
    """Reads a recording's wall clock, piece by piece, in the order of its rows.

    Attributes:
        zone: zone, or fixed offset.
        say: called once with each thing that the user should know.
    """

    zone: tzinfo
    say: Callable[[str], None]
    _last_s: float | None = None
    _interval_s: float | None = None
    _left_out_s: float | None = None  # first row in an hour that clocks left out, its wall time [s]
    _once: tuple[float, float] | None = None  # the row before in the first of a doubled hour [s]
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
        wall = pd.DatetimeIndex(np.round(wall_s * 1e6).astype("int64").view("M8[us]"))
        first = _to_utc(wall, zone, fold_first=True)
        second = _to_utc(wall, zone, fold_first=False)
        absent = np.flatnonzero(np.isnan(first))
        if len(absent) and self._ran_on(wall_s[absent]):
            begin = int(absent[0])
            first[begin:] = self._stay(wall[begin], "forward", zone).utc_s(wall_s[begin:])[0]
        else:
            for at in absent.tolist():
                why[at] = f"time {wall[at]} does not exist in {zone.key}"
                self._say_once(
                    "gap",
                    f"{wall[at].date()}: the clocks went forward in {zone.key}; "
                    "times in the hour that was left out are skipped.",
                )
            twice = np.flatnonzero(second > first)
            if len(twice) or self._once is not None:
                told = self._choose(first, second, twice, wall, zone)
                begin = self._once_at(first, second, twice, wall_s)
                if begin < len(wall_s):
                    first[begin:] = self._stay(wall[begin], "back", zone).utc_s(wall_s[begin:])[0]
                    told = {}
                for key, text in told.items():
                    self._say_once(key, text)
        known = first[~np.isnan(first)]
        if len(known):
            self._last_s = float(known[-1])
        return first, why

    def _ran_on(self, absent_s: Floats) -> bool:
        """Whether the rows in an hour that clocks left out are too many for a late change."""
        begin_s, end_s = float(absent_s[0]), float(absent_s[-1])
        if self._left_out_s is not None and 0.0 <= end_s - self._left_out_s <= HOUR_S:
            begin_s = self._left_out_s
        self._left_out_s = begin_s
        return end_s - begin_s >= RAN_ON_S

    def _once_at(
        self, first: Floats, second: Floats, twice: NDArray[np.intp], wall_s: Floats
    ) -> int:
        """Where a clock that showed a doubled hour once goes on as if nothing had been.

        The count of rows where that is nowhere.
        """
        before, self._once = self._once, None
        for at in (0, *(twice + 1).tolist()):
            if at > 0:
                in_first = first[at - 1] < second[at - 1] - 1.0 and at - 1 in twice
                before = (float(wall_s[at - 1]), float(first[at - 1])) if in_first else None
            if at == len(wall_s):
                self._once = before
            elif before is not None and at not in twice and self._interval_s is not None:
                step_s = float(wall_s[at]) - before[0]
                # Read as a clock that was set back, it lacks an hour here; as one that was not,
                # nothing.
                if 0.0 < step_s <= _GOES_ON * self._interval_s < float(first[at]) - before[1]:
                    return int(at)
        return len(wall_s)

    def _stay(self, wall: pd.Timestamp, way: str, zone: ZoneInfo) -> LocalClock:
        """Read all that follows by the offset of before a change, and say so."""
        before = (wall - timedelta(hours=3)).tz_localize(zone).utcoffset() or timedelta()
        self._say_once(
            "stays",
            f"{wall.date()}: the clocks went {way} in {zone.key}, and this recording's did not: "
            "from there on it is read by the offset that it had before.",
        )
        self.zone = timezone(before)
        return self

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
        steps = np.diff(first)
        steps = steps[(steps > 0) & (steps <= 7200)]
        interval_s = self._interval_s or (float(np.median(steps)) if len(steps) else 60.0)
        self._interval_s = interval_s
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
