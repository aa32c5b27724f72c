"""What the state point refuses, in which words, and that no failure comes out as a number.

With numba installed PsychroLib turns its own errors into 0.0; these tests pass with and without it.
"""

from __future__ import annotations

import importlib.util
import math
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import psychrolib
import pytest

from rules.air import arrays
from rules.air import state as dew_point
from rules.air import state as psychrometrics
from rules.errors import ImplausibleReading

NAN, INF = math.nan, math.inf

OF_AIR_AND_HUMIDITY: list[Callable[[float, float], Any]] = [
    psychrometrics.vapour_pressure_pa,
    psychrometrics.dew_and_frost_c,
    psychrometrics.dew_point_c,
    psychrometrics.frost_point_c,
    psychrometrics.wetting_point_c,
    psychrometrics.dew_point_slopes,
    psychrometrics.wet_bulb_c,
    psychrometrics.humidity_ratio_g_per_kg,
    psychrometrics.absolute_humidity_g_per_m3,
    lambda air, rh: psychrometrics.rh_at_surface_pct(air, rh, 15.0),
    lambda air, rh: arrays.dew_points_c([20.0, air], [50.0, rh]),
    lambda air, rh: arrays.frost_points_c([20.0, air], [50.0, rh]),
    lambda air, rh: arrays.wetting_points_c([20.0, air], [50.0, rh]),
]


@pytest.fixture
def fresh_answers() -> Iterator[None]:
    """Nothing kept from before, and nothing wrong kept for later."""
    dew_point._dew_and_frost.cache_clear()
    yield
    dew_point._dew_and_frost.cache_clear()


@pytest.mark.parametrize("function", OF_AIR_AND_HUMIDITY)
@pytest.mark.parametrize(
    ("air_c", "rh_pct"),
    [
        (20.0, 0.0),
        (20.0, -0.0),
        (20.0, -1.0),
        (20.0, 1e-9),
        (20.0, 0.6),
        (20.0, 1.0),
        (20.0, 103.01),
        (20.0, NAN),
        (20.0, INF),
        (20.0, -INF),
        (NAN, 50.0),
        (INF, 50.0),
        (-INF, 50.0),
        (-40.01, 50.0),
        (60.01, 50.0),
        (-273.15, 50.0),
        (-300.0, 50.0),
        (NAN, NAN),
    ],
)
def test_what_no_air_can_be_is_refused(
    function: Callable[[float, float], Any], air_c: float, rh_pct: float
) -> None:
    with pytest.raises(ImplausibleReading, match="it is not used"):
        function(air_c, rh_pct)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda: psychrometrics.dew_point_c(20.0, 0.6),
            "rh_pct 0.6 looks like a fraction; give it in per cent (60 for 0.6); it is not used.",
        ),
        (
            lambda: psychrometrics.dew_point_c(20.0, 104.2),
            "rh_pct 104.2 is above 103; it is not used. Check the probe or its calibration.",
        ),
        (
            lambda: psychrometrics.dew_point_c(20.0, 0.0),
            "rh_pct 0 is at or below 0, which no air has: the probe looks dead; "
            "it is not used. Check its supply and its wires.",
        ),
        (
            lambda: psychrometrics.dew_point_c(68.5, 50.0),
            "air_temp_c 68.5 is above 60; it is not used. "
            "Check the probe, and whether it reports degF.",
        ),
        (
            lambda: psychrometrics.dew_point_c(NAN, 50.0),
            "air_temp_c is not a number; it is not used. "
            "Check the probe, and whether it reports degF.",
        ),
        (
            lambda: psychrometrics.rh_at_surface_pct(20.0, 50.0, 80.5),
            "surface_temp_c 80.5 is above 80; it is not used. "
            "Check the probe, and whether it reports degF.",
        ),
        (
            lambda: psychrometrics.wet_bulb_c(20.0, 50.0, 1013.25),
            "pressure_pa 1013.25 is below 50000; it is not used. "
            "Give it in Pa (1013.25 hPa is 101325 Pa).",
        ),
        (
            lambda: psychrometrics.pressure_at_altitude_pa(9000.0),
            "altitude_m 9000 is above 5000; it is not used. "
            "Give the altitude above sea level in metres.",
        ),
        (
            lambda: psychrometrics.saturation_vapour_pressure_ice_pa(0.5),
            "temp_c 0.5 is above 0.01; it is not used. "
            "Ice stands between -40 and 0.01 degC here; above, use the pressure over water.",
        ),
        (
            lambda: psychrometrics.rh_from_wet_bulb_pct(20.0, 21.0),
            "wet_bulb_c 21 is above air_temp_c 20, which a wet bulb cannot be; "
            "it is not used. Check which thermometer is which.",
        ),
        (
            lambda: psychrometrics.rh_from_wet_bulb_pct(20.0, 5.0),
            "wet_bulb_c 5 at air_temp_c 20 would mean a dew point under -40 degC or a humidity "
            "under 1 %; it is not used. "
            "Check the wick, and that both temperatures are right.",
        ),
        (
            lambda: arrays.dew_points_c([20.0, 20.0, 20.0], [50.0, 50.0, 104.2]),
            "rh_pct[2] 104.2 is above 103; it is not used. Check the probe or its calibration.",
        ),
    ],
)
def test_the_refusal_names_value_limit_consequence_and_next_step(
    call: Callable[[], float], text: str
) -> None:
    with pytest.raises(ImplausibleReading) as refusal:
        call()
    assert str(refusal.value) == text


@pytest.mark.parametrize("wet_bulb_c", [5.0, 0.0, -5.0, -40.0])
def test_a_wet_bulb_that_is_far_too_low_is_refused(wet_bulb_c: float) -> None:
    # PsychroLib answers 7e-6 of humidity and a dew point of -87 degC to these.
    with pytest.raises(ImplausibleReading, match="dew point under -40 degC"):
        psychrometrics.rh_from_wet_bulb_pct(20.0, wet_bulb_c)


@pytest.mark.parametrize("pressure_pa", [NAN, INF, 0.0, -1.0, 49_999.0, 110_001.0])
def test_a_pressure_that_cannot_be_is_refused(pressure_pa: float) -> None:
    with pytest.raises(ImplausibleReading, match="pressure_pa"):
        psychrometrics.wet_bulb_c(20.0, 50.0, pressure_pa)
    with pytest.raises(ImplausibleReading, match="pressure_pa"):
        psychrometrics.rh_from_wet_bulb_pct(20.0, 15.0, pressure_pa)
    with pytest.raises(ImplausibleReading, match="pressure_pa"):
        psychrometrics.humidity_ratio_g_per_kg(20.0, 50.0, pressure_pa)


@pytest.mark.parametrize("altitude_m", [NAN, INF, -501.0])
def test_an_altitude_that_cannot_be_is_refused(altitude_m: float) -> None:
    with pytest.raises(ImplausibleReading, match="altitude_m"):
        psychrometrics.pressure_at_altitude_pa(altitude_m)


def test_a_saturated_probe_counts_as_100_pct() -> None:
    for rh_pct in (100.0, 100.01, 103.0):
        assert psychrometrics.dew_point_c(20.0, rh_pct) == pytest.approx(20.0, abs=1e-6)
        assert arrays.dew_points_c(20.0, rh_pct) == pytest.approx(20.0, abs=1e-5)
    by_air, by_rh = psychrometrics.dew_point_slopes(20.0, 102.0)
    assert (by_air, by_rh) == psychrometrics.dew_point_slopes(20.0, 100.0)


# -------------------------------------------------------- the library's silent answers are stopped


@pytest.mark.skipif(importlib.util.find_spec("numba") is None, reason="numba is not installed")
def test_with_numba_psychrolib_does_return_zero_for_no_number() -> None:
    """The hazard that the next tests guard against is real in this environment."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        assert float(psychrolib.GetTDewPointFromRelHum(20.0, NAN)) == 0.0
        assert float(psychrolib.GetTDewPointFromRelHum(20.0, 0.0)) == 0.0


SILENT: list[Callable[..., float]] = [lambda *_: 0.0, lambda *_: NAN, lambda *_: 15.0]


@pytest.mark.usefixtures("fresh_answers")
@pytest.mark.parametrize("silent", SILENT)
@pytest.mark.parametrize("pair", [(20.0, 50.0), (5.0, 50.0), (-10.0, 100.0), (0.5, 99.0)])
def test_a_wrong_dew_point_from_the_library_is_an_error(
    monkeypatch: pytest.MonkeyPatch, silent: Callable[..., float], pair: tuple[float, float]
) -> None:
    monkeypatch.setattr(psychrolib, "GetTDewPointFromVapPres", silent)
    with pytest.raises(psychrometrics.EngineFault, match="does not satisfy its own equation"):
        psychrometrics.dew_point_c(*pair)
    with pytest.raises(psychrometrics.EngineFault):
        psychrometrics.dew_point_slopes(*pair)


@pytest.mark.usefixtures("fresh_answers")
def test_an_error_inside_the_library_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: float) -> float:
        raise ValueError("no convergence")

    monkeypatch.setattr(psychrolib, "GetTDewPointFromVapPres", broken)
    monkeypatch.setattr(psychrolib, "GetTWetBulbFromHumRatio", broken)
    with pytest.raises(psychrometrics.EngineFault):
        psychrometrics.dew_point_c(20.0, 50.0)
    monkeypatch.undo()
    monkeypatch.setattr(psychrolib, "GetTWetBulbFromHumRatio", broken)
    with pytest.raises(psychrometrics.EngineFault):
        psychrometrics.wet_bulb_c(20.0, 50.0)


@pytest.mark.parametrize("silent", SILENT)
def test_a_wrong_wet_bulb_or_pressure_from_the_library_is_an_error(
    monkeypatch: pytest.MonkeyPatch, silent: Callable[..., float]
) -> None:
    for name in ("GetTWetBulbFromHumRatio", "GetHumRatioFromTWetBulb", "GetStandardAtmPressure"):
        monkeypatch.setattr(psychrolib, name, silent)
    with pytest.raises(psychrometrics.EngineFault):
        psychrometrics.wet_bulb_c(20.0, 50.0)
    with pytest.raises(psychrometrics.EngineFault):
        psychrometrics.rh_from_wet_bulb_pct(20.0, 15.0)
    with pytest.raises(psychrometrics.EngineFault):
        psychrometrics.pressure_at_altitude_pa(100.0)


@pytest.mark.usefixtures("fresh_answers")
def test_another_part_that_changes_the_library_s_units_cannot_change_an_answer() -> None:
    should = psychrometrics.dew_point_c(20.0, 50.0)
    dew_point._dew_and_frost.cache_clear()
    psychrolib.SetUnitSystem(psychrolib.IP)
    try:
        with pytest.raises(psychrometrics.EngineFault, match="units"):
            psychrometrics.dew_point_c(20.0, 50.0)
        with pytest.raises(psychrometrics.EngineFault):
            psychrometrics.pressure_at_altitude_pa(100.0)
    finally:
        psychrolib.SetUnitSystem(psychrolib.SI)
    assert psychrometrics.dew_point_c(20.0, 50.0) == should
