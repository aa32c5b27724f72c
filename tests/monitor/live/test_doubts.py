"""A doubted probe in the live program: HOLD with its reason, over a restart, until vouched for.

What is expected is `doubted` in DEVELOPERS.md, "The calls"; a hull cannot jump 5 K beside
still air.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from live import DRY_C, HOUR_S, Live

from monitor.cli.check_now import calls_now
from monitor.config.load import load_config_file
from rules.call import Call
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quantity

Make = Callable[..., Live]
PLANK = "plank-port"
JUMPED_C = DRY_C + 5.0


def jumped(make: Make) -> Live:
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    live.run(120.0, live.climate(JUMPED_C))
    return live


def told(live: Live, kind: EventKind, what: str | None = None) -> None:
    now_s = live.machine.wall()
    live.watch.record(Event(kind, now_s, "tent", what=what, recorded_s=now_s))


def test_a_doubted_probe_gives_hold_and_says_why_and_what_to_do(make: Make) -> None:
    live = jumped(make)
    assert live.run(900.0, live.climate(JUMPED_C)) == "HOLD"
    why = live.reasons()["dew_margin_min"]
    assert f"{PLANK} jumped 5.0 K up at once, which a hull cannot" in why
    assert why.endswith(f"filmcall event vouched --point {PLANK}")
    _, values, codes = live.store.readings("tent", PLANK, Quantity.SURFACE_TEMP)
    assert values[-1] == JUMPED_C
    assert codes[-1] == 9


def test_a_restart_ends_no_doubt(make: Make) -> None:
    live = jumped(make)
    live.kill()
    second = make(live.machine)
    assert second.run(900.0, second.climate(JUMPED_C)) == "HOLD"
    assert "which a hull cannot" in second.reasons()["dew_margin_min"]


@pytest.mark.parametrize("step_s", [10.0, 60.0])
def test_a_doubt_of_a_day_is_ended_by_no_restart_and_no_look(
    step_s: float, make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record that it was learned from lies further back than a start usually looks."""
    live = make()
    assert live.run(3.0 * HOUR_S, live.climate(), step_s=step_s) == "GO"
    assert live.run(20.0 * HOUR_S, live.climate(JUMPED_C), step_s=step_s) == "HOLD"
    live.store.flush()
    monkeypatch.setattr("time.time", live.machine.wall)
    (now,) = calls_now(live.store, load_config_file(tmp_path / "live.toml").enclosures[0], tmp_path)
    live.kill()
    second = make(live.machine)
    assert second.run(1.0 * HOUR_S, second.climate(JUMPED_C), step_s=step_s) == "HOLD"
    assert "which a hull cannot" in second.reasons()["dew_margin_min"]
    assert now.call is Call.HOLD
    assert any("which a hull cannot" in reason.text for reason in now.reasons)


def test_a_vouched_point_may_be_go_after_the_dwell_also_over_a_restart(make: Make) -> None:
    live = jumped(make)
    told(live, EventKind.VOUCHED, "another-probe")
    assert live.run(900.0, live.climate(JUMPED_C)) == "HOLD"
    told(live, EventKind.VOUCHED, PLANK)
    assert live.run(900.0, live.climate(JUMPED_C)) == "GO"
    live.kill()
    second = make(live.machine)
    assert second.run(900.0, second.climate(JUMPED_C)) == "GO"


def test_probes_put_back_begin_anew_also_over_a_restart(make: Make) -> None:
    """Who carries a probe out and back moves it as no hull can move."""
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    told(live, EventKind.PROBES_OUT)
    assert live.run(1200.0, live.climate(JUMPED_C)) == "HOLD"
    live.run(10.0)
    told(live, EventKind.PROBES_IN)
    assert live.run(900.0, live.climate()) == "GO"
    live.kill()
    second = make(live.machine)
    assert second.run(900.0, second.climate()) == "GO"


def test_what_a_doubted_value_shows_past_a_bound_is_still_stop(make: Make) -> None:
    live = make()
    assert live.run(1.1 * HOUR_S, live.climate(), step_s=30.0) == "GO"
    assert live.run(60.0, live.climate(DRY_C - 10.0)) == "STOP"
