"""A hull's probe that is silent or doubted while the air beside it, measured, moves far.

Written without sight of the rule, from the law of what is known: what was not measured is a known
interval, of which the edge on the safe side counts. A hull goes where its air goes, an hour or so
behind it, so that the air widens what is known of a silent hull on both sides and narrows nothing.

Every course here is invented: a tent at 20 degC for half a day or a day, then air that is heated or cooled for
some hours, and a hull behind it by a first-order lag of 20 min to 2 h, in some with the sun on it
as well but never past what its air had reached. The truth of a clock is integrated by
`silent_probe` over that hull from the sheet's own rows: ln(time) linear in 1/T between them, the
form of ASTM C1074's equivalent age. Air that stands at 10, 30 or 40 degC stands on a row, where the
sheet alone says how fast a film ages. Hours count from 08:00.
"""

from __future__ import annotations

import json
import math
import re
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from command import filmcall
from live import START_S, Live, Machine
from recorded import (
    BEGIN_S,
    HOUR_S,
    Row,
    iso,
    magnus_hpa,
    point,
    seconds_after,
    spec_text,
    tent,
    write_rows,
)
from silent_probe import ABOVE_J_MOL, R_J_MOL_K, ZERO_C_K, Floats, Table, end_h, rate_per_h

from monitor.log.facts import with_spec_text
from monitor.log.log import Store
from monitor.log.rows import QUALITY_OF_CODE
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quantity

MINUTE_H = 1.0 / 60.0
SAFE_MIN = 1.0  # readings are kept by the minute
QUIET_C, DEW_C = 20.0, -6.0
COAT_H = {"coat-started": 25.0, "coat-ended": 25.25}  # 09:00 on the second day
SILENT_H = 26.0  # 10:00
MOVE_H, BACK_H, RAMP_H = 27.0, 32.0, 0.5  # the air goes at 11:00 and comes back at 16:00
BEGIN_H, END_H = 14.0, 37.5  # under a day of log: no outlook is learned
NOISE_K = 0.015  # a quarter of an hour then moves no hull by a third of 0.5 K an hour
FROZEN = "frozen"  # the last value again and again, which comes to be doubted within the hour

OPENS: dict[str, Table] = {
    "touch dry": ((0.0, 16.0), (10.0, 8.0), (20.0, 4.0), (30.0, 2.0)),
    "recoat opens": ((0.0, 28.0), (10.0, 14.0), (20.0, 7.0), (30.0, 3.5)),
}
CLOSES: dict[str, Table] = {
    "tape not after": ((10.0, 20.0), (20.0, 10.0), (30.0, 5.0), (40.0, 2.5)),
    "recoat closes": ((10.0, 28.0), (20.0, 14.0), (30.0, 7.0), (40.0, 3.5)),
}


def sheet() -> str:
    """Return the invented sheet."""
    rows = {
        name.replace(" ", "_"): ", ".join(f'"{at_c:g} degC" = "{h:g} h"' for at_c, h in table)
        for name, table in (OPENS | CLOSES).items()
    }
    return spec_text(
        **{name: f"{{ {each} }}" for name, each in rows.items()},
        cured='{ "0 degC" = "80 h", "40 degC" = "40 h" }',
        handle='{ "0 degC" = "40 h", "40 degC" = "20 h" }',
    )


@dataclass(frozen=True)
class Place:
    """One hull's probe and the place under it.

    Attributes:
        name: of the point, and of its column.
        lag_h: behind the air; infinity for a hull that stays at 20 degC [h].
        silent_h: from when to when it says nothing; infinity for ever [h].
        how: what stands in place of its values, `frozen` for the last one.
        sun_k: what the sun adds from 11:00 to 18:00, within what the air had reached [K].
        section: of the work.
    """

    name: str = "plank"
    lag_h: float = 1.0
    silent_h: tuple[float, float] = (math.inf, math.inf)
    how: str = ""
    sun_k: float = 0.0
    section: str = "hull-port"


@dataclass(frozen=True)
class Course:
    """A tent from its first row to its last.

    Attributes:
        places: on the hull.
        air_k: how far the air goes from 20 degC [K].
        every_s: between two rows [s].
        begin_h: first row [h].
        end_h: last row [h].
        air: (hour, degC) in place of the usual course.
        dew: (hour, degC) of the air.
        air_silent_h: from when to when the air says nothing either [h].
    """

    places: tuple[Place, ...]
    air_k: float = 17.0
    every_s: float = 60.0
    begin_h: float = BEGIN_H
    end_h: float = END_H
    air: tuple[tuple[float, float], ...] = ()
    dew: tuple[tuple[float, float], ...] = ((0.0, DEW_C),)
    air_silent_h: tuple[float, float] = (math.inf, math.inf)

    # The truth ------------------------------------------------------------------------------

    @cached_property
    def time_h(self) -> Floats:
        return np.arange(self.begin_h * 120, self.end_h * 120 + 1) / 120.0

    @cached_property
    def air_c(self) -> Floats:
        far_c = QUIET_C + self.air_k
        usual = (
            (MOVE_H, QUIET_C), (MOVE_H + RAMP_H, far_c), (BACK_H, far_c), (BACK_H + RAMP_H, QUIET_C)
        )  # fmt: skip
        at_h, at_c = zip(*(self.air or usual), strict=True)
        return np.interp(self.time_h, at_h, at_c)

    def true_c(self, place: Place) -> Floats:
        """Return a place's temperature on `time_h` [degC]."""
        sunny = (self.time_h > MOVE_H) & (self.time_h < MOVE_H + 7.0)
        drive = self.air_c + place.sun_k * sunny
        lowest, highest = (f.accumulate(self.air_c) for f in (np.minimum, np.maximum))
        part = -math.expm1(-MINUTE_H / 2.0 / place.lag_h)
        found, now_c = np.empty_like(drive), QUIET_C
        for k in range(drive.size):
            now_c += (float(drive[k]) - now_c) * part
            found[k] = now_c = min(max(now_c, float(lowest[k])), float(highest[k]))
        return found

    def true_ends_h(self, section: str = "hull-port") -> dict[str, float]:
        """Return when each clock of a section is truly over, at its worst place [h]."""
        hulls = [self.true_c(each) for each in self.places if each.section == section]
        found = {}
        for tables, opens, worst in ((OPENS, True, max), (CLOSES, False, min)):
            start_h = COAT_H["coat-ended" if opens else "coat-started"]
            for name, table in tables.items():
                ends = (end_h(self.time_h, hull, table, start_h, opens=opens) for hull in hulls)
                found[name] = worst(ends)
        return found

    # What the probes say --------------------------------------------------------------------

    def rows(self) -> Iterator[Row]:
        """Yield the recording, with a real probe's noise."""
        stir = Random(f"{self.places[0].lag_h} {self.air_k}").gauss
        hulls = {each: self.true_c(each) for each in self.places}
        dew_h, dew_c = zip(*self.dew, strict=True)
        said: dict[str, float] = {}
        for row in range(round((self.end_h - self.begin_h) * HOUR_S / self.every_s) + 1):
            at_h = self.begin_h + row * self.every_s / HOUR_S
            air_c = float(np.interp(at_h, self.time_h, self.air_c))
            rh_pct = 100.0 * magnus_hpa(float(np.interp(at_h, dew_h, dew_c))) / magnus_hpa(air_c)
            cells: dict[str, float | str] = {
                "t_bow": round(air_c + stir(0.0, NOISE_K), 2),
                "rh_bow": round(rh_pct + stir(0.0, 0.05), 2),
            }
            if self.air_silent_h[0] < at_h < self.air_silent_h[1]:
                cells = dict.fromkeys(cells, "")
            for place, hull_c in hulls.items():
                now_c = round(float(np.interp(at_h, self.time_h, hull_c)) + stir(0.0, NOISE_K), 2)
                if not place.silent_h[0] < at_h < place.silent_h[1]:
                    said[place.name] = cells[place.name] = now_c
                else:
                    frozen = place.how == FROZEN
                    cells[place.name] = said[place.name] if frozen else place.how
            yield round(at_h * HOUR_S), cells

    def config(self) -> str:
        """Return the tent's config, for a recording and for a broker alike."""
        points = [
            point("air-bow", "air_temp", "t_bow", topic="shed/bow", value="t"),
            point("air-bow", "humidity", "rh_bow", topic="shed/bow", value="rh"),
        ]
        for place in self.places:
            topic = f"shed/{place.name}"
            more = {"topic": topic, "section": place.section}
            points.append(point(place.name, "surface_temp", place.name, **more))
        return '[broker]\nhost = "127.0.0.1"\n' + tent(*points, spec="trial.toml")


# What the program says ---------------------------------------------------------------------

Done = tuple[tuple[str, float], ...]
COAT: Done = tuple(COAT_H.items())


def event_of(kind: str, at_h: float, section: str, begin_s: float = BEGIN_S) -> Event:
    """Return what was done, noted when it was done; a mix of 42 degC is `mix-temperature`."""
    at_s = begin_s + at_h * HOUR_S
    hot = {"what": kind, "value": 42.0, "unit": "degC"} if kind == "mix-temperature" else {}
    known = EventKind("measured" if hot else kind)
    return Event(known, at_s, "tent", section, recorded_s=at_s, **hot)


def clocks_of(db: Path, at_h: float, section: str, begin_s: float = BEGIN_S) -> dict[str, Any]:
    """Return when each clock of a section ends or ended, as known then [h]."""
    at = iso(at_h * HOUR_S + begin_s - BEGIN_S)
    ran = filmcall("clocks", "--json", "--at", at, "--known", "then", "--db", str(db))
    assert ran.code == 0, ran.err
    listed = [each for each in json.loads(ran.out)["clocks"] if each["section"] == section]
    return {
        each["name"]: math.inf
        if each["ends_at"] is None
        else (seconds_after(each["ends_at"]) + BEGIN_S - begin_s) / HOUR_S
        for each in listed
    }


@dataclass
class Log:
    """A course in a log, and what was done beside it."""

    folder: Path
    course: Course
    done: Done = COAT
    words: tuple[str, ...] = ("--jsonl",)
    calls: list[dict[str, Any]] = field(default_factory=list)

    def __post_init__(self) -> None:
        (self.folder / "trial.toml").write_text(sheet())
        self.config = self.folder / "tent.toml"
        self.config.write_text(self.course.config())
        self.db = self.folder / "log.db"
        csv = write_rows(self.folder / "tent.csv", self.course.rows())
        self.calls = list(map(json.loads, self.ask("replay", str(csv), *self.words).splitlines()))
        ended_s = BEGIN_S + self.course.end_h * HOUR_S
        with Store.open(self.db, now_s=lambda: ended_s) as store:
            for section in dict.fromkeys(each.section for each in self.course.places):
                for kind, at_h in self.done:
                    store.add_event(with_spec_text(store, event_of(kind, at_h, section)))

    def ask(self, *words: str) -> str:
        mapped = ("--config", str(self.config), "--db", str(self.db))
        ran = filmcall(*words, *mapped)
        assert ran.code == 0, ran.err
        return ran.out

    @cached_property
    def ends_h(self) -> dict[str, float]:
        return clocks_of(self.db, self.course.end_h, self.course.places[0].section)

    def qualities(self, point: str, from_h: float, to_h: float) -> set[str]:
        """Return which qualities a point's readings of a span have."""
        span = [round((BEGIN_S + at_h * HOUR_S) * 1e6) for at_h in (from_h, to_h)]
        with closing(sqlite3.connect(self.db)) as opened:
            codes = opened.execute(
                "SELECT DISTINCT quality FROM readings JOIN channels ON channel = id "
                "WHERE point = ? AND time_us > ? AND time_us < ?",
                (point, *span),
            ).fetchall()
        return {str(QUALITY_OF_CODE[code]) for (code,) in codes}


Told = Callable[..., Log]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """Return what plays a course once."""
    return cache(lambda *what: Log(tmp_path_factory.mktemp("air"), *what))


def silent(lag_h: float, for_h: float = math.inf, **more: Any) -> Place:
    return Place(lag_h=lag_h, silent_h=(SILENT_H, SILENT_H + for_h), **more)


def too_late(log: Log) -> dict[str, float]:
    """Return by how much each window is said to close after it truly did [min]."""
    true_h = log.course.true_ends_h(log.course.places[0].section)
    assert all(true_h[name] <= log.course.end_h for name in CLOSES)
    late = {name: (log.ends_h[name] - true_h[name]) * 60.0 for name in CLOSES}
    return {name: each for name, each in late.items() if each > SAFE_MIN}


def too_soon(log: Log) -> dict[str, float]:
    """Return by how much each step is said to be reached before it truly was [min]."""
    true_h = log.course.true_ends_h(log.course.places[0].section)
    assert all(true_h[name] <= log.course.end_h for name in OPENS)
    soon = {name: (true_h[name] - log.ends_h[name]) * 60.0 for name in OPENS}
    return {name: each for name, each in soon.items() if each > SAFE_MIN}


# The trial itself --------------------------------------------------------------------------

# Air in K off 20 degC, lag [h], silence [h], rows [s], sun [K].
Planted = tuple[float, float, float, float, float]
WARM: tuple[Planted, ...] = (
    (17.0, 1 / 3, 14.0, 60.0, 0.0),
    (17.0, 1.0, 14.0, 60.0, 0.0),
    (17.0, 2.0, 14.0, 300.0, 0.0),
    (20.0, 1 / 3, 8.0, 300.0, 0.0),
    (20.0, 1.0, 9.0, 10.0, 0.0),
    (20.0, 2.0, 11.0, 60.0, 0.0),
    (10.0, 1 / 3, 14.0, 300.0, 0.0),
    (10.0, 1.0, 10.0, 60.0, 0.0),
    (8.0, 1 / 3, 12.0, 10.0, 0.0),
    (8.0, 2.0, 14.0, 60.0, 0.0),
    (17.0, 2.0, 14.0, 60.0, 6.0),
    (12.0, 1.0, 12.0, 300.0, 8.0),
    (17.0, 1 / 3, 4.0, 60.0, 0.0),
    (14.0, 0.5, 2.0, 60.0, 0.0),
)
COLD: tuple[Planted, ...] = (
    (-16.0, 1 / 3, 14.0, 60.0, 0.0),
    (-16.0, 1.0, 14.0, 300.0, 0.0),
    (-16.0, 2.0, 11.0, 60.0, 0.0),
    (-16.0, 1 / 3, 9.0, 10.0, 0.0),
    (-20.0, 1.0, 14.0, 60.0, 0.0),
    (-10.0, 1 / 3, 10.0, 300.0, 0.0),
    (-8.0, 1.0, 14.0, 60.0, 0.0),
    (-16.0, 2.0, 4.0, 60.0, 0.0),
)
ENDS = pytest.mark.parametrize("lasting", [False, True], ids=["ended", "lasting"])


def planted(each: Planted, *, lasting: bool = False, how: str = "") -> Course:
    air_k, lag_h, for_h, every_s, sun_k = each
    place = silent(lag_h, math.inf if lasting else for_h, how=how, sun_k=sun_k)
    return Course((place,), air_k, every_s, 20.0 if every_s < 60.0 else BEGIN_H)


def name_of(each: Planted) -> str:
    air_k, lag_h, for_h, every_s, sun_k = each
    sun = f"-sun{sun_k:g}" if sun_k else ""
    return f"air{air_k:+g}K-lag{lag_h * 60:.0f}min-{for_h:g}h-{every_s:g}s{sun}"


warm = pytest.mark.parametrize("each", WARM, ids=name_of)
cold = pytest.mark.parametrize("each", COLD, ids=name_of)


def test_the_truth_here_agrees_with_a_worked_example() -> None:
    """12 h from 5 to 35 degC with 50 kJ/mol are 14.049786 h at 20 degC (exact integral).

    Equivalent age after ASTM C1074, exp[-Q (1/T - 1/Ts)]; the figure by scipy's quad. On a row a
    film takes the sheet's own time, and past the last one 65 kJ/mol at the least.
    """
    x_cold, x_warm, x_20 = (1.0 / (each + ZERO_C_K) for each in (5.0, 35.0, 20.0))
    slope = 50_000.0 / R_J_MOL_K
    table = ((5.0, math.exp(slope * (x_cold - x_20))), (35.0, math.exp(slope * (x_warm - x_20))))
    time_h = np.linspace(0.0, 12.0, 7201)
    rate = rate_per_h(5.0 + 2.5 * time_h, table, opens=True)
    aged_h = float(np.sum((rate[1:] + rate[:-1]) / 2.0 * np.diff(time_h)))
    assert aged_h == pytest.approx(14.049786, rel=3e-4)  # the example's R is 8.314
    for tables in (OPENS, CLOSES):
        for rows in tables.values():
            at_c, row_h = map(np.array, zip(*rows, strict=True))
            assert rate_per_h(at_c, rows, opens=tables is OPENS) == pytest.approx(1.0 / row_h)
    assert ABOVE_J_MOL == 65_000.0


@pytest.mark.parametrize("each", WARM + COLD, ids=name_of)
def test_each_course_is_what_it_is_meant_to_be(each: Planted, told: Told) -> None:
    """The air is believed throughout, the hull but for its silence, which decides the truth."""
    log = told(planted(each))
    course, (begin_h, end_h_) = log.course, log.course.places[0].silent_h
    hull_c = course.true_c(course.places[0])
    assert log.qualities("air-bow", course.begin_h, course.end_h) == {"ok"}
    assert log.qualities("plank", course.begin_h, begin_h) == {"ok"}
    assert "ok" not in log.qualities("plank", begin_h, min(end_h_, course.end_h))
    assert course.air_c.min() <= hull_c.min() <= hull_c.max() <= course.air_c.max()
    known = (course.time_h <= begin_h) | (course.time_h >= end_h_)
    assert np.abs(hull_c - QUIET_C).max() > 6.0
    if each[2] > 8.0:  # the hull is back before it speaks
        assert np.abs(hull_c[known] - QUIET_C).max() < 6.0


@ENDS
@warm
def test_no_window_closes_later_than_over_a_hull_that_followed_its_air(
    each: Planted, lasting: bool, told: Told
) -> None:
    log = told(planted(each, lasting=lasting))
    assert too_late(log) == {}


@ENDS
@cold
def test_nothing_is_dry_or_open_sooner_than_on_a_hull_that_followed_its_air(
    each: Planted, lasting: bool, told: Told
) -> None:
    log = told(planted(each, lasting=lasting))
    assert too_soon(log) == {}


@ENDS
@pytest.mark.parametrize("each", [WARM[1], COLD[2]], ids=name_of)
def test_a_doubted_hull_is_known_no_better_than_a_silent_one(
    each: Planted, lasting: bool, told: Told
) -> None:
    log = told(planted(each, lasting=lasting, how=FROZEN))
    assert log.qualities("plank", MOVE_H, BACK_H) == {"doubted"}
    assert (too_late(log) if each in WARM else too_soon(log)) == {}


# Two places, of which one is silent: the other's lag [h], its section, and what they have in common.
BESIDE = {
    "another section": (1.0, "hull-stbd"),
    "as quick": (1 / 3, "hull-port"),
    "a slower one": (2.0, "hull-port"),
}


@pytest.mark.parametrize("air_k", [17.0, -16.0])
@pytest.mark.parametrize("beside", BESIDE)
def test_one_of_two_probes_is_silent(beside: str, air_k: float, told: Told) -> None:
    """Another place of the hull, which speaks, has been warm and cold at another time."""
    lag_h, section = BESIDE[beside]
    course = Course((silent(1 / 3, 12.0), Place("rib", lag_h, section=section)), air_k)
    log = told(course)
    assert log.qualities("rib", course.begin_h, course.end_h) == {"ok"}
    assert (too_late(log) if air_k > 0.0 else too_soon(log)) == {}
    if section != "hull-port":
        assert_measured(clocks_of(log.db, course.end_h, section), course, course.places[1])


def assert_measured(told_h: Mapping[str, float], course: Course, place: Place) -> None:
    """Hold clocks against a hull that spoke throughout, its probe's 0.5 K put on or taken off."""
    hull_c = course.true_c(place)
    for tables, opens, off_k in ((OPENS, True, -0.5), (CLOSES, False, 0.5)):
        start_h = COAT_H["coat-ended" if opens else "coat-started"]
        for name, table in tables.items():
            by_hand_h = end_h(course.time_h, hull_c + off_k, table, start_h, opens=opens)
            if by_hand_h < course.end_h:
                assert told_h[name] == pytest.approx(by_hand_h, abs=2.0 * MINUTE_H), name


@pytest.mark.parametrize("air_k", [17.0, -16.0])
@pytest.mark.parametrize("lag_h", [1.0, 2.0])
def test_a_hull_that_speaks_is_not_touched(air_k: float, lag_h: float, told: Told) -> None:
    log = told(Course((Place(lag_h=lag_h),), air_k))
    assert log.qualities("plank", BEGIN_H, END_H) == {"ok"}
    assert_measured(log.ends_h, log.course, log.course.places[0])


# What is widened where it need not be costs trust ------------------------------------------


@ENDS
def test_quiet_air_widens_nothing(lasting: bool, told: Told) -> None:
    """What a quiet hull's own record leaves open, by hand: 0.5 K an hour, 3 K in all, and its
    probe's 0.5 K (the least that the program takes for a temperature; no source)."""
    course = Course((silent(1.0, math.inf if lasting else 6.0),), 0.0)
    log, (begin_h, back_h) = told(course), course.places[0].silent_h
    unseen_h = np.clip(np.minimum(course.time_h - begin_h, back_h - course.time_h), 0.0, 6.0)
    for tables, opens, sign in ((OPENS, True, -1.0), (CLOSES, False, 1.0)):
        start_h = COAT_H["coat-ended" if opens else "coat-started"]
        hull_c = QUIET_C + sign * (0.5 + 0.5 * unseen_h)
        for name, table in tables.items():
            by_hand_h = end_h(course.time_h, hull_c, table, start_h, opens=opens)
            assert by_hand_h <= course.end_h
            assert -sign * (log.ends_h[name] - by_hand_h) <= 3.0 * MINUTE_H, name
    assert too_soon(log) == {}


def test_quiet_air_tells_no_less_of_a_hull_than_no_air_at_all(told: Told) -> None:
    course = Course((silent(1.0, 6.0),), 0.0)
    blind = replace(course, air_silent_h=course.places[0].silent_h)
    with_air_h, without_h = told(course).ends_h, told(blind).ends_h
    for name in OPENS | CLOSES:
        assert with_air_h[name] == pytest.approx(without_h[name], abs=3.0 * MINUTE_H), name


@pytest.mark.parametrize("air_k", [3.0, -3.0])
def test_ten_minutes_of_silence_while_the_air_steps_move_little(air_k: float, told: Told) -> None:
    air = ((27.0, QUIET_C), (27.05, QUIET_C + air_k))
    heard = Course((Place(lag_h=1.0),), air=air)
    missed = replace(heard, places=(Place(lag_h=1.0, silent_h=(26.95, 27.12)),))
    for name in OPENS | CLOSES:
        apart_h = abs(told(missed).ends_h[name] - told(heard).ends_h[name])
        assert apart_h < 5.0 * MINUTE_H, name


# Pots and film memory ----------------------------------------------------------------------

POT: Table = ((10.0, 6.0), (20.0, 4.0), (30.0, 2.0))  # as `spec_text` has it


@pytest.mark.parametrize("air_k", [17.0, -16.0])
def test_a_pot_that_is_measured_is_not_touched(air_k: float, told: Told) -> None:
    """At 42 degC it is the warmest of mix, air and surface, whatever the hull did."""
    done = (*COAT, ("mixed", 26.5), ("mix-temperature", 26.5))
    quiet, heard = Course((silent(1.0, 12.0),), air_k), Course((Place(lag_h=1.0),), air_k)
    ends_h = [clocks_of(told(each, done).db, 28.5, "hull-port") for each in (quiet, heard)]
    assert ends_h[0]["pot life"] == ends_h[1]["pot life"]
    hot = np.full(heard.time_h.size, 43.0)
    by_hand_h = end_h(heard.time_h, hot, POT, 26.5, opens=False)
    assert ends_h[0]["pot life"] == pytest.approx(by_hand_h, abs=2.0 * MINUTE_H)


def test_a_pot_in_measured_air_dies_no_later_than_in_that_air(told: Told) -> None:
    log = told(Course((silent(1.0, 12.0),)), (*COAT, ("mixed", 26.5)))
    by_hand_h = end_h(log.course.time_h, log.course.air_c, POT, 26.5, opens=False)
    assert log_pot_h(log) <= by_hand_h + MINUTE_H


def log_pot_h(log: Log) -> float:
    return float(clocks_of(log.db, 31.0, "hull-port")["pot life"])


# What came over a hull in the silence: the air's degC, and its dew point's, by hour. Either way the
# hull that followed is under the dew point for over an hour.
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


@pytest.mark.parametrize("name", DAMP)
def test_dew_that_a_silent_hull_may_have_had_holds_the_next_coat(name: str, told: Told) -> None:
    air, dew = DAMP[name]
    course = Course((silent(2.0, 10.0),), air=air, dew=dew)
    hull_c, dew_c = (
        course.true_c(course.places[0]),
        np.interp(course.time_h, *zip(*dew, strict=True)),
    )
    assert (hull_c < dew_c).sum() / 120.0 > 1.0
    assert START_FACT.search(start_of(told(course))), start_of(told(course))
    # Its probe's word in place of silence is what the wider interval must not fall short of.
    heard = replace(course, places=(Place(lag_h=2.0),))
    assert START_FACT.search(start_of(told(heard)))


START_FACT = re.compile("washed|inspected|sanded")


def start_of(log: Log) -> str:
    """Return why the next coat is held at the log's end."""
    mapped = ("--config", str(log.config), "--db", str(log.db))
    ran = filmcall("check", "--now", "--json", *mapped)
    assert ran.code in (0, 10, 20), ran.err
    call = json.loads(ran.out)
    said = next(iter(call.get("sections") or ()), call)["start"]
    assert said["call"] in ("HOLD", "STOP")
    held = [each["text"] for each in said["reasons"] if each["state"] != "ok"]
    return "\n".join(held)


# Live and after a restart ------------------------------------------------------------------

QUANTITIES = {
    "t_bow": ("air-bow", Quantity.AIR_TEMP),
    "rh_bow": ("air-bow", Quantity.HUMIDITY),
    "plank": ("plank", Quantity.SURFACE_TEMP),
}


def lived(folder: Path, course: Course, killed_h: float) -> Path:
    """Feed a course to the running program, killed once and begun anew; return its log."""
    (folder / "trial.toml").write_text(sheet())
    machine = Machine(1000.0, START_S + course.begin_h * HOUR_S - 1000.0)
    live, todo = Live(folder, course.config(), machine), list(COAT)
    for after_s, cells in course.rows():
        machine.monotonic_s = 1000.0 + after_s - course.begin_h * HOUR_S
        if after_s == killed_h * HOUR_S:
            live.kill()
            live = Live(folder, course.config(), machine)
        while todo and todo[0][1] * HOUR_S <= after_s:
            event = event_of(*todo.pop(0), "hull-port", START_S)
            live.store.add_event(with_spec_text(live.store, event))
        for column, value in cells.items():
            point_name, quantity = QUANTITIES[column]
            if isinstance(value, float):
                live.hear({point_name: {quantity: value}})
        live.watch.turn(0.0)
    live.end()
    return live.path


@pytest.mark.parametrize("each", [WARM[1], COLD[0]], ids=name_of)
def test_the_running_program_says_it_over_a_restart(each: Planted, tmp_path: Path) -> None:
    """Killed in the midst of the silence; its log's calls follow from its readings."""
    course = replace(planted(each), every_s=180.0)
    db = lived(tmp_path, course, 29.0)
    ends_h, true_h = clocks_of(db, course.end_h, "hull-port", START_S), course.true_ends_h()
    ran = filmcall("sessions", "verify", "--db", str(db))
    assert ran.code == 0, ran.out + ran.err
    late = {name: ends_h[name] - true_h[name] for name in (CLOSES if each in WARM else OPENS)}
    sign = 1.0 if each in WARM else -1.0
    assert {name: off_h for name, off_h in late.items() if sign * off_h > MINUTE_H} == {}


def test_a_replayed_log_verifies(told: Told) -> None:
    for each in (WARM[1], COLD[2]):
        ran = filmcall("sessions", "verify", "--db", str(told(planted(each)).db))
        assert ran.code == 0, ran.out + ran.err
