"""What each event asks, what can be chosen, and what was answered last: the key desk's papers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.snapshot import Snapshot
from rules.vocabulary import EventKind, Method

KEYS: dict[str, EventKind] = {
    "s": EventKind.SESSION_STARTED,
    "e": EventKind.SESSION_ENDED,
    "w": EventKind.WASHED,
    "d": EventKind.SANDED,
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
    "n": EventKind.NOTE,
}
"""Which key records what."""

# What each event asks; a field in the second list is asked before the confirming key.
FORMS: dict[EventKind, tuple[tuple[str, ...], tuple[str, ...]]] = {
    EventKind.SESSION_STARTED: (("spec", "note"), ()),
    EventKind.SESSION_ENDED: ((), ()),
    EventKind.WASHED: (("section",), ()),
    EventKind.SANDED: (("section",), ()),
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
    EventKind.NOTE: (("section", "note"), ("note",)),
}
FRESH = ("value", "note", "ago")  # never offered again from the last time
CHOSEN = ("section", "spec", "method", "what")
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
class Offers:
    """What can be chosen, and what was answered last."""

    sections: tuple[str, ...] = ()
    specs: tuple[str, ...] = ()
    batches: tuple[str, ...] = ()
    measured: dict[str, str] = field(default_factory=lambda: dict(_MEASURED))
    last: dict[str, Answer] = field(default_factory=dict)

    def learn(self, snapshot: Snapshot) -> None:
        """Take sections, specs, batches and hand measurements from a snapshot."""
        self.sections = tuple(sorted(c.section for c in snapshot.calls if c.section != "all"))
        self.specs = tuple(snapshot.specs)
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
        return list(self.measured)[:9]
