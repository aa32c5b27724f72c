"""What became of an alarm stands in the log: read back after a restart, and in the chain."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.log.log import Store
from monitor.log.rows import AlarmRow, AlarmStep

T0 = 1_800_000_000.0
RANG = AlarmRow(
    "tent", "hull-port", "harmed", "dew_margin_min", AlarmStep.RANG, T0 + 60.0, T0, 1, None, "wet"
)
AGAIN = replace(RANG, time_s=T0 + 660.0, count=2)
SEEN = replace(AGAIN, step=AlarmStep.SEEN, time_s=T0 + 700.0)
OTHER = replace(RANG, section="hull-stbd", time_s=T0 + 61.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=lambda: T0 + 1000.0) as store:
        for row in (RANG, OTHER, AGAIN, SEEN, replace(RANG, enclosure="shed")):
            store.add_alarm(row)
    return path


def test_what_became_of_each_last_and_when_it_rang_last_is_read_back(path: Path) -> None:
    with Store.open(path, now_s=lambda: T0, read_only=True) as store:
        assert store.alarms("tent") == (OTHER, AGAIN, SEEN)
        assert store.alarms("nowhere") == ()
        assert store.verify() == []


@pytest.mark.parametrize(
    "forgery",
    [
        "DELETE FROM alarms WHERE id = 3",
        "UPDATE alarms SET time_us = time_us + 1 WHERE id = 1",
        "UPDATE alarms SET text = 'dry' WHERE id = 1",
        "INSERT INTO alarms SELECT 9, enclosure, section, fact, cause, 'ended', time_us, since_us, "
        "count, event, text, logged_us FROM alarms WHERE id = 1",
    ],
)
def test_an_alarm_changed_afterwards_is_found(path: Path, forgery: str) -> None:
    connection = sqlite3.connect(path)
    triggers = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'alarms'"
    ).fetchall()
    if not forgery.startswith("INSERT"):
        with pytest.raises(sqlite3.IntegrityError, match="never rewritten"):
            connection.execute(forgery)
    for (name,) in triggers:
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute(forgery)
    connection.commit()
    connection.close()
    with Store.open(path, now_s=lambda: T0, read_only=True) as store:
        assert [each for each in store.verify() if each.kind == "alarm"]
