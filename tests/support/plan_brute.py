"""An exhaustive planner for tiny jobs, and a checker for any plan: the job planner's counterpart.

Both are written from the job file's stated meaning alone and share no code with the program, its
spec reader and its clocks included. The planner tries every placing on a grid of 15 min, because
mixing takes 15 min: where every time of a job is a multiple of 15 min, a best plan lies on it.
"""

from __future__ import annotations

import itertools
import math
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from typing import Any
from zoneinfo import ZoneInfo

SLOT_S = 900
MIXING_S = 900
SANDING_S = 3 * 3600
TOLERANCE_S = 60.0
HORIZON_DAYS = 21
MOST_NODES = 300_000
HANDLED = {"wash", "sand", "wipe", "tape", "mix", "coat", "untape"}
"""Steps that take a person; `wait` takes none."""

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_PART = re.compile(r"([\d.]+)\s*(min|h|days?)")
_PART_S = {"min": 60.0, "h": 3600.0, "day": 86400.0, "days": 86400.0}


@dataclass(frozen=True, slots=True)
class Hour:
    """Outdoor weather from a full hour on [s since 1970, °C, %]."""

    time_s: float
    temp_c: float
    rh_pct: float


def seconds(text: str) -> float:
    """Return a duration as the files write it [s].

    >>> seconds("1 h 30 min"), seconds("2 days")
    (5400.0, 172800.0)
    """
    parts = _PART.findall(text)
    if not parts:
        raise ValueError(f"no duration: {text!r}")
    return sum(float(number) * _PART_S[unit] for number, unit in parts)


def number(text: str) -> float:
    """Return the figure of `85 %`, `3 K` or `10 degC`."""
    return float(text.split()[0])


def water_hpa(temp_c: float) -> float:
    """Saturation pressure over water: Magnus' form with the figures of WMO-No. 8, annex 4.B."""
    return 6.112 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def dew_point_c(temp_c: float, rh_pct: float) -> float:
    """Dew point by the same form [°C]."""
    ln = math.log(rh_pct / 100.0 * water_hpa(temp_c) / 6.112)
    return 243.12 * ln / (17.62 - ln)


class Coating:
    """One spec file as its text states it, with clocks over a course of hours."""

    def __init__(self, text: str) -> None:
        self.toml = tomllib.loads(text)
        self.name: str = self.toml["name"]
        self.family: str = self.toml["family"]
        ratio = self.toml.get("mix", {}).get("ratio", "1:0")
        self.two_pack = float(ratio.split(":")[1]) > 0.0

    def table(self, clock: str, following: Coating | None = None) -> list[tuple[float, float]]:
        """Rows (°C, s) from cold to hot; none where the sheet gives no such time."""
        rows = self.toml["times"].get(clock, {})
        if following is not None:
            over = self.toml.get("recoat_before", {})
            for key in (following.family, following.name):
                rows = over.get(key, {}).get(clock, rows)
        return sorted((number(temp), seconds(time)) for temp, time in rows.items())


def rate(table: Sequence[tuple[float, float]], temp_c: float, opens: bool) -> float:
    """1 / time at a temperature [1/s]: ln(time) runs linearly in 1/T between rows.

    An opens clock gets no credit below its table and runs no faster than its hottest row. A closes
    clock keeps the coldest row's time below; above it the last slope or 65 kJ/mol, the steeper.
    """
    cold, hot = table[0], table[-1]
    if temp_c < cold[0]:
        return 0.0 if opens else 1.0 / cold[1]
    slopes = [
        math.log(a[1] / b[1]) / (1 / (a[0] + 273.15) - 1 / (b[0] + 273.15))
        for a, b in itertools.pairwise(table)
    ]
    if temp_c > hot[0]:
        if opens:
            return 1.0 / hot[1]
        slope = max([65_000.0 / 8.314462618, *slopes[-1:]])
        return math.exp(slope * (1 / (hot[0] + 273.15) - 1 / (temp_c + 273.15))) / hot[1]
    for (t0, s0), (t1, _), slope in zip(table, table[1:], slopes, strict=False):
        if temp_c < t1:
            return math.exp(slope * (1 / (t0 + 273.15) - 1 / (temp_c + 273.15))) / s0
    return 1.0 / hot[1]


class Air:
    """The hours inside one enclosure: outdoors, warmer by so much, no water added or taken."""

    def __init__(self, hours: Sequence[Hour], warmer_k: float) -> None:
        self.start_s, self.end_s = hours[0].time_s, hours[-1].time_s + 3600.0
        self.temp = [hour.temp_c + warmer_k for hour in hours]
        self.rh = [
            min(100.0, hour.rh_pct * water_hpa(hour.temp_c) / water_hpa(hour.temp_c + warmer_k))
            for hour in hours
        ]

    def clock_end(self, table: Sequence[tuple[float, float]], start_s: float, opens: bool) -> float:
        """When the integral of dt / time(T) from a start reaches one; the last hour holds on."""
        left, now = 1.0, start_s
        while True:
            at = min(max(int((now - self.start_s) // 3600.0), 0), len(self.temp) - 1)
            pace = rate(table, self.temp[at], opens)
            until = self.start_s + 3600.0 * (at + 1) if now < self.end_s - 3600.0 else math.inf
            if pace > 0.0 and now + left / pace <= until + 1e-6:
                return now + left / pace
            if until == math.inf:
                return math.inf
            left -= pace * (until - now)
            now = until

    def faulty_limit(self, coating: Coating, start_s: float, end_s: float, edge_s: float) -> str:
        """Name a limit that fails in an hour between the start and its harm time's end, or ''."""
        for name, limit in coating.toml["limits"]["apply"].items():
            until = limit["until"].replace("-", "_")
            harm_end_s = self.clock_end(coating.table(until), end_s, opens=True)
            if harm_end_s > self.end_s + TOLERANCE_S or start_s < self.start_s:
                return f"{name} is not known to the end of its harm time"
            low = math.ceil((start_s - edge_s - self.start_s) / 3600.0)
            high = math.ceil((harm_end_s + edge_s - self.start_s) / 3600.0)
            bound = number(limit["bound"])
            for at in range(max(low, 0), min(high, len(self.temp))):
                temp, rh = self.temp[at], self.rh[at]
                value = {
                    "dew_margin_min": temp - dew_point_c(temp, rh),
                    "humidity_max": rh,
                    "humidity_min": rh,
                }.get(name, temp)
                if value > bound if name.endswith("_max") else value < bound:
                    return f"{name} fails in hour {at}"
        return ""


@dataclass(frozen=True, slots=True)
class Item:
    """One entry of a system: a coat, or a sanding where `coating` is None [s].

    A coat is taped where tape stands before it, each of several alike.
    """

    coating: Coating | None
    takes_s: float
    is_taped: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A section: its enclosure's name, its neighbours in both directions, its system in order."""

    name: str
    enclosure: str
    beside: frozenset[str]
    items: tuple[Item, ...]

    @property
    def coats(self) -> list[Item]:
        return [item for item in self.items if item.coating is not None]


class Job:
    """A job file with its specs and the air of each enclosure."""

    def __init__(self, text: str, specs: Mapping[str, str], hours: Sequence[Hour]) -> None:
        toml = tomllib.loads(text)
        job = toml["job"]
        self.people: int = job.get("people", 1)
        self.zone = ZoneInfo(job.get("timezone", "Etc/UTC"))
        self.start = date.fromisoformat(job["start"])
        self.closed = {date.fromisoformat(day) for day in job.get("closed", [])}
        self.done_when: str = job.get("done_when", "cured")
        day_after = date.fromisoformat(job["must_be_done"]) + timedelta(days=1)
        self.deadline_s = datetime.combine(day_after, clock_time(), self.zone).timestamp()
        self.hours: str | dict[str, str] = job["hours"]
        coatings = {name: Coating(spec) for name, spec in specs.items()}
        self.parts = {
            each["name"]: _part(each, toml["section"], coatings) for each in toml["section"]
        }
        self.air = {
            part.enclosure: Air(
                hours,
                number(toml.get("enclosure", {}).get(part.enclosure, {}).get("warmer", "0 K")),
            )
            for part in self.parts.values()
        }

    def spans(self, days: int = HORIZON_DAYS) -> list[tuple[float, float]]:
        """Working spans from the start on, by local wall time [s since 1970]."""
        found = []
        for day in (self.start + timedelta(days=count) for count in range(days)):
            for span in self._words_of(day):
                ends = []
                for word in span.strip().split("-"):
                    at = clock_time.fromisoformat(word)
                    ends.append(datetime.combine(day, at, self.zone).astimezone(UTC).timestamp())
                found.append((ends[0], ends[1]))
        return found

    def _words_of(self, day: date) -> list[str]:
        if day in self.closed:
            return []
        if isinstance(self.hours, str):
            return self.hours.split(",")
        for key, words in self.hours.items():
            first, _, last = key.partition("-")
            if _DAYS.index(first) <= day.weekday() <= _DAYS.index(last or first):
                return words.split(",")
        return []

    def good_start(self, part: Part, item: Item, start_s: float, edge_s: float = 0.0) -> bool:
        assert item.coating is not None
        air = self.air[part.enclosure]
        return not air.faulty_limit(item.coating, start_s, start_s + item.takes_s, edge_s)

    def clock_end(
        self,
        part: Part,
        coating: Coating,
        clock: str,
        start_s: float,
        opens: bool = True,
        following: Coating | None = None,
    ) -> float | None:
        """When a clock ends, or None where the sheet has no such time [s since 1970]."""
        table = coating.table(clock, following)
        return self.air[part.enclosure].clock_end(table, start_s, opens) if table else None


def _part(each: dict[str, Any], all_: list[dict[str, Any]], specs: Mapping[str, Coating]) -> Part:
    items: list[Item] = []
    taped = False
    for entry in each["system"]:
        if "tape" in entry:
            taped = True
            continue
        coating = specs[entry["coat"]] if "coat" in entry else None
        takes_s = seconds(entry.get("takes", "1 h" if coating else "3 h"))
        items += [Item(coating, takes_s, taped)] * entry.get("times", 1)
        taped = False
    beside = set(each.get("beside", []))
    beside |= {other["name"] for other in all_ if each["name"] in other.get("beside", [])}
    return Part(each["name"], each["enclosure"], frozenset(beside), tuple(items))


# --- The checker ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Placed:
    """One step of a plan as it was read from its JSON [s since 1970]."""

    section: str
    coat: int | None
    step: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Film:
    """One coat of a plan with the ends of its clocks [s since 1970]."""

    part: Part
    item: Item
    placed: Placed
    touch_dry_s: float
    handle_s: float | None


def when(text: str) -> float:
    """Return an ISO time that names its zone [s since 1970]."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text} names no zone")
    return at.timestamp()


def faults_of(
    plan: Mapping[str, Any], job_text: str, specs: Mapping[str, str], hours: Sequence[Hour]
) -> list[str]:
    """Return every stated rule that a plan breaks, one sentence each; empty for a valid plan.

    Args:
        plan: the JSON object of `filmcall plan --json`.
        job_text: the job file.
        specs: text of each spec file, by the name that the job gives it.
        hours: outdoor hours without a hole.
    """
    job = Job(job_text, specs, hours)
    steps, faults = _read_steps(plan)
    faults += _working_faults(job, steps)
    films: list[Film] = []
    for part in job.parts.values():
        own = [step for step in steps if step.section == part.name]
        found, wrong = _films_of(job, part, own)
        films += found
        faults += wrong + _tape_faults(part, own)
    for film in films:
        faults += _pot_faults(job, film, steps) + _air_faults(job, film)
        faults += _beside_faults(film, films, steps)
    for name in job.parts:
        own_films = [film for film in films if film.part.name == name]
        for before, after in itertools.pairwise(own_films):
            faults += _recoat_faults(job, before, after, steps)
    faults += _dust_faults(job, films, steps)
    faults += _unknown_sections(job, steps)
    return faults + _finish_faults(job, films, plan)


def _read_steps(plan: Mapping[str, Any]) -> tuple[list[Placed], list[str]]:
    steps, faults = [], []
    for step in plan["steps"]:
        told = f"{step['section']} {step['step']} {step['start']}"
        start, end = when(step["start"]), when(step["end"])
        if not start < end:
            faults.append(f"{told}: ends before it starts")
        if not when(step["earliest"]) <= start + 1 or not start <= when(step["latest"]) + 1:
            faults.append(f"{told}: not between its earliest and latest time")
        if not 0.0 <= step["probability"] <= 1.0:
            faults.append(f"{told}: probability {step['probability']}")
        if not step["rests_on"]:
            faults.append(f"{told}: does not say what it rests on")
        if step["step"] not in HANDLED | {"wait"}:
            faults.append(f"{told}: unknown kind of step")
        steps.append(Placed(step["section"], step["coat"], step["step"], start, end))
    return sorted(steps, key=lambda each: each.start_s), faults


def _unknown_sections(job: Job, steps: Sequence[Placed]) -> list[str]:
    names = {step.section for step in steps} - set(job.parts)
    return [f"{name}: no section of the job" for name in sorted(names)]


def _working_faults(job: Job, steps: Sequence[Placed]) -> list[str]:
    faults = []
    work = [step for step in steps if step.step in HANDLED]
    last_s = max((step.end_s for step in work), default=0.0)
    first = datetime.combine(job.start, clock_time(), job.zone).timestamp()
    spans = job.spans(int((last_s - first) // 86400) + 3)
    for step in work:
        if not any(a - 1 <= step.start_s and step.end_s <= b + 1 for a, b in spans):
            faults.append(f"{step}: not whole inside one working span")
        at_once = sum(each.start_s < step.start_s + 1 < each.end_s for each in work)
        if at_once > job.people:
            faults.append(f"{step}: {at_once} people at once, of {job.people}")
    return faults


def _films_of(job: Job, part: Part, own: Sequence[Placed]) -> tuple[list[Film], list[str]]:
    coats = [step for step in own if step.step == "coat"]
    sandings = [step for step in own if step.step == "sand"]
    faults, films = [], []
    if [step.coat for step in coats] != list(range(1, len(part.coats) + 1)):
        return [], [f"{part.name}: coats {[step.coat for step in coats]} of {len(part.coats)}"]
    numbered = iter(zip(part.coats, coats, strict=True))
    after_s, asked = -math.inf, []
    for entry in part.items:
        if entry.coating is None:
            asked.append(entry.takes_s)
            continue
        item, placed = next(numbered)
        if placed.end_s - placed.start_s < item.takes_s - TOLERANCE_S:
            faults.append(f"{placed}: shorter than the {item.takes_s} s that it takes")
        between = sorted(
            s.end_s - s.start_s
            for s in sandings
            if after_s <= s.start_s and s.end_s <= placed.start_s + 1
        )
        if len(between) < len(asked) or any(
            has < needs - TOLERANCE_S
            for has, needs in zip(between[::-1], sorted(asked)[::-1], strict=False)
        ):
            faults.append(f"{placed}: the system's sanding before it is lacking or too short")
        after_s, asked = placed.end_s, []
        assert item.coating is not None
        dry_s = job.clock_end(part, item.coating, "touch_dry", placed.end_s)
        handle_s = job.clock_end(part, item.coating, "handle", placed.end_s)
        films.append(Film(part, item, placed, dry_s if dry_s is not None else math.inf, handle_s))
    return films, faults


def _tape_faults(part: Part, own: Sequence[Placed]) -> list[str]:
    """Tape goes on before each taped coat and comes off after it, before any goes on anew."""
    faults, off_s = [], -math.inf
    for number, item in enumerate(part.coats, 1):
        at = {step.step: step for step in own if step.coat == number}
        if not item.is_taped or "coat" not in at:
            continue
        if not {"tape", "untape"} <= set(at):
            faults.append(f"{part.name}: coat {number} is not taped, or its tape stays on")
            continue
        if at["tape"].end_s > at["coat"].start_s + 1 or at["untape"].start_s < at["coat"].end_s - 1:
            faults.append(f"{at['coat']}: not between its tapes")
        if at["tape"].start_s < off_s - 1:
            faults.append(f"{at['tape']}: over tape that is not off yet")
        off_s = at["untape"].end_s
    return faults


def _pot_faults(job: Job, film: Film, steps: Sequence[Placed]) -> list[str]:
    coating, coat = film.item.coating, film.placed
    assert coating is not None
    if not coating.two_pack:
        return []
    mixed = [s for s in steps if (s.step, s.section, s.coat) == ("mix", coat.section, coat.coat)]
    mixed = [s for s in mixed if s.end_s <= coat.start_s + 1]
    if not mixed:
        return [f"{coat}: no mixing before it"]
    mix, faults = mixed[-1], []
    if mix.end_s - mix.start_s < MIXING_S - TOLERANCE_S:
        faults.append(f"{mix}: mixing takes 15 min")
    ready_s = job.clock_end(film.part, coating, "induction", mix.end_s)
    if ready_s is not None and ready_s > coat.start_s + TOLERANCE_S:
        faults.append(f"{coat}: its pot's induction is not over")
    dead_s = job.clock_end(film.part, coating, "pot_life", mix.end_s, opens=False)
    if dead_s is not None and dead_s < coat.end_s - TOLERANCE_S:
        faults.append(f"{coat}: its pot dies before its end")
    return faults


def _air_faults(job: Job, film: Film) -> list[str]:
    coating, coat = film.item.coating, film.placed
    assert coating is not None
    fault = job.air[film.part.enclosure].faulty_limit(coating, coat.start_s, coat.end_s, 0.0)
    return [f"{coat}: {fault}"] if fault else []


def _recoat_faults(job: Job, before: Film, after: Film, steps: Sequence[Placed]) -> list[str]:
    first, following = before.item.coating, after.item.coating
    assert first is not None
    under, over = before.placed, after.placed
    faults = []
    opens_s = job.clock_end(before.part, first, "recoat_opens", under.end_s, True, following)
    if opens_s is None or over.start_s < opens_s - TOLERANCE_S:
        faults.append(f"{over}: before the window opens")
    sanded = [
        s
        for s in steps
        if s.section == over.section
        and s.step == "sand"
        and under.end_s <= s.start_s
        and s.end_s <= over.start_s + 1
    ]
    sandable_s = job.clock_end(before.part, first, "sand", under.end_s)
    for sanding in sanded:
        if sandable_s is not None and sanding.start_s < sandable_s - TOLERANCE_S:
            faults.append(f"{sanding}: the film cannot be sanded yet")
    closes_s = job.clock_end(before.part, first, "recoat_closes", under.start_s, False, following)
    if closes_s is not None and over.start_s > closes_s + TOLERANCE_S and not sanded:
        faults.append(f"{over}: after the window closes, without a sanding")
    return faults


def _dust_faults(job: Job, films: Sequence[Film], steps: Sequence[Placed]) -> list[str]:
    return [
        f"{step}: sanded while {film.placed.section} is wet in the same enclosure"
        for step in steps
        if step.step == "sand" and step.section in job.parts
        for film in films
        if film.part.enclosure == job.parts[step.section].enclosure
        and step.start_s < film.touch_dry_s - TOLERANCE_S
        and film.placed.start_s < step.end_s - TOLERANCE_S
    ]


def _beside_faults(film: Film, films: Sequence[Film], steps: Sequence[Placed]) -> list[str]:
    coat, faults = film.placed, []
    own = [s for s in steps if (s.section, s.coat) == (coat.section, coat.coat)]
    tapes = [s for s in own if s.step == "tape" and s.end_s <= coat.start_s + 1]
    untapes = [s for s in own if s.step == "untape" and s.start_s >= coat.end_s - 1]
    on_s = tapes[-1].start_s if tapes else coat.start_s
    off_s = untapes[0].end_s if untapes else coat.end_s
    for other in films:
        if other.part.name not in film.part.beside or other.placed.start_s >= on_s:
            continue
        if other.handle_s is None or other.handle_s > on_s + TOLERANCE_S:
            faults.append(f"{coat}: tape on {other.placed.section} before it can be handled")
    for step in steps:
        if (
            step.section in film.part.beside
            and step.step in {"coat", "sand"}
            and step.start_s < off_s - 1
            and on_s < step.end_s - 1
        ):
            faults.append(f"{step}: under {coat.section}'s tape")
    return faults


def _finish_faults(job: Job, films: Sequence[Film], plan: Mapping[str, Any]) -> list[str]:
    finish_s, faults = when(plan["finish"]), []
    for film in films:
        coating = film.item.coating
        assert coating is not None
        done_s = job.clock_end(film.part, coating, job.done_when, film.placed.end_s)
        if done_s is None or done_s > finish_s + TOLERANCE_S:
            faults.append(f"{film.placed}: not {job.done_when} at the finish")
    if finish_s > job.deadline_s:
        faults.append(f"finish {plan['finish']} is past the day by which all must be done")
    promised = plan["promised"]
    # No day may be promised where none is kept in nine of ten draws within the hours given.
    day_only = promised is None or len(promised) == len("2026-10-19")
    if promised is None:
        promised_s = math.inf
    elif day_only:
        last = datetime.combine(date.fromisoformat(promised), clock_time.max, job.zone)
        promised_s = last.timestamp()
    else:
        promised_s = when(promised)
    if promised_s < finish_s - TOLERANCE_S:
        faults.append(f"promised {promised}, before the best finish {plan['finish']}")
    slacks = [job.deadline_s - finish_s] + ([] if day_only else [job.deadline_s - promised_s])
    if not any(abs(plan["slack_s"] - slack) <= TOLERANCE_S for slack in slacks):
        faults.append(f"slack {plan['slack_s']} s, not {slacks}")
    if not (isinstance(plan["proved"], bool) and plan["gap"] >= 0.0):
        faults.append("proved is no truth value, or the gap is below 0")
    if plan["proved"] and plan["gap"] > 1e-9:
        faults.append("proved best, yet with a gap")
    return faults


# --- The exhaustive planner -------------------------------------------------------------------


@dataclass(slots=True)
class Search:
    """A depth-first search with a bound; times are slots since the first hour."""

    job: Job
    edge_s: float
    zero_s: float
    allowed: dict[int, int]  # slot -> slots left in its span
    best: int
    order: list[tuple[Part, int]]
    busy: dict[int, int] = field(default_factory=dict)
    films: list[tuple[Part, int, int, int, int]] = field(default_factory=list)
    """Part, start, end, touch dry, handle."""
    sandings: list[tuple[Part, int, int]] = field(default_factory=list)
    last: dict[str, tuple[Coating, int, int]] = field(default_factory=dict)
    """By section the newest film: its coating, start and end."""
    since: dict[str, int] = field(default_factory=dict)
    """By section the earliest slot of what comes next, and whether it was sanded."""
    sanded: dict[str, bool] = field(default_factory=dict)
    memo: dict[tuple[str, str, str, int, bool, str], int | None] = field(default_factory=dict)
    good: dict[tuple[str, str, float, int], bool] = field(default_factory=dict)
    mixes: list[tuple[Part, int]] = field(default_factory=list)
    found: list[tuple[str, int | None, str, int, int]] = field(default_factory=list)
    """The best plan so far: section, coat, step, start and end of each step."""
    nodes: int = 0

    def keep(self) -> None:
        """Note the steps as they stand; films and pots of a section follow its coats' order."""
        self.found = [(part.name, None, "sand", a, b) for part, a, b in self.sandings]
        for name in self.job.parts:
            films = [each for each in self.films if each[0].name == name]
            pots = [at for part, at in self.mixes if part.name == name]
            self.found += [(name, n, "coat", f[1], f[2]) for n, f in enumerate(films, start=1)]
            self.found += [(name, n, "mix", at, at + 1) for n, at in enumerate(pots, start=1)]

    def clock(
        self,
        part: Part,
        coating: Coating,
        name: str,
        slot: int,
        opens: bool = True,
        following: Coating | None = None,
    ) -> int | None:
        """When a clock ends [slot]: an opens clock rounded up, a closes clock down."""
        key = (part.enclosure, coating.name, name, slot, opens, following.name if following else "")
        if key not in self.memo:
            start_s = self.zero_s + slot * SLOT_S
            end_s = self.job.clock_end(part, coating, name, start_s, opens, following)
            if end_s is None:
                self.memo[key] = None
            else:
                exact = (end_s - self.zero_s) / SLOT_S
                whole = math.ceil(exact - 1e-6) if opens else math.floor(exact + 1e-6)
                self.memo[key] = whole if math.isfinite(exact) else self.best + 1
        return self.memo[key]

    def is_free(self, start: int, length: int) -> bool:
        return self.allowed.get(start, 0) >= length and all(
            self.busy.get(slot, 0) < self.job.people for slot in range(start, start + length)
        )

    def take(self, start: int, length: int, by: int) -> None:
        for slot in range(start, start + length):
            self.busy[slot] = self.busy.get(slot, 0) + by

    def tail(self, part: Part, index: int, end: int) -> int:
        """The least finish of a section once entry `index` has ended, people and air left aside."""
        previous = part.items[index].coating
        for item in part.items[index + 1 :]:
            if item.coating is not None and previous is not None:
                opens = self.clock(part, previous, "recoat_opens", end, True, item.coating)
                end = max(end, opens or end)
            end += _slots(item.takes_s)
            previous = item.coating or previous
        coats = part.coats
        assert coats[-1].coating is not None
        if previous is None:
            return end
        return self.clock(part, coats[-1].coating, self.job.done_when, end) or self.best

    def run(self, depth: int, finish: int) -> None:
        self.nodes += 1
        if self.nodes > MOST_NODES:
            raise RuntimeError("this job is too large for an exhaustive search")
        if finish >= self.best:
            return
        if depth == len(self.order):
            self.best = finish
            self.keep()
            return
        part, index = self.order[depth]
        item = part.items[index]
        if item.coating is None:
            for start in self.sanding_starts(part, item):
                with_it = (part, start, start + _slots(item.takes_s))
                if self.tail(part, index, with_it[2]) >= self.best:
                    break
                self.with_sanding(with_it, lambda: self.run(depth + 1, finish))
            return
        self.coat(depth, part, index, finish)

    def sanding_starts(self, part: Part, item: Item) -> Iterator[int]:
        length = _slots(item.takes_s)
        first = self.since.get(part.name, 0)
        if part.name in self.last:
            coating, _, end = self.last[part.name]
            first = max(first, self.clock(part, coating, "sand", end) or end)
        for start in range(first, self.best):
            if self.is_free(start, length) and self.may_sand(part, start, start + length):
                yield start

    def may_sand(self, part: Part, start: int, end: int) -> bool:
        return not any(
            (other.enclosure == part.enclosure and start < dry and began < end)
            or (other.name in part.beside and start < stop and began < end)
            for other, began, stop, dry, _ in self.films
        )

    def with_sanding(self, sanding: tuple[Part, int, int], then: Any) -> None:
        part, start, end = sanding
        since, sanded = self.since.get(part.name, 0), self.sanded.get(part.name, False)
        self.take(start, end - start, 1)
        self.sandings.append(sanding)
        self.since[part.name], self.sanded[part.name] = end, True
        then()
        self.since[part.name], self.sanded[part.name] = since, sanded
        self.sandings.pop()
        self.take(start, end - start, -1)

    def coat(self, depth: int, part: Part, index: int, finish: int) -> None:
        item = part.items[index]
        assert item.coating is not None
        first, closes = self.since.get(part.name, 0), None
        if part.name in self.last:
            under, start, end = self.last[part.name]
            opens = self.clock(part, under, "recoat_opens", end, True, item.coating)
            if opens is None:
                return
            first = max(first, opens)
            closes = self.clock(part, under, "recoat_closes", start, False, item.coating)
        for start in range(first, self.best):
            end = start + _slots(item.takes_s)
            if self.tail(part, index, end) >= self.best:
                break
            if not self.may_coat(part, item, start, end):
                continue
            if closes is None or start <= closes or self.sanded.get(part.name, False):
                self.mix_and_coat(depth, part, index, start, finish)
                continue
            extra = Item(None, SANDING_S)
            for sanding in self.sanding_starts(part, extra):
                over = sanding + _slots(SANDING_S)
                if over > start:
                    break
                self.with_sanding(
                    (part, sanding, over),
                    lambda at=start: self.mix_and_coat(depth, part, index, at, finish),
                )

    def may_coat(self, part: Part, item: Item, start: int, end: int) -> bool:
        assert item.coating is not None
        if not self.is_free(start, end - start):
            return False
        dry = self.clock(part, item.coating, "touch_dry", end) or end
        handle = self.clock(part, item.coating, "handle", end) or end
        for other, began, over in self.sandings:
            wet = other.enclosure == part.enclosure and began < dry and start < over
            if wet or (other.name in part.beside and began < end and start < over):
                return False
        for other, began, stop, _, ready in self.films:
            if other.name in part.beside and (
                (began <= start < ready)
                or (start <= began < handle)
                or (start < stop and began < end)
            ):
                return False
        key = (part.enclosure, item.coating.name, item.takes_s, start)
        if key not in self.good:
            start_s = self.zero_s + start * SLOT_S
            self.good[key] = self.job.good_start(part, item, start_s, self.edge_s)
        return self.good[key]

    def mix_and_coat(self, depth: int, part: Part, index: int, start: int, finish: int) -> None:
        item = part.items[index]
        assert item.coating is not None
        end = start + _slots(item.takes_s)
        if not item.coating.two_pack:
            self.lay(depth, part, index, start, finish)
            return
        for mix in range(start - 1, -1, -1):
            dead = self.clock(part, item.coating, "pot_life", mix + 1, opens=False)
            if dead is not None and dead < end:
                break
            ready = self.clock(part, item.coating, "induction", mix + 1)
            if (ready is not None and ready > start) or not self.is_free(mix, 1):
                continue
            self.take(mix, 1, 1)
            self.mixes.append((part, mix))
            self.lay(depth, part, index, start, finish)
            self.mixes.pop()
            self.take(mix, 1, -1)

    def lay(self, depth: int, part: Part, index: int, start: int, finish: int) -> None:
        item = part.items[index]
        assert item.coating is not None
        end = start + _slots(item.takes_s)
        if not self.is_free(start, end - start):
            return
        dry = self.clock(part, item.coating, "touch_dry", end) or end
        handle = self.clock(part, item.coating, "handle", end) or end
        before = self.last.get(part.name), self.since.get(part.name, 0)
        sanded = self.sanded.get(part.name, False)
        self.take(start, end - start, 1)
        self.films.append((part, start, end, dry, handle))
        self.last[part.name], self.since[part.name] = (item.coating, start, end), end
        self.sanded[part.name] = False
        self.run(depth + 1, max(finish, self.tail(part, index, end)))
        if before[0] is None:
            del self.last[part.name]
        else:
            self.last[part.name] = before[0]
        self.since[part.name], self.sanded[part.name] = before[1], sanded
        self.films.pop()
        self.take(start, end - start, -1)


def _slots(length_s: float) -> int:
    if length_s % SLOT_S:
        raise ValueError(f"{length_s} s is no multiple of 15 min, so the grid could miss the best")
    return int(length_s // SLOT_S)


def best_plan(
    job_text: str, specs: Mapping[str, str], hours: Sequence[Hour], edge_s: float = 0.0
) -> dict[str, Any] | None:
    """Return a plan of a tiny job with the earliest possible finish, by trying everything.

    Args:
        job_text: the job file; two sections of two or three entries are its size.
        specs: text of each spec file, by the name that the job gives it.
        hours: outdoor hours without a hole.
        edge_s: how much longer on both sides the air must be good: a finish that does not change
            with it does not hang on how an hour's edges are read [s].

    Returns:
        The plan as the program's JSON has it, without taping; None where none ends in three weeks.
    """
    job = Job(job_text, specs, hours)
    zero_s = hours[0].time_s
    allowed = {}
    for start_s, end_s in job.spans():
        first, last = (round((at - zero_s) / SLOT_S) for at in (start_s, end_s))
        allowed.update({slot: last - slot for slot in range(first, last)})
    parts = list(job.parts.values())
    longest = max(len(part.items) for part in parts)
    order = [(part, k) for k in range(longest) for part in parts if k < len(part.items)]
    unknown = int(HORIZON_DAYS * 86400 // SLOT_S)
    search = Search(job, edge_s, zero_s, allowed, unknown, order)
    search.run(0, 0)
    if not search.found:
        return None

    def iso(slot: int) -> str:
        return datetime.fromtimestamp(zero_s + slot * SLOT_S, UTC).isoformat()

    return {
        "steps": [
            {
                "section": name,
                "coat": coat,
                "step": step,
                "start": iso(start),
                "end": iso(end),
                "earliest": iso(start),
                "latest": iso(start),
                "probability": 1.0,
                "rests_on": "the hours given",
            }
            for name, coat, step, start, end in sorted(search.found, key=lambda each: each[3])
        ],
        "finish": iso(search.best),
        "promised": iso(search.best),
        "slack_s": job.deadline_s - (zero_s + search.best * SLOT_S),
        "proved": True,
        "gap": 0.0,
    }


def best_finish(
    job_text: str, specs: Mapping[str, str], hours: Sequence[Hour], edge_s: float = 0.0
) -> float | None:
    """Return the earliest possible finish of a tiny job [s since 1970]; see `best_plan`."""
    plan = best_plan(job_text, specs, hours, edge_s)
    return None if plan is None else when(plan["finish"])
