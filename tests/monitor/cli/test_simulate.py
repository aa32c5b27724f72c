"""`filmcall simulate --out`: what it writes can be replayed, by the workboat's config or any."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest
from command import filmcall

WORKBOAT = Path(__file__).parents[3] / "examples" / "workboat" / "polytunnel.toml"
OWN = """
[replay]
time = "when"
[[enclosure]]
name = "tent"
[[enclosure.point]]
name = "corner"
quantity = "air_temp"
unit = "degF"
column = "corner F"
[[enclosure.point]]
name = "corner"
quantity = "humidity"
unit = "%"
column = "corner rh"
[[enclosure.point]]
name = "keel"
quantity = "surface_temp"
unit = "degC"
column = "keel"
[[enclosure.point]]
name = "gas"
quantity = "co2"
unit = "ppm"
column = "gas"
required = false
"""


def rows(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


def test_a_recording_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    out = tmp_path / "mylogger.csv"
    out.write_text("time,temp\n2026-03-03 06:00:00,16.0\n", encoding="utf-8")
    before = out.read_bytes()
    ran = filmcall("simulate", "--hours", "0.1", "--out", str(out))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        f"filmcall: {out} is there already, so nothing was written; give another file\n"
    )
    assert out.read_bytes() == before


def test_without_a_config_it_has_the_columns_of_the_workboat(tmp_path: Path) -> None:
    out = tmp_path / "night.csv"
    assert filmcall("simulate", "--hours", "0.5", "--out", str(out)).code == 0
    ran = filmcall("replay", str(out), "--config", str(WORKBOAT), "--plain")
    assert (ran.code, "181 rows played" in ran.err) == (0, True), ran.err
    assert " GO    polytunnel/hull-port" in ran.out


def test_a_config_gives_columns_units_and_probes_that_the_tent_knows_by_no_name(
    tmp_path: Path,
) -> None:
    config = tmp_path / "tent.toml"
    config.write_text(OWN)
    plain = rows(filmcall("simulate", "--hours", "0.1").out)
    (header, *own) = rows(filmcall("simulate", "--hours", "0.1", "--config", str(config)).out)
    assert header == ["when", "corner F", "corner rh", "keel"]  # the tent has no gas
    assert len(own) == len(plain) - 1
    for mine, theirs in zip(own, plain[1:], strict=True):
        assert float(mine[1]) == pytest.approx(float(theirs[1]) * 1.8 + 32.0, abs=0.02)
        assert (mine[0], mine[2], mine[3]) == (theirs[0], theirs[2], theirs[5])


def test_a_config_without_columns_is_refused(tmp_path: Path) -> None:
    config = tmp_path / "tent.toml"
    config.write_text(re.sub("column = .*", 'topic = "t"', OWN))
    ran = filmcall("simulate", "--config", str(config))
    assert (ran.code, ran.out) == (2, "")
    assert "no point of air or surface with a column, so nothing was written" in ran.err
