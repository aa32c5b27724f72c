"""The real program and its log when killed, starved of disk, damaged, shut out or set back in time.

What is expected is README's "what can be lost": at most 5 s of readings, never an
event, never a told call, never a damaged log; where the disk refuses, a call is told all the same
within 1 s as `unlogged`, and a STOP outranks the HOLD that a full disk gives.
FILMCALL_KILL_ROUNDS sets the kills; `python -m benchmarks.kills` does 200.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing as closing_of
from contextlib import suppress
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from crash import DRY_C, WET_C, Child, Feed, command, environment, wait_for
from kills import MOST_LOST_S, Tally, kill_stores, kill_watches

from monitor.live.run import LOG_TAKEN
from monitor.log.log import Store
from monitor.log.rows import LogDamaged
from tests.system.broker import RealBroker

ROUNDS = int(os.environ.get("FILMCALL_KILL_ROUNDS", "20"))
UNLOGGED_S = 1.0

Note = Callable[[Any], Any]


@pytest.fixture
def closing() -> Iterator[Note]:
    """Yield what takes note of a thing that has to end with the test."""
    made: list[Any] = []

    def note(thing: Any) -> Any:
        made.append(thing)
        return thing

    yield note
    for thing in reversed(made):
        thing.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Yield a disk of 2 MB of its own, where this account may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(words, capture_output=True, timeout=60).returncode == 0
    except OSError:
        mounted = False
    if not mounted:
        pytest.skip("this account may not mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True, timeout=60)


def remount(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True, timeout=60)


def event(db: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command("event", *words, "--enclosure", "tent", "--db", str(db)),
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
    )


def stops_in_time(child: Child, feed: Feed, *, unlogged: bool | None = None) -> bool:
    """Whether STOP is told in time: a busy machine may delay some, what is slow delays all."""
    for _ in range(5):
        feed.surface_c = WET_C
        if child.wait_for_call("STOP", unlogged=unlogged) < UNLOGGED_S:
            return True
        feed.surface_c = DRY_C
        wait_for(lambda: child.last()[0] != "STOP", "STOP ends")
    return False


def calls(db: Path) -> list[str]:
    with Store.open(db, now_s=time.time, read_only=True) as store:
        assert store.verify() == []
        assert store.file.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return [row.call for row in store.calls("tent")]


# Killed --------------------------------------------------------------------------------------


def sound(tally: Tally) -> None:
    assert tally.problems == []
    assert tally.events_lost == 0
    assert tally.calls_lost == 0
    assert tally.heard_lost == 0
    assert tally.stops_lost == 0
    assert tally.worst_loss_s <= MOST_LOST_S
    # It was not sound for want of anything to lose.
    assert tally.events
    assert tally.calls
    assert tally.readings > tally.readings_lost


def test_a_writer_killed_at_any_moment_loses_nothing_that_it_promised(tmp_path: Path) -> None:
    tally = kill_stores(tmp_path, (ROUNDS + 1) // 2)
    sound(tally)
    assert tally.thinned


def test_a_watch_killed_at_any_moment_loses_nothing_that_was_told(
    tmp_path: Path, broker: RealBroker
) -> None:
    tally = kill_watches(tmp_path, broker, ROUNDS // 2)
    sound(tally)
    assert tally.heard


def test_the_kills_would_find_a_log_that_promises_too_early(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A writer that tells before it writes must not pass: the check itself can fail."""
    early = "import kills; text = kills.WRITER"
    import kills

    line = 'row = store.add_call(CallRow("tent", "all", now, "HOLD", "prep", "start", "{}"))'
    assert line in kills.WRITER, early
    monkeypatch.setattr(kills, "WRITER", kills.WRITER.replace(line, "row = 10_000 + number"))
    tally = kill_stores(tmp_path, 2)
    assert tally.calls_lost > 0


# A disk that is full -------------------------------------------------------------------------


def starve(child: Child) -> None:
    """Let the system refuse every further byte in a file (RLIMIT_FSIZE: EFBIG)."""
    import resource

    _, hard = resource.prlimit(child.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(child.process.pid, resource.RLIMIT_FSIZE, (0, hard))


def feed_again(child: Child) -> None:
    import resource

    _, hard = resource.prlimit(child.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(child.process.pid, resource.RLIMIT_FSIZE, (hard, hard))


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux limits another process")
def test_a_disk_that_takes_no_more_is_told_and_calls_go_on(
    tmp_path: Path, broker: RealBroker, closing: Note
) -> None:
    db = tmp_path / "log.db"
    feed = closing(Feed(broker.port))
    child = closing(Child(tmp_path, broker.port, db))
    child.wait_for_call("GO", unlogged=False)
    starve(child)
    child.wait_for_call("HOLD", unlogged=True)
    assert "the disk refuses it" in child.reason("log")
    assert "Free some space, or check the disk and its permissions" in child.reason("log")
    wait_for(lambda: "the disk refuses it" in child.said, "the journal tells of it")
    assert stops_in_time(child, feed, unlogged=True)
    assert child.process.poll() is None
    feed_again(child)
    wait_for(lambda: "STOP" in calls(db), "the STOP that waited is written")
    wait_for(lambda: LOG_TAKEN in child.said, "and that it is over")
    assert child.said.count("the disk refuses it") == 1, "once, and not at each turn"
    # What forbids GO beside the readings changed as well, which is a row of its own.
    assert [word for word, _ in groupby(calls(db))][-2:] == ["HOLD", "STOP"]
    feed.surface_c = DRY_C
    child.wait_for_call("GO", unlogged=False)
    assert child.end() == 0
    assert calls(db)[-1] == "GO"


def fill(filler: Path) -> None:
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(b"\0" * 4096):
            continue
    assert shutil.disk_usage(filler.parent).free < 4096


def test_a_small_disk_that_fills_up_is_told_and_what_waited_is_kept(
    tmp_path: Path, broker: RealBroker, closing: Note, small_disk: Path
) -> None:
    db = small_disk / "log.db"
    feed = closing(Feed(broker.port))
    child = closing(Child(tmp_path, broker.port, db))
    child.wait_for_call("GO", unlogged=False)
    filler = small_disk / "filler"
    fill(filler)
    child.wait_for_call("HOLD", unlogged=True)
    assert "database or disk is full" in child.reason("log")
    assert stops_in_time(child, feed, unlogged=True)
    refused = event(db, "mixed")
    assert refused.returncode == 2
    assert "Traceback" not in refused.stderr
    assert "log" in refused.stderr
    # Killed and started again on the full disk: the calls go on.
    child.kill()
    again = closing(Child(tmp_path, broker.port, db))
    again.wait_for_call("STOP", unlogged=True)
    filler.unlink()
    wait_for(lambda: calls(db)[-1] == "STOP", "the STOP that waited is written")
    assert again.end() == 0


# A disk that can only be read ----------------------------------------------------------------


def test_a_disk_that_can_only_be_read_gives_stop_back_and_calls_go_on(
    tmp_path: Path, broker: RealBroker, closing: Note, small_disk: Path
) -> None:
    db = small_disk / "log.db"
    feed = closing(Feed(broker.port))
    feed.surface_c = WET_C
    first = closing(Child(tmp_path, broker.port, db))
    first.wait_for_call("STOP", unlogged=False)
    first.kill()  # and its tail stays, which SQLite would have to write to
    assert (small_disk / "log.db-wal").stat().st_size > 0
    feed.surface_c = DRY_C
    remount(small_disk, "ro")
    second = closing(Child(tmp_path, broker.port, db))
    first_call = second.first()
    assert (first_call["call"], first_call.get("unlogged")) == ("STOP", True)
    wait_for(lambda: "it cannot be opened (" in second.said, second.said)
    second.wait_for_call("HOLD", unlogged=True)
    refused = event(db, "mixed")
    assert refused.returncode == 2
    assert "Check that the disk is there, has space and can be written" in refused.stderr
    remount(small_disk, "rw")
    second.wait_for_call("GO", unlogged=False)
    assert event(db, "mixed").returncode == 0
    assert second.end() == 0
    assert calls(db)[:3] == ["HOLD", "STOP", "STOP"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes anywhere")
def test_a_folder_that_cannot_be_written_gives_stop_back_and_calls_go_on(
    tmp_path: Path, broker: RealBroker, closing: Note
) -> None:
    folder = tmp_path / "log"
    folder.mkdir()
    db = folder / "log.db"
    feed = closing(Feed(broker.port))
    feed.surface_c = WET_C
    first = closing(Child(tmp_path, broker.port, db))
    first.wait_for_call("STOP", unlogged=False)
    assert first.end() == 0
    for place, mode in ((db, 0o400), (folder, 0o500)):
        place.chmod(mode)
    try:
        second = closing(Child(tmp_path, broker.port, db))
        first_call = second.first()
        assert (first_call["call"], first_call.get("unlogged")) == ("STOP", True)
    finally:
        folder.chmod(0o700)
        db.chmod(0o600)
    wait_for(lambda: calls(db)[:3] == ["HOLD", "STOP", "STOP"], "what waited is written")
    assert second.end() == 0


# A file that is damaged ----------------------------------------------------------------------


def lay_in_the_tail(db: Path) -> None:
    """Have all of a log in its one file, where a reader kept the program from it at its end."""
    with closing_of(sqlite3.connect(db)) as log:
        checkpoint = "PRAGMA wal_checkpoint(TRUNCATE)"
        wait_for(lambda: log.execute(checkpoint).fetchone()[0] == 0, "the tail is in the file")


def overwritten(content: bytes) -> bytes:
    middle = len(content) // 2 // 4096 * 4096
    return content[:middle] + b"\xa5" * 4096 + content[middle + 4096 :]


@pytest.mark.parametrize(
    ("harm", "told"),
    [
        (overwritten, "it was moved to log.db.damaged-"),
        (lambda content: content[: len(content) // 2], "it was moved to log.db.damaged-"),
        (lambda _: b"", "the file is empty, though a watch has kept a log there"),
    ],
    ids=["overwritten", "truncated", "emptied"],
)
def test_a_damaged_log_is_told_set_aside_and_calls_go_on(
    tmp_path: Path,
    broker: RealBroker,
    closing: Note,
    harm: Callable[[bytes], bytes],
    told: str,
) -> None:
    db = tmp_path / "log.db"
    feed = closing(Feed(broker.port))
    first = closing(Child(tmp_path, broker.port, db))
    first.wait_for_call("GO", unlogged=False)
    assert first.end() == 0
    lay_in_the_tail(db)
    harmed = harm(db.read_bytes())
    db.write_bytes(harmed)
    if harmed:
        with pytest.raises(LogDamaged, match="Nothing was changed in it"):
            Store.open(db, now_s=time.time, read_only=True)
    second = closing(Child(tmp_path, broker.port, db))
    assert second.first()["call"] == "HOLD"
    wait_for(lambda: told in second.said, told)
    feed.surface_c = WET_C
    second.wait_for_call("STOP", unlogged=False)
    assert second.end() == 0
    assert calls(db)[-1] == "STOP"
    aside = [p for p in tmp_path.glob("*.damaged-*") if not p.name.endswith(("-wal", "-shm"))]
    assert [p.read_bytes() for p in aside] == ([harmed] if harmed else [])


def test_a_log_damaged_under_a_running_watch_ends_no_calls_and_is_told_by_the_next(
    tmp_path: Path, broker: RealBroker, closing: Note
) -> None:
    db = tmp_path / "log.db"
    feed = closing(Feed(broker.port))
    child = closing(Child(tmp_path, broker.port, db))
    child.wait_for_call("GO", unlogged=False)
    for part in (db, tmp_path / "log.db-wal"):
        with part.open("r+b") as file:
            file.write(b"\xa5" * part.stat().st_size)
    # SQLite sees it only when it reads a page anew, so the call may even seem logged.
    assert stops_in_time(child, feed)
    assert child.process.poll() is None
    child.kill()
    again = closing(Child(tmp_path, broker.port, db))
    again.first()
    wait_for(lambda: "it was moved to log.db.damaged-" in again.said, "it is said")
    again.wait_for_call("STOP", unlogged=False)


def test_a_file_that_is_no_log_is_refused_and_left_alone(
    tmp_path: Path, broker: RealBroker, closing: Note
) -> None:
    db = tmp_path / "notes.csv"
    db.write_text("time,temp\n" * 1000)
    child = closing(Child(tmp_path, broker.port, db))
    assert child.process.wait(60.0) == 2
    wait_for(lambda: "nothing was changed in it. Give another file with --db." in child.said, "")
    assert "Traceback" not in child.said
    assert db.read_text() == "time,temp\n" * 1000
    assert not list(tmp_path.glob("notes.csv?*"))


# Another process -----------------------------------------------------------------------------


def test_a_log_that_another_process_holds_is_told_and_calls_go_on(
    tmp_path: Path, broker: RealBroker, closing: Note
) -> None:
    db = tmp_path / "log.db"
    feed = closing(Feed(broker.port))
    child = closing(Child(tmp_path, broker.port, db))
    child.wait_for_call("GO", unlogged=False)
    other = sqlite3.connect(db, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert stops_in_time(child, feed, unlogged=True)
    other.execute("ROLLBACK")
    other.close()
    wait_for(lambda: calls(db)[-1] == "STOP", "the STOP that waited is written")
    assert child.end() == 0


# A clock that is set back --------------------------------------------------------------------


def outages(db: Path) -> list[str]:
    with Store.open(db, now_s=time.time, read_only=True) as store:
        return [each.text for each in store.outages()]


def test_a_clock_set_back_is_told_kept_and_ends_no_stop(
    tmp_path: Path, broker: RealBroker, closing: Note
) -> None:
    db, clock = tmp_path / "log.db", tmp_path / "clock"
    year_s, hour_s = 31_536_000, 3600

    def set_clock(ahead_s: int) -> None:
        # In one step, since others read it at any moment.
        (tmp_path / "new").write_text(str(ahead_s))
        (tmp_path / "new").rename(clock)

    set_clock(year_s)  # so that hours back are after the program's release
    feed = closing(Feed(broker.port, clock=clock))
    first = closing(Child(tmp_path, broker.port, db, clock=clock))
    first.wait_for_call("GO", unlogged=False)
    before = len(first.told)
    set_clock(year_s - hour_s)
    wait_for(lambda: "HOLD" in [each["call"] for each in first.told[before:]], "GO ends")
    wait_for(lambda: len(outages(db)) == 1, "the step is kept")
    feed.surface_c = WET_C
    first.wait_for_call("STOP", unlogged=False)
    set_clock(year_s - 2 * hour_s)
    wait_for(lambda: len(outages(db)) == 2, "the second step is kept")
    time.sleep(2.0)
    assert first.last()[0] == "STOP"
    first.kill()
    assert outages(db) == ["the clock was set by -3600 s"] * 2
    assert calls(db)[-1] == "STOP"
    second = closing(Child(tmp_path, broker.port, db, clock=clock))
    assert second.first()["call"] == "STOP"
    wait_for(lambda: "before the newest row in the log" in second.reason("clock"), "the clock")
    feed.surface_c = DRY_C
    time.sleep(1.0)
    assert second.last()[0] != "GO", "readings of such a clock may end a STOP, and give no GO"
    set_clock(year_s + hour_s)
    second.wait_for_call("GO", unlogged=False)
    assert second.end() == 0
