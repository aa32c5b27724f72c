"""A disk that a power cut leaves as it likes: torn sectors, writes lost and reordered.

It is a model of what stands in the log's file and its write-ahead log, not of SQLite's file calls:
between two states that the program has left on disk, each sector of 512 bytes comes from the one
or the other. An honest disk keeps what was flushed; a late one loses the last that it said it had,
in order; a false one writes the file's pages before the write-ahead log that vouches for them.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from random import Random

from monitor.log.chain import Seal
from monitor.log.log import Store
from monitor.log.rows import CallRow, LogRefused
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

SECTOR = 512


class Disk(Enum):
    """What a disk makes of a flush."""

    HONEST = "honest"
    LATE = "late"
    FALSE = "false"


@dataclass(frozen=True, slots=True)
class State:
    """What stood on disk when the program told of something.

    Attributes:
        db: the file's bytes.
        wal: the write-ahead log's.
        rows: how many events and calls had been told of as kept.
        seal: that a witness was given.
    """

    db: bytes
    wal: bytes
    rows: int
    seal: Seal


@dataclass(slots=True)
class Cuts:
    """What a round of power cuts came to.

    Attributes:
        cuts: how many.
        lost: rows that were told of and are not there.
        seen: cuts whose lost rows the witness's seal shows.
        damaged: cuts that left a damaged log, which was said; only of a false disk.
        problems: what may not be, in words.
    """

    cuts: int = 0
    lost: int = 0
    seen: int = 0
    damaged: int = 0
    problems: list[str] = field(default_factory=list)


def written(folder: Path, steps: int, seed: int, checkpoint_pages: int = 40) -> list[State]:
    """Write a log with everything that `watch` writes, and return what stood on disk each time."""
    chance = Random(seed)
    path, wal = folder / "log.db", folder / "log.db-wal"
    states: list[State] = []
    with Store.open(path, now_s=time.time) as store:
        store.file.connection.execute(f"PRAGMA wal_autocheckpoint = {checkpoint_pages}")
        for number in range(steps):
            at_s = 1.8e9 + number * 7.0
            store.add_readings(
                Reading(
                    "tent", f"p{n % 3}", Quantity.AIR_TEMP, at_s + n, 20.0 + n, Quality.OK, at_s
                )
                for n in range(chance.choice((0, 1, 30)))
            )
            if chance.random() < 0.5:
                store.add_event(Event(EventKind.NOTE, at_s, "tent", note=str(number)))
            else:
                body = '{"n": "' + "x" * chance.choice((10, 3000, 9000)) + '"}'
                store.add_call(CallRow("tent", "all", at_s, "HOLD", "prep", "start", body))
            states.append(State(path.read_bytes(), wal.read_bytes(), number + 1, store.seal()))
    return states


def cut(states: list[State], chance: Random, disk: Disk) -> tuple[bytes, bytes, State]:
    """Cut the power once; return file, write-ahead log, and what had been told of by then."""
    now = chance.randrange(1, len(states))
    told, following = states[now - 1], states[now]
    before = told if disk is Disk.HONEST else states[max(0, now - chance.randrange(2, 8))]
    if disk is Disk.FALSE:
        wal = _mixed(before.wal, following.wal, chance)
        return _mixed(before.db, following.db, chance), wal[: chance.randrange(len(wal) + 1)], told
    if before.db != following.db:
        # A checkpoint: the write-ahead log was on disk before the file's pages were begun.
        if disk is Disk.HONEST or before.wal[:32] == following.wal[:32]:
            return _mixed(before.db, following.db, chance), following.wal, told
        return before.db, before.wal, told
    wal = _mixed(before.wal, following.wal, chance)
    if before.wal[:32] != following.wal[:32]:
        # Begun anew: SQLite flushes the header before the frames, lest those of before count again.
        wal = following.wal[:32] + wal[32:]
    return before.db, wal if disk is Disk.HONEST else wal[: chance.randrange(len(wal) + 1)], told


def _mixed(before: bytes, after: bytes, chance: Random) -> bytes:
    """Each sector old, new, or (past the old one's end) never written."""
    share = chance.choice((0.02, 0.5, 0.98))
    out = bytearray(after)
    for at in range(0, len(after), SECTOR):
        old = before[at : at + SECTOR]
        if old != after[at : at + SECTOR] and chance.random() < share:
            never = min(SECTOR, len(after) - at) - len(old)
            rest = bytes(never) if chance.random() < 0.5 else chance.randbytes(never)
            out[at : at + SECTOR] = old + rest
    return bytes(out)


def look(folder: Path, db: bytes, wal: bytes, told: State, *, disk: Disk, cuts: Cuts) -> None:
    """Open what is left, and hold it against what had been told."""
    path = folder / "cut.db"
    for each in folder.glob("cut.db*"):
        each.unlink()
    path.write_bytes(db)
    path.with_name("cut.db-wal").write_bytes(wal)
    cuts.cuts += 1
    try:
        _look(path, told, disk, cuts)
    except LogRefused as refused:
        if disk is not Disk.FALSE:
            cuts.problems.append(f"cut {cuts.cuts}: {refused}")
        cuts.damaged += 1


def _look(path: Path, told: State, disk: Disk, cuts: Cuts) -> None:
    with Store.open(path, now_s=time.time) as store:
        where = f"cut {cuts.cuts}"
        said = [*store.notices, *map(str, store.verify())]
        (integrity,) = store.file.connection.execute("PRAGMA integrity_check(1)").fetchone()
        said += [] if integrity == "ok" else [integrity]
        if said and disk is Disk.FALSE:
            cuts.damaged += 1
            return
        cuts.problems += [f"{where}: {each}" for each in said]
        times_s = sorted([e.time_s for e in store.events()] + [c.time_s for c in store.calls()])
        if times_s != [1.8e9 + n * 7.0 for n in range(len(times_s))]:
            cuts.problems.append(f"{where}: what is left is no beginning of what was written")
        lost = max(0, told.rows - len(times_s))
        cuts.lost += lost
        if disk is Disk.HONEST and lost:
            cuts.problems.append(f"{where}: {lost} rows were told of and are lost")
        held = store.sealed_as(told.seal.sha256)
        if lost and held is None:
            cuts.seen += 1
        if bool(lost) != (held is None):
            cuts.problems.append(f"{where}: {lost} lost, and the seal is {held}")


def power_cuts(folder: Path, count: int, seed: int, disk: Disk) -> Cuts:
    """Cut the power many times over logs of different content.

    Args:
        folder: an empty one.
        count: of cuts.
        seed: of everything.
        disk: what it makes of a flush.
    """
    chance, cuts = Random(seed), Cuts()
    states: list[State] = []
    for number in range(count):
        if number % 500 == 0:
            for each in folder.iterdir():
                each.unlink()
            states = written(folder, 60, seed + number)
        db, wal, told = cut(states, chance, disk)
        look(folder, db, wal, told, disk=disk, cuts=cuts)
    return cuts
