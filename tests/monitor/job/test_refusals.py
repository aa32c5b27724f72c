"""A job that cannot be planned is refused in one sentence, with what stands against it."""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall
from plan_jobs import FAIR, FLAT, PRIMER, SOLO, SPECS, Trial, hours_from, job_text, spec_text

EMPTY = '[[section]]\nname = "deck"\nenclosure = "polytunnel"\narea = "3 m2"\nsystem = []\n'


@pytest.mark.parametrize("command", ["plan", "today"])
def test_a_section_without_a_coat_is_named_with_its_line(command: str, tmp_path: Path) -> None:
    job, forecast = Trial(job_text(SOLO, EMPTY), SPECS, FAIR).write(tmp_path)
    line = job.read_text("utf-8").splitlines().index("system = []") + 1
    none = ("--db", str(tmp_path / "none.db"))
    ran = filmcall(command, "--job", str(job), "--forecast", str(forecast), *none)
    assert ran.code == 2
    why = "gives 'deck' no coat; give it one, or leave the section out"
    assert f"line {line}, section[2].system: {why}" in ran.err


@pytest.mark.parametrize(("takes", "fits"), [("1 h 30 min", True), ("1 h 45 min", False)])
def test_a_pot_that_dies_before_the_coats_end_is_the_reason(
    takes: str, fits: bool, tmp_path: Path
) -> None:
    """A pot of 2 h that stands its induction for 30 min is good for an hour and a half."""
    specs = {PRIMER: spec_text("quick-primer", times={**FLAT, "induction": "30 min"})}
    text = job_text(SOLO.replace("1 h", takes))
    job, forecast = Trial(text, specs, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--solve", "0")
    ran = filmcall("plan", *words, "--db", str(tmp_path / "none.db"))
    assert ran.code == (0 if fits else 2)
    if not fits:
        said = "takes 1 h 45 min, and a pot of it can be used for 1 h 30 min at most"
        assert said in ran.err
        assert "warmer tent would shorten it" in ran.err


def test_a_pot_whose_induction_no_span_holds_wants_other_hours(tmp_path: Path) -> None:
    """It stands for 2 h; who works from 17:00 to 19:00 cannot lay it for the hour that is left."""
    times = {**FLAT, "induction": "2 h", "pot_life": "4 h"}
    specs = {PRIMER: spec_text("quick-primer", times=times)}
    job, forecast = Trial(job_text(SOLO, hours='"17:00-19:00"'), specs, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--solve", "0")
    ran = filmcall("plan", *words, "--db", str(tmp_path / "none.db"))
    assert "can be mixed in no working hour" in ran.err


@pytest.mark.parametrize(("temp_c", "helps"), [(37.0, False), (3.0, True)])
def test_a_warmer_tent_is_named_only_where_it_would_let_a_coat_begin(
    temp_c: float, helps: bool, tmp_path: Path
) -> None:
    """The invented sheet asks for 5 to 35 °C."""
    hours = hours_from("2026-10-19", lambda _: (temp_c, 50.0))
    job, forecast = Trial(job_text(SOLO), SPECS, hours).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--solve", "0")
    ran = filmcall("plan", *words, "--db", str(tmp_path / "none.db"))
    assert "finds no hour from which all its limits hold" in ran.err
    assert ("a tent 5 K warmer" in ran.err) == helps
    assert "drier" not in ran.err


@pytest.mark.parametrize("command", ["plan", "today"])
def test_hours_that_end_before_any_harm_time_are_no_failing_and_name_the_weather_year(
    command: str, tmp_path: Path
) -> None:
    """The invented sheet's cold counts for the 48 h until it is cured, and two days are known."""
    hours = hours_from("2026-10-19", days=4)
    job, forecast = Trial(job_text(SOLO), SPECS, hours).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--solve", "0")
    at = ("--at", "2026-10-19T08:00Z") if command == "today" else ()
    ran = filmcall(command, *words, *at, "--db", str(tmp_path / "none.db"))
    assert ran.code == 2
    assert "no limit breaks, but the hours of weather end before its harm time does" in ran.err
    assert "--weather-year FILE.epw" in ran.err
    assert "0 % of the draws" not in ran.err


@pytest.mark.parametrize(("table", "fits"), [("polytunel", False), ("polytunnel", True)])
def test_a_tent_of_no_section_beside_a_section_without_a_tent_is_named_with_its_line(
    table: str, fits: bool, tmp_path: Path
) -> None:
    text = job_text(SOLO).replace("[enclosure.polytunnel]", f"[enclosure.{table}]")
    job, forecast = Trial(text, SPECS, FAIR).write(tmp_path)
    line = text.splitlines().index(f"[enclosure.{table}]") + 1
    words = ("--job", str(job), "--forecast", str(forecast), "--solve", "0")
    ran = filmcall("plan", *words, "--db", str(tmp_path / "none.db"))
    assert ran.code == (0 if fits else 2)
    said = f"line {line}, enclosure.polytunel: is the enclosure of no section"
    assert (said in ran.err) is not fits
    assert ("write [enclosure.polytunnel]" in ran.err) is not fits


def test_an_area_that_cannot_be_is_asked_for_in_units_as_people_write_them(tmp_path: Path) -> None:
    job, forecast = Trial(job_text(SOLO.replace("6.5 m2", "65000 m2")), SPECS, FAIR).write(tmp_path)
    ran = filmcall("plan", "--job", str(job), "--forecast", str(forecast))
    assert "give a figure from 0.01 to 10000 m2" in ran.err


def test_a_new_job_on_standard_output_names_no_file_that_is_not_there() -> None:
    ran = filmcall("plan", "new", "--out", "-")
    assert ran.out.startswith("# A job")
    assert "--job FILE" in ran.err
    assert "- is written" not in ran.err


def test_a_day_of_launch_that_cannot_be_met_takes_nobody_the_sheet_of_today(
    tmp_path: Path,
) -> None:
    job, forecast = Trial(job_text(SOLO, done_by="2026-10-19"), SPECS, FAIR).write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--db", str(tmp_path / "none.db"))
    planned = filmcall("plan", *words)
    assert planned.code == 2
    assert "must_be_done 2026-10-19 cannot be met" in planned.err
    ran = filmcall("today", *words, "--at", "2026-10-19T12:00:00Z")
    assert ran.code == 0
    assert "THE DAY DOES NOT HOLD: must_be_done 2026-10-19 cannot be met; the first" in ran.out
    for heading in ("May I?", "Next", "Tonight:"):
        assert heading in ran.out
    assert "hull-port, coat 1" in ran.out
