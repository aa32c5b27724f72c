"""The yard: every enclosure of every station that was heard, and the word that may be shown now.

Pure: messages and moments in, words out. A word is shown while its own `valid_until` lies ahead,
its station's status is online and the link to the broker lives, all of it heard on the present
link; else there is none, and a reason. What was heard before the link broke is history.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.contract import BEAT_LOST_S, GO_ASKED, HEARTBEAT, ONLINE, REPEAT_S, VALID_S
from monitor.listen.message import CallMessage, Done, MessageFault, call_message, done_message
from rules.call import Call
from rules.text import printable

NO_WORD = "NONE"
WORDS_WORST_FIRST = (Call.STOP.value, NO_WORD, Call.HOLD.value, GO_ASKED, Call.GO.value)
AHEAD_S = 5.0
"""A retained call that was made so far ahead of our clock says nothing of its age [s]."""
LATE_S = REPEAT_S + 5.0
"""What comes so soon after a silence may have been held up in it, and shows no wrong clock [s]."""
MOST_KNOWN = 5_000  # enclosures, and stations
_FAULTS_KEPT = 5
_LEVELS = ("status", "call", "event/done", HEARTBEAT)


class Moment(NamedTuple):
    """Now: by the wall clock, which may be set, and by one that nobody sets [s]."""

    wall_s: float
    steady_s: float


class Key(NamedTuple):
    """An enclosure of a station: two stations may each have one of the same name."""

    station: str
    enclosure: str


class Silence(StrEnum):
    """Why there is no word."""

    NO_LINK = "no link"
    NEVER = "never heard"
    NO_STATUS = "no status"
    OFFLINE = "offline"
    ENDED = "ended"
    RUN_OUT = "run out"
    CLOCK_AHEAD = "its clock is ahead"
    CLOCK_BEHIND = "its clock is behind"


class Shown(NamedTuple):
    """The word that may be shown.

    Attributes:
        word: GO, HOLD, STOP or NONE, or GO? for a GO that no current reading renews.
        silence: why it is NONE, or None.
        since_s: since when there is no word, or None where none was ever heard [s].
        apart_s: how far the clocks are apart, where that is why [s].
        left_s: how long the word may be shown if nothing more is heard; 0 for NONE [s].
    """

    word: str
    silence: Silence | None = None
    since_s: float | None = None
    apart_s: float = 0.0
    left_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Row:
    """One enclosure as it stands now.

    Attributes:
        key: whose.
        title: its name, with the station's where two have one of that name.
        shown: its word.
        call: the newest that was heard, or None; it may be history.
        clash: stations that publish the same name, where there are several.
    """

    key: Key
    title: str
    shown: Shown
    call: CallMessage | None
    clash: tuple[str, ...] = ()

    @property
    def ringing(self) -> int:
        """Open alarms that nobody has acknowledged."""
        if self.call is None:
            return 0
        return sum(alarm.seen_s is None for alarm in self.call.alarms)


class News(NamedTuple):
    """Enclosures of which something was heard, or, worst first, all of them: `whole`."""

    rows: list[Row]
    whole: bool


@dataclass(slots=True)
class _Entry:
    call: CallMessage | None = None
    heard: Moment | None = None
    retained: bool = False
    link: int = 0  # number of the link that it was heard on
    ended: bool = False
    cut: bool = False  # its station went offline since


@dataclass(slots=True)
class _Life:
    """A station's status, and by the clock that nobody sets when it was heard [s]."""

    online: bool
    link: int
    beats: bool = False  # its heartbeat is heard on this link
    heard_s: float = -math.inf
    back_s: float = -math.inf  # the first that was heard after a silence

    def hear(self, steady_s: float) -> None:
        if self.is_silent(steady_s):
            self.back_s = steady_s
        self.heard_s = steady_s

    def is_silent(self, steady_s: float) -> bool:
        """Whether a line that beat every second brings nothing more."""
        return self.beats and steady_s - self.heard_s > BEAT_LOST_S


@dataclass(slots=True)
class Faults:
    """Messages that could not be used: how many, and the newest sentences."""

    count: int = 0
    newest: list[str] = field(default_factory=list)

    def add(self, text: str) -> None:
        """Count one more."""
        self.count += 1
        self.newest = [*self.newest[-_FAULTS_KEPT + 1 :], text]


class Yard:
    """What is known of every enclosure.

    Attributes:
        base: first level of every topic.
        faults: messages that could not be used.
    """

    def __init__(self, base: str, expected: Iterable[Key] = ()) -> None:
        """Prepare.

        Args:
            base: of the topics.
            expected: enclosures that are shown, without a word, before they are heard.
        """
        self.base = base
        self.faults = Faults()
        self._expected = tuple(expected)
        self._entries: dict[Key, _Entry] = {}
        self._lives: dict[str, _Life] = {}
        self._link = 0
        self._up = False
        self._lost_s: float | None = None
        self._news: set[Key] | None = None

    @property
    def filters(self) -> tuple[str, ...]:
        """What is to be subscribed to."""
        return tuple(f"{self.base}/+/{last}" for last in _LEVELS)

    @property
    def up(self) -> bool:
        """Whether the link to the broker lives."""
        return self._up

    # --- what happens

    def linked(self) -> None:
        """The broker has accepted us: all that counts is what is heard from now on."""
        self._link += 1
        self._up, self._lost_s = True, None
        self._news = None

    def lost(self, now: Moment) -> None:
        """The link to the broker is gone."""
        if self._up or self._lost_s is None:
            self._lost_s = now.wall_s
        self._up = False
        self._news = None

    def take(self, topic: str, payload: bytes, now: Moment, *, retained: bool) -> Done | None:
        """Take a message.

        Args:
            topic: where it was heard.
            payload: what it says.
            now: when.
            retained: whether the broker had kept it.

        Returns:
            The answer to an event where it is one. What cannot be used is counted in `faults`.
        """
        name, last = self._levels(topic)
        try:
            if last == "status":
                self._take_status(name, payload, now)
            elif last == HEARTBEAT:
                self._take_beat(name, now)
            elif last == "call":
                self._take_call(name, payload, now, retained=retained)
            elif last == "event/done" and not retained:
                return done_message(payload)
        except MessageFault as fault:
            self.faults.add(str(fault))
        return None

    def _take_status(self, name: str, payload: bytes, now: Moment) -> None:
        self._room_for(name, self._lives)
        life, online = self._lives.get(name), payload == ONLINE
        if life is None or life.link != self._link:
            life = self._lives[name] = _Life(online, self._link)
            self._news = None
        elif life.online != online:
            life.online = online
            self._news = None
        life.hear(now.steady_s)
        if not online:
            self._cut(name)

    def _take_beat(self, name: str, now: Moment) -> None:
        life = self._lives.get(name)
        if life is not None and life.link == self._link:
            life.hear(now.steady_s)
            life.beats = True

    def _cut(self, station: str) -> None:
        """What a station said before it went offline is history: another may have its name."""
        for key, entry in self._entries.items():
            entry.cut |= key.station == station

    def _levels(self, topic: str) -> tuple[str, str]:
        if not topic.startswith(f"{self.base}/"):
            return "", ""
        name, _, last = topic[len(self.base) + 1 :].partition("/")
        return name, last

    def _take_call(self, name: str, payload: bytes, now: Moment, *, retained: bool) -> None:
        if not payload:  # a watch that ends takes its kept call back
            for key, entry in self._entries.items():
                if key.enclosure == name and not retained:
                    entry.ended = True
                    self._new(key)
            return
        call = call_message(name, payload)
        key = Key(call.station, name)
        self._room_for(key, self._entries)
        if key not in self._entries:  # another of the same name has another title now
            self._news = None
        entry = self._entries.setdefault(key, _Entry())
        if retained and entry.link == self._link and not entry.retained:
            return  # a newer one was heard on this link already
        entry.call, entry.heard, entry.retained = call, now, retained
        entry.link, entry.ended = self._link, False
        life = self._lives.get(call.station)
        if life is not None:
            life.hear(now.steady_s)
        entry.cut = retained and life is not None and not life.online
        self._new(key)

    def _new(self, key: Key) -> None:
        if self._news is not None:
            self._news.add(key)

    @staticmethod
    def _room_for(key: str | Key, known: Mapping[Any, object]) -> None:
        if key not in known and len(known) >= MOST_KNOWN:
            name = key if isinstance(key, str) else key.enclosure
            raise MessageFault(
                f"{printable(name, 60)} is one over {MOST_KNOWN} and is not shown; look which "
                "program sends so many"
            )

    # --- what may be shown

    def shown(self, key: Key, now: Moment) -> Shown:
        """Return the word that may be shown of an enclosure now."""
        entry = self._entries.get(key)
        call = entry.call if entry is not None else None
        heard = entry.heard if entry is not None else None
        heard_s = None if heard is None else heard.wall_s
        if not self._up:
            return Shown(NO_WORD, Silence.NO_LINK, self._lost_s)
        if entry is None or call is None or heard is None:
            return Shown(NO_WORD, Silence.NEVER)
        if entry.ended:
            return Shown(NO_WORD, Silence.ENDED, heard_s)
        life = self._lives.get(key.station)
        if entry.link != self._link:
            return Shown(NO_WORD, Silence.RUN_OUT, heard_s)
        if life is None or life.link != self._link:
            return Shown(NO_WORD, Silence.NO_STATUS, heard_s)
        if not life.online:
            return Shown(NO_WORD, Silence.OFFLINE, heard_s)
        if entry.cut:
            return Shown(NO_WORD, Silence.RUN_OUT, heard_s)
        if life.is_silent(now.steady_s):
            return Shown(NO_WORD, Silence.RUN_OUT, now.wall_s - (now.steady_s - life.heard_s))
        if heard.steady_s < life.back_s:  # another may have been told meanwhile
            return Shown(NO_WORD, Silence.RUN_OUT, heard_s)
        late = heard.steady_s - life.back_s <= LATE_S
        return _by_clock(entry, call, heard, now, late=late)

    def keys(self) -> list[Key]:
        """Return every enclosure that is known or expected."""
        heard = {key.enclosure for key in self._entries}
        return [*self._entries, *(key for key in self._expected if key.enclosure not in heard)]

    def row(self, key: Key, now: Moment) -> Row:
        """Return one enclosure as it stands now."""
        sharing = tuple(sorted(each.station for each in self.keys() if each[1] == key.enclosure))
        return self._row(key, now, sharing)

    def rows(self, now: Moment) -> list[Row]:
        """Return every enclosure as it stands now, worst first, and by name among equals."""
        sharing: dict[str, list[str]] = {}
        keys = self.keys()
        for key in keys:
            sharing.setdefault(key.enclosure, []).append(key.station)
        rows = [self._row(key, now, sorted(sharing[key.enclosure])) for key in keys]
        return sorted(rows, key=rank)

    def news(self, now: Moment, *, whole: bool = False) -> News:
        """Return what may stand otherwise than when this was last asked; for one reader.

        Args:
            now: as for `rows`.
            whole: return every enclosure: that time goes by is no news, and ends words.
        """
        keys, self._news = self._news, set()
        if whole or keys is None:
            return News(self.rows(now), True)
        return News([self.row(key, now) for key in keys], False)

    def _row(self, key: Key, now: Moment, sharing: Sequence[str]) -> Row:
        entry = self._entries.get(key)
        double = len(sharing) > 1
        title = f"{key.enclosure} ({key.station})" if double else key.enclosure
        return Row(
            key,
            printable(title),
            self.shown(key, now),
            None if entry is None else entry.call,
            tuple(sharing) if double else (),
        )


def _by_clock(entry: _Entry, call: CallMessage, heard: Moment, now: Moment, *, late: bool) -> Shown:
    """The word by both clocks: neither a set wall clock nor a wrong one makes an old word young.

    A word that is `late` may have been held up on its way.
    """
    behind_s = heard.wall_s - call.valid_until_s
    if behind_s >= 0.0 and not (entry.retained or late):
        return Shown(NO_WORD, Silence.CLOCK_BEHIND, heard.wall_s, behind_s + VALID_S)
    said_s = call.valid_until_s - VALID_S if call.said_s is None else call.said_s
    ahead_s = said_s - heard.wall_s
    if entry.retained and ahead_s > AHEAD_S:
        return Shown(NO_WORD, Silence.CLOCK_AHEAD, heard.wall_s, ahead_s)
    left_s = min(
        call.valid_until_s - now.wall_s,
        heard.steady_s + VALID_S - now.steady_s,
    )
    if left_s <= 0.0:
        since_s = min(heard.wall_s, call.valid_until_s)
        return Shown(NO_WORD, Silence.RUN_OUT, since_s)
    return Shown(call.word, left_s=left_s)


def rank(row: Row) -> tuple[int, int, str, str]:
    """Return by what rows are sorted: worst first, and by name among equals."""
    place = WORDS_WORST_FIRST.index(row.shown.word)
    return place, -row.ringing, row.title.casefold(), row.key.station
