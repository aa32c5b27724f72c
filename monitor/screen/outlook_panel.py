"""The rooms of time: the last hours as a trend, the next ones as a band, and what will break."""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections.abc import Sequence
from enum import IntEnum
from itertools import pairwise
from typing import NamedTuple

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from monitor.screen.clocks_panel import ClockRoom
from monitor.screen.sentence import TREND_OF, figure, limit_of
from monitor.snapshot import Band, OutlookBands
from rules.limits import is_upper
from rules.reasons import Reason
from rules.text import clean
from rules.vocabulary import LimitName, LimitState

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


def chart_of(
    series: Sequence[tuple[float, float]],
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

    >>> chart = chart_of([(3600.0 * h, v) for h, v in enumerate((6, 5, 4, 2))], 10800.0, 4, 2, 3.0)
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


def span_shown_s(series: Sequence[tuple[float, float]], now_s: float) -> float:
    """Return how much time a chart of a series shows: whole hours, 1 to 12 [s]."""
    recent = _recent(series, now_s)
    since_s = now_s - recent[0][0] if recent else 0.0
    return min(_MOST_S, max(3600.0, math.ceil(since_s / 3600.0 - 0.1) * 3600.0))


def _recent(series: Sequence[tuple[float, float]], now_s: float) -> list[tuple[float, float]]:
    return [(t, v) for t, v in series if now_s - _MOST_S <= t <= now_s and math.isfinite(v)]


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
_BASE, _GAP = "─", "·"
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


def rooms_of(
    times_s: Sequence[float],
    band: Band,
    now_s: float,
    span_s: float,
    width: int,
    bound: float,
    *,
    upper: bool = False,
) -> list[tuple[float, float, float] | None]:
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
    return rooms


def band_chart_of(
    rooms: Sequence[tuple[float, float, float] | None],
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

    >>> rooms = [(2.0, 4.0, 6.0), (0.5, 3.0, 6.0), (-1.0, 2.0, 5.0), (-2.0, -0.5, 3.0), None]
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


AHEAD_S = 6 * 3600.0
_AXIS_ROWS = 5  # from so many lines on the hours stand under the band
_TICK_S = 7200.0

ROLE = {
    LimitState.OK: "ok",
    LimitState.NEAR: "near",
    LimitState.BROKEN: "broken",
    LimitState.UNKNOWN: "unknown",
}
_RISK_ROLE = {Risk.SOME: "near", Risk.LIKELY: "broken"}


class OutlookRoom(ClockRoom):
    """One snapshot's trend and outlook in one theme."""

    def _reason_of(self, name: LimitName) -> Reason | None:
        if self.worst is None:
            return None
        return next((each for each in self.worst.reasons if limit_of(each) is name), None)

    def _role_of(self, name: LimitName) -> str:
        reason = self._reason_of(name)
        return "" if reason is None else ROLE[reason.state]

    # --- trend

    def trend_limits(self) -> list[LimitName]:
        """The limits whose trend can be drawn, the margin first, then the worst."""
        if self.worst is None:
            return []
        found: list[LimitName] = []
        for reason in self.worst.reasons:
            name = limit_of(reason)
            if name is None or reason.bound is None or name in found:
                continue
            if self.snapshot.trends.get(TREND_OF[name]):
                found.append(name)
        return sorted(found, key=lambda name: name is not LimitName.DEW_MARGIN_MIN)

    def trend_lines(
        self, name: LimitName, width: int, rows: int, *, ahead: bool = False
    ) -> list[Text]:
        """Draw one limit's quantity as `rows` lines; empty where nothing is known of it.

        Args:
            name: the limit.
            width: columns.
            rows: lines.
            ahead: with the band of the next hours at its right, where there is one.
        """
        reason = self._reason_of(name)
        if reason is None or reason.bound is None:
            return []
        theme, say, bound, upper = self.theme, self.say, reason.bound, is_upper(name)
        base = self._base(name, bound)
        band = self._band(name) if ahead else None
        if band is not None and rows < 3:
            base += f"  {self._spans(name)}"
        label_width = max(13, cell_len(base) + 1)
        inner = width - label_width
        past = inner
        rooms = None
        if band is not None:
            past = inner * 2 // 5
            rooms = rooms_of(
                *band, self.snapshot.time_s, AHEAD_S, inner - past - 1, bound, upper=upper
            )
        least_top = max((room[2] for room in rooms or () if room is not None), default=0.0)
        chart = chart_of(
            self.snapshot.trends[TREND_OF[name]],
            self.snapshot.time_s,
            past,
            rows,
            bound,
            upper=upper,
            few_glyphs=theme.few_glyphs,
            least_top=least_top,
        )
        if chart is None:
            return []
        coming = None
        if rooms is not None:
            coming = band_chart_of(rooms, rows, AHEAD_S, top=chart.top, few_glyphs=theme.few_glyphs)
        span = say("trend-span", span=theme.words.duration(chart.span_s))
        if coming is not None:
            span = self._spans(name)
        labels = [""] * rows
        labels[0] = say(f"quantity {name}") if rows < 4 else self._edge(name, bound, chart.top)
        if rows >= 3:
            labels[1] = span if rows < 4 else ""
        labels[-1] = base
        lines = [
            self.join(self.part(set_cell_size(label, label_width), "label"), drawn)
            for label, drawn in zip(labels, self._past_rows(chart), strict=True)
        ]
        if coming is not None:
            for line, drawn in zip(lines, self._band_rows(coming), strict=True):
                line.append("│", theme.style("label"))
                line.append_text(drawn)
        if rows >= 4:
            name_of = say(f"quantity {name}")
            words = f"{name_of}, {span}"
            if coming is not None:
                words += f": {say('ahead-shades')}"
            lines.insert(0, self.part(words, "label"))
            lines.pop(2 if rows > 4 else 1)
        return lines

    def _spans(self, name: LimitName) -> str:
        """How much time stands on each side of the present."""
        past_s = span_shown_s(self.snapshot.trends[TREND_OF[name]], self.snapshot.time_s)
        past, ahead = (self.theme.words.duration(span_s) for span_s in (past_s, AHEAD_S))
        return self.say("trend-both", past=past, ahead=ahead)

    def _past_rows(self, chart: Chart) -> list[Text]:
        drawn = [self.part(row, "trend") for row in chart.rows[:-1]]
        base = self.part(chart.rows[-1], "label")
        for column in chart.under:
            base.stylize(self.theme.style("broken"), column, column + 1)
        return [*drawn, base]

    def _base(self, name: LimitName, bound: float) -> str:
        return f"{'≤' if is_upper(name) else '≥'} {figure(name, bound, self.theme)}"

    def _edge(self, name: LimitName, bound: float, top: float) -> str:
        return figure(name, bound + (-top if is_upper(name) else top), self.theme)

    # --- the next hours

    def _bands(self) -> OutlookBands | None:
        return None if self.worst is None else self.snapshot.outlook.get(self.worst.section)

    def _band(self, name: LimitName) -> tuple[tuple[float, ...], Band] | None:
        bands = self._bands()
        band = None if bands is None else bands.band(TREND_OF[name])
        return None if bands is None or band is None else (bands.time_s, band)

    def ahead_limits(self) -> list[LimitName]:
        """The limits whose next hours can be drawn, the margin first."""
        return [name for name in self.trend_limits() if self._band(name) is not None]

    def ahead_lines(self, name: LimitName, width: int, rows: int) -> list[Text]:
        """Draw the band of one limit's next six hours as `rows` lines, the limit its base line.

        Args:
            name: the limit.
            width: columns.
            rows: lines: words, chart, and from five on the hours.
        """
        reason, band = self._reason_of(name), self._band(name)
        if reason is None or reason.bound is None or band is None or rows < 3:
            return []
        theme, say, bound = self.theme, self.say, reason.bound
        base = self._base(name, bound)
        label_width = max(13, cell_len(base) + 1)
        inner, now_s = width - label_width, self.snapshot.time_s
        rooms = rooms_of(*band, now_s, AHEAD_S, inner, bound, upper=is_upper(name))
        axis = rows >= _AXIS_ROWS
        bars = rows - 1 - axis
        chart = band_chart_of(rooms, bars, AHEAD_S, few_glyphs=theme.few_glyphs)
        if chart is None:
            return []
        span = theme.words.duration(AHEAD_S)
        what = say(
            "ahead-title", quantity=say(f"quantity {name}"), span=span, shades=say("ahead-shades")
        )
        labels = [""] * bars
        labels[0], labels[-1] = self._edge(name, bound, chart.top), base
        lines = [self.part(what, "label")]
        lines += [
            self.join(self.part(set_cell_size(label, label_width), "label"), drawn)
            for label, drawn in zip(labels, self._band_rows(chart), strict=True)
        ]
        if axis:
            lines.append(self.part(" " * label_width + self._hours(inner, now_s), "label"))
        return lines

    def _band_rows(self, chart: BandChart) -> list[Text]:
        drawn = []
        shade = self.theme.style("label")
        for row in chart.rows[:-1]:
            text = self.part(row, "trend")
            for column, glyph in enumerate(row):
                if glyph in (HALF_KEPT, TENTH_KEPT):
                    text.stylize(shade, column, column + 1)
            drawn.append(text)
        base = self.part(chart.rows[-1], "label")
        for column, risk in enumerate(chart.risks):
            if risk in _RISK_ROLE:
                base.stylize(self.theme.style(_RISK_ROLE[risk]), column, column + 1)
        return [*drawn, base]

    def _hours(self, width: int, now_s: float) -> str:
        """Hours of the day under the columns that they stand for."""
        line = ""
        first_s = (now_s // _TICK_S + 1) * _TICK_S
        for tick in range(int(AHEAD_S / _TICK_S)):
            at_s = first_s + tick * _TICK_S
            column = round((at_s - now_s) / AHEAD_S * width)
            word = self.theme.hour(at_s, self.zone)
            if column >= len(line) and column + cell_len(word) <= width:
                line += " " * (column - len(line)) + word
        return line

    # --- outlook

    def outlook_items(self, *, brief: bool = False) -> list[Text]:
        """What will break first, or how far has been looked and found nothing.

        Args:
            brief: without the range and the probability, where there is no room for them.
        """
        call = self.worst
        if call is None:
            return []
        reasons = [reason for reason in call.reasons if reason.limit == "outlook"]
        # A limit that is past already is the sentence's, not the outlook's.
        bad = [
            reason
            for reason in reasons
            if reason.state in (LimitState.NEAR, LimitState.BROKEN) and reason.value != 0.0
        ]
        if bad:
            texts = [reason.text.split(" (")[0] if brief else reason.text for reason in bad]
            return [self.part(clean(text), "near") for text in texts]
        if any(reason.state is LimitState.BROKEN for reason in call.reasons):
            return [self.part(self.say("outlook-past"), "broken")]
        items = [
            self.part(clean(reason.text.removeprefix("outlook: ")))
            for reason in reasons
            if reason.state is LimitState.OK
        ]
        if not items and call.looked_ahead_s > 0.0:
            time = self.theme.words.duration(call.looked_ahead_s)
            by_trend = any(reason.state is LimitState.UNKNOWN for reason in reasons)
            key = "outlook-nothing"
            if by_trend:
                key = "outlook-trend-only" if self.no_band_items() else "outlook-trend"
            items = [self.part(self.say(key, time=time))]
        none = "outlook-none-yet" if self.no_band_items() else "outlook-none"
        return items or [self.part(self.say(none), "unknown")]

    def forecast_items(self) -> list[Text]:
        """Age, reach and gaps of the forecast that the outlook rests on, where there is one."""
        bands = self._bands()
        if bands is None or not bands.forecast:
            return []
        return [self.part(clean(bands.forecast), "label")]

    def no_band_items(self) -> list[Text]:
        """Why there is no band of the next hours, or none by the forecast; mostly nothing."""
        bands = self._bands()
        if bands is not None:
            key, why = "outlook-by-trend", bands.by_trend_why
        else:
            section = "" if self.worst is None else self.worst.section
            key, why = "outlook-no-band", self.snapshot.outlook_why.get(section, "")
        if not why:
            return []
        return [self.part(self.say(key, why=clean(_ground(why))), "label")]


def _ground(why: str) -> str:
    """What a refusal rests on; what follows from it, where and whose the screen shows by itself."""
    found = re.split(", so | up to the time |; the outlook |; see ", why, maxsplit=1)[0]
    found = re.sub(r"^enclosure '.*?' has no reading in the log .*", "no reading in the log", found)
    return found.removeprefix("enclosure model: ").rstrip(".")
