"""What is taken already while a plan is made: people, wet films, sandings and tape.

Here stands what one coat or one chore may do beside the others; the orders that use it are in
`list_order`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from rules.job.air import Bools
from rules.job.problem import CLOSE_BEFORE, NEVER, Chain, Piece, Problem, Slots, Task


@dataclass(frozen=True, slots=True)
class Placed:
    """One step on the grid.

    Attributes:
        chain: place of its section.
        kind: of step.
        what: grit, cloth or line; "" for others.
        coat: number of the coat that it is or belongs to.
        start: first slot.
        end: the slot after its last.
        extra: a sanding that a missed window asks for.
    """

    chain: int
    kind: str
    what: str
    coat: int
    start: int
    end: int
    extra: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """A plan on the grid: its steps by their start, and when the last film is done."""

    steps: tuple[Placed, ...]
    finish: int


@dataclass(frozen=True, slots=True)
class LaidCoat:
    """A film in its place: when its tape goes on, its coat begins, its tape is off, it is dry."""

    chain: int
    hold: int
    start: int
    off: int
    dry: int
    handle: int


@dataclass(slots=True)
class Room:
    """What is taken already: people, wet films, sandings and tape."""

    problem: Problem
    busy: Slots
    films: list[LaidCoat] = field(default_factory=list)
    sandings: list[tuple[int, int, int]] = field(default_factory=list)
    done_coats: dict[int, int] = field(default_factory=dict)
    """By chain the end of its last coat."""
    resources: dict[int, list[tuple[int, int]]] = field(default_factory=dict)

    @classmethod
    def empty(cls, problem: Problem) -> Room:
        room = cls(problem, np.zeros(problem.slots + 1, dtype=np.int64))
        for at, chain in enumerate(problem.chains):
            if chain.film is not None:
                film = chain.film
                room.films.append(LaidCoat(at, -NEVER, -NEVER, -NEVER, film.dry, film.handle))
        return room

    def take(self, start: int, length: int) -> None:
        self.busy[start : start + length] += 1

    def free(self, length: int) -> Bools:
        """Whether a person has time from each slot on, whole inside one span."""
        problem = self.problem
        if problem.people == 0:
            return problem.span_left >= length
        full = np.concatenate(([0], np.cumsum(self.busy >= problem.people)))
        ends = np.minimum(np.arange(problem.slots + 1) + length, problem.slots + 1)
        found: Bools = (problem.span_left >= length) & (full[ends] == full[:-1])
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """For one coat: which starts are left, and what goes with each of them."""

    open_: Bools
    head: Slots
    """First slot that its near work takes."""


def room_without(problem: Problem, steps: Sequence[Placed], without: set[int]) -> Room:
    """What all sections but some have taken in a plan."""
    room = Room.empty(problem)
    for step in steps:
        if step.chain in without:
            continue
        room.take(step.start, step.end - step.start)
        if step.kind == "sand":
            room.sandings.append((step.chain, step.start, step.end))
        if step.kind != "coat":
            continue
        chain = problem.chains[step.chain]
        task = next(task for task in chain.tasks if task.number == step.coat)
        index = int(np.searchsorted(task.starts, step.start))
        own = [s for s in steps if s.chain == step.chain and s.coat == step.coat]
        close = {piece.kind for piece in task.close_before}
        hold = min([s.start for s in own if s.kind in close] + [step.start])
        off = max([s.end for s in own if s.kind == "untape"] + [step.end])
        handle = max(int(task.handle[index]), off)
        room.films.append(LaidCoat(step.chain, hold, step.start, off, int(task.dry[index]), handle))
        room.done_coats[step.chain] = max(room.done_coats.get(step.chain, 0), step.end)
        if task.resource is not None:
            room.resources.setdefault(task.resource, []).append((step.start, step.end))
    return room


def begin_of(room: Room, at: int) -> int:
    """The first slot at which a section's work may begin."""
    chain = room.problem.chains[at]
    begin = max((room.done_coats.get(other, 0) for other in chain.after), default=0)
    return max(begin, chain.film.dry) if chain.film is not None else begin


def pieces_of(task: Task, extra: bool, problem: Problem) -> tuple[Piece, ...]:
    sanding = (Piece("sand", "", problem.resanding, 0),) if extra else ()
    return sanding + task.middles


def ready_after(room: Room, task: Task, after: Task, pieces: Sequence[Piece]) -> Slots:
    """From when on the first chore over a coat, or the next coat's work, can begin, by its start.

    New tape goes on where the old one is off.
    """
    ready = task.dry if pieces else task.starts + task.length
    if task.untape is None or not after.is_taped:
        return ready
    off = _next_of(room.free(1))[np.minimum(task.untape.first, room.problem.slots)]
    return np.maximum(ready, np.minimum(off + 1, NEVER))


def _chore_free(room: Room, at: int, piece: Piece) -> Bools:
    """From which slots on a chore finds a person, and no wet film or tape that it would spoil."""
    free = room.free(piece.length)
    if piece.kind != "sand":
        return free
    every = np.arange(room.problem.slots + 1)
    end = every + piece.length
    chain = room.problem.chains[at]
    for film in room.films:
        if film.chain != at and room.problem.chains[film.chain].enclosure == chain.enclosure:
            free &= (every >= film.dry) | (end <= film.start)
        if film.chain in chain.beside:
            free &= (every >= film.off) | (end <= film.hold)
    return free


def _next_free(room: Room, at: int, piece: Piece) -> Slots:
    return _next_of(_chore_free(room, at, piece))


def through(tables: Sequence[tuple[Piece, Slots]], ready: Slots, sand: Slots | int = 0) -> Slots:
    """When the last of some chores is over and dry, by when the first may begin and be sanded."""
    for piece, table in tables:
        if piece.kind == "sand":
            ready = np.maximum(ready, sand)
        start = table[np.minimum(ready, table.size - 1)]
        ready = np.minimum(start + piece.length + piece.dries, NEVER)
    return ready


def middles(
    room: Room, at: int, task: Task, ready: int, sand: int, extra: bool
) -> tuple[int, list[Placed]]:
    """Lay the chores before a coat, each as early as it can."""
    found: list[Placed] = []
    for piece in pieces_of(task, extra, room.problem):
        ready = max(ready, sand) if piece.kind == "sand" else ready
        start = int(_next_free(room, at, piece)[ready])
        room.take(start, piece.length)
        end = start + piece.length
        if piece.kind == "sand":
            room.sandings.append((at, start, end))
        made = extra and piece.what == "" and piece.kind == "sand" and not found
        found.append(Placed(at, piece.kind, piece.what, task.number, start, end, made))
        ready = end + piece.dries
    return ready, found


def choice_of(room: Room, at: int, chain: Chain, task: Task) -> Choice:
    """Which of a coat's starts are left by people, tape, dust and neighbours."""
    starts, end = task.starts, task.starts + task.length
    open_ = room.free(task.length)[starts]
    head = starts.copy()
    for piece in reversed(task.close_before):
        last = _last_free(room, piece.length)
        head = last[np.clip(head - piece.length - piece.dries, -1, room.problem.slots)]
    if task.close_before:
        open_ &= head >= starts - task.lead - CLOSE_BEFORE
    hold = head.copy()
    if task.mix is not None:
        mix = _last_free(room, 1)[np.clip(np.minimum(task.mix.last, head - 1), -1, None)]
        open_ &= (mix >= task.mix.first) & (mix >= 0)
        head = mix
    if task.untape is not None:
        off = _next_of(room.free(1))[np.clip(task.untape.first, 0, room.problem.slots)]
        open_ &= off <= task.untape.last
        off_end = np.where(open_, off + 1, end)
    else:
        off_end = end
    if task.resource is not None:
        for begin, stop in room.resources.get(task.resource, []):
            open_ &= (end <= begin) | (starts >= stop)
    for other, begin, stop in room.sandings:
        if room.problem.chains[other].enclosure == chain.enclosure and other != at:
            open_ &= (starts >= stop) | (task.dry <= begin)
        if other in chain.beside:
            open_ &= (hold >= stop) | (off_end <= begin)
    reach = np.maximum(task.handle, off_end)
    for film in room.films:
        if film.chain in chain.beside:
            open_ &= (hold >= film.handle) | (reach <= film.hold)
    return Choice(open_, np.where(open_, head, -1))


def _last_free(room: Room, length: int) -> Slots:
    """The latest start for work of a length, at or before each slot; index -1 gives -1."""
    free = room.free(length)
    found = np.maximum.accumulate(np.where(free, np.arange(free.size), -1))
    return np.append(found, -1)


def next_of(free: Bools) -> Slots:
    """Return from each slot on the next that is free, or `NEVER`, along the last axis."""
    slots = np.where(free, np.arange(free.shape[-1]), NEVER)
    found: Slots = np.minimum.accumulate(slots[..., ::-1], axis=-1)[..., ::-1]
    return found


def _next_of(free: Bools) -> Slots:
    return np.append(next_of(free), NEVER)


def tables(room: Room, at: int, pieces: Sequence[Piece]) -> list[tuple[Piece, Slots]]:
    return [(piece, _next_free(room, at, piece)) for piece in pieces]


def lay(room: Room, at: int, task: Task, index: int, *, untaped: bool = True) -> list[Placed]:
    """Take the room of one coat and of what hangs on it."""
    start = int(task.starts[index])
    end = start + task.length
    room.take(start, task.length)
    steps = [Placed(at, "coat", "", task.number, start, end)]
    head = start
    for piece in reversed(task.close_before):
        begin = int(_last_free(room, piece.length)[head - piece.length - piece.dries])
        room.take(begin, piece.length)
        steps.append(Placed(at, piece.kind, piece.what, task.number, begin, begin + piece.length))
        head = begin
    hold, off_end = head, end
    if task.mix is not None:
        begin = int(_last_free(room, 1)[min(int(task.mix.last[index]), head - 1)])
        room.take(begin, 1)
        steps.append(Placed(at, "mix", "", task.number, begin, begin + 1))
    untape = take_untape(room, at, task, index) if untaped else None
    if untape is not None:
        steps.append(untape)
        off_end = untape.end
    elif task.untape is not None:
        off_end = int(task.untape.last[index]) + 1
    if task.resource is not None:
        room.resources.setdefault(task.resource, []).append((start, end))
    handle = max(int(task.handle[index]), off_end)
    room.films.append(LaidCoat(at, hold, start, off_end, int(task.dry[index]), handle))
    return steps


def take_untape(room: Room, at: int, task: Task, index: int) -> Placed | None:
    """Take the first slot that is free for a coat's tape to come off; None where there is none."""
    if task.untape is None:
        return None
    begin = int(_next_of(room.free(1))[min(int(task.untape.first[index]), room.problem.slots)])
    if begin > task.untape.last[index]:
        return None
    room.take(begin, 1)
    return Placed(at, "untape", "", task.number, begin, begin + 1)
