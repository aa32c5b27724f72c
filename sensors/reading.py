"""The one form in which a measured value enters the program, whatever it came from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

FIRST_S, LAST_S = 0.0, 4_102_444_800.0
"""No recording and no forecast is dated before 1970 or from 2100 on: such a time is a number of
something else, or of a clock that was never set [s]."""


class Quantity(StrEnum):
    """What is measured; each has one unit inside the program."""

    AIR_TEMP = "air_temp"  # degC
    HUMIDITY = "humidity"  # % relative to saturation over liquid water, at every temperature
    SURFACE_TEMP = "surface_temp"  # degC
    CO2 = "co2"  # ppm
    DUST = "dust"  # ug/m3

    @property
    def unit(self) -> str:
        """The unit that every value of this quantity has inside the program."""
        return _UNITS[self]


_UNITS = {
    Quantity.AIR_TEMP: "degC",
    Quantity.HUMIDITY: "%",
    Quantity.SURFACE_TEMP: "degC",
    Quantity.CO2: "ppm",
    Quantity.DUST: "ug/m3",
}


class Quality(StrEnum):
    """Whether a value may be believed, and if not, why not."""

    OK = "ok"
    STALE = "stale"
    MISSING = "missing"
    IMPLAUSIBLE = "implausible"
    STUCK = "stuck"  # written by older programs; a flat line is `doubted` now
    DOUBTED = "doubted"
    SPIKE = "spike"
    WET = "wet"
    RETAINED = "retained"
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one quantity at one point at one time, with its quality.

    Attributes:
        enclosure: name of the enclosure that the point stands in.
        point: name of the sensor body.
        quantity: what was measured.
        time_s: when it was measured, seconds since 1970-01-01 UTC [s].
        value: in the unit of `quantity`; NaN only where quality is `missing`, or `stale` for an
            empty cell of a recording, which says nothing new.
        quality: ok, or why the value is not believed.
        received_s: when it reached the program, same scale [s]; equals `time_s` in a replay.
    """

    enclosure: str
    point: str
    quantity: Quantity
    time_s: float
    value: float
    quality: Quality
    received_s: float


def unclocked(reading: Reading) -> Reading:
    """Return the reading as one that came while the clock was not set."""
    return replace(reading, quality=Quality.CLOCK) if reading.quality is Quality.OK else reading
