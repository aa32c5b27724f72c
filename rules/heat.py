"""Whether heater and dehumidifier work, the cover drips or the sun is on the hull.

Takes the course of the air and the hull since they went on, and what it is outside; hands doubts
and notices.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rules.events import Event
from rules.known import Floats
from rules.reasons import Doubt
from rules.units import HOUR_S
from rules.vocabulary import EventKind, LimitState

HEAT = "heat"
DRY = "dry"
DRIP = "drip"
SUN = "sun"

LOOK_BACK_S = 3.0 * HOUR_S
"""So long back the warmest air is looked for from which it fell [s]."""

WARMS_UP_S = 0.5 * HOUR_S
"""A heater just lit has not heated yet; common practice, no source [s]."""

FELL_K = 2.0
"""A heater's thermostat swings by less than this; common practice, no source [K]."""

TOWARDS = 0.12
"""Share of the way to the air outside that a fall must have gone; judgement, no source [1]."""

STILL_S, STILL_K = 0.5 * HOUR_S, 0.3
"""It falls still where it fell by so much in so long; judgement, no source [s, K]."""

DAMPER_K, DAMPER_PCT = 1.5, 5.0
"""A dehumidifier's own swing stays under these rises of dew point and humidity; judgement, no
source [K, %]."""

SUN_K = 6.0
"""A hull so far over the air is warmed by the sun or a radiant heater, and one side so far over the
other dries unevenly; common practice, no source [K]."""

HEATER = (EventKind.HEATER_ON, EventKind.HEATER_OFF)
DEHUMIDIFIER = (EventKind.DEHUMIDIFIER_ON, EventKind.DEHUMIDIFIER_OFF)
"""What switches each on and off."""


def on_since_s(
    standing: Sequence[Event], switch: tuple[EventKind, EventKind], now_s: float
) -> float | None:
    """Return since when something is on, by who switched it, or None where it is not [s].

    Args:
        standing: the enclosure's events in force, in the order of time.
        switch: `HEATER` or `DEHUMIDIFIER`.
        now_s: now [s].
    """
    on_s = None
    for event in standing:
        if event.time_s <= now_s and event.kind in switch:
            on_s = event.time_s if event.kind is switch[0] else None
    return on_s


def heater_shares(standing: Sequence[Event], times_s: Floats) -> Floats:
    """Return how far the heater was on over even cells, 1 for the strongest that is known [1].

    Args:
        standing: the enclosure's events in force, in the order of time; a heater's `value` and
            `unit` W or kW may say its power.
        times_s: the ends of the cells [s].
    """
    switched = [event for event in standing if event.kind in HEATER]
    powers = [_watts(event) for event in switched if event.kind is HEATER[0]]
    strongest = max((watts for watts in powers if watts is not None), default=None)
    cell_s = float(times_s[1] - times_s[0]) if times_s.size > 1 else 300.0
    found = np.zeros(times_s.size)
    for number, event in enumerate(switched):
        if event.kind is not HEATER[0]:
            continue
        own = _watts(event)
        share = own / strongest if own is not None and strongest else 1.0
        begin = np.maximum(times_s - cell_s, event.time_s)
        ends_s = switched[number + 1].time_s if number + 1 < len(switched) else np.inf
        end = np.minimum(times_s, ends_s)
        found += share * np.clip(end - begin, 0.0, cell_s) / cell_s
    return found


_WATTS = {"w": 1.0, "kw": 1000.0}


def _watts(event: Event) -> float | None:
    factor = _WATTS.get((event.unit or "").strip().lower())
    if factor is None or event.value is None or not event.value > 0.0:
        return None
    return event.value * factor


def heat_doubts(
    time_s: Floats, air_c: Floats, on_s: float | None, outside_c: float | None, now_s: float
) -> tuple[Doubt, ...]:
    """Return that a heater no longer heats, where the air falls towards what it is outside.

    Args:
        time_s: instants, ascending [s].
        air_c: of the tent, NaN where not known [degC].
        on_s: since when the heater is on, or None where it is not [s].
        outside_c: the air outside, or None where it is not known, then nothing is said [degC].
        now_s: now [s].

    Source:
        No source: this program's own rule.
    """
    if on_s is None or outside_c is None:
        return ()
    course = _course(time_s, -air_c, on_s, now_s)
    if course is None or course.lately < STILL_K:
        return ()
    present_c, fell_k = -course.present, course.risen
    highest_c = present_c + fell_k
    if outside_c >= present_c or fell_k < max(FELL_K, TOWARDS * (highest_c - outside_c)):
        return ()
    text = (
        f"The heater is on and the air fell {fell_k:.1f} K towards {outside_c:.0f} °C outside: it "
        "no longer heats. Look at it from outside: fuel, fuse, thermostat"
    )
    return (Doubt(HEAT, text, LimitState.NEAR, present_c, None, "degC"),)


def dry_doubts(
    time_s: Floats, dew_point_c: Floats, rh_pct: Floats, on_s: float | None, now_s: float
) -> tuple[Doubt, ...]:
    """Return that a dehumidifier no longer dries, where dew point and humidity both rise.

    A tent that only cools or warms moves its humidity and not its dew point.

    Args:
        time_s: instants, ascending [s].
        dew_point_c: of the air, NaN where not known [degC].
        rh_pct: of the air, NaN where not known [%].
        on_s: since when the dehumidifier is on, or None where it is not [s].
        now_s: now [s].

    Source:
        No source: this program's own rule.
    """
    if on_s is None:
        return ()
    dew, rh = (_course(time_s, each, on_s, now_s) for each in (dew_point_c, rh_pct))
    if dew is None or rh is None or dew.lately < STILL_K or rh.lately <= 0.0:
        return ()
    if dew.risen < DAMPER_K or rh.risen < DAMPER_PCT:
        return ()
    text = (
        f"The dehumidifier is on and the air grew damper, from {rh.present - rh.risen:.0f} to "
        f"{rh.present:.0f} %: it no longer dries. Look at it from outside: bucket, ice, fuse, and "
        "whether the tent is open"
    )
    return (Doubt(DRY, text, LimitState.NEAR, rh.present, None, "%"),)


class _Course(NamedTuple):
    present: float
    risen: float  # over its lowest
    lately: float  # over what it was half an hour before


def _course(time_s: Floats, values: Floats, on_s: float, now_s: float) -> _Course | None:
    """How far a quantity rose since something was switched on; None where too little is known."""
    from_s = max(on_s + WARMS_UP_S, now_s - LOOK_BACK_S)
    seen = (time_s >= from_s) & (time_s <= now_s) & np.isfinite(values)
    times, known = time_s[seen], values[seen]
    if times.size < 3 or now_s - times[-1] > STILL_S:
        return None
    before = known[times <= times[-1] - STILL_S]
    if not before.size:
        return None
    present = float(np.median(known[-3:]))
    return _Course(present, present - float(known.min()), present - float(before[-1]))


def sun_notices(coldest_c: float, warmest_c: float, air_c: float) -> tuple[Doubt, ...]:
    """Return that the sun, or a radiant heater, is on a hull or on one side of it.

    Args:
        coldest_c: coldest surface of the section, NaN where not known [degC].
        warmest_c: warmest surface of the section [degC].
        air_c: warmest air [degC].

    Source:
        Common practice, no source.
    """
    over_k, apart_k = warmest_c - air_c, warmest_c - coldest_c
    if not (over_k >= SUN_K or apart_k >= SUN_K):
        return ()
    if apart_k >= SUN_K:
        seen = f"One side of the hull is {apart_k:.0f} K warmer than the other: is the sun on it?"
    else:
        seen = f"The hull is {over_k:.0f} K warmer than the air: is the sun on it?"
    text = f"{seen} There the film skins before its solvent is out; shade it, or begin elsewhere"
    return (Doubt(SUN, text, LimitState.OK, max(over_k, apart_k), SUN_K, "K"),)


def drip_notices(dew_point_c: float, outside_c: float | None) -> tuple[Doubt, ...]:
    """Return that the cover drips, where it is colder than the air's dew point.

    Args:
        dew_point_c: of the air, NaN where not known [degC].
        outside_c: the air outside, which the cover is as cold as, or None [degC].

    Source:
        Common practice, no source: a single sheet stands near the air outside.
    """
    if outside_c is None or not dew_point_c > outside_c:
        return ()
    text = (
        f"The cover is about as cold as outside, {outside_c:.0f} °C, and the air's dew point is "
        f"{dew_point_c:.0f} °C: it may drip on the film"
    )
    return (Doubt(DRIP, text, LimitState.OK, outside_c, dew_point_c, "degC"),)
