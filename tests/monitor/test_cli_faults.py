"""What a user can get wrong on any command line is one sentence and a status, never a traceback."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from command import filmcall

HOUSE = Path(__file__).parents[2]
MAIN = [sys.executable, "-c", "from monitor.cli import main; main()"]
SPEC = ("--spec", "polyurethane-topcoat")


@pytest.mark.parametrize(
    ("words", "named", "mend"),
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
    words: list[str], named: str, mend: str
) -> None:
    ran = filmcall(*words)
    assert (ran.code, ran.out) == (2, "")
    [line] = ran.err.splitlines()
    assert line.startswith("filmcall: ")
    assert named in line
    assert f", so nothing was done; {mend}" in line


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
        "filmcall: output cannot be read or written (no space left on device), so the command "
        "stopped before its end; check the disk, the file's name and who may use it\n"
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
        f"filmcall: {tmp_path} cannot be written (Is a directory), so it is not whole; mend that, "
        "or give another file\n"
    )


def _begun() -> subprocess.Popen[str]:
    begun = subprocess.Popen(
        [*MAIN, "simulate", "--hours", "9999"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=HOUSE,
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
