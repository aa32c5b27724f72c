"""How much wider a humidity probe's error is taken after solvent has been about it."""

from __future__ import annotations

from collections.abc import Iterable

from rules.events import Event, in_force
from rules.vocabulary import EventKind

WIDER_EACH_PCT = 1.0
WIDEST_PCT = 5.0

_SOLVENT = (EventKind.WIPED, EventKind.COAT_STARTED)


def solvent_widening_pct(events: Iterable[Event], checked_s: float, now_s: float) -> float:
    """Return what is added to a humidity probe's accuracy after wipes and coats beside it.

    Args:
        events: of the enclosure, corrections among them.
        checked_s: when the probe was last checked against a salt point [s].
        now_s: [s].

    Returns:
        1 % for each wipe and coat since the check, 5 % at most [%].

    Source:
        Generic, no source for the figure; that solvents make polymer probes read low at high
        humidity is their makers' common handling advice.
    """
    count = sum(
        event.kind in _SOLVENT and checked_s < event.time_s <= now_s
        for event in in_force(tuple(events))
    )
    return min(count * WIDER_EACH_PCT, WIDEST_PCT)
