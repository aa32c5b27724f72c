"""Draws a coat's climate for the report: one drawing in plain SVG whose colours the page gives.

Drawn here and not by a plotting library, so that it takes the page's colours by light and dark,
stays small over 90 days, and every word in it is text.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.display import Units, display_units
from monitor.review.figures import TimeStamp, figure
from monitor.review.review import Call, SectionReview
from rules.events import Event
from rules.known import Floats
from rules.review.coats import CoatRecord
from rules.units import DAY_S, from_celsius
from rules.vocabulary import LimitName

LEFT, RIGHT = 46.0, 8.0
PANEL = 112.0
TOP = 58.0
BEFORE_S = 2 * 3600.0
LONGEST_S = 8 * DAY_S
BINS = 690
Scale = Callable[[float], float]
_STEPS_H = (1, 2, 3, 6, 12, 24, 48, 96)


@dataclass(frozen=True, slots=True)
class Canvas:
    """How large a drawing is: of a page, or of a telephone held upright.

    Attributes:
        width: of the whole [px].
        gap: between two panels, with the names of lines in it [px].
        bins: columns that the values are drawn in.
        ticks: most times on the axis.
        style: class of the drawing.
    """

    width: float
    gap: float
    bins: int
    ticks: int
    style: str

    @property
    def right(self) -> float:
        """Where the panels end [px]."""
        return self.width - RIGHT


WIDE = Canvas(760.0, 22.0, BINS, 12, "chart")
SLIM = Canvas(358.0, 36.0, 300, 5, "chart slim")


@dataclass(frozen=True, slots=True)
class ChartLine:
    """One quantity in a panel: its values, how it is drawn, and what it is called.

    Attributes:
        values: in each cell.
        style: class of the line.
        word: its name.
        lowest: in each cell, where minute means hide it; None where that is the value.
        highest: likewise.
    """

    values: Floats
    style: str
    word: str
    lowest: Floats | None = None
    highest: Floats | None = None


@dataclass(frozen=True, slots=True)
class BoundSpan:
    """One bound of a limit, and from when to when it was in force [s]."""

    value: float
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: its lines, its bounds, on which side of them is wrong, and whose they are."""

    title: str
    unit: str
    lines: tuple[ChartLine, ...]
    bounds: tuple[BoundSpan, ...]
    upper: bool
    whose: str = ""

    def in_us_units(self) -> Panel:
        """Return the panel in °F, where it is in °C or in K."""
        if self.unit not in ("°C", "K"):
            return self
        # A difference has no zero of its own.
        zero_f = 0.0 if self.unit == "°C" else from_celsius(0.0, "degF")

        def changed(values: Floats) -> Floats:
            return from_celsius(values, "degF") - zero_f

        lines = tuple(
            replace(
                line,
                values=changed(line.values),
                lowest=None if line.lowest is None else changed(line.lowest),
                highest=None if line.highest is None else changed(line.highest),
            )
            for line in self.lines
        )
        bounds = tuple(
            replace(each, value=from_celsius(each.value, "degF") - zero_f) for each in self.bounds
        )
        return replace(self, unit="°F", lines=lines, bounds=bounds)


def span_of(coat: CoatRecord) -> tuple[float, float]:
    """Return what is drawn of a coat: from 2 h before it until it has cured, 8 days at most [s]."""
    ends = [span[2] for span in coat.stages()] or [coat.until_s]
    begin = coat.begun_s - BEFORE_S
    return begin, max(min(max(ends), begin + LONGEST_S), begin + 2 * BEFORE_S)


def _bounds_of(coat: CoatRecord, name: LimitName) -> tuple[BoundSpan, ...]:
    """The bounds that a limit had, stage by stage; what does not change is one span."""
    found: list[BoundSpan] = []
    for each in coat.limits:
        if each.name is not name:
            continue
        span = BoundSpan(each.beyond.bound, each.from_s, each.to_s)
        if found and (found[-1].value, found[-1].to_s) == (span.value, span.from_s):
            found[-1] = replace(found[-1], to_s=span.to_s)
        else:
            found.append(span)
    return tuple(found)


def panels_of(section: SectionReview, coat: CoatRecord) -> tuple[Panel, ...]:
    """Return a coat's panels: temperatures, dew margin, humidity, and CO2 where measured."""
    series = section.series
    empty = np.full(series.time_s.size, math.nan)
    values = series.values
    margin = values.get(LimitName.DEW_MARGIN_MIN, empty)
    surface = values.get(LimitName.SURFACE_TEMP_MIN, empty)

    def line(name: LimitName, style: str, word: str) -> ChartLine:
        return ChartLine(values.get(name, empty), style, word, series.lowest.get(name),
                    series.highest.get(name))  # fmt: skip

    found = [
        Panel(
            "temperatures",
            "°C",
            (
                line(LimitName.AIR_TEMP_MAX, "air", "air"),
                line(LimitName.SURFACE_TEMP_MIN, "surface", "coldest surface"),
                ChartLine(surface - margin, "dew", "dew or frost point"),
            ),
            _bounds_of(coat, LimitName.SURFACE_TEMP_MIN),
            False,
            "surface ",
        ),
        Panel(
            "dew margin",
            "K",
            (line(LimitName.DEW_MARGIN_MIN, "margin", "dew margin"),),
            _bounds_of(coat, LimitName.DEW_MARGIN_MIN),
            False,
        ),
        Panel(
            "humidity",
            "%",
            (line(LimitName.HUMIDITY_MAX, "humid", "humidity"),),
            _bounds_of(coat, LimitName.HUMIDITY_MAX),
            True,
        ),
    ]
    if series.co2_ppm is not None:
        measured = ChartLine(series.co2_ppm, "humid", "carbon dioxide")
        found.append(Panel("carbon dioxide", "ppm", (measured,), (), True))
    if display_units() is Units.US:
        return tuple(panel.in_us_units() for panel in found)
    return tuple(found)


def coat_chart(
    section: SectionReview,
    coat: CoatRecord,
    events: Sequence[tuple[int, Event]],
    stamp: TimeStamp,
    ident: str,
    canvas: Canvas = WIDE,
) -> str:
    """Return a coat's drawing as SVG.

    Args:
        section: that it is on.
        coat: the coat.
        events: of the section with their numbers in the list, drawn as marks.
        stamp: shows times.
        ident: unique on the page.
        canvas: how large it is.
    """
    from markupsafe import escape

    from_s, to_s = span_of(coat)
    panels = panels_of(section, coat)
    height = TOP + len(panels) * (PANEL + canvas.gap) + 40.0 + canvas.gap - 22.0
    scale = (canvas.right - LEFT) / (to_s - from_s)

    def x(time_s: float) -> float:
        return LEFT + (min(max(time_s, from_s), to_s) - from_s) * scale

    words = f"Climate over coat {coat.number} from {stamp(from_s)} to {stamp(to_s)} {stamp.name}"
    parts = [
        f'<svg viewBox="0 0 {canvas.width:.0f} {height:.0f}" role="img" '
        f'aria-labelledby="{ident}-t {ident}-d" class="{canvas.style}">',
        f'<title id="{ident}-t">{escape(words)}</title>',
        f'<desc id="{ident}-d">The same figures stand in the table below the drawing.</desc>',
    ]
    for stage, begin, end in coat.stages():
        if begin < to_s:
            left, wide = x(begin), max(x(end) - x(begin), 0.5)
            parts.append(f'<rect x="{left:.1f}" y="4" width="{wide:.1f}" height="14" '
                         f'class="stage-{stage.value}"/>')  # fmt: skip
            if wide > 34.0:
                parts.append(f'<text x="{left + 3:.1f}" y="15" class="small">{stage.value}</text>')
    top = TOP + canvas.gap - 22.0
    cells, _ = section.series.span(from_s, to_s)
    for panel in panels:
        parts += _panel(panel, section.series.time_s[cells], cells, from_s, to_s, top, canvas, x)
        top += PANEL + canvas.gap
    last, row = -math.inf, 0
    for at, event in events:
        if from_s <= event.time_s <= to_s:
            here = x(event.time_s)
            # Numbers that would run into each other stand one under the other.
            row = row + 1 if here - last < 16.0 and row < 1 else 0
            last = here
            parts.append(
                f'<g class="mark"><line x1="{here:.1f}" x2="{here:.1f}" '
                f'y1="20" y2="{top - canvas.gap:.1f}"/><text x="{here + 2:.1f}" '
                f'y="{29 + 10 * row}" class="small">{at}'
                f"<title>{escape(event.kind.value)}</title></text></g>"
            )
    parts += _calls(section.calls, from_s, to_s, x, top - canvas.gap + 14.0)
    parts += _axis(from_s, to_s, x, top - canvas.gap + 22.0, stamp, canvas.ticks)
    parts.append("</svg>")
    return "".join(parts)


def _panel(
    panel: Panel,
    time_s: Floats,
    cells: slice,
    from_s: float,
    to_s: float,
    top: float,
    canvas: Canvas,
    x: Scale,
) -> list[str]:
    binned = [_ends_of(line, time_s, cells, from_s, to_s, canvas.bins) for line in panel.lines]
    known = [b for b in binned if np.isfinite(b[0]).any()]
    at_y, title = top - canvas.gap + 17.0, f"{panel.title} [{panel.unit}]"
    parts = [f'<text x="{LEFT:.0f}" y="{at_y:.1f}" class="name">{title}</text>']
    if not known:
        return [*parts, f'<text x="{LEFT + 8:.0f}" y="{top + 20:.1f}">not measured</text>']
    low = min(float(np.nanmin(b[0])) for b in known)
    high = max(float(np.nanmax(b[1])) for b in known)
    for bound in panel.bounds:
        low, high = min(low, bound.value), max(high, bound.value)
    step = _nice((high - low) / 3.0)
    low, high = math.floor(low / step) * step, max(math.ceil(high / step), 1) * step
    high = max(high, low + step)

    def y(value: float) -> float:
        return top + PANEL * (high - value) / (high - low)

    right = canvas.right
    for k in range(round((high - low) / step) + 1):
        value = low + k * step
        parts.append(
            f'<line x1="{LEFT:.0f}" x2="{right:.0f}" y1="{y(value):.1f}" y2="{y(value):.1f}" '
            f'class="grid"/><text x="{LEFT - 4:.0f}" y="{y(value) + 4:.1f}" '
            f'class="tick">{value:g}</text>'
        )
    for bound in panel.bounds:
        if bound.from_s >= to_s:
            continue
        left, ends = x(bound.from_s), x(bound.to_s)
        at = y(bound.value)
        edge, depth = (top, at - top) if panel.upper else (at, top + PANEL - at)
        late = left > 0.5 * (LEFT + right)
        parts.append(
            f'<rect x="{left:.1f}" y="{edge:.1f}" width="{ends - left:.1f}" '
            f'height="{max(depth, 0.0):.1f}" class="wrong"/>'
            f'<line x1="{left:.1f}" x2="{ends:.1f}" y1="{at:.1f}" y2="{at:.1f}" class="bound"/>'
            f'<text x="{ends - 3 if late else left + 3:.1f}" y="{at - 3:.1f}" '
            f'class="boundword{" late" if late else ""}">'
            f"{panel.whose}{'at most' if panel.upper else 'at least'} "
            f"{figure(bound.value, panel.unit)}</text>"
        )
    for line, (lows, highs) in zip(panel.lines, binned, strict=True):
        parts.append(f'<path d="{_path(lows, highs, y, canvas)}" class="{line.style}"/>')
    if len(panel.lines) > 1:
        at = right - 8.0
        for line in reversed(panel.lines):
            at -= 6.2 * len(line.word) + 26.0
            parts.append(
                f'<line x1="{at:.1f}" x2="{at + 16:.1f}" y1="{top - 9:.1f}" y2="{top - 9:.1f}" '
                f'class="{line.style}"/><text x="{at + 20:.1f}" y="{top - 5:.1f}" class="small">'
                f"{line.word}</text>"
            )
    return parts


def _ends_of(
    line: ChartLine, time_s: Floats, cells: slice, from_s: float, to_s: float, bins: int
) -> tuple[Floats, Floats]:
    lows, highs = _binned(time_s, line.values[cells], from_s, to_s, bins)
    if line.lowest is not None:
        lows = np.fmin(lows, _binned(time_s, line.lowest[cells], from_s, to_s, bins)[0])
    if line.highest is not None:
        highs = np.fmax(highs, _binned(time_s, line.highest[cells], from_s, to_s, bins)[1])
    return lows, highs


def _binned(
    time_s: Floats, values: Floats, from_s: float, to_s: float, bins: int = BINS
) -> tuple[Floats, Floats]:
    """Lowest and highest of each column of the drawing; NaN where nothing is known."""
    lows, highs = np.full(bins, np.inf), np.full(bins, -np.inf)
    known = np.isfinite(values)
    at = ((time_s[known] - from_s) / (to_s - from_s) * bins).astype(np.intp).clip(0, bins - 1)
    np.minimum.at(lows, at, values[known])
    np.maximum.at(highs, at, values[known])
    empty = np.isinf(lows)
    lows[empty] = highs[empty] = np.nan
    return lows, highs


def _path(lows: Floats, highs: Floats, y: Scale, canvas: Canvas = WIDE) -> str:
    """A line through the columns, up and down within each; broken where nothing is known.

    A column without a sample between two that have one is no gap, only finer than the sampling.
    """
    known = np.flatnonzero(np.isfinite(lows))
    if not known.size:
        return ""
    usual = float(np.median(np.diff(known))) if known.size > 1 else 1.0
    wide = (canvas.right - LEFT) / canvas.bins
    words: list[str] = []
    last = -math.inf
    for at in known.tolist():
        x = LEFT + (at + 0.5) * wide
        word = "M" if at - last > 3.0 * usual + 1.0 else "L"
        words.append(f"{word}{x:.1f} {y(float(lows[at])):.1f}")
        if highs[at] - lows[at] > 0.0:
            words.append(f"L{x:.1f} {y(float(highs[at])):.1f}")
        last = at
    return "".join(words)


def _calls(calls: Sequence[Call], from_s: float, to_s: float, x: Scale, y: float) -> list[str]:
    """The strip of calls as they were told at the time."""
    parts = [f'<text x="{LEFT - 4:.0f}" y="{y + 9:.1f}" class="tick">calls</text>']
    if not calls:
        return [*parts, f'<text x="{LEFT + 2:.0f}" y="{y + 9:.1f}" class="small">none kept</text>']
    for at, call in enumerate(calls):
        end = calls[at + 1].time_s if at + 1 < len(calls) else to_s
        if end <= from_s or call.time_s >= to_s:
            continue
        left, wide = x(call.time_s), max(x(end) - x(call.time_s), 0.4)
        parts.append(
            f'<rect x="{left:.1f}" y="{y:.1f}" width="{wide:.1f}" height="12" '
            f'class="call-{call.call.lower()}"/>'
        )
        if wide > 36.0:
            parts.append(
                f'<text x="{left + 3:.1f}" y="{y + 10:.1f}" class="callword">{call.call}</text>'
            )
    return parts


def _axis(
    from_s: float, to_s: float, x: Scale, y: float, stamp: TimeStamp, ticks: int
) -> list[str]:
    hours = (to_s - from_s) / 3600.0
    step_h = next((s for s in _STEPS_H if hours / s <= ticks), _STEPS_H[-1])
    step_s = step_h * 3600.0
    first = math.ceil(from_s / step_s) * step_s
    parts: list[str] = []
    for k in range(int((to_s - first) // step_s) + 1):
        at = first + k * step_s
        shown = stamp.minute(at)
        parts.append(f'<text x="{x(at):.1f}" y="{y + 20:.1f}" class="hour">{shown}</text>')
        if k == 0 or shown == "00:00":
            parts.append(
                f'<text x="{x(at):.1f}" y="{y + 32:.1f}" class="hour">{stamp.day(at)[5:]}</text>'
            )
    return parts


def _nice(raw: float) -> float:
    """A step of 1, 2 or 5 times a power of ten, not under `raw`.

    >>> _nice(0.3), _nice(7.0), _nice(0.0)
    (0.5, 10.0, 1.0)
    """
    if raw <= 0.0 or not math.isfinite(raw):
        return 1.0
    power = 10.0 ** math.floor(math.log10(raw))
    return next(k * power for k in (1.0, 2.0, 5.0, 10.0) if raw <= k * power * (1 + 1e-9))


def table_rows(section: SectionReview, coat: CoatRecord, stamp: TimeStamp) -> list[list[str]]:
    """Return the drawing as a table: one row an hour, or more where that gives over 100 rows.

    Args:
        section: that the coat is on.
        coat: the coat.
        stamp: shows times.

    Returns:
        Time, air, coldest surface, dew or frost point, least margin, highest humidity of the hour.
    """
    from_s, to_s = span_of(coat)
    every_s = 3600.0 * max(1, math.ceil((to_s - from_s) / 3600.0 / 100.0))
    series = section.series
    rows: list[list[str]] = []
    begin = from_s
    while begin < to_s:
        cells, _ = series.span(begin, min(begin + every_s, to_s))
        picked = []
        for name, pick, unit in (
            (LimitName.AIR_TEMP_MIN, np.nanmin, "°C"),
            (LimitName.AIR_TEMP_MAX, np.nanmax, "°C"),
            (LimitName.SURFACE_TEMP_MIN, np.nanmin, "°C"),
            (LimitName.DEW_MARGIN_MIN, np.nanmin, "K"),
            (LimitName.HUMIDITY_MAX, np.nanmax, "%"),
        ):
            ends = series.lowest if pick is np.nanmin else series.highest
            values = ends.get(name, series.values.get(name))
            part = np.empty(0) if values is None else values[cells]
            known = part[np.isfinite(part)]
            picked.append(figure(float(pick(known)) if known.size else None, unit))
        rows.append([stamp(begin), *picked])
        begin += every_s
    return rows
