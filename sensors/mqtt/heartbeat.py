"""How old what is heard is: beats sent through the broker, and heard by the readings' own line.

A message that comes without a time of its own ages from its receipt, so one that stood in a queue
would pass for fresh. A beat stands in the same queue: as old as it is, so old is the rest.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import deque
from collections.abc import Callable

BEAT_EVERY_S = 1.0
BEHIND_S = 5.0
"""From this delay on a GO is a question: nothing says that it still holds [s]."""

_SHARED_BEATS = 3
"""So many beats of one other program show that it lives, and is not our own run of before."""
_SHARED_S = 30.0

FAR_BEHIND_S = 15.0
"""From this delay on there is no GO [s]."""

_KEPT = 600  # beats on their way, ten minutes of them


def line_clock_s() -> float:
    """Return the machine's finest steady clock, the time that it slept added [s]."""
    awake_s = time.perf_counter()
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return awake_s
    slept_s = time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
    return awake_s + slept_s


class Heartbeat:
    """Sends beats and tells how long they take; may be used from any thread.

    Attributes:
        topic: that beats go by.
    """

    def __init__(self, topic: str, clock: Callable[[], float] = line_clock_s) -> None:
        """Begin without a line.

        Args:
            topic: below the program's own base, so that its account may write and read it.
            clock: steady [s].
        """
        self.topic = topic
        self._clock = clock
        self._lock = threading.Lock()
        self._mark = secrets.token_hex(4)  # another program's beats are none of ours
        self._number = 0
        self._open = False
        self._on_the_way: deque[tuple[int, float]] = deque(maxlen=_KEPT)
        self._took_s = 0.0
        self._sent_s = float("-inf")
        self._heard = False
        self._other, self._other_beats, self._other_s = b"", 0, float("-inf")

    def begin(self) -> None:
        """The line is open, and what the last one owed does not come any more."""
        with self._lock:
            self._open, self._heard = True, False
            self._on_the_way.clear()
            self._took_s, self._sent_s = 0.0, float("-inf")

    def end(self) -> None:
        """The line is lost; what is heard no more ages by itself."""
        with self._lock:
            self._open = False

    def due(self) -> bytes | None:
        """Return the beat to send now, or None within a second of the last one."""
        with self._lock:
            now_s = self._clock()
            if not self._open or now_s - self._sent_s < BEAT_EVERY_S:
                return None
            self._number += 1
            self._sent_s = now_s
            if len(self._on_the_way) < _KEPT:  # the oldest one is what the delay counts from
                self._on_the_way.append((self._number, now_s))
            return f"{self._mark} {self._number}".encode()

    def hear(self, payload: bytes) -> None:
        """Take a beat that has come; another program's shows only that there is one."""
        mark, _, number = payload[:40].partition(b" ")
        if not number.isdigit():
            return
        if mark != self._mark.encode():
            with self._lock:
                self._other_beats = self._other_beats + 1 if mark == self._other else 1
                self._other, self._other_s = mark, self._clock()
            return
        with self._lock:
            heard = int(number)
            while self._on_the_way and self._on_the_way[0][0] <= heard:
                place, sent_s = self._on_the_way.popleft()
                if place == heard:
                    self._took_s = self._clock() - sent_s
                    self._heard = True

    def is_shared(self) -> bool:
        """Return whether another program beats on our topic, and so has our station's name."""
        with self._lock:
            lately = self._clock() - self._other_s < _SHARED_S
            return lately and self._other_beats >= _SHARED_BEATS

    def delay_s(self) -> float:
        """Return how old what is heard now is at least: of the last beat, or of one overdue [s]."""
        with self._lock:
            if not self._open:
                return 0.0
            if not self._on_the_way:
                return self._took_s
            return max(self._took_s, self._clock() - self._on_the_way[0][1])

    def words(self) -> str:
        """Return why there is no GO by this delay, as a clause; "" while it is short."""
        if self.delay_s() <= FAR_BEHIND_S:
            return ""
        with self._lock:
            heard = self._heard
        if heard:
            return (
                f"what is heard is over {FAR_BEHIND_S:.0f} s old and says nothing of now: the "
                "broker or the line to it is behind; look for who sends too much"
            )
        return (
            f"nothing sent to {self.topic} comes back, so how old readings are is not known: let "
            "this program's account write and read it at the broker"
        )
