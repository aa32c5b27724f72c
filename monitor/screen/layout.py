"""The screen as a pure function: one enclosure's snapshot, a size and a theme in, lines out.

The call fills the top third; under it stands why, and what would change it; then the panels, in
the order in which a painter needs them. Nothing that decides is cut: what does not fit is dropped
by its rank, whole rooms first.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import product
from typing import NamedTuple

from rich.cells import cell_len
from rich.style import Style
from rich.text import Span, Text

from monitor.contract import GO_ASKED
from monitor.screen.arrange import columns, one_column
from monitor.screen.clocks_panel import costs_soon, next_clock, urgent_items
from monitor.screen.freshness import is_renewed, quiet_text
from monitor.screen.glance import dial_lines
from monitor.screen.keys import ALARM_KEYS
from monitor.screen.letters import big_call
from monitor.screen.panels import (
    climate_items,
    fault_items,
    notices,
    section_items,
    section_lines,
    sentence,
)
from monitor.screen.phrases import (
    BREATHING,
    FILM_IS_NOT_AIR,
    NO_CALL,
    NOTHING_INSIDE,
    SHORT_WORDS,
    SPARK,
    VAPOUR,
    VAPOUR_BRIEF,
)
from monitor.screen.pieces import cut, flow, join, wrap
from monitor.screen.theme import Theme, zone_word
from monitor.screen.view import View
from monitor.snapshot import IDLE, DeskView, Snapshot
from rules.call import Call
from rules.section import SectionCall
from rules.text import clean, date_text, weekday_text
from rules.vocabulary import ALL_SECTIONS, FILM_STAGES

Lines = list[Text]

WIDE_COLUMNS, WIDE_ROWS = 110, 32
VAST_COLUMNS, VAST_ROWS = 160, 48
SMALL_COLUMNS, SMALL_ROWS = 60, 20  # below, only what decides is shown
LEAST_COLUMNS, LEAST_ROWS = 30, 9  # below, no more than words
_DIALS_SHARE = 0.4  # of a glance's lines
_LEAST_OF_NAMES = 12  # cells of the head, else they are left out
_LEAST_LETTERS = 3  # lines of the word, whatever else there is no room for


class Size(NamedTuple):
    """Of the terminal, in cells."""

    columns: int
    rows: int


def render(
    snapshot: Snapshot, size: Size, theme: Theme, desk: DeskView = IDLE, *, glance: bool = False
) -> Lines:
    """Draw the whole screen.

    Args:
        snapshot: of one enclosure.
        size: of the terminal.
        theme: colours, units, hours and words.
        desk: what the key desk asks or tells.
        glance: only word, figure and clock, in big letters.

    Returns:
        Exactly `size.rows` lines of exactly `size.columns` cells; never under 4 by 20.
    """
    view = View(theme.worded(snapshot), theme)
    size = Size(max(20, size.columns), max(4, size.rows))
    small = size.rows < SMALL_ROWS or size.columns < SMALL_COLUMNS
    tiny = size.columns < LEAST_COLUMNS or size.rows < LEAST_ROWS
    glance = glance and not desk.keys_page and view.worst is not None
    draw = _tiny if tiny else _glance if glance else _small if small else _large
    lines = draw(view, size, desk)
    page = theme.style("page")
    return [_padded(line, size.columns, page) for line in _exactly(lines, size.rows)]


# --- the band with the call


def _band(view: View, size: Size, spare_rows: int) -> Lines:
    """The call's line, its letters and what is asked, `spare_rows` high at most."""
    call = view.worst
    if call is None:
        return [_padded(_head(view, size.columns), size.columns, view.theme.style("unknown"))]
    width = size.columns
    asked = _asked(view, call, width)
    height = spare_rows - 1 - len(asked)
    airy = 1 if height >= 8 else 0
    renewed = is_renewed(view.snapshot)
    rows = min(height - airy, max(3, width // 5))
    letters = big_call(call.call, rows, width - 4, renewed=renewed)
    body = [Text()] * airy + [Text(f"  {row}") for row in letters]
    if not letters:
        body = [Text(f" {_word(view, call)}")]
    body += [Text()] * (height - len(body))
    old_go = call.call is Call.GO and not renewed
    style = view.theme.style("quiet-go") if old_go else view.theme.band(call.call)
    return [_padded(line, width, style) for line in (_head(view, width), *body, *asked)]


def _head(view: View, width: int) -> Text:
    """Where, which question, and when; a recording says that it is one."""
    snapshot, theme = view.snapshot, view.theme
    zone, now_s = view.zone, snapshot.time_s
    hour, word = theme.hour(now_s, zone), zone_word(now_s, zone)
    date = date_text(now_s, zone)
    call = view.worst
    names = [clean(snapshot.enclosure)]
    about = ""
    if call is not None:
        if call.section != ALL_SECTIONS:
            names.append(clean(call.section))
        question = call.question
        about = f"{question} ({call.stage.value})"
    if snapshot.recorded:
        rights = [
            f"{what} · {date} {hour} {word}"
            for what in ("REPLAY of a RECORDING", "REPLAY RECORDING")
        ]
        mark = theme.style("recording")
    else:
        day = weekday_text(now_s, zone)
        rights = [f"{day} {hour} {word}", f"{hour} {word}"]
        mark = None
    where = " / ".join(names)
    lefts = [f" {where}   {about}", f" {where}  {about}", f" {where}"]
    room = width - cell_len(rights[-1]) - 4
    if room >= _LEAST_OF_NAMES:
        lefts.append(" " + _shortened(names, room))
    for left in (*lefts, ""):
        for right in rights:
            if cell_len(left) + cell_len(right) + 3 <= width:
                blank = " " * (width - cell_len(left) - cell_len(right) - 1)
                stamp = Text(right, style=mark) if mark is not None else Text(right)
                return join(left, blank, stamp)
    stamp = Text(rights[-1], style=mark) if mark is not None else Text(rights[-1])
    return cut(stamp, width)


def _shortened(names: Sequence[str], room: int) -> str:
    """Names in so many cells; what a short one leaves is the next one's."""
    parts: list[str] = []
    for left, name in zip(range(len(names), 0, -1), names, strict=True):
        part = cut(Text(name), (room - 3 * (left - 1)) // left).plain
        parts.append(part)
        room -= cell_len(part) + 3
    return " / ".join(parts)


def _asked(view: View, call: SectionCall, width: int) -> Lines:
    """Whether nothing renews the call, what it asks of the painter, and since when it stands."""
    asked = call.advice
    if call.section != ALL_SECTIONS:
        asked = f"{clean(call.section)}: {asked}"
    since = f"since {view.when(call.since_s)}"
    lines = [join(" ", line) for line in wrap(Text(asked), width - 2)]
    blank = width - 1 - lines[-1].cell_len - cell_len(since)
    if blank >= 2:
        lines[-1] = join(lines[-1], " " * blank + since)
    return _quiet(view, width) + lines


def _quiet(view: View, width: int) -> Lines:
    """That no readings come, right under the letters that would else be taken for the present."""
    snapshot, theme = view.snapshot, view.theme
    text = quiet_text(snapshot, long=True)
    if cell_len(text) > width - 3:
        text = quiet_text(snapshot)
    style = theme.style("quiet")
    return [join(" ", Text(line.plain, style)) for line in wrap(Text(text), width - 2) if text]


def _word(view: View, call: SectionCall) -> str:
    """The call's word; a GO that nothing renews is asked, not said."""
    quiet = call.call is Call.GO and not is_renewed(view.snapshot)
    return GO_ASKED if quiet else call.call.value


# --- below the band


def _tiny(view: View, size: Size, desk: DeskView) -> Lines:
    """Words alone, for a terminal too small for anything else."""
    call = view.worst
    words = [*desk.lines, *filter(None, [quiet_text(view.snapshot)])]
    words += _cautions(view, size.columns, small=True)
    if call is None:
        words.append(NO_CALL)
    else:
        section = f" {clean(call.section)}" if call.section != ALL_SECTIONS else ""
        words.append(f"{_word(view, call)}{section}: {call.advice}.")
        words.append(sentence(view, call, 1))
    return [line for each in words for line in wrap(Text(clean(each)), size.columns)]


def _small(view: View, size: Size, desk: DeskView) -> Lines:
    """Call, reason, the other sections' calls, next clock; what else fits. For a small terminal."""
    width = size.columns - 2
    sentences = [_sentence(view, width, clauses) for clauses in (3, 2, 1)]
    sections = flow(section_items(view)[1:], width, "   ")
    loud = _alarm(view, width, small=True) + _notices(view, width)
    foot = _foot(view, width, desk, small=True)
    faults = flow(fault_items(view), width)
    clock = _next_clock(view, width)
    least = 1 + len(_asked(view, view.worst, size.columns)) if view.worst else 1
    if desk.keys_page:
        return _small_keys(view, size, desk)
    choices = [
        *([*text, *sections, *loud, *clock, *faults] for text in sentences if faults),
        *([*text, *sections, *loud, *clock] for text in sentences),
        [*sentences[-1], *sections, *loud, *clock[:1]],
        [*sentences[-1], *sections, *loud],
        [*sentences[-1], *loud],
    ]
    for body in choices:
        letters = size.rows - least - len(body) - len(foot)
        if letters >= 3:
            break
    letters = max(1, min(letters, max(4, size.rows // 3 - least)))
    band = _band(view, size, least + letters)
    body = body[: max(0, size.rows - len(band) - len(foot))]
    space = size.rows - len(band) - len(body) - len(foot)
    more = flow(urgent_items(view)[1:], width) + flow(climate_items(view), width)
    more = more[: max(0, space)]
    more += [Text()] * (space - len(more))
    return band + [join(" ", line) for line in (*body, *more, *foot)]


def _glance(view: View, size: Size, desk: DeskView) -> Lines:
    """Word, the one figure that decides and the next clock in big letters; then what to do."""
    width = size.columns - 2
    small = size.rows < SMALL_ROWS or size.columns < SMALL_COLUMNS
    foot = _foot(view, width, desk, small=small)
    least = _LEAST_LETTERS + 1 + (len(_asked(view, view.worst, size.columns)) if view.worst else 0)
    loud = _alarm(view, width, small=True) + _notices(view, width)
    loud = loud[: max(0, size.rows - least - len(foot))]
    rows = size.rows - len(loud) - len(foot)
    digits = max(5, round(rows * _DIALS_SHARE))
    band = _band(view, size, max(least, rows - digits))
    dials = dial_lines(view, width, size.rows - len(band) - len(loud) - len(foot))
    return band + [join(" ", line) for line in (*dials, *loud, *foot)]


def _small_keys(view: View, size: Size, desk: DeskView) -> Lines:
    """Every key in few words, under the call's word: nothing may hide a STOP."""
    width = size.columns - 1
    foot = [join(" ", line) for line in _foot(view, width - 1, desk, small=True)]
    space = size.rows - len(foot) - 1
    keys = [join(" ", line) for line in _brief_keys(view, desk, width, space)]
    rows = size.rows - len(keys) - len(foot)
    band = _band(view, size, max(2, rows))
    if rows < 2 and view.worst is not None:
        words = join(f" {_word(view, view.worst)}", _head(view, size.columns - 6))
        band = [_padded(words, size.columns, view.theme.band(view.worst.call))]
    return [*band[:rows], *keys, *foot]


def _brief_keys(view: View, desk: DeskView, width: int, space: int) -> Lines:
    """The keys in few words; what there is no room for is counted, the alarm's own is not."""
    pairs = [clean(entry).partition("  ") for entry in desk.keys_page]
    if view.snapshot.alarm:
        pairs.sort(key=lambda pair: pair[0] not in ALARM_KEYS)
    entries = [f"{key} {SHORT_WORDS.get(word, word)}".rstrip() for key, _, word in pairs]
    columns = max(1, min(len(entries), width // (max(map(cell_len, entries)) + 1)))
    if len(entries) <= space * columns:
        return _table(entries, width, columns)
    kept = max(0, space - 1) * columns
    more = Text(f"+{len(entries) - kept} more; larger window")
    return [*_table(entries[:kept], width, columns), more][: max(0, space)]


def _large(view: View, size: Size, desk: DeskView) -> Lines:
    """The whole screen: band, sentence, sections, alarm, panels, caution and keys."""
    width = size.columns - 2
    wide, vast = size.columns >= WIDE_COLUMNS, size.columns >= VAST_COLUMNS
    band = _band(view, size, size.rows // 3)
    below = _sections(view, width, wide=wide)
    foot = _foot(view, width, desk, small=False)
    title = join(view.part("KEYS  ", "head"), "one key, then Enter records and Esc drops")
    keys = [title, *_table(desk.keys_page, width, max(1, width // 26))] if desk.keys_page else []
    least = len(keys) or int(costs_soon(view))
    # What was asked for, and a clock that costs, are worth more than all of an alarm's words.
    for brief, clauses in product((False, True), (3, 2, 1)):
        loud = _alarm(view, width, small=brief)
        loud += [] if keys and brief else _notices(view, width)
        top = _sentence(view, width, clauses) + below + loud
        space = size.rows - len(band) - len(top) - len(foot)
        if least <= space:
            break
    if keys:
        middle = keys if len(keys) <= space else _brief_keys(view, desk, width, space)
    elif wide and space >= WIDE_ROWS // 2:
        middle = columns(view, width, space, 3 if vast else 2)
    else:
        middle = one_column(view, width, space)
    middle += [Text()] * (space - len(middle))
    return band + [join(" ", line) for line in (*top, *middle, *foot)]


def _next_clock(view: View, width: int) -> Lines:
    """The clock that matters next, without what would take a second line: left, then paint."""
    for with_left, with_paint in ((True, True), (False, True), (False, False)):
        item = next_clock(view, with_left=with_left, with_paint=with_paint)
        if item is None:
            return []
        lines = wrap(item, width)
        if len(lines) == 1:
            break
    return lines


def _sentence(view: View, width: int, clauses: int = 3) -> Lines:
    call = view.worst
    text = NO_CALL if call is None else sentence(view, call, clauses)
    return wrap(Text(text, style=view.theme.style("strong")), width)


def _sections(view: View, width: int, *, wide: bool) -> Lines:
    if wide:
        return [line for each in section_lines(view)[1:] for line in wrap(each, width)]
    return flow(section_items(view), width, "   ")


def _alarm(view: View, width: int, *, small: bool) -> Lines:
    if not view.snapshot.alarm:
        return []
    mark = " ALARM: a if you have seen it "
    text = VAPOUR_BRIEF if small else clean(view.snapshot.alarm)
    style = view.theme.style("alarm")
    return wrap(Text.assemble((mark, style), " ", text), width)


def _notices(view: View, width: int) -> Lines:
    style = view.theme.style("unknown")
    lines: Lines = []
    for notice in notices(view.snapshot):
        lines += wrap(Text.assemble(("NOTE", style), " ", notice), width)
    return lines


def _foot(view: View, width: int, desk: DeskView, *, small: bool) -> Lines:
    """The line of caution, and under it the desk's question or the usual keys."""
    lines: Lines = []
    for caution in _cautions(view, width, small=small):
        lines += wrap(view.part(caution, "caution"), width)
    if desk.lines:
        style = view.theme.style("prompt" if desk.asking else "ok")
        for line in desk.lines:
            lines += wrap(Text(clean(line), style=style), width)
    elif not small:
        text = "c coat started  f coat ended  x mixed  i wiped  a alarm seen  ? all keys"
        if cell_len(text) > width:
            text = "c f coat  x mixed  a seen  ? keys"
        if view.snapshot.recorded:
            text = "g big figures  . dim  q quit  ? keys"
        lines.append(cut(view.part(text, "label"), width))
    return lines


def _cautions(view: View, width: int, *, small: bool) -> list[str]:
    """What matters beside the film: about GO wherever one is shown, about vapour over a film."""
    go = any(call.call is Call.GO for call in view.snapshot.calls)
    wet = any(call.stage in FILM_STAGES for call in view.snapshot.calls)
    if small:
        inside = [NOTHING_INSIDE] if wet and go else []
        return [" ".join([FILM_IS_NOT_AIR, *inside])] if go else []
    if width >= WIDE_COLUMNS - 2:
        cautions = [FILM_IS_NOT_AIR, *([VAPOUR] if wet else []), BREATHING, SPARK]
        return cautions if width >= VAST_COLUMNS - 2 else cautions[:2]
    if go and wet:
        return [FILM_IS_NOT_AIR, VAPOUR_BRIEF]
    if wet:
        # The alarm opens with the same words.
        return [] if VAPOUR in view.snapshot.alarm else [VAPOUR]
    return [FILM_IS_NOT_AIR]


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


def _padded(line: Text, width: int, style: Style) -> Text:
    """A line of exactly `width` cells, drawn on a style."""
    return _padded_as(line.plain, line.style, tuple(line.spans), width, style)


@lru_cache(maxsize=256)
def _padded_as(
    plain: str, own: str | Style, spans: tuple[Span, ...], width: int, style: Style
) -> Text:
    """The same line as the last time, where it is as it was: nobody changes it."""
    line = Text(plain, own)
    line.spans = list(spans)
    if line.cell_len > width:
        line.truncate(width, overflow="crop")
    whole = Text(no_wrap=True, overflow="crop", end="")
    whole.append(line.plain + " " * (width - line.cell_len), style)
    if own:
        whole.stylize(own, 0, len(line))
    whole.spans += line.spans
    return whole
