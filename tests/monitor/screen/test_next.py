"""The line NEXT: what the job's plan has next, where there is room, moving nothing that decides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from examples.screens.scenes import SCENES, at
from monitor.screen.layout import Size, render
from monitor.screen.theme import Colours, Theme
from monitor.snapshot import NextStep, Snapshot

PLAIN = Theme(colours=Colours.NONE)
SMALL, WIDE = Size(80, 24), Size(120, 40)
LEFT = 59  # columns of the left half of 120
NEXT = NextStep("hull-port", "second topcoat", at(13, 15, 40), at(14, 16), at(13, 17, 30), 640.0)
SPARED = ("EVENTS", "SENSORS")


def lines_of(snapshot: Snapshot, size: Size) -> list[str]:
    return [line.plain for line in render(snapshot, size, PLAIN)]


def both(name: str, size: Size) -> tuple[list[str], list[str]]:
    snapshot = SCENES[name]()
    return lines_of(snapshot, size), lines_of(replace(snapshot, next_step=NEXT), size)


@pytest.mark.parametrize("size", [SMALL, WIDE, Size(200, 60), Size(40, 12), Size(20, 6)], ids=str)
@pytest.mark.parametrize("name", SCENES)
def test_nothing_that_decides_moves(name: str, size: Size) -> None:
    without, beside = both(name, size)
    assert len(without) == len(beside) == size.rows
    for row, (old, new) in enumerate(zip(without, beside, strict=True)):
        if old == new:
            continue
        # What gave way is no more than events and sensors, which stand below all that decides.
        if size == SMALL:
            assert any(line.lstrip().startswith(SPARED) for line in without[: row + 1]), old
        if size == WIDE:
            assert old[LEFT:] == new[LEFT:], "the right half holds clocks and limits"
            first = next(n for n, line in enumerate(without) if line.startswith(" EVENTS"))
            assert row >= first - 3, "below the outlook"
            assert without[: row - 3] == beside[: row - 3] or row > first
    panels = ("CLIMATE", "TREND", "CLOCKS", "OUTLOOK", "SENSORS", "EVENTS")
    for panel in panels:
        assert any(panel in line for line in without) == any(panel in line for line in beside)


@pytest.mark.parametrize("name", ["go", "probe-dead"])
def test_it_is_shown_whole_where_a_coat_may_be_begun(name: str) -> None:
    words = "hull-port, second topcoat: 15:40 to Wed 16:00, best 17:30; mix 640 mL"
    (line,) = [each for each in both(name, SMALL)[1] if each.startswith(" NEXT")]
    assert line.split(maxsplit=1)[1].rstrip() == words
    wide = both(name, WIDE)[1]
    row = next(n for n, each in enumerate(wide) if each.startswith(" NEXT"))
    shown = " ".join((wide[row][:LEFT] + wide[row + 1][:LEFT]).split())
    assert shown == f"NEXT {words}"


def test_why_there_is_no_plan_is_said() -> None:
    snapshot = replace(SCENES["go"](), no_plan="must_be_done 2026-10-14 cannot be met; more")
    (line,) = [each for each in lines_of(snapshot, SMALL) if each.startswith(" NEXT")]
    assert "no plan: must_be_done 2026-10-14 cannot be met" in line


@pytest.mark.parametrize("size", [SMALL, WIDE], ids=str)
@pytest.mark.parametrize("name", SCENES)
def test_without_a_job_there_is_no_such_line(name: str, size: Size) -> None:
    assert not any("NEXT" in line for line in both(name, size)[0])
