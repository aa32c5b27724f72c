"""Recordings that a test makes up row by row, and what `filmcall replay` says of them."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from command import Ran, filmcall

BEGIN_S = datetime(2026, 10, 13, 8, 0, tzinfo=UTC).timestamp()
MINUTE_S = 60.0
HOUR_S = 3600.0

Row = tuple[float, Mapping[str, float | str]]  # seconds after BEGIN_S, cells by column
Course = tuple[tuple[float, float], ...]  # (hour, value), straight lines between


def iso(after_s: float) -> str:
    """Return a time after the beginning, as `--at` and a time column take it."""
    at = datetime.fromtimestamp(BEGIN_S + after_s, tz=UTC)
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def seconds_after(text: object) -> float:
    """Return how long after the beginning an ISO time is [s]."""
    return datetime.fromisoformat(str(text).replace("Z", "+00:00")).timestamp() - BEGIN_S


def point(
    name: str, quantity: str, column: str, unit: str | None = None, /, **more: str | bool
) -> str:
    """Return one point's entry of a config."""
    unit = unit or ("%" if quantity == "humidity" else "degC")
    lines = [f'name = "{name}"', f'quantity = "{quantity}"', f'unit = "{unit}"']
    lines.append(f'column = "{column}"')
    for key, value in more.items():
        lines.append(f"{key} = {json.dumps(value)}")
    return "\n[[enclosure.point]]\n" + "\n".join(lines) + "\n"


def tent(*points: str, spec: str = "polyurethane-topcoat", more: str = "") -> str:
    """Return a config of one enclosure, `tent`."""
    head = f'[replay]\ntime = "time"\n\n[[enclosure]]\nname = "tent"\nspec = "{spec}"\n{more}'
    return head + "".join(points)


BOW = point("air-bow", "air_temp", "t_bow") + point("air-bow", "humidity", "rh_bow")
STERN = point("air-stern", "air_temp", "t_stern") + point("air-stern", "humidity", "rh_stern")
PLANK = point("plank", "surface_temp", "plank")
TENT = tent(BOW, PLANK)


@dataclass(frozen=True, slots=True)
class Played:
    """What a replay said: an object for each evaluation, or for each change."""

    ran: Ran
    calls: list[dict[str, object]]

    def words(self, begin_s: float = 0.0, end_s: float = float("inf")) -> list[str]:
        """Return the calls of evaluations in a span, one after the other."""
        return [str(each["call"]) for each in self._within(begin_s, end_s)]

    def word_at(self, after_s: float) -> str:
        """Return the call that held at a time."""
        said = [each for each in self.calls if seconds_after(each["time"]) <= after_s]
        return str(said[-1]["call"])

    def first(self, call: str, begin_s: float = 0.0) -> float | None:
        """Return when a call is first said at or after a time, or None."""
        for each in self._within(begin_s, float("inf")):
            if each["call"] == call:
                return seconds_after(each["time"])
        return None

    def share(self, call: str, begin_s: float, end_s: float) -> float:
        """Return the share of a span through which this call held."""
        total_s, since_s = 0.0, begin_s
        held = ""
        for each in self.calls:
            at_s = seconds_after(each["time"])
            if at_s >= begin_s:
                total_s += (min(at_s, end_s) - since_s) * (held == call)
                since_s = min(at_s, end_s)
            held = str(each["call"])
        total_s += (end_s - since_s) * (held == call)
        return total_s / (end_s - begin_s)

    def reason(self, after_s: float, limit: str) -> dict[str, object]:
        """Return one limit's reason as it was said last before a time."""
        told = [each for each in self.calls if seconds_after(each["time"]) <= after_s][-1]
        return next(each for each in reasons(told) if each["limit"] == limit)

    def texts(self, begin_s: float = 0.0, end_s: float = float("inf")) -> str:
        """Return every reason's text of a span, lines joined."""
        return "\n".join(
            str(reason["text"]) for each in self._within(begin_s, end_s) for reason in reasons(each)
        )

    def _within(self, begin_s: float, end_s: float) -> list[dict[str, object]]:
        return [each for each in self.calls if begin_s <= seconds_after(each["time"]) < end_s]


def reasons(told: Mapping[str, object]) -> list[dict[str, object]]:
    """Return a call's reasons."""
    listed = told["reasons"]
    assert isinstance(listed, list)
    return listed


def write_rows(file: Path, rows: Iterable[Row]) -> Path:
    """Write rows in the order given; a column that a row does not have is an empty cell."""
    rows = list(rows)
    columns = list(dict.fromkeys(name for _, cells in rows for name in cells))
    with file.open("w", newline="") as opened:
        writer = csv.writer(opened)
        writer.writerow(["time", *columns])
        for after_s, cells in rows:
            writer.writerow([iso(after_s), *(cells.get(name, "") for name in columns)])
    return file


def play(
    folder: Path, rows: Iterable[Row], config: str = TENT, *words: str, name: str = "tent"
) -> Played:
    """Replay rows through the command line and return every evaluation."""
    toml = folder / f"{name}.toml"
    toml.write_text(config)
    recording = write_rows(folder / f"{name}.csv", rows)
    ran = filmcall("replay", str(recording), "--config", str(toml), "--jsonl", "--all", *words)
    assert ran.code == 0, ran.err or ran.out[-500:]
    return Played(ran, [json.loads(line) for line in ran.out.splitlines()])


def spec_text(name: str = "trial", *, margin: str = "3 K", more: str = "", **times: str) -> str:
    """Return a spec file's text with made-up figures; `times` are TOML values, as in a file."""
    made = {
        "pot_life": '{ "10 degC" = "6 h", "20 degC" = "4 h", "30 degC" = "2 h" }',
        "touch_dry": '{ "10 degC" = "8 h", "20 degC" = "4 h", "30 degC" = "2 h" }',
        "recoat_opens": '{ "10 degC" = "16 h", "20 degC" = "8 h", "30 degC" = "4 h" }',
        "recoat_closes": '{ "10 degC" = "5 days", "20 degC" = "72 h", "30 degC" = "36 h" }',
        "handle": '{ "10 degC" = "48 h", "20 degC" = "24 h", "30 degC" = "12 h" }',
        "cured": '{ "10 degC" = "14 days", "20 degC" = "7 days", "30 degC" = "84 h" }',
        **times,
    }
    lines = "".join(f"{key} = {value}\n" for key, value in made.items() if value)
    return f"""name = "{name}"
title = "Trial coating {name}"
family = "two-pack-polyurethane"
[source]
sheet = "made up for a test"
generic = true
[limits.apply]
dew_margin_min = {{ bound = "{margin}", until = "cured" }}
humidity_max = {{ bound = "85 %", until = "handle" }}
surface_temp_min = {{ bound = "5 degC", until = "cured" }}
[times]
{lines}{more}"""


def along(course: Course, at_h: float) -> float:
    """Return a course's value at an hour, its ends held before and after."""
    for (begin_h, low), (end_h, high) in pairwise(course):
        if at_h <= end_h:
            return low + (high - low) * max(at_h - begin_h, 0.0) / (end_h - begin_h)
    return course[-1][1]


def magnus_hpa(temp_c: float) -> float:
    """Return saturation vapour pressure over water [hPa]: 6.112 exp(17.62 t / (243.12 + t)).

    Magnus' form with the coefficients of WMO-No. 8 (2018), annex 4.B.
    """
    return 6.112 * math.exp(17.62 * temp_c / (243.12 + temp_c))
