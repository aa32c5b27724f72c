"""Where no surface is measured and the config assumes one, every screen and report says so.

One old recording of a real room without a surface probe, a coat put onto it afterwards, and every
command that tells of it; no figure from the field is checked here.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from command import filmcall

from examples.screens.scenes import SCENES
from monitor.alarms.board import AlarmBoard
from monitor.screen.layout import Size, render
from monitor.screen.theme import Colours, Theme
from rules.call import Call
from rules.film_facts import FactKind, FilmFact
from rules.vocabulary import Stage

ROOM = Path(__file__).parents[2] / "examples" / "recordings" / "office-occupancy-2015-02.csv"
UNTIL, DAYS = "2015-02-07 00:00", 3  # of the recording, the days up to that of the coat
SPEC = "polyurethane-topcoat"
COAT = (
    ("mixed", "09:00", "--batch", "A", "--amount", "500", "--spec", SPEC),
    ("coat-started", "09:30", "--batch", "A", "--coat", "1", "--spec", SPEC),
    ("coat-ended", "10:15", "--coat", "1"),
)


def beginning(recording: Path, until: str, made: Path) -> Path:
    """Write the rows of a recording before a time."""
    head, *rows = recording.read_text().splitlines(keepends=True)
    made.write_text(head + "".join(row for row in rows if row.split(",")[1].strip('"') < until))
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a log of the room with a coat, and every file that can be made of it."""
    made = tmp_path_factory.mktemp("room")
    db = ("--db", str(made / "room.db"))
    recording = beginning(ROOM, UNTIL, made / ROOM.name)
    words = ("replay", str(recording), "--assumed-surface-offset", "-1 K", "--spec", SPEC)
    commands = [("plain.txt", words), ("calls.jsonl", (*words, "--jsonl"))]
    commands += [
        ("", ("event", kind, "--at", f"2015-02-06T{hour}Z", *more)) for kind, hour, *more in COAT
    ]
    clocks = ("clocks", "--at", "2015-02-06T14:00Z")
    commands += [
        ("clocks.txt", clocks),
        ("clocks.json", (*clocks, "--json")),
        ("outlook.txt", ("outlook",)),
        ("outlook.json", ("outlook", "--json")),
        ("review.txt", ("review",)),
        ("review.json", ("review", "--json")),
        ("", ("review", "--html", str(made / "review.html"))),
        ("", ("review", "--sheet", str(made / "sheet.html"))),
        ("", ("review", "--sheet", str(made / "sheet.csv"))),
        ("export.csv", ("export", "calls", "--format", "csv")),
        ("export.jsonl", ("export", "calls", "--format", "jsonl")),
    ]
    for name, command in commands:
        ran = filmcall(*command, *db)
        assert ran.code == 0, ran.err
        if name:
            (made / name).write_text(ran.out, "utf-8")
    return made


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("plain.txt", "(no surface probe: surface assumed)"),
        ("clocks.txt", "no surface probe: surface assumed 1 K under the air"),
        ("outlook.txt", "Note: no surface probe: surface assumed 1 K under the coldest air"),
        ("outlook.json", "no surface probe: surface assumed 1 K under the coldest air"),
        ("review.txt", "It is assumed to stand 1 K under the coldest air"),
        ("review.json", "It is assumed to stand 1 K under the coldest air"),
        ("review.html", "It is assumed to stand 1 K under the coldest air"),
    ],
)
def test_what_tells_of_an_assumed_surface_says_so(folder: Path, name: str, said: str) -> None:
    assert said in (folder / name).read_text("utf-8")


@pytest.mark.parametrize("name", ["calls.jsonl", "export.csv", "export.jsonl"])
def test_each_call_of_an_assumed_surface_says_so(folder: Path, name: str) -> None:
    calls = [line for line in (folder / name).read_text("utf-8").splitlines() if "may I" in line]
    assert len(calls) >= 2
    for line in calls:
        assert "no surface probe: surface assumed 1.0 K under the coldest air" in line


def test_every_clock_of_a_film_says_that_its_surface_is_assumed(folder: Path) -> None:
    clocks = json.loads((folder / "clocks.json").read_text())["clocks"]
    of_film = [each for each in clocks if each["name"] != "pot life"]
    assert len(of_film) == 9
    for each in of_film:
        assert each["state"] in ("running", "ended"), "none stands still"
        assert "surface assumed 1 K under the air" in each["basis"]


def test_the_daily_sheet_says_it_over_each_table_and_in_each_row(folder: Path) -> None:
    page = (folder / "sheet.html").read_text("utf-8")
    assert page.count("No surface was measured: it is assumed 1 K under the coldest air") == DAYS
    assert page.count('<th scope="col">surface, assumed</th>') == DAYS
    with (folder / "sheet.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["surface_is"] for row in rows} == {"assumed"}


def test_a_review_names_the_sections_whose_surface_nobody_measured(tmp_path: Path) -> None:
    recording, config = tmp_path / "air.csv", tmp_path / "tent.toml"
    rows = [f"2026-10-03T{k // 60:02}:{k % 60:02}:00Z,20.0,50,19.0\n" for k in range(0, 1440, 5)]
    recording.write_text("time,air,rh,port\n" + "".join(rows))
    config.write_text(
        '[[enclosure]]\nname = "tent"\nspec = "polyurethane-topcoat"\n'
        'assumed_surface_offset = "-1 K"\n'
        + "".join(
            f'[[enclosure.point]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
            f'column = "{column}"\n{more}'
            for name, quantity, unit, column, more in (
                ("air", "air_temp", "degC", "air", ""),
                ("air", "humidity", "%", "rh", ""),
                ("plank-port", "surface_temp", "degC", "port", 'section = "hull-port"\n'),
            )
        )
    )
    db = ("--db", str(tmp_path / "log.db"))
    for section in ("hull-port", "mast"):
        coat = ("event", "coat-started", "--enclosure", "tent", "--section", section)
        assert filmcall(*coat, "--at", "2026-10-03T10:00Z", *db).code == 0
    assert filmcall("replay", str(recording), "--config", str(config), *db).code == 0
    ran = filmcall("review", "--sheet", str(tmp_path / "sheet.csv"), *db)
    assert "No surface of mast was measured. It is assumed to stand 1 K under" in ran.out
    with (tmp_path / "sheet.csv").open(newline="") as file:
        told = {(row["section"], row["surface_is"]) for row in csv.DictReader(file)}
    assert told == {("hull-port", "measured"), ("mast", "assumed")}


@pytest.mark.parametrize(
    "size",
    [Size(80, 24), Size(40, 12), Size(80, 12), Size(40, 24), Size(120, 40), Size(24, 12)],
    ids=str,
)
@pytest.mark.parametrize("name", SCENES)
def test_a_screen_of_any_size_says_that_its_surface_is_assumed(name: str, size: Size) -> None:
    scene = SCENES[name]()
    theme = Theme(colours=Colours.NONE)

    def shown(offset_k: float | None) -> str:
        calls = tuple(
            replace(call, climate=replace(call.climate, assumed_offset_k=offset_k))
            for call in scene.calls
        )
        lines = render(replace(scene, calls=calls), size, theme)
        return " ".join(" ".join(line.plain for line in lines).split())

    assert "Surface assumed, no probe." in shown(-1.0)
    assert "ssumed" not in shown(None)


@pytest.mark.parametrize("call", [Call.STOP, Call.HOLD])
def test_an_alarm_says_that_its_surface_is_assumed(call: Call) -> None:
    scene = SCENES["stop"]()
    board = AlarmBoard()
    kind = FactKind.HARMED if call is Call.STOP else FactKind.NEAR

    def at(after_s: float, word: Call) -> None:
        worst = scene.calls[0]
        climate = replace(worst.climate, assumed_offset_k=-1.0)
        assert worst.start is not None
        facts = (FilmFact(kind, "dew_margin_min", scene.time_s, worst.reasons[0]),)
        worst = replace(
            worst,
            stage=Stage.CURE,
            climate=climate,
            films=replace(worst.start, call=word, climate=climate),
            facts=() if word is Call.GO else facts,
        )
        told = board.update(replace(scene, time_s=scene.time_s + after_s, calls=(worst,)))
        rung.extend(each.text for each in told)

    rung: list[str] = []
    at(0.0, Call.GO)
    for step in range(1, 60):
        at(10.0 * step, call)
    assert rung
    assert all("(surface assumed, no probe)" in text for text in rung)
