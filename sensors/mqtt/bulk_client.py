"""paho's client, made to read much at a time and to be woken once for all of it.

paho asks the system for a message's first byte, then for its length, then for the rest, and wakes
itself for each answer: at 2,000 messages a second that was most of what an intake cost. Here one
read serves all that has come; what it means, and what is answered, is paho's to say as ever.
"""

from __future__ import annotations

import select
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode

READ_BYTES = 65_536
"""Asked of the system at a time [bytes]."""

PORTION = 16
"""Messages after which the broker is answered, so that it sends on while others are read [-]."""

_DONE = MQTTErrorCode.MQTT_ERR_SUCCESS


class BulkClient(paho.Client):
    """A client that somebody turns; paho's `loop`, `loop_start` and `loop_forever` are not used."""

    def __init__(
        self,
        *,
        take: Callable[[paho.MQTTMessage], None],
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
        self._came, self._at = b"", 0  # read of the system, and up to where paho has taken it
        self._ended = False
        self._fault: OSError | None = None  # by which it ended
        self._woken: socket.socket | None = None
        self._waker: socket.socket | None = None
        super().__init__(**settings)
        self.on_message = self._hand_on

    def _hand_on(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        self._take(message)

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew; what came by the line before is gone with it."""
        self._came, self._at, self._ended, self._fault = b"", 0, False, None
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
        """Read what has come, and take in what is whole of it."""
        self._fill()
        count = 0
        while self._at < len(self._came) or self._ended:
            code = super().loop_read(max_packets)
            if code != _DONE or self._ended:
                return code
            count += 1
            if count % PORTION == 0:
                self.loop_write()
                self._taken()
        return _DONE

    def _fill(self) -> None:
        """Read of the system; the end of the line is for paho to find, and to deal with."""
        try:
            self._came, self._at = super()._sock_recv(READ_BYTES), 0
            self._ended = not self._came
        except BlockingIOError:
            return
        except OSError as fault:
            self._ended, self._fault = True, fault

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._fault is not None:
            raise self._fault
        part = self._came[self._at : self._at + bufsize]
        self._at += len(part)
        if not part and not self._ended:
            raise BlockingIOError
        return part
