"""Drives an enclosure with a recording's rows: data time is the only time there is.

Tells late rows from a clock that was set.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.pipeline import Enclosure, Taken
from sensors.reading import Reading

CLOCK_SET_AFTER = 3


class Playback:
    """Takes a recording's rows in file order and keeps the enclosure's data time.

    One or two rows behind the newest are late; a third in a row, none of them newer than the
    newest, means that the clock was set back, and its time is taken for the present from then on.

    Attributes:
        enclosure: that the rows are about.
        clock_sets: how often the recording's clock was set back.
    """

    def __init__(self, enclosure: Enclosure) -> None:
        self.enclosure = enclosure
        self.clock_sets = 0
        self._newest_s = -math.inf
        self._behind = 0

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
            self._behind += 1
            if self._behind < CLOCK_SET_AFTER:
                return self.enclosure.take_late(readings)
            self.clock_sets += 1
            self.enclosure.clock_jumped(time_s)
        self._behind = 0
        self._newest_s = time_s
        return self.enclosure.take(readings, time_s)
