"""What a quality test can answer, which tests there are, and the forms of what comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Verdict(StrEnum):
    """What one test says of one channel now; these three and no other."""

    PASS = "pass"
    SUSPECT = "suspect"
    NOT_EVALUATED = "not evaluated"
    """There is nothing to go by, either way: a doubt stays, and none begins."""


class Check(StrEnum):
    """Every test, by the name that the open manuals for real-time quality control give it."""

    FLAT_LINE = "flat line"
    ATTENUATED_SIGNAL = "attenuated signal"
    REPEATED_RECORD = "repeated record"
    RATE_OF_CHANGE = "rate of change"
    NEIGHBOUR = "neighbour"
    FOLLOWS_AIR = "neighbour: follows the air"
    SHOWS_AIR = "neighbour: shows the air itself"
    TURNS_WITH_AIR = "neighbour: turns with the air"
    OUTRUNS_AIR = "neighbour: quicker than the air"
    DEAF = "attenuated signal: deaf to its own air"
    SUNLIT = "neighbour: warmer than every other"
    VAPOUR_PRESSURE = "multi-variate: vapour pressure"


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a channel is not believed now.

    Attributes:
        check: the test that it did not pass.
        since_s: when the evidence began [s].
        words: a clause for the painter, without what to do; it may have `{lasted}` in it.
    """

    check: Check
    since_s: float
    words: str


STANDS_S = 22_320.0
"""The longest that any of 32 sound hulls was seen to show one value, in half degrees: 6.2 h [s]."""


class Standing(NamedTuple):
    """A probe that has told nothing of what it measures for longer than a sound one was seen to.

    Attributes:
        value: that it shows, or around which it shows noise [its unit].
        since_s: from when on it has [s].
        looked_s: when it was looked at last [s].
        longest_s: for how long a sound one may [s].
        noise: it shows noise around the value.
    """

    value: float
    since_s: float
    looked_s: float
    longest_s: float
    noise: bool

    def unseen_s(self, now_s: float) -> float:
        """Return for how much longer than the longest; so long it has told of nothing [s]."""
        return now_s - self.since_s - self.longest_s
