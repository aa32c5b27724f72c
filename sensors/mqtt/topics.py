"""Which sources a topic serves: MQTT filters with wildcards, and levels that name the point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sensors.mqtt.payload import Source, SourceFault
from sensors.wire import printable

POINT_LEVEL = "{point}"
# Routes are remembered for this many topics; a flood of new ones is matched afresh each time.
_REMEMBERED = 2048


@dataclass(frozen=True, slots=True)
class Route:
    """What a topic leads to.

    Attributes:
        sources: the sources that the topic serves, in the order of the config.
        copies: how many of our subscriptions match it; a broker may send one copy for each.
    """

    sources: tuple[Source, ...]
    copies: int


class Router:
    """Finds the sources of a topic among those of every enclosure."""

    def __init__(self, sources: Sequence[Source]) -> None:
        """Take the sources.

        Raises:
            SourceFault: a topic is not a filter that MQTT allows.
        """
        self._exact: dict[str, list[Source]] = {}
        self._wild: list[tuple[tuple[str, ...], Source]] = []
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
        >>> bow = Source("tent", "air-bow", Quantity.AIR_TEMP, "C", "shed/{point}/temperature")
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
        return Route(tuple(sources), copies)


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


def _levels(source: Source) -> tuple[str, ...]:
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
            "the point is not read. Mend topic in the config."
        )
    return levels
