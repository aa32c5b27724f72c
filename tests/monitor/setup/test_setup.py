"""Setup asks what a recording does not say, writes a config, and overwrites nothing.

The recordings are invented here; which answers are right is known from how they were made.
"""

from __future__ import annotations

import io
import json
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from monitor.config.load import load_config_file
from monitor.setup.ask import measures_fahrenheit
from monitor.setup.listen import Heard, leaves, station_name
from monitor.setup.write import ConfigDraft, PointDraft, config_text
from sensors.reading import Quantity
from sensors.recording.judge import judge
from sensors.recording.sights import Hints, Sight
from tests.support.command import filmcall

MUTE = "Time (UTC),Temp,Humidity,Hull\n" + "".join(
    f"2026-04-25 14:{minute:02d}:00,33.{minute % 10},61,32.{minute % 10}\n" for minute in range(60)
)
TWO = "Time (UTC),Probe 1 (°C),Probe 2 (°C),RH (%)\n" + "".join(
    f"2026-04-25 14:{minute:02d}:00,15.{minute % 10},19.{minute % 10},61\n" for minute in range(60)
)


class Typist(io.StringIO):
    """Standard input of somebody who types these lines."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TZ", "Europe/Oslo")
    return tmp_path


def calls(config: str) -> str:
    return filmcall("replay", "logger.csv", "--config", config, "--plain").out


def test_a_unit_that_the_file_does_not_say_holds_until_it_is_answered(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "logger.csv").write_text(MUTE, encoding="utf-8")
    ran = filmcall("setup", "logger.csv", "--yes")
    assert ran.code == 0, ran.err
    assert "? unit of 'Temp' and 'Hull': took" in ran.out
    points = load_config_file(here / "filmcall.toml").enclosures[0].points
    assert [point.confirmed for point in points] == [False, True, False]
    assert "HOLD" in calls("filmcall.toml")
    assert "GO" not in calls("filmcall.toml").replace("GO is", "")
    assert "air temperature of air is a guess that nobody has confirmed" in calls("filmcall.toml")
    monkeypatch.setattr(sys, "stdin", Typist("F\n\n\n"))
    ran = filmcall("setup", "logger.csv")
    assert ran.code == 0, ran.err
    points = load_config_file(here / "filmcall-2.toml").enclosures[0].points
    assert [(point.unit, point.confirmed) for point in points] == [
        ("degF", True), ("%", True), ("degF", True),
    ]  # fmt: skip
    assert "STOP" in calls("filmcall-2.toml")  # 33 °F is under 10 °C


def test_one_answer_settles_which_of_two_probes_lies_on_the_hull(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "logger.csv").write_text(TWO, encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", Typist("Probe 1 (°C)\n\n\n"))
    ran = filmcall("setup", "logger.csv")
    assert ran.out.count("? which probe lies on the hull [") == 1
    points = load_config_file(here / "filmcall.toml").enclosures[0].points
    assert {point.column: point.quantity for point in points} == {
        "Probe 1 (°C)": Quantity.SURFACE_TEMP,
        "Probe 2 (°C)": Quantity.AIR_TEMP,
        "RH (%)": Quantity.HUMIDITY,
    }


HULL_OR_AIR = "Time (UTC),Air Temp (°C),Probe 2 (°C),RH (%)\n" + "".join(
    f"2026-04-25 14:{minute:02d}:00,15.{minute % 10},14.{minute % 10},61\n" for minute in range(60)
)


@pytest.mark.parametrize("unclear", ["y", "ok", "inside", "not the hull", "humidity", "x"])
def test_what_is_no_answer_is_asked_again_and_never_a_fact(
    here: Path, monkeypatch: pytest.MonkeyPatch, unclear: str
) -> None:
    (here / "logger.csv").write_text(HULL_OR_AIR, encoding="utf-8")
    # which probe lies on the hull, what it measures (twice), spec, section
    monkeypatch.setattr(sys, "stdin", Typist(f"{unclear}\nnone\n{unclear}\nair\n\n\n"))
    ran = filmcall("setup", "logger.csv")
    assert ran.out.count(f"{unclear!r} is not understood") == 2
    points = load_config_file(here / "filmcall.toml").enclosures[0].points
    assert [(point.quantity, point.confirmed) for point in points] == [
        (Quantity.AIR_TEMP, True), (Quantity.AIR_TEMP, True), (Quantity.HUMIDITY, True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("said", "is_hull"),
    [("luft", False), ("Air", False), ("skrov", True), ("on the hull", True), ("h", True)],
)
def test_an_answer_in_another_language_is_understood(
    here: Path, monkeypatch: pytest.MonkeyPatch, said: str, *, is_hull: bool
) -> None:
    (here / "logger.csv").write_text(HULL_OR_AIR, encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", Typist(f"none\n{said}\n\n\n"))
    assert filmcall("setup", "logger.csv").code == 0
    points = load_config_file(here / "filmcall.toml").enclosures[0].points
    (probe,) = (point for point in points if point.column == "Probe 2 (°C)")
    assert (probe.quantity is Quantity.SURFACE_TEMP, probe.confirmed) == (is_hull, True)


@pytest.mark.parametrize("typed", ["?\n", "don't know\nx\n?\n", "don't know\nx\n\n"])
def test_a_unit_that_the_painter_does_not_know_stays_a_guess(
    here: Path, monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    (here / "logger.csv").write_text(MUTE, encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", Typist(f"{typed}\n\n"))
    ran = filmcall("setup", "logger.csv")
    assert ran.out.count("is not understood; answer F or C") == typed.count("\n") - 1
    assert "so it was said" not in ran.out
    points = load_config_file(here / "filmcall.toml").enclosures[0].points
    assert [point.confirmed for point in points] == [False, True, False]
    assert "HOLD" in calls("filmcall.toml")
    assert "GO" not in calls("filmcall.toml").replace("GO is", "")


def test_a_column_is_known_without_the_unit_in_its_name_and_a_part_of_an_answer_never_dropped(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "logger.csv").write_text(TWO, encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", Typist("Probe\nProbe 1, Probe 3\nprobe 1\n\n\n"))
    ran = filmcall("setup", "logger.csv")
    assert ran.out.count("is not understood") == 2
    points = load_config_file(here / "filmcall.toml").enclosures[0].points
    assert [point.column for point in points if point.quantity is Quantity.SURFACE_TEMP] == [
        "Probe 1 (°C)"
    ]


def test_a_date_order_that_is_not_understood_is_asked_again(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "logger.csv").write_text(
        TWO.replace("2026-04-25", "04/05/2026")
        .replace("Probe 1", "Air")
        .replace("Probe 2", "Hull"),
        encoding="utf-8",
    )
    monkeypatch.setattr(sys, "stdin", Typist("american\nyear first\nmonth first\n\n\n"))
    ran = filmcall("setup", "logger.csv")
    assert ran.out.count("is not understood; answer day first or month first") == 2
    config = tomllib.loads((here / "filmcall.toml").read_text("utf-8"))
    assert config["replay"]["date_order"] == "month first"
    assert (
        "month first, as it was said"
        in filmcall("replay", "logger.csv", "--config", "filmcall.toml", "--plain").err
    )
    assert filmcall("setup", "logger.csv", "--yes").code == 0
    told = filmcall("replay", "logger.csv", "--config", "filmcall-2.toml", "--plain").err
    assert "day first, and no date in the file tells whether that is right" in told


def test_a_spec_that_is_not_found_is_asked_until_one_is_and_a_guess_is_said(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "logger.csv").write_text(TWO, encoding="utf-8")
    lines = "Probe 1\nmy-paint.toml\nmy paint\npolyurethane\nnone\nvarnish\n\n"
    monkeypatch.setattr(sys, "stdin", Typist(lines))
    assert filmcall("setup", "logger.csv").code == 0
    assert load_config_file(here / "filmcall.toml").enclosures[0].spec == "varnish"
    monkeypatch.setattr(sys, "stdin", Typist("Probe 1\nmy-paint.toml\n"))
    assert "? spec: took polyurethane-topcoat" in filmcall("setup", "logger.csv").out


def test_nothing_is_overwritten_and_both_or_neither_is_refused(here: Path) -> None:
    (here / "logger.csv").write_text(TWO, encoding="utf-8")
    (here / "mine.toml").write_text("kept", encoding="utf-8")
    ran = filmcall("setup", "logger.csv", "--yes", "--out", "mine.toml")
    assert ran.code == 2
    assert "nothing is overwritten" in ran.err
    assert (here / "mine.toml").read_text(encoding="utf-8") == "kept"
    assert "a recording or a broker" in filmcall("setup").err
    assert "no HOST:PORT" in filmcall("setup", "--broker", "shed:port", "--yes").err


def test_members_of_an_array_are_found_by_what_they_call_themselves() -> None:
    payload = b'{"probes": [{"id": "hull", "t_c": 15.1}, {"id": "bow", "t_c": 19.2, "rh": 71}]}'
    found, fault = leaves(Heard("shed/gateway", payload))
    assert not fault
    assert [leaf.path for leaf, _ in found] == [
        "probes.id=hull.t_c", "probes.id=bow.t_c", "probes.id=bow.rh",
    ]  # fmt: skip


def test_the_zone_only_shifts_a_guess() -> None:
    assert measures_fahrenheit("America/New_York")
    assert not measures_fahrenheit("Europe/Oslo")


def test_a_job_file_is_written_where_one_is_wanted(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here / "logger.csv").write_text(
        MUTE.replace("Temp", "Air (°C)").replace("Hull", "Hull (°C)"), encoding="utf-8"
    )
    lines = "\nhull-port\nthe gig\n1999-01-01\n2099-11-20\n\n70 sqft\n3\n2 mil\n"
    monkeypatch.setattr(sys, "stdin", Typist(lines))
    ran = filmcall("setup", "logger.csv", "--job", "gig.toml")
    assert ran.code == 0, ran.err
    assert "1999-01-01 is past" in ran.out
    job = tomllib.loads((here / "gig.toml").read_text("utf-8"))
    assert job["job"]["boat"] == "the gig"
    assert job["job"]["must_be_done"] == "2099-11-20"
    assert job["job"]["timezone"] == "Europe/Oslo"
    (section,) = job["section"]
    # NIST SP 811, B.8, from memory: 70 ft2 are 6.503 m2; 2 mil are 50.8 um.
    assert (section["name"], section["area"], section["enclosure"]) == (
        "hull-port",
        "6.5 m2",
        "tent",
    )
    coat = {"coat": "polyurethane-topcoat", "times": 3, "dry": "50.8 um", "takes": "1 h"}
    assert section["system"] == [coat]
    ran = filmcall("setup", "logger.csv", "--yes", "--job", "gig.toml")
    assert (ran.code, "gig.toml exists" in ran.err) == (2, True)
    assert not (here / "filmcall-2.toml").exists()


@pytest.mark.parametrize(("zone", "units"), [("America/Chicago", "us"), ("Europe/Oslo", None)])
def test_who_lives_where_fahrenheit_is_read_reads_it(zone: str, units: str | None) -> None:
    draft = ConfigDraft("a logger", "tent", "varnish", zone, ())
    assert ('units = "us"' in config_text(draft)) is (units == "us")


@pytest.mark.parametrize(
    ("host", "station"),
    [("shed-pc.lan", "shed-pc"), ("barn", "barn"), ("localhost", "station-1"), ("", "station-1")],
)
def test_two_computers_that_set_up_at_one_broker_are_two_stations(
    here: Path, host: str, station: str
) -> None:
    """deploy/README.md: what a station's status says stands for all that it tells."""
    broker: dict[str, str | int] = {"host": "127.0.0.1", "port": 1883}
    points = [PointDraft("air", Quantity.AIR_TEMP, "degC", topic="shed/air")]
    named = station_name(host)
    draft = ConfigDraft(
        "here", "tent", "general-guidance", "Etc/UTC", points, broker=broker, station=named
    )
    (here / "shed.toml").write_text(config_text(draft), encoding="utf-8")
    config = load_config_file(here / "shed.toml")
    assert config.publish.station == station
    assert config.broker is not None
    assert config.broker.broker(config.publish.station, {}).client_id == f"filmcall-{station}"


def test_a_temperature_below_a_topic_that_says_fraction_is_no_humidity() -> None:
    """As the publisher was made: t is 18 degC, rh 0.56 of 1."""
    payloads = [
        json.dumps({"t": 18.0 + n / 100.0, "rh": 0.56 + n / 1000.0}).encode() for n in (0, 1, 2)
    ]
    heard = Heard("shed/fraction", payloads[-1], True, payloads)
    values = {"t": [18.0, 18.01, 18.02], "rh": [0.56, 0.561, 0.562]}
    sights = [
        Sight(leaf.name, leaf.words, leaf.unit, np.array(values[str(leaf.path)]), 0, leaf.body)
        for leaf, _ in leaves(heard)[0]
    ]
    verdicts = judge(sights, Hints(fahrenheit=False), {}, frozenset()).verdicts
    used = [(each.use.quantity, each.use.unit, each.use.point) for each in verdicts if each.use]
    assert used == [
        (Quantity.AIR_TEMP, "degC", "air-fraction"),
        (Quantity.HUMIDITY, "1", "air-fraction"),
    ]
