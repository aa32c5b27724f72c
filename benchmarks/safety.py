"""The safety figure: simulated weeks through the real program, with faults, against the truth.

    python -m benchmarks.safety [--seeds 100] [--days 7] [--broker]

False GO: a step under GO while the truth was past a limit by more than the stated uncertainty.
Missed STOP: the truth stayed so for over 5 min with healthy probes, and no STOP came. False STOP: a
STOP that began while the truth was inside every limit by more than the uncertainty. With --broker
every reading goes through a real mosquitto, which is stopped and started, and the word counts that
a listener has; its messages are counted as well.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from broker_soak import BrokerSoak, Messages  # noqa: E402
from soak import Soak, Tally  # noqa: E402


def one(seed: int, days: float, broker: bool) -> tuple[Tally, Messages | None]:
    """Run one seed in a folder of its own."""
    # The log's own waits for the disk are not what is measured here.
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        if not broker:
            return Soak(seed, days, Path(name)).run(), None
        soak = BrokerSoak(seed, days, Path(name))
        try:
            return soak.run(), soak.messages
        finally:
            soak.end()


def main() -> None:
    """Print the counts over all seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--broker", action="store_true")
    asked = parser.parse_args()
    begin_s = time.perf_counter()
    total, messages = Tally(), Messages()
    seeds = range(asked.first, asked.first + asked.seeds)
    each_days, each_broker = [asked.days] * len(seeds), [asked.broker] * len(seeds)
    with ProcessPoolExecutor(asked.workers) as pool:
        ran = pool.map(one, seeds, each_days, each_broker)
        for seed, (tally, through) in zip(seeds, ran, strict=True):
            total.add(tally)
            if through is not None:
                messages.add(through)
            if tally.false_go or tally.missed_stop or tally.events_lost or tally.chain_problems:
                print(f"seed {seed}: {tally}")
    print(f"{asked.seeds} seeds of {asked.days:g} days: {total.hours:.0f} h simulated")
    print(f"  under GO {total.go_hours:.0f} h, under STOP {total.stop_hours:.0f} h")
    print(f"  faults put in: {dict(sorted(total.faults.items()))}")
    print(f"  false GO steps: {total.false_go}, and {total.false_go_drift} while a probe drifted")
    print(f"  missed STOP: {total.missed_stop}")
    print(f"  false STOP: {total.false_stop}, and {total.false_stop_fault} while a probe failed")
    print(f"  STOP for a coat after its recoat window: {total.late_coat_stop}")
    print(f"  events lost: {total.events_lost}, changes found in a log: {total.chain_problems}")
    print(f"  memory grew by at most {total.memory_growth_mib:.1f} MiB")
    print(f"  open files grew by at most {total.handles_growth}")
    if asked.broker:
        print(f"  broker restarts: {messages.restarts}")
        print(f"  readings sent {messages.sent}, lost {messages.lost}")
        print(f"  words to be heard {messages.words}, not heard {messages.untold}")
        print(f"  last wills {messages.wills}, not heard {messages.unwilled}")
    print(f"  whole run {time.perf_counter() - begin_s:.0f} s")


if __name__ == "__main__":
    main()
