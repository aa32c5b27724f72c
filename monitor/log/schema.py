"""The shape of the log file and the steps that bring an older one up to date; `open` opens it."""

from __future__ import annotations

import sqlite3
import time
import uuid
from collections.abc import Callable, Sequence

from monitor.log import chain, leaves, outbox
from rules.errors import FilmcallError

# Marks the file as ours, so that another program's database is never written to ("FCLG").
APPLICATION_ID = 0x46434C47

_VERSION_1 = """
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

CREATE TABLE sources(
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('live', 'replay', 'simulate')),
    digest TEXT NOT NULL,
    title TEXT NOT NULL,
    started_us INTEGER NOT NULL,
    complete INTEGER NOT NULL DEFAULT 0 CHECK (complete IN (0, 1)),
    UNIQUE (kind, digest)
);

CREATE TABLE channels(
    id INTEGER PRIMARY KEY,
    source INTEGER NOT NULL REFERENCES sources(id),
    enclosure TEXT NOT NULL,
    point TEXT NOT NULL,
    quantity TEXT NOT NULL,
    UNIQUE (source, enclosure, point, quantity)
);

-- received_us is NULL where it equals time_us, calibrated where it equals raw,
-- raw where nothing was measured (quality `missing`).
CREATE TABLE readings(
    channel INTEGER NOT NULL REFERENCES channels(id),
    time_us INTEGER NOT NULL,
    received_us INTEGER,
    raw REAL,
    calibrated REAL,
    quality INTEGER NOT NULL,
    PRIMARY KEY (channel, time_us)
) WITHOUT ROWID;

-- A quality found out later (a spike confirmed) is a fact of its own beside the reading.
CREATE TABLE reading_notes(
    channel INTEGER NOT NULL REFERENCES channels(id),
    time_us INTEGER NOT NULL,
    noted_us INTEGER NOT NULL,
    quality INTEGER NOT NULL,
    PRIMARY KEY (channel, time_us, noted_us, quality)
) WITHOUT ROWID;

CREATE TABLE calls(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    source INTEGER NOT NULL REFERENCES sources(id),
    enclosure TEXT NOT NULL,
    section TEXT NOT NULL,
    time_us INTEGER NOT NULL,
    call TEXT NOT NULL CHECK (call IN ('GO', 'HOLD', 'STOP')),
    stage TEXT NOT NULL,
    question TEXT NOT NULL,
    body TEXT NOT NULL,
    logged_us INTEGER NOT NULL
);
CREATE INDEX calls_by_time ON calls(source, enclosure, section, time_us);
-- A recording played again brings the same calls; live calls (source 1) are all kept.
CREATE UNIQUE INDEX calls_once
    ON calls(source, enclosure, section, time_us, call, stage, question) WHERE source <> 1;

CREATE TABLE events(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    source INTEGER NOT NULL REFERENCES sources(id),
    kind TEXT NOT NULL,
    time_us INTEGER NOT NULL,
    enclosure TEXT NOT NULL,
    section TEXT,
    note TEXT NOT NULL,
    spec TEXT,
    coat INTEGER,
    batch TEXT,
    amount_ml REAL,
    thinner_pct REAL,
    method TEXT,
    what TEXT,
    value REAL,
    unit TEXT,
    recorded_us INTEGER NOT NULL,
    corrects INTEGER REFERENCES events(id),
    withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
    station TEXT NOT NULL
);
CREATE INDEX events_by_time ON events(source, enclosure, time_us);
CREATE UNIQUE INDEX events_corrected_once ON events(corrects) WHERE corrects IS NOT NULL;

CREATE TABLE specs(
    sha256 TEXT PRIMARY KEY,
    text TEXT NOT NULL,
    first_seen_us INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE calibrations(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    enclosure TEXT NOT NULL,
    point TEXT NOT NULL,
    quantity TEXT NOT NULL,
    made_us INTEGER NOT NULL,
    body TEXT NOT NULL,
    logged_us INTEGER NOT NULL
);

CREATE TABLE outages(
    id INTEGER PRIMARY KEY,
    source INTEGER NOT NULL REFERENCES sources(id),
    what TEXT NOT NULL,
    enclosure TEXT,
    point TEXT,
    from_us INTEGER NOT NULL,
    to_us INTEGER,
    text TEXT NOT NULL,
    logged_us INTEGER NOT NULL
);

CREATE TABLE chain(
    seq INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    row INTEGER NOT NULL,
    hash TEXT NOT NULL,
    UNIQUE (kind, row)
);
"""

# A mean stands at the mean time of its readings, which lies inside their minute. raw_mean is NULL
# where it equals mean, mean where nothing was measured; to_us is the first instant left alone.
_VERSION_2 = """
CREATE TABLE thinnings(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    channel INTEGER NOT NULL REFERENCES channels(id),
    from_us INTEGER NOT NULL,
    to_us INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    minutes INTEGER NOT NULL,
    keep_days INTEGER NOT NULL,
    thinned_us INTEGER NOT NULL
);
CREATE INDEX thinnings_by_channel ON thinnings(channel, to_us);

CREATE TABLE minutes(
    channel INTEGER NOT NULL REFERENCES channels(id),
    time_us INTEGER NOT NULL,
    quality INTEGER NOT NULL,
    count INTEGER NOT NULL CHECK (count > 1),
    mean REAL,
    low REAL,
    high REAL,
    raw_mean REAL,
    known_us INTEGER NOT NULL,
    PRIMARY KEY (channel, time_us, quality)
) WITHOUT ROWID;

-- Thinning is the one way in which a reading goes: inside the newest thinning, which has its place
-- in the chain, and once the mean of its minute is there.
CREATE TRIGGER readings_no_delete BEFORE DELETE ON readings
WHEN NOT EXISTS (
    SELECT 1 FROM thinnings WHERE id = (SELECT max(id) FROM thinnings)
    AND channel = OLD.channel AND OLD.time_us >= from_us AND OLD.time_us < to_us
) OR NOT EXISTS (
    SELECT 1 FROM minutes WHERE channel = OLD.channel
    AND time_us >= OLD.time_us - (OLD.time_us % 60000000 + 60000000) % 60000000
    AND time_us < OLD.time_us - (OLD.time_us % 60000000 + 60000000) % 60000000 + 60000000
)
BEGIN SELECT RAISE(ABORT, 'a reading goes only by thinning'); END;

CREATE TRIGGER reading_notes_no_delete BEFORE DELETE ON reading_notes
WHEN EXISTS (SELECT 1 FROM readings WHERE channel = OLD.channel AND time_us = OLD.time_us)
BEGIN SELECT RAISE(ABORT, 'a note goes only with its reading'); END;

CREATE TRIGGER reading_notes_no_update BEFORE UPDATE ON reading_notes
BEGIN SELECT RAISE(ABORT, 'a row of reading_notes is never rewritten'); END;
"""

# A leaf is the hash of one channel's readings (kind 0) or notes (kind 1) of one minute: of those
# that `members` names, else of all that no other leaf names. A root joins the leaves of one moment
# into one link of the chain; `window_us` is the first minute that was still open, NULL where it
# says nothing of that. `outside`: readings up to `until_us` were written before there were leaves.
_VERSION_4 = """
CREATE TABLE roots(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    leaves INTEGER NOT NULL,
    window_us INTEGER,
    made_us INTEGER NOT NULL
);

-- id: the minute since 1970 times 2^20, and a number in it, so that leaves fill their pages.
CREATE TABLE leaves(
    id INTEGER PRIMARY KEY,
    channel INTEGER NOT NULL,
    root INTEGER NOT NULL,
    kind INTEGER NOT NULL,
    sha256 BLOB NOT NULL,
    members BLOB
);

CREATE TABLE spec_numbers(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    sha256 TEXT NOT NULL UNIQUE
);

CREATE TABLE outside(
    id INTEGER PRIMARY KEY,
    channel INTEGER NOT NULL UNIQUE REFERENCES channels(id),
    until_us INTEGER NOT NULL,
    upgraded_us INTEGER NOT NULL
);

CREATE TRIGGER sources_no_update BEFORE UPDATE OF id, kind, digest, title, started_us ON sources
BEGIN SELECT RAISE(ABORT, 'a row of sources is never rewritten'); END;

CREATE TRIGGER sources_no_delete BEFORE DELETE ON sources
BEGIN SELECT RAISE(ABORT, 'a row of sources is never rewritten'); END;
"""

# What became of each alarm: it rang, was seen (by that event), ended. Never rewritten.
_VERSION_5 = """
CREATE TABLE alarms(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    enclosure TEXT NOT NULL,
    section TEXT NOT NULL,
    fact TEXT NOT NULL,
    cause TEXT NOT NULL,
    step TEXT NOT NULL CHECK (step IN ('rang', 'seen', 'ended')),
    time_us INTEGER NOT NULL,
    since_us INTEGER NOT NULL,
    count INTEGER NOT NULL,
    event INTEGER REFERENCES events(id),
    text TEXT NOT NULL,
    logged_us INTEGER NOT NULL
);
CREATE INDEX alarms_by_fact ON alarms(enclosure, section, fact, cause, step);
"""

# What a press from elsewhere was called by whoever sent it, so that a repeat of it writes nothing.
_EVENT_IDS = """
CREATE TABLE event_ids(
    id INTEGER PRIMARY KEY REFERENCES events(id),
    enclosure TEXT NOT NULL,
    name TEXT NOT NULL,
    told_by TEXT NOT NULL,
    warnings TEXT NOT NULL,
    UNIQUE (enclosure, name)
);
"""

# Against a slip of a later version of this program; a person with a tool can drop these, and
# then the chain shows what was changed.
_NEVER_REWRITTEN = ("calls", "events", "calibrations", "chain", "specs")


def _create(connection: sqlite3.Connection) -> None:
    _run(connection, _VERSION_1)
    _forbid_rewriting(connection, _NEVER_REWRITTEN)
    connection.execute(
        "CREATE TRIGGER readings_no_update BEFORE UPDATE ON readings "
        "BEGIN SELECT RAISE(ABORT, 'a reading is never rewritten'); END"
    )
    connection.execute("INSERT INTO meta VALUES ('uuid', ?)", (str(uuid.uuid4()),))
    connection.execute("INSERT INTO sources VALUES (1, 'live', '', 'live', 0, 0)")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _thin(connection: sqlite3.Connection) -> None:
    _run(connection, _VERSION_2)
    _forbid_rewriting(connection, ("thinnings", "minutes"))


def _keep_specs_of_events(connection: sqlite3.Connection) -> None:
    connection.execute(
        "CREATE TABLE event_specs(id INTEGER PRIMARY KEY REFERENCES events(id), "
        "sha256 TEXT NOT NULL REFERENCES specs(sha256))"
    )
    _forbid_rewriting(connection, ("event_specs",))


def _chain_all(connection: sqlite3.Connection) -> None:
    """Give a place in the chain to all that had none; readings kept so far stand outside it."""
    _run(connection, _VERSION_4)
    _forbid_rewriting(
        connection, ("roots", "leaves", "spec_numbers", "outside", "outages", "channels")
    )
    now_us = time.time_ns() // 1000
    connection.execute(
        "INSERT INTO spec_numbers(sha256) SELECT sha256 FROM specs ORDER BY first_seen_us, sha256"
    )
    connection.execute(
        "INSERT INTO outside(channel, until_us, upgraded_us) "
        "SELECT id, newest_us, ?1 FROM (SELECT id, max("
        "coalesce((SELECT max(time_us) FROM readings WHERE channel = c.id), ?2), "
        "coalesce((SELECT max(to_us) - 1 FROM thinnings WHERE channel = c.id), ?2)) AS newest_us "
        "FROM channels c) WHERE newest_us > ?2 ORDER BY id",
        (now_us, -(2**62)),
    )
    for kind, rows in (
        ("source", "SELECT id FROM sources WHERE id <> 1 ORDER BY id"),
        ("source-end", "SELECT id FROM sources WHERE complete ORDER BY id"),
        ("channel", "SELECT id FROM channels ORDER BY id"),
        ("spec", "SELECT id FROM spec_numbers ORDER BY id"),
        ("outage", "SELECT id FROM outages ORDER BY id"),
        ("means", "SELECT id FROM thinnings ORDER BY id"),
        ("outside", "SELECT id FROM outside ORDER BY id"),
    ):
        for (row,) in connection.execute(rows).fetchall():
            chain.append(connection, kind, row)


def _keep_alarms(connection: sqlite3.Connection) -> None:
    _run(connection, _VERSION_5)
    _forbid_rewriting(connection, ("alarms",))


def _keep_photos(connection: sqlite3.Connection) -> None:
    connection.execute(
        "CREATE TABLE photos(id INTEGER PRIMARY KEY REFERENCES events(id), "
        "name TEXT NOT NULL, bytes INTEGER NOT NULL)"
    )
    _forbid_rewriting(connection, ("photos",))


def _keep_event_ids(connection: sqlite3.Connection) -> None:
    _run(connection, _EVENT_IDS)
    _forbid_rewriting(connection, ("event_ids",))


def _number_changes(connection: sqlite3.Connection) -> None:
    _run(connection, outbox.TABLE)
    outbox.fill(connection, leaves.IN_A_MINUTE, leaves.OPEN_MINUTES * leaves.MINUTE_US)


def _keep_forecasts(connection: sqlite3.Connection) -> None:
    """Keep forecasts as they were issued, to learn how far they were out; no call rests on one."""
    connection.execute(
        "CREATE TABLE forecasts(issued_us INTEGER PRIMARY KEY, heard_us INTEGER NOT NULL, "
        "hours TEXT NOT NULL)"
    )
    _forbid_rewriting(connection, ("forecasts",))


def _forbid_rewriting(connection: sqlite3.Connection, tables: Sequence[str]) -> None:
    for table in tables:
        for verb in ("UPDATE", "DELETE"):
            connection.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'a row of {table} is never rewritten'); END"
            )


def _run(connection: sqlite3.Connection, script: str) -> None:
    # sqlite3's executescript commits first, which would tear a migration in two.
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""


Migration = Callable[[sqlite3.Connection], None]

# Step n brings a log from version n to n + 1. A step, once released, is never changed.
MIGRATIONS: tuple[Migration, ...] = (
    _create,
    _thin,
    _keep_specs_of_events,
    _chain_all,
    _keep_alarms,
    _keep_photos,
    _keep_event_ids,
    _number_changes,
    _keep_forecasts,
)
SCHEMA_VERSION = len(MIGRATIONS)


class ForeignLog(FilmcallError):
    """A file is no log of this program, or a newer program's."""


def version_of(connection: sqlite3.Connection, name: str) -> int:
    """Return the schema version of an open file; 0 for an empty one.

    Args:
        connection: the open file.
        name: what to call it in a message.

    Returns:
        Version, 0 to `SCHEMA_VERSION`.

    Raises:
        ForeignLog: the file is another program's, or a newer version's.
    """
    # In one statement, since another process may be making the log.
    version, owner, tables = connection.execute(
        "SELECT user_version, application_id, (SELECT count(*) FROM sqlite_master) "
        "FROM pragma_user_version, pragma_application_id"
    ).fetchone()
    if owner != APPLICATION_ID and (tables or version or owner):
        raise ForeignLog(
            f"log {name}: it is a database, but not one of filmcall's; nothing was changed in it. "
            f"Give another file with --db."
        )
    return int(version)


def migrate(
    connection: sqlite3.Connection, name: str, steps: Sequence[Migration] = MIGRATIONS
) -> int:
    """Bring a log up to the version of these steps, all of it or nothing.

    Args:
        connection: the open file, in autocommit mode.
        name: what to call it in a message.
        steps: the migrations, from an empty file on.

    Returns:
        The version that the file had.

    Raises:
        ForeignLog: the file is another program's, or a newer version's.
        sqlite3.Error: the disk refuses.
    """
    had = version_of(connection, name)
    if had > len(steps):
        raise ForeignLog(
            f"log {name}: its schema is version {had}, above {len(steps)} that this program "
            f"knows; nothing was changed in it. Use the newer filmcall that wrote it."
        )
    if had == len(steps):
        return had
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have done it while this one waited for the lock.
        for step in steps[version_of(connection, name) :]:
            step(connection)
        connection.execute(f"PRAGMA user_version = {len(steps)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return had
