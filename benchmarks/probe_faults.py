"""Classes of probe faults through the real program: what each costs, by an enclosure of its own.

    python -m benchmarks.probe_faults [--quick] [--runs 11] [--clean-hours 540] [--only CLASS ...]

Each class is played for so many runs of 36 h through `filmcall replay --jsonl --all`; the physics,
the sensors and the score are in tests/support (fault_shed, fault_classes, fault_trial) and share
nothing with the program. Below, the same channels by ioos-qc's tests with fixed thresholds.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from fault_classes import BY_NAME, FAULTS, Recording, kind_of  # noqa: E402
from fault_trial import WAYS, Score, biting_seeds, clean_run, fault_run  # noqa: E402

RUN_H = 36.0
EVERY_S = (60.0, 30.0, 60.0, 20.0, 60.0, 30.0, 60.0, 10.0, 60.0, 30.0, 60.0)
QUICK = ("stuck-only-hull", "stuck-only-body", "dither-only-body", "loop-only-body",
         "hull-fallen-off", "hull-jump", "sun-on-air", "clock-ahead", "spikes")  # fmt: skip
GO_BEYOND_MIN, GO_BEYOND_RUNS = 5.0, 11
CLEAN_BEYOND_MIN, CLEAN_GO_H = 2.5, 500.0
CLEAN_LOST_PCT = 10.0

# What somebody would set by hand for a shed, before seeing its data (common practice, no source).
FLAT_S = 3600  # equal within a tenth of a unit's usual last digit for an hour
ATTENUATED_S, ATTENUATED_SD = 7200, {"temp": 0.03, "rh": 0.15, "plank": 0.03}
PER_MIN = {"temp": 3.0, "rh": 15.0, "plank": 2.0}
SPIKE = {"temp": 3.0, "rh": 10.0, "plank": 2.0}


@dataclass(slots=True)
class Baseline:
    """What the fixed tests flagged."""

    frozen: int = 0
    found_after_min: list[float] = field(default_factory=list)
    alarms: dict[str, int] = field(default_factory=dict)
    channel_hours: float = 0.0

    def add(self, other: Baseline) -> None:
        """Add another's counts."""
        self.frozen += other.frozen
        self.found_after_min += other.found_after_min
        self.channel_hours += other.channel_hours
        for test, count in other.alarms.items():
            self.alarms[test] = self.alarms.get(test, 0) + count


def flags(recording: Recording, channel: str) -> dict[str, NDArray[np.bool_]]:
    """Return where each of ioos-qc's tests finds a channel suspect or failed."""
    # Its import takes a second, and only this baseline needs it.
    from ioos_qc import qartod

    kind = kind_of(channel)
    values, times = recording.values[channel], recording.times_s
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = {
            "flat line": qartod.flat_line_test(values, times, FLAT_S, 3 * FLAT_S, 0.001),
            "attenuated": qartod.attenuated_signal_test(
                values, times, ATTENUATED_SD[kind], ATTENUATED_SD[kind] / 3.0,
                test_period=ATTENUATED_S, min_period=ATTENUATED_S,
            ),
            "rate of change": qartod.rate_of_change_test(values, times, PER_MIN[kind] / 60.0),
            "spike": qartod.spike_test(values, SPIKE[kind], 2.0 * SPIKE[kind]),
        }  # fmt: skip
    return {test: np.isin(np.ma.filled(flag, 2), (3, 4)) for test, flag in found.items()}


def baseline(recording: Recording, frozen: tuple[str, ...]) -> Baseline:
    """Return what the fixed tests say of one recording; `frozen` are the channels that stand."""
    result = Baseline()
    if frozen:
        found: list[float] = []
        for channel in frozen:
            after = recording.times_s >= recording.onset_s
            for test in ("flat line", "attenuated"):
                hits = recording.times_s[after & flags(recording, channel)[test]]
                found += [float(hits[0] - recording.onset_s) / 60.0] if len(hits) else []
        result.frozen = 1
        result.found_after_min = [min(found)] if found else []
        return result
    for channel in recording.channels:
        result.channel_hours += float(recording.times_s[-1]) / 3600.0
        for test, flagged in flags(recording, channel).items():
            begun = int(flagged[0]) + int((flagged[1:] & ~flagged[:-1]).sum())
            result.alarms[test] = result.alarms.get(test, 0) + begun
    return result


# class, index, seed, hours, a row each so many seconds, with ioos-qc beside it
Task = tuple[str, int, int, float, float, bool]


def one(task: Task) -> tuple[str, Score, Baseline]:
    """Play one run: of a class, or clean where the name is empty."""
    name, _, seed, hours, every_s, beside = task
    if not name:
        score, recording = clean_run(seed, hours, every_s)
        return name, score, baseline(recording, ()) if beside else Baseline()
    score, recording = fault_run(name, seed, hours, every_s)
    frozen = BY_NAME[name].channels if BY_NAME[name].frozen else ()
    return name, score, baseline(recording, frozen) if beside and frozen else Baseline()


def row(name: str, score: Score) -> str:
    """Return one line of the table."""
    fault = BY_NAME[name]
    after = [each for each in score.noticed_after_min if each is not None]
    noticed = "     –        "
    if score.noticed_after_min:
        middle = f"{statistics.median(after):5.0f} min" if after else "        "
        noticed = f"{len(after):2d}/{len(score.noticed_after_min):<2d}{middle}"
    target = GO_BEYOND_MIN * score.runs / GO_BEYOND_RUNS if fault.shows else float("inf")
    missed = " MISSED" if score.beyond_min > target else ""
    return (
        f"{name:<20} {'yes' if fault.shows else 'no':<5} {score.beyond_min:7.1f} "
        f"{score.worst_run_min:7.1f} {score.missed_stop:4d}/{score.broken_spans:<4d} "
        f"{score.false_stop:5d} {score.lost_min / 60.0:7.1f} {score.could_go_min / 60.0:7.1f} "
        f"{noticed}{missed}"
    )


def print_clean(score: Score) -> None:
    """Print what clean sensors cost."""
    per = score.beyond_min * CLEAN_GO_H / score.go_h if score.go_h else float("inf")
    print(f"clean: {score.hours:.0f} h in {score.runs} runs, {score.go_h:.1f} h of GO")
    print(f"  GO beyond the guard {score.beyond_min:.1f} min {score.beyond_by or ''}, "
          f"{per:.1f} in {CLEAN_GO_H:.0f} GO hours (at most {CLEAN_BEYOND_MIN})")  # fmt: skip
    print(f"  missed STOP {score.missed_stop} of {score.broken_spans}, "
          f"false STOP {score.false_stop}")  # fmt: skip
    ways = ", ".join(f"{way} {100.0 * score.lost_by[way] / max(1.0, score.could_go_min):.1f}"
                     for way in WAYS)  # fmt: skip
    print(f"  GO lost {score.lost_pct:.1f} % of {score.could_go_min / 60.0:.1f} h "
          f"(at most {CLEAN_LOST_PCT:.0f} %); by: {ways} %")  # fmt: skip
    own = 100.0 * score.own_error_min / max(1.0, score.could_go_min)
    print(f"  of it the sensors' own errors cost {own:.1f} %, without any rule for trend or doubt")
    bare = 100.0 * score.bare_lost_min / max(1.0, score.bare_go_min)
    print(f"  against one who needs no guard: {bare:.1f} % of {score.bare_go_min / 60.0:.1f} h")
    print(f"  doubted on clean channels: {score.doubts} in {score.channel_hours:.0f} channel "
          f"hours {score.doubts_by or ''}")  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a handful of classes, one run each")
    parser.add_argument("--runs", type=int, default=GO_BEYOND_RUNS)
    parser.add_argument("--clean-hours", type=float, default=540.0)
    parser.add_argument("--every", type=float, help="a row each so many seconds, in every run")
    parser.add_argument("--only", nargs="+", choices=list(BY_NAME), metavar="CLASS")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--no-baseline", action="store_true", help="without ioos-qc beside it")
    asked = parser.parse_args()
    begin_s = time.perf_counter()
    names = asked.only or (QUICK if asked.quick else [fault.name for fault in FAULTS])
    runs = 1 if asked.quick else asked.runs
    clean_runs = round((36.0 if asked.quick else asked.clean_hours) / RUN_H)
    beside = not asked.no_baseline

    def every(index: int) -> float:
        return asked.every or EVERY_S[index % len(EVERY_S)]

    seeds = {kind: biting_seeds(runs, RUN_H, kind) for kind in (False, True)}
    tasks: list[Task] = [
        (name, index, seeds[kind][index], RUN_H, every(index), beside)
        for index in range(runs)
        for kind in (False, True)
        for name in names
        if BY_NAME[name].of_hull == kind
    ]
    tasks += [("", index, index, RUN_H, every(index), beside) for index in range(clean_runs)]
    scores = {name: Score() for name in (*names, "")}
    fixed = Baseline()
    with ProcessPoolExecutor(asked.workers) as pool:
        for task, (name, score, found) in zip(tasks, pool.map(one, tasks), strict=True):
            print(f"{name or 'clean'} {task[1]}: {score.beyond_min:.1f} min beyond, "
                  f"{score.lost_pct:.0f} % lost, noticed {score.noticed_after_min}",
                  file=sys.stderr, flush=True)  # fmt: skip
            scores[name].add(score)
            fixed.add(found)
    intervals = ", ".join(f"{each:.0f}" for each in sorted({every(k) for k in range(runs)}))
    print(f"{runs} runs of {RUN_H:.0f} h a class, rows each {intervals} s")
    print(f"{'class':<20} {'shows':<5} {'GO min beyond':<15} {'STOP':^9} {'false':>5} "
          f"{'GO h':>7} {'of':>7} noticed")  # fmt: skip
    print(f"{'':<26} {'guard':>7} {'worst':>7} {'missed':^9} {'STOP':>5} {'lost':>7}")
    for name in names:
        print(row(name, scores[name]))
    shown = [name for name in names if BY_NAME[name].shows]
    share = GO_BEYOND_MIN * runs / GO_BEYOND_RUNS
    over = sum(scores[name].beyond_min > share for name in shown)
    together = sum(scores[name].beyond_min for name in shown)
    print(f"classes that show: {len(shown)}, together {together:.1f} min of GO beyond the guard; "
          f"over {share:.1f} min: {over}")  # fmt: skip
    print_clean(scores[""])
    if beside:
        print_baseline(names, scores, fixed)
    print(f"whole run {time.perf_counter() - begin_s:.0f} s")


def print_baseline(names: list[str], scores: dict[str, Score], fixed: Baseline) -> None:
    """Print the frozen probes that each found, and the false alarms of each."""
    noticed = [after for name in names if BY_NAME[name].frozen
               for after in scores[name].noticed_after_min]  # fmt: skip
    found = [after for after in noticed if after is not None]
    clean = scores[""]
    print("frozen probes     found      median   false alarms an hour of one clean channel")
    for who, after, of, alarms, hours in (
        ("filmcall", found, len(noticed), clean.doubts, clean.channel_hours),
        ("ioos-qc", fixed.found_after_min, fixed.frozen,
         fixed.alarms.get("flat line", 0) + fixed.alarms.get("attenuated", 0),
         fixed.channel_hours),
    ):  # fmt: skip
        middle = f"{statistics.median(after):.0f} min" if after else "–"
        print(f"  {who:<12} {len(after):5d} of {of:<4d} {middle:>8}   "
              f"{alarms / max(1.0, hours):.4f} ({alarms} in {hours:.0f} h)")  # fmt: skip
    print(f"  ioos-qc's tests one by one: {dict(sorted(fixed.alarms.items()))}; thresholds: flat "
          f"line {FLAT_S} s, attenuated sd {ATTENUATED_SD} in {ATTENUATED_S} s, rate of change "
          f"{PER_MIN} a minute, spike {SPIKE}")  # fmt: skip


if __name__ == "__main__":
    main()
