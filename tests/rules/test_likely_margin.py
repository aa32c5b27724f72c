"""The lowest margin of many equal probes is low by their errors: what is shown says so.

Held against drawn errors (Monte Carlo after JCGM 101:2008), with PsychroLib for the dew point.
"""

from __future__ import annotations

import math

import numpy as np
import psychrolib
import pytest

from rules.air.uncertainty import extreme_bias_k
from rules.climate import AIR_TEMP, HUMIDITY, SURFACE_TEMP, PointValue, climate_of

AIR_C, RH_PCT, HULL_C = 18.0, 60.0, 15.0
ACCURACY = {AIR_TEMP: 0.3, HUMIDITY: 3.0, SURFACE_TEMP: 0.5}


def true_margin_k() -> float:
    psychrolib.SetUnitSystem(psychrolib.SI)
    return HULL_C - float(psychrolib.GetTDewPointFromRelHum(AIR_C, RH_PCT / 100.0))


def drawn(hulls_c: list[float], airs: int, draws: int = 400) -> tuple[float, float]:
    """Return by how much the lowest and the likely margin are out on the average [K]."""
    rng, lowest, likely = np.random.default_rng(5), [], []

    def said(point: str, quantity: str, truth: float) -> PointValue:
        error = float(rng.uniform(-1.0, 1.0)) * ACCURACY[quantity]
        return PointValue(point, quantity, None, truth + error, "ok", ACCURACY[quantity])

    for _ in range(draws):
        sensed = [said(f"plank-{k}", SURFACE_TEMP, hull_c) for k, hull_c in enumerate(hulls_c)]
        for k in range(airs):
            sensed += [said(f"air-{k}", AIR_TEMP, AIR_C), said(f"air-{k}", HUMIDITY, RH_PCT)]
        climate = climate_of(sensed, "all", 0.0)
        lowest.append(climate.dew_margin_k)
        likely.append(climate.likely_margin_k())
    truth_k = true_margin_k() - (HULL_C - min(hulls_c))
    return float(np.mean(lowest)) - truth_k, float(np.mean(likely)) - truth_k  # type: ignore[arg-type]


def test_of_eight_hulls_and_four_bodies_the_likely_margin_is_near_the_truth() -> None:
    lowest_k, likely_k = drawn([HULL_C] * 8, 4)
    assert lowest_k < -0.6
    assert abs(likely_k) < 0.2


def test_one_hull_that_is_colder_is_believed() -> None:
    lowest_k, likely_k = drawn([HULL_C - 3.0] + [HULL_C] * 7, 1)
    assert abs(lowest_k) < 0.1
    assert likely_k < 0.1


def test_one_pair_has_nothing_to_take_off() -> None:
    lowest_k, likely_k = drawn([HULL_C], 1, 50)
    assert likely_k == lowest_k


# Harter (1961), Biometrika 48, table 1: expected largest of n standard normals; from memory.
@pytest.mark.parametrize(("count", "largest"), [(2, 0.5642), (4, 1.0294), (8, 1.4236)])
def test_the_mean_of_the_largest_of_few(count: int, largest: float) -> None:
    spread = math.sqrt((count - 1) / count)
    values = [spread * (1.0 if k % 2 else -1.0) for k in range(count)]  # of variance 1
    assert extreme_bias_k(values, 1.0) == pytest.approx(largest, abs=0.03)
