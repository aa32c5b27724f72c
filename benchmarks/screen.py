"""What the screen costs: processor time of a redraw, as a share of one core at two a second.

    python benchmarks/screen.py

The baseline is the target, 3 % of one core. Every redraw has a new time and a new event, as a
busy tent would have; drawing goes to a pseudo-terminal that is read and thrown away.
"""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import sys
import termios
import threading
import time
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from examples.screens.scenes import SCENES  # noqa: E402
from monitor.screen.terminal import REDRAW_S, LiveScreen  # noqa: E402
from monitor.screen.theme import Theme  # noqa: E402

TARGET = 0.03
REDRAWS = 100


def drain(master: int) -> None:
    """Read what is drawn, until the terminal is closed."""
    try:
        while os.read(master, 65536):
            pass
    except OSError:
        return


def share(columns: int, rows: int) -> float:
    """Return the share of one core that drawing takes at two redraws a second [1]."""
    master, slave = pty.openpty()
    os.environ["TERM"] = "xterm-256color"
    reader = threading.Thread(target=drain, args=(master,), daemon=True)
    reader.start()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    first = SCENES["stop"]()
    ticks = iter(range(10**9))
    with open(slave, "w", encoding="utf-8", closefd=False) as out:
        screen = LiveScreen(Theme(), out, out, clock=lambda: REDRAW_S * next(ticks))
        with screen:
            screen.taken(5.0)
            screen.show(first)
            begin_s = time.thread_time()
            for step in range(REDRAWS):
                screen.taken(5.0)  # a frame that the terminal has not taken leaves the next one out
                screen.show(replace(first, time_s=first.time_s + 60.0 * step))
            spent_s = time.thread_time() - begin_s
        drawn = screen.drawn - 1
    os.close(slave)
    os.close(master)
    return spent_s / drawn / REDRAW_S


def main() -> None:
    """Print each size's share beside the target."""
    for columns, rows in ((40, 12), (80, 24), (120, 40), (200, 60)):
        found = share(columns, rows)
        print(
            f"{columns:>3} x {rows}: {100.0 * found:.2f} % of one core at two redraws a second; "
            f"target {100.0 * TARGET:.0f} %, ratio {found / TARGET:.2f}"
        )


if __name__ == "__main__":
    main()
