"""What the calls of every enclosure were lately, from the one database of all stations."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from monitor.log.rows import LIVE, micros
from monitor.ship.database import check_version, connect, errors_as_sentences
from monitor.ship.tables import unpacked
from rules.units import HOUR_S


@dataclass(frozen=True, slots=True)
class ShippedCall:
    """One call of one section, as a station made it.

    Attributes:
        station: whose log it is in.
        log: UUID of that log.
        row: of the call in it.
        enclosure: where.
        section: which part of the work.
        time_s: when it was made [s].
        call: `GO`, `HOLD` or `STOP`.
        stage: of the section.
        question: that it answers.
        reason: the first of its reasons in words, "" where it has none.
    """

    station: str
    log: str
    row: int
    enclosure: str
    section: str
    time_s: float
    call: str
    stage: str
    question: str
    reason: str


def calls_lately(url: str, now_s: float, hours: float = 24.0) -> tuple[ShippedCall, ...]:
    """Return the live calls of the last hours, and for each section the one that stood before.

    Args:
        url: of the database.
        now_s: the time [s].
        hours: how far back [h].

    Returns:
        Calls by station, enclosure and section, each in the order of its time.

    Raises:
        FilmcallError: the database cannot be read.
    """
    from_us = micros(now_s - hours * HOUR_S)
    bounds = {"live": LIVE, "now": micros(now_s), "from": from_us}
    with connect(url) as connection:
        check_version(connection, url)
        with errors_as_sentences(url):
            found = connection.execute(_LATELY, bounds).fetchall()
    return tuple(_call(*map(unpacked, row)) for row in found)


# A section's call before the span stands until the first one in it.
_LATELY = """
SELECT l.station, l.uuid::text, k.id, k.enclosure, k.section, k.time_us, k.call, k.stage,
    k.question, k.body
FROM (
    SELECT * FROM filmcall.calls
    WHERE source = %(live)s AND time_us >= %(from)s AND time_us <= %(now)s
    UNION ALL
    (SELECT DISTINCT ON (log, enclosure, section) * FROM filmcall.calls
    WHERE source = %(live)s AND time_us < %(from)s
    ORDER BY log, enclosure, section, time_us DESC, id DESC)
) k JOIN filmcall.logs l ON l.id = k.log
ORDER BY l.station, k.enclosure, k.section, k.time_us, k.id
"""


def _call(*row: Any) -> ShippedCall:
    station, log, number, enclosure, section, time_us, call, stage, question, body = row
    return ShippedCall(
        station,
        log,
        number,
        enclosure,
        section,
        time_us / 1e6,
        call,
        stage,
        question,
        _reason(body),
    )


def _reason(body: str) -> str:
    try:
        reasons = json.loads(body)["reasons"]
        return str(reasons[0]["text"])
    except (ValueError, LookupError, TypeError):
        return ""
