"""A short soak: simulated days through the real program, with faults, against the truth.

The full set is `python -m benchmarks.safety`; these seeds are a sample of it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from broker_soak import BrokerSoak
from soak import Soak

from tests.system.broker import mosquitto
from tests.system.conftest import need


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_no_false_go_no_missed_stop_nothing_lost(seed: int, tmp_path: Path) -> None:
    tally = Soak(seed, 1.0, tmp_path).run()
    assert tally.false_go == 0
    assert tally.missed_stop == 0
    assert tally.false_stop == 0
    assert tally.events_lost == 0
    assert tally.chain_problems == 0
    assert tally.handles_growth <= 2


def test_the_soak_would_see_a_false_go_and_a_missed_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that always says GO must not pass: the soak's own check can fail."""
    from monitor.enclosure import Enclosure
    from rules.call import Call

    monkeypatch.setattr(Enclosure, "call", property(lambda _self: Call.GO))
    tally = Soak(1, 1.0, tmp_path).run()
    assert tally.false_go + tally.false_go_drift > 0
    assert tally.missed_stop > 0


def test_the_same_through_a_real_broker_that_is_stopped_and_started(tmp_path: Path) -> None:
    """Half a day, shortened by simulated clocks; the word counts that a listener has."""
    need("mosquitto", mosquitto() is not None)
    soak = BrokerSoak(3, 0.5, tmp_path)
    try:
        tally, messages = soak.run(), soak.messages
    finally:
        soak.end()
    assert messages.sent > 6 * 1000
    assert messages.restarts == messages.wills == 1
    assert messages.lost == messages.untold == messages.unwilled == 0
    assert tally.go_hours > 0.0
    assert tally.stop_hours > 0.0
    assert (tally.false_go, tally.missed_stop, tally.false_stop) == (0, 0, 0)
    assert (tally.events_lost, tally.chain_problems) == (0, 0)
