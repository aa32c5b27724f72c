"""The real `filmcall watch` in a process of its own, on a broker of deploy's own files."""

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
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.system.broker import RealBroker, free_port

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy" / "mosquitto"
PASSWORD = "only-for-this-test"
ACCOUNTS = ("filmcall", "air-bow", "air-stern", "plank-port", "lamp")
ENTRY = """
try:
    from monitor.cli.app import main
except ImportError:
    from monitor.cli import main
main()
"""

FAST = """
import os, select, threading, time
_real, _told, _times = (float(each) for each in os.environ["TRIAL_CLOCK"].split())
_wall, _steady, _sleep, _wait = time.time, time.monotonic, time.sleep, threading.Condition.wait
_begin = _steady() - (_wall() - _real)
time.time = lambda: _told + (_wall() - _real) * _times
time.monotonic = lambda: 1000.0 + (_steady() - _begin) * _times
time.clock_gettime = lambda clock: time.time() if clock == time.CLOCK_REALTIME else time.monotonic()
time.sleep = lambda seconds: _sleep(seconds / _times)
_select = select.select
select.select = lambda r, w, x, seconds=None: _select(
    r, w, x, None if seconds is None else seconds / _times
)
threading._time = time.monotonic
threading.Condition.wait = lambda self, timeout=None: _wait(
    self, None if timeout is None else timeout / _times
)
"""


@dataclass(frozen=True, slots=True)
class FastClock:
    """Time that runs faster from a moment on, in the program and in the test alike.

    Attributes:
        real_s: when it began, by the machine's clock [s].
        told_s: what it said then [s].
        times: how much faster it runs.
    """

    real_s: float
    told_s: float
    times: float

    def now_s(self) -> float:
        return self.told_s + (time.time() - self.real_s) * self.times

    def sleep_until(self, told_s: float) -> None:
        time.sleep(max((told_s - self.now_s()) / self.times, 0.0))


def filmcall_by(clock: FastClock, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run one command in a process of its own whose clock is the faster one."""
    return subprocess.run(
        [sys.executable, "-c", FAST + ENTRY, *words],
        cwd=folder,
        env=environment(clock),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def environment(clock: FastClock | None) -> dict[str, str]:
    """Return the environment of a child that runs the program from this checkout."""
    found = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    if clock is not None:
        found["TRIAL_CLOCK"] = f"{clock.real_s} {clock.told_s} {clock.times}"
    return found


HEAD = """
[broker]
host = "127.0.0.1"
port = {port}
username = "filmcall"
password_file = "password"

[publish]
station = "bench"

[[enclosure]]
name = "tent"
spec = "{spec}"

[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degC"
topic = "shed/air-bow/state"
value = "t"
{more}
[[enclosure.point]]
name = "air-bow"
quantity = "humidity"
unit = "%"
topic = "shed/air-bow/state"
value = "rh"
{more}
"""
PLANK = """
[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
section = "hull"
unit = "degC"
topic = "shed/plank-port/temp"
rate_floor = "30 K"
{more}
"""


def wait_for(condition: Callable[[], object], timeout_s: float = 50.0) -> bool:
    """Wait until something holds, and return whether it did."""
    until = time.monotonic() + timeout_s
    while time.monotonic() < until:
        if condition():
            return True
        time.sleep(0.02)
    return bool(condition())


class Yard:
    """A broker of the shipped files, by accounts, without TLS, on a free loopback port."""

    def __init__(self, folder: Path, *, quiet: bool = False) -> None:
        """Start it; a quiet one writes no line for each message, as an installed one does not."""
        self.port = free_port()
        self.broker = RealBroker(folder, port=self.port)
        passwords = folder / "passwords"
        passwords.write_text("".join(f"{account}:{PASSWORD}\n" for account in ACCOUNTS))
        subprocess.run(
            ["mosquitto_passwd", "-U", str(passwords)], check=True, capture_output=True, timeout=30
        )
        acl = folder / "acl"
        acl.write_text((DEPLOY / "acl").read_text())
        text = (DEPLOY / "filmcall.conf").read_text()
        text, tls = re.subn(
            r"(?ms)^# For sensors and lamps on the network.*?(?=^# A broker)", "", text
        )
        assert tls == 1, "the shipped file has another form"
        text = text.replace("/etc/mosquitto/filmcall/", f"{folder}/")
        assert text.count("listener 1883 127.0.0.1") == 1
        text = text.replace("listener 1883 127.0.0.1", f"listener {self.port} 127.0.0.1")
        user = "user root\n" if os.geteuid() == 0 else ""
        user += "log_dest none\n" if quiet else ""
        (folder / f"mosquitto-{self.port}.conf").write_text(user + text)
        for private in (passwords, acl):
            private.chmod(0o600)
        self.broker.start()

    def sensor(self, account: str, version: str = "3.1.1") -> Sender:
        """Return a connected sender with an account of its own."""
        return Sender(self.port, account, version)

    def stop(self) -> None:
        self.broker.stop()


class Sender:
    """A sensor's own client; it publishes at QoS 0 as small boards do."""

    def __init__(self, port: int, account: str, version: str = "3.1.1") -> None:
        protocol = MQTTProtocolVersion.MQTTv5 if version == "5" else MQTTProtocolVersion.MQTTv311
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"sensor-{account}-{version}", protocol=protocol
        )
        self.client.username_pw_set(account, PASSWORD)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        assert wait_for(self.client.is_connected)

    def send(self, topic: str, payload: str | bytes, qos: int = 0) -> None:
        self.client.publish(topic, payload, qos)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Feed:
    """A sender that says the same thing again and again, until it is told something else."""

    def __init__(
        self, sender: Sender, topic: str, payload: Callable[[], str | bytes], every_s: float = 0.2
    ) -> None:
        self.sender, self.topic, self.payload, self.every_s = sender, topic, payload, every_s
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            self.sender.send(self.topic, self.payload())
            if self._ending.wait(self.every_s):
                return

    def close(self) -> None:
        self._ending.set()
        self._thread.join(5.0)


class Flood(threading.Thread):
    """Writes one-byte messages at QoS 0 as fast as the broker takes them, over a bare socket.

    Packets are those of MQTT 3.1.1 and 5.0 (OASIS), 3.1 CONNECT and 3.3 PUBLISH.
    """

    def __init__(self, port: int, account: str, topic: str, version: str, seconds: float) -> None:
        super().__init__(daemon=True)
        self.seconds, self.sent = seconds, 0
        self._ending = threading.Event()
        five = version == "5"
        fields = [f"flood-{version}", account, PASSWORD]
        body = b"\x00\x04MQTT" + (b"\x05" if five else b"\x04") + b"\xc2\x00\x1e"
        body += b"\x00" * five + b"".join(_utf8(each) for each in fields)
        publish = _utf8(topic) + b"\x00" * five + b"1"
        self._block = (bytes([0x30, len(publish)]) + publish) * 500
        self._line = socket.create_connection(("127.0.0.1", port), 5.0)
        self._line.sendall(bytes([0x10, len(body)]) + body)
        answer = self._line.recv(64)
        assert answer[:1] == b"\x20", answer
        assert answer[3] == 0, answer

    def run(self) -> None:
        until = time.monotonic() + self.seconds
        with self._line:
            while time.monotonic() < until and not self._ending.is_set() and self.sent < 3_000_000:
                try:
                    self._line.sendall(self._block)
                except OSError:
                    return
                self.sent += 500

    def close(self) -> None:
        self._ending.set()
        if self.ident is not None:
            self.join(10.0)


def _utf8(text: str) -> bytes:
    return len(text).to_bytes(2, "big") + text.encode()


class SlowLine:
    """A line to the broker whose way down can be held: what the program says still goes up."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._open = threading.Event()
        self._open.set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def hold(self) -> None:
        self._open.clear()

    def release(self) -> None:
        self._open.set()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._port), 5.0)
            for one, other, gated in ((near, far, False), (far, near, True)):
                one.settimeout(None)
                threading.Thread(target=self._carry, args=(one, other, gated), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket, gated: bool) -> None:
        while True:
            try:
                block = one.recv(65_536)
                if gated:
                    self._open.wait()
                if not block:
                    other.shutdown(socket.SHUT_WR)
                    return
                other.sendall(block)
            except OSError:
                return

    def close(self) -> None:
        self._open.set()
        self._listener.close()


@dataclass(frozen=True, slots=True)
class Told:
    """One message that a lamp heard."""

    at_s: float
    topic: str
    payload: bytes

    def json(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.payload or b"{}")
        return found


class Lamp:
    """Hears everything below filmcall/, as the account `lamp`."""

    def __init__(self, port: int) -> None:
        self.heard: list[Told] = []
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="lamp", protocol=MQTTProtocolVersion.MQTTv5
        )
        self.client.username_pw_set("lamp", PASSWORD)
        self.client.on_message = self._hear
        self.client.on_connect = lambda client, *_: client.subscribe("filmcall/#", 1)
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self.heard.append(Told(time.monotonic(), message.topic, bytes(message.payload)))

    def calls(self, since_s: float = 0.0) -> list[Told]:
        """Return the calls told since a time of the monotonic clock."""
        return [
            each
            for each in tuple(self.heard)
            if each.topic == "filmcall/tent/call" and each.payload and each.at_s >= since_s
        ]

    def words(self, since_s: float = 0.0) -> list[str]:
        """Return the calls' words."""
        return [str(each.json()["call"]) for each in self.calls(since_s)]

    def word(self) -> str | None:
        """Return the newest call's word."""
        found = self.words()
        return found[-1] if found else None

    def last(self) -> dict[str, Any]:
        """Return the newest call."""
        found = self.calls()
        return found[-1].json() if found else {}

    def topics(self, ending: str, since_s: float = 0.0) -> list[Told]:
        return [e for e in tuple(self.heard) if e.topic.endswith(ending) and e.at_s >= since_s]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Watched:
    """`filmcall watch --plain` as a child process."""

    def __init__(self, folder: Path, config: str, db: Path, clock: FastClock | None = None) -> None:
        self.folder, self.db = folder, db
        (folder / "password").write_text(PASSWORD + "\n")
        (folder / "password").chmod(0o600)
        file = folder / "watch.toml"
        file.write_text(config)
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-c", (FAST if clock else "") + ENTRY),
                *("watch", "--config", str(file), "--plain", "--db", str(db)),
            ],
            cwd=folder,
            env=environment(clock),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        self.lines.extend(iter(self.process.stdout.readline, ""))

    @property
    def said(self) -> str:
        return "".join(tuple(self.lines))

    def alive(self) -> bool:
        return self.process.poll() is None

    def end(self, number: signal.Signals = signal.SIGKILL) -> None:
        """End it; by default as a power cut would."""
        if self.alive():
            self.process.send_signal(number)
        self.process.wait(60.0)
        self._reader.join(60.0)

    close = end


class Bench:
    """A broker, a lamp, one tent's sensors as feeds, and the program over them."""

    def __init__(self, folder: Path, *, max_age: str = "3 s", quiet: bool = False) -> None:
        self.folder = folder
        self.max_age = max_age
        self.hull_c = 19.0
        self.air = '{"t":20.0,"rh":50.0}'
        self.db = folder / "log.db"
        self._closing: list[Any] = []
        self.yard = Yard(folder, quiet=quiet)
        self.lamp = self.closing(Lamp(self.yard.port))
        self.program: Watched | None = None

    def closing(self, thing: Any) -> Any:
        """Have something closed at the end, and return it."""
        self._closing.append(thing)
        return thing

    def feeds(self, version: str = "3.1.1") -> None:
        """Start the tent's sensors."""
        bow = self.closing(self.yard.sensor("air-bow", version))
        plank = self.closing(self.yard.sensor("plank-port", version))
        self.bow = self.closing(Feed(bow, "shed/air-bow/state", lambda: self.air))
        self.plank = self.closing(Feed(plank, "shed/plank-port/temp", lambda: str(self.hull_c)))

    def watch(self, spec: str, more: str = "", port: int = 0) -> Watched:
        """Start the program with this spec as the enclosure's."""
        config = (HEAD + PLANK + more).format(
            port=port or self.yard.port, spec=spec, more=f'max_age = "{self.max_age}"'
        )
        return self.watch_text(config)

    def watch_text(self, config: str, clock: FastClock | None = None) -> Watched:
        """Start the program with this config, by the machine's clock or a faster one."""
        self.program = Watched(self.folder, config, self.db, clock)
        self.closing(self.program)
        return self.program

    def close(self) -> None:
        for thing in reversed(self._closing):
            thing.close()
        self.yard.stop()
