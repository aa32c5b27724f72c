"""Every countdown of a section: which clocks its events start, and how each stands now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from rules.clocks.clock import (
    Clock,
    ClockState,
    TemperatureBounds,
    body_of,
    fixed_clock,
    join_words,
    length_s,
    run_clock,
)
from rules.clocks.history import TemperatureHistory, TemperatureOutlook
from rules.clocks.section_work import SectionWork, frame_of
from rules.clocks.work import Coat, Pot, work_of
from rules.events import Event
from rules.known import LEARN_S
from rules.rate import FloatArray, SafeSide
from rules.spec.model import Spec, TimeTable
from rules.text import duration_text
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


def film_clocks(bench: SectionWork) -> list[Clock]:
    """Clocks of the newest coat, and `cured` of another product that still cures under it."""
    coat = bench.work.newest
    if coat is None:
        return _tape_clocks(bench, None, None)
    clocks = _coat_clocks(bench, coat)
    for below in bench.work.coats[:-1]:
        spec = bench.spec_named(below.spec)
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


def _coat_clocks(bench: SectionWork, coat: Coat) -> list[Clock]:
    spec = bench.spec_named(coat.spec)
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
    clocks = []
    for name in _FILM_OPENS:
        table, words = spec.times.get(name), ""
        if name is ClockName.RECOAT_OPENS:
            table, words = recoat_table(spec, name, bench.default_spec)
        if table is None or name is ClockName.TAPE_NOT_BEFORE:
            continue
        frame = replace(frame_of(bench, name, spec.name, coat), basis=words)
        clocks.append(_opens(bench, frame, table, coat))
    clocks = [_advised(bench, clock, spec) for clock in clocks]
    closes = _recoat_closes(bench, spec, coat)
    if closes is not None:
        clocks.append(closes)
    return clocks + _tape_clocks(bench, spec, coat)


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


def _recoat_closes(bench: SectionWork, spec: Spec, coat: Coat) -> Clock | None:
    table, words = recoat_table(spec, ClockName.RECOAT_CLOSES, bench.default_spec)
    if table is None:
        return None
    frame = replace(frame_of(bench, ClockName.RECOAT_CLOSES, spec.name, coat), basis=words)
    if coat.started_s is None:
        return replace(frame, basis=join_words(words, _NEVER_STARTED), advice=_RECORD_START)
    clock = run_clock(frame, table, SafeSide.CLOSES, bench.warm, coat.started_s, bench.now_s)
    if clock.ended_at_s is None:
        return clock
    closed = clock.ended_at_s
    sanded = [s for s in bench.work.sanded_s if s >= closed]
    if sanded:
        # Abrading after the window closed gives the next coat its hold back; sanding before
        # that does not count, since the film went on curing under it.
        words = join_words(clock.basis, "sanded since, so coating over is open again")
        return replace(clock, basis=words, advice=spec.reminder)
    todo = spec.after_closes or "Sand to an even matt and wipe before the next coat"
    return replace(clock, advice=join_words(todo, spec.reminder), stops_coating=True)


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
            last = replace(last, advice=text)
        clocks.append(last)
    return clocks


def recoat_table(spec: Spec, name: ClockName, following: Spec) -> tuple[TimeTable | None, str]:
    """Return the recoat times that hold for what goes on next, and words that say so.

    Args:
        spec: of the film.
        name: `recoat opens` or `recoat closes`.
        following: spec of the next coat.

    Returns:
        The table, or None where the sheet gives none; and "before ... goes on" where the sheet
        tells them apart.

    Source:
        No source: the sheet's own figures, by spec name before family.
    """
    for key in (following.name, following.family):
        table = spec.recoat_by_next.get(key, {}).get(name)
        if table is not None:
            return table if table.rows else None, f"before {key} goes on"
    return spec.times.get(name), ""


MIX_ACCURACY_K = 1.0
"""Accuracy of a pot's temperature taken by hand; generic, no source [K]."""

KEEP_POT_S = 6 * 3600.0
"""A pot whose life has ended stays on the list for this long, then it is cold waste [s]."""


def pot_clocks(bench: SectionWork) -> list[Clock]:
    """Induction and life of every pot that is not yet waste."""
    clocks: list[Clock] = []
    for pot in bench.work.pots:
        if pot.ended_s is not None:
            continue
        spec = bench.spec_named(pot.spec)
        if spec is None:
            if bench.now_s - pot.mixed_s <= KEEP_POT_S:
                words = f"spec '{pot.spec}' is not among the specs given, so no clock runs"
                frame = _pot_frame(ClockName.POT_LIFE, str(pot.spec), pot)
                clocks.append(replace(frame, basis=words, advice="Correct the event"))
            continue
        life = _pot_life(bench, pot, spec)
        if life is not None and life.ended_at_s is not None:
            if bench.now_s - life.ended_at_s > KEEP_POT_S:
                continue
        elif life is None and bench.now_s - pot.mixed_s > KEEP_POT_S:
            continue
        clocks += [c for c in (_induction(bench, pot, spec), life) if c is not None]
    return clocks


def _pot_frame(name: ClockName, spec: str, pot: Pot) -> Clock:
    words = "".join(
        f"mix temperature in '{unit}' not understood, not counted" for unit in pot.odd_units[:1]
    )
    return Clock(name, pot.section, pot.batch, ClockState.UNKNOWN, basis=words, spec=spec)


def _induction(bench: SectionWork, pot: Pot, spec: Spec) -> Clock | None:
    table = spec.times.get(ClockName.INDUCTION)
    if table is None:
        return None
    frame = _pot_frame(ClockName.INDUCTION, spec.name, pot)
    body = _pot_body(bench, pot, SafeSide.OPENS)
    clock = run_clock(frame, table, SafeSide.OPENS, body, pot.mixed_s, bench.now_s)
    if clock.state is ClockState.RUNNING:
        clock = replace(clock, advice=join_words(clock.advice, "Let it stand before use"))
    return clock


def _pot_life(bench: SectionWork, pot: Pot, spec: Spec) -> Clock | None:
    table = spec.times.get(ClockName.POT_LIFE)
    if table is None:
        return None
    factor, words = pot_factor(spec, pot.amount_ml)
    frame = _pot_frame(ClockName.POT_LIFE, spec.name, pot)
    frame = replace(frame, basis=join_words(frame.basis, words))
    body = _pot_body(bench, pot, SafeSide.CLOSES)
    clock = run_clock(frame, table, SafeSide.CLOSES, body, pot.mixed_s, bench.now_s, factor)
    if clock.state is ClockState.ENDED:
        text = "Pot life over. Do not use or thin what is left."
        clock = replace(clock, advice=text)
    return clock


def _pot_body(bench: SectionWork, pot: Pot, lean: SafeSide) -> TemperatureBounds:
    """The pot's temperature: warmest, or coldest, of mix, air and surface.

    The accuracy of each is put on before they are compared, so none is added afterwards.
    """
    h = bench.history
    sign = -1.0 if lean is SafeSide.OPENS else 1.0
    worst = np.fmin if lean is SafeSide.OPENS else np.fmax
    surface = h.coldest_c if lean is SafeSide.OPENS else h.warmest_c
    if h.assumed_offset_k is not None:  # the pot stands in the air, and that is measured
        surface = np.full_like(surface, np.nan)
    air = h.air_coldest_c if lean is SafeSide.OPENS else h.air_warmest_c
    window = (h.time_s >= pot.mixed_s - 2.0 * LEARN_S) & (h.time_s <= bench.now_s)
    times = h.time_s[window]
    sides = []
    for side in (sign, -sign):
        temp = surface[window] + side * h.accuracy_k
        if air is not None:
            temp = worst(temp, air[window] + side * h.air_accuracy_k)
        if pot.temps:
            if not times.size:
                times = np.array([pot.mixed_s, *(t for t, _ in pot.temps)])
                temp = np.full(times.size, np.nan)
            temp = worst(temp, _held(pot.temps, times) + side * MIX_ACCURACY_K)
        sides.append((times, temp))
    (safe_t, safe), (other_t, other) = sides
    return TemperatureBounds(
        "pot",
        body_of("pot", lean, safe_t, safe, 0.0, h.max_gap_s, bench.now_s).safe,
        body_of("pot", lean, other_t, other, 0.0, h.max_gap_s, bench.now_s).other,
    )


def pot_factor(spec: Spec, amount_ml: float | None) -> tuple[float, str]:
    """Return what a pot's size does to its life, and words for it.

    Args:
        spec: with the sheet's pot sizes.
        amount_ml: volume mixed, or None where it was not recorded [mL].

    Returns:
        The factor on pot life [1], and words. An amount that was not recorded is taken for the
        sheet's own, on which its times rest; the words then warn of a larger pot.

    Source:
        The sheet's own figures: a bigger pot keeps its heat and lives shorter.
    """
    if amount_ml is None:
        larger = next((size for size in spec.pot_sizes if size.factor < 1.0), None)
        if larger is None:
            return 1.0, ""
        words = "amount not recorded, so the sheet's own time"
        return 1.0, f"{words}; from {larger.from_ml:g} mL on a pot sets sooner"
    factor = 1.0
    for size in spec.pot_sizes:
        if amount_ml >= size.from_ml:
            factor = size.factor
    words = "" if factor == 1.0 else f"{amount_ml:g} mL in one pot, {factor:g} of the sheet's time"
    return factor, words


def _held(temps: tuple[tuple[float, float], ...], times: FloatArray) -> FloatArray:
    """Hand measurements held until the next one, the first also before it."""
    at = np.searchsorted(np.array([t for t, _ in temps]), times, "right") - 1
    held: FloatArray = np.array([c for _, c in temps])[np.maximum(at, 0)]
    return held


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
) -> tuple[Clock, ...]:
    """Return every clock of a section, computed from its events and logged temperatures alone.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept, corrections among them.
        spec_of: specs by name, for films that were laid with another than the default.
        default_spec: that of the enclosure: of films whose events name none, and of the next
            coat, on which recoat times may depend.
        history: the section's temperatures since the earliest start; missing time is a gap.
        now_s: now; what is told of later does not count yet [s].
        outlook: what the surface will probably do, or None.

    Returns:
        The clocks: of the newest film, of pots, tape, wipe and clearance; first the running
        ones in the order of their ends, then waiting, ended and unknown ones.

    Raises:
        SpecFault: a spec's time table cannot be used.

    Source:
        What each clock does is the spec's; the law is checked against ASTM C1074 in tests/rules.
    """
    work = work_of(section, events, now_s)
    return clocks_on(SectionWork(section, work, spec_of, default_spec, history, now_s, outlook))


def clocks_on(bench: SectionWork) -> tuple[Clock, ...]:
    """Return every clock of a section that is laid out already, as `clocks_of` orders them."""
    clocks = [*film_clocks(bench), *pot_clocks(bench), *wipe_clock(bench), *clearance(bench)]
    return in_order(clocks)


def steps_beneath(bench: SectionWork, coat: Coat, ended_s: float) -> dict[ClockName, Clock]:
    """Return the clocks of the steps of a film that lies under another coat.

    Args:
        bench: the section's work.
        coat: the film.
        ended_s: when it was ended, or the coat over it begun [s].

    Returns:
        Those for which its sheet gives times; only `cured` where that has ended.
    """
    spec = bench.spec_named(coat.spec)
    found: dict[ClockName, Clock] = {}
    if spec is None:
        return found
    for name in (ClockName.CURED, *_STEPS_BEFORE_CURED):
        table = recoat_table(spec, name, bench.default_spec)[0]
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
    work = work_of(section, events, now_s)
    starts = [c.started_s if c.started_s is not None else c.ended_s for c in work.coats[-4:]]
    starts += [pot.mixed_s for pot in work.pots[-8:]]
    starts.append(work.wiped_s)
    known = [s for s in starts if s is not None]
    return min(known) - 2.0 * LEARN_S if known else None


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
            return f"Coat {clock.coat} is past its recoat window: {_lower(clock.advice)}"
    return ""


def _lower(words: str) -> str:
    """A sentence as it goes on after a colon."""
    return words[:1].lower() + words[1:]


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
    for clock in clocks:
        if clock.name is not ClockName.CURED or clock.state is ClockState.ENDED:
            continue
        where = f"{clock.section}: " if clock.section else ""
        if clock.state is ClockState.UNKNOWN:
            return f"{where}it is not known whether coat {clock.coat} has cured: {clock.basis}"
        left = (
            ""
            if clock.left_s is None
            else f", {duration_text(clock.left_s)} left at this temperature"
        )
        return (
            f"{where}coat {clock.coat} has not cured{left}: water or load on it now may blister, "
            "mark or lift it"
        )
    return ""


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
