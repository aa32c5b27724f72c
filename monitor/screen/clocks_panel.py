"""The clocks as pieces of text."""

from __future__ import annotations

from rich.text import Text

from monitor.screen.phrases import clock_word
from monitor.screen.view import View
from rules.clocks.clock import Clock, ClockState
from rules.text import clean, duration_text
from rules.vocabulary import ALL_SECTIONS, ClockName

SHORT_LEFT_S = 900.0  # a pot or a window with less than this left is shown as near

_MUST_NOT_PASS = (ClockName.POT_LIFE, ClockName.RECOAT_CLOSES, ClockName.TAPE_NOT_AFTER)


def clock_items(view: View, *, long: bool = False) -> list[Text]:
    """One piece a clock, the next to end first."""
    return [_clock(view, clock, long=long) for clock in view.snapshot.clocks]


def next_clock(view: View, *, with_hour: bool = True) -> Text | None:
    """The running clock that ends next, or what stands first where none runs; None for none."""
    clocks = view.snapshot.clocks
    if not clocks:
        return None
    running = (clock for clock in clocks if clock.state is ClockState.RUNNING)
    return _clock(view, next(running, clocks[0]), with_hour=with_hour)


def clock_groups(view: View) -> list[Text]:
    """One piece a kind of clock, its sections behind one another; those not begun left out."""
    groups: dict[tuple[str, bool], list[Clock]] = {}
    for clock in view.snapshot.clocks:
        if clock.state is not ClockState.WAITING:
            groups.setdefault((clock.name.value, clock.buried), []).append(clock)
    waiting = [c for c in view.snapshot.clocks if c.state is ClockState.WAITING]
    pieces = []
    for clocks in groups.values():
        first, *others = clocks
        piece = _clock(view, first)
        for other in others:
            piece.append_text(Text.assemble(", ", _clock(view, other, named=False)))
        pieces.append(piece)
    if waiting:
        pieces.append(view.part(f"{len(waiting)} not started", "label"))
    return pieces


def _clock(
    view: View, clock: Clock, *, long: bool = False, named: bool = True, with_hour: bool = True
) -> Text:
    name = clock_word(clock.name)
    if clock.buried and clock.coat is not None:
        name = f"{name} of coat {clock.coat} below"
    label = [name] if named else []
    if clock.batch:
        label.append(clean(clock.batch))
    if clock.section and (len(view.snapshot.calls) > 1 or long) and clock.section != ALL_SECTIONS:
        label.append(clean(clock.section))
    must_not_pass = clock.name in _MUST_NOT_PASS
    role, value, tail = "strong", "", ""
    if clock.state is ClockState.RUNNING:
        if clock.left_s is None:
            role, value = "near", "stands still"
        else:
            value = duration_text(clock.left_s)
            if clock.ends_at_s is not None:
                tail = f"({view.when(clock.ends_at_s)})"
            if _differs(clock) and not long and clock.ends_at_s is not None:
                # The hour is the outlook's: beside the other duration it would not add up.
                ahead = duration_text(clock.left_outlook_s or 0.0)
                when = view.when(clock.ends_at_s)
                tail = f"{ahead} by the outlook ({when})"
            if must_not_pass and clock.left_s < SHORT_LEFT_S:
                role = "near"
    elif clock.state is ClockState.WAITING:
        value = "not started"
        if clock.left_s is not None:
            left = duration_text(clock.left_s)
            value = f"{left} once started"
        role = ""
    elif clock.state is ClockState.ENDED:
        role = "broken" if must_not_pass else "ok"
        value = "OVER" if must_not_pass else "done"
        if clock.ended_at_s is not None:
            tail = view.when(clock.ended_at_s)
    else:
        role, value = "unknown", "not known"
    text = Text.assemble(view.label(" ".join(label)), view.part(value, role))
    if tail and with_hour:
        text.append(f" {tail}", view.theme.style("label"))
    if long:
        _clock_more(view, text, clock)
    return text


def _differs(clock: Clock) -> bool:
    """Whether what is left by the outlook is worth telling beside what is left as it is now."""
    left_s, ahead_s = clock.left_s, clock.left_outlook_s
    if left_s is None or ahead_s is None:
        return False
    return abs(ahead_s - left_s) > max(60.0, 0.05 * left_s)


def _clock_more(view: View, text: Text, clock: Clock) -> None:
    label = view.theme.style("label")
    if clock.ends_at_range_s is not None and clock.state is ClockState.RUNNING:
        early, late = (view.when(each) for each in clock.ends_at_range_s)
        if early != late:
            text.append(f", between {early} and {late}", label)
    if clock.left_outlook_s is not None and clock.state is ClockState.RUNNING:
        left = duration_text(clock.left_outlook_s)
        text.append(f", {left} by the outlook", label)
    if clock.state is ClockState.UNKNOWN and clock.basis:
        text.append(f": {clean(clock.basis)}", label)
    elif clock.advice and clock.state is not ClockState.WAITING:
        text.append(f": {clean(clock.advice)}", label)
