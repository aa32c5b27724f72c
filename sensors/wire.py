"""Names for what the wire brings that is refused, and bounded counts of it."""

from __future__ import annotations

from enum import StrEnum


class FaultKind(StrEnum):
    """Why a message was refused; a closed set, so that the counts stay few and readable."""

    TOO_LARGE = "too large"
    EMPTY = "empty"
    NOT_UTF8 = "not UTF-8"
    NOT_JSON = "not JSON"
    TOO_DEEP = "too deep"
    DUPLICATE_KEY = "duplicate key"
    CONTROL_CHARACTER = "control character"
    NOT_FINITE = "NaN or Infinity"
    OUT_OF_RANGE = "beyond a float"
    NUMBER_AS_TEXT = "number as text"
    BOOLEAN = "boolean"
    NOT_A_NUMBER = "not a number"
    NO_VALUE = "no value at the path"
    UNIT = "unit"
    SENML = "SenML structure"
    SENML_VERSION = "SenML version"
    SENML_MANDATORY = "SenML mandatory field"
    AMBIGUOUS = "ambiguous"
    TOPIC = "topic name"
    NOT_TEXT = "not text"
    RETAINED = "retained"
    UNEXPECTED = "unexpected"


class TimeNote(StrEnum):
    """Why a sensor's own time was not used; its value is kept with the time of receipt."""

    ABSENT = "no time at the path"
    UNREADABLE = "time not readable"
    TOO_OLD = "time before 2020"
    AHEAD = "time in the future"


class PayloadFault(Exception):
    """A message, or one value in it, is refused; the text is one sentence, safe to print.

    Attributes:
        kind: which of the closed set of refusals.
        elsewhere: True where the message is sound and speaks of other quantities only.
    """

    def __init__(self, kind: FaultKind, text: str, *, elsewhere: bool = False) -> None:
        super().__init__(text)
        self.kind = kind
        self.elsewhere = elsewhere


OTHERS = "(others)"


class Tally:
    """Counts by name for at most `limit` names; every further name is counted as `(others)`.

    >>> tally = Tally(2)
    >>> for name in ("a", "b", "a", "c", "d"):
    ...     tally.add(name)
    >>> tally.counts()
    {'a': 2, 'b': 1, '(others)': 2}
    """

    __slots__ = ("_counts", "_limit")

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._counts: dict[str, int] = {}

    def add(self, name: str, count: int = 1) -> None:
        """Count a name, or the overflow where the table is full."""
        if name in self._counts:
            self._counts[name] += count
            return
        full = len(self._counts) - (OTHERS in self._counts) >= self._limit
        key = OTHERS if full else name
        self._counts[key] = self._counts.get(key, 0) + count

    def counts(self) -> dict[str, int]:
        """Return a copy of the counts, in order of first sight."""
        return dict(self._counts)

    def total(self) -> int:
        """Return the sum of all counts."""
        return sum(self._counts.values())
