"""What is known of a recording's columns on the way to their verdicts, and what is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.text import printable
from rules.vocabulary import WorkedOutFrom
from sensors.recording.columns import Column
from sensors.recording.words import Meaning

TEMPERATURES = ("degC", "degF", "K")
AGREES_K = 0.7
"""A dew point reckoned from rounded figures and the file's own; common practice, no source [K]."""
AIR, SURFACE, HUMIDITY, TEMPERATURE = "air", "surface", "humidity", "temperature"


@dataclass(frozen=True, slots=True)
class Sight:
    """One column, or one channel of a long file, as it was seen.

    Attributes:
        name: by which a config calls it.
        words: all that is said of it: its name, a group above it, what a preamble says.
        unit_cell: what a row of units says, or "".
        values: its figures as they stand, row by row; NaN where there is none.
        texts: how many cells held neither a figure nor nothing.
        body: the file or sensor that it belongs to, "" where there is one only.
    """

    name: str
    words: str
    unit_cell: str
    values: NDArray[np.float64]
    texts: int = 0
    body: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """Something that the recording does not say.

    Attributes:
        key: by which an answer is given.
        what: the thing asked for.
        guess: taken where nobody answers.
        why: what speaks for either, in few words.
        fault_of: says what is wrong with an answer, or None where nothing is.
    """

    key: str
    what: str
    guess: str
    why: str
    fault_of: Callable[[str], str | None] = lambda _: None


def unless(read: Callable[[str], object], wanted: str) -> Callable[[str], str | None]:
    """Return what finds fault with an answer that a reader gives None for.

    Args:
        read: the reader.
        wanted: the answers that it knows, for the sentence.
    """

    def fault_of(given: str) -> str | None:
        if read(given) is not None:
            return None
        return f"{printable(given, 60)!r} is not understood; answer {wanted}"

    return fault_of


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one column.

    Attributes:
        name: of the column.
        use: what it is read as, or None where it is left out.
        why: it is left out, or is taken for what it is; "" where the name says it.
        confirmed: whether the file or a person says so; if not, no call may rest on it.
    """

    name: str
    use: Column | None
    why: str = ""
    confirmed: bool = True

    def __str__(self) -> str:
        """Return it as a sentence."""
        if self.use is None:
            return f"Column {self.name!r} is left out: {self.why}."
        words = f"Column {self.name!r} is taken for {self.use.quantity} of point {self.use.point!r}"
        if not self.confirmed:
            return f"{words}, not yet confirmed: {self.why}. Until it is, the call stays HOLD."
        return f"{words} in {self.use.unit}{f': {self.why}' if self.why else ''}."


@dataclass(frozen=True, slots=True)
class Hints:
    """What the file as a whole says.

    Attributes:
        unit: of its temperatures, by its preamble, or None.
        humidity_unit: likewise, % or 1, or None.
        decimal: its decimal mark, or None.
        fahrenheit: whether its clock stands where people measure in degF, for the guess only.
    """

    unit: str | None = None
    humidity_unit: str | None = None
    decimal: str | None = None
    fahrenheit: bool = False


@dataclass(slots=True)
class Judgement:
    """What the columns were found to be, and what has to be asked."""

    verdicts: list[Verdict] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    @property
    def columns(self) -> list[Column]:
        """What is read, in file order, whether confirmed or not."""
        return [each.use for each in self.verdicts if each.use is not None]


@dataclass(slots=True)
class Seen:
    """A column on its way to a verdict."""

    sight: Sight
    means: Meaning
    role: str
    why: str = ""
    unit: str | None = None
    sure: bool = True
    point: str = ""
    worked_out_from: WorkedOutFrom | None = None

    @property
    def name(self) -> str:
        """By which a config calls it."""
        return self.sight.name

    @property
    def values(self) -> NDArray[np.float64]:
        """Its figures as they stand."""
        return self.sight.values

    @property
    def middle(self) -> float:
        """The median of its figures."""
        return float(np.nanmedian(self.values))

    @property
    def places(self) -> tuple[str, ...]:
        """Words of its name that say where, or which."""
        return tuple(word for word in self.means.places if word not in ("s", "column"))

    def leave(self, why: str) -> None:
        """Leave it out, and say why."""
        self.role, self.why = "out", why
