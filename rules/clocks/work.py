"""What the events say was done to one section: its coats, pots, tape and wipes, in order."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

from rules.events import Event, first_of, in_force
from rules.units import DAY_S, to_celsius
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
class Pour:
    """A coat begun, or carried on after a pause, from a pot.

    Attributes:
        mixed_s: when the pot was mixed that it is taken to be from, or None where there is none
            [s].
        batch: name of that pot, or None.
        named: whether the event named it.
        from_s: first stroke [s].
        to_s: last stroke before a pause or the end, or None while it goes on [s].
    """

    mixed_s: float | None
    batch: str | None
    named: bool
    from_s: float
    to_s: float | None = None

    def is_from(self, pot: Pot) -> bool:
        """Return whether that is the pot."""
        return (pot.mixed_s, pot.batch) == (self.mixed_s, self.batch)


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
        pours: what it was begun, and carried on, from.
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
    pours: tuple[Pour, ...] = ()

    @property
    def poured_s(self) -> tuple[float, ...]:
        """When the pots were mixed that it was begun, and carried on, from [s]."""
        return tuple(dict.fromkeys(p.mixed_s for p in self.pours if p.mixed_s is not None))

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
        thinner_pct: thinner in it, by volume of the mix, or None where not recorded [%].
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
    thinner_pct: float | None = None


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
    return _work_of(section, tuple(events), now_s, {})


def _work_of(
    section: str | None, events: tuple[Event, ...], now_s: float, paints: dict[float, str]
) -> Work:
    """The same, with the paints that were found already, by the row of their coat-started."""
    in_all = in_force(events)
    standing = [e for e in in_all if e.time_s <= now_s]
    typed_last = -math.inf
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
        if event.kind in _LEADS_TO_PAINT:
            typed = _row_of(event, events)
            if event.kind is EventKind.COAT_STARTED and event.spec is None and typed < typed_last:
                if typed not in paints:
                    paints[typed] = _paint_when_typed(event, section, events, paints)
                event = replace(event, spec=paints[typed], spec_sha256=None)
            typed_last = max(typed_last, typed)
        match event.kind:
            case EventKind.COAT_STARTED:
                _start_coat(coats, pots, event)
                wiped = launched = None
            case EventKind.COAT_ENDED:
                if not _means(event, section, coats, standing):
                    continue
                if coat_begun_after(event, section, coats, in_all, events) is not None:
                    continue
                if is_slip_of_number(event, coats):
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
                        thinner_pct=event.thinner_pct,
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
    clearance_s, fault = clearance_of(standing)
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


_LEADS_TO_PAINT = (
    EventKind.COAT_STARTED,
    EventKind.COAT_ENDED,
    EventKind.MIXED,
    EventKind.POT_ENDED,
)
"""Events by which a coat that names no paint is taken for one."""


def _row_of(event: Event, events: Iterable[Event]) -> float:
    """The row in which an event was first written down; infinity for one that is not yet."""
    first = first_of(event, events)
    row = first.row if first.corrects is None else first.corrects  # its original may be left out
    return math.inf if row is None else row


def _paint_when_typed(
    event: Event, section: str | None, events: tuple[Event, ...], paints: dict[float, str]
) -> str:
    """The paint of a coat-started that names none, by what stood when it was written down.

    What is typed later changes no film's paint; only a respec does.

    Returns:
        Its `Event.spec_key`; "" for the enclosure's own without a text.
    """
    typed = _row_of(event, events)
    known = tuple(
        each for each in events if each.kind is EventKind.RESPEC or _row_of(each, events) < typed
    )
    newest = _work_of(section, (*known, event), event.time_s, paints).newest
    return "" if newest is None or newest.spec is None else newest.spec


def pots_for(event: Event, pots: Sequence[Pot], last: Coat | None) -> list[Pot]:
    """Return the pots that a coat can be begun from, the one that it is taken to be from last.

    Args:
        event: of the coat.
        pots: of the section, in order.
        last: coat of the section before the event, or None.

    Returns:
        Those of the batch that it names, else of those mixed since the last coat was done the ones
        of its paint, which is that of the newest where it names none; else, where it carries a
        coat on, the one that this was laid from. One that stands there goes before one that was
        thrown away.
    """
    since_s = None if last is None else last.done_s
    fresh = [pot for pot in pots if event.batch is not None and pot.batch == event.batch]
    is_named = bool(fresh)
    fresh = fresh or [pot for pot in pots if since_s is None or pot.mixed_s > since_s]
    if not fresh and last is not None and _carries_on(event, last):
        fresh = [pot for pot in pots if any(pour.is_from(pot) for pour in last.pours[-1:])]
    standing = [pot for pot in fresh if pot.ended_s is None] or fresh
    if is_named or not standing:
        return standing
    paint = standing[-1].spec if event.spec is None else event.spec_key
    return [pot for pot in standing if pot.spec == paint] or standing


def pot_of(event: Event, pots: Sequence[Pot], last: Coat | None) -> Pot | None:
    """Return the pot that a coat is taken to be from, or None; arguments as of `pots_for`."""
    return next(reversed(pots_for(event, pots, last)), None)


@dataclass(frozen=True, slots=True)
class PotUse:
    """A pot that went into a coat, or may have.

    Attributes:
        pot: which.
        from_s: when it was first used: with the first stroke, or when it was mixed while the coat
            was being laid [s].
        to_s: when it was last used, or None while that goes on [s].
        others: pots that stood mixed beside it, of which any may have been used in its place.
        named: whether an event named it.
    """

    pot: Pot
    from_s: float
    to_s: float | None
    others: tuple[Pot, ...] = ()
    named: bool = False


def pots_used(
    coat: Coat, work: Work, is_its_paint: Callable[[Pot], bool] = lambda _: True
) -> tuple[PotUse, ...]:
    """Return the pots of a coat: what it was poured from, and what was mixed while it was laid.

    Args:
        coat: of the section's work.
        work: of the section.
        is_its_paint: whether a pot that the coat does not name can be for it.

    Returns:
        In the order of their use. Each is used until the next is mixed, it was used up, or the
        brush stops.
    """
    at = work.coats.index(coat)
    since_s = work.coats[at - 1].done_s if at else None
    uses: list[PotUse] = []
    for pour in coat.pours:
        end_s = pour.to_s or coat.ended_s or coat.session_ended_s
        pots = [pot for pot in work.pots if pour.is_from(pot)][-1:]
        pots = [pot for pot in pots if pour.named or is_its_paint(pot)]
        others = [
            pot
            for pot in work.pots
            if not pour.named
            and pot not in pots
            and (since_s or -math.inf) < pot.mixed_s <= pour.from_s
            and (pot.ended_s is None or pot.ended_s > pour.from_s)
            and is_its_paint(pot)
        ]
        pots += [
            pot
            for pot in work.pots
            if pour.from_s < pot.mixed_s < (end_s or pour.from_s + SAME_COAT_S)
            and is_its_paint(pot)
        ]
        for pot, following in zip_longest(pots, pots[1:]):
            from_s = max(pour.from_s, pot.mixed_s)
            ends_s = (end_s if following is None else following.mixed_s, pot.ended_s)
            to_s = min((each for each in ends_s if each is not None), default=None)
            from_s = from_s if to_s is None else min(from_s, to_s)
            own = pour.is_from(pot)
            use = PotUse(pot, from_s, to_s, tuple(others) if own else (), own and pour.named)
            before = next((each for each in uses if each.pot == pot), None)
            if before is None:
                uses.append(use)
            else:
                uses[uses.index(before)] = replace(before, to_s=to_s)
    return tuple(uses)


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


def _carries_on(event: Event, last: Coat) -> bool:
    """Whether a coat-started goes on with a coat after a pause."""
    if last.started_s is None:
        return False
    recent = event.time_s - (last.ended_s or last.started_s) <= SAME_COAT_S
    same_spec = event.spec is None or last.spec in (None, event.spec_key)
    same_number = event.coat == last.number or (event.coat is None and last.ended_s is None)
    return recent and same_spec and same_number


def _pour(event: Event, pot: Pot | None, to_s: float | None = None) -> Pour:
    """What a coat is poured from; not known where the pot was never mixed, or gone by then."""
    gone = pot is not None and pot.ended_s is not None and to_s is None
    if pot is None or gone or event.batch not in (None, pot.batch):
        return Pour(None, event.batch, event.batch is not None, event.time_s, to_s)
    return Pour(pot.mixed_s, pot.batch, event.batch is not None, event.time_s, to_s)


def _until(pours: tuple[Pour, ...], to_s: float | None) -> tuple[Pour, ...]:
    """The pours with the end of the last one."""
    return (*pours[:-1], *(replace(pour, to_s=to_s) for pour in pours[-1:]))


def _start_coat(coats: list[Coat], pots: list[Pot], event: Event) -> None:
    last = coats[-1] if coats else None
    pot = pot_of(event, pots, last)
    pour = _pour(event, pot)
    other_paint = last is not None and _is_of_other_paint(event, pot, last)
    if last is not None and _carries_on(event, last) and not other_paint:
        # It began when it began, and has not ended yet.
        pours = last.pours
        if pours and pours[-1].to_s is None:
            pours = _until(pours, event.time_s)
        coats[-1] = replace(
            last,
            ended_s=None,
            session_ended_s=None,
            resumed_s=event.time_s,
            pours=(*pours, pour),
        )
        return
    number = event.coat if event.coat is not None else (last.number if last else 0) + 1
    spec = _spec_named(event, pot) or None
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
            pours=(pour,),
        )
    )


def _is_of_other_paint(event: Event, pot: Pot | None, coat: Coat) -> bool:
    """Whether the batch that a coat event names is of another paint than a coat is laid with.

    A batch that the coat has been laid from is the coat's own, whatever it was mixed as.
    """
    if event.spec is not None or event.batch is None or pot is None or pot.batch != event.batch:
        return False
    other = None not in (coat.spec, pot.spec) and pot.spec != coat.spec
    return other and not any(pour.is_from(pot) for pour in coat.pours)


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


def is_slip_of_number(event: Event, coats: Sequence[Coat]) -> bool:
    """Return whether an end names by a slip another coat than the newest: then it ends none.

    No coat has the number, or one beneath the newest has: that can be ended no more. Who is one
    ahead of the newest may have forgotten to record a start, and long after an end nothing but
    such a row tells that another was laid: these make a coat.

    Args:
        event: coat-ended.
        coats: of the section at the event's time, before it.

    Source:
        Judgement, no source.
    """
    if event.coat is None or not coats:
        return False
    newest = coats[-1]
    if event.coat in (newest.number, newest.number + 1):
        return False
    if newest.is_open and any(coat.number == event.coat for coat in coats):
        return True  # no clock of an open coat runs, so none says GO for want of another
    last_s = newest.resumed_s or newest.started_s if newest.is_open else newest.ended_s
    return last_s is not None and event.time_s - last_s <= SAME_COAT_S


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
                pours=_until(last.pours, event.time_s),
            )
            return
    number = event.coat if event.coat is not None else (last.number if last else 0) + 1
    pot = pot_of(event, pots, last)
    pours = (_pour(event, pot, event.time_s),)
    spec = _spec_named(event, pot)
    coats.append(Coat(number, None, event.time_s, spec, event.method, pours=pours))


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


def clearance_of(events: list[Event]) -> tuple[float | None, str]:
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
