"""The panels of time: the last hours as a trend, the next ones as a band, and what will break."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby

from rich.cells import cell_len, set_cell_size
from rich.style import Style
from rich.text import Text

from monitor.screen.charts import (
    HALF_KEPT,
    TENTH_KEPT,
    BandChart,
    Chart,
    Risk,
    band_chart_of,
    chart_of,
    rooms_of,
    span_shown_s,
)
from monitor.screen.pieces import join
from monitor.screen.sentence import TREND_OF, figure, limit_of
from monitor.screen.theme import Theme
from monitor.screen.view import View
from monitor.snapshot import Band, OutlookBands
from rules.limits import is_upper
from rules.reasons import LIMIT_WORDS
from rules.text import clean, duration_text
from rules.vocabulary import LimitName, LimitState

AHEAD_S = 6 * 3600.0
_AXIS_ROWS = 5  # from so many lines on the hours stand under the band
_TICK_S = 7200.0
_CHART_S = 60.0  # a trend has a value a minute: in between its chart is as it was

SHADES = "90, 50 and 10 % sure"
_RISK_ROLE = {Risk.SOME: "near", Risk.LIKELY: "broken"}


def trend_limits(view: View) -> list[LimitName]:
    """The limits whose trend can be drawn, the margin first, then the worst."""
    if view.worst is None:
        return []
    found: list[LimitName] = []
    for reason in view.worst.reasons:
        name = limit_of(reason)
        if name is None or reason.bound is None or name in found:
            continue
        if view.snapshot.trends.get(TREND_OF[name]):
            found.append(name)
    return sorted(found, key=lambda name: name is not LimitName.DEW_MARGIN_MIN)


def trend_lines(
    view: View, name: LimitName, width: int, rows: int, *, ahead: bool = False
) -> list[Text]:
    """Draw one limit's quantity as `rows` lines; empty where nothing is known of it.

    Args:
        name: the limit.
        width: columns.
        rows: lines.
        ahead: with the band of the next hours at its right, where there is one.
    """
    reason = view.reason_of(name)
    if reason is None or reason.bound is None:
        return []
    theme, bound, upper = view.theme, reason.bound, is_upper(name)
    base = _base(view, name, bound)
    band = _band(view, name) if ahead else None
    if band is not None and rows < 3:
        base += f"  {_spans(view, name)}"
    label_width = max(13, cell_len(base) + 1)
    inner = width - label_width
    past = inner
    rooms = None
    if band is not None:
        past = inner * 2 // 5
        rooms = rooms_of(*band, _chart_time_s(view), AHEAD_S, inner - past - 1, bound, upper=upper)
    least_top = max((room[2] for room in rooms or () if room is not None), default=0.0)
    chart = chart_of(
        view.snapshot.trends[TREND_OF[name]],
        _chart_time_s(view),
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
    span = f"last {duration_text(chart.span_s)}"
    if coming is not None:
        span = _spans(view, name)
    labels = [""] * rows
    labels[0] = LIMIT_WORDS[name] if rows < 4 else _edge(view, name, bound, chart.top)
    if rows >= 3:
        labels[1] = span if rows < 4 else ""
    labels[-1] = base
    lines = [
        join(view.piece(set_cell_size(label, label_width), "label"), drawn)
        for label, drawn in zip(labels, _past_rows(view.theme, chart), strict=True)
    ]
    if coming is not None:
        edge = view.piece("│", "label")
        ahead_rows = _band_rows(view.theme, coming)
        lines = [join(past, edge, drawn) for past, drawn in zip(lines, ahead_rows, strict=True)]
    if rows >= 4:
        name_of = LIMIT_WORDS[name]
        words = f"{name_of}, {span}"
        if coming is not None:
            words += f": {SHADES}"
        lines.insert(0, view.part(words, "label"))
        lines.pop(2 if rows > 4 else 1)
    return lines


def _chart_time_s(view: View) -> float:
    """The chart's own now: the end of this minute, so that it is drawn anew once a minute."""
    return math.ceil(view.snapshot.time_s / _CHART_S) * _CHART_S


def _spans(view: View, name: LimitName) -> str:
    """How much time stands on each side of the present."""
    past_s = span_shown_s(view.snapshot.trends[TREND_OF[name]], _chart_time_s(view))
    past, ahead = (duration_text(span_s) for span_s in (past_s, AHEAD_S))
    return f"-{past}, +{ahead}"


@lru_cache(maxsize=64)
def _past_rows(theme: Theme, chart: Chart) -> list[Text]:
    """A chart's lines; the same as the last time where the chart is."""
    drawn = [Text(row, theme.style("trend")) for row in chart.rows[:-1]]
    base = Text(chart.rows[-1], theme.style("label"))
    _draw_runs(base, [x in chart.under for x in range(len(base))], theme.style("broken"))
    return [*drawn, base]


def _base(view: View, name: LimitName, bound: float) -> str:
    return f"{'≤' if is_upper(name) else '≥'} {figure(name, bound, view.theme)}"


def _edge(view: View, name: LimitName, bound: float, top: float) -> str:
    return figure(name, bound + (-top if is_upper(name) else top), view.theme)


# --- the next hours


def _bands(view: View) -> OutlookBands | None:
    return None if view.worst is None else view.snapshot.outlook.get(view.worst.section)


def _band(view: View, name: LimitName) -> tuple[tuple[float, ...], Band] | None:
    bands = _bands(view)
    band = None if bands is None else bands.band(TREND_OF[name])
    return None if bands is None or band is None else (bands.time_s, band)


def ahead_limits(view: View) -> list[LimitName]:
    """The limits whose next hours can be drawn, the margin first."""
    return [name for name in trend_limits(view) if _band(view, name) is not None]


def ahead_lines(view: View, name: LimitName, width: int, rows: int) -> list[Text]:
    """Draw the band of one limit's next six hours as `rows` lines, the limit its base line.

    Args:
        name: the limit.
        width: columns.
        rows: lines: words, chart, and from five on the hours.
    """
    reason, band = view.reason_of(name), _band(view, name)
    if reason is None or reason.bound is None or band is None or rows < 3:
        return []
    theme, bound = view.theme, reason.bound
    base = _base(view, name, bound)
    label_width = max(13, cell_len(base) + 1)
    inner, now_s = width - label_width, _chart_time_s(view)
    rooms = rooms_of(*band, now_s, AHEAD_S, inner, bound, upper=is_upper(name))
    axis = rows >= _AXIS_ROWS
    bars = rows - 1 - axis
    chart = band_chart_of(rooms, bars, AHEAD_S, few_glyphs=theme.few_glyphs)
    if chart is None:
        return []
    span = duration_text(AHEAD_S)
    what = f"{LIMIT_WORDS[name]}, next {span}: {SHADES}"
    labels = [""] * bars
    labels[0], labels[-1] = _edge(view, name, bound, chart.top), base
    lines = [view.part(what, "label")]
    lines += [
        join(view.piece(set_cell_size(label, label_width), "label"), drawn)
        for label, drawn in zip(labels, _band_rows(view.theme, chart), strict=True)
    ]
    if axis:
        lines.append(view.part(" " * label_width + _hours(view, inner, now_s), "label"))
    return lines


@lru_cache(maxsize=64)
def _band_rows(theme: Theme, chart: BandChart) -> list[Text]:
    """A band's lines; the same as the last time where the band is."""
    drawn = []
    for row in chart.rows[:-1]:
        text = Text(row, theme.style("trend"))
        shaded = [glyph in (HALF_KEPT, TENTH_KEPT) for glyph in row]
        _draw_runs(text, shaded, theme.style("label"))
        drawn.append(text)
    base = Text(chart.rows[-1], theme.style("label"))
    for risk, role in _RISK_ROLE.items():
        _draw_runs(base, [each is risk for each in chart.risks], theme.style(role))
    return [*drawn, base]


def _draw_runs(text: Text, meant: Sequence[bool], style: Style) -> None:
    """Draw the columns that are meant in a style, each run of them as one piece."""
    column = 0
    for is_meant, run in groupby(meant):
        end = column + sum(1 for _ in run)
        if is_meant:
            text.stylize(style, column, end)
        column = end


def _hours(view: View, width: int, now_s: float) -> str:
    """Hours of the day under the columns that they stand for."""
    line = ""
    first_s = (now_s // _TICK_S + 1) * _TICK_S
    for tick in range(int(AHEAD_S / _TICK_S)):
        at_s = first_s + tick * _TICK_S
        column = round((at_s - now_s) / AHEAD_S * width)
        word = view.theme.hour(at_s, view.zone)
        if column >= len(line) and column + cell_len(word) <= width:
            line += " " * (column - len(line)) + word
    return line


# --- outlook


def outlook_items(view: View, *, brief: bool = False) -> list[Text]:
    """What will break first, or how far has been looked and found nothing.

    Args:
        brief: without the range and the probability, where there is no room for them.
    """
    call = view.worst
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
        return [view.part(clean(text), "near") for text in texts]
    if any(reason.state is LimitState.BROKEN for reason in call.reasons):
        return [view.part("Already past a limit", "broken")]
    now = {reason.state for reason in call.reasons if reason.limit in list(LimitName)}
    if LimitState.UNKNOWN in now:
        return [view.part("not known while the present is not", "unknown")]
    if LimitState.NEAR in now:
        return [view.part("Already near a limit", "near")]
    items = [
        view.part(clean(reason.text.removeprefix("outlook: ")))
        for reason in reasons
        if reason.state is LimitState.OK
    ]
    if not items and call.looked_ahead_s > 0.0:
        time = duration_text(call.looked_ahead_s)
        by_trend = any(reason.state is LimitState.UNKNOWN for reason in reasons)
        text = f"Inside every limit for the next {time}"
        if by_trend:
            text += f" by the recent trend{'' if no_band_items(view) else '; no forecast'}"
        items = [view.part(text)]
    none = "not known yet: too few readings for a trend"
    if not no_band_items(view):
        none += ", and no forecast"
    return items or [view.part(none, "unknown")]


def forecast_items(view: View) -> list[Text]:
    """Age, reach and gaps of the forecast that the outlook rests on, where there is one."""
    bands = _bands(view)
    if bands is None or not bands.forecast:
        return []
    return [view.part(clean(bands.forecast), "label")]


def no_band_items(view: View) -> list[Text]:
    """Why there is no band of the next hours, or none by the forecast; mostly nothing."""
    bands = _bands(view)
    if bands is not None:
        what, why = "by the log alone", bands.by_log_why
    else:
        section = "" if view.worst is None else view.worst.section
        what, why = "no outlook yet", view.snapshot.outlook_why.get(section, "")
    if not why:
        return []
    return [view.part(f"{what}: {clean(_ground(why))}", "label")]


def _ground(why: str) -> str:
    """What a refusal rests on; what follows from it, where and whose the screen shows by itself."""
    found = re.split(", so | up to the time |; the outlook |; see ", why, maxsplit=1)[0]
    found = re.sub(r"^enclosure '.*?' has no reading in the log .*", "no reading in the log", found)
    found = found.removesuffix(" that an outlook needs")
    return found.rstrip(".")
