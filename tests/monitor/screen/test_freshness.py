"""A call that no reading renews says so beside its word, on every size and in plain lines.

That a GO may stand until max_age is the rules' matter; what has to be seen meanwhile is this
program's own demand, no source.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from examples.screens.scenes import SCENES, TOPCOAT
from monitor.live.alarms import Alarms
from monitor.screen.freshness import QuietLines, is_renewed
from monitor.screen.layout import Size, render
from monitor.screen.letters import big_call
from monitor.screen.theme import Colours, Theme
from monitor.snapshot import Snapshot
from rules.call import Call
from rules.climate import PointValue
from rules.section import Film, Section
from sensors.reading import Quality, Quantity
from tests.support.live import DRY_C, GOOD, ONE_PLANK, Live

PLAIN = Theme(colours=Colours.NONE)
SIZES = [Size(40, 12), Size(80, 24), Size(120, 40), Size(200, 60), Size(25, 8), Size(33, 9)]


@cache
def scene(name: str) -> Snapshot:
    return SCENES[name]()


def aged(
    name: str, age_s: float, *, link_ok: bool, usual_s: float | None = 10.0, **more: object
) -> Snapshot:
    snapshot = scene(name)
    points = tuple(
        replace(p, age_s=age_s + place / 10.0, usual_s=usual_s)
        for place, p in enumerate(snapshot.points)
    )
    link = "" if link_ok else "the broker is gone."
    return replace(snapshot, points=points, link=link, link_ok=link_ok, **more)  # type: ignore[arg-type]


def flat(snapshot: Snapshot, size: Size, theme: Theme = PLAIN) -> str:
    return " ".join(" ".join(line.plain for line in render(snapshot, size, theme)).split())


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", SCENES)
def test_a_lost_link_is_said_in_the_calls_own_band_with_the_newest_readings_age(
    name: str, size: Size
) -> None:
    lost = aged(name, 49.0, link_ok=False)
    assert "NO LINK: last reading 49 s ago" in flat(lost, size)
    if size.columns >= 80:
        lines = [line.plain for line in render(lost, size, PLAIN)][: size.rows // 3]
        call = lost.calls[0].call
        told = "last reading 49 s ago. Do not trust this GO."
        if call is not Call.GO:
            told = f"last reading 49 s ago. This {call.value} stands until readings are back."
        assert any(told in line for line in lines)
    assert "NO LINK" not in flat(aged(name, 5.0, link_ok=True), size)


@pytest.mark.parametrize("size", [*SIZES[:4], Size(60, 12)], ids=str)
def test_a_go_that_nothing_renews_is_asked_and_not_green(size: Size) -> None:
    for theme in (PLAIN, Theme(), Theme(dim=True), Theme(colours=Colours.SIXTEEN)):
        quiet, well = (render(aged("go", 5.0, link_ok=ok), size, theme) for ok in (False, True))
        letters = size.rows // 6  # a line that crosses them: their shape alone differs
        assert quiet[letters].plain != well[letters].plain
        styles = [[span.style for span in lines[letters].spans] for lines in (well, quiet)]
        assert theme.style("go") in styles[0]
        if theme.colours is not Colours.NONE:
            assert theme.style("go") not in styles[1]
    assert "▶ GO" not in flat(aged("go", 49.0, link_ok=False), size)


@pytest.mark.parametrize("name", ["hold", "stop"])
def test_hold_and_stop_keep_their_letters_since_they_can_be_followed(name: str) -> None:
    lost, well = (render(aged(name, 5.0, link_ok=ok), Size(120, 40), Theme()) for ok in (0, 1))
    call = aged(name, 5.0, link_ok=True).calls[0].call
    for lines in (lost, well):
        # A line more under the letters makes them a little smaller; their shape stays.
        drawn = {
            rows: [line.plain.strip() for line in lines[2 : 2 + rows]]
            == [row.strip() for row in big_call(call, rows, 116)]
            for rows in range(5, 13)
        }
        assert any(drawn.values())
    assert {str(s.style) for s in lost[3].spans} == {str(s.style) for s in well[3].spans}


@pytest.mark.parametrize("rows", [3, 4, 5, 6, 9, 14])
def test_the_question_mark_fits_where_the_shape_did(rows: int) -> None:
    for columns in (21, 36, 76, 196):
        asked, said = (big_call(Call.GO, rows, columns, renewed=r) for r in (False, True))
        assert bool(asked) == bool(said)
        assert asked != said
        assert {len(line) for line in asked} == {len(asked[0])}
        assert len(asked[0]) <= columns
        assert big_call(Call.STOP, rows, columns, renewed=False) == big_call(
            Call.STOP, rows, columns
        )


@pytest.mark.parametrize(
    ("age_s", "usual_s", "renewed"),
    [
        (29.0, 1.0, True),  # a pause of sensors that speak every second
        (31.0, 1.0, False),
        (45.0, 20.0, True),  # one was lost and the next is late
        (51.0, 20.0, False),
        (900.0, 600.0, True),
        (1550.0, 600.0, False),
        (50.0, None, True),  # after the first reading nobody knows when the next is due
    ],
)
def test_without_a_fault_of_the_link_two_and_a_half_intervals_of_silence_are_told(
    age_s: float, usual_s: float | None, *, renewed: bool
) -> None:
    snapshot = aged("go", age_s, link_ok=True, usual_s=usual_s)
    assert is_renewed(snapshot) is renewed
    assert ("NOTHING NEW: last reading" in flat(snapshot, Size(40, 12))) is not renewed
    assert is_renewed(replace(snapshot, recorded=True)), "a recording has its own time"


def test_what_no_call_rests_on_renews_none_and_nobody_waits_for_what_is_not_required() -> None:
    snapshot = aged("go", 60.0, link_ok=True)
    dust = replace(snapshot.points[0], point="dust", quantity=Quantity.DUST, age_s=1.0)
    assert not is_renewed(replace(snapshot, points=(*snapshot.points, dust)))
    slow = [replace(p, usual_s=600.0) for p in snapshot.points[1:]]
    dead = replace(snapshot.points[0], quality=Quality.STALE)
    assert not is_renewed(replace(snapshot, points=(dead, *slow)))
    spare = replace(dead, required=False)
    assert is_renewed(replace(snapshot, points=(spare, *slow)))
    assert not is_renewed(replace(snapshot, points=(spare,))), "where no other is, it counts"


def test_a_slow_point_that_is_heard_does_not_stand_for_a_quick_one_that_is_not() -> None:
    snapshot = aged("go", 1.0, link_ok=True, usual_s=60.0)
    air, *others = snapshot.points
    silent = replace(air, age_s=31.0, usual_s=5.0)
    told = "NOTHING NEW from air-bow: last reading 31 s ago"
    assert told in flat(replace(snapshot, points=(silent, *others)), Size(80, 24))
    more = [replace(p, age_s=33.0, usual_s=5.0) for p in others]
    all_but_one = replace(snapshot, points=(silent, *more[:-1], others[-1]))
    told = "NOTHING NEW from air-bow and 2 more: last reading 31 s ago"
    assert told in flat(all_but_one, Size(80, 24))
    told = "NOTHING NEW: last reading 31 s ago"
    assert told in flat(replace(snapshot, points=(silent, *more)), Size(80, 24))


def test_a_sections_go_is_asked_only_where_a_point_of_its_own_is_overdue() -> None:
    snapshot = aged("go", 1.0, link_ok=True)
    points = tuple(
        replace(p, age_s=99.0) if p.section == "hull-port" else p for p in snapshot.points
    )
    silent = replace(snapshot, points=points)
    assert not is_renewed(silent)
    assert not is_renewed(silent, "hull-port")
    assert is_renewed(silent, "hull-starboard")
    assert "? GO hull-port ▶ GO hull-starboard" in flat(silent, Size(80, 24))


def test_a_link_that_never_stood_says_that_nothing_has_been_heard() -> None:
    snapshot = aged("hold", 1.0, link_ok=False)
    mute = tuple(replace(p, age_s=None) for p in snapshot.points)
    assert "NO LINK: no reading yet" in flat(replace(snapshot, points=mute), Size(40, 12))


def test_plain_lines_tell_once_when_readings_stop_and_once_when_they_come_again(
    tmp_path: Path,
) -> None:
    live = Live(tmp_path, ONE_PLANK)
    alarms, quiet = Alarms(live.watch, None), QuietLines()
    told: list[str] = []

    def look(seconds: float, *, values: bool, link_ok: bool = True) -> None:
        for _ in range(round(seconds / 5.0)):
            live.run(5.0, live.climate() if values else None, step_s=5.0)
            alarms.look(link="the broker is gone." if not link_ok else "", link_ok=link_ok)
            told.extend(quiet.news(alarms.snapshots))

    look(5.0, values=False, link_ok=False)
    assert told == [], "before the first reading the call's own reason says all"
    look(700.0, values=True)
    assert (live.call(), told) == ("GO", [])
    look(15.0, values=False, link_ok=False)
    (line,) = told
    assert live.call() == "GO", "the call itself stays as the rules have it"
    assert "  GO?   tent/all: NO LINK: last reading 5 s ago. Do not trust this GO. (" in line
    assert line.endswith("(the broker is gone)")
    look(10.0, values=True)
    assert len(told) == 2
    assert told[1].endswith("  GO    tent/all: readings are back")
    look(60.0, values=False)
    assert len(told) == 3
    assert "GO?   tent/all: NOTHING NEW: last reading 35 s ago" in told[2]
    live.end()


def test_a_plank_that_is_heard_brings_no_word_that_the_air_comes_again(tmp_path: Path) -> None:
    """Air every 5 s, plank every minute; max_age of the air is 90 s."""
    live = Live(tmp_path, ONE_PLANK)
    alarms, quiet = Alarms(live.watch, None), QuietLines()
    told: list[str] = []
    begun_s = live.machine.monotonic_s

    def look(seconds: int, *, air: bool) -> None:
        for _ in range(seconds):
            live.machine.monotonic_s += 1.0
            passed_s = round(live.machine.monotonic_s - begun_s)
            if air and passed_s % 5 == 0:
                live.hear(GOOD)
            if passed_s % 60 == 0:
                live.hear({"plank-port": {Quantity.SURFACE_TEMP: DRY_C}})
            live.watch.turn(0.0)
            alarms.look(link="connected", link_ok=True)
            told.extend(quiet.news(alarms.snapshots))

    look(900, air=True)
    assert (live.call(), told) == ("GO", [])
    look(80, air=False)
    (line,) = told
    assert "  GO?   tent/all: NOTHING NEW from air-bow: last reading 31 s ago. Do" in line
    look(220, air=False)
    assert (live.call(), len(told)) == ("HOLD", 1)
    look(5, air=True)
    assert told[1:] == [told[-1]]
    assert told[-1].endswith("tent/all: readings are back")
    live.end()


def test_a_timer_promises_nothing_while_nothing_comes() -> None:
    """The dwell goes on only from reading to reading; how far it was is said of when it was."""
    section = Section("hull-port", Film(TOPCOAT), 0.0)
    sensed = [
        PointValue("air", "air_temp", None, 20.0, "ok", 0.3),
        PointValue("air", "humidity", None, 50.0, "ok", 2.0),
        PointValue("plank", "surface_temp", None, 19.0, "ok", 0.5),
    ]
    for time_s in range(0, 241, 60):
        section.evaluate(sensed, float(time_s))
    call = section.explain()
    assert call.reasons[0].limit == "dwell"
    well = replace(aged("hold", 5.0, link_ok=True), calls=(call,), trends={})
    for size in SIZES[:4]:
        seen = flat(well, size)
        assert "Inside every limit for 4 of 10 min. GO in 6 min if it stays so." in seen
        # Wide screens have the reason whole in LIMITS.
        assert ("; then GO" in seen) is (size.columns >= 120)
        seen = flat(replace(well, link_ok=False), size)
        assert "Inside every limit for 4 of 10 min when last heard." in seen
        assert "if it stays so" not in seen
        if size.rows < 40:  # wide screens have the reason whole in LIMITS
            assert "then GO" not in seen
