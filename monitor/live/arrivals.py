"""What the broker brought, made ready for the live loop: by message, and marked without a clock."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sensors.mqtt.intake import Arrival
from sensors.reading import Quality, Reading


def by_message(arrivals: Sequence[Arrival]) -> Iterable[list[Arrival]]:
    """Yield readings in groups that one message brought, so that a pair is judged together."""
    group: list[Arrival] = []
    for arrival in arrivals:
        if group and (
            arrival.monotonic_s != group[0].monotonic_s
            or arrival.reading.enclosure != group[0].reading.enclosure
            or arrival.reading.time_s != group[0].reading.time_s
        ):
            yield group
            group = []
        group.append(arrival)
    if group:
        yield group


def marked(reading: Reading) -> Reading:
    """Return the reading as one that came while the clock was not set."""
    return replace(reading, quality=Quality.CLOCK) if reading.quality is Quality.OK else reading
