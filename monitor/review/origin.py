"""Where each call and event of a review comes from: told live, or reckoned or typed in later."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum

from monitor.log.rows import LIVE, CallRow
from rules.events import Event
from rules.text import counted, duration_text
from rules.vocabulary import ALL_SECTIONS, EventKind

LATE_S = 60.0
"""What is written down within this was written down as it happened; our own choice [s]."""
LIVE_EVENT = "live"
_CHANGES_NO_CALL = (EventKind.NOTE, EventKind.ACKNOWLEDGED, EventKind.MEASURED)


class CallOrigin(StrEnum):
    """How a call came about."""

    LIVE = "live"
    UNLOGGED = "told live, written down later"
    BEFORE_EVENT = "told live, before a late event was known"
    LATER = "reckoned later"
    SIMULATED = "simulated"

    @property
    def told(self) -> bool:
        """Whether anybody was told it at its time."""
        return self in (CallOrigin.LIVE, CallOrigin.UNLOGGED, CallOrigin.BEFORE_EVENT)


def call_origin(row: CallRow, kind: str, events: Iterable[Event]) -> CallOrigin:
    """Return how a call of the log came about.

    Args:
        row: the call.
        kind: of its source.
        events: of its enclosure as they were kept, corrections among them.
    """
    if row.source != LIVE:
        return CallOrigin.SIMULATED if kind == "simulate" else CallOrigin.LATER
    if any(_would_have_changed(event, row) for event in events):
        return CallOrigin.BEFORE_EVENT
    late = row.logged_s is not None and row.logged_s - row.time_s > LATE_S
    return CallOrigin.UNLOGGED if late else CallOrigin.LIVE


def _would_have_changed(event: Event, row: CallRow) -> bool:
    recorded_s = event.time_s if event.recorded_s is None else event.recorded_s
    known_late = event.time_s <= row.time_s < recorded_s - LATE_S
    about = event.section in (None, ALL_SECTIONS, row.section)
    return known_late and about and event.kind not in _CHANGES_NO_CALL


def event_origin(event: Event) -> str:
    """Return when an event was written down, and what it stands in place of, in words."""
    late_s = 0.0 if event.recorded_s is None else event.recorded_s - event.time_s
    said = LIVE_EVENT if late_s <= LATE_S else f"typed in {duration_text(late_s)} later"
    if event.corrects is None:
        return said
    return f"corrects row {event.corrects}, {said}"


def withdrawn_events(events: Sequence[Event]) -> tuple[tuple[Event, Event], ...]:
    """Return what was taken back, each with the event that takes it back, in the order of time."""
    by_row = {event.row: event for event in events}
    taken = [
        (by_row[event.corrects], event)
        for event in events
        if event.withdrawn and event.corrects in by_row
    ]
    return tuple(sorted(taken, key=lambda pair: pair[0].time_s))


def calls_heading(origins: Sequence[CallOrigin], later_s: float) -> str:
    """Return what a list of calls is, so that none passes for what was told at its time.

    Args:
        origins: of its calls.
        later_s: how long after its time the first was written down [s].
    """
    if not any(each.told for each in origins):
        if CallOrigin.SIMULATED in origins:
            return "calls of a simulated tent; nobody acted on them"
        later = duration_text(later_s)
        return f"calls worked out {later} later from a recording; nobody saw them then"
    if all(each is CallOrigin.LIVE for each in origins):
        return "calls as they were given at the time"
    other = sum(each is not CallOrigin.LIVE for each in origins)
    return (
        f"calls as they were given; {other} of {counted(len(origins), 'call')} before a late event "
        "was known, or written down later"
    )
