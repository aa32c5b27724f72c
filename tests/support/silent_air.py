"""Courses in which a hull's probe falls silent while its air moves far, and what was true of them.

Every course is invented: a tent at 20 degC, then air that is heated or cooled for some hours, and a
hull behind it by a first-order lag of 20 min to 2 h, in some with the sun on it as well but never
past what its air had reached. What is true of a clock is integrated by `silent_probe` over that
hull from the sheet's own rows: ln(time) linear in 1/T between them, the form of ASTM C1074's
equivalent age. Air at 10, 30 or 40 degC stands on a row, where the sheet alone says how fast a film
ages. Hours count from 08:00.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from random import Random

import numpy as np
from command import filmcall
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
from silent_probe import Floats, Table, end_h

from monitor.log.facts import with_spec_text
from monitor.log.log import Store
from monitor.log.rows import QUALITY_OF_CODE
from rules.events import Event
from rules.vocabulary import EventKind

MINUTE_H = 1.0 / 60.0
SAFE_H = MINUTE_H  # readings are kept by the minute
CLOSE_H = 2.0 * MINUTE_H  # and noise takes as much again
QUIET_C, DEW_C = 20.0, -6.0
COAT = (("coat-started", 25.0), ("coat-ended", 25.25))  # 09:00 on the second day
SILENT_H = 26.0  # 10:00
AIR_H = (27.0, 27.5, 32.0, 32.5)  # the air goes at 11:00 and comes back at 16:00
SUN_H = (27.0, 34.0)
BEGIN_H, END_H = 14.0, 37.5  # under a day of log: no outlook is learned
NOISE_K = 0.015  # in a quarter of an hour it moves no hull by a third of 0.5 K an hour
FROZEN = "frozen"  # the last value again and again, which comes to be doubted within the hour
PORT = "hull-port"

OPENS: dict[str, Table] = {
    "touch dry": ((0.0, 16.0), (10.0, 8.0), (20.0, 4.0), (30.0, 2.0)),
    "recoat opens": ((0.0, 28.0), (10.0, 14.0), (20.0, 7.0), (30.0, 3.5)),
}
CLOSES: dict[str, Table] = {
    "tape not after": ((10.0, 20.0), (20.0, 10.0), (30.0, 5.0), (40.0, 2.5)),
    "recoat closes": ((10.0, 28.0), (20.0, 14.0), (30.0, 7.0), (40.0, 3.5)),
}
POT: Table = ((10.0, 6.0), (20.0, 4.0), (30.0, 2.0))  # as `spec_text` has it


def sheet() -> str:
    """Return the invented sheet."""
    rows = {
        name.replace(" ", "_"): ", ".join(f'"{at_c:g} degC" = "{h:g} h"' for at_c, h in table)
        for name, table in (OPENS | CLOSES).items()
    }
    flat = '{ "0 degC" = "40 h", "40 degC" = "40 h" }'
    return spec_text(
        **{name: f"{{ {each} }}" for name, each in rows.items()}, cured=flat, handle=flat
    )


@dataclass(frozen=True)
class Place:
    """One hull's probe and the place under it.

    Attributes:
        lag_h: behind the air [h].
        silent_h: from when to when it says nothing; infinity for ever [h].
        how: what stands in place of its values, `frozen` for the last one.
        sun_k: what the sun adds for seven hours, within what the air had reached [K].
        section: of the work.
        name: of the point, and of its column.
    """

    lag_h: float = 1.0
    silent_h: tuple[float, float] = (math.inf, math.inf)
    how: str = ""
    sun_k: float = 0.0
    section: str = PORT
    name: str = "plank"


@dataclass(frozen=True)
class Course:
    """A tent from its first row to its last.

    Attributes:
        places: on the hull; the first is the one asked for.
        air_k: how far the air goes from 20 degC [K].
        every_s: between two rows [s].
        span_h: first and last row [h].
        air: (hour, degC) in place of the usual course.
        dew: (hour, degC) of the air.
        air_silent_h: from when to when the air says nothing either [h].
    """

    places: tuple[Place, ...]
    air_k: float = 17.0
    every_s: float = 120.0
    span_h: tuple[float, float] = (BEGIN_H, END_H)
    air: tuple[tuple[float, float], ...] = ()
    dew: tuple[tuple[float, float], ...] = ((0.0, DEW_C),)
    air_silent_h: tuple[float, float] = (math.inf, math.inf)

    @cached_property
    def time_h(self) -> Floats:
        return np.arange(self.span_h[0] * 120, self.span_h[1] * 120 + 1) / 120.0

    @cached_property
    def air_c(self) -> Floats:
        usual = zip(AIR_H, QUIET_C + self.air_k * np.array((0, 1, 1, 0)), strict=True)
        return np.interp(self.time_h, *zip(*(self.air or usual), strict=True))

    def true_c(self, place: Place) -> Floats:
        """Return a place's temperature on `time_h` [degC]."""
        sunny = (self.time_h > SUN_H[0]) & (self.time_h < SUN_H[1])
        drive = self.air_c + place.sun_k * sunny
        lowest, highest = (f.accumulate(self.air_c) for f in (np.minimum, np.maximum))
        part = -math.expm1(-MINUTE_H / 2.0 / place.lag_h)
        found, now_c = np.empty_like(drive), QUIET_C
        for k in range(drive.size):
            now_c += (float(drive[k]) - now_c) * part
            found[k] = now_c = min(max(now_c, float(lowest[k])), float(highest[k]))
        return found

    def by_hand_h(self, low_c: Floats, high_c: Floats) -> dict[str, float]:
        """Return when each clock ends: one that opens on the low course, one that closes on the
        high [h]."""
        found = {}
        for tables, hull_c, (_, start_h) in ((CLOSES, high_c, COAT[0]), (OPENS, low_c, COAT[1])):
            for name, table in tables.items():
                found[name] = end_h(self.time_h, hull_c, table, start_h, opens=tables is OPENS)
        return found

    def true_h(self) -> dict[str, float]:
        """Return when each clock of the first place's section is truly over, at its worst place."""
        hulls = [self.true_c(e) for e in self.places if e.section == self.places[0].section]
        ends = [self.by_hand_h(hull_c, hull_c) for hull_c in hulls]
        return {n: (max if n in OPENS else min)(each[n] for each in ends) for n in ends[0]}

    def rows(self) -> Iterator[Row]:
        """Yield the recording, with a real probe's noise."""
        stir = Random(f"{self.places[0].lag_h} {self.air_k}").gauss
        hulls = {each: self.true_c(each) for each in self.places}
        dew_h, dew_c = zip(*self.dew, strict=True)
        said: dict[str, float] = {}
        for row in range(round((self.span_h[1] - self.span_h[0]) * HOUR_S / self.every_s) + 1):
            at_h = self.span_h[0] + row * self.every_s / HOUR_S
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
        for each in self.places:
            more = {"topic": f"shed/{each.name}", "section": each.section}
            points.append(point(each.name, "surface_temp", each.name, **more))
        return '[broker]\nhost = "127.0.0.1"\n' + tent(*points, spec="trial.toml")


# What the program says ---------------------------------------------------------------------

Done = tuple[tuple[str, float], ...]
MIX = "mix-temperature"  # of 42 degC


def add_event(store: Store, kind: str, at_h: float, section: str, begin_s: float = BEGIN_S) -> None:
    """Put into a log what was done, noted when it was done."""
    at_s = begin_s + at_h * HOUR_S
    event = Event(EventKind("measured" if kind == MIX else kind), at_s, "tent", section)
    event = replace(event, recorded_s=at_s)
    if kind == MIX:
        event = replace(event, what=MIX, value=42.0, unit="degC")
    store.add_event(with_spec_text(store, event))


def ends_h(
    db: Path, at_h: float, section: str = PORT, begin_s: float = BEGIN_S
) -> dict[str, float]:
    """Return when each clock of a section ends or ended, as known then [h]."""
    at = iso(at_h * HOUR_S + begin_s - BEGIN_S)
    ran = filmcall("clocks", "--json", "--at", at, "--known", "then", "--db", str(db))
    assert ran.code == 0, ran.err

    def hour(text: str | None) -> float:
        return math.inf if text is None else (seconds_after(text) + BEGIN_S - begin_s) / HOUR_S

    listed = [each for each in json.loads(ran.out)["clocks"] if each["section"] == section]
    return {each["name"]: hour(each["ends_at"]) for each in listed}


class Log:
    """A course in a log, and what was done beside it."""

    def __init__(
        self, folder: Path, course: Course, done: Done = COAT, *, typed_first: bool = False
    ) -> None:
        """Play a course; its calls know of what was done only where that was typed in first."""
        (folder / "trial.toml").write_text(sheet())
        config, self.course, self.db = folder / "tent.toml", course, folder / "log.db"
        config.write_text(course.config())
        self.mapped = ("--config", str(config), "--db", str(self.db))
        csv = write_rows(folder / "tent.csv", course.rows())
        if typed_first:
            self._type_in(done)
        ran = filmcall("replay", str(csv), *self.mapped, "--jsonl")
        assert ran.code == 0, ran.err
        if not typed_first:
            self._type_in(done)
        self.ends_h = ends_h(self.db, course.span_h[1])

    def _type_in(self, done: Done) -> None:
        with Store.open(self.db, now_s=lambda: BEGIN_S + self.course.span_h[1] * HOUR_S) as store:
            for section in dict.fromkeys(each.section for each in self.course.places):
                for kind, at_h in done:
                    add_event(store, kind, at_h, section)

    def qualities(self, name: str, from_h: float, to_h: float) -> set[str]:
        """Return which qualities a point's readings of a span have."""
        span = [round((BEGIN_S + at_h * HOUR_S) * 1e6) for at_h in (from_h, to_h)]
        with closing(sqlite3.connect(self.db)) as opened:
            codes = opened.execute(
                "SELECT DISTINCT quality FROM readings JOIN channels ON channel = id "
                "WHERE point = ? AND time_us > ? AND time_us < ?",
                (name, *span),
            ).fetchall()
        return {str(QUALITY_OF_CODE[code]) for (code,) in codes}


def unsafe_min(course: Course, told_h: Mapping[str, float]) -> dict[str, float]:
    """Return by how much a step is said to come before it did, or a window to close after [min].

    A window that has truly closed by the log's end has to be said to have; one that had not is
    not judged.
    """
    true_h, last_h = course.true_h(), course.span_h[1]
    assert all(true_h[name] <= last_h for name in (CLOSES if course.air_k > 0.0 else OPENS))
    off_h = {n: (1.0 if n in CLOSES else -1.0) * (told_h[n] - h) for n, h in true_h.items()}
    judged = {n: h for n, h in off_h.items() if n in OPENS or true_h[n] <= last_h}
    return {name: round(h * 60.0) for name, h in judged.items() if h > SAFE_H}


def silent(lag_h: float, for_h: float = math.inf, how: str = "", sun_k: float = 0.0) -> Place:
    return Place(lag_h, (SILENT_H, SILENT_H + for_h), how, sun_k)


# The planted courses ----------------------------------------------------------------------

# Air in K off 20 degC, lag [min], silence [h], rows [s], sun [K].
Planted = tuple[float, float, float, float, float]
WARM: tuple[Planted, ...] = (
    (17.0, 20.0, 14.0, 60.0, 0.0),
    (17.0, 60.0, 10.0, 60.0, 0.0),
    (17.0, 120.0, 14.0, 300.0, 0.0),
    (20.0, 20.0, 8.0, 300.0, 0.0),
    (20.0, 60.0, 7.0, 10.0, 0.0),
    (20.0, 120.0, 11.0, 300.0, 0.0),
    (10.0, 20.0, 14.0, 300.0, 0.0),
    (10.0, 60.0, 10.0, 60.0, 0.0),
    (8.0, 20.0, 12.0, 300.0, 0.0),
    (8.0, 120.0, 14.0, 300.0, 0.0),
    (17.0, 120.0, 14.0, 60.0, 6.0),
    (12.0, 60.0, 12.0, 300.0, 8.0),
    (17.0, 20.0, 4.0, 60.0, 0.0),
    (14.0, 30.0, 2.0, 300.0, 0.0),
)
COLD: tuple[Planted, ...] = (
    (-16.0, 20.0, 14.0, 60.0, 0.0),
    (-16.0, 60.0, 14.0, 300.0, 0.0),
    (-16.0, 120.0, 11.0, 60.0, 0.0),
    (-16.0, 20.0, 9.0, 10.0, 0.0),
    (-20.0, 60.0, 14.0, 300.0, 0.0),
    (-10.0, 20.0, 10.0, 300.0, 0.0),
    (-8.0, 60.0, 14.0, 300.0, 0.0),
    (-16.0, 120.0, 4.0, 60.0, 0.0),
)
ALL = WARM + COLD
LASTING = tuple(each for each in ALL if each[2] > 7.0 and each[3] >= 60.0)


def planted(each: Planted, *, lasting: bool = False, how: str = "") -> Course:
    """Return a course that ends an hour after its silence at the earliest."""
    air_k, lag_min, for_h, every_s, sun_k = each
    last_h = 36.5 if every_s < 60.0 else max(END_H, SILENT_H + for_h + 1.0)
    span_h = (22.0 if every_s < 60.0 else last_h - 23.5, last_h)
    place = silent(lag_min / 60.0, math.inf if lasting else for_h, how, sun_k)
    return Course((place,), air_k, every_s, span_h)


def name_of(each: Planted) -> str:
    return "{:+g}K-{:g}min-{:g}h-{:g}s-sun{:g}".format(*each)
