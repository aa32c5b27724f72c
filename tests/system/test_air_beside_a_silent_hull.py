"""A hull's probe that is silent or doubted while the air beside it, measured, moves far.

Written without sight of the rule, from the law of what is known: what was not measured is a known
interval, of which the edge on the safe side counts. A hull goes where its air goes, an hour or so
behind it, so that the air widens what is known of a silent hull on both sides and narrows nothing.
The courses, invented, and what was true of them are in `silent_air`.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from command import filmcall
from live import START_S, Live, Machine
from recorded import HOUR_S
from silent_air import (
    AIR_H,
    ALL,
    BEGIN_H,
    CLOSE_H,
    CLOSES,
    COAT,
    COLD,
    END_H,
    FROZEN,
    LASTING,
    MINUTE_H,
    MIX,
    OPENS,
    PORT,
    POT,
    QUIET_C,
    SAFE_H,
    WARM,
    Course,
    Log,
    Place,
    Planted,
    add_event,
    ends_h,
    name_of,
    planted,
    sheet,
    silent,
    unsafe_min,
)
from silent_probe import R_J_MOL_K, ZERO_C_K, end_h, rate_per_h

from sensors.reading import Quantity

ENDS = pytest.mark.parametrize("lasting", [False, True], ids=["ended", "lasting"])
Told = Callable[..., Log]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """Return what plays a course once."""
    return cache(lambda *what: Log(tmp_path_factory.mktemp("air"), *what))


def test_the_truth_here_agrees_with_a_worked_example() -> None:
    """12 h from 5 to 35 degC with 50 kJ/mol are 14.049786 h at 20 degC (exact integral).

    Equivalent age after ASTM C1074, exp[-Q (1/T - 1/Ts)]; the figure by scipy's quad. On a row a
    film takes the sheet's own time.
    """
    slope = 50_000.0 / R_J_MOL_K
    at_20 = [slope * (1.0 / (c + ZERO_C_K) - 1.0 / (20.0 + ZERO_C_K)) for c in (5.0, 35.0)]
    table = ((5.0, math.exp(at_20[0])), (35.0, math.exp(at_20[1])))
    time_h = np.linspace(0.0, 12.0, 7201)
    rate = rate_per_h(5.0 + 2.5 * time_h, table, opens=True)
    aged_h = float(np.sum((rate[1:] + rate[:-1]) / 2.0 * np.diff(time_h)))
    assert aged_h == pytest.approx(14.049786, rel=3e-4)  # the example's R is 8.314
    for tables in (OPENS, CLOSES):
        for rows in tables.values():
            at_c, row_h = map(np.array, zip(*rows, strict=True))
            assert rate_per_h(at_c, rows, opens=tables is OPENS) == pytest.approx(1.0 / row_h)


@pytest.mark.parametrize("each", ALL, ids=name_of)
def test_each_course_is_what_it_is_meant_to_be(each: Planted, told: Told) -> None:
    """Air is believed and the hull silent through what decides; the hull stays within its air."""
    log = told(planted(each))
    course, (begin_h, back_h) = log.course, log.course.places[0].silent_h
    hull_c = course.true_c(course.places[0])
    assert log.qualities("air-bow", course.span_h[0], back_h) == {"ok"}
    assert log.qualities("plank", course.span_h[0], begin_h) == {"ok"}
    assert "ok" not in log.qualities("plank", begin_h, back_h)
    assert "ok" in log.qualities("plank", back_h, course.span_h[1])
    assert course.air_c.min() <= hull_c.min() <= hull_c.max() <= course.air_c.max()
    assert np.abs(hull_c - QUIET_C).max() > 6.0


@pytest.mark.parametrize("each", ALL, ids=name_of)
def test_no_clock_is_on_the_wrong_side_of_a_hull_that_followed_its_air(
    each: Planted, told: Told
) -> None:
    """No window closes later than it truly did, and nothing is dry or open sooner."""
    log = told(planted(each))
    assert unsafe_min(log.course, log.ends_h) == {}


@pytest.mark.parametrize("each", LASTING, ids=name_of)
def test_nor_is_one_while_the_silence_goes_on(each: Planted, told: Told) -> None:
    log = told(planted(each, lasting=True))
    assert unsafe_min(log.course, log.ends_h) == {}


@ENDS
@pytest.mark.parametrize("each", [WARM[1], COLD[2]], ids=name_of)
def test_a_doubted_hull_is_known_no_better_than_a_silent_one(
    each: Planted, lasting: bool, told: Told
) -> None:
    log = told(planted(each, lasting=lasting, how=FROZEN))
    assert log.qualities("plank", AIR_H[0], AIR_H[-1]) == {"doubted"}
    assert unsafe_min(log.course, log.ends_h) == {}


def assert_measured(told_h: Mapping[str, float], course: Course, place: Place) -> None:
    """Hold clocks against a hull that spoke throughout, its probe's 0.5 K put on or taken off."""
    hull_c = course.true_c(place)
    by_hand_h = course.by_hand_h(hull_c - 0.5, hull_c + 0.5)
    judged = {name for name, h in by_hand_h.items() if h <= course.span_h[1]}
    assert judged >= OPENS.keys() if course.air_k < 0.0 else judged >= CLOSES.keys()
    for name in judged:
        assert told_h[name] == pytest.approx(by_hand_h[name], abs=CLOSE_H), name


# The lag of another place, which speaks [h], and its section.
BESIDE = {"another section": (1.0, "hull-stbd"), "as quick": (1 / 3, PORT), "slower": (2.0, PORT)}


@pytest.mark.parametrize("air_k", [17.0, -16.0])
@pytest.mark.parametrize("beside", BESIDE)
def test_one_of_two_probes_is_silent(beside: str, air_k: float, told: Told) -> None:
    """The quicker one; a place that lags more has not been as warm, nor as cold, for as long."""
    lag_h, section = BESIDE[beside]
    rib = Place(lag_h, section=section, name="rib")
    log = told(Course((silent(1 / 3, 10.0), rib), air_k))
    assert log.qualities("rib", BEGIN_H, END_H) == {"ok"}
    if section != PORT:
        assert_measured(ends_h(log.db, END_H, section), log.course, rib)
    assert unsafe_min(log.course, log.ends_h) == {}


@pytest.mark.parametrize("air_k", [17.0, -16.0])
@pytest.mark.parametrize("lag_h", [1.0, 2.0])
def test_a_hull_that_speaks_is_not_touched(air_k: float, lag_h: float, told: Told) -> None:
    log = told(Course((Place(lag_h),), air_k))
    assert log.qualities("plank", BEGIN_H, END_H) == {"ok"}
    assert_measured(log.ends_h, log.course, log.course.places[0])


# What is widened where it need not be costs trust ------------------------------------------


def quiet(lasting: bool) -> Course:
    return Course((silent(1.0, math.inf if lasting else 6.0),), 0.0, span_h=(16.75, 40.25))


@ENDS
def test_quiet_air_widens_nothing(lasting: bool, told: Told) -> None:
    """What a quiet hull's own record leaves open, by hand: 0.5 K an hour, 3 K in all, and its
    probe's 0.5 K (the least that the program takes for a temperature; common practice, no source).
    """
    course = quiet(lasting)
    begin_h, back_h = course.places[0].silent_h
    unseen_h = np.clip(np.minimum(course.time_h - begin_h, back_h - course.time_h), 0.0, 6.0)
    open_k = 0.5 + 0.5 * unseen_h
    log, by_hand_h = told(course), course.by_hand_h(QUIET_C - open_k, QUIET_C + open_k)
    for name, told_h in log.ends_h.items():
        if name in by_hand_h:
            further_h = (1.0 if name in OPENS else -1.0) * (told_h - by_hand_h[name])
            assert further_h <= 3.0 * MINUTE_H, name
    assert unsafe_min(course, log.ends_h) == {}


def test_quiet_air_tells_no_less_of_a_hull_than_no_air_at_all(told: Told) -> None:
    course = quiet(lasting=False)
    blind = told(replace(course, air_silent_h=course.places[0].silent_h))
    for name in OPENS | CLOSES:
        known_h = told(course).ends_h[name]
        assert known_h == pytest.approx(blind.ends_h[name], abs=3.0 * MINUTE_H), name


@pytest.mark.parametrize("air_k", [3.0, -3.0])
def test_ten_minutes_of_silence_while_the_air_steps_move_little(air_k: float, told: Told) -> None:
    heard = Course((Place(),), every_s=60.0, air=((27.0, QUIET_C), (27.05, QUIET_C + air_k)))
    missed = replace(heard, places=(Place(silent_h=(26.95, 27.12)),))
    for name in OPENS | CLOSES:
        apart_h = abs(told(missed).ends_h[name] - told(heard).ends_h[name])
        assert apart_h < 5.0 * MINUTE_H, name


# Pots and film memory ----------------------------------------------------------------------


@pytest.mark.parametrize("air_k", [17.0, -16.0])
def test_a_pot_that_is_measured_is_not_touched(air_k: float, told: Told) -> None:
    """At 42 degC, and 1 K, it is the warmest of mix, air and surface, whatever the hull did."""
    done = (*COAT, ("mixed", 26.5), (MIX, 26.5))
    courses = Course((silent(1.0, 10.0),), air_k), Course((Place(),), air_k)
    blind_h, heard_h = (ends_h(told(each, done).db, 28.5)["pot life"] for each in courses)
    assert blind_h == heard_h
    hot_c = np.full(courses[0].time_h.size, 43.0)
    by_hand_h = end_h(courses[0].time_h, hot_c, POT, 26.5, opens=False)
    assert blind_h == pytest.approx(by_hand_h, abs=CLOSE_H)


def test_a_pot_in_measured_air_dies_no_later_than_in_that_air(told: Told) -> None:
    log = told(Course((silent(1.0, 10.0),)), (*COAT, ("mixed", 26.5)))
    true_h = end_h(log.course.time_h, log.course.air_c, POT, 26.5, opens=False)
    assert ends_h(log.db, 31.0)["pot life"] <= true_h + SAFE_H


# What came over a hull in the silence: the air, and its dew point [h, degC]. Either way the hull
# that followed is under the dew point for over an hour.
DAMP = {
    "humid and warm on a cold hull": (
        ((27.0, 12.0), (27.5, 24.0), (31.0, 24.0), (31.5, 14.0)),
        ((27.0, 4.0), (27.5, 19.5), (31.0, 19.5), (31.5, 2.0)),
    ),
    "chilled first": (
        ((26.5, 20.0), (27.0, 3.0), (31.0, 3.0), (31.25, 20.0)),
        ((31.0, -6.0), (31.25, 14.0), (33.0, 14.0), (33.25, -6.0)),
    ),
}


@pytest.mark.parametrize("silence", [silent(2.0, 10.0), Place(2.0)], ids=["silent", "heard"])
@pytest.mark.parametrize("name", DAMP)
def test_dew_that_may_have_come_holds_the_next_coat(name: str, silence: Place, told: Told) -> None:
    """What is not known of a silent hull holds as much as what was measured on it."""
    air, dew = DAMP[name]
    log = told(Course((silence,), every_s=300.0, air=air, dew=dew))
    dew_c = np.interp(log.course.time_h, *zip(*dew, strict=True))
    assert (log.course.true_c(silence) < dew_c).sum() / 120.0 > 1.0
    ran = filmcall("check", "--now", "--json", *log.mapped)
    call = json.loads(ran.out)
    start = next(iter(call.get("sections") or ()), call)["start"]
    assert start["call"] != "GO"
    held = [each["text"] for each in start["reasons"] if each["state"] != "ok"]
    assert any(re.search("washed|inspected|sanded", text) for text in held), held


# Live and after a restart ------------------------------------------------------------------

AIR = {"t_bow": Quantity.AIR_TEMP, "rh_bow": Quantity.HUMIDITY}


def lived(folder: Path, course: Course, killed_h: float) -> Path:
    """Feed a course to the running program, killed once and begun anew; return its log."""
    (folder / "trial.toml").write_text(sheet())
    machine = Machine(1000.0, START_S + course.span_h[0] * HOUR_S - 1000.0)
    live, todo = Live(folder, course.config(), machine), list(COAT)
    for after_s, cells in course.rows():
        machine.monotonic_s = 1000.0 + after_s - course.span_h[0] * HOUR_S
        if after_s == killed_h * HOUR_S:
            live.kill()
            live = Live(folder, course.config(), machine)
        while todo and todo[0][1] * HOUR_S <= after_s:
            add_event(live.store, *todo.pop(0), PORT, START_S)
        live.hear({"air-bow": {each: float(cells[column]) for column, each in AIR.items()}})
        if isinstance(hull_c := cells["plank"], float):
            live.hear({"plank": {Quantity.SURFACE_TEMP: hull_c}})
        live.watch.turn(0.0)
    live.end()
    return live.path


@pytest.mark.parametrize("each", [WARM[1], COLD[2]], ids=name_of)
def test_the_running_program_says_it_over_a_restart(each: Planted, tmp_path: Path) -> None:
    """Killed in the midst of the silence; its calls follow from its readings."""
    course = replace(planted(each), every_s=300.0)
    db = lived(tmp_path, course, 29.0)
    ran = filmcall("sessions", "verify", "--db", str(db))
    assert ran.code == 0, ran.out + ran.err
    assert unsafe_min(course, ends_h(db, course.span_h[1], PORT, START_S)) == {}


def test_a_replayed_log_verifies(tmp_path: Path) -> None:
    log = Log(tmp_path, planted(WARM[2]), typed_first=True)
    ran = filmcall("sessions", "verify", "--db", str(log.db))
    assert ran.code == 0, ran.out + ran.err
