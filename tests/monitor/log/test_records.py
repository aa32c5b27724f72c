"""Events and alarms are exported as they were written, what was corrected too, in every format.

Judges: the standard library's csv and json, and pandas by Arrow.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from command import filmcall

from monitor.log.log import Store
from monitor.log.rows import AlarmRow, AlarmStep, EventId
from rules.events import Event
from rules.vocabulary import EventKind

T0 = 1_800_000_000.0  # 2027-01-15T08:00:00Z
NOTE = "=1+1, port side"


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("records") / "log.db"
    with Store.open(path, now_s=lambda: T0 + 5.0) as store:
        mixed = Event(EventKind.MIXED, T0, "tent", "hull-port", amount_ml=250.5, note=NOTE)
        row = store.add_event(mixed, event_id=EventId("press-1", "the foreman")).row
        store.add_event(replace(mixed, amount_ml=300.0, corrects=row))
        rang = AlarmRow(
            *("tent", "hull-port", "harmed", "dew_margin_min", AlarmStep.RANG),
            *(T0 + 60.25, T0, 1, None, "wet"),
        )
        store.add_alarm(rang)
        store.add_alarm(replace(rang, step=AlarmStep.SEEN, time_s=T0 + 90.0, event_row=row))
    return path


def exported(log: Path, what: str, form: str, folder: Path) -> Path:
    out = folder / f"out.{form}"
    ran = filmcall("export", what, "--format", form, "--out", str(out), "--db", str(log))
    assert ran.code == 0, ran.err
    assert out.with_name(out.name + ".seal").read_text().startswith("Seal of the log: ")
    return out


def test_a_corrected_event_stands_beside_its_correction(log: Path, tmp_path: Path) -> None:
    lines = exported(log, "events", "jsonl", tmp_path).read_text().splitlines()
    first, second = map(json.loads, lines)
    assert (first["row"], first["amount_ml"], first["corrects"]) == (1, 250.5, None)
    assert (second["row"], second["amount_ml"], second["corrects"]) == (2, 300.0, 1)
    assert (first["time"], first["recorded"]) == ("2027-01-15T08:00:00Z", "2027-01-15T08:00:05Z")
    assert (first["source"], first["kind"], first["note"]) == ("live", "mixed", NOTE)
    assert first["withdrawn"] is False
    assert (first["by"], second["by"]) == ("the foreman", ""), "who pressed; a shell names nobody"


def test_csv_has_the_same_events_with_formulas_guarded(log: Path, tmp_path: Path) -> None:
    with exported(log, "events", "csv", tmp_path).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["amount_ml"] for row in rows] == ["250.5", "300.0"]
    assert [row["corrects"] for row in rows] == ["", "1"]
    assert {row["note"] for row in rows} == {"'" + NOTE}


@pytest.mark.parametrize("what", ["events", "alarms"])
def test_parquet_has_the_same_rows(log: Path, tmp_path: Path, what: str) -> None:
    pytest.importorskip("pyarrow")
    wanted = [
        json.loads(line) for line in exported(log, what, "jsonl", tmp_path).read_text().splitlines()
    ]
    out = exported(log, what, "parquet", tmp_path)
    assert [each.name for each in out.rglob("*.parquet")] == [f"{what}-2027-01.parquet"]
    frame = pd.read_parquet(out).sort_values("row")
    assert list(frame["time"]) == [pd.Timestamp(row["time"]) for row in wanted]
    for key in ("row", "enclosure", "section"):
        assert list(frame[key]) == [row[key] for row in wanted]


def test_each_step_of_an_alarm_is_a_row(log: Path, tmp_path: Path) -> None:
    rang, seen = map(
        json.loads, exported(log, "alarms", "jsonl", tmp_path).read_text().splitlines()
    )
    assert (rang["step"], rang["time"], rang["since"], rang["event"]) == (
        *("rang", "2027-01-15T08:01:00.250000Z", "2027-01-15T08:00:00Z"),
        None,
    )
    assert (seen["step"], seen["event"], seen["count"]) == ("seen", 1, 1)


def test_what_cannot_be_exported_is_named(log: Path) -> None:
    ran = filmcall("export", "pots", "--db", str(log))
    assert ran.code == 2
    assert "'pots' cannot be exported; one of: readings, calls, events, alarms" in ran.err
