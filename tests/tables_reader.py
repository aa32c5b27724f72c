"""Reads tests/tables: published values, each with its source, its tolerance and the reason."""

from __future__ import annotations

import csv
from pathlib import Path

TABLES = Path(__file__).parent / "tables"
WORDS = {"source", "why_tolerance"}


def rows(name: str) -> list[dict[str, str]]:
    """Return a table's rows; a row without a source or a reason for its tolerance is refused."""
    with (TABLES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    if not table:
        raise ValueError(f"table {name} is empty")
    for number, row in enumerate(table, start=2):
        lacking = [word for word in WORDS if not (row.get(word) or "").strip()]
        if lacking or None in row or None in row.values():
            raise ValueError(f"table {name} line {number}: lacks {lacking}, or columns do not fit")
    return table
