"""The real program as a child process on a real broker: what listeners see when things go wrong.

What is expected is the contract for listeners (DEVELOPERS.md): nothing for 60 s, or a
status that is not online, is no call. The spec is the shipped topcoat with a dwell of 1 s; values
count for 3 s, and 20 degC at 50 % has a dew point of 9.3 degC (ASHRAE Fundamentals).
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.live import publish
from monitor.live.publish import Publisher
from monitor.live.restart import LINK_LOST_S
from monitor.live.witness import WAIT_S
from monitor.log.log import Store
from monitor.specs import spec_text
from sensors.mqtt.broker import Broker
from sensors.mqtt.intake import Intake
from tests.system.broker import RealBroker, Sensor
from tests.system.conftest import MakeBroker, need
from tests.system.proxy import DarkProxy

ROOT = Path(__file__).resolve().parents[2]
DRY_C, WET_C = 19.0, 8.0
EVERY_S = 0.2
PATIENCE_S = 60.0
TRIES = 5  # of what has to be quick: a busy machine may delay one, a slow program delays all
MARK = "filmcall/mark"
LONG = pytest.mark.skipif(
    not os.environ.get("FILMCALL_LONG"), reason="takes over a minute; FILMCALL_LONG=1 runs it"
)

HEAD = """
[broker]
host = "127.0.0.1"
port = {port}
{broker}
[publish]
station = "{station}"
"""
ROOM = """
[[enclosure]]
name = "{name}"
spec = "quick.toml"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "degC"
topic = "{name}/air"
value = "t"
time = "at"
max_age = "3 s"
[[enclosure.point]]
name = "air"
quantity = "humidity"
unit = "%"
topic = "{name}/air"
value = "rh"
time = "at"
max_age = "3 s"
[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
unit = "degC"
topic = "{name}/plank"
max_age = "3 s"
rate_floor = "30 K"
"""


def wait_for(condition: Callable[[], object], timeout_s: float = PATIENCE_S) -> None:
    until = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < until, "did not come about in time"
        time.sleep(0.02)


class Program:
    """`filmcall watch` in a process of its own."""

    def __init__(
        self,
        folder: Path,
        port: int,
        *rooms: str,
        broker: str = "",
        log: str = "log.db",
        station: str = "bench",
    ) -> None:
        (folder / "quick.toml").write_text(
            spec_text("polyurethane-topcoat")[1] + '\n[call]\ndwell = "1 s"\nre_entry = "2 s"\n'
        )
        config = folder / f"{log}.toml"
        text = HEAD.format(port=port, broker=broker, station=station)
        config.write_text(text + "".join(ROOM.format(name=name) for name in rooms or ("tent",)))
        self.db = folder / log
        self.heard: list[str] = []
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-c", "from monitor.cli.app import main; main()"),
                *("watch", "--config", str(config), "--plain", "--db", str(self.db)),
            ],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.heard.append(line)

    @property
    def said(self) -> str:
        return "".join(self.heard)

    def calls(self) -> list[str]:
        """Each call that it has told, repeated ones once."""
        told: list[str] = []
        for word in re.findall(r"^\S+Z  (GO|HOLD|STOP)", self.said, re.MULTILINE):
            if not told or told[-1] != word:
                told.append(word)
        return told

    def end(self, number: signal.Signals = signal.SIGKILL) -> int:
        if self.process.poll() is None:
            self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return code


@dataclass(frozen=True, slots=True)
class Message:
    at_s: float
    topic: str
    payload: bytes
    retained: bool
    expiry_s: int | None


class Listener:
    """A lamp, a sounder or a screen: hears everything under filmcall/."""

    def __init__(self, port: int) -> None:
        self.heard: list[Message] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = self._hear
        self.client.on_connect = lambda client, *_: client.subscribe("filmcall/#", 1)
        self._subscribed, self._marked = threading.Event(), threading.Event()
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()

    def settle(self) -> None:
        """Wait until all that the broker keeps is heard: what is said after it is."""
        assert self._subscribed.wait(PATIENCE_S)
        self._marked.clear()
        self.client.publish(MARK, b"", 1)
        assert self._marked.wait(PATIENCE_S)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic == MARK:
            self._marked.set()
            return
        expiry_s = getattr(message.properties, "MessageExpiryInterval", None)
        self.heard.append(
            Message(
                time.monotonic(), message.topic, message.payload, bool(message.retain), expiry_s
            )
        )

    def last(self, topic: str) -> bytes | None:
        said = [each.payload for each in tuple(self.heard) if each.topic == f"filmcall/{topic}"]
        return said[-1] if said else None

    def call(self, room: str = "tent") -> dict[str, Any]:
        return json.loads(self.last(f"{room}/call") or b"{}")  # type: ignore[no-any-return]

    def words(self, room: str = "tent") -> list[bytes]:
        return [each.payload for each in tuple(self.heard) if each.topic == f"filmcall/{room}/word"]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Feed:
    """The sensors of a room, five times a second, for as long as there is a broker."""

    def __init__(self, port: int, *rooms: str) -> None:
        self.rooms = dict.fromkeys(rooms or ("tent",), DRY_C)
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ending.wait(EVERY_S):
            for room in self.rooms:
                self.say(room)

    def say(self, room: str) -> None:
        # At QoS 0 nothing waits in the client, to be sent stale when the broker is back.
        if self.client.is_connected():
            air = json.dumps({"t": 20.0, "rh": 50.0, "at": time.time()})
            self.client.publish(f"{room}/air", air, 0)
            self.client.publish(f"{room}/plank", str(self.rooms[room]), 0)

    def close(self) -> None:
        self._ending.set()
        self._thread.join(5.0)
        self.client.disconnect()
        self.client.loop_stop()


class Cable:
    """A line between program and broker that can be cut."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._ends: list[socket.socket] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
                far = socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                return
            self._ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(one, other), daemon=True).start()

    @staticmethod
    def _pump(one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65_536):
                other.sendall(data)
        except OSError:
            pass
        for end in (one, other):
            end.close()

    def cut(self) -> None:
        ends, self._ends = self._ends, []
        for end in ends:
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                end.close()

    def close(self) -> None:
        self._server.close()
        self.cut()


@pytest.fixture
def closing() -> Iterator[Callable[[Any], Any]]:
    """Yield what takes note of a thing that has to end with the test."""
    made: list[Any] = []

    def note(thing: Any) -> Any:
        made.append(thing)
        return thing

    yield note
    for thing in reversed(made):
        thing.end() if isinstance(thing, Program) else thing.close()


Note = Callable[[Any], Any]


def logged(db: Path, room: str = "tent") -> list[str]:
    with Store.open(db, now_s=time.time, read_only=True) as store:
        assert store.verify() == []
        return [row.call for row in store.calls(room)]


def test_go_and_stop_reach_listeners_within_a_second_and_a_clean_end_clears_them(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    listener = closing(Listener(broker.port))
    feed = closing(Feed(broker.port, "tent", "booth"))
    program = closing(Program(tmp_path, broker.port, "tent", "booth"))
    wait_for(lambda: listener.last("tent/word") == b"GO" and listener.last("booth/word") == b"GO")
    assert listener.last("bench/status") == b"online"

    def took_s() -> float:
        feed.rooms["booth"] = DRY_C
        wait_for(lambda: listener.last("booth/word") == b"GO")
        feed.rooms["booth"] = WET_C
        began_s = time.monotonic()
        feed.say("booth")
        wait_for(lambda: listener.last("booth/word") == b"STOP")
        return time.monotonic() - began_s

    assert any(took_s() < 1.0 for _ in range(TRIES))
    assert listener.last("tent/word") == b"GO", "one room is nothing to another"

    newcomer = closing(Listener(broker.port))
    newcomer.settle()
    firsts = {each.topic: each for each in reversed(newcomer.heard)}
    assert all(firsts[f"filmcall/{room}/call"].retained for room in ("tent", "booth"))
    call = newcomer.call("booth")
    assert (call["call"], call["station"]) == ("STOP", "bench")
    assert call["reasons"][0]["limit"] == "dew_margin_min"
    ends_s = datetime.fromisoformat(call["valid_until"].replace("Z", "+00:00")).timestamp()
    assert 0.0 < ends_s - time.time() <= 60.0

    assert program.end(signal.SIGTERM) == 0
    wait_for(lambda: listener.last("bench/status") == b"offline")
    assert (listener.last("tent/call"), listener.last("booth/call")) == (b"", b"")
    after = closing(Listener(broker.port))
    after.settle()
    assert after.last("bench/status") == b"offline"
    # The seal stays with the broker for ever, once a program has lived for some seconds.
    kept = {"filmcall/bench/status", "filmcall/bench/seal"}
    assert {each.topic for each in after.heard} <= kept
    assert logged(program.db) == ["HOLD", "GO"]
    assert logged(program.db, "booth")[:3] == ["HOLD", "GO", "STOP"]
    assert "Traceback" not in program.said


def test_the_broker_keeps_the_seal_and_a_log_in_place_of_another_is_said(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    closing(Feed(broker.port, "tent"))
    program = closing(Program(tmp_path, broker.port, "tent"))
    wait_for(lambda: "GO" in program.calls())
    # It waits for what the broker keeps before it hands out its own.
    time.sleep(WAIT_S + 1.5)
    assert program.end(signal.SIGTERM) == 0
    newcomer = closing(Listener(broker.port))
    wait_for(lambda: newcomer.last("bench/seal"))
    (seal,) = [each for each in newcomer.heard if each.topic.endswith("/seal")]
    assert (seal.retained, seal.expiry_s) == (True, None)
    told = json.loads(seal.payload)
    with Store.open(program.db, now_s=time.time, read_only=True) as store:
        held = store.sealed_as(told["seal"])
        assert held is not None
        assert (told["log"], told["count"]) == (store.log_uuid, held.count)

    other = closing(Program(tmp_path, broker.port, "tent", log="other.db"))
    wait_for(lambda: "GO" in other.calls() and "he broker's seal is of another log" in other.said)
    assert other.end(signal.SIGTERM) == 0
    with Store.open(other.db, now_s=time.time, read_only=True) as store:
        assert [each.what for each in store.outages()].count("record-lost") == 1
    assert "Traceback" not in program.said + other.said


@pytest.mark.parametrize(
    ("topic", "payload", "said"),
    [
        ("tent/air", '{{"t": null, "rh": 50, "at": {now}}}', "air temperature of air is missing"),
        ("tent/air", '{{"t": 20, "rh": nan, "at": {now}}}', "humidity of air is missing"),
        ("tent/plank", "NaN", "surface temperature of plank is missing"),
    ],
)
def test_a_value_that_a_sensor_does_not_know_is_hold_and_no_word_within_a_second(
    broker: RealBroker, closing: Note, tmp_path: Path, topic: str, payload: str, said: str
) -> None:
    listener = closing(Listener(broker.port))
    program = closing(Program(tmp_path, broker.port))
    sensor = closing(Sensor(broker.port))

    def took_s() -> float:
        feed = Feed(broker.port)
        try:
            wait_for(lambda: listener.last("tent/word") == b"GO")
        finally:
            feed.close()
        began_s = time.monotonic()
        sensor.send(topic, payload.format(now=time.time()))
        wait_for(lambda: listener.last("tent/word") == b"NONE")
        return time.monotonic() - began_s

    # What was said before counts for 3 s, so a HOLD within 1 s is not that it ran out.
    tries = next((number for number in range(1, 1 + TRIES) if took_s() < 1.0), 0)
    assert tries
    assert said in listener.call()["reasons"][0]["text"]
    assert logged(program.db) == ["HOLD", *["GO", "HOLD"] * tries]
    wait_for(lambda: f"topic {topic}: " in program.said)
    assert "Traceback" not in program.said


def test_nobody_can_take_a_killed_programs_go_for_a_live_one(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    listener = closing(Listener(broker.port))
    closing(Feed(broker.port))
    program = closing(Program(tmp_path, broker.port))
    wait_for(lambda: listener.last("tent/word") == b"GO")
    program.end(signal.SIGKILL)
    wait_for(lambda: listener.last("bench/status") == b"offline")
    died_s = time.time()
    newcomer = closing(Listener(broker.port))
    newcomer.settle()
    assert newcomer.last("bench/status") == b"offline"
    assert newcomer.words() == [], "no lamp that starts up hears the word"
    (kept,) = [each for each in newcomer.heard if each.topic == "filmcall/tent/call"]
    ends_s = datetime.fromisoformat(
        newcomer.call()["valid_until"].replace("Z", "+00:00")
    ).timestamp()
    assert ends_s <= died_s + 60.0
    assert kept.expiry_s is not None
    assert kept.expiry_s <= 60, "the broker itself forgets it"

    again = closing(Program(tmp_path, broker.port))
    wait_for(lambda: again.calls())
    assert again.calls()[0] == "HOLD", "never GO without a dwell of its own"
    assert logged(program.db)[:2] == ["HOLD", "GO"]


def test_the_broker_forgets_the_call_of_a_program_that_fell_silent(
    broker: RealBroker, closing: Note, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publish, "VALID_S", 1.0)
    intake = Intake(Broker(port=broker.port, client_id="brief"), ())
    publisher = Publisher(intake, base="filmcall", station="brief")
    intake.start()
    try:
        wait_for(lambda: intake.connection.status().connected)
        line = intake.connection._client.socket()
        assert isinstance(line, socket.socket)
        assert line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY), "a word waits for nothing"
        # It listens before the word is said: a connection may take longer than a word lasts.
        first = closing(Listener(broker.port))
        publisher.tick(time.time())
        wait_for(lambda: first.last("brief/status") == b"online")
        publisher.tell("tent", {"call": "GO"}, time.time())
        publisher.tick(time.time())
        wait_for(lambda: first.call())
        time.sleep(2.5)
        second = closing(Listener(broker.port))
        second.settle()
        assert second.last("brief/status") == b"online"
        assert second.call() == {}
    finally:
        intake.stop()


@pytest.mark.parametrize("away_s", [1.0, pytest.param(65.0, marks=LONG)])
def test_a_broker_that_dies_for_a_while_is_no_go_and_all_comes_back_by_itself(
    broker: RealBroker, closing: Note, tmp_path: Path, away_s: float
) -> None:
    listener = closing(Listener(broker.port))
    closing(Feed(broker.port))
    program = closing(Program(tmp_path, broker.port))
    wait_for(lambda: program.calls() == ["HOLD", "GO"])
    # A restart takes less time than a value lasts: the call may stay, and is told anew.
    heard = len(listener.heard)
    broker.restart()
    everything = {"filmcall/tent/call", "filmcall/tent/word", "filmcall/bench/status"}
    wait_for(lambda: {e.topic for e in listener.heard[heard:]} >= everything)
    wait_for(lambda: program.calls()[-1] == "GO")
    broker.kill()
    wait_for(lambda: program.calls()[-1] == "HOLD")
    before = program.calls()
    wait_for(lambda: "connection lost" in program.said)
    time.sleep(away_s)
    assert program.calls() == before
    heard = len(listener.heard)
    broker.start()
    # However long it was away, 5 s, beside 10 for a busy machine; the broker keeps no status.
    wait_for(lambda: b"online" in [e.payload for e in listener.heard[heard:]], 15.0)
    wait_for(lambda: b"GO" in [e.payload for e in listener.heard[heard:]])
    # A listener may hear of it before the line is printed.
    wait_for(lambda: program.calls() == [*before, "GO"])
    assert listener.last("bench/status") == b"online"
    assert listener.call()["call"] == "GO"
    assert "Traceback" not in program.said


def test_a_link_that_is_lost_when_the_program_ends_is_in_its_log(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    closing(Feed(broker.port))
    program = closing(Program(tmp_path, broker.port))
    wait_for(lambda: program.calls() == ["HOLD", "GO"])
    broker.kill()
    wait_for(lambda: "connection lost" in program.said)
    time.sleep(LINK_LOST_S + 2.0)
    assert program.end(signal.SIGTERM) == 0
    with Store.open(program.db, now_s=time.time, read_only=True) as store:
        (outage,) = store.outages()
    assert re.fullmatch(r"no link to the broker for .*, until the program ended", outage.text)


def test_a_cut_line_is_told_by_the_will_and_mended_by_itself(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    cable = closing(Cable(broker.port))
    listener = closing(Listener(broker.port))
    closing(Feed(broker.port))
    program = closing(Program(tmp_path, cable.port))
    wait_for(lambda: listener.last("tent/word") == b"GO")
    cut_s = time.monotonic()
    cable.cut()

    def told(topic: str) -> list[bytes]:
        heard = tuple(listener.heard)
        return [m.payload for m in heard if m.at_s > cut_s and m.topic == f"filmcall/{topic}"]

    wait_for(lambda: told("bench/status")[:1] == [b"offline"])
    wait_for(lambda: told("bench/status")[-1] == b"online")
    wait_for(lambda: told("tent/call"))
    wait_for(lambda: "connection lost" in program.said)


def test_a_line_that_goes_dark_is_told_by_the_will_within_half_a_minute(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    # A radio out of reach closes nothing: only silence tells the broker.
    line = closing(DarkProxy(broker.port))
    listener = closing(Listener(broker.port))
    closing(Feed(broker.port))
    program = closing(Program(tmp_path, line.port))
    wait_for(lambda: listener.last("tent/word") == b"GO")
    line.dark()
    wait_for(lambda: listener.last("bench/status") == b"offline", 30.0)
    line.light()
    wait_for(lambda: listener.last("bench/status") == b"online")
    wait_for(lambda: "connection lost" in program.said)


def test_a_wrong_password_is_one_sentence_that_hides_it_and_trying_goes_on(
    make_broker: MakeBroker, closing: Note, tmp_path: Path
) -> None:
    need("mosquitto_passwd", Path("/usr/bin/mosquitto_passwd").is_file())
    accounts, secret = tmp_path / "accounts", "not-for-any-eye"

    def account(password: str, *new: str) -> None:
        subprocess.run(
            ["mosquitto_passwd", "-b", *new, str(accounts), "watcher", password], check=True
        )

    account("another-one", "-c")
    broker = make_broker(f"allow_anonymous false\npassword_file {accounts}")
    (tmp_path / "password").write_text(f"{secret}\n")
    program = closing(
        Program(tmp_path, broker.port, broker='username = "watcher"\npassword_file = "password"\n')
    )
    wait_for(lambda: broker.log().count("not authorised") >= 2)
    wait_for(lambda: "[broker] username" in program.said)
    (sentence,) = {line for line in program.heard if "[broker] username" in line}
    assert "refuses th" in sentence
    account(secret)
    broker.reload()
    wait_for(lambda: re.search(r"as filmcall-bench .*u'watcher'", broker.log()))
    sensor = closing(Sensor(broker.port, username="watcher", password=secret))

    def goes_by_readings() -> bool:
        sensor.send("tent/air", json.dumps({"t": 20.0, "rh": 50.0, "at": time.time()}))
        sensor.send("tent/plank", str(DRY_C))
        time.sleep(EVERY_S)
        return program.calls() == ["HOLD", "GO"]

    wait_for(goes_by_readings)
    assert secret not in program.said
    assert "Traceback" not in program.said


def test_week_old_retained_values_give_no_go_until_sensors_speak(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    sensor = closing(Sensor(broker.port))
    week_ago_s = time.time() - 7 * 86_400.0
    air = json.dumps({"t": 20.0, "rh": 50.0, "at": week_ago_s})
    sensor.send("tent/air", air, retain=True)
    sensor.send("tent/plank", str(DRY_C), retain=True)
    program = closing(Program(tmp_path, broker.port))
    wait_for(program.calls)
    time.sleep(3.0)
    assert program.calls() == ["HOLD"]
    closing(Feed(broker.port))
    wait_for(lambda: program.calls() == ["HOLD", "GO"])


def test_two_programs_on_one_log_are_refused_and_told_who_has_it(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    first = closing(Program(tmp_path, broker.port))
    wait_for(lambda: first.calls())
    second = closing(Program(tmp_path, broker.port))
    assert second.process.wait(PATIENCE_S) == 2
    wait_for(lambda: second.said.endswith("\n"))
    assert f"process {first.process.pid} on {socket.gethostname()} since " in second.said
    assert second.said.count("\n") == 1
    assert "nothing was started" in second.said
    assert first.process.poll() is None


def test_two_programs_on_one_client_id_say_so_and_one_alone_recovers(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    closing(Feed(broker.port))
    programs = [closing(Program(tmp_path, broker.port, log=log)) for log in ("a.db", "b.db")]
    # This broker does not always say why it ends a session; then it is only probable.
    told = r"client id 'filmcall-bench' is (probably )?used by another program too"
    wait_for(lambda: any(re.search(told, program.said) for program in programs))
    programs[0].end(signal.SIGTERM)
    survivor = programs[1]
    wait_for(lambda: survivor.calls()[-1:] == ["GO"])
    assert "Traceback" not in survivor.said + programs[0].said
