"""The live loop, with clocks that jump, logs that refuse and sensors that fall silent.

What is expected of each situation is DEVELOPERS.md, "The calls", and README's
"what can be lost". The full disk is SQLite's own page limit (PRAGMA max_page_count, SQLITE_FULL).
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import groupby, pairwise
from pathlib import Path

import pytest
from command import filmcall
from live import (
    DRY_C,
    GOOD,
    HOUR_S,
    ONE_PLANK,
    PLANK,
    START_S,
    TENT,
    TWO_PLANKS,
    WET_C,
    YEAR_S,
    Live,
    Machine,
    Values,
)

from monitor.calibrations import body_of, undoing_body
from monitor.cli.check_now import calls_now
from monitor.clock import RELEASED_S
from monitor.config.load import load_config_file
from monitor.live.alarms import Alarms
from monitor.live.restart import LinkLog
from monitor.log.log import Store
from monitor.log.rows import QUALITY_CODES, AlarmRow, AlarmStep, Calibration, LogRefused
from monitor.screen.freshness import quiet_text
from rules.events import Event, in_force
from rules.vocabulary import EventKind, Stage
from sensors.calibrate.fit import CalibrationMethod, Reference, fit
from sensors.reading import Quality, Quantity

Make = Callable[..., Live]
SILENCE_S = 100.0  # longer than the 90 s that a value counts


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[Live] = []

    def one(text: str = ONE_PLANK, machine: Machine | None = None) -> Live:
        made.append(Live(tmp_path, text, machine))
        return made[-1]

    yield one
    for live in made:
        live.kill()


def logged(live: Live, section: str = "all") -> list[str]:
    """The calls in the log; a STOP that is kept again for a further cause counts once."""
    return [call for call, _ in groupby(r.call for r in live.store.calls("tent", section=section))]


# GO, HOLD and STOP --------------------------------------------------------------------------


def test_go_comes_after_the_dwell_and_stop_on_the_first_reading_past_the_bound(make: Make) -> None:
    live = make()
    assert live.call() == "HOLD"
    assert live.run(600.0, live.climate()) == "HOLD"
    assert live.run(10.0, live.climate()) == "GO"
    # 1 K a reading is inside the rate limit of 1 K + 2 K a minute, so each counts at once.
    surface_c = DRY_C
    while live.call() != "STOP":
        surface_c -= 1.0
        live.run(10.0, live.climate(surface_c))
    # 9.3 + 3 K is the bound (dew point of 20 degC and 50 %: ASHRAE Fundamentals): 12 is the
    # first whole degree past it.
    assert surface_c == 12.0
    assert logged(live) == ["HOLD", "GO", "STOP"]
    assert [each["call"] for each in live.told] == logged(live)


def test_a_call_is_in_the_log_before_anyone_is_told(make: Make, tmp_path: Path) -> None:
    live = make()
    seen: list[tuple[str, str]] = []

    def told(_enclosure: object, _calls: object, said: dict[str, object]) -> None:
        with Store.open(live.path, now_s=live.machine.wall, read_only=True) as other:
            row = other.last_call("tent", "all")
            seen.append((str(said["call"]), "" if row is None else row.call))

    live.watch._tell = told
    live.run(620.0, live.climate())
    assert seen == [("GO", "GO")]


def test_values_grow_stale_by_the_clock_that_nobody_sets(make: Make) -> None:
    live = make()
    assert live.run(620.0, live.climate()) == "GO"
    assert live.run(90.0) == "GO", "a value counts for 90 s"
    assert live.run(10.0) == "HOLD"
    assert "too old" in live.reasons()["dew_margin_min"]
    assert live.run(10.0, live.climate()) == "HOLD", "the dwell begins anew"


def test_silence_never_ends_a_stop(make: Make) -> None:
    live = make()
    assert live.run(60.0, live.climate(WET_C)) == "STOP"
    assert live.run(3 * HOUR_S, step_s=600.0) == "STOP"


# The wall clock is set ----------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [HOUR_S, -HOUR_S, YEAR_S, -YEAR_S])
def test_a_clock_that_is_set_ends_go_at_once_and_is_kept(make: Make, step_s: float) -> None:
    machine = Machine()
    machine.wall_ahead_s += 2 * YEAR_S  # so that a year back is after the program's release
    live = make(machine=machine)
    assert live.run(620.0, live.climate()) == "GO"
    before_s = machine.wall()
    machine.wall_ahead_s += step_s
    assert live.run(1.0, step_s=1.0) == "HOLD", "in silence too"
    assert live.told[-1]["call"] == "HOLD"
    (outage,) = live.store.outages()
    assert outage.what == "clock-set"
    assert f"{step_s:+.0f} s" in outage.text
    assert outage.to_s is not None
    assert sorted((outage.from_s, outage.to_s)) == pytest.approx(
        sorted((before_s, before_s + step_s)), abs=2.0
    )
    assert live.run(600.0, live.climate()) == "HOLD", "a whole new dwell"
    assert live.run(20.0, live.climate()) == "GO"


@pytest.mark.parametrize("step_s", [HOUR_S, -HOUR_S, YEAR_S, -YEAR_S])
def test_a_stop_stays_when_the_clock_is_set(make: Make, step_s: float) -> None:
    machine = Machine()
    machine.wall_ahead_s += 2 * YEAR_S
    live = make(machine=machine)
    assert live.run(60.0, live.climate(WET_C)) == "STOP"
    machine.wall_ahead_s += step_s
    assert live.run(60.0) == "STOP"
    # 9 degC is broken still; then 20 degC, whose rise counts from its second reading.
    assert live.run(880.0, live.climate()) == "STOP", "the re-entry time is 900 s"
    assert live.run(60.0, live.climate()) in ("HOLD", "GO")


def test_old_values_are_not_made_young_by_a_clock_set_back(make: Make) -> None:
    live = make()
    live.run(620.0, live.climate())
    live.run(80.0)
    live.machine.wall_ahead_s -= 80.0
    assert live.run(20.0) == "HOLD"


def test_a_sensors_own_old_time_counts_after_the_clock_was_set(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate())
    live.machine.wall_ahead_s += HOUR_S
    live.run(10.0)
    for _ in range(100):
        live.machine.monotonic_s += 10.0
        live.hear(live.climate(), age_s=200.0)
        live.watch.turn(0.0)
    assert live.call() == "HOLD", "measured 200 s ago is older than 90 s"


# A clock that cannot be right ---------------------------------------------------------------


def qualities(live: Live) -> set[int]:
    live.store.flush()
    return set(live.store.readings("tent", "plank-port", Quantity.SURFACE_TEMP)[2].tolist())


def test_before_the_release_nothing_counts_until_the_clock_is_set(make: Make) -> None:
    machine = Machine(wall_ahead_s=RELEASED_S - 400 * 86_400.0)
    live = make(machine=machine)
    assert live.run(1200.0, live.climate()) == "HOLD"
    assert "before this program was made" in live.reasons()["clock"]
    assert qualities(live) == {QUALITY_CODES[Quality.CLOCK]}
    machine.wall_ahead_s = START_S - machine.monotonic_s
    assert live.run(10.0, live.climate()) == "HOLD"
    assert live.watch.clock_fault == ""
    assert live.run(620.0, live.climate()) == "GO"
    assert qualities(live) == {QUALITY_CODES[Quality.CLOCK], QUALITY_CODES[Quality.OK]}


def test_before_the_newest_row_nothing_counts_until_the_clock_is_set(make: Make) -> None:
    first = make()
    first.run(60.0, first.climate())
    first.end()
    machine = Machine(wall_ahead_s=START_S - 1000.0 - 86_400.0)
    live = make(machine=machine)
    assert live.run(900.0, live.climate()) == "HOLD"
    assert "before the newest row in the log (2027-01-15 08:01 UTC)" in live.reasons()["clock"]
    machine.wall_ahead_s += 2 * 86_400.0
    assert live.run(630.0, live.climate()) == "GO"


def test_a_clock_that_ran_ahead_and_was_mended_does_not_shut_the_log(make: Make) -> None:
    machine = Machine()
    first = make(machine=machine)
    first.run(60.0, first.climate())
    machine.wall_ahead_s += 30 * 86_400.0
    first.run(120.0, first.climate())
    machine.wall_ahead_s -= 30 * 86_400.0
    first.run(60.0, first.climate())
    first.end()
    live = make(machine=machine)
    assert live.run(630.0, live.climate()) == "GO"
    assert "clock" not in live.reasons()


def test_a_clock_set_back_over_an_open_film_gives_no_go(make: Make) -> None:
    machine = Machine()
    live = make(machine=machine)
    live.run(700.0, live.climate())
    live.store.add_event(Event(EventKind.COAT_STARTED, machine.wall(), "tent"))
    assert live.run(30.0, live.climate()) == "GO"
    machine.wall_ahead_s -= 2 * HOUR_S
    assert live.run(1500.0, live.climate()) == "HOLD"
    assert "lies 1 h" in live.reasons()["clock"]
    machine.wall_ahead_s += 2 * HOUR_S
    assert live.run(700.0, live.climate()) == "GO"
    assert live.told[-1]["stage"] == "apply"


def test_a_stop_outranks_a_clock_that_was_never_set(make: Make) -> None:
    first = make()
    first.run(60.0, first.climate(WET_C))
    first.end()
    live = make(machine=Machine(wall_ahead_s=0.0))
    assert live.run(600.0, live.climate()) == "STOP"
    # What the sensors say is so now, whatever the clock says; only GO waits for it.
    assert live.run(1800.0, live.climate()) == "HOLD"
    assert live.run(60.0, live.climate(WET_C)) == "STOP"


# Restart ------------------------------------------------------------------------------------


def test_go_and_hold_come_back_as_hold(make: Make) -> None:
    first = make()
    assert first.run(620.0, first.climate()) == "GO"
    first.kill()
    second = make(machine=first.machine)
    assert second.call() == "HOLD"
    assert second.told[0]["call"] == "HOLD"
    second.kill()
    assert make(machine=first.machine).call() == "HOLD"


def test_stop_comes_back_as_stop_with_its_cause(make: Make) -> None:
    first = make(TWO_PLANKS)
    first.run(60.0, first.climate(WET_C, stbd=DRY_C))
    assert first.calls() == {"hull-port": "STOP", "hull-stbd": "HOLD"}
    first.kill()
    second = make(TWO_PLANKS, first.machine)
    assert second.calls() == {"hull-port": "STOP", "hull-stbd": "HOLD"}
    assert second.told[0]["cause"] == [
        "dew_margin_min@plank-port + air-bow",
        "surface_temp_min@plank-port",
    ]
    assert second.run(880.0, second.climate(stbd=DRY_C)) == "STOP"
    second.run(60.0, second.climate(stbd=DRY_C))
    assert second.calls() == {"hull-port": "GO", "hull-stbd": "GO"}
    assert logged(second, "hull-port")[-2:] == ["HOLD", "GO"], "a STOP ends in HOLD"


@pytest.mark.parametrize("acknowledged", [True, False])
def test_after_a_restart_only_an_unseen_stop_rings_anew(make: Make, acknowledged: bool) -> None:
    first = make()
    first.run(620.0, first.climate())
    at_s = first.machine.wall()
    spec = "polyurethane-topcoat"
    first.watch.record(Event(EventKind.COAT_STARTED, at_s, "tent", spec=spec))
    first.run(60.0, first.climate(WET_C))
    assert len(Alarms(first.watch, None).look()) == 2, "too near the dew point, and too cold"
    stood_s = first.watch.rooms["tent"].enclosure.explain()[0].since_s
    if acknowledged:
        first.watch.record(Event(EventKind.ACKNOWLEDGED, first.machine.wall(), "tent"))
    first.run(60.0, first.climate(WET_C))
    machine = first.machine
    for _ in range(2):
        first.kill()
        machine.monotonic_s += 3600.0
        first = make(machine=machine)
        alarms = Alarms(first.watch, None)
        rings = alarms.look()
        first.run(30.0, first.climate(WET_C))
        rings += alarms.look()
        assert len(rings) == (0 if acknowledged else 2)
        call = first.watch.rooms["tent"].enclosure.explain()[0]
        assert (call.call, call.since_s) == ("STOP", stood_s)
    # Once it has ended, the next one is another.
    first.run(1000.0, first.climate())
    assert first.call() in ("GO", "HOLD")
    alarms.look()
    first.run(30.0, first.climate(WET_C))
    assert len(alarms.look()) == 2


WITHOUT_PORT = ONE_PLANK.replace("plank-port", "plank-keel")


def test_a_point_taken_out_ends_the_stop_that_it_alone_caused(make: Make) -> None:
    first = make()
    first.run(60.0, first.climate(WET_C))
    first.kill()
    second = make(WITHOUT_PORT, first.machine)
    assert second.call() == "HOLD"
    (note,) = second.store.events("tent")
    assert (note.kind, note.note) == (
        EventKind.NOTE,
        "plank-port taken out of the config: the STOP that it alone caused has ended",
    )


def test_a_point_taken_out_leaves_the_stop_that_another_caused_too(make: Make) -> None:
    first = make()
    first.run(60.0, first.climate(WET_C))
    # Later the air is past its own limit too: 90 % is over 85 %, at once inside the probe's rate.
    for rh_pct in range(50, 91, 5):
        humid = {"air-bow": {Quantity.AIR_TEMP: 20.0, Quantity.HUMIDITY: float(rh_pct)}}
        first.run(10.0, {**first.climate(WET_C), **humid})
    first.kill()
    second = make(WITHOUT_PORT, first.machine)
    assert second.call() == "STOP"
    assert second.store.events("tent") == ()


def test_the_only_point_of_a_section_taken_out_ends_its_stop_and_is_noted_once(make: Make) -> None:
    first = make(TWO_PLANKS)
    first.run(60.0, first.climate(WET_C, stbd=DRY_C))
    first.kill()
    port_gone = TENT + TWO_PLANKS.removeprefix(TENT).partition("[[enclosure.point]]\nname")[2]
    stbd_only = TENT + "\n[[enclosure.point]]\nname" + port_gone.rpartition("\nname")[2]
    second = make(stbd_only, first.machine)
    assert second.calls() == {"hull-stbd": "HOLD"}
    (note,) = second.store.events("tent")
    assert "hull-port" in note.note
    assert "STOP" in note.note
    second.kill()
    third = make(stbd_only, first.machine)
    assert third.calls() == {"hull-stbd": "HOLD"}
    assert len(third.store.events("tent")) == 1


def test_a_stop_by_an_assumed_surface_stays_over_a_restart(make: Make) -> None:
    assumed = TENT.replace('spec = "gen', 'assumed_surface_offset = "-8 K"\nspec = "gen')
    cold = {"air-bow": {Quantity.AIR_TEMP: 20.0, Quantity.HUMIDITY: 60.0}}
    first = make(assumed)
    assert first.run(60.0, cold) == "STOP"
    first.kill()
    second = make(assumed, first.machine)
    assert second.call() == "STOP"
    assert second.store.events("tent") == ()


# Readings that come late, or from the broker's memory ---------------------------------------


def test_a_late_reading_enters_the_log_and_not_the_present(make: Make) -> None:
    live = make()
    live.run(620.0, live.climate())
    live.machine.monotonic_s += 5.0
    live.hear({"plank-port": {Quantity.SURFACE_TEMP: WET_C}}, age_s=48.0)
    live.watch.turn(0.0)
    assert live.call() == "GO"
    live.store.flush()
    times, values, _ = live.store.readings("tent", "plank-port", Quantity.SURFACE_TEMP)
    assert values[times == live.machine.wall() - 48.0].tolist() == [WET_C]


@pytest.mark.parametrize("between", ["nothing", "an event", "a disk that refuses"])
def test_late_temperatures_reach_the_clocks(make: Make, between: str) -> None:
    text = ONE_PLANK.replace("general-guidance", "polyurethane-topcoat")
    live = make(text)
    live.run(60.0, live.climate())
    began_s = live.machine.wall()
    for kind in (EventKind.COAT_STARTED, EventKind.COAT_ENDED):
        live.store.add_event(Event(kind, began_s, "tent"))
    # Two hours in which the plank is not heard, though the air is.
    live.run(2 * HOUR_S, GOOD, step_s=60.0)

    def left_s() -> float:
        keeper = live.watch.rooms["tent"].keeper
        (clock,) = (
            each
            for each in keeper.clocks("all", live.watch.rooms["tent"].enclosure.now_s)
            if each.name.value == "touch dry"
        )
        assert clock.left_s is not None
        return clock.left_s

    live.run(60.0, live.climate(20.5))
    unknown_s = left_s()
    # Now the logger sends what it had kept: 20.5 degC all along, 5 h at 20 degC less 0.5 K.
    for age in range(0, 7200, 60):
        live.hear({"plank-port": {Quantity.SURFACE_TEMP: 20.5}}, age_s=7200.0 - age)
    if between == "an event":
        live.run(1.0, step_s=1.0)
        assert live.store.waiting[0] > 100, "they are not on disk yet"
        add(live, "note")
        live.run(1.0, step_s=1.0)
    elif between == "a disk that refuses":
        refuse_writes(live)
        live.run(HOUR_S, live.climate(20.5))
        assert unknown_s - left_s() < HOUR_S + 150.0
        live.store.file.connection.execute("PRAGMA query_only = OFF")
        live.run(10.0, live.climate(20.5))
    live.run(130.0, live.climate(20.5))
    # Reckoned once a minute and on a grid of a minute, at both looks.
    assert left_s() == pytest.approx(5 * HOUR_S - (live.machine.wall() - began_s), abs=150.0)
    # Before, the two silent hours were taken at the coldest that the plank can have been.
    assert unknown_s > 3 * HOUR_S + 600.0


def test_an_event_reads_no_temperature_again_that_memory_has(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make(ONE_PLANK.replace("general-guidance", "polyurethane-topcoat"))
    live.run(HOUR_S, live.climate(), step_s=60.0)
    asked: list[tuple[float, float]] = []
    readings = live.store.readings

    def noted(*which: str, **more: int) -> object:
        asked.append(which[3:])  # type: ignore[arg-type]
        return readings(*which, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(live.store, "readings", noted)
    began_s = live.machine.wall()
    live.store.add_event(Event(EventKind.COAT_STARTED, began_s, "tent"))
    live.run(HOUR_S, live.climate(), step_s=60.0)
    assert asked, "what came before memory was begun is only in the log"
    asked.clear()
    live.store.add_event(Event(EventKind.COAT_ENDED, live.machine.wall(), "tent"))
    live.run(60.0, live.climate())
    assert asked == [], "ten days of readings would keep every call waiting for half a second"
    samples = live.watch.rooms["tent"].keeper.samples("all")
    # A gap that runs into the coat is judged by what was measured up to two days before.
    from_s = began_s - 2.0 * 86_400.0
    assert samples.whole_from_s == from_s
    # A pot that is told of later begins before: only what is missing is read.
    live.store.add_event(Event(EventKind.MIXED, began_s - 1800.0, "tent"))
    live.run(60.0, live.climate())
    assert {to_s for _, to_s in asked} == {from_s}
    assert samples.whole_from_s == from_s - 1800.0
    times = samples.history().time_s
    assert times[0] == pytest.approx(began_s - HOUR_S, abs=60.0)
    assert max(b - a for a, b in pairwise(times)) <= 120.0


@pytest.mark.parametrize("after_s", [0.0, SILENCE_S])
def test_a_retained_value_without_a_time_gives_no_go(make: Make, after_s: float) -> None:
    live = make()
    if after_s:
        live.run(after_s)
    for _ in range(100):
        live.machine.monotonic_s += 10.0
        live.hear(live.climate(), quality=Quality.RETAINED)
        live.watch.turn(0.0)
    assert live.call() == "HOLD"
    assert "is only an old message that the broker held" in live.reasons()["dew_margin_min"]


def test_a_retained_value_takes_no_good_values_place(make: Make) -> None:
    live = make()
    live.run(620.0, live.climate())
    live.hear(live.climate(WET_C), quality=Quality.RETAINED)
    live.watch.turn(0.0)
    assert live.call() == "GO"
    assert live.run(20.0, live.climate()) == "GO"


# A disk that refuses ------------------------------------------------------------------------


def fill(live: Live) -> None:
    (pages,) = live.store.file.connection.execute("PRAGMA page_count").fetchone()
    live.store.file.connection.execute(f"PRAGMA max_page_count = {pages}")


def make_room(live: Live) -> None:
    live.store.file.connection.execute("PRAGMA max_page_count = 1000000")


def test_a_full_disk_holds_and_the_call_is_told_unlogged(make: Make) -> None:
    live = make()
    assert live.run(620.0, live.climate()) == "GO"
    fill(live)
    # The page limit leaves room in pages begun; in a few minutes they are full.
    for _ in range(60):
        if live.run(10.0, live.climate()) == "HOLD":
            break
    assert live.call() == "HOLD"
    assert live.told[-1]["unlogged"] is True
    assert "disk refuses" in live.reasons()["log"]
    assert not live.reasons()["log"].endswith("."), "whoever shows a reason ends the sentence"
    assert live.run(700.0, live.climate()) == "HOLD"
    assert f"{live.store.waiting[0]} readings" in live.reasons()["log"], "as many as wait now"
    live.run(60.0, live.climate(DRY_C - 1.0))
    surface_c = DRY_C
    while surface_c > WET_C:
        surface_c -= 1.0
        live.run(10.0, live.climate(surface_c))
    assert live.call() == "STOP"
    assert (live.told[-1]["call"], live.told[-1]["unlogged"]) == ("STOP", True)
    make_room(live)
    live.run(20.0, live.climate(surface_c))
    assert live.watch.log_fault == ""
    assert "log" not in live.reasons()
    assert logged(live)[-2:] == ["HOLD", "STOP"], "what waited was written"
    assert live.store.waiting[1] == 0
    assert live.store.verify() == []


def test_a_call_that_is_refused_is_held_at_once(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make()
    live.run(600.0, live.climate())

    def refuse(*_: object) -> int:
        raise LogRefused("log x: the disk refuses it")

    monkeypatch.setattr(live.store, "add_calls", refuse)
    live.run(10.0, live.climate())
    assert [(each["call"], each.get("unlogged")) for each in live.told[-2:]] == [
        ("GO", True),
        ("HOLD", True),
    ]


def refuse_writes(live: Live) -> None:
    """Let SQLite itself refuse each write, and nothing but writes."""
    live.store.file.connection.execute("PRAGMA query_only = ON")


def test_a_disk_that_refuses_first_when_a_lost_link_is_to_be_noted_gives_hold(make: Make) -> None:
    live = make()
    linked = True
    live.watch.link = LinkLog(lambda: linked)
    assert live.run(700.0, live.climate()) == "GO"
    linked = False
    live.run(20.0, live.climate())
    refuse_writes(live)
    linked = True
    assert live.run(10.0, live.climate()) == "HOLD"
    assert "disk refuses" in live.reasons()["log"]
    assert live.run(700.0, live.climate()) == "HOLD"


def test_a_disk_that_refuses_first_when_a_section_ends_gives_hold(make: Make) -> None:
    live = make()
    add(live, "washed", section="transom")
    for quarter in range(3):  # no probe stands for a day
        live.run(DAY_S / 4.0, live.climate(DRY_C + 0.1 * (quarter % 2)), step_s=60.0)
    live.run(DAY_S / 4.0 - 60.0, live.climate(DRY_C + 0.1), step_s=60.0)
    assert live.calls() == {"all": "GO", "transom": "GO"}
    refuse_writes(live)
    live.run(180.0, live.climate(), step_s=60.0)
    assert live.calls() == {"all": "HOLD"}
    assert "disk refuses" in live.reasons()["log"]


def test_the_calls_of_every_section_wait_once_for_a_log_that_another_holds(make: Make) -> None:
    many = [f"hull-{number}" for number in range(12)]
    live = make(TENT + "".join(PLANK.format(name.removeprefix("hull-")) for name in many))
    planks: Values = {f"plank-{n}": {Quantity.SURFACE_TEMP: DRY_C} for n in range(12)}
    assert live.run(600.0, {**GOOD, **planks}) == "HOLD"
    asked: list[str] = []
    live.store.file.connection.set_trace_callback(asked.append)
    other = sqlite3.connect(live.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    told_before = len(live.told)
    live.machine.monotonic_s += 10.0
    live.hear({**GOOD, **planks})
    live.watch._take(group := live.script.drain(), live.machine.wall())
    other.close()
    assert len(group) == 14
    (told,) = live.told[told_before:]
    assert told["unlogged"] is True
    assert {part["call"] for part in told["sections"]} == {"GO"}
    assert asked.count("BEGIN IMMEDIATE") == 1, "each try may take the whole of the busy time"


def test_a_log_that_cannot_be_read_does_not_end_the_program(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make()
    live.run(620.0, live.climate())

    def refuse(*_: object, **__: object) -> tuple[Event, ...]:
        raise LogRefused("log x: it cannot be read (disk I/O error)")

    with monkeypatch.context() as patched:
        patched.setattr(live.store, "events", refuse)
        assert live.run(10.0, live.climate()) == "HOLD"
        assert "cannot be read" in live.reasons()["log"]
        assert live.run(700.0, live.climate()) == "HOLD"
    assert live.run(630.0, live.climate()) == "GO"


def test_a_clock_step_that_the_disk_refused_is_kept_later(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make()
    live.run(60.0, live.climate())

    def refuse(*_: object) -> None:
        raise LogRefused("log x: the disk refuses it")

    with monkeypatch.context() as patched:
        patched.setattr(live.store, "add_outage", refuse)
        live.machine.wall_ahead_s += HOUR_S
        live.run(20.0, live.climate())
        assert live.watch.log_fault
    live.run(20.0, live.climate())
    assert [each.what for each in live.store.outages()] == ["clock-set"]
    assert live.watch.log_fault == ""


# What readings cannot tell of a time without them ------------------------------------------


def test_a_time_without_a_program_is_in_the_log_and_events_of_other_shells_do_not_shorten_it(
    make: Make,
) -> None:
    live = make()
    live.run(60.0, live.climate())
    live.end()
    ended_s = live.machine.wall()
    live.machine.monotonic_s += 7 * HOUR_S
    with Store.open(live.path, now_s=live.machine.wall) as other:
        other.add_event(Event(EventKind.NOTE, live.machine.wall(), "tent"))
    live.machine.monotonic_s += HOUR_S
    again = make(machine=live.machine)
    (outage,) = again.store.outages()
    assert (outage.what, outage.from_s) == ("program-stopped", ended_s)
    assert outage.to_s == ended_s + 8 * HOUR_S
    assert outage.text == "no program watched for up to 8 h, until it was started"
    again.run(60.0, again.climate())
    again.end()
    assert len(make(machine=live.machine).store.outages()) == 1, "a quick restart is none"


def test_a_time_without_a_link_to_the_broker_is_in_the_log_once_it_is_over(make: Make) -> None:
    live = make()
    linked = True
    live.watch.link = LinkLog(lambda: linked)
    live.run(60.0, live.climate())
    linked = False
    lost_s = live.machine.wall()
    live.run(1800.0)
    assert live.store.outages() == ()
    linked = True
    live.run(20.0, live.climate())
    linked = False
    live.run(5.0, step_s=1.0)
    linked = True
    live.run(10.0, step_s=1.0)
    (outage,) = live.store.outages()
    assert outage.what == "broker-lost"
    assert (outage.from_s, outage.to_s) == (lost_s + 10.0, lost_s + 1810.0)
    assert outage.text == "no link to the broker for 30 min"


def test_without_a_link_reasons_and_alarms_name_it_and_send_nobody_to_a_probe(make: Make) -> None:
    text = ONE_PLANK.replace("general-guidance", "polyurethane-topcoat")
    live = make(text=text)
    linked = True
    live.watch.link = LinkLog(lambda: linked)
    alarms = Alarms(live.watch, None)
    live.run(60.0, live.climate())
    now_s = live.machine.wall()
    live.watch.record(Event(EventKind.COAT_STARTED, now_s, "tent", recorded_s=now_s))
    live.run(60.0, live.climate())
    linked = False
    rung: list[str] = []
    for _ in range(60):
        live.run(10.0)
        rung += [ring.text for ring in alarms.look(link_ok=linked)]
    assert live.call() == "HOLD"
    said = live.reasons()
    assert said["dew_margin_min"] == (
        "Dew margin unknown: no link to the broker; start it, or what leads to it"
    )
    assert not [each for each in said.values() if "too old" in each]
    assert len(rung) == 1
    for each in rung:
        assert each.startswith("tent: Start the broker, or what leads to it; no probe is to blame.")
        assert "no link to the broker" in each
        assert "Look at the probe" not in each
    linked = True
    live.run(20.0)
    assert live.reasons()["dew_margin_min"] == (
        "Dew margin unknown: air temperature of air-bow is too old"
    )


@pytest.mark.parametrize("slow", [("plank-port",), ("plank-port", "air-bow")])
def test_a_probe_with_a_slow_clock_is_told_by_its_clock_and_not_as_silent(
    make: Make, slow: tuple[str, ...]
) -> None:
    live = make()
    alarms = Alarms(live.watch, None)
    live.run(620.0, live.climate())
    for _ in range(36):
        live.machine.monotonic_s += 10.0
        for name, said in live.climate().items():
            live.hear({name: said}, age_s=HOUR_S if name in slow else 0.0)
        live.watch.turn(0.0)
    assert live.call() == "HOLD"
    said = live.reasons()
    assert said["surface_temp_min"] == (
        "Coldest hull unknown: the clock of plank-port is 1 h slow; set it"
    )
    assert not [each for each in said.values() if "too old" in each]
    alarms.look()
    told = quiet_text(alarms.snapshots["tent"], long=True)
    assert re.fullmatch(
        r"OLD READINGS: the clock of \S+ is 1 h slow\. This HOLD stands until it is set\.", told
    )
    live.run(100.0)
    alarms.look()
    assert quiet_text(alarms.snapshots["tent"]).startswith("NOTHING NEW: last reading")
    live.run(10.0, GOOD)
    assert live.reasons()["surface_temp_min"].endswith("is too old")
    live.run(700.0, live.climate())
    assert live.call() == "GO"


@pytest.mark.parametrize("silent", [(), ("air-bow",)])
def test_over_a_film_an_alarm_asks_for_the_clock_where_nothing_else_is_to_blame(
    make: Make, silent: tuple[str, ...]
) -> None:
    """DESIGN.md: one body's wrong clock changes nothing for another."""
    live = make(text=ONE_PLANK.replace("general-guidance", "polyurethane-topcoat"))
    alarms = Alarms(live.watch, None)
    live.run(620.0, live.climate())
    now_s = live.machine.wall()
    live.watch.record(Event(EventKind.COAT_STARTED, now_s, "tent", recorded_s=now_s))
    rung: list[str] = []
    for _ in range(60):
        live.machine.monotonic_s += 10.0
        for name, said in live.climate().items():
            if name not in silent:
                live.hear({name: said}, age_s=HOUR_S if name == "plank-port" else 0.0)
        live.watch.turn(0.0)
        rung += [ring.text for ring in alarms.look()]
    asked = "Look at the probe" if silent else "Set the clock of plank-port."
    assert [each.startswith(f"tent: {asked}") for each in rung] == [True]


def test_readings_that_were_kept_back_and_come_at_once_make_no_slow_clock(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate())
    live.run(HOUR_S, step_s=60.0)
    for age_s in range(3600, 0, -10):
        live.hear(live.climate(), age_s=float(age_s))
        if not age_s % 600:
            live.machine.monotonic_s += 20.0
            live.watch.turn(0.0)
            assert not [each for each in live.reasons().values() if "slow" in each]


def test_a_link_still_lost_when_the_program_ends_is_in_the_log_and_a_restart_blames_nothing_else(
    make: Make,
) -> None:
    live = make()
    linked = True
    live.watch.link = LinkLog(lambda: linked)
    live.run(60.0, live.climate())
    linked = False
    live.run(3 * HOUR_S, step_s=60.0)
    live.end()
    ended_s = live.machine.wall()
    live.machine.monotonic_s += 60.0
    again = make(machine=live.machine)
    (lost,) = again.store.outages()
    assert (lost.what, lost.to_s) == ("broker-lost", ended_s)
    assert lost.text == "no link to the broker for 2 h 59 min, until the program ended"
    again.watch.link = LinkLog(lambda: linked)
    again.run(5.0, step_s=1.0)
    again.end()
    live.machine.monotonic_s += HOUR_S
    third = make(machine=live.machine)
    (_, stopped) = third.store.outages()
    assert stopped.text.startswith("no program watched for up to 1 h")


def test_a_link_that_was_lost_is_told_where_the_program_was_killed_without_it(make: Make) -> None:
    live = make()
    linked = True
    live.watch.link = LinkLog(lambda: linked)
    live.run(620.0, live.climate())
    linked = False
    lost_s = live.machine.wall()
    live.run(2 * HOUR_S, step_s=10.0)
    killed_s = live.machine.wall()
    live.watch.keep_alarm(
        AlarmRow("tent", "all", "blind", "x", AlarmStep.RANG, killed_s, killed_s, 1)
    )
    live.kill()
    live.machine.monotonic_s += HOUR_S
    second = make(machine=live.machine)
    lost, stopped = second.store.outages()
    assert (lost.what, lost.to_s, stopped.what) == ("broker-lost", killed_s, "program-stopped")
    assert lost_s < lost.from_s < lost_s + 120.0, "by the call that it brought"
    assert lost.text == "no link to the broker for at least 1 h 58 min, until the program ended"
    assert stopped.from_s == killed_s
    second.kill()
    again = make(machine=live.machine)
    assert len(again.store.outages()) == 2, "it is told once"


@pytest.mark.parametrize("alive", ["alarm", "own note", "orderly end"])
def test_a_program_that_hears_nothing_watches_until_its_last_row(make: Make, alive: str) -> None:
    live = make()
    live.run(60.0, live.climate())
    live.run(2 * HOUR_S, step_s=60.0)
    now_s = live.machine.wall()
    if alive == "alarm":
        live.watch.keep_alarm(
            AlarmRow("tent", "all", "blind", "x", AlarmStep.RANG, now_s, now_s, 1)
        )
    elif alive == "own note":
        live.watch.record(Event(EventKind.NOTE, now_s, "tent", recorded_s=now_s))
    else:
        live.end()
    live.kill()
    live.machine.monotonic_s += HOUR_S
    again = make(machine=live.machine)
    stopped = again.store.outages()[-1]
    assert (stopped.what, stopped.from_s) == ("program-stopped", pytest.approx(now_s, abs=1.0))
    assert stopped.text == "no program watched for up to 1 h, until it was started"


# Events -------------------------------------------------------------------------------------


def add(live: Live, kind: str, **more: object) -> Event:
    with Store.open(live.path, now_s=live.machine.wall) as other:
        return other.add_event(Event(EventKind(kind), live.machine.wall(), "tent", **more))  # type: ignore[arg-type]


def stages(live: Live) -> dict[str, Stage]:
    sections = live.watch.rooms["tent"].enclosure.sections
    return {name: section.film.stage for name, section in sections.items()}


def test_an_event_from_another_shell_is_seen_within_a_second(make: Make) -> None:
    live = make(TWO_PLANKS)
    live.run(60.0, live.climate(stbd=DRY_C))
    add(live, "coat-started", section="hull-port")
    live.run(1.0, step_s=0.2)
    assert stages(live) == {"hull-port": Stage.APPLY, "hull-stbd": Stage.PREP}
    assert any(part["stage"] == "apply" for part in live.told[-1]["sections"])


def test_the_command_writes_beside_a_running_watch(make: Make) -> None:
    from datetime import UTC, datetime

    machine = Machine(wall_ahead_s=datetime.now(tz=UTC).timestamp() - 1000.0)
    live = make(machine=machine)
    live.run(1.0, live.climate(), step_s=1.0)
    ran = filmcall("event", "mixed", "--enclosure", "tent", "--db", str(live.path))
    assert ran.code == 0, ran.err
    machine.monotonic_s += 10.0
    live.run(1.0, step_s=0.5)
    assert stages(live) == {"all": Stage.MIX}


def test_a_spec_that_an_event_names_judges_its_film(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate())
    add(live, "coat-started", spec="polyurethane-topcoat")
    live.run(10.0, live.climate())
    (call,) = live.watch.rooms["tent"].enclosure.explain()
    assert (call.stage, call.spec) == (Stage.APPLY, "polyurethane-topcoat")
    live.kill()
    again = make(machine=live.machine)
    again.run(10.0, again.climate())
    (call,) = again.watch.rooms["tent"].enclosure.explain()
    assert call.spec == "polyurethane-topcoat"


def test_a_withdrawn_event_leaves_no_section_behind_after_a_restart(make: Make) -> None:
    live = make(TWO_PLANKS)
    slip = add(live, "note", section="hul-port")
    live.run(1.0, step_s=0.5)
    assert "hul-port" in live.calls()
    add(live, "note", section="hul-port", corrects=slip.row, withdrawn=True)
    live.kill()
    assert set(make(TWO_PLANKS, live.machine).calls()) == {"hull-port", "hull-stbd"}


def test_events_of_two_enclosures_between_two_looks_are_both_seen(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make(ONE_PLANK + BOOTH)
    asked = live.store.events

    def events(enclosure: str | None = None, **more: int) -> tuple[Event, ...]:
        found = asked(enclosure, **more)
        if enclosure == "tent" and not late:
            # Between the look at the one and at the other somebody writes about both.
            late.append(add(live, "mixed"))
            with Store.open(live.path, now_s=live.machine.wall) as other:
                other.add_event(Event(EventKind.MIXED, live.machine.wall(), "booth"))
        return found

    late: list[Event] = []
    monkeypatch.setattr(live.store, "events", events)
    live.run(2.0, step_s=0.5)
    for name in ("tent", "booth"):
        (section,) = live.watch.rooms[name].enclosure.sections.values()
        assert section.film.stage is Stage.MIX, name


# Several enclosures -------------------------------------------------------------------------

BOOTH = ONE_PLANK.partition("[[enclosure]]")[2].replace("shed/", "booth/")
BOOTH = "\n[[enclosure]]" + BOOTH.replace('"tent"', '"booth"')


def test_enclosures_in_one_program_do_not_touch_each_other(make: Make) -> None:
    live = make(ONE_PLANK + BOOTH)
    for _ in range(62):
        live.machine.monotonic_s += 10.0
        live.hear(live.climate())
        live.hear(live.climate(WET_C), enclosure="booth")
        live.watch.turn(0.0)
    assert (live.call("tent"), live.call("booth")) == ("GO", "STOP")
    assert {row.enclosure for row in live.store.calls()} == {"tent", "booth"}
    live.run(SILENCE_S, live.climate())
    assert (live.call("tent"), live.call("booth")) == ("GO", "STOP")


def test_the_log_holds_every_reading_and_the_body_of_every_call(make: Make) -> None:
    live = make()
    live.run(620.0, live.climate())
    live.end()
    with sqlite3.connect(live.path) as log:
        (count,) = log.execute("SELECT count(*) FROM readings").fetchone()
        bodies = [json.loads(body) for (body,) in log.execute("SELECT body FROM calls")]
    log.close()
    assert count == 3 * 62
    assert [body["call"] for body in bodies] == ["HOLD", "GO"]
    assert all(body["reasons"] for body in bodies)


# Sections -----------------------------------------------------------------------------------


def test_an_event_about_all_of_the_work_makes_no_section_of_its_own(make: Make) -> None:
    live = make(TWO_PLANKS)
    add(live, "mixed", section="all")
    live.run(1.0, step_s=0.5)
    assert set(live.calls()) == {"hull-port", "hull-stbd"}


def test_the_stop_of_the_whole_goes_on_where_an_event_names_a_part(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate(WET_C))
    add(live, "note", section="transom")
    live.kill()
    again = make(machine=live.machine)
    assert again.calls() == {"all": "STOP", "transom": "STOP"}


def test_the_stop_of_the_whole_goes_on_where_the_config_gains_sections(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate(WET_C))
    live.kill()
    again = make(TWO_PLANKS, live.machine)
    assert again.calls() == {"hull-port": "STOP", "hull-stbd": "STOP"}
    assert again.run(3 * HOUR_S, step_s=600.0) == "STOP"


# A section that only events name, until it ends ----------------------------------------------

DAY_S = 86_400.0


def names(live: Live) -> set[str]:
    return set(live.calls())


PLANKS = {"hull-port", "hull-stbd"}


def test_a_section_without_a_film_ends_with_its_session(make: Make) -> None:
    live = make(TWO_PLANKS)
    add(live, "session-started")
    add(live, "washed", section="hul-port")
    assert live.run(2 * DAY_S, live.climate(stbd=DRY_C), step_s=600.0) == "HOLD"
    assert names(live) == {*PLANKS, "hul-port"}, "as long as the session lasts"
    add(live, "session-ended")
    live.run(60.0, live.climate(stbd=DRY_C))
    assert names(live) == PLANKS
    told = live.told[-1]
    assert told["call"] in ("GO", "HOLD")
    assert {part["section"] for part in told["sections"]} == PLANKS
    assert live.store.events("tent")[-1].note == (
        "section hul-port has ended: no film of it is open and its session is over"
    )
    live.kill()
    again = make(TWO_PLANKS, live.machine)
    assert names(again) == PLANKS
    assert len(again.store.events("tent")) == 4, "noted once"
    add(again, "washed", section="hul-port")
    again.run(1.0, step_s=0.5)
    assert names(again) == {*PLANKS, "hul-port"}, "named again, it is there again"


def test_a_section_without_film_and_session_ends_a_day_after_its_last_event(make: Make) -> None:
    live = make(TWO_PLANKS)
    add(live, "note", section="transom")
    live.run(DAY_S - 600.0, live.climate(stbd=DRY_C), step_s=600.0)
    assert "transom" in names(live)
    live.run(1200.0, live.climate(stbd=DRY_C), step_s=600.0)
    assert names(live) == PLANKS


@pytest.mark.parametrize("restarted", [True, False])
def test_a_section_ends_once_its_film_has_cured_and_its_session_is_over(
    make: Make, restarted: bool
) -> None:
    topcoat = ONE_PLANK.replace("general-guidance", "polyurethane-topcoat")
    live = make(topcoat)
    for kind in ("session-started", "coat-started", "coat-ended", "session-ended"):
        add(live, kind, **({"section": "transom"} if "coat" in kind else {}))
    live.run(6 * DAY_S, live.climate(20.5), step_s=1800.0)
    assert stages(live)["transom"] is Stage.CURE, "7 days at 20 degC until it has cured"
    live.run(2 * DAY_S, live.climate(20.5), step_s=1800.0)
    assert names(live) == {"all"}
    # Its last call was STOP: the recoat window had closed, which is reckoned from events alone.
    assert logged(live, "transom")[-1] == "STOP"
    gone = "section transom is watched no more: its STOP has ended"
    assert live.store.events("tent")[-1].note == gone
    again = live
    if restarted:
        live.kill()
        again = make(topcoat, live.machine)
    assert names(again) == {"all"}
    assert [each.note for each in again.store.events("tent")].count(gone) == 1
    add(again, "mixed", section="transom")
    again.run(20.0, again.climate(20.5))
    assert again.calls()["transom"] == "STOP"


def test_a_film_that_nobody_measures_keeps_its_section_for_good(make: Make) -> None:
    live = make(TWO_PLANKS.replace("general-guidance", "polyurethane-topcoat"))
    for kind in ("session-started", "coat-started", "coat-ended", "session-ended"):
        add(live, kind, **({"section": "transom"} if "coat" in kind else {}))
    live.run(20 * DAY_S, live.climate(20.5, stbd=20.5), step_s=12 * HOUR_S)
    assert stages(live)["transom"] is Stage.FLASH
    add(live, "back-in-service", section="transom")
    add(live, "session-ended")
    live.run(60.0, live.climate(stbd=DRY_C))
    assert names(live) == PLANKS, "launched: a person ends the watch over it"


def test_a_stop_keeps_its_section_whatever_has_ended(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate(WET_C))
    add(live, "washed", section="transom")
    live.run(120.0, live.climate(WET_C))
    assert live.calls() == {"all": "STOP", "transom": "STOP"}
    add(live, "session-started")
    add(live, "session-ended")
    live.run(3 * DAY_S, step_s=3600.0)
    assert live.calls() == {"all": "STOP", "transom": "STOP"}
    live.kill()
    assert make(machine=live.machine).calls() == {"all": "STOP", "transom": "STOP"}


def test_a_section_ends_with_the_last_event_that_named_it_taken_back(make: Make) -> None:
    live = make(TWO_PLANKS)
    slip = add(live, "coat-started", section="hul-port")
    live.run(1.0, step_s=0.5)
    assert "hul-port" in names(live)
    add(live, "coat-started", section="hull-port", corrects=slip.row)
    live.run(1.0, step_s=0.5)
    assert names(live) == PLANKS
    assert stages(live)["hull-port"] is Stage.APPLY


def test_what_has_ended_is_worked_out_at_a_new_event_and_else_once_a_minute(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make()
    slips = [add(live, "note", section=f"part-{number}") for number in range(3)]
    live.run(300.0, live.climate(), step_s=1.0)
    looked_s: list[float] = []

    def noted(events: tuple[Event, ...]) -> tuple[Event, ...]:
        looked_s.append(live.machine.wall())
        return in_force(events)

    monkeypatch.setattr("monitor.live.section_ends.in_force", noted)
    live.run(600.0, live.climate(), step_s=1.0)
    assert len(looked_s) == 10, "each look sorts every event that was ever written down"
    assert {b - a for a, b in pairwise(looked_s)} == {60.0}
    live.run(30.0, live.climate(), step_s=1.0)
    add(live, "note", section="part-0", corrects=slips[0].row, withdrawn=True)
    live.run(1.0, step_s=0.5)
    assert names(live) == {"all", "part-1", "part-2"}


def test_a_clock_that_ran_ahead_at_the_start_ends_no_section_for_good(make: Make) -> None:
    live = make()
    live.run(60.0, live.climate())
    add(live, "washed", section="transom")
    live.run(60.0, live.climate())
    live.end()
    live.machine.wall_ahead_s += 2 * DAY_S
    again = make(machine=live.machine)
    assert names(again) == {"all"}, "by this clock its last event is two days old"
    again.machine.wall_ahead_s -= 2 * DAY_S
    again.run(10.0, again.climate())
    assert names(again) == {"all", "transom"}
    again.run(DAY_S - 600.0, again.climate(), step_s=600.0)
    assert names(again) == {"all", "transom"}
    again.run(1200.0, again.climate(), step_s=600.0)
    assert names(again) == {"all"}


def test_a_clock_in_doubt_at_the_start_ends_no_section(make: Make) -> None:
    live = make(ONE_PLANK.replace("general-guidance", "polyurethane-topcoat"))
    add(live, "washed", section="keel")
    live.run(2 * DAY_S, live.climate(20.5), step_s=600.0)
    assert names(live) == {"all"}
    for kind in ("session-started", "coat-started", "coat-ended", "session-ended"):
        add(live, kind, **({"section": "transom"} if "coat" in kind else {}))
    live.run(HOUR_S, live.climate(20.5), step_s=60.0)
    kept = len(live.store.events("tent"))
    live.end()
    mended_s = live.machine.wall_ahead_s
    live.machine.wall_ahead_s = 0.0
    again = make((live.path.parent / "live.toml").read_text(), live.machine)
    again.run(60.0, again.climate(20.5))
    assert names(again) == {"all", "keel", "transom"}
    live.machine.wall_ahead_s = mended_s
    again.run(60.0, again.climate(20.5))
    assert names(again) == {"all", "transom"}
    assert len(again.store.events("tent")) == kept, "noted once"
    # What was measured before the start counts again: 5 h at 20 degC until it is touch dry.
    (left_s,) = (
        clock.left_s
        for clock in again.watch.rooms["tent"].keeper.clocks("transom", again.machine.wall())
        if clock.name.value == "touch dry"
    )
    assert left_s == pytest.approx(4 * HOUR_S, rel=0.1)


# Calibrations -------------------------------------------------------------------------------


def test_the_first_reading_after_a_start_passes_through_its_calibration(make: Make) -> None:
    first = make()
    point = Reference(21.0, 20.0, 0.1, "a checked probe beside it")
    body = body_of(fit(Quantity.SURFACE_TEMP, CalibrationMethod.SIDE_BY_SIDE, [point]))
    first.store.add_calibration(
        Calibration("tent", "plank-port", Quantity.SURFACE_TEMP, first.machine.wall(), body)
    )
    first.kill()
    second = make(machine=first.machine)
    second.run(10.0, second.climate(16.0))
    (call,) = second.watch.rooms["tent"].enclosure.explain()
    assert call.climate.surface_temp_c == 15.0
    second.store.flush()
    values = second.store.readings("tent", "plank-port", Quantity.SURFACE_TEMP)[1]
    assert values.tolist() == [15.0]


@pytest.mark.parametrize(
    ("heard", "counts"),
    [
        ({"topic": "shed/plank-port"}, True),
        ({"column": "plank"}, True),  # the live config names none
        ({}, True),  # an older program kept none
        ({"topic": "shed/old-plank"}, False),
        ({"topic": "shed/plank-port", "value": "t1"}, True),
    ],
)
def test_a_calibration_of_a_probe_that_the_config_has_no_more_is_taken_back(
    heard: dict[str, str], counts: bool, make: Make
) -> None:
    first = make()
    point = Reference(21.0, 20.0, 0.1, "a checked probe beside it")
    body = body_of(fit(Quantity.SURFACE_TEMP, CalibrationMethod.SIDE_BY_SIDE, [point]), heard=heard)
    row = first.store.add_calibration(
        Calibration("tent", "plank-port", Quantity.SURFACE_TEMP, first.machine.wall(), body)
    ).row
    first.kill()
    second = make(machine=first.machine)
    second.run(10.0, second.climate(16.0))
    (call,) = second.watch.rooms["tent"].enclosure.explain()
    assert call.climate.surface_temp_c == (15.0 if counts else 16.0)
    said = [text for text in second.watch.notices() if "taken back" in text]
    assert bool(said) is not counts
    if counts:
        return
    assert f"(row {row}) is taken back: it was made on topic 'shed/old-plank'" in said[0]
    assert any("taken back" in event.note for event in second.store.events("tent"))
    taken_back = second.store.calibrations()[-1]
    assert f"undo --row {taken_back.row}" in said[0]
    # Somebody says that it is the same probe: it stays so over the next start.
    second.store.add_calibration(replace(taken_back, body=undoing_body(taken_back.row or 0)))
    second.kill()
    third = make(machine=second.machine)
    third.run(10.0, third.climate(16.0))
    (call,) = third.watch.rooms["tent"].enclosure.explain()
    assert call.climate.surface_temp_c == 15.0


def test_check_now_takes_the_guard_of_a_calibrated_probe_as_the_watch_does(
    make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One guard: what the calibrations proved, and no widening from before the salt."""
    live = make()
    add(live, "wiped")  # the salt below was looked at later
    live.machine.monotonic_s += 60.0
    made_s = live.machine.wall()
    salt = Reference(70.97, 75.47, 0.94, "NaCl at 20.1 degC")
    beside = Reference(18.5, 19.0, 1.5, "a checked probe beside it")
    for point, quantity, method, reference in (
        ("air-bow", Quantity.HUMIDITY, CalibrationMethod.SALT, salt),
        ("plank-port", Quantity.SURFACE_TEMP, CalibrationMethod.SIDE_BY_SIDE, beside),
    ):
        body = body_of(fit(quantity, method, [reference]))
        live.store.add_calibration(Calibration("tent", point, quantity, made_s, body))
    live.run(620.0, live.climate())
    live.store.flush()
    (watched,) = live.watch.rooms["tent"].enclosure.explain()
    monkeypatch.setattr("time.time", live.machine.wall)
    config = load_config_file(tmp_path / "live.toml").enclosures[0]
    (now,) = calls_now(live.store, config, tmp_path)
    guards = [
        {each.limit: (each.value, each.guard) for each in call.reasons if each.guard}
        for call in (watched, now)
    ]
    assert guards[0] == guards[1]
    # JCGM 100: one-sided 95 % of a rectangle is 1.645 a / sqrt(3); by the config it is 3 %.
    assert guards[1]["humidity_max"][1] < 1.645 * 3.0 / 3.0**0.5
    assert guards[1]["surface_temp_min"][1] > 1.645 * 0.5 / 3.0**0.5  # of the config's 0.5 K
    assert now.climate.dew_margin_u_k == watched.climate.dew_margin_u_k


def test_calibrations_that_cannot_be_read_do_not_end_the_program(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make()
    live.run(620.0, live.climate())

    def refuse(*_: object) -> tuple[Calibration, ...]:
        raise LogRefused("log x: it cannot be read (disk I/O error)")

    monkeypatch.setattr(live.store, "calibrations", refuse)
    live.run(10.0, live.climate())
    assert live.told[-1]["call"] == "HOLD"


def test_what_is_told_carries_the_clocks(make: Make) -> None:
    live = make(TWO_PLANKS)
    live.run(60.0, live.climate(stbd=DRY_C))
    assert live.told[-1]["clocks"] == [], "nothing is mixed or laid yet"
    add(live, "mixed", batch="A", spec="polyurethane-topcoat")
    add(live, "coat-started", section="hull-port", spec="polyurethane-topcoat")
    live.run(10.0, live.climate(stbd=DRY_C))
    clocks = {(each["name"], each["section"]): each for each in live.told[-1]["clocks"]}
    pot = next(each for (name, _), each in clocks.items() if name == "pot life")
    assert pot["batch"] == "A"
    assert pot["left_s"] > 0.0
    assert pot["left_outlook_s"] is None, "a minute of log determines no outlook"
    assert clocks["touch dry", "hull-port"]["state"] == "waiting"
    json.dumps(live.told[-1])
