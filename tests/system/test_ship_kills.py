"""Shipper and database killed while a log is written: nothing lost, doubled or different.

The long round is `python -m benchmarks.ship`; this one is the same in short.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from forgeries import T0, Clock, honest
from ship_kills import kill_round
from shipped import differences

from monitor.log.log import Store
from monitor.log.schema import SCHEMA_VERSION
from monitor.ship import database as ship_database
from monitor.ship.batch import read_batch
from monitor.ship.send import Copy
from monitor.ship.ship import LOOK_S, Follower, Shipper
from rules.events import Event
from rules.vocabulary import EventKind
from tests.system.broker import free_port
from tests.system.conftest import need
from tests.system.postgres import RealPostgres, postgres_bin


@pytest.fixture(scope="module")
def machine() -> Iterator[RealPostgres]:
    """A PostgreSQL that tests may kill."""
    need("PostgreSQL", postgres_bin() is not None)
    with tempfile.TemporaryDirectory(prefix="filmcall-postgres-") as folder:
        Path(folder).chmod(0o755)
        # A database that loses what it has acknowledged is none.
        found = RealPostgres(Path(folder) / "server", quick=False)
        yield found
        found.stop()


@pytest.fixture
def url(machine: RealPostgres, tmp_path: Path) -> str:
    """The address of a database that is ready, on a server that runs."""
    machine.keep_up()
    found = machine.new_database(tmp_path.name)
    ship_database.prepare(found)
    return found


def test_kills_of_shipper_and_database_lose_and_double_nothing(
    machine: RealPostgres, url: str, tmp_path: Path
) -> None:
    found = kill_round(machine, url, tmp_path, kills=6, seconds=9.0)
    assert (found.shipper_kills, found.database_kills) == (3, 3)
    assert found.different == []
    assert "caught up: the database holds all" in found.said


@pytest.mark.parametrize("told", [True, False], ids=["committed", "not-committed"])
def test_a_commit_whose_answer_was_lost_is_looked_up(
    machine: RealPostgres, url: str, tmp_path: Path, told: bool
) -> None:
    """A client that is killed, or cut off, at its commit does not know whether that happened."""
    path = tmp_path / "log.db"
    honest(path)
    log = sqlite3.connect(path, isolation_level=None)
    (uuid,) = log.execute("SELECT value FROM meta").fetchone()
    copy = Copy.open(url, uuid, SCHEMA_VERSION)
    batch = read_batch(log, copy.stand, 200)
    assert batch is not None
    assert batch.more
    if told:
        copy.apply(batch)  # and nobody heard of it
    copy.close()
    log.close()
    shipper = Shipper(url, path)
    first = shipper.step()
    assert first is not None
    assert (first.after == batch.stand) is told
    while shipper.step() is not None:
        pass
    shipper.close()
    assert differences(path, url) == []


def test_a_dead_database_is_said_with_how_far_behind_and_tried_again(
    machine: RealPostgres, url: str, tmp_path: Path
) -> None:
    path, clock = tmp_path / "log.db", Clock(T0)
    said: list[str] = []
    now_s = [0.0]
    with Store.open(path, now_s=clock) as store:
        store.add_event(Event(EventKind.NOTE, T0, "tent", note="n"))
        follower = Follower(Shipper(url, path), said.append, lambda: now_s[0], lambda: 0.0)
        assert follower.turn() == LOOK_S
        assert said == ["caught up: the database holds all 1 changes"]
        machine.kill()
        for number in range(3):
            store.add_event(Event(EventKind.NOTE, T0, "tent", note=str(number)))
        pauses = [follower.turn() for _ in range(9)]
        assert pauses == [0.5, 1.0, 2.0, 4.0, 5.0, 5.0, 5.0, 5.0, 5.0]
        assert len(said) == 3  # the line that broke, then the door that is shut
        assert "does not answer" in said[-1]
        assert "the copy is 3 changes behind, the oldest of them" in said[-1]
        now_s[0] += 601.0
        follower.turn()
        assert len(said) == 4
        machine.start()
        assert follower.turn() == LOOK_S
        assert said[-2:] == [
            "the database answers again",
            "caught up: the database holds all 4 changes",
        ]
    assert differences(path, url) == []


def test_a_database_that_was_never_heard_lacks_all_at_most(tmp_path: Path) -> None:
    path, said = tmp_path / "log.db", list[str]()
    with Store.open(path, now_s=Clock(T0)) as store:
        store.add_event(Event(EventKind.NOTE, T0, "tent", note="n"))
    shut = f"postgresql://nobody@127.0.0.1:{free_port()}/filmcall"
    assert Follower(Shipper(shut, path), said.append, lambda: 0.0).turn() <= 0.5
    (text,) = said
    assert "does not answer" in text
    assert "the copy is at most 1 change behind, the oldest of them" in text
