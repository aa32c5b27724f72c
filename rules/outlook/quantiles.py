"""Which past errors count now, for how many independent ones, and how large they are by hour."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rules.air.arrays import Floats
from rules.units import DAY_S

EVENLY = (0.7548776662, 0.5698402910)
"""Multiples of the two, less whole numbers, fill a square evenly, any run of them too."""


def independent_count(weights: Floats, spacing_s: float, block_s: float) -> float:
    """Return how many independent witnesses weighted, overlapping errors amount to,

        n = (sum w)^2 / sum w^2 / max(1, block / spacing)

    Args:
        weights: one an error, of errors `spacing_s` apart.
        spacing_s: between two origins [s].
        block_s: errors nearer than this say the same thing [s].

    Returns:
        Kish's effective number, divided by how many share a block; at least 1.

    Source:
        (sum w)^2 / sum w^2: L. Kish, Survey Sampling, 1965 (from memory). Blocks: common practice,
        no source.

    >>> independent_count(np.ones(96), 900.0, 7200.0)
    12.0
    """
    total, squares = float(weights.sum()), float((weights * weights).sum())
    if squares <= 0.0:
        return 1.0
    return max(1.0, total * total / squares / max(1.0, block_s / spacing_s))


def near_in_the_day(origin_s: Floats, now_s: float | Floats, width_s: float, far: float) -> Floats:
    """Return how much errors made at other hours of the day count now,

        w = far + (1 - far) exp(-(d / width)^2 / 2)

    with d the distance in the time of day, at most 12 h.

    Args:
        origin_s: when each was made [s].
        now_s: one time, or a column of them [s].
        width_s: standard deviation of the bell in the time of day [s].
        far: what the other side of the day still counts, 0 to 1.

    Returns:
        Weights from `far` to 1, by origins; of several times by times and origins.

    Source:
        Common practice, no source.

    >>> near_in_the_day(np.array([0.0, 43_200.0, 86_400.0]), 172_800.0, 10_800.0, 0.1).round(2)
    array([1. , 0.1, 1. ])
    """
    apart_s = np.abs((origin_s - now_s + 43_200.0) % DAY_S - 43_200.0)
    return far + (1.0 - far) * np.exp(-0.5 * (apart_s / width_s) ** 2)


def size_ratios(
    squares: Floats,
    weights: Floats,
    origin_s: Floats,
    now_s: float,
    width_s: float,
    days_shared: float,
) -> Floats:
    """Return how large errors are at this hour of the day beside those of each past origin's hour,

        r = s(now) / s(origin),   s(t)^2 = (sum w k e^2 + n m) / (sum w k + n)

    with k the bell of `near_in_the_day` from t to an error's hour, m the mean square over all hours
    and n the sum of k over `days_shared` days.

    Args:
        squares: of the errors, NaN where unknown: origins by leads.
        weights: w, one an origin.
        origin_s: when each was made: evenly, a whole number of them a day, a day at least [s].
        now_s: [s].
        width_s: standard deviation of the bell in the time of day [s].
        days_shared: so many days of an hour's own errors weigh as much as what all hours share.

    Returns:
        Origins by leads; 1 where nothing is known of a lead.

    Source:
        Kernel smoothing of a variance, shrunk to the common one: common practice, no source.

    >>> hours_s = 3600.0 * np.arange(48.0)  # errors of 3 from noon to midnight, else of 1
    >>> squares = np.where(hours_s % 86_400.0 < 43_200.0, 1.0, 9.0)[:, None]
    >>> size_ratios(squares, np.ones(48), hours_s, 7 * 3600.0, 3600.0, 0.0)[[7, 19], 0].round(2)
    array([1.  , 0.33])
    """
    day = round(DAY_S / (origin_s[1] - origin_s[0]))
    total, seen = np.zeros((2, day, squares.shape[1]))
    for end in range(len(squares), 0, -day):
        each = squares[max(end - day, 0) : end]
        known, weight = np.isfinite(each), weights[max(end - day, 0) : end, None]
        total[-len(each) :] += weight * np.where(known, each, 0.0)
        seen[-len(each) :] += weight * known
    mean = total.sum(axis=0) / np.maximum(seen.sum(axis=0), 1e-9) + 1e-12
    hours_s = origin_s[-day:]
    bells = near_in_the_day(hours_s, np.append(hours_s, now_s)[:, None], width_s, 0.0)
    shared = days_shared * bells.sum(axis=1, keepdims=True) + 1e-9
    sizes = np.sqrt((bells @ total + shared * mean) / (bells @ seen + shared))
    ratios: Floats = (sizes[-1] / sizes[:-1])[np.arange(-len(squares), 0) % day]
    return ratios


def as_few_tell(courses: Floats, witnesses: Floats, doubted: float) -> Floats:
    """Return past errors spread as widely as so few of them tell,

        c = (e + (u - 1) d m) exp(1 / (6 n) + v / sqrt(2 n))

    with m their mean, d the share of it that is taken for chance, n how many are independent, and u
    and v of mean 0 and variance 1, one pair for a whole course.

    Args:
        courses: e, neighbours alike: draws by leads by quantities [K].
        witnesses: n, at least 1: leads by one.
        doubted: d, 0 to 1.

    Returns:
        Of the shape of `courses` [K].

    Source:
        Student's t, Biometrika 6 (1908) 1-25, spreads normal errors whose size is told by n of them
        by sqrt(n / chi^2_n): a median of about exp(1 / (3 n)) by E. B. Wilson, M. M. Hilferty, PNAS
        17 (1931) 684-688, and a logarithm's standard deviation of about 1 / sqrt(2 n) (all from
        memory). Half of the first, since errors that overlap tell more than n counts: settled on
        simulated enclosures. u and v run evenly by powers of the plastic number: common practice,
        no source.

    >>> alike = np.ones((256, 1, 1))  # a mean of 1, of which three quarters may be chance
    >>> found = as_few_tell(alike, np.array([[1e9]]), 0.75)
    >>> [round(float(each), 2) for each in (found.mean(), found.std())]
    [0.25, 0.75]
    """
    place = (np.arange(len(courses)) + 0.5)[:, None, None]
    u, v = (np.sqrt(12.0) * (place * step % 1.0 - 0.5) for step in EVENLY)
    moved = courses + (u - 1.0) * doubted * courses.mean(axis=0)
    spread: Floats = moved * np.exp(1.0 / (6.0 * witnesses) + v / np.sqrt(2.0 * witnesses))
    return spread


def spread_evenly(weights: Floats, count: int) -> npt.NDArray[np.intp]:
    """Return indices drawn in proportion to weights, without chance.

    Args:
        weights: not negative, not all zero.
        count: how many.

    Returns:
        `count` ascending indices; one with weight w comes w / sum * count times, rounded to a
        neighbour.

    Source:
        Systematic resampling with the offset fixed at a half.

    >>> spread_evenly(np.array([1.0, 0.0, 3.0]), 4).tolist()
    [0, 2, 2, 2]
    """
    reached = np.cumsum(weights)
    ticks = (np.arange(count) + 0.5) / count * reached[-1]
    at: npt.NDArray[np.intp] = np.minimum(np.searchsorted(reached, ticks), len(weights) - 1)
    return at
