"""Puts batches into the database: a copy into staging, then what is new, in one transaction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from monitor.ship.batch import Batch, Row, Stand
from monitor.ship.database import (
    DatabaseAway,
    check_version,
    connect,
    errors_as_sentences,
    not_a_row,
    place,
)
from monitor.ship.tables import CUT, columns, key_of, packed

if TYPE_CHECKING:
    from monitor.ship.database import Connection

# Of one table of one batch so many rows that differ are kept to be looked at; all are counted.
_DIFFERING_KEPT = 20
_WIDTHS = {"smallint": 1 << 15, "integer": 1 << 31}
# Found by the key of each staged row, whatever the planner makes of a table without statistics.
_BY_KEY = "SET LOCAL enable_hashjoin = off; SET LOCAL enable_mergejoin = off"


class Copy:
    """One log's copy in the database. Door: `open`, then `apply` batch by batch.

    Attributes:
        stand: how far it is, as the database last said.
        differing: rows that came with other values than those that stand, since the opening.
        example: the first of them in words, "" for none.
    """

    def __init__(self, connection: Connection, url: str, uuid: str, schema: int) -> None:
        """Wrap an open connection; `open` is the way in."""
        self.stand = Stand()
        self.differing = 0
        self.example = ""
        self._connection = connection
        self._url = url
        self._names = (uuid, schema)
        self._log = 0
        self._staged: set[str] = set()
        self._types: dict[str, list[str]] = {}
        self._days: set[int] = set()

    @classmethod
    def open(cls, url: str, uuid: str, schema: int) -> Self:
        """Connect, and ask how far the copy is; a log that is new there is taken in.

        Args:
            url: of the database.
            uuid: of the log.
            schema: version of the log's own schema.

        Raises:
            DatabaseAway: nobody answers.
            DatabaseRefused: the account may not, the log is another station's, or the database is
                not prepared.
        """
        connection = connect(url)
        try:
            check_version(connection, url)
            found = cls(connection, url, uuid, schema)
            with errors_as_sentences(url), connection.transaction():
                found.stand = found._hold()
        except BaseException:
            connection.close()
            raise
        return found

    def close(self) -> None:
        """End the connection."""
        self._connection.close()

    def apply(self, batch: Batch) -> None:
        """Put a batch in, all of it or nothing; `stand` is the batch's afterwards.

        Raises:
            DatabaseAway: the connection was lost, and whether the batch is in is not known, or
                another shipper was quicker: open anew, and go on where the database then stands.
            DatabaseRefused: the database will not have it.
        """
        with errors_as_sentences(self._url):
            self._make_months(batch)
            try:
                with self._connection.transaction():
                    if self._hold() != batch.after:
                        raise DatabaseAway(
                            f"database {place(self._url)}: another shipper of this log went on "
                            f"meanwhile"
                        )
                    differing = sum(
                        self._put(table, rows) for table, rows in batch.rows.items() if rows
                    )
                    self._finish(batch, differing)
            except BaseException:
                self._staged.clear()
                raise
        self.stand = batch.stand
        self.differing += differing

    def _hold(self) -> Stand:
        """Hold the log's row until the transaction's end, and return how far the copy is."""
        found = self._connection.execute(
            "SELECT id, number, whole_from, seq, hash FROM filmcall.open_log(%s, %s)", self._names
        ).fetchone()
        if found is None:
            raise DatabaseAway(f"database {place(self._url)} says nothing of the log")
        self._log, *stand = found
        return Stand(*stand)

    def _make_months(self, batch: Batch) -> None:
        for table, (column, a_day) in CUT.items():
            at = columns()[table].index(column)
            days = {row[at] // a_day for row in batch.rows.get(table, ())} - self._days
            for day in sorted(days):
                self._connection.execute(
                    "SELECT filmcall.make_month(%s)", (day * CUT["readings"][1],)
                )
            self._days |= days

    def _put(self, table: str, rows: list[Row]) -> int:
        """Put rows of one table in, and return how many stand there with other values."""
        names = columns()[table]
        listed = ", ".join(f'"{name}"' for name in ("log", *names))
        staging = f"stage_{table}"
        if table not in self._staged:
            self._connection.execute(
                f"CREATE TEMPORARY TABLE {staging} (LIKE filmcall.{table}) ON COMMIT DELETE ROWS"
                if not self._exists(staging)
                else f"TRUNCATE {staging}"
            )
            self._staged.add(table)
        types = self._types_of(table, names)
        with (
            self._connection.cursor() as cursor,
            cursor.copy(f"COPY {staging}({listed}) FROM STDIN (FORMAT BINARY)") as copy,
        ):
            copy.set_types(types)
            if "text" in types:
                rows = [tuple(map(packed, row)) for row in rows]
            try:
                _check_widths(rows, types[1:])
                for row in rows:
                    copy.write_row((self._log, *row))
            except (TypeError, ValueError, ArithmeticError) as error:
                raise not_a_row(place(self._url), error) from error
        new = self._connection.execute(
            f"INSERT INTO filmcall.{table}({listed}) SELECT {listed} FROM {staging} "
            f"ON CONFLICT DO NOTHING"
        ).rowcount
        return 0 if new == len(rows) else self._differing(table, names, staging)

    def _exists(self, staging: str) -> bool:
        found = self._connection.execute("SELECT to_regclass(%s)", (f"pg_temp.{staging}",))
        return found.fetchone() != (None,)

    def _types_of(self, table: str, names: tuple[str, ...]) -> list[str]:
        if table not in self._types:
            found: dict[str, str] = dict(
                self._connection.execute(
                    "SELECT attname, format_type(atttypid, NULL) FROM pg_attribute "
                    "WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped",
                    (f"filmcall.{table}",),
                ).fetchall()
            )
            self._types[table] = [found[name] for name in ("log", *names)]
        return self._types[table]

    def _differing(self, table: str, names: tuple[str, ...], staging: str) -> int:
        """Count rows that stand with other values than came, and keep some to be looked at."""
        key = " AND ".join(f"held.{name} = came.{name}" for name in ("log", *key_of(table)))
        rest = [name for name in names if name not in key_of(table)]
        # A source's end is a change of its own, and no other value.
        rest = [name for name in rest if (table, name) != ("sources", "complete")]
        if not rest:
            return 0
        differ = " OR ".join(f'held."{name}" IS DISTINCT FROM came."{name}"' for name in rest)
        self._connection.execute(_BY_KEY)
        joined = f"FROM {staging} came JOIN filmcall.{table} held ON {key} WHERE {differ}"
        (count,) = self._connection.execute(f"SELECT count(*) {joined}").fetchone() or (0,)
        if count:
            found = self._connection.execute(
                f"INSERT INTO filmcall.conflicts(log, name, held, came) "
                f"SELECT came.log, '{table}', to_jsonb(held), to_jsonb(came) {joined} "
                f"LIMIT {_DIFFERING_KEPT} RETURNING held::text, came::text"
            ).fetchone() or ("", "")
            self.example = self.example or f"{table}: {found[0]} stands, {found[1]} came"
        return int(count)

    def _finish(self, batch: Batch, differing: int) -> None:
        if batch.ended:
            self._connection.execute(
                "UPDATE filmcall.sources SET complete = 1 WHERE log = %s AND id = ANY(%s)",
                (self._log, batch.ended),
            )
        for thinning, kept in batch.thinned:
            self._connection.execute(
                "SELECT filmcall.thin(%s, %s, %s::bigint[])", (self._log, thinning, kept)
            )
        stand = batch.stand
        self._connection.execute(
            "SELECT filmcall.advance(%s, %s, %s, %s, %s, %s, %s, %s)",
            (
                self._log,
                batch.after.number,
                stand.number,
                stand.whole_from,
                stand.seq,
                stand.hash,
                differing,
                self._names[1],
            ),
        )


def _check_widths(rows: list[Row], types: list[str]) -> None:
    """Refuse a number that its column cannot hold, which the driver would cut.

    Raises:
        OverflowError: there is one.
        TypeError: what should be a number is none.
    """
    for place_in_row, kind in enumerate(types):
        if kind in _WIDTHS:
            held = [row[place_in_row] for row in rows if row[place_in_row] is not None]
            if held and not -_WIDTHS[kind] <= min(held) <= max(held) < _WIDTHS[kind]:
                raise OverflowError(f"a number is beyond {kind}")
