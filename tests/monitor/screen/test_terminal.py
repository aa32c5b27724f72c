"""What is written to a terminal: only the lines that changed, and what rich itself would write."""

from __future__ import annotations

import io
import os
import pty
import re
import select
from collections.abc import Iterator
from dataclasses import replace

import pytest
from rich.console import Console

from examples.screens.scenes import SCENES
from monitor.screen.layout import Size, render
from monitor.screen.terminal import REDRAW_S, LiveScreen
from monitor.screen.theme import Colours, Theme

SIZE = Size(80, 24)
SYSTEMS = {Colours.NONE: "standard", Colours.SIXTEEN: "standard", Colours.FULL: "truecolor"}


class Terminal:
    """A pseudo-terminal of one size with a screen on it, and what came out of it."""

    def __init__(self, theme: Theme) -> None:
        self.master, self.slave = pty.openpty()
        self.out = open(self.slave, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        ticks = iter(range(10**6))
        self.screen = LiveScreen(theme, self.out, self.out, clock=lambda: REDRAW_S * next(ticks))
        self.screen._terminal_size = lambda: SIZE  # type: ignore[method-assign]

    def read(self) -> str:
        """Return what has come since the last time."""
        assert self.screen.taken(20.0)
        read = b""
        while select.select([self.master], [], [], 0.05)[0]:
            read += os.read(self.master, 65536)
        return read.decode()


@pytest.fixture
def terminal(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)
    made = Terminal(request.param)
    with made.screen:
        made.read()
        yield made
    made.out.close()
    os.close(made.slave)
    os.close(made.master)


THEMES = [Theme(colours) for colours in Colours] + [Theme(dim=True)]


@pytest.mark.parametrize("terminal", [Theme()], indirect=True)
def test_a_redraw_writes_only_the_lines_that_changed(terminal: Terminal) -> None:
    scene = SCENES["go"]()  # at a full minute, after which charts move on
    first, second, third = (replace(scene, time_s=scene.time_s + s) for s in (1.0, 2.0, 61.0))
    terminal.screen.show(first)
    assert len(re.findall(r"\x1b\[(\d+);1H", terminal.read())) >= SIZE.rows
    terminal.screen.show(second)
    assert terminal.read() == "", "the same words a second later cost nothing"
    terminal.screen.show(third)
    written = [int(row) - 1 for row in re.findall(r"\x1b\[(\d+);1H", terminal.read())]
    lines = [render(each, SIZE, Theme()) for each in (second, third)]
    changed = [row for row, (a, b) in enumerate(zip(*lines, strict=True)) if a != b]
    assert written == changed
    assert 0 < len(changed) < 6


@pytest.mark.parametrize("terminal", THEMES, indirect=True, ids=str)
def test_what_is_written_is_what_rich_writes(terminal: Terminal) -> None:
    theme = terminal.screen.theme
    written = ""
    for name in ("stop", "go"):
        terminal.screen.show(SCENES[name]())
        written += terminal.read()
        for line in render(SCENES[name](), SIZE, theme):
            out = io.StringIO()
            Console(
                file=out,
                width=SIZE.columns,
                force_terminal=True,
                color_system=SYSTEMS[theme.colours],  # type: ignore[arg-type]
                no_color=theme.colours is Colours.NONE,
                legacy_windows=False,
            ).print(line, end="")
            assert out.getvalue() in written
