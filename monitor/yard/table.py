"""The yard's table as a pure function: rows, a size and a theme in, lines of the screen out.

Worst first, a page at a time; a filter is said at the top, with how many it leaves out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from monitor.contract import GO_ASKED
from monitor.listen.words import LABELS, alarm_text, brief_here, counts_text
from monitor.listen.yard import NO_WORD, Row
from monitor.screen.layout import Size
from monitor.screen.phrases import FILM_IS_NOT_AIR
from monitor.screen.pieces import Piece, cut, join
from monitor.screen.theme import Theme
from rules.call import Call
from rules.text import clean, counted, hour_text

_MARKS = {
    Call.GO.value: "▶",
    GO_ASKED: "?",
    Call.HOLD.value: "▌▌",
    Call.STOP.value: "✖",
    NO_WORD: "○",
}
_STYLES = {GO_ASKED: "quiet-go", NO_WORD: "unknown"}
_WORD_CELLS, _SINCE_CELLS, _ALARM_CELLS, _STATION_CELLS = 11, 9, 26, 16
_WIDE_COLUMNS = 100  # from here on alarms have a column of their own
_LEAST_ROWS = 1
_LONGEST_FILTER = 60
_KEYS = "space next page  b page before  / filter  . dim  q quit"


@dataclass(frozen=True, slots=True)
class Desk:
    """What somebody wants to see.

    Attributes:
        page: from 0; one past the last shows the last.
        filter: letters that a row must have in its name, station, word or reason.
        typing: whether the filter is being typed.
        dim: for a dark tent.
        quit: whether the yard is to end.
    """

    page: int = 0
    filter: str = ""
    typing: bool = False
    dim: bool = False
    quit: bool = False

    def pressed(self, key: str) -> Desk:
        """Return what is wanted after a key."""
        if self.typing:
            if key == "enter":
                return replace(self, typing=False)
            if key == "esc":
                return replace(self, typing=False, filter="", page=0)
            if key == "backspace":
                return replace(self, filter=self.filter[:-1], page=0)
            if len(key) == 1 and key.isprintable() and len(self.filter) < _LONGEST_FILTER:
                return replace(self, filter=self.filter + key, page=0)
            return self
        match key:
            case " " | "n" | "right" | "pagedown":
                return replace(self, page=self.page + 1)
            case "b" | "p" | "pageup":
                return replace(self, page=max(0, self.page - 1))
            case "/":
                return replace(self, typing=True)
            case "esc":
                return replace(self, filter="", page=0)
            case ".":
                return replace(self, dim=not self.dim)
            case "q":
                return replace(self, quit=True)
        return self

    def within(self, pages: int) -> Desk:
        """Return the same with a page that there is."""
        return replace(self, page=min(self.page, pages - 1))


def filtered(rows: Sequence[Row], wanted: str) -> list[Row]:
    """Return the rows that have every word of a filter in what is shown of them."""
    words = wanted.casefold().split()
    return [row for row in rows if all(word in _searched(row) for word in words)]


def _searched(row: Row) -> str:
    label = LABELS.get(row.shown.word, "")
    parts = (row.title, row.key.station, row.shown.word, label, alarm_text(row))
    return " ".join(parts).casefold()


def page_rows(size: Size) -> int:
    """Return how many enclosures a page has."""
    return max(_LEAST_ROWS, size.rows - 5)


def pages(count: int, size: Size) -> int:
    """Return how many pages so many enclosures take, at least one."""
    return max(1, -(-count // page_rows(size)))


def table(
    rows: Sequence[Row],
    size: Size,
    theme: Theme,
    desk: Desk,
    *,
    zone: tzinfo,
    now_s: float,
    link: str = "",
    unread: int = 0,
) -> list[Text]:
    """Draw one page of the yard.

    Args:
        rows: all of them, worst first.
        size: of the terminal.
        theme: colours and hours.
        desk: which page, which filter.
        zone: in which times are shown.
        now_s: now [s].
        link: what is wrong with the link to the broker, or "".
        unread: messages that could not be used.

    Returns:
        Exactly `size.rows` lines.
    """
    chosen = filtered(rows, desk.filter)
    count, each = pages(len(chosen), size), page_rows(size)
    page = min(desk.page, count - 1)
    shown = chosen[page * each : (page + 1) * each]
    width = size.columns
    columns = _Columns(rows, width, theme, zone, now_s, alarms=any(map(alarm_text, shown)))
    lines = [_head(rows, chosen, width, theme, desk, zone, now_s), columns.heading()]
    lines += [columns.line(row) for row in shown]
    if not shown:
        why = "Nothing was heard yet." if not rows else "No enclosure fits the filter."
        lines.append(join(" ", (link or why, theme.style("unknown"))))
    foot = _foot(shown, page, count, width, theme, desk)
    if unread:
        text = counted(unread, "message could", "messages could")
        foot.insert(0, join(" ", (f"{text} not be read", theme.style("unknown"))))
    lines = lines[: max(0, size.rows - len(foot))]
    lines += [Text()] * (size.rows - len(lines) - len(foot))
    return [_whole(line, width, theme.style("page")) for line in (*lines, *foot)]


class _Columns:
    """How wide each column is; those that there is no room for are left out."""

    def __init__(
        self,
        rows: Sequence[Row],
        width: int,
        theme: Theme,
        zone: tzinfo,
        now_s: float,
        *,
        alarms: bool,
    ) -> None:
        self._theme, self._zone, self._now_s = theme, zone, now_s
        wide = width >= _WIDE_COLUMNS
        self._name = min(max([9, *(cell_len(row.title) for row in rows)]), max(9, width // 4))
        stations = {row.key.station for row in rows}
        named = max([7, *map(cell_len, stations)]) if wide and len(stations) > 1 else 0
        self._station = min(named, _STATION_CELLS)
        self._alarm = _ALARM_CELLS if wide and alarms else 0
        fixed = (_WORD_CELLS, self._name, self._station, _SINCE_CELLS, self._alarm)
        taken = sum(each + 2 for each in fixed if each)
        self._why = max(0, width - taken)

    def heading(self) -> Text:
        named = (
            ("", _WORD_CELLS),
            ("enclosure", self._name),
            ("station", self._station),
            ("since", _SINCE_CELLS),
            ("why", self._why),
            ("alarm", self._alarm),
        )
        text = "  ".join(name.ljust(cells) for name, cells in named if cells)
        return join((text, self._theme.style("label")))

    def line(self, row: Row) -> Text:
        theme, word = self._theme, row.shown.word
        known = word != NO_WORD
        style = theme.style(_STYLES[word]) if word in _STYLES else theme.band(Call(word))
        mark = f" {_MARKS[word]:<3}{LABELS.get(word, word)}"
        since_s = row.call.since_s if known and row.call is not None else row.shown.since_s
        since = "" if since_s is None else theme.hour_and_day(since_s, self._zone, self._now_s)
        alarm = alarm_text(row)
        why = brief_here(row, self._zone, self._now_s)
        if alarm and not self._alarm:
            why, alarm = f"{alarm.upper()}: {why}", ""
        ring = theme.style("alarm" if row.ringing else "label")
        pieces: list[Piece] = [
            (_cell(mark, _WORD_CELLS), style),
            "  ",
            (_cell(row.title, self._name), theme.style("strong")),
            "  ",
        ]
        if self._station:
            pieces += [(_cell(row.key.station, self._station), theme.style("label")), "  "]
        pieces += [
            (_cell(since, _SINCE_CELLS), theme.style("label")),
            "  ",
            _cell(why, self._why),
        ]
        if alarm:
            pieces += ["  ", (cut(Text(clean(alarm)), self._alarm).plain, ring)]
        return join(*pieces)


def _cell(text: str, width: int) -> str:
    shown = cut(Text(clean(text)), width).plain
    return shown + " " * (width - cell_len(shown))


def _head(
    rows: Sequence[Row],
    chosen: Sequence[Row],
    width: int,
    theme: Theme,
    desk: Desk,
    zone: tzinfo,
    now_s: float,
) -> Text:
    seconds = f":{int(now_s) % 60:02d}"
    clock = f"{hour_text(now_s, zone)}{seconds} "
    left = f" Yard  {counts_text(rows)}"
    if desk.filter or desk.typing:
        out = len(rows) - len(chosen)
        left += f"   filter: {clean(desk.filter)}{'_' if desk.typing else ''} ({out} left out)"
    left = cut(Text(left), width - cell_len(clock) - 1).plain
    blank = " " * (width - cell_len(left) - cell_len(clock))
    return join((left, theme.style("head")), blank, (clock, theme.style("label")))


def _foot(
    shown: Sequence[Row], page: int, count: int, width: int, theme: Theme, desk: Desk
) -> list[Text]:
    lines = []
    if any(row.shown.word in (Call.GO.value, GO_ASKED) for row in shown):
        lines.append(cut(join(" ", (FILM_IS_NOT_AIR, theme.style("caution"))), width))
    keys = "Enter keeps the filter, Esc drops it" if desk.typing else _KEYS
    place = f"page {page + 1} of {count} "
    keys = cut(Text(f" {keys}"), width - cell_len(place) - 1).plain
    blank = " " * (width - cell_len(keys) - cell_len(place))
    lines.append(join((keys, theme.style("label")), blank, (place, theme.style("strong"))))
    return lines


def _whole(line: Text, width: int, style: Style) -> Text:
    whole = cut(line, width).copy()
    whole.append(" " * (width - whole.cell_len))
    whole.stylize_before(style)
    whole.end = ""
    return whole
