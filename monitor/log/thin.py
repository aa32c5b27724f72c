"""How a step of thinning turns one channel's old readings into minute means; `retention` says when.

A minute's readings of one quality become one row with mean, lowest, highest and count. A reading
that is alone in its minute with its quality stays as it is: a row of means would be the longer.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from typing import NamedTuple

from monitor.log import chain, leaves
from monitor.log.put import insert
from monitor.log.rows import LIVE, micros
from monitor.log.verify import ChannelAudit
from monitor.log.write import Writer

MINUTE_US = 60_000_000
DAY_US = 86_400_000_000
# Measured (benchmarks/kills.py --sizes): 2,000 readings hold the log for 20 ms, in which no event
# and no call can be written.
STEP_ROWS = 2_000

_NOTED = (
    "coalesce((SELECT n.quality FROM reading_notes n WHERE n.channel = r.channel "
    "AND n.time_us = r.time_us ORDER BY n.noted_us DESC LIMIT 1), r.quality)"
)
# When all of it was known: the last to arrive, or the last quality found out later.
_KNOWN = (
    "max(coalesce(r.received_us, r.time_us), coalesce((SELECT max(n.noted_us) "
    "FROM reading_notes n WHERE n.channel = r.channel AND n.time_us = r.time_us), r.time_us))"
)
# Python's floor, where SQLite's % keeps the sign.
_INTO = f"((time_us % {MINUTE_US} + {MINUTE_US}) % {MINUTE_US})"

_MEANS = f"""
INSERT INTO minutes
SELECT :channel, minute_us + CAST(avg(into_us) AS INTEGER), quality, count(*),
    min(max(avg(value), min(value)), max(value)), min(value), max(value),
    CASE WHEN max(raw IS NOT value) THEN avg(raw) END, max(known_us)
FROM (
    SELECT time_us - {_INTO} AS minute_us, {_INTO} AS into_us, {_NOTED} AS quality, raw,
        coalesce(calibrated, raw) AS value, {_KNOWN} AS known_us
    FROM readings r WHERE channel = :channel AND time_us >= :from_us AND time_us < :to_us
)
GROUP BY minute_us, quality HAVING count(*) > 1
"""
_THINNED = f"""
channel = :channel AND time_us >= :from_us AND time_us < :to_us AND EXISTS (
    SELECT 1 FROM minutes m WHERE m.channel = r.channel AND m.quality = {_NOTED}
    AND m.time_us >= r.time_us - {_INTO.replace("time_us", "r.time_us")}
    AND m.time_us < r.time_us - {_INTO.replace("time_us", "r.time_us")} + {MINUTE_US}
)
"""


class Span(NamedTuple):
    """What one step looks through: a channel's time, whole minutes, the end not included."""

    channel: int
    from_us: int
    to_us: int


class ThinningStep(NamedTuple):
    """What one step did.

    Attributes:
        readings: taken away.
        minutes: means that stand in their place.
    """

    readings: int
    minutes: int


def next_span(
    connection: sqlite3.Connection, before_us: int, seen_us: Mapping[int, int]
) -> Span | None:
    """Return what the next step looks through, or None where nothing so old is left.

    What comes later for a time that was thinned already stays as it came: were it merged, a
    retained message that a broker repeats would count anew each time.

    Args:
        connection: the log.
        before_us: readings from here on stay; a whole minute [us].
        seen_us: by channel, up to where was looked in vain since the start [us].

    Returns:
        At most `STEP_ROWS` readings of one live channel, but at least a minute.
    """
    channels = connection.execute(
        "SELECT id, (SELECT max(to_us) FROM thinnings WHERE channel = channels.id) "
        "FROM channels WHERE source = ? ORDER BY id",
        (LIVE,),
    ).fetchall()
    for channel, thinned_us in channels:
        from_us = max(
            seen_us.get(channel, -(2**62)), -(2**62) if thinned_us is None else thinned_us
        )
        (first_us,) = connection.execute(
            "SELECT min(time_us) FROM readings WHERE channel = ? AND time_us >= ? AND time_us < ?",
            (channel, from_us, before_us),
        ).fetchone()
        if first_us is None:
            continue
        beyond = connection.execute(
            "SELECT time_us FROM readings WHERE channel = ? AND time_us >= ? AND time_us < ? "
            "ORDER BY time_us LIMIT 1 OFFSET ?",
            (channel, first_us, before_us, STEP_ROWS),
        ).fetchone()
        begin_us = first_us - first_us % MINUTE_US
        end_us = before_us
        if beyond is not None:
            end_us = max(beyond[0] - beyond[0] % MINUTE_US, begin_us + MINUTE_US)
        return Span(channel, begin_us, end_us)
    return None


def thin(connection: sqlite3.Connection, span: Span, keep_days: int, now_us: int) -> ThinningStep:
    """Put means in the place of readings; the caller holds the write lock (BEGIN IMMEDIATE).

    Args:
        connection: the log.
        span: of `next_span`.
        keep_days: how long readings are kept whole, to be written beside it [days].
        now_us: [us].

    Returns:
        What was done; (0, 0) leaves no row behind.
    """
    bounds = span._asdict()
    look = ChannelAudit(connection, span.channel, live=True)
    first, last = span.from_us // MINUTE_US, span.to_us // MINUTE_US
    look.run(first, last, leaves.leaves_of(connection, first, last).get(span.channel, []))
    if look.faults:  # what was forged stays whole, for all to see
        return ThinningStep(0, 0)
    minutes = connection.execute(_MEANS, bounds).rowcount
    if not minutes:
        return ThinningStep(0, 0)
    (readings,) = connection.execute(
        f"SELECT count(*) FROM readings r WHERE {_THINNED}", bounds
    ).fetchone()
    row = insert(
        connection,
        "thinnings",
        **bounds,
        readings=readings,
        minutes=minutes,
        keep_days=keep_days,
        thinned_us=now_us,
    )
    chain.append(connection, "thinning", row)
    gone = connection.execute(f"DELETE FROM readings AS r WHERE {_THINNED}", bounds).rowcount
    (stand,) = connection.execute(
        "SELECT sum(count) FROM minutes WHERE channel = :channel AND time_us >= :from_us "
        "AND time_us < :to_us",
        bounds,
    ).fetchone()
    if not gone == readings == stand:
        raise sqlite3.IntegrityError(
            f"thinning would take {gone} readings away and keep the means of {stand}"
        )
    connection.execute(
        "DELETE FROM reading_notes WHERE channel = :channel AND time_us >= :from_us "
        "AND time_us < :to_us AND NOT EXISTS (SELECT 1 FROM readings r "
        "WHERE r.channel = reading_notes.channel AND r.time_us = reading_notes.time_us)",
        bounds,
    )
    chain.append(connection, "means", row)
    return ThinningStep(readings, minutes)


class Thinner:
    """Thins an open log a little at a time. Door: `step`; `retention.Retention` says when."""

    def __init__(self, writer: Writer, now_s: Callable[[], float]) -> None:
        """Prepare; nothing is thinned yet."""
        self._writer = writer
        self._now_s = now_s
        self._looked_us: dict[int, int] = {}

    def step(self, before_s: float, keep_days: int) -> ThinningStep | None:
        """Put minute means in the place of a few old live readings.

        Args:
            before_s: readings from this minute on stay [s].
            keep_days: how long readings are kept whole, to be written beside it [days].

        Returns:
            What was done, (0, 0) where there was nothing to gain; None once no step is left.

        Raises:
            LogRefused: the disk refuses; nothing was thinned.
        """
        file = self._writer.file
        before_us = micros(before_s) // MINUTE_US * MINUTE_US
        with file.asking():
            span = next_span(file.connection, before_us, self._looked_us)
        if span is None:
            return None
        done = ThinningStep(0, 0)

        def put() -> None:
            nonlocal done
            done = thin(file.connection, span, keep_days, micros(self._now_s()))

        self._writer.commit("this thinning", put)
        if not done.readings:
            self._looked_us[span.channel] = span.to_us
        return done
