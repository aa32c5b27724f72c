"""How the page is started: who may be reached by it, and what stops it, in one sentence each."""

from __future__ import annotations

import asyncio
import io
import json
import shutil
import socket
from pathlib import Path

import pytest
from command import Ran, filmcall

from monitor.page import today as today_module
from monitor.page.serve import _listening
from monitor.page.today import TodaySheet
from rules.errors import FilmcallError

ROOT = Path(__file__).parents[3]
CONFIG = ROOT / "examples" / "workboat" / "polytunnel.toml"


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


def test_a_port_in_use_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(FilmcallError, match=rf"127.0.0.1:{port} cannot be listened on"):
            _listening("127.0.0.1", port)


def test_an_account_takes_its_password_from_standard_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "accounts"
    monkeypatch.setattr("sys.stdin", io.StringIO("rain on canvas\nmore\n"))
    ran = started("--add-account", "kit", "--right", "record", "--accounts", file)
    assert (ran.code, ran.out) == (0, "kit added: may record\n")
    assert json.loads(file.read_text())["accounts"]["kit"]["right"] == "record"
    assert "rain" not in file.read_text()


def test_the_sheet_of_today_is_what_the_command_prints(tmp_path: Path) -> None:
    for name in ("workboat.toml", "creek.csv", "polytunnel.toml"):
        shutil.copy(ROOT / "examples" / "workboat" / name, tmp_path)
    text = asyncio.run(TodaySheet(tmp_path / "workboat.toml", tmp_path / "log.db").text())
    ran = filmcall("today", "--job", str(tmp_path / "workboat.toml"), "--db",
                   str(tmp_path / "log.db"))  # fmt: skip
    said = (ran.out if ran.code == 0 else ran.err).strip().splitlines()
    assert said
    # The minute in the heading may have turned.
    assert text.splitlines()[1:] == said[1:]
    assert text.splitlines()[0].split(",")[0] == said[0].split(",")[0]


def test_a_sheet_that_cannot_be_made_says_why_and_one_that_takes_too_long_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = TodaySheet(tmp_path / "none.toml", None)
    assert "cannot be read (No such file or directory)" in asyncio.run(sheet.text())
    monkeypatch.setattr(today_module, "LIMIT_S", 0.01)
    sheet = TodaySheet(tmp_path / "none.toml", None)
    assert asyncio.run(sheet.text()).startswith("Today's sheet took over 0 s and was given up")
