"""Whether a probe in a jar or a bag has come to rest; what it shows before that is no check."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from rules.text import counted, duration_text
from sensors.reading import Quantity


@dataclass(frozen=True, slots=True)
class RestCriteria:
    """When a probe counts as at rest; all but times in the quantity's unit.

    Attributes:
        slope_per_h: it drifts less than this an hour ...
        range_within: and all its values lie this close together ...
        for_s: for so long [s].
        temp_within_k: while the temperature stays within this [K].
        gap_s: a longer silence begins the watch anew [s].
        least: fewest readings that tell anything [-].
    """

    slope_per_h: float
    range_within: float
    for_s: float
    temp_within_k: float = 1.0
    gap_s: float = 1500.0
    least: int = 6


# Common practice, no source: an exponential approach with a time constant of an hour or less is
# then within `slope_per_h` times an hour of its end.
REST: dict[Quantity, RestCriteria] = {
    Quantity.HUMIDITY: RestCriteria(0.4, 1.0, 1800.0),
    Quantity.AIR_TEMP: RestCriteria(0.3, 0.3, 900.0),
    Quantity.SURFACE_TEMP: RestCriteria(0.3, 0.3, 900.0),
}
APPROACH_H = 1.0  # time constant that a drift left over is taken to have [h]


class RestValue(NamedTuple):
    """What the probe came to rest at.

    Attributes:
        value: mean over the time of rest [the quantity's unit].
        half_width: half the range of its values, and what its drift may still have to go.
        temp_c: mean of the temperature beside it, or None where there was none [degC].
        readings: how many the mean is of [-].
        moved: whether it has shown more than one value since the watch began; a probe that has
            not may be dead.
    """

    value: float
    half_width: float
    temp_c: float | None
    readings: int
    moved: bool


class Settling:
    """Watches one probe come to rest."""

    __slots__ = ("_first_value", "_moved", "_rows", "rest", "why")

    def __init__(self, rest: RestCriteria) -> None:
        self.rest = rest
        self._rows: deque[tuple[float, float, float | None]] = deque()
        self._first_value: float | None = None
        self._moved = False
        self.why = "no reading yet"

    def take(self, time_s: float, value: float, temp_c: float | None = None) -> None:
        """Take a believed reading; one that is not newer than the last changes nothing.

        Args:
            time_s: when it was measured [s].
            value: in the quantity's unit.
            temp_c: beside it at that time, or None [degC].
        """
        if self._rows and time_s <= self._rows[-1][0]:
            return
        if self._rows and time_s - self._rows[-1][0] > self.rest.gap_s:
            self._rows.clear()
        if self._first_value is None:
            self._first_value = value
        self._moved = self._moved or value != self._first_value
        self._rows.append((time_s, value, temp_c))
        # One row older than the window stays, so that the window is seen to be full; a slow
        # sensor's window is as long as its fewest readings take.
        rows, rest = self._rows, self.rest
        while len(rows) > rest.least and rows[1][0] <= time_s - rest.for_s:
            rows.popleft()

    def rested(self) -> RestValue | None:
        """Return what it rests at, or None with `why` saying what is still lacking."""
        rows, rest = self._rows, self.rest
        held_s = rows[-1][0] - rows[0][0] if rows else 0.0
        if not rows:
            self.why = "no reading yet"
            return None
        if held_s < rest.for_s or len(rows) < rest.least:
            self.why = (
                f"watched {duration_text(held_s)} of {duration_text(rest.for_s)}, "
                f"{counted(len(rows), 'reading')} of at least {rest.least}"
            )
            if held_s >= rest.for_s / 2.0:  # before that the probe's own noise makes a slope
                self.why += f"; drifts by {self._slope_per_h():+.2f} an hour so far"
            return None
        values = [value for _, value, _ in rows]
        spread = max(values) - min(values)
        slope = self._slope_per_h()
        if abs(slope) > rest.slope_per_h:
            self.why = f"still drifting by {slope:+.2f} an hour, at rest under {rest.slope_per_h:g}"
            return None
        if spread > rest.range_within:
            self.why = f"values {spread:.2f} apart, at rest within {rest.range_within:g}"
            return None
        temps_c = [temp_c for _, _, temp_c in rows if temp_c is not None]
        if temps_c and max(temps_c) - min(temps_c) > rest.temp_within_k:
            self.why = (
                f"temperature wandering by {max(temps_c) - min(temps_c):.1f} K, at rest within "
                f"{rest.temp_within_k:g} K"
            )
            return None
        self.why = ""
        return RestValue(
            value=sum(values) / len(values),
            half_width=spread / 2.0 + abs(slope) * APPROACH_H,
            temp_c=sum(temps_c) / len(temps_c) if temps_c else None,
            readings=len(values),
            moved=self._moved,
        )

    def _slope_per_h(self) -> float:
        return slope_per_h([(time_s, value) for time_s, value, _ in self._rows])


def slope_per_h(rows: list[tuple[float, float]]) -> float:
    """Return the least-squares slope of values over time.

    Args:
        rows: (time [s], value), at two times or more.

    Returns:
        Slope [unit of the value per hour].

    >>> round(slope_per_h([(0.0, 75.0), (1800.0, 75.2), (3600.0, 75.4)]), 9)
    0.4
    """
    mean_s = sum(time_s for time_s, _ in rows) / len(rows)
    mean = sum(value for _, value in rows) / len(rows)
    across = sum((time_s - mean_s) * (value - mean) for time_s, value in rows)
    along = sum((time_s - mean_s) ** 2 for time_s, _ in rows)
    return 3600.0 * across / along
