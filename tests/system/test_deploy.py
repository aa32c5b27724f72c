"""The broker files of deploy/mosquitto with the real mosquitto: who may say and hear what.

The files are used as they are shipped; only folders, ports and, for root, the account that the
broker goes down to are put in. Refusals are read from the broker's own answers: reason codes of
MQTT 5.0 (OASIS, 2019), 2.4: 134 bad user name or password, 135 not authorized.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.config.load import load_config
from rules.vocabulary import EventKind
from sensors.mqtt.intake import Intake
from sensors.reading import Quantity
from tests.system.broker import RealBroker, Sensor, free_port, mosquitto
from tests.system.conftest import need

DEPLOY = Path(__file__).parents[2] / "deploy"
ACCOUNTS = (
    "filmcall", "air-bow", "air-stern", "plank-port", "lamp", "page", "buttons", "bridge-boathouse",
)  # fmt: skip
PASSWORD = "only-for-this-test"
V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311
CALL = "filmcall/polytunnel/call"
CUT_OFF = -1
NOBODY_LISTENS = 16  # accepted all the same
WAIT_S = 60.0


def put(text: str, old: str, new: str) -> str:
    """Replace what must stand there once, so that a shipped file that changes fails the test."""
    assert text.count(old) == 1, old
    return text.replace(old, new)


def until(true: Callable[[], bool]) -> bool:
    """Wait for something to become true, and return whether it did."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.01)
    return true()


class Yard:
    """A broker of the shipped files, in a folder of its own."""

    def __init__(self, folder: Path, change: Callable[[str], str] = lambda text: text) -> None:
        self.folder = folder
        self.plain_port, self.tls_port = free_port(), free_port()
        self.ca = folder / "ca.crt"
        script = DEPLOY / "mosquitto" / "make-ca.sh"
        for words in ("ca {}", "server {} localhost 127.0.0.1", "client {} air-bow"):
            arguments = [word.format(folder) for word in words.split()]
            subprocess.run([script, *arguments], check=True, capture_output=True, timeout=60)
        shutil.copy(DEPLOY / "mosquitto" / "acl", folder / "acl")
        bridge = (DEPLOY / "mosquitto" / "bridge.conf").read_text()
        _, _, lines = bridge.partition("needs in the access list:\n")
        with (folder / "acl").open("a") as acl:
            acl.write("".join(line.lstrip("# ") + "\n" for line in lines.splitlines()))
        for place, account in enumerate(ACCOUNTS):
            new = ["-c"] if place == 0 else []
            subprocess.run(
                ["mosquitto_passwd", *new, "-b", str(folder / "passwords"), account, PASSWORD],
                check=True,
                capture_output=True,
                timeout=60,
            )
        text = (DEPLOY / "mosquitto" / "filmcall.conf").read_text()
        text = text.replace("/etc/mosquitto/filmcall/", f"{folder}/")
        text = put(text, "listener 1883 127.0.0.1\n", f"listener {self.plain_port} 127.0.0.1\n")
        text = put(text, "listener 8883\n", f"listener {self.tls_port} 127.0.0.1\n")
        (folder / "conf.d").mkdir()
        (folder / "conf.d" / "filmcall.conf").write_text(change(text))
        # As Debian's own mosquitto.conf: it keeps retained messages, and reads a folder.
        self.broker = RealBroker(folder, port=self.tls_port)
        (folder / f"mosquitto-{self.tls_port}.conf").write_text(
            f"persistence true\npersistence_location {folder}/\n"
            + ("user root\n" if os.geteuid() == 0 else "")
            + f"include_dir {folder}/conf.d\n"
        )

    def client(self, account: str | None, **options: object) -> Client:
        """Return a client that is not yet connected."""
        return Client(self, account, **options)  # type: ignore[arg-type]


class Client:
    """A client that keeps what the broker answers and what it hears."""

    def __init__(
        self,
        yard: Yard,
        account: str | None,
        *,
        password: str = PASSWORD,
        tls: bool = True,
        ca: Path | None = None,
        cert: str | None = None,
        protocol: MQTTProtocolVersion = V5,
        will: str | None = None,
    ) -> None:
        self.port = yard.tls_port if tls else yard.plain_port
        self.heard: list[tuple[str, bytes, bool]] = []
        self.properties: list[Properties | None] = []
        self.answers: list[ReasonCode] = []
        self.acknowledged: dict[int, ReasonCode] = {}
        self.gone = False
        self._granted = threading.Event()
        self.paho = paho.Client(
            CallbackAPIVersion.VERSION2, protocol=protocol, reconnect_on_failure=False
        )
        if account is not None:
            self.paho.username_pw_set(account, password)
        if tls:
            context = ssl.create_default_context(cafile=str(ca or yard.ca))
            if cert is not None:
                context.load_cert_chain(yard.folder / f"{cert}.crt", yard.folder / f"{cert}.key")
            self.paho.tls_set_context(context)
        if will is not None:
            self.paho.will_set(will, b"GO", 1, True)
        self.paho.on_connect = lambda _c, _u, _f, reason, _p: self.answers.append(reason)
        self.paho.on_publish = lambda _c, _u, mid, reason, _p: self.acknowledged.update(
            {mid: reason}
        )
        self.paho.on_subscribe = lambda _c, _u, _m, _r, _p: self._granted.set()
        self.paho.on_message = self._hear
        self.paho.on_disconnect = lambda _c, _u, _f, _r, _p: setattr(self, "gone", True)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self.properties.append(message.properties)
        self.heard.append((message.topic, bytes(message.payload), bool(message.retain)))

    def answer(self, host: str = "localhost") -> int:
        """Connect and return the reason code with which the broker answers, or CUT_OFF."""
        self.paho.connect(host, self.port, 30)
        self.paho.loop_start()
        assert until(lambda: bool(self.answers) or self.gone), "the broker does nothing"
        return int(self.answers[0].value) if self.answers else CUT_OFF

    def listen(self, *topics: str) -> Client:
        """Connect where needed, and subscribe."""
        assert self.answers or self.answer() == 0
        for topic in topics:
            self._granted.clear()
            self.paho.subscribe(topic, 1)
            assert self._granted.wait(WAIT_S)
        return self

    def send(self, topic: str, payload: bytes = b"1", *, retain: bool = False) -> int:
        """Publish at QoS 1 and return the reason code of the acknowledgement."""
        assert self.answers or self.answer() == 0
        info = self.paho.publish(topic, payload, 1, retain)
        assert until(lambda: info.mid in self.acknowledged), "no acknowledgement"
        reason = int(self.acknowledged[info.mid].value)
        return 0 if reason == NOBODY_LISTENS else reason

    def close(self) -> None:
        """Disconnect."""
        self.paho.disconnect()
        self.paho.loop_stop()


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """Yield a running broker of the shipped files."""
    need("mosquitto", mosquitto() is not None)
    need("openssl", shutil.which("openssl") is not None)
    made = Yard(tmp_path_factory.mktemp("yard"))
    made.broker.start()
    yield made
    made.broker.stop()


@pytest.fixture
def program(yard: Yard) -> Iterator[Client]:
    """Yield the account `filmcall`, which hears everything that it may hear."""
    client = yard.client("filmcall").listen("shed/#", "filmcall/#")
    yield client
    client.close()


def assert_only_the_last_is_heard(
    sender: Client, ear: Client, forbidden: list[str], allowed: str, refusal: int
) -> None:
    """Send what is forbidden, then what is allowed: a broker keeps the order of one sender."""
    for topic in forbidden:
        assert sender.send(topic, b"forged", retain=True) == refusal, topic
    assert sender.send(allowed, b"true") == 0
    assert until(lambda: (allowed, b"true", False) in ear.heard)
    assert [each for each in ear.heard if each[1] == b"forged"] == []


@pytest.mark.parametrize(("protocol", "refusal"), [(V5, 135), (V311, 0)])
def test_a_sensor_can_publish_neither_a_call_nor_for_another_sensor(
    yard: Yard, program: Client, protocol: MQTTProtocolVersion, refusal: int
) -> None:
    sensor = yard.client("air-bow", protocol=protocol)
    # MQTT 3.1.1 has no word for a refusal: the message is acknowledged and dropped (3.3.5).
    assert_only_the_last_is_heard(
        sender=sensor,
        ear=program,
        forbidden=[
            CALL,
            "filmcall/shed-pi/status",
            "filmcall/air-bow",
            "shed/plank-port",
            "shed/air-bow2",
            "shed/air",
            "shed",
            "air-bow",
            "SHED/air-bow",
        ],
        allowed="shed/air-bow",
        refusal=refusal,
    )
    assert sensor.send("shed/air-bow/temperature", b"21.5") == 0
    assert until(lambda: ("shed/air-bow/temperature", b"21.5", False) in program.heard)
    sensor.close()


def test_a_sensor_cannot_leave_a_call_behind_as_its_last_will(yard: Yard, program: Client) -> None:
    sensor = yard.client("air-bow", will=CALL)
    sensor.answer()
    # Cut without goodbye, upon which the broker sends the will.
    sensor.paho.loop_stop()
    connection = sensor.paho.socket()
    assert connection is not None
    connection.close()
    other = yard.client("air-stern", will="shed/air-stern/life")
    other.answer()
    other.paho.loop_stop()
    connection = other.paho.socket()
    assert connection is not None
    connection.close()
    # The will that is allowed comes, and the forged one, which was due before it, does not.
    assert until(lambda: ("shed/air-stern/life", b"GO", False) in program.heard)
    assert [each for each in program.heard if each[0] == CALL] == []


def test_a_sensor_hears_nothing_not_even_itself(yard: Yard, program: Client) -> None:
    sensor = yard.client("air-bow").listen("#", "shed/#", "filmcall/#", "$SYS/#")
    assert program.send(CALL, b"HOLD") == 0
    assert sensor.send("shed/air-bow", b"20") == 0
    assert until(lambda: ("shed/air-bow", b"20", False) in program.heard)
    assert sensor.heard == []
    sensor.close()


def test_a_lamp_reads_calls_and_writes_nothing(yard: Yard, program: Client) -> None:
    lamp = yard.client("lamp").listen("filmcall/#", "shed/#", "#")
    for topic in (CALL, "filmcall/shed-pi/status", "shed/lamp", "shed/air-bow", "lamp"):
        assert lamp.send(topic, b"forged", retain=True) == 135, topic
    sensor = yard.client("air-bow")
    assert sensor.send("shed/air-bow", b"20.5") == 0
    assert program.send(CALL, b"GO") == 0
    assert until(lambda: (CALL, b"GO", False) in lamp.heard)
    assert {topic for topic, _, _ in lamp.heard} == {CALL}
    assert [each for each in program.heard if each[1] == b"forged"] == []
    sensor.close()
    lamp.close()


@pytest.mark.parametrize("account", ["page", "buttons"])
def test_who_presses_tells_events_and_nothing_else(
    yard: Yard, program: Client, account: str
) -> None:
    event = "filmcall/polytunnel/event"
    hand = yard.client(account).listen(f"{event}/done", "shed/#")
    forbidden = [CALL, "filmcall/polytunnel/word", "filmcall/shed-pi/status", f"{event}/done"]
    forbidden += ["shed/air-bow", "filmcall/event", "filmcall/polytunnel/alarm"]
    forbidden += [f"{event}/relay", f"{event}/wiped/now"]
    assert_only_the_last_is_heard(hand, program, forbidden, event, 135)
    assert hand.send(f"{event}/wiped") == (0 if account == "buttons" else 135)
    assert program.send(f"{event}/done", b"answer") == 0
    assert until(lambda: (f"{event}/done", b"answer", False) in hand.heard)
    sensor = yard.client("air-bow")
    assert sensor.send(event, b"forged") == sensor.send(f"{event}/wiped", b"forged") == 135
    sensor.close()
    hand.close()


def test_the_program_cannot_pass_for_a_sensor(yard: Yard, program: Client) -> None:
    assert program.send("shed/air-bow", b"21") == 135


@pytest.mark.parametrize("tls", [True, False])
@pytest.mark.parametrize(
    ("account", "password"),
    [(None, ""), ("filmcall", "wrong"), ("filmcall", ""), ("nobody", PASSWORD), ("", PASSWORD)],
)
def test_nobody_comes_in_without_name_and_password(
    yard: Yard, tls: bool, account: str | None, password: str
) -> None:
    client = yard.client(account, password=password, tls=tls)
    assert client.answer() in (134, 135)
    client.close()


def test_the_plain_listener_is_for_this_machine_alone() -> None:
    text = (DEPLOY / "mosquitto" / "filmcall.conf").read_text()
    listeners = [line.split()[1:] for line in text.splitlines() if line.startswith("listener ")]
    assert listeners == [["1883", "127.0.0.1"], ["8883"]]


def test_the_access_list_holds_no_line_for_everybody() -> None:
    lines = (DEPLOY / "mosquitto" / "acl").read_text().splitlines()
    rules = [line.split() for line in lines if line.strip() and not line.startswith("#")]
    assert rules[0][0] == "user"
    assert {rule[0] for rule in rules} == {"user", "topic"}
    account, writers = "", []
    for rule in rules:
        if rule[0] == "user":
            account = rule[1]
        elif rule[1] in ("write", "readwrite") and rule[2].startswith(("filmcall", "#", "+")):
            writers.append((account, rule[2]))
    # What a button can say by its topic alone; the three others want a figure, a probe or a spec.
    more = (EventKind.MEASURED, EventKind.VOUCHED, EventKind.RESPEC)
    kinds = [each.value for each in EventKind if each not in more]
    assert sorted(writers) == sorted(
        [
            ("filmcall", "filmcall/#"),
            *((account, "filmcall/+/event") for account in ("page", "buttons")),
            *(("buttons", f"filmcall/+/event/{kind}") for kind in kinds),
        ]
    )


def test_a_broker_with_another_authority_is_refused(yard: Yard, tmp_path: Path) -> None:
    subprocess.run(
        [DEPLOY / "mosquitto" / "make-ca.sh", "ca", tmp_path / "other"],
        check=True,
        capture_output=True,
        timeout=60,
    )
    client = yard.client("filmcall", ca=tmp_path / "other" / "ca.crt")
    with pytest.raises(ssl.SSLCertVerificationError):
        client.answer()
    right = yard.client("filmcall")
    assert right.answer("127.0.0.1") == 0
    right.close()


def test_a_broker_under_a_name_that_its_certificate_lacks_is_refused(yard: Yard) -> None:
    # The broker listens on 127.0.0.1; a relay gives it a second name, as a thief of names would.
    relay = socket.create_server(("127.0.0.2", yard.tls_port))

    def forward() -> None:
        near, _ = relay.accept()
        with near, socket.create_connection(("127.0.0.1", yard.tls_port)) as far:
            far.sendall(near.recv(65_536))
            near.sendall(far.recv(65_536))
            near.recv(65_536)

    thread = threading.Thread(target=forward, daemon=True)
    thread.start()
    with relay, pytest.raises(ssl.SSLCertVerificationError, match=r"127\.0\.0\.2"):
        yard.client("filmcall").answer("127.0.0.2")
    thread.join(WAIT_S)


def test_plain_mqtt_gets_no_answer_at_the_tls_port(yard: Yard) -> None:
    with socket.create_connection(("127.0.0.1", yard.tls_port), 5.0) as line:
        # CONNECT of MQTT 3.1.1 (3.1), client id "x", no flags but clean session.
        line.sendall(bytes.fromhex("100d00044d5154540402003c000178"))
        line.settimeout(5.0)
        try:
            answer = line.recv(64)
        except ConnectionResetError:
            answer = b""
    assert answer[:1] != b"\x20"  # CONNACK


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion")
def test_old_tls_is_refused(yard: Yard) -> None:
    context = ssl.create_default_context(cafile=str(yard.ca))
    context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")
    with (
        socket.create_connection(("127.0.0.1", yard.tls_port), 5.0) as line,
        pytest.raises(ssl.SSLError, match="ALERT_PROTOCOL_VERSION"),  # RFC 8446, 6: alert 70
    ):
        context.wrap_socket(line, server_hostname="localhost")


def test_a_message_over_the_limit_is_not_passed_on(yard: Yard, program: Client) -> None:
    sensor = yard.client("air-bow")
    assert sensor.answer() == 0
    # QoS 0, since some versions of the broker cut the sender off, which then would send again.
    sensor.paho.publish("shed/air-bow", b"x" * 65_537, 0)
    assert until(lambda: "Dropped too large PUBLISH" in yard.broker.log())
    sensor.close()
    other = yard.client("air-bow")
    assert other.send("shed/air-bow", b"x" * 65_536) == 0

    def sizes() -> list[int]:
        return [len(payload) for topic, payload, _ in program.heard if topic == "shed/air-bow"]

    assert until(lambda: sizes() == [65_536])
    other.close()


def test_a_restarted_broker_knows_no_old_call(tmp_path: Path) -> None:
    need("mosquitto", mosquitto() is not None)
    yard = Yard(tmp_path)
    yard.broker.start()
    try:
        program = yard.client("filmcall")
        assert program.send(CALL, b"GO", retain=True) == 0
        before = yard.client("lamp").listen("filmcall/#")
        assert until(lambda: before.heard == [(CALL, b"GO", True)])
        program.close()
        before.close()
        yard.broker.restart()
        lamp = yard.client("lamp").listen("filmcall/#")
        again = yard.client("filmcall")
        assert again.send(CALL, b"HOLD") == 0
        assert until(lambda: bool(lamp.heard))
        assert lamp.heard == [(CALL, b"HOLD", False)]
        again.close()
        lamp.close()
    finally:
        yard.broker.stop()


def by_certificate(text: str) -> str:
    """Let the shipped config want certificates in place of passwords, as its README has it."""
    text = put(text, "#require_certificate true", "require_certificate true")
    return put(text, "#use_identity_as_username true", "use_identity_as_username true")


def test_certificates_in_place_of_passwords(tmp_path: Path) -> None:
    need("mosquitto", mosquitto() is not None)
    yard = Yard(tmp_path, by_certificate)
    yard.broker.start()
    try:
        program = yard.client("filmcall", tls=False).listen("shed/#", "filmcall/#")
        sensor = yard.client(None, cert="air-bow")
        assert_only_the_last_is_heard(
            sensor, program, [CALL, "shed/plank-port"], "shed/air-bow", 135
        )
        # The name in the certificate counts, whatever name the client gives beside it.
        posing = yard.client("filmcall", cert="air-bow")
        assert posing.answer() == 0
        assert posing.send(CALL, b"forged") == 135
        # Without one the line ends in the handshake, name and password or not (RFC 8446, 4.4.2.4).
        bare = yard.client("filmcall")
        assert bare.answer() == CUT_OFF
        for client in (program, sensor, posing, bare):
            client.close()
    finally:
        yard.broker.stop()


def test_a_bridge_shows_a_certificate_too(tmp_path: Path) -> None:
    need("mosquitto", mosquitto() is not None)
    yard = Yard(tmp_path, by_certificate)
    words = [DEPLOY / "mosquitto" / "make-ca.sh", "client", yard.folder, "bridge-boathouse"]
    subprocess.run(words, check=True, capture_output=True, timeout=60)
    text = (DEPLOY / "mosquitto" / "bridge.conf").read_text()
    text = put(text, "address broker.shed.example:8883", f"address localhost:{yard.tls_port}")
    text = put(text, "#bridge_certfile", "bridge_certfile")
    text = put(text, "#bridge_keyfile", "bridge_keyfile")
    text = text.replace("/etc/mosquitto/filmcall/", f"{yard.folder}/")
    yard.broker.start()
    second = RealBroker(tmp_path, config=f"allow_anonymous true\npersistence false\n{text}")
    second.start()
    far = Sensor(second.port)
    program = yard.client("filmcall", tls=False).listen("shed/#")
    try:

        def heard() -> bool:
            far.send("shed/boathouse/air", b"18.5")
            time.sleep(0.1)
            return ("shed/boathouse/air", b"18.5", False) in program.heard

        assert until(heard)
    finally:
        far.close()
        program.close()
        second.stop()
        yard.broker.stop()


def test_a_bridge_takes_readings_over_and_brings_calls_back(yard: Yard, tmp_path: Path) -> None:
    text = (DEPLOY / "mosquitto" / "bridge.conf").read_text()
    text = put(text, "address broker.shed.example:8883", f"address localhost:{yard.tls_port}")
    text = put(text, "/etc/mosquitto/filmcall/ca.crt", str(yard.ca))
    text = put(text, "remote_password CHANGE-ME", f"remote_password {PASSWORD}")
    second = RealBroker(tmp_path, config=f"allow_anonymous true\npersistence false\n{text}")
    program = yard.client("filmcall").listen("shed/#", "filmcall/#")
    second.start()
    lamp = paho.Client(CallbackAPIVersion.VERSION2, protocol=V5)
    heard: list[tuple[str, bytes, int | None]] = []
    lamp.on_message = lambda _c, _u, message: heard.append(
        (
            message.topic,
            bytes(message.payload),
            getattr(message.properties, "MessageExpiryInterval", None),
        )
    )
    try:
        lamp.connect("127.0.0.1", second.port, 30)
        lamp.loop_start()
        lamp.subscribe("filmcall/#", 1)

        def told() -> bool:
            # The bridge takes a moment to stand; what is sent before is not kept.
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = 60
            program.paho.publish(CALL, b"HOLD", 1, False, properties)
            time.sleep(0.1)
            return bool(heard)

        assert until(told)
        topic, payload, expiry_s = heard[0]
        assert (topic, payload) == (CALL, b"HOLD")
        assert expiry_s is not None
        assert 0 < expiry_s <= 60
        lamp.publish("shed/boathouse/air", b"18.5", 1)
        assert until(lambda: ("shed/boathouse/air", b"18.5", False) in program.heard)
        # From the second building no call can be made, nor a sensor of the first played.
        count = len(program.heard)
        lamp.publish(CALL, b"forged", 1)
        lamp.publish("shed/air-bow", b"forged", 1)
        lamp.publish("shed/boathouse/air", b"18.6", 1)
        assert until(lambda: ("shed/boathouse/air", b"18.6", False) in program.heard)
        assert b"forged" not in [each[1] for each in program.heard[count:]]
        # What is pressed there is heard here once, and answered there; nobody there can answer.
        pressed = ("filmcall/tent/event", b'{"id": "7", "kind": "wiped"}', False)
        done, count = "filmcall/tent/event/done", len(program.heard)
        lamp.publish(done, b"forged", 1)
        lamp.publish(*pressed[:2], 1)
        lamp.publish("shed/boathouse/air", b"18.7", 1)
        assert until(lambda: ("shed/boathouse/air", b"18.7", False) in program.heard)
        assert [each for each in program.heard[count:] if "/event" in each[0]] == [pressed]
        program.send(done, b"recorded")
        assert until(lambda: (done, b"recorded") in [each[:2] for each in heard])
    finally:
        lamp.disconnect()
        lamp.loop_stop()
        second.stop()
        program.close()


def test_the_shipped_config_hears_the_shipped_payloads_through_the_shipped_broker(
    yard: Yard, tmp_path: Path
) -> None:
    text = (DEPLOY / "filmcall.toml").read_text()
    text = put(text, "\nport = 1883", f"\nport = {yard.plain_port}")
    password = tmp_path / "mqtt-password"
    password.touch(mode=0o600)
    password.write_text(PASSWORD + "\n")
    config = load_config(text, tmp_path)
    assert config.broker is not None
    (enclosure,) = config.enclosures
    intake = Intake(config.broker.broker(config.publish.station, {}), enclosure.sources())
    intake.start()
    bow, plank = yard.client("air-bow"), yard.client("plank-port")
    try:
        assert until(lambda: intake.status().connection.connected)
        assert until(
            lambda: all(
                each.state.value == "granted" for each in intake.status().connection.subscriptions
            )
        )
        bow.send("shed/air-bow", (DEPLOY / "payloads" / "bow.json").read_bytes())
        plank.send("shed/plank-port", (DEPLOY / "payloads" / "plank-port.txt").read_bytes())
        assert until(lambda: intake.status().readings == 3)
        found = {
            (arrival.reading.point, arrival.reading.quantity): arrival.reading.value
            for arrival in intake.drain()
        }
        assert found == {
            ("air-bow", Quantity.AIR_TEMP): 18.4,
            ("air-bow", Quantity.HUMIDITY): 62.5,
            ("plank-port", Quantity.SURFACE_TEMP): 16.9,
        }
        assert intake.status().troubles == ()
    finally:
        intake.stop()
        bow.close()
        plank.close()


def test_the_broker_takes_up_a_new_account_without_a_restart(yard: Yard, program: Client) -> None:
    early = yard.client("new-sensor")
    assert early.answer() in (134, 135)
    early.close()
    with (yard.folder / "acl").open("a") as acl:
        acl.write("\nuser new-sensor\ntopic write shed/new-sensor/#\n")
    subprocess.run(
        ["mosquitto_passwd", "-b", str(yard.folder / "passwords"), "new-sensor", PASSWORD],
        check=True,
        capture_output=True,
        timeout=60,
    )
    yard.broker.reload()  # what `systemctl reload mosquitto` sends: SIGHUP
    sensor: list[Client] = []

    def accepted() -> bool:
        client = yard.client("new-sensor")
        if client.answer() == 0:
            sensor.append(client)
            return True
        client.close()
        return False

    assert until(accepted)
    assert_only_the_last_is_heard(sensor[0], program, [CALL], "shed/new-sensor", 135)
    sensor[0].close()
