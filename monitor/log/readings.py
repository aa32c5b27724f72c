"""What is asked of the log about readings, kept whole or thinned; `read` has the rest."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import TYPE_CHECKING, NamedTuple

from monitor.log.open import LogFile
from monitor.log.rows import EVER, LIVE, micros, span_us
from monitor.log.thin import DAY_US
from sensors.reading import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Arrays = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8]]
else:
    _Arrays = tuple


class Readings(_Arrays):
    """One channel's readings: unpacks as times [s], values and quality codes, all of one length.

    Where the log was thinned, an entry is the mean of one minute's readings of one quality.

    Attributes:
        counts: how many readings an entry stands for; 1 is one reading, more a minute mean.
        low: lowest of them; the value itself for one reading.
        high: highest of them.
    """

    counts: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    @property
    def thinned(self) -> NDArray[np.bool_]:
        """Which entries are minute means."""
        return self.counts > 1


class MinuteRow(NamedTuple):
    """One minute's readings of one quality, as thinning left them.

    Attributes:
        time_us: mean of their times [us].
        known_us: when the last of them had arrived and its quality was known [us].
        quality: code of `rows.QUALITY_CODES`.
        readings: how many there were.
        mean: of their values after calibration, None where nothing was measured.
        low: lowest of them.
        high: highest of them.
        raw_mean: of their values as they came.
    """

    time_us: int
    known_us: int
    quality: int
    readings: int
    mean: float | None
    low: float | None
    high: float | None
    raw_mean: float | None


class ReadingQueries:
    """The questions about readings; spans include both ends, None leaves an end open.

    Door: `readings` for arrays, `reading_rows` and `minute_rows` for an export of any length.
    """

    def __init__(self, file: LogFile) -> None:
        """Ask an open file."""
        self._file = file

    def readings(
        self,
        enclosure: str,
        point: str,
        quantity: Quantity,
        from_s: float | None = None,
        to_s: float | None = None,
        *,
        source: int = LIVE,
        raw: bool = False,
        known_s: float | None = None,
    ) -> Readings:
        """Return one channel's readings, ordered by time, each with the quality last noted.

        Args:
            enclosure: where.
            point: which sensor body.
            quantity: what.
            from_s: not before this [s].
            to_s: not after this [s].
            source: whose.
            raw: the values as they came, without calibration; of a thinned minute only the mean
                is known so.
            known_s: only what had arrived and been noted by then [s]; None for all that is known.

        Returns:
            Times [s], values [unit of the quantity, NaN where missing], and quality codes of
            `rows.QUALITY_CODES` (0 is ok); its `thinned` tells which are minute means.
        """
        import numpy as np

        low, high = span_us(from_s, to_s)
        known = EVER[1] if known_s is None else micros(known_s)
        channel = self._channel(enclosure, point, quantity, source)
        value = f"coalesce({'raw' if raw else 'calibrated, raw'}, 9e999)"
        # SQLite has no NaN: its NULL travels as infinity, which no kept reading has, and what is
        # not ok as minus infinity at first. Two floats a row are half the work of three numbers,
        # and few readings have another quality than ok. A time in microseconds is exact as a float
        # until the year 2255.
        where = "FROM readings WHERE channel = ? AND time_us BETWEEN ? AND ?"
        values: tuple[int, ...] = (channel, low, high)
        if known_s is not None:
            where += " AND coalesce(received_us, time_us) <= ?"
            values = (*values, known)
        with self._file.asking(), self._file.one_moment():
            asked = self._file.connection.execute
            sql = f"CASE quality WHEN 0 THEN {value} ELSE -9e999 END {where} ORDER BY time_us"
            numbers = chain.from_iterable(asked(f"SELECT time_us * 1.0, {sql}", values))
            table = np.fromiter(numbers, dtype=np.float64).reshape(-1, 2)
            coded: list[tuple[int, int]] = []
            if np.isneginf(table[:, 1]).any():
                sql = f"SELECT time_us, quality, {value} {where} AND quality <> 0"
                for time_us, code, said in asked(sql, values):
                    table[np.searchsorted(table[:, 0], time_us), 1] = said
                    coded.append((time_us, code))
            coded += asked(
                "SELECT time_us, quality FROM reading_notes WHERE channel = ? "
                "AND time_us BETWEEN ? AND ? AND noted_us <= ? ORDER BY noted_us",
                (channel, low, high, known),
            ).fetchall()
            minutes = self._minutes(channel, low, high, known)
        at_us, measured = table[:, 0], table[:, 1].copy()
        measured[np.isinf(measured)] = np.nan
        quality = np.zeros(measured.shape, dtype=np.uint8)
        if coded and at_us.size:
            noted = np.array(coded, dtype=np.float64)
            place = np.minimum(np.searchsorted(at_us, noted[:, 0]), at_us.size - 1)
            there = at_us[place] == noted[:, 0]
            quality[place[there]] = noted[there, 1]  # of several of one reading the last counts
        if not minutes:
            whole = Readings((at_us / 1e6, measured, quality))
            whole.counts = np.broadcast_to(np.int64(1), measured.shape)
            whole.low = whole.high = measured
            return whole
        means = np.array([row.raw_mean if raw else row.mean for row in minutes], dtype=np.float64)
        lows = means if raw else np.array([row.low for row in minutes], dtype=np.float64)
        highs = means if raw else np.array([row.high for row in minutes], dtype=np.float64)
        times_us = np.concatenate((at_us, [row.time_us for row in minutes]))
        order = np.argsort(times_us, kind="stable")
        codes = np.array([row.quality for row in minutes], dtype=np.uint8)
        counts = np.array([row.readings for row in minutes], dtype=np.int64)
        merged = Readings(
            (
                times_us[order] / 1e6,
                np.concatenate((measured, means))[order],
                np.concatenate((quality, codes))[order],
            )
        )
        merged.counts = np.concatenate((np.ones(len(measured), dtype=np.int64), counts))[order]
        merged.low = np.concatenate((measured, lows))[order]
        merged.high = np.concatenate((measured, highs))[order]
        return merged

    def cell_means(
        self,
        enclosure: str,
        point: str,
        quantity: Quantity,
        end_s: float,
        cell_s: float,
        count: int,
        *,
        least: float,
        most: float,
        source: int = LIVE,
    ) -> NDArray[np.float64]:
        """Return the means of a channel's ok values over even cells, reckoned by the database.

        A day of readings every 10 s so takes a third of the time that `readings` does, and leaves
        the interpreter to whoever waits for it.

        Args:
            enclosure: where.
            point: which sensor body.
            quantity: what.
            end_s: the end of the last cell; a reading at it belongs to that cell [s].
            cell_s: length of a cell [s].
            count: how many cells.
            least: values below it do not count [unit of the quantity].
            most: nor those above it.
            source: whose.

        Returns:
            Means [unit of the quantity], NaN where a cell has none; a thinned minute counts once.
        """
        import numpy as np

        channel = self._channel(enclosure, point, quantity, source)
        cell_us, end_us = micros(cell_s), micros(end_s)
        span = (channel, end_us - count * cell_us, end_us)
        means = np.full(count, np.nan)
        with self._file.asking(), self._file.one_moment():
            asked = self._file.connection.execute
            noted, thinned, first = (
                asked(f"SELECT min(time_us) FROM {table} {_SPAN}", span).fetchone()[0]
                for table in ("reading_notes", "minutes", "readings")
            )
            begins = [each for each in (thinned, first) if each is not None]
            filled = (end_us - min(begins, default=end_us)) // cell_us + 1
            rows = _CELL_READINGS.format(quality="quality" if noted is None else _LAST_NOTED)
            if thinned is not None:  # to look for both takes longer
                rows = f"{rows} UNION ALL {_CELL_MINUTES}"
            for back, mean in asked(
                _CELL_MEANS.format(rows=rows),
                (channel, end_us, cell_us, min(count, filled), least, most),
            ):
                means[count - 1 - back] = np.nan if mean is None else mean
        return means

    def count_readings(
        self,
        enclosure: str,
        point: str,
        quantity: Quantity,
        from_s: float,
        to_s: float,
        *,
        source: int = LIVE,
    ) -> int:
        """Return how many readings of a channel lie in a span; a thinned minute counts as one."""
        span = (self._channel(enclosure, point, quantity, source), *span_us(from_s, to_s))
        counts = (
            self._file.rows(f"SELECT count(*) FROM {table} {_SPAN}", *span)[0][0]
            for table in ("readings", "minutes")
        )
        return int(sum(counts))

    def _channel(self, enclosure: str, point: str, quantity: Quantity, source: int) -> int:
        found = self._file.rows(
            "SELECT id FROM channels WHERE source = ? AND enclosure = ? AND point = ? "
            "AND quantity = ?",
            source,
            enclosure,
            point,
            str(quantity),
        )
        return int(found[0][0]) if found else -1

    def _minutes(self, channel: int, low: int, high: int, known: int) -> list[MinuteRow]:
        return [MinuteRow(*row) for row in self._file.rows(_MINUTES, channel, low, high, known)]

    def minute_rows(
        self, channel: int, from_s: float | None = None, to_s: float | None = None
    ) -> Iterator[MinuteRow]:
        """Yield a channel's minute means one by one, in the order of their times."""
        low, high = span_us(from_s, to_s)
        with self._file.asking():
            for row in self._file.connection.execute(_MINUTES, (channel, low, high, EVER[1])):
                yield MinuteRow(*row)

    def reading_rows(
        self,
        channel: int,
        from_s: float | None = None,
        to_s: float | None = None,
    ) -> Iterator[tuple[int, int, float | None, float | None, int]]:
        """Yield a channel's whole readings one by one, for an export of any length.

        Yields:
            Time [us], time received [us], raw value (None where missing), calibrated value, and
            the code of the quality last noted.
        """
        span = (channel, *span_us(from_s, to_s))
        with self._file.asking():
            asked = self._file.connection.execute
            # Few channels have notes, and to look for one at each reading takes a fifth longer.
            noted = asked(f"SELECT 1 FROM reading_notes {_SPAN} LIMIT 1", span).fetchone()
            yield from asked(
                "SELECT time_us, coalesce(received_us, time_us), raw, coalesce(calibrated, raw), "
                f"{_LAST_NOTED if noted else 'quality'} FROM readings r {_SPAN} ORDER BY time_us",
                span,
            )

    def last_reading_s(
        self,
        enclosure: str,
        point: str,
        quantity: Quantity,
        to_s: float | None = None,
        *,
        source: int = LIVE,
    ) -> float | None:
        """Return the time of a channel's last reading, thinned or whole, of whatever quality.

        Args:
            enclosure: where.
            point: which sensor body.
            quantity: what.
            to_s: not after this [s].
            source: whose.

        Returns:
            Its time [s], or None where there is none.
        """
        _, high = span_us(None, to_s)
        ((last_us,),) = self._file.rows(
            "SELECT max(max(coalesce((SELECT max(time_us) FROM readings WHERE channel = c.id "
            "AND time_us <= ?1), ?2), coalesce((SELECT max(time_us) FROM minutes "
            "WHERE channel = c.id AND time_us <= ?1), ?2))) FROM channels c "
            "WHERE source = ?3 AND enclosure = ?4 AND point = ?5 AND quantity = ?6",
            high,
            EVER[0],
            source,
            enclosure,
            point,
            str(quantity),
        )
        return None if last_us in (None, EVER[0]) else last_us / 1e6

    def newest_time_s(self, *, source: int = LIVE, by_people: bool = True) -> float | None:
        """Return the latest time that this machine's clock showed while it wrote, or None.

        A clock that now stands before it was set back, or has not been set since the start.

        Args:
            source: of the rows.
            by_people: count events too that any shell wrote; those of a watch always count.
        """
        (newest,) = self._file.rows(
            "SELECT max(t) FROM ("
            "SELECT (SELECT coalesce(received_us, time_us) FROM readings WHERE channel = c.id "
            "ORDER BY time_us DESC LIMIT 1) AS t FROM channels c WHERE c.source = ?1 "
            "UNION ALL SELECT (SELECT known_us FROM minutes WHERE channel = c.id "
            "ORDER BY time_us DESC LIMIT 1) FROM channels c WHERE c.source = ?1 "
            "UNION ALL SELECT max(logged_us) FROM calls WHERE source = ?1 "
            "UNION ALL SELECT max(logged_us) FROM outages WHERE source = ?1 "
            f"UNION ALL SELECT max(logged_us) FROM alarms WHERE ?1 = {LIVE} "
            "UNION ALL SELECT max(recorded_us) FROM events WHERE source = ?1 "
            "AND (?2 OR station <> ''))",
            source,
            by_people,
        )[0]
        return None if newest is None else newest / 1e6

    def days_kept_s(self, now_s: float, days: int) -> float | None:
        """Return the begin of the last so many days that have live readings, today not counted.

        A winter without readings ages nothing, and neither does a clock that jumps years ahead:
        each such jump is one day more.

        Args:
            now_s: [s]; days after this one are not looked at.
            days: at least 1.

        Returns:
            Begin of the oldest of them (UTC) [s], or None where the log has no older reading.
        """
        before_us = (micros(now_s) // DAY_US + 1) * DAY_US
        for _ in range(days + 1):
            (found,) = self._file.rows(
                "SELECT max((SELECT max(time_us) FROM readings WHERE channel = c.id "
                "AND time_us < ?2)) FROM channels c WHERE c.source = ?1",
                LIVE,
                before_us,
            )[0]
            if found is None:
                return None
            before_us = found // DAY_US * DAY_US
        return before_us / 1e6


_SPAN = "WHERE channel = ? AND time_us BETWEEN ? AND ?"
_LAST_NOTED = (
    "coalesce((SELECT n.quality FROM reading_notes n WHERE n.channel = r.channel "
    "AND n.time_us = r.time_us ORDER BY noted_us DESC LIMIT 1), quality)"
)
_MINUTES = (
    "SELECT time_us, known_us, quality, count, mean, low, high, coalesce(raw_mean, mean) "
    "FROM minutes WHERE channel = ? AND time_us BETWEEN ? AND ? AND known_us <= ? "
    "ORDER BY time_us, quality"
)
_CELL_SPAN = (
    "WHERE channel = ?1 AND time_us > ?2 - (back + 1) * ?3 AND time_us <= ?2 - back * ?3 AND"
)
_CELL_READINGS = (
    f"SELECT coalesce(calibrated, raw) AS value FROM readings r {_CELL_SPAN} {{quality}} = 0 "
    "AND value BETWEEN ?5 AND ?6"
)
_CELL_MINUTES = f"SELECT mean FROM minutes {_CELL_SPAN} quality = 0 AND mean BETWEEN ?5 AND ?6"
_CELL_MEANS = (
    "WITH RECURSIVE cell(back) AS (SELECT 0 UNION ALL SELECT back + 1 FROM cell "
    "WHERE back + 1 < ?4) SELECT back, (SELECT avg(value) FROM ({rows})) FROM cell"
)
