"""A probe that is renamed or taken out of the config leaves what it measured to the film.

DEVELOPERS.md: what a believed probe measured stays in a film's memory and clocks, a STOP may end
with its probe, a gate does not, and call, check, clocks and review read the same. Air of 20 degC
and 50 % has a dew point of 9.3 degC (ASHRAE Fundamentals, psychrometric chart): 8 degC is wet.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from command import filmcall
from live import DRY_C, PLANK, TENT, WET_C, Live, Machine

from monitor.calibrations import body_of, undoing_body
from monitor.cli.check_now import calls_now
from monitor.config.load import load_config_file
from monitor.log.facts import with_spec_text
from monitor.log.rows import Calibration
from rules.events import Event
from rules.section import SectionCall
from rules.vocabulary import EventKind
from sensors.calibrate.fit import CalibrationMethod, Reference, fit
from sensors.reading import Quantity

Make = Callable[..., Live]
PAINTED = TENT.replace("general-guidance", "polyurethane-topcoat")


def planks(*names: str) -> str:
    """Return a config with these probes on one section; `keel` hears what `stbd` heard."""
    found = PAINTED
    for name in names:
        found += PLANK.format(name).replace(f"hull-{name}", "hull-port")
    return found.replace("shed/plank-keel", "shed/plank-stbd")


TWO, RENAMED, TAKEN_OUT = planks("port", "stbd"), planks("port", "keel"), planks("port")
ONE, ONE_RENAMED = planks("stbd"), planks("keel")
CHANGES = {
    "renamed": (TWO, RENAMED),
    "taken out": (TWO, TAKEN_OUT),
    "the only one renamed": (ONE, ONE_RENAMED),
}


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[Live] = []

    def one(text: str, machine: Machine | None = None) -> Live:
        made.append(Live(tmp_path, text, machine))
        return made[-1]

    yield one
    for live in made:
        live.kill()


def coat(live: Live) -> None:
    for kind in (EventKind.SESSION_STARTED, EventKind.COAT_STARTED, EventKind.COAT_ENDED):
        section = None if kind is EventKind.SESSION_STARTED else "hull-port"
        now_s = live.machine.wall()
        event = Event(kind, now_s, "tent", section, recorded_s=now_s)
        live.watch.record(with_spec_text(live.store, event))
        live.run(120.0, live.climate(DRY_C, stbd=DRY_C))


def wet(live: Live) -> None:
    """Let one probe go under the dew point and back at 0.9 K a minute, as a hull can."""
    course = [DRY_C - 0.15 * k for k in range(round((DRY_C - WET_C) / 0.15))]
    for hull_c in (*course, *[WET_C] * 60, *reversed(course)):
        live.run(10.0, live.climate(DRY_C, stbd=hull_c))


def held(live: Live) -> str:
    """What holds the next coat, in words."""
    (call,) = live.watch.rooms["tent"].enclosure.explain()
    assert call.start is not None
    return " ".join(reason.text for reason in call.start.reasons)


def clocks(live: Live, at_s: float) -> list[tuple[str, str, str]]:
    """Return the clocks by an ended log, as of a time: name, state and end of each."""
    at = datetime.fromtimestamp(at_s, tz=UTC).isoformat()
    ran = filmcall("clocks", "--json", "--at", at, "--db", str(live.path))
    assert ran.code == 0, ran.err
    return [
        (each["name"], each["state"], each["ends_at"]) for each in json.loads(ran.out)["clocks"]
    ]


def wet_by_review(live: Live, folder: Path) -> str:
    """Return from when to when the review has the film wet, by the config as it is now."""
    ran = filmcall("review", "--db", str(live.path), "--config", str(folder / "live.toml"))
    found = re.search(r"Wet (.*) while soft", ran.out)
    assert found, ran.out + ran.err
    return found[1]


@pytest.mark.parametrize("change", CHANGES)
def test_what_was_measured_wet_holds_the_next_coat(
    make: Make, tmp_path: Path, change: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after = CHANGES[change]
    first = make(before)
    first.run(700.0, first.climate(DRY_C, stbd=DRY_C))
    coat(first)
    wet(first)
    first.run(3000.0, first.climate(DRY_C, stbd=DRY_C))
    assert "while soft" in held(first)
    first.end()
    first = make(before, first.machine)  # a start that changes nothing, from the same log
    first.run(60.0, first.climate(DRY_C, stbd=DRY_C))
    said = held(first)
    wet_then = said[said.index("Wet ") :].partition(" while soft")[0]
    first.end()
    wet_told = wet_by_review(first, tmp_path)
    at_s, counted = first.machine.wall(), clocks(first, first.machine.wall())
    second = make(after, first.machine)
    second.run(1500.0, second.climate(DRY_C, keel=DRY_C, stbd=DRY_C))
    for _ in range(2):  # and once more over a restart
        assert f"{wet_then} while soft" in held(second)
        second.end()
        second = make(after, first.machine)
        second.run(60.0, second.climate(DRY_C, keel=DRY_C, stbd=DRY_C))
    notes = [e.note for e in second.store.events("tent") if e.kind is EventKind.NOTE]
    assert [("plank-stbd" in each, "plank-keel" in each) for each in notes] == [(True, True)] * (
        "renamed" in change
    ), "said once, and of a renamed one alone"
    second.store.flush()
    monkeypatch.setattr("time.time", second.machine.wall)
    (now,) = calls_now(
        second.store, load_config_file(tmp_path / "live.toml").enclosures[0], tmp_path
    )
    assert now.start is not None
    assert f"{wet_then} while soft" in " ".join(reason.text for reason in now.start.reasons)
    second.end()
    assert wet_by_review(second, tmp_path) == wet_told
    assert clocks(second, at_s) == counted
    ran = filmcall("sessions", "verify", "--db", str(second.path))
    assert ran.code == 0, ran.out + ran.err


@pytest.mark.parametrize("change", CHANGES)
def test_a_film_that_stayed_dry_is_held_by_no_change_of_the_config(make: Make, change: str) -> None:
    before, after = CHANGES[change]
    first = make(before)
    first.run(700.0, first.climate(DRY_C, stbd=DRY_C))
    coat(first)
    first.run(3000.0, first.climate(DRY_C, stbd=DRY_C))
    first.end()
    second = make(after, first.machine)
    second.run(3000.0, second.climate(DRY_C, keel=DRY_C, stbd=DRY_C))
    assert "while soft" not in held(second)
    second.end()
    ran = filmcall("sessions", "verify", "--db", str(second.path))
    assert ran.code == 0, ran.out + ran.err


def standing(**sections: str) -> str:
    """Return a config with these probes, each on the section named."""
    return PAINTED + "".join(
        PLANK.format(name).replace(f"hull-{name}", section) for name, section in sections.items()
    )


def test_a_probe_that_moves_to_another_section_leaves_its_film_what_it_measured(
    make: Make, tmp_path: Path
) -> None:
    """Who works on the other side of the hull takes the probe along."""
    first = make(standing(port="hull-x", stbd="hull-port"))
    first.run(700.0, first.climate(DRY_C, stbd=DRY_C))
    coat(first)
    wet(first)
    first.run(3000.0, first.climate(DRY_C, stbd=DRY_C))
    first.end()
    wet_told = wet_by_review(first, tmp_path)
    live = first
    for _ in range(2):
        live = make(standing(port="hull-port", stbd="hull-x"), live.machine)
        live.run(1500.0, live.climate(DRY_C, stbd=DRY_C))
        port = next(
            each
            for each in live.watch.rooms["tent"].enclosure.explain()
            if each.section == "hull-port"
        )
        assert port.start is not None
        assert "while soft: wash" in " ".join(reason.text for reason in port.start.reasons)
        live.end()
    assert wet_by_review(live, tmp_path) == wet_told
    assert filmcall("sessions", "verify", "--db", str(live.path)).code == 0


FOR_ALL = PLANK.format("stbd").replace('section = "hull-stbd"\n', "")


def said_of(calls: Iterable[SectionCall], section: str) -> str:
    return " ".join(r.text for call in calls if call.section == section for r in call.reasons)


@pytest.mark.parametrize("left", ["before", "while out"])
def test_what_a_section_means_follows_from_the_points_of_then_in_every_part(
    make: Make, tmp_path: Path, left: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The section's own probe leaves the config; beside it one counts for all.

    DEVELOPERS.md: who names a section means its own surface, and where it has none that for all.
    """
    first = make(PAINTED + PLANK.format("port") + FOR_ALL)
    first.run(700.0, first.climate(DRY_C, stbd=DRY_C))
    coat(first)
    first.run(600.0, first.climate(DRY_C, stbd=DRY_C))
    out_s = first.machine.wall()
    monkeypatch.setattr("time.time", first.machine.wall)
    out = Event(EventKind.PROBES_OUT, out_s, "tent", "hull-port", recorded_s=out_s)
    if left == "while out":
        first.watch.record(out)
    first.run(60.0, first.climate(DRY_C, stbd=DRY_C))
    first.end()
    second = make(PAINTED + FOR_ALL, first.machine)
    second.run(1500.0, second.climate(stbd=DRY_C))
    if left == "before":
        out_s = second.machine.wall()
        second.watch.record(replace(out, time_s=out_s, recorded_s=out_s))
        second.run(120.0, second.climate(stbd=DRY_C))
    calls = {"live": second.watch.rooms["tent"].enclosure.explain()}
    second.store.flush()
    config = load_config_file(tmp_path / "live.toml").enclosures[0]
    calls["check"] = calls_now(second.store, config, tmp_path)
    for part, found in calls.items():
        for section in ("hull-port", "all"):
            silent = "surface temperature of plank-stbd is missing" in said_of(found, section)
            assert silent is (left == "before"), (part, section)
    second.end()
    words = ("--section", "hull-port", "--enclosure", "tent", "--db", str(second.path))
    ran = filmcall("event", "probes-out", *words)  # said now, of all that the section has now
    assert "out now: surface temperature of plank-stbd" in ran.out.splitlines()[0], ran.err
    ran = filmcall("sessions", "verify", "--db", str(second.path))
    assert ran.code == 0, ran.out + ran.err


@pytest.mark.parametrize(("calibrated", "undone"), [(False, False), (True, False), (True, True)])
def test_a_renamed_probe_is_said_to_want_its_calibration_again(
    make: Make, calibrated: bool, undone: bool
) -> None:
    first = make(ONE)
    first.run(60.0, first.climate(DRY_C, stbd=DRY_C))
    if calibrated:
        point = Reference(21.0, 20.0, 0.1, "a checked probe beside it")
        body = body_of(fit(Quantity.SURFACE_TEMP, CalibrationMethod.SIDE_BY_SIDE, [point]))
        made_s = first.machine.wall()
        row = Calibration("tent", "plank-stbd", Quantity.SURFACE_TEMP, made_s, body)
        kept = first.store.add_calibration(row)
        if undone:
            first.store.add_calibration(replace(row, body=undoing_body(kept.row or 0)))
    first.end()
    second = make(ONE_RENAMED, first.machine)
    (note,) = [e.note for e in second.store.events("tent") if e.kind is EventKind.NOTE]
    assert note.startswith("plank-stbd is called plank-keel now")
    lost = note.endswith("its calibration does not go with it: calibrate plank-keel")
    assert lost is (calibrated and not undone)
