"""What the log holds, as the rest of the program sees it; `store` puts it in and takes it out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from rules.errors import FilmcallError
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
}
QUALITY_OF_CODE: dict[int, Quality] = {code: quality for quality, code in QUALITY_CODES.items()}


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
        question: `start` or `safe`, as the call answers it.
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


def micros(time_s: float) -> int:
    """Return a time as the log keeps it, in whole microseconds.

    >>> micros(1.5)
    1500000
    """
    return round(time_s * 1e6)


def iso_utc(time_us: int) -> str:
    """Return a time of the log in ISO 8601 UTC, with a fraction only where there is one.

    >>> iso_utc(1_770_000_000_000_000), iso_utc(1_770_000_000_250_000)
    ('2026-02-02T02:40:00Z', '2026-02-02T02:40:00.250000Z')
    """
    seconds, fraction = divmod(time_us, 1_000_000)
    stamp = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{stamp}.{fraction:06d}Z" if fraction else f"{stamp}Z"
