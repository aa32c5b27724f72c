"""paho's client, made to read, take in and acknowledge many messages at a time.

paho asks the system for a message's first byte, then for its length, then for the rest, wakes
itself, and sends each acknowledgement by itself: at 2,000 messages a second that was most of what
an intake cost. Here one read serves all that has come. What is no plain message of QoS 0 or 1 is
left to paho, which reads it as it always does.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, NamedTuple, Protocol

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

READ_BYTES = 65_536
"""Asked of the system at a time; a longer packet is paho's to read [bytes]."""

PORTION = 16
"""Messages after which the broker is answered, so that it sends on while others are read [-]."""

_PUBLISH, _PUBACK = 0x30, 0x40
_QOS_1, _ABOVE_1 = 0x02, 0x04
_LENGTH_BYTES = 4  # that a packet's length takes at most
_DONE = MQTTErrorCode.MQTT_ERR_SUCCESS


class MqttMessage(Protocol):
    """A message that came: a `PlainMessage`, or paho's own."""

    @property
    def topic(self) -> str:
        """Where it came; paho's raises UnicodeDecodeError where that is not UTF-8."""
        ...

    @property
    def payload(self) -> bytes | bytearray:
        """What it says."""
        ...

    @property
    def retain(self) -> bool:
        """Whether the broker had kept it."""
        ...


class PlainMessage(NamedTuple):
    """A message of QoS 0 or 1 without properties; see `MqttMessage`."""

    topic: str
    payload: bytes
    retain: bool


def packet_place(came: bytearray, at: int) -> tuple[int, int] | None:
    """Return where the body of a packet begins and ends, or None while its head has not come.

    Args:
        came: what has come.
        at: where the packet begins in it.

    Returns:
        Places in `came`; of a length that the standard does not allow, just far enough for paho
        to refuse it.

    Source:
        MQTT 5.0 (OASIS, 2019), 1.5.5 and 2.1: after one byte for the kind, a length of one to
        four bytes with seven bits each, the lowest first.

    >>> packet_place(bytearray(b"\\x30\\x05"), 0), packet_place(bytearray(b"\\x30\\x80\\x01"), 0)
    ((2, 7), (3, 131))
    """
    length = 0
    for place in range(_LENGTH_BYTES):
        begins = at + 2 + place
        if begins > len(came):
            return None
        byte = came[begins - 1]
        length |= (byte & 127) << 7 * place
        if byte < 128:
            return begins, begins + length
    return at, at + 2 + _LENGTH_BYTES


def plain_message(
    head: int, body: bytearray, *, has_properties: bool
) -> tuple[PlainMessage, bytes] | None:
    """Return a message and its acknowledgement, or None where it is for paho to look at.

    Args:
        head: first byte of the packet.
        body: what follows its length.
        has_properties: whether it can have properties, as in MQTT 5.

    Returns:
        Message, and the bytes that acknowledge it: none with QoS 0.

    Source:
        MQTT 5.0 (OASIS, 2019), 3.3 and 3.4.

    >>> plain_message(0x31, bytearray(b"\\x00\\x03a/b20.5"), has_properties=False)
    (PlainMessage(topic='a/b', payload=b'20.5', retain=True), b'')
    """
    if head & 0xF0 != _PUBLISH or head & _ABOVE_1 or len(body) < 2:
        return None
    ends = 2 + (body[0] << 8 | body[1])
    begins = ends
    ack = b""
    if head & _QOS_1:
        begins += 2
        ack = bytes((_PUBACK, 2, *body[ends:begins]))
    if has_properties:
        if body[begins : begins + 1] != b"\0":
            return None
        begins += 1
    if ends == 2 or begins > len(body):
        return None
    try:
        topic = body[2:ends].decode()
    except UnicodeDecodeError:
        return None
    return PlainMessage(topic, bytes(body[begins:]), bool(head & 1)), ack


class BulkClient(paho.Client):
    """A client that somebody turns; paho's `loop`, `loop_start` and `loop_forever` are not used."""

    def __init__(
        self,
        *,
        take: Callable[[MqttMessage], None],
        taken: Callable[[], None],
        **settings: Any,
    ) -> None:
        """Prepare; nothing is sent before `connect`.

        Args:
            take: is given each message.
            taken: is called after some of them, and before `turn` returns.
            **settings: as paho's own.
        """
        self._take = take
        self._taken = taken
        self._came = bytearray()  # read of the system, and not taken in
        self._paho_left = 0  # of the packet in front, which paho reads [bytes]
        self._end: OSError | None = None  # met where paho did not look
        self._woken: socket.socket | None = None
        self._waker: socket.socket | None = None
        super().__init__(**settings)
        self._has_properties = settings.get("protocol") == MQTTProtocolVersion.MQTTv5
        self.on_message = self._hand_on

    def _hand_on(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self._take(message)

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew; what came by the line before is gone with it."""
        self._came.clear()
        self._paho_left, self._end = 0, None
        return super().reconnect()

    # ---- turning ---------------------------------------------------------------------------

    @contextmanager
    def awake(self) -> Iterator[None]:
        """Let other threads `wake` what turns meanwhile."""
        woken, waker = socket.socketpair()
        with woken, waker:
            woken.setblocking(False)
            waker.setblocking(False)
            self._woken, self._waker = woken, waker
            try:
                yield
            finally:
                self._woken = self._waker = None

    def wake(self) -> None:
        """Let `turn` see at once what another thread has published; may be called by any."""
        waker = self._waker
        if waker is not None:
            with suppress(OSError):  # it is full, and so wakes all the same, or has ended
                waker.send(b"\0")

    def turn(self, timeout_s: float) -> MQTTErrorCode:
        """Wait for the line, then read and write what there is.

        Args:
            timeout_s: longest wait [s].

        Returns:
            Success, or why the connection is at its end.
        """
        sock: Any = self.socket()
        if sock is None:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        # What TLS has decrypted already, the system does not tell.
        waits = bool(sock.pending()) if hasattr(sock, "pending") else False
        ears = [sock] if self._woken is None else [sock, self._woken]
        mouths = [sock] if self.want_write() else []
        try:
            readable, _, _ = select.select(ears, mouths, [], 0.0 if waits else timeout_s)
        except (OSError, ValueError):  # somebody closed it
            return MQTTErrorCode.MQTT_ERR_CONN_LOST
        if self._woken is not None and self._woken in readable:
            self._woken.recv(READ_BYTES)
        if waits or sock in readable:
            code = self.loop_read()
            self._taken()
            if code != _DONE or self.socket() is None:
                return code
        if self.want_write():
            code = self.loop_write()
            if code != _DONE or self.socket() is None:
                return code
        return self.loop_misc()

    # ---- reading ---------------------------------------------------------------------------

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what has come, and take it in as far as it is whole."""
        if not self._paho_left:
            self._fill()
        while self._is_for_paho():
            code = super().loop_read(max_packets)
            if code != _DONE or self._paho_left:
                return code
        return _DONE

    def _fill(self) -> None:
        """Read of the system; the end of the line is for paho to find, and to deal with."""
        try:
            came = super()._sock_recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError as fault:
            self._end, came = fault, b""
        if came:
            self._came += came
            self._last_bytes_received = time.monotonic()  # else paho asks whether the line holds
        else:
            self._came.clear()
            self._paho_left = 1

    def _is_for_paho(self) -> bool:
        """Take in the plain messages in front; return whether what is in front then is paho's."""
        came, at, count = self._came, 0, 0
        acks = bytearray()
        while not self._paho_left and (place := packet_place(came, at)) is not None:
            begins, ends = place
            whole = ends <= len(came)
            if not whole and ends - at <= READ_BYTES:
                break
            plain = None
            if whole:
                body = came[begins:ends]
                plain = plain_message(came[at], body, has_properties=self._has_properties)
            if plain is None:
                self._paho_left = ends - at
                break
            self._take(plain[0])
            acks += plain[1]
            at, count = ends, count + 1
            if count % PORTION == 0:
                self._acknowledge(acks)
                acks = bytearray()
                self._taken()
        del came[:at]
        self._acknowledge(acks)
        return bool(self._paho_left)

    def _acknowledge(self, acks: bytearray) -> None:
        """Send several acknowledgements as if they were one."""
        if acks:
            self._packet_queue(_PUBACK, bytes(acks), 0, 1)
            self.loop_write()

    def _sock_recv(self, bufsize: int) -> bytes:
        """Give paho what is its to read, and not a byte of the packet after it."""
        if self._end is not None:
            raise self._end
        if not self._paho_left:
            raise BlockingIOError
        if self._came:
            part = bytes(self._came[: min(bufsize, self._paho_left)])
            del self._came[: len(part)]
        else:
            part = super()._sock_recv(bufsize)
        self._paho_left -= len(part)
        return part
