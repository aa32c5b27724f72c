"""The words in which the state of the broker connection is told, and what became of a message."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import paho.mqtt.client as paho


@dataclass(frozen=True, slots=True)
class Backoff:
    """How long to wait before the next try: growing, capped, and never in step with others.

    Attributes:
        first_s: first wait [s].
        factor: growth from one wait to the next [-].
        cap_s: longest wait before jitter [s].
        jitter: share by which a wait is moved up or down at random, 0 to 1 [-].
        stable_s: a connection that held this long starts again with the first wait [s].
    """

    first_s: float = 1.0
    factor: float = 2.0
    cap_s: float = 30.0
    jitter: float = 0.25
    stable_s: float = 10.0


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


class Handle:
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
