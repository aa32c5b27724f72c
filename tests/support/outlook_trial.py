"""Plays logs to the outlook, origin by origin, and keeps what was said beside what came."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from held_enclosures import Enclosure
from held_weather import (
    Weather,
    airfield,
    clear_sun_w_m2,
    grass_columns,
    office_columns,
    prairie,
)
from issued_forecasts import Issue, issued, outside
from outlook_door import Door
from outlook_judge import (
    CELLS_AN_HOUR,
    LEADS_H,
    MOVING,
    PAINTER,
    QUANTITIES,
    SIMPLE,
    SPANS_H,
    Asked,
    Simple,
    answered,
    crps,
    drawn,
    truth,
)

from rules.air.arrays import dew_points_c
from rules.limits import LimitJudgement, is_upper
from rules.outlook.draws import Outlook
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track, cell_means
from rules.trend import RecentTrend
from rules.vocabulary import LimitName, LimitState

Floats = np.ndarray[Any, np.dtype[np.float64]]
MODES = ("by the log", "with a forecast")
ENCLOSURES = "enclosures"
# Prime to a day's 288 cells, so that origins come to every hour of the day.
EVERY_CELLS = 41
LEARNT_CELLS = 3 * CELLS_A_DAY // 2

_SHAPE = (len(QUANTITIES), len(LEADS_H))
SCORE = np.dtype(
    [
        ("mode", "i1"), ("group", "i1"), ("log", "i2"), ("hour", "f4"), ("days", "f4"),
        ("margin", "f4"), ("came", "f4", _SHAPE), ("low", "f4", _SHAPE), ("middle", "f4", _SHAPE),
        ("high", "f4", _SHAPE), ("crps", "f4", _SHAPE),
        ("simple_error", "f4", (*_SHAPE, len(SIMPLE))),
        ("simple_crps", "f4", (*_SHAPE, len(SIMPLE))),
    ]
)  # fmt: skip
ANSWER = np.dtype(
    [
        ("mode", "i1"), ("group", "i1"), ("log", "i2"), ("hour", "f4"), ("limit", "i1"),
        ("span", "i1"), ("told", "f4"), ("days", "f4"), ("came_h", "f4"), ("room", "f4"),
    ]
)  # fmt: skip
HOLD = np.dtype(
    [("mode", "i1"), ("log", "i2"), ("hour", "f4"), ("span", "i1"), ("told", "f4"),
     ("came_h", "f4")]
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Log:
    """One log to be judged on.

    Attributes:
        name: of it.
        group: its place in the trial's groups, 0 for an enclosure.
        number: among all logs.
        track: what was measured.
        heat: heater that a person switched, by cell, 0 to 1.
        issues: forecasts of the weather round it, or None where it has none.
        asked: limits whose breaks are asked about.
    """

    name: str
    group: int
    number: int
    track: Track
    heat: Floats
    issues: list[Issue] | None
    asked: tuple[Asked, ...]


@dataclass
class Found:
    """What the trial found: rows of scores, answers and holds, and the processor time by mode."""

    scores: list[Any] = field(default_factory=list)
    answers: list[tuple[Any, ...]] = field(default_factory=list)
    holds: list[tuple[Any, ...]] = field(default_factory=list)
    spent_s: tuple[list[float], list[float]] = field(default_factory=lambda: ([], []))
    refused: int = 0
    recent: list[tuple[int, bool, float]] = field(default_factory=list)


def enclosure_logs(made: list[Enclosure]) -> list[Log]:
    """Return held-out enclosures with the forecasts of their weather."""
    return [
        Log(
            each.name, 0, each.seed, each.track, each.heat,
            None if each.weather is None or each.kind == "inner room"
            else issued(each.weather, each.seed),
            PAINTER + MOVING,
        )
        for each in made
    ]  # fmt: skip


def recording_logs(grass: Path | None) -> list[Log]:
    """Return recordings by others; outdoors the forecast is of the recorded air itself."""
    times, air, rh = office_columns()
    office_asked = (Asked(LimitName.AIR_TEMP_MIN, off=0.5), Asked(LimitName.HUMIDITY_MAX, off=2.0))
    outdoors = (PAINTER[1], *MOVING[1:])
    found = [
        Log("office room", 1, 100, _track(times, air, rh, None), np.zeros(0), None, office_asked)
    ]
    for group, name, weather in ((2, "prairie", prairie()), (3, "airfield", airfield(0, 39, 1))):
        track = _weather_track(weather)
        found.append(
            Log(name, group, 100 + group, track, np.zeros(track.count),
                issued(weather, 100 + group), outdoors)
        )  # fmt: skip
    if grass is not None:
        columns = grass_columns(grass)
        track = _track(*columns)
        found.append(
            Log("grass", 4, 104, track, np.zeros(track.count),
                issued(_grass_weather(*columns[:3]), 104), PAINTER + MOVING)
        )  # fmt: skip
    return found


def _track(time_s: Floats, air: Floats, rh: Floats, surface: Floats | None) -> Track:
    end_s = float(time_s[-1])
    cells = int((end_s - time_s[0]) // CELL_S)
    dew = dew_points_c(air, rh, missing_ok=True)
    columns = [air, dew] if surface is None else [air, dew, surface]
    return Track(end_s, *(cell_means(time_s, each, end_s, cells) for each in columns))


def _weather_track(weather: Weather) -> Track:
    end_s = float(weather.time_s[-1])
    cells = int((end_s - weather.time_s[0]) // CELL_S)
    columns = (weather.temp_c, weather.dew_c)
    return Track(end_s, *(cell_means(weather.time_s, each, end_s, cells) for each in columns))


def _grass_weather(time_s: Floats, air: Floats, rh: Floats) -> Weather:
    dew = dew_points_c(air, rh, missing_ok=True)
    known = np.isfinite(air) & np.isfinite(dew)
    temp, dew = (np.interp(time_s, time_s[known], each[known]) for each in (air, dew))
    still = np.zeros_like(time_s)
    cloud = np.clip(1.0 - (temp - dew) / 8.0, 0.0, 1.0)
    sun = clear_sun_w_m2(time_s, 46.8) * (1.0 - 0.75 * cloud)
    return Weather(time_s, temp, dew, sun, still, temp)


def play(log: Log, every: int, found: Found) -> None:
    """Make outlooks along a log and add what they said to what was found.

    Args:
        log: to play.
        every: cells between two origins by the log; with a forecast every second of them.
        found: to add to.
    """
    values = truth(log.track)
    simple, door = Simple(values), Door()
    known = np.isfinite(log.track.table()).all(axis=1)
    last = log.track.count - CELLS_AN_HOUR * LEADS_H[-1] - 1
    first = LEARNT_CELLS + (7 * log.number) % every
    for turn, cell in enumerate(range(first, last, every)):
        ahead = [cell, *(cell + CELLS_AN_HOUR * hours for hours in LEADS_H)]
        if not known[ahead].all():
            continue
        past = log.track.until(cell + 1)
        begin = time.process_time()
        outlook = door.by_log(past)
        found.spent_s[0].append(time.process_time() - begin)
        points, draws = simple.at(cell)
        _keep(log, 0, cell, values, outlook, points, draws, found)
        if log.issues is None or turn % 2:
            continue
        hours, issues = outside(log.issues, past.end_s)
        begin = time.process_time()
        outlook, of_use = door.by_forecast(past, hours, log.heat[: cell + 1], issues)
        found.spent_s[1].append(time.process_time() - begin)
        found.refused += not of_use
        _keep(log, 1, cell, values, outlook, points, draws, found)
    if log.group == 0:
        _recent_trend(log, values, found)


def _keep(
    log: Log,
    mode: int,
    cell: int,
    values: Floats,
    outlook: Outlook,
    points: Floats,
    draws: list[list[Floats]],
    found: Found,
) -> None:
    """Score one outlook and add it."""
    row = np.zeros((), SCORE)
    hour = outlook.made_s / 3600.0 % 24.0
    row["mode"], row["group"], row["log"], row["hour"] = mode, log.group, log.number, hour
    row["days"], row["margin"] = (cell + 1) / CELLS_A_DAY, values[cell, 4]
    said = drawn(outlook)
    came = np.array([values[cell + CELLS_AN_HOUR * hours] for hours in LEADS_H]).T
    row["came"], row["crps"] = came, crps(said, came)
    row["low"], row["middle"], row["high"] = np.quantile(said, (0.1, 0.5, 0.9), axis=2)
    for lead in range(len(LEADS_H)):
        for forecaster in range(len(SIMPLE)):
            error = points[lead, forecaster] - came[:, lead]
            row["simple_error"][:, lead, forecaster] = error
            made = draws[lead][forecaster]
            row["simple_crps"][:, lead, forecaster] = (
                crps(made, came[:, lead]) if made.size else np.nan
            )
    found.scores.append(row)
    by_limit = {}
    for limit, ask in enumerate(log.asked):
        for span in SPANS_H:
            answer = answered(values, cell, outlook, ask, span)
            if answer is not None:
                by_limit[limit, span] = answer
                found.answers.append((mode, log.group, log.number, hour, limit, span, *answer))
    for span in SPANS_H[1:]:
        painter = [by_limit.get((limit, span)) for limit in range(len(PAINTER))]
        if log.group == 0 and all(each is not None for each in painter):
            told = max(each.told for each in painter if each is not None)
            came_h = min(each.came_h for each in painter if each is not None)
            found.holds.append((mode, log.number, hour, span, told, came_h))


def _recent_trend(log: Log, values: Floats, found: Found) -> None:
    """Add the moments at which the last hour's trend alone would hold, and when a break came."""
    trend, held_before = RecentTrend(), False
    columns = {LimitName.AIR_TEMP_MIN: 0, LimitName.HUMIDITY_MAX: 1, LimitName.DEW_MARGIN_MIN: 4}
    inside = np.ones(len(values), dtype=bool)
    for ask in PAINTER:
        sign = -1.0 if is_upper(ask.name) else 1.0
        assert ask.bound is not None
        inside &= sign * (values[:, columns[ask.name]] - ask.bound) >= 0.0
    for cell in range(len(values) - 3 * CELLS_AN_HOUR):
        judged = []
        for ask in PAINTER:
            sign = -1.0 if is_upper(ask.name) else 1.0
            assert ask.bound is not None
            value = float(values[cell, columns[ask.name]])
            room = sign * (value - ask.bound)
            state = LimitState.OK if room >= 0.0 else LimitState.BROKEN
            judged.append(
                LimitJudgement(ask.name, state, value, ask.bound, 0.0, room, room, "", "")
            )
        trend.take(judged, CELL_S * cell)
        holds = bool(inside[cell]) and bool(trend.breaks(judged, CELL_S * cell))
        if holds:
            out = np.flatnonzero(~inside[cell + 1 :])
            came_h = (out[0] + 1) / CELLS_AN_HOUR if len(out) else float("inf")
            found.recent.append((cell, not held_before, came_h))
        held_before = holds
