"""`filmcall spec`: what a starting file may be called, and whose figures count."""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall


def test_a_file_is_not_named_as_a_shipped_spec(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = filmcall("spec", "new", "polyurethane-topcoat", "--family", "two-pack-polyurethane")
    assert (ran.code, "comes with the program" in ran.err) == (2, True)
    assert list(tmp_path.iterdir()) == []


def test_where_both_exist_neither_is_taken_in_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "varnish.toml").write_text("name = 'varnish'")
    ran = filmcall("check", "--air", "21", "--rh", "60", "--surface", "19", "--spec", "varnish")
    assert (ran.code, "has the same name" in ran.err) == (2, True)


def test_a_name_that_cannot_be_leaves_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert filmcall("spec", "new", "a b", "--family", "varnish").code == 2
    assert list(tmp_path.iterdir()) == []


def test_a_new_file_is_refused_until_its_figures_are_entered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert filmcall("spec", "new", "my-topcoat", "--family", "two-pack-polyurethane").code == 0
    ran = filmcall("spec", "check", "my-topcoat.toml")
    assert (ran.code, "still to be entered" in ran.out) == (2, True)
    assert filmcall("spec", "new", "my-topcoat", "--family", "varnish").code == 2, "not over it"


def test_every_shipped_spec_is_listed_and_shown() -> None:
    listed = filmcall("spec", "list").out
    for name in ("polyurethane-topcoat", "two-pack-epoxy-primer", "varnish"):
        assert name in listed
        assert "generic" in filmcall("spec", "show", name).out
