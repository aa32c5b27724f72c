"""What the log knows of a film's temperature, and what is expected of it: what clocks run on."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.errors import ImplausibleReading
from rules.known import HUMIDITY, Edge, between, edge_of
from rules.rate import Damp, FloatArray, reciprocal
from rules.vocabulary import AIR_ACCURACY_K, SURFACE_ACCURACY_K

if TYPE_CHECKING:
    from rules.climate import AssumedSurface

_COLDEST_C = -100.0
_HOTTEST_C = 200.0


@dataclass(frozen=True, slots=True, eq=False)
class Silent:
    """A probe that said nothing while others of its kind spoke.

    Attributes:
        probe: its name.
        from_s: when each silence began [s].
        to_s: when each ended, infinity where it lasts [s].
        heard: whether it had spoken in the days before, so that what it can have been has bounds.
    """

    probe: str
    from_s: FloatArray
    to_s: FloatArray
    heard: bool = True

    def within_s(self, from_s: float, to_s: float) -> float:
        """Return for how much of a time it was silent [s]."""
        lasted_s = np.minimum(self.to_s, to_s) - np.maximum(self.from_s, from_s)
        return float(np.maximum(lasted_s, 0.0).sum())

    def until(self, end_s: float) -> Silent:
        """Return it with no silence after an instant [s]."""
        return replace(self, to_s=np.minimum(self.to_s, end_s))


class AirBody(NamedTuple):
    """What one sensor body said of the air at each instant, NaN where it was not believed."""

    temp_c: FloatArray
    rh_pct: FloatArray

    def within(self, part: slice | NDArray[np.bool_]) -> AirBody:
        """Return a part of it."""
        return AirBody(self.temp_c[part], self.rh_pct[part])


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureHistory:
    """What the log knows of one section's temperatures; NaN where a value is not known.

    Attributes:
        time_s: instants, never descending, seconds since 1970-01-01 UTC [s].
        coldest_c: the section's coldest surface at each instant [°C].
        warmest_c: the section's warmest surface at each instant [°C].
        accuracy_k: taken off the coldest and added to the warmest [K].
        max_gap_s: two samples further apart than this leave a gap between them [s].
        air_coldest_c: coldest air at each instant, for a pot's induction, or None [°C].
        air_warmest_c: warmest air at each instant, for a pot's life, or None [°C].
        air_accuracy_k: as `accuracy_k`, for the air [K].
        assumed_offset_k: surface less air where no surface is measured, else None [K].
        rh_low_pct: lowest humidity beside the film, accuracy included, or None [%].
        rh_high_pct: highest, likewise [%].
        co2_ppm: most carbon dioxide beside it, or None [ppm].
        bodies: that measure temperature and humidity of the air at one place [°C, %].
        left: whether the section left the enclosure at the last instant, from when on the air
            beside it may be any.
        said: the same by those probes alone that spoke, for best estimates; None where all did.
        silent: surface probes that said nothing while others spoke.
        air_silent: air probes, likewise.

    Raises:
        ImplausibleReading: arrays of unequal length, times that descend or are not finite, or
            temperatures outside -100 to 200 °C.
    """

    time_s: FloatArray
    coldest_c: FloatArray
    warmest_c: FloatArray
    accuracy_k: float = SURFACE_ACCURACY_K
    max_gap_s: float = 2100.0
    air_coldest_c: FloatArray | None = None
    air_warmest_c: FloatArray | None = None
    air_accuracy_k: float = AIR_ACCURACY_K
    assumed_offset_k: float | None = None
    rh_low_pct: FloatArray | None = None
    rh_high_pct: FloatArray | None = None
    co2_ppm: FloatArray | None = None
    bodies: tuple[AirBody, ...] = ()
    left: bool = False
    said: TemperatureHistory | None = None
    silent: tuple[Silent, ...] = ()
    air_silent: tuple[Silent, ...] = ()
    _damp: dict[float, tuple[Edge, Edge] | None] = field(
        init=False, default_factory=dict, repr=False
    )

    def __post_init__(self) -> None:
        """Refuse what no clock could be computed from."""
        times = self.time_s
        if times.ndim != 1 or not bool(np.isfinite(times).all()):
            raise ImplausibleReading("temperature history: a time is not finite; drop that sample")
        if times.size > 1 and bool((np.diff(times) < 0.0).any()):
            raise ImplausibleReading("temperature history: times descend; sort the samples first")
        for name in ("coldest_c", "warmest_c", "air_coldest_c", "air_warmest_c"):
            values = getattr(self, name)
            if values is None:
                continue
            if values.shape != times.shape:
                raise ImplausibleReading(
                    f"temperature history: {name} has {values.size} values for {times.size} times"
                )
            if bool(((values < _COLDEST_C) | (values > _HOTTEST_C)).any()):
                raise ImplausibleReading(
                    f"temperature history: {name} has a value outside {_COLDEST_C:.0f} to "
                    f"{_HOTTEST_C:.0f} °C, so no clock is run on it; set that reading aside"
                )
        for name in ("accuracy_k", "air_accuracy_k", "max_gap_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ImplausibleReading(f"temperature history: {name} is {value}, not 0 or more")

    def air_c(self, *, upper: bool) -> FloatArray | None:
        """Return the warmest, or the coldest, that the air can have been, where it was measured."""
        if self.air_warmest_c is None or self.air_coldest_c is None:
            return None
        more_k = max(0.0, self.air_accuracy_k - self.accuracy_k)
        return self.air_warmest_c + more_k if upper else self.air_coldest_c - more_k

    def damp_edges(self, now_s: float) -> tuple[Edge, Edge] | None:
        """Return both edges of the humidity beside the film, or None without any.

        Args:
            now_s: until when the last one must serve [s].
        """
        if self.rh_low_pct is None or self.rh_high_pct is None:
            return None
        if now_s not in self._damp:
            low_pct, high_pct = self.rh_low_pct, self.rh_high_pct
            if self.left:
                low_pct, high_pct = np.append(low_pct[:-1], 0.0), np.append(high_pct[:-1], 100.0)
            low, high = (
                edge_of(self.time_s, each, self.max_gap_s, upper=upper, now_s=now_s, pace=HUMIDITY)
                for each, upper in ((low_pct, False), (high_pct, True))
            )
            self._damp[now_s] = (low, high) if low.time_s.size and high.time_s.size else None
        return self._damp[now_s]


EMPTY_HISTORY = TemperatureHistory(np.empty(0), np.empty(0), np.empty(0))
"""No temperature at all: opens clocks do not advance, closes clocks run at their hottest row."""


def with_assumed_surface(
    history: TemperatureHistory, assumed: AssumedSurface
) -> TemperatureHistory:
    """Return a history in which surfaces that nobody measures are taken from the air.

    Args:
        history: of a section without a surface point.
        assumed: how far the surface stands off the air, and how far that may be out.

    Returns:
        The coldest surface under the coldest air, the warmest under the warmest; unknown where
        the air is.

    Raises:
        ImplausibleReading: such a surface would stand outside -100 to 200 °C.

    Source:
        No source: this program's own rule, as for the climate; leaned by both accuracies.
    """
    if history.air_coldest_c is None or history.air_warmest_c is None:
        return history
    return replace(
        history,
        said=None if history.said is None else with_assumed_surface(history.said, assumed),
        coldest_c=history.air_coldest_c + assumed.offset_k,
        warmest_c=history.air_warmest_c + assumed.offset_k,
        accuracy_k=math.hypot(history.air_accuracy_k, assumed.accuracy_k),
        assumed_offset_k=assumed.offset_k,
    )


def damp_between(history: TemperatureHistory, at_s: FloatArray, now_s: float | None) -> Damp | None:
    """Return the humidity that the air can have had between each two of some instants.

    Args:
        history: of the section.
        at_s: instants, never descending [s].
        now_s: until when the last humidity must serve, or None for ever [s].

    Returns:
        Lowest and highest [%], one fewer than instants; None where none was ever known.

    Source:
        Gaps by `rules.known.edge_of`.
    """
    edges = history.damp_edges(math.inf if now_s is None else now_s)
    if edges is None:
        return None
    low, high = edges
    return between(low, at_s, upper=False), between(high, at_s, upper=True)


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureOutlook:
    """What the surface will probably do from now on.

    Attributes:
        time_s: instants ahead, ascending [s].
        surface_c: the probable coldest surface [°C].
        low_c: lower edge of the interval [°C].
        high_c: upper edge of the interval [°C].
    """

    time_s: FloatArray
    surface_c: FloatArray
    low_c: FloatArray
    high_c: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One edge of what is known of a body's temperature, as a clock integrates over it.

    Attributes:
        time_s: of each node [s].
        x: -1/T at each node; between two it runs evenly [1/K].
        measured: for each node, whether the line that ends there was measured.
        last_s: when the temperature was last measured, or None [s].
        fresh_s: how long after that it counts as measured [s].
        beside: the history whose humidity counts beside it, or None.
        now_s: until when the last humidity must serve, or None for ever [s].
    """

    time_s: FloatArray
    x: FloatArray
    measured: NDArray[np.bool_]
    last_s: float | None
    fresh_s: float
    beside: TemperatureHistory | None = None
    now_s: float | None = None

    def damp_of(self, first: int, last: int) -> Damp | None:
        """Return the humidity in each interval that ends at the nodes `first` to `last`.

        A node outside the course counts as its nearest.
        """
        if self.beside is None:
            return None
        ends = np.clip(np.arange(first - 1, last + 1), 0, self.time_s.size - 1)
        return damp_between(self.beside, self.time_s[ends], self.now_s)


def course_of(
    time_s: FloatArray,
    temp_c: FloatArray,
    shift_k: float,
    max_gap_s: float,
    *,
    upper: bool,
    now_s: float | None = None,
    beside: TemperatureHistory | None = None,
) -> Course:
    """Return one edge of a temperature, moved by the sensors' accuracy.

    Args:
        time_s: instants, never descending [s].
        temp_c: temperatures, NaN where not known [°C].
        shift_k: added to each; negative to lean cold [K].
        max_gap_s: two samples further apart leave a gap [s].
        upper: the warmest that it can have been, else the coldest.
        now_s: until when the last sample must serve, or None [s].
        beside: the history whose air and humidity count beside it, or None; the instants are the
            first of its own.

    Source:
        Gaps by `rules.known.edge_of`.
    """
    around = None if beside is None else beside.air_c(upper=upper)
    if around is not None:
        around = around[: time_s.size]
    edge = edge_of(time_s, temp_c, max_gap_s, upper=upper, now_s=now_s, around=around)
    return Course(
        edge.time_s,
        reciprocal(edge.value + shift_k),
        edge.measured,
        edge.last_s,
        edge.fresh_s,
        beside,
        now_s,
    )


def expected_course(time_s: FloatArray, temp_c: FloatArray, shift_k: float) -> Course:
    """Return an outlook's temperatures as a course; what it tells of is expected, not measured.

    Args:
        time_s: instants ahead, ascending [s].
        temp_c: at each [°C].
        shift_k: added to each [K].
    """
    unmeasured = np.zeros(time_s.shape, dtype=np.bool_)
    return Course(time_s, reciprocal(temp_c + shift_k), unmeasured, None, 0.0)
