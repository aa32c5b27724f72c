"""The clocks of mixed paint: how long it must stand, and how long it lives in its pot."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from rules.clocks.clock import (
    Clock,
    ClockState,
    TemperatureBounds,
    body_of,
    join_words,
    run_clock,
)
from rules.clocks.section_work import SectionWork
from rules.clocks.work import Pot, Work
from rules.known import LEARN_S, TEMPERATURE, with_silences
from rules.rate import FloatArray, SafeSide
from rules.spec.model import Spec
from rules.vocabulary import ClockName

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
        spec = bench.spec_mixed(pot)
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


KEEP_MIX_S = 6 * 3600.0
"""A mix whose pot life no sheet gives counts as waiting to be used for this long [s]."""


def waiting_pots(work: Work, clocks: Iterable[Clock]) -> list[tuple[Pot, Clock | None]]:
    """Return every pot from which nothing is laid on a section yet, oldest first.

    Args:
        work: what was done to the section.
        clocks: of the pots, others may be among them.

    Returns:
        Each with the clock of its life, or None where it has none.
    """
    used_s = None if work.newest is None else work.newest.done_s
    lives = {c.started_s: c for c in clocks if c.name is ClockName.POT_LIFE}
    return [
        (pot, lives.get(pot.mixed_s))
        for pot in work.pots
        if pot.ended_s is None and (used_s is None or pot.mixed_s > used_s)
    ]


def is_alive(pot: Pot, life: Clock | None, now_s: float) -> bool:
    """Return whether a pot may still be used, by the clock of its life [s]."""
    if life is None or life.state is ClockState.UNKNOWN:
        return now_s - pot.mixed_s <= KEEP_MIX_S
    return life.state is not ClockState.ENDED


def next_spec(bench: SectionWork, clocks: Iterable[Clock]) -> Spec:
    """Return the spec of the next coat: of the one asked about, of the mix in hand, the default.

    Args:
        bench: the section's work.
        clocks: of its pots.
    """
    if bench.over is not None:
        return bench.over
    waiting = waiting_pots(bench.work, clocks)
    alive = [pot for pot, life in waiting if is_alive(pot, life, bench.now_s)]
    return (bench.spec_named(alive[-1].spec) if alive else None) or bench.default_spec


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
    frame = replace(frame, basis=join_words(frame.basis, words, _by_method(bench, pot)))
    body = _pot_body(bench, pot, SafeSide.CLOSES)
    clock = run_clock(frame, table, SafeSide.CLOSES, body, pot.mixed_s, bench.now_s, factor)
    if clock.state is ClockState.ENDED:
        text = "Pot life over. Do not use or thin what is left."
        clock = replace(clock, advice=text)
    return clock


def _by_method(bench: SectionWork, pot: Pot) -> str:
    """What a pot's life hangs on that nobody recorded, or ""."""
    spec = bench.spec_named(pot.spec)
    if spec is None or pot.method is not None or bench.coat_of(pot) is not None:
        return ""
    methods = [c.method for c in spec.when if c.method and ClockName.POT_LIFE in c.times]
    if not methods:
        return ""
    return f"method not recorded, and by {methods[0]} the sheet has another time"


def _pot_body(bench: SectionWork, pot: Pot, lean: SafeSide) -> TemperatureBounds:
    """The pot's temperature: warmest, or coldest, of mix, air and surface.

    The accuracy of each is put on before they are compared, so none is added afterwards. Where one
    of air and surface is silent, what is known of it counts, as for several probes of one kind.
    """
    h = bench.history
    opens = lean is SafeSide.OPENS
    sign, worst = (-1.0, np.fmin) if opens else (1.0, np.fmax)
    window = (h.time_s >= pot.mixed_s - 2.0 * LEARN_S) & (h.time_s <= bench.now_s)
    times = h.time_s[window]
    ends = []
    for surface, air in ((h.coldest_c, h.air_coldest_c), (h.warmest_c, h.air_warmest_c)):
        if h.assumed_offset_k is not None:  # the pot stands in the air, and that is measured
            surface = np.full_like(surface, np.nan)
        both = surface, np.full_like(surface, np.nan) if air is None else air
        ends.append(np.column_stack([each[window] for each in both]))
    low_c, high_c = with_silences(times, ends[0], ends[1], TEMPERATURE)
    surface_c, air_c = (low_c if opens else high_c).T
    sides = []
    for side in (sign, -sign):
        temp = worst(surface_c + side * h.accuracy_k, air_c + side * h.air_accuracy_k)
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
        silent=h.air_silent if h.assumed_offset_k is not None else (*h.silent, *h.air_silent),
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
