"""When old readings become minute means, in small steps beside a running watch, and what room the
log will want; `thin` holds a step."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from math import inf
from typing import Protocol

from monitor.log.log import Store
from monitor.log.rows import LIVE, LogRefused, span_us
from monitor.log.thin import DAY_US, MINUTE_US, ThinningStep
from rules.errors import FilmcallError
from rules.units import DAY_S

# Long enough that a job can be laid beside the same month of the year before.
KEEP_RAW_DAYS = 400
# Two seconds are also the time between two commits of readings, so a step costs no wait of its own.
STEP_EVERY_S = 2.0
LOOK_EVERY_S = 3600.0
REFUSED_S = 60.0
# `python -m benchmarks.kills --sizes` measures 38 bytes a reading at 10 s that was neither
# calibrated nor timed by its sensor, which add 9 and 8, and 108 a mean: 29 and 56 of them their
# rows, the rest their leaves, which thinning keeps.
READING_BYTES = 40.0
MINUTE_BYTES = 110.0
# A call's or event's row without its text, its index entries and its place in the chain.
ROW_BYTES = 330.0
# Less than this of log says nothing about a day.
LEAST_SPAN_S = 600.0


class Thinning(Protocol):
    """The part of a log that thins; `log.Store` is it."""

    def days_kept_s(self, now_s: float, days: int) -> float | None:
        """Return the begin of the last so many days that have readings."""
        ...

    def thin_step(self, before_s: float, keep_days: int) -> ThinningStep | None:
        """Thin a little."""
        ...


class Retention:
    """Thins a log a little at a time; the loop that owns the log calls `look` each turn.

    Attributes:
        readings: taken away since the start.
        minutes: means put in their place.
        fault: why the log last refused a step, or "".
    """

    def __init__(self, log: Thinning, keep_days: float | None = KEEP_RAW_DAYS) -> None:
        """Prepare; nothing is thinned yet.

        Args:
            log: the open log.
            keep_days: how long readings stay whole, whole days of 1 or more; None for ever.

        Raises:
            FilmcallError: no such time.
        """
        if keep_days is not None and not (keep_days >= 1.0 and float(keep_days).is_integer()):
            raise FilmcallError(
                f"keep_raw {keep_days:g} days is not a whole number of days of 1 or more, so no "
                f'reading is thinned. Write it like keep_raw = "{KEEP_RAW_DAYS} days".'
            )
        self.readings = 0
        self.minutes = 0
        self.fault = ""
        self._log = log
        self._keep_days = None if keep_days is None else int(keep_days)
        self._before_s: float | None = None
        self._next_s = -inf

    def look(self, now_s: float) -> bool:
        """Take one step where one is due.

        Args:
            now_s: of a clock that is not known to be wrong [s].

        Returns:
            Whether readings were thinned.
        """
        if self._keep_days is None:
            return False
        # A clock that was set back must not put the next step off for years.
        if now_s < self._next_s <= now_s + LOOK_EVERY_S:
            return False
        try:
            if self._before_s is None:
                self._before_s = self._log.days_kept_s(now_s, self._keep_days)
            done = None
            if self._before_s is not None:
                done = self._log.thin_step(self._before_s, self._keep_days)
        except LogRefused as fault:
            self.fault = str(fault)
            self._next_s = now_s + REFUSED_S
            return False
        self.fault = ""
        if done is None:
            self._before_s = None
            self._next_s = now_s + LOOK_EVERY_S
            return False
        self.readings += done.readings
        self.minutes += done.minutes
        self._next_s = now_s + STEP_EVERY_S
        return done.readings > 0


@dataclass(frozen=True, slots=True)
class Forecast:
    """What room a log will want.

    Attributes:
        bytes_a_day: by which it grows now [byte].
        bytes_a_day_thinned: by which it grows once the oldest readings are thinned day by day.
        days_until_full: until the disk has no room left, infinite where it always will [day].
        full_bytes: what readings kept whole take at their most, or None where all are kept.
        free_bytes: on the disk, and given back inside the file.
    """

    bytes_a_day: float
    bytes_a_day_thinned: float
    days_until_full: float
    full_bytes: float | None
    free_bytes: float


def forecast(
    log: Store,
    keep_days: float | None = KEEP_RAW_DAYS,
    *,
    now_s: float | None = None,
    free_bytes: float | None = None,
) -> Forecast:
    """Return how fast a log grows and when its disk is full, going by its last day of readings.

    Args:
        log: open, to read is enough.
        keep_days: after which readings are thinned, None for never [day].
        now_s: readings after this are of a clock that was ahead, and left out [s].
        free_bytes: room on the disk, or None to ask the disk [byte].

    Returns:
        The forecast; a log with under 10 min of readings grows by nothing.

    Raises:
        LogRefused: the log cannot be read.
    """
    if free_bytes is None:
        free_bytes = float(shutil.disk_usage(log.path.absolute().parent).free)
    (pages,) = log.file.rows("PRAGMA freelist_count")[0]
    (page_bytes,) = log.file.rows("PRAGMA page_size")[0]
    free_bytes += pages * page_bytes
    whole, means, rows = _last_day(log, span_us(None, now_s)[1])
    readings = whole * READING_BYTES
    growth = readings + rows
    if keep_days is None:
        days = free_bytes / growth if growth else inf
        return Forecast(growth, growth, days, None, free_bytes)
    thinned = means + rows
    days_left = max(0.0, keep_days - _days_of_whole(log))
    if growth == 0.0 or free_bytes <= growth * days_left:
        days = free_bytes / growth if growth else inf
    else:
        rest = free_bytes - growth * days_left
        days = days_left + (rest / thinned if thinned else inf)
    return Forecast(growth, thinned, days, readings * keep_days, free_bytes)


def _last_day(log: Store, until_us: int) -> tuple[float, float, float]:
    """Readings a day; bytes a day that they take as means; bytes a day of calls and events."""
    (newest_us,) = log.file.rows(
        "SELECT max((SELECT max(time_us) FROM readings WHERE channel = c.id AND time_us <= ?2)) "
        "FROM channels c WHERE c.source = ?1",
        LIVE,
        until_us,
    )[0]
    if newest_us is None:
        return 0.0, 0.0, 0.0
    from_us = newest_us - DAY_US
    counted = log.file.rows(
        "SELECT (SELECT count(*) FROM readings WHERE channel = c.id AND time_us > ?2 "
        "AND time_us <= ?3), (SELECT min(time_us) FROM readings WHERE channel = c.id "
        "AND time_us > ?2) FROM channels c WHERE c.source = ?1",
        LIVE,
        from_us,
        newest_us,
    )
    first_us = min((first for _, first in counted if first is not None), default=newest_us)
    span_s = (newest_us - first_us) / 1e6
    if span_s < LEAST_SPAN_S:
        return 0.0, 0.0, 0.0
    scale = DAY_S / span_s
    minutes = span_s * 1e6 / MINUTE_US
    # A channel with under one reading a minute is left as it is.
    means = sum(
        minutes * MINUTE_BYTES if count > minutes else count * READING_BYTES for count, _ in counted
    )
    (told,) = log.file.rows(
        "SELECT (SELECT total(length(CAST(body AS BLOB)) + ?2) FROM calls "
        "WHERE logged_us BETWEEN ?3 AND ?4 AND source = ?1) + "
        "(SELECT total(length(CAST(note AS BLOB)) + ?2) FROM events "
        "WHERE recorded_us BETWEEN ?3 AND ?4 AND source = ?1)",
        LIVE,
        ROW_BYTES,
        from_us,
        newest_us,
    )[0]
    return sum(count for count, _ in counted) * scale, means * scale, float(told) * scale


def _days_of_whole(log: Store) -> float:
    """For how many days readings are kept whole already."""
    low, _ = span_us(None, None)
    found = log.file.rows(
        "SELECT max((SELECT max(time_us) FROM readings WHERE channel = c.id) - "
        "(SELECT min(time_us) FROM readings WHERE channel = c.id AND time_us >= "
        "coalesce((SELECT max(to_us) FROM thinnings WHERE channel = c.id), ?2))) "
        "FROM channels c WHERE c.source = ?1",
        LIVE,
        low,
    )
    return float(found[0][0] or 0) / DAY_US
