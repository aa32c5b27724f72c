"""The mixing sheet: every measure, defined on the sheet, and nothing from a file unescaped."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from command import filmcall

from monitor.cli.batch_sheet import CUP_ML, batch_rows, sheet_html, sheet_text
from rules.batch.amount import Film, Parts
from rules.batch.plan import BatchPlan, MixJob, plan_batches
from rules.spec.model import Spec
from rules.vocabulary import Method
from tests.support.clock_material import PRIMER


def a_plan(spec: Spec = PRIMER, name: str = "hull-port") -> BatchPlan:
    job = MixJob(
        spec,
        Film(50.0, wet=False),
        ((name, 6.0), ("hull-stbd", 6.0)),
        coats=2,
        method=Method.ROLLER,
        rate_m2_per_h=5.0,
        rate_basis="learned from 3 coats",
    )
    return plan_batches(job, 18.0, 30.0)


def test_ounces_cups_and_grams_are_those_of_their_definitions() -> None:
    # NIST Handbook 44 appendix C, from memory: US fl oz 29.5735295625 mL, oz 28.349523125 g.
    rows = batch_rows(Parts(295.735295625, 0.0, 0.0, 283.49523125, 0.0, None))
    assert [row.what for row in rows] == ["base", "in the pot"]
    assert (rows[0].fl_oz, rows[0].oz) == ("10.00", "10.00")
    assert rows[0].cups == f"{295.735 / CUP_ML:.2f}"
    assert batch_rows(Parts(236.6, 0.0, 0.0, None, None, None), cup_ml=236.6)[0].cups == "1.00"


def test_a_sheet_in_us_units_says_how_large_a_fluid_ounce_is() -> None:
    words = ("--area", "80 sqft", "--dry-um", "2mil", "--temp", "68F")
    text = " ".join(filmcall("batch", "--spec", "polyurethane-topcoat", *words).out.split())
    assert "fl oz is the US fluid ounce, 29.57 millilitres" in text


def test_a_page_takes_the_place_of_a_page_only(tmp_path: Path) -> None:
    words = ("batch", "--spec", "polyurethane-topcoat", "--area", "6", "--dry-um", "50")
    page, job = tmp_path / "sheet.html", tmp_path / "boat.toml"
    assert filmcall(*words, "--temp", "20", "--html", str(page)).code == 0
    first = page.read_text("utf-8")
    assert filmcall(*words, "--temp", "25", "--html", str(page)).code == 0
    assert page.read_text("utf-8") != first
    job.write_text("[job]\n", encoding="utf-8")
    assert filmcall(*words, "--temp", "20", "--html", str(job)).code == 2
    assert job.read_text("utf-8") == "[job]\n"


def test_grams_stay_empty_where_the_density_is_not_known() -> None:
    rows = batch_rows(Parts(300.0, 100.0, 20.0, 420.0, None, 17.4))
    assert [row.grams for row in rows] == ["420", "", "17.4", ""]


def test_the_text_sheet_has_what_the_mixer_needs() -> None:
    text = sheet_text(a_plan())
    for words in (
        "MIXING SHEET: Invented primer",
        "12 m2 by roller, 2 coats of 50 µm dry",
        "10.0 m2 a litre before 10 % loss",
        "Ratio 3:1 by volume, base:hardener.",
        "Your rate: 5 m2 an hour, learned from 3 coats.",
        "GENERIC FIGURES",
        "At the present 18 °C",
        "At the forecast 30 °C",
        "Batch 1 of 2: 6 m2, hull-port.",
        "Ends at a clean break line.",
        "A cup here is 250 mL; fl oz is the US fluid ounce, 29.57 millilitres",
        "isocyanates",
        "a sensitised person stays away, mask or not",
        "in the same building and downwind",
        "pour it thin into a metal tray outside",
        "light themselves: spread them out flat outside, or drown them",
    ):
        assert " ".join(words.split()) in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 78
    # 6 m2 x 50 um / 50 % / 0.9 = 666.7 mL, of which three parts in four are base.
    assert "  base              500      700" in text
    assert "  hardener          167      167" in text


class Page(HTMLParser):
    """Collects the tags, and every attribute that could load something."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.loads: list[str] = []
        self.seen: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        self.loads += [f"{k}={v}" for k, v in attrs if k in ("src", "href", "action", "onload")]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_html_sheet_is_whole_loads_nothing_and_escapes() -> None:
    evil = "<script>alert(1)</script>&"
    page = sheet_html(a_plan(replace(PRIMER, title=evil), name='"><img src=x>'))
    parser = Page()
    parser.feed(page)
    assert parser.open == []
    assert parser.loads == []
    assert "script" not in parser.seen
    assert "img" not in parser.seen
    assert "&lt;script&gt;" in page
    assert "url(" not in page
    assert "@import" not in page


@pytest.mark.parametrize("title", ["\x1b[31mred", "two\nlines"])
def test_control_characters_of_a_title_reach_no_terminal(title: str) -> None:
    text = sheet_text(a_plan(replace(PRIMER, title=title)))
    assert "\x1b" not in text
    assert text.splitlines()[1].startswith("====")


def planned(*words: str) -> str:
    """What `filmcall batch` prints, with its lines joined."""
    ran = filmcall(
        "batch", "--spec", "polyurethane-topcoat", "--area", "3", "--dry-um", "50", *words
    )
    assert (ran.code, ran.err) == (0, "")
    return " ".join(ran.out.split())


def test_a_typed_temperature_stands_beside_tenths_of_a_degree(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # 64 degF is 17.77... degC and 77 degF is 25 degC by the definition of the scale.
    said = planned("--temp", "64F", "--forecast", "77 degF")
    assert "At the present 64 °F ---" in said, "who types degF reads it"
    assert "At the forecast 77 °F ---" in said
    assert "°C" not in said
    monkeypatch.setenv("FILMCALL_UNITS", "metric")
    said = planned("--temp", "64F", "--forecast", "77 degF")
    assert "At the present 17.8 °C (64F) ---" in said
    assert "At the forecast 25 °C (77 degF) ---" in said
    assert "17.77" not in said
    assert "At the present 18 °C ---" in planned("--temp", "18C")


@pytest.mark.parametrize(
    ("words", "which", "why"),
    [
        (["5"], "the present 5 °C", "5 °C is below the spec's 10 °C"),
        (["49.9F"], "the present 9.9 °C (49.9F)", "9.9 °C is below the spec's 10 °C"),
        (["49.999F"], "the present 10 °C (49.999F)", "9.999 °C is below the spec's 10 °C"),
        (["20", "--forecast", "38"], "the forecast 38 °C", "38 °C is above the spec's 35 °C"),
    ],
)
def test_do_not_coat_stands_above_everything(
    words: list[str], which: str, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILMCALL_UNITS", "metric")
    said = planned("--temp", *words)
    first = re.split("={78} ?", said)[1]
    assert first.startswith(f"DO NOT COAT at {which}: {why}. The sheet below is for planning;")
    assert "ask filmcall check whether you may start" in first
    assert f"! do not coat: {why}" in said


def test_do_not_coat_stands_above_everything_on_the_page_too(tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    planned("--temp", "5", "--html", str(page))
    top = page.read_text("utf-8").partition("</h1>")[2].lstrip()
    assert top.startswith('<p class="stop">DO NOT COAT at the present 5 °C: 5 °C is below')


def test_a_temperature_inside_the_bounds_has_no_such_line() -> None:
    assert "DO NOT COAT" not in planned("--temp", "10", "--forecast", "35")


def test_areas_films_and_pots_are_typed_in_the_units_of_either_shore() -> None:
    """NIST SP 811, B.8: 2 mil are 50.8 um, 1 ft2 0.09290304 m2, a US quart 946.353 ml."""
    same = ("batch", "--spec", "polyurethane-topcoat", "--json", "--temp", "64F")
    metric = filmcall(*same, "--area", "13.0064256", "--dry-um", "50.8", "--pot", "946.352946")
    us = filmcall(*same, "--area", "140 sqft", "--dry-um", "2 mil", "--pot", "1 US qt")
    assert us.code == metric.code == 0, us.err
    figures = re.compile(r"-?[0-9.]+(?:e-?[0-9]+)?")
    assert [float(each) for each in figures.findall(us.out)] == pytest.approx(
        [float(each) for each in figures.findall(metric.out)], rel=1e-6
    )
    asked = filmcall(*same[:-1], "64", "--area", "13", "--dry-um", "50")
    assert (asked.code, "write 64F or 64C" in asked.err) == (2, True)
