"""One hole in a record, and what each part of the program makes of it.

What is expected is reckoned by hand from the speeds that `rules.known` states, which are common
practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from rules.clocks.history import TemperatureHistory, course_of
from rules.clocks.progress import progress
from rules.known import HUMIDITY, edge_of
from rules.memory import air_of
from rules.rate import SafeSide, rate_law
from rules.review.climate_arrays import PointColumn, climate_series, temperature_history
from rules.review.exposure import ClimateSeries, limit_times
from rules.spec.model import TimeRow, TimeTable
from rules.vocabulary import LimitName, Stage

HOUR_S, STEP_S, MAX_GAP_S = 3600.0, 60.0, 600.0
HOLE = (26.0 * HOUR_S, 30.0 * HOUR_S)
LAST_S = 40.0 * HOUR_S


def looked_back(hole: tuple[float, float] = HOLE) -> tuple[ClimateSeries, TemperatureHistory]:
    """Forty hours of an air at 20 °C and 50 %, and a hull that swings by 4 K a day."""
    time_s = np.arange(0.0, LAST_S, STEP_S)
    silent = (time_s > hole[0]) & (time_s < hole[1])

    def column(point: str, values: np.ndarray, accuracy: float) -> PointColumn:
        return PointColumn(point, np.where(silent, np.nan, values), accuracy)

    hull_c = 18.0 + 2.0 * np.sin(2.0 * np.pi * time_s / 86_400.0)
    series = climate_series(
        time_s,
        STEP_S,
        [column("bow", np.full(time_s.size, 20.0), 0.3)],
        [column("bow", np.full(time_s.size, 50.0), 3.0)],
        [column("plank", hull_c, 0.5)],
    )
    return series, temperature_history(series, 0.5, 0.3, MAX_GAP_S)


def test_a_review_and_a_clock_know_the_same_of_a_hull_in_a_hole() -> None:
    series, history = looked_back()
    low, high = series.known(LimitName.SURFACE_TEMP_MIN)
    at = (series.time_s > HOLE[0]) & (series.time_s < HOLE[1])
    for found, upper in ((low, False), (high, True)):
        edge = edge_of(history.time_s, history.coldest_c, MAX_GAP_S, upper=upper)
        clock = np.interp(series.time_s + 0.5 * STEP_S, edge.time_s, edge.value)
        assert found[at] == pytest.approx(clock[at], abs=0.01)
    assert float((high - low)[at].max()) > 1.0


def test_a_hole_of_every_probe_is_one_for_a_reviews_clocks_however_slow_another_channel_is() -> (
    None
):
    hole = (26.0 * HOUR_S, 26.0 * HOUR_S + 1200.0)
    series, _ = looked_back(hole)
    # A humidity that is read each quarter of an hour counts for 35 min; the rest came each minute.
    history = temperature_history(series, 0.5, 0.3, 2100.0)
    low, high = series.known(LimitName.SURFACE_TEMP_MIN)
    middle = int(np.searchsorted(series.time_s, 0.5 * (hole[0] + hole[1])))
    at_s = series.time_s[middle] + 0.5 * STEP_S
    for found, upper in ((low, False), (high, True)):
        edge = edge_of(history.time_s, history.coldest_c, 2100.0, upper=upper)
        clock = float(np.interp(at_s, edge.time_s, edge.value))
        assert found[middle] == pytest.approx(clock, abs=0.02)
    assert high[middle] - low[middle] > 0.1


def test_a_review_and_a_films_memory_know_the_same_of_the_damp_in_a_hole() -> None:
    series, history = looked_back()
    remembered = air_of(history, LAST_S, 0.0)
    middle_s = 28.0 * HOUR_S
    low, high = series.known(LimitName.HUMIDITY_MAX)
    at = int(np.searchsorted(series.time_s, middle_s))
    cell = int(np.searchsorted(remembered.time_s, middle_s))
    assert remembered.humidity_pct.low[cell] == pytest.approx(low[at], abs=2.0)
    assert remembered.humidity_pct.high[cell] == pytest.approx(high[at], abs=2.0)
    # A level day is no promise: 20 % an hour from both sides, two hours off either.
    assert high[at] == pytest.approx(50.0 + 2.0 * HUMIDITY.slowest.per_s * HOUR_S, abs=0.5)


def test_a_review_and_a_clock_call_the_same_span_unknown() -> None:
    series, history = looked_back()
    law = rate_law(TimeTable((TimeRow(10.0, 400_000.0), TimeRow(30.0, 200_000.0))), SafeSide.OPENS)
    course = course_of(
        history.time_s, history.coldest_c, -0.5, MAX_GAP_S, upper=False, now_s=LAST_S
    )
    begun_s = 24.0 * HOUR_S
    came = progress(law, course, begun_s, LAST_S)
    times = limit_times(series, LimitName.SURFACE_TEMP_MIN, Stage.CURE, 10.0, begun_s, LAST_S)
    assert came.unknown_s == pytest.approx(HOLE[1] - HOLE[0], abs=2.0 * STEP_S)
    assert times.unknown_s == pytest.approx(came.unknown_s, abs=2.0 * STEP_S)


def test_what_the_log_shows_hours_off_bounds_a_hole_whatever_window_is_asked() -> None:
    series, _ = looked_back((14.0 * HOUR_S, 39.0 * HOUR_S))
    low, high = series.known(LimitName.SURFACE_TEMP_MIN)
    at = int(np.searchsorted(series.time_s, 27.0 * HOUR_S))
    # It had spanned 3 K, from 20 down to 17 °C, and may go half as far again from where it stood.
    assert high[at] == pytest.approx(17.0 + 1.5 * 3.0, abs=0.3)
    assert low[at] == pytest.approx(16.6 - 1.5 * 3.0, abs=0.3)


def test_a_quantity_that_was_never_measured_may_have_been_anything() -> None:
    series, _ = looked_back((-1.0, LAST_S))
    low, high = series.known(LimitName.HUMIDITY_MAX)
    assert (low == -np.inf).all()
    assert (high == np.inf).all()
