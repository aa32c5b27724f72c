"""How strongly the log supports a cause: likelihood ratios by bands, their rows, and their words.

Two propositions stand against each other: this cause brought the defect about, or something else
did that the log does not show. Takes a dose and what was seen; hands rows to `causes`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

JUDGEMENT = "judgement, no outside cases"

# (dose over what is harmless [1], ratio): between them it runs straight in the logarithms of both.
DOSE_BANDS = ((0.1, 0.2), (1.0, 1.0), (4.0, 5.0), (16.0, 20.0), (64.0, 60.0), (256.0, 120.0))
SUPPORTS_FROM = 2.0
"""A ratio under this says nothing for a cause; judgement, no source [1]."""

VERBAL = (
    (1.0, "speaks against it"),
    (SUPPORTS_FROM, "says nothing either way"),
    (10.0, "limited support"),
    (100.0, "moderate support"),
    (1000.0, "moderately strong support"),
    (10_000.0, "strong support"),
    (math.inf, "very strong support"),
)
"""The verbal scale of the ENFSI guideline for evaluative reporting (2015): 1 to 10 limited, to 100
moderate, to 1,000 moderately strong, to 10,000 strong, above very strong. That 1 to 2 says nothing
is this program's own."""


@dataclass(frozen=True, slots=True)
class RatioRow:
    """One thing that counted, and its likelihood ratio [1]."""

    what: str
    ratio: float


def dose_ratio(times_harmless: float) -> float:
    """Return the likelihood ratio of a dose.

    Args:
        times_harmless: the dose over what is taken as harmless, 0 or more [1].

    Source:
        Judgement, no outside cases.

    >>> [round(dose_ratio(x), 1) for x in (0.0, 1.0, 4.0, 64.0, 1e6)]
    [0.2, 1.0, 5.0, 60.0, 120.0]
    """
    xs, ys = zip(*DOSE_BANDS, strict=True)
    at = math.log(min(max(times_harmless, xs[0]), xs[-1]))
    return float(math.exp(np.interp(at, np.log(xs), np.log(ys))))


def ratio_rows(
    times_harmless: float,
    *,
    features: Iterable[str],
    of_cause: Mapping[str, float],
    of_defect: Mapping[str, float],
) -> tuple[RatioRow, ...]:
    """Return the rows that count for a cause: its dose, and what was seen.

    Args:
        times_harmless: the dose by the best estimate, over what is taken as harmless [1].
        features: what was seen, as `seen.features_of` has it.
        of_cause: ratio by feature, of the mechanism.
        of_defect: ratio by feature, of the defect.
    """
    rows = [RatioRow("dose", dose_ratio(times_harmless))]
    for feature in features:
        ratio = of_cause.get(feature, 1.0) * of_defect.get(feature, 1.0)
        if ratio != 1.0:
            rows.append(RatioRow(f"seen: {feature}", ratio))
    return tuple(rows)


def combined(rows: Iterable[RatioRow]) -> float:
    """Return the product of the rows' ratios [1]; they are taken as independent."""
    return math.prod(row.ratio for row in rows)


def verbal(ratio: float) -> str:
    """Return a likelihood ratio in words.

    >>> verbal(0.4), verbal(5.0), verbal(50.0), verbal(2e4)
    ('speaks against it', 'limited support', 'moderate support', 'very strong support')
    """
    return next(words for most, words in VERBAL if ratio < most or math.isinf(most))
