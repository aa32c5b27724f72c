"""What a quality test can answer, which tests there are, and the form of a doubt."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


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
