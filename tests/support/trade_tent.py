"""A tent for the trials of the trade's rules: invented air, events and calls by public doors.

Humidity is made from air temperature and dew point by PsychroLib (ASHRAE Fundamentals, eq. 5 and
6), never by the project's own psychrometrics; everything else is plain arithmetic on hours.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import psychrolib
from command import Ran, filmcall

psychrolib.SetUnitSystem(psychrolib.SI)
BEGIN = datetime(2024, 10, 14, 6, 0, tzinfo=UTC)
"""06:00 of an autumn Monday; hours of a trial count from here."""


def iso(hour: float, begin: datetime = BEGIN) -> str:
    return (begin + timedelta(hours=hour)).isoformat().replace("+00:00", "Z")


def hour_of(text: object) -> float:
    when = datetime.fromisoformat(str(text).replace("Z", "+00:00"))
    return (when - BEGIN).total_seconds() / 3600.0


def humidity_pct(air_c: float, dew_point_c: float) -> float:
    return 100.0 * float(psychrolib.GetRelHumFromTDewPoint(air_c, min(dew_point_c, air_c)))


@dataclass(frozen=True, slots=True)
class Air:
    """What the invented probes read at one time; what is None is not in the tent."""

    air_c: float
    dew_point_c: float
    port_c: float
    stbd_c: float | None = None
    co2_ppm: float | None = None


def steady(air: Air) -> Callable[[float], Air]:
    """Return weather that stays as it is."""

    def same(_hour: float) -> Air:
        return air

    return same


def ramp(hour: float, *knots: tuple[float, float]) -> float:
    """Return the value at an hour on straight lines between (hour, value) knots."""
    if hour <= knots[0][0]:
        return knots[0][1]
    for (begin, low), (end, high) in pairwise(knots):
        if hour <= end:
            return low + (high - low) * (hour - begin) / (end - begin)
    return knots[-1][1]


def probe(name: str, quantity: str, unit: str, column: str, more: str = "") -> str:
    return (
        f'[[enclosure.point]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
        f'column = "{column}"\n{more}'
    )


class Tent:
    """One enclosure `tent` with its log; a section has a surface probe of its own.

    Args:
        folder: where config, recording and log are written.
        spec: a shipped spec's name or a file's path: the enclosure's default.
        weather: what the probes read, by hours since BEGIN.
        hours: how long the recording is.
        step_min: the logger's interval; over 5 min guards grow a little, which no trial needs.
        more: lines put at the end of the config.
        begin: when hour 0 is.
    """

    def __init__(
        self,
        folder: Path,
        spec: str,
        weather: Callable[[float], Air],
        hours: float,
        *,
        step_min: int = 4,
        more: str = "",
        begin: datetime = BEGIN,
    ) -> None:
        self.folder, self.spec, self.begin = folder, spec, begin
        self.db = str(folder / "log.db")
        self.config = folder / "tent.toml"
        self.recording = folder / "tent.csv"
        steps = [step * step_min / 60.0 for step in range(int(hours * 60 / step_min) + 1)]
        rows = [weather(hour) for hour in steps]
        text = f'[[enclosure]]\nname = "tent"\nspec = "{spec}"\ntimezone = "Etc/UTC"\n'
        text += probe("bow", "air_temp", "degC", "air") + probe("bow", "humidity", "%", "rh")
        text += probe("plank", "surface_temp", "degC", "port", 'section = "port"\n')
        if rows[0].stbd_c is not None:
            text += probe("plank-2", "surface_temp", "degC", "stbd", 'section = "stbd"\n')
        if rows[0].co2_ppm is not None:
            text += probe("gas", "co2", "ppm", "co2", "required = false\n")
        self.config.write_text(text + more)
        with self.recording.open("w", newline="") as file:
            out = csv.writer(file)
            out.writerow(["time", "air", "rh", "port", "stbd", "co2"])
            stir = Random(15).gauss
            for hour, air in zip(steps, rows, strict=True):
                rh_pct = humidity_pct(air.air_c, air.dew_point_c)
                cells = (air.air_c, rh_pct, air.port_c, air.stbd_c, air.co2_ppm)
                # Noise as a real probe's: what repeats itself to the last digit is doubted.
                noise = (0.03, 0.1, 0.03, 0.03, 5.0)
                out.writerow(
                    [iso(hour, self.begin)]
                    + [
                        "" if cell is None else f"{cell + stir(0.0, sd):.2f}"
                        for cell, sd in zip(cells, noise, strict=True)
                    ]
                )

    def event(self, kind: str, hour: float, *words: str, section: str | None = "port") -> Ran:
        place = () if section is None else ("--section", section)
        ran = filmcall(
            "event",
            kind,
            "--enclosure",
            "tent",
            "--at",
            iso(hour, self.begin),
            "--db",
            self.db,
            *place,
            *words,
        )
        assert ran.code == 0, ran.err
        assert "Traceback" not in ran.err
        return ran

    def coat(self, start: float, end: float, *words: str, section: str = "port") -> None:
        self.event("coat-started", start, "--spec", self.spec, *words, section=section)
        self.event("coat-ended", end, section=section)

    def evaluations(self) -> list[dict[str, Any]]:
        """Return every evaluation of the recording, with the events beside it in the log."""
        ran = filmcall(
            "replay", str(self.recording), "--config", str(self.config), "--spec", self.spec,
            "--jsonl", "--all", "--db", self.db,
        )  # fmt: skip
        assert ran.code == 0, ran.err
        return [json.loads(line) for line in ran.out.splitlines() if line.startswith("{")]

    def clocks(self, hour: float, section: str = "port") -> dict[str, dict[str, Any]]:
        ran = filmcall(
            "clocks",
            "--json",
            "--at",
            iso(hour, self.begin),
            "--config",
            str(self.config),
            "--db",
            self.db,
        )
        assert ran.code == 0, ran.err
        return {c["name"]: c for c in json.loads(ran.out)["clocks"] if c["section"] == section}

    def review(self, *words: str) -> dict[str, Any]:
        ran = filmcall("review", "--json", "--config", str(self.config), "--db", self.db, *words)
        assert ran.code == 0, ran.err
        return dict(json.loads(ran.out))


def section_of(call: dict[str, Any], section: str = "port") -> dict[str, Any]:
    """Return one section's call; an enclosure of one section may be that call itself."""
    for each in call.get("sections") or ():
        if each["section"] == section:
            return dict(each)
    return call


def at(calls: list[dict[str, Any]], hour: float, section: str = "port") -> dict[str, Any]:
    """Return what was last said of a section by that hour."""
    said = [call for call in calls if hour_of(call["time"]) <= hour + 1e-9]
    return section_of(said[-1], section)


def between(
    calls: list[dict[str, Any]], begin: float, end: float, section: str = "port"
) -> list[dict[str, Any]]:
    return [section_of(c, section) for c in calls if begin <= hour_of(c["time"]) <= end]


def reasons(call: dict[str, Any], limit: str) -> list[dict[str, Any]]:
    return [each for each in call["reasons"] if each["limit"] == limit]


def words_of(call: dict[str, Any]) -> str:
    return " | ".join(str(each["text"]) for each in call["reasons"])
