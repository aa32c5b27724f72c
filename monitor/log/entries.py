"""What a person or the program enters: calls, events, specs, calibrations, outages, recordings."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace

from monitor.log import chain
from monitor.log.photos import Photo
from monitor.log.put import (
    check_correction,
    check_event,
    end_source,
    insert,
    put_alarm,
    put_event,
    put_outage,
    put_source,
    put_spec,
)
from monitor.log.rows import LIVE, AlarmRow, Calibration, CallRow, EventId, Outage, micros
from monitor.log.write import Writer
from rules.events import Event


class Entries:
    """Puts in what is on disk before anyone is told: calls, events and what they rest on.

    Door: `add_call` and `add_event`; `begin_source` for a recording.
    """

    def __init__(self, writer: Writer, now_s: Callable[[], float]) -> None:
        """Put in through a log's writer."""
        self._writer = writer
        self._file = writer.file
        self._now_s = now_s

    def add_call(self, call: CallRow) -> int | None:
        """Keep a call; it is on disk on return, before anyone is told. In a replay it may wait.

        Args:
            call: its `logged_s` and `row` are given where it reaches the disk.

        Returns:
            Its row, or None where a replay brought it before or it waits for the next commit.

        Raises:
            LogRefused: the disk refuses; tell the call as unlogged and do not add it again: it
                is kept in memory, up to `KEPT_CALLS`, and written when the disk takes it.
        """
        return self.add_calls([call])[0]

    def add_calls(self, calls: Sequence[CallRow]) -> list[int | None]:
        """Keep calls that were made at once, in one transaction: see `add_call`.

        Args:
            calls: of one evaluation.

        Returns:
            Their rows, in the same order.

        Raises:
            LogRefused: the disk refuses all of them; as for `add_call`.
        """
        # A row that can never be kept must not stand in the way of those that come after.
        for call in calls:
            if call.call not in ("GO", "HOLD", "STOP"):
                raise ValueError(f"call {call.call!r} is none of GO, HOLD, STOP")
            call.body.encode()
            self._writer.known(call.source)
        waiting = self._writer.buffer
        waiting.calls.extend(calls)
        if self._writer.replaying:
            waiting.wait()
            return [None] * len(calls)
        # What is of other enclosures says nothing of these calls, which would wait for it.
        with self._file.without_checkpoint():
            rows = self._writer.commit(
                "this call" if len(calls) == 1 else "these calls",
                of={call.enclosure for call in waiting.calls},
            )
        return rows[-len(calls) :]

    def add_event(
        self,
        event: Event,
        *,
        source: int = LIVE,
        station: str = "",
        photo: Photo | None = None,
        event_id: EventId | None = None,
    ) -> Event:
        """Keep an event; it is on disk on return.

        Args:
            event: what a person did; `recorded_s` is now where it is None.
            source: where it belongs.
            station: which shell, program or broker client it came through.
            photo: that was taken in for it, or None.
            event_id: how whoever sent it called it, new in its enclosure, or None.

        Returns:
            The event as it was kept, with its row.

        Raises:
            LogRefused: the disk refuses; the event was not kept.
            FilmcallError: it corrects a row that cannot be corrected, or holds what no log keeps.
        """
        check_event(event)
        self._writer.known(source)
        recorded = self._now_s() if event.recorded_s is None else event.recorded_s
        row = 0

        def put() -> None:
            nonlocal row
            check_correction(self._file.connection, self._file.path, event, source)
            row = put_event(
                self._file.connection, event, recorded, source, station, photo, event_id
            )

        self._writer.commit(f"this event ({event.kind})", put)
        return replace(
            event,
            time_s=micros(event.time_s) / 1e6,
            recorded_s=micros(recorded) / 1e6,
            row=row,
        )

    def keep_spec(self, text: str) -> str:
        """Keep a spec's text as it stands, once.

        Args:
            text: the whole file.

        Returns:
            SHA-256 of the text, by which calls and sessions name it.

        Raises:
            LogRefused: the disk refuses.
        """
        digest = hashlib.sha256(text.encode()).hexdigest()
        if not self._file.rows("SELECT 1 FROM specs WHERE sha256 = ?", digest):
            seen = micros(self._now_s())
            self._writer.commit(
                "this spec's text",
                lambda: put_spec(self._file.connection, digest, text, seen),
            )
        return digest

    def add_calibration(self, calibration: Calibration) -> Calibration:
        """Keep a sensor's calibration; on disk on return.

        Raises:
            LogRefused: the disk refuses; it was not kept.
        """
        row = 0

        def put() -> None:
            nonlocal row
            row = insert(
                self._file.connection,
                "calibrations",
                enclosure=calibration.enclosure,
                point=calibration.point,
                quantity=str(calibration.quantity),
                made_us=micros(calibration.made_s),
                body=calibration.body,
                logged_us=micros(self._now_s()),
            )
            chain.append(self._file.connection, "calibration", row)

        self._writer.commit("this calibration", put)
        return replace(calibration, made_s=micros(calibration.made_s) / 1e6, row=row)

    def add_outage(self, outage: Outage) -> None:
        """Keep a time of which the log knows less than it should; on disk on return.

        Raises:
            LogRefused: the disk refuses; it was not kept.
        """
        self._writer.commit(
            "this outage", lambda: put_outage(self._file.connection, outage, self._now_s())
        )

    def add_alarm(self, alarm: AlarmRow) -> None:
        """Keep what became of an alarm; on disk on return.

        Raises:
            LogRefused: the disk refuses; it was not kept.
        """
        self._writer.commit(
            "this alarm", lambda: put_alarm(self._file.connection, alarm, self._now_s())
        )

    def add_forecast(self, issued_s: float, hours: str) -> None:
        """Keep a forecast as it was issued, once; on disk on return.

        Args:
            issued_s: when it was made [s].
            hours: its hours, as text.

        Raises:
            LogRefused: the disk refuses; it was not kept.
        """
        row = (micros(issued_s), micros(self._now_s()), hours)
        self._writer.commit(
            "this forecast",
            lambda: self._file.connection.execute(
                "INSERT OR IGNORE INTO forecasts VALUES (?, ?, ?)", row
            ),
        )

    def begin_source(self, kind: str, digest: str, title: str) -> tuple[int, bool]:
        """Begin, or begin again, to take in a recording or a simulation.

        Until `end_source`, calls of a replay wait for the next commit like readings, since the
        recording can be played again.

        Args:
            kind: `replay` or `simulate`.
            digest: of the recording and everything that its calls follow from.
            title: what a person calls it.

        Returns:
            Its number, and whether it was played to its end before.

        Raises:
            LogRefused: the disk refuses.
        """
        find = "SELECT id, complete FROM sources WHERE kind = ? AND digest = ?"
        found = self._file.rows(find, kind, digest)
        if not found:
            begun = micros(self._now_s())
            self._writer.commit(
                "this recording",
                lambda: put_source(self._file.connection, kind, digest, title, begun),
            )
            found = self._file.rows(find, kind, digest)
        self._writer.replaying = True
        return int(found[0][0]), bool(found[0][1])

    def end_source(self, source: int, *, complete: bool) -> None:
        """Write what is left of a recording and mark whether it was played to its end.

        Raises:
            LogRefused: the disk refuses.
        """
        try:
            self._writer.commit(
                "the end of this recording",
                lambda: end_source(self._file.connection, source) if complete else None,
            )
        finally:
            self._writer.replaying = False
