"""Whether a value is believed; the figures are common practice, no source."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.faults import DEFAULT_RULES, FaultJudge, PointWatch
from sensors.reading import Quality, Quantity, Reading


def reading(
    value: float, time_s: float, quantity: Quantity = Quantity.AIR_TEMP, point: str = "bow"
) -> Reading:
    quality = Quality.MISSING if math.isnan(value) else Quality.OK
    return Reading("tunnel", point, quantity, time_s, value, quality, time_s)


def watch(quantity: Quantity = Quantity.AIR_TEMP) -> PointWatch:
    return PointWatch(quantity, DEFAULT_RULES[quantity])


def qualities(
    values: list[float], quantity: Quantity = Quantity.AIR_TEMP, every_s: float = 60.0
) -> list[list[Quality]]:
    point = watch(quantity)
    return [
        [each.quality for each in point.judge(reading(value, k * every_s, quantity))]
        for k, value in enumerate(values)
    ]


@pytest.mark.parametrize(
    ("rh_pct", "quality", "used"),
    [
        (100.0, Quality.OK, 100.0),
        (100.4, Quality.OK, 100.0),
        (103.0, Quality.OK, 100.0),
        (103.1, Quality.IMPLAUSIBLE, 103.1),
        (1.0, Quality.IMPLAUSIBLE, 1.0),
        (0.6, Quality.IMPLAUSIBLE, 0.6),
        (0.0, Quality.IMPLAUSIBLE, 0.0),
        (-5.0, Quality.IMPLAUSIBLE, -5.0),
        (1.1, Quality.OK, 1.1),
    ],
)
def test_humidity_at_its_ends(rh_pct: float, quality: Quality, used: float) -> None:
    (found,) = watch(Quantity.HUMIDITY).judge(reading(rh_pct, 0.0, Quantity.HUMIDITY))
    assert (found.quality, found.value) == (quality, used)


@pytest.mark.parametrize("value", [-40.1, 60.1, 85.0, -127.0, math.inf])
def test_air_out_of_range_is_implausible(value: float) -> None:
    (found,) = watch().judge(reading(value, 0.0))
    assert found.quality is Quality.IMPLAUSIBLE


def test_a_single_spike_is_kept_as_one_and_the_next_is_ok() -> None:
    assert qualities([20, 20, 35, 20]) == [["ok"], ["ok"], ["spike"], ["ok"]]


def test_a_second_like_it_confirms_a_jump_from_the_first_on() -> None:
    assert qualities([20, 20, 30, 30.5, 30]) == [["ok"], ["ok"], ["spike"], ["ok", "ok"], ["ok"]]


def test_a_confirmation_must_come_within_two_intervals() -> None:
    point = watch()
    for k in range(5):
        point.judge(reading(20.0, 60.0 * k))
    assert point.judge(reading(30.0, 300.0))[0].quality is Quality.SPIKE
    late = point.judge(reading(30.0, 300.0 + 121.0))
    assert [each.quality for each in late] == [Quality.SPIKE]


def test_a_jump_right_after_the_first_reading_is_confirmed_by_the_next() -> None:
    assert qualities([50, 95, 95], Quantity.HUMIDITY) == [["ok"], ["spike"], ["ok", "ok"]]


def test_two_different_spikes_confirm_nothing() -> None:
    assert qualities([20, 20, 35, -5, 20]) == [["ok"], ["ok"], ["spike"], ["spike"], ["ok"]]


def test_a_change_inside_the_rate_limit_acts_at_once() -> None:
    assert qualities([20, 22.9, 25.8]) == [["ok"], ["ok"], ["ok"]]


def test_a_slow_point_may_have_moved_far() -> None:
    assert qualities([20, 35], every_s=600.0) == [["ok"], ["ok"]]


def test_usual_interval_sets_how_long_a_value_counts() -> None:
    def age_s(every_s: float) -> float:
        point = watch()
        for k in range(6):
            point.judge(reading(20.0 + 0.01 * k, every_s * k))
        return point.max_age_s()

    assert watch().max_age_s() == 90.0
    assert age_s(10.0) == 90.0
    assert age_s(60.0) == 180.0
    assert age_s(600.0) == 1800.0
    assert age_s(1800.0) == 2100.0
    fixed = PointWatch(Quantity.AIR_TEMP, replace(DEFAULT_RULES[Quantity.AIR_TEMP], max_age_s=45.0))
    assert fixed.max_age_s() == 45.0


def test_a_slow_points_usual_change_widens_the_guard() -> None:
    point = watch()
    for k in range(6):
        point.judge(reading(20.0 + 0.5 * k, 600.0 * k))
    assert point.usual_change() == pytest.approx(0.5)
    quick = watch()
    for k in range(6):
        quick.judge(reading(20.0 + 0.5 * k, 300.0 * k))
    assert quick.usual_change() == 0.0


def judge_of(*keys: tuple[str, Quantity]) -> FaultJudge:
    return FaultJudge({key: DEFAULT_RULES[key[1]] for key in keys})


def test_stuck_needs_an_hour_and_a_neighbour_that_moved() -> None:
    judge = judge_of(("bow", Quantity.AIR_TEMP), ("plank", Quantity.SURFACE_TEMP))
    found = []
    for minute in range(200):
        judge.judge(reading(24.0 - 0.05 * minute, 60.0 * minute))
        plank = reading(15.31, 60.0 * minute, Quantity.SURFACE_TEMP, "plank")
        found.append(judge.judge(plank)[-1].quality)
    first = found.index(Quality.DOUBTED)
    assert 160 <= first <= 165, "the air has moved 8 K after 160 minutes"
    assert set(found[first:]) == {Quality.DOUBTED}


def test_a_calm_room_is_not_stuck() -> None:
    judge = judge_of(("bow", Quantity.AIR_TEMP), ("plank", Quantity.SURFACE_TEMP))
    for minute in range(600):
        assert judge.judge(reading(20.0, 60.0 * minute))[0].quality is Quality.OK
        plank = reading(19.0, 60.0 * minute, Quantity.SURFACE_TEMP, "plank")
        assert judge.judge(plank)[0].quality is Quality.OK


def test_a_stuck_probe_that_moves_with_the_air_again_is_ok() -> None:
    judge = judge_of(("bow", Quantity.AIR_TEMP), ("plank", Quantity.SURFACE_TEMP))
    for minute in range(240):
        judge.judge(reading(24.0 - 0.05 * minute, 60.0 * minute))
        stands = 15.31 if minute < 180 else 15.31 - 0.1 * (minute - 180)
        plank = judge.judge(reading(stands, 60.0 * minute, Quantity.SURFACE_TEMP, "plank"))
        if minute == 179:
            assert plank[0].quality is Quality.DOUBTED
    assert plank[0].quality is Quality.OK


def test_wet_needs_half_an_hour_and_a_drier_neighbour() -> None:
    judge = judge_of(("bow", Quantity.HUMIDITY), ("stern", Quantity.HUMIDITY))
    found = []
    for minute in range(40):
        judge.judge(reading(70.0, 60.0 * minute, Quantity.HUMIDITY, "stern"))
        bow = reading(98.0, 60.0 * minute, Quantity.HUMIDITY, "bow")
        found.append(judge.judge(bow)[0].quality)
    assert found == [Quality.OK] * 30 + [Quality.WET] * 10


def test_a_wet_night_everywhere_is_no_wet_probe() -> None:
    judge = judge_of(("bow", Quantity.HUMIDITY), ("stern", Quantity.HUMIDITY))
    for minute in range(90):
        for point in ("stern", "bow"):
            each = reading(99.0, 60.0 * minute, Quantity.HUMIDITY, point)
            assert judge.judge(each)[0].quality is Quality.OK


def test_what_says_nothing_usable_is_missing_at_once_and_the_next_value_counts() -> None:
    assert qualities([20, 20, math.nan, 20]) == [["ok"], ["ok"], ["missing"], ["ok"]]


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=60))
def test_nothing_out_of_range_is_ever_ok(values: list[float]) -> None:
    for quantity in Quantity:
        rules = DEFAULT_RULES[quantity]
        point = watch(quantity)
        for k, value in enumerate(values):
            for found in point.judge(reading(value, 30.0 * k, quantity)):
                if found.quality is Quality.OK:
                    assert rules.low <= found.value <= rules.high


@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from([0.0, 1.0, 10.0, 10.0, 10.0, 31.0, 60.0, 400.0, 700.0]),
            st.sampled_from([0.0, 0.1, -0.2, 0.9, 1.5, -6.0, 40.0, math.nan, math.inf]),
            st.sampled_from([Quality.OK] * 5 + [Quality.RETAINED, Quality.STALE]),
        ),
        max_size=60,
    ),
    quantity=st.sampled_from([Quantity.AIR_TEMP, Quantity.HUMIDITY]),
    start=st.sampled_from([0.9, 20.0, 59.5, 97.8, 102.0]),
)
def test_what_plainly_nothing_speaks_against_is_taken_in_as_by_judging(
    steps: list[tuple[float, float, Quality]], quantity: Quantity, start: float
) -> None:
    # The reference is the same watch that judges every reading.
    shortly, whole = watch(quantity), watch(quantity)
    value, time_s = start, 1_800_000_000.0
    for every_s, change, quality in steps:
        time_s += every_s
        now = value + change
        if math.isfinite(now):
            value = now
        came = replace(reading(now, time_s, quantity), quality=quality)
        found = [came] if shortly.believes(came) else shortly.judge(came)
        assert repr(found) == repr(whole.judge(came))
        assert shortly.last == whole.last
        assert shortly.max_age_s() == whole.max_age_s()
        assert shortly.usual_interval_s() == whole.usual_interval_s()
        assert shortly.usual_change() == whole.usual_change()
        assert shortly.saturated_since_s == whole.saturated_since_s
