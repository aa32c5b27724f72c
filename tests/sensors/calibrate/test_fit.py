"""Salt points against published values; fits against numpy; what a correction may and may not do.

Limits and thresholds that no source is named for are common practice, no source.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.air.saturation import slope_water
from rules.air.uncertainty import standard_uncertainty
from rules.units import DAY_S
from sensors.calibrate.fit import (
    CALIBRATED,
    CalibrationFault,
    CalibrationMethod,
    Correction,
    Reference,
    fit,
    salt_reference,
    solvent_warning,
    untried_warning,
)
from sensors.calibrate.salts import PER_K, TEMP_MAX_C, TEMP_MIN_C, Salt, salt_of, salt_point
from sensors.calibrate.settling import REST, RestCriteria, Settling
from sensors.reading import Quantity
from tests import tables_reader

TABLE = tables_reader.rows("salt_points")
HUMIDITY, AIR = Quantity.HUMIDITY, Quantity.AIR_TEMP
YEAR_S = 365.25 * DAY_S


def point(reading: float, reference: float, half_width: float = 0.3) -> Reference:
    return Reference(reading, reference, half_width, "a jar")


def humidity(*points: Reference, valid_s: float | None = None) -> Correction:
    return fit(HUMIDITY, CalibrationMethod.SALT, points, valid_s=valid_s)


# Salt points ---------------------------------------------------------------------------------


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r['salt']}-{r['temp_c']}-{r['source'][:3]}")
def test_salt_points_agree_with_what_is_published(row: dict[str, str]) -> None:
    found = salt_point(salt_of(row["salt"]), float(row["temp_c"]))
    assert found.rh_pct == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_every_salt_is_checked_against_two_sources() -> None:
    for salt in Salt:
        assert len({row["source"] for row in TABLE if row["salt"] == salt}) >= 2


def test_a_probe_warmer_than_its_salt_reads_low_by_what_the_saturation_pressure_says() -> None:
    # Hyland and Wexler's equation in `rules`: d ln(p)/dT, which sensors may not import.
    slopes = [slope_water(273.15 + temp_c) for temp_c in range(5, 31)]
    assert min(slopes) - 0.003 < PER_K < max(slopes)
    assert pytest.approx(sum(slopes) / len(slopes), abs=0.003) == PER_K


@given(st.sampled_from(list(Salt)), st.floats(TEMP_MIN_C, TEMP_MAX_C - 0.01))
def test_salt_points_have_no_step(salt: Salt, temp_c: float) -> None:
    temp_c *= 0.7 if salt is Salt.K2CO3 else 1.0  # measured up to 30 degC
    here, near = salt_point(salt, temp_c), salt_point(salt, temp_c + 0.01)
    assert abs(near.rh_pct - here.rh_pct) < 0.003
    assert here.half_width_pct >= here.rh_pct * PER_K * 0.1


@pytest.mark.parametrize("temp_c", [-0.1, 40.1, math.nan, math.inf])
def test_a_jar_outside_the_table_is_refused(temp_c: float) -> None:
    with pytest.raises(CalibrationFault, match="outside 0 to 40 degC"):
        salt_point(Salt.NACL, temp_c)


def test_potassium_carbonate_ends_where_its_table_does() -> None:
    with pytest.raises(CalibrationFault, match="outside 0 to 30 degC"):
        salt_point(Salt.K2CO3, 30.5)


def test_a_salt_without_a_fixed_point_is_refused_by_name() -> None:
    with pytest.raises(CalibrationFault, match="salt 'sugar' has no fixed point"):
        salt_of("sugar")


# Fits ----------------------------------------------------------------------------------------


def test_one_point_gives_an_offset() -> None:
    found = humidity(point(73.9, 75.47))
    assert (found.gain, found.residual) == (1.0, 0.0)
    assert found.value(60.0) == pytest.approx(61.57)


def test_points_close_together_give_an_offset_and_their_distance_is_the_residual() -> None:
    found = humidity(point(74.0, 75.5), point(84.6, 85.1))
    assert found.gain == 1.0
    assert found.offset == pytest.approx(1.0)
    assert found.residual == pytest.approx(0.5)


@given(
    st.lists(
        st.tuples(st.floats(10.0, 95.0), st.floats(-2.0, 2.0)),
        min_size=2,
        max_size=8,
    )
)
def test_gain_and_offset_are_numpys_least_squares(rows: list[tuple[float, float]]) -> None:
    points = [point(reading, min(max(reading + off, 2.0), 100.0)) for reading, off in rows]
    readings = np.array([each.reading for each in points])
    references = np.array([each.reference for each in points])
    if min(np.ptp(readings), np.ptp(references)) < CALIBRATED[HUMIDITY].gain_span:
        return
    gain, offset = np.polyfit(readings, references, 1)
    if not 0.8 <= gain <= 1.25:
        return
    found = humidity(*points)
    assert found.gain == pytest.approx(gain, rel=1e-9)
    assert found.offset == pytest.approx(offset, abs=1e-7)
    assert found.residual == pytest.approx(
        np.max(np.abs(gain * readings + offset - references)), abs=1e-7
    )


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([point(0.739, 75.5)], "reading 0.739 looks like a fraction"),
        ([point(55.0, 75.5)], "20.5 % off where at most 15 are corrected"),
        ([point(math.nan, 75.5)], "reading nan % is not between 1 and 100"),
        ([point(104.0, 97.6)], "reading 104 % is not between 1 and 100"),
        ([point(75.0, 75.5, 40.0)], "no better than the sensor"),
        ([point(42.0, 33.0), point(66.0, 75.5)], "a gain of 1.77, outside 0.8 to 1.25"),
        ([point(47.0, 33.0), point(61.0, 75.5)], "leaves 14.2 % at one, where at most 5 can be"),
        ([], "0 reference points"),
        ([point(70.0, 75.5)] * 13, "13 reference points"),
    ],
)
def test_what_cannot_be_a_calibration_is_refused(points: list[Reference], said: str) -> None:
    with pytest.raises(CalibrationFault) as fault:
        humidity(*points)
    assert said in str(fault.value)
    assert "nothing was calibrated" in str(fault.value)


def test_a_quantity_without_reference_and_a_silly_validity_are_refused() -> None:
    with pytest.raises(CalibrationFault, match="co2 has no reference here"):
        fit(Quantity.CO2, CalibrationMethod.SALT, [point(400.0, 410.0)])
    with pytest.raises(CalibrationFault, match=r"valid for 0\.5 days"):
        humidity(point(75.0, 75.5), valid_s=0.5 * DAY_S)


# What passes through --------------------------------------------------------------------------


@pytest.mark.parametrize("raw", [-3.0, 0.0, 0.6, 1.0, 103.5, 6553.5, math.inf])
def test_no_correction_makes_a_fraction_or_a_dead_probe_look_real(raw: float) -> None:
    assert humidity(point(65.0, 75.5)).value(raw) == raw


def test_a_missing_value_stays_missing() -> None:
    assert math.isnan(humidity(point(65.0, 75.5)).value(math.nan))
    assert math.isnan(fit(AIR, CalibrationMethod.SIDE_BY_SIDE, [point(20.0, 20.4)]).value(math.nan))


def test_saturated_stays_saturated_and_nothing_goes_over_100() -> None:
    reads_high = humidity(point(79.5, 75.5))
    assert reads_high.value(99.9) == pytest.approx(95.9)
    assert reads_high.value(100.0) == reads_high.value(102.0) == 100.0
    assert humidity(point(71.5, 75.5)).value(98.0) == 100.0


@given(st.floats(-20.0, 45.0))
def test_a_temperature_is_moved_by_its_offset(raw_c: float) -> None:
    found = fit(AIR, CalibrationMethod.SIDE_BY_SIDE, [point(20.0, 20.4)])
    assert found.value(raw_c) == pytest.approx(raw_c + 0.4)


# What it adds to the accuracy -------------------------------------------------------------------


def test_accuracy_is_what_was_proved_as_uncertainties_combine() -> None:
    # JCGM 100:2008, 5.1.2, by standard uncertainties: 1 % of hysteresis (class value, from
    # memory) in place of the sheet's 3 %, 0.5 of the salt, 0.5 left at the points, no age, no
    # distance.
    found = humidity(point(74.0, 75.5, 0.5), point(84.6, 85.1, 0.5))
    by_squares = math.sqrt(sum(standard_uncertainty(a) ** 2 for a in (1.0, 0.5, 0.5)))
    proved = found.accuracy(80.0, 0.0, 3.0)
    assert standard_uncertainty(proved) == pytest.approx(by_squares, rel=1e-12)


def test_accuracy_widens_with_age_and_away_from_the_points() -> None:
    found = humidity(point(33.5, 33.1), point(75.0, 75.5), valid_s=3.0 * YEAR_S)
    assert found.band(50.0, 0.0) == pytest.approx(0.3)
    assert found.band(50.0, 2.0 * YEAR_S) == pytest.approx(math.hypot(0.3, 2.0))
    # 20 % beyond points 41.5 % apart: a line that is off by ± 0.3 at its ends, tilted at worst.
    tilted = 0.3 + 20.0 * (0.3 + 0.3) / 41.5
    assert found.band(95.0, 0.0) == pytest.approx(math.hypot(tilted, 0.02 * 20.0))
    assert humidity(point(75.0, 75.5)).band(95.0, 0.0) == pytest.approx(math.hypot(0.3, 0.4))


def test_salt_and_a_high_point_give_back_lost_sensitivity() -> None:
    # A probe that reads 4 % of its value low: NaCl and K2SO4 by Greenspan 1977 at 20 degC.
    found = humidity(point(0.96 * 75.47, 75.47, 0.5), point(0.96 * 97.59, 97.59, 0.8))
    assert found.gain == pytest.approx(1.0 / 0.96)
    assert found.value(0.96 * 90.0) == pytest.approx(90.0)


@given(
    st.floats(-10.0, 10.0),
    st.floats(2.0, 99.0),
    st.floats(0.0, 5.0 * YEAR_S),
    st.floats(0.01, 10.0),
)
def test_once_it_has_run_out_the_accuracy_holds_the_raw_value_too(
    off: float, raw: float, age_s: float, accuracy: float
) -> None:
    found = humidity(point(75.5 + off, 75.5))
    proved = found.accuracy(raw, age_s, accuracy)
    assert proved >= found.band(raw, age_s)
    if found.expired(age_s):
        assert abs(found.value(raw) - raw) <= proved + 1e-9


# Solvent ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "warned"),
    [
        ([point(33.0, 33.1), point(93.1, 97.6, 0.8)], True),  # only the high point is low
        ([point(75.3, 75.5), point(93.1, 97.6, 0.8)], True),
        ([point(92.0, 97.6, 0.8)], True),  # one point, low
        ([point(29.1, 33.1), point(93.1, 97.6, 0.8)], False),  # low all over: an offset
        ([point(33.0, 33.1), point(96.6, 97.6, 0.8)], False),  # within what the salt is known to
        ([point(33.0, 33.1), point(99.0, 97.6, 0.8)], False),  # high
        ([point(28.0, 33.1)], False),  # not tried where it shows
    ],
)
def test_warns_of_solvent_where_only_the_high_point_is_low(
    points: list[Reference], warned: bool
) -> None:
    for order in (points, points[::-1]):
        assert (solvent_warning(order) is not None) is warned


def test_one_point_in_the_middle_is_said_not_to_be_enough() -> None:
    assert "where lost sensitivity does not show" in (untried_warning([point(33.0, 33.1)]) or "")
    assert untried_warning([point(33.0, 33.1), point(75.0, 75.5)]) is None


def test_the_reading_of_a_jar_carries_salt_temperature_and_spread() -> None:
    found = salt_reference(Salt.NACL, 20.0, 73.9, 0.4)
    assert found.reference == 75.47
    assert found.half_width == pytest.approx(math.hypot(0.14, 75.47 * PER_K * 0.1, 0.4))
    assert found.what == "NaCl at 20.0 degC"


# Coming to rest -----------------------------------------------------------------------------------


def rest_after_h(
    tau_h: float, every_s: float, rest: RestCriteria, noise: float = 0.0, hours: float = 14.0
) -> tuple[float, float] | None:
    """Hours until a probe that goes from 50 to 75.47 % by tau counts as at rest, and its error."""
    settling, chance = Settling(rest), random.Random(1)
    for step in range(int(hours * 3600.0 / every_s)):
        time_s = step * every_s
        value = 75.47 - 25.47 * math.exp(-time_s / 3600.0 / tau_h) + chance.gauss(0.0, noise)
        settling.take(time_s, value, 20.0)
        if (found := settling.rested()) is not None:
            assert abs(found.value - 75.47) <= found.half_width
            return time_s / 3600.0, found.value - 75.47
    return None


@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0, 600.0])
@pytest.mark.parametrize("tau_h", [0.1, 0.5, 1.0])
def test_a_probe_at_rest_is_within_what_its_drift_may_still_have_to_go(
    every_s: float, tau_h: float
) -> None:
    found = rest_after_h(tau_h, every_s, REST[HUMIDITY], noise=0.05)
    assert found is not None
    hours, error = found
    # An exponential: its slope is under 0.4 %/h only once 25.47 / tau exp(-t / tau) is.
    assert hours > tau_h * math.log(25.47 / tau_h / 0.4)
    assert abs(error) < 0.6


def test_a_probe_that_drifts_on_does_not_rest() -> None:
    settling = Settling(REST[HUMIDITY])
    for step in range(240):
        settling.take(step * 60.0, 70.0 + step / 60.0, 20.0)
        assert settling.rested() is None
    assert settling.why == "still drifting by +1.00 an hour, at rest under 0.4"


def test_a_jar_whose_temperature_wanders_does_not_rest() -> None:
    settling = Settling(REST[HUMIDITY])
    for step in range(60):
        settling.take(step * 60.0, 75.0, 18.0 + step / 20.0)
        assert settling.rested() is None
    assert "temperature wandering by 1.5 K" in settling.why


def test_a_spike_or_a_silence_begins_the_wait_anew() -> None:
    settling = Settling(REST[HUMIDITY])
    for step in range(31):
        settling.take(step * 60.0, 80.0 if step == 20 else 75.0)
    assert settling.rested() is None
    for step in range(31, 60):
        settling.take(step * 60.0, 75.0)
    assert settling.rested() is not None
    settling.take(60.0 * 60.0 + 1600.0, 75.0)
    assert settling.rested() is None
    assert settling.why == "watched 0 s of 30 min, 1 reading of at least 6"


def test_a_probe_that_never_moved_is_told_apart() -> None:
    still, alive = Settling(REST[HUMIDITY]), Settling(REST[HUMIDITY])
    for step in range(40):
        still.take(step * 60.0, 75.0)
        alive.take(step * 60.0, 75.0 + 0.1 * (step % 2))
    rested = still.rested(), alive.rested()
    assert [each.moved for each in rested if each is not None] == [False, True]


def test_repeated_and_late_readings_change_nothing() -> None:
    settling = Settling(REST[HUMIDITY])
    for step in range(40):
        settling.take(step * 60.0, 75.0)
        settling.take(step * 60.0, 99.0)
        settling.take(step * 60.0 - 3600.0, 99.0)
    found = settling.rested()
    assert found is not None
    assert found.value == 75.0
