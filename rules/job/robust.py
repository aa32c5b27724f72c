"""How a plan fares in draws of the weather: when each draw would have the boat done.

In each draw the plan's work is done in its order, each piece at its planned time or as soon after
it as the film beneath, the hours, the people and the tent allow: what ends later pushes what the
same people do next. What is free earlier is filled by what comes later in the plan.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rules.air.arrays import Floats
from rules.job.ahead import Ahead
from rules.job.air import Air, Bools, FilmClocks, film_clocks, held
from rules.job.model import CoatToLay, Job
from rules.job.problem import NEVER, SLOT_S, Chain, LaidFilm, Problem, Slots, Task
from rules.job.room import Layout, Placed, next_of
from rules.units import HOUR_S
from rules.vocabulary import CLOCK_OF_STEP

Pieces = tuple[tuple[int, int], ...]
"""Work that moves as one: offset from its start and length of each piece [slots]."""

_BLOCK = ("mix", "wipe", "tape", "coat")


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
    airs: dict[str, Air] = {}
    for name in {section.enclosure for section in job.sections}:
        draws = ahead[name].draws
        if draws is None:
            return None
        airs[name] = draws
    return _Draws(job, problem, layout, airs).done_s()


@dataclass(slots=True)
class _Course:
    """How far a section has come, by draw.

    Attributes:
        start: of its newest coat.
        end: of it.
        clocks: of it; None over bare ground and over a film that was there before the plan.
        ready: when the chores before the next coat are over and dry.
        off: when its newest coat's tape is off.
        sanded: whether one of them is a sanding.
        last: when its last coat is on.
    """

    start: Slots
    end: Slots
    clocks: FilmClocks | None
    ready: Slots
    off: Slots
    sanded: bool
    last: Slots


@dataclass(frozen=True, slots=True, eq=False)
class _Span:
    """From when to when something of a section lasts, by draw."""

    chain: int
    begin: Slots
    end: Slots


@dataclass(slots=True)
class _Taken:
    """What lies in the way of others: films until touch dry and until handled, and sandings."""

    wet: list[_Span] = field(default_factory=list)
    tied: list[_Span] = field(default_factory=list)
    dust: list[_Span] = field(default_factory=list)


class _Draws:
    """Goes through a plan in its order, all draws at once."""

    def __init__(self, job: Job, problem: Problem, layout: Layout, airs: Mapping[str, Air]) -> None:
        self._job, self._problem, self._steps, self._airs = job, problem, layout.steps, airs
        self._done = CLOCK_OF_STEP[job.done_when]
        count = next(iter(airs.values())).temp_c.shape[0]
        self._rows = np.arange(count)
        self._people = problem.people or len(layout.steps)
        self._busy = np.zeros((count, problem.slots + 1), dtype=np.int16)
        self._taken = _Taken()
        self._next_fit: dict[Pieces, Slots] = {}
        self._next_good: dict[tuple[object, ...], Slots] = {}
        self._courses = [self._begun(at, chain) for at, chain in enumerate(problem.chains)]

    def _begun(self, at: int, chain: Chain) -> _Course:
        film, never = chain.film, self._full(NEVER)
        if film is not None:
            begun = self._full(-NEVER)
            self._taken.wet.append(_Span(at, begun, self._full(film.dry)))
            self._taken.tied.append(_Span(at, begun, self._full(film.handle)))
        nothing = self._full(0)
        return _Course(nothing, nothing, None, nothing, nothing, sanded=False,
                       last=never if chain.tasks else nothing)  # fmt: skip

    def _full(self, slot: int) -> Slots:
        return np.full(self._rows.size, slot, dtype=np.int64)

    def done_s(self) -> Floats:
        """Return by draw when the last film is what the job asks for [s since 1970]."""
        for step, block in self._units():
            if step.kind == "coat":
                self._coat(step, block)
            elif step.kind == "untape":
                self._untape(step)
            else:
                self._chore(step)
        total = np.full(self._rows.size, -np.inf)
        for chain, course in zip(self._problem.chains, self._courses, strict=True):
            if course.clocks is not None:
                np.maximum(total, self._ends_s(chain, course.clocks, "done", course.end), out=total)
            elif chain.film is not None and not chain.tasks:
                np.maximum(total, self._problem.time_s(chain.film.done), out=total)
        return total

    def _units(self) -> list[tuple[Placed, Pieces]]:
        """Steps in the plan's order; a coat goes with its mix, wipes and tapes as one."""
        found = []
        for step in self._steps:
            if step.kind == "coat":
                own = [s for s in self._steps if (s.chain, s.coat) == (step.chain, step.coat)]
                block = [s for s in own if s.kind in _BLOCK]
                pieces = tuple((s.start - step.start, s.end - s.start) for s in block)
                found.append((min(s.start for s in block), step, pieces))
            elif step.kind not in _BLOCK:
                found.append((step.start, step, ((0, step.end - step.start),)))
        found.sort(key=lambda unit: (unit[0], unit[1].chain, unit[1].coat))
        return [(step, pieces) for _, step, pieces in found]

    def _task(self, step: Placed) -> Task:
        tasks = self._problem.chains[step.chain].tasks
        return next(task for task in tasks if task.number == step.coat)

    def _begin(self, step: Placed) -> Slots:
        """From when on a section's work may begin: as planned, after those that it waits for."""
        low = self._full(step.start)
        for other in self._problem.chains[step.chain].after:
            low = np.maximum(low, self._courses[other].last)
        return low

    def _chore(self, step: Placed) -> None:
        chain, course = self._problem.chains[step.chain], self._courses[step.chain]
        low = np.maximum(self._begin(step), course.ready)
        if course.clocks is not None:
            low = np.maximum(low, self._up(chain, course.clocks, "touch_dry", course.end))
        length = step.end - step.start
        if step.kind == "sand":
            end = self._sanding(step.chain, low, length)
            course.sanded = True
        else:
            start = self._first(low, ((0, length),), None)
            self._take(start, ((0, length),))
            end = np.minimum(start + length, NEVER)
        dries = next(
            (
                p.dries
                for p in self._task(step).middles
                if (p.kind, p.what) == (step.kind, step.what)
            ),
            0,
        )
        course.ready = np.minimum(end + dries, NEVER)

    def _sanding(self, at: int, low: Slots, length: int) -> Slots:
        """Sand from a slot on, once the film bears it; return when it is over."""
        chain, course = self._problem.chains[at], self._courses[at]
        if course.clocks is not None:
            low = np.maximum(low, self._up(chain, course.clocks, "sand", course.end))
        wet = [s for s in self._taken.wet if s.chain != at and self._one_tent(s.chain, at)]
        pieces = ((0, length),)
        start = self._clear(low, pieces, None, [(wet, lambda s: s + length)])
        self._take(start, pieces)
        end = np.minimum(start + length, NEVER)
        self._taken.dust.append(_Span(at, start, end))
        return end

    def _one_tent(self, one: int, other: int) -> bool:
        chains = self._problem.chains
        return chains[one].enclosure == chains[other].enclosure

    def _coat(self, step: Placed, pieces: Pieces) -> None:
        at = step.chain
        chain, course, section = self._problem.chains[at], self._courses[at], self._job.sections[at]
        coat = section.coats[step.coat - 1]
        following = section.coats[step.coat : step.coat + 1]
        spec = following[0].spec if following else None
        clocks = film_clocks(self._airs[chain.enclosure], coat.spec, spec, self._done)
        length = step.end - step.start
        low = np.maximum(self._begin(step), course.ready)
        if self._task(step).is_taped:
            low = np.maximum(low, course.off - min(offset for offset, _ in pieces))
        if course.clocks is not None:
            low = np.maximum(low, self._up(chain, course.clocks, "opens", course.end))

        def until(name: str) -> Callable[[Slots], Slots]:
            return lambda start: self._up(chain, clocks, name, np.minimum(start + length, NEVER))

        handled = "handle" if clocks.handle is not None else "done"
        dust = [s for s in self._taken.dust if s.chain != at and self._one_tent(s.chain, at)]
        tied = [s for s in self._taken.tied if s.chain in chain.beside]
        clear = [(dust, until("touch_dry")), (tied, until(handled))]
        start = self._clear(low, pieces, coat, clear)
        late = self._late(chain, course, start)
        if late.any():
            self._courses[at].sanded = True
            over = self._sanding(at, np.where(late, 0, NEVER), self._problem.resanding)
            low = np.where(late, np.maximum(low, over), NEVER)
            start = np.where(late, self._clear(low, pieces, coat, clear), start)
        self._take(start, pieces)
        end = np.minimum(start + length, NEVER)
        self._taken.wet.append(_Span(at, start, until("touch_dry")(start)))
        self._taken.tied.append(_Span(at, start, until(handled)(start)))
        last = end if step.coat == chain.tasks[-1].number else course.last
        nothing = self._full(0)
        self._courses[at] = _Course(start, end, clocks, nothing, nothing, sanded=False, last=last)

    def _late(self, chain: Chain, course: _Course, start: Slots) -> Bools:
        """In which draws the window beneath has closed and nothing was sanded."""
        late: Bools = np.zeros(start.size, dtype=np.bool_)
        film: LaidFilm | None = chain.film if course.clocks is None else None
        if course.sanded or (course.clocks is None and film is None):
            return late
        if film is not None:
            return (start > film.closes) & (start < NEVER)
        if course.clocks is None or course.clocks.closes is None:
            return late
        closes = self._ends_s(chain, course.clocks, "closes", course.start)
        return (self._problem.zero_s + start * SLOT_S > closes + 1.0) & (start < NEVER)

    def _untape(self, step: Placed) -> None:
        chain, course = self._problem.chains[step.chain], self._courses[step.chain]
        low = np.maximum(self._full(step.start), course.end)
        if course.clocks is not None:
            low = np.maximum(low, self._up(chain, course.clocks, "tape_off", course.end))
        pieces = ((0, step.end - step.start),)
        start = self._first(low, pieces, None)
        self._take(start, pieces)
        course.off = np.minimum(start + step.end - step.start, NEVER)

    def _clear(
        self,
        low: Slots,
        pieces: Pieces,
        coat: CoatToLay | None,
        apart: Sequence[tuple[Sequence[_Span], Callable[[Slots], Slots]]],
    ) -> Slots:
        """The first start that also lies apart from spans of others, by when it would itself end.

        What would begin inside a span, or end in it, can only come after it: ends never fall.
        """
        start = self._first(low, pieces, coat)
        moved = True
        while moved:
            moved = False
            for spans, until in apart:
                end = until(start) if spans else start
                for span in spans:
                    hit = (start < span.end) & (span.begin < end) & (start < NEVER)
                    if hit.any():
                        later = self._first(np.where(hit, span.end, NEVER), pieces, coat)
                        start = np.where(hit, later, start)
                        end, moved = until(start), True
        return start

    def _first(self, low: Slots, pieces: Pieces, coat: CoatToLay | None) -> Slots:
        """The first start from a slot on at which work is whole, good, and has its people."""
        fits, (offsets, people) = self._fits(pieces), self._need(pieces)
        good = None if coat is None else self._holds(coat)
        slots = self._problem.slots

        def onward(rows: Slots, start: Slots) -> Slots:
            while True:
                held_ = start if good is None else good[rows, np.minimum(start, slots)]
                moved = fits[np.minimum(held_, slots)]
                if (moved == start).all():
                    return moved
                start = moved

        start = onward(self._rows, np.clip(low, 0, NEVER))
        left = np.flatnonzero(start < NEVER)
        while left.size:
            at = start[left][:, None] + offsets[None, :]
            full = (self._busy[left[:, None], at] + people[None, :] > self._people).any(axis=1)
            left = left[full]
            start[left] = onward(left, start[left] + 1)
            left = left[start[left] < NEVER]
        return start

    def _need(self, pieces: Pieces) -> tuple[Slots, Slots]:
        """By offset from the start how many people are needed."""
        offsets = np.concatenate([np.arange(off, off + length) for off, length in pieces])
        found: tuple[Slots, Slots] = np.unique(offsets, return_counts=True)
        return found

    def _fits(self, pieces: Pieces) -> Slots:
        """From each slot on the next from which work lies whole inside spans."""
        if pieces not in self._next_fit:
            left, slots = self._problem.span_left, self._problem.slots
            fits = np.ones(slots + 1, dtype=np.bool_)
            for off, length in pieces:
                at = np.arange(slots + 1) + off
                inside = (at >= 0) & (at <= slots)
                fits &= inside & (left[np.clip(at, 0, slots)] >= length)
            self._next_fit[pieces] = next_of(fits)
        return self._next_fit[pieces]

    def _holds(self, coat: CoatToLay) -> Slots:
        """From each slot on the next working slot from which a coat holds, by draw."""
        enclosure = next(s.enclosure for s in self._job.sections if any(c is coat for c in s.coats))
        key = (enclosure, id(coat.spec), coat.takes_s, coat.method)
        if key not in self._next_good:
            starts = np.flatnonzero(self._problem.span_left > 0)
            hour = np.floor((self._problem.zero_s + starts * SLOT_S) / HOUR_S)
            hours, which = np.unique(hour, return_inverse=True)
            good = np.zeros((self._rows.size, self._problem.slots + 1), dtype=np.bool_)
            good[:, starts] = held(self._airs[enclosure], coat, hours * HOUR_S)[0][:, which]
            self._next_good[key] = next_of(good)
        return self._next_good[key]

    def _take(self, start: Slots, pieces: Pieces) -> None:
        offsets, people = self._need(pieces)
        own = np.flatnonzero(start < NEVER)
        at = start[own][:, None] + offsets[None, :]
        self._busy[own[:, None], at] += people[None, :].astype(np.int16)

    def _ends_s(self, chain: Chain, clocks: FilmClocks, name: str, start: Slots) -> Floats:
        table = getattr(clocks, name)
        start_s: Floats = self._problem.zero_s + start.astype(np.float64) * SLOT_S
        if table is None:
            return start_s
        ends: Floats = table.ends_s(start_s[:, None])[:, 0]
        return np.where(ends <= self._airs[chain.enclosure].end_s + 1.0, ends, np.inf)

    def _up(self, chain: Chain, clocks: FilmClocks, name: str, start: Slots) -> Slots:
        exact = (self._ends_s(chain, clocks, name, start) - self._problem.zero_s) / SLOT_S
        found: Slots = np.where(np.isfinite(exact), np.ceil(exact - 1e-3), NEVER).astype(np.int64)
        return np.minimum(found, NEVER)
