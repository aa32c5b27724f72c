"""Random small jobs: every plan keeps every rule by the trial's own checker, list and solver alike.

The checker shares no code with the program (tests/support/plan_brute.py). Jobs are too large for
its exhaustive planner; there, what the list order calls proved must be what the solver finds too.
"""

from __future__ import annotations

import json
import math
import random
from datetime import datetime
from pathlib import Path

import pytest
from command import filmcall
from plan_brute import faults_of, when
from plan_jobs import (
    DAILY,
    FLAT,
    PRIMER,
    TOPCOAT,
    Trial,
    hours_from,
    job_text,
    section,
    spec_text,
)

from monitor.job.json import plan_json
from monitor.job.make import make
from monitor.job.read import read_job
from monitor.job.solver import is_installed
from monitor.job.weather import air_ahead, read_hours
from rules.job.list_order import relaid
from rules.job.plan import plan_of

WEEKDAYS = '{ mon-fri = "17:00-21:00", sat = "08:00-12:00, 13:00-18:00" }'


def random_job(seed: int) -> Trial:
    chance = random.Random(seed)
    names = [f"s{n}" for n in range(chance.randint(1, 4))]
    sections = []
    for n, name in enumerate(names):
        entries = ["sand"] * (chance.random() < 0.3) + [f"primer*{chance.randint(1, 2)}"]
        if chance.random() < 0.7:
            entries += ["sand"] * (chance.random() < 0.4) + [f"topcoat*{chance.randint(1, 2)}"]
        beside = tuple(each for each in names if each != name and chance.random() < 0.15)
        enclosure = chance.choice(["polytunnel", "polytunnel", "shed"])
        text = section(name, *entries, enclosure=enclosure, beside=beside)
        if n and chance.random() < 0.2:
            head = f'name = "{name}"\n'
            text = text.replace(head, f'{head}after = ["{names[n - 1]}"]\n')
        sections.append(text)
    base, damp, phase = chance.uniform(10, 20), chance.uniform(50, 80), chance.uniform(0, 6)

    def weather(at: datetime) -> tuple[float, float]:
        day = at.toordinal() + at.hour / 24
        swing = math.sin(2 * math.pi * (day - 0.4))
        temp = base + 3 * swing + 2 * math.sin(day / 2 + phase)
        rh = damp - 10 * swing + 8 * math.sin(day / 1.7 + phase)
        return round(temp, 1), round(min(99.0, rh), 1)

    times = {**FLAT, "recoat_closes": chance.choice(["48 h", "30 h"])}
    if chance.random() < 0.4:
        times["induction"] = "30 min"
    rows = {}
    for key, time in times.items():
        number, unit = time.split()
        rows[key] = {"5 degC": f"{2 * int(number)} {unit}", "25 degC": time}
    specs = {
        PRIMER: spec_text("quick-primer", rows=rows, humidity_until="touch-dry"),
        TOPCOAT: spec_text(
            "quick-topcoat", "two-pack-polyurethane", rows=rows, humidity_until="touch-dry"
        ),
    }
    hours = chance.choice([DAILY, WEEKDAYS, '"17:00-21:00"', '"08:00-11:30"'])
    text = job_text(*sections, hours=hours, people=chance.randint(1, 3), done_by="2026-12-10")
    return Trial(text, specs, hours_from("2026-10-19", weather, days=45))


@pytest.mark.parametrize("seed", range(8))
def test_a_random_jobs_plan_keeps_every_rule(seed: int, tmp_path: Path) -> None:
    trial = random_job(seed)
    _, forecast = trial.write(tmp_path)
    job = read_job(trial.job, "job.toml", tmp_path)
    ahead = air_ahead(job, read_hours(forecast, None), None, job.start_s)
    made = [make(job, ahead, {}, job.start_s, limit_s) for limit_s in (0.0, 60.0)]
    for each in made:
        plan = json.loads(plan_json(each.plan))
        assert faults_of(plan, trial.job, trial.specs, trial.hours) == []
    by_list, by_solver = (each.plan for each in made)
    assert by_solver.finish_s <= by_list.finish_s
    if by_list.is_proved:
        assert by_solver.finish_s == by_list.finish_s
    first_s = job.start_s
    assert by_list.finish_s - by_solver.finish_s <= by_list.gap * (by_list.finish_s - first_s) + 1
    if is_installed():
        assert by_solver.is_proved


@pytest.mark.parametrize("seed", [2, 5, 9, 12])
def test_laying_sections_anew_keeps_every_rule_and_ends_no_later(seed: int, tmp_path: Path) -> None:
    trial = random_job(seed)
    _, forecast = trial.write(tmp_path)
    job = read_job(trial.job, "job.toml", tmp_path)
    ahead = air_ahead(job, read_hours(forecast, None), None, job.start_s)
    made = make(job, ahead, {}, job.start_s, 0.0)
    layout = relaid(made.problem, made.layout, lambda tried: tried < 25)
    assert layout.finish <= made.layout.finish
    plan = json.loads(plan_json(plan_of(job, made.problem, layout, ahead, 0)))
    assert faults_of(plan, trial.job, trial.specs, trial.hours) == []


@pytest.mark.parametrize("seed", range(20, 26))
def test_a_random_taped_jobs_plan_keeps_every_rule(seed: int, tmp_path: Path) -> None:
    trial = random_job(seed)
    chance = random.Random(seed)
    parts = trial.job.split("  { coat")
    taped = [chance.choice(["", '  { tape = "line", takes = "15 min" },\n']) for _ in parts[1:]]
    text = parts[0] + "".join(
        f"{tape}  {{ coat{part}" for tape, part in zip(taped, parts[1:], strict=True)
    )
    times = '[times]\ntape_not_before = { "5 degC" = "16 h", "25 degC" = "8 h" }'
    specs = {name: spec.replace("[times]", times) for name, spec in trial.specs.items()}
    trial = Trial(text, specs, trial.hours)
    job, forecast = trial.write(tmp_path)
    words = ("--job", str(job), "--forecast", str(forecast), "--json", "--db", "none.db")
    plans = [json.loads(filmcall("plan", *words, "--solve", limit).out) for limit in ("0", "30")]
    assert any(taped)
    assert [faults_of(plan, text, specs, trial.hours) for plan in plans] == [[], []]
    assert when(plans[1]["finish"]) <= when(plans[0]["finish"])
