"""What a sender called its event: found again after a restart, unique, and in the chain."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from monitor.log.log import Store
from monitor.log.rows import EventId
from rules.events import Event
from rules.vocabulary import EventKind

T0 = 1_800_000_000.0
WIPED = Event(EventKind.WIPED, T0, "tent", "hull-port", recorded_s=T0)
PRESS = EventId("press-1", "the foreman", ("no coat was open",))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=lambda: T0) as store:
        assert store.add_event(WIPED, station="shed-pi", event_id=PRESS).row == 1
        store.add_event(WIPED, station="shed-pi")
    return path


def test_an_event_is_found_by_its_name_after_a_restart(path: Path) -> None:
    with Store.open(path, now_s=lambda: T0) as store:
        found = store.event_called("tent", "press-1")
        assert found is not None
        assert (found[0].row, found[0].kind, found[0].section) == (1, "wiped", "hull-port")
        assert found[1] == PRESS
        assert store.event_called("tent", "press-2") is None
        assert store.event_called("booth", "press-1") is None, "each enclosure has names of its own"
        assert (store.told_by(1), store.told_by(2), store.told_by(9)) == (
            "the foreman", "shed-pi", "",
        )  # fmt: skip
        assert store.verify() == []


@pytest.mark.parametrize(
    "forgery",
    [
        "DELETE FROM event_ids",
        "UPDATE event_ids SET told_by = 'nobody'",
        "INSERT INTO event_ids VALUES (2, 'tent', 'press-2', '', '[]')",
    ],
)
def test_a_name_changed_afterwards_is_found(path: Path, forgery: str) -> None:
    connection = sqlite3.connect(path)
    if not forgery.startswith("INSERT"):
        with pytest.raises(sqlite3.IntegrityError, match="never rewritten"):
            connection.execute(forgery)
    for verb in ("update", "delete"):
        connection.execute(f"DROP TRIGGER event_ids_no_{verb}")
    connection.execute(forgery)
    connection.commit()
    connection.close()
    with Store.open(path, now_s=lambda: T0, read_only=True) as store:
        assert [each for each in store.verify() if each.kind == "event-id"]
