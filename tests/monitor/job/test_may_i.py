"""What `today` says under "May I?": the log's answer to `start` as it stood at the time asked for.

A shed's air and hull are invented, dry and mild; the sheet's times stand on paper. That a section
has an answer to `start` beside that of its wet films, that calls are logged as they change, and
that a blind present is said first, is DEVELOPERS.md's law, not this test's.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from command import filmcall
from plan_jobs import FAIR, PRIMER, SOLO, SPECS, Trial, job_text

BEGIN = datetime(2026, 10, 19, 8, tzinfo=UTC)
CUT_H, BACK_H, END_H = 25.0, 29.0, 31.0
CONFIG = f"""
[replay]
time = "time"
[[enclosure]]
name = "polytunnel"
spec = "{PRIMER}"
timezone = "Etc/UTC"
"""
POINT = """
[[enclosure.point]]
name = "{}"
quantity = "{}"
unit = "{}"
column = "{}"
{}
"""


def at(hour: float) -> str:
    return (BEGIN + timedelta(hours=hour)).strftime("%Y-%m-%dT%H:%M:%SZ")


def played(
    folder: Path,
    *events: tuple[str, float],
    section: str = 'section = "hull-port"',
    more: str = "",
) -> None:
    """Record events by hours since Monday 08:00, then play a log of 31 h, cut from 25 to 29 h."""
    Trial(job_text(SOLO), SPECS, FAIR).write(folder)
    points = (
        ("bow", "air_temp", "degC", "t", more),
        ("bow", "humidity", "%", "rh", more),
        ("plank", "surface_temp", "degC", "hull", f"{section}\n{more}"),
    )
    (folder / "shed.toml").write_text(CONFIG + "".join(POINT.format(*each) for each in points))
    noise = random.Random(5)
    rows = ["time,t,rh,hull"]
    for minute in range(int(END_H * 60)):
        if not CUT_H <= minute / 60.0 < BACK_H:
            t, rh, hull = (noise.gauss(mean, 0.05) for mean in (18.0, 50.0, 17.5))
            rows.append(f"{at(minute / 60.0)},{t:.2f},{rh:.2f},{hull:.2f}")
    (folder / "shed.csv").write_text("\n".join(rows) + "\n")
    db = ("--db", str(folder / "log.db"))
    for kind, hour in events:
        named = ("--spec", str(folder / PRIMER)) if kind == "coat-started" else ()
        ran = filmcall(
            *("event", kind, "--enclosure", "polytunnel", "--section", "hull-port"),
            *("--at", at(hour), *named, *db),
        )
        assert ran.code == 0, ran.err
    config = ("--config", str(folder / "shed.toml"))
    ran = filmcall("replay", str(folder / "shed.csv"), *config, *db, "--plain")
    assert ran.code == 0, ran.err


def may_i(folder: Path, hour: float) -> str:
    ran = filmcall(
        *("today", "--job", str(folder / "job.toml"), "--forecast", str(folder / "forecast.csv")),
        *("--at", at(hour), "--db", str(folder / "log.db"), "--solve", "0"),
    )
    assert ran.code == 0, ran.err
    return " ".join(ran.out.split("May I?")[1].split("Next:")[0].split())


def test_may_i_is_the_answer_to_start_and_stands_while_the_log_is_read(tmp_path: Path) -> None:
    """Coat from 10:00 to 11:00; the next may go on six hours later. Ten minutes' dwell at 08:00.

    From touch dry on, 14:00, the film is safe in air in which nothing may be laid on it yet.
    """
    played(tmp_path, ("coat-started", 2.0), ("coat-ended", 3.0))
    assert may_i(tmp_path, 0.5).startswith("hull-port: GO at 08:10, by the log.")
    assert may_i(tmp_path, 1.6).endswith("Still GO at 09:36.")
    closed = may_i(tmp_path, 8.5)
    assert closed.startswith("hull-port: HOLD at ")
    assert "may be coated over at 17:00" in closed
    assert closed.endswith("Still HOLD at 16:30.")
    assert may_i(tmp_path, 9.5).startswith("hull-port: GO at 17:")
    assert "Still GO at 23:00" in may_i(tmp_path, 15.0)


def test_a_call_of_before_a_cut_is_no_answer_and_the_cut_is_said_first(tmp_path: Path) -> None:
    """Nothing was read from Tuesday 09:00 to 13:00."""
    played(tmp_path)
    assert may_i(tmp_path, CUT_H + 0.5).startswith(
        "NOT KNOWN in polytunnel: no reading since 08:59. Begin nothing until the probes are read "
        "again, or take a hand reading and ask filmcall check."
    )
    assert "GO" not in may_i(tmp_path, CUT_H + 0.5)
    assert may_i(tmp_path, BACK_H + 1.0).startswith("hull-port: GO at 13:10, by the log.")


def test_a_reading_counts_as_long_as_the_config_lets_it(tmp_path: Path) -> None:
    played(tmp_path, more='max_age = "2 h"')
    assert may_i(tmp_path, CUT_H + 0.5).endswith("Still GO at 08:59.")
    assert may_i(tmp_path, CUT_H + 2.5).startswith("NOT KNOWN in polytunnel: no reading since")


@pytest.mark.parametrize(
    ("events", "says"),
    [
        # Where no section is named yet, what is said of the whole enclosure is said of it.
        ((), "hull-port: GO at 08:10, by the log. Still GO at 23:00."),
        # A section that only an event named is watched no more a day after it.
        ((("wiped", -30.0),), "No call"),
    ],
)
def test_a_section_without_a_probe_of_its_own(
    events: tuple[tuple[str, float], ...], says: str, tmp_path: Path
) -> None:
    played(tmp_path, *events, section="")
    assert may_i(tmp_path, 15.0).startswith(says)
