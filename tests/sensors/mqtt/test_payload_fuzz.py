"""The decoder under random and spiteful bytes: a reading that can be, or a refusal by name.

Run longer with `FILMCALL_FUZZ=50000 pytest tests/sensors/mqtt/test_payload_fuzz.py`.
"""

from __future__ import annotations

import json
import math
import os
import re
from dataclasses import replace
from fractions import Fraction

from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.text import printable
from sensors.mqtt.intake import Router
from sensors.mqtt.payload import EARLIEST_S, Decoded, PayloadFormat, PayloadSource, decode
from sensors.reading import Quality, Quantity
from sensors.wire import FaultKind, PayloadFault, Tally

NOW = 1_800_000_000.0
EXAMPLES = int(os.environ.get("FILMCALL_FUZZ", "300"))
FUZZ = settings(max_examples=EXAMPLES, deadline=None)

SOURCES = [
    PayloadSource("tent", "p", quantity, quantity.unit, "t", path, time, unit, form)
    for quantity in (Quantity.AIR_TEMP, Quantity.HUMIDITY)
    for path, time, unit in ((None, None, None), ("v", "t", None), ("v.0.v", "v", "u"))
    for form in PayloadFormat
]

LABELS = st.sampled_from(
    [
        "v",
        "t",
        "u",
        "n",
        "bn",
        "bt",
        "bu",
        "bv",
        "bver",
        "vs",
        "vb",
        "vd",
        "s",
        "ts",
        "x_",
        "\x1b",
        "",
    ]
)
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["Cel", "%RH", "°F", "2027-01-15T08:00:00Z", 10, NOW, NOW * 1e3, 2**28, -5])
)
DOCUMENTS = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(LABELS, inner, max_size=5),
    max_leaves=12,
)
PACKS = st.lists(st.dictionaries(LABELS, SCALARS, max_size=6), min_size=1, max_size=4)
JSON_BYTES = (DOCUMENTS | PACKS).map(lambda document: json.dumps(document).encode())
# Valid JSON with a few bytes replaced reaches further into the decoder than noise does.
SPOILT = st.builds(
    lambda raw, place, noise: raw[: place % (len(raw) + 1)] + noise + raw[place % (len(raw) + 1) :],
    JSON_BYTES,
    st.integers(0, 10_000),
    st.binary(max_size=3),
)
PAYLOADS = st.binary(max_size=200) | JSON_BYTES | SPOILT


def outcome(payload: bytes, of: PayloadSource, *, retained: bool = False) -> Decoded | PayloadFault:
    try:
        return decode(payload, of, received_s=NOW, retained=retained)
    except PayloadFault as fault:
        return fault


@FUZZ
@given(payload=PAYLOADS, of=st.sampled_from(SOURCES), retained=st.booleans())
@example(payload=b"[" * 65_536, of=SOURCES[0], retained=False)
@example(payload=b'{"a":' * 13_000, of=SOURCES[5], retained=False)
@example(payload=b'"' + b"\\" * 65_000, of=SOURCES[5], retained=False)
@example(payload=b'"' + b'\\"' * 32_000 + b"nan", of=SOURCES[5], retained=False)
@example(payload=b'{"v": nan, "t": NaN}', of=SOURCES[5], retained=False)
@example(payload=b"-" + b"9" * 65_000, of=SOURCES[1], retained=False)
@example(payload=b'{"v":1e' + b"9" * 60_000 + b"}", of=SOURCES[5], retained=False)
def test_any_bytes_give_readings_that_can_be_or_a_refusal_by_name(
    payload: bytes, of: PayloadSource, retained: bool
) -> None:
    decoded = outcome(payload, of, retained=retained)
    if isinstance(decoded, PayloadFault):
        assert isinstance(decoded.kind, FaultKind)
        assert str(decoded).isprintable()
        assert len(str(decoded)) < 400
        return
    assert decoded.readings
    missing = [reading.quality is Quality.MISSING for reading in decoded.readings]
    assert any(missing) == (decoded.fault is not None)
    for reading in decoded.readings:
        if reading.quality is Quality.MISSING:
            assert math.isnan(reading.value)
            assert payload.strip()[:1] in b"{[" or not re.search(rb"[0-9]", payload)
            reading = replace(reading, value=0.0, quality=Quality.OK)
        assert math.isfinite(reading.value)
        assert EARLIEST_S <= reading.time_s <= reading.received_s == NOW
        assert reading.quality in (Quality.OK, Quality.RETAINED, Quality.STALE)
        if retained and reading.time_s == NOW and of.time_path is None:
            # SenML carries a time that no config names, and JSON may.
            carries = payload.strip()[:1] == b"[" or b'"ts"' in payload
            assert reading.quality is Quality.RETAINED or carries
        if not retained:
            assert reading.quality is Quality.OK
    times = [reading.time_s for reading in decoded.readings]
    assert times == sorted(times)


@FUZZ
@given(number=st.decimals(allow_nan=False, allow_infinity=False, places=6).map(str))
def test_a_decimal_comes_out_as_the_nearest_float_or_is_beyond_one(number: str) -> None:
    # The exact value as a fraction is the reference, independent of the float parser.
    of = PayloadSource("tent", "p", Quantity.CO2, "ppm", "t")
    decoded, exact = outcome(number.encode(), of), Fraction(number)
    if isinstance(decoded, PayloadFault):
        assert decoded.kind is FaultKind.OUT_OF_RANGE
        assert abs(exact) > 1e308 or 0 < abs(exact) < 5e-324
        return
    got = decoded.readings[0].value
    for neighbour in (math.nextafter(got, math.inf), math.nextafter(got, -math.inf)):
        if math.isfinite(neighbour):
            assert abs(Fraction(got) - exact) <= abs(Fraction(neighbour) - exact)


@FUZZ
@given(text=st.text() | st.binary(), limit=st.integers(1, 60))
def test_nothing_unprintable_passes_and_no_more_than_the_limit(
    text: str | bytes, limit: int
) -> None:
    shown = printable(text, limit)
    assert shown.isprintable()
    assert len(shown) <= limit
    if isinstance(text, str) and text.isprintable() and len(text) <= limit:
        assert shown == text


@FUZZ
@given(topics=st.lists(st.text(max_size=12), max_size=40))
def test_any_topic_is_routed_or_not_and_counted_within_bounds(topics: list[str]) -> None:
    named = PayloadSource("tent", "bow", Quantity.AIR_TEMP, "degC", "shed/{point}")
    wide = PayloadSource("tent", "any", Quantity.AIR_TEMP, "degC", "shed/#")
    router, tally = Router([named, wide]), Tally(5)
    for topic in topics:
        route = router.route(topic)
        tally.add(printable(topic, 20))
        served = () if route is None else route.sources
        assert (wide in served) == (topic == "shed" or topic.startswith("shed/"))
        assert (named in served) == (topic == "shed/bow")
    assert len(tally.counts()) <= 6
    assert tally.total() == len(topics)
