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
Bools = NDArray[np.bool_]

_GOES_ON = 1.5  # usual intervals, within which a row follows the one before; judgement, no source
_SET_WITHIN_S = 300.0  # who sets a clock by hand rights its minutes too; judgement, no source
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
    _before: tuple[float, bool] | None = None  # the row before: its wall time, and in such an hour
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
        found, begin = np.empty(len(wall_s)), 0
        while begin < len(wall_s):
            read = self._by_own_offset if self._runs_on is not None else self._by_zone
            end = read(wall_s[begin:], found[begin:], zone, why, begin)
            begin += end
            known = found[:begin][~np.isnan(found[:begin])]
            if len(known):
                self._last_s = float(known[-1])
        return found, why

    def _by_own_offset(
        self, wall_s: Floats, found: Floats, zone: ZoneInfo, _why: dict[int, str], _at: int
    ) -> int:
        """Read rows until the clock is set, and return how many."""
        assert self._runs_on is not None
        offset, way = self._runs_on
        interval_s = self._interval_s or 0.0
        last_s = wall_s[0] if self._before is None else self._before[0]
        off_s = np.abs(np.diff(wall_s, prepend=last_s) - interval_s - way * HOUR_S)
        is_set = off_s <= _SET_WITHIN_S
        if way > 0 and interval_s > _OFTEN_S:
            is_set[:] = False
        end = int(np.argmax(is_set)) if is_set.any() else len(wall_s)
        found[:end] = wall_s[:end] - offset.total_seconds()
        if end:
            self._before = float(wall_s[end - 1]), False
        if end < len(wall_s):
            self._runs_on = None
            stamp = _stamps(wall_s[end : end + 1])[0]
            self._say_once(
                f"set {stamp}", f"{stamp}: this recording's clock was set, and goes by {zone.key}."
            )
            if self._last_s is None or end:
                self._last_s = float(found[end - 1]) if end else self._last_s
        return end

    def _by_zone(
        self, wall_s: Floats, found: Floats, zone: ZoneInfo, why: dict[int, str], at: int
    ) -> int:
        """Read rows until it shows that the clock was not changed, and return how many."""
        wall = _stamps(wall_s)
        first = _to_utc(wall, zone, fold_first=True)
        second = _to_utc(wall, zone, fold_first=False)
        absent = np.isnan(first)
        twice = second > first
        once = first.copy()
        told = self._choose(first, second, np.flatnonzero(twice), wall, zone)
        odd = absent | (twice & (first == once))
        end = self._run_on_at(wall_s, odd, absent | twice)
        if end < len(wall_s):
            since = end - int(np.argmin(np.append(odd[:end], False)[:end][::-1]))
            since = end if not odd[:end].any() else _begin_of_run(odd, end)
            way, words = (1, "forward") if absent[since:end].any() else (-1, "back")
            offset = _offset_before(wall[since] if since < end else wall[end], zone)
            self._runs_on = offset, way
            first[since:end] = wall_s[since:end] - offset.total_seconds()
            self._say_once(
                f"{words} {wall[end].date()}",
                f"{wall[end].date()}: the clocks went {words} in {zone.key}, and this recording's "
                "ran on: it is read by the offset that it had, until it is set.",
            )
            absent[since:end] = False
        else:
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
        if end:
            self._before = float(wall_s[end - 1]), bool(odd[end - 1])
        return end
