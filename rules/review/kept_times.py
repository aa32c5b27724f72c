"""The times between which something was to be done with a coat, and whether that was kept.

Looks back with what is known now: recoat, pot life, induction and tape. `film_record` asks it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rules.clocks.film_clocks import recoat_table
from rules.clocks.history import TemperatureHistory, samples_of
from rules.clocks.pot_clocks import pot_factor
from rules.clocks.progress import progress
from rules.clocks.work import Pot
from rules.events import Event
from rules.rate import FloatArray, Lean, rate_law
from rules.spec.model import Spec, TimeTable
from rules.vocabulary import ClockName, EventKind

DAY_S = 86_400.0
STANDARD_C = 20.0
"""At which data sheets mostly give a pot life; common practice, no source [°C]."""

_LOOK_FURTHER_S = 3.0 * DAY_S  # so that "too early" can say by how much


class Kept(StrEnum):
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
        done_s: when it was done [s].
        missed_s: by how much, 0 where kept [s].
        length_s: the bound's own length, that `missed_s` compares with, or None [s].
        why: in words, where it is not known.
        kept_at_20_c: of a pot: it would have been kept at 20 °C, so that heat shortened it.
    """

    name: WindowName
    coat: int
    kept: Kept
    opens_s: float | None
    closes_s: float | None
    done_s: float | None
    missed_s: float = 0.0
    length_s: float | None = None
    why: str = ""
    kept_at_20_c: bool = False


def ended(
    table: TimeTable | None,
    lean: Lean,
    history: TemperatureHistory,
    start_s: float,
    until_s: float,
    side: float,
    factor: float = 1.0,
    temp_c: FloatArray | None = None,
) -> float | None:
    """When a step was over, or None; side -1 and 1 lean by the accuracy, 0 is the best estimate."""
    if table is None:
        return None
    series = history.coldest_c if lean is Lean.OPENS else history.warmest_c
    if temp_c is not None:
        series = temp_c
    samples = samples_of(history.time_s, series, side * history.accuracy_k, history.max_gap_s)
    return progress(rate_law(table, lean, factor), samples, start_s, until_s).ended_at_s


def _bounds(
    table: TimeTable | None,
    lean: Lean,
    history: TemperatureHistory,
    start_s: float | None,
    far_s: float,
    factor: float = 1.0,
    temp_c: FloatArray | None = None,
) -> tuple[float | None, float | None]:
    """A step's end by the best estimate and on the safe side; None where not before `far_s`."""
    if table is None or start_s is None:
        return None, None
    safe = -1.0 if lean is Lean.OPENS else 1.0
    return (
        ended(table, lean, history, start_s, far_s, 0.0, factor, temp_c),
        ended(table, lean, history, start_s, far_s, safe, factor, temp_c),
    )


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
    opens, _ = recoat_table(spec, ClockName.RECOAT_OPENS, next_spec)
    closes, _ = recoat_table(spec, ClockName.RECOAT_CLOSES, next_spec)
    open_s, open_safe = _bounds(opens, Lean.OPENS, history, ended_s, over_s + _LOOK_FURTHER_S)
    close_s, close_safe = _bounds(closes, Lean.CLOSES, history, started_s, over_s)
    kept, missed, length, why = Kept.KEPT, 0.0, None, ""
    if opens is None and closes is None:
        kept, why = Kept.UNKNOWN, f"spec '{spec.name}' gives no recoat times"
    elif (opens is not None and ended_s is None) or (closes is not None and started_s is None):
        kept, why = Kept.UNKNOWN, "begin or end of the coat was never recorded"
    elif close_s is not None:
        missed = over_s - close_s
        length = close_s - (started_s or close_s)
        abraded = any(close_s <= s <= over_s for s in sanded)
        kept = Kept.LATE_BUT_SANDED if abraded else Kept.LATE
    elif opens is not None and (open_s is None or open_s > over_s):
        early_by_s = (open_s if open_s is not None else over_s + _LOOK_FURTHER_S) - over_s
        length = early_by_s + over_s - (ended_s or over_s)
        kept, missed = Kept.EARLY, early_by_s
        if over_s - (ended_s or over_s) > 0.0 and _mostly_unknown(history, ended_s, over_s):
            kept, missed, why = Kept.UNKNOWN, 0.0, "the surface was not measured in between"
    elif close_safe is not None or (opens is not None and (open_safe or math.inf) > over_s):
        kept = Kept.CLOSE
    return Window(WindowName.RECOAT, coat, kept, open_s, close_s, over_s, missed, length, why)


def _mostly_unknown(history: TemperatureHistory, from_s: float | None, to_s: float) -> bool:
    if from_s is None:
        return True
    inside = (history.time_s >= from_s) & (history.time_s <= to_s)
    known = history.time_s[inside & np.isfinite(history.coldest_c)]
    if known.size < 2:
        return True
    steps = np.diff(np.concatenate(([from_s], known, [to_s])))
    return float(steps[steps > history.max_gap_s].sum()) > 0.5 * (to_s - from_s)


def pot_windows(
    coat: int,
    pots: list[Pot],
    spec: Spec,
    history: TemperatureHistory,
    begun_s: float,
    ended_s: float | None,
) -> list[Window]:
    life, stand = spec.times.get(ClockName.POT_LIFE), spec.times.get(ClockName.INDUCTION)
    found: list[Window] = []
    for at, pot in enumerate(pots):
        # A pot is used from the coat's begin until the next pot is mixed, or the coat ends.
        used_from = max(begun_s, pot.mixed_s) if at == 0 else pot.mixed_s
        used_to = pots[at + 1].mixed_s if at + 1 < len(pots) else ended_s
        if life is not None and used_to is not None and used_to > pot.mixed_s:
            factor, _ = pot_factor(spec, pot.amount_ml)
            temps = _pot_temps(history, pot, warm=True)
            best, safe = _bounds(life, Lean.CLOSES, history, pot.mixed_s, used_to, factor, temps)
            kept = Kept.LATE if best is not None else Kept.KEPT
            if best is None and safe is not None:
                kept = Kept.CLOSE
            missed = 0.0 if best is None else used_to - best
            length = None if best is None else best - pot.mixed_s
            standard_s = rate_law(life, Lean.CLOSES, factor).time_s(STANDARD_C)
            found.append(
                Window(
                    WindowName.POT_LIFE,
                    coat,
                    kept,
                    None,
                    best,
                    used_to,
                    missed,
                    length,
                    kept_at_20_c=used_to - pot.mixed_s <= standard_s,
                )
            )
        if stand is not None and at == 0 and used_from > pot.mixed_s:
            temps = _pot_temps(history, pot, warm=False)
            far_s = used_from + 7200.0
            best, safe = _bounds(stand, Lean.OPENS, history, pot.mixed_s, far_s, 1.0, temps)
            if best is None:
                kept, missed = Kept.UNKNOWN, 0.0
            elif best > used_from:
                kept, missed = Kept.EARLY, best - used_from
            else:
                kept, missed = (Kept.KEPT if (safe or math.inf) <= used_from else Kept.CLOSE), 0.0
            length = None if best is None else best - pot.mixed_s
            why = ""
            if best is None:
                why = "too little was measured, or it stood colder than the sheet tells of"
            found.append(
                Window(WindowName.INDUCTION, coat, kept, best, None, used_from, missed, length, why)
            )
    return found


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
    open_s, open_safe = _bounds(before, Lean.OPENS, history, ended_s, done_s + DAY_S)
    close_s, close_safe = _bounds(after, Lean.CLOSES, history, begun_s, done_s)
    days = spec.tape_not_after_s
    closing_from = begun_s
    if days is not None and on_s is not None and on_s + days < done_s:
        if close_s is None or on_s + days < close_s:
            close_s, closing_from = on_s + days, on_s
        close_safe = min(close_safe or math.inf, on_s + days)
    kept, missed, length = Kept.KEPT, 0.0, None
    if close_s is not None:
        kept, missed, length = Kept.LATE, done_s - close_s, close_s - closing_from
    elif off_s is None:
        return []  # still on, and in time
    elif before is not None and ended_s is not None and (open_s is None or open_s > done_s):
        far_s = open_s if open_s is not None else done_s + DAY_S
        kept, missed, length = Kept.EARLY, far_s - done_s, far_s - ended_s
    elif close_safe is not None or (open_safe is not None and open_safe > done_s):
        kept = Kept.CLOSE
    return [Window(WindowName.TAPE, coat, kept, open_s, close_s, done_s, missed, length)]
