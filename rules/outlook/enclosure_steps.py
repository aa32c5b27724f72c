"""One step of the enclosure: air, hull and heavy parts, leaky and lagged, and the vapour between.

The heat balance is linear, so its steps are exact; `enclosure_model` fits the rates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from rules.air.arrays import Floats, ln_vapour_pressures
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.outlook.weather import Outside

Places: TypeAlias = npt.NDArray[np.int64]

SHEET_SHARE = 0.5  # the sheet stands half-way between inside and outside; no source
_LEAST_PA = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """What acts on the enclosure, cell by cell, over the log and a day beyond.

    Attributes:
        outside_c: air outside [°C].
        outside_ln: ln of the vapour pressure outside [ln Pa].
        sun: sunlight outside [kW/m²].
        heat: heater, 0 off to 1 on.
        fuel: the part of `heat` that burns fuel without a flue.
    """

    outside_c: Floats
    outside_ln: Floats
    sun: Floats
    heat: Floats
    fuel: Floats

    def inputs(self) -> Floats:
        """Return cells by inputs of the heat balance: outside, heat, sun, one."""
        return np.column_stack([self.outside_c, self.heat, self.sun, np.ones(self.heat.size)])


def drive_of(track: Track, outside: Outside, heat: Floats, fuel: Floats) -> Drive:
    """Return what acts on the enclosure over the log and, the heater as it is, a day beyond.

    Args:
        track: the log.
        outside: weather, past and coming.
        heat: heater by cell of the log, 0 to 1.
        fuel: the part that burns fuel without a flue, likewise.
    """
    heat, fuel = (np.append(each, np.full(CELLS_A_DAY, each[-1])) for each in (heat, fuel))
    cells = np.arange(1 - track.count, CELLS_A_DAY + 1, dtype=np.float64)
    times: Floats = track.end_s + CELL_S * cells
    # The mean over a cell is its middle.
    temp_c, dew_c, sun = outside.at(times - 0.5 * CELL_S)
    return Drive(temp_c, ln_vapour_pressures(dew_c), sun / 1000.0, heat, fuel)


def _matrices(heat: Floats, slow_s: float, cell_s: float) -> tuple[Floats, Floats]:
    """Return exact steps of the linear heat balance: copies by 3 by 3 and by 3 by inputs. With
    air T_a, hull T_h, heavy parts T_g, outside T_o, heater H, sun S, rates a and b [1/h],

        dT_a/dt = a_o (T_o - T_a) + a_s (T_h - T_a) + a_g (T_g - T_a) + h H + s_a S + c_a
        dT_h/dt = b_a (T_a - T_h) + b_o (T_o - T_h) + s_h S + c_h
        dT_g/dt = (T_a - T_g) / tau

    or dx/dt = A x + B u. Over one cell, exp([[A, B], [0, 0]] dt) takes (x, u) to (x after it, u).

    Source:
        First-order balances of a lumped enclosure; the exact step of a linear system with inputs
        held by the exponential of the joined matrix: C. Van Loan, IEEE Trans. Automatic Control
        23 (1978) 395-404 (from memory).
    """
    p = np.atleast_2d(heat)
    rates = np.exp(p[:, :5])
    a_o, a_s, a_g, b_a, b_o = (rates[:, k] for k in range(5))
    whole = np.zeros((p.shape[0], 7, 7))
    whole[:, 0, 0], whole[:, 0, 1], whole[:, 0, 2] = -(a_o + a_s + a_g), a_s, a_g
    whole[:, 0, 3], whole[:, 0, 4], whole[:, 0, 5], whole[:, 0, 6] = a_o, p[:, 5], p[:, 6], p[:, 8]
    whole[:, 1, 0], whole[:, 1, 1] = b_a, -(b_a + b_o)
    whole[:, 1, 3], whole[:, 1, 5], whole[:, 1, 6] = b_o, p[:, 7], p[:, 9]
    slow = 3600.0 / slow_s
    whole[:, 2, 0], whole[:, 2, 2] = slow, -slow
    step = _expm(whole * (cell_s / 3600.0))
    return step[:, :3, :3], step[:, :3, 3:]


def _expm(a: Floats) -> Floats:
    """Matrix exponentials by scaling and squaring of the Taylor series."""
    largest = float(np.abs(a).sum(axis=2).max())
    halvings = max(0, math.ceil(math.log2(max(largest, 1e-9))) + 3)
    small = a / 2.0**halvings
    total = term = np.broadcast_to(np.eye(a.shape[1]), a.shape)
    for k in range(1, 9):
        term = term @ small / k
        total = total + term
    for _ in range(halvings):
        total = total @ total
    return total


def run_heat(
    heat: Floats,
    slow_s: float,
    start: Floats,
    inputs: Floats,
    at: Places,
    steps: int,
    held: Floats | None = None,
) -> Floats:
    """States after each step: copies by starts by steps by (air, hull, slow).

    Where `held` is given, one value a start, the heater stays as it is from then on.
    """
    forward, push = _matrices(heat, slow_s, CELL_S)
    copies = forward.shape[0]
    state = np.broadcast_to(start[None], (copies, *start.shape))
    forward_t, push_t = forward.transpose(0, 2, 1), push.transpose(0, 2, 1)
    course = np.empty((copies, start.shape[0], steps, 3))
    for k in range(steps):
        pushed = inputs[at + k + 1]
        if held is not None:
            pushed = pushed.copy()
            pushed[:, 1] = held
        state = state @ forward_t + pushed[None] @ push_t
        course[:, :, k] = state
    return course


def run_vapour(
    vapour: Floats,
    ln_start: Floats,
    temps: Floats,
    drive: Drive,
    at: Places,
    steps: int,
    held: Floats | None = None,
) -> Floats:
    """Return ln of the pressure after each step: copies by starts by steps; `temps` as `run_heat`.

        dp/dt = k_o (p_o - p) + k_g (p_ws(T_g) - p) + k_s (p_ws(T_h) - p)
                + k_c min(0, p_ws(T_sheet) - p) + f H + c

    whose step over a cell, the right side held, is p + (p* - p)(1 - exp(-k dt)) with k the sum of
    the rates that act and p* where dp/dt is 0.

    Source:
        First-order moisture balance of a lumped enclosure; no source beyond it.
    """
    p = np.atleast_2d(vapour)
    k_o, k_g, k_s, k_c = (np.exp(p[:, k])[:, None] for k in range(4))
    add = p[:, 5][:, None]
    fuel = p[:, 4][:, None]
    pressure = np.broadcast_to(np.exp(ln_start)[None], (p.shape[0], ln_start.size))
    over_hull = np.exp(ln_vapour_pressures(temps[:, :, :, 1]))
    over_slow = np.exp(ln_vapour_pressures(temps[:, :, :, 2]))
    outside = np.exp(drive.outside_ln)
    course = np.empty((p.shape[0], ln_start.size, steps))
    hours = CELL_S / 3600.0
    for k in range(steps):
        cell = at + k + 1
        air = temps[:, :, k, 0]
        sheet_c = drive.outside_c[cell][None] + SHEET_SHARE * (air - drive.outside_c[cell][None])
        over_sheet = np.exp(ln_vapour_pressures(sheet_c))
        drips = k_c * (pressure > over_sheet)
        rate = k_o + k_g + k_s + drips
        source = k_o * outside[cell][None] + k_g * over_slow[:, :, k] + k_s * over_hull[:, :, k]
        burnt = drive.fuel[cell] if held is None else held
        source = source + drips * over_sheet + add + fuel * burnt[None]
        target = source / rate
        pressure = target + (pressure - target) * np.exp(-rate * hours)
        pressure = np.maximum(pressure, _LEAST_PA)
        course[:, :, k] = np.log(pressure)
    return course


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
