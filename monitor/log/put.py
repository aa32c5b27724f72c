"""How single rows are put into the log inside a transaction, and what is refused before that."""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path

from monitor.log import chain
from monitor.log.photos import Photo
from monitor.log.rows import AlarmRow, CallRow, EventId, Outage, micros
from rules.errors import FilmcallError
from rules.events import Event

MOST_NOTE_LETTERS = 4000
"""Of an event's note, whoever sends it: some two pages of typing."""
MOST_NAME_LETTERS = 200


def insert(connection: sqlite3.Connection, table: str, **columns: object) -> int:
    """Insert a row and return its number; a replayed call that is there already adds nothing."""
    again = " ON CONFLICT DO NOTHING" if table == "calls" else ""
    cursor = connection.execute(
        f"INSERT INTO {table}({', '.join(columns)}) "
        f"VALUES ({', '.join('?' * len(columns))}){again}",
        tuple(columns.values()),
    )
    return int(cursor.lastrowid or 0)


def put_call(connection: sqlite3.Connection, call: CallRow, now_s: float) -> int | None:
    """Put in a call with its place in the chain; None where a replay brought it before."""
    before = connection.total_changes
    row = insert(
        connection,
        "calls",
        source=call.source,
        enclosure=call.enclosure,
        section=call.section,
        time_us=micros(call.time_s),
        call=str(call.call),
        stage=str(call.stage),
        question=str(call.question),
        body=call.body,
        logged_us=micros(now_s),
    )
    if connection.total_changes == before:
        return None
    chain.append(connection, "call", row)
    return row


def put_event(
    connection: sqlite3.Connection,
    event: Event,
    recorded_s: float,
    source: int,
    station: str,
    photo: Photo | None = None,
    event_id: EventId | None = None,
) -> int:
    """Put in an event with its place in the chain, and return its row."""
    row = insert(
        connection,
        "events",
        source=source,
        kind=str(event.kind),
        time_us=micros(event.time_s),
        enclosure=event.enclosure,
        section=event.section,
        note=event.note,
        spec=event.spec,
        coat=event.coat,
        batch=event.batch,
        amount_ml=event.amount_ml,
        thinner_pct=event.thinner_pct,
        method=None if event.method is None else str(event.method),
        what=event.what,
        value=event.value,
        unit=event.unit,
        recorded_us=micros(recorded_s),
        corrects=event.corrects,
        withdrawn=int(event.withdrawn),
        station=station,
    )
    chain.append(connection, "event", row)
    if event.spec_sha256 is not None:
        insert(connection, "event_specs", id=row, sha256=event.spec_sha256)
        chain.append(connection, "event-spec", row)
    if photo is not None:
        insert(connection, "photos", id=row, name=photo.name, bytes=photo.size)
        chain.append(connection, "photo", row)
    if event_id is not None:
        insert(
            connection,
            "event_ids",
            id=row,
            enclosure=event.enclosure,
            name=event_id.name,
            told_by=event_id.told_by,
            warnings=json.dumps(event_id.warnings),
        )
        chain.append(connection, "event-id", row)
    return row


def put_outage(connection: sqlite3.Connection, outage: Outage, now_s: float) -> None:
    """Put in an outage with its place in the chain."""
    row = insert(
        connection,
        "outages",
        source=outage.source,
        what=outage.what,
        enclosure=outage.enclosure,
        point=outage.point,
        from_us=micros(outage.from_s),
        to_us=None if outage.to_s is None else micros(outage.to_s),
        text=outage.text,
        logged_us=micros(now_s),
    )
    chain.append(connection, "outage", row)


def put_alarm(connection: sqlite3.Connection, alarm: AlarmRow, now_s: float) -> None:
    """Put in what became of an alarm, with its place in the chain."""
    row = insert(
        connection,
        "alarms",
        enclosure=alarm.enclosure,
        section=alarm.section,
        fact=alarm.fact,
        cause=alarm.cause,
        step=str(alarm.step),
        time_us=micros(alarm.time_s),
        since_us=micros(alarm.since_s),
        count=alarm.count,
        event=alarm.event_row,
        text=alarm.text,
        logged_us=micros(now_s),
    )
    chain.append(connection, "alarm", row)


def put_spec(connection: sqlite3.Connection, sha256: str, text: str, now_us: int) -> None:
    """Put in a spec's text with its place in the chain, unless it is there."""
    added = connection.execute(
        "INSERT INTO specs VALUES (?, ?, ?) ON CONFLICT (sha256) DO NOTHING",
        (sha256, text, now_us),
    )
    if added.rowcount:
        chain.append(connection, "spec", insert(connection, "spec_numbers", sha256=sha256))


def put_source(
    connection: sqlite3.Connection, kind: str, digest: str, title: str, now_us: int
) -> None:
    """Put in a recording with its place in the chain, unless it is there."""
    added = connection.execute(
        "INSERT INTO sources(kind, digest, title, started_us) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (kind, digest) DO NOTHING",
        (kind, digest, title, now_us),
    )
    if added.rowcount:
        chain.append(connection, "source", int(added.lastrowid or 0))


def end_source(connection: sqlite3.Connection, source: int) -> None:
    """Mark a recording as played to its end, with a place of that in the chain."""
    changed = connection.execute(
        "UPDATE sources SET complete = 1 WHERE id = ? AND complete = 0", (source,)
    )
    if changed.rowcount:
        chain.append(connection, "source-end", source)


def check_correction(connection: sqlite3.Connection, path: Path, event: Event, source: int) -> None:
    """Refuse a correction of a row that is not there, stands elsewhere or is corrected already.

    Raises:
        FilmcallError: says which, and which row to correct.
    """
    if event.corrects is None:
        return
    found = connection.execute(
        "SELECT enclosure, (SELECT max(id) FROM events e WHERE e.corrects = events.id) "
        "FROM events WHERE id = ? AND source = ?",
        (event.corrects, source),
    ).fetchone()
    if found is None:
        raise FilmcallError(
            f"event row {event.corrects}: there is none of that number in log {path}, so nothing "
            f"was corrected. `filmcall export events` shows the events with their rows."
        )
    if found[0] != event.enclosure:
        raise FilmcallError(
            f"event row {event.corrects}: it belongs to enclosure {found[0]!r} and not to "
            f"{event.enclosure!r}, so nothing was corrected. Give --enclosure {found[0]}."
        )
    if found[1] is not None:
        raise FilmcallError(
            f"event row {event.corrects}: row {found[1]} already takes its place, so nothing was "
            f"corrected. Correct row {found[1]}."
        )


def check_event(event: Event) -> None:
    """Refuse an event that holds what no log keeps.

    Raises:
        FilmcallError: a figure that is no finite number, text that is none, or a withdrawal of
            nothing.
    """
    for name in ("time_s", "amount_ml", "thinner_pct", "value", "recorded_s"):
        number = getattr(event, name)
        if number is not None and not math.isfinite(number):
            raise FilmcallError(
                f"event {event.kind}: {name} {number} is no finite number, so the event was not "
                f"kept. Give a number."
            )
    for name in ("enclosure", "section", "note", "spec", "batch", "what", "unit"):
        text = getattr(event, name)
        most = MOST_NOTE_LETTERS if name == "note" else MOST_NAME_LETTERS
        if text is not None and len(text) > most:
            raise FilmcallError(
                f"event {event.kind}: {name} has {len(text):,} letters, over the {most:,} that are "
                f"kept, so the event was not recorded. Shorten it, or keep the text as a file."
            )
        if text is not None and any("\ud800" <= letter <= "\udfff" for letter in text):
            raise FilmcallError(
                f"event {event.kind}: {name} {text!a} holds bytes that are no text in the "
                f"shell's encoding, so the event was not kept. Type it again in UTF-8."
            )
    if event.withdrawn and event.corrects is None:
        raise FilmcallError(
            f"event {event.kind}: a withdrawal needs the row that it takes back, so the event was "
            f"not kept. Give that row."
        )
