"""The simulated tent obeys conservation and hand arithmetic, and its sensors fail as told.

Every expected figure is worked out here from the settings, or comes from a named source; the
tent's own code computes none of them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from scipy.integrate import solve_ivp

from sensors.reading import Quality, Quantity, Reading
from sensors.simulate import balance
from sensors.simulate.balance import Build, Forcing, Side
from sensors.simulate.probe import FaultKind, ProbeState
from sensors.simulate.tent import Action, Fault, Probe, Tent, TentSettings, TrueState, demo_night

START_S = 1_791_907_200.0
CALM = TentSettings(weather_wander_k=0.0)
TINY = 1e-9


def test_saturation_pressure_against_the_ashrae_table() -> None:
    """ASHRAE Handbook Fundamentals 2017, chapter 1, table 3 [Pa].

    The Magnus form lies up to 0.3 % below it between 20 and 30 °C; WMO-No. 8 states 0.6 %.
    """
    for temp_c, pressure_pa in ((5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)):
        assert balance.saturation_pa(temp_c) == pytest.approx(pressure_pa, rel=0.0035)


def test_dew_point_against_computed_values() -> None:
    """CoolProp 8.0 HAPropsSI, computed independently: 15 °C/85 % is 12.502, 20 °C/50 % 9.274 °C."""
    for temp_c, rh, expected_c in ((15.0, 0.85, 12.502), (20.0, 0.50, 9.274)):
        assert balance.dew_point_c(rh * balance.saturation_pa(temp_c)) == pytest.approx(
            expected_c, abs=0.03
        )


def busy_tent() -> Tent:
    actions = (
        Action(START_S, "heater-on", 3000.0),
        Action(START_S + 600.0, "floor-wetted", 3.0),
        Action(START_S + 1200.0, "coat-started", 2.0),
        Action(START_S + 3600.0, "door-open"),
        Action(START_S + 4200.0, "door-closed"),
        Action(START_S + 5000.0, "coat-ended"),
        Action(START_S + 7200.0, "heater-off"),
    )
    return Tent(TentSettings(heater="unflued"), 3, START_S, actions)


def test_heat_and_water_are_conserved_through_a_busy_night() -> None:
    tent = busy_tent()
    build = tent.settings.build
    heat_j, water_kg = balance.stored(build, tent.state)
    heat_in_j, water_in_kg = tent.state[balance.ENERGY_IN], tent.state[balance.WATER_IN]
    wettest_kg = 0.0
    moved_j = 0.0
    for truth, _ in tent.run(12 * 3600.0):
        now_j, now_kg = balance.stored(build, tent.state)
        in_j = tent.state[balance.ENERGY_IN] - heat_in_j
        in_kg = tent.state[balance.WATER_IN] - water_in_kg
        moved_j = max(moved_j, abs(in_j))
        wettest_kg = max(wettest_kg, sum(truth.surface_water_kg.values()))
        # Rounding of sums of 1e8 J over 4,320 steps.
        assert now_j - heat_j == pytest.approx(in_j, abs=0.1)
        assert now_kg - water_kg == pytest.approx(in_kg, abs=1e-9)
    assert moved_j > 1e7, "the check is worth something only where heat moved"
    assert wettest_kg > 0.0, "and where dew fell"


def bare(**changes: float) -> Build:
    """A tent of skin only: no floor and no boat to speak of."""
    return replace(
        Build(floor_area_m2=TINY, sides=(Side(TINY, 0.0),), volume_m3=100.0, skin_area_m2=80.0),
        **changes,
    )


def settled(build: Build, forcing: Forcing, hours: float = 6.0) -> list[float]:
    state = balance.initial_state(build, 10.0, 50.0)
    for _ in range(int(hours * 360)):
        state = balance.step(build, state, forcing, 10.0)
    return state


def test_a_heated_tent_of_skin_settles_where_hand_arithmetic_says() -> None:
    """2400 W through 80 m2: 3 W/m2K inside gives 10 K; 10 W/m2K outside and 2 W/m2K to the sky.

    With the sky 12 K below the air: 12 (Ts - To) + 24 = 30 W/m2, so Ts - To = 0.5 K and the air
    is at To + 10.5 K.
    """
    dry = Forcing(10.0, 100.0, -2.0, heater_w=2400.0)
    state = settled(bare(skin_inside_w_m2k=3.0, skin_outside_w_m2k=10.0, skin_sky_w_m2k=2.0), dry)
    assert state[balance.SKIN] == pytest.approx(10.5, abs=1e-3)
    assert state[balance.AIR] == pytest.approx(20.5, abs=1e-3)


def test_leaking_air_carries_heat_away_as_hand_arithmetic_says() -> None:
    """100 m3 once an hour is 100/3600 * 1.2 * 1006 = 33.533 W/K; 335.33 W give 10 K.

    The skin passes next to nothing here.
    """
    forcing = Forcing(10.0, 600.0, 10.0, air_changes_per_s=1 / 3600, heater_w=335.33)
    state = settled(bare(skin_area_m2=TINY), forcing, hours=24.0)
    assert state[balance.AIR] == pytest.approx(20.0, abs=1e-2)


def test_fuel_burnt_in_the_tent_wets_it_as_hand_arithmetic_says() -> None:
    """0.1 kg of propane an hour gives 0.163 kg of water (REFERENCES: 1 kg gives 1.63 kg).

    Two changes an hour of 100 m3 carry it off at 0.163/200 kg/m3 = 0.817 g/m3 over the outside.
    """
    tent = Tent(
        replace(
            CALM,
            heater="unflued",
            build=bare(floor_damp=0.0),
            air_changes_per_h=2.0,
            outside_swing_k=0.0,
            outside_mean_c=15.0,
            sun_noon_w=0.0,
            sky_below_air_k=0.0,
            probes=(),
        ),
        1,
        START_S,
        (Action(START_S - 21_600.0, "heater-on", 0.1 * 46.4e6 / 3600.0),),
    )
    outside = balance.vapour_density(balance.saturation_pa(7.5), 15.0)
    assert tent.state[balance.VAPOUR] / 100.0 - outside == pytest.approx(0.817e-3, rel=2e-3)


def test_a_wet_surface_in_moving_air_cools_to_the_wet_bulb() -> None:
    """25 °C and 50 %: wet bulb 17.889 °C (PsychroLib 2.5.0, computed independently).

    A surface that exchanges only with the air settles there by the Lewis relation. Latent heat
    taken as constant, the Magnus form and the density of dry air are worth 0.4 K together.
    """
    build = Build(
        volume_m3=1e9,
        skin_area_m2=TINY,
        floor_area_m2=TINY,
        sides=(Side(10.0, 0.0),),
        surface_skin_w_m2k=0.0,
        surface_plank_w_m2k=0.0,
    )
    state = balance.initial_state(build, 25.0, 50.0)
    state[balance.SHARED + balance.SIDE_WATER] = 20.0
    forcing = Forcing(25.0, 0.5 * balance.saturation_pa(25.0), 25.0)
    for _ in range(720):
        state = balance.step(build, state, forcing, 10.0)
    assert state[balance.SHARED + balance.SURFACE] == pytest.approx(17.889, abs=0.4)


def test_solvent_cools_the_film_as_hand_arithmetic_says() -> None:
    """Paint laid on without end: 0.2 g/s of solvent on 10 m2 leaves at the rate it comes.

    0.2e-3 * 4e5 / 10 = 8 W/m2 against 4 W/m2K of convection alone: 2 K under the air.
    """
    build = Build(
        volume_m3=1e9,
        skin_area_m2=TINY,
        floor_area_m2=TINY,
        sides=(Side(10.0, 0.0),),
        surface_air_w_m2k=4.0,
        surface_skin_w_m2k=0.0,
        surface_plank_w_m2k=0.0,
    )
    state = balance.initial_state(build, 20.0, 30.0)
    for _ in range(1440):
        state = balance.step(build, state, Forcing(20.0, 700.0, 20.0, solvent_kg_s=2e-4), 10.0)
    assert state[balance.SHARED + balance.SURFACE] == pytest.approx(18.0, abs=0.01)
    assert state[balance.SHARED + balance.SOLVENT] == pytest.approx(2e-4 * 900.0, rel=1e-3)


def test_the_step_agrees_with_an_independent_integrator() -> None:
    """scipy's LSODA at tight tolerances over two hours with heater, wet floor and paint."""
    build = Build()
    forcing = Forcing(
        8.0,
        900.0,
        -6.0,
        500.0,
        1 / 3600,
        heater_w=3000.0,
        heater_water_kg_s=1e-4,
        solvent_kg_s=5e-5,
    )
    start = balance.initial_state(build, 9.0, 90.0)
    start[balance.FLOOR_WATER] = 3.0
    state = list(start)
    for _ in range(720):
        state = balance.step(build, state, forcing, 10.0)
    exact = solve_ivp(
        lambda _, y: balance.rates(build, y, forcing),
        (0.0, 7200.0),
        start,
        method="LSODA",
        rtol=1e-10,
        atol=1e-10,
    )
    assert exact.success
    end = [float(value) for value in exact.y[:, -1]]
    for at, (got, expected) in enumerate(zip(state, end, strict=True)):
        if at != balance.ENERGY_IN:
            assert got == pytest.approx(expected, abs=1e-4), at


def test_the_length_of_the_step_does_not_matter() -> None:
    ends = []
    for step_s in (5.0, 10.0, 60.0):
        tent = Tent(CALM, 1, START_S, (Action(START_S, "heater-on"),))
        ends.append(list(tent.run(7200.0, step_s))[-1][0])
    for end in ends[1:]:
        assert end.time_s == ends[0].time_s
        assert end.air_temp_c == pytest.approx(ends[0].air_temp_c, abs=0.005)
        assert end.rh_pct == pytest.approx(ends[0].rh_pct, abs=0.02)


def night(seed: int = 7, faults: tuple[Fault, ...] = ()) -> list[tuple[TrueState, list[Reading]]]:
    settings, actions, start_s, duration_s = demo_night(seed)
    return list(Tent(settings, seed, start_s, actions, faults).run(duration_s))


def test_one_seed_is_one_night_and_another_seed_another() -> None:
    assert night(7) == night(7)
    assert night(7)[-1][0].air_temp_c != night(8)[-1][0].air_temp_c


# 3 K over the dew point (ISO 8502-4), 85 % and 10 to 35 °C: the general guidance of the design.
@pytest.mark.parametrize("seed", [1, 2, 7])
def test_the_demo_night_is_good_then_wet_then_good_with_room_to_spare(seed: int) -> None:
    states = [truth for truth, _ in night(seed)]

    def between(first_h: float, last_h: float) -> list[TrueState]:
        return [s for s in states if first_h <= (s.time_s - START_S) / 3600.0 <= last_h]

    for truth in between(0.0, 5.5) + between(16.0, 16.5):
        assert truth.dew_margin_k > 5.5
        assert truth.rh_pct < 70.0
        assert all(14.0 < temp_c < 32.0 for temp_c in truth.surface_temps_c.values())
    assert min(truth.dew_margin_k for truth in between(8.0, 12.0)) < -0.2
    assert max(sum(truth.surface_water_kg.values()) for truth in states) > 0.02
    assert max(truth.rh_pct for truth in between(8.0, 12.0)) > 92.0


def test_wetting_the_floor_raises_the_dew_point_within_a_quarter_of_an_hour() -> None:
    states = [truth for truth, _ in night()]
    wetted_s = START_S + 5.75 * 3600.0
    before = next(s for s in states if s.time_s == wetted_s)
    after = next(s for s in states if s.time_s == wetted_s + 900.0)
    assert after.dew_point_c - before.dew_point_c > 1.5


def test_readings_are_the_truth_with_lag_offset_noise_and_resolution() -> None:
    run = night()
    quiet = [(t, r) for t, r in run if 3 * 3600 < t.time_s - START_S < 5 * 3600]
    probes = {(p.point, p.quantity): p for p in TentSettings().probes}
    for key, probe in probes.items():
        if probe.quantity is Quantity.HUMIDITY:
            continue
        errors = []
        for truth, readings in quiet:
            value = next(r.value for r in readings if (r.point, r.quantity) == key)
            true = truth.surface_temps_c.get(probe.point, truth.air_temp_c + probe.local_k)
            errors.append(value - true)
            assert math.isclose(
                value / probe.resolution, round(value / probe.resolution), abs_tol=1e-3
            )
        mean = sum(errors) / len(errors)
        spread = math.sqrt(sum((e - mean) ** 2 for e in errors) / (len(errors) - 1))
        # The mean also holds the lag: at most 1 K an hour times 45 s.
        assert mean == pytest.approx(probe.offset, abs=0.02)
        # Rounding adds a rectangle of one resolution to the noise (JCGM 100, 4.3.7).
        assert spread == pytest.approx(
            math.hypot(probe.noise, probe.resolution / math.sqrt(12)), rel=0.25
        )


def test_a_probe_follows_a_step_by_its_lag() -> None:
    """63.2 % of a step after one time constant: the definition of it."""
    slow = Probe("air-bow", Quantity.AIR_TEMP, 0.0, 0.001, 100.0)
    state = ProbeState(slow, (), 1)
    assert state.read(10.0, 0.0) == 10.0
    for second in range(10, 101, 10):
        value = state.read(20.0, float(second))
    assert value == pytest.approx(16.321, abs=0.001)


def series(
    kind: FaultKind, quantity: Quantity | None, amount: float = 0.0
) -> tuple[list[Reading], list[Reading], list[Reading], list[Reading]]:
    """The faulty point's readings with and without the fault, and another point's likewise."""
    fault = Fault(kind, "air-bow", quantity, START_S + 600.0, START_S + 1200.0, amount)
    split = []
    for faults in ((fault,), ()):
        readings = [r for _, row in Tent(CALM, 5, START_S, (), faults).run(1800.0) for r in row]
        split.append([r for r in readings if r.point == "air-bow"])
        split.append([r for r in readings if r.point != "air-bow"])
    return split[0], split[2], split[1], split[3]


def during(readings: list[Reading], quantity: Quantity) -> list[float]:
    return [
        r.value for r in readings if r.quantity is quantity and 600.0 <= r.time_s - START_S < 1200.0
    ]


def test_a_dead_body_sends_nothing_and_comes_back_as_if_nothing_had_been() -> None:
    faulty, sound, others, others_sound = series("dead", None)
    assert during(faulty, Quantity.AIR_TEMP) == during(faulty, Quantity.HUMIDITY) == []
    assert [r for r in faulty if r.time_s >= START_S + 1200.0] == [
        r for r in sound if r.time_s >= START_S + 1200.0
    ]
    assert others == others_sound


def test_a_stuck_probe_repeats_its_last_value() -> None:
    faulty, sound, others, others_sound = series("stuck", Quantity.AIR_TEMP)
    before = [r for r in sound if r.quantity is Quantity.AIR_TEMP and r.time_s < START_S + 600.0]
    assert set(during(faulty, Quantity.AIR_TEMP)) == {before[-1].value}
    assert len(set(during(sound, Quantity.AIR_TEMP))) > 3
    assert during(faulty, Quantity.HUMIDITY) == during(sound, Quantity.HUMIDITY)
    assert others == others_sound


def test_a_drifting_probe_moves_away_by_the_hour() -> None:
    faulty, sound, _, _ = series("drift", Quantity.AIR_TEMP, 6.0)
    apart = [
        a - b
        for a, b in zip(
            during(faulty, Quantity.AIR_TEMP), during(sound, Quantity.AIR_TEMP), strict=True
        )
    ]
    # 6 K an hour are 1 K in ten minutes; both are rounded to 0.01 K.
    assert apart == pytest.approx([i * 10 / 600 for i in range(60)], abs=0.0101)


def test_a_wet_humidity_probe_shows_a_hundred() -> None:
    faulty, sound, _, _ = series("wet", None)
    assert set(during(faulty, Quantity.HUMIDITY)) == {100.0}
    assert during(faulty, Quantity.AIR_TEMP) == during(sound, Quantity.AIR_TEMP)


def test_a_spike_is_one_reading() -> None:
    faulty, sound, _, _ = series("spike", Quantity.AIR_TEMP, 15.0)
    differing = [(a, b) for a, b in zip(faulty, sound, strict=True) if a != b]
    assert len(differing) == 1
    assert differing[0][0].value - differing[0][1].value == pytest.approx(15.0, abs=0.0101)
    assert differing[0][0].time_s == START_S + 600.0


def test_every_reading_is_ok_and_at_its_interval() -> None:
    settings = replace(CALM, interval_s=30.0)
    rows = [row for _, row in Tent(settings, 1, START_S).run(600.0) if row]
    assert [row[0].time_s - START_S for row in rows] == [30.0 * i for i in range(21)]
    for a, b in pairwise(rows):
        assert [(r.point, r.quantity) for r in a] == [(r.point, r.quantity) for r in b]
    assert {r.quality for row in rows for r in row} == {Quality.OK}
    assert {r.enclosure for row in rows for r in row} == {"polytunnel"}


def test_run_may_go_on_where_it_stopped() -> None:
    whole = [t for t, _ in Tent(CALM, 1, START_S).run(1200.0)]
    tent = Tent(CALM, 1, START_S)
    halves = [t for t, _ in tent.run(600.0)] + [t for t, _ in tent.run(600.0)]
    assert halves[-1] == whole[-1]


def test_what_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="no such point"):
        Tent(CALM, 1, START_S, (), (Fault("dead", "keel", None, START_S),))
    with pytest.raises(ValueError, match="'tea-break' is not one of"):
        Tent(CALM, 1, START_S, (Action(START_S, "tea-break"),))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="not simulated"):
        Tent(replace(CALM, probes=(Probe("air", Quantity.CO2, 1, 1, 1),)), 1, START_S)
    with pytest.raises(ValueError, match="step_s"):
        next(Tent(CALM, 1, START_S).run(60.0, 0.0))


def test_the_workboats_readme_tells_the_night_as_it_goes() -> None:
    """The times of the table in examples/workboat/README.md, for its seed."""
    settings, actions, start_s, duration_s = demo_night(7)
    tent = Tent(replace(settings, interval_s=30.0), 7, start_s, actions)
    states = [truth for truth, _ in tent.run(duration_s, 30.0)]
    crossings = [
        (bound, (b.time_s - START_S) / 60.0)
        for a, b in pairwise(states)
        for bound in (3.0, 0.0)
        if (a.dew_margin_k > bound) != (b.dew_margin_k > bound)
    ]
    assert [bound for bound, _ in crossings] == [3.0, 0.0, 0.0, 3.0]
    # 22:40, 00:48, 04:39 and 05:35, in minutes after 16:00; the table has whole minutes.
    assert [minute for _, minute in crossings] == pytest.approx([400, 528, 759, 815], abs=1.0)
