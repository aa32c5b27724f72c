"""How one channel usually moves with another: learned gains, over half an hour to six hours."""

from __future__ import annotations

import math

from sensors.believe.record import MinuteRecord

SCALES_MIN = (30, 120, 360)
_TICK_MIN = 5
_FORGET = 1.0 - 1.0 / 576.0
"""A tick each five minutes, 48 h of memory."""
_SPANS_WANTED = 6.0


class PairModel:
    """Least squares of a channel's movement on another's, apart for each length of time."""

    __slots__ = ("_sums",)

    def __init__(self) -> None:
        self._sums = [[0.0, 0.0, 0.0, 0.0] for _ in SCALES_MIN]

    def learn(self, own: MinuteRecord, other: MinuteRecord, minute: int) -> None:
        """Take the movements that end at a minute; call this every five."""
        own_now, other_now = own.at(minute), other.at(minute)
        for scale, sums in zip(SCALES_MIN, self._sums, strict=True):
            moved = own_now - own.at(minute - scale)
            other_moved = other_now - other.at(minute - scale)
            together = moved * other_moved
            if together != together:
                return  # it is not known so far back, nor further
            sums[0] = sums[0] * _FORGET + 1.0
            sums[1] = sums[1] * _FORGET + other_moved * other_moved
            sums[2] = sums[2] * _FORGET + together
            sums[3] = sums[3] * _FORGET + moved * moved

    def expected(self, other_moved: float, lasted_min: float) -> tuple[float, float] | None:
        """Return the movement to expect and its standard deviation, or None before it is known.

        Args:
            other_moved: by how much the other channel has moved, in its unit.
            lasted_min: in which time [min].
        """
        best = None
        for scale, (ticks, xx, xy, yy) in zip(SCALES_MIN, self._sums, strict=True):
            spans = ticks * _TICK_MIN / scale
            if spans < _SPANS_WANTED or xx <= 0.0 or (best is not None and scale > lasted_min):
                continue
            gain = xy / xx
            spread = math.sqrt(max(0.0, yy - gain * xy) / ticks)
            # The gain itself is only as well known as the spans that it was learned from.
            of_gain = spread / math.sqrt(xx / ticks * spans) * abs(other_moved)
            longer = max(1.0, lasted_min / scale)
            best = gain * other_moved, math.sqrt(spread * spread * longer + of_gain * of_gain)
        return best
