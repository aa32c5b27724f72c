"""Events by one key: a pure desk that takes keys and hands back what is to be recorded.

Every key asks for one confirming key, since gloves slip; what was recorded is shown, and can be
taken back for a minute. The desk keeps no log and knows no clock: time is an argument.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo

from monitor.screen.phrases import FIELD_WORDS, event_word
from monitor.screen.pieces import details_text
from monitor.screen.theme import Theme
from monitor.snapshot import DeskView, Snapshot
from monitor.specs import shipped_names
from rules.events import Event
from rules.numbers import number as strict_number
from rules.text import clean, duration_text
from rules.vocabulary import ALL_SECTIONS, EventKind, Method
from sensors.reading import Quality
from sensors.zones import zone_or_utc

KEYS: dict[str, EventKind] = {
    "s": EventKind.SESSION_STARTED,
    "e": EventKind.SESSION_ENDED,
    "w": EventKind.WASHED,
    "d": EventKind.SANDED,
    "k": EventKind.INSPECTED,
    "i": EventKind.WIPED,
    "m": EventKind.MEASURED,
    "x": EventKind.MIXED,
    "c": EventKind.COAT_STARTED,
    "f": EventKind.COAT_ENDED,
    "t": EventKind.TAPE_ON,
    "r": EventKind.TAPE_OFF,
    "h": EventKind.HEATER_ON,
    "j": EventKind.HEATER_OFF,
    "l": EventKind.FLOOR_WETTED,
    "b": EventKind.BACK_IN_SERVICE,
    "a": EventKind.ACKNOWLEDGED,
    "o": EventKind.OVERRULED,
    "v": EventKind.VOUCHED,
    "n": EventKind.NOTE,
}
"""Which key records what."""

ALARM_KEYS = ("a", "o", "v")
"""What is pressed of an alarm: that it is seen, or answered for."""

WITHOUT_KEY = (
    EventKind.RESPEC,
    EventKind.PROBES_OUT,
    EventKind.PROBES_IN,
    EventKind.POT_ENDED,
    EventKind.DEHUMIDIFIER_ON,
    EventKind.DEHUMIDIFIER_OFF,
)
"""What is typed at a shell only: by which sheet a film that lies is judged, until when probes are
out, which pot was thrown away, and what was switched once for the whole job."""

# What each event asks; a field in the second list is asked before the confirming key.
FORMS: dict[EventKind, tuple[tuple[str, ...], tuple[str, ...]]] = {
    EventKind.SESSION_STARTED: (("spec", "note"), ()),
    EventKind.SESSION_ENDED: ((), ()),
    EventKind.WASHED: (("section",), ()),
    EventKind.SANDED: (("section",), ()),
    EventKind.INSPECTED: (("section", "note"), ()),
    EventKind.WIPED: (("section",), ()),
    EventKind.MEASURED: (("section", "what", "value"), ("what", "value")),
    EventKind.MIXED: (("spec", "batch", "amount", "thinner"), ("amount",)),
    EventKind.COAT_STARTED: (("section", "spec", "method", "batch"), ("section", "method")),
    EventKind.COAT_ENDED: (("section",), ("section",)),
    EventKind.TAPE_ON: (("section",), ()),
    EventKind.TAPE_OFF: (("section",), ()),
    EventKind.HEATER_ON: ((), ()),
    EventKind.HEATER_OFF: ((), ()),
    EventKind.FLOOR_WETTED: ((), ()),
    EventKind.BACK_IN_SERVICE: (("section",), ()),
    EventKind.ACKNOWLEDGED: ((), ()),
    EventKind.OVERRULED: (("section", "note"), ("note",)),
    EventKind.VOUCHED: (("point",), ("point",)),
    EventKind.NOTE: (("section", "note"), ("note",)),
}
FRESH = ("value", "note", "point", "ago")  # never offered again from the last time
CHOSEN = ("section", "spec", "method", "what", "point")
UNITS = {"amount": "mL", "thinner": "%", "ago": "min", "value": ""}
MOST = {"amount": 100_000.0, "thinner": 100.0, "ago": 1440.0, "value": math.inf}
_MEASURED = {
    "wood-moisture": "pct",
    "mix-temperature": "degC",
    "film-thickness": "um",
    "clearance": "min",
}

Answer = str | float | None


@dataclass(slots=True)
class Form:
    """One event being asked for.

    Attributes:
        kind: of the event.
        fields: that it asks, in order; each can be changed by its number.
        answers: by field.
        to_ask: fields that want an answer before the confirming key.
        typed: what has been typed for the first of them.
        fault: what was wrong with the last answer, or "".
    """

    kind: EventKind
    fields: tuple[str, ...]
    answers: dict[str, Answer]
    to_ask: list[str]
    typed: str = ""
    fault: str = ""


@dataclass(slots=True)
class Choices:
    """What can be chosen, and what was answered last."""

    sections: tuple[str, ...] = ()
    specs: tuple[str, ...] = ()
    batches: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    measured: dict[str, str] = field(default_factory=lambda: dict(_MEASURED))
    last: dict[str, Answer] = field(default_factory=dict)

    def learn(self, snapshot: Snapshot) -> None:
        """Take sections, specs, batches and hand measurements from a snapshot."""
        self.sections = tuple(
            sorted(c.section for c in snapshot.calls if c.section != ALL_SECTIONS)
        )
        self.specs = _nameable(snapshot)
        ordered = sorted(snapshot.points, key=lambda point: point.quality is Quality.OK)
        self.points = tuple(dict.fromkeys(point.point for point in ordered))
        batches = [event.batch for event in reversed(snapshot.events) if event.batch]
        self.batches = tuple(dict.fromkeys([*self.batches, *batches]))
        for spec in snapshot.specs.values():
            for each in spec.measurements:
                self.measured.setdefault(each.what, each.unit)

    def remember(self, form: Form) -> None:
        """Keep a recorded event's answers as what is offered next time."""
        for name in form.fields:
            answer = form.answers.get(name)
            if name not in FRESH and (answer is not None or name == "section"):
                self.last[name] = answer
        batch = form.answers.get("batch")
        if isinstance(batch, str) and batch not in self.batches:
            self.batches = (*self.batches, batch)

    def form(self, kind: EventKind) -> Form:
        """Return the questions of an event, the last answers filled in."""
        fields, asked = FORMS[kind]
        answers: dict[str, Answer] = {}
        for name in fields:
            if name not in FRESH:
                answers[name] = self._offered(kind, name)
        fields = tuple(name for name in fields if self._matters(name))
        if kind is not EventKind.ACKNOWLEDGED:
            fields = (*fields, "ago")
        to_ask = [
            name
            for name in asked
            if name in fields and (name in FRESH or name == "what" or name not in self.last)
        ]
        return Form(kind, fields, answers, to_ask)

    def _matters(self, name: str) -> bool:
        """A choice of one is no question."""
        if name == "section":
            return bool(self.sections)
        if name == "spec":
            return len(self.specs) > 1
        return True

    def _offered(self, kind: EventKind, name: str) -> Answer:
        if name == "batch" and kind is EventKind.MIXED:
            return self._next_batch()
        if name in self.last:
            return self.last[name]
        if name == "spec":
            return self.specs[0] if self.specs else None
        if name == "batch" and self.batches:
            return self.batches[-1]
        return None

    def _next_batch(self) -> str:
        letters = [chr(code) for code in range(ord("A"), ord("Z") + 1)]
        names = [*letters, *(f"{letter}{n}" for n in range(2, 100) for letter in letters)]
        return next(name for name in names if name not in self.batches)

    def choices(self, name: str) -> Sequence[Answer]:
        """Return what a field can be, at most nine; None is the whole enclosure."""
        if name == "section":
            return [*self.sections[:8], None]
        if name == "spec":
            return self.specs[:9]
        if name == "method":
            return [method.value for method in Method]
        if name == "point":
            return self.points[:9]
        return list(self.measured)[:9]


def _nameable(snapshot: Snapshot) -> tuple[str, ...]:
    """The specs that an event can name: the enclosure's own first, shipped ones, and files."""
    shipped = shipped_names()
    found = [name for name, spec in snapshot.specs.items() if name == spec.name]
    found += [spec.name for spec in snapshot.specs.values() if spec.name in shipped]
    return tuple(dict.fromkeys([*found, *(each.spec for each in snapshot.events if each.spec)]))


ENTER, ESC, BACKSPACE = "enter", "esc", "backspace"
UNDO_S = 60.0
ANSWER_S = 60.0  # a question without an answer is dropped after this
MESSAGE_S = 15.0
NO_EVENTS = "a recording is played: no event is recorded"
LONGEST = 200  # characters of a note


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a key led to; all empty where it only changed a question.

    Attributes:
        record: an event to keep now; hand the kept one, with its row, to `kept`.
        withdraw: a correction to keep, which takes back the event that it names.
        quit: the screen is to end.
        dim: dim mode is to be switched.
        glance: the big figures are to be switched on or off.
    """

    record: Event | None = None
    withdraw: Event | None = None
    quit: bool = False
    dim: bool = False
    glance: bool = False


NOTHING = Outcome()


class KeyDesk:
    """Takes keys, asks, and hands back events to record."""

    def __init__(
        self,
        enclosure: str,
        theme: Theme | None = None,
        against: Callable[[Event], Sequence[str]] | None = None,
        *,
        records: bool = True,
        others: bool = False,
    ) -> None:
        """Begin with nothing asked.

        Args:
            enclosure: its name.
            theme: units and hours.
            against: says what speaks against an event before it is confirmed; None for nothing.
            records: whether events are taken; a recording that is played takes none.
            others: whether there are other enclosures to go to.
        """
        self._others = others
        self._records = records
        self.enclosure = enclosure
        self._against = against or (lambda _: ())
        self._said_against: tuple[object, tuple[str, ...]] = (None, ())
        self.theme = theme or Theme()
        self._zone: tzinfo = UTC
        self._offers = Choices()
        self._form: Form | None = None
        self._question = ""  # "undo" or "quit" while one of these is asked
        self._asked_s = 0.0
        self._keys_page = False
        self._message = ""
        self._message_s = -math.inf
        self._kept: list[tuple[Event, float]] = []
        self._now_s = -math.inf

    # --- what the program tells the desk

    def look(self, snapshot: Snapshot) -> None:
        """Learn which sections, specs and batches there are to choose from."""
        self._zone = zone_or_utc(snapshot.timezone)
        self._offers.learn(snapshot)

    def kept(self, event: Event, now_s: float, missing: str = "") -> None:
        """Show that an event has been recorded; it can be taken back for a minute.

        Args:
            event: as the log has it; without a row it cannot be taken back.
            now_s: now [s].
            missing: what the record lacks for it, or "".
        """
        late = event.recorded_s is not None and event.recorded_s - event.time_s >= 60.0
        when = self.theme.hour(event.time_s, self._zone)
        text = f"recorded{' late' if late else ''}: {self._words(event)} at {when}"
        self._kept.append((event, now_s))
        self._tell(f"{text}; {clean(missing)}" if missing else text, now_s)

    def taken_back(self, event: Event, now_s: float) -> None:
        """Show that an event has been taken back.

        Args:
            event: the one that no longer counts, or the correction that took it back.
            now_s: now [s].
        """
        gone = event.corrects if event.withdrawn else event.row
        self._kept = [(each, s) for each, s in self._kept if each.row != gone]
        self._tell(f"taken back: {self._words(event)}", now_s)

    def refused(self, why: str, now_s: float) -> None:
        """Show that an event could not be kept, and why."""
        self._tell(f"NOT recorded: {clean(why)}", now_s)

    def _tell(self, text: str, now_s: float) -> None:
        self._message, self._message_s = text, now_s

    # --- keys

    def press(self, key: str, now_s: float) -> Outcome:
        """Take one key.

        Args:
            key: a character, or `enter`, `esc`, `backspace`.
            now_s: now [s].

        Returns:
            What is to be done; mostly nothing yet.
        """
        self._expire(now_s)
        self._asked_s = now_s
        if self._question:
            return self._answer_question(key, now_s)
        if self._form is not None:
            return self._fill(self._form, key, now_s)
        return self._idle(key.lower() if len(key) == 1 else key, now_s)

    @property
    def busy(self) -> bool:
        """Whether a question or a form waits for its next key."""
        return self._form is not None or bool(self._question)

    def view(self, now_s: float) -> DeskView:
        """Return what the foot of the screen shows now; drops a question nobody answers."""
        self._expire(now_s)
        page = self._page() if self._keys_page else ()
        if self._question == "quit":
            return DeskView(("quit the screen?  Enter quits, Esc stays",), True, page)
        if self._question == "undo":
            event = self._last_kept(now_s)
            name = "" if event is None else self._words(event)
            return DeskView((f"take back {name}?  Enter takes it back, Esc leaves it",), True, page)
        if self._form is not None:
            return DeskView(tuple(self._prompt(self._form)), True, page)
        lines = []
        if now_s - self._message_s < MESSAGE_S and self._message:
            lines.append(self._message)
        if self._last_kept(now_s) is not None:
            left = UNDO_S - (now_s - self._kept[-1][1])
            undo = f"u takes it back ({max(0.0, left):.0f} s)"
            lines = [f"{self._message}. {undo}"] if lines else [undo]
        return DeskView(tuple(lines), False, page)

    def _expire(self, now_s: float) -> None:
        self._kept = [(event, s) for event, s in self._kept if now_s - s < UNDO_S]
        waiting = self._form is not None or self._question
        if waiting and now_s - self._asked_s >= ANSWER_S:
            self._form, self._question = None, ""
            time = duration_text(ANSWER_S)
            self._tell(f"dropped after {time} without an answer, nothing recorded", now_s)
        if self._question == "undo" and not self._kept:
            self._question = ""
            self._tell("nothing of the last minute to take back", now_s)

    def _last_kept(self, now_s: float) -> Event | None:
        for event, kept_s in reversed(self._kept):
            if event.row is not None and now_s - kept_s < UNDO_S:
                return event
        return None

    def _idle(self, key: str, now_s: float) -> Outcome:
        if not self._records and (key in KEYS or key == "u"):
            self._tell(NO_EVENTS, now_s)
        elif key in KEYS:
            self._keys_page = False
            self._form = self._offers.form(KEYS[key])
        elif key == "u":
            if self._last_kept(now_s) is None:
                self._tell("nothing of the last minute to take back", now_s)
            else:
                self._question = "undo"
        elif key == "q":
            self._question = "quit"
        elif key == ".":
            return Outcome(dim=True)
        elif key == "g":
            return Outcome(glance=True)
        elif key in ("?", ESC):
            self._keys_page = key == "?" and not self._keys_page
        elif len(key) == 1 and key.isprintable():
            self._tell(f"no event has the key {clean(key)}; ? lists all keys", now_s)
        return NOTHING

    def _answer_question(self, key: str, now_s: float) -> Outcome:
        question = self._question
        if key == ESC:
            self._question = ""
            return NOTHING
        if key != ENTER:
            return NOTHING
        self._question = ""
        if question == "quit":
            return Outcome(quit=True)
        event = self._last_kept(now_s)
        if event is None:
            return NOTHING
        return Outcome(
            withdraw=replace(event, row=None, corrects=event.row, withdrawn=True, recorded_s=now_s)
        )

    # --- forms

    def _fill(self, form: Form, key: str, now_s: float) -> Outcome:
        if key == ESC:
            self._form = None
            self._tell("dropped, nothing recorded", now_s)
            return NOTHING
        if form.to_ask:
            self._answer(form, form.to_ask[0], key)
            return NOTHING
        if key == ENTER:
            self._form = None
            return Outcome(record=self._event(form, now_s))
        if key.isdecimal() and 0 < int(key) <= len(form.fields):
            form.to_ask = [form.fields[int(key) - 1]]
        return NOTHING

    def _answer(self, form: Form, name: str, key: str) -> None:
        form.fault = ""
        if name in CHOSEN:
            choices = self._offers.choices(name)
            if key.isdecimal() and 0 < int(key) <= len(choices):
                form.answers[name] = choices[int(key) - 1]
                form.to_ask.pop(0)
            elif key == ENTER and (form.answers.get(name) is not None or name in self._offers.last):
                form.to_ask.pop(0)
            return
        if key == BACKSPACE:
            form.typed = form.typed[:-1]
        elif key == ENTER:
            self._take_typed(form, name)
        elif len(key) == 1 and key.isprintable() and len(form.typed) < LONGEST:
            form.typed += key

    def _take_typed(self, form: Form, name: str) -> None:
        typed = form.typed.strip()
        field_name = FIELD_WORDS[name]
        if not typed:
            if form.answers.get(name) is not None:
                form.to_ask.pop(0)
            else:
                form.fault = f"{field_name} is empty; type it or press Esc"
            return
        if name in UNITS:
            figure = strict_number(typed.replace(",", "."))
            number = math.nan if figure is None else figure
            lowest = -math.inf if name == "value" else 0.0
            if not math.isfinite(number) or number < lowest or (name == "amount" and number == 0):
                form.fault = f"'{clean(typed)}' is no number over zero; type it again"
            elif number > MOST[name]:
                most = f"{MOST[name]:g}"
                form.fault = f"{field_name} {typed} is over {most}; type it again"
            else:
                form.answers[name] = number
        else:
            form.answers[name] = typed
        form.typed = ""
        if not form.fault:
            form.to_ask.pop(0)

    def _event(self, form: Form, now_s: float) -> Event:
        """Make the event, and remember its answers for the next one."""
        self._offers.remember(form)
        draft = self._draft(form)
        if draft.what == "mix-temperature" and self._offers.batches:
            draft = replace(draft, batch=self._offers.batches[-1])
        return replace(draft, time_s=now_s - 60.0 * self._ago_min(form), recorded_s=now_s)

    def _draft(self, form: Form) -> Event:
        answers = form.answers
        named = {name: answers.get(name) for name in FORMS[form.kind][0]}
        method = _text(named.get("method"))
        what = _text(named.get("point") if form.kind is EventKind.VOUCHED else named.get("what"))
        return Event(
            kind=form.kind,
            time_s=self._asked_s,
            enclosure=self.enclosure,
            section=_text(named.get("section")),
            note=_text(named.get("note")) or "",
            spec=_text(named.get("spec")),
            batch=_text(named.get("batch")),
            amount_ml=_number(named.get("amount")),
            thinner_pct=_number(named.get("thinner")),
            method=None if method is None else Method(method),
            what=what,
            value=_number(named.get("value")),
            unit=None if what is None or "what" not in named else self._unit_of(what),
        )

    def _unit_of(self, what: str) -> str:
        unit = self._offers.measured.get(what, "")
        return "degF" if unit == "degC" and self.theme.fahrenheit else unit

    def _ago_min(self, form: Form) -> float:
        return _number(form.answers.get("ago")) or 0.0

    # --- words

    def _words(self, event: Event) -> str:
        return event_word(event.kind) + details_text(event)

    def _prompt(self, form: Form) -> list[str]:
        kind = event_word(form.kind)
        if form.to_ask:
            name = form.to_ask[0]
            label = f"{kind}, {FIELD_WORDS[name]}"
            if name in CHOSEN:
                listed = "  ".join(
                    f"{place} {self._shown(choice)}"
                    for place, choice in enumerate(self._offers.choices(name), 1)
                )
                offered = form.answers.get(name)
                if offered is not None:
                    taken = self._shown(offered)
                    listed += f"  Enter {taken}"
                return [f"{label}: {listed}"]
            unit = UNITS.get(name, "")
            if name == "value":
                unit = self._unit_of(_text(form.answers.get("what")) or "")
            asked = f"{label} [{unit}]" if name in UNITS else label
            line = f"{asked}: {form.typed}_  Enter takes it, Esc drops"
            return [form.fault, line] if form.fault else [line]
        details = details_text(self._draft(form))
        ago = self._ago_min(form)
        if ago:
            details += f", {ago:g} minutes ago"
        lines = [f"{kind}{details}?  Enter records, Esc drops"]
        against = self._warnings(form)
        if against:
            more = f" ({len(against) - 1} more)" if len(against) > 1 else ""
            lines.insert(0, f"! {clean(self.theme.words(against[0]))}{more}")
        if form.fields:
            listed = "  ".join(
                f"{place} {FIELD_WORDS[name]}" for place, name in enumerate(form.fields, 1)
            )
            lines.append(f"change: {listed}")
        return lines

    def _warnings(self, form: Form) -> tuple[str, ...]:
        """What speaks against the event; reckoned anew only after a key."""
        asked = (form.kind, self._asked_s)
        if self._said_against[0] != asked:
            draft = self._draft(form)
            event = replace(draft, time_s=draft.time_s - 60.0 * self._ago_min(form))
            self._said_against = (asked, tuple(self._against(event)))
        return self._said_against[1]

    @staticmethod
    def _shown(choice: Answer) -> str:
        if choice is None:
            return "all of it"
        return clean(str(choice))

    def _page(self) -> tuple[str, ...]:
        entries = [f"{key}  {event_word(kind)}" for key, kind in KEYS.items()]
        events = (*entries, "u  take back") if self._records else ()
        others = ("tab  next enclosure",) if self._others else ()
        return (*events, *others, "g  big figures", ".  dim", "?  this list", "q  quit")


def _text(answer: Answer) -> str | None:
    return None if answer is None or answer == "" else str(answer)


def _number(answer: Answer) -> float | None:
    return answer if isinstance(answer, float) else None
