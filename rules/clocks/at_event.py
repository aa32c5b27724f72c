"""What an event means at its moment: whose work it touches, and what the clocks say against it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable
from typing import TYPE_CHECKING

from rules.clocks.work import (
    Coat,
    Pot,
    Work,
    coat_begun_after,
    is_about,
    pot_of,
    pots_for,
    work_of,
)
from rules.events import Event, in_force
from rules.spec.model import Mix, Spec
from rules.text import duration_text
from rules.vocabulary import ALL_SECTIONS, ClockName, EventKind, Method

if TYPE_CHECKING:
    # Most events ask no clock, and numpy, which clocks need, loads for longer than they take.
    from rules.clocks.clock import Clock

_OF_A_SECTION = frozenset(
    {
        EventKind.WASHED,
        EventKind.WIPED,
        EventKind.SANDED,
        EventKind.COAT_STARTED,
        EventKind.COAT_ENDED,
        EventKind.TAPE_ON,
        EventKind.TAPE_OFF,
        EventKind.RESPEC,
        EventKind.BACK_IN_SERVICE,
    }
)


def touched(event: Event, before: Iterable[Event], sections: Collection[str]) -> tuple[str, ...]:
    """Return the sections whose work an event changes.

    Args:
        event: about to be kept.
        before: the enclosure's events as kept.
        sections: of the enclosure; empty where it has none.

    Returns:
        The one that it names, else those that it can mean, by name; () where it is about none,
        or none fits.
    """
    if event.section not in (None, ALL_SECTIONS):
        return (str(event.section),)
    if event.kind not in _OF_A_SECTION:
        return ()
    if event.kind is not EventKind.COAT_ENDED:
        return tuple(sorted(sections))
    works = {name: work_of(name, before, event.time_s) for name in sections}
    return tuple(sorted(name for name, work in works.items() if _has_open_coat(work)))


def _has_open_coat(work: Work) -> bool:
    return work.newest is not None and work.newest.is_open


_FUEL = re.compile(
    r"propane|butane|\bgas\b|diesel|paraffin|kerosene|petrol|wood|charcoal|flame|burner", re.I
)
_NO_FLUE = re.compile(
    r"\b(no|without( an?)?|un)[ -]?(flue|chimney|vent)|unflued|flueless|unvented", re.I
)


def heater_remark(event: Event) -> str:
    """Return what to say of a flame in the enclosure, by the note of who lit it, or "".

    Source:
        Stoichiometry: 1 kg of propane burns to 1.6 kg of water and 3 kg of carbon dioxide; what
        both do to an amine: AMPP paper of 2005 on amine blush (abstract).
    """
    if event.kind is not EventKind.HEATER_ON or event.withdrawn:
        return ""
    if not _NO_FLUE.search(event.note) and not _FUEL.search(event.note):
        return ""
    if re.search(r"\b(with|has)\b.{0,12}\bflue|electric", event.note, re.I):
        return ""
    return (
        "a flame without a flue puts its water and its carbon dioxide into the tent: dew and bloom "
        "on the film, and air that nobody should breathe; with solvent in the air a flame must not "
        "burn inside at all. Heat with a flued or electric heater that stands outside"
    )


RUBS = {
    EventKind.SANDED: "sanding now tears the film and clogs the paper",
    EventKind.WASHED: "washing now marks the film",
    EventKind.WIPED: "wiping now smears the film",
}
"""What work on a film does to one that is soft still; common practice, no source."""


def soft_film_warnings(
    event: Event, touches: Collection[str], clocks: Iterable[Clock], hour: Callable[[float], str]
) -> list[str]:
    """Return what work on a film does that is not touch dry, or not sandable yet, a clause each.

    Args:
        event: about to be kept.
        touches: as `touched` gives them.
        clocks: of the whole enclosure, at the event's time.
        hour: shows a time of day [s].

    Source:
        Common practice, no source.
    """
    from rules.clocks.clock import ClockState

    if event.kind not in RUBS or event.withdrawn:
        return []
    own = [
        clock
        for clock in clocks
        if clock.section in (None, ALL_SECTIONS, *touches) and not clock.buried
    ]
    sheets = {c.section for c in own if c.name is ClockName.SAND}
    found = []
    for clock in own:
        sands = event.kind is EventKind.SANDED and clock.section in sheets
        asked = ClockName.SAND if sands else ClockName.TOUCH_DRY
        if clock.name is asked and clock.state in (ClockState.RUNNING, ClockState.WAITING):
            where = "" if clock.section in (None, ALL_SECTIONS) else f"{clock.section}: "
            state = "sandable" if sands else "touch dry"
            when = "" if clock.ends_at_s is None else f" before about {hour(clock.ends_at_s)}"
            found.append(f"{where}coat {clock.coat} is not {state}{when}: {RUBS[event.kind]}")
    return found


def sanding_remark(event: Event, touches: Collection[str], clocks: Iterable[Clock]) -> str:
    """Return what sanding does to a film beside it that is not touch dry, or "".

    Args:
        event: about to be kept.
        touches: as `touched` gives them.
        clocks: of the whole enclosure, at the event's time.
    """
    from rules.clocks.clock import ClockState

    if event.kind is not EventKind.SANDED or event.withdrawn:
        return ""
    soft = sorted(
        clock.section or ALL_SECTIONS
        for clock in clocks
        if clock.name is ClockName.TOUCH_DRY
        and clock.state in (ClockState.RUNNING, ClockState.WAITING)
        and clock.section not in (None, ALL_SECTIONS, *touches)
        and not clock.buried
    )
    if not soft:
        return ""
    return f"{', '.join(soft)} is not touch dry, and sanding dust settles on it"


def launch_warning(clocks: Iterable[Clock]) -> str:
    """Return what to say to who puts the work back into service, or "" where it has cured.

    Args:
        clocks: as `clocks_of` gives them.

    Returns:
        A warning while `cured` waits, runs or is unknown; "" otherwise.

    Source:
        Common practice, no source: a film under water or load before it has cured may blister,
        print or lose its hold.
    """
    from rules.clocks.clock import ClockState

    listed = tuple(clocks)
    stated = {clock.section for clock in listed if clock.name is ClockName.LAUNCH_NOT_BEFORE}
    for clock in listed:
        asked = (
            ClockName.LAUNCH_NOT_BEFORE
            if clock.section in stated and not clock.buried
            else ClockName.CURED
        )
        if clock.name is not asked or clock.state is ClockState.ENDED:
            continue
        where = f"{clock.section}: " if clock.section else ""
        if clock.state is ClockState.UNKNOWN:
            done = "has cured" if asked is ClockName.CURED else "may be launched"
            return f"{where}it is not known whether coat {clock.coat} {done}: {clock.basis}"
        left = (
            ""
            if clock.left_s is None
            else f", {duration_text(clock.left_s)} left at this temperature"
        )
        not_yet = "has not cured" if asked is ClockName.CURED else "is not to be launched yet"
        return (
            f"{where}coat {clock.coat} {not_yet}{left}: water or load on it now may blister, "
            "mark or lift it"
        )
    return ""


def asks_whose(event: Event, sections: Collection[str], touches: Collection[str]) -> str:
    """Return what to ask where an event that names no section fits none, or "".

    Args:
        event: about to be kept.
        sections: of the enclosure.
        touches: as `touched` gives them.
    """
    if event.kind is not EventKind.COAT_ENDED or touches or not sections:
        return ""
    names = ", ".join(sorted(sections))
    return (
        "no coat is open on any section, so this ended none; record whose it is: filmcall event "
        f"coat-ended --section NAME (of {names}), with coat-started before it"
    )


def ended_before_begun(
    event: Event,
    before: Iterable[Event],
    sections: Collection[str],
    hour: Callable[[float], str],
) -> str:
    """Return what to say of an end whose time lies before the start of the coat that is open.

    Args:
        event: about to be kept.
        before: the enclosure's events as kept.
        sections: of the enclosure.
        hour: shows a time of day [s].

    Returns:
        A clause, or "" where it ends a coat, or none that is open can be meant.
    """
    if event.kind is not EventKind.COAT_ENDED or event.withdrawn:
        return ""
    before = tuple(before)
    if event.section in (None, ALL_SECTIONS) and touched(event, before, sections):
        return ""
    names = (event.section,) if event.section is not None or not sections else sorted(sections)
    standing, found = in_force(before), []
    for name in names:
        coats = work_of(name, before, event.time_s).coats
        began = coat_begun_after(event, name, coats, standing, before)
        if began is not None:
            of = "" if name in (None, ALL_SECTIONS) else f" of {name}"
            found.append(f"the coat{of} that is open began at {hour(began.time_s)}")
    if not found:
        return ""
    return (
        f"{', '.join(found)}, after this time, so this ended none: take this row back with "
        "--corrects and --withdraw, and record the end with its right time. If it is of a coat "
        "before, record it with that coat's number: filmcall event coat-ended --coat N --at TIME"
    )


def said_of_coats_behind(
    event: Event,
    before: Iterable[Event],
    touches: Collection[str],
    hour: Callable[[float], str],
) -> list[str]:
    """Return what an event typed late makes of what was recorded after it, a clause each.

    Args:
        event: about to be kept.
        before: the enclosure's events as kept.
        touches: as `touched` gives them, or every section for an event that names none.
        hour: shows a time of day [s].
    """
    corrects = event.corrects is not None and event.kind is not EventKind.COAT_ENDED
    if event.kind not in _CHANGES_COATS_BEHIND or event.withdrawn or corrects:
        return []
    before, found = tuple(before), []
    for name in touches or (None,):
        was = {coat.started_s: coat for coat in work_of(name, before, math.inf).coats}
        work = work_of(name, (*before, event), math.inf)
        where = "" if name in (None, ALL_SECTIONS) else f"{name}: "
        behind = [coat for coat in work.coats if (coat.started_s or -math.inf) > event.time_s]
        texts = [_made_of(event, was.get(coat.started_s), coat, work, hour) for coat in behind]
        if event.kind is EventKind.COAT_STARTED:
            joined = was.keys() - {coat.started_s for coat in work.coats}
            texts += [
                f"the coat begun at {hour(each)} carries this one on from now on: both are one "
                "coat, begun at this time. If it is another coat, record the end of this one: "
                "filmcall event coat-ended --at TIME"
                for each in sorted(each for each in joined if each and each > event.time_s)
            ]
            texts.append(_made_of_an_end(event, before, name, work, hour))
        found += [f"{where}{text}" for text in texts if text]
    return found


_CHANGES_COATS_BEHIND = (EventKind.COAT_STARTED, EventKind.COAT_ENDED, EventKind.MIXED)


def _made_of(
    event: Event, was: Coat | None, coat: Coat, work: Work, hour: Callable[[float], str]
) -> str:
    """What an event makes of a coat that was begun after it, or "" where it changes nothing."""
    begun_s = coat.started_s or event.time_s
    at = work.coats.index(coat)
    beneath = work.coats[at - 1] if at else None
    if event.kind is EventKind.MIXED:
        taken = any(pour.mixed_s == event.time_s for pour in coat.pours[:1])
        is_new = was is None or was.pours != coat.pours
        if not taken or not is_new or coat.spec == event.spec_key:
            return ""
        return (
            f"coat {coat.number}, begun at {hour(begun_s)}, was recorded before this pot and keeps "
            "the paint that it was laid with; if it was laid from this pot, record that: filmcall "
            f"event respec --spec {event.spec or 'NAME'}"
        )
    if event.kind is EventKind.COAT_STARTED:
        if beneath is None or beneath.started_s != event.time_s:
            return ""
        end = (
            ". Record when this one was ended: filmcall event coat-ended "
            f"--coat {beneath.number} --at TIME"
        )
        return (
            f"what was begun at {hour(begun_s)} lies over this as coat {coat.number}, and keeps "
            f"the paint that it was laid with{end if beneath.is_open else ''}"
        )
    if was is None:
        return (
            f"what was begun at {hour(begun_s)} carried the coat on; with this end "
            f"it is coat {coat.number}, laid {duration_text(begun_s - event.time_s)} after "
            "it. If it was one coat, take this row back with --corrects and --withdraw"
        )
    if was.number == coat.number or beneath is None or beneath.ended_s != event.time_s:
        return ""
    return f"what was begun at {hour(begun_s)} is coat {coat.number} from now on"


def _made_of_an_end(
    event: Event,
    before: tuple[Event, ...],
    name: str | None,
    work: Work,
    hour: Callable[[float], str],
) -> str:
    """What a coat-started makes of a later end of the coat that it goes over, or ""."""
    at = len(work_of(name, before, math.nextafter(event.time_s, -math.inf)).coats) - 1
    if at < 0:
        return ""
    was, now = work_of(name, before, math.inf).coats[at], work.coats[at]
    if was.ended_s is None or was.ended_s <= event.time_s or was.ended_s == now.ended_s:
        return ""
    told = f"the end at {hour(was.ended_s)}, recorded as of coat {was.number}, ends"
    ended = [coat for coat in work.coats if coat.ended_s == was.ended_s]
    if not ended:
        return f"{told} none from now on; record when this one was ended"
    rows = [
        each.row
        for each in in_force(before)
        if each.kind is EventKind.COAT_ENDED and each.time_s == was.ended_s and is_about(each, name)
    ]
    if ended[0].started_s != event.time_s or not rows:
        return ""
    return (
        f"{told} this one from now on; if it does not, take row {rows[-1]} back: filmcall event "
        f"coat-ended --corrects {rows[-1]} --withdraw, and record when this one was ended"
    )


def no_such_pot(
    event: Event,
    before: Iterable[Event],
    sections: Collection[str],
    hour: Callable[[float], str],
) -> str:
    """Return what to say where a pot is ended that does not stand there, or "".

    Args:
        event: pot-ended, about to be kept.
        before: the enclosure's events as kept.
        sections: of the enclosure.
        hour: shows a time of day [s].
    """
    if event.kind is not EventKind.POT_ENDED or event.withdrawn or event.batch is None:
        return ""
    before = tuple(before)
    names = (event.section,) if event.section not in (None, ALL_SECTIONS) else (None, *sections)
    pots = {
        (pot.mixed_s, pot.batch): pot
        for name in names
        for pot in work_of(name, before, event.time_s).pots
    }
    standing = [
        pot for _, pot in sorted(pots.items(), key=lambda each: each[0][0]) if pot.ended_s is None
    ]
    named = [pot for pot in pots.values() if pot.batch == event.batch]
    if any(pot in standing for pot in named):
        return ""
    was = "was never mixed"
    if named:
        was = f"was ended at {hour(max(pot.ended_s or 0.0 for pot in named))}"
    left = [f"batch {p.batch!r}" if p.batch else f"the pot of {hour(p.mixed_s)}" for p in standing]
    stands = f"mixed and not ended: {', '.join(left)}" if left else "no other stands mixed"
    return (
        f"batch {event.batch!r} {was}, so this ended no pot ({stands}); if the name is wrong, take "
        "this back with --corrects and --withdraw and record it with the right one"
    )


def coat_warnings(
    event: Event,
    before: Iterable[Event],
    section: str | None,
    clocks: Iterable[Clock],
    hour: Callable[[float], str],
) -> list[str]:
    """Return what the clocks say against a coat at the moment at which it is begun.

    Args:
        event: coat-started.
        before: the enclosure's events as kept, without it.
        section: whose work; None for an enclosure without sections.
        clocks: of that section and of the pots, at the event's time, before it.
        hour: shows a time of day [s].

    Returns:
        A clause each, the worst first; the event is recorded all the same.
    """
    before = tuple(before)
    was = work_of(section, before, event.time_s)
    now = work_of(section, (*before, event), event.time_s)
    where = "" if section in (None, ALL_SECTIONS) else f"{section}: "
    clocks = tuple(clocks)
    found = []
    if was.newest is not None and was.newest.is_open and len(now.coats) == len(was.coats):
        found.append(
            f"{where}coat {was.newest.number} has not been ended, so this carries it on; for a new "
            "coat take this back and record coat-ended first"
        )
    if len(now.coats) > len(was.coats):
        found += [f"{where}{text}" for text in _out_of_order(was, now)]
        films = [clock for clock in clocks if clock.coat is not None and not clock.buried]
        for clock in films:
            found += [f"{where}{text}" for text in _over_a_film(clock, hour)]
        if not _WINDOWS.intersection(clock.name for clock in films):
            found += [f"{where}{text}" for text in _over_a_film_without_window(films)]
        found += [f"{where}{text}" for text in _of_two_paints(event, before, was, clocks, hour)]
    found += [f"{where}{text}" for text in _from_a_pot(event, was, clocks, hour)]
    return [*found, *_from_another_mix(event, before)]


LARGE_MIX_ML = 20_000.0
"""More than a large pail: rather a slip of the finger; judgement, no source [mL]."""


def mix_warnings(event: Event, spec: Spec | None, temp_c: float | None = None) -> list[str]:
    """Return what a sheet says against a mix as it was recorded, a clause each.

    Args:
        event: mixed.
        spec: that it goes by, or None where that is not known.
        temp_c: of the air in which it was mixed, or None where that is not known [°C].
    """
    mix = None if spec is None else spec.under(event.method, event.hardener).mix
    found = []
    most_ml = LARGE_MIX_ML if mix is None or mix.max_batch_ml is None else mix.max_batch_ml
    if event.amount_ml is not None and event.amount_ml > most_ml:
        whose = "is more than a pail holds" if most_ml == LARGE_MIX_ML else "is above the sheet's"
        most = "" if most_ml == LARGE_MIX_ML else f" {most_ml:g} ml in one pot"
        found.append(
            f"{event.amount_ml:g} ml {whose}{most}: it heats itself and sets sooner. Check the "
            "figure; spread what was mixed over shallow trays"
        )
    return found + _thinned(event.thinner_pct, mix, event.method, temp_c, event.coat)


def thinner_warnings(
    event: Event,
    before: Iterable[Event],
    section: str | None,
    spec: Spec | None,
    temp_c: float | None = None,
) -> list[str]:
    """Return what a sheet says against the thinner of a coat's pot, a clause each.

    Args:
        event: coat-started.
        before: the enclosure's events as kept, without it.
        section: whose work; None for an enclosure without sections.
        spec: that the coat goes by, or None where that is not known.
        temp_c: of the air, or None where that is not known [°C].
    """
    was = work_of(section, before, event.time_s)
    now = work_of(section, (*before, event), event.time_s)
    pots = pots_for(event, was.pots, was.newest)
    shares = {pot.thinner_pct for pot in pots}
    if spec is None or now.newest is None or len(shares) != 1:
        return []
    method = event.method or pots[-1].method
    mix = spec.under(method, event.hardener or pots[-1].hardener).mix
    return _thinned(pots[-1].thinner_pct, mix, method, temp_c, now.newest.number)


def _thinned(
    thinner_pct: float | None,
    mix: Mix | None,
    method: Method | None,
    temp_c: float | None,
    coat: int | None,
) -> list[str]:
    if mix is None or thinner_pct is None:
        return []
    from rules.spec.thinner import thinner_range

    said = thinner_range(mix, method, temp_c, coat or 1).against(thinner_pct)
    return [f"{said}. Check the figure"] if said else []


_WINDOWS = frozenset({ClockName.RECOAT_OPENS, ClockName.WET_ON_WET})
"""What says when a coat may go on; one of them runs where a spec has a window."""


def _over_a_film(clock: Clock, hour: Callable[[float], str]) -> list[str]:
    from rules.clocks.clock import ClockState

    if clock.stops_coating:
        when = "" if clock.ended_at_s is None else f" at {hour(clock.ended_at_s)}"
        return [f"coat {clock.coat}'s recoat window closed{when}. {clock.advice}"]
    if clock.name is not ClockName.RECOAT_OPENS or clock.state is ClockState.ENDED:
        return []
    text = f"this coat goes over a wet film: coat {clock.coat}'s recoat window"
    if clock.state is ClockState.UNKNOWN:
        return [f"{text} is not known ({clock.basis})"]
    if clock.left_s is None or clock.ends_at_s is None:
        return [f"{text} has not opened, and is not counting; it may wrinkle or trap solvent"]
    # The hour is the outlook's where there is one: the other duration would not lead to it.
    left = duration_text(clock.left_s if clock.left_outlook_s is None else clock.left_outlook_s)
    when = "" if clock.state is ClockState.WAITING else f", about {hour(clock.ends_at_s)}"
    return [f"{text} opens in {left}{when}; it may wrinkle or trap solvent"]


def _over_a_film_without_window(films: Iterable[Clock]) -> list[str]:
    """What to say of a coat over a film whose spec does not say when recoat opens."""
    from rules.clocks.clock import ClockState

    return [
        f"this coat goes over a wet film: coat {clock.coat} is not touch dry, and its spec has no "
        "recoat_opens. Go by the data sheet, and enter the figure"
        for clock in films
        if clock.name is ClockName.TOUCH_DRY and clock.state is not ClockState.ENDED
    ]


def _out_of_order(was: Work, now: Work) -> list[str]:
    """What to say of a coat whose number is not above that of the one beneath."""
    if was.newest is None or now.newest is None or now.newest.number > was.newest.number:
        return []
    return [
        f"coat {was.newest.number} is on already, so this is hardly coat {now.newest.number}: if "
        "the number is a slip, take this back and record it with the right one"
    ]


def _from_another_mix(event: Event, before: tuple[Event, ...]) -> list[str]:
    """What to say of a coat of one spec that names a batch of another."""
    if event.batch is None or event.spec is None:
        return []
    mixed = [
        each
        for each in in_force(before)
        if each.kind is EventKind.MIXED
        and each.batch == event.batch
        and each.time_s <= event.time_s
    ]
    if not mixed or mixed[-1].spec_key == event.spec_key:
        return []
    of = mixed[-1].spec or "the enclosure's own spec"
    return [
        f"batch {event.batch} was mixed as {of}, and the coat is recorded as {event.spec}: "
        "correct the one that is wrong"
    ]


def _of_two_paints(
    event: Event,
    before: tuple[Event, ...],
    was: Work,
    clocks: tuple[Clock, ...],
    hour: Callable[[float], str],
) -> list[str]:
    """What to ask of a coat that names neither paint nor pot while pots of several stand mixed."""
    from rules.clocks.pots import is_alive, waiting_pots

    if event.spec is not None or event.batch is not None:
        return []
    taken = pot_of(event, was.pots, was.newest)
    pots = [
        pot
        for pot, life in waiting_pots(was, clocks)
        if pot == taken or is_alive(pot, life, event.time_s)
    ]
    if taken is None or len({pot.spec for pot in pots}) < 2:
        return []
    paints = {each.time_s: each.spec for each in in_force(before) if each.kind is EventKind.MIXED}
    # The clock has the name that a spec's file gives itself.
    lives = [clock for clock in clocks if clock.name is ClockName.POT_LIFE]
    paints |= {clock.started_s: clock.spec for clock in lives if clock.started_s is not None}

    def paint(pot: Pot) -> str:
        return paints.get(pot.mixed_s) or "the enclosure's own spec"

    def name(pot: Pot) -> str:
        return f"pot {pot.batch}" if pot.batch else f"the pot of {hour(pot.mixed_s)}"

    mixed = [f"{name(pot)} ({paint(pot)})" for pot in pots]
    return [
        f"{', '.join(mixed[:-1])} and {mixed[-1]} are mixed, and this coat names none of them: "
        f"taken for {paint(taken)}, from {name(taken)}. If it is of another, take this back and "
        "record it with its batch"
    ]


def _from_a_pot(
    event: Event,
    was: Work,
    clocks: tuple[Clock, ...],
    hour: Callable[[float], str],
) -> list[str]:
    from rules.clocks.clock import ClockState
    from rules.clocks.pots import KEEP_POT_S

    pots = pots_for(event, was.pots, was.newest)
    is_named = event.batch is not None and any(pot.batch == event.batch for pot in pots)
    if is_named and pots[-1].ended_s is not None:
        ended_s = max(pot.ended_s or 0.0 for pot in pots)
        return [f"batch {event.batch} was ended at {hour(ended_s)}: name the one in use"]
    pots = [pot for pot in pots if pot.ended_s is None and (is_named or event.batch is None)]
    began = {pot.mixed_s for pot in pots}
    own = [clock for clock in clocks if clock.started_s in began]
    found = []
    if event.batch is not None and pots and not own:
        age_s = event.time_s - max(began)
        if age_s > KEEP_POT_S:
            found.append(
                f"batch {event.batch} was mixed {duration_text(age_s)} ago: is it that one? If its "
                "pot life is over, do not use or thin what is left"
            )
    lives = [clock for clock in own if clock.name is ClockName.POT_LIFE]
    over = [clock for clock in lives if clock.state is ClockState.ENDED]
    if over and len(over) == len(lives):
        found.append("the pot life is over. Do not use or thin what is left")
    elif over and not is_named:
        which = f"pot {over[0].batch}" if over[0].batch else "a pot without a name"
        found.append(
            f"{which} stands mixed too, past its life, and this coat names none: record which it "
            "is from with --batch, and pot-ended for the other"
        )
    for clock in own:
        if clock.name is ClockName.INDUCTION and clock.state is ClockState.RUNNING:
            left = "" if clock.left_s is None else f" for {duration_text(max(clock.left_s, 1.0))}"
            found.append(f"the mix must stand{left} before use (induction)")
            break
    return found
