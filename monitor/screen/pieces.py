"""Pieces of text that screen and keys share: an event in a few words, and how pieces fill lines."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from rich.cells import cell_len, chop_cells
from rich.style import Style
from rich.text import Span, Text

from monitor.screen.phrases import event_word
from rules.events import Event
from rules.text import clean


def event_text(event: Event) -> str:
    """Return an event in a few words, without its time."""
    text = event_word(event.kind) + details_text(event)
    if event.withdrawn:
        text += ", taken back"
    elif event.recorded_s is not None and event.recorded_s - event.time_s >= 60.0:
        text += ", late"
    return text


def details_text(event: Event) -> str:
    """Return what an event tells beside its kind, beginning with a blank, or ""."""
    parts: list[str] = []
    if event.section is not None:
        parts.append(clean(event.section))
    if event.batch:
        parts.append(f"batch {clean(event.batch)}")
    if event.spec:
        parts.append(clean(event.spec))
    if event.coat is not None:
        parts.append(f"coat {event.coat}")
    if event.amount_ml is not None:
        parts.append(f"{event.amount_ml:g} mL")
    if event.thinner_pct:
        parts.append(f"thinner {event.thinner_pct:g} %")
    if event.method is not None:
        parts.append(event.method.value)
    if event.what:
        value = "" if event.value is None else f" {event.value:g} {clean(event.unit or '')}"
        parts.append(f"{clean(event.what)}{value}".rstrip())
    text = " " + ", ".join(parts) if parts else ""
    return f"{text}: {clean(event.note)}" if event.note else text


Piece = Text | str | tuple[str, Style]


def join(*parts: Piece) -> Text:
    """Return texts behind one another, each in its own style.

    As `Text.assemble`, but most of a screen's texts are as they were at the redraw before: what
    comes back is kept for the next one and is not to be changed.
    """
    return _joined(
        tuple(
            (part.plain, part.style, tuple(part.spans)) if isinstance(part, Text) else part
            for part in parts
        )
    )


@lru_cache(maxsize=256)
def _joined(
    parts: tuple[str | tuple[str, Style] | tuple[str, str | Style, tuple[Span, ...]], ...],
) -> Text:
    plain: list[str] = []
    spans: list[Span] = []
    at = 0
    for part in parts:
        words, style, own = (part, "", ()) if isinstance(part, str) else (*part, ())[:3]
        plain.append(words)
        if style:
            spans.append(Span(at, at + len(words), style))
        spans += [span.move(at) for span in own]
        at += len(words)
    joined = Text("".join(plain))
    joined.spans = spans
    return joined


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
            lines[-1] = join(lines[-1], between, item)
        elif item.cell_len <= width:
            lines.append(item)
        else:
            lines.extend(wrap(item, width))
    return lines


def wrap(text: Text, width: int) -> list[Text]:
    """Break a text at its words into lines of at most `width` cells; nothing is lost but blanks.

    The lines are kept for the next redraw: they are not to be changed.
    """
    if text.cell_len <= width and not text.plain.endswith(" "):
        return [text]
    return list(_wrapped(text.plain, text.style, tuple(text.spans), width))


@lru_cache(maxsize=256)
def _wrapped(
    plain: str, style: str | Style, spans: tuple[Span, ...], width: int
) -> tuple[Text, ...]:
    """What a text was broken into the last time: most of a screen's are as they were before."""
    text = Text(plain, style)
    text.spans = list(spans)
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
    return tuple(lines) or (Text(),)


def hanging(item: Text, width: int) -> list[Text]:
    """Break a text as `wrap` does, every line but the first set in by two cells."""
    if item.cell_len <= width and not item.plain.endswith(" "):
        return [item]
    return list(_hung(item.plain, item.style, tuple(item.spans), width))


@lru_cache(maxsize=256)
def _hung(plain: str, style: str | Style, spans: tuple[Span, ...], width: int) -> tuple[Text, ...]:
    lines = _wrapped(plain, style, spans, width)
    if len(lines) == 1:
        return lines
    rest = Text(plain, style)
    rest.spans = list(spans)
    rest = rest[len(lines[0].plain) :]
    blank = len(rest.plain) - len(rest.plain.lstrip())
    return (lines[0], *(join("  ", line) for line in wrap(rest[blank:], width - 2)))


def cut(line: Text, width: int) -> Text:
    """Cut a text at `width` cells, with an ellipsis for what is left out."""
    if line.cell_len <= width:
        return line
    cut = line.copy()
    cut.truncate(width, overflow="ellipsis")
    return cut


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
