"""Alarms of many nights in which two or three things go wrong, judged by an oracle of their own.

    python -m benchmarks.alarms [--nights N] [--triples 480] [--workers 2] [--show]

Every pair of a dozen things over each stage, and so many triples, through the real watch, log,
alarms and publisher with simulated time; the rig and the oracle are in tests/support (rig,
alarm_matrix) and share nothing with the alarms. `--nights` takes a sample of that size.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from alarm_matrix import (  # noqa: E402
    GOOD,
    Night,
    Player,
    Tally,
    Verdict,
    pairs,
    table,
    triples,
)

MISSED = ("never", "late", "not again")
UNCALLED = ("without cause", "though seen", "too soon")


def played(numbered: tuple[int, Night]) -> tuple[Night, list[Verdict]]:
    """Play one night in a folder of its own."""
    seed, night = numbered
    with tempfile.TemporaryDirectory() as folder:
        return night, Player(Path(folder), night, seed).play()


def main() -> None:
    """Play the nights and print the table."""
    parser = argparse.ArgumentParser(prog="benchmarks/alarms", description=__doc__)
    parser.add_argument("--nights", type=int, help="a sample of so many; all by default")
    parser.add_argument("--triples", type=int, default=480)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="name each night that is not clean")
    asked = parser.parse_args()
    nights = [*pairs(), *triples(asked.triples)]
    if asked.nights is not None and asked.nights < len(nights):
        nights = random.Random(14).sample(nights, asked.nights)
    tally = Tally()
    began_s = time.perf_counter()
    with ProcessPoolExecutor(asked.workers) as pool:
        for number, (night, verdicts) in enumerate(
            pool.map(played, enumerate(nights), chunksize=2)
        ):
            tally.add(verdicts)
            if asked.show and number % 10 == 9:
                print(f"{number + 1} of {len(nights)}", file=sys.stderr, flush=True)
            wrong = [each for each in verdicts if each.what not in GOOD]
            if asked.show and wrong:
                said = "; ".join(f"{v.section} {v.fact} {v.what} {v.at_s / 60:.1f}" for v in wrong)
                print(f"{night.name}: {said}", file=sys.stderr, flush=True)
    print(table(tally))
    in_time, again = tally.count("in time"), tally.count("again")
    missed, uncalled = tally.count(*MISSED), tally.count(*UNCALLED)
    print(f"\nnights {tally.nights}, clean {tally.clean}; rang in time {in_time}, again {again}; "
          f"late or never {missed}; without cause {uncalled}; "
          f"{time.perf_counter() - began_s:.0f} s")  # fmt: skip
    sys.exit(1 if missed or uncalled else 0)


if __name__ == "__main__":
    main()
