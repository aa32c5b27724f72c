"""Hears the broker for page and yard: keeps the yard, and sends what somebody presses."""

from __future__ import annotations

import json
import os
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from dataclasses import replace

import paho.mqtt.client as paho

from monitor.clock import boot_time_s
from monitor.config.model import BrokerConfig
from monitor.contract import HEARTBEAT
from monitor.listen.message import Done
from monitor.listen.yard import Faults, Key, Moment, News, Row, Yard
from rules.errors import FilmcallError
from sensors.mqtt.broker import Broker, BrokerFault
from sensors.mqtt.connection import Backoff, Connection

KEEPALIVE_S = 3
"""A dark network is noticed within two of these [s]."""
BACKOFF = Backoff(first_s=0.5, cap_s=5.0)
_MOST_WAITING = 64  # presses that wait for their answer at one time

Pressed = dict[str, str | int | float]


def listener_broker(config: BrokerConfig, station: str, environment: Mapping[str, str]) -> Broker:
    """Return how a listener reaches the broker: under a name that no other program has.

    Args:
        config: of the broker.
        station: or what else the name begins with.
        environment: the process's, see `BrokerConfig.broker`.

    Raises:
        FilmcallError: settings that cannot work.
    """
    named = replace(config, client_id=f"filmcall-{station}-{os.getpid()}-{secrets.token_hex(4)}")
    try:
        return replace(named.broker(station, environment), keepalive_s=KEEPALIVE_S)
    except BrokerFault as fault:
        raise FilmcallError(str(fault)) from fault


class Listener:
    """The link and the yard behind one lock; safe from any thread.

    Attributes:
        on_change: called in the network's thread after each message and each turn of the link.
    """

    def __init__(
        self,
        broker: Broker,
        base: str,
        expected: Iterable[Key] = (),
        *,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = boot_time_s,
    ) -> None:
        """Prepare; nothing is sent before `start`.

        Raises:
            FilmcallError: a certificate file cannot be used.
        """
        self.on_change: list[Callable[[], None]] = []
        self._wall, self._steady = wall, steady
        self._lock = threading.Lock()
        self._yard = Yard(base, expected)
        self._waiting: dict[str, Future[Done]] = {}
        try:
            self._line = Connection(broker, self._yard.filters, self._heard, backoff=BACKOFF)
        except BrokerFault as fault:
            raise FilmcallError(str(fault)) from fault
        self._line.on_connected.append(self._linked)
        self._line.on_lost.append(self._lost)

    def start(self) -> None:
        """Begin to listen; returns at once."""
        self._line.start()

    def stop(self) -> None:
        """End."""
        self._line.stop(1.0)

    def now(self) -> Moment:
        """Return this moment."""
        return Moment(self._wall(), self._steady())

    # --- what is known

    @property
    def up(self) -> bool:
        """Whether the link to the broker lives."""
        return self._yard.up

    def link_text(self) -> str:
        """Return in one sentence what is wrong with the link, or ""."""
        if self.up:
            return ""
        said = self._line.status().last_error or ""
        return said.partition(";")[0]  # what follows is about readings

    def rows(self) -> list[Row]:
        """Return every enclosure, worst first."""
        with self._lock:
            return self._yard.rows(self.now())

    def news(self, *, whole: bool = False) -> News:
        """Return what may stand otherwise than when this was last asked; for one reader.

        Args:
            whole: return every enclosure, since time has gone by too.
        """
        with self._lock:
            return self._yard.news(self.now(), whole=whole)

    def row(self, key: Key) -> Row:
        """Return one enclosure."""
        with self._lock:
            return self._yard.row(key, self.now())

    def keys(self) -> list[Key]:
        """Return every enclosure that is known or expected."""
        with self._lock:
            return self._yard.keys()

    def faults(self) -> Faults:
        """Return what could not be used."""
        with self._lock:
            return Faults(self._yard.faults.count, list(self._yard.faults.newest))

    # --- what somebody presses

    def press(self, enclosure: str, event: Pressed) -> Future[Done]:
        """Publish an event, once, and return what will have its answer.

        Args:
            enclosure: whose topic.
            event: with its `id` and `kind`.

        Raises:
            FilmcallError: it was not sent, and never will be.
        """
        name = str(event["id"])
        answer: Future[Done] = Future()
        with self._lock:
            if name in self._waiting:  # pressed twice over: one event, one answer
                return self._waiting[name]
            if len(self._waiting) >= _MOST_WAITING:
                raise FilmcallError("too many events wait for an answer; not sent. Press again")
            self._waiting[name] = answer
        topic = f"{self._yard.base}/{enclosure}/event"
        sent = self._line.publish(topic, json.dumps(event).encode(), qos=1)
        if not sent.accepted:
            self.forget(name)
            raise FilmcallError("no link to the broker, so nothing was sent; press again later")
        return answer

    def forget(self, name: str) -> None:
        """Wait no longer for the answer to an event."""
        with self._lock:
            self._waiting.pop(name, None)

    # --- the network's thread

    def _heard(self, message: paho.MQTTMessage) -> None:
        with self._lock:
            done = self._yard.take(
                message.topic, bytes(message.payload), self.now(), retained=bool(message.retain)
            )
            answer = None if done is None else self._waiting.pop(done.id, None)
        if done is not None and answer is not None:
            answer.set_result(done)
        if not message.topic.endswith(f"/{HEARTBEAT}"):  # which changes no word by itself
            self._changed()

    def _linked(self) -> None:
        with self._lock:
            self._yard.linked()
        self._changed()

    def _lost(self) -> None:
        with self._lock:
            self._yard.lost(self.now())
        self._changed()

    def _changed(self) -> None:
        for hook in tuple(self.on_change):
            hook()
