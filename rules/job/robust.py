"""How a plan fares in draws of the weather: when each draw would have the boat done.

In each draw the plan's coats go on at their planned starts, or at the first good one after. What
slips waits for its window and for working hours; it does not queue for people, who are replanned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rules.air.arrays import Floats
from rules.job.ahead import Ahead
from rules.job.air import Air, FilmClocks, film_clocks, held
from rules.job.model import CoatToLay, Job, JobSection
from rules.job.problem import NEVER, SLOT_S, LaidFilm, Problem, Slots
from rules.job.room import Layout, Placed
from rules.units import HOUR_S
from rules.vocabulary import CLOCK_OF_STEP, ClockName


def finishes(
    job: Job, problem: Problem, layout: Layout, ahead: Mapping[str, Ahead]
) -> Floats | None:
    """Return when the boat is done in each draw.

    Args:
        job: the whole work.
        problem: the same on the grid.
        layout: the plan.
        ahead: of each enclosure.

    Returns:
        By draw [s since 1970]; infinite where a draw does not get done in the hours that there
        are. None where there are no draws.
    """
    done_clock = CLOCK_OF_STEP[job.done_when]
    total: Floats | None = None
    walks: dict[str, _Walk] = {}
    for at, (section, chain) in enumerate(zip(job.sections, problem.chains, strict=True)):
        draws = ahead[section.enclosure].draws
        if draws is None:
            return None
        if section.enclosure not in walks:
            walks[section.enclosure] = _Walk(problem, draws)
        own = [step for step in layout.steps if step.chain == at]
        ends = walks[section.enclosure].done_s(section, own, chain.film, done_clock)
        total = ends if total is None else np.maximum(total, ends)
    return total


class _Walk:
    """Goes through sections of one enclosure, all draws at once."""

    def __init__(self, problem: Problem, air: Air) -> None:
        self._problem, self._air = problem, air
        self._rows = np.arange(air.temp_c.shape[0])
        self._next_good: dict[tuple[object, ...], tuple[Slots, Slots]] = {}
        self._next_free: dict[int, Slots] = {}

    def done_s(
        self,
        section: JobSection,
        steps: Sequence[Placed],
        film: LaidFilm | None,
        done: ClockName,
    ) -> Floats:
        """Return by draw when the section's last coat is what the job asks for [s]."""
        first = next((s.coat for s in steps if s.kind == "coat"), None)
        if first is None:
            end_s = np.inf if film is None else self._problem.time_s(film.done)
            return np.full(self._rows.size, end_s)
        coats = section.coats[first - 1 :]
        start = end = np.zeros(self._rows.size, dtype=np.int64)
        clocks: FilmClocks | None = None
        for coat, following in zip(coats, (*coats[1:], None), strict=True):
            own = [step for step in steps if step.coat == coat.number]
            planned = next(step for step in own if step.kind == "coat")
            low = np.full(self._rows.size, planned.start)
            sanded = False
            if clocks is not None:
                low = np.maximum(low, self._up(clocks, "opens", end))
            for step in own:
                if step.kind in ("sand", "wash"):
                    sanded |= step.kind == "sand"
                    low = np.maximum(low, self._chore(clocks, step, end) + planned.start - step.end)
            start, end, clocks = self._coat(coat, clocks, start, end, low, sanded), end, clocks
            end = np.minimum(start + planned.end - planned.start, NEVER)
            clocks = film_clocks(
                self._air, coat.spec, None if following is None else following.spec, done
            )
        if clocks is None:
            return np.full(self._rows.size, np.inf)
        return self._ends_s(clocks, "done", end)

    def _coat(
        self,
        coat: CoatToLay,
        under: FilmClocks | None,
        under_start: Slots,
        under_end: Slots,
        low: Slots,
        sanded: bool,
    ) -> Slots:
        """The coat's start by draw; a draw that misses the window sands first."""
        start = self._good_from(coat, low)
        if under is None or sanded or under.closes is None:
            return start
        closes = self._ends_s(under, "closes", under_start)
        late = self._problem.zero_s + start * SLOT_S > closes + 1.0
        if late.any():
            length = self._problem.resanding
            ready = np.maximum(self._up(under, "touch_dry", under_end),
                               self._up(under, "sand", under_end))  # fmt: skip
            after = self._free(length)[np.clip(ready, 0, self._problem.slots)] + length
            start = np.where(late, self._good_from(coat, np.maximum(low, after)), start)
        return start

    def _chore(self, clocks: FilmClocks | None, step: Placed, end: Slots) -> Slots:
        """When a planned wash or sanding ends by draw."""
        low = np.full(self._rows.size, step.start)
        if clocks is not None:
            low = np.maximum(low, self._up(clocks, "touch_dry", end))
            if step.kind == "sand":
                low = np.maximum(low, self._up(clocks, "sand", end))
        length = step.end - step.start
        found: Slots = self._free(length)[np.clip(low, 0, self._problem.slots)] + length
        return found

    def _ends_s(self, clocks: FilmClocks, name: str, start: Slots) -> Floats:
        table = getattr(clocks, name)
        start_s: Floats = self._problem.zero_s + start.astype(np.float64) * SLOT_S
        if table is None:
            return start_s
        ends: Floats = table.ends_s(start_s[:, None])[:, 0]
        return np.where(ends <= self._air.end_s + 1.0, ends, np.inf)

    def _up(self, clocks: FilmClocks, name: str, start: Slots) -> Slots:
        exact = (self._ends_s(clocks, name, start) - self._problem.zero_s) / SLOT_S
        found: Slots = np.where(np.isfinite(exact), np.ceil(exact - 1e-3), NEVER).astype(np.int64)
        return np.minimum(found, NEVER)

    def _free(self, length: int) -> Slots:
        if length not in self._next_free:
            free = self._problem.span_left >= length
            slots = np.where(free, np.arange(free.size), NEVER)
            self._next_free[length] = np.minimum.accumulate(slots[::-1])[::-1]
        return self._next_free[length]

    def _good_from(self, coat: CoatToLay, low: Slots) -> Slots:
        """The first slot from another on at which a coat holds, by draw."""
        key = (id(coat.spec), coat.takes_s, coat.method)
        if key not in self._next_good:
            length = round(coat.takes_s / SLOT_S)
            starts = np.flatnonzero(self._problem.span_left[: self._problem.slots] >= length)
            starts_s = self._problem.zero_s + starts * SLOT_S
            hours, which = np.unique(np.floor(starts_s / HOUR_S), return_inverse=True)
            good = held(self._air, coat, hours * HOUR_S)[0][:, which]
            place = np.where(good, np.arange(starts.size), starts.size)
            following = np.minimum.accumulate(place[:, ::-1], axis=1)[:, ::-1]
            never = np.full((self._rows.size, 1), starts.size)
            self._next_good[key] = np.append(starts, NEVER), np.hstack([following, never])
        starts, following = self._next_good[key]
        found: Slots = starts[following[self._rows, np.searchsorted(starts[:-1], low, "left")]]
        return found
