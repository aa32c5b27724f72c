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
