"""What the live loop judges whole, with somebody who looks every second.

The reference is the count of evaluations: what is shown is judged, and little else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rig import HULL_C, PRIMER, Rig

from rules.section import Section


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path, PRIMER, step_s=30.0)
    yield made
    made.end()


@pytest.fixture
def share(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> Callable[[float, float], float]:
    """Let time pass [s] at a step [s]; return which share of the evaluations was judged whole."""
    count = {"evaluate": 0, "_judge": 0}

    def counted(name: str) -> Callable[..., Any]:
        method = getattr(Section, name)

        def call(*args: Any, **named: Any) -> Any:
            count[name] += 1
            return method(*args, **named)

        return call

    for name in count:
        monkeypatch.setattr(Section, name, counted(name))

    def run(seconds: float, step_s: float) -> float:
        count.update(evaluate=0, _judge=0)
        rig.run(seconds / 60.0, step_s)
        assert count["evaluate"] >= seconds / step_s
        return count["_judge"] / count["evaluate"]

    return run


def test_a_look_every_second_does_not_end_what_lets_pass(
    rig: Rig, share: Callable[[float, float], float]
) -> None:
    rig.run(20.0)
    rig.coat("hull-port")
    rig.run(1.0, 0.25)
    # Four evaluations a second, of which the one that is looked at has to be judged.
    assert 0.25 <= share(60.0, 0.25) < 0.33


def test_what_lets_pass_is_sought_again_soon_after_a_fault(
    rig: Rig, share: Callable[[float, float], float]
) -> None:
    rig.run(20.0)
    rig.run(0.1, 0.1)
    for surface_c in (HULL_C + 1.5, HULL_C, HULL_C + 1.5, HULL_C):  # two for each that is believed
        rig.hull(surface_c, at_once=True)
        rig.run(0.1 / 60.0, 0.05)
    assert share(20.0, 0.05) < 0.3


def test_an_answer_that_stands_is_explained_once(rig: Rig) -> None:
    rig.run(20.0)
    enclosure = rig.live.watch.rooms["tent"].enclosure
    first = enclosure.explain()
    assert all(one is other for one, other in zip(first, enclosure.explain(), strict=True))
    rig.step(1.0)
    (port, _), before = enclosure.explain(), {each.section: each for each in first}
    assert port.time_s == before[port.section].time_s + 1.0
