"""Puts an invented job into a log, as the running program would have."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
from kept_logs import kept_log
from planted import ENCLOSURE, SECTION, Planted

from monitor.log.log import Store
from monitor.log.rows import CallRow
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quantity

NOW_S = 1_795_000_000.0
ROWS_EVERY = 3
"""Of the job's minutes one in so many is read: what a log costs to seal goes by its minutes."""


def _put_readings(job: Planted, store: Store) -> None:
    channels = [
        ("plank-port", Quantity.SURFACE_TEMP, job.surface_c),
        *((f"air-{i}", Quantity.AIR_TEMP, v) for i, v in enumerate(job.air_c)),
        *((f"air-{i}", Quantity.HUMIDITY, v) for i, v in enumerate(job.rh_pct)),
    ]
    if job.co2_ppm is not None:
        channels.append(("air-0", Quantity.CO2, job.co2_ppm))
    for point, quantity, values in channels:
        times_s, said = job.time_s[::ROWS_EVERY], values[::ROWS_EVERY]
        known = np.isfinite(said)
        rows = zip(times_s[known].tolist(), said[known].tolist(), strict=True)
        store.add_reading_rows(
            ENCLOSURE, point, quantity, [(round(t * 1e6), None, v, None, 0) for t, v in rows]
        )


def put(path: Path, job: Planted, more: Sequence[Event] = (), title: str = "Workboat") -> Store:
    """Make a log of a job and return it, open."""
    arrays = (
        job.time_s,
        *job.air_c,
        *job.rh_pct,
        job.surface_c,
        *(() if job.co2_ppm is None else (job.co2_ppm,)),
    )
    said = hashlib.sha256(b"".join(each.tobytes() for each in arrays)).digest()
    store = kept_log(path, said, partial(_put_readings, job), NOW_S)
    for event in [*job.events, *more]:
        if event.kind is EventKind.SESSION_STARTED:
            event = dataclasses.replace(event, note=title)
        store.add_event(event)
    return store


def call(time_s: float, word: str, reason: str, section: str = SECTION) -> CallRow:
    """A call as the program keeps it."""
    body = json.dumps({"reasons": [{"text": reason}], "spec": "two-pack-epoxy-primer"})
    return CallRow(ENCLOSURE, section, time_s, word, "flash", "safe", body)
