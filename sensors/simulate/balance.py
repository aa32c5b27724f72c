"""Heat and moisture of a simulated tent: what flows where, and one step of time; no randomness.

A small balance, good for showing how a night goes and for testing the program, not for building
a tent by. Nodes: the air, the plastic skin, the floor, and for each side of the hull a thin surface
(film and outer wood) over the planking. Water: vapour in the air, wet on the floor, wet on each
side; what condenses on the skin runs down to the floor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rules.units import ZERO_C_IN_K

# Water's heat of evaporation near 15 °C (handbook value, from memory).
LATENT_J_PER_KG = 2.466e6
# Of common paint solvents about 350 to 450 kJ/kg (from memory).
SOLVENT_LATENT_J_PER_KG = 4.0e5
AIR_J_PER_M3K = 1.2 * 1006.0
VAPOUR_GAS_CONSTANT = 461.5  # J/kgK
# Heat and mass transfer at one surface go together (Lewis relation): h_mass = h_heat /
# (rho cp Le^(2/3)), with Le = 0.865 for water vapour in air (from memory).
LEWIS_J_PER_M3K = AIR_J_PER_M3K * math.pow(0.865, 2.0 / 3.0)
# A surface with less water than this is wet in part [kg/m2] (common practice, no source).
FULLY_WET_KG_M2 = 0.05
# How fast fog falls out of air over saturation [s]; only has to be short.
FOG_S = 60.0

AIR, SKIN, FLOOR, VAPOUR, FLOOR_WATER, ENERGY_IN, WATER_IN = range(7)
SHARED, PER_SIDE = 7, 4
SURFACE, PLANK, SIDE_WATER, SOLVENT = range(PER_SIDE)


def saturation_pa(temp_c: float) -> float:
    """Return the saturation pressure of water vapour over liquid water.

    Args:
        temp_c: temperature, -45 to 60 [°C].

    Returns:
        Pressure [Pa].

    Source:
        Magnus form of WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B.
        On purpose not the formula of the rules, so that the simulated tent checks them.

    >>> round(saturation_pa(20.0), 1)
    2332.6
    """
    return 611.2 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def dew_point_c(vapour_pa: float) -> float:
    """Return the temperature at which vapour of a pressure condenses to water.

    Args:
        vapour_pa: vapour pressure, over 0 [Pa].

    Returns:
        Dew point over liquid water [°C].

    Source:
        The Magnus form of `saturation_pa`, solved for temperature.

    >>> round(dew_point_c(2332.6), 2)
    20.0
    """
    logarithm = math.log(vapour_pa / 611.2)
    return 243.12 * logarithm / (17.62 - logarithm)


def vapour_density(vapour_pa: float, temp_c: float) -> float:
    """Return the density of vapour [kg/m³] of a pressure [Pa] at a temperature [°C]."""
    return vapour_pa / (VAPOUR_GAS_CONSTANT * (temp_c + ZERO_C_IN_K))


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the hull.

    Attributes:
        area_m2: painted area [m²].
        sky_w_m2k: radiation straight to the sky through the plastic [W/m²K].
    """

    area_m2: float
    sky_w_m2k: float


@dataclass(frozen=True, slots=True)
class Build:
    """How the tent and the boat in it are built; every figure generic, no source.

    Attributes:
        volume_m3: air in the tent [m³].
        fittings_j_k: heat capacity of staging and gear that follows the air [J/K].
        skin_area_m2: plastic sheet [m²].
        skin_j_m2k: its heat capacity [J/m²K].
        skin_inside_w_m2k: from the air to the sheet [W/m²K].
        skin_outside_w_m2k: from the sheet to the air outside [W/m²K].
        skin_sky_w_m2k: radiation from the sheet to the sky [W/m²K].
        floor_area_m2: floor [m²].
        floor_j_m2k: heat capacity of the floor's top [J/m²K].
        floor_air_w_m2k: from the floor to the air [W/m²K].
        floor_ground_w_m2k: from the floor to the ground below [W/m²K].
        floor_damp: share of the floor that the ground keeps damp, 0 to 1.
        ground_temp_c: temperature of the ground below [°C].
        sides: of the hull.
        surface_j_m2k: heat capacity of film and outer wood [J/m²K].
        plank_j_m2k: heat capacity of the planking below [J/m²K].
        surface_plank_w_m2k: between the two [W/m²K].
        surface_air_w_m2k: convection from the surface to the air [W/m²K].
        surface_skin_w_m2k: radiation from the surface to the sheet [W/m²K].
        plank_air_w_m2k: from the planking to the air within the boat [W/m²K].
        solvent_flash_s: time in which a wet film loses 63 % of its solvent [s].
    """

    volume_m3: float = 90.0
    fittings_j_k: float = 60_000.0
    skin_area_m2: float = 85.0
    skin_j_m2k: float = 1_000.0
    skin_inside_w_m2k: float = 3.0
    skin_outside_w_m2k: float = 10.0
    skin_sky_w_m2k: float = 2.0
    floor_area_m2: float = 32.0
    floor_j_m2k: float = 120_000.0
    floor_air_w_m2k: float = 3.0
    floor_ground_w_m2k: float = 1.5
    floor_damp: float = 0.03
    ground_temp_c: float = 12.0
    sides: tuple[Side, ...] = (Side(11.0, 0.6), Side(11.0, 0.4))
    surface_j_m2k: float = 3_500.0
    plank_j_m2k: float = 17_000.0
    surface_plank_w_m2k: float = 13.0
    surface_air_w_m2k: float = 4.0
    surface_skin_w_m2k: float = 2.0
    plank_air_w_m2k: float = 2.0
    solvent_flash_s: float = 900.0


@dataclass(frozen=True, slots=True)
class Forcing:
    """What comes from outside and from people, at one time.

    Attributes:
        outside_temp_c: air outside [°C].
        outside_vapour_pa: vapour pressure outside [Pa].
        sky_temp_c: temperature that the sky radiates like [°C].
        sun_w: sunlight that warms the tent, shared by floor and hull [W].
        air_changes_per_s: of the tent's volume, by leaks and door [1/s].
        heater_w: heat into the air [W].
        heater_water_kg_s: water that burning fuel puts into the air [kg/s].
        solvent_kg_s: solvent that the brush lays on each side [kg/s].
    """

    outside_temp_c: float
    outside_vapour_pa: float
    sky_temp_c: float
    sun_w: float = 0.0
    air_changes_per_s: float = 0.0
    heater_w: float = 0.0
    heater_water_kg_s: float = 0.0
    solvent_kg_s: float = 0.0


def initial_state(build: Build, temp_c: float, rh_pct: float) -> list[float]:
    """Return a tent in which everything has one temperature and nothing is wet.

    Args:
        build: of the tent.
        temp_c: of all of it [°C].
        rh_pct: of its air [%].

    Returns:
        State, indexed by AIR ... WATER_IN, then SURFACE ... SOLVENT for each side.
    """
    vapour = vapour_density(rh_pct / 100.0 * saturation_pa(temp_c), temp_c) * build.volume_m3
    side = [temp_c, temp_c, 0.0, 0.0]
    return [temp_c, temp_c, temp_c, vapour, 0.0, 0.0, 0.0, *(side * len(build.sides))]


def vapour_pressure_pa(build: Build, state: Sequence[float]) -> float:
    """Return the vapour pressure of the tent's air [Pa]."""
    return state[VAPOUR] / build.volume_m3 * VAPOUR_GAS_CONSTANT * (state[AIR] + ZERO_C_IN_K)


def rates(build: Build, state: Sequence[float], forcing: Forcing) -> list[float]:
    """Return how fast each part of the state changes, by the second.

    Args:
        build: of the tent.
        state: as from `initial_state`.
        forcing: what comes from outside.

    Returns:
        K/s and kg/s, and for ENERGY_IN and WATER_IN what crosses the tent's bounds [W, kg/s].
    """
    air_c, skin_c, floor_c = state[AIR], state[SKIN], state[FLOOR]
    density = state[VAPOUR] / build.volume_m3
    air = (vapour_pressure_pa(build, state), air_c)
    outside_c, sky_c = forcing.outside_temp_c, forcing.sky_temp_c

    # Sums of heat into each node [W], and of vapour into the air [kg/s].
    air_w = forcing.heater_w
    skin_w = floor_w = 0.0
    vapour = forcing.heater_water_kg_s
    floor_water = 0.0
    energy_in = forcing.heater_w + forcing.sun_w
    water_in = forcing.heater_water_kg_s

    flow = build.volume_m3 * forcing.air_changes_per_s
    leak_w = flow * AIR_J_PER_M3K * (outside_c - air_c)
    leak_kg = flow * (vapour_density(forcing.outside_vapour_pa, outside_c) - density)
    air_w += leak_w
    vapour += leak_kg
    energy_in += leak_w
    water_in += leak_kg

    inside_w = build.skin_inside_w_m2k * build.skin_area_m2 * (air_c - skin_c)
    air_w -= inside_w
    outside_w = build.skin_area_m2 * (
        build.skin_outside_w_m2k * (outside_c - skin_c) + build.skin_sky_w_m2k * (sky_c - skin_c)
    )
    dripping = max(0.0, _mass_flow(build.skin_inside_w_m2k, build.skin_area_m2, air, skin_c))
    skin_w += inside_w + outside_w + LATENT_J_PER_KG * dripping
    vapour -= dripping
    floor_water += dripping
    energy_in += outside_w

    onto_floor = _mass_flow(build.floor_air_w_m2k, build.floor_area_m2, air, floor_c)
    from_ground = 0.0
    if onto_floor < 0.0:
        wet = min(1.0, state[FLOOR_WATER] / (FULLY_WET_KG_M2 * build.floor_area_m2))
        from_ground = -onto_floor * build.floor_damp * (1.0 - wet)
        onto_floor *= wet
    floor_water += onto_floor
    vapour += from_ground - onto_floor
    water_in += from_ground
    floor_air_w = build.floor_air_w_m2k * build.floor_area_m2 * (air_c - floor_c)
    ground_w = build.floor_ground_w_m2k * build.floor_area_m2 * (build.ground_temp_c - floor_c)
    air_w -= floor_air_w
    floor_w += floor_air_w + ground_w + 0.6 * forcing.sun_w
    floor_w += LATENT_J_PER_KG * (onto_floor - from_ground)
    energy_in += ground_w

    fog = max(0.0, state[VAPOUR] - build.volume_m3 * _saturation_density(air_c)) / FOG_S
    vapour -= fog
    floor_water += fog
    air_w += LATENT_J_PER_KG * fog

    sides: list[float] = []
    for number, side in enumerate(build.sides):
        base = SHARED + PER_SIDE * number
        surface_c, plank_c, water, solvent = state[base : base + PER_SIDE]
        area = side.area_m2
        air_side_w = build.surface_air_w_m2k * area * (air_c - surface_c)
        skin_side_w = build.surface_skin_w_m2k * area * (skin_c - surface_c)
        sky_w = side.sky_w_m2k * area * (sky_c - surface_c)
        inward_w = build.surface_plank_w_m2k * area * (surface_c - plank_c)
        within_w = build.plank_air_w_m2k * area * (air_c - plank_c)
        sun_w = 0.4 * forcing.sun_w / len(build.sides)
        dew = _mass_flow(build.surface_air_w_m2k, area, air, surface_c)
        if dew < 0.0:
            dew *= min(1.0, water / (FULLY_WET_KG_M2 * area))
        flash = solvent / build.solvent_flash_s
        flash_w = SOLVENT_LATENT_J_PER_KG * flash
        surface_w = air_side_w + skin_side_w + sky_w - inward_w + sun_w - flash_w
        surface_w += LATENT_J_PER_KG * dew
        air_w -= air_side_w + within_w
        skin_w -= skin_side_w
        vapour -= dew
        energy_in += sky_w - flash_w
        sides += [
            surface_w / (build.surface_j_m2k * area),
            (inward_w + within_w) / (build.plank_j_m2k * area),
            dew,
            forcing.solvent_kg_s - flash,
        ]

    energy_in += LATENT_J_PER_KG * (leak_kg + forcing.heater_water_kg_s)
    return [
        air_w / (build.volume_m3 * AIR_J_PER_M3K + build.fittings_j_k),
        skin_w / (build.skin_j_m2k * build.skin_area_m2),
        floor_w / (build.floor_j_m2k * build.floor_area_m2),
        vapour,
        floor_water,
        energy_in,
        water_in,
        *sides,
    ]


def step(build: Build, state: Sequence[float], forcing: Forcing, duration_s: float) -> list[float]:
    """Carry the state forward with forcing held, by the classic Runge-Kutta rule of order four.

    Args:
        build: of the tent.
        state: as from `initial_state`.
        forcing: held constant for the step.
        duration_s: length of the step, at most 20 [s]; the skin follows within about 60 s.

    Returns:
        The state after the step.
    """
    half = duration_s / 2.0
    first = rates(build, state, forcing)
    second = rates(build, [s + half * r for s, r in zip(state, first, strict=True)], forcing)
    third = rates(build, [s + half * r for s, r in zip(state, second, strict=True)], forcing)
    fourth = rates(build, [s + duration_s * r for s, r in zip(state, third, strict=True)], forcing)
    sixth = duration_s / 6.0
    return [
        s + sixth * (a + 2.0 * (b + c) + d)
        for s, a, b, c, d in zip(state, first, second, third, fourth, strict=True)
    ]


def stored(build: Build, state: Sequence[float]) -> tuple[float, float]:
    """Return the heat [J, from 0 °C and liquid water] and the water [kg] that the tent holds."""
    heat = (build.volume_m3 * AIR_J_PER_M3K + build.fittings_j_k) * state[AIR]
    heat += build.skin_j_m2k * build.skin_area_m2 * state[SKIN]
    heat += build.floor_j_m2k * build.floor_area_m2 * state[FLOOR]
    heat += LATENT_J_PER_KG * state[VAPOUR]
    water = state[VAPOUR] + state[FLOOR_WATER]
    for number, side in enumerate(build.sides):
        base = SHARED + PER_SIDE * number
        heat += side.area_m2 * build.surface_j_m2k * state[base + SURFACE]
        heat += side.area_m2 * build.plank_j_m2k * state[base + PLANK]
        water += state[base + SIDE_WATER]
    return heat, water


def _saturation_density(temp_c: float) -> float:
    return vapour_density(saturation_pa(temp_c), temp_c)


def _mass_flow(
    heat_w_m2k: float, area_m2: float, air: tuple[float, float], surface_c: float
) -> float:
    """Water that condenses on a surface [kg/s]; negative is what it would give off, wholly wet.

    Vapour flows with its pressure, not its density: a surface at the dew point gains and loses
    nothing, whatever the air's temperature. `air` is its vapour pressure [Pa] and temperature [°C].
    """
    vapour_pa, air_c = air
    mean_k = (air_c + surface_c) / 2.0 + ZERO_C_IN_K
    metres_s = heat_w_m2k / LEWIS_J_PER_M3K
    return (
        metres_s * area_m2 * (vapour_pa - saturation_pa(surface_c)) / (VAPOUR_GAS_CONSTANT * mean_k)
    )
