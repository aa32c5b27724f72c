"""Whether the call on the screen still rests on readings that come, and how old its newest one is.

Each point that the call needs is judged by its own pace: a plank that speaks once a minute says
nothing of the air.

A value counts until its `max_age` has passed, so a GO may stand for 90 s after the last reading.
The call stays as the rules have it; here is only told that nothing renews it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.contract import GO_ASKED
from monitor.screen.phrases import DO_NOT_TRUST
from monitor.snapshot import PointHealth, Snapshot
from monitor.wire import time_in
from rules.call import Call
from rules.text import clean, duration_text
from sensors.reading import Quantity

# Common practice, no source: one reading may be lost and one be late before anybody is told.
QUIET_INTERVALS = 2.5
QUIET_LEAST_S = 30.0  # sensors that speak every few seconds may pause that long

_CLIMATE = (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP)


def newest_age_s(snapshot: Snapshot) -> float | None:
    """Return how old the newest reading is that a call can rest on, or None without any [s]."""
    return _youngest_s(point for point in snapshot.points if point.quantity in _CLIMATE)


def is_renewed(snapshot: Snapshot, section: str | None = None) -> bool:
    """Return whether readings come, and fresh: linked, not behind, and no required point overdue.

    Args:
        snapshot: of one enclosure.
        section: whose call is meant; None for the enclosure's, on which every point bears.
    """
    if snapshot.recorded:
        return True
    soon = not snapshot.is_behind
    return snapshot.link_ok and soon and not _overdue(snapshot, section)


def _points(snapshot: Snapshot, section: str | None = None) -> list[PointHealth]:
    """The points that a call rests on: those inside and required, or all where none is."""
    points = [
        point
        for point in snapshot.points
        if point.quantity in _CLIMATE and (section is None or point.section in (None, section))
    ]
    points = [point for point in points if not point.is_out] or points
    return [point for point in points if point.required] or points


def _overdue(snapshot: Snapshot, section: str | None = None) -> list[PointHealth]:
    """The points of a call that have been silent too long for their own usual interval.

    One that never spoke, or but once, is not among them: the call's own reason tells of it.
    """
    return [
        point
        for point in _points(snapshot, section)
        if point.age_s is not None
        and point.usual_s is not None
        and point.age_s > max(QUIET_LEAST_S, QUIET_INTERVALS * point.usual_s)
    ]


def _youngest_s(points: Iterable[PointHealth]) -> float | None:
    return min((point.age_s for point in points if point.age_s is not None), default=None)


def quiet_text(snapshot: Snapshot, *, long: bool = False) -> str:
    """Return that nothing renews the call and how old its newest reading is; "" where all is well.

    Args:
        snapshot: of one enclosure.
        long: with what that means for the call.
    """
    if is_renewed(snapshot):
        return ""
    age_s: float | None
    if snapshot.link_ok and snapshot.is_behind:
        what, age_s = "BEHIND", max(snapshot.intake_delay_s, newest_age_s(snapshot) or 0.0)
    elif snapshot.link_ok and (slow := _slow(_overdue(snapshot))):
        return f"{slow}. {_stands(snapshot, 'it is set')}" if long and snapshot.calls else slow
    elif snapshot.link_ok:
        overdue = _overdue(snapshot)
        what, age_s = _which(snapshot, overdue), _youngest_s(overdue)
    else:
        what, age_s = "NO LINK", newest_age_s(snapshot)
    if age_s is None:
        return f"{what}: no reading yet"
    text = f"{what}: last reading {duration_text(age_s)} ago"
    if not long or not snapshot.calls:
        return text
    return f"{text}. {_stands(snapshot, 'readings are back')}"


def _stands(snapshot: Snapshot, until: str) -> str:
    call = snapshot.calls[0].call
    return DO_NOT_TRUST if call is Call.GO else f"This {call.value} stands until {until}."


def _slow(overdue: list[PointHealth]) -> str:
    """That a clock is slow where nothing else is why readings are too old; else ""."""
    if not overdue or any(point.clock_slow_s is None for point in overdue):
        return ""
    worst = max(overdue, key=lambda point: point.clock_slow_s or 0.0)
    slow = duration_text(worst.clock_slow_s or 0.0)
    return f"OLD READINGS: the clock of {clean(worst.point)} is {slow} slow"


def _which(snapshot: Snapshot, overdue: list[PointHealth]) -> str:
    """That nothing comes, and from which points where others are still heard."""
    silent = list(dict.fromkeys(point.point for point in overdue))
    if len(silent) == len({point.point for point in _points(snapshot)}):
        return "NOTHING NEW"
    more = f" and {len(silent) - 1} more" if len(silent) > 1 else ""
    return f"NOTHING NEW from {clean(silent[0])}{more}"


class QuietLines:
    """Tells once where readings stop coming, and once where they come again: for plain output."""

    def __init__(self) -> None:
        self._quiet: set[str] = set()

    def news(self, snapshots: Mapping[str, Snapshot]) -> list[str]:
        """Return a line for each enclosure in which that has changed since the last look.

        One that has never been heard is told of by its call's own reason.
        """
        lines = []
        for name, snapshot in snapshots.items():
            # Probes that are out on purpose are told of by the call's own reason, and once.
            all_out = all(point.is_out for point in _points(snapshot))
            text = "" if all_out else quiet_text(snapshot, long=True)
            if bool(text) == (name in self._quiet) or newest_age_s(snapshot) is None:
                continue
            call = snapshot.calls[0]
            word = call.call.value
            if text:
                self._quiet.add(name)
                word = GO_ASKED if call.call is Call.GO else word
                if not snapshot.link_ok and snapshot.link:
                    text += f" ({clean(snapshot.link).rstrip('.')})"
            else:
                self._quiet.discard(name)
                text = "readings are back"
            at = time_in(snapshot.time_s, snapshot.timezone)
            lines.append(f"{at}  {word:<4}  {name}/{call.section}: {text}")
        return lines
