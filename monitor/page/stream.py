"""What open pages are told: each enclosure as it changes, and a beat every two seconds.

A turn makes once for all streams the rows of which something was heard, and twice a second all. A
stream sends what has changed since it sent last.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from monitor.listen.listener import Listener
from monitor.listen.yard import Row, rank
from monitor.page.view import Json, Zones, card, clock_text, key_text, whole

BEAT_S = 2.0
LATEST_S = 6.0
"""A page that has heard no beat for so long shows no word [s]."""
TURN_S = 0.5  # how soon a word that runs out is taken away
APART_S = 0.01  # between two turns, however much is heard
MOST_STREAMS = 200


@dataclass(slots=True)
class Entry:
    """A row as it stood when it was looked at, the number of its last change, and its card."""

    row: Row
    number: int
    card: str = ""


class Board:
    """The rows as they stand, worst first, and a bell for the streams at each turn.

    Attributes:
        listener: that hears them.
        entries: by their key.
        number: of the last change.
        streams: how many listen.
    """

    def __init__(self, listener: Listener, zones: Zones) -> None:
        self.listener = listener
        self.entries: dict[str, Entry] = {}
        self.number = 0
        self.streams = 0
        self._zones = zones
        self._turned_s = self._whole_s = float("-inf")
        self._bell = asyncio.Event()
        self._news = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    async def run(self) -> None:
        """Turn for ever: at each message, and at least twice a second."""
        self._loop = asyncio.get_running_loop()
        self.listener.on_change.append(self._changed)
        while True:
            self._news.clear()
            self._look()
            self._turned_s = time.monotonic()
            bell, self._bell = self._bell, asyncio.Event()
            bell.set()
            await asyncio.sleep(APART_S)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), TURN_S)

    @property
    def is_turning(self) -> bool:
        """Whether what streams are told is of now; if not, there is no beat, and so no word."""
        return time.monotonic() - self._turned_s < LATEST_S / 2.0

    def _look(self) -> None:
        now_s = time.monotonic()
        rows, whole = self.listener.news(whole=now_s - self._whole_s >= TURN_S)
        entries = {} if whole else dict(self.entries)
        for row in rows:
            key = key_text(row.key)
            entry = self.entries.get(key)
            changed = entry is None or _differs(entry.row, row)
            if changed:
                self.number += 1
            # Made anew each time: who comes later is told what is left now, not what was left.
            number = self.number if changed or entry is None else entry.number
            entries[key] = Entry(row, number)
        if whole:
            self._whole_s = now_s
        else:
            entries = dict(sorted(entries.items(), key=lambda each: rank(each[1].row)))
        self.entries = entries

    def card(self, entry: Entry) -> str:
        """Return what the overview is told of a row, made once for all streams."""
        if not entry.card:
            entry.card = _event("row", card(entry.row, self._zones, time.time()))
        return entry.card

    def _changed(self) -> None:
        """Called in the network's thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._news.set)

    async def turned(self, longest_s: float) -> None:
        """Wait for the next turn, but no longer than so."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._bell.wait(), max(0.0, longest_s))


def _differs(before: Row, after: Row) -> bool:
    return (
        before.call is not after.call
        or before.shown[:3] != after.shown[:3]
        or (before.title, before.clash) != (after.title, after.clash)
    )


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
    sent = 0
    order: list[str] = []
    beat_s, up = float("-inf"), False
    board.streams += 1
    try:
        while admits():
            now_s, steady_s = time.time(), time.monotonic()
            keys, number = [], board.number
            for key, entry in board.entries.items():
                if of not in (None, key) or named not in (None, entry.row.key.enclosure):
                    continue
                keys.append(key)
                if entry.number <= sent:
                    continue
                if of is None:
                    yield board.card(entry)
                else:
                    yield _event("row", whole(entry.row, zones, now_s))
            sent = number
            if order != keys:
                order = keys
                yield _event("order", {"keys": order})
            due = steady_s - beat_s >= BEAT_S or up != board.listener.up
            if due and board.is_turning:
                beat_s, up = steady_s, board.listener.up
                yield _event("beat", {"clock": clock_text(now_s, zones), "broker": up})
            await board.turned(min(BEAT_S, max(APART_S, beat_s + BEAT_S - time.monotonic())))
        yield _event("bye", {})
    finally:
        board.streams -= 1


def _event(name: str, said: Json) -> str:
    # JSON as `json` writes it has no line break, which would end the event's data.
    return f"event: {name}\ndata: {json.dumps(said)}\n\n"
