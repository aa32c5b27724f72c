"""What a call's message says beyond the call itself, for screens that stand elsewhere.

They have no log and no sensors: clocks, outlook, open alarms, the last events and the sentences
under the word go with the call, and with them where it stands in which log.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from monitor.alarms.board import OpenAlarm
from monitor.screen.freshness import is_renewed, quiet_text
from monitor.screen.panels import clauses, notices
from monitor.screen.phrases import FILM_IS_NOT_AIR
from monitor.screen.theme import Theme
from monitor.screen.view import View
from monitor.snapshot import OutlookBands, Snapshot
from monitor.snapshots import points_of
from monitor.wire import Json, clock_dict
from rules.call import Call
from rules.clocks.clock import Clock, ClockState
from rules.events import Event, in_force
from rules.reasons import OUTLOOK
from rules.section import SectionCall
from rules.text import clean, iso_utc
from rules.trend import AHEAD_COUNTS_S
from rules.units import DAY_S
from sensors.reading import Quality, Quantity

if TYPE_CHECKING:
    from monitor.enclosure import Enclosure
    from monitor.live.watched import WatchedEnclosure

MOST_BYTES = 24_576
MOST_BANDS = 13
MOST_EVENTS = 5
LATELY_S = DAY_S
"""A clock that ended longer ago is not told of any more; our own choice [s]."""
_CLIMATE = (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP)
_ABSENT = (Quality.MISSING, Quality.STALE, Quality.RETAINED, Quality.CLOCK)


def is_blind(enclosure: Enclosure, now_s: float) -> bool:
    """Return whether a quantity that the call needs has no current reading.

    Under a GO, which a value would else prolong until its `max_age`, a point that is overdue by
    its own pace counts as silent too, as on the screen.

    Args:
        enclosure: with its points.
        now_s: now [s].
    """
    present = _present(enclosure, (), now_s, None)
    absent = any(
        point.required and point.quantity in _CLIMATE and point.quality in _ABSENT
        for point in present.points
    )
    return absent or (enclosure.call is Call.GO and not is_renewed(present))


def _present(
    enclosure: Enclosure, calls: Sequence[SectionCall], now_s: float, seen: Snapshot | None
) -> Snapshot:
    """What a screen that hears of it now would see: whoever hears it has a link."""
    base = seen or Snapshot(
        enclosure.name, now_s, enclosure.config.timezone, recorded=False, calls=()
    )
    return replace(
        base,
        time_s=now_s,
        calls=tuple(calls),
        points=points_of(enclosure, now_s),
        link_ok=True,
        intake_delay_s=enclosure.intake_delay_s,
    )


def screen_keys(
    room: WatchedEnclosure,
    calls: Sequence[SectionCall],
    sections: Sequence[Json],
    now_s: float,
    seen: Snapshot | None,
) -> Json:
    """Return what the screen shows beside its word, as JSON; who reads it has units of their own.

    Args:
        room: the enclosure and what follows it.
        calls: of its sections, worst first.
        sections: the same as JSON.
        now_s: now [s].
        seen: the enclosure when the screen last looked, for trends and notices, or None.
    """
    enclosure, keeper = room.enclosure, room.keeper
    clocks = keeper.all_clocks(enclosure)
    present = _present(enclosure, calls, now_s, seen)
    return {
        "clocks": [clock_dict(clock) for clock in clocks if _is_shown(clock, now_s)],
        "outlook": _outlook(room, calls, now_s),
        "events": [_event(each) for each in in_force(keeper.events)[: -MOST_EVENTS - 1 : -1]],
        "lines": lines(present),
        "sections": [
            {**each, "renewed": is_renewed(present, each["section"])} for each in sections
        ],
    }


def lines(snapshot: Snapshot) -> list[str]:
    """Return what the screen says under its word, in SI, a sentence each: the reason first."""
    call = snapshot.calls[0]
    found = [*clauses(View(snapshot, Theme()), call), clean(call.advice)]
    quiet = quiet_text(snapshot, long=True)
    if call.call is Call.GO and not is_renewed(snapshot):
        found.insert(0, quiet)
    elif quiet:
        found.append(quiet)
    found += notices(snapshot)
    if call.call is Call.GO:
        found.append(FILM_IS_NOT_AIR)
    return [f"{each.rstrip('.')}." for each in found if each]


def alarm_dict(alarm: OpenAlarm, events: Sequence[Event], told_by: Callable[[int], str]) -> Json:
    """Return an open alarm for the message.

    Args:
        alarm: that rang.
        events: of the enclosure, among them the acknowledgement.
        told_by: who an event came from, by its row.
    """
    row = alarm.seen_by
    seen = next((each for each in events if row is not None and each.row == row), None)
    return {
        "section": alarm.section,
        "fact": alarm.fact.value,
        "text": alarm.text,
        "since": iso_utc(alarm.since_s),
        "rang_at": iso_utc(alarm.rang_at_s),
        "acknowledged_at": None if seen is None else iso_utc(seen.time_s),
        "acknowledged_by": None if row is None else told_by(row) or None,
    }


def fitted(told: Json) -> bytes:
    """Return a call's message in at most `MOST_BYTES`: lists are cut from their ends.

    First go what the sections' answers give as further reasons; last the reasons of the call.

    >>> fitted({"call": "HOLD", "events": ["x" * 30_000], "lines": ["Wait."]})
    b'{"call": "HOLD", "events": [], "lines": ["Wait."]}'
    """
    message = json.dumps(told).encode()
    if len(message) <= MOST_BYTES:
        return message
    told = json.loads(message)  # what is cut is a copy's
    over = len(message) - MOST_BYTES
    for each in _lists_of(told):
        while each and over > 0:
            over -= len(json.dumps(each.pop()))
    return json.dumps(told).encode()


def _lists_of(told: Json) -> Iterator[list[Any]]:
    """The lists of a message in the order in which they are cut."""
    sections = told.get("sections") or []
    answers = [
        answer
        for section in (*reversed(sections), told)
        for answer in (section.get("films"), section.get("start"))
    ]
    holders = [*answers, *reversed(sections)]
    yield from (each["reasons"] for each in holders if each and each.get("reasons"))
    outlook = told.get("outlook") or {}
    rest = (told.get("events"), outlook.get("bands"), told.get("clocks"), told.get("alarms"))
    yield from (each for each in (*rest, told.get("lines"), sections, told.get("reasons")) if each)


def _is_shown(clock: Clock, now_s: float) -> bool:
    if clock.state is not ClockState.ENDED:
        return True
    return clock.ended_at_s is not None and now_s - clock.ended_at_s <= LATELY_S


def _event(event: Event) -> Json:
    return {
        "kind": event.kind.value,
        "section": event.section,
        "time": iso_utc(event.time_s),
        "note": event.note,
    }


def _outlook(room: WatchedEnclosure, calls: Sequence[SectionCall], now_s: float) -> Json | None:
    """What the next hours will probably bring, of the worst section that has an outlook."""
    for call in calls:
        section, bands = room.enclosure.sections.get(call.section), room.bands.get(call.section)
        if section is None or bands is None or not 0.0 <= now_s - bands.made_s <= AHEAD_COUNTS_S:
            continue
        said = next((each for each in call.reasons if each.limit == OUTLOOK), None)
        breaks = () if section.ahead is None else section.ahead.breaks
        made_s = bands.made_s if section.ahead is None else section.ahead.made_s
        return {
            "state": "unknown" if said is None else said.state.value,
            "text": clean(bands.source if said is None else said.text),
            "breaks_at": iso_utc(made_s + breaks[0].median_s, 0) if breaks else None,
            "bands": _bands(bands, now_s),
        }
    return None


def _bands(bands: OutlookBands, now_s: float) -> list[Json]:
    """The dew margin's band at `MOST_BANDS` instants, evenly over what lies ahead."""
    if bands.dew_margin_k is None:
        return []
    ahead = [at for at, time_s in enumerate(bands.time_s) if time_s >= now_s]
    last = len(ahead) - 1
    count = min(MOST_BANDS, len(ahead))
    places = [ahead[round(k * last / max(1, count - 1))] for k in range(count)]
    low, middle, high = bands.dew_margin_k
    return [
        {
            "ahead_s": round(bands.time_s[at] - now_s),
            "margin_low_k": round(low[at], 2),
            "margin_mid_k": round(middle[at], 2),
            "margin_high_k": round(high[at], 2),
        }
        for at in places
    ]
