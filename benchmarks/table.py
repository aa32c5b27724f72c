"""Runs the benchmarks one after the other and prints every figure beside its target, in one table.

    benchmarks/run [--full] [--only PART ...] [--minutes M] [--write] [--list]

`--write` keeps what was measured beside this file and writes BENCHMARKS.md from all that is kept,
so that parts may be measured at different times; each row says when, and from which set.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from benchmarks.figures import ROOT, Figure, Taken, Unread, keep, kept, table, write
from benchmarks.parts import PARTS, Part


def busy_s() -> float:
    """Return how long processors have worked since the machine started, or 0 where untold [s]."""
    try:
        fields = Path("/proc/stat").read_text(encoding="utf-8").splitlines()[0].split()[1:9]
    except OSError:
        return 0.0
    user, nice, system, _idle, _iowait, irq, softirq, steal = map(int, fields)
    return (user + nice + system + irq + softirq + steal) / float(os.sysconf("SC_CLK_TCK"))


def own_s() -> float:
    """Return the processor time of this program and of what it has run [s]."""
    found = 0.0
    for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN):
        used = resource.getrusage(who)
        found += used.ru_utime + used.ru_stime
    return found


def commit() -> str:
    """Return the checkout's commit, with `+` where the program or a benchmark was changed since."""
    git = ["git", "-C", str(ROOT)]
    found = subprocess.run(
        [*git, "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    )
    if found.returncode:
        return "unknown"
    folders = ("sensors", "rules", "monitor", "benchmarks/*.py", "tests/support")
    changed = subprocess.run(
        [*git, "status", "--porcelain", "--untracked-files=no", "--", *folders],
        capture_output=True,
        text=True,
        check=False,
    )
    return found.stdout.strip() + ("+" if changed.stdout.strip() else "")


def output_of(arguments: tuple[str, ...], folder: str) -> str:
    """Run one command, show what it prints as it comes, and return it with its processor time."""
    command = [sys.executable, "-u", *(each.replace("{folder}", folder) for each in arguments)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    lines = []
    before_s = own_s()
    with subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True
    ) as process:
        for line in process.stdout or ():
            lines.append(line)
            print(f"    {line}", end="", file=sys.stderr, flush=True)
    if process.returncode:  # a missed target as well: the figures tell which
        print(f"    ended with status {process.returncode}", file=sys.stderr)
    return "".join([*lines, f"command took {own_s() - before_s:.2f} s of processor\n"])


def take(part: Part, *, full: bool, minutes: float) -> Taken:
    """Run a part and read its figures; what cannot be read is a figure that misses.

    Args:
        part: which.
        full: its full set.
        minutes: after which no further command of the part is begun [min].
    """
    commands, size = part.full if full else part.short
    date = datetime.now(UTC).strftime("%Y-%m-%d %H:%M")
    checkout = commit()
    begin_s, busy_before_s, own_before_s = time.perf_counter(), busy_s(), own_s()
    output, done = "", 0
    with tempfile.TemporaryDirectory() as folder:
        for command in commands:
            output += output_of(command, folder)
            done += 1
            if time.perf_counter() - begin_s > 60.0 * minutes:
                break
    if done < len(commands):
        full, size = False, f"{done} of {len(commands)} batches of {size}"
    took_s = time.perf_counter() - begin_s
    others = max(0.0, busy_s() - busy_before_s - own_s() + own_before_s) / took_s
    try:
        figures = tuple(part.read(output))
    except (Unread, IndexError, ValueError) as fault:
        figures = (Figure(part.name, "a figure", "none", False, "–", f"It did not run: {fault}."),)
    nice = os.getpriority(os.PRIO_PROCESS, 0)
    return Taken(part.name, full, size, checkout, date, took_s, others, nice, figures)


def main() -> None:
    """Run what was asked for."""
    names = [part.name for part in PARTS]
    parser = argparse.ArgumentParser(
        prog="benchmarks/run",
        description="Measure, print one table in markdown; progress goes to standard error.",
    )
    parser.add_argument("--full", action="store_true", help="the full sets: over an hour")
    parser.add_argument("--only", nargs="+", choices=names, metavar="PART", help="see --list")
    parser.add_argument("--write", action="store_true", help="keep them and write BENCHMARKS.md")
    parser.add_argument("--list", action="store_true", help="name the parts")
    parser.add_argument(
        "--minutes",
        type=float,
        default=float("inf"),
        help="begin no further batch of a part after so long (safety has ten)",
    )
    asked = parser.parse_args()
    if asked.list:
        for part in PARTS:
            print(f"{part.name:<10} short: {part.short[1]}; full: {part.full[1]}, "
                  f"about {part.minutes:g} min on two idle cores")  # fmt: skip
        return
    chosen = [part for part in PARTS if asked.only is None or part.name in asked.only]
    if asked.full:
        minutes = sum(part.minutes for part in chosen)
        print(f"The full sets take about {minutes:.0f} min on two idle cores.",
              file=sys.stderr)  # fmt: skip
    taken = {}
    for part in chosen:
        size = (part.full if asked.full else part.short)[1]
        print(f"{part.name}: {size}", file=sys.stderr, flush=True)
        taken[part.name] = take(part, full=asked.full, minutes=asked.minutes)
        if asked.write:  # at once, so that a run that is broken off keeps what it has
            merged = {**kept(), **taken}
            rows = [merged[name] for name in names if name in merged]
            keep(rows)
            write(rows)
    print(table(list(taken.values())))
    missed = [f for each in taken.values() for f in each.figures if f.met is False]
    sys.exit(1 if missed else 0)


if __name__ == "__main__":
    main()
