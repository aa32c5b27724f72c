"""Readings from a live broker: callbacks decode and queue, the pipeline drains, all is counted."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import paho.mqtt.client as paho

from rules.text import counted, printable
from sensors.mqtt.broker import Broker
from sensors.mqtt.connection import (
    DEFAULT_BACKOFF,
    Backoff,
    Connection,
    ConnectionStatus,
    PublishReceipt,
)
from sensors.mqtt.events import EventEar
from sensors.mqtt.heartbeat import Heartbeat
from sensors.mqtt.payload import Message, PayloadSource, SourceFault
from sensors.mqtt.topic_rate import A_SECOND, TopicRate
from sensors.reading import Reading
from sensors.wire import FaultKind, PayloadFault, Tally, TimeNote

POINT_LEVEL = "{point}"
# Routes are remembered for this many topics; a flood of new ones is matched afresh each time.
_REMEMBERED = 2048


@dataclass(frozen=True, slots=True)
class Route:
    """What a topic leads to.

    Attributes:
        sources: the sources that the topic serves, in the order of the config.
        copies: how many of our subscriptions match it; a broker may send one copy for each.
        shown: the topic, short and printable.
    """

    sources: tuple[PayloadSource, ...]
    copies: int
    shown: str


class Router:
    """Finds the sources of a topic among those of every enclosure."""

    def __init__(self, sources: Sequence[PayloadSource]) -> None:
        """Take the sources.

        Raises:
            SourceFault: a topic is not a filter that MQTT allows.
        """
        self._exact: dict[str, list[PayloadSource]] = {}
        self._wild: list[tuple[tuple[str, ...], PayloadSource]] = []
        subscribed: dict[str, None] = {}
        for source in sources:
            levels = _levels(source)
            if any(level in ("+", "#", POINT_LEVEL) for level in levels):
                self._wild.append((levels, source))
            else:
                self._exact.setdefault(source.topic, []).append(source)
            subscribed["/".join("+" if level == POINT_LEVEL else level for level in levels)] = None
        self.filters: tuple[str, ...] = tuple(subscribed)
        self._filter_levels = [tuple(text.split("/")) for text in self.filters]
        self._order = {id(source): place for place, source in enumerate(sources)}
        self._known: dict[str, Route | None] = {}

    def route(self, topic: str) -> Route | None:
        """Return what a topic leads to, or None where no source is mapped to it.

        >>> from sensors.reading import Quantity
        >>> topic = "shed/{point}/temperature"
        >>> bow = PayloadSource("tent", "air-bow", Quantity.AIR_TEMP, "C", topic)
        >>> router = Router([bow])
        >>> router.filters
        ('shed/+/temperature',)
        >>> router.route("shed/air-bow/temperature").sources[0].point
        'air-bow'
        >>> router.route("shed/air-stern/temperature") is None
        True
        """
        if topic in self._known:
            return self._known[topic]
        found = self._match(topic)
        if found is not None and len(self._known) < _REMEMBERED:
            self._known[topic] = found
        return found

    def _match(self, topic: str) -> Route | None:
        sources = list(self._exact.get(topic, ()))
        levels = tuple(topic.split("/"))
        sources += [
            source for wanted, source in self._wild if matches(wanted, levels, source.point)
        ]
        if not sources:
            return None
        sources.sort(key=lambda source: self._order[id(source)])
        copies = sum(matches(wanted, levels, None) for wanted in self._filter_levels)
        return Route(tuple(sources), copies, printable(topic, 80))


def matches(wanted: tuple[str, ...], levels: tuple[str, ...], point: str | None) -> bool:
    """Return whether the levels of a topic match those of a filter.

    Args:
        wanted: levels of the filter.
        levels: levels of the topic.
        point: what a level `{point}` must read, or None where there is none.

    Source:
        MQTT 5.0 (OASIS, 2019), 4.7.1 and 4.7.2: `#` matches its parent level too, and a leading
        wildcard never matches a topic that starts with `$`.

    >>> matches(("sport", "#"), ("sport",), None), matches(("#",), ("$SYS", "uptime"), None)
    (True, False)
    """
    if wanted[0] in ("+", "#") and levels[0].startswith("$"):
        return False
    for place, want in enumerate(wanted):
        if want == "#":
            return True
        if place >= len(levels):
            return False
        if want == POINT_LEVEL:
            want = point if point is not None else "+"
            if levels[place] != want:
                return False
        elif want not in ("+", levels[place]):
            return False
    return len(levels) == len(wanted)


def _is_wild(source: PayloadSource) -> bool:
    return "+" in source.topic or "#" in source.topic


def _levels(source: PayloadSource) -> tuple[str, ...]:
    topic = source.topic
    fault = ""
    if not topic:
        fault = "is empty"
    elif not topic.isprintable():
        fault = "holds a control character"
    elif len(topic.encode("utf-8", "replace")) > 65_535:
        fault = "is longer than 65535 bytes"
    levels = tuple(topic.split("/"))
    if len(levels) > 200:
        fault = "has more than 200 levels"
    elif levels[0] == "$share":
        fault = "is a shared subscription, which gives this program only part of the readings"
    for place, level in enumerate(levels):
        if "#" in level and (level != "#" or place != len(levels) - 1):
            fault = "has a # that is not the whole last level"
        elif "+" in level and level != "+":
            fault = "has a + that is not a whole level"
        elif POINT_LEVEL in level and level != POINT_LEVEL:
            fault = f"has a {POINT_LEVEL} that is not a whole level"
    if POINT_LEVEL in levels and (
        not source.point or any(c in source.point for c in "/+#") or not source.point.isprintable()
    ):
        fault = f"has a level {POINT_LEVEL}, and the point's name cannot be one"
    if fault:
        raise SourceFault(
            f"point '{printable(source.point, 60)}': topic '{printable(topic, 80)}' {fault}; "
            "the point is not read. Fix topic in the config."
        )
    return levels


_LOG = logging.getLogger("filmcall.mqtt")

QUEUE_LIMIT = 10_000  # readings that wait for the pipeline, 5 s at 2,000 a second [-]
TOPICS_COUNTED = 100  # topics with a count of their own in a status; the rest are `(others)` [-]
_TOPICS_A_SOURCE = 8  # topics remembered for one source [-]
PLAIN_BYTES = 262_144  # largest message on a topic that is handed on unread [bytes]
_LOGGED_A_MINUTE = 20  # refused messages written to the log in full [-]
_COPY_WITHIN_S = 1.0  # the broker's copies for overlapping filters come together [s]
_COPIES_KEPT = 256
_NEXT_S = 1e-6  # one message is measured this much after the one before at least [s]


@dataclass(frozen=True, slots=True)
class Arrival:
    """A reading and when it came by a clock that nobody sets.

    Attributes:
        reading: the reading.
        monotonic_s: monotonic time at receipt [s].
        delay_s: how long it was on its way at least, by the heartbeat [s].
    """

    reading: Reading
    monotonic_s: float
    delay_s: float = 0.0

    @property
    def measured_monotonic_s(self) -> float:
        """When it was measured on the monotonic clock: receipt less its age at receipt [s]."""
        own_age_s = self.reading.received_s - self.reading.time_s
        return self.monotonic_s - max(0.0, own_age_s, self.delay_s)


@dataclass(frozen=True, slots=True)
class SourceCounts:
    """What has come in for one source.

    Attributes:
        source: the source.
        readings: how many [-].
        topics: the topics that fed it and how many messages each; more than one is worth a look.
        last: latest arrival, or None.
    """

    source: PayloadSource
    readings: int
    topics: dict[str, int]
    last: Arrival | None


@dataclass(frozen=True, slots=True)
class IntakeStatus:
    """The intake at one moment, for the screen; every text is printable.

    Attributes:
        connection: state of the line and the subscriptions.
        messages: messages received; each is read, handed on, refused, a copy, or unmapped [-].
        readings: readings queued for the pipeline [-].
        refused: messages refused in whole or for one of their sources; those too that bring
            only that a value is missing [-].
        refused_by_kind: refusals by kind; a message counts once for each kind [-].
        refused_by_topic: refused messages by topic, bounded [-].
        unmapped: messages on topics that no source is mapped to [-].
        unmapped_by_topic: the same by topic, bounded [-].
        copies: messages dropped as the broker's copies for overlapping filters [-].
        time_notes: readings whose own time was not used, by reason [-].
        queued: readings that wait for the pipeline now [-].
        dropped: readings dropped because the queue was full, oldest first [-].
        dropped_by_point: the same by `enclosure/point` [-].
        rated: messages dropped unread because their topic brought too many [-].
        rated_by_topic: the same by topic, bounded [-].
        delay_s: how old what is heard is, by the heartbeat; 0 without one [s].
        unlogged: refused messages beyond what the log takes in a minute [-].
        heard: one for each source.
        troubles: sentences on what is wrong now, worst first; empty when all is well.
    """

    connection: ConnectionStatus
    messages: int
    readings: int
    refused: int
    refused_by_kind: dict[FaultKind, int]
    refused_by_topic: dict[str, int]
    unmapped: int
    unmapped_by_topic: dict[str, int]
    copies: int
    time_notes: dict[TimeNote, int]
    queued: int
    dropped: int
    dropped_by_point: dict[str, int]
    rated: int
    rated_by_topic: dict[str, int]
    delay_s: float
    unlogged: int
    heard: tuple[SourceCounts, ...]
    troubles: tuple[str, ...]


class _SourceTally:
    __slots__ = ("last", "readings", "source", "topics")

    def __init__(self, source: PayloadSource) -> None:
        self.source = source
        self.readings = 0
        self.topics = Tally(_TOPICS_A_SOURCE)
        self.last: Arrival | None = None


class Intake:
    """Takes readings for every enclosure from one broker over one connection."""

    def __init__(
        self,
        broker: Broker,
        sources: Sequence[PayloadSource],
        *,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
        queue_limit: int = QUEUE_LIMIT,
        backoff: Backoff = DEFAULT_BACKOFF,
        chance: random.Random | None = None,
        plain: Mapping[str, Callable[[bytes], None]] | None = None,
        heartbeat: Heartbeat | None = None,
        events: EventEar | None = None,
    ) -> None:
        """Prepare; nothing is sent before `start`.

        Args:
            broker: where the broker is.
            sources: every configured quantity at every point of every enclosure.
            wall: seconds since 1970-01-01 UTC.
            monotonic: seconds of a clock that never jumps.
            queue_limit: readings kept for the pipeline, 1 or more [-].
            backoff: waits between tries.
            chance: source of the jitter.
            plain: topics whose messages bring no readings, each with what takes the payload, in
                the network thread: it may keep it and no more.
            heartbeat: tells how old what is heard is; None where nothing asks for it.
            events: hears what people press elsewhere, or None.

        Raises:
            BrokerFault: a certificate file cannot be used.
            SourceFault: a topic is not a filter that MQTT allows.
        """
        self._router = Router(sources)
        self._wall = wall
        self._monotonic = monotonic
        self._limit = max(1, queue_limit)
        self._queue: deque[Arrival] = deque()
        self._fresh: list[Arrival] = []  # read, and not queued yet; the network thread's own
        self._lock = threading.Lock()
        self._ready = threading.Condition(self._lock)
        self._messages = self._readings = self._refused = self._copies = self._dropped = 0
        self._kinds: Counter[FaultKind] = Counter()
        self._notes: Counter[TimeNote] = Counter()
        self._refused_topics = Tally(TOPICS_COUNTED)
        self._unmapped_topics = Tally(TOPICS_COUNTED)
        self._dropped_points: Counter[str] = Counter()
        # By identity: to hash a source takes as long as to read a number.
        self._heard = {id(source): _SourceTally(source) for source in sources}
        self._last_copy: dict[str, tuple[bytes, bool, float, int]] = {}
        self._plain = dict(plain or {})
        self.heartbeat = heartbeat
        self.events = events
        self._measured_s = self._rated_s = float("-inf")
        self._rate = TopicRate(monotonic)
        self._unlogged = self._logged = 0
        self._minute_s = float("-inf")
        self.connection = Connection(
            broker,
            (
                *self._router.filters,
                *self._plain,
                *(() if heartbeat is None else (heartbeat.topic,)),
                *(() if events is None else events.filters),
            ),
            self._on_message,
            on_read=self._queue_up,
            of_others=(*self._plain, *(() if events is None else events.filters)),
            wall=wall,
            monotonic=monotonic,
            backoff=backoff,
            chance=chance,
        )
        if heartbeat is not None:
            self.connection.on_connected.append(heartbeat.begin)
            self.connection.on_lost.append(heartbeat.end)

    @property
    def on_connected(self) -> list[Callable[[], None]]:
        """Hooks run in the network thread after each connection, once subscriptions are sent."""
        return self.connection.on_connected

    def start(self) -> None:
        """Begin to connect; returns at once, and tries for ever until `stop`."""
        self.connection.start()

    def stop(self) -> None:
        """Say goodbye to the broker and end; what is queued can still be drained."""
        self.connection.stop()

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        """Leave a last will with the broker; before `start` only, see `Connection.set_will`."""
        self.connection.set_will(topic, payload, qos=qos, retain=retain)

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> PublishReceipt:
        """Send a message now or not at all, see `Connection.publish`."""
        return self.connection.publish(topic, payload, qos=qos, retain=retain, expiry_s=expiry_s)

    def beat(self) -> None:
        """Send a beat where one is due; call at least twice a second."""
        if self.heartbeat is not None and (payload := self.heartbeat.due()) is not None:
            self.connection.publish(self.heartbeat.topic, payload, qos=0)

    def delay_s(self) -> float:
        """Return how old what is heard now is, by the heartbeat; 0 without one [s]."""
        return 0.0 if self.heartbeat is None else self.heartbeat.delay_s()

    def behind_words(self) -> str:
        """Return why there is no GO by that age, as a clause; "" while it is short."""
        return "" if self.heartbeat is None else self.heartbeat.words()

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:
        """Return all queued arrivals in the order in which they came, or nothing for a press.

        Args:
            timeout_s: how long to wait for the first where there is none, 0 or more [s].

        Returns:
            Arrivals, or an empty list where none came in time.
        """
        with self._ready:
            if not self._queue and timeout_s > 0.0:
                self._ready.wait_for(self._waits, timeout_s)
            arrivals = list(self._queue)
            self._queue.clear()
        return arrivals

    def _waits(self) -> bool:
        return bool(self._queue) or (self.events is not None and self.events.waits)

    def status(self) -> IntakeStatus:
        """Return counts and state at this moment."""
        connection = self.connection.status()
        with self._ready:
            heard = tuple(
                SourceCounts(seen.source, seen.readings, seen.topics.counts(), seen.last)
                for seen in self._heard.values()
            )
            return IntakeStatus(
                connection=connection,
                messages=self._messages,
                readings=self._readings,
                refused=self._refused,
                refused_by_kind=dict(self._kinds),
                refused_by_topic=self._refused_topics.counts(),
                unmapped=self._unmapped_topics.total(),
                unmapped_by_topic=self._unmapped_topics.counts(),
                copies=self._copies,
                time_notes=dict(self._notes),
                queued=len(self._queue),
                dropped=self._dropped,
                dropped_by_point=dict(self._dropped_points),
                rated=self._rate.total,
                rated_by_topic=self._rate.dropped(),
                delay_s=self.delay_s(),
                unlogged=self._unlogged,
                heard=heard,
                troubles=_troubles(connection, heard, self._dropped, self._rate.dropped()),
            )

    def _on_message(self, message: paho.MQTTMessage) -> None:
        """Decode; whatever happens, the network thread goes on."""
        topic = "(not UTF-8)"
        try:
            now_s = self._monotonic()
            self._messages += 1  # by this thread only
            try:
                topic = message.topic
            except UnicodeDecodeError:
                fault = PayloadFault(FaultKind.TOPIC, "topic is not UTF-8; message refused.")
                self._refuse(topic, message, [fault])
                return
            if self.heartbeat is not None and topic == self.heartbeat.topic:
                self.heartbeat.hear(bytes(message.payload[:64]))
                return
            delay_s = self.delay_s()
            if not self._allows(topic, delay_s):
                return
            if topic in self._plain:
                self._hand_on(topic, message)
                return
            if self.events is not None and self.events.place(topic) is not None:
                self._hear_event(self.events, topic, message)
                return
            route = self._router.route(topic)
            if route is None:
                with self._lock:
                    self._unmapped_topics.add(printable(topic, 80))
                return
            if route.copies > 1 and self._is_copy(topic, message, route, now_s):
                return
            self._read(topic, message, route, now_s, delay_s)
        except Exception as fault:  # noqa: BLE001 (counted and logged; no reading may stop the rest)
            text = f"{type(fault).__name__}: {printable(str(fault), 120)}"
            self._refuse(topic, message, [PayloadFault(FaultKind.UNEXPECTED, text)])

    def _allows(self, topic: str, delay_s: float) -> bool:
        """Return whether a topic's message may be read; say once a minute what is dropped."""
        with self._lock:
            if self._rate.allows(topic, delay_s):
                return True
            flood = self._rate.is_flood(topic, delay_s)
            now_s = self._monotonic()
            silent = 0.0 <= now_s - self._rated_s < 60.0
            if not silent:
                self._rated_s = now_s
        if not silent:
            _LOG.warning("%s", _rated_sentence(topic))
        if flood:
            self.connection.flush(topic)
        return False

    def _own_delay_s(self, now_s: float, delay_s: float) -> float:
        """How long what comes now was on its way; never so that it is older than what came before.

        What is found between two beats is the age of the later one at least, which grows with each
        message, so that all of them would be measured at one moment.
        """
        if self.heartbeat is None:
            return 0.0
        measured_s = now_s - delay_s
        self._measured_s = min(now_s, max(measured_s, self._measured_s + _NEXT_S))
        return now_s - self._measured_s

    def _hand_on(self, topic: str, message: paho.MQTTMessage) -> None:
        """Give a message that brings no readings to whom it is for, unless it is too large."""
        size = len(message.payload)
        if size > PLAIN_BYTES:
            text = f"message of {size} bytes is over the {PLAIN_BYTES} allowed; it is refused."
            self._refuse(topic, message, [PayloadFault(FaultKind.TOO_LARGE, text)])
        elif size:  # an empty one clears what the broker had kept
            self._plain[topic](bytes(message.payload))

    def _hear_event(self, ear: EventEar, topic: str, message: paho.MQTTMessage) -> None:
        """Give a press to whom it is for, and wake the loop for it."""
        fault = ear.hear(topic, bytes(message.payload), retained=bool(message.retain))
        if fault is not None:
            self._refuse(topic, message, [fault])
        self._queue_up()  # what was read before it comes before it
        with self._lock:
            self._ready.notify()

    def _read(
        self, topic: str, message: paho.MQTTMessage, route: Route, now_s: float, delay_s: float
    ) -> None:
        body = Message(
            bytes(message.payload), received_s=self._wall(), retained=bool(message.retain)
        )
        faults: list[PayloadFault] = []
        missing: list[tuple[PayloadSource, tuple[Reading, ...]]] = []
        said: set[str] = set()
        for source in route.sources:
            try:
                decoded = body.readings(source)
            except PayloadFault as fault:
                faults.append(fault)
                missing.append((source, body.missing(source, fault)))
                continue
            said.add(source.point)
            if decoded.fault is not None:
                faults.append(decoded.fault)
            if decoded.notes:
                with self._lock:
                    self._notes.update(decoded.notes)
            self._keep(source, route.shown, decoded.readings, now_s, delay_s)
        for source, readings in missing:
            # Through a wildcard a point hears what another one says, too.
            if readings and not (_is_wild(source) and said - {source.point}):
                self._keep(source, route.shown, readings, now_s, delay_s)
        if faults:
            self._refuse(topic, message, faults)

    def _keep(
        self,
        source: PayloadSource,
        shown: str,
        readings: tuple[Reading, ...],
        now_s: float,
        delay_s: float,
    ) -> None:
        """Count what a message said of a source, and keep it for the queue."""
        own_s = self._own_delay_s(now_s, delay_s)
        fresh = self._fresh
        with self._lock:
            seen = self._heard[id(source)]
            seen.topics.add(shown)
            for reading in readings:
                seen.last = Arrival(reading, now_s, own_s)
                fresh.append(seen.last)
            seen.readings += len(readings)
            self._readings += len(readings)

    def _queue_up(self) -> None:
        """Put what was read into the queue, and wake the loop once for all of it."""
        if not self._fresh:
            return
        fresh, self._fresh = self._fresh, []
        with self._lock:
            queue = self._queue
            queue.extend(fresh)
            while len(queue) > self._limit:
                lost = queue.popleft().reading
                self._dropped += 1
                self._dropped_points[f"{lost.enclosure}/{lost.point}"] += 1
            self._ready.notify()

    def _is_copy(self, topic: str, message: paho.MQTTMessage, route: Route, now_s: float) -> bool:
        """Return whether this is the copy of a message that another of our filters brought.

        A copy without a time of its own would pass for a second reading, and confirm a spike.
        """
        payload, retained = bytes(message.payload), bool(message.retain)
        before = self._last_copy.pop(topic, None)
        if before is not None and before[0] == payload and before[1] == retained:
            _, _, first_s, left = before
            if left > 0 and now_s - first_s <= _COPY_WITHIN_S:
                self._last_copy[topic] = (payload, retained, first_s, left - 1)
                with self._lock:
                    self._copies += 1
                return True
        if len(self._last_copy) >= _COPIES_KEPT:
            self._last_copy.pop(next(iter(self._last_copy)))
        self._last_copy[topic] = (payload, retained, now_s, route.copies - 1)
        return False

    def _refuse(self, topic: str, message: paho.MQTTMessage, faults: list[PayloadFault]) -> None:
        shown = printable(topic, 80)
        now_s = self._monotonic()
        with self._lock:
            self._refused += 1
            self._kinds.update({fault.kind for fault in faults})
            self._refused_topics.add(shown)
            if now_s - self._minute_s >= 60.0:
                self._minute_s, self._logged = now_s, 0
            silent = self._logged >= _LOGGED_A_MINUTE
            if silent:
                self._unlogged += 1
            else:
                self._logged += 1
        if not silent:
            payload = printable(bytes(message.payload[:1024]), 120)
            _LOG.warning("topic %s: %s payload: %s", shown, faults[0], payload)


def _rated_sentence(topic: str) -> str:
    return (
        f"topic '{printable(topic, 80)}' brings more than {A_SECOND:.0f} messages a second; what "
        "is beyond that is dropped and counted, and a flood is not listened to for a minute. Look "
        "at who sends it."
    )


def _troubles(
    connection: ConnectionStatus,
    heard: tuple[SourceCounts, ...],
    dropped: int,
    rated: Mapping[str, int],
) -> tuple[str, ...]:
    found: list[str] = []
    if not connection.connected:
        found.append(connection.last_error or "the broker has not accepted the connection yet.")
    if connection.clash is not None and connection.clash not in found:
        found.append(connection.clash)
    found += [each.text for each in connection.subscriptions if each.text]
    if dropped:
        found.append(
            f"{counted(dropped, 'reading was', 'readings were')} dropped because the program fell "
            "behind; the climate has gaps. Send less often, or use a faster machine."
        )
    found += [
        f"{counted(count, 'message')} of topic '{topic}' were dropped, since it brings more than "
        f"{A_SECOND:.0f} a second. Look at who sends it."
        for topic, count in rated.items()
    ]
    for each in heard:
        if len(each.topics) > 1:
            names = ", ".join(list(each.topics)[:3])
            found.append(
                f"point '{printable(each.source.point, 60)}' ({each.source.quantity.value}) is fed "
                f"by {len(each.topics)} topics ({names}); two sensors may pass for one. "
                "Narrow topic in the config."
            )
    return tuple(found)
