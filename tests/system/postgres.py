"""A real PostgreSQL in a folder of its own on a free loopback port, for tests and benchmarks.

It refuses to run as root, so root starts it as the account that Debian's package makes for it. It
ends by its own process id.
"""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import time
from pathlib import Path

from tests.system.broker import free_port

_PLACES = ("/usr/lib/postgresql", "/usr/local/lib/postgresql")
# What tests need no safety against: the machine's power going off.
_QUICK = ("fsync=off", "full_page_writes=off", "max_connections=60", "shared_buffers=64MB")


def postgres_bin() -> Path | None:
    """Return the folder of the newest PostgreSQL's programs, or None where there is none."""
    programs = [each for place in _PLACES for each in Path(place).glob("*/bin/initdb")]
    found = shutil.which("initdb")
    if not programs and found is not None:
        programs = [Path(found).resolve()]
    return max((each.parent for each in programs), default=None)


def _children(pid: int) -> list[int]:
    return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


class RealPostgres:
    """One PostgreSQL with one superuser, `owner`, who needs no password."""

    def __init__(self, folder: Path, *, quick: bool = True) -> None:
        """Make its files; `start` starts it.

        Args:
            folder: of its own, which may not be below one that other accounts cannot enter.
            quick: do without what only a power cut asks for.
        """
        self.port = free_port()
        self.folder = folder
        self._data = folder / "data"
        self._log = folder / "postgres.log"
        self._quick = quick
        self._process: subprocess.Popen[bytes] | None = None
        found = postgres_bin()
        if found is None:
            raise RuntimeError("PostgreSQL is not installed")
        self._bin = found
        folder.mkdir(parents=True, exist_ok=True)
        if os.geteuid() == 0:
            account = pwd.getpwnam("postgres")
            os.chown(folder, account.pw_uid, account.pw_gid)
        subprocess.run(
            self.as_account(
                str(self._bin / "initdb"), "-D", str(self._data), "-U", "owner", "-A", "trust",
                "-E", "UTF8", "--no-locale", "--no-sync", "--no-instructions",
            ),
            check=True, capture_output=True, cwd="/", timeout=120,
        )  # fmt: skip

    def as_account(self, *words: str) -> list[str]:
        """Return a command that runs as an account that PostgreSQL allows."""
        if os.geteuid() != 0:
            return list(words)
        return ["setpriv", "--reuid", "postgres", "--regid", "postgres", "--init-groups", *words]

    def program(self, name: str) -> str:
        """Return the path of one of its programs, such as pg_dump."""
        return str(self._bin / name)

    def url(self, account: str = "owner", database: str = "filmcall") -> str:
        """Return the address of a database."""
        return f"postgresql://{account}@127.0.0.1:{self.port}/{database}"

    def allow(self, *lines: str) -> None:
        """Set who may come in how (pg_hba.conf), for connections from now on."""
        (self._data / "pg_hba.conf").write_text("\n".join((*lines, "")))
        if self._process is not None:
            self._process.send_signal(signal.SIGHUP)

    def start(self, timeout_s: float = 60.0) -> None:
        """Start it and wait until it answers."""
        options = [f"-c{each}" for each in (_QUICK if self._quick else _QUICK[2:])]
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            if self._process is None or self._process.poll() is not None:
                # After a kill the children of the old one may hold its memory for a moment.
                self._process = self._begun(options)
            ready = subprocess.run(
                [str(self._bin / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)],
                check=False,
            )
            if ready.returncode == 0:
                return
            time.sleep(0.05)
        self.kill()
        raise RuntimeError(f"PostgreSQL does not start: {self.log()[-800:]}")

    def _begun(self, options: list[str]) -> subprocess.Popen[bytes]:
        with self._log.open("ab") as log:
            return subprocess.Popen(
                self.as_account(
                    str(self._bin / "postgres"), "-D", str(self._data), "-p", str(self.port),
                    "-h", "127.0.0.1", "-k", "", *options,
                ),
                stdout=log, stderr=log, cwd="/",
            )  # fmt: skip

    def keep_up(self) -> None:
        """Start it where it was ended."""
        if self._process is None or self._process.poll() is not None:
            self.start()

    def sql(self, text: str, database: str = "filmcall", account: str = "owner") -> str:
        """Run SQL and return what it printed, unaligned."""
        ran = subprocess.run(
            [str(self._bin / "psql"), "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1",
             "-d", self.url(account, database), "-c", text],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        if ran.returncode:
            raise RuntimeError(ran.stderr.strip())
        return ran.stdout.strip()

    def new_database(self, name: str = "filmcall") -> str:
        """Make an empty database, and return its address."""
        self.sql(f'CREATE DATABASE "{name}"', "postgres")
        return self.url(database=name)

    def stop(self) -> None:
        """End it, with whatever it does, as an administrator in a hurry would (immediate)."""
        self._end(signal.SIGQUIT)

    def kill(self) -> None:
        """End it as a power cut would: those that it started too, or they would go on answering."""
        process, started = self._process, list[int]()
        if process is not None and process.poll() is None:
            started = _children(process.pid)
        self._end(signal.SIGKILL)
        for pid in started:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)

    def log(self) -> str:
        """Return what it has written."""
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    def _end(self, number: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(number)
        try:
            process.wait(20.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10.0)
