"""The outlook of a replay: from the recording's own past, every ten minutes of its time.

Nothing is read from the log, so that a recording tells the same with a log and without one.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

import numpy as np

from monitor.config.model import EnclosureConfig
from monitor.enclosure import Enclosure, Intake
from monitor.films import FilmKeeper
from monitor.outlook.clocks import bands_of, temperature_outlook
from monitor.outlook.make import breaks_of
from monitor.outlook.prior import shipped_priors
from monitor.outlook.read import Floats, believable, told_of
from monitor.snapshot import OutlookBands
from rules.clocks.stages import stage_of
from rules.outlook.damped_trend import LEAST_CELLS, MOST_CELLS
from rules.outlook.members import outlook_of_log
from rules.outlook.track import CELL_S, TooLittleLog, cell_means, measured_cells, usual_interval_s
from rules.outlook.windows import judge_starts, last_start
from rules.trend import EarlierOutlook
from rules.vocabulary import ALL_SECTIONS
from sensors.faults import max_age_s
from sensors.reading import Quality, Quantity

EVERY_S = 600.0
_WANTED = (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP)


class ReplayOutlook:
    """Keeps the means of eight days and makes outlooks of them.

    Attributes:
        bands: the next hours of each section, for the screen.
        made: outlooks so far, over all sections.
    """

    def __init__(self, config: EnclosureConfig, keeper: FilmKeeper) -> None:
        self.bands: dict[str, OutlookBands] = {}
        self.made = 0
        self._config = config
        self._keeper = keeper
        self._rules = {(point.name, point.quantity): point.rules for point in config.points}
        self._cells: dict[tuple[str, Quantity], deque[list[float]]] = {}
        self._first_s = math.inf
        self._due_s = math.inf

    def take(self, taken: Intake) -> None:
        """Add what was believed of a row to the means."""
        for reading, value in zip(taken.kept, taken.used, strict=True):
            quantity = reading.quantity
            if quantity not in _WANTED or reading.quality is not Quality.OK:
                continue
            low, high = believable(quantity)
            if not low <= value <= high:
                continue
            cell = math.ceil(reading.time_s / CELL_S)
            cells = self._cells.setdefault((reading.point, quantity), deque(maxlen=MOST_CELLS))
            if not cells or cells[-1][0] < cell:
                cells.append([cell, value, 1.0])
            elif cells[-1][0] == cell:
                cells[-1][1] += value
                cells[-1][2] += 1.0
            self._first_s = min(self._first_s, reading.time_s)

    def look(self, enclosure: Enclosure) -> None:
        """Make the outlook anew where ten minutes have gone by and a day is known."""
        now_s = enclosure.now_s
        if self._due_s - now_s > EVERY_S:  # at first, and after the clock was set back
            self._due_s = now_s
        if now_s < self._due_s or now_s - self._first_s < LEAST_CELLS * CELL_S:
            return
        self._due_s = now_s + EVERY_S
        for name in enclosure.sections:
            self._look_at(enclosure, name, now_s)

    def clock_jumped(self) -> None:
        """Forget everything: the past is of another clock."""
        self._cells.clear()
        self.bands.clear()
        self._first_s = self._due_s = math.inf

    def _look_at(self, enclosure: Enclosure, name: str, now_s: float) -> None:
        keeper, section = self._keeper, enclosure.sections[name]
        asked = None if name == ALL_SECTIONS else name
        section.ahead = None
        self.bands.pop(name, None)
        try:
            end_s = self._end_s(now_s)
            told = told_of(
                self._column, self._found(), asked, enclosure.name, end_s, self._count(end_s),
                self._config,
            )  # fmt: skip
            outlook = outlook_of_log(told.track, shipped_priors())
        except TooLittleLog:
            keeper.look_ahead(name, None)
            return
        self.made += 1
        keeper.look_ahead(name, temperature_outlook(outlook))
        clocks = keeper.clocks(name, now_s)
        state = stage_of(name, keeper.events, keeper.default_spec, clocks, now_s)
        _, breaks = breaks_of(
            outlook, state, keeper.specs, keeper.default_spec, clocks, self._config
        )
        last = None
        if state.film_stage is None and not state.coating_forbidden:
            spec = state.next_spec(keeper.specs, keeper.default_spec)
            starts = judge_starts(outlook, spec, coating_time_s=self._config.coating_time_s)
            last = last_start(starts, self._config.break_probability)
        section.ahead = EarlierOutlook(
            now_s,
            state.stage,
            outlook.looked_ahead_s,
            breaks,
            outlook.source,
            None if last is None else now_s + last.start_s,
            None if last is None else last.limit,
        )
        self.bands[name] = bands_of(outlook, None, now_s)

    def _end_s(self, now_s: float) -> float:
        """The end of the last whole cell, or of the newest where rows come too seldom."""
        whole = math.floor(now_s / CELL_S)
        newest = max((cells[-1][0] for cells in self._cells.values()), default=whole)
        filled = any(each[0] == whole for cells in self._cells.values() for each in cells)
        return (whole if filled else max(whole, newest)) * CELL_S

    def _found(self) -> Mapping[Quantity, list[str]]:
        found: dict[Quantity, list[str]] = {}
        for point, quantity in self._cells:
            found.setdefault(quantity, []).append(point)
        return found

    def _count(self, end_s: float) -> int:
        return int(min(MOST_CELLS, (end_s - self._first_s) // CELL_S + 1))

    def _column(self, name: str, quantity: Quantity, count: int, end_s: float) -> Floats:
        rows = np.array(self._cells[name, quantity], dtype=np.float64).reshape(-1, 3)
        # The middle of each cell stands for its mean.
        times = (rows[:, 0] - 0.5) * CELL_S
        past = times < end_s
        means = cell_means(times[past], rows[past, 1] / rows[past, 2], end_s, count)
        usual_s = usual_interval_s(means, float(rows[past, 2].sum()))
        return measured_cells(means, max_age_s(self._rules[name, quantity], usual_s))
