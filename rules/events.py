"""What a person did, with its time: the events from which stages and clocks follow."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

from rules.vocabulary import ALL_SECTIONS, EventKind, Method, Service

OF_PAINT = (EventKind.COAT_STARTED, EventKind.MIXED)
"""Events that can name a hardener."""

OF_PROBES = (EventKind.VOUCHED, EventKind.PROBES_IN)
"""Events after which what was doubted of a probe counts no longer."""

PROBES_MOVED = (EventKind.PROBES_OUT, EventKind.PROBES_IN)
"""Events that say where probes are."""


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that a person did in an enclosure.

    Attributes:
        kind: what was done.
        time_s: when it was done, seconds since 1970-01-01 UTC [s].
        enclosure: where.
        section: which part of the work, or None for all of it.
        note: free words.
        spec: name of the coating that the event is about, or None for the enclosure's own.
        coat: number of the coat, from 1, or None.
        batch: the mix's own name, or None.
        amount_ml: volume mixed [mL], or None.
        thinner_pct: thinner added, by volume of the mix [%], or None.
        method: how the coat is put on, or None.
        what: what was measured by hand (`wood-moisture`, `mix-temperature`), or the sensor body
            that is vouched for, or of a coat or a mix the hardener, or None.
        value: the hand measurement, in `unit`; of probes-out until when, in seconds since
            1970-01-01 UTC; or None.
        unit: unit of `value`, or of a coat where it will serve, or None.
        recorded_s: when it was written down; later than `time_s` for a late entry [s].
        row: its row in the log, or None before it is kept.
        corrects: the row in the log that this event takes the place of, or None.
        withdrawn: True where this event only takes back the one that it corrects.
        spec_sha256: of the text, kept in the log, of the spec that it names, or of the
            enclosure's own as it stood then; None where no text was kept.
    """

    kind: EventKind
    time_s: float
    enclosure: str
    section: str | None = None
    note: str = ""
    spec: str | None = None
    coat: int | None = None
    batch: str | None = None
    amount_ml: float | None = None
    thinner_pct: float | None = None
    method: Method | None = None
    what: str | None = None
    value: float | None = None
    unit: str | None = None
    recorded_s: float | None = None
    row: int | None = None
    corrects: int | None = None
    withdrawn: bool = False
    spec_sha256: str | None = None

    @property
    def hardener(self) -> str | None:
        """Name of the hardener of a coat or a mix, where it is not the sheet's standard one."""
        return self.what if self.kind in OF_PAINT else None

    @property
    def service(self) -> Service | None:
        """Where a coat will serve, where somebody said."""
        if self.kind not in OF_PAINT or self.unit is None:
            return None
        return Service(self.unit) if self.unit in list(Service) else None

    @property
    def spec_key(self) -> str | None:
        """What a film's spec is found by: the text as it stood, else the name, else None."""
        return self.spec_sha256 or self.spec


class ProbesOut(NamedTuple):
    """Probes that somebody carried out on purpose.

    Attributes:
        since_s: since when [s].
        until_s: when they are to be back, or None for touch dry [s].
        section: of which alone, or None for all.
    """

    since_s: float
    until_s: float | None
    section: str | None = None


Spans = tuple[tuple[float, float], ...]
"""From when to when; infinity where it goes on [s]."""


class CarriedOut:
    """Which probes somebody has carried out on purpose, and when.

    Who names a section means the points on its own surfaces, and where it had none by then those
    that count for every section; who names none means every probe inside.
    """

    def __init__(
        self,
        standing: Iterable[Event] = (),
        surfaces: Mapping[str | None, float] = MappingProxyType({None: math.inf}),
    ) -> None:
        """Take what was said.

        Args:
            standing: an enclosure's events in force, in the order of time.
            surfaces: until when each section had points on its surface, infinity where it has
                them still; None for those that count for all [s].
        """
        self._said = [event for event in standing if event.kind in PROBES_MOVED]
        self._surfaces = surfaces
        self._spans: dict[tuple[str | None, bool], Spans] = {}

    def __bool__(self) -> bool:
        return bool(self._said)

    def touches(self, event: Event, section: str | None, *, surface: bool) -> bool:
        """Return whether an event is about a point inside.

        Args:
            event: a probes-out or probes-in.
            section: of the point, or None for all.
            surface: whether it measures a surface.
        """
        named = event.section
        if named in (None, ALL_SECTIONS):
            return True
        return surface and section in (named, named if self._has(named, event.time_s) else None)

    def _has(self, section: str | None, time_s: float) -> bool:
        return time_s < self._surfaces.get(section, -math.inf)

    def spans(self, section: str | None, *, surface: bool) -> Spans:
        """Return when a point inside was carried out and brought back; see `touches`."""
        key = section, surface
        if key not in self._spans:
            self._spans[key] = self._spans_of(section, surface=surface)
        return self._spans[key]

    def _spans_of(self, section: str | None, *, surface: bool) -> Spans:
        spans, since_s = [], math.inf
        for event in self._said:
            if not self.touches(event, section, surface=surface):
                continue
            if event.kind is EventKind.PROBES_OUT:
                since_s = min(since_s, event.time_s)
            elif math.isfinite(since_s):
                spans.append((since_s, event.time_s))
                since_s = math.inf
        if math.isfinite(since_s):
            spans.append((since_s, math.inf))
        return tuple(spans)

    def is_out(self, section: str | None, time_s: float, *, surface: bool) -> bool:
        """Return whether a point inside is out at a time [s]; see `touches`."""
        spans = self.spans(section, surface=surface)
        return any(from_s <= time_s < to_s for from_s, to_s in spans)

    def of_section(self, section: str, time_s: float) -> ProbesOut | None:
        """Return how probes that a section is judged by are out at a time, or None [s].

        Where its air is out as well as its surface, that goes before, whichever was said last.
        """
        surfaces = [each for each in (section, None) if self._has(each, time_s)]
        points = [(None, False), *((each, True) for each in surfaces)]
        found = (self._newest(*point, time_s) for point in points)
        return next((each for each in found if each is not None), None)

    def _newest(self, section: str | None, surface: bool, time_s: float) -> ProbesOut | None:
        out = None
        for event in self._said:
            if event.time_s > time_s:
                break
            if self.touches(event, section, surface=surface):
                named = None if event.section == ALL_SECTIONS else event.section
                gone = event.kind is EventKind.PROBES_OUT
                out = ProbesOut(event.time_s, event.value, named) if gone else None
        return out


def of_probes(events: Iterable[Event]) -> deque[Event]:
    """Return what a person said that bears on doubts of probes, in the order of time.

    Args:
        events: all of an enclosure's events as kept, corrections among them.
    """
    return deque(event for event in in_force(tuple(events)) if event.kind in OF_PROBES)


def taken_until(waiting: deque[Event], time_s: float) -> Iterator[Event]:
    """Take the events off a queue, in the order of time, that were true by a time [s]."""
    while waiting and waiting[0].time_s <= time_s:
        yield waiting.popleft()


def in_force(events: tuple[Event, ...]) -> tuple[Event, ...]:
    """Return the events that stand once corrections are followed, ordered by the time they tell of.

    Args:
        events: all events as kept, corrections among them.

    Returns:
        Every event that no later row corrects and that is not itself a withdrawal.
    """
    replaced = {event.corrects for event in events if event.corrects is not None}
    standing = [e for e in events if not e.withdrawn and (e.row is None or e.row not in replaced)]
    placed = [_placed(e, events, standing) if e.corrects is not None else e for e in standing]
    return tuple(sorted(placed, key=lambda e: (e.time_s, e.row if e.row is not None else 0)))


def without_corrected(events: tuple[Event, ...], event: Event) -> tuple[Event, ...]:
    """Return events as they stand before one that may correct another, which then falls away."""
    return events if event.corrects is None else (*events, replace(event, withdrawn=True))


TYPED_NOW_S = 60.0
"""An event whose time is so near to when it was written down was typed without a time [s]."""


def _placed(event: Event, events: tuple[Event, ...], standing: list[Event]) -> Event:
    """A corrected coat-started that would lie after the coat's end, put back where it was.

    Who corrects its spec after the coat has ended, and gives no time, has not begun another.
    """
    if event.kind is not EventKind.COAT_STARTED:
        return event
    if event.recorded_s is not None and abs(event.recorded_s - event.time_s) > TYPED_NOW_S:
        return event
    first = first_of(event, events)
    ended = any(
        each.kind is EventKind.COAT_ENDED
        and each.section in (None, event.section)
        and first.time_s <= each.time_s < event.time_s
        for each in standing
    )
    return replace(event, time_s=first.time_s) if ended else event


def first_of(event: Event, events: Iterable[Event]) -> Event:
    """Return the event at the beginning of a row of corrections; itself where it corrects none.

    Args:
        event: that may correct another.
        events: all events as kept.
    """
    by_row = {each.row: each for each in events} if event.corrects is not None else {}
    while event.corrects is not None and event.corrects in by_row:
        event = by_row[event.corrects]
    return event


def happened(events: tuple[Event, ...], now_s: float) -> tuple[Event, ...]:
    """Return events with none of them in the future: what stands in the log has happened.

    A clock that was set back leaves events later than now. Such a one was done before whatever
    was written down after it, and at the latest now.

    Args:
        events: all events as kept, in the order of their rows.
        now_s: what the clock says [s].
    """
    if not any(event.time_s > now_s for event in events):
        return events
    latest_s = now_s
    found = []
    for event in reversed(events):
        found.append(event if event.time_s <= latest_s else replace(event, time_s=latest_s))
        if event.recorded_s is not None:
            latest_s = min(latest_s, event.recorded_s)
    return tuple(reversed(found))
