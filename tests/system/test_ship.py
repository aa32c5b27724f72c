"""`filmcall ship` against a real PostgreSQL: every row of a log in its copy, and a log again of it.

The judge is the log itself, read row by row beside the copy, and PostgreSQL's own roles.
"""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from command import filmcall
from forgeries import CHANNELS, T0, Clock, honest, on_file, rebuild, statements
from shipped import copy_rows, differences, log_rows

from monitor.log.log import Store
from monitor.log.rows import CallRow, LogMissing
from monitor.log.schema import SCHEMA_VERSION
from monitor.ship import database as ship_database
from monitor.ship.batch import Stand, read_batch
from monitor.ship.history import calls_lately
from monitor.ship.lay_out import lay_out
from monitor.ship.send import Copy
from monitor.ship.ship import Shipper
from monitor.ship.tables import columns
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Reading
from tests.system.postgres import RealPostgres


@pytest.fixture
def ready(database: str) -> str:
    """A database with the schema."""
    assert ship_database.prepare(database).endswith("schema version 2")
    return database


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with a thinned half hour, a job, a spike found later, an outage and a recording."""
    path = tmp_path_factory.mktemp("night") / "log.db"
    honest(path)
    return path


def ship(path: Path, url: str) -> str:
    ran = filmcall("ship", "--once", "--db", str(path), "--to", url)
    assert ran.code == 0, ran.err
    return ran.out


def copied(path: Path, folder: Path) -> Path:
    """A copy of a log's file that a test may write to."""
    there = folder / "log.db"
    source, target = sqlite3.connect(path), sqlite3.connect(there)
    with source, target:
        source.backup(target)
    source.close()
    target.close()
    return there


def test_every_row_of_a_log_is_in_the_copy_and_a_second_run_ships_nothing(
    night: Path, ready: str
) -> None:
    said = ship(night, ready)
    assert "the database holds all" in said
    assert differences(night, ready) == []
    assert ": 0 changes with 0 rows shipped" in ship(night, ready)


def test_the_copy_has_every_table_and_column_of_the_log(ready: str, postgres: RealPostgres) -> None:
    found: dict[str, set[str]] = {}
    for line in postgres.sql(
        "SELECT table_name, column_name FROM information_schema.columns "
        "WHERE table_schema = 'filmcall'",
        ready.rpartition("/")[2],
    ).splitlines():
        table, column = line.split("|")
        found.setdefault(table, set()).add(column)
    assert {table: found[table] - {"log"} for table in columns()} == {
        table: set(names) for table, names in columns().items()
    }


def test_a_copy_reads_as_the_log_does(night: Path, ready: str, tmp_path: Path) -> None:
    ship(night, ready)
    for words in (("sessions", "--json"), ("sessions", "verify", "--json", "--no-calls")):
        of_log = filmcall(*words, "--db", str(night))
        of_copy = filmcall(*words, "--db", ready)
        assert (of_copy.code, of_copy.out) == (of_log.code, of_log.out), of_copy.err
    verified = json.loads(filmcall("sessions", "verify", "--json", "--db", ready).out)
    assert verified["problems"] == []
    assert verified["thinned_minutes"] > 0
    for what in ("readings", "calls"):
        files = [tmp_path / f"{what}-{name}" for name in ("log", "copy")]
        for file, db in zip(files, (str(night), ready), strict=True):
            ran = filmcall("export", what, "--format", "jsonl", "--out", str(file), "--db", db)
            assert ran.code == 0, ran.err
        assert files[0].read_bytes() == files[1].read_bytes() != b""
        seals = [file.with_name(file.name + ".seal").read_text() for file in files]
        assert seals[0] == seals[1]


def test_a_review_of_the_copy_is_the_logs(ready: str, tmp_path: Path) -> None:
    path, clock = tmp_path / "log.db", Clock(T0)
    with Store.open(path, now_s=clock) as store:
        for at_s, kind, section in (
            (0.0, EventKind.SESSION_STARTED, None),
            (600.0, EventKind.COAT_STARTED, "hull-port"),
            (4200.0, EventKind.COAT_ENDED, "hull-port"),
        ):
            spec = "polyurethane-topcoat"
            store.add_event(Event(kind, T0 + at_s, "tent", section=section, spec=spec))
        while clock.now_s < T0 + 14_400.0:
            hear(store, clock, 1)
            clock.now_s += 29.0
    ship(path, ready)
    of_log, of_copy = (filmcall("review", "--json", "--db", db) for db in (str(path), ready))
    assert (of_copy.code, of_copy.out) == (of_log.code, of_log.out), of_copy.err
    (section,) = json.loads(of_copy.out)["sections"]
    assert (section["section"], len(section["coats"])) == ("hull-port", 1)


def hear(store: Store, clock: Clock, seconds: int, *, late_s: float = 0.0) -> None:
    """Readings as a watch takes them in, every second."""
    for _ in range(seconds):
        store.add_readings(
            Reading("tent", point, quantity, clock.now_s - late_s, at + clock.now_s % 7.0,
                    Quality.OK, clock.now_s)
            for point, quantity, at in CHANNELS
        )  # fmt: skip
        store.tick()
        clock.now_s += 1.0


def test_whatever_a_log_gains_or_changes_comes_over(ready: str, tmp_path: Path) -> None:
    path, clock = tmp_path / "log.db", Clock(T0)
    with Store.open(path, now_s=clock) as store:
        hear(store, clock, 90)
        ship(path, ready)
        assert differences(path, ready) == []
        # Open minutes close, readings come late, a quality is found out, an event is corrected.
        hear(store, clock, 200)
        hear(store, clock, 5, late_s=3600.5)
        spike = Reading("tent", "plank-port", CHANNELS[2][1], T0 + 5.0, 0.0, Quality.OK, T0 + 5.0)
        store.note_quality(spike, Quality.SPIKE)
        kept = store.add_event(Event(EventKind.NOTE, clock.now_s, "tent", note="a\0b \U000f0000 ü"))
        ship(path, ready)
        assert differences(path, ready) == []
        store.add_event(Event(EventKind.NOTE, clock.now_s, "tent", note="c", corrects=kept.row))
        source, _ = store.begin_source("replay", "e" * 64, "n.csv")
        ship(path, ready)
        store.end_source(source, complete=True)
        ship(path, ready)
        assert differences(path, ready) == []
        # Thinning takes readings away that are in the copy already.
        clock.now_s += 500 * 86_400.0
        while store.thin_step(clock.now_s - 86_400.0, 400) is not None:
            pass
        ship(path, ready)
        assert differences(path, ready) == []
        assert log_rows(path)["minutes"]
    verified = filmcall("sessions", "verify", "--db", ready, "--no-calls")
    assert verified.code == 0, verified.out


def test_a_copy_that_was_away_for_hours_is_the_same_afterwards(ready: str, tmp_path: Path) -> None:
    """The entries of readings whose minutes have closed are gone by then; leaves bring them."""
    path, clock = tmp_path / "log.db", Clock(T0)
    with Store.open(path, now_s=clock) as store:
        hear(store, clock, 70)
        ship(path, ready)
        hear(store, clock, 700)
        (waiting,) = store.file.rows("SELECT count(*) FROM outbox WHERE what = 2")[0]
        assert 0 < waiting <= 70
        ship(path, ready)
        assert differences(path, ready) == []


def test_readings_that_came_by_themselves_do_not_come_again_with_their_leaf(
    tmp_path: Path,
) -> None:
    path, clock, stand, rows = tmp_path / "log.db", Clock(T0), Stand(), 0
    with Store.open(path, now_s=clock) as store:
        for _ in range(60):
            hear(store, clock, 10)
            while (batch := read_batch(store.file.connection, stand)) is not None:
                rows, stand = rows + len(batch.rows["readings"]), batch.stand
        assert rows == store.file.rows("SELECT count(*) FROM readings")[0][0]


def test_a_log_of_an_older_version_is_shipped_whole(
    night: Path, ready: str, tmp_path: Path
) -> None:
    """Version 6 had no outbox; before version 4 readings had no leaves, which stay without."""
    path = copied(night, tmp_path)
    with sqlite3.connect(path) as log:
        log.execute("DROP TRIGGER chain_into_outbox")
    on_file(
        path,
        statements(
            "DROP TABLE outbox",
            "DROP TABLE event_ids",
            "DROP TABLE IF EXISTS forecasts",
            "PRAGMA user_version = 6",
            "DELETE FROM leaves",
            "INSERT INTO outside SELECT 7, id, 9000000000000000, 5 FROM channels "
            "WHERE point = 'plank-starboard'",
            "INSERT INTO chain SELECT max(seq) + 1, 'outside', 7, 'none' FROM chain",
        ),
    )
    log.close()
    ship(path, ready)
    assert [line for line in differences(path, ready) if not line.startswith("reading")] == []
    rows = log_rows(path)
    (channel,) = (row[0] for row in rows["channels"] if row[3] == "plank-starboard")
    kept = {row for row in rows["readings"] if row[0] == channel}
    assert len(kept) > 300
    assert kept <= set(copy_rows(ready, rows["meta"][0][1])["readings"])


def test_a_row_with_other_values_is_counted_and_said_and_never_written_over(
    night: Path, ready: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    """One number with another time is such a row too: calls are not cut by month."""
    name = ready.rpartition("/")[2]
    path = copied(night, tmp_path)
    ship(path, ready)
    postgres.sql(
        "UPDATE filmcall.readings SET raw = 99 "
        "WHERE time_us = (SELECT min(time_us) FROM filmcall.readings);"
        "UPDATE filmcall.calls SET time_us = time_us + 1 WHERE id = 1;"
        "UPDATE filmcall.logs SET number = 0, seq = 0, hash = '', whole_from = 1",
        name,
    )
    of_99 = "SELECT count(*) FROM filmcall.readings WHERE raw = 99"
    changed = int(postgres.sql(of_99, name))
    ran = filmcall("ship", "--once", "--db", str(path), "--to", ready)
    assert ran.code == 1
    assert f"CONFLICT: {changed + 1} rows came with other values" in ran.out
    assert int(postgres.sql("SELECT count(*) FROM filmcall.conflicts", name)) == changed + 1
    assert int(postgres.sql("SELECT conflicts FROM filmcall.logs", name)) == changed + 1
    assert int(postgres.sql(of_99, name)) == changed
    read = filmcall("sessions", "verify", "--db", ready)
    assert read.code == 1
    assert "came again with other values" in read.err


def test_a_log_that_parted_from_its_copy_ships_nothing(
    night: Path, ready: str, tmp_path: Path
) -> None:
    clock = Clock(T0 + 90_000.0)
    (tmp_path / "older").mkdir()
    older = copied(night, tmp_path / "older")
    path = copied(night, tmp_path)
    for file, note in ((path, "one"), (older, "another")):
        with Store.open(file, now_s=clock) as store:
            if file == path:
                store.add_event(Event(EventKind.NOTE, clock.now_s, "tent", note=note))
                ship(path, ready)
                ran = filmcall("ship", "--once", "--db", str(older), "--to", ready)
                assert (ran.code, ran.out) == (2, "")
                assert "this file is an older copy" in ran.err
            else:
                for _ in range(3):
                    store.add_event(Event(EventKind.NOTE, clock.now_s, "tent", note=note))
    ran = filmcall("ship", "--once", "--db", str(older), "--to", ready)
    assert (ran.code, ran.out) == (2, "")
    assert "part at or before place" in ran.err
    assert differences(path, ready) == []


def test_a_link_that_was_taken_out_of_the_outbox_is_noticed(
    night: Path, ready: str, tmp_path: Path
) -> None:
    path = copied(night, tmp_path)
    on_file(path, statements("DELETE FROM outbox WHERE what = 0 AND row = 4"))
    ran = filmcall("ship", "--once", "--db", str(path), "--to", ready)
    assert ran.code == 2
    assert "place 4 of its chain is missing from its outbox" in ran.err


@pytest.mark.parametrize(
    "forgery",
    [
        "UPDATE readings SET quality = 'no number'",
        "UPDATE readings SET quality = 70000",
        "UPDATE readings SET raw = 'warm'",
        "UPDATE calls SET time_us = x'00ff' WHERE id = 1",
        "UPDATE leaves SET members = 'eight ch'",
        "UPDATE chain SET kind = 'unknown' WHERE seq = 9",
        "UPDATE outbox SET spans = x'00', what = 2 WHERE what = 1",
        "UPDATE events SET note = CAST(x'ff' AS TEXT) WHERE id = 1",
    ],
)
def test_a_row_that_no_filmcall_wrote_is_one_sentence(
    night: Path, ready: str, tmp_path: Path, forgery: str
) -> None:
    path = copied(night, tmp_path)
    on_file(path, statements("PRAGMA ignore_check_constraints = ON", forgery))
    ran = filmcall("ship", "--once", "--db", str(path), "--to", ready)
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 1


def test_a_log_laid_out_again_is_gone_on_with(night: Path, ready: str, tmp_path: Path) -> None:
    """A card is gone: the copy is the log now, and shipping goes on where it stands."""
    ship(night, ready)
    (path, _), said = lay_out(ready, tmp_path)
    assert said == []
    clock = Clock(T0 + 90_000.0)
    with Store.open(path, now_s=clock) as store:
        hear(store, clock, 100)
    assert ": 0 changes" not in ship(path, ready)
    assert differences(path, ready) == []
    assert filmcall("sessions", "verify", "--db", ready, "--no-calls").code == 0


def test_months_are_cut_and_a_time_that_no_clock_shows_has_a_place(
    ready: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    name = ready.rpartition("/")[2]
    path, clock = tmp_path / "log.db", Clock(T0)
    with Store.open(path, now_s=clock) as store:
        hear(store, clock, 3)
        hear(store, clock, 2, late_s=40 * 86_400.0)
        hear(store, clock, 2, late_s=T0)
        hear(store, clock, 1, late_s=-1e10)
    ship(path, ready)
    assert differences(path, ready) == []
    counts = dict(
        line.split("|")
        for line in postgres.sql(
            "SELECT tableoid::regclass, count(*) FROM filmcall.readings GROUP BY 1", name
        ).splitlines()
    )
    assert counts == {
        "filmcall.readings_2026_10": "8",
        "filmcall.readings_2026_11": "12",
        "filmcall.readings_rest": "12",
    }


def test_what_lay_in_the_default_partition_moves_when_its_month_is_made(
    ready: str, postgres: RealPostgres
) -> None:
    name = ready.rpartition("/")[2]
    at_us = round(T0 * 1e6)
    postgres.sql(f"INSERT INTO filmcall.readings VALUES ({at_us}, 1, 1, NULL, 1, NULL, 0)", name)
    postgres.sql(f"SELECT filmcall.make_month({at_us}); SELECT filmcall.make_month({at_us})", name)
    assert postgres.sql("SELECT tableoid::regclass FROM filmcall.readings", name) == (
        "filmcall.readings_2026_11"
    )


def test_retention_drops_whole_months_and_the_copy_says_so(
    night: Path, ready: str, postgres: RealPostgres
) -> None:
    name = ready.rpartition("/")[2]
    ship(night, ready)
    gone = postgres.sql("SELECT filmcall.give_up_before('2026-01-01')", name).splitlines()
    assert gone == ["leaves_2025_09", "minutes_2025_09", "readings_2025_09"]
    ran = filmcall("sessions", "verify", "--db", ready)
    gave = "readings, minute means and notes before 2026-01-01T00:00:00Z, by account 'owner' at 2"
    assert ran.code == 0, ran.out
    assert gave in ran.out
    assert gave in ran.err
    assert "5 calls and events are as they were written" in ran.out
    assert "held minute means that went with them" in ran.out
    assert 'given up in the database."' not in ran.out
    said = json.loads(filmcall("sessions", "verify", "--json", "--db", ready, "--no-calls").out)
    assert said["given_up"]["before"] == "2026-01-01T00:00:00Z"
    assert said["given_up"]["by"] == "owner"
    assert (said["problems"], said["thinned_minutes"]) == ([], 0)


# 2026-11-01 00:00 UTC, by `date -u -d 2026-11-01 +%s`.
NOVEMBER = 1_793_491_200.0


@pytest.fixture
def autumn(tmp_path: Path, ready: str, postgres: RealPostgres) -> Path:
    """A log over the end of a month, with an event before, whose October its copy gave up."""
    path, clock = tmp_path / "autumn.db", Clock(NOVEMBER - 900.0)
    with Store.open(path, now_s=clock) as store:
        hear(store, clock, 300)
        store.add_event(Event(EventKind.WASHED, clock.now_s, "tent", section="hull-port"))
        hear(store, clock, 1200)
        for kind in (EventKind.SESSION_STARTED, EventKind.COAT_STARTED):
            spec = "polyurethane-topcoat"
            store.add_event(Event(kind, clock.now_s, "tent", section="hull-port", spec=spec))
        # It comes when its month is over: one root joins leaves on both sides of the cut.
        for _ in range(60):
            hear(store, clock, 1, late_s=1800.5)
            hear(store, clock, 1)
        hear(store, clock, 300)
    ship(path, ready)
    postgres.sql("SELECT filmcall.give_up_before('2026-11-17')", ready.rpartition("/")[2])
    return path


def test_a_month_given_up_is_no_forgery_and_what_is_left_is_held_to_the_chain(
    autumn: Path, ready: str, postgres: RealPostgres
) -> None:
    name = ready.rpartition("/")[2]
    both_sides = (
        "SELECT count(*) FROM filmcall.given_leaves g WHERE EXISTS "
        "(SELECT 1 FROM filmcall.leaves l WHERE l.log = g.log AND l.root = g.root)"
    )
    assert int(postgres.sql(both_sides, name)) > 0
    seal = filmcall("sessions", "verify", "--json", "--no-calls", "--db", str(autumn))
    for _ in range(2):
        ran = filmcall("sessions", "verify", "--db", ready, "--seal", json.loads(seal.out)["head"])
        assert ran.code == 0, ran.out
        assert "before 2026-11-01T00:00:00Z, by account 'owner'" in ran.out
        assert "held minute means" not in ran.out
        ran = filmcall("review", "--json", "--db", ready)
        assert json.loads(ran.out)["chain_problems"] == [], ran.err
        # Again, with nothing left to give up.
        postgres.sql("SELECT filmcall.give_up_before('2026-11-01')", name)


@pytest.mark.parametrize(
    "forgery",
    [
        "UPDATE filmcall.events SET section = 'hull-stbd'",
        "DELETE FROM filmcall.events",
        "UPDATE filmcall.readings SET raw = raw + 3",
        "UPDATE filmcall.readings SET raw = raw + 3 WHERE time_us < 1793491260000000",
        "DELETE FROM filmcall.readings WHERE time_us % 7 = 0",
        "DELETE FROM filmcall.leaves; DELETE FROM filmcall.readings",
        "DELETE FROM filmcall.leaves WHERE id < 29891520 * 1048576::bigint + 1048576; "
        "DELETE FROM filmcall.readings WHERE time_us < 1793491260000000",
        "UPDATE filmcall.given_leaves SET hashes = substr(hashes, 33)",
    ],
)
def test_a_forgery_behind_what_was_given_up_is_found(
    autumn: Path, ready: str, postgres: RealPostgres, forgery: str
) -> None:
    postgres.sql(forgery, ready.rpartition("/")[2])
    ran = filmcall("sessions", "verify", "--no-calls", "--db", ready)
    assert ran.code == 1
    assert "The log is not as it was written" in ran.out


def test_a_chain_made_anew_up_to_what_was_given_up_is_found(
    autumn: Path, ready: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    """Its end stays as it was, so that the seal still holds; the hashes that were kept do not."""
    name = ready.rpartition("/")[2]
    forged = copied(autumn, tmp_path)
    change = "UPDATE {}events SET section = 'hull-stbd' WHERE kind = 'washed'"
    on_file(forged, statements(change.format("")))
    on_file(forged, rebuild)
    with sqlite3.connect(forged) as log:
        (event,) = log.execute("SELECT seq FROM chain WHERE kind = 'event'").fetchone()
        (root,) = log.execute(
            "SELECT min(seq) FROM chain WHERE kind = 'readings' AND seq > ?", (event,)
        ).fetchone()
        anew = log.execute("SELECT hash, seq FROM chain WHERE seq < ?", (root,)).fetchall()
    log.close()
    postgres.sql(change.format("filmcall."), name)
    for sha256, seq in anew:
        postgres.sql(f"UPDATE filmcall.chain SET hash = '{sha256}' WHERE seq = {seq}", name)
    ran = filmcall("sessions", "verify", "--no-calls", "--db", ready)
    assert ran.code == 1
    assert f"(place {root} of the chain) is not as it was written" in ran.out


def test_what_an_older_schema_gave_up_is_said_to_be_past_telling(
    database: str, postgres: RealPostgres, night: Path
) -> None:
    name = database.rpartition("/")[2]
    assert filmcall("ship", "--prepare", "--to", database).code == 0
    ship(night, database)
    postgres.sql("SELECT filmcall.give_up_before('2026-01-01')", name)
    postgres.sql("TRUNCATE filmcall.given_up, filmcall.given_leaves", name)
    ran = filmcall("sessions", "verify", "--no-calls", "--db", database)
    assert ran.code == 1
    assert "by an older filmcall, which kept no hashes of them" in ran.err


def test_which_log_is_meant_is_asked_where_there_are_several(
    night: Path, ready: str, tmp_path: Path
) -> None:
    ship(night, ready)
    with Store.open(tmp_path / "other.db", now_s=Clock(T0)) as store:
        store.add_event(Event(EventKind.NOTE, T0, "shed", note="n"))
        other = store.log_uuid
    ship(tmp_path / "other.db", ready)
    ran = filmcall("sessions", "--db", ready)
    assert ran.code == 2
    assert "holds 2 logs" in ran.err
    assert filmcall("sessions", "--db", ready, "--log", other[:8]).code == 0
    assert "has no log" in filmcall("sessions", "--db", ready, "--log", "zzz").err
    assert "--db is none" in filmcall("sessions", "--db", str(night), "--log", other).err


def test_the_last_hours_of_every_enclosure_are_told(ready: str, tmp_path: Path) -> None:
    clock = Clock(T0)
    with Store.open(tmp_path / "log.db", now_s=clock) as store:
        for hours, word in ((-30.0, "GO"), (-26.0, "HOLD"), (-2.0, "STOP")):
            body = json.dumps({"reasons": [{"text": f"why {word}"}]})
            at_s = T0 + 3600.0 * hours
            store.add_call(CallRow("tent", "all", at_s, word, "prep", "start", body))
    ship(tmp_path / "log.db", ready)
    found = calls_lately(ready, T0, 24.0)
    assert [(each.station, each.enclosure, each.call, each.reason) for each in found] == [
        ("owner", "tent", "HOLD", "why HOLD"),
        ("owner", "tent", "STOP", "why STOP"),
    ]
    assert [each.time_s for each in found] == [T0 - 26 * 3600.0, T0 - 2 * 3600.0]


def test_two_shippers_of_one_log_put_nothing_in_twice(night: Path, ready: str) -> None:
    log = sqlite3.connect(night, isolation_level=None)
    (uuid,) = log.execute("SELECT value FROM meta").fetchone()
    one, other = (Copy.open(ready, uuid, SCHEMA_VERSION) for _ in range(2))
    first = read_batch(log, one.stand, 100)
    assert first is not None
    one.apply(first)
    with pytest.raises(ship_database.DatabaseAway, match="another shipper"):
        other.apply(first)
    for each in (one, other):
        each.close()
    log.close()
    ship(night, ready)
    assert differences(night, ready) == []


def test_a_log_that_was_begun_anew_under_its_name_is_another(ready: str, tmp_path: Path) -> None:
    """As after damage: the file is set aside, and the watch begins a new one."""
    path, shipper = tmp_path / "log.db", Shipper(ready, tmp_path / "log.db")
    for number in range(2):
        with Store.open(path, now_s=Clock(T0)) as store:
            store.add_event(Event(EventKind.NOTE, T0, "tent", note=str(number)))
        while shipper.step() is not None:
            pass
        aside = tmp_path / f"aside-{number}.db"
        path.rename(aside)
        assert differences(aside, ready) == []
    with pytest.raises(LogMissing):
        shipper.step()
    shipper.close()
    assert len(log_rows(aside)["events"]) == 1
