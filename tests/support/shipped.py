"""Holds a log and its copy in a database against each other, value by value, row by row."""

from __future__ import annotations

import sqlite3
from collections import Counter
from pathlib import Path
from typing import Any

from monitor.ship.database import connect
from monitor.ship.tables import columns, unpacked

Rows = dict[str, list[tuple[Any, ...]]]


def log_rows(path: Path) -> Rows:
    """Return every row of a log's shipped tables, and of the table that names the log."""
    log = sqlite3.connect(path, isolation_level=None)
    try:
        found = {
            table: sorted(log.execute(f"SELECT {_listed(names)} FROM {table}").fetchall(), key=repr)
            for table, names in columns().items()
        }
        found["meta"] = log.execute("SELECT * FROM meta").fetchall()
    finally:
        log.close()
    # Every log has it from the first, and it has no place in the chain.
    found["sources"] = [row for row in found["sources"] if row[0] != 1]
    return found


def copy_rows(url: str, uuid: str) -> Rows:
    """Return every row of a copy, by table."""
    with connect(url) as database:
        (log,) = database.execute(
            "SELECT id FROM filmcall.logs WHERE uuid = %s", (uuid,)
        ).fetchone() or (0,)
        found = {}
        for table, names in columns().items():
            rows = database.execute(
                f"SELECT {_listed(names)} FROM filmcall.{table} WHERE log = {log}"
            ).fetchall()
            found[table] = sorted((tuple(map(unpacked, row)) for row in rows), key=repr)
        found["meta"] = [("uuid", uuid)]
    return found


def differences(path: Path, url: str) -> list[str]:
    """Return what a log and its copy differ in, in words; nothing where every value is the same."""
    log = log_rows(path)
    copy = copy_rows(url, log["meta"][0][1])
    said = []
    for table, rows in log.items():
        kept, there = Counter(rows), Counter(copy[table])
        lost, more = list((kept - there).elements()), list((there - kept).elements())
        if lost or more:
            said.append(
                f"{table}: {len(lost)} not in the copy {lost[:2]}, {len(more)} too many in it "
                f"{more[:2]}"
            )
    return said


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(f'"{name}"' for name in names)
