"""A weather year is read whatever the letters of its city, and refused in a sentence where short.

The form: EnergyPlus, Auxiliary Programs, "EPW File": eight lines of header, then 8760 hours.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command import filmcall
from plan_jobs import SOLO, SPECS, Trial, hours_from, job_text

from monitor.job.weather import read_year

EPW = Path(__file__).parents[3] / "examples" / "workboat" / "creek.epw"


@pytest.mark.parametrize("command", ["plan", "today", "season"])
def test_a_year_without_an_hour_is_refused_in_a_sentence(command: str, tmp_path: Path) -> None:
    year = tmp_path / "head.epw"
    year.write_bytes(b"".join(EPW.read_bytes().splitlines(keepends=True)[:8]))
    job, _ = Trial(job_text(SOLO), SPECS, hours_from("2026-10-19")).write(tmp_path)
    words = (command, "--job", str(job), "--weather-year", str(year))
    if command == "season":
        words = ("plan", "--season", str(year))
    ran = filmcall(*words, "--db", str(tmp_path / "none.db"))
    assert ran.code == 2
    assert "holds 0 hours, not the 8760 of a year" in ran.err


@pytest.mark.parametrize("city", ["Münster".encode("latin-1"), "Münster".encode()])
def test_a_citys_letters_do_not_matter(city: bytes, tmp_path: Path) -> None:
    head, _, rest = EPW.read_bytes().partition(b",")
    _, _, rest = rest.partition(b",")
    year = tmp_path / "creek.epw"
    year.write_bytes(b",".join((head, city, rest)))
    found, plain = read_year(year), read_year(EPW)
    assert np.array_equal(found.temp_c, plain.temp_c)
    assert np.array_equal(found.dew_point_c, plain.dew_point_c)
