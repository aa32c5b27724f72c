"""A member of the outlook: a damped trend with a learned daily shape, and its own errors.

For each horizon the change ahead is a weighted sum of a few features of the log; the weights are
fitted by least squares to the same log and drawn towards little: that damp stays as it is, and that
temperatures go half as on other days.
What the fit got wrong on days that it did not see makes the draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from rules.air.arrays import Floats
from rules.outlook.draws import Outlook
from rules.outlook.quantiles import near_in_the_day, spread_evenly
from rules.outlook.track import CELL_S, CELLS_A_DAY, TooLittleLog, Track, checked_track
from rules.units import DAY_S

Places: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]

LEAST_CELLS = CELLS_A_DAY
"""A day of log: below it the recent trend is all there is."""

MOST_CELLS = 8 * CELLS_A_DAY
"""Older log says little of the present weather and costs time."""

HORIZON_CELLS: Places = np.arange(3, CELLS_A_DAY + 1, 3, dtype=np.int64)
"""15 min to 24 h, every 15 min."""

ORIGIN_EVERY = 3  # cells between two places in the log from which the past is forecast
HOUR_CELLS, SHORT_CELLS = 12, 4
FEATURES = 5  # trend over an hour, over 20 min; the days' change, level and trend at this hour
# From here on errors of the first day, which had no day before it to learn from, do not count.
SHAPED_CELLS = 5 * CELLS_A_DAY // 2
DAY_KEPT = 0.7  # each day further back counts for this much of the one after it
# How many typical errors a jump may bend a weight by. No source: settled on simulated tents.
HUBER, ROUNDS = 1.5, 3
DRAWS = 256
# Errors made at other hours of the day and on earlier days count less: a bell of 2.5 h, never under
# a hundredth, and DAY_KEPT for each day further back; of their mean so much is taken for chance.
# Settled on simulated enclosures so that bands hold and breaks come as told; no source.
DAY_WIDTH_S, DAY_FAR, BIAS_DOUBTED = 9000.0, 0.01, 0.75


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
DAY_FEATURE, DEW_POINT = 2, 1

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


def features_of(values: Floats, origins: Places, horizons: Places) -> Floats:
    """Return what the change ahead is explained by.

    Args:
        values: one quantity, cell by cell, NaN where unknown.
        origins: cells to start from, whole numbers.
        horizons: cells ahead, at most a day, whole numbers.

    Returns:
        Horizons by origins by features: how much the last hour's and the last 20 min's trend stand
        out of the days' usual one; what earlier days did from this hour on; where they stood at
        this hour; and how they had moved. A day that is not known is left out; with none, 0. A
        feature is NaN where the present or the last hour is not known.
    """
    at, ahead = origins, horizons
    now = values[at]
    hour = now - _at(values, at - HOUR_CELLS)
    short = now - _at(values, at - SHORT_CELLS)
    change = np.zeros((ahead.size, at.size))
    change_weight = np.zeros_like(change)
    level, trend, weight = (np.zeros(at.size) for _ in range(3))
    for day in range(1, int(values.size) // CELLS_A_DAY + 1):
        then = at - CELLS_A_DAY * day
        kept = DAY_KEPT ** (day - 1)
        before = _at(values, then)
        moved = before - _at(values, then - HOUR_CELLS)
        known = np.isfinite(moved)
        level += np.where(known, kept * before, 0.0)
        trend += np.where(known, kept * moved, 0.0)
        weight += kept * known
        later = _at(values, then[None, :] + ahead[:, None]) - before
        known_ahead = np.isfinite(later)
        change += np.where(known_ahead, kept * later, 0.0)
        change_weight += kept * known_ahead
    any_day, any_ahead = weight > 0.0, change_weight > 0.0
    level = np.where(any_day, level / np.where(any_day, weight, 1.0) - now, 0.0)
    trend = np.where(any_day, trend / np.where(any_day, weight, 1.0), 0.0)
    change = np.where(any_ahead, change / np.where(any_ahead, change_weight, 1.0), 0.0)
    found = np.empty((ahead.size, at.size, FEATURES))
    found[:, :, 0] = hour - trend
    found[:, :, 1] = short
    found[:, :, 2] = change
    found[:, :, 3] = level
    found[:, :, 4] = trend
    return found


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
    ahead = HORIZON_CELLS
    target = origins[:, None] + ahead[None, :]
    known_target = target < track.count
    # The first day had no earlier one to take its shape from: its errors are not today's.
    typical = origins >= (CELLS_A_DAY if track.count >= SHAPED_CELLS else 0)
    # The day of an origin, counted back from now, is the fold that it belongs to.
    fold = (track.count - 1 - origins) // CELLS_A_DAY
    folds = int(fold.max()) + 1
    weights, errors = [], []
    # What the air will do moves damp and hull too: its expected change is a feature of theirs.
    lead = np.zeros((ahead.size, origins.size))
    for quantity in range(table.shape[1]):
        values = table[:, quantity]
        x = np.concatenate([features_of(values, origins, ahead), lead[:, :, None]], axis=2)
        future = np.where(known_target, values[np.minimum(target, track.count - 1)], np.nan)
        y = (future - values[origins][:, None]).T
        usable = np.isfinite(y) & np.isfinite(x).all(axis=2)
        x_all = np.where(np.isfinite(x), x, 0.0)
        x, y = np.where(usable[:, :, None], x, 0.0), np.where(usable, y, 0.0)
        damping = BY_WEATHER if quantity == DEW_POINT else BY_DAY
        sd, prior = np.full(x.shape[2], damping.weight_sd), np.zeros(x.shape[2])
        prior[DAY_FEATURE] = damping.like_days
        whole, left_out = _solve(x, y, usable, fold, folds, sd, prior)
        expected = np.einsum("hnf,nhf->hn", x_all, left_out[fold])
        earned = _earned(expected, y, usable, damping.doubt)
        expected, whole = expected * earned[:, None], whole * earned[:, None]
        if quantity == 0:
            lead = expected
        weights.append(whole)
        errors.append(np.where(usable & typical[None, :], y - expected, np.nan).T)
    return Fit(np.stack(weights), _origin_times(track, origins), np.stack(errors, axis=2))


def origin_cells(track: Track) -> Places:
    """Return the cells from which the past is forecast: every third, the last among them."""
    return np.arange((track.count - 1) % ORIGIN_EVERY, track.count, ORIGIN_EVERY)


def _origin_times(track: Track, origins: Places) -> Floats:
    return np.asarray(track.end_s - CELL_S * (track.count - 1.0 - origins), dtype=np.float64)


def _solve(
    x: Floats,
    y: Floats,
    usable: Flags,
    fold: Places,
    folds: int,
    sd: Floats,
    prior: Floats,
) -> tuple[Floats, Floats]:
    """Weights from the whole log [h, f], and without each day [day, h, f]."""
    width = x.shape[2]
    overlap = np.maximum(HORIZON_CELLS / ORIGIN_EVERY, 1.0)
    missed = np.where(usable, y, 0.0)
    by_fold = [fold == day for day in range(folds)]
    for _ in range(ROUNDS):
        # Rare jumps (a door, a heater switched) shall not bend the weights of quiet hours.
        typical = np.array(
            [
                np.median(np.abs(m[u])) if u.any() else 0.0
                for m, u in zip(missed, usable, strict=True)
            ]
        )
        reach = np.maximum(HUBER * 1.4826 * typical, 1e-6)[:, None]
        belief = usable * np.minimum(1.0, reach / np.maximum(np.abs(missed), 1e-12))
        noise = (belief * missed * missed).sum(axis=1) / np.maximum(belief.sum(axis=1), 1.0)
        weighted = x * belief[:, :, None]
        grams = np.stack([weighted[:, p].transpose(0, 2, 1) @ x[:, p] for p in by_fold])
        sides = np.stack(
            [(weighted[:, p].transpose(0, 2, 1) @ y[:, p][:, :, None])[:, :, 0] for p in by_fold]
        )
        # Errors of spans that overlap say the same thing: their noise counts that much more.
        penalty = np.maximum(noise * overlap, 1e-9)[:, None, None] * np.diag(1.0 / sd**2)
        gram = grams.sum(axis=0) + penalty
        side = sides.sum(axis=0) + (penalty @ prior[:, None])[:, :, 0]
        whole = np.linalg.solve(gram, side[:, :, None])[:, :, 0]
        missed = np.where(usable, y - np.einsum("hnf,hf->hn", x, whole), 0.0)
    if folds == 1:
        # Nothing is left to learn from: the errors are those of weights at their prior.
        return whole, np.broadcast_to(prior, (1, x.shape[0], width))
    left_out = np.linalg.solve(gram[None] - grams, (side[None] - sides)[:, :, :, None])
    return whole, left_out[:, :, :, 0]


def _earned(expected: Floats, y: Floats, usable: Flags, believed_from: float) -> Floats:
    """How much of the expected change, 0 to 1 by horizon, came true on days that were left out."""
    told = np.where(usable, expected, 0.0)
    missed = np.where(usable, y - told, 0.0)
    squares = (told * told).sum(axis=1)
    noise = (missed * missed).sum(axis=1) / np.maximum(usable.sum(axis=1), 1)
    overlap = np.maximum(HORIZON_CELLS / ORIGIN_EVERY, 1.0)
    doubt = believed_from * noise * overlap
    share: Floats = (told * y).sum(axis=1) / np.maximum(squares + doubt, 1e-12)
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
        x = features_of(table[:, quantity], last, HORIZON_CELLS)[:, 0]
        x = np.column_stack([x, course[0, 1:] - course[0, 0] if quantity else np.zeros(len(x))])
        # A trend that is not known (a gap in the last hour) counts as none.
        x = np.where(np.isfinite(x), x, 0.0)
        now = table[-1, quantity]
        course[quantity, 0] = now
        course[quantity, 1:] = now + (x * fit.weights[quantity]).sum(axis=1)
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
        too often. Most of their mean goes, since few days tell a bias.
    """
    known = np.asarray(np.isfinite(fit.errors).all(axis=2))
    spans = known.sum(axis=0) * ORIGIN_EVERY / HORIZON_CELLS
    told = spans >= LEAST_WITNESSES
    horizons = int(np.argmin(told)) if not bool(told.all()) else told.size
    if horizons == 0:
        raise TooLittleLog(
            "the log has too many gaps to tell how far an outlook has been wrong, so none is made"
        )
    weights = near_in_the_day(fit.origin_s, now_s, DAY_WIDTH_S, DAY_FAR)
    weights *= DAY_KEPT ** ((now_s - fit.origin_s) / DAY_S)
    usable = np.flatnonzero(known[:, 0])
    picked = usable[spread_evenly(weights[usable], count)]
    course = _carried_on(fit.errors[:, :horizons], known[:, :horizons])[picked].transpose(0, 2, 1)
    course -= BIAS_DOUBTED * course.mean(axis=0)
    # Of n spans the next lies outside all that were seen about once in n, mostly by other weather,
    # which moves air, damp and hull alike; what sets them apart spreads as a further observation.
    wider = 1.0 + 1.0 / spans[:horizons]
    alike = course.mean(axis=1, keepdims=True)
    course = alike * wider + (course - alike) * np.sqrt(wider)
    return np.concatenate([np.zeros((*course.shape[:2], 1)), course], axis=2)


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
    """Return an outlook from the expected course and courses of error around it."""
    kept = draws.shape[2]
    courses = centre[None, :, :kept] + draws
    air = courses[:, 0]
    return Outlook(
        made_s=track.end_s,
        horizons_s=np.append(0.0, HORIZON_CELLS * CELL_S)[:kept],
        air_temp_c=air,
        dew_point_c=np.minimum(courses[:, 1], air),
        surface_temp_c=courses[:, 2] if courses.shape[1] > 2 else None,
        centre=centre[:, :kept],
        source=source,
        looked_ahead_s=float(HORIZON_CELLS[kept - 2]) * CELL_S,
    )
