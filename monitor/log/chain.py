"""The chain of hashes over calls, events, calibrations and thinnings: it shows later changes."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import dataclass

# The columns that a hash covers. A later column needs a kind of its own: the hashes of the rows
# already kept must come out the same for ever.
_COVERED: dict[str, tuple[str, tuple[str, ...]]] = {
    kind: (table, tuple(columns.split()))
    for kind, table, columns in (
        (
            "call",
            "calls",
            "source enclosure section time_us call stage question body logged_us",
        ),
        (
            "event",
            "events",
            "source kind time_us enclosure section note spec coat batch amount_ml thinner_pct "
            "method what value unit recorded_us corrects withdrawn station",
        ),
        (
            "calibration",
            "calibrations",
            "enclosure point quantity made_us body logged_us",
        ),
        (
            "thinning",
            "thinnings",
            "channel from_us to_us readings minutes keep_days thinned_us",
        ),
        (
            "event-spec",
            "event_specs",
            "id sha256",
        ),
    )
}


@dataclass(frozen=True, slots=True)
class ChainProblem:
    """One place where the log is not as it was kept.

    Attributes:
        seq: place in the chain, or None where a row has no place in it.
        kind: `call`, `event`, `calibration`, `thinning`, `spec` or `chain`.
        row: the row, or None.
        text: one sentence to show.
    """

    seq: int | None
    kind: str
    row: int | None
    text: str


def start_hash(log_uuid: str) -> str:
    """Return the hash before the first row, which ties a chain to its file."""
    return hashlib.sha256(f"filmcall log {log_uuid}".encode()).hexdigest()


def link(before: str, kind: str, row: int, content: dict[str, object]) -> str:
    """Return the hash of a row that follows another.

    Args:
        before: the hash of the row before, or `start_hash`.
        kind: what the row is.
        row: its number in its table.
        content: its columns by name.

    Returns:
        SHA-256 over the hash before and the row as canonical JSON (sorted keys, no spaces).
    """
    text = json.dumps(
        {"kind": kind, "row": row, **{f"c.{name}": value for name, value in content.items()}},
        sort_keys=True,
        separators=(",", ":"),
        ensure_ascii=True,
    )
    return hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()


def _content(connection: sqlite3.Connection, kind: str, row: int) -> dict[str, object] | None:
    table, columns = _COVERED[kind]
    found = connection.execute(
        f"SELECT {', '.join(columns)} FROM {table} WHERE id = ?", (row,)
    ).fetchone()
    return None if found is None else dict(zip(columns, found, strict=True))


def head(connection: sqlite3.Connection) -> tuple[int, str]:
    """Return the last place of the chain and its hash; (0, start hash) for an empty one."""
    found = connection.execute("SELECT seq, hash FROM chain ORDER BY seq DESC LIMIT 1").fetchone()
    if found is not None:
        return int(found[0]), str(found[1])
    (log_uuid,) = connection.execute("SELECT value FROM meta WHERE key = 'uuid'").fetchone()
    return 0, start_hash(log_uuid)


def append(connection: sqlite3.Connection, kind: str, row: int) -> None:
    """Add a row just inserted to the chain; the caller holds the write lock (BEGIN IMMEDIATE)."""
    seq, before = head(connection)
    # Read back, so that what is hashed is what the file holds and not what was meant.
    content = _content(connection, kind, row)
    if content is None:
        raise LookupError(f"{kind} row {row} is not in the log")
    connection.execute(
        "INSERT INTO chain VALUES (?, ?, ?, ?)",
        (seq + 1, kind, row, link(before, kind, row, content)),
    )


def stands(connection: sqlite3.Connection, kind: str, row: int) -> bool:
    """Return whether one row is as it was kept, going by its own link of the chain."""
    place = connection.execute(
        "SELECT seq, hash FROM chain WHERE kind = ? AND row = ?", (kind, row)
    ).fetchone()
    content = _content(connection, kind, row)
    if place is None or content is None:
        return False
    found = connection.execute("SELECT hash FROM chain WHERE seq = ?", (place[0] - 1,)).fetchone()
    if found is None:
        (log_uuid,) = connection.execute("SELECT value FROM meta WHERE key = 'uuid'").fetchone()
    before = start_hash(log_uuid) if found is None else str(found[0])
    return bool(link(before, kind, row, content) == place[1])


def verify(connection: sqlite3.Connection) -> list[ChainProblem]:
    """Walk the whole chain and return every place where the log is not as it was kept.

    A person who rewrites a row and then every hash after it leaves no trace inside the file:
    only `head`, noted elsewhere at the time, shows that. A report's footer is such a place.

    Args:
        connection: the open log.

    Returns:
        Problems in chain order, then rows without a place; empty for a sound log.
    """
    problems: list[ChainProblem] = []
    (log_uuid,) = connection.execute("SELECT value FROM meta WHERE key = 'uuid'").fetchone()
    before, last_seq = start_hash(log_uuid), 0
    for seq, kind, row, kept in connection.execute(
        "SELECT seq, kind, row, hash FROM chain ORDER BY seq"
    ):
        if seq != last_seq + 1:
            text = f"chain: {_numbered('place', last_seq + 1, seq - 1)} missing"
            problems.append(ChainProblem(seq, "chain", None, text))
        content = _content(connection, kind, row)
        if content is None:
            text = f"{kind} row {row}: it was kept at place {seq} and is gone"
            problems.append(ChainProblem(seq, kind, row, text))
        elif link(before, kind, row, content) != kept and seq == last_seq + 1:
            text = (
                f"{kind} row {row} at place {seq}: it, or a row before it, was changed afterwards"
            )
            problems.append(ChainProblem(seq, kind, row, text))
        before, last_seq = kept, seq
    problems.extend(_outside(connection))
    problems.extend(_specs(connection))
    return problems


def _numbered(what: str, first: int, last: int) -> str:
    return f"{what} {first} is" if first == last else f"{what}s {first} to {last} are"


def _outside(connection: sqlite3.Connection) -> list[ChainProblem]:
    problems = []
    for kind, (table, _) in _COVERED.items():
        strays = connection.execute(
            f"SELECT id FROM {table} WHERE id NOT IN (SELECT row FROM chain WHERE kind = ?) "
            f"ORDER BY id",
            (kind,),
        )
        for (row,) in strays:
            text = (
                f"{kind} row {row}: it has no place in the chain, so it was not put in by filmcall"
            )
            problems.append(ChainProblem(None, kind, row, text))
        # AUTOINCREMENT remembers the highest number ever given, so rows cut off the end show.
        given = connection.execute(
            "SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)
        ).fetchone()
        last = connection.execute("SELECT max(row) FROM chain WHERE kind = ?", (kind,)).fetchone()[
            0
        ]
        if given is not None and given[0] > (last or 0):
            text = f"{_numbered(kind + ' row', (last or 0) + 1, given[0])} cut off the end"
            problems.append(ChainProblem(None, kind, given[0], text))
    return problems


def _specs(connection: sqlite3.Connection) -> list[ChainProblem]:
    return [
        ChainProblem(None, "spec", None, f"spec {sha256[:12]}: its text was changed afterwards")
        for sha256, text in connection.execute("SELECT sha256, text FROM specs ORDER BY sha256")
        if hashlib.sha256(text.encode()).hexdigest() != sha256
    ]
