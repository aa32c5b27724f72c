"""The outlook with a forecast: the enclosure model run ahead, and how wrong it has been so far.

The model's course is one more feature of `damped_trend`, so that it counts as far as the log has
shown it right; its differences tell what a change would help.
"""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np

from rules.air.arrays import Floats, dew_points_of_ln, ln_vapour_pressures
from rules.outlook.damped_trend import (
    HORIZON_CELLS,
    assemble,
    centre_of,
    error_draws,
    fit_trend,
    origin_cells,
)
from rules.outlook.draws import Outlook
from rules.outlook.enclosure_model import EnclosureModel, fit_model
from rules.outlook.enclosure_steps import (
    Drive,
    Places,
    drive_of,
    run_heat,
    run_vapour,
    slow_temps_c,
)
from rules.outlook.track import CELL_S, Track
from rules.outlook.weather import DROPPED_AFTER_S, STALE_AFTER_S, ForecastUnfit, Outside
from rules.text import duration_text

DEW_K_PER_LN = 16.0  # a dew point near 10 degC moves 16 K for a factor e of pressure


def run_model(
    model: EnclosureModel,
    track: Track,
    drive: Drive,
    at: Places,
    steps: int,
    heater: tuple[Floats, Floats],
) -> tuple[Floats, Floats, Floats]:
    """Run the model from measured states, with the heater left as it is.

    Args:
        model: fitted.
        track: the log.
        drive: over the log and beyond.
        at: cells to start from.
        steps: how many cells ahead.
        heater: its heat and the part from fuel from then on, one value a start, as in `Drive`.

    Returns:
        Air, dew point and hull: starts by steps [°C]; NaN where the weather is not known.
    """
    hull = track.surface_temp_c if track.surface_temp_c is not None else track.air_temp_c
    slow = slow_temps_c(track.air_temp_c, model.slow_s)
    begin = np.column_stack([track.air_temp_c, hull, slow])[at]
    inputs = drive.inputs()
    last = inputs.shape[0] - 1
    pad = max(0, int(at.max()) + steps - last)
    if pad:
        inputs = np.vstack([inputs, np.full((pad, inputs.shape[1]), np.nan)])
        drive = Drive(*(np.append(each, np.full(pad, np.nan)) for each in _columns(drive)))
    temps = run_heat(model.heat, model.slow_s, begin, inputs, at, steps, heater[0])
    ln_start = ln_vapour_pressures(track.dew_point_c[at])
    ln_course = run_vapour(model.vapour, ln_start, temps, drive, at, steps, heater[1])[0]
    air = temps[0, :, :, 0]
    return air, np.minimum(dew_points_of_ln(ln_course), air), temps[0, :, :, 1]


def _columns(drive: Drive) -> tuple[Floats, ...]:
    return drive.outside_c, drive.outside_ln, drive.sun, drive.heat, drive.fuel


def model_changes(model: EnclosureModel, track: Track, drive: Drive, at: Places) -> Floats:
    """What the model says that each quantity will do: starts by horizons by quantities [K]."""
    heater = (drive.heat[at], drive.fuel[at])
    air, dew, hull = run_model(model, track, drive, at, int(HORIZON_CELLS[-1]), heater)
    picked = HORIZON_CELLS - 1
    now = track.table()[at]
    courses = [air, dew] if track.surface_temp_c is None else [air, dew, hull]
    return np.stack([c[:, picked] for c in courses], axis=2) - now[:, None, :]


def modelled_outlook(
    track: Track,
    outside: Outside,
    heat: Floats,
    fuel: Floats,
    *,
    start: EnclosureModel | None = None,
) -> tuple[Outlook, EnclosureModel, Drive]:
    """Return the outlook from log and forecast.

    Args:
        track: at least a day, up to now.
        outside: weather, the past days' hours too.
        heat: heater by cell of the log, 0 to 1.
        fuel: the part that burns fuel without a flue.
        start: an earlier fit to begin from.

    Returns:
        The outlook, the model behind it and what was taken to act on it.

    Raises:
        TooLittleLog: under a day of log, or nothing now.
        ModelRefused: the log does not determine the model.
        ForecastUnfit: it is too old, or does not reach three hours ahead.
    """
    notes = []
    if outside.made_s is not None:
        age_s = track.end_s - outside.made_s
        if age_s > DROPPED_AFTER_S:
            raise ForecastUnfit(
                f"forecast made {duration_text(age_s)} ago is over the "
                f"{duration_text(DROPPED_AFTER_S)} after which it is dropped, so the outlook goes "
                "by the trend alone; fetch a new one"
            )
        if age_s > STALE_AFTER_S:
            notes.append(f"forecast is {duration_text(age_s)} old: bands are wider for it")
    else:
        notes.append("forecast does not say when it was made: taken for 6 h old")
    drive = drive_of(track, outside, heat, fuel)
    ahead = drive.outside_c[track.count :]
    reach = int(np.argmin(np.isfinite(ahead))) if not np.isfinite(ahead).all() else ahead.size
    if reach < 36:
        raise ForecastUnfit(
            f"forecast reaches {duration_text(reach * CELL_S)} ahead without a gap, under the "
            "3 h that are of use, so the outlook goes by the trend alone; fetch a new one"
        )
    model = fit_model(track, drive, start)
    origins = origin_cells(track)
    changes = model_changes(model, track, drive, origins)
    # The past is what the program could have known: the last changes reach into the forecast.
    fit = fit_trend(track, changes)
    now_changes = changes[-1]
    usable = int(np.searchsorted(HORIZON_CELLS, reach, "right"))
    centre = centre_of(track, fit, np.nan_to_num(now_changes))
    draws = error_draws(fit, track.end_s)
    draws = draws + _weather_draws(model, track, drive, outside, fit.weights, draws.shape)
    if usable < HORIZON_CELLS.size:
        notes.append(
            f"forecast ends, or has a gap, {duration_text(reach * CELL_S)} ahead: looked no further"
        )
    kept = min(draws.shape[2], usable + 1)
    length = duration_text(track.count * CELL_S)
    outlook = assemble(
        track,
        centre[:, :kept],
        draws[:, :, :kept],
        f"the forecast and {length} of record",
    )
    return replace(outlook, notes=tuple(notes)), model, drive


def _weather_draws(
    model: EnclosureModel,
    track: Track,
    drive: Drive,
    outside: Outside,
    weights: Floats,
    shape: tuple[int, ...],
) -> Floats:
    """What an error of the forecast outside adds: the past hours were measured, these are not."""
    at = np.array([track.count - 1])
    warmer = replace(
        drive,
        outside_c=drive.outside_c + 1.0,
        outside_ln=drive.outside_ln + 1.0 / DEW_K_PER_LN,
    )
    response = (model_changes(model, track, warmer, at) - model_changes(model, track, drive, at))[0]
    response = np.nan_to_num(response)[: shape[2] - 1]
    ahead_s: Floats = CELL_S * HORIZON_CELLS[: shape[2] - 1].astype(np.float64)
    error_k = outside.error_k(track.end_s, ahead_s)
    half = shape[0] // 2
    # Evenly spaced normal quantiles, in an order that has nothing to do with the errors' own.
    normal = _normal_quantiles((np.arange(half) + 0.5) / half)
    order = (np.arange(half) * 89) % half if math.gcd(89, half) == 1 else np.arange(half)
    share = weights[:, : shape[2] - 1, -1].T
    one = normal[order][:, None, None] * (response * share * error_k[:, None]).T[None]
    added = np.zeros(shape)
    added[:half, :, 1:], added[half:, :, 1:] = one, -one
    return added


def _normal_quantiles(levels: Floats) -> Floats:
    normal = NormalDist()
    return np.array([normal.inv_cdf(float(level)) for level in levels])
