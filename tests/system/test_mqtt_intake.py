"""The intake against a real broker that restarts, dies, freezes, refuses, or is fed by enemies."""

from __future__ import annotations

import base64
import hashlib
import json
import logging
import signal
import socket
import subprocess
import sys
import threading
import time
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.config.model import ForecastConfig
from monitor.outlook.forecast import ForecastKeeper
from sensors.mqtt.broker import Broker, BrokerFault
from sensors.mqtt.connection import Backoff, SubscriptionState
from sensors.mqtt.intake import PLAIN_BYTES, Arrival, Intake
from sensors.mqtt.payload import Message, PayloadFormat, PayloadSource
from sensors.reading import Quality, Quantity
from sensors.wire import FaultKind
from tests.system.broker import RealBroker, Sensor, free_port
from tests.system.certificates import Authority, openssl
from tests.system.conftest import MakeBroker, need

QUICK = Backoff(first_s=0.05, cap_s=0.4, stable_s=2.0)
BOW = PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "degC", "shed/bow")
Make = Callable[..., Intake]
PATIENCE_S = 60.0


@pytest.fixture
def make_intake() -> Iterator[Make]:
    made: list[Intake] = []

    def make(port: int, *sources: PayloadSource, start: bool = True, **settings: object) -> Intake:
        limit = settings.pop("queue_limit", 10_000)
        wall = settings.pop("wall", time.time)
        settings.setdefault("client_id", f"filmcall-{port}")
        intake = Intake(
            Broker(port=port, **settings),  # type: ignore[arg-type]
            sources or (BOW,),
            queue_limit=limit,  # type: ignore[arg-type]
            wall=wall,  # type: ignore[arg-type]
            backoff=QUICK,
        )
        made.append(intake)
        if start:
            intake.start()
        return intake

    yield make
    for intake in made:
        intake.stop()


@pytest.fixture
def make_sensor() -> Iterator[Callable[..., Sensor]]:
    made: list[Sensor] = []

    def make(port: int, client_id: str = "sensor", **account: str) -> Sensor:
        made.append(Sensor(port, client_id, **account))
        return made[-1]

    yield make
    for sensor in made:
        sensor.close()


def wait_for(condition: Callable[[], object], timeout_s: float = PATIENCE_S) -> None:
    until = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < until, "did not come about in time"
        time.sleep(0.02)


def ready(intake: Intake) -> None:
    """Wait until every subscription is answered."""

    def answered() -> bool:
        status = intake.connection.status()
        return status.connected and all(
            each.state is not SubscriptionState.PENDING for each in status.subscriptions
        )

    wait_for(answered)


def collect(intake: Intake, count: int, timeout_s: float = PATIENCE_S) -> list[Arrival]:
    found: list[Arrival] = []
    until = time.monotonic() + timeout_s
    while len(found) < count and time.monotonic() < until:
        found += intake.drain(0.1)
    return found


MakeSensor = Callable[..., Sensor]


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_plain_json_and_senml_reach_their_points_in_two_enclosures(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor, protocol: str
) -> None:
    sources = (
        PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "degF", "shed/bow", "t", "at"),
        PayloadSource("tent", "air-bow", Quantity.HUMIDITY, "1", "shed/bow", "rh.0.v"),
        PayloadSource("tent", "plank", Quantity.SURFACE_TEMP, "degC", "probe/{point}/celsius"),
        PayloadSource("booth", "wall", Quantity.AIR_TEMP, "degC", "senml/+", "air"),
    )
    intake = make_intake(broker.port, *sources, protocol=protocol)
    ready(intake)
    sensor = make_sensor(broker.port)
    now = time.time()
    body = {"t": 68, "at": now - 30.0, "rh": [{"v": 0.5}]}
    sensor.send("shed/bow", json.dumps(body))
    sensor.send("probe/plank/celsius", "18.25")
    sensor.send("probe/stranger/celsius", "99")
    sensor.send("senml/7", '[{"bn":"urn:dev:7:","bu":"Cel","n":"air","v":21.5,"t":-5}]')
    found = {
        (a.reading.enclosure, a.reading.point, a.reading.quantity): a for a in collect(intake, 4)
    }
    bow = found["tent", "air-bow", Quantity.AIR_TEMP]
    assert bow.reading.value == pytest.approx(20.0, abs=1e-9)
    assert bow.reading.time_s == pytest.approx(now - 30.0, abs=1e-3)
    assert bow.monotonic_s - bow.measured_monotonic_s == pytest.approx(30.0, abs=5.0)
    assert found["tent", "air-bow", Quantity.HUMIDITY].reading.value == 50.0
    assert found["tent", "plank", Quantity.SURFACE_TEMP].reading.value == 18.25
    wall = found["booth", "wall", Quantity.AIR_TEMP].reading
    assert (wall.value, wall.quality) == (21.5, Quality.OK)
    assert wall.received_s - wall.time_s == pytest.approx(5.0, abs=1e-6)
    status = intake.status()
    assert status.unmapped_by_topic == {"probe/stranger/celsius": 1}
    assert (status.messages, status.readings, status.refused, status.troubles) == (4, 4, 0, ())


def test_readings_go_on_after_the_broker_restarts(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    intake = make_intake(broker.port, start=False)
    hooks: list[float] = []
    intake.on_connected.append(lambda: hooks.append(time.monotonic()))
    intake.start()
    ready(intake)
    make_sensor(broker.port, "before").send("shed/bow", "21")
    assert [a.reading.value for a in collect(intake, 1)] == [21.0]
    broker.restart()
    wait_for(lambda: intake.connection.status().connects >= 2)
    ready(intake)
    make_sensor(broker.port, "after").send("shed/bow", "22")
    assert [a.reading.value for a in collect(intake, 1)] == [22.0]
    status = intake.status()
    assert status.connection.losses == 1
    # Whoever looks for the broker while it starts is refused, and that is the last word then.
    last = status.connection.last_error or ""
    assert "connection lost" in last or "refuses the connection" in last
    assert status.troubles == ()
    assert len(hooks) == status.connection.connects


def test_a_broker_killed_for_a_while_is_found_again(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    intake = make_intake(broker.port)
    ready(intake)
    broker.kill()
    wait_for(lambda: intake.connection.status().attempts >= 4)
    status = intake.status()
    assert not status.connection.connected
    assert status.troubles == (
        f"broker 127.0.0.1:{broker.port} refuses the connection; no readings come in. "
        "Start the broker, or correct [broker] host and port.",
    )
    assert not intake.publish("filmcall/tent/call", b"GO").accepted
    broker.start()
    ready(intake)
    make_sensor(broker.port).send("shed/bow", "20")
    assert len(collect(intake, 1)) == 1


def test_a_broker_that_falls_silent_without_closing_is_given_up(
    broker: RealBroker, make_intake: Make
) -> None:
    intake = make_intake(broker.port, keepalive_s=5)
    ready(intake)
    broker.pause()
    wait_for(lambda: intake.connection.status().losses == 1)
    broker.resume()
    ready(intake)


def test_the_first_connection_is_tried_until_there_is_a_broker(
    make_broker: MakeBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    port = free_port()
    intake = make_intake(port)
    wait_for(lambda: intake.connection.status().attempts >= 3)
    make_broker(port=port)
    ready(intake)
    make_sensor(port).send("shed/bow", "19.5")
    assert [a.reading.value for a in collect(intake, 1)] == [19.5]
    assert intake.connection.status().losses == 0


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_a_wrong_password_is_told_without_showing_it_and_tried_again(
    make_broker: MakeBroker,
    make_intake: Make,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    protocol: str,
) -> None:
    accounts = tmp_path / "accounts"
    _set_password(accounts, "watcher", "another-one")
    broker = make_broker(f"allow_anonymous false\npassword_file {accounts}")
    secret = "not-for-any-eye"
    caplog.set_level(logging.DEBUG)
    intake = make_intake(broker.port, username="watcher", password=secret, protocol=protocol)
    wait_for(lambda: intake.connection.status().attempts >= 3)
    status = intake.status()
    assert status.connection.connects == 0
    assert "refuses th" in status.troubles[0]
    assert "[broker] username" in status.troubles[0]
    assert secret not in repr(status) + caplog.text + repr(intake.connection._broker)
    _set_password(accounts, "watcher", secret)
    broker.reload()
    ready(intake)


def test_a_refused_subscription_is_told_from_a_granted_one(
    make_broker: MakeBroker, make_intake: Make, make_sensor: MakeSensor, tmp_path: Path
) -> None:
    plugin = next(Path("/usr/lib").rglob("mosquitto_dynamic_security.so"), None)
    need("mosquitto's dynamic security plugin", plugin is not None)
    rules = tmp_path / "dynamic-security.json"
    rules.write_text(json.dumps(_one_topic_allowed("watcher", "pw", "shed/bow")))
    broker = make_broker(f"allow_anonymous false\nplugin {plugin}\nplugin_opt_config_file {rules}")
    stern = PayloadSource("tent", "air-stern", Quantity.AIR_TEMP, "degC", "shed/stern")
    intake = make_intake(broker.port, BOW, stern, username="watcher", password="pw")
    ready(intake)
    states = {each.filter: each.state for each in intake.connection.status().subscriptions}
    assert states == {
        "shed/bow": SubscriptionState.GRANTED,
        "shed/stern": SubscriptionState.REFUSED,
    }
    (trouble,) = intake.status().troubles
    assert "refuses the subscription 'shed/stern' (Not authorized)" in trouble
    sensor = make_sensor(broker.port, username="watcher", password="pw")
    sensor.send("shed/stern", "1")
    sensor.send("shed/bow", "20")
    assert [a.reading.point for a in collect(intake, 1)] == ["air-bow"]


def test_tls_is_spoken_only_with_a_broker_that_can_prove_who_it_is(
    make_broker: MakeBroker, make_intake: Make, tmp_path: Path
) -> None:
    need("openssl", openssl() is not None)
    yard, stranger = Authority(tmp_path), Authority(tmp_path, "stranger")

    def serve(name: str, alternative: str, days: int = 2) -> RealBroker:
        certificate, key = yard.issue(name, alternative, days=days)
        return make_broker(
            f"allow_anonymous true\ncafile {yard.certificate}\n"
            f"certfile {certificate}\nkeyfile {key}\nrequire_certificate true"
        )

    def refused(port: int, why: str, **settings: object) -> None:
        intake = make_intake(port, cert_file=mine, key_file=my_key, **settings)
        wait_for(lambda: intake.connection.status().attempts >= 2)
        status = intake.connection.status()
        assert status.connects == 0
        assert f"its certificate is refused ({why}" in (status.last_error or "")
        intake.stop()

    mine, my_key = yard.issue("watcher", "DNS:watcher")
    good = serve("good", "IP:127.0.0.1")
    ready(make_intake(good.port, ca_file=yard.certificate, cert_file=mine, key_file=my_key))
    refused(good.port, "", ca_file=stranger.certificate)
    refused(good.port, "", tls=True)
    expired = serve("expired", "IP:127.0.0.1", days=-1)
    refused(expired.port, "certificate has expired", ca_file=yard.certificate)
    other = serve("other", "DNS:another.example")
    refused(other.port, "IP address mismatch", ca_file=yard.certificate)
    without = make_intake(good.port, ca_file=yard.certificate)
    wait_for(lambda: without.connection.status().attempts >= 2)
    assert without.connection.status().connects == 0
    assert "certificate" in (without.connection.status().last_error or "")
    with pytest.raises(BrokerFault, match=r"ca_file .* cannot be used"):
        make_intake(good.port, ca_file=tmp_path / "absent.pem", start=False)


def test_week_old_retained_values_at_start_are_never_ok(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    week_ago = time.time() - 7 * 86_400
    sensor = make_sensor(broker.port)
    sensor.send("shed/bow", "21", retain=True)
    sensor.send("stamped/bow", json.dumps({"v": 21, "t": week_ago}), retain=True)
    sensor.send("ahead/bow", json.dumps({"v": 21, "t": time.time() + 86_400}), retain=True)
    sensor.send("senml/bow", '[{"n":"air","u":"Cel","v":21}]', retain=True)
    sensor.send("late/bow", json.dumps({"v": 21, "t": time.time() - 20}), retain=True)
    sources = (
        BOW,
        PayloadSource("tent", "stamped", Quantity.AIR_TEMP, "degC", "stamped/bow", "v", "t"),
        PayloadSource("tent", "ahead", Quantity.AIR_TEMP, "degC", "ahead/bow", "v", "t"),
        PayloadSource("tent", "senml", Quantity.AIR_TEMP, "degC", "senml/bow"),
        PayloadSource("tent", "late", Quantity.AIR_TEMP, "degC", "late/bow", "v", "t"),
    )
    intake = make_intake(broker.port, *sources)
    found = {a.reading.point: a.reading for a in collect(intake, 5)}
    assert {point: reading.quality for point, reading in found.items()} == {
        "air-bow": Quality.RETAINED,
        "stamped": Quality.STALE,
        "ahead": Quality.RETAINED,
        "senml": Quality.RETAINED,
        "late": Quality.OK,
    }
    assert found["stamped"].time_s == pytest.approx(week_ago, abs=1e-3)
    assert found["late"].received_s - found["late"].time_s > 15.0
    sensor.send("shed/bow", "22", retain=True)
    (fresh,) = collect(intake, 1)
    assert (fresh.reading.value, fresh.reading.quality) == (22.0, Quality.OK)


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_two_programs_on_one_client_id_are_told(
    broker: RealBroker, make_intake: Make, protocol: str
) -> None:
    sure = "is probably used by another program"
    one = make_intake(broker.port, protocol=protocol)
    ready(one)
    two = make_intake(broker.port, protocol=protocol)
    wait_for(lambda: any(sure in text for text in one.status().troubles))
    (told,) = [text for text in one.status().troubles if sure in text]
    assert f"client id 'filmcall-{broker.port}'" in told
    assert "give each its own [publish] station" in told
    two.stop()
    wait_for(lambda: one.connection.status().connected)


def test_a_session_that_the_broker_says_was_taken_over_is_told_for_certain(
    make_intake: Make,
) -> None:
    # This mosquitto closes the line without a word, so a socket speaks for a broker that gives
    # the reason: CONNACK accepted, then DISCONNECT 0x8E (MQTT 5.0, 3.2 and 3.14).
    with socket.create_server(("127.0.0.1", 0)) as server:
        intake = make_intake(server.getsockname()[1])
        line, _ = server.accept()
        with line:
            line.recv(4096)
            line.sendall(b"\x20\x03\x00\x00\x00\xe0\x02\x8e\x00")
            wait_for(lambda: intake.connection.status().clash)
        assert "is used by another program too (1 disc" in (intake.connection.status().clash or "")
        intake.stop()


@pytest.mark.parametrize(
    "answer",
    [
        b"\x20\x02\x00\x01",  # CONNACK of a broker that speaks MQTT 3.1.1 only
        b"\xff\xff\xff\xff\xff\xff",
        b"\x20\x03\x00\x00\x00\x30\x05\xff\xff\xff\xff\xff",  # PUBLISH longer than itself
        b"\x20\x03\x00\x00\x00\x90\x01\x00",  # SUBACK cut short
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
    ],
)
def test_what_no_broker_should_send_ends_the_try_and_not_the_trying(
    make_intake: Make, answer: bytes
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        intake = make_intake(server.getsockname()[1])
        for _ in range(2):
            line, _ = server.accept()
            with line:
                line.recv(4096)
                line.sendall(answer)
                time.sleep(0.1)
        wait_for(lambda: intake.connection.status().attempts >= 2)
        wait_for(lambda: intake.connection.status().last_error)
        assert intake.status().troubles[0].startswith("broker 127.0.0.1")
        intake.stop()


def test_a_thousand_new_topics_a_second_leave_memory_and_counts_bounded(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    named = PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "degC", "shed/{point}/t")
    mapped = PayloadSource("tent", "any", Quantity.AIR_TEMP, "degC", "wild/#")
    intake = make_intake(broker.port, named, mapped, queue_limit=500)
    ready(intake)
    sensor = make_sensor(broker.port)

    def flood(first: int) -> None:
        sensor.send_all([(f"shed/{first + i}{'x' * 100}/t", b"1") for i in range(1000)])
        sensor.send_all([(f"wild/{first + i}{'x' * 100}", b"1") for i in range(1000)])

    def measured(total: int) -> int:
        wait_for(lambda: intake.status().messages == total)
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        for first in (0, 1000, 2000):
            flood(first)
        full = measured(6000)
        flood(3000)
        after = measured(8000)
    finally:
        tracemalloc.stop()
    status = intake.status()
    assert status.unmapped == 4000
    assert len(status.unmapped_by_topic) == 101
    assert status.unmapped_by_topic["(others)"] == 3900
    assert status.readings == 4000
    assert (status.queued, status.dropped) == (500, 3500)
    assert len(status.heard[1].topics) == 9
    assert any("is fed by" in text for text in status.troubles)
    # 2,000 topics of 110 characters kept would be well over 500 KB; the client's own thread and
    # this test's bookkeeping move by some tens of KB.
    assert after - full < 200_000


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_every_hostile_message_is_refused_by_name_and_counted_exactly(
    broker: RealBroker,
    make_intake: Make,
    make_sensor: MakeSensor,
    caplog: pytest.LogCaptureFixture,
    protocol: str,
) -> None:
    plain = PayloadSource("tent", "p", Quantity.AIR_TEMP, "degC", "hostile/plain")
    at = PayloadSource("tent", "j", Quantity.AIR_TEMP, "degC", "hostile/json", "v")
    pack = PayloadSource(
        "tent", "s", Quantity.AIR_TEMP, "degC", "hostile/senml", None, payload=PayloadFormat.SENML
    )
    storm: list[tuple[str, bytes, FaultKind]] = [
        ("plain", b"\xff\xfe21", FaultKind.NOT_UTF8),
        ("plain", b"", FaultKind.EMPTY),
        ("plain", b"1" * 1_000_000, FaultKind.TOO_LARGE),
        ("plain", b"NaN", FaultKind.NOT_FINITE),
        ("plain", b"-Infinity", FaultKind.NOT_FINITE),
        ("plain", b"1e999", FaultKind.OUT_OF_RANGE),
        ("plain", b"1e-999", FaultKind.OUT_OF_RANGE),
        ("plain", b"true", FaultKind.BOOLEAN),
        ("plain", b'"21"', FaultKind.NUMBER_AS_TEXT),
        ("plain", b"\x1b[2J\x1b]0;owned\x07", FaultKind.NOT_A_NUMBER),
        ("json", b'{"v":' * 40 + b"1" + b"}" * 40, FaultKind.TOO_DEEP),
        ("json", b"[" * 60_000, FaultKind.TOO_DEEP),
        ("json", b'{"v":NaN}', FaultKind.NOT_FINITE),
        ("json", b'{"v":1e400}', FaultKind.OUT_OF_RANGE),
        ("json", b'{"v":' + b"9" * 60_000 + b"}", FaultKind.OUT_OF_RANGE),
        ("json", b'{"v":"21"}', FaultKind.NUMBER_AS_TEXT),
        ("json", b'{"v":true}', FaultKind.BOOLEAN),
        ("json", b'{"v":21,"v":22}', FaultKind.DUPLICATE_KEY),
        ("json", b'{"\\u001b[2J":1,"v":21}', FaultKind.CONTROL_CHARACTER),
        ("json", b'{"v\x1b":1}', FaultKind.CONTROL_CHARACTER),
        ("json", b'{"v":21', FaultKind.NOT_JSON),
        ("json", b'{"w":21}', FaultKind.NO_VALUE),
        ("senml", b'[{"n":"a","u":"Cel","v":1,"x_":1}]', FaultKind.SENML_MANDATORY),
        ("senml", b'[{"bver":11,"n":"a","u":"Cel","v":1}]', FaultKind.SENML_VERSION),
        ("senml", b'[{"n":"a","u":"Cel","vb":true}]', FaultKind.BOOLEAN),
        ("senml", b'[{"n":"a","u":"C","v":1}]', FaultKind.UNIT),
        ("senml", b'{"n":"a"}', FaultKind.SENML),
    ]
    intake = make_intake(broker.port, plain, at, pack, protocol=protocol)
    ready(intake)
    sensor = make_sensor(broker.port)
    rounds = 20
    messages = [(f"hostile/{topic}", payload) for topic, payload, _ in storm]
    small = [each for each in messages if len(each[1]) < 2_000]
    sensor.send_all(messages)
    for _ in range(rounds - 1):
        sensor.send_all(small)
    sensor.send_all([("hostile/plain", b"21"), ("hostile/json", b'{"v":21}')])
    unknown = len(messages) + (rounds - 1) * len(small)  # each says only that a value is missing
    arrivals = collect(intake, unknown + 2)
    found = Counter(arrival.reading.quality for arrival in arrivals)
    assert found == {Quality.OK: 2, Quality.MISSING: unknown}
    expected: dict[FaultKind, int] = {}
    for _, payload, kind in storm:
        expected[kind] = expected.get(kind, 0) + (rounds if len(payload) < 2_000 else 1)
    status = intake.status()
    assert status.refused_by_kind == expected
    assert status.refused == sum(expected.values())
    assert status.readings == unknown + 2
    assert status.messages == status.refused + 2
    logged = [r for r in caplog.records if r.name == "filmcall.mqtt" and "payload" in r.message]
    assert len(logged) == 20
    assert status.unlogged == status.refused - 20
    assert all(record.getMessage().isprintable() for record in logged)


def test_a_full_queue_drops_the_oldest_and_says_so(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    intake = make_intake(broker.port, queue_limit=50)
    ready(intake)
    make_sensor(broker.port).send_all([("shed/bow", str(i).encode()) for i in range(80)])
    wait_for(lambda: intake.status().messages == 80)
    assert [a.reading.value for a in intake.drain()] == [float(i) for i in range(30, 80)]
    status = intake.status()
    assert (status.dropped, status.dropped_by_point) == (30, {"tent/air-bow": 30})
    assert status.troubles[0].startswith("30 readings were dropped")


def test_the_brokers_copies_for_overlapping_filters_count_once(
    broker: RealBroker, make_intake: Make, make_sensor: MakeSensor
) -> None:
    wide = PayloadSource("tent", "air-stern", Quantity.AIR_TEMP, "degC", "shed/#", "x")
    intake = make_intake(broker.port, BOW, wide)
    ready(intake)
    make_sensor(broker.port).send("shed/bow", "21")
    wait_for(lambda: intake.status().messages == 2)
    assert [a.reading.point for a in intake.drain(1.0)] == ["air-bow"]
    assert intake.status().copies == 1


def test_a_bug_in_the_decoder_is_counted_and_the_next_reading_comes_in(
    broker: RealBroker,
    make_intake: Make,
    make_sensor: MakeSensor,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    intake = make_intake(broker.port)
    ready(intake)
    sensor = make_sensor(broker.port)
    with monkeypatch.context() as patch:
        patch.setattr(Message, "readings", lambda _self, _source: 1 / 0)
        sensor.send("shed/bow", "21")
        wait_for(lambda: intake.status().refused == 1)
    sensor.send("shed/bow", "22")
    assert [a.reading.value for a in collect(intake, 1)] == [22.0]
    assert intake.status().refused_by_kind == {FaultKind.UNEXPECTED: 1}


class Listener:
    """Hears what a newcomer would hear on every topic."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self.subscribed = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id="listener")
        self.client.on_message = self._on_message
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.connect("127.0.0.1", port, 30)
        self.client.subscribe("filmcall/#", 1)
        self.client.loop_start()
        assert self.subscribed.wait(PATIENCE_S)

    def _on_message(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, message.payload, message.retain))

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_what_was_published_to_a_dying_broker_is_not_sent_again_later(
    broker: RealBroker, make_intake: Make
) -> None:
    intake = make_intake(broker.port)
    ready(intake)
    assert intake.publish("filmcall/tent/lamp", b"HOLD", retain=True).wait(PATIENCE_S)
    broker.pause()
    stuck = intake.publish("filmcall/tent/call", b"GO", retain=True)
    assert stuck.accepted
    broker.kill()
    wait_for(lambda: not intake.connection.status().connected)
    broker.start()
    ready(intake)
    assert intake.publish("filmcall/shed/status", b"online", retain=True, expiry_s=60).wait(
        PATIENCE_S
    )
    listener = Listener(broker.port)
    try:
        wait_for(lambda: listener.heard)
        assert listener.heard == [("filmcall/shed/status", b"online", True)]
    finally:
        listener.close()
    assert not stuck.done()


def test_several_threads_may_publish_at_once_and_each_message_arrives_once(
    broker: RealBroker, make_intake: Make
) -> None:
    echo = PayloadSource("tent", "echo", Quantity.CO2, "ppm", "echo/+")
    intake = make_intake(broker.port, echo)
    ready(intake)
    refused: list[str] = []

    def talk(first: int) -> None:
        for number in range(first, first + 150):
            handle = intake.publish(f"echo/{first}", str(number).encode())
            if not (handle.accepted and handle.wait(PATIENCE_S)):
                refused.append(handle.why)

    threads = [threading.Thread(target=talk, args=(first,)) for first in (0, 1000, 2000, 3000)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_S)
    assert refused == []
    found = [a.reading.value for a in collect(intake, 600)]
    for first in (0, 1000, 2000, 3000):
        expected = [float(number) for number in range(first, first + 150)]
        assert [value for value in found if first <= value < first + 1000] == expected


PROGRAM = """
import sys, time
from sensors.mqtt.broker import Broker
from sensors.mqtt.intake import Intake
intake = Intake(Broker(port=int(sys.argv[1]), client_id="mortal"), [])
intake.set_will("filmcall/shed/status", b"offline")
intake.on_connected.append(lambda: intake.publish("filmcall/shed/status", b"online", retain=True))
intake.start()
sys.stdin.readline()
intake.stop()
"""


@pytest.mark.parametrize("killed", [True, False])
def test_the_will_speaks_for_a_killed_program_and_not_after_a_goodbye(
    broker: RealBroker, killed: bool
) -> None:
    listener = Listener(broker.port)
    program = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(broker.port)], stdin=subprocess.PIPE
    )
    try:
        wait_for(lambda: listener.heard)
        if killed:
            program.send_signal(signal.SIGKILL)
            program.wait(PATIENCE_S)
            wait_for(lambda: len(listener.heard) == 2)
        else:
            program.communicate(b"\n", PATIENCE_S)
            time.sleep(0.3)
    finally:
        program.kill()
        program.wait(PATIENCE_S)
        listener.close()
    said = [payload for _, payload, _ in listener.heard]
    assert said == ([b"online", b"offline"] if killed else [b"online"])


def test_the_intake_ends_at_once_while_it_waits_for_a_broker(make_intake: Make) -> None:
    intake = make_intake(free_port())
    wait_for(lambda: intake.connection.status().attempts >= 1)
    thread = intake.connection._thread
    assert thread is not None
    intake.stop()
    assert not thread.is_alive()


def _set_password(file: Path, user: str, password: str) -> None:
    need("mosquitto_passwd", Path("/usr/bin/mosquitto_passwd").is_file())
    new = () if file.exists() else ("-c",)
    subprocess.run(["mosquitto_passwd", "-b", *new, str(file), user, password], check=True)


def _one_topic_allowed(user: str, password: str, topic: str) -> dict[str, object]:
    salt = b"salt-of-test"
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    return {
        "defaultACLAccess": {
            "publishClientSend": True,
            "publishClientReceive": True,
            "subscribe": False,
            "unsubscribe": True,
        },
        "clients": [
            {
                "username": user,
                "password": base64.b64encode(digest).decode(),
                "salt": base64.b64encode(salt).decode(),
                "iterations": 101,
                "roles": [{"rolename": "reader"}],
            }
        ],
        "roles": [
            {
                "rolename": "reader",
                "acls": [{"acltype": "subscribeLiteral", "topic": topic, "allow": True}],
            }
        ],
    }


def test_a_retained_forecast_is_kept_for_the_outlook_and_brings_no_reading(
    broker: RealBroker,
) -> None:
    hour_s = time.time() // 3600.0 * 3600.0
    hours = [{"time": hour_s + 3600.0 * h, "temp": 10.0 + h, "dew_point": 5.0} for h in range(8)]
    sensor = Sensor(broker.port)
    sensor.send("weather/hours", json.dumps(hours), retain=True)
    config = ForecastConfig(topic="weather/hours")
    keeper = ForecastKeeper(config, None, time.time)
    intake = Intake(
        Broker(port=broker.port, client_id="forecast"), [BOW], backoff=QUICK, plain=keeper.topics
    )
    intake.start()
    try:
        wait_for(lambda: keeper.look())
        assert keeper.hours is not None
        assert keeper.hours.temp_c.tolist() == [10.0 + h for h in range(8)]
        sensor.send("weather/hours", b" " * (PLAIN_BYTES + 1))
        sensor.send("weather/hours", b"{")
        wait_for(lambda: not keeper.look() and keeper.refused == 1)
        status = intake.status()
        assert status.refused_by_topic == {"weather/hours": 1}
        assert status.refused_by_kind == {FaultKind.TOO_LARGE: 1}
        assert status.readings == 0
        assert keeper.hours.temp_c.size == 8
    finally:
        intake.stop()
        sensor.close()
