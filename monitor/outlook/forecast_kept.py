"""Keeps the hours that a forecast's topic has told of in a file beside the log, over a restart.

A message tells of the hours ahead; those of the past days, by which the enclosure's model learns,
came with messages that no broker keeps.
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import numpy as np

from sensors.forecast import ForecastHours
from sensors.forecast_columns import ForecastFault

_FORM = 1
_MOST_BYTES = 4_000_000
_COLUMNS = 5


def beside(log: Path) -> Path:
    """Return where a log's hours are kept.

    >>> beside(Path("log.db")).name
    'log.db.forecast'
    """
    return log.with_name(log.name + ".forecast")


def keep(path: Path, topic: str, hours: ForecastHours) -> None:
    """Write hours to their file, so that it is whole whenever the power goes.

    Args:
        path: of the file.
        topic: that told of them.
        hours: all that are known.

    Raises:
        OSError: it cannot be written; what was there before stays.
    """
    sun = np.full(hours.time_s.size, math.nan) if hours.sun_w_m2 is None else hours.sun_w_m2
    table = np.column_stack([hours.time_s, hours.temp_c, hours.dew_point_c, hours.rh_pct, sun])
    rows = [[None if math.isnan(cell) else cell for cell in row] for row in table.tolist()]
    text = json.dumps({"form": _FORM, "topic": topic, "made_s": hours.made_s, "hours": rows})
    part = path.with_name(path.name + ".part")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def kept(path: Path, topic: str) -> ForecastHours | None:
    """Read hours that were kept.

    Args:
        path: of the file.
        topic: that must have told of them.

    Returns:
        The hours, or None where there is no file or another topic's.

    Raises:
        ForecastFault: the file cannot be used.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _unusable(path, (error.strerror or type(error).__name__).lower()) from None
    try:
        told = json.loads(content)
        if told["form"] != _FORM or told["topic"] != topic:
            return None
        table = np.array(told["hours"], dtype=float)
        made_s = None if told["made_s"] is None else float(told["made_s"])
    except (ValueError, KeyError, TypeError, RecursionError) as fault:
        raise _unusable(path, f"{type(fault).__name__} in it") from None
    if table.ndim != 2 or table.shape[0] < 2 or table.shape[1] != _COLUMNS:
        raise _unusable(path, "it holds no table of hours")
    time_s, temp_c, dew_point_c, rh_pct, sun_w_m2 = table.T
    humid = np.isfinite(dew_point_c) | np.isfinite(rh_pct)
    if not (np.isfinite(temp_c).all() and humid.all() and (np.diff(time_s) > 0.0).all()):
        raise _unusable(path, "its hours are out of order or not whole")
    sun = sun_w_m2 if bool(np.isfinite(sun_w_m2).all()) else None
    return ForecastHours(time_s, temp_c, dew_point_c, rh_pct, sun, made_s, (), 0)


def _unusable(path: Path, why: str) -> ForecastFault:
    return ForecastFault(
        f"{path}: the forecast's past hours cannot be read ({why}), so the outlook begins without "
        "them; the next message writes the file anew"
    )
