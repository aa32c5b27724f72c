"""How fast the painter is, learned from the coats in the log, so that a pot is used in time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median

from rules.clocks.work import ALL_SECTIONS, work_of
from rules.events import Event
from rules.vocabulary import EventKind, Method

SHORTEST_S = 120.0
LONGEST_S = 12 * 3600.0


@dataclass(frozen=True, slots=True)
class OwnRate:
    """The painter's rate as earlier coats show it.

    Attributes:
        m2_per_h: the median of the coats [m2/h].
        coats: how many coats it rests on.
        slowest_m2_per_h: [m2/h].
        fastest_m2_per_h: [m2/h].
        set_aside: coats left out, since they took under 2 min or over 12 h.
    """

    m2_per_h: float
    coats: int
    slowest_m2_per_h: float
    fastest_m2_per_h: float
    set_aside: int


def own_rate(
    events: Iterable[Event],
    area_of: Mapping[str, float],
    now_s: float,
    method: Method | None = None,
) -> OwnRate | None:
    """Learn the painter's rate from the coats in the log that began and ended.

    Args:
        events: all of the enclosure's events as kept, corrections among them.
        area_of: area by section; "all" for an enclosure without sections [m2].
        now_s: now [s].
        method: count only coats put on so, or None for all.

    Returns:
        The rate, or None where no coat tells one.

    Source:
        Area over time; the median keeps one interrupted coat from spoiling it.
    """
    events = tuple(events)
    at_once = {
        e.time_s
        for e in events
        if e.kind is EventKind.COAT_STARTED and e.section in (None, ALL_SECTIONS)
    }
    covered: dict[tuple[float, float, str], float] = {}
    for section, area_m2 in area_of.items():
        for coat in work_of(section, events, now_s).coats:
            if coat.started_s is None or coat.ended_s is None or area_m2 <= 0.0:
                continue
            if method is not None and coat.method is not method:
                continue
            # One coat told for all sections at once covers all of them in its time.
            whose = "" if coat.started_s in at_once else section
            key = (coat.started_s, coat.ended_s, whose)
            covered[key] = covered.get(key, 0.0) + area_m2
    rates: list[float] = []
    set_aside = 0
    for (started_s, ended_s, _), area_m2 in covered.items():
        if SHORTEST_S <= ended_s - started_s <= LONGEST_S:
            rates.append(area_m2 / (ended_s - started_s) * 3600.0)
        else:
            set_aside += 1
    if not rates:
        return None
    return OwnRate(median(rates), len(rates), min(rates), max(rates), set_aside)


def learned_rate_m2_per_h(
    events: Iterable[Event],
    area_of: Mapping[str, float],
    now_s: float,
    method: Method | None = None,
) -> float | None:
    """Return the painter's rate alone, as `own_rate` learns it [m2/h]."""
    rate = own_rate(events, area_of, now_s, method)
    return None if rate is None else rate.m2_per_h
