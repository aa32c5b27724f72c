"""`replay --outlook`: a recording looks ahead from its second day on, and only where asked."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from command import filmcall
from tent_weeks import tent_week

from monitor.config.load import load_config_file
from monitor.enclosure import Intake
from monitor.replay.outlook import ReplayOutlook
from monitor.replay.play import ReplayJob, keeper_of
from monitor.specs import find_spec
from sensors.reading import Quality, Quantity, Reading

HOURS = 26.0
CONFIG = """
[[enclosure]]
name = "tent"
spec = "two-pack-epoxy-primer"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "degC"
column = "temp"
[[enclosure.point]]
name = "air"
quantity = "humidity"
unit = "%"
column = "rh"
[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
unit = "degC"
column = "plank"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """26 h of a tent, a row a minute, without any event."""
    folder = tmp_path_factory.mktemp("replay")
    week = tent_week(2011, 2)
    (folder / "tent.toml").write_text(CONFIG)
    lines = ["time,temp,rh,plank"]
    for at in range(len(week.time_s)):
        if week.time_s[at] > week.time_s[0] + HOURS * 3600.0:
            break
        stamp = datetime.fromtimestamp(week.time_s[at], UTC).isoformat()
        row = (week.air_temp_c[at] + 14.0, week.rh_pct[at], week.surface_temp_c[at] + 14.0)
        lines.append(stamp + "".join(f",{value:.3f}" for value in row))
    (folder / "day.csv").write_text("\n".join(lines))
    return folder


def played(folder: Path, *words: str) -> list[dict[str, object]]:
    ran = filmcall(
        *("replay", str(folder / "day.csv"), "--config", str(folder / "tent.toml")),
        *("--jsonl", "--all", *words),
    )
    assert ran.code == 0, ran.err
    return [json.loads(line) for line in ran.out.splitlines()]


def test_a_recording_looks_ahead_after_a_day_where_it_is_asked_to(folder: Path) -> None:
    plain, ahead = played(folder), played(folder, "--outlook")
    day = next(n for n, each in enumerate(ahead) if float(str(each["looked_ahead_s"])) > 3600.0)
    assert 24 * 60 - 1 <= day <= 24 * 60 + 11
    assert ahead[:day] == plain[:day], "the first day is what it was"
    last = ahead[-1]
    reasons = [r for r in last["reasons"] if r["limit"] == "outlook"]  # type: ignore[attr-defined]
    assert reasons
    assert " of record" in str(reasons) or "probably too" in str(reasons)
    assert all(float(str(each["looked_ahead_s"])) <= 3600.0 for each in plain)


def test_its_cells_are_the_means_of_five_minutes_on_the_clock(folder: Path) -> None:
    config = load_config_file(folder / "tent.toml").enclosures[0]
    spec, text = find_spec(config.spec)
    outlook = ReplayOutlook(config, keeper_of(ReplayJob(config, spec, "", text)))
    week = tent_week(2011, 2)
    values = week.air_temp_c + 14.0
    for time_s, value in zip(week.time_s.tolist(), values.tolist(), strict=True):
        stuck = Reading("tent", "air", Quantity.AIR_TEMP, time_s, 35.0, Quality.STUCK, time_s)
        good = replace(stuck, value=value, quality=Quality.OK)
        outlook.take(Intake([stuck, good], [35.0, value], []))
    end_s = float(week.time_s[-1] // 300.0 * 300.0)
    means = outlook._column("air", Quantity.AIR_TEMP, 200, end_s)
    for place in (0, 57, 199):
        until_s = end_s - 300.0 * (199 - place)
        inside = (week.time_s > until_s - 300.0) & (week.time_s <= until_s)
        assert means[place] == pytest.approx(values[inside].mean(), abs=1e-9)
    # A clock that was set leaves nothing to learn from.
    outlook.clock_jumped()
    assert outlook._cells == {}
