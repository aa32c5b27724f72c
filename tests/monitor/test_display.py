"""Who reads what units: the environment, what was typed, the config, the log; never JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from command import filmcall

HAND = ("check", "--rh", "60", "--air")


def test_metric_unless_somebody_says_otherwise() -> None:
    said = filmcall(*HAND, "21", "--surface", "19").out
    assert "Hull 6.1 K above dew point" in said
    assert "°F" not in said


def test_the_environment_goes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    said = filmcall(*HAND, "21", "--surface", "19").out
    # 19 degC are 66.2 degF (x 1.8, + 32), the dew point of 12.9485 degC (CoolProp) 55.3.
    assert "Hull 10.9 °F above dew point; wants 5.4 °F" in said
    assert "Coldest hull 66.2 °F" in said
    assert "°C" not in said
    assert " K" not in said
    monkeypatch.setenv("FILMCALL_UNITS", "metric")
    assert "°F" not in filmcall(*HAND, "70F", "--surface", "66F").out


def test_who_types_fahrenheit_reads_fahrenheit() -> None:
    said = filmcall(*HAND, "70F", "--surface", "66F").out
    assert "Coldest air 70.0 °F" in said
    assert "°C" not in said
    assert "°F" not in filmcall(*HAND, "21", "--surface", "19").out, "not in the next command"


def test_json_stays_si(monkeypatch: pytest.MonkeyPatch) -> None:
    words = (*HAND, "21", "--surface", "19", "--json")
    plain = json.loads(filmcall(*words).out)
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    other = json.loads(filmcall(*words).out)
    for each in (plain, other):
        del each["time"]
    assert plain == other


def test_no_default_is_printed_in_both_scales(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    said = filmcall("doctor", "--defaults").out
    # -40 degC are -40 degF, 60 degC 140 degF; 0.5 K are 0.9 degF (x 1.8, + 32).
    low, high, accuracy = (
        re.search(rf"^enclosure\.point\.{key} +(.*)$", said, re.M)
        for key in (
            r"range_low \(air_temp\)",
            r"range_high \(air_temp\)",
            r"accuracy \(surface_temp\)",
        )
    )
    assert low
    assert high
    assert accuracy
    assert (low[1], high[1], accuracy[1]) == ("-40 °F", "140 °F", "0.9 °F")
    assert not re.search(r"\d (degC|°C|K)\b", said)


def test_an_unknown_word_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILMCALL_UNITS", "imperial")
    ran = filmcall(*HAND, "21", "--surface", "19")
    assert ran.code == 2
    assert "metric or us" in ran.err


CONFIG = """
[display]
units = "us"

[[enclosure]]
name = "tent"
spec = "varnish"
timezone = "America/New_York"

[[enclosure.point]]
name = "bow"
quantity = "air_temp"
unit = "degC"
column = "air"

[[enclosure.point]]
name = "bow"
quantity = "humidity"
unit = "%"
column = "rh"

[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
unit = "degC"
column = "hull"
"""


def test_a_config_and_the_log_of_its_replay_say_it_for_every_text(tmp_path: Path) -> None:
    (tmp_path / "tent.toml").write_text(CONFIG)
    rows = [f"2026-10-03T{10 + k // 60:02}:{k % 60:02}:00Z,20.0,60.0,9.0\n" for k in range(90)]
    (tmp_path / "day.csv").write_text("time,air,rh,hull\n" + "".join(rows))
    db = ("--db", str(tmp_path / "log.db"))
    played = filmcall(
        *("replay", str(tmp_path / "day.csv"), "--config", str(tmp_path / "tent.toml")), "--plain",
        *db,
    )  # fmt: skip
    assert played.code == 0, played.err
    # 3 K are 5.4 degF; New York is four hours behind UTC in October.
    assert "wants 5.4 °F" in played.out
    assert "2026-10-03T06:" in played.out
    assert "°C" not in played.out
    begun = filmcall(
        *("event", "coat-started", "--enclosure", "tent", "--at", "2026-10-03T10:30Z"), *db
    )
    assert begun.code == 0, begun.err
    page, sheet = tmp_path / "page.html", tmp_path / "sheet.html"
    looked = filmcall("review", "--html", str(page), "--sheet", str(sheet), *db)
    assert looked.code == 0, looked.err
    for text in (looked.out, page.read_text(), sheet.read_text()):
        assert "°F" in text
        assert "°C" not in text


def test_a_wrong_word_in_the_config_is_named(tmp_path: Path) -> None:
    (tmp_path / "tent.toml").write_text(CONFIG.replace('"us"', '"imperial"'))
    (tmp_path / "day.csv").write_text("time,air,rh,hull\n")
    ran = filmcall("replay", str(tmp_path / "day.csv"), "--config", str(tmp_path / "tent.toml"))
    assert ran.code == 2
    assert "units" in ran.err
    assert "metric" in ran.err
