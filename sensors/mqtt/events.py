"""What people press elsewhere, as it comes over the broker: read, bounded and refused by name.

`<base>/<enclosure>/event` brings an event as JSON with an id of its sender's; `…/event/<kind>` is a
button of hardware, which sends nothing or a section's name. What an event means, and whether it can
be, is others' to judge: here it is only read. What is refused is counted, and answered where it can
be, so that whoever pressed learns of it.
"""

from __future__ import annotations

import re
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from rules.text import printable
from rules.vocabulary import EventKind
from sensors.mqtt.json_strict import parse_json
from sensors.mqtt.topic_rate import TopicRate
from sensors.wire import FaultKind, PayloadFault

LEVEL = "event"
DONE = "done"
MOST_BYTES = 4096
"""No press needs more; the largest note that fits is a page long [bytes]."""
A_SECOND, AT_ONCE = 10.0, 50.0
"""Presses of one topic that are read in a second, and however fast they come; each is a write to
the disk. Our own choice, no source [1/s], [-]."""
QUEUED = 500
_NAME = 64
_NOTE = 2000
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_TEXTS = {"kind": _NAME, "section": _NAME, "time": _NAME, "note": _NOTE, "spec": _NAME,
          "batch": _NAME, "method": _NAME, "by": _NAME, "takes_back": _NAME}  # fmt: skip
_FIGURES = ("amount_ml", "thinner_pct", "coat")


@dataclass(frozen=True, slots=True)
class Press:
    """One event as its sender told it, or why it cannot be read.

    Attributes:
        enclosure: where.
        monotonic_s: monotonic time at receipt [s].
        id: the sender's, or None for a button of hardware.
        kind: what was done, as it was written; "" where that cannot be read.
        section: which part of the work, or None.
        time: when, as it was written, or None for now.
        note: free words.
        spec: name of the coating, or None.
        coat: its number, or None.
        batch: the mix's own name, or None.
        amount_ml: volume mixed [mL], or None.
        thinner_pct: thinner added [%], or None.
        method: how the coat is put on, as it was written, or None.
        by: who pressed, or "".
        takes_back: id of the press that it takes back, whose kind it then has; or None.
        fault: why it is refused, in a sentence, or "".
    """

    enclosure: str
    monotonic_s: float
    id: str | None = None
    kind: str = ""
    section: str | None = None
    time: str | None = None
    note: str = ""
    spec: str | None = None
    coat: int | None = None
    batch: str | None = None
    amount_ml: float | None = None
    thinner_pct: float | None = None
    method: str | None = None
    by: str = ""
    takes_back: str | None = None
    fault: str = ""


class EventEar:
    """Hears the event topics of a station's enclosures. Door: `hear`, in the network's thread.

    Attributes:
        filters: what to subscribe to.
        refused: presses refused before anybody judged them [-].
        dropped: presses dropped unread, since their topic brought too many [-].
    """

    def __init__(
        self, base: str, enclosures: Iterable[str], monotonic: Callable[[], float]
    ) -> None:
        """Begin with nothing heard.

        Args:
            base: first levels of the topics.
            enclosures: by name.
            monotonic: a clock that nobody sets [s].
        """
        self._places = {f"{base}/{name}/{LEVEL}": name for name in enclosures}
        self.filters = tuple(text for topic in self._places for text in (topic, f"{topic}/+"))
        self.refused = 0
        self.dropped = 0
        self.kinds: Counter[FaultKind] = Counter()
        self._monotonic = monotonic
        self._rate = TopicRate(monotonic, a_second=A_SECOND, at_once=AT_ONCE)
        self._waiting: deque[Press] = deque()
        self._lock = threading.Lock()

    def place(self, topic: str) -> tuple[str, str | None] | None:
        """Return the enclosure of a topic and its last level where it is a button's; else None.

        >>> ear = EventEar("filmcall", ["tent"], lambda: 0.0)
        >>> ear.place("filmcall/tent/event"), ear.place("filmcall/tent/event/wiped")
        (('tent', None), ('tent', 'wiped'))
        >>> ear.place("filmcall/tent/word") is None
        True
        """
        if topic in self._places:
            return self._places[topic], None
        above, _, word = topic.rpartition("/")
        return (self._places[above], word) if above in self._places else None

    def hear(self, topic: str, payload: bytes, *, retained: bool) -> PayloadFault | None:
        """Take a message on one of the topics.

        Args:
            topic: one that `place` knows.
            payload: at most `MOST_BYTES`, else it is refused.
            retained: whether it came, or was sent, as one to be kept.

        Returns:
            Why it was refused, or None where it was taken, was an answer, or came too fast.
        """
        found = self.place(topic)
        if found is None or found[1] == DONE:
            return None
        enclosure, word = found
        # A flood of invented words shares one bucket.
        named = word is None or word in list(EventKind)
        if not self._rate.allows(topic if named else f"{enclosure}/?"):
            self.dropped += 1
            return None
        now_s = self._monotonic()
        fault: PayloadFault | None = None
        try:
            press = _press(enclosure, word, payload, now_s)
            if retained:
                text = "an event is never retained, since it would be done again at each start"
                fault = PayloadFault(FaultKind.RETAINED, f"{text}; refused. Clear the topic.")
        except PayloadFault as found_fault:
            fault = found_fault
            press = _nameless(enclosure, word, payload, now_s)
        if fault is not None:
            self.refused += 1
            self.kinds[fault.kind] += 1
            press = Press(enclosure, now_s, press.id, press.kind, press.section, fault=str(fault))
        with self._lock:
            if len(self._waiting) >= QUEUED:
                self.dropped += 1
            else:
                self._waiting.append(press)
        return fault

    @property
    def waits(self) -> bool:
        """Whether something was heard that nobody has taken."""
        return bool(self._waiting)

    def take(self, most: int) -> list[Press]:
        """Return what was heard, in its order, at most so many."""
        with self._lock:
            return [self._waiting.popleft() for _ in range(min(most, len(self._waiting)))]


def _press(enclosure: str, word: str | None, payload: bytes, now_s: float) -> Press:
    if len(payload) > MOST_BYTES:
        text = f"message of {len(payload)} bytes is over the {MOST_BYTES} allowed; refused."
        raise PayloadFault(FaultKind.TOO_LARGE, text)
    try:
        text = payload.decode()
    except UnicodeDecodeError as fault:
        raise PayloadFault(
            FaultKind.NOT_UTF8, f"message is not UTF-8 at byte {fault.start}; refused."
        ) from None
    if word is not None:
        section = _text("section", text.strip(), _NAME) or None
        return Press(enclosure, now_s, kind=word, section=section)
    if not text.strip():
        empty = "message is empty; refused. Send JSON with id and kind."
        raise PayloadFault(FaultKind.EMPTY, empty)
    said = parse_json(text)
    if not isinstance(said, dict):
        raise PayloadFault(FaultKind.NO_VALUE, "message is no object with id and kind; refused.")
    unknown = sorted(said.keys() - {*_TEXTS, *_FIGURES, "id"})
    if unknown:
        raise PayloadFault(
            FaultKind.NO_VALUE,
            f"event has a key '{printable(unknown[0], 40)}' that means nothing; refused. Known: "
            f"id, {', '.join((*_TEXTS, *_FIGURES))}.",
        )
    given = {key: value for key, value in said.items() if value is not None}
    name = _id_of(given)
    texts = {key: _text(key, given[key], most) for key, most in _TEXTS.items() if key in given}
    takes_back = texts.get("takes_back") or None
    other = sorted(given.keys() - {"id", "by", "takes_back"})
    if takes_back and other:
        named = printable(", ".join(other), 60)
        raise PayloadFault(FaultKind.NO_VALUE, f"event has takes_back and {named}; refused.")
    if not texts.get("kind") and not takes_back:
        raise PayloadFault(FaultKind.NO_VALUE, "event names no kind; refused. Say what was done.")
    figures = {key: _figure(key, given[key]) for key in _FIGURES if key in given}
    coat = figures.get("coat")
    if coat is not None and coat != int(coat):
        raise PayloadFault(FaultKind.NOT_A_NUMBER, f"coat {coat:g} is no whole number; refused.")
    return Press(
        enclosure,
        now_s,
        id=name,
        kind=texts.get("kind", ""),
        section=texts.get("section") or None,
        time=texts.get("time") or None,
        note=texts.get("note", ""),
        spec=texts.get("spec") or None,
        coat=None if coat is None else int(coat),
        batch=texts.get("batch") or None,
        amount_ml=figures.get("amount_ml"),
        thinner_pct=figures.get("thinner_pct"),
        method=texts.get("method") or None,
        by=texts.get("by", ""),
        takes_back=takes_back,
    )


def _nameless(enclosure: str, word: str | None, payload: bytes, now_s: float) -> Press:
    """As much of a refused message as can be answered to: its id and kind, where they stand."""
    if word is not None:
        return Press(enclosure, now_s, kind=printable(word, _NAME))
    try:
        said = parse_json(payload[:MOST_BYTES].decode())
        kind = said.get("kind")
        named = isinstance(kind, str) and len(kind) <= _NAME and kind.isprintable()
        return Press(enclosure, now_s, id=_id_of(said), kind=kind if named else "")
    except (PayloadFault, UnicodeDecodeError, AttributeError):
        return Press(enclosure, now_s)


def _id_of(said: dict[str, Any]) -> str:
    name = said.get("id")
    if not isinstance(name, str) or _ID.fullmatch(name) is None:
        raise PayloadFault(
            FaultKind.NO_VALUE,
            "event has no id of 1 to 64 letters, digits, '.', '_' or '-'; refused, since a repeat "
            "of it could not be told from a second event.",
        )
    return name


def _text(key: str, value: object, most: int) -> str:
    if not isinstance(value, str):
        raise PayloadFault(FaultKind.NOT_TEXT, f"{key} of the event is not text; refused.")
    if len(value) > most:
        raise PayloadFault(
            FaultKind.TOO_LARGE,
            f"{key} of the event has {len(value)} characters, over the {most} allowed; refused.",
        )
    # A note may hold whatever somebody writes; a name stands in topics, files and on screens.
    if (key != "note" and not value.isprintable()) or any(
        letter == "\0" or "\ud800" <= letter <= "\udfff" for letter in value
    ):
        raise PayloadFault(
            FaultKind.CONTROL_CHARACTER,
            f"{key} '{printable(value, 40)}' holds a control character; refused.",
        )
    return value


def _figure(key: str, value: object) -> float:
    if isinstance(value, bool):
        raise PayloadFault(FaultKind.BOOLEAN, f"{key} of the event is true or false; refused.")
    if isinstance(value, str):
        raise PayloadFault(
            FaultKind.NUMBER_AS_TEXT, f"{key} of the event is text and no number; refused."
        )
    if not isinstance(value, int | float):
        raise PayloadFault(FaultKind.NOT_A_NUMBER, f"{key} of the event is no number; refused.")
    return float(value)
