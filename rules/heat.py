"""Whether a heater that is on heats, and whether the cover drips: what the air tells of the tent.

Takes the air's course since the heater went on and what it is outside; hands doubts and notices.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rules.events import Event
from rules.known import Floats
from rules.reasons import Doubt
from rules.units import HOUR_S
from rules.vocabulary import EventKind, LimitState

HEAT = "heat"
DRIP = "drip"

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


def heater_on_s(standing: Sequence[Event], now_s: float) -> float | None:
    """Return since when the heater is on, by who switched it, or None where it is not [s]."""
    on_s = None
    for event in standing:
        if event.time_s > now_s:
            continue
        if event.kind is EventKind.HEATER_ON:
            on_s = event.time_s
        elif event.kind is EventKind.HEATER_OFF:
            on_s = None
    return on_s


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
    from_s = max(on_s + WARMS_UP_S, now_s - LOOK_BACK_S)
    seen = (time_s >= from_s) & (time_s <= now_s) & np.isfinite(air_c)
    times, values = time_s[seen], air_c[seen]
    if times.size < 3 or now_s - times[-1] > STILL_S:
        return ()
    present_c = float(np.median(values[-3:]))
    highest_c = float(values.max())
    before = values[times <= times[-1] - STILL_S]
    if not before.size or float(before[-1]) - present_c < STILL_K:
        return ()
    fell_k = highest_c - present_c
    if outside_c >= present_c or fell_k < max(FELL_K, TOWARDS * (highest_c - outside_c)):
        return ()
    text = (
        f"The heater is on and the air fell {fell_k:.1f} K towards {outside_c:.0f} °C outside: it "
        "no longer heats. Look at it from outside: fuel, fuse, thermostat"
    )
    return (Doubt(HEAT, text, LimitState.NEAR, present_c, None, "degC"),)


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
