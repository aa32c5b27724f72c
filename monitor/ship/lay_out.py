"""A shipped copy laid out as a log again: the same tables, row numbers and seal, in a file.

What reads a log reads the copy so, and a station whose card is gone has its log back: shipping goes
on where the copy stands.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from monitor.log import leaves, outbox, schema
from monitor.log.given_up import CopyFile, GivenUp
from monitor.log.rows import LIVE
from monitor.ship.database import check_version, connect, errors_as_sentences, place
from monitor.ship.tables import columns, unpacked
from rules.errors import FilmcallError
from rules.text import counted, iso_utc

if TYPE_CHECKING:
    from monitor.ship.database import Connection

_ROWS_AT_ONCE = 10_000


class ShippedLog(NamedTuple):
    """One log in the database.

    Attributes:
        log: its number there.
        uuid: its name in the world.
        station: whose it is.
        number: the newest change that is there.
        conflicts: rows that came again with other values.
        readings_from_us: older readings were given up by retention, None for none [us].
    """

    log: int
    uuid: str
    station: str
    number: int
    conflicts: int
    readings_from_us: int | None


def shipped_logs(connection: Connection) -> list[ShippedLog]:
    """Return the logs that the caller may read, by station."""
    return [
        ShippedLog(*row)
        for row in connection.execute(
            "SELECT id, uuid::text, station, number, conflicts, readings_from_us "
            "FROM filmcall.logs ORDER BY station, first_at"
        ).fetchall()
    ]


def choose(logs: list[ShippedLog], wanted: str | None, where: str) -> ShippedLog:
    """Return the log that a person means: the only one, or the one whose UUID begins so.

    Raises:
        FilmcallError: none or several.
    """
    if not logs:
        raise FilmcallError(
            f"database {where} holds no log that this account may read, so there is nothing to "
            f"show. Ship one: filmcall ship --to URL"
        )
    found = [each for each in logs if wanted is None or each.uuid.startswith(wanted.lower())]
    if len(found) == 1:
        return found[0]
    names = ", ".join(f"{each.uuid} ({each.station})" for each in (found or logs)[:20])
    if wanted is None or found:
        raise FilmcallError(
            f"database {where} holds {len(found)} logs that may be meant, so none was read; name "
            f"one with --log: {names}"
        )
    raise FilmcallError(
        f"database {where} has no log {wanted!r}, so nothing was read; it holds: {names}"
    )


@contextmanager
def laid_out(url: str, wanted: str | None = None) -> Iterator[tuple[CopyFile, list[str]]]:
    """Lay a copy out in a temporary file that goes away afterwards.

    Args:
        url: of the database.
        wanted: UUID of the log, or its first digits; None for the only one.

    Yields:
        The file, and what has to be said of the copy.

    Raises:
        FilmcallError: the database cannot be read, or which log is meant is not known.
    """
    with tempfile.TemporaryDirectory(prefix="filmcall-", ignore_cleanup_errors=True) as folder:
        yield lay_out(url, Path(folder), wanted)


def lay_out(url: str, folder: Path, wanted: str | None = None) -> tuple[CopyFile, list[str]]:
    """Lay a copy out in a folder, as UUID.db, and return the file and what has to be said of it.

    Raises:
        FilmcallError: the database cannot be read, the file is there already, or which log is
            meant is not known.
    """
    with connect(url) as connection, errors_as_sentences(url):
        check_version(connection, url)
        with connection.transaction():
            # One moment of the copy, however long it takes.
            connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            log = choose(shipped_logs(connection), wanted, place(url))
            path = folder / f"{log.uuid}.db"
            if path.exists():
                raise FilmcallError(f"{path} is there already, so nothing was laid out over it")
            ours = sqlite3.connect(path, isolation_level=None)
            try:
                _fill(connection, log, ours, str(path))
            finally:
                ours.close()
            given_up = _given_up(connection, log)
    return CopyFile(path, given_up), _said(log, given_up)


def _given_up(connection: Connection, log: ShippedLog) -> GivenUp | None:
    if log.readings_from_us is None:
        return None
    found = connection.execute(
        "SELECT extract(epoch FROM at)::float8, by_whom FROM filmcall.given_up "
        "WHERE before_us = %s ORDER BY at DESC LIMIT 1",
        (log.readings_from_us,),
    ).fetchone()
    if found is None:
        return None
    hashes = connection.execute(
        "SELECT root, hashes FROM filmcall.given_leaves WHERE log = %s", (log.log,)
    )
    return GivenUp(log.readings_from_us / 1e6, found[0], found[1], dict(hashes.fetchall()))


def _fill(connection: Connection, log: ShippedLog, ours: sqlite3.Connection, name: str) -> None:
    # The file is made anew where this is cut short.
    ours.execute("PRAGMA synchronous = OFF")
    schema.migrate(ours, name)
    ours.execute("BEGIN IMMEDIATE")
    ours.execute("UPDATE meta SET value = ? WHERE key = 'uuid'", (log.uuid,))
    for table, names in columns().items():
        listed = ", ".join(f'"{each}"' for each in names)
        unless = f" AND id <> {LIVE}" if table == "sources" else ""
        marks = ", ".join("?" * len(names))
        with connection.cursor(name="lay_out", binary=True) as cursor:
            cursor.itersize = _ROWS_AT_ONCE
            cursor.execute(f"SELECT {listed} FROM filmcall.{table} WHERE log = {log.log}{unless}")
            while rows := cursor.fetchmany(_ROWS_AT_ONCE):
                ours.executemany(
                    f"INSERT INTO {table} VALUES ({marks})",
                    [tuple(map(unpacked, row)) for row in rows],
                )
    ours.execute("DELETE FROM outbox")
    outbox.fill(ours, leaves.IN_A_MINUTE, leaves.OPEN_MINUTES * leaves.MINUTE_US)
    # New changes get numbers that the copy has not seen.
    last = outbox.newest(ours)
    ours.execute("UPDATE outbox SET number = max(number, ?) WHERE number = ?", (log.number, last))
    ours.execute("COMMIT")


def _said(log: ShippedLog, given_up: GivenUp | None) -> list[str]:
    said = []
    if log.conflicts:
        said.append(
            f"log {log.uuid}: {counted(log.conflicts, 'row')} came again with other values than "
            f"the copy holds; the database's table filmcall.conflicts shows them"
        )
    if given_up is not None:
        said.append(f"log {log.uuid}: {given_up.words()}")
    elif log.readings_from_us is not None:
        said.append(
            f"log {log.uuid}: readings before {iso_utc(log.readings_from_us / 1e6, 0)} were given "
            f"up in the database by an older filmcall, which kept no hashes of them: `filmcall "
            f"sessions verify` cannot tell them from readings that were taken out"
        )
    return said
