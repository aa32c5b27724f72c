"""The clocks as pieces of text, and their order on a screen that has room for few."""

from __future__ import annotations

import math
from dataclasses import replace

from rich.text import Text

from monitor.screen.phrases import clock_words, pot_name
from monitor.screen.pieces import Piece, join
from monitor.screen.view import View
from rules.clocks.clock import Clock, ClockState
from rules.text import clean, duration_text
from rules.units import HOUR_S
from rules.vocabulary import ALL_SECTIONS, ClockName

SHORT_LEFT_S = 900.0  # a pot or a window with less than this left is shown as near

_MUST_NOT_PASS = (
    ClockName.POT_LIFE,
    ClockName.RECOAT_CLOSES,
    ClockName.TAPE_NOT_AFTER,
    ClockName.LAUNCH_NOT_AFTER,
)
_TAPE = (ClockName.TAPE_NOT_BEFORE, ClockName.TAPE_NOT_AFTER)
_SOON_S = 12.0 * HOUR_S  # a working day; judgement, no source


def clock_items(view: View, *, long: bool = False) -> list[Text]:
    """One piece a clock, the next to end first."""
    return [_clock(view, clock, long=long) for clock in view.snapshot.clocks]


def urgent_items(view: View) -> list[Text]:
    """One piece a clock, as on a small screen: what can still spoil something comes first."""
    return [_clock(view, clock) for clock in urgent_clocks(view)]


def urgent_clocks(view: View) -> list[Clock]:
    """The clocks that run or have run out: first those that may not pass, then the others.

    A tape's clock is left out where no tape is recorded as on: nobody can miss it.
    """
    taped = view.snapshot.taped
    shown = [
        clock
        for clock in view.snapshot.clocks
        if clock.state is not ClockState.WAITING
        and not (clock.name in _TAPE and taped is not None and clock.section not in taped)
    ]
    return sorted(shown, key=_urgency)


def _urgency(clock: Clock) -> tuple[int, float]:
    running = clock.state is ClockState.RUNNING
    if clock.name in _MUST_NOT_PASS and clock.state is not ClockState.UNKNOWN:
        return (0 if running else 1), _ends_s(clock)
    return (2 if running else 3), _ends_s(clock)


def _ends_s(clock: Clock) -> float:
    """When it ends; one that does not count, last [s]."""
    return math.inf if clock.ends_at_s is None else clock.ends_at_s


def next_to_end(view: View) -> Clock | None:
    """The one clock to show where there is room for one, or None where none runs.

    What may not pass in the next hours goes first, else the clock that ends next.
    """
    if costs_soon(view):
        return urgent_clocks(view)[0]
    running = [clock for clock in urgent_clocks(view) if clock.state is ClockState.RUNNING]
    return min(running, key=_ends_s, default=None)


def costs_soon(view: View) -> bool:
    """Return whether a clock runs that may not pass, and ends in the next hours."""
    first = next(iter(urgent_clocks(view)), None)
    if first is None or first.name not in _MUST_NOT_PASS:
        return False
    return first.state is ClockState.RUNNING and _ends_s(first) <= view.snapshot.time_s + _SOON_S


def next_clock(view: View, *, with_left: bool = True, with_paint: bool = True) -> Text | None:
    """The clock that matters next; None where there is none.

    Args:
        view: what is to be drawn.
        with_left: with how long it has to go, and not only its hour.
        with_paint: with the next coat's paint, where a recoat window is for one.
    """
    shown = next_to_end(view) or next(iter(urgent_clocks(view) or view.snapshot.clocks), None)
    if shown is None:
        return None
    if not with_paint:
        shown = replace(shown, next_spec="")
    return _clock(view, shown, with_left=with_left)


def clock_groups(view: View, width: int) -> list[Text]:
    """One piece a kind of clock, the next that matters first; those not begun left out.

    Args:
        view: what is to be drawn.
        width: of a line; where a kind's sections do not fit in one, each clock is a piece.
    """
    groups: dict[tuple[str, str | None, bool, ClockState, str], list[Clock]] = {}
    next_one = next_to_end(view)
    for clock in sorted(view.snapshot.clocks, key=lambda each: each is not next_one):
        if clock.state is not ClockState.WAITING:
            key = (clock.name.value, clock.batch, clock.buried, clock.state, clock.next_spec)
            groups.setdefault(key, []).append(clock)
    waiting = [c for c in view.snapshot.clocks if c.state is ClockState.WAITING]
    pieces = []
    for clocks in groups.values():
        first, *others = clocks
        piece = _clock(view, first)
        for other in others:
            piece = join(piece, ", ", _clock(view, other, named=False))
        pieces += [piece] if piece.cell_len <= width else [_clock(view, each) for each in clocks]
    if waiting:
        pieces.append(view.part(f"{len(waiting)} not started", "label"))
    return pieces


def clock_name(clock: Clock) -> str:
    """Return what stands before a clock's time: `recoat from`, or `recoat open since`."""
    running, ended = clock_words(clock.name, clock.next_spec)
    name = ended if clock.state is ClockState.ENDED else running
    if clock.batch or clock.name is ClockName.POT_LIFE:
        name = f"{pot_name(clock)} {name}"
    return f"coat {clock.coat} below: {name}" if clock.buried and clock.coat is not None else name


def _whose(view: View, clock: Clock, *, long: bool) -> str:
    """The section, where more than one is on the screen."""
    if clock.section and (len(view.snapshot.calls) > 1 or long) and clock.section != ALL_SECTIONS:
        return clean(clock.section)
    return ""


def _clock(
    view: View, clock: Clock, *, long: bool = False, named: bool = True, with_left: bool = True
) -> Text:
    role, value, tail = _value(view, clock)
    parts: list[Piece] = [view.label(clock_name(clock))] if named else []
    parts.append(view.piece(value, role) if role else value)
    if tail and with_left:
        parts.append(view.piece(f" ({tail})", "label"))
    if whose := _whose(view, clock, long=long):
        parts.append(view.piece(f" {whose}", "label"))
    if long:
        parts += [view.piece(more, "label") for more in _more(view, clock)]
    return join(*parts)


def _value(view: View, clock: Clock) -> tuple[str, str, str]:
    """The role, what stands first, a time where one is known, and what stands behind it."""
    must_not_pass = clock.name in _MUST_NOT_PASS
    if clock.state is ClockState.UNKNOWN:
        return "unknown", "not known", ""
    if clock.state is ClockState.WAITING:
        left = "" if clock.left_s is None else f"{duration_text(clock.left_s)} once started"
        return "", left or "not started", ""
    if clock.state is ClockState.ENDED:
        when = "done" if clock.ended_at_s is None else view.when(clock.ended_at_s)
        return ("broken" if must_not_pass else "ok"), when, ""
    if clock.left_s is None:
        return "near", "not counting", ""
    role = "near" if must_not_pass and clock.left_s < SHORT_LEFT_S else "strong"
    left = duration_text(clock.left_s)
    if clock.ends_at_s is None:
        return role, f"{left} to go", ""
    if _differs(clock):
        # The hour is the outlook's: beside the other duration it would not add up.
        left = f"{duration_text(clock.left_outlook_s or 0.0)}; {left} if it stays as it is"
    return role, view.when(clock.ends_at_s), left


def _differs(clock: Clock) -> bool:
    """Whether what is left by the outlook is worth telling beside what is left as it is now."""
    left_s, ahead_s = clock.left_s, clock.left_outlook_s
    if left_s is None or ahead_s is None:
        return False
    return abs(ahead_s - left_s) > max(60.0, 0.05 * left_s)


def _more(view: View, clock: Clock) -> list[str]:
    """What there is room for on a large screen: the range, and what to do or what is missing."""
    more = []
    if clock.ends_at_range_s is not None and clock.state is ClockState.RUNNING:
        early, late = (view.when(each) for each in clock.ends_at_range_s)
        if early != late:
            more.append(f", between {early} and {late}")
    if clock.state is ClockState.UNKNOWN and clock.basis:
        more.append(f": {clean(clock.basis)}")
    elif clock.advice and clock.state is not ClockState.WAITING:
        more.append(f": {clean(clock.advice)}")
    return more
