"""What the regression begins from: weights of typical enclosures, and how they differ.

`prior.csv` is made by `benchmarks/outlook_prior.py` from enclosures simulated under typical years;
a row holds quantity, whether with a forecast, steps of 15 min ahead, noise [K], means, deviations.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np

from rules.air.arrays import Floats


class Prior(NamedTuple):
    """Weights by steps ahead: their means, their deviations over enclosures, the error left [K]."""

    mean: Floats
    sd: Floats
    noise: Floats


@cache
def _table() -> dict[tuple[int, int], Floats]:
    text = files("rules.outlook").joinpath("prior.csv").read_text(encoding="ascii")
    rows: dict[tuple[int, int], list[list[float]]] = {}
    for line in text.splitlines():
        cells = [float(cell) for cell in line.split(",")]
        rows.setdefault((int(cells[0]), int(cells[1])), []).append(cells[2:])
    return {kind: np.array(each) for kind, each in rows.items()}


@cache
def prior_of(quantity: int, outside: bool, steps: int = 96) -> Prior:
    """Return where the weights of a quantity begin, by steps ahead.

    Args:
        quantity: 0 air, 1 dew point, 2 surface.
        outside: with a forecast's features.
        steps: how many steps of 15 min ahead.
    """
    table = _table()[quantity, int(outside)]
    ahead = np.log(np.arange(1.0, steps + 1.0))
    columns = [np.interp(ahead, np.log(table[:, 0]), column) for column in table.T[1:]]
    width = (len(columns) - 1) // 2
    return Prior(
        np.column_stack(columns[1 : width + 1]),
        np.column_stack(columns[width + 1 :]),
        np.array(columns[0]),
    )
