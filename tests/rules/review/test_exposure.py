"""Times inside, near and beyond a bound, against sums done by hand and an independent dew point."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.climate import AssumedSurface, PointValue, climate_of
from rules.limits import RecentMedian, judge
from rules.review.climate_arrays import PointColumn, climate_series, temperature_history
from rules.review.exposure import ClimateSeries, beyond, limit_times
from rules.spec.model import Limit
from rules.vocabulary import LimitName, LimitState, Stage, Step

HOUR = 3600.0


def series_of(margins_k: list[float], step_s: float = HOUR, guard: float = 0.0) -> ClimateSeries:
    values = np.array(margins_k)
    return ClimateSeries(
        time_s=np.arange(values.size) * step_s,
        step_s=step_s,
        values={LimitName.DEW_MARGIN_MIN: values},
        guards={LimitName.DEW_MARGIN_MIN: np.full(values.size, guard)},
        complete={LimitName.DEW_MARGIN_MIN: np.isfinite(values)},
    )


def test_a_night_summed_by_hand() -> None:
    # 6 h: 5 K, 4 K, 2.5 K, 1 K, -0.5 K, 3.5 K over the dew point; bound 3 K. Short of it by 0.5,
    # 2 and 3.5 K for an hour each: 6 K h.
    night = series_of([5.0, 4.0, 2.5, 1.0, -0.5, 3.5], guard=0.8)
    found = limit_times(night, LimitName.DEW_MARGIN_MIN, Stage.CURE, 3.0, 0.0, 6 * HOUR)
    assert found.broken_s == 3 * HOUR
    assert found.ok_s == 2 * HOUR
    assert found.near_s == 1 * HOUR  # 3.5 K is inside by less than the guard
    assert found.unknown_s == 0.0
    assert found.beyond.exposure == pytest.approx(6.0)
    assert found.beyond.worst == -0.5
    assert found.beyond.worst_s == 4 * HOUR
    assert found.beyond.clear_s == 2 * HOUR  # 2.5 K is beyond by less than the guard
    assert (found.beyond.first_s, found.beyond.last_s) == (2 * HOUR, 5 * HOUR)


def test_only_the_covered_part_of_a_cell_counts() -> None:
    night = series_of([5.0, 1.0, 5.0])
    found = limit_times(night, LimitName.DEW_MARGIN_MIN, Stage.CURE, 3.0, 1.25 * HOUR, 1.75 * HOUR)
    assert found.broken_s == 0.5 * HOUR
    assert found.beyond.exposure == pytest.approx(1.0)
    assert found.ok_s == found.near_s == found.unknown_s == 0.0


def test_time_outside_the_log_and_silent_points_are_unknown() -> None:
    night = series_of([5.0, math.nan, 5.0])
    found = limit_times(night, LimitName.DEW_MARGIN_MIN, Stage.CURE, 3.0, 0.0, 5 * HOUR)
    assert found.unknown_s == 3 * HOUR
    assert found.unknown == ((1 * HOUR, 2 * HOUR), (3 * HOUR, 5 * HOUR))
    assert found.ok_s == 2 * HOUR


def test_a_bound_from_above_counts_the_other_way() -> None:
    rh = np.array([70.0, 90.0, 95.0])
    found = beyond(np.arange(3) * HOUR, rh, np.full(3, HOUR), 85.0, upper=True, unit="%", guard=6.0)
    assert (found.beyond_s, found.exposure, found.worst) == (2 * HOUR, 15.0, 95.0)
    assert found.clear_s == HOUR


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.floats(-5.0, 10.0), st.just(math.nan)), min_size=1, max_size=30),
    st.floats(-3.0, 40.0),
    st.floats(0.0, 40.0),
    st.floats(0.0, 3.0),
)
def test_the_four_states_always_fill_the_span(
    margins_k: list[float], start_h: float, hours: float, guard: float
) -> None:
    from_s, to_s = start_h * HOUR, (start_h + hours) * HOUR
    found = limit_times(
        series_of(margins_k, guard=guard), LimitName.DEW_MARGIN_MIN, Stage.CURE, 3.0, from_s, to_s
    )
    total = found.ok_s + found.near_s + found.broken_s + found.unknown_s
    assert total == pytest.approx(to_s - from_s, abs=1e-3)
    assert sum(b - a for a, b in found.unknown) == pytest.approx(found.unknown_s, abs=0.1)
    assert found.beyond.exposure >= 0.0


def test_what_a_minutes_mean_hides_is_summed_by_hand() -> None:
    # Six readings a minute, at most 85 %. One minute of 80 80 80 80 80 90: mean 81.67, one reading
    # in six is 5 % over, 5/6 %min. One of 84 86 86 86 86 86: over by its mean, 5/6 %min too. One
    # of 80 throughout.
    raw = np.array([[80.0] * 5 + [90.0], [84.0] + [86.0] * 5, [80.0] * 6])
    series = ClimateSeries(
        time_s=np.arange(3) * 60.0,
        step_s=60.0,
        values={LimitName.HUMIDITY_MAX: raw.mean(axis=1)},
        complete={LimitName.HUMIDITY_MAX: np.ones(3, dtype=bool)},
        lowest={LimitName.HUMIDITY_MAX: raw.min(axis=1)},
        highest={LimitName.HUMIDITY_MAX: raw.max(axis=1)},
    )
    found = limit_times(series, LimitName.HUMIDITY_MAX, Stage.CURE, 85.0, 0.0, 180.0)
    assert (found.broken_s, found.beyond.partly_s, found.ok_s) == (60.0, 60.0, 60.0)
    assert found.beyond.exposure == pytest.approx((5 / 6 + 5 / 6) / 60.0)
    assert (found.beyond.worst, found.beyond.worst_s) == (90.0, 0.0)
    assert (found.beyond.first_s, found.beyond.last_s) == (0.0, 120.0)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.lists(st.floats(60.0, 100.0), min_size=6, max_size=6), min_size=1, max_size=8),
    st.floats(65.0, 95.0),
    st.booleans(),
)
def test_no_excursion_is_lost_or_lessened_by_thinning(
    minutes: list[list[float]], bound: float, upper: bool
) -> None:
    raw = np.array(minutes)
    whole = beyond(
        np.arange(raw.size) * 10.0, raw.ravel(), np.full(raw.size, 10.0), bound,
        upper=upper, unit="%",
    )  # fmt: skip
    thinned = beyond(
        np.arange(len(raw)) * 60.0, raw.mean(axis=1), np.full(len(raw), 60.0), bound,
        upper=upper, unit="%", lowest=raw.min(axis=1), highest=raw.max(axis=1),
    )  # fmt: skip
    assert thinned.beyond_s + thinned.partly_s >= whole.beyond_s - 1e-6
    assert thinned.exposure >= whole.exposure - 1e-6
    assert thinned.worst == whole.worst
    assert (thinned.first_s is None) == (whole.first_s is None)


def magnus_dew_c(air_c: float, rh_pct: float) -> float:
    """WMO-No. 8, annex 4.B, inverted; within 0.05 K of the program's formula above 0 °C."""
    ln = math.log(rh_pct / 100.0) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * ln / (17.62 - ln)


def test_columns_pick_the_highest_dew_point_and_the_coldest_surface() -> None:
    time_s = np.array([0.0, 60.0])
    series = climate_series(
        time_s,
        60.0,
        airs=[PointColumn("bow", np.array([20.0, 20.0]), 0.3),
              PointColumn("stern", np.array([15.0, 15.0]), 0.3)],
        humidities=[PointColumn("bow", np.array([60.0, 60.0]), 3.0),
                    PointColumn("stern", np.array([75.0, 75.0]), 3.0)],
        surfaces=[PointColumn("port", np.array([16.0, math.nan]), 0.5),
                  PointColumn("stbd", np.array([17.0, 17.0]), 0.5)],
    )  # fmt: skip
    # 20 °C and 60 %: dew point 12.0; 15 °C and 75 %: 10.6 (WMO-No. 8 form). Bow is the wetter.
    assert magnus_dew_c(20.0, 60.0) > magnus_dew_c(15.0, 75.0)
    margin = series.values[LimitName.DEW_MARGIN_MIN]
    assert margin[0] == pytest.approx(16.0 - magnus_dew_c(20.0, 60.0), abs=0.05)
    assert margin[1] == pytest.approx(17.0 - magnus_dew_c(20.0, 60.0), abs=0.05)
    assert series.complete[LimitName.DEW_MARGIN_MIN].tolist() == [True, False]
    assert series.values[LimitName.HUMIDITY_MAX].tolist() == [75.0, 75.0]


def test_no_margin_of_a_minute_was_less_than_its_lowest() -> None:
    # Every reading of a minute with every other: WMO-No. 8 form, within 0.05 K above 0 °C.
    airs, rhs, planks = [19.8, 20.0, 20.4], [62.0, 70.0, 65.0], [15.9, 16.1, 16.0]
    margins = [p - magnus_dew_c(a, r) for a in airs for r in rhs for p in planks]

    def column(point: str, values: list[float], accuracy: float) -> PointColumn:
        low, mean, high = min(values), float(np.mean(values)), max(values)
        one = [np.array([x]) for x in (mean, low, high)]
        return PointColumn(point, one[0], accuracy, lows=one[1], highs=one[2])

    series = climate_series(
        np.array([0.0]), 60.0, [column("bow", airs, 0.3)], [column("bow", rhs, 3.0)],
        [column("port", planks, 0.5)],
    )  # fmt: skip
    name = LimitName.DEW_MARGIN_MIN
    assert series.lowest[name][0] == pytest.approx(min(margins), abs=0.05)
    assert series.highest[name][0] == pytest.approx(max(margins), abs=0.05)
    assert series.lowest[name][0] < series.values[name][0] < series.highest[name][0]
    assert series.lowest[LimitName.HUMIDITY_MAX][0] == 62.0
    assert series.highest[LimitName.SURFACE_TEMP_MIN][0] == 16.1


def _judged_both_ways(
    sensed: list[PointValue], assumed: AssumedSurface | None, bounds: dict[LimitName, float]
) -> list[tuple[LimitState, LimitState]]:
    """What the live call and a look back say of each limit, from the same values."""
    climate = climate_of(sensed, "hull", 0.0, assumed)
    series = climate_series(
        np.array([0.0]),
        60.0,
        *(
            [
                PointColumn(each.point, np.array([each.value]), each.accuracy,
                            shared_element=each.shared_element)
                for each in sensed
                if each.quantity == quantity
            ]
            for quantity in ("air_temp", "humidity", "surface_temp")
        ),
        assumed_offset_k=None if assumed is None else assumed.offset_k,
        assumed_accuracy_k=2.0 if assumed is None else assumed.accuracy_k,
    )  # fmt: skip
    limits = {name: Limit(name, bound, Step.CURED) for name, bound in bounds.items()}
    found = []
    for judged in judge(climate, limits, RecentMedian()):
        times = limit_times(series, judged.name, Stage.APPLY, judged.bound, 0.0, 60.0)
        spent = {
            LimitState.OK: times.ok_s,
            LimitState.NEAR: times.near_s,
            LimitState.BROKEN: times.broken_s,
            LimitState.UNKNOWN: times.unknown_s,
        }
        found.append((judged.state, max(spent, key=lambda state: spent[state])))
    return found


_BOUNDS = {
    LimitName.DEW_MARGIN_MIN: 3.0,
    LimitName.HUMIDITY_MAX: 80.0,
    LimitName.HUMIDITY_MIN: 40.0,
    LimitName.SURFACE_TEMP_MIN: 10.0,
    LimitName.SURFACE_TEMP_MAX: 30.0,
    LimitName.AIR_TEMP_MAX: 30.0,
}


@given(
    st.lists(
        st.tuples(st.floats(5.0, 33.0), st.floats(35.0, 90.0), st.floats(0.1, 0.5),
                  st.floats(1.0, 5.0)),
        min_size=1, max_size=3,
    ),
    st.lists(st.tuples(st.floats(8.0, 32.0), st.floats(0.1, 2.0), st.booleans()), max_size=5),
    st.booleans(),
)  # fmt: skip
def test_a_look_back_judges_as_the_call_did(
    bodies: list[tuple[float, float, float, float]],
    planks: list[tuple[float, float, bool]],
    assume: bool,
) -> None:
    # Decided at the program's own bounds; the two forms of the law are held against each other.
    sensed = []
    for k, (air_c, rh_pct, air_a, rh_a) in enumerate(bodies):
        sensed.append(PointValue(f"body-{k}", "air_temp", None, air_c, "ok", air_a))
        sensed.append(PointValue(f"body-{k}", "humidity", None, rh_pct, "ok", rh_a))
    for k, (surface_c, accuracy, shared) in enumerate(planks):
        name = f"body-{k}" if shared and k < len(bodies) else f"plank-{k}"
        sensed.append(
            PointValue(name, "surface_temp", None, surface_c, "ok", accuracy, shared_element=shared)
        )
    assumed = AssumedSurface(-0.5, 2.0) if assume else None
    for now, then in _judged_both_ways(sensed, assumed, _BOUNDS):
        assert now is then


def test_an_assumed_surface_widens_the_guard_as_in_a_call() -> None:
    sensed = [
        PointValue("bow", "air_temp", None, 20.0, "ok", 0.3),
        PointValue("bow", "humidity", None, 70.0, "ok", 3.0),
    ]
    climate = climate_of(sensed, "all", 0.0, AssumedSurface(-0.5, 2.0))
    series = climate_series(
        np.array([0.0]), 60.0,
        [PointColumn("bow", np.array([20.0]), 0.3)],
        [PointColumn("bow", np.array([70.0]), 3.0)],
        [], assumed_offset_k=-0.5, assumed_accuracy_k=2.0,
    )  # fmt: skip
    for name in (LimitName.DEW_MARGIN_MIN, LimitName.SURFACE_TEMP_MIN):
        (estimate,) = climate.estimates[name]
        assert series.values[name][0] == pytest.approx(estimate.value, abs=2e-3)
        assert series.guards[name][0] == pytest.approx(estimate.guard, abs=2e-3)


def test_impossible_humidity_gives_no_margin_and_no_crash() -> None:
    series = climate_series(
        np.array([0.0, 60.0]), 60.0,
        [PointColumn("bow", np.array([20.0, 20.0]), 0.3)],
        [PointColumn("bow", np.array([0.5, 60.0]), 3.0)],
        [PointColumn("port", np.array([18.0, 18.0]), 0.5)],
    )  # fmt: skip
    assert np.isnan(series.values[LimitName.DEW_MARGIN_MIN]).tolist() == [True, False]


def test_the_clocks_temperatures_have_the_first_cell_of_what_nobody_measured() -> None:
    series = climate_series(
        np.arange(4) * 60.0, 60.0, [], [],
        [PointColumn("port", np.array([18.0, math.nan, math.nan, 19.0]), 0.5)],
    )  # fmt: skip
    history = temperature_history(series, 0.5, 0.3, 300.0)
    assert history.time_s.tolist() == [30.0, 90.0, 210.0]
    assert history.coldest_c.tolist() == pytest.approx([18.0, math.nan, 19.0], nan_ok=True)


@pytest.mark.parametrize("wet_pct", [88.0, 96.0])
def test_what_a_silent_probe_may_have_meant_is_possible_and_no_measured_worst(
    wet_pct: float,
) -> None:
    # The bow reads 5 % over the stern for a day, then falls silent for three hours while the stern
    # rises: it may have been past saturation, which no air is (definition of relative humidity).
    time_s = np.arange(0.0, 30 * HOUR, 60.0)
    stern = np.where(time_s < 25 * HOUR, 60.0, wet_pct)
    silent = (time_s >= 25 * HOUR) & (time_s < 28 * HOUR)
    bow = np.where(silent, np.nan, stern + 3.0)
    air, hull = np.full(time_s.size, 20.0), np.full(time_s.size, 20.0)
    series = climate_series(
        time_s,
        60.0,
        [PointColumn("bow", air, 0.3), PointColumn("stern", air, 0.3)],
        [PointColumn("bow", bow, 3.0), PointColumn("stern", stern, 3.0)],
        [PointColumn("port", hull, 0.5)],
    )
    name = LimitName.HUMIDITY_MAX
    assert np.nanmax(series.highest[name]) <= 100.0
    found = limit_times(series, name, Stage.FLASH, 80.0, 25 * HOUR, 28 * HOUR).beyond
    assert found.worst == wet_pct
    assert found.possible is not None
    assert wet_pct < found.possible <= 100.0
    assert found.possible_s is not None
    assert 25 * HOUR <= found.possible_s < 28 * HOUR
    # The margin of such a minute is no more than that of saturated air at 20 °C on a hull of 20 °C.
    lowest = series.lowest[LimitName.DEW_MARGIN_MIN][silent]
    assert np.isfinite(lowest).all()
    if found.possible == 100.0:
        assert lowest.min() == pytest.approx(0.0, abs=0.01)


def test_what_was_doubted_is_possible_where_nothing_was_believed() -> None:
    # A hull of 20 °C whose only probe says 37.7 °C for two hours and is doubted: by its own past it
    # cannot have gone past 35 °C, but by its own word it has.
    time_s = np.arange(0.0, 30 * HOUR, 60.0)
    heat = (time_s >= 26 * HOUR) & (time_s < 28 * HOUR)
    believed = np.where(time_s < 25 * HOUR, 20.0, np.nan)
    said = np.where(heat, 37.7, 20.0)
    hull = PointColumn("port", believed, 0.5, doubted=np.where(np.isnan(believed), said, np.nan))
    air = PointColumn("bow", np.full(time_s.size, 20.0), 0.3)
    rh = PointColumn("bow", np.full(time_s.size, 50.0), 3.0)
    name = LimitName.SURFACE_TEMP_MAX
    series = climate_series(time_s, 60.0, [air], [rh], [hull])
    assert np.isnan(series.values[name][heat]).all()
    assert series.known(name)[1][heat].max() < 35.0
    low, high = series.possible(name)
    assert high[heat].min() == 37.7
    assert low[heat].max() <= 20.0
    measured = np.isfinite(series.values[name])
    assert (high[measured] == 20.0).all()
    # The air stays believed, so that the margin's end goes by the doubted hull too.
    margin_k = series.possible(LimitName.DEW_MARGIN_MIN)[1]
    assert margin_k[heat].min() >= 37.7 - magnus_dew_c(20.0, 50.0) - 0.05
