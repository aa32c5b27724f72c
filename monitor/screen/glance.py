"""The screen for three metres and a fogged mask: word, the one figure that decides, next clock."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rich.cells import cell_len
from rich.text import Text

from monitor.screen.clocks_panel import clock_name, next_to_end
from monitor.screen.letters import big_figure, least_width
from monitor.screen.pieces import cut, flow, join
from monitor.screen.sentence import TIMERS, closest, figure, lead, limit_of, turns_at, way_out
from monitor.screen.view import ROLE, View
from rules.call import Call
from rules.clocks.clock import Clock
from rules.limits import is_upper
from rules.reasons import LIMIT_WORDS, Reason
from rules.section import SectionCall
from rules.text import clean, duration_text
from rules.vocabulary import ALL_SECTIONS, LimitName, LimitState

_BETWEEN = 3
_LEAST_ROWS = 4  # words, and digits of three lines
_FULL_K, _FULL_PCT = 6.0, 24.0  # a full bar of room: our own choice, no source
_SHORT = {
    LimitName.DEW_MARGIN_MIN: "over dew point",
    LimitName.HUMIDITY_MAX: "humidity",
    LimitName.HUMIDITY_MIN: "humidity",
    LimitName.SURFACE_TEMP_MIN: "coldest hull",
    LimitName.SURFACE_TEMP_MAX: "warmest hull",
    LimitName.AIR_TEMP_MIN: "coldest air",
    LimitName.AIR_TEMP_MAX: "warmest air",
}


@dataclass(frozen=True, slots=True)
class Dial:
    """One figure of the glance.

    Attributes:
        big: what is drawn in big digits, or "" where there is none.
        words: what the figure is, and its unit: in full, then in fewer words.
        role: in which it is drawn.
        left: how much is left of it, 0 to 1; None where that is not known.
    """

    big: str
    words: tuple[str, ...]
    role: str
    left: float | None = None


def dials(view: View) -> list[Dial]:
    """Return the figure that decides and the next clock, where there are such."""
    found = []
    if view.worst is not None:
        found.append(_deciding(view, view.worst))
    clock = next_to_end(view)
    if clock is not None:
        found.append(_clock(view, clock))
    return found


def dial_lines(view: View, width: int, rows: int) -> list[Text]:
    """Draw the dials side by side: words, digits, and a bar for how much is left.

    Args:
        view: what is to be drawn.
        width: of a line.
        rows: lines at most; four leave the bar out, and fewer the big digits.
    """
    shown = dials(view)
    if rows < _LEAST_ROWS:
        words = [join(view.piece(f"{each.big} ", each.role), each.words[-1]) for each in shown]
        return [cut(line, width) for line in flow(words, width)[: max(0, rows)]]
    between, widths = _widths(shown, width)
    columns = [
        _dial_lines(view, dial, each, rows) for dial, each in zip(shown, widths, strict=True)
    ]
    lines = []
    for row in range(min(rows, *map(len, columns)) if columns else 0):
        parts: list[Text | str] = []
        for place, column in enumerate(columns):
            parts.append(column[row])
            if place < len(columns) - 1:
                parts.append(" " * (widths[place] + between - column[row].cell_len))
        lines.append(join(*parts))
    return lines


def _widths(shown: list[Dial], width: int) -> tuple[int, list[int]]:
    """How far apart the dials stand, and the width of each: what it needs, and of what is left."""
    needs = [max(least_width(each.big), cell_len(each.words[-1])) for each in shown]
    if sum(needs) + len(needs) - 1 > width:
        needs = [least_width(each.big) for each in shown]
    gaps = len(shown) - 1
    between = min(_BETWEEN, max(1, (width - sum(needs)) // max(1, gaps)))
    spare = width - between * gaps - sum(needs)
    if spare < 0:
        return between, [(width - between * gaps) // len(shown)] * len(shown)
    equal = (width - between * gaps) // max(1, len(shown))
    if all(need <= equal for need in needs):
        return between, [equal] * len(shown)
    return between, [need + spare // len(shown) for need in needs]


def _dial_lines(view: View, dial: Dial, width: int, rows: int) -> list[Text]:
    fitting = [each for each in dial.words if cell_len(each) <= width]
    words = cut(view.part((fitting or dial.words[-1:])[0], "strong"), width)
    digits = max(_LEAST_ROWS - 1, rows - 2)
    drawn = big_figure(dial.big, digits, width)
    lines = [view.part(row, dial.role) for row in drawn] or [view.part(dial.big, dial.role)]
    lines += [Text()] * (digits - len(lines))
    return [words, *lines, _bar(view, dial, width)]


def _bar(view: View, dial: Dial, width: int) -> Text:
    """How much is left, full at the left edge: what is gone is a thin line."""
    if dial.left is None:
        return Text()
    full = round(min(1.0, max(0.0, dial.left)) * width)
    return join(view.piece("█" * full, dial.role), view.piece("─" * (width - full), "label"))


def _deciding(view: View, call: SectionCall) -> Dial:
    """The figure that the call rests on: a limit's, a wait's, or that it is not known."""
    first = lead(call.reasons)
    if first is not None and first.limit in TIMERS and call.call is not Call.GO:
        left_s = max(0.0, (first.bound or 0.0) - (first.value or 0.0))
        left = left_s / first.bound if first.bound else None
        after = "GO" if call.call is Call.HOLD else "HOLD"
        words = (f"min to {after}, if it stays so", f"min to {after}")
        return Dial(f"{left_s / 60.0:.0f}", words, "strong", left)
    if first is not None and call.call is not Call.GO:
        if first.limit == "outlook" and first.value is not None:
            when = view.theme.hour(view.snapshot.time_s + first.value, view.zone)
            return Dial(_digits(when), ("past a limit at about", "limit at about"), "near")
        if first.state is LimitState.UNKNOWN:
            name = limit_of(first)
            what = clean(first.limit) if name is None else LIMIT_WORDS[name]
            return Dial("?", (f"not known: {what}", "not known"), "unknown")
        if limit_of(first) is None:
            return Dial("", (clean(first.text),), ROLE[first.state])
    deciding = closest(call) if call.call is Call.GO else first
    name = None if deciding is None else limit_of(deciding)
    if deciding is None or name is None or deciding.value is None:
        return Dial("", ("no limit is in force",), "label")
    return _limit(view, call, deciding, name)


def _limit(view: View, call: SectionCall, reason: Reason, name: LimitName) -> Dial:
    value = reason.value or 0.0
    big, unit = figure(name, value, view.theme).rsplit(" ", 1)
    what = f"{unit} {_SHORT[name]}"
    if name is LimitName.DEW_MARGIN_MIN and value < 0.0:
        big, what = big.lstrip("-"), f"{unit} under dew: wet"
    words = [what, f"{unit} over dew"] if what.endswith("over dew point") else [what]
    at = way_out(call.call, reason, view.snapshot.specs.get(call.spec))
    if at is not None and (reason.state is not LimitState.OK or call.call is Call.GO):
        edge = figure(name, at, view.theme).rsplit(" ", 1)[0]
        side = "under" if is_upper(name) is not (call.call is Call.GO) else "over"
        turned = {Call.GO: "HOLD", Call.HOLD: "GO", Call.STOP: "STOP ends"}[call.call]
        words.insert(0, f"{what}, {turned} {side} {edge}")
    room = turns_at(reason) - value
    percent = name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN)
    left = (room if is_upper(name) else -room) / (_FULL_PCT if percent else _FULL_K)
    return Dial(big, tuple(words), ROLE[reason.state], left)


def _clock(view: View, clock: Clock) -> Dial:
    name = clock_name(clock)
    if clock.ends_at_s is None or clock.left_s is None:
        return Dial("", (f"{name}: not counting",), "near")
    left_s = clock.left_s if clock.left_outlook_s is None else clock.left_outlook_s
    whole_s = None if clock.started_s is None else clock.ends_at_s - clock.started_s
    hour = view.theme.hour(clock.ends_at_s, view.zone)
    day = view.when(clock.ends_at_s).removesuffix(hour)
    short = f"{name} {day}".rstrip()
    words: tuple[str, ...] = (f"{short} ({duration_text(left_s)})", short)
    if clock.next_spec:
        words = (*words, f"{clock_name(replace(clock, next_spec=''))} {day}".rstrip())
    if clock.section and clock.section != ALL_SECTIONS and len(view.snapshot.calls) > 1:
        words = (f"{words[0]} {clean(clock.section)}", *words)
    return Dial(_digits(hour), words, "strong", left_s / whole_s if whole_s else None)


def _digits(hour: str) -> str:
    """An hour without am and pm, which have no big letters."""
    return hour.split(" ")[0]
