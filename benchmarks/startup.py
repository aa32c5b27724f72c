"""How long a command takes to answer as a whole process, beside an interpreter that does nothing.

    python -m benchmarks.startup [--runs 15]

Baseline: `python -c pass` with the same interpreter, run in turn with the commands, so that both
meet the same load of the machine. Also counts the modules that each command imports and says
whether pandas is among them.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BASELINE = "python -c pass"
HAND = ("check", "--air", "21", "--rh", "60", "--surface", "19")
COMMANDS = {
    "filmcall --help": (("--help",), 0.3),
    "filmcall check": (HAND, 0.5),
    "filmcall check --spec": ((*HAND, "--spec", "polyurethane-topcoat"), 0.5),
}
# Runs a command as `filmcall` does, and tells afterwards what that imported.
SPY = """
import sys
from monitor.cli.app import main
try:
    main()
except SystemExit:
    pass
finally:
    print(len(sys.modules), "pandas" in sys.modules, "numpy" in sys.modules, file=sys.stderr)
"""


def program() -> list[str]:
    """Return how `filmcall` is started here: as installed, else from the checkout."""
    installed = Path(sys.executable).parent / "filmcall"
    if installed.exists():
        return [str(installed)]
    return [sys.executable, "-c", "from monitor.cli.app import main; main()"]


def once(command: list[str]) -> tuple[float, float]:
    """Run a command to its end and return (how long it took, its processor time) [s]."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin_s = time.perf_counter()
    ran = subprocess.run(command, stdout=subprocess.DEVNULL, env=environment, check=False)
    took_s = time.perf_counter() - begin_s
    if ran.returncode not in (0, 10, 20):  # GO, HOLD, STOP
        raise RuntimeError(f"{command} ended with {ran.returncode}")
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return took_s, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


def imported(arguments: tuple[str, ...]) -> tuple[int, bool, bool]:
    """Return how many modules a command imports, and whether pandas and numpy are among them."""
    ran = subprocess.run(
        [sys.executable, "-c", SPY, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=True,
    )
    count, pandas, numpy = ran.stderr.splitlines()[-1].split()
    return int(count), pandas == "True", numpy == "True"


def main() -> None:
    """Print each command's times, its ratio to the baseline and to its target."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=15)
    runs = parser.parse_args().runs
    commands = {BASELINE: [sys.executable, "-c", "pass"]}
    commands |= {name: [*program(), *words] for name, (words, _) in COMMANDS.items()}
    took: dict[str, list[float]] = {name: [] for name in commands}
    used: dict[str, list[float]] = {name: [] for name in commands}
    for number in range(runs + 1):
        for name, command in commands.items():
            wall_s, cpu_s = once(command)
            if number:  # the first round only fills the page cache
                took[name].append(wall_s)
                used[name].append(cpu_s)
    base_s = statistics.median(took[BASELINE])
    print(f"{runs} runs each, in turn")
    for name in commands:
        middle_s = statistics.median(took[name])
        line = (
            f"{name:<24}median {middle_s:.3f} s, least {min(took[name]):.3f} s, "
            f"processor {statistics.median(used[name]):.3f} s, x baseline {middle_s / base_s:.1f}"
        )
        if name in COMMANDS:
            words, target_s = COMMANDS[name]
            modules, pandas, numpy = imported(words)
            line += (
                f", of target {middle_s / target_s:.2f}; {modules} modules, "
                f"pandas {'YES' if pandas else 'no'}, numpy {'yes' if numpy else 'no'}"
            )
        print(line)


if __name__ == "__main__":
    main()
