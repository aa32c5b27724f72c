"""The live program: takes arrivals, lets time pass, keeps the log, and tells each call at once.

One loop, one thread; the broker's thread only fills a queue. Every clock and source is injected, so
the same loop runs in a soak test with simulated time.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from monitor.config_types import Config, EnclosureConfig
from monitor.film_history import channels_of, history_rows
from monitor.film_keeper import FilmKeeper
from monitor.pipeline import WHOLE, Enclosure, LastCall
from monitor.publish import Publisher
from monitor.steady import SteadyClock, insane_clock
from monitor.store import Store
from monitor.store_rows import LogRefused, Outage
from monitor.telling import Tell, Teller
from monitor.wire import Json, enclosure_dict
from rules.call import Call
from rules.clocks import history_wanted_from_s
from rules.events import Event
from rules.psychrometrics import pressure_at_altitude_pa
from rules.reasons import Doubt
from rules.section import SectionCall
from rules.vocabulary import EventKind
from sensors.mqtt import Arrival
from sensors.reading import Quality, Reading

EVENTS_EVERY_S = 0.5


class Source(Protocol):
    """Where arrivals come from."""

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:
        """Return what has come, waiting a little where nothing has."""
        ...


@dataclass(slots=True)
class Room:
    """One enclosure with what follows it."""

    enclosure: Enclosure
    keeper: FilmKeeper
    teller: Teller
    late: bool = field(default=False)


class Watch:
    """Watches every enclosure of a config.

    Attributes:
        rooms: by enclosure name.
        log_fault: why the log cannot be written now, or "".
        clock_fault: why the clock cannot be right, or "".
    """

    def __init__(
        self,
        config: Config,
        keepers: Mapping[str, FilmKeeper],
        store: Store,
        source: Source,
        clock: SteadyClock,
        *,
        tell: Tell,
        publisher: Publisher | None = None,
        station: str = "",
    ) -> None:
        """Take up every section where the log left it.

        Args:
            config: every enclosure and its points.
            keepers: what follows each enclosure's films, without events yet.
            store: the log.
            source: where arrivals come from.
            clock: the time.
            tell: is given every call change, once it is in the log.
            publisher: tells the broker's listeners, or None.
            station: written beside events that the program itself makes.
        """
        self.rooms: dict[str, Room] = {}
        self.log_fault = ""
        self.clock_fault = ""
        self._store = store
        self._source = source
        self._clock = clock
        self._tell = tell
        self._publisher = publisher
        self._station = station
        self._events_at_s = 0.0
        self._events_row = -1
        self._checked_s = -1.0
        now_s = clock.now_s()
        self._newest_s = store.newest_time_s()
        for each in config.enclosures:
            self.rooms[each.name] = self._begin(each, keepers[each.name], now_s)
        self._look_at_clock(now_s)
        for room in self.rooms.values():
            room.enclosure.evaluate_now(now_s)

    # Beginning ------------------------------------------------------------------------------

    def _begin(self, config: EnclosureConfig, keeper: FilmKeeper, now_s: float) -> Room:
        events = self._store.events(config.name)
        self._events_row = max([self._events_row, *(event.row or 0 for event in events)])
        keeper.set_events(events)
        teller = Teller(self._told, store=self._store)

        def evaluated(enclosure: Enclosure) -> None:
            keeper.evaluated(enclosure)
            teller.evaluated(enclosure)

        sections = {point.section for point in config.points if point.section is not None}
        sections |= {event.section for event in events if event.section is not None}
        last = {
            name: last_call
            for name in sections or {WHOLE}
            if (last_call := self._last_call(config.name, name)) is not None
        }
        self._load_temperatures(config, keeper, sections or {WHOLE}, now_s)
        enclosure = Enclosure(config, keeper.film_of, now_s, last, on_evaluated=evaluated)
        for event in events:
            enclosure.ensure_section(event.section)
        self._release_points(enclosure, config, now_s)
        return Room(enclosure, keeper, teller)

    def _last_call(self, enclosure: str, section: str) -> LastCall | None:
        row = self._store.last_call(enclosure, section)
        if row is None:
            return None
        cause = json.loads(row.body).get("cause", [])
        return LastCall(Call(row.call), frozenset(str(each) for each in cause))

    def _load_temperatures(
        self, config: EnclosureConfig, keeper: FilmKeeper, sections: Iterable[str], now_s: float
    ) -> None:
        for section in sections:
            from_s = history_wanted_from_s(section, keeper.events, now_s)
            if from_s is not None:
                channels = channels_of(config, section)
                rows = history_rows(self._store, config.name, channels, from_s, now_s)
                keeper.samples(section).put_before(rows)

    def _release_points(self, enclosure: Enclosure, config: EnclosureConfig, now_s: float) -> None:
        """End STOPs that only points caused which the config no longer has, and log that."""
        present = {point.name for point in config.points}
        for section in enclosure.sections.values():
            named = {each.partition("@")[2] for each in section.memory.cause}
            gone = frozenset(each for each in named if each and each not in present)
            if gone and section.release(gone, now_s):
                names = ", ".join(sorted(gone))
                note = f"{names} taken out of the config: the STOP that it alone caused has ended"
                self._note(enclosure.name, section.name, note, now_s)

    def _note(self, enclosure: str, section: str | None, note: str, now_s: float) -> None:
        event = Event(
            EventKind.NOTE,
            now_s,
            enclosure,
            section=None if section == WHOLE else section,
            note=note,
            recorded_s=now_s,
        )
        try:
            self._store.add_event(event, station=self._station)
        except LogRefused as fault:
            self.log_fault = str(fault)

    # The loop -------------------------------------------------------------------------------

    def turn(self, wait_s: float) -> int:
        """Go round once: take what has come, let time pass, keep and tell.

        Args:
            wait_s: how long to wait for something to come [s].

        Returns:
            How many readings came.
        """
        arrivals = self._source.drain(wait_s)
        now_s = self._clock.now_s()
        if now_s - self._checked_s >= 1.0 or now_s < self._checked_s:
            self._checked_s = now_s
            now_s = self._look_at_clock(now_s)
        for group in _by_message(arrivals):
            self._take(group, now_s)
        for room in self.rooms.values():
            room.enclosure.advance(now_s)
        if not 0.0 <= now_s - self._events_at_s < EVENTS_EVERY_S:
            self._events_at_s = now_s
            self._look_for_events(now_s)
        self._keep(now_s)
        self._publish(now_s)
        return len(arrivals)

    def _look_at_clock(self, now_s: float) -> float:
        """Notice a clock that was set, or that was never set; return the time to go by."""
        step_s = self._clock.step_s()
        if step_s:
            before_s, now_s = now_s, self._clock.now_s()
            for room in self.rooms.values():
                room.enclosure.clock_jumped(now_s)
                room.keeper.clock_jumped(now_s)
            if not self.clock_fault:
                self._clock_was_set(before_s, now_s, step_s)
        fault = insane_clock(now_s, self._newest_s)
        if fault != self.clock_fault:
            self.clock_fault = fault
            self._set_doubts(now_s)
        return now_s

    def _clock_was_set(self, before_s: float, now_s: float, step_s: float) -> None:
        text = f"the clock was set by {step_s:+.0f} s"
        low_s, high_s = sorted((before_s, now_s))
        try:
            self._store.add_outage(Outage("clock-set", low_s, high_s, text))
        except LogRefused as fault:
            self._log_refused(str(fault), now_s)

    def _take(self, group: Sequence[Arrival], now_s: float) -> None:
        first = group[0]
        room = self.rooms.get(first.reading.enclosure)
        if room is None:
            return
        readings = [arrival.reading for arrival in group]
        if self.clock_fault:
            readings = [_marked(reading) for reading in readings]
        effective_s = self._clock.at_s(first.measured_monotonic_s)
        late_before = room.enclosure.counts.late
        taken = room.enclosure.take(readings, effective_s, now_s)
        room.late |= room.enclosure.counts.late != late_before
        try:
            self._store.add_readings(taken.kept, taken.used)
            for confirmed in taken.confirmed:
                self._store.note_quality(confirmed, confirmed.quality)
        except LogRefused as fault:
            self._log_refused(str(fault), now_s)

    def _look_for_events(self, now_s: float) -> None:
        """Take up what people wrote down, here or from another shell."""
        newest = self._events_row
        for name, room in self.rooms.items():
            fresh = self._store.events(name, after_row=self._events_row)
            if fresh or room.late:
                newest = max([newest, *(event.row or 0 for event in fresh)])
                self._follow(room, fresh, now_s)
        self._events_row = newest

    def _follow(self, room: Room, fresh: Sequence[Event], now_s: float) -> None:
        room.late = False
        enclosure, keeper = room.enclosure, room.keeper
        keeper.set_events((*keeper.events, *fresh))
        for event in fresh:
            enclosure.ensure_section(event.section)
        self._load_temperatures(enclosure.config, keeper, list(enclosure.sections), now_s)
        enclosure.evaluate_now(now_s)

    def _keep(self, now_s: float) -> None:
        try:
            self._store.tick()
        except LogRefused as fault:
            self._log_refused(str(fault), now_s)
            return
        if self.log_fault and self._store.waiting == (0, 0):
            self.log_fault = ""
            self._set_doubts(now_s)

    def _log_refused(self, fault: str, now_s: float) -> None:
        fresh = not self.log_fault
        self.log_fault = fault
        if fresh:
            self._set_doubts(now_s)

    def _set_doubts(self, now_s: float) -> None:
        doubts = []
        if self.clock_fault:
            doubts.append(Doubt("clock", self.clock_fault))
        if self.log_fault:
            doubts.append(Doubt("log", self.log_fault))
        for room in self.rooms.values():
            room.enclosure.doubts = tuple(doubts)
            room.enclosure.evaluate_now(now_s)

    # Telling --------------------------------------------------------------------------------

    def _told(self, enclosure: Enclosure, calls: list[SectionCall], told: Json) -> None:
        if self._publisher is not None:
            self._publisher.tell(enclosure.name, told, self._clock.now_s())
        self._tell(enclosure, calls, told)

    def _publish(self, now_s: float) -> None:
        if self._publisher is None or not self._publisher.due(now_s):
            return
        for name, room in self.rooms.items():
            pressure_pa = pressure_at_altitude_pa(room.enclosure.config.altitude_m)
            told = enclosure_dict(name, room.enclosure.explain(), pressure_pa)
            self._publisher.refresh(name, told)
        self._publisher.tick(now_s)


def _by_message(arrivals: Sequence[Arrival]) -> Iterable[list[Arrival]]:
    """Group readings that one message brought, so that a pair is judged together."""
    group: list[Arrival] = []
    for arrival in arrivals:
        if group and (
            arrival.monotonic_s != group[0].monotonic_s
            or arrival.reading.enclosure != group[0].reading.enclosure
            or arrival.reading.time_s != group[0].reading.time_s
        ):
            yield group
            group = []
        group.append(arrival)
    if group:
        yield group


def _marked(reading: Reading) -> Reading:
    """The reading as one that came while the clock was not set."""

    return replace(reading, quality=Quality.CLOCK) if reading.quality is Quality.OK else reading
