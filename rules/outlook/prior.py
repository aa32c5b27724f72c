"""What the regression begins from: weights of typical enclosures, and how they differ.

`prior.csv` is what `python -m benchmarks.outlook_prior` prints: weights and their spread over 300
enclosures of seed 1, ten days each, simulated under the typical years that come with pvlib 0.16; a
row holds quantity, whether with a forecast, steps of 15 min ahead, noise [K], means, deviations.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, TypeAlias

import numpy as np

from rules.air.arrays import Floats


class Prior(NamedTuple):
    """Weights by steps ahead: their means, their deviations over enclosures, the error left [K]."""

    mean: Floats
    sd: Floats
    noise: Floats


Priors: TypeAlias = Mapping[tuple[int, bool], Prior]
"""By quantity (0 air, 1 dew point, 2 surface) and whether a forecast's features are among them."""


def read_priors(text: str, steps: int = 96) -> Priors:
    """Return what `prior.csv` holds, on straight lines between its leads' logarithms.

    Args:
        text: of the file.
        steps: how many steps of 15 min ahead.
    """
    rows: dict[tuple[int, bool], list[list[float]]] = {}
    for line in text.splitlines():
        quantity, outside, *cells = (float(cell) for cell in line.split(","))
        rows.setdefault((int(quantity), bool(outside)), []).append(cells)
    ahead = np.log(np.arange(1.0, steps + 1.0))
    found = {}
    for kind, lines in rows.items():
        table = np.array(lines)
        columns = [np.interp(ahead, np.log(table[:, 0]), column) for column in table.T[1:]]
        width = len(columns) // 2
        mean, sd = np.column_stack(columns[1 : width + 1]), np.column_stack(columns[width + 1 :])
        found[kind] = Prior(mean, sd, np.array(columns[0]))
    return found
