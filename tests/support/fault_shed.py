"""A paint enclosure with physics of its own, for trials of faults: nothing of the program is used.

Air, two sides of a hull, ground and water vapour in balance with a day outside, in steps of 10 s.
Energy and vapour are plain first-order balances; the parameters are common practice for a
polytunnel with a small boat in it, no source. The saturation pressure is Wagner and Pruss (2002),
J. Phys. Chem. Ref. Data 31, 387, equation 2.5, another formulation than the program's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]

STEP_S = 10.0
WARM_UP_H = 14.0  # from 18:00 the evening before to 08:00, when a run begins
STARTS_AT_H = 8.0
GAS_CONSTANT_OF_VAPOUR = 461.52  # [J/(kg K)]
AIR_HEAT_J_PER_M3_K = 1206.0

_WAGNER = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
_POWERS = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
_CRITICAL_K, _CRITICAL_PA = 647.096, 22.064e6


def saturation_pa(temp_c: Column | float) -> Column:
    """Return the vapour pressure over liquid water [Pa], supercooled water under 0.01 °C."""
    kelvin = np.asarray(temp_c, dtype=float) + 273.15
    tau = 1.0 - kelvin / _CRITICAL_K
    total = sum(a * tau**power for a, power in zip(_WAGNER, _POWERS, strict=True))
    return np.asarray(_CRITICAL_PA * np.exp(_CRITICAL_K / kelvin * total))


_TABLE_C = np.linspace(-40.0, 60.0, 4001)
_TABLE_LN_PA = np.log(saturation_pa(_TABLE_C))


def dew_point_c(vapour_pa: Column | float) -> Column:
    """Return the temperature at which that vapour pressure saturates over water [°C]."""
    return np.interp(np.log(vapour_pa), _TABLE_LN_PA, _TABLE_C)


@dataclass(frozen=True, slots=True)
class Build:
    """What an enclosure is made of, and the weather that it stands in."""

    volume_m3: float = 45.0
    cover_w_per_k: float = 380.0
    air_changes_per_h: float = 0.8
    air_j_per_k: float = 150e3  # the air and what takes on its temperature at once
    hull_j_per_k: tuple[float, float] = (420e3, 480e3)
    hull_w_per_k: tuple[float, float] = (95.0, 105.0)
    hull_to_outside_w_per_k: tuple[float, float] = (6.0, 4.0)  # keel, cradle, radiation
    ground_j_per_k: float = 4.0e6
    ground_w_per_k: float = 110.0
    deep_ground_c: float = 11.0
    deep_w_per_k: float = 40.0
    heater_w: float = 3000.0
    heater_to_c: float = 19.0
    heater_from_h: float = 7.5
    heater_until_h: float = 18.5
    sun_w: float = 3500.0  # what a clear noon puts into the enclosure
    wet_ground_m3_per_s: float = 0.006  # wet area [m2] times transfer coefficient [m/s]
    outdoor_mean_c: float = 11.0
    outdoor_swing_c: float = 5.0
    outdoor_spread_k: float = 3.0  # mean temperature over mean dew point
    weather_k: float = 1.0


@dataclass(frozen=True, slots=True)
class Shed:
    """What was true, on a grid of 10 s; two places in the air (rows) and two on the hull."""

    time_s: Column  # from the run's beginning, at 08:00
    air_c: Column
    vapour_pa: Column
    hull_c: Column
    ground_c: Column
    outdoor_c: Column
    sun: Column  # 0 to 1

    @property
    def rh_pct(self) -> Column:
        """Return the relative humidity at both places [%]."""
        return 100.0 * self.vapour_pa / saturation_pa(self.air_c)

    @property
    def margin_k(self) -> Column:
        """Return how far each side of the hull stands over the dampest air's dew point [K]."""
        return np.asarray(self.hull_c - dew_point_c(self.vapour_pa.max(axis=0)))


def lagged(signal: Column, tau_s: float, step_s: float = STEP_S) -> Column:
    """Return what an element of first order shows of a signal held over each step."""
    if tau_s <= 0.0:
        return signal.copy()
    share = 1.0 - np.exp(-step_s / tau_s)
    out = np.empty_like(signal)
    shown = signal[0]
    for index, value in enumerate(signal):
        shown += share * (value - shown)
        out[index] = shown
    return out


def wandering(rng: np.random.Generator, count: int, tau_s: float, sd: float) -> Column:
    """Return noise of first order with that time constant and standard deviation."""
    keep = np.exp(-STEP_S / tau_s)
    pushes = rng.normal(0.0, sd * np.sqrt(1.0 - keep**2), count)
    pushes[0] = rng.normal(0.0, sd)
    out = np.empty(count)
    value = 0.0
    for index, push in enumerate(pushes):
        value = keep * value + push
        out[index] = value
    return out


def drawn(rng: np.random.Generator, *, cold_hull: bool = False) -> Build:
    """Return one enclosure in one sort of weather.

    A cold hull is heavy and loses much to the outside in a heated tent, so that the dew margin
    breaks at a humidity that is still good.
    """
    heater_from_h, heater_until_h = 7.5, rng.uniform(17.0, 21.0)
    if rng.random() < 0.4:
        heater_from_h, heater_until_h = 0.0, 24.0
    to_outside = (rng.uniform(3.0, 30.0), rng.uniform(3.0, 15.0))
    build = Build(
        cover_w_per_k=rng.uniform(250.0, 420.0),
        air_changes_per_h=rng.uniform(0.4, 1.5),
        hull_j_per_k=(rng.uniform(300e3, 1500e3), rng.uniform(300e3, 900e3)),
        hull_to_outside_w_per_k=to_outside,
        heater_w=float(rng.choice([1500.0, 2500.0, 3500.0])),
        heater_to_c=rng.uniform(15.0, 20.0),
        heater_from_h=heater_from_h,
        heater_until_h=heater_until_h,
        sun_w=rng.uniform(1500.0, 5000.0),
        outdoor_mean_c=rng.uniform(8.0, 15.0),
        outdoor_swing_c=rng.uniform(2.0, 6.0),
        outdoor_spread_k=rng.uniform(0.5, 5.0),
        deep_ground_c=rng.uniform(10.0, 13.0),
        wet_ground_m3_per_s=rng.uniform(0.002, 0.02),
    )
    if not cold_hull:
        return build
    return replace(
        build,
        hull_to_outside_w_per_k=(rng.uniform(80.0, 140.0), rng.uniform(80.0, 140.0)),
        heater_w=4500.0,
        heater_to_c=rng.uniform(16.0, 20.0),
        heater_from_h=0.0,
        heater_until_h=24.0,
        sun_w=rng.uniform(3500.0, 5500.0),
        outdoor_mean_c=rng.uniform(9.0, 14.0),
        outdoor_swing_c=rng.uniform(4.0, 7.0),
        outdoor_spread_k=rng.uniform(1.5, 5.0),
        wet_ground_m3_per_s=rng.uniform(0.004, 0.014),
    )


def lived(build: Build, rng: np.random.Generator, hours: float) -> Shed:
    """Return what comes to pass in an enclosure from 08:00 on."""
    before = round(WARM_UP_H * 3600.0 / STEP_S)
    count = before + round(hours * 3600.0 / STEP_S) + 1
    time_s = (np.arange(count) - before) * STEP_S
    hour = (time_s / 3600.0 + STARTS_AT_H) % 24.0
    weather = wandering(rng, count, 4.0 * 3600.0, build.weather_k)
    outdoor = (
        build.outdoor_mean_c
        + build.outdoor_swing_c * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
        + weather
    )
    clouds = 1.0 / (1.0 + np.exp(-2.0 * (wandering(rng, count, 1200.0, 1.0) + rng.normal(0, 0.7))))
    sun = np.clip(np.sin(np.pi * (hour - 6.5) / 11.5), 0.0, None) * (0.15 + 0.85 * clouds)
    outdoor_dew = (
        build.outdoor_mean_c - build.outdoor_spread_k + wandering(rng, count, 6.0 * 3600.0, 1.0)
    )
    outdoor_pa = np.minimum(saturation_pa(outdoor_dew), saturation_pa(outdoor))
    doors = np.zeros(count)
    for start in rng.uniform(0, count, max(1, round(hours / 6.0))):
        doors[int(start) : int(start) + int(rng.uniform(6, 40))] = rng.uniform(3.0, 12.0)
    wetness = np.full(count, build.wet_ground_m3_per_s)  # the floor is mopped now and then
    for start in rng.uniform(0, count, max(1, round(hours / 12.0))):
        wetness[int(start) : int(start) + int(rng.uniform(180, 900))] += rng.uniform(0.01, 0.06)
    by_hour = (hour >= build.heater_from_h) & (hour < build.heater_until_h)

    air, ground, heats = outdoor[0] + 2.0, build.deep_ground_c + 1.0, False
    hulls = [air, air]
    vapour = float(outdoor_pa[0]) * 1.05
    saturated = [float(each) for each in saturation_pa(outdoor)]
    airs, vapours, grounds = np.empty(count), np.empty(count), np.empty(count)
    hull_c = np.empty((2, count))
    for index in range(count):
        out_c, sunny = float(outdoor[index]), float(sun[index]) * build.sun_w
        changes_per_s = (build.air_changes_per_h + float(doors[index])) / 3600.0
        heats = bool(by_hour[index]) and air < build.heater_to_c + (0.5 if heats else -0.5)
        to_outside = build.cover_w_per_k + changes_per_s * build.volume_m3 * AIR_HEAT_J_PER_M3_K
        into_air = to_outside * (out_c - air) + build.ground_w_per_k * (ground - air)
        into_air += 0.3 * sunny + (build.heater_w if heats else 0.0)
        for side in range(2):
            flow = build.hull_w_per_k[side] * (air - hulls[side])
            into_air -= flow
            gained = flow + (0.25 if side else 0.1) * sunny
            gained -= build.hull_to_outside_w_per_k[side] * (hulls[side] - out_c)
            hulls[side] += STEP_S * gained / build.hull_j_per_k[side]
        into_ground = build.ground_w_per_k * (air - ground) + 0.3 * sunny
        into_ground += build.deep_w_per_k * (build.deep_ground_c - ground)
        ground += STEP_S * into_ground / build.ground_j_per_k
        air += STEP_S * into_air / build.air_j_per_k
        vapour = vapour_step(
            build.volume_m3, float(wetness[index]), vapour, float(outdoor_pa[index]),
            changes_per_s, ground, air, saturated[index], hulls,
        )  # fmt: skip
        airs[index], vapours[index], grounds[index] = air, vapour, ground
        hull_c[0, index], hull_c[1, index] = hulls
    from_now = slice(before, None)
    gradient = np.array([[0.3], [-0.3]]) * (0.3 + sun)
    air_c = airs + gradient
    for place in range(2):
        air_c[place] += wandering(rng, count, 150.0, 0.12)
    vapour_pa = np.vstack([vapours, vapours]) * (
        1.0 + np.vstack([wandering(rng, count, 300.0, 0.004) for _ in range(2)])
    )
    vapour_pa = np.minimum(vapour_pa, saturation_pa(air_c))
    return Shed(
        time_s=time_s[from_now],
        air_c=air_c[:, from_now],
        vapour_pa=vapour_pa[:, from_now],
        hull_c=hull_c[:, from_now],
        ground_c=grounds[from_now],
        outdoor_c=outdoor[from_now],
        sun=sun[from_now],
    )


def vapour_step(
    volume_m3: float,
    wet_m3_per_s: float,
    vapour_pa: float,
    outdoor_pa: float,
    changes_per_s: float,
    ground_c: float,
    air_c: float,
    cover_saturation_pa: float,
    hulls_c: list[float],
) -> float:
    """Return the vapour pressure a step later [Pa]: exchanged, evaporated, condensed.

    All in the air's own temperature, so that pressures stand for densities; the cover is as cold
    as outside and takes what is over its saturation, as do the sides of the hull.
    """
    flow = changes_per_s * (outdoor_pa - vapour_pa)
    wet = wet_m3_per_s / volume_m3
    flow += wet * max(0.0, _fast_saturation(ground_c) - vapour_pa)
    flow -= 0.05 / volume_m3 * max(0.0, vapour_pa - cover_saturation_pa)
    for hull_c in hulls_c:
        flow -= 0.02 / volume_m3 * max(0.0, vapour_pa - _fast_saturation(hull_c))
    return min(vapour_pa + STEP_S * flow, _fast_saturation(air_c))


_FAST_PA = [float(each) for each in np.exp(_TABLE_LN_PA)]


def _fast_saturation(temp_c: float) -> float:
    place = (temp_c + 40.0) * 40.0
    index = min(max(int(place), 0), 3999)
    low, high = _FAST_PA[index], _FAST_PA[index + 1]
    return low + (place - index) * (high - low)
