"""Charts in characters: a series as bars on its bound, and the band of the hours to come."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from enum import IntEnum
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from monitor.snapshot import Band

EIGHTHS = " ▁▂▃▄▅▆▇█"
HALVES = " ▄█"
_BASE, _GAP = "─", "·"
_MOST_S = 12 * 3600.0


class Chart(NamedTuple):
    """A chart in characters.

    Attributes:
        rows: of one length, the top first; the last one is the base line.
        under: the columns in which the series was past its bound.
        top: what the chart's upper edge stands for, measured from the bound [unit].
        span_s: how much time it shows [s].
    """

    rows: tuple[str, ...]
    under: frozenset[int]
    top: float
    span_s: float


@lru_cache(maxsize=64)
def chart_of(
    series: tuple[tuple[float, float], ...],
    now_s: float,
    width: int,
    rows: int,
    bound: float,
    *,
    upper: bool = False,
    few_glyphs: bool = False,
    least_top: float = 0.0,
) -> Chart | None:
    """Draw how far a series stood inside its bound, the worst value of every column.

    Args:
        series: (time [s], value), ordered by time.
        now_s: the right edge [s].
        width: columns.
        rows: lines, the base line among them; at least 2.
        bound: the base line [unit].
        upper: True where the bound is an upper one, so that room is under it.
        few_glyphs: half blocks only.
        least_top: what the upper edge stands for at least, for a chart beside it [unit].

    Returns:
        The chart, or None where nothing of the last hours is known.

    >>> series = tuple((3600.0 * hour, value) for hour, value in enumerate((6, 5, 4, 2)))
    >>> chart = chart_of(series, 10800.0, 4, 2, 3.0)
    >>> chart.rows
    ('█▆▃ ', '───▀')
    """
    recent = _recent(series, now_s)
    if not recent or width < 2 or rows < 2:
        return None
    span_s = span_shown_s(series, now_s)
    begin_s = now_s - span_s
    worst: list[float | None] = [None] * width
    for time_s, value in recent:
        if time_s < begin_s:
            continue
        column = min(width - 1, int((time_s - begin_s) / span_s * width))
        inside = bound - value if upper else value - bound
        known = worst[column]
        worst[column] = inside if known is None else min(known, inside)
    _bridge(worst, recent, span_s)

    known_rooms = [room for room in worst if room is not None]
    top = nice_top(max([*known_rooms, least_top, 0.0]))
    bars = rows - 1
    glyphs = HALVES if few_glyphs else EIGHTHS
    steps = len(glyphs) - 1
    lines: list[str] = []
    for row in range(bars):
        floor = (bars - 1 - row) * steps
        line = ""
        for room in worst:
            filled = 0 if room is None or room <= 0.0 else math.ceil(room / top * bars * steps)
            line += glyphs[max(0, min(steps, filled - floor))]
        lines.append(line)
    lines.append("".join(_base(room, top / bars) for room in worst))
    under = frozenset(x for x, room in enumerate(worst) if room is not None and room < 0.0)
    return Chart(tuple(lines), under, top, span_s)


@lru_cache(maxsize=64)
def span_shown_s(series: tuple[tuple[float, float], ...], now_s: float) -> float:
    """Return how much time a chart of a series shows: whole hours, 1 to 12 [s]."""
    recent = _recent(series, now_s)
    since_s = now_s - recent[0][0] if recent else 0.0
    return min(_MOST_S, max(3600.0, math.ceil(since_s / 3600.0 - 0.1) * 3600.0))


def _recent(series: Sequence[tuple[float, float]], now_s: float) -> list[tuple[float, float]]:
    first = bisect_left(series, (now_s - _MOST_S,))
    return [(t, v) for t, v in series[first:] if t <= now_s and math.isfinite(v)]


def _bridge(
    worst: list[float | None], recent: Sequence[tuple[float, float]], span_s: float
) -> None:
    """Carry a value over columns narrower than the series' usual step; longer gaps stay empty."""
    steps = sorted(later[0] - earlier[0] for earlier, later in pairwise(recent))
    usual_s = steps[len(steps) // 2] if steps else 0.0
    reach = math.ceil(2.0 * usual_s / span_s * len(worst))
    last: float | None = None
    age = 0
    for column, room in enumerate(worst):
        if room is not None:
            last, age = room, 0
        elif last is not None and age < reach:
            age += 1
            worst[column] = last


def _base(room: float | None, cell: float) -> str:
    if room is None:
        return _GAP
    if room >= 0.0:
        return _BASE
    return "▀" if -room < 0.75 * cell else "█"


def nice_top(top: float) -> float:
    """Return the next of 1, 2, 3, 5 or 8 times a power of ten."""
    if top <= 1.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(top))
    return next(n * power for n in (1.0, 2.0, 3.0, 5.0, 8.0, 10.0) if n * power >= top - 1e-9)


HALF_KEPT, TENTH_KEPT = "▒", "░"
_RISK = "─▀█"


class Risk(IntEnum):
    """How probable it is that a column is past the bound."""

    LITTLE = 0  # under one course in ten
    SOME = 1  # one in ten or more
    LIKELY = 2  # one in two or more


class BandChart(NamedTuple):
    """A chart in characters.

    Attributes:
        rows: of one length, the top first; the last one is the base line.
        risks: of each column.
        top: what the upper edge stands for, measured from the bound [unit].
        span_s: how much time it shows [s].
    """

    rows: tuple[str, ...]
    risks: tuple[Risk, ...]
    top: float
    span_s: float


@lru_cache(maxsize=64)
def rooms_of(
    times_s: tuple[float, ...],
    band: Band,
    now_s: float,
    span_s: float,
    width: int,
    bound: float,
    *,
    upper: bool = False,
) -> tuple[tuple[float, float, float] | None, ...]:
    """Return, column by column, how far inside its bound a quantity will be.

    Args:
        times_s: instants of the band, ascending [s].
        band: values that 10, 50 and 90 % of the courses stay under.
        now_s: the left edge [s].
        span_s: how much time the columns share [s].
        width: columns.
        bound: what the rooms are measured from [unit].
        upper: True where the bound is an upper one.

    Returns:
        What nine courses in ten keep, five, and one; None where the band does not reach.
    """
    low, middle, high = band
    rooms: list[tuple[float, float, float] | None] = []
    for column in range(width):
        time_s = now_s + (column + 0.5) / width * span_s
        values = [_at(times_s, row, time_s) for row in (low, middle, high)]
        if upper:
            values = [bound - value for value in reversed(values)]
        else:
            values = [value - bound for value in values]
        known = all(math.isfinite(value) for value in values)
        rooms.append((values[0], values[1], values[2]) if known else None)
    return tuple(rooms)


@lru_cache(maxsize=64)
def band_chart_of(
    rooms: tuple[tuple[float, float, float] | None, ...],
    rows: int,
    span_s: float,
    *,
    top: float | None = None,
    few_glyphs: bool = False,
) -> BandChart | None:
    """Draw rooms as bars that stand on the bound; what may break hangs below it.

    Solid is what nine courses in ten keep, dark shade what five do, light shade what one does.

    Args:
        rooms: from `rooms_of`.
        rows: lines, the base line among them; at least 2.
        span_s: how much time the columns share [s].
        top: of a chart beside it, so that both have one scale; None to choose [unit].
        few_glyphs: half blocks only.

    Returns:
        The chart, or None where nothing is known.

    >>> rooms = ((2.0, 4.0, 6.0), (0.5, 3.0, 6.0), (-1.0, 2.0, 5.0), (-2.0, -0.5, 3.0), None)
    >>> chart = band_chart_of(rooms, 4, 3600.0, top=6.0)
    >>> chart.rows
    ('░░░  ', '▒▒░░ ', '█▂▒░ ', '──▀█·')
    """
    known = [room for room in rooms if room is not None]
    if not known or rows < 2:
        return None
    if top is None:
        top = nice_top(max(max(room[2] for room in known), 0.0))
    bars = rows - 1
    glyphs = HALVES if few_glyphs else EIGHTHS
    steps = len(glyphs) - 1
    lines = []
    for row in range(bars):
        level = bars - 1 - row
        line = ""
        for room in rooms:
            line += " " if room is None else _cell(room, top, bars, level, glyphs, steps)
        lines.append(line)
    risks = tuple(Risk.LITTLE if room is None else _risk(room) for room in rooms)
    base = zip(rooms, risks, strict=True)
    lines.append("".join(_GAP if room is None else _RISK[risk] for room, risk in base))
    return BandChart(tuple(lines), risks, top, span_s)


def _cell(
    room: tuple[float, float, float], top: float, bars: int, level: int, glyphs: str, steps: int
) -> str:
    kept, half, tenth = room
    filled = 0 if kept <= 0.0 else math.ceil(kept / top * bars * steps) - level * steps
    if filled > 0:
        return glyphs[min(steps, filled)]
    centre = (level + 0.5) * top / bars
    return HALF_KEPT if half >= centre else TENTH_KEPT if tenth >= centre else " "


def _risk(room: tuple[float, float, float]) -> Risk:
    return Risk.LIKELY if room[1] < 0.0 else Risk.SOME if room[0] < 0.0 else Risk.LITTLE


def _at(times_s: Sequence[float], values: Sequence[float], time_s: float) -> float:
    """The value at a time by a straight line, NaN outside."""
    after = bisect_left(times_s, time_s)
    if after == len(times_s) or (after == 0 and times_s[0] > time_s):
        return math.nan
    if after == 0 or times_s[after] == time_s:
        return values[after]
    begin_s, end_s = times_s[after - 1], times_s[after]
    part = (time_s - begin_s) / (end_s - begin_s)
    return values[after - 1] + part * (values[after] - values[after - 1])
