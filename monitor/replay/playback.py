"""Drives an enclosure with a recording's rows: data time is the only time there is.

Tells late rows from a clock that was set.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from statistics import median

from monitor.enclosure import Enclosure, Taken
from sensors.reading import Reading

SET_AFTER_S = 90.0
_ROWS_REMEMBERED = 9


class Playback:
    """Takes a recording's rows in file order and keeps the enclosure's data time.

    Rows behind the newest are late. Where they go on in their own time for 90 s and two usual
    intervals and never come back to the newest, the clock was set back: that is the present then.

    Attributes:
        enclosure: that the rows are about.
        clock_sets: how often the recording's clock was set back.
        late_rows: rows behind the newest that were taken for late.
    """

    def __init__(self, enclosure: Enclosure) -> None:
        self.enclosure = enclosure
        self.clock_sets = 0
        self.late_rows = 0
        self._newest_s = -math.inf
        self._behind_s: float | None = None
        self._gone_on_s = 0.0
        self._intervals: deque[float] = deque(maxlen=_ROWS_REMEMBERED)

    def take(self, readings: Sequence[Reading]) -> Taken:
        """Take one row in.

        Args:
            readings: of one time.

        Returns:
            What is to be kept in the log.
        """
        if not readings:
            return Taken([], [], [])
        time_s = readings[0].time_s
        if time_s < self._newest_s:
            if not self._was_set(time_s):
                self.late_rows += 1
                return self.enclosure.take_late(readings)
            self.clock_sets += 1
            self.enclosure.clock_jumped(time_s)
        elif self._newest_s < time_s < math.inf and math.isfinite(self._newest_s):
            self._intervals.append(time_s - self._newest_s)
        self._behind_s = None
        self._gone_on_s = 0.0
        self._newest_s = time_s
        return self.enclosure.take(readings, time_s)

    def _was_set(self, time_s: float) -> bool:
        """Whether rows behind the newest have gone on for so long that they are no late ones."""
        if self._behind_s is not None:
            step_s = time_s - self._behind_s
            self._gone_on_s = self._gone_on_s + step_s if step_s >= 0.0 else 0.0
        self._behind_s = time_s
        usual_s = median(self._intervals) if self._intervals else 0.0
        return self._gone_on_s >= max(SET_AFTER_S, 2.0 * usual_s)
