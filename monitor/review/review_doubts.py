"""What a review does not know, in sentences: what was not measured, not kept, or only assumed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from monitor.config.model import EnclosureConfig
from monitor.review.read import SensorHealth
from rules.review.coats import CoatRecord
from rules.review.exposure import ClimateSeries
from sensors.reading import Quantity
from sensors.wire import counted

_MISSING = {
    Quantity.SURFACE_TEMP: "No surface was measured: dew margin and clocks are not known.",
    Quantity.HUMIDITY: "No humidity was measured: dew margin and damp are not known.",
    Quantity.AIR_TEMP: "No air temperature was measured: no dew point can be reckoned.",
    Quantity.CO2: "Carbon dioxide was not measured.",
}


class Reviewed(Protocol):
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
    sections: Sequence[Reviewed],
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
            "No coat is recorded, so no stage, window or harm can be told. Record it afterwards: "
            "filmcall event coat-started --at TIME."
        )
    for each in sections:
        said.extend(f"{each.section}: {text}." for text in each.said)
    said.append(
        "A log of the air shows neither mixing ratio nor film thickness, neither dirt nor the "
        "hand; and a probe tells of its own place only."
    )
    return said


def _assumed_text(config: EnclosureConfig, sections: Sequence[Reviewed], of_all: int) -> str:
    """That nobody measured the surface of these sections, and what stands in for it."""
    offset_k = abs(config.assumed_surface_offset_k or 0.0)
    where = "" if len(sections) == of_all else f" of {', '.join(s.section for s in sections)}"
    return (
        f"No surface{where} was measured. It is assumed to stand {offset_k:g} K under the coldest "
        f"air, give or take {config.assumed_surface_accuracy_k:g} K; dew margin, surface and "
        "clocks rest on that."
    )
