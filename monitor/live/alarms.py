"""Rings for what is so of wet films: to broker, bell, and ways such as mail."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import replace

from monitor.alarms.board import AlarmBoard, Ring
from monitor.alarms.routes import AlarmRoutes
from monitor.live.call_message import alarm_dict
from monitor.live.loop import Watch
from monitor.live.publish import Publisher
from monitor.log.files import seal_text
from monitor.log.rows import LogRefused
from monitor.snapshot import Snapshot
from monitor.snapshots import SnapshotMaker
from monitor.wire import Json
from sensors.mqtt.intake import IntakeStatus

LOOK_EVERY_S = 1.0


def link_words(status: IntakeStatus) -> str:
    """Return the state of the broker in one sentence."""
    if status.troubles:
        return status.troubles[0]
    return "connected" if status.connection.connected else "not connected yet"


class Alarms:
    """Looks at every enclosure once a second and rings where it is due."""

    def __init__(
        self,
        watch: Watch,
        publisher: Publisher | None,
        routes: AlarmRoutes | None = None,
    ) -> None:
        """Begin with no alarm.

        Args:
            watch: what is looked at.
            publisher: tells the broker, or None.
            routes: sends by mail, push or chat; what fails there is a notice. None for no way.
        """
        self._watch = watch
        self._publisher = publisher
        self._routes = routes or AlarmRoutes()
        self._boards = {name: self._board(name) for name in watch.rooms}
        self.makers = {
            name: SnapshotMaker(room.enclosure, room.keeper, recorded=False)
            for name, room in watch.rooms.items()
        }
        self.snapshots: dict[str, Snapshot] = {}
        self._told_by: dict[int, str] = {}
        self._looked_s = -1.0
        watch.looks = self

    def _board(self, name: str) -> AlarmBoard:
        """An enclosure's board, with what an earlier run left in the log.

        Its words are in SI: whoever shows them has units of their own.
        """
        board = AlarmBoard(steady_s=self._watch.steady_s())
        # A log that cannot be read the watch tells of; what is so rings anew.
        with contextlib.suppress(LogRefused):
            zone = self._watch.rooms[name].enclosure.config.timezone
            board.resume(self._watch.store.alarms(name), self._watch.now_s(), zone)
        return board

    def due(self) -> bool:
        """Return whether `look` would look: within a second of the last time it does not."""
        return not self._looked_s <= self._watch.now_s() < self._looked_s + LOOK_EVERY_S

    def look(
        self,
        *,
        link: str = "",
        link_ok: bool = True,
        notices: Sequence[str] = (),
        counts: dict[str, int] | None = None,
    ) -> list[Ring]:
        """Make snapshots and return what rings now; within a second of the last look, nothing.

        Args:
            link: state of the broker in one sentence.
            link_ok: whether readings can come in.
            notices: what has to be said beside the call.
            counts: what the intake refused or dropped, by name.
        """
        if not self.due():
            return []
        self._looked_s = now_s = self._watch.now_s()
        rung: list[Ring] = []
        routes = self._routes.notices()
        if self._watch.witness is not None and self._watch.witness.trouble:
            routes = [self._watch.witness.trouble, *routes]
        forecast = self._watch.forecast
        if forecast is not None:
            routes = [*routes, *forecast.troubles]
            if forecast.refused:
                counts = {**(counts or {}), "forecast refused": forecast.refused}
        if self._watch.presses is not None:
            counts = {**(counts or {}), **self._watch.presses.set_aside()}
        for name, board in self._boards.items():
            maker = self.makers[name]
            maker.calibrations = self._watch.calibrations
            maker.sample()
            twins = self._watch.twins
            twin = [said] if twins is not None and (said := twins.sentence(name)) else []
            snapshot = maker.make(
                now_s,
                link=link,
                link_ok=link_ok,
                alarm=board.text(),
                notices=[*twin, *notices, *routes, *self._watch.calibrations.notices(now_s)],
                counts=counts,
                outlook=self._watch.rooms[name].bands,
                outlook_why=self._watch.rooms[name].outlook_why,
            )
            job = self._watch.job
            if job is not None:
                snapshot = replace(snapshot, next_step=job.steps.get(name), no_plan=job.why)
            self.snapshots[name] = snapshot
            events = self._watch.rooms[name].keeper.events
            rung += board.update(snapshot, events, steady_s=self._watch.steady_s())
            rows = board.take_rows()
            for row in rows:
                self._watch.keep_alarm(row)
            if rows and self._publisher is not None:
                self._publisher.freshen(name)
        for ring in rung:
            if self._publisher is not None:
                self._publisher.ring(ring)
            self._routes.ring(replace(ring, text=f"{ring.text}{self._sealed()}"))
        return rung

    def open_alarms(self, name: str) -> list[Json]:
        """Return an enclosure's open alarms, as its call's message tells them."""
        events = self._watch.rooms[name].keeper.events
        return [alarm_dict(each, events, self._who) for each in self._boards[name].open()]

    def _who(self, row: int) -> str:
        if row not in self._told_by:
            self._told_by[row] = self._watch.store.told_by(row)
        return self._told_by[row]

    def _sealed(self) -> str:
        """The log's seal, for a witness outside; "" where the log cannot be read."""
        try:
            return f" {seal_text(self._watch.store.seal(), 16)}"
        except LogRefused:
            return ""
