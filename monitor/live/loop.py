"""The live program: takes arrivals, lets time pass, keeps the log, and tells each call at once.

One loop, one thread; the broker's thread only fills a queue. Every clock and source is injected, so
the same loop runs in a soak test with simulated time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Protocol

from monitor.calibrations import CalibrationBook
from monitor.clock import SteadyClock, insane_clock
from monitor.config.model import Config, EnclosureConfig
from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.job.beside import JobKeeper
from monitor.job.standing import answers_at
from monitor.live.call_message import is_blind, screen_keys
from monitor.live.publish import Publisher
from monitor.live.restart import (
    LinkLog,
    clock_set,
    counted_points,
    last_calls,
    load_temperatures,
    lost_sections,
    newest_sane_s,
    of_gone_probes,
    outages_before,
    program_ended,
    recall_readings,
    release_points,
    renamed_points,
    sections_of,
)
from monitor.live.twins import Twins
from monitor.live.watched import WatchedEnclosure
from monitor.live.witness import Witness
from monitor.log.facts import keep_facts
from monitor.log.log import Store
from monitor.log.retention import Retention
from monitor.log.rows import AlarmRow, EventId, LogRefused, Outage
from monitor.outlook.forecast import ForecastKeeper
from monitor.outlook.keeper import OutlookKeeper
from monitor.record import Answers, Recorded, Scene, record, spec_of, warnings_of
from monitor.snapshot import Snapshot
from monitor.tell import Tell, Teller
from monitor.times import AHEAD_S
from monitor.wire import Json, answers_of, enclosure_dict
from rules.air.state import pressure_at_altitude_pa
from rules.events import TYPED_NOW_S, Event, in_force
from rules.reasons import Doubt
from rules.section import SectionCall
from rules.text import duration_text
from rules.vocabulary import ALL_SECTIONS, EventKind
from sensors.mqtt.heartbeat import BEHIND_S
from sensors.mqtt.intake import Arrival
from sensors.reading import unclocked
from sensors.zones import zone_or_utc


def by_message(arrivals: Sequence[Arrival]) -> Iterable[list[Arrival]]:
    """Yield readings in groups that one message brought, so that a pair is judged together."""
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


EVENTS_EVERY_S = 0.5
CALIBRATIONS_EVERY_S = 5.0


class ArrivalSource(Protocol):
    """Where arrivals come from."""

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:
        """Return what has come, waiting a little where nothing has."""
        ...


class IntakeAge(Protocol):
    """How old what arrivals say is by the time they come."""

    def beat(self) -> None:
        """Measure anew where that is due."""
        ...

    def delay_s(self) -> float:
        """Return how old what is heard now is [s]."""
        ...

    def behind_words(self) -> str:
        """Return why there is no GO by that age, as a clause; "" while it is short."""
        ...


class Looks(Protocol):
    """What was last looked at for screens and alarms."""

    snapshots: dict[str, Snapshot]

    def open_alarms(self, name: str) -> list[Json]:
        """Return an enclosure's open alarms, as its call's message tells them."""
        ...


class Presses(Protocol):
    """What people press elsewhere."""

    def turn(self, now_s: float) -> None:
        """Take it into the log and answer it [s]."""
        ...

    def set_aside(self) -> dict[str, int]:
        """Return what was refused and what was dropped, by name, where anything was."""
        ...


class Watch:
    """Watches every enclosure of a config.

    Attributes:
        rooms: by enclosure name.
        log_fault: why the log cannot be written or read now, or "".
        clock_fault: why the clock cannot be right, or "".
        publisher: tells the broker's listeners, or None.
        calibrations: that readings pass through.
        retention: thins old readings of the log while nothing ails it, or None.
        link: follows the link to the broker, or None.
        witness: holds the broker's seal against the log, or None.
        intake_age: tells how old what is heard is, or None where nothing measures it.
        looks: what the alarms last saw of each enclosure, or None.
        presses: takes what was pressed elsewhere, or None.
        twins: notices other stations with an enclosure of the same name, or None.
        job: plans what is next beside the watch, or None where the config names no job.
    """

    def __init__(
        self,
        config: Config,
        keepers: Mapping[str, FilmKeeper],
        store: Store,
        source: ArrivalSource,
        clock: SteadyClock,
        *,
        tell: Tell,
        publisher: Publisher | None = None,
        station: str = "",
        outlooks: OutlookKeeper | None = None,
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
            outlooks: makes outlooks beside the watch, or None for none.
        """
        self.rooms: dict[str, WatchedEnclosure] = {}
        self.clock_fault = ""
        self._write_fault = ""
        self._read_fault = ""
        self._pending: list[Callable[[], object]] = []
        self._store = store
        self._source = source
        self._clock = clock
        self._tell = tell
        self.publisher = publisher
        self.retention: Retention | None = None
        self.link: LinkLog | None = None
        self.witness: Witness | None = None
        self.intake_age: IntakeAge | None = None
        self.looks: Looks | None = None
        self.presses: Presses | None = None
        self.twins: Twins | None = None
        self.job: JobKeeper | None = None
        self._intake_fault = ""
        self._station = station
        self._outlooks = outlooks
        self._events_at_s = 0.0
        self._calibrations_at_s = 0.0
        self._config = config
        self.calibrations = CalibrationBook()
        self._calibration_rows = -1
        self._checked_s = -1.0
        now_s = clock.now_s()
        self._newest_s = newest_sane_s(store, now_s)
        before = list(outages_before(store, now_s))
        for each in config.enclosures:
            self.rooms[each.name] = self._begin(each, keepers[each.name], now_s)
        self.clock_fault = insane_clock(now_s, self._newest_s) or self._from_the_future(now_s)
        self._end_sections(now_s)
        for outage in before:
            self._put_outage(outage, now_s)
        self._write_pending(now_s)
        self._look_for_calibrations(now_s)
        self._of_other_probes = [] if self.clock_fault else self._end_calibrations(now_s)
        self._set_doubts(now_s)

    def notices(self) -> list[str]:
        """Say what whoever starts the program should know of films that lie, and of probes."""
        films = [text for room in self.rooms.values() for text in room.keeper.laid_otherwise()]
        return [*films, *self._of_other_probes]

    @property
    def store(self) -> Store:
        """The log."""
        return self._store

    @property
    def forecast(self) -> ForecastKeeper | None:
        """The hours of weather that outlooks rest on, or None where the config names none."""
        return None if self._outlooks is None else self._outlooks.forecast

    def _outside_c(self, time_s: float) -> float | None:
        hours = None if self.forecast is None else self.forecast.hours
        return None if hours is None else hours.temp_at_c(time_s)

    @property
    def log_fault(self) -> str:
        """Why the log cannot be written or read now, or ""."""
        return self._write_fault or self._read_fault

    # Beginning ------------------------------------------------------------------------------

    def _begin(self, config: EnclosureConfig, keeper: FilmKeeper, now_s: float) -> WatchedEnclosure:
        events = self._store.events(config.name)
        keeper.text_of = self._store.spec_text
        keeper.outside_c = self._outside_c
        keeper.all_happened = True
        sections, named = sections_of(config, events)
        keeper.counted = counted_points(self._store, config, events, sections, now_s)
        keeper.set_events(events)
        facts = keep_facts(self._store, config, keeper.default_spec, keeper.spec_text)
        teller = Teller(self._told, store=self._store, facts=facts, clocks=keeper.clock_dicts)

        def evaluated(enclosure: Enclosure) -> None:
            keeper.evaluated(enclosure)
            teller.evaluated(enclosure)

        last = last_calls(self._store, config.name, sections)
        for name in sections:
            keeper.samples(name)  # its store, at the start and not with the first coat
        load_temperatures(self._store, config.name, keeper, sections, now_s)
        enclosure = Enclosure(
            config,
            keeper.film_of,
            now_s,
            last,
            evaluated,
            carried_out=keeper.carried_out,
            films_due_s=keeper.due_s,
        )
        recall_readings(self._store, enclosure, events, now_s)
        for name in sorted(named):
            enclosure.ensure_section(name)
        for section, note in release_points(enclosure, config, now_s):
            self._note(config.name, section, note, now_s)
        for note in renamed_points(self._store, config):
            self._note(config.name, None, note, now_s)
        newest_row = max((each.row or 0 for each in events), default=0)
        return WatchedEnclosure(enclosure, keeper, teller, newest_row, unsure=named)

    def _note(self, enclosure: str, section: str | None, note: str, now_s: float) -> None:
        where = None if section == ALL_SECTIONS else section
        event = Event(EventKind.NOTE, now_s, enclosure, where, note, recorded_s=now_s)
        self._pending.append(lambda: self._store.add_event(event, station=self._station))

    def now_s(self) -> float:
        """Return the time that the calls go by [s]."""
        return self._clock.now_s()

    def steady_s(self) -> float:
        """Return the time by the clock that nobody sets [s]."""
        return self._clock.steady_s()

    def keep_alarm(self, alarm: AlarmRow) -> None:
        """Keep what became of an alarm, now or once the disk takes it; it rings all the same."""
        self._pending.append(lambda: self._store.add_alarm(alarm))
        self._write_pending(self._clock.now_s())

    def record(self, event: Event, event_id: EventId | None = None) -> Recorded:
        """Keep an event that a key, a button or a page made, and take it into account at once.

        Args:
            event: what was done, in one of the enclosures.
            event_id: how its sender called it, or None.

        Raises:
            FilmcallError: it cannot be kept.
        """
        self._look_for_events(self._clock.now_s())
        room = self.rooms[event.enclosure]
        own = room.keeper.spec_text
        sha256 = self._store.keep_spec(own) if own else None
        found = record(
            self._store,
            event,
            self._scene(room),
            station=self._station,
            own_sha256=sha256,
            event_id=event_id,
        )
        self._look_for_events(self._clock.now_s())
        return found

    def against(self, event: Event) -> tuple[str, ...]:
        """Return what speaks against an event that somebody is about to record."""
        return warnings_of(self._store, event, self._scene(self.rooms[event.enclosure]))

    def time_at_s(self, monotonic_s: float) -> float:
        """Return the time that the calls go by at a moment of the clock that nobody sets [s]."""
        return self._clock.at_s(monotonic_s)

    def sections_of(self, enclosure: str) -> frozenset[str]:
        """Return an enclosure's sections: those with a surface point, and those of events."""
        return self._scene(self.rooms[enclosure]).sections()

    def _scene(self, room: WatchedEnclosure) -> Scene:
        """An enclosure as it stands before an event."""
        keeper, enclosure, now_s = room.keeper, room.enclosure, self._clock.now_s()
        return Scene(
            events=keeper.events,
            config=enclosure.config,
            zone=zone_or_utc(enclosure.config.timezone),
            clocks=lambda time_s, over: keeper.clocks_at(
                enclosure, time_s, over, None if over is None else spec_of(self._store, over)
            ),
            memory=lambda section, _: keeper.memory_of(section or ALL_SECTIONS, now_s),
            answers=lambda section, time_s: (
                Answers(*answers_of(enclosure.explain(), section))
                if abs(now_s - time_s) <= TYPED_NOW_S
                else answers_at(self._store, enclosure.name, section, time_s)
            ),
        )

    def end(self) -> None:
        """Note what only this program knows; call it before the link and the log are closed."""
        now_s = self._clock.now_s()
        self._put_outage(None if self.link is None else self.link.end(now_s), now_s)
        self._put_outage(program_ended(self._store, now_s), now_s)
        self._write_pending(now_s)

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
            if self.link is not None:
                self._put_outage(self.link.look(now_s), now_s)
                self.link.tell([room.enclosure for room in self.rooms.values()], now_s)
            if self.witness is not None:
                linked = self.link is None or self.link.connected()
                self._put_outage(self.witness.look(now_s, linked=linked), now_s)
            self._look_for_silence(now_s)
        for group in by_message(arrivals):
            self._take(group, now_s)
        for room in self.rooms.values():
            room.enclosure.advance(now_s)
        self._look_at_intake(now_s)
        if not 0.0 <= now_s - self._events_at_s < EVENTS_EVERY_S:
            self._events_at_s = now_s
            self._look_for_events(now_s)
        if not 0.0 <= now_s - self._calibrations_at_s < CALIBRATIONS_EVERY_S:
            self._look_for_calibrations(now_s)
        if self.presses is not None:
            self.presses.turn(now_s)
        self._look_ahead()
        self._keep(now_s)
        self._publish(now_s)
        # Last, so that no call waits for it.
        if self.retention is not None and not (self.clock_fault or self.log_fault):
            self.retention.look(now_s)
        return len(arrivals)

    def _look_at_intake(self, now_s: float) -> None:
        """Measure how old what is heard is, and show it; far behind there is no GO."""
        if self.intake_age is None:
            return
        self.intake_age.beat()
        delay_s = self.intake_age.delay_s()
        for room in self.rooms.values():
            room.enclosure.intake_delay_s = delay_s
        if self.publisher is not None:
            self.publisher.set_behind(delay_s > BEHIND_S)
        fault = self.intake_age.behind_words()
        if fault != self._intake_fault:
            self._intake_fault = fault
            self._set_doubts(now_s)

    def _look_at_clock(self, now_s: float) -> float:
        """Notice a clock that was set, or that was never set; return the time to go by."""
        step_s = self._clock.step_s()
        if step_s:
            # From here on `explain` would tell a HOLD that nobody was told of: see the end.
            before_s, now_s = now_s, self._clock.now_s()
            for room in self.rooms.values():
                room.enclosure.clock_jumped(now_s)
                room.keeper.clock_jumped(now_s)
                room.bands.clear()
            if not self.clock_fault:
                self._put_outage(clock_set(before_s, now_s, step_s), now_s)
        fault = insane_clock(now_s, self._newest_s) or self._from_the_future(now_s)
        changed, self.clock_fault = fault != self.clock_fault, fault
        if step_s or changed:
            if not fault:
                for room in self.rooms.values():
                    room.clock_mended(now_s, was_wrong=changed)
            self._set_doubts(now_s)
        return now_s

    def _from_the_future(self, now_s: float) -> str:
        """Why no countdown can be told: something was done later than the clock now says."""
        for name, room in self.rooms.items():
            done_s = room.keeper.newest_event_s
            if done_s > now_s + AHEAD_S:
                return (
                    f"an event of {name} lies {duration_text(done_s - now_s)} in the future, so "
                    "its countdowns wait: set the clock, or correct the event"
                )
        return ""

    def _put_outage(self, outage: Outage | None, now_s: float) -> None:
        if outage is not None:
            self._pending.append(lambda: self._store.add_outage(outage))
            self._write_pending(now_s)

    def _take(self, group: Sequence[Arrival], now_s: float) -> None:
        first = group[0]
        room = self.rooms.get(first.reading.enclosure)
        if room is None:
            return
        # What a sensor says now is so now, whatever the clock says: only its time is not known.
        readings = [arrival.reading for arrival in group]
        effective_s = self._clock.at_s(first.measured_monotonic_s)
        late_before = room.enclosure.counts.late
        taken = room.enclosure.take(readings, effective_s, now_s)
        if room.enclosure.counts.late != late_before:
            room.came_late(first.reading.time_s, now_s)
        try:
            kept = [unclocked(each) for each in taken.kept] if self.clock_fault else taken.kept
            self._store.add_readings(kept, taken.used)
            for confirmed in taken.confirmed:
                self._store.note_quality(confirmed, confirmed.quality)
        except LogRefused as fault:
            self._set_log_faults(now_s, write=str(fault))

    def _look_for_events(self, now_s: float) -> None:
        """Take up what people wrote down, here or from another shell."""
        try:
            for name, room in self.rooms.items():
                fresh = self._store.events(name, after_row=room.events_row)
                due = room.load_due(now_s) and self._flushed(now_s)
                if fresh or due:
                    self._follow(room, fresh, now_s, due=due)
            self._end_sections(now_s)
        except LogRefused as fault:
            self._set_log_faults(now_s, read=str(fault))
        else:
            self._set_log_faults(now_s, read="")

    def _look_ahead(self) -> None:
        """Take up outlooks and plans that are ready, and ask for those that are due."""
        if self.job is not None:
            self.job.look(sum(room.events_row for room in self.rooms.values()))
        if self._outlooks is None:
            return
        self._keep_forecasts()
        for answer in self._outlooks.answers():
            room = self.rooms[answer.enclosure]
            section = room.enclosure.sections.get(answer.section)
            if section is not None:
                section.ahead = answer.ahead
                room.keeper.look_ahead(section.name, answer.surface)
                room.outlook_why[section.name] = answer.why
                if answer.bands is not None:
                    room.bands[section.name] = answer.bands
                else:
                    room.bands.pop(section.name, None)
        for name, room in self.rooms.items():
            for section in room.enclosure.sections.values():
                ahead = section.ahead
                changed = ahead is not None and ahead.stage is not section.film.stage
                if changed:
                    section.ahead = None
                self._outlooks.ask(name, section.name, at_once=changed)

    def _keep_forecasts(self) -> None:
        """Put forecasts in the log as they were issued; one that the disk refuses is left out."""
        for issued_s, hours in () if self.forecast is None else self.forecast.issues():
            try:
                self._store.add_forecast(issued_s, hours)
            except LogRefused as fault:
                self._set_log_faults(self._clock.now_s(), write=str(fault))

    def _look_for_calibrations(self, now_s: float) -> None:
        """Take up calibrations that were made or taken back, here or from another shell."""
        self._calibrations_at_s = now_s
        try:
            rows = self._store.calibrations()
        except LogRefused as fault:
            self._set_log_faults(now_s, read=str(fault))
            return
        if len(rows) == self._calibration_rows:
            return
        self._calibration_rows = len(rows)
        self.calibrations = book = CalibrationBook.of(rows, self._config)
        for room in self.rooms.values():
            room.enclosure.calibrate(book)

    def _end_calibrations(self, now_s: float) -> list[str]:
        said: list[str] = []
        try:
            for name, text in of_gone_probes(self._store, self.calibrations, self._config, now_s):
                said.append(f"{name}: {text}")
                self._note(name, None, text, now_s)
        except LogRefused as fault:
            self._set_log_faults(now_s, write=str(fault))
        if said:
            self._write_pending(now_s)
            self._look_for_calibrations(now_s)
        return said

    def _flushed(self, now_s: float) -> bool:
        """Put what came late on disk; while that refuses, it is not to be taken from there."""
        try:
            if not self._write_fault:
                self._store.flush()
        except LogRefused as fault:
            self._set_log_faults(now_s, write=str(fault))
        return not self._write_fault

    def _follow(
        self, room: WatchedEnclosure, fresh: Sequence[Event], now_s: float, *, due: bool
    ) -> None:
        enclosure, keeper = room.enclosure, room.keeper
        keeper.set_events((*keeper.events, *fresh))
        for event in in_force(tuple(fresh)):
            enclosure.heed(event)
        if fresh and self.publisher is not None:
            self.publisher.freshen(enclosure.name)
        room.ends_s = now_s
        room.events_row = max([room.events_row, *(event.row or 0 for event in fresh)])
        named = {event.section for event in fresh if event.section is not None} - {ALL_SECTIONS}
        # An event may come while late readings wait in memory still: their own time stands.
        load_s, late_s = (None, room.late_from_s) if due else (room.load_s, math.inf)
        room.load_s = now_s
        try:
            sections = named | enclosure.sections.keys()
            load_temperatures(self._store, enclosure.name, keeper, sections, now_s, late_s)
            room.load_s = load_s
            room.late_from_s = math.inf if due else room.late_from_s
        finally:
            # Not before, since a film is reckoned as its section begins.
            for name in sorted(named):
                enclosure.ensure_section(name)
            enclosure.evaluate_now(now_s)

    def _end_sections(self, now_s: float) -> None:
        """Watch no more what only events named and has ended, and note it."""
        if self.clock_fault:
            return  # it cannot tell what is over
        for name, room in self.rooms.items():
            ended = room.end_sections(now_s)
            notes = [note for section, note in ended if section not in (room.unsure or ())]
            if room.unsure is not None:
                notes += lost_sections(self._store, room.enclosure, room.keeper.events)
                room.unsure = None
            for note in dict.fromkeys(notes):
                self._note(name, None, note, now_s)
            if ended or notes:
                self._write_pending(now_s)
                room.enclosure.evaluate_now(now_s)

    def _keep(self, now_s: float) -> None:
        refused = [fault for room in self.rooms.values() if (fault := room.teller.take_fault())]
        try:
            self._store.tick()
        except LogRefused as fault:
            refused.append(str(fault))
        if refused:
            self._set_log_faults(now_s, write=refused[0])
        elif self._store.waiting == (0, 0):
            self._write_pending(now_s)
            if not self._pending:
                self._set_log_faults(now_s, write="")

    def _write_pending(self, now_s: float) -> None:
        """Write notes and outages, now or once the disk takes them again."""
        try:
            while self._pending:
                self._pending[0]()
                del self._pending[0]
        except LogRefused as fault:
            self._set_log_faults(now_s, write=str(fault))

    def _set_log_faults(
        self, now_s: float, *, write: str | None = None, read: str | None = None
    ) -> None:
        before = self.log_fault
        self._write_fault = self._write_fault if write is None else write
        self._read_fault = self._read_fault if read is None else read
        if self.log_fault != before:
            self._set_doubts(now_s)

    def _set_doubts(self, now_s: float) -> None:
        doubts = []
        if self.clock_fault:
            doubts.append(Doubt("clock", self.clock_fault))
        if self._intake_fault:
            doubts.append(Doubt("intake", self._intake_fault))
        if self.log_fault:
            # A reason is a clause: whoever shows it ends the sentence.
            doubts.append(Doubt("log", self.log_fault.removesuffix(".")))
        for room in self.rooms.values():
            room.keeper.clock_wrong = bool(self.clock_fault)
            room.enclosure.doubts = tuple(doubts)
            room.enclosure.evaluate_now(now_s)

    # Telling --------------------------------------------------------------------------------

    def _told(self, enclosure: Enclosure, calls: list[SectionCall], told: Json) -> None:
        self._add_delay(told)
        if self.publisher is not None:
            now_s, room = self._clock.now_s(), self.rooms.get(enclosure.name)
            # What begins is told whole as soon as there is a link.
            message = told if room is None else self._message(room, calls, told, now_s)
            blind = is_blind(enclosure, now_s)
            since_s = calls[0].since_s
            self.publisher.tell(enclosure.name, message, now_s, blind=blind, since_s=since_s)
        self._tell(enclosure, calls, told)

    def _message(
        self, room: WatchedEnclosure, calls: list[SectionCall], told: Json, now_s: float
    ) -> Json:
        """A call with all that its message says besides."""
        name, looks = room.enclosure.name, self.looks
        seen = None if looks is None else looks.snapshots.get(name)
        message = {**told, "log": self._store.log_uuid, "row": None, "seal": None}
        try:
            message["row"] = room.teller.newest_row(name)
            message["seal"] = self._store.seal().sha256
            message["alarms"] = [] if looks is None else looks.open_alarms(name)
        except LogRefused:
            message["alarms"] = []  # the call says by itself that the log cannot be read
        return {**message, **screen_keys(room, calls, told["sections"], now_s, seen)}

    def _add_delay(self, told: Json) -> None:
        if self.intake_age is not None:
            told["intake_delay_s"] = round(self.intake_age.delay_s(), 2)

    def _publish(self, now_s: float) -> None:
        if self.publisher is None:
            return
        for name in self.publisher.due(now_s):
            room = self.rooms[name]
            pressure_pa = pressure_at_altitude_pa(room.enclosure.config.altitude_m)
            calls = room.enclosure.explain()
            told = enclosure_dict(name, calls, pressure_pa)
            self._add_delay(told)
            if self._store.call_waits(name):
                told["unlogged"] = True
            self.publisher.refresh(name, self._message(room, calls, told, now_s))
        self.publisher.tick(now_s)

    def _look_for_silence(self, now_s: float) -> None:
        """Take the word back from enclosures of which nothing current is known."""
        if self.publisher is not None:
            for name, room in self.rooms.items():
                self.publisher.set_blind(name, is_blind(room.enclosure, now_s))
