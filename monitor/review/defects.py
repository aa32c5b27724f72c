"""Reads the list of defects that ships with the program, for the review."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from rules.review.defects import Defect, read_defects


@cache
def shipped_defects() -> tuple[Defect, ...]:
    """Return every defect of the list, those first that a log of the air can say something of."""
    return read_defects((files("rules.review") / "defects.toml").read_text("utf-8"))
