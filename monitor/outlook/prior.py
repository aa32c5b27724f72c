"""The shipped table of what enclosures usually do, which the outlook's regression begins from."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from rules.outlook.prior import Priors, read_priors


@cache
def shipped_priors() -> Priors:
    """Return the table in `rules/outlook/prior.csv`."""
    return read_priors((files("rules.outlook") / "prior.csv").read_text("utf-8"))
