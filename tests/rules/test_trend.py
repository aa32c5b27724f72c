"""The recent trend: its slope and its significance against SciPy, and what it says of a limit.

Slope: scipy.stats.theilslopes (Sen, J. Am. Stat. Assoc. 63 (1968) 1379). Significance: the
Mann-Kendall statistic S by scipy.stats.kendalltau, S = tau n (n - 1) / 2 without ties (Mann,
Econometrica 13 (1945) 245; Kendall, Rank Correlation Methods), variance n (n - 1)(2 n + 5) / 18
checked against every ordering of seven values.
"""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest
from scipy import stats

from rules.limits import LimitJudgement
from rules.trend import CARRIED_S, RecentTrend, trend_per_s
from rules.vocabulary import LimitName, LimitState

T0 = 1_800_000_000.0
SAMPLE_S = 300.0
MARGIN, HUMIDITY = LimitName.DEW_MARGIN_MIN, LimitName.HUMIDITY_MAX

Series = list[tuple[float, float]]


def series(values: list[float], step_s: float = SAMPLE_S) -> Series:
    return [(T0 + step_s * k, value) for k, value in enumerate(values)]


def by_scipy(samples: Series) -> tuple[float, float]:
    """Slope, and how many standard deviations S stands out once 1 is taken off for continuity."""
    times, values = np.array(samples).T
    count = len(samples)
    # tau-b with ties is S / sqrt(pairs * pairs without ties); the factor gives S back.
    tied = sum(k * (k - 1) / 2 for k in np.unique(values, return_counts=True)[1])
    pairs = count * (count - 1) / 2
    tau = stats.kendalltau(times, values).statistic
    score = 0.0 if math.isnan(tau) else tau * math.sqrt(pairs * (pairs - tied))
    spread = math.sqrt(count * (count - 1) * (2 * count + 5) / 18)
    return float(stats.theilslopes(values, times).slope), (abs(score) - 1.0) / spread


def judged(name: LimitName, value: float, bound: float) -> LimitJudgement:
    inside = bound - value if name is HUMIDITY else value - bound
    return LimitJudgement(name, LimitState.OK, value, bound, 0.5, inside, inside, "air", "")


def test_the_variance_of_s_is_that_of_all_orderings() -> None:
    scores = []
    for order in itertools.permutations(range(7)):
        later = itertools.combinations(order, 2)
        scores.append(sum(1 if b > a else -1 for a, b in later))
    assert np.var(scores) == pytest.approx(7 * 6 * 19 / 18)


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.5, 2.0])
@pytest.mark.parametrize("seed", range(12))
def test_slope_and_significance_are_scipys(seed: int, noise: float) -> None:
    chance = random.Random(seed)
    count = chance.randint(7, 20)
    per_sample = chance.choice([0.0, 0.05, -0.2, 1.0])
    samples = series([per_sample * k + noise * chance.gauss(0.0, 1.0) for k in range(count)])
    slope, stands_out = by_scipy(samples)
    assert abs(stands_out - 3.0) > 1e-6, "a seed on the very edge proves nothing"
    assert trend_per_s(samples) == pytest.approx(slope if stands_out > 3.0 else 0.0, abs=1e-12)


def test_uneven_times_give_scipys_slope() -> None:
    chance = random.Random(7)
    times = sorted(chance.uniform(0.0, 3600.0) for _ in range(12))
    samples = [(T0 + time, 0.001 * time + chance.gauss(0.0, 0.05)) for time in times]
    slope, stands_out = by_scipy(samples)
    assert stands_out > 3.0
    assert trend_per_s(samples) == pytest.approx(slope)


def test_noise_alone_makes_a_trend_in_about_three_of_a_thousand() -> None:
    # Two-sided 3 standard deviations of a normal law: 0.27 %; S is discrete and 1 is taken off.
    chance = random.Random(20270115)
    found = sum(
        trend_per_s(series([chance.gauss(0.0, 1.0) for _ in range(13)])) != 0.0 for _ in range(4000)
    )
    assert found <= 4000 * 0.0027 * 1.5


@pytest.mark.parametrize("at", range(1, 13))
def test_a_single_step_makes_no_trend(at: int) -> None:
    assert trend_per_s(series([0.0] * at + [3.0] * (13 - at))) == 0.0


def test_under_seven_samples_there_is_no_trend() -> None:
    assert trend_per_s(series([float(k) for k in range(6)])) == 0.0
    assert trend_per_s(series([float(k) for k in range(7)])) == pytest.approx(1.0 / SAMPLE_S)


# The trend of a limit -----------------------------------------------------------------------


def fed(name: LimitName, values: list[float], bound: float, step_s: float = 10.0) -> RecentTrend:
    trend = RecentTrend()
    for k, value in enumerate(values):
        trend.take([judged(name, value, bound)], T0 + step_s * k)
    return trend


def test_a_falling_margin_breaks_when_the_ramp_reaches_the_bound() -> None:
    # 6 K falling 2 K an hour for an hour: 4 K, 1 K over the bound, which it passes in half an hour.
    values = [6.0 - 2.0 * k * 10.0 / 3600.0 for k in range(361)]
    trend = fed(MARGIN, values, 3.0)
    assert trend.per_hour(MARGIN) == pytest.approx(-2.0, rel=0.01)
    assert trend.looked_ahead_s() == CARRIED_S
    (found,) = trend.breaks([judged(MARGIN, 4.0, 3.0)], T0 + 3600.0)
    assert found.name is MARGIN
    assert found.at_s - T0 - 3600.0 == pytest.approx(1800.0, rel=0.01)


def test_a_ramp_that_reaches_the_bound_after_more_than_an_hour_breaks_nothing() -> None:
    trend = fed(MARGIN, [9.0 - 2.0 * k * 10.0 / 3600.0 for k in range(361)], 3.0)
    assert trend.per_hour(MARGIN) == pytest.approx(-2.0, rel=0.01)
    assert trend.breaks([judged(MARGIN, 7.0, 3.0)], T0 + 3600.0) == []


def test_a_rising_humidity_closes_on_its_upper_bound_and_a_falling_one_does_not() -> None:
    rising = fed(HUMIDITY, [70.0 + 10.0 * k * 10.0 / 3600.0 for k in range(361)], 85.0)
    (found,) = rising.breaks([judged(HUMIDITY, 80.0, 85.0)], T0 + 3600.0)
    assert found.per_hour == pytest.approx(10.0, rel=0.01)
    assert found.at_s - T0 - 3600.0 == pytest.approx(1800.0, rel=0.01)
    falling = fed(HUMIDITY, [80.0 - 10.0 * k * 10.0 / 3600.0 for k in range(361)], 85.0)
    assert falling.breaks([judged(HUMIDITY, 70.0, 85.0)], T0 + 3600.0) == []


def test_noise_and_a_step_break_nothing() -> None:
    chance = random.Random(3)
    noisy = fed(MARGIN, [4.0 + chance.gauss(0.0, 0.3) for _ in range(361)], 3.0)
    stepped = fed(MARGIN, [6.0] * 180 + [3.5] * 181, 3.0)
    for trend in (noisy, stepped):
        assert trend.breaks([judged(MARGIN, 3.5, 3.0)], T0 + 3600.0) == []


def test_under_seven_minutes_nothing_is_looked_ahead() -> None:
    assert fed(MARGIN, [6.0] * 34, 3.0).looked_ahead_s() == 0.0
    assert fed(MARGIN, [6.0] * 45, 3.0).looked_ahead_s() == CARRIED_S


def test_a_clear_rise_is_seen_within_the_first_dwell() -> None:
    # 18 %/h from 68 %: 17 % of room is gone in 57 min, and ten minutes show the way
    trend = fed(HUMIDITY, [68.0 + 18.0 * k * 10.0 / 3600.0 for k in range(61)], 85.0)
    assert [each.name for each in trend.breaks([judged(HUMIDITY, 71.0, 85.0)], T0 + 600.0)] == [
        HUMIDITY
    ]


# Two steady hours, then a course that begins: what the screen must say while it is young.


def after_steady_hours(name: LimitName, steady: float, per_minute: float, bound: float) -> int:
    """Return after how many minutes of the course the trend first tells of a break."""
    trend = RecentTrend()
    for k in range(720):
        trend.take([judged(name, steady, bound)], T0 + 10.0 * k)
    for k in range(720, 1440):
        minutes = (k - 720) / 6.0
        now = judged(name, steady + per_minute * minutes, bound)
        trend.take([now], T0 + 10.0 * k)
        if trend.breaks([now], T0 + 10.0 * k):
            return math.ceil(minutes)
    raise AssertionError("never told")


@pytest.mark.parametrize(
    ("name", "steady", "per_minute", "bound"),
    [(HUMIDITY, 50.0, 1.0, 85.0), (HUMIDITY, 50.0, 0.5, 85.0), (MARGIN, 8.0, -8.0 / 60.0, 3.0)],
)
def test_a_young_course_is_told_twenty_minutes_before_it_breaks(
    name: LimitName, steady: float, per_minute: float, bound: float
) -> None:
    lasts = (bound - steady) / per_minute
    told = after_steady_hours(name, steady, per_minute, bound)
    assert 7 <= told <= lasts - 20.0


def test_a_heater_that_comes_and_goes_far_from_the_bound_breaks_nothing() -> None:
    # 3 % up and down in 20 min, as a thermostat makes it: common practice, no source.
    values = [60.0 + 3.0 * math.sin(2.0 * math.pi * k / 120.0) for k in range(720)]
    trend = RecentTrend()
    for k, value in enumerate(values):
        trend.take([judged(HUMIDITY, value, 85.0)], T0 + 10.0 * k)
        assert trend.breaks([judged(HUMIDITY, value, 85.0)], T0 + 10.0 * k) == []


@pytest.mark.parametrize("seed", range(20))
def test_a_step_with_a_slow_drift_of_the_same_sign_makes_no_young_course(seed: int) -> None:
    chance, trend = random.Random(seed), RecentTrend()
    for minute in range(180):
        value = 5.0 - 0.15 * minute / 60.0 - 0.5 * (minute >= 100) + chance.gauss(0.0, 0.01)
        now = judged(MARGIN, value, 3.0)
        trend.take([now], T0 + 60.0 * minute)
        if minute > 100:
            assert trend.breaks([now], T0 + 60.0 * minute) == []


def test_three_rising_readings_of_a_logger_make_no_young_course() -> None:
    trend = RecentTrend()
    for k in range(96):
        value = 50.0 if k < 81 else 60.0 + 8.0 * ((k - 81) // 5)
        trend.take([judged(HUMIDITY, value, 85.0)], T0 + 60.0 * k)
    assert trend.breaks([judged(HUMIDITY, 76.0, 85.0)], T0 + 60.0 * 96) == []


def test_a_slow_logger_has_a_trend_as_well() -> None:
    trend = RecentTrend()
    for k in range(8):
        trend.take([judged(MARGIN, 8.0 - 0.5 * k, 3.0)], T0 + 1800.0 * k)
    assert trend.per_hour(MARGIN) == pytest.approx(-1.0)


def test_what_is_older_than_the_last_hour_no_longer_counts() -> None:
    # Two hours of fall, then 70 min level: the fall is over.
    values = [9.0 - 2.0 * k * 10.0 / 3600.0 for k in range(721)] + [5.0] * 420
    trend = fed(MARGIN, values, 3.0)
    assert trend.per_hour(MARGIN) == 0.0


def test_after_a_jump_of_the_clock_nothing_is_known() -> None:
    trend = fed(MARGIN, [6.0 - 2.0 * k * 10.0 / 3600.0 for k in range(361)], 3.0)
    trend.forget()
    assert trend.looked_ahead_s() == 0.0
    assert trend.per_hour(MARGIN) == 0.0


def test_a_trend_stays_within_the_rooms_at_which_it_turns_and_no_smaller_ones() -> None:
    # No source: the two answers of one trend have to agree.
    trend = RecentTrend()
    for time_s, value in series([50.0 + 0.4 * k for k in range(16)], 60.0):
        trend.take([judged(HUMIDITY, value, 70.0)], time_s)
    rooms = trend.turning_rooms(HUMIDITY)
    assert len(rooms) == 2
    assert min(rooms) > 1.0
    assert trend.stays_within({HUMIDITY: max(rooms)})
    assert not trend.stays_within({HUMIDITY: 0.999 * max(rooms)})
    assert trend.stays_within({MARGIN: 0.0})
