"""The workboat's plan, sheet of a day and season lie in the examples as they are printed."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest
from command import filmcall

WORKBOAT = Path(__file__).parents[1] / "examples" / "workboat"
JOB = ("--job", str(WORKBOAT / "workboat.toml"))
FORECAST = ("--forecast", str(WORKBOAT / "creek.csv"))


@pytest.fixture(autouse=True)
def without_a_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILMCALL_DB", str(tmp_path / "none.db"))


def test_the_weather_is_made_again_byte_for_byte() -> None:
    made = runpy.run_path(str(WORKBOAT / "make_weather.py"))
    weather, seed = made["weather"], made["SEED"]
    assert made["epw"](weather(seed)) == (WORKBOAT / "creek.epw").read_text("utf-8")
    assert made["forecast"](weather(seed + 1)) == (WORKBOAT / "creek.csv").read_text("utf-8")


def test_the_plan_and_its_page_are_the_ones_in_the_examples(tmp_path: Path) -> None:
    page = tmp_path / "plan.html"
    ran = filmcall("plan", *JOB, *FORECAST, "--solve", "0", "--html", str(page))
    assert ran.code == 0, ran.err
    assert ran.out == (WORKBOAT / "plan.txt").read_text("utf-8")
    assert page.read_text("utf-8") == (WORKBOAT / "plan.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("today.txt", ("today", *JOB, *FORECAST, "--at", "2026-05-04T16:30Z")),
        ("season.txt", ("plan", "--season", str(WORKBOAT / "creek.epw"), *JOB)),
    ],
)
def test_a_sheet_is_the_one_in_the_examples(file: str, words: tuple[str, ...]) -> None:
    ran = filmcall(*words)
    assert ran.code == 0, ran.err
    assert ran.out == (WORKBOAT / file).read_text("utf-8")
