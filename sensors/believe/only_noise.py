"""Whether a channel shows nothing but noise: its probe stands, or what it measures does."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from functools import lru_cache
from operator import mul

MOST_OF_NOISE = 12.0
"""Noise seldom has more order: chi squared of 2, 3 and 5 degrees in 0.2, 0.7 and 3.5 % of cases."""
_LAGS = (1, 2)
_TICK_MIN = 5
_LOOKS_WANTED = 36
_LOOKS_OF_A_WEEK = 2016
_LESS_THAN_EVER = 0.5
_FADES_A_LOOK = 1.0 + 1.0 / _LOOKS_OF_A_WEEK
_PLAINLY_MORE = 2.0
_MOVED_AT_ALL = 1e-9
"""The square of less than any last digit."""


def order_in(values: Sequence[float]) -> float:
    """Return how much order there is in values evenly apart; of noise, chi squared with 2 degrees.

    Returns:
        NaN where a value is not known or all are the same.

    Source:
        Box and Pierce (1970), J. Am. Stat. Assoc. 65, 1509: n times the sum of r^2 over so many
        lags. For r^2 stands -ln(1 - r^2) here, as in the likelihood ratio of a correlation.
    """
    off = _deviations(values)
    return _order(off, _product(off, off))


def order_together(own: Sequence[float], other: Sequence[float], *, both: bool = False) -> float:
    """Return that of a channel, and of what two do together: of noise, with 3 degrees.

    Args:
        own: values evenly apart.
        other: another channel's at the same times.
        both: add that of the other: with 5 degrees.
    """
    ours, theirs = _deviations(own), _deviations(other)
    own_square, other_square = _product(ours, ours), _product(theirs, theirs)
    if not (own_square > _MOVED_AT_ALL and other_square > _MOVED_AT_ALL):
        return math.nan
    shared = _product(ours, theirs) / math.sqrt(own_square * other_square)
    order = _order(ours, own_square) + len(ours) * _nats(shared)
    return order + _order(theirs, other_square) if both else order


def _order(off: Sequence[float], square: float) -> float:
    if not square > _MOVED_AT_ALL:
        return math.nan
    return len(off) * sum(_nats(_product(off, off[lag:]) / square) for lag in _LAGS)


def about_course(values: Sequence[float]) -> list[float]:
    """Return values evenly apart less the parabola that fits them best (least squares)."""
    off = _deviations(values)
    line, bow, per_line, per_bow = _orthogonal(len(off))
    slope, bend = _product(line, off) / per_line, _product(bow, off) / per_bow
    return [each - slope * x - bend * y for each, x, y in zip(off, line, bow, strict=True)]


@lru_cache(maxsize=8)
def _orthogonal(count: int) -> tuple[list[float], list[float], float, float]:
    """A line and a parabola, orthogonal to each other and to a constant, and their squares."""
    line = [at - 0.5 * (count - 1) for at in range(count)]
    bow = _deviations([x * x for x in line])
    return line, bow, _product(line, line), _product(bow, bow)


def _product(one: Sequence[float], other: Sequence[float]) -> float:
    """The sum of products as far as both go."""
    return float(sum(map(mul, one, other)))


def _deviations(values: Sequence[float]) -> list[float]:
    mean = sum(values) / len(values)
    return [each - mean for each in values]


def _nats(correlation: float) -> float:
    left = 1.0 - correlation * correlation
    return -math.log(left) if left > 0.0 else math.inf


class NoiseWatch:
    """Follows the order in a channel's last minutes.

    Nobody can tell a probe that stands from air that does, but for what was seen of that air: where
    noise alone was shown before, and passed by itself, for a week it is no news; nor is it where
    hardly more order was. In short windows what was before counts without its course: a course
    stands still by itself where it turns, a quick movement does not.

    Attributes:
        since: minute from which nothing but noise was shown, or -1.
        window_min: so long a time is looked at, every five minutes [min].
    """

    __slots__ = ("_due", "_least", "_waiting", "since", "window_min")

    def __init__(self, window_min: int) -> None:
        self.window_min = window_min
        self._waiting: deque[float] = deque(maxlen=window_min // _TICK_MIN + 1)
        self.accept()

    def accept(self) -> None:
        """Take a person's word that this is as it should be: it is learned anew."""
        self.begin_anew()
        self._due, self._least = _LOOKS_WANTED, math.inf

    def begin_anew(self) -> None:
        """Forget the present after a jump of the clock; what was learned stays."""
        self.since = -1
        self._waiting.clear()

    def look(self, order: float, minute: int, quick: float | None = None) -> None:
        """Take the order of the window that ends at a minute; NaN where it is not known.

        Args:
            order: of all that was shown.
            minute: the window's last.
            quick: of what was shown `about_course`, where only that may be learned.
        """
        waiting = self._waiting
        self._least *= _FADES_A_LOOK
        if len(waiting) == waiting.maxlen and self.since < 0:
            # What a fault already is in may teach nothing.
            learned = waiting[0]
            if not math.isnan(learned):
                self._due = _LOOKS_OF_A_WEEK if learned < MOST_OF_NOISE else self._due - 1
                self._least = min(self._least, learned)
        waiting.append(order if quick is None else quick)
        if self.since < 0:
            if self._due <= 0 and order < min(MOST_OF_NOISE, _LESS_THAN_EVER * self._least):
                self.since = minute - self.window_min
        elif order > _PLAINLY_MORE * MOST_OF_NOISE:
            self.since, self._due = -1, _LOOKS_OF_A_WEEK
