"""Fixtures for tests against real things; where a tool is missing they skip, but fail in CI."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.system.broker import RealBroker, mosquitto

MakeBroker = Callable[..., RealBroker]


def need(tool: str, present: bool) -> None:
    """Skip the test where a tool is missing; where CI is set it may not be missing."""
    if present:
        return
    if os.environ.get("CI"):
        pytest.fail(f"{tool} is not installed, and CI is set")
    pytest.skip(f"{tool} is not installed")


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[MakeBroker]:
    """Yield a maker of real brokers that all end with the test."""
    need("mosquitto", mosquitto() is not None)
    made: list[RealBroker] = []

    def make(
        config: str = "allow_anonymous true", *, port: int | None = None, start: bool = True
    ) -> RealBroker:
        broker = RealBroker(tmp_path, config=config, port=port)
        made.append(broker)
        if start:
            broker.start()
        return broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def broker(make_broker: MakeBroker) -> RealBroker:
    """Yield a running broker that lets everyone in."""
    return make_broker()
