"""`filmcall yard` and the page's TLS on real parts: broker, terminal, certificates."""

from __future__ import annotations

import contextlib
import json
import shutil
import ssl
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from queue import Empty, Queue
from typing import Any

import pytest
from listening import call

from monitor.page.accounts import add_account
from tests.system.broker import RealBroker, Sensor, free_port
from tests.system.certificates import Authority, openssl
from tests.system.conftest import need
from tests.system.proxy import DarkProxy

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0
CODE = "from monitor.cli.app import main; main()"


class Program:
    """A run of the program whose lines are read as they come."""

    def __init__(self, *words: object) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", CODE, *map(str, words)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._lines: Queue[str] = Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line.rstrip("\n"))

    def line(self) -> str:
        try:
            return self._lines.get(timeout=PATIENCE_S)
        except Empty:
            raise AssertionError("nothing was said") from None

    def said(self) -> int:
        return self._lines.qsize()

    def end(self) -> int:
        self._process.terminate()
        return self._process.wait(PATIENCE_S)


@pytest.fixture
def sensor(broker: RealBroker) -> Iterator[Sensor]:
    opened = Sensor(broker.port, "shed-pi")
    yield opened
    opened.close()


def say(sensor: Sensor, word: str, name: str = "tent", **more: Any) -> None:
    sensor.send("filmcall/shed-pi/status", b"online", retain=True)
    payload = call(word, time.time(), lines=["Hull wet; wants 3.0 K."], **more)
    sensor.send(f"filmcall/{name}/call", payload, retain=True)


def test_json_says_one_line_a_change_and_plain_says_it_in_words(
    broker: RealBroker, sensor: Sensor
) -> None:
    say(sensor, "GO", since="2027-01-15T08:00:00Z")
    address = f"127.0.0.1:{broker.port}"
    machine = Program("yard", "--broker", address, "--json")
    person = Program("yard", "--broker", address, "--plain")
    first = json.loads(machine.line())
    assert (first["station"], first["enclosure"], first["word"]) == ("shed-pi", "tent", "GO")
    assert (first["reason"], first["since"]) == ("Hull wet.", "2027-01-15T08:00:00Z")
    assert list(first) == [
        *("station", "enclosure", "word", "reason", "since", "valid_until", "alarms")
    ]
    assert "  GO       tent: Hull wet." in person.line()
    say(sensor, "GO", since="2027-01-15T08:00:00Z")  # renewed, not changed
    alarm = {"section": "hull", "fact": "harmed", "text": "Wet.", "rang_at": "2027-01-15T08:00:00Z"}
    say(sensor, "STOP", alarms=[alarm])
    second = json.loads(machine.line())
    assert second["word"] == "STOP"
    assert second["alarms"][0]["acknowledged_by"] is None
    assert person.line().endswith("[alarm]")
    sensor.send("filmcall/shed-pi/status", b"offline", retain=True)
    third = json.loads(machine.line())
    assert (third["word"], third["valid_until"]) == ("NONE", None)
    assert "it is offline" in third["reason"]
    assert "  NO CALL  tent: No word from shed-pi since" in person.line()
    assert (machine.said(), person.said()) == (0, 0)
    machine.end()
    person.end()


def test_beyond_a_bridge_whose_line_goes_dark_a_call_ends_within_ten_seconds(
    broker: RealBroker, sensor: Sensor, tmp_path: Path
) -> None:
    """README.md: no old GO, and NO CALL within ten seconds; the bridge is deploy/mosquitto's."""
    line = DarkProxy(broker.port)
    bridge = f"connection far\naddress 127.0.0.1:{line.port}\ntopic filmcall/# in 1\n"
    far = RealBroker(tmp_path, config=f"allow_anonymous true\npersistence false\n{bridge}")
    far.start()
    ended = threading.Event()

    def beat() -> None:
        while not ended.wait(1.0):
            sensor.client.publish("filmcall/shed-pi/heartbeat", b"a1b2c3d4 1", 0)

    threading.Thread(target=beat, daemon=True).start()
    say(sensor, "GO")
    person = Program("yard", "--broker", f"127.0.0.1:{far.port}", "--plain")
    try:
        while "  GO  " not in person.line():
            pass
        time.sleep(3.0)
        assert person.said() == 0
        line.dark()
        dark_s = time.monotonic()
        assert "  NO CALL  tent: No word from shed-pi since" in person.line()
        assert time.monotonic() - dark_s < 10.0
        say(sensor, "STOP")
        line.light()
        assert "  STOP  " in person.line()
    finally:
        ended.set()
        person.end()
        far.stop()
        line.close()


def test_two_hundred_enclosures_on_a_terminal_of_120_by_40(
    broker: RealBroker, sensor: Sensor, tmp_path: Path
) -> None:
    need("tmux", shutil.which("tmux") is not None)
    for n in range(200):
        say(sensor, ("GO", "HOLD", "STOP", "GO")[n % 4], f"tent-{n:03d}")
    script = tmp_path / "yard.sh"
    script.write_text(
        f"cd '{ROOT}'\nexec '{sys.executable}' -c '{CODE}' yard --broker 127.0.0.1:{broker.port}\n"
    )
    tmux = ("tmux", "-L", f"yard-{broker.port}")
    subprocess.run(
        [*tmux, "-u", "new-session", "-d", "-x", "120", "-y", "40", "-s", "yard",
         f"TERM=xterm-256color LC_ALL=C.UTF-8 bash '{script}'"],
        check=True,
    )  # fmt: skip
    try:
        lines = await_screen(tmux, "50 STOP, 50 HOLD, 100 GO")
        assert lines[-1].rstrip().endswith("page 1 of 6")
        assert lines[2].split()[1] == "STOP"
        subprocess.run([*tmux, "send-keys", "-t", "yard", " "], check=True)
        await_screen(tmux, "page 2 of 6")
        subprocess.run([*tmux, "send-keys", "-t", "yard", "/", "0", "0", "7", "Enter"], check=True)
        lines = await_screen(tmux, "(199 left out)")
        assert "tent-007" in lines[2]
        # Worse is first, and at once.
        say(sensor, "STOP", "tent-007")
        await_screen(tmux, "STOP     tent-007")
        # What the link says goes into the table, and not across it.
        broker.kill()
        lines = await_screen(tmux, "No link to the broker since")
        time.sleep(2.5)  # it has tried again by now, and been refused
        lines = await_screen(tmux, "No link to the broker since")
        assert lines[0].startswith(" Yard  200 no call")
        assert not any("refuses" in line or "lost" in line for line in lines)
        subprocess.run([*tmux, "send-keys", "-t", "yard", "q"], check=True)
    finally:
        subprocess.run([*tmux, "kill-server"], check=False, capture_output=True)


def await_screen(tmux: tuple[str, ...], wanted: str) -> list[str]:
    """Return the screen that says so, once it is drawn to its end: alike twice in succession."""
    until_s = time.monotonic() + PATIENCE_S
    capture = [*tmux, "capture-pane", "-p", "-t", "yard"]
    shown = ""
    while time.monotonic() < until_s:
        before = shown
        shown = subprocess.run(capture, capture_output=True, text=True, check=True).stdout
        if wanted in shown and shown == before:
            return shown.splitlines()
        time.sleep(0.1)
    raise AssertionError(f"{wanted!r} does not come:\n{shown}")


def test_off_loopback_the_page_speaks_tls_by_its_certificate(
    broker: RealBroker, sensor: Sensor, tmp_path: Path
) -> None:
    need("openssl", openssl() is not None)
    authority = Authority(tmp_path)
    cert, key = authority.issue("yard", "IP:127.0.0.1")
    add_account(tmp_path / "accounts", "kit", "read", "rain on canvas")
    config = tmp_path / "page.toml"
    text = (ROOT / "examples" / "workboat" / "polytunnel.toml").read_text()
    config.write_text(text.replace("port = 1883", f"port = {broker.port}"))
    port = free_port()
    program = Program(
        *("page", "--config", config, "--host", "0.0.0.0", "--port", port),
        *("--accounts", tmp_path / "accounts", "--cert", cert, "--key", key),
    )
    assert program.line() == f"page: https://0.0.0.0:{port}/"
    trusted = ssl.create_default_context(cafile=str(authority.certificate))
    until_s = time.monotonic() + PATIENCE_S
    answer: Any = None
    while answer is None and time.monotonic() < until_s:
        with contextlib.suppress(ConnectionError, urllib.error.URLError, TimeoutError):
            answer = urllib.request.urlopen(
                f"https://127.0.0.1:{port}/login", timeout=5.0, context=trusted
            )
    assert answer is not None
    with answer:
        assert answer.headers["strict-transport-security"]
        assert "__Host-filmcall-visitor=" in answer.headers["set-cookie"]
        assert "secure" in answer.headers["set-cookie"].lower()
    with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
        urllib.request.urlopen(
            f"https://127.0.0.1:{port}/alive", timeout=5.0, context=ssl.create_default_context()
        )
    with pytest.raises((urllib.error.URLError, ConnectionError)):
        urllib.request.urlopen(f"http://127.0.0.1:{port}/alive", timeout=5.0)
    assert program.end() in (0, -15)
