"""A short soak: simulated days through the real program, with faults, against the truth.

The full set is `python -m benchmarks.safety`; these seeds are a sample of it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from soak import Soak


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
    from monitor.pipeline import Enclosure
    from rules.call import Call

    monkeypatch.setattr(Enclosure, "call", property(lambda _self: Call.GO))
    tally = Soak(1, 1.0, tmp_path).run()
    assert tally.false_go + tally.false_go_drift > 0
    assert tally.missed_stop > 0
