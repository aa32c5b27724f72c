"""The first tenth of a second: what a command loads, and Ctrl-C while it still loads."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize("module", ["typer", "monitor.cli.faults", "monitor.display"])
def test_ctrl_c_while_it_loads_ends_it_without_a_word(module: str) -> None:
    # It sends itself the signal as it looks for a module, as a person may at any moment.
    code = f"""
import os, signal, sys
class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Finder())
from monitor.__main__ import main
main()
"""
    words = ["check", "--air", "21", "--rh", "60", "--surface", "19"]
    ran = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (-signal.SIGINT, "", "")


def test_ctrl_c_works_as_before_once_it_has_loaded() -> None:
    code = """
import os, signal
import monitor.cli.check
def stopped(*_): os.kill(os.getpid(), signal.SIGINT)
monitor.cli.check.printed = stopped
from monitor.__main__ import main
main()
"""
    words = ["check", "--air", "21", "--rh", "60", "--surface", "19"]
    ran = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (130, "", "")


def test_a_note_loads_nothing_that_reckons_clocks(tmp_path: Path) -> None:
    code = """
import sys
from monitor.__main__ import main
try:
    main()
finally:
    slow = ("numpy", "pandas", "monitor.config.model", "rules.clocks.clock", "rules.spec.read")
    print([name for name in slow if name in sys.modules])
"""
    words = ["event", "note", "--note", "x", "--enclosure", "tent", "--db", str(tmp_path / "l.db")]
    ran = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert (ran.returncode, ran.stdout.splitlines()[-1]) == (0, "[]"), ran.stderr
