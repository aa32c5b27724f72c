"""Which probe `filmcall calibrate` is to calibrate, and what it touches outside itself."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.calibrate import calibrate_live as live
from monitor.calibrate.calibrate_live import CalibrateFault, Listener, Say
from monitor.config.load import Config, EnclosureConfig, load_config_file
from monitor.config.model import DEFAULT_ACCURACY
from sensors.mqtt.intake import Intake
from sensors.mqtt.payload import Source
from sensors.reading import Quantity


@dataclass(frozen=True, slots=True)
class Target:
    """What is to be calibrated, and where it is written.

    Attributes:
        point: name of the sensor body.
        enclosure: its name; may be left out where the config has one only.
        config_file: needed to listen; without it the values are given by hand.
        db: the log's file, or None for the usual one.
        valid: how long it holds, such as `90 d`, or None for the usual time.
        note: a person's own words.
        add: join the points of the calibration in force to the new ones.
        check_only: keep what was found, and leave readings as they are.
        keep: False only shows what would be kept.
        as_json: JSON in place of lines.
    """

    point: str
    enclosure: str | None = None
    config_file: Path | None = None
    db: Path | None = None
    valid: str | None = None
    note: str = ""
    add: bool = False
    check_only: bool = False
    keep: bool = True
    as_json: bool = False


def _silent(_text: str) -> None:
    return None


@dataclass(frozen=True, slots=True)
class World:
    """What a calibration touches outside itself; tests give their own.

    Attributes:
        now_s: the clock [s].
        say: progress for people.
        environment: the process's.
        ear_of: opens the line to the broker.
        monotonic: a clock that nobody sets [s].
    """

    now_s: Callable[[], float] = time.time
    say: Say = _silent
    environment: Mapping[str, str] = field(default_factory=lambda: dict(os.environ))
    ear_of: live.EarOf = Intake
    monotonic: Callable[[], float] = time.monotonic


@dataclass(frozen=True, slots=True)
class Found:
    """A target with its config read."""

    enclosure: str
    point: str
    quantity: Quantity
    accuracy: float
    config: Config | None
    place: EnclosureConfig | None


def temperature_named(text: str) -> Quantity:
    if text not in (Quantity.AIR_TEMP.value, Quantity.SURFACE_TEMP.value):
        raise CalibrateFault(
            f"quantity {text!r} is no temperature, so nothing was calibrated; give air_temp or "
            f"surface_temp"
        )
    return Quantity(text)


def find(target: Target, quantity: Quantity | None) -> Found:
    if target.config_file is None:
        if target.enclosure is None or quantity is None:
            lacking = "--enclosure NAME" if target.enclosure is None else "--quantity"
            raise CalibrateFault(
                f"without a config it is not known what '{target.point}' is, so nothing was "
                f"calibrated; give --config FILE, or {lacking}"
            )
        accuracy = DEFAULT_ACCURACY[quantity]
        return Found(target.enclosure, target.point, quantity, accuracy, None, None)
    config = load_config_file(target.config_file)
    names = [each.name for each in config.enclosures]
    if target.enclosure is None and len(names) > 1:
        raise CalibrateFault(
            f"the config has {len(names)} enclosures, so nothing was calibrated; give --enclosure "
            f"with one of: {', '.join(names)}"
        )
    wanted = target.enclosure or names[0]
    place = next((each for each in config.enclosures if each.name == wanted), None)
    if place is None:
        raise CalibrateFault(
            f"enclosure {wanted!r} is not in the config, so nothing was calibrated; one of: "
            f"{', '.join(names)}"
        )
    kind = quantity or temperature_quantity(place, target.point)
    for point in place.points:
        if (point.name, point.quantity) == (target.point, kind):
            return Found(place.name, point.name, kind, point.accuracy, config, place)
    having = sorted({each.name for each in place.points if each.quantity is kind})
    raise CalibrateFault(
        f"point {target.point!r} has no {kind.value} in the config, so nothing was calibrated; "
        f"one of: {', '.join(having) or 'none'}"
    )


def temperature_quantity(place: EnclosureConfig | None, point: str) -> Quantity:
    both = (Quantity.AIR_TEMP, Quantity.SURFACE_TEMP)
    points = () if place is None else place.points
    kinds = [each.quantity for each in points if each.name == point and each.quantity in both]
    if len(kinds) == 1:
        return kinds[0]
    if kinds:
        raise CalibrateFault(
            f"point {point!r} has two temperatures, so nothing was calibrated; give --quantity "
            f"air_temp or surface_temp"
        )
    raise CalibrateFault(
        f"point {point!r} has no temperature in the config, so nothing was calibrated; check its "
        f"name"
    )


def heard(found: Found, quantity: Quantity, point: str | None = None) -> Source:
    name = point or found.point
    if found.place is None:
        raise CalibrateFault(
            "there is neither a reading nor a config to listen by, so nothing was calibrated; "
            "give --reading, or --config FILE"
        )
    source = live.source_of(found.place, name, quantity)
    if source is None:
        raise CalibrateFault(
            f"point {name!r} has no topic for {quantity.value} in the config, so it cannot be "
            f"listened to; give the value by hand"
            + (" with --temp" if quantity is Quantity.AIR_TEMP else " with --reading")
        )
    return source


def listener_of(found: Found, sources: Sequence[Source], world: World) -> Listener:
    if found.config is None:
        raise CalibrateFault("there is no config to listen by; give --config FILE")
    broker = live.own_broker(found.config, world.environment, "calibrate")
    world.say(
        f"listening at {broker.name} to {', '.join(dict.fromkeys(s.topic for s in sources))}; "
        f"Ctrl-C ends it and keeps nothing"
    )
    return Listener(broker, sources, world.say, ear_of=world.ear_of, monotonic=world.monotonic)
