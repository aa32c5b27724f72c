"""What is asked of the log: calls, events, sessions, specs; `readings` has what is measured."""

from __future__ import annotations

import json
from collections.abc import Iterator

from monitor.log import chain
from monitor.log.open import LogFile
from monitor.log.photos import Photo
from monitor.log.rows import (
    CALL_COLUMNS,
    EVENT_WANTED,
    LIVE,
    AlarmRow,
    AlarmStep,
    Calibration,
    CallRow,
    EventId,
    LogChannel,
    LogSource,
    Outage,
    Session,
    call_of_row,
    event_of_row,
    micros,
    span_us,
)
from monitor.log.verify import Audit, ChainProblem, audit
from rules.events import Event, in_force
from rules.vocabulary import EventKind
from sensors.reading import Quantity


class Queries:
    """The questions about everything but readings; spans include both ends, None leaves one open.

    Door: `sessions`, `calls` and `events`; `verify` says whether the log is as it was kept.
    """

    def __init__(self, file: LogFile) -> None:
        """Ask an open file."""
        self._file = file

    def verify(self) -> list[ChainProblem]:
        """Return every place where the log was changed after it was kept; see `audit`."""
        return self.audit().problems

    def audit(
        self, from_s: float | None = None, to_s: float | None = None, *, readings: bool = True
    ) -> Audit:
        """Look whether the log is as it was kept; see `verify.audit`.

        Args:
            from_s: readings from here on [s]; the chain is walked whole.
            to_s: readings up to this [s].
            readings: look at readings too.
        """
        low, high = span_us(from_s, to_s)
        with self._file.asking():
            given_up = self._file.given_up
            return audit(
                self._file.connection,
                readings=readings,
                from_us=low,
                to_us=high,
                given_up=given_up,
            )

    def seal(self) -> chain.Seal:
        """Return the seal of all that stands in the log, to be noted outside it."""
        with self._file.asking():
            return chain.seal(self._file.connection)

    def sealed_as(self, sha256: str) -> chain.Seal | None:
        """Return the place that a witness's seal names, or None where this log never had it."""
        with self._file.asking():
            return chain.sealed_as(self._file.connection, sha256)

    def head(self) -> tuple[int, str]:
        """Return how many rows the chain holds and its last hash, to be noted elsewhere."""
        with self._file.asking():
            return chain.head(self._file.connection)

    def sources(self) -> tuple[LogSource, ...]:
        """Return where readings came from, the live one first."""
        return tuple(
            LogSource(number, kind, digest, title, started_us / 1e6, bool(complete))
            for number, kind, digest, title, started_us, complete in self._file.rows(
                "SELECT id, kind, digest, title, started_us, complete FROM sources ORDER BY id"
            )
        )

    def channels(self, *, source: int | None = None) -> tuple[LogChannel, ...]:
        """Return what has readings, of one source or of all."""
        return tuple(
            LogChannel(number, of, enclosure, point, Quantity(quantity))
            for number, of, enclosure, point, quantity in self._file.rows(
                "SELECT id, source, enclosure, point, quantity FROM channels "
                "WHERE ?1 IS NULL OR source = ?1 ORDER BY source, enclosure, point, quantity",
                source,
            )
        )

    def last_call(self, enclosure: str, section: str, *, source: int = LIVE) -> CallRow | None:
        """Return the call last written down for a section, whatever its data time, or None."""
        found = self._file.rows(
            f"SELECT {CALL_COLUMNS} FROM calls WHERE source = ? AND enclosure = ? AND section = ? "
            f"ORDER BY id DESC LIMIT 1",
            source,
            enclosure,
            section,
        )
        return call_of_row(found[0]) if found else None

    def stands_since_s(self, enclosure: str, section: str) -> float | None:
        """Return when a section's last live call was first made without another since, or None."""
        found = self._file.rows(
            "SELECT time_us FROM calls WHERE source = ?1 AND enclosure = ?2 AND section = ?3 "
            "AND id > (SELECT COALESCE(MAX(id), 0) FROM calls "
            "WHERE source = ?1 AND enclosure = ?2 AND section = ?3 AND call <> "
            "(SELECT call FROM calls WHERE source = ?1 AND enclosure = ?2 AND section = ?3 "
            "ORDER BY id DESC LIMIT 1)) ORDER BY id LIMIT 1",
            LIVE,
            enclosure,
            section,
        )
        return found[0][0] / 1e6 if found else None

    def newest_calls(self, enclosure: str) -> tuple[CallRow, ...]:
        """Return an enclosure's last call that was made live and its last of a recording."""
        found = []
        for which in (f"source = {LIVE}", f"source <> {LIVE}"):
            rows = self._file.rows(
                f"SELECT {CALL_COLUMNS} FROM calls WHERE {which} AND enclosure = ? "
                f"ORDER BY id DESC LIMIT 1",
                enclosure,
            )
            found += [call_of_row(row) for row in rows]
        return tuple(found)

    def calls_standing(self, enclosure: str, time_s: float, *, source: int) -> tuple[CallRow, ...]:
        """Return the newest call of each section that a source had made by a time [s]."""
        rows = self._file.rows(
            f"SELECT {CALL_COLUMNS} FROM calls WHERE id IN (SELECT id FROM (SELECT id, "
            "row_number() OVER (PARTITION BY section ORDER BY time_us DESC, id DESC) AS place "
            "FROM calls WHERE source = ? AND enclosure = ? AND time_us <= ?) WHERE place = 1)",
            source,
            enclosure,
            micros(time_s),
        )
        return tuple(call_of_row(row) for row in rows)

    def sections_called(self, enclosure: str) -> tuple[str, ...]:
        """Return the sections of which the log has a call that was made live."""
        rows = self._file.rows(
            "SELECT DISTINCT section FROM calls WHERE source = ? AND enclosure = ?", LIVE, enclosure
        )
        return tuple(sorted(section for (section,) in rows))

    def calls(
        self,
        enclosure: str | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
        *,
        source: int | None = LIVE,
        section: str | None = None,
    ) -> Iterator[CallRow]:
        """Yield calls in the order in which they were written down.

        Args:
            enclosure: one, or None for all.
            from_s: not made before this [s].
            to_s: not made after this [s].
            source: one, or None for all.
            section: one, or None for all.

        Yields:
            Calls with their row and logged time.
        """
        low, high = span_us(from_s, to_s)
        with self._file.asking():
            for row in self._file.connection.execute(
                f"SELECT {CALL_COLUMNS} FROM calls WHERE (?1 IS NULL OR source = ?1) "
                f"AND (?2 IS NULL OR enclosure = ?2) AND (?3 IS NULL OR section = ?3) "
                f"AND time_us BETWEEN ?4 AND ?5 ORDER BY id",
                (source, enclosure, section, low, high),
            ):
                yield call_of_row(row)

    def events(
        self, enclosure: str | None = None, *, source: int = LIVE, after_row: int = 0
    ) -> tuple[Event, ...]:
        """Return events as they were kept, corrections among them; `in_force` follows those.

        Args:
            enclosure: one, or None for all.
            source: whose.
            after_row: only those kept after this row, to see what other shells have added.

        Returns:
            Events in the order in which they were written down.
        """
        return tuple(
            event_of_row(row)
            for row in self._file.rows(
                f"SELECT {EVENT_WANTED} FROM events WHERE source = ? AND id > ? "
                f"AND (?3 IS NULL OR enclosure = ?3) ORDER BY id",
                source,
                after_row,
                enclosure,
            )
        )

    def event_called(self, enclosure: str, name: str) -> tuple[Event, EventId] | None:
        """Return the event that a sender called by a name, with what was answered, or None."""
        found = self._file.rows(
            "SELECT id, told_by, warnings FROM event_ids WHERE enclosure = ? AND name = ?",
            enclosure,
            name,
        )
        if not found:
            return None
        row, told_by, warnings = found[0]
        (kept,) = self._file.rows(f"SELECT {EVENT_WANTED} FROM events WHERE id = ?", row)
        return event_of_row(kept), EventId(name, told_by, tuple(json.loads(warnings)))

    def told_by(self, row: int) -> str:
        """Return who an event came from: whoever pressed, else the station, else ""."""
        found = self._file.rows(
            "SELECT coalesce(nullif(told_by, ''), station) FROM events "
            "LEFT JOIN event_ids USING (id) WHERE id = ?",
            row,
        )
        return str(found[0][0]) if found else ""

    def photos(self) -> tuple[Photo, ...]:
        """Return the photos that events brought, in the order of the events."""
        found = self._file.rows("SELECT name, bytes, id FROM photos ORDER BY id")
        return tuple(Photo(*row) for row in found)

    def forecasts(self, from_s: float) -> tuple[str, ...]:
        """Return the hours of the forecasts issued from a time on, oldest first."""
        wanted = "SELECT hours FROM forecasts WHERE issued_us >= ? ORDER BY issued_us"
        return tuple(hours for (hours,) in self._file.rows(wanted, micros(from_s)))

    def stations(self, enclosure: str, from_s: float, to_s: float) -> tuple[str, ...]:
        """Return through which stations an enclosure's events came, where they are named."""
        low, high = span_us(from_s, to_s)
        found = self._file.rows(
            "SELECT DISTINCT station FROM events WHERE enclosure = ? AND station <> '' "
            "AND time_us BETWEEN ? AND ? ORDER BY station",
            enclosure,
            low,
            high,
        )
        return tuple(str(station) for (station,) in found)

    def sessions(self) -> tuple[Session, ...]:
        """Return the jobs in the log by their start; a recording without events counts as one."""
        found: list[Session] = []
        for source in self.sources():
            told = _sessions_told(source, in_force(self.events(source=source.source)))
            if not told and source.source != LIVE:
                told = self._sessions_played(source)
            found.extend(told)
        return tuple(sorted(found, key=lambda session: (session.started_s, session.session or 0)))

    def _sessions_played(self, source: LogSource) -> list[Session]:
        sessions = []
        for enclosure, first, last in self._file.rows(
            "SELECT enclosure, "
            "min((SELECT min(time_us) FROM readings WHERE channel = channels.id)), "
            "max((SELECT max(time_us) FROM readings WHERE channel = channels.id)) "
            "FROM channels WHERE source = ? GROUP BY enclosure ORDER BY enclosure",
            source.source,
        ):
            if first is not None:
                sessions.append(
                    Session(
                        session=None,
                        source=source.source,
                        kind=source.kind,
                        enclosure=enclosure,
                        title=source.title,
                        spec=None,
                        started_s=first / 1e6,
                        ended_s=last / 1e6,
                    )
                )
        return sessions

    def spec_text(self, sha256: str) -> str | None:
        """Return a spec's text as it stood, by the SHA-256 that `keep_spec` gave, or None."""
        found = self._file.rows("SELECT text FROM specs WHERE sha256 = ?", sha256)
        return found[0][0] if found else None

    def calibrations(self, enclosure: str | None = None) -> tuple[Calibration, ...]:
        """Return calibrations in the order in which they were kept."""
        return tuple(
            Calibration(at, point, Quantity(quantity), made_us / 1e6, body, row)
            for row, at, point, quantity, made_us, body in self._file.rows(
                "SELECT id, enclosure, point, quantity, made_us, body FROM calibrations "
                "WHERE ?1 IS NULL OR enclosure = ?1 ORDER BY id",
                enclosure,
            )
        )

    def outages(
        self, from_s: float | None = None, to_s: float | None = None, *, source: int = LIVE
    ) -> tuple[Outage, ...]:
        """Return the times of which the log knows less than it should."""
        low, high = span_us(from_s, to_s)
        return tuple(
            Outage(
                what, begun / 1e6, None if ended is None else ended / 1e6, text, at, point, source
            )
            for what, begun, ended, text, at, point in self._file.rows(
                "SELECT what, from_us, to_us, text, enclosure, point FROM outages "
                "WHERE source = ? AND from_us <= ? AND coalesce(to_us, from_us) >= ? "
                "ORDER BY from_us, id",
                source,
                high,
                low,
            )
        )

    def alarms(self, enclosure: str) -> tuple[AlarmRow, ...]:
        """Return what became of each alarm of an enclosure last, and when each rang last.

        Those are at most two rows for each fact of each section, in the order of their rows.
        """
        rows = self._file.rows(
            "SELECT section, fact, cause, step, time_us, since_us, count, event, text "
            "FROM alarms WHERE id IN ("
            "SELECT max(id) FROM alarms WHERE enclosure = ?1 GROUP BY section, fact, cause "
            "UNION SELECT max(id) FROM alarms WHERE enclosure = ?1 AND step = 'rang' "
            "GROUP BY section, fact, cause) ORDER BY id",
            enclosure,
        )
        return tuple(
            AlarmRow(
                enclosure,
                section,
                fact,
                cause,
                AlarmStep(step),
                time_us / 1e6,
                since_us / 1e6,
                count,
                event,
                text,
            )
            for section, fact, cause, step, time_us, since_us, count, event, text in rows
        )


def _sessions_told(source: LogSource, events: tuple[Event, ...]) -> list[Session]:
    sessions: list[Session] = []
    by_enclosure: dict[str, list[Event]] = {}
    for event in events:
        if event.kind in (EventKind.SESSION_STARTED, EventKind.SESSION_ENDED):
            by_enclosure.setdefault(event.enclosure, []).append(event)
    for enclosure, bounds in by_enclosure.items():
        for index, event in enumerate(bounds):
            if event.kind is EventKind.SESSION_STARTED:
                # The next bound ends it, be it its own end or the start of another job.
                after = bounds[index + 1] if index + 1 < len(bounds) else None
                sessions.append(
                    Session(
                        session=event.row,
                        source=source.source,
                        kind=source.kind,
                        enclosure=enclosure,
                        title=event.note,
                        spec=event.spec,
                        started_s=event.time_s,
                        ended_s=None if after is None else after.time_s,
                    )
                )
    return sessions
