"""Whether the call on the screen still rests on readings that come, and how old its newest one is.

A value counts until its `max_age` has passed, so a GO may stand for 90 s after the last reading.
The call stays as the rules have it; here is only told that nothing renews it.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.snapshot import Snapshot
from monitor.theme import Theme, clean
from monitor.wire import iso_utc
from rules.call import Call
from sensors.reading import Quality, Quantity

# Common practice, no source: one reading may be lost and one be late before anybody is told.
QUIET_INTERVALS = 2.0
QUIET_LEAST_S = 30.0  # sensors that speak every few seconds may pause that long

_CLIMATE = (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP)


def newest_age_s(snapshot: Snapshot) -> float | None:
    """Return how old the newest reading is that a call can rest on, or None without any [s]."""
    ages = [
        point.age_s
        for point in snapshot.points
        if point.quantity in _CLIMATE and point.age_s is not None
    ]
    return min(ages, default=None)


def is_renewed(snapshot: Snapshot) -> bool:
    """Return whether readings come: the link stands, and the quickest point is not overdue."""
    if snapshot.recorded:
        return True
    if not snapshot.link_ok:
        return False
    age_s = newest_age_s(snapshot)
    quickest_s = _quickest_s(snapshot)
    if age_s is None or quickest_s is None:
        return True  # the limits are unknown, and the call's own reason says so
    return age_s <= max(QUIET_LEAST_S, QUIET_INTERVALS * quickest_s)


def _quickest_s(snapshot: Snapshot) -> float | None:
    """The usual interval of the quickest point that is well, or of all where none is [s]."""
    points = [p for p in snapshot.points if p.quantity in _CLIMATE and p.usual_s is not None]
    well = [p for p in points if p.quality is Quality.OK]
    return min((p.usual_s for p in well or points if p.usual_s is not None), default=None)


def quiet_text(snapshot: Snapshot, theme: Theme, *, long: bool = False) -> str:
    """Return that nothing renews the call and how old its newest reading is; "" where all is well.

    Args:
        snapshot: of one enclosure.
        theme: for the words.
        long: with what that means for the call.
    """
    if is_renewed(snapshot):
        return ""
    say, age_s = theme.words.say, newest_age_s(snapshot)
    what = say("quiet-link" if not snapshot.link_ok else "quiet-points")
    if age_s is None:
        return say("quiet-never", what=what)
    key = "quiet-long" if long and snapshot.calls else "quiet"
    call = snapshot.calls[0].call.value if snapshot.calls else ""
    return say(key, what=what, age=theme.words.duration(age_s), call=call)


class QuietLines:
    """Tells once where readings stop coming, and once where they come again: for plain output."""

    def __init__(self, theme: Theme) -> None:
        self._theme = theme
        self._quiet: set[str] = set()

    def news(self, snapshots: Mapping[str, Snapshot]) -> list[str]:
        """Return a line for each enclosure in which that has changed since the last look.

        One that has never been heard is told of by its call's own reason.
        """
        lines = []
        for name, snapshot in snapshots.items():
            text = quiet_text(snapshot, self._theme, long=True)
            if bool(text) == (name in self._quiet) or newest_age_s(snapshot) is None:
                continue
            call = snapshot.calls[0]
            word = call.call.value
            if text:
                self._quiet.add(name)
                word += "?" if call.call is Call.GO else ""
                if not snapshot.link_ok and snapshot.link:
                    text += f" ({clean(snapshot.link).rstrip('.')})"
            else:
                self._quiet.discard(name)
                text = self._theme.words.say("quiet-over")
            lines.append(f"{iso_utc(snapshot.time_s)}  {word:<4}  {name}/{call.section}: {text}")
        return lines
