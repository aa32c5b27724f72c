"""The screen on a real terminal: draws what `layout` renders, reads keys, leaves no trace.

At most two redraws a second, and of each only the lines that changed; none while the terminal has
not taken the one before, so that a frozen one holds up nothing. However the program ends,
by key, TERM, INT, HUP, an exception or the death of its parent, the terminal is as it was.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import signal
import sys
import termios
import time
import tty
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import FrameType, TracebackType
from typing import Any, TextIO

from rich.color import ColorSystem
from rich.console import Console
from rich.style import Style
from rich.text import Span, Text

from monitor.screen.layout import Size, render
from monitor.screen.theme import Colours, Theme
from monitor.screen.writer import ScreenWriter
from monitor.snapshot import IDLE, DeskView, Snapshot

REDRAW_S = 0.5
REPAINT_S = 30.0  # all lines anew, in case something else wrote on the terminal
CLOSE_S = 1.0  # a terminal that takes nothing may not keep the program from ending
ESCAPE_S = 0.05  # a lone Esc is one that nothing follows within this

_SIGNALS = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)
_STOPS = (signal.SIGTTOU, signal.SIGTTIN)
_COLOUR_SYSTEM = {Colours.NONE: "standard", Colours.SIXTEEN: "standard", Colours.FULL: "auto"}
_ANSI = {
    "standard": ColorSystem.STANDARD,
    "256": ColorSystem.EIGHT_BIT,
    "truecolor": ColorSystem.TRUECOLOR,
}
_NO_STYLE = Style.null()
_NAMED = {
    "\r": "enter",
    "\n": "enter",
    "\t": "tab",
    "\x1b": "esc",
    "\x7f": "backspace",
    "\x08": "backspace",
}

Handler = Callable[[int, FrameType | None], object] | int | None
Picture = Callable[[Size, Theme], Sequence[Text]]
"""Draws the whole screen, of exactly that size."""


def is_screen(out: TextIO, keys: TextIO, environ: Mapping[str, str]) -> bool:
    """Return whether a screen can be drawn: a terminal both ways, able to move its cursor.

    Args:
        out: where it would be drawn.
        keys: where keys would come from.
        environ: the environment's variables.
    """
    if environ.get("TERM", "") in ("", "dumb"):
        return False
    encoding = (getattr(out, "encoding", "") or "").lower().replace("-", "")
    try:
        return encoding == "utf8" and out.isatty() and keys.isatty()
    except ValueError:  # closed
        return False


class LiveScreen:
    """The terminal while the program has it; use it as a context manager, from one thread.

    A signal that had its default meaning before raises SystemExit with 128 and its number, or
    KeyboardInterrupt, so that the program unwinds; one with a handler of the program's own is
    handed on to that. Either way `stopped_by` tells of it and a waiting `keys` returns.
    """

    def __init__(
        self,
        theme: Theme,
        out: TextIO | None = None,
        keys: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
        *,
        glance: bool = False,
    ) -> None:
        self.theme = theme
        self.glance = glance
        self.stopped_by: int | None = None
        self.gone = False  # the terminal or the program's parent is no more
        self.drawn = 0
        self._out = out or sys.stdout
        self._in_fd = (keys or sys.stdin).fileno()
        self._clock = clock
        self._frame = io.StringIO()
        self._writer: ScreenWriter | None = None
        self._bell_due = False
        self._console = self._console_of(theme)
        self._size = Size(0, 0)
        self._shown: list[str] = []
        self._keys: list[tuple[str, tuple[Span, ...]]] = []
        self._pending: Picture | None = None
        self._last: Picture | None = None
        self._kept: Picture | None = None  # what is left when the screen is gone
        self._drawn_s = -REDRAW_S
        self._painted_s = -REPAINT_S
        self._resized = False
        self._open = False
        self._modes: list[Any] | None = None
        self._handlers: dict[int, Handler] = {}
        self._wake_r = self._wake_w = -1
        self._parent = os.getppid()
        self._typed = b""
        self.arrows = False  # whether `keys` hands on the right arrow

    # --- begin and end

    def __enter__(self) -> LiveScreen:
        """Take the terminal: other screen, no cursor, keys one by one."""
        self._wake_r, self._wake_w = os.pipe()
        os.set_blocking(self._wake_r, False)
        os.set_blocking(self._wake_w, False)
        self._modes = termios.tcgetattr(self._in_fd)
        self._parent = os.getppid()
        self._open = True
        try:
            self._out.flush()
            self._writer = ScreenWriter(self._out.fileno())
            self._take_signals()
            tty.setcbreak(self._in_fd, termios.TCSANOW)
            modes = termios.tcgetattr(self._in_fd)
            modes[6][termios.VSUSP] = b"\x00"  # Ctrl-Z would leave the tent without its screen
            modes[0] &= ~termios.IXON  # and Ctrl-S would stop the program at its next line
            termios.tcsetattr(self._in_fd, termios.TCSANOW, modes)
            self._console.set_alt_screen(True)
            self._console.show_cursor(False)
            self._hand_over()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the terminal back as it was, whatever happened."""
        self.close()

    def close(self) -> None:
        """Give the terminal back as it was; harmless where that has been done."""
        if not self._open:
            return
        self._open = False
        # Once the parent is dead the shell has the terminal, and writing modes to it would stop us.
        for number in _STOPS:
            self._handlers.setdefault(int(number), signal.signal(number, signal.SIG_IGN))
        self._console.show_cursor(True)
        self._console.set_alt_screen(False)
        self._hand_over()
        if self._writer is not None:
            self._see_it_out(self._writer)
        if self._modes is not None:
            with contextlib.suppress(OSError, termios.error):
                termios.tcsetattr(self._in_fd, termios.TCSANOW, self._modes)
        for held, handler in self._handlers.items():
            signal.signal(held, signal.SIG_DFL if handler is None else handler)
        self._handlers.clear()
        for fd in (self._wake_r, self._wake_w):
            os.close(fd)
        self._wake_r = self._wake_w = -1

    def _see_it_out(self, writer: ScreenWriter) -> None:
        """Let the way back come through: end a pause, then throw away what has not been shown."""
        for let_go, how in ((termios.tcflow, termios.TCOON), (termios.tcflush, termios.TCOFLUSH)):
            if writer.taken(CLOSE_S):
                break
            with contextlib.suppress(OSError, ValueError, termios.error):
                let_go(self._out.fileno(), how)
        writer.taken(CLOSE_S)
        writer.close()

    def _take_signals(self) -> None:
        for number in _SIGNALS:
            self._handlers[int(number)] = signal.signal(number, self._on_stop)
        self._handlers[int(signal.SIGWINCH)] = signal.signal(signal.SIGWINCH, self._on_resize)
        for number in _STOPS:
            self._handlers[int(number)] = signal.signal(number, signal.SIG_IGN)

    def _on_stop(self, number: int, frame: FrameType | None) -> None:
        self.stopped_by = number
        if number == signal.SIGHUP:
            self.gone = True
        self.wake()
        before = self._handlers.get(number)
        if callable(before):
            before(number, frame)
        elif before != signal.SIG_IGN:
            raise SystemExit(128 + number)

    def _on_resize(self, _number: int, _frame: FrameType | None) -> None:
        self._resized = True
        self.wake()

    def wake(self) -> None:
        """Make a waiting `keys` return at once; safe from any thread and any handler."""
        if self._wake_w >= 0:
            with contextlib.suppress(OSError):
                os.write(self._wake_w, b"w")

    # --- drawing

    def show(self, snapshot: Snapshot, desk: DeskView = IDLE) -> None:
        """Draw a snapshot, now or as soon as half a second has passed since the last one.

        Args:
            snapshot: to show; a newer one takes the place of one that still waits.
            desk: what the key desk asks or tells.
        """

        def draw(size: Size, theme: Theme) -> Sequence[Text]:
            return render(snapshot, size, theme, desk, glance=self.glance)

        def kept(size: Size, theme: Theme) -> Sequence[Text]:
            return render(snapshot, size, theme, IDLE)

        self.show_picture(draw, kept)

    def show_picture(self, picture: Picture, kept: Picture | None = None) -> None:
        """Draw a picture, now or as soon as half a second has passed since the last one.

        Args:
            picture: to draw.
            kept: what `last_picture` is of, where it is another.
        """
        self._pending, self._kept = picture, kept or picture
        self._draw_if_due()

    def taken(self, wait_s: float) -> bool:
        """Return whether the terminal has taken what was drawn, waiting a little for it.

        Args:
            wait_s: the longest wait [s].
        """
        return self._writer is None or self._writer.taken(wait_s)

    @property
    def size(self) -> Size:
        """Of the terminal, as it was drawn last."""
        return self._size

    def set_dim(self, dim: bool) -> None:
        """Switch dim mode; what is shown is drawn anew."""
        self.theme = replace(self.theme, dim=dim)
        self._pending = self._pending or self._last

    def set_glance(self, glance: bool) -> None:
        """Switch the big figures on or off; what is shown is drawn anew."""
        self.glance = glance
        self._pending = self._pending or self._last

    def bell(self) -> None:
        """Ring the terminal's bell once, as soon as it takes anything."""
        self._bell_due = True
        self._ring()

    def _ring(self) -> None:
        if self._bell_due and self._ready():
            self._bell_due = False
            self._frame.write("\a")
            self._hand_over()

    def _ready(self) -> bool:
        """Whether the terminal is there and has taken what was drawn before."""
        if self._writer is not None and self._writer.gone:
            self.gone = True
        return self._open and not self.gone and self._writer is not None and not self._writer.busy

    def _hand_over(self) -> None:
        """Give what the console drew to the writer, as one piece."""
        text = self._frame.getvalue()
        self._frame.seek(0)
        self._frame.truncate()
        if text and self._writer is not None:
            self._writer.write(text.encode("utf-8", "replace"))

    def _draw_if_due(self) -> None:
        self._ring()
        if not self._ready():
            return
        now_s = self._clock()
        if now_s - self._drawn_s < REDRAW_S:
            return
        if self._resized:
            self._resized = False
            self._shown = []
            self._pending = self._pending or self._last
        if self._pending is None:
            return
        self._last, self._pending = self._pending, None
        self._drawn_s = now_s
        self._draw(self._last, whole=now_s - self._painted_s >= REPAINT_S)

    def _draw(self, picture: Picture, *, whole: bool) -> None:
        size = self._terminal_size()
        if size != self._size:
            self._size, whole = size, True
            self._console.size = (size.columns, size.rows)
        drawn = picture(size, self.theme)[: size.rows]
        if len(self._shown) != len(drawn):
            whole = True
            self._console.clear()
        lines = self._coded(drawn)
        for row, line in enumerate(lines):
            if whole or self._shown[row] != line:
                self._frame.write(f"\x1b[{row + 1};1H{line}")
        self._hand_over()
        if whole:
            self._painted_s = self._drawn_s
        self._shown = lines
        self.drawn += 1

    def _coded(self, drawn: Sequence[Text]) -> list[str]:
        """Each line with its terminal codes; one that is as it was keeps those that it had."""
        before = dict(zip(self._keys, self._shown, strict=False))
        self._keys = [(line.plain, tuple(line.spans)) for line in drawn]
        system = _ANSI.get(self._console.color_system or "")
        lines = []
        for key, line in zip(self._keys, drawn, strict=True):
            codes = before.get(key)
            if codes is None:
                codes = "".join(
                    (part.style or _NO_STYLE).render(part.text, color_system=system)
                    for part in line.render(self._console)
                )
            lines.append(codes)
        return lines

    def _terminal_size(self) -> Size:
        try:
            columns, rows = os.get_terminal_size(self._out.fileno())
        except (OSError, ValueError):
            columns, rows = self._size
        return Size(columns or 80, rows or 24)

    def _console_of(self, theme: Theme) -> Console:
        return Console(
            file=self._frame,
            force_terminal=True,
            color_system=_COLOUR_SYSTEM[theme.colours],  # type: ignore[arg-type]
            no_color=theme.colours is Colours.NONE,
            highlight=False,
            legacy_windows=False,
        )

    # --- keys

    def keys(self, timeout_s: float = REDRAW_S) -> list[str]:
        """Wait for keys, for `wake` or for time to pass; draws what has become due meanwhile.

        Args:
            timeout_s: the longest wait [s].

        Returns:
            Keys as characters, or `enter`, `esc`, `backspace`; mostly none. Once `gone` or
            `stopped_by` is set it returns at once.
        """
        self._watch_parent()
        if not self._open or self.gone or self.stopped_by is not None:
            return []
        self._draw_if_due()
        wait_s = min(timeout_s, REDRAW_S)
        if self._ready() and (self._pending is not None or self._resized):
            wait_s = min(wait_s, max(0.0, REDRAW_S - (self._clock() - self._drawn_s)))
        if self._typed:
            wait_s = ESCAPE_S
        ready, _, _ = select.select([self._in_fd, self._wake_r], [], [], wait_s)
        if self._wake_r in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_r, 4096)
        read = b""
        if self._in_fd in ready:
            try:
                read = os.read(self._in_fd, 1024)
            except OSError:  # hung up, or the shell has taken the terminal back
                read = b""
            if not read:
                self.gone = True
                return []
        self._draw_if_due()
        found, self._typed = split_keys(self._typed + read, last=not read)
        return [key for key in found if key not in _SENT.values() or self.arrows]

    def last_picture(self) -> list[str]:
        """Return the lines of the picture that was drawn last, without colour."""
        if self._last is None or self._kept is None:
            return []
        drawn = self._kept(self._size, self.theme)
        return [line.plain.rstrip() for line in drawn][: self._size.rows]

    def _watch_parent(self) -> None:
        if os.getppid() != self._parent:
            self.gone = True


RIGHT, PAGE_DOWN, PAGE_UP = "right", "pagedown", "pageup"
_SENT = {
    b"\x1b[C": RIGHT, b"\x1bOC": RIGHT, b"\x1b[6~": PAGE_DOWN, b"\x1b[5~": PAGE_UP,
}  # fmt: skip


def split_keys(read: bytes, *, last: bool) -> tuple[list[str], bytes]:
    """Take keys apart.

    Args:
        read: bytes from the terminal.
        last: whether nothing followed for a while, so that a lone Esc is a key.

    Returns:
        The keys, and bytes that may be the beginning of another. But for the right arrow and the
        page keys, keys that send a sequence are dropped whole, so that none of their letters
        records anything.

    >>> split_keys(b"c\\r\\x1b[A\\x1bOPx", last=False)
    (['c', 'enter', 'x'], b'')
    >>> split_keys(b"\\x1b", last=False), split_keys(b"\\x1b", last=True)
    (([], b'\\x1b'), (['esc'], b''))
    """
    keys: list[str] = []
    place = 0
    while place < len(read):
        byte = read[place : place + 1]
        if byte == b"\x1b":
            end = _sequence_end(read, place)
            if end is None and not last:
                break
            if end is None:
                keys.append("esc")
                end = len(read)
            elif end == place + 1:
                keys.append("esc")
            elif read[place:end] in _SENT:
                keys.append(_SENT[read[place:end]])
            place = end
            continue
        length = _utf8_length(byte[0])
        if place + length > len(read) and not last:
            break
        character = read[place : place + length].decode("utf-8", "replace")
        place += length
        if character in _NAMED:
            keys.append(_NAMED[character])
        elif character.isprintable() and len(character) == 1:
            keys.append(character)
    return keys, read[place:]


def _sequence_end(read: bytes, start: int) -> int | None:
    """Where a sequence that an Esc begins is over; None where that is not known yet."""
    following = read[start + 1 : start + 2]
    if not following:
        return None
    if following == b"[":
        for place in range(start + 2, len(read)):
            if 0x40 <= read[place] <= 0x7E:
                return place + 1
        return None
    if following == b"O":
        return start + 3 if len(read) > start + 2 else None
    if following == b"\x1b":
        return start + 1
    return start + 2  # Alt and a key: no key of ours


def _utf8_length(first: int) -> int:
    if first >= 0xF0:
        return 4
    if first >= 0xE0:
        return 3
    return 2 if first >= 0xC0 else 1
