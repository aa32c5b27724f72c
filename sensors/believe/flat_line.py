"""The flat line test: equal values in succession, against how often the channel changes."""

from __future__ import annotations

import math

from sensors.believe.verdict import Verdict

BEYOND_CHANCE = 1e-9
LEAST_FLAT_S = 1200.0
MOST_CHANCE = 0.95
_CHANGES_WANTED = 30
_BLOCK_READINGS = 60
_BLOCKS_OF_COARSE = 4
_COARSE_DIGITS = 1.2
_LOW_RECOVERS = 1.01
_READINGS_REMEMBERED = 8192.0
_LONGER_THAN_EVER = 1.5
_CHANGES_TO_RECOVER = 3


def flat_line(equal: int, lasted_s: float, needed: float, least_s: float = LEAST_FLAT_S) -> Verdict:
    """Return whether a channel has shown the same value for longer than chance allows.

    Args:
        equal: readings in succession that were equal to the one before.
        lasted_s: since the first of them [s].
        needed: as `ChangeRate.needed` has learned it; infinite where too little is known.
        least_s: nothing shorter is ever suspect [s].

    Source:
        The test is that of the QARTOD manuals (US IOOS, real-time quality control of in-situ
        temperature data), which leave the count to the operator. (1 - p)^n < 1e-9: our own.
    """
    if needed == math.inf:
        return Verdict.NOT_EVALUATED
    return Verdict.SUSPECT if equal >= needed and lasted_s >= least_s else Verdict.PASS


class ChangeRate:
    """Learns how probable it is that a channel's next reading differs from the last.

    Attributes:
        equal: readings in succession that were equal to the one before.
        needed: how many of them are beyond chance; infinite before enough was seen.
        since_s: time of the first reading of the present run [s].
        chance: the share of readings that differ from the one before, on the low side; 0 before
            thirty changes were seen.
    """

    __slots__ = (
        "_block_changes",
        "_block_readings",
        "_blocks",
        "_changes",
        "_longest",
        "_lowest",
        "_readings",
        "_recovering",
        "chance",
        "equal",
        "needed",
        "since_s",
    )

    def __init__(self) -> None:
        self.equal = 0
        self.needed = math.inf
        self.since_s = math.nan
        self.chance = 0.0
        self._changes = 0.0
        self._readings = 0.0
        self._block_changes = 0.0
        self._block_readings = 0.0
        self._blocks = 0
        self._lowest = 1.0
        self._longest = 0.0
        self._recovering = 0

    def changed(self, time_s: float) -> None:
        """Take a reading that differs from the one before [s]."""
        run = self.equal
        self._readings += run + 1
        self._changes += 1.0
        if run > self._longest:
            self._longest = run
        self.equal = 0
        self.since_s = time_s

    def changed_after_doubt(self, time_s: float) -> bool:
        """Take a reading that differs after a run that was doubted, and so teaches little.

        Returns:
            Whether the doubt has ended: at the third change [s].
        """
        if self.equal >= self.needed:
            self._recovering = _CHANGES_TO_RECOVER
            self._longest = max(self._longest, self.needed / _LONGER_THAN_EVER)
        self.equal = 0
        self.since_s = time_s
        self._recovering -= 1
        return self._recovering <= 0

    def learn(self, step_digits: float) -> None:
        """Reckon `chance` and `needed` anew; once a minute is often enough.

        Args:
            step_digits: how many last digits the channel usually goes in one change. Where that is
                about one, its noise is under the last digit: it flickers between two values or
                stays in the middle of one, and quiet stretches count more than the mean.
        """
        if self._changes < _CHANGES_WANTED:
            return
        changes, readings = self._changes - self._block_changes, self._readings
        readings -= self._block_readings
        if readings >= _BLOCK_READINGS:
            self._block_changes, self._block_readings = self._changes, self._readings
            self._blocks += 1
            rate = max(changes, 1.0) / readings
            self._lowest = min(self._lowest * _LOW_RECOVERS, rate)
        low = (self._changes / self._readings) * (1.0 - 1.645 / math.sqrt(self._changes))
        self.chance = chance = min(low, MOST_CHANCE)
        if step_digits < _COARSE_DIGITS:
            if self._blocks < _BLOCKS_OF_COARSE:
                return
            chance = min(chance, 0.5 * self._lowest)
        else:
            chance = min(chance, self._lowest)
        by_chance = math.log(BEYOND_CHANCE) / math.log1p(-chance)
        self.needed = math.ceil(max(by_chance, _LONGER_THAN_EVER * self._longest))
        if self._readings > _READINGS_REMEMBERED:
            self._readings *= 0.5
            self._changes *= 0.5
            self._block_readings *= 0.5
            self._block_changes *= 0.5
            self._longest *= 0.9

    def begin_anew(self, time_s: float) -> None:
        """Forget the present run, as after a jump of the clock or a person's word [s]."""
        if self.equal and self.needed < math.inf:
            self._longest = max(self._longest, float(self.equal))
        self.equal = 0
        self.since_s = time_s
        self._recovering = 0
