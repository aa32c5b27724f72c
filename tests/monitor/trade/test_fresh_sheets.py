"""Twelve more invented data sheets, entered by the form of `spec new` alone, and what comes out.

The sheets stand in tests/sheets/fresh with their own words at the top. Expected figures are taken
from those words by hand. What a sheet says and the form has no place for is marked, one test each.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall
from sheet_doors import SHEETS, batch, check, clock_end_h, stands
from trade_tent import Air, Tent, hour_of, reasons, steady

MIN, H, DAY = 60.0, 3600.0, 86_400.0
FRESH = SHEETS / "fresh"
STATEMENTS: dict[str, dict[str, object]] = {
    "epoxy-three-hardeners": {
        "times.induction": {10.0: 30 * MIN, 23.0: 15 * MIN},
        "when.0.hardener": "w",
        "when.0.times.pot_life": {-5.0: 5 * H, 10.0: 90 * MIN},
        "when.0.times.cured": {-5.0: 28 * DAY, 10.0: 10 * DAY},
        "when.1.hardener": "t",
        "when.1.times.recoat_closes": {23.0: 30 * DAY, 40.0: 7 * DAY},
    },
    "tie-coat-tacky": {
        "recoat_before.antifouling.recoat_opens": {10.0: 4 * H, 23.0: 2 * H},
        "recoat_before.antifouling.recoat_closes": {10.0: 10 * H, 23.0: 5 * H},
        "times.recoat_closes": {10.0: 30 * DAY, 23.0: 14 * DAY},
        "advice.after_closes": "Abrade and apply another tie coat.",
        "film.dry_max": 100.0,
    },
    "antifouling-two-services": {
        "when.0.service": "atmospheric",
        "when.0.times.recoat_opens": {5.0: 16 * H, 23.0: 8 * H},
        "launch.not_before": {5.0: 24 * H, 23.0: 10 * H},
        "launch.not_after": 90 * DAY,
        "film.layers_max": 4,
    },
    "fairing-light": {
        "mix.ratio_by_weight": "100:85",
        "mix.ratio_by_volume": "1:1",
        "film.wet_max": 20_000.0,
        "times.sand": {12.0: 30 * H, 20.0: 14 * H},
        "measure.0.low": 18.0,
        "measure.1.high": 14.0,
        "advice.sun": "not in the sun",
    },
    "laminating-slow-fast": {
        "mix.ratio_by_weight": "100:30",
        "when.0.times.pot_life": {25.0: 12 * MIN},
        "post_cure.hold": 50.0,
        "post_cure.takes": 8 * H,
        "post_cure.not_before": 24 * H,
    },
    "tank-lining": {
        "measure.1.high": 20.0,
        "measure.2.high": 2.0,
        "measure.3.max_age": 3 * H,
        "advice.air_changes": 10.0,
        "post_cure.not_before": 10 * DAY,
        "limits.apply.humidity_max.bound": 50.0,
    },
    "moisture-curing-gloss": {
        "limits.apply.humidity_min.effect": "slow",
        "when.1.humidity": 75.0,
        "when.1.times.recoat_closes": {8.0: 48 * H, 23.0: 24 * H},
        "limits.apply.surface_temp_min.bound": 2.0,
    },
    "water-borne-acrylic": {
        "limits.apply.air_temp_min.until": 24 * H,
        "wet_film_cooling.gun": 3.0,
        "wet_film_cooling.roller": 1.0,
        "advice.wind_max": 0.5,
        "film.brush_wet_max": 110.0,
    },
    "alkyd-enamel": {
        "mix.thinner.1.grade": "G",
        "mix.thinner.1.cup": 22.0,
        "times.recoat_opens": {8.0: 40 * H, 20.0: 18 * H},
        "overcoat.as_it_is": {8.0: 7 * DAY, 20.0: 7 * DAY},
    },
    "gloss-accelerator": {
        "when.0.hardener": "accelerated",
        "when.0.times.touch_dry": {10.0: 5 * H, 20.0: 2.5 * H},
        "times.tape_not_after": {20.0: 12 * H},
        "film.gun_wet_max": 150.0,
    },
    "zinc-rich": {
        "measure.1.high": 30.0,
        "measure.1.standard": "ISO 8502-6",
        "mix.ratio_by_weight": "3:1",
        "limits.apply.humidity_min.until": "cured",
        "limits.apply.surface_temp_min.bound": -5.0,
    },
    "thick-film-layers": {
        "recoat_before.two-pack-polyurethane.recoat_opens": {10.0: 7 * DAY, 20.0: 72 * H},
        "film.layers_max": 8,
        "film.brush_wet_max": 400.0,
        "limits.cure.dew_margin_min.bound": 0.0,
    },
}


@pytest.mark.parametrize("name", STATEMENTS)
def test_a_fresh_sheet_passes_the_check_and_gives_back_what_it_says(name: str) -> None:
    ran = filmcall("spec", "check", str(FRESH / f"{name}.toml"))
    assert ran.code == 0, ran.out + ran.err
    for where, expected in STATEMENTS[name].items():
        stands(f"fresh/{name}", where, expected)


def test_every_fresh_sheet_has_its_statements() -> None:
    assert {path.stem for path in FRESH.glob("*.toml")} == set(STATEMENTS)


# --- clocks: opens clocks run on the coldest that a hull can be, 0.5 K under its probe ------------
@pytest.mark.parametrize(
    ("name", "clock", "air", "words", "hours", "within_h"),
    [
        # At 10.5 - 0.5 degC, the winter column's warmest row: 5 h, and its recoat 10 h.
        ("epoxy-three-hardeners", "touch dry", Air(11.0, 2.0, 10.6), ("--hardener", "w"), 5.0, 0.2),
        ("epoxy-three-hardeners", "recoat opens", Air(11.0, 2.0, 10.6), ("--hardener", "w"), 10.0,
         0.3),
        # The tropical hardener at 23.5 degC: 7 h x (2/7)^0.031, ln(time) being linear in 1/T.
        ("epoxy-three-hardeners", "touch dry", Air(24.2, 9.0, 24.0), ("--hardener", "t"), 6.73,
         0.2),
        ("gloss-accelerator", "touch dry", Air(20.7, 8.0, 20.5), ("--hardener", "accelerated"), 2.5,
         0.1),
        ("gloss-accelerator", "touch dry", Air(20.7, 8.0, 20.5), (), 5.0, 0.1),
        # Dew point 18.8 in 23.5 degC is 75 % (psychrometric chart): that column's 2 h.
        ("moisture-curing-gloss", "touch dry", Air(23.5, 18.8, 23.5), (), 2.1, 0.2),
        # Half way, at 57.5 %: dew point 14.6, 4 h x (2/4)^0.5 = 2.83 h, on the slow side of 3 %.
        ("moisture-curing-gloss", "touch dry", Air(23.5, 14.6, 23.5), (), 2.95, 0.25),
    ],
)  # fmt: skip
def test_a_sheets_condition_sets_its_clock(
    tmp_path: Path, name: str, clock: str, air: Air, words: tuple[str, ...], hours: float,
    within_h: float,
) -> None:  # fmt: skip
    end_h = clock_end_h(tmp_path, f"fresh/{name}", clock, air, words)
    assert end_h == pytest.approx(hours, abs=within_h)


# --- what is said as a coat is recorded -----------------------------------------------------------
def reply(folder: Path, first: str, second: str, after_h: float) -> str:
    """Return what the program warns of a coat begun so long after another one's end, at 23 degC."""
    made = Tent(folder, str(FRESH / f"{first}.toml"), steady(Air(23.7, 9.0, 23.5)), 3.0 + after_h,
                step_min=10)  # fmt: skip
    made.coat(0.75, 1.0, "--coat", "1")
    made.evaluations()
    words = ("--coat", "2", "--spec", str(FRESH / f"{second}.toml"))
    return made.event("coat-started", 1.0 + after_h, *words).out.partition("warning: ")[2]


@pytest.mark.parametrize(
    ("first", "second", "after_h", "warned"),
    [
        ("tie-coat-tacky", "tie-coat-tacky", 3.0, True),  # from 6 h under itself
        ("tie-coat-tacky", "tie-coat-tacky", 8.0, False),
        ("tie-coat-tacky", "antifouling-two-services", 1.0, True),
        # From 2 to 5 h under antifouling.
        ("tie-coat-tacky", "antifouling-two-services", 3.0, False),
        ("tie-coat-tacky", "antifouling-two-services", 8.0, True),
        # From 8 h under itself, from 72 h under a polyurethane.
        ("thick-film-layers", "gloss-accelerator", 10.0, True),
        # Within 4 h, or from 18 h on.
        ("alkyd-enamel", "alkyd-enamel", 3.0, False),
    ],
)  # fmt: skip
def test_a_coat_is_warned_of_by_the_window_under_what_goes_on_next(
    tmp_path: Path, first: str, second: str, after_h: float, warned: bool
) -> None:
    said = reply(tmp_path, first, second, after_h)
    assert bool(said) is warned, said


# --- batch and check ------------------------------------------------------------------------------
def test_a_mix_by_weight_and_by_volume_comes_out_of_the_fresh_sheets() -> None:
    # 100/1.15 : 30/0.95 = 86.96 : 31.58 = 2.754; 3/2.90 : 1/0.92 = 1.0345 : 1.0870 = 0.952.
    for name, by_weight, by_volume in (
        ("laminating-slow-fast", 100 / 30, 2.754), ("zinc-rich", 3.0, 0.952),
        ("tie-coat-tacky", 2 * 1.40 / 1.10, 2.0),
    ):  # fmt: skip
        total = batch(f"fresh/{name}", "--area", "1", "--dry-um", "80", "--temp", "23")["present"][
            "total"
        ]
        assert total["base_g"] / total["hardener_g"] == pytest.approx(by_weight, rel=2e-3), name
        assert total["base_ml"] / total["hardener_ml"] == pytest.approx(by_volume, rel=2e-3), name


@pytest.mark.parametrize(
    ("name", "words", "life_s"),
    [
        ("epoxy-three-hardeners", ("--temp", "10", "--hardener", "w"), 90 * MIN),
        ("epoxy-three-hardeners", ("--temp", "23", "--hardener", "t"), 6 * H),
        ("gloss-accelerator", ("--temp", "20", "--hardener", "accelerated"), 90 * MIN),
        ("laminating-slow-fast", ("--temp", "25", "--hardener", "fast"), 12 * MIN),
    ],
)
def test_a_hardeners_pot_lives_as_long_as_its_column_says(
    name: str, words: tuple[str, ...], life_s: float
) -> None:
    found = batch(f"fresh/{name}", "--area", "0.2", "--dry-um", "60", *words)
    assert found["present"]["pot_life_s"] == pytest.approx(life_s)


def test_a_brush_cannot_lay_what_a_gun_lays() -> None:
    for method, is_warned in (("brush", True), ("gun", False)):
        words = ("--area", "1", "--wet-um", "900", "--temp", "20", "--method", method)
        told = " ".join(batch("fresh/thick-film-layers", *words)["present"]["warnings"])
        assert ("sag" in told) is is_warned, told


def test_a_zinc_primer_under_its_humidity_only_cures_more_slowly() -> None:
    # 20 degC at 40 %, dew point 6.0 (chart): dry for the cure, everything else inside.
    call = check("fresh/zinc-rich", "20", "40", "19.5")
    assert call["call"] != "STOP"
    assert check("fresh/tank-lining", "20", "60", "19.5")["call"] == "STOP"  # over its 50 %
    assert (
        reasons(
            check("fresh/water-borne-acrylic", "14", "50", "12.5", "--method", "gun"),
            "surface_temp_min",
        )[0]["state"]
        == "broken"
    )  # fmt: skip  (3 K colder: 9.5)


def test_a_launch_waits_for_the_last_coat(tmp_path: Path) -> None:
    made = Tent(tmp_path, str(FRESH / "antifouling-two-services.toml"),
                steady(Air(23.7, 9.0, 23.5)), 3.0, step_min=10)  # fmt: skip
    made.coat(0.75, 1.0)
    made.evaluations()
    clocks = made.clocks(2.5)
    (before,) = [each for name, each in clocks.items() if "launch" in name and "before" in name]
    assert hour_of(before["ends_at"]) - 1.0 == pytest.approx(10.0, abs=0.2)


# --- what a sheet says and the form has no place for ----------------------------------------------
def missing(reason: str) -> pytest.MarkDecorator:
    return pytest.mark.xfail(strict=True, reason=reason)


WINTER = ("--area", "1", "--dry-um", "60", "--temp", "10", "--hardener", "w")


def test_a_hardener_has_its_own_ratio() -> None:
    total = batch("fresh/epoxy-three-hardeners", *WINTER)["present"]["total"]
    assert total["base_ml"] / total["hardener_ml"] == pytest.approx(3.0, rel=1e-3)


def test_a_hardener_may_need_no_induction() -> None:
    assert not batch("fresh/epoxy-three-hardeners", *WINTER)["present"]["induction_s"]


def test_a_winter_hardener_may_be_laid_in_the_cold(tmp_path: Path) -> None:
    spec = str(FRESH / "epoxy-three-hardeners.toml")
    made = Tent(tmp_path, spec, steady(Air(6.0, -4.0, 5.0)), 3.0, step_min=10)
    made.coat(0.75, 1.0, "--hardener", "w")
    assert {call["call"] for call in made.evaluations()[-3:]} == {"GO"}


def test_a_hardener_keeps_the_sheets_name(tmp_path: Path) -> None:
    text = (FRESH / "epoxy-three-hardeners.toml").read_text()
    file = tmp_path / "sheet.toml"
    file.write_text(text.replace('hardener = "w"', 'hardener = "W"').replace('"t"', '"T"'))
    ran = filmcall("spec", "check", str(file))
    assert ran.code == 0, ran.out + ran.err


def test_a_two_pack_may_be_cured_by_damp_air(tmp_path: Path) -> None:
    text = (FRESH / "zinc-rich.toml").read_text()
    file = tmp_path / "sheet.toml"
    file.write_text(text.replace('family = "two-pack-epoxy"', 'family = "moisture-curing"'))
    ran = filmcall("spec", "check", str(file))
    assert ran.code == 0, ran.out + ran.err


def test_a_film_of_many_layers_has_a_thickness_in_all() -> None:
    words = ("--area", "1", "--dry-um", "700", "--coats", "8", "--temp", "20", "--method", "gun")
    assert "5000" in " ".join(batch("fresh/thick-film-layers", *words)["present"]["warnings"])


def test_a_laminate_does_not_sag_as_paint_does() -> None:
    words = ("--area", "0.3", "--dry-um", "400", "--temp", "25")
    assert "sag" not in " ".join(batch("fresh/laminating-slow-fast", *words)["present"]["warnings"])


def test_no_thinner_is_no_missing_figure() -> None:
    words = ("--area", "1", "--dry-um", "70", "--temp", "23")
    told = " ".join(batch("fresh/zinc-rich", *words)["present"]["warnings"])
    assert "thinner" not in told


@pytest.mark.parametrize(
    ("name", "words"), [("fairing-light", "1 kg"), ("thick-film-layers", "6 months")]
)
def test_a_figure_is_shown_in_the_sheets_own_unit(name: str, words: str) -> None:
    assert words in filmcall("spec", "show", str(FRESH / f"{name}.toml")).out
