"""Draws of the weather: the stated errors of a forecast, and a typical year's own hours."""

from __future__ import annotations

import numpy as np
import pytest

from rules.job.air import Air
from rules.job.draws import DRAWS, YEAR_HOURS, WeatherYear, drawn

START_S = 1_777_852_800.0  # 2026-05-04T00:00Z
DAYS = 6
KNOWN = Air(START_S, np.full((1, 24 * DAYS), 15.0), np.full((1, 24 * DAYS), 9.0), START_S)
YEAR = WeatherYear("a year", np.arange(YEAR_HOURS, dtype=float), np.zeros(YEAR_HOURS))


def test_a_forecasts_error_grows_as_stated_and_lasts_a_day() -> None:
    # rules.outlook.weather: 0.7 K at once, 0.05 K more each hour, 3 K at most.
    air = drawn(KNOWN, None, START_S, START_S)
    assert air is not None
    errors = air.temp_c - 15.0
    for hour in (0, 24, 100):
        size = min(0.7 + 0.05 * hour, 3.0)
        # The standard error of a standard deviation over 200 draws is 5 %: 4 of them.
        assert errors[:, hour].std() == pytest.approx(size, rel=0.2)
    later = np.corrcoef(errors[:, 80], errors[:, 104])[0, 1]
    assert later == pytest.approx(np.exp(-1.0), abs=0.2)


def test_past_the_forecast_each_draw_is_a_stretch_of_the_year_as_it_was() -> None:
    air = drawn(KNOWN, YEAR, START_S, START_S + 20 * 86400.0)
    assert air is not None
    assert air.temp_c.shape == (DRAWS, 20 * 24)
    tail = air.temp_c[:, 24 * DAYS :]
    assert (np.diff(tail, axis=1) == 1.0).all(), "no hour is a mean of others"
    # 10 May is day 130 of a year of 365: its first hour is number 3,096, and 240 h to each side.
    first = tail[:, 0]
    assert first.min() >= 3096 - 240
    assert first.max() <= 3096 + 240
    assert len(set((first - 3096).tolist())) == 21


def test_the_same_hours_give_the_same_draws() -> None:
    one, two = (drawn(KNOWN, YEAR, START_S, START_S + 9 * 86400.0) for _ in range(2))
    assert one is not None
    assert two is not None
    assert (one.temp_c == two.temp_c).all()
