"""Hours that hold for a coat: hand-made courses, closed forms, SciPy's integral for the clocks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from rules.outlook.draws import Outlook
from rules.outlook.windows import (
    Window,
    bounds_of,
    ends_s,
    judge_starts,
    limit_spans_s,
    two_coats,
    windows_of,
)
from rules.rate import SafeSide, rate_law
from rules.spec.model import Limit, Provenance, Spec, TimeRow, TimeTable
from rules.vocabulary import ClockName, LimitName, Method, Stage, Step

HOUR = 3600.0
GRID = 900.0 * np.arange(97.0)

TOUCH = TimeTable((TimeRow(10.0, 4 * HOUR), TimeRow(20.0, 2 * HOUR), TimeRow(30.0, 1 * HOUR)))
OPENS = TimeTable((TimeRow(10.0, 12 * HOUR), TimeRow(20.0, 6 * HOUR)))
CLOSES = TimeTable((TimeRow(10.0, 20 * HOUR), TimeRow(20.0, 10 * HOUR)))


def spec(**more: object) -> Spec:
    margin = Limit(LimitName.DEW_MARGIN_MIN, 3.0, Step.TOUCH_DRY)
    return Spec(
        name="by-hand",
        title="By hand",
        family="any",
        provenance=Provenance("by hand", "", "", True),
        limits={Stage.APPLY: {LimitName.DEW_MARGIN_MIN: margin}},
        times={ClockName.TOUCH_DRY: TOUCH, ClockName.RECOAT_OPENS: OPENS,
               ClockName.RECOAT_CLOSES: CLOSES},
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def outlook(margin_k: np.ndarray, surface_c: float = 20.0) -> Outlook:
    """Draws by horizons of the margin over a level surface."""
    margin = np.atleast_2d(margin_k)
    surface = np.full_like(margin, surface_c)
    air = surface + 5.0
    dew = surface - margin
    centre = np.stack([air.mean(axis=0), dew.mean(axis=0), surface.mean(axis=0)])
    return Outlook(0.0, GRID, air, dew, surface, centre, "by hand", float(GRID[-1]))


def test_a_good_day_holds_until_the_coat_could_not_be_touch_dry() -> None:
    ahead = outlook(np.full(97, 6.0))
    found = windows_of(ahead, judge_starts(ahead, spec()))
    # One hour of coating and two until touch-dry at 20 degC: 21:00 is the last start of 24 h.
    assert found == [Window(0.0, 21 * HOUR, 24 * HOUR, 0.0, None)]


def test_start_no_later_than_three_hours_before_the_evening_breaks_it() -> None:
    margin = np.where(GRID < 10 * HOUR, 5.0, 1.0)
    ahead = outlook(margin)
    (window,) = windows_of(ahead, judge_starts(ahead, spec()))
    assert window.start_from_s == 0.0
    # Broken at 10:00; begun at 7:00 it is touch-dry at 10:00 exactly, so the last is 6:45.
    assert window.start_until_s == 6.75 * HOUR


def test_a_longer_coat_must_begin_earlier() -> None:
    ahead = outlook(np.where(GRID < 10 * HOUR, 5.0, 1.0))
    (window,) = windows_of(ahead, judge_starts(ahead, spec(), coating_time_s=3 * HOUR))
    assert window.start_until_s == 4.75 * HOUR


def test_a_morning_window_opens_when_the_dew_has_gone() -> None:
    margin = np.where((GRID >= 4 * HOUR) & (GRID < 16 * HOUR), 5.0, 1.0)
    ahead = outlook(margin)
    (window,) = windows_of(ahead, judge_starts(ahead, spec()))
    assert window.start_from_s == 4 * HOUR
    assert window.start_until_s == 12.75 * HOUR


def test_a_start_holds_while_fewer_than_one_in_five_break() -> None:
    good, bad = np.full(97, 6.0), np.where(GRID < 5 * HOUR, 6.0, 1.0)
    for broken, held in ((1, True), (2, False)):
        draws = np.stack([bad] * broken + [good] * (10 - broken))
        starts = judge_starts(outlook(draws), spec())
        assert (starts.probability[20] < 0.2) == held
        assert starts.probability[20] == pytest.approx(broken / 10)


def test_without_a_surface_there_is_no_window() -> None:
    air = np.full((1, 97), 20.0)
    ahead = Outlook(
        0.0, GRID, air, air - 10.0, None, np.stack([air[0], air[0] - 10.0]), "", GRID[-1]
    )
    assert windows_of(ahead, judge_starts(ahead, spec())) == []


def test_a_wet_films_cooling_raises_the_margin_asked_for() -> None:
    cooled = spec(wet_film_cooling_k={Method.GUN: 1.5, Method.BRUSH: 0.5})
    assert bounds_of(cooled, Method.GUN)[LimitName.DEW_MARGIN_MIN] == 4.5
    assert bounds_of(cooled)[LimitName.DEW_MARGIN_MIN] == 4.5
    ahead = outlook(np.full(97, 4.0))
    assert windows_of(ahead, judge_starts(ahead, cooled, method=Method.GUN)) == []
    assert windows_of(ahead, judge_starts(ahead, cooled, method=Method.BRUSH)) != []


def test_the_time_a_limit_matters_follows_the_expected_temperature() -> None:
    for temp_c, hours in ((10.0, 4.0), (20.0, 2.0), (30.0, 1.0), (40.0, 1.0)):
        until = limit_spans_s(outlook(np.full(97, 6.0), temp_c), spec(), HOUR, np.zeros(1))
        assert until[LimitName.DEW_MARGIN_MIN][0] == pytest.approx((1.0 + hours) * HOUR)


def test_below_the_table_a_film_never_gets_dry_and_minds_for_ever() -> None:
    until = limit_spans_s(outlook(np.full(97, 6.0), 9.0), spec(), HOUR, np.zeros(1))
    assert until[LimitName.DEW_MARGIN_MIN][0] == math.inf


def test_clocks_end_where_scipys_integral_says() -> None:
    surface = 18.0 + 6.0 * np.sin(2.0 * np.pi * GRID / (24 * HOUR))
    rows = np.tile(surface, (4, 1))
    centre = np.stack([surface, surface - 8.0, surface])
    ahead = Outlook(0.0, GRID, rows, rows - 8.0, rows, centre, "", float(GRID[-1]))
    for lean, table in ((SafeSide.OPENS, OPENS), (SafeSide.CLOSES, CLOSES)):
        law = rate_law(table, lean)

        def rate(time_s: float, law=law) -> float:
            return law.rate(18.0 + 6.0 * math.sin(2.0 * math.pi * time_s / (24 * HOUR)))

        for start_s in (0.0, 2.5 * HOUR):
            wanted = brentq(
                lambda end, s=start_s, rate=rate: quad(rate, s, end, limit=200)[0] - 1.0,
                start_s + 60.0,
                24 * HOUR,
            )
            found = ends_s(ahead, table, np.array([start_s]), lean)[0]
            # Samples 15 min apart, straight in 1/T between: within a minute of the curve.
            assert found == pytest.approx(wanted, abs=60.0)


def test_two_coats_with_the_recoat_window_between() -> None:
    ahead = outlook(np.full(97, 6.0))
    windows = windows_of(ahead, judge_starts(ahead, spec()))
    plan = two_coats(ahead, spec(), windows)
    assert plan is not None
    assert plan.first_s == 0.0
    assert plan.recoat_opens_s == pytest.approx(7 * HOUR)  # after one of coating, six at 20 degC
    assert plan.recoat_closes_s == pytest.approx(10 * HOUR)  # from the first brush stroke
    assert plan.second is not None
    assert plan.second.start_from_s == pytest.approx(7 * HOUR)
    assert plan.second.start_until_s == pytest.approx(10 * HOUR)


def test_a_night_that_closes_the_recoat_window_leaves_no_second_coat_for_an_early_first() -> None:
    # Good 0 to 4 h and from 12 h on: a first at once recoats from 7 to 10 h, in the bad hours. The
    # first that recoats in good hours is the one begun when they come back.
    ahead = outlook(np.where((GRID < 4 * HOUR) | (GRID >= 12 * HOUR), 6.0, 1.0))
    windows = windows_of(ahead, judge_starts(ahead, spec()))
    plan = two_coats(ahead, spec(), windows)
    assert plan is not None
    assert plan.first_s == 12 * HOUR
    assert plan.second is not None
    assert plan.second.start_from_s == pytest.approx(19 * HOUR)


def test_a_recoat_time_beyond_the_outlook_is_said_so() -> None:
    ahead = outlook(np.full(97, 6.0), 10.0)  # opens after 13 h, closes after 20 h
    slow = spec()
    late = [Window(0.0, 5 * HOUR, 24 * HOUR, 0.0, None)]
    plan = two_coats(ahead, slow, late)
    assert plan is not None
    assert plan.second is None
    assert plan.beyond
