"""The soak once more with a real broker between: sensors, program and lamp are its clients.

The clocks stay simulated, so a step lasts as long as its messages need. The broker is stopped and
started by its own process id, keeps the sensors' retained values on disk, and hands them out again;
a kill breaks the program's line without a goodbye, so that its last will is published. What counts
is the word that a listener has, not what the program thinks.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from soak import Soak

from monitor.live.loop import Watch
from monitor.live.publish import NO_WORD, Publisher
from monitor.log.log import Store
from rules.call import Call
from sensors.mqtt.broker import Broker
from sensors.mqtt.connection import Backoff
from sensors.mqtt.intake import Intake
from sensors.reading import Reading
from tests.system.broker import RealBroker

# A message that takes longer on one machine is lost. Our own choice [s].
ARRIVES_S = 60.0
BASE, STATION = "filmcall", "soak"
PERSISTENT = (
    "allow_anonymous true\npersistence true\npersistence_location {folder}/\nset_tcp_nodelay true"
)


@dataclass(slots=True)
class Messages:
    """What came of the messages.

    Attributes:
        sent: readings that sensors published while the broker stood.
        lost: of these, not taken in by the program.
        words: calls that a listener was to have.
        untold: of these, not heard.
        wills: kills after which `offline` was to be heard.
        unwilled: of these, not heard.
        restarts: of the broker.
    """

    sent: int = 0
    lost: int = 0
    words: int = 0
    untold: int = 0
    wills: int = 0
    unwilled: int = 0
    restarts: int = 0

    def add(self, other: Messages) -> None:
        """Add another soak's counts."""
        for each in fields(self):
            setattr(self, each.name, getattr(self, each.name) + getattr(other, each.name))


def until(found: Callable[[], bool]) -> bool:
    """Wait until something holds; return whether it did in time."""
    end_s = time.monotonic() + ARRIVES_S
    while not found():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.002)
    return True


def _at_once(_client: paho.Client, _userdata: object, sock: object) -> None:
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class Client:
    """A plain client: publishes, and keeps the last live message of each topic that it hears."""

    def __init__(self, port: int, *topics: str) -> None:
        """Connect and subscribe; returns when the broker has agreed."""
        self.heard: dict[str, bytes] = {}
        self._agreed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_socket_open = _at_once
        self._client.on_message = self._hear
        self._client.on_subscribe = lambda *_told: self._agreed.set()
        self._client.connect("127.0.0.1", port, 60)
        self._client.loop_start()
        if topics:
            self._client.subscribe([(topic, 1) for topic in topics])
            if not self._agreed.wait(ARRIVES_S):
                raise RuntimeError("the broker does not answer a subscription")

    def _hear(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        if not message.retain:  # rule 2 of the lamp's contract in deploy/README.md
            self.heard[message.topic] = bytes(message.payload)

    def send(self, topic: str, value: float) -> None:
        """Publish a number as careless firmware does: with the retain flag."""
        self._client.publish(topic, repr(value), 0, True)

    def close(self) -> None:
        """End."""
        self._client.disconnect()
        self._client.loop_stop()


class BrokerSoak(Soak):
    """One seed's run through a broker.

    Attributes:
        messages: what came of them.
    """

    def __init__(self, seed: int, days: float, folder: Path) -> None:
        """Start broker, sensors, listener and program."""
        self.messages = Messages()
        self.broker = RealBroker(folder, config=PERSISTENT.format(folder=folder))
        self.broker.start()
        self._meet()
        super().__init__(seed, days, folder)

    def _meet(self) -> None:
        self.sensor = Client(self.broker.port)
        self.lamp = Client(self.broker.port, f"{BASE}/+/word", f"{BASE}/+/status")

    def _start(self) -> tuple[Watch, Store]:
        self.intake = Intake(
            Broker(port=self.broker.port, client_id=f"{BASE}-{STATION}"),
            self.config.enclosures[0].sources(),
            wall=self.clocks.wall,
            monotonic=self.clocks.monotonic,
            backoff=Backoff(first_s=0.02, factor=1.0, cap_s=0.02, jitter=0.0),
        )
        self.source = self.intake
        self.publisher = Publisher(self.intake, base=BASE, station=STATION)
        started = super()._start()
        self.intake.start()
        if not self._is_out("broker", self.clocks.true_s):
            self._wait_for_line()
        return started

    def _wait_for_line(self) -> None:
        def whole() -> bool:
            status = self.intake.status().connection
            asked = status.subscriptions
            return status.connected and all(each.state.value == "granted" for each in asked)

        if not until(whole):
            raise RuntimeError(f"no line to the broker: {self.intake.status().connection}")

    def _arrive(self, readings: list[Reading]) -> None:
        for each in readings:
            if each.value is not None:
                self.sensor.send(f"soak/{each.point}/{each.quantity.value}", each.value)
        now_s = self.clocks.monotonic()
        awaited = {
            (each.point, each.quantity): each.value for each in readings if each.value is not None
        }

        def taken() -> int:
            return sum(
                awaited.get((heard.source.point, heard.source.quantity)) == heard.last.reading.value
                for heard in self.intake.status().heard
                if heard.last is not None and heard.last.monotonic_s == now_s
            )

        until(lambda: taken() == len(awaited))
        self.messages.sent += len(awaited)
        self.messages.lost += len(awaited) - taken()

    def _seen(self, enclosure: str) -> Call:
        if self._is_out("broker", self.clocks.true_s):
            return Call.HOLD  # no word for 60 s is no call: a lamp shows none
        call = super()._seen(enclosure)
        topic = f"{BASE}/{enclosure}/word"
        self.messages.words += 1
        # Blind, a program takes its word back, but for a STOP: a lamp then shows no call.
        right = {call.value, call.value if call is Call.STOP else NO_WORD}

        def word() -> str:
            return self.lamp.heard.get(topic, b"").decode()

        if not until(lambda: word() in right):
            self.messages.untold += 1
        heard = word() or NO_WORD
        return Call.HOLD if heard == NO_WORD else Call(heard)

    def _broker(self, *, away: bool) -> None:
        if away:
            self.broker.stop()
            self.sensor.close()
            self.lamp.close()
            return
        self.messages.restarts += 1
        self.broker.start()
        self._meet()
        self._wait_for_line()

    def _kill(self) -> None:
        super()._kill()
        connection = self.intake.connection
        connection._stopping.set()
        line = connection._client.socket()
        if line is not None:
            line.shutdown(socket.SHUT_RDWR)
        connection.stop()
        if self._is_out("broker", self.clocks.true_s):
            return
        topic = f"{BASE}/{STATION}/status"
        self.messages.wills += 1
        self.messages.unwilled += not until(lambda: self.lamp.heard.get(topic) == b"offline")

    def _close(self, enclosure: str) -> None:
        super()._close(enclosure)
        self.intake.stop()
        self.end()

    def end(self) -> None:
        """End broker and clients; may be called twice."""
        self.sensor.close()
        self.lamp.close()
        self.broker.stop()
