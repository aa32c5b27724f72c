"""What several tests of the running program begin with."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from live import ONE_PLANK, Live, Machine


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Live]]:
    """Begin watches of a tent with one plank over one log, and kill them in the end."""
    made: list[Live] = []

    def one(machine: Machine | None = None) -> Live:
        made.append(Live(tmp_path, ONE_PLANK, machine))
        return made[-1]

    yield one
    for live in made:
        live.kill()
