"""The one place that looks a time zone up in the system's data, for sensors and monitor alike."""

from __future__ import annotations

from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from rules.errors import FilmcallError
from rules.text import printable

UTC_NAME = "Etc/UTC"


class UnknownZone(FilmcallError, ValueError):
    """There is no time zone of that name here."""


def zone_named(name: str) -> ZoneInfo:
    """Return a time zone.

    Args:
        name: from the IANA time zone database, such as `Europe/Brussels`.

    Raises:
        UnknownZone: there is no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # a folder of zones is none itself
        raise UnknownZone(
            f"timezone '{printable(name, 60)}' is not known; give an IANA name like Europe/Brussels"
        ) from None


def zone_or_utc(name: str) -> ZoneInfo:
    """Return a time zone for showing times; UTC where the name is not known here."""
    try:
        return zone_named(name)
    except UnknownZone:
        return ZoneInfo(UTC_NAME)


@cache
def zone_names() -> tuple[str, ...]:
    """Return every zone that is known here, by name."""
    return tuple(sorted(available_timezones()))
