"""Kills writers at random moments, round after round, and looks at what is left each time.

A kill of the process, not of the machine's power: what the system had taken it still writes.
"""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

from crash import DRY_C, Child, Feed, Lamp, command, environment, wait_for

from monitor.log.log import Store
from monitor.log.rows import LogRefused
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quantity
from tests.system.broker import RealBroker

MOST_LOST_S = 5.0
LONG_EVERY = 8  # each so many rounds one that is long enough to lose more than it may
LONG_S = (5.5, 6.5)

# Writes as `watch` does beside thinning, and says on stdout what it has been promised.
WRITER = """
import sys, time
from pathlib import Path
from monitor.log.log import Store
from monitor.log.rows import CallRow
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

def reading(point, at):
    return Reading("tent", point, Quantity.AIR_TEMP, at, 20.0, Quality.OK, at)

note, calm, old_s = sys.argv[2], sys.argv[3] == "calm", float(sys.argv[4])
with Store.open(Path(sys.argv[1]), now_s=time.time) as store:
    store.lock_for_watch()
    store.add_readings([reading("old", old_s + n) for n in range(3000)])
    store.flush()
    print("old", 3000, flush=True)
    number = 0
    while True:
        now = time.time()
        store.add_readings([reading("air", now)])
        print("reading", repr(now), flush=True)
        store.tick()
        number += 1
        if number % 30 == 0 and not calm:
            kept = store.add_event(Event(EventKind.NOTE, now, "tent", note=note))
            print("event", kept.row, flush=True)
        if number % 50 == 0 and not calm:
            row = store.add_call(CallRow("tent", "all", now, "HOLD", "prep", "start", "{}"))
            print("call", row, flush=True)
        if number % 20 == 0 and not calm:
            store.thin_step(old_s + 86400.0, 400)
        time.sleep(0.002)
"""


@dataclass(slots=True)
class Tally:
    """What all rounds came to.

    Attributes:
        rounds: kills.
        events: acknowledged.
        events_lost: acknowledged and not in the log.
        calls: told, on standard output.
        calls_lost: told and not in the log.
        heard: calls that reached a listener at the broker.
        heard_lost: those that are not in the log.
        readings: taken in, or sent while the program listened.
        readings_lost: not in the log; a kill may cost the last 5 s.
        worst_loss_s: age of the oldest lost reading when the kill came [s].
        stops_lost: a STOP that came back as something else.
        unlogged: calls told as unlogged, since another process held the log.
        thinned: readings that were made means.
        problems: what a round found that may not be, in words.
    """

    rounds: int = 0
    events: int = 0
    events_lost: int = 0
    calls: int = 0
    calls_lost: int = 0
    heard: int = 0
    heard_lost: int = 0
    readings: int = 0
    readings_lost: int = 0
    worst_loss_s: float = 0.0
    stops_lost: int = 0
    unlogged: int = 0
    thinned: int = 0
    problems: list[str] = field(default_factory=list)

    def lost(self, taken_s: Iterable[float], kept_us: set[int], killed_s: float) -> None:
        """Count readings and find the oldest that was lost."""
        taken = list(taken_s)
        lost = [at for at in taken if round(at * 1e6) not in kept_us]
        self.readings += len(taken)
        self.readings_lost += len(lost)
        if lost:
            self.worst_loss_s = max(self.worst_loss_s, killed_s - min(lost))


def look(store: Store, tally: Tally, where: str) -> None:
    """Look whether a log is whole after a kill."""
    if store.notices:
        tally.problems.append(f"{where}: {store.notices[0]}")
    if problems := store.verify():
        tally.problems.append(f"{where}: {problems[0].text}")
    (said,) = store.file.connection.execute("PRAGMA integrity_check").fetchone()
    if said != "ok":
        tally.problems.append(f"{where}: integrity {said}")


def kept_us(store: Store, point: str, quantity: Quantity, from_s: float) -> set[int]:
    """Return the times at which the log has a whole reading [us]."""
    times_s = store.readings("tent", point, quantity, from_s)[0]
    return {round(float(at) * 1e6) for at in times_s}


def kill_stores(folder: Path, rounds: int, seed: int = 1) -> Tally:
    """Kill a bare writer at random moments, while this process writes events beside it."""
    path, chance, tally = folder / "store.db", random.Random(seed), Tally()
    events: set[int] = set()
    calls: set[int] = set()
    old = 0
    for number in range(rounds):
        long = number % LONG_EVERY == LONG_EVERY - 1
        began_s = time.time()
        old_s = (began_s // 86_400 - 500 + number) * 86_400.0
        words = [str(path), f"round {number}", "calm" if long else "busy", repr(old_s)]
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, *words],
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        assert writer.stdout is not None
        lines: list[str] = []
        reader = threading.Thread(target=lambda: lines.extend(writer.stdout), daemon=True)  # noqa: B023
        reader.start()
        if number % 4:
            wait_for(lambda: len(lines) > 3, "the writer writes")  # noqa: B023
        until_s = time.monotonic() + (chance.uniform(*LONG_S) if long else chance.uniform(0.0, 1.2))
        while time.monotonic() < until_s:
            if not long and path.exists():
                events |= _add_beside(path, tally, number)
            time.sleep(chance.uniform(0.0, 0.05))
        killed_s = time.time()
        writer.kill()
        writer.wait(60.0)
        reader.join(60.0)
        writer.stdout.close()
        whole = [line.split() for line in lines if line.endswith("\n")]
        events |= {int(value) for word, value in whole if word == "event"}
        calls |= {int(value) for word, value in whole if word == "call"}
        old += sum(int(value) for word, value in whole if word == "old")
        taken = [float(value) for word, value in whole if word == "reading"]
        with Store.open(path, now_s=time.time) as store:
            look(store, tally, f"store round {number}")
            tally.events_lost = len(events - {event.row or 0 for event in store.events()})
            tally.calls_lost = len(calls - {call.row or 0 for call in store.calls()})
            tally.lost(taken, kept_us(store, "air", Quantity.AIR_TEMP, began_s), killed_s)
            found = store.readings("tent", "old", Quantity.AIR_TEMP)
            # What was on disk and not yet told of may stand beside what was told.
            if not old <= int(found.counts.sum()) <= old + 3000 * (number + 1):
                tally.problems.append(f"round {number}: {found.counts.sum()} of {old} old readings")
            if int(found.counts.sum()) % 3000:
                tally.problems.append(f"round {number}: {found.counts.sum()} old readings")
            tally.thinned = int(found.counts[found.thinned].sum())
        tally.rounds += 1
    tally.events, tally.calls = len(events), len(calls)
    return tally


def _add_beside(path: Path, tally: Tally, number: int) -> set[int]:
    try:
        with Store.open(path, now_s=time.time) as store:
            kept = store.add_event(Event(EventKind.NOTE, time.time(), "tent", note=f"r{number}"))
            return {kept.row or 0}
    except LogRefused as fault:
        tally.problems.append(f"round {number}, beside: {fault}")
        return set()


class Shells:
    """Other shells that write events, one after the other, some killed on their way."""

    def __init__(self, folder: Path, db: Path, chance: random.Random) -> None:
        self.kept: list[str] = []
        self.refused: list[str] = []
        self._folder, self._db, self._chance = folder, db, chance
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        number = 0
        while not self._ending.is_set():
            number += 1
            note = f"shell {number}"
            # Each brings a section to another stage, which is a call of its own.
            kind = ("washed", "mixed", "coat-started", "coat-ended")[number % 4]
            words = ("event", kind, "--enclosure", "tent", "--note", note, "--db", str(self._db))
            shell = subprocess.Popen(
                command(*words),
                cwd=self._folder,
                env=environment(),
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            if self._chance.random() < 0.25:
                time.sleep(self._chance.uniform(0.3, 1.0))
                shell.kill()
            out, err = shell.communicate(timeout=60.0)
            if out.startswith("recorded") and out.endswith("\n"):
                self.kept.append(note)
            elif shell.returncode > 0:
                self.refused.append(err)
            self._ending.wait(0.2)

    def close(self) -> None:
        """End after the shell that is at work."""
        self._ending.set()
        self._thread.join(90.0)


def kill_watches(folder: Path, broker: RealBroker, rounds: int, seed: int = 1) -> Tally:
    """Kill the real program at random moments, while sensors, shells and a lamp are at work."""
    db, chance, tally = folder / "watch.db", random.Random(seed), Tally()
    feed = Feed(broker.port, flip_s=0.4)
    lamp = Lamp(broker.port)
    shells = Shells(folder, db, random.Random(seed + 1))
    before_row, last_call = 0, ""
    try:
        for number in range(rounds):
            long = number % LONG_EVERY == LONG_EVERY - 1
            heard_before = len(lamp.heard)
            if long:  # no call may carry the buffered readings with it
                feed.flip_s, feed.surface_c = 0.0, DRY_C
            began_s = time.time()
            child = Child(folder, broker.port, db)
            if number % 4:
                child.first()
            time.sleep(chance.uniform(*LONG_S) if long else chance.uniform(0.0, 1.5))
            killed_s = time.time()
            child.kill()
            feed.flip_s = 0.4
            lamp.settle()
            told = [(str(each["call"]), str(each["stage"])) for each in child.told]
            unlogged = [each for each in child.told if each.get("unlogged")]
            tally.unlogged += len(unlogged)
            tally.calls += len(told) - len(unlogged)
            heard = lamp.heard[heard_before:]
            tally.heard += len(heard)
            with Store.open(db, now_s=time.time) as store:
                look(store, tally, f"watch round {number}")
                calls = [row for row in store.calls() if (row.row or 0) > before_row]
                before_row = max((row.row or 0 for row in calls), default=before_row)
                logged = _once((row.call, row.stage) for row in calls)
                if not unlogged:
                    tally.calls_lost += _missing(_once(told), logged)
                    tally.heard_lost += _missing(_once(heard), logged)
                if last_call == "STOP" and logged and logged[0][0] != "STOP":
                    tally.stops_lost += 1
                last_call = calls[-1].call if calls else last_call
                notes = {event.note for event in store.events("tent")}
                tally.events_lost = len(set(shells.kept) - notes)
                kept = kept_us(store, "plank", Quantity.SURFACE_TEMP, began_s)
                if kept:
                    first_s = min(kept) / 1e6
                    sent = [at for at in list(feed.sent_s) if first_s <= at < killed_s]
                    tally.lost(sent, kept, killed_s)
                elif long:
                    tally.problems.append(f"watch round {number}: no reading was kept")
            tally.rounds += 1
    finally:
        shells.close()
        lamp.close()
        feed.close()
    tally.events = len(shells.kept)
    tally.problems += [f"event: {each.strip()}" for each in shells.refused]
    if not shells.kept:
        tally.problems.append("no shell kept an event")
    return tally


def _once(calls: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Repeated ones once: a call told again at the broker, a STOP kept for a further cause."""
    return [call for call, _ in groupby(calls)]


def _missing(told: list[tuple[str, str]], logged: list[tuple[str, str]]) -> int:
    """Return how many of the told calls are not in the log in their order."""
    rest = iter(logged)
    return sum(1 for call in told if call not in rest)
