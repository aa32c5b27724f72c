"""Nights of exact truth for the shipped specs' graded limits, and an oracle of what must be said.

The weather is plain formulae: a day's hull temperature and dew margin, and one smooth dip at night.
The grades are those of the user's order: apply 3 K; to touch dry HOLD under 3 K and STOP under 1;
to handle STOP at water; after it a notice. A spec's figures are read as `spec show --json` gives
them; stages and calls are reckoned here anew. Magnus after Alduchov and Eskridge (1996), as in
`logger_files`. Noise is 0.03 K and 0.1 %; nothing is judged that lies within a sensor's guard.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

from tests.support.command import filmcall
from tests.support.logger_files import dew_point_c

SPECS = (
    "one-pack-enamel", "polyurethane-topcoat", "two-pack-epoxy-high-build",
    "two-pack-epoxy-primer", "varnish",
)  # fmt: skip
BEGIN = datetime(2026, 5, 11, 6, 0, tzinfo=UTC)
STEP_H = 1.0 / 12.0
END_H = 4.0  # of the coat
LATE_H, AHEAD_H = 0.6, 1.3
LAG_H = 0.6  # of a plank behind the air: dT/dt = (air - T) / lag
COAT_H = 0.75
RANKS = {"GO": 0, "HOLD": 1, "STOP": 2}
FALSE_GO, MISSED_STOP, FALSE_STOP, LOST_GO = "false GO", "missed STOP", "false STOP", "lost GO"
FAULTS = (FALSE_GO, MISSED_STOP, FALSE_STOP, LOST_GO)
STEPS = ("touch-dry", "recoat-opens", "handle", "cured")


@dataclass(frozen=True, slots=True)
class Night:
    """One trial: a coat, and a dip of the margin and the temperature some hours after it.

    Attributes:
        name: what it is about.
        margin_k, hull_c: at the bottom of the dip.
        after_h: the bottom, from the coat's end.
        over_k: how much warmer the air is than the hull.
        day_c, day_margin_k: outside the dip.
        half_h: half the dip's width.
    """

    name: str
    margin_k: float
    hull_c: float
    after_h: float
    over_k: float = 2.0
    day_c: float = 21.0
    day_margin_k: float = 8.0
    half_h: float = 3.0

    @property
    def hours(self) -> float:
        """How long the recording is: to some hours past the dip."""
        return END_H + max(self.after_h + self.half_h, 1.0) + 2.0

    def dip(self, hour: float) -> float:
        """Return how deep in the dip an hour is, from 0 to 1."""
        off = (hour - END_H - self.after_h) / self.half_h
        return math.cos(off * math.pi / 2.0) ** 2 if abs(off) < 1.0 else 0.0

    def hull(self, hour: float) -> float:
        """Return the hull's temperature at an hour [°C]."""
        dip = self.dip(hour)
        wave = 0.4 * math.sin(2.0 * math.pi * hour / 5.0) * (1.0 - dip)
        return self.day_c + (self.hull_c - self.day_c) * dip + wave

    def truth(self, hour: float) -> dict[str, float]:
        """Return the quantities at an hour; the air is what drives a hull that lags it so."""
        dip, hull = self.dip(hour), self.hull(hour)
        air = hull + LAG_H * (self.hull(hour + 0.05) - self.hull(hour - 0.05)) / 0.1
        air += self.over_k + 0.3 * math.sin(2.0 * math.pi * hour / 1.7)
        margin = self.day_margin_k + (self.margin_k - self.day_margin_k) * dip
        return {
            "surface_temp": hull,
            "air_temp": air,
            "dew_margin": margin,
            "humidity": humidity_pct(air, hull - margin),
        }


def humidity_pct(air_c: float, dew_c: float) -> float:
    """Return the humidity whose dew point it is, by bisection of the Magnus form."""
    low, high = 1.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if dew_point_c(air_c, middle) < dew_c else (low, middle)
    return low


# --- the oracle ---------------------------------------------------------------------------------
def rate_per_h(rows: Sequence[dict[str, float]], temp_c: float) -> float:
    """Return a clock's progress an hour: ln(time) linear in 1/T, none below, no faster above."""
    if temp_c < rows[0]["temp_c"]:
        return 0.0
    points = [(1.0 / (r["temp_c"] + 273.15), math.log(r["duration_s"] / 3600.0)) for r in rows]
    at = max(1.0 / (temp_c + 273.15), points[-1][0])
    for (cold, slow), (warm, fast) in pairwise(points):
        if warm <= at <= cold:
            return math.exp(-(fast + (slow - fast) * (at - warm) / (cold - warm)))
    return math.exp(-points[-1][1])


def step_ends_h(spec: dict[str, Any], night: Night, off_k: float) -> dict[str, float]:
    """Return when each step is reached on a hull so much off its truth; infinity where never."""
    ends = dict.fromkeys(STEPS, math.inf)
    for step in STEPS:
        done, hour = 0.0, END_H
        while hour < night.hours and ends[step] == math.inf:
            temp_c = night.truth(hour)["surface_temp"] + off_k
            done += STEP_H * rate_per_h(spec["times"][step.replace("-", "_")], temp_c)
            hour += STEP_H
            ends[step] = hour if done >= 1.0 else math.inf
    return ends


def judged(limit: str, given: dict[str, Any], value: float) -> tuple[int, int]:
    """Return the least and the most that one limit may make of the call."""
    quantity, end = limit.rsplit("_", 1)
    side = 1.0 if end == "min" else -1.0
    sure, guard = {"humidity": (1.0, 8.0), "dew_margin": (0.3, 2.8)}.get(quantity, (0.3, 1.6))
    full = {"harm": 2, "wait": 1, "slow": 0}[given["effect"]]
    room = side * (value - given["bound"])
    least, most = (full, full) if room < -sure else (0, full if room <= sure else min(full, 1))
    if room > sure + guard:
        least, most = 0, 0
    if given["wait"] is not None:
        inner = side * (value - given["wait"])
        least, most = max(least, int(inner < -sure)), max(most, int(inner <= sure + guard))
    return least, most


def oracle(spec: dict[str, Any], night: Night) -> list[tuple[float, int, int]]:
    """Return hour, least and most rank of the call, step by step; wide where it is not clear."""
    early, late = step_ends_h(spec, night, 0.4), step_ends_h(spec, night, -1.3)
    apply, flash, cure = (spec["limits"].get(stage, {}) for stage in ("apply", "flash", "cure"))
    found: list[tuple[float, int, int]] = []
    water_h = maybe_h = 0.0
    for number in range(int(night.hours / STEP_H)):
        hour = number * STEP_H
        now = night.truth(hour)
        coated = hour >= END_H - COAT_H
        stages = [apply]
        if hour >= END_H:
            stages = [{**apply, **flash}] * (hour < late["touch-dry"])
            stages += [{**apply, **flash, **cure}] * (hour >= early["touch-dry"])
        least, most = 2, 0
        for limits in stages:
            low = high = 0
            for name, given in limits.items():
                one = judged(name, given, now[name.rsplit("_", 1)[0]])
                if coated and hour >= early[given["until"]]:
                    one = (0, one[1] if hour < late[given["until"]] else 0)
                low, high = max(low, one[0]), max(high, one[1])
            least, most = min(least, low), max(most, high)
        if hour >= END_H and hour < late["handle"]:
            water_h += STEP_H * (now["dew_margin"] < -0.3 and hour < early["handle"])
            maybe_h += STEP_H * (now["dew_margin"] < 3.0)
        least = max(least, int(water_h > 0.3))  # a wet night is not forgotten: HOLD until answered
        most = max(most, int(maybe_h > 0.0))
        found.append((hour, least, most))
    return found


# --- the trial ----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Score:
    """What a night came to: minutes with one right answer, of each fault, and the first of each.

    `due` counts the minutes on which only GO is right, only STOP, and HOLD or worse.
    """

    spec: str
    night: str
    due: Counter[str]
    faults: Counter[str]
    first: dict[str, str]


def replayed(folder: Path, spec: str, night: Night) -> list[dict[str, Any]]:
    """Return every evaluation of a night by the public doors."""
    config, recording, log = folder / "tent.toml", folder / "night.csv", str(folder / "log.db")
    point = '[[enclosure.point]]\nname = "{}"\nquantity = "{}"\nunit = "{}"\ncolumn = "{}"\n'
    config.write_text(
        f'[[enclosure]]\nname = "tent"\nspec = "{spec}"\ntimezone = "Etc/UTC"\n'
        + point.format("bow", "air_temp", "degC", "air")
        + point.format("bow", "humidity", "%", "rh")
        + point.format("plank", "surface_temp", "degC", "hull")
        + 'section = "port"\n'
    )
    stir = Random(night.name).gauss
    lines = ["time,air,rh,hull"]
    for number in range(int(night.hours / STEP_H)):
        now = night.truth(number * STEP_H)
        lines.append(
            f"{at(number * STEP_H)},{now['air_temp'] + stir(0, 0.03):.2f},"
            f"{now['humidity'] + stir(0, 0.1):.2f},{now['surface_temp'] + stir(0, 0.03):.2f}"
        )
    recording.write_text("\n".join(lines) + "\n")
    place = ("--enclosure", "tent", "--section", "port", "--db", log)
    if spec == "varnish":
        dry = ("--what", "wood-moisture", "--value", "12", "--unit", "pct")
        told(*("event", "measured", *place, "--at", at(0.0), *dry))
    told("event", "coat-started", *place, "--at", at(END_H - COAT_H), "--spec", spec)
    told("event", "coat-ended", *place, "--at", at(END_H))
    out = told("replay", str(recording), "--config", str(config), "--spec", spec, "--jsonl",
               "--all", "--db", log)  # fmt: skip
    return [json.loads(line) for line in out.splitlines() if line.startswith("{")]


def at(hour: float) -> str:
    """Return an hour of the trial as a time."""
    return (BEGIN + timedelta(hours=hour)).isoformat()


def told(*words: str) -> str:
    """Run the program and return what it prints."""
    ran = filmcall(*words)
    if ran.code:
        raise RuntimeError(ran.err)
    return ran.out


def score(spec: str, night: Night, play: Callable[..., list[dict[str, Any]]] = replayed) -> Score:
    """Play one night and count the minutes on which the program and the oracle part.

    A change of the truth may be answered 36 min late (dwell 10 min, coming back 15, a few rows),
    and what breaks within 78 min may be HOLD already (the trend is told an hour ahead).
    """
    truth = json.loads(told("spec", "show", spec, "--json"))
    with tempfile.TemporaryDirectory() as folder:
        calls = play(Path(folder), spec, night)
    due = oracle(truth, night)
    faults: Counter[str] = Counter()
    first: dict[str, str] = {}
    due_min: Counter[str] = Counter()
    said = {round((datetime.fromisoformat(c["time"]) - BEGIN).total_seconds() / 300.0): c
            for c in calls}  # fmt: skip
    for number, (hour, _, _) in enumerate(due):
        window = due[max(0, number - round(LATE_H / STEP_H)) : number + 2]
        least, most = min(each[1] for each in window), max(each[2] for each in window)
        soon = max(each[2] for each in due[number : number + round(AHEAD_H / STEP_H)])
        most = max(most, min(soon, 1))
        call = said.get(number)
        if call is None or hour < 1.0:
            continue
        for name, is_due in (("GO", most == 0), ("HOLD", least == 1), ("STOP", least == 2)):
            due_min[name] += round(60.0 * STEP_H) * is_due
        rank = RANKS[call["call"]]
        if least <= rank <= most:
            continue
        name = (MISSED_STOP if rank else FALSE_GO) if rank < least else (
            FALSE_STOP if rank == 2 else LOST_GO
        )  # fmt: skip
        faults[name] += round(60.0 * STEP_H)
        why = "; ".join(r["text"] for r in call["reasons"] if r["state"] != "ok")[:160]
        now = {key: round(value, 2) for key, value in night.truth(hour).items()}
        first.setdefault(name, f"{hour - END_H:+.1f} h, stage {call['stage']}, {now}: {why}")
    return Score(spec, night.name, due_min, faults, first)


NIGHTS = (
    Night("mild", 7.0, 17.0, 8.0),
    Night("two kelvin before the coat", 1.8, 19.0, -2.0, over_k=4.0, half_h=2.5),
    Night("cold before the coat", 6.5, 6.0, -2.0, half_h=3.0, day_c=16.0),
    Night("half a kelvin while coating", 0.5, 19.0, -0.3, over_k=4.0, half_h=2.0),
    Night("two kelvin while soft", 1.9, 19.0, 2.0, over_k=4.0, half_h=2.0),
    Night("half a kelvin while soft", 0.4, 19.0, 2.0, over_k=4.0, half_h=2.0),
    Night("water while soft", -1.2, 18.0, 2.0, over_k=4.0, half_h=2.0),
    Night("two kelvin before handle", 1.8, 18.0, 12.0, over_k=4.0),
    Night("half a kelvin before handle", 0.6, 18.0, 12.0, over_k=4.0),
    Night("water before handle", -1.2, 18.0, 12.0, over_k=4.0),
    Night("water after handle", -1.2, 17.0, 38.0, over_k=4.0, day_c=24.0),
    Night("cold while soft", 6.5, 6.0, 2.8, half_h=3.5, day_c=16.0),
    Night("cold after touch dry", 6.5, 6.0, 18.0, half_h=4.5, day_c=17.0),
    Night("hot while soft", 9.0, 38.0, 1.8, half_h=3.5, day_c=26.0),
    Night("damp on a warm hull while soft", 3.9, 24.0, 2.0, over_k=-3.0, half_h=2.0),
    Night("damp on a warm hull before handle", 3.9, 24.0, 12.0, over_k=-3.0),
)
