"""Tells the calls to whoever listens, so that nobody takes a dead program's GO for a live one.

`<base>/<enclosure>/call` holds the whole call as JSON, retained; `<base>/<enclosure>/word` one
plain word for lamps and sounders, never retained, since a lamp that starts up would believe it: the
call's, or NONE as soon as the program knows that it is blind, or ends;
`<base>/<enclosure>/event/done` answers to what was pressed elsewhere;
`<base>/<enclosure>/alarm` tells a ringing alarm, not retained either;
`<base>/<station>/status` says online or offline, offline also as the last will;
`<base>/<station>/seal` keeps the log's seal, see `witness`.
While what is heard is too old, no GO goes out: the last one runs out by its own `valid_until`.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable
from typing import Protocol

from monitor.alarms.board import Ring
from monitor.contract import OFFLINE, ONLINE, REPEAT_S, VALID_S
from monitor.live.call_message import fitted
from monitor.live.witness import Witness
from monitor.wire import Json
from rules.call import Call
from rules.text import iso_utc
from sensors.mqtt.events import DONE, LEVEL

NO_WORD = "NONE"


def _is_past(due_s: float, now_s: float) -> bool:
    """Whether a repeat is due; also where the clock was set back since."""
    return not 0.0 <= due_s - now_s <= REPEAT_S


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
        self._due_s: dict[str, float] = {}
        self._greet = False
        self._behind = False
        self._blind: set[str] = set()
        self._fresh: set[str] = set()
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

    def done_topic(self, enclosure: str) -> str:
        """Where it is told what became of an event that came over the broker."""
        return f"{self._base}/{enclosure}/{LEVEL}/{DONE}"

    def _connected(self) -> None:
        self._greet = True

    def set_behind(self, behind: bool) -> None:
        """Say whether what is heard is too old for a GO; what was kept back goes out after it."""
        if behind == self._behind:
            return
        self._greet = self._greet or not behind
        self._behind = behind
        for enclosure, (call, _) in self._since.items():
            if behind and call == Call.GO.value:
                self._publish_word(enclosure)

    def set_blind(self, enclosure: str, blind: bool) -> None:
        """Say whether an enclosure's call rests on no current reading: then it has no word."""
        if blind == (enclosure in self._blind):
            return
        (self._blind.add if blind else self._blind.discard)(enclosure)
        if enclosure in self._since:
            self._fresh.add(enclosure)

    def freshen(self, enclosure: str) -> None:
        """Let what is told beside an unchanged call be told anew at once."""
        self._fresh.add(enclosure)

    def tell(
        self,
        enclosure: str,
        told: Json,
        now_s: float,
        *,
        blind: bool = False,
        since_s: float | None = None,
    ) -> None:
        """Publish a call that was just made.

        Args:
            enclosure: whose.
            told: the call with its fixed keys.
            now_s: [s].
            blind: it rests on no current reading.
            since_s: since when it stood, where an earlier run told it first [s].
        """
        (self._blind.add if blind else self._blind.discard)(enclosure)
        call = str(told["call"])
        before = self._since.get(enclosure)
        if before is None or before[0] != call:
            first_s = now_s if before is not None or since_s is None else since_s
            self._since[enclosure] = (call, min(first_s, now_s))
        self._calls[enclosure] = told
        self._due_s.setdefault(enclosure, -math.inf)
        self._publish_call(enclosure, now_s)
        # At once: a card that lies about what it wrote may lose this very call at a power cut.
        self._seal()

    def refresh(self, enclosure: str, told: Json) -> None:
        """Take newer figures of an unchanged call, to be told with the next repeat."""
        self._calls[enclosure] = told

    def answer(self, enclosure: str, told: Json) -> None:
        """Tell whoever pressed what became of it."""
        self._send(self.done_topic(enclosure), json.dumps(told).encode(), retain=False)

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
            Whether all calls were told.
        """
        due, greet = self.due(now_s), self._greet
        self._greet, self._fresh = False, set()
        if greet or _is_past(self._repeat_at_s, now_s):
            self._repeat_at_s = now_s + REPEAT_S
            self._send(self.status_topic, ONLINE, retain=True)
            if greet and self.witness is not None:
                self.witness.forget()
            self._seal()
        whole = due >= self._calls.keys()
        for place, enclosure in enumerate(each for each in self._calls if each in due):
            self._publish_call(enclosure, now_s)
            if whole or _is_past(self._due_s[enclosure], now_s):
                # All at once come one after the other from then on: a STOP waits for no burst.
                share = (place + 1) / len(due) if whole else 1.0
                self._due_s[enclosure] = now_s + REPEAT_S * share
        return whole

    def _seal(self) -> None:
        message = None if self.witness is None else self.witness.message()
        if message is not None:
            self._send(self.seal_topic, message, retain=True)

    def due(self, now_s: float) -> frozenset[str]:
        """Return the enclosures that `tick` would publish, whose newest figures it then wants."""
        if self._greet:
            return frozenset(self._calls)
        past = {name for name, due_s in self._due_s.items() if _is_past(due_s, now_s)}
        return frozenset(past | self._fresh & self._calls.keys())

    def _publish_call(self, enclosure: str, now_s: float) -> None:
        call, since_s = self._since[enclosure]
        if self._behind and call == Call.GO.value:
            self._publish_word(enclosure)
            return
        if since_s > now_s:  # the clock was set back since
            self._since[enclosure] = (call, now_s)
        told = {
            **self._calls[enclosure],
            "station": self._station,
            "renewed": enclosure not in self._blind,
            "since": iso_utc(self._since[enclosure][1]),
            "valid_until": iso_utc(now_s + VALID_S),
        }
        self._send(self.call_topic(enclosure), fitted(told), retain=True)
        self._publish_word(enclosure)

    def _publish_word(self, enclosure: str) -> None:
        """Say the call's word; none where nothing current is behind it, since nobody sees.

        A STOP stays one: silence ends none.
        """
        call, _ = self._since[enclosure]
        blind = enclosure in self._blind and call != Call.STOP.value
        behind = self._behind and call == Call.GO.value
        word = NO_WORD if blind or behind else call
        self._send(self.word_topic(enclosure), word.encode(), retain=False)

    def _send(self, topic: str, payload: bytes, *, retain: bool) -> Receipt:
        self.sent += 1
        lasting = topic in (self.status_topic, self.seal_topic)
        expiry_s = None if lasting else int(VALID_S)
        return self._line.publish(topic, payload, qos=1, retain=retain, expiry_s=expiry_s)

    def close(self, timeout_s: float = 2.0) -> None:
        """Take back words and retained calls and say offline, before the line says goodbye.

        Args:
            timeout_s: longest wait for the broker to have it all [s].
        """
        until_s = time.monotonic() + timeout_s
        self._seal()
        word = NO_WORD.encode()
        waiting = [self._send(self.word_topic(name), word, retain=False) for name in self._calls]
        waiting += [self._send(self.call_topic(name), b"", retain=True) for name in self._calls]
        waiting.append(self._send(self.status_topic, OFFLINE, retain=True))
        for sent in waiting:
            sent.wait(max(0.0, until_s - time.monotonic()))
