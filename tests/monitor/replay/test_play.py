"""What a replay leaves of the interpreter's own settings."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest

from monitor.config.model import EnclosureConfig, PointConfig
from monitor.replay.play import ReplayJob, keeper_of, play
from monitor.specs import find_spec
from sensors.faults import DEFAULT_RULES
from sensors.reading import Quality, Quantity, Reading

AIR = Quantity.AIR_TEMP
BEGAN_S = 1_796_000_000.0


def _job() -> ReplayJob:
    point = PointConfig("bow", AIR, AIR.unit, 0.5, DEFAULT_RULES[AIR])
    config = EnclosureConfig("shed", (point,), "varnish")
    spec, text = find_spec(config.spec)
    return ReplayJob(config, spec, "digest", text)


def _rows(seen: list[int], *, fails: bool) -> Iterator[list[Reading]]:
    for k in range(3):
        seen.append(gc.get_threshold()[0])
        time_s = BEGAN_S + 10.0 * k
        yield [Reading("shed", "bow", AIR, time_s, 20.0 + k, Quality.OK, time_s)]
    if fails:
        raise OSError("the card was pulled out")


@pytest.mark.parametrize("fails", [False, True])
def test_circles_are_searched_for_seldom_only_while_rows_are_played(fails: bool) -> None:
    job, before, seen = _job(), gc.get_threshold(), list[int]()
    try:
        played = play(_rows(seen, fails=fails), job, lambda *_: None, keeper=keeper_of(job)).rows
    except OSError:
        played = 0
    assert played == (0 if fails else 3)
    assert len(seen) == 3
    assert min(seen) > 10 * before[0]
    assert gc.get_threshold() == before
