"""Jobs written out by hand, an event or a night at a time, as the rules look back on them."""

from __future__ import annotations

import numpy as np
import planted
from planted_log import shipped

from monitor.review.defects import shipped_defects
from rules.events import Event
from rules.review.climate_arrays import PointColumn, climate_series, temperature_history
from rules.review.coats import CoatRecord, coats_of
from rules.review.defects import Defect
from rules.review.defects import find_defect as find_in
from rules.review.exposure import ClimateSeries
from rules.vocabulary import EventKind, Method

HOUR = 3600.0
START = planted.MIDNIGHT_S
PRIMER, TOPCOAT = "two-pack-epoxy-primer", "polyurethane-topcoat"


def hand_case(
    spec: str,
    hours: dict[str, list[tuple[float, float, float, float, float]]] | None = None,
    events: list[Event] | None = None,
    nights: list[tuple[float, float, float, float, float]] | None = None,
    days: float = 12.0,
    co2_ppm: float | None = None,
    said: list[str] | None = None,
) -> tuple[tuple[CoatRecord, ...], ClimateSeries]:
    """A job at 20 °C, 50 %, hull at 20 °C; `nights` are (from h, to h, air, humidity, surface)."""
    time_s = START + np.arange(0.0, days * 24 * HOUR, 60.0)
    air, rh, surface = (np.full(time_s.size, x) for x in (20.0, 50.0, 20.0))
    for from_h, to_h, a, h, s in nights or []:
        there = (time_s >= START + from_h * HOUR) & (time_s < START + to_h * HOUR)
        air[there], rh[there], surface[there] = a, h, s
    co2 = [] if co2_ppm is None else [PointColumn("bow", np.full(time_s.size, co2_ppm), 50.0)]
    series = climate_series(
        time_s,
        60.0,
        [PointColumn("bow", air, 0.3)],
        [PointColumn("bow", rh, 3.0)],
        [PointColumn("port", surface, 0.5)],
        co2,
    )
    told = events if events is not None else one_coat(spec)
    history = temperature_history(series, 0.5, 0.3, 600.0)
    end_s = float(time_s[-1])
    coats, words = coats_of("hull", told, shipped(), shipped()[spec], history, end_s, series)
    if said is not None:
        said += words
    return coats, series


def event(kind: EventKind, hour: float, **words: object) -> Event:
    return Event(kind, START + hour * HOUR, "tent", "hull", **words)  # type: ignore[arg-type]


def one_coat(spec: str, number: int = 1, at_h: float = 10.0) -> list[Event]:
    return [
        event(EventKind.MIXED, at_h - 0.5, spec=spec, amount_ml=500.0),
        event(EventKind.COAT_STARTED, at_h, spec=spec, coat=number, method=Method.BRUSH),
        event(EventKind.COAT_ENDED, at_h + 1.0, coat=number),
    ]


def find_defect(name: str) -> Defect:
    return find_in(name, shipped_defects())
