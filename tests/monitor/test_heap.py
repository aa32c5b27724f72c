"""Memory that was freed goes back to the system; measured by what Linux says of the process."""

from __future__ import annotations

import ctypes
import os
import platform
import subprocess
import sys

import pytest

from monitor.heap import give_back

# Blocks over 512 bytes are the C library's; those that stay lie between those that are freed.
SCRIPT = """
from pathlib import Path
from monitor.heap import give_back

def resident_kib():
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0])

blocks = [bytes(4_000) for _ in range(16_000)]
stay = blocks[::400]
del blocks
before_kib = resident_kib()
give_back()
print(before_kib - resident_kib(), len(stay))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="needs glibc")
def test_what_lies_between_blocks_in_use_goes_back_to_the_system() -> None:
    # The library would map large blocks apart, and trims the end of its heap by itself.
    settings = {"MALLOC_TRIM_THRESHOLD_": str(2**30), "MALLOC_MMAP_THRESHOLD_": str(2**20)}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        env={**os.environ, **settings, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        check=True,
    )
    given_kib, stayed = map(int, done.stdout.split())
    assert stayed == 40
    assert given_kib > 0.8 * 4 * 16_000  # of 62.5 MiB that were freed


@pytest.mark.parametrize("fault", [AttributeError, OSError, TypeError])
def test_nothing_happens_where_the_library_cannot_be_asked(
    fault: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def none(name: str | None) -> None:
        asked.append(name)
        raise fault

    monkeypatch.setattr(ctypes, "CDLL", none)
    give_back()
    assert asked == [None]
