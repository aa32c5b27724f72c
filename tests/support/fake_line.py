"""A line to a broker that only writes down what is handed to it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Message:
    topic: str
    payload: bytes
    qos: int
    retain: bool
    expiry_s: int | None

    @property
    def body(self) -> dict[str, Any]:
        found = json.loads(self.payload)
        assert isinstance(found, dict)
        return found


class Sent:
    def __init__(self, line: FakeLine) -> None:
        self.line = line

    def wait(self, timeout_s: float) -> bool:
        self.line.waited_s.append(timeout_s)
        return True


@dataclass
class FakeLine:
    on_connected: list[Callable[[], None]] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    wills: list[Message] = field(default_factory=list)
    waited_s: list[float] = field(default_factory=list)

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        self.wills.append(Message(topic, payload, qos, retain, None))

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> Sent:
        self.messages.append(Message(topic, payload, qos, retain, expiry_s))
        return Sent(self)

    def take(self, *topics: str) -> list[Message]:
        found = [each for each in self.messages if not topics or each.topic in topics]
        self.messages.clear()
        return found
