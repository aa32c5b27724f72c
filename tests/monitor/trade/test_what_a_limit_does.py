"""Each limit has an effect: past it the film is harmed (STOP), waits (HOLD) or is slow (GO, told).

3 K over the dew point is a margin for application (ISO 8502-4:2017, guidance, as other documents
quote it); that 1 K is kept until touch dry, and that only water harms after it, is common practice,
no source. Calls at the times below are worked out in the comments from the invented air alone.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from command import filmcall
from trade_tent import Air, Tent, at, between, ramp, reasons, steady

SHEETS = Path(__file__).parents[2] / "sheets"


def first_notice(call: dict[str, Any]) -> dict[str, Any]:
    """Return the first reason of state ok: where a notice stands."""
    return dict(next(each for each in call["reasons"] if each["state"] == "ok"))


# (b) A polyurethane topcoat, 24 h handled at 20 degC; then five nights of 9.4 degC under its 10.
# By the air: 9.9 degC with a dew point of 2 is 58 %, the hull 7.4 K over it. Only cold is amiss.
NIGHTS = [(36.0 + 24.0 * night, 48.0 + 24.0 * night) for night in range(5)]


def five_cold_nights(hour: float) -> Air:
    knots = [(0.0, 20.5), (34.0, 20.5)]
    for begin, end in NIGHTS:
        knots += [(begin, 9.4), (end, 9.4), (end + 2.0, 14.0), (begin + 22.0, 14.0)]
    hull = ramp(hour, *knots)
    return Air(hull + 0.5, 2.0, hull)


@pytest.fixture(scope="module")
def cold_week(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    made = Tent(
        tmp_path_factory.mktemp("week"), "polyurethane-topcoat", five_cold_nights, 146.0,
        step_min=30,
    )  # fmt: skip
    made.coat(1.0, 2.0)
    return made.evaluations()


def test_a_handled_polyurethane_is_never_stop_for_five_cold_nights(
    cold_week: list[dict[str, Any]],
) -> None:
    handled = {call["call"] for call in between(cold_week, 34.0, 146.0)}
    assert "STOP" not in handled


def test_each_cold_night_has_its_notice_first(cold_week: list[dict[str, Any]]) -> None:
    for begin, end in NIGHTS:
        told = first_notice(at(cold_week, (begin + end) / 2.0))
        assert told["limit"] == "surface_temp_min"
        assert told["state"] == "ok"
        assert "slow" in told["text"].lower(), told["text"]


def test_the_same_cold_while_coating_is_stop(tmp_path: Path) -> None:
    made = Tent(tmp_path, "polyurethane-topcoat", steady(Air(9.9, 2.0, 9.2)), 3.0)
    made.event("coat-started", 1.0, "--spec", made.spec)
    assert at(made.evaluations(), 2.5)["call"] == "STOP"


# (c) The shipped primer is touch dry 4 h after the coat at 20 degC and handled after 24 h. The hull
# stands at 20.5 in air of 25; the dew point comes up to it. At 25 degC a dew point of 18.5 is 67 %,
# of 20 is 74 %: humidity (85 %) never speaks, only the margin does.
def margin_from(hour: float, from_h: float, margin_k: float) -> Air:
    return Air(25.0, ramp(hour, (from_h - 0.5, 12.0), (from_h, 20.5 - margin_k)), 20.5)


def margins(folder: Path, from_h: float, margin_k: float, hours: float = 2.0) -> set[str]:
    """Return the calls of the hours after the margin came down, the coat having ended at 2 h."""
    made = Tent(
        folder, "two-pack-epoxy-primer", lambda h: margin_from(h, from_h, margin_k),
        from_h + hours, step_min=4 if from_h < 12.0 else 15,
    )  # fmt: skip
    made.coat(1.0, 2.0)
    return {call["call"] for call in between(made.evaluations(), from_h + 0.3, from_h + hours)}


@pytest.mark.parametrize("margin_k", [2.6, 2.0, 1.4])
def test_under_3_kelvin_a_flashing_film_waits(tmp_path: Path, margin_k: float) -> None:
    assert margins(tmp_path, 3.0, margin_k) == {"HOLD"}


def test_under_1_kelvin_a_flashing_film_is_harmed(tmp_path: Path) -> None:
    assert margins(tmp_path, 3.0, 0.6) == {"STOP"}


def test_under_3_kelvin_no_coat_goes_on(tmp_path: Path) -> None:
    made = Tent(tmp_path, "two-pack-epoxy-primer", lambda h: margin_from(h, 2.0, 2.0), 4.0)
    made.event("coat-started", 1.0, "--spec", made.spec)
    assert at(made.evaluations(), 3.5)["call"] == "STOP"


def test_a_touch_dry_film_is_not_stopped_by_a_small_margin(tmp_path: Path) -> None:
    assert "STOP" not in margins(tmp_path, 10.0, 1.5)  # touch dry at 6 h, handled at 26 h


def test_a_touch_dry_film_is_stopped_by_water(tmp_path: Path) -> None:
    assert margins(tmp_path, 10.0, -0.8) == {"STOP"}


def test_a_handled_film_is_stopped_by_no_dew(tmp_path: Path) -> None:
    assert "STOP" not in margins(tmp_path, 34.0, -0.8)  # handled at about 26 h


def test_dew_on_a_handled_film_is_a_notice(tmp_path: Path) -> None:
    made = Tent(
        tmp_path, "two-pack-epoxy-primer", lambda h: margin_from(h, 34.0, -0.8), 36.0, step_min=15
    )
    made.coat(1.0, 2.0)
    told = first_notice(at(made.evaluations(), 35.5))
    assert told["limit"] == "dew_margin_min"


# A sheet of one's own may say it in its own file: bound, wait and effect.
GRADED = """
[limits.flash]
dew_margin_min = { bound = "1 K", wait = "3 K", until = "touch-dry" }
surface_temp_min = { bound = "10 degC", effect = "slow", until = "cured" }
"""


def test_a_sheet_states_wait_and_effect_and_they_are_shown(tmp_path: Path) -> None:
    text = (SHEETS / "primer-plain.toml").read_text()
    sheet = tmp_path / "graded.toml"
    sheet.write_text(
        text.replace('"primer-plain"', '"graded"').replace("\n[times]", GRADED + "\n[times]")
    )
    ran = filmcall("spec", "show", str(sheet), "--json")
    assert ran.code == 0, ran.err
    flash = json.loads(ran.out)["limits"]["flash"]
    assert flash["dew_margin_min"]["bound"] == 1.0
    assert flash["dew_margin_min"]["wait"] == 3.0
    assert flash["surface_temp_min"]["effect"] == "slow"


# (d) A moisture-curing film at 37 % of its 40 %: it takes longer, nothing is spoiled. Air of 20
# degC at 37 % has a dew point of 4.9 degC (psychrometric chart), so the margin is 14 K.
def test_dry_air_only_slows_a_moisture_curing_film() -> None:
    ran = filmcall(
        "check", "--air", "20", "--rh", "37", "--surface", "19.5", "--json",
        "--spec", str(SHEETS / "moisture-curing-primer.toml"),
    )  # fmt: skip
    assert ran.code == 0, ran.out + ran.err
    call = json.loads(ran.out)
    assert call["call"] == "GO"
    told = first_notice(call)
    assert (told["limit"], told["state"]) == ("humidity_min", "ok")
    assert told["bound"] == 40.0
    assert "slow" in told["text"].lower()


def test_soft_cure_of_a_moisture_curing_film_is_laid_to_dry_air(tmp_path: Path) -> None:
    made = Tent(
        tmp_path,
        str(SHEETS / "moisture-curing-primer.toml"),
        steady(Air(20.0, -2.0, 19.5)),
        30.0,
        step_min=15,
    )  # fmt: skip  (-2 degC of dew point in 20 degC is 23 %: 17 under the sheet's 40)
    made.event("session-started", 0.0, section=None)
    made.coat(1.0, 2.0)
    made.evaluations()
    (verdict,) = made.review("--defect", "soft cure")["sections"][0]["verdicts"]
    assert verdict["answer"] == "supported"
    assert "dry" in json.dumps(verdict["causes"][0])


def test_cold_that_only_slows_is_judged_ok_and_so_rings_nothing(
    cold_week: list[dict[str, Any]],
) -> None:
    slow = [r for c in between(cold_week, 38.0, 46.0) for r in reasons(c, "surface_temp_min")]
    assert slow
    assert {each["state"] for each in slow} == {"ok"}
