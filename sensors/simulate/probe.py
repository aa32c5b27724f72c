"""How a simulated sensor sees the truth: lag, offset, noise, resolution, and ways to fail."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sensors.reading import Quantity

FaultKind = Literal["dead", "stuck", "drift", "wet", "spike"]


@dataclass(frozen=True, slots=True)
class Probe:
    """One measured quantity of one point.

    Attributes:
        point: name of the sensor body.
        quantity: what it measures.
        noise: standard deviation, in the quantity's unit.
        resolution: of its figures, in the quantity's unit.
        lag_s: time in which it follows 63 % of a change [s].
        offset: that it reads too high, in the quantity's unit.
        local_k: how much warmer than the mean the air is where it stands [K]; a true difference.
        side: of the hull that a surface probe is on, from 0.
    """

    point: str
    quantity: Quantity
    noise: float
    resolution: float
    lag_s: float
    offset: float = 0.0
    local_k: float = 0.0
    side: int = 0


@dataclass(frozen=True, slots=True)
class Fault:
    """A way in which a probe fails for a while.

    Attributes:
        kind: dead (no readings), stuck (repeats itself), drift (by `amount` an hour more and more),
            wet (humidity pinned at 100 %), spike (one reading off by `amount`).
        point: of the sensor body.
        quantity: that fails; None is all of the body's.
        start_s: when it begins, seconds since 1970 [s].
        end_s: when it is over [s].
        amount: for drift by the hour, for spike at once; in the quantity's unit.
    """

    kind: FaultKind
    point: str
    quantity: Quantity | None
    start_s: float
    end_s: float = math.inf
    amount: float = 0.0

    def touches(self, probe: Probe, time_s: float) -> bool:
        """Whether it acts on a probe at a time."""
        return (
            self.point == probe.point
            and self.quantity in (None, probe.quantity)
            and self.start_s <= time_s < self.end_s
        )


class ProbeState:
    """One probe at work, with a random stream of its own, so that a fault moves no other probe."""

    def __init__(self, probe: Probe, faults: Sequence[Fault], seed: int) -> None:
        self.probe = probe
        self._faults = [
            f for f in faults if f.point == probe.point and f.quantity in (None, probe.quantity)
        ]
        self._random = random.Random(f"{seed}:{probe.point}:{probe.quantity}")
        self._followed: float | None = None
        self._followed_s = 0.0
        self._last: float | None = None
        self._spiked: set[int] = set()

    def read(self, truth: float, time_s: float) -> float | None:
        """Return what the probe shows, or None while it is dead.

        Args:
            truth: value where the probe stands.
            time_s: now, not before the last call [s].

        Returns:
            Value in the quantity's unit, to the probe's resolution.
        """
        probe = self.probe
        if self._followed is None:
            self._followed = truth
        elif probe.lag_s > 0.0:
            share = 1.0 - math.exp(-(time_s - self._followed_s) / probe.lag_s)
            self._followed += share * (truth - self._followed)
        else:
            self._followed = truth
        self._followed_s = time_s
        value = self._followed + probe.offset + self._random.gauss(0.0, probe.noise)
        stuck = False
        for number, fault in enumerate(self._faults):
            if not fault.touches(probe, time_s):
                continue
            if fault.kind == "dead":
                return None
            if fault.kind == "stuck":
                stuck = self._last is not None
            elif fault.kind == "drift":
                value += fault.amount * (time_s - fault.start_s) / 3600.0
            elif fault.kind == "wet" and probe.quantity is Quantity.HUMIDITY:
                value = 100.0
            elif fault.kind == "spike" and number not in self._spiked:
                self._spiked.add(number)
                value += fault.amount
        if probe.quantity is Quantity.HUMIDITY:
            value = min(100.0, max(0.1, value))
        if stuck and self._last is not None:
            return self._last
        # Round twice: the product of a whole number and 0.1 has digits that no sensor shows.
        self._last = round(round(value / probe.resolution) * probe.resolution, 6)
        return self._last
