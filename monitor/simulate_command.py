"""`filmcall simulate`: the simulated tent as a CSV, or as sensors on a real broker."""

from __future__ import annotations

import csv
import json
import math
import os
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import typer

from monitor.config import load_config_file
from monitor.config_types import EnclosureConfig, PointConfig
from monitor.log_command import written
from monitor.wire import iso_utc
from rules.errors import FilmcallError
from sensors.broker import BrokerFault
from sensors.connection import Connection
from sensors.reading import Quantity, Reading
from sensors.simulate import Tent, TentSettings, demo_night

STEP_S = 10.0
CONNECT_S = 10.0

Key = tuple[str, Quantity]


def write(out: Path, *, hours: float, seed: int) -> None:
    """Write a recording of the simulated tent as CSV."""
    settings, tent = _tent(seed)
    names = [f"{probe.point} {probe.quantity} [{probe.quantity.unit}]" for probe in settings.probes]
    with written(out) as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time", *names])
        for _, readings in tent.run(hours * 3600.0, STEP_S):
            if readings:
                writer.writerow([iso_utc(readings[0].time_s), *_cells(settings, readings)])


def _tent(seed: int) -> tuple[TentSettings, Tent]:
    settings, actions, start_s, _ = demo_night(seed=seed)
    return settings, Tent(settings, seed, start_s, actions)


def _cells(settings: TentSettings, readings: Sequence[Reading]) -> Iterator[str]:
    found = {(each.point, each.quantity): each.value for each in readings}
    for probe in settings.probes:
        value = found.get((probe.point, probe.quantity), math.nan)
        yield "" if math.isnan(value) else f"{value:.4g}"


def publish(
    config_file: Path | None,
    *,
    hours: float,
    seed: int,
    speed: float,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Publish the tent's readings under a config's topics, as its sensors would.

    Args:
        config_file: gives broker, points and topics; only points that the tent has are sent.
        hours: of the tent's time [h].
        seed: of the tent.
        speed: times real time.
        sleep: waits [s].

    Raises:
        FilmcallError: no config, no broker, or no point that the tent has.
    """
    if config_file is None:
        raise FilmcallError(
            "--mqtt needs to know broker and topics, so nothing was sent; give --config, as "
            "examples/workboat/polytunnel.toml"
        )
    config = load_config_file(config_file)
    settings, tent = _tent(seed)
    keys = {(probe.point, probe.quantity) for probe in settings.probes}
    topics = _topics(config.enclosures, keys)
    if config.broker is None or not topics:
        had = ", ".join(sorted({point for point, _ in keys}))
        raise FilmcallError(
            f"config {config_file} has no [broker], or none of the tent's points with a topic, so "
            f"nothing was sent; the tent has: {had}"
        )
    try:
        broker = config.broker.broker(f"{config.publish.station}-tent", os.environ)
        line = Connection(broker, (), lambda _message: None)
    except BrokerFault as fault:
        raise FilmcallError(str(fault)) from fault
    line.start()
    try:
        _wait(line, broker.name)
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


def _topics(enclosures: Sequence[EnclosureConfig], keys: set[Key]) -> dict[str, list[PointConfig]]:
    topics: dict[str, list[PointConfig]] = {}
    for enclosure in enclosures:
        for point in enclosure.points:
            plain = point.topic is not None and not set("+#{") & set(point.topic)
            if point.topic is not None and plain and (point.name, point.quantity) in keys:
                topics.setdefault(point.topic, []).append(point)
    return topics


def payload_of(points: Sequence[PointConfig], found: dict[Key, float]) -> bytes | None:
    """Return the message that brings a topic's values, or None where there is none to bring.

    Args:
        points: of the topic, with their paths in the message.
        found: values by point and quantity, in the program's units.

    >>> payload_of([], {}) is None
    True
    """
    document: dict[str, object] = {}
    for point in points:
        value = found.get((point.name, point.quantity), math.nan)
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
    if unit == "degF":
        return value * 1.8 + 32.0
    if unit == "K":
        return value + 273.15
    return value / 100.0 if unit == "1" else value


def _wait(line: Connection, name: str) -> None:
    until_s = time.monotonic() + CONNECT_S
    while not line.status().connected:
        if time.monotonic() > until_s:
            why = line.status().last_error or "it does not answer"
            raise FilmcallError(f"broker {name}: {why}; nothing was sent")
        time.sleep(0.05)
