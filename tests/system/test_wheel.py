"""The wheel, installed into an environment of its own and run from another folder.

What it has to hold is what lies in the tree: every module, every shipped spec, every data file.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from monitor import __version__
from tests.system.conftest import need

ROOT = Path(__file__).parents[2]
ROOMS = ("sensors", "rules", "monitor")
LEFT = shutil.ignore_patterns("__pycache__")
# What pip says where it cannot fetch the build tool that pyproject.toml asks for.
_NO_INDEX = re.compile(
    r"No matching distribution|Could not find a version|NewConnectionError|Temporary failure"
    r"|ConnectTimeout|ProxyError"
)


def run(*words: object, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a command without what the tests' own environment would let it import."""
    inherited = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "FILMCALL"))}
    return subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env={**inherited, **environment},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel from a copy of the tree, which stays as it was."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in ROOMS:
        shutil.copytree(ROOT / name, source / name, ignore=LEFT)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    built = run(
        *(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps"),
        *("--wheel-dir", folder / "dist", source),
        cwd=folder,
    )
    if built.returncode and _NO_INDEX.search(built.stderr):
        need("the build tool of pyproject.toml", present=False)
    assert built.returncode == 0, built.stderr
    (found,) = (folder / "dist").glob("*.whl")
    return found


@pytest.fixture(scope="module")
def program(wheel: Path) -> Path:
    """Install it beside nothing else, with the packages that it needs borrowed from ours."""
    home = wheel.parents[1] / "venv"
    made = run(sys.executable, "-m", "venv", "--without-pip", home, cwd=wheel.parent)
    assert made.returncode == 0, made.stderr
    python = home / "bin" / "python"
    put = run(
        *(sys.executable, "-m", "pip", "--python", python, "install", "--quiet"),
        *("--no-deps", "--no-index", wheel),
        cwd=wheel.parent,
    )
    assert put.returncode == 0, put.stderr
    asked = run(
        python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=wheel.parent
    )
    # The .pth files over there, an editable install's among them, do not count from here.
    lines = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (Path(asked.stdout.strip()) / "borrowed.pth").write_text("\n".join(sorted(lines)) + "\n")
    return home / "bin" / "filmcall"


def test_the_wheel_holds_every_module_spec_and_data_file_and_nothing_else(wheel: Path) -> None:
    wanted = {
        str(path.relative_to(ROOT))
        for room in ROOMS
        for path in (ROOT / room).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    held = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert {name for name in wanted if name.endswith(".toml")}, "the shipped specs"
    assert held == wanted


def test_it_is_the_wheel_that_runs_and_not_the_tree(program: Path, tmp_path: Path) -> None:
    code = "import monitor, rules, sensors; print(*(m.__file__ for m in (monitor, rules, sensors)))"
    ran = run(program.parent / "python", "-c", code, cwd=tmp_path)
    assert ran.returncode == 0, ran.stderr
    for file in ran.stdout.split():
        assert Path(file).is_relative_to(program.parents[1])
    assert run(program, "--version", cwd=tmp_path).stdout == f"filmcall {__version__}\n"


def test_the_wheel_plays_the_demo_from_another_folder(program: Path, tmp_path: Path) -> None:
    ran = run(program, "demo", cwd=tmp_path)
    assert ran.returncode == 0, ran.stderr
    calls = re.findall(r"^REPLAY \S+Z  (GO|HOLD|STOP) ", ran.stdout, re.MULTILINE)
    assert {"GO", "HOLD", "STOP"} <= set(calls)


def test_the_wheel_brings_its_specs(program: Path, tmp_path: Path) -> None:
    ran = run(program, "spec", "list", cwd=tmp_path)
    assert ran.returncode == 0, ran.stderr
    for path in (ROOT / "rules" / "specs").glob("*.toml"):
        assert path.stem in ran.stdout


@pytest.mark.parametrize(
    ("rh", "surface", "code"), [("60", "19", 0), ("60", "16.6", 10), ("60", "14", 20)]
)
def test_the_wheel_judges_a_hand_reading(
    program: Path, tmp_path: Path, rh: str, surface: str, code: int
) -> None:
    """21 °C and 60 % have a dew point of 12.9 °C (ASHRAE Fundamentals, psychrometric chart)."""
    ran = run(program, "check", "--air", "21", "--rh", rh, "--surface", surface, cwd=tmp_path)
    assert ran.returncode == code, ran.stdout + ran.stderr
    assert "dew point 12.9" in ran.stdout
