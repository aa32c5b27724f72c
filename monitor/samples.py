"""What the air and the ground of a section were, sample by sample.

Every channel keeps columns of its own, so that one which falls silent is not forgotten.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.config.model import EnclosureConfig
from rules.clocks.clock import Clock
from rules.events import CarriedOut, Spans
from rules.known import CARBON_DIOXIDE, HUMIDITY, TEMPERATURE, Silences, with_silences
from rules.units import DAY_S
from sensors.reading import Quantity

if TYPE_CHECKING:
    from rules.climate import AssumedSurface
    from rules.clocks.history import AirBody, Silent, TemperatureHistory

SAMPLE_EVERY_S = 30.0
# Samples of the last two days stay as they are; older ones are joined, so that a program which
# runs for a year keeps some ten thousands and not a million.
THIN_AFTER_S = 172_800.0
THIN_TO_S = 600.0
ROOM_ROWS = 16_384
"""As many as come in three days whole and the eight weeks before them thinned."""


class TemperatureChannel(NamedTuple):
    """One temperature, humidity or carbon dioxide that counts for a section's clocks.

    Attributes:
        point: name of the sensor body.
        quantity: which.
        max_age_s: how long a value of it counts in the log, or None for three usual intervals,
            90 s to 35 min [s].
        accuracy_pct: of a humidity [%].
        required: whether its silence matters, as for the call: one that is not is left out.
        section: whose surface it measures, or None for all.
        left_s: when it was taken out of the config: its silence matters no more [s].
    """

    point: str
    quantity: Quantity
    max_age_s: float | None = None
    accuracy_pct: float = 0.0
    required: bool = True
    section: str | None = None
    left_s: float = math.inf

    def away_s(self, carried: CarriedOut) -> Spans:
        """Return when it was carried out [s]."""
        return carried.spans(self.section, surface=self.quantity is Quantity.SURFACE_TEMP)


def channels_of(config: EnclosureConfig, section: str) -> tuple[TemperatureChannel, ...]:
    """Return the channels that count for a section."""
    return tuple(
        TemperatureChannel(
            point.name,
            point.quantity,
            point.rules.max_age_s,
            point.accuracy if point.quantity is Quantity.HUMIDITY else 0.0,
            point.required,
            point.section,
            point.left_s,
        )
        for point in config.points
        if point.quantity is Quantity.AIR_TEMP
        or (point.quantity in (Quantity.HUMIDITY, Quantity.CO2) and point.inside)
        or (point.quantity is Quantity.SURFACE_TEMP and point.section in (None, section))
    )


_PACES = {
    Quantity.SURFACE_TEMP: TEMPERATURE,
    Quantity.AIR_TEMP: TEMPERATURE,
    Quantity.HUMIDITY: HUMIDITY,
    Quantity.CO2: CARBON_DIOXIDE,
}
ONE_OF_EACH = tuple(TemperatureChannel("", each) for each in _PACES)
"""What is asked of a section whose points nobody has named."""


Rows = Iterable[Sequence[float]] | NDArray[np.float64]
"""Samples: a time [s], and the lowest and the highest that each channel can have meant then."""


def ends_of(
    channels: Sequence[TemperatureChannel],
    rows: NDArray[np.float64],
    silences: dict[Quantity, Silences] | None = None,
) -> list[NDArray[np.float64]]:
    """Return the lowest and the highest of each quantity by all of its channels.

    Args:
        channels: of the rows' columns.
        rows: as `Rows`, in the order of their times.
        silences: what was found of those that have ended, for the next call with the same rows
            and more; None leaves a silent channel out.

    Returns:
        The columns of `ONE_OF_EACH`, the times first; NaN where no channel spoke. A required one
        that is silent while others speak counts by what `rules.known.with_silences` knows of it.
    """
    columns = np.ascontiguousarray(rows.T)
    air = _ends_of_kind(Quantity.AIR_TEMP, channels, columns, silences, None)
    found = [columns[0]]
    for quantity in _PACES:
        if quantity is Quantity.AIR_TEMP:
            found += air
        else:
            around = air if quantity is Quantity.SURFACE_TEMP else None
            found += _ends_of_kind(quantity, channels, columns, silences, around)
    return found


def _ends_of_kind(
    quantity: Quantity,
    channels: Sequence[TemperatureChannel],
    columns: NDArray[np.float64],
    silences: dict[Quantity, Silences] | None,
    around: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    own = [k for k, each in enumerate(channels) if each.quantity is quantity]
    low, high = (columns[[at + 2 * k for k in own]] for at in (1, 2))
    needed = [k for k, place in enumerate(own) if channels[place].required]
    if silences is not None and len(needed) > 1:
        kept = silences.setdefault(quantity, {})
        said = columns[0], low[needed].T, high[needed].T
        known = with_silences(*said, _PACES[quantity], kept, around)
        named = columns[0] < np.array([[channels[own[k]].left_s] for k in needed])
        for ends, of_all in zip((low, high), known, strict=True):
            ends[needed] = np.where(named, of_all.T, ends[needed])
    lowest = np.fmin.reduce(low, axis=0, initial=math.nan)
    return lowest, np.fmax.reduce(high, axis=0, initial=math.nan)


class Temperatures:
    """What a section's surfaces, its air and the air's humidity were, sample by sample.

    Attributes:
        channels: that are kept, in the order of their columns.
        ended: clocks that have ended by these samples, which none later takes back.
        whole_from_s: from here on nothing is missing that the log has, save what came late;
            infinity while there is nothing [s].
    """

    def __init__(
        self,
        surface_accuracy_k: float,
        air_accuracy_k: float,
        assumed: AssumedSurface | None = None,
        channels: Sequence[TemperatureChannel] = ONE_OF_EACH,
    ) -> None:
        self.channels = tuple(channels)
        self.whole_from_s = math.inf
        self.ended: dict[Hashable, Clock] = {}
        # An array of one size from the start, and all of it written to, so that a watch of months
        # needs no more memory than one of hours.
        self._kept = np.full((ROOM_ROWS, 1 + 2 * len(self.channels)), math.nan)
        self._count = 0
        self._silences: dict[Quantity, Silences] = {}
        self._last_words: list[tuple[float, float, float] | None] = [None] * len(self.channels)
        self._surface_accuracy_k = surface_accuracy_k
        self._air_accuracy_k = air_accuracy_k
        self._assumed = assumed
        self._thinned_s = -math.inf
        self._away_s: tuple[Spans, ...] = ()

    def leave_out(self, carried: CarriedOut) -> None:
        """Let nothing count that probes said while they were carried out."""
        away_s = tuple(each.away_s(carried) for each in self.channels)
        if away_s != self._away_s:
            self._away_s = away_s
            self._silences.clear()
            self.ended.clear()

    def is_due(self, time_s: float) -> bool:
        """Return whether the last sample is older than 30 s [s]."""
        return not self._count or time_s >= self._kept[self._count - 1, 0] + SAMPLE_EVERY_S

    def take(self, time_s: float, said: Sequence[tuple[float, float]]) -> None:
        """Add a sample, unless the last is younger than 30 s or nothing was told since.

        Args:
            time_s: when [s].
            said: of each channel its value, NaN where it is not believed [degC, % or ppm], and
                when it was told [s].
        """
        row = [max((told_s for value, told_s in said if math.isfinite(value)), default=time_s)]
        for k, (channel, (value, told_s)) in enumerate(zip(self.channels, said, strict=True)):
            ends = value - channel.accuracy_pct, value + channel.accuracy_pct
            row += ends
            if math.isfinite(value):
                self._last_words[k] = told_s, *ends
            elif (word := self._last_words[k]) is not None:
                row[0] = time_s
                self._fall_silent(k, word)
        if not self.is_due(row[0]):
            return
        last = self._rows[-1:, 1:]
        if last.size and not (any(map(math.isfinite, row[1:])) or np.isfinite(last).any()):
            return  # the first row of a silence tells of it
        self._make_room(self._count + 1)
        self._kept[self._count] = row
        self._count += 1
        self.whole_from_s = min(self.whole_from_s, row[0])
        if not self._thinned_s <= time_s < self._thinned_s + THIN_AFTER_S / 2.0:
            self._thinned_s = time_s
            self._thin(time_s - THIN_AFTER_S)

    def _fall_silent(self, k: int, last_word: tuple[float, float, float]) -> None:
        """Keep a channel's last word, and take back what it stood for after it was told."""
        told_s, *ends = last_word
        rows, columns = self._rows, slice(1 + 2 * k, 3 + 2 * k)
        after = int(rows[:, 0].searchsorted(told_s, "right"))
        if not after or rows[after - 1, 0] < told_s:
            said = rows[after - 1].copy() if after else np.full(rows.shape[1], math.nan)
            said[0] = told_s
            rows = np.insert(rows, after, said, axis=0)
            after += 1
        rows[after - 1, columns] = ends
        rows[after:, columns] = math.nan
        self._put(rows)
        self.ended.clear()
        self._last_words[k] = None

    @property
    def _rows(self) -> NDArray[np.float64]:
        """The samples, a row each as `Rows`, in the order of their times."""
        return self._kept[: self._count]

    def _table(self, rows: Rows) -> NDArray[np.float64]:
        if isinstance(rows, np.ndarray):
            return rows
        return np.array(list(rows), dtype=np.float64).reshape(-1, self._kept.shape[1])

    def _make_room(self, count: int) -> None:
        if count > len(self._kept):
            grown = np.empty((2 * count, self._kept.shape[1]))
            grown[: self._count] = self._rows
            self._kept = grown

    def _put(self, rows: NDArray[np.float64]) -> None:
        """Keep these rows and no others."""
        self._silences.clear()
        self._make_room(len(rows))
        self._kept[: len(rows)] = rows
        self._count = len(rows)

    def _thin(self, before_s: float) -> None:
        """Join the samples of each 10 min before a time: coldest of coldest, warmest of warmest."""
        old = self._rows[self._rows[:, 0] < before_s]
        begins = np.flatnonzero(np.diff(old[:, 0] // THIN_TO_S, prepend=-np.inf))
        if len(begins) < len(old):
            bins = (old[begin:end] for begin, end in pairwise((*begins, len(old))))
            joined = [each for rows in bins for each in _joined(rows.tolist())]
            self._put(np.concatenate((np.array(joined), self._rows[len(old) :])))

    def put_before(self, rows: Rows) -> None:
        """Add samples that the log has from before or between, in any order."""
        both = np.concatenate((self._table(rows), self._rows))
        both = both[np.argsort(both[:, 0], kind="stable")]
        # Of two samples of one time the last counts, which is our own.
        self._put(both[np.diff(both[:, 0], append=np.inf) > 0.0])
        self.ended.clear()

    def take_from_log(self, rows: Rows) -> None:
        """Take the log's word for the time that it tells of: late readings are only there."""
        told = self._table(rows)
        if len(told):
            own = self._rows
            apart = (own[:, 0] < told[:, 0].min()) | (own[:, 0] > told[:, 0].max())
            both = np.concatenate((own[apart], told))
            self._put(both[np.argsort(both[:, 0], kind="stable")])
            self.ended.clear()

    def drop_after(self, time_s: float) -> None:
        """Forget samples later than a clock that was set back now says."""
        self._count = int(np.searchsorted(self._rows[:, 0], time_s))
        self._silences.clear()
        self.ended.clear()
        if self.whole_from_s >= time_s:
            self.whole_from_s = math.inf

    def drop_before(self, time_s: float) -> None:
        """Forget samples older than any clock needs."""
        if self._count and self._kept[0, 0] < time_s - DAY_S:
            self._put(self._rows[np.searchsorted(self._rows[:, 0], time_s) :].copy())
            self.whole_from_s = max(self.whole_from_s, time_s)

    def history(self) -> TemperatureHistory:
        """Return the samples as the clocks read them."""
        rows = self._rows
        if any(self._away_s):
            rows = rows.copy()
            for k, spans in enumerate(self._away_s):
                for from_s, to_s in spans:
                    away = (rows[:, 0] > from_s) & (rows[:, 0] < to_s)
                    rows[away, 1 + 2 * k : 3 + 2 * k] = math.nan
        said = self._history(rows)
        if not np.isnan(rows).any():
            return said
        known = self._history(rows, self._silences)
        surfaces, airs = (
            self._silent(rows, each) for each in (Quantity.SURFACE_TEMP, Quantity.AIR_TEMP)
        )
        if self._assumed is not None:
            surfaces = airs
        return replace(known, said=said, silent=surfaces, air_silent=airs)

    def _silent(self, rows: NDArray[np.float64], quantity: Quantity) -> tuple[Silent, ...]:
        """Those of a quantity that count and did not speak while others did."""
        from rules.clocks.history import Silent

        own = [
            k for k, each in enumerate(self.channels) if each.required and each.quantity is quantity
        ]
        spoke = np.isfinite(rows[:, [1 + 2 * k for k in own]])
        missed, heard = ~spoke & spoke.any(axis=1, keepdims=True), np.maximum.accumulate(spoke)
        missed &= rows[:, :1] < np.array([self.channels[k].left_s for k in own])
        times_s = np.append(rows[:, 0], math.inf)
        found = []
        for before in (True, False):
            those = missed & (heard if before else ~heard)
            steps = np.diff(those.astype(np.int8), axis=0, prepend=0, append=0)
            found += [
                Silent(self.channels[k].point, times_s[step > 0], times_s[step < 0], before)
                for k, step in zip(own, steps.T, strict=True)
                if step.any()
            ]
        return tuple(found)

    def _bodies(self, rows: NDArray[np.float64]) -> Iterator[AirBody]:
        """Each temperature of the air with the humidity of its own body."""
        from rules.clocks.history import AirBody

        own = {(each.point, each.quantity): 1 + 2 * k for k, each in enumerate(self.channels)}
        for (point, quantity), at in own.items():
            beside = own.get((point, Quantity.HUMIDITY))
            if quantity is Quantity.AIR_TEMP and beside is not None:
                yield AirBody(*(0.5 * (rows[:, k] + rows[:, k + 1]) for k in (at, beside)))

    def _history(
        self, rows: NDArray[np.float64], silences: dict[Quantity, Silences] | None = None
    ) -> TemperatureHistory:
        from rules.clocks.history import TemperatureHistory, with_assumed_surface

        time_s, cold_c, warm_c, air_cold_c, air_warm_c, rh_low_pct, rh_high_pct, _, co2_ppm = (
            ends_of(self.channels, rows, silences)
        )
        history = TemperatureHistory(
            time_s=time_s,
            coldest_c=cold_c,
            warmest_c=warm_c,
            accuracy_k=self._surface_accuracy_k,
            air_coldest_c=air_cold_c,
            air_warmest_c=air_warm_c,
            air_accuracy_k=self._air_accuracy_k,
            rh_low_pct=rh_low_pct,
            rh_high_pct=rh_high_pct,
            co2_ppm=co2_ppm,
            bodies=tuple(self._bodies(rows)),
        )
        assumed = self._assumed
        return history if assumed is None else with_assumed_surface(history, assumed)


def _joined(rows: Sequence[Sequence[float]]) -> Iterator[tuple[float, ...]]:
    """Yield one sample for many, or three where something was silent for a part of their time.

    The middle one of three tells of the silence, from its first sample to its last: the time
    between has no temperature. What was known within it still counts for the ends.
    """
    _, *columns = (list(column) for column in zip(*rows, strict=True))
    ends = [_known(max if k % 2 else min, column) for k, column in enumerate(columns)]
    silent = [
        place
        for place, row in enumerate(rows)
        if any(
            math.isnan(one) and not math.isnan(end) for one, end in zip(row[1:], ends, strict=True)
        )
    ]
    if not silent:
        yield _middle_s(rows), *ends
        return
    before, after = rows[: silent[0]], rows[silent[-1] + 1 :]
    if before:
        yield _middle_s(before), *ends
    left = [
        math.nan if any(math.isnan(column[place]) for place in silent) else end
        for column, end in zip(columns, ends, strict=True)
    ]
    yield rows[silent[0]][0], *left
    if after:
        yield _middle_s(after), *ends


def _middle_s(rows: Sequence[Sequence[float]]) -> float:
    return rows[len(rows) // 2][0]


def _known(pick: Callable[[list[float]], float], values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return pick(known) if known else math.nan
