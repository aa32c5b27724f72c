"""Makes `rules/outlook/prior.csv`: what the regression's weights are in typical enclosures.

Run from the checkout: `python -m benchmarks.outlook_prior [--count N] > rules/outlook/prior.csv`;
a minute. Each enclosure of `outlook_weather_tents` gives the weights that its own days ask for; the
table holds their mean and spread at some leads, and the size of the error that is left.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np

from benchmarks.outlook_weather_tents import populated
from rules.outlook.regression import QUANTITIES, Outdoors, Shown

KNOTS = (1, 2, 4, 12, 24, 48, 72, 96)
ROUNDS = 30
LEARNT = 96  # steps of the first day, of which little is told


def sums_of(
    values: np.ndarray, outdoors: Outdoors | None, quantity: int
) -> list[tuple[np.ndarray, np.ndarray, float, float]]:
    """Gram matrix, right side, squares and count of one enclosure, by lead."""
    shown, column, rows = Shown(values, quantity, outdoors), values[:, quantity], []
    for knot in KNOTS:
        part, told = shown.at(knot)[LEARNT:-knot], (column[knot:] - column[:-knot])[LEARNT:]
        usable = np.isfinite(told) & np.isfinite(part).all(axis=1)
        part, told = part[usable], told[usable]
        rows.append((part.T @ part, part.T @ told, float(told @ told), float(len(told))))
    return rows


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
    parser.add_argument("--count", type=int, default=300)
    given = parser.parse_args()
    found = populated(given.count)
    for forecast in (False, True):
        for quantity in range(QUANTITIES):
            sums = [sums_of(v, outdoors if forecast else None, quantity) for v, outdoors in found]
            for place, knot in enumerate(KNOTS):
                row = population([each[place] for each in sums], knot)
                cells = ",".join(f"{value:.3g}" for value in row)
                print(f"{quantity},{int(forecast)},{knot},{cells}", file=sys.stdout)


if __name__ == "__main__":
    main()
