"""Commands that look at a log which a recording was played into: its events are seen there too."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from command import filmcall

BEGIN = datetime(2026, 6, 2, tzinfo=UTC)
HOURS = 30
CONFIG = """
[[enclosure]]
name = "shed"
spec = "polyurethane-topcoat"
timezone = "Etc/UTC"
[replay]
time = "time"
"""
POINT = """
[[enclosure.point]]
name = "{name}"
quantity = "{quantity}"
unit = "{unit}"
column = "{column}"
"""


def at(hour: float) -> str:
    return (BEGIN + timedelta(hours=hour)).strftime("%Y-%m-%dT%H:%M:%SZ")


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A config, and a log of 30 fair hours with a coat that is one hour old at their end."""
    folder = tmp_path_factory.mktemp("shed")
    config, log, recording = folder / "shed.toml", folder / "log.db", folder / "shed.csv"
    points = (
        ("air", "air_temp", "degC", "t"),
        ("air", "humidity", "%", "rh"),
        ("plank", "surface_temp", "degC", "hull"),
    )
    names = ("name", "quantity", "unit", "column")
    config.write_text(
        CONFIG + "".join(POINT.format(**dict(zip(names, each, strict=True))) for each in points)
    )
    rows = [
        f"{at(minute / 60.0)},{20.0 + 0.01 * (minute % 7)},{55.0 + 0.1 * (minute % 5)},"
        f"{19.0 + 0.01 * (minute % 3)}"
        for minute in range(HOURS * 60 + 1)
    ]
    recording.write_text("\n".join(["time,t,rh,hull", *rows, ""]))
    played = filmcall("replay", str(recording), "--config", str(config), "--db", str(log))
    assert played.code == 0, played.err
    for kind, hour in (("coat-started", HOURS - 2.0), ("coat-ended", HOURS - 1.0)):
        noted = filmcall(
            *("event", kind, "--at", at(hour), "--enclosure", "shed", "--db", str(log))
        )
        assert noted.code == 0, noted.err
    return config, log


def test_check_now_answers_for_the_film_that_was_recorded_and_says_of_when(
    shed: tuple[Path, Path],
) -> None:
    config, log = map(str, shed)
    ran = filmcall("check", "--now", "--config", config, "--db", log)
    assert "may I start" not in ran.out
    assert ran.out.startswith("By a recording that ends 2026-06-03 06:00; of now nothing is known.")
    told = json.loads(filmcall("check", "--now", "--config", config, "--db", log, "--json").out)
    assert told["stage"] != "prep"
    assert told["time"] == at(HOURS)


def test_an_outlook_knows_the_film_that_gives_off_vapour(shed: tuple[Path, Path]) -> None:
    """DESIGN's safety text: nothing that switches equipment inside is suggested then."""
    config, log = map(str, shed)
    told = json.loads(filmcall("outlook", "--config", config, "--db", log, "--json").out)
    assert told["stage"] != "prep"
    assert told["gives_off_vapour"] is True
