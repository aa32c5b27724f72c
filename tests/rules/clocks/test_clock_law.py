"""The time law and its integral, against ASTM C1074's equivalent age, Q10 and scipy."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from rules.clocks.history import Samples, TemperatureHistory, samples_of
from rules.clocks.progress import Gaps, progress, time_to_end_s
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
    came = progress(law, samples_of(time, temp, 0.0, 24 * H), 0.0, float(time[-1]))
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
    came = progress(law, samples_of(time, temp, 0.0, 24 * H), 0.0, 3 * H)
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
    came = progress(law, samples_of(time, temp, 0.0, 120.0), 0.0, float(time[-1]))
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
    came = progress(law, samples_of(time, temp, 0.0, 900.0), 1234.5, float(time[-1]))
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
    # By hand: slope of the last two rows, ln(9/5.5) over 1/293.15 - 1/303.15 = 4376.6 K;
    # 10 K more is 1/303.15 - 1/313.15 = 1.05339e-4, factor 0.63063: 3.468 h.
    assert closes.time_s(40.0) / H == pytest.approx(3.468, abs=0.001)


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


def series(values: list[float], gaps_s: list[float], shift: float = 0.0) -> Samples:
    time = np.concatenate(([0.0], np.cumsum(gaps_s[: len(values) - 1])))
    return samples_of(time, np.array(values), shift, 1800.0)


@settings(max_examples=150, deadline=None)
@given(temps, steps, laws, st.sampled_from(list(SafeSide)), st.floats(0.0, 8.0))
def test_warmer_never_ends_a_clock_later(
    values: list[float], gaps_s: list[float], sheet: TimeTable, lean: SafeSide, warmer: float
) -> None:
    law = rate_law(sheet, lean)
    cool, warm = series(values, gaps_s), series(values, gaps_s, warmer)
    now = float(cool.time_s[-1])
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
    now = float(whole.time_s[-1])
    split = now * share
    parts = [progress(slow, whole, a, b) for a, b in ((0.0, split), (split, now))]
    together = progress(slow, whole, 0.0, now)
    assert sum(p.done for p in parts) == pytest.approx(together.done, rel=1e-7, abs=1e-15)
    assert sum(p.measured_s for p in parts) == pytest.approx(together.measured_s)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(-15.0, 30.0), min_size=4, max_size=40),
    steps,
    st.data(),
    st.sampled_from(list(SafeSide)),
)
def test_a_gap_never_helps_the_unsafe_side(
    values: list[float], gaps_s: list[float], data: st.DataObject, lean: SafeSide
) -> None:
    """Nobody measured: an opens clock never ends sooner, a closes clock never later.

    What was missed is taken to be no warmer than the sheet's hottest row and, in a short gap, no
    warmer than the warmer neighbour; for more nobody could vouch.
    """
    law = rate_law(SHEET, lean)
    full = series(values, gaps_s)
    a = data.draw(st.integers(1, len(values) - 2))
    b = data.draw(st.integers(a, len(values) - 2))
    near = max(values[a - 1], values[b + 1])
    if full.time_s[b + 1] - full.time_s[a - 1] <= H:
        capped = np.array([min(v, near) if a <= i <= b else v for i, v in enumerate(values)])
        full = samples_of(full.time_s, capped, 0.0, 1800.0)
    keep = np.r_[0:a, b + 1 : len(values)]
    holed = Samples(full.time_s[keep], full.x[keep], 1800.0)
    if full.time_s[b + 1] - full.time_s[a - 1] <= 1800.0:
        return  # too short to be a gap at all
    now = float(full.time_s[-1])
    whole, less = progress(law, full, 0.0, now), progress(law, holed, 0.0, now)
    if lean is SafeSide.OPENS:
        assert less.done <= whole.done + 1e-9
        if less.ended_at_s is not None:
            assert whole.ended_at_s is not None
            assert less.ended_at_s >= whole.ended_at_s - 1e-3
    else:
        assert less.done >= whole.done - 1e-9 or less.ended_at_s is not None
        if whole.ended_at_s is not None:
            assert less.ended_at_s is not None
            assert less.ended_at_s <= whole.ended_at_s + 1e-3


# --- gaps and tails, by hand


def test_opens_clock_gets_nothing_for_a_gap_or_a_tail() -> None:
    law = rate_law(table((20.0, 10 * H), (30.0, 5 * H)), SafeSide.OPENS)
    time = np.array([0.0, 1.0, 4.0, 5.0]) * H
    came = progress(law, samples_of(time, np.full(4, 20.0), 0.0, H), 0.0, 8 * H)
    assert came.done == pytest.approx(0.2)
    assert came.measured_s == pytest.approx(2 * H)
    assert came.unknown_s == pytest.approx(6 * H)
    assert came.present_x is None
    assert time_to_end_s(law, 1 - came.done, came.reached_s, came.present_x) is None


def test_a_sample_that_is_not_known_leaves_a_gap_however_near_its_neighbours_are() -> None:
    sheet = table((20.0, 10 * H), (30.0, 5 * H))
    time = np.array([0.0, 0.1, 0.2, 0.4, 0.5]) * H
    samples = samples_of(time, np.array([20.0, 20.0, math.nan, 30.0, 30.0]), 0.0, H)
    opens = progress(rate_law(sheet, SafeSide.OPENS), samples, 0.0, 0.5 * H)
    assert opens.done == pytest.approx(0.1 / 10 + 0.1 / 5)
    assert opens.unknown_s == pytest.approx(0.3 * H)
    closes = progress(rate_law(sheet, SafeSide.CLOSES), samples, 0.0, 0.5 * H)
    assert closes.done == pytest.approx(0.1 / 10 + 0.4 / 5)
    within = progress(rate_law(sheet, SafeSide.OPENS), samples, 0.0, 0.25 * H)
    assert within.present_x == pytest.approx(-1.0 / 293.15), "the last known, not the middle"


def test_closes_clock_counts_a_short_gap_at_its_warmer_neighbour() -> None:
    law = rate_law(table((20.0, 10 * H), (30.0, 5 * H)), SafeSide.CLOSES)
    time = np.array([0.0, 0.1, 1.1, 1.2]) * H
    temp = np.array([20.0, 20.0, 30.0, 30.0])
    came = progress(law, samples_of(time, temp, 0.0, 600.0), 0.0, 1.2 * H)
    assert came.done == pytest.approx(0.1 / 10 + 1.0 / 5 + 0.1 / 5)
    assert came.unknown_s == pytest.approx(H)
    assert came.long_gap_s == 0.0


def test_closes_clock_counts_a_long_gap_at_the_hottest_row() -> None:
    law = rate_law(table((20.0, 10 * H), (30.0, 5 * H)), SafeSide.CLOSES)
    time = np.array([0.0, 0.1, 2.1, 2.2]) * H
    came = progress(law, samples_of(time, np.full(4, 20.0), 0.0, 600.0), 0.0, 2.2 * H)
    assert came.done == pytest.approx(0.2 / 10 + 2.0 / 5)
    assert came.long_gap_s == pytest.approx(2 * H)


def test_closes_clock_without_any_temperature_ends_after_the_hottest_rows_time() -> None:
    law = rate_law(table((20.0, 10 * H), (30.0, 5 * H)), SafeSide.CLOSES)
    nothing = samples_of(np.empty(0), np.empty(0), 0.0, 600.0)
    came = progress(law, nothing, 100.0, 100.0 + 9 * H)
    assert came.ended_at_s == pytest.approx(100.0 + 5 * H)
    assert progress(rate_law(SHEET, SafeSide.OPENS), nothing, 0.0, 9e9).done == 0.0


def test_start_before_the_first_sample_is_unmeasured_time() -> None:
    law = rate_law(table((20.0, 10 * H), (30.0, 5 * H)), SafeSide.OPENS)
    time = np.array([2.0, 2.5, 3.0]) * H
    came = progress(law, samples_of(time, np.full(3, 20.0), 0.0, H), 0.0, 3 * H)
    assert came.done == pytest.approx(0.1)
    assert came.unknown_s == pytest.approx(2 * H)


def test_blocks_of_a_long_history_join_without_a_seam() -> None:
    law = rate_law(table((5.0, 900 * H), (30.0, 200 * H)), SafeSide.OPENS)
    time = np.arange(40_000) * 30.0
    temp = 15.0 + 8.0 * np.sin(time / 9000.0)
    long = progress(law, samples_of(time, temp, 0.0, 100.0), 15.0, float(time[-1]))
    x = -1.0 / (temp + 273.15)
    rate = law.rate_at_x(x)
    trapezoid = float(np.sum((rate[1:] + rate[:-1]) / 2.0) * 30.0) - float(rate[0]) * 15.0
    # Trapezoid at 30 s with the table's edge inside: good to a step at each of its crossings.
    assert long.done == pytest.approx(trapezoid, rel=1e-4)


def test_the_other_bound_brackets_the_safe_one() -> None:
    time = np.array([0.0, 0.2, 3.0, 3.2]) * H
    samples = samples_of(time, np.array([12.0, 13.0, 22.0, 21.0]), 0.0, 900.0)
    opens, closes = rate_law(SHEET, SafeSide.OPENS), rate_law(SHEET, SafeSide.CLOSES)
    now = 3.2 * H
    assert (
        progress(opens, samples, 0.0, now).done
        < progress(opens, samples, 0.0, now, Gaps.WARMER).done
    )
    assert (
        progress(closes, samples, 0.0, now, Gaps.SLOWEST).done
        < progress(closes, samples, 0.0, now).done
    )
