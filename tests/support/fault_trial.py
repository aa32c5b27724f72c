"""Plays a recording of `fault_classes` through the command line and scores its calls by the truth.

GO beyond the guard: minutes under GO while a true value is past its bound by more than the guard
shown. Missed STOP: a span of over 5 min beyond the guard in which no STOP stood. False STOP: a
STOP that began while every true value was inside its bound by more than the guard. GO lost:
minutes in which an advisor who knows the true values says GO and the program does not. That
advisor has the same limits, guard and bands, no trend, and waits as the program must: 10 min
inside before GO, 15 min inside by the re-entry band after STOP. Counted as well: one without any
guard; and, of clean runs, what of GO lost the same advisor loses who has only the sensors' values,
which is what their own errors cost and no rule can win back.
"""

from __future__ import annotations

import json
import re
import tempfile
import zlib
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
from command import filmcall
from fault_classes import BEGINS, BY_NAME, POINT_OF, Fault, Recording, kind_of, recorded, stamp
from fault_shed import STEP_S, Column, Shed, dew_point_c, drawn, lived, saturation_pa
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Bound:
    """One limit of polyurethane-topcoat with the bands of the program's documents."""

    value: float
    inside: int  # +1 where above is inside, -1 where below
    go_band: float
    re_entry_band: float
    guard: float  # with the config's accuracies, until one has been shown


BOUNDS = {
    "dew_margin_min": Bound(3.0, +1, 0.3, 0.5, 1.4),
    "humidity_max": Bound(80.0, -1, 1.0, 2.0, 2.85),
    "surface_temp_min": Bound(10.0, +1, 0.3, 0.5, 0.48),
    "surface_temp_max": Bound(35.0, -1, 0.3, 0.5, 0.48),
    "air_temp_min": Bound(10.0, +1, 0.3, 0.5, 0.29),
    "air_temp_max": Bound(35.0, -1, 0.3, 0.5, 0.29),
}
DWELL_S, RE_ENTRY_S = 600.0, 900.0
MISSED_AFTER_S = 300.0
BESIDE_S = 200.0
DOUBTED = re.compile(r"\b(doubted|stuck)\b")
WAYS = ("false STOP", "not known", "guard", "trend", "waiting")


@dataclass(frozen=True, slots=True)
class Heard:
    """One evaluation: when it truly came, the call, what holds it, and what was shown."""

    came_s: float
    call: str
    way: str  # what a lost minute is put down to
    guards: dict[str, float]
    unknown: frozenset[str]  # points named by a reason of state unknown
    doubted: frozenset[str]  # those whose reason says "doubted" or "stuck"


@dataclass(slots=True)
class Score:
    """Counts over runs; minutes unless the name says otherwise."""

    runs: int = 0
    hours: float = 0.0
    go_h: float = 0.0
    beyond_min: float = 0.0
    worst_run_min: float = 0.0
    beyond_by: dict[str, float] = field(default_factory=dict)
    missed_stop: int = 0
    broken_spans: int = 0
    false_stop: int = 0
    could_go_min: float = 0.0
    lost_min: float = 0.0
    own_error_min: float = 0.0  # of the lost, what the sensors' own errors cost
    bare_go_min: float = 0.0
    bare_lost_min: float = 0.0
    lost_by: dict[str, float] = field(default_factory=lambda: dict.fromkeys(WAYS, 0.0))
    noticed_after_min: list[float | None] = field(default_factory=list)
    doubts: int = 0
    doubts_by: dict[str, int] = field(default_factory=dict)
    channel_hours: float = 0.0

    def add(self, other: Score) -> None:
        """Add another's counts."""
        self.runs += other.runs
        self.hours += other.hours
        self.go_h += other.go_h
        self.beyond_min += other.beyond_min
        self.worst_run_min = max(self.worst_run_min, other.worst_run_min)
        self.missed_stop += other.missed_stop
        self.broken_spans += other.broken_spans
        self.false_stop += other.false_stop
        self.could_go_min += other.could_go_min
        self.lost_min += other.lost_min
        self.own_error_min += other.own_error_min
        self.bare_go_min += other.bare_go_min
        self.bare_lost_min += other.bare_lost_min
        self.doubts += other.doubts
        self.channel_hours += other.channel_hours
        self.noticed_after_min += other.noticed_after_min
        for mine, theirs in ((self.lost_by, other.lost_by), (self.beyond_by, other.beyond_by)):
            for name, minutes in theirs.items():
                mine[name] = mine.get(name, 0.0) + minutes
        for point, count in other.doubts_by.items():
            self.doubts_by[point] = self.doubts_by.get(point, 0) + count

    @property
    def lost_pct(self) -> float:
        """Return the share of the knowing advisor's GO that was lost [%]."""
        return 100.0 * self.lost_min / self.could_go_min if self.could_go_min else 0.0


def room_of(shed: Shed, places: int) -> dict[str, Column]:
    """Return how far the true values stand inside each bound, on the grid of 10 s."""
    return room_in(shed.air_c[:places], shed.rh_pct[:places], shed.hull_c[:places])


def room_read(shed: Shed, recording: Recording) -> dict[str, Column]:
    """Return the same of the values that were read, each until the next."""
    at = np.searchsorted(recording.times_s, shed.time_s, side="right") - 1
    read = {kind: np.vstack([recording.values[channel][np.maximum(at, 0)]
                             for channel in recording.channels if kind_of(channel) == kind])
            for kind in ("temp", "rh", "plank")}  # fmt: skip
    return room_in(read["temp"], read["rh"], read["plank"])


def room_in(air_c: Column, rh_pct: Column, hull_c: Column) -> dict[str, Column]:
    """Return how far the worst of these values, a row a place, stand inside each bound."""
    dew_c = dew_point_c(rh_pct / 100.0 * saturation_pa(air_c)).max(axis=0)
    values = {
        "dew_margin_min": hull_c.min(axis=0) - dew_c,
        "humidity_max": rh_pct.max(axis=0),
        "surface_temp_min": hull_c.min(axis=0),
        "surface_temp_max": hull_c.max(axis=0),
        "air_temp_min": air_c.min(axis=0),
        "air_temp_max": air_c.max(axis=0),
    }
    return {
        name: BOUNDS[name].inside * (value - BOUNDS[name].value) for name, value in values.items()
    }


def knowing(room: dict[str, Column], guards: dict[str, Column]) -> NDArray[np.bool_]:
    """Return where an advisor who knows the true values says GO.

    Args:
        room: how far each value stands inside its bound.
        guards: how far it must, at each time.
    """
    names = list(room)
    broken = np.any([room[name] < 0.0 for name in names], axis=0)
    inside = np.all([room[name] >= guards[name] for name in names], axis=0)
    enters = np.all([room[name] >= guards[name] + BOUNDS[name].go_band for name in names], axis=0)
    again = np.all([room[name] >= BOUNDS[name].re_entry_band for name in names], axis=0)
    call = np.zeros(len(inside), dtype=bool)
    stopped, going, enters_s, again_s = False, False, 0.0, 0.0
    for index in range(len(inside)):
        enters_s = enters_s + STEP_S if enters[index] else 0.0
        again_s = again_s + STEP_S if again[index] else 0.0
        if broken[index]:
            stopped = True
        elif stopped and again_s >= RE_ENTRY_S:
            stopped = False
        going = not stopped and bool(inside[index]) and (going or enters_s >= DWELL_S)
        call[index] = going
    return call


def played(recording: Recording) -> list[Heard]:
    """Play a recording through `filmcall replay` and return every evaluation in its order."""
    with tempfile.TemporaryDirectory() as folder:
        file, config = Path(folder) / "recording.csv", Path(folder) / "filmcall.toml"
        file.write_text(recording.text, encoding="utf-8")
        config.write_text(recording.config, encoding="utf-8")
        ran = filmcall("replay", str(file), "--config", str(config), "--jsonl", "--all")
    if ran.code:
        raise RuntimeError(f"replay ended with status {ran.code}: {ran.err.strip()}")
    return list(heard(recording, ran.out))


def heard(recording: Recording, output: str) -> Iterator[Heard]:
    """Yield each evaluation with the time at which its row truly came.

    A recording's own stamps may be wrong: each evaluation is put beside the next row of that
    stamp, in the recording's order, where that row came about now or about as much later as the
    evaluations are apart; else it keeps its distance from the evaluation before.
    """
    of_stamp: dict[str, list[int]] = {}
    for index, row in enumerate(recording.rows):
        of_stamp.setdefault(stamp(row.stamp_s), []).append(index)
    row_came = [row.came_s for row in recording.rows]
    place, came_s, last_s = 0, 0.0, 0.0
    points = {POINT_OF[channel] for channel in recording.channels}
    for line in output.splitlines():
        told = json.loads(line)
        text = told["time"]
        own_s = (datetime.fromisoformat(text) - BEGINS).total_seconds()
        expected_s = came_s + max(0.0, own_s - last_s)
        found = next((index for index in of_stamp.get(text, ()) if index >= place), None)
        if found is not None and (
            own_s < last_s
            or min(abs(row_came[found] - at_s) for at_s in (came_s, expected_s)) < BESIDE_S
        ):
            place, came_s = found, max(came_s, row_came[found])
        else:
            came_s = min(expected_s, row_came[-1])
            place = max(place, bisect_right(row_came, came_s) - 1)
        last_s = own_s
        reasons = told["reasons"]
        unknown = [each for each in reasons
                   if each["state"] == "unknown" and each["limit"] != "outlook"]  # fmt: skip
        yield Heard(
            came_s,
            told["call"],
            way_of(told["call"], reasons, bool(unknown)),
            {each["limit"]: each["guard"] for each in reasons
             if each["limit"] in BOUNDS and each["guard"] is not None},
            frozenset(p for p in points if any(p in each["text"] for each in unknown)),
            frozenset(p for p in points if any(p in each["text"] and DOUBTED.search(each["text"])
                                               for each in reasons)),
        )  # fmt: skip


def way_of(call: str, reasons: list[dict[str, object]], unknown: bool) -> str:
    """Return what keeps GO away, the gravest first."""
    near = {each["limit"] for each in reasons if each["state"] in ("near", "broken")}
    if call == "GO":
        return ""
    if call == "STOP" and any(each["state"] == "broken" for each in reasons):
        return "false STOP"
    if unknown:
        return "not known"
    if near & set(BOUNDS):
        return "guard"
    if "outlook" in near:
        return "trend"
    return "waiting"


def scored(
    shed: Shed, recording: Recording, evaluations: list[Heard], fault: Fault | None
) -> Score:
    """Return one run's counts."""
    places = 1 if "plank_stbd" not in recording.channels else 2
    room = room_of(shed, places)
    came = np.array([each.came_s for each in evaluations])
    at = np.searchsorted(came, shed.time_s, side="right") - 1
    known = at >= 0
    calls = np.array([each.call for each in evaluations])[np.maximum(at, 0)]
    go = known & (calls == "GO")
    shown = {name: np.empty(len(evaluations)) for name in BOUNDS}
    last = {name: BOUNDS[name].guard for name in BOUNDS}
    for index, each in enumerate(evaluations):
        last |= each.guards
        for name in BOUNDS:
            shown[name][index] = last[name]
    guards = {name: shown[name][np.maximum(at, 0)] for name in BOUNDS}
    beyond = {name: -room[name] > guards[name] for name in BOUNDS}
    beyond_any = np.any(list(beyond.values()), axis=0)
    inside_all = np.all([room[name] > guards[name] for name in BOUNDS], axis=0)
    could = knowing(room, guards) & known
    lost = could & ~go
    bare = knowing(room, {name: np.zeros(len(known)) for name in BOUNDS}) & known
    minutes = STEP_S / 60.0
    score = Score(runs=1, hours=len(shed.time_s) * STEP_S / 3600.0)
    score.go_h = float(go.sum()) * minutes / 60.0
    score.beyond_min = score.worst_run_min = float((go & beyond_any).sum()) * minutes
    score.beyond_by = {name: float((go & each).sum()) * minutes
                       for name, each in beyond.items() if (go & each).any()}  # fmt: skip
    for start, end in spans(beyond_any & known):
        if (end - start) * STEP_S > MISSED_AFTER_S:
            score.broken_spans += 1
            score.missed_stop += not (calls[start:end] == "STOP").any()
    begun = np.flatnonzero(known[1:] & (calls[1:] == "STOP") & (calls[:-1] != "STOP")) + 1
    score.false_stop = int(inside_all[begun].sum())
    score.could_go_min = float(could.sum()) * minutes
    if fault is None:
        by_values = knowing(room_read(shed, recording), guards)
        score.own_error_min = float((lost & ~by_values).sum()) * minutes
    score.bare_go_min = float(bare.sum()) * minutes
    score.bare_lost_min = float((bare & ~go).sum()) * minutes
    score.lost_min = float(lost.sum()) * minutes
    ways = np.array(ways_of(evaluations))[np.maximum(at, 0)]
    for way in WAYS:
        score.lost_by[way] = float((lost & (ways == way)).sum()) * minutes
    score.channel_hours = len(recording.channels) * score.hours
    if fault is not None and fault.channels:
        named = {POINT_OF[channel] for channel in fault.channels}
        score.noticed_after_min = [
            next(((each.came_s - recording.onset_s) / 60.0 for each in evaluations
                  if each.came_s >= recording.onset_s and named & (each.unknown | each.doubted)),
                 None)
        ]  # fmt: skip
    before: frozenset[str] = frozenset()
    for each in evaluations:
        for point in each.doubted - before:
            score.doubts += 1
            score.doubts_by[point] = score.doubts_by.get(point, 0) + 1
        before = each.doubted
    return score


def ways_of(evaluations: list[Heard]) -> list[str]:
    """Return what each evaluation without GO is put down to; waiting, to what it follows."""
    ways, since = [], "waiting"
    for each in evaluations:
        if each.way != "waiting":
            since = each.way or "waiting"
        if each.call == "STOP":
            since = "waiting"
        ways.append(since if each.way == "waiting" else each.way)
    return ways


def spans(true: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Yield the first and one past the last index of each stretch that is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


@lru_cache(maxsize=4)
def shed_of(seed: int, hours: float, cold_hull: bool) -> Shed:
    """Return one enclosure's true hours."""
    rng = np.random.default_rng([13, seed])
    return lived(drawn(rng, cold_hull=cold_hull), rng, hours)


def bites(shed: Shed, cold_hull: bool) -> bool:
    """Tell whether a fault can do harm: a good afternoon, then three hours beyond the guards.

    With a cold hull, one hour in which the humidity alone would still be good.
    """
    room = room_of(shed, 1)
    inside = np.all([each >= 0.0 for each in room.values()], axis=0)
    beyond = np.any([-room[name] > BOUNDS[name].guard for name in room], axis=0)
    if cold_hull:
        beyond &= room["humidity_max"] > BOUNDS["humidity_max"].guard
    hour = shed.time_s / 3600.0
    afternoon = (hour > 5.0) & (hour < 9.5)
    later = hour > 10.0
    needed_s = 3600.0 if cold_hull else 3.0 * 3600.0
    return bool(inside[afternoon].mean() > 0.5 and beyond[later].sum() * STEP_S > needed_s)


@lru_cache
def biting_seeds(count: int, hours: float, cold_hull: bool) -> tuple[int, ...]:
    """Return the first seeds whose enclosures a fault can harm."""
    found: list[int] = []
    seed = 0
    while len(found) < count:
        if bites(shed_of(seed, hours, cold_hull), cold_hull):
            found.append(seed)
        seed += 1
    return tuple(found)


def fault_run(name: str, seed: int, hours: float, every_s: float) -> tuple[Score, Recording]:
    """Play one run of a class."""
    fault = BY_NAME[name]
    shed = shed_of(seed, hours, fault.of_hull)
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    recording = recorded(shed, fault, rng, every_s)
    return scored(shed, recording, played(recording), fault), recording


def clean_run(index: int, hours: float, every_s: float) -> tuple[Score, Recording]:
    """Play one run without a fault: by turns regular and not, two bodies and one, cold hulls."""
    shed = shed_of(1000 + index, hours, index % 4 == 3)
    rng = np.random.default_rng([index, 1])
    recording = recorded(shed, None, rng, every_s, irregular=index % 3 == 2, lone=index % 2 == 1)
    return scored(shed, recording, played(recording), None), recording
