"""Which probe `filmcall calibrate` is to calibrate, and what it touches outside itself."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from monitor.config.load import Config, EnclosureConfig, load_config_file
from monitor.config.model import DEFAULT_ACCURACY
from rules.errors import FilmcallError
from rules.text import duration_text
from sensors.calibrate.fit import CalibrationFault
from sensors.calibrate.settling import RestCriteria, RestValue, Settling
from sensors.faults import DEFAULT_RULES, max_age_s
from sensors.mqtt.broker import Broker, BrokerFault
from sensors.mqtt.intake import Arrival, Intake, IntakeStatus
from sensors.mqtt.payload import PayloadSource
from sensors.reading import Quality, Quantity, Reading

Say = Callable[[str], None]
Correct = Callable[[Reading], float]

SAY_EVERY_S = 60.0
# A reference reading older than this is not beside the other one [s].
_BESIDE_S = 120.0


class CalibrateFault(FilmcallError):
    """A calibration cannot be made; the text is one sentence."""


class TopicListener(Protocol):
    """What is needed of an `Intake`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def drain(self, timeout_s: float = 0.0) -> list[Arrival]: ...
    def status(self) -> IntakeStatus: ...


EarOf = Callable[[Broker, Sequence[PayloadSource]], TopicListener]


def own_broker(config: Config, environment: Mapping[str, str], errand: str) -> Broker:
    """Return the config's broker under a client id of our own, so that `watch` stays connected.

    Args:
        config: with a [broker].
        environment: the process's.
        errand: the command's name, for the client id.

    Raises:
        FilmcallError: the config has no broker, or it cannot be used.
    """
    if config.broker is None:
        raise CalibrateFault(
            "the config has no [broker], so no probe can be heard; add it, or give the values by "
            "hand with --reading"
        )
    try:
        broker = config.broker.broker(config.publish.station, environment)
        return replace(broker, client_id=f"{broker.client_id[:100]}-{errand}-{os.getpid()}")
    except BrokerFault as fault:
        raise CalibrateFault(str(fault)) from None


def source_of(config: EnclosureConfig, point: str, quantity: Quantity) -> PayloadSource | None:
    """Return what to listen to for a quantity at a point, or None where it has no topic."""
    for source in config.sources():
        if (source.point, source.quantity) == (point, quantity):
            return source
    return None


class Silence:
    """Follows when each probe was last heard, and names one that has fallen silent."""

    def __init__(self) -> None:
        self._heard_s: dict[tuple[str, Quantity], tuple[float, float, int]] = {}

    def heard(self, reading: Reading, now_s: float) -> None:
        """Take a believed reading, by a clock that nobody sets [s]."""
        key = reading.point, reading.quantity
        first_s, _, count = self._heard_s.get(key, (now_s, now_s, 0))
        self._heard_s[key] = first_s, now_s, count + 1

    def named(self, now_s: float) -> str:
        """Return what to say of one whose last reading would no longer count live, or ""."""
        for (point, quantity), (first_s, last_s, count) in self._heard_s.items():
            usual_s = (last_s - first_s) / (count - 1) if count > 1 else math.inf
            if now_s - last_s > max_age_s(DEFAULT_RULES[quantity], usual_s):
                return (
                    f"nothing heard of point '{point}' ({quantity.value}) for "
                    f"{duration_text(now_s - last_s)}: see that it has power and can be heard "
                    f"from in there"
                )
        return ""


class Listener:
    """Hears sources of one broker and hands what may be believed to whoever asks."""

    def __init__(
        self,
        broker: Broker,
        sources: Sequence[PayloadSource],
        say: Say,
        *,
        ear_of: EarOf = Intake,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._sources = sources
        self._say = say
        self._monotonic = monotonic
        try:
            self._ear = ear_of(broker, sources)
        except (BrokerFault, ValueError) as fault:
            raise CalibrateFault(str(fault)) from None

    def until(
        self,
        take: Callable[[Reading], None],
        rested: Callable[[], RestValue | None],
        why: Callable[[], str],
        most_s: float,
    ) -> RestValue:
        """Listen until the probe has come to rest.

        Args:
            take: gets each believed reading, raw.
            rested: tells whether it has.
            why: tells why it has not.
            most_s: longest wait [s].

        Raises:
            CalibrateFault: it has not come to rest in that time, or sends what cannot be.
        """
        begun_s = said_s = self._monotonic()
        told = ""
        silence = Silence()
        self._ear.start()
        try:
            while True:
                fresh = False
                for arrival in self._ear.drain(1.0):
                    reading = arrival.reading
                    if reading.quality is Quality.OK:
                        _refuse_fraction(reading)
                        take(reading)
                        silence.heard(reading, self._monotonic())
                        fresh = True
                if fresh and (found := rested()) is not None:
                    return found
                now_s = self._monotonic()
                trouble = next(iter(self._ear.status().troubles), "")
                if trouble and trouble != told and now_s - begun_s > 5.0:
                    self._say(trouble)
                    told = trouble
                silent = silence.named(now_s)
                if now_s - begun_s > most_s:
                    fix = silent or "close the jar, keep it at one temperature"
                    fix = trouble or f"{fix[0].upper()}{fix[1:]}, then try again."
                    raise CalibrateFault(
                        f"point '{self._sources[0].point}' has not come to rest within "
                        f"{duration_text(most_s)} ({why()}), so nothing was calibrated. {fix}"
                    )
                if now_s - said_s >= SAY_EVERY_S:
                    said_s = now_s
                    rested()
                    self._say(silent or f"waiting for rest: {why()}")
        finally:
            self._ear.stop()


def _refuse_fraction(reading: Reading) -> None:
    if reading.quantity is Quantity.HUMIDITY and reading.value <= 1.0:
        raise CalibrateFault(
            f"point '{reading.point}': humidity {reading.value:g} % is a fraction or a dead "
            f'probe, so nothing was calibrated. Set its unit to "1" in the config, or check it.'
        )


def rest_of_one(
    listener: Listener,
    wanted: PayloadSource,
    beside: PayloadSource | None,
    rest: RestCriteria,
    most_s: float,
) -> RestValue:
    """Return what one probe comes to rest at, with the temperature of its own body beside it."""
    settling = Settling(rest)
    temp_c: float | None = None

    def take(reading: Reading) -> None:
        nonlocal temp_c
        if beside is not None and reading.quantity is beside.quantity:
            temp_c = reading.value
        elif reading.quantity is wanted.quantity and (beside is None or temp_c is not None):
            settling.take(reading.time_s, reading.value, temp_c)

    return listener.until(take, settling.rested, lambda: settling.why, most_s)


def rest_of_pair(
    listener: Listener,
    wanted: PayloadSource,
    reference: PayloadSource,
    correct: Correct,
    rest: RestCriteria,
    most_s: float,
) -> RestValue:
    """Return at what distance two temperature probes come to rest beside each other.

    Args:
        listener: that hears both.
        wanted: the probe to be calibrated.
        reference: the probe that it is held against.
        correct: what the reference's own calibration makes of its raw readings.
        rest: of the distance.
        most_s: longest wait [s].

    Returns:
        `value` is reference less probe [K], `temp_c` the probe's mean, raw [degC].
    """
    settling = Settling(rest)
    last: tuple[float, float] | None = None

    def take(reading: Reading) -> None:
        nonlocal last
        if (reading.point, reading.quantity) == (reference.point, reference.quantity):
            last = reading.time_s, correct(reading)
        elif last is not None and abs(reading.time_s - last[0]) <= _BESIDE_S:
            settling.take(reading.time_s, last[1] - reading.value, reading.value)

    found = listener.until(take, settling.rested, lambda: settling.why, most_s)
    if found.temp_c is None:
        raise CalibrationFault(f"point '{wanted.point}' sent no temperature")
    return found


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
        keep: False only shows what was found, and changes nothing.
        as_json: JSON in place of lines.
    """

    point: str
    enclosure: str | None = None
    config_file: Path | None = None
    db: Path | None = None
    valid: str | None = None
    note: str = ""
    add: bool = False
    keep: bool = True
    as_json: bool = False


def _silent(_text: str) -> None:
    return None


@dataclass(frozen=True, slots=True)
class Surroundings:
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
    ear_of: EarOf = Intake
    monotonic: Callable[[], float] = time.monotonic


@dataclass(frozen=True, slots=True)
class ConfiguredTarget:
    """A target with its config read."""

    enclosure: str
    point: str
    quantity: Quantity
    accuracy: float
    config: Config | None
    place: EnclosureConfig | None

    @property
    def heard(self) -> dict[str, str]:
        """By what the config tells the probe from others; empty without one."""
        points = () if self.place is None else self.place.points
        own = (each for each in points if (each.name, each.quantity) == (self.point, self.quantity))
        return next((each.heard for each in own), {})


def temperature_named(text: str) -> Quantity:
    if text not in (Quantity.AIR_TEMP.value, Quantity.SURFACE_TEMP.value):
        raise CalibrateFault(
            f"quantity {text!r} is no temperature, so nothing was calibrated; give air_temp or "
            f"surface_temp"
        )
    return Quantity(text)


def find(target: Target, quantity: Quantity | None) -> ConfiguredTarget:
    if target.config_file is None:
        if target.enclosure is None or quantity is None:
            lacking = "--enclosure NAME" if target.enclosure is None else "--quantity"
            raise CalibrateFault(
                f"without a config it is not known what '{target.point}' is, so nothing was "
                f"calibrated; give --config FILE, or {lacking}"
            )
        accuracy = DEFAULT_ACCURACY[quantity]
        return ConfiguredTarget(target.enclosure, target.point, quantity, accuracy, None, None)
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
            return ConfiguredTarget(place.name, point.name, kind, point.accuracy, config, place)
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


def heard(found: ConfiguredTarget, quantity: Quantity, point: str | None = None) -> PayloadSource:
    name = point or found.point
    if found.place is None:
        raise CalibrateFault(
            "there is neither a reading nor a config to listen by, so nothing was calibrated; "
            "give --reading, or --config FILE"
        )
    source = source_of(found.place, name, quantity)
    if source is None:
        raise CalibrateFault(
            f"point {name!r} has no topic for {quantity.value} in the config, so it cannot be "
            f"listened to; give the value by hand"
            + (" with --temp" if quantity is Quantity.AIR_TEMP else " with --reading")
        )
    return source


def listener_of(
    found: ConfiguredTarget, sources: Sequence[PayloadSource], world: Surroundings
) -> Listener:
    if found.config is None:
        raise CalibrateFault("there is no config to listen by; give --config FILE")
    broker = own_broker(found.config, world.environment, "calibrate")
    world.say(
        f"listening at {broker.name} to {', '.join(dict.fromkeys(s.topic for s in sources))}; "
        f"Ctrl-C ends it and keeps nothing"
    )
    return Listener(broker, sources, world.say, ear_of=world.ear_of, monotonic=world.monotonic)
