"""`filmcall check`: exit status, JSON keys, units, and what it refuses."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path

import pytest
from command import filmcall
from CoolProp.HumidAirProp import HAPropsSI
from live import TWO_PLANKS, Live
from sheet_doors import SHEETS

from monitor.cli.options import typed_temperature

KEYS = {
    "call",
    "question",
    "stage",
    "section",
    "reasons",
    "air_temp_c",
    "rh_pct",
    "surface_temp_c",
    "dew_point_c",
    "frost_point_c",
    "wet_bulb_c",
    "dew_margin_k",
    "dew_margin_u95_k",
    "humidity_ratio_g_per_kg",
    "absolute_humidity_g_per_m3",
    "looked_ahead_s",
    "harm_time_s",
    "spec",
    "time",
}
LIMITS = {
    "dew_margin_min",
    "humidity_max",
    "surface_temp_min",
    "surface_temp_max",
    "air_temp_min",
    "air_temp_max",
}


def check(*words: str) -> tuple[int, dict[str, object]]:
    ran = filmcall("check", *words, "--json")
    assert ran.err == ""
    return ran.code, json.loads(ran.out)


@pytest.mark.parametrize(
    ("words", "call", "code"),
    [
        (("--air", "21", "--rh", "60", "--surface", "19"), "GO", 0),
        (("--air", "21", "--rh", "74", "--surface", "20"), "HOLD", 10),
        (("--air", "21", "--rh", "80", "--surface", "19"), "STOP", 20),
        (("--air", "21", "--rh", "60"), "HOLD", 10),
        (("--air", "70F", "--rh", "60", "--surface", "66F"), "GO", 0),
        (("--air", "21C", "--rh", "101", "--surface", "30"), "STOP", 20),
        (("--air", "21", "--wet-bulb", "16", "--surface", "19"), "GO", 0),
    ],
)
def test_call_and_exit_status(words: tuple[str, ...], call: str, code: int) -> None:
    status, found = check(*words)
    assert (found["call"], status) == (call, code)
    assert set(found) >= KEYS


def test_figures_against_an_independent_library() -> None:
    _, found = check("--air", "21", "--rh", "60", "--surface", "19")
    state = ("T", 294.15, "P", 101_325, "R", 0.6)
    assert found["dew_point_c"] == pytest.approx(HAPropsSI("D", *state) - 273.15, abs=0.02)
    assert found["wet_bulb_c"] == pytest.approx(HAPropsSI("B", *state) - 273.15, abs=0.03)
    assert found["humidity_ratio_g_per_kg"] == pytest.approx(
        HAPropsSI("W", *state) * 1000, rel=0.006
    )
    assert found["dew_margin_k"] == pytest.approx(19 - (HAPropsSI("D", *state) - 273.15), abs=0.02)
    # u by hand, slopes 0.939 K/K and 0.253 K/% by Magnus:
    # sqrt((0.5^2 + 0.282^2 + 0.758^2) / 3) = 0.55
    assert found["dew_margin_u95_k"] == pytest.approx(1.96 * 0.55, abs=0.02)


def test_every_required_limit_has_a_reason_worst_first() -> None:
    _, found = check("--air", "21", "--rh", "86", "--surface", "19")
    reasons = found["reasons"]
    assert isinstance(reasons, list)
    assert {reason["limit"] for reason in reasons} >= LIMITS
    for reason in reasons:
        assert set(reason) == {"limit", "state", "value", "bound", "guard", "unit", "text"}
    states = [reason["state"] for reason in reasons if reason["limit"] in LIMITS]
    order = ["broken", "unknown", "near", "ok"]
    assert states == sorted(states, key=order.index)
    assert states[0] == "broken"


def test_a_go_says_first_of_all_what_is_said_of_the_film() -> None:
    # 20 degC at 37 % is 3 under the sheet's 40 %, past which it only cures more slowly.
    code, found = check("--air", "20", "--rh", "37", "--surface", "19.5", "--spec",
                        "tests/sheets/moisture-curing-primer.toml")  # fmt: skip
    assert code == 0
    told = [(each["limit"], each["state"]) for each in found["reasons"]]  # type: ignore[attr-defined]
    assert told[0] == ("humidity_min", "ok")
    assert told[-1] == ("outlook", "unknown")


def test_the_json_has_what_is_not_known_before_what_is_ok_and_the_text_has_it_last() -> None:
    words = ("--air", "21", "--rh", "60", "--surface", "16.5")
    _, found = check(*words)
    told = [(each["limit"], each["state"]) for each in found["reasons"]]  # type: ignore[attr-defined]
    head = [("dew_margin_min", "near"), ("outlook", "unknown"), ("spec", "unknown")]
    assert told[:3] == head
    assert [state for _, state in told[3:]] == ["ok"] * 5
    lines = filmcall("check", *words).out.splitlines()
    states = [line.split()[0] for line in lines if line.split()[:1] and line.startswith("  ")]
    assert [each for each in states if each in ("near", "ok", "unknown")] == [
        *["near"],
        *["ok"] * 5,
        *["unknown"] * 2,
    ]


def test_it_says_that_guidance_counts_and_that_one_reading_has_no_outlook() -> None:
    _, found = check("--air", "21", "--rh", "60", "--surface", "19")
    texts = " ".join(reason["text"] for reason in found["reasons"])  # type: ignore[attr-defined]
    assert "judged by general guidance" in texts
    assert "says nothing of the next hours" in texts
    _, by_spec = check(
        "--air", "21", "--rh", "60", "--surface", "19", "--spec", "polyurethane-topcoat"
    )
    texts = " ".join(reason["text"] for reason in by_spec["reasons"])  # type: ignore[attr-defined]
    assert "general guidance" not in texts
    assert by_spec["spec"] == "polyurethane-topcoat"
    assert by_spec["harm_time_s"] > 3600.0  # type: ignore[operator]


def test_go_on_the_screen_speaks_of_the_film_and_not_of_breathing() -> None:
    ran = filmcall("check", "--air", "21", "--rh", "60", "--surface", "19")
    assert ran.out.startswith("GO")
    assert "nothing about the air that people breathe" in ran.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--air", "21", "--rh", "0.6", "--surface", "19"), "looks like a fraction"),
        (("--air", "21", "--rh", "104", "--surface", "19"), "--rh 104 is above 103"),
        (("--air", "21", "--rh", "0", "--surface", "19"), "dead"),
        (("--air", "21", "--rh", "nan", "--surface", "19"), "no number of per cent"),
        (("--air", "warm", "--rh", "60"), "warm"),
        (("--air", "210", "--rh", "60"), "above 60"),
        (("--air", "68", "--rh", "60"), "write 68F or 68C"),
        (("--air", "21", "--rh", "60", "--surface", "66"), "write 66F or 66C"),
        (("--air", "21", "--rh", "60", "--surface", "95C"), "above 80"),
        (("--air", "21"), "either --rh or --wet-bulb"),
        (("--air", "21", "--rh", "60", "--wet-bulb", "16"), "either --rh or --wet-bulb"),
        (("--air", "21", "--wet-bulb", "22"), "wet"),
        (("--air", "20", "--wet-bulb", "0"), "dew point"),
        (("--air", "21", "--rh", "60", "--spec", "nothing-such"), "neither a shipped spec"),
        (("--air", "21", "--rh", "60", "--method", "mop"), "brush"),
        (("--air", "21", "--rh", "60", "--altitude", "90000"), "altitude"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(words: tuple[str, ...], said: str) -> None:
    ran = filmcall("check", *words)
    assert ran.code == 2
    assert ran.out == ""
    assert said in ran.err
    assert "Traceback" not in ran.err
    assert len(ran.err.strip().splitlines()) == 1


def test_bad_usage_ends_with_status_2() -> None:
    assert filmcall("check", "--nonsense").code == 2
    assert filmcall("nonsense").code == 2


def test_at_a_terminal_a_bare_68_is_asked_for_its_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    class Person(io.StringIO):
        def isatty(self) -> bool:
            return True

    asked = Person()
    monkeypatch.setattr(sys, "stderr", asked)
    monkeypatch.setattr(sys, "stdin", Person("f\n"))
    assert typed_temperature("68") == "68F"
    assert asked.getvalue() == "68 °F, or 68 °C? F or C: "


def test_what_a_sheet_asks_of_the_ground_is_named_where_no_log_tells_of_it() -> None:
    """The shipped varnish asks for the wood's moisture (generic)."""
    hand = ("check", "--air", "21", "--rh", "50", "--surface", "19")
    ran = filmcall(*hand, "--spec", "varnish")
    assert "Wood moisture is not looked at here; before a coat the sheet asks for" in ran.out
    told = json.loads(filmcall(*hand, "--spec", "varnish", "--json").out)
    assert "ground" in {each["limit"] for each in told["reasons"]}
    assert "not looked at" not in filmcall(*hand, "--spec", "one-pack-enamel").out


@pytest.mark.parametrize(
    ("method", "margin", "coldest"),
    [
        ("gun", "2.0 K of that for a wet film by gun", "2.0 K taken off for a wet film by gun"),
        ("roller", "", ""),
        (
            None,
            "2.0 K of that for a wet film by gun, no method being given",
            "2.0 K taken off for a wet film by gun, no method being given",
        ),
    ],
)
def test_what_the_wet_films_cooling_asks_is_said_and_by_which_method(
    method: str | None, margin: str, coldest: str
) -> None:
    # The invented water-borne sheet: 3 K over the dew point, and 2 K of cooling by gun.
    words = ["--air", "20", "--rh", "50", "--surface", "19", "--json"]
    words += ["--spec", str(SHEETS / "water-borne-finish.toml")]
    ran = filmcall("check", *words, *(["--method", method] if method else []))
    said = {each["limit"]: each for each in json.loads(ran.out)["reasons"]}
    asked = said["dew_margin_min"]
    assert asked["bound"] == (3.0 if method == "roller" else 5.0)
    for limit, text in (("dew_margin_min", margin), ("surface_temp_min", coldest)):
        assert said[limit]["text"].endswith(
            f"with sensor error; {text}" if text else "sensor error"
        )


@pytest.mark.parametrize("typed_f", ["45.8", "46.3", "49.9", "66.1", "66.3"])
def test_what_was_typed_in_fahrenheit_is_read_back_as_typed(typed_f: str) -> None:
    told = filmcall("check", "--air", "66.3F", "--rh", "57.37", "--surface", f"{typed_f}F").out
    hull = re.search(r"Coldest hull ([\d.]+) °F", told)
    assert hull is not None
    assert float(hull[1]) == float(typed_f)
    assert "Coldest air 66.3 °F" in told
    # 66.3 °F and 57.37 %: CoolProp's dew point, in °F.
    dew_f = HAPropsSI("D", "T", (66.3 - 32) / 1.8 + 273.15, "R", 0.5737, "P", 101325) * 1.8 - 459.67
    said = re.search(r"dew point ([\d.]+) °F", told)
    assert said is not None
    assert float(said[1]) == pytest.approx(dew_f, abs=0.06)


def test_the_log_of_now_by_a_clock_that_was_set_back_gives_no_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = Live(tmp_path, TWO_PLANKS)
    live.run(1200.0, live.climate(port=19.0, stbd=19.0))
    end_s = live.machine.wall()
    live.end()
    words = ("check", "--now", "--config", str(tmp_path / "live.toml"), "--db", str(live.path))
    monkeypatch.setattr("time.time", lambda: end_s + 1.0)
    assert filmcall(*words).code == 0, "by the clock that it was made by"
    monkeypatch.setattr("time.time", lambda: end_s - 600.0)
    ran = filmcall(*words)
    assert ran.code == 10
    assert "before the newest row in the log" in ran.out
