"""What an event takes for granted and the record does not have: said in a sentence, never refused.

An event is what a person did, so it is kept whatever is missing before it; but a clock whose start
was never recorded does not run, and who writes the event down should know of it at once.
"""

from __future__ import annotations

from collections.abc import Iterable

from rules.clocks.work import ALL_SECTIONS, MIX_TEMPERATURE, Coat, Work, work_of
from rules.events import Event, in_force
from rules.vocabulary import EventKind

_RECORD = "record it: filmcall event {} --at TIME"


def missing_before(event: Event, events: Iterable[Event]) -> str:
    """Return what the record lacks for an event to mean what it says.

    Args:
        event: as kept, with its row.
        events: all of the enclosure's events as kept; the event may be among them.

    Returns:
        One clause with what does not run for it and what to do, or "".

    Source:
        DESIGN: "A clock whose start was never recorded does not run, and says so." Which event
        starts which clock is `rules.clocks.film_clocks`; no source beyond it.
    """
    if event.withdrawn:
        return ""
    kept = [each for each in events if each.row is None or each.row != event.row]
    standing = in_force((*kept, event))
    before = [each for each in standing if each is not event and each.time_s <= event.time_s]
    match event.kind:
        case EventKind.COAT_STARTED:
            return _unmixed(event, before) or _coat_left_open(event, before)
        case EventKind.COAT_ENDED:
            return _coat_never_started(event, before)
        case EventKind.TAPE_OFF:
            return _tape_never_on(event, before)
        case EventKind.SESSION_ENDED:
            return _session_never_started(before)
        case EventKind.MEASURED if event.what == MIX_TEMPERATURE:
            return _unmixed(event, before) or _no_pot(event, before)
        case _:
            return ""


def _works(event: Event, before: list[Event]) -> list[Work]:
    """The work of the event's section; of every section where it is about all of them."""
    names: set[str | None] = {event.section or ALL_SECTIONS}
    if event.section in (None, ALL_SECTIONS):
        names |= {each.section for each in before if each.section is not None}
    return [work_of(name, before, event.time_s) for name in names]


def _open(coat: Coat | None) -> bool:
    return coat is not None and coat.ended_s is None


def _coat_never_started(event: Event, before: list[Event]) -> str:
    if event.coat is None and any(_open(work.newest) for work in _works(event, before)):
        return ""
    was = work_of(event.section, before, event.time_s).newest
    now = work_of(event.section, [*before, event], event.time_s).newest
    if now is None or (was is not None and _open(was) and now.number == was.number):
        return ""
    if now.started_s is None:
        return (
            f"no coat was open, so coat {now.number} has an end and no start: its clocks recoat "
            f"closes and tape not after do not run; {_RECORD.format('coat-started')}"
        )
    return (
        f"no coat was open, so this counts as a later end of coat {now.number}, from which its "
        f"clocks run anew; if it ends another coat, {_RECORD.format('coat-started')}"
    )


def _coat_left_open(event: Event, before: list[Event]) -> str:
    was = work_of(event.section, before, event.time_s).newest
    now = work_of(event.section, [*before, event], event.time_s).newest
    if was is None or now is None or not _open(was) or now.number == was.number:
        return ""
    return (
        f"coat {was.number} was never ended, so its clocks do not run and whether its recoat "
        f"window is open is not known; {_RECORD.format('coat-ended')}"
    )


def _tape_never_on(event: Event, before: list[Event]) -> str:
    if any(work.tape_on_s is not None for work in _works(event, before)):
        return ""
    return (
        "no tape was on, so how long it was on is not known and its clock tape not after could "
        f"not count the days; {_RECORD.format('tape-on')}"
    )


def _session_never_started(before: list[Event]) -> str:
    bounds = [
        each.kind
        for each in before
        if each.kind in (EventKind.SESSION_STARTED, EventKind.SESSION_ENDED)
    ]
    if bounds and bounds[-1] is EventKind.SESSION_STARTED:
        return ""
    return (
        "no session was open, so none ends with it in the list of sessions, though coats and "
        f"pots left open end with it; {_RECORD.format('session-started')}"
    )


def _unmixed(event: Event, before: list[Event]) -> str:
    mixed = {each.batch for each in before if each.kind is EventKind.MIXED}
    if event.batch is None or event.batch in mixed:
        return ""
    return (
        f"batch {event.batch!r} was never mixed, so its clocks induction and pot life do not run; "
        f"{_RECORD.format('mixed --batch NAME')}"
    )


def _no_pot(event: Event, before: list[Event]) -> str:
    if any(work.pots for work in _works(event, before)):
        return ""
    return f"nothing was mixed, so this temperature counts for no clock; {_RECORD.format('mixed')}"
