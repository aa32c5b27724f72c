"""A real `filmcall watch` on a real broker, to be killed, starved and cut off; and what it kept.

One enclosure with one plank: 20 degC and 50 % have a dew point of 9.3 degC (ASHRAE Fundamentals),
so 19 degC is dry and 8 degC is past every bound. The spec is the shipped topcoat with short times.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.specs import spec_text

ROOT = Path(__file__).resolve().parents[2]
DRY_C, WET_C = 19.0, 8.0
EVERY_S = 0.05
STATUS, MARK = "filmcall/bench/status", "filmcall/mark"
CONFIG = """
[broker]
host = "127.0.0.1"
port = {port}
[publish]
station = "bench"
[[enclosure]]
name = "tent"
spec = "quick.toml"
[[enclosure.point]]
name = "air"
quantity = "air_temp"
unit = "degC"
topic = "tent/air"
value = "t"
time = "at"
max_age = "3 s"
[[enclosure.point]]
name = "air"
quantity = "humidity"
unit = "%"
topic = "tent/air"
value = "rh"
time = "at"
max_age = "3 s"
[[enclosure.point]]
name = "plank"
quantity = "surface_temp"
unit = "degC"
topic = "tent/plank"
value = "t"
time = "at"
max_age = "3 s"
rate_floor = "30 K"
"""
# Shifts the wall clock by what a file says, as a person or the network would set it.
CLOCK = """
import os, pathlib, time
_wall, _by = time.time, pathlib.Path(os.environ["CRASH_CLOCK"])
time.time = lambda: _wall() + float(_by.read_text() or 0)
"""
MAIN = "from monitor.cli.app import main; main()"


def command(*words: str, clock: bool = False) -> list[str]:
    """Return the words that run `filmcall` in a process of its own."""
    return [sys.executable, "-c", (CLOCK if clock else "") + MAIN, *words]


def environment(**more: str) -> dict[str, str]:
    """Return what such a process has to find."""
    path = os.pathsep.join(filter(None, (str(ROOT), os.environ.get("PYTHONPATH"))))
    return {**os.environ, "PYTHONPATH": path, "PYTHONUNBUFFERED": "1", **more}


def wait_for(
    condition: Callable[[], object],
    what: str,
    *,
    dead: Callable[[], str] = str,
    timeout_s: float = 60.0,
) -> float:
    """Wait until something is so, and return how long it took [s].

    Args:
        condition: whether it is so.
        what: to say where it does not come.
        dead: why it cannot come any more, or "".
        timeout_s: longest wait [s].
    """
    began_s = time.monotonic()
    while not condition():
        if why := dead():
            raise AssertionError(f"never again: {what}; {why}")
        if time.monotonic() > began_s + timeout_s:
            raise AssertionError(f"not within {timeout_s:g} s: {what}")
        time.sleep(0.01)
    return time.monotonic() - began_s


class Child:
    """`filmcall watch --jsonl` in a process of its own.

    Attributes:
        told: what it has said on its standard output, in whole lines.
    """

    def __init__(
        self, folder: Path, port: int, db: Path, *, clock: Path | None = None, **options: Any
    ) -> None:
        (folder / "quick.toml").write_text(
            spec_text("polyurethane-topcoat")[1] + '\n[call]\ndwell = "0.1 s"\nre_entry = "0.1 s"\n'
        )
        config = folder / "config.toml"
        config.write_text(CONFIG.format(port=port))
        words = ("watch", "--config", str(config), "--jsonl", "--db", str(db))
        more = {} if clock is None else {"CRASH_CLOCK": str(clock)}
        self.process = subprocess.Popen(
            command(*words, clock=clock is not None),
            cwd=folder,
            env=environment(**more),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **options,
        )
        self.told: list[dict[str, Any]] = []
        self._said: list[str] = []
        self._threads = [
            threading.Thread(target=each, daemon=True) for each in (self._hear, self._moan)
        ]
        for thread in self._threads:
            thread.start()

    def _hear(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.endswith("\n") and line.startswith("{"):
                self.told.append(json.loads(line))

    def _moan(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self._said.append(line)

    @property
    def said(self) -> str:
        """What it has said on its standard error."""
        return "".join(self._said)

    def last(self) -> tuple[str, bool]:
        """Return the last call told and whether it was unlogged."""
        if not self.told:
            return "", False
        return str(self.told[-1]["call"]), bool(self.told[-1].get("unlogged"))

    def wait_for_call(self, call: str, *, unlogged: bool | None = None) -> float:
        """Wait until it has told a call as its last, and return how long that took [s]."""
        return wait_for(
            lambda: self.last()[0] == call and unlogged in (None, self.last()[1]),
            f"{call}, unlogged {unlogged}",
            dead=self._dead,
        )

    def first(self) -> dict[str, Any]:
        """Wait for the first call that it tells, and return it."""
        wait_for(lambda: self.told, "a first call", dead=self._dead)
        return self.told[0]

    def _dead(self) -> str:
        if self.process.poll() is None:
            return ""
        time.sleep(0.1)  # its last words
        return f"ended with {self.process.returncode}, told {self.last()}, said {self.said}"

    def reason(self, limit: str) -> str:
        """Return the text of one reason of the last call, or ""."""
        reasons = self.told[-1]["reasons"] if self.told else []
        return next((str(each["text"]) for each in reasons if each["limit"] == limit), "")

    def kill(self) -> None:
        """Kill it and wait until all that it had said is here."""
        self.process.kill()
        self._gather()

    def end(self) -> int:
        """Ask it to end as a service manager would, and return its exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        return self._gather()

    close = kill

    def _gather(self) -> int:
        code = self.process.wait(60.0)
        for thread in self._threads:
            thread.join(60.0)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()
        return code


class Feed:
    """The sensors, 60 readings a second, each with its own time.

    Attributes:
        surface_c: of the plank.
        flip_s: how often the plank turns from dry to wet and back, or 0 for never [s].
        sent_s: times of the plank's readings, as the broker has acknowledged them.
    """

    def __init__(self, port: int, flip_s: float = 0.0, clock: Path | None = None) -> None:
        self.surface_c = DRY_C
        self.flip_s = flip_s
        self.sent_s: list[float] = []
        self._clock = clock
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port, 30)
        self._client.loop_start()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        flipped_s = time.monotonic()
        while not self._ending.wait(EVERY_S):
            if self.flip_s and time.monotonic() - flipped_s > self.flip_s:
                flipped_s = time.monotonic()
                self.surface_c = WET_C if self.surface_c == DRY_C else DRY_C
            # Whole milliseconds, so that no rounding stands between what was sent and kept.
            at_s = round(time.time(), 3)
            if self._clock is not None:
                at_s += float(self._clock.read_text() or 0)
            air = {"t": 20.0, "rh": 50.0, "at": at_s}
            self._client.publish("tent/air", json.dumps(air), 1)
            plank = self._client.publish(
                "tent/plank", json.dumps({"t": self.surface_c, "at": at_s}), 1
            )
            plank.wait_for_publish(60.0)
            self.sent_s.append(at_s)

    def close(self) -> None:
        """Fall silent."""
        self._ending.set()
        self._thread.join(60.0)
        self._client.disconnect()
        self._client.loop_stop()


class Lamp:
    """Hears the calls at the broker as a lamp would: never a retained one."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, str]] = []
        self._status = b""
        self._marked = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port, 30)
        self._client.subscribe([("filmcall/tent/call", 1), (STATUS, 1), (MARK, 1)])
        self._client.loop_start()

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic == MARK:
            self._marked.set()
        elif message.topic == STATUS:
            self._status = message.payload
        elif not message.retain and message.payload:
            told = json.loads(message.payload)
            if not told.get("unlogged"):
                self.heard.append((told["call"], told["stage"]))

    def settle(self) -> None:
        """Wait until all that a killed program had told is heard: its last will comes after it."""
        self._marked.clear()
        self._client.publish(MARK, b"", 1)
        wait_for(self._marked.is_set, "the lamp's own word")
        wait_for(lambda: self._status != b"online", "the last will")

    def close(self) -> None:
        """Stop listening."""
        self._client.disconnect()
        self._client.loop_stop()
