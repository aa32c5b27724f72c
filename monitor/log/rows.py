"""What the log holds, as the rest of the program sees it: the vocabulary of this package."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rules.errors import FilmcallError
from rules.events import Event
from rules.vocabulary import EventKind, Method
from sensors.reading import Quality, Quantity

# The source of everything that comes from real sensors and people now.
LIVE = 1

# Kept in every log: a number is never given a second meaning.
QUALITY_CODES: dict[Quality, int] = {
    Quality.OK: 0,
    Quality.STALE: 1,
    Quality.MISSING: 2,
    Quality.IMPLAUSIBLE: 3,
    Quality.STUCK: 4,
    Quality.SPIKE: 5,
    Quality.WET: 6,
    Quality.RETAINED: 7,
    Quality.CLOCK: 8,
    Quality.DOUBTED: 9,
}
QUALITY_OF_CODE: dict[int, Quality] = {code: quality for quality, code in QUALITY_CODES.items()}

# SQLite's primary result codes for a file that is damaged or was never a database.
_DAMAGED = (11, 26)
EVER = (-(2**62), 2**62)

CALL_COLUMNS = "id, source, enclosure, section, time_us, call, stage, question, body, logged_us"
EVENT_COLUMNS = (
    "id, kind, time_us, enclosure, section, note, spec, coat, batch, amount_ml, thinner_pct, "
    "method, what, value, unit, recorded_us, corrects, withdrawn"
)
EVENT_WANTED = f"{EVENT_COLUMNS}, (SELECT sha256 FROM event_specs WHERE event_specs.id = events.id)"


class LogRefused(FilmcallError):
    """The log could not be written or read; what was to be kept goes on unlogged."""


class LogDamaged(LogRefused):
    """The log's file is damaged inside."""


class LogBusy(FilmcallError):
    """Another `watch` writes to this log."""


class LogMissing(FilmcallError):
    """There is no log where one was to be read."""


@dataclass(frozen=True, slots=True)
class CallRow:
    """A call as the log keeps it.

    Attributes:
        enclosure: where.
        section: which part of the work.
        time_s: when the call was made, in the data's time [s].
        call: `GO`, `HOLD` or `STOP`.
        stage: of the section.
        question: that it answers, `may I start?` or `is the film safe?`.
        body: the whole call with its reasons, as JSON text.
        source: where its readings came from.
        logged_s: when it was written down [s], or None before.
        row: its row in the log, or None before.
    """

    enclosure: str
    section: str
    time_s: float
    call: str
    stage: str
    question: str
    body: str
    source: int = LIVE
    logged_s: float | None = None
    row: int | None = None


@dataclass(frozen=True, slots=True)
class LogSource:
    """Where readings came from: the live sensors, a recording or the simulated tent.

    Attributes:
        source: its number in this log; 1 is live.
        kind: `live`, `replay` or `simulate`.
        digest: of the recording and config, "" for live.
        title: what a person calls it, the recording's file name, say.
        started_s: when it was first begun [s].
        complete: whether it was played to its end.
    """

    source: int
    kind: str
    digest: str
    title: str
    started_s: float
    complete: bool


@dataclass(frozen=True, slots=True)
class LogChannel:
    """One quantity at one point of one source."""

    channel: int
    source: int
    enclosure: str
    point: str
    quantity: Quantity


@dataclass(frozen=True, slots=True)
class Session:
    """One job in the log: from session-started to session-ended, or a recording played.

    Attributes:
        session: row of its session-started event, or None for a recording without one.
        source: where its readings came from.
        kind: of the source.
        enclosure: where, or None where a recording holds several.
        title: the note of session-started, or the recording's title.
        spec: named when it was started, or None.
        started_s: [s].
        ended_s: [s], or None while it goes on.
    """

    session: int | None
    source: int
    kind: str
    enclosure: str | None
    title: str
    spec: str | None
    started_s: float
    ended_s: float | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """A sensor's correction as it was found, whole, as JSON text."""

    enclosure: str
    point: str
    quantity: Quantity
    made_s: float
    body: str
    row: int | None = None


ENDED = "program-ended"
"""What kind of outage is none: it tells until when a program watched that heard nothing new."""


@dataclass(frozen=True, slots=True)
class Outage:
    """A time of which the log knows less than it should, and why.

    Attributes:
        what: `program-stopped`, `broker-lost`, `readings-dropped`, `clock-set`, ...
        from_s: [s].
        to_s: [s], or None while it goes on.
        text: one sentence.
        enclosure: or None for all.
        point: or None for all.
        source: of the readings that are missing.
    """

    what: str
    from_s: float
    to_s: float | None
    text: str
    enclosure: str | None = None
    point: str | None = None
    source: int = LIVE


@dataclass(frozen=True, slots=True)
class EventId:
    """How an event that came over the broker was called there, so that a repeat writes nothing.

    Attributes:
        name: given by the sender, unique in the enclosure.
        told_by: who pressed, or "" where nobody said.
        warnings: of the moment, as they were answered.
    """

    name: str
    told_by: str = ""
    warnings: tuple[str, ...] = ()


class AlarmStep(StrEnum):
    """What became of an alarm."""

    RANG = "rang"
    SEEN = "seen"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One thing that became of an alarm, so that a restart forgets none.

    Attributes:
        enclosure: where.
        section: whose film.
        fact: harmed, blind or near.
        cause: of the fact.
        step: rang, seen or ended.
        time_s: when [s].
        since_s: since when the fact holds [s].
        count: how often it has rung by then.
        event_row: of a `seen`, the acknowledgement; else None.
        text: for people.
    """

    enclosure: str
    section: str
    fact: str
    cause: str
    step: AlarmStep
    time_s: float
    since_s: float
    count: int
    event_row: int | None = None
    text: str = ""


def micros(time_s: float) -> int:
    """Return a time as the log keeps it, in whole microseconds.

    >>> micros(1.5)
    1500000
    """
    return round(time_s * 1e6)


def is_damage(error: sqlite3.Error) -> bool:
    """Return whether SQLite says that the file itself is damaged, and not that it is refused."""
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) in _DAMAGED


def span_us(from_s: float | None, to_s: float | None) -> tuple[int, int]:
    """Return both ends of a span as the log keeps times [us]; None leaves an end open."""
    return (
        EVER[0] if from_s is None else micros(from_s),
        EVER[1] if to_s is None else micros(to_s),
    )


def call_of_row(row: tuple[Any, ...]) -> CallRow:
    """Return a call from its `CALL_COLUMNS`."""
    number, source, enclosure, section, time_us, call, stage, question, body, logged_us = row
    return CallRow(
        enclosure=enclosure,
        section=section,
        time_s=time_us / 1e6,
        call=call,
        stage=stage,
        question=question,
        body=body,
        source=source,
        logged_s=logged_us / 1e6,
        row=number,
    )


def event_of_row(row: tuple[Any, ...]) -> Event:
    """Return an event from its `EVENT_WANTED`."""
    (number, kind, time_us, enclosure, section, note, spec, coat, batch, amount_ml) = row[:10]
    (thinner_pct, method, what, value, unit, recorded_us, corrects) = row[10:17]
    withdrawn, spec_sha256 = row[17:]
    return Event(
        kind=EventKind(kind),
        time_s=time_us / 1e6,
        enclosure=enclosure,
        section=section,
        note=note,
        spec=spec,
        coat=coat,
        batch=batch,
        amount_ml=amount_ml,
        thinner_pct=thinner_pct,
        method=None if method is None else Method(method),
        what=what,
        value=value,
        unit=unit,
        recorded_s=recorded_us / 1e6,
        row=number,
        corrects=corrects,
        withdrawn=bool(withdrawn),
        spec_sha256=spec_sha256,
    )


def illegible(connection: sqlite3.Connection) -> tuple[str, int, str] | None:
    """Return the first event or last call that makes no sense, though SQLite reads the file.

    SQLite keeps no checksum of what a row holds, so bytes overwritten inside one show only here.

    Returns:
        Kind and number of the row, and what is wrong with it; None where all can be read.
    """
    columns = EVENT_COLUMNS.split(", ")
    texts = [columns.index(name) for name in ("enclosure", "note", "section", "spec", "batch")]
    told = "SELECT id FROM calls WHERE source = 1 GROUP BY enclosure, section HAVING id = max(id)"
    for kind, all_of, one in (
        ("event", "SELECT id FROM events", f"SELECT {EVENT_WANTED} FROM events WHERE id = ?"),
        ("call", told, f"SELECT {CALL_COLUMNS} FROM calls WHERE id = ?"),
    ):
        for (row,) in connection.execute(all_of).fetchall():
            try:
                found = connection.execute(one, (row,)).fetchone()
                if kind == "call":
                    if not isinstance(json.loads(call_of_row(found).body), dict):
                        return kind, row, "its body is none"
                elif any(not isinstance(found[at], str | None) for at in texts):
                    return kind, row, "a name or note is no text"
                else:
                    event_of_row(found)
            except sqlite3.OperationalError as error:
                if getattr(error, "sqlite_errorcode", None) is not None:
                    raise
                return kind, row, "it holds bytes that are no text"
            except (ValueError, TypeError, OverflowError) as error:
                return kind, row, str(error)
    return None
