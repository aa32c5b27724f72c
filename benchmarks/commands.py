"""Processor time of the commands that read a log of 90 days, each as a whole process.

    python -m benchmarks.commands [--days 90] [--runs 5]

Three points at 10 s, 3.9 million readings, made first and not counted. Baseline: an interpreter
that does nothing, and for `export` sqlite3 fetching the same rows. As on any machine after its
first run, Python keeps what it has compiled.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

from benchmarks.parts import FETCH
from benchmarks.review import make_log
from benchmarks.startup import once, program

BARE = [sys.executable, "-c", "pass"]
TARGET_S = {"event": 0.15, "clocks": 0.5, "outlook": 1.0, "export": 8.0}
"""Processor time of each [s]."""


def commands(log: Path, folder: Path) -> dict[str, list[str]]:
    """Return the commands by name, as a person gives them."""
    db, where = ("--db", str(log)), ("--enclosure", "tent")
    return {
        "event": ["event", "note", "--note", "the east door was open", *where, *db],
        "clocks": ["clocks", *where, *db],
        "outlook": ["outlook", *where, *db],
        "export": ["export", "readings", "--format", "csv", "--out", str(folder / "out.csv"), *db],
    }


def cpu_s(command: list[str], runs: int) -> float:
    """Return the median processor time of a command, after a run that only warms the caches."""
    return statistics.median([once(command)[1] for _ in range(runs + 1)][1:])


def main() -> None:
    """Print each command's time, beside its target and its baseline."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=90.0)
    parser.add_argument("--runs", type=int, default=5)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = folder / "log.db"
        print(f"{make_log(log, wanted.days):,} readings, {wanted.runs} runs each")
        bare_s = cpu_s(BARE, wanted.runs)
        fetch_s = cpu_s([sys.executable, "-c", FETCH, str(log)], 1)
        for each, words in commands(log, folder).items():
            runs = 1 if each == "export" else wanted.runs
            took_s = cpu_s([*program(), *words], runs)
            base_s = fetch_s if each == "export" else bare_s
            print(
                f"{each:<8} processor {took_s:.3f} s, of target {took_s / TARGET_S[each]:.2f}, "
                f"x baseline {took_s / base_s:.1f}"
            )


if __name__ == "__main__":
    main()
