"""How long a review of 90 days at 10 s with three points takes, and how much memory.

    python benchmarks/review.py [--days 90] [--keep LOG.db]

The baseline is the target: 3 s and 220 MiB. The log is made first and is not counted.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TARGET_S, TARGET_MIB = 3.0, 220.0
START_S = 1_790_380_800.0


def make_log(path: Path, days: float) -> int:
    """Write three points, five channels, a reading every 10 s, and two coats."""
    import numpy as np

    from monitor.log.log import Store
    from rules.events import Event
    from rules.vocabulary import EventKind
    from sensors.reading import Quantity

    rows = 0
    rng = np.random.default_rng(1)
    with Store.open(path, now_s=time.time) as store:
        time_s = START_S + np.arange(0.0, days * 86_400.0, 10.0)
        hour = (time_s - START_S) / 3600.0
        air = 16.0 + 4.0 * np.cos((hour - 15.0) * np.pi / 12.0)
        for point, quantity, values in (
            ("air-bow", Quantity.AIR_TEMP, air),
            ("air-bow", Quantity.HUMIDITY, 70.0 - 3.0 * (air - 16.0)),
            ("air-stern", Quantity.AIR_TEMP, air + 0.2),
            ("air-stern", Quantity.HUMIDITY, 69.0 - 3.0 * (air - 16.0)),
            ("plank-port", Quantity.SURFACE_TEMP, air - 0.5),
        ):
            noisy = np.round(values + rng.normal(0.0, 0.05, values.size), 2)
            for begin in range(0, noisy.size, 200_000):
                piece = slice(begin, begin + 200_000)
                store.add_reading_rows(
                    "tent",
                    point,
                    quantity,
                    [
                        (round(t * 1e6), None, v, None, 0)
                        for t, v in zip(time_s[piece].tolist(), noisy[piece].tolist(), strict=True)
                    ],
                )
            rows += noisy.size
        store.flush()
        for kind, day, words in (
            (EventKind.SESSION_STARTED, 0.1, {"note": "ninety days"}),
            (EventKind.MIXED, 1.5, {"spec": "two-pack-epoxy-primer", "amount_ml": 500.0}),
            (EventKind.COAT_STARTED, 1.52, {"spec": "two-pack-epoxy-primer", "coat": 1}),
            (EventKind.COAT_ENDED, 1.58, {"coat": 1}),
            (EventKind.MIXED, 3.0, {"spec": "polyurethane-topcoat", "amount_ml": 500.0}),
            (EventKind.COAT_STARTED, 3.02, {"spec": "polyurethane-topcoat", "coat": 2}),
            (EventKind.COAT_ENDED, 3.1, {"coat": 2}),
            (EventKind.SESSION_ENDED, days - 0.01, {}),
        ):
            store.add_event(Event(kind, START_S + day * 86_400.0, "tent", None, **words))
    return rows


def look_back(path: Path) -> None:
    """Review the log in a process of its own, as the command does."""
    from monitor.log.log import Store
    from monitor.review.report import html_report
    from monitor.review.review import choose_session, review

    begun = time.perf_counter()
    with Store.open(path, now_s=time.time, read_only=True) as store:
        opened = time.perf_counter()
        found = review(store, choose_session(store.sessions(), None), defect="moisture-blush")
    looked = time.perf_counter()
    page = html_report(found)
    done = time.perf_counter()
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"open {opened - begun:.2f} s, review {looked - opened:.2f} s, "
          f"report {done - looked:.2f} s ({len(page) / 1024:.0f} KiB)")  # fmt: skip
    took_s = done - begun
    print(f"whole {took_s:.2f} s: {took_s / TARGET_S:.2f} of the target's {TARGET_S:.0f} s")
    share = peak_mib / TARGET_MIB
    print(f"peak {peak_mib:.0f} MiB: {share:.2f} of the target's {TARGET_MIB:.0f} MiB")


def main() -> None:
    """Make the log, then look back at it in a fresh process."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=90.0)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--only", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.only:
        look_back(args.only)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = args.keep or Path(folder) / "log.db"
        if not path.exists():
            begun = time.perf_counter()
            rows = make_log(path, args.days)
            size_mib = path.stat().st_size / 2**20
            print(f"{rows:,} readings written in {time.perf_counter() - begun:.1f} s, "
                  f"{size_mib:.0f} MiB")  # fmt: skip
        subprocess.run([sys.executable, __file__, "--only", str(path)], check=True)


if __name__ == "__main__":
    main()
