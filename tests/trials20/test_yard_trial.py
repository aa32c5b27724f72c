"""The yard on a terminal: every enclosure of every station, worst first, and never an old GO."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.system.broker import RealBroker
from tests.system.conftest import MakeBroker, need
from tests.trials20.parts import ROOT, Actor, Child, call_message, environment, until

Note = Callable[[Any], Any]
SAYS_SO_S = 10.0
KEYS = {"station", "enclosure", "word", "reason", "since", "valid_until", "alarms"}


def lines(yard: Child) -> list[dict[str, Any]]:
    """Return the changes that it has printed, beside what it says on standard error."""
    yard.alive()
    return [json.loads(line) for line in tuple(yard.lines) if re.match(r"{.*}$", line)]


def newest(yard: Child) -> dict[tuple[str, str], str]:
    """Return the newest word of each enclosure and station."""
    return {(each["enclosure"], each["station"]): each["word"] for each in lines(yard)}


def table(closing: Note, port: int, names: set[str], *words: str) -> str:
    """Return what --plain shows once all names are there and it has fallen silent."""
    yard = closing(Child("yard", "--broker", f"127.0.0.1:{port}", "--plain", *words))
    until("all names", lambda: all(name in yard.said for name in names))
    said = ""
    while said != yard.said:
        said = yard.said
        time.sleep(0.3)
    assert "Traceback" not in said
    return said


def test_each_change_is_one_line_of_json_and_no_go_outlives_its_time(
    make_broker: MakeBroker, closing: Note
) -> None:
    broker = make_broker()
    actor = closing(Actor(broker.port))
    actor.call("tent")
    actor.call("loft", valid_s=-3600.0)
    yard = closing(Child("yard", "--broker", f"127.0.0.1:{broker.port}", "--json"))
    until("tent's GO", lambda: newest(yard).get(("tent", "shed-pi")) == "GO")
    until("loft's NONE", lambda: newest(yard).get(("loft", "shed-pi")) == "NONE")
    for each in lines(yard):
        assert set(each) == KEYS
        assert isinstance(each["alarms"], list | int)
    printed = len(lines(yard))
    actor.call("tent")
    time.sleep(1.0)
    assert len(lines(yard)) == printed, "the same said again is no change"
    actor.call("tent", "STOP")
    until("STOP", lambda: newest(yard)[("tent", "shed-pi")] == "STOP")
    assert "6.1 K above dew point" in lines(yard)[-1]["reason"]
    actor.call("tent", valid_s=3.0)
    until("GO again", lambda: newest(yard)[("tent", "shed-pi")] == "GO")
    until("its end", lambda: newest(yard)[("tent", "shed-pi")] == "NONE", 3.0 + SAYS_SO_S)
    assert "shed-pi" in lines(yard)[-1]["reason"]
    actor.call("tent")
    until("GO", lambda: newest(yard)[("tent", "shed-pi")] == "GO")
    actor.life("offline")
    until("offline", lambda: newest(yard)[("tent", "shed-pi")] == "NONE", SAYS_SO_S)
    actor.life("online")
    actor.call("tent")
    until("GO", lambda: newest(yard)[("tent", "shed-pi")] == "GO")
    broker.kill()
    until("no broker", lambda: newest(yard)[("tent", "shed-pi")] == "NONE", SAYS_SO_S)
    broker.start()
    actor.client.reconnect()
    actor.life("online")
    actor.call("tent")
    until("the broker's return", lambda: newest(yard)[("tent", "shed-pi")] == "GO")
    assert "Traceback" not in yard.said


def test_two_stations_with_one_enclosure_name_stand_apart(
    broker: RealBroker, closing: Note
) -> None:
    shed, creek = closing(Actor(broker.port)), closing(Actor(broker.port, "creek-pi"))
    yard = closing(Child("yard", "--broker", f"127.0.0.1:{broker.port}", "--json"))
    seen = closing(Child("yard", "--broker", f"127.0.0.1:{broker.port}", "--plain"))

    def both() -> bool:
        shed.call("tent", "GO")
        creek.call("tent", "HOLD")
        time.sleep(0.3)
        wanted = {("tent", "shed-pi"): "GO", ("tent", "creek-pi"): "HOLD"}
        return newest(yard) == wanted and "tent (creek-pi)" in seen.said

    until("both stations", both)
    until("the first by its full name", lambda: "tent (shed-pi)" in seen.said)
    creek.life("offline")
    until("creek-pi's end", lambda: newest(yard)[("tent", "creek-pi")] == "NONE", SAYS_SO_S)
    assert newest(yard)[("tent", "shed-pi")] == "GO"


def test_the_table_has_the_worst_first_alarms_and_who_saw_them(
    broker: RealBroker, closing: Note
) -> None:
    actor = closing(Actor(broker.port))
    when = call_message()["time"]
    alarm = {"section": "hull-port", "fact": "harmed", "text": "Hull wet", "since": when}
    seen = alarm | {"rang_at": when, "acknowledged_at": when, "acknowledged_by": "night watch"}
    actor.call("a-fine", "GO")
    actor.call("b-near", "HOLD")
    actor.call("c-spoiled", "STOP", alarms=[seen])
    actor.call("d-gone", "GO", valid_s=-60.0)
    odd = "\x1b[2J\u202eodd"
    actor.call("e-odd", "HOLD", lines=[odd], alarms=[seen | {"text": odd, "section": odd}])
    names = {"a-fine", "b-near", "c-spoiled", "d-gone"}
    said = table(closing, broker.port, names)
    at = {name: said.rindex(name) for name in names}
    assert at["c-spoiled"] < at["b-near"] < at["a-fine"]
    assert at["d-gone"] < at["a-fine"], "what nobody knows of is worse than GO"
    assert "night watch" in said
    row = next(line for line in said.splitlines()[::-1] if "d-gone" in line)
    assert not re.search(r"\bGO\b", row)
    assert "\x1b[2J" not in said, "a text moves nobody's cursor"
    assert "\u202e" not in said
    assert "b-near" not in table(closing, broker.port, {"c-spoiled"}, "--filter", "spoiled")


def _two_hundred(actor: Actor) -> dict[str, str]:
    words = {f"shed-{n:03d}": ("STOP" if n in (7, 150) else "GO") for n in range(200)}
    for name, word in words.items():
        message = json.dumps(call_message(name, word, station=actor.station))
        actor.client.publish(f"filmcall/{name}/call", message, 1, True)
    actor.say("marker", "all sent", retain=False)
    return words


def test_two_hundred_enclosures_are_all_there(broker: RealBroker, closing: Note) -> None:
    words = _two_hundred(closing(Actor(broker.port)))
    yard = closing(Child("yard", "--broker", f"127.0.0.1:{broker.port}", "--json"))
    wanted = {(name, "shed-pi"): word for name, word in words.items()}
    until("200 enclosures", lambda: newest(yard) == wanted)
    said = table(closing, broker.port, set(words))
    order = sorted(words, key=said.rindex)
    assert set(order[:2]) == {"shed-007", "shed-150"}


def test_two_hundred_are_paged_on_a_terminal(
    broker: RealBroker, closing: Note, tmp_path: Path
) -> None:
    need("tmux", shutil.which("tmux") is not None)
    words = _two_hundred(closing(Actor(broker.port)))
    tmux = ["tmux", "-u", "-S", str(tmp_path / "tmux")]
    environ = {k: v for k, v in environment().items() if k not in ("NO_COLOR", "TMUX", "COLUMNS")}
    environ |= {"LC_ALL": "C.UTF-8", "TERM": "xterm-256color"}

    def ask(*each: str) -> str:
        ran = subprocess.run([*tmux, *each], env=environ, capture_output=True, text=True,
                             timeout=60.0, cwd=ROOT)  # fmt: skip
        return ran.stdout

    program = f'{sys.executable} -c "from monitor.cli.app import main; main()"'
    command = f"{program} yard --broker 127.0.0.1:{broker.port}; sleep 60"
    ask("-f", os.devnull, "new-session", "-d", "-x", "120", "-y", "40", command)
    try:
        shown = ""

        def drawn() -> bool:
            nonlocal shown
            before, shown = shown, ask("capture-pane", "-p")
            return {"shed-007", "shed-150"} <= _names(shown) and shown == before

        until("the worst", drawn)
        seen = _names(shown)
        assert len(seen) >= 25

        def turned() -> bool:
            ask("send-keys", "PageDown")
            time.sleep(0.7)  # a screen over ssh is drawn twice a second at most
            seen.update(_names(ask("capture-pane", "-p")))
            return seen >= set(words)

        until("every page", turned)
    finally:
        ask("kill-server")  # of this socket alone


def _names(screen: str) -> set[str]:
    return set(re.findall(r"shed-\d{3}", screen))
