"""Scores of an outlook's draws and probabilities, and the simple forecasters that stand beside it.

Every forecaster sees the log up to its origin and no further. A simple forecaster's draws are its
value plus its own past errors at the same lead in the same log.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from rules.air.arrays import relative_humidities_pct, wetting_temps_c
from rules.limits import is_upper
from rules.outlook.draws import Outlook
from rules.outlook.track import CELLS_A_DAY, Track
from rules.vocabulary import LimitName

Floats = np.ndarray[Any, np.dtype[np.float64]]
LEADS_H = (1, 2, 3, 6, 9, 12)
SPANS_H = (2, 6, 12)
QUANTITIES = ("air", "humidity", "dew point", "surface", "margin")
SIMPLE = ("persistence", "persistence + hourly bias", "damped trend", "linear trend", "own days")
CELLS_AN_HOUR = 12
_LEAST_ERRORS = 8
_DAMPED_CELLS = 24.0  # a slope has lost 63 % of itself after two hours


def crps(draws: Floats, came: Floats) -> Floats:
    """Return the continuous ranked probability score of draws, smaller is better.

    mean |x − y| − ½ mean |x − x′| over all pairs of draws: the score of the draws' own step
    function, T. Gneiting and A. E. Raftery, J. Am. Stat. Assoc. 102 (2007) 359–378, eq. 21; the
    second mean from sorted draws.

    Args:
        draws: along the last axis; NaN in them gives NaN.
        came: what came, of the shape of the other axes.

    >>> round(float(crps(np.array([0.0, 2.0]), np.array(1.0))), 3)
    0.5
    """
    count = draws.shape[-1]
    ranked = np.sort(draws, axis=-1)
    weight = 2.0 * np.arange(1, count + 1) - count - 1.0
    between = (ranked * weight).sum(axis=-1) / count**2
    return np.asarray(np.abs(draws - np.asarray(came)[..., None]).mean(axis=-1) - between)


def brier(told: Floats, came: Floats) -> float:
    """Return the mean squared difference of probability and outcome (Brier 1950)."""
    return float(np.mean((np.asarray(told) - np.asarray(came, dtype=float)) ** 2))


def skill(own: float, other: float) -> float:
    """Return how much of another forecaster's score is saved, 1 at best, NaN where it has none."""
    return 1.0 - own / other if other > 0.0 else float("nan")


def chance_of(share: float, cases: int) -> float:
    """Return the standard deviation of a share of independent cases, never quite nought."""
    return float(np.sqrt(max(share * (1.0 - share), 0.25 / cases) / cases))


class Tenth(NamedTuple):
    """One tenth of told probabilities: mean told, share that came, its chance error, cases."""

    told: float
    came: float
    error: float
    cases: int


def tenths(told: Floats, came: Floats) -> list[Tenth]:
    """Return told against came by tenths of probability, empty ones left out."""
    place = np.minimum((np.asarray(told) * 10.0).astype(int), 9)
    found = []
    for number in range(10):
        held = place == number
        if held.any():
            mean = float(np.mean(came[held]))
            count = int(held.sum())
            found.append(Tenth(float(np.mean(told[held])), mean, chance_of(mean, count), count))
    return found


def truth(track: Track) -> Floats:
    """Return cells by quantities; NaN where there is no surface."""
    air, dew = track.air_temp_c, track.dew_point_c
    surface = np.full_like(air, np.nan) if track.surface_temp_c is None else track.surface_temp_c
    margin = surface - wetting_temps_c(dew)
    return np.column_stack([air, relative_humidities_pct(air, dew), dew, surface, margin])


def drawn(outlook: Outlook) -> Floats:
    """Return an outlook's draws as quantities by leads by draws, NaN beyond its end."""
    air, dew = outlook.air_temp_c, outlook.dew_point_c
    missing = np.full_like(air, np.nan)
    surface = missing if outlook.surface_temp_c is None else outlook.surface_temp_c
    margin = missing if outlook.surface_temp_c is None else surface - wetting_temps_c(dew)
    columns = (air, relative_humidities_pct(air, dew), dew, surface, margin)
    found = np.full((len(columns), len(LEADS_H), air.shape[0]), np.nan)
    for number, hours in enumerate(LEADS_H):
        at = int(np.argmin(np.abs(outlook.horizons_s - 3600.0 * hours)))
        if abs(float(outlook.horizons_s[at]) - 3600.0 * hours) < 1.0:
            for quantity, values in enumerate(columns):
                found[quantity, number] = values[:, at]
    return found


class Simple:
    """The simple forecasters on one log, reckoned once for every cell."""

    def __init__(self, values: Floats) -> None:
        """Reckon what each says at each cell; `values` are cells by quantities."""
        self.values = values
        self.points = [self._at(CELLS_AN_HOUR * hours) for hours in LEADS_H]

    def _at(self, lead: int) -> Floats:
        """Return forecasters by cells by quantities."""
        x = self.values
        count = len(x)
        change = np.full_like(x, np.nan)
        change[: count - lead] = x[lead:] - x[: count - lead]
        later = np.full_like(x, np.nan)
        later[: count - lead] = x[lead:]
        slope = np.full_like(x, np.nan)
        weights = np.arange(-6.0, 7.0)
        weights /= (weights**2).sum()
        for quantity in range(x.shape[1]):
            # np.convolve turns its second argument round, hence the sign.
            slope[12:, quantity] = -np.convolve(x[:, quantity], weights, mode="valid")
        damped = _DAMPED_CELLS * (1.0 - np.exp(-lead / _DAMPED_CELLS))
        return np.stack(
            [
                x,
                x + _of_earlier_days(change),
                x + damped * slope,
                x + lead * slope,
                _of_earlier_days(later),
            ]
        )

    def at(self, cell: int) -> tuple[Floats, list[list[Floats]]]:
        """Return points as leads by forecasters by quantities, and draws by lead and forecaster.

        Draws are quantities by errors, or empty where too few errors are known yet.
        """
        points, draws = [], []
        for number, hours in enumerate(LEADS_H):
            lead = CELLS_AN_HOUR * hours
            said = self.points[number]
            then = np.arange(cell - lead, -1, -CELLS_AN_HOUR)
            errors = self.values[then + lead][None] - said[:, then]
            points.append(said[:, cell])
            row = []
            for forecaster in range(len(SIMPLE)):
                known = errors[forecaster][np.isfinite(errors[forecaster][:, 0])]
                few = len(known) < _LEAST_ERRORS
                made = (said[forecaster, cell] + known).T
                if not few:
                    made[1] = np.clip(made[1], 0.0, 100.0)
                row.append(np.empty((len(QUANTITIES), 0)) if few else made)
            draws.append(row)
        return np.array(points), draws


def _of_earlier_days(values: Floats) -> Floats:
    """Return the mean over the same time of every earlier day, NaN where there is none."""
    found = np.full_like(values, np.nan)
    total, known = np.zeros_like(values), np.zeros_like(values)
    for cell in range(CELLS_A_DAY, len(values)):
        before = values[cell - CELLS_A_DAY]
        fine = np.isfinite(before)
        total[cell] = total[cell - CELLS_A_DAY] + np.where(fine, before, 0.0)
        known[cell] = known[cell - CELLS_A_DAY] + fine
    np.divide(total, known, out=found, where=known > 0.0)
    return found


class Asked(NamedTuple):
    """A limit that is asked about: its bound, or how far from the present value it stands."""

    name: LimitName
    bound: float | None = None
    off: float = 0.0

    def text(self) -> str:
        """Name it."""
        quantity = self.name.value.replace("_", " ")
        return (
            f"{quantity} {self.bound:g}"
            if self.bound is not None
            else f"{quantity} {self.off:g} off"
        )


PAINTER = (
    Asked(LimitName.DEW_MARGIN_MIN, 3.0),
    Asked(LimitName.HUMIDITY_MAX, 85.0),
    Asked(LimitName.AIR_TEMP_MIN, 10.0),
)
MOVING = (
    Asked(LimitName.DEW_MARGIN_MIN, off=2.0),
    Asked(LimitName.HUMIDITY_MAX, off=5.0),
    Asked(LimitName.AIR_TEMP_MIN, off=2.0),
)
_COLUMN = {
    LimitName.AIR_TEMP_MIN: QUANTITIES.index("air"),
    LimitName.HUMIDITY_MAX: QUANTITIES.index("humidity"),
    LimitName.DEW_MARGIN_MIN: QUANTITIES.index("margin"),
}


class Answer(NamedTuple):
    """Probability told, that of the log's own days, and when it came [h], infinite where never."""

    told: float
    days: float
    came_h: float
    room: float


def answered(values: Floats, cell: int, outlook: Outlook, ask: Asked, span_h: int) -> Answer | None:
    """Judge one limit that is kept at the origin, or None where it is not or cannot be judged.

    Args:
        values: truth, cells by quantities.
        cell: of the origin.
        outlook: made there.
        ask: the limit.
        span_h: how far to look [h].
    """
    sign = -1.0 if is_upper(ask.name) else 1.0
    column = sign * values[:, _COLUMN[ask.name]]
    bound = column[cell] - ask.off if ask.bound is None else sign * ask.bound
    span = CELLS_AN_HOUR * span_h
    course = column[cell + 1 : cell + 1 + span]
    if not column[cell] >= bound or len(course) < span or not np.isfinite(course).all():
        return None
    times = outlook.break_times_s(ask.name, sign * bound)
    if times is None or outlook.looked_ahead_s < 3600.0 * span_h:
        return None
    broke = known = 0
    for then in range(cell - CELLS_A_DAY, -1, -CELLS_A_DAY):
        past = column[then + 1 : then + 1 + span]
        least = bound if ask.bound is not None else column[then] - ask.off
        if np.isfinite(past).all() and np.isfinite(least):
            known += 1
            broke += bool((past < least).any())
    under = np.flatnonzero(course < bound)
    came_h = (under[0] + 1) / CELLS_AN_HOUR if len(under) else float("inf")
    told = float(np.mean(times <= 3600.0 * span_h))
    return Answer(told, (broke + 1.0) / (known + 2.0), came_h, float(column[cell] - bound))
