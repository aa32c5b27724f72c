"""A network that can go dark: a proxy which then keeps every line open and carries nothing.

A browser's own offline switch leaves an open stream alone, and a closed line is noticed at once;
a radio that is out of reach does neither.
"""

from __future__ import annotations

import contextlib
import socket
import threading

from tests.system.broker import free_port


class DarkProxy:
    """Carries bytes from a loopback port to another until it goes dark."""

    def __init__(self, to_port: int) -> None:
        self.port = free_port()
        self._to_port = to_port
        self._lit = threading.Event()
        self._lit.set()
        self._ended = False
        self._sockets: list[socket.socket] = []
        self._door = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, daemon=True).start()

    def dark(self) -> None:
        """Carry nothing more; lines stay open, and new ones are taken and not answered."""
        self._lit.clear()

    def light(self) -> None:
        """Carry again, what has waited first."""
        self._lit.set()

    def close(self) -> None:
        """End every line."""
        self._ended = True
        self._lit.set()
        for each in (self._door, *self._sockets):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()

    def _accept(self) -> None:
        while not self._ended:
            try:
                near, _ = self._door.accept()
                self._lit.wait()
                far = socket.create_connection(("127.0.0.1", self._to_port), 5.0)
            except OSError:
                if self._ended:
                    return
                near.close()
                continue
            far.settimeout(None)
            self._sockets += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while part := one.recv(65_536):
                self._lit.wait()
                other.sendall(part)
        for each in (one, other):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
