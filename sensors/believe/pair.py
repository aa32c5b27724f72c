"""How one channel usually moves with another: learned over half an hour, two and six hours."""

from __future__ import annotations

import math

from sensors.believe.record import MinuteRecord

SCALES_MIN = (30, 120, 360)
_TICK_MIN = 5
_FORGET = 1.0 - 1.0 / 576.0
"""A tick each five minutes, 48 h of memory."""
_SPANS_WANTED = 6.0
_RIDGE = 1e-3


class Movement:
    """By how much two channels have moved over one span of time: the own one and the other."""

    __slots__ = ("other", "own")

    def __init__(self, own: MinuteRecord, other: MinuteRecord, start: int, minute: int) -> None:
        self.own = own.at(minute) - own.at(start)
        self.other = other.at(minute) - other.at(start)

    @property
    def known(self) -> bool:
        """Whether both channels reach back so far."""
        return math.isfinite(self.own + self.other)


class PairModel:
    """Least squares of a channel's movement on another's, apart for each length of time.

    Attributes:
        moved_while_still: the furthest that the other has moved while the channel stood still.
    """

    __slots__ = ("_sums", "moved_while_still")

    def __init__(self) -> None:
        # Of each scale: weight; own, other; squares and product.
        self._sums = [[0.0] * 6 for _ in SCALES_MIN]
        self.moved_while_still = 0.0

    def learn(self, own: MinuteRecord, other: MinuteRecord, minute: int, since: int) -> None:
        """Take the movements that end at a minute and began after another; call it every five."""
        for scale, s in zip(SCALES_MIN, self._sums, strict=True):
            move = Movement(own, other, minute - scale, minute)
            if minute - scale < since or not move.known:
                return  # nor is any longer span
            x, u = move.own, move.other
            for place, value in enumerate((1.0, x, u, u * u, x * u, x * x)):
                s[place] = s[place] * _FORGET + value

    def expected(self, move: Movement, lasted_min: float) -> tuple[float, float] | None:
        """Return the movement to expect and its standard deviation, or None before it is known.

        Args:
            move: of both over the time.
            lasted_min: that time [min].
        """
        best = None
        for scale, s in zip(SCALES_MIN, self._sums, strict=True):
            spans = s[0] * _TICK_MIN / scale
            if spans < _SPANS_WANTED or (best is not None and scale > lasted_min):
                continue
            best = _predict(s, move, spans, lasted_min / scale)
        return best


def _predict(s: list[float], move: Movement, spans: float, longer: float) -> tuple[float, float]:
    """Ordinary least squares through the origin, and the variance of a prediction."""
    n = s[0]
    gain = s[4] / (s[3] + _RIDGE * n)
    residual = max(0.0, s[5] - gain * s[4]) / n
    leverage = move.other * move.other / (s[3] / n + _RIDGE)
    variance = residual * max(1.0, longer) * (1.0 + leverage / spans)
    return gain * move.other, math.sqrt(variance)
