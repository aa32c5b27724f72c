"""The clocks of a film and of the tape at its edge, from the coats that the events tell of."""

from __future__ import annotations

from dataclasses import replace

from rules.clocks.bench import Bench, frame_of
from rules.clocks.clock import (
    Clock,
    ClockState,
    fixed_clock,
    join_words,
    length_s,
    run_clock,
    spoken,
)
from rules.clocks.work import Coat
from rules.rate import Lean
from rules.spec.model import Spec, TimeTable
from rules.vocabulary import ClockName

_FILM_OPENS = (
    ClockName.FLASH,
    ClockName.TOUCH_DRY,
    ClockName.RECOAT_OPENS,
    ClockName.TAPE_NOT_BEFORE,
    ClockName.SAND,
    ClockName.HANDLE,
    ClockName.CURED,
)
_NEVER_ENDED = "coat-ended was never recorded, so this clock does not run"
_NEVER_STARTED = "coat-started was never recorded, so this clock does not run"
_RECORD_END = "record it: filmcall event coat-ended --at TIME"
_RECORD_START = "record it: filmcall event coat-started --at TIME"


def film_clocks(bench: Bench) -> list[Clock]:
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
        clock = run_clock(frame, table, Lean.OPENS, bench.cold, below.ended_s, bench.now_s)
        if clock.state is ClockState.RUNNING:
            clocks.append(replace(clock, basis=join_words(clock.basis, "under the new coat")))
    return clocks


def _coat_clocks(bench: Bench, coat: Coat) -> list[Clock]:
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
                advice="put its file back, or correct the event"
                if spec is None
                else "name the coating's own spec with the event",
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


def _opens(bench: Bench, frame: Clock, table: TimeTable, coat: Coat) -> Clock:
    if coat.ended_s is not None:
        return run_clock(frame, table, Lean.OPENS, bench.cold, coat.ended_s, bench.now_s)
    if coat.session_ended_s is not None:
        return replace(frame, basis=join_words(frame.basis, _NEVER_ENDED), advice=_RECORD_END)
    return replace(
        frame,
        state=ClockState.WAITING,
        left_s=length_s(table, Lean.OPENS, bench.cold, bench.now_s),
        basis=join_words(frame.basis, "starts when the coat is ended", bench.cold.note),
    )


def _advised(bench: Bench, clock: Clock, spec: Spec) -> Clock:
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
        advice="back in service before the film had cured: expect marks, blisters or poor hold",
    )


def _recoat_closes(bench: Bench, spec: Spec, coat: Coat) -> Clock | None:
    table, words = recoat_table(spec, ClockName.RECOAT_CLOSES, bench.default_spec)
    if table is None:
        return None
    frame = replace(frame_of(bench, ClockName.RECOAT_CLOSES, spec.name, coat), basis=words)
    if coat.started_s is None:
        return replace(frame, basis=join_words(words, _NEVER_STARTED), advice=_RECORD_START)
    clock = run_clock(frame, table, Lean.CLOSES, bench.warm, coat.started_s, bench.now_s)
    if clock.ended_at_s is None:
        return clock
    closed = clock.ended_at_s
    sanded = [s for s in bench.work.sanded_s if s >= closed]
    if sanded:
        # Abrading after the window closed gives the next coat its hold back; sanding before
        # that does not count, since the film went on curing under it.
        words = join_words(clock.basis, "sanded since, so coating over is open again")
        return replace(clock, basis=words, advice=spec.reminder)
    todo = spec.after_closes or "abrade and wipe before the next coat"
    return replace(clock, advice=join_words(todo, spec.reminder), stops_coating=True)


def _tape_clocks(bench: Bench, spec: Spec | None, coat: Coat | None) -> list[Clock]:
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
                run_clock(frame, table, Lean.CLOSES, bench.warm, coat.started_s, bench.now_s)
            )
    days = spec.tape_not_after_s
    if days is not None:
        words = f"{spoken(days)} on the surface, however warm"
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
                replace(frame, basis=note, advice="record it: filmcall event tape-on --at TIME")
            )
    running = [b for b in bounds if b.ends_at_s is not None]
    last = min(running, key=lambda b: b.ends_at_s or 0.0) if running else None
    if last is None and bounds:
        last = bounds[0]
    if last is not None:
        if last.state is ClockState.ENDED:
            text = "the tape is past its time: take it off slowly; expect residue or tears"
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
            return table, f"before {key} goes on"
    return spec.times.get(name), ""
