"""What is let pass since it can change nothing: the same calls as where everything is judged.

Random recordings with faults, films and outlooks go through the enclosure twice, once as they are
and once with every evaluation judged whole. The second is the reference; nothing may differ, down
to the time and the cause of a call, the reasons, the facts and what an outlook forbids.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pytest

from monitor.config.model import EnclosureConfig, PointConfig
from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.specs import find_spec
from rules import section as section_module
from rules.call import Call
from rules.climate import PointValue
from rules.events import Event
from rules.outlook.draws import OutlookBreak
from rules.quiet import Quiet
from rules.section import Section, SectionCall
from rules.trend import EarlierOutlook
from rules.vocabulary import EventKind, LimitName
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quality, Quantity, Reading

BEGIN_S = 1_796_000_000.0
HOUR_S = 3600.0
SPECS = ("polyurethane-topcoat", "two-pack-epoxy-primer", "varnish", "one-pack-enamel")
AIR, RH, HULL, CO2 = Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP, Quantity.CO2


@dataclass(frozen=True)
class Night:
    """One random recording: its points, its rows, and what people did meanwhile."""

    config: EnclosureConfig
    spec: str
    rows: list[list[Reading]]
    events: list[Event]
    breaks: list[tuple[float, float]]  # when an outlook forbids GO [s]
    jumps: frozenset[int]  # rows before which the clock is set back
    asked: frozenset[int]  # rows after which somebody asks why


def night(seed: int) -> Night:
    """Make one up; neighbouring seeds differ in pace, place and fault."""
    rng = random.Random(seed)
    every_s = rng.choice([0.25, 0.7, 2.0, 5.0, 10.0, 10.0, 10.0, 30.0, 60.0])
    length_s = min(9.0 * HOUR_S, 600.0 * every_s)
    bodies = ["bow", "stern"][: rng.choice([1, 2, 2])]
    hulls = ["plank", "deck"][: rng.choice([0, 1, 2, 2])]
    sections = rng.random() < 0.5
    points = [
        PointConfig(
            name,
            quantity,
            quantity.unit,
            accuracy,
            DEFAULT_RULES[quantity],
            required=rng.random() < 0.8,
        )
        for name in bodies
        for quantity, accuracy in ((AIR, rng.choice([0.3, 0.5])), (RH, rng.choice([2.0, 3.0])))
    ]
    points += [
        PointConfig(
            name,
            HULL,
            "degC",
            rng.choice([0.2, 0.5]),
            DEFAULT_RULES[HULL],
            section=f"hull-{name}" if sections else None,
            required=rng.random() < 0.8,
            shared_element=rng.random() < 0.2,
        )
        for name in hulls
    ]
    if rng.random() < 0.3:
        points.append(PointConfig("bow", CO2, "ppm", 50.0, DEFAULT_RULES[CO2]))
    offset_k = -0.5 if not hulls or rng.random() < 0.2 else None
    spec = rng.choice(SPECS)
    config = EnclosureConfig("tent", tuple(points), spec, assumed_surface_offset_k=offset_k)
    rows = list(_rows(rng, points, every_s, length_s))
    end_s = BEGIN_S + length_s
    breaks = [
        (at_s, at_s + rng.choice([300.0, 2400.0]))
        for at_s in (rng.uniform(BEGIN_S, end_s) for _ in range(rng.choice([0, 0, 2])))
    ]
    jumps = {rng.randrange(10, len(rows)) for _ in range(rng.choice([0, 0, 0, 1]))}
    asked = {rng.randrange(len(rows)) for _ in range(12)}
    events = _events(rng, end_s, [f"hull-{name}" for name in hulls] if sections else [None])
    return Night(config, spec, rows, events, breaks, frozenset(jumps), frozenset(asked))


def _rows(
    rng: random.Random, points: Sequence[PointConfig], every_s: float, length_s: float
) -> Iterator[list[Reading]]:
    """A day that crosses limits slowly, with noise, faults, and bodies that write alone or late."""
    start = {AIR: rng.uniform(8.0, 26.0), RH: rng.uniform(40.0, 92.0), CO2: 600.0}
    start[HULL] = start[AIR] - rng.uniform(0.0, 4.0)
    swing = {AIR: rng.uniform(0.0, 6.0), RH: rng.uniform(0.0, 25.0), HULL: 2.0, CO2: 500.0}
    noise = rng.choice([0.0, 0.02, 0.1, 0.3])
    digit = rng.choice([0.01, 0.1, 0.1])
    alone = rng.random() < 0.4
    faults = [
        (
            rng.randrange(len(points)),
            (at := rng.uniform(0.0, length_s)),
            at + rng.choice([every_s, 4 * every_s, 0.1 * length_s]),
            rng.choice(["gone", "missing", "spike", "stuck", "wild", "step"]),
        )
        for _ in range(rng.choice([0, 1, 3, 6]))
    ]
    held: dict[int, float] = {}
    phase, turns = rng.uniform(0.0, 2.0 * math.pi), rng.choice([0.5, 1.0, 3.0])
    time_s = BEGIN_S
    while time_s < BEGIN_S + length_s:
        into_s = time_s - BEGIN_S
        wave = math.sin(phase + turns * 2.0 * math.pi * into_s / length_s)
        row = []
        for place, point in enumerate(points):
            sign = -1.0 if point.quantity is RH else 1.0
            value = start[point.quantity] + sign * swing[point.quantity] * wave + 0.1 * place
            value += rng.gauss(0.0, noise * (4.0 if point.quantity is RH else 1.0))
            quality = Quality.OK
            for at, from_s, to_s, kind in faults:
                if at == place and from_s <= into_s < to_s:
                    if kind == "gone":
                        break
                    if kind == "missing":
                        value, quality = math.nan, Quality.MISSING
                    elif kind == "stuck":
                        value = held.setdefault(place, value)
                    else:
                        value += {"spike": 12.0, "step": 3.0, "wild": rng.gauss(0.0, 4.0)}[kind]
            else:
                if math.isfinite(value):
                    value = round(round(value / digit) * digit, 4)
                row.append(
                    Reading("tent", point.name, point.quantity, time_s, value, quality, time_s)
                )
        if alone:
            yield from ([each] for each in row)
        else:
            yield row
        time_s += every_s
        if rng.random() < 0.002:
            time_s += rng.choice([3.0 * every_s, 200.0, 2400.0])


def _events(rng: random.Random, end_s: float, sections: Sequence[str | None]) -> list[Event]:
    kinds = rng.choice(
        [
            [],
            [EventKind.COAT_STARTED, EventKind.COAT_ENDED],
            [EventKind.MIXED, EventKind.COAT_STARTED, EventKind.COAT_ENDED, EventKind.MIXED],
            [EventKind.COAT_STARTED, EventKind.PROBES_OUT, EventKind.PROBES_IN],
            [EventKind.WIPED, EventKind.COAT_STARTED],
        ]
    )
    times = sorted(rng.uniform(BEGIN_S, end_s) for _ in kinds)
    section = rng.choice(sections) if sections else None
    return [
        Event(kind, at_s, "tent", section=section, row=row)
        for row, (kind, at_s) in enumerate(zip(kinds, times, strict=True), 1)
    ]


@dataclass
class Said:
    """What an enclosure made of a night."""

    states: list[tuple[float, dict[str, tuple[object, ...]]]]
    told: list[list[SectionCall]]
    calls: set[Call]


def _state(section: Section) -> tuple[object, ...]:
    """All that a call rests on: of the timers those that can still end one."""
    answers = [
        each
        and replace(
            each,
            inside_since_s=each.inside_since_s if each.call is Call.STOP else None,
            settled_since_s=each.settled_since_s if each.call is not Call.GO else None,
        )
        for each in section.answers
    ]
    return (*answers, section.beside, section.question)


def lived(made: Night) -> Said:
    """Let an enclosure go through a night."""
    spec = find_spec(made.spec)[0]
    keeper = FilmKeeper(
        spec,
        {},
        assumed_surface=made.config.assumed_surface,
        counted=made.config,
    )
    keeper.set_events(made.events)
    said = Said([], [], set())
    known: dict[str, tuple[object, object, object]] = {}

    def evaluated(tent: Enclosure) -> None:
        keeper.evaluated(tent)
        said.states.append((tent.now_s, {n: _state(each) for n, each in tent.sections.items()}))
        now = {
            name: (each.memory.call, each.question, each.film.stage)
            for name, each in tent.sections.items()
        }
        said.calls |= {each.memory.call for each in tent.sections.values()}
        if now != known:
            known.clear()
            known.update(now)
            said.told.append(tent.explain())

    tent = Enclosure(
        made.config,
        keeper.film_of,
        BEGIN_S,
        on_evaluated=evaluated,
        carried_out=keeper.carried_out,
    )
    breaks = list(made.breaks)
    for number, row in enumerate(made.rows):
        if not row:
            continue
        if number in made.jumps:
            tent.clock_jumped(tent.now_s)
        tent.take(row, row[0].time_s)
        while breaks and breaks[0][0] <= tent.now_s:
            at_s, until_s = breaks.pop(0)
            for each in tent.sections.values():
                one = OutlookBreak(LimitName.DEW_MARGIN_MIN, 0.5, 0.0, 0.0, 0.0, 0.0)
                found = (one,) if until_s - at_s > 1000.0 else ()
                each.ahead = EarlierOutlook(tent.now_s, each.film.stage, HOUR_S, found, "made up")
        if number in made.asked:
            said.told.append(tent.explain())
    said.told.append(tent.explain())
    return said


def test_what_is_let_pass_would_have_changed_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in (0, 1, 2, 3, 7, 9, 15, 16, 18, 19):
        made = night(seed)
        shortly = lived(made)
        with monkeypatch.context() as patched:
            patched.setattr(section_module, "quiet_of", lambda *_: None)
            whole = lived(made)
        assert len(shortly.states) == len(whole.states), seed
        for one, other in zip(shortly.states, whole.states, strict=True):
            assert one == other, (seed, one[0] - BEGIN_S)
        assert shortly.told == whole.told, seed


def test_most_is_let_pass_and_every_call_occurs(monkeypatch: pytest.MonkeyPatch) -> None:
    passed = evaluations = 0
    miss = Quiet.miss

    def counted(quiet: Quiet, time_s: float, sensed: Sequence[PointValue]) -> None:
        nonlocal passed
        passed += 1
        miss(quiet, time_s, sensed)

    monkeypatch.setattr(Quiet, "miss", counted)
    calls = set()
    for seed in (1, 7, 15, 16, 19):
        said = lived(night(seed))
        evaluations += sum(len(sections) for _, sections in said.states)
        calls |= said.calls
    assert calls == set(Call)
    assert passed / evaluations > 0.4


def _wavering(kind: str) -> Night:
    """Three hours of one body and one hull, whose noise goes over one figure again and again."""
    rng = random.Random(kind)
    points = [
        PointConfig("bow", AIR, "degC", 0.3, DEFAULT_RULES[AIR]),
        PointConfig("bow", RH, "%", 2.0, DEFAULT_RULES[RH]),
        PointConfig("plank", HULL, "degC", 0.5, DEFAULT_RULES[HULL]),
    ]
    rows = []
    for number in range(1080):
        time_s = BEGIN_S + 10.0 * number
        # At 18 degC and 80 % the dew point is 14.5 degC (ASHRAE eq. 6 inverted), 3 K under 17.5.
        air_c, rh_pct, hull_c = 18.0, 78.0, 17.5
        if kind == "warming":  # a course that is never the same for two samples
            air_c += number / 360.0 + 0.3 * math.sin(number / 200.0)
            rh_pct, hull_c = 50.0, air_c - 1.0
        elif kind == "about its bound":
            rh_pct = 80.0
        elif kind == "about re-entry":  # of the margin, while a moist air is what brought the STOP
            rh_pct, hull_c = 90.0, 20.4
        values = (air_c, rh_pct + rng.uniform(-0.4, 0.4), hull_c + rng.uniform(-0.2, 0.2))
        rows.append(
            [
                Reading(
                    "tent", each.name, each.quantity, time_s, round(value, 2), Quality.OK, time_s
                )
                for each, value in zip(points, values, strict=True)
            ]
        )
    config = EnclosureConfig("tent", tuple(points))
    return Night(config, "polyurethane-topcoat", rows, [], [], frozenset(), frozenset())


@pytest.mark.parametrize("kind", ["warming", "about its bound", "about re-entry"])
def test_what_wavers_about_a_figure_that_decides_nothing_is_let_pass(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, count = _wavering(kind), 0
    judged = Section._judge

    def counted(section: Section, *args: Any) -> Any:
        nonlocal count
        count += 1
        return judged(section, *args)

    monkeypatch.setattr(Section, "_judge", counted)
    said = lived(made)
    assert count < 0.12 * len(said.states)
    with monkeypatch.context() as patched:
        patched.setattr(section_module, "quiet_of", lambda *_: None)
        whole = lived(made)
    assert said.states == whole.states
    assert said.told == whole.told
    assert Call.GO in said.calls if kind == "warming" else Call.STOP in said.calls
