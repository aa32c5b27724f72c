"""A plan follows the log: what is recorded is done, the rest moves, a missed window is sanded."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import filmcall
from plan_brute import when
from plan_jobs import (
    FAIR,
    FLAT,
    PRIMER,
    SOLO,
    SPECS,
    TOPCOAT,
    Trial,
    hours_from,
    job_text,
    section,
    spec_text,
)

from monitor.job.make import JobAtHand, job_at_hand, made_from
from monitor.job.page import plan_page
from monitor.job.standing import Heard, Standing
from monitor.job.text import head_lines, note_lines, plan_text, risk_lines
from monitor.job.today import today_text
from monitor.log.rows import CallRow
from rules.job.list_order import surer
from rules.job.shopping import Shopping
from rules.reasons import MAY_I_START


def plan(
    folder: Path, trial: Trial, *events: tuple[str, str], spec: Path | None = None
) -> dict[str, Any]:
    """Record events as (kind, time in October 2026), coats with a spec; plan what is left."""
    job, forecast = trial.write(folder)
    db = ("--db", str(folder / "log.db"))
    for kind, at in events:
        named = ("--spec", str(spec)) if spec is not None and kind == "coat-started" else ()
        ran = filmcall(
            *("event", kind, "--enclosure", "polytunnel", "--section", "hull-port"),
            *("--at", f"2026-10-{at}:00Z", *named, *db),
        )
        assert ran.code == 0, ran.err
    words = ("--job", str(job), "--forecast", str(forecast), "--json", "--solve", "0", *db)
    ran = filmcall("plan", *words)
    assert ran.code == 0, ran.err
    found: dict[str, Any] = json.loads(ran.out)
    return found


def left(found: dict[str, Any]) -> list[tuple[str, int, str]]:
    return [(s["step"], s["coat"], s["start"]) for s in found["steps"] if s["step"] != "mix"]


def test_a_coat_that_is_on_is_not_planned_again(tmp_path: Path) -> None:
    # The first coat ended on Monday at 18:30: opens Tuesday 00:30, closes Wednesday 17:30.
    done = (("coat-started", "19T17:30"), ("coat-ended", "19T18:30"))
    found = plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *done)
    assert left(found) == [("coat", 2, "2026-10-20T17:15:00Z")]
    assert found["steps"][-1]["latest"] == "2026-10-21T17:30:00Z"
    # Cured 48 h after Tuesday 18:15.
    assert when(found["finish"]) == when("2026-10-22T18:15+00:00")


def test_a_coat_of_the_jobs_own_spec_is_no_surprise_and_another_is_named(tmp_path: Path) -> None:
    """The log keeps a spec by the hash of its text, which nobody can read."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    db = ("--db", str(tmp_path / "log.db"))
    words = ("today", "--job", str(job), "--forecast", str(forecast), *db)
    for spec, said in (
        (PRIMER, ""),
        (TOPCOAT, "laid with quick-topcoat, the job has quick-primer"),
    ):
        for kind, at in (("coat-started", "19T17:30"), ("coat-ended", "19T18:30")):
            named = ("--spec", str(tmp_path / spec)) if kind == "coat-started" else ()
            ran = filmcall(
                *("event", kind, "--enclosure", "polytunnel", "--section", "hull-port"),
                *("--at", f"2026-10-{at}:00Z", *named, *db),
            )
            assert ran.code == 0, ran.err
        told = filmcall(*words, "--at", "2026-10-19T20:00:00Z").out
        found = "".join(line for line in told.splitlines() if "was laid with" in line)
        assert said in found if said else not found, told
        (tmp_path / "log.db").unlink()


@pytest.mark.parametrize(
    ("times", "steps"),
    [
        # Closed on Monday at 19:30, sandable from 21:30: three hours on Tuesday until 20:00, and
        # with the mixing no hour is left before 21:00.
        (
            {"recoat_opens": "1 h", "recoat_closes": "2 h", "sand": "3 h"},
            [("sand", 2, "2026-10-20T17:00:00Z"), ("coat", 2, "2026-10-21T17:15:00Z")],
        ),
        # Opens on Wednesday at 00:30.
        ({"recoat_opens": "30 h"}, [("coat", 2, "2026-10-21T17:15:00Z")]),
    ],
)
def test_a_film_goes_by_the_spec_that_it_was_laid_with(
    times: dict[str, str], steps: list[tuple[str, int, str]], tmp_path: Path
) -> None:
    """The job's own sheet opens on Tuesday at 00:30 and closes on Wednesday at 17:30."""
    other = tmp_path / "other.toml"
    other.write_text(spec_text("other-primer", times={**FLAT, **times}), "utf-8")
    done = [("coat-started", "19T17:30"), ("coat-ended", "19T18:30"), ("note", "19T20:00")]
    found = plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *done, spec=other)
    assert left(found) == steps


def test_over_a_sheet_without_recoat_times_nothing_goes_until_it_is_cured(tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    times = {key: FLAT[key] for key in ("pot_life", "touch_dry", "cured")}
    other.write_text(spec_text("other-primer", times=times, humidity_until="cured"), "utf-8")
    done = (("coat-started", "19T17:30"), ("coat-ended", "19T18:30"))
    # Cured 48 h after Monday 18:30; judgement, no source.
    found = plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *done, spec=other)
    assert left(found) == [("coat", 2, "2026-10-21T18:30:00Z")]


MISSED = (("coat-started", "19T17:30"), ("coat-ended", "19T18:30"), ("note", "22T17:00"))


def test_a_window_that_was_missed_inserts_its_sanding(tmp_path: Path) -> None:
    # It closed on Wednesday 17:30, and the log's last word is of Thursday 17:00: 3 h of sanding
    # until 20:00, mixing until 20:15, but the span's end at 21:00 leaves no hour: Friday.
    found = plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *MISSED)
    assert left(found) == [
        ("sand", 2, "2026-10-22T17:00:00Z"),
        ("coat", 2, "2026-10-23T17:15:00Z"),
    ]


def test_a_sanding_in_the_log_takes_the_closing_away(tmp_path: Path) -> None:
    found = plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *MISSED, ("sanded", "22T17:30"))
    assert left(found) == [("coat", 2, "2026-10-22T17:45:00Z")]


def test_the_systems_own_sanding_is_done_once(tmp_path: Path) -> None:
    trial = Trial(job_text(section("hull-port", "primer", "sand", "topcoat")), SPECS, FAIR)
    done = (("coat-started", "19T17:30"), ("coat-ended", "19T18:30"), ("sanded", "20T19:00"))
    found = plan(tmp_path, trial, *done)
    assert [step for step, _, _ in left(found)] == ["coat"]


def test_today_says_for_which_coat_it_sands_and_when_the_window_closes(tmp_path: Path) -> None:
    """48 h from Monday 17:30; then of a sheet on which one of 17:15 closes before it opens."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *MISSED)
    words = ("today", "--job", str(job), "--forecast", str(forecast), "--solve", "0", "--db")
    ran = filmcall(*words, str(tmp_path / "log.db"), "--at", "2026-10-22T17:00Z")
    sands = "17:00 to 20:00  sand hull-port, before coat 2: the window of coat 1 clos"
    assert f"{sands}ed Wed 17:30" in ran.out
    times = {**FLAT, "recoat_opens": "2 h", "recoat_closes": "150 min", "sand": "3 h"}
    Trial(job_text(SOLO), {PRIMER: spec_text("quick-primer", times=times)}, FAIR).write(tmp_path)
    ran = filmcall(*words, str(tmp_path / "none.db"), "--at", "2026-10-19T16:30Z")
    assert f"Tue {sands}es 19:45" in ran.out


@pytest.mark.parametrize(("unsure", "is_sanded"), [(3, False), (14, True)])
def test_a_window_is_not_missed_for_a_coat_that_is_hardly_surer(
    unsure: int, is_sanded: bool, tmp_path: Path
) -> None:
    """It closes on Wednesday at 17:30, and it is 17:00; the other section decides the finish.

    A sanding is worth ten tenths of a coat's chance to fail: judgement, no source.
    """
    sections = section("hull-port", "primer*2"), section("mast", "primer*4", enclosure="shed")
    job, forecast = Trial(job_text(*sections, people=2), SPECS, FAIR).write(tmp_path)
    plan(tmp_path, Trial(job_text(*sections, people=2), SPECS, FAIR), *MISSED[:2])
    hand = job_at_hand(job, forecast=forecast, weather_year=None, db=tmp_path / "log.db",
                       at="2026-10-21T17:00Z")  # fmt: skip
    made = made_from(hand, 0.0)
    tasks = [chain.tasks for chain in made.problem.chains]
    costs = [[np.full(task.starts.size, 2) for task in own] for own in tasks]
    film = made.problem.chains[0].film
    assert film is not None
    costs[0][0][tasks[0][0].starts <= film.closes] = unsure
    steps = surer(made.problem, made.layout, costs).steps
    assert any(step.kind == "sand" for step in steps) is is_sanded


def test_a_boat_that_has_every_coat_waits_for_its_cure_alone(tmp_path: Path) -> None:
    done = [(kind, f"{day}T{at}") for day in (19, 20)
            for kind, at in (("coat-started", "17:30"), ("coat-ended", "18:30"))]  # fmt: skip
    found = plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *done)
    assert found["steps"] == []
    assert when(found["finish"]) == when("2026-10-22T18:30+00:00")
    words = ("--job", str(tmp_path / "job.toml"), "--forecast", str(tmp_path / "forecast.csv"))
    page = tmp_path / "plan.html"
    ran = filmcall("plan", *words, "--html", str(page), "--db", str(tmp_path / "log.db"))
    for said in (ran.out, page.read_text("utf-8")):
        assert "Every coat is on." in said
        # There is no step that rests on anything, and no evening that could be longer.
        assert "rests on" not in said
        assert "help" not in said


TWICE = tuple((kind, f"{day}T{at}") for day in (19, 20, 21)
              for kind, at in (("coat-started", "17:30"), ("coat-ended", "18:30")))  # fmt: skip


def test_a_coat_more_than_the_job_asks_is_the_film_that_cures(tmp_path: Path) -> None:
    """Two of three are the job's; cured 48 h and touch dry 3 h after Wednesday 18:30."""
    trial = Trial(job_text(SOLO), SPECS, FAIR)
    found = plan(tmp_path, trial, *TWICE, spec=tmp_path / PRIMER)
    assert found["steps"] == []
    assert when(found["finish"]) == when("2026-10-23T18:30+00:00")
    words = ("--job", str(tmp_path / "job.toml"), "--forecast", str(tmp_path / "forecast.csv"))
    db = ("--solve", "0", "--db", str(tmp_path / "log.db"))
    page = tmp_path / "plan.html"
    today = filmcall("today", *words, *db, "--at", "2026-10-21T20:00Z").out
    assert "hull-port is wet into it, touch dry about 21:30" in today
    assert "She is done Fri 2026-10-23 18:30" in today
    note = "NOTE: hull-port has 3 coats in the log, 2 in the job."
    for said in (today, filmcall("plan", *words, *db, "--html", str(page)).out, page.read_text()):
        assert said.count(note) == 1, said


@pytest.mark.parametrize(
    ("call_at", "at", "says"),
    [
        ("21T12:10", "21T20:00", "opens Thu 00:30 (GO in the log is older than that coat)."),
        ("21T19:50", "21T20:00", "opens Thu 00:30 (GO in the log is for another paint)."),
        ("23T20:00", "23T20:10", "closed 17:30: sand first (GO in the log is for another paint)."),
    ],
)
def test_go_in_the_log_is_none_over_the_film_of_a_coat_too_many(
    call_at: str, at: str, says: str, tmp_path: Path
) -> None:
    """It takes another of its kind 6 h after its end to 48 h after its start."""
    trial = Trial(job_text(SOLO), SPECS, FAIR)
    plan(tmp_path, trial, *TWICE, spec=tmp_path / PRIMER)
    job, forecast = tmp_path / "job.toml", tmp_path / "forecast.csv"
    hand = job_at_hand(job, forecast=forecast, weather_year=None, db=tmp_path / "log.db",
                       at=f"2026-10-{at}Z")  # fmt: skip
    hand = told(hand, "GO", when(f"2026-10-{call_at}+00:00"), ())
    text = today_text(hand, made_from(hand, 0.0))
    assert f"the window of the newest coat for Invented: quick-primer {says}" in text, text


def test_a_coat_too_many_that_is_not_ended_is_said_to_be_open(tmp_path: Path) -> None:
    plan(tmp_path, Trial(job_text(SOLO), SPECS, FAIR), *TWICE[:-1], spec=tmp_path / PRIMER)
    job, forecast = tmp_path / "job.toml", tmp_path / "forecast.csv"
    ran = filmcall("today", "--job", str(job), "--forecast", str(forecast), "--at",
                   "2026-10-21T18:00Z", "--db", str(tmp_path / "log.db"))  # fmt: skip
    assert "A coat is being laid on hull-port: finish it first." in ran.out


@pytest.mark.parametrize(
    ("enclosure", "at", "said"),
    [
        ("polytunnel", "2026-10-18T19:00Z", True),
        ("polytunnel", "2026-10-17T19:00Z", False),  # not begun yet
        ("polytunnel", "2026-10-27T19:00Z", False),  # older than a week; judgement, no source
        ("boathouse", "2026-10-18T19:00Z", False),  # of no air that the job rests on
    ],
)
def test_a_young_film_on_a_section_that_the_job_does_not_name_is_told(
    enclosure: str, at: str, said: bool, tmp_path: Path
) -> None:
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    db = ("--db", str(tmp_path / "log.db"))
    for kind, time in (("coat-started", "18T17:30"), ("coat-ended", "18T18:30")):
        ran = filmcall(
            *("event", kind, "--enclosure", enclosure, "--section", "keel"),
            *("--at", f"2026-10-{time}Z", *db),
        )
        assert ran.code == 0, ran.err
    hand = job_at_hand(job, forecast=forecast, weather_year=None, db=tmp_path / "log.db", at=at)
    notes = [line for line in note_lines(hand.notes) if "keel" in line]
    assert len(notes) == said, notes
    assert all("a coat on keel of Sun 2026-10-18 17:30" in line for line in notes)


def test_a_section_that_has_every_coat_leaves_the_rest_to_be_planned(tmp_path: Path) -> None:
    sections = section("hull-port", "primer"), section("hull-stbd", "primer", "topcoat")
    trial = Trial(job_text(*sections), SPECS, FAIR)
    done = (("coat-started", "19T17:30"), ("coat-ended", "19T18:30"))
    found = plan(tmp_path, trial, *done)
    assert {(s["section"], s["coat"]) for s in found["steps"]} == {
        ("hull-stbd", 1), ("hull-stbd", 2),
    }  # fmt: skip
    words = ("--job", str(tmp_path / "job.toml"), "--forecast", str(tmp_path / "forecast.csv"))
    db = ("--db", str(tmp_path / "log.db"))
    for command in (("plan", "--solve", "5"), ("today", "--at", "2026-10-19T20:00Z")):
        ran = filmcall(*command, *words, *db)
        assert (ran.code, ran.err) == (0, "")
        assert "hull-stbd" in ran.out


def test_today_says_what_is_next_and_how_much_of_it(tmp_path: Path) -> None:
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--at", "2026-10-19T16:30Z")
    ran = filmcall("today", *words, "--db", str(tmp_path / "none.db"))
    assert ran.code == 0, ran.err
    said = " ".join(ran.out.split())
    assert "17:00 to 17:15 mix hull-port, for coat 1" in said
    # 6.5 m2 at 50 µm of 50 % solids: 650 ml, 722 ml with 10 % loss: 542 and 181 ml.
    assert "base 542 ml" in said
    assert "hardener 181 ml" in said
    # Coat from 17:15 to 18:15, touch dry 3 h after it.
    assert "touch dry about 21:15" in said
    assert "it holds" in said


@pytest.mark.parametrize("command", ["plan", "today"])
def test_without_weather_nothing_is_planned(command: str, tmp_path: Path) -> None:
    job, _ = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    ran = filmcall(command, "--job", str(job), "--db", str(tmp_path / "none.db"))
    assert ran.code == 2
    assert "--forecast" in ran.err


def told(
    hand: JobAtHand, call: str, time_s: float, reasons: Sequence[tuple[str, str]]
) -> JobAtHand:
    """The same beside a watch that has made a call and reads its probes."""
    found = [{"limit": name, "text": text} for name, text in reasons]
    body = json.dumps({"start": {"call": call, "reasons": found}})
    row = CallRow("polytunnel", "hull-port", time_s, call, "prep", MAY_I_START, body)
    calls = {"hull-port": Standing(row, hand.now_s)}
    return replace(hand, heard={"polytunnel": Heard(hand.now_s, hand.now_s, calls)})


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ("GO", "hull-port: GO at 16:20, by the log. Last brush down by 19:40, then: air too damp."),
        ("HOLD", "hull-port: HOLD at 16:20, by the log. Hull too near the dew point."),
    ],
)
def test_today_says_until_when_a_coat_may_be_begun_or_what_stands_against_it(
    call: str, says: str, tmp_path: Path
) -> None:
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    there = {"forecast": forecast, "weather_year": None, "db": tmp_path / "none.db"}
    hand = job_at_hand(job, **there, at="2026-10-19T16:30Z")
    reasons = [("dew_margin_min", "Hull too near the dew point")]
    reasons += [("last_start", "Last brush down by 19:40, then: air too damp")]
    hand = told(hand, call, hand.from_s - 600.0, reasons)
    assert says in today_text(hand, made_from(hand, 0.0))


@pytest.mark.parametrize(
    ("at", "says"),
    [
        ("20T02:00", "HOLD: the window of coat 1 for Invented: quick-topcoat opens 06:30 (GO in"),
        ("20T20:00", "GO at 19:50, by the log."),
        ("21T09:00", "STOP: the window of coat 1 for Invented: quick-topcoat closed 05:30: sand"),
    ],
)
def test_go_for_the_enclosures_own_paint_is_none_for_the_jobs_next_one(
    at: str, says: str, tmp_path: Path
) -> None:
    """The coat of Monday 17:30 to 18:30 takes another of its kind 6 to 48 h on, a topcoat 12 to 36.

    The watch asks for its own kind where nothing else is mixed.
    """
    primer = SPECS[PRIMER] + (
        "[recoat_before.two-pack-polyurethane]\n"
        'recoat_opens = { "0 degC" = "12 h", "40 degC" = "12 h" }\n'
        'recoat_closes = { "0 degC" = "36 h", "40 degC" = "36 h" }\n'
    )
    text = job_text(section("hull-port", "primer", "topcoat"))
    trial = Trial(text, {**SPECS, PRIMER: primer}, FAIR)
    plan(tmp_path, trial, *MISSED[:2], spec=tmp_path / PRIMER)
    job, forecast = tmp_path / "job.toml", tmp_path / "forecast.csv"
    hand = job_at_hand(job, forecast=forecast, weather_year=None, db=tmp_path / "log.db",
                       at=f"2026-10-{at}Z")  # fmt: skip
    hand = told(hand, "GO", hand.now_s - 600.0, ())
    (line,) = [
        line for line in today_text(hand, made_from(hand, 0.0)).splitlines()
        if line.startswith("  hull-port: ")
    ]  # fmt: skip
    assert line.startswith(f"  hull-port: {says}")


def test_before_the_first_day_the_page_is_of_now_and_the_work_of_the_first_day(
    tmp_path: Path,
) -> None:
    """The job begins on Monday the 19th; it is Sunday, 11:03, and the watch is running."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    there = {"forecast": forecast, "weather_year": None, "db": tmp_path / "none.db"}
    hand = job_at_hand(job, **there, at="2026-10-18T11:03Z")
    hand = told(hand, "HOLD", hand.now_s - 60.0, [("dew_margin_min", "Hull damp")])
    lines = today_text(hand, made_from(hand, 0.0)).splitlines()
    assert lines[0] == "the workboat, Sun 2026-10-18 11:03"
    assert "  hull-port: HOLD at 11:02, by the log. Hull damp." in lines
    assert any(line.startswith("  Mon 17:00 to 17:15  mix hull-port") for line in lines)
    # FAIR stands at 18 °C and 50 % all night.
    assert any(line.startswith("  polytunnel: down to 18 °C about 20:00") for line in lines)


def test_a_night_that_the_forecast_begins_after_is_not_told(tmp_path: Path) -> None:
    job, forecast = Trial(job_text(SOLO), SPECS, hours_from("2026-10-21")).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--at", "2026-10-18T11:03Z")
    ran = filmcall("today", *words, "--db", str(tmp_path / "none.db"))
    assert "polytunnel: the forecast's hours begin after it." in ran.out


@pytest.mark.parametrize(
    ("hours", "at", "says"),
    [
        (24, "19T11:03", ", by the forecast's hours until Tue 00:00; of the rest nothing is known"),
        (24, "19T22:10", ", by the forecast's hours until Tue 00:00; of the rest nothing is known"),
        (31, "19T11:03", ", by the forecast's hours until Tue 07:00; of the rest nothing is known"),
        (32, "19T11:03", ""),
        (31, "20T02:00", ", by the forecast's hours until 07:00; of the rest nothing is known"),
    ],
)
def test_a_night_that_the_forecast_covers_in_part_is_told_until_when(
    hours: int, at: str, says: str, tmp_path: Path
) -> None:
    """The night is from 20:00 to 08:00 (judgement, no source); hours are of Monday the 19th on."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    there = {"forecast": forecast, "weather_year": None, "db": tmp_path / "none.db"}
    hand = job_at_hand(job, **there, at=f"2026-10-{at}Z")
    made, ahead = made_from(hand, 0.0), hand.ahead["polytunnel"]
    kept = round((when("2026-10-19T00:00+00:00") - ahead.known.start_s) / 3600.0) + hours
    columns = {name: getattr(ahead.known, name)[:, :kept] for name in ("temp_c", "dew_point_c")}
    ahead = replace(ahead, known=replace(ahead.known, **columns))
    told = today_text(replace(hand, ahead={"polytunnel": ahead}), made)
    night = " ".join(told.split("Tonight:")[1].split("\n\n")[0].split())
    assert re.match(r"polytunnel: down to 18 °C about \d\d:00, dew margin down to ", night)
    assert re.search(r" K about \d\d:00(.*?)\.( |$)", night)[1] == says


def test_a_next_mix_beyond_the_page_is_shown_with_its_coat(tmp_path: Path) -> None:
    """The job begins on Monday the 19th at 17:00; on Saturday that is beyond 36 hours."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--at", "2026-10-17T11:03Z")
    ran = filmcall("today", *words, "--db", str(tmp_path / "none.db"))
    told = ran.out.split("Next:")[1].split("Tonight:")[0]
    assert 0 <= told.find("  mix hull-port, for coat 1") < told.find("  coat hull-port, coat 1")
    assert told.count("  coat hull-port") == 1, told


def test_a_coat_of_the_morning_after_is_not_wet_into_the_night(tmp_path: Path) -> None:
    """The night is from 20:00 to 08:00 (judgement, no source); the coat begins at its end."""
    text = job_text(section("hull-port", "primer"), hours='"07:45-12:00"', start="2026-10-20")
    job, forecast = Trial(text, SPECS, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--db", str(tmp_path / "none.db"))
    for hour in ("11:21", "23:10"):
        ran = filmcall("today", *words, "--at", f"2026-10-19T{hour}Z")
        assert "Tue 08:00 to 09:00  coat hull-port" in ran.out
        assert "is wet into it" not in ran.out


@pytest.mark.parametrize(
    ("kept", "promised", "says"),
    [
        ((0.52, 0.905), True, ("Promise Fri 2026-10-23: kept in 90 % of 200", "2026-10-23 90 %")),
        ((0.52, 0.94), True, ("Promise Fri 2026-10-23: kept in 94 % of 200", "2026-10-23 94 %")),
        # 179 of 200 are under nine in ten, and are not written as if they reached it.
        ((0.52, 0.895), False, ("No day can be promised: in under 90 %", "2026-10-23 89 %")),
    ],
)
def test_a_promise_and_what_its_day_is_worth_are_one_figure(
    kept: tuple[float, ...], promised: bool, says: tuple[str, str], tmp_path: Path
) -> None:
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    there = {"forecast": forecast, "weather_year": None, "db": tmp_path / "none.db"}
    found = job_at_hand(job, **there)
    made = made_from(found, 0.0)
    plan, zone = made.plan, made.plan.job.hours.zone
    promised_s = plan.finish_s + 86_400.0 if promised else None
    plan = replace(plan, promised_s=promised_s, kept=kept)
    lines = "\n".join([*head_lines(plan, True, zone), *risk_lines(plan, zone)])
    assert all(words in lines for words in says), lines
    today = today_text(found, replace(made, plan=plan))
    assert ("No day can be promised" in today) is not promised
    assert "NOT SAFE" not in today, "what is not known is not unsafe"


@pytest.mark.parametrize(
    ("first", "last", "says"),
    [
        ("19T19:30", "20T20:00", "may start Mon 19:30 to Tue 20:00"),
        ("20T17:00", "20T20:00", "may start 17:00 to 20:00"),
        ("20T17:00", "21T20:00", "may start 17:00 to Wed 20:00"),
        ("09T19:30", "20T20:00", "may start Fri 2026-10-09 19:30 to Tue 2026-10-20 20:00"),
    ],
)
def test_a_window_from_another_day_says_both_days(
    first: str, last: str, says: str, tmp_path: Path
) -> None:
    """Of coat 2 of the plan, on Tuesday the 20th."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(tmp_path)
    there = {"forecast": forecast, "weather_year": None, "db": tmp_path / "none.db"}
    made = made_from(job_at_hand(job, **there), 0.0)
    step = made.plan.steps[-1]
    ends = [when(f"2026-10-{each}+00:00") for each in (first, last)]
    step = replace(step, earliest_s=ends[0], latest_s=ends[1])
    plan = replace(made.plan, steps=(*made.plan.steps[:-1], step))
    empty = Shopping((), (), 0, ())
    text = plan_text(plan, True, [], empty, plan.job.hours.zone)
    assert next(line for line in text.splitlines() if "coat 2, quick-primer:" in line).endswith(
        says
    )
    page = plan_page(replace(made, plan=plan), [], empty)
    assert says.removeprefix("may start ") in page
