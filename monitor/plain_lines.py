"""Lines of `watch --plain` and its warnings, to an output that may take none for a while."""

from __future__ import annotations

import contextlib
import errno
import io
import sys
from typing import TextIO

from monitor.screen_writer import ScreenWriter
from sensors.wire import counted

MOST_WAITING_BYTES = 1_000_000  # some thousand calls
CLOSE_S = 1.0


class PlainLines:
    """Writes lines without ever waiting; also a stream for `logging`.

    Attributes:
        left_out: lines that came while too many waited; the next line that goes tells of them.
    """

    def __init__(self, stream: TextIO) -> None:
        """Begin.

        Args:
            stream: where to; one without a file behind it, as in a test, is written to as it is.
        """
        self.left_out = 0
        self._stream = stream
        self._writer: ScreenWriter | None = None
        with contextlib.suppress(io.UnsupportedOperation, OSError, ValueError):
            stream.flush()
            self._writer = ScreenWriter(stream.fileno())

    def say(self, line: str) -> None:
        """Write a line, or count it where too much waits already."""
        if self._writer is not None and self._writer.waiting > MOST_WAITING_BYTES:
            self.left_out += 1
            return
        if self.left_out:
            told = counted(self.left_out, "line was", "lines were")
            self.write(f"{told} left out, since the output took none\n")
            self.left_out = 0
        self.write(f"{line}\n")

    def write(self, text: str) -> None:
        """Write a text as it is; for `logging`, which calls it from any thread."""
        if self._writer is None:
            self._stream.write(text)
        elif self._writer.waiting <= 2 * MOST_WAITING_BYTES:
            encoding = getattr(self._stream, "encoding", None) or "utf-8"
            self._writer.write(text.encode(encoding, "backslashreplace"))

    def flush(self) -> None:
        """Do nothing: what can be written is."""

    def check(self) -> None:
        """Raise BrokenPipeError once whoever read the lines has gone."""
        if self._writer is not None and self._writer.gone:
            raise BrokenPipeError(errno.EPIPE, "nobody reads the lines any more")

    def close(self) -> None:
        """Wait a little for what has not gone yet."""
        if self._writer is not None:
            self._writer.taken(CLOSE_S)
            self._writer.close()


def standard_lines() -> tuple[PlainLines, PlainLines]:
    """Return what writes to standard output and to standard error."""
    return PlainLines(sys.stdout), PlainLines(sys.stderr)
