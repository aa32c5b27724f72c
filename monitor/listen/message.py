"""What the messages of a watch say, read strictly: call, and the answer to an event.

Keys that an older watch does not send are empty here; what a call cannot do without is its word
and until when it counts. Everything that is text stays text: nothing here acts upon it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple, TypeVar

from monitor.contract import GO_ASKED
from rules.call import Call
from rules.errors import FilmcallError
from rules.text import printable
from rules.units import DAY_S
from sensors.mqtt.json_strict import parse_json
from sensors.wire import PayloadFault

MAX_BYTES = 65_536  # the contract says 24 KB; a message that is larger than this is not read
_LONGEST = 600  # characters of one sentence
_MOST = 40  # entries of one list
_MOST_SECTIONS = 64
_LARGEST = 1e9  # what is over this is no figure of an enclosure
_FARTHEST_S = 30.0 * DAY_S  # of an outlook
_YEAR_3000_S = datetime(3000, 1, 1, tzinfo=UTC).timestamp()
EVENT_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")


class MessageFault(FilmcallError, ValueError):
    """A message cannot be used; the text is one sentence, safe to print."""


class Clock(NamedTuple):
    """One countdown: name, section, state, end [s], what it rests on, pot, and next coat's spec."""

    name: str
    section: str
    state: str
    ends_s: float | None
    basis: str
    batch: str
    next_spec: str


class Band(NamedTuple):
    """The dew margin so far ahead [s]: likely lowest, middle and highest [K]."""

    ahead_s: float
    low_k: float
    mid_k: float
    high_k: float


class Outlook(NamedTuple):
    """What the next hours will probably do, when a limit breaks [s], and the margin's bands."""

    state: str
    text: str
    breaks_s: float | None
    bands: tuple[Band, ...]


class Alarm(NamedTuple):
    """An open alarm; `seen_s` and `seen_by` once somebody acknowledged it."""

    section: str
    fact: str
    text: str
    since_s: float | None
    rang_s: float | None
    seen_s: float | None
    seen_by: str


class PastEvent(NamedTuple):
    """What somebody did, and when [s]."""

    kind: str
    section: str
    time_s: float | None
    note: str


class Figure(NamedTuple):
    """A limit's value and bound, in its unit."""

    limit: str
    state: str
    value: float | None
    bound: float | None
    unit: str
    text: str


class Section(NamedTuple):
    """One section's call: its word as it may be shown, what is asked, and the first reason."""

    name: str
    word: str
    stage: str
    advice: str
    reason: str


@dataclass(frozen=True, slots=True)
class CallMessage:
    """An enclosure's call as its watch says it.

    Attributes:
        enclosure: whose, by the topic.
        station: that says it, or "" where it does not say.
        call: GO, HOLD or STOP.
        renewed: whether its watch has a current reading behind it.
        valid_until_s: until when it counts [s].
        said_s: when it was made, by the station's clock, or None [s].
        since_s: since when it stands, or None [s].
        section: that decides.
        stage: of it.
        question: that the call answers.
        advice: what is asked of the painter.
        lines: what the screen says under its word, the reason first.
        reasons: every limit, worst first.
        climate: figures by their key, those that are known.
        clocks: that count, or ended lately.
        outlook: of the next hours, or None.
        alarms: that are open.
        events: the newest, newest first.
        sections: every section's call.
        log: UUID of the log, or "".
        row: of the newest call in the log, or None.
        seal: of the log, or "".
    """

    enclosure: str
    station: str
    call: Call
    renewed: bool
    valid_until_s: float
    said_s: float | None
    since_s: float | None
    section: str
    stage: str
    question: str
    advice: str
    lines: tuple[str, ...]
    reasons: tuple[Figure, ...]
    climate: dict[str, float]
    clocks: tuple[Clock, ...]
    outlook: Outlook | None
    alarms: tuple[Alarm, ...]
    events: tuple[PastEvent, ...]
    sections: tuple[Section, ...]
    log: str
    row: int | None
    seal: str

    @property
    def word(self) -> str:
        """The call's word; a GO that nothing renews is asked, not said."""
        return _asked(self.call.value, renewed=self.renewed)


@dataclass(frozen=True, slots=True)
class Done:
    """What a watch answers to an event.

    Attributes:
        id: of the event.
        kind: of it.
        section: that it was written for, or "".
        result: recorded, repeated or refused.
        warnings: what it means at this moment, in sentences.
        text: the answer in one sentence.
        row: in the log, or None.
    """

    id: str
    kind: str
    section: str
    result: str
    warnings: tuple[str, ...]
    text: str
    row: int | None


def call_message(enclosure: str, payload: bytes) -> CallMessage:
    """Return what a call says.

    Args:
        enclosure: from the topic.
        payload: the message.

    Raises:
        MessageFault: it is no call, or says not how long it counts.
    """
    said = _table(payload, f"call of {printable(enclosure, 60)}")
    word, until_s = said.get("call"), _time_s(said.get("valid_until"))
    if word not in tuple(Call) or until_s is None:
        raise MessageFault(
            f"a call of {printable(enclosure, 60)} has no word or no valid_until; it is not used. "
            "Look which program sends it"
        )
    climate = {key: value for key in _CLIMATE if (value := _number(said.get(key))) is not None}
    return CallMessage(
        enclosure=enclosure,
        station=_text(said.get("station")),
        call=Call(word),
        renewed=said.get("renewed") is not False,
        valid_until_s=until_s,
        said_s=_time_s(said.get("time")),
        since_s=_time_s(said.get("since")),
        section=_text(said.get("section")),
        stage=_text(said.get("stage")),
        question=_text(said.get("question")),
        advice=_text(said.get("advice")),
        lines=_texts(said.get("lines")),
        reasons=_each(said.get("reasons"), _figure),
        climate=climate,
        clocks=_each(said.get("clocks"), _clock),
        outlook=_outlook(said.get("outlook")),
        alarms=_each(said.get("alarms"), _alarm),
        events=_each(said.get("events"), _event),
        sections=_each(said.get("sections"), _section, _MOST_SECTIONS),
        log=_text(said.get("log")),
        row=_row(said.get("row")),
        seal=_seal(said.get("seal")),
    )


def done_message(payload: bytes) -> Done:
    """Return what a watch answers to an event.

    Raises:
        MessageFault: it answers nothing that was asked.
    """
    said = _table(payload, "answer to an event")
    name, result = _text(said.get("id")), _text(said.get("result"))
    if not EVENT_ID.fullmatch(name) or result not in ("recorded", "repeated", "refused"):
        raise MessageFault("an answer to an event has no id or no result; it is not used")
    return Done(
        name,
        _text(said.get("kind")),
        _text(said.get("section")),
        result,
        _texts(said.get("warnings")),
        _text(said.get("text")),
        _row(said.get("row")),
    )


_CLIMATE = (
    *("air_temp_c", "rh_pct", "surface_temp_c", "dew_point_c", "frost_point_c"),
    *("dew_margin_k", "dew_margin_u95_k"),
)
_Entry = TypeVar("_Entry")


def _table(payload: bytes, what: str) -> dict[str, Any]:
    if len(payload) > MAX_BYTES:
        raise MessageFault(f"a {what} has {len(payload)} bytes, over {MAX_BYTES}; it is not used")
    try:
        said = parse_json(payload.decode("utf-8"))
    except (UnicodeDecodeError, PayloadFault, RecursionError):
        raise MessageFault(f"a {what} is no JSON that can be read; it is not used") from None
    if not isinstance(said, dict):
        raise MessageFault(f"a {what} is no JSON object; it is not used")
    return said


def _asked(word: str, *, renewed: bool) -> str:
    return GO_ASKED if word == Call.GO and not renewed else word


def _each(
    value: object, read: Callable[[dict[str, Any]], _Entry], most: int = _MOST
) -> tuple[_Entry, ...]:
    """Read the entries of a list that are tables; what is something else says nothing."""

    def entries() -> Iterator[_Entry]:
        for entry in value[:most] if isinstance(value, list) else ():
            if isinstance(entry, dict):
                yield read(entry)

    return tuple(entries())


def _text(value: object) -> str:
    return printable(value, _LONGEST) if isinstance(value, str) else ""


def _texts(value: object) -> tuple[str, ...]:
    listed = value[:_MOST] if isinstance(value, list) else ()
    return tuple(text for each in listed if (text := _text(each)))


def _number(value: object) -> float | None:
    """Return a figure that can be one, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) <= _LARGEST else None


def _row(value: object) -> int | None:
    if isinstance(value, bool) or not isinstance(value, int):
        return None
    return value if 0 < value < 2**63 else None  # SQLite's rows


def _time_s(value: object) -> float | None:
    """Return a time of ISO 8601 with its zone, from 1970 to 2999, or None for anything else [s]."""
    if not isinstance(value, str) or len(value) > 40:
        return None
    try:
        moment = datetime.fromisoformat(value)
        time_s = moment.timestamp()
    except (ValueError, OverflowError):
        return None
    # At the ends of the calendar a zone would lead out of it.
    return time_s if moment.tzinfo is not None and 0.0 <= time_s < _YEAR_3000_S else None


def _seal(value: object) -> str:
    """The seal as hexadecimal: alone, or as an alarm has it, with its row beside it."""
    return _text(value.get("seal") if isinstance(value, dict) else value)


def _figure(entry: dict[str, Any]) -> Figure:
    return Figure(
        _text(entry.get("limit")),
        _text(entry.get("state")),
        _number(entry.get("value")),
        _number(entry.get("bound")),
        _text(entry.get("unit")),
        _text(entry.get("text")),
    )


def _clock(entry: dict[str, Any]) -> Clock:
    return Clock(
        _text(entry.get("name")),
        _text(entry.get("section")),
        _text(entry.get("state")),
        _time_s(entry.get("ends_at")),
        _text(entry.get("basis")),
        _text(entry.get("batch")),
        _text(entry.get("next_spec")),
    )


def _outlook(value: object) -> Outlook | None:
    if not isinstance(value, dict):
        return None
    bands = _each(value.get("bands"), _band)
    return Outlook(
        _text(value.get("state")),
        _text(value.get("text")),
        _time_s(value.get("breaks_at")),
        tuple(band for band in bands if band is not None),
    )


def _band(entry: dict[str, Any]) -> Band | None:
    figures = [
        _number(entry.get(key))
        for key in ("ahead_s", "margin_low_k", "margin_mid_k", "margin_high_k")
    ]
    ahead_s, low_k, mid_k, high_k = figures
    if ahead_s is None or low_k is None or mid_k is None or high_k is None:
        return None
    if not 0.0 <= ahead_s <= _FARTHEST_S:
        return None
    return Band(ahead_s, low_k, mid_k, high_k)


def _alarm(entry: dict[str, Any]) -> Alarm:
    return Alarm(
        _text(entry.get("section")),
        _text(entry.get("fact")),
        _text(entry.get("text")),
        _time_s(entry.get("since")),
        _time_s(entry.get("rang_at")),
        _time_s(entry.get("acknowledged_at")),
        _text(entry.get("acknowledged_by")),
    )


def _event(entry: dict[str, Any]) -> PastEvent:
    return PastEvent(
        _text(entry.get("kind")),
        _text(entry.get("section")),
        _time_s(entry.get("time")),
        _text(entry.get("note")),
    )


def _section(entry: dict[str, Any]) -> Section:
    reasons = _each(entry.get("reasons"), _figure, 1)
    word = _text(entry.get("call"))
    return Section(
        _text(entry.get("section")),
        _asked(word, renewed=entry.get("renewed") is not False) if word in tuple(Call) else "",
        _text(entry.get("stage")),
        _text(entry.get("advice")),
        reasons[0].text if reasons else "",
    )
