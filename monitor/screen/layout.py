"""The screen as a pure function: one enclosure's snapshot, a size and a theme in, lines out.

The call fills the top third; under it stands why, and what would change it; then the rooms, in
the order in which a painter needs them. Nothing that decides is cut: what does not fit is dropped
by its rank, whole rooms first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from rich.cells import cell_len
from rich.text import Text

from monitor.screen.freshness import is_renewed, quiet_text
from monitor.screen.letters import big_call
from monitor.screen.panels import Rooms
from monitor.screen.pieces import flow, wrap
from monitor.screen.theme import Theme, zone_word
from monitor.snapshot import IDLE, DeskView, Snapshot
from rules.call import Call
from rules.limits import is_upper
from rules.section import SectionCall
from rules.text import clean
from rules.vocabulary import ALL_SECTIONS, FILM_STAGES, LimitName

_LABEL = 9  # columns of a room's name in the one-column arrangement

Lines = list[Text]


@dataclass(frozen=True, slots=True)
class Pane:
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


def _apart(trends: Sequence[Pane], limits: Sequence[LimitName]) -> list[Pane]:
    """One chart a quantity: two bounds of one quantity would draw the same series twice."""
    seen: set[str] = set()
    kept = []
    for room, name in zip(trends, limits, strict=True):
        quantity = name.value.rsplit("_", 1)[0]
        if quantity not in seen and not (is_upper(name) and quantity.endswith("_temp")):
            kept.append(room)
            seen.add(quantity)
    return kept


def _flowing(rooms: Rooms, name: str, items: Lines, width: int, rank: int, none: str = "") -> Pane:
    if not items and none:
        items = [rooms.part(rooms.say(none), "label")]
    lines = flow(items, width)
    least = 1 if rank else len(lines)
    draw = _counted(rooms, items, lambda some: flow(some, width))
    return Pane(rooms.say(f"room {name}"), least, len(lines), rank, draw)


def _told(rooms: Rooms, *, brief: bool = False) -> Lines:
    """The first break, what it rests on, then the others: the last ones go where it is full."""
    first, *others = rooms.outlook_items(brief=brief) or [Text()]
    return [first, *rooms.forecast_items(), *others] if first.plain else rooms.forecast_items()


def _outlook(rooms: Rooms, width: int, rank: int) -> Pane:
    """What breaks and when; where there is no room for the first range, without the ranges."""
    full = _flowing(rooms, "outlook", _told(rooms), width, rank)
    brief = _flowing(rooms, "outlook", _told(rooms, brief=True), width, rank)
    first = len(flow(rooms.outlook_items()[:1], width))

    def draw(count: int) -> Lines:
        return full.draw(count) if first <= count else brief.draw(count)

    return Pane(full.title, 1, full.most, rank, draw)


def _no_band(rooms: Rooms, width: int, rank: int) -> Pane:
    """Why there is no band, in one line under the outlook, or in more where there is room."""
    lines = [line for item in rooms.no_band_items() for line in wrap(item, width)]
    brief = [cut(item, width) for item in rooms.no_band_items()]
    return Pane("", 1, len(lines), rank, lambda count: lines if len(lines) <= count else brief)


def _sensors(rooms: Rooms, width: int, rank: int) -> Pane:
    """Every body with its age; where there is no room for all, the faults and how many are well."""
    each, brief = (flow(rooms.sensor_items(brief=b), width) for b in (False, True))
    return Pane(
        rooms.say("room sensors"),
        len(brief),
        len(each),
        rank,
        lambda count: (each if len(each) <= count else brief)[:count],
    )


def _stacked(rooms: Rooms, name: str, items: Lines, width: int, rank: int, none: str = "") -> Pane:
    if not items and none:
        items = [rooms.part(rooms.say(none), "label")]

    def stack(some: Lines) -> Lines:
        return [line for item in some for line in hanging(item, width)]

    lines = stack(items)
    least = len(lines) if name == "climate" else min(2, len(lines))
    if name == "sensors":
        least = max(1, len(stack(rooms.fault_items())))
    draw = _counted(rooms, items, stack)
    return Pane(rooms.say(f"room {name}"), least, len(lines), rank, draw)


def _listed(rooms: Rooms, name: str, items: Lines, width: int, rank: int) -> Pane:
    """One line an item, the rest of a long one cut: nothing that decides stands there."""
    lines = [cut(item, width) for item in items]
    return Pane(rooms.say(f"room {name}"), 1, len(lines), rank, lambda count: lines[:count])


def _trend_room(
    rooms: Rooms,
    limits: Sequence[LimitName],
    width: int,
    rank: int,
    tall: int,
    *,
    ahead: bool = False,
) -> Pane:
    title = rooms.say("room trend")
    if not limits:
        none = [rooms.part(rooms.say("no-trend"), "label")]
        return Pane(title, 1, 1, rank, lambda _count: none)
    name = limits[0]
    return Pane(
        title, 2, tall, rank, lambda count: rooms.trend_lines(name, width, count, ahead=ahead)
    )


def _ahead_room(rooms: Rooms, name: LimitName, width: int, rank: int) -> Pane:
    title = rooms.say("room ahead")
    return Pane(title, 3, 7, rank, lambda count: rooms.ahead_lines(name, width, count))


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


def _share(plan: Sequence[Sequence[Pane]], space: int, *, titled: bool = False) -> list[list[int]]:
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


WIDE_COLUMNS, WIDE_ROWS = 110, 32
VAST_COLUMNS, VAST_ROWS = 160, 48
SMALL_COLUMNS, SMALL_ROWS = 60, 20  # below, only what decides is shown
LEAST_COLUMNS, LEAST_ROWS = 30, 9  # below, no more than words


class Size(NamedTuple):
    """Of the terminal, in cells."""

    columns: int
    rows: int


def render(snapshot: Snapshot, size: Size, theme: Theme, desk: DeskView = IDLE) -> Lines:
    """Draw the whole screen.

    Args:
        snapshot: of one enclosure.
        size: of the terminal.
        theme: colours, units, hours and words.
        desk: what the key desk asks or tells.

    Returns:
        Exactly `size.rows` lines of exactly `size.columns` cells; never under 4 by 20.
    """
    rooms = Rooms(snapshot, theme)
    size = Size(max(20, size.columns), max(4, size.rows))
    small = size.rows < SMALL_ROWS or size.columns < SMALL_COLUMNS
    tiny = size.columns < LEAST_COLUMNS or size.rows < LEAST_ROWS
    lines = (_tiny if tiny else _small if small else _large)(rooms, size, desk)
    page = theme.style("page")
    return [_padded(line, size.columns, page) for line in _exactly(lines, size.rows)]


# --- the band with the call


def _band(rooms: Rooms, size: Size, spare_rows: int) -> Lines:
    """The call's line, its letters and what is asked, `spare_rows` high at most."""
    call = rooms.worst
    if call is None:
        return [_padded(_head(rooms, size.columns), size.columns, rooms.theme.style("unknown"))]
    width = size.columns
    asked = _asked(rooms, call, width)
    height = spare_rows - 1 - len(asked)
    airy = 1 if height >= 8 else 0
    renewed = is_renewed(rooms.snapshot)
    rows = min(height - airy, max(3, width // 5))
    letters = big_call(call.call, rows, width - 4, renewed=renewed)
    body = [Text()] * airy + [Text(f"  {row}") for row in letters]
    if not letters:
        body = [Text(f" {_word(rooms, call)}")]
    body += [Text()] * (height - len(body))
    old_go = call.call is Call.GO and not renewed
    style = rooms.theme.style("quiet-go") if old_go else rooms.theme.band(call.call)
    return [_padded(line, width, style) for line in (_head(rooms, width), *body, *asked)]


def _head(rooms: Rooms, width: int) -> Text:
    """Where, which question, and when; a recording says that it is one."""
    snapshot, theme, say = rooms.snapshot, rooms.theme, rooms.say
    zone, now_s = rooms.zone, snapshot.time_s
    hour, word = theme.hour(now_s, zone), zone_word(now_s, zone)
    date = theme.date(now_s, zone)
    call = rooms.worst
    where = clean(snapshot.enclosure)
    about = ""
    if call is not None:
        if call.section != ALL_SECTIONS:
            where += f" / {clean(call.section)}"
        question = say(f"question {call.question}")
        about = f"{question} ({say(f'stage {call.stage}')})"
    if snapshot.recorded:
        rights = [
            say("recording-when", what=say(key), date=date, hour=hour, zone=word)
            for key in ("recording", "recording-short")
        ]
        mark = theme.style("recording")
    else:
        day = theme.words.hour_day(now_s, zone)
        rights = [say("now", day=day, hour=hour, zone=word), f"{hour} {word}"]
        mark = None
    lefts = [f" {where}   {about}", f" {where}  {about}", f" {where}", ""]
    for left in lefts:
        for right in rights:
            if cell_len(left) + cell_len(right) + 3 <= width:
                blank = " " * (width - cell_len(left) - cell_len(right) - 1)
                stamp = Text(right, style=mark) if mark is not None else Text(right)
                return Text.assemble(left, blank, stamp)
    stamp = Text(rights[-1], style=mark) if mark is not None else Text(rights[-1])
    return cut(stamp, width)


def _asked(rooms: Rooms, call: SectionCall, width: int) -> Lines:
    """Whether nothing renews the call, what it asks of the painter, and since when it stands."""
    asked = call.advice
    if call.section != ALL_SECTIONS:
        asked = rooms.say("advice-line", section=clean(call.section), advice=asked)
    since = rooms.say("since", when=rooms.when(call.since_s))
    lines = [Text.assemble(" ", line) for line in wrap(Text(asked), width - 2)]
    blank = width - 1 - lines[-1].cell_len - cell_len(since)
    if blank >= 2:
        lines[-1].append(" " * blank + since)
    return _quiet(rooms, width) + lines


def _quiet(rooms: Rooms, width: int) -> Lines:
    """That no readings come, right under the letters that would else be taken for the present."""
    snapshot, theme = rooms.snapshot, rooms.theme
    text = quiet_text(snapshot, theme, long=True)
    if cell_len(text) > width - 3:
        text = quiet_text(snapshot, theme)
    style = theme.style("quiet")
    return [Text.assemble(" ", (line.plain, style)) for line in wrap(Text(text), width - 2) if text]


def _word(rooms: Rooms, call: SectionCall) -> str:
    """The call's word; a GO that nothing renews is asked, not said."""
    quiet = call.call is Call.GO and not is_renewed(rooms.snapshot)
    return f"{call.call.value}?" if quiet else call.call.value


# --- below the band


def _tiny(rooms: Rooms, size: Size, desk: DeskView) -> Lines:
    """Words alone, for a terminal too small for anything else."""
    call = rooms.worst
    words = [*desk.lines, *filter(None, [quiet_text(rooms.snapshot, rooms.theme)])]
    if any(each.call is Call.GO for each in rooms.snapshot.calls):
        words.append(rooms.say("film-is-not-air"))
    if call is None:
        words.append(rooms.say("no-call"))
    else:
        named = "too-small" if call.section != ALL_SECTIONS else "too-small-all"
        section = clean(call.section)
        word = _word(rooms, call)
        words.append(rooms.say(named, call=word, section=section, advice=call.advice))
        words.append(rooms.sentence(call, 1))
    return [line for each in words for line in wrap(Text(clean(each)), size.columns)]


def _small(rooms: Rooms, size: Size, desk: DeskView) -> Lines:
    """Call, reason, the other sections' calls, next clock; what else fits. For a small terminal."""
    width = size.columns - 2
    sentences = [_sentence(rooms, width, clauses) for clauses in (3, 2, 1)]
    sections = flow(rooms.section_items()[1:], width, "   ")
    loud = _alarm(rooms, width, small=True) + _notices(rooms, width)
    foot = _foot(rooms, width, desk, small=True)
    faults = flow(rooms.fault_items(), width)
    clock = _next_clock(rooms, width)
    least = 1 + len(_asked(rooms, rooms.worst, size.columns)) if rooms.worst else 1
    if desk.keys_page:
        sentences = [flow([Text(clean(key)) for key in desk.keys_page], width)[: size.rows // 3]]
        sections, clock, faults = [], [], []
    choices = [[*text, *sections, *loud, *clock] for text in sentences]
    choices = [
        [*choices[0], *faults],
        *choices,
        [*sentences[-1], *sections, *loud, *clock[:1]],
        [*sentences[-1], *sections, *loud],
        [*sentences[-1], *loud],
    ]
    for body in choices:
        letters = size.rows - least - len(body) - len(foot)
        if letters >= 3:
            break
    letters = max(1, min(letters, max(4, size.rows // 3 - least)))
    band = _band(rooms, size, least + letters)
    body = body[: max(0, size.rows - len(band) - len(foot))]
    space = size.rows - len(band) - len(body) - len(foot)
    more = flow(rooms.clock_items()[1:], width) + flow(rooms.climate_items(), width)
    more = more[: max(0, space)]
    more += [Text()] * (space - len(more))
    return band + [Text.assemble(" ", line) for line in (*body, *more, *foot)]


def _large(rooms: Rooms, size: Size, desk: DeskView) -> Lines:
    """The whole screen: band, sentence, sections, alarm, rooms, caution and keys."""
    width = size.columns - 2
    wide, vast = size.columns >= WIDE_COLUMNS, size.columns >= VAST_COLUMNS
    band = _band(rooms, size, size.rows // 3)
    top = _sentence(rooms, width) + _sections(rooms, width, wide=wide)
    top += _alarm(rooms, width, small=False) + _notices(rooms, width)
    foot = _foot(rooms, width, desk, small=False)
    space = size.rows - len(band) - len(top) - len(foot)
    if desk.keys_page:
        title = Text.assemble(
            rooms.part(f"{rooms.say('room keys')}  ", "head"), rooms.say("keys-page")
        )
        middle = [title, *_table(desk.keys_page, width, max(1, width // 26))][: max(0, space)]
    elif wide and space >= WIDE_ROWS // 2:
        middle = columns(rooms, width, space, 3 if vast else 2)
    else:
        middle = one_column(rooms, width, space)
    middle += [Text()] * (space - len(middle))
    return band + [Text.assemble(" ", line) for line in (*top, *middle, *foot)]


def _next_clock(rooms: Rooms, width: int) -> Lines:
    """The clock that ends next, without its hour where that would take a second line."""
    for long in (True, False):
        item = rooms.next_clock(with_hour=long)
        if item is None:
            return []
        lines = wrap(item, width)
        if len(lines) == 1:
            break
    return lines


def _sentence(rooms: Rooms, width: int, clauses: int = 3) -> Lines:
    call = rooms.worst
    text = rooms.say("no-call") if call is None else rooms.sentence(call, clauses)
    return wrap(Text(text, style=rooms.theme.style("strong")), width)


def _sections(rooms: Rooms, width: int, *, wide: bool) -> Lines:
    if wide:
        return [line for each in rooms.section_lines()[1:] for line in wrap(each, width)]
    return flow(rooms.section_items(), width, "   ")


def _alarm(rooms: Rooms, width: int, *, small: bool) -> Lines:
    if not rooms.snapshot.alarm:
        return []
    mark = f" {rooms.say('alarm')}: {rooms.say('alarm-how')} "
    text = rooms.say("alarm-small") if small else clean(rooms.snapshot.alarm)
    style = rooms.theme.style("alarm")
    return wrap(Text.assemble((mark, style), " ", text), width)


def _notices(rooms: Rooms, width: int) -> Lines:
    style = rooms.theme.style("unknown")
    lines: Lines = []
    for notice in rooms.snapshot.notices:
        lines += wrap(Text.assemble((rooms.say("notice"), style), " ", clean(notice)), width)
    return lines


def _foot(rooms: Rooms, width: int, desk: DeskView, *, small: bool) -> Lines:
    """The line of caution, and under it the desk's question or the usual keys."""
    lines: Lines = []
    cautions = rooms.caution_items()
    go = any(call.call is Call.GO for call in rooms.snapshot.calls)
    if small:
        lines += wrap(cautions[0], width) if go else []
    elif width >= WIDE_COLUMNS - 2:
        shown = cautions if width >= VAST_COLUMNS - 2 else cautions[:2]
        lines += [line for each in shown for line in wrap(each, width)]
    else:
        film_open = any(call.stage in FILM_STAGES for call in rooms.snapshot.calls)
        lines += wrap(cautions[0 if go or not film_open else 1], width)
    if desk.lines:
        style = rooms.theme.style("prompt" if desk.asking else "ok")
        for line in desk.lines:
            lines += wrap(Text(clean(line), style=style), width)
    elif not small:
        text = rooms.say("keys-line")
        if cell_len(text) > width:
            text = rooms.say("keys-line-short")
        lines.append(cut(rooms.part(text, "label"), width))
    return lines


# --- lines


def _table(entries: Sequence[str], width: int, columns: int) -> Lines:
    each = width // columns
    rows = -(-len(entries) // columns)
    return [
        Text("".join(f"{clean(entry):<{each}}" for entry in entries[row::rows])[:width])
        for row in range(rows)
    ]


def _exactly(lines: Lines, rows: int) -> Lines:
    return [*lines[:rows], *([Text()] * (rows - len(lines)))]


def _padded(line: Text, width: int, style: object) -> Text:
    padded = line.copy()
    padded.truncate(width, overflow="crop", pad=True)
    whole = Text(no_wrap=True, overflow="crop", end="")
    whole.append_text(padded)
    whole.stylize_before(style, 0, len(whole))  # type: ignore[arg-type]
    return whole
