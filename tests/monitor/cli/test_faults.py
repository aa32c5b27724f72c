"""What a user can get wrong on any command line is one sentence and a status, never a traceback."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
import typer
from command import filmcall

from monitor.cli.app import app

HOUSE = Path(__file__).parents[3]
MAIN = [sys.executable, "-c", "from monitor.cli.app import main; main()"]
SPEC = ("--spec", "polyurethane-topcoat")


@pytest.mark.parametrize(
    ("words", "named", "fix"),
    [
        (["check"], "'--air'", "as in: filmcall check --air 21 --rh 60 --surface 19"),
        (["check", "--air"], "'--air'", "see: filmcall"),
        (["check", "--nope"], "--nope", "see: filmcall check --help"),
        (["nonesuch"], "'nonesuch'", "see: filmcall --help"),
        (["spec", "nonesuch"], "'nonesuch'", "see: filmcall spec --help"),
        (["spec", "show"], "'name'", "as in: filmcall spec show polyurethane-topcoat --json"),
        (["replay"], "'FILE.csv'", "as in: filmcall replay logger.csv"),
        (["watch", "--config", "/"], "'--config'", "see: filmcall watch --help"),
        (["check", "--air", "20", "twenty"], "twenty", "see: filmcall check --help"),
        (["clocks", "--json=1"], "'--json'", "see: filmcall"),
        (["calibrate", "undo"], "'--row'", "as in: filmcall calibrate undo --row 3"),
        (["export", "--\x1b[31m"], "\\x1b[31m", "see: filmcall export --help"),
    ],
)
def test_words_that_no_command_takes_are_one_sentence(
    words: list[str], named: str, fix: str
) -> None:
    ran = filmcall(*words)
    assert (ran.code, ran.out) == (2, "")
    [line] = ran.err.splitlines()
    assert line.startswith("filmcall: ")
    assert named in line
    assert f", so nothing was done; {fix}" in line


@pytest.mark.parametrize("words", [[], ["spec"], ["calibrate"]])
def test_no_words_at_all_are_answered_with_what_there_is(words: list[str]) -> None:
    ran = filmcall(*words)
    assert ran.code == 2
    assert "Commands:" in ran.err


@pytest.mark.parametrize(
    "words", [["check", "--air", "20", "--rh", "50"], ["spec", "list"], ["--help"], ["--version"]]
)
def test_output_that_cannot_be_written_is_one_sentence(words: list[str]) -> None:
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [*MAIN, *words], stdout=full, stderr=subprocess.PIPE, text=True, cwd=HOUSE, check=False
        )
    assert ran.returncode == 2
    assert ran.stderr == (
        "filmcall: a file or the output cannot be read or written (no space left on device), so "
        "the command stopped before its end; check the disk, the file's name and who may use it\n"
    )


@pytest.mark.parametrize(
    "words",
    [
        ["simulate", "--hours", "0.1", "--out"],
        ["batch", *SPEC, "--area", "3", "--dry-um", "50", "--temp", "18", "--html"],
    ],
)
def test_a_file_that_cannot_be_written_is_named(words: list[str], tmp_path: Path) -> None:
    ran = filmcall(*words, str(tmp_path))
    assert ran.code == 2
    assert ran.err == (
        f"filmcall: {tmp_path} cannot be written (Is a directory), so it is not whole; fix that, "
        "or give another file\n"
    )


def _begun() -> subprocess.Popen[str]:
    begun = subprocess.Popen(
        [*MAIN, "simulate", "--hours", "9999"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=HOUSE,
        # A job in a shell's background is born deaf to it.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert begun.stdout is not None
    assert begun.stdout.readline().startswith("time,")
    return begun


def test_ctrl_c_is_130_without_a_word() -> None:
    with _begun() as begun:
        begun.send_signal(signal.SIGINT)
        _, err = begun.communicate(timeout=30)
        assert (begun.returncode, err) == (130, "")


def test_a_reader_that_has_gone_is_141_without_a_word() -> None:
    with _begun() as begun:
        assert begun.stdout is not None
        assert begun.stderr is not None
        begun.stdout.close()
        assert (begun.wait(timeout=30), begun.stderr.read()) == (141, "")


BATCH = ["batch", *SPEC, "--area", "3", "--dry-um", "50", "--temp", "18"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["doctor", "--wait", "-1"], "--wait '-1' is no number from 0 to 86400 s"),
        (["doctor", "--wait", "nan"], "--wait 'nan' is no number from 0 to 86400 s"),
        (["doctor", "--wait", "inf"], "--wait 'inf' is no number from 0 to 86400 s"),
        (["simulate", "--hours", "nan"], "--hours 'nan' is no number from 0.01 to 10000 h"),
        (["simulate", "--hours", "1e300"], "--hours '1e300' is no number from 0.01 to 10000 h"),
        (["simulate", "--speed", "0"], "--speed '0' is no number from 0.01 to 1000000"),
        (["demo", "--seed", "-1"], "--seed '-1' is no whole number from 0 to 4294967295"),
        (["demo", "--seed", "1.5"], "--seed '1.5' is no whole number from 0 to 4294967295"),
        ([*BATCH, "--cup", "0"], "--cup '0' is no number from 10 to 10000 mL"),
        ([*BATCH, "--cup", "-inf"], "--cup '-inf' is no number from 10 to 10000 mL"),
        ([*BATCH, "--pot", "big"], "--pot 'big' is no number of mL"),
        ([*BATCH, "--coats", "99"], "--coats '99' is no whole number from 1 to 20"),
        (["event", "mixed", "--coat", "1.5"], "--coat '1.5' is no whole number"),
        (["calibrate", "undo", "--row", "0"], "--row '0' is no whole number of 1 or more"),
        (
            ["calibrate", "salt", "--point", "a", "--salt", "NaCl", "--wait", "-1"],
            "--wait '-1' is no number from 0 to 604800 s",
        ),
        (["check", "--air", "20", "--altitude", ""], "--altitude '' is no number of m"),
    ],
)
def test_a_figure_that_makes_no_sense_is_one_sentence(words: list[str], sentence: str) -> None:
    ran = filmcall(*words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == f"filmcall: {sentence}, so nothing was done; enter it again\n"


def _plain_numbers(of: Any) -> Iterator[str]:
    """The parameters of a command, or of all in a group, whose number the parser itself reads."""
    for each in getattr(of, "commands", {}).values():
        yield from _plain_numbers(each)
    hints = {} if of.callback is None else get_type_hints(of.callback, include_extras=True)
    for name, hint in hints.items():
        kind, *options = get_args(hint) or (hint,)
        number = {int, float} & {kind, *get_args(kind), *chain(*map(get_args, get_args(kind)))}
        if number and not any(getattr(each, "parser", None) for each in options):
            yield f"{of.name} {name}"


def test_no_command_leaves_a_number_to_the_parser() -> None:
    """A number that the parser reads by itself may be NaN, and its refusal names no value."""
    assert list(_plain_numbers(typer.main.get_command(app))) == []


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() != 0 or shutil.which("setpriv") is None,
    reason="another account's files are made by root alone",
)
@pytest.mark.parametrize("folder_mode", [0o755, 0o700])
@pytest.mark.parametrize(
    "words",
    [
        ("clocks", "--db", "log.db"),
        ("event", "washed", "--enclosure", "tent", "--db", "log.db"),
        ("check", "--now", "--config", "shed.toml", "--db", "none.db"),
        ("doctor", "--config", "shed.toml", "--db", "log.db"),
    ],
)
def test_what_another_account_owns_is_named_with_the_way_to_use_it(
    tmp_path: Path, folder_mode: int, words: tuple[str, ...]
) -> None:
    """Linux: root without CAP_DAC_OVERRIDE may use no file of mode 600 that is another's."""
    folder = tmp_path / "theirs"
    folder.mkdir()
    for name in ("log.db", "shed.toml"):
        (folder / name).write_bytes(b"")
        os.chmod(folder / name, 0o600)
        os.chown(folder / name, 65534, 65534)
    os.chown(folder, 65534, 65534)
    os.chmod(folder, folder_mode)
    import pwd

    who = pwd.getpwuid(65534).pw_name
    given = [str(folder / word) if word.endswith((".db", ".toml")) else word for word in words]
    ran = subprocess.run(
        ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *MAIN, *given],
        capture_output=True, text=True, check=False, timeout=60.0, cwd=HOUSE,
    )  # fmt: skip
    assert ran.returncode in (1, 2)
    assert f"it belongs to {who}; run it as sudo -u {who} filmcall" in ran.stdout + ran.stderr
    assert "Traceback" not in ran.stderr
