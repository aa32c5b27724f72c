"""The chain of hashes over all that the log keeps; `verify` walks it and says what was changed."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass

from monitor.log import leaves, merkle

Content = dict[str, object]

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
        ("photo", "photos", "id name bytes"),
        ("event-id", "event_ids", "id enclosure name told_by warnings"),
        ("source", "sources", "kind digest title started_us"),
        ("source-end", "sources", "complete"),
        ("channel", "channels", "source enclosure point quantity"),
        (
            "outage",
            "outages",
            "source what enclosure point from_us to_us text logged_us",
        ),
        (
            "alarm",
            "alarms",
            "enclosure section fact cause step time_us since_us count event text logged_us",
        ),
        ("outside", "outside", "channel until_us upgraded_us"),
    )
}
_TIME = {
    "call": "logged_us",
    "event": "recorded_us",
    "calibration": "logged_us",
    "thinning": "thinned_us",
    "source": "started_us",
    "outage": "logged_us",
    "alarm": "logged_us",
    "outside": "upgraded_us",
    "spec": "first_seen_us",
    "readings": "made_us",
}


@dataclass(frozen=True, slots=True)
class Seal:
    """The chain up to a place, to be noted outside the log, where a forger cannot reach.

    Attributes:
        count: of the rows so far.
        sha256: the last one's hash, hexadecimal.
        time_us: when that row was written down, None for an empty chain [us].
    """

    count: int
    sha256: str
    time_us: int | None


def start_hash(log_uuid: str) -> str:
    """Return the hash before the first row, which ties a chain to its file."""
    return hashlib.sha256(f"filmcall log {log_uuid}".encode()).hexdigest()


def link(before: str, kind: str, row: int, content: Content) -> str:
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
        default=_no_json,
    )
    return hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()


def _no_json(value: object) -> str:
    # No column of ours holds bytes; a forger's may, and must not end the walk.
    return f"bytes {value!r}"


def content_of(connection: sqlite3.Connection, kind: str, row: int) -> Content | None:
    """Return what a link covers, as the file holds it now, or None where it is gone."""
    if kind in _SPECIAL:
        return _SPECIAL[kind](connection, row)
    table, columns = _COVERED[kind]
    found = connection.execute(
        f"SELECT {', '.join(columns)} FROM {table} WHERE id = ?", (row,)
    ).fetchone()
    return None if found is None else dict(zip(columns, found, strict=True))


def _spec(connection: sqlite3.Connection, row: int) -> Content | None:
    found = connection.execute(
        "SELECT sha256, text, first_seen_us FROM spec_numbers JOIN specs USING (sha256) "
        "WHERE id = ?",
        (row,),
    ).fetchone()
    names = ("sha256", "text", "first_seen_us")
    return None if found is None else dict(zip(names, found, strict=True))


def _readings(connection: sqlite3.Connection, row: int) -> Content | None:
    found = connection.execute(
        "SELECT leaves, window_us, made_us FROM roots WHERE id = ?", (row,)
    ).fetchone()
    if found is None:
        return None
    count, window_us, made_us = found
    joined = merkle.root(leaves.hashes_of_root(connection, row))
    return root_content(count, window_us, made_us, joined)


def root_content(count: int, window_us: int | None, made_us: int, joined: bytes) -> Content:
    """Return what the link of a root covers.

    Args:
        count: how many leaves it was made of.
        window_us: begin of the minutes that were still open, or None [us].
        made_us: when [us].
        joined: `merkle.root` of the leaves that are there, in the order of their rows.
    """
    return {
        "leaves": count,
        "window_us": window_us,
        "made_us": made_us,
        "root": joined.hex(),
    }


def _means(connection: sqlite3.Connection, row: int) -> Content | None:
    found = connection.execute(
        "SELECT channel, from_us, to_us FROM thinnings WHERE id = ?", (row,)
    ).fetchone()
    if found is None:
        return None
    return {"sha256": leaves.means_hash(connection, row, *found).hex()}


_SPECIAL: dict[str, Callable[[sqlite3.Connection, int], Content | None]] = {
    "spec": _spec,
    "readings": _readings,
    "means": _means,
}
KINDS = (*_COVERED, *_SPECIAL)
TABLES = {kind: table for kind, (table, _) in _COVERED.items()} | {
    "spec": "spec_numbers",
    "readings": "roots",
    "means": "thinnings",
}


def head(connection: sqlite3.Connection) -> tuple[int, str]:
    """Return the last place of the chain and its hash; (0, start hash) for an empty one."""
    found = connection.execute("SELECT seq, hash FROM chain ORDER BY seq DESC LIMIT 1").fetchone()
    if found is not None:
        return int(found[0]), str(found[1])
    return 0, start_hash(uuid_of(connection))


def uuid_of(connection: sqlite3.Connection) -> str:
    """Return the log's own name in the world."""
    return str(connection.execute("SELECT value FROM meta WHERE key = 'uuid'").fetchone()[0])


def append(
    connection: sqlite3.Connection, kind: str, row: int, content: Content | None = None
) -> None:
    """Add a row just inserted to the chain; the caller holds the write lock (BEGIN IMMEDIATE).

    Args:
        connection: the log.
        kind: of the row.
        row: its number.
        content: what is covered, where the caller has just read it; None to read it here.
    """
    seq, before = head(connection)
    # Read back, so that what is hashed is what the file holds and not what was meant.
    content = content_of(connection, kind, row) if content is None else content
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
    content = content_of(connection, kind, row)
    if place is None or content is None:
        return False
    found = connection.execute("SELECT hash FROM chain WHERE seq = ?", (place[0] - 1,)).fetchone()
    before = start_hash(uuid_of(connection)) if found is None else str(found[0])
    return bool(link(before, kind, row, content) == place[1])


def seal(connection: sqlite3.Connection) -> Seal:
    """Return the seal of the chain as it stands now."""
    count, sha256 = head(connection)
    return Seal(count, sha256, written_us(connection, count))


def sealed_as(connection: sqlite3.Connection, sha256: str) -> Seal | None:
    """Return the place of the chain that a witness's hash names, or None where there is none.

    Args:
        connection: the log.
        sha256: hexadecimal, whole or its first 16 digits and more.
    """
    found = connection.execute(
        "SELECT seq, hash FROM chain WHERE substr(hash, 1, ?2) = ?1", (sha256, len(sha256))
    ).fetchall()
    if len(found) != 1:
        return None
    seq, whole = found[0]
    return Seal(int(seq), str(whole), written_us(connection, int(seq)))


def written_us(connection: sqlite3.Connection, seq: int) -> int | None:
    """When a row was written down; that of the row before where it does not say it itself."""
    for kind, row in connection.execute(
        "SELECT kind, row FROM chain WHERE seq <= ? ORDER BY seq DESC LIMIT 100", (seq,)
    ):
        if kind in _TIME:
            content = content_of(connection, kind, row)
            if content is not None and isinstance(content[_TIME[kind]], int):
                return int(str(content[_TIME[kind]]))
    return None
