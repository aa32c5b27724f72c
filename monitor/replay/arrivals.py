"""When each row of a recording came, by the recording's own order and an offset for each clock.

Stands between a recording and the enclosure: live, age goes by arrival; here this module says what
the arrival was, so that one body's wrong clock changes nothing for another.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from statistics import median
from typing import NamedTuple

from sensors.reading import Quality, Reading

LOOK_AHEAD_ROWS = 256
"""How many rows are read ahead to tell a late row or a wrong clock from a gap [-]."""

APART_S = 90.0
"""Rows of two clocks may be this far out of order, or two usual intervals, without a word [s]."""

SET_AFTER_S = 90.0
_INTERVALS_KEPT = 9
_STEADY_ROWS = 3


class Placed(NamedTuple):
    """One row with its place in time.

    Attributes:
        readings: what its cells said, by the recording's clock; empty cells are left out.
        time_s: when they were measured, by the recording's clock [s].
        now_s: when the row came, by the same; never goes back save where `clock_set` [s].
        clock_set: True where the recording's clock was set back before this row.
    """

    readings: list[Reading]
    time_s: float
    now_s: float
    clock_set: bool = False


class _Clock:
    """One clock that stamps rows: of a logger, or of every body that shares rows with another."""

    __slots__ = ("ahead_s", "behind_s", "came_s", "gone_on_s", "intervals", "newest_s", "steady")

    def __init__(self) -> None:
        self.newest_s = -math.inf  # its own newest stamp
        self.ahead_s = 0.0  # how far it is ahead of the recording's clock
        self.came_s = -math.inf  # when its newest row came, by the recording's clock
        self.intervals: deque[float] = deque(maxlen=_INTERVALS_KEPT)
        self.steady = 0  # rows in succession that came equally late
        self.behind_s: float | None = None
        self.gone_on_s = 0.0

    def usual_s(self) -> float:
        return median(self.intervals) if self.intervals else 0.0

    def apart_s(self) -> float:
        return max(APART_S, 2.0 * self.usual_s())


class _Row(NamedTuple):
    own_s: float
    clock: str
    readings: list[Reading]


class Arrivals:
    """Yields a recording's rows in file order, each with when it came.

    A row behind its own clock's newest is late, unless that clock goes on from there for 90 s and
    two usual intervals without coming back by a jump: then it was set back. A clock whose rows run
    ahead of what most others still write, or stay equally far behind, has an offset of its own.
    Only where every clock was set back alike, that is the recording's.

    Attributes:
        now_s: when the newest row came; minus infinity before the first [s].
        clock_sets: how often the recording's clock was set back.
    """

    def __init__(self, rows: Iterable[Sequence[Reading]]) -> None:
        """Take rows, each of one time; rows without readings are left out."""
        self.now_s = -math.inf
        self.clock_sets = 0
        self._rows = rows
        self._window: deque[_Row] = deque()
        self._clocks: dict[str, _Clock] = {}
        self._names: dict[tuple[str, ...], str] = {}
        self._shared: dict[str, str] = {}

    def __iter__(self) -> Iterator[Placed]:
        window = self._window
        for readings in self._rows:
            if not readings:
                continue
            said = [each for each in readings if each.quality is not Quality.STALE]
            bodies = tuple([each.point for each in said])
            window.append(
                _Row(readings[0].time_s, self._names.get(bodies) or self._name(bodies), said)
            )
            if len(window) > LOOK_AHEAD_ROWS:
                yield self._place(window.popleft())
        while window:
            yield self._place(window.popleft())

    # Clocks ---------------------------------------------------------------------------------

    def _name(self, bodies: tuple[str, ...]) -> str:
        """Find the clock of bodies that stand in one row, and make it theirs alone.

        A row in which nobody said anything has a clock of its own, the empty name.
        """
        names = {self._root(body) for body in bodies} or {""}
        chosen = min(names, key=lambda name: -self._of(name).newest_s)
        for other in names - {chosen}:
            self._shared[other] = chosen
            self._clocks.pop(other, None)
        self._names = {kept: self._root(name) for kept, name in self._names.items()}
        self._names[bodies] = chosen
        self._clocks.setdefault(chosen, _Clock())
        return chosen

    def _root(self, body: str) -> str:
        while body in self._shared:
            body = self._shared[body]
        return body

    def _of(self, name: str) -> _Clock:
        return self._clocks.get(name) or self._clocks.setdefault(self._root(name), _Clock())

    # One row --------------------------------------------------------------------------------

    def _place(self, row: _Row) -> Placed:
        clock = self._of(row.clock)
        own_s = row.own_s
        clock_set = False
        if own_s < clock.newest_s:
            if not self._was_set(clock, own_s):
                return self._placed(row, clock)
            clock_set = self._set_back(clock, own_s)
        elif len(self._clocks) > 1:
            self._compare(clock, own_s)
        if clock.newest_s < own_s < math.inf and math.isfinite(clock.newest_s):
            clock.intervals.append(own_s - clock.newest_s)
        clock.behind_s, clock.gone_on_s = None, 0.0
        clock.newest_s = own_s
        self.now_s = max(self.now_s, own_s - clock.ahead_s)
        clock.came_s = self.now_s
        return self._placed(row, clock, clock_set)

    def _placed(self, row: _Row, clock: _Clock, clock_set: bool = False) -> Placed:
        time_s = row.own_s - clock.ahead_s
        readings = row.readings
        if clock.ahead_s:
            readings = [replace(each, time_s=time_s, received_s=time_s) for each in readings]
        return Placed(readings, time_s, self.now_s, clock_set)

    # A clock beside the others --------------------------------------------------------------

    def _compare(self, clock: _Clock, own_s: float) -> None:
        """Give a clock its offset where its row stands too far from the others' rows."""
        if not math.isfinite(self.now_s):
            self._begin(clock, own_s)
            return
        at_s, apart_s = own_s - clock.ahead_s, clock.apart_s()
        if at_s > self.now_s + apart_s:
            clock.steady = 0
            before_s = self._others_before(clock, at_s, apart_s)
            if before_s is not None:
                clock.ahead_s = own_s - max(before_s, self.now_s)
        elif at_s < self.now_s - apart_s:
            if not math.isfinite(clock.newest_s):
                if any(self._of(row.clock) is not clock for row in self._window):
                    clock.ahead_s = own_s - self.now_s
                return
            step_s, moved_s = own_s - clock.newest_s, self.now_s - clock.came_s
            clock.steady = clock.steady + 1 if abs(moved_s - step_s) <= 0.5 * step_s else 0
            if clock.steady >= _STEADY_ROWS:
                clock.ahead_s, clock.steady = own_s - self.now_s, 0
        else:
            clock.steady = 0

    def _begin(self, clock: _Clock, own_s: float) -> None:
        """Give the first row's clock its offset where it alone stays behind the others'.

        Its next row comes after theirs and yet is before them: no time has passed between.
        """
        firsts: dict[str, float] = {}
        for row in self._window:
            if self._of(row.clock) is clock:
                apart_s = max(APART_S, 2.0 * (row.own_s - own_s))
                later = [each for each in firsts.values() if each > row.own_s + apart_s]
                if 2 * len(later) > len(firsts):
                    clock.ahead_s = own_s - min(later)
                return
            firsts.setdefault(row.clock, row.own_s)

    def _others_before(self, clock: _Clock, at_s: float, apart_s: float) -> float | None:
        """Return where most other clocks go on, where that is well before `at_s`; else None."""
        following: dict[str, float] = {}
        for row in self._window:
            other = self._of(row.clock)
            if other is clock or row.clock in following or row.own_s < other.newest_s:
                continue
            following[row.clock] = row.own_s - other.ahead_s
            if len(following) == len(self._clocks) - 1:
                break
        before = [
            each for each in following.values() if self.now_s - apart_s <= each < at_s - apart_s
        ]
        return min(before) if 2 * len(before) > len(following) else None

    # A clock beside its own past ------------------------------------------------------------

    def _was_set(self, clock: _Clock, own_s: float) -> bool:
        """Whether rows behind a clock's newest have gone on for so long that they are no late ones.

        They are late where a row of the same clock that follows comes back by a jump.
        """
        usual_s = clock.usual_s()
        if clock.behind_s is not None:
            step_s = own_s - clock.behind_s
            clock.gone_on_s = clock.gone_on_s + step_s if step_s >= 0.0 else 0.0
        clock.behind_s = own_s
        if clock.gone_on_s < max(SET_AFTER_S, 2.0 * usual_s):
            return False
        before_s = own_s
        for row in self._window:
            if self._of(row.clock) is not clock:
                continue
            if row.own_s > clock.newest_s:
                return row.own_s - before_s <= 1.5 * usual_s
            before_s = row.own_s
        return True

    def _set_back(self, clock: _Clock, own_s: float) -> bool:
        """Take a clock that was set back at its word; return whether it is the recording's."""
        clock.ahead_s = by_s = own_s - self.now_s
        heard = [each for each in self._clocks.values() if math.isfinite(each.newest_s)]
        if any(abs(each.ahead_s - by_s) > each.apart_s() for each in heard):
            return False
        for each in heard:
            each.ahead_s -= by_s
            each.came_s = own_s
        self.now_s = own_s
        self.clock_sets += 1
        return True
