"""A job file that cannot be planned is refused by every command in one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall
from plan_jobs import FAIR, SOLO, SPECS, Trial, job_text

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
