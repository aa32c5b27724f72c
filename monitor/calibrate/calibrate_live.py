"""Listens to a probe over the broker until it has come to rest, for `filmcall calibrate`."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from monitor.config.load import Config, EnclosureConfig
from rules.errors import FilmcallError
from sensors.calibrate.fit import CalibrationFault
from sensors.calibrate.settling import Rest, Rested, Settling
from sensors.mqtt.broker import Broker, BrokerFault
from sensors.mqtt.intake import Arrival, Intake, IntakeStatus
from sensors.mqtt.payload import Source
from sensors.reading import Quality, Quantity, Reading

Say = Callable[[str], None]
Correct = Callable[[Reading], float]

SAY_EVERY_S = 60.0
# A reference reading older than this is not beside the other one [s].
_BESIDE_S = 120.0


class CalibrateFault(FilmcallError):
    """A calibration cannot be made; the text is one sentence."""


class Ear(Protocol):
    """What is needed of an `Intake`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def drain(self, timeout_s: float = 0.0) -> list[Arrival]: ...
    def status(self) -> IntakeStatus: ...


EarOf = Callable[[Broker, Sequence[Source]], Ear]


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


def source_of(config: EnclosureConfig, point: str, quantity: Quantity) -> Source | None:
    """Return what to listen to for a quantity at a point, or None where it has no topic."""
    for source in config.sources():
        if (source.point, source.quantity) == (point, quantity):
            return source
    return None


class Listener:
    """Hears sources of one broker and hands what may be believed to whoever asks."""

    def __init__(
        self,
        broker: Broker,
        sources: Sequence[Source],
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
        rested: Callable[[], Rested | None],
        why: Callable[[], str],
        most_s: float,
    ) -> Rested:
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
        self._ear.start()
        try:
            while True:
                fresh = False
                for arrival in self._ear.drain(1.0):
                    reading = arrival.reading
                    if reading.quality is Quality.OK:
                        _refuse_fraction(reading)
                        take(reading)
                        fresh = True
                if fresh and (found := rested()) is not None:
                    return found
                now_s = self._monotonic()
                trouble = next(iter(self._ear.status().troubles), "")
                if trouble and trouble != told and now_s - begun_s > 5.0:
                    self._say(trouble)
                    told = trouble
                if now_s - begun_s > most_s:
                    raise CalibrateFault(
                        f"point '{self._sources[0].point}' has not come to rest within "
                        f"{most_s / 60.0:.0f} min ({why()}), so nothing was calibrated. "
                        f"{trouble or 'Close the jar, keep it at one temperature, try again.'}"
                    )
                if now_s - said_s >= SAY_EVERY_S:
                    said_s = now_s
                    rested()
                    self._say(f"waiting for rest: {why()}")
        finally:
            self._ear.stop()


def _refuse_fraction(reading: Reading) -> None:
    if reading.quantity is Quantity.HUMIDITY and reading.value <= 1.0:
        raise CalibrateFault(
            f"point '{reading.point}': humidity {reading.value:g} % is a fraction or a dead "
            f'probe, so nothing was calibrated. Set its unit to "1" in the config, or check it.'
        )


def rest_of_one(
    listener: Listener, wanted: Source, beside: Source | None, rest: Rest, most_s: float
) -> Rested:
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
    wanted: Source,
    reference: Source,
    correct: Correct,
    rest: Rest,
    most_s: float,
) -> Rested:
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
