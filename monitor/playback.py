"""Drives enclosures with a recording's rows: data time is the only time there is.

Tells late rows from a clock that was set, and hands each row's readings on to their enclosure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.pipeline import BackwardRows, Enclosure
from sensors.reading import Reading


class Playback:
    """Takes a recording's rows in file order and keeps the enclosures' data time."""

    def __init__(self, enclosures: Mapping[str, Enclosure]) -> None:
        self.enclosures = dict(enclosures)
        self.clock_sets = 0
        self._rows = BackwardRows()

    def take(self, readings: Sequence[Reading]) -> list[Reading]:
        """Take one row in.

        Args:
            readings: of one time, of any enclosures.

        Returns:
            The readings as judged, to be kept in the log.
        """
        if not readings:
            return []
        time_s = readings[0].time_s
        order = self._rows.see(time_s)
        kept: list[Reading] = []
        if len(self.enclosures) == 1:
            for enclosure in self.enclosures.values():
                kept += _hand_on(enclosure, readings, time_s, order)
        else:
            for name, enclosure in self.enclosures.items():
                own = [each for each in readings if each.enclosure == name]
                if own:
                    kept += _hand_on(enclosure, own, time_s, order)
        if order == "set":
            self.clock_sets += 1
        return kept


def _hand_on(
    enclosure: Enclosure, readings: Sequence[Reading], time_s: float, order: str
) -> list[Reading]:
    if order == "late":
        return enclosure.take_late(readings)
    if order == "set":
        enclosure.clock_jumped(time_s)
    return enclosure.take(readings, time_s)
