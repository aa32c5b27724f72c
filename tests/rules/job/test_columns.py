"""What a coat is planned by where its sheet has columns and the job does not say which."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest
from plan_jobs import FLAT, spec_text

from rules.job.air import Air, held
from rules.job.columns import planned_spec, safest_table
from rules.job.model import CoatToLay
from rules.rate import SafeSide, rate_law
from rules.spec.model import TimeRow, TimeTable
from rules.spec.read import load_spec
from rules.vocabulary import LimitName, Method, Stage, Step

SHEETS = Path(__file__).parents[2] / "sheets"


def table(chance: random.Random) -> TimeTable:
    temps = sorted(chance.sample(range(-5, 45, 5), chance.randint(1, 4)))
    times = sorted((chance.uniform(1.0, 40.0) * 3600.0 for _ in temps), reverse=True)
    floor = temps[0] - 5.0 if len(temps) == 1 else None
    return TimeTable(tuple(map(TimeRow, map(float, temps), times)), reckoned_to_c=floor)


@pytest.mark.parametrize("lean", list(SafeSide))
def test_the_safest_table_is_on_the_safe_side_of_every_one_of_them(lean: SafeSide) -> None:
    """And at the rows that they share no further than it must: it is one of theirs there."""
    chance, met = random.Random(20261128), 0
    for _ in range(300):
        tables = [table(chance) for _ in range(chance.randint(2, 3))]
        safest = rate_law(safest_table(tables, lean), lean)
        laws = [rate_law(each, lean) for each in tables]
        hottest_c = max(law.hottest_c for law in laws)
        for temp_c in np.arange(-10.0, hottest_c + 0.1, 0.7).tolist():
            times = [law.time_s(temp_c) for law in laws]
            own = safest.time_s(temp_c)
            # 1e-9: the same exponential, taken apart at another row.
            if lean is SafeSide.OPENS:
                assert own >= max(times) * (1.0 - 1e-9)
            else:
                assert own <= min(times) * (1.0 + 1e-9)
        for temp_c in {row.temp_c for each in tables for row in each.rows}:
            times = [law.time_s(temp_c) for law in laws]
            worst = max(times) if lean is SafeSide.OPENS else min(times)
            met += math.isfinite(worst)
            assert safest.time_s(temp_c) == pytest.approx(worst, rel=1e-9)
    assert met > 500


def test_the_closest_limits_of_three_hardeners_count_together() -> None:
    """Sheet A: from 10 °C with S, -5 with W, 20 to 45 with T; the sheet's own words above it."""
    sheet = load_spec((SHEETS / "fresh/epoxy-three-hardeners.toml").read_text("utf-8"), "sheet-a")
    every, unsaid = planned_spec(sheet, Method.ROLLER, None)
    limits = every.limits[Stage.APPLY]
    assert limits[LimitName.SURFACE_TEMP_MIN].bound == 20.0
    assert limits[LimitName.SURFACE_TEMP_MAX].bound == 45.0
    assert [word.split(",")[0] for word in unsaid] == ["hardener not given"]
    winter, unsaid = planned_spec(sheet, Method.ROLLER, "w")
    assert winter.limits[Stage.APPLY][LimitName.SURFACE_TEMP_MIN].bound == -5.0
    assert not unsaid


def test_limits_that_end_at_different_steps_last_to_the_later_one() -> None:
    until = '[[when]]\nhardener = "fast"\n[when.limits.apply]\n'
    until += 'surface_temp_min = { bound = "2 degC", until = "handle" }\n'
    spec, _ = planned_spec(load_spec(spec_text("primer") + until, "primer"), None, None)
    limit = spec.limits[Stage.APPLY][LimitName.SURFACE_TEMP_MIN]
    assert (limit.bound, limit.until) == (5.0, Step.CURED)


@pytest.mark.parametrize(("method", "good"), [(Method.ROLLER, True), (Method.GUN, False)])
def test_a_sprayed_film_is_planned_as_the_call_judges_it(method: Method, good: bool) -> None:
    """3.5 K over the dew point: the sheet asks for 3, and a gun's film stands 1 K cooler.

    The 1 K is common practice, no source: `rules.limits.USUAL_COOLING_K`, which the call goes by.
    """
    air = Air(0.0, np.full((1, 100), 12.0), np.full((1, 100), 8.5), 100 * 3600.0)
    spec = load_spec(spec_text("quick-primer", times=FLAT), "quick-primer")
    coat = CoatToLay(1, spec, 3600.0, None, method)
    assert bool(held(air, coat, np.array([0.0]))[0][0, 0]) == good
