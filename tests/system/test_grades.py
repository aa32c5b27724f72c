"""How the shipped specs grade a night, held against an oracle of the order's own words.

A part of the nights; `python -m benchmarks.grades` plays all with every spec. The oracle and
its sources stand in `tests/support/grades.py`.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from tests.support.grades import (
    BEGIN,
    END_H,
    FALSE_GO,
    FALSE_STOP,
    LOST_GO,
    MISSED_STOP,
    NIGHTS,
    SPECS,
    STEP_H,
    Night,
    Score,
    at,
    replayed,
    score,
)

NAMED = {night.name: night for night in NIGHTS}
# Each spec once or twice, and each grade at least once.
PLAYED = (
    ("polyurethane-topcoat", "two kelvin while soft"),
    ("varnish", "half a kelvin while soft"),
    ("two-pack-epoxy-primer", "water before handle"),
    ("one-pack-enamel", "half a kelvin before handle"),
    ("two-pack-epoxy-high-build", "cold after touch dry"),
    ("two-pack-epoxy-primer", "cold while soft"),
    ("polyurethane-topcoat", "damp on a warm hull before handle"),
    ("varnish", "two kelvin before the coat"),
)


@pytest.mark.parametrize(("spec", "night"), PLAYED)
def test_a_night_is_graded_as_ordered(spec: str, night: str) -> None:
    found = score(spec, NAMED[night])
    assert not found.faults, found.first


def test_water_on_a_film_that_can_be_handled_is_a_notice_under_go(tmp_path: Path) -> None:
    night = NAMED["water after handle"]
    calls = replayed(tmp_path, "polyurethane-topcoat", night)
    (bottom,) = [call for call in calls if call["time"][:16] == at(END_H + night.after_h)[:16]]
    assert bottom["call"] == "GO"
    (told,) = [each for each in bottom["reasons"] if each["limit"] == "dew_margin_min"]
    assert told["state"] == "ok"
    assert told["value"] == pytest.approx(night.margin_k, abs=0.3)


# The oracle's own tests: a program that says the same whatever comes is found out.
def always(call: str) -> Score:
    night = NAMED["water while soft"]

    def play(_folder: Path, _spec: str, night: Night) -> list[dict[str, Any]]:
        rows = range(int(night.hours / STEP_H))
        return [
            {"time": at(row * STEP_H), "call": call, "stage": "", "reasons": []} for row in rows
        ]

    return score("polyurethane-topcoat", night, play)


def test_a_program_that_always_says_the_same_is_found_out() -> None:
    go, hold, stop = (always(call).faults for call in ("GO", "HOLD", "STOP"))
    assert go[FALSE_GO] > 60
    assert not go[FALSE_STOP] + go[MISSED_STOP]
    assert hold[MISSED_STOP] > 20
    assert hold[LOST_GO] > 60
    assert stop[FALSE_STOP] > 120
    assert not stop[FALSE_GO] + stop[LOST_GO]


def test_the_nights_leave_much_to_be_right_about() -> None:
    assert len(NIGHTS) * len(SPECS) >= 40
    due: Counter[str] = always("HOLD").due
    assert min(due[call] for call in ("GO", "HOLD", "STOP")) > 20
    assert BEGIN.tzinfo is not None
