"""Every countdown of a section: which clocks its events start, and how each stands now."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from rules.clocks.clock import (
    Clock,
    ClockState,
    fixed_clock,
    join_words,
    length_s,
    run_clock,
)
from rules.clocks.history import TemperatureHistory, TemperatureOutlook
from rules.clocks.pots import next_spec, pot_clocks
from rules.clocks.section_work import SectionWork, frame_of
from rules.clocks.work import Coat, work_of
from rules.events import Event
from rules.known import LEARN_S
from rules.rate import SafeSide
from rules.spec.model import Spec, TimeTable
from rules.text import duration_text
from rules.units import DAY_S
from rules.vocabulary import ClockName, Method

_FILM_OPENS = (
    ClockName.FLASH,
    ClockName.TOUCH_DRY,
    ClockName.RECOAT_OPENS,
    ClockName.TAPE_NOT_BEFORE,
    ClockName.SAND,
    ClockName.HANDLE,
    ClockName.CURED,
)
_STEPS_BEFORE_CURED = (ClockName.TOUCH_DRY, ClockName.RECOAT_OPENS, ClockName.HANDLE)
_NEVER_ENDED = "coat-ended was never recorded, so this clock does not run"
_NEVER_STARTED = "coat-started was never recorded, so this clock does not run"
_RECORD_END = "Record it: filmcall event coat-ended --at TIME"
_RECORD_START = "Record it: filmcall event coat-started --at TIME"


def film_clocks(bench: SectionWork, following: Spec) -> list[Clock]:
    """Clocks of the newest coat, and `cured` of another product that still cures under it.

    Args:
        bench: the section's work.
        following: spec of the next coat, on which recoat times may depend.
    """
    coat = bench.work.newest
    if coat is None:
        return _tape_clocks(bench, None, None)
    clocks = _coat_clocks(bench, coat, following)
    for below in bench.work.coats[:-1]:
        spec = bench.spec_laid(below)
        # Of the same product the newer coat always cures last: nothing to add.
        if below.spec == coat.spec or spec is None or below.ended_s is None:
            continue
        table = spec.times.get(ClockName.CURED)
        if table is None:
            continue
        frame = frame_of(bench, ClockName.CURED, spec.name, below, buried=True)
        clock = run_clock(frame, table, SafeSide.OPENS, bench.cold, below.ended_s, bench.now_s)
        if clock.state is ClockState.RUNNING:
            clocks.append(replace(clock, basis=join_words(clock.basis, "under the new coat")))
    return clocks


def _coat_clocks(bench: SectionWork, coat: Coat, following: Spec) -> list[Clock]:
    spec = bench.spec_laid(coat)
    if spec is None or not spec.times:
        name = coat.spec if spec is None else spec.name
        missing = (
            f"spec '{name}' is not among the specs given, so this clock does not run"
            if spec is None
            else f"spec '{name}' gives no times, so this clock does not run"
        )
        names = (
            ClockName.TOUCH_DRY,
            ClockName.RECOAT_OPENS,
            ClockName.RECOAT_CLOSES,
            ClockName.CURED,
        )
        return [
            replace(
                frame_of(bench, clock, str(name), coat),
                basis=missing,
                advice="Put its file back, or correct the event"
                if spec is None
                else "Give the coating's own spec with the event",
            )
            for clock in names
        ]
    wet = _wet_on_wet(bench, spec, coat, following)
    clocks = [] if wet is None else [wet]
    for name in _FILM_OPENS:
        table, frame = spec.times.get(name), frame_of(bench, name, spec.name, coat)
        if name is ClockName.RECOAT_OPENS:
            table, frame = recoat_table(spec, name, following), _before(frame, spec, following)
            if wet is not None:
                continue  # it may be coated now; from when again counts once it may not
        if table is None or name is ClockName.TAPE_NOT_BEFORE:
            continue
        clocks.append(_opens(bench, frame, table, coat))
    clocks = [_advised(bench, clock, spec) for clock in clocks]
    closes = _recoat_closes(bench, spec, coat, following)
    if closes is not None:
        clocks.append(closes)
    return clocks + _launch_clocks(bench, spec, coat) + _tape_clocks(bench, spec, coat)


def _before(frame: Clock, spec: Spec, following: Spec) -> Clock:
    """A recoat window with the paint that it is for, where the sheet tells paints apart."""
    return replace(frame, next_spec=following.name) if spec.recoat_by_next else frame


def _wet_on_wet(bench: SectionWork, spec: Spec, coat: Coat, following: Spec) -> Clock | None:
    """The first of two windows while it is open, or None."""
    if coat.started_s is None:
        return None
    wet_s = wet_on_wet_s(spec, following)
    if wet_s is None or bench.now_s - coat.started_s > wet_s:
        return None
    frame = _before(frame_of(bench, ClockName.WET_ON_WET, spec.name, coat), spec, following)
    words = "the next coat may go on until then, and after it not before the recoat window opens"
    return fixed_clock(frame, coat.started_s, wet_s, bench.now_s, words)


def _opens(bench: SectionWork, frame: Clock, table: TimeTable, coat: Coat) -> Clock:
    if coat.ended_s is not None:
        return _run_once(bench, frame, table, coat.ended_s)
    if coat.session_ended_s is not None or coat.forgotten(bench.now_s):
        return replace(frame, basis=join_words(frame.basis, _NEVER_ENDED), advice=_RECORD_END)
    return replace(
        frame,
        state=ClockState.WAITING,
        left_s=length_s(table, SafeSide.OPENS, bench.cold, bench.now_s),
        basis=join_words(frame.basis, "starts when the coat is recorded as ended", bench.cold.note),
    )


def _run_once(bench: SectionWork, frame: Clock, table: TimeTable, start_s: float) -> Clock:
    """Run an opens clock; one that has ended is not run again, however old its film grows."""
    known = bench.ended.get((frame, start_s))
    if known is not None:
        return known
    clock = run_clock(frame, table, SafeSide.OPENS, bench.cold, start_s, bench.now_s)
    if clock.state is ClockState.ENDED:
        bench.ended[frame, start_s] = clock
    return clock


def _advised(bench: SectionWork, clock: Clock, spec: Spec) -> Clock:
    if clock.name is not ClockName.CURED:
        return clock
    if clock.state is ClockState.ENDED:
        return replace(clock, advice=spec.reminder)
    launched = bench.work.back_in_service_s
    if launched is None:
        return clock
    return replace(
        clock,
        basis=join_words(clock.basis, "the film's temperature is not known in service"),
        advice="Back in service before it had cured: expect marks, blisters or poor hold",
    )


def _recoat_closes(bench: SectionWork, spec: Spec, coat: Coat, following: Spec) -> Clock | None:
    table = recoat_table(spec, ClockName.RECOAT_CLOSES, following)
    if table is None:
        return None
    frame = _before(frame_of(bench, ClockName.RECOAT_CLOSES, spec.name, coat), spec, following)
    if coat.started_s is None:
        return replace(frame, basis=_NEVER_STARTED, advice=_RECORD_START)
    clock = run_clock(frame, table, SafeSide.CLOSES, bench.warm, coat.started_s, bench.now_s)
    if clock.ended_at_s is None:
        return clock
    until_s = key_until_s(spec, coat.started_s, bench.work.sanded_s, bench.now_s)
    if until_s is not None:
        words = f"sanded, and its key is open for another {duration_text(until_s - bench.now_s)}"
        return replace(clock, basis=join_words(clock.basis, words), advice=spec.reminder)
    if _past_sanding(spec, coat.started_s, bench.now_s):
        todo = "Too old to be sanded and coated: take it off"
    else:
        todo = spec.after_closes or "Sand to an even matt and wipe before the next coat"
    since = [s for s in bench.work.sanded_s if s >= coat.started_s]
    if since:
        over_s = bench.now_s - max(since) - spec.overcoat.sanded_key_s
        words = f"its sanded key has been over for {duration_text(max(over_s, 0.0))}"
        clock = replace(clock, basis=join_words(clock.basis, words))
    return replace(clock, advice=join_words(todo, spec.reminder), stops_coating=True)


def key_until_s(
    spec: Spec, begun_s: float | None, sanded_s: Iterable[float], now_s: float
) -> float | None:
    """Return until when a sanded ground takes the next coat though the window has closed.

    Args:
        spec: of the coat that was sanded.
        begun_s: when that coat was begun; sanding from before it is of no use, or None [s].
        sanded_s: when it was sanded [s].
        now_s: now [s].

    Returns:
        The end of the last key, or None where none is open: nobody sanded, it was too long ago, or
        the sheet says that so old a coat must come off [s].

    Source:
        Common practice, no source: a cut surface takes a coat for a day, two at most, then it is
        dirty and dead again.
    """
    if begun_s is not None and _past_sanding(spec, begun_s, now_s):
        return None
    cut = [s for s in sanded_s if (begun_s is None or s >= begun_s) and s <= now_s]
    until_s = max(cut, default=-np.inf) + spec.overcoat.sanded_key_s
    return until_s if until_s >= now_s else None


def _past_sanding(spec: Spec, begun_s: float, now_s: float) -> bool:
    abraded_s = spec.overcoat.abraded_s
    return abraded_s is not None and now_s - begun_s > abraded_s


def _launch_clocks(bench: SectionWork, spec: Spec, coat: Coat) -> list[Clock]:
    """When the work may go into the water, and by when, from the last coat's end."""
    if bench.work.back_in_service_s is not None:
        return []
    launch = spec.launch
    clocks = []
    if launch.not_before is not None:
        frame = frame_of(bench, ClockName.LAUNCH_NOT_BEFORE, spec.name, coat)
        clocks.append(_opens(bench, frame, launch.not_before, coat))
    if launch.not_after_s is not None:
        frame = frame_of(bench, ClockName.LAUNCH_NOT_AFTER, spec.name, coat)
        if coat.ended_s is None:
            words = "starts when the coat is recorded as ended"
            clocks.append(
                replace(frame, state=ClockState.WAITING, left_s=launch.not_after_s, basis=words)
            )
        else:
            words = f"{duration_text(launch.not_after_s)} from the coat's end, however warm"
            clocks.append(fixed_clock(frame, coat.ended_s, launch.not_after_s, bench.now_s, words))
    return clocks


def _tape_clocks(bench: SectionWork, spec: Spec | None, coat: Coat | None) -> list[Clock]:
    """Both bounds of the tape that is still on; days on the surface count from tape-on."""
    on_s, off_s = bench.work.tape_on_s, bench.work.tape_off_s
    began = None
    if coat is not None:
        began = coat.started_s if coat.started_s is not None else coat.ended_s
    if on_s is None and (began is None or (off_s is not None and off_s >= began)):
        return []
    spec = spec or bench.default_spec
    clocks: list[Clock] = []
    table = spec.times.get(ClockName.TAPE_NOT_BEFORE)
    if table is not None and coat is not None:
        frame = frame_of(bench, ClockName.TAPE_NOT_BEFORE, spec.name, coat)
        clocks.append(_opens(bench, frame, table, coat))
    bounds: list[Clock] = []
    frame = frame_of(bench, ClockName.TAPE_NOT_AFTER, spec.name, coat)
    table = spec.times.get(ClockName.TAPE_NOT_AFTER)
    if table is not None and coat is not None:
        if coat.started_s is None:
            bounds.append(replace(frame, basis=_NEVER_STARTED, advice=_RECORD_START))
        else:
            bounds.append(
                run_clock(frame, table, SafeSide.CLOSES, bench.warm, coat.started_s, bench.now_s)
            )
    days = spec.tape_not_after_s
    if days is not None:
        words = f"{duration_text(days)} on the surface, however warm"
        if on_s is not None:
            bounds.append(
                fixed_clock(frame, on_s, days, bench.now_s, f"{words}, counted from tape-on")
            )
        elif bounds:
            note = f"{words}, not counted: tape-on was never recorded"
            bounds = [replace(b, basis=join_words(b.basis, note)) for b in bounds]
        else:
            note = f"{words}, but tape-on was never recorded, so this clock does not run"
            bounds.append(
                replace(frame, basis=note, advice="Record it: filmcall event tape-on --at TIME")
            )
    running = [b for b in bounds if b.ends_at_s is not None]
    last = min(running, key=lambda b: b.ends_at_s or 0.0) if running else None
    if last is None and bounds:
        last = bounds[0]
    if last is not None:
        if last.state is ClockState.ENDED:
            text = "Tape past its time: pull it slowly, and expect glue left behind or torn edges"
            if on_s is None:
                text = f"No tape-on was recorded; if tape is on: {text[:1].lower()}{text[1:]}"
            last = replace(last, advice=text)
        clocks.append(last)
    return clocks


def recoat_table(spec: Spec, name: ClockName, following: Spec) -> TimeTable | None:
    """Return the recoat times that hold for what goes on next, or None where the sheet has none.

    Args:
        spec: of the film.
        name: `recoat opens` or `recoat closes`.
        following: spec of the next coat.

    Source:
        No source: the sheet's own figures, by spec name before family.
    """
    table = _told_apart(spec, name, following)
    if table is None:
        return spec.times.get(name)
    return table if table.rows else None


def _told_apart(spec: Spec, name: ClockName, following: Spec) -> TimeTable | None:
    """The times before this next coat alone, or None; without a row where the sheet has none."""
    tables = (spec.recoat_by_next.get(key, {}) for key in (following.name, following.family))
    return next((each[name] for each in tables if name in each), None)


def wet_on_wet_s(spec: Spec, following: Spec) -> float | None:
    """Return how long from its start a film takes the next coat at once, or None [s].

    Where the sheet has a window of its own for what goes on next, that one counts.

    Args:
        spec: of the film.
        following: spec of the next coat.
    """
    named = _told_apart(spec, ClockName.RECOAT_OPENS, following)
    return spec.overcoat.wet_on_wet_s if named is None else None


KEEP_CLEARED_S = 6 * 3600.0
"""A clearance that is over stays on the list for this long [s]."""

_USER_LENGTH = "your own figure from your own test"
_BREATHING = (
    "Until then nobody in without the mask that the safety data sheet asks for; no vapour is "
    "measured here"
)


def clocks_of(
    section: str | None,
    events: Iterable[Event],
    spec_of: Mapping[str, Spec],
    default_spec: Spec,
    history: TemperatureHistory,
    now_s: float,
    outlook: TemperatureOutlook | None = None,
    over: Spec | None = None,
) -> tuple[Clock, ...]:
    """Return every clock of a section, computed from its events and logged temperatures alone.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept, corrections among them.
        spec_of: specs by name, for films that were laid with another than the default.
        default_spec: that of the enclosure: of films whose events name none, and of the next coat
            where nothing is mixed; recoat times may depend on it.
        history: the section's temperatures since the earliest start; missing time is a gap.
        now_s: now; what is told of later does not count yet [s].
        outlook: what the surface will probably do, or None.
        over: spec of the coat that is being begun, or None for what comes next.

    Returns:
        The clocks: of the newest film, of pots, tape, wipe and clearance; first the running
        ones in the order of their ends, then waiting, ended and unknown ones.

    Raises:
        SpecFault: a spec's time table cannot be used.

    Source:
        What each clock does is the spec's; the law is checked against ASTM C1074 in tests/rules.
    """
    work = work_of(section, events, now_s)
    bench = SectionWork(section, work, spec_of, default_spec, history, now_s, outlook, over=over)
    return clocks_on(bench)


def clocks_on(bench: SectionWork) -> tuple[Clock, ...]:
    """Return every clock of a section that is laid out already, as `clocks_of` orders them."""
    pots = pot_clocks(bench)
    films = film_clocks(bench, next_spec(bench, pots))
    return in_order([*films, *pots, *wipe_clock(bench), *clearance(bench)])


def steps_beneath(bench: SectionWork, coat: Coat, ended_s: float) -> dict[ClockName, Clock]:
    """Return the clocks of the steps of a film that lies under another coat.

    Args:
        bench: the section's work.
        coat: the film.
        ended_s: when it was ended, or the coat over it begun [s].

    Returns:
        Those for which its sheet gives times; only `cured` where that has ended.
    """
    spec = bench.spec_laid(coat)
    found: dict[ClockName, Clock] = {}
    if spec is None:
        return found
    for name in (ClockName.CURED, *_STEPS_BEFORE_CURED):
        table = recoat_table(spec, name, bench.default_spec)
        if table is None:
            continue
        frame = frame_of(bench, name, spec.name, coat, buried=True)
        found[name] = _run_once(bench, frame, table, ended_s)
        if name is ClockName.CURED and found[name].state is ClockState.ENDED:
            break
    return found


def in_order(clocks: Iterable[Clock]) -> tuple[Clock, ...]:
    """Return clocks with the next to end first, then waiting, ended and unknown ones."""
    rank = {
        ClockState.RUNNING: 0,
        ClockState.WAITING: 1,
        ClockState.ENDED: 2,
        ClockState.UNKNOWN: 3,
    }
    far = float("inf")
    return tuple(
        sorted(clocks, key=lambda c: (rank[c.state], far if c.ends_at_s is None else c.ends_at_s))
    )


def merge_clocks(clocks_by_section: Iterable[Iterable[Clock]]) -> tuple[Clock, ...]:
    """Join the clocks of several sections; what they share (pot, clearance) comes once.

    Args:
        clocks_by_section: the clocks of each.

    Returns:
        All of them in order. Of a shared pot the section counts that is worst for it: the
        soonest end of its life, the latest of its induction.

    Source:
        No source: leaning to the safe side.
    """
    kept: dict[tuple[object, ...], Clock] = {}
    far = float("inf")
    for clock in (c for clocks in clocks_by_section for c in clocks):
        key = (clock.name, clock.section, clock.batch, clock.started_s, clock.coat, clock.buried)
        known = kept.get(key)
        if known is None:
            kept[key] = clock
            continue
        old = far if known.ends_at_s is None else known.ends_at_s
        new = far if clock.ends_at_s is None else clock.ends_at_s
        if new > old if clock.name is ClockName.INDUCTION else new < old:
            kept[key] = clock
    return in_order(kept.values())


def history_wanted_from_s(
    section: str | None, events: Iterable[Event], now_s: float
) -> float | None:
    """Return from when on a section's clocks need temperatures, or None where nothing runs.

    Args:
        section: its name, or None.
        events: all of the enclosure's events.
        now_s: now [s].

    Returns:
        Two days before the earliest start of a coat, pot or wipe that still matters: a gap that
        runs into it begins up to a day before, and is judged by the day before that [s].

    Source:
        No source: bookkeeping.
    """
    known = _starts_s(section, events, now_s)
    return min(known) - 2.0 * LEARN_S if known else None


def history_ends_s(section: str | None, events: Iterable[Event], now_s: float) -> Iterator[float]:
    """Yield until when to read the temperatures of a section, until its clocks are `settled`.

    Args:
        section: its name, or None.
        events: all of the enclosure's events.
        now_s: now, which comes last [s].

    Source:
        No source: bookkeeping. Most films have cured ten days after the last of them was laid.
    """
    newest_s = max(_starts_s(section, events, now_s), default=now_s)
    after_s = 10.0 * DAY_S
    while newest_s + after_s < now_s:
        yield newest_s + after_s
        after_s *= 2.0
    yield now_s


def settled(clocks: Iterable[Clock], history: TemperatureHistory) -> bool:
    """Return whether no temperature after a history can change any of its clocks.

    So it is where each has ended while every temperature was still known.
    """
    columns = (history.coldest_c, history.air_coldest_c)
    known = [np.flatnonzero(np.isfinite(each)) for each in columns if each is not None]
    lasts_s = [float(history.time_s[each[-1]]) for each in known if each.size]
    last_s = min(lasts_s, default=-math.inf) - history.max_gap_s
    return all(
        clock.state is ClockState.ENDED
        and clock.ended_at_s is not None
        and clock.ended_at_s <= last_s
        for clock in clocks
    )


def _starts_s(section: str | None, events: Iterable[Event], now_s: float) -> list[float]:
    work = work_of(section, events, now_s)
    starts = [c.started_s if c.started_s is not None else c.ended_s for c in work.coats[-4:]]
    starts += [pot.mixed_s for pot in work.pots[-8:]]
    starts.append(work.wiped_s)
    return [start_s for start_s in starts if start_s is not None]


def coating_over_forbidden(clocks: Iterable[Clock]) -> str:
    """Return why coating over must be STOP now, or "" where the recoat window does not forbid it.

    Args:
        clocks: as `clocks_of` gives them.

    Returns:
        One sentence with what to do, or "".

    Source:
        No source: wording.
    """
    for clock in clocks:
        if clock.stops_coating:
            whose = f" for {clock.next_spec}" if clock.next_spec else ""
            return f"Coat {clock.coat} is past its recoat window{whose}: {_lower(clock.advice)}"
    return ""


def _lower(words: str) -> str:
    """A sentence as it goes on after a colon."""
    return words[:1].lower() + words[1:]


def wipe_clock(bench: SectionWork) -> list[Clock]:
    """The drying of the last wipe, for the coat that comes next."""
    wiped = bench.work.wiped_s
    spec = bench.spec_named(bench.work.wiped_spec)
    if wiped is None or spec is None:
        return []
    table = spec.times.get(ClockName.WIPE_DRY)
    if table is None:
        return []
    frame = frame_of(bench, ClockName.WIPE_DRY, spec.name, None)
    return [run_clock(frame, table, SafeSide.OPENS, bench.cold, wiped, bench.now_s)]


def clearance(bench: SectionWork) -> list[Clock]:
    """How long the air wants clearing, by the user's own figure and never another."""
    work = bench.work
    frame = Clock(ClockName.CLEARANCE, None, None, ClockState.UNKNOWN)
    if work.air_coat_ended_s is None and not work.air_coat_open:
        return []
    if work.clearance_s is None:
        if not work.clearance_fault and work.air_method is not Method.GUN:
            return []
        words = work.clearance_fault or (
            "no time entered, so this clock does not run; no program can work it out"
        )
        enter = "filmcall event measured --what clearance --value MINUTES --unit min"
        return [replace(frame, basis=words, advice=f"Enter your own test's figure: {enter}")]
    words = f"{duration_text(work.clearance_s)}, {_USER_LENGTH}"
    if work.air_coat_open or work.air_coat_ended_s is None:
        return [
            replace(
                frame,
                state=ClockState.WAITING,
                left_s=work.clearance_s,
                basis=join_words(words, "starts when the coat is recorded as ended"),
                advice=_BREATHING,
            )
        ]
    clock = fixed_clock(frame, work.air_coat_ended_s, work.clearance_s, bench.now_s, words)
    if clock.state is ClockState.RUNNING:
        return [replace(clock, advice=_BREATHING)]
    over_s = bench.now_s - work.air_coat_ended_s - work.clearance_s
    return [clock] if over_s <= KEEP_CLEARED_S else []
