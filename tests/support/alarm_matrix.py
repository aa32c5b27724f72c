"""Nights in which two or three things go wrong over a film, judged by an oracle of their own.

A night is a stage and two or three of the things in `Happening`, one after the other, in the rig.
`Oracle` is fed only what is so (the true climate, which channels spoke, which sections are wet,
when the program stood still, what was acknowledged) and says of every fact whether it may hold and
whether it certainly holds; it shares no line with the program. It was written from the law of
calls (DEVELOPERS.md, "The calls" and "Alarms") before there was a rule:

- a fact over a wet film, *harmed by X*, *blind* or *near*, rings within its delay: harmed by the
  second reading that shows it, blind once it is not known for three minutes (a value is known for
  90 s), near within three minutes, after a restart as after a start;
- it rings once and again after ten minutes, never twice within ten, also over a restart;
- it stops by an acknowledgement of its own section after it rang, or by its own end; harm ends once
  inside for the re-entry time, and silence ends none;
- nothing else rings: nothing over bare planks, nothing for easing, a clock, a pot or a full disk.

Where that can be read in two ways the oracle asks for nothing and forbids nothing: a third ring and
later ones, a reminder while harm is past but the re-entry time runs, `near` by an outlook.
"""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from rig import AIR, HOUR_S, MINUTE_S, PORT, PRIMER, RH_PCT, STBD, Rig, RingHeard, plank_of

from sensors.reading import Quantity


class Happening(StrEnum):
    """What can go wrong in a night, or be done about it."""

    BREAK = "break"
    SECOND = "second limit"
    BLIND = "blind"
    NEAR = "near"
    RECOVER = "recover"
    RESTART = "restart"
    CLOCK = "clock set"
    ACKNOWLEDGE = "acknowledge"
    MIX = "mix"
    SECTION = "second section"
    LINK = "link lost"
    DISK = "disk full"


class Start(StrEnum):
    """Where port's film is when the night begins."""

    PREP = "prep"
    MIX = "mix"
    APPLY = "apply"
    FLASH = "flash"
    CURE = "cure"


# Dew points at 18 degC by WMO No. 8, Annex 4.B: 8.9 at 55 %, 11.6 at 66 %, 13.5 at 75 %, 16.7 at
# 92 %; the hull stays at 15. Over 85 % humidity harms the primer too.
BREAK_PCT, SECOND_PCT, NEAR_PCT = 75.0, 92.0, 66.0
CLOCK_BACK_S, CLOCK_ON_S = -2 * HOUR_S, 0.5 * HOUR_S
DOWN_S = 120.0

STEP_S = 30.0
AGE_S = 90.0
BLIND_S = 180.0
NEAR_S = 180.0
AGAIN_S = 600.0
RE_ENTRY_S = 900.0
HARMED_S = 2 * STEP_S  # one reading more confirms it
SLACK_S = STEP_S + 5.0

MARGIN_BOUND_K, HUMIDITY_BOUND_PCT = 3.0, 85.0


def dew_point_c(air_temp_c: float, rh_pct: float) -> float:
    """Return the dew point over water by WMO's Magnus form (No. 8, Annex 4.B) [°C].

    >>> round(dew_point_c(20.0, 50.0), 1)
    9.3
    """
    y = math.log(rh_pct / 100.0) + 17.62 * air_temp_c / (243.12 + air_temp_c)
    return 243.12 * y / (17.62 - y)


@dataclass(frozen=True, slots=True)
class Judged:
    """What is so of one limit: past its bound, near it, and both with room for noise."""

    may_break: bool
    breaks: bool
    may_near: bool
    is_near: bool
    well_inside: bool


def judge(room: float, guard: float, band: float, noise: float) -> Judged:
    """Return what is so where a value has so much room to its bound.

    Args:
        room: to the bound, negative past it.
        guard: at least the 95 % guard of the shed's probes.
        band: by which it has to be inside to end a harm.
        noise: that the median of a minute may carry.
    """
    return Judged(
        may_break=room < noise,
        breaks=room < -noise,
        may_near=room < guard + 2 * band + noise,
        is_near=1.5 * noise < room < 0.7 * guard,
        well_inside=room > band + noise,
    )


@dataclass(slots=True)
class Fact:
    """One fact of one film, from when it may hold until it cannot any more.

    Attributes:
        may_s: since when it may hold, or None [s].
        must_s: since when it certainly holds, or None [s].
        rung_s: when it rang since it began to hold [s].
        last_s: when it rang last, in this spell or an earlier one [s].
        acknowledged: whether somebody has seen it.
        missed: what was already counted against it in this spell.
    """

    may_s: float | None = None
    must_s: float | None = None
    rung_s: list[float] = field(default_factory=list)
    last_s: float = -math.inf
    acknowledged: bool = False
    missed: set[str] = field(default_factory=set)
    was_due_s: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """One thing that a ring did, or that no ring did.

    Attributes:
        at_s: when [s].
        section: whose.
        fact: with its limit where it is harm.
        stage: of port's film as the night began.
        what: `in time`, `again`, `late`, `never`, `not again`, `without cause`, `though seen` or
            `too soon`.
    """

    at_s: float
    section: str
    fact: str
    stage: str
    what: str


GOOD = ("in time", "again")


class Oracle:
    """Follows a night step by step."""

    def __init__(self, stage: str) -> None:
        """Begin.

        Args:
            stage: of port's film as the night begins, for the verdicts.
        """
        self.verdicts: list[Verdict] = []
        self.wet_s: dict[str, float] = {}
        self._stage = stage
        self._facts: dict[tuple[str, str], Fact] = {}
        self._heard_s: dict[tuple[str, Quantity], float] = {}
        self._inside_s: dict[tuple[str, str], float] = {}
        self._near_s: dict[str, float] = {}
        self._up_s = 0.0
        self._clock_set_s = -math.inf
        self._behind = False

    # What is done -------------------------------------------------------------------------

    def coat(self, section: str, now_s: float) -> None:
        """Say that a section is wet from now on [s]."""
        self.wet_s.setdefault(section, now_s)

    def acknowledge(self, section: str | None) -> None:
        """Say that what rang of a section, or of all, was seen."""
        for (whose, _), fact in self._facts.items():
            if section in (None, whose) and fact.may_s is not None and fact.rung_s:
                fact.acknowledged = True

    def restart(self, now_s: float) -> None:
        """Say that the program stood still and begins again now [s]."""
        self._up_s = now_s
        self._inside_s.clear()

    def set_clock(self, now_s: float, by_s: float) -> None:
        """Say that the computer's clock was set [s]."""
        self._clock_set_s = now_s
        self._behind = self._behind or by_s < 0.0
        self._inside_s.clear()

    # What is so ---------------------------------------------------------------------------

    def step(
        self,
        now_s: float,
        truth: dict[tuple[str, Quantity], float],
        spoke: Iterable[tuple[str, Quantity]],
        rings: list[RingHeard],
    ) -> None:
        """Take one interval.

        Args:
            now_s: its end [s].
            truth: what every channel would read without noise [°C, %].
            spoke: channels that were heard in it.
            rings: what rang in it.
        """
        for channel in spoke:
            self._heard_s[channel] = now_s
        for section in self.wet_s:
            self._follow(section, now_s, truth)
        for ring in rings:
            self._take(ring, now_s)
        for (section, name), fact in self._facts.items():
            self._ask(section, name, fact, now_s)

    def _follow(self, section: str, now_s: float, truth: dict[tuple[str, Quantity], float]) -> None:
        temp, rh = (AIR, Quantity.AIR_TEMP), (AIR, Quantity.HUMIDITY)
        hull = (plank_of(section), Quantity.SURFACE_TEMP)
        age_s = {c: now_s - self._heard_s.get(c, -math.inf) for c in (temp, rh, hull)}
        margin_k = truth[hull] - dew_point_c(truth[temp], truth[rh])
        limits = {
            "dew_margin_min": (
                judge(margin_k - MARGIN_BOUND_K, 1.0, 0.5, 0.12),
                max(age_s[temp], age_s[rh], age_s[hull]),
            ),
            "humidity_max": (
                judge(HUMIDITY_BOUND_PCT - truth[rh], 2.9, 2.0, 0.4),
                age_s[rh],
            ),
        }
        may_near = is_near = harmed = False
        for name, (judged, oldest_s) in limits.items():
            known = oldest_s < AGE_S - STEP_S
            fact = self._fact(section, f"harmed by {name}")
            self._harm(section, name, fact, judged, known, now_s)
            eased = fact.may_s is not None and now_s - fact.may_s > 3 * STEP_S
            harmed = harmed or fact.must_s is not None
            may_near = may_near or (judged.may_near and not eased)
            is_near = is_near or (known and judged.is_near and fact.may_s is None)
        self._hold(section, "near", now_s, may_near, is_near and not harmed, end_s=90.0)
        oldest_s = min(max(age_s.values()), now_s - self.wet_s[section] + AGE_S)
        behind = self._behind and self._up_s > self._clock_set_s > 0.0
        self._hold(
            section, "blind", now_s, oldest_s >= BLIND_S - STEP_S or behind, oldest_s > AGE_S,
            end_s=90.0,
        )  # fmt: skip

    def _harm(
        self, section: str, name: str, fact: Fact, judged: Judged, known: bool, now_s: float
    ) -> None:
        """Begin a harm by a known value past its bound; end it by known ones inside long enough."""
        key = (section, name)
        if known and judged.well_inside:
            self._inside_s.setdefault(key, now_s)
        else:
            self._inside_s.pop(key, None)
        if fact.may_s is None:
            if judged.may_break:
                fact.may_s = now_s
        elif now_s - self._inside_s.get(key, now_s) > RE_ENTRY_S + 180.0:
            self._end(fact)
        if known and judged.breaks:
            fact.must_s = now_s if fact.must_s is None else fact.must_s
        elif known:
            fact.must_s = None

    def _hold(
        self, section: str, name: str, now_s: float, may: bool, must: bool, *, end_s: float
    ) -> None:
        fact = self._fact(section, name)
        if may:
            fact.may_s = now_s if fact.may_s is None else fact.may_s
            self._near_s[section + name] = now_s
        elif fact.may_s is not None and now_s - self._near_s[section + name] > end_s:
            self._end(fact)
        fact.must_s = None if not must else now_s if fact.must_s is None else fact.must_s

    def _fact(self, section: str, name: str) -> Fact:
        return self._facts.setdefault((section, name), Fact())

    def _end(self, fact: Fact) -> None:
        fact.may_s = fact.must_s = fact.was_due_s = None
        fact.rung_s, fact.acknowledged, fact.missed = [], False, set()

    # What rang, and what ought to have ----------------------------------------------------

    def _take(self, ring: RingHeard, now_s: float) -> None:
        if ring.fact == "near" and ring.cause == "outlook":
            return
        name = f"harmed by {ring.cause}" if ring.fact == "harmed" else ring.fact
        fact = self._facts.get((ring.section, name))
        if fact is None or fact.may_s is None:
            self._say(now_s, ring.section, name, "without cause")
            return
        if fact.acknowledged:
            self._say(now_s, ring.section, name, "though seen")
        elif now_s - fact.last_s < AGAIN_S - 2.0 and self._clock_set_s < fact.last_s:
            self._say(now_s, ring.section, name, "too soon")
        elif not fact.rung_s:
            late = fact.was_due_s is not None and now_s > fact.was_due_s
            self._say(now_s, ring.section, name, "late" if late else "in time")
        elif len(fact.rung_s) == 1:
            self._say(now_s, ring.section, name, "again")
        fact.rung_s.append(now_s)
        fact.last_s = now_s

    def _ask(self, section: str, name: str, fact: Fact, now_s: float) -> None:
        """Note when a fact is due to ring, and that it did not."""
        if fact.must_s is None or fact.acknowledged or len(fact.rung_s) > 1:
            return
        delay_s = {"blind": BLIND_S, "near": NEAR_S}.get(name, HARMED_S)
        if not fact.rung_s:
            due_s = max(fact.must_s, self._up_s, self.wet_s[section]) + delay_s
            due_s = max(due_s, fact.last_s + AGAIN_S) + SLACK_S
            fact.was_due_s = due_s if fact.was_due_s is None else fact.was_due_s
        else:
            due_s = max(fact.rung_s[0] + AGAIN_S, self._up_s + delay_s) + SLACK_S
        what = "not again" if fact.rung_s else "never"
        if now_s > due_s and what not in fact.missed:
            fact.missed.add(what)
            self._say(now_s, section, name, what)

    def _say(self, now_s: float, section: str, name: str, what: str) -> None:
        if what == "late":  # it was said that it never rang
            self.verdicts = [
                each
                for each in self.verdicts
                if (each.section, each.fact, each.what) != (section, name, "never")
                or each.at_s < now_s - HOUR_S
            ]
        self.verdicts.append(Verdict(now_s, section, name, self._stage, what))


@dataclass(frozen=True, slots=True)
class Night:
    """One night: where the film is, and what happens."""

    start: Start
    happens: tuple[Happening, ...]

    @property
    def name(self) -> str:
        """For people, and as a test's name."""
        return f"{self.start}: {', '.join(self.happens)}"


WAIT_MIN = {
    Happening.RECOVER: 22.0,
    Happening.MIX: 6.0,
    Happening.DISK: 6.0,
    Happening.ACKNOWLEDGE: 8.0,
    Happening.BLIND: 17.0,
    Happening.LINK: 17.0,
    Happening.BREAK: 16.0,
    Happening.SECOND: 19.0,
    Happening.NEAR: 16.0,
}
OTHER_WAIT_MIN = 13.0


class Player:
    """Plays one night in a rig, with the oracle beside it."""

    def __init__(self, folder: Path, night: Night, seed: int = 1) -> None:
        """Bring the film to its stage.

        Args:
            folder: empty.
            night: to be played.
            seed: of noise, and of whether the clock is set back or on.
        """
        self.night = night
        self.rig = Rig(folder, PRIMER, step_s=STEP_S, seed=seed)
        self.oracle = Oracle(night.start)
        self._seed = seed
        hours = {Start.FLASH: 1.0, Start.CURE: 9.0}.get(night.start, 0.0)
        self.rig.history(hours + 1.0, every_s=300.0)
        wall_s = self.rig.wall_s
        if hours:
            self.rig.event("coat-started", PORT, time_s=wall_s - hours * HOUR_S)
            self.rig.event("coat-ended", PORT, time_s=wall_s - (hours - 0.4) * HOUR_S)
        elif night.start is Start.MIX:
            self.rig.event("mixed", PORT, batch="A", amount_ml=500.0)
        elif night.start is Start.APPLY:
            self.rig.event("coat-started", PORT)
        if hours or night.start is Start.APPLY:
            self.oracle.coat(PORT, self.rig.now_s)
        self._pass(11.0)

    def play(self) -> list[Verdict]:
        """Let everything happen and return what the rings did."""
        for each in self.night.happens:
            self._happen(each)
            self._pass(WAIT_MIN.get(each, OTHER_WAIT_MIN))
        self._pass(6.0)
        self.rig.end()
        return self.oracle.verdicts

    def _happen(self, what: Happening) -> None:
        rig, oracle = self.rig, self.oracle
        match what:
            case Happening.BREAK:
                rig.air(rh_pct=BREAK_PCT)
            case Happening.SECOND:
                rig.air(rh_pct=SECOND_PCT)
            case Happening.NEAR:
                rig.air(rh_pct=NEAR_PCT)
            case Happening.BLIND:
                rig.kill(plank_of(PORT))
            case Happening.RECOVER:
                rig.air(rh_pct=RH_PCT)
                rig.revive()
                rig.find_link()
                rig.free_disk()
            case Happening.RESTART:
                rig.restart(DOWN_S)
                oracle.restart(rig.now_s)
            case Happening.CLOCK:
                by_s = CLOCK_ON_S if self._seed % 3 == 2 else CLOCK_BACK_S
                rig.set_clock(by_s)
                oracle.set_clock(rig.now_s, by_s)
            case Happening.ACKNOWLEDGE:
                if rig.acknowledge(PORT):
                    oracle.acknowledge(PORT)
            case Happening.MIX:
                rig.event("mixed", None, batch="B", amount_ml=300.0)
            case Happening.SECTION:
                if rig.event("coat-started", STBD) is not None:
                    oracle.coat(STBD, rig.now_s)
                self._pass(6.0)
                rig.event("coat-ended", STBD)
            case Happening.LINK:
                rig.lose_link()
            case Happening.DISK:
                rig.fill_disk()

    def _pass(self, minutes_long: float) -> None:
        rig = self.rig
        for _ in range(round(minutes_long * MINUTE_S / STEP_S)):
            before = len(rig.timeline.rings)
            rig.step(STEP_S)
            truth = rig.truth()
            spoke = [each for each in truth if rig.linked and each[0] not in rig.dead]
            self.oracle.step(rig.now_s, truth, spoke, rig.timeline.rings[before:])


def pairs() -> Iterator[Night]:
    """Yield every stage with every two things, in each order, the same one twice as well."""
    for start in Start:
        for happens in itertools.product(Happening, repeat=2):
            yield Night(start, happens)


def triples(count: int, seed: int = 14) -> Iterator[Night]:
    """Yield so many nights of three things each, drawn without repetition."""
    every = list(itertools.product(Start, itertools.product(Happening, repeat=3)))
    for start, happens in random.Random(seed).sample(every, count):
        yield Night(start, happens)


TELLING = (
    Night(Start.PREP, (Happening.BREAK, Happening.LINK)),
    Night(Start.MIX, (Happening.BREAK, Happening.RESTART)),
    Night(Start.APPLY, (Happening.NEAR, Happening.ACKNOWLEDGE, Happening.BLIND)),
    Night(Start.FLASH, (Happening.BREAK, Happening.ACKNOWLEDGE, Happening.SECOND)),
    Night(Start.FLASH, (Happening.BREAK, Happening.SECTION)),
    Night(Start.FLASH, (Happening.CLOCK, Happening.BREAK)),
    Night(Start.FLASH, (Happening.DISK, Happening.BREAK)),
    Night(Start.FLASH, (Happening.LINK, Happening.RESTART)),
    Night(Start.CURE, (Happening.MIX, Happening.BREAK)),
    Night(Start.CURE, (Happening.BREAK, Happening.RECOVER, Happening.BREAK)),
)
"""The short set for the tests: one night for each thing that the alarm by calls got wrong."""


@dataclass(slots=True)
class Tally:
    """Verdicts of many nights, by fact and stage."""

    counts: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    nights: int = 0
    clean: int = 0

    def add(self, verdicts: Iterable[Verdict]) -> None:
        """Count one night's."""
        found = list(verdicts)
        self.nights += 1
        self.clean += all(each.what in GOOD for each in found)
        self.counts.update((each.fact, each.stage, each.what) for each in found)

    def count(self, *what: str) -> int:
        """Return how many verdicts are one of these."""
        return sum(n for (_, _, each), n in self.counts.items() if each in what)


COLUMNS = ("in time", "again", "late", "never", "not again", "without cause", "though seen",
           "too soon")  # fmt: skip


def table(tally: Tally) -> str:
    """Return the verdicts as a table in markdown: a row for each fact and stage."""
    rows = sorted({(fact, stage) for fact, stage, _ in tally.counts})
    lines = [
        "| fact | stage | " + " | ".join(COLUMNS) + " |",
        "|---|---|" + "---|" * len(COLUMNS),
    ]
    for fact, stage in rows:
        cells = (str(tally.counts[fact, stage, what] or "–") for what in COLUMNS)
        lines.append(f"| {fact} | {stage} | " + " | ".join(cells) + " |")
    return "\n".join(lines)
