"""How `filmcall doctor` walks to the broker and listens to every topic that the config maps."""

from __future__ import annotations

import logging
import socket
import ssl
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from monitor.calibrate.target import own_broker
from monitor.calibrations import CalibrationBook
from monitor.config.load import Config, PointConfig
from monitor.doctor.checks import Check, CheckResult, UnitFix
from monitor.doctor.kept import KeptTopics
from monitor.doctor.ways import check_forecast_topic
from monitor.outlook.forecast import ForecastKeeper, forecast_zone
from rules.errors import FilmcallError
from rules.text import counted, duration_text, iso_utc, printable
from rules.units import DAY_S, known_unit
from sensors.faults import max_age_s
from sensors.mqtt.broker import Broker, BrokerFault, connect_sentence
from sensors.mqtt.connection import PublishReceipt, SubscriptionState
from sensors.mqtt.intake import Arrival, Intake, IntakeStatus, Router
from sensors.mqtt.payload import PayloadSource, SourceFault
from sensors.reading import Quality, Quantity
from sensors.recording.columns import unit_guess

LOGIN_S = 10.0
SUBSCRIBE_S = 5.0
_CONNECT_S = 5.0
_WILD_S = 3.0
_RETAINED_S = 3.0  # a message that the broker has kept comes at once
_CERTIFICATE_DAYS = 14.0
_LOOPBACK = ("127.", "::1")

Key = tuple[str, str, Quantity]


class TopicListener(Protocol):
    """What is needed of an `Intake`."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def drain(self, timeout_s: float = 0.0) -> list[Arrival]: ...
    def status(self) -> IntakeStatus: ...
    def publish(self, topic: str, payload: bytes, *, qos: int = 1) -> PublishReceipt: ...


EarOf = Callable[..., TopicListener]


class _Refusals(logging.Handler):
    """Keeps why messages on a topic were refused, which the intake only logs."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.by_topic: dict[str, str] = {}

    def emit(self, record: logging.LogRecord) -> None:
        arguments = record.args
        if isinstance(arguments, tuple) and len(arguments) == 3:
            self.by_topic.setdefault(str(arguments[0]), str(arguments[1]))


@contextmanager
def _kept_refusals() -> Iterator[_Refusals]:
    """Keep what the intake and the forecast's keeper would log, for the lines of the look."""
    refusals = _Refusals()
    logs = [logging.getLogger(name) for name in ("filmcall.mqtt", "filmcall.forecast")]
    passed_on = [log.propagate for log in logs]
    for log in logs:
        log.addHandler(refusals)
        log.propagate = False
    try:
        yield refusals
    finally:
        for log, before in zip(logs, passed_on, strict=True):
            log.removeHandler(refusals)
            log.propagate = before


@dataclass(slots=True)
class BrokerLook:
    """Walks to one broker and listens.

    Attributes:
        config: with a [broker] or without.
        environment: the process's.
        now_s: the clock [s].
        heard_s: newest reading of each quantity at each point in the log, where recent [s].
        usual_s: the usual time between two of them, where it is known [s].
        wait_s: longest wait for a topic [s].
        ear_of: opens the line.
        calibrations: of the log.
        checks: the looks so far.
    """

    config: Config
    environment: Mapping[str, str]
    now_s: Callable[[], float]
    heard_s: Mapping[Key, float]
    usual_s: Mapping[Key, float]
    wait_s: float
    ear_of: EarOf = Intake
    calibrations: CalibrationBook = field(default_factory=CalibrationBook)
    checks: list[Check] = field(default_factory=list)

    def run(self) -> list[Check]:
        """Look, step by step, until one fails that all after it need."""
        sources = [source for place in self.config.enclosures for source in place.sources()]
        if self.config.broker is None:
            health = CheckResult.BAD if sources else CheckResult.LOOK
            text = "no [broker] in the config, so nothing is heard live. Add it for watch."
            return [Check("broker", "config", health, text)]
        try:
            broker = own_broker(self.config, self.environment, "doctor")
            broker.tls_context()
        except (FilmcallError, BrokerFault) as fault:
            return [Check("broker", "config", CheckResult.BAD, str(fault))]
        if self._name(broker) and self._port_and_tls(broker):
            self._listen(broker, sources)
        return self.checks

    def _add(self, name: str, health: CheckResult, text: str, part: str = "broker") -> None:
        self.checks.append(Check(part, name, health, text))

    def _name(self, broker: Broker) -> bool:
        try:
            found = socket.getaddrinfo(broker.host, broker.port, type=socket.SOCK_STREAM)
        except OSError as fault:
            self._add("name", CheckResult.BAD, connect_sentence(broker, fault))
            return False
        addresses = ", ".join(sorted({str(each[4][0]) for each in found})[:4])
        self._add("name", CheckResult.OK, f"{printable(broker.host, 60)} is {addresses}")
        return True

    def _port_and_tls(self, broker: Broker) -> bool:
        context = broker.tls_context()
        try:
            line = socket.create_connection((broker.host, broker.port), _CONNECT_S)
        except OSError as fault:
            self._add("port", CheckResult.BAD, connect_sentence(broker, fault))
            return False
        with line:
            self._add("port", CheckResult.OK, f"{broker.port} answers")
            far = not str(line.getpeername()[0]).startswith(_LOOPBACK)
            if context is None:
                self._no_tls(far)
                return True
            try:
                with context.wrap_socket(line, server_hostname=broker.host) as secured:
                    self._certificate(secured)
            except OSError as fault:  # ssl.SSLError is one
                self._add("TLS", CheckResult.BAD, connect_sentence(broker, fault))
                return False
        return True

    def _no_tls(self, far: bool) -> None:
        if far:
            text = (
                "not used, so readings, calls and the password cross the network for all to read "
                "and change. Set [broker] ca_file, and a port that speaks TLS."
            )
            self._add("TLS", CheckResult.LOOK, text)
        else:
            self._add("TLS", CheckResult.OK, "not used, and not needed inside this machine")

    def _certificate(self, secured: ssl.SSLSocket) -> None:
        ends = str((secured.getpeercert() or {}).get("notAfter", ""))
        text = f"{secured.version()}, certificate good until {ends or 'a date not given'}"
        left_s = ssl.cert_time_to_seconds(ends) - self.now_s() if ends else DAY_S * 365.0
        if left_s < _CERTIFICATE_DAYS * DAY_S:
            left = f", {counted(round(left_s / DAY_S), 'day')} from now. Renew it before then."
            self._add("TLS", CheckResult.LOOK, text + left)
        else:
            self._add("TLS", CheckResult.OK, text)

    # ---- listening ---------------------------------------------------------------------------

    def _listen(self, broker: Broker, sources: list[PayloadSource]) -> None:
        keeper = self._forecast()
        names = [place.name for place in self.config.enclosures]
        kept = KeptTopics(self.config.publish, names, self.now_s)
        plain = {**kept.plain, **({} if keeper is None else keeper.topics)}
        try:
            ear = self.ear_of(broker, sources, plain=plain, events=kept.ear)
        except (BrokerFault, SourceFault) as fault:
            self._add("config", CheckResult.BAD, str(fault))
            return
        with _kept_refusals() as refusals:
            ear.start()
            try:
                if self._login(ear, broker) and self._subscribed(ear):
                    self._publish(ear, broker)
                    begun_s = time.monotonic()
                    self._topics(ear, sources, refusals)
                    self.checks += kept.checks()
                    if keeper is not None:
                        self._weather(keeper, begun_s)
            finally:
                ear.stop()

    def _forecast(self) -> ForecastKeeper | None:
        """What hears the forecast's topic; the file has been looked at already."""
        forecast = self.config.forecast
        if forecast.topic is None:
            return None
        zone = forecast_zone(forecast, self.config.enclosures)
        return ForecastKeeper(replace(forecast, file=None), zone, self.now_s)

    def _weather(self, keeper: ForecastKeeper, begun_s: float) -> None:
        least_s = min(self.wait_s, _RETAINED_S)
        while not keeper.waiting and time.monotonic() < begun_s + least_s:
            time.sleep(0.05)
        waited_s = time.monotonic() - begun_s
        topic = self.config.forecast.topic or ""
        self.checks.append(check_forecast_topic(keeper, topic, waited_s))

    def _login(self, ear: TopicListener, broker: Broker) -> bool:
        link = _until(ear, lambda s: s.connection.connected or s.connection.last_error, LOGIN_S)
        if not link.connection.connected:
            text = link.connection.last_error or (
                f"broker {broker.name} takes the line and does not answer the login within "
                f"{LOGIN_S:.0f} s. Check that it is an MQTT broker, and its load."
            )
            self._add("login", CheckResult.BAD, text)
            return False
        who = f"as {printable(broker.username, 40)}" if broker.username else "without a name"
        if broker.cert_file is not None and not broker.username:
            who = f"with the certificate of {printable(_name_in(broker.cert_file), 40)}"
        text = f"accepted {who}, MQTT {broker.protocol}"
        if broker.username is None and not broker.cert_file:
            text += "; whoever reaches the broker can send readings. Give each sender an account."
            self._add("login", CheckResult.LOOK, text)
        else:
            self._add("login", CheckResult.OK, text)
        return True

    def _subscribed(self, ear: TopicListener) -> bool:
        def answered(status: IntakeStatus) -> bool:
            states = [each.state for each in status.connection.subscriptions]
            return SubscriptionState.PENDING not in states

        subscriptions = _until(ear, answered, SUBSCRIBE_S).connection.subscriptions
        granted = [each for each in subscriptions if each.state is SubscriptionState.GRANTED]
        for each in subscriptions:
            if each.state is SubscriptionState.REFUSED:
                self._add("subscribe", CheckResult.BAD, each.text)
            elif each.state is SubscriptionState.PENDING:
                text = f"{each.filter} was not answered within {SUBSCRIBE_S:.0f} s. Try again."
                self._add("subscribe", CheckResult.BAD, text)
        if granted:
            self._add("subscribe", CheckResult.OK, f"{counted(len(granted), 'filter')} granted")
        elif not subscriptions:
            text = "no point has a topic, so nothing is heard live. Add topic to the points."
            self._add("subscribe", CheckResult.LOOK, text)
        return bool(granted)

    def _publish(self, ear: TopicListener, broker: Broker) -> None:
        publish = self.config.publish
        topic = f"{publish.base}/{publish.station}/doctor"
        handle = ear.publish(topic, b"", qos=1)
        taken = handle.wait(SUBSCRIBE_S)
        if ear.status().connection.publish_refused:
            text = (
                f"{topic} is refused, so nobody would hear a call. Give the account write access "
                f"to {publish.base}/# in the broker's access list."
            )
            self._add("publish", CheckResult.BAD, text)
        elif not taken:
            text = f"{topic} was not acknowledged ({handle.why or 'no answer'}). Try again."
            self._add("publish", CheckResult.BAD, text)
        elif broker.protocol != "5":
            text = f"{topic} was sent; MQTT {broker.protocol} does not tell whether it may be"
            self._add("publish", CheckResult.OK, text)
        else:
            self._add("publish", CheckResult.OK, f"{topic} is taken")

    def _topics(
        self, ear: TopicListener, sources: list[PayloadSource], refusals: _Refusals
    ) -> None:
        heard = self._hear(ear, sources)
        status = ear.status()
        points = {
            (place.name, point.name, point.quantity): point
            for place in self.config.enclosures
            for point in place.points
        }
        for source in sources:
            key = _key(source)
            others_c = [
                arrival.reading.value
                for other, arrival in heard.items()
                if other != key and other[0] == key[0] and _believed_temperature(arrival)
            ]
            name = f"{key[0]}/{key[1]} {key[2].value}"
            arrival = heard.get(key)
            health, text = self._of_topic(source, points[key], arrival, others_c, refusals)
            guess = _guess_of(source, arrival, others_c) if health is CheckResult.BAD else None
            fix = None if guess is None else UnitFix((key[0], key[1], key[2].value), guess)
            self.checks.append(Check("topic", name, health, text, fix))
        for each in status.heard:
            if len(each.topics) > 1:
                more = len(each.topics) - 3
                named = ", ".join(list(each.topics)[:3]) + (f" and {more} more" if more > 0 else "")
                text = (
                    f"fed by {len(each.topics)} topics ({named}); two sensors may pass for one. "
                    f"Narrow topic in the config."
                )
                name = f"{each.source.enclosure}/{each.source.point} {each.source.quantity.value}"
                self._add(name, CheckResult.BAD, text, part="topic")
        for note, count in status.time_notes.items():
            told = f"{counted(count, 'reading')}: {note.value}"
            text = f"{told}; the time of receipt counts instead. Set it."
            self._add("sensor clocks", CheckResult.LOOK, text, part="topic")

    def _hear(self, ear: TopicListener, sources: list[PayloadSource]) -> dict[Key, Arrival]:
        """Return the last arrival of each quantity; one to believe goes before any other."""
        heard: dict[Key, Arrival] = {}
        begun_s = time.monotonic()
        # A filter with wildcards may bring a second sensor, which one that was heard hides.
        wild = any(set(source.topic) & set("+#") for source in sources)
        least_s = min(self.wait_s, _WILD_S) if wild else 0.0
        while True:
            for arrival in ear.drain(0.2):
                reading = arrival.reading
                key = (reading.enclosure, reading.point, reading.quantity)
                fresh = reading.quality is Quality.OK
                if fresh or key not in heard or heard[key].reading.quality is not Quality.OK:
                    heard[key] = arrival
            believed = sum(each.reading.quality is Quality.OK for each in heard.values())
            waited_s = time.monotonic() - begun_s
            if waited_s >= (least_s if believed >= len(sources) else self.wait_s):
                return heard

    def _of_topic(
        self,
        source: PayloadSource,
        point: PointConfig,
        arrival: Arrival | None,
        others_c: list[float],
        refusals: _Refusals,
    ) -> tuple[CheckResult, str]:
        reading = None if arrival is None else arrival.reading
        if reading is None or reading.quality is not Quality.OK:
            return self._not_heard(source, point, arrival, refusals)
        age_s = max(0.0, self.now_s() - reading.time_s)
        used = self.calibrations.correct(reading)[0]
        corrected = "" if used == reading.value else f", corrected to {used:.4g}"
        said = (
            f"{reading.value:.4g} {reading.quantity.unit}{corrected}, {duration_text(age_s)} ago "
            f"on {printable(source.topic, 60)}"
        )
        guess = _guess_of(source, arrival, others_c)
        if guess is not None:
            text = f'{said}: looks like {_unit_name(guess)}. Set unit = "{guess}" for this point.'
            certain = bool(others_c) or reading.quantity is Quantity.HUMIDITY
            believable = point.rules.low <= reading.value <= point.rules.high
            return (CheckResult.BAD if certain or not believable else CheckResult.LOOK), text
        low, high = point.rules.low, point.rules.high
        if reading.quantity is Quantity.HUMIDITY and reading.value <= 0.0:
            return CheckResult.BAD, f"{said}: the probe looks dead. Check its supply and its wires."
        if not low <= reading.value <= high:
            text = f"{said}: not between {low:g} and {high:g}. Check unit, value and the sensor."
            return CheckResult.BAD, text
        counts_s = self._counts_s(source, point)
        if age_s > counts_s:
            fix = "Check the sensor's clock, and that it sends more often than that."
            return CheckResult.LOOK, f"{said}: {_too_old(counts_s)}. {fix}"
        return CheckResult.OK, said

    def _counts_s(self, source: PayloadSource, point: PointConfig) -> float:
        """How long a reading counts, by the config or by how often the log says that it comes."""
        return max_age_s(point.rules, self.usual_s.get(_key(source), 0.0))

    def _not_heard(
        self,
        source: PayloadSource,
        point: PointConfig,
        arrival: Arrival | None,
        refusals: _Refusals,
    ) -> tuple[CheckResult, str]:
        bad = CheckResult.BAD if point.required else CheckResult.LOOK
        router = Router([source])
        for topic, why in refusals.by_topic.items():
            if router.route(topic) is not None:
                return bad, f"{topic}: {why}"
        kept = ""
        if arrival is not None and arrival.reading.quality is not Quality.MISSING:
            reading = arrival.reading
            own = (
                f"of {iso_utc(round(reading.time_s))}"
                if reading.quality is Quality.STALE
                else "without a time of its own"
            )
            kept = f", only an old message that the broker held ({reading.value:.4g}, {own})"
        logged_s = self.heard_s.get(_key(source))
        nothing = f"no reading within {self.wait_s:.0f} s on {printable(source.topic, 60)}{kept}"
        if logged_s is not None:
            age_s, counts_s = self.now_s() - logged_s, self._counts_s(source, point)
            text = f"{nothing}; the log has one {duration_text(age_s)} old"
            if age_s <= counts_s:
                return CheckResult.OK, text
            fix = "Check the sensor's power; for a slow sensor: --wait 600"
            return CheckResult.LOOK, f"{text}, and {_too_old(counts_s)}. {fix}"
        return bad, (
            f"{nothing}. Check the sensor's power, the topic, and that the broker's access list "
            f"lets this account read it; for a slow sensor: --wait 600"
        )


_COMMON_NAME = b"\x55\x04\x03"  # 2.5.4.3


def _name_in(certificate: Path) -> str:
    """The name in a certificate that can be used, which the broker may take for the account.

    Source:
        RFC 5280, 4.1: version, if any, then serial number, signature, issuer, validity, subject.
    """
    begin, rest = "-----BEGIN CERTIFICATE-----", certificate.read_text("utf-8", "replace")
    coded, end, _ = rest.partition(begin)[2].partition("-----END CERTIFICATE-----")
    ((_, whole),) = _der_parts(ssl.PEM_cert_to_DER_cert(begin + coded + end))
    _, signed = next(_der_parts(whole))
    subject = [value for tag, value in _der_parts(signed) if tag != 0xA0][4]
    for _, some in _der_parts(subject):
        for _, one in _der_parts(some):
            (_, kind), (_, name) = _der_parts(one)
            if kind == _COMMON_NAME:
                return name.decode("utf-8", "replace")
    return "nobody"


def _der_parts(der: bytes) -> Iterator[tuple[int, bytes]]:
    """Tag and content of each element that stands there (X.690, 8.1)."""
    while der:
        size, head = der[1], 2
        if size & 0x80:
            head += size & 0x7F
            size = int.from_bytes(der[2:head])
        yield der[0], der[head : head + size]
        der = der[head + size :]


def _until(
    ear: TopicListener, ready: Callable[[IntakeStatus], object], most_s: float
) -> IntakeStatus:
    until_s = time.monotonic() + most_s
    while True:
        status = ear.status()
        if ready(status) or time.monotonic() >= until_s:
            return status
        time.sleep(0.02)


def _key(source: PayloadSource) -> Key:
    return source.enclosure, source.point, source.quantity


def _believed_temperature(arrival: Arrival) -> bool:
    reading = arrival.reading
    temperature = reading.quantity in (Quantity.AIR_TEMP, Quantity.SURFACE_TEMP)
    return temperature and reading.quality is Quality.OK


def _guess_of(source: PayloadSource, arrival: Arrival | None, others_c: list[float]) -> str | None:
    """The unit that a value seems to have, where that is another than the config says."""
    if arrival is None or arrival.reading.quality is not Quality.OK:
        return None
    reading = arrival.reading
    return unit_guess(reading.quantity, source.unit, reading.value, others_c)


def _unit_name(unit: str) -> str:
    return "a fraction" if known_unit(unit) == "1" else unit


def _too_old(counts_s: float) -> str:
    return f"a reading counts for {duration_text(counts_s)}, so this one no longer does"
