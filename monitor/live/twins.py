"""Notices another station with an enclosure of the same name, or another of our station's name.

Both would write over each other's retained call, and a lamp would show now one's word, now the
other's. Each says so; a listener keeps them apart by `station` and `log`.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import NamedTuple

from monitor.times import moment_s
from monitor.wire import Json
from rules.errors import FilmcallError
from rules.text import printable

LASTS_S = 75.0
"""A station that lives tells its call every 15 s, and each is valid for 60 s [s]."""
FIX = "rename one of the two in its config"
_FIX_STATION = f"{FIX}, under [publish] station"


class _Other(NamedTuple):
    station: str
    log: str
    valid_until: str
    heard_s: float
    sure: bool


class Twins:
    """Hears what others publish as calls of our enclosures. Door: `heard`, then `sentence`."""

    def __init__(
        self,
        station: str,
        log: str,
        wall: Callable[[], float],
        steady: Callable[[], float],
        *,
        by_station: bool = False,
        shared: Callable[[], bool] = lambda: False,
    ) -> None:
        """Begin with nobody.

        Args:
            station: our name.
            log: our log's UUID.
            wall: seconds since 1970-01-01 UTC.
            steady: a clock that nobody sets [s].
            by_station: only another station's name counts, where our own log is not at hand.
            shared: whether another program was heard that has our station's name.
        """
        self._by_station = by_station
        self._shared = shared
        self._station = station
        self._log = log
        self._wall = wall
        self._steady = steady
        self._others: dict[str, _Other] = {}
        self._said: set[str] = set()
        self._lock = threading.Lock()

    def heard(self, enclosure: str, payload: bytes) -> None:
        """Take a call that stands or comes at the broker; the network's thread calls this.

        A call whose time is over is a dead program's. One with our station's name and another log
        may be our own, from before the log was exchanged: a newer one shows that its sender lives.
        """
        told = _told(payload)
        if told is None:
            return
        station, log, valid_until = told
        own = not log or self._by_station
        if (log and log == self._log) or (station == self._station and own):
            return
        try:
            over = moment_s(valid_until, 0.0, "UTC") < self._wall()
        except FilmcallError:
            return
        if over:
            return
        with self._lock:
            same = self._others.get(enclosure)
            if same is not None and (same.station, same.log) != (station, log):
                same = None
            sure = station != self._station
            if same is not None:
                sure |= same.sure or same.valid_until != valid_until
            self._others[enclosure] = _Other(station, log, valid_until, self._steady(), sure)

    def sentence(self, enclosure: str) -> str:
        """Return that another has our station's name, or an enclosure of this name, or ""."""
        with self._lock:
            other = self._others.get(enclosure)
        if other is None or not other.sure or self._steady() - other.heard_s > LASTS_S:
            return _station_sentence(self._station) if self._shared() else ""
        return twin_sentence(enclosure, other.station, other.log, self._station)

    def news(self, enclosures: list[str]) -> list[str]:
        """Return what has come to be said since this was asked last, for lines that scroll away."""
        now = {said for name in enclosures if (said := self.sentence(name))}
        fresh, self._said = sorted(now - self._said), now
        return fresh


def twin_sentence(enclosure: str, station: str, log: str, own: str) -> str:
    """Return in one sentence that two stations have an enclosure of one name.

    Args:
        enclosure: its name.
        station: the other's.
        log: the other's, its UUID.
        own: our station's.
    """
    who, fix = f"station '{printable(station, 60)}'", FIX
    if station == own:
        fix = _FIX_STATION
        who = f"another program that calls itself '{printable(own, 60)}' (log {log[:8]})"
    return (
        f"{who} tells calls of an enclosure '{printable(enclosure, 60)}' too, so a lamp may show "
        f"the other one's word: {fix}."
    )


def _station_sentence(own: str) -> str:
    return (
        f"another program calls itself station '{printable(own, 60)}' too, so where one ends it "
        f"still passes for online: {_FIX_STATION}."
    )


def lines_of(payload: bytes) -> list[str]:
    """Return the sentences that a call's message brings; none where it is no such message."""
    try:
        found = json.loads(payload)["lines"]
    except (ValueError, TypeError, KeyError, RecursionError):
        return []
    return [each for each in found if isinstance(each, str)] if isinstance(found, list) else []


def _told(payload: bytes) -> tuple[str, str, str] | None:
    """Station, log and end of validity of a call's message, or None where it is none."""
    try:
        told: Json = json.loads(payload)
        found = told["station"], told.get("log") or "", told["valid_until"]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    station, log, valid_until = found
    if not (isinstance(station, str) and isinstance(log, str) and isinstance(valid_until, str)):
        return None
    return printable(station, 60), printable(log, 40), valid_until[:40]
