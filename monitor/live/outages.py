"""Times of which the log knows less than it should, with the cause that readings cannot tell."""

from __future__ import annotations

from collections.abc import Callable

from monitor.live.restart import CLOCK_SET
from monitor.log.log import Store
from monitor.log.rows import Outage
from rules.reasons import minutes_text

STOPPED_S = 300.0
"""A restart within this is none: slow sensors leave such gaps anyway [s]."""
LINK_LOST = "broker-lost"
LINK_LOST_S = 10.0
"""A link that is back within this has lost nothing that its sensors do not say again [s]."""


def program_stopped(store: Store, now_s: float) -> Outage | None:
    """Return the time in which no program watched before this start, or None.

    It ran at least until the newest reading or call, or until it noted that it had no link to the
    broker; what people recorded meanwhile, another shell wrote.
    """
    newest_s = store.newest_time_s(by_people=False)
    if newest_s is None:
        return None
    unlinked = (each.to_s for each in store.outages(newest_s) if each.what == LINK_LOST)
    newest_s = max([newest_s, *(to_s for to_s in unlinked if to_s is not None and to_s <= now_s)])
    if now_s - newest_s < STOPPED_S:
        return None
    text = f"no program watched for up to {minutes_text(now_s - newest_s)}, until it was started"
    return Outage("program-stopped", newest_s, now_s, text)


def clock_set(before_s: float, after_s: float, step_s: float) -> Outage:
    """Return the time that a step of the clock left out or told twice."""
    low_s, high_s = sorted((before_s, after_s))
    return Outage(CLOCK_SET, low_s, high_s, f"the clock was set by {step_s:+.0f} s")


class LinkLog:
    """Follows the link to the broker, and tells of each time without it once that has ended."""

    def __init__(self, connected: Callable[[], bool]) -> None:
        self._connected = connected
        self._lost_s: float | None = None

    def look(self, now_s: float) -> Outage | None:
        """Return the time without a link that has just ended, or None.

        Args:
            now_s: now; call this about once a second [s].
        """
        if not self._connected():
            self._lost_s = now_s if self._lost_s is None else self._lost_s
            return None
        return self._over(now_s)

    def end(self, now_s: float) -> Outage | None:
        """Return the time without a link that goes on as the program ends, or None.

        Args:
            now_s: now; whatever happens to the link later is nobody's to know [s].
        """
        return self.look(now_s) or self._over(now_s, ", until the program ended")

    def _over(self, now_s: float, until: str = "") -> Outage | None:
        lost_s, self._lost_s = self._lost_s, None
        # A clock that was set meanwhile is kept as an outage of its own.
        if lost_s is None or now_s - lost_s < LINK_LOST_S:
            return None
        text = f"no link to the broker for {minutes_text(now_s - lost_s)}{until}"
        return Outage(LINK_LOST, lost_s, now_s, text)
