"""A member of the outlook: a damped trend with a learned daily shape, and its own errors.

For each horizon the change ahead is a weighted sum of a few features of the log; the weights are
fitted by least squares to the same log and drawn towards little: that damp stays as it is, and that
temperatures go half as on other days.
What the fit got wrong on days that it did not see makes the draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from rules.air.arrays import Floats
from rules.outlook.draws import Outlook
from rules.outlook.near_saturation import slowed
from rules.outlook.quantiles import (
    as_few_tell,
    independent_count,
    near_in_the_day,
    size_ratios,
    spread_evenly,
)
from rules.outlook.regression import DAY_KEPT, Places, usual
from rules.outlook.track import CELL_S, CELLS_A_DAY, TooLittleLog, Track, checked_track
from rules.units import DAY_S

Flags: TypeAlias = npt.NDArray[np.bool_]

LEAST_CELLS = CELLS_A_DAY
"""A day of log: below it the recent trend is all there is."""

MOST_CELLS = 8 * CELLS_A_DAY
"""Older log says little of the present weather and costs time."""

HORIZON_CELLS: Places = np.arange(3, CELLS_A_DAY + 1, 3, dtype=np.int64)
"""15 min to 24 h, every 15 min."""

ORIGIN_EVERY = 3  # cells between two places in the log from which the past is forecast
HOUR_CELLS, SHORT_CELLS = 12, 4
FEATURES, STEADY = 6, 4  # see `Features`; how many of them are the same for every horizon
# From here on errors of the first day, which had no day before it to learn from, do not count.
SHAPED_CELLS = 5 * CELLS_A_DAY // 2
# How many typical errors a jump may bend a weight by. No source: settled on simulated tents.
HUBER, ROUNDS = 1.5, 3
DRAWS = 256
# Errors made at other hours of the day and on earlier days count less: a bell of 2.5 h, never under
# a tenth, and DAY_KEPT for each day further back; of their mean so much is taken for chance. How
# large they are at an hour is drawn towards all hours' by as much as half a day's errors there.
# Settled on simulated enclosures so that bands hold and breaks come as told; no source.
DAY_WIDTH_S, DAY_FAR, BIAS_DOUBTED, DAYS_SHARED = 9000.0, 0.1, 0.75, 0.5


class Damping(NamedTuple):
    """How far a quantity's change ahead is held back until the log tells. No source.

    Attributes:
        weight_sd: how far from its prior a weight may lie without evidence.
        like_days: prior weight of what earlier days did from this hour on.
        doubt: an expected change whose square is this many times its sampling noise is half
            believed.
    """

    weight_sd: float
    like_days: float
    doubt: float


# Sun and people warm an enclosure by the day, so that a temperature is taken to go half as on other
# days: told less, every evening's fall came out too small and every limit broke more often than
# told. The damp in the air goes by the weather, which keeps no hours: its change is earned.
BY_DAY = Damping(0.7, 0.5, 1.0)
BY_WEATHER = Damping(0.4, 0.0, 8.0)
DAY_FEATURE, DEW_POINT = STEADY, 1

# As far ahead as the log has this many spans to tell of.
LEAST_WITNESSES = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """What was learned from one track.

    Attributes:
        weights: quantities by horizons by features.
        origin_s: from when each past forecast started [s].
        errors: past minus forecast, on days that the fit did not see: origins by horizons by
            quantities; NaN where the future is not known yet [K].
    """

    weights: Floats
    origin_s: Floats
    errors: Floats


class Features(NamedTuple):
    """What the change ahead is explained by; a day that is not known is left out, with none 0.

    Attributes:
        steady: what is the same for every horizon: how much the last hour's and the last 20 min's
            trend stand out of the days' usual one; where earlier days stood at this hour; and how
            they had moved: origins by features, 0 where they are not known.
        known: where the present and the last hour are.
        change: what earlier days did from this hour on: origins by horizons.
        lead: what the air is expected to do, 0 for the air itself: origins by horizons.
    """

    steady: Floats
    known: Flags
    change: Floats
    lead: Floats

    def of(self, part: slice) -> Features:
        """Return those of some origins."""
        return Features(self.steady[part], self.known[part], self.change[part], self.lead[part])

    def told(self, weights: Floats) -> Floats:
        """Return the change that weights, by horizons and features, expect: origins by horizons."""
        told: Floats = self.steady @ weights[:, :STEADY].T
        told += self.change * weights[:, STEADY]
        told += self.lead * weights[:, STEADY + 1]
        return told


def features_of(values: Floats, origins: Places, lead: Floats | None = None) -> Features:
    """Return what the change ahead is explained by.

    Args:
        values: one quantity, cell by cell, NaN where unknown.
        origins: cells to start from, ascending, as far apart as goes into a day.
        lead: what the air is expected to do: origins by horizons, or None for the air.
    """
    apart = int(origins[1] - origins[0]) if origins.size > 1 else CELLS_A_DAY
    at = np.arange(origins[0] % apart, origins[-1] + 1, apart)
    now = values[at]
    hour = now - _at(values, at - HOUR_CELLS)
    level = np.where(np.isfinite(hour), now, np.nan)
    days = usual(np.column_stack([level, hour, changes_after(values, at)]), CELLS_A_DAY // apart)
    days = days[: at.size]
    trend = np.nan_to_num(days[:, 1])
    level = np.where(np.isfinite(days[:, 0]), days[:, 0] - now, 0.0)
    steady = np.column_stack([hour - trend, now - _at(values, at - SHORT_CELLS), level, trend])
    known = np.isfinite(steady)
    change = np.nan_to_num(days[-origins.size :, 2:])
    return Features(
        np.where(known, steady, 0.0)[-origins.size :],
        known.all(axis=1)[-origins.size :],
        change,
        np.zeros_like(change) if lead is None else lead,
    )


def changes_after(values: Floats, origins: Places) -> Floats:
    """Return what came after each origin: origins by horizons; NaN where it is not known [K]."""
    padded = np.append(values, np.full(CELLS_A_DAY, np.nan))
    came: Floats = padded[origins[:, None] + HORIZON_CELLS] - values[origins][:, None]
    return came


def _at(values: Floats, places: Places) -> Floats:
    """Values at places, NaN before the first."""
    picked: Floats = np.where(places >= 0, values[np.maximum(places, 0)], np.nan)
    return picked


def fit_trend(track: Track) -> Fit:
    """Learn the weights by horizon and the errors that they make: of each horizon the w that have

        sum over origins of b (y - x w)^2 + (w - w0)^T S (w - w0)  least

    with y the change that came, x the features, b the belief in an origin (Huber), w0 the weights
    that are expected and S a diagonal of noise variance over prior variance.

    Args:
        track: at least a day.

    Returns:
        The fit; its errors come from fits that left out the day of each origin.

    Raises:
        TooLittleLog: under a day, or nothing now.

    Source:
        Ridge regression; out-of-fold residuals for conformal scores: "cross-conformal", V. Vovk,
        Annals of Mathematics and Artificial Intelligence 74 (2015) 9-28 (from memory).
    """
    checked_track(track, LEAST_CELLS)
    table = track.table()
    origins = origin_cells(track)
    # The first day had no earlier one to take its shape from: its errors are not today's.
    typical = origins >= (CELLS_A_DAY if track.count >= SHAPED_CELLS else 0)
    # The day of an origin, counted back from now, is the fold that it belongs to.
    begins = np.flatnonzero(np.diff((track.count - 1 - origins) // CELLS_A_DAY)) + 1
    folds = [slice(a, b) for a, b in pairwise([0, *begins.tolist(), origins.size])]
    weights, errors = [], []
    # What the air will do moves damp and hull too: its expected change is a feature of theirs.
    lead: Floats | None = None
    for quantity in range(table.shape[1]):
        x, y = (
            features_of(table[:, quantity], origins, lead),
            changes_after(table[:, quantity], origins),
        )
        usable = np.isfinite(y) & x.known[:, None]
        y = np.where(usable, y, 0.0)
        damping = BY_WEATHER if quantity == DEW_POINT else BY_DAY
        whole, left_out = _solve(x, y, usable, folds, damping)
        expected = np.concatenate(
            [x.of(fold).told(each) for fold, each in zip(folds, left_out, strict=True)]
        )
        earned = _earned(expected, y, usable, damping.doubt)
        expected, whole = expected * earned, whole * earned[:, None]
        if lead is None:
            lead = expected
        weights.append(whole)
        errors.append(np.where(usable & typical[:, None], y - expected, np.nan))
    return Fit(np.stack(weights), _origin_times(track, origins), np.stack(errors, axis=2))


def origin_cells(track: Track) -> Places:
    """Return the cells from which the past is forecast: every third, the last among them."""
    return np.arange((track.count - 1) % ORIGIN_EVERY, track.count, ORIGIN_EVERY)


def _origin_times(track: Track, origins: Places) -> Floats:
    return np.asarray(track.end_s - CELL_S * (track.count - 1.0 - origins), dtype=np.float64)


def _solve(
    x: Features, y: Floats, usable: Flags, folds: Sequence[slice], damping: Damping
) -> tuple[Floats, Floats]:
    """Weights from the whole log [h, f], and without each day [day, h, f]."""
    sd, prior = np.full(FEATURES, damping.weight_sd), np.zeros(FEATURES)
    prior[DAY_FEATURE] = damping.like_days
    overlap = np.maximum(HORIZON_CELLS / ORIGIN_EVERY, 1.0)
    missed = y
    for turn in range(ROUNDS):
        # Rare jumps (a door, a heater switched) shall not bend the weights of quiet hours.
        sizes = np.abs(missed)
        reach = np.maximum(HUBER * 1.4826 * _medians(sizes, usable), 1e-6)
        belief = np.where(usable, np.minimum(1.0, reach / np.maximum(sizes, 1e-12)), 0.0)
        noise = (belief * sizes * sizes).sum(axis=0) / np.maximum(belief.sum(axis=0), 1.0)
        parts = folds if turn == ROUNDS - 1 else [slice(None)]
        sums = [_sums(x.of(part), y[part], belief[part]) for part in parts]
        grams, sides = (np.stack(each) for each in zip(*sums, strict=True))
        # Errors of spans that overlap say the same thing: their noise counts that much more.
        penalty = np.maximum(noise * overlap, 1e-9)[:, None, None] * np.diag(1.0 / sd**2)
        gram, side = grams.sum(axis=0) + penalty, sides.sum(axis=0) + penalty @ prior
        whole = np.linalg.solve(gram, side[:, :, None])[:, :, 0]
        missed = np.where(usable, y - x.told(whole), 0.0)
    if len(folds) == 1:
        # Nothing is left to learn from: the errors are those of weights at their prior.
        return whole, np.broadcast_to(prior, (1, *whole.shape))
    left_out = np.linalg.solve(gram - grams, (side - sides)[:, :, :, None])
    return whole, left_out[:, :, :, 0]


def _medians(sizes: Floats, usable: Flags) -> Floats:
    """The middle of the usable ones by horizon, 0 where there are none."""
    count = usable.sum(axis=0)
    ordered = np.sort(np.where(usable, sizes, np.inf).T, axis=1)
    rows = np.arange(count.size)
    middle = ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2]
    return np.where(count > 0, 0.5 * middle, 0.0)


def _sums(x: Features, y: Floats, belief: Floats) -> tuple[Floats, Floats]:
    """The normal equations' products [h, f, f] and right side [h, f], summed over origins."""
    horizons = y.shape[1]
    gram, side = np.empty((horizons, FEATURES, FEATURES)), np.empty((horizons, FEATURES))
    pairs = (x.steady[:, :, None] * x.steady[:, None, :]).reshape(-1, STEADY * STEADY)
    gram[:, :STEADY, :STEADY] = (belief.T @ pairs).reshape(-1, STEADY, STEADY)
    side[:, :STEADY] = (belief * y).T @ x.steady
    for at, column in enumerate((x.change, x.lead), STEADY):
        weighted = belief * column
        gram[:, at, :STEADY] = gram[:, :STEADY, at] = weighted.T @ x.steady
        gram[:, at, STEADY] = np.einsum("nh,nh->h", weighted, x.change)
        gram[:, at, STEADY + 1] = np.einsum("nh,nh->h", weighted, x.lead)
        side[:, at] = np.einsum("nh,nh->h", weighted, y)
    return gram, side


def _earned(expected: Floats, y: Floats, usable: Flags, believed_from: float) -> Floats:
    """How much of the expected change, 0 to 1 by horizon, came true on days that were left out."""
    told = np.where(usable, expected, 0.0)
    missed = np.where(usable, y - told, 0.0)
    squares = (told * told).sum(axis=0)
    noise = (missed * missed).sum(axis=0) / np.maximum(usable.sum(axis=0), 1)
    overlap = np.maximum(HORIZON_CELLS / ORIGIN_EVERY, 1.0)
    doubt = believed_from * noise * overlap
    share: Floats = (told * y).sum(axis=0) / np.maximum(squares + doubt, 1e-12)
    return np.clip(share, 0.0, 1.0)


def centre_of(track: Track, fit: Fit) -> Floats:
    """Return the expected course from now on.

    Args:
        track: up to now.
        fit: learned from it, or from it as it stood a while ago.

    Returns:
        Quantities by horizons, the present first [°C].
    """
    table = track.table()
    last = np.array([track.count - 1])
    course = np.empty((table.shape[1], HORIZON_CELLS.size + 1))
    for quantity in range(table.shape[1]):
        lead = course[0, None, 1:] - course[0, 0] if quantity else None
        told = features_of(table[:, quantity], last, lead).told(fit.weights[quantity])[0]
        now = table[-1, quantity]
        course[quantity, 0] = now
        course[quantity, 1:] = now + told
    course[1] = np.minimum(course[1], course[0])
    return course


def error_draws(fit: Fit, now_s: float, count: int = DRAWS) -> Floats:
    """Return courses of error as likely as each other.

    Args:
        fit: with the errors that it made.
        now_s: when the outlook is made [s].
        count: how many.

    Returns:
        Draws by quantities by horizons, 0 at the present [K], as far ahead as the log has two
        independent errors to tell of. A draw is what one past origin got wrong, with its own sign:
        a door or a heater drives the margin up and not down, and mirrored errors broke every limit
        too often. It is scaled from the size that errors had from its hour on to the size that
        they have from this one on. Few errors tell neither bias nor size; see `as_few_tell`.
    """
    known = np.asarray(np.isfinite(fit.errors).all(axis=2))
    spans = known.sum(axis=0) * ORIGIN_EVERY / HORIZON_CELLS
    told = spans >= LEAST_WITNESSES
    horizons = int(np.argmin(told)) if not bool(told.all()) else told.size
    if horizons == 0:
        raise TooLittleLog(
            "the log has too many gaps to tell how far an outlook has been wrong, so none is made"
        )
    known = known[:, :horizons]
    kept = DAY_KEPT ** ((now_s - fit.origin_s) / DAY_S)
    weights = kept * near_in_the_day(fit.origin_s, now_s, DAY_WIDTH_S, DAY_FAR)
    usable = np.flatnonzero(known[:, 0])
    picked = usable[spread_evenly(weights[usable], count)]
    errors = _carried_on(fit.errors[:, :horizons], known)
    squares = np.where(known, np.einsum("ohq,ohq->oh", errors, errors), np.nan)
    ratios = size_ratios(squares, kept, fit.origin_s, now_s, DAY_WIDTH_S, DAYS_SHARED)
    witnesses = [
        independent_count(weights * each, ORIGIN_EVERY, lead)
        for each, lead in zip(known.T, HORIZON_CELLS.tolist(), strict=False)
    ]
    courses = errors[picked] * ratios[picked, :, None]
    courses = as_few_tell(courses, np.array(witnesses)[:, None], BIAS_DOUBTED)
    now = np.zeros((count, errors.shape[2], 1))
    return np.concatenate([now, courses.transpose(0, 2, 1)], axis=2)


def _carried_on(errors: Floats, known: Flags) -> Floats:
    """Errors of young origins, whose far future is not known yet, carried on from the last known.

    They grow as errors usually do from that horizon on.
    """
    squares = np.where(known[:, :, None], errors, 0.0) ** 2
    usual = np.sqrt(squares.sum(axis=0) / known.sum(axis=0)[:, None]) + 1e-9
    filled = np.where(known[:, :, None], errors, np.nan)
    for h in range(1, errors.shape[1]):
        before = filled[:, h - 1] * (usual[h] / usual[h - 1])
        filled[:, h] = np.where(np.isnan(filled[:, h]), before, filled[:, h])
    return filled


def assemble(track: Track, centre: Floats, draws: Floats, source: str) -> Outlook:
    """Return an outlook from the expected course and courses of error around it.

    In both the damp changes in even kelvins; see `rules.outlook.near_saturation`.
    """
    kept = draws.shape[2]
    horizons_s = np.append(0.0, HORIZON_CELLS * CELL_S)[:kept]
    courses = _slowed(centre[None, :, :kept] + draws, horizons_s)
    return Outlook(
        made_s=track.end_s,
        horizons_s=horizons_s,
        air_temp_c=courses[:, 0],
        dew_point_c=courses[:, 1],
        surface_temp_c=courses[:, 2] if courses.shape[1] > 2 else None,
        centre=_slowed(centre[None, :, :kept], horizons_s)[0],
        source=source,
        looked_ahead_s=float(HORIZON_CELLS[kept - 2]) * CELL_S,
    )


def _slowed(courses: Floats, horizons_s: Floats) -> Floats:
    """Courses, by quantities, whose dew point nears the air as it can; the present stays."""
    air, depression = courses[:, 0], courses[:, 0] - courses[:, 1]
    found = courses.copy()
    found[:, 1] = air - slowed(depression, depression[:, :1], horizons_s)
    return found
