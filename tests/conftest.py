"""What holds for every test: no generated example fails because the machine was slow, files that
one run needs lie in memory where there is room, and what waits goes beside what reckons.
"""

from __future__ import annotations

import atexit
import gc
import os
import shutil
import sys
import sysconfig
import tempfile
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

# Hypothesis fails an example that takes over 200 ms, which a small or busy board does now and then.
settings.register_profile("filmcall", deadline=None)
settings.load_profile("filmcall")

_WAITING = ("system", "trials20")
_WAITED_BY = 0.6  # of the run's files when the last that waits begins
_MEMORY = Path("/dev/shm")
_ROOM_BYTES = 2 * 2**30  # some ten times what all tests leave behind


def _work_in_memory() -> None:
    """Let logs wait for no disk: a kill of a process, unlike a power cut, loses nothing there."""
    if "TMPDIR" in os.environ or not os.access(_MEMORY, os.W_OK):
        return
    disk = os.statvfs(_MEMORY)
    if disk.f_bavail * disk.f_frsize >= _ROOM_BYTES and not disk.f_flag & os.ST_NOEXEC:
        os.environ["TMPDIR"] = tempfile.tempdir = str(_MEMORY)


def _share_bytecode() -> None:
    """Let the run's processes compile each file once, where none may be left beside the sources."""
    if sys.dont_write_bytecode:
        folder = tempfile.mkdtemp(prefix="filmcall-bytecode-")
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        _lend_bytecode(folder)
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = folder
        sys.dont_write_bytecode = False


def _lend_bytecode(folder: str) -> None:
    """Have what was compiled when packages were installed found in the run's own folder too."""
    for installed in {sysconfig.get_path(name) for name in ("stdlib", "purelib", "platlib")}:
        for place, inner, names in os.walk(installed):
            inner[:] = [name for name in inner if name != "site-packages"]  # another python's
            if place.endswith("__pycache__"):
                here = folder + os.path.dirname(place)
                os.makedirs(here, exist_ok=True)
                for name in names:
                    os.symlink(f"{place}/{name}", f"{here}/{name}")


_work_in_memory()
_share_bytecode()
# As the program has it, and before numpy is loaded: threads of its own wait busily for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
gc.disable()  # while tests are collected: nothing of that is ever garbage


def pytest_configure(config: pytest.Config) -> None:
    """Let several processes take the files in our order, not those of many tests first."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_finish() -> None:
    """Have no search for garbage look through all that was collected, again and again."""
    gc.enable()
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Begin elsewhere in each process, which then finds compiled what others began with."""
    report = yield
    worker = getattr(collector.config, "workerinput", None)
    if worker and isinstance(collector, pytest.Directory) and report.passed:
        turn = int(worker["workerid"].removeprefix("gw")) / worker["workercount"]
        first = round(turn * len(report.result))
        report.result = [*report.result[first:], *report.result[:first]]
    return report


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mix files that mostly wait with those that reckon; what is short comes last.

    The order is the same in every process. Backwards by name the doctests of modules are last.
    """
    here = Path(__file__).parent
    reckoning: list[Path] = []
    waiting: list[Path] = []
    for path in sorted({item.path for item in items}, reverse=True):
        waits = any(here / name in path.parents for name in _WAITING)
        (waiting if waits else reckoning).append(path)
    place = {path: number / len(reckoning) for number, path in enumerate(reckoning)}
    place |= {path: _WAITED_BY * number / len(waiting) for number, path in enumerate(waiting)}
    items.sort(key=lambda item: (place[item.path], item.path))
