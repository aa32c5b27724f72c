"""What the log knows of a moment: the calls that stood then, and when its probes were last read."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.log.facts import KEY as FACTS
from monitor.log.facts import config_of, facts_in
from monitor.log.log import Store
from monitor.log.rows import CallRow
from monitor.record import Answers
from rules.units import HOUR_S
from rules.vocabulary import ALL_SECTIONS, Stage
from sensors.faults import DEFAULT_RULES, max_age_s

_MICROSECOND_S = 1e-6  # to which the log keeps a time
_USUAL_FROM_S = 3.0 * HOUR_S  # more than three readings of the slowest probe that counts by default


class Standing(NamedTuple):
    """A call of the log, and until when it is known to have stood [s since 1970]."""

    call: CallRow
    until_s: float


@dataclass(frozen=True, slots=True)
class Heard:
    """What an enclosure's probes and the program that read them said last, by some moment.

    Attributes:
        read_s: when its newest reading was [s since 1970].
        counts_until_s: until when that counts, by its point's max_age or usual interval
            [s since 1970].
        calls: by section.
    """

    read_s: float
    counts_until_s: float
    calls: Mapping[str, Standing]

    def of(self, section: str) -> Standing | None:
        """Return a section's call; one that nothing is known of yet has the whole enclosure's."""
        return self.calls.get(section) or self.calls.get(ALL_SECTIONS)

    def fresh(self, section: str, now_s: float) -> Standing | None:
        """Return a section's call where it can be taken for the present one, else None [s]."""
        stood = self.of(section)
        if stood is None or self.counts_until_s < now_s:
            return None
        return stood if -_MICROSECOND_S <= now_s - stood.until_s < HOUR_S else None


def answers_at(store: Store, enclosure: str, section: str, time_s: float) -> Answers:
    """Return what the log has of a section's answers at a time.

    Args:
        store: the log.
        enclosure: which.
        section: of it.
        time_s: nothing later is looked at [s since 1970].
    """
    last = heard(store, enclosure, time_s)
    if last is None:
        return Answers(None, None)
    silent_s = last.read_s if last.counts_until_s < time_s else None
    stood = last.fresh(section, time_s) if silent_s is None else last.of(section)
    if stood is None:
        return Answers(None, None, None, silent_s)
    told = json.loads(stood.call.body)
    return Answers(told.get("start"), told.get("films"), stood.call.time_s, silent_s)


def heard(store: Store, enclosure: str, time_s: float) -> Heard | None:
    """Return what an enclosure said last by a time, None where it was never read by then.

    Args:
        store: the log.
        enclosure: which.
        time_s: nothing later is looked at [s since 1970].
    """
    found = max(_reads(store, enclosure, time_s), default=None)
    if found is None:
        return None
    read_s, place, counts_until_s = found
    calls = store.calls_standing(enclosure, time_s, source=-place)
    return Heard(
        read_s, counts_until_s, {each.call.section: each for each in _stood(calls, read_s)}
    )


def _stood(calls: tuple[CallRow, ...], read_s: float) -> Iterator[Standing]:
    """Calls are logged as they change, so that each stands while its section is watched and read.

    One without a probe of its own is watched no more once its work is over, which logs nothing.
    """
    newest = max(calls, key=lambda call: call.row or 0, default=None)
    points = [] if newest is None else json.loads(newest.body).get(FACTS, {}).get("points", ())
    named = {point["section"] for point in points} - {None} or {ALL_SECTIONS}
    for call in calls:
        if json.loads(call.body).get("start") is None:
            continue  # of a version that did not say it
        if call.section in named or call.stage != Stage.PREP:
            yield Standing(call, max(call.time_s, read_s))
        elif call.section != ALL_SECTIONS:
            yield Standing(call, call.time_s)


def _reads(store: Store, enclosure: str, time_s: float) -> Iterator[tuple[float, int, float]]:
    """For each channel its last reading, its source, live ones greatest, and how long it counts."""
    facts = facts_in(store, enclosure)
    points = () if facts is None else config_of(enclosure, facts).points
    rules = {(point.name, point.quantity): point.rules for point in points}
    for channel in store.channels():
        if channel.enclosure != enclosure:
            continue
        place = (enclosure, channel.point, channel.quantity)
        read_s = store.last_reading_s(*place, time_s, source=channel.source)
        if read_s is not None:
            span_s = (read_s - _USUAL_FROM_S, read_s)
            times, _, _ = store.readings(*place, *span_s, source=channel.source)
            usual_s = float(np.median(np.diff(times))) if times.size > 1 else 0.0
            own = rules.get((channel.point, channel.quantity), DEFAULT_RULES[channel.quantity])
            yield read_s, -channel.source, read_s + max_age_s(own, usual_s)
