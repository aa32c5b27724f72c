"""What becomes of a press in the watch: in the log first, once, and as from another shell."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from command import filmcall
from live import START_S, TWO_PLANKS, WET_C, Live, Machine

from monitor.live.buttons import A_TURN, TAKE_BACK_S, Buttons
from monitor.record import Answers, Scene, warnings_of
from rules.events import Event
from rules.text import iso_utc
from rules.vocabulary import EventKind
from sensors.mqtt.events import EventEar

TOPIC = "filmcall/tent/event"


class Bench:
    """A watch with buttons, and what they answered."""

    def __init__(self, folder: Path, live: Live | None = None) -> None:
        self.live = live or Live(folder, TWO_PLANKS)
        self.ear = EventEar("filmcall", ["tent"], self.live.machine.monotonic)
        self.answers: list[dict[str, Any]] = []
        self.buttons = Buttons(self.live.watch, self.ear, self._answer, folder)
        self.live.watch.presses = self.buttons

    def _answer(self, enclosure: str, told: dict[str, Any]) -> None:
        assert enclosure == "tent"
        json.dumps(told)
        stored = {each.row for each in self.live.store.events("tent")}
        assert told["row"] is None or told["row"] in stored, "on disk before it is answered"
        self.answers.append(told)

    def press(self, word: str = "", payload: bytes = b"", **said: Any) -> dict[str, Any]:
        body = json.dumps({"id": "p1", **said}).encode() if said else payload
        self.ear.hear(f"{TOPIC}/{word}" if word else TOPIC, body, retained=False)
        self.live.watch.turn(0.0)
        return self.answers[-1]

    def rows(self) -> list[int | None]:
        return [each.row for each in self.live.store.events("tent")]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    made.live.run(60.0, made.live.climate(port=19.0, stbd=19.0))
    yield made
    made.live.kill()


def test_the_answer_has_all_that_it_shall_have(bench: Bench) -> None:
    answer = bench.press(kind="wiped", section="hull-port")
    assert answer == {
        "id": "p1",
        "kind": "wiped",
        "section": "hull-port",
        "result": "recorded",
        "time": iso_utc(bench.live.machine.wall()),
        "log": bench.live.store.log_uuid,
        "row": 1,
        "warnings": [],
        "text": "Recorded wiped at 08:01 in tent/hull-port.",
    }


SECOND_COAT = {"kind": "coat-started", "section": "hull-port", "coat": 2, "batch": "B8"}


def test_a_press_does_what_the_command_does_and_warns_of_the_same(tmp_path: Path) -> None:
    topcoat = TWO_PLANKS.replace("general-guidance", "polyurethane-topcoat")
    machine = Machine(wall_ahead_s=time.time() - 1240.0)  # its time is now when the coat begins
    bench = Bench(tmp_path, Live(tmp_path, topcoat, machine))
    live = bench.live
    live.run(60.0, live.climate(port=19.0, stbd=19.0))
    bench.press(kind="coat-started", section="hull-port", batch="B7")
    assert live.watch.rooms["tent"].enclosure.sections["hull-port"].film.stage == "apply"
    live.run(60.0, live.climate(port=19.0, stbd=19.0))
    bench.press(id="p2", kind="coat-ended")
    live.run(120.0, live.climate(port=19.0, stbd=19.0))
    live.store.flush()
    copy = tmp_path / "copy.db"
    live.store.file.connection.execute("VACUUM INTO ?", (str(copy),))

    pressed = bench.press(id="p3", **SECOND_COAT)
    words = ("--section", "hull-port", "--coat", "2", "--batch", "B8", "--at", pressed["time"])
    ran = filmcall("event", "coat-started", *words, "--enclosure", "tent", "--db", str(copy))
    assert ran.code == 0, ran.err
    typed = [line.removeprefix("warning: ") for line in ran.out.splitlines()[1:]]
    # What the call says of coats, its clocks say to a shell: the log's word may be an older one.
    call, *more = pressed["warnings"]
    assert call.startswith("HOLD: Coat 1 ")
    assert len(typed) >= 2
    assert "hull-port: this coat goes over a wet film" in typed[0]
    assert more == [f"{each[:1].upper()}{each[1:]}." for each in typed]
    live.kill()


def test_a_coat_that_is_begun_in_a_stop_is_answered_by_the_call_first(tmp_path: Path) -> None:
    """The plank at 8 degC is under the dew point of the air, 9.3 degC."""
    machine = Machine(wall_ahead_s=time.time() - 1600.0)
    bench = Bench(tmp_path, Live(tmp_path, TWO_PLANKS, machine))
    live = bench.live
    live.run(600.0, live.climate(port=WET_C, stbd=19.0))
    said = "Hull 1.3 K below dew point: wet"
    now_s = live.machine.wall()
    port = Event(EventKind.COAT_STARTED, now_s, "tent", "hull-port", recorded_s=now_s)
    assert live.watch.against(port)[0].startswith(f"STOP: {said}"), "as a key asks beforehand"
    stood, unread = (replace(port, time_s=now_s - ago_s) for ago_s in (300.0, 900.0))
    (then,) = [each for each in live.watch.against(stood) if "STOP" in each]
    assert re.fullmatch(rf"STOP at .*, by the log: {said}.*", then)
    assert not [each for each in live.watch.against(unread) if "STOP" in each or "known" in each]
    live.store.flush()
    copy = tmp_path / "copy.db"
    live.store.file.connection.execute("VACUUM INTO ?", (str(copy),))

    pressed = bench.press(id="p1", kind="coat-started", section="hull-port")
    assert pressed["warnings"][0].startswith(f"STOP: {said}")
    for at_s, warned in ((now_s, True), (stood.time_s, True), (unread.time_s, False)):
        words = ("--section", "hull-port", "--at", iso_utc(at_s), "--enclosure", "tent")
        ran = filmcall("event", "coat-started", *words, "--db", str(copy))
        found = re.search(rf"\nwarning: STOP at .*?, by the log: {said}", ran.out)
        assert bool(found) is warned is (", by the log: " in ran.out)
    both = replace(port, section=None)
    assert live.watch.against(both)[0].startswith("STOP on hull-port: ")
    live.kill()


def test_a_coat_that_is_begun_while_nothing_is_known_is_answered_so(tmp_path: Path) -> None:
    """Killed under a GO the program leaves no later word; alive it calls HOLD once it is blind."""
    live = Live(tmp_path, TWO_PLANKS, Machine(wall_ahead_s=time.time() - 4600.0))
    live.run(1800.0, live.climate(port=19.0, stbd=19.0))
    read_s = live.machine.wall()
    live.store.flush()
    killed = tmp_path / "killed.db"
    live.store.file.connection.execute("VACUUM INTO ?", (str(killed),))
    for _ in range(60):
        live.run(10.0, {})
    live.kill()

    def told(db: Path, after_s: float) -> list[str]:
        words = ("--section", "hull-port", "--at", iso_utc(read_s + after_s), "--db", str(db))
        ran = filmcall("event", "coat-started", "--enclosure", "tent", *words)
        assert ran.code == 0, ran.err
        return [each for each in ran.out.splitlines() if "reading since" in each]

    assert told(killed, 30.0) == [], "what was read 30 s ago still counts"
    (none,) = told(killed, 600.0)
    assert none.startswith("warning: no call: nothing is known of ")
    (held,) = told(live.path, 600.0)
    assert held.startswith("warning: HOLD at ")
    assert none.rpartition(" since ")[2] == held.rpartition(" since ")[2]


def test_what_the_call_says_of_a_film_is_not_said_again_for_its_memory(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    room = bench.live.watch.rooms["tent"]
    wet = "Wet 02:09 to 03:06 while soft: wash, look, sand"
    held = {"call": "HOLD", "reasons": [{"text": wet}]}
    port = Event(EventKind.COAT_STARTED, START_S, "tent", "hull-port", recorded_s=START_S)
    for told, says in ((held, [f"HOLD: {wet}"]), (None, [f"hull-port: w{wet[1:]}"])):
        scene = Scene(
            events=(),
            config=room.enclosure.config,
            zone=None,
            clocks=lambda _, __: (),
            memory=lambda _, __: [wet],
            answers=lambda _, __, told=told: Answers(told, None),  # type: ignore[misc]
        )
        found = warnings_of(bench.live.store, port, scene)
        assert [each for each in found if "while soft" in each] == says
    bench.live.kill()


def test_the_same_id_writes_once_and_is_answered_alike_after_a_restart(
    bench: Bench, tmp_path: Path
) -> None:
    first = bench.press(kind="coat-ended", by="the foreman")
    assert "No coat is open on any section" in first["warnings"][0]
    assert bench.press(kind="coat-ended") == {**first, "result": "repeated"}
    bench.live.end()
    bench.live = Live(tmp_path, TWO_PLANKS, bench.live.machine)
    again = Bench(tmp_path, bench.live)
    assert again.press(kind="washed", section="hull-stbd") == {**first, "result": "repeated"}
    assert again.rows() == [1]
    assert again.press(id="p2", kind="washed")["result"] == "recorded"


def test_a_button_without_an_id_counts_once_in_five_seconds(bench: Bench) -> None:
    first = bench.press("wiped")
    bench.live.machine.monotonic_s += 4.9
    assert bench.press("wiped")["result"] == "repeated"
    assert bench.press("wiped", b"hull-port")["result"] == "recorded", "another section"
    assert bench.press("washed")["result"] == "recorded", "another kind"
    bench.live.machine.monotonic_s += 0.2
    later = bench.press("wiped")
    assert (later["result"], later["id"]) == ("recorded", None)
    assert first["row"] != later["row"]


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({"kind": "wipd"}, "did you mean wiped?"),
        ({"kind": "measured"}, "needs what was measured"),
        ({"kind": "vouched"}, "needs the probe"),
        ({"kind": "respec"}, "names no spec"),
        ({"kind": "wiped", "time": "2099-01-01T00:00:00Z"}, "ahead of the clock"),
        ({"kind": "wiped", "time": "0001-01-01T00:00:00Z"}, "before 1990"),
        ({"kind": "wiped", "time": "soon"}, "cannot be read"),
        ({"kind": "coat-started", "coat": 0}, "is under 1"),
        ({"kind": "coat-started", "coat": 10**300}, "above 1000"),
        ({"kind": "mixed", "amount_ml": -1}, "is under 0"),
        ({"kind": "mixed", "thinner_pct": 101}, "above 100 %"),
        ({"kind": "coat-started", "method": "hose"}, "one of: brush, roller, gun"),
        ({"kind": "coat-started", "spec": "/etc/passwd"}, "neither a shipped one nor"),
        ({"kind": "coat-started", "spec": "../live"}, "neither a shipped one nor"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence_and_nothing_is_written(
    bench: Bench, said: dict[str, Any], text: str
) -> None:
    answer = bench.press(**said)
    assert (answer["result"], answer["row"], answer["time"]) == ("refused", None, None)
    assert text in answer["text"]
    assert answer["text"].endswith(".")
    assert "\n" not in answer["text"]
    assert bench.rows() == []
    assert bench.buttons.set_aside() == {"events refused": 1}


def test_a_refused_change_of_spec_keeps_not_even_the_specs_text(bench: Bench) -> None:
    count = "SELECT count(*) FROM chain"
    before = bench.live.store.file.rows(count)
    answer = bench.press(kind="respec", section="hull-port", spec="varnish")
    assert "here is no film on section 'hull-port'" in answer["text"]
    assert bench.live.store.file.rows(count) == before


def test_a_spec_is_a_shipped_one_or_the_enclosures_own(bench: Bench) -> None:
    shipped = bench.press(kind="coat-started", section="hull-port", spec="varnish")
    own = bench.press(id="p2", kind="coat-started", section="hull-stbd", spec="general-guidance")
    assert (shipped["result"], own["result"]) == ("recorded", "recorded")
    specs = [each.spec for each in bench.live.store.events("tent")]
    assert specs == ["varnish", "general-guidance"]


def test_a_word_that_is_no_section_makes_none(bench: Bench) -> None:
    answer = bench.press("wiped", b"pressed")
    assert "known: hull-port, hull-stbd" in answer["text"]
    assert set(bench.live.watch.rooms["tent"].enclosure.sections) == {"hull-port", "hull-stbd"}


def test_a_log_that_refuses_is_said_and_the_same_id_may_come_again(bench: Bench) -> None:
    bench.live.store.file.connection.execute("PRAGMA query_only = ON")
    refused = bench.press(kind="wiped")
    assert refused["result"] == "refused"
    assert "was not written" in refused["text"]
    bench.live.store.file.connection.execute("PRAGMA query_only = OFF")
    assert bench.press(kind="wiped")["result"] == "recorded"


def test_a_press_without_a_section_says_which_it_is_for(bench: Bench) -> None:
    bench.press(kind="coat-started", section="hull-port")
    ended = bench.press(id="p2", kind="coat-ended")
    assert ended["text"] == "Recorded coat-ended at 08:01 in tent, for hull-port."
    assert bench.press(id="p2", kind="coat-ended") == {**ended, "result": "repeated"}


def test_a_wrong_press_is_taken_back_by_its_id_and_counts_no_more(bench: Bench) -> None:
    bench.press(kind="coat-started", section="hull-port")
    sections = bench.live.watch.rooms["tent"].enclosure.sections
    assert sections["hull-port"].film.stage == "apply"
    back = bench.press(id="p2", takes_back="p1", by="kit")
    assert (back["result"], back["kind"], back["section"]) == (
        "recorded",
        "coat-started",
        "hull-port",
    )
    assert back["text"] == "Taken back: coat-started at 08:01 in tent/hull-port."
    assert sections["hull-port"].film.stage == "prep"
    _, taken = bench.live.store.events("tent")
    assert (taken.withdrawn, taken.corrects, taken.row) == (True, 1, back["row"])
    assert bench.live.store.told_by(back["row"]) == "kit"
    assert bench.press(id="p2", takes_back="p1") == {**back, "result": "repeated"}
    assert bench.rows() == [1, 2]


def test_what_cannot_be_taken_back_is_refused_in_a_sentence(bench: Bench) -> None:
    bench.press(kind="wiped", section="hull-port")
    unknown = bench.press(id="p2", takes_back="p9")
    assert "no event called 'p9'" in unknown["text"]
    bench.press(id="p3", takes_back="p1")
    assert "no longer counts" in bench.press(id="p4", takes_back="p1")["text"]
    assert "itself" in bench.press(id="p5", takes_back="p3")["text"]
    both = bench.press(id="p6", takes_back="p1", kind="wiped")
    assert "takes_back and kind" in both["text"]
    bench.press(id="p7", kind="washed")
    bench.live.run(TAKE_BACK_S + 10.0, bench.live.climate(port=19.0, stbd=19.0))
    late = bench.press(id="p8", takes_back="p7")
    assert "10 min ago" in late["text"]
    assert "--withdraw" in late["text"]
    assert {each["result"] for each in (unknown, both, late)} == {"refused"}
    assert len(bench.rows()) == 3


def test_a_late_press_keeps_its_own_time(bench: Bench) -> None:
    answer = bench.press(kind="washed", time=iso_utc(START_S - 3600.0))
    assert answer["time"] == iso_utc(START_S - 3600.0)
    (event,) = bench.live.store.events("tent")
    assert event.recorded_s == pytest.approx(bench.live.machine.wall(), abs=1e-3)


def test_a_row_of_presses_is_taken_in_turns(bench: Bench) -> None:
    for number in range(2 * A_TURN):
        body = json.dumps({"id": f"n{number}", "kind": "note"}).encode()
        bench.ear.hear(TOPIC, body, retained=False)
    bench.live.watch.turn(0.0)
    assert len(bench.answers) == A_TURN
    bench.live.watch.turn(0.0)
    assert [each["id"] for each in bench.answers] == [f"n{n}" for n in range(2 * A_TURN)]
