"""`filmcall spec`: what a starting file may be called, and whose figures count."""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall

from monitor.cli.spec_questions import asked
from rules.spec.read import check_spec, load_spec
from rules.spec.write import new_spec_text
from rules.vocabulary import ClockName, LimitName, Stage


def test_a_file_is_not_named_as_a_shipped_spec(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = filmcall("spec", "new", "polyurethane-topcoat", "--family", "two-pack-polyurethane")
    assert (ran.code, "comes with the program" in ran.err) == (2, True)
    assert list(tmp_path.iterdir()) == []


def test_where_both_exist_neither_is_taken_in_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "varnish.toml").write_text("name = 'varnish'")
    ran = filmcall("check", "--air", "21", "--rh", "60", "--surface", "19", "--spec", "varnish")
    assert (ran.code, "has the same name" in ran.err) == (2, True)


def test_a_name_that_cannot_be_leaves_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert filmcall("spec", "new", "a b", "--family", "varnish").code == 2
    assert list(tmp_path.iterdir()) == []


def test_a_new_file_is_refused_until_its_figures_are_entered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert filmcall("spec", "new", "my-topcoat", "--family", "two-pack-polyurethane").code == 0
    ran = filmcall("spec", "check", "my-topcoat.toml")
    assert (ran.code, "still to be entered" in ran.out) == (2, True)
    assert filmcall("spec", "new", "my-topcoat", "--family", "varnish").code == 2, "not over it"


def test_every_shipped_spec_is_listed_and_shown() -> None:
    listed = filmcall("spec", "list").out
    for name in ("polyurethane-topcoat", "two-pack-epoxy-primer", "varnish"):
        assert name in listed
        assert "generic" in filmcall("spec", "show", name).out


def test_everything_that_was_entered_is_shown_in_the_sheets_units_beside_si(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read back by hand: 5 degF of difference are 2.8 K, 50 degF 10 degC (definitions)."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "us.toml").write_text(
        """
name = "us"
title = "A topcoat by its sheet"
family = "two-pack-polyurethane"
[source]
sheet = "the sheet"
revision = "4"
date = "2026-03-31"
[limits.apply]
dew_margin_min = { bound = "5 degF", until = "handle" }
humidity_max = { bound = "80 %", until = "touch-dry" }
surface_temp_min = { bound = "50 degF", until = "cured" }
[times]
touch_dry = { "68 degF" = "6 h" }
handle = { "20 degC" = "24 h" }
cured = { "20 degC" = "7 days" }
pot_life = { "20 degC" = "2 h" }
[mix]
by = "volume"
ratio = "3:1"
solids_by_volume = "55 %"
thinner_max = "10 %"
base_density = "10 lb/gal"
max_batch = "1 US gal"
[[measure]]
what = "wood-moisture"
high = "14 %"
""",
        encoding="utf-8",
    )
    shown = filmcall("spec", "show", "us.toml").out
    for words in (
        "2.8 K (5 °F) until handle", "10 °C (50 °F)", "80 % until", "limits, flash: as in apply",
        "6 h at 20 °C (6 h at 68 °F)", "55 % solids", "base 1.198 kg/l", "3.785 l at most",
        "wood-moisture, at most 14", "the sheet, 4, 2026-03-31", "10 min", "one row only",
    ):  # fmt: skip
        assert words in shown, words
    assert "2.777" not in shown


def test_a_new_spec_asks_a_figure_at_a_time_and_takes_the_sheets_units() -> None:
    """Invented answers; 50 degF are 10 degC, and 5 degF of difference 2.8 K, by definition."""
    given = {
        "source.sheet": ["the sheet"], "limits.apply.dew_margin_min": ["5 furlongs", "5 degF"],
        "limits.apply.humidity_max": ["85"], "limits.apply.surface_temp_min": ["50 degF"],
        "times.touch_dry at 20 °C": ["4 h 30 min"], "times.handle at 20 °C": ["24"],
        "times.cured at 20 °C": ["7"], "times.pot_life at 20 °C": ["2"],
        "times.recoat_opens at 20 °C": ["12"], "times.recoat_closes at 20 °C": ["never", "5"],
        "mix.solids_by_volume": ["55 %"], "mix.thinner_max": ["10"], "mix.ratio": ["three", "3:1"],
    }  # fmt: skip
    said: list[str] = []

    def ask(question: str) -> str:
        return given[question.removeprefix("? ").partition(" [")[0].rstrip(": ")].pop(0) + "\n"

    text = asked(new_spec_text("mine", "two-pack-polyurethane"), ask, said.append)
    assert [str(each) for each in check_spec(text, "mine")] == []
    spec = load_spec(text, "mine")
    limits = spec.limits[Stage.APPLY]
    assert limits[LimitName.DEW_MARGIN_MIN].bound == pytest.approx(5.0 / 1.8)
    assert limits[LimitName.SURFACE_TEMP_MIN].bound == pytest.approx(10.0)
    assert spec.times[ClockName.TOUCH_DRY].rows[0].duration_s == 16_200.0
    assert spec.times[ClockName.RECOAT_OPENS].rows[0].duration_s == 12 * 3600.0
    assert spec.times[ClockName.RECOAT_CLOSES].rows[0].duration_s == 5 * 86_400.0
    assert spec.mix is not None
    assert (spec.mix.base_parts, spec.mix.hardener_parts) == (3.0, 1.0)
    assert not any(given.values())
    assert any("is no ratio" in line for line in said)
    given = {"times.touch_dry at 20 °C": ["4-6", "1,5", "6 Std", "later", "10 h"]}
    text = asked(new_spec_text("mine", "varnish"), lambda question: (ask(question)
        if "touch_dry" in question else "\n"), said.append)  # fmt: skip
    assert [line for line in text.splitlines() if line.startswith(("touch_dry", "handle"))] == [
        'touch_dry = { "20 degC" = "10 h" }', 'handle = { "20 degC" = "? h" }',
    ]  # fmt: skip
    left = asked(new_spec_text("mine", "varnish"), lambda _question: "\n", said.append)
    assert left == new_spec_text("mine", "varnish")


def test_a_recoat_window_may_stay_open_or_be_left_out_and_then_spec_check_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Invented answers: what a sheet without an end to recoating, and one without a window, say."""
    monkeypatch.chdir(tmp_path)
    given = {"sheet": "the sheet", "ratio": "3:1", "recoat_closes": "unlimited", "recoat_opens": ""}
    more = {"dew_margin_min": "3", "cured": "7", "handle": "24"}

    def ask(question: str) -> str:
        key = question.removeprefix("? ").split(" ")[0].rstrip(":").rpartition(".")[2]
        return {**given, **more}.get(key, "10") + "\n"

    new = new_spec_text("mine", "two-pack-polyurethane")
    for closes in ("unlimited", ""):
        given["recoat_closes"] = closes
        text = asked(new, ask, [].append)
        spec = load_spec(text, "mine")
        assert (ClockName.RECOAT_CLOSES in spec.unlimited) is bool(closes)
        Path("mine.toml").write_text(text)
        told = filmcall("spec", "check", "mine.toml").out
        assert "recoat_opens is not stated, so it has no clock" in told
        assert ("recoat_closes is not stated, so it has no clock" in told) is (closes == "")


US_SHEET = """
name = "us"
title = "A topcoat by its sheet"
family = "two-pack-polyurethane"
[source]
sheet = "the sheet"
[limits.apply]
dew_margin_min = { bound = "5 degF", until = "handle" }
humidity_max = { bound = "80 %", until = "touch-dry" }
surface_temp_min = { bound = "8 degC", until = "cured" }
[limits.cure]
surface_temp_min = { bound = "2 degC", until = "cured" }
[times]
touch_dry = { "68 degF" = "6 h" }
handle = { "20 degC" = "24 h" }
cured = { "20 degC" = "7 days" }
pot_life = { "20 degC" = "2 h" }
[mix]
by = "volume"
ratio = "3:1"
solids_by_volume = "55 %"
thinner_max = "10 %"
base_density = "10 lb/US gal"
[film]
wet_max = "4 mil"
[advice]
wind_max = "15 mph"
"""


def test_a_sheet_is_shown_in_us_units_as_it_was_typed_and_to_the_tenth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By x 1.8 + 32: 8 degC are 46.4 degF, 2 degC 35.6; pound, mile and mil stay as typed."""
    monkeypatch.chdir(tmp_path)
    Path("us.toml").write_text(US_SHEET)
    assert "wind max 6.706 m/s (15 mph)" in filmcall("spec", "show", "us.toml").out
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    told = filmcall("spec", "show", "us.toml").out
    for words in (
        "5 °F until handle", "46.4 °F until cured", "35.6 °F until cured", "24 h at 68 °F",
        "densities: base 10 lb/US gal\n", "wet max 4 mil\n", "wind max 15 mph\n",
    ):  # fmt: skip
        assert words in told, words
    notes = filmcall("spec", "check", "us.toml").out
    assert (
        "gives 68 °F only, so in the cold it is reckoned longer by 65 kJ/mol down to 46.4" in notes
    )
    assert "°C" not in notes
