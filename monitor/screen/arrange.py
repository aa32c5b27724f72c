"""Panels under one another or side by side: which get how many lines, and which go first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from monitor.screen.clocks_panel import clock_groups, clock_items, costs_soon
from monitor.screen.outlook_panel import (
    ahead_limits,
    ahead_lines,
    forecast_items,
    no_band_items,
    outlook_items,
    trend_limits,
    trend_lines,
)
from monitor.screen.panels import (
    climate_items,
    event_items,
    fault_items,
    limit_lines,
    sensor_items,
)
from monitor.screen.pieces import cut, flow, hanging, join, wrap
from monitor.screen.view import View
from rules.limits import is_upper
from rules.text import clean
from rules.vocabulary import LimitName

_SPARING = ("EVENTS", "SENSORS")  # what gives lines up for what is next, the first first
_LABEL = 9  # columns of a panel's name in the one-column arrangement

Lines = list[Text]


@dataclass(frozen=True, slots=True)
class Pane:
    """One panel in an arrangement.

    Attributes:
        title: its name.
        least: fewest lines that are of use; it is dropped where they do not fit.
        most: lines that it can use.
        rank: 0 goes first where lines are short.
        draw: gives at most so many lines.
    """

    title: str
    least: int
    most: int
    rank: int
    draw: Callable[[int], Lines]


def one_column(view: View, width: int, space: int) -> Lines:
    """The panels under one another, their names at the left."""
    inner = width - _LABEL
    clocks = -1 if costs_soon(view) else 1
    plan = [
        _flowing(view, "climate", climate_items(view), inner, 0),
        _trend(view, trend_limits(view)[:1], inner, 5, tall=3, ahead=True),
        _flowing(view, "clocks", clock_groups(view, inner), inner, clocks, none="no clock runs"),
        _outlook(view, inner, 2),
        _no_band(view, inner, 6),
        _sensors(view, inner, 3),
        _listed("events", event_items(view), inner, 4),
    ]
    lines: Lines = []
    for pane, count in _with_next(view, plan, _share([plan], space)[0], space, inner):
        drawn = pane.draw(count) if count else []
        for index, line in enumerate(drawn):
            title = pane.title if index == 0 else ""
            lines.append(join(view.piece(f"{title:<{_LABEL}}", "head"), line))
    return lines


def columns(view: View, width: int, space: int, count: int) -> Lines:
    """The panels side by side in two or three columns, their names above them."""
    between = 3
    each = (width - between * (count - 1)) // count
    limits = trend_limits(view)
    climate = _stacked(view, "climate", climate_items(view), each, 0)
    pieces = clock_items(view, long=True) if count > 2 else clock_groups(view, each)
    clocks = _stacked(view, "clocks", pieces, each, 1, none="no clock runs")
    told = _told(view)
    outlook = _stacked(view, "outlook", [*told[:1], *no_band_items(view), *told[1:]], each, 1)
    sensors = _sensors(view, each, 2)
    if count > 2:
        sensors = _stacked(view, "sensors", sensor_items(view, long=True), each, 2)
    events = _listed("events", event_items(view), each, 3)
    why = _stacked(view, "limits", limit_lines(view), each, 3)
    if count == 2:
        trend = _trend(view, limits[:1], each, 2, tall=7, ahead=True)
        plan = [[climate, trend, outlook, events], [clocks, sensors, why]]
    else:
        trends = [_trend(view, [name], each, 2 + i, tall=6) for i, name in enumerate(limits)]
        charts = _apart(trends, limits)
        charts[1:1] = [_ahead(view, name, each, 2) for name in ahead_limits(view)[:1]]
        plan = [[climate, outlook, why], charts, [clocks, sensors, events]]
    shares = _share(plan, space, titled=True)
    blocks: list[Lines] = []
    holds_events = 0 if count == 2 else 2
    for index, (column, counts) in enumerate(zip(plan, shares, strict=True)):
        block: Lines = []
        panes = list(zip(column, counts, strict=True))
        if index == holds_events:
            panes = _with_next(view, column, counts, space, each, titled=True)
        for pane, lines in panes:
            if not lines:
                continue
            if not pane.title:
                block += pane.draw(lines)
                continue
            rule = "─" * max(0, each - cell_len(pane.title) - 1)
            title = join(view.piece(f"{pane.title} ", "head"), view.piece(rule, "label"))
            block += [title, *pane.draw(lines - 1)]
        blocks.append(block)
    height = max((len(block) for block in blocks), default=0)
    rows: Lines = []
    for index in range(min(height, space)):
        cells: list[Text | str] = []
        for place, block in enumerate(blocks):
            cell = block[index] if index < len(block) else Text()
            cells.append(cell)
            if place < len(blocks) - 1:
                cells.append(" " * (each + between - cell.cell_len))
        rows.append(join(*cells))
    return rows


def _next_item(view: View, *, titled: bool, brief: bool = False) -> Text | None:
    """What the job's plan has next, or why there is no plan; None without a job."""
    title = view.piece("NEXT ", "head") if titled else ""
    step = view.snapshot.next_step
    if step is None:
        why = view.snapshot.no_plan
        return join(title, view.part(f"no plan: {clean(why)}", "label")) if why else None
    text = f"{clean(step.section)}, {clean(step.what)}: "
    if not brief:
        text += f"{view.when(step.from_s)} to {view.when(step.until_s)}, "
    text += f"best {view.when(step.best_s)}"
    if step.mix_ml is not None and not brief:
        text += f"; mix {view.theme.words(f'{step.mix_ml:.0f} mL')}"
    return join(title, view.part(text))


def _with_next(
    view: View,
    column: Sequence[Pane],
    counts: Sequence[int],
    space: int,
    width: int,
    *,
    titled: bool = False,
) -> list[tuple[Pane, int]]:
    """Panes with their lines, and what is next where it fits without moving what decides.

    It stands below all that decides, in lines that are free or that events and sensors can spare.
    """
    panes = list(zip(column, counts, strict=True))
    item = _next_item(view, titled=titled)
    brief = _next_item(view, titled=titled, brief=True)
    if item is None or brief is None:
        return panes
    place = next(n for n, pane in enumerate(column) if pane.title == _SPARING[0])
    while place > 0 and column[place - 1].title in _SPARING:
        place -= 1
    whole = hanging(item, width) if titled else wrap(item, width)
    for lines in (whole, [cut(brief, width)]):
        lacking = len(lines) - (space - sum(counts))
        left = list(panes)
        for n in reversed(range(place, len(column))):
            pane, count = left[n]
            least = pane.least + (1 if titled else 0)
            given = max(0, min(lacking, count - least)) if count else 0
            left[n], lacking = (pane, count - given), lacking - given
        if lacking <= 0:
            return _put(left, place, "" if titled else "NEXT", lines)
    return panes


def _put(
    panes: list[tuple[Pane, int]], place: int, title: str, lines: Lines
) -> list[tuple[Pane, int]]:
    count = len(lines)
    pane = Pane(title, count, count, 0, lambda most: lines[:most])
    return [*panes[:place], (pane, count), *panes[place:]]


def _apart(trends: Sequence[Pane], limits: Sequence[LimitName]) -> list[Pane]:
    """One chart a quantity: two bounds of one quantity would draw the same series twice."""
    seen: set[str] = set()
    kept = []
    for pane, name in zip(trends, limits, strict=True):
        quantity = name.value.rsplit("_", 1)[0]
        if quantity not in seen and not (is_upper(name) and quantity.endswith("_temp")):
            kept.append(pane)
            seen.add(quantity)
    return kept


def _flowing(view: View, name: str, items: Lines, width: int, rank: int, none: str = "") -> Pane:
    if not items and none:
        items = [view.part(none, "label")]
    lines = flow(items, width)
    least = 1 if rank else len(lines)
    draw = _counted(view, items, lambda some: flow(some, width))
    return Pane(name.upper(), least, len(lines), rank, draw)


def _told(view: View, *, brief: bool = False) -> Lines:
    """The first break, what it rests on, then the others: the last ones go where it is full."""
    first, *others = outlook_items(view, brief=brief) or [Text()]
    return [first, *forecast_items(view), *others] if first.plain else forecast_items(view)


def _outlook(view: View, width: int, rank: int) -> Pane:
    """What breaks and when; where there is no pane for the first range, without the ranges."""
    full = _flowing(view, "outlook", _told(view), width, rank)
    brief = _flowing(view, "outlook", _told(view, brief=True), width, rank)
    first = len(flow(outlook_items(view)[:1], width))

    def draw(count: int) -> Lines:
        return full.draw(count) if first <= count else brief.draw(count)

    return Pane(full.title, 1, full.most, rank, draw)


def _no_band(view: View, width: int, rank: int) -> Pane:
    """Why there is no band, in one line under the outlook, or in more where there is pane."""
    lines = [line for item in no_band_items(view) for line in wrap(item, width)]
    brief = [cut(item, width) for item in no_band_items(view)]
    return Pane("", 1, len(lines), rank, lambda count: lines if len(lines) <= count else brief)


def _sensors(view: View, width: int, rank: int) -> Pane:
    """Every body with its age; where there is no pane for all, the faults and how many are well."""
    each, brief = (flow(sensor_items(view, brief=b), width) for b in (False, True))
    return Pane(
        "SENSORS",
        len(brief),
        len(each),
        rank,
        lambda count: (each if len(each) <= count else brief)[:count],
    )


def _stacked(view: View, name: str, items: Lines, width: int, rank: int, none: str = "") -> Pane:
    if not items and none:
        items = [view.part(none, "label")]

    def stack(some: Lines) -> Lines:
        return [line for item in some for line in hanging(item, width)]

    lines = stack(items)
    least = len(lines) if name == "climate" else min(2, len(lines))
    if name == "sensors":
        least = max(1, len(stack(fault_items(view))))
    draw = _counted(view, items, stack)
    return Pane(name.upper(), least, len(lines), rank, draw)


def _listed(name: str, items: Lines, width: int, rank: int) -> Pane:
    """One line an item, the rest of a long one cut: nothing that decides stands there."""
    lines = [cut(item, width) for item in items]
    return Pane(name.upper(), 1, len(lines), rank, lambda count: lines[:count])


def _trend(
    view: View,
    limits: Sequence[LimitName],
    width: int,
    rank: int,
    tall: int,
    *,
    ahead: bool = False,
) -> Pane:
    title = "TREND"
    if not limits:
        none = [view.part("no trend yet", "label")]
        return Pane(title, 1, 1, rank, lambda _count: none)
    name = limits[0]
    return Pane(
        title, 2, tall, rank, lambda count: trend_lines(view, name, width, count, ahead=ahead)
    )


def _ahead(view: View, name: LimitName, width: int, rank: int) -> Pane:
    title = "AHEAD"
    return Pane(title, 3, 7, rank, lambda count: ahead_lines(view, name, width, count))


def _counted(view: View, items: Lines, lay: Callable[[Lines], Lines]) -> Callable[[int], Lines]:
    """Lay out as many pieces as fit; where some are left out a last one says how many."""

    def draw(count: int) -> Lines:
        lines = lay(items)
        if len(lines) <= count or len(items) < 2:
            return lines[:count]

        def some(shown: int) -> Lines:
            return lay([*items[:shown], view.part(f"+{len(items) - shown} more", "label")])

        # More pieces never take fewer lines, so that the last that fit are found by halving.
        fits, over = 1, len(items)
        while over - fits > 1:
            middle = (fits + over) // 2
            if len(some(middle)) <= count:
                fits = middle
            else:
                over = middle
        return some(fits)[:count]

    return draw


def _share(plan: Sequence[Sequence[Pane]], space: int, *, titled: bool = False) -> list[list[int]]:
    """Give each column's panes their lines: the least by rank first, then what is left by rank."""
    shares: list[list[int]] = []
    for column in plan:
        extra = 1 if titled else 0
        counts = [0] * len(column)
        left = space
        order = sorted(range(len(column)), key=lambda i: column[i].rank)
        for index in order:
            need = column[index].least + extra
            if column[index].most and need <= left:
                counts[index] = need
                left -= need
        for index in order:
            if counts[index]:
                more = min(left, column[index].most + extra - counts[index])
                counts[index] += more
                left -= more
        shares.append(counts)
    return shares
