"""Weeks in the simulated tent with weather and people that change from day to day, one by seed.

The tent, its heat paths and its probes are those of `sensors.simulate.tent`; what is added here is
weather that wanders over days, clouds, a heater that is switched at changing hours, doors, coats
and wetted floors. Every figure is generic, no source.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np

from rules.air.arrays import dew_points_c
from rules.outlook.track import CELL_S, Track, cell_means
from sensors.reading import Quantity
from sensors.simulate.tent import Action, Tent, TentSettings

MIDNIGHT_S = 1_791_849_600.0  # 13 October 2026, 00:00 UTC
PIECE_S = 600.0


@dataclass(frozen=True)
class TentWeek:
    """What the probes said, a row a minute, and the weather and heater that made it.

    Attributes:
        time_s, air_temp_c, rh_pct, surface_temp_c: of the bow's air and the port planks.
        outside_c, outside_dew_c: true weather at the same times.
        heater_w: likewise.
    """

    time_s: np.ndarray
    air_temp_c: np.ndarray
    rh_pct: np.ndarray
    surface_temp_c: np.ndarray
    outside_c: np.ndarray
    outside_dew_c: np.ndarray
    heater_w: np.ndarray

    def track(self) -> Track:
        """The whole week as the outlook sees it."""
        end_s = float(self.time_s[-1])
        count = int((end_s - self.time_s[0]) // CELL_S)
        dew = dew_points_c(self.air_temp_c, np.clip(self.rh_pct, 2.0, 100.0))
        columns = (self.air_temp_c, dew, self.surface_temp_c)
        return Track(end_s, *(cell_means(self.time_s, c, end_s, count) for c in columns))

    def heat(self, strongest_w: float = 4500.0) -> np.ndarray:
        """The heater by cell of the track, 0 to 1, as events would tell it."""
        end_s = float(self.time_s[-1])
        count = int((end_s - self.time_s[0]) // CELL_S)
        return np.nan_to_num(cell_means(self.time_s, self.heater_w / strongest_w, end_s, count))


def _actions(chance: random.Random, days: int) -> list[Action]:
    actions: list[Action] = []

    def at(day: int, hour: float) -> float:
        return MIDNIGHT_S + 86_400.0 * day + 3600.0 * hour

    heats = chance.random() < 0.7
    for day in range(-1, days):
        if heats and chance.random() < 0.85:
            on = chance.gauss(9.0, 1.0)
            off = min(23.5, max(on + 2.0, chance.gauss(20.0, 1.5)))
            actions.append(Action(at(day, on), "heater-on", chance.uniform(2500.0, 4500.0)))
            actions.append(Action(at(day, off), "heater-off"))
        if chance.random() < 0.5:
            hour = chance.uniform(8.0, 17.0)
            actions.append(Action(at(day, hour), "door-open"))
            actions.append(Action(at(day, hour + chance.uniform(0.2, 1.0)), "door-closed"))
        if chance.random() < 0.3:
            hour = chance.uniform(10.0, 21.0)
            actions.append(Action(at(day, hour), "floor-wetted", chance.uniform(0.5, 2.0)))
        if chance.random() < 0.4:
            hour = chance.uniform(11.0, 16.0)
            actions.append(Action(at(day, hour), "coat-started"))
            actions.append(Action(at(day, hour + 1.0), "coat-ended"))
    return actions


def tent_week(seed: int, days: int) -> TentWeek:
    """Run one tent for some days, from midnight.

    Args:
        seed: of tent, weather, people and probes.
        days: how many.
    """
    chance = random.Random(f"{seed}:week")
    actions = _actions(chance, days)
    mean_c = chance.uniform(7.0, 15.0)
    settings = TentSettings(
        interval_s=60.0,
        outside_mean_c=mean_c,
        outside_swing_k=chance.uniform(2.5, 6.0),
        outside_dew_point_c=mean_c - chance.uniform(1.0, 5.0),
        sun_noon_w=chance.uniform(800.0, 4000.0),
        air_changes_per_h=chance.uniform(0.5, 2.0),
        weather_wander_k=0.5,
    )
    tent = Tent(settings, seed, MIDNIGHT_S, actions)
    # Warm and cold, moist and dry spells: walks drawn back over 30 h.
    kept = math.exp(-PIECE_S / (30.0 * 3600.0))
    step = math.sqrt(1.0 - kept * kept)
    warm_k, moist_k, clear = 0.0, 0.0, 1.0
    rows: list[tuple[float, ...]] = []
    for piece in range(int(days * 86_400.0 / PIECE_S)):
        warm_k = kept * warm_k + chance.gauss(0.0, 2.0 * step)
        moist_k = kept * moist_k + chance.gauss(0.0, 1.8 * step)
        if piece * PIECE_S % 86_400.0 == 0.0:
            clear = chance.uniform(0.2, 1.0)
        dew_c = settings.outside_dew_point_c + moist_k
        tent.settings = replace(
            settings,
            outside_mean_c=mean_c + warm_k,
            outside_dew_point_c=dew_c,
            sun_noon_w=settings.sun_noon_w * clear,
            sky_below_air_k=4.0 + 14.0 * clear,
        )
        for truth, readings in tent.run(PIECE_S, 60.0):
            if not readings or (rows and truth.time_s <= rows[-1][0]):
                continue
            said = {(r.point, r.quantity): r.value for r in readings}
            outside_c = truth.outside_temp_c
            rows.append(
                (
                    truth.time_s,
                    said["air-bow", Quantity.AIR_TEMP],
                    said["air-bow", Quantity.HUMIDITY],
                    said["plank-port", Quantity.SURFACE_TEMP],
                    outside_c,
                    min(dew_c, outside_c - 0.45),
                    truth.heater_w,
                )
            )
    return TentWeek(*np.array(rows).T)
