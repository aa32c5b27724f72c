"""Pieces of text that screen and keys share: an event in a few words, and how pieces fill lines."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.cells import cell_len, chop_cells
from rich.text import Text

from monitor.screen.theme import Theme
from rules.events import Event
from rules.text import clean


def event_text(event: Event, theme: Theme) -> str:
    """Return an event in a few words, without its time."""
    say = theme.words.say
    text = say(f"event {event.kind}") + details_text(event, theme)
    if event.withdrawn:
        text += f", {say('event-withdrawn')}"
    elif event.recorded_s is not None and event.recorded_s - event.time_s >= 60.0:
        text += f", {say('event-late')}"
    return text


def details_text(event: Event, theme: Theme) -> str:
    """Return what an event tells beside its kind, beginning with a blank, or ""."""
    parts: list[str] = []
    if event.section is not None:
        parts.append(clean(event.section))
    if event.batch:
        parts.append(f"{theme.words.say('field batch')} {clean(event.batch)}")
    if event.spec:
        parts.append(clean(event.spec))
    if event.coat is not None:
        parts.append(f"{theme.words.say('coat')} {event.coat}")
    if event.amount_ml is not None:
        parts.append(f"{event.amount_ml:g} mL")
    if event.thinner_pct:
        parts.append(f"{theme.words.say('field thinner')} {event.thinner_pct:g} %")
    if event.method is not None:
        parts.append(theme.words.say(f"method {event.method}"))
    if event.what:
        value = "" if event.value is None else f" {event.value:g} {clean(event.unit or '')}"
        parts.append(f"{clean(event.what)}{value}".rstrip())
    text = " " + ", ".join(parts) if parts else ""
    return f"{text}: {clean(event.note)}" if event.note else text


def flow(items: Sequence[Text], width: int, between: str = " · ") -> list[Text]:
    """Lay pieces side by side and begin a new line where the next would not fit.

    Args:
        items: pieces; one longer than a line is broken at its words.
        width: of a line, in cells.
        between: what stands between two pieces of a line.
    """
    lines: list[Text] = []
    for item in items:
        if lines and lines[-1].cell_len + cell_len(between) + item.cell_len <= width:
            lines[-1] = Text.assemble(lines[-1], between, item)
        elif item.cell_len <= width:
            lines.append(item)
        else:
            lines.extend(wrap(item, width))
    return lines


def wrap(text: Text, width: int) -> list[Text]:
    """Break a text at its words into lines of at most `width` cells; nothing is lost but blanks."""
    plain = text.plain
    lines: list[Text] = []
    start = 0
    while start < len(plain):
        piece = chop_cells(plain[start:], width)[0]
        end = start + len(piece)
        if end < len(plain):
            end = _break(plain, start, end)
        line = text[start:end]
        line.rstrip()
        lines.append(line)
        start = end
        while start < len(plain) and plain[start] == " ":
            start += 1
    return lines or [Text()]


_UNIT = re.compile(r" (?:°C|°F|[KFhsd%]|min|mL)(?![\w%])")


def _break(plain: str, start: int, end: int) -> int:
    """Where a line that may reach up to `end` is broken: at a blank, but not before a unit."""
    blank = plain.rfind(" ", start, end + 1)
    while blank > start and plain[blank - 1].isdigit() and _UNIT.match(plain, blank):
        before = plain.rfind(" ", start, blank)
        if before <= start:
            break
        blank = before
    return blank if blank > start else end
