"""A sheet with two windows: `within 4 h, or from 18 h on`; tests/sheets/fresh/alkyd-enamel."""

from __future__ import annotations

from pathlib import Path

import pytest
from sheet_doors import SHEETS
from trade_tent import Air, Tent, hour_of, steady

from rules.spec.read import check_spec

ALKYD = SHEETS / "fresh" / "alkyd-enamel.toml"


@pytest.mark.parametrize(
    ("after_h", "is_warned", "outcome"),
    # The first coat was begun 15 min before its end; 18 h at 20 degC are no shorter in the warm.
    [(3.0, False, "kept"), (6.0, True, "too early"), (19.0, False, "kept")],
)
def test_a_coat_goes_on_within_the_first_window_or_in_the_second(
    tmp_path: Path, after_h: float, is_warned: bool, outcome: str
) -> None:
    made = Tent(tmp_path, str(ALKYD), steady(Air(20.7, 9.0, 20.5)), 3.0 + after_h, step_min=10)
    made.coat(0.75, 1.0, "--coat", "1")
    made.evaluations()
    clocks = made.clocks(1.0 + after_h)
    assert ("wet on wet" in clocks) is (after_h < 3.5)
    assert ("recoat opens" in clocks) is (after_h > 3.5)
    if after_h < 3.5:
        assert hour_of(clocks["wet on wet"]["ends_at"]) == pytest.approx(4.75)
    said = made.event("coat-started", 1.0 + after_h, "--coat", "2").out
    assert ("warning" in said) is is_warned, said
    made.event("coat-ended", 1.25 + after_h, "--coat", "2")
    windows = made.review()["sections"][0]["coats"][0]["windows"]
    (recoat,) = [each for each in windows if each["window"] == "recoat"]
    assert recoat["kept"] == outcome


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('"4 h"', '"20 h"', "is no shorter than times.recoat_opens"),
        ("recoat_opens =", "sand =", "times.recoat_opens does not say"),
    ],
)
def test_a_first_window_needs_a_second_that_opens_later(old: str, new: str, problem: str) -> None:
    text = ALKYD.read_text()
    assert text.count(old) == 1
    found = check_spec(text.replace(old, new), "x")
    assert [each.key for each in found] == ["overcoat.wet_on_wet"]
    assert problem in found[0].problem
