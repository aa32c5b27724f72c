"""Tells the service manager that the program is ready, alive and what it does (sd_notify).

Used by `watch` only; without a service manager every call does nothing.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping

from rules.errors import FilmcallError
from rules.text import printable

_STATUS_LIMIT = 200  # characters; what `systemctl status` shows on a line or two
_SEND_TIMEOUT_S = 1.0  # a manager that does not read may not hold up the watching
# Half of the manager's limit is what sd_watchdog_enabled(3) advises; a third leaves room for one
# evaluation that takes long.
_SHARE = 3.0


class NotifyFault(FilmcallError, ValueError):
    """What the service manager handed over cannot be used; the text is one sentence."""


class Notifier:
    """Speaks to the service manager over its datagram socket.

    A message that cannot be sent never stops the watching; it is counted in `failed`.

    Attributes:
        failed: messages that the manager's socket did not take [-].
        watchdog_s: the manager ends the program after this long without `alive`; None without
            a watchdog [s].
    """

    def __init__(
        self,
        address: str | None,
        watchdog_us: str | None = None,
        *,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; nothing is sent yet.

        Args:
            address: NOTIFY_SOCKET: a path, or `@` and an abstract name; None or empty for none.
            watchdog_us: WATCHDOG_USEC as text, or None for no watchdog [µs].
            monotonic: seconds of a clock that never jumps [s].

        Raises:
            NotifyFault: an address of another kind, or a watchdog time that is no number above 0.

        Source:
            sd_notify(3) and sd_watchdog_enabled(3) of systemd 252.

        >>> Notifier(None, "30000000").ready()
        False
        >>> Notifier("shed")
        Traceback (most recent call last):
            ...
        monitor.live.service.NotifyFault: NOTIFY_SOCKET 'shed' is neither a path from / nor an \
abstract name from @; the service manager would not hear of this program. Start it by its unit.
        """
        self.failed = 0
        self._monotonic = monotonic
        self._last_s = float("-inf")
        self._address = _address(address) if address else None
        self.watchdog_s = None if watchdog_us is None else _watchdog_s(watchdog_us)
        self._socket: socket.socket | None = None
        if self._address is not None:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.settimeout(_SEND_TIMEOUT_S)

    @classmethod
    def from_environment(
        cls,
        environment: Mapping[str, str],
        *,
        pid: int,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> Notifier:
        """Return a notifier by what the service manager put into the environment.

        Args:
            environment: the process's; read are NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID.
            pid: of this process; a watchdog that is meant for another one is left alone.
            monotonic: seconds of a clock that never jumps [s].

        Raises:
            NotifyFault: see `Notifier`.

        >>> shell = {"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}
        >>> Notifier.from_environment(shell, pid=4711).watchdog_s is None
        True
        """
        meant_for = environment.get("WATCHDOG_PID")
        ours = not meant_for or meant_for == str(pid)
        return cls(
            environment.get("NOTIFY_SOCKET"),
            (environment.get("WATCHDOG_USEC") or None) if ours else None,
            monotonic=monotonic,
        )

    @property
    def interval_s(self) -> float | None:
        """Longest wait of the main loop between two `alive`; None without a watchdog [s]."""
        return None if self.watchdog_s is None else self.watchdog_s / _SHARE

    def ready(self, status: str = "") -> bool:
        """Say that the log is open and the first call made; return whether it was sent."""
        return self._send("READY=1", *_status(status))

    def status(self, text: str) -> bool:
        """Say in one line what is going on; return whether it was sent."""
        return self._send(*_status(text))

    def alive(self) -> bool:
        """Say that the main loop has turned; return whether a message was sent.

        To be called from the main loop alone, on every turn: from a thread of its own it would
        vouch for a loop that is stuck. More often than `interval_s` it sends nothing.
        """
        if self.watchdog_s is None:
            return False
        now_s = self._monotonic()
        if now_s - self._last_s < self.watchdog_s / _SHARE:
            return False
        sent = self._send("WATCHDOG=1")
        if sent:
            self._last_s = now_s
        return sent

    def stopping(self, status: str = "") -> bool:
        """Say that the program is ending of its own will; return whether it was sent."""
        return self._send("STOPPING=1", *_status(status))

    def close(self) -> None:
        """Let the socket go; afterwards nothing is sent."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, *lines: str) -> bool:
        if self._socket is None or self._address is None or not lines:
            return False
        try:
            self._socket.sendto("\n".join(lines).encode("utf-8"), self._address)
        except OSError:  # a time-out is one
            self.failed += 1
            return False
        return True


def _status(text: str) -> tuple[str, ...]:
    # A line break would begin another field: text from the wire could say READY or WATCHDOG.
    return (f"STATUS={printable(text, _STATUS_LIMIT)}",) if text else ()


def _address(text: str) -> bytes:
    if text[0] not in "/@" or len(text) < 2:
        raise NotifyFault(
            f"NOTIFY_SOCKET '{printable(text, 60)}' is neither a path from / nor an abstract name "
            "from @; the service manager would not hear of this program. Start it by its unit."
        )
    raw = os.fsencode(text)
    # sockaddr_un(7): 108 bytes, of which a path needs one for the closing zero.
    if len(raw) > 107:
        raise NotifyFault(
            f"NOTIFY_SOCKET is {len(raw)} bytes long, and a socket's name has at most 107; the "
            "service manager would not hear of this program. Start it by its unit."
        )
    return b"\0" + raw[1:] if text[0] == "@" else raw


def _watchdog_s(text: str) -> float:
    if not (text.isascii() and text.isdigit() and len(text) < 20 and int(text) > 0):
        raise NotifyFault(
            f"WATCHDOG_USEC '{printable(text, 30)}' is not a whole number above 0; the service "
            "manager's watchdog could not be fed. Fix WatchdogSec in the unit."
        )
    return int(text) / 1e6
