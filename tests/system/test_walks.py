"""The walk with two probes, as its page has it: a real broker, a real terminal, every line typed.

The page's own lines are typed as they stand. Two small scripts come first on the PATH: `filmcall`,
which is this checkout's, and the broker's clients, which are told the port of the test's broker.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.system.broker import RealBroker
from tests.system.conftest import need

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "examples" / "walks" / "two-probes.md"
PROGRAM = "from monitor.cli.app import main; main()"
CLIENTS = ("mosquitto_pub", "mosquitto_sub")
PATIENCE_S = 90.0


def lines_of_the_page(start: str) -> list[str]:
    """The lines of the page's code blocks that begin so, as they are typed."""
    blocks = re.findall(r"^```\w*\n(.*?)^```$", PAGE.read_text("utf-8"), re.MULTILINE | re.DOTALL)
    lines = [line.removeprefix("$ ") for block in blocks for line in block.splitlines()]
    found = [line for line in lines if line.startswith(start)]
    assert found, f"the page has no line {start!r}"
    return found


class Desk:
    """A checkout with a program and a broker's clients on the PATH, and terminals."""

    def __init__(self, folder: Path, broker: RealBroker) -> None:
        self.folder = folder
        walks = folder / "examples" / "walks"
        walks.mkdir(parents=True)
        text = (PAGE.parent / "two-probes.toml").read_text("utf-8")
        assert "port = 1883" in text
        (walks / "two-probes.toml").write_text(text.replace("1883", str(broker.port)), "utf-8")
        programs = folder / "bin"
        programs.mkdir()
        self._script(programs / "filmcall", f"exec {sys.executable} -c '{PROGRAM}' \"$@\"")
        for client in CLIENTS:
            real = shutil.which(client)
            self._script(programs / client, f'exec {real} -h 127.0.0.1 -p {broker.port} "$@"')
        self.environ = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TMUX")}
        self.environ |= {
            "LC_ALL": "C.UTF-8",
            "TERM": "xterm-256color",
            "PS1": "$ ",
            "PATH": f"{programs}:{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),
        }
        self.environ.pop("FILMCALL_DB", None)
        self.socket = str(folder / "tmux")
        self.tmux("-f", "/dev/null", "new-session", "-d", "-x", "80", "-y", "24", "sh")

    @staticmethod
    def _script(path: Path, line: str) -> None:
        path.write_text(f"#!/bin/sh\n{line}\n", "utf-8")
        path.chmod(0o755)

    def tmux(self, *words: str) -> str:
        command = ["tmux", "-u", "-S", self.socket, *words]
        return subprocess.run(
            command,
            env=self.environ,
            cwd=self.folder,
            capture_output=True,
            text=True,
            check=True,
            timeout=PATIENCE_S,
        ).stdout

    def type(self, line: str, timeout_s: float = PATIENCE_S) -> subprocess.CompletedProcess[str]:
        """Type a line into another terminal and wait for its end."""
        return subprocess.run(
            line,
            shell=True,
            env=self.environ,
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
        )

    def beside(self, line: str) -> subprocess.Popen[str]:
        """Type a line into another terminal and leave it running."""
        return subprocess.Popen(
            f"exec {line}",
            shell=True,
            env=self.environ,
            cwd=self.folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def screen(self) -> str:
        return self.tmux("capture-pane", "-p")

    def press(self, *keys: str) -> None:
        self.tmux("send-keys", *keys)

    def wait(self, *words: str) -> str:
        """Wait until the screen shows all of these words, and return it."""
        return self.wait_until(str(words), lambda shown: all(word in shown for word in words))

    def wait_until(self, what: str, holds: Callable[[str], bool]) -> str:
        end_s, before = time.monotonic() + PATIENCE_S, ""
        # Drawn to its end: alike twice in succession.
        while (shown := self.screen()) != before or not holds(shown):
            before = shown
            if time.monotonic() > end_s:
                pytest.fail(f"waited for {what}; the screen says:\n{shown}")
            time.sleep(0.1)
        return shown


@pytest.fixture
def desk(tmp_path: Path, broker: RealBroker) -> Iterator[Desk]:
    for tool in ("tmux", *CLIENTS):
        need(tool, shutil.which(tool) is not None)
    made = Desk(tmp_path, broker)
    yield made
    subprocess.run(["tmux", "-S", made.socket, "kill-server"], capture_output=True, check=False)


def test_the_walk_with_two_probes_can_be_walked(desk: Desk, broker: RealBroker) -> None:
    (simulate,) = lines_of_the_page("filmcall simulate")
    (doctor,) = lines_of_the_page("filmcall doctor")
    (watch,) = lines_of_the_page("filmcall watch")
    tent = desk.beside(simulate)
    try:
        # 2. The tent plays both probes under topics of our own, and the doctor hears them.
        asked = desk.type(doctor)
        assert asked.returncode == 0, asked.stdout + asked.stderr
        for topic in ("tent/air air_temp", "tent/air humidity", "tent/plank surface_temp"):
            assert re.search(rf"^ok +topic +{topic}", asked.stdout, re.MULTILINE), asked.stdout

        # 3. The screen begins in HOLD, knows the climate and says when GO comes.
        desk.press(watch, "Enter")
        desk.wait("Do not start yet", "GO in", "if it stays so", "margin", "never about the air")
        (mixed,) = lines_of_the_page("filmcall event mixed")
        assert "recorded mixed at" in desk.type(mixed).stdout
        desk.wait("pot A use by")
        desk.press("c")
        desk.wait("1 brush")
        desk.press("1")
        desk.wait("Enter records")
        desk.press("Enter")
        desk.wait("is the film safe?", "Finish to the next break line")
        (clocks,) = lines_of_the_page("filmcall clocks")
        ran = desk.type(clocks)
        assert re.search(r"^use by +pot A +\d.* left, until ", ran.stdout, re.MULTILINE)
        assert re.search(r"^recoat by .* left, until ", ran.stdout, re.MULTILINE)

        # 4. Lamps hear the word, and whoever comes later the whole call.
        word, call = (desk.type(line) for line in lines_of_the_page("mosquitto_sub"))
        assert word.stdout == "HOLD\n"
        assert '"call": "HOLD", "question": "is the film safe?"' in call.stdout
    finally:
        tent.terminate()
        tent.communicate(timeout=PATIENCE_S)

    # 5. A hand's messages: a soaked tent is doubted once, then believed, and never forgotten.
    *dry, first, second = lines_of_the_page("mosquitto_pub")
    for line in dry:
        assert desk.type(line).returncode == 0
    assert desk.type(first).returncode == 0
    desk.wait("Finish to the next break line")
    assert desk.type(second).returncode == 0
    desk.wait("Stop at the next break line")
    (word_line, _) = lines_of_the_page("mosquitto_sub")
    assert desk.type(word_line).stdout == "STOP\n"

    # What is no reading, and a broker that ends, are told by the screen and not across it.
    desk.type("mosquitto_pub -t shed/air -m nonsense")
    broker.stop()
    shown = desk.wait("NO LINK")
    assert "This STOP stands until readings are back" in shown
    time.sleep(3.0)
    shown = desk.wait("NO LINK")
    assert shown.startswith(" tent   is the film safe?"), shown
    assert shown.count(" EVENTS ") == 1, shown
    # Once under the word, and once among the sensors where there is room for why.
    assert shown.count("NO LINK: ") == 1, shown
    assert shown.count("NO LINK") <= 2, shown
    assert "This STOP stands until readings are back" in shown
    desk.press("q")
    desk.wait("Enter quits")
    desk.press("Enter")
    desk.wait_until("the shell", lambda text: "NO LINK" not in text)
