"""Lines of `watch --plain` and its warnings, to an output that may take none for a while."""

from __future__ import annotations

import contextlib
import errno
import io
import sys
from typing import TextIO

from monitor.screen.writer import ScreenWriter
from rules.text import counted

MOST_WAITING_BYTES = 1_000_000  # some thousand calls
CLOSE_S = 1.0


class PlainLines:
    """Writes lines without ever waiting; also a stream for `logging`.

    Lines that a full disk refuses are dropped and counted, and the program goes on.

    Attributes:
        left_out: lines that came while too many waited; the next line that goes tells of them.
    """

    def __init__(self, stream: TextIO, faults: PlainLines | None = None) -> None:
        """Begin.

        Args:
            stream: where to; one without a file behind it, as in a test, is written to as it is.
            faults: is told when `stream`, standard output then, refuses lines, and how many.
        """
        self.left_out = 0
        self._stream = stream
        self._faults = faults
        self._refusal_told = False
        self._dropped_told = 0
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
        """Raise BrokenPipeError once whoever read the lines has gone; tell of refused ones."""
        if self._writer is not None and self._writer.gone:
            raise BrokenPipeError(errno.EPIPE, "nobody reads the lines any more")
        self._tell_of_refused()

    def close(self) -> None:
        """Wait a little for what has not gone yet."""
        if self._writer is not None:
            self._writer.taken(CLOSE_S)
            self._tell_of_refused(last=True)
            self._writer.close()

    def _tell_of_refused(self, *, last: bool = False) -> None:
        """Say once that lines are refused, and how many it was once they are taken or at the end.

        It is said elsewhere: among JSON lines it would stop whoever reads them.
        """
        writer, faults = self._writer, self._faults
        if writer is None or faults is None:
            return
        dropped = writer.dropped
        refusing = writer.refusing  # after it, or a refusal just begun would look over
        if dropped == self._dropped_told and not self._refusal_told:
            return
        if not self._refusal_told:
            self._refusal_told = True
            faults.say(
                f"standard output takes no lines ({writer.refused}); they are left out until it "
                "does, and calls go on to log and broker. Free some space, or send it elsewhere."
            )
        if last or not refusing:
            told = counted(dropped - self._dropped_told, "line was", "lines were")
            faults.say(f"standard output: {told} left out, since it took none.")
            self._refusal_told, self._dropped_told = False, dropped


def standard_lines() -> tuple[PlainLines, PlainLines]:
    """Return what writes to standard output and to standard error."""
    err = PlainLines(sys.stderr)
    return PlainLines(sys.stdout, err), err
