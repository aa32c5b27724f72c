"""Who may write what in the database: PostgreSQL's own refusals, by its SQLSTATE codes.

42501 is insufficient_privilege, 28P01 invalid_password (PostgreSQL 15, appendix A).
"""

from __future__ import annotations

import socket
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from command import filmcall
from forgeries import T0, Clock
from shipped import differences

from monitor.log.log import Store
from monitor.ship import database as ship_database
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading
from tests.system.postgres import RealPostgres

STATION, OTHER = "shed-pi", 'boat "house"'


def small_log(path: Path, note: str) -> str:
    """A log with an event and a few readings; return its UUID."""
    clock = Clock(T0)
    with Store.open(path, now_s=clock) as store:
        store.add_event(Event(EventKind.NOTE, T0, "tent", note=note))
        for _ in range(5):
            reading = Reading("tent", "air", Quantity.AIR_TEMP, clock.now_s, 20.0, Quality.OK, T0)
            store.add_readings([reading])
            clock.now_s += 60.0
            store.tick()
        return store.log_uuid


@pytest.fixture
def yard(
    database: str, postgres: RealPostgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[str]:
    """A database with two stations, passwords asked for, and the station's own in PGPASSFILE."""
    assert filmcall("ship", "--prepare", "--to", database).code == 0
    lines = []
    for station in (STATION, OTHER):
        ran = filmcall("ship", "--grant", station, "--to", database)
        assert ran.code == 0, ran.err
        lines.append(ran.out.strip())
    passes = tmp_path / "pgpass"
    passes.write_text("\n".join(lines) + "\n")
    passes.chmod(0o600)
    monkeypatch.setenv("PGPASSFILE", str(passes))
    postgres.allow("host all owner 127.0.0.1/32 trust", "host all all 127.0.0.1/32 scram-sha-256")
    yield database
    postgres.allow("host all all 127.0.0.1/32 trust")
    for station in (STATION, OTHER):
        name = station.replace('"', '""')
        postgres.sql(f'DROP OWNED BY "{name}"; DROP ROLE "{name}"', database.rpartition("/")[2])


def as_station(url: str, station: str) -> str:
    from urllib.parse import quote

    return url.replace("owner@", f"{quote(station)}@")


def test_a_station_ships_its_log_with_a_password_from_a_file(yard: str, tmp_path: Path) -> None:
    small_log(tmp_path / "log.db", "n")
    path, url = str(tmp_path / "log.db"), as_station(yard, STATION)
    ran = filmcall("ship", "--once", "--db", path, "--to", url)
    assert ran.code == 0, ran.err
    assert differences(tmp_path / "log.db", yard) == []
    assert filmcall("sessions", "verify", "--db", as_station(yard, STATION)).code == 0


def test_a_wrong_password_is_one_sentence_that_shows_none(
    yard: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small_log(tmp_path / "log.db", "n")
    url = as_station(yard, STATION).replace("@", ":wrong-secret@")
    ran = filmcall("ship", "--once", "--db", str(tmp_path / "log.db"), "--to", url)
    assert ran.code == 2
    assert "refuses this account or its password" in ran.err
    assert "wrong-secret" not in ran.err
    assert "can be read by every account of this machine" in ran.err


def test_a_station_cannot_pose_as_another(
    yard: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    path = tmp_path / "log.db"
    small_log(path, "n")
    assert (
        filmcall("ship", "--once", "--db", str(path), "--to", as_station(yard, STATION)).code == 0
    )
    ran = filmcall("ship", "--once", "--db", str(path), "--to", as_station(yard, OTHER))
    assert (ran.code, ran.out) == (2, "")
    assert "is the one of station 'shed-pi', so nothing was written" in ran.err
    # Nor by hand.
    log = int(postgres.sql("SELECT id FROM filmcall.logs", yard.rpartition("/")[2]))
    for sql in (
        f"INSERT INTO filmcall.calls VALUES ({log}, 9, 1, 't', 's', 1, 'GO', 'p', 'q', '', 1)",
        f"INSERT INTO filmcall.readings VALUES (1, {log}, 1, NULL, 1, NULL, 0)",
        f"INSERT INTO filmcall.readings_rest VALUES (1, {log}, 1, NULL, 1, NULL, 0)",
        f"SELECT filmcall.thin({log}, 1, '{{}}')",
        "UPDATE filmcall.logs SET station = session_user",
        "INSERT INTO filmcall.logs(uuid, schema) VALUES (gen_random_uuid(), 7)",
        "SELECT * FROM filmcall.readings_rest",
    ):
        with (
            ship_database.connect(as_station(yard, OTHER)) as other,
            pytest.raises(psycopg.errors.InsufficientPrivilege),
        ):
            other.execute(sql)
    assert differences(path, yard) == []
    # T0 is in November 2026.
    postgres.sql("SELECT filmcall.give_up_before('2026-12-01')", yard.rpartition("/")[2])
    for account, code in ((STATION, 0), (OTHER, 2)):
        assert filmcall("sessions", "verify", "--db", as_station(yard, account)).code == code
    with ship_database.connect(as_station(yard, OTHER)) as other:
        with pytest.raises(psycopg.Error, match="stands elsewhere"):
            other.execute("SELECT filmcall.advance(%s, 0, 1, 1, 1, '', 0, 7)", (log,))
        for table in ("logs", "events", "readings", "chain", "conflicts", "given_leaves"):
            assert other.execute(f"SELECT * FROM filmcall.{table}").fetchall() == []


def test_a_station_takes_nothing_back_from_its_own_log(yard: str, tmp_path: Path) -> None:
    path, url = tmp_path / "log.db", as_station(yard, STATION)
    small_log(path, "n")
    assert filmcall("ship", "--once", "--db", str(path), "--to", url).code == 0
    with ship_database.connect(url) as station:
        for sql in (
            "DELETE FROM filmcall.readings",
            "UPDATE filmcall.readings SET raw = 1",
            "DELETE FROM filmcall.events",
            "UPDATE filmcall.events SET note = 'other'",
            "UPDATE filmcall.chain SET hash = ''",
            "TRUNCATE filmcall.calls",
            "SELECT filmcall.give_up_before('2030-01-01')",
            "UPDATE filmcall.sources SET title = 'other'",
            "INSERT INTO filmcall.given_up(before_us) VALUES (9000000000000000)",
            "INSERT INTO filmcall.given_leaves VALUES (1, 1, '')",
            "DELETE FROM filmcall.given_leaves",
            "CREATE TABLE filmcall.mine(a int)",
            "SET ROLE owner",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                station.execute(sql)
    assert differences(path, yard) == []


def test_a_reader_reads_every_log_and_writes_nothing(
    yard: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    name = yard.rpartition("/")[2]
    for station, file in ((STATION, "a.db"), (OTHER, "b.db")):
        small_log(tmp_path / file, station)
        url = as_station(yard, station)
        assert filmcall("ship", "--once", "--db", str(tmp_path / file), "--to", url).code == 0
    postgres.sql("CREATE ROLE insurer LOGIN PASSWORD 'x'; GRANT filmcall_reader TO insurer", name)
    url = yard.replace("owner@", "insurer:x@")
    try:
        with sqlite3.connect(tmp_path / "b.db") as log:
            (uuid,) = log.execute("SELECT value FROM meta").fetchone()
        log.close()
        assert filmcall("sessions", "verify", "--db", url, "--log", uuid).code == 0
        ran = filmcall("ship", "--once", "--db", str(tmp_path / "a.db"), "--to", url)
        assert ran.code == 2
        assert "--grant STATION" in ran.err
    finally:
        postgres.sql("DROP OWNED BY insurer; DROP ROLE insurer", name)


def test_a_database_that_is_not_ready_or_newer_is_one_sentence(
    database: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    path = tmp_path / "log.db"
    small_log(path, "n")
    words = ("ship", "--once", "--db", str(path), "--to", database)
    assert "ship --prepare" in filmcall(*words).err
    assert "ready" in filmcall("ship", "--prepare", "--to", database).out
    assert "was up to date" in filmcall("ship", "--prepare", "--to", database).out
    postgres.sql("INSERT INTO filmcall.version VALUES (99)", database.rpartition("/")[2])
    for ran in (filmcall(*words), filmcall("ship", "--prepare", "--to", database)):
        assert ran.code == 2
        assert "Use the newer filmcall" in ran.err
    assert "no address" in filmcall("ship", "--once", "--to", "mysql://x:y@z/w").err


def test_a_name_that_is_somebody_elses_gets_no_station(database: str) -> None:
    assert filmcall("ship", "--prepare", "--to", database).code == 0
    ran = filmcall("ship", "--grant", "owner", "--to", database)
    assert ran.code == 2
    assert "no station's" in ran.err


def test_other_commands_want_the_logs_own_file(database: str) -> None:
    ran = filmcall("clocks", "--db", database)
    assert ran.code == 2
    assert "only review, export and sessions read a shipped copy" in ran.err


def test_a_password_made_over_a_socket_names_the_machine_and_no_folder() -> None:
    ours = socket.gethostname()
    found = [ship_database.named_host(each) for each in ("/var/run/postgresql", "@pg", None, "")]
    assert found == [ours] * 4
    assert ship_database.named_host("192.0.2.7") == "192.0.2.7"
