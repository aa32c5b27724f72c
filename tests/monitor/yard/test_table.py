"""The yard's table: worst first, in pages, whole to the cell; what is left out is said."""

from __future__ import annotations

import json
from datetime import UTC
from typing import Any

import pytest
from command import filmcall
from listening import NOW_S, Rig, call
from rich.cells import cell_len

from monitor.listen.yard import WORDS_WORST_FIRST, Row
from monitor.screen.layout import Size
from monitor.screen.phrases import FILM_IS_NOT_AIR
from monitor.screen.theme import Colours, Theme
from monitor.yard.run import _json_line, _plain_line
from monitor.yard.table import Desk, filtered, page_rows, pages, table

SIZE = Size(120, 40)


def yard(count: int = 200, **more: Any) -> list[Row]:
    rig = Rig()
    for station in ("shed-pi", "yard-pi"):
        rig.status(station=station)
    for n in range(count):
        word = ("GO", "GO", "HOLD", "STOP")[n % 4]
        station = "yard-pi" if n % 10 == 0 else "shed-pi"
        at_s = NOW_S if n % 50 else NOW_S - 70.0
        payload = call(word, at_s, station, since="2027-01-15T07:30:00Z", lines=["Wet."], **more)
        rig.say(payload, enclosure=f"tent-{n:03d}", retained=True)
    return rig.yard.rows(rig.now)


def drawn(rows: list[Row], size: Size = SIZE, desk: Desk | None = None, **more: Any) -> list[str]:
    theme = Theme(Colours.NONE)
    lines = table(rows, size, theme, desk or Desk(), zone=UTC, now_s=NOW_S, **more)
    assert len(lines) == size.rows
    assert {cell_len(line.plain) for line in lines} == {size.columns}
    return [line.plain.rstrip() for line in lines]


def test_two_hundred_enclosures_stand_once_each_on_six_pages_the_worst_first() -> None:
    rows = yard()
    assert pages(len(rows), SIZE) == 6
    seen, words = [], []
    for page in range(6):
        lines = drawn(rows, desk=Desk(page=page))
        assert lines[-1].endswith(f"page {page + 1} of 6")
        for line in lines[2 : 2 + page_rows(SIZE)]:
            if line.strip() and "tent-" in line:
                words.append("NONE" if "NO CALL" in line else line.split()[1])
                seen.append(line[line.index("tent-") :].split()[0])
    assert sorted(seen) == [f"tent-{n:03d}" for n in range(200)]
    places = [WORDS_WORST_FIRST.index(word) for word in words]
    assert places == sorted(places)
    assert "50 STOP, 4 no call, 48 HOLD, 98 GO" in drawn(rows)[0]


def test_a_reason_stands_in_the_units_of_who_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: 1.3 K are 2.3 °F, x 1.8; JSON stays SI."""
    rig = Rig()
    rig.status()
    rig.say(call("STOP", lines=["Hull 1.3 K above dew point; wants 3.0 K."]))
    rows = rig.yard.rows(rig.now)
    assert "Hull 1.3 K above dew point." in drawn(rows)[2]
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    assert "Hull 2.3 °F above dew point." in drawn(rows)[2]
    assert "Hull 2.3 °F above dew point." in _plain_line(rows[0], UTC)
    assert json.loads(_json_line(rows[0]))["reason"] == "Hull 1.3 K above dew point."


def test_a_go_is_never_shown_without_the_words_about_the_air() -> None:
    rows = yard()
    assert not any(FILM_IS_NOT_AIR in line for line in drawn(rows))
    assert any(FILM_IS_NOT_AIR in line for line in drawn(rows, desk=Desk(page=5)))


def test_a_filter_says_how_many_it_leaves_out() -> None:
    rows = yard()
    lines = drawn(rows, desk=Desk(filter="yard-pi stop"))
    assert "filter: yard-pi stop" in lines[0]
    assert len(filtered(rows, "yard-pi stop")) == 0
    assert "(200 left out)" in lines[0]
    assert any("No enclosure fits the filter." in line for line in lines)
    assert len(filtered(rows, "no call")) == 4
    assert [row.key.enclosure for row in filtered(rows, "TENT-007")] == ["tent-007"]


def test_messages_that_could_not_be_read_are_counted() -> None:
    assert " 2 messages could not be read" in drawn(yard(3), unread=2)


def test_alarms_say_who_has_seen_them() -> None:
    alarm = {"section": "hull", "fact": "harmed", "text": "Wet.", "since": "2027-01-15T07:00:00Z"}
    seen = {**alarm, "acknowledged_at": "2027-01-15T07:10:00Z", "acknowledged_by": "Kit"}
    (ringing,) = yard(1, alarms=[alarm])
    assert drawn([ringing])[2].endswith("alarm")
    (quiet,) = yard(1, alarms=[seen])
    assert drawn([quiet])[2].endswith("alarm seen by Kit")
    narrow = drawn([ringing], Size(70, 12))[2]
    assert "ALARM: " in narrow


def test_names_from_the_wire_cannot_steer_the_terminal() -> None:
    rig = Rig()
    rig.status(station="a\x1b[2J")
    rig.say(call("GO", station="a\x1b[2J", lines=["\x1b]0;x\x07 \u202e"]), enclosure="t\x1b[31m")
    text = "\n".join(drawn(rig.yard.rows(rig.now)))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "t\\x1b[31m" in text


@pytest.mark.parametrize("size", [Size(20, 4), Size(40, 10), Size(80, 24), Size(300, 100)])
def test_it_fits_every_terminal(size: Size) -> None:
    drawn(yard(12), size)
    drawn([], size, link="broker refuses the connection")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "neither --broker nor --config is given"),
        (("--broker", "shed:x"), "broker 'shed:x' is no HOST:PORT"),
        (("--config", "/nowhere.toml"), "config '/nowhere.toml' cannot be read"),
    ],
)
def test_a_yard_that_cannot_be_heard_says_why(words: tuple[str, ...], told: str) -> None:
    ran = filmcall("yard", *words)
    assert ran.code == 2
    assert told in ran.err
    assert ran.err.count("\n") == 1


def test_keys_turn_pages_and_type_a_filter() -> None:
    desk = Desk()
    for key, wanted in (
        (" ", Desk(page=1)),
        ("n", Desk(page=2)),
        ("b", Desk(page=1)),
        ("/", Desk(page=1, typing=True)),
        ("q", Desk(filter="q", typing=True)),
        (" ", Desk(filter="q ", typing=True)),
        ("backspace", Desk(filter="q", typing=True)),
        ("enter", Desk(filter="q")),
        (".", Desk(filter="q", dim=True)),
        ("esc", Desk(dim=True)),
        ("x", Desk(dim=True)),
        ("q", Desk(dim=True, quit=True)),
    ):
        desk = desk.pressed(key)
        assert desk == wanted, key
    assert Desk(page=9).within(6).page == 5
