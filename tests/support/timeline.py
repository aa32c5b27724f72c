"""Reads a call time line (tests/timelines/README.md) and plays it through the real pipeline."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from monitor.config.load import EnclosureConfig, PointConfig
from monitor.enclosure import Enclosure, LastCall, constant_film
from monitor.replay.arrivals import Arrivals
from monitor.replay.play import Playback
from rules.call import Call
from rules.section import Film, LastAnswer
from rules.spec.model import GENERAL_GUIDANCE
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quality, Quantity, Reading

FOLDER = Path(__file__).parents[1] / "timelines"
SILENT = None
UNUSABLE = math.inf
START_S = 1_760_000_000.0 // 60.0 * 60.0
DEFAULT_ACCURACY = {
    Quantity.AIR_TEMP: 0.3,
    Quantity.HUMIDITY: 3.0,
    Quantity.SURFACE_TEMP: 0.5,
}


@dataclass(frozen=True, slots=True)
class Timeline:
    """A situation: what each point says row by row, and the call expected after each row."""

    points: dict[tuple[str, Quantity, str | None, bool], list[float | None]]
    clock_s: list[float]
    expect: list[Call]
    start: Call | None
    step_s: float


def read_timeline(text: str) -> Timeline:
    """Return the time line that a file's text describes."""
    points: dict[tuple[str, Quantity, str | None, bool], list[float | None]] = {}
    clock_s: list[float] = []
    expect: list[Call] = []
    start: Call | None = None
    step_s = 60.0
    for line in text.splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        key, *items = line.split()
        if key == "expect":
            for item in items:
                word, _, count = item.partition("*")
                expect += [Call(word)] * int(count or 1)
        elif key == "start":
            start = Call(items[0])
        elif key == "step":
            step_s = float(items[0])
        elif key == "clock":
            clock_s = [float(value or 0.0) for value in _series(items)]
        else:
            required = not key.endswith("?")
            name, _, section = key.rstrip("?").partition("@")
            point, _, quantity = name.partition(".")
            points[point, Quantity(quantity), section or None, required] = _series(items)
    return Timeline(points, clock_s or [0.0] * len(expect), expect, start, step_s)


def _series(items: list[str]) -> list[float | None]:
    values: list[float | None] = []
    for item in items:
        what, _, times = item.partition("*")
        count = int(times or 1)
        if what == "~":
            values += [SILENT] * count
        elif what == "_":
            values += [math.nan] * count
        elif what == "!":
            values += [UNUSABLE] * count
        elif ">" in what:
            first, last = (float(end) for end in what.split(">"))
            values += [first + (last - first) * (k + 1) / count for k in range(count)]
        else:
            values += [float(what)] * count
    return values


def play(timeline: Timeline) -> list[Call]:
    """Return the enclosure's call after each row."""
    config = EnclosureConfig(
        name="polytunnel",
        spec=GENERAL_GUIDANCE.name,
        points=tuple(
            PointConfig(
                name=point,
                quantity=quantity,
                unit=quantity.unit,
                section=section,
                required=required,
                accuracy=DEFAULT_ACCURACY[quantity],
                rules=DEFAULT_RULES[quantity],
            )
            for point, quantity, section, required in timeline.points
        ),
    )
    sections = {point[2] or "all" for point in timeline.points}
    last = dict.fromkeys(sections, LastCall(LastAnswer(timeline.start))) if timeline.start else {}
    enclosure = Enclosure(config, constant_film(Film(GENERAL_GUIDANCE)), START_S, last)
    playback = Playback(enclosure)
    calls: list[Call] = []
    rows = [
        [
            Reading("polytunnel", point, quantity, time_s, *_said(value), time_s)
            for (point, quantity, _, _), series in timeline.points.items()
            if (value := series[row]) is not SILENT
        ]
        for row in range(len(timeline.expect))
        for time_s in [START_S + row * timeline.step_s + timeline.clock_s[row]]
    ]
    arrivals = iter(Arrivals(rows))
    for row, readings in enumerate(rows):
        if readings:
            playback.take(next(arrivals))
        else:
            enclosure.advance(START_S + row * timeline.step_s + timeline.clock_s[row])
        calls.append(enclosure.call)
    return calls


def _said(value: float) -> tuple[float, Quality]:
    """A cell's value and quality as a recording gives them."""
    if math.isnan(value):
        return math.nan, Quality.STALE
    return (math.nan, Quality.MISSING) if value == UNUSABLE else (value, Quality.OK)
