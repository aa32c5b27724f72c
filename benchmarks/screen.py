"""What the screen costs: processor time of a redraw, beside drawing the same lines by rich alone.

    python benchmarks/screen.py

The baseline is a bare rich render: the finished lines, printed by a rich console into memory.
A redraw is all that the program does for one: snapshot to lines, lines to bytes, only what has
changed to a pseudo-terminal that is read and thrown away. Each comes half a second after the one
before with sensors' ages and clocks that have gone on, as in a tent; every tenth brings a new
event, and every 120th a new minute's value of the trend.
"""

from __future__ import annotations

import fcntl
import io
import os
import pty
import struct
import sys
import termios
import threading
import time
from dataclasses import replace
from pathlib import Path

from rich.console import Console

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from examples.screens.scenes import SCENES  # noqa: E402
from monitor.screen.layout import Size, render  # noqa: E402
from monitor.screen.terminal import REDRAW_S, LiveScreen  # noqa: E402
from monitor.screen.theme import Theme  # noqa: E402
from monitor.snapshot import Snapshot  # noqa: E402

TARGET_S = 0.003
REDRAWS = 240
SIZES = ((40, 12), (80, 24), (120, 40), (200, 60))


def moment(first: Snapshot, step: int) -> Snapshot:
    """Return the scene so many redraws on."""
    on_s = REDRAW_S * step
    trends = {
        name: tuple((time_s + on_s // 60.0 * 60.0, value) for time_s, value in series)
        if step % 120 == 0
        else series
        for name, series in first.trends.items()
    }
    clocks = [
        clock if clock.left_s is None else replace(clock, left_s=max(0.0, clock.left_s - on_s))
        for clock in first.clocks
    ]
    points = [replace(each, age_s=(each.age_s or 0.0) + on_s % 10.0) for each in first.points]
    newest = replace(first.events[0], time_s=first.events[0].time_s + on_s // 5.0 * 5.0)
    return replace(
        first,
        time_s=first.time_s + on_s,
        trends=trends,
        clocks=tuple(clocks),
        points=tuple(points),
        events=(newest, *first.events[1:]),
    )


def drain(master: int) -> None:
    """Read what is drawn, until the terminal is closed."""
    try:
        while os.read(master, 65536):
            pass
    except OSError:
        return


def redraw_s(columns: int, rows: int) -> float:
    """Return the processor time of one redraw [s]."""
    master, slave = pty.openpty()
    os.environ["TERM"] = "xterm-256color"
    reader = threading.Thread(target=drain, args=(master,), daemon=True)
    reader.start()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    first = SCENES["stop"]()
    moments = [moment(first, step) for step in range(1, REDRAWS + 1)]
    ticks = iter(range(10**9))
    with open(slave, "w", encoding="utf-8", closefd=False) as out:
        screen = LiveScreen(Theme(), out, out, clock=lambda: REDRAW_S * next(ticks))
        with screen:
            screen.taken(5.0)
            screen.show(first)
            begin_s = time.thread_time()
            for each in moments:
                screen.taken(5.0)  # a frame that the terminal has not taken leaves the next one out
                screen.show(each)
            spent_s = time.thread_time() - begin_s
        drawn = screen.drawn - 1
    os.close(slave)
    os.close(master)
    return spent_s / drawn


def bare_s(columns: int, rows: int) -> float:
    """Return the processor time in which rich prints the same lines [s]."""
    lines = render(SCENES["stop"](), Size(columns, rows), Theme())
    console = Console(
        file=io.StringIO(),
        force_terminal=True,
        color_system="truecolor",
        width=columns,
        height=rows,
        legacy_windows=False,
    )
    begin_s = time.thread_time()
    for _ in range(REDRAWS // 4):
        for line in lines:
            console.print(line, end="")
    return (time.thread_time() - begin_s) / (REDRAWS // 4)


def main() -> None:
    """Print each size's redraw beside the bare render of the same run."""
    for columns, rows in SIZES:
        bare, found = bare_s(columns, rows), redraw_s(columns, rows)
        print(
            f"{columns:>3} x {rows}: {1000.0 * found:.2f} ms a redraw, rich alone "
            f"{1000.0 * bare:.2f} ms, ratio {found / bare:.2f}; {100.0 * found / REDRAW_S:.2f} % "
            f"of one core at two redraws a second; target {1000.0 * TARGET_S:.0f} ms at 120 x 40"
        )


if __name__ == "__main__":
    main()
