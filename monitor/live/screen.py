"""The live screen of `watch`: the worst enclosure, keys that keep events, and the bell."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from typing import Protocol

from monitor.alarms.board import Ring
from monitor.alarms.routes import AlarmRoutes
from monitor.live.alarms import Alarms, link_words
from monitor.live.loop import Watch
from monitor.live.service import Notifier
from monitor.log.log import Store
from monitor.screen.keys import KeyDesk, Outcome
from monitor.screen.terminal import LiveScreen
from monitor.screen.theme import theme_of
from monitor.snapshot import Snapshot
from rules.call import WORST_FIRST
from rules.errors import FilmcallError
from sensors.mqtt.intake import Intake, IntakeStatus

TURN_S = 0.1
NEXT_KEY = "tab"
CHOSEN_S = 60.0  # as long as a form waits for its next key


class StopRequest(Protocol):
    """Whether somebody asked the program to end."""

    asked: bool


def show(
    watch: Watch,
    intake: Intake,
    stopper: StopRequest,
    notifier: Notifier,
    store: Store,
    routes: AlarmRoutes,
    *,
    glance: bool = False,
) -> None:
    """Draw and watch until a key, a signal or a closed terminal ends it."""
    theme = theme_of(os.environ)
    alarms = Alarms(watch, watch.publisher, routes)
    several = len(watch.rooms) > 1
    desks = {name: KeyDesk(name, theme, watch.against, others=several) for name in watch.rooms}
    chosen, chosen_until_s = "", 0.0
    with LiveScreen(theme, glance=glance) as screen:
        while not (stopper.asked or screen.gone or screen.stopped_by is not None):
            watch.turn(TURN_S)
            notifier.alive()
            status = intake.status()
            rung: list[Ring] = alarms.look(
                link=link_words(status),
                link_ok=status.connection.connected,
                notices=[*store.notices, *_faults(watch)],
                counts=_counts(status),
            )
            if rung:
                screen.bell()
            now_s = watch.now_s()
            # What was begun for one enclosure ends there, though another becomes the worst.
            pinned = time.monotonic() < chosen_until_s
            name = chosen if pinned else _worst(alarms.snapshots)
            desk = desks[name]
            snapshot = _with_others(alarms.snapshots, name)
            desk.look(snapshot)
            view = desk.view(now_s)
            screen.show(snapshot, view)
            for key in screen.keys(0.0):
                chosen, chosen_until_s = name, time.monotonic() + CHOSEN_S
                if key == NEXT_KEY and not desk.busy:
                    chosen = _after(name, list(alarms.snapshots))
                    break
                outcome = desk.press(key, now_s)
                if outcome.quit:
                    return
                if outcome.dim:
                    screen.set_dim(not screen.theme.dim)
                if outcome.glance:
                    screen.set_glance(not screen.glance)
                _keep(watch, desk, outcome)


def _with_others(snapshots: dict[str, Snapshot], name: str) -> Snapshot:
    """An enclosure's snapshot, with the calls of the others said beside it."""
    shown = snapshots[name]
    others = [
        f"{other}: {snapshot.calls[0].call.value}"
        for other, snapshot in sorted(snapshots.items())
        if other != name
    ]
    if not others:
        return shown
    return replace(shown, notices=(f"{', '.join(others)} (tab shows the next)", *shown.notices))


def _after(name: str, names: list[str]) -> str:
    return names[(names.index(name) + 1) % len(names)]


def _keep(watch: Watch, desk: KeyDesk, outcome: Outcome) -> None:
    for event in (outcome.record, outcome.withdraw):
        if event is None:
            continue
        try:
            found = watch.record(event)
        except FilmcallError as fault:
            desk.refused(str(fault), time.time())
            continue
        if event is outcome.withdraw:
            desk.taken_back(found.event, time.time())
        else:
            desk.kept(found.event, time.time(), ". ".join(found.warnings))


def _worst(snapshots: dict[str, Snapshot]) -> str:
    return min(snapshots, key=lambda name: (WORST_FIRST.index(snapshots[name].calls[0].call), name))


def _faults(watch: Watch) -> list[str]:
    return [fault for fault in (watch.clock_fault, watch.log_fault) if fault]


def _counts(status: IntakeStatus) -> dict[str, int]:
    found = {
        "refused": status.refused,
        "unmapped": status.unmapped,
        "dropped": status.dropped,
    }
    return {name: count for name, count in found.items() if count}
