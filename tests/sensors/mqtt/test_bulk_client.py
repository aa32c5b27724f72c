"""Reading in bulk is what paho does one message at a time: held against paho itself, byte by byte.

Reference: paho-mqtt's own client on the same stream; packets after MQTT 5.0 (OASIS, 2019).
"""

from __future__ import annotations

import random
import select
import socket
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from sensors.mqtt.bulk_client import PORTION, READ_BYTES, BulkClient

V311, V5 = MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5


def packet(head: int, body: bytes) -> bytes:
    """Return a packet, its length as the standard's 1.5.5 writes it."""
    length, left = b"", len(body)
    while True:
        left, low = divmod(left, 128)
        length += bytes((low | (128 if left else 0),))
        if not left:
            return bytes((head,)) + length + body


def publish(
    topic: bytes, payload: bytes, *, v5: bool, qos: int = 1, mid: int = 1, head: int = 0x30,
    properties: bytes = b"",
) -> bytes:  # fmt: skip
    """Return a PUBLISH packet."""
    body = len(topic).to_bytes(2, "big") + topic
    if qos:
        body += mid.to_bytes(2, "big")
    if v5:
        body += bytes((len(properties),)) + properties
    return packet(head | qos << 1, body + payload)


def connack(*, v5: bool) -> bytes:
    """Return the broker's consent."""
    return packet(0x20, b"\0\0\0" if v5 else b"\0\0")


def stream(chance: random.Random, *, v5: bool) -> bytes:
    """Return what a broker might send in one go: mostly readings, and everything else between."""
    others: list[Callable[[int], bytes]] = [
        lambda mid: publish(b"tent/a", b"", v5=v5, mid=mid),
        lambda mid: publish(b"tent/once", b"2", v5=v5, qos=2, mid=mid),
        lambda mid: packet(0x62, mid.to_bytes(2, "big")),  # PUBREL of what never came
        lambda _: packet(0xD0, b""),  # PINGRESP
        lambda mid: publish(b"tent/\xff\xfe", b"21", v5=v5, mid=mid),
        lambda mid: publish("zelt/größe".encode(), b"22", v5=v5, mid=mid, head=0x39),
        lambda mid: publish(b"tent/long", bytes(READ_BYTES + 5_000), v5=v5, mid=mid),
        lambda mid: publish(b"tent/over", bytes(range(256)) * 600, v5=v5, qos=0, mid=mid),
    ]
    if v5:
        expires = b"\x02\0\0\0\x3c"  # message expiry interval, 3.3.2.3.3
        others.append(lambda mid: publish(b"tent/p", b"23", v5=True, mid=mid, properties=expires))
    parts = []
    for mid in range(1, 400):
        if chance.random() < 0.15:
            parts.append(chance.choice(others)(mid))
        else:
            topic, value = f"tent/{mid % 7}".encode(), f"{chance.uniform(-9, 40):.3f}".encode()
            qos, retain = chance.choice((0, 1, 1)), chance.choice((0, 0, 1))
            parts.append(publish(topic, value, v5=v5, qos=qos, mid=mid, head=0x30 | retain))
    return b"".join(parts)


@dataclass
class Account:
    """What a client took, and what it sent after its CONNECT."""

    took: list[tuple[str, bytes, bool]] = field(default_factory=list)
    sent: bytes = b""
    code: MQTTErrorCode = MQTTErrorCode.MQTT_ERR_SUCCESS

    def take(self, message: paho.MQTTMessage) -> None:
        """Note a message."""
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        self.took.append((topic, bytes(message.payload), bool(message.retain)))


def paho_client(account: Account, protocol: MQTTProtocolVersion) -> paho.Client:
    """Return paho's own client."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id="c", protocol=protocol, reconnect_on_failure=False
    )
    client.on_message = lambda _client, _data, message: account.take(message)
    return client


def bulk_client(account: Account, protocol: MQTTProtocolVersion) -> BulkClient:
    """Return ours."""
    return BulkClient(
        take=account.take,
        taken=lambda: None,
        callback_api_version=CallbackAPIVersion.VERSION2,
        client_id="c",
        protocol=protocol,
        reconnect_on_failure=False,
    )


def heard_of(pieces: list[bytes], *, v5: bool, bulk: bool) -> Account:
    """Send pieces to a client as a broker would, and return what became of them."""
    account = Account()
    protocol = V5 if v5 else V311
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = (bulk_client if bulk else paho_client)(account, protocol)
        client.connect("127.0.0.1", server.getsockname()[1], 60)
        line, _ = server.accept()
        with line:
            line.settimeout(10.0)
            sender = threading.Thread(target=_send, args=(line, pieces, account))
            sender.start()
            until = time.monotonic() + 30.0
            while account.code == MQTTErrorCode.MQTT_ERR_SUCCESS and time.monotonic() < until:
                account.code = turned(client)
            sender.join()
    return account


def turned(client: paho.Client) -> MQTTErrorCode:
    """Let a client go round once; an older paho raises what it makes of a malformed packet."""
    try:
        return client.turn(0.2) if isinstance(client, BulkClient) else client.loop(0.2)
    except struct.error:
        return MQTTErrorCode.MQTT_ERR_PROTOCOL


def _send(line: socket.socket, pieces: list[bytes], account: Account) -> None:
    """Read the CONNECT, send the pieces, and read on until the client has answered all."""
    line.recv(4_096)
    for piece in pieces:
        line.sendall(piece)
        account.sent += _waiting(line, 0.0)
    account.sent += _waiting(line, 0.3)
    with suppress(OSError):  # the client has closed it
        line.shutdown(socket.SHUT_WR)


def _waiting(line: socket.socket, wait_s: float) -> bytes:
    came = b""
    while select.select([line], [], [], wait_s)[0]:
        try:
            part = line.recv(65_536)
        except ConnectionError:
            break
        if not part:
            break
        came += part
    return came


def cut(whole: bytes, chance: random.Random) -> list[bytes]:
    """Return a stream in pieces, small ones at first, as a network may cut it."""
    pieces, at = [], 0
    while at < len(whole):
        size = chance.choice((1, 2, 3, 7, 50, 1_000, 30_000, 100_000))
        pieces.append(whole[at : at + size])
        at += size
    return pieces


@pytest.mark.parametrize("v5", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_takes_and_answers_what_paho_takes_and_answers(seed: int, v5: bool) -> None:
    chance = random.Random(seed)
    pieces = cut(connack(v5=v5) + stream(chance, v5=v5), chance)
    ours, paho_own = (heard_of(pieces, v5=v5, bulk=bulk) for bulk in (True, False))
    assert len(paho_own.took) > 300
    assert ours.took == paho_own.took
    assert ours.sent == paho_own.sent
    assert ours.code == paho_own.code


@pytest.mark.parametrize(
    "wrong",
    [
        b"\x30\xff\xff\xff\xff\x7f",  # a length of five bytes (1.5.5 allows four)
        packet(0x36, b"\0\x01a\0\x01x"),  # QoS 3 (3.3.1.2: malformed)
        packet(0x32, b"\0\x09ab"),  # its topic is longer than it is
        packet(0x00, b"\0\0"),  # a kind that there is not (2.1.2)
    ],
)
def test_ends_a_line_that_breaks_the_standard_as_paho_does(wrong: bytes) -> None:
    before = publish(b"tent/a", b"20", v5=False, mid=7)
    pieces = [connack(v5=False) + before + wrong + before]
    ours, paho_own = (heard_of(pieces, v5=False, bulk=bulk) for bulk in (True, False))
    assert ours.took[:1] == [("tent/a", b"20", False)]
    assert ours.took == paho_own.took
    assert ours.code == paho_own.code != MQTTErrorCode.MQTT_ERR_SUCCESS


def test_answers_after_a_portion_and_tells_of_it() -> None:
    told: list[int] = []
    account = Account()
    client = bulk_client(account, V311)
    client._taken = lambda: told.append(len(account.took))
    many = b"".join(publish(b"t", b"1", v5=False, mid=mid) for mid in range(1, 2 * PORTION + 6))
    with socket.create_server(("127.0.0.1", 0)) as server:
        client.connect("127.0.0.1", server.getsockname()[1], 60)
        line, _ = server.accept()
        with line:
            line.sendall(connack(v5=False) + many)
            time.sleep(0.2)
            assert client.turn(5.0) == MQTTErrorCode.MQTT_ERR_SUCCESS
            client.turn(0.0)
            sent = _waiting(line, 0.2)
        client.disconnect()
    # The broker's consent is one of the first portion.
    assert told[:3] == [PORTION - 1, 2 * PORTION - 1, 2 * PORTION + 5]
    acks = sent[-4 * len(account.took) :]
    assert acks == b"".join(
        b"\x40\x02" + mid.to_bytes(2, "big") for mid in range(1, 2 * PORTION + 6)
    )


def test_a_publish_of_another_thread_does_not_wait_for_the_line() -> None:
    account = Account()
    client = bulk_client(account, V311)
    client.on_socket_register_write = lambda *_: None
    with socket.create_server(("127.0.0.1", 0)) as server, client.awake():
        client.connect("127.0.0.1", server.getsockname()[1], 60)
        line, _ = server.accept()
        with line:
            line.sendall(connack(v5=False))
            while not client.is_connected():
                client.turn(0.1)
            _waiting(line, 0.1)
            turning = threading.Thread(target=client.turn, args=(20.0,))
            turning.start()
            time.sleep(0.1)
            began_s = time.monotonic()
            client.publish("tent/word", b"GO", 1)
            client.wake()
            turning.join(30.0)
            assert time.monotonic() - began_s < 10.0
            assert b"tent/wordGO" in _waiting(line, 0.5).replace(b"\0\x01", b"")
        client.disconnect()
    client.wake()  # nobody turns any more
