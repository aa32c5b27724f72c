"""Plays one recording twice, with the shortcut of `Section.evaluate` and without, and compares.

Films, clocks, faults, outlooks and the log are the program's own. What is told, what is explained
at times drawn by chance, and every row of the log must be the same.

    python tests/support/shortcut_replays.py FIRST_SEED RECORDINGS [HOURS]
"""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from pathlib import Path
from typing import NamedTuple
from unittest.mock import patch

from rig import AIR, ENAMEL, ENCLOSURE, PORT, PRIMER, STBD, TOPCOAT, config_text, plank_of
from shortcut_trial import NAME, no_shortcut

from monitor.config.load import load_config_file
from monitor.enclosure import Enclosure, Intake
from monitor.log.facts import with_spec_text
from monitor.log.log import Store
from monitor.replay.play import ReplayJob, keeper_of, play
from monitor.specs import find_spec, shipped_names
from monitor.wire import Json
from rules import section as shortcut
from rules.events import Event
from rules.outlook.draws import OutlookBreak
from rules.section import SectionCall
from rules.trend import EarlierOutlook
from rules.vocabulary import EventKind, LimitName
from sensors.reading import Quality, Quantity, Reading

BEGAN_S = 1_800_000_000.0
SPECS = ("general-guidance", *shipped_names(), PRIMER, TOPCOAT, ENAMEL)
KINDS = (
    "mixed", "coat-started", "coat-started", "coat-ended", "coat-ended", "washed", "inspected",
    "respec", "probes-out", "probes-in", "vouched", "acknowledged", "pot-ended", "wiped",
)  # fmt: skip
_BY_CHANCE = ("meta", "chain")  # what names a log, and what rests on its name


class Played(NamedTuple):
    """What came of a recording.

    Attributes:
        said: what was told and explained, and the rows of the log, in order.
        judged: how often a section was judged whole.
        evaluations: that sections made.
    """

    said: tuple[str, ...]
    judged: int
    evaluations: int


class _Asks:
    """Gives outlooks and asks for reasons, at times drawn by chance."""

    def __init__(self, seed: int, said: list[str]) -> None:
        self._chance = random.Random(seed)
        self._asking = self._chance.choice((0.0, 0.002, 0.02, 0.3))
        self._said = said
        self._due_s = 0.0

    def take(self, taken: Intake) -> None:
        """Note nothing."""

    def look(self, enclosure: Enclosure) -> None:
        """Give every section an outlook each half hour or so, some of which break a limit."""
        chance, now_s = self._chance, enclosure.now_s
        if now_s >= self._due_s:
            self._due_s = now_s + chance.choice((600.0, 600.0, 2400.0))
            broken = OutlookBreak(LimitName.DEW_MARGIN_MIN, 0.7, 1800.0, 900.0, 2700.0, 3600.0)
            for section in enclosure.sections.values():
                breaks = (broken,) if chance.random() < 0.2 else ()
                stage = section.film.stage
                section.ahead = chance.choice(
                    (None, EarlierOutlook(now_s, stage, 3600.0, breaks, "the log"))
                )
        if chance.random() < self._asking:
            self._said += [f"asked {each!r}" for each in enclosure.explain()]

    def clock_jumped(self) -> None:
        """Begin anew."""
        self._due_s = 0.0


def played(seed: int, hours: float, *, whole: bool) -> Played:
    """Play one recording.

    Args:
        seed: of what comes to pass.
        hours: how long [h].
        whole: whether every evaluation is judged whole.
    """
    counts = {"_judge": 0, "evaluate": 0}

    def counting(name: str) -> AbstractContextManager[object]:
        true = getattr(shortcut.Section, name)

        def counted(*args: object, **named: object) -> object:
            counts[name] += 1
            return true(*args, **named)

        return patch.object(shortcut.Section, name, counted)

    off = patch.object(shortcut, NAME, no_shortcut) if whole else nullcontext()
    with off, counting("_judge"), counting("evaluate"), tempfile.TemporaryDirectory() as folder:
        said = _said(Path(folder), seed, hours)
    return Played(said, counts["_judge"], counts["evaluate"])


def _said(folder: Path, seed: int, hours: float) -> tuple[str, ...]:
    chance = random.Random(seed)
    file, log = folder / "tent.toml", folder / "log.db"
    file.write_text(config_text(chance.choice(SPECS), (PORT, STBD)))
    config = load_config_file(file).enclosures[0]
    spec, text = find_spec(config.spec)
    job = ReplayJob(config, spec, "seeded", text)
    said: list[str] = []

    def tell(_enclosure: Enclosure, calls: list[SectionCall], told: Json) -> None:
        said.append(f"told {told!r} {calls!r}")

    with Store.open(log, now_s=lambda: BEGAN_S) as store:
        for each in _events(chance, hours):
            store.add_event(with_spec_text(store, each))
        keeper = keeper_of(job, store.events(ENCLOSURE), text_of=store.spec_text)
        rows = _rows(chance, hours)
        play(rows, job, tell, keeper=keeper, store=store, outlook=_Asks(seed, said))
        store.flush()
    with closing(sqlite3.connect(log)) as opened:
        found = opened.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
        said += [
            f"{name} {row!r}"
            for (name,) in found.fetchall()
            if name not in _BY_CHANCE and not name.startswith("sqlite")
            for row in opened.execute(f'SELECT * FROM "{name}"')
        ]
    return tuple(said)


def _events(chance: random.Random, hours: float) -> list[Event]:
    """What people did: a coat or two, and anything else."""
    found: list[Event] = []
    for _ in range(round(hours * chance.choice((0.5, 2.0, 6.0)))):
        kind = chance.choice(KINDS)
        at_s = BEGAN_S + chance.uniform(0.0, hours * 3600.0)
        spec = chance.choice(SPECS) if kind in ("mixed", "coat-started", "respec") else None
        what = AIR if kind == "vouched" else None
        until_s = at_s + 1800.0 if kind == "probes-out" else None
        section = chance.choice((PORT, STBD, None))
        found.append(
            Event(
                EventKind(kind),
                at_s,
                ENCLOSURE,
                section,
                spec=spec,
                what=what,
                value=until_s,
                recorded_s=at_s,
            )
        )
    return sorted(found, key=lambda each: each.time_s)


def _rows(chance: random.Random, hours: float) -> Iterator[list[Reading]]:
    """A tent's hours: fair, then one creeps, jumps, shakes or falls silent."""
    fair = {
        (AIR, Quantity.AIR_TEMP): 20.0,
        (AIR, Quantity.HUMIDITY): 50.0,
        (plank_of(PORT), Quantity.SURFACE_TEMP): 19.0,
        (plank_of(STBD), Quantity.SURFACE_TEMP): 19.2,
    }
    noise = chance.choice((0.0, 0.003, 0.02, 0.1))
    time_s, end_s = BEGAN_S, BEGAN_S + hours * 3600.0
    while time_s < end_s:
        now = dict(fair)
        pace_s = chance.choice((1.0, 5.0, 7.0, 10.0, 10.0, 30.0))
        channel = chance.choice(list(fair))
        way = chance.choice(("calm", "calm", "creep", "jump", "shake", "silent", "late", "set"))
        most = 30.0 if channel[1] is Quantity.HUMIDITY else 12.0
        by, count = chance.choice((1.0, -1.0)) * chance.uniform(0.0, most), chance.choice((60, 200))
        for k in range(count):
            time_s += pace_s * chance.choice((1.0, 1.0, chance.uniform(0.2, 2.0)))
            if way == "creep":
                now[channel] = fair[channel] + by * k / count
            elif way == "jump":
                now[channel] = fair[channel] + by * (k % 50 > 40)
            elif way == "shake":
                now[channel] = fair[channel] + by + (0.3, -0.3)[k % 2]
            measured_s = time_s - (90.0 if way == "late" and k % 40 == 39 else 0.0)
            yield [
                Reading(
                    ENCLOSURE, *each, measured_s, _shown(chance, value, noise), Quality.OK, time_s
                )
                for each, value in now.items()
                if not (way == "silent" and each == channel)
            ]
        if way == "set":
            time_s -= 600.0
        if way == "silent" and chance.random() < 0.3:
            time_s += 3600.0


def _shown(chance: random.Random, value: float, noise: float) -> float:
    return round(value + chance.gauss(0.0, noise), 2)


def compared(seed: int, hours: float) -> tuple[str, Played, Played]:
    """Play a recording twice; return the first difference ("" for none), whole and short."""
    whole, short = (played(seed, hours, whole=each) for each in (True, False))
    pairs = zip(whole.said, short.said, strict=False)
    found = next((f"{one}\n  short: {other}" for one, other in pairs if one != other), "")
    if not found and len(whole.said) != len(short.said):
        found = f"{len(whole.said)} whole, {len(short.said)} short"
    return found and f"seed {seed}\n  whole: {found}", whole, short


def main(words: Sequence[str]) -> None:
    """Play the recordings that the command line names, and print what they came to."""
    first, count, hours = (int(each) for each in (*words, "4")[:3])
    for seed in range(first, first + count):
        found, whole, short = compared(seed, float(hours))
        sys.stdout.write(
            f"recording {seed}: {short.evaluations} evaluations, {short.judged} judged whole "
            f"(without the shortcut {whole.judged}), {len(whole.said)} rows and messages; "
            f"{found or 'no difference'}\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
