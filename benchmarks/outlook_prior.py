"""Makes `rules/outlook/prior.csv`: what the regression's weights are in typical enclosures.

Run from the checkout: `python -m benchmarks.outlook_prior [--tents N] > rules/outlook/prior.csv`.
Each enclosure of `outlook_weather_tents` gives the weights that its own days ask for; the table
holds their mean and spread at some leads, and the size of the error that is left.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys

import numpy as np

from benchmarks.outlook_weather_tents import WeatherTent, weather_tent
from rules.outlook.regression import DAY, QUANTITIES, Outdoors, Shown

KNOTS = (1, 2, 4, 12, 24, 48, 72, 96)
ROUNDS = 30
STEP_S, ISSUE_S = 900.0, 21_600.0
LEARNT = 96  # steps of the first day, of which little is told


def steps_of(tent: WeatherTent, seed: int) -> tuple[np.ndarray, Outdoors]:
    """Inside, outside and the forecasts as issued, in steps of 15 min."""
    track = tent.track
    values = track.table()[(track.count - 1) % 3 :: 3]
    count = len(values)
    scale = np.array([1.0, 1.0, 0.001])
    times = track.end_s - STEP_S * np.arange(count - 1, -1, -1)
    now = np.column_stack([np.interp(times, tent.hour_s, tent.outside[:, k]) for k in range(3)])
    ahead = np.empty((DAY, count, 3))
    issue = None
    for at, time_s in enumerate(times.tolist()):
        if issue is None or time_s // ISSUE_S * ISSUE_S != issue.made_s:
            issue = tent.forecast(time_s, seed, ISSUE_S)
        then = time_s + STEP_S * np.arange(1.0, DAY + 1.0)
        ahead[:, at] = np.column_stack(issue.at(then)) * scale
    return values, Outdoors(now * scale, ahead)


def sums_of(seed: int) -> list[list[tuple[np.ndarray, np.ndarray, float, float]]]:
    """Gram matrix, right side, squares and count of one enclosure: by kind, by lead."""
    values, outdoors = steps_of(weather_tent(seed, 10), seed)
    found = []
    for kind in (None, outdoors):
        for quantity in range(QUANTITIES):
            shown, column = Shown(values, quantity, kind), values[:, quantity]
            rows = []
            for knot in KNOTS:
                part, told = shown.at(knot)[LEARNT:-knot], (column[knot:] - column[:-knot])[LEARNT:]
                usable = np.isfinite(told) & np.isfinite(part).all(axis=1)
                part, told = part[usable], told[usable]
                rows.append((part.T @ part, part.T @ told, float(told @ told), float(len(told))))
            found.append(rows)
    return found


def population(rows: list[tuple[np.ndarray, np.ndarray, float, float]], lead: int) -> np.ndarray:
    """Noise, means and deviations of the weights over enclosures, by expectation-maximisation."""
    width = rows[0][0].shape[0]
    mean, spread = np.zeros(width), np.full(width, 0.25)
    noise = [0.5 * squares / count + 1e-6 for _, _, squares, count in rows]
    for _ in range(ROUNDS):
        own, unsure = [], []
        for at, (gram, side, squares, count) in enumerate(rows):
            scale = noise[at] * lead
            covariance = np.linalg.inv(gram / scale + np.diag(1.0 / spread))
            weights = covariance @ (side / scale + mean / spread)
            left = squares - 2.0 * weights @ side + weights @ gram @ weights
            noise[at] = max(float(left) / count, 1e-6)
            own.append(weights)
            unsure.append(np.diag(covariance))
        mean = np.mean(own, axis=0)
        spread = np.mean((np.array(own) - mean) ** 2 + np.array(unsure), axis=0) + 1e-4
    return np.concatenate([[np.sqrt(np.median(noise))], mean, np.sqrt(spread)])


def main() -> None:
    """Print the table: quantity, whether with a forecast, lead, noise, means, deviations."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tents", type=int, default=60)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    with multiprocessing.get_context("spawn").Pool(given.processes) as pool:
        found = pool.map(sums_of, range(1, given.tents + 1), chunksize=1)
    for kind in range(2 * QUANTITIES):
        for place, knot in enumerate(KNOTS):
            row = population([each[kind][place] for each in found], knot)
            cells = ",".join(f"{value:.3g}" for value in row)
            print(f"{kind % QUANTITIES},{kind // QUANTITIES},{knot},{cells}", file=sys.stdout)


if __name__ == "__main__":
    main()
