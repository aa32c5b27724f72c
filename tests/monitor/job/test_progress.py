"""While a plan is made a terminal is told what is done; nothing else ever is."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

from plan_jobs import FAIR, SOLO, SPECS, Trial, job_text

ROOT = Path(__file__).parents[3]


def run(folder: Path, stderr: int) -> str:
    """Run the command with standard error where it is given; return its standard output."""
    job, forecast = Trial(job_text(SOLO), SPECS, FAIR).write(folder)
    code = "from monitor.cli.app import main; main()"
    words = ("plan", "--job", str(job), "--forecast", str(forecast), "--solve", "0")
    ran = subprocess.run(
        [sys.executable, "-c", code, *words, "--db", str(folder / "none.db")],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=stderr, text=True, check=True,
        env={**os.environ, "TERM": "xterm-256color"},
    )  # fmt: skip
    return ran.stdout


def test_a_terminal_sees_what_is_done_and_standard_output_stays_as_it_is(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    try:
        on_terminal = run(tmp_path, theirs)
        seen = os.read(ours, 65_536).decode("utf-8", "replace")
    finally:
        os.close(ours)
        os.close(theirs)
    elsewhere = run(tmp_path, subprocess.STDOUT)
    assert "planning by list order" in seen
    assert "\x1b" in seen
    assert on_terminal == elsewhere, "elsewhere nothing goes to standard error"
    assert on_terminal.startswith("the workboat: done Thu 2026-10-22 18:15")
