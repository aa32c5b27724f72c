"""Finds out who else speaks where the simulated tent would: a log could not tell them apart."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Mapping

from rules.errors import FilmcallError
from sensors.mqtt.connection import Connection
from sensors.mqtt.link import SubscriptionState
from sensors.wire import printable

# What the broker has kept comes at once, and so does a watch's call; a sensor that sends more
# seldom than this is heard only through the watch that hears it.
LISTEN_S = 5.0
_FIGURES = ("air_temp_c", "rh_pct", "surface_temp_c")


class Others:
    """Notes who else speaks; `hear` runs in the network's thread.

    Attributes:
        filters: what to listen to.
        found: who was heard, in words, or "".
    """

    def __init__(self, topics: Iterable[str], calls: Mapping[str, str]) -> None:
        """Prepare.

        Args:
            topics: where readings of the tent would be sent.
            calls: an enclosure's name by the topic on which a watch tells its call.
        """
        self.found = ""
        self._topics = frozenset(topics)
        self._calls = dict(calls)
        self.filters = (*sorted(self._topics), *sorted(self._calls))

    def hear(self, topic: str, payload: bytes, kept: bool) -> None:
        """Take a message of somebody else's.

        Args:
            topic: that it came on.
            payload: what it says.
            kept: whether the broker had it already when we came.
        """
        if self.found or not payload:
            return
        if topic in self._topics:
            how = "has kept a reading" if kept else "carries readings"
            self.found = f"topic '{printable(topic, 60)}' {how} of another sender"
        elif topic in self._calls and _has_figures(payload):
            name = printable(self._calls[topic], 60)
            self.found = f"a watch tells a call of enclosure '{name}' by readings that it has"


def _has_figures(payload: bytes) -> bool:
    try:
        told = json.loads(payload)
    except ValueError:
        return True  # somebody tells something there
    return not isinstance(told, dict) or any(told.get(name) is not None for name in _FIGURES)


def refuse_beside_others(
    line: Connection,
    others: Others,
    *,
    listen_s: float = LISTEN_S,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Listen for a while, and refuse where anybody else speaks.

    Args:
        line: connected, subscribed to the others' filters, with their `hear` behind it.
        others: who is listened for.
        listen_s: for how long [s].
        sleep: waits [s].

    Raises:
        FilmcallError: somebody else speaks; nothing was sent.
    """
    until_s = time.monotonic() + listen_s
    while not others.found and time.monotonic() < until_s:
        sleep(0.05)
    states = {each.state for each in line.status().subscriptions}
    if others.found or states == {SubscriptionState.REFUSED}:
        who = others.found or "this account may not read the topics to see who else sends"
        raise FilmcallError(
            f"{who}, and a log could not tell the simulated tent from a real one, so nothing was "
            "sent; use a config with topics and a base of its own, or give --anyway"
        )
