"""What a job is: sections with their systems, working hours, people, and the day of its end."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta, tzinfo
from datetime import time as clock_time

from rules.batch.amount import Film
from rules.errors import FilmcallError
from rules.job.columns import USUAL_METHOD, planned_spec
from rules.job.tent import Tent
from rules.spec.model import Spec
from rules.units import HOUR_S
from rules.vocabulary import Method, Step

MIXING_S = 900.0
"""How long mixing a two-pack takes one person [s]; common practice, no source."""

SANDING_S = 3.0 * HOUR_S
"""How long a sanding takes where the job does not say it [s]; common practice, no source."""

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
STEP_KINDS = ("wash", "sand", "wipe", "tape", "mix", "coat", "untape", "wait")
_SPAN = re.compile(r"(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})")


class JobFault(FilmcallError, ValueError):
    """A job that cannot be planned as it is written; the text is one sentence for the user."""


@dataclass(frozen=True, slots=True)
class Chore:
    """Work between coats: a wash, a sanding, or a wipe or tape close before the next coat.

    Attributes:
        kind: `wash`, `sand`, `wipe` or `tape`.
        what: grit, cloth or line, as the job's file has it.
        takes_s: of one person [s].
        dries_s: how long after it nothing goes on top [s].
    """

    kind: str
    what: str
    takes_s: float
    dries_s: float = 0.0


@dataclass(frozen=True, slots=True)
class CoatToLay:
    """One coat of a section's system.

    Attributes:
        number: from 1 in its section.
        spec: of the coating, with the figures that hold for its method and hardener.
        takes_s: from the first brush stroke to the last [s].
        film: what it is to be, or None where the job does not say.
        method: how it is put on, or None where the job does not say.
        before: what is done first, in order.
        hardener: its name, or None where the job does not say.
        sheet: of the coating with all its columns, or None where `spec` is all that is known.
        unsaid: what the job should say of it, in words; `spec` is on the safe side of that.
    """

    number: int
    spec: Spec
    takes_s: float
    film: Film | None
    method: Method | None
    before: tuple[Chore, ...] = ()
    hardener: str | None = None
    sheet: Spec | None = None
    unsaid: tuple[str, ...] = ()

    @property
    def mixed_for(self) -> Method:
        """The method that amounts and thinner are reckoned for."""
        return self.method or USUAL_METHOD

    def by(self, method: Method | None, hardener: str | None) -> CoatToLay:
        """Return the same coat planned for a method and a hardener that are known now."""
        spec, unsaid = planned_spec(self.sheet or self.spec, method, hardener)
        return replace(self, spec=spec, method=method, hardener=hardener, unsaid=unsaid)

    @property
    def two_pack(self) -> bool:
        """Whether it is mixed of two parts."""
        return self.spec.mix is not None and self.spec.mix.hardener_parts > 0.0

    @property
    def is_sanded_first(self) -> bool:
        """Whether its system has the ground sanded before it."""
        return any(chore.kind == "sand" for chore in self.before)


@dataclass(frozen=True, slots=True)
class JobSection:
    """A part of the boat and the coats that it shall get.

    Attributes:
        name: as in the log's events.
        enclosure: where it stands.
        area_m2: [m2].
        coats: in order, at least one.
        beside: names of the sections next to it, both ways.
        after: names of the sections whose last coat comes before its first step.
    """

    name: str
    enclosure: str
    area_m2: float
    coats: tuple[CoatToLay, ...]
    beside: frozenset[str] = frozenset()
    after: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class WorkingHours:
    """When there is work, by local wall time.

    Attributes:
        zone: the job's.
        by_weekday: Monday first; each day's spans in minutes since midnight.
        closed: days without work.
    """

    zone: tzinfo
    by_weekday: tuple[tuple[tuple[int, int], ...], ...]
    closed: frozenset[date] = frozenset()

    def spans(self, first: date, days: int) -> Iterator[tuple[float, float]]:
        """Yield the spans of some days in order [s since 1970].

        Args:
            first: day.
            days: how many from then on.
        """
        for day in (first + timedelta(days=n) for n in range(days)):
            if day not in self.closed:
                for begin, end in self.by_weekday[day.weekday()]:
                    span = self._at(day, begin), self._at(day, end)
                    if span[0] < span[1]:  # an hour that the clocks skip has no length
                        yield span

    def _at(self, day: date, minutes: int) -> float:
        days, minutes = divmod(minutes, 24 * 60)
        at = clock_time(minutes // 60, minutes % 60)
        return datetime.combine(day + timedelta(days=days), at, self.zone).timestamp()


@dataclass(frozen=True, slots=True)
class Job:
    """The whole work on one boat.

    Attributes:
        boat: for the paper.
        start: first day.
        must_be_done: the last day.
        done_when: the step that every last film must have reached by its end.
        hours: when there is work.
        people: how many work at once.
        sections: at least one.
        tents: by enclosure, what may be assumed of it where no log tells.
    """

    boat: str
    start: date
    must_be_done: date
    done_when: Step
    hours: WorkingHours
    people: int
    sections: tuple[JobSection, ...]
    tents: Mapping[str, Tent] = field(default_factory=dict)

    @property
    def start_s(self) -> float:
        """The first day's midnight [s since 1970]."""
        return midnight_s(self.start, self.hours.zone)

    @property
    def deadline_s(self) -> float:
        """The end of the last day [s since 1970]."""
        return midnight_s(self.must_be_done + timedelta(days=1), self.hours.zone)


def midnight_s(day: date, zone: tzinfo) -> float:
    """Return when a day begins there [s since 1970]."""
    return datetime.combine(day, clock_time(), zone).timestamp()


def day_spans(text: str) -> tuple[tuple[int, int], ...]:
    """Read a day's working hours.

    Args:
        text: such as `08:00-12:00, 13:00-18:00`.

    Returns:
        Spans in minutes since midnight, in order and apart.

    Raises:
        JobFault: a time that no day has, an end not after its start, spans that overlap.

    >>> day_spans("08:00-12:00, 13:00-18:00")
    ((480, 720), (780, 1080))
    """
    found: list[tuple[int, int]] = []
    for word in text.split(","):
        match = _SPAN.fullmatch(word.strip())
        if match is None:
            raise JobFault(f"{word.strip()!r} is no span of hours")
        hours = [int(each) for each in match.groups()]
        begin, end = hours[0] * 60 + hours[1], hours[2] * 60 + hours[3]
        if max(hours[1], hours[3]) > 59 or end > 24 * 60:
            raise JobFault(f"{word.strip()!r} has a time that no day has")
        if begin >= end:
            raise JobFault(f"{word.strip()!r} does not end after it begins")
        if found and begin < found[-1][1]:
            raise JobFault(f"{word.strip()!r} begins before the span before it ends")
        found.append((begin, end))
    return tuple(found)


def weekdays_of(key: str) -> tuple[int, ...]:
    """Return the weekdays that a key such as `mon-fri` or `sat` names, Monday 0; none if unknown.

    >>> weekdays_of("mon-wed"), weekdays_of("sun"), weekdays_of("fri-mon")
    ((0, 1, 2), (6,), ())
    """
    first, _, last = key.partition("-")
    if first not in WEEKDAYS or (last or first) not in WEEKDAYS:
        return ()
    return tuple(range(WEEKDAYS.index(first), WEEKDAYS.index(last or first) + 1))
