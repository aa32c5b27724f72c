"""Rings for a call that worsens over an open film, to the broker and to who drives the bell."""

from __future__ import annotations

import os
from collections.abc import Sequence

from monitor.alarms import AlarmBoard, Ring
from monitor.publish import Publisher
from monitor.snapshot import Snapshot
from monitor.snapshots import SnapshotMaker
from monitor.theme import theme_of
from monitor.watching import Watch

LOOK_EVERY_S = 1.0


class Alarms:
    """Looks at every enclosure once a second and rings where it is due."""

    def __init__(self, watch: Watch, publisher: Publisher | None) -> None:
        theme = theme_of(os.environ)
        self._watch = watch
        self._publisher = publisher
        self._boards = {name: AlarmBoard(theme) for name in watch.rooms}
        self.makers = {
            name: SnapshotMaker(room.enclosure, room.keeper, recorded=False)
            for name, room in watch.rooms.items()
        }
        self.snapshots: dict[str, Snapshot] = {}
        self._looked_s = -1.0

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
        now_s = self._watch.now_s()
        if self._looked_s <= now_s < self._looked_s + LOOK_EVERY_S:
            return []
        self._looked_s = now_s
        rung: list[Ring] = []
        for name, board in self._boards.items():
            maker = self.makers[name]
            maker.calibrations = self._watch.calibrations
            maker.sample()
            snapshot = maker.make(
                now_s,
                link=link,
                link_ok=link_ok,
                alarm=board.text(),
                notices=[*notices, *self._watch.calibrations.notices(now_s)],
                counts=counts,
            )
            self.snapshots[name] = snapshot
            rung += board.update(snapshot)
        if self._publisher is not None:
            for ring in rung:
                self._publisher.ring(ring)
        return rung
