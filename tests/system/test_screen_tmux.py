"""The screen on a real terminal: tmux draws it, presses keys, resizes it and ends it every way.

Whatever ends the program, the terminal must be as before: main screen, cursor, line modes.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import screen_program
from screen_program import put_scene

from examples.screens.scenes import SCENES

PROGRAM = Path(screen_program.__file__)
PATIENCE_S = 60.0

if shutil.which("tmux") is None and not os.environ.get("CI"):
    pytest.skip("tmux is not installed here", allow_module_level=True)


class Pane:
    """One terminal in a tmux server of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.socket = str(folder / "tmux")
        environ = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TMUX")}
        environ |= {"LC_ALL": "C.UTF-8", "PS1": "$ ", "TERM": "xterm-256color"}
        self.environ = environ
        self.tmux("-f", "/dev/null", "new-session", "-d", "-x", "80", "-y", "24", "sh")

    def tmux(self, *words: str) -> str:
        command = ["tmux", "-u", "-S", self.socket, *words]
        done = subprocess.run(
            command, env=self.environ, capture_output=True, text=True, check=True, timeout=60
        )
        return done.stdout

    def text(self) -> str:
        return self.tmux("capture-pane", "-p")

    def press(self, *keys: str) -> None:
        self.tmux("send-keys", *keys)

    def run(self, line: str) -> None:
        self.tmux("send-keys", "-l", line)
        self.press("Enter")

    def state(self) -> str:
        return self.tmux("display-message", "-p", "#{alternate_on} #{cursor_flag}").strip()

    def wait(self, what: str, found: Callable[[], bool]) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not found():
            if time.monotonic() > end_s:
                pytest.fail(f"waited for {what}; the screen says:\n{self.text()}")
            time.sleep(0.05)

    def wait_text(self, *words: str, without: str | None = None) -> str:
        """Wait for a screen that says all this, drawn to its end: alike twice in succession."""
        shown = ""

        def drawn() -> bool:
            nonlocal shown
            before, shown = shown, self.text()
            gone = without is None or without not in shown
            return shown == before and gone and all(word in shown for word in words)

        self.wait(f"{words} without {without}", drawn)
        return shown

    def start(self, scene: str) -> tuple[int, int]:
        """Start the program between two stty's; return its pid and its parent's."""
        pids = self.folder / "pids"
        pids.unlink(missing_ok=True)
        self.run("echo before-the-screen")
        shown = put_scene(SCENES[scene](), self.folder)
        inner = f"{sys.executable} {PROGRAM} {shown} {pids}; echo ended $? > ended; true"
        self.run(f"cd {self.folder}; stty -g > modes-before; sh -c '{inner}'")
        self.wait("the program", lambda: pids.exists() and " " in pids.read_text())
        self.wait("the other screen", lambda: self.state() == "1 0")
        pid, parent = (int(word) for word in pids.read_text().split())
        return pid, parent

    def assert_restored(self, pid: int) -> None:
        self.wait("the end of the program", lambda: not Path(f"/proc/{pid}").exists())
        self.wait("the terminal as it was", lambda: self.state() == "0 1")
        # What an interrupted program says last may be longer than the screen.
        whole = ("capture-pane", "-p", "-S", "-")
        self.wait("what stood before", lambda: "before-the-screen" in self.tmux(*whole))
        # The screen shows the command before the shell has run it: only the file tells.
        after = self.folder / "modes-after"
        self.run(f"stty -g > {after.name}")
        self.wait("modes", lambda: after.exists() and bool(after.read_text()))
        assert after.read_text() == (self.folder / "modes-before").read_text()


@pytest.fixture
def pane(tmp_path: Path) -> Iterator[Pane]:
    made = Pane(tmp_path)
    yield made
    subprocess.run(["tmux", "-S", made.socket, "kill-server"], capture_output=True, check=False)


def test_it_shows_records_takes_back_and_quits(pane: Pane) -> None:
    pid, _ = pane.start("go")
    pane.wait_text("You may start", "GO is about the film, never about the air you breathe.")
    pane.press("f")  # coat ended asks which section
    pane.wait_text("coat ended, section", "1 hull-port")
    pane.press("1")
    pane.wait_text("coat ended hull-port?", "Enter records, Esc drops")
    pane.press("Enter")
    pane.wait_text("recorded: coat ended hull-port", "u takes it back")
    pane.press("u")
    pane.wait_text("take back coat ended hull-port?")
    pane.press("Enter")
    pane.wait_text("taken back: coat ended hull-port")
    pane.press("q")
    pane.wait_text("Enter quits")
    pane.press("Enter")
    pane.assert_restored(pid)
    assert (pane.folder / "ended").read_text().strip() == "ended 0"


def test_an_arrow_key_records_nothing(pane: Pane) -> None:
    pane.start("go")
    pane.wait_text("You may start")
    pane.press("Up", "F5", "M-c")
    pane.press("?")
    shown = pane.wait_text("floor wetted")
    assert "one key, then Enter records and Esc drops" in shown
    assert "Enter records, Esc drops" not in shown


def test_a_resize_is_clean(pane: Pane) -> None:
    pane.start("stop")
    pane.wait_text("and humidity under")
    pane.tmux("resize-window", "-x", "40", "-y", "12")
    words = ("hull-starboard", "HOLD hull-port", "pot A use by", "with sensor error")
    assert len(pane.wait_text(*words, without="CLIMATE").splitlines()) <= 12
    pane.tmux("resize-window", "-x", "120", "-y", "40")
    pane.wait_text("LIMITS", "CLOCKS", "SENSORS")
    pane.tmux("resize-window", "-x", "80", "-y", "24")
    assert pane.wait_text("CLIMATE", without="LIMITS").count("CLIMATE") == 1


def test_the_glance_comes_and_goes_and_hides_no_stop_at_any_size(pane: Pane) -> None:
    pane.start("stop")
    pane.wait_text("CLIMATE")
    pane.press("g")
    pane.wait_text("K over dew point, STOP ends over 3.5", "pot A use by", without="CLIMATE")
    pane.tmux("resize-window", "-x", "40", "-y", "12")
    shown = pane.wait_text("K over dew", without="STOP ends over")
    assert sum(map(shown.count, "█▀▄")) > 60
    pane.press("?")
    pane.wait_text("STOP", "c coat start", "g big", "q quit")
    pane.press("?")
    pane.press("g")
    pane.wait_text("hull-starboard: Stop at", "HOLD hull-port")


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 143), (signal.SIGINT, 130), (signal.SIGHUP, 129)]
)
def test_a_signal_restores_the_terminal(pane: Pane, number: signal.Signals, status: int) -> None:
    pid, _ = pane.start("hold")
    pane.wait_text("Do not start yet")
    os.kill(pid, number)
    pane.assert_restored(pid)
    if number is not signal.SIGINT:  # a shell that sees INT in its child may end with it
        assert (pane.folder / "ended").read_text().strip() == f"ended {status}"


def test_ctrl_c_restores_the_terminal(pane: Pane) -> None:
    pid, _ = pane.start("night")
    pane.press("C-c")
    pane.assert_restored(pid)


def test_ctrl_z_does_not_leave_the_tent_without_its_screen(pane: Pane) -> None:
    pane.start("go")
    pane.press("C-z")
    pane.press("?")
    pane.wait_text("floor wetted")


def test_a_crash_restores_the_terminal_and_shows_its_error(pane: Pane) -> None:
    pid, _ = pane.start("go")
    pane.press("!")
    pane.assert_restored(pid)
    assert "crash on purpose" in pane.text()


def test_the_death_of_the_parent_restores_the_terminal(pane: Pane) -> None:
    pid, parent = pane.start("go")
    pane.wait_text("You may start")
    os.kill(parent, signal.SIGKILL)
    pane.assert_restored(pid)


def test_it_ends_when_the_terminal_is_closed(pane: Pane) -> None:
    pid, _ = pane.start("go")
    pane.tmux("kill-server")
    end_s = time.monotonic() + PATIENCE_S
    while Path(f"/proc/{pid}").exists() and time.monotonic() < end_s:
        time.sleep(0.05)
    assert not Path(f"/proc/{pid}").exists()


def test_off_a_terminal_it_draws_nothing(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(PROGRAM), str(tmp_path / "scene"), str(tmp_path / "pids")],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 3
    assert "\x1b" not in done.stdout
