"""What listeners are told, on a line that only writes down; the broker is in tests/system.

The contract is our own: retained JSON on <base>/<enclosure>/call, one plain word
beside it that no broker keeps, both again every 20 s at least, and nothing that outlives the
program unmarked.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from fake_line import FakeLine
from live import HOUR_S, ONE_PLANK, START_S, WET_C, Live

from monitor.live.publish import Publisher

CONTRACT_S = 20.0
SILENCE_S = 60.0


@pytest.fixture
def line() -> FakeLine:
    return FakeLine()


@pytest.fixture
def publisher(line: FakeLine) -> Publisher:
    return Publisher(line, base="yard/filmcall", station="shed-pi")


def told(call: str = "HOLD") -> dict[str, Any]:
    return {"enclosure": "tent", "call": call, "reasons": [], "sections": []}


def seconds(iso: str) -> float:
    return datetime.fromisoformat(iso.replace("Z", "+00:00")).timestamp()


def test_a_call_is_published_at_once_whole_and_as_one_word(
    publisher: Publisher, line: FakeLine
) -> None:
    publisher.tell("tent", told("STOP"), START_S)
    whole, word = line.take()
    assert (whole.topic, word.topic) == ("yard/filmcall/tent/call", "yard/filmcall/tent/word")
    assert (whole.retain, word.retain) == (True, False)
    assert (whole.qos, word.qos) == (1, 1)
    assert word.payload == b"STOP"
    body = whole.body
    assert {key: body[key] for key in told()} == told("STOP")
    assert body["station"] == "shed-pi"
    assert seconds(body["since"]) == START_S
    assert seconds(body["valid_until"]) == START_S + SILENCE_S


def test_a_message_dies_with_its_validity(publisher: Publisher, line: FakeLine) -> None:
    publisher.tell("tent", told(), START_S)
    assert [each.expiry_s for each in line.take()] == [60, 60]
    publisher.tick(START_S)
    (status,) = line.take("yard/filmcall/shed-pi/status")
    assert status.expiry_s is None, "what says offline must not vanish"


def test_since_is_when_the_call_began_and_not_when_it_was_told_again(
    publisher: Publisher, line: FakeLine
) -> None:
    publisher.tell("tent", told("HOLD"), START_S)
    publisher.tell("tent", told("HOLD"), START_S + 30.0)  # a new stage of the same call
    publisher.tell("tent", told("GO"), START_S + 40.0)
    calls = line.take("yard/filmcall/tent/call")
    assert [seconds(each.body["since"]) - START_S for each in calls] == [0.0, 0.0, 40.0]


def test_a_call_that_an_earlier_run_told_stands_since_then(
    publisher: Publisher, line: FakeLine
) -> None:
    publisher.tell("tent", told("STOP"), START_S, since_s=START_S - 600.0)
    publisher.tell("tent", told("HOLD"), START_S + 40.0, since_s=START_S - 900.0)
    calls = line.take("yard/filmcall/tent/call")
    assert [seconds(each.body["since"]) - START_S for each in calls] == [-600.0, 40.0]


def test_everything_is_told_again_within_the_contract(publisher: Publisher, line: FakeLine) -> None:
    publisher.tell("tent", told(), START_S)
    publisher.tell("booth", {**told("GO"), "enclosure": "booth"}, START_S)
    line.take()
    at: dict[str, list[float]] = {}
    for half in range(240):
        now_s = START_S + 0.5 * half
        publisher.refresh("tent", {**told(), "time": now_s})
        publisher.tick(now_s)
        for message in line.take():
            at.setdefault(message.topic, []).append(now_s)
            if message.topic.endswith("tent/call"):
                assert message.body["time"] == now_s, "with the newest figures"
                assert seconds(message.body["valid_until"]) == now_s + SILENCE_S
    assert set(at) == {
        "yard/filmcall/shed-pi/status",
        *(
            f"yard/filmcall/{room}/{what}"
            for room in ("tent", "booth")
            for what in ("call", "word")
        ),
    }
    for times in at.values():
        assert max(b - a for a, b in pairwise(times)) <= CONTRACT_S


def test_a_yards_calls_are_told_again_one_after_the_other(
    publisher: Publisher, line: FakeLine
) -> None:
    rooms = [f"berth-{k}" for k in range(20)]
    for room in rooms:
        publisher.tell(room, {**told(), "enclosure": room}, START_S)
    publisher.tick(START_S)
    line.take()
    at: dict[str, list[float]] = {room: [START_S] for room in rooms}
    for tenth in range(1, 900):
        publisher.tick(START_S + 0.1 * tenth)
        calls = [each for each in line.take() if each.topic.endswith("/call")]
        assert len(calls) <= 2, "a STOP waits for no burst"
        for each in calls:
            at[each.body["enclosure"]].append(START_S + 0.1 * tenth)
    for times in at.values():
        assert max(b - a for a, b in pairwise(times)) <= CONTRACT_S
        assert len(times) <= 9  # about once in REPEAT_S, no more often than need be


def test_a_clock_set_back_an_hour_silences_nothing(publisher: Publisher, line: FakeLine) -> None:
    publisher.tell("tent", told(), START_S)
    publisher.tick(START_S)
    line.take()
    assert publisher.due(START_S - HOUR_S)
    assert publisher.tick(START_S - HOUR_S)
    assert len(line.take()) == 3


def test_a_new_connection_is_greeted_with_all_there_is(
    publisher: Publisher, line: FakeLine
) -> None:
    publisher.tell("tent", told(), START_S)
    publisher.tick(START_S)
    line.take()
    assert not publisher.tick(START_S + 1.0)
    for hook in line.on_connected:
        hook()
    assert line.messages == [], "the network's thread publishes nothing itself"
    assert publisher.due(START_S + 2.0)
    assert publisher.tick(START_S + 2.0)
    assert [each.payload for each in line.take("yard/filmcall/shed-pi/status")] == [b"online"]


def test_the_last_will_says_offline_and_is_kept(publisher: Publisher, line: FakeLine) -> None:
    (will,) = line.wills
    assert (will.topic, will.payload) == (publisher.status_topic, b"offline")
    assert (will.qos, will.retain) == (1, True)


def test_a_clean_end_clears_the_retained_calls_and_says_offline(
    publisher: Publisher, line: FakeLine
) -> None:
    publisher.tell("tent", told("GO"), START_S)
    publisher.tell("booth", told("STOP"), START_S)
    line.take()
    publisher.close(timeout_s=1.0)
    *both, status = line.take()
    words, cleared = both[:2], both[2:]
    assert {(each.topic, each.payload, each.retain) for each in words} == {
        (f"yard/filmcall/{room}/word", b"NONE", False) for room in ("tent", "booth")
    }
    assert {each.topic for each in cleared} == {
        "yard/filmcall/tent/call", "yard/filmcall/booth/call",
    }  # fmt: skip
    assert all((each.payload, each.retain) == (b"", True) for each in cleared)
    assert (status.topic, status.payload, status.retain) == (
        "yard/filmcall/shed-pi/status", b"offline", True,
    )  # fmt: skip
    assert len(line.waited_s) == 5
    assert all(0.0 < each <= 1.0 for each in line.waited_s)


# The whole loop on that line ----------------------------------------------------------------


@pytest.fixture
def live(tmp_path: Path, publisher: Publisher) -> Iterator[Live]:
    one = Live(tmp_path, ONE_PLANK, publisher=publisher)
    yield one
    one.kill()


def test_the_loop_tells_listeners_what_it_tells_the_log(live: Live, line: FakeLine) -> None:
    live.run(620.0, live.climate())
    live.run(10.0, live.climate(WET_C + 10.0))
    changes: list[str] = []
    for message in line.take("yard/filmcall/tent/word"):
        word = message.payload.decode()
        if not changes or changes[-1] != word:
            changes.append(word)
    assert changes == ["NONE", "HOLD", "GO"], "nothing was heard at first"
    assert [row.call for row in live.store.calls("tent")] == ["HOLD", "GO"]


def test_the_figures_told_again_are_of_now(live: Live, line: FakeLine) -> None:
    live.run(40.0, live.climate(19.0))
    line.take()
    live.run(40.0, live.climate(18.5))
    bodies = [each.body for each in line.take("yard/filmcall/tent/call")]
    assert len(bodies) >= 2
    assert bodies[-1]["surface_temp_c"] == 18.5


def test_a_silent_program_goes_on_telling_that_it_does_not_know(live: Live, line: FakeLine) -> None:
    live.run(620.0, live.climate())
    line.take()
    live.run(200.0)
    words = [each.payload for each in line.take("yard/filmcall/tent/word")]
    assert words.count(b"GO") <= 6, "for 90 s at most"
    assert words[-5:] == [b"NONE"] * 5


def test_a_set_clock_is_told_at_once_and_no_validity_runs_on(live: Live, line: FakeLine) -> None:
    live.run(620.0, live.climate())
    line.take()
    live.machine.wall_ahead_s -= HOUR_S
    live.run(1.0, step_s=1.0)
    (whole, *_) = [each.body for each in line.take("yard/filmcall/tent/call")]
    assert whole["call"] == "HOLD"
    assert seconds(whole["valid_until"]) == pytest.approx(live.machine.wall() + SILENCE_S, abs=1.0)
    assert seconds(whole["since"]) <= live.machine.wall()


def test_a_stop_has_no_since_in_the_future_of_a_clock_set_back(live: Live, line: FakeLine) -> None:
    live.run(60.0, live.climate(WET_C))
    line.take()
    live.machine.wall_ahead_s -= HOUR_S
    live.run(20.0, step_s=1.0)
    whole = line.take("yard/filmcall/tent/call")[-1].body
    assert whole["call"] == "STOP"
    assert seconds(whole["since"]) <= live.machine.wall()


def test_what_is_told_again_stays_marked_until_it_is_in_the_log(live: Live, line: FakeLine) -> None:
    live.run(60.0, live.climate())
    line.take()
    live.store.file.connection.execute("PRAGMA query_only = ON")
    assert live.run(60.0, live.climate(WET_C)) == "STOP"
    live.run(60.0)
    told = [each.body for each in line.take("yard/filmcall/tent/call")]
    marks = [each.get("unlogged") for each in told if each["call"] == "STOP"]
    assert len(marks) >= 5, "the change and a minute of repeats"
    assert set(marks) == {True}
    assert live.store.last_call("tent", "all").call == "HOLD"  # type: ignore[union-attr]
    live.store.file.connection.execute("PRAGMA query_only = OFF")
    live.run(30.0)
    (*_, last) = line.take("yard/filmcall/tent/call")
    assert last.body["call"] == "STOP"
    assert "unlogged" not in last.body
    assert live.store.last_call("tent", "all").call == "STOP"  # type: ignore[union-attr]
