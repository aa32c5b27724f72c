"""What a film remembers, against days worked by hand.

Margins are set by humidity 100 %, where air, dew point and a surface at the air's temperature are
the same by definition; hours are plain arithmetic. Weights of bloom are judgement, no source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest

from monitor.specs import find_spec
from rules.clocks.history import AirBody, TemperatureHistory
from rules.events import Event
from rules.memory import (
    Age,
    Condition,
    FilmAges,
    FilmMemory,
    air_of,
    answered_s,
    memory_doubt,
    memory_notices,
    remembered,
    unanswered,
)
from rules.reasons import Doubt
from rules.vocabulary import EventKind, LimitState

HOUR = 3600.0
PRIMER = find_spec("two-pack-epoxy-primer")[0]
AGES = FilmAges(0.0, HOUR, dry_s=5 * HOUR, handled_s=25 * HOUR)
WET_FROM, WET_TO = 8 * HOUR, 10 * HOUR


def history(hull_c: float = 15.0, *, gap: tuple[float, float] | None = None) -> TemperatureHistory:
    """Thirty hours in minutes: dry at 50 %; from 8 to 10 h saturated, 1 K over the hull."""
    time_s = np.arange(0.0, 30 * HOUR, 60.0)
    if gap is not None:
        time_s = time_s[(time_s < gap[0]) | (time_s >= gap[1])]
    wet = (time_s >= WET_FROM) & (time_s < WET_TO)
    rh = np.where(wet, 100.0, 50.0)
    air = np.where(wet, hull_c + 1.0, hull_c)
    hull = np.full(time_s.size, hull_c)
    return TemperatureHistory(
        time_s, hull, hull, 0.0, air_coldest_c=air, air_warmest_c=air, air_accuracy_k=0.0,
        rh_low_pct=rh, rh_high_pct=rh, bodies=(AirBody(air, rh),),
    )  # fmt: skip


def memory(told: TemperatureHistory, ages: FilmAges = AGES, now_s: float = 30 * HOUR):
    return remembered(air_of(told, now_s, 0.0), ages, PRIMER)


def test_two_hours_of_water_on_a_soft_film_are_remembered_to_the_minute() -> None:
    found = memory(history())
    assert found.minutes(Condition.WET, Age.SOFT) == (2 * HOUR, 2 * HOUR, 2 * HOUR)
    assert found.minutes(Condition.WET, Age.WET, Age.HARD).highest_s == 0.0
    assert found.wet_s == ((WET_FROM, WET_TO),)


def doubts(found: FilmMemory, answered: float) -> tuple[Doubt, ...]:
    wetting = unanswered(found, answered, 30 * HOUR, UTC)
    return () if wetting is None else (memory_doubt(wetting),)


def test_dew_that_comes_and_goes_counts_for_as_long_as_it_lay() -> None:
    """Two hours of three minutes wet and six dry by turns are 42 min of water."""
    told = history()
    assert told.rh_low_pct is not None
    minute = (told.time_s - WET_FROM) / 60.0
    dry = (minute >= 0.0) & (minute < 120.0) & (minute % 9.0 >= 3.0)
    rh_pct = np.where(dry, 50.0, told.rh_low_pct)
    body = told.bodies[0]._replace(rh_pct=rh_pct)
    found = memory(replace(told, rh_low_pct=rh_pct, rh_high_pct=rh_pct, bodies=(body,)))
    assert sum(end - begin for begin, end in found.wet_s) == 42 * 60.0
    assert found.minutes(Condition.WET, Age.SOFT).best_s == 42 * 60.0
    (doubt,) = doubts(found, -np.inf)
    assert ", 42 min in all while soft" in doubt.text


def test_the_same_water_on_a_film_that_was_handled_holds_nothing() -> None:
    found = memory(history(), replace(AGES, dry_s=2 * HOUR, handled_s=7 * HOUR))
    assert found.minutes(Condition.WET, Age.HARD).best_s == 2 * HOUR
    assert found.wet_s == ()
    assert doubts(found, -np.inf) == ()


def test_hours_that_nobody_measured_may_have_been_wet_and_accuse_nobody() -> None:
    # A gap of 3 h beside a margin of 10 K: 6 K an hour from both sides leave it open in the middle.
    found = memory(history(gap=(12 * HOUR, 18 * HOUR)))
    sure, best, most = found.minutes(Condition.WET, Age.SOFT)
    assert (sure, best) == (2 * HOUR, 2 * HOUR)
    assert 2 * HOUR < most <= 8 * HOUR
    assert found.wet_s == ((WET_FROM, WET_TO),)
    # 12:00 is a minute, and then a cell of ten, after the last reading.
    (unseen,) = found.unseen
    assert unseen[:2] == pytest.approx((12 * HOUR, 18 * HOUR), abs=600.0)
    assert 0.0 < unseen.wet_s <= 6 * HOUR
    (doubt,) = doubts(found, 11 * HOUR)  # the water that was seen is answered
    assert "Not known Thu 12:" in doubt.text
    assert "to Thu 18:00 while soft, and dew can have come: look" in doubt.text
    assert doubts(found, 19 * HOUR) == ()
    assert doubts(found, 17.6 * HOUR) == (), "of what came after the answer, 24 min are left"
    assert doubts(found, 17 * HOUR) != ()


def test_what_was_seen_wet_for_a_moment_leaves_less_doubt_of_what_was_not_seen() -> None:
    """Three minutes of water, or none, before a gap of 40 min at a margin of 10 K."""
    told = history(gap=(WET_FROM + 180.0, WET_FROM + 180.0 + 2400.0))
    dry = told.time_s >= WET_FROM + 180.0
    for wet in (True, False):
        rh_pct = np.where(dry | (not wet), 50.0, told.rh_low_pct)
        air_c = np.where(dry | (not wet), 15.0, told.air_coldest_c)
        body = told.bodies[0]._replace(temp_c=air_c, rh_pct=rh_pct)
        found = memory(
            replace(told, air_coldest_c=air_c, air_warmest_c=air_c, rh_low_pct=rh_pct,
                    rh_high_pct=rh_pct, bodies=(body,))
        )  # fmt: skip
        assert bool(doubts(found, -np.inf)) is wet


def test_a_flame_in_hours_that_nobody_measured_may_have_been_and_accuses_nobody() -> None:
    told = history(gap=(12 * HOUR, 18 * HOUR))
    # 1,200 ppm on both sides of the hole: at 2,000 an hour it is past 1,500 in ten minutes.
    found = memory(replace(told, co2_ppm=np.full(told.time_s.size, 1200.0)))
    sure, best, most = found.minutes(Condition.GASSED, Age.SOFT)
    assert (sure, best) == (0.0, 0.0)
    assert 4 * HOUR < most <= 6 * HOUR


def test_an_accuracy_of_half_a_kelvin_parts_sure_from_possible() -> None:
    told = replace(history(), accuracy_k=1.5)
    sure, best, most = memory(told).minutes(Condition.WET, Age.SOFT)
    assert (sure, best, most) == (0.0, 2 * HOUR, 2 * HOUR)


def test_only_an_answer_after_the_water_answers_it() -> None:
    found = memory(history())
    washed = [Event(EventKind.WASHED, hour * HOUR, "tent", "port") for hour in (7.0, 11.0)]
    early, late = (answered_s("port", washed[:n], 30 * HOUR) for n in (1, 2))
    (held,) = doubts(found, early)
    assert held.state is LimitState.NEAR
    assert "wash, look, sand" in held.text
    assert "08:00" in held.text
    assert "10:00" in held.text
    assert doubts(found, late) == ()
    assert answered_s("stbd", washed, 30 * HOUR) == -np.inf


def test_what_was_wet_again_after_the_wash_is_held_again() -> None:
    (held,) = doubts(memory(history()), 9 * HOUR)
    assert held.value == HOUR, "of two hours one came after the wash"


@pytest.mark.parametrize(
    ("hardener", "times"), [("polyamide", 0.5), ("fast-amine", 2.0), ("", 1.0)]
)
def test_bloom_goes_by_the_hardener(hardener: str, times: float) -> None:
    air = air_of(history(10.0), 30 * HOUR, 0.0)
    plain = remembered(air, AGES, replace(PRIMER, hardener_class="")).bloom_h
    found = remembered(air, AGES, replace(PRIMER, hardener_class=hardener)).bloom_h
    assert found == pytest.approx(times * plain)
    # 10 degC is half of the way from 15 to 5: 5 h laid and 20 h soft, at 1 and 0.3, halved; and
    # two hours under the margin of 3 K on the soft film.
    assert plain == pytest.approx(0.5 * (5.0 + 0.3 * 20.0) + 0.3 * 2.0 * 4.0 / 3.0, rel=0.06)


def test_a_ground_that_warms_under_a_wet_film_is_told_and_one_that_warms_later_is_not() -> None:
    told = history()
    for hour, says in ((3.0, True), (12.0, False)):
        hull = np.where(told.time_s >= hour * HOUR, 22.0, 15.0)
        found = memory(replace(told, coldest_c=hull, warmest_c=hull))
        names = [each.name for each in memory_notices(found, -np.inf, 0.0)]
        assert ("outgassing" in names) is says
        assert found.warmed_k == pytest.approx(7.0 if says else 0.0)
