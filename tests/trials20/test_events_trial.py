"""Events over the broker, as a phone and a push button send them to the real program.

Expected is what the design's "Many enclosures" and "Clocks" say: in the log before it is answered,
a repeated id is harmless, a retained or malformed message writes nothing, warnings of the moment.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.system.broker import RealBroker, Sensor, mosquitto
from tests.system.conftest import need
from tests.system.test_watch import Feed, Listener
from tests.trials20.parts import Station, filmcall, iso, rows, seconds, until, uuid_of

Note = Callable[[Any], Any]
ANSWER_S = 60.0


class Phone:
    """Sends events and hears their answers; `then` is called in the moment of an answer."""

    def __init__(self, port: int) -> None:
        self.answers: list[dict[str, Any]] = []
        self.retained = 0
        self.then: Callable[[], object] | None = None
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port, 30)
        self.client.subscribe("filmcall/+/event/done", 1)
        self.client.loop_start()

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if self.then is not None:
            self.then()
        self.retained += bool(message.retain)
        try:
            answer = json.loads(message.payload)
        except ValueError:
            return
        if isinstance(answer, dict) and "result" in answer:  # what a stranger says there has none
            self.answers.append(answer | {"topic": message.topic})

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        self.client.publish(f"filmcall/{topic}", payload, 1, retain).wait_for_publish(ANSWER_S)

    def to(self, name: str) -> list[dict[str, Any]]:
        return [each for each in tuple(self.answers) if each.get("id") == name]

    def ask(self, name: str, kind: str, room: str = "tent", **more: Any) -> dict[str, Any]:
        """Send an event and return the answer to it."""
        before = len(self.to(name))
        self.send(f"{room}/event", json.dumps({"id": name, "kind": kind, **more}))
        answer: dict[str, Any] = until(name, lambda: self.to(name)[before:], ANSWER_S)[0]
        return answer

    def insist(self, name: str, kind: Any, room: str = "tent", **more: Any) -> dict[str, Any]:
        """Send an event until it is answered, as one does who heard nothing."""
        before = len(self.to(name))

        def tried() -> list[dict[str, Any]]:
            self.send(f"{room}/event", json.dumps({**more, "id": name, "kind": kind}))
            end_s = time.monotonic() + 0.5
            while not (answers := self.to(name)[before:]) and time.monotonic() < end_s:
                time.sleep(0.01)
            return answers

        answer: dict[str, Any] = until(name, tried)[0]
        return answer

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Station, Phone, Listener]]:
    """A station of three rooms that has its readings, shared by what leaves no trace in others."""
    need("mosquitto", mosquitto() is not None)
    folder = tmp_path_factory.mktemp("site")
    broker = RealBroker(folder)
    broker.start()
    things: list[Any] = []
    try:
        things.append(Listener(broker.port))
        things.append(Feed(broker.port, "tent", "booth", "loft"))
        things.append(Phone(broker.port))
        things.append(Station(folder, broker.port, "tent", "booth", "loft"))
        yield things[3].ready(), things[2], things[0]
    finally:
        for thing in reversed(things):
            thing.close()
        broker.stop()


def events(db: Path) -> list[tuple[Any, ...]]:
    return rows(db, "SELECT id, kind, enclosure, section, note FROM events ORDER BY id")


def test_an_answered_event_is_in_the_log_whatever_happens_next(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    closing(Feed(broker.port))
    phone = closing(Phone(broker.port))
    for number in range(2):
        name, more = f"kill.{number}", {"note": f"round {number}", "section": "hull-port"}
        station = closing(Station(tmp_path, broker.port))
        phone.then = station.process.kill
        answer = phone.insist(name, "note", **more)
        phone.then = None
        station.end(signal.SIGKILL)
        assert "Traceback" not in station.said
        logged = {row[0]: row[1:] for row in events(station.db)}
        assert answer["result"] == "recorded"
        assert logged[answer["row"]] == ("note", "tent", "hull-port", f"round {number}")
        assert answer["log"] == uuid_of(station.db)
        station = closing(Station(tmp_path, broker.port))
        assert phone.insist(name, "note", **more) == answer | {"result": "repeated"}
        assert len(events(station.db)) == number + 1
        # An id is used up, whatever comes with it later.
        other = phone.ask(name, "sanded", section="hull-port")
        assert other["result"] in ("repeated", "refused")
        assert len(events(station.db)) == number + 1
        station.end(signal.SIGKILL)
    assert phone.retained == 0


def test_an_event_that_a_kill_met_halfway_is_there_once_and_a_retained_one_never(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    closing(Feed(broker.port))
    phone = closing(Phone(broker.port))
    # Only who subscribes later hears that it is retained: the next start of the program.
    phone.send("tent/event", '{"id": "kept", "kind": "note", "note": "kept"}', retain=True)
    phone.send("tent/event/wiped", "hull-port", retain=True)
    station = closing(Station(tmp_path, broker.port))
    phone.insist("first", "note")
    for number, wait_s in enumerate((0.001, 0.006)):
        name, note = f"half-{number}", f"half {number}"
        phone.send("tent/event", json.dumps({"id": name, "kind": "note", "note": note}))
        time.sleep(wait_s)
        station.end(signal.SIGKILL)
        station = closing(Station(tmp_path, broker.port))
        answer = phone.insist(name, "note", note=note)
        assert answer["result"] in ("recorded", "repeated")
        assert [row[0] for row in events(station.db) if row[4] == note] == [answer["row"]]
    assert [row[4] for row in events(station.db)] == ["", "half 0", "half 1"]


def test_warnings_of_the_moment_are_in_the_answer_and_the_event_is_recorded_all_the_same(
    site: tuple[Station, Phone, Listener],
) -> None:
    station, phone, _ = site
    port = {"room": "booth", "section": "hull-port"}
    ago = iso(time.time() - 300.0)  # its pot lives for 1 min
    mixed = phone.ask("w1", "mixed", batch="A", amount_ml=500, time=ago, **port)
    assert (mixed["result"], mixed["warnings"]) == ("recorded", [])
    late = phone.ask("w2", "coat-started", batch="A", method="roller", **port)
    assert any("pot" in each for each in late["warnings"])
    assert phone.ask("w3", "coat-ended", **port)["result"] == "recorded"
    early = phone.ask("w4", "coat-started", **port)
    assert any("opens" in each or "wet film" in each for each in early["warnings"])
    astray = phone.ask("w5", "washed", room="booth", section="keel")
    assert any("keel" in each for each in astray["warnings"])
    for answer in (late, early, astray):
        assert answer["result"] == "recorded"
        assert answer["topic"] == "filmcall/booth/event/done"
        assert answer["text"].strip()
        assert "\n" not in answer["text"]
        assert abs(seconds(answer["time"]) - time.time()) < 60.0
    logged = {row[0]: row[1:4] for row in events(station.db)}
    assert logged[late["row"]] == ("coat-started", "booth", "hull-port")
    assert logged[astray["row"]] == ("washed", "booth", "keel")


def test_a_double_press_of_a_hardware_button_is_one_press(
    site: tuple[Station, Phone, Listener],
) -> None:
    station, phone, _ = site

    def press(topic: str, payload: str = "") -> int:
        phone.send(f"loft/event/{topic}", payload)
        phone.ask(f"after-{time.monotonic_ns()}", "note", room="loft")
        return sum(row[1] == topic for row in events(station.db) if row[2] == "loft")

    assert press("wiped", "hull-port") == 1
    assert press("wiped", "hull-port") == 1
    assert press("sanded", "hull-port") == 1, "another kind is another press"
    phone.ask("keel", "washed", room="loft", section="keel")  # from now on it is a section
    assert press("wiped", "keel") == 2, "another section is another press"
    time.sleep(5.5)
    assert press("wiped", "hull-port") == 3
    assert press("floor-wetted") == 1, "an empty payload names no section"


VALID: dict[str, Any] = {"id": "hostile", "kind": "note", "note": "never"}


def _with(**more: Any) -> str:
    return json.dumps(VALID | more)


HOSTILE: dict[str, tuple[str, bytes | str]] = {
    "empty": ("tent/event", b""),
    "null": ("tent/event", "null"),
    "list": ("tent/event", "[]"),
    "word": ("tent/event", '"note"'),
    "number": ("tent/event", "42"),
    "prose": ("tent/event", "please start the coat"),
    "bytes": ("tent/event", b"\xff\xfe\x00\x80" * 20),
    "cut short": ("tent/event", _with()[:-5]),
    "two objects": ("tent/event", _with() * 2),
    "no keys": ("tent/event", "{}"),
    "no id": ("tent/event", '{"kind": "note", "note": "never"}'),
    "id empty": ("tent/event", _with(id="")),
    "id of 65": ("tent/event", _with(id="a" * 65)),
    "id with slash": ("tent/event", _with(id="../a")),
    "id with newline": ("tent/event", _with(id="a\nb")),
    "id with nul": ("tent/event", _with(id="a\0b")),
    "id number": ("tent/event", _with(id=7)),
    "id list": ("tent/event", _with(id=["a"])),
    "id of another alphabet": ("tent/event", _with(id="ключ")),
    "nested": ("tent/event", '{"id": "hostile", "kind": "note", "note": ' + "[" * 3900),
    "deep": ("tent/event", '{"id":"hostile","kind":"note","note":' + "[" * 1900 + "]" * 1900 + "}"),
    "not a number": ("tent/event", _with(kind="mixed", amount_ml=float("nan"))),
    "over 4 KB": ("tent/event", _with(note="x" * 4200)),
    "a megabyte": ("tent/event", _with(note="x" * 1_000_000)),
    "button with a book": ("tent/event/note", "x" * 5000),
    "button of unknown kind": ("tent/event/heater", ""),
    "button below a kind": ("tent/event/note/more", ""),
    "event as an answer": ("tent/event/done", _with()),
    "other enclosure": ("elsewhere/event", _with()),
    "other enclosure's button": ("elsewhere/event/note", ""),
    "enclosure out of bounds": ("tent/../booth/event", _with()),
}
"""Nothing of these may be written; they have no id by which an answer could be demanded."""
REFUSED: dict[str, dict[str, Any]] = {
    "unknown kind": {"kind": "heater"},
    "kind done": {"kind": "done"},
    "kind missing": {"kind": None},
    "kind number": {"kind": 1},
    "kind with wildcard": {"kind": "#"},
    "note object": {"note": {"a": 1}},
    "section list": {"section": ["hull-port"]},
    "coat in words": {"kind": "coat-started", "coat": "first"},
    "coat below one": {"kind": "coat-started", "coat": 0},
    "amount negative": {"kind": "mixed", "amount_ml": -5},
    "amount true": {"kind": "mixed", "amount_ml": True},
    "thinner 400": {"kind": "mixed", "thinner_pct": 400},
    "method flood": {"kind": "coat-started", "method": "flood"},
    "no time": {"time": "yesterday, about noon"},
    "time ahead": {"time": "2999-01-01T00:00:00Z"},
    "no such spec": {"kind": "coat-started", "spec": "no-such-coating"},
    "a file as spec": {"kind": "coat-started", "spec": "../../../../../etc/passwd"},
}
"""These have a good id and may be answered: refused, in one sentence."""


def test_hostile_messages_write_nothing_and_hurt_nothing(
    site: tuple[Station, Phone, Listener],
) -> None:
    station, phone, listener = site
    before = events(station.db)
    for topic, payload in HOSTILE.values():
        phone.send(topic, payload)
        time.sleep(0.05)  # the limit of rate has a trial of its own
    time.sleep(1.0)
    for number, (name, wrong) in enumerate(REFUSED.items()):
        time.sleep(0.2)
        answer = phone.insist(**(VALID | wrong | {"name": f"refused-{number}"}))
        assert answer["result"] == "refused", name
        assert answer.get("row") is None, name
        assert answer["text"].strip(), name
        assert "\n" not in answer["text"], name
        assert "root:" not in json.dumps(answer), name

    def recorded() -> dict[str, Any]:
        # Where the machine was busy the limit of rate may refuse it at first.
        answer = phone.insist("after-hostile", "note", note="\x1b[2J<script>\u202e")
        return answer if answer["result"] == "recorded" else {}

    good = until("a good one after all the others", recorded)
    new = [row for row in events(station.db) if row not in before]
    assert [(row[0], row[2], row[4]) for row in new] == [
        (good["row"], "tent", "\x1b[2J<script>\u202e")
    ]
    assert not [each for each in phone.answers if str(each.get("id")).startswith("hostile")
                and each["result"] != "refused"]  # fmt: skip
    assert station.alive()
    assert "Traceback" not in station.said
    assert "\x1b[2J" not in station.said, "a note moves nobody's cursor"
    assert listener.last("tent/word") == b"GO", "the calls went on"


def test_a_flood_of_events_on_one_topic_is_slowed_and_no_other_suffers(
    site: tuple[Station, Phone, Listener],
) -> None:
    station, phone, listener = site
    flood = [
        phone.client.publish("filmcall/loft/event", _with(id=f"flood-{n}", note="flood"), 1)
        for n in range(400)
    ]
    for each in flood:
        each.wait_for_publish(ANSWER_S)
    assert phone.ask("beside", "note", room="booth")["result"] == "recorded"
    until("calm", lambda: phone.insist("calm", "note", "loft")["result"] != "refused")
    assert 0 < sum(row[4] == "flood" for row in events(station.db)) < 400
    assert listener.last("tent/word") == b"GO"
    assert "Traceback" not in station.said


def test_the_call_carries_what_screens_elsewhere_show(
    site: tuple[Station, Phone, Listener],
) -> None:
    station, phone, listener = site
    for number, kind in enumerate(("wiped", "mixed", "coat-started", "coat-ended")):
        phone.ask(f"shape-{number}", kind, section="hull-port")
    phone.ask("shape-note", "note", note="sixth\nnewest")

    def told() -> dict[str, Any]:
        call = listener.call("tent")
        newest = call.get("events", [{}])[:1] + call.get("events", [{}])[-1:]
        return call if any(e.get("note") == "sixth\nnewest" for e in newest) else {}

    call = until("the call with its events", told)
    assert (call["log"], call["station"]) == (uuid_of(station.db), "bench")
    body = "SELECT id FROM calls WHERE enclosure = 'tent' ORDER BY id DESC LIMIT 3"
    assert call["row"] in [row[0] for row in rows(station.db, body)]
    assert len(call["events"]) <= 5
    assert all(set(each) >= {"kind", "section", "time", "note"} for each in call["events"])
    assert {"coat-ended", "coat-started", "note"} <= {each["kind"] for each in call["events"]}
    assert call["lines"]
    assert all(isinstance(line, str) and line.strip() for line in call["lines"])
    assert len(json.dumps(call).encode()) <= 24 * 1024
    assert call["outlook"] is None or set(call["outlook"]) >= {"state", "text", "breaks_at"}
    keys = {"section", "fact", "text", "since", "rang_at", "acknowledged_at", "acknowledged_by"}
    assert all(set(each) >= keys for each in call["alarms"])

    asked = filmcall("clocks", "--json", "--enclosure", "tent", "--db", station.db,
                     "--config", station.config)  # fmt: skip
    by_command = {(c["name"], c["section"]): c for c in json.loads(asked.stdout)["clocks"]}
    told_now = {(c["name"], c["section"]): c for c in call["clocks"]}
    running = {name for name, c in by_command.items() if c["state"] == "running"}
    assert running
    assert running <= set(told_now)
    for name in running:
        one, other = told_now[name], by_command[name]
        assert set(one) >= {"name", "section", "state", "left_s", "ends_at", "basis"}
        assert one["state"] == "running"
        if "not measured" in other["basis"]:  # it samples the log by the minute: nothing yet
            continue
        assert abs(one["left_s"] - other["left_s"]) < 60.0
        assert abs(seconds(one["ends_at"]) - seconds(other["ends_at"])) < 60.0
        assert len(one["ends_at_range"]) == 2
    held = filmcall("sessions", "verify", "--db", station.db, "--no-calls", "--seal", call["seal"])
    assert held.returncode == 0, held.stdout + held.stderr


def test_the_word_is_none_when_the_program_is_blind_and_when_it_ends(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    listener = closing(Listener(broker.port))
    feed = Feed(broker.port)
    sensor = closing(Sensor(broker.port))
    station = closing(Station(tmp_path, broker.port)).ready()
    feed.close()

    def is_blind() -> bool:
        # The air goes on; without the surface nothing is known of the dew margin.
        sensor.send("tent/air", json.dumps({"t": 20.0, "rh": 50.0, "at": time.time()}))
        time.sleep(0.2)
        return bool(listener.last("tent/word") == b"NONE")

    until("NONE", is_blind)
    closing(Feed(broker.port))
    until("a word", lambda: listener.last("tent/word") in (b"HOLD", b"GO"))
    assert station.end(signal.SIGTERM) == 0
    until("NONE at the end", lambda: listener.last("tent/word") == b"NONE")
    assert not [each for each in listener.heard if each.topic.endswith("/word") and each.retained]


def test_two_stations_with_one_enclosure_name_say_so(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    listener = closing(Listener(broker.port))
    closing(Feed(broker.port))
    one = closing(Station(tmp_path, broker.port, station="shed-pi"))
    two = closing(Station(tmp_path, broker.port, station="creek-pi"))

    def lines(station: str) -> str:
        calls = [json.loads(m.payload or b"{}") for m in tuple(listener.heard)
                 if m.topic == "filmcall/tent/call"]  # fmt: skip
        return " ".join(
            line
            for call in calls
            if call.get("station") == station
            for line in call.get("lines", ())
        )

    until("the second's line", lambda: "shed-pi" in lines("creek-pi"))
    until("the first's line", lambda: "creek-pi" in lines("shed-pi"))
    until("both screens", lambda: "creek-pi" in one.said and "shed-pi" in two.said)
    looked = filmcall("doctor", "--config", one.config, "--db", one.db, "--wait", 3)
    assert "creek-pi" in looked.stdout + looked.stderr
