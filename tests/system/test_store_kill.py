"""A writer killed at any moment: the log opens, the chain holds, and nothing acknowledged is lost.

FILMCALL_KILL_ROUNDS sets how many rounds; a kill of the process, not of the machine's power.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path

from monitor.store import Store
from sensors.reading import Quantity

ROUNDS = int(os.environ.get("FILMCALL_KILL_ROUNDS", "4"))

# Writes as `watch` does, and says on stdout what it has been promised.
WRITER = """
import sys, time
from pathlib import Path
from monitor.store import Store
from monitor.store_rows import CallRow
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

with Store.open(Path(sys.argv[1]), now_s=time.time) as store:
    store.lock_for_watch()
    number = 0
    while True:
        now = time.time()
        store.add_readings(
            [Reading("tent", "air", Quantity.AIR_TEMP, now, 20.0, Quality.OK, now)]
        )
        print("reading", repr(now), flush=True)
        store.tick()
        number += 1
        if number % 200 == 0:
            kept = store.add_event(Event(EventKind.NOTE, now, "tent", note=sys.argv[2]))
            print("event", kept.row, flush=True)
        if number % 300 == 0:
            row = store.add_call(CallRow("tent", "all", now, "HOLD", "prep", "start", "{}"))
            print("call", row, flush=True)
        time.sleep(0.001)
"""


def test_nothing_acknowledged_is_lost_when_the_writer_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    chance = random.Random(20260202)
    events: list[int] = []
    calls: list[int] = []
    taken: list[float] = []
    for round_number in range(ROUNDS):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), f"round {round_number}"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert writer.stdout is not None
        heard = [writer.stdout.readline()]  # it is under way
        time.sleep(chance.uniform(0.0, 3.0))
        writer.kill()
        heard += writer.stdout.readlines()
        writer.wait()
        writer.stdout.close()
        killed_s = time.time()
        whole = [line.split() for line in heard if line.endswith("\n")]
        events += [int(value) for word, value in whole if word == "event"]
        calls += [int(value) for word, value in whole if word == "call"]
        taken += [float(value) for word, value in whole if word == "reading"]

        with Store.open(path, now_s=time.time) as store:
            assert store.notices == ()
            assert store.verify() == []
            assert store._connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert set(events) <= {event.row for event in store.events()}
            assert set(calls) <= {call.row for call in store.calls("tent")}
            kept = {round(t, 5) for t in store.readings("tent", "air", Quantity.AIR_TEMP)[0]}
            lost = [t for t in taken if round(t, 5) not in kept]
            assert all(t > killed_s - 5.0 for t in lost)
            # What one kill lost stays lost; the next round is judged by its own.
            taken = [t for t in taken if t not in lost]
    assert events
    assert calls
