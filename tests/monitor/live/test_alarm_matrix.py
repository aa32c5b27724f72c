"""Two or three things that go wrong in one night; the whole matrix is in benchmarks/alarms.py.

The oracle is tests/support/alarm_matrix.py; it was written from the law of calls
before there was a rule. On chatter: IEC 62682 asks for deadband and delays; one ring in ten minutes
and seven in four hours are this program's own bounds.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from alarm_matrix import GOOD, TELLING, Night, Oracle, Player, Start
from rig import AIR, MINUTE_S, PORT, STBD, Rig, RingHeard, minutes, plank_of

from sensors.reading import Quantity


@pytest.mark.parametrize("night", TELLING, ids=lambda night: night.name)
def test_every_new_fact_rings_in_time_and_again_and_nothing_else_does(
    tmp_path: Path, night: Night
) -> None:
    verdicts = Player(tmp_path, night).play()
    assert [each for each in verdicts if each.what not in GOOD] == []
    if night.start not in (Start.PREP, Start.MIX):
        assert [each for each in verdicts if each.what == "in time"]


@pytest.mark.parametrize("rh_pct", [65.0, 68.0], ids=["near", "broken"])
def test_a_noisy_edge_rings_at_most_seven_times_in_four_hours(
    tmp_path: Path, rh_pct: float
) -> None:
    """0.3 K and 0.5 % of noise about an edge; the painter acknowledges within a minute."""
    rig = Rig(tmp_path, step_s=60.0)
    rig.history(2.0)
    rig.event("coat-started", PORT, time_s=rig.wall_s - 3600.0)
    rig.event("coat-ended", PORT, time_s=rig.wall_s - 2400.0)
    rig.run(12.0)
    rig.noise[Quantity.SURFACE_TEMP], rig.noise[Quantity.HUMIDITY] = 0.3, 0.5
    rig.air(rh_pct=rh_pct)
    rung: list[RingHeard] = []
    for _ in range(240):
        if fresh := rig.run(1.0):
            rung += fresh
            rig.acknowledge(PORT)
    assert len(rung) <= 7, minutes(rung)
    assert rung, "on an edge like that it has to ring at all"
    for key in {ring.key for ring in rung}:
        times = [ring.at_s for ring in rung if ring.key == key]
        assert all(later - earlier >= 598.0 for earlier, later in pairwise(times)), key
    rig.end()


# The oracle itself --------------------------------------------------------------------------


def shed(rh_pct: float) -> dict[tuple[str, Quantity], float]:
    return {
        (AIR, Quantity.AIR_TEMP): 18.0,
        (AIR, Quantity.HUMIDITY): rh_pct,
        (plank_of(PORT), Quantity.SURFACE_TEMP): 15.0,
        (plank_of(STBD), Quantity.SURFACE_TEMP): 15.0,
    }


def ring(at_s: float, fact: str, cause: str = "", section: str = PORT) -> RingHeard:
    return RingHeard(at_s, section, fact, cause, "", {})


def judged(rh: dict[float, float], rings: list[RingHeard], until_min: float) -> list[str]:
    """What the oracle says of a film since 0 s under a humidity from each minute on."""
    oracle = Oracle("flash")
    oracle.coat(PORT, 0.0)
    for step in range(1, int(until_min * 2) + 1):
        now_s = 30.0 * step
        rh_pct = rh[max(minute for minute in rh if minute * MINUTE_S <= now_s)]
        heard = [each for each in rings if now_s - 30.0 < each.at_s <= now_s]
        truth = shed(abs(rh_pct))
        oracle.step(now_s, truth, truth if rh_pct > 0.0 else (), heard)
    return [each.what for each in oracle.verdicts]


def test_the_oracle_asks_for_a_ring_and_for_another_after_ten_minutes() -> None:
    damp = {0.0: 55.0, 5.0: 75.0}
    dew = "dew_margin_min"
    assert judged({0.0: 55.0}, [], 60.0) == []
    assert judged(damp, [], 30.0) == ["never"]
    assert judged(damp, [ring(330.0, "harmed", dew)], 30.0) == ["in time", "not again"]
    twice = [ring(330.0, "harmed", dew), ring(930.0, "harmed", dew)]
    assert judged(damp, twice, 30.0) == ["in time", "again"]
    assert judged(damp, [ring(900.0, "harmed", dew)], 20.0) == ["late"]
    soon = [ring(330.0, "harmed", dew), ring(630.0, "harmed", dew)]
    assert judged(damp, soon, 12.0) == ["in time", "too soon"]


def test_the_oracle_finds_rings_without_a_cause() -> None:
    assert judged({0.0: 55.0}, [ring(600.0, "harmed", "dew_margin_min")], 20.0) == ["without cause"]
    assert judged({0.0: 55.0}, [ring(600.0, "blind")], 20.0) == ["without cause"]
    assert judged({0.0: 55.0}, [ring(600.0, "near", "humidity_max")], 20.0) == ["without cause"]
    stbd = ring(360.0, "harmed", "dew_margin_min", STBD)
    assert judged({0.0: 55.0, 5.0: 75.0}, [stbd], 6.0) == ["without cause"], "starboard is bare"


def test_the_oracle_knows_blind_and_near_by_their_delays() -> None:
    silent = {0.0: 55.0, 5.0: -55.0}
    assert judged(silent, [], 20.0) == ["never"]
    assert judged(silent, [ring(390.0, "blind")], 9.0) == ["without cause"], "after two minutes"
    assert judged(silent, [ring(540.0, "blind")], 10.0) == ["in time"]
    near = {0.0: 55.0, 5.0: 66.0}
    assert judged(near, [], 12.0) == ["never"]
    assert judged(near, [ring(400.0, "near", "dew_margin_min")], 12.0) == ["in time"]


def test_the_oracle_counts_easing_to_near_as_no_cause() -> None:
    eased = {0.0: 55.0, 5.0: 75.0, 7.0: 66.0}
    rings = [ring(330.0, "harmed", "dew_margin_min"), ring(900.0, "near", "dew_margin_min")]
    assert judged(eased, rings, 20.0) == ["in time", "without cause"]
