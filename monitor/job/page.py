"""Sets a plan, or a season, on one HTML page that prints on one or two A4 sheets for the wall."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

from monitor.html_page import html_page
from monitor.job.chart import plan_chart, season_chart
from monitor.job.make import Made
from monitor.job.season import Season
from monitor.job.text import (
    CAUTION,
    day_text,
    generic_lines,
    head_lines,
    note_lines,
    risk_lines,
    shopping_lines,
    unsaid_lines,
    window_text,
)
from monitor.review.report import SAFETY
from rules.job.plan import PlannedStep
from rules.job.shopping import Shopping
from rules.text import hour_text


def plan_page(
    made: Made, helps: Sequence[str], shopping: Shopping, notes: Sequence[str] = ()
) -> str:
    """Return a plan's page.

    Args:
        made: the plan with what it was made from.
        helps: what would help, in words.
        shopping: what the job takes.
        notes: of `JobAtHand`.
    """
    plan, zone = made.plan, made.plan.job.hours.zone
    shown = [step for step in plan.steps if step.step != "mix"]
    days = [
        {"name": name, "steps": [_step(step, made) for step in steps]}
        for name, steps in itertools.groupby(shown, lambda step: day_text(step.start_s, zone))
    ]
    return html_page(
        "plan.html.j2",
        title=f"Plan of {plan.job.boat}",
        head=[*head_lines(plan, made.solved, zone), *note_lines(notes)],
        chart=plan_chart(made) if plan.steps else "",
        key="Bars are coats (numbered), hatched ones sandings; below each its window, as dark as "
        "GO is probable. Thick edges decide the day; the grey is night, the strip on top working "
        f"hours, the line at the right the finish. Times in {zone}. Mix 15 min before each coat, "
        "and as long before as its induction asks.",
        days=days,
        more=[*risk_lines(plan, zone), *(f"Would help: {each}" for each in helps)],
        shopping=shopping_lines(shopping),
        caution=[*unsaid_lines(plan.job), *generic_lines(plan.job), CAUTION, SAFETY],
    )


def _step(step: PlannedStep, made: Made) -> dict[str, Any]:
    zone = made.plan.job.hours.zone
    coat = step.step == "coat"
    return {
        "time": f"{hour_text(step.start_s, zone)}-{hour_text(step.end_s, zone)}",
        "what": f"{step.section}, coat {step.coat}" if coat else f"{step.step} {step.section}",
        "with": "window missed" if step.is_extra else step.what,
        "holds": f"{100 * step.probability:.0f} %" if coat else "",
        "window": window_text(step, zone) if coat else "",
        "critical": coat and step.is_critical,
    }


def season_page(season: Season) -> str:
    """Return a season's page."""
    return html_page(
        "plan.html.j2",
        title="When a coat holds",
        head=[season.about + ".", "A typical year, counted hour by hour: no forecast."],
        chart=season_chart(season.cells),
        key="Weeks of the year across, hours of day down: the darker, the more often a coat that "
        "is begun then holds its whole harm time.",
        days=[],
        more=[],
        shopping=[],
        caution=[CAUTION, SAFETY],
    )
