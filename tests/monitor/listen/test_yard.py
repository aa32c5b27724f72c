"""What a listener may show: never a GO that is old, whatever was heard, lost, kept or set.

Judge: the contract of `deploy/README.md` (word, `valid_until`, status, link), worked out anew in
`may_be_go` from the list of what happened, in place of the yard's own state.
"""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from listening import NOW_S, TENT, Rig, call

from monitor.contract import VALID_S
from monitor.listen.message import MAX_BYTES, MessageFault, call_message
from monitor.listen.words import silence_text
from monitor.listen.yard import NO_WORD, Key, Moment, Row, Silence, Yard, rank
from monitor.page.view import Zones, whole
from monitor.screen.layout import Size
from monitor.screen.theme import Colours, Theme
from monitor.yard.table import Desk, table
from rules.text import iso_utc


@pytest.mark.parametrize("word", ["GO", "HOLD", "STOP"])
def test_a_kept_call_is_shown_at_once_by_its_valid_until(word: str) -> None:
    rig = Rig()
    rig.status()
    rig.say(call(word, NOW_S - 50.0), retained=True)
    assert rig.word() == word
    rig.wait(9.9)
    assert rig.word() == word
    rig.wait(0.2)
    assert rig.word() == NO_WORD
    assert rig.why() == "No word from shed-pi since 08:00."


def test_a_go_that_nothing_renews_is_asked_on_page_and_yard_as_on_the_screen() -> None:
    """deploy/README.md: `renewed` false takes the GO back though its time runs."""
    rig = Rig()
    rig.status()
    told = {
        "advice": "You may start",
        "lines": ["NOTHING NEW: last reading 30 s ago. Do not trust this GO.", "You may start."],
        "sections": [
            {"section": "port", "call": "GO", "renewed": False},
            {"section": "deck", "call": "GO", "renewed": True},
        ],
    }
    rig.say(call(renewed=False, **told))
    (row,) = rig.yard.rows(rig.now)
    assert row.shown.word == "GO?"
    shown = whole(row, Zones(UTC, {}), NOW_S)
    assert (shown["word"], shown["label"]) == ("GO?", "GO?")
    assert shown["advice"] == "Do not trust this GO."
    assert "You may start." not in str(shown)
    assert [each[1] for each in shown["sections"]] == ["GO?", "GO"]
    drawn = table([row], Size(80, 24), Theme(Colours.NONE), Desk(), zone=UTC, now_s=NOW_S)
    assert drawn[0].plain.startswith(" Yard  1 GO? ")
    assert "NOTHING NEW" in drawn[2].plain
    rig.say(call(renewed=True, **told))
    assert rig.word() == "GO"
    rig.say(call("STOP", renewed=False))
    assert rig.word() == "STOP", "silence ends no STOP"


def test_a_call_counts_no_longer_than_its_time_from_when_it_was_heard() -> None:
    rig = Rig()
    rig.status()
    rig.say(call(valid_until=iso_utc(NOW_S + 86_400.0)))
    rig.wait(VALID_S - 0.1)
    assert rig.word() == "GO"
    rig.wait(0.2)
    assert rig.word() == NO_WORD


def test_a_wall_clock_that_is_set_back_makes_no_old_word_young() -> None:
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.wait(30.0)
    rig.wall_s -= 3600.0
    rig.wait(31.0)
    assert rig.word() == NO_WORD


def test_a_kept_call_of_a_station_whose_clock_is_ahead_is_not_believed() -> None:
    rig = Rig()
    rig.status()
    rig.say(call(at_s=NOW_S + 600.0), retained=True)
    assert rig.word() == NO_WORD
    assert rig.why() == (
        "Clocks differ: shed-pi is 10 min ahead. Its kept word is not used; set the clocks."
    )
    rig.say(call(at_s=NOW_S + 615.0))  # heard as it is said: its age is known
    assert rig.word() == "GO"


def test_a_call_that_has_run_out_when_it_is_said_shows_clocks_that_differ() -> None:
    rig = Rig()
    rig.status()
    rig.say(call(at_s=NOW_S - 600.0))
    assert rig.word() == NO_WORD
    assert "Clocks differ: shed-pi is 10 min behind" in rig.why()


@pytest.mark.parametrize("payload", [b"offline", b"", b"Online", b"online "])
def test_a_status_that_is_not_exactly_online_is_no_word(payload: bytes) -> None:
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.status(payload)
    assert rig.word() == NO_WORD
    assert rig.why() == "No word from shed-pi since 08:00: it is offline."
    rig.status()
    assert rig.word() == NO_WORD, "it may be a namesake that is online"
    assert rig.why() == "No word from shed-pi since 08:00."
    rig.say(call())
    assert rig.word() == "GO"


def test_a_namesake_that_is_online_brings_no_dead_word_back() -> None:
    """Two programs with one station's name, and the one that told `tent` is killed."""
    rig = Rig()
    booth = Key("shed-pi", "booth")
    rig.status()
    rig.say(call("GO"))
    rig.say(call("HOLD"), enclosure="booth")
    rig.status(b"offline")  # the broker tells the dead one's last will
    rig.wait(3.0)
    rig.status()
    rig.say(call("HOLD"), enclosure="booth")
    assert (rig.word(), rig.word(booth)) == (NO_WORD, "HOLD")
    late = Rig()  # a listener that comes just then hears what the broker kept
    late.status(b"offline")
    late.say(call("GO"), retained=True)
    late.status()
    assert late.word() == NO_WORD


def test_a_call_of_a_station_that_never_said_online_is_no_word() -> None:
    rig = Rig()
    rig.status(station="another-pi")
    rig.say(call())
    assert rig.word() == NO_WORD
    assert rig.why() == "shed-pi has not said that it is online: its word is not used."


def test_names_without_end_take_no_room_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.listen.yard.MOST_KNOWN", 3)
    rig = Rig()
    rig.status()
    for n in range(9):
        rig.status(station=f"station-{n}")
        rig.say(call("STOP"), enclosure=f"tent-{n}")
    assert len(rig.yard.keys()) == 3
    assert rig.yard.faults.count == 7 + 6
    assert "one over 3 and is not shown" in rig.yard.faults.newest[0]
    rig.say(call("HOLD"), enclosure="tent-0")
    assert rig.word(Key("shed-pi", "tent-0")) == "HOLD"


def test_a_lost_link_is_no_word_and_a_new_one_begins_from_nothing() -> None:
    rig = Rig(up=False)
    assert rig.why() == "No link to the broker yet."
    rig.yard.linked()
    rig.status()
    rig.say(call())
    rig.yard.lost(rig.now)
    rig.wait(5.0)
    assert rig.word() == NO_WORD
    assert rig.why() == "No link to the broker since 08:00."
    rig.yard.linked()
    assert rig.word() == NO_WORD
    rig.status()
    assert rig.word() == NO_WORD, "the call was heard before the link broke"
    rig.say(call("STOP"), retained=True)
    assert rig.word() == "STOP"


def test_a_station_whose_beats_fall_silent_is_no_word_within_ten_seconds() -> None:
    """README.md: NO CALL within ten seconds; a bridge that is cut tells no status."""
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.beat(10)
    rig.wait(7.0)
    assert rig.word() == "GO", "a line that is only behind is not cut"
    rig.wait(3.0)
    assert rig.word() == NO_WORD
    assert rig.why() == "No word from shed-pi since 08:00."
    rig.beat()
    assert rig.word() == NO_WORD, "a STOP may have been lost meanwhile"
    rig.say(call("STOP", rig.wall_s))
    assert rig.word() == "STOP"


def test_a_call_alone_is_a_sign_of_life_too() -> None:
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.beat(3)
    rig.wait(6.0)
    rig.say(call("HOLD", rig.wall_s))
    rig.wait(6.0)
    assert rig.word() == "HOLD"


def test_calls_that_were_held_up_on_a_frozen_line_show_no_wrong_clock() -> None:
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.beat(3)
    rig.wait(92.0)
    rig.beat()
    rig.say(call(at_s=NOW_S + 15.0))
    assert rig.word() == NO_WORD
    assert "Clocks differ" not in rig.why()
    assert rig.why().startswith("No word from shed-pi since 08:0")
    rig.beat(16)
    rig.say(call(at_s=rig.wall_s - 90.0))
    rig.beat(15)
    rig.say(call(at_s=rig.wall_s - 90.0))
    assert "Clocks differ: shed-pi is 90 s behind" in rig.why(), "it is so, and not late"


def test_a_watch_without_beats_counts_for_its_sixty_seconds() -> None:
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.wait(VALID_S - 1.0)
    assert rig.word() == "GO"


def test_a_kept_call_that_comes_after_a_newer_one_changes_nothing() -> None:
    rig = Rig()
    rig.status()
    rig.say(call("STOP"))
    rig.say(call("GO", NOW_S - 10.0), retained=True)
    assert rig.word() == "STOP"


def test_a_watch_that_ended_has_taken_its_call_back() -> None:
    rig = Rig()
    rig.status()
    rig.say(call())
    rig.say(b"")
    assert rig.word() == NO_WORD
    assert rig.why() == "No word from shed-pi since 08:00: its watch was ended."


def test_two_stations_with_one_name_stand_apart() -> None:
    rig = Rig()
    for station, word in (("shed-pi", "GO"), ("yard-pi", "STOP")):
        rig.status(station=station)
        rig.say(call(word, station=station))
    rows = rig.yard.rows(rig.now)
    assert [(row.title, row.shown.word) for row in rows] == [
        ("tent (yard-pi)", "STOP"),
        ("tent (shed-pi)", "GO"),
    ]
    assert rows[0].clash == ("shed-pi", "yard-pi")


def test_the_worst_stands_first_and_no_word_comes_before_hold() -> None:
    rig = Rig()
    rig.status()
    for name, word in (("a", "GO"), ("b", "HOLD"), ("c", "STOP"), ("d", "GO"), ("e", "STOP")):
        alarms = [{"section": "x", "fact": "harmed", "text": "wet"}] if name == "e" else []
        rig.say(call(word, alarms=alarms), enclosure=name)
    rig.say(call("GO", NOW_S - 70.0), retained=True, enclosure="d")  # heard live, so it stays
    rig.say(call("GO", station="dead-pi"), enclosure="f")
    assert [row.key.enclosure for row in rig.yard.rows(rig.now)] == ["e", "c", "f", "b", "a", "d"]


def test_an_expected_enclosure_is_shown_until_any_station_says_its_name() -> None:
    yard = Yard("filmcall", [TENT])
    yard.linked()
    now = Moment(NOW_S, 0.0)
    (row,) = yard.rows(now)
    assert (row.shown.word, row.shown.silence) == (NO_WORD, Silence.NEVER)
    assert silence_text(row.shown, "shed-pi", UTC, NOW_S) == "No word from shed-pi yet."
    yard.take("filmcall/tent/call", call(station="other"), now, retained=True)
    assert yard.keys() == [Key("other", "tent")]


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        (b"GO", "no JSON"),
        (b"[]", "no JSON object"),
        (b"\xff", "no JSON"),
        (b"{}", "no word or no valid_until"),
        (call("go"), "no word or no valid_until"),
        (call(valid_until="2027-01-15T08:00:00"), "no word or no valid_until"),
        (call(valid_until=1e12), "no word or no valid_until"),
        (call(note="x" * MAX_BYTES), "over 65536"),
        (b'{"a":' * 10_000, "no JSON"),
        (call(row=1).replace(b'"row": 1', b'"row": 1' + b"0" * 5_000), "no JSON"),
    ],
)
def test_a_message_that_cannot_be_used_is_counted_and_changes_nothing(
    payload: bytes, told: str
) -> None:
    rig = Rig()
    rig.status()
    rig.say(call("STOP"))
    rig.say(payload)
    assert rig.word() == "STOP"
    assert rig.yard.faults.count == 1
    assert told in rig.yard.faults.newest[0]
    assert rig.yard.faults.newest[0].isprintable()


def test_what_an_older_watch_does_not_say_is_empty() -> None:
    message = call_message("tent", call())
    assert (message.clocks, message.outlook, message.alarms, message.events) == ((), None, (), ())
    assert (message.lines, message.log, message.row, message.seal) == ((), "", None, "")


def test_what_the_contract_names_is_read() -> None:
    message = call_message(
        "tent",
        call(
            log="0d9c", row=7, seal="ab12", lines=["Hull wet.", "Wait."],
            clocks=[{"name": "recoat opens", "section": "hull", "state": "running",
                     "left_s": 60.0, "ends_at": "2027-01-15T09:00:00Z", "basis": "20 °C"}],
            outlook={"state": "near", "text": "t", "breaks_at": "2027-01-15T10:00:00Z",
                     "bands": [{"ahead_s": 0, "margin_low_k": 1, "margin_mid_k": 2,
                                "margin_high_k": 3}, {"ahead_s": 1}]},
            alarms=[{"section": "hull", "fact": "harmed", "text": "wet",
                     "since": "2027-01-15T07:00:00Z", "rang_at": None,
                     "acknowledged_at": "2027-01-15T07:30:00Z", "acknowledged_by": "Kit"}],
            events=[{"kind": "note", "section": None, "time": "2027-01-15T07:00:00Z",
                     "note": "a\u202eb"}],
        ),
    )  # fmt: skip
    assert (message.log, message.row, message.seal) == ("0d9c", 7, "ab12")
    assert message.lines == ("Hull wet.", "Wait.")
    assert message.clocks[0].ends_s == NOW_S + 3600.0
    assert message.outlook is not None
    assert [tuple(band) for band in message.outlook.bands] == [(0.0, 1.0, 2.0, 3.0)]
    assert message.outlook.breaks_s == NOW_S + 7200.0
    assert (message.alarms[0].seen_by, message.alarms[0].seen_s) == ("Kit", NOW_S - 1800.0)
    assert message.events[0].note == "a\\u202eb"


TEXT = st.text(max_size=20)
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)
KEYS = st.sampled_from(
    ["station", "since", "lines", "clocks", "outlook", "alarms", "events", "sections", "reasons",
     "row", "seal", "log", "time", "air_temp_c"]
)  # fmt: skip


@given(st.dictionaries(KEYS, JSON, max_size=6))
def test_no_value_of_any_key_is_more_than_unread(more: dict[str, Any]) -> None:
    payload = call(**{**more, "call": "HOLD"})
    try:
        message = call_message("tent", payload)
    except MessageFault:
        return  # NaN, say, is no JSON
    assert message.call == "HOLD"


STEPS = st.lists(
    st.one_of(
        st.tuples(
            st.just("call"),
            st.sampled_from(["GO", "HOLD", "STOP", ""]),
            st.sampled_from([-90.0, -59.0, -5.0, 0.0, 4.0, 90.0]),
            st.booleans(),
        ),
        st.tuples(st.just("status"), st.sampled_from([b"online", b"offline"])),
        st.tuples(st.just("wait"), st.sampled_from([0.5, 14.0, 31.0, 61.0])),
        st.tuples(st.just("set"), st.sampled_from([-3600.0, -40.0, 40.0])),
        st.tuples(st.just("lost")),
        st.tuples(st.just("linked")),
    ),
    max_size=25,
)
Story = list[tuple[Any, ...]]


def may_be_go(story: Story) -> bool:
    """Whether a GO may be shown at the end of a story, read backwards from its end."""
    waited, shift = 0.0, 0.0
    online: bool | None = None
    live_since = [n for n, step in enumerate(story) if step[0] in ("linked", "lost")]
    if not live_since or story[live_since[-1]][0] != "linked":
        return False
    for n in range(len(story) - 1, live_since[-1], -1):
        step = story[n]
        if step[0] == "wait":
            waited += step[1]
        elif step[0] == "set":
            shift += step[1]
        elif step[0] == "status" and online is None:
            online = step[1] == b"online"
        elif step[0] == "call" and not (step[1] == "" and step[3]):
            _, word, offset_s, retained = step
            earlier_live = any(
                s[0] == "call" and s[1] and not s[3] for s in story[live_since[-1] : n]
            )
            if retained and earlier_live:
                continue
            said = [s[1] for s in story[live_since[-1] : n] if s[0] == "status"]
            if online is None:  # it may have been said before the call
                online = bool(said) and said[-1] == b"online"
            if ("status", b"offline") in story[n:] or (retained and said[-1:] == [b"offline"]):
                return False  # contract, rule 2
            too_far_ahead = retained and offset_s > 5.0
            young = waited < VALID_S and offset_s + VALID_S > waited + shift
            return word == "GO" and online and young and not too_far_ahead
    return False


@given(STEPS)
def test_never_an_old_go_whatever_happens(story: Story) -> None:
    rig = Rig(up=False)
    for n, step in enumerate(story):
        match step:
            case ("call", word, offset_s, retained):
                payload = call(word, rig.wall_s + offset_s) if word else b""
                rig.say(payload, retained=retained)
            case ("status", payload):
                rig.status(payload)
            case ("wait", seconds):
                rig.wait(seconds)
            case ("set", seconds):
                rig.wall_s += seconds
            case ("lost",):
                rig.yard.lost(rig.now)
            case ("linked",):
                rig.yard.linked()
        shown = rig.yard.shown(TENT, rig.now)
        if shown.word == "GO":
            assert may_be_go(story[: n + 1])
            assert 0.0 < shown.left_s <= VALID_S
        else:
            assert shown.word in ("HOLD", "STOP", NO_WORD)
        assert (shown.word == NO_WORD) == (shown.silence is not None)


HEARD = st.lists(
    st.one_of(
        st.tuples(
            st.just("call"),
            st.sampled_from(["tent", "booth"]),
            st.sampled_from(["GO", "STOP", "", "nonsense"]),
            st.sampled_from(["shed-pi", "yard-pi"]),
            st.booleans(),
        ),
        st.tuples(
            st.just("status"),
            st.sampled_from([b"online", b"offline"]),
            st.sampled_from(["shed-pi", "yard-pi"]),
        ),
        st.tuples(st.just("lost")),
        st.tuples(st.just("linked")),
        st.tuples(st.just("asked")),
    ),
    max_size=25,
)


@given(HEARD)
def test_what_is_told_as_news_is_all_that_changed(story: Story) -> None:
    rig = Rig(up=False)
    known: dict[Key, Row] = {}
    for step in (*story, ("asked",)):
        match step:
            case ("call", enclosure, word, station, retained):
                payload = call(word, station=station) if word else b""
                rig.say(payload, retained=retained, enclosure=enclosure)
            case ("status", payload, station):
                rig.status(payload, station)
            case ("lost",):
                rig.yard.lost(rig.now)
            case ("linked",):
                rig.yard.linked()
            case ("asked",):
                news = rig.yard.news(rig.now)
                rows = {row.key: row for row in news.rows}
                known = rows if news.whole else known | rows
                whole = rig.yard.rows(rig.now)
                assert known == {row.key: row for row in whole}
                assert sorted(known.values(), key=rank) == whole
    assert rig.yard.news(rig.now) == ([], False)


def test_the_property_would_see_an_old_go() -> None:
    story: Story = [("linked",), ("status", b"online"), ("call", "GO", 0.0, False)]
    assert may_be_go(story)
    for end in (("wait", 61.0), ("status", b"offline"), ("lost",), ("call", "STOP", 0.0, False)):
        assert not may_be_go([*story, end])
