"""Whether a channel shows nothing but noise: order in values, and what was learned of it.

How it is distributed for noise is chi squared (Box and Pierce 1970, J. Am. Stat. Assoc. 65, 1509),
taken from SciPy; noise and courses are NumPy's, with a fixed seed. How soon a probe that stands is
noticed is judgement, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, kstest

from sensors.believe.only_noise import NoiseWatch, about_course, order_in, order_together

HOUR_LOOKS = 12


def noise(seed: int, count: int) -> list[float]:
    return [float(each) for each in np.random.default_rng(seed).normal(0.0, 0.1, count)]


@pytest.mark.parametrize("count", [45, 90])
def test_order_of_noise_is_chi_squared(count: int) -> None:
    alone = [order_in(noise(seed, count)) for seed in range(400)]
    pairs = [(noise(seed, count), noise(seed + 400, count)) for seed in range(400)]
    both = [order_together(own, other) - order_in(own) for own, other in pairs]
    # Lags of a short record are a little small, so that order is rather too low than too high.
    assert np.mean(alone) == pytest.approx(chi2(2).mean(), rel=0.15)
    assert np.quantile(alone, 0.99) < chi2(2).ppf(0.999)
    assert kstest(both, chi2(1).cdf).pvalue > 0.001


def test_a_course_under_the_noise_is_order() -> None:
    # Two standard deviations of the noise, once up and down; and another channel that shares it.
    course = 0.2 * np.sin(np.linspace(0.0, math.tau, 90))
    own, other = course + noise(1, 90), course + noise(2, 90)
    assert order_in(own.tolist()) > chi2(2).ppf(1.0 - 1e-9)
    shared = order_together(own.tolist(), other.tolist()) - order_in(own.tolist())
    assert shared > chi2(1).ppf(1.0 - 1e-9)
    all_of_it = order_together(own.tolist(), other.tolist(), both=True)
    assert all_of_it - shared == pytest.approx(order_in(own.tolist()) + order_in(other.tolist()))


@pytest.mark.parametrize("values", [[20.1] * 45, [20.0] * 44 + [math.nan]], ids=["one", "unknown"])
def test_there_is_no_order_in_one_value_nor_where_one_is_not_known(values: list[float]) -> None:
    assert math.isnan(order_in(values))
    assert math.isnan(order_together(values, noise(3, 45)))
    assert math.isnan(order_together(noise(3, 45), values))


@pytest.mark.parametrize("count", [40, 90])
def test_what_is_left_about_a_course_is_what_a_fit_of_the_second_degree_leaves(count: int) -> None:
    places = np.arange(count)
    shown = 61.0 - 0.02 * places + 0.0004 * places**2 + noise(5, count)
    left = shown - np.polyval(np.polyfit(places, shown, 2), places)
    np.testing.assert_allclose(about_course(shown.tolist()), left, atol=1e-9)


class Look:
    """Looks every five minutes at what is always of the same order."""

    def __init__(self) -> None:
        self.watch = NoiseWatch(45)
        self.minute = 0

    def at(self, order: float, hours: float) -> bool:
        for _ in range(round(hours * HOUR_LOOKS)):
            self.minute += 5
            self.watch.look(order, self.minute)
        return self.watch.since >= 0


def test_noise_is_news_only_after_three_hours_of_order() -> None:
    assert not Look().at(4.0, 12.0)
    look = Look()
    assert not look.at(40.0, 2.0)
    assert not look.at(4.0, 12.0)
    look = Look()
    assert not look.at(40.0, 5.0)
    assert look.at(4.0, 1.0 / HOUR_LOOKS)
    assert look.watch.since == look.minute - 45


def test_after_a_spell_that_ended_by_itself_another_is_no_news_for_a_week() -> None:
    look = Look()
    look.at(40.0, 5.0)
    assert look.at(4.0, 2.0)
    assert not look.at(40.0, 2.0)
    assert not look.at(1.0, 2.0)
    assert not look.at(40.0, 7 * 24.0)
    assert look.at(0.5, 1.0)


def test_noise_is_no_news_where_only_a_course_was_more_than_noise() -> None:
    watch = NoiseWatch(45)
    for minute in range(0, 600, 5):
        watch.look(40.0, minute, 4.0)
    for minute in range(600, 900, 5):
        watch.look(4.0, minute, 4.0)
        assert watch.since < 0


def test_what_is_not_known_says_nothing_either_way() -> None:
    look = Look()
    look.at(40.0, 5.0)
    assert not look.at(math.nan, 2.0)
    assert look.at(4.0, 1.0)
    assert look.at(math.nan, 2.0)


def test_a_persons_word_ends_it_until_it_was_learned_anew() -> None:
    look = Look()
    look.at(40.0, 5.0)
    assert look.at(4.0, 1.0)
    look.watch.accept()
    assert not look.at(4.0, 12.0)
