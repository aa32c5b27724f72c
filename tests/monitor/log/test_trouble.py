"""A log on a full, read-only, damaged, foreign or shared file: what is said, and what is kept.

The full disk is SQLite's own page limit (PRAGMA max_page_count), its result code SQLITE_FULL.
"""

from __future__ import annotations

import errno
import os
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.log import write as store_buffer
from monitor.log.log import Store
from monitor.log.rows import CallRow, LogBusy, LogDamaged, LogMissing, LogRefused
from monitor.log.schema import MIGRATIONS, SCHEMA_VERSION, ForeignLog, migrate, version_of
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

T0 = 1_770_000_000.0


class Clock:
    def __init__(self) -> None:
        self.now = T0

    def __call__(self) -> float:
        return self.now


def now_s() -> float:
    return T0


def readings(count: int, from_s: float = 0.0) -> list[Reading]:
    return [
        Reading("tent", "air", Quantity.AIR_TEMP, at, 20.0, Quality.OK, at)
        for at in (T0 + from_s + i for i in range(count))
    ]


def hold(offset_s: float = 0.0, body: str = "{}") -> CallRow:
    return CallRow("tent", "all", T0 + offset_s, "HOLD", "prep", "start", body)


def put_call(store: Store) -> None:
    store.add_call(hold())


def put_event(store: Store) -> None:
    store.add_event(Event(EventKind.NOTE, T0, "tent"))


def fill(store: Store) -> None:
    (pages,) = store.file.connection.execute("PRAGMA page_count").fetchone()
    store.file.connection.execute(f"PRAGMA max_page_count = {pages}")


def make_room(store: Store) -> None:
    store.file.connection.execute("PRAGMA max_page_count = 1000000")


def make_log(path: Path, events: int = 1) -> None:
    with Store.open(path, now_s=now_s) as store:
        for number in range(events):
            store.add_event(Event(EventKind.NOTE, T0 + number, "tent", note="x" * 200))


# A full disk ---------------------------------------------------------------------------------


def test_a_full_disk_is_told_and_what_waited_is_written_when_there_is_room(tmp_path: Path) -> None:
    clock = Clock()
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        fill(store)
        store.add_readings(readings(1000))
        with pytest.raises(LogRefused) as caught:
            store.add_call(hold(body='"' + "x" * 9000 + '"'))
        assert str(caught.value) == (
            f"log {tmp_path / 'log.db'}: the disk refuses it (database or disk is full); this call "
            f"was not written, and 1000 readings and 1 call wait in memory until it is tried "
            f"again. Free some space, or check the disk and its permissions."
        )
        assert store.waiting == (1000, 1)
        # An event is told to the person as not kept, so it is not kept later behind their back.
        with pytest.raises(LogRefused, match=r"this event \(note\) was not written"):
            store.add_event(Event(EventKind.NOTE, T0, "tent"))
        assert store.events() == ()
        make_room(store)
        store.tick()  # too soon after the refusal
        assert store.waiting == (1000, 1)
        clock.now = T0 + 5.0
        store.tick()
        assert store.waiting == (0, 0)
        assert len(store.readings("tent", "air", Quantity.AIR_TEMP)[0]) == 1000
        (kept,) = store.calls("tent")
        assert (kept.time_s, kept.logged_s) == (T0, T0 + 5.0)  # made, and taken by the disk
        assert store.events() == ()
        assert store.counts.refusals == 2
        assert store.verify() == []


@pytest.mark.parametrize(
    ("kept", "put", "said"),
    [
        (1, lambda store: store.flush(), "1 reading waits in memory until it is tried again. "),
        (500, lambda store: store.flush(), "500 readings wait in memory until it is tried again. "),
        (0, put_call, "this call was not written, and 1 call waits in memory until it is tried"),
        (0, put_event, "this event (note) was not written. Free some space"),
        (
            2,
            put_event,
            "this event (note) was not written, and 2 readings wait in memory until it is",
        ),
    ],
)
def test_a_full_disk_is_told_in_one_right_sentence(
    tmp_path: Path, kept: int, put: Callable[[Store], object], said: str
) -> None:
    with Store.open(tmp_path / "log.db", now_s=now_s) as store:
        # The page limit leaves room in pages begun, so writing itself is refused here.
        store.file.connection.execute("PRAGMA query_only = ON")
        store.add_readings(readings(kept))
        with pytest.raises(LogRefused) as caught:
            put(store)
        store.file.connection.execute("PRAGMA query_only = OFF")
    path, why = tmp_path / "log.db", "attempt to write a readonly database"
    assert str(caught.value).startswith(f"log {path}: the disk refuses it ({why}); {said}")


def test_a_note_on_a_reading_that_waits_alone_is_told(tmp_path: Path) -> None:
    with Store.open(tmp_path / "log.db", now_s=now_s) as store:
        store.file.connection.execute("PRAGMA query_only = ON")
        for reading in readings(2):
            store.note_quality(reading, Quality.OK)
        with pytest.raises(LogRefused, match=r"; 2 quality notes wait in memory until"):
            store.flush()
        store.file.connection.execute("PRAGMA query_only = OFF")


def test_what_memory_cannot_hold_is_dropped_counted_and_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_buffer, "KEPT_ROWS", 300)
    monkeypatch.setattr(store_buffer, "KEPT_CALLS", 3)
    clock = Clock()
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        fill(store)
        store.add_readings(readings(250))
        store.add_readings(readings(250, from_s=250.0))
        assert store.waiting[0] == 300
        assert store.counts.dropped == 200
        for number in range(5):
            with pytest.raises(LogRefused):
                store.add_call(hold(number, body='"' + "x" * 9000 + '"'))
        assert store.waiting[1] == 3
        assert store.counts.calls_dropped == 2
        make_room(store)
        store.flush()
        times = store.readings("tent", "air", Quantity.AIR_TEMP)[0]
        assert len(times) == 300
        (outage,) = store.outages()
        assert (outage.what, outage.from_s, outage.to_s) == (
            "readings-dropped",
            T0 + 300.0,
            T0 + 499.0,
        )
        assert outage.text.startswith("200 readings were dropped")


def test_a_log_that_another_process_holds_too_long_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s, busy_s=0.05) as store:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogRefused, match="another process has been writing to it for too long"):
            store.add_call(hold())
        other.execute("ROLLBACK")
        other.close()
        store.flush()
        assert len(list(store.calls("tent"))) == 1


# Read-only -----------------------------------------------------------------------------------


def test_a_log_that_is_not_there_is_told_to_a_reader(tmp_path: Path) -> None:
    with pytest.raises(LogMissing, match="there is no such file"):
        Store.open(tmp_path / "none.db", now_s=now_s, read_only=True)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "empty.db").touch()
    with pytest.raises(LogMissing, match="the file is empty"):
        Store.open(tmp_path / "empty.db", now_s=now_s, read_only=True)


def test_a_reader_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_log(path)
    before = path.read_bytes()
    with Store.open(path, now_s=now_s, read_only=True) as store:
        assert len(store.events()) == 1
        with pytest.raises(LogRefused, match="readonly database"):
            store.add_event(Event(EventKind.NOTE, T0, "tent"))
    assert path.read_bytes() == before


def test_a_reader_sees_what_a_watch_has_just_written(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as writer:
        writer.add_call(hold())
        with Store.open(path, now_s=now_s, read_only=True) as store:
            writer.add_call(hold(1.0))
            assert len(list(store.calls("tent"))) == 2


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes anywhere")
def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(LogRefused, match="cannot be opened"):
            Store.open(tmp_path / "log.db", now_s=now_s)
    finally:
        tmp_path.chmod(0o700)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LogRefused, match="its folder cannot be made"):
        Store.open(tmp_path / "file" / "log.db", now_s=now_s)


# Damage --------------------------------------------------------------------------------------


def damage(path: Path, at: int = 4096) -> bytes:
    content = bytearray(path.read_bytes())
    content[at : at + 200] = b"\xa5" * 200
    path.write_bytes(content)
    return bytes(content)


def test_a_damaged_log_is_set_aside_and_a_new_one_begun(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=50)
    content = damage(path)
    with Store.open(path, now_s=now_s) as store:
        (notice,) = store.notices
        assert "it is damaged" in notice
        assert "moved to log.db.damaged-20260202T024000Z and a new log was begun" in notice
        assert store.events() == ()
        store.add_event(Event(EventKind.NOTE, T0, "tent"))
    assert (tmp_path / "log.db.damaged-20260202T024000Z").read_bytes() == content
    with Store.open(path, now_s=now_s) as store:
        assert store.notices == ()
        assert len(store.events()) == 1


def test_a_second_damaged_log_of_the_same_second_overwrites_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    kept = []
    for _ in range(2):
        make_log(path, events=50)
        kept.append(damage(path))
        Store.open(path, now_s=now_s).close()
    aside = sorted(p for p in tmp_path.iterdir() if "damaged" in p.name)
    assert [p.name for p in aside] == [
        "log.db.damaged-20260202T024000Z",
        "log.db.damaged-20260202T024000Z-2",
    ]
    assert [p.read_bytes() for p in aside] == kept


def test_a_tail_without_its_main_file_is_set_aside_and_not_deleted(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    # A kill leaves the tail; here it is copied while the log is open.
    store = Store.open(path, now_s=now_s)
    store.add_event(Event(EventKind.NOTE, T0, "tent"))
    tail = (tmp_path / "log.db-wal").read_bytes()
    store.close()
    path.write_bytes(b"")
    (tmp_path / "log.db-wal").write_bytes(tail)
    with Store.open(path, now_s=now_s) as store:
        assert "its main part is gone" in store.notices[0]
    assert (tmp_path / "log.db.damaged-20260202T024000Z-wal").read_bytes() == tail


def test_a_reader_leaves_a_damaged_log_where_it_is(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=50)
    content = damage(path)
    with pytest.raises(LogDamaged, match="Nothing was changed in it"):
        Store.open(path, now_s=now_s, read_only=True)
    assert path.read_bytes() == content


def test_a_damaged_log_that_a_watch_writes_to_is_left_where_it_is(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=50)
    with Store.open(path, now_s=now_s) as watch:
        watch.lock_for_watch()
        damage(path)
        with pytest.raises(LogDamaged, match=r"left where it is, since .* is watching into it"):
            Store.open(path, now_s=now_s)
    assert [p.name for p in tmp_path.iterdir() if "damaged" in p.name] == []


def test_damage_in_a_log_too_long_to_check_is_told_when_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.log.open.CHECKED_BYTES", 0)
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as store:
        store.add_readings(readings(5000))
    (pages,) = sqlite3.connect(path).execute("PRAGMA page_count").fetchone()
    damage(path, (pages - 3) * 4096)  # a page of readings: they were written last
    with Store.open(path, now_s=now_s) as store:
        assert store.notices == ()
        with pytest.raises(LogDamaged, match="damaged inside"):
            store.readings("tent", "air", Quantity.AIR_TEMP)


def test_damage_in_the_events_of_a_log_too_long_to_check_is_found_on_opening(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.log.open.CHECKED_BYTES", 0)
    path = tmp_path / "log.db"
    make_log(path, events=200)
    at = path.read_bytes().index(b"x" * 200)  # a page of events
    content = damage(path, at - at % 4096)
    with Store.open(path, now_s=now_s) as store:
        assert "it was moved to log.db.damaged-" in store.notices[0]
    assert (tmp_path / "log.db.damaged-20260202T024000Z").read_bytes() == content


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"washed", b"waxhed", "event row 1: 'waxhed' is not a valid EventKind"),
        (b"fresh water", b"fresh \xff\xfe\xfder", "event row 1: it holds bytes that are no text"),
        (b'{"call"', b'?"call"', "call row 1: Expecting value: line 1 column 1 (char 0)"),
    ],
)
def test_bytes_overwritten_inside_a_row_are_damage_though_sqlite_reads_them(
    tmp_path: Path, old: bytes, new: bytes, told: str
) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as store:
        store.add_event(Event(EventKind.WASHED, T0, "tent", note="fresh water"))
        store.add_call(hold(body='{"call": "HOLD"}'))
    content = path.read_bytes()
    assert content.count(old) == 1
    content = content.replace(old, new)
    path.write_bytes(content)
    with pytest.raises(LogDamaged) as caught:
        Store.open(path, now_s=now_s, read_only=True)
    assert told in str(caught.value)
    with Store.open(path, now_s=now_s) as store:
        assert told in store.notices[0]
        assert store.events() == ()
    assert (tmp_path / "log.db.damaged-20260202T024000Z").read_bytes() == content


def test_a_row_that_a_newer_program_wrote_is_no_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as store:
        store.add_event(Event("varnished", T0, "tent"))  # type: ignore[arg-type]
    with pytest.raises(ForeignLog) as caught:
        Store.open(path, now_s=now_s)
    assert str(caught.value) == (
        f"log {path}: event row 1 is as it was written, but this program cannot read it "
        f"('varnished' is not a valid EventKind); nothing was changed in it. Use the newer "
        f"filmcall that wrote it."
    )
    assert [p.name for p in tmp_path.iterdir()] == ["log.db"]


@pytest.mark.parametrize("length", [10, 50, 1000, 6000])
def test_a_truncated_log_is_set_aside(tmp_path: Path, length: int) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=50)
    with Store.open(path, now_s=now_s) as store:
        store.lock_for_watch()
    content = path.read_bytes()[:length]
    path.write_bytes(content)
    with Store.open(path, now_s=now_s) as store:
        assert "it was moved to log.db.damaged-20260202T024000Z" in store.notices[0]
        assert store.events() == ()
    assert (tmp_path / "log.db.damaged-20260202T024000Z").read_bytes() == content


def test_a_log_cut_to_nothing_is_told_and_a_new_file_of_nothing_is_not(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    path.touch()
    with Store.open(path, now_s=now_s) as store:
        assert store.notices == ()
        store.lock_for_watch()
        store.add_event(Event(EventKind.NOTE, T0, "tent"))
    path.write_bytes(b"")
    with Store.open(path, now_s=now_s) as store:
        assert store.notices == (
            f"log {path}: the file is empty, though a watch has kept a log there; a new one was "
            f"begun, so clocks and the last call are not known. Check the disk or memory card.",
        )


# Going on without the disk -------------------------------------------------------------------


def refuse_to_write(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let SQLite open the file as on a disk that was mounted to be read."""

    def writer(path: Path, busy_s: float) -> sqlite3.Connection:
        error = sqlite3.OperationalError("attempt to write a readonly database")
        error.sqlite_errorcode = sqlite3.SQLITE_READONLY
        raise error

    monkeypatch.setattr("monitor.log.open._writer", writer)


def test_a_watch_goes_on_with_a_log_that_can_only_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as store:
        store.add_call(CallRow("tent", "all", T0, "STOP", "cure", "safe", '{"call": "STOP"}'))
    with monkeypatch.context() as patched:
        refuse_to_write(patched)
        with pytest.raises(LogRefused, match="attempt to write a readonly database"):
            Store.open(path, now_s=now_s)
        store = Store.open(path, now_s=now_s, go_on=True)
        assert "it cannot be opened (attempt to write a readonly database)" in store.notices[0]
        store.lock_for_watch()
        last = store.last_call("tent", "all")
        assert last is not None
        assert last.call == "STOP"
        store.add_readings(readings(10))
        with pytest.raises(LogRefused, match=r"^this call was not written: log .* it cannot be"):
            store.add_call(hold(1.0))
        with pytest.raises(LogRefused):
            store.add_event(Event(EventKind.NOTE, T0, "tent"))
        assert store.waiting == (10, 1)
    store.tick()  # too soon after the refusal
    store.flush()
    assert store.waiting == (0, 0)
    assert [row.call for row in store.calls()] == ["STOP", "HOLD"]
    with Store.open(path, now_s=now_s) as other, pytest.raises(LogBusy):
        other.lock_for_watch()
    store.close()


def test_a_watch_goes_on_where_no_log_can_be_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    with monkeypatch.context() as patched:
        refuse_to_write(patched)
        store = Store.open(path, now_s=now_s, go_on=True)
        store.lock_for_watch()
        assert store.events() == ()
        with pytest.raises(LogRefused):
            store.add_call(hold())
    store.flush()
    assert [row.call for row in store.calls()] == ["HOLD"]
    store.close()
    with Store.open(path, now_s=now_s) as again:
        assert len(list(again.calls())) == 1
        assert again.verify() == []


def test_a_log_that_appears_later_with_calls_of_its_own_is_not_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    with monkeypatch.context() as patched:
        refuse_to_write(patched)
        store = Store.open(path, now_s=now_s, go_on=True)
    with Store.open(path, now_s=now_s) as other:  # as when a disk is mounted late
        other.add_call(CallRow("tent", "all", T0, "STOP", "cure", "safe", "{}"))
    with pytest.raises(LogRefused, match="whether a STOP stands in it is not known"):
        store.add_call(hold())
    with pytest.raises(LogRefused):
        store.close()


def test_a_second_watch_on_a_log_that_can_only_be_read_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as first:
        first.lock_for_watch()
        with monkeypatch.context() as patched:
            refuse_to_write(patched)
            with (
                Store.open(path, now_s=now_s, go_on=True) as second,
                pytest.raises(LogBusy, match="is watching into it"),
            ):
                second.lock_for_watch()


def test_a_folder_that_knows_no_locks_is_not_taken_for_another_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unknown(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")  # what NFS without its lock daemon says

    with Store.open(tmp_path / "log.db", now_s=now_s) as store:
        monkeypatch.setattr("fcntl.flock", unknown)
        with pytest.raises(LogRefused, match=r"knows no locks \(No locks available\).*--db"):
            store.lock_for_watch()


def test_a_lock_holds_though_the_disk_takes_no_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    with Store.open(path, now_s=now_s) as first, Store.open(path, now_s=now_s) as second:
        with monkeypatch.context() as patched:
            patched.setattr("monitor.log.open.os.write", full)
            first.lock_for_watch()
        with pytest.raises(LogBusy, match="a process that did not say its name"):
            second.lock_for_watch()


def test_calls_that_follow_a_busy_log_are_not_each_told_late(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s, busy_s=1.0) as store:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")

        def timeout_ms() -> int:
            return int(store.file.connection.execute("PRAGMA busy_timeout").fetchone()[0])

        assert timeout_ms() == 1000
        with pytest.raises(LogRefused):
            store.add_call(hold())
        assert timeout_ms() == 20
        other.execute("ROLLBACK")
        other.close()
        store.add_call(hold(1.0))
        assert timeout_ms() == 1000
        assert len(list(store.calls("tent"))) == 2


def test_a_call_waits_for_no_more_than_a_portion_of_what_an_outage_left(tmp_path: Path) -> None:
    clock = Clock()
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        store.file.connection.execute("PRAGMA query_only = ON")
        for at in range(4):
            with pytest.raises(LogRefused):
                store.add_readings(readings(5000, from_s=5000.0 * at))
            clock.now += 5.0
        store.file.connection.execute("PRAGMA query_only = OFF")
        store.add_call(hold())
        assert store.waiting == (15_000, 0), "5000 readings take 0.04 s, 200000 over a second"
        store.tick()
        assert store.waiting == (10_000, 0)
        store.flush()
        assert store.waiting == (0, 0)
        times = store.readings("tent", "air", Quantity.AIR_TEMP)[0]
        assert len(times) == store.counts.added == 20_000
        assert store.counts.duplicates == 0


def test_a_log_whose_first_page_is_gone_is_set_aside_though_nothing_lies_beside_it(
    tmp_path: Path,
) -> None:
    path = tmp_path / "job.db"
    make_log(path, events=3)
    path.with_name("job.db.lock").unlink(missing_ok=True)
    spoiled = bytes(100) + path.read_bytes()[100:]
    path.write_bytes(spoiled)
    with Store.open(path, now_s=now_s) as store:
        (notice,) = store.notices
        assert re.search(r"it is damaged .* moved to (job\.db\.damaged-\w+) and a new", notice)
        assert not list(store.events())
    (aside,) = tmp_path.glob("job.db.damaged-*")
    assert aside.read_bytes() == spoiled


def test_a_log_that_another_process_makes_meanwhile_is_no_foreign_one(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    ours, other = (sqlite3.connect(path, isolation_level=None) for _ in range(2))
    made: list[int] = []

    def make(statement: str) -> None:
        if "sqlite_master" in statement and not made:
            made.append(0)
            migrate(other, "log")

    ours.set_trace_callback(make)
    assert version_of(ours, "log") in (0, SCHEMA_VERSION)
    assert made, "it was made while we looked"
    ours.close()
    other.close()


def test_a_file_of_the_users_own_is_never_renamed_or_changed(tmp_path: Path) -> None:
    notes = tmp_path / "notes.csv"
    notes.write_text("time,temp\n" * 1000)
    with pytest.raises(ForeignLog, match="nothing shows that it ever was a log"):
        Store.open(notes, now_s=now_s)
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE recipes(name)")
    connection.commit()
    connection.close()
    before = other.read_bytes()
    with pytest.raises(ForeignLog, match="not one of filmcall's; nothing was changed"):
        Store.open(other, now_s=now_s)
    assert other.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["notes.csv", "other.db"]


# Versions ------------------------------------------------------------------------------------


def add_weather(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE weather(time_us INTEGER PRIMARY KEY)")
    connection.execute("INSERT INTO weather SELECT time_us FROM events")


def test_an_older_log_is_brought_up_to_date_with_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=3)
    connection = sqlite3.connect(path, isolation_level=None)
    assert migrate(connection, "log", (*MIGRATIONS, add_weather)) == SCHEMA_VERSION
    assert version_of(connection, "log") == SCHEMA_VERSION + 1
    assert connection.execute("SELECT count(*) FROM weather").fetchone() == (3,)
    assert migrate(connection, "log", (*MIGRATIONS, add_weather)) == SCHEMA_VERSION + 1
    connection.close()


def test_a_migration_that_fails_half_way_leaves_the_log_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=3)

    def half(connection: sqlite3.Connection) -> None:
        add_weather(connection)
        connection.execute("INSERT INTO nowhere VALUES (1)")

    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, "log", (*MIGRATIONS, half))
    assert version_of(connection, "log") == SCHEMA_VERSION
    assert not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'weather'").fetchall()
    connection.close()
    with Store.open(path, now_s=now_s) as store:
        assert len(store.events()) == 3
        assert store.verify() == []


def test_a_reader_brings_an_older_log_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    make_log(path, events=3)
    newer = (*MIGRATIONS, add_weather)
    monkeypatch.setattr("monitor.log.open.SCHEMA_VERSION", len(newer))
    monkeypatch.setattr("monitor.log.open.migrate", lambda c, name: migrate(c, name, newer))
    with Store.open(path, now_s=now_s, read_only=True) as store:
        assert len(store.events()) == 3
        assert version_of(store.file.connection, "log") == len(newer)


@pytest.mark.parametrize("read_only", [False, True])
def test_a_newer_programs_log_is_refused_unchanged(tmp_path: Path, read_only: bool) -> None:
    path = tmp_path / "log.db"
    make_log(path)
    connection = sqlite3.connect(path, isolation_level=None)
    migrate(connection, "log", (*MIGRATIONS, add_weather))
    connection.close()
    with pytest.raises(ForeignLog, match=f"version {SCHEMA_VERSION + 1}, above {SCHEMA_VERSION}"):
        Store.open(path, now_s=now_s, read_only=read_only)


# Two programs --------------------------------------------------------------------------------

HOLDER = """
import sys, time
from pathlib import Path
from monitor.log.log import Store
store = Store.open(Path(sys.argv[1]), now_s=time.time)
store.lock_for_watch()
print("locked", flush=True)
time.sleep(60)
"""


def test_one_watch_writes_to_a_log_and_events_go_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "locked\n"
        with Store.open(path, now_s=now_s) as store:
            with pytest.raises(LogBusy) as caught:
                store.lock_for_watch()
            assert f"process {holder.pid} on " in str(caught.value)
            assert "Stop that one, or give another file with --db." in str(caught.value)
            assert store.add_event(Event(EventKind.NOTE, T0, "tent")).row == 1
    finally:
        holder.kill()
        holder.wait()
        if holder.stdout is not None:
            holder.stdout.close()
    # A killed watch leaves no lock behind.
    with Store.open(path, now_s=now_s) as store:
        store.lock_for_watch()
        store.lock_for_watch()
        assert len(store.events()) == 1


def test_a_closed_log_gives_its_lock_back(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with Store.open(path, now_s=now_s) as store:
        store.lock_for_watch()
    with Store.open(path, now_s=now_s) as store:
        store.lock_for_watch()


@pytest.mark.parametrize("reads", [False, True])
def test_a_watch_that_ends_leaves_all_in_the_file_where_no_reader_is_in_the_way(
    tmp_path: Path, reads: bool
) -> None:
    """As beside a shipper, which has the log open all the time; the judge is SQLite by itself."""
    path, alone = tmp_path / "log.db", tmp_path / "alone.db"
    store = Store.open(path, now_s=now_s)
    store.lock_for_watch()
    store.add_readings(readings(50))
    store.flush()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN")
    assert other.execute("SELECT count(*) FROM readings").fetchone() == (50,)
    if not reads:
        other.execute("ROLLBACK")
    put_event(store)
    store.close()
    alone.write_bytes(path.read_bytes())
    tail = path.with_name("log.db-wal").stat().st_size
    if reads:
        assert tail > 0
        other.execute("ROLLBACK")
    else:
        assert tail == 0
        with sqlite3.connect(alone) as moved:
            assert moved.execute("SELECT count(*) FROM readings").fetchone() == (50,)
            assert moved.execute("SELECT count(*) FROM events").fetchone() == (1,)
        moved.close()
    other.close()
    with Store.open(path, now_s=now_s) as store:
        assert len(store.events()) == 1
