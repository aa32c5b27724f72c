"""When a section that only events name ends: a slip of the pen, or a work that is done.

A section with a point of its own, and the whole of an enclosure, never end here.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.enclosure import Enclosure
from monitor.films import FilmKeeper
from monitor.live.restart import LOST
from rules.call import Call
from rules.events import Event, in_force
from rules.units import DAY_S
from rules.vocabulary import ALL_SECTIONS, ClockName, EventKind, Stage

IDLE_S = DAY_S
"""Where no session is recorded, a section without a film ends so long after its last event [s]."""

_BOUNDS = (EventKind.SESSION_STARTED, EventKind.SESSION_ENDED)


def ended_sections(
    enclosure: Enclosure, keeper: FilmKeeper, now_s: float
) -> Iterator[tuple[str, str]]:
    """Yield each section that has ended.

    A section that every event which named it has been taken back from was never there: a person
    said so. Any other stays while a film of it is open or a mix waits, while its call is STOP by
    what was measured, which silence never ends, and until its session has ended: the bound after
    its last event, or a day without one. A STOP by the closed recoat window follows from the
    events alone, and is there again as soon as one names the section.

    Args:
        enclosure: with its sections.
        keeper: of its films.
        now_s: now [s].

    Yields:
        (section, why, as a note for the log).
    """
    stated = {point.section for point in enclosure.config.points} | {ALL_SECTIONS}
    named = [each for name, each in enclosure.sections.items() if name not in stated]
    if not named:
        return
    standing = in_force(keeper.events)
    last_s = {event.section: event.time_s for event in standing}
    bound = next((e for e in reversed(standing) if e.kind in _BOUNDS and e.time_s <= now_s), None)
    for section in named:
        own_s = last_s.get(section.name)
        stopped = section.memory.call is Call.STOP
        by_record = section.memory.cause <= {ClockName.RECOAT_CLOSES.value}
        done = section.film.stage is Stage.PREP and (by_record or not stopped)
        if own_s is None:
            why = f"section {section.name} has ended: no event names it any more"
        elif done and _session_over(bound, own_s, now_s):
            why = f"section {section.name} has ended: no film of it is open and its session is over"
        else:
            continue
        yield section.name, LOST.format(section.name) if stopped else why


def _session_over(bound: Event | None, last_s: float, now_s: float) -> bool:
    if bound is not None and bound.kind is EventKind.SESSION_STARTED:
        return False
    if bound is not None and bound.time_s >= last_s:
        return True
    return now_s - last_s >= IDLE_S
