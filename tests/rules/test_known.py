"""One hole in a record, and what each part of the program makes of it.

What is expected is reckoned by hand from the speeds that `rules.known` states, which are common
practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from rules.clocks.history import TemperatureHistory, course_of
from rules.clocks.progress import progress
from rules.known import HUMIDITY, TEMPERATURE, Silences, edge_of, with_silences
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


# Several probes, one of them silent ----------------------------------------------------------


def two_planks(seed: int, days: float = 3.0) -> tuple[np.ndarray, np.ndarray]:
    """A plank in the shade and one that the afternoon sun warms, each with a probe's noise."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, days * 24.0 * HOUR_S, 300.0)
    day = 2.0 * np.pi * time_s / (24.0 * HOUR_S)
    weather = np.cumsum(rng.normal(0.0, 0.05, time_s.size))
    shade = 14.0 + 3.0 * np.sin(day) + weather
    sun = np.clip(np.sin(day - 0.8), 0.0, None) * rng.uniform(2.0, 5.0)
    planks = np.column_stack([shade, shade + 1.0 + sun])
    return time_s, planks + rng.normal(0.0, 0.1, planks.shape)


@pytest.mark.parametrize("probe", [0, 1])
@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("back", [True, False], ids=["back", "for ever"])
def test_a_silent_probe_stood_where_its_neighbour_lets_it_stand(
    probe: int, seed: int, *, back: bool
) -> None:
    time_s, truth = two_planks(seed)
    silent = (time_s > 30.0 * HOUR_S) & ((time_s < 60.0 * HOUR_S) | (not back))
    said = truth.copy()
    said[silent, probe] = np.nan
    low, high = with_silences(time_s, said, said, TEMPERATURE)
    within = (low[:, probe] <= truth[:, probe]) & (truth[:, probe] <= high[:, probe])
    assert within[silent].mean() >= 0.99
    wide_k = (high - low)[silent, probe]
    # Alone it could have gone 15 K either way by then.
    assert 0.5 < wide_k.max() < 12.0
    assert np.array_equal(low[~silent], truth[~silent])
    other = 1 - probe
    assert np.array_equal(low[:, other], truth[:, other])


def test_two_probes_that_were_never_seen_together_tell_nothing_of_each_other() -> None:
    time_s = np.arange(0.0, 10.0 * HOUR_S, 300.0)
    early = np.where(time_s < 4.0 * HOUR_S, 12.0, np.nan)
    late = np.where(time_s >= 4.0 * HOUR_S, 20.0, np.nan)
    said = np.column_stack([early, late])
    low, high = with_silences(time_s, said, said, TEMPERATURE)
    # By its own record alone: half a degree an hour, 3 K at the most, whatever the other one is.
    assert low[-1, 0] == pytest.approx(12.0 - 3.0, abs=0.1)
    assert high[-1, 0] == pytest.approx(12.0 + 3.0, abs=0.1)
    assert np.isnan(low[0, 1]), "of the time before it first spoke nothing is known"


def test_where_no_probe_speaks_nothing_stands_in_for_one() -> None:
    time_s, said = two_planks(1)
    said[400:450] = np.nan
    low, high = with_silences(time_s, said, said, TEMPERATURE)
    assert np.isnan(low[400:450]).all()
    assert np.isnan(high[400:450]).all()


def test_what_was_found_of_ended_silences_is_found_again() -> None:
    time_s, said = two_planks(2)
    for begin in range(300, 800, 50):
        said[begin : begin + 20, begin // 50 % 2] = np.nan
    kept: Silences = {}
    for count in range(310, time_s.size, 37):
        rows = slice(0, count)
        args = time_s[rows], said[rows], said[rows], TEMPERATURE
        for once, anew in zip(with_silences(*args, kept), with_silences(*args), strict=True):
            assert np.array_equal(once, anew, equal_nan=True)
    assert len(kept) == 10


def test_a_review_counts_a_silent_plank_as_its_clocks_do() -> None:
    time_s, planks = two_planks(3)
    silent = time_s > 40.0 * HOUR_S
    said = np.where(silent, np.nan, planks[:, 0])
    still = np.full(time_s.size, 20.0)
    series = climate_series(
        time_s,
        300.0,
        [PointColumn("bow", still, 0.3)],
        [PointColumn("bow", still + 30.0, 3.0)],
        [PointColumn("shade", said, 0.5), PointColumn("sun", planks[:, 1], 0.5)],
    )
    history = temperature_history(series, 0.5, 0.3, 2100.0)
    low, _ = series.known(LimitName.SURFACE_TEMP_MIN)
    assert history.coldest_c == pytest.approx(low)
    assert (low[silent] <= planks[silent, 0]).mean() >= 0.99
    assert history.said is not None
    assert history.said.coldest_c[silent].tolist() == planks[silent, 1].tolist()
    margin_k, _ = series.known(LimitName.DEW_MARGIN_MIN)
    assert (margin_k[silent] < series.values[LimitName.DEW_MARGIN_MIN][silent]).all()


def lagged(time_s: np.ndarray, air_c: np.ndarray, lag_s: float, first_c: float) -> np.ndarray:
    """A body that is warmed and cooled by the air alone: Newton's law of cooling, exact between
    two instants where the air stays."""
    hull = [first_c]
    for step_s, air in zip(np.diff(time_s), air_c[:-1], strict=True):
        hull.append(air + (hull[-1] - air) * float(np.exp(-step_s / lag_s)))
    return np.array(hull)


@pytest.mark.parametrize("back", [True, False], ids=["back", "for ever"])
@pytest.mark.parametrize("lag_s", [900.0, 2400.0, 7200.0, 13_000.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_silent_hull_that_follows_its_air_stays_within_what_is_known_of_it(
    seed: int, lag_s: float, *, back: bool
) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 60.0 * HOUR_S, 30.0)
    swing = np.where(time_s > 30.0 * HOUR_S, rng.uniform(8.0, 20.0), 0.5)
    air_c = 18.0 + swing * np.sin((time_s / HOUR_S - 30.0) * rng.uniform(0.3, 1.5))
    hull_c = lagged(time_s, air_c, lag_s, 18.0)
    silent = (time_s > 31.0 * HOUR_S) & ((time_s < 50.0 * HOUR_S) | (not back))
    said = np.where(silent, np.nan, hull_c)
    for upper, sign in ((True, 1.0), (False, -1.0)):
        edge = edge_of(time_s, said, MAX_GAP_S, upper=upper, now_s=float(time_s[-1]), around=air_c)
        room_k = sign * (np.interp(time_s, edge.time_s, edge.value) - hull_c)
        # What the air does within five minutes is not looked at.
        assert room_k[silent].min() > -0.1
        alone = edge_of(time_s, said, MAX_GAP_S, upper=upper, now_s=float(time_s[-1]))
        more_k = sign * (
            np.interp(time_s, edge.time_s, edge.value)
            - np.interp(time_s, alone.time_s, alone.value)
        )
        assert more_k.min() > -1e-9, "the air can only widen"
        assert np.abs(more_k[~silent]).max() < 1e-9, "a hull that speaks is not touched"


def test_a_hull_that_was_quiet_for_a_day_and_fell_silent_may_be_as_hot_as_its_air() -> None:
    time_s = np.arange(0.0, 34.0 * HOUR_S, 60.0)
    hull_c = np.where(time_s > 28.0 * HOUR_S, np.nan, 20.0)
    air_c = np.where(time_s > 29.0 * HOUR_S, 37.0, 20.0)
    edge = edge_of(time_s, hull_c, MAX_GAP_S, upper=True, now_s=34.0 * HOUR_S, around=air_c)
    # Six time constants of the quickest hull after the step; own record: 3 K at the most.
    assert np.interp(30.0 * HOUR_S, edge.time_s, edge.value) == pytest.approx(37.0, abs=0.1)
    low = edge_of(time_s, hull_c, MAX_GAP_S, upper=False, now_s=34.0 * HOUR_S, around=air_c)
    assert np.interp(34.0 * HOUR_S, low.time_s, low.value) == pytest.approx(17.0, abs=0.1)


def test_a_probe_never_seen_beside_the_other_is_drawn_by_the_air_as_one_alone() -> None:
    time_s = np.arange(0.0, 10.0 * HOUR_S, 300.0)
    early = np.where(time_s < 4.0 * HOUR_S, 12.0, np.nan)
    late = np.where(time_s >= 4.0 * HOUR_S, 20.0, np.nan)
    said = np.column_stack([early, late])
    air_c = np.where(time_s < 5.0 * HOUR_S, 12.0, 30.0)
    low, high = with_silences(time_s, said, said, TEMPERATURE, around=(air_c, air_c))
    assert high[-1, 0] == pytest.approx(30.0, abs=0.1)
    assert low[-1, 0] == pytest.approx(12.0 - 3.0, abs=0.1)


@pytest.mark.parametrize("lags_s", [(14_400.0, 600.0), (600.0, 14_400.0), (7200.0, 1800.0)])
@pytest.mark.parametrize("rise_k", [15.0, -12.0])
def test_air_narrows_nothing_of_a_silent_hull_beside_a_lighter_or_a_heavier_one(
    rise_k: float, lags_s: tuple[float, float]
) -> None:
    """Newton's law of cooling: a heavy keel stays behind a thin sheet, which goes with the air."""
    time_s = np.arange(0.0, 60.0 * HOUR_S, 300.0)
    hours = time_s / HOUR_S
    air_c = 12.0 + 2.0 * np.sin(2.0 * np.pi * hours / 24.0)
    air_c += rise_k * np.exp(-(((hours - 33.0) / 2.5) ** 2))
    truth = np.column_stack([lagged(time_s, air_c, lag_s, 12.0) for lag_s in lags_s])
    said = truth.copy()
    said[hours > 27.0, 0] = np.nan
    low, high = with_silences(time_s, said, said, TEMPERATURE, around=(air_c, air_c))
    alone = with_silences(time_s, said, said, TEMPERATURE)
    assert (low <= alone[0] + 1e-9).all()
    assert (high >= alone[1] - 1e-9).all()
    assert (low - truth).max() < 0.1
    assert (truth - high).max() < 0.1
