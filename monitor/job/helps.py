"""What would have the boat done, or let her be promised, on an earlier day: each planned anew."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np

from monitor.job.make import JobAtHand, Made
from rules.job.ahead import Ahead
from rules.job.list_order import list_plan
from rules.job.model import MIXING_S, SANDING_S, Job, JobFault
from rules.job.plan import promise
from rules.job.problem import SLOT_S, lay_out
from rules.job.robust import finishes
from rules.job.season import DRIER_PCT, WARMER_K
from rules.text import counted, date_text, duration_text, weekday_text

_SAFE = 0.95  # a coat surer than that needs no help
_MINUTE_S, _DAY_MIN = 60.0, 1440


@dataclass(frozen=True, slots=True, eq=False)
class _Measure:
    """One thing that might help.

    Attributes:
        words: what it is.
        job: as it would be planned.
        ahead: the air as it would be.
        done_in: the job as it would then be done, hours that are kept free among its hours.
    """

    words: str
    job: Job
    ahead: dict[str, Ahead]
    done_in: Job


def what_helps(made: Made, hand: JobAtHand) -> list[str]:
    """Return what would help, each measure planned anew by list order and tried in the draws.

    Args:
        made: the plan.
        hand: the job that it is of.
    """
    found = []
    for measure in _measures(hand):
        with suppress(JobFault):
            gain = _gain(made, hand, measure)
            if gain:
                found.append(f"{measure.words}: {gain}.")
    weakest = made.plan.weakest
    if weakest is not None and weakest.probability < _SAFE:
        section = next(s for s in hand.job.sections if s.name == weakest.section)
        coat = next(c for c in section.coats if c.number == weakest.coat)
        warm = made.ahead[section.enclosure].warmer(WARMER_K)
        share = float(warm.share(coat, np.array([weakest.start_s]))[0][0])
        if share > weakest.probability + 0.02:
            found.append(
                f"a tent {WARMER_K:g} K warmer: {weakest.section}, coat {weakest.coat} holds "
                f"{100 * share:.0f} % in place of {100 * weakest.probability:.0f} %."
            )
    if not made.plan.steps:
        return found
    return found or [
        "none of a warmer tent, a drier one, another person, longer evenings or one coat less a "
        "day brings her day forward."
    ]


def _measures(hand: JobAtHand) -> Iterator[_Measure]:
    job, ahead = hand.job, hand.ahead

    def air(change: Callable[[Ahead], Ahead]) -> dict[str, Ahead]:
        return {name: change(each) for name, each in ahead.items()}

    warm = air(lambda each: each.warmer(WARMER_K))
    yield _Measure(f"a tent {WARMER_K:g} K warmer", job, warm, job)
    dry = air(lambda each: each.drier(DRIER_PCT))
    yield _Measure(f"a tent {DRIER_PCT:g} % drier", job, dry, job)
    more = replace(job, people=job.people + 1)
    yield _Measure("one more person", more, ahead, more)
    coat_s = _longest_coat_s(job)
    each = duration_text(coat_s)
    longer = _with_spans(job, coat_s)
    what = f"two sections on one evening, {each} longer"
    if len(job.sections) < 2:
        what = f"working hours {each} longer"
    yield _Measure(what, longer, ahead, longer)
    shorter = _with_spans(job, -coat_s)
    yield _Measure(f"one coat less a day, {each} kept free", shorter, ahead, job)


def _longest_coat_s(job: Job) -> float:
    """How long one coat more takes, its mixing with it, in whole slots [s]."""
    coats = [coat for section in job.sections for coat in section.coats]
    longest = max(coat.takes_s + MIXING_S * coat.two_pack for coat in coats)
    return float(np.ceil(longest / SLOT_S) * SLOT_S)


def _with_spans(job: Job, more_s: float) -> Job:
    """The job with each span of hours so much longer, or shorter, at its end."""
    more = round(more_s / _MINUTE_S)
    days = []
    for spans in job.hours.by_weekday:
        ends = [*(begin for begin, _ in spans[1:]), _DAY_MIN]
        changed = [(b, min(e + more, most)) for (b, e), most in zip(spans, ends, strict=False)]
        days.append(tuple((begin, end) for begin, end in changed if begin < end))
    return replace(job, hours=replace(job.hours, by_weekday=tuple(days)))


def _gain(made: Made, hand: JobAtHand, measure: _Measure) -> str:
    """How many days sooner she would be done and could be promised, in words; "" for none."""
    laid, plan, zone = dict(hand.followed.laid), made.plan, hand.job.hours.zone

    def day(time_s: float) -> date:
        return datetime.fromtimestamp(time_s, zone).date()

    problem = lay_out(measure.job, measure.ahead, laid, hand.from_s, SANDING_S, hand.followed.pots)
    layout = list_plan(problem)
    if layout is None:
        return ""
    finish_s = problem.time_s(layout.finish)
    if measure.done_in is not measure.job:
        problem = lay_out(
            measure.done_in, measure.ahead, laid, hand.from_s, SANDING_S, hand.followed.pots
        )
    drawn = finishes(measure.done_in, problem, layout, measure.ahead)
    promised_s, _ = promise(drawn, finish_s, zone)
    gains = []
    done = (day(plan.finish_s) - day(finish_s)).days
    if done > 0:
        gains.append(f"done {counted(done, 'day')} sooner")
    if promised_s is not None and plan.promised_s is None:
        words = f"{weekday_text(promised_s, zone)} {date_text(promised_s, zone)}"
        gains.append(f"{words} could be promised")
    elif promised_s is not None and plan.promised_s is not None:
        sooner = (day(plan.promised_s) - day(promised_s)).days
        if sooner > 0:
            gains.append(f"promised {counted(sooner, 'day')} sooner")
    return ", ".join(gains)
