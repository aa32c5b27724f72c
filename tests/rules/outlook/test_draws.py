"""When a limit breaks in an outlook: hand-worked courses, and Brownian motion's first passage.

First passage: P(a Brownian motion from 0 falls under -b by t) = 2 Phi(-b / (s sqrt t)), the
reflection principle (W. Feller, An Introduction to Probability Theory I/II; from memory).
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest

from rules.outlook.draws import Outlook, outlook_breaks
from rules.vocabulary import LimitName

HOUR = 3600.0


def outlook(
    air: np.ndarray, dew: np.ndarray, surface: np.ndarray | None, step_s: float = HOUR
) -> Outlook:
    rows = [air.mean(axis=0), dew.mean(axis=0)]
    if surface is not None:
        rows.append(surface.mean(axis=0))
    horizons = step_s * np.arange(air.shape[1], dtype=np.float64)
    return Outlook(0.0, horizons, air, dew, surface, np.stack(rows), "by hand", horizons[-1])


def one(surface: list[float], dew: float = 10.0, air: float = 20.0) -> Outlook:
    row = np.array([surface])
    return outlook(np.full_like(row, air), np.full_like(row, dew), row)


def test_a_course_breaks_where_its_straight_line_meets_the_bound() -> None:
    # The margin is 5, 4, 2, 2: it meets 3 half-way through the second hour.
    found = one([15.0, 14.0, 12.0, 12.0]).first_break(LimitName.DEW_MARGIN_MIN, 3.0, 3 * HOUR)
    assert found is not None
    assert found.median_s == pytest.approx(1.5 * HOUR)
    assert found.probability == 1.0


def test_a_break_after_the_span_does_not_count() -> None:
    ahead = one([15.0, 14.0, 12.0, 12.0])
    assert ahead.first_break(LimitName.DEW_MARGIN_MIN, 3.0, 1.4 * HOUR) is None
    assert ahead.break_probability(LimitName.DEW_MARGIN_MIN, 3.0, 1.6 * HOUR) == 1.0


def test_a_limit_that_is_broken_now_breaks_at_once() -> None:
    times = one([12.0, 15.0]).break_times_s(LimitName.DEW_MARGIN_MIN, 3.0)
    assert times is not None
    assert times.tolist() == [0.0]


def test_an_upper_limit_breaks_upwards() -> None:
    ahead = one([20.0, 30.0, 40.0])
    times = ahead.break_times_s(LimitName.SURFACE_TEMP_MAX, 35.0)
    assert times is not None
    assert times[0] == pytest.approx(1.5 * HOUR)
    assert ahead.break_times_s(LimitName.SURFACE_TEMP_MIN, 10.0) is not None
    assert ahead.break_probability(LimitName.SURFACE_TEMP_MIN, 10.0, 2 * HOUR) == 0.0


def test_without_a_surface_no_margin_is_told() -> None:
    row = np.array([[20.0, 20.0]])
    ahead = outlook(row, row - 5.0, None)
    assert ahead.draws(LimitName.DEW_MARGIN_MIN) is None
    assert ahead.first_break(LimitName.DEW_MARGIN_MIN, 3.0, HOUR) is None
    assert ahead.bands().dew_margin_k is None


def test_the_margin_counts_from_the_frost_point_below_freezing() -> None:
    # Dew point -5 is frost point -4.44 (both over the same vapour; PsychroLib's ice equation is
    # checked in test_outlook_quantiles), so a surface at -4.7 is wet with frost already.
    draws = one([-4.7, -4.7], dew=-5.0, air=0.0).draws(LimitName.DEW_MARGIN_MIN)
    assert draws is not None
    assert draws[0, 0] < -0.1


def test_first_passage_of_a_random_walk_is_the_reflection_principles() -> None:
    chance = np.random.default_rng(12)
    draws, steps, spread = 8_000, 400, 1.0
    walk = np.cumsum(chance.normal(0.0, spread / math.sqrt(steps), (draws, steps)), axis=1)
    walk = np.concatenate([np.zeros((draws, 1)), walk], axis=1)
    surface = 15.0 + walk
    ahead = outlook(
        np.full_like(surface, 25.0), np.full_like(surface, 10.0), surface, 10 * HOUR / steps
    )
    for room in (0.5, 1.0, 1.5):
        told = ahead.break_probability(LimitName.DEW_MARGIN_MIN, 5.0 - room, 10 * HOUR)
        # A walk seen at 400 steps misses dips between them: the bound counts 0.5826 steps lower
        # (Broadie, Glasserman, Kou, Mathematical Finance 7 (1997) 325; from memory).
        shifted = room + 0.5826 * spread / math.sqrt(steps)
        wanted = 2.0 * NormalDist().cdf(-shifted / spread)
        assert told == pytest.approx(wanted, abs=4.0 * math.sqrt(wanted * (1 - wanted) / draws))


def test_only_probable_breaks_forbid_go_and_the_soonest_comes_first() -> None:
    surface = np.array([[15.0, 14.0, 12.0]] * 3 + [[15.0, 15.0, 15.0]] * 17)
    air = np.array([[12.0, 9.0, 9.0]] * 20)
    ahead = outlook(np.maximum(air, 11.0), np.full_like(surface, 10.0), surface)
    limits = {LimitName.DEW_MARGIN_MIN: 3.0, LimitName.AIR_TEMP_MIN: 11.5}
    spans = dict.fromkeys(limits, 2 * HOUR)
    found = outlook_breaks(ahead, limits, spans)
    assert [each.name for each in found] == [LimitName.AIR_TEMP_MIN]  # 3 of 20 is under 0.2
    both = outlook_breaks(ahead, limits, spans, threshold=0.1)
    assert [each.name for each in both] == [LimitName.AIR_TEMP_MIN, LimitName.DEW_MARGIN_MIN]
    assert both[0].median_s == pytest.approx(0.5 * HOUR)
    assert both[1].probability == pytest.approx(0.15)


def test_an_older_outlook_tells_times_from_now() -> None:
    ahead = one([15.0, 14.0, 12.0, 12.0])
    limits = {LimitName.DEW_MARGIN_MIN: 3.0}
    found = outlook_breaks(ahead, limits, {LimitName.DEW_MARGIN_MIN: HOUR}, age_s=0.5 * HOUR)
    assert found[0].median_s == pytest.approx(1.0 * HOUR)
    # A span of an hour from now reaches 1.5 h after it was made, where the break comes.
    assert outlook_breaks(ahead, limits, {LimitName.DEW_MARGIN_MIN: HOUR}, age_s=0.4 * HOUR) == []
