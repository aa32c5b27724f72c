"""The outlook: members that each tell a whole course, weighed by how they did in this log.

Members are the damped trend, the log's own level at this hour, and regressions on what the log and
a forecast show. A draw is one past origin's errors of all of them, weighed alike, so that it stays
one course of events, and what went wrong in company does so again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rules.air.arrays import Floats
from rules.outlook.damped_trend import (
    HORIZON_CELLS,
    ORIGIN_EVERY,
    assemble,
    centre_of,
    error_draws,
    fit_trend,
    origin_cells,
)
from rules.outlook.draws import Outlook
from rules.outlook.near_saturation import evened
from rules.outlook.prior import Priors
from rules.outlook.quantiles import independent_count, near_in_the_day, spread_evenly
from rules.outlook.regression import (
    DAY,
    FORECAST_CHANGES,
    QUANTITIES,
    Member,
    Outdoors,
    regression,
    usual,
    windows,
)
from rules.outlook.track import CELL_S, Track
from rules.outlook.weather import Outside, forecast_notes
from rules.text import duration_text

STEP_S = ORIGIN_EVERY * CELL_S
AHEAD_S: Floats = CELL_S * HORIZON_CELLS.astype(np.float64)
SCALE = np.array([1.0, 1.0, 0.001])  # sun in kW/m2
# How members are weighed: by so many past origins, at hours near this one, and how soon a worse one
# loses its say. Settled on simulated enclosures; no source.
SCORED, LEAST_SCORED, WIDTH_S, FAR, SHARPNESS = 64, 8, 10_800.0, 0.1, 1.0
# What the regression on a forecast counts at first, in place of that on the log and beside each
# other's 1; settled so too.
FORECAST_FIRST = 4.0
# A forecast that in its first hours leads away from the log by so many times what it usually does
# is followed by every second draw only, the others go by the log: judgement, no source.
PARTS_STEPS, PARTS_TIMES, PARTS_LEAST_K = 16, 6.0, 1.0
PARTS = (
    "forecast and record part by {:.1f} K within 4 h, far more than before: the ranges hold both. "
    "See that the forecast is of this place and its times are right"
)
_SEED = 20_261
_MEMORY_S = 43_200.0  # how long a forecast's error lasts; common practice, no source
SUN_ERROR = 0.3  # of the sun that is forecast; no source


def outlook_of_log(
    track: Track,
    priors: Priors,
    outside: Outside | None = None,
    issues: Sequence[Outside] = (),
) -> Outlook:
    """Return the outlook.

    Args:
        track: at least a day, up to now.
        priors: what the regressions begin from.
        outside: weather, past and coming, or None.
        issues: the past days' forecasts as they were issued, in their order.

    Raises:
        TooLittleLog: under a day of log, or nothing now.
        ForecastUnfit: it is too old, or does not reach three hours ahead.
    """
    fit = fit_trend(track)
    table = track.table()
    count = table.shape[1]
    # Where no surface is measured, one that goes with the air stands in, and is left out again.
    columns = [0, 1, 2 if count > 2 else 0]
    values = table[origin_cells(track)][:, columns]
    trend = centre_of(track, fit)[columns]
    plain = regression(values, priors)
    members = [Member(trend[:, 1:] - trend[:, :1], fit.errors[:, :, columns]), level(values), plain]
    notes: tuple[str, ...] = ()
    source = f"{duration_text(track.count * CELL_S)} of record"
    outdoors = forecast = None
    apart_k = 0.0
    if outside is not None:
        outside = outside.held_back(track.end_s)
        outdoors = outdoors_at(outside, fit.origin_s, issues)
        known = np.isfinite(outdoors.ahead[:, -1, 0] - outdoors.came[-1, 0])
        notes = forecast_notes(outside, track.end_s, known, STEP_S)
        forecast = regression(values, priors, outdoors)
        apart_k = parts_by_k(forecast, plain)
        forecast = _stood_in(forecast, plain, priors)
        members.append(forecast)
        source = f"the forecast and {source}"
    at_first = np.ones((len(members), DAY))
    if forecast is not None:
        tells = np.isfinite(forecast.change).all(axis=0)
        at_first[-2:] = [~tells, FORECAST_FIRST * tells]
    weights = weights_of(members, fit.origin_s, track.end_s, at_first)
    change = expected(members, weights)
    errors = np.zeros_like(plain.errors)
    for share, member in zip(weights, members, strict=True):
        told = share > 0.0
        errors[:, told] += share[told][:, None] * member.errors[:, told]
    centre = np.column_stack([values[-1], values[-1][:, None] + change])[:count]
    depression = values[:, 0] - values[:, 1]
    came = windows(depression, len(values)).T
    errors[:, :, 1] += came - evened(came, depression[:, None], AHEAD_S)
    draws = error_draws(replace(fit, errors=errors[:, :, :count]), track.end_s)
    if outside is not None and outdoors is not None and forecast is not None:
        sizes = np.zeros((3, DAY))
        sizes[:2] = outside.error_k(track.end_s, AHEAD_S)
        sizes[2] = 10.0 * SUN_ERROR * np.nan_to_num(outdoors.ahead[:, -1, 2])
        # Where the past was forecast too, its errors are among those that were made.
        sizes *= np.sqrt(1.0 - outdoors.issued)
        added = weather_draws(forecast, sizes * weights[-1], len(draws))
        draws[:, :, 1:] += added[:, :count, : draws.shape[2] - 1]
        if apart_k:
            alone = members[:-1]
            at_first = np.ones((len(alone), DAY))
            by_log = weights_of(alone, fit.origin_s, track.end_s, at_first)
            by_forecast = np.where(np.isfinite(forecast.change), forecast.change, change)
            for half, course in enumerate((expected(alone, by_log), by_forecast)):
                draws[half::2, :, 1:] += (course - change)[:count, : draws.shape[2] - 1]
            notes += (PARTS.format(apart_k),)
    return replace(assemble(track, centre, draws, source), notes=notes)


def expected(members: Sequence[Member], weights: Floats) -> Floats:
    """Return the change ahead that members, by their weights, tell together [K]."""
    told = [
        np.where(w > 0.0, each.change, 0.0) * w for each, w in zip(members, weights, strict=True)
    ]
    return np.asarray(sum(told))


def parts_by_k(forecast: Member, plain: Member) -> float:
    """Return how far a forecast leads away from the log in its first hours, where that is far.

    Args:
        forecast: the regression on it, with errors where its past is known.
        plain: the regression on the log alone.

    Returns:
        The most of any quantity; 0 where it is no more than `PARTS_TIMES` what it usually was, by
        root mean square, or than `PARTS_LEAST_K` [K].
    """
    first = slice(0, PARTS_STEPS)
    # What came cancels out: how far apart the two were before.
    before = np.square(forecast.errors[:, first] - plain.errors[:, first])
    known = np.isfinite(before)
    enough = known.sum(axis=0) >= DAY
    usually = np.sqrt(np.where(known, before, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1))
    now = np.abs(forecast.change - plain.change)[:, first].T
    far = enough & (now > np.maximum(PARTS_TIMES * usually, PARTS_LEAST_K))
    return float(now[far].max(initial=0.0))


def level(values: Floats) -> Member:
    """Return the member that goes to where the log usually stands at each hour.

    Args:
        values: steps by quantities [°C].
    """
    count, days = len(values), usual(values)
    missed = np.concatenate([values - days[:count], np.full((DAY, values.shape[1]), np.nan)])
    errors = np.stack([windows(each, count).T for each in missed.T], axis=2)
    return Member((days[count:] - values[-1]).T, errors)


def outdoors_at(outside: Outside, times_s: Floats, issues: Sequence[Outside] = ()) -> Outdoors:
    """Return the weather outside at even steps, and ahead of each as forecast by then.

    Args:
        outside: weather as it is known now; it stands in where no issue is known.
        times_s: of the steps [s].
        issues: forecasts as they were issued, in their order.
    """
    count = times_s.size
    whole = np.append(times_s, times_s[-1] + AHEAD_S)

    def told(by: Outside, first: int, last: int) -> tuple[Floats, Floats]:
        columns = np.column_stack(by.at(whole[first : last + DAY])) * SCALE
        size = last - first
        return columns[:size], np.stack([windows(c, size) for c in columns.T], axis=2)

    now, ahead = told(outside, 0, count)
    made_s = np.array([np.nan if each.made_s is None else each.made_s for each in issues])
    was_issued = np.zeros(count, dtype=bool)
    for issue, begin_s, end_s in zip(issues, made_s, [*made_s, np.inf][1:], strict=False):
        first, last = (int(n) for n in np.searchsorted(times_s, (begin_s, end_s)))
        # The newest step is told by what is known now, whatever was issued.
        last = min(last, first + DAY, count - 1)
        if first < last:
            then = told(issue, first, last)[1]
            known = np.isfinite(then)
            ahead[:, first:last] = np.where(known, then, ahead[:, first:last])
            was_issued[first:last] = known[: DAY // 4, :, 0].all(axis=0)
    return Outdoors(now, ahead, float(was_issued.mean()))


def _stood_in(forecast: Member, plain: Member, priors: Priors) -> Member:
    """A forecast's member with the errors that it will have made where the past is not known.

    They are the log's own, less by what a forecast is worth in typical enclosures.
    """
    worth = np.column_stack(
        [priors[q, True].noise / priors[q, False].noise for q in range(QUANTITIES)]
    )
    return forecast._replace(
        errors=np.where(np.isfinite(forecast.errors), forecast.errors, plain.errors * worth)
    )


def weights_of(members: list[Member], times_s: Floats, now_s: float, at_first: Floats) -> Floats:
    """Return how much each member counts: members by steps ahead, summing to 1,

        w = w0 exp(-s sqrt(n) (CRPS / least CRPS - 1))

    with n the independent errors near this hour of the day. A member that tells nothing, or whose
    errors are known of under half of the origins that another's are, counts 0.

    Args:
        members: with the errors that they made.
        times_s: when the past forecasts were made [s].
        now_s: [s].
        at_first: w0, what each counts before its errors are known.

    Source:
        Score of draws x: E|x - y| - E|x - x'| / 2, T. Gneiting, A. E. Raftery, J. Am. Stat. Assoc.
        102 (2007) 359-378; exponential weights: common practice.
    """
    near = near_in_the_day(times_s, now_s, WIDTH_S, FAR)
    known = np.stack([np.isfinite(member.errors).all(axis=2) for member in members])
    counts = known.sum(axis=1)
    tells = np.array([np.isfinite(member.change).all(axis=0) for member in members])
    most = np.where(tells, counts, 0).max(axis=0)
    weights = np.where(tells & (2 * counts >= most), at_first, 0.0)
    counted = weights > 0.0
    usable = np.asarray((known | ~counted[:, None]).all(axis=0))
    scored = np.flatnonzero(usable.sum(axis=0) >= LEAST_SCORED)
    if scored.size:
        nearby = near[:, None] * usable[:, scored]
        picked = np.stack([spread_evenly(each, SCORED) for each in nearby.T])
        scores = np.stack([crps(member.errors[picked, scored[:, None]]) for member in members])
        scores = np.where(counted[:, scored], scores, np.inf)
        witnesses = [
            independent_count(each, 1.0, k + 1.0) for k, each in zip(scored, nearby.T, strict=True)
        ]
        worse = scores / np.maximum(scores.min(axis=0), 1e-9) - 1.0
        weights[:, scored] *= np.exp(-SHARPNESS * np.sqrt(witnesses) * worse)
    shares: Floats = weights / weights.sum(axis=0)
    return shares


def crps(missed: Floats) -> Floats:
    """Return the score of draws that are these errors with both signs, judged by the same errors.

    Args:
        missed: errors by air, dew point and surface [K], of one lead or, before those, by leads.

    Returns:
        Summed over the three and the dew margin, by leads [K].

    >>> errors = np.array([[1.0, 0.0, 0.0], [-3.0, 0.0, 0.0]])
    >>> float(crps(errors))  # draws 1, -1, 3, -3: a mean of 2.5 to an error, half of that apart
    1.25
    """
    margin = missed[..., 2:] - missed[..., 1:2]
    sizes = np.sort(np.abs(np.concatenate([missed, margin], axis=-1)), axis=-2)
    # |a - b| + |a + b| is twice the larger: of n sizes the k-th is that of 2 k - 1 pairs.
    count = sizes.shape[-2]
    pairs = np.arange(1.0, 2.0 * count, 2.0)
    return np.asarray(0.5 * np.einsum("...kq,k->...", sizes, pairs) / count**2)


def weather_draws(member: Member, sizes: Floats, count: int) -> Floats:
    """Return what errors of a forecast add: of temperature, dew point and sun, drawn apart.

    Args:
        member: the regression on it.
        sizes: of each of the three, by steps ahead, as far as the member counts.
        count: of draws.

    Returns:
        Draws by quantities by steps ahead [K].
    """
    random = np.random.default_rng(_SEED)
    kept = float(np.exp(-STEP_S / _MEMORY_S))
    course = random.standard_normal((count, 3, DAY))
    for k in range(1, DAY):
        course[:, :, k] = kept * course[:, :, k - 1] + np.sqrt(1.0 - kept**2) * course[:, :, k]
    course *= sizes
    on_the_way = np.cumsum(course, axis=2) / np.arange(1.0, DAY + 1.0)
    # An error moves the change that is forecast, that beside other days' and the mean on the way.
    change, beside, mean = np.split(np.nan_to_num(member.weights[:, :, :FORECAST_CHANGES]), 3, 2)
    draws = np.einsum("dch,qhc->dqh", course, change + beside)
    return np.asarray(draws + np.einsum("dch,qhc->dqh", on_the_way, mean))
