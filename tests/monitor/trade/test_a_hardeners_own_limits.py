"""The call, the check and the review of a coat go by the limits of its own hardener.

The sheet is the invented one of tests/sheets/fresh: standard from 10 degC, winter from -5 degC,
tropical from 20 to 45 degC.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall
from sheet_doors import SHEETS, check
from trade_tent import Air, Tent, between, reasons, steady

SPEC = str(SHEETS / "fresh" / "epoxy-three-hardeners.toml")


@pytest.mark.parametrize(
    ("air", "surface", "words", "state"),
    [
        ("6", "5.5", (), "broken"),
        ("6", "5.5", ("--hardener", "w"), "ok"),
        ("15", "14", (), "ok"),
        ("15", "14", ("--hardener", "t"), "broken"),
    ],
)
def test_a_check_goes_by_the_hardener(
    air: str, surface: str, words: tuple[str, ...], state: str
) -> None:
    call = check("fresh/epoxy-three-hardeners", air, "50", surface, *words)
    assert reasons(call, "surface_temp_min")[0]["state"] == state
    assert (call["call"] == "STOP") is (state == "broken")


def test_a_check_with_a_hardener_that_the_sheet_has_not_says_which_it_has() -> None:
    ran = filmcall("check", "--air", "6", "--rh", "50", "--surface", "5", "--spec", SPEC,
                   "--hardener", "x")  # fmt: skip
    assert ran.code == 2
    assert "hardener 'x' is not in spec 'epoxy-three-hardeners', which has w, t" in ran.err


@pytest.mark.parametrize(("words", "is_too_cold"), [((), True), (("--hardener", "w"), False)])
def test_call_and_review_judge_a_cold_coat_by_the_hardener_of_its_mix(
    tmp_path: Path, words: tuple[str, ...], is_too_cold: bool
) -> None:
    made = Tent(tmp_path, SPEC, steady(Air(6.0, -4.0, 5.5)), 4.0, step_min=10)
    made.event("mixed", 0.2, "--spec", SPEC, *words)
    made.coat(0.75, 2.0)
    calls = made.evaluations()
    for begin, end in ((0.6, 0.7), (0.8, 1.9), (2.1, 4.0)):  # mixed, being laid, wet
        assert any(each["call"] == "STOP" for each in between(calls, begin, end)) is is_too_cold
    (coat,) = made.review()["sections"][0]["coats"]
    assert ("coldest hull" in coat["outcome"]) is is_too_cold
