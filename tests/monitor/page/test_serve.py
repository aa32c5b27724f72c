"""How the page is started: who may be reached by it, and what stops it, in one sentence each."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from datetime import UTC
from pathlib import Path

import pytest
from command import Ran, filmcall

from monitor.display import VARIABLE, Units, forget, prefer
from monitor.listen.yard import Key
from monitor.page import today as today_module
from monitor.page.serve import _listening
from monitor.page.today import TodaySheet
from monitor.yard.run import _listener
from rules.errors import FilmcallError
from rules.text import date_text, iso_utc
from rules.units import DAY_S

ROOT = Path(__file__).parents[3]
CONFIG = ROOT / "examples" / "workboat" / "polytunnel.toml"

JOB = """
[job]
boat = "the dinghy"
start = "{start}"
must_be_done = "{day}"
timezone = "Etc/UTC"
hours = "00:00-24:00"
[enclosure.tent]
warmer = "0 K"
[[section]]
name = "hull"
enclosure = "tent"
area = "2 m2"
system = [{{ coat = "one-pack-enamel", dry = "40 um", takes = "1 h" }}]
"""


def started(*words: object) -> Ran:
    return filmcall("page", "--config", str(CONFIG), *map(str, words))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--host", "0.0.0.0"), "--accounts and --cert and --key are missing"),
        (("--host", "192.168.1.20", "--accounts", "a"), "and --cert and --key are missing"),
        (("--host", "::", "--cert", "c", "--key", "k"), "and --accounts is missing"),
        (("--host", "shed-pi.local"), "can be reached by others"),
        (("--cert", "c"), "--cert and --key go together"),
        (("--cert", "c", "--key", "k"), "certificate 'c' or key 'k' cannot be used"),
        (("--accounts", "/nowhere/accounts"), "accounts '/nowhere/accounts' cannot be used"),
        (("--port", "70000"), "--port '70000' is no whole number from 0 to 65535"),
        (("--add-account", "kit"), "--add-account goes with --accounts FILE and --right"),
    ],
)
def test_what_cannot_be_served_safely_is_not_started(words: tuple[str, ...], told: str) -> None:
    ran = started(*words)
    assert ran.code == 2
    assert told in ran.err
    assert ran.err.count("\n") == 1


def test_who_only_listens_needs_no_points(tmp_path: Path) -> None:
    """deploy/README.md, 6: the page's config needs broker, publish, names and zones."""
    file = tmp_path / "page.toml"
    file.write_text(
        '[broker]\nhost = "127.0.0.1"\n[publish]\nstation = "office"\n'
        '[[enclosure]]\nname = "tent"\ntimezone = "Etc/UTC"\n'
    )
    # It gets as far as the address, which others can reach.
    assert "--accounts and" in filmcall("page", "--config", str(file), "--host", "0.0.0.0").err
    listener, zone = _listener(None, file)
    assert (listener.keys(), zone.key) == ([Key("office", "tent")], "Etc/UTC")
    assert "enclosure[1].point: is missing" in filmcall("watch", "--config", str(file)).err


def test_a_port_in_use_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(FilmcallError, match=rf"127.0.0.1:{port} cannot be listened on"):
            _listening("127.0.0.1", port)


def test_a_page_whose_program_is_taken_away_ends_so_that_the_new_one_is_started(
    tmp_path: Path,
) -> None:
    """As an upgrade does under a page that nobody restarts: systemd's Restart=always does it."""
    program = tmp_path / "program"
    for room in ("monitor", "rules", "sensors"):
        shutil.copytree(ROOT / room, program / room)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    words = ("page", "--config", str(CONFIG), "--port", str(port))
    page = subprocess.Popen(
        [sys.executable, "-m", "monitor", *words], stderr=subprocess.PIPE, text=True, cwd=program,
        env={**os.environ, "PYTHONPATH": str(program)},
    )  # fmt: skip
    try:
        address = f"http://127.0.0.1:{port}/alive"
        for _ in range(600):
            with contextlib.suppress(OSError), urllib.request.urlopen(address) as answer:
                assert answer.status == 200
                break
            time.sleep(0.1)
        assert page.poll() is None
        shutil.rmtree(program)
        _, told = page.communicate(timeout=30)
    finally:
        page.kill()
        page.wait()
    assert page.returncode in (0, -signal.SIGTERM, 128 + signal.SIGTERM)
    assert "files are gone, as by an upgrade: it ends" in told


def test_an_account_takes_its_password_from_standard_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "accounts"
    monkeypatch.setattr("sys.stdin", io.StringIO("rain on canvas\nmore\n"))
    ran = started("--add-account", "kit", "--right", "record", "--accounts", file)
    assert (ran.code, ran.out) == (0, "kit added: may record\n")
    assert json.loads(file.read_text())["accounts"]["kit"]["right"] == "record"
    assert "rain" not in file.read_text()


@pytest.mark.parametrize("units", list(Units))
def test_the_sheet_of_today_is_what_the_command_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, units: Units
) -> None:
    job, forecast, db = (tmp_path / name for name in ("job.toml", "now.csv", "log.db"))
    start, day = (date_text(time.time() + days * DAY_S, UTC) for days in (0.0, 40.0))
    job.write_text(JOB.format(start=start, day=day))
    hour_s = time.time() // 3600.0 * 3600.0
    rows = [f"{iso_utc(hour_s + 3600.0 * n)},18,60" for n in range(24 * 20)]
    forecast.write_text("\n".join(["time,temperature,humidity", *rows]) + "\n")
    forget()
    prefer(units)  # as the page's config does
    text = asyncio.run(TodaySheet(job, db=db, forecast=forecast).text())
    monkeypatch.setenv(VARIABLE, units)
    words = ("--job", str(job), "--forecast", str(forecast), "--db", str(db))
    ran = filmcall("today", *words)
    assert ran.code == 0, ran.err
    assert "May I?" in text
    assert ("°F" in text) is (units is Units.US)
    # The minutes in it may have turned.
    for line, said in zip(text.splitlines(), ran.out.strip().splitlines(), strict=True):
        assert re.sub(r"\d\d:\d\d", "", line) == re.sub(r"\d\d:\d\d", "", said)


def test_a_sheet_that_cannot_be_made_says_why_and_one_that_takes_too_long_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = TodaySheet(tmp_path / "none.toml")
    assert "cannot be read (no such file or directory)" in asyncio.run(sheet.text())
    monkeypatch.setattr(today_module, "LIMIT_S", 0.01)
    sheet = TodaySheet(tmp_path / "none.toml")
    assert asyncio.run(sheet.text()).startswith("Today's sheet took over 0 s and was given up")
