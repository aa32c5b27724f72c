"""What is expected of an enclosure's air: the hours that are known, then draws of what may come.

A plan takes a known hour as it stands. Past the known hours it takes each clock at its 90 % end
over the draws, and a start as good only where more than half of the draws hold it. Without draws
nothing past the known hours is good.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from rules.job.air import (
    Air,
    Bools,
    ClockTable,
    FilmClocks,
    Floats,
    film_clocks,
    held,
    unbroken_until,
)
from rules.job.model import CoatToLay
from rules.rate import FloatArray
from rules.spec.model import Spec
from rules.text import iso_utc
from rules.units import HOUR_S
from rules.vocabulary import ClockName

SURE = 0.9
"""Share of the draws in which a clock has ended, or a day is kept."""

GOOD_SHARE = 0.5
"""Share of the draws that a start past the known hours must hold in to be planned."""

FORECAST, YEAR = "the forecast's hours", "the weather year"


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
    """The air ahead in one enclosure.

    Attributes:
        known: one course, as far as it is known; None where nothing is.
        draws: courses of what may come, the known hours with their error among them; None without.
        far: whether the draws reach past the known hours, from a weather year.
        basis: what the tent's own warmth and moisture rest on, in words.
    """

    known: Air | None
    draws: Air | None
    far: bool
    basis: str = ""
    _shares: dict[tuple[object, ...], tuple[Floats, Floats]] = field(default_factory=dict)
    _ends: dict[tuple[object, ...], FloatArray] = field(default_factory=dict)

    @property
    def end_s(self) -> float:
        """Until when anything is expected [s since 1970]."""
        ends = [each.end_s for each in (self.known, self.draws if self.far else None) if each]
        return max(ends)

    @property
    def start_s(self) -> float:
        """From when on anything is expected [s since 1970]."""
        return min(each.start_s for each in (self.known, self.draws) if each is not None)

    @property
    def known_s(self) -> float:
        """Until when the air is known [s since 1970]."""
        return -np.inf if self.known is None else self.known.end_s

    def temp_c(self, time_s: float) -> float:
        """Return the temperature at a time: the known hour's, or the middle of the draws' [°C]."""
        is_known = self.known is not None and (time_s < self.known_s or not self.far)
        air = self.known if is_known else self.draws
        if air is None:
            raise ValueError("an enclosure without hours is refused before this")
        hour = int(np.clip((time_s - air.start_s) // HOUR_S, 0, air.temp_c.shape[1] - 1))
        return float(np.median(air.temp_c[:, hour]))

    def warmer(self, warmer_k: float) -> Ahead:
        """Return the same with every hour so much warmer [K]."""
        return self._with(lambda air: air.warmer(warmer_k))

    def drier(self, drier_pct: float) -> Ahead:
        """Return the same at so much less relative humidity, in its points [%]."""
        return self._with(lambda air: air.drier(drier_pct))

    def _with(self, change: Callable[[Air], Air]) -> Ahead:
        known, draws = (air and change(air) for air in (self.known, self.draws))
        return Ahead(known, draws, self.far, self.basis)

    def film_clocks(self, spec: Spec, following: Spec | None, done: ClockName) -> list[FilmClocks]:
        """Return a coat's clocks by the known hours, then by the draws where they reach further."""
        airs = [self.known] if self.known is not None else []
        airs += [self.draws] if self.far and self.draws is not None else []
        return [film_clocks(air, spec, following, done) for air in airs]

    def ends_s(
        self,
        clocks: Sequence[FilmClocks],
        name: str,
        start_s: FloatArray,
        *,
        latest: bool = True,
        left: float = 1.0,
    ) -> FloatArray:
        """Return when a clock ends, at the end that is safe.

        Args:
            clocks: of `film_clocks`.
            name: field of `FilmClocks`.
            start_s: when it starts [s since 1970].
            latest: whether the late end is the safe one.
            left: share of the clock that is left at its start [1].

        Returns:
            By starts [s since 1970]. Where the sheet has no such clock it has ended at once if the
            late end is the safe one, and never ends if the early one is; where the air does not
            reach, the other way round.
        """
        tables = [getattr(each, name) for each in clocks]
        if tables[0] is None:
            return start_s if latest else np.full(start_s.shape, np.inf)
        # Coats of one kind ask the same, and so do plans with other hours or people.
        key = (*map(id, tables), latest, left, start_s.tobytes())
        if key not in self._ends:
            self._ends[key] = self._ends_of(tables, start_s, latest=latest, left=left)
        return self._ends[key]

    def _ends_of(
        self, tables: Sequence[ClockTable], start_s: FloatArray, *, latest: bool, left: float
    ) -> FloatArray:
        found: FloatArray = np.full(start_s.shape, np.nan)
        # What was begun before the first known hour has no credit for it, or all of it.
        first_s = self.start_s
        early_s = np.maximum(first_s - start_s, 0.0)
        start_s = np.maximum(start_s, first_s)
        if self.known is not None:
            ends = tables[0].ends_s(start_s, left)[0]
            found = np.where(ends <= self.known.end_s + 1.0, ends, np.nan)
            if not self.far and not latest:
                found = np.where(np.isnan(found), self.known.end_s, found)
        past = np.isnan(found)
        if self.far and past.any():
            drawn = tables[-1].ends_s(start_s[past], left)
            share = SURE if latest else 1.0 - SURE
            found[past] = np.quantile(drawn, share, axis=0, method="inverted_cdf")
        found = np.where(np.isnan(found), np.inf, found)
        return found if latest else found - early_s

    def is_good(self, coat: CoatToLay, start_s: Floats) -> Bools:
        """Return from which starts a coat is expected to hold through its harm time."""
        good = np.zeros(start_s.size, dtype=np.bool_)
        known = np.zeros(start_s.size, dtype=np.bool_)
        if self.known is not None:
            held_by, ends_s = held(self.known, coat, start_s)
            good, known = held_by[0], np.isfinite(ends_s[0])
        if self.far:
            good = np.where(known, good, self.share(coat, start_s)[0] > GOOD_SHARE)
        return good

    def is_open(self, coat: CoatToLay, start_s: Floats) -> Bools:
        """Return from which starts nothing breaks, but the hours end before its harm time does."""
        if self.far or self.known is None:
            return np.zeros(start_s.size, dtype=np.bool_)
        unbroken, ends_s = unbroken_until(self.known, coat, start_s)
        found: Bools = unbroken[0] & np.isinf(ends_s[0])
        return found

    def share(self, coat: CoatToLay, start_s: Floats) -> tuple[Floats, Floats]:
        """Return how probable it is that a coat holds through its harm time.

        Args:
            coat: that is begun.
            start_s: when it is begun [s since 1970].

        Returns:
            The share of the draws that hold, and when the last harm time ends in half of them, by
            starts [1, s since 1970].
        """
        air = self.draws if self.draws is not None else self.known
        if air is None:
            return np.zeros(start_s.size), start_s
        # A harm time seldom tells the quarters of an hour apart: the draws are asked by the hour.
        hours, which = np.unique(np.floor(start_s / HOUR_S) * HOUR_S, return_inverse=True)
        key = (id(coat.spec), coat.takes_s, coat.method, hours.tobytes())
        if key not in self._shares:
            good, ends_s = held(air, coat, hours)
            self._shares[key] = good.mean(axis=0), np.median(ends_s, axis=0)
        share, ends = self._shares[key]
        return share[which], ends[which]

    def rests_on(self, until_s: float) -> str:
        """Return in words what a step rests on whose harm time lasts until then [s since 1970]."""
        if until_s <= self.known_s + 1.0:
            return FORECAST
        return YEAR if self.known is None else f"{FORECAST}, then {YEAR}"

    def reach_words(self) -> str:
        """Return in words how far the hours go."""
        if self.far:
            return f"with hours until {iso_utc(self.end_s, 0)} by {self.rests_on(np.inf)}"
        return f"with hours known until {iso_utc(self.known_s, 0)}"
