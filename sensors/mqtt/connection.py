"""The one connection to the broker: opened, lost, opened again, for ever, with its state told.

The network thread is our own, and drives paho one step at a time: paho's own thread ends at the
first exception that it does not foresee, and starts anew with its shortest delay each time a
broker accepts us only to throw us out.
"""

from __future__ import annotations

import logging
import random
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from rules.text import printable
from sensors.mqtt.broker import (
    TAKEN_OVER,
    Broker,
    BrokerFault,
    clash_sentence,
    connect_sentence,
    lost_sentence,
    publish_sentence,
    refusal_sentence,
    subscription_sentence,
)
from sensors.mqtt.bulk_client import BulkClient


@dataclass(frozen=True, slots=True)
class Backoff:
    """How long to wait before the next try: growing, capped, and never in step with others.

    Attributes:
        first_s: first wait [s].
        factor: growth from one wait to the next [-].
        cap_s: longest wait before jitter where the broker is away: whoever waits for it hears
            again within 5 s of its return, and 200 programs come spread over that [s].
        refused_cap_s: the same where the broker is there and turns us down, or another program
            takes our place each time [s].
        jitter: share by which a wait is moved up or down at random, 0 to 1 [-].
        stable_s: a connection that held this long starts again with the first wait [s].
    """

    first_s: float = 0.5
    factor: float = 1.5
    cap_s: float = 1.6
    refused_cap_s: float = 30.0
    jitter: float = 0.5
    stable_s: float = 10.0

    def next_s(
        self, wait_s: float, chance: random.Random, *, turned_down: bool = False
    ) -> tuple[float, float]:
        """Return how long to wait now, and the wait to go on from at the next try.

        Args:
            wait_s: where this try stands on the ladder; `first_s` at its foot [s].
            chance: source of the jitter.
            turned_down: the broker is there, and trying oftener would only trouble it.
        """
        cap_s = self.refused_cap_s if turned_down else self.cap_s
        wait_s = min(wait_s, cap_s)
        spread = 1.0 + self.jitter * chance.uniform(-1.0, 1.0)
        return wait_s * spread, min(wait_s * self.factor, cap_s)


DEFAULT_BACKOFF = Backoff()


class SubscriptionState(StrEnum):
    """What the broker said to a subscription."""

    PENDING = "pending"
    GRANTED = "granted"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Subscription:
    """One filter and what the broker said to it.

    Attributes:
        filter: the MQTT filter, printable.
        state: pending, granted or refused, for the present connection.
        text: one sentence where it was refused, else empty.
    """

    filter: str
    state: SubscriptionState
    text: str


@dataclass(frozen=True, slots=True)
class ConnectionStatus:
    """The connection at one moment, for the screen.

    Attributes:
        connected: whether the broker has accepted us and the line holds.
        connected_since_s: since when, seconds since 1970-01-01 UTC, or None [s].
        connects: how often the broker has accepted us [-].
        losses: how often an accepted connection ended without our doing [-].
        attempts: how often a connection was tried [-].
        subscriptions: one for each filter.
        last_error: latest sentence on what went wrong, or None; it stays after recovery.
        last_error_s: when that was, seconds since 1970-01-01 UTC, or None [s].
        clash: sentence that another program uses our client id, or None.
        publish_refused: messages of ours that the broker turned down [-].
    """

    connected: bool
    connected_since_s: float | None
    connects: int
    losses: int
    attempts: int
    subscriptions: tuple[Subscription, ...]
    last_error: str | None
    last_error_s: float | None
    clash: str | None
    publish_refused: int


class PublishReceipt:
    """What became of one published message."""

    __slots__ = ("_info", "why")

    def __init__(self, info: paho.MQTTMessageInfo | None, why: str = "") -> None:
        self._info = info
        self.why = why

    @property
    def accepted(self) -> bool:
        """Whether it was taken for sending; else `why` says why not, and it is never sent."""
        return self._info is not None

    def done(self) -> bool:
        """Return whether it was sent (QoS 0) or acknowledged (QoS 1)."""
        try:
            return self._info is not None and self._info.is_published()
        except (ValueError, RuntimeError):  # lost with the connection
            return False

    def wait(self, timeout_s: float) -> bool:
        """Wait until it is done, and return whether it is.

        Args:
            timeout_s: longest wait, above 0 [s].
        """
        if self._info is None:
            return False
        try:
            self._info.wait_for_publish(timeout_s)
        except (ValueError, RuntimeError):
            return False
        return self.done()


_LOG = logging.getLogger("filmcall.mqtt")

# One message of 1 MB is let through to be refused by name; MQTT 5 brokers keep back what is larger.
MAX_PACKET_BYTES = 2 * 1024 * 1024
# What waits to be read grows old, and the broker can drop only what still stands with it.
RECEIVE_MAXIMUM = 64  # unacknowledged messages that a broker of MQTT 5 may send ahead [-]
RECEIVE_BYTES = 65_536  # asked for of the system, which doubles it [bytes]
MUTED_S = 60.0  # how long a topic that floods is not subscribed to [s]
RENEW_EVERY_S = 3.0  # a flood under a wildcard is thrown away no oftener; it cannot be muted [s]
CONNECT_S = 2.0  # a network that drops what is sent to it is tried again soon [s]
_LOOP_S = 0.2  # longest wait for the network before the stop flag is looked at [s]
_FILTERS_A_PACKET = 64
_QUICK_S = 10.0  # a connection that ends sooner was thrown out rather than lost [s]
_CLASH_WINDOW_S = 120.0
_CLASH_COUNT = 3  # quick losses in the window that look like two programs on one id [-]


class _LastError(logging.Handler):
    """Keeps the latest error that paho only logs, such as why a socket broke."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = printable(record.getMessage(), 160)


class Connection:
    """Holds the connection; what arrives goes to `on_message` in the network thread."""

    def __init__(
        self,
        broker: Broker,
        filters: Sequence[str],
        on_message: Callable[[paho.MQTTMessage], None],
        *,
        on_read: Callable[[], None] = lambda: None,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
        backoff: Backoff = DEFAULT_BACKOFF,
        chance: random.Random | None = None,
        of_others: Sequence[str] = (),
    ) -> None:
        """Prepare; nothing is sent before `start`.

        Args:
            broker: where it is.
            filters: what to subscribe to.
            on_message: takes what arrives, in the network thread.
            on_read: is called there when some of it, or all, has been taken.
            wall: seconds since 1970-01-01 UTC.
            monotonic: seconds of a clock that never jumps.
            backoff: waits between tries.
            chance: source of the jitter.
            of_others: those of the filters by which, with MQTT 5, our own messages do not come
                back, and a message shows whether it was sent to be retained.

        Raises:
            BrokerFault: a certificate file cannot be used.
        """
        self._broker = broker
        self._filters = tuple(filters)
        self._of_others = frozenset(of_others)
        self._on_message, self._on_read = on_message, on_read
        self._wall = wall
        self._monotonic = monotonic
        self._backoff = backoff
        self._chance = chance or random.Random()
        self.on_connected: list[Callable[[], None]] = []
        self.on_lost: list[Callable[[], None]] = []

        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._connected = False
        self._since_wall_s: float | None = None
        self._since_mono_s = 0.0
        self._connects = self._losses = self._attempts = self._publish_refused = 0
        self._subscriptions = {
            text: Subscription(printable(text), SubscriptionState.PENDING, "") for text in filters
        }
        self._asked: dict[int, tuple[str, ...]] = {}
        self._last_error: str | None = None
        self._last_error_s: float | None = None
        self._refused_login = False
        self._quick_losses: deque[float] = deque(maxlen=16)
        self._takeovers: deque[float] = deque(maxlen=16)
        self._paho_error = _LastError()
        self._muted: dict[str, float] = {}
        self._renewing = False
        self._renewed_s = float("-inf")
        self._client = self._build()

    def _build(self) -> BulkClient:
        broker = self._broker
        v5 = broker.protocol == "5"
        client = BulkClient(
            take=self._on_message,
            taken=self._on_read,
            callback_api_version=CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
            # paho would go down to MQTT 3.1 by itself; the ladder here is the only one that tries.
            reconnect_on_failure=False,
        )
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        context = broker.tls_context()
        if context is not None:
            client.tls_set_context(context)
        client.connect_timeout = CONNECT_S
        client.max_queued_messages_set(1000)
        quiet = logging.Logger("filmcall.mqtt.paho", logging.ERROR)
        quiet.addHandler(self._paho_error)
        client.enable_logger(quiet)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        # With this set, paho leaves all writing to the network thread.
        client.on_socket_register_write = _leave_to_loop
        client.on_socket_open = _send_at_once
        return client

    # ---- what callers use ------------------------------------------------------------------

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        """Leave a message with the broker that it publishes when this program falls silent.

        Raises:
            BrokerFault: the connection was started before.
        """
        if self._thread is not None:
            raise BrokerFault(
                "the last will is set after the start; listeners would never hear of a crash. "
                "Set it before."
            )
        self._client.will_set(topic, payload, qos, retain)

    def start(self) -> None:
        """Begin to connect, in a thread of its own; returns at once."""
        if self._thread is not None:
            return
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name="filmcall-mqtt", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Send what is queued, say goodbye (so that the will is not published), and end.

        Args:
            timeout_s: longest wait for the network thread [s].
        """
        thread, self._thread = self._thread, None
        self._stopping.set()
        self._client.wake()
        if thread is not None:
            thread.join(timeout_s)

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> PublishReceipt:
        """Send a message now or not at all: nothing is kept for a later connection.

        A call that waits for the broker would be old when it arrives, so what is not sent on this
        connection is dropped; publish anew from an `on_connected` hook.

        Args:
            topic: where to, without wildcards.
            payload: what.
            qos: 0 or 1 [-].
            retain: whether the broker keeps it for those who come later.
            expiry_s: how long the broker may keep it, in MQTT 5 only; None is for ever [s].

        Returns:
            A handle that tells whether it was taken and whether it has arrived.
        """
        if not self._connected:
            return PublishReceipt(None, "not connected")
        properties: Properties | None = None
        if expiry_s is not None and self._broker.protocol == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = max(1, int(expiry_s))
        try:
            info = self._client.publish(topic, payload, qos, retain, properties)
        except ValueError as fault:
            return PublishReceipt(None, printable(str(fault), 100))
        if info.rc != paho.MQTT_ERR_SUCCESS:
            return PublishReceipt(None, printable(paho.error_string(info.rc), 100))
        self._client.wake()
        return PublishReceipt(info)

    def flush(self, topic: str) -> None:
        """Throw away what the broker has waiting for us; call in the network thread.

        Megabytes of a flood stand in the broker's and the system's buffers, before everybody
        else's messages; they go with the connection, and the next one begins at once. A filter
        that is this very topic is not subscribed to for a minute.

        Args:
            topic: that brings far too many messages.
        """
        now_s = self._monotonic()
        if topic in self._filters:
            self._muted[topic] = now_s + MUTED_S
        elif now_s - self._renewed_s < RENEW_EVERY_S:
            return
        self._renewing = True

    def status(self) -> ConnectionStatus:
        """Return the state at this moment."""
        with self._lock:
            return ConnectionStatus(
                connected=self._connected,
                connected_since_s=self._since_wall_s,
                connects=self._connects,
                losses=self._losses,
                attempts=self._attempts,
                subscriptions=tuple(self._subscriptions.values()),
                last_error=self._last_error,
                last_error_s=self._last_error_s,
                clash=self._clash(),
                publish_refused=self._publish_refused,
            )

    # ---- the network thread ----------------------------------------------------------------

    def _run(self) -> None:
        with self._client.awake():
            self._serve()

    def _serve(self) -> None:
        wait_s = self._backoff.first_s
        while not self._stopping.is_set():
            held_s = self._session()
            if self._stopping.is_set():
                break
            if self._renewing:
                self._renewing, self._renewed_s = False, self._monotonic()
                continue
            if held_s >= self._backoff.stable_s:
                wait_s = self._backoff.first_s
            now_s, wait_s = self._backoff.next_s(
                wait_s, self._chance, turned_down=self._turned_down()
            )
            self._stopping.wait(now_s)

    def _turned_down(self) -> bool:
        """Return whether the broker is there, but not for us."""
        with self._lock:
            return self._refused_login or self._clash() is not None

    def _session(self) -> float:
        """Connect, serve until the line breaks or the stop flag is up; return how long it held."""
        with self._lock:
            self._attempts += 1
            self._refused_login = False
            self._asked.clear()
        before = self._connects
        self._paho_error.text = ""
        # Whatever the last connection left unsent is too old to be true now.
        self._client.drop_out_messages()
        try:
            self._client.connect(
                self._broker.host,
                self._broker.port,
                self._broker.keepalive_s,
                properties=self._connect_properties(),
            )
            while self._client.turn(_LOOP_S) == paho.MQTT_ERR_SUCCESS:
                if self._stopping.is_set() or self._renewing:
                    self._farewell()
                    break
                if self._muted:
                    self._hear_again()
        except OSError as fault:
            self._quick_losses.clear()  # the broker itself is away, nobody took our place
            self._say(connect_sentence(self._broker, fault))
        except Exception as fault:  # noqa: BLE001 (told and counted; the ladder must go on)
            # paho raises what it likes on bytes that no broker should send.
            self._say(connect_sentence(self._broker, fault))
        finally:
            sock = self._client.socket()
            if sock is not None:
                sock.close()
            self._lost()
        return 0.0 if self._connects == before else self._monotonic() - self._since_mono_s

    def _connect_properties(self) -> Properties | None:
        if self._broker.protocol != "5":
            return None
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = MAX_PACKET_BYTES
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        return properties

    def _subscribe(self, client: paho.Client, filters: Sequence[str]) -> None:
        for start in range(0, len(filters), _FILTERS_A_PACKET):
            batch = tuple(filters[start : start + _FILTERS_A_PACKET])
            if self._broker.protocol == "5":
                code, mid = client.subscribe([(text, self._wish(text)) for text in batch])
            else:
                code, mid = client.subscribe([(text, self._broker.qos) for text in batch])
            if code == paho.MQTT_ERR_SUCCESS and mid is not None:
                with self._lock:
                    self._asked[mid] = batch

    def _wish(self, text: str) -> SubscribeOptions:
        """How to subscribe to a filter with MQTT 5."""
        others = text in self._of_others
        return SubscribeOptions(self._broker.qos, noLocal=others, retainAsPublished=others)

    def _hear_again(self) -> None:
        """Subscribe again to what was not listened to for a minute."""
        now_s = self._monotonic()
        over = [text for text, until_s in self._muted.items() if until_s <= now_s]
        for text in over:
            del self._muted[text]
        if over and self._connected:
            self._subscribe(self._client, over)

    def _farewell(self) -> None:
        self._client.disconnect()
        until = time.monotonic() + 2.0
        while time.monotonic() < until:
            if self._client.turn(0.05) != paho.MQTT_ERR_SUCCESS:
                return

    def _lost(self) -> None:
        with self._lock:
            was, self._connected, self._since_wall_s = self._connected, False, None
            if was and not (self._stopping.is_set() or self._renewing):
                self._losses += 1
                now = self._monotonic()
                if now - self._since_mono_s < _QUICK_S:
                    self._quick_losses.append(now)
        for hook in tuple(self.on_lost):
            hook()

    def _say(self, sentence: str) -> None:
        with self._lock:
            news = sentence != self._last_error
            self._last_error, self._last_error_s = sentence, self._wall()
        if news:
            _LOG.warning("%s", sentence)

    def _clash(self) -> str | None:
        edge = self._monotonic() - _CLASH_WINDOW_S
        taken = sum(when >= edge for when in self._takeovers)
        if taken:
            return clash_sentence(self._broker, taken, certain=True)
        quick = sum(when >= edge for when in self._quick_losses)
        if quick >= _CLASH_COUNT:  # MQTT 3.1.1 gives no reason, nor does every broker of MQTT 5
            return clash_sentence(self._broker, quick, certain=False)
        return None

    # ---- paho's callbacks, all in the network thread ---------------------------------------

    def _on_connect(
        self,
        client: paho.Client,
        _userdata: object,
        _flags: paho.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._refused_login = True
            self._say(refusal_sentence(self._broker, reason.value, reason.getName()))
            return
        with self._lock:
            self._connected = True
            self._connects += 1
            self._since_wall_s, self._since_mono_s = self._wall(), self._monotonic()
            for text in self._filters:
                self._subscriptions[text] = Subscription(
                    printable(text), SubscriptionState.PENDING, ""
                )
        self._subscribe(client, [text for text in self._filters if text not in self._muted])
        for hook in tuple(self.on_connected):
            try:
                hook()
            except Exception as fault:  # noqa: BLE001 (told; readings must come in all the same)
                self._say(
                    f"what should run at each connection failed ({type(fault).__name__}: "
                    f"{printable(str(fault), 120)}); listeners may lack a message."
                )

    def _on_subscribe(
        self,
        _client: paho.Client,
        _userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        with self._lock:
            batch = self._asked.pop(mid, ())
        for text, reason in zip(batch, reasons, strict=False):
            if not reason.is_failure:
                answer = Subscription(printable(text), SubscriptionState.GRANTED, "")
            else:
                why, lost = reason.getName(), "its points stay unknown"
                if text in self._of_others:
                    lost = "what comes there is not heard"
                sentence = subscription_sentence(self._broker, text, why, lost)
                answer = Subscription(printable(text), SubscriptionState.REFUSED, sentence)
                self._say(sentence)
            with self._lock:
                self._subscriptions[text] = answer

    def _on_disconnect(
        self,
        _client: paho.Client,
        _userdata: object,
        flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if self._stopping.is_set() or self._renewing or self._refused_login:
            return
        detail, self._paho_error.text = self._paho_error.text, ""
        told = flags.is_disconnect_packet_from_server
        if told and reason.value == TAKEN_OVER:
            with self._lock:
                self._takeovers.append(self._monotonic())
                sentence = self._clash() or ""
            self._say(sentence)
            return
        why = reason.getName() if told else (detail or "line closed")
        with self._lock:
            clash = self._clash() if self._connected else None
        self._say(clash or lost_sentence(self._broker, why, accepted=self._connected))

    def _on_publish(
        self,
        _client: paho.Client,
        _userdata: object,
        _mid: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            with self._lock:
                self._publish_refused += 1
            self._say(publish_sentence(self._broker, reason.getName()))


def _send_at_once(_client: paho.Client, _userdata: object, sock: object) -> None:
    """Let no small message wait for the one before it, nor many of the broker's in our buffer.

    A call is two messages in a row, and the second would come up to 40 ms later.
    """
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _leave_to_loop(_client: paho.Client, _userdata: object, _sock: object) -> None:
    """Write nothing here; see where it is set."""
