"""A channel's last twelve hours as minute means, its noise, and since when it has stood still."""

from __future__ import annotations

import math
from array import array

MINUTES = 720
_HELD_MINUTES = 10
_ANCHOR_MINUTES = 10
_NOISE_MEMORY = 240.0
_NOISE_OF_SECOND_DIFFERENCE = 1.0 / (0.798 * math.sqrt(6.0))
"""From the mean size of x0 - 2 x1 + x2 to the standard deviation of x, for a normal one."""


class MinuteRecord:
    """Minute means, of which each new one takes the oldest one's place.

    A channel that speaks more seldom keeps its last value for ten minutes, or three of its usual
    intervals.

    Attributes:
        head: the newest whole minute, counted from 1970, or -1 before the first.
        noise: standard deviation of a minute mean about its neighbours, in the channel's unit.
        anchor: where it has stood still: mean of the first ten minutes of that.
        still_since: that minute.
        closed: how many minutes there have been.
    """

    __slots__ = (
        "_before",
        "_means",
        "anchor",
        "closed",
        "head",
        "held_minutes",
        "noise",
        "start",
        "still_since",
    )

    def __init__(self) -> None:
        self._means = array("f", [math.nan]) * MINUTES
        self.head = -1
        self.start = -1
        self.held_minutes = _HELD_MINUTES
        self.noise = 0.0
        self.anchor = math.nan
        self.still_since = -1
        self.closed = 0
        self._before = math.nan

    def close(self, minute: int, mean: float, digit: float, readings: int) -> None:
        """Take the mean of a minute that is over.

        Args:
            minute: counted from 1970; later than every one before.
            mean: in the channel's unit.
            digit: of its figures, in the same.
            readings: that the mean is of.
        """
        means, head = self._means, self.head
        if head < 0 or minute - head > self.held_minutes:
            if head < 0 or minute - head > MINUTES:
                self.start = minute
            for gap in range(max(head + 1, minute - MINUTES + 1), minute):
                means[gap % MINUTES] = math.nan
            self.anchor, self.still_since = mean, minute
        else:
            held = means[head % MINUTES]
            for gap in range(head + 1, minute):
                means[gap % MINUTES] = held
            last = held
            if minute - head == 1 and self._before == self._before:
                bend = abs(mean - 2.0 * last + self._before) * _NOISE_OF_SECOND_DIFFERENCE
                weight = 1.0 / min(self.closed + 1.0, _NOISE_MEMORY)
                self.noise += weight * (min(bend, 4.0 * self.noise + digit) - self.noise)
            if abs(mean - self.anchor) > self.band(digit, readings):
                self.anchor, self.still_since = mean, minute
            elif minute - self.still_since < _ANCHOR_MINUTES:
                self.anchor += (mean - self.anchor) / (minute - self.still_since + 1)
        self._before = means[head % MINUTES] if head == minute - 1 else math.nan
        means[minute % MINUTES] = mean
        self.head = minute
        self.closed += 1

    def band(self, digit: float, readings: int = 1) -> float:
        """Return how far a minute mean strays by noise and last digit alone, at the most."""
        return max(4.0 * self.noise, 2.01 * digit / math.sqrt(readings))

    def at(self, minute: int) -> float:
        """Return the mean of a minute, the newest one for a while after it, or NaN."""
        head = self.head
        if minute > head:
            return self._means[head % MINUTES] if minute - head <= self.held_minutes else math.nan
        if minute <= head - MINUTES or minute < self.start:
            return math.nan
        return self._means[minute % MINUTES]

    def minutes(self, first: int, last: int) -> list[float]:
        """Return the means of successive minutes, both ends included, each as `at` has it."""
        head, means = self.head, self._means
        low, high = max(first, self.start, head - MINUTES + 1), min(last, head)
        if low > high:
            return [self.at(minute) for minute in range(first, last + 1)]
        begin, end = low % MINUTES, high % MINUTES + 1
        known = means[begin:end] if begin < end else means[begin:] + means[:end]
        after = [self.at(minute) for minute in range(high + 1, last + 1)]
        return [math.nan] * (low - first) + known.tolist() + after

    def mean_of_three(self, first: int) -> float:
        """Return the mean of three minutes; NaN where one of them is not known."""
        head, means = self.head, self._means
        if first >= self.start and head - MINUTES < first <= head - 2:
            a, b, c = (
                means[first % MINUTES],
                means[(first + 1) % MINUTES],
                means[(first + 2) % MINUTES],
            )
        else:
            a, b, c = self.at(first), self.at(first + 1), self.at(first + 2)
        return (a + b + c) / 3.0

    def means_of_four(self, first: int, last: int) -> list[float]:
        """Return the means of successive four minutes; NaN where one of them is not known.

        Args:
            first: minute of the first four.
            last: of the last four.
        """
        of = self.minutes(first, last)
        fours = zip(of[::4], of[1::4], of[2::4], of[3::4], strict=True)
        return [(a + b + c + d) / 4.0 for a, b, c, d in fours]

    def begin_anew(self) -> None:
        """Forget all minutes, as after a jump of the clock; the noise stays known."""
        self.head = self.start = self.still_since = -1
        self.anchor = self._before = math.nan
