"""`filmcall plan` on small invented jobs, held against an exhaustive planner and a checker.

Neither shares code with the program: see tests/support/plan_brute.py. What the trial takes for
settled beyond the fixed form of the job file and of the plan's JSON:

- a coat's name that ends in .toml is a spec file beside the job;
- with no log and `warmer = "0 K"` the air and the surfaces of a tent are those of the forecast;
- a mix step has the section and the coat's number of the coat that it is for;
- `done_when` stands in [job] and is a step of the spec, `cured` unless given;
- `after = ["SECTION"]` in a section is the one way to order sections: a ring of them is refused;
- a coating whose sheet has no recoat window at all takes no other coat on top.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from command import Ran, filmcall
from plan_brute import best_finish, faults_of, when
from plan_jobs import (
    DAILY,
    FAIR,
    FLAT,
    PORT_AND_STARBOARD,
    PRIMER,
    SOLO,
    SPECS,
    TRIALS,
    WORKED,
    Trial,
    hours_from,
    job_text,
    section,
    spec_text,
)


def planned(trial: Trial, folder: Path, *more: str) -> Ran:
    """Run the command on a trial's files."""
    job, forecast = trial.write(folder)
    words = ("--job", str(job), "--forecast", str(forecast), "--start", trial.start, "--json")
    return filmcall("plan", *words, *more)


def plan_of(trial: Trial, folder: Path) -> dict[str, Any]:
    """Return the plan of a trial that can be planned."""
    ran = planned(trial, folder)
    assert ran.code == 0, ran.err
    plan: dict[str, Any] = json.loads(ran.out)
    return plan


def refusal(trial: Trial, folder: Path) -> str:
    """Return the one sentence of a refused job; nothing may have been written."""
    page = folder / "plan.html"
    before = {each.name for each in folder.iterdir()}
    ran = planned(trial, folder, "--html", str(page))
    inputs = {"job.toml", "forecast.csv", *trial.specs}
    assert ran.code == 2
    assert ran.out == ""
    assert {each.name for each in folder.iterdir()} == before | inputs
    assert len(ran.err.strip().splitlines()) == 1
    said = " ".join(ran.err.split())
    assert "Traceback" not in said
    assert "Usage" not in said
    assert "No such command" not in said
    return said


@pytest.mark.parametrize("name", TRIALS)
def test_a_plan_keeps_every_rule_and_is_best_where_it_says_so(name: str, tmp_path: Path) -> None:
    trial = TRIALS[name]
    plan = plan_of(trial, tmp_path)
    assert faults_of(plan, trial.job, trial.specs, trial.hours) == []
    best_s = best_finish(trial.job, trial.specs, trial.hours)
    assert best_s is not None
    finish_s = when(plan["finish"])
    assert finish_s >= best_s - 60.0, "better than the best there is"
    if plan["proved"] and trial.exact:
        assert finish_s == pytest.approx(best_s, abs=60.0)
    if trial.exact:
        # The gap says how far from the best the plan can be at most, as a share of the time from
        # the first day on: the best must lie within it.
        first_s = when(f"{trial.start}T00:00+00:00")
        assert finish_s - best_s <= plan["gap"] * (finish_s - first_s) + 60.0


@pytest.mark.parametrize("name", WORKED)
def test_a_plan_is_the_one_on_paper(name: str, tmp_path: Path) -> None:
    """The arithmetic stands beside each in tests/support/plan_jobs.py."""
    worked = WORKED[name]
    plan = plan_of(worked.trial, tmp_path)
    assert when(plan["finish"]) == pytest.approx(when(worked.finish), abs=60.0)
    sandings = [step for step in plan["steps"] if step["step"] == "sand"]
    assert len(sandings) == worked.sandings
    coats = [step["start"] for step in plan["steps"] if step["step"] == "coat"]
    for start, expected in zip(coats, worked.coats, strict=True):
        at = datetime.fromtimestamp(when(start), UTC)
        if "T" in expected:
            assert at == datetime.fromisoformat(expected)
        else:
            assert f"{at:%Y-%m-%d}" == expected


def test_a_window_is_shown_from_its_opening_to_its_closing(tmp_path: Path) -> None:
    # Coat 1 on Monday 17:15-18:15. Coat 2 may start from Tuesday 00:15 to Wednesday 17:15 by its
    # window, and by the evenings (mixing first) Tuesday 17:15 to Wednesday 17:15.
    worked = WORKED["the_next_evening_is_inside_the_window"]
    plan = plan_of(worked.trial, tmp_path)
    coats = [step for step in plan["steps"] if step["step"] == "coat"]
    assert when(coats[1]["earliest"]) >= when("2026-10-20T00:15+00:00")
    assert when(coats[1]["earliest"]) <= when("2026-10-20T17:15+00:00")
    assert when(coats[1]["latest"]) <= when("2026-10-21T17:15+00:00")


def test_more_people_are_never_slower(tmp_path: Path) -> None:
    ends = []
    for people in (1, 2):
        folder = tmp_path / str(people)
        folder.mkdir()
        trial = Trial(job_text(*PORT_AND_STARBOARD, people=people), SPECS, FAIR)
        ends.append(when(plan_of(trial, folder)["finish"]))
    assert ends[1] < ends[0]


def test_beyond_the_known_hours_nothing_is_assumed_good_in_silence(tmp_path: Path) -> None:
    """With hours to Wednesday alone, what rests on anything else must say so step by step."""
    hours = hours_from("2026-10-19", days=5)
    trial = Trial(job_text(SOLO, hours=DAILY), SPECS, hours)
    ran = planned(trial, tmp_path)
    if ran.code == 2:
        assert "hour" in ran.err or "forecast" in ran.err
        assert "No such command" not in ran.err
        return
    assert ran.code == 0
    known_s = hours[-1].time_s + 3600.0
    for step in json.loads(ran.out)["steps"]:
        if step["step"] == "coat" and when(step["end"]) + 48 * 3600 > known_s + 60.0:
            assert step["probability"] < 1.0


def test_a_day_that_cannot_be_met_is_refused_with_the_first_that_can(tmp_path: Path) -> None:
    # By hand: evenings, both coats on Monday and Tuesday, cured on Thursday 22 October at 18:15.
    trial = Trial(job_text(SOLO, done_by="2026-10-21"), SPECS, FAIR)
    best_s = best_finish(trial.job, trial.specs, trial.hours)
    assert best_s == when("2026-10-22T18:15+00:00")
    said = refusal(trial, tmp_path)
    assert re.search(r"2026-10-22|\b22(nd)? Oct|Oct(ober)? 22\b", said), said
    assert "hull-port" in said, "what decides it"


def test_hours_too_short_for_a_coat_are_refused(tmp_path: Path) -> None:
    trial = Trial(job_text(SOLO, hours='"17:00-17:45"'), SPECS, FAIR)
    said = refusal(trial, tmp_path)
    assert "hull-port" in said
    assert "hours" in said


def test_an_unknown_spec_is_refused_with_its_line(tmp_path: Path) -> None:
    text = job_text(SOLO).replace(PRIMER, "no-such-primer")
    line = next(n for n, each in enumerate(text.splitlines(), 1) if "no-such-primer" in each)
    said = refusal(Trial(text, SPECS, FAIR), tmp_path)
    assert "no-such-primer" in said
    assert re.search(rf"line {line}\b|:{line}\b", said), said


def test_an_unknown_neighbour_is_refused_with_its_line(tmp_path: Path) -> None:
    text = job_text(section("hull-port", "primer", beside=("hull-larboard",)))
    line = next(n for n, each in enumerate(text.splitlines(), 1) if "larboard" in each)
    said = refusal(Trial(text, SPECS, FAIR), tmp_path)
    assert "hull-larboard" in said
    assert re.search(rf"line {line}\b|:{line}\b", said), said


def test_two_sections_of_one_name_are_refused(tmp_path: Path) -> None:
    said = refusal(Trial(job_text(SOLO, SOLO), SPECS, FAIR), tmp_path)
    assert "hull-port" in said


def test_a_coat_over_one_that_takes_none_is_refused(tmp_path: Path) -> None:
    closed = {key: time for key, time in FLAT.items() if not key.startswith("recoat")}
    specs = {**SPECS, PRIMER: spec_text("quick-primer", times=closed)}
    text = job_text(section("hull-port", "primer", "topcoat"))
    said = refusal(Trial(text, specs, FAIR), tmp_path)
    assert "hull-port" in said
    assert "quick-primer" in said
    assert "recoat" in said


def test_sections_that_wait_for_each_other_are_refused(tmp_path: Path) -> None:
    text = job_text(*PORT_AND_STARBOARD)
    for name, other in (("hull-port", "hull-starboard"), ("hull-starboard", "hull-port")):
        head = f'name = "{name}"\n'
        text = text.replace(head, f'{head}after = ["{other}"]\n')
    said = refusal(Trial(text, SPECS, FAIR), tmp_path)
    assert "hull-port" in said
    assert "hull-starboard" in said


def test_a_section_beside_itself_is_refused(tmp_path: Path) -> None:
    text = job_text(section("hull-port", "primer", beside=("hull-port",)))
    said = refusal(Trial(text, SPECS, FAIR), tmp_path)
    assert "hull-port" in said
    assert "beside" in said


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("people = 1", "people = 0"),
        ("people = 1", "peeple = 1"),
        ('hours = "17:00-21:00"', 'hours = "17:00-17:00"'),
        ('hours = "17:00-21:00"', 'hours = "17:00-25:00"'),
        ('timezone = "Etc/UTC"', 'timezone = "Creek/Shed"'),
        ('must_be_done = "2026-11-05"', 'must_be_done = "2026-10-01"'),
        ('takes = "1 h"', 'takes = "1 hull"'),
        ('area = "6.5 m2"', 'area = "6.5 kg"'),
    ],
)
def test_a_fault_of_the_job_file_is_named_with_its_line(
    right: str, wrong: str, tmp_path: Path
) -> None:
    text = job_text(SOLO).replace(right, wrong)
    line = next(n for n, each in enumerate(text.splitlines(), 1) if wrong in each)
    said = refusal(Trial(text, SPECS, FAIR), tmp_path)
    assert re.search(rf"line {line}\b|:{line}\b", said), said


def test_the_same_job_gives_the_same_plan_twice(tmp_path: Path) -> None:
    trial = TRIALS["one_person_two_sides_in_the_evening"]
    assert plan_of(trial, tmp_path) == plan_of(trial, tmp_path)


def test_times_are_utc_whatever_the_jobs_zone(tmp_path: Path) -> None:
    plan = plan_of(TRIALS["clocks_go_back_over_the_weekend"], tmp_path)
    for step in plan["steps"]:
        for key in ("start", "end", "earliest", "latest"):
            assert datetime.fromisoformat(step[key]).utcoffset() == timedelta(0)
