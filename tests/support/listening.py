"""A yard that a test fills: calls as a watch says them, a moment that moves, no link at all."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC
from typing import Any

from monitor.contract import VALID_S
from monitor.listen.message import Done
from monitor.listen.words import silence_text
from monitor.listen.yard import Faults, Key, Moment, News, Row, Yard
from rules.errors import FilmcallError
from rules.text import iso_utc

NOW_S = 1_800_000_000.0  # 2027-01-15 08:00 UTC
TENT = Key("shed-pi", "tent")


def call(word: str = "GO", at_s: float = NOW_S, station: str = "shed-pi", **more: Any) -> bytes:
    said = {
        "enclosure": "tent",
        "call": word,
        "station": station,
        "time": iso_utc(at_s),
        "valid_until": iso_utc(at_s + VALID_S),
    }
    return json.dumps({**said, **more}).encode()


class Rig:
    """A yard and a moment that moves."""

    def __init__(self, *, up: bool = True) -> None:
        self.yard = Yard("filmcall")
        self.wall_s, self.steady_s = NOW_S, 100.0
        if up:
            self.yard.linked()

    @property
    def now(self) -> Moment:
        return Moment(self.wall_s, self.steady_s)

    def wait(self, seconds: float) -> None:
        self.wall_s += seconds
        self.steady_s += seconds

    def say(self, payload: bytes, *, retained: bool = False, enclosure: str = "tent") -> None:
        self.yard.take(f"filmcall/{enclosure}/call", payload, self.now, retained=retained)

    def status(self, payload: bytes = b"online", station: str = "shed-pi") -> None:
        self.yard.take(f"filmcall/{station}/status", payload, self.now, retained=True)

    def beat(self, seconds: int = 1, station: str = "shed-pi") -> None:
        """Let a watch beat once a second for so long."""
        for number in range(seconds):
            self.wait(1.0)
            beat = f"a1b2c3d4 {number}".encode()
            self.yard.take(f"filmcall/{station}/heartbeat", beat, self.now, retained=False)

    def word(self, key: Key = TENT) -> str:
        return self.yard.shown(key, self.now).word

    def why(self, key: Key = TENT) -> str:
        return silence_text(self.yard.shown(key, self.now), key.station, UTC, self.wall_s)


class Ear:
    """What a `Listener` is to the page, without a broker: a test says what was heard."""

    def __init__(self) -> None:
        self.on_change: list[Callable[[], None]] = []
        self.rig = Rig()
        self.sent: list[tuple[str, dict[str, Any]]] = []
        self.answers: dict[str, Done] = {}
        self.waiting: dict[str, Future[Done]] = {}

    @property
    def up(self) -> bool:
        return self.rig.yard.up

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def rows(self) -> list[Row]:
        return self.rig.yard.rows(self.rig.now)

    def news(self, *, whole: bool = False) -> News:
        return self.rig.yard.news(self.rig.now, whole=whole)

    def row(self, key: Key) -> Row:
        return self.rig.yard.row(key, self.rig.now)

    def faults(self) -> Faults:
        return self.rig.yard.faults

    def forget(self, name: str) -> None:
        self.waiting.pop(name, None)

    def press(self, enclosure: str, event: dict[str, Any]) -> Future[Done]:
        if not self.up:
            raise FilmcallError("no link to the broker, so nothing was sent; press again later")
        self.sent.append((enclosure, event))
        answer: Future[Done] = Future()
        done = self.answers.get(str(event.get("kind", "")))
        if done is not None:
            answer.set_result(done)
        self.waiting[str(event["id"])] = answer
        return answer
