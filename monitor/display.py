"""In which units people read here: by the environment, what they typed, the config, or the log.

The command line reads one config or one log for one person, so the choice stands once a process.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from enum import StrEnum

from rules.errors import FilmcallError

VARIABLE = "FILMCALL_UNITS"


class Units(StrEnum):
    """What people read; programs always read SI units."""

    METRIC = "metric"
    US = "us"


_preferred: list[Units] = []


def prefer(units: Units | None) -> None:
    """Show texts in these units, unless something that goes first has already said otherwise.

    What was typed is known before a config is read, and a config before a log.

    Args:
        units: or None where nothing is said.
    """
    if units is not None:
        _preferred.append(units)


def forget() -> None:
    """Begin anew, as each command does."""
    _preferred.clear()


def display_units() -> Units:
    """Return the units in which texts are shown.

    Raises:
        FilmcallError: the environment names none that there are.
    """
    named = os.environ.get(VARIABLE)
    if not named:
        return _preferred[0] if _preferred else Units.METRIC
    try:
        return Units(named)
    except ValueError:
        raise FilmcallError(
            f"{VARIABLE} is {named!r}, so nothing was shown; set it to {' or '.join(Units)}"
        ) from None


def shown(
    text: str,
    temps_c: Sequence[float] = (),
    differences_k: Sequence[float] = (),
    *,
    of_a_sheet: bool = False,
) -> str:
    """Return a text for people in their units; arguments as for `rules.us_units.in_us_units`."""
    if display_units() is not Units.US:
        return text
    from rules.us_units import in_us_units  # whose patterns no other reader need wait for

    return in_us_units(text, temps_c, differences_k, of_a_sheet=of_a_sheet)
