"""Plan, today and season go by the tent that the log shows, and say so, or why they do not.

The tent is planted: the closed form of a first-order enclosure (see tests/rules/job/test_tent.py).
"""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from command import filmcall
from plan_brute import dew_point_c, water_hpa, when
from plan_jobs import SPECS, Trial, hours_from, job_text, section

from monitor.log.log import Store
from monitor.log.rows import CallRow
from sensors.reading import Quantity

END_S = when("2026-10-19T12:00+00:00")
DAYS, LAG_S, WARMER_K = 6, 2.0 * 3600.0, 4.0
DAY_S = 86_400.0
EPW = Path(__file__).parents[3] / "examples" / "workboat" / "creek.epw"


def swing(time_s: float, mean: float, lag_s: float) -> float:
    w = 2.0 * math.pi / DAY_S
    return mean + 4.0 * math.sin(w * time_s - math.atan(w * lag_s)) / math.hypot(1.0, w * lag_s)


def log_with(path: Path, *, outside: bool, days: float = DAYS, call_s: float = END_S) -> None:
    """A log of the tent's air, and of the air outside where a body stands there; of one call."""
    points = [("air-bow", LAG_S, 9.0 + WARMER_K, True)]
    points += [("air-yard", 0.0, 9.0, False)] if outside else []
    with Store.open(path, now_s=lambda: END_S) as store:
        for name, lag_s, mean, _ in points:
            times = np.arange(END_S - days * DAY_S, END_S, 300.0).tolist()
            temps = [swing(t, mean, lag_s) for t in times]
            # 7.0 hPa outside and 8.0 hPa inside.
            hpa = 7.0 if name == "air-yard" else 8.0
            humid = [100.0 * hpa / water_hpa(temp) for temp in temps]
            for quantity, values in ((Quantity.AIR_TEMP, temps), (Quantity.HUMIDITY, humid)):
                rows = [
                    (round(t * 1e6), None, v, None, 0) for t, v in zip(times, values, strict=True)
                ]
                store.add_reading_rows("polytunnel", name, quantity, rows)
        facts = {
            "made_by": "0", "spec": "general", "spec_sha256": None, "altitude_m": 0.0,
            "timezone": "Etc/UTC", "assumed_surface_offset_k": None,
            "assumed_surface_accuracy_k": None,
            "points": [
                {"point": name, "quantity": quantity, "unit": unit, "section": None,
                 "accuracy": 0.3, "required": inside, "inside": inside}
                for name, _, _, inside in points
                for quantity, unit in (("air_temp", "degC"), ("humidity", "%"))
            ],
        }  # fmt: skip
        body = json.dumps({"reasons": [], "spec": "general", "facts": facts})
        store.add_call(CallRow("polytunnel", "all", call_s, "HOLD", "prep", "hold", body))
        store.flush()


def trial(enclosure: str = "", days: int = 27) -> Trial:
    text = job_text(section("hull-port", "primer"))
    if enclosure:
        text = text.replace('[enclosure.polytunnel]\nwarmer = "0 K"', enclosure)

    def weather(at: object) -> tuple[float, float]:
        temp = swing(at.timestamp(), 9.0, 0.0)  # type: ignore[attr-defined]
        return round(temp, 3), round(100.0 * 7.0 / water_hpa(temp), 3)

    return Trial(text, SPECS, hours_from("2026-10-14", weather, days=days))


def said(folder: Path, db: Path, made: Trial, *words: str) -> str:
    job, forecast = made.write(folder)
    ran = filmcall(
        *words, "--job", str(job), "--forecast", str(forecast), "--solve", "0", "--db", str(db)
    )
    assert ran.code == 0, ran.err
    return ran.out


@pytest.mark.parametrize("outside", [True, False], ids=["point outside", "forecast's past hours"])
def test_the_log_tells_of_the_tent(outside: bool, tmp_path: Path) -> None:
    db = tmp_path / "log.db"
    log_with(db, outside=outside)
    for words in (("plan",), ("today", "--at", "2026-10-19T12:00Z")):
        (line,) = re.findall(r"Air in polytunnel: (.*)", said(tmp_path, db, trial(), *words))
        found = re.search(
            r"6 d of the log: .* in (\d) h( \d+ min)?, ([\d.]+) K warmer, ([\d.]+) h", line
        )
        assert found, line
        # Half a cell of five minutes, since this log has one reading in each, at its end.
        minutes = 60 * int(found[1]) + int((found[2] or "0 m").split()[0])
        assert minutes == pytest.approx(LAG_S / 60.0, abs=3.0)
        assert float(found[3]) == pytest.approx(WARMER_K, abs=0.1)
        assert float(found[4]) == pytest.approx(1.0, abs=0.1)


def test_readings_count_to_their_own_end_and_none_after_the_moment_asked_about(
    tmp_path: Path,
) -> None:
    """A call is logged when it changes: here once, ten minutes after the first reading."""
    db = tmp_path / "log.db"
    log_with(db, outside=True, call_s=END_S - DAYS * DAY_S + 600.0)
    for days, words in (
        ("6", ("plan",)),
        ("6", ("today", "--at", "2026-10-19T12:00Z")),
        ("3", ("today", "--at", "2026-10-16T12:00Z")),
    ):
        (line,) = re.findall(r"Air in polytunnel: (.*)", said(tmp_path, db, trial(), *words))
        assert line.startswith(f"{days} d of the log: "), line


def test_the_season_goes_by_the_log_too(tmp_path: Path) -> None:
    db = tmp_path / "log.db"
    log_with(db, outside=True)
    job, _ = trial().write(tmp_path)
    seasons = []
    for path in (db, tmp_path / "none.db"):
        ran = filmcall("plan", "--season", str(EPW), "--job", str(job), "--db", str(path), "--json")
        assert ran.code == 0, ran.err
        seasons.append(json.loads(ran.out))
    assert "6 d of the log" in seasons[0]["about"]
    assert "0 K above the air outside, as the job file says" in seasons[1]["about"]
    shares = [sum(cell["share"] for cell in each["season"]) for each in seasons]
    assert shares[0] != shares[1]


def test_a_log_that_is_too_short_says_so_and_the_job_file_counts(tmp_path: Path) -> None:
    db = tmp_path / "log.db"
    log_with(db, outside=True, days=1.0)
    out = said(tmp_path, db, trial('[enclosure.polytunnel]\nkind = "shed"'), "plan")
    (line,) = re.findall(r"Air in polytunnel: (.*)", out)
    assert line.startswith("a shed: ")
    assert "judgement, no source" in line
    assert "under the 2 d" in line


def test_a_log_with_nothing_outside_beside_it_says_so(tmp_path: Path) -> None:
    db = tmp_path / "log.db"
    log_with(db, outside=False)
    made = trial()
    late = Trial(made.job, made.specs, tuple(h for h in made.hours if h.time_s > END_S - DAY_S))
    (line,) = re.findall(r"Air in polytunnel: (.*)", said(tmp_path, db, late, "plan"))
    assert line.startswith("0 K above the air outside, as the job file says; ")
    assert "inside and outside together" in line


def test_kind_and_warmer_together_are_a_fault_with_its_line(tmp_path: Path) -> None:
    made = trial('[enclosure.polytunnel]\nkind = "sheet"\nwarmer = "5 K"')
    job, forecast = made.write(tmp_path)
    line = made.job.splitlines().index('warmer = "5 K"') + 1
    ran = filmcall("plan", "--job", str(job), "--forecast", str(forecast))
    assert ran.code == 2
    assert f"line {line}" in ran.err
    bad = trial('[enclosure.polytunnel]\nkind = "sheed"')
    job, forecast = bad.write(tmp_path)
    ran = filmcall("plan", "--job", str(job), "--forecast", str(forecast))
    assert "did you mean shed" in ran.err


def test_the_planted_tent_is_what_it_says() -> None:
    # Magnus: 8.0 hPa is a dew point of 3.8 °C.
    assert dew_point_c(13.0, 100.0 * 8.0 / water_hpa(13.0)) == pytest.approx(3.8, abs=0.1)
