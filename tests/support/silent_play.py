"""Plays tents of `silent_probe` through replay and through the live program, and asks for clocks.

Three answers to one question: the films in a running watch's memory, `filmcall clocks` on that
watch's log at the same moment, and `filmcall clocks --at` on the log of a replay.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from command import filmcall
from live import START_S, Live, Machine
from recorded import BEGIN_S, HOUR_S, write_rows
from silent_probe import SECTION, Tent, sheet

from monitor.log.facts import with_spec_text
from monitor.log.log import Store
from monitor.wire import clock_dict
from rules.clocks.all_clocks import merge_clocks
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity

BROKER = '[broker]\nhost = "127.0.0.1"\n'
REPLAY = '[replay]\ntime = "time"\n'
MEMORY, LIVE_LOG, REPLAY_LOG = WAYS = ("live memory", "live log", "replay log")


@dataclass(frozen=True, slots=True)
class ClockAnswer:
    """One clock as the program gave it.

    Attributes:
        state: `running`, `ended` and the like.
        left_h: what is left, or None [h].
        ends_h: when it ends or ended after the recording's beginning, or None [h].
        basis: in words.
    """

    state: str
    left_h: float | None
    ends_h: float | None
    basis: str

    @property
    def ended(self) -> bool:
        return self.state == "ended"


Clocks = Mapping[str, ClockAnswer]


def clocks_from(listed: Iterable[Mapping[str, object]], begin_s: float) -> dict[str, ClockAnswer]:
    """Return clocks by their names, from their JSON and when the recording begins [s]."""

    def hours(text: object) -> float:
        return (datetime.fromisoformat(str(text)).timestamp() - begin_s) / HOUR_S

    return {
        str(each["name"]): ClockAnswer(
            str(each["state"]),
            None if each["left_s"] is None else float(str(each["left_s"])) / HOUR_S,
            None if each["ends_at"] is None else hours(each["ends_at"]),
            str(each["basis"]),
        )
        for each in listed
    }


def clocks_by_command(
    db: Path, at_h: float, begin_s: float, *words: str
) -> dict[str, dict[str, ClockAnswer]]:
    """Return the clocks of every enclosure of a log at a time, by what was known then.

    What was known then leaves out the outlook, which has no part here and takes most of the time.
    """
    at = datetime.fromtimestamp(begin_s + round(at_h * HOUR_S), tz=UTC).isoformat()
    ran = filmcall("clocks", "--json", "--at", at, "--known", "then", "--db", str(db), *words)
    assert ran.code == 0, ran.err
    found: dict[str, list[Mapping[str, object]]] = {}
    for each in json.loads(ran.out)["clocks"]:
        found.setdefault(str(each["enclosure"]), []).append(each)
    return {name: clocks_from(each, begin_s) for name, each in found.items()}


def event_of(tent: Tent, kind: str, at_h: float, begin_s: float) -> Event:
    """Return what was done in a tent, noted when it was done."""
    at_s = begin_s + round(at_h * HOUR_S)
    section = None if kind.startswith("probes") else SECTION
    return Event(EventKind(kind), at_s, tent.name, section, recorded_s=at_s)


def replayed(folder: Path, tent: Tent, looks_h: Sequence[float]) -> dict[float, Clocks]:
    """Return a tent's clocks at each time, from the log of a replay."""
    (folder / "trial.toml").write_text(sheet())
    config, db = folder / f"{tent.name}.toml", folder / f"{tent.name}.db"
    config.write_text(REPLAY + tent.config())
    recording = write_rows(folder / f"{tent.name}.csv", tent.rows())
    ran = filmcall("replay", str(recording), "--config", str(config), "--db", str(db), "--jsonl")
    assert ran.code == 0, ran.err
    with Store.open(db, now_s=lambda: BEGIN_S + tent.hours * HOUR_S) as store:
        for kind, at_h in tent.done:
            store.add_event(with_spec_text(store, event_of(tent, kind, at_h, BEGIN_S)))
    return {at_h: clocks_by_command(db, at_h, BEGIN_S).get(tent.name, {}) for at_h in looks_h}


@dataclass
class Watched:
    """A watch over some tents, and what its clocks said.

    Attributes:
        folder: of its config and log.
        tents: by their names.
        memory: the clocks of the films in memory, by time and tent.
        log: those of the log at the same times.
        calls: each tent's call, by time.
        reasons: of those calls, by limit.
        qualities: of each point's present, by time and tent.
    """

    folder: Path
    tents: Mapping[str, Tent]
    memory: dict[float, dict[str, Clocks]] = field(default_factory=dict)
    log: dict[float, dict[str, Clocks]] = field(default_factory=dict)
    calls: dict[tuple[float, str], str] = field(default_factory=dict)
    reasons: dict[tuple[float, str], dict[str, str]] = field(default_factory=dict)
    qualities: dict[tuple[float, str], dict[str, str]] = field(default_factory=dict)

    def play(
        self,
        looks_h: Sequence[float],
        without: Mapping[str, Sequence[str]] | None = None,
        from_h: float = math.inf,
    ) -> None:
        """Let all of it pass.

        Args:
            looks_h: when to ask for clocks [h].
            without: points that a new config leaves out, by tent.
            from_h: when the program is started anew, with that config [h].
        """
        (self.folder / "trial.toml").write_text(sheet())
        machine = Machine()
        live = self._start(machine, {})
        doings = self._doings(looks_h)
        fresh = False
        try:
            for at_s in sorted(doings):
                if at_s >= from_h * HOUR_S and not fresh:
                    live.end()
                    live, fresh = self._start(machine, without or {}), True
                machine.monotonic_s = 1000.0 + at_s
                gone = without or {} if fresh else {}
                for tent, k in doings[at_s][0]:
                    self._say(live, tent, k, gone.get(tent.name, ()))
                for event in doings[at_s][1]:
                    live.store.add_event(with_spec_text(live.store, event))
                live.watch.turn(0.0)
                for at_h in doings[at_s][2]:
                    self._look(live, at_h)
        finally:
            live.end()

    def _start(self, machine: Machine, without: Mapping[str, Sequence[str]]) -> Live:
        configs = (t.config(without=without.get(t.name, ())) for t in self.tents.values())
        return Live(self.folder, BROKER + "".join(configs), machine)

    def _doings(
        self, looks_h: Sequence[float]
    ) -> dict[int, tuple[list[tuple[Tent, int]], list[Event], list[float]]]:
        """Return rows, events and looks by their seconds after the beginning."""
        found: dict[int, tuple[list[tuple[Tent, int]], list[Event], list[float]]] = {}

        def at(after_h: float) -> tuple[list[tuple[Tent, int]], list[Event], list[float]]:
            return found.setdefault(round(after_h * HOUR_S), ([], [], []))

        for tent in self.tents.values():
            for k, at_h in enumerate(tent.row_h):
                at(at_h)[0].append((tent, k))
            for kind, at_h in tent.done:
                at(at_h)[1].append(event_of(tent, kind, at_h, START_S))
        for at_h in looks_h:
            at(at_h)[2].append(at_h)
        return found

    @staticmethod
    def _say(live: Live, tent: Tent, k: int, without: Sequence[str]) -> None:
        sound: dict[str, dict[Quantity, float]] = {}
        missing: dict[str, dict[Quantity, float]] = {}
        for body in (tent.bow, *tent.bodies):
            said = tent.reported[body.name][k]
            if said is None or body.name in without:
                continue
            quantity = Quantity(body.quantity)
            if isinstance(said, str):
                missing[body.name] = {quantity: math.nan}
                continue
            sound[body.name] = {quantity: said}
            if body is tent.bow:
                sound[body.name][Quantity.HUMIDITY] = tent.rh_pct[k]
        live.hear(sound, enclosure=tent.name)
        live.hear(missing, enclosure=tent.name, quality=Quality.MISSING)

    def _look(self, live: Live, at_h: float) -> None:
        self.memory[at_h] = {}
        for name, tent in self.tents.items():
            room, now_s = live.watch.rooms[name], live.watch.now_s()
            if at_h > tent.hours:
                continue
            listed = merge_clocks(
                room.keeper.clocks(each, now_s) for each in room.enclosure.sections
            )
            self.memory[at_h][name] = clocks_from(map(clock_dict, listed), START_S)
            self.calls[at_h, name] = room.enclosure.call.value
            worst = room.enclosure.explain()[0]
            self.reasons[at_h, name] = {each.limit: each.text for each in worst.reasons}
            self.qualities[at_h, name] = {
                each.config.name: each.sensed.quality for each in room.enclosure.channels()
            }
        live.store.flush()
        self.log[at_h] = clocks_by_command(live.path, at_h, START_S)
