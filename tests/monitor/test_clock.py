"""The steady clock: it goes by the clock that nobody sets, and notices when the other was set."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from live import HOUR_S, START_S, YEAR_S, Machine

from monitor import __version__
from monitor.clock import RELEASED_S, SLACK_S, STEP_S, SteadyClock, insane_clock


def steady(machine: Machine) -> SteadyClock:
    return SteadyClock(machine.wall, machine.monotonic)


@pytest.mark.parametrize("step_s", [STEP_S, -STEP_S, HOUR_S, -HOUR_S, YEAR_S, -YEAR_S])
def test_a_step_is_told_once_and_then_followed(step_s: float) -> None:
    machine = Machine()
    clock = steady(machine)
    machine.wall_ahead_s += step_s
    machine.monotonic_s += 5.0
    assert clock.now_s() == START_S + 5.0, "until then time goes on evenly"
    assert clock.step_s() == pytest.approx(step_s)
    assert clock.now_s() == START_S + 5.0 + step_s
    assert clock.step_s() == 0.0
    assert clock.steps == 1


def test_what_a_time_server_corrects_little_by_little_is_no_step() -> None:
    machine = Machine()
    clock = steady(machine)
    for _ in range(10):
        machine.monotonic_s += 60.0
        machine.wall_ahead_s += 0.15
        assert clock.step_s() == 0.0
    assert clock.now_s() == START_S + 600.0
    assert clock.steps == 0


def test_the_time_of_a_receipt_is_on_the_same_scale() -> None:
    machine = Machine()
    clock = steady(machine)
    received_s = machine.monotonic_s
    machine.monotonic_s += 30.0
    assert clock.now_s() - clock.at_s(received_s) == 30.0
    machine.wall_ahead_s -= YEAR_S
    clock.step_s()
    assert clock.now_s() - clock.at_s(received_s) == 30.0, "ages outlive a step"


def test_a_clock_from_before_the_release_is_insane_whatever_the_log_holds() -> None:
    assert __version__
    for newest_s in (None, RELEASED_S - YEAR_S, START_S):
        said = insane_clock(RELEASED_S - 1.0, newest_s)
        assert said.startswith("the clock says 2026-10-31 23:59 UTC, before this program was made")
        assert said.endswith("readings are marked and countdowns wait until it is set")
    assert insane_clock(RELEASED_S, None) == ""
    assert "1970-01-01 00:00 UTC" in insane_clock(0.0, None)
    assert "1970-01-01 00:00 UTC" in insane_clock(-1e9, None)


def test_a_clock_before_the_newest_row_is_insane_but_for_a_little_slack() -> None:
    assert insane_clock(START_S, START_S + SLACK_S) == ""
    said = insane_clock(START_S, START_S + SLACK_S + 1.0)
    newest = datetime.fromtimestamp(START_S + SLACK_S + 1.0, tz=UTC).strftime("%Y-%m-%d %H:%M")
    assert f"before the newest row in the log ({newest} UTC)" in said
    assert insane_clock(START_S, START_S - YEAR_S) == ""
