"""When the heater ran and what it burnt, from the events; the enclosure model is driven by it."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from rules.air.arrays import Floats
from rules.events import Event, in_force
from rules.vocabulary import EventKind

_FUELS = re.compile(
    r"\b(propane|butane|lpg|bottled gas|gas|paraffin|kerosene|diesel|petrol|fuel)\b", re.IGNORECASE
)
_VENTED = re.compile(r"\b(flue|flued|vented|chimney|indirect)\b", re.IGNORECASE)
_UNVENTED = re.compile(r"\b(no flue|without (a )?flue|unflued|unvented|flueless)\b", re.IGNORECASE)
_WATTS = {"w": 1.0, "kw": 1000.0}


def burns_into_air(event: Event) -> bool:
    """Return whether a heater-on event tells of fuel that burns without a flue.

    Args:
        event: its `what` or its note names the fuel; a flue in the note takes the water outside.

    Returns:
        True where fuel is named and no flue is; an electric heater is False.

    >>> burns_into_air(Event(EventKind.HEATER_ON, 0.0, "tent", note="propane, no flue"))
    True
    >>> burns_into_air(Event(EventKind.HEATER_ON, 0.0, "tent", note="diesel with flue"))
    False
    """
    said = f"{event.what or ''} {event.note}"
    if not _FUELS.search(said):
        return False
    return bool(_UNVENTED.search(said)) or not _VENTED.search(said)


def heater_course(events: Iterable[Event], times_s: Floats) -> tuple[Floats, Floats]:
    """Return how far the heater was on, and how far by burning fuel, over cells.

    Args:
        events: of one enclosure, corrections among them.
        times_s: the ends of even cells [s].

    Returns:
        Two columns from 0 to 1: shares of the strongest heater told of (its power where `value` and
        `unit` W or kW say so, else on is 1), averaged over each cell; the second holds only what
        burns without a flue.
    """
    standing = [
        event
        for event in in_force(tuple(events))
        if event.kind in (EventKind.HEATER_ON, EventKind.HEATER_OFF)
    ]
    heat, fuel = np.zeros(times_s.size), np.zeros(times_s.size)
    watts = [_watts(event) for event in standing if event.kind is EventKind.HEATER_ON]
    strongest = max((w for w in watts if w is not None), default=None)
    cell_s = float(times_s[1] - times_s[0]) if times_s.size > 1 else 300.0
    for number, event in enumerate(standing):
        if event.kind is EventKind.HEATER_OFF:
            continue
        own = _watts(event)
        share = own / strongest if own is not None and strongest else 1.0
        until_s = standing[number + 1].time_s if number + 1 < len(standing) else np.inf
        begin = np.maximum(times_s - cell_s, event.time_s)
        covered = np.clip(np.minimum(times_s, until_s) - begin, 0.0, cell_s) / cell_s
        heat += share * covered
        if burns_into_air(event):
            fuel += share * covered
    return heat, fuel


def _watts(event: Event) -> float | None:
    factor = _WATTS.get((event.unit or "").strip().lower())
    if factor is None or event.value is None or not event.value > 0.0:
        return None
    return event.value * factor
