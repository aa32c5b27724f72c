"""Events that come over the broker: each into the log first, then answered, and a repeat harmless.

What is pressed on a page, or on a button beside the tent, does to the watch exactly what
`filmcall event` does from another shell, and is told the same warnings. No topic switches anything.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from monitor.config.model import EnclosureConfig
from monitor.live.loop import Watch
from monitor.log.rows import EventId
from monitor.named import kind_named, method_named
from monitor.record import check
from monitor.specs import shipped_names, spec_path
from monitor.times import moment_s
from monitor.wire import Json
from rules.clocks.at_event import touched
from rules.errors import FilmcallError
from rules.events import Event, in_force
from rules.spec.model import GENERAL_GUIDANCE
from rules.text import clean, duration_text, hour_and_day_text, iso_utc, printable
from rules.vocabulary import ALL_SECTIONS
from sensors.mqtt.events import EventEar, Press
from sensors.zones import zone_or_utc

A_TURN = 8
"""Presses that one turn of the loop takes, so that no call waits for a row of them."""
AGAIN_S = 5.0
"""A button without an id that is pressed again within this was pressed once [s]."""
TAKE_BACK_S = 600.0
"""A press is taken back by another within this; later a film may rest upon it. Judgement [s]."""
RECORDED, REPEATED, REFUSED = "recorded", "repeated", "refused"
_MOST_LETTERS = 600

Answer = Callable[[str, Json], None]


class Buttons:
    """Takes presses into the log and answers them. Door: `turn`, from the watch's loop.

    Attributes:
        counts: what became of presses: recorded, repeated, refused.
    """

    def __init__(self, watch: Watch, ear: EventEar, answer: Answer, beside: Path | None) -> None:
        """Begin.

        Args:
            watch: that keeps the events.
            ear: that hears them.
            answer: tells an enclosure's `event/done` what became of one.
            beside: the folder that spec files of the config count from.
        """
        self.counts = {RECORDED: 0, REPEATED: 0, REFUSED: 0}
        self._watch = watch
        self._ear = ear
        self._answer = answer
        self._beside = beside

    def turn(self, now_s: float) -> None:
        """Take what was pressed, and answer each once the log has it on disk [s]."""
        for press in self._ear.take(A_TURN):
            answer = self._become(press, now_s)
            self.counts[answer["result"]] += 1
            self._answer(press.enclosure, answer)

    def set_aside(self) -> dict[str, int]:
        """Return what was refused and what was dropped, by name, where anything was."""
        found = {"events refused": self.counts[REFUSED], "events dropped": self._ear.dropped}
        return {name: count for name, count in found.items() if count}

    def _become(self, press: Press, now_s: float) -> Json:
        """What becomes of a press."""
        try:
            if press.fault:
                raise FilmcallError(press.fault)
            repeated = self._repeated(press)
            if repeated is not None:
                event, warnings = repeated
                return self._told(press, REPEATED, event, warnings, now_s)
            event = self._taking_back(press, now_s) or self._event(press, now_s)
            name = None if press.id is None else EventId(press.id, press.by)
            found = self._watch.record(event, name)
            return self._told(press, RECORDED, found.event, found.warnings, now_s)
        except FilmcallError as fault:
            return {
                "id": press.id,
                "kind": press.kind or None,
                "section": press.section,
                "result": REFUSED,
                "time": None,
                "log": self._watch.store.log_uuid,
                "row": None,
                "warnings": [],
                "text": _sentence(str(fault)),
            }

    def _told(
        self, press: Press, result: str, event: Event, warnings: Sequence[str], now_s: float
    ) -> Json:
        config = self._watch.rooms[event.enclosure].enclosure.config
        hour = hour_and_day_text(event.time_s, zone_or_utc(config.timezone), now_s)
        where = clean(event.enclosure)
        if event.section is not None:
            where += f"/{clean(event.section)}"
        elif not event.withdrawn:
            kept = self._watch.rooms[event.enclosure].keeper.events
            before = [each for each in kept if (each.row or 0) < (event.row or 0)]
            touches = touched(event, before, self._watch.sections_of(event.enclosure))
            where += f", for {clean(', '.join(touches))}" if touches else ""
        did = "Taken back:" if event.withdrawn else "Recorded"
        return {
            "id": press.id,
            "kind": event.kind.value,
            "section": event.section,
            "result": result,
            "time": iso_utc(event.time_s),
            "log": self._watch.store.log_uuid,
            "row": event.row,
            "warnings": [_sentence(each) for each in warnings],
            "text": f"{did} {event.kind.value} at {hour} in {where}.",
        }

    def _repeated(self, press: Press) -> tuple[Event, Sequence[str]] | None:
        """The event that a press repeats, with what was answered; None for a new one."""
        if press.id is not None:
            found = self._watch.store.event_called(press.enclosure, press.id)
            return None if found is None else (found[0], found[1].warnings)
        pressed_s = self._watch.time_at_s(press.monotonic_s)
        for event in reversed(in_force(self._watch.rooms[press.enclosure].keeper.events)):
            if abs(pressed_s - event.time_s) >= AGAIN_S:
                break
            if event.kind == press.kind and event.section == press.section:
                return event, ()
        return None

    def _taking_back(self, press: Press, now_s: float) -> Event | None:
        """The event that takes back an earlier press; None where none is to be.

        Raises:
            FilmcallError: that press is unknown, is of long ago or counts no longer.
        """
        if press.takes_back is None:
            return None
        name = printable(press.takes_back, 60)
        found = self._watch.store.event_called(press.enclosure, press.takes_back)
        if found is None:
            raise FilmcallError(f"there is no event called {name!r}, so nothing was taken back")
        event = found[0]
        if event.withdrawn:
            raise FilmcallError(f"{name!r} itself took one back; record that event again")
        standing = in_force(self._watch.rooms[press.enclosure].keeper.events)
        if event.row not in {each.row for each in standing}:
            raise FilmcallError(f"{event.kind} no longer counts, so nothing more was taken back")
        if event.recorded_s is None or now_s - event.recorded_s > TAKE_BACK_S:
            raise FilmcallError(
                f"{event.kind} was recorded over {duration_text(TAKE_BACK_S)} ago, so it was not "
                f"taken back; at the station: filmcall event {event.kind} --enclosure "
                f"{printable(press.enclosure)} --corrects {event.row} --withdraw"
            )
        return replace(event, row=None, corrects=event.row, withdrawn=True, recorded_s=now_s)

    def _event(self, press: Press, now_s: float) -> Event:
        """The event that a press tells of, checked.

        Raises:
            FilmcallError: it cannot have been.
        """
        room = self._watch.rooms[press.enclosure]
        config = room.enclosure.config
        kind = kind_named(press.kind)
        if press.id is None:
            self._check_section(press)
        time_s = self._watch.time_at_s(press.monotonic_s)
        if press.time is not None:
            time_s = moment_s(press.time, now_s, config.timezone)
        event = Event(
            kind=kind,
            time_s=time_s,
            enclosure=press.enclosure,
            section=press.section,
            note=press.note,
            spec=None if press.spec is None else self._spec(press.spec, config),
            coat=press.coat,
            batch=press.batch,
            amount_ml=press.amount_ml,
            thinner_pct=press.thinner_pct,
            method=method_named(press.method),
            recorded_s=now_s,
        )
        check(event, now_s, press.time)
        return event

    def _check_section(self, press: Press) -> None:
        """Refuse what a button sends that is no section: many send a word of their own."""
        known = self._watch.sections_of(press.enclosure)
        if press.section in (None, ALL_SECTIONS, *known):
            return
        names = ", ".join(printable(name, 60) for name in sorted(known)) or "none"
        raise FilmcallError(
            f"section {printable(str(press.section), 60)!r} is not known in "
            f"{printable(press.enclosure)} (known: {names}), so nothing was recorded; let the "
            "button send nothing, or a section's name"
        )

    def _spec(self, name: str, config: EnclosureConfig) -> str:
        """A spec by a name that may come over the wire: shipped, or the enclosure's own.

        Raises:
            FilmcallError: it is neither; no file is opened by a path that came from outside.
        """
        if name in (*shipped_names(), GENERAL_GUIDANCE.name):
            return name
        keeper = self._watch.rooms[config.name].keeper
        own = spec_path(config.spec, self._beside)
        if own is not None and name in (config.spec, keeper.default_spec.name, own.stem):
            return str(own)
        raise FilmcallError(
            f"spec {printable(name, 60)!r} is neither a shipped one nor this enclosure's own, so "
            "nothing was recorded; record it at the station: filmcall event --spec FILE"
        )


def _sentence(text: str) -> str:
    """Return a clause as one printable sentence on one line."""
    one = printable(" ".join(text.split()), _MOST_LETTERS).rstrip(".")
    return f"{one[:1].upper()}{one[1:]}."
