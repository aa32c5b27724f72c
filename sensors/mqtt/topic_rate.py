"""How many messages a topic may bring: more of them would keep everybody else's waiting."""

from __future__ import annotations

from collections.abc import Callable

from rules.text import printable
from sensors.wire import Tally

A_SECOND = 200.0
"""Messages of one topic that are read in a second; common practice, no source [1/s]."""

AT_ONCE = 500.0
"""Messages of one topic that are read however fast they come, as after a pause [-]."""

STRAINED_S = 2.0
"""From this delay of the intake on there is less for each topic [s] ..."""

STRAINED_A_SECOND = 10.0
"""... as many as this: a machine that is slow, or busy, never sees the full rate [1/s]."""

FLOOD_DROPPED = 300
STRAINED_FLOOD_DROPPED = 30
"""Messages of one topic dropped in a second that make it a flood; no source [-]."""

TOPICS_KEPT = 2048
SHARED = 10.0
"""So many times as much for all topics beyond those that are kept together [-]."""

TOPICS_COUNTED = 100


class TopicRate:
    """A bucket for each topic: what does not fit is dropped and counted by the topic's name.

    Topics beyond the first 2,048 share one, larger bucket, which a flood of new names fills.
    """

    def __init__(
        self, clock: Callable[[], float], *, a_second: float = A_SECOND, at_once: float = AT_ONCE
    ) -> None:
        """Begin with empty buckets.

        Args:
            clock: steady [s].
            a_second: messages of one topic that are read in a second [1/s].
            at_once: messages of one topic that are read however fast they come [-].
        """
        self._clock = clock
        self._usual = a_second, at_once
        self._room: dict[str, tuple[float, float]] = {}
        self._dropped = Tally(TOPICS_COUNTED)
        self._second: tuple[str, float, int] = ("", 0.0, 0)
        self.total = 0

    def allows(self, topic: str, delay_s: float = 0.0) -> bool:
        """Count a message, and return whether it may be read.

        Args:
            topic: that brought it.
            delay_s: how old it is by now [s].
        """
        strained = delay_s > STRAINED_S
        a_second, most = (STRAINED_A_SECOND,) * 2 if strained else self._usual
        room = self._room
        key = topic if topic in room or len(room) < TOPICS_KEPT else ""
        now_s = self._clock()
        if not key:
            a_second, most = SHARED * a_second, SHARED * most
        left, at_s = room.get(key, (most, now_s))
        left = min(most, left + a_second * max(0.0, now_s - at_s))
        if left < 1.0:
            room[key] = (left, now_s)
            self.total += 1
            self._dropped.add(printable(topic, 80))
            return False
        room[key] = (left - 1.0, now_s)
        return True

    def is_flood(self, topic: str, delay_s: float = 0.0) -> bool:
        """Return whether a topic of which a message was just dropped brings far too many."""
        now_s = self._clock()
        before, since_s, count = self._second
        if before != topic or not 0.0 <= now_s - since_s < 1.0:
            since_s, count = now_s, 0
        self._second = (topic, since_s, count + 1)
        most = STRAINED_FLOOD_DROPPED if delay_s > STRAINED_S else FLOOD_DROPPED
        return count + 1 >= most

    def dropped(self) -> dict[str, int]:
        """Return how many messages of each topic were dropped."""
        return self._dropped.counts()
