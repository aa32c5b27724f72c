"""How much of a harm reached a film: the lowest, the likeliest and the highest that the log allows.

Takes a condition cell by cell with how open the film was to it; hands a `Dose` to `causes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rules.known import Bools, Floats
from rules.units import HOUR_S

POWER = 1.5
"""A dose grows with the distance beyond the bound to this power: a bound such as 3 K over the dew
point is itself a margin, so that a little beyond it does little; judgement, no source [1]."""

MOST_PER_H = 1.5
"""However far beyond, an hour counts as no more than this; judgement, no source [1]."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A condition over the time that a film was open to it, cell by cell.

    Attributes:
        time_s: start of each cell [s].
        covered_s: how much of it counts [s].
        value: best estimate, NaN where not known [unit].
        low: the lowest that it can have been, the sensors' error left out [unit].
        high: the highest [unit].
        guard: what the sensors' error can explain [unit].
        share: how open the film was to it, 0 to 1 [1].
    """

    time_s: Floats
    covered_s: Floats
    value: Floats
    low: Floats
    high: Floats
    guard: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class Dose:
    """What reached a film, in hours at the mechanism's scale on a film wholly open to it.

    Attributes:
        lowest: counting only minutes that were beyond for sure [h].
        best: by the best estimate, what is not known left out [h].
        highest: what it can have been at the most [h].
        hidden: the part of `highest` that minutes without a value can hold [h].
        open_s: those minutes, as spans in order; all of them where none has a value [s].
    """

    lowest: float
    best: float
    highest: float
    hidden: float
    open_s: tuple[tuple[float, float], ...] = ()


def dose_of(
    cells: Cells, bound: float, scale: float, *, upper: bool, outside: Sequence[tuple[float, float]]
) -> Dose:
    """Return what a condition did to a film.

    Args:
        cells: of the time that it was open.
        bound: beyond which it does harm [unit].
        scale: so far beyond for an hour counts as one [unit].
        upper: whether values over the bound are the wrong ones.
        outside: spans of that time that no cell covers; counted as hidden [s].

    Returns:
        The sums; lowest <= best <= highest.

    Source:
        No source: this program's own weighing.
    """
    hours = cells.covered_s / HOUR_S * cells.share
    known: Bools = np.isfinite(cells.value)
    with np.errstate(invalid="ignore"):
        best = cells.value - bound if upper else bound - cells.value
        most = (cells.high - bound if upper else bound - cells.low) + cells.guard
        least = cells.low - bound if upper else bound - cells.high
        sure = known & (least - cells.guard > 0.0)
    least_h = float((_rate(np.fmin(least, best), scale)[sure] * hours[sure]).sum())
    best_h = float((_rate(best, scale)[known] * hours[known]).sum())
    known_h = float((_rate(np.fmax(most, best), scale)[known] * hours[known]).sum())
    hidden = _rate(most, scale)
    hidden[known] = 0.0
    hidden_h = float((hidden * hours).sum())
    spans = list(outside)
    share = float(cells.share.max()) if cells.share.size else 1.0
    hidden_h += sum(to_s - from_s for from_s, to_s in outside) / HOUR_S * MOST_PER_H * share
    there = np.flatnonzero((hidden * hours > 0.0) | (~known & (cells.covered_s > 0.0)))
    if there.size and (hidden_h > 0.0 or not known.any()):
        breaks = np.flatnonzero(np.diff(there) > 1)
        for first, last in zip(
            there[np.concatenate(([0], breaks + 1))],
            there[np.concatenate((breaks, [there.size - 1]))],
            strict=True,
        ):
            end_s = float(cells.time_s[last] + cells.covered_s[last])
            spans.append((float(cells.time_s[first]), end_s))
    return Dose(
        lowest=min(least_h, best_h),
        best=best_h,
        highest=max(known_h, best_h) + hidden_h,
        hidden=hidden_h,
        open_s=tuple(sorted(spans)),
    )


def _rate(excess: Floats, scale: float) -> Floats:
    """Hours that an hour counts as."""
    rate: Floats = np.minimum((np.maximum(excess, 0.0) / scale) ** POWER, MOST_PER_H)
    return rate
