"""The outbox: one number for whatever the log gains or changes, in order, so that a copy elsewhere
knows what it lacks. An entry names what to read, and never holds it; no entry is part of the chain.

A link of the chain stands for its row, and a root's leaves stand for their readings; readings whose
leaf is still to come have entries of their own until it comes, so that the outbox stays small.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby, starmap

# What an entry names by `row`, `first` and `last`. Kept in every log: none gets a second meaning.
# LINK: a place of the chain. LEAVES: a root, with the leaves from first to last that are its.
# KEPT: a channel's readings from first to last [us], from before there were leaves. OPEN: `spans`
# of readings that had no leaf, all from first to last; in one entry, since it comes every 2 s.
LINK, LEAVES, OPEN, KEPT = 0, 1, 2, 3
# Leaves of one root are named together where no more minutes than this lie between them.
_APART_MIN = 10
_KEPT_ROWS = 50_000

# The highest number is never taken away, since what closes a minute is a link after its entries.
# since: of LEAVES whose readings all had entries of their own, the lowest number of those.
TABLE = f"""
CREATE TABLE outbox(
    number INTEGER PRIMARY KEY,
    what INTEGER NOT NULL,
    row INTEGER NOT NULL,
    first INTEGER,
    last INTEGER,
    since INTEGER,
    spans BLOB
);
CREATE INDEX outbox_open ON outbox(what) WHERE what = {OPEN};
CREATE TRIGGER chain_into_outbox AFTER INSERT ON chain
BEGIN INSERT INTO outbox(what, row) VALUES ({LINK}, NEW.seq); END;
"""

_SPAN = struct.Struct("<qqq")

Span = tuple[int, int, int]
"""A channel, with the first and the last time of readings [us]."""
Leaf = tuple[int, bool]
"""A leaf's row, and whether all its readings had entries of their own."""


def put_leaves(
    connection: sqlite3.Connection, root: int, numbered: Iterable[Leaf], in_a_minute: int
) -> None:
    """Name a root's leaves; the caller then appends its link.

    Args:
        connection: the log, in a transaction.
        root: its row.
        numbered: its leaves, in the order of their rows.
        in_a_minute: by which a leaf's row is divided for its minute.
    """
    (since,) = connection.execute(f"SELECT min(number) FROM outbox WHERE what = {OPEN}").fetchone()
    connection.executemany(
        f"INSERT INTO outbox(what, row, first, last, since) VALUES ({LEAVES}, ?, ?, ?, ?)",
        [
            (root, first, last, since if told else None)
            for first, last, told in _runs(numbered, in_a_minute)
        ],
    )


def _runs(numbered: Iterable[Leaf], in_a_minute: int) -> Iterator[tuple[int, int, bool]]:
    run: tuple[int, int, bool] | None = None
    for minute, of_minute in groupby(numbered, key=lambda leaf: leaf[0] // in_a_minute):
        leaves = list(of_minute)
        told = all(each for _, each in leaves)
        near = run is not None and minute - run[1] // in_a_minute <= _APART_MIN and run[2] == told
        if run is not None and not near:
            yield run
        run = (run[0] if run is not None and near else leaves[0][0], leaves[-1][0], told)
    if run is not None:
        yield run


def put_open(connection: sqlite3.Connection, spans: Sequence[Span]) -> None:
    """Name readings that are in no leaf yet."""
    if spans:
        connection.execute(
            f"INSERT INTO outbox(what, row, first, last, spans) VALUES ({OPEN}, 0, ?, ?, ?)",
            (
                min(first for _, first, _ in spans),
                max(last for _, _, last in spans),
                b"".join(starmap(_SPAN.pack, spans)),
            ),
        )


def spans_in(packed: bytes) -> Iterator[Span]:
    """Yield the spans of an entry of readings that had no leaf."""
    yield from _SPAN.iter_unpack(packed)


def prune(connection: sqlite3.Connection, from_us: int | None, to_us: int | None) -> None:
    """Forget entries of readings that have a leaf now.

    Args:
        connection: the log, in a transaction.
        from_us: those that end before the minutes still open go; None for all [us].
        to_us: and those after them [us].
    """
    if from_us is None or to_us is None:
        connection.execute(f"DELETE FROM outbox WHERE what = {OPEN}")
        return
    for bound, at_us in (("last <", from_us), ("last >=", to_us)):
        connection.execute(f"DELETE FROM outbox WHERE what = {OPEN} AND {bound} ?", (at_us,))


def newest(connection: sqlite3.Connection) -> int:
    """Return the number of the newest entry; 0 for none."""
    (number,) = connection.execute("SELECT max(number) FROM outbox").fetchone()
    return number or 0


def fill(connection: sqlite3.Connection, in_a_minute: int, open_us: int) -> None:
    """Name all that a log holds, in the order of its chain, in an outbox that is empty.

    Args:
        connection: the log, in a transaction.
        in_a_minute: by which a leaf's row is divided for its minute.
        open_us: how much time may be without leaves from where the last root says [us].
    """
    leaves: dict[int, list[int]] = {}
    for leaf, root in connection.execute("SELECT id, root FROM leaves ORDER BY id"):
        leaves.setdefault(root, []).append(leaf)
    for seq, kind, row in connection.execute(
        "SELECT seq, kind, row FROM chain ORDER BY seq"
    ).fetchall():
        if kind == "readings":
            put_leaves(
                connection, row, [(leaf, False) for leaf in leaves.get(row, [])], in_a_minute
            )
        connection.execute(f"INSERT INTO outbox(what, row) VALUES ({LINK}, ?)", (seq,))
        if kind == "outside":
            _put_kept(connection, row)
    window = connection.execute(
        "SELECT window_us FROM roots WHERE window_us IS NOT NULL ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if window is not None:
        (from_us,) = window
        spans = connection.execute(
            "SELECT id, min(time_us), max(time_us) FROM channels CROSS JOIN readings "
            "ON channel = id AND time_us >= ? AND time_us < ? WHERE source = 1 GROUP BY id",
            (from_us, from_us + open_us),
        ).fetchall()
        put_open(connection, spans)


def _put_kept(connection: sqlite3.Connection, outside: int) -> None:
    channel, until_us = connection.execute(
        "SELECT channel, until_us FROM outside WHERE id = ?", (outside,)
    ).fetchone()
    times = connection.execute(
        "SELECT time_us FROM readings WHERE channel = ? AND time_us <= ? ORDER BY time_us",
        (channel, until_us),
    )
    while part := times.fetchmany(_KEPT_ROWS):
        connection.execute(
            f"INSERT INTO outbox(what, row, first, last) VALUES ({KEPT}, ?, ?, ?)",
            (channel, part[0][0], part[-1][0]),
        )
