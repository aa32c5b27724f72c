"""Fixtures of the trials: brokers, and an end for whatever a test started."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.system.conftest import broker, make_broker

__all__ = ["broker", "closing", "make_broker"]


@pytest.fixture
def closing() -> Iterator[Callable[[Any], Any]]:
    """Yield what takes note of a thing that has to be closed with the test."""
    made: list[Any] = []

    def note(thing: Any) -> Any:
        made.append(thing)
        return thing

    yield note
    for thing in reversed(made):
        thing.close()
