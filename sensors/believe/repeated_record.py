"""The test for a record that repeats itself, as a logger does that plays its buffer again."""

from __future__ import annotations

import math
from array import array
from collections import deque

from sensors.believe.verdict import Verdict

SHIFT = 8
WINDOW = 64 // SHIFT
"""So many changes back a fingerprint still depends on; older ones are shifted out."""
SLOTS_LOG2 = 10
EVERY = 4
"""Of so many fingerprints one is kept, so that 1,024 of them reach 4,096 changes back."""
BEYOND_CHANCE_NATS = 30.0
"""ln(1e9), and ln(4,096) for the places that a repeat could begin at, rounded up [nats]."""
_MOST_OF_RUN_NATS = 3.0
_SHORTEST_CYCLE = 16
"""Changes. A shorter cycle is a value that flickers in a pattern, not a record played again ..."""
_LONG_CYCLE_READINGS = 64
"""... unless so many readings lie in it: a coarse hull seldom changes."""
_FEWEST_TURNS = 6
"""A smooth course may come again to the last digit, as a calculated one does every day; noise turns
up and down at every few changes and does not."""
_MASK = (1 << 64) - 1
_MIX = 0x9E3779B97F4A7C15  # 2^64 over the golden ratio: the usual multiplier of a hash


def repeated_record(repeated_nats: float, beyond_chance: float = BEYOND_CHANCE_NATS) -> Verdict:
    """Return whether so many readings came again, to the last digit, that it was no chance.

    Args:
        repeated_nats: how improbable the repeated readings are under the channel's own rate of
            change: the sum of -ln of each one's probability [nats].
        beyond_chance: what chance may reach [nats].

    Source:
        Our own; the QARTOD manuals have no test for it.
    """
    return Verdict.SUSPECT if repeated_nats >= beyond_chance else Verdict.PASS


class RepeatTrace:
    """Looks each stretch of eight changes up among those of before, in constant time and memory."""

    __slots__ = (
        "_before",
        "_begun",
        "_between",
        "_count",
        "_hash",
        "_kept",
        "_lately",
        "_marks",
        "_missed",
        "_nats",
        "_readings",
        "_recent",
        "_rising",
        "_turns",
    )

    def __init__(self) -> None:
        self._nats = 0.0
        self._before = math.nan
        self._rising = False
        self._turns = self._begun = 0
        self._readings = 0
        self._lately = deque([0] * _SHORTEST_CYCLE, _SHORTEST_CYCLE)
        self._marks = deque([(0, 0)] * _SHORTEST_CYCLE, _SHORTEST_CYCLE)
        self._hash = 0
        self._count = 0
        self._missed = 0
        self._between = 0.0
        self._kept = array("Q", bytes(8 << SLOTS_LOG2))
        self._recent = 0.0

    @property
    def nats(self) -> float:
        """How improbable the repeat is that goes on now; 0 where nothing, or no noise, repeats."""
        return self._nats if self._turns - self._begun >= _FEWEST_TURNS else 0.0

    def take(self, value: float, run: int, nats: float) -> None:
        """Take the next value that differs from the one before.

        Args:
            value: as it was judged.
            run: how many readings in succession had shown the one before.
            nats: -ln of the probability of both [nats].
        """
        self._hash = key = ((self._hash << SHIFT) ^ (hash((value, run)) * _MIX)) & _MASK
        self._count = count = self._count + 1
        # Fades over a window, and never exceeds its sum: what the last changes were worth.
        self._recent = recent = self._recent * (1.0 - 1.0 / WINDOW) + nats
        rising = value > self._before
        self._readings += run + 1
        self._turns += rising is not self._rising
        self._before, self._rising = value, rising
        slot = ((key * _MIX) & _MASK) >> (64 - SLOTS_LOG2)
        known = self._kept[slot] == key
        if not (known or self._nats):
            self._begun = self._turns
        elif key in self._lately and self._is_pattern(key):
            self._end()
        elif known:
            self._nats = self._nats + self._between + nats if self._nats else 0.6 * recent
            self._between = 0.0
            self._missed = 0
        else:
            self._missed += 1
            self._between += nats
            if self._missed > EVERY + 1:
                self._end()
        self._lately.append(key)
        self._marks.append((self._readings, self._turns))
        if count % EVERY == 0:
            self._kept[slot] = key

    def _is_pattern(self, key: int) -> bool:
        """Whether the cycle that a key of lately ends is too short to be a record played again."""
        place = max(at for at, each in enumerate(self._lately) if each == key)
        readings, turns = self._marks[place]
        few = self._readings - readings < _LONG_CYCLE_READINGS
        return few or self._turns - turns < _FEWEST_TURNS

    def begin_anew(self) -> None:
        """End a repeat that a person has answered for; it counts again from here."""
        self._end()
        self._recent = 0.0
        self._kept = array("Q", bytes(8 << SLOTS_LOG2))

    def _end(self) -> None:
        self._nats = self._between = 0.0
        self._begun = self._turns


class ChangeNats:
    """What a run and the change that ends it are worth as evidence: -ln of their probability.

    On the low side: every reading is taken as independent of those before, the direction of a
    change as even, and its size as known but for half of its logarithm.
    """

    __slots__ = ("_of_change", "_of_equal")

    def __init__(self) -> None:
        self._of_change = 0.0
        self._of_equal = 0.0

    def learn(self, chance: float, step_digits: float) -> None:
        """Reckon it anew from what is known of the channel.

        Args:
            chance: of a change from one reading to the next; 0 where it is not known.
            step_digits: how many last digits the channel usually goes in one change.
        """
        if chance > 0.0:
            size = 0.5 * math.log(max(1.0, step_digits))
            self._of_change = math.log(2.0) - math.log(chance) + size
            self._of_equal = -math.log1p(-chance)

    def of(self, run: int) -> float:
        """Return what a change after `run` equal readings is worth [nats].

        >>> nats = ChangeNats()
        >>> nats.learn(0.5, 1.0)
        >>> round(nats.of(1), 2)
        2.08
        """
        of_run = run * self._of_equal
        return self._of_change + (of_run if of_run < _MOST_OF_RUN_NATS else _MOST_OF_RUN_NATS)
