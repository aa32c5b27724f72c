"""How often a broker that is away is tried: heard again within 5 s, and never by all at once.

The 5 s and the 200 programs are our own figures to reach.
"""

from __future__ import annotations

import random
from itertools import pairwise

from sensors.mqtt.connection import CONNECT_S, DEFAULT_BACKOFF

WITHIN_S = 5.0


def tries_s(seed: int, until_s: float, *, turned_down: bool = False) -> list[float]:
    """When one program tries that lost its broker at 0."""
    chance, at_s, wait_s = random.Random(seed), 0.0, DEFAULT_BACKOFF.first_s
    found = []
    while at_s < until_s:
        now_s, wait_s = DEFAULT_BACKOFF.next_s(wait_s, chance, turned_down=turned_down)
        at_s += now_s
        found.append(at_s)
    return found


def test_nobody_waits_longer_than_five_seconds_however_long_the_broker_was_away() -> None:
    """At worst a try has just begun to wait for a network that swallows it."""
    for seed in range(200):
        gaps = [b - a for a, b in pairwise(tries_s(seed, 600.0))]
        assert max(gaps) + CONNECT_S < WITHIN_S


def test_two_hundred_programs_come_spread_over_seconds() -> None:
    back_s = 120.0
    first = sorted(
        next(at for at in tries_s(seed, 150.0) if at >= back_s) - back_s for seed in range(200)
    )
    assert first[-1] < WITHIN_S
    # Evenly they would be 10 in a tenth of a second.
    assert max(sum(low <= at < low + 0.1 for at in first) for low in first) <= 30


def test_a_broker_that_turns_us_down_is_not_troubled_every_second() -> None:
    gaps = [b - a for a, b in pairwise(tries_s(1, 600.0, turned_down=True))]
    assert min(gaps[10:]) > 10.0
