"""Hands bytes to a terminal from a thread of its own: one that takes none holds up nothing else.

A paused terminal or a frozen ssh link takes no output, and whoever writes to it waits; calls, log
and broker may not wait with it.
"""

from __future__ import annotations

import contextlib
import os
import threading


class ScreenWriter:
    """Writes in order what it is given; a thread that is stuck in it ends with the program.

    Attributes:
        gone: the terminal has been closed.
    """

    def __init__(self, fd: int) -> None:
        """Begin, with a descriptor of its own so that nobody else closes it.

        Args:
            fd: of the terminal.
        """
        self.gone = False
        self._fd = os.dup(fd)
        self._waiting = b""
        self._writing = False
        self._ended = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="filmcall-screen", daemon=True)
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether something that was given before has not been taken yet."""
        with self._changed:
            return self._writing or bool(self._waiting)

    @property
    def waiting(self) -> int:
        """How many bytes have been given and not yet taken up."""
        with self._changed:
            return len(self._waiting)

    def write(self, data: bytes) -> None:
        """Write, after what waits; returns at once."""
        with self._changed:
            self._waiting += data
            self._changed.notify_all()

    def taken(self, wait_s: float) -> bool:
        """Return whether the terminal has taken everything, waiting a little for it.

        Args:
            wait_s: the longest wait [s].
        """
        with self._changed:
            return self._changed.wait_for(
                lambda: self.gone or not (self._writing or self._waiting), wait_s
            )

    def close(self) -> None:
        """End after what was given; does not wait for it."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or self._ended)
                if not self._waiting:
                    break
                data, self._waiting, self._writing = self._waiting, b"", True
            try:
                while data and not self.gone:
                    data = data[os.write(self._fd, data) :]
            except OSError:  # the terminal has been closed
                self.gone = True
            with self._changed:
                self._writing = False
                self._changed.notify_all()
        with contextlib.suppress(OSError):
            os.close(self._fd)
