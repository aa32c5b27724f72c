"""The rooms of time: the last hours as a trend, the next ones as a band, and what will break."""

from __future__ import annotations

import re

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from monitor.screen.band_chart import (
    HALF_KEPT,
    TENTH_KEPT,
    BandChart,
    Risk,
    band_chart_of,
    rooms_of,
)
from monitor.screen.clocks_panel import ClockRoom
from monitor.screen.sentence import TREND_OF, figure, limit_of
from monitor.screen.theme import clean
from monitor.screen.trend_chart import Chart, chart_of, span_shown_s
from monitor.snapshot import Band, OutlookBands
from rules.limits import is_upper
from rules.reasons import Reason
from rules.vocabulary import LimitName, LimitState

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
