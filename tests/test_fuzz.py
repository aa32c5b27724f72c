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


# One of each kind that TOML has, and some of no sense.
ODD = (
    "0x" + "f" * 4000, "1e999", "-1", "nan", "true", "''", '"~nobody-here/x"', '"6 nan"', "[]",
    "{}", "[[1]]", "{ a = 1 }", "1979-05-27", "1979-05-27T07:32:00Z", "07:32:00", '"a\\nb"',
    '"\\u0000"', '"/dev/zero"', f'"{"9" * 300}"', f'"{"x" * 70_000}"',
)  # fmt: skip


@pytest.mark.parametrize(("name", "seed"), [("job", 0), ("spec", 0), ("config", 0), ("config", -1)])
def test_each_key_of_a_sound_file_is_given_odd_values(name: str, seed: int) -> None:
    target = TARGETS[name]
    lines = target.seeds[seed].decode().splitlines()
    tried = 0
    for at, line in enumerate(lines):
        key, equals, _ = line.partition(" = ")
        if not equals or line.lstrip().startswith("#"):
            continue
        for value in ODD[at % 5 :: 5]:
            changed = [*lines[:at], f"{key} = {value}", *lines[at + 1 :]]
            refused_or_read(target, "\n".join(changed).encode())
            tried += 1
    assert tried > 40


def test_the_fuzzer_finds_a_door_that_lets_something_through() -> None:
    def broken(data: bytes) -> None:
        if b"\xff" in data:
            raise KeyError("through")

    target = Target("broken", broken, (b"sound",), (b"word",))
    _, found = mutate(target, 60.0, seed=1, most=3000, keep=shown)
    assert len(found) == 1
    assert found[0].startswith("KeyError")
