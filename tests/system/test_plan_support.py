"""The planner's trial, itself tried: exhaustive plans against paper, the checker on bad plans."""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import cache
from typing import Any

import pytest
from plan_brute import best_finish, best_plan, faults_of, when
from plan_jobs import DAILY, FAIR, SOLO, SPECS, TRIALS, WORKED, job_text

Plan = dict[str, Any]


@cache
def _found(name: str) -> Plan:
    trial = TRIALS[name]
    plan = best_plan(trial.job, trial.specs, trial.hours)
    assert plan is not None
    return plan


def plan_of(name: str) -> Plan:
    """Return a best plan of one of the trials, to be changed at will."""
    return copy.deepcopy(_found(name))


@pytest.mark.parametrize("name", WORKED)
def test_the_exhaustive_finish_is_the_one_on_paper(name: str) -> None:
    worked = WORKED[name]
    trial = worked.trial
    plan = best_plan(trial.job, trial.specs, trial.hours)
    assert plan is not None
    assert when(plan["finish"]) == when(worked.finish)
    assert sum(step["step"] == "sand" for step in plan["steps"]) == worked.sandings


@pytest.mark.parametrize("name", TRIALS)
def test_a_best_plan_has_no_fault_and_does_not_hang_on_an_hours_edges(name: str) -> None:
    trial = TRIALS[name]
    plan = plan_of(name)
    assert faults_of(plan, trial.job, trial.specs, trial.hours) == []
    strict = best_finish(trial.job, trial.specs, trial.hours, edge_s=3600.0)
    assert strict == when(plan["finish"])


def test_the_hour_of_summer_time_moves_the_morning() -> None:
    # 2026-10-25 01:00 UTC (IANA time zone database, Europe/London): Saturday 08:00 is 07:00 UTC,
    # Sunday 08:00 is 08:00 UTC.
    plan = plan_of("clocks_go_back_over_the_weekend")
    starts = [step["start"][:16] for step in plan["steps"] if step["step"] == "mix"]
    assert starts == ["2026-10-24T07:00", "2026-10-25T08:00"]


def moved(plan: Plan, step: str, coat: int | None, section_: str, hours: float) -> None:
    for each in plan["steps"]:
        if (each["step"], each["coat"], each["section"]) == (step, coat, section_):
            for key in ("start", "end", "earliest", "latest"):
                each[key] = (datetime.fromisoformat(each[key]) + timedelta(hours=hours)).isoformat()


def dropped(plan: Plan, step: str) -> None:
    plan["steps"] = [each for each in plan["steps"] if each["step"] != step]


BAD: dict[str, tuple[str, Callable[[Plan], None], str]] = {
    "coat outside hours": (
        "two_people_two_sides",
        lambda plan: moved(plan, "coat", 2, "hull-port", 3.0),
        "not whole inside",
    ),
    "too few people": (
        "one_person_two_sides_in_the_evening",
        lambda plan: moved(plan, "coat", 1, "hull-starboard", -0.75),
        "people at once",
    ),
    "no mixing": ("two_people_two_sides", lambda plan: dropped(plan, "mix"), "no mixing"),
    "induction cut short": (
        "induction_between_mixing_and_coat",
        lambda plan: moved(plan, "mix", 1, "hull-port", 0.25),
        "induction",
    ),
    "dead pot": (
        "induction_between_mixing_and_coat",
        lambda plan: moved(plan, "mix", 2, "hull-starboard", -0.75),
        "pot dies",
    ),
    "too early": (
        "induction_between_mixing_and_coat",
        lambda plan: moved(plan, "coat", 2, "hull-port", -0.25),
        "before the window opens",
    ),
    "too late": (
        "weekends_only_so_a_window_is_missed",
        lambda plan: dropped(plan, "sand"),
        "after the window closes",
    ),
    "system's sanding left out": (
        "sanding_of_the_system_by_day",
        lambda plan: dropped(plan, "sand"),
        "sanding before it is lacking",
    ),
    "soft film sanded": (
        "sanding_of_the_system_by_day",
        lambda plan: moved(plan, "sand", None, "hull-port", -18.0),
        "cannot be sanded yet",
    ),
    "dust on a wet film": (
        "dust_in_one_tent",
        lambda plan: moved(plan, "sand", None, "hull-port", -17.0),
        "while deck is wet",
    ),
    "tape on a soft neighbour": (
        "tape_on_the_neighbour",
        lambda plan: moved(plan, "coat", 1, "hull-starboard", -17.0),
        "before it can be handled",
    ),
    "damp": (
        "a_damp_spell_shuts_two_days",
        lambda plan: moved(plan, "coat", 2, "hull-port", -24.0),
        "fails in hour",
    ),
    "closed day": (
        "closed_days_between",
        lambda plan: moved(plan, "sand", None, "hull-port", -24.0),
        "not whole inside",
    ),
    "summer time forgotten": (
        "clocks_go_back_over_the_weekend",
        lambda plan: moved(plan, "mix", 2, "hull-port", -1.0),
        "not whole inside",
    ),
    "finish before cure": (
        "two_people_two_sides",
        lambda plan: plan.update(finish="2026-10-22T18:00:00+00:00"),
        "not cured at the finish",
    ),
    "wrong slack": ("two_people_two_sides", lambda plan: plan.update(slack_s=1.0), "slack"),
}


@pytest.mark.parametrize("name", BAD)
def test_the_checker_finds_each_planted_fault(name: str) -> None:
    which, spoil, expected = BAD[name]
    trial, plan = TRIALS[which], plan_of(which)
    spoil(plan)
    faults = faults_of(plan, trial.job, trial.specs, trial.hours)
    assert [fault for fault in faults if expected in fault], faults


def test_a_day_past_the_promise_is_a_fault() -> None:
    text = job_text(SOLO, done_by="2026-10-21")
    plan = best_plan(text, SPECS, FAIR)
    assert plan is not None
    assert any("past the day" in fault for fault in faults_of(plan, text, SPECS, FAIR))


def test_what_is_not_known_is_not_good() -> None:
    """Both coats on Monday the 19th are cured on Wednesday at 16:15; the hours must reach there."""
    hours = FAIR[: 24 * 5]  # from Saturday the 17th to the end of Wednesday the 21st
    assert best_finish(job_text(SOLO, hours=DAILY), SPECS, hours) is not None
    assert best_finish(job_text(SOLO, hours=DAILY), SPECS, hours[: 24 * 4]) is None


def test_dust_costs_a_morning_in_one_tent_and_none_in_two() -> None:
    for name, finish in (
        ("dust_takes_a_morning", "2026-10-23T09:15+00:00"),
        ("two_sheds_save_that_morning", "2026-10-22T09:15+00:00"),
    ):
        assert when(plan_of(name)["finish"]) == when(finish)
