"""Judges outlooks against what came, beside persistence and a straight line; tests and benchmark.

An outlook made at a cell sees only the log up to it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rules.air.arrays import relative_humidities_pct, wetting_temps_c
from rules.outlook.damped_trend import Fit, assemble, error_draws, fit_trend
from rules.outlook.damped_trend import centre_of as trend_of
from rules.outlook.draws import Outlook
from rules.outlook.track import CELLS_A_DAY, Track
from rules.vocabulary import LimitName

AHEAD_MIN = (30, 60, 120, 360)
NAMES = ("air", "humidity", "dew point", "surface", "dew margin")
AT = np.array([minutes // 15 for minutes in AHEAD_MIN])  # columns of an outlook
CELLS = np.array([minutes // 5 for minutes in AHEAD_MIN])

Maker = Callable[[Track], Outlook | None]


@dataclass
class Scores:
    """One entry an outlook: errors [quantity, horizon] of three forecasters, and what bands held.

    Attributes:
        time_s: when each was made.
        error, persistence, line: forecast less truth.
        held: whether the 80 % band held the truth.
        width: of the band.
    """

    time_s: np.ndarray
    error: np.ndarray
    persistence: np.ndarray
    line: np.ndarray
    held: np.ndarray
    width: np.ndarray

    def at_night(self) -> Scores:
        """Those made from 18:00 to 06:00."""
        hour = self.time_s / 3600.0 % 24.0
        return self.pick((hour >= 18.0) | (hour < 6.0))

    def pick(self, which: np.ndarray) -> Scores:
        """Some of them."""
        return Scores(*(getattr(self, name)[which] for name in self.__annotations__))


def joined(parts: list[Scores]) -> Scores:
    """All of them."""
    return Scores(
        *(np.concatenate([getattr(p, name) for p in parts]) for name in Scores.__annotations__)
    )


def rms(errors: np.ndarray) -> np.ndarray:
    """Root of the mean square by quantity and horizon."""
    return np.sqrt((errors**2).mean(axis=0))


def mean_size(errors: np.ndarray) -> np.ndarray:
    """Mean absolute error by quantity and horizon."""
    return np.abs(errors).mean(axis=0)


def truth_of(track: Track) -> np.ndarray:
    """Cells by quantities, in the order of NAMES."""
    air, dew = track.air_temp_c, track.dew_point_c
    columns = [air, relative_humidities_pct(air, dew), dew]
    if track.surface_temp_c is not None:
        columns += [track.surface_temp_c, track.surface_temp_c - wetting_temps_c(dew)]
    return np.column_stack(columns)


def centre_of(outlook: Outlook) -> np.ndarray:
    """The expected course in the same order: quantities by horizons."""
    air, dew = outlook.centre[0], outlook.centre[1]
    rows = [air, relative_humidities_pct(air, dew), dew]
    if outlook.centre.shape[0] > 2:
        rows += [outlook.centre[2], outlook.centre[2] - wetting_temps_c(dew)]
    return np.stack(rows)


def band_of(outlook: Outlook) -> np.ndarray:
    """Quantities by (low, middle, high) by horizons."""
    bands = outlook.bands()
    found = [bands.air_temp_c, bands.rh_pct, bands.dew_point_c]
    if bands.surface_temp_c is not None and bands.dew_margin_k is not None:
        found += [bands.surface_temp_c, bands.dew_margin_k]
    return np.stack(found)


def damped_trend(track: Track, fit: Fit | None = None) -> Outlook:
    """What the damped trend tells without the other members."""
    fit = fit_trend(track) if fit is None else fit
    return assemble(track, trend_of(track, fit), error_draws(fit, track.end_s), "by hand")


def trend_maker(refit_cells: int = 36) -> Maker:
    """The outlook from the log alone, learned anew every so often."""
    fit: list[tuple[int, Fit]] = []

    def make(track: Track) -> Outlook:
        if not fit or track.count - fit[0][0] >= refit_cells:
            fit[:] = [(track.count, fit_trend(track))]
        return damped_trend(track, fit[0][1])

    return make


def score(
    track: Track,
    make: Maker,
    first_cell: int,
    every: int,
    seen: Callable[[Track, Outlook], None] | None = None,
) -> Scores:
    """Make an outlook every few cells from a first one on and judge it by what came."""
    truth = truth_of(track)
    rows: list[tuple[np.ndarray, ...]] = []
    for cell in range(first_cell, track.count - int(CELLS[-1]), every):
        past = track.until(cell + 1)
        outlook = make(past)
        if outlook is None or outlook.horizons_s.size <= AT[-1]:
            continue
        if seen is not None:
            seen(past, outlook)
        came = truth[cell + CELLS].T
        now = truth[cell][:, None]
        band = band_of(outlook)[:, :, AT]
        hour = truth[cell - 12 : cell + 1]
        slope = np.polyfit(np.arange(-12.0, 1.0), hour, 1)[0][:, None]
        rows.append(
            (
                np.array(past.end_s),
                centre_of(outlook)[:, AT] - came,
                now - came,
                now + slope * CELLS - came,
                (came >= band[:, 0]) & (came <= band[:, 2]),
                band[:, 2] - band[:, 0],
            )
        )
    if not rows:
        raise ValueError("no outlook was made, so there is nothing to judge")
    return Scores(*(np.array(column) for column in zip(*rows, strict=True)))


@dataclass
class Warnings:
    """How first breaks of one limit were warned of.

    Attributes:
        breaks: how many began after an hour inside.
        warned: of them, by an outlook made 30 min to 6 h before.
        false: warnings that began and were followed by no break within six hours.
        days: that were watched.
        told: (probability told, whether it broke) of every outlook made inside the limit.
    """

    breaks: int = 0
    warned: int = 0
    false: int = 0
    days: float = 0.0
    told: list[tuple[float, bool]] | None = None


def warnings_of(
    track: Track,
    probability: dict[int, float],
    every: int,
    bound: float = 3.0,
    threshold: float = 0.2,
) -> Warnings:
    """Judge warnings that a dew margin breaks within six hours.

    Args:
        track: what came.
        probability: by the cell at which it was told.
        every: cells between two of them.
        bound: of the margin [K].
        threshold: from which a probability is a warning.
    """
    margin = truth_of(track)[:, NAMES.index("dew margin")]
    cells = sorted(probability)
    found = Warnings(days=len(cells) * every / CELLS_A_DAY, told=[])
    inside = margin >= bound
    starts = [
        cell
        for cell in range(cells[0] + 12, min(cells[-1] + 1, track.count))
        if not inside[cell] and inside[cell - 12 : cell].all()
    ]
    found.breaks = len(starts)
    for cell in starts:
        before = [c for c in cells if cell - 72 <= c <= cell - 6]
        # A warning must stand at the last outlook that is still half an hour before.
        if before and probability[before[-1]] >= threshold:
            found.warned += 1
    warned_before = False
    for cell in cells:
        if not inside[cell]:
            warned_before = False
            continue
        ahead = margin[cell + 1 : cell + 73]
        broke = bool((ahead < bound).any())
        assert found.told is not None
        found.told.append((probability[cell], broke))
        warns = probability[cell] >= threshold
        if warns and not warned_before and not broke:
            found.false += 1
        warned_before = warns
    return found


def probability_within(outlook: Outlook, bound: float = 3.0, span_s: float = 21_600.0) -> float:
    """The probability that the margin breaks within a span."""
    return outlook.break_probability(LimitName.DEW_MARGIN_MIN, bound, span_s)
