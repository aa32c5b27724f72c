"""Fixtures for tests against real things; where a tool is missing they skip, but fail in CI."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.system.broker import RealBroker, mosquitto
from tests.system.postgres import RealPostgres, postgres_bin

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


@pytest.fixture(scope="session")
def postgres() -> Iterator[RealPostgres]:
    """Yield a running PostgreSQL that ends with the tests; each takes a database of its own."""
    need("PostgreSQL", postgres_bin() is not None)
    # Not pytest's folder, which only its own account may enter.
    with tempfile.TemporaryDirectory(prefix="filmcall-postgres-") as folder:
        Path(folder).chmod(0o755)
        server = RealPostgres(Path(folder) / "server")
        server.start()
        yield server
        server.stop()


@pytest.fixture
def database(postgres: RealPostgres, request: pytest.FixtureRequest) -> Iterator[str]:
    """Yield the address of an empty database, as its owner."""
    name = f"t{abs(hash(request.node.nodeid)):x}"
    yield postgres.new_database(name)
    postgres.sql(f"DROP DATABASE {name} WITH (FORCE)", "postgres")
