"""How fast dew points come, beside PsychroLib in a loop and beside numpy's exp as the limit.

Run from the checkout: `python benchmarks/dew_point.py [--count N]`. One thread: numpy does these
element by element in the calling thread. Each figure is the best of several runs, since a shared
machine only ever makes one slower.
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psychrolib

sys.path.insert(0, str(Path(__file__).parents[1]))

from rules.air import saturation
from rules.air import state as dew_point
from rules.air.arrays import dew_points_c, frost_points_c, wetting_points_c

TARGET_PER_S = 20e6
LOOP = 20_000  # pairs for what runs one at a time


def best_rate(count: int, run: Callable[[], object], repeats: int = 7) -> float:
    """Elements a second of the fastest of several runs."""
    run()
    fastest_s = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        fastest_s = min(fastest_s, time.perf_counter() - start)
    return count / fastest_s


def largest_difference_k(air_c: np.ndarray, rh_pct: np.ndarray) -> float:
    """The numpy path against eq. 6 and 5 inverted by Newton to the last digit, in plain numpy."""

    def solved(ln_of: Callable[[float], float], slope: Callable[[float], float]) -> np.ndarray:
        temps = []
        for ln_pv in ln_pvs:
            temp_k = 273.15
            for _ in range(15):
                temp_k -= (ln_of(temp_k) - ln_pv) / slope(temp_k)
            temps.append(temp_k - 273.15)
        return np.array(temps)

    ln_pvs = [
        saturation.ln_saturation_water(a + 273.15) + np.log(h / 100.0)
        for a, h in zip(air_c.tolist(), rh_pct.tolist(), strict=True)
    ]
    dew_off = dew_points_c(air_c, rh_pct) - solved(
        saturation.ln_saturation_water, saturation.slope_water
    )
    frost_off = frost_points_c(air_c, rh_pct) - solved(
        saturation.ln_saturation_ice, saturation.slope_ice
    )
    return float(max(np.abs(dew_off).max(), np.nanmax(np.abs(frost_off))))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Speed of the dew point paths.")
    parser.add_argument("--count", type=int, default=4_000_000, help="pairs for the numpy path")
    count = parser.parse_args().count
    draw = np.random.default_rng(7)
    air_c, rh_pct = draw.uniform(-40.0, 60.0, count), draw.uniform(1.001, 100.0, count)
    pairs = list(zip(air_c[:LOOP].tolist(), rh_pct[:LOOP].tolist(), strict=True))
    out = np.empty(count)

    def psychrolib_loop() -> None:
        for air, rh in pairs:
            psychrolib.GetTDewPointFromRelHum(air, rh / 100.0)

    def scalar_loop() -> None:
        dew_point._dew_and_frost.cache_clear()
        for air, rh in pairs:
            dew_point.dew_and_frost_c(air, rh)

    def slopes_loop() -> None:
        for air, rh in pairs[-4000:]:  # still kept from the loop before: what a replay row pays
            dew_point.dew_point_slopes(air, rh)

    library = best_rate(LOOP, psychrolib_loop, 3)
    limit = best_rate(count, lambda: np.exp(air_c, out=out))
    paths = {
        "numpy, dew point": best_rate(count, lambda: dew_points_c(air_c, rh_pct)),
        "numpy, dew point, missing_ok": best_rate(
            count, lambda: dew_points_c(air_c, rh_pct, missing_ok=True)
        ),
        "numpy, frost point": best_rate(count, lambda: frost_points_c(air_c, rh_pct)),
        "numpy, higher of the two": best_rate(count, lambda: wetting_points_c(air_c, rh_pct)),
        "one pair, dew and frost point": best_rate(LOOP, scalar_loop, 3),
        "one pair, slopes, points kept": best_rate(4000, slopes_loop, 3),
    }
    tracemalloc.start()
    dew_points_c(air_c, rh_pct)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    print(f"{count:,} pairs, -40 to 60 degC, 1 to 100 %; numpy {np.__version__}, one thread")
    print(f"{'path':34}{'million/s':>12}{'x PsychroLib':>14}{'of numpy exp':>14}")
    paths = {"PsychroLib in a loop, dew point": library, **paths}
    for name, rate in paths.items():
        print(f"{name:34}{rate / 1e6:12.3f}{rate / library:14.1f}{rate / limit:14.2%}")
    print(
        f"{'numpy exp over the same array':34}{limit / 1e6:12.1f}{limit / library:14.1f}{1:14.2%}"
    )
    print(
        f"memory: {peak / 2**20:.1f} MiB over the inputs, of which the answer is "
        f"{count * 8 / 2**20:.1f} MiB"
    )
    off_k = largest_difference_k(air_c[:LOOP], rh_pct[:LOOP])
    print(f"largest difference from the exact inversion: {off_k:.1e} K of {LOOP:,} pairs")
    met = "met" if paths["numpy, dew point"] >= TARGET_PER_S else "MISSED"
    print(f"target {TARGET_PER_S / 1e6:.0f} million dew points a second: {met}")


if __name__ == "__main__":
    main()
