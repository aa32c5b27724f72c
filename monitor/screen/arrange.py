"""How the rooms share the lines under the call: one below another, or side by side in columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from monitor.screen.panels import Rooms
from monitor.screen.pieces import flow, wrap
from rules.limits import is_upper
from rules.vocabulary import LimitName

_LABEL = 9  # columns of a room's name in the one-column arrangement

Lines = list[Text]


@dataclass(frozen=True, slots=True)
class Room:
    """One room in an arrangement.

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


def one_column(rooms: Rooms, width: int, space: int) -> Lines:
    """The rooms under one another, their names at the left."""
    inner = width - _LABEL
    plan = [
        _flowing(rooms, "climate", rooms.climate_items(), inner, 0),
        _trend_room(rooms, rooms.trend_limits()[:1], inner, 5, tall=3, ahead=True),
        _flowing(rooms, "clocks", rooms.clock_groups(), inner, 1, none="no-clocks"),
        _outlook(rooms, inner, 2),
        _no_band(rooms, inner, 6),
        _sensors(rooms, inner, 3),
        _listed(rooms, "events", rooms.event_items(), inner, 4),
    ]
    lines: Lines = []
    for room, count in zip(plan, _share([plan], space)[0], strict=True):
        drawn = room.draw(count) if count else []
        for index, line in enumerate(drawn):
            title = room.title if index == 0 else ""
            lines.append(Text.assemble(rooms.part(f"{title:<{_LABEL}}", "head"), line))
    return lines


def columns(rooms: Rooms, width: int, space: int, count: int) -> Lines:
    """The rooms side by side in two or three columns, their names above them."""
    between = 3
    each = (width - between * (count - 1)) // count
    limits = rooms.trend_limits()
    climate = _stacked(rooms, "climate", rooms.climate_items(), each, 0)
    pieces = rooms.clock_items(long=True) if count > 2 else rooms.clock_groups()
    clocks = _stacked(rooms, "clocks", pieces, each, 1, none="no-clocks")
    told = _told(rooms)
    outlook = _stacked(rooms, "outlook", [*told[:1], *rooms.no_band_items(), *told[1:]], each, 1)
    sensors = _sensors(rooms, each, 2)
    if count > 2:
        sensors = _stacked(rooms, "sensors", rooms.sensor_items(long=True), each, 2)
    events = _listed(rooms, "events", rooms.event_items(), each, 3)
    why = _stacked(rooms, "limits", rooms.limit_lines(), each, 3)
    if count == 2:
        trend = _trend_room(rooms, limits[:1], each, 2, tall=7, ahead=True)
        plan = [[climate, trend, outlook, events], [clocks, sensors, why]]
    else:
        trends = [_trend_room(rooms, [name], each, 2 + i, tall=6) for i, name in enumerate(limits)]
        charts = _apart(trends, limits)
        charts[1:1] = [_ahead_room(rooms, name, each, 2) for name in rooms.ahead_limits()[:1]]
        plan = [[climate, outlook, why], charts, [clocks, sensors, events]]
    shares = _share(plan, space, titled=True)
    blocks: list[Lines] = []
    for column, counts in zip(plan, shares, strict=True):
        block: Lines = []
        for room, lines in zip(column, counts, strict=True):
            if not lines:
                continue
            rule = "─" * max(0, each - cell_len(room.title) - 1)
            title = Text.assemble(rooms.part(f"{room.title} ", "head"), rooms.part(rule, "label"))
            block += [title, *room.draw(lines - 1)]
        blocks.append(block)
    height = max((len(block) for block in blocks), default=0)
    rows: Lines = []
    for index in range(min(height, space)):
        row = Text()
        for place, block in enumerate(blocks):
            cell = block[index].copy() if index < len(block) else Text()
            if place < len(blocks) - 1:
                cell.append(" " * (each + between - cell.cell_len))
            row.append_text(cell)
        rows.append(row)
    return rows


def _apart(trends: Sequence[Room], limits: Sequence[LimitName]) -> list[Room]:
    """One chart a quantity: two bounds of one quantity would draw the same series twice."""
    seen: set[str] = set()
    kept = []
    for room, name in zip(trends, limits, strict=True):
        quantity = name.value.rsplit("_", 1)[0]
        if quantity not in seen and not (is_upper(name) and quantity.endswith("_temp")):
            kept.append(room)
            seen.add(quantity)
    return kept


def _flowing(rooms: Rooms, name: str, items: Lines, width: int, rank: int, none: str = "") -> Room:
    if not items and none:
        items = [rooms.part(rooms.say(none), "label")]
    lines = flow(items, width)
    least = 1 if rank else len(lines)
    draw = _counted(rooms, items, lambda some: flow(some, width))
    return Room(rooms.say(f"room {name}"), least, len(lines), rank, draw)


def _told(rooms: Rooms, *, brief: bool = False) -> Lines:
    """The first break, what it rests on, then the others: the last ones go where it is full."""
    first, *others = rooms.outlook_items(brief=brief) or [Text()]
    return [first, *rooms.forecast_items(), *others] if first.plain else rooms.forecast_items()


def _outlook(rooms: Rooms, width: int, rank: int) -> Room:
    """What breaks and when; where there is no room for the first range, without the ranges."""
    full = _flowing(rooms, "outlook", _told(rooms), width, rank)
    brief = _flowing(rooms, "outlook", _told(rooms, brief=True), width, rank)
    first = len(flow(rooms.outlook_items()[:1], width))

    def draw(count: int) -> Lines:
        return full.draw(count) if first <= count else brief.draw(count)

    return Room(full.title, 1, full.most, rank, draw)


def _no_band(rooms: Rooms, width: int, rank: int) -> Room:
    """Why there is no band, in one line under the outlook, or in more where there is room."""
    lines = [line for item in rooms.no_band_items() for line in wrap(item, width)]
    brief = [cut(item, width) for item in rooms.no_band_items()]
    return Room("", 1, len(lines), rank, lambda count: lines if len(lines) <= count else brief)


def _sensors(rooms: Rooms, width: int, rank: int) -> Room:
    """Every body with its age; where there is no room for all, the faults and how many are well."""
    each, brief = (flow(rooms.sensor_items(brief=b), width) for b in (False, True))
    return Room(
        rooms.say("room sensors"),
        len(brief),
        len(each),
        rank,
        lambda count: (each if len(each) <= count else brief)[:count],
    )


def _stacked(rooms: Rooms, name: str, items: Lines, width: int, rank: int, none: str = "") -> Room:
    if not items and none:
        items = [rooms.part(rooms.say(none), "label")]

    def stack(some: Lines) -> Lines:
        return [line for item in some for line in hanging(item, width)]

    lines = stack(items)
    least = len(lines) if name == "climate" else min(2, len(lines))
    if name == "sensors":
        least = max(1, len(stack(rooms.fault_items())))
    draw = _counted(rooms, items, stack)
    return Room(rooms.say(f"room {name}"), least, len(lines), rank, draw)


def _listed(rooms: Rooms, name: str, items: Lines, width: int, rank: int) -> Room:
    """One line an item, the rest of a long one cut: nothing that decides stands there."""
    lines = [cut(item, width) for item in items]
    return Room(rooms.say(f"room {name}"), 1, len(lines), rank, lambda count: lines[:count])


def _trend_room(
    rooms: Rooms,
    limits: Sequence[LimitName],
    width: int,
    rank: int,
    tall: int,
    *,
    ahead: bool = False,
) -> Room:
    title = rooms.say("room trend")
    if not limits:
        none = [rooms.part(rooms.say("no-trend"), "label")]
        return Room(title, 1, 1, rank, lambda _count: none)
    name = limits[0]
    return Room(
        title, 2, tall, rank, lambda count: rooms.trend_lines(name, width, count, ahead=ahead)
    )


def _ahead_room(rooms: Rooms, name: LimitName, width: int, rank: int) -> Room:
    title = rooms.say("room ahead")
    return Room(title, 3, 7, rank, lambda count: rooms.ahead_lines(name, width, count))


def _counted(rooms: Rooms, items: Lines, lay: Callable[[Lines], Lines]) -> Callable[[int], Lines]:
    """Lay out as many pieces as fit; where some are left out a last one says how many."""

    def draw(count: int) -> Lines:
        lines = lay(items)
        for shown in range(len(items) - 1, 0, -1):
            if len(lines) <= count:
                break
            more = rooms.part(rooms.say("more", count=len(items) - shown), "label")
            lines = lay([*items[:shown], more])
        return lines[:count]

    return draw


def _share(plan: Sequence[Sequence[Room]], space: int, *, titled: bool = False) -> list[list[int]]:
    """Give each column's rooms their lines: the least by rank first, then what is left by rank."""
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


# --- lines


def hanging(item: Text, width: int) -> Lines:
    lines = wrap(item, width)
    if len(lines) == 1:
        return lines
    rest = item.copy()
    rest = rest[len(lines[0].plain) :]
    blank = len(rest.plain) - len(rest.plain.lstrip())
    return [lines[0], *(Text.assemble("  ", line) for line in wrap(rest[blank:], width - 2))]


def cut(line: Text, width: int) -> Text:
    if line.cell_len <= width:
        return line
    cut = line.copy()
    cut.truncate(width, overflow="ellipsis")
    return cut
