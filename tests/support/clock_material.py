"""An invented coating and an invented tent, for the tests of clocks and stages."""

from __future__ import annotations

from typing import Any

import numpy as np

from rules.clocks.history import TemperatureHistory
from rules.events import Event
from rules.spec.model import Mix, PotSize, Provenance, Spec, TimeRow, TimeTable
from rules.vocabulary import ClockName, EventKind

H = 3600.0
DAY = 24 * H
T0 = 1_700_000_000.0


def table(*rows: tuple[float, float]) -> TimeTable:
    """Rows of [degC, h]."""
    return TimeTable(tuple(TimeRow(c, hours * H) for c, hours in rows))


MIX = Mix("volume", 3.0, 1.0, 1.4, 1.0, 0.87, 50.0, 15.0, (), 4000.0)

PRIMER = Spec(
    name="primer",
    title="Invented primer",
    family="two-pack-epoxy",
    provenance=Provenance("invented for tests", "", "", generic=True),
    limits={},
    times={
        ClockName.INDUCTION: table((10, 0.5), (20, 0.25)),
        ClockName.POT_LIFE: table((10, 8), (20, 4), (30, 2)),
        ClockName.WIPE_DRY: table((10, 0.5), (20, 0.25)),
        ClockName.FLASH: table((10, 1), (20, 0.5)),
        ClockName.TOUCH_DRY: table((10, 8), (20, 4), (30, 2)),
        ClockName.RECOAT_OPENS: table((10, 16), (20, 8), (30, 4)),
        ClockName.RECOAT_CLOSES: table((10, 96), (20, 48), (30, 24)),
        ClockName.TAPE_NOT_BEFORE: table((10, 8), (20, 4)),
        ClockName.TAPE_NOT_AFTER: table((10, 48), (20, 24)),
        ClockName.SAND: table((10, 32), (20, 16)),
        ClockName.HANDLE: table((10, 48), (20, 24)),
        ClockName.CURED: table((10, 336), (20, 168), (30, 84)),
    },
    recoat_by_next={
        "two-pack-polyurethane": {ClockName.RECOAT_CLOSES: table((10, 72), (20, 36))},
        "fast-top": {ClockName.RECOAT_CLOSES: table((10, 30), (20, 20))},
    },
    pot_sizes=(PotSize(1000.0, 0.8), PotSize(3000.0, 0.6)),
    tape_not_after_s=5 * DAY,
    mix=MIX,
    reminder="Wash and test a patch before the next coat.",
    after_closes="Wash, abrade and wipe before the next coat.",
)

TOP = Spec(
    name="top",
    title="Invented topcoat",
    family="two-pack-polyurethane",
    provenance=Provenance("invented for tests", "", "", generic=True),
    limits={},
    times={
        ClockName.TOUCH_DRY: table((10, 6), (20, 3)),
        ClockName.RECOAT_OPENS: table((10, 12), (20, 6)),
        ClockName.CURED: table((10, 240), (20, 120)),
    },
)

SPECS = {"primer": PRIMER, "top": TOP}


def event(kind: EventKind, at_h: float, **more: Any) -> Event:
    """One event, hours after T0."""
    return Event(kind, T0 + at_h * H, "tent", **more)


def steady(
    temp_c: float = 20.0,
    hours: float = 24.0,
    *,
    every_s: float = 600.0,
    accuracy_k: float = 0.0,
    warmest_c: float | None = None,
    holes: tuple[tuple[float, float], ...] = (),
    air_c: float | None = None,
) -> TemperatureHistory:
    """A steady tent from T0 on, with holes in hours where nothing was measured."""
    time = T0 + np.arange(0.0, hours * H + 1.0, every_s)
    keep = np.ones(time.size, dtype=bool)
    for start, end in holes:
        keep &= ~((time > T0 + start * H) & (time < T0 + end * H))
    time = time[keep]
    full = np.full(time.size, temp_c)
    warm = full if warmest_c is None else np.full(time.size, warmest_c)
    air = None if air_c is None else np.full(time.size, air_c)
    return TemperatureHistory(time, full, warm, accuracy_k, 1800.0, air, air, 0.0)
