"""Who may: hashed passwords, sessions that run out, tries that are limited.

Argon2id and its text form: RFC 9106. Least length of a password: NIST SP 800-63B (2017), 5.1.1.2.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from monitor.page import accounts as accounts_module
from monitor.page.accounts import Accounts, Right, add_account
from monitor.page.sessions import LASTS_S, TRIES, WINDOW_S, Sessions, Tries
from rules.errors import FilmcallError

NOW_S = 1_800_000_000.0
PASSWORD = "rain on canvas"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hash in milliseconds; the defaults are looked at by a test of their own."""
    real = accounts_module.PasswordHasher

    def quick() -> object:
        return real(time_cost=1, memory_cost=64, parallelism=1)

    monkeypatch.setattr(accounts_module, "PasswordHasher", quick)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "accounts.json"
    assert add_account(path, "kit", "record", PASSWORD) == "kit added: may record"
    assert add_account(path, "wall", "read", PASSWORD) == "wall added: may read"
    return path


def test_a_file_holds_a_hash_and_is_its_owners_alone(file: Path) -> None:
    assert os.stat(file).st_mode & 0o777 == 0o600
    text = file.read_text()
    assert PASSWORD not in text
    hashes = [each["hash"] for each in json.loads(text)["accounts"].values()]
    assert all(each.startswith("$argon2id$v=19$") for each in hashes)
    assert len(set(hashes)) == 2, "salted"
    assert [path.name for path in file.parent.iterdir()] == [file.name]


def test_the_hash_costs_what_rfc_9106_asks_for_at_least(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    add_account(tmp_path / "a", "kit", "read", PASSWORD)
    # RFC 9106, 4: its second choice is t=3, p=4, m=64 MiB.
    assert "$m=65536,t=3,p=4$" in (tmp_path / "a").read_text()


def test_an_empty_file_that_was_laid_for_another_owner_is_begun(tmp_path: Path) -> None:
    (tmp_path / "a").touch(0o600)
    add_account(tmp_path / "a", "kit", "read", PASSWORD)
    assert Accounts(tmp_path / "a").checked("kit", PASSWORD) is not None


def test_a_password_opens_its_own_account_and_no_other(file: Path) -> None:
    add_account(file, "wall", "read", "another password")
    accounts = Accounts(file)
    account = accounts.checked("kit", PASSWORD)
    assert account is not None
    assert account.right is Right.RECORD
    for name, password in (("kit", "rain on canvas "), ("wall", PASSWORD), ("Kit", PASSWORD),
                           ("", ""), ("kit", ""), ("kit", "x" * 5000)):  # fmt: skip
        assert accounts.checked(name, password) is None


@pytest.mark.parametrize(
    ("name", "right", "password", "told"),
    [
        ("", "read", PASSWORD, "name ''"),
        (" kit", "read", PASSWORD, "name ' kit'"),
        ("k\x1b[2Jt", "read", PASSWORD, r"name 'k\x1b[2Jt'"),
        ("k" * 41, "read", PASSWORD, "is not 1 to 40"),
        ("kit", "admin", PASSWORD, "right 'admin' is neither read nor record"),
        ("kit", "read", "short", "the password has 5 characters and needs 8 to 1024"),
    ],
)
def test_an_account_that_cannot_be_is_refused_in_one_sentence(
    tmp_path: Path, name: str, right: str, password: str, told: str
) -> None:
    with pytest.raises(FilmcallError) as caught:
        add_account(tmp_path / "a", name, right, password)
    assert told in str(caught.value)
    assert password not in str(caught.value)
    assert not (tmp_path / "a").exists()


def test_a_file_that_others_can_read_or_that_is_none_is_refused(file: Path) -> None:
    file.chmod(0o640)
    with pytest.raises(FilmcallError, match="can be read by others"):
        Accounts(file)
    file.chmod(0o600)
    for text in ("", "[]", '{"accounts": {}}', '{"key": "x", "accounts": {}}'):
        file.write_text(text)
        with pytest.raises(FilmcallError, match="no file that --add-account wrote"):
            Accounts(file)
    file.unlink()
    with pytest.raises(FilmcallError, match="no such file"):
        Accounts(file)


def test_a_session_lasts_by_its_right_and_ends_with_password_right_or_logout(file: Path) -> None:
    accounts = Accounts(file)
    sessions = Sessions(accounts)
    kit = accounts.get("kit")
    assert kit is not None
    cookie = sessions.begin(kit, NOW_S)
    session = sessions.read(cookie, NOW_S + 1.0)
    assert session is not None
    assert session.may_record
    assert sessions.read(cookie, NOW_S + LASTS_S[Right.RECORD] - 1.0) is not None
    assert sessions.read(cookie, NOW_S + LASTS_S[Right.RECORD]) is None
    assert sessions.read(cookie[:-2] + "xx", NOW_S) is None
    assert sessions.read(cookie, NOW_S - 86_400.0) is None, "a session of tomorrow"
    # Another program on the same file takes the same cookie: a restart ends none.
    assert Sessions(Accounts(file)).read(cookie, NOW_S) is not None
    sessions.end(session)
    assert sessions.read(cookie, NOW_S) is None
    again = sessions.begin(kit, NOW_S)
    add_account(file, "kit", "read", PASSWORD)
    assert sessions.read(again, NOW_S) is None


def test_a_forms_token_is_of_one_visitor(file: Path) -> None:
    sessions = Sessions(Accounts(file))
    token = sessions.form_token("one")
    assert sessions.is_form(token, "one")
    assert not sessions.is_form(token, "two")
    assert not sessions.is_form("", "")
    assert not sessions.is_form(sessions.form_token(""), "")
    kit = Accounts(file).get("kit")
    assert kit is not None
    assert not sessions.is_form(sessions.begin(kit, NOW_S), "one"), "a cookie is no form's token"


def test_a_try_too_many_waits_until_the_first_is_old() -> None:
    tries = Tries()
    for n in range(TRIES["address"]):
        assert tries.wait_s("10.0.0.9", "kit", float(n)) == 0.0
        tries.failed("10.0.0.9", "kit", float(n))
    assert tries.wait_s("10.0.0.9", "other", 10.0) == pytest.approx(WINDOW_S - 10.0)
    assert tries.wait_s("10.0.0.7", "kit", 10.0) == 0.0, "its owner may still come in elsewhere"
    assert tries.wait_s("10.0.0.9", "kit", WINDOW_S + 0.1) == 0.0
    tries.passed("10.0.0.9")
    assert tries.wait_s("10.0.0.9", "kit", 10.0) == 0.0


def test_many_addresses_are_one_attack_too_and_take_no_room() -> None:
    tries = Tries()
    for n in range(TRIES["name"]):
        tries.failed(f"10.0.0.{n}", "kit", 0.0)
    assert tries.wait_s("10.9.9.9", "kit", 1.0) > 0.0
    assert tries.wait_s("10.9.9.9", "pat", 1.0) == 0.0
    for n in range(10_000):
        tries.failed(f"a{n}", f"b{n}", 1.0)
    assert tries.wait_s("10.9.9.8", "pat", 1.0) > 0.0
    assert len(tries._failed) <= 2_000
