"""How many messages a topic may bring: more of them would keep everybody else's waiting."""

from __future__ import annotations

from collections.abc import Callable

from rules.text import printable
from sensors.wire import Tally

A_SECOND = 200.0
"""Messages of one topic that are read in a second; common practice, no source [1/s]."""

AT_ONCE = 2000.0
"""Messages of one topic that are read however fast they come, as after a pause [-]."""

TOPICS_KEPT = 2048
TOPICS_COUNTED = 100


class TopicRate:
    """A bucket for each topic: what does not fit is dropped and counted by the topic's name.

    Topics beyond the first 2,048 share one bucket, which a flood of new names fills.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        """Begin with empty buckets.

        Args:
            clock: steady [s].
        """
        self._clock = clock
        self._room: dict[str, tuple[float, float]] = {}
        self._dropped = Tally(TOPICS_COUNTED)
        self.total = 0

    def allows(self, topic: str) -> bool:
        """Count a message, and return whether it may be read."""
        room = self._room
        key = topic if topic in room or len(room) < TOPICS_KEPT else ""
        now_s = self._clock()
        left, at_s = room.get(key, (AT_ONCE, now_s))
        left = min(AT_ONCE, left + A_SECOND * max(0.0, now_s - at_s))
        if left < 1.0:
            room[key] = (left, now_s)
            self.total += 1
            self._dropped.add(printable(topic, 80))
            return False
        room[key] = (left - 1.0, now_s)
        return True

    def dropped(self) -> dict[str, int]:
        """Return how many messages of each topic were dropped."""
        return self._dropped.counts()
