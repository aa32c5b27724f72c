"""What a review has to say that its log does not know: what nobody measured, heard or believed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Protocol

from monitor.config.model import EnclosureConfig
from monitor.log.log import Store
from monitor.log.rows import LIVE
from monitor.review.figures import TimeStamp
from monitor.review.read import SensorHealth
from rules.events import Event
from rules.review.coats import CoatRecord
from rules.review.exposure import ClimateSeries
from rules.text import counted
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity

_MISSING = {
    Quantity.SURFACE_TEMP: "No surface was measured: dew margin and clocks are not known.",
    Quantity.HUMIDITY: "No humidity was measured: dew margin and damp are not known.",
    Quantity.AIR_TEMP: "No air temperature was measured: no dew point can be worked out.",
    Quantity.CO2: "Carbon dioxide was not measured.",
}


class ReviewedSection(Protocol):
    """What is asked of a section's review."""

    @property
    def section(self) -> str:
        """Its name."""
        ...

    @property
    def coats(self) -> tuple[CoatRecord, ...]:
        """What became of each."""
        ...

    @property
    def series(self) -> ClimateSeries:
        """Its climate."""
        ...

    @property
    def said(self) -> tuple[str, ...]:
        """What has to be said of it."""
        ...


def doubts_of(
    health: Sequence[SensorHealth],
    config: EnclosureConfig | None,
    sections: Sequence[ReviewedSection],
) -> list[str]:
    """Return what has to be said of a session that its log does not know.

    Args:
        health: of each channel.
        config: of the enclosure, or None where neither the log nor a file tells it.
        sections: as they were looked back at.
    """
    missing = dict(_MISSING)
    assumed = [each for each in sections if each.series.assumed_offset_k is not None]
    if assumed:
        missing.pop(Quantity.SURFACE_TEMP)
    measured = {each.quantity for each in health if each.readings}
    said = [text for quantity, text in missing.items() if quantity not in measured]
    if assumed and config is not None:
        said.insert(0, _assumed_text(config, assumed, len(sections)))
    thinned = sum(each.thinned for each in health)
    if thinned:
        said.append(
            f"{counted(thinned, 'old reading is', 'old readings are')} kept only as the mean, the "
            "lowest and the highest of each minute. Where those stand on both sides of a limit, it "
            "was passed at some time within the minute, and how far times how long is about the "
            "most that they allow; a dew margin may even have been kept, since its dampest and its "
            "coldest need not have come together."
        )
    if not any(each.coats for each in sections):
        said.append(
            "No coat is recorded, so no stage, window or harm can be worked out. Record it "
            "afterwards: filmcall event coat-started --at TIME."
        )
    for each in sections:
        said.extend(f"{each.section}: {text}." for text in each.said)
    stamp = TimeStamp("Etc/UTC" if config is None else config.timezone)
    said.extend(_silent_text(each, stamp) for each in health if each.gaps and each.readings)
    said.append(
        "A log of the air shows neither mixing ratio nor film thickness, neither dirt nor the "
        "hand; and a probe tells of its own place only."
    )
    return said


def _silent_text(health: SensorHealth, stamp: TimeStamp) -> str:
    """From when to when a body said nothing, at the longest."""
    from_s = health.silent_from_s or 0.0
    longest = f", the longest of {health.gaps} times" if health.gaps > 1 else ""
    span = f"{stamp(from_s)} to {stamp(from_s + health.longest_gap_s)}"
    return f"{health.point} told nothing from {span}{longest}."


def _assumed_text(config: EnclosureConfig, sections: Sequence[ReviewedSection], of_all: int) -> str:
    """That nobody measured the surface of these sections, and what stands in for it."""
    offset_k = abs(config.assumed_surface_offset_k or 0.0)
    where = "" if len(sections) == of_all else f" of {', '.join(s.section for s in sections)}"
    return (
        f"No surface{where} was measured. It is assumed to stand {offset_k:g} K under the coldest "
        f"air, give or take {config.assumed_surface_accuracy_k:g} K; dew margin, surface and "
        "clocks rest on that."
    )


def vouched_late(
    store: Store, source: int, standing: Sequence[Event], health: Sequence[SensorHealth]
) -> Iterator[str]:
    """Say what of a recording stays doubted, since it was played before somebody vouched for it.

    Args:
        store: the log.
        source: of the readings.
        standing: events in force.
        health: of each channel.
    """
    began = {each.source: each.started_s for each in store.sources() if each.source != LIVE}
    played_s = began.get(source, math.inf)
    late = {
        each.what
        for each in standing
        if each.kind is EventKind.VOUCHED and (each.recorded_s or 0.0) > played_s
    }
    for each in health:
        doubted = each.by_quality.get(Quality.DOUBTED.value, 0)
        if doubted and each.point in late:
            stay = counted(doubted, "reading of it stays", "readings of it stay")
            yield (
                f"{each.point} was vouched for after its recording was played: {stay} doubted "
                "here. To have them count, type the events into a new log (--db), then "
                "play the recording into it."
            )
