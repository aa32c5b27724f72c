"""Kills shipper and database at random moments while a log is written, and holds both together.

The writer does what `watch` does with a log: readings each second of its own clock, some late,
calls, events, corrections, notes and steps of thinning. The log is what the copy is held to.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from crash import command, environment
from shipped import differences

from tests.system.postgres import RealPostgres

WRITER = """
import random, sys, time
from pathlib import Path
from monitor.log.log import Store
from monitor.log.rows import CallRow
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

path, seconds, channels, speed, seed = sys.argv[1], *map(float, sys.argv[2:6])
draw = random.Random(seed)
begun_s, live = time.monotonic(), speed == 1.0
now = [time.time() - (0.0 if live else 500 * 86400.0)]
with Store.open(Path(path), now_s=lambda: now[0]) as store:
    kept = None
    while time.monotonic() - begun_s < seconds:
        at = now[0] - (draw.choice((40.0, 4000.0)) if draw.random() < 0.03 else 0.0)
        store.add_readings([
            Reading("tent", f"p{n}", Quantity.AIR_TEMP, at, value, Quality.OK, now[0])
            for n, value in ((n, draw.gauss(20.0, 1.0)) for n in range(int(channels)))
        ])
        store.tick()
        chance = draw.random()
        if chance < 0.03:
            corrects = kept.row if kept is not None and kept.corrects is None else None
            kept = store.add_event(
                Event(EventKind.NOTE, now[0], "tent", note=str(chance), corrects=corrects))
        elif chance < 0.06:
            store.add_call(CallRow("tent", "all", now[0], "HOLD", "prep", "start", "{}"))
        elif chance < 0.08:
            old = Reading("tent", "p0", Quantity.AIR_TEMP, at, 0.0, Quality.OK, now[0])
            store.note_quality(old, Quality.SPIKE)
        elif chance < 0.09:
            store.thin_step(now[0] - 120.0, 1)
        time.sleep(1.0 / speed)
        now[0] = time.time() if live else now[0] + 1.0
"""


@dataclass(slots=True)
class Round:
    """What a round of kills came to.

    Attributes:
        shipper_kills: of the shipping process, SIGKILL.
        database_kills: of the database, at once or as a power cut would.
        different: between log and copy, in words.
        said: what the shippers wrote.
    """

    shipper_kills: int = 0
    database_kills: int = 0
    different: list[str] = field(default_factory=list)
    said: str = ""


def start_writer(
    path: Path, seconds: float, *, channels: int = 20, speed: float = 60.0, seed: int = 1
) -> subprocess.Popen[bytes]:
    """Start what writes the log, `speed` seconds of its clock in one; at 1 by the wall clock."""
    words = [str(path), *map(str, (seconds, channels, speed, seed))]
    return subprocess.Popen([sys.executable, "-c", WRITER, *words], env=environment())


def start_shipper(path: Path, url: str, said: Path) -> subprocess.Popen[bytes]:
    """Start `filmcall ship` as a service would."""
    with said.open("ab") as out:
        words = command("ship", "--db", str(path), "--to", url)
        return subprocess.Popen(words, env=environment(), stderr=out, stdout=out)


def kill_round(
    server: RealPostgres,
    url: str,
    folder: Path,
    *,
    kills: int,
    seconds: float,
    seed: int = 1,
    channels: int = 20,
    speed: float = 60.0,
) -> Round:
    """Kill shipper and database in turn while a log is written; then ship once, and compare."""
    draw, found = random.Random(seed), Round()
    path, said = folder / "log.db", folder / "said.txt"
    writer = start_writer(path, seconds, channels=channels, speed=speed, seed=seed)
    shipper = None
    try:
        while not path.exists():
            time.sleep(0.02)
        shipper = start_shipper(path, url, said)
        for number in range(kills):
            time.sleep(draw.uniform(0.5, 1.5) * seconds / (kills + 1))
            if number % 2:
                server.kill() if number % 4 == 1 else server.stop()
                found.database_kills += 1
                time.sleep(draw.uniform(0.0, 0.5))
                server.start()
            else:
                shipper.send_signal(signal.SIGKILL)
                shipper.wait()
                found.shipper_kills += 1
                shipper = start_shipper(path, url, said)
        writer.wait(seconds + 60.0)
    finally:
        for process in (writer, shipper):
            if process is not None:
                process.kill()
                process.wait()
    once = subprocess.run(
        command("ship", "--once", "--db", str(path), "--to", url),
        env=environment(), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    found.said = said.read_text() + once.stdout + once.stderr
    found.different = differences(path, url)
    if once.returncode:
        found.different.append(f"ship --once ended with {once.returncode}: {once.stderr}")
    return found


def cpu_s(pid: int) -> float:
    """Return the CPU time that a process has used [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
