"""Sets up from a broker: listens to every topic, and takes each value for what its names say."""

from __future__ import annotations

import os
import platform
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import paho.mqtt.client as paho

from monitor.config.model import BrokerConfig, ConfigFault
from monitor.config.read import name_fault
from monitor.setup.ask import Asker, measures_fahrenheit, own_zone
from monitor.setup.write import ConfigDraft, PointDraft, SetupFault
from rules.text import counted, printable
from rules.units import known_unit, senml_unit
from sensors.mqtt import senml
from sensors.mqtt.broker import BrokerFault
from sensors.mqtt.connection import Connection
from sensors.mqtt.json_strict import is_number, parse_json, plain_number
from sensors.recording.judge import judge
from sensors.recording.sights import Hints, Sight
from sensors.recording.words import meaning
from sensors.wire import PayloadFault

LISTEN_S = 8.0
LOGIN_S = 6.0
MOST_TOPICS = 2_000
_KEPT_VALUES = 200
_MOST_LEAVES = 40
_SHOWN_TOPICS = 60
# Keys by which the members of a list are told apart, the likeliest first.
ID_KEYS = ("id", "name", "sensor", "probe", "device", "key", "addr", "address", "mac", "serial")
_SAYS = frozenset(("temperature", "humidity", "air", "surface", "dew", "delta", "co2", "dust"))
_CALLS = ("call", "status", "sections", "alarm", "clocks", "outlook")


@dataclass(slots=True)
class Heard:
    """What was heard on one topic.

    Attributes:
        topic: its name.
        last: the newest payload.
        live: whether any came while we listened, not only one that the broker had kept.
        payloads: the newest of them.
    """

    topic: str
    last: bytes = b""
    live: bool = False
    payloads: list[bytes] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Leaf:
    """One number in a topic's messages.

    Attributes:
        topic: where it is heard.
        path: in the message, as a config's `value` has it, or None for the whole payload.
        unit: that the message names beside it, or "".
        body: the sensor that it belongs to.
        words: that say what it is.
        says: words of its own name alone, without the topic's; "" where it has none.
    """

    topic: str
    path: str | None
    unit: str
    body: str
    words: str
    says: str

    @property
    def name(self) -> str:
        """Return how it is called in questions and lists."""
        return self.topic if self.path is None else f"{self.topic} {self.path}"


def listen(
    address: str, port: int, username: str | None, seconds_s: float
) -> tuple[list[Heard], BrokerConfig]:
    """Listen to every topic of a broker for a while.

    Args:
        address: its host.
        port: of it.
        username: account, or None; the password comes from FILMCALL_MQTT_PASSWORD.
        seconds_s: how long [s].

    Returns:
        What was heard, by topic, and how to reach the broker.

    Raises:
        SetupFault: the broker cannot be reached, or says nothing.
    """
    config = BrokerConfig(host=address, port=port, username=username)
    try:
        broker = config.broker(f"setup-{os.getpid()}", os.environ)
    except (ConfigFault, BrokerFault) as fault:
        raise SetupFault(str(fault)) from None
    heard: dict[str, Heard] = {}
    lock = threading.Lock()

    def take(message: paho.MQTTMessage) -> None:
        with lock:
            topic = message.topic
            if topic not in heard and len(heard) >= MOST_TOPICS:
                return
            one = heard.setdefault(topic, Heard(topic))
            one.last = bytes(message.payload)[:65_536]
            one.live = one.live or not message.retain
            one.payloads = [*one.payloads[-_KEPT_VALUES:], one.last]

    line = Connection(broker, ("#",), take)
    line.start()
    try:
        began_s = time.monotonic()
        while not line.status().connected:
            if time.monotonic() - began_s > LOGIN_S:
                said = line.status().last_error or f"{address}:{port} does not answer"
                raise SetupFault(
                    f"{said.rstrip('.')}; nothing was set up. Check --broker HOST:PORT"
                )
            time.sleep(0.05)
        threading.Event().wait(seconds_s)
    finally:
        line.stop()
    with lock:
        found = [heard[topic] for topic in sorted(heard)]
    if not found:
        raise SetupFault(
            f"{address}:{port} was listened to for {seconds_s:g} s and no topic was heard, so "
            "nothing was set up; see that the sensors send, or listen longer with --listen 60"
        )
    return found, config


def leaves(heard: Heard) -> tuple[list[tuple[Leaf, float]], str]:
    """Return the numbers in a topic's newest message, and what is wrong where there is none."""
    return _leaves(heard.topic, heard.last)


def _leaves(topic: str, payload: bytes) -> tuple[list[tuple[Leaf, float]], str]:
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        return [], "it is no text"
    levels = topic.split("/")
    if is_number(text):
        try:
            value = plain_number(text)
        except PayloadFault as fault:
            return [], str(fault)
        body = "/".join(levels[:-1])
        return [(Leaf(topic, None, "", body, " ".join(levels), levels[-1]), value)], ""
    if text[:1] not in ("{", "["):
        return [], "it is neither a plain number nor JSON"
    try:
        document = parse_json(text)
    except PayloadFault as fault:
        return [], str(fault)
    if senml.looks_like_pack(document):
        return _senml_leaves(topic, document)
    found = list(_json_leaves(document))[:_MOST_LEAVES]
    result: list[tuple[Leaf, float]] = []
    for path, value, unit, parents, key in found:
        body = "/".join([topic, *parents])
        words = " ".join([*levels, *parents, key])
        result.append((Leaf(topic, path, unit, body, words, key), value))
    return result, "" if result else "it holds no number"


def _senml_leaves(topic: str, document: Any) -> tuple[list[tuple[Leaf, float]], str]:
    try:
        records = senml.resolve(document)
    except PayloadFault as fault:
        return [], str(fault)
    own = [record.own_name for record in records]
    found: list[tuple[Leaf, float]] = []
    for record in records:
        if record.value is None or not np.isfinite(record.value):
            continue
        path = record.own_name if own.count(record.own_name) == 1 else record.name
        unit = senml_unit(record.unit) if record.unit else ""
        words = " ".join([*topic.split("/"), record.own_name])
        leaf = Leaf(topic, path or record.name, unit or "", topic, words, record.own_name)
        found.append((leaf, record.value))
    return found, "" if found else "it holds no number"


def _json_leaves(
    document: Any, path: str = "", parents: tuple[str, ...] = ()
) -> Iterator[tuple[str, float, str, tuple[str, ...], str]]:
    """Give (path, number, unit beside it, names above it, its own name) of each number."""
    if isinstance(document, dict):
        unit = next(
            (known_unit(str(document[key])) or "" for key in ("unit", "units", "u", "uom")
             if isinstance(document.get(key), str)), "",
        )  # fmt: skip
        for key, value in document.items():
            if "." in key and any(other != key and key.startswith(other) for other in document):
                continue
            here = f"{path}.{key}" if path else key
            if isinstance(value, bool):
                continue
            if isinstance(value, int | float):
                yield here, float(value), unit, parents, key
            else:
                yield from _json_leaves(value, here, (*parents, key))
    elif isinstance(document, list):
        members = [each for each in document if isinstance(each, dict)]
        key = next(
            (each for each in ID_KEYS
             if len(members) == len(document) and all(_is_id(m.get(each)) for m in members)
             and len({str(m[each]) for m in members}) == len(members)), None,
        )  # fmt: skip
        for at, value in enumerate(document):
            step = str(at) if key is None else f"{key}={value[key]}"
            here = f"{path}.{step}" if path else step
            name = str(at) if key is None else str(value[key])
            if isinstance(value, bool):
                continue
            if isinstance(value, int | float):
                yield here, float(value), "", parents, name
            elif key is None:
                yield from _json_leaves(value, here, (*parents, name))
            else:
                rest = {other: found for other, found in value.items() if other != key}
                yield from _json_leaves(rest, here, (*parents, name))


def _is_id(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 40 and "." not in value


def _speaks(leaf: Leaf) -> bool:
    """Whether a number's own name, or the unit beside it, says that it may be one of ours."""
    own = meaning(leaf.says)
    if leaf.unit or own.unit in ("degC", "degF", "K", "%", "1"):
        return True
    if own.kinds & _SAYS:
        return True
    names_all = "value" in own.kinds or leaf.path is None
    return names_all and bool(meaning(leaf.words).kinds & _SAYS)


def draft_of(
    address: str,
    port: int,
    username: str | None,
    seconds_s: float,
    asker: Asker,
    say: Callable[[str], None],
) -> ConfigDraft:
    """Listen to a broker, ask, and return the config that it needs; spec and name are open.

    Raises:
        SetupFault: nothing can be set up.
    """
    say(f"Listening to {printable(address, 80)}:{port} for {seconds_s:g} s …")
    heard, config = listen(address, port, username, seconds_s)
    heard = [one for one in heard if not _is_ours(one)]
    sights: list[Sight] = []
    by_name: dict[str, Leaf] = {}
    aside: list[str] = []
    say(f"{counted(len(heard), 'topic')} heard:")
    for number, one in enumerate(heard):
        found, fault = leaves(one)
        if number < _SHOWN_TOPICS:
            kept = "" if one.live else "  (kept by the broker from before, nothing since)"
            payload = printable(one.last.decode("utf-8", "replace"), 70)
            say(f"  {printable(one.topic, 80)}  {payload}{kept}")
        if fault:
            aside.append(f"{one.topic} is left out: {fault.rstrip('.')}.")
        elif not one.live:
            aside.append(f"{one.topic} is left out: only an old message that the broker held.")
        else:
            for leaf, _ in found:
                if not _speaks(leaf):
                    aside.append(f"{leaf.name} is left out: its name says nothing that is known.")
                    continue
                by_name[leaf.name] = leaf
                values = np.array(_values(one, leaf), dtype=float)
                sights.append(Sight(leaf.name, leaf.words, leaf.unit, values, 0, leaf.body))
    if len(heard) > _SHOWN_TOPICS:
        say(f"  and {len(heard) - _SHOWN_TOPICS} more")
    zone = own_zone()
    hints = Hints(fahrenheit=measures_fahrenheit(zone))
    answers: dict[str, str] = {}
    while True:
        judgement = judge(sights, hints, answers, frozenset(asker.guessed))
        if not judgement.questions:
            break
        question = judgement.questions[0]
        answers[question.key] = asker.ask(question)
    if not judgement.columns:
        reason = f" ({printable(aside[0].rstrip('.'), 200)})" if aside else ""
        raise SetupFault(
            f"none of {counted(len(heard), 'topic')} heard gives a value that is known{reason}, so "
            'nothing was set up; write a config that gives each point its topic = "…"'
        )
    points = []
    for verdict in judgement.verdicts:
        say(str(verdict).replace("Column ", "Topic ", 1))
        if verdict.use is None:
            continue
        leaf = by_name[verdict.name]
        points.append(
            PointDraft(
                name=verdict.use.point,
                quantity=verdict.use.quantity,
                unit=verdict.use.unit,
                topic=leaf.topic,
                value=leaf.path,
                confirmed=verdict.confirmed,
                comment=verdict.why,
            )
        )
    for each in aside:
        say(printable(each, 300))
    broker: dict[str, str | int] = {"host": config.host, "port": config.port}
    if username:
        broker["username"] = username
    return ConfigDraft(
        source=f"{address}:{port}",
        enclosure="tent",
        spec="",
        timezone=zone,
        points=points,
        broker=broker,
        station=station_name(platform.node()),
        left_out=[
            *(str(each).replace("Column ", "Topic ", 1) for each in judgement.verdicts
              if each.use is None), *aside,
        ][:200],
    )  # fmt: skip


def station_name(host: str) -> str:
    """Return this computer's name where it can be a station's, else ""."""
    name = host.partition(".")[0]
    return "" if name == "localhost" or name_fault(name) else name


def _values(one: Heard, leaf: Leaf) -> list[float]:
    found: list[float] = []
    for payload in one.payloads[-50:]:
        numbers, _ = _leaves(one.topic, payload)
        found += [value for each, value in numbers if each.path == leaf.path]
    return found or [float("nan")]


def _is_ours(one: Heard) -> bool:
    """Whether a topic is one that filmcall publishes itself."""
    levels = one.topic.split("/")
    return levels[0] == "filmcall" and levels[-1] in _CALLS
