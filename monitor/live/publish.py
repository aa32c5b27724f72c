"""Tells the calls to whoever listens, so that nobody takes a dead program's GO for a live one.

`<base>/<enclosure>/call` holds the whole call as JSON, retained; `<base>/<enclosure>/word` one
plain word for lamps and sounders, never retained, since a lamp that starts up would believe it;
`<base>/<enclosure>/alarm` tells a ringing alarm, not retained either;
`<base>/<station>/status` says online or offline, offline also as the last will;
`<base>/<station>/seal` keeps the log's seal, see `witness`.
While what is heard is too old, no GO goes out: the last one runs out by its own `valid_until`.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Protocol

from monitor.alarms.board import Ring
from monitor.live.witness import Witness
from monitor.wire import Json
from rules.call import Call
from rules.text import iso_utc

REPEAT_S = 15.0  # the contract says at least every 20 s
VALID_S = 60.0
ONLINE = b"online"
OFFLINE = b"offline"


class Receipt(Protocol):
    """What a publish gives back."""

    def wait(self, timeout_s: float) -> bool:
        """Wait until the broker has it; return whether it has."""
        ...


class Outlet(Protocol):
    """The connection that messages go out by."""

    @property
    def on_connected(self) -> list[Callable[[], None]]:
        """Called after each connect, in the network's thread."""
        ...

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        """Leave a message that the broker publishes when this program falls silent."""
        ...

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> Receipt:
        """Send a message now or not at all."""
        ...


class Publisher:
    """Publishes calls as they change, and again every 15 s for as long as the program lives.

    Attributes:
        sent: messages handed to the line.
        witness: has the log's seal for those who listen, or None.
    """

    def __init__(self, line: Outlet, *, base: str, station: str) -> None:
        self.witness: Witness | None = None
        self.sent = 0
        self._line = line
        self._base = base
        self._station = station
        self._calls: dict[str, Json] = {}
        self._since: dict[str, tuple[str, float]] = {}
        self._repeat_at_s = 0.0
        self._greet = False
        self._behind = False
        line.set_will(self.status_topic, OFFLINE, qos=1, retain=True)
        line.on_connected.append(self._connected)

    @property
    def status_topic(self) -> str:
        """Where online and offline are told."""
        return f"{self._base}/{self._station}/status"

    @property
    def seal_topic(self) -> str:
        """Where the log's seal is kept."""
        return f"{self._base}/{self._station}/seal"

    def call_topic(self, enclosure: str) -> str:
        """Where an enclosure's whole call is told."""
        return f"{self._base}/{enclosure}/call"

    def word_topic(self, enclosure: str) -> str:
        """Where one plain word is told."""
        return f"{self._base}/{enclosure}/word"

    def _connected(self) -> None:
        self._greet = True

    def set_behind(self, behind: bool) -> None:
        """Say whether what is heard is too old for a GO; what was kept back goes out after it."""
        self._greet = self._greet or (self._behind and not behind)
        self._behind = behind

    def tell(self, enclosure: str, told: Json, now_s: float) -> None:
        """Publish a call that was just made.

        Args:
            enclosure: whose.
            told: the call with its fixed keys.
            now_s: [s].
        """
        call = str(told["call"])
        before = self._since.get(enclosure)
        if before is None or before[0] != call:
            self._since[enclosure] = (call, now_s)
        self._calls[enclosure] = told
        self._publish_call(enclosure, now_s)
        # At once: a card that lies about what it wrote may lose this very call at a power cut.
        self._seal()

    def refresh(self, enclosure: str, told: Json) -> None:
        """Take newer figures of an unchanged call, to be told with the next repeat."""
        self._calls[enclosure] = told

    def ring(self, ring: Ring) -> None:
        """Publish an alarm, once and not retained: whoever comes later reads the call."""
        told = {
            "enclosure": ring.enclosure,
            "section": ring.section,
            "fact": ring.fact.value,
            "call": ring.call.value,
            "cause": ring.cause,
            "since": iso_utc(ring.since_s),
            "time": iso_utc(ring.time_s),
            "count": ring.count,
            "text": ring.text,
            "station": self._station,
            "seal": None if self.witness is None else self.witness.told(),
        }
        topic = f"{self._base}/{ring.enclosure}/alarm"
        self._send(topic, json.dumps(told).encode(), retain=False)

    def tick(self, now_s: float) -> bool:
        """Publish again what is due; call at least once a second.

        Returns:
            Whether calls were told.
        """
        greet, self._greet = self._greet, False
        if not greet and 0.0 <= self._repeat_at_s - now_s <= REPEAT_S:
            return False
        self._repeat_at_s = now_s + REPEAT_S
        self._send(self.status_topic, ONLINE, retain=True)
        if greet and self.witness is not None:
            self.witness.forget()
        self._seal()
        for enclosure in self._calls:
            self._publish_call(enclosure, now_s)
        return True

    def _seal(self) -> None:
        message = None if self.witness is None else self.witness.message()
        if message is not None:
            self._send(self.seal_topic, message, retain=True)

    def due(self, now_s: float) -> bool:
        """Return whether `tick` would publish, so that fresh figures can be fetched for it."""
        return self._greet or not 0.0 <= self._repeat_at_s - now_s <= REPEAT_S

    def _publish_call(self, enclosure: str, now_s: float) -> None:
        call, since_s = self._since[enclosure]
        if self._behind and call == Call.GO.value:
            return
        if since_s > now_s:  # the clock was set back since
            self._since[enclosure] = (call, now_s)
        told = {
            **self._calls[enclosure],
            "station": self._station,
            "since": iso_utc(self._since[enclosure][1]),
            "valid_until": iso_utc(now_s + VALID_S),
        }
        self._send(self.call_topic(enclosure), json.dumps(told).encode(), retain=True)
        self._send(self.word_topic(enclosure), str(told["call"]).encode(), retain=False)

    def _send(self, topic: str, payload: bytes, *, retain: bool) -> Receipt:
        self.sent += 1
        lasting = topic in (self.status_topic, self.seal_topic)
        expiry_s = None if lasting else int(VALID_S)
        return self._line.publish(topic, payload, qos=1, retain=retain, expiry_s=expiry_s)

    def close(self, timeout_s: float = 2.0) -> None:
        """Clear the retained calls and say offline, before the line says goodbye.

        Args:
            timeout_s: longest wait for the broker to have it all [s].
        """
        until_s = time.monotonic() + timeout_s
        self._seal()
        waiting = [self._send(self.call_topic(name), b"", retain=True) for name in self._calls]
        waiting.append(self._send(self.status_topic, OFFLINE, retain=True))
        for sent in waiting:
            sent.wait(max(0.0, until_s - time.monotonic()))
