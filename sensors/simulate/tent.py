"""A simulated tent with a clinker workboat in it: the truth of a night, and what sensors say of it.

It yields the same `Reading` as a broker or a recording. Nothing here reads a clock: the start is
an argument, and one seed gives one night.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from sensors.reading import Quality, Quantity, Reading
from sensors.simulate import balance
from sensors.simulate.balance import Build, Forcing
from sensors.simulate.probe import Fault, Probe, ProbeState

__all__ = ["Action", "Build", "Fault", "Probe", "Tent", "TentSettings", "TrueState", "demo_night"]

ActionKind = Literal[
    "heater-on",
    "heater-off",
    "floor-wetted",
    "door-open",
    "door-closed",
    "coat-started",
    "coat-ended",
]
# 1 kg of propane gives 46.4 MJ (lower heating value, from memory) and 1.63 kg of water (by the
# equation C3H8 + 5 O2 = 3 CO2 + 4 H2O: 4 x 18.015 / 44.10).
PROPANE_WATER_KG_PER_J = 1.634 / 46.4e6
# Longest step of the balance [s].
SUBSTEP_S = 10.0
WEATHER_WANDER_S = 3600.0


def _default_probes() -> tuple[Probe, ...]:
    return (
        Probe("air-bow", Quantity.AIR_TEMP, 0.05, 0.01, 20.0, 0.08, 0.3),
        Probe("air-bow", Quantity.HUMIDITY, 0.25, 0.1, 30.0, -0.6, 0.3),
        Probe("air-stern", Quantity.AIR_TEMP, 0.05, 0.01, 20.0, -0.05, -0.3),
        Probe("air-stern", Quantity.HUMIDITY, 0.25, 0.1, 30.0, 0.5, -0.3),
        Probe("plank-port", Quantity.SURFACE_TEMP, 0.04, 0.0625, 45.0, -0.1, side=0),
        Probe("plank-stbd", Quantity.SURFACE_TEMP, 0.04, 0.0625, 45.0, 0.1, side=1),
    )


@dataclass(frozen=True, slots=True)
class TentSettings:
    """The tent, its weather, its heater and its sensors; defaults are an autumn creek side.

    Every figure is generic, no source: a polytunnel over a 6 m clinker workboat.

    Attributes:
        enclosure: name that the readings carry.
        build: dimensions and heat paths.
        probes: the sensors.
        interval_s: between two readings of a probe [s].
        outside_mean_c: mean of the day's air temperature outside [°C].
        outside_swing_k: from that mean to the afternoon's top [K].
        outside_dew_point_c: dew point outside, where the air is not colder than that [°C].
        outside_rh_top_pct: humidity outside never exceeds this [%].
        sky_below_air_k: how much colder than the air the clear sky radiates [K].
        weather_wander_k: standard deviation of slow changes of the outside temperature [K].
        sunrise_h: hour of the day [h, UTC].
        sunset_h: hour of the day [h, UTC].
        sun_noon_w: sunlight that warms the tent at the middle of the day [W].
        air_changes_per_h: by leaks [1/h].
        door_air_changes_per_h: more, while the door is open [1/h].
        heater: `electric`, or `unflued` for burning propane in the tent, which adds water.
        heater_w: heat of the heater where an action gives none [W].
        coat_litres: paint of a coat where an action gives none [L].
        coat_duration_s: time in which that is laid on [s].
        solvent_kg_per_litre: in the paint as applied [kg/L].
        spin_up_s: run before the start, so that the tent is not at one temperature [s].
    """

    enclosure: str = "polytunnel"
    build: Build = field(default_factory=Build)
    probes: tuple[Probe, ...] = field(default_factory=_default_probes)
    interval_s: float = 10.0
    outside_mean_c: float = 11.0
    outside_swing_k: float = 3.5
    outside_dew_point_c: float = 7.5
    outside_rh_top_pct: float = 97.0
    sky_below_air_k: float = 15.0
    weather_wander_k: float = 0.3
    sunrise_h: float = 6.4
    sunset_h: float = 17.3
    sun_noon_w: float = 2500.0
    air_changes_per_h: float = 1.0
    door_air_changes_per_h: float = 8.0
    heater: Literal["electric", "unflued"] = "electric"
    heater_w: float = 4000.0
    coat_litres: float = 1.5
    coat_duration_s: float = 3600.0
    solvent_kg_per_litre: float = 0.35
    spin_up_s: float = 21_600.0


@dataclass(frozen=True, slots=True)
class Action:
    """What a person does in the tent; it takes effect with the first step at or after its time.

    Attributes:
        time_s: when, seconds since 1970 [s].
        kind: what.
        amount: heat [W] for heater-on, water [L] for floor-wetted, paint [L] for coat-started;
            None takes the settings' figure (2 L of water).
    """

    time_s: float
    kind: ActionKind
    amount: float | None = None


@dataclass(frozen=True, slots=True)
class TrueState:
    """How the tent really is at one time, which no sensor knows.

    Attributes:
        time_s: seconds since 1970 [s].
        air_temp_c: mean of the air [°C].
        rh_pct: over liquid water, at that mean [%].
        dew_point_c: over liquid water [°C].
        surface_temps_c: hull surface by the point on it [°C].
        surface_water_kg: dew on each side, by the same points [kg].
        skin_temp_c: plastic sheet [°C].
        floor_temp_c: floor [°C].
        floor_water_kg: water on the floor [kg].
        solvent_kg: solvent still in the film [kg].
        outside_temp_c: air outside [°C].
        heater_w: heat from the heater [W].
    """

    time_s: float
    air_temp_c: float
    rh_pct: float
    dew_point_c: float
    surface_temps_c: Mapping[str, float]
    surface_water_kg: Mapping[str, float]
    skin_temp_c: float
    floor_temp_c: float
    floor_water_kg: float
    solvent_kg: float
    outside_temp_c: float
    heater_w: float

    @property
    def dew_margin_k(self) -> float:
        """Coldest hull surface less the dew point [K]."""
        return min(self.surface_temps_c.values()) - self.dew_point_c


class Tent:
    """A tent that is run once, from its start; `run` may be called again to go on.

    Args:
        settings: of the tent.
        seed: of weather and sensor noise.
        start_s: seconds since 1970 [s].
        actions: what people do; those up to `spin_up_s` before the start shape how it begins.
        faults: what goes wrong with the sensors.

    Raises:
        ValueError: an unknown action, a fault of a point that is not there, or a side that is not.
    """

    def __init__(
        self,
        settings: TentSettings,
        seed: int,
        start_s: float,
        actions: Sequence[Action] = (),
        faults: Sequence[Fault] = (),
    ) -> None:
        _check(settings, actions, faults)
        self.settings = settings
        self._actions = sorted(actions, key=lambda action: action.time_s)
        self._next_action = 0
        self._weather = random.Random(f"{seed}:weather")
        self._wander_k = self._weather.gauss(0.0, settings.weather_wander_k)
        self._heater_w = 0.0
        self._door_open = False
        self._coating_l_s = 0.0
        self._probes = [ProbeState(probe, faults, seed) for probe in settings.probes]
        self._next_reading_s = start_s
        self.time_s = start_s - settings.spin_up_s
        forcing = self._forcing()
        outside_rh = forcing.outside_vapour_pa / balance.saturation_pa(forcing.outside_temp_c)
        self.state = balance.initial_state(
            settings.build, forcing.outside_temp_c, 100.0 * outside_rh
        )
        while self.time_s < start_s:
            self._advance(min(SUBSTEP_S, start_s - self.time_s))

    def run(
        self, duration_s: float, step_s: float = 10.0
    ) -> Iterator[tuple[TrueState, list[Reading]]]:
        """Run the tent forward.

        Args:
            duration_s: for how long [s].
            step_s: between two results [s]; the balance itself steps by 10 s at most.

        Returns:
            The truth and the readings due at each step, first of all at the present time.

        Raises:
            ValueError: a step or a duration that leads nowhere.
        """
        if not (step_s > 0.0 and math.isfinite(step_s) and duration_s >= 0.0):
            raise ValueError(
                f"step_s {step_s} must be over 0 and duration_s {duration_s} not under"
            )
        steps = int(duration_s / step_s + 1e-9)
        parts = math.ceil(step_s / SUBSTEP_S)
        start_s = self.time_s
        for number in range(steps + 1):
            if number:
                for part in range(parts):
                    end_s = start_s + step_s * (number - 1 + (part + 1) / parts)
                    self._advance(end_s - self.time_s)
                    self.time_s = end_s
            self._act()
            yield self.truth(), self._read()

    def truth(self) -> TrueState:
        """Return how the tent really is now."""
        build, state = self.settings.build, self.state
        vapour_pa = balance.vapour_pressure_pa(build, state)
        surfaces = {
            p.point: balance.SHARED + balance.PER_SIDE * p.side
            for p in self.settings.probes
            if p.quantity is Quantity.SURFACE_TEMP
        }
        solvent = state[balance.SHARED + balance.SOLVENT :: balance.PER_SIDE]
        return TrueState(
            time_s=self.time_s,
            air_temp_c=state[balance.AIR],
            rh_pct=100.0 * vapour_pa / balance.saturation_pa(state[balance.AIR]),
            dew_point_c=balance.dew_point_c(vapour_pa),
            surface_temps_c={p: state[at + balance.SURFACE] for p, at in surfaces.items()},
            surface_water_kg={p: state[at + balance.SIDE_WATER] for p, at in surfaces.items()},
            skin_temp_c=state[balance.SKIN],
            floor_temp_c=state[balance.FLOOR],
            floor_water_kg=state[balance.FLOOR_WATER],
            solvent_kg=sum(solvent),
            outside_temp_c=self._forcing().outside_temp_c,
            heater_w=self._heater_w,
        )

    def _advance(self, duration_s: float) -> None:
        self._act()
        self.state = balance.step(self.settings.build, self.state, self._forcing(), duration_s)
        self.time_s += duration_s
        # A walk that is drawn back to its mean, with exact variance whatever the step.
        kept = math.exp(-duration_s / WEATHER_WANDER_S)
        spread = self.settings.weather_wander_k * math.sqrt(1.0 - kept * kept)
        self._wander_k = kept * self._wander_k + self._weather.gauss(0.0, spread)

    def _act(self) -> None:
        settings = self.settings
        while self._next_action < len(self._actions):
            action = self._actions[self._next_action]
            if action.time_s > self.time_s:
                return
            self._next_action += 1
            amount = action.amount
            if action.kind == "heater-on":
                self._heater_w = settings.heater_w if amount is None else amount
            elif action.kind == "heater-off":
                self._heater_w = 0.0
            elif action.kind == "floor-wetted":
                water_kg = 2.0 if amount is None else amount
                self.state[balance.FLOOR_WATER] += water_kg
                self.state[balance.WATER_IN] += water_kg
            elif action.kind in ("door-open", "door-closed"):
                self._door_open = action.kind == "door-open"
            elif action.kind == "coat-started":
                litres = settings.coat_litres if amount is None else amount
                self._coating_l_s = litres / settings.coat_duration_s
            else:
                self._coating_l_s = 0.0

    def _forcing(self) -> Forcing:
        s = self.settings
        hour = self.time_s / 3600.0 % 24.0
        outside_c = s.outside_mean_c + s.outside_swing_k * math.cos((hour - 15.0) * math.pi / 12.0)
        outside_c += self._wander_k
        day = (hour - s.sunrise_h) / (s.sunset_h - s.sunrise_h)
        changes = s.air_changes_per_h + (s.door_air_changes_per_h if self._door_open else 0.0)
        fuel = PROPANE_WATER_KG_PER_J if s.heater == "unflued" else 0.0
        return Forcing(
            outside_temp_c=outside_c,
            outside_vapour_pa=min(
                balance.saturation_pa(s.outside_dew_point_c),
                s.outside_rh_top_pct / 100.0 * balance.saturation_pa(outside_c),
            ),
            sky_temp_c=outside_c - s.sky_below_air_k,
            sun_w=s.sun_noon_w * math.sin(math.pi * day) if 0.0 < day < 1.0 else 0.0,
            air_changes_per_s=changes / 3600.0,
            heater_w=self._heater_w,
            heater_water_kg_s=self._heater_w * fuel,
            solvent_kg_s=self._coating_l_s * s.solvent_kg_per_litre / len(s.build.sides),
        )

    def _read(self) -> list[Reading]:
        if self.time_s < self._next_reading_s - 1e-6:
            return []
        while self._next_reading_s <= self.time_s + 1e-6:
            self._next_reading_s += self.settings.interval_s
        state = self.state
        vapour_pa = balance.vapour_pressure_pa(self.settings.build, state)
        readings: list[Reading] = []
        for at_work in self._probes:
            probe = at_work.probe
            truth = state[balance.AIR] + probe.local_k
            if probe.quantity is Quantity.HUMIDITY:
                truth = 100.0 * vapour_pa / balance.saturation_pa(truth)
            elif probe.quantity is Quantity.SURFACE_TEMP:
                truth = state[balance.SHARED + balance.PER_SIDE * probe.side + balance.SURFACE]
            value = at_work.read(truth, self.time_s)
            if value is None:
                continue
            readings.append(
                Reading(
                    self.settings.enclosure,
                    probe.point,
                    probe.quantity,
                    self.time_s,
                    value,
                    Quality.OK,
                    self.time_s,
                )
            )
        return readings


def demo_night(
    seed: int = 7, start_s: float = 1_791_907_200.0
) -> tuple[TentSettings, tuple[Action, ...], float, float]:
    """Return a night that shows what the program is for; `seed` changes the weather a little.

    The heater has been on since noon, a coat goes on in the afternoon, the floor is wetted and the
    heater switched off for the night, the hull meets the dew point, and in the morning the heater
    brings it back.

    Args:
        seed: of the evening; give the same one to `Tent`.
        start_s: start, seconds since 1970 [s]; the default is 16:00 UTC on 13 October 2026.

    Returns:
        Settings, actions, start [s] and duration [s].
    """
    day_s = start_s - 16.0 * 3600.0

    def at(hour: float) -> float:
        return day_s + 3600.0 * hour

    chance = random.Random(f"{seed}:night")
    settings = TentSettings()
    settings = replace(
        settings,
        outside_mean_c=settings.outside_mean_c + chance.uniform(-0.5, 0.5),
        outside_dew_point_c=settings.outside_dew_point_c + chance.uniform(-0.4, 0.4),
    )
    actions = (
        Action(at(12.0), "heater-on"),
        Action(at(16.5), "coat-started"),
        Action(at(17.5), "coat-ended"),
        Action(at(21.75), "floor-wetted", 1.0),
        Action(at(22.0), "heater-off"),
        Action(at(28.5), "heater-on"),
        Action(at(29.5), "door-open"),
        Action(at(30.0), "door-closed"),
    )
    return settings, actions, start_s, 16.5 * 3600.0


def _check(settings: TentSettings, actions: Sequence[Action], faults: Sequence[Fault]) -> None:
    kinds = ActionKind.__args__  # type: ignore[attr-defined]
    for action in actions:
        if action.kind not in kinds:
            raise ValueError(f"action {action.kind!r} is not one of {', '.join(kinds)}")
        if action.amount is not None and not 0.0 <= action.amount < math.inf:
            raise ValueError(f"action {action.kind}: amount {action.amount} is not 0 or more")
    points = {probe.point for probe in settings.probes}
    for fault in faults:
        if fault.point not in points:
            raise ValueError(f"fault {fault.kind} of point {fault.point!r}: there is no such point")
    for probe in settings.probes:
        if probe.quantity not in (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP):
            raise ValueError(f"point {probe.point!r}: {probe.quantity} is not simulated")
        if not 0 <= probe.side < len(settings.build.sides):
            raise ValueError(f"point {probe.point!r}: the hull has no side {probe.side}")
