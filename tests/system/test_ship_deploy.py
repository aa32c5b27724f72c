"""The files of deploy/ for a yard's database: its unit, its install script, backup and restore.

Judges from outside: systemd-analyze, shellcheck (tests/test_deploy_files.py), and the log itself
beside what came back.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest
from command import filmcall
from forgeries import T0, Clock, honest
from machine import machine
from shipped import differences

from monitor.log.log import Store
from rules.events import Event
from rules.vocabulary import EventKind
from tests.system.conftest import need
from tests.system.postgres import RealPostgres, postgres_bin

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "filmcall-ship.service"
SERVER = DEPLOY / "server"


def run(*words: object) -> subprocess.CompletedProcess[str]:
    """Run a command, with PostgreSQL's own programs in reach."""
    path = f"{postgres_bin()}:{os.environ['PATH']}"
    return subprocess.run(
        [str(word) for word in words],
        env={**os.environ, "PATH": path}, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


def test_systemd_takes_the_unit_and_finds_it_little_exposed(tmp_path: Path) -> None:
    need("systemd-analyze", shutil.which("systemd-analyze") is not None)
    text = UNIT.read_text()
    copy = tmp_path / UNIT.name
    copy.write_text(
        text.replace("ExecStart=/opt/filmcall/venv/bin/filmcall", "ExecStart=/bin/true")
    )
    found = run("systemd-analyze", "verify", "--man=no", copy)
    assert (found.returncode, found.stdout, found.stderr) == (0, "", "")
    found = run("systemd-analyze", "security", "--offline=true", "--no-pager", UNIT)
    level = re.search(r"Overall exposure level for filmcall-ship.service: ([\d.]+)", found.stdout)
    assert level is not None, found.stderr
    assert float(level[1]) <= 2.5  # the same target as the watch's


def test_the_unit_ships_for_ever_and_shows_no_password() -> None:
    lines = dict(line.partition("=")[::2] for line in UNIT.read_text().splitlines())
    words = shlex.split(lines["ExecStart"])
    assert words[1:] == ["ship", "--db", "/var/lib/filmcall/log.db", "--to", "${FILMCALL_TO}"]
    assert "Environment=PGPASSFILE=/etc/filmcall/pgpass" in UNIT.read_text()
    assert (lines["Restart"], lines["StartLimitIntervalSec"]) == ("always", "0")


def test_the_install_script_shows_every_command_and_changes_nothing(tmp_path: Path) -> None:
    shown = run(SERVER / "install.sh", "--dry-run", "192.168.7.0/24")
    assert shown.returncode == 0, shown.stderr
    assert shown.stdout.endswith("Nothing was changed.\n")
    for wanted in (
        "apt-get install",
        "createdb --encoding UTF8",
        "ship --prepare --to postgresql:",
    ):
        assert wanted in shown.stdout
    for network in ("192.168.7.0/24", "10.1.0.0/16", "fd12:3456::/64"):
        several = run(SERVER / "install.sh", "--dry-run", "10.1.0.0/16", network, "fd12:3456::/64")
        assert f"    hostssl filmcall +filmcall_station {network} scram-sha-256" in several.stdout


def test_the_commands_are_shown_where_there_is_no_database_yet(tmp_path: Path) -> None:
    """A bare Debian has no folder of PostgreSQL, of which find (GNU) ends with status 1."""
    walked = machine(
        tmp_path,
        SERVER / "install.sh",
        """
        printf '#!/bin/sh\nexit 1\n' >/usr/local/sbin/find
        chmod 755 /usr/local/sbin/find
        "$install" --dry-run 192.168.7.0/24""",
    )
    assert walked.returncode == 0, walked.stderr
    assert walked.stdout.endswith("Nothing was changed.\n")
    assert " /etc/postgresql/VERSION/main/pg_hba.conf\n" in walked.stdout


def test_without_systemd_nothing_is_installed(tmp_path: Path) -> None:
    walked = machine(
        tmp_path,
        SERVER / "install.sh",
        """
        rmdir /run/systemd/system
        mkdir -p /opt/filmcall/venv/bin
        ln -s /bin/true /opt/filmcall/venv/bin/filmcall
        "$install" 192.168.7.0/24""",
    )
    assert (walked.returncode, walked.stdout) == (1, "")
    assert "no systemd runs here" in walked.stderr
    assert "nothing is done. Run it on the booted server." in walked.stderr


@pytest.mark.parametrize(
    "network",
    ["192.168.7.0; rm -rf /", "192.168.700.0/24", "192.168.7.0/240", "192.168.7.9/24", "10.0.0.0",
     "fe80::%eth0/64", "fd12::/129", "all", ""],
)  # fmt: skip
@pytest.mark.parametrize("first", [[], ["192.168.7.0/24"]])
def test_what_is_no_network_is_refused_before_anything_is_done(
    network: str, first: list[str]
) -> None:
    refused = run(SERVER / "install.sh", "--dry-run", *first, network)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert f"NETWORK '{network}' is no network; nothing is done." in refused.stderr


def test_a_second_run_lets_in_the_networks_of_the_second_run(
    postgres: RealPostgres, tmp_path: Path
) -> None:
    """The judge of the lines is PostgreSQL itself, which would not start with a wrong one."""
    need("account postgres", run("id", "postgres").returncode == 0)
    walked = machine(
        tmp_path,
        SERVER / "install.sh",
        """
        mkdir -p /opt/filmcall/venv/bin
        printf '#!/bin/sh\n' >/opt/filmcall/venv/bin/filmcall
        chmod 755 /opt/filmcall/venv/bin/filmcall
        version=$(ls /usr/lib/postgresql 2>/dev/null | sort -n | tail -n 1)
        config=/etc/postgresql/${version:-15}/main
        mkdir -p $config/conf.d
        printf 'local all postgres peer\nhost other all 10.9.0.0/16 md5\n' >$config/pg_hba.conf
        # As an older script left it.
        wrong='hostssl filmcall +filmcall_station 192.168.700.0/24 scram-sha-256'
        echo "$wrong" >>$config/pg_hba.conf
        "$install" 192.168.8.0/24 >/dev/null
        for _ in 1 2; do "$install" 192.168.7.0/24 fd12:3456::/64 >/dev/null; done
        cat $config/pg_hba.conf""",
    )  # fmt: skip
    assert walked.returncode == 0, walked.stderr
    lines = walked.stdout.splitlines()
    networks = ("192.168.7.0/24", "fd12:3456::/64")
    assert lines == [
        "# Stations and readers of filmcall, over TLS only.",
        *(
            f"hostssl filmcall +filmcall_{role} {network} scram-sha-256"
            for network in networks
            for role in ("station", "reader")
        ),
        "local all postgres peer",
        "host other all 10.9.0.0/16 md5",
    ]
    # This one has no TLS, which it would say of each line.
    read = [line.replace("hostssl", "host") for line in lines]
    wrong = "host filmcall all 192.168.700.0/24 trust"
    try:
        for more, faults in ([wrong], "1"), ([], "0"):
            postgres.allow("host all all 127.0.0.1/32 trust", *read, *more)
            seen = postgres.sql("SELECT count(error) FROM pg_hba_file_rules", "postgres")
            assert seen == faults
    finally:
        postgres.allow("host all all 127.0.0.1/32 trust")


def test_a_log_moved_away_as_the_page_says_is_whole_and_a_new_one_begins(tmp_path: Path) -> None:
    page = (SERVER / "README.md").read_text("utf-8")
    assert "sudo systemctl stop filmcall filmcall-ship\n" in page
    moved = re.search(r"sudo -u filmcall sh -c '([^']+)'", page)
    assert moved is not None
    place = tmp_path / "place"
    place.mkdir()
    with Store.open(tmp_path / "log.db", now_s=Clock(T0)) as store:
        store.add_event(Event(EventKind.NOTE, T0, "tent", note="kept"))
        # As a kill leaves it: all is in the tail.
        for part in tmp_path.glob("log.db*"):
            shutil.copy(part, place)
    assert (place / "log.db-wal").stat().st_size > (place / "log.db").stat().st_size
    words = moved[1].replace("/var/lib/filmcall", shlex.quote(str(place)))
    assert run("sh", "-c", words).returncode == 0
    (old,) = place.iterdir()
    with Store.open(place / "log.db", now_s=Clock(T0)) as store:
        assert (store.notices, store.events()) == ((), ())
    with Store.open(old / "log.db", now_s=Clock(T0), read_only=True) as store:
        assert [each.note for each in store.events()] == ["kept"]
    assert run("sh", "-c", words).returncode != 0  # nothing is moved over what was moved before


def test_a_backup_comes_back_and_the_station_ships_what_came_after(
    database: str, postgres: RealPostgres, tmp_path: Path
) -> None:
    path, there = tmp_path / "log.db", tmp_path / "backups"
    there.mkdir()
    honest(path)
    words = ("ship", "--once", "--db", str(path), "--to")
    assert filmcall("ship", "--prepare", "--to", database).code == 0
    assert filmcall(*words, database).code == 0
    made = run(SERVER / "backup.sh", database, there)
    assert made.returncode == 0, made.stderr
    dump = Path(made.stdout.strip())
    assert {each.name for each in there.iterdir()} == {dump.name, dump.with_suffix(".roles").name}
    assert (dump.stat().st_mode & 0o077) == 0
    # What the database has after its backup is lost with it; the log has it still.
    clock = Clock(T0 + 90_000.0)
    with Store.open(path, now_s=clock) as store:
        store.add_event(Event(EventKind.NOTE, clock.now_s, "tent", note="after"))
    assert filmcall(*words, database).code == 0
    again = postgres.new_database(f"{database.rpartition('/')[2]}_again")
    try:
        back = run(SERVER / "restore.sh", dump, again)
        assert back.returncode == 0, back.stderr
        assert "stands at change" in back.stdout
        assert differences(path, again)
        ran = filmcall(*words, again)
        assert ran.code == 0, ran.err
        assert differences(path, again) == []
        assert filmcall("sessions", "verify", "--no-calls", "--db", again).code == 0
        # Rules and rights came along: a station that has no log there sees none.
        seen = "SET SESSION AUTHORIZATION filmcall_station; SELECT count(*) FROM filmcall.readings"
        assert postgres.sql(seen, again.rpartition("/")[2]) == "0"
        refused = run(SERVER / "restore.sh", dump, again)
        assert refused.returncode == 1
        assert "nothing is done" in refused.stderr
    finally:
        postgres.sql(f"DROP DATABASE {again.rpartition('/')[2]} WITH (FORCE)", "postgres")


@pytest.mark.parametrize("count", [1, 3])
def test_old_backups_go(database: str, tmp_path: Path, count: int) -> None:
    assert filmcall("ship", "--prepare", "--to", database).code == 0
    for day in range(1, 5):
        for kind in ("dump", "roles"):
            (tmp_path / f"filmcall-2026010{day}T000000Z.{kind}").touch()
    (tmp_path / "other.dump").touch()
    made = run(SERVER / "backup.sh", database, tmp_path, count)
    assert made.returncode == 0, made.stderr
    dumps = sorted(each.name for each in tmp_path.glob("filmcall-*.dump"))
    assert len(dumps) == count == len(list(tmp_path.glob("*.roles")))
    assert dumps[-1] == Path(made.stdout.strip()).name
    assert (tmp_path / "other.dump").exists()
