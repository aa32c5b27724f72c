"""Makes a job's plan: reads, lays out, plans by list order, and lets the solver better it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from monitor.job.read import read_job_file
from monitor.job.solver import bettered
from monitor.job.weather import air_ahead, read_hours, read_year
from rules.job.ahead import Ahead
from rules.job.list_order import Layout, list_plan
from rules.job.model import SANDING_S, Job, JobFault
from rules.job.plan import Plan, lower_bound, plan_of
from rules.job.problem import Laid, Problem, lay_out
from rules.text import date_hour_text, date_text


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A plan with what it was made from.

    Attributes:
        plan: itself.
        problem: on the grid.
        layout: its starts.
        ahead: of each enclosure.
        solved: whether a solver looked for a better one.
    """

    plan: Plan
    problem: Problem
    layout: Layout
    ahead: Mapping[str, Ahead]
    solved: bool


def make(
    job: Job,
    ahead: dict[str, Ahead],
    laid: dict[str, Laid],
    from_s: float,
    limit_s: float,
) -> Made:
    """Make a plan.

    Args:
        job: the whole work.
        ahead: of each enclosure.
        laid: the newest film of each section that has one.
        from_s: nothing is begun before then [s since 1970].
        limit_s: how long a solver may look; 0 for the list order alone [s].

    Raises:
        JobFault: there is no plan, or none that is done in time.
    """
    problem = lay_out(job, ahead, laid, from_s, SANDING_S)
    layout = list_plan(problem)
    bound = lower_bound(problem)
    solved = False
    if limit_s > 0.0 and (layout is None or layout.finish > bound):
        answer = bettered(problem, layout, limit_s)
        if answer is not None:
            solved = True
            better, bound_by_solver = answer
            bound = max(bound, bound_by_solver)
            if better is not None and (layout is None or better.finish < layout.finish):
                layout = better
    if layout is None:
        raise JobFault(
            f"job of {job.boat}: no order of its steps fits into the good hours "
            f"{next(iter(ahead.values())).reach_words()}, so nothing is planned; give a longer "
            "forecast, --weather-year FILE.epw, or more working hours"
        )
    plan = plan_of(job, problem, layout, ahead, bound)
    if plan.slack_s < 0.0:
        raise JobFault(_too_late(plan))
    return Made(plan, problem, layout, ahead, solved)


def _too_late(plan: Plan) -> str:
    zone = plan.job.hours.zone
    first = "first day that can be met" if plan.is_proved else "first day found so far"
    critical = [s for s in plan.steps if s.section == plan.decides and s.step == "coat"]
    last = critical[-1] if critical else None
    why = ""
    if last is not None:
        why = (
            f": its coat {last.coat} goes on at {date_hour_text(last.start_s, zone)} at the "
            "earliest"
        )
    return (
        f"must_be_done {plan.job.must_be_done} cannot be met; the {first} is "
        f"{date_text(plan.finish_s, zone)} ({date_hour_text(plan.finish_s, zone)}), and section "
        f"{plan.decides!r} decides it{why}; move the day, or give more hours, people or warmth"
    )


def plan_file(
    path: Path,
    *,
    forecast: Path | None,
    weather_year: Path | None,
    start: date | None,
    limit_s: float,
) -> Made:
    """Make the plan of a job file; see `make`.

    Raises:
        FilmcallError: the job, the weather or the plan cannot be used.
    """
    job = read_job_file(path, start)
    hours = None if forecast is None else read_hours(forecast, str(job.hours.zone))
    year = None if weather_year is None else read_year(weather_year)
    from_s = job.start_s
    ahead = air_ahead(job, hours, year, from_s)
    return make(job, ahead, {}, from_s, limit_s)
