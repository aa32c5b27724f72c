"""The time law and its integral, against ASTM C1074's equivalent age, Q10 and scipy."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from rules.clocks.history import Course, TemperatureHistory, course_of
from rules.clocks.progress import progress
from rules.errors import ImplausibleReading, SpecFault
from rules.rate import RateLaw, SafeSide, rate_law
from rules.spec.model import TimeRow, TimeTable
from tests.tables_reader import rows

H = 3600.0


def table(*rows: tuple[float, float]) -> TimeTable:
    return TimeTable(tuple(TimeRow(c, s) for c, s in rows))


def arrhenius_table(ea_kj: float, reference_c: float, whole_s: float, gas: float) -> TimeTable:
    """Two rows that any Arrhenius law passes through, far outside the profiles' temperatures."""

    def at(temp_c: float) -> float:
        step = 1.0 / (temp_c + 273.15) - 1.0 / (reference_c + 273.15)
        return whole_s * math.exp(ea_kj * 1000.0 / gas * step)

    return table((-10.0, at(-10.0)), (50.0, at(50.0)))


def profile(name: str) -> tuple[np.ndarray, np.ndarray]:
    """The temperature profiles of REFERENCES 3.5; [s], [degC]."""
    if name == "steps":  # 2 h at 10, 3 h at 15, 4 h at 20, 2 h at 25, 1 h at 30
        edges = np.cumsum([0, 2, 3, 4, 2, 1]) * H
        temps = [10.0, 15.0, 20.0, 25.0, 30.0]
        time = np.repeat(edges, 2)[1:-1]
        return time, np.repeat(temps, 2)
    if name == "ramp":  # 5 to 35 degC in 12 h
        time = np.linspace(0.0, 12 * H, 721)
        return time, 5.0 + 30.0 * time / (12 * H)
    if name == "ramp-hourly":
        time = np.linspace(0.0, 12 * H, 13)
        return time, 5.0 + 30.0 * time / (12 * H)
    if name == "sine":  # 15 +- 8 degC over a day
        time = np.linspace(0.0, 24 * H, 1441)
        return time, 15.0 + 8.0 * np.sin(2.0 * math.pi * time / (24 * H))
    raise AssertionError(name)


@pytest.mark.parametrize("row", rows("equivalent_age"), ids=lambda r: r["case"])
def test_equivalent_age_as_astm_c1074(row: dict[str, str]) -> None:
    time, temp = profile(row["profile"])
    whole = 1000.0 * H  # far from ending, so that the share done tells the equivalent age
    sheet = arrhenius_table(
        float(row["ea_kj_per_mol"]), float(row["reference_c"]), whole, float(row["gas"])
    )
    law = rate_law(sheet, SafeSide.OPENS)
    came = progress(law, course_of(time, temp, 0.0, 24 * H, upper=False), 0.0, float(time[-1]))
    want_h = float(row["equivalent_h"])
    assert came.done * 1000.0 == pytest.approx(want_h, abs=float(row["tolerance_h"]))


@pytest.mark.parametrize("row", rows("arrhenius_rates"), ids=lambda r: r["case"])
def test_rate_relative_to_20_c(row: dict[str, str]) -> None:
    law = rate_law(arrhenius_table(float(row["ea_kj_per_mol"]), 20.0, H, 8.314), SafeSide.OPENS)
    ratio = law.rate(float(row["temp_c"])) / law.rate(float(row["reference_c"]))
    assert ratio == pytest.approx(float(row["ratio"]), abs=float(row["tolerance"]))


def test_a_table_that_doubles_each_ten_degrees_follows_q10_within_its_rows() -> None:
    # Q10 = 2: common practice, no source. Rows every 10 K lie on it exactly; between them the
    # Arrhenius chord departs from it by (5 K)^2-order terms, under 1 % of the time.
    law = rate_law(table((0, 16 * H), (10, 8 * H), (20, 4 * H), (30, 2 * H)), SafeSide.OPENS)
    for temp_c in np.arange(0.0, 30.1, 2.5):
        q10 = 4 * H * 2.0 ** ((20.0 - temp_c) / 10.0)
        assert law.time_s(float(temp_c)) == pytest.approx(q10, rel=0.01)
    time, temp = profile("steps")
    came = progress(law, course_of(time, temp, 0.0, 24 * H, upper=False), 0.0, 3 * H)
    assert came.done == pytest.approx(2 / 8 + 1 / (4 * math.sqrt(2)), rel=0.01)


SHEET = table((5.0, 30 * H), (12.0, 17 * H), (20.0, 9 * H), (30.0, 5.5 * H))


@pytest.mark.parametrize("lean", list(SafeSide))
@pytest.mark.parametrize(("low", "high"), [(2.0, 38.0), (13.0, 19.0), (33.0, 8.0), (-4.0, 4.0)])
def test_integral_agrees_with_scipy_across_rows_and_edges(
    lean: SafeSide, low: float, high: float
) -> None:
    """scipy's adaptive quadrature of the rate, temperature running evenly in time."""
    law = rate_law(SHEET, lean)
    time = np.linspace(0.0, 6 * H, 361)
    temp = low + (high - low) * time / time[-1]
    came = progress(law, course_of(time, temp, 0.0, 120.0, upper=False), 0.0, float(time[-1]))
    kinks = [
        (row.temp_c - low) / (high - low) * 6 * H
        for row in SHEET.rows
        if min(low, high) < row.temp_c < max(low, high)
    ]
    want, _ = quad(
        lambda t: law.rate(low + (high - low) * t / (6 * H)),
        0.0,
        6 * H,
        points=kinks or None,
        limit=200,
        epsabs=1e-12,
        epsrel=1e-10,
    )
    # One-minute samples of an even ramp; 1/T and T differ by under 1e-7 K in the middle.
    assert came.done == pytest.approx(want, rel=1e-6, abs=1e-12)


def test_end_inside_an_interval_agrees_with_scipy() -> None:
    law = rate_law(SHEET, SafeSide.OPENS)
    time = np.linspace(0.0, 24 * H, 289)
    temp = 14.0 + 9.0 * np.sin(time / (3 * H))
    came = progress(law, course_of(time, temp, 0.0, 900.0, upper=False), 1234.5, float(time[-1]))
    assert came.ended_at_s is not None

    def rate(t: float) -> float:
        return law.rate(float(np.interp(t, time, temp)))

    grid = time[(time > 1234.5) & (time < came.ended_at_s)]
    edges = [1234.5, *grid.tolist(), came.ended_at_s]
    total = sum(quad(rate, a, b, limit=100)[0] for a, b in itertools.pairwise(edges))
    assert total == pytest.approx(1.0, abs=2e-5)


def test_law_outside_its_table() -> None:
    opens, closes = rate_law(SHEET, SafeSide.OPENS), rate_law(SHEET, SafeSide.CLOSES)
    assert opens.time_s(4.99) == math.inf
    assert opens.time_s(45.0) == pytest.approx(5.5 * H)
    assert closes.time_s(-20.0) == pytest.approx(30 * H)
    # By hand: slope of the last two rows, ln(9/5.5) over 1/293.15 - 1/303.15 = 4376.6 K, is less
    # than 65 kJ/mol, 7817.7 K; 10 K more is 1/303.15 - 1/313.15 = 1.05339e-4, factor 0.43889.
    assert closes.time_s(40.0) / H == pytest.approx(5.5 * 0.43889, abs=0.001)


def test_one_row_opens_table_is_reckoned_down_to_the_application_minimum() -> None:
    sheet = TimeTable((TimeRow(20.0, 8 * H),), reckoned_to_c=10.0)
    law = rate_law(sheet, SafeSide.OPENS)
    # 65 kJ/mol over 10 to 20 degC: exp(65000/8.314462618 * 1.20473e-4) = 2.565 (by hand).
    assert law.time_s(10.0) / (8 * H) == pytest.approx(2.565, abs=0.002)
    assert law.time_s(9.9) == math.inf
    assert law.time_s(30.0) == pytest.approx(8 * H)


def test_one_row_closes_table_is_extrapolated_steeply() -> None:
    law = rate_law(table((20.0, 8 * H)), SafeSide.CLOSES)
    # 65 kJ/mol over 20 to 30 degC: exp(65000/8.314462618 * 1.12526e-4) = 2.410 (by hand).
    assert 8 * H / law.time_s(30.0) == pytest.approx(2.410, abs=0.002)
    assert law.time_s(10.0) == pytest.approx(8 * H)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        ((), "no rows"),
        (((10.0, 0.0),), "must be above 0"),
        (((10.0, math.nan),), "must be above 0"),
        (((20.0, 1.0), (10.0, 2.0)), "order its rows"),
        (((10.0, 1.0), (20.0, 2.0)), "times fall as it gets warmer"),
        (((-300.0, 1.0),), "no temperature"),
    ],
)
def test_tables_that_cannot_be_used_are_named(
    sheet: tuple[tuple[float, float], ...], words: str
) -> None:
    with pytest.raises(SpecFault, match=words):
        rate_law(table(*sheet), SafeSide.OPENS)


@pytest.mark.parametrize(
    ("time", "cold", "words"),
    [
        ([0.0, 2.0, 1.0], [1.0, 1.0, 1.0], "descend"),
        ([0.0, math.nan], [1.0, 1.0], "not finite"),
        ([0.0, 1.0], [1.0], "1 values for 2 times"),
        ([0.0, 1.0], [1.0, 900.0], "outside -100 to 200"),
    ],
)
def test_histories_that_cannot_be_used_are_named(
    time: list[float], cold: list[float], words: str
) -> None:
    series = np.array(cold)
    with pytest.raises(ImplausibleReading, match=words):
        TemperatureHistory(np.array(time), series, series)


# --- properties

temps = st.lists(st.floats(-15.0, 50.0), min_size=2, max_size=40)
steps = st.lists(st.floats(1.0, 1800.0), min_size=40, max_size=40)
laws = st.sampled_from(
    [SHEET, table((10.0, 9 * H)), table((10.0, 3 * H), (25.0, 3 * H)), table((5, 9e5), (30, 6e3))]
)


def series(values: list[float], gaps_s: list[float], shift: float = 0.0) -> Course:
    time = np.concatenate(([0.0], np.cumsum(gaps_s[: len(values) - 1])))
    return course_of(time, np.array(values), shift, 1800.0, upper=False)


@settings(max_examples=150, deadline=None)
@given(temps, steps, laws, st.sampled_from(list(SafeSide)), st.floats(0.0, 8.0))
def test_warmer_never_ends_a_clock_later(
    values: list[float], gaps_s: list[float], sheet: TimeTable, lean: SafeSide, warmer: float
) -> None:
    law = rate_law(sheet, lean)
    cool, warm = series(values, gaps_s), series(values, gaps_s, warmer)
    now = float(sum(gaps_s[: len(values) - 1]))
    one, other = (progress(law, s, 0.0, now) for s in (cool, warm))
    assert other.done >= one.done * (1.0 - 1e-9) or other.ended_at_s is not None
    if one.ended_at_s is not None:
        assert other.ended_at_s is not None
        assert other.ended_at_s <= one.ended_at_s + 1e-3


@settings(max_examples=150, deadline=None)
@given(temps, steps, laws, st.sampled_from(list(SafeSide)), st.floats(0.0, 1.0))
def test_splitting_a_history_in_two_changes_nothing(
    values: list[float], gaps_s: list[float], sheet: TimeTable, lean: SafeSide, share: float
) -> None:
    law = rate_law(sheet, lean)
    slow = RateLaw(  # a thousandth of the rate, so that no part reaches its end
        law.lean,
        law.coldest_c,
        law.hottest_c,
        law.knot_x,
        law.knot_rate / 1e3,
        law.slope,
        law.integral / 1e3,
    )
    whole = series(values, gaps_s)
    now = float(sum(gaps_s[: len(values) - 1]))
    split = now * share
    parts = [progress(slow, whole, a, b) for a, b in ((0.0, split), (split, now))]
    together = progress(slow, whole, 0.0, now)
    assert sum(p.done for p in parts) == pytest.approx(together.done, rel=1e-7, abs=1e-15)
    assert sum(p.measured_s for p in parts) == pytest.approx(together.measured_s)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(-3.0, 3.0), min_size=4, max_size=8),  # too few to learn another speed from
    steps,
    st.data(),
    st.sampled_from(list(SafeSide)),
)
def test_a_gap_never_helps_the_unsafe_side(
    moves: list[float], gaps_s: list[float], data: st.DataObject, lean: SafeSide
) -> None:
    """Nobody measured: an opens clock never ends sooner, a closes clock never later.

    What was missed may have moved as fast as a hull is taken to move, 6 K an hour and 15 K in all;
    for more nobody could vouch. A thousandth: -1/T runs evenly between nodes, not temperature.
    """
    law = rate_law(SHEET, lean)
    span_s = np.array(gaps_s[: len(moves) - 1])
    steps_k = np.clip(np.array(moves[1:]), -span_s / 600.0, span_s / 600.0)
    values = np.clip(20.0 + np.concatenate(([0.0], np.cumsum(steps_k))), 13.0, 27.0)
    time = np.concatenate(([0.0], np.cumsum(span_s)))
    a = data.draw(st.integers(1, len(moves) - 2))
    b = data.draw(st.integers(a, len(moves) - 2))
    upper = lean is SafeSide.CLOSES
    full = course_of(time, values, 0.0, 1800.0, upper=upper)
    keep = np.r_[0:a, b + 1 : len(moves)]
    holed = course_of(time[keep], values[keep], 0.0, 1800.0, upper=upper)
    if time[b + 1] - time[a - 1] <= 1800.0:
        return  # too short to be a gap at all
    now = float(time[-1])
    whole, less = progress(law, full, 0.0, now), progress(law, holed, 0.0, now)
    if lean is SafeSide.OPENS:
        assert less.done <= whole.done * 1.001 + 1e-9
        if less.ended_at_s is not None:
            assert whole.ended_at_s is not None
            assert less.ended_at_s >= whole.ended_at_s - 10.0
    else:
        assert less.done >= whole.done * 0.999 - 1e-9 or less.ended_at_s is not None
        if whole.ended_at_s is not None:
            assert less.ended_at_s is not None
            assert less.ended_at_s <= whole.ended_at_s + 10.0


# --- gaps and tails, integrated by scipy over an edge that is written down here anew


TEN_FIVE = table((20.0, 10 * H), (30.0, 5 * H))


def by_quad(law: RateLaw, temp_c: Callable[[float], float], kinks: list[float]) -> float:
    """The integral of the law's rate over a temperature, by scipy's adaptive quadrature."""
    return sum(
        quad(lambda s: law.rate(temp_c(s)), a, b, limit=200, epsabs=1e-12)[0]
        for a, b in itertools.pairwise(kinks)
    )


def test_a_gap_counts_at_the_edge_that_is_safe() -> None:
    # 30 degC, two hours unmeasured, 30 degC: too short a record to learn from, so 6 K an hour.
    time, temp = np.array([0.0, 0.1, 2.1, 2.2]) * H, np.full(4, 30.0)
    for lean, sign in ((SafeSide.OPENS, -1.0), (SafeSide.CLOSES, 1.0)):
        law = rate_law(TEN_FIVE, lean)
        came = progress(law, course_of(time, temp, 0.0, 600.0, upper=sign > 0.0), 0.0, 2.2 * H)
        expected = by_quad(
            law,
            lambda s, sign=sign: 30.0 + sign * 6.0 * max(0.0, min(s / H - 0.1, 2.1 - s / H)),
            [0.0, 0.1 * H, 1.1 * H, 2.1 * H, 2.2 * H],
        )
        # x runs evenly between nodes where temperature does: 0.01 K apart in the middle.
        assert came.done == pytest.approx(expected, rel=2e-3)
        assert (came.measured_s, came.unknown_s) == pytest.approx((0.2 * H, 2.0 * H))


def test_a_calm_day_before_a_gap_teaches_that_little_can_have_moved() -> None:
    law = rate_law(TEN_FIVE, SafeSide.OPENS)
    before = np.arange(0.0, 24.0 * H, 600.0)
    time = np.concatenate((before, [27.0 * H]))
    came = progress(
        law, course_of(time, np.full(time.size, 25.0), 0.0, 900.0, upper=False), 0.0, 1.0 * H
    )
    assert came.unknown_s == 0.0
    start = float(before[-1])
    came = progress(
        law, course_of(time, np.full(time.size, 25.0), 0.0, 900.0, upper=False), start, 27 * H
    )
    # Half a kelvin an hour is the least that is ever believed: 25 to 24.2 degC and back.
    half = 0.5 * (27 * H - start)
    expected = 2.0 * by_quad(law, lambda s: 25.0 - 0.5 * s / H, [0.0, half])
    assert came.done == pytest.approx(expected, rel=1e-4)


def test_a_silence_between_near_samples_is_a_gap_and_a_short_one_costs_little() -> None:
    law = rate_law(TEN_FIVE, SafeSide.OPENS)
    time = np.array([0.0, 0.1, 0.2, 0.4, 0.5]) * H
    silent = np.array([25.0, 25.0, math.nan, 25.0, 25.0])
    came = progress(law, course_of(time, silent, 0.0, H, upper=False), 0.0, 0.5 * H)
    assert came.unknown_s == pytest.approx(0.3 * H)
    assert 0.97 * law.rate(25.0) * 0.5 * H < came.done < law.rate(25.0) * 0.5 * H


def test_after_the_last_sample_the_clock_runs_on_at_its_edge_and_says_since_when() -> None:
    time, temp = np.array([0.0, 0.5, 1.0]) * H, np.full(3, 30.0)
    found = []
    for lean in (SafeSide.OPENS, SafeSide.CLOSES):
        law, upper = rate_law(TEN_FIVE, lean), lean is SafeSide.CLOSES
        fresh = progress(
            law, course_of(time, temp, 0.0, H, upper=upper, now_s=1.5 * H), 0.0, 1.5 * H
        )
        assert (fresh.blind_since_s, fresh.done) == (None, pytest.approx(0.3))
        blind = progress(law, course_of(time, temp, 0.0, H, upper=upper, now_s=3 * H), 0.0, 3 * H)
        assert blind.blind_since_s == H
        assert blind.unknown_s == pytest.approx(2 * H)
        sign = 1.0 if upper else -1.0
        expected = 0.2 + by_quad(law, lambda s, sign=sign: 30.0 + sign * 6.0 * s / H, [0.0, 2 * H])
        assert blind.done == pytest.approx(expected, rel=0.02)  # x runs evenly, as above
        found.append(blind.done)
    assert found[0] < 0.6 < found[1], "0.6 where it stayed at 30 degC"


@pytest.mark.parametrize("lean", SafeSide)
def test_of_a_probe_that_went_silent_nothing_counts_as_measured_after_its_last_word(
    lean: SafeSide,
) -> None:
    """Two samples within the gap that is let pass, and a row that tells of the silence.

    It widens by 6 K an hour, as `rules.known.TEMPERATURE` has it where the record teaches too
    little; the integral is scipy's.
    """
    law, upper = rate_law(TEN_FIVE, lean), lean is SafeSide.CLOSES
    time, temp = np.array([0.0, 0.9, 0.92]) * H, np.array([30.0, 30.0, math.nan])
    course = course_of(time, temp, 0.0, H, upper=upper, now_s=1.5 * H)
    came = progress(law, course, 0.0, 1.5 * H)
    assert came.blind_since_s == 0.9 * H
    assert (came.measured_s, came.unknown_s) == pytest.approx((0.9 * H, 0.6 * H))
    sign = 1.0 if upper else -1.0
    expected = 0.18 + by_quad(law, lambda s: 30.0 + sign * 6.0 * s / H, [0.0, 0.6 * H])
    assert came.done == pytest.approx(expected, rel=0.02)  # x runs evenly, as above
    begun = progress(law, course, 1.4 * H, 1.5 * H)
    assert begun.blind_since_s == 0.9 * H, "a clock that began in the silence says so too"


def test_closes_clock_without_any_temperature_ends_after_the_hottest_rows_time() -> None:
    law = rate_law(TEN_FIVE, SafeSide.CLOSES)
    nothing = course_of(np.empty(0), np.empty(0), 0.0, 600.0, upper=True)
    came = progress(law, nothing, 100.0, 100.0 + 9 * H)
    assert came.ended_at_s == pytest.approx(100.0 + 5 * H)
    assert progress(rate_law(SHEET, SafeSide.OPENS), nothing, 0.0, 9e9).done == 0.0


def test_start_before_the_first_sample_is_unmeasured_time() -> None:
    law = rate_law(TEN_FIVE, SafeSide.OPENS)
    time = np.array([2.0, 2.5, 3.0]) * H
    came = progress(law, course_of(time, np.full(3, 30.0), 0.0, H, upper=False), 0.0, 3 * H)
    expected = 0.2 + by_quad(law, lambda s: 30.0 - 6.0 * (2.0 - s / H), [0.0, H / 3, 2 * H])
    assert came.done == pytest.approx(expected, rel=0.02)  # x runs evenly, as above
    assert came.unknown_s == pytest.approx(2 * H)


def test_equal_last_rows_do_not_make_a_window_stay_open_in_the_heat() -> None:
    # 72 h at 23 and at 35 degC: at 60 degC a window that closes is taken by 65 kJ/mol, the steep
    # end of the range that abstracts give for epoxy-amine curing.
    law = rate_law(table((23.0, 72 * H), (35.0, 72 * H)), SafeSide.CLOSES)
    factor = math.exp(65_000.0 / 8.314462618 * (1.0 / 308.15 - 1.0 / 333.15))
    assert law.time_s(60.0) == pytest.approx(72 * H / factor)
    assert law.time_s(35.0) == pytest.approx(72 * H)


def test_blocks_of_a_long_history_join_without_a_seam() -> None:
    law = rate_law(table((5.0, 900 * H), (30.0, 200 * H)), SafeSide.OPENS)
    time = np.arange(40_000) * 30.0
    temp = 15.0 + 8.0 * np.sin(time / 9000.0)
    long = progress(law, course_of(time, temp, 0.0, 100.0, upper=False), 15.0, float(time[-1]))
    x = -1.0 / (temp + 273.15)
    rate = law.rate_at_x(x)
    trapezoid = float(np.sum((rate[1:] + rate[:-1]) / 2.0) * 30.0) - float(rate[0]) * 15.0
    # Trapezoid at 30 s with the table's edge inside: good to a step at each of its crossings.
    assert long.done == pytest.approx(trapezoid, rel=1e-4)


def test_the_other_edge_brackets_the_safe_one() -> None:
    time, temp = np.array([0.0, 0.2, 3.0, 3.2]) * H, np.array([12.0, 13.0, 22.0, 21.0])
    low, high = (course_of(time, temp, 0.0, 900.0, upper=upper) for upper in (False, True))
    for lean in SafeSide:
        law = rate_law(SHEET, lean)
        assert progress(law, low, 0.0, 3.2 * H).done < progress(law, high, 0.0, 3.2 * H).done


def test_time_below_the_table_is_told_where_nobody_measured_too() -> None:
    """Half an hour at 8 degC before a table that begins at 10, then six days without a word."""
    time = np.array([0.0, 1800.0])
    course = course_of(time, np.array([8.0, 8.0]), 0.0, 2100.0, upper=False)
    law = rate_law(table((10.0, 8 * H), (20.0, 4 * H)), SafeSide.OPENS)
    now_s = 6 * 24 * H
    came = progress(law, course, 0.0, now_s)
    assert came.unknown_s + came.measured_s == pytest.approx(now_s)
    assert came.below_s == pytest.approx(now_s)
    before = progress(law, course_of(time + now_s, np.array([8.0, 8.0]), 0.0, 2100.0, upper=False),
                      0.0, now_s)  # fmt: skip
    assert before.below_s == pytest.approx(before.unknown_s, abs=1800.0)
