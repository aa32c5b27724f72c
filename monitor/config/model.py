"""What a config says, once read: enclosures with their points, the broker, what is published."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.contract import KEEPALIVE_S
from monitor.display import Units
from rules.air.state import STANDARD_PRESSURE_PA
from rules.air.worked_out import usual_accuracy_pct
from rules.climate import AssumedSurface
from rules.errors import FilmcallError
from rules.events import CarriedOut, Event, Spans
from rules.spec.model import GENERAL_GUIDANCE
from rules.vocabulary import (
    AIR_ACCURACY_K,
    ASSUMED_SURFACE_ACCURACY_K,
    HUMIDITY_ACCURACY_PCT,
    SURFACE_ACCURACY_K,
    WorkedOutFrom,
)
from sensors.faults import FaultRules
from sensors.mqtt.payload import PayloadFormat, PayloadSource
from sensors.reading import Quantity
from sensors.whole_file import Unreadable, whole_text

if TYPE_CHECKING:
    from sensors.mqtt.broker import Broker
    from sensors.recording.columns import Column

USERNAME_VARIABLE = "FILMCALL_MQTT_USERNAME"
PASSWORD_VARIABLE = "FILMCALL_MQTT_PASSWORD"
URLS_VARIABLE = "FILMCALL_ALARM_URLS"

# Half-width of the rectangle that a sensor's error lies in, in the quantity's unit.
DEFAULT_ACCURACY: dict[Quantity, float] = {
    Quantity.AIR_TEMP: AIR_ACCURACY_K,
    Quantity.HUMIDITY: HUMIDITY_ACCURACY_PCT,
    Quantity.SURFACE_TEMP: SURFACE_ACCURACY_K,
    Quantity.CO2: 50.0,
    Quantity.DUST: 20.0,
}


def told_accuracies(
    source: WorkedOutFrom | None, told_k: float | None
) -> tuple[float | None, float]:
    """Return how well a humidity is known, measured or worked out from something else.

    A dew point of which nothing is said counts as a logger's, reckoned from a humidity probe of the
    usual accuracy; a wet bulb, as the air's own thermometer.

    Args:
        source: what it is worked out from, or None where it is measured.
        told_k: half-width of the error of that, where it is stated [K].

    Returns:
        `told_accuracy_k` and `accuracy` of a point [K, %].
    """
    if told_k is None and source is WorkedOutFrom.WET_BULB:
        told_k = AIR_ACCURACY_K
    if source is None or told_k is None:
        return None, HUMIDITY_ACCURACY_PCT
    pressure_pa = STANDARD_PRESSURE_PA
    return told_k, usual_accuracy_pct(source, AIR_ACCURACY_K, told_k, pressure_pa)


DATE_ORDERS = ("day first", "month first", "year first")


class ConfigFault(FilmcallError, ValueError):
    """A config cannot be used; the text lists every fault found in it."""


@dataclass(frozen=True, slots=True)
class PointConfig:
    """One quantity at one point.

    Attributes:
        name: of the sensor body.
        quantity: what it measures.
        unit: of the values as they come, as `rules.units` names it; "1" is a fraction.
        accuracy: half-width of the rectangle that its error lies in [the quantity's unit].
        rules: when a value is not believed.
        topic: MQTT filter, or None where it is not heard live.
        value: dotted path in a JSON payload, or None where the payload is the number.
        time: dotted path to the sensor's own time, or None.
        unit_path: dotted path to the unit in the payload, or None.
        payload: how the payload is written.
        column: in a recording, or None.
        section: the part of the work that it stands for, or None for all of it.
        required: whether a call waits for it.
        inside: whether it stands in the enclosure's air, so that solvent reaches it.
        shared_element: of a surface, whether one element reads it and its body's air temperature.
        confirmed: whether its unit and meaning are known; if not, it is not read, and since a call
            waits for it, the call stays HOLD.
        worked_out_from: of a humidity, what its values are in its place, in `unit`; None where they
            are humidities.
        told_accuracy_k: half-width of the error of what it is worked out from; None where that is
            known no better than by `accuracy` [K].
        left_s: when the config ceased to name it, where only a log still knows it [s].
    """

    name: str
    quantity: Quantity
    unit: str
    accuracy: float
    rules: FaultRules
    topic: str | None = None
    value: str | None = None
    time: str | None = None
    unit_path: str | None = None
    payload: PayloadFormat = PayloadFormat.AUTO
    column: str | None = None
    section: str | None = None
    required: bool = True
    inside: bool = True
    shared_element: bool = False
    confirmed: bool = True
    worked_out_from: WorkedOutFrom | None = None
    told_accuracy_k: float | None = None
    left_s: float = math.inf

    @property
    def heard(self) -> dict[str, str]:
        """By what a config tells a probe from others: topic, value and column, where it does."""
        found = {"topic": self.topic, "value": self.value, "column": self.column}
        return {key: each for key, each in found.items() if each is not None}

    def __str__(self) -> str:
        """Return the quantity and the point, as reasons name them."""
        return f"{self.quantity.replace('_temp', '_temperature').replace('_', ' ')} of {self.name}"

    def away_s(self, carried: CarriedOut) -> Spans:
        """Return when the point was carried out: never, where it does not stand inside [s]."""
        if not self.inside:
            return ()
        return carried.spans(self.section, surface=self.quantity is Quantity.SURFACE_TEMP)

    def is_out(self, carried: CarriedOut, time_s: float) -> bool:
        """Return whether the point is carried out at a time [s]."""
        surface = self.quantity is Quantity.SURFACE_TEMP
        return self.inside and carried.is_out(self.section, time_s, surface=surface)


@dataclass(frozen=True, slots=True)
class EnclosureConfig:
    """One painted space.

    Attributes:
        name: of the enclosure, safe in a topic and in a file name.
        points: its quantities, in the order of the file.
        spec: of the next coat: a shipped spec's name or a file beside the config.
        timezone: IANA name, for showing times.
        assumed_surface_offset_k: surface less air where there is no surface probe, zero or
            negative, or None [K].
        assumed_surface_accuracy_k: how far that may be out [K].
        altitude_m: above the sea, for the air's pressure [m].
        break_probability: of a limit breaking in the time looked ahead, from which GO is held.
        coating_time_s: how long a coat takes, or None for the spec's or the log's own [s].
        units: in which people there read, by [display], or None where the file does not say.
    """

    name: str
    points: tuple[PointConfig, ...]
    spec: str = GENERAL_GUIDANCE.name
    timezone: str = "Etc/UTC"
    assumed_surface_offset_k: float | None = None
    assumed_surface_accuracy_k: float = ASSUMED_SURFACE_ACCURACY_K
    altitude_m: float = 0.0
    break_probability: float = 0.2
    coating_time_s: float | None = None
    units: Units | None = None

    def carried_out(self, standing: Iterable[Event]) -> CarriedOut:
        """Return which of the points events in force say are out, and when.

        What `--section` meant follows from the points of that time, so former ones belong to it.
        """
        surfaces: dict[str | None, float] = {}
        for point in self.points:
            if point.quantity is Quantity.SURFACE_TEMP:
                left_s = surfaces.get(point.section, -math.inf)
                surfaces[point.section] = max(left_s, point.left_s)
        return CarriedOut(standing, surfaces)

    def assumed_surface(self, section: str | None) -> AssumedSurface | None:
        """Return what stands in for a section's surface, or None where a point measures one.

        Args:
            section: its name, or None where the enclosure has none.
        """
        if self.assumed_surface_offset_k is None or any(
            point.quantity is Quantity.SURFACE_TEMP and point.section in (None, section)
            for point in self.points
        ):
            return None
        return AssumedSurface(self.assumed_surface_offset_k, self.assumed_surface_accuracy_k)

    def columns(self) -> tuple[Column, ...]:
        """Return what a recording is read for."""
        from sensors.recording.columns import Column

        return tuple(
            Column(point.column, point.name, point.quantity, point.unit, point.worked_out_from)
            for point in self.points
            if point.column is not None and point.confirmed
        )

    def sources(self) -> tuple[PayloadSource, ...]:
        """Return what the broker is asked for."""
        return tuple(
            PayloadSource(
                enclosure=self.name,
                point=point.name,
                quantity=point.quantity,
                unit=point.unit,
                topic=point.topic,
                value_path=point.value,
                time_path=point.time,
                unit_path=point.unit_path,
                payload=point.payload,
            )
            for point in self.points
            if point.topic is not None and point.confirmed
        )


_MOST_PASSWORD_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class BrokerConfig:
    """Where the broker is and who to be there; it holds no password.

    Attributes:
        host: its name or address.
        port: 1 to 65535.
        username: account, or None.
        password_file: file whose first line is the password, or None.
        ca_file: certificates that may vouch for the broker, or None for the platform's.
        cert_file: our certificate, or None.
        key_file: its key, or None.
        tls: speak TLS; follows from `ca_file` or `cert_file` too.
        protocol: `5` or `3.1.1`.
        client_id: our name at the broker, or None for one made of the station's.
        keepalive_s: a silent connection is given up after 1.5 times this [s].
        qos: quality of service asked for, 0 or 1.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    tls: bool = False
    protocol: str = "5"
    client_id: str | None = None
    keepalive_s: int = KEEPALIVE_S
    qos: int = 1

    def broker(self, station: str, environment: Mapping[str, str]) -> Broker:
        """Return how to reach the broker, with the password read now.

        Args:
            station: of `PublishConfig`, for the client id where none is set.
            environment: the process's; `FILMCALL_MQTT_USERNAME` and `FILMCALL_MQTT_PASSWORD` in it
                go before the file's.

        Returns:
            The broker; its `repr` hides the password.

        Raises:
            ConfigFault: the password file cannot be read or is empty; no message shows what is
                in it.
            BrokerFault: settings that cannot work together.
        """
        from sensors.mqtt.broker import Broker

        return Broker(
            host=self.host,
            port=self.port,
            client_id=self.client_id or f"filmcall-{station}",
            username=environment.get(USERNAME_VARIABLE) or self.username,
            password=environment.get(PASSWORD_VARIABLE) or self._password(),
            tls=self.tls,
            ca_file=self.ca_file,
            cert_file=self.cert_file,
            key_file=self.key_file,
            protocol=self.protocol,
            keepalive_s=self.keepalive_s,
            qos=self.qos,
        )

    def _password(self) -> str | None:
        if self.password_file is None:
            return None
        try:
            first = whole_text(self.password_file, _MOST_PASSWORD_BYTES).split("\n", 1)[0]
        except Unreadable as fault:
            why = str(fault)
        else:
            if first:
                return first
            why = "its first line is empty"
        raise ConfigFault(
            f"[broker] password_file '{self.password_file}' cannot be used ({why}); the broker is "
            f"not asked. Write the password on its first line, or set {PASSWORD_VARIABLE}."
        )


@dataclass(frozen=True, slots=True)
class PublishConfig:
    """Where calls go: `<base>/<enclosure>/call`, and life to `<base>/<station>/status`."""

    base: str = "filmcall"
    station: str = "station-1"


@dataclass(frozen=True, slots=True)
class AlarmConfig:
    """Where alarms go besides bell and broker; it holds no URL, since those are secrets.

    Attributes:
        urls_file: mode 600, one URL of the apprise library a line, or None. `FILMCALL_ALARM_URLS`
            in the environment goes before it.
    """

    urls_file: Path | None = None


@dataclass(frozen=True, slots=True)
class LogConfig:
    """What the log keeps.

    Attributes:
        keep_raw_days: how long readings stay whole before they become minute means; None for ever.
    """

    keep_raw_days: float | None = 400.0


@dataclass(frozen=True, slots=True)
class ForecastConfig:
    """Where hours of outdoor weather come from; nothing is fetched.

    Attributes:
        file: CSV or JSON, read again whenever it changes, or None.
        topic: where a message with the hours as JSON is heard, retained or not, or None.
        timezone: zone of times that carry none, or None for UTC, which is then said.
        columns: which column or key holds what, as `sensors.forecast` has it: (kind, column).
        units: of temperatures where they are not degC: (kind, unit).
    """

    file: Path | None = None
    topic: str | None = None
    timezone: str | None = None
    columns: tuple[tuple[str, str], ...] = ()
    units: tuple[tuple[str, str], ...] = ()

    @property
    def wanted(self) -> bool:
        """Whether there is anywhere that a forecast could come from."""
        return self.file is not None or self.topic is not None


@dataclass(frozen=True, slots=True)
class JobConfig:
    """The job that is followed beside the watch.

    Attributes:
        file: of the job, or None.
        weather_year: EPW or TMY3 file for what comes after the forecast's hours, or None.
    """

    file: Path | None = None
    weather_year: Path | None = None


@dataclass(frozen=True, slots=True)
class ReplayConfig:
    """How a recording is read.

    Attributes:
        time: its time column, or None to look for it.
        timezone: zone of times that carry none, or None for UTC, which is then said.
        date_order: one of `DATE_ORDERS` for dates such as 04/05/2026, or None to find out.
    """

    time: str | None = None
    timezone: str | None = None
    date_order: str | None = None


@dataclass(frozen=True, slots=True)
class Config:
    """Everything that a config file says.

    Attributes:
        enclosures: at least one.
        broker: where readings are heard and calls told, or None where the file has no [broker].
        publish: where calls go.
        replay: how a recording is read.
        base_dir: the folder that files named in it count from.
        alarm: where alarms go besides bell and broker.
        log: what the log keeps.
        forecast: where hours of outdoor weather come from.
        job: the whole work whose next step is shown.
    """

    enclosures: tuple[EnclosureConfig, ...]
    broker: BrokerConfig | None = None
    publish: PublishConfig = field(default_factory=PublishConfig)
    replay: ReplayConfig = field(default_factory=ReplayConfig)
    base_dir: Path = Path()
    alarm: AlarmConfig = field(default_factory=AlarmConfig)
    forecast: ForecastConfig = field(default_factory=ForecastConfig)
    log: LogConfig = field(default_factory=LogConfig)
    job: JobConfig = field(default_factory=JobConfig)


def worst_accuracy(config: EnclosureConfig | None, quantity: Quantity) -> float:
    """Return the accuracy of the least accurate point of a quantity, in its unit.

    Args:
        config: of the enclosure, or None where it is not known.
        quantity: any but dust.
    """
    points = () if config is None else config.points
    own = (point.accuracy for point in points if point.quantity is quantity)
    return max(own, default=DEFAULT_ACCURACY[quantity])
