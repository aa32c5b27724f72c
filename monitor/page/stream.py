"""What open pages are told: each enclosure as it changes, and a beat every two seconds.

The rows are made once a turn for all streams. A stream sends what differs from what it sent last.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable

from monitor.listen.listener import Listener
from monitor.listen.yard import Row
from monitor.page.view import Json, Zones, card, clock_text, key_text, whole

BEAT_S = 2.0
LATEST_S = 6.0
"""A page that has heard no beat for so long shows no word [s]."""
TURN_S = 0.5  # how soon a word that runs out is taken away
APART_S = 0.05  # between two turns, however much is heard
MOST_STREAMS = 200

Version = tuple[object, ...]


class Board:
    """The rows as they stand, and a bell for the streams at each turn."""

    def __init__(self, listener: Listener) -> None:
        self.listener = listener
        self.rows: list[Row] = []
        self.streams = 0
        self._bell = asyncio.Event()
        self._news = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    async def run(self) -> None:
        """Turn for ever: at each message, and at least twice a second."""
        self._loop = asyncio.get_running_loop()
        self.listener.on_change.append(self._changed)
        while True:
            self._news.clear()
            self.rows = self.listener.rows()
            bell, self._bell = self._bell, asyncio.Event()
            bell.set()
            await asyncio.sleep(APART_S)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), TURN_S)

    def _changed(self) -> None:
        """Called in the network's thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._news.set)

    async def turned(self, longest_s: float) -> None:
        """Wait for the next turn, but no longer than so."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._bell.wait(), max(0.0, longest_s))


async def events(
    board: Board,
    zones: Zones,
    admits: Callable[[], bool],
    *,
    of: str | None = None,
    named: str | None = None,
) -> AsyncIterator[str]:
    """Yield the lines of one stream, for as long as it is listened to.

    Args:
        board: that turns.
        zones: in which times are shown.
        admits: whether whoever listens may go on.
        of: key of the one enclosure that is shown whole, or None for the overview.
        named: the one enclosure's name that an overview is of, or None for all.
    """
    sent: dict[str, Version] = {}
    order: list[str] = []
    beat_s, up = float("-inf"), False
    board.streams += 1
    try:
        while admits():
            now_s, steady_s = time.time(), time.monotonic()
            shown = {
                key: row
                for row in board.rows
                if (key := key_text(row.key)) == (of or key)
                and row.key.enclosure == (named or row.key.enclosure)
            }
            for key, row in shown.items():
                version = (row.shown[:3], row.title, row.clash, row.call)
                if sent.get(key) != version:
                    sent[key] = version
                    made = card(row, zones, now_s) if of is None else whole(row, zones, now_s)
                    yield _event("row", made)
            if order != list(shown):
                order = list(shown)
                yield _event("order", {"keys": order})
            if steady_s - beat_s >= BEAT_S or up != board.listener.up:
                beat_s, up = steady_s, board.listener.up
                yield _event("beat", {"clock": clock_text(now_s, zones), "broker": up})
            await board.turned(beat_s + BEAT_S - time.monotonic())
        yield _event("bye", {})
    finally:
        board.streams -= 1


def _event(name: str, said: Json) -> str:
    # JSON as `json` writes it has no line break, which would end the event's data.
    return f"event: {name}\ndata: {json.dumps(said)}\n\n"
