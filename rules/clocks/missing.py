"""What the record lacks for an event to mean what it says: a start, a mix, a name."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rules.clocks.work import (
    CLEARANCE_LENGTH,
    MIX_TEMPERATURE,
    SAME_COAT_S,
    Coat,
    Work,
    celsius,
    clearance_of,
    is_about,
    is_slip_of_number,
    work_of,
)
from rules.events import Event, in_force
from rules.text import duration_text
from rules.units import HAND_UNITS, hand_figure, hand_unit_of
from rules.vocabulary import ALL_SECTIONS, EventKind

_RECORD = "record it: filmcall event {} --at TIME"


def missing_before(event: Event, events: Iterable[Event]) -> str:
    """Return what the record lacks for an event to mean what it says.

    Args:
        event: as kept, with its row.
        events: all of the enclosure's events as kept; the event may be among them.

    Returns:
        One clause with what does not run for it and what to do, or "".

    Source:
        Our own choice: a clock whose start was never recorded does not run, and says so. Which
        event starts which clock is `rules.clocks.all_clocks`; no source beyond it.
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
            return _coat_never_started(event, before, kept)
        case EventKind.TAPE_OFF:
            return _tape_never_on(event, before)
        case EventKind.MIXED:
            return _name_in_use(event, before)
        case EventKind.SESSION_ENDED:
            return _session_never_started(before)
        case EventKind.MEASURED if event.what == MIX_TEMPERATURE:
            return _unmixed(event, before) or _no_pot(event, before) or _no_mix_is_so(event)
        case EventKind.MEASURED if event.what == CLEARANCE_LENGTH:
            return clearance_of([event])[1]
        case EventKind.MEASURED:
            return _no_such_figure(event)
        case _:
            return ""


def _works(event: Event, before: list[Event]) -> list[Work]:
    """The work of the event's section; of every section where it is about all of them."""
    names: set[str | None] = {event.section or ALL_SECTIONS}
    if event.section in (None, ALL_SECTIONS):
        names |= {each.section for each in before if each.section is not None}
    return [work_of(name, before, event.time_s) for name in sorted(names, key=str)]


def _open(coat: Coat | None) -> bool:
    return coat is not None and coat.ended_s is None


def _coat_never_started(event: Event, before: list[Event], kept: list[Event]) -> str:
    works = _works(event, before)
    open_works = [work for work in works if _open(work.newest)]
    if event.coat is None and open_works:
        return ""
    meant = open_works if event.section in (None, ALL_SECTIONS) and open_works else works
    if meant and all(is_slip_of_number(event, work.coats) for work in meant):
        return _slip_of_number(event, meant[0].coats)
    coats = work_of(event.section, before, event.time_s).coats
    was = coats[-1] if coats else None
    now = work_of(event.section, [*before, event], event.time_s).newest
    if now is None or (was is not None and _open(was) and now.number == was.number):
        return ""
    if now.started_s is None:
        return (
            f"no coat was open, so coat {now.number} has an end and no start: recoat by and "
            f"tape off by are not known; {_RECORD.format('coat-started')}"
        )
    over = [
        coat.number
        for coat in work_of(event.section, kept, math.inf).coats
        if coat.started_s is not None and coat.started_s > event.time_s
    ]
    whose = (
        f"which coat {over[0]} went over: the clocks of coat {over[-1]} stay as they are"
        if over
        else "from which its clocks start again"
    )
    return (
        f"no coat was open, so this counts as a later end of coat {now.number}, {whose}; if it "
        f"ends another coat, {_RECORD.format('coat-started')}"
    )


def _slip_of_number(event: Event, coats: Sequence[Coat]) -> str:
    newest, number = coats[-1], event.coat
    is_on = "is on and not ended" if _open(newest) else "is the newest"
    take_back = "take this row back with --corrects and --withdraw, and record the end with"
    beneath = next((coat for coat in reversed(coats) if coat.number == number), None)
    if beneath is not None:
        was = f"coat {number} lies beneath it"
        if beneath.ended_s is not None:
            was = f"coat {number} was ended {duration_text(event.time_s - beneath.ended_s)} before"
        return (
            f"coat {newest.number} {is_on}, and {was}, so this ended none: {take_back} "
            f"--coat {newest.number}; if it is a later end of coat {number}, with a time before "
            f"coat {newest.number} began"
        )
    return (
        f"coat {newest.number} {is_on}, so this is hardly the end of coat {number}, and it "
        f"ended none: {take_back} the right number. If coat {number} was laid, "
        f"{_RECORD.format(f'coat-started --coat {number}')}"
    )


def _coat_left_open(event: Event, before: list[Event]) -> str:
    was = work_of(event.section, before, event.time_s).newest
    now = work_of(event.section, [*before, event], event.time_s).newest
    if was is None or now is None or not _open(was) or now.number == was.number:
        return ""
    text = (
        f"coat {was.number} was never ended, so its clocks do not run and whether its recoat "
        f"window is open is not known; {_RECORD.format('coat-ended')}"
    )
    starts = [
        each.row
        for each in before
        if each.kind is EventKind.COAT_STARTED
        and is_about(each, event.section)
        and was.started_s is not None
        and each.time_s >= was.started_s
    ]
    if was.spec == now.spec or was.forgotten(event.time_s) or None in starts:
        return text
    rows = " and ".join(f"row {row}" for row in starts)
    return (
        f"{text}. If this is that coat, and it was recorded as of another paint, take {rows} back: "
        + " and ".join(f"filmcall event coat-started --corrects {row} --withdraw" for row in starts)
    )


def _tape_never_on(event: Event, before: list[Event]) -> str:
    if any(work.tape_on_s is not None for work in _works(event, before)):
        return ""
    return f"no tape was on, so how long it was on is not known; {_RECORD.format('tape-on')}"


def _session_never_started(before: list[Event]) -> str:
    bounds = [
        each.kind
        for each in before
        if each.kind in (EventKind.SESSION_STARTED, EventKind.SESSION_ENDED)
    ]
    if bounds and bounds[-1] is EventKind.SESSION_STARTED:
        return ""
    return (
        "no session was open, so none ends with it in the list of sessions, though coats "
        f"left open end with it; {_RECORD.format('session-started')}"
    )


def _unmixed(event: Event, before: list[Event]) -> str:
    mixed = {each.batch for each in before if each.kind is EventKind.MIXED}
    if event.batch is None or event.batch in mixed:
        return ""
    return (
        f"batch {event.batch!r} was never mixed, so its induction and pot life are not known; "
        f"{_RECORD.format('mixed --batch NAME')}"
    )


def _name_in_use(event: Event, before: list[Event]) -> str:
    same = [
        pot
        for work in _works(event, before)
        for pot in work.pots
        if pot.batch == event.batch and pot.ended_s is None
    ]
    age_s = event.time_s - max((pot.mixed_s for pot in same), default=-math.inf)
    if event.batch is None or age_s > SAME_COAT_S:
        return ""
    return (
        f"batch {event.batch!r} was mixed {duration_text(age_s)} ago and never ended, so which of "
        f"the two goes on is not known; {_RECORD.format('pot-ended --batch NAME')}"
    )


def _no_mix_is_so(event: Event) -> str:
    if celsius(event.value, event.unit) is not None:
        return ""
    return (
        f"{event.value} {event.unit} is no temperature of a mix, so it counts for nothing; take "
        "it back with --corrects and --withdraw, and enter it again, as in 21 degC"
    )


def _no_such_figure(event: Event) -> str:
    unit = hand_unit_of(event.what or "")
    if unit is None or hand_figure(event.value, event.unit, unit) is not None:
        return ""
    figure = f"{event.value:g} {event.unit}" if event.value is not None else "nothing"
    return (
        f"{event.what} {figure} cannot be, so it counts for nothing; take it back with --corrects "
        f"and --withdraw, and enter it again in {HAND_UNITS[unit]}"
    )


def _no_pot(event: Event, before: list[Event]) -> str:
    if any(work.pots for work in _works(event, before)):
        return ""
    return f"nothing was mixed, so no pot has this temperature; {_RECORD.format('mixed')}"
