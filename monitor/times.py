"""Reads a time as people type it: `14:30`, or ISO 8601 with or without a zone."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo

from monitor.log.facts import config_in
from monitor.log.log import Store
from monitor.log.rows import LIVE
from rules.errors import FilmcallError
from rules.text import iso_utc
from sensors.zones import UTC_NAME, UnknownZone, zone_named

AHEAD_S = 60.0


def zone_or_local(name: str | None) -> tzinfo | None:
    """Return a time zone by its IANA name; None is the machine's own.

    Raises:
        FilmcallError: there is no such zone.
    """
    if name is None:
        return None
    try:
        return zone_named(name)
    except UnknownZone:
        raise FilmcallError(
            f"timezone {name!r} is not known, so no time was read by it; give an IANA name like "
            "Europe/Brussels"
        ) from None


def moment_s(
    text: str, now_s: float, timezone: str | None = None, *, nearest: bool = False
) -> float:
    """Return a typed time as seconds since 1970.

    Args:
        text: `14:30` or `2:30 PM`, which is the last time that a clock showed it, or ISO 8601.
        now_s: [s].
        timezone: of times that carry none; None is the machine's own.
        nearest: `14:30` is the nearest time that a clock shows it, which may be yet to come.

    Raises:
        FilmcallError: it is no time, or a clock that was put forward or back showed it never or
            twice.

    >>> moment_s("1970-01-02T00:00:00Z", 0.0)
    86400.0
    >>> [moment_s("01:00", 0.0, "UTC", nearest=each) for each in (False, True)]
    [-82800.0, 3600.0]
    """
    zone = zone_or_local(timezone)
    now = datetime.fromtimestamp(now_s, tz=zone)
    try:
        of_day = is_of_day(text)
        text = _in_24_hours(text)
        if of_day:
            hour, minute, *seconds = (int(part) for part in text.split(":"))
            (second,) = seconds or [0]
            at = now.replace(hour=hour, minute=minute, second=second, microsecond=0)
            if nearest:
                days = (at + timedelta(days=k) for k in (-1, 0, 1))
                return min((each.timestamp() for each in days), key=lambda s: abs(s - now_s))
            if at.timestamp() > now_s + AHEAD_S:
                at -= timedelta(days=1)
            return at.timestamp()
        at = datetime.fromisoformat(text)
        if at.tzinfo is not None:
            return at.timestamp()
        at = at.replace(tzinfo=zone)
        first_s, second_s = (at.replace(fold=fold).timestamp() for fold in (0, 1))
    except (ValueError, OverflowError):  # a local time in the year 1 is none that a clock has
        raise FilmcallError(
            f"time {text!r} cannot be read; give 14:30 or 2026-05-01T14:30, with Z or +02:00 "
            "where it is not local"
        ) from None
    if first_s == second_s:
        return first_s
    what = "was skipped when" if first_s > second_s else "came twice, since"
    raise FilmcallError(
        f"time {text!r} {what} the clocks were changed, so nothing was read by it; give it in UTC: "
        f"{iso_utc(first_s)} or {iso_utc(second_s)}"
    )


def is_of_day(text: str) -> bool:
    """Return whether a typed time is one of any day, as `14:30` or `2:30 PM`."""
    text = _in_24_hours(text)
    return len(text) <= len("23:59:59") and ":" in text


_HALF_DAY = re.compile(
    r"(?P<day>.*?)(?P<hour>1[0-2]|0?[1-9])(?P<rest>(?::[0-5][0-9]){0,2}) ?(?P<half>[AP])\.?M\.?",
    re.IGNORECASE,
)


def _in_24_hours(text: str) -> str:
    """Return a typed time without AM or PM; as it stands where it has none.

    >>> _in_24_hours("2:30 PM"), _in_24_hours("2026-05-01 12:05am"), _in_24_hours("14:30")
    ('14:30', '2026-05-01 00:05', '14:30')
    """
    found = _HALF_DAY.fullmatch(text.strip())
    if found is None:
        return text
    hour = int(found["hour"]) % 12 + (12 if found["half"] in "pP" else 0)
    return f"{found['day']}{hour:02}{found['rest'] or ':00'}"


def zone_in_log(store: Store, enclosure: str) -> str | None:
    """Return the zone of an enclosure's times, or None where the log says none.

    Args:
        store: the log.
        enclosure: whose.

    Returns:
        The zone that its config or its replay named. UTC is the default of both, so it counts
        only where the log has nothing but recordings: those were read as UTC, and what was done
        must stand beside them. Beside live readings the machine's own zone is meant.
    """
    config = config_in(store, enclosure)
    if config is None:
        return None
    if config.timezone != UTC_NAME:
        return config.timezone
    live = any(each.enclosure == enclosure for each in store.channels(source=LIVE))
    return None if live else UTC_NAME


def carries_zone(at: str, now_s: float) -> bool:
    """Return whether a typed time says its zone, so that no other is asked for.

    Args:
        at: `14:30`, or ISO 8601.
        now_s: [s].

    Raises:
        FilmcallError: it is no time.

    >>> carries_zone("2026-05-01T14:30Z", 0.0), carries_zone("14:30", 1e9)
    (True, False)
    """
    here, there = (moment_s(at, now_s, zone) for zone in (UTC_NAME, "Etc/GMT-1"))
    return here == there
