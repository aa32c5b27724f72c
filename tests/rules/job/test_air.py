"""Clocks and good starts over the hours ahead, against tests/support/plan_brute.py.

That one was written from the clock law's words alone and walks hour by hour in plain Python.
"""

from __future__ import annotations

import math
import random

import numpy as np
import plan_brute
import pytest
from plan_jobs import FLAT, hours_from, spec_text

from rules.job.air import Air, ClockTable, held
from rules.job.model import CoatToLay
from rules.rate import SafeSide
from rules.spec.model import TimeRow, TimeTable
from rules.spec.read import load_spec
from rules.vocabulary import Method

HOURS = 400


def course(seed: int) -> tuple[list[plan_brute.Hour], Air]:
    chance = random.Random(seed)
    temp, rh, hours = 14.0, 70.0, []
    for n in range(HOURS):
        temp += chance.gauss(0.0, 0.8) + 0.05 * (14.0 - temp)
        rh = min(max(rh + chance.gauss(0.0, 3.0) + 0.06 * (66.0 - rh), 30.0), 100.0)
        hours.append(plan_brute.Hour(n * 3600.0, round(temp, 2), round(rh, 1)))
    temps = np.array([[hour.temp_c for hour in hours]])
    dew = np.array([[plan_brute.dew_point_c(hour.temp_c, hour.rh_pct) for hour in hours]])
    return hours, Air(0.0, temps, dew, HOURS * 3600.0)


@pytest.mark.parametrize("lean", list(SafeSide))
@pytest.mark.parametrize("seed", range(4))
def test_a_clock_ends_when_the_plain_walk_says(seed: int, lean: SafeSide) -> None:
    hours, air = course(seed)
    rows = [(10.0, 40 * 3600.0), (20.0, 16 * 3600.0), (30.0, 9 * 3600.0)]
    table = ClockTable(air, TimeTable(tuple(TimeRow(*row) for row in rows)), lean)
    starts = np.arange(0.0, 250 * 3600.0, 2.6 * 3600.0)
    walked = plan_brute.Air(hours, 0.0)
    expected = [walked.clock_end(rows, s, lean is SafeSide.OPENS) for s in starts.tolist()]
    # 1 s of up to a hundred hours: both integrate the same rates, each its own way.
    assert table.ends_s(starts)[0] == pytest.approx(expected, abs=1.0)


def test_a_clock_that_never_ends_says_so() -> None:
    cold = Air(0.0, np.full((1, 48), 5.0), np.full((1, 48), 0.0), 48 * 3600.0)
    table = TimeTable((TimeRow(10.0, 3600.0), TimeRow(20.0, 1800.0)))
    assert math.isinf(ClockTable(cold, table, SafeSide.OPENS).ends_s(np.array([0.0]))[0, 0])


@pytest.mark.parametrize("seed", range(4))
def test_a_start_is_good_where_the_plain_walk_finds_no_fault(seed: int) -> None:
    hours, air = course(seed)
    text = spec_text("quick-primer", times={**FLAT, "cured": "30 h"})
    spec = load_spec(text, "quick-primer")
    coat = CoatToLay(1, spec, 3600.0, None, Method.ROLLER)
    starts = np.arange(0.0, 330 * 3600.0, 1800.0)
    walked, coating = plan_brute.Air(hours, 0.0), plan_brute.Coating(text)
    expected = [not walked.faulty_limit(coating, s, s + 3600.0, 0.0) for s in starts.tolist()]
    good = held(air, coat, starts)[0][0]
    assert 0.02 < np.mean(expected) < 0.98
    # Magnus' dew point is within 0.1 K of the exact one: a start or two lie on the edge itself.
    assert int((good != np.array(expected)).sum()) <= 4


def test_warmer_air_holds_the_same_water() -> None:
    # WMO-No. 8's Magnus form: 92 % at 12 °C is 12.9 hPa, which at 17 °C is 66.6 %.
    (hour,) = hours_from("2026-10-19", lambda _: (12.0, 92.0), days=1)[:1]
    dew = plan_brute.dew_point_c(hour.temp_c, hour.rh_pct)
    air = Air(0.0, np.array([[12.0]]), np.array([[dew]]), 3600.0).warmer(5.0)
    expected = 92.0 * plan_brute.water_hpa(12.0) / plan_brute.water_hpa(17.0)
    assert air.rh_pct()[0, 0] == pytest.approx(expected, abs=0.1)
    assert air.drier(10.0).rh_pct()[0, 0] == pytest.approx(expected - 10.0, abs=0.1)
