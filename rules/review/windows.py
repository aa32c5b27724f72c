"""When something was to be done to a coat, and when it was: recoat over it, pots, induction, tape.

Takes events and logged temperatures; hands a coat's `Window`s to `coats`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from rules.clocks.all_clocks import key_until_s, recoat_table, wet_on_wet_s
from rules.clocks.history import TemperatureHistory, course_of
from rules.clocks.pots import KEEP_POT_S, pot_factor
from rules.clocks.progress import Progress, progress
from rules.clocks.work import Pot, PotUse
from rules.events import Event
from rules.rate import FloatArray, SafeSide, rate_law
from rules.spec.model import Spec, TimeTable
from rules.units import DAY_S, HOUR_S
from rules.vocabulary import ClockName, EventKind

STANDARD_C = 20.0
"""At which data sheets mostly give a pot life; common practice, no source [°C]."""

STILL_FLOWS_S = 2.0 * HOUR_S
"""Tape pulled so soon comes off a film that still flows; common practice, no source [s]."""

_LOOK_FURTHER_S = 3.0 * DAY_S  # so that "too early" can say by how much


class WindowOutcome(StrEnum):
    """How a time window was kept."""

    KEPT = "kept"
    EARLY = "too early"
    LATE = "too late"
    LATE_BUT_SANDED = "late, but abraded first"
    CLOSE = "too close to tell"  # the sensors' accuracy decides it
    UNKNOWN = "not known"


class WindowName(StrEnum):
    """What a window is about."""

    RECOAT = "recoat"
    POT_LIFE = "pot life"
    INDUCTION = "induction"
    TAPE = "tape"


@dataclass(frozen=True, slots=True)
class Window:
    """A time between which something was to be done, and when it was.

    Attributes:
        name: what it is about.
        coat: number of the coat that it belongs to; for recoat, of the coat laid over.
        kept: how it was kept.
        opens_s: not before, by the best estimate, or None [s].
        closes_s: not after, by the best estimate, or None [s].
        done_s: when it was done, or until when it was not [s].
        missed_s: by how much, 0 where kept [s].
        length_s: the bound's own length, that `missed_s` compares with, or None [s].
        why: in words, where it is not known, or kept for another reason than the sheet's time.
        kept_at_20_c: of a pot: it would have been kept at 20 °C, so that heat shortened it.
        early_s: by how much it was done too early: likeliest, least and most [s].
        late_s: too late [s].
        sure_s: where the sensors' accuracy decides it: the bound on the safe side, or None [s].
        undone: nobody has done it: the tape is still on.
        over: of recoat: what the film beneath went through that nobody dealt with, or "".
    """

    name: WindowName
    coat: int
    kept: WindowOutcome
    opens_s: float | None
    closes_s: float | None
    done_s: float | None
    missed_s: float = 0.0
    length_s: float | None = None
    why: str = ""
    kept_at_20_c: bool = False
    early_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    late_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    sure_s: float | None = None
    undone: bool = False
    over: str = ""

    def missed_by(self, *, early: bool) -> tuple[float, float, float]:
        """Return by how much it was missed on one side: likeliest, least and most [s]."""
        return self.early_s if early else self.late_s


class Bounds(NamedTuple):
    """When a step was over; None where not before the end of what was asked.

    Attributes:
        best: by the best estimate [s].
        safe: on the safe side [s].
        other: on the other side [s].
    """

    best: float | None
    safe: float | None
    other: float | None

    def early_by(self, done_s: float, far_s: float) -> tuple[float, float, float]:
        """Return by how much a thing was done before this: likeliest, least and most [s]."""
        best, safe, other = (max(0.0, (far_s if at is None else at) - done_s) for at in self)
        return best, min(best, other), max(best, safe)

    def late_by(self, done_s: float) -> tuple[float, float, float]:
        """Return by how much a thing was done after this: likeliest, least and most [s]."""
        best, safe, other = (0.0 if at is None else max(0.0, done_s - at) for at in self)
        return best, min(best, other), max(best, safe)


NEVER = Bounds(None, None, None)


_FIRST_LOOK_S = 10.0 * DAY_S


def came_of(
    table: TimeTable,
    lean: SafeSide,
    history: TemperatureHistory,
    start_s: float,
    until_s: float,
    side: float,
    factor: float = 1.0,
    temp_c: FloatArray | None = None,
) -> Progress:
    """How far a step came.

    Side -1 and 1 lean by the accuracy, and in gaps to the edge of that side; 0 takes no accuracy,
    and in gaps the edge at which nobody would be blamed for what was not measured.
    """
    series = history.coldest_c if lean is SafeSide.OPENS else history.warmest_c
    if temp_c is not None:
        series = temp_c
    upper = side > 0.0 or (side == 0.0 and lean is SafeSide.OPENS)
    shift_k = side * history.accuracy_k
    law, after_s = rate_law(table, lean, factor), _FIRST_LOOK_S
    while True:
        # Of months, most steps need their own days alone: what was measured after them changes
        # nothing once it is known on both sides of their end.
        count = int(np.searchsorted(history.time_s, start_s + after_s, "right"))
        times, temps = history.time_s[:count], series[:count]
        course = course_of(times, temps, shift_k, history.max_gap_s, upper=upper, beside=history)
        came = progress(law, course, start_s, until_s)
        sure_s = -math.inf if course.last_s is None else course.last_s - history.max_gap_s
        over_s = until_s if came.ended_at_s is None else came.ended_at_s
        if count == history.time_s.size or over_s <= sure_s:
            return came
        after_s *= 2.0


def _bounds(
    table: TimeTable | None,
    lean: SafeSide,
    history: TemperatureHistory,
    start_s: float | None,
    far_s: float,
    factor: float = 1.0,
    temp_c: FloatArray | None = None,
) -> Bounds:
    """A step's end by the best estimate and on both sides of it."""
    if table is None or start_s is None:
        return NEVER
    safe = -1.0 if lean is SafeSide.OPENS else 1.0
    best, safest, other = (
        came_of(table, lean, history, start_s, far_s, side, factor, temp_c).ended_at_s
        for side in (0.0, safe, -safe)
    )
    return Bounds(best, safest, other)


def recoat_window(
    coat: int,
    spec: Spec,
    next_spec: Spec,
    history: TemperatureHistory,
    started_s: float | None,
    ended_s: float | None,
    over_s: float,
    sanded: list[float],
) -> Window:
    """Return how the time in which a coat could be coated over was kept.

    Args:
        coat: its number.
        spec: that it was laid with.
        next_spec: of the coat over it.
        history: the section's temperatures.
        started_s: when it was begun, or None [s].
        ended_s: when it was ended, or None [s].
        over_s: when the next coat was begun [s].
        sanded: when the section was sanded [s].
    """
    opens = recoat_table(spec, ClockName.RECOAT_OPENS, next_spec)
    closes = recoat_table(spec, ClockName.RECOAT_CLOSES, next_spec)
    wet_s = wet_on_wet_s(spec, next_spec)
    if wet_s is not None and started_s is not None and over_s - started_s <= wet_s:
        return Window(
            WindowName.RECOAT, coat, WindowOutcome.KEPT, None, None, over_s, 0.0, None, ""
        )
    far_s = over_s + _LOOK_FURTHER_S
    opening = _bounds(opens, SafeSide.OPENS, history, ended_s, far_s)
    closing = _bounds(closes, SafeSide.CLOSES, history, started_s, over_s)
    open_s, open_safe, _ = opening
    close_s, close_safe, _ = closing
    begun_s = started_s if started_s is not None else ended_s
    abraded = key_until_s(spec, begun_s, sanded, over_s) is not None
    kept, missed, length, why, sure_s = WindowOutcome.KEPT, 0.0, None, "", None
    if opens is None and closes is None:
        kept, why = WindowOutcome.UNKNOWN, f"spec '{spec.name}' gives no recoat times"
    elif (opens is not None and ended_s is None) or (closes is not None and started_s is None):
        kept, why = WindowOutcome.UNKNOWN, "begin or end of the coat was never recorded"
    elif close_s is not None:
        missed = over_s - close_s
        length = close_s - (started_s or close_s)
        kept = WindowOutcome.LATE_BUT_SANDED if abraded else WindowOutcome.LATE
    elif opens is not None and (open_s is None or open_s > over_s):
        early_by_s = (open_s if open_s is not None else far_s) - over_s
        length = early_by_s + over_s - (ended_s or over_s)
        kept, missed = WindowOutcome.EARLY, early_by_s
        came = came_of(opens, SafeSide.OPENS, history, ended_s or over_s, over_s, 0.0)
        if came.unknown_s > came.measured_s:
            kept, missed, why = (
                WindowOutcome.UNKNOWN,
                0.0,
                "the surface was not measured in between",
            )
    elif close_safe is not None and not abraded:
        kept, sure_s, open_s = WindowOutcome.CLOSE, close_safe, None
    elif opens is not None and (open_safe or math.inf) > over_s:
        kept, sure_s = WindowOutcome.CLOSE, open_safe
    early, late = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
    if kept is not WindowOutcome.UNKNOWN:
        early = opening.early_by(over_s, far_s) if opens is not None else early
        late = late if abraded else closing.late_by(over_s)
        length = _length(length, ended_s, open_s, started_s, close_safe)
    return Window(
        WindowName.RECOAT, coat, kept, open_s, close_s, over_s, missed, length, why,
        early_s=early, late_s=late, sure_s=sure_s,
    )  # fmt: skip


def _length(
    length_s: float | None,
    open_from_s: float | None,
    open_s: float | None,
    close_from_s: float | None,
    close_s: float | None,
) -> float | None:
    """The length that a miss is measured by: its own, else that of the bound which is there."""
    if length_s is not None:
        return length_s
    if close_s is not None and close_from_s is not None:
        return close_s - close_from_s
    if open_s is not None and open_from_s is not None:
        return open_s - open_from_s
    return None


WHICH_POT = "which pot went in"
"""Why a pot's window is not known where more than one stood mixed, and the coat named none."""


def pot_windows(
    coat: int, uses: Iterable[tuple[PotUse, Spec]], history: TemperatureHistory
) -> list[Window]:
    """Return how the life and the induction of each pot of a coat were kept.

    Args:
        coat: its number.
        uses: of its pots, each with the spec that it is judged by.
        history: the section's temperatures.
    """
    found: list[Window] = []
    for use, spec in uses:
        pots = (use.pot, *use.others)
        lives = [_pot_life(coat, use, pot, spec, history) for pot in pots]
        stands = [_induction(coat, use, pot, spec, history) for pot in pots]
        found += _of_one_pot([each for each in lives if each is not None], early=False)
        found += _of_one_pot([each for each in stands if each is not None], early=True)
    return found


def _of_one_pot(windows: list[Window], *, early: bool) -> list[Window]:
    """The window of the pot that was used, where it may have been any of several.

    Missed where all were; where some were kept, the first of those, and how much the other may have
    been missed.
    """
    kept = [each for each in windows if each.missed_by(early=early)[2] <= 0.0]
    missed = [each for each in windows if each not in kept]
    if not kept or not missed:
        return sorted(windows, key=lambda each: each.missed_s)[:1]
    worst = max(missed, key=lambda each: each.missed_by(early=early)[2])
    most, none = (0.0, 0.0, worst.missed_by(early=early)[2]), (0.0, 0.0, 0.0)
    other = replace(
        worst,
        kept=WindowOutcome.UNKNOWN,
        why=WHICH_POT,
        missed_s=0.0,
        sure_s=None,
        early_s=most if early else none,
        late_s=none if early else most,
    )
    return [kept[0], other]


def _pot_life(
    coat: int, use: PotUse, pot: Pot, spec: Spec, history: TemperatureHistory
) -> Window | None:
    life = spec.times.get(ClockName.POT_LIFE)
    used_to = use.from_s if use.to_s is None else use.to_s
    if life is None or used_to <= pot.mixed_s:
        return None
    factor, _ = pot_factor(spec, pot.amount_ml)
    temps = _pot_temps(history, pot, warm=True)
    bounds = _bounds(life, SafeSide.CLOSES, history, pot.mixed_s, used_to, factor, temps)
    best, safe, _ = bounds
    if best is not None and use.from_s - best > KEEP_POT_S and not use.named:
        return None  # waste by then, and nobody said that it was used
    kept = WindowOutcome.LATE if best is not None else WindowOutcome.KEPT
    if best is None and safe is not None:
        kept = WindowOutcome.CLOSE
    standard_s = rate_law(life, SafeSide.CLOSES, factor).time_s(STANDARD_C)
    return Window(
        WindowName.POT_LIFE,
        coat,
        kept,
        None,
        best,
        used_to,
        0.0 if best is None else used_to - best,
        _length(None, None, None, pot.mixed_s, best if best is not None else safe),
        kept_at_20_c=used_to - pot.mixed_s <= standard_s,
        late_s=bounds.late_by(used_to),
        sure_s=safe if kept is WindowOutcome.CLOSE else None,
    )


def _induction(
    coat: int, use: PotUse, pot: Pot, spec: Spec, history: TemperatureHistory
) -> Window | None:
    stand = spec.times.get(ClockName.INDUCTION)
    if stand is None or use.from_s <= pot.mixed_s:  # when a later pot was first used nobody said
        return None
    temps = _pot_temps(history, pot, warm=False)
    far_s = use.from_s + 7200.0
    bounds = _bounds(stand, SafeSide.OPENS, history, pot.mixed_s, far_s, 1.0, temps)
    best, safe, _ = bounds
    kept, missed, why = WindowOutcome.KEPT, 0.0, ""
    if best is None:
        kept = WindowOutcome.UNKNOWN
        why = "too little was measured, or it stood colder than the sheet tells of"
    elif best > use.from_s:
        kept, missed = WindowOutcome.EARLY, best - use.from_s
    elif safe is None or safe > use.from_s:
        kept = WindowOutcome.CLOSE
    length = None if best is None else best - pot.mixed_s
    return Window(
        WindowName.INDUCTION, coat, kept, best, None, use.from_s, missed, length, why,
        early_s=(0.0, 0.0, 0.0) if best is None else bounds.early_by(use.from_s, far_s),
        sure_s=safe if kept is WindowOutcome.CLOSE else None,
    )  # fmt: skip


def _pot_temps(history: TemperatureHistory, pot: Pot, *, warm: bool) -> FloatArray:
    """The pot's temperature: its own where measured by hand, else the air's, else the hull's.

    A look back wants the likeliest value, where the running clock takes the worst of the three.
    """
    air = history.air_warmest_c if warm else history.air_coldest_c
    surface = history.warmest_c if warm else history.coldest_c
    temp = surface.copy() if air is None else np.where(np.isfinite(air), air, surface)
    for time_s, temp_c in pot.temps:
        temp[history.time_s >= time_s] = temp_c
    return temp


def air_c(history: TemperatureHistory, time_s: float) -> float | None:
    """Return the air's temperature, else the hull's, at a time; None where neither is near [°C]."""
    at = int(np.searchsorted(history.time_s, time_s))
    near = slice(max(0, at - 1), at + 1)
    air = history.coldest_c if history.air_coldest_c is None else history.air_coldest_c
    said = air[near][np.abs(history.time_s[near] - time_s) <= history.max_gap_s]
    said = said[np.isfinite(said)]
    return float(said[0]) if said.size else None


def tape_windows(
    coat: int,
    events: list[Event],
    spec: Spec,
    history: TemperatureHistory,
    begun_s: float,
    ended_s: float | None,
    over_s: float | None,
    end_s: float,
) -> list[Window]:
    """The tape that lay on while this coat was the newest, and when it came off."""
    on_s: float | None = None
    off_s: float | None = None
    for event in events:
        if over_s is not None and event.time_s >= over_s:
            break
        if event.kind is EventKind.TAPE_ON and on_s is None and off_s is None:
            on_s = event.time_s
        elif event.kind is EventKind.TAPE_OFF:
            if event.time_s <= begun_s:
                on_s = None
            elif off_s is None:
                off_s = event.time_s
    if off_s is None and (on_s is None or over_s is not None):
        return []  # no tape, or it stays on under the next coat and counts with that
    done_s = off_s if off_s is not None else end_s
    before, after = (
        spec.times.get(ClockName.TAPE_NOT_BEFORE),
        spec.times.get(ClockName.TAPE_NOT_AFTER),
    )
    opening = _bounds(before, SafeSide.OPENS, history, ended_s, done_s + DAY_S)
    closing = _bounds(after, SafeSide.CLOSES, history, begun_s, done_s)
    open_s, open_safe, _ = opening
    close_s, close_safe, _ = closing
    days = spec.tape_not_after_s
    closing_from = begun_s
    if days is not None and on_s is not None and on_s + days < done_s:
        if close_s is None or on_s + days < close_s:
            close_s, closing_from = on_s + days, on_s
        close_safe = min(close_safe or math.inf, on_s + days)
        closing = Bounds(close_s, close_safe, min(closing.other or math.inf, on_s + days))
    kept, missed, length, why, sure_s = WindowOutcome.KEPT, 0.0, None, "", None
    flows = off_s is not None and ended_s is not None and off_s <= ended_s + STILL_FLOWS_S
    asked = before is not None and ended_s is not None and off_s is not None and not flows
    if close_s is not None:
        kept, missed, length = WindowOutcome.LATE, done_s - close_s, close_s - closing_from
        open_s = None if open_s is None or open_s > close_s else open_s
    elif off_s is None:
        return []  # still on, and in time
    elif flows:
        open_s, why = None, "while the film still flowed"  # no time of the sheet's applies
    elif asked and ended_s is not None and (open_s is None or open_s > done_s):
        far_s = open_s if open_s is not None else done_s + DAY_S
        kept, missed, length = WindowOutcome.EARLY, far_s - done_s, far_s - ended_s
    elif close_safe is not None:
        kept, sure_s, open_s = WindowOutcome.CLOSE, close_safe, None
    elif open_safe is not None and open_safe > done_s:
        kept, sure_s = WindowOutcome.CLOSE, open_safe
    early = opening.early_by(done_s, done_s + DAY_S) if asked else (0.0, 0.0, 0.0)
    length = _length(length, ended_s, open_s, begun_s, close_safe)
    return [
        Window(
            WindowName.TAPE, coat, kept, open_s, close_s, done_s, missed, length, why,
            early_s=early, late_s=closing.late_by(done_s),
            sure_s=sure_s, undone=off_s is None,
        )
    ]  # fmt: skip
