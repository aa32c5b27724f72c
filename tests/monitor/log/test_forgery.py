"""Whether a log shows how it was forged: every way of `forgeries`, and harmless work beside it.

The table of ways is judgement, no outside source; it was written before what finds them.
"""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from forgeries import (
    FOUND_BY_A_SEAL,
    FOUND_BY_THE_CHAIN,
    HARMLESS,
    T0,
    Clock,
    Forgery,
    guard_taken_off,
    honest,
    on_file,
)

from monitor.log.log import Store

if TYPE_CHECKING:
    from monitor.log.chain import Seal


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An honest log, which no test changes."""
    path = tmp_path_factory.mktemp("honest") / "log.db"
    honest(path)
    return path


@pytest.fixture(scope="module")
def seal(kept: Path) -> Seal:
    """What a witness was told of it."""
    with Store.open(kept, now_s=Clock(T0), read_only=True) as store:
        return store.seal()


@pytest.fixture
def log(kept: Path, tmp_path: Path) -> Path:
    """A copy to be forged."""
    path = tmp_path / "log.db"
    shutil.copyfile(kept, path)
    return path


def said(path: Path) -> list[str]:
    with Store.open(path, now_s=Clock(T0), read_only=True) as store:
        return [str(problem) for problem in store.verify()]


def holds(path: Path, seal: Seal) -> bool:
    with Store.open(path, now_s=Clock(T0), read_only=True) as store:
        return store.sealed_as(seal.sha256) == seal


def test_forty_ways_at_least_are_tried() -> None:
    names = [each.name for each in (*FOUND_BY_THE_CHAIN, *FOUND_BY_A_SEAL)]
    assert len(set(names)) == len(names) >= 40
    assert not any(each.seal_only for each in FOUND_BY_THE_CHAIN)
    assert all(each.seal_only for each in FOUND_BY_A_SEAL)


def test_an_honest_log_raises_no_alarm(kept: Path, seal: Seal) -> None:
    assert said(kept) == []
    assert holds(kept, seal)


@pytest.mark.parametrize("way", FOUND_BY_THE_CHAIN, ids=lambda way: way.name)
def test_the_chain_alone_finds(log: Path, way: Forgery) -> None:
    before = log.read_bytes()
    on_file(log, way.change)
    assert log.read_bytes() != before
    problems = said(log)
    assert problems
    assert all(each.endswith(".") and "ChainProblem" not in each for each in problems)


@pytest.mark.parametrize("way", FOUND_BY_A_SEAL, ids=lambda way: way.name)
def test_only_a_witness_finds(log: Path, way: Forgery, seal: Seal) -> None:
    on_file(log, way.change)
    assert said(log) == []
    assert not holds(log, seal)


def test_an_older_copy_is_found_by_a_later_seal(kept: Path, log: Path, seal: Seal) -> None:
    with Store.open(log, now_s=Clock(T0 + 9_000.0)) as store:
        store.add_event(store.events()[-1])
        later = store.seal()
    assert later.count > seal.count
    assert holds(log, later)
    assert holds(log, seal)
    assert said(kept) == []
    assert not holds(kept, later)


def test_a_consistent_new_log_is_found_by_a_seal(tmp_path: Path, seal: Seal) -> None:
    honest(tmp_path / "new.db")
    assert said(tmp_path / "new.db") == []
    assert not holds(tmp_path / "new.db", seal)


def test_a_guard_taken_off_is_found(log: Path) -> None:
    guard_taken_off(log)
    assert any("readings_no_update" in each for each in said(log))


@pytest.mark.parametrize(("how", "statement"), HARMLESS, ids=[how for how, _ in HARMLESS])
def test_harmless_work_raises_no_alarm(log: Path, how: str, statement: str, seal: Seal) -> None:
    connection = sqlite3.connect(log, isolation_level=None)
    connection.execute(statement)
    connection.close()
    assert said(log) == [], how
    assert holds(log, seal)


def test_a_backup_copy_raises_no_alarm(kept: Path, tmp_path: Path, seal: Seal) -> None:
    copies = [tmp_path / "backup.db", tmp_path / "into.db", tmp_path / "dump.db"]
    source = sqlite3.connect(kept)
    target = sqlite3.connect(copies[0])
    source.backup(target)
    target.close()
    source.execute("VACUUM INTO ?", (str(copies[1]),))
    target = sqlite3.connect(copies[2])
    target.executescript("\n".join(source.iterdump()))
    for pragma in ("user_version", "application_id"):  # which a dump leaves out
        (value,) = source.execute(f"PRAGMA {pragma}").fetchone()
        target.execute(f"PRAGMA {pragma} = {value}")
    target.close()
    source.close()
    for copy in copies:
        assert said(copy) == [], copy
        assert holds(copy, seal)


def test_thinning_raises_no_alarm_and_keeps_the_leaves(log: Path, seal: Seal) -> None:
    now = T0 + 500.0 * 86_400.0
    count = "SELECT count(*) FROM leaves"
    with Store.open(log, now_s=Clock(now)) as store:
        leaves = store.file.rows(count)
        whole = store.file.rows("SELECT count(*) FROM readings")
        while store.thin_step(now - 400.0 * 86_400.0, 400) is not None:
            pass
        assert store.file.rows("SELECT count(*) FROM readings") < whole
        assert store.file.rows(count) == leaves
    assert said(log) == []
    assert holds(log, seal)


def test_what_was_forged_is_not_thinned_away(log: Path) -> None:
    by_name = {each.name: each for each in FOUND_BY_THE_CHAIN}
    on_file(log, by_name["hull 3 K warmer all night"].change)
    now = T0 + 500.0 * 86_400.0
    with Store.open(log, now_s=Clock(now)) as store:
        while store.thin_step(now - 400.0 * 86_400.0, 400) is not None:
            pass
    assert said(log)
