"""What a message may say, by the standards that describe it, and what is refused by which name."""

from __future__ import annotations

import json
import math

import pytest

from rules.text import printable
from sensors.mqtt import senml
from sensors.mqtt.intake import Router, matches
from sensors.mqtt.json_strict import plain_number
from sensors.mqtt.payload import (
    MAX_BYTES,
    Decoded,
    PayloadFormat,
    PayloadSource,
    SourceFault,
    decode,
)
from sensors.reading import Quality, Quantity
from sensors.wire import FaultKind, PayloadFault, Tally, TimeNote

NOW = 1_800_000_000.0


def source(
    value: str | None = None,
    *,
    quantity: Quantity = Quantity.AIR_TEMP,
    unit: str = "degC",
    topic: str = "shed/bow",
    time: str | None = None,
    unit_path: str | None = None,
    payload: PayloadFormat = PayloadFormat.AUTO,
) -> PayloadSource:
    return PayloadSource("tent", "air-bow", quantity, unit, topic, value, time, unit_path, payload)


def read(
    payload: bytes | str, of: PayloadSource | None = None, *, retained: bool = False
) -> Decoded:
    raw = payload.encode() if isinstance(payload, str) else payload
    return decode(raw, of or source(), received_s=NOW, retained=retained)


def value(payload: bytes | str, of: PayloadSource | None = None) -> float:
    (reading,) = read(payload, of).readings
    return reading.value


def refusal(payload: bytes | str, of: PayloadSource | None = None) -> PayloadFault:
    with pytest.raises(PayloadFault) as caught:
        read(payload, of)
    assert str(caught.value).isprintable()
    return caught.value


def gap(payload: bytes | str, of: PayloadSource | None = None) -> FaultKind:
    """Return the refusal of a message of which only is known that the value is missing."""
    decoded = read(payload, of)
    (reading,) = decoded.readings
    assert reading.quality is Quality.MISSING
    assert math.isnan(reading.value)
    assert decoded.fault is not None
    assert str(decoded.fault).isprintable()
    return decoded.fault.kind


# ---- plain numbers and JSON ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "expected"),
    [("21", 21.0), (" -2.5e1\n", -25.0), ("+.5", 0.5), ("21.", 21.0), (b"0", 0.0)],
)
def test_a_plain_number_is_the_value(payload: str, expected: float) -> None:
    assert value(payload) == expected


@pytest.mark.parametrize(
    ("path", "payload"),
    [
        ("temperature", '{"temperature": 21.5}'),
        ("a.0.b", '{"a": [{"b": 21.5}, {"b": 3}]}'),
        ("a.b", '{"a.b": 21.5}'),
        ("a.b.c", '{"a": {"b.c": 21.5}}'),
        ("1", "[3, 21.5]"),
        (None, "21.5"),
    ],
)
def test_a_dotted_path_finds_the_value(path: str | None, payload: str) -> None:
    assert value(payload, source(path)) == 21.5


@pytest.mark.parametrize("path", ["a", "a.1", "a.-1", "a.0.b.c", "a.", "", ".", "a.٣"])
def test_a_path_that_leads_nowhere_or_to_no_number_is_refused(path: str) -> None:
    fault = refusal('{"a": [{"b": 21.5}]}', source(path))
    assert fault.kind in (FaultKind.NO_VALUE, FaultKind.NOT_A_NUMBER)


# Fixed points: 32 °F and 212 °F are 0 °C and 100 °C, -40 is both (NIST SP 811, 2008, B.8);
# 0 °C is 273.15 K (SI Brochure, 9th edition, 2.3.1). Tolerance: one rounding of the float sum.
@pytest.mark.parametrize(
    ("sent", "unit", "quantity", "expected"),
    [
        (32, "°F", Quantity.AIR_TEMP, 0.0),
        (212, "F", Quantity.SURFACE_TEMP, 100.0),
        (-40, "degF", Quantity.AIR_TEMP, -40.0),
        (273.15, "K", Quantity.AIR_TEMP, 0.0),
        (21.5, "Celsius", Quantity.AIR_TEMP, 21.5),
        (55, "% RH", Quantity.HUMIDITY, 55.0),
        (0.55, "ratio", Quantity.HUMIDITY, 55.0),
        (415, "ppm", Quantity.CO2, 415.0),
        (0.000415, "1", Quantity.CO2, 415.0),
        (12, "µg/m³", Quantity.DUST, 12.0),
        (0.012, "mg/m3", Quantity.DUST, 12.0),
    ],
)
def test_a_unit_in_the_config_or_in_the_message_is_turned_into_ours(
    sent: float, unit: str, quantity: Quantity, expected: float
) -> None:
    by_config = source("v", quantity=quantity, unit=unit)
    assert value(json.dumps({"v": sent}), by_config) == pytest.approx(expected, abs=1e-9)
    by_message = source("v", quantity=quantity, unit=quantity.unit, unit_path="u")
    body = json.dumps({"v": sent, "u": unit})
    assert value(body, by_message) == pytest.approx(expected, abs=1e-9)


def test_a_unit_that_cannot_be_the_quantity_is_refused() -> None:
    said = source("v", unit_path="u")
    assert refusal('{"v": 21, "u": "%"}', said).kind is FaultKind.UNIT
    assert refusal('{"v": 21, "u": 7}', said).kind is FaultKind.UNIT
    assert refusal('{"v": 21, "u": "\\u001b[2J"}', said).kind is FaultKind.UNIT
    assert refusal('{"v": 21}', said).kind is FaultKind.NO_VALUE
    with pytest.raises(SourceFault, match="unit 'ppm' cannot be a humidity; the point is not"):
        source(quantity=Quantity.HUMIDITY, unit="ppm")


@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        (b"", FaultKind.EMPTY),
        (b" \r\n", FaultKind.EMPTY),
        (b"21,5", FaultKind.NOT_A_NUMBER),
        (b"21 C", FaultKind.NOT_A_NUMBER),
        (b"1_0", FaultKind.NOT_A_NUMBER),
        (b"0x15", FaultKind.NOT_A_NUMBER),
        (b"21\x00", FaultKind.NOT_A_NUMBER),
        ("\u0662\u0661".encode(), FaultKind.NOT_A_NUMBER),  # digits, but not ASCII ones
        (b"nancy", FaultKind.NOT_A_NUMBER),
        (b"False", FaultKind.BOOLEAN),
        (b'"21"', FaultKind.NUMBER_AS_TEXT),
        (b"1e309", FaultKind.OUT_OF_RANGE),
        (b"1e-400", FaultKind.OUT_OF_RANGE),
        (b"9" * 400, FaultKind.OUT_OF_RANGE),
        (b"\xc3\x28", FaultKind.NOT_UTF8),
        (b"\xed\xa0\x80", FaultKind.NOT_UTF8),  # a surrogate, which UTF-8 may not hold
        (b" " * (MAX_BYTES + 1), FaultKind.TOO_LARGE),
    ],
)
def test_what_is_not_a_plain_number_is_refused_by_name(payload: bytes, kind: FaultKind) -> None:
    assert refusal(payload).kind is kind


@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        ('{"v": "21"}', FaultKind.NUMBER_AS_TEXT),
        ('{"v": "warm"}', FaultKind.NOT_A_NUMBER),
        ('{"v": true}', FaultKind.BOOLEAN),
        ('{"w": null}', FaultKind.NO_VALUE),
        ('{"v": {}}', FaultKind.NOT_A_NUMBER),
        ('{"v": "NaN"}', FaultKind.NOT_A_NUMBER),
        ('{"v": 1, "x": -Infinity}', FaultKind.NOT_FINITE),
        ('{"v": 1, "x": nan}', FaultKind.NOT_JSON),
        ('{"v": nan', FaultKind.NOT_JSON),
        ('{"v": nano}', FaultKind.NOT_JSON),
        ('{"v": NaN, "v": 1}', FaultKind.NOT_FINITE),
        ('{"v": NaN, "v": NaN}', FaultKind.NOT_FINITE),
        ('{"v": {"a": NaN}}', FaultKind.NOT_FINITE),
        ('{"v": 1, "x": 1e999}', FaultKind.OUT_OF_RANGE),
        ('{"v": 1, "v": 2}', FaultKind.DUPLICATE_KEY),
        ('{"v": 1, "\\u0076": 2}', FaultKind.DUPLICATE_KEY),
        ('{"v": 1, "x": {"a": 1, "a": 1}}', FaultKind.DUPLICATE_KEY),
        ('{"v": 1, "\\u009b2J": 2}', FaultKind.CONTROL_CHARACTER),
        ('{"v": 1, "\\ud800": 2}', FaultKind.CONTROL_CHARACTER),
        ('{"v": 1, "x\u202e": 2}', FaultKind.CONTROL_CHARACTER),
        ('{"v": 1, "x": "\t"}', FaultKind.CONTROL_CHARACTER),
        ('{"v": 1', FaultKind.NOT_JSON),
        ('{"v": 01}', FaultKind.NOT_JSON),
        ('{"v": 1} {}', FaultKind.NOT_JSON),
        ('\ufeff{"v": 1}', FaultKind.NOT_JSON),
        ("{'v': 1}", FaultKind.NOT_JSON),
        ('{"v": ' + "[" * 40 + "]" * 40 + "}", FaultKind.TOO_DEEP),
        ('{"a": ' * 60_00 + "1", FaultKind.TOO_DEEP),
    ],
)
def test_what_json_may_not_hold_is_refused_by_name(payload: str, kind: FaultKind) -> None:
    assert refusal(payload, source("v")).kind is kind


# ---- values that are missing ---------------------------------------------------------------------

# RFC 8259 (2017), 3 and 6: null is a value; NaN and Infinity are not JSON, yet senders write them,
# and C's printf writes `nan`, `-nan`, `inf` (ISO/IEC 9899:1999, 7.19.6.1).


@pytest.mark.parametrize(
    ("payload", "path", "kind"),
    [
        ("NaN", None, FaultKind.NOT_FINITE),
        ("nan", None, FaultKind.NOT_FINITE),
        ("-inf", None, FaultKind.NOT_FINITE),
        ("+Inf", None, FaultKind.NOT_FINITE),
        ("null", None, FaultKind.NO_VALUE),
        ('{"v": null, "w": 1}', "v", FaultKind.NO_VALUE),
        ('{"v": NaN, "w": 1}', "v", FaultKind.NOT_FINITE),
        ('{"v": -Infinity}', "v", FaultKind.NOT_FINITE),
        ('{"v": nan, "w": "a \\" nan"}', "v", FaultKind.NOT_JSON),
        ('{"v": -nan}', "v", FaultKind.NOT_JSON),
        ('{"a": [{"v": inf}]}', "a.0.v", FaultKind.NOT_JSON),
        ('{"v": NaN, "w": nan}', "v", FaultKind.NOT_FINITE),
        ('[{"n": "a", "u": "Cel", "v": null}]', None, FaultKind.NOT_A_NUMBER),
        ('[{"n": "a", "u": "Cel", "v": NaN}]', "a", FaultKind.NOT_FINITE),
        ('[{"n": "a", "u": "Cel", "v": nan}]', None, FaultKind.NOT_JSON),
    ],
)
def test_a_value_that_the_sender_does_not_know_is_missing_and_refused_by_name(
    payload: str, path: str | None, kind: FaultKind
) -> None:
    assert gap(payload, source(path)) is kind


def test_one_value_that_is_null_leaves_the_others_of_the_message_as_they_are() -> None:
    humidity = source("h", quantity=Quantity.HUMIDITY, unit="%")
    assert gap('{"t": null, "h": 50}', source("t")) is FaultKind.NO_VALUE
    assert value('{"t": null, "h": 50}', humidity) == 50.0
    # With NaN it is no JSON, and with a null in it no pack, so the rest is not believed.
    assert refusal('{"t": NaN, "h": 50}', humidity).kind is FaultKind.NOT_FINITE
    pack = '[{"n":"t","u":"Cel","v":null},{"n":"h","u":"%RH","v":50}]'
    assert gap(pack) is FaultKind.NOT_A_NUMBER
    of_pack = source("h", quantity=Quantity.HUMIDITY, unit="%")
    assert refusal(pack, of_pack).kind is FaultKind.NOT_A_NUMBER
    series = read('[{"bn":"t","bu":"Cel","t":-10,"v":20},{"v":null}]').readings
    assert [(each.quality, each.time_s) for each in series] == [(Quality.MISSING, NOW)]


def test_what_is_missing_is_so_from_the_sensors_own_time() -> None:
    of = source("v", time="t")
    (own,) = read(json.dumps({"v": None, "t": NOW - 60.0}), of).readings
    assert (own.quality, own.time_s) == (Quality.MISSING, NOW - 60.0)
    (unset,) = read('{"v": NaN, "t": NaN}', of).readings
    assert (unset.quality, unset.time_s) == (Quality.MISSING, NOW)
    (kept,) = read(json.dumps({"v": None, "t": NOW - 60.0}), of, retained=True).readings
    assert kept.quality is Quality.MISSING


@pytest.mark.parametrize("payload", ["NaN", '{"v": null}', '{"v": null, "t": 1600000000}'])
def test_a_kept_null_without_a_time_of_late_says_nothing_of_now(payload: str) -> None:
    of = source(None if payload == "NaN" else "v", time="t")
    with pytest.raises(PayloadFault):
        read(payload, of, retained=True)


def test_brackets_inside_text_do_not_count_as_depth() -> None:
    body = json.dumps({"note": "[{" * 500 + '\\"', "v": 21})
    assert value(body, source("v")) == 21.0


# ---- the sensor's own time -----------------------------------------------------------------------

# 1800000000 is 2027-01-15T08:00:00Z by the POSIX count of seconds (`date -u -d @1800000000`).


@pytest.mark.parametrize(
    ("said", "before_s"),
    [
        ("1799999940", 60.0),
        ("1799999940000", 60.0),
        ("1799999940000000", 60.0),
        ("1799999940000000000", 60.0),
        ('"2027-01-15T07:59:00Z"', 60.0),
        ('"2027-01-15T09:59:00.000+02:00"', 60.0),
        ('"2027-01-15 07:59:00,5+0000"', 59.5),
    ],
)
def test_a_sensors_own_time_is_taken_in_the_forms_that_leave_no_doubt(
    said: str, before_s: float
) -> None:
    decoded = read(f'{{"v": 21, "t": {said}}}', source("v", time="t"))
    assert NOW - decoded.readings[0].time_s == pytest.approx(before_s, abs=1e-3)
    assert decoded.readings[0].quality is Quality.OK
    assert decoded.notes == ()


@pytest.mark.parametrize(
    ("said", "note"),
    [
        ("0", TimeNote.TOO_OLD),
        ("1577836799", TimeNote.TOO_OLD),
        ("-1e300", TimeNote.TOO_OLD),
        (str(NOW + 2.001), TimeNote.AHEAD),
        (str(NOW + 60), TimeNote.AHEAD),
        ('"2027-01-15T07:59:00"', TimeNote.UNREADABLE),
        ('"2027-02-30T07:59:00Z"', TimeNote.UNREADABLE),
        ('"yesterday"', TimeNote.UNREADABLE),
        ("true", TimeNote.UNREADABLE),
        ("null", TimeNote.UNREADABLE),
    ],
)
def test_a_time_that_cannot_be_is_noted_and_the_time_of_receipt_counts(
    said: str, note: TimeNote
) -> None:
    of = source("v", time="t")
    decoded = read(f'{{"v": 21, "t": {said}}}', of)
    assert (decoded.readings[0].time_s, decoded.readings[0].quality) == (NOW, Quality.OK)
    assert decoded.notes == (note,)
    kept = read(f'{{"v": 21, "t": {said}}}', of, retained=True)
    assert kept.readings[0].quality is Quality.RETAINED


@pytest.mark.parametrize("retained", [False, True])
def test_a_clock_ahead_by_two_seconds_still_agrees_with_ours(*, retained: bool) -> None:
    """Two clocks kept by NTP agree within that; common practice, no source."""
    body = json.dumps({"v": 21, "t": NOW + 2.0})
    decoded = read(body, source("v", time="t"), retained=retained)
    assert (decoded.readings[0].time_s, decoded.readings[0].quality) == (NOW, Quality.OK)
    assert decoded.notes == ()


def test_no_reading_lies_in_the_future() -> None:
    of = source("v", time="t")
    for ahead_s in (0.5, 1.9, 2.1, 299.0, 301.0, 1e9):
        (reading,) = read(json.dumps({"v": 21, "t": NOW + ahead_s}), of).readings
        assert reading.time_s == NOW


def test_a_retained_value_counts_by_its_own_time_or_not_at_all() -> None:
    of = source("v", time="t")

    def kept(age_s: float) -> Quality:
        body = json.dumps({"v": 21, "t": NOW - age_s})
        return read(body, of, retained=True).readings[0].quality

    assert read("21", retained=True).readings[0].quality is Quality.RETAINED
    assert read('{"v": 21}', of, retained=True).readings[0].quality is Quality.RETAINED
    assert kept(60.0) is Quality.OK
    assert kept(7 * 86_400.0) is Quality.STALE


# 1799999940 is 2027-01-15T07:59:00Z, a minute before the message comes.
@pytest.mark.parametrize(
    ("more", "quality", "before_s"),
    [
        ('"time": "2027-01-15T07:59:00Z"', Quality.OK, 60.0),
        ('"timestamp": 1799999940', Quality.OK, 60.0),
        ('"ts": 1799999940000', Quality.OK, 60.0),
        ('"ts": 5, "time": 1799999940', Quality.OK, 60.0),
        ('"ts": "2027-01-14T08:00:00Z"', Quality.STALE, 86_400.0),
        ('"time": "07:59", "ts": 1799999940', Quality.RETAINED, 0.0),
        ('"time": "2027-01-15T07:59:00"', Quality.RETAINED, 0.0),
        ('"time": 86400', Quality.RETAINED, 0.0),
        ('"time": "2027-01-15T08:01:00Z"', Quality.RETAINED, 0.0),
        ('"time": null', Quality.RETAINED, 0.0),
        ('"Time": 1799999940', Quality.RETAINED, 0.0),
        ('"a": {"time": 1799999940}', Quality.RETAINED, 0.0),
    ],
)
def test_a_kept_json_message_brings_its_time_under_a_usual_name(
    more: str, quality: Quality, before_s: float
) -> None:
    body = f'{{"temperature": 20, "humidity": 50, {more}}}'
    (kept,) = read(body, source("temperature"), retained=True).readings
    assert (kept.quality, NOW - kept.time_s) == (quality, before_s)
    (live,) = read(body, source("temperature")).readings
    assert (live.quality, live.time_s) == (Quality.OK, NOW)


def test_a_time_that_the_config_names_goes_before_the_usual_names() -> None:
    of = source("v", time="at")
    body = json.dumps({"v": 21, "at": NOW - 30.0, "time": NOW - 60.0})
    assert NOW - read(body, of, retained=True).readings[0].time_s == 30.0
    without = json.dumps({"v": 21, "time": NOW - 60.0})
    assert read(without, of, retained=True).readings[0].quality is Quality.RETAINED


# ---- SenML ---------------------------------------------------------------------------------------


def test_the_voltage_and_current_example_of_the_standard_resolves_as_printed_there() -> None:
    # RFC 8428 (2018), 5.1.2 "Multiple Data Points", shortened, and 5.1.4 "Resolved Data";
    # digits from memory.
    pack = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e9, "bu": "A", "bver": 5,
         "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "v": 1.7},
    ]  # fmt: skip
    found = senml.resolve(pack)
    name = "urn:dev:ow:10e2073a0108006:"
    assert [(r.name, r.unit, r.value) for r in found] == [
        (name + "voltage", "V", 120.1),
        (name + "current", "A", 1.2),
        (name + "current", "A", 1.3),
        (name + "current", "A", 1.7),
    ]
    assert [r.time for r in found] == pytest.approx(
        [1.276020076001e9, 1.276020071001e9, 1.276020072001e9, 1.276020076001e9], abs=1e-6
    )


def test_base_value_and_unit_hold_until_replaced() -> None:
    # RFC 8428, 4.1 and 4.6: base fields apply to their record and all after it.
    found = senml.resolve(
        [{"bn": "a", "bv": 20, "bu": "Cel", "v": 1}, {"v": 2}, {"bv": 0, "bn": "b", "v": 3}]
    )
    assert [(r.name, r.value, r.unit) for r in found] == [
        ("a", 21.0, "Cel"), ("a", 22.0, "Cel"), ("b", 3.0, "Cel"),
    ]  # fmt: skip


def test_times_below_two_to_the_28_are_relative_to_now() -> None:
    # RFC 8428, 4.5.3: below 2**28 relative to the current time, from there on since 1970.
    series = read('[{"bn":"a","bu":"Cel","v":3},{"t":-60,"v":1},{"t":-30,"v":2}]').readings
    assert [(r.value, NOW - r.time_s) for r in series] == [(1.0, 60.0), (2.0, 30.0), (3.0, 0.0)]
    absolute = json.dumps([{"n": "a", "u": "Cel", "t": NOW - 60.0, "v": 1}])
    assert read(absolute).readings[0].time_s == NOW - 60.0
    at_the_edge = json.dumps([{"n": "a", "u": "Cel", "t": 2**28, "v": 1}])
    assert read(at_the_edge).notes == (TimeNote.TOO_OLD,)  # 1978, so absolute
    just_below = json.dumps([{"n": "a", "u": "Cel", "t": 2**28 - 1, "v": 1}])
    assert read(just_below).notes == (TimeNote.AHEAD,)  # 8.5 years from now, so relative


def test_a_relative_time_in_a_retained_pack_is_no_time() -> None:
    (kept,) = read('[{"n":"a","u":"Cel","t":-5,"v":1}]', retained=True).readings
    assert (kept.quality, kept.time_s) == (Quality.RETAINED, NOW)
    absolute = json.dumps([{"n": "a", "u": "Cel", "t": NOW - 60.0, "v": 1}])
    assert read(absolute, retained=True).readings[0].quality is Quality.OK


@pytest.mark.parametrize(
    ("unit", "sent", "quantity", "expected"),
    [
        ("Cel", 21.5, Quantity.AIR_TEMP, 21.5),
        ("K", 293.15, Quantity.AIR_TEMP, 20.0),
        ("%RH", 55, Quantity.HUMIDITY, 55.0),
        ("%", 0.55, Quantity.HUMIDITY, 55.0),  # RFC 8428, 12.1: a ratio, not per cent
        ("/", 0.55, Quantity.HUMIDITY, 55.0),
        ("ppm", 415, Quantity.CO2, 415.0),
    ],
)
def test_registered_units_are_turned_into_ours(
    unit: str, sent: float, quantity: Quantity, expected: float
) -> None:
    of = source(quantity=quantity, unit=quantity.unit)
    body = json.dumps([{"n": "a", "u": unit, "v": sent}])
    assert value(body, of) == pytest.approx(expected, abs=1e-9)


PAIR = '[{"bn":"d:","n":"t","u":"Cel","v":21},{"n":"h","u":"%RH","v":55}]'
TWO = '[{"bn":"d:","bu":"Cel","n":"air","v":21},{"n":"hull","v":18}]'


def test_the_record_is_found_by_its_name_or_by_the_only_unit_that_fits() -> None:
    assert value(PAIR) == 21.0
    assert value(PAIR, source(quantity=Quantity.HUMIDITY, unit="%")) == 55.0
    assert value(TWO, source("hull")) == 18.0
    assert value(TWO, source("d:air")) == 21.0
    fault = refusal(TWO)
    assert fault.kind is FaultKind.AMBIGUOUS
    assert "'d:air' and 'd:hull' both fit a air_temp" in str(fault)
    assert refusal(TWO, source("keel")).kind is FaultKind.NO_VALUE


@pytest.mark.parametrize(
    ("pack", "kind"),
    [
        ('[{"n":"a","u":"Cel","v":1,"must_":true}]', FaultKind.SENML_MANDATORY),
        ('[{"bver":0,"n":"a","u":"Cel","v":1}]', FaultKind.SENML_VERSION),
        ('[{"bver":"10","n":"a","u":"Cel","v":1}]', FaultKind.SENML_VERSION),
        ('[{"bver":27,"n":"a","u":"Cel","v":1}]', FaultKind.SENML_VERSION),
        ('[{"bver":11,"n":"a","u":"Cel","v":1}]', FaultKind.SENML_VERSION),
        ('[{"bver":true,"n":"a","u":"Cel","v":1}]', FaultKind.SENML_VERSION),
        ('[{"bver":10,"n":"a","v":1},{"bver":26,"n":"a","v":1}]', FaultKind.SENML_VERSION),
        ('[{"n":"a","u":"Cel","vb":true}]', FaultKind.BOOLEAN),
        ('[{"n":"a","u":"Cel","v":true}]', FaultKind.BOOLEAN),
        ('[{"n":"a","u":"Cel","vs":"21"}]', FaultKind.NUMBER_AS_TEXT),
        ('[{"n":"a","u":"Cel","v":"21"}]', FaultKind.NUMBER_AS_TEXT),
        ('[{"n":"a","u":"Cel","vd":"AQ"}]', FaultKind.NOT_A_NUMBER),
        ('[{"n":"a","u":"Cel","s":21}]', FaultKind.NO_VALUE),
        ('[{"n":"a","u":"Cel","v":1,"vb":true}]', FaultKind.SENML),
        ('[{"n":"a","u":"Cel"}]', FaultKind.SENML),
        ('[{"u":"Cel","v":1}]', FaultKind.SENML),
        ('[{"n":"-a","u":"Cel","v":1}]', FaultKind.SENML),
        ('[{"n":"a b","u":"Cel","v":1}]', FaultKind.SENML),
        ('[{"n":"a\\u001b","u":"Cel","v":1}]', FaultKind.CONTROL_CHARACTER),
        ('[{"n":"a","u":"Cel","t":"1","v":1}]', FaultKind.SENML),
        ('[{"n":7,"u":"Cel","v":1}]', FaultKind.SENML),
        ('[{"n":"a","u":"Cel","bv":1e308,"v":1.7e308}]', FaultKind.OUT_OF_RANGE),
        ('[{"n":"a","u":"C","v":1}]', FaultKind.UNIT),
        ('[{"n":"a","u":"degC","v":1}]', FaultKind.UNIT),
        ("[]", FaultKind.SENML),
        ("[21]", FaultKind.SENML),
    ],
)
def test_a_pack_that_breaks_the_standard_is_refused_by_name(pack: str, kind: FaultKind) -> None:
    assert refusal(pack).kind is kind


def test_fields_that_nobody_knows_are_passed_over() -> None:
    # RFC 8428, 4.4: extensions are ignored unless their label ends in an underscore.
    assert value('[{"n":"a","u":"Cel","v":21,"x":{"y":1},"ut":60,"bver":26}]') == 21.0


# ---- topics, text, counts ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "topic", "expected"),
    [
        # MQTT 5.0 (OASIS, 2019), 4.7.1.2 and 4.7.1.3, the standard's own examples; 4.7.2 for `$`.
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/monitor/Clients", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor/Clients", True),
    ],
)
def test_filters_match_as_the_standard_says(wanted: str, topic: str, expected: bool) -> None:
    assert matches(tuple(wanted.split("/")), tuple(topic.split("/")), None) is expected


@pytest.mark.parametrize(
    "topic", ["", "a/#/b", "a#", "a+/b", "a/x{point}", "$share/g/a", "a\x1b", "a/" * 300]
)
def test_a_topic_that_is_no_filter_is_refused_at_the_start(topic: str) -> None:
    with pytest.raises(SourceFault, match=r"point 'air-bow': topic .* Fix topic in the config"):
        Router([source(topic=topic)])


def test_one_subscription_serves_all_points_that_a_level_names() -> None:
    sources = [
        PayloadSource("tent", point, Quantity.AIR_TEMP, "degC", "shed/{point}/t")
        for point in ("bow", "stern")
    ]
    router = Router(sources)
    assert router.filters == ("shed/+/t",)
    route = router.route("shed/stern/t")
    assert route is not None
    assert (route.sources, route.copies) == ((sources[1],), 1)
    assert router.route("shed/keel/t") is None


def test_text_from_the_wire_is_made_harmless_and_short() -> None:
    # ECMA-48 (1991): ESC opens a control sequence, and so does the single character 9B.
    assert printable("\x1b]0;title\x07\x9b2J\r\n") == "\\x1b]0;title\\x07\\x9b2J\\x0d\\x0a"
    assert printable("a\u202eb\ud800\U000e0001") == "a\\u202eb\\ud800\\U000e0001"
    assert printable(b"\xff\xc3\xa9") == "\\xffé"
    assert printable("x" * 500, 10) == "x" * 9 + "…"
    assert len(printable("\x00" * 500, 10)) == 10


def test_counts_by_name_stay_bounded() -> None:
    tally = Tally(3)
    for number in range(1000):
        tally.add(f"topic-{number % 50}")
    assert len(tally.counts()) == 4
    assert tally.total() == 1000
    assert tally.counts() == {"topic-0": 20, "topic-1": 20, "topic-2": 20, "(others)": 940}


def test_a_message_full_of_figures_is_refused_at_once() -> None:
    """64 KiB of figures and a letter took two minutes, in the network's own thread."""
    with pytest.raises(PayloadFault):
        plain_number("9" * 65_000 + "x")
