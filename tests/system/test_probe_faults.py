"""The trial of probe faults: its physics against outside sources, then a quick set of classes."""

from __future__ import annotations

import fault_shed
import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from fault_classes import BY_NAME, FAULTS, config_text, recorded, stamp
from fault_shed import GAS_CONSTANT_OF_VAPOUR, STEP_S, Build, dew_point_c, lagged, saturation_pa
from fault_trial import (
    BOUNDS,
    Heard,
    fault_run,
    heard,
    knowing,
    played,
    room_of,
    scored,
    shed_of,
    ways_of,
)

from benchmarks.probe_faults import FLAT_S, flags

# To the evening for faults of the air, to the next morning for those of the hull.
AIR_H, AIR_SEED, HULL_H, HULL_SEED, EVERY_S = 17.0, 2, 24.0, 0, 60.0
GO_BEYOND_MIN = 5.0


# --- physics -----------------------------------------------------------------------------------


@pytest.mark.parametrize("temp_c", [0.01, 5.0, 12.0, 20.0, 35.0])
def test_saturation_pressure_agrees_with_two_libraries(temp_c: float) -> None:
    # CoolProp: IAPWS-95; PsychroLib: Hyland and Wexler in the ASHRAE Handbook, Fundamentals 2017,
    # chapter 1, equation 6. The three formulations differ by up to 0.02 % here.
    psychrolib.SetUnitSystem(psychrolib.SI)
    mine = float(saturation_pa(temp_c))
    assert mine == pytest.approx(PropsSI("P", "T", temp_c + 273.15, "Q", 1, "Water"), rel=3e-4)
    assert mine == pytest.approx(psychrolib.GetSatVapPres(temp_c), rel=5e-4)


def test_dew_point_agrees_with_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    for air_c, rh in ((20.0, 0.6), (8.0, 0.95), (30.0, 0.4)):
        mine = float(dew_point_c(rh * saturation_pa(air_c)))
        # Two formulations of saturation, and a table of 0.025 K.
        assert mine == pytest.approx(psychrolib.GetTDewPointFromRelHum(air_c, rh), abs=0.01)


def test_water_that_evaporates_into_a_sealed_tent_is_found_in_its_air() -> None:
    # CoolProp's humid air (ASHRAE RP-1485) says what the air holds before and after [kg/m3].
    build, temp_c, wet_m3_per_s = Build(), 15.0, 0.05
    saturated = float(saturation_pa(temp_c))
    vapour_pa, evaporated_kg = 0.5 * saturated, 0.0
    per_pa = 1.0 / (GAS_CONSTANT_OF_VAPOUR * (temp_c + 273.15))
    for _ in range(90):
        evaporated_kg += STEP_S * wet_m3_per_s * (saturated - vapour_pa) * per_pa
        vapour_pa = fault_shed.vapour_step(
            build.volume_m3, wet_m3_per_s, vapour_pa, 0.0, 0.0, temp_c, temp_c, 1e9, [40.0, 40.0]
        )

    def held_kg(rh: float) -> float:
        state = ("T", temp_c + 273.15, "P", 101325.0, "R", rh)
        return build.volume_m3 * float(HAPropsSI("W", *state) / HAPropsSI("Vda", *state))

    gained_kg = held_kg(vapour_pa / saturated) - held_kg(0.5)
    # An ideal gas against a real one: the enhancement factor is some 0.4 % at sea level.
    assert evaporated_kg == pytest.approx(gained_kg, rel=0.01)


def test_ventilated_tent_comes_to_the_weighted_mean_of_outdoors_and_wet_ground() -> None:
    volume, wet, changes_per_s, outdoor, ground_c = 45.0, 0.01, 1.0 / 3600.0, 700.0, 14.0
    vapour_pa = 900.0
    for _ in range(20_000):
        vapour_pa = fault_shed.vapour_step(
            volume, wet, vapour_pa, outdoor, changes_per_s, ground_c, 25.0, 1e9, [40.0, 40.0]
        )
    share = wet / volume
    expected = (changes_per_s * outdoor + share * float(saturation_pa(ground_c))) / (
        changes_per_s + share
    )
    assert vapour_pa == pytest.approx(expected, rel=1e-4)


def test_lag_follows_the_closed_form_of_a_step() -> None:
    # First-order element after a step: 1 - exp(-t / tau); 63.2 % after one time constant.
    shown = lagged(np.concatenate([[0.0], np.ones(60)]), 120.0)
    times_s = STEP_S * np.arange(1, 61)
    np.testing.assert_allclose(shown[1:], 1.0 - np.exp(-times_s / 120.0), atol=1e-12)


def test_hull_in_still_air_follows_newtons_law_of_cooling() -> None:
    # Everything but the hull held at 10 degC: the two sides relax by C dT/dt = -UA (T - 10).
    build = Build(
        sun_w=0.0, heater_w=0.0, outdoor_mean_c=10.0, outdoor_swing_c=0.0, weather_k=0.0,
        deep_ground_c=10.0, cover_w_per_k=1e5, air_j_per_k=3e6, ground_w_per_k=0.0,
        hull_to_outside_w_per_k=(0.0, 0.0),
    )  # fmt: skip
    shed = fault_shed.lived(build, np.random.default_rng(1), 10.0)
    tau_s = build.hull_j_per_k[0] / build.hull_w_per_k[0]
    started_s = -fault_shed.WARM_UP_H * 3600.0  # at 12 degC, 18:00 the evening before
    expected = 10.0 + 2.0 * np.exp(-(shed.time_s - started_s) / tau_s)
    np.testing.assert_allclose(shed.hull_c[0], expected, atol=0.01)


# --- the score itself --------------------------------------------------------------------------


def evaluation(came_s: float, call: str, way: str = "") -> Heard:
    return Heard(came_s, call, way, {}, frozenset(), frozenset())


def test_go_held_over_a_broken_night_is_counted_and_a_stop_there_is_not() -> None:
    shed = shed_of(AIR_SEED, AIR_H, False)
    recording = recorded(shed, None, np.random.default_rng(1), EVERY_S)
    room = room_of(shed, 2)
    beyond = np.any([-room[name] > BOUNDS[name].guard for name in BOUNDS], axis=0)
    assert beyond.sum() * STEP_S > 3600.0
    always = scored(shed, recording, [evaluation(0.0, "GO")], None)
    assert always.beyond_min == pytest.approx(beyond.sum() * STEP_S / 60.0)
    assert always.missed_stop == always.broken_spans > 0
    assert always.lost_min == 0.0
    never = scored(shed, recording, [evaluation(0.0, "STOP", "false STOP")], None)
    assert never.beyond_min == never.missed_stop == 0
    assert never.lost_pct == 100.0


def test_knowing_advisor_waits_for_dwell_and_re_entry() -> None:
    minutes = np.repeat([5.0, -1.0, 5.0], 60)  # 10 min each
    room = {name: minutes.copy() for name in BOUNDS}
    none = {name: np.zeros(len(minutes)) for name in BOUNDS}
    go = knowing(room, none)
    assert not go[:59].any()
    assert go[59]
    assert not go[60:].any()  # 15 min inside are not through by the end


def test_waiting_is_put_down_to_what_it_follows() -> None:
    told = [("HOLD", "trend"), ("HOLD", "waiting"), ("GO", ""), ("HOLD", "waiting")]
    ways = ways_of([evaluation(float(k), call, way) for k, (call, way) in enumerate(told)])
    assert ways == ["trend", "trend", "", "waiting"]


def test_every_class_has_a_name_of_its_own_and_falsifies_channels_that_it_has() -> None:
    assert len(BY_NAME) == len(FAULTS) >= 32
    for fault in FAULTS:
        if fault.lone:
            config = config_text(("temp_bow", "rh_bow", "plank_port"))
            assert all(f'"{channel}"' in config for channel in fault.channels)
        assert not fault.frozen or fault.values is not None


def test_evaluations_are_timed_by_arrival_where_a_body_stamps_ten_minutes_ahead() -> None:
    shed = shed_of(AIR_SEED, AIR_H, False)
    fault = BY_NAME["clock-ahead"]
    recording = recorded(shed, fault, np.random.default_rng(1), 600.0)
    lines = "".join(
        f'{{"time": "{stamp(row.stamp_s)}", "call": "HOLD", "reasons": []}}\n'
        for row in recording.rows
        if "temp_bow" in row.cells
    )
    came = [each.came_s for each in heard(recording, lines)]
    assert came == [row.came_s for row in recording.rows if "temp_bow" in row.cells]


def test_fixed_thresholds_find_a_hull_probe_that_stands_and_leave_one_that_moves() -> None:
    shed = shed_of(AIR_SEED, AIR_H, False)
    fault = BY_NAME["stuck-only-hull"]
    recording = recorded(shed, fault, np.random.default_rng(1), EVERY_S)
    found = flags(recording, "plank_port")["flat line"]
    before = recording.times_s < recording.onset_s
    later = recording.times_s > recording.onset_s + 2.0 * FLAT_S
    assert found[later].all()
    assert not found[before].any()
    assert not flags(recording, "temp_bow")["flat line"].any()


# --- the classes -------------------------------------------------------------------------------


def failing(name: str, reason: str) -> object:
    return pytest.param(name, marks=pytest.mark.xfail(strict=True, reason=reason))


@pytest.mark.parametrize(
    "name",
    [
        failing(
            "stuck-only-hull",
            "in half degrees, beside air that a thermostat holds, a sound hull may stand as long",
        ),
        "stuck-only-body",
        "dither-only-body",
        "dither-humidity",
        "loop-only-body",
        "hull-fallen-off",
        "hull-jump",
    ],
)
def test_fault_that_shows_gives_at_most_five_minutes_of_go_beyond_the_guard(name: str) -> None:
    hours, seed = (HULL_H, HULL_SEED) if BY_NAME[name].of_hull else (AIR_H, AIR_SEED)
    score, _ = fault_run(name, seed, hours, EVERY_S)
    assert score.beyond_min <= GO_BEYOND_MIN


# Of the benchmark's eleven runs each, the one that gave 215, 52 and 14 min of GO beyond the guard;
# of sixty runs of a fallen probe by other seeds, the one that gave 328 (146).
@pytest.mark.parametrize(
    ("name", "seed", "every_s"),
    [
        ("hull-fallen-off", 17, 60.0),
        ("hull-fallen-off", 146, 60.0),
        ("loop-hull", 10, 20.0),
        ("sun-on-hull-probe", 9, 60.0),
    ],
)
def test_slow_fault_of_a_hull_in_half_degrees_gives_hardly_any_go_beyond_the_guard(
    name: str, seed: int, every_s: float
) -> None:
    score, recording = fault_run(name, seed, 36.0, every_s)
    half_degrees = recording.values["plank_port"] % 0.5
    assert not half_degrees.any()
    assert score.beyond_min <= GO_BEYOND_MIN


def test_body_whose_clock_is_ahead_silences_no_stop_and_costs_no_go() -> None:
    score, _ = fault_run("clock-ahead", AIR_SEED, AIR_H, EVERY_S)
    assert score.missed_stop == 0
    assert score.beyond_min <= GO_BEYOND_MIN
    assert score.lost_pct <= 25.0


def test_clean_sensors_give_no_go_beyond_the_guard_and_no_doubt() -> None:
    shed = shed_of(AIR_SEED, AIR_H, False)
    recording = recorded(shed, None, np.random.default_rng(2), EVERY_S)
    score = scored(shed, recording, played(recording), None)
    assert score.go_h > 2.0
    assert score.beyond_min <= GO_BEYOND_MIN
    assert score.missed_stop == 0
    assert score.doubts == 0
