"""How the shipped specs grade 80 nights of exact truth, held against an oracle of their own.

    python -m benchmarks.grades [--each]

Counted are minutes: a GO where HOLD or STOP is due, no STOP where one is due, a STOP where none is,
and a GO not given. Minutes within a sensor's guard, or just after a change, are not judged
(`tests/support/grades.py`).
"""

from __future__ import annotations

import argparse
from collections import Counter

from tests.support.grades import FAULTS, NIGHTS, RANKS, SPECS, score


def main() -> None:
    """Print the table of every spec, and what was first amiss in each night."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--each", action="store_true", help="a line for each fault's first minute")
    each = parser.parse_args().each
    heads = "".join(f"{fault:>13}" for fault in FAULTS)
    print(f"{len(NIGHTS)} nights a spec [min]    due:    GO   HOLD   STOP{heads}")
    for spec in SPECS:
        found = [score(spec, night) for night in NIGHTS]
        faults: Counter[str] = sum((one.faults for one in found), Counter())
        due: Counter[str] = sum((one.due for one in found), Counter())
        print(
            f"{spec:26}"
            + "".join(f"{due[call]:>7}" for call in RANKS)
            + "".join(f"{faults[fault]:>13}" for fault in FAULTS)
        )
        for one in found:
            for fault, what in one.first.items():
                if each:
                    print(f"    {one.night}: {one.faults[fault]} min {fault}, first {what}")


if __name__ == "__main__":
    main()
