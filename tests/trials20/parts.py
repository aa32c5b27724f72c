"""What the trials share: the program as a child, a station, one that plays a station, a dark line.

The trials are written from the contract for listeners and from the design alone; nothing here
calls the program but by its command line, the broker, HTTP, and the log's file as SQLite.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Callable
from contextlib import chdir
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

import command
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.specs import spec_text
from tests.system.test_watch import HEAD, ROOM

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = (sys.executable, "-c", "from monitor.cli.app import main; main()")
PATIENCE_S = 60.0


def environment(**more: str) -> dict[str, str]:
    """Return a child's environment, in which the program is found."""
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "COLUMNS": "200"} | more


def filmcall(
    *words: object, stdin: str = "", timeout_s: float = 60.0, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command to its end, or kill it after a time."""
    return subprocess.run(
        [*PROGRAM, *(str(word) for word in words)],
        cwd=ROOT,
        env=env or environment(),
        input=stdin,
        capture_output=True,
        text=True,
        timeout=timeout_s,
    )


def run_here(
    *words: object, stdin: str = "", env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command to its end in this process, where it is not the process that is tried."""
    typed = [str(word) for word in words]
    with (
        chdir(ROOT),
        patch.dict(os.environ, env or environment()),
        patch.object(sys, "stdin", io.StringIO(stdin)),
    ):
        ran = command.filmcall(*typed)
    return subprocess.CompletedProcess(typed, ran.code, ran.out, ran.err)


def refusal(ran: subprocess.CompletedProcess[str]) -> str:
    """Return the sentence with which a command refused; it has to be one made for the case."""
    said = " ".join(ran.stderr.split())
    assert ran.returncode not in (0, -signal.SIGKILL), ran.stdout
    assert said
    assert not re.search(r"(?i)Traceback|Usage:|no such (command|option)", said), said
    return said


def until(what: str, found: Callable[[], Any], timeout_s: float = PATIENCE_S) -> Any:
    """Wait for something and return it; fail with its name when it does not come."""
    end_s = time.monotonic() + timeout_s
    while not (value := found()):
        assert time.monotonic() < end_s, f"{what} did not come within {timeout_s:g} s"
        time.sleep(0.02)
    return value


def iso(at_s: float) -> str:
    """Return a time as the wire has it."""
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:23] + "Z"


def seconds(text: str) -> float:
    """Return a time of the wire [s since 1970]."""
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


class Child:
    """`filmcall` in a process of its own, whose lines are collected."""

    def __init__(self, *words: object, env: dict[str, str] | None = None) -> None:
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [*PROGRAM, *(str(word) for word in words)],
            cwd=ROOT,
            env=env or environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        self.lines.extend(self.process.stdout)

    @property
    def said(self) -> str:
        """All that it has printed."""
        return "".join(tuple(self.lines))

    def alive(self) -> bool:
        """Whether it runs; where it ended by itself, fail with its last words."""
        assert self.process.poll() is None, f"it ended: {self.said[-600:]}"
        return True

    def end(self, number: signal.Signals = signal.SIGKILL) -> int:
        """Send a signal and wait for the end; kill what does not heed it."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        try:
            return self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return self.process.wait(PATIENCE_S)
        finally:
            self._reader.join(PATIENCE_S)

    def close(self) -> None:
        """Kill it."""
        self.end()


def config_text(port: int, *rooms: str, station: str = "bench", more: str = "") -> str:
    """Return a config: a shipped spec with a dwell of 1 s, one hull side with a probe a room."""
    head = HEAD.format(port=port, broker=more, station=station)
    room = ROOM.replace('name = "plank"', 'name = "plank"\nsection = "hull-port"')
    return head + "".join(room.format(name=name) for name in rooms or ("tent",))


class Station(Child):
    """`filmcall watch` on a real broker; its coating lives in the pot for 1 min at 20 degC."""

    def __init__(
        self, folder: Path, port: int, *rooms: str, station: str = "bench", more: str = ""
    ) -> None:
        pot = 'pot_life = { "10 degC" = "2 min", "20 degC" = "1 min", "30 degC" = "1 min" }'
        spec = re.sub(r"(?m)^pot_life = .*$", pot, spec_text("polyurethane-topcoat")[1])
        (folder / "quick.toml").write_text(
            spec + '\n[call]\ndwell = "1 s"\nre_entry = "2 s"\n', encoding="utf-8"
        )
        self.config = folder / f"{station}.toml"
        self.config.write_text(config_text(port, *rooms, station=station, more=more))
        self.db = folder / f"{station}.db"
        super().__init__("watch", "--config", self.config, "--plain", "--db", self.db)

    def ready(self) -> Station:
        """Wait until it has answered the first readings with GO."""
        until("GO", lambda: self.alive() and re.search(r"(?m)^\S+Z  GO", self.said))
        return self


def rows(db: Path, query: str, *values: object) -> list[tuple[Any, ...]]:
    """Return rows of a log's file."""
    connection = sqlite3.connect(db, timeout=PATIENCE_S)
    try:
        return connection.execute(query, values).fetchall()
    finally:
        connection.close()


def uuid_of(db: Path) -> str:
    """Return a log's UUID."""
    return str(rows(db, "SELECT value FROM meta WHERE key = 'uuid'")[0][0])


def call_message(
    enclosure: str = "tent",
    call: str = "GO",
    *,
    station: str = "shed-pi",
    valid_s: float = 60.0,
    **more: object,
) -> dict[str, Any]:
    """Return an invented call as the wire has it."""
    now_s = time.time()
    state = {"GO": "ok", "HOLD": "near", "STOP": "broken"}[call]
    text = "Hull 6.1 K above dew point; wants 3.0 K"
    reason = {"limit": "dew_margin_min", "state": state, "value": 6.1, "bound": 3.0}
    one = {
        "call": call,
        "question": "may I start?",
        "stage": "prep",
        "section": "hull-port",
        "advice": "You may start",
        "reasons": [reason | {"guard": 0.9, "unit": "K", "text": text}],
        "air_temp_c": 20.0,
        "rh_pct": 55.0,
        "surface_temp_c": 16.8,
        "dew_point_c": 10.7,
        "dew_margin_k": 6.1,
        "dew_margin_u95_k": 1.1,
        "looked_ahead_s": 3600.0,
        "harm_time_s": 95_000.0,
        "spec": "polyurethane-topcoat",
        "time": iso(now_s),
    }
    ends = iso(now_s + 7200.0)
    clock = {"name": "recoat opens", "section": "hull-port", "state": "running", "left_s": 7200.0}
    bands = [
        {"ahead_s": 1800.0 * n, "margin_low_k": 4.0, "margin_mid_k": 5.0, "margin_high_k": 6.0}
        for n in range(13)
    ]
    return {
        "enclosure": enclosure,
        **one,
        "sections": [one],
        "station": station,
        "log": str(uuid.uuid5(uuid.NAMESPACE_DNS, station)),
        "row": 7,
        "seal": "5e" * 32,
        "since": iso(now_s - 60.0),
        "valid_until": iso(now_s + valid_s),
        "clocks": [clock | {"ends_at": ends, "ends_at_range": [ends, ends], "basis": "2 h of it"}],
        "outlook": {"state": "ok", "text": "Good all night", "breaks_at": None, "bands": bands},
        "alarms": [],
        "events": [],
        "lines": [text],
        **more,
    }


class Actor:
    """Plays a station: says calls and life, hears events and answers them."""

    def __init__(self, port: int, station: str = "shed-pi") -> None:
        self.station = station
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.warnings: list[str] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"actor-{station}")
        self.client.on_connect = lambda client, *_: client.subscribe("filmcall/+/event", 1)
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port, 30)
        self.client.loop_start()
        self.life("online")

    def say(self, topic: str, payload: str, *, retain: bool = True) -> None:
        """Publish below the base and wait for the acknowledgement."""
        self.client.publish(f"filmcall/{topic}", payload, 1, retain).wait_for_publish(PATIENCE_S)

    def life(self, word: str) -> None:
        """Say online or offline."""
        self.say(f"{self.station}/status", word)

    def call(self, enclosure: str = "tent", call: str = "GO", **more: Any) -> None:
        """Say a call, and its word."""
        message = call_message(enclosure, call, station=self.station, **more)
        self.say(f"{enclosure}/call", json.dumps(message))
        self.say(f"{enclosure}/word", call, retain=False)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        event = json.loads(message.payload)
        self.events.append((message.topic, event))
        done = {
            "id": event["id"],
            "kind": event["kind"],
            "section": event.get("section"),
            "result": "recorded",
            "time": iso(time.time()),
            "log": str(uuid.uuid5(uuid.NAMESPACE_DNS, self.station)),
            "row": len(self.events),
            "warnings": self.warnings,
            "text": "Recorded by the actor.",
        }
        self.client.publish(f"{message.topic}/done", json.dumps(done), 1)

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()


class DarkLine:
    """A proxy that can go dark: the connection stands and nothing comes through any more."""

    def __init__(self, port: int) -> None:
        self.dark = threading.Event()
        self._to = port
        self._ends: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
                far = socket.create_connection(("127.0.0.1", self._to), 5.0)
            except OSError:
                return
            far.settimeout(None)
            self._ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(one, other), daemon=True).start()

    def _pump(self, one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65_536):
                if not self.dark.is_set():
                    other.sendall(data)
            other.shutdown(socket.SHUT_WR)
        except OSError:
            pass

    def close(self) -> None:
        """End all lines."""
        for end in (self._server, *self._ends):
            end.close()
