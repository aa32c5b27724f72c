"""A short run of the fuzzer over every door, and every input that ever failed, fed anew.

`python -m benchmarks.fuzz` is the long one. The inputs of tests/data/fuzz were found by it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz_targets import KEPT, TARGETS, Target, refused_or_read

from benchmarks.fuzz import mutate

EXECUTIONS = {"recording": 15, "forecast-csv": 40, "spec": 40, "job": 40, "config": 60}
KEPT_INPUTS = sorted(KEPT.iterdir())


def shown(_name: str, data: bytes) -> str:
    """Return an input that failed, for the test's own words."""
    return repr(data[:2000])


@pytest.mark.parametrize("name", TARGETS)
def test_whatever_comes_in_is_read_or_refused_by_name(name: str) -> None:
    count, found = mutate(TARGETS[name], 60.0, seed=1, most=EXECUTIONS.get(name, 400), keep=shown)
    assert not found, "\n".join(found)
    assert count == EXECUTIONS.get(name, 400)


@pytest.mark.parametrize("path", KEPT_INPUTS, ids=lambda path: path.name)
def test_what_once_failed_is_read_or_refused_by_name(path: Path) -> None:
    refused_or_read(TARGETS[path.name.rpartition("-")[0]], path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_the_seeds_are_sound_so_that_the_fuzzer_begins_inside(name: str) -> None:
    read = [refused_or_read(TARGETS[name], seed) == "read" for seed in TARGETS[name].seeds]
    assert any(read)


def test_the_fuzzer_finds_a_door_that_lets_something_through() -> None:
    def broken(data: bytes) -> None:
        if b"\xff" in data:
            raise KeyError("through")

    target = Target("broken", broken, (b"sound",), (b"word",))
    _, found = mutate(target, 60.0, seed=1, most=3000, keep=shown)
    assert len(found) == 1
    assert found[0].startswith("KeyError")
