"""An output that takes nothing: calls reach log and broker all the same, and the program ends.

A pty that nobody reads stands for a frozen ssh link, tcflow(TCOOFF) for a paused terminal.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.specs import spec_text
from tests.system.broker import RealBroker
from tests.system.test_watch import (
    DRY_C,
    HEAD,
    PATIENCE_S,
    ROOM,
    ROOT,
    WET_C,
    Feed,
    Listener,
    logged,
    wait_for,
)

# A frame of this size is longer than what the kernel keeps for a pty that nobody reads.
COLUMNS, ROWS = 200, 60


class Stuck:
    """`filmcall watch` on a terminal that is read only when the test does so."""

    def __init__(self, folder: Path, port: int, *more: str, onto: str = "") -> None:
        (folder / "quick.toml").write_text(
            spec_text("polyurethane-topcoat")[1] + '\n[call]\ndwell = "1 s"\nre_entry = "2 s"\n'
        )
        config = folder / "stuck.toml"
        config.write_text(
            HEAD.format(port=port, broker="", station="bench") + ROOM.format(name="tent")
        )
        self.db = folder / "log.db"
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.modes = termios.tcgetattr(self.slave)
        environ = {k: v for k, v in os.environ.items() if k != "NO_COLOR"}
        environ |= {"LC_ALL": "C.UTF-8", "TERM": "xterm-256color", "PYTHONPATH": str(ROOT)}
        command = (sys.executable, "-c", "from monitor.cli.app import main; main()", "watch")
        out = os.open(onto, os.O_WRONLY) if onto else os.dup(self.slave)
        self.process = subprocess.Popen(
            [*command, "--config", str(config), "--db", str(self.db), *more],
            cwd=folder,
            env=environ,
            stdin=self.slave,
            stdout=out,
            stderr=self.slave,
            start_new_session=True,
        )
        os.close(out)

    def read(self, wait_s: float = 0.2) -> bytes:
        """Return what the terminal has got until nothing more comes."""
        found = b""
        while select.select([self.master], [], [], wait_s)[0]:
            found += os.read(self.master, 65_536)
        return found

    def read_until(self, word: bytes) -> bytes:
        found = b""

        def seen() -> bool:
            nonlocal found
            found += self.read(0.0)
            return word in found

        wait_for(seen)
        return found

    def pause(self) -> None:
        termios.tcflow(self.slave, termios.TCOOFF)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(10.0)
        os.close(self.master)
        os.close(self.slave)


Make = Callable[..., Stuck]


@pytest.fixture
def start(broker: RealBroker, tmp_path: Path) -> Iterator[Make]:
    made: list[Stuck] = []

    def one(*more: str, onto: str = "") -> Stuck:
        made.append(Stuck(tmp_path, broker.port, *more, onto=onto))
        return made[-1]

    yield one
    for each in made:
        each.close()


@pytest.fixture
def feed(broker: RealBroker) -> Iterator[Feed]:
    made = Feed(broker.port)
    yield made
    made.close()


@pytest.fixture
def listener(broker: RealBroker) -> Iterator[Listener]:
    made = Listener(broker.port)
    yield made
    made.close()


def test_a_screen_that_nobody_reads_delays_no_call(
    start: Make, feed: Feed, listener: Listener
) -> None:
    stuck = start()
    wait_for(lambda: listener.last("tent/word") == b"GO")
    feed.rooms["tent"] = WET_C
    wait_for(lambda: listener.last("tent/word") == b"STOP")
    assert logged(stuck.db)[-1] == "STOP"
    time.sleep(1.0)  # two redraws would be due
    # While the terminal is read the program would write on.
    stuck.process.send_signal(signal.SIGSTOP)
    first = stuck.read()
    stuck.process.send_signal(signal.SIGCONT)
    assert first.startswith(b"\x1b[?1049h"), "the other screen"
    assert b"Do not start: the air is past a limit" not in first, (
        "the terminal had taken no frame since"
    )
    stuck.read_until(b"Do not start: the air is past a limit")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_paused_terminal_keeps_the_program_from_nothing(
    start: Make, feed: Feed, listener: Listener, number: signal.Signals
) -> None:
    stuck = start()
    stuck.read_until(b"You may start")
    stuck.pause()
    feed.rooms["tent"] = WET_C
    wait_for(lambda: listener.last("tent/word") == b"STOP")
    assert logged(stuck.db)[-1] == "STOP"
    stuck.process.send_signal(number)
    assert stuck.process.wait(PATIENCE_S) == 0
    wait_for(lambda: listener.last("bench/status") == b"offline")
    left = stuck.read()
    assert re.search(rb"\x1b\[\?25h.*\x1b\[\?1049l", left), "cursor and main screen are back"
    assert termios.tcgetattr(stuck.slave) == stuck.modes


@pytest.mark.parametrize("form", ["--plain", "--jsonl"])
def test_plain_lines_on_a_paused_terminal_delay_no_call_and_come_later(
    start: Make, feed: Feed, listener: Listener, form: str
) -> None:
    stuck = start(form)
    stuck.read_until(b"You may start")
    stuck.pause()
    stuck.read()
    for surface_c, word in ((WET_C, b"STOP"), (DRY_C, b"GO"), (WET_C, b"STOP")):
        feed.rooms["tent"] = surface_c
        wait_for(lambda word=word: listener.last("tent/word") == word)  # type: ignore[misc]
    assert logged(stuck.db).count("STOP") == 2
    assert stuck.read() == b"", "the terminal has taken none of it"
    termios.tcflow(stuck.slave, termios.TCOON)
    told = b""

    def both_are_told() -> bool:
        nonlocal told
        told += stuck.read()
        return len(re.findall(rb"Z  STOP|\"call\": \"STOP\", \"question", told)) >= 2

    wait_for(both_are_told)
    stuck.pause()
    feed.rooms["tent"] = DRY_C
    wait_for(lambda: listener.last("tent/word") == b"GO")
    stuck.process.terminate()
    assert stuck.process.wait(PATIENCE_S) == 0


@pytest.mark.parametrize("form", ["--plain", "--jsonl"])
def test_lines_onto_a_full_disk_keep_no_call_from_log_and_broker(
    start: Make, feed: Feed, listener: Listener, form: str
) -> None:
    stuck = start(form, onto="/dev/full")
    for surface_c, word in ((DRY_C, b"GO"), (WET_C, b"STOP")):
        feed.rooms["tent"] = surface_c
        wait_for(lambda word=word: listener.last("tent/word") == word)  # type: ignore[misc]
    assert logged(stuck.db)[-1] == "STOP"
    stuck.process.terminate()
    assert stuck.process.wait(PATIENCE_S) == 0
    told = stuck.read().decode()
    assert told.count("standard output takes no lines (No space left on device)") == 1
    assert re.search(r"standard output: \d+ lines were left out", told)
