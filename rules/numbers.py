"""The one strict reader of numbers: what a logger wrote in a cell, and what a person typed.

Python's own `float` takes underscores, digits of every script, `nan` and `infinity`; a figure that
a call rests on is written in the ten plain digits or it is no figure.
"""

from __future__ import annotations

import math
import re

# The second run of figures stands behind its point: two side by side are parted in as many ways as
# they are long, and a cell of 64 KiB of figures took minutes.
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
"""A number with a decimal point, as a pattern without groups."""

_POINT = re.compile(NUMBER)
_COMMA = re.compile(NUMBER.replace(r"\.", ","))


def number(text: str, decimal: str = ".") -> float | None:
    """Return the finite number that a text is, or None.

    Args:
        text: with blanks around it or not.
        decimal: decimal mark, `.` or `,`; the other one makes it no number.

    >>> number(" -3.5e1 "), number("21,5", ","), number("21,5")
    (-35.0, 21.5, None)
    >>> number("6_5"), number("２１"), number("nan"), number("1e999")
    (None, None, None, None)
    """
    plain = text.strip().replace("−", "-")
    if decimal == ",":
        if _COMMA.fullmatch(plain) is None:
            return None
        plain = plain.replace(",", ".")
    elif _POINT.fullmatch(plain) is None:
        return None
    value = float(plain)
    return value if math.isfinite(value) else None
