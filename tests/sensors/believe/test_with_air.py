"""Surfaces beside the air of a real room: sound ones that lag it, and one that came off.

The air is six days of an office by others (examples/recordings, with source and licence), one
reading a minute; a surface is that air with a first-order lag, invented here.
"""

from __future__ import annotations

import csv
import math
import random
from datetime import datetime
from functools import cache
from pathlib import Path

import pytest

from sensors.believe import checks
from sensors.believe.verdict import Verdict
from sensors.faults import DEFAULT_RULES, FaultJudge
from sensors.reading import Quality, Quantity, Reading

OFFICE = Path(__file__).parents[3] / "examples" / "recordings" / "office-occupancy-2015-02.csv"
AIR, HULL = ("bow", Quantity.AIR_TEMP), ("port", Quantity.SURFACE_TEMP)
COMES_OFF_MIN = 2000


@cache
def office() -> list[tuple[float, float]]:
    with OFFICE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    return [(datetime.fromisoformat(f"{row[1]}+00:00").timestamp(), float(row[2])) for row in rows]


def doubted_after_min(lag_s: float, digit: float, off_after_min: float) -> float | None:
    """Return for how long the surface has lain in the air when it is doubted."""
    noise = random.Random(1)
    judge = FaultJudge({key: DEFAULT_RULES[key[1]] for key in (AIR, HULL)})
    begun_s, hull_c = office()[0]
    at_s = begun_s
    for time_s, air_c in office():
        lain_min = (time_s - begun_s) / 60.0 - off_after_min
        share = 1.0 - math.exp(-(time_s - at_s) / (60.0 if lain_min > 0.0 else lag_s))
        hull_c, at_s = hull_c + share * (air_c - hull_c), time_s
        shown_c = digit * round((hull_c + noise.gauss(0.0, 0.03)) / digit)
        for key, value in ((AIR, air_c), (HULL, shown_c)):
            judge.judge(Reading("room", *key, time_s, value, Quality.OK, 0.0))
        if judge.why(*HULL, time_s):
            return lain_min
    return None


@pytest.mark.parametrize("digit", [0.5, 0.1])
@pytest.mark.parametrize("lag_s", [120.0, 900.0, 5400.0], ids=["sheet", "laminate", "hull"])
def test_surface_that_lags_a_real_rooms_air_is_not_doubted_in_six_days(
    lag_s: float, digit: float
) -> None:
    assert doubted_after_min(lag_s, digit, math.inf) is None


@pytest.mark.parametrize("digit", [0.5, 0.1])
def test_probe_that_came_off_a_hull_into_a_real_rooms_air_is_noticed(digit: float) -> None:
    after_min = doubted_after_min(5400.0, digit, COMES_OFF_MIN)
    assert after_min is not None
    assert 0.0 < after_min <= 420.0


def test_turns_of_a_surface_that_knows_nothing_of_the_air_are_at_most_a_normal_deviate() -> None:
    # Normal distribution: 15.87 % over one standard deviation, 2.28 % over two. Turns that
    # alternate make it less.
    deviates = []
    for seed in range(500):
        noise = random.Random(seed)
        air, own = [noise.gauss(0.0, 0.2)], [0.5]
        for minute in range(1, 220):
            air.append(0.7 * air[-1] + noise.gauss(0.0, 0.12))
            own.append(0.5 * round((0.25 + minute / 700.0 + noise.gauss(0.0, 0.1)) / 0.5))
        now = checks.turns(own, air)
        deviates.append(now.together / math.sqrt(now.square))
    for many, share in ((1.0, 0.1587), (2.0, 0.0228)):
        assert sum(each > many for each in deviates) <= share * len(deviates)
        assert sum(each < -many for each in deviates) <= share * len(deviates)
    assert sum(each > 0.0 for each in deviates) == pytest.approx(250, abs=34)  # three deviations


def test_surface_that_turns_with_the_air_is_suspect_unless_it_did_before() -> None:
    noise = random.Random(1)
    air = [noise.gauss(0.0, 0.3) for _ in range(220)]
    now = checks.turns([0.5 * round(each / 0.5) for each in air], air)
    assert checks.turns_with_air(now, 0.1) is Verdict.SUSPECT
    assert checks.turns_with_air(now, 0.4) is Verdict.NOT_EVALUATED
    other = checks.turns([0.5 * round(noise.gauss(0.0, 0.3) / 0.5) for _ in air], air)
    assert checks.turns_with_air(other, 0.1) is Verdict.PASS
