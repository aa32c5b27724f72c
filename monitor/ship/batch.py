"""What the log has that the database lacks, read in one look at the log: rows by table."""

from __future__ import annotations

import sqlite3
import struct
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from monitor.log import chain, leaves, outbox
from rules.errors import FilmcallError

# So many rows wait in memory at most, but for what one root joins.
MOST_ROWS = 20_000
_MOST_ENTRIES = 5_000
# What follows one link and belongs to the same act, so that no copy ends between.
_TOGETHER = frozenset({"means", "event-spec", "photo"})
_BEGIN_ANEW = "stop watch and ship, and move the file, its -wal and its -shm away together."

Row = tuple[Any, ...]


class LogForked(FilmcallError):
    """The log and its copy hold different histories."""


class Stand(NamedTuple):
    """How far a copy is.

    Attributes:
        number: the newest change that it holds; 0 for none.
        whole_from: from this change on none was passed over.
        seq: the newest place of the chain that it holds.
        hash: of that place, "" for none.
    """

    number: int = 0
    whole_from: int = 1
    seq: int = 0
    hash: str = ""


@dataclass(slots=True)
class Batch:
    """Rows that bring a copy from one stand to the next.

    Attributes:
        after: the stand that it follows upon.
        stand: the one that it leads to.
        rows: by table, in the order of the log's columns.
        ended: sources that were played to their end.
        thinned: thinnings, each with the times of the readings that stayed [us].
        more: whether the log has more.
    """

    after: Stand
    stand: Stand
    rows: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))
    ended: list[int] = field(default_factory=list)
    thinned: list[tuple[int, list[int]]] = field(default_factory=list)
    more: bool = False

    @property
    def size(self) -> int:
        """How many rows it has."""
        return sum(map(len, self.rows.values()))


class _Entry(NamedTuple):
    number: int
    what: int
    row: int
    first: int
    last: int
    since: int | None
    spans: bytes
    kind: str
    kind_row: int
    hash: str


_ENTRIES = (
    "SELECT number, what, o.row, coalesce(first, 0), coalesce(last, 0), since, spans, "
    "coalesce(c.kind, ''), coalesce(c.row, 0), coalesce(c.hash, '') "
    f"FROM outbox o LEFT JOIN chain c ON what = {outbox.LINK} AND c.seq = o.row "
    "WHERE number > ? ORDER BY number"
)


def read_batch(connection: sqlite3.Connection, stand: Stand, most: int = MOST_ROWS) -> Batch | None:
    """Return what comes next, or None where the copy holds all.

    The log is held open for reading only meanwhile. Rows are as the log has them now: a reading
    that was thinned since is not among them, and its mean comes with the thinning's own change.

    Args:
        connection: the log, in autocommit mode.
        stand: how far the copy is.
        most: after so many rows the batch ends at the next change where a copy may end.

    Raises:
        LogForked: the log is not the one that the copy was made of, or lacks a change.
        sqlite3.Error: the log cannot be read.
    """
    connection.execute("BEGIN")
    try:
        _check_history(connection, stand)
        return _read(connection, stand, most)
    except (TypeError, ValueError, struct.error) as error:
        raise LogForked(
            f"log {chain.uuid_of(connection)} holds what no filmcall wrote ({error}), so nothing "
            f"more is shipped. `filmcall sessions verify` says what."
        ) from error
    finally:
        connection.execute("ROLLBACK")


def _check_history(connection: sqlite3.Connection, stand: Stand) -> None:
    """Hold the log against its copy by the seal of the copy.

    Raises:
        LogForked: they part.
    """
    uuid = chain.uuid_of(connection)
    has, _ = chain.head(connection)
    if outbox.newest(connection) < stand.number or has < stand.seq:
        raise LogForked(
            f"log {uuid} has {has} places in its chain and its copy in the database {stand.seq}: "
            f"this file is an older copy, so nothing is shipped. Use the newest file of the log, "
            f"or let `filmcall watch` begin a new one: {_BEGIN_ANEW}"
        )
    found = connection.execute("SELECT hash FROM chain WHERE seq = ?", (stand.seq,)).fetchone()
    if stand.seq and (found is None or found[0] != stand.hash):
        raise LogForked(
            f"log {uuid} and its copy in the database part at or before place {stand.seq} of the "
            f"chain, so nothing is shipped: an older copy was written on, or one was changed. "
            f"`filmcall sessions verify` on each says which; then begin a new log: {_BEGIN_ANEW}"
        )


def _read(connection: sqlite3.Connection, stand: Stand, most: int) -> Batch | None:
    found = connection.execute(f"{_ENTRIES} LIMIT ?", (stand.number, _MOST_ENTRIES))
    entries = [_Entry(*row) for row in found]
    if not entries:
        return None
    ends = [index for index in range(len(entries) - 1) if _may_end(entries, index)]
    whole_read = len(entries) < _MOST_ENTRIES
    last = len(entries) - 1 if whole_read or not ends else ends[-1]
    may_end = {*ends, last}
    batch = Batch(stand, stand)
    for index, entry in enumerate(entries[: last + 1]):
        number, whole, seq, seal = batch.stand
        if entry.number != number + 1:
            whole = entry.number
        if entry.what == outbox.LINK:
            if entry.row != seq + 1 or not entry.hash:
                raise LogForked(
                    f"log {chain.uuid_of(connection)}: place {seq + 1} of its chain is missing "
                    f"from its outbox, so nothing more is shipped. `filmcall sessions verify` "
                    f"says what was changed."
                )
            seq, seal = entry.row, entry.hash
        _take(connection, entry, whole, batch)
        batch.stand = Stand(entry.number, whole, seq, seal)
        batch.more = index < last or not whole_read
        if batch.size >= most and index in may_end:
            break
    return batch


def _may_end(entries: list[_Entry], index: int) -> bool:
    """Return whether a copy may end at an entry: with a whole act, and never before its link."""
    return entries[index].what == outbox.LINK and entries[index + 1].kind not in _TOGETHER


def _take(connection: sqlite3.Connection, entry: _Entry, whole: int, batch: Batch) -> None:
    rows = batch.rows
    if entry.what == outbox.LINK:
        rows["chain"].append((entry.row, entry.kind, entry.kind_row, entry.hash))
        _take_link(connection, entry.kind, entry.kind_row, batch)
    elif entry.what == outbox.LEAVES:
        _take_leaves(connection, entry, whole, batch)
    elif entry.what == outbox.OPEN:
        for channel, first, last in outbox.spans_in(entry.spans):
            span = (channel, first, last + 1)
            rows["readings"].extend(connection.execute(_SPAN.format("readings"), span))
    else:
        span = (entry.row, entry.first, entry.last + 1)
        for table in ("readings", "reading_notes"):
            rows[table].extend(connection.execute(_SPAN.format(table), span))


_SPAN = "SELECT * FROM {} WHERE channel = ? AND time_us >= ? AND time_us < ?"


def _take_link(connection: sqlite3.Connection, kind: str, row: int, batch: Batch) -> None:
    if kind not in chain.KINDS:
        raise LogForked(
            f"log {chain.uuid_of(connection)}: its chain has {kind!r}, which this program does not "
            f"know, so nothing more is shipped. Use the newer filmcall that wrote it."
        )
    table = chain.TABLES[kind]
    if kind == "source-end":
        batch.ended.append(row)
        return
    if kind == "means":
        _take_means(connection, row, batch)
        return
    batch.rows[table].extend(connection.execute(f"SELECT * FROM {table} WHERE id = ?", (row,)))
    if kind == "spec":
        batch.rows["specs"].extend(
            connection.execute(
                "SELECT * FROM specs WHERE sha256 = (SELECT sha256 FROM spec_numbers WHERE id = ?)",
                (row,),
            )
        )


def _take_means(connection: sqlite3.Connection, row: int, batch: Batch) -> None:
    span = connection.execute(
        "SELECT channel, from_us, to_us FROM thinnings WHERE id = ?", (row,)
    ).fetchone()
    batch.rows["minutes"].extend(connection.execute(_SPAN.format("minutes"), span))
    stayed = connection.execute(
        "SELECT time_us FROM readings WHERE channel = ? AND time_us >= ? AND time_us < ?", span
    )
    batch.thinned.append((row, [time_us for (time_us,) in stayed]))


def _take_leaves(connection: sqlite3.Connection, entry: _Entry, whole: int, batch: Batch) -> None:
    """Take a root's leaves, and their readings where these did not all come by themselves."""
    came = entry.since is not None and entry.since >= whole
    spans: dict[int, list[int]] = defaultdict(list)
    for row in connection.execute(
        "SELECT * FROM leaves WHERE id >= ? AND id <= ? AND root = ?",
        (entry.first, entry.last, entry.row),
    ):
        batch.rows["leaves"].append(row)
        leaf = leaves.Leaf(row[0] // leaves.IN_A_MINUTE, *row[1:])
        begin_us = leaf.minute * leaves.MINUTE_US
        minute = (leaf.channel, begin_us, begin_us + leaves.MINUTE_US)
        if leaf.kind == leaves.OF_NOTES:
            batch.rows["reading_notes"].extend(
                connection.execute(_SPAN.format("reading_notes"), minute)
            )
        elif leaf.members is not None:
            named = leaves.times_in(leaf.members)
            batch.rows["readings"].extend(
                reading
                for reading in connection.execute(_SPAN.format("readings"), minute)
                if reading[1] in named
            )
        elif not came:
            spans[leaf.channel].append(leaf.minute)
    for channel, minutes in spans.items():
        span = (channel, min(minutes) * leaves.MINUTE_US, (max(minutes) + 1) * leaves.MINUTE_US)
        batch.rows["readings"].extend(connection.execute(_SPAN.format("readings"), span))
