"""Makes a job's plan: reads, lays out, plans by list order, and lets the solver better it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from monitor.job.follow import Followed, followed
from monitor.job.progress import Told, silent
from monitor.job.read import read_job_file
from monitor.job.solver import bettered
from monitor.job.standing import Heard, heard
from monitor.job.tent import tents_of
from monitor.job.text import moment_text
from monitor.job.weather import air_ahead, read_hours, read_year, stretch_s
from monitor.log.facts import specs_of
from monitor.log.files import reading_log
from monitor.log.log import log_path
from monitor.logged_films import LoggedFilms, film_basis, films_in_log
from monitor.times import moment_s
from rules.events import Event, in_force
from rules.job.ahead import Ahead
from rules.job.list_order import list_plan, relaid, surer
from rules.job.model import SANDING_S, Job, JobFault
from rules.job.plan import Plan, lower_bound, plan_of, risks
from rules.job.problem import Laid, MixedPot, Problem, lay_out
from rules.job.room import Layout
from rules.spec.model import Spec
from rules.text import date_hour_text, date_text, duration_text
from sensors.forecast import ForecastHours

_MANY_COATS, _OWN_SHARE, _SOLVER_READS_S = 40, 0.5, 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A plan with what it was made from.

    Attributes:
        plan: itself.
        problem: on the grid.
        layout: its starts.
        ahead: of each enclosure.
        solved: whether a solver looked for a better one.
        poured: sections whose next coat goes on from pots that stand ready.
    """

    plan: Plan
    problem: Problem
    layout: Layout
    ahead: Mapping[str, Ahead]
    solved: bool
    poured: frozenset[str] = frozenset()

    def mix_temps_c(self) -> dict[tuple[str, int], float]:
        """Return how warm it is when each coat is mixed, by section and coat number [°C]."""
        places = {chain.name: chain.enclosure for chain in self.problem.chains}
        found: dict[tuple[str, int], float] = {}
        for step in self.plan.steps:  # by start: a two-pack's mixing comes before its coat
            if step.step in ("mix", "coat"):
                temp_c = self.ahead[places[step.section]].temp_c(step.start_s)
                found.setdefault((step.section, step.coat), temp_c)
        return found


def make(
    job: Job,
    ahead: dict[str, Ahead],
    laid: dict[str, Laid],
    from_s: float,
    limit_s: float,
    told: Told = silent,
    *,
    drawn: bool = True,
    pots: Mapping[str, tuple[MixedPot, ...]] | None = None,
) -> Made:
    """Make a plan.

    Args:
        job: the whole work.
        ahead: of each enclosure.
        laid: the newest film of each section that has one.
        from_s: nothing is begun before then [s since 1970].
        limit_s: how long a solver may look; 0 for the list order alone [s].
        told: is told what is being done.
        drawn: whether the plan is tried in the draws, without which nothing is promised.
        pots: that stand ready for a section's next coat.

    Raises:
        JobFault: there is no plan.
    """
    told("laying the coats out over the hours")
    pots = pots or {}
    problem = lay_out(job, ahead, laid, from_s, SANDING_S, pots)
    told("planning by list order")
    layout = list_plan(problem)
    if layout is None and pots:  # what is mixed may be dead before its coat can go on
        pots = {}
        problem = lay_out(job, ahead, laid, from_s, SANDING_S, pots)
        layout = list_plan(problem)
    bound = lower_bound(problem)
    solved = False
    if limit_s > 0.0 and (layout is None or layout.finish > bound):
        found = "no plan yet"
        if layout is not None:
            found = f"done {date_hour_text(problem.time_s(layout.finish), job.hours.zone)}"
        told(f"{found}; looking for a better one, {duration_text(limit_s)} at most")
        if layout is not None and sum(len(c.tasks) for c in problem.chains) > _MANY_COATS:
            layout, limit_s = _relaid(problem, layout, limit_s)
        answer = bettered(problem, layout, limit_s) if limit_s > 0.0 else None
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
    told("trying it in the draws of the weather")
    layout = surer(problem, layout, risks(job, problem, ahead))
    plan = plan_of(job, problem, layout, ahead, bound, drawn=drawn)
    poured = frozenset(
        chain.name for chain in problem.chains if chain.name in pots and chain.tasks[0].mix is None
    )
    return Made(plan, problem, layout, ahead, solved, poured)


def _relaid(problem: Problem, layout: Layout, limit_s: float) -> tuple[Layout, float]:
    """Lay a large job's sections anew for most of the time; return what is left for the solver.

    On a model of over forty coats the solver is still reading it when ten seconds are over.
    """
    own_s = _OWN_SHARE * limit_s if limit_s > _SOLVER_READS_S else limit_s
    end_s = time.monotonic() + own_s
    return relaid(problem, layout, lambda _: time.monotonic() < end_s), limit_s - own_s


def too_late(plan: Plan) -> str:
    """Return why a job is not done by its day, and what would bring it nearer; "" where it is."""
    if plan.slack_s >= 0.0:
        return ""
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


@dataclass(frozen=True, slots=True, eq=False)
class JobAtHand:
    """A job with all that a plan of it rests on.

    Attributes:
        followed: the job as far as its log has come.
        ahead: of each enclosure.
        from_s: nothing is begun before then [s since 1970].
        now_s: the moment asked about; before `from_s` where the job has not begun [s since 1970].
        heard: what each enclosure in the log said last by then.
        notes: what its reader should know of the log and the weather, in words.
    """

    followed: Followed
    ahead: dict[str, Ahead]
    from_s: float
    now_s: float
    heard: Mapping[str, Heard]
    notes: tuple[str, ...]

    @property
    def job(self) -> Job:
        """The job, without what is done of it."""
        return self.followed.job


def job_at_hand(
    path: Path,
    *,
    forecast: Path | ForecastHours | None,
    weather_year: Path | None,
    start: date | None = None,
    db: Path | None = None,
    at: str | None = None,
) -> JobAtHand:
    """Read a job, the weather that it has ahead, and what the log says is done of it.

    Args:
        path: of the job's file.
        forecast: hours of weather or their file, or None.
        weather_year: an EPW or TMY3 file, or None.
        start: first day, in place of the job's.
        db: the log, or None for the platform's own where there is one.
        at: the moment to plan from; None is the job's start, or the last word that the log has of
            it once an event is in it: an event or a reading.

    Raises:
        FilmcallError: a file cannot be used.
    """
    job = read_job_file(path, start)
    zone = str(job.hours.zone)
    hours = read_hours(forecast, zone) if isinstance(forecast, Path) else forecast
    year = None if weather_year is None else read_year(weather_year)
    now_s = job.start_s if at is None else moment_s(at, time.time(), zone)
    from_s = max(job.start_s, now_s)
    events: tuple[Event, ...] = ()
    specs: Mapping[str, Spec] = {}
    films: dict[str, LoggedFilms] = {}
    last: dict[str, Heard] = {}
    log = log_path(db)
    sun_ahead = all(w.sun_w_m2 is not None for w in (hours, year) if w is not None)
    to_s = None if at is None else now_s
    tents = tents_of(job, log, hours, sun_ahead=sun_ahead, to_s=to_s)
    if log.exists():
        names = sorted({section.enclosure for section in job.sections})
        with reading_log(log) as store:
            events = tuple(event for name in names for event in store.events(name))
            specs, _ = specs_of(store.spec_text, events, path.parent)
            events = in_force(events)
            mine = [e.time_s for e in events if job.start_s <= e.time_s <= job.deadline_s]
            if at is None and mine:
                ends = [heard(store, name, job.deadline_s) for name in names]
                from_s = now_s = max(from_s, *mine, *(each.read_s for each in ends if each))
            last = {n: said for n in names if (said := heard(store, n, now_s)) is not None}
            bases = {name: film_basis(store, name, None, path.parent) for name in names}
            films = {
                each.name: found
                for each in job.sections
                if (found := films_in_log(store, each.enclosure, each.name, from_s,
                                          job.hours.zone, bases[each.enclosure])) is not None
            }  # fmt: skip
    notes: tuple[str, ...] = ()
    if hours is not None and year is not None:
        _, end_s = stretch_s(hours, from_s)
        if end_s <= from_s:
            hours = None
            notes = (
                f"the forecast's hours end {moment_text(end_s, job.hours.zone)}, before the plan "
                "begins: all of it is by the weather year alone, so give a newer forecast",
            )
    ahead = air_ahead(job, hours, year, from_s, tents)
    events = tuple(event for event in events if event.time_s <= now_s)
    done = followed(job, events, from_s, specs, films, ahead)
    return JobAtHand(done, ahead, from_s, now_s, last, (*done.strayed, *notes))


def made_from(hand: JobAtHand, limit_s: float, told: Told = silent, *, drawn: bool = True) -> Made:
    """Make the plan of a job at hand; see `make`."""
    done = hand.followed
    return make(
        hand.job,
        hand.ahead,
        dict(done.laid),
        hand.from_s,
        limit_s,
        told,
        drawn=drawn,
        pots=done.pots,
    )
