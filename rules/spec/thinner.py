"""How much thinner a sheet allows, and what too much or too little of it does.

Takes a spec's mix; batch plan, events and review ask it.
"""

from __future__ import annotations

from typing import NamedTuple

from rules.spec.model import Mix, ThinnerBand
from rules.vocabulary import Method

TOO_MUCH = "it sags, dries thin and may not cure"
TOO_LITTLE = "it sets before it levels"

BESIDE_K = 1.0
"""So near to the end of a band the next one may hold: a pot's own temperature is hardly known
nearer; judgement, no source [K]."""


class ThinnerRange(NamedTuple):
    """Between which shares a sheet asks for thinner.

    Attributes:
        min_pct: at least [% by volume of mix].
        max_pct: at most [% by volume of mix].
        where: for which method and temperatures, in words, or "".
    """

    min_pct: float
    max_pct: float
    where: str

    def against(self, thinner_pct: float) -> str:
        """Return what a share outside does, or "" where it is inside."""
        if self.min_pct <= thinner_pct <= self.max_pct:
            return ""
        over = thinner_pct > self.max_pct
        share = f"{self.min_pct:g} to {self.max_pct:g} %" if self.min_pct else f"{self.max_pct:g} %"
        what = TOO_MUCH if over else TOO_LITTLE
        where = f" {self.where}" if self.where else ""
        return (
            f"{thinner_pct:g} % of thinner is {'above' if over else 'below'} the sheet's "
            f"{share}{where}: {what}"
        )


def thinner_band(mix: Mix, method: Method, temp_c: float, coat: int = 1) -> ThinnerBand | None:
    """Return the sheet's thinner band for a method at a temperature, or None.

    Args:
        mix: how the parts go together.
        method: how the coat is put on.
        temp_c: temperature [°C].
        coat: its number, from 1.

    Returns:
        The band of that method before one for all, and of that coat before one for each; where
        two meet, the warmer one.

    Source:
        No source: the sheet's own figures.
    """
    for wanted, number in ((method, coat), (method, None), (None, coat), (None, None)):
        found = [
            band
            for band in mix.thinner_bands
            if band.method is wanted and band.coat == number and band.from_c <= temp_c <= band.to_c
        ]
        if found:
            return max(found, key=lambda band: band.from_c)
    return None


def thinner_range(
    mix: Mix, method: Method | None, temp_c: float | None, coat: int = 1
) -> ThinnerRange:
    """Return between which shares the sheet asks for thinner.

    Args:
        mix: how the parts go together.
        method: how the coat is put on; None where it is not known, and then any may be meant.
        temp_c: of the mix, or of the air in which it stands; None where it is not known [°C].
        coat: its number, from 1.

    Returns:
        The widest that holds; from none up to the sheet's most where it has no band.

    Source:
        No source: the sheet's own figures.
    """
    methods = list(Method) if method is None else [method]
    at_c = {end for b in mix.thinner_bands for end in (b.from_c, b.to_c)}
    beside_c = set[float]()
    if temp_c is not None:
        at_c, beside_c = {temp_c}, {temp_c - BESIDE_K, temp_c + BESIDE_K}

    def of(temps_c: set[float]) -> set[ThinnerBand]:
        every = {thinner_band(mix, each, temp, coat) for each in methods for temp in temps_c}
        return {band for band in every if band is not None}

    bands = of(at_c)
    if not bands:
        return ThinnerRange(0.0, mix.thinner_max_pct, "")
    bands |= of(beside_c)
    low, high = min(b.min_pct for b in bands), max(b.max_pct for b in bands)
    by = f"by {method}" if all(b.method is method for b in bands) and method else ""
    span = {(b.from_c, b.to_c) for b in bands}
    at = "" if temp_c is None or len(span) > 1 else "at {:g} to {:g} °C".format(*span.pop())
    return ThinnerRange(low, high, " ".join(each for each in (by, at) if each))
