"""The time that a sensor gives its own value: how it is written, and when it is believed."""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Any

from sensors.mqtt.json_strict import look_up
from sensors.reading import Quality
from sensors.wire import PayloadFault, TimeNote

EARLIEST_S = 1_577_836_800.0  # 2020-01-01 UTC: a clock that says less was never set [s]
# Two clocks kept by NTP agree within this, so a sensor's time further ahead is not believed; common
# practice, no source [s].
CLOCKS_AGREE_S = 2.0
# No default age limit is longer than 35 min, so a retained value older than that is history.
RETAINED_LIMIT_S = 2100.0

_ISO_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d([.,]\d{1,9})?)?(Z|z|[+-]\d\d:?\d\d)")
# Where a sender usually puts the time; common practice, no source. The first that is there counts.
_USUAL_NAMES = ("time", "timestamp", "ts")
# Seconds since 1970 until the year 5138 are below this; greater ones are in ms, us or ns.
_MS_FROM = 1e11


def judge_time(
    own_s: float | None, *, received_s: float, retained: bool
) -> tuple[float, Quality, TimeNote | None]:
    """Return when a value counts as measured, its quality so far, and what was odd.

    Args:
        own_s: the sensor's own time since 1970-01-01 UTC, or None [s].
        received_s: when the message came, same scale [s].
        retained: whether the broker had kept it from before.

    Returns:
        Time [s], quality, and a note where the sensor's own time was set aside. A retained value
        counts only by a believable time of its own: without one it is `retained`, and past
        the longest default age it is `stale`.

    >>> judge_time(None, received_s=1.8e9, retained=True)[1]
    <Quality.RETAINED: 'retained'>
    """
    unsure = Quality.RETAINED if retained else Quality.OK
    if own_s is None:
        return received_s, unsure, None
    if own_s < EARLIEST_S:
        return received_s, unsure, TimeNote.TOO_OLD
    ahead_s = own_s - received_s
    if ahead_s > 0.0:
        # A reading never lies in the future: the clocks would run on time that has not been.
        if ahead_s <= CLOCKS_AGREE_S:
            return received_s, Quality.OK, None
        return received_s, unsure, TimeNote.AHEAD
    if retained and -ahead_s > RETAINED_LIMIT_S:
        return own_s, Quality.STALE, None
    return own_s, Quality.OK, None


def own_time(document: Any, path: str) -> tuple[float | None, TimeNote | None]:
    """Return the time at a path of a JSON document, or None and why it is not used.

    Args:
        document: what `sensors.mqtt.json_strict` made of a message.
        path: dotted, to ISO 8601 with a zone, or to s, ms, us or ns since 1970-01-01 UTC.

    Returns:
        Seconds since 1970-01-01 UTC [s], not yet judged, and a note where there are none.

    >>> own_time({"t": "2027-01-15T08:00:00Z"}, "t")
    (1800000000.0, None)
    """
    try:
        found = look_up(document, path)
    except PayloadFault:
        return None, TimeNote.ABSENT
    if isinstance(found, str) and _ISO_TIME.fullmatch(found):
        try:
            return datetime.fromisoformat(found.upper().replace(",", ".")).timestamp(), None
        except (ValueError, OverflowError):
            return None, TimeNote.UNREADABLE
    # Text without a zone may mean any of 26 hours, so it is not read.
    if isinstance(found, bool) or not isinstance(found, int | float):
        return None, TimeNote.UNREADABLE
    seconds = float(found)
    if math.isnan(seconds):
        return None, TimeNote.UNREADABLE
    for _ in range(3):
        if seconds >= _MS_FROM:
            seconds /= 1000.0
    return seconds, None


def usual_time(document: Any) -> tuple[float | None, TimeNote | None]:
    """Return the time that stands at the top level of a JSON document under a usual name.

    For messages that the broker had kept, of which nobody knows when they were sent.

    Args:
        document: what `sensors.mqtt.json_strict` made of a message.

    Returns:
        As `own_time`, but no note where there is none.

    >>> usual_time({"v": 20, "ts": 1800000000000}), usual_time({"v": 20})
    ((1800000000.0, None), (None, None))
    """
    for name in _USUAL_NAMES:
        if isinstance(document, dict) and name in document:
            return own_time(document, name)
    return None, None
