"""What is pressed elsewhere, through a real broker into the real program and its log.

The contract is our own (README.md, deploy/README.md): an event is in the log before it is answered,
a repeat of its id writes nothing, and what it does to the watch is what `filmcall event` does.
"""

from __future__ import annotations

import json
import re
import signal
import time
from pathlib import Path
from typing import Any

from monitor.log.log import Store
from tests.system.broker import RealBroker, Sensor
from tests.system.test_watch import (
    Feed,
    Listener,
    Note,
    Program,
    closing,  # noqa: F401 (a fixture)
    wait_for,
)

EVENT = "filmcall/tent/event"


class Page:
    """Whoever presses: sends, and hears the answers."""

    def __init__(self, port: int) -> None:
        self.listener = Listener(port)
        self.sensor = Sensor(port, "page")

    def close(self) -> None:
        self.sensor.close()
        self.listener.close()

    def answers(self, name: str | None = None) -> list[dict[str, Any]]:
        """Return what was answered to that id, or to anything."""
        heard = tuple(self.listener.heard)
        told = [json.loads(each.payload) for each in heard if each.topic == f"{EVENT}/done"]
        return [each for each in told if name in (None, each["id"])]

    def press(self, body: dict[str, Any] | bytes, topic: str = EVENT) -> dict[str, Any]:
        """Send, and return the answer that comes."""
        name = None if isinstance(body, bytes) else body["id"]
        before = len(self.answers(name))
        self.sensor.send(topic, body if isinstance(body, bytes) else json.dumps(body))
        wait_for(lambda: len(self.answers(name)) > before)
        return self.answers(name)[before]


def kept(db: Path) -> list[tuple[str, str | None, int | None]]:
    with Store.open(db, now_s=time.time, read_only=True) as store:
        assert store.verify() == []
        return [(each.kind.value, each.section, each.row) for each in store.events("tent")]


def test_a_press_is_in_the_log_before_it_is_answered_and_once_for_all(
    broker: RealBroker,
    closing: Note,  # noqa: F811
    tmp_path: Path,
) -> None:
    feed = closing(Feed(broker.port))
    page = closing(Page(broker.port))
    program = closing(Program(tmp_path, broker.port))
    wait_for(lambda: page.listener.last("tent/word") == b"GO")

    mixed = page.press({"id": "a1", "kind": "mixed", "batch": "B7", "amount_ml": 400})
    assert (mixed["result"], mixed["row"], mixed["warnings"]) == ("recorded", 1, [])
    begun = {"id": "a2", "kind": "coat-started", "method": "brush", "by": "the foreman"}
    answer = page.press({**begun, "note": '<b>"port"</b>\n', "batch": "B8"})
    assert (answer["id"], answer["kind"], answer["result"]) == ("a2", "coat-started", "recorded")
    assert "was never mixed" in answer["warnings"][0], "as `filmcall event` warns"
    assert kept(program.db)[-1] == ("coat-started", None, answer["row"])
    wait_for(lambda: page.listener.call().get("stage") == "apply")
    call = page.listener.call()
    assert call["log"] == answer["log"]
    assert re.fullmatch("[0-9a-f]{64}", call["seal"])
    assert call["events"][0]["note"] == '<b>"port"</b>\n', "a note is text"
    with Store.open(program.db, now_s=time.time, read_only=True) as store:
        assert call["row"] == next(iter(reversed([*store.calls("tent")]))).row

    # Hardware: two presses are one; and what is no event at all.
    first = page.press(b"", f"{EVENT}/wiped")
    second = page.press(b"", f"{EVENT}/wiped")
    assert (first["result"], second["result"]) == ("recorded", "repeated")
    assert (first["row"], second["row"], second["id"]) == (3, 3, None)
    for hostile in (b"\xff\x00", b"[" * 3000, b'{"id": "b1", "kind": "heater-off", "relay": 1}'):
        assert page.press(hostile)["result"] == "refused"
    assert page.press(b"ON", f"{EVENT}/wiped")["text"].startswith("Section 'ON' is not known")
    assert "did you mean wiped" in page.press(b"", f"{EVENT}/wipd")["text"]
    page.sensor.send(EVENT, json.dumps({"id": "c1", "kind": "sanded"}), retain=True)
    wait_for(lambda: page.answers()[-1]["id"] == "c1")
    assert page.answers()[-1]["result"] == "refused"
    assert len(kept(program.db)) == 3

    # The same id after a kill, and in the meantime no word from a probe.
    page.sensor.send(EVENT, b"", retain=True)
    program.end(signal.SIGKILL)
    wait_for(lambda: "offline" in str(page.listener.last("bench/status")))
    again = closing(Program(tmp_path, broker.port))
    wait_for(lambda: "online" in str(page.listener.last("bench/status")))
    repeated = page.press({**begun, "section": "other"})
    assert repeated == {**answer, "result": "repeated"}
    assert len(kept(again.db)) == 3
    feed.close()
    wait_for(lambda: page.listener.last("tent/word") == b"NONE")
    assert again.end(signal.SIGTERM) == 0
    assert page.listener.last("tent/word") == b"NONE"
    assert "Traceback" not in program.said + again.said


def test_a_second_station_of_one_name_is_said_by_both(
    broker: RealBroker,
    closing: Note,  # noqa: F811
    tmp_path: Path,
) -> None:
    closing(Feed(broker.port))
    listener = closing(Listener(broker.port))
    (tmp_path / "barn").mkdir()
    one = closing(Program(tmp_path, broker.port))
    other = closing(Program(tmp_path / "barn", broker.port, station="barn"))
    wait_for(lambda: "station 'barn' tells calls of an enclosure 'tent' too" in one.said)
    wait_for(lambda: "station 'bench' tells calls of an enclosure 'tent' too" in other.said)
    wait_for(lambda: any("rename one of the two" in e for e in listener.call().get("lines", [])))
