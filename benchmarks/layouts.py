"""How invented logger files of known truth are read: rightly, after questions, or wrong in silence.

    python -m benchmarks.layouts [--way replay setup] [--set tuning held] [--each]

`replay` plays the bare file; `setup` runs `filmcall setup FILE --yes` in an empty folder and plays
the file with the config that it wrote, and where a unit or a probe was asked, once more with a
person's answers. The tuning set may be looked at by whoever builds the reader, the held set not.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Sequence

from tests.support.layout_score import (
    CATEGORIES,
    WRONG,
    Verdict,
    is_right,
    needs,
    tally,
    try_replay,
    try_setup,
)
from tests.support.logger_files import Layout
from tests.support.logger_layouts import TUNING
from tests.support.logger_layouts_fresh import FRESH
from tests.support.logger_layouts_held import HELD

WAYS: dict[str, Callable[[Layout], Verdict]] = {"replay": try_replay, "setup": try_setup}
SETS: dict[str, tuple[Layout, ...]] = {"tuning": TUNING, "held": HELD, "fresh": FRESH}
WITHOUT_QUESTION, AFTER_ONE = 0.70, 0.95  # the targets


def share(count: int, of: int) -> str:
    """Return a count with its share."""
    return f"{count} of {of}, {100.0 * count / of:.0f} %"


def report(way: str, name: str, layouts: Sequence[Layout], each: bool) -> None:
    """Try one set one way and print how it fared."""
    began_s = time.perf_counter()
    found = tally(layouts, WAYS[way])
    counts = Counter(one.category for one in found)
    pairs = list(zip(layouts, found, strict=True))
    right = [sum(is_right(layout, one, allowed) for layout, one in pairs) for allowed in (0, 1)]
    possible = [sum(needs(layout) <= allowed for layout in layouts) for allowed in (0, 1)]
    print(f"{way}, {name} set: {len(layouts)} layouts, {time.perf_counter() - began_s:.0f} s")
    for category in CATEGORIES:
        print(f"  {category:28} {counts[category]:4}")
    total = len(layouts)
    print(f"  right without a question: {share(right[0], total)} (target {WITHOUT_QUESTION:.0%}; "
          f"at most {share(possible[0], total)})")  # fmt: skip
    print(f"  right after at most one question: {share(right[1], total)} (target {AFTER_ONE:.0%}; "
          f"at most {share(possible[1], total)})")  # fmt: skip
    print(f"  wrong in silence: {counts[WRONG]} (target 0)")
    unnamed = sum(bool(one.unnamed) for one in found)
    print(f"  a column of no use left out without its name: in {unnamed} layouts")
    if each:
        for one in found:
            asked = "; ".join(question.what for question in one.asked)
            print(f"    {one.layout:26} {one.category:26} {one.why}{' | ' * bool(asked)}{asked}")


def main() -> None:
    """Print the table of every set and way that was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--way", nargs="+", choices=list(WAYS), default=list(WAYS))
    parser.add_argument("--set", nargs="+", choices=list(SETS), default=list(SETS), dest="sets")
    parser.add_argument("--each", action="store_true", help="a line for each layout")
    chosen = parser.parse_args()
    for way in chosen.way:
        for name in chosen.sets:
            report(way, name, SETS[name], chosen.each)


if __name__ == "__main__":
    main()
