"""`check --now` and the watch that runs beside it say the same, a restart included.

What is expected is DESIGN's rule for a restart: STOP comes back as STOP, anything else as HOLD, and
dwell and re-entry begin anew.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from live import HOUR_S, WET_C, Live

from monitor.cli.check_now import calls_now
from monitor.config.load import load_config_file
from rules.call import Call
from rules.events import Event
from rules.vocabulary import EventKind

Make = Callable[..., Live]


@pytest.fixture
def now(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Live], Call]:
    def asked(live: Live) -> Call:
        live.store.flush()
        monkeypatch.setattr("time.time", live.machine.wall)
        config = load_config_file(tmp_path / "live.toml").enclosures[0]
        (call,) = calls_now(live.store, config, tmp_path)
        return call.call

    return asked


@pytest.mark.parametrize("dark_s", [30.0, 400.0, 3 * HOUR_S])
def test_a_restart_begins_the_dwell_anew_for_both(
    dark_s: float, make: Make, now: Callable[[Live], Call]
) -> None:
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    assert now(live) is Call.GO
    live.kill()
    live.machine.monotonic_s += dark_s
    second = make(live.machine)
    for minutes, call in ((5, "HOLD"), (4, "HOLD"), (2, "GO")):
        assert second.run(60.0 * minutes, second.climate()) == call
        assert now(second) == call


def test_a_restart_begins_the_reentry_anew_for_both(
    make: Make, now: Callable[[Live], Call]
) -> None:
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    assert live.run(300.0, live.climate(WET_C)) == "STOP"
    assert live.run(600.0, live.climate()) == "STOP"
    assert now(live) is Call.STOP
    live.kill()
    live.machine.monotonic_s += 27.0
    second = make(live.machine)
    told = []
    for _ in range(20):
        told.append(second.run(60.0, second.climate()))
        assert now(second) == told[-1]
    # Ten minutes inside were seen before, and fifteen more are asked for.
    assert told[12] == "STOP"
    assert told[-1] == "GO"


def test_a_section_that_an_event_names_later_is_no_restart_of_the_others(
    make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    live.watch.record(
        Event(EventKind.WASHED, live.machine.wall(), "tent", section="deck",
              recorded_s=live.machine.wall())
    )  # fmt: skip
    live.run(120.0, live.climate())
    live.store.flush()
    monkeypatch.setattr("time.time", live.machine.wall)
    config = load_config_file(tmp_path / "live.toml").enclosures[0]
    found = {each.section: str(each.call) for each in calls_now(live.store, config, tmp_path)}
    assert found == live.calls()
    assert found["all"] == "GO"


def test_probes_put_back_that_were_not_out_begin_the_dwell_anew_for_both(
    make: Make, now: Callable[[Live], Call]
) -> None:
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    told_s = live.machine.wall()
    live.watch.record(Event(EventKind.PROBES_IN, told_s, "tent", recorded_s=told_s))
    for _ in range(4):
        assert now(live) == live.run(30.0, live.climate())


def test_a_section_whose_work_was_over_when_the_watch_began_is_not_asked_for(
    make: Make, now: Callable[[Live], Call]
) -> None:
    live = make()
    live.run(600.0, live.climate(), step_s=30.0)
    told_s = live.machine.wall()
    live.watch.record(Event(EventKind.WASHED, told_s, "tent", section="deck", recorded_s=told_s))
    live.run(600.0, live.climate(), step_s=30.0)
    live.kill()
    live.machine.monotonic_s += 86_400.0
    second = make(live.machine)
    second.run(1200.0, second.climate())
    assert now(second) == second.calls()["all"] == "GO"
    assert set(second.calls()) == {"all"}
