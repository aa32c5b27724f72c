"""What a kill costs: the real program and a bare writer, killed at random, round after round.

    python -m benchmarks.kills [--rounds 200] [--seed 1] [--sizes] [--model 10000]

Half of the rounds kill `filmcall watch` on a real broker, with sensors, a lamp and other shells at
work; half kill a bare writer that thins as well. `--sizes` instead prints what a reading and a
minute mean take on disk, how long a step of thinning holds the log, and the forecast against both.
`--model` cuts the power in process instead, so often for each of three disks: an honest one, one
that loses the last that it said it had, and one that writes out of order.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "support"))

from kills import MOST_LOST_S, Tally, kill_stores, kill_watches
from torn import Disk, power_cuts

from monitor.log.log import Store
from monitor.log.retention import MINUTE_BYTES, READING_BYTES, forecast
from sensors.reading import Quantity
from tests.system.broker import RealBroker

DAY_S = 86_400


def show(what: str, tally: Tally) -> bool:
    """Print a tally and return whether nothing was lost that may not be."""
    share = tally.worst_loss_s / MOST_LOST_S
    print(f"{what}: {tally.rounds} kills")
    print(f"  events acknowledged {tally.events}, lost {tally.events_lost}")
    print(
        f"  calls told {tally.calls}, not in the log {tally.calls_lost}; unlogged {tally.unlogged}"
    )
    print(f"  calls heard at the broker {tally.heard}, not in the log {tally.heard_lost}")
    print(f"  STOP that did not come back as STOP: {tally.stops_lost}")
    print(f"  readings {tally.readings}, lost {tally.readings_lost}, thinned {tally.thinned}")
    print(f"  oldest lost reading {tally.worst_loss_s:.2f} s old: {share:.2f} of the 5 s allowed")
    for problem in tally.problems:
        print(f"  PROBLEM {problem}")
    lost = tally.events_lost + tally.calls_lost + tally.heard_lost + tally.stops_lost
    return not lost and not tally.problems and share <= 1.0


def sizes(folder: Path) -> None:
    """Print what a day of 6 channels at 10 s takes, whole and thinned."""
    path = folder / "day.db"

    def used(store: Store) -> int:
        (pages,) = store.file.connection.execute("PRAGMA page_count").fetchone()
        (free,) = store.file.connection.execute("PRAGMA freelist_count").fetchone()
        return int(pages - free) * 4096

    with Store.open(path, now_s=time.time) as store:
        empty = used(store)
        begin_s = time.time() // DAY_S * DAY_S - 500 * DAY_S
        # Hour by hour, as a watch would: six channels side by side.
        for hour in range(24):
            for point in range(6):
                times = range(hour * 3600, hour * 3600 + 3600, 10)
                rows = [
                    (round((begin_s + t + point) * 1e6), None, 20.0 + t % 7 / 10, None, 0)
                    for t in times
                ]
                store.add_reading_rows("tent", f"p{point}", Quantity.AIR_TEMP, rows)
            store.flush()
        count = 6 * DAY_S // 10
        whole = used(store) - empty
        told = forecast(store)
        steps = []
        while True:
            begin = time.perf_counter()
            if store.thin_step(begin_s + 2 * DAY_S, 400) is None:
                break
            steps.append(time.perf_counter() - begin)
        thinned = used(store) - empty
    minutes = 6 * DAY_S // 60
    print(f"a reading takes {whole / count:.1f} bytes, the forecast says {READING_BYTES:g}")
    print(f"a minute mean takes {thinned / minutes:.1f} bytes, the forecast says {MINUTE_BYTES:g}")
    print(f"thinned is {thinned / whole:.2f} of whole; forecast {told.bytes_a_day / whole:.2f}")
    print(
        f"{len(steps)} steps, the longest {max(steps) * 1e3:.1f} ms, "
        f"{count / sum(steps):,.0f} readings a second"
    )


def model(count: int, seed: int) -> int:
    """Cut the power by the model, print what came of it, and return whether anything failed."""
    failed = 0
    shared = Path("/dev/shm")
    for disk in Disk:
        with tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None) as name:
            cuts = power_cuts(Path(name), count, seed, disk)
        print(
            f"{disk.value} disk: {cuts.cuts} power cuts, {cuts.lost} rows told of and lost, "
            f"{cuts.seen} cuts that the witness's seal shows, {cuts.damaged} damaged logs, all "
            f"said; {len(cuts.problems)} problems",
            flush=True,
        )
        for problem in cuts.problems[:20]:
            print(f"  PROBLEM {problem}")
        failed |= bool(cuts.problems)
    return failed


def main() -> None:
    """Kill and count, or measure sizes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sizes", action="store_true")
    parser.add_argument("--model", type=int)
    asked = parser.parse_args()
    if asked.model:
        sys.exit(model(asked.model, asked.seed))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if asked.sizes:
            sizes(folder)
            return
        begin_s = time.monotonic()
        sound = show("bare writer", kill_stores(folder, asked.rounds // 2, asked.seed))
        broker = RealBroker(folder)
        broker.start()
        try:
            rounds = asked.rounds - asked.rounds // 2
            sound &= show("filmcall watch", kill_watches(folder, broker, rounds, asked.seed))
        finally:
            broker.stop()
        print(f"whole run {time.monotonic() - begin_s:.0f} s")
    sys.exit(0 if sound else 1)


if __name__ == "__main__":
    main()
