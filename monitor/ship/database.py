"""The one PostgreSQL of many logs: how it is reached, made, brought up to date, and who may write.

What it answers becomes one sentence here; passwords are never part of one.
"""

from __future__ import annotations

import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from rules.errors import FilmcallError

if TYPE_CHECKING:
    import psycopg

    Connection = psycopg.Connection[tuple[Any, ...]]

SCHEMES = ("postgresql://", "postgres://")
# A database that is away is found out in this time, also where the network swallows all [s].
_CONNECT_S = 5
_TUNING = {
    "connect_timeout": _CONNECT_S,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
    "application_name": "filmcall",
    "options": "-c lock_timeout=15s -c client_encoding=UTF8 -c timezone=UTC",
}
_NO_SUCH = ("42P01", "3F000", "42883", "42703")  # table, schema, function, column
_NOT_ALLOWED = ("42501",)
_PASSWORD = ("28P01", "28000")
NOT_YOURS, STANDS_ELSEWHERE = "FC001", "FC002"


class DatabaseAway(FilmcallError):
    """The database does not answer, or ended the connection; trying again may help."""


class DatabaseRefused(FilmcallError):
    """The database answers, and will not do it."""


def is_database(text: str) -> bool:
    """Return whether a `--db` names a database and not a file."""
    return text.startswith(SCHEMES)


def driver() -> Any:
    """Return the module psycopg.

    Raises:
        FilmcallError: it is not installed.
    """
    try:
        import psycopg
    except ImportError:
        raise FilmcallError(
            "package psycopg is not installed, so no database can be reached. "
            "Run: pip install 'filmcall[ship]'"
        ) from None
    return psycopg


def place(url: str) -> str:
    """Return a database's address without its password.

    Raises:
        FilmcallError: it is none.
    """
    parts = _parts(url)
    user = f"{quote(str(parts['user']), safe='')}@" if parts.get("user") else ""
    host = parts.get("host") or "localhost"
    port = f":{parts['port']}" if parts.get("port") else ""
    return f"postgresql://{user}{host}{port}/{parts.get('dbname') or ''}"


def has_password(url: str) -> bool:
    """Return whether an address holds a password, which every account of the machine can read."""
    return bool(_parts(url).get("password"))


def _parts(url: str) -> dict[str, Any]:
    psycopg = driver()
    from psycopg.conninfo import conninfo_to_dict

    if not is_database(url):
        raise FilmcallError(
            f"database {url.split('@')[-1]!r} is no address of a PostgreSQL, so nothing was done. "
            f"Write postgresql://ACCOUNT@HOST/DATABASE, the password in a file of PGPASSFILE."
        )
    try:
        return conninfo_to_dict(url)
    except psycopg.Error as error:
        why = str(error).strip().splitlines()[0]
        raise FilmcallError(
            f"the database's address cannot be read ({_without(why, url)}), so nothing was done. "
            f"Write postgresql://ACCOUNT@HOST/DATABASE."
        ) from None


def _without(text: str, url: str) -> str:
    secret = url.rpartition("@")[0]
    return text.replace(secret, "...") if secret else text


@contextmanager
def errors_as_sentences(url: str) -> Iterator[None]:
    """Turn what the driver raises into one sentence."""
    psycopg = driver()
    try:
        yield
    except psycopg.Error as error:
        raise _sentence(error, place(url)) from error


def _sentence(error: Any, where: str) -> FilmcallError:
    state = error.sqlstate or ""
    primary = error.diag.message_primary or (str(error).strip() or type(error).__name__)
    why = " ".join(primary.splitlines()[0].split())
    text = str(error).lower()
    if state in _PASSWORD or "password authentication failed" in text or "no password" in text:
        return DatabaseRefused(
            f"database {where} refuses this account or its password, so nothing was shipped or "
            f"read. Put HOST:PORT:DATABASE:ACCOUNT:PASSWORD into the file of PGPASSFILE, mode 600."
        )
    if state == NOT_YOURS:
        return DatabaseRefused(
            f"database {where}: this log is the one of station {why!r}, so nothing was written. "
            f"Ship it as that account, or let the database's owner give the log to this one."
        )
    if state in _NO_SUCH:
        return DatabaseRefused(
            f"database {where} has no filmcall schema, or an older one ({why}), so nothing was "
            f"done. As its owner run: filmcall ship --prepare --to URL"
        )
    if state in _NOT_ALLOWED:
        return DatabaseRefused(
            f"database {where} does not let this account do that ({why}), so nothing was written. "
            f"As its owner run: filmcall ship --grant STATION --to URL"
        )
    if isinstance(error, driver().DataError):
        return not_a_row(where, why)
    away = state[:2] in ("", "08", "57", "53", "40", "55") or state in (STANDS_ELSEWHERE, "25P02")
    kind = DatabaseAway if away else DatabaseRefused
    verb = "does not answer" if away else "refuses it"
    return kind(f"database {where} {verb} ({why})")


def not_a_row(where: str, why: object) -> DatabaseRefused:
    """Return what is said of a row that the database cannot hold, since no filmcall wrote it."""
    return DatabaseRefused(
        f"database {where} does not take a row of this log ({why}), so nothing more is shipped. "
        f"`filmcall sessions verify` says what filmcall did not write."
    )


def connect(url: str) -> Connection:
    """Return an open connection in autocommit mode.

    Raises:
        DatabaseAway: nobody answers.
        DatabaseRefused: the account may not.
        FilmcallError: the address is none, or the driver is missing.
    """
    psycopg = driver()
    known = _parts(url)
    more = {name: value for name, value in _TUNING.items() if name not in known}
    with errors_as_sentences(url):
        found: Connection = psycopg.connect(url, autocommit=True, **more)
    return found


def steps() -> list[str]:
    """Return the schema's SQL files by number, from 1 on."""
    folder = files("monitor.ship") / "sql"
    return [
        each.read_text("utf-8")
        for each in sorted(folder.iterdir(), key=lambda each: each.name)
        if each.name.endswith(".sql")
    ]


def check_version(connection: Connection, url: str) -> None:
    """Refuse a database whose schema is not this program's.

    Raises:
        DatabaseRefused: it is older, newer or none.
    """
    with errors_as_sentences(url):
        (version,) = connection.execute("SELECT max(number) FROM filmcall.version").fetchone() or (
            0,
        )
    wanted = len(steps())
    if version == wanted:
        return
    fix = (
        "As its owner run: filmcall ship --prepare --to URL"
        if (version or 0) < wanted
        else "Use the newer filmcall that prepared it."
    )
    raise DatabaseRefused(
        f"database {place(url)}: its schema is version {version or 0} and this program's is "
        f"{wanted}, so nothing was shipped or read. {fix}"
    )


def prepare(url: str) -> str:
    """Make the schema, or bring it up to date, all of it or nothing; the caller owns it.

    Returns:
        What was done, in a sentence.

    Raises:
        DatabaseAway: nobody answers.
        DatabaseRefused: the account may not, or the schema is a newer program's.
    """
    with connect(url) as connection, errors_as_sentences(url), connection.transaction():
        connection.execute("SELECT pg_advisory_xact_lock(hashtext('filmcall.prepare'))")
        connection.execute("CREATE SCHEMA IF NOT EXISTS filmcall")
        connection.execute(
            "CREATE TABLE IF NOT EXISTS filmcall.version(number integer PRIMARY KEY, "
            "applied_at timestamptz NOT NULL DEFAULT now())"
        )
        (had,) = connection.execute(
            "SELECT coalesce(max(number), 0) FROM filmcall.version"
        ).fetchone() or (0,)
        found = steps()
        for number, sql in enumerate(found, 1):
            if number > had:
                connection.execute(sql.encode())
                connection.execute("INSERT INTO filmcall.version(number) VALUES (%s)", (number,))
        if had > len(found):
            raise DatabaseRefused(
                f"database {place(url)}: its schema is version {had}, above {len(found)} that this "
                f"program knows, so nothing was changed. Use the newer filmcall that prepared it."
            )
    if had == len(found):
        return f"database {place(url)} was up to date: schema version {had}"
    return f"database {place(url)} is ready: schema version {len(found)}"


def named_host(host: str | None) -> str:
    """Return what others may call a database's machine: a socket's folder names no machine.

    >>> named_host("yard.lan")
    'yard.lan'
    """
    return socket.gethostname() if not host or host.startswith(("/", "@")) else host


def grant(url: str, station: str) -> str:
    """Make a login role that may append its own station's logs and nothing else.

    A station that has one already gets a new password, and keeps its logs.

    Args:
        url: of the database, as its owner.
        station: the role's name.

    Returns:
        The line for the file of PGPASSFILE on the station.

    Raises:
        DatabaseAway: nobody answers.
        DatabaseRefused: the caller may not make roles, or the name is another's.
    """
    driver()
    from psycopg import sql

    if not station or len(station.encode()) > 63 or not station.isprintable():
        raise FilmcallError(
            f"station {station!r} is no name of 1 to 63 letters, so no account was made; give the "
            f"station's name as in its config"
        )
    password = secrets.token_urlsafe(24)
    with connect(url) as connection:
        check_version(connection, url)
        with errors_as_sentences(url), connection.transaction():
            found = connection.execute(
                "SELECT pg_has_role(rolname, 'filmcall_station', 'MEMBER') AND NOT rolsuper "
                "FROM pg_roles WHERE rolname = %s",
                (station,),
            ).fetchone()
            if found is not None and not found[0]:
                raise DatabaseRefused(
                    f"database {place(url)} has an account {station!r} that is no station's, so "
                    f"nothing was changed; give the station another name"
                )
            verb = "CREATE" if found is None else "ALTER"
            connection.execute(
                sql.SQL("{} ROLE {} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE PASSWORD {}").format(
                    sql.SQL(verb), sql.Identifier(station), sql.Literal(password)
                )
            )
            connection.execute(
                sql.SQL("GRANT filmcall_station TO {}").format(sql.Identifier(station))
            )
        info = connection.info
        where = (named_host(info.host), str(info.port), info.dbname, station, password)
    return ":".join(part.replace("\\", "\\\\").replace(":", "\\:") for part in where)
