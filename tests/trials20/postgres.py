"""A real PostgreSQL in a folder of its own on a free loopback port, ended by its own pid."""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import psycopg

from tests.system.broker import free_port

BIN = Path("/usr/lib/postgresql/15/bin")
START_S = 60.0
DATABASE = "yard"


def postgres() -> bool:
    """Whether Debian's server is installed."""
    return (BIN / "postgres").is_file()


class Postgres:
    """One server with one database; its owner needs a password, everyone else is let in.

    Attributes:
        port: where it listens, on 127.0.0.1.
        owner: URL of the account that owns the database, without its password.
        pass_file: has that password, in the form that libpq reads.
    """

    def __init__(self) -> None:
        # Below a folder of pytest's the server's account could not read.
        self._folder = Path(tempfile.mkdtemp(prefix="filmcall-trial-"))
        # A server refuses to run as root; Debian's package has an account for it.
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            account = pwd.getpwnam("postgres")
            os.chown(self._folder, account.pw_uid, account.pw_gid)
            self._as = {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}
        self.port = free_port()
        self.owner = f"postgresql://keeper@127.0.0.1:{self.port}/{DATABASE}"
        self.pass_file = self._folder / "passwords"
        self._data = self._folder / "data"
        self._process: subprocess.Popen[bytes] | None = None

    def make(self) -> None:
        """Make the cluster, start it, make the owner and the database."""
        subprocess.run(
            [BIN / "initdb", "-D", self._data, "-U", "chief", "-A", "trust", "-E", "UTF8",
             "--locale=C", "--no-sync"],
            **self._as, cwd=self._folder, check=True, capture_output=True, timeout=60.0,
        )  # fmt: skip
        rules = "host all keeper 127.0.0.1/32 scram-sha-256\nhost all all 127.0.0.1/32 trust\n"
        (self._data / "pg_hba.conf").write_text(rules)
        self.start()
        password = secrets.token_urlsafe(12)
        with self.connect(database="postgres") as chief:
            chief.execute(f"CREATE ROLE keeper LOGIN CREATEROLE PASSWORD '{password}'")
            chief.execute(f"CREATE DATABASE {DATABASE} OWNER keeper")
        self.pass_file.write_text(f"127.0.0.1:{self.port}:*:keeper:{password}\n")
        self.pass_file.chmod(0o600)

    def start(self) -> None:
        """Start it and wait until it answers; after a kill its old children may still be ending."""
        end_s = time.monotonic() + START_S
        while time.monotonic() < end_s:
            if self._process is None or self._process.poll() is not None:
                with (self._folder / "server.log").open("ab") as log:
                    os.chmod(log.fileno(), 0o666)
                    # A kill of the process is not a power cut: what was written is in the system.
                    self._process = subprocess.Popen(
                        [BIN / "postgres", "-D", self._data, "-p", str(self.port),
                         "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=",
                         "-c", "fsync=off"],
                        **self._as, cwd=self._folder, stdout=log, stderr=log,
                    )  # fmt: skip
            try:
                self.connect(database="postgres").close()
            except psycopg.OperationalError:
                time.sleep(0.1)
            else:
                return
        raise RuntimeError(f"the server does not start: {self.log()[-800:]}")

    def kill(self) -> None:
        """End it as the system does when it is out of memory."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10.0)

    def close(self) -> None:
        """Stop it and take its folder away."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)  # "fast": clients are sent away
            try:
                self._process.wait(10.0)
            except subprocess.TimeoutExpired:
                self._process.send_signal(signal.SIGQUIT)
                self._process.wait(10.0)
        shutil.rmtree(self._folder, ignore_errors=True)

    def log(self) -> str:
        """Return what it has written."""
        path = self._folder / "server.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def url(self, role: str) -> str:
        """Return the URL of another account."""
        return self.owner.replace("keeper@", f"{role}@")

    def connect(
        self, role: str = "chief", database: str = DATABASE
    ) -> psycopg.Connection[tuple[Any, ...]]:
        """Return a connection in autocommit mode."""
        return psycopg.connect(
            host="127.0.0.1", port=self.port, user=role, dbname=database,
            autocommit=True, connect_timeout=5,
        )  # fmt: skip

    def ask(self, query: str, role: str = "chief") -> list[tuple[Any, ...]]:
        """Return the rows of a query."""
        with self.connect(role) as connection:
            return connection.execute(query).fetchall()

    def tables(self) -> list[str]:
        """Return the quoted names of all tables of the program that are no partitions."""
        return [name for (name,) in self.ask(
            "SELECT format('%I.%I', n.nspname, c.relname) FROM pg_class c "
            "JOIN pg_namespace n ON n.oid = c.relnamespace WHERE c.relkind IN ('r', 'p') "
            "AND NOT c.relispartition AND n.nspname NOT IN ('pg_catalog', 'information_schema') "
            "AND n.nspname NOT LIKE 'pg_%' ORDER BY 1"
        )]  # fmt: skip

    def content(self) -> dict[str, tuple[int, str]]:
        """Return how many rows each table has, and a digest of them in whatever order."""
        digest = "coalesce(sum(hashtextextended(t::text, 0)), 0)::text"
        return {
            name: tuple(self.ask(f"SELECT count(*), {digest} FROM {name} t")[0])
            for name in self.tables()
        }

    def logins(self) -> set[str]:
        """Return the accounts that may log in."""
        return {name for (name,) in self.ask("SELECT rolname FROM pg_roles WHERE rolcanlogin")}
