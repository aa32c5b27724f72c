"""`filmcall simulate`: the simulated tent as a CSV, or as sensors on a real broker."""

from __future__ import annotations

import csv
import json
import math
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.options import SeedOption, config_option, figure
from monitor.config.load import load_config_file
from monitor.config.model import EnclosureConfig, PointConfig
from monitor.log.files import written
from rules.errors import FilmcallError
from rules.text import iso_utc, printable
from rules.units import from_celsius
from sensors.mqtt.broker import BrokerFault
from sensors.mqtt.connection import Connection, SubscriptionState
from sensors.reading import Quantity, Reading
from sensors.simulate.tent import Tent, TentSettings, demo_night

# What the broker has kept comes at once, and so does a watch's call; a sensor that sends more
# seldom than this is heard only through the watch that hears it.
LISTEN_S = 5.0
_FIGURES = ("air_temp_c", "rh_pct", "surface_temp_c")


class OtherSenders:
    """Notes who else speaks; `hear` runs in the network's thread.

    Attributes:
        filters: what to listen to.
        found: who was heard, in words, or "".
    """

    def __init__(self, topics: Iterable[str], calls: Mapping[str, str]) -> None:
        """Prepare.

        Args:
            topics: where readings of the tent would be sent.
            calls: an enclosure's name by the topic on which a watch tells its call.
        """
        self.found = ""
        self._topics = frozenset(topics)
        self._calls = dict(calls)
        self.filters = (*sorted(self._topics), *sorted(self._calls))

    def hear(self, topic: str, payload: bytes, kept: bool) -> None:
        """Take a message of somebody else's.

        Args:
            topic: that it came on.
            payload: what it says.
            kept: whether the broker had it already when we came.
        """
        if self.found or not payload:
            return
        if topic in self._topics:
            how = "has kept a reading" if kept else "carries readings"
            self.found = f"topic '{printable(topic, 60)}' {how} of another sender"
        elif topic in self._calls and _has_figures(payload):
            name = printable(self._calls[topic], 60)
            self.found = f"a watch tells a call of enclosure '{name}' by readings that it has"


def _has_figures(payload: bytes) -> bool:
    try:
        told = json.loads(payload)
    except ValueError:
        return True  # somebody tells something there
    return not isinstance(told, dict) or any(told.get(name) is not None for name in _FIGURES)


def refuse_beside_others(
    line: Connection,
    others: OtherSenders,
    *,
    listen_s: float = LISTEN_S,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Listen for a while, and refuse where anybody else speaks.

    Args:
        line: connected, subscribed to the others' filters, with their `hear` behind it.
        others: who is listened for.
        listen_s: for how long [s].
        sleep: waits [s].

    Raises:
        FilmcallError: somebody else speaks; nothing was sent.
    """
    until_s = time.monotonic() + listen_s
    while not others.found and time.monotonic() < until_s:
        sleep(0.05)
    states = {each.state for each in line.status().subscriptions}
    if others.found or states == {SubscriptionState.REFUSED}:
        who = others.found or "this account may not read the topics to see who else sends"
        raise FilmcallError(
            f"{who}, and a log could not tell the simulated tent from a real one, so nothing was "
            "sent; use a config with topics and a base of its own, or give --anyway"
        )


STEP_S = 10.0
CONNECT_S = 10.0

Key = tuple[str, Quantity]
# Columns as examples/workboat/polytunnel.toml names them.
WORKBOAT: dict[str, tuple[Key, str]] = {
    "temp_bow_c": (("air-bow", Quantity.AIR_TEMP), "degC"),
    "rh_bow_pct": (("air-bow", Quantity.HUMIDITY), "%"),
    "temp_stern_c": (("air-stern", Quantity.AIR_TEMP), "degC"),
    "rh_stern_pct": (("air-stern", Quantity.HUMIDITY), "%"),
    "plank_port_c": (("plank-port", Quantity.SURFACE_TEMP), "degC"),
    "plank_stbd_c": (("plank-stbd", Quantity.SURFACE_TEMP), "degC"),
}


def write(out: Path, config_file: Path | None = None, *, hours: float, seed: int) -> None:
    """Write a recording of the simulated tent as CSV.

    Args:
        out: the file; `-` is standard output.
        config_file: gives columns and units, so that `replay --config` reads what is written; the
            workboat's in degC and % without one.
        hours: of the tent's time [h].
        seed: of the tent.

    Raises:
        FilmcallError: the config has no column that the tent could fill.
    """
    settings, tent = _tent(seed)
    time_column, columns = "time", dict(WORKBOAT)
    if config_file is not None:
        config = load_config_file(config_file)
        for point in (each for place in config.enclosures for each in place.points):
            if point.worked_out_from is not None:
                raise FilmcallError(
                    f"config {config_file} works the {point} out from a {point.worked_out_from}, "
                    "which the invented tent does not tell, so nothing was written; leave --config "
                    "out"
                )
        time_column = config.replay.time or time_column
        columns = {
            point.column: (key, point.unit)
            for point, key in _played(config.enclosures, settings)
            if point.column is not None
        }
        if not columns:
            raise FilmcallError(
                f"config {config_file} has no point of air or surface with a column, so nothing "
                'was written; give its points their column = "NAME"'
            )
    with written(out) as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([time_column, *columns])
        for _, readings in tent.run(hours * 3600.0, STEP_S):
            if readings:
                cells = _cells(columns.values(), readings)
                writer.writerow([iso_utc(readings[0].time_s), *cells])


def _tent(seed: int) -> tuple[TentSettings, Tent]:
    settings, actions, start_s, _ = demo_night(seed=seed)
    return settings, Tent(settings, seed, start_s, actions)


def _cells(columns: Iterable[tuple[Key, str]], readings: Sequence[Reading]) -> Iterator[str]:
    found = {(each.point, each.quantity): each.value for each in readings}
    for key, unit in columns:
        value = found.get(key, math.nan)
        yield "" if math.isnan(value) else f"{_in_unit(value, unit):.5g}"


def _played(
    enclosures: Sequence[EnclosureConfig], settings: TentSettings
) -> Iterator[tuple[PointConfig, Key]]:
    """Yield the points of a config that the tent can play, each with the probe that plays it.

    A point of the tent's own name is that probe. Any other body of the same kind, air or surface,
    takes the tent's bodies of that kind in turn, so that every config can be tried.
    """
    own = [(probe.point, probe.quantity) for probe in settings.probes]
    kinds: dict[bool, list[str]] = {True: [], False: []}
    for name, quantity in own:
        bodies = kinds[quantity is Quantity.SURFACE_TEMP]
        if name not in bodies:
            bodies.append(name)
    plays: dict[tuple[str, str, bool], str] = {}
    taken = dict.fromkeys(kinds, 0)
    for enclosure in enclosures:
        for point in enclosure.points:
            if point.quantity not in {quantity for _, quantity in own}:
                continue
            surface = point.quantity is Quantity.SURFACE_TEMP
            body = (enclosure.name, point.name, surface)
            if body not in plays and point.name in kinds[surface]:
                plays[body] = point.name
            elif body not in plays:
                plays[body] = kinds[surface][taken[surface] % len(kinds[surface])]
                taken[surface] += 1
            yield point, (plays[body], point.quantity)


def publish(
    config_file: Path | None,
    *,
    hours: float,
    seed: int,
    speed: float,
    anyway: bool = False,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Publish the tent's readings under a config's topics, as its sensors would.

    Args:
        config_file: gives broker, points and topics; points of air and surfaces are sent.
        hours: of the tent's time [h].
        seed: of the tent.
        speed: times real time.
        anyway: send also where somebody else speaks on these topics.
        sleep: waits between readings [s].

    Raises:
        FilmcallError: no config, no broker, no point that the tent can play, or others that send
            readings there or watch them.
    """
    if config_file is None:
        raise FilmcallError(
            "--mqtt needs to know broker and topics, so nothing was sent; give --config, as "
            "examples/workboat/polytunnel.toml"
        )
    config = load_config_file(config_file)
    settings, tent = _tent(seed)
    topics = _topics(_played(config.enclosures, settings))
    if config.broker is None or not topics:
        raise FilmcallError(
            f"config {config_file} has no [broker], or no point of air or surface with a topic of "
            "its own, so nothing was sent; enter them"
        )
    try:
        broker = config.broker.broker(f"{config.publish.station}-tent", os.environ)
        calls = {f"{config.publish.base}/{each.name}/call": each.name for each in config.enclosures}
        others = OtherSenders(() if anyway else topics, {} if anyway else calls)
        line = Connection(
            broker,
            others.filters,
            lambda heard: others.hear(heard.topic, bytes(heard.payload), heard.retain),
        )
    except BrokerFault as fault:
        raise FilmcallError(str(fault)) from fault
    line.start()
    try:
        _wait(line, broker.name)
        if not anyway:
            refuse_beside_others(line, others)
        typer.echo(f"the simulated tent speaks on {', '.join(topics)} of {broker.name}", err=True)
        for _, readings in tent.run(hours * 3600.0, STEP_S):
            found = {(each.point, each.quantity): each.value for each in readings}
            for topic, points in topics.items():
                payload = payload_of(points, found)
                if payload is not None:
                    line.publish(topic, payload)
            sleep(STEP_S / speed)
    finally:
        line.stop()


def _topics(played: Iterable[tuple[PointConfig, Key]]) -> dict[str, list[tuple[PointConfig, Key]]]:
    topics: dict[str, list[tuple[PointConfig, Key]]] = {}
    for point, key in played:
        if point.topic is not None and not set("+#{") & set(point.topic):
            topics.setdefault(point.topic, []).append((point, key))
    return topics


def payload_of(points: Sequence[tuple[PointConfig, Key]], found: dict[Key, float]) -> bytes | None:
    """Return the message that brings a topic's values, or None where there is none to bring.

    Args:
        points: of the topic, with their paths in the message, and the probes that play them.
        found: values by point and quantity, in the program's units.

    >>> payload_of([], {}) is None
    True
    """
    document: dict[str, object] = {}
    for point, key in points:
        value = found.get(key, math.nan)
        if math.isnan(value):
            continue
        figure = round(_in_unit(value, point.unit), 4)
        if point.value is None:
            return json.dumps(figure).encode()
        *folders, last = point.value.split(".")
        inner = document
        for folder in folders:
            inner = inner.setdefault(folder, {})  # type: ignore[assignment]
        inner[last] = figure
    return json.dumps(document).encode() if document else None


def _in_unit(value: float, unit: str) -> float:
    return value / 100.0 if unit == "1" else from_celsius(value, unit)


def _wait(line: Connection, name: str) -> None:
    until_s = time.monotonic() + CONNECT_S
    while not line.status().connected:
        if time.monotonic() > until_s:
            why = line.status().last_error or "it does not answer"
            raise FilmcallError(f"broker {name}: {why}; nothing was sent")
        time.sleep(0.05)


def run(
    out: Annotated[Path, typer.Option(help="The CSV to write; - is standard output.")] = Path("-"),
    hours: Annotated[
        float, figure("--hours", "How long [h].", "h", least=0.01, most=10_000.0)
    ] = 16.0,
    seed: SeedOption = 1,
    mqtt: Annotated[
        bool, typer.Option("--mqtt", help="Publish to the config's broker, as sensors do.")
    ] = False,
    config_file: Annotated[Path | None, config_option("Whose points, columns and topics.")] = None,
    speed: Annotated[
        float, figure("--speed", "With --mqtt: times real time.", least=0.01, most=1_000_000.0)
    ] = 1.0,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="With --mqtt: send even where others send.")
    ] = False,
) -> None:
    """Write the tent's readings into a file, or publish them."""
    if mqtt:
        publish(config_file, hours=hours, seed=seed, speed=speed, anyway=anyway)
    else:
        write(out, config_file, hours=hours, seed=seed)
