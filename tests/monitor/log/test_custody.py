"""How readings come into the chain: late ones, a kill, an older program's log, and what is said.

The Merkle tree hash is held to RFC 9162's tree by the vectors of its reference implementation.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import suppress
from pathlib import Path

import pytest
from forgeries import CHANNELS, READINGS, T0, Clock, honest, on_file, statements

from monitor.log import merkle
from monitor.log.files import export, verify
from monitor.log.log import Store
from monitor.log.rows import LogRefused
from rules.errors import FilmcallError
from sensors.reading import Quality, Quantity, Reading

# From memory: the leaves and roots with which RFC 9162's (and 6962's) implementations test
# themselves; all eight roots come out, which no wrong tree would do.
LEAVES = (
    "", "00", "10", "2021", "3031", "40414243", "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
)  # fmt: skip
ROOTS = (
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
)


@pytest.mark.parametrize("count", range(1, 9))
def test_the_tree_is_rfc_9162s(count: int) -> None:
    hashes = [merkle.leaf(bytes.fromhex(each)) for each in LEAVES[:count]]
    assert merkle.root(hashes).hex() == ROOTS[count - 1]


def hear(store: Store, clock: Clock, *, late_s: float = 0.0, value: float = 12.0) -> None:
    """One reading of each channel, measured `late_s` before it comes."""
    store.add_readings(
        Reading("tent", point, quantity, clock.now_s - late_s, value, Quality.OK, clock.now_s)
        for point, quantity, _ in CHANNELS
    )
    store.flush()


def leaves_in(store: Store) -> int:
    return int(store.file.rows("SELECT count(*) FROM leaves")[0][0])


def test_a_minute_is_one_leaf_a_channel_though_some_come_a_minute_late(tmp_path: Path) -> None:
    clock = Clock(T0)
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        for _ in range(60):
            hear(store, clock)
            hear(store, clock, late_s=55.0)
            clock.now_s += 10.0
        clock.now_s += 300.0
        store.tick()
        # Eleven minutes of data, the one before T0 among them.
        assert leaves_in(store) == 11 * len(CHANNELS)
        audit = store.audit()
        assert (audit.problems, audit.readings, audit.open) == ([], 120 * len(CHANNELS), 0)


def test_what_comes_hours_late_gets_a_leaf_that_names_it(tmp_path: Path) -> None:
    clock = Clock(T0)
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        for _ in range(12):
            hear(store, clock)
            clock.now_s += 10.0
        clock.now_s += 7200.0
        hear(store, clock)
        before = leaves_in(store)
        hear(store, clock, late_s=7255.0)
        hear(store, clock, late_s=7255.0)  # a repeat adds nothing
        assert leaves_in(store) == before + len(CHANNELS)
        assert store.audit().problems == []
    came_us = round((clock.now_s - 7255.0) * 1e6)
    warmer = statements(f"UPDATE readings SET raw = 15 WHERE time_us = {came_us}")
    on_file(tmp_path / "log.db", warmer)
    with Store.open(tmp_path / "log.db", now_s=clock, read_only=True) as store:
        assert len(store.verify()) == len(CHANNELS)


def test_after_a_kill_the_last_minutes_come_into_the_chain_with_the_next_readings(
    tmp_path: Path,
) -> None:
    path, clock = tmp_path / "log.db", Clock(T0)
    store = Store.open(path, now_s=clock)
    for _ in range(30):
        hear(store, clock)
        clock.now_s += 10.0
    store.file.connection.close()  # as by a kill: nothing is closed
    with Store.open(path, now_s=clock, read_only=True) as reader:
        audit = reader.audit()
        assert audit.problems == []
        assert 0 < audit.open <= 12 * len(CHANNELS)
        assert audit.open + audit.readings == 30 * len(CHANNELS)
    clock.now_s += 3600.0
    with Store.open(path, now_s=clock) as store:
        hear(store, clock)
    with Store.open(path, now_s=clock, read_only=True) as reader:
        audit = reader.audit()
        assert (audit.problems, audit.open) == ([], 0)
        assert audit.readings == 31 * len(CHANNELS)


def test_readings_put_in_far_behind_a_killed_programs_last_stay_without_a_place(
    tmp_path: Path,
) -> None:
    path, clock = tmp_path / "log.db", Clock(T0)
    store = Store.open(path, now_s=clock)
    hear(store, clock)
    store.file.connection.close()
    put = f"INSERT INTO readings VALUES (1, {round((T0 + 600.0) * 1e6)}, NULL, 15, NULL, 0)"
    on_file(path, statements(put))
    clock.now_s += 3600.0
    with Store.open(path, now_s=clock) as store:
        hear(store, clock)
        assert [str(each) for each in store.verify()] == [
            "tent, air-bow, air_temp: from 2026-11-12T18:10:00Z to 2026-11-12T18:11:00Z readings "
            "have no place in the chain: filmcall did not write them."
        ]


def test_a_clock_set_back_leaves_no_reading_outside(tmp_path: Path) -> None:
    clock = Clock(T0)
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        for step in (10.0, 10.0, -86_400.0, 10.0, 10.0, 2 * 86_400.0, 10.0, -3600.0):
            hear(store, clock)
            clock.now_s += step
        hear(store, clock)
    with Store.open(tmp_path / "log.db", now_s=clock, read_only=True) as store:
        audit = store.audit()
        assert (audit.problems, audit.open) == ([], 0)
        assert audit.readings == 9 * len(CHANNELS)


OLD = Path(__file__).parents[2] / "data" / "log_version_1.sql"


def test_an_older_programs_readings_are_said_to_stand_outside(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    connection = sqlite3.connect(path)
    connection.executescript(OLD.read_text())
    connection.close()
    text, problems = verify(path, as_json=False)
    assert problems == 0
    assert (
        "60 readings from before readings stood in the chain, by an older filmcall: nothing "
        "vouches for them." in text
    )
    clock = Clock(T0)
    with Store.open(path, now_s=clock) as store:
        hear(store, clock)
    found = json.loads(verify(path, as_json=True)[0])
    assert (found["outside"], found["readings"], found["problems"]) == (60, len(CHANNELS), [])


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("said") / "log.db"
    honest(path)
    return path


def test_a_sound_log_says_what_stands_and_its_seal(kept: Path) -> None:
    text, problems = verify(kept, as_json=False)
    assert problems == 0
    with Store.open(kept, now_s=Clock(T0), read_only=True) as store:
        seal = store.seal()
    assert text.splitlines() == [
        "5 calls and events are as they were written, with 1380 readings and 120 thinned minutes.",
        "1 photo is not in log.db.photos beside the log: copy that folder with it.",
        f"Seal of the log: {seal.count} rows, 2026-11-12T19:00:00Z, {seal.sha256}.",
        "Keep it where nobody who can write to the log can change it: only a seal kept elsewhere "
        "shows a log that was made anew as a whole.",
    ]


def test_a_witness_seal_is_held_and_another_is_not(kept: Path) -> None:
    with Store.open(kept, now_s=Clock(T0), read_only=True) as store:
        seal = store.seal()
    text, problems = verify(kept, as_json=False, seal=seal.sha256[:16].upper())
    assert problems == 0
    assert f"The log holds the witness's seal. Seal of the log: {seal.count} rows, 2026-" in text
    text, problems = verify(kept, as_json=False, seal="0" * 64)
    assert problems == 1
    first, then = text.splitlines()[:2]
    assert f"does not hold the seal {'0' * 64}: it is an older copy or another log" in first
    assert "are as they were written" in then
    assert "not as it was written" not in text


@pytest.mark.parametrize("wrong", ["", "12ab", "x" * 64, "0" * 65])
def test_what_is_no_seal_is_refused_in_a_sentence(kept: Path, wrong: str) -> None:
    with pytest.raises(FilmcallError, match="is not 16 to 64 hexadecimal digits, so nothing"):
        verify(kept, as_json=False, seal=wrong)


def test_a_forged_night_is_told_by_its_probe_and_hours(kept: Path, tmp_path: Path) -> None:
    path = tmp_path / "forged.db"
    path.write_bytes(kept.read_bytes())
    on_file(path, READINGS[0].change)
    lines = verify(path, as_json=False)[0].splitlines()
    assert lines[:2] == [
        "The log is not as it was written. The first that does not follow:",
        "tent, plank-port, surface_temp: from 2026-11-12T18:00:00Z to 2026-11-12T18:20:00Z "
        "readings are not as they were written.",
    ]


def test_an_export_has_the_seal_in_a_file_beside_it(kept: Path, tmp_path: Path) -> None:
    export("calls", "csv", tmp_path / "calls.csv", kept)
    with Store.open(kept, now_s=Clock(T0), read_only=True) as store:
        assert store.seal().sha256 in (tmp_path / "calls.csv.seal").read_text()


def test_a_span_alone_is_looked_at_where_one_is_asked(kept: Path, tmp_path: Path) -> None:
    path = tmp_path / "forged.db"
    path.write_bytes(kept.read_bytes())
    on_file(path, READINGS[1].change)  # ten minutes in
    with Store.open(path, now_s=Clock(T0), read_only=True) as store:
        assert store.audit(T0 + 1500.0, T0 + 3600.0).problems == []
        assert len(store.audit(T0 + 540.0, T0 + 700.0).problems) == 1
        assert store.channels()[0].quantity is Quantity.AIR_TEMP


def test_a_disk_that_refused_for_a_while_leaves_no_honest_reading_accused(tmp_path: Path) -> None:
    clock = Clock(T0)
    with Store.open(tmp_path / "log.db", now_s=clock) as store:

        def heard(steps: int) -> None:
            for _ in range(steps):
                with suppress(LogRefused):
                    hear(store, clock)
                clock.now_s += 10.0

        heard(90)
        store.file.connection.execute("PRAGMA query_only = ON")
        heard(6)
        store.file.connection.execute("PRAGMA query_only = OFF")
        heard(60)
    with Store.open(tmp_path / "log.db", now_s=clock, read_only=True) as store:
        audit = store.audit()
        assert (audit.problems, audit.readings) == ([], 156 * len(CHANNELS))
