"""Hands bytes to a terminal from a thread of its own: one that takes none holds up nothing else.

A paused terminal or a frozen ssh link takes no output, and whoever writes to it waits; calls, log
and broker may not wait with it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time

_GONE = (errno.EPIPE, errno.EIO, errno.EBADF)  # no reader, a terminal hung up, a closed descriptor
# A terminal with room for one byte is called ready and takes no line end, which is two.
_AGAIN_S = 0.01


class ScreenWriter:
    """Writes in order what it is given; a thread that is stuck in it ends with the program.

    What a full disk refuses is dropped, and what comes after it is tried anew.

    Attributes:
        gone: the terminal has been closed, or nobody reads any more.
        dropped: line ends in what was refused.
        refused: why something was refused the last time, or "".
        refusing: whether the last piece was refused.
    """

    def __init__(self, fd: int) -> None:
        """Begin, with a descriptor of its own so that nobody else closes it.

        Args:
            fd: of the terminal.
        """
        self.gone = False
        self.dropped = 0
        self.refused = ""
        self.refusing = False
        self._cut = False
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
            self._put(data)
            with self._changed:
                self._writing = False
                self._changed.notify_all()
        with contextlib.suppress(OSError):
            os.close(self._fd)

    def _put(self, data: bytes) -> None:
        # What a refusal cut off in mid-line may not become one line with the next.
        whole = left = b"\n" + data if self._cut else data
        fault: OSError | None = None
        while left and not self.gone and fault is None:
            try:
                left = left[os.write(self._fd, left) :]
            except BlockingIOError:  # a full one that somebody made non-blocking: stuck, not gone
                self._wait_for_room()
            except OSError as error:
                self.gone = error.errno in _GONE
                fault = None if self.gone else error
        with self._changed:
            self.refusing = fault is not None
            if fault is None:
                self._cut = False
                return
            self.refused = fault.strerror or str(fault)
            self.dropped += left[-len(data) :].count(b"\n")
            if len(left) < len(whole):
                self._cut = not whole.endswith(b"\n", 0, len(whole) - len(left))

    def _wait_for_room(self) -> None:
        room = select.poll()  # select() itself knows no descriptor from 1024 on
        room.register(self._fd, select.POLLOUT)
        room.poll()
        time.sleep(_AGAIN_S)
