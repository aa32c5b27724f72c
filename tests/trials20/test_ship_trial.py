"""Logs shipped to a real PostgreSQL, with kills on both sides, and read back beside the originals.

Expected is what the station's own log says, value by value and by its seal. Nothing here knows the
tables: what is tried on the database is tried on every table that is found.
"""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.system.broker import RealBroker
from tests.system.conftest import need
from tests.system.test_watch import Feed
from tests.trials20.parts import (
    ROOT,
    Child,
    Station,
    environment,
    refusal,
    rows,
    run_here,
    until,
    uuid_of,
)
from tests.trials20.postgres import Postgres, postgres

Note = Callable[[Any], Any]
WORKBOAT = ROOT / "examples" / "workboat"
DAY_S = 86_400.0
STRANGE = "moon\t'; DROP TABLE events; --\n\\N \\. naïve \U0001f6a3 \x7f"


class Yard:
    """The database and the commands that talk to it as its owner."""

    def __init__(self) -> None:
        self.server = Postgres()
        self.env = environment(PGPASSFILE=str(self.server.pass_file))

    def run(
        self, *words: object, to: str = "", stdin: str = ""
    ) -> subprocess.CompletedProcess[str]:
        return run_here("ship", *words, "--to", to or self.server.owner, env=self.env, stdin=stdin)

    def ship(self, db: Path, to: str = "") -> None:
        ran = self.run("--db", db, "--once", to=to)
        assert ran.returncode == 0, ran.stderr

    def read(self, *words: object, db: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run a reading command on the shipped copy of a log."""
        log = () if db is None else ("--log", uuid_of(db))
        return run_here(*words, "--db", self.server.owner, *log, env=self.env)

    def grant(self, station: str) -> str:
        """Return the role that a station was given."""
        before = self.server.logins()
        ran = self.run("--grant", station, stdin="a-long-invented-word\na-long-invented-word\n")
        assert ran.returncode == 0, ran.stderr
        (role,) = self.server.logins() - before
        return role


@pytest.fixture(scope="module")
def yard() -> Iterator[Yard]:
    need("postgresql-15", postgres())
    made = Yard()
    try:
        made.server.make()
        yield made
    finally:
        made.server.close()


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of the invented night, with events, one of them corrected and one withdrawn."""
    db = tmp_path_factory.mktemp("night") / "night.db"
    replayed(db, rows_n=500)
    work(db, "mixed", "--section", "hull-port", "--batch", "A", "--amount", 500)
    work(db, "coat-started", "--section", "hull-port", "--batch", "A", "--method", "roller")
    work(db, "note", "--note", STRANGE)
    work(db, "note", "--note", "meant for starboard", "--corrects", 3)
    work(db, "coat-started", "--section", "hull-port", "--corrects", 2, "--withdraw")
    return db


def replayed(db: Path, rows_n: int, month: str = "2026-10") -> None:
    """Play the begin of the invented night, as of that month, into a log."""
    csv = db.with_name(f"night-{month}.csv")
    lines = (WORKBOAT / "night.csv").read_text().splitlines()[: rows_n + 1]
    csv.write_text("\n".join(lines).replace("2026-10-", f"{month}-") + "\n")
    config = WORKBOAT / "polytunnel.toml"
    ran = run_here("replay", csv, "--config", config, "--plain", "--db", db)
    assert ran.returncode == 0, ran.stderr


def work(db: Path, kind: str, *words: object) -> None:
    ran = run_here("event", kind, "--enclosure", "polytunnel", *words, "--db", db)
    assert ran.returncode == 0, ran.stderr


def same(yard: Yard, db: Path) -> None:
    """Hold the shipped copy against the log: readings, calls, review, seal."""
    for what in ("readings", "calls"):
        own = run_here("export", what, "--format", "jsonl", "--db", db)
        copy = yard.read("export", what, "--format", "jsonl", db=db)
        assert copy.returncode == 0, copy.stderr
        here, there = (
            [json.loads(line) for line in ran.stdout.splitlines()] for ran in (own, copy)
        )
        assert len(here) == len(there), what
        assert [pair for pair in zip(here, there, strict=True) if pair[0] != pair[1]][:3] == []
    own = run_here("sessions", "verify", "--json", "--no-calls", "--db", db)
    copy = yard.read("sessions", "verify", "--json", "--no-calls", db=db)
    assert (own.returncode, copy.returncode) == (0, 0), copy.stdout + copy.stderr
    one, other = json.loads(own.stdout), json.loads(copy.stdout)
    assert {k: v for k, v in one.items() if k != "time"} == {
        k: v for k, v in other.items() if k != "time"
    }


def test_what_is_no_database_or_not_prepared_is_refused_in_a_sentence(
    yard: Yard, night: Path
) -> None:
    nobody = "postgresql://keeper@127.0.0.1:9/yard"
    assert "127.0.0.1" in refusal(yard.run("--db", night, "--once", to=nobody))
    said = refusal(yard.run("--db", night, "--once"))
    assert "--prepare" in said
    refusal(yard.run("--db", night, "--once", to="not a url"))


def test_a_replayed_log_is_the_same_in_the_database_and_grows_there(
    yard: Yard, night: Path
) -> None:
    assert yard.run("--prepare").returncode == 0
    prepared = yard.server.content()
    assert yard.run("--prepare").returncode == 0, "a second time changes nothing"
    assert yard.server.content() == prepared
    yard.ship(night)
    same(yard, night)
    shipped = yard.server.content()
    yard.ship(night)
    grown = [name for name, (count, _) in yard.server.content().items() if count > shipped[name][0]]
    assert grown == [], "nothing new, nothing doubled"
    own = run_here("review", "--json", "--db", night)
    copy = yard.read("review", "--json", db=night)
    assert copy.returncode == 0, copy.stderr
    one, other = json.loads(own.stdout), json.loads(copy.stdout)
    one.pop("seal"), other.pop("seal")  # which is said with the minute
    assert one == other
    # What an earlier recording brings is late: it lies before all that was shipped.
    replayed(night, 200, "2026-09")
    work(night, "note", "--note", "taken back", "--corrects", 4, "--withdraw")
    yard.ship(night)
    same(yard, night)


def test_a_stations_role_appends_its_own_rows_and_nothing_else(
    yard: Yard, night: Path, tmp_path: Path
) -> None:
    yard.run("--prepare")
    mine, other = yard.grant("shed-pi"), yard.grant("creek-pi")
    db = tmp_path / "own.db"
    work(db, "note", "--note", "first of its own log")
    yard.ship(db, to=yard.server.url(mine))
    same(yard, db)
    work(db, "note", "--note", "second")
    before = yard.server.content()
    refusal(yard.run("--db", db, "--once", to=yard.server.url(other)))
    assert yard.server.content() == before, "a station that poses as another writes nothing"
    tried = 0
    for role in (mine, other):
        for table in yard.server.tables():
            (column,) = yard.server.ask(
                "SELECT quote_ident(attname) FROM pg_attribute WHERE attnum = 1 "
                f"AND attrelid = '{table}'::regclass"
            )[0]
            for statement in (
                f"UPDATE {table} SET {column} = {column}",
                f"DELETE FROM {table}",
                f"TRUNCATE {table} CASCADE",
                f"DROP TABLE {table} CASCADE",
            ):
                tried += 1
                assert _changed(yard.server, role, statement) == 0, statement
    assert tried > 8
    assert yard.server.content() == before
    for table, (count, _) in before.items():
        if count:
            _cannot_put_back(yard.server, other, table)
    assert yard.server.content() == before


def _changed(server: Postgres, role: str, statement: str) -> int:
    """Return how many rows a statement changed; row security lets one pass that meets none."""
    try:
        with server.connect(role) as line:
            return line.execute(statement).rowcount
    except psycopg.Error:
        return 0


def _cannot_put_back(server: Postgres, role: str, table: str) -> None:
    """Take a row of another's away as the chief, and let the role try to write it."""
    with server.connect() as chief:
        chief.execute("SET session_replication_role = replica")  # no trigger or key is in the way
        ((row, place, at),) = chief.execute(
            f"SELECT t::text, tableoid::regclass::text, ctid::text FROM {table} t LIMIT 1"
        ).fetchall()
        chief.execute(f"DELETE FROM {place} WHERE ctid = '{at}'")
        insert = f"INSERT INTO {table} OVERRIDING SYSTEM VALUE SELECT (%s::{table}).*"
        with server.connect(role) as line, pytest.raises(psycopg.Error):
            line.execute(insert, (row,))
        chief.execute(insert, (row,))


def test_rows_that_differ_from_what_was_shipped_are_a_conflict_and_said(
    yard: Yard, tmp_path: Path
) -> None:
    yard.run("--prepare")
    db, twin = tmp_path / "one.db", tmp_path / "twin.db"
    work(db, "note", "--note", "both have this")
    shutil.copy(db, twin)
    work(db, "note", "--note", "what the station wrote")
    work(twin, "note", "--note", "what its restored copy wrote")
    yard.ship(db)
    before = yard.server.content()
    ran = yard.run("--db", twin, "--once")
    said = ran.stdout + ran.stderr
    assert ran.returncode != 0, "other values under one identity pass for shipped"
    assert "Traceback" not in said
    assert "no such" not in said
    assert uuid_of(db) in said or "row" in said
    after = yard.server.content()
    assert all(after[name][0] >= count for name, (count, _) in before.items()), "nothing is lost"
    same(yard, db)

    altered = _alter_a_value(yard.server)
    found = yard.read("sessions", "verify", "--no-calls", db=db)
    assert found.returncode not in (0, 2), f"{altered} was altered, and nothing was found"


def _alter_a_value(server: Postgres) -> str:
    """Change the note of the newest event as only the database's chief can; return where."""
    for table in server.tables():
        count = server.ask(f"SELECT count(*) FROM {table} t WHERE t::text LIKE '%station wrote%'")
        if count[0][0]:
            texts = server.ask(
                "SELECT quote_ident(attname) FROM pg_attribute WHERE attnum > 0 AND NOT "
                f"attisdropped AND atttypid = 'text'::regtype AND attrelid = '{table}'::regclass"
            )
            with server.connect() as chief:
                chief.execute("SET session_replication_role = replica")
                for (column,) in texts:
                    chief.execute(
                        f"UPDATE {table} SET {column} = replace({column}, 'station wrote', "
                        f"'forger wrote') WHERE {column} LIKE '%station wrote%'"
                    )
            return table
    raise AssertionError("the note is in no table")


def test_a_running_station_is_shipped_through_kills_of_shipper_and_database(
    yard: Yard, broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    yard.run("--prepare")
    chance = random.Random(20)
    feed = closing(Feed(broker.port))
    replayed(tmp_path / "bench.db", 1500)  # so that there is something to ship when a kill comes
    station = closing(Station(tmp_path, broker.port)).ready()
    url = yard.server.owner
    words = ("ship", "--to", url, "--db", station.db)
    for number in range(5):
        shipper = closing(Child(*words, env=yard.env))
        time.sleep(chance.uniform(0.4, 1.6))
        work_at(station, f"round {number}")
        if number % 2:
            _old_readings(feed)
        if number < 3:
            yard.server.kill()
            time.sleep(chance.uniform(0.0, 0.3))
            yard.server.start()
            time.sleep(chance.uniform(0.0, 0.8))
        shipper.alive()
        assert "Traceback" not in shipper.said
        shipper.end()
    station.end()
    # Thinned after it was shipped: the next start of watch makes means of the old days.
    more = '[log]\nkeep_raw = "1 day"\n'
    station = closing(Station(tmp_path, broker.port, more=more))
    until("thinning", lambda: rows(station.db, "SELECT count(*) FROM minutes")[0][0], 10.0)
    shipper = closing(Child(*words, env=yard.env))
    time.sleep(2.0)
    shipper.alive()
    station.end()
    shipper.end()
    yard.ship(station.db)
    same(yard, station.db)
    assert rows(station.db, "SELECT count(*) FROM readings")[0][0] > 100
    history = yard.read("yard", "--history", "--hours", 24)
    assert history.returncode == 0, history.stderr
    assert "tent" in history.stdout
    assert "GO" in history.stdout


def work_at(station: Station, note: str) -> None:
    ran = run_here("event", "note", "--enclosure", "tent", "--note", note, "--db", station.db)
    assert ran.returncode == 0, ran.stderr


def _old_readings(feed: Feed) -> None:
    """Send what a logger sends that was out of reach for days: late rows, to be thinned soon."""
    now_s, sent = time.time(), []
    for days in (6, 5, 4, 3):
        for number in range(40):
            at_s = now_s - days * DAY_S + number * 5.0
            air = {"t": 12.0 + number / 16, "rh": 60.0 + number / 8, "at": at_s}
            sent.append(feed.client.publish("tent/air", json.dumps(air), 1))
    for each in sent:
        each.wait_for_publish(10.0)


def test_parquet_by_month_and_enclosure_has_every_reading(
    yard: Yard, night: Path, tmp_path: Path
) -> None:
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    out = tmp_path / "parquet"
    ran = run_here("export", "readings", "--format", "parquet", "--out", out, "--db", night)
    assert ran.returncode == 0, ran.stderr
    own = run_here("export", "readings", "--format", "jsonl", "--db", night)
    wanted = [json.loads(line) for line in own.stdout.splitlines()]
    files = sorted(out.rglob("*.parquet"))
    assert files
    assert all("polytunnel" in str(each.relative_to(out)) for each in files)
    read = pandas.concat([pandas.read_parquet(each, partitioning=None) for each in files])
    assert len(read) == len(wanted)
    assert sorted(read["value"].dropna()) == sorted(
        each["value"] for each in wanted if each["value"] is not None
    )
