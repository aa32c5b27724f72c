"""In which zone a person means a typed time that carries none: the log's own, or the machine's."""

from __future__ import annotations

from monitor.log.facts import config_in
from monitor.log.log import Store
from monitor.log.rows import LIVE
from monitor.times import moment_s

UTC = "Etc/UTC"


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
    if config.timezone != UTC:
        return config.timezone
    live = any(each.enclosure == enclosure for each in store.channels(source=LIVE))
    return None if live else UTC


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
    here, there = (moment_s(at, now_s, zone) for zone in (UTC, "Etc/GMT-1"))
    return here == there
