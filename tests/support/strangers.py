"""Ten invented strangers with what they own, what they ask, and what they would have to read.

Five have a recording, five a broker. For each there are two ways to the first right answer: `by
hand`, with a config typed from the README, and by `filmcall setup`. The driver goes a way on the
real program, counts the commands, answers and characters that were typed, and says whether the
answer was right. Every device, topic and payload is invented.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from queue import Empty, Queue
from typing import Any
from unittest.mock import patch

from tests.support.layout_score import (
    ELSEWHERE,
    Person,
    command,
    config_in,
    crashed,
    printed_so_far,
    standing_in,
    whole_second,
)
from tests.support.logger_files import (
    Ask,
    Column,
    Layout,
    Long,
    Series,
    Wide,
    dew_point_c,
    excel,
    folder,
    pattern,
)

ROOT = Path(__file__).resolve().parents[2]
SPEC = "polyurethane-topcoat"
# What typing and thinking cost, to make minutes of what was typed: our own choice, no source.
TYPED_S, THOUGHT_S = 0.3, 5.0
LISTEN_S, ANSWER_S, EVERY_S = 150.0, 35.0, 0.5


@dataclass(frozen=True, slots=True)
class Message:
    """One message on a broker."""

    topic: str
    payload: str
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """The first right answer.

    Attributes:
        calls: which calls are right; empty where the call is not the question.
        figures: JSON key of a call, what is true, and how far off it may be.
        at: the time of the call that is asked for, ISO in UTC; "" for the last.
    """

    calls: tuple[str, ...]
    figures: tuple[tuple[str, float, float], ...]
    at: str = ""

    def is_met(self, call: dict[str, Any]) -> bool:
        """Return whether a call says so."""
        return (not self.calls or call["call"] in self.calls) and all(
            call.get(key) is not None and abs(call[key] - value) <= off
            for key, value, off in self.figures
        )


@dataclass(frozen=True, slots=True)
class Stranger:
    """One who has never seen the program.

    Attributes:
        name: for the table.
        question: in their words.
        answer: what is right.
        layout: the recording; or, for a broker, only what each topic measures.
        rounds: what the sensors send in each round; None for a recording.
        by_hand: the config that they would type from the README; "" where a bare replay may do.
        timezone: that they would give with a bare replay, or "".
        steady_s: how long the answer must stay right to be believed [s].
    """

    name: str
    question: str
    answer: Expectation
    layout: Layout
    rounds: Callable[[int], list[Message]] | None = None
    by_hand: str = ""
    timezone: str = ""
    steady_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Watched:
    """What watch published: when it was first right, and how often wrong.

    Attributes:
        right: whether the calls were right, none wrong, and stayed so as long as it takes.
        wrong: calls that told a margin, and not the right one.
        right_s: from the start to the first right call, or to the end of waiting [s].
        said: the last call's figures, or what the program printed.
    """

    right: bool
    wrong: int
    right_s: float
    said: str


@dataclass(frozen=True, slots=True)
class Way:
    """How one way to the answer went.

    Attributes:
        right: whether the first right answer was reached.
        commands: that were typed.
        answers: to the program's questions.
        typed: characters, config included.
        lines: of config typed.
        machine_s: that the program took, the wait for sensors included [s].
        before: wrong answers that were given as right before.
        why: what stood in the way.
    """

    right: bool
    commands: int
    answers: int
    typed: int
    lines: int
    machine_s: float
    before: int = 0
    why: str = ""

    @property
    def minutes(self) -> float:
        """Typing and thinking at the assumed pace, and the program's own time [min]."""
        steps = self.commands + self.answers
        return (self.typed * TYPED_S + steps * THOUGHT_S + self.machine_s) / 60.0


def point(name: str, quantity: str, unit: str, **where: str) -> str:
    """Return a point's entry as it would be typed."""
    lines = "".join(f'{key} = "{value}"\n' for key, value in where.items())
    return (
        f'[[enclosure.point]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n{lines}'
    )


def enclosure(zone: str = "Etc/UTC", *, port: bool = False) -> str:
    """Return the head of a config as it would be typed; `{port}` stands for the broker's."""
    broker = '[broker]\nhost = "127.0.0.1"\nport = {port}\n' if port else ""
    return f'{broker}[[enclosure]]\nname = "shed"\nspec = "{SPEC}"\ntimezone = "{zone}"\n'


def last(layout: Layout) -> tuple[tuple[str, float, float], ...]:
    """Return what the last row of a recording says: air, humidity, hull, margin."""
    now = {series.quantity: series.values[-1][1] for series in layout.series}
    return figures(now["air_temp"], now["humidity"], now["surface_temp"])


def frost_point_c(dew_c: float) -> float:
    """Return the frost point over ice of air with this dew point; the dew point above freezing.

    Source: the forms of Alduchov and Eskridge (1996) over water and over ice, from memory [°C].
    """
    vapour_hpa = 6.1094 * math.exp(17.625 * dew_c / (243.04 + dew_c))
    gamma = math.log(vapour_hpa / 6.1121)
    return 273.86 * gamma / (22.587 - gamma) if dew_c < 0.0 else dew_c


def figures(air_c: float, rh_pct: float, hull_c: float) -> tuple[tuple[str, float, float], ...]:
    """Return what a call must show of these three, with how far it may be off."""
    dew_c = dew_point_c(air_c, rh_pct)
    margin_k = hull_c - max(dew_c, frost_point_c(dew_c))
    return (
        ("air_temp_c", air_c, 0.2),
        ("rh_pct", rh_pct, 1.0),
        ("surface_temp_c", hull_c, 0.2),
        ("dew_margin_k", margin_k, 0.4),
    )


def recordings() -> list[Stranger]:
    """Return the five who have a recording."""
    american = Wide(
        "stranger_american",
        (
            Column("Shed Temp (°F)", "air", "F", "air"),
            Column("Shed RH (%)", "rh", "%", "rh"),
            Column("Wood Surface Temp (°F)", "hull", "F", "hull"),
        ),
        pattern("%m/%d/%Y %I:%M %p"),
        heads=("Local Time (UTC-04:00)",),
        zone="Etc/GMT+4",
        kind="cool",
    ).layout()
    german = Wide(
        "stranger_german",
        (Column("Temperatur Luft", "air", "C", "air"), Column("Luftfeuchte", "rh", "%", "rh"),
         Column("Temperatur Rumpf", "hull", "C", "hull")),
        pattern("%d.%m.%Y", "%H:%M:%S"), heads=("Datum", "Zeit"), zone="Europe/Berlin",
        zone_said=False, sep=";", decimal=",", encoding="cp1252", eol="\r\n",
        units=("", "", "°C", "%", "°C"), preamble="Datenlogger;Halle 2\nMessintervall;10 min\n\n",
    ).layout()  # fmt: skip
    long = Long(
        "stranger_long",
        (Column("tent_temperature", "air", "C", "air"), Column("tent_humidity", "rh", "%", "rh"),
         Column("plank_temperature", "hull", "C", "hull")),
        pattern("%Y-%m-%dT%H:%M:%S.000Z"), order=("sensor", "value", "unit", "time"),
        heads=("entity", "state", "unit", "last_changed"), units=(("C", "°C"), ("%", "%")),
        kind="cool",
    ).layout()  # fmt: skip
    two_files = folder(
        "stranger_folder",
        {
            "tent air.csv": Wide(
                "stranger_air", (Column("Temp C", "air", "C", "air"),
                                 Column("Hum %", "rh", "%", "rh")),
                pattern("%Y-%m-%d %H:%M:%S"), heads=("Time UTC",), kind="damp"),
            "hull.csv": Wide(
                "stranger_hull", (Column("Temp C", "hull", "C", "hull", "hull"),),
                pattern("%Y-%m-%d %H:%M:%S"), heads=("Time UTC",), kind="damp"),
        },
        about="",
    )  # fmt: skip
    sheet = Wide(
        "stranger_sheet",
        (Column("Temp", "air", "F", "air"), Column("Humidity", "rh", "%", "rh"),
         Column("Hull", "hull", "F", "hull")),
        excel(), heads=("When",), zone="America/New_York", zone_said=False, kind="cold",
        asks=(Ask("unit", ("Temp", "Hull"), ("F", "degF", "°F")),),
    ).layout()  # fmt: skip

    def typed(zone: str, air: str, rh: str, hull: str, unit: str = "degC") -> str:
        return (
            enclosure(zone)
            + point("tent", "air_temp", unit, column=air)
            + point("tent", "humidity", "%", column=rh)
            + point("hull", "surface_temp", unit, column=hull)
        )

    return [
        Stranger(
            "American logger, °F, offset in the header", "May I start the topcoat now?",
            Expectation(("STOP",), last(american)), american,
            by_hand=typed("Etc/GMT+4", "Shed Temp (°F)", "Shed RH (%)",
                          "Wood Surface Temp (°F)", "degF"),
        ),
        Stranger(
            "German logger, comma and cp1252", "Darf ich jetzt lackieren?",
            Expectation(("GO",), last(german)), german,
            by_hand=typed("Europe/Berlin", "Temperatur Luft", "Luftfeuchte", "Temperatur Rumpf"),
            timezone="Europe/Berlin",
        ),
        Stranger(
            "long file out of a house's own automation", "How near to the dew point was the plank?",
            Expectation(("STOP",), last(long)), long,
            by_hand=typed("Etc/UTC", "tent_temperature", "tent_humidity", "plank_temperature"),
        ),
        Stranger(
            "a folder, one file a sensor", "Is it dry enough in there?",
            Expectation(("STOP",), last(two_files)), two_files,
            by_hand=typed("Etc/UTC", "Temp C", "Hum %", "Temp C"),
        ),
        Stranger(
            "a spreadsheet's days, no units, a cold shed", "May I start?",
            Expectation(("STOP",), last(sheet)), sheet,
            by_hand=typed("America/New_York", "Temp", "Humidity", "Hull", "degF"),
            timezone="America/New_York",
        ),
    ]  # fmt: skip


AIR_C, RH_PCT, HULL_C = 19.2, 71.0, 15.1
CELSIUS = Ask("unit", (), ("C", "degC", "°C"))


def live(name: str, *asks: Ask, **topics: str) -> Layout:
    """Return what a broker's topics measure, for the person who answers; there is no file."""
    series = tuple(Series(quantity, "main", topic, ()) for quantity, topic in topics.items())
    asks = (Ask("zone", (), ("Europe/Oslo",)), *asks)
    return Layout(name, (), "", "Europe/Oslo", series, asks=asks)


def flat(turn: int) -> list[Message]:
    """Send a bare number a topic, retained, with the house's weather and a counter beside."""
    air_c = AIR_C + 0.02 * (turn % 3)
    return [
        Message("tunnel/air/temperature", f"{air_c:.2f}", retain=True),
        Message("tunnel/air/humidity", f"{RH_PCT:.1f}", retain=True),
        Message("tunnel/hull/temperature", f"{HULL_C:.2f}", retain=True),
        Message("house/outdoor/temperature", "6.4", retain=True),
        Message("tunnel/air/uptime", str(1000 + turn)),
    ]


def nested(turn: int) -> list[Message]:
    """Send nested JSON, a topic a node."""
    tent = {"node": 3, "climate": {"temperature": AIR_C, "humidity": RH_PCT}, "rssi": -61}
    plank = {"node": 4, "probe": {"temperature": round(HULL_C + 0.02 * (turn % 3), 2)},
             "battery": 3.02}  # fmt: skip
    return [
        Message("yard/node3/state", json.dumps(tent)),
        Message("yard/node4-hull/state", json.dumps(plank)),
    ]


def array(turn: int) -> list[Message]:
    """Send one array of probes with ids, whose order changes every five seconds."""
    probes = [{"id": "hull", "temp_c": HULL_C}, {"id": "bow", "temp_c": AIR_C, "rh": RH_PCT}]
    return [
        Message("shed/gateway", json.dumps({"probes": probes if turn // 10 % 2 else probes[::-1]}))
    ]


def senml(turn: int) -> list[Message]:
    """Send SenML packs (RFC 8428), one a device."""
    del turn
    tent = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "n": "temperature", "u": "Cel", "v": AIR_C},
        {"n": "humidity", "u": "%RH", "v": RH_PCT},
    ]
    hull = [{"bn": "urn:dev:ow:10e2073a0108007:", "n": "temperature", "u": "Cel", "v": HULL_C}]
    return [
        Message("sensors/tent", json.dumps(tent)), Message("sensors/hull", json.dumps(hull)),
    ]  # fmt: skip


def fahrenheit(turn: int) -> list[Message]:
    """Send all values of one node in °F, units in the keys, and an old retained value beside."""
    node = {
        "air_temp_f": round(AIR_C * 1.8 + 32.0, 2), "rh_pct": RH_PCT,
        "hull_temp_f": round(HULL_C * 1.8 + 32.0, 2), "board_temp_f": 96.8, "seq": turn,
    }  # fmt: skip
    old = [Message("barn/old-hull", "71.3", retain=True)] if not turn else []
    return [*old, Message("barn/paintbox", json.dumps(node))]


def brokers() -> list[Stranger]:
    """Return the five who have a broker."""
    head = enclosure("Europe/Oslo", port=True)
    expected = Expectation((), figures(AIR_C, RH_PCT, HULL_C))
    fahrenheits = {"topic": "barn/paintbox"}
    return [
        Stranger(
            "broker, a number a topic, retained", "How far is the hull over the dew point?",
            expected,
            live("flat", CELSIUS, air_temp="tunnel/air/temperature", humidity="tunnel/air/humidity",
                 surface_temp="tunnel/hull/temperature"),
            flat,
            head + point("tent", "air_temp", "degC", topic="tunnel/air/temperature")
            + point("tent", "humidity", "%", topic="tunnel/air/humidity")
            + point("hull", "surface_temp", "degC", topic="tunnel/hull/temperature"),
        ),
        Stranger(
            "broker, nested JSON", "How far is the hull over the dew point?", expected,
            live("nested", CELSIUS, air_temp="climate.temperature", humidity="climate.humidity",
                 surface_temp="yard/node4-hull/state"),
            nested,
            head
            + point("tent", "air_temp", "degC", topic="yard/node3/state",
                    value="climate.temperature")
            + point("tent", "humidity", "%", topic="yard/node3/state", value="climate.humidity")
            + point("hull", "surface_temp", "degC", topic="yard/node4-hull/state",
                    value="probe.temperature"),
        ),
        Stranger(
            "broker, an array with ids in changing order",
            "How far is the hull over the dew point?", expected,
            live("array", air_temp="bow", surface_temp="hull", humidity="rh"), array,
            head
            + point("bow", "air_temp", "degC", topic="shed/gateway", value="probes.0.temp_c")
            + point("bow", "humidity", "%", topic="shed/gateway", value="probes.0.rh")
            + point("hull", "surface_temp", "degC", topic="shed/gateway", value="probes.1.temp_c"),
            steady_s=18.0,
        ),
        Stranger(
            "broker, SenML", "How far is the hull over the dew point?", expected,
            live("senml", air_temp="sensors/tent", humidity="humidity",
                 surface_temp="sensors/hull"),
            senml,
            head + point("tent", "air_temp", "degC", topic="sensors/tent", value="temperature")
            + point("tent", "humidity", "%", topic="sensors/tent", value="humidity")
            + point("hull", "surface_temp", "degC", topic="sensors/hull", value="temperature"),
        ),
        Stranger(
            "broker, one node in °F, a stale topic beside",
            "How far is the hull over the dew point?", expected,
            live("fahrenheit", air_temp="air_temp_f", humidity="rh_pct",
                 surface_temp="hull_temp_f"),
            fahrenheit,
            head + point("tent", "air_temp", "degF", **fahrenheits, value="air_temp_f")
            + point("tent", "humidity", "%", **fahrenheits, value="rh_pct")
            + point("hull", "surface_temp", "degF", **fahrenheits, value="hull_temp_f"),
        ),
    ]  # fmt: skip


STRANGERS: tuple[Stranger, ...] = (*recordings(), *brokers())


def setup_words(stranger: Stranger, where: str) -> tuple[str, ...]:
    """Return the command of setup; a broker is `HOST:PORT`."""
    return ("setup", where) if stranger.rounds is None else ("setup", "--broker", where)


def typed_length(*words: str) -> int:
    """Return how many characters a command takes at a prompt."""
    return len("filmcall " + " ".join(words)) + 1


def replayed(path: Path, *options: str) -> tuple[dict[str, Any] | None, str]:
    """Return the last call of a replay, and what was printed beside."""
    ran = command("replay", str(path), "--jsonl", "--all", "--db", "trial.db", *options)
    Path("trial.db").unlink(missing_ok=True)
    calls = [text for text in ran.out.splitlines() if text.startswith("{")]
    failed = ran.code or crashed(ran) or not calls
    return (None if failed else json.loads(calls[-1])), " ".join(ran.err.split())


@contextmanager
def sending(port: int, rounds: Callable[[int], list[Message]]) -> Iterator[None]:
    """Publish round after round until the block ends, or the time is up."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="invented-sensors")
    client.connect("127.0.0.1", port, 30)
    client.loop_start()
    done = threading.Event()

    def send() -> None:
        for turn in range(int(LISTEN_S / EVERY_S)):
            for message in rounds(turn):
                client.publish(message.topic, message.payload, 1, message.retain)
            if done.wait(EVERY_S):
                return

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join(5.0)
        client.disconnect()
        client.loop_stop()


def watched(port: int, config: Path, folder: Path, stranger: Stranger) -> Watched:
    """Run watch until its calls on the broker are right, or the time is up."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    heard: Queue[bytes] = Queue()
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="invented-listener")
    client.on_message = lambda _client, _data, message: heard.put(bytes(message.payload))
    client.connect("127.0.0.1", port, 30)
    client.subscribe("filmcall/+/call", 1)
    client.loop_start()
    code = "import sys; sys.path.insert(0, sys.argv.pop(1)); from tests.support.command import main"
    words = ("watch", "--config", str(config), "--plain", "--db", str(folder / "watch.db"))
    with (folder / "watch.txt").open("wb") as out:
        program = subprocess.Popen(
            [sys.executable, "-c", code + "; main()", str(ROOT), *words],
            cwd=folder, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT,
            env={**os.environ, "TZ": "Europe/Oslo"},
        )  # fmt: skip
    wrong, said, answer = 0, "", stranger.answer
    is_met = False
    began_s = time.monotonic()
    right_s = ANSWER_S
    try:
        while time.monotonic() - began_s < ANSWER_S and program.poll() is None:
            if is_met and time.monotonic() - began_s >= stranger.steady_s:
                break
            try:
                call = json.loads(heard.get(timeout=0.5))
            except Empty:
                continue
            known = call.get("dew_margin_k") is not None
            is_met = answer.is_met(call)
            right_s = min(right_s, time.monotonic() - began_s) if is_met else right_s
            wrong += known and not is_met
            said = json.dumps({key: call.get(key) for key, _, _ in answer.figures})
    finally:
        program.terminate()
        try:
            program.wait(10.0)
        except subprocess.TimeoutExpired:
            program.kill()
            program.wait(5.0)
        client.disconnect()
        client.loop_stop()
    printed = (folder / "watch.txt").read_text(encoding="utf-8", errors="replace")
    said = said or " ".join(printed.split())[-200:]
    return Watched(is_met and not wrong, wrong, right_s, said)


def by_hand(stranger: Stranger, port: int = 0) -> Way:
    """Go the way without setup: bare replay first, then a config typed from the README."""
    began_s = time.monotonic()
    commands = typed = wrong = 0
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        config = here / "mine.toml"
        text = stranger.by_hand.format(port=port)
        if stranger.rounds is not None:
            config.write_text(text, encoding="utf-8")
            length = len(text) + typed_length("watch", "--config", "mine.toml")
            with sending(port, stranger.rounds):
                seen = watched(port, config, here, stranger)
            lines = len(text.splitlines())
            why = "" if seen.right else seen.said
            return Way(seen.right, 1, 0, length, lines, seen.right_s, seen.wrong, why)
        path = stranger.layout.write(here)
        zone = ("--timezone", stranger.timezone) if stranger.timezone else ()
        ways: list[tuple[str, ...]] = [("--spec", SPEC)]
        ways += [("--spec", SPEC, *zone)] if zone else []
        ways.append(("--config", "mine.toml"))
        why = ""
        with standing_in(here, stranger.timezone or ELSEWHERE):
            for options in ways:
                is_typed = options[0] == "--config"
                if is_typed:
                    config.write_text(text, encoding="utf-8")
                commands += 1
                typed += typed_length("replay", path.name, *options) + is_typed * len(text)
                call, why = replayed(path, *options)
                if call is None:
                    continue
                is_last = right_time(stranger, call)
                if stranger.answer.is_met(call) and is_last:
                    lines = len(text.splitlines()) if is_typed else 0
                    spent_s = time.monotonic() - began_s
                    return Way(True, commands, 0, typed, lines, spent_s, wrong)
                if "carry no zone" not in why or call["call"] not in stranger.answer.calls:
                    wrong += 1
                    why = f"{call['call']} at {call['time']}"
    lines = len(text.splitlines())
    return Way(False, commands, 0, typed, lines, time.monotonic() - began_s, wrong, why[-200:])


def right_time(stranger: Stranger, call: dict[str, Any]) -> bool:
    """Return whether the last call stands at the last row's time."""
    end = max(series.values[-1][0] for series in stranger.layout.series)
    return whole_second(datetime.fromisoformat(call["time"])) == end


def by_setup(stranger: Stranger, port: int = 0) -> Way:
    """Go the way by setup, answering what it asks, then replay or watch with its config."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        is_live = stranger.rounds is not None
        where = f"127.0.0.1:{port}" if is_live else str(stranger.layout.write(here).name)
        person = Person(stranger.layout, printed_so_far)
        zone = stranger.layout.zone if stranger.layout.zone_is_silent else ELSEWHERE
        words = setup_words(stranger, where)

        def set_up() -> tuple[bool, str]:
            with standing_in(here, zone), patch.object(sys, "stdin", person):
                ran = command(*words)
            said = " ".join((ran.err or ran.out).split())[-200:]
            return not ran.code and not crashed(ran), said

        if stranger.rounds is not None:
            with sending(port, stranger.rounds):
                went_well, said = set_up()
                config = config_in(here)
                right, wrong, why = False, 0, said
                if went_well and config is not None:
                    set_up_s = time.monotonic() - began_s
                    seen = watched(port, config, here, stranger)
                    right, wrong, why = seen.right, seen.wrong, seen.said
                    began_s = time.monotonic() - set_up_s - seen.right_s
            follow: tuple[str, ...] = ("watch", "--config", "filmcall.toml")
        else:
            went_well, said = set_up()
            config = config_in(here)
            right, wrong, why = False, 0, said
            if went_well and config is not None:
                with standing_in(here, zone):
                    call, why = replayed(here / where, "--config", str(config))
                right = call is not None and stranger.answer.is_met(call)
                right = right and call is not None and right_time(stranger, call)
                wrong = int(call is not None and not right)
            follow = ("replay", where, "--config", "filmcall.toml")
        typed = typed_length(*words) + sum(len(text) + 1 for text in person.answers)
        got_on = went_well and config is not None
        typed += typed_length(*follow) if got_on else 0
        return Way(right, 1 + got_on, len(person.asked), typed, 0, time.monotonic() - began_s,
                   wrong, "" if right else why)  # fmt: skip
