"""Draws a plan as bars of sections against time, and a season as a map: plain SVG for the page.

Drawn here for the same reasons as the review's chart: colours by the page, and every word is text.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo

import numpy as np
from markupsafe import Markup, escape

from monitor.job.make import Made
from rules.job.plan import PlannedStep
from rules.job.problem import SLOT_S
from rules.job.season import SeasonCell
from rules.text import date_text, hour_text, weekday_text
from rules.units import DAY_S, HOUR_S

WIDTH, LEFT, TOP, ROW, FOOT = 1040.0, 118.0, 34.0, 40.0, 8.0
_NIGHT_FROM_H, _NIGHT_TO_H = 20, 6
_LEAST_PX = 2.0  # a bar is seen, however long the job


def plan_chart(made: Made) -> Markup:
    """Return a plan's bars: night, working hours, windows by how probable GO is, and every step."""
    plan, zone = made.plan, made.plan.job.hours.zone
    first_s = _midnight(min(step.start_s for step in plan.steps), zone)
    last_s = plan.finish_s + 6 * HOUR_S
    names = [section.name for section in plan.job.sections]
    scale = _Scale(first_s, last_s)
    height = TOP + ROW * len(names) + FOOT
    parts = [
        f'<svg class="bars" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
        f'aria-label="{escape(_said(made))}">'
    ]
    parts += _ground(made, scale, len(names))
    for row, name in enumerate(names):
        y = TOP + row * ROW
        parts.append(
            f'<text class="name" x="{LEFT - 8:.0f}" y="{y + 24:.0f}">{escape(name)}</text>'
        )
        parts.append(f'<path class="rule" d="M{LEFT:.0f} {y + ROW:.0f}H{WIDTH - 8:.0f}"/>')
        parts += _row(made, [s for s in plan.steps if s.section == name], scale, y)
    x = scale.x(plan.finish_s)
    parts.append(f'<path class="finish" d="M{x:.1f} {TOP - 4:.0f}V{height - FOOT:.0f}"/>')
    parts.append("</svg>")
    return Markup("\n".join(parts))


class _Scale:
    """Places times across the drawing."""

    def __init__(self, first_s: float, last_s: float) -> None:
        self.first_s, self.last_s = first_s, last_s

    def x(self, time_s: float) -> float:
        share = (time_s - self.first_s) / (self.last_s - self.first_s)
        return LEFT + min(max(share, 0.0), 1.0) * (WIDTH - 8.0 - LEFT)

    def bar(self, begin_s: float, end_s: float, least: float = _LEAST_PX) -> tuple[float, float]:
        x = self.x(begin_s)
        return x, max(self.x(end_s) - x, least)


def _midnight(time_s: float, zone: tzinfo) -> float:
    moment = datetime.fromtimestamp(time_s, zone)
    return moment.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()


def _said(made: Made) -> str:
    coats = sum(step.step == "coat" for step in made.plan.steps)
    return (
        f"{coats} coats on {len(made.plan.job.sections)} sections against time; the list has each"
    )


def _ground(made: Made, scale: _Scale, rows: int) -> Iterator[str]:
    """Night, working hours and the days' names."""
    zone, bottom = made.plan.job.hours.zone, TOP + ROW * rows
    days = round((scale.last_s - scale.first_s) / DAY_S) + 1
    every = max(1, days // 16)
    for n in range(days + 1):
        begin_s = _midnight(scale.first_s + n * DAY_S + 2 * HOUR_S, zone)
        if begin_s >= scale.last_s:
            break
        for from_h, to_h in ((0, _NIGHT_TO_H), (_NIGHT_FROM_H, 24)):
            x, width = scale.bar(begin_s + from_h * HOUR_S, begin_s + to_h * HOUR_S, 0.0)
            size = f'width="{width:.1f}" height="{bottom - TOP:.0f}"'
            yield f'<rect class="night" x="{x:.1f}" y="{TOP:.0f}" {size}/>'
        x = scale.x(begin_s)
        yield f'<path class="day" d="M{x:.1f} {TOP - 6:.0f}V{bottom:.0f}"/>'
        if n % every == 0:
            words = f"{weekday_text(begin_s, zone)} {date_text(begin_s, zone)[5:]}"
            yield f'<text class="tick" x="{x + 3:.1f}" y="14">{words}</text>'
    left = made.problem.span_left
    edges = np.flatnonzero((left[:-1] == 0) & (left[1:] > 0)) + 1
    edges = np.append([0] if left[0] > 0 else [], edges).astype(int)
    for slot in edges.tolist():
        begin_s = made.problem.time_s(slot)
        if scale.first_s <= begin_s < scale.last_s:
            x, width = scale.bar(begin_s, begin_s + int(left[slot]) * SLOT_S)
            size = f'width="{width:.1f}" height="5"'
            yield f'<rect class="work" x="{x:.1f}" y="{TOP - 8:.0f}" {size}/>'


def _row(made: Made, steps: Sequence[PlannedStep], scale: _Scale, y: float) -> Iterator[str]:
    coats = [step for step in steps if step.step == "coat"]
    for step, following in zip(coats, [*coats[1:], None], strict=True):
        # The next coat's window follows; drawn over each other they could not be told apart.
        until_s = step.latest_s if following is None else following.start_s
        yield from _window(made, step, min(step.latest_s, until_s), scale, y)
    zone = made.plan.job.hours.zone
    for step in steps:
        x, width = scale.bar(step.start_s, step.end_s)
        tall = {"coat": 16.0, "sand": 16.0}.get(step.step, 8.0)
        style = step.step + (" critical" if step.is_critical and step.step == "coat" else "")
        title = f"{step.step} {step.section} {step.coat}, {hour_text(step.start_s, zone)}"
        yield (
            f'<rect class="{style}" x="{x:.1f}" y="{y + 14:.1f}" width="{width:.1f}" '
            f'height="{tall:.0f}"><title>{escape(title)}</title></rect>'
        )
        if step.step == "coat":
            yield f'<text class="number" x="{x:.1f}" y="{y + 11:.0f}">{step.coat}</text>'


def _window(
    made: Made, step: PlannedStep, until_s: float, scale: _Scale, y: float
) -> Iterator[str]:
    """The window of a coat, each hour of it as dark as GO is probable."""
    section = next(s for s in made.plan.job.sections if s.name == step.section)
    coat = section.coats[(step.coat or 1) - 1]
    hours = np.arange(np.floor(step.earliest_s / HOUR_S), np.ceil((until_s + 1.0) / HOUR_S))
    hours = hours[hours * HOUR_S < scale.last_s]
    if hours.size == 0:
        return
    share = made.ahead[section.enclosure].share(coat, np.float64(HOUR_S) * hours)[0]
    edges = [
        0,
        *(np.flatnonzero(np.abs(np.diff(np.round(share, 1))) > 0.0) + 1).tolist(),
        share.size,
    ]
    for begin, end in itertools.pairwise(edges):
        x, width = scale.bar(hours[begin] * HOUR_S, hours[end - 1] * HOUR_S + HOUR_S, 0.0)
        opacity = 0.7 * float(np.round(share[begin], 1))
        if opacity > 0.0:
            yield (
                f'<rect class="go" x="{x:.1f}" y="{y + 31:.0f}" width="{width:.1f}" height="6" '
                f'opacity="{opacity:.2f}"/>'
            )


def season_chart(cells: Sequence[SeasonCell]) -> Markup:
    """Return a season as a map: weeks across, hours of day down, as dark as a coat holds often."""
    weeks = sorted({cell.week for cell in cells})
    wide, tall = 17.0, 11.0
    parts = [
        f'<svg class="bars" viewBox="0 0 {WIDTH:.0f} {tall * 24 + 40:.0f}" role="img" '
        'aria-label="Share of starts that hold, by week and hour of day">'
    ]
    for cell in cells:
        x = LEFT + weeks.index(cell.week) * wide
        title = f"week {cell.week}, {cell.hour}:00: {100 * cell.share:.0f} %"
        parts.append(
            f'<rect class="go" x="{x:.0f}" y="{20 + cell.hour * tall:.0f}" width="{wide - 1:.0f}" '
            f'height="{tall - 1:.0f}" opacity="{max(cell.share, 0.02):.2f}">'
            f"<title>{title}</title></rect>"
        )
    for week in weeks[::4]:
        x = LEFT + weeks.index(week) * wide
        parts.append(f'<text class="tick" x="{x:.0f}" y="14">{week}</text>')
    for hour in range(0, 24, 3):
        y = 29 + hour * tall
        parts.append(f'<text class="name" x="{LEFT - 8:.0f}" y="{y:.0f}">{hour:02d}:00</text>')
    parts.append("</svg>")
    return Markup("\n".join(parts))
