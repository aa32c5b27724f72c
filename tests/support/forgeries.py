"""An honest log of an invented night, and a table of ways in which a person with a tool forges it.

Each way says who can find it: the chain inside the file, or only a witness outside who holds a
seal from before. What is false before it comes in (a warmed probe) nothing finds.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.log import chain, leaves
from monitor.log.log import Store
from monitor.log.photos import Photo
from monitor.log.rows import AlarmRow, AlarmStep, Calibration, CallRow, Outage
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

MINUTE_S = 60.0
# 2026-11-12 18:00 UTC, a whole minute.
T0 = 1_794_506_400.0
OLD = T0 - 420.0 * 86_400.0
NIGHT_S = 3600.0
SPEC = 'name = "invented-topcoat"\n\n[limits]\ndew_margin_min = "3 K"\n'
LAXER = SPEC.replace("3 K", "1 K")
CHANNELS = (
    ("air-bow", Quantity.AIR_TEMP, 14.0),
    ("air-bow", Quantity.HUMIDITY, 78.0),
    ("plank-port", Quantity.SURFACE_TEMP, 12.0),
    ("plank-starboard", Quantity.SURFACE_TEMP, 13.0),
)
OTHER_LOG = "5b0e7c51-0000-4000-8000-000000000000"


class Clock:
    """A clock that the maker of the log moves on."""

    def __init__(self, now_s: float) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s


def _hear(store: Store, clock: Clock, from_s: float, seconds: float, every_s: float) -> None:
    """Take readings in as they come, and write them as the running program does."""
    while clock.now_s < from_s + seconds:
        store.add_readings(
            Reading("tent", point, quantity, clock.now_s, at + 0.001 * (clock.now_s % 97.0),
                    Quality.OK, clock.now_s)
            for point, quantity, at in CHANNELS
        )  # fmt: skip
        store.tick()
        clock.now_s += every_s


def honest(path: Path) -> None:
    """Make the log: an old half hour that was thinned, a job of one hour's night, a recording."""
    clock = Clock(OLD)
    with Store.open(path, now_s=clock) as store:
        _hear(store, clock, OLD, 1800.0, 10.0)
    clock.now_s = T0
    with Store.open(path, now_s=clock) as store:
        while store.thin_step(T0 - 400.0 * 86_400.0, 400) is not None:
            pass
        spec = store.keep_spec(SPEC)
        store.add_calibration(Calibration("tent", "air-bow", Quantity.HUMIDITY, T0, '{"off":-1}'))
        store.add_event(
            Event(EventKind.SESSION_STARTED, T0, "tent", note="Workboat", spec="invented-topcoat")
        )
        _hear(store, clock, T0, 600.0, 10.0)
        store.add_event(
            Event(
                EventKind.COAT_STARTED, clock.now_s, "tent", section="hull-port", spec_sha256=spec
            )
        )
        body = f'{{"facts":{{"spec_sha256":"{spec}"}},"reasons":[]}}'
        store.add_call(CallRow("tent", "hull-port", clock.now_s, "GO", "apply", "safe", body))
        _hear(store, clock, clock.now_s, 600.0, 10.0)
        spike = Reading(
            "tent", "plank-port", Quantity.SURFACE_TEMP, T0 + 700.0, 12.0, Quality.OK, T0 + 700.0
        )
        store.note_quality(spike, Quality.SPIKE)
        store.add_outage(
            Outage("broker-lost", T0 + 1200.0, T0 + 1500.0, "The broker was away.", "tent")
        )
        clock.now_s = T0 + 1500.0
        _hear(store, clock, clock.now_s, NIGHT_S - 1500.0, 10.0)
        # Typed in late: what a person did half an hour ago, with a picture of it.
        store.add_event(
            Event(EventKind.WASHED, clock.now_s - 1800.0, "tent", section="hull-port"),
            photo=Photo(f"{'0' * 64}.jpg", 1000),
        )
        harm = ("tent", "hull-port", "harmed", "dew_margin_min")
        for step in (AlarmStep.RANG, AlarmStep.SEEN):
            store.add_alarm(AlarmRow(*harm, step, clock.now_s, clock.now_s - 60.0, 1, text="Damp"))
        store.add_call(CallRow("tent", "hull-port", clock.now_s, "STOP", "flash", "safe", body))
        source, _ = store.begin_source("replay", "f" * 64, "night.csv")
        recorded = [(round((T0 + 10 * n) * 1e6), None, 11.5, None, 0) for n in range(60)]
        store.add_reading_rows("tent", "plank-port", Quantity.SURFACE_TEMP, recorded, source=source)
        store.end_source(source, complete=True)


def on_file(path: Path, change: Callable[[sqlite3.Connection], None]) -> None:
    """Change a log behind the program's back, with every guard put back as it stood."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA synchronous = OFF")
    guards = other.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY rowid"
    ).fetchall()
    for name, _ in guards:
        other.execute(f"DROP TRIGGER {name}")
    change(other)
    for _, sql in guards:
        with suppress(sqlite3.OperationalError):  # its table is gone
            other.execute(sql)
    other.close()


def statements(*sql: str) -> Callable[[sqlite3.Connection], None]:
    """Return a change that runs these one after the other."""

    def change(connection: sqlite3.Connection) -> None:
        for each in sql:
            connection.execute(each)

    return change


_PORT = "(SELECT id FROM channels WHERE point = 'plank-port' AND source = 1)"
_NIGHT_US = round(T0 * 1e6)
_MEANS_HALF = "time_us < (SELECT avg(time_us) FROM minutes)"


def _spec_swapped(connection: sqlite3.Connection) -> None:
    sha256 = hashlib.sha256(LAXER.encode()).hexdigest()
    connection.execute("UPDATE specs SET text = ?, sha256 = ?", (LAXER, sha256))


def _spec_swapped_everywhere(connection: sqlite3.Connection) -> None:
    old = hashlib.sha256(SPEC.encode()).hexdigest()
    new = hashlib.sha256(LAXER.encode()).hexdigest()
    connection.execute("UPDATE specs SET text = ?, sha256 = ?", (LAXER, new))
    connection.execute("UPDATE calls SET body = replace(body, ?, ?)", (old, new))
    for (table,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND sql LIKE '%sha256 TEXT%' "
        "AND name <> 'specs'"
    ).fetchall():
        connection.execute(f"UPDATE {table} SET sha256 = ? WHERE sha256 = ?", (new, old))


def _means_and_thinning_forged(connection: sqlite3.Connection) -> None:
    connection.execute(
        "INSERT INTO thinnings(channel, from_us, to_us, readings, minutes, keep_days, thinned_us) "
        f"SELECT {_PORT}, {_NIGHT_US}, {_NIGHT_US + 600_000_000}, count(*), 10, 400, "
        f"{_NIGHT_US + 3_600_000_000} FROM readings WHERE channel = {_PORT} "
        f"AND time_us BETWEEN {_NIGHT_US} AND {_NIGHT_US + 599_999_999}"
    )
    connection.execute(
        f"INSERT INTO minutes SELECT channel, avg(time_us), 0, count(*), 16, 15.9, 16.1, NULL, "
        f"max(time_us) FROM readings WHERE channel = {_PORT} AND time_us >= {_NIGHT_US} "
        f"AND time_us < {_NIGHT_US + 600_000_000} GROUP BY time_us / 60000000"
    )
    connection.execute(
        f"DELETE FROM readings WHERE channel = {_PORT} AND time_us >= {_NIGHT_US} "
        f"AND time_us < {_NIGHT_US + 600_000_000}"
    )


@dataclass(frozen=True, slots=True)
class Forgery:
    """One way to forge a log.

    Attributes:
        name: what was done.
        change: does it, on an open file.
        seal_only: no local chain can find it; a seal from before does.
    """

    name: str
    change: Callable[[sqlite3.Connection], None]
    seal_only: bool = False


def _by_sql(name: str, *sql: str) -> Forgery:
    return Forgery(name, statements(*sql))


READINGS = (
    _by_sql("hull 3 K warmer all night",
            f"UPDATE readings SET raw = raw + 3 WHERE channel = {_PORT} "
            f"AND time_us >= {_NIGHT_US}"),
    _by_sql("one reading of the hull 3 K warmer",
            f"UPDATE readings SET raw = raw + 3 WHERE channel = {_PORT} "
            f"AND time_us = {_NIGHT_US + 600_000_000}"),
    _by_sql("one reading changed in its last bit",
            f"UPDATE readings SET raw = 12.000000000000002 WHERE channel = {_PORT} "
            f"AND time_us = {_NIGHT_US + 600_000_000}"),
    _by_sql("calibrated value put beside the raw one",
            f"UPDATE readings SET calibrated = raw + 3 WHERE channel = {_PORT} "
            f"AND time_us >= {_NIGHT_US}"),
    _by_sql("bad quality on readings that were good",
            f"UPDATE readings SET quality = 3 WHERE channel = {_PORT} AND time_us >= {_NIGHT_US}"),
    _by_sql("a measured value made missing",
            f"UPDATE readings SET raw = NULL WHERE channel = {_PORT} "
            f"AND time_us = {_NIGHT_US + 600_000_000}"),
    _by_sql("arrival put ten minutes later",
            f"UPDATE readings SET received_us = time_us + 600000000 WHERE channel = {_PORT} "
            f"AND time_us >= {_NIGHT_US}"),
    _by_sql("an hour's readings shifted by a second",
            f"UPDATE readings SET time_us = time_us + 1000000 WHERE channel = {_PORT} "
            f"AND time_us >= {_NIGHT_US}"),
    _by_sql("one reading taken out",
            f"DELETE FROM readings WHERE channel = {_PORT} "
            f"AND time_us = {_NIGHT_US + 600_000_000}"),
    _by_sql("ten minutes of one probe taken out",
            f"DELETE FROM readings WHERE channel = {_PORT} AND time_us BETWEEN "
            f"{_NIGHT_US + 300_000_000} AND {_NIGHT_US + 900_000_000}"),
    _by_sql("every reading of one probe taken out",
            f"DELETE FROM readings WHERE channel = {_PORT}"),
    _by_sql("a reading put between two",
            f"INSERT INTO readings VALUES ({_PORT}, {_NIGHT_US + 605_000_000}, NULL, 15, NULL, 0)"),
    _by_sql("readings put into the broker's outage",
            *(f"INSERT INTO readings VALUES ({_PORT}, {_NIGHT_US + s * 1_000_000}, NULL, 15, NULL, "
              f"0)" for s in range(1300, 1400, 10))),
    _by_sql("readings of an hour that nobody measured",
            *(f"INSERT INTO readings VALUES ({_PORT}, {_NIGHT_US - s * 1_000_000}, NULL, 15, NULL, "
              f"0)" for s in range(10, 3600, 10))),
    _by_sql("readings put on after the end, hours of them",
            *(f"INSERT INTO readings VALUES ({_PORT}, {_NIGHT_US + s * 1_000_000}, NULL, 15, NULL, "
              f"0)" for s in range(3600, 14_400, 10))),
    _by_sql("two probes' readings exchanged",
            f"UPDATE readings SET channel = -1 WHERE channel = {_PORT}",
            f"UPDATE readings SET channel = {_PORT} WHERE channel = (SELECT id FROM channels "
            "WHERE point = 'plank-starboard')",
            "UPDATE readings SET channel = (SELECT id FROM channels "
            "WHERE point = 'plank-starboard') WHERE channel = -1"),
    _by_sql("two minutes of one probe exchanged",
            f"UPDATE readings SET time_us = time_us + 1 WHERE channel = {_PORT} "
            f"AND time_us >= {_NIGHT_US + 600_000_000} AND time_us < {_NIGHT_US + 660_000_000}"),
    _by_sql("a spike's note taken away", "DELETE FROM reading_notes"),
    _by_sql("a spike's note changed to ok", "UPDATE reading_notes SET quality = 0"),
    _by_sql("a note that cold readings were spikes",
            f"INSERT INTO reading_notes SELECT channel, time_us, time_us, 5 FROM readings "
            f"WHERE channel = {_PORT} AND time_us >= {_NIGHT_US + 2_000_000_000}"),
    _by_sql("a recording's readings changed",
            "UPDATE readings SET raw = raw + 3 WHERE channel IN (SELECT id FROM channels "
            "WHERE source > 1)"),
    _by_sql("a recording's readings taken out with their leaves",
            "DELETE FROM readings WHERE channel IN (SELECT id FROM channels WHERE source > 1)",
            "DELETE FROM leaves WHERE channel IN (SELECT id FROM channels WHERE source > 1)"),
    _by_sql("a reading changed and its leaf taken out",
            f"UPDATE readings SET raw = raw + 3 WHERE channel = {_PORT} "
            f"AND time_us = {_NIGHT_US + 600_000_000}",
            f"DELETE FROM leaves WHERE channel = {_PORT} "
            f"AND id / 1048576 = {(_NIGHT_US + 600_000_000) // 60_000_000}"),
    _by_sql("readings and every leaf and root of them taken out",
            "DELETE FROM readings", "DELETE FROM leaves", "DELETE FROM roots"),
)  # fmt: skip
THINNED = (
    _by_sql("a thinned mean 3 K warmer", "UPDATE minutes SET mean = mean + 3, high = high + 3"),
    _by_sql("the lowest of a thinned minute raised", "UPDATE minutes SET low = mean"),
    _by_sql("the count of a thinned minute changed", "UPDATE minutes SET count = count + 1"),
    _by_sql("thinned minutes taken out", f"DELETE FROM minutes WHERE {_MEANS_HALF}"),
    _by_sql("a thinned minute put in",
            "INSERT INTO minutes SELECT channel, time_us - 600000000 * 60, quality, count, mean, "
            "low, high, raw_mean, known_us FROM minutes LIMIT 1"),
    _by_sql("a thinning's record taken out", "DELETE FROM thinnings WHERE id = 2"),
    Forgery("last night thinned to warmer means", _means_and_thinning_forged),
)  # fmt: skip
NAMES = (
    _by_sql("port and starboard swapped by their names",
            "UPDATE channels SET point = 'x' WHERE point = 'plank-port' AND source = 1",
            "UPDATE channels SET point = 'plank-port' WHERE point = 'plank-starboard'",
            "UPDATE channels SET point = 'plank-starboard' WHERE point = 'x'"),
    _by_sql("a probe moved to another enclosure",
            "UPDATE channels SET enclosure = 'shed' WHERE point = 'plank-port' AND source = 1"),
    _by_sql("air passed off as a hull",
            "UPDATE channels SET quantity = 'surface_temp', point = 'plank-bow' "
            "WHERE quantity = 'air_temp'"),
    _by_sql("a recording passed off as live",
            "UPDATE channels SET source = 1, point = 'plank-bow' WHERE source > 1"),
    _by_sql("a recording's file exchanged by its digest",
            f"UPDATE sources SET digest = '{'e' * 64}' WHERE id > 1"),
    _by_sql("a recording's title changed", "UPDATE sources SET title = 'day.csv' WHERE id > 1"),
    _by_sql("a recording said to be unfinished", "UPDATE sources SET complete = 0 WHERE id > 1"),
    _by_sql("a source put in by hand",
            "INSERT INTO sources VALUES (9, 'replay', 'd', 'other.csv', 0, 1)"),
    _by_sql("a channel put in by hand",
            "INSERT INTO channels VALUES (99, 1, 'tent', 'plank-bow', 'surface_temp')"),
    _by_sql("a channel taken out with its readings",
            f"DELETE FROM readings WHERE channel = {_PORT}",
            "DELETE FROM channels WHERE point = 'plank-port' AND source = 1"),
    Forgery("a laxer spec with its hash computed again", _spec_swapped),
    Forgery("a laxer spec, named by the calls too", _spec_swapped_everywhere),
    _by_sql("a spec put in by hand",
            f"INSERT INTO specs VALUES ('{hashlib.sha256(LAXER.encode()).hexdigest()}', '{LAXER}', "
            "0)"),
    _by_sql("a spec taken out", "DELETE FROM specs"),
    _by_sql("a coat's spec taken off it", "DELETE FROM event_specs"),
    _by_sql("when a spec was first seen",
            "UPDATE specs SET first_seen_us = first_seen_us - 864000000000"),
    _by_sql("an outage taken out", "DELETE FROM outages"),
    _by_sql("an outage made shorter", "UPDATE outages SET to_us = from_us + 1000000"),
    _by_sql("an outage put in over the cold hours",
            f"INSERT INTO outages VALUES (9, 1, 'broker-lost', 'tent', NULL, {_NIGHT_US}, "
            f"{_NIGHT_US + 1}, 'The broker was away.', {_NIGHT_US})"),
    _by_sql("a calibration changed", "UPDATE calibrations SET body = '{\"off\":3}'"),
)  # fmt: skip
CALLS = (
    _by_sql("a STOP made GO", "UPDATE calls SET call = 'GO' WHERE call = 'STOP'"),
    _by_sql("a call's reasons changed", "UPDATE calls SET body = '{}' WHERE id = 1"),
    _by_sql("a call taken out", "DELETE FROM calls WHERE id = 1"),
    _by_sql("a call taken out with its place",
            "DELETE FROM calls WHERE id = 1", "DELETE FROM chain WHERE kind = 'call' AND row = 1"),
    _by_sql("an event's time changed", "UPDATE events SET time_us = time_us - 3600000000"),
    _by_sql("an event typed in late passed off as timely",
            "UPDATE events SET recorded_us = time_us WHERE kind = 'washed'"),
    _by_sql("an event taken out", "DELETE FROM events WHERE kind = 'washed'"),
    _by_sql("an event put in by hand",
            "INSERT INTO events SELECT 90, source, 'sanded', time_us, enclosure, section, note, "
            "spec, coat, batch, amount_ml, thinner_pct, method, what, value, unit, recorded_us, "
            "corrects, withdrawn, station FROM events WHERE id = 1"),
    _by_sql("an alarm that rang taken out", "DELETE FROM alarms WHERE step = 'rang'"),
    _by_sql("an alarm passed off as seen", "UPDATE alarms SET step = 'seen'"),
    _by_sql("when an alarm rang", "UPDATE alarms SET time_us = time_us - 600000000"),
    _by_sql("an alarm put in by hand",
            "INSERT INTO alarms SELECT 90, enclosure, section, fact, cause, step, time_us, "
            "since_us, count, event, text, logged_us FROM alarms WHERE id = 1"),
    _by_sql("a photo exchanged for another", f"UPDATE photos SET name = '{'1' * 64}.jpg'"),
    _by_sql("a photo taken off its event", "DELETE FROM photos"),
    _by_sql("two places of the chain exchanged",
            "UPDATE chain SET seq = -1 WHERE seq = 2", "UPDATE chain SET seq = 2 WHERE seq = 3",
            "UPDATE chain SET seq = 3 WHERE seq = -1"),
    _by_sql("another log's name", f"UPDATE meta SET value = '{OTHER_LOG}' WHERE key = 'uuid'"),
    _by_sql("the last rows cut off, the counters left",
            "DELETE FROM chain WHERE seq > (SELECT max(seq) - 3 FROM chain)",
            "DELETE FROM calls WHERE id > 1"),
)  # fmt: skip
SCHEMA = (
    Forgery("a trigger that warms new readings", statements(
        "CREATE TRIGGER warm AFTER INSERT ON calls BEGIN "
        "UPDATE readings SET raw = raw + 3 WHERE 0; END")),
    Forgery("a view beside the tables", statements(
        "CREATE VIEW warm AS SELECT channel, time_us, raw + 3 AS raw FROM readings")),
    Forgery("a table replaced by a view of it", statements(
        "ALTER TABLE outages RENAME TO cold",
        "CREATE VIEW outages AS SELECT * FROM cold WHERE 0")),
    Forgery("a column with a default put on", statements(
        "ALTER TABLE calls ADD COLUMN warm REAL DEFAULT 3")),
    Forgery("an index more", statements("CREATE INDEX warm ON readings(raw)")),
    Forgery("an index that makes rows unique taken off", statements("DROP INDEX calls_once")),
)  # fmt: skip


def _leaves_anew(connection: sqlite3.Connection) -> None:
    for row, channel, kind, members in connection.execute(
        "SELECT id, channel, kind, members FROM leaves"
    ).fetchall():
        name, minute = leaves.name_of(connection, channel), row // leaves.IN_A_MINUTE
        if kind == leaves.OF_NOTES:
            sha256 = leaves.notes_hash(name, minute, members)
        else:
            rows = leaves.rows_of(connection, channel, minute)
            others = connection.execute(
                "SELECT members FROM leaves WHERE channel = ? AND kind = ? AND id / ? = ? "
                "AND id <> ? AND members IS NOT NULL",
                (channel, kind, leaves.IN_A_MINUTE, minute, row),
            )
            named = {at for (each,) in others for at in leaves.times_in(each)}
            if members is not None:
                rows = [each for each in rows if each[0] in leaves.times_in(members)]
            else:
                rows = [each for each in rows if each[0] not in named]
            sha256 = leaves.readings_hash(name, minute, members, rows)
        connection.execute("UPDATE leaves SET sha256 = ? WHERE id = ?", (sha256, row))


def rebuild(connection: sqlite3.Connection) -> None:
    """Make every leaf, root and link anew, as a forger can who has the program."""
    places = connection.execute("SELECT kind, row FROM chain ORDER BY seq").fetchall()
    _leaves_anew(connection)
    connection.execute("DELETE FROM chain")
    for kind, row in places:
        if chain.content_of(connection, kind, row) is not None:
            chain.append(connection, kind, row)


def _and_rebuilt(name: str, *sql: str) -> Forgery:
    def change(connection: sqlite3.Connection) -> None:
        statements(*sql)(connection)
        rebuild(connection)

    return Forgery(f"{name}, and the chain rebuilt", change, seal_only=True)


def _tail_cut(connection: sqlite3.Connection) -> None:
    """Take the last half hour out: readings, leaves, roots, calls, events and the counters."""
    cut_us = _NIGHT_US + 1_800_000_000
    first = f"SELECT min(id) FROM roots WHERE made_us >= {cut_us}"
    (seq,) = connection.execute(
        f"SELECT seq FROM chain WHERE kind = 'readings' AND row = ({first})"
    ).fetchone()
    gone = connection.execute("SELECT kind, row FROM chain WHERE seq >= ?", (seq,)).fetchall()
    connection.execute(f"DELETE FROM readings WHERE time_us >= {cut_us} - 120000000")
    connection.execute(f"DELETE FROM leaves WHERE root >= ({first})")
    tables = {"call": "calls", "event": "events", "readings": "roots", "source": "sources",
              "channel": "channels", "alarm": "alarms", "photo": "photos"}  # fmt: skip
    for kind, row in gone:
        if kind in tables:
            connection.execute(f"DELETE FROM {tables[kind]} WHERE id = ?", (row,))
        if kind == "channel":
            connection.execute("DELETE FROM readings WHERE channel = ?", (row,))
    connection.execute("DELETE FROM chain WHERE seq >= ?", (seq,))
    for table in ("calls", "events", "roots", "alarms"):
        connection.execute(
            f"UPDATE sqlite_sequence SET seq = (SELECT coalesce(max(id), 0) FROM {table}) "
            "WHERE name = ?",
            (table,),
        )


def _spec_swapped_and_rebuilt(connection: sqlite3.Connection) -> None:
    _spec_swapped_everywhere(connection)
    rebuild(connection)


FOUND_BY_A_SEAL = (
    _and_rebuilt("hull 3 K warmer all night",
                 f"UPDATE readings SET raw = raw + 3 WHERE channel = {_PORT}"),
    _and_rebuilt("a late event re-dated and passed off as timely",
                 "UPDATE events SET time_us = time_us - 3600000000, recorded_us = time_us "
                 "WHERE kind = 'washed'"),
    _and_rebuilt("a STOP made GO", "UPDATE calls SET call = 'GO'"),
    _and_rebuilt("an event taken out", "DELETE FROM events WHERE kind = 'washed'",
                 "UPDATE sqlite_sequence SET seq = seq - 1 WHERE name = 'events'"),
    _and_rebuilt("an outage taken out", "DELETE FROM outages"),
    _and_rebuilt("an alarm that rang taken out", "DELETE FROM alarms WHERE step = 'rang'"),
    _and_rebuilt("a photo exchanged for another", f"UPDATE photos SET name = '{'1' * 64}.jpg'"),
    _and_rebuilt("thinned means 3 K warmer", "UPDATE minutes SET mean = mean + 3"),
    _and_rebuilt("port and starboard swapped",
                 "UPDATE channels SET point = 'x' WHERE point = 'plank-port' AND source = 1",
                 "UPDATE channels SET point = 'plank-port' WHERE point = 'plank-starboard'",
                 "UPDATE channels SET point = 'plank-starboard' WHERE point = 'x'"),
    _and_rebuilt("another log's name", f"UPDATE meta SET value = '{OTHER_LOG}'"),
    Forgery("a laxer spec, named by the calls, and the chain rebuilt",
            _spec_swapped_and_rebuilt, seal_only=True),
    Forgery("the last half hour cut off with its counters", _tail_cut, seal_only=True),
)  # fmt: skip
FOUND_BY_THE_CHAIN = (*READINGS, *THINNED, *NAMES, *CALLS, *SCHEMA)


def guard_taken_off(path: Path) -> None:
    """Drop one trigger for good, which `on_file` would put back."""
    other = sqlite3.connect(path)
    other.execute("DROP TRIGGER readings_no_update")
    other.commit()
    other.close()


HARMLESS: Sequence[tuple[str, str]] = (
    ("vacuumed", "VACUUM"),
    ("analysed", "ANALYZE"),
    ("indexed anew", "REINDEX"),
    ("with its tail written back", "PRAGMA wal_checkpoint(TRUNCATE)"),
    ("with another journal", "PRAGMA journal_mode = DELETE"),
    ("optimised", "PRAGMA optimize"),
)
