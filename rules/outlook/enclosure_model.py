"""The enclosure model: a handful of rates, fitted by least squares to the enclosure's own log.

It is judged on spans of six hours and refuses where the log does not determine the rates.
`modelled_outlook` runs it ahead.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rules.air.arrays import Floats, ln_vapour_pressures
from rules.errors import FilmcallError
from rules.outlook.enclosure_steps import Drive, run_heat, run_vapour, slow_temps_c
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track, checked_track
from rules.text import duration_text

LEAST_CELLS = CELLS_A_DAY
SPAN_CELLS = 72  # six hours: what a fit is judged on
SPAN_EVERY = 24
SLOW_HOURS = (6.0, 24.0)  # candidates for how fast floor and heavy parts follow the air
DEW_K_PER_LN = 16.0  # a dew point near 10 degC moves 16 K for a factor e of pressure
ROUNDS = 8
HUBER_K = 0.5
# A rate whose logarithm is known no better than this is not determined by the log.
LEAST_KNOWN = 0.6
# Share of the squared change over six hours that the model must explain to be worth having.
LEAST_EXPLAINED = 0.1
# What burning a fuel adds: 1.63 kg of water for 46.4 MJ of propane (C3H8 + 5 O2 = 3 CO2 + 4 H2O;
# lower heating value from memory). In air of 1.2 kg/m3 and 1006 J/kgK that is at least this much
# pressure for each kelvin that the heat would lift the air alone.
FUEL_PA_PER_K = 1.2 * 1006.0 * (1.634 / 46.4e6) * 461.5 * 288.0


class ModelRefused(FilmcallError, ValueError):
    """The log does not determine the enclosure model; the outlook goes by the trend alone."""


# Names, prior means and prior standard deviations: generic, no source. Rates are by the hour and
# as logarithms, so that they stay positive; the others are kelvin by the hour, of either sign.
_HEAT = (
    ("air and outside", math.log(1.0), 1.2),
    ("air and hull", math.log(0.7), 1.2),
    ("air and heavy parts", math.log(0.7), 1.2),
    ("hull and air", math.log(1.2), 1.2),
    ("hull and outside", math.log(0.1), 1.2),
    ("heater", 5.0, 10.0),
    ("sun on air", 2.0, 5.0),
    ("sun on hull", 1.0, 3.0),
    ("air constant", 0.0, 1.5),
    ("hull constant", 0.0, 0.7),
)
_VAPOUR = (
    ("leak", math.log(0.7), 1.2),
    ("damp of heavy parts", math.log(0.05), 1.5),
    ("damp of the hull", math.log(0.1), 1.5),
    ("condensing sheet", math.log(2.0), 1.0),
    ("fuel", 0.0, 500.0),
    ("constant", 0.0, 60.0),
)


@dataclass(frozen=True, slots=True, eq=False)
class EnclosureModel:
    """What was fitted.

    Attributes:
        heat: parameters of the heat balance, in the order of the table above [ln 1/h, K/h].
        heat_sd: how well each is known, likewise.
        vapour: parameters of the moisture balance [ln 1/h, Pa/h].
        slow_s: time in which floor and heavy parts follow the air [s].
        explained: share of the squared change over six hours that it explains: air, hull, dew
            point.
    """

    heat: Floats
    heat_sd: Floats
    vapour: Floats
    slow_s: float
    explained: tuple[float, float, float]

    def describe(self) -> str:
        """Return the main rates in words."""
        hours = [f"{math.exp(-self.heat[k]):.1f} h" for k in (0, 3)]
        leak = math.exp(self.vapour[0])
        return (
            f"air follows outside in {hours[0]}, hull follows air in {hours[1]}, "
            f"{leak:.1f} air changes an hour"
        )


def _near(start: Floats, mean: Floats, sd: Floats) -> Floats:
    """An earlier fit's figures, but those that the prior does not allow now begin from its mean.

    A heater that ran then and does not now is held at nothing, where small steps would not lead.
    """
    return np.where(np.abs(start - mean) <= 3.0 * sd, start, mean)


Residuals = Callable[[Floats], Floats]


def _least_squares(
    residuals: Residuals, mean: Floats, sd: Floats, start: Floats, overlap: float
) -> tuple[Floats, Floats, float]:
    """Gauss-Newton with a prior and Huber's weights: parameters, their deviations, the cost."""

    def cost_of(missed: Floats, p: Floats, scale: float) -> float:
        size = np.abs(missed)
        huber = np.where(size < HUBER_K, size * size, HUBER_K * (2.0 * size - HUBER_K))
        return float(huber.sum()) / scale + float((((p - mean) / sd) ** 2).sum())

    p, count = start.copy(), mean.size
    steps = np.full(count, 1e-3)
    damping, scale = 1e-2, 1.0
    covariance = np.diag(sd**2)
    missed_now = residuals(p[None])[0]
    for _ in range(ROUNDS):
        copies = residuals(np.vstack([p, p + np.diag(steps)]))
        missed_now = copies[0]
        jacobian = (copies[1:] - missed_now).T / steps
        belief = np.minimum(1.0, HUBER_K / np.maximum(np.abs(missed_now), 1e-9))
        noise = float((belief * missed_now**2).sum()) / max(missed_now.size - count, 1)
        scale = max(noise * overlap, 1e-6)
        information = (jacobian.T * belief) @ jacobian / scale + np.diag(1.0 / sd**2)
        slope = (jacobian.T * belief) @ missed_now / scale + (p - mean) / sd**2
        covariance = np.linalg.inv(information)
        before = cost_of(missed_now, p, scale)
        moved = False
        for _ in range(4):
            step = np.linalg.solve(information + damping * np.diag(np.diag(information)), slope)
            tried = p - np.clip(step, -2.0 * sd, 2.0 * sd)
            if cost_of(residuals(tried[None])[0], tried, scale) < before:
                moved = True
                break
            damping *= 10.0
        if not moved:
            break
        change = float(np.max(np.abs((tried - p) / sd)))
        p, damping = tried, max(damping / 10.0, 1e-6)
        if change < 1e-3:
            break
    return p, np.sqrt(np.diag(covariance)), cost_of(missed_now, p, scale)


def fit_model(track: Track, drive: Drive, start: EnclosureModel | None = None) -> EnclosureModel:
    """Fit the rates to the log.

    Args:
        track: at least a day.
        drive: what acted on it, from `drive_of`.
        start: an earlier fit to begin from, or None.

    Returns:
        The model.

    Raises:
        TooLittleLog: under a day of log, or nothing now.
        ModelRefused: the log does not determine the rates, or they explain nothing.

    Source:
        First-order balances of heat and vapour (a lumped grey-box model); nonlinear least squares
        after Gauss and Newton, damped after Levenberg and Marquardt.
    """
    checked_track(track, LEAST_CELLS)
    has_hull = track.surface_temp_c is not None
    hull = track.surface_temp_c if track.surface_temp_c is not None else track.air_temp_c
    measured = np.column_stack([track.air_temp_c, hull])
    ln_pressure = ln_vapour_pressures(track.dew_point_c)
    at = np.arange(0, track.count - SPAN_CELLS - 1, SPAN_EVERY)
    ahead = at[:, None] + 1 + np.arange(SPAN_CELLS)[None, :]
    acts = np.isfinite(drive.outside_c) & np.isfinite(drive.outside_ln) & np.isfinite(drive.sun)
    told = np.isfinite(measured).all(axis=1) & np.isfinite(ln_pressure) & acts[: track.count]
    whole = told[at] & told[ahead].all(axis=1)
    at, ahead = at[whole], ahead[whole]
    if at.size * SPAN_EVERY < LEAST_CELLS - SPAN_CELLS - SPAN_EVERY:
        raise ModelRefused(
            "log and past hours of the forecast file share only "
            f"{duration_text(at.size * SPAN_EVERY * CELL_S)} without gaps, under the day that the "
            "enclosure model is fitted to, so the outlook goes by the trend alone; give a file "
            "with the past days' hours too"
        )
    inputs = np.nan_to_num(drive.inputs())
    picked = np.arange(5, SPAN_CELLS, 6)  # every half hour
    overlap = 6.0 * SPAN_CELLS / SPAN_EVERY
    mean, sd = (np.array([row[k] for row in _HEAT], dtype=np.float64) for k in (1, 2))
    for column, name in ((1, 5), (2, 6), (2, 7)):
        if not bool(np.ptp(inputs[: track.count, column]) > 0.0):
            mean[name], sd[name] = 0.0, 1e-3  # never seen, so nothing is told of it
    if not has_hull:
        mean[1], sd[1], mean[3], sd[3], mean[4], sd[4] = -9.0, 1e-3, 3.0, 1e-3, -9.0, 1e-3
        mean[7], sd[7], mean[9], sd[9] = 0.0, 1e-3, 0.0, 1e-3

    best: tuple[float, Floats, Floats, float, Floats] | None = None
    for slow_s in (3600.0 * h for h in SLOW_HOURS) if start is None else (start.slow_s,):
        slow = slow_temps_c(track.air_temp_c, slow_s)
        begin = np.column_stack([measured[at], slow[at]])

        def missed(p: Floats, begin: Floats = begin, slow_s: float = slow_s) -> Floats:
            course = run_heat(p, slow_s, begin, inputs, at, SPAN_CELLS)[:, :, picked, :2]
            off: Floats = (course - measured[ahead[:, picked]][None]).reshape(p.shape[0], -1)
            return off

        p, p_sd, cost = _least_squares(
            missed, mean, sd, mean if start is None else _near(start.heat, mean, sd), overlap
        )
        cost = float(np.abs(missed(p[None])).sum())
        if best is None or cost < best[0]:
            best = (cost, p, p_sd, slow_s, slow)
    assert_best = best
    if assert_best is None:
        raise ModelRefused("no time of heavy parts was tried; the outlook goes by the trend alone")
    _, heat, heat_sd, slow_s, slow = assert_best
    needed = (0, 3) if has_hull else (0,)
    for k in needed:
        if heat_sd[k] > LEAST_KNOWN:
            # Heat of which the log does not tell is what leaves the rates unknown most often.
            heated = bool(np.ptp(inputs[: track.count, 1]) > 0.0)
            heater = "" if heated else "if there is a heater, log when it goes on and off; else "
            raise ModelRefused(
                f"enclosure model: the rate between {_HEAT[k][0]} is known only within a factor "
                f"{math.exp(heat_sd[k]):.1f} (at most {math.exp(LEAST_KNOWN):.1f}), so the outlook "
                f"goes by the trend alone; {heater}let the log grow over days of changing weather"
            )

    temps = np.stack([measured[:, 0], measured[:, 1], slow], axis=1)[ahead][None]
    mean, sd = (np.array([row[k] for row in _VAPOUR], dtype=np.float64) for k in (1, 2))
    heating_k = max(float(heat[5]), 0.0)
    mean[4], sd[4] = FUEL_PA_PER_K * heating_k, max(FUEL_PA_PER_K * heating_k, 1.0)
    if not bool(np.ptp(drive.fuel[: track.count]) > 0.0):
        sd[4] = 1e-3 * max(mean[4], 1.0)

    def missed_vapour(p: Floats) -> Floats:
        same = np.broadcast_to(temps, (p.shape[0], *temps.shape[1:]))
        course = run_vapour(p, ln_pressure[at], same, drive, at, SPAN_CELLS)[:, :, picked]
        off: Floats = (course - ln_pressure[ahead[:, picked]][None]).reshape(p.shape[0], -1)
        return off * DEW_K_PER_LN

    vapour, _, _ = _least_squares(
        missed_vapour, mean, sd, mean if start is None else _near(start.vapour, mean, sd), overlap
    )
    course = run_heat(
        heat, slow_s, np.column_stack([measured[at], slow[at]]), inputs, at, SPAN_CELLS
    )
    ln_course = run_vapour(vapour, ln_pressure[at], course, drive, at, SPAN_CELLS)[0, :, picked].T
    shares = []
    for told_course, truth, first in (
        (course[0, :, picked, 0].T, measured[ahead[:, picked], 0], measured[at, 0]),
        (course[0, :, picked, 1].T, measured[ahead[:, picked], 1], measured[at, 1]),
        (ln_course, ln_pressure[ahead[:, picked]], ln_pressure[at]),
    ):
        change = float(((truth - first[:, None]) ** 2).sum())
        left = float(((truth - told_course) ** 2).sum())
        shares.append(1.0 - left / change if change > 0.0 else 0.0)
    explained = (shares[0], shares[1], shares[2])
    if explained[0] < LEAST_EXPLAINED:
        raise ModelRefused(
            f"enclosure model: it explains {100.0 * max(explained[0], 0.0):.0f} % of the air's "
            f"changes over six hours (at least {100.0 * LEAST_EXPLAINED:.0f} %), so the outlook "
            "goes by the trend alone; log the heater, and check the forecast's place and zone"
        )
    return EnclosureModel(heat, heat_sd, vapour, slow_s, explained)
