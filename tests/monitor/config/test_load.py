"""The config file: what is read from it, and that every fault is told at once with its fix.

Factors of temperature, length and time units: NIST SP 811, appendix B.8 (from memory).
What an MQTT topic may hold: MQTT 5.0 (OASIS 2019), 4.7.1.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config.load import (
    Config,
    ConfigFault,
    check_config,
    config_defaults,
    default_config,
    load_config,
    load_config_file,
)
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quantity
from sensors.recording.columns import Column

EXAMPLE = """
[broker]                      # host, port, and where needed username, password_file, ...
host = "127.0.0.1"
port = 1883

[publish]
base = "filmcall"
station = "shed-pi"

[[enclosure]]
name = "polytunnel"
spec = "polyurethane-topcoat" # a shipped spec's name, or a file beside this one
timezone = "Etc/UTC"
# assumed_surface_offset = "-0.5 K"   # only where there is no surface probe

[[enclosure.point]]           # entries that share a name are one sensor body
name = "air-bow"
quantity = "air_temp"
unit = "degC"
topic = "shed/bow"
value = "temperature"
column = "temp_bow"
accuracy = "0.3 K"
max_age = "90 s"

[[enclosure.point]]
name = "air-bow"
quantity = "humidity"
unit = "%"
topic = "shed/bow"
value = "humidity"
column = "rh_bow"

[[enclosure.point]]
name = "plank-port"
quantity = "surface_temp"
section = "hull-port"
unit = "degC"
topic = "shed/plank-port"
column = "plank_port"
"""

POINT = """
[[enclosure]]
name = "tent"
{enclosure}
[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
unit = "degC"
topic = "shed/plank"
{point}
"""


def one(enclosure: str = "", point: str = "", before: str = "") -> str:
    return before + POINT.format(enclosure=enclosure, point=point)


def told(text: str) -> list[str]:
    return [str(fault) for fault in check_config(text)]


def load(text: str) -> Config:
    return load_config(text, Path("/etc/paint"))


def test_the_documented_example_loads() -> None:
    config = load(EXAMPLE)
    assert config.broker is not None
    assert (config.broker.host, config.broker.port) == ("127.0.0.1", 1883)
    assert (config.publish.base, config.publish.station) == ("filmcall", "shed-pi")
    (tunnel,) = config.enclosures
    assert (tunnel.name, tunnel.spec, tunnel.timezone) == (
        "polytunnel",
        "polyurethane-topcoat",
        "Etc/UTC",
    )
    assert tunnel.assumed_surface_offset_k is None
    air, humid, plank = tunnel.points
    assert (air.accuracy, air.rules.max_age_s, air.value) == (0.3, 90.0, "temperature")
    assert (humid.accuracy, humid.rules.max_age_s) == (3.0, None)
    assert (plank.section, plank.accuracy, plank.value) == ("hull-port", 0.5, None)
    assert all(point.required and point.inside for point in tunnel.points)
    assert tunnel.columns()[2] == Column("plank_port", "plank-port", Quantity.SURFACE_TEMP, "degC")
    assert [source.topic for source in tunnel.sources()] == [
        "shed/bow",
        "shed/bow",
        "shed/plank-port",
    ]


def test_figures_come_in_any_unit() -> None:
    config = load(
        one(
            'assumed_surface_offset = "-0.9 degF"\nassumed_surface_accuracy = "1.8 degF"\n'
            'altitude = "1000 ft"\ncoating_time = "1.5 h"\nbreak_probability = 0.5',
            'accuracy = "1.8 degF"\nrange_low = "14 degF"\nrange_high = "50 degC"\n'
            'rate_floor = "2 K"\nrate_per_minute = "3.6 degF"\nstuck_after = "2 h"\n'
            'stuck_moved = "5 K"\nmax_age = "5 min"\nrequired = false\ninside = false',
        )
    )
    (tent,) = config.enclosures
    (plank,) = tent.points
    assert tent.assumed_surface_offset_k == pytest.approx(-0.5)
    assert tent.assumed_surface_accuracy_k == pytest.approx(1.0)
    assert tent.altitude_m == pytest.approx(304.8)
    assert (tent.coating_time_s, tent.break_probability) == (5400.0, 0.5)
    assert plank.accuracy == pytest.approx(1.0)
    rules = plank.rules
    assert (rules.low, rules.high) == (pytest.approx(-10.0), 50.0)
    assert (rules.rate_floor, rules.rate_per_min) == (2.0, pytest.approx(2.0))
    assert (rules.stuck_after_s, rules.stuck_moved, rules.max_age_s) == (7200.0, 5.0, 300.0)
    assert not plank.required
    assert not plank.inside


def test_every_fault_is_told_at_once_with_its_line() -> None:
    text = EXAMPLE.replace("port = 1883", "port = 99999").replace("max_age", "maxage")
    text = text.replace('"Etc/UTC"', '"Europe/Brusels"').replace('"0.3 K"', '"0.3"')
    assert told(text) == [
        "line 4, broker.port: 99999 cannot be right; give a number from 1 to 65535.",
        "line 13, enclosure[1].timezone: 'Europe/Brusels' is no time zone that is known; "
        "did you mean Europe/Brussels.",
        "line 23, enclosure[1].point[1].accuracy: '0.3' has no unit; "
        'write a temperature difference with its unit, such as "3 K".',
        "line 24, enclosure[1].point[1].maxage: is no key that belongs here; did you mean max_age.",
    ]
    with pytest.raises(ConfigFault) as caught:
        load_config(text, Path(), "shed.toml")
    assert str(caught.value).startswith(
        "config 'shed.toml' has 4 faults and is not used:\n  line 4"
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "line 1, enclosure: is missing"),
        (one('assumed_surface_offset = "0.5 K"'), "would hide dew"),
        (
            one('assumed_surface_offset = "0 K"\nassumed_surface_accuracy = "0.5 K"'),
            "'0.5 K' cannot be right; give a figure from 1 to 20 K",
        ),
        (one('assumed_surface_accuracy = "2 K"'), "has no assumed_surface_offset beside it"),
        (one("break_probability = 0"), "0 is no probability"),
        (one("break_probability = true"), "true is not a number"),
        (one('timezone = "Europe"'), "'Europe' is no time zone"),
        (one('timezone = "../etc"'), "'../etc' is no time zone"),
        (one('coating_time = "0 h"'), "'0 h' is not over zero"),
        (one(point='max_age = "0 s"'), "cannot be right"),
        (one(point='accuracy = "0 K"'), "give a figure from 0.01 to 10 K"),
        (one(point='range_low = "-60 degC"'), "give a figure from -40 to 80 degC"),
        (one(point='range_low = "30 degC"\nrange_high = "20 degC"'), "leaves no range"),
        (one(point='section = "all"'), "leave the line out"),
        (one(point='section = "hull/port"'), "'hull/port' holds /"),
        (one(point='required = "no"'), "is not true or false"),
        (one(point='payload = "xml"'), "write auto, plain, json or senml"),
        (
            one().replace("degC", "degK"),
            "'degK' is no unit for surface_temp; write one of degC, degF, K",
        ),
        (one().replace('unit = "degC"\n', ""), "unit: is missing"),
        (one().replace("surface_temp", "surface_tmp"), "did you mean surface_temp"),
        (one().replace('topic = "shed/plank"', ""), "nothing would ever be read"),
        (one().replace("shed/plank", "shed/#/plank"), "'shed/#/plank' has a #"),
        (one().replace("shed/plank", "$share/a/b"), "is a shared subscription"),
        (one(before="[broker]\nkey_file = 'k.pem'\n"), "has no cert_file beside it"),
        (one(before="[broker]\nprotocol = '3.1'\n"), "did you mean 3.1.1"),
        (one(before="[broker]\nqos = 2\n"), "2 cannot be right"),
        (one(before="[publish]\nbase = 'filmcall/#'\n"), "is no topic that can be published to"),
        (one(before="[publish]\nstation = 'a+b'\n"), "'a+b' holds +"),
        (one(before="[replay]\ntime = 3\n"), "3 is not text"),
        (one() + one().replace("tent", "TENT"), "a second enclosure of that name"),
        ("[[enclosure]]\nname = 'tent'\n", "point: is missing"),
        ("[broker\n", "line 1: is not TOML"),
        (
            one(before="[broker]\nport = 0x" + "f" * 4000 + "\n"),
            "a number of thousands of digits cannot be right; give a number from 1 to 65535",
        ),
        (
            one(before="[broker]\npassword_file = '~nobody-here/secret'\n"),
            "'~nobody-here/secret' is in the folder of an account that is not here; write the "
            "whole path, or one from the config's own folder",
        ),
        ("a = 1\na = 2\n", "is in the file twice"),
    ],
)
def test_a_fault_is_told_with_what_mends_it(text: str, expected: str) -> None:
    assert any(expected in fault for fault in told(text)), told(text)


@pytest.mark.parametrize(
    "name", ["a/b", "a+b", "#", "..", "a..b", ".hidden", "-x", "a\\\\b", " a", ""]
)
def test_a_name_that_no_topic_or_file_takes_is_refused(name: str) -> None:
    assert told(one().replace('"tent"', f'"{name}"'))


@pytest.mark.parametrize("name", ["polytunnel", "Zelt 2", "abri_à-bateau", "v1.2"])
def test_a_plain_name_in_any_script_is_taken(name: str) -> None:
    assert told(one().replace('"tent"', f'"{name}"')) == []


def test_humidity_needs_the_air_temperature_of_its_own_point() -> None:
    text = EXAMPLE.replace(
        'name = "air-bow"\nquantity = "humidity"', 'name = "air-stern"\nquantity = "humidity"'
    )
    assert told(text) == [
        "line 28, enclosure[1].point[2].quantity: humidity at 'air-stern' has no air_temp at the "
        'same point, and pairs with no other; add an air_temp point with name = "air-stern".'
    ]


def test_a_quantity_given_twice_and_a_sensor_read_for_two_points_are_told() -> None:
    again = EXAMPLE.replace('"humidity"\nunit = "%"', '"air_temp"\nunit = "degC"')
    assert any("'air-bow' has 'air_temp' already, in point[1]" in fault for fault in told(again))
    copied = EXAMPLE + (
        '[[enclosure.point]]\nname = "plank-star"\nquantity = "surface_temp"\nunit = "degC"\n'
        'topic = "shed/plank-port"\ncolumn = "plank_port"\n'
    )
    faults = told(copied)
    assert len(faults) == 2
    assert all("is read for 'plank-port' already" in fault for fault in faults)


def test_a_fraction_is_a_unit_of_a_recordings_column() -> None:
    assert not told(EXAMPLE.replace('unit = "%"', 'unit = "fraction"'))


def test_a_point_that_is_not_confirmed_is_waited_for_and_not_read() -> None:
    config = load_config(EXAMPLE.replace('unit = "%"', 'unit = "%"\nconfirmed = false'), Path())
    (enclosure,) = config.enclosures
    assert any(not point.confirmed for point in enclosure.points)
    names = {point.column for point in enclosure.points if point.confirmed}
    assert {column.column for column in enclosure.columns()} == names
    assert {source.quantity for source in enclosure.sources()} == {
        point.quantity for point in enclosure.points if point.confirmed and point.topic
    }


def test_a_password_in_the_config_is_refused_and_not_repeated() -> None:
    faults = told(one(before="[broker]\nusername = 'shed'\npassword = 'oakum-and-tar'\n"))
    assert len(faults) == 1
    assert "must not stand in a config" in faults[0]
    assert "FILMCALL_MQTT_PASSWORD" in faults[0]
    assert "oakum" not in faults[0]


def test_the_password_comes_from_its_file_or_the_environment_and_is_never_shown(
    tmp_path: Path,
) -> None:
    (tmp_path / "secret").write_text("oakum-and-tar\r\nsecond line\n")
    text = one(before="[broker]\nusername = 'shed'\npassword_file = 'secret'\n")
    broker = load_config(text, tmp_path).broker
    assert broker is not None
    assert broker.password_file == tmp_path / "secret"
    from_file = broker.broker("shed-pi", {})
    assert (from_file.username, from_file.password) == ("shed", "oakum-and-tar")
    assert from_file.client_id == "filmcall-shed-pi"
    assert "oakum" not in repr(from_file) + repr(broker)
    from_environment = broker.broker(
        "shed-pi", {"FILMCALL_MQTT_USERNAME": "pi", "FILMCALL_MQTT_PASSWORD": "pitch"}
    )
    assert (from_environment.username, from_environment.password) == ("pi", "pitch")


@pytest.mark.parametrize("content", [None, b"", b"\nsecond", b"\xff\xfe"])
def test_a_password_file_that_cannot_be_used_is_told(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "secret").write_bytes(content)
    broker = load_config(one(before="[broker]\npassword_file = 'secret'\n"), tmp_path).broker
    assert broker is not None
    with pytest.raises(ConfigFault, match=r"password_file .* cannot be used"):
        broker.broker("shed-pi", {})


def test_a_recording_without_a_config_gets_default_points() -> None:
    columns = (
        Column("temp", "air", Quantity.AIR_TEMP, "degF"),
        Column("rh", "air", Quantity.HUMIDITY, "%"),
    )
    config = default_config(columns, timezone="Europe/Oslo")
    (enclosure,) = config.enclosures
    assert enclosure.columns() == columns
    assert enclosure.spec == "general-guidance"
    assert [point.accuracy for point in enclosure.points] == [0.3, 3.0]
    assert enclosure.points[1].rules == DEFAULT_RULES[Quantity.HUMIDITY]
    assert config.replay.timezone == "Europe/Oslo"
    assert config.broker is None


def test_the_printed_defaults_are_those_that_count() -> None:
    defaults = config_defaults()
    for quantity in Quantity:
        lines = [
            f'{key} = "{defaults[f"enclosure.point.{key} ({quantity.value})"]}"'
            for key in (
                *("accuracy", "range_low", "range_high", "rate_floor", "rate_per_minute"),
                *("stuck_after", "stuck_moved"),
            )
        ]
        text = (
            one(point="\n".join(lines))
            .replace("surface_temp", quantity.value)
            .replace('"degC"', f'"{quantity.unit}"')
        )
        if quantity is Quantity.HUMIDITY:
            text += (
                '[[enclosure.point]]\nname = "plank"\nquantity = "air_temp"\nunit = "degC"\n'
                'topic = "shed/t"\n'
            )
        point = load(text).enclosures[0].points[0]
        assert point.rules == DEFAULT_RULES[quantity], quantity
        bare = default_config([Column("c", "plank", quantity, quantity.unit)])
        assert point.accuracy == bare.enclosures[0].points[0].accuracy


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigFault, match=r"cannot be read .*Give the file with --config"):
        load_config_file(tmp_path / "none.toml")
    (tmp_path / "shed.toml").write_text(EXAMPLE)
    assert load_config_file(tmp_path / "shed.toml").base_dir == tmp_path


FORECAST = """
[forecast]
file = "hours.csv"
topic = "weather/hours"
timezone = "Europe/Brussels"
[forecast.columns]
time = "valid"
temp = "T  outside"
humidity = "RH"
[forecast.units]
temp = "°F"
"""


def test_a_forecast_is_named_with_its_columns_units_and_zone() -> None:
    forecast = load(one(before=FORECAST)).forecast
    assert forecast.wanted
    assert forecast.file == Path("/etc/paint/hours.csv")
    assert forecast.topic == "weather/hours"
    assert forecast.timezone == "Europe/Brussels"
    assert dict(forecast.columns) == {"time": "valid", "temp": "T  outside", "rh": "RH"}
    assert dict(forecast.units) == {"temp": "degF"}
    assert not load(one()).forecast.wanted


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ("[forecast]\ntimezone = 'Etc/UTC'\n", "forecast.file: is missing, and so is topic"),
        ("[forecast]\nurl = 'x'\ntopic = 'w'\n", "forecast.url: is no key that belongs here"),
        ("[forecast]\ntopic = 'weather/#'\n", "forecast.topic: 'weather/#' is no single topic"),
        ("[forecast]\ntopic = 'shed/plank'\n", "one that point 'plank' is heard on"),
        ("[forecast]\nfile = 7\n", "forecast.file: 7 is not text"),
        (
            "[forecast]\nfile = 'h.csv'\n[forecast.columns]\nrain = 'R'\n",
            "forecast.columns.rain: is no key that belongs here",
        ),
        (
            "[forecast]\nfile = 'h.csv'\n[forecast.columns]\ntemp = 'T'\nsun = 'T'\n",
            "forecast.columns.sun: 'T' is named for another quantity already",
        ),
        (
            "[forecast]\nfile = 'h.csv'\n[forecast.columns]\ndew_point = 'D'\nhumidity = 'H'\n",
            "forecast.columns.humidity: stands beside dew_point",
        ),
        (
            "[forecast]\nfile = 'h.csv'\n[forecast.units]\ntemp = 'mbar'\n",
            "forecast.units.temp: 'mbar' is no unit for a temperature",
        ),
    ],
)
def test_what_is_wrong_with_a_forecast_is_said(lines: str, says: str) -> None:
    (fault,) = told(one(before=lines))
    assert says in fault, fault


def test_the_forecast_that_its_page_shows_is_read() -> None:
    page = (Path(__file__).parents[3] / "examples" / "forecast.md").read_text("utf-8")
    (block,) = [b for b in page.split("```toml\n") if b.startswith("[forecast]")]
    forecast = load(one(before=block.split("```")[0])).forecast
    assert forecast.topic == "shed/weather"
    assert set(dict(forecast.columns)) == {"time", "temp", "dew_point", "sun"}
    assert dict(forecast.units) == {"temp": "degF"}


@pytest.mark.parametrize(
    ("written", "days"), [('"90 days"', 90.0), ('"for ever"', None), ('"48 h"', 2.0)]
)
def test_how_long_readings_stay_whole(written: str, days: float | None) -> None:
    text = f"[log]\nkeep_raw = {written}\n" + ENCLOSURE_FOR_LOG
    assert load_config(text, Path()).log.keep_raw_days == days


ENCLOSURE_FOR_LOG = """
[[enclosure]]
name = "tent"
[[enclosure.point]]
name = "bow"
quantity = "air_temp"
unit = "degC"
column = "air"
"""


def test_a_part_of_a_day_is_no_time_to_keep_readings() -> None:
    (fault,) = check_config('[log]\nkeep_raw = "5 h"\n' + ENCLOSURE_FOR_LOG)
    assert (fault.line, fault.problem) == (2, "is not a whole number of days of 1 or more")
    assert load_config(ENCLOSURE_FOR_LOG, Path()).log.keep_raw_days == 400.0
