"""Enters the invented data sheets of tests/sheets as a painter would, by the public doors."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from command import filmcall
from trade_tent import Air, Tent, hour_of, steady

SHEETS = Path(__file__).parents[1] / "sheets"
SUFFIXES = (
    "", "_s", "_c", "_k", "_pct", "_um", "_ml", "_g", "_h", "_g_per_ml", "_m_per_s",
    "_mg_per_m2", "_class", "_per_h",
)  # fmt: skip


def shown(name: str) -> dict[str, Any]:
    ran = filmcall("spec", "show", str(SHEETS / f"{name}.toml"), "--json")
    assert ran.code == 0, ran.err
    return dict(json.loads(ran.out))


def step_in(value: Any, key: str | int) -> Any:
    """Return what stands under a key, whatever unit its name carries."""
    if isinstance(key, int):
        return value[key]
    found = [value[key + end] for end in SUFFIXES if value.get(key + end) is not None]
    assert found, f"{key} is not among {sorted(value)}"
    return found[0]


def plain(value: Any) -> Any:
    """Return a table of times as {temperature: seconds}; anything else as it is."""
    rows = isinstance(value, list) and value and isinstance(value[0], Mapping)
    if rows and "duration_s" in value[0]:
        return {row["temp_c"]: row["duration_s"] for row in value}
    return value


def stands(name: str, where: str, expected: Any) -> None:
    value: Any = shown(name)
    for key in where.split("."):
        value = step_in(value, int(key) if key.isdigit() else key)
    value = plain(value)
    if where.endswith(("abraded", "not_after")):
        assert value == pytest.approx(expected, rel=0.02)  # a month of 30 days or of 30.4
    elif isinstance(expected, (float, dict)):
        assert value == pytest.approx(expected)
    else:
        assert value == expected


# A surface probe has 0.5 K of accuracy, an air probe 0.3: opens clocks run on the lowest the hull
# can be, so a hull 0.5 K over a row of the table runs by that row exactly, as test_clocks has it.
def clock_end_h(
    folder: Path, name: str, clock: str, air: Air, coated: tuple[str, ...] = (), hours: float = 3.0
) -> float:
    """Return how many hours after the coat's end at 1 h a clock ends."""
    made = Tent(folder, str(SHEETS / f"{name}.toml"), steady(air), hours, step_min=10)
    made.coat(0.75, 1.0, *coated)
    made.evaluations()
    found = made.clocks(hours)
    assert clock in found, f"{clock} is not among {sorted(found)}"
    return hour_of(found[clock]["ends_at"]) - 1.0


def batch(name: str, *words: str) -> dict[str, Any]:
    ran = filmcall("batch", "--spec", str(SHEETS / f"{name}.toml"), "--json", *words)
    assert ran.code == 0, ran.err
    return dict(json.loads(ran.out))


def check(name: str, air: str, rh: str, surface: str, *words: str) -> dict[str, Any]:
    ran = filmcall(
        "check", "--air", air, "--rh", rh, "--surface", surface, "--json", *words,
        "--spec", str(SHEETS / f"{name}.toml"),
    )  # fmt: skip
    assert ran.code in (0, 10, 20), ran.err
    return dict(json.loads(ran.out))
