"""Call time lines: the rules in DEVELOPERS.md, each situation worked out by hand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

import pytest
from timeline import FOLDER, play, read_timeline

FILES = sorted(FOLDER.glob("*.txt"))


def compact(calls: Sequence[str]) -> str:
    """Return `HOLD*10 GO*2` for a list of calls, so that a difference can be read."""
    return " ".join(f"{call}*{len(list(group))}" for call, group in groupby(calls))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_call_of_every_row(file: Path) -> None:
    line = read_timeline(file.read_text())
    lengths = {len(series) for series in line.points.values()} | {len(line.clock_s)}
    assert lengths == {len(line.expect)}, "every series has one entry a row"
    assert compact(play(line)) == compact(line.expect)


def test_the_folder_was_found() -> None:
    assert len(FILES) >= 40
