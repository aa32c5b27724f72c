"""How long a section's clocks take to reckon from a long log, beside one plain numpy trapezoid.

Run: python -m benchmarks.clocks
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from monitor.specs import find_spec
from rules.clocks.all_clocks import clocks_of
from rules.clocks.history import TemperatureHistory
from rules.events import Event
from rules.units import ZERO_C_IN_K
from rules.vocabulary import EventKind


def best_of(work: Callable[[], object], rounds: int = 7) -> float:
    """Return the shortest of several runs [s]."""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def main() -> None:
    """Print the time for 10^3 to 10^5 samples at 30 s, and its ratio to the baseline."""
    spec, _ = find_spec("two-pack-epoxy-primer")
    print("samples  clocks_of [ms]  one trapezoid of exp [ms]  ratio")
    for count in (1_000, 10_000, 60_000, 100_000):
        at = 1_700_000_000.0 + 30.0 * np.arange(count)
        temp = 12.0 + 5.0 * np.sin(at / 13_750.0)
        history = TemperatureHistory(at, temp, temp + 1.0, 0.5, 120.0, temp, temp + 2.0)
        events = (
            Event(EventKind.MIXED, at[0] - 900.0, "tent", amount_ml=800.0),
            Event(EventKind.COAT_STARTED, at[0], "tent"),
            Event(EventKind.COAT_ENDED, at[0] + 3600.0, "tent"),
        )
        now = float(at[-1])

        def reckon() -> object:
            return clocks_of(None, events, {}, spec, history, now)  # noqa: B023

        def baseline() -> object:
            rate = np.exp(-7000.0 / (temp + ZERO_C_IN_K))  # noqa: B023
            return np.sum((rate[1:] + rate[:-1]) * np.diff(at)) / 2.0  # noqa: B023

        one, plain = best_of(reckon), best_of(baseline)
        print(f"{count:>7}  {one * 1e3:14.2f}  {plain * 1e3:25.3f}  {one / plain:5.1f}")


if __name__ == "__main__":
    main()
