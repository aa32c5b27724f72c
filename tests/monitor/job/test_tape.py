"""Tape goes on for each coat anew, and the old one is off by then; by hand, list and solver alike.

That each film's tape comes off in the film's own time, between its two clocks, is common practice,
no source.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command import filmcall
from plan_brute import faults_of, when
from plan_jobs import DAILY, FAIR, FLAT, PRIMER, SLOW_TAPE, TAPED, Trial, job_text, spec_text


@pytest.mark.parametrize("solve", ["0", "10"])
def test_the_second_coat_of_one_entry_is_taped_again_once_the_first_tape_is_off(
    solve: str, tmp_path: Path
) -> None:
    """Coat 1 goes on on Monday from 8:30 to 9:30 and opens at 15:30, but its tape stays to 19:30.

    So it comes off on Tuesday at 8:00; tape, mix and coat 2 follow, which is cured 48 h after 9:45.
    """
    trial = Trial(job_text(TAPED, hours=DAILY), {PRIMER: SLOW_TAPE}, FAIR)
    job, forecast = trial.write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--json", "--solve", solve)
    ran = filmcall("plan", *words, "--db", str(tmp_path / "none.db"))
    plan = json.loads(ran.out)
    assert faults_of(plan, trial.job, trial.specs, trial.hours) == []
    steps = [(s["step"], s["start"][:16]) for s in plan["steps"] if s["coat"] == 2]
    assert steps[-2:] == [("coat", "2026-10-20T08:45"), ("untape", "2026-10-21T08:00")]
    assert next(s["start"] for s in plan["steps"] if s["step"] == "untape")[:16] == (
        "2026-10-20T08:00"
    )
    assert when(plan["finish"]) == when("2026-10-22T09:45+00:00")
    coat = next(s for s in plan["steps"] if (s["step"], s["coat"]) == ("coat", 2))
    assert coat["earliest"] >= "2026-10-20T08:30"


@pytest.mark.parametrize(
    ("more", "latest"),
    [
        # Twelve hours from the first brush stroke at 8:30, as the clock of the film counts them.
        ("", "2026-10-19T20:30"),
        # Thirteen hours on the surface from tape-on, which is at 6:15 at the earliest.
        ('[tape]\nnot_after = "13 h"\n', "2026-10-19T19:15"),
    ],
)
def test_tape_is_off_in_time_by_the_coats_start_and_by_when_it_went_on(
    more: str, latest: str, tmp_path: Path
) -> None:
    times = {**FLAT, "tape_not_before": "8 h", "tape_not_after": "12 h"}
    specs = {PRIMER: spec_text("quick-primer", times=times) + more}
    job, forecast = Trial(job_text(TAPED, hours='"08:00-21:00"'), specs, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--json", "--solve", "0")
    ran = filmcall("plan", *words, "--db", str(tmp_path / "none.db"))
    steps = json.loads(ran.out)["steps"]
    coat, untape = (next(s for s in steps if s["step"] == kind) for kind in ("coat", "untape"))
    assert coat["start"][:16] == "2026-10-19T08:30"
    assert untape["latest"][:16] == latest


def test_today_says_when_the_tape_on_a_film_of_the_log_comes_off(tmp_path: Path) -> None:
    """Coat from 17:30 to 18:30: ten hours after its end, at most 40 after its start."""
    job, forecast = Trial(job_text(TAPED), {PRIMER: SLOW_TAPE}, FAIR).write(tmp_path)
    db = ("--db", str(tmp_path / "log.db"))
    words = ("today", "--job", str(job), "--forecast", str(forecast), *db)
    done = (("tape-on", "17:15"), ("coat-started", "17:30"), ("coat-ended", "18:30"))
    for kind, at in (*done, ("tape-off", "20:30")):
        place = ("--enclosure", "polytunnel", "--section", "hull-port")
        ran = filmcall("event", kind, *place, "--at", f"2026-10-19T{at}:00Z", *db)
        assert ran.code == 0, ran.err
    told = filmcall(*words, "--at", "2026-10-19T20:00Z").out
    assert (
        "  untape hull-port, whose tape is on by the log: off from Tue 04:30, by Wed 09:30" in told
    )
    assert "untape hull-port, whose" not in filmcall(*words, "--at", "2026-10-19T20:45Z").out


def test_today_says_since_when_tape_on_a_film_of_the_log_is_overdue(tmp_path: Path) -> None:
    """At most 40 hours after the coat's start on Monday at 17:30."""
    job, forecast = Trial(job_text(TAPED), {PRIMER: SLOW_TAPE}, FAIR).write(tmp_path)
    db = ("--db", str(tmp_path / "log.db"))
    words = ("today", "--job", str(job), "--forecast", str(forecast), *db)
    for kind, at in (("tape-on", "17:15"), ("coat-started", "17:30"), ("coat-ended", "18:30")):
        place = ("--enclosure", "polytunnel", "--section", "hull-port")
        ran = filmcall("event", kind, *place, "--at", f"2026-10-19T{at}:00Z", *db)
        assert ran.code == 0, ran.err
    for at, is_overdue in (("21T09:15", False), ("21T10:00", True)):
        told = " ".join(filmcall(*words, "--at", f"2026-10-{at}Z").out.split())
        assert ("whose tape is on by the log: OVERDUE since 09:30 pull" in told) is is_overdue
        assert ("by 09:30" in told) is not is_overdue
