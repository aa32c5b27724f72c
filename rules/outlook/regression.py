"""The regression member: the change ahead as a weighted sum of what log and forecast show now.

Its weights begin at what typical enclosures under typical years have (`prior`) and follow the
log: a past forecast only ever knew what the log held by then, so that its errors are honest.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from rules.air.arrays import Floats
from rules.outlook.prior import Prior, Priors

Places: TypeAlias = npt.NDArray[np.int64]

DAY = 96
"""Steps of 15 min in a day, and how many steps ahead is looked."""

DAY_KEPT = 0.7  # each day further back counts for this much of the one after it
HOUR, SHINE = 4, 8
BLOCK = 24  # steps after which past weights are reckoned anew
QUANTITIES = 3
LATELY = 12  # steps whose mean tells where a quantity has been lately
FORECAST_CHANGES = 9  # first: what is forecast, that beside other days', its mean on the way
PRIOR_COUNT = 20.0  # origins that the prior's noise counts for; no source
# Weights are reckoned at these steps ahead, and lie on straight lines between.
KNOTS = np.array([1, 2, 3, 4, 6, 8, 12, 16, 20, 24, 32, 40, 48, 56, 64, 72, 80, 88, 96])


class Member(NamedTuple):
    """What a member says from now on, and how wrong it was before.

    Attributes:
        change: quantities by steps ahead [K].
        errors: what came less what was said: origins by steps ahead by quantities; NaN where the
            future is not known yet [K].
        weights: quantities by steps ahead by features; empty for one without.
    """

    change: Floats
    errors: Floats
    weights: Floats = np.empty((QUANTITIES, DAY, 0))


class Outdoors(NamedTuple):
    """Weather outside: temperature and dew point [°C] and sun [kW/m²].

    Attributes:
        came: at each step of the log: steps by three.
        ahead: from each step on, as then forecast: steps ahead by steps by three.
        issued: share of the steps for which it is known what was forecast then, 0 to 1; of the
            others what came is taken.
    """

    came: Floats
    ahead: Floats
    issued: float = 0.0


def usual(values: Floats, day: int = DAY) -> Floats:
    """Return what each step's hour was like on the days before, younger ones counting more.

    Args:
        values: steps by quantities, NaN where unknown.
        day: steps in a day.

    Returns:
        Steps, a day beyond the last among them, by quantities; NaN where no day before is known.

    >>> usual(np.repeat([[1.0], [3.0]], DAY, axis=0))[[0, DAY, 2 * DAY], 0].round(2)
    array([ nan, 1.  , 2.18])
    """
    count, width = values.shape
    known = np.isfinite(values)
    total, weight = (np.zeros((count + day, width)) for _ in range(2))
    for begin in range(day, count + day, day):
        step = slice(begin, min(begin + day, count + day))
        back = slice(begin - day, step.stop - day)
        total[step] = np.where(known[back], values[back], 0.0) + DAY_KEPT * total[back]
        weight[step] = known[back] + DAY_KEPT * weight[back]
    lost = np.where(weight > 0.0, 1.0, np.nan)
    return total / np.maximum(weight, 1e-9) * lost


def windows(course: Floats, count: int) -> Floats:
    """Return a course from each of `count` steps on: steps ahead by steps, NaN beyond its end."""
    padded = np.append(course, np.full(max(0, count + DAY - course.size), np.nan))
    return np.lib.stride_tricks.sliding_window_view(padded[1:], count)[:DAY]


def _back(values: Floats, steps: int) -> Floats:
    return np.concatenate([np.full((steps, *values.shape[1:]), np.nan), values[:-steps]])


def _mean_before(values: Floats, steps: int) -> Floats:
    """Return the mean of what is known of the last steps at each: steps by columns, else 0."""
    at = np.arange(1, len(values) + 1)
    first = np.maximum(at - steps, 0)
    known = np.isfinite(values)
    total, count = (
        np.cumsum(np.concatenate([np.zeros((1, values.shape[1])), each]), axis=0)
        for each in (np.where(known, values, 0.0), known)
    )
    mean: Floats = (total[at] - total[first]) / np.maximum(count[at] - count[first], 1.0)
    return mean


def _or_none(found: Floats) -> Floats:
    """Of a day before that is not known nothing is told: 0."""
    told: Floats = np.where(np.isnan(found), 0.0, found)
    return told


class Shown:
    """What is shown at each step of the log, for one quantity; `at` gives it for one lead."""

    def __init__(self, values: Floats, quantity: int, outdoors: Outdoors | None) -> None:
        """Take air, dew point and surface [°C], steps by quantities, and which of them moves."""
        count = len(values)
        days = usual(values)
        moved = values - _back(values, HOUR)
        standing_out = moved - (days[:count] - _back(days[:count], HOUR))
        order = [quantity, *(k for k in range(QUANTITIES) if k != quantity)]
        self._flat = np.column_stack(
            [
                np.ones(count),
                standing_out[:, order],
                (values - _back(values, 1))[:, quantity],
                (days[:count] - values)[:, order],
                (moved - standing_out)[:, quantity],
                (_mean_before(values, DAY) - values)[:, order],
                (_mean_before(values, LATELY) - values)[:, order],
            ]
        )
        yesterday = np.append(np.full(DAY, np.nan), values[:, quantity])
        self._days, self._yesterday, self._air = (
            (windows(course, count), course[:count])
            for course in (days[:, quantity], yesterday, days[:, 0])
        )
        self._known = np.broadcast_to(np.isfinite(moved).all(axis=1), (DAY, count))
        self._outdoors: Outdoors | None = None
        if outdoors is not None:
            self._show(outdoors, values, own=1 if quantity == 1 else 0)

    def _show(self, outdoors: Outdoors, values: Floats, own: int) -> None:
        """Take the weather outside, and which of its columns stands out by itself."""
        count = len(values)
        now, ahead = outdoors.came.copy(), outdoors.ahead.copy()
        # Sun warms with a delay: its mean over the last two hours counts.
        now[:, 2] = np.nan_to_num(now[:, 2])
        sun = windows(np.append(np.zeros(SHINE), now[:, 2]), count)[:SHINE]
        total = np.cumsum(np.concatenate([sun, ahead[:, :, 2]]), axis=0)
        ahead[:, :, 2] = (10.0 / SHINE) * (total[SHINE:] - total[:-SHINE])
        total = np.cumsum(np.append(np.zeros(SHINE), now[:, 2]))
        now[:, 2] = (10.0 / SHINE) * (total[SHINE:] - total[:-SHINE])
        self._outdoors, days = Outdoors(now, ahead), usual(now)
        self._outside_days = [(windows(course, count), course[:count]) for course in days.T]
        # What is thick goes by the mean of what comes, and of what has been.
        self._sum_ahead = np.cumsum(ahead, axis=0)
        self._known = self._known & np.isfinite(ahead - now).all(axis=2)
        stands = (now - days[:count])[:, own]
        inside = [now[:, 0] - values[:, 0], now[:, 1] - values[:, 1]]
        lately = [now - _back(now, HOUR)]
        lately += [now - _mean_before(now, steps) for steps in (LATELY, DAY // 2)]
        self._flat = np.column_stack([self._flat, *inside, stands, *lately])

    def _varying(self, leads: Places) -> Iterator[Floats]:
        """Yield what is not the same for every lead, one feature after the other: leads by steps.

        One at a time, since all of them for every lead are many megabytes.
        """

        def moves(course: tuple[Floats, Floats]) -> Floats:
            ahead, now = course
            return ahead[leads - 1] - now

        if self._outdoors is not None:
            now, ahead = self._outdoors.came, self._outdoors.ahead
            columns = range(now.shape[1])
            for k in columns:
                yield ahead[leads - 1, :, k] - now[:, k]
            for k in columns:
                yield ahead[leads - 1, :, k] - now[:, k] - moves(self._outside_days[k])
            for k in columns:
                yield self._sum_ahead[leads - 1, :, k] / leads[:, None] - now[:, k]
        usually = moves(self._days)
        yield usually
        yield moves(self._yesterday) - usually
        yield moves(self._air)

    def at(self, lead: int) -> Floats:
        """Return features for some steps ahead: steps by features, NaN where they are not known."""
        varying = (each[0] for each in self._varying(np.array([lead])))
        found = _or_none(np.column_stack([*varying, self._flat]))
        found[~self._known[lead - 1]] = np.nan
        return found

    def told(self, weights: Floats) -> Floats:
        """Return what weights tell at each step: steps ahead by steps, NaN where nothing is known.

        Args:
            weights: of each block of steps, and last of the newest step alone: by steps ahead and
                by features in the order of `at`.
        """
        count, split = len(self._flat), weights.shape[2] - self._flat.shape[1]
        block = np.append(np.arange(count - 1) // BLOCK, len(weights) - 1)
        place = np.append(np.arange(count - 1), len(weights) * BLOCK - 1)
        flat = np.zeros((len(weights) * BLOCK, self._flat.shape[1]))
        flat[place] = _or_none(self._flat)
        flat = flat.reshape(len(weights), BLOCK, -1) @ weights[:, :, split:].transpose(0, 2, 1)
        said: Floats = flat.reshape(-1, DAY)[place].T
        for at, each in enumerate(self._varying(np.arange(1, DAY + 1))):
            said += _or_none(each) * weights[block, :, at].T
        return np.where(self._known, said, np.nan)


def regression(values: Floats, priors: Priors, outdoors: Outdoors | None = None) -> Member:
    """Return the regression's change ahead and its past errors.

    Args:
        values: steps by air, dew point and surface, the last at least known [°C].
        priors: what the weights begin from.
        outdoors: the weather outside over the same steps, or None.
    """
    found = []
    for quantity in range(QUANTITIES):
        shown = Shown(values, quantity, outdoors)
        prior = priors[quantity, outdoors is not None]
        found.append(_follow(shown, values[:, quantity], prior))
    changes, errors, weights = zip(*found, strict=True)
    return Member(np.stack(changes), np.stack(errors, axis=2), np.stack(weights))


def _follow(shown: Shown, values: Floats, prior: Prior) -> tuple[Floats, Floats, Floats]:
    """Change from now on, errors of the past, weights now; for each lead the w that have

        sum over origins known by then of (y - x w)^2 / (s^2 o) + sum of ((w - w0) / sd)^2  least

    with o how many origins share a span and s the noise, so far, of the prior's own weights.
    """
    count = len(values)
    moved = [_moved(shown, values, prior, int(lead)) for lead in KNOTS]
    steps = np.arange(1, DAY + 1)
    between = np.stack([np.interp(steps, KNOTS, one) for one in np.eye(KNOTS.size)], axis=1)
    own = prior.mean + np.einsum("hk,kbf->bhf", between, np.stack(moved))
    said = shown.told(own)
    return said[:, -1], (windows(values, count) - values - said).T, own[-1]


def _moved(shown: Shown, values: Floats, prior: Prior, lead: int) -> Floats:
    """How far the weights have moved from the prior, after each block and now: by features."""
    count, width = len(values), prior.mean.shape[1]
    x = shown.at(lead)[:-lead]
    missed = values[lead:] - values[:-lead] - x @ prior.mean[lead - 1]
    usable = np.isfinite(missed)
    # What is said at an origin is known to be wrong `lead` later: it counts from the next block on.
    blocks = -(-count // BLOCK)
    table = np.zeros((blocks * BLOCK, width + 1))
    place = np.arange(lead, count)[usable]
    table[place, :width], table[place, width] = x[usable], missed[usable]
    told = np.bincount(place // BLOCK, minlength=blocks)
    table = table.reshape(blocks, BLOCK, width + 1)
    sums = np.cumsum(table.transpose(0, 2, 1) @ table, axis=0)
    sums = np.concatenate([np.zeros((1, width + 1, width + 1)), sums])
    seen = np.append(0, np.cumsum(told))
    noise = prior.noise[lead - 1] ** 2
    scale = (PRIOR_COUNT * noise + sums[:, -1, -1]) / (PRIOR_COUNT + seen) * lead
    gram = sums[:, :-1, :-1] / scale[:, None, None] + np.diag(prior.sd[lead - 1] ** -2.0)
    return np.linalg.solve(gram, sums[:, :-1, -1:] / scale[:, None, None])[..., 0]
