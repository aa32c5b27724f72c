"""What would help: the outlook with one thing changed, and the hours that would then hold.

While a film gives off vapour nothing is suggested but to wait. A fuel heater without a flue is
never suggested.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from rules.air.arrays import Floats, dew_points_of_ln, ln_vapour_pressures
from rules.outlook.draws import BREAK_PROBABILITY, Outlook
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.outlook.windows import Window, judge_starts, windows_of
from rules.spec.model import Spec
from rules.vocabulary import Method

HEAT_K = 2.0
DRY_TO_PCT = 55.0
TAKES_S = 3600.0  # a heater or a dehumidifier is given an hour to get there; no source
LEAST_LAG_KNOWN = 0.3
_LAGS_S = tuple(900.0 * k for k in (1, 2, 3, 4, 6, 8, 12, 16, 24))


class Help(StrEnum):
    """What could be done."""

    WAIT = "wait"
    HEAT = "heat"
    DRY = "dehumidify"
    COVER_HULL = "cover-hull"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One thing that would help, and what it would bring.

    Attributes:
        help: what to do.
        window: the first hours that would hold with it.
        probability_now: of a break for a coat begun at once, with it; NaN where that is not known.
        text: one phrase, without times.
    """

    help: Help
    window: Window
    probability_now: float
    text: str


_TEXT = {
    Help.WAIT: "wait",
    Help.HEAT: f"heat {HEAT_K:.0f} K more, by electricity or with a flue",
    Help.DRY: f"dehumidify to {DRY_TO_PCT:.0f} %",
    Help.COVER_HULL: "cover the hull against the open sky",
}


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What a measure does to each quantity by horizon, the present first [K]."""

    air_k: Floats
    dew_k: Floats
    surface_k: Floats


def changed(outlook: Outlook, change: Change) -> Outlook:
    """Return the outlook with a change added to its course and to every draw."""
    count = outlook.horizons_s.size
    air_k, dew_k, surface_k = (
        each[:count] for each in (change.air_k, change.dew_k, change.surface_k)
    )
    air = outlook.air_temp_c + air_k
    surface = outlook.surface_temp_c
    steps = [air_k, dew_k, surface_k][: outlook.centre.shape[0]]
    return replace(
        outlook,
        air_temp_c=air,
        dew_point_c=np.minimum(outlook.dew_point_c + dew_k, air),
        surface_temp_c=None if surface is None else surface + surface_k,
        centre=outlook.centre + np.stack(steps),
    )


def dried(outlook: Outlook, to_pct: float = DRY_TO_PCT) -> Outlook:
    """Return the outlook with humidity brought down to a value within an hour and kept there."""
    share = np.minimum(outlook.horizons_s / TAKES_S, 1.0)
    ln_wanted = ln_vapour_pressures(outlook.air_temp_c) + math.log(to_pct / 100.0)
    wanted = np.minimum(dew_points_of_ln(ln_wanted), outlook.dew_point_c)
    dew = outlook.dew_point_c + share * (wanted - outlook.dew_point_c)
    centre = outlook.centre.copy()
    centre[1] += share * (np.median(wanted, axis=0) - np.median(outlook.dew_point_c, axis=0))
    return replace(outlook, dew_point_c=dew, centre=centre)


def hull_lag_s(track: Track) -> float | None:
    """Return how slowly the hull follows the air, or None where the log does not tell.

    Args:
        track: with a surface.

    Returns:
        The lag of a first-order body [s], the best of a few from 15 min to 6 h.

    Source:
        First-order lag; least squares over hourly changes.
    """
    surface = track.surface_temp_c
    if surface is None:
        return None
    hour = int(3600.0 / CELL_S)
    best: tuple[float, float] | None = None
    moved = surface[hour:] - surface[:-hour]
    for lag_s in _LAGS_S:
        behind = slow_temps_c(track.air_temp_c, lag_s)
        expected = behind[hour:] - behind[:-hour]
        known = np.isfinite(moved) & np.isfinite(expected)
        if not known.any():
            return None
        missed = float(((moved - expected)[known] ** 2).sum())
        total = float((moved[known] ** 2).sum())
        explained = 1.0 - missed / total if total > 0.0 else 0.0
        if best is None or explained > best[0]:
            best = (explained, lag_s)
    if best is None or best[0] < LEAST_LAG_KNOWN:
        return None
    return best[1]


def heated_by_lag(outlook: Outlook, lag_s: float, by_k: float = HEAT_K) -> Change:
    """Return what heating does where only the hull's lag is known; the dew point stays.

    Args:
        outlook: for its horizons.
        lag_s: of the hull behind the air [s].
        by_k: how much warmer the air is made, within an hour [K].
    """
    times = outlook.horizons_s
    air_k = by_k * np.minimum(times / TAKES_S, 1.0)
    surface_k = np.zeros(times.size)
    for k in range(1, times.size):
        kept = math.exp(-(times[k] - times[k - 1]) / lag_s)
        middle = 0.5 * (air_k[k] + air_k[k - 1])
        surface_k[k] = kept * surface_k[k - 1] + (1.0 - kept) * middle
    return Change(air_k, np.zeros(times.size), surface_k)


def covered(outlook: Outlook, lag_s: float) -> Outlook:
    """Return the outlook with a hull that loses nothing to the sky: no colder than the air left it.

    Args:
        outlook: with a surface.
        lag_s: of the hull behind the air [s].
    """
    surface = outlook.surface_temp_c
    if surface is None:
        return outlook
    lifts = np.zeros(outlook.air_temp_c.shape)
    body = surface[:, 0].copy()
    for k in range(1, outlook.horizons_s.size):
        kept = math.exp(-(outlook.horizons_s[k] - outlook.horizons_s[k - 1]) / lag_s)
        body = kept * body + (1.0 - kept) * 0.5 * outlook.air_temp_c[:, k - 1 : k + 1].sum(axis=1)
        lifts[:, k] = np.maximum(body - surface[:, k], 0.0)
    centre = outlook.centre.copy()
    centre[2] += np.median(lifts, axis=0)
    return replace(outlook, surface_temp_c=surface + lifts, centre=centre)


def slow_temps_c(air_c: Floats, slow_s: float) -> Floats:
    """Return what follows the air with a lag, begun at the first day's mean [°C],

    T_{k+1} = q T_k + (1 - q) T_air,  q = exp(-dt / tau)
    """
    known = np.isfinite(air_c)
    first = air_c[:CELLS_A_DAY][known[:CELLS_A_DAY]]
    state = float(first.mean()) if first.size else float(air_c[known][0])
    kept = math.exp(-CELL_S / slow_s)
    course = np.empty(air_c.size)
    for k, value in enumerate(air_c.tolist()):
        if value == value:
            state = kept * state + (1.0 - kept) * value
        course[k] = state
    return course


def suggestions(
    outlook: Outlook,
    spec: Spec,
    track: Track,
    *,
    gives_off_vapour: bool,
    coating_time_s: float | None = None,
    method: Method | None = None,
    threshold: float = BREAK_PROBABILITY,
) -> list[Suggestion]:
    """Return what would help, the soonest window first; empty where a coat may begin now.

    Args:
        outlook: as things are.
        spec: of the next coat.
        track: the log.
        gives_off_vapour: a film is in its harm time, or the user's clearance clock runs: then
            nothing that switches equipment, lowers ventilation or sends anyone in is suggested.
        coating_time_s: how long a coat takes, or None for the spec's own [s].
        method: how it goes on.
        threshold: probability of a break from which a start does not hold.

    Returns:
        Suggestions that bring a window where there is none, or an earlier one.
    """

    def first_window(ahead: Outlook) -> tuple[Window | None, float]:
        starts = judge_starts(ahead, spec, coating_time_s=coating_time_s, method=method)
        found = windows_of(ahead, starts, threshold=threshold)
        return (found[0] if found else None), float(starts.probability[0])

    plain, _ = first_window(outlook)
    if plain is not None and plain.start_from_s <= 0.0:
        return []
    options: list[tuple[Help, Outlook]] = []
    if not gives_off_vapour:
        options = _options(outlook, track)
    found: list[Suggestion] = []
    for help_, ahead in options:
        window, probability = first_window(ahead)
        if window is not None and (plain is None or window.start_from_s < plain.start_from_s):
            found.append(Suggestion(help_, window, probability, _TEXT[help_]))
    if plain is not None:
        found.append(Suggestion(Help.WAIT, plain, math.nan, _TEXT[Help.WAIT]))
    return sorted(found, key=lambda each: each.window.start_from_s)


def _options(outlook: Outlook, track: Track) -> list[tuple[Help, Outlook]]:
    options: list[tuple[Help, Outlook]] = []
    lag_s = hull_lag_s(track)
    if lag_s is not None:
        options.append((Help.HEAT, changed(outlook, heated_by_lag(outlook, lag_s))))
        options.append((Help.COVER_HULL, covered(outlook, lag_s)))
    options.append((Help.DRY, dried(outlook)))
    return options
