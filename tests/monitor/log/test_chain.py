"""The chain shows where a log was changed afterwards, and two processes keep it unbroken.

SHA-256 is FIPS 180-4's, from hashlib; the form of a link is written out again here by hand.
"""

from __future__ import annotations

import hashlib
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from forgeries import on_file, statements

from monitor.log.log import Store
from monitor.log.rows import Calibration, CallRow
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quantity

T0 = 1_770_000_000.0


def now_s() -> float:
    return T0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A log with two events, two calls and a calibration, closed."""
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as store:
        store.add_event(Event(EventKind.WASHED, T0, "tent", note="fresh water"))
        store.add_call(CallRow("tent", "all", T0, "HOLD", "prep", "start", "{}"))
        store.add_event(Event(EventKind.MIXED, T0 + 60.0, "tent", amount_ml=500.0))
        store.add_call(CallRow("tent", "all", T0 + 60.0, "GO", "mix", "start", "{}"))
        store.add_calibration(Calibration("tent", "air", Quantity.HUMIDITY, T0, "{}"))
        store.keep_spec("name = 'x'\n")
        assert store.verify() == []
    return path


def tamper(path: Path, *sql: str) -> None:
    """Change a log as a person with a tool would: guards off, and put back afterwards."""
    on_file(path, statements(*sql))


def problems(path: Path) -> list[tuple[int | None, str, int | None]]:
    with Store.open(path, now_s=now_s, read_only=True) as store:
        return [(each.seq, each.kind, each.row) for each in store.verify()]


def test_a_link_is_the_hash_of_the_one_before_and_the_row(path: Path) -> None:
    with Store.open(path, now_s=now_s, read_only=True) as store:
        start = hashlib.sha256(f"filmcall log {store.log_uuid}".encode()).hexdigest()
        row = (
            '{"c.amount_ml":null,"c.batch":null,"c.coat":null,"c.corrects":null,'
            '"c.enclosure":"tent","c.kind":"washed","c.method":null,"c.note":"fresh water",'
            '"c.recorded_us":1770000000000000,"c.section":null,"c.source":1,"c.spec":null,'
            '"c.station":"","c.thinner_pct":null,"c.time_us":1770000000000000,"c.unit":null,'
            '"c.value":null,"c.what":null,"c.withdrawn":0,"kind":"event","row":1}'
        )
        expected = hashlib.sha256(f"{start}\n{row}".encode()).hexdigest()
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT kind, row, hash FROM chain WHERE seq = 1").fetchone() == (
        "event",
        1,
        expected,
    )
    connection.close()


@pytest.mark.parametrize(
    ("statement", "place"),
    [
        ("UPDATE events SET note = 'salt water' WHERE id = 1", (1, "event", 1)),
        ("UPDATE events SET amount_ml = 600 WHERE id = 2", (3, "event", 2)),
        ("UPDATE calls SET call = 'GO' WHERE id = 1", (2, "call", 1)),
        ("UPDATE calls SET body = '{\"a\":1}' WHERE id = 2", (4, "call", 2)),
        ("UPDATE calls SET time_us = time_us - 1 WHERE id = 2", (4, "call", 2)),
        ("UPDATE calibrations SET point = 'bow'", (5, "calibration", 1)),
        ("DELETE FROM events WHERE id = 1", (1, "event", 1)),
        ("UPDATE specs SET text = 'name = 1'", (6, "spec", 1)),
        (
            "INSERT INTO calls SELECT 9, source, enclosure, section, time_us, 'STOP', stage, "
            "question, body, logged_us FROM calls WHERE id = 1",
            (None, "call", 9),
        ),
    ],
)
def test_a_change_is_found_at_its_place_and_only_there(
    path: Path, statement: str, place: tuple[int | None, str, int | None]
) -> None:
    tamper(path, statement)
    found = problems(path)
    assert place in found
    # A row put in by hand also leaves its number behind in the highest number ever given.
    assert {each[1:] for each in found} == {place[1:]}


def test_a_row_taken_out_together_with_its_place_is_found(path: Path) -> None:
    tamper(path, "DELETE FROM events WHERE id = 2", "DELETE FROM chain WHERE seq = 3")
    with Store.open(path, now_s=now_s, read_only=True) as store:
        assert [each.text for each in store.verify()] == [
            "Place 3 of the chain is missing.",
            "Event 2 is cut off the end.",
        ]


def test_rows_cut_off_the_end_are_found(path: Path) -> None:
    tamper(
        path,
        "DELETE FROM calibrations",
        "DELETE FROM calls WHERE id = 2",
        "DELETE FROM chain WHERE seq >= 4",
    )
    # The spec, kept last, has lost its place as well.
    assert problems(path) == [
        (None, "call", 2),
        (None, "calibration", 1),
        (None, "spec", 1),
        (None, "spec", 1),
    ]


def test_a_row_rewritten_with_its_own_hash_breaks_the_next_link(path: Path) -> None:
    tamper(path, "UPDATE chain SET hash = (SELECT hash FROM chain WHERE seq = 2) WHERE seq = 1")
    assert (2, "call", 1) in problems(path)


def test_the_chain_of_another_file_does_not_fit(path: Path) -> None:
    tamper(path, "UPDATE meta SET value = 'another' WHERE key = 'uuid'")
    assert problems(path)[0] == (1, "event", 1)


WRITER = """
import sys, time
from pathlib import Path
from monitor.log.log import Store
from monitor.log.rows import CallRow
from rules.events import Event
from rules.vocabulary import EventKind

name, path, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
with Store.open(path, now_s=time.time, busy_s=60.0) as store:
    for number in range(count):
        store.add_event(Event(EventKind.NOTE, time.time(), "tent", note=f"{name} {number}"))
        store.add_call(CallRow("tent", name, time.time(), "HOLD", "prep", "start", "{}"))
"""


def test_two_processes_that_make_and_write_one_log_keep_one_chain(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, name, str(path), "60"])
        for name in ("watch", "shell")
    ]
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0]
    with Store.open(path, now_s=now_s, read_only=True) as store:
        assert store.verify() == []
        assert store.head()[0] == 240
        for name in ("watch", "shell"):
            notes = [e.note for e in store.events() if e.note.startswith(name)]
            assert notes == [f"{name} {number}" for number in range(60)]
