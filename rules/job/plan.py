"""A job's plan: every step with its window, how probable it holds, and what hangs on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import numpy as np

from rules.air.arrays import Floats
from rules.job.ahead import SURE, Ahead
from rules.job.list_order import alone, done_from, latest_starts
from rules.job.model import Job, midnight_s
from rules.job.problem import CLOSE_BEFORE, NEVER, SLOT_S, Chain, Problem, Slots, Task
from rules.job.robust import finishes
from rules.job.room import Layout, Placed


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of a plan, times in seconds since 1970.

    Attributes:
        section: where.
        coat: number of the coat that it is or is for.
        step: its kind.
        what: the coat's spec, the grit, the cloth.
        start_s: recommended.
        end_s: then.
        earliest_s: first start that its windows allow, the steps before it as planned.
        latest_s: last start that its windows and the day allow.
        probability: that its harm time stays inside the limits; of work without one, its coat's.
        rests_on: which hours it rests on.
        then: how many coats of its section come after it.
        is_critical: its next start would make the whole job later.
        is_extra: a sanding that a missed window asks for.
    """

    section: str
    coat: int
    step: str
    what: str
    start_s: float
    end_s: float
    earliest_s: float
    latest_s: float
    probability: float
    rests_on: str
    then: int
    is_critical: bool
    is_extra: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole plan.

    Attributes:
        job: that it is of.
        steps: by their start.
        finish_s: when the last film is done, if all goes as known [s since 1970].
        promised_s: by when it is in nine of ten draws; None where that is past the hours that are
            known, the finish where there are no draws [s since 1970].
        kept: share of the draws that are done by the end of the finish's day and of each day
            after, until it is nine in ten or no draw is left that gets done; empty without
            draws [1].
        is_proved: that no plan on the grid ends earlier.
        gap: how much earlier one could end at most, as a share of the time from the first day.
        decides: name of the section that ends last.
        tents: each enclosure's name and what its warmth and moisture rest on.
    """

    job: Job
    steps: tuple[PlannedStep, ...]
    finish_s: float
    promised_s: float | None
    kept: tuple[float, ...]
    is_proved: bool
    gap: float
    decides: str
    tents: tuple[tuple[str, str], ...] = ()

    @property
    def slack_s(self) -> float:
        """Time from the finish to the end of the last day [s]."""
        return self.job.deadline_s - self.finish_s

    @property
    def weakest(self) -> PlannedStep | None:
        """The coat that is least sure to hold."""
        coats = [step for step in self.steps if step.step == "coat"]
        return min(coats, key=lambda step: step.probability, default=None)


def plan_of(
    job: Job,
    problem: Problem,
    layout: Layout,
    ahead: Mapping[str, Ahead],
    bound: int,
    *,
    drawn: bool = True,
) -> Plan:
    """Return a plan from its layout on the grid.

    Args:
        job: the whole work.
        problem: the same on the grid.
        layout: the starts.
        ahead: of each enclosure.
        bound: slot before which no plan can be done.
        drawn: whether it is tried in the draws, without which nothing is promised.
    """
    finish_s = problem.time_s(layout.finish)
    ends_s = finishes(job, problem, layout, ahead) if drawn else None
    promised_s, kept = promise(ends_s, finish_s, job.hours.zone)
    gap_slots = max(0, layout.finish - bound)
    whole = max(1.0, finish_s - job.start_s)
    gap_s = problem.time_s(layout.finish) - problem.time_s(layout.finish - gap_slots)
    steps: list[PlannedStep] = []
    for at in range(len(problem.chains)):
        steps += _steps_of(job, problem, layout, ahead, at)
    return Plan(
        job=job,
        steps=tuple(sorted(steps, key=lambda each: (each.start_s, each.section, each.end_s))),
        finish_s=finish_s,
        promised_s=promised_s,
        kept=kept,
        is_proved=gap_slots == 0,
        gap=gap_s / whole,
        decides=_last(problem, layout),
        tents=tuple((name, ahead[name].basis) for name in sorted(ahead)),
    )


def lower_bound(problem: Problem) -> int:
    """Return the slot before which no plan can be done.

    The latest of each section alone; and when people can have done all the work at the earliest,
    with the shortest cure of a last coat after it.
    """
    alone_ = max(alone(problem, at) for at in range(len(problem.chains)))
    chains = [chain for chain in problem.chains if chain.tasks]
    if problem.people == 0 or not chains:
        return alone_
    work = sum(_work(task) for chain in chains for task in chain.tasks)
    done = np.cumsum(problem.people * (problem.span_left[: problem.slots] > 0))
    end = int(np.searchsorted(done, work, "left")) + 1
    cures = [
        0 if task.untape is not None else int((task.done - task.starts).min()) - task.length
        for task in (chain.tasks[-1] for chain in chains)
    ]
    return max(alone_, end + max(0, min(cures)))


def _work(task: Task) -> int:
    pieces = sum(piece.length for piece in (*task.middles, *task.close_before))
    return task.length + pieces + (task.mix is not None) + (task.untape is not None)


def risks(job: Job, problem: Problem, ahead: Mapping[str, Ahead]) -> list[list[Slots]]:
    """Return for each section's coats how unsure each start is, in tenths.

    Tenths, so that a coat does not wait a day for what the draws can hardly tell apart.
    """
    found = []
    for section, chain in zip(job.sections, problem.chains, strict=True):
        own = []
        for task in chain.tasks:
            coat = section.coats[task.number - 1]
            starts_s = problem.zero_s + np.float64(SLOT_S) * task.starts
            share = ahead[section.enclosure].share(coat, starts_s)[0]
            own.append(np.round(10.0 * (1.0 - share)).astype(np.int64))
        found.append(own)
    return found


def _last(problem: Problem, layout: Layout) -> str:
    def done(chain: Chain, at: int) -> int:
        start = max(
            (s.start for s in layout.steps if s.chain == at and s.kind == "coat"), default=-1
        )
        if start < 0:
            return chain.film.done if chain.film is not None else 0
        task = chain.tasks[-1]
        return int(task.done[np.searchsorted(task.starts, start)])

    return max(enumerate(problem.chains), key=lambda pair: done(pair[1], pair[0]))[1].name


def promise(
    drawn: Floats | None, finish_s: float, zone: tzinfo
) -> tuple[float | None, tuple[float, ...]]:
    """Return by when nine in ten draws are done, and what share is by the end of each day.

    Args:
        drawn: when each draw is done, or None without draws [s since 1970].
        finish_s: of the plan, on whose day the shares begin [s since 1970].
        zone: whose days they are.

    Returns:
        The time, None where nine in ten never are [s since 1970]; and the shares, to the day of
        that time or to the last that any draw needs [1].
    """
    if drawn is None:
        return finish_s, ()
    day = datetime.fromtimestamp(finish_s, zone).date()
    most = min(SURE, float(np.isfinite(drawn).mean()))
    kept: list[float] = []
    while not kept or kept[-1] < most:
        day += timedelta(days=1)
        kept.append(float((drawn < midnight_s(day, zone)).mean()))
    sure_s = float(np.quantile(drawn, SURE, method="inverted_cdf"))
    return (max(finish_s, sure_s) if np.isfinite(sure_s) else None), tuple(kept)


def _steps_of(
    job: Job, problem: Problem, layout: Layout, ahead: Mapping[str, Ahead], at: int
) -> list[PlannedStep]:
    chain, section = problem.chains[at], job.sections[at]
    air = ahead[section.enclosure]
    own = [step for step in layout.steps if step.chain == at]
    found: list[PlannedStep] = []
    if not chain.tasks:
        return found
    deadline = int((job.deadline_s - problem.time_s(0)) // (problem.time_s(1) - problem.time_s(0)))
    latest = latest_starts(problem, at, deadline)
    values = done_from(problem, at)
    before: Task | None = None
    before_start = off = 0
    for n, task in enumerate(chain.tasks):
        coat = section.coats[task.number - 1]
        mine = [step for step in own if step.coat == task.number]
        laid = next(step for step in mine if step.kind == "coat")
        index = int(np.searchsorted(task.starts, laid.start))
        share, harm_s = air.share(coat, np.array([problem.time_s(laid.start)]))
        following = int(values[n][index + 1 :].min(initial=NEVER))
        is_critical = following > layout.finish
        free = off + task.lead if task.is_taped else 0
        first, last = _coat_window(chain, task, before, before_start, mine, laid, free, latest[n])
        for step in mine:
            low, high = (first, last) if step is laid else _window(step, task, index, laid)
            found.append(
                PlannedStep(
                    section=chain.name,
                    coat=task.number,
                    step=step.kind,
                    what=coat.spec.name if step.kind in ("coat", "mix") else step.what,
                    start_s=problem.time_s(step.start),
                    end_s=problem.time_s(step.end),
                    earliest_s=problem.time_s(min(low, step.start)),
                    latest_s=problem.time_s(max(high, step.start)),
                    probability=float(share[0]),
                    rests_on=air.rests_on(float(harm_s[0])),
                    then=len(chain.tasks) - n - 1,
                    is_critical=is_critical,
                    is_extra=step.extra,
                )
            )
        before, before_start = task, laid.start
        off = max((step.end for step in mine if step.kind == "untape"), default=0)
    return found


def _coat_window(
    chain: Chain,
    task: Task,
    before: Task | None,
    before_start: int,
    mine: list[Placed],
    laid: Placed,
    free: int,
    latest: int,
) -> tuple[int, int]:
    """The first and the last start that a coat's window allows, what is before it as planned."""
    opens, closes = 0, NEVER
    if before is not None:
        at = int(np.searchsorted(before.starts, before_start))
        opens, closes = int(before.opens[at]), int(before.closes[at])
    elif chain.film is not None:
        opens, closes = chain.film.opens, chain.film.closes
    sandings = [step.end for step in mine if step.kind == "sand"]
    if sandings:
        opens, closes = max(opens, *sandings), NEVER
    opens = max(opens, free)
    inside = task.starts[(task.starts >= opens) & (task.starts <= min(closes, latest))]
    if inside.size == 0:
        return laid.start, laid.start
    return int(inside[0]), int(inside[-1])


def _window(step: Placed, task: Task, index: int, laid: Placed) -> tuple[int, int]:
    """The first and the last start of the work that hangs on a coat, the coat as planned."""
    for side in (task.mix, task.untape):
        if side is not None and side.kind == step.kind:
            return int(side.first[index]), int(side.last[index])
    if step.kind in ("wipe", "tape"):
        return laid.start - task.lead - CLOSE_BEFORE, laid.start - (step.end - step.start)
    return step.start, laid.start - (step.end - step.start)
