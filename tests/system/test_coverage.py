"""How sure the guard is, for single cells of the benchmark of coverage (JCGM 101:2008)."""

from __future__ import annotations

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from benchmarks.coverage import (
    CELLS,
    HIGHEST_PCT,
    LOWEST_PCT,
    Cell,
    given_the_readings,
    infrared,
    worst_margin_k,
)

BY_NAME = {cell.name: cell for cell in CELLS}


def test_margin_of_the_benchmark_agrees_with_coolprop() -> None:
    cell = Cell("one")
    dew_c = HAPropsSI("D", "T", 293.15, "P", 101325.0, "R", 0.6) - 273.15
    assert float(worst_margin_k(*cell.truth())) == pytest.approx(18.0 - dew_c, abs=0.02)


@pytest.mark.parametrize(
    "name", ["surface 0.5 K, air 0.3 K, 3.0 %", "surface 2.0 K, air 0.5 K, 5.0 %",
             "8 surfaces and 4 airs, one each decides"]
)  # fmt: skip
def test_one_pair_that_decides_is_covered_as_promised(name: str) -> None:
    assert LOWEST_PCT <= given_the_readings(BY_NAME[name]) <= HIGHEST_PCT


def test_cabled_surface_probe_on_the_same_node_is_independent() -> None:
    sure = given_the_readings(BY_NAME["one node, independent, all 0.5 K and 1.5 %"])
    assert LOWEST_PCT <= sure <= HIGHEST_PCT


def test_infrared_point_alone_is_covered_as_promised() -> None:
    assert LOWEST_PCT <= given_the_readings(infrared(False)) <= HIGHEST_PCT


def test_contact_point_beside_an_infrared_one_does_not_make_it_surer() -> None:
    assert given_the_readings(infrared(True)) >= LOWEST_PCT
