"""The glance on fixed sizes: word, deciding figure and next clock, big enough for three metres.

What must be seen is our own choice; the figures are worked out here from the scenes by hand.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from rich.cells import cell_len

from examples.screens.scenes import SCENES
from monitor.screen.glance import Dial, dials
from monitor.screen.layout import Size, render
from monitor.screen.letters import big_call, big_figure
from monitor.screen.theme import Colours, Theme
from monitor.screen.view import View
from monitor.snapshot import DeskView, Snapshot
from rules.call import Call
from rules.vocabulary import ClockName, Stage

PLAIN = Theme(colours=Colours.NONE)
SIZES = [Size(40, 12), Size(80, 24)]


@cache
def scene(name: str) -> Snapshot:
    return SCENES[name]()


def lines_of(snapshot: Snapshot, size: Size, desk: DeskView | None = None) -> list[str]:
    drawn = render(snapshot, size, PLAIN, desk or DeskView(), glance=True)
    return [line.plain for line in drawn]


def flat(lines: list[str]) -> str:
    return " ".join(" ".join(lines).split())


def holds(lines: list[str], drawn: tuple[str, ...]) -> bool:
    """Whether a block of lines stands somewhere on the screen, in one piece."""
    first, *others = [row.rstrip() for row in drawn]
    for top, line in enumerate(lines[: len(lines) - len(others)]):
        column = line.find(first)
        while column >= 0:
            below = lines[top + 1 : top + 1 + len(others)]
            if all(a[column:].startswith(b) for a, b in zip(below, others, strict=True)):
                return True
            column = line.find(first, column + 1)
    return False


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", SCENES)
def test_word_figure_and_clock_stand_in_big_letters(name: str, size: Size) -> None:
    snapshot = scene(name)
    lines = lines_of(snapshot, size)
    assert len(lines) == size.rows
    assert {cell_len(line) for line in lines} == {size.columns}
    heights = range(3, size.rows)
    call = snapshot.calls[0].call
    assert any(holds(lines, big_call(call, rows, size.columns - 4)) for rows in heights[::-1])
    for dial in dials(View(snapshot, PLAIN)):
        widths = range(size.columns // 2 - 3, size.columns)
        drawn = {big_figure(dial.big, rows, wide) for rows in heights for wide in widths}
        assert any(holds(lines, block) for block in drawn if block), dial
    assert snapshot.calls[0].advice in flat(lines)
    assert "…" not in flat(lines)


def test_the_figure_is_the_one_that_the_call_rests_on() -> None:
    figures = {name: dials(View(scene(name), PLAIN))[0] for name in SCENES}
    climate = scene("stop").calls[0].climate
    assert figures["stop"].big == f"{climate.dew_margin_k:.1f}"
    assert figures["stop"].words[1:] == ("K over dew point", "K over dew")
    # The shipped topcoat: 3 K, re-entry 0.5 K, guard 0.7, band 0.3 for GO.
    assert figures["stop"].words[0].endswith("STOP ends over 3.5")
    assert figures["hold"].words[0].endswith("GO over 4.0")
    assert figures["go"].words[0].endswith("HOLD under 3.8")
    # Over a film that is touch dry, only water harms: the night's margin is under 0 K.
    assert figures["night"].words[-1] == "K under dew: wet"
    assert figures["probe-dead"] == Dial("?", ("not known: dew margin", "not known"), "unknown")


def test_the_clock_is_the_next_to_end_but_a_pot_of_today_goes_first() -> None:
    clock = dials(View(scene("go"), PLAIN))[1]
    assert (clock.big, clock.words[-1]) == ("16:35", "pot A use by")
    assert clock.left is not None
    # Mixed at 13:25, used by 16:35, and it is 13:40.
    assert clock.left == pytest.approx(175.0 / 190.0, abs=0.01)
    twelve = dials(View(scene("go"), replace(PLAIN, twelve_hours=True)))[1]
    assert twelve.big == "4:35"
    # At 17:20 port, ended at 17:00, is about to flash off; pot A of 15:55 lives till evening, and
    # is what may not be missed.
    stop = scene("stop")
    assert dials(View(stop, PLAIN))[1].words[-1] == "pot A use by"
    rest = replace(stop, clocks=tuple(c for c in stop.clocks if c.name is not ClockName.POT_LIFE))
    assert dials(View(rest, PLAIN))[1].words[-1] == "flash until"
    night = scene("night")
    assert dials(View(night, PLAIN))[1].words[-1] == "recoat from"
    tape = tuple(c for c in night.clocks if c.name is ClockName.TAPE_NOT_AFTER)
    (dial,) = dials(View(replace(night, clocks=tape), PLAIN))[1:]
    assert "Thu" in dial.words[-1], "an hour of another day names its day"
    # What does not count comes after all that does.
    still = replace(night.clocks[0], ends_at_s=None, left_s=None)
    assert dials(View(replace(night, clocks=(still, *tape)), PLAIN))[1] == dial


@pytest.mark.parametrize("name", ["go", "stop", "night"])
def test_the_small_screen_names_the_same_clock(name: str) -> None:
    clock = dials(View(scene(name), PLAIN))[1]
    small = flat([line.plain for line in render(scene(name), Size(40, 12), PLAIN, DeskView())])
    assert clock.words[-1] in small
    assert clock.big in small


def test_the_bar_shows_how_much_is_left() -> None:
    lines = lines_of(scene("go"), Size(80, 24))
    bar = next(line for line in lines if "█─" in line)
    assert bar.count("█") > 40
    assert lines_of(scene("stop"), Size(80, 24))[-5:] != lines[-5:]
    stopped = next(line for line in lines_of(scene("stop"), Size(80, 24)) if "───" in line)
    assert stopped.strip().startswith("─"), "past its limit nothing is left"


@pytest.mark.parametrize("size", [*SIZES, Size(60, 16), Size(33, 9), Size(120, 40)], ids=str)
def test_a_glance_at_go_says_that_it_is_not_about_breathing(size: Size) -> None:
    assert "GO is about the film, never about the air you breathe." in flat(
        lines_of(scene("go"), size)
    )
    wet = [replace(call, stage=Stage.CURE) for call in scene("go").calls]
    seen = flat(lines_of(replace(scene("go"), calls=tuple(wet)), size))
    assert "switch nothing inside" in seen.lower()


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_a_glance_hides_no_alarm_no_question_and_no_lost_link(size: Size) -> None:
    loud = replace(scene("night"), alarm="First: nothing inside. STOP.")
    assert "ALARM" in flat(lines_of(loud, size))
    asked = DeskView(("coat started hull-port?  Enter records, Esc drops",), True)
    assert "coat started hull-port?" in flat(lines_of(scene("go"), size, asked))
    full = flat(lines_of(replace(scene("go"), notices=("the log is full",)), size))
    assert "the log is full" in full
    lost = replace(scene("go"), link_ok=False)
    assert "NO LINK" in flat(lines_of(lost, size))
    assert not any(
        holds(lines_of(lost, size), big_call(Call.GO, rows, size.columns - 4))
        for rows in range(3, 9)
    )


@pytest.mark.parametrize("size", [Size(1, 1), Size(25, 8), Size(30, 9), Size(500, 100)], ids=str)
def test_a_glance_of_any_size_is_drawn(size: Size) -> None:
    for name in SCENES:
        lines = lines_of(scene(name), size)
        assert scene(name).calls[0].call.value in flat(lines) or "█" in flat(lines)
    empty = replace(scene("go"), calls=())
    assert "nothing has been evaluated" in flat(lines_of(empty, Size(40, 12)))


@pytest.mark.parametrize("rows", [3, 4, 5, 7, 9])
def test_every_digit_has_a_shape_of_its_own(rows: int) -> None:
    drawn = [big_figure(sign, rows, 40) for sign in "0123456789-?"]
    assert len(set(drawn)) == len(drawn)
    assert all(len(block) == rows for block in drawn)
    assert big_figure("16:35", 2, 80) == ()
    assert big_figure("16:35", 3, 10) == ()
