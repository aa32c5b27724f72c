"""A clock for ages and calls: wall time that only moves with the monotonic clock.

A step of the wall clock, as when a small board's network comes up, is noticed and told; it makes no
old value young.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

from rules.text import date_hour_text

STEP_S = 2.0
SWITCH_S = 0.0005  # else a network thread waits 5 ms for the loop after each of its reads [s]
SLACK_S = 300.0
# A clock that says less was never set: this version did not exist then.
RELEASED_S = datetime(2026, 11, 1, tzinfo=UTC).timestamp()


def boot_time_s() -> float:
    """Return a clock that nobody sets and that goes on while the machine sleeps [s]."""
    clock = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return time.clock_gettime(clock)


class SteadyClock:
    """Seconds since 1970 that go on evenly from when they were last anchored.

    Attributes:
        steps: how often the wall clock was found to have been set.
    """

    def __init__(self, wall: Callable[[], float], monotonic: Callable[[], float]) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self.steps = 0
        self._anchor()

    def _anchor(self) -> None:
        self._offset_s = self._wall() - self._monotonic()

    def now_s(self) -> float:
        """Return the time now [s]."""
        return self._monotonic() + self._offset_s

    def steady_s(self) -> float:
        """Return how the monotonic clock stands [s]."""
        return self._monotonic()

    def at_s(self, monotonic_s: float) -> float:
        """Return the time at which the monotonic clock stood so [s]."""
        return monotonic_s + self._offset_s

    def step_s(self) -> float:
        """Return by how much the wall clock was set since the last call, and follow it.

        Returns:
            0.0 where it was not, else the step, negative backwards [s].
        """
        step_s = self._wall() - self.now_s()
        if abs(step_s) < STEP_S:
            return 0.0
        self.steps += 1
        self._anchor()
        return step_s


def insane_clock(now_s: float, newest_logged_s: float | None) -> str:
    """Return why a clock cannot be right, or "".

    Args:
        now_s: what it says [s].
        newest_logged_s: time of the newest row in the log, or None for an empty log [s].
    """
    said = f"{date_hour_text(max(0.0, now_s), UTC)} UTC"
    if now_s < RELEASED_S:
        return (
            f"the clock says {said}, before this program was made; readings are marked and "
            "countdowns wait until it is set"
        )
    if newest_logged_s is not None and now_s < newest_logged_s - SLACK_S:
        newest = f"{date_hour_text(newest_logged_s, UTC)} UTC"
        return (
            f"the clock says {said}, before the newest row in the log ({newest}); readings are "
            "marked and countdowns wait until it is set. If the clock is right and the log's was "
            "wrong, begin a new log with --db"
        )
    return ""
