"""What the events say was done to one section: its coats, pots, tape and wipes, in order."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rules.events import Event, first_of, in_force
from rules.text import duration_text
from rules.units import DAY_S, HAND_UNITS, hand_figure, hand_unit_of, to_celsius
from rules.vocabulary import ALL_SECTIONS, EventKind, Method, Service

SAME_COAT_S = 12 * 3600.0
"""A second coat-started within this, with no other coat number, carries on the same coat; nobody
lays one coat for longer, so its end was forgotten [s]."""

MIX_TEMPERATURE = "mix-temperature"
CLEARANCE_LENGTH = "clearance"

_UNIT_S = {
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1.0),
    **dict.fromkeys(("min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
}


@dataclass(frozen=True, slots=True)
class Coat:
    """One coat on a section.

    Attributes:
        number: as told, else one more than the coat before.
        started_s: coat-started, or None where that was never recorded [s].
        ended_s: coat-ended, or None [s].
        spec: name of the spec it was laid with, or None for the enclosure's.
        method: how it was put on, or None.
        session_ended_s: end of the session in which it was begun, or None [s].
        resumed_s: the last coat-started that carried it on after a pause, or None [s].
        hardener: name of the hardener where it is not the sheet's standard one, or None.
        service: where it will serve, or None where nobody said.
        poured_s: when the pots were mixed that it was begun, and carried on, from [s].
    """

    number: int
    started_s: float | None
    ended_s: float | None
    spec: str | None
    method: Method | None
    session_ended_s: float | None = None
    resumed_s: float | None = None
    hardener: str | None = None
    service: Service | None = None
    poured_s: tuple[float, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether its end was not recorded."""
        return self.ended_s is None

    @property
    def done_s(self) -> float | None:
        """When it was ended, else begun: what is mixed later is for the next one [s]."""
        return self.ended_s if self.ended_s is not None else self.started_s

    def forgotten(self, now_s: float) -> bool:
        """Return whether it has been open for longer than anybody paints [s]."""
        begun_s = self.resumed_s or self.started_s
        return self.is_open and begun_s is not None and now_s - begun_s > SAME_COAT_S


@dataclass(frozen=True, slots=True)
class Pot:
    """One batch in its pot.

    Attributes:
        batch: its name, or None.
        section: that it is for, or None for all.
        mixed_s: when it was mixed [s].
        spec: name of its spec, or None for the enclosure's.
        amount_ml: volume mixed, or None [mL].
        temps: its own temperature where measured by hand, [s, °C] in order.
        odd_units: units of hand measurements that are no temperature.
        ended_s: when it was used up or thrown away, or None while it stands there: no session's
            end ends it [s].
        method: how it will be put on, or None where the event does not say.
        hardener: name of its hardener, or None.
    """

    batch: str | None
    section: str | None
    mixed_s: float
    spec: str | None
    amount_ml: float | None
    temps: tuple[tuple[float, float], ...] = ()
    odd_units: tuple[str, ...] = ()
    ended_s: float | None = None
    method: Method | None = None
    hardener: str | None = None


@dataclass(frozen=True, slots=True)
class Work:
    """All that was done to one section, as far as clocks and stages need it.

    Attributes:
        coats: in order.
        pots: in order.
        sanded_s: every sanding [s].
        wiped_s: the last wipe since the newest coat began, or None [s].
        wiped_spec: name of the spec that the wipe was for, or None.
        tape_on_s: when the tape that is still on went on, or None [s].
        tape_off_s: when tape last came off, or None [s].
        back_in_service_s: launch after the newest coat, or None [s].
        air_coat_ended_s: the last coat-ended anywhere in the enclosure, or None [s].
        air_coat_open: a coat is being laid somewhere in the enclosure.
        air_method: how the enclosure's last coat was put on.
        clearance_s: length that the user entered from an own test, or None [s].
        clearance_fault: why an entered length could not be used, or "".
    """

    coats: tuple[Coat, ...]
    pots: tuple[Pot, ...]
    sanded_s: tuple[float, ...]
    wiped_s: float | None
    wiped_spec: str | None
    tape_on_s: float | None
    tape_off_s: float | None
    back_in_service_s: float | None
    air_coat_ended_s: float | None
    air_coat_open: bool
    air_method: Method | None
    clearance_s: float | None
    clearance_fault: str

    @property
    def newest(self) -> Coat | None:
        """The coat that is on top."""
        return self.coats[-1] if self.coats else None


def is_about(event: Event, section: str | None) -> bool:
    """Return whether an event is about a section; one without a section is about all of them."""
    return event.section in (None, ALL_SECTIONS) or event.section == (section or ALL_SECTIONS)


def work_of(section: str | None, events: Iterable[Event], now_s: float) -> Work:
    """Read from the events what was done to a section until now.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept, corrections among them.
        now_s: later events are not yet true [s].

    Returns:
        Coats, pots, tape, wipes and what else starts a clock.

    Source:
        Events: `rules.vocabulary`; where two records disagree, the reading that ends an opens
        clock later and a closes clock sooner (common practice, no source).
    """
    events = tuple(events)
    in_all = in_force(events)
    standing = [e for e in in_all if e.time_s <= now_s]
    coats: list[Coat] = []
    pots: list[Pot] = []
    sanded: list[float] = []
    wiped: Event | None = None
    tape_on: float | None = None
    tape_off: float | None = None
    launched: float | None = None
    for event in standing:
        if not is_about(event, section):
            continue
        match event.kind:
            case EventKind.COAT_STARTED:
                _start_coat(coats, pots, event)
                wiped = launched = None
            case EventKind.COAT_ENDED:
                if not _means(event, section, coats, standing):
                    continue
                if coat_begun_after(event, section, coats, in_all, events) is not None:
                    continue
                _end_coat(coats, pots, event)
                wiped = launched = None
            case EventKind.MIXED:
                pots.append(
                    Pot(
                        event.batch,
                        event.section,
                        event.time_s,
                        event.spec_key,
                        event.amount_ml,
                        method=event.method,
                        hardener=event.hardener,
                    )
                )
            case EventKind.POT_ENDED:
                _end_pots(pots, event)
            case EventKind.MEASURED if event.what == MIX_TEMPERATURE:
                _measure_pot(pots, event)
            case EventKind.RESPEC if coats:
                coats[-1] = replace(coats[-1], spec=event.spec_key)
            case EventKind.SESSION_ENDED:
                _end_session(coats, event.time_s)
            case EventKind.SANDED:
                sanded.append(event.time_s)
            case EventKind.WIPED:
                wiped = event
            case EventKind.TAPE_ON:
                tape_on = event.time_s if tape_on is None else tape_on
            case EventKind.TAPE_OFF:
                tape_on, tape_off = None, event.time_s
            case EventKind.BACK_IN_SERVICE:
                launched = event.time_s
            case _:
                pass
    ended, is_open, method = _coating_in_the_air(standing)
    clearance_s, fault = _clearance(standing)
    return Work(
        coats=tuple(coats),
        pots=tuple(pots),
        sanded_s=tuple(sanded),
        wiped_s=wiped.time_s if wiped else None,
        wiped_spec=wiped.spec if wiped else None,
        tape_on_s=tape_on,
        tape_off_s=tape_off,
        back_in_service_s=launched,
        air_coat_ended_s=ended,
        air_coat_open=is_open,
        air_method=method,
        clearance_s=clearance_s,
        clearance_fault=fault,
    )


def pot_of(event: Event, pots: Sequence[Pot], since_s: float | None) -> Pot | None:
    """Return the pot that a coat is taken to be from, or None where nothing was mixed for it.

    Args:
        event: of the coat.
        pots: of the section, in order.
        since_s: when the coat before was done, or None [s].

    Returns:
        The last of the batch that it names, else of those mixed since; one that stands there goes
        before one that was thrown away.
    """
    named = [pot for pot in pots if event.batch is not None and pot.batch == event.batch]
    fresh = named or [pot for pot in pots if since_s is None or pot.mixed_s > since_s]
    standing = [pot for pot in fresh if pot.ended_s is None] or fresh
    return standing[-1] if standing else None


def _spec_named(event: Event, pot: Pot | None) -> str | None:
    """The spec that a coat event names, itself or by the pot that went into the coat."""
    return event.spec_key if event.spec is not None or pot is None else pot.spec


def laid_with(section: str | None, events: Iterable[Event], coat: Event) -> str | None:
    """Return by what the spec of a coat is found that is being begun, None for the enclosure's.

    Args:
        section: on which.
        events: all of the enclosure's events as kept, without it.
        coat: coat-started.
    """
    newest = work_of(section, (*events, replace(coat, section=None)), coat.time_s).newest
    return None if newest is None else newest.spec


def _start_coat(coats: list[Coat], pots: list[Pot], event: Event) -> None:
    last = coats[-1] if coats else None
    pot = pot_of(event, pots, None if last is None else last.done_s)
    poured_s = () if pot is None else (pot.mixed_s,)
    if last is not None and last.started_s is not None:
        recent = event.time_s - (last.ended_s or last.started_s) <= SAME_COAT_S
        same_number = event.coat == last.number or (event.coat is None and last.ended_s is None)
        if recent and same_number and not _is_other_paint(event, pot, last):
            # The coat goes on after a pause: it began when it began, and has not ended yet.
            coats[-1] = replace(
                last,
                ended_s=None,
                session_ended_s=None,
                resumed_s=event.time_s,
                poured_s=tuple(dict.fromkeys((*last.poured_s, *poured_s))),
            )
            return
    number = event.coat if event.coat is not None else (last.number if last else 0) + 1
    spec = _spec_named(event, pot)
    hardener = event.hardener or (None if pot is None else pot.hardener)
    coats.append(
        Coat(
            number,
            event.time_s,
            None,
            spec,
            event.method,
            hardener=hardener,
            service=event.service,
            poured_s=poured_s,
        )
    )


def _is_other_paint(event: Event, pot: Pot | None, coat: Coat) -> bool:
    """Whether a coat event names, itself or by its batch, another paint than a coat is laid with.

    A batch that the coat has been begun from is the coat's own, whatever it was mixed as.
    """
    if coat.spec is None:
        return False
    if event.spec is not None:
        return event.spec_key != coat.spec
    if event.batch is None or pot is None or pot.batch != event.batch:
        return False
    return pot.spec not in (None, coat.spec) and pot.mixed_s not in coat.poured_s


def _means(event: Event, section: str | None, coats: list[Coat], standing: list[Event]) -> bool:
    """Whether a coat-ended is about a section: one that names none ends only coats that are open.

    In an enclosure without sections there is no other work that it could mean.
    """
    if event.section is not None or (bool(coats) and coats[-1].is_open):
        return True
    if section not in (None, ALL_SECTIONS):
        return False
    _, is_open_elsewhere, _ = _coating_in_the_air(standing[: standing.index(event)])
    return not is_open_elsewhere


def coat_begun_after(
    event: Event,
    section: str | None,
    coats: Sequence[Coat],
    standing: Iterable[Event],
    kept: Iterable[Event],
) -> Event | None:
    """Return the start of the coat that an end means whose time is a slip, else None.

    It names no coat, none was open at its time, and one that began soon after it was open when it
    was written down. It ends none: a coat made of it would hold the real one beneath its window.

    Args:
        event: coat-ended.
        section: whose work.
        coats: of the section at the event's time, before it.
        standing: the events in force, in the order of time.
        kept: all events as kept, to tell when each was first written down.
    """
    if event.coat is not None or (coats and coats[-1].is_open):
        return None
    kept = tuple(kept)
    typed = first_of(event, kept).row or math.inf
    open_since: Event | None = None
    for each in standing:
        if not event.time_s < each.time_s <= event.time_s + SAME_COAT_S:
            continue
        if not is_about(each, section) or (first_of(each, kept).row or math.inf) >= typed:
            continue
        if each.kind is EventKind.COAT_STARTED:
            open_since = open_since or each
        elif each.kind is EventKind.COAT_ENDED:
            open_since = None
    return open_since


def _end_coat(coats: list[Coat], pots: list[Pot], event: Event) -> None:
    last = coats[-1] if coats else None
    if last is not None and event.coat in (None, last.number):
        ended = last.ended_s
        remixed = ended is not None and any(ended < pot.mixed_s for pot in pots)
        if not remixed:
            # A second end with nothing mixed between is a later end of the same coat.
            coats[-1] = replace(
                last,
                ended_s=event.time_s,
                spec=event.spec_key if event.spec else last.spec,
                method=last.method,
            )
            return
    number = event.coat if event.coat is not None else (last.number if last else 0) + 1
    spec = _spec_named(event, pot_of(event, pots, last.ended_s if last else None))
    coats.append(Coat(number, None, event.time_s, spec, event.method))


def _end_session(coats: list[Coat], time_s: float) -> None:
    if coats and coats[-1].ended_s is None and coats[-1].session_ended_s is None:
        coats[-1] = replace(coats[-1], session_ended_s=time_s)


def _end_pots(pots: list[Pot], event: Event) -> None:
    """End the batch that an event names; one that names none ends every pot."""
    for at, pot in enumerate(pots):
        if pot.ended_s is None and event.batch in (None, pot.batch):
            pots[at] = replace(pot, ended_s=event.time_s)


def _measure_pot(pots: list[Pot], event: Event) -> None:
    """Give a hand measurement to the batch that it names, else to the last one mixed."""
    for at in range(len(pots) - 1, -1, -1):
        pot = pots[at]
        if event.batch is not None and pot.batch != event.batch:
            continue
        temp_c = celsius(event.value, event.unit)
        if temp_c is None:
            pots[at] = replace(pot, odd_units=(*pot.odd_units, str(event.unit)))
        else:
            pots[at] = replace(pot, temps=(*pot.temps, (event.time_s, temp_c)))
        return


def celsius(value: float | None, unit: str | None) -> float | None:
    """Return a hand-measured temperature in °C, or None where it is not understood.

    Args:
        value: as entered.
        unit: as entered; °C where none was given.

    Returns:
        Temperature [°C], or None.

    Source:
        Definition of the degree Fahrenheit.

    >>> celsius(77.0, "degF")
    25.0
    """
    if value is None:
        return None
    word = (unit or "degC").strip().lower().replace("°", "").replace("deg", "")
    if word in ("c", "celsius"):
        temp_c = value
    elif word in ("f", "fahrenheit"):
        temp_c = to_celsius(value, "degF")
    else:
        return None
    return temp_c if -40.0 <= temp_c <= 120.0 else None


def _coating_in_the_air(events: list[Event]) -> tuple[float | None, bool, Method | None]:
    """The last coat-ended anywhere, whether one is being laid, and how it was put on."""
    ended: float | None = None
    still: dict[str | None, float] = {}
    method: Method | None = None
    for event in events:
        if event.kind is EventKind.COAT_STARTED:
            still[event.section] = event.time_s
            method = event.method
        elif event.kind is EventKind.COAT_ENDED:
            ended = event.time_s
            method = event.method or method
            if event.section in (None, ALL_SECTIONS):
                still.clear()
            still.pop(event.section, None)
        elif event.kind is EventKind.SESSION_ENDED:
            still.clear()
    return ended, bool(still), method


def _clearance(events: list[Event]) -> tuple[float | None, str]:
    """The length that the user entered last, and what is wrong with it."""
    entered = [e for e in events if e.kind is EventKind.MEASURED and e.what == CLEARANCE_LENGTH]
    if not entered:
        return None, ""
    event = entered[-1]
    unit_s = _UNIT_S.get((event.unit or "").strip().lower())
    if unit_s is None or event.value is None or not 0.0 < event.value * unit_s <= 7 * DAY_S:
        return None, (
            f"clearance {event.value} {event.unit}: not a length above 0 and up to 7 days in s, "
            "min or h, so no clearance clock runs; enter it again, as in 30 min"
        )
    return event.value * unit_s, ""


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
            return _coat_never_started(event, before)
        case EventKind.TAPE_OFF:
            return _tape_never_on(event, before)
        case EventKind.MIXED:
            return _name_in_use(event, before)
        case EventKind.SESSION_ENDED:
            return _session_never_started(before)
        case EventKind.MEASURED if event.what == MIX_TEMPERATURE:
            return _unmixed(event, before) or _no_pot(event, before) or _no_mix_is_so(event)
        case EventKind.MEASURED if event.what == CLEARANCE_LENGTH:
            return _clearance([event])[1]
        case EventKind.MEASURED:
            return _no_such_figure(event)
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
            f"no coat was open, so coat {now.number} has an end and no start: recoat by and "
            f"tape off by are not known; {_RECORD.format('coat-started')}"
        )
    return (
        f"no coat was open, so this counts as a later end of coat {now.number}, from which its "
        f"clocks start again; if it ends another coat, {_RECORD.format('coat-started')}"
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
