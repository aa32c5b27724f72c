"""Which past errors count now, and for how many independent ones they do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rules.air.arrays import Floats
from rules.units import DAY_S


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


def near_in_the_day(origin_s: Floats, now_s: float, width_s: float, far: float) -> Floats:
    """Return how much errors made at other hours of the day count now,

        w = far + (1 - far) exp(-(d / width)^2 / 2)

    with d the distance in the time of day, at most 12 h.

    Args:
        origin_s: when each was made [s].
        now_s: [s].
        width_s: standard deviation of the bell in the time of day [s].
        far: what the other side of the day still counts, 0 to 1.

    Returns:
        Weights from `far` to 1.

    Source:
        Common practice, no source.

    >>> near_in_the_day(np.array([0.0, 43_200.0, 86_400.0]), 172_800.0, 10_800.0, 0.1).round(2)
    array([1. , 0.1, 1. ])
    """
    apart_s = np.abs((origin_s - now_s + 43_200.0) % DAY_S - 43_200.0)
    return far + (1.0 - far) * np.exp(-0.5 * (apart_s / width_s) ** 2)


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
