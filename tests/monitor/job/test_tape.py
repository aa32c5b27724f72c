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
from plan_jobs import DAILY, FAIR, PRIMER, SLOW_TAPE, TAPED, Trial, job_text


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
