"""What a press may say, and what is refused by which name; the contract is our own."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.vocabulary import EventKind
from sensors.mqtt.events import AT_ONCE, MOST_BYTES, QUEUED, EventEar, Press
from sensors.wire import FaultKind

TOPIC = "filmcall/tent/event"


@dataclass
class Hand:
    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def ear() -> EventEar:
    return EventEar("filmcall", ["tent", "booth"], Hand())


def heard(ear: EventEar, payload: bytes | dict[str, Any], topic: str = TOPIC, **more: Any) -> Press:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    ear.hear(topic, body, **{"retained": False, **more})
    (press,) = ear.take(10)
    return press


def test_the_topics_of_every_enclosure_and_no_other_are_asked_for(ear: EventEar) -> None:
    assert ear.filters == (
        "filmcall/tent/event", "filmcall/tent/event/+",
        "filmcall/booth/event", "filmcall/booth/event/+",
    )  # fmt: skip
    assert ear.place("filmcall/barn/event") is None
    assert ear.place("filmcall/tent/event/wiped/now") is None


def test_all_that_a_press_can_say_is_read(ear: EventEar) -> None:
    said = {
        "id": "a.B_9-", "kind": "mixed", "section": "hull-port", "time": "2026-11-20T10:00:00Z",
        "note": "cold\n<b>tin</b> \u202e", "spec": "my-primer", "coat": 2, "batch": "B7",
        "amount_ml": 400, "thinner_pct": 5.5, "method": "roller", "by": "the foreman",
    }  # fmt: skip
    press = heard(ear, said)
    assert press == Press("tent", 1000.0, **{**said, "amount_ml": 400.0})
    least = heard(ear, {"id": "x", "kind": "note", "section": "", "note": None, "coat": None})
    assert least == Press("tent", 1000.0, id="x", kind="note")


def test_a_button_of_hardware_says_nothing_or_a_section(ear: EventEar) -> None:
    assert heard(ear, b"", f"{TOPIC}/coat-started") == Press("tent", 1000.0, kind="coat-started")
    press = heard(ear, b" hull-port\n", "filmcall/booth/event/wiped")
    assert (press.enclosure, press.kind, press.section) == ("booth", "wiped", "hull-port")


@pytest.mark.parametrize(
    ("payload", "kind", "name"),
    [
        (b"", FaultKind.EMPTY, None),
        (b"\xff\xfe", FaultKind.NOT_UTF8, None),
        (b"wiped", FaultKind.NOT_JSON, None),
        (b"[1]", FaultKind.NO_VALUE, None),
        (b"[" * 100, FaultKind.TOO_DEEP, None),
        (b'{"id": "a", "id": "b", "kind": "note"}', FaultKind.DUPLICATE_KEY, None),
        (b'{"kind": "note"}', FaultKind.NO_VALUE, None),
        ({"id": "", "kind": "note"}, FaultKind.NO_VALUE, None),
        ({"id": "x" * 65, "kind": "note"}, FaultKind.NO_VALUE, None),
        ({"id": "a/b", "kind": "note"}, FaultKind.NO_VALUE, None),
        ({"id": 7, "kind": "note"}, FaultKind.NO_VALUE, None),
        ({"id": "a"}, FaultKind.NO_VALUE, "a"),
        ({"id": "a", "kind": ["note"]}, FaultKind.NOT_TEXT, "a"),
        ({"id": "a", "kind": "note", "relay": "on"}, FaultKind.NO_VALUE, "a"),
        ({"id": "a", "kind": "note", "section": "hull\x1b[2J"}, FaultKind.CONTROL_CHARACTER, "a"),
        ({"id": "a", "kind": "note", "by": "\u202eeve"}, FaultKind.CONTROL_CHARACTER, "a"),
        ({"id": "a", "kind": "note", "section": "x" * 65}, FaultKind.TOO_LARGE, "a"),
        ({"id": "a", "kind": "note", "note": "x" * 2001}, FaultKind.TOO_LARGE, "a"),
        ({"id": "a", "kind": "mixed", "amount_ml": "400"}, FaultKind.NUMBER_AS_TEXT, "a"),
        ({"id": "a", "kind": "mixed", "amount_ml": True}, FaultKind.BOOLEAN, "a"),
        ({"id": "a", "kind": "mixed", "coat": 1.5}, FaultKind.NOT_A_NUMBER, "a"),
        (b'{"id": "a", "kind": "mixed", "amount_ml": NaN}', FaultKind.NOT_FINITE, None),
        (b'{"id": "a", "kind": "mixed", "amount_ml": 1e999}', FaultKind.OUT_OF_RANGE, None),
        (b'{"id": "a", "kind": "note", "note": "\\ud800"}', FaultKind.CONTROL_CHARACTER, "a"),
        (b'{"id": "a", "kind": "note", "note": "' + b"x" * MOST_BYTES, FaultKind.TOO_LARGE, None),
    ],
)
def test_what_is_no_event_is_refused_by_name_and_can_be_answered(
    ear: EventEar, payload: bytes | dict[str, Any], kind: FaultKind, name: str | None
) -> None:
    press = heard(ear, payload)
    assert dict(ear.kinds) == {kind: 1}
    assert (ear.refused, press.id) == (1, name)
    assert press.fault.endswith(".")
    assert press.fault.isprintable()


def test_what_is_retained_is_refused(ear: EventEar) -> None:
    press = heard(ear, {"id": "a", "kind": "note"}, retained=True)
    assert (press.id, press.kind) == ("a", "note")
    assert "never retained" in press.fault
    assert dict(ear.kinds) == {FaultKind.RETAINED: 1}


def test_our_own_answers_are_no_presses(ear: EventEar) -> None:
    ear.hear(f"{TOPIC}/done", b'{"id": "a"}', retained=False)
    assert (ear.take(10), ear.refused) == ([], 0)


def test_a_topic_that_brings_too_many_hears_itself_dropped_and_no_other() -> None:
    hand = Hand()
    ear = EventEar("filmcall", ["tent", "booth"], hand)
    for _ in range(200):
        ear.hear(TOPIC, b'{"id": "a", "kind": "note"}', retained=False)
        # A flood of invented words is one topic.
        ear.hear(f"{TOPIC}/x{ear.dropped}", b"", retained=False)
    taken = ear.take(1000)
    assert [sum(each.id == name for each in taken) for name in ("a", None)] == [AT_ONCE, AT_ONCE]
    assert ear.dropped == 300
    ear.hear("filmcall/booth/event/wiped", b"", retained=False)
    hand.now_s += 1.0
    ear.hear(TOPIC, b'{"id": "b", "kind": "note"}', retained=False)
    assert [each.kind for each in ear.take(10)] == ["wiped", "note"]


def test_what_nobody_takes_fills_no_memory() -> None:
    hand = Hand()
    ear = EventEar("filmcall", ["tent"], hand)
    for _ in range(3 * QUEUED):
        hand.now_s += 1.0
        ear.hear(TOPIC, b"?", retained=False)
    assert len(ear.take(10_000)) == QUEUED


@given(st.binary(max_size=300), st.sampled_from(["", "/wiped", "/?", "/done"]), st.booleans())
def test_no_bytes_raise(payload: bytes, level: str, retained: bool) -> None:
    ear = EventEar("filmcall", ["tent"], Hand())
    ear.hear(TOPIC + level, payload, retained=retained)
    for press in ear.take(10):
        assert len(press.kind) <= 64


KEYS = ("id", "kind", "section", "time", "note", "spec", "coat", "batch", "amount_ml", "method")
VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20),
    st.sampled_from([each.value for each in EventKind]), st.lists(st.integers(), max_size=2),
)  # fmt: skip


@given(st.dictionaries(st.sampled_from(KEYS), VALUES))
def test_no_object_raises_and_what_passes_has_its_form(said: dict[str, Any]) -> None:
    ear = EventEar("filmcall", ["tent"], Hand())
    ear.hear(TOPIC, json.dumps(said).encode(), retained=False)
    (press,) = ear.take(10)
    if not press.fault:
        assert press.id == said["id"]
        assert isinstance(press.coat, int | None)
        assert isinstance(press.amount_ml, float | None)
