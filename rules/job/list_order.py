"""A plan by list order: one section after the other, each as early done as the rest leaves room.

For each section the best starts of all its coats are found at once, backwards from the last, so
that a first coat waits where that saves a sanding. Several orders of the sections are tried.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rules.job.air import Bools
from rules.job.problem import CLOSE_BEFORE, NEVER, Chain, Piece, Problem, Slots, Task

_SEED = 7
_SANDING_COST = 10  # a sanding more is worth a coat that is as good as sure
_FEW_COATS, _TRIES_FEW, _TRIES_MANY = 24, 12, 2


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
class _Film:
    """A film in its place: when its tape goes on, its coat begins, its tape is off, it is dry."""

    chain: int
    hold: int
    start: int
    off: int
    dry: int
    handle: int


@dataclass(slots=True)
class _Room:
    """What is taken already: people, wet films, sandings and tape."""

    problem: Problem
    busy: Slots
    films: list[_Film] = field(default_factory=list)
    sandings: list[tuple[int, int, int]] = field(default_factory=list)
    done_coats: dict[int, int] = field(default_factory=dict)
    """By chain the end of its last coat."""
    resources: dict[int, list[tuple[int, int]]] = field(default_factory=dict)

    @classmethod
    def empty(cls, problem: Problem) -> _Room:
        room = cls(problem, np.zeros(problem.slots + 1, dtype=np.int64))
        for at, chain in enumerate(problem.chains):
            if chain.film is not None:
                film = chain.film
                room.films.append(_Film(at, -NEVER, -NEVER, -NEVER, film.dry, film.handle))
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
class _Choice:
    """For one coat: which starts are left, and what goes with each of them."""

    open_: Bools
    head: Slots
    """First slot that its near work takes."""


def list_plan(problem: Problem) -> Layout | None:
    """Return the best plan that list orders find; always the same for the same problem.

    Args:
        problem: on the grid.

    Returns:
        The plan, or None where no order finds room for every coat.
    """
    bounds = [alone(problem, at) for at in range(len(problem.chains))]
    best: Layout | None = None
    if len(problem.chains) > 1:
        values = [done_from(problem, at) for at in range(len(problem.chains))]
        count = len(problem.chains)
        for rule, at_once in ((0, count), (1, count), *((1, n) for n in (2, 3) if n < count)):
            found = _coat_by_coat(problem, values, _RULES[rule], at_once)
            if found is not None and (best is None or found.finish < best.finish):
                best = found
    first = sorted(range(len(problem.chains)), key=lambda at: -bounds[at])
    tried: set[tuple[int, ...]] = set()
    queue = [tuple(range(len(problem.chains))), tuple(first)]
    coats = sum(len(chain.tasks) for chain in problem.chains)
    tries = _TRIES_FEW if coats <= _FEW_COATS else _TRIES_MANY
    while queue and len(tried) < tries and (best is None or best.finish > max(bounds)):
        order = _lawful(problem, queue.pop(0))
        if order in tried:
            continue
        tried.add(order)
        found, last = _in_order(problem, order)
        if found is not None and (best is None or found.finish < best.finish):
            best = found
        # The section that ended last, or found no room, goes first next time.
        queue.append((last, *(at for at in order if at != last)))
    return best


def relaid(problem: Problem, layout: Layout, go_on: Callable[[int], bool]) -> Layout:
    """Return a plan that ends no later, by taking a few sections out and laying them anew.

    The section that ends last goes out each time, with one to three others by chance; what comes
    of it is kept where nothing ends later, all sections together no later either.

    Args:
        problem: on the grid.
        layout: a plan.
        go_on: whether to go on, by how many times it was tried.
    """
    chance = np.random.default_rng(_SEED)
    places = [at for at, chain in enumerate(problem.chains) if chain.tasks]
    ends = {at: _end_of(problem, layout.steps, at) for at in places}
    values = [done_from(problem, at) for at in range(len(problem.chains))]
    tried = 0
    while len(places) > 1 and go_on(tried):
        tried += 1
        last = max(places, key=lambda at: (ends[at], at))
        others = [at for at in places if at != last]
        count = min(len(others), int(chance.integers(1, 6)))
        out = [last, *(int(at) for at in chance.choice(others, count, replace=False))]
        chance.shuffle(out)
        room = _room_without(problem, layout.steps, set(out))
        laid = _one_by_one(room, out) if tried % 2 else _together(room, values, out, tried)
        if laid is not None:
            steps = [step for step in layout.steps if step.chain not in out] + laid
            found = {at: _end_of(problem, steps, at) for at in places}
            key, before = ((max(e.values()), sum(e.values())) for e in (found, ends))
            if key <= before and all(_is_after(problem, steps, at) for at in out):
                ends = found
                steps.sort(key=lambda s: (s.start, s.chain, s.end))
                layout = Layout(tuple(steps), _finish(problem, ends))
    return layout


def _one_by_one(room: _Room, group: Sequence[int]) -> list[Placed] | None:
    steps: list[Placed] = []
    for at in _lawful(room.problem, group):
        placed = _place(room, at)
        if placed is None:
            return None
        steps += placed[0]
    return steps


def _together(
    room: _Room, values: Sequence[Sequence[Slots]], group: Sequence[int], tried: int
) -> list[Placed] | None:
    found = _side_by_side(room, values, _RULES[tried // 2 % 2], _lawful(room.problem, group))
    return None if found is None else found[0]


def _end_of(problem: Problem, steps: Sequence[Placed], at: int) -> int:
    task = problem.chains[at].tasks[-1]
    start = max(step.start for step in steps if step.chain == at and step.kind == "coat")
    return int(task.done[np.searchsorted(task.starts, start)])


def _finish(problem: Problem, ends: Mapping[int, int]) -> int:
    laid = [c.film.done for c in problem.chains if c.film is not None and not c.tasks]
    return max([*ends.values(), *laid])


def surer(problem: Problem, layout: Layout, costs: Sequence[Sequence[Slots]]) -> Layout:
    """Return a plan that ends as early, with each section's coats where they cost least.

    Args:
        problem: on the grid.
        layout: a plan.
        costs: by section and coat what each of its starts costs; small whole numbers.
    """
    for at, chain in enumerate(problem.chains):
        if not chain.tasks:
            continue
        placed = _place(_room_without(problem, layout.steps, {at}), at, costs[at], layout.finish)
        if placed is not None:
            kept = [step for step in layout.steps if step.chain != at]
            steps = sorted([*kept, *placed[0]], key=lambda s: (s.start, s.chain, s.end))
            if _is_after(problem, steps, at):
                layout = Layout(tuple(steps), layout.finish)
    return layout


def _is_after(problem: Problem, steps: Sequence[Placed], at: int) -> bool:
    """Whether the sections that wait for a section still begin after its last coat."""
    end = max(step.end for step in steps if step.chain == at and step.kind == "coat")
    return all(step.start >= end for step in steps if at in problem.chains[step.chain].after)


def _room_without(problem: Problem, steps: Sequence[Placed], without: set[int]) -> _Room:
    """What all sections but some have taken in a plan."""
    room = _Room.empty(problem)
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
        room.films.append(_Film(step.chain, hold, step.start, off, int(task.dry[index]), handle))
        room.done_coats[step.chain] = max(room.done_coats.get(step.chain, 0), step.end)
        if task.resource is not None:
            room.resources.setdefault(task.resource, []).append((step.start, step.end))
    return room


def alone(problem: Problem, at: int) -> int:
    """Return the least slot at which a section can be done, were all else out of its way."""
    chain = problem.chains[at]
    if not chain.tasks:
        return chain.film.done if chain.film is not None else 0
    room = _Room.empty(problem)
    room.films.clear()
    choices = [
        _Choice(np.ones(t.starts.size, dtype=np.bool_), t.starts - t.lead) for t in chain.tasks
    ]
    value, _, _ = _values(room, at, choices)
    return int(min(_first_values(room, at, choices, value).min(initial=NEVER), NEVER))


def latest_starts(problem: Problem, at: int, deadline: int) -> list[int]:
    """Return for each coat of a section the latest start with which it can be done in time.

    Args:
        problem: on the grid.
        at: place of the section.
        deadline: slot by whose beginning it must be done.

    Returns:
        Slots; -1 where no start does.
    """
    chain = problem.chains[at]
    room = _Room.empty(problem)
    choices = [
        _Choice(np.ones(t.starts.size, dtype=np.bool_), t.starts - t.lead) for t in chain.tasks
    ]
    values, _, _ = _values(room, at, choices)
    return [
        int(task.starts[value <= deadline].max(initial=-1))
        for task, value in zip(chain.tasks, values, strict=True)
    ]


def done_from(problem: Problem, at: int) -> list[Slots]:
    """Return for each coat's starts when its section can be done at best from there."""
    chain = problem.chains[at]
    room = _Room.empty(problem)
    choices = [
        _Choice(np.ones(t.starts.size, dtype=np.bool_), t.starts - t.lead) for t in chain.tasks
    ]
    return _values(room, at, choices)[0]


Rule = Callable[[int, int, int], tuple[int, ...]]
"""What makes a coat go first, from its start, its window's end and when its section can be done."""

_RULES: tuple[Rule, ...] = (
    lambda start, closes, done: (start, -done, closes),
    lambda start, closes, done: (start, closes, -done),
)


@dataclass(slots=True)
class _Course:
    """How far a section has come in a plan made coat by coat."""

    n: int = 0
    index: int = -1

    def window(self, chain: Chain) -> tuple[int, int, int, int]:
        """From when the next coat may begin, until when unsanded, and when chores may begin."""
        if self.n > 0:
            task, at = chain.tasks[self.n - 1], self.index
            return int(task.opens[at]), int(task.closes[at]), int(task.dry[at]), int(task.sand[at])
        if chain.film is not None:
            film = chain.film
            return film.opens, film.closes, film.dry, film.sand
        return 0, NEVER, 0, 0


def _coat_by_coat(
    problem: Problem, values: Sequence[Sequence[Slots]], rule: Rule, at_once: int
) -> Layout | None:
    """Lay the coat that comes first by a rule, then the next, some sections side by side."""
    room = _Room.empty(problem)
    steps: list[Placed] = []
    finish = 0
    order = _lawful(problem, range(len(problem.chains)))
    for first in range(0, len(order), at_once):
        found = _side_by_side(room, values, rule, order[first : first + at_once])
        if found is None:
            return None
        steps += found[0]
        finish = max(finish, found[1])
    return Layout(tuple(sorted(steps, key=lambda s: (s.start, s.chain, s.end))), finish)


def _side_by_side(
    room: _Room, values: Sequence[Sequence[Slots]], rule: Rule, group: Sequence[int]
) -> tuple[list[Placed], int] | None:
    """Lay the coats of some sections; return their steps, and when the last is done."""
    problem = room.problem
    steps: list[Placed] = []
    courses = {at: _Course() for at in group}
    waiting = {at for at in group if problem.chains[at].after & set(group)}
    heap: list[tuple[tuple[int, ...], int]] = []

    def offer(at: int) -> tuple[tuple[int, ...], int, bool] | None:
        chain, course = problem.chains[at], courses[at]
        found = _next_start(room, at, course, values[at][course.n])
        if found is None:
            return None
        index, extra = found
        task = chain.tasks[course.n]
        key = rule(int(task.starts[index]), course.window(chain)[1],
                   int(values[at][course.n][index]))  # fmt: skip
        return key, index, extra

    def push(at: int) -> bool:
        found = offer(at)
        if found is not None:
            heapq.heappush(heap, (found[0], at))
        return found is not None

    finish = 0
    for at in group:
        chain = problem.chains[at]
        if chain.tasks and at not in waiting and not push(at):
            return None
        if not chain.tasks:
            room.done_coats[at] = 0
            finish = max(finish, 0 if chain.film is None else chain.film.done)
    while heap or waiting:
        free = [at for at in sorted(waiting) if problem.chains[at].after <= set(room.done_coats)]
        for at in free:
            waiting.discard(at)
            if problem.chains[at].tasks and not push(at):
                return None
        if not heap:
            continue
        key, at = heapq.heappop(heap)
        found = offer(at)
        if found is None:
            return None
        if heap and found[0] > max(key, heap[0][0]):
            heapq.heappush(heap, (found[0], at))  # its place is taken meanwhile: ask again later
            continue
        _, index, extra = found
        chain, course = problem.chains[at], courses[at]
        task = chain.tasks[course.n]
        _, _, dry, sand = course.window(chain)
        steps += _middles(room, at, task, max(dry, _begin(room, at)), sand, extra)[1]
        coat_steps = _lay(room, at, task, index)
        if task.untape is not None and all(step.kind != "untape" for step in coat_steps):
            return None
        steps += coat_steps
        course.n, course.index = course.n + 1, index
        if course.n == len(chain.tasks):
            room.done_coats[at] = int(task.starts[index]) + task.length
            finish = max(finish, int(task.done[index]))
        elif not push(at):
            return None
    return steps, finish


def _next_start(room: _Room, at: int, course: _Course, value: Slots) -> tuple[int, bool] | None:
    """The start of a section's next coat from which it can be done soonest, and if it is sanded."""
    chain = room.problem.chains[at]
    task = chain.tasks[course.n]
    choice = _choice(room, at, chain, task)
    opens, closes, dry, sand = course.window(chain)
    begin = np.array([max(dry, _begin(room, at)) if task.middles else _begin(room, at)])
    best: tuple[int, int, bool] | None = None
    for extra in (False, True):
        pieces = _pieces(task, extra, room.problem)
        if extra:
            begin = np.maximum(begin, dry)
        ready = int(_through(_tables(room, at, pieces), begin, sand)[0])
        allowed = choice.open_ & (choice.head >= ready) & (task.starts >= opens)
        if not extra and not task.is_sanded_first:
            allowed &= task.starts <= closes
        found = np.where(allowed, value, NEVER)
        index = int(np.argmin(found)) if found.size else 0
        if found.size and found[index] < NEVER and (best is None or found[index] < best[0]):
            best = int(found[index]), index, extra
        if best is not None or closes >= NEVER or task.is_sanded_first:
            break
    return None if best is None else best[1:]


def _lawful(problem: Problem, order: Sequence[int]) -> tuple[int, ...]:
    """The order with every section behind those that come before it."""
    left, found = list(order), []
    while left:
        at = next(at for at in left if not (problem.chains[at].after & set(left)))
        left.remove(at)
        found.append(at)
    return tuple(found)


def _in_order(problem: Problem, order: Sequence[int]) -> tuple[Layout | None, int]:
    room = _Room.empty(problem)
    steps: list[Placed] = []
    ends = {}
    for at in order:
        placed = _place(room, at)
        if placed is None:
            return None, at
        own, ends[at] = placed
        steps += own
    last = max(order, key=lambda at: ends[at])
    finish = max(ends.values(), default=0)
    return Layout(tuple(sorted(steps, key=lambda s: (s.start, s.chain, s.end))), finish), last


def _place(
    room: _Room, at: int, costs: Sequence[Slots] | None = None, latest: int = NEVER
) -> tuple[list[Placed], int] | None:
    """Lay one section's coats into the room that is left."""
    chain = room.problem.chains[at]
    if not chain.tasks:
        room.done_coats[at] = 0
        return [], chain.film.done if chain.film is not None else 0
    choices = [_choice(room, at, chain, task) for task in chain.tasks]
    values, following, sanded = _values(room, at, choices, costs, latest)
    firsts = _first_values(room, at, choices, values)
    if firsts.size == 0 or firsts.min() >= NEVER:
        return None
    index = int(np.argmin(firsts))
    steps: list[Placed] = []
    laid: list[tuple[Task, int]] = []
    film, ready, sand, extra = chain.film, _begin(room, at), 0, False
    if film is not None:
        first = chain.tasks[0]
        sand, extra = film.sand, _is_late(first, int(first.starts[index]), film.closes)
    for n, task in enumerate(chain.tasks):
        _, chores = _middles(room, at, task, ready, sand, extra)
        steps += chores + _lay(room, at, task, index, untaped=False)
        laid.append((task, index))
        room.done_coats[at] = int(task.starts[index]) + task.length
        if n + 1 < len(chain.tasks):
            extra = bool(sanded[n][index])
            needs = _pieces(chain.tasks[n + 1], extra, room.problem)
            ready, sand = int(_ready_after(task, needs)[index]), int(task.sand[index])
            index = int(following[n][index])
    # The next coat's pot and brush were given their slots before the tape of the one beneath.
    for task, at_index in laid:
        untape = _untape(room, at, task, at_index)
        if untape is None and task.untape is not None:
            return None
        steps += [] if untape is None else [untape]
    return steps, int(chain.tasks[-1].done[index])


def _is_late(task: Task, start: int, closes: int) -> bool:
    return start > closes and not task.is_sanded_first


def _begin(room: _Room, at: int) -> int:
    """The first slot at which a section's work may begin."""
    chain = room.problem.chains[at]
    begin = max((room.done_coats.get(other, 0) for other in chain.after), default=0)
    return max(begin, chain.film.dry) if chain.film is not None else begin


def _pieces(task: Task, extra: bool, problem: Problem) -> tuple[Piece, ...]:
    sanding = (Piece("sand", "", problem.resanding, 0),) if extra else ()
    return sanding + task.middles


def _ready_after(task: Task, pieces: Sequence[Piece]) -> Slots:
    """From when on the first chore over a coat can begin, by the coat's start."""
    return task.dry if pieces else task.starts + task.length


def _chore_free(room: _Room, at: int, piece: Piece) -> Bools:
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


def _next_free(room: _Room, at: int, piece: Piece) -> Slots:
    return _next_of(_chore_free(room, at, piece))


def _through(tables: Sequence[tuple[Piece, Slots]], ready: Slots, sand: Slots | int = 0) -> Slots:
    """When the last of some chores is over and dry, by when the first may begin and be sanded."""
    for piece, table in tables:
        if piece.kind == "sand":
            ready = np.maximum(ready, sand)
        start = table[np.minimum(ready, table.size - 1)]
        ready = np.minimum(start + piece.length + piece.dries, NEVER)
    return ready


def _middles(
    room: _Room, at: int, task: Task, ready: int, sand: int, extra: bool
) -> tuple[int, list[Placed]]:
    """Lay the chores before a coat, each as early as it can."""
    found: list[Placed] = []
    for piece in _pieces(task, extra, room.problem):
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


def _choice(room: _Room, at: int, chain: Chain, task: Task) -> _Choice:
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
    return _Choice(open_, np.where(open_, head, -1))


def _last_free(room: _Room, length: int) -> Slots:
    """The latest start for work of a length, at or before each slot; index -1 gives -1."""
    free = room.free(length)
    found = np.maximum.accumulate(np.where(free, np.arange(free.size), -1))
    return np.append(found, -1)


def _next_of(free: Bools) -> Slots:
    slots = np.where(free, np.arange(free.size), NEVER)
    found: Slots = np.append(np.minimum.accumulate(slots[::-1])[::-1], NEVER)
    return found


def _values(
    room: _Room,
    at: int,
    choices: Sequence[_Choice],
    costs: Sequence[Slots] | None = None,
    latest: int = NEVER,
) -> tuple[list[Slots], list[Slots], list[Bools]]:
    """For each coat's starts: when the section is done, the next coat's start, and whether sanded.

    Backwards from the last coat, each start looks for the best of those that follow it. With
    `costs` the best is not what is done soonest but what costs least and is done by `latest`.
    """
    chain = room.problem.chains[at]
    last = chain.tasks[-1]
    value = np.where(choices[-1].open_ & (last.done <= latest), last.done, NEVER)
    if costs is not None:
        value = np.where(value < NEVER, costs[-1], NEVER)
    values: list[Slots] = [value]
    following: list[Slots] = []
    sanded: list[Bools] = []
    for n in range(len(chain.tasks) - 2, -1, -1):
        task, after = chain.tasks[n], chain.tasks[n + 1]
        best, to, with_sanding = _best_next(room, at, task, after, choices[n + 1], values[0])
        if costs is not None:
            best = np.minimum(best + costs[n] + _SANDING_COST * with_sanding, NEVER)
        values.insert(0, np.where(choices[n].open_, best, NEVER))
        following.insert(0, to)
        sanded.insert(0, with_sanding)
    return values, following, sanded


def _tables(room: _Room, at: int, pieces: Sequence[Piece]) -> list[tuple[Piece, Slots]]:
    return [(piece, _next_free(room, at, piece)) for piece in pieces]


def _best_next(
    room: _Room,
    at: int,
    task: Task,
    after: Task,
    choice: _Choice,
    value: Slots,
) -> tuple[Slots, Slots, Bools]:
    size = after.starts.size
    every = np.full(task.starts.size, size)

    def from_ready(extra: bool) -> Slots:
        pieces = _pieces(after, extra, room.problem)
        ready = _through(_tables(room, at, pieces), _ready_after(task, pieces), task.sand)
        by_head = np.searchsorted(np.maximum.accumulate(choice.head), ready, "left")
        found: Slots = np.maximum(by_head, np.searchsorted(after.starts, task.opens, "left"))
        return found

    low = from_ready(False)
    high = np.searchsorted(after.starts, task.closes, "right")
    if after.is_sanded_first:
        high = every
    best, to = _least_between(value, low, high)
    low = from_ready(True)
    other, other_to = _least_between(value, low, every)
    use = other < best
    return np.where(use, other, best), np.where(use, other_to, to), use


def _first_values(
    room: _Room, at: int, choices: Sequence[_Choice], values: Sequence[Slots]
) -> Slots:
    """For each start of the first coat when the section is done, or NEVER where it may not."""
    chain = room.problem.chains[at]
    first, value = chain.tasks[0], values[0]
    film = chain.film
    ready = np.array([_begin(room, at)])

    sand = 0 if film is None else film.sand

    def left(extra: bool) -> Bools:
        pieces = _pieces(first, extra, room.problem)
        done = int(_through(_tables(room, at, pieces), ready, sand)[0])
        return choices[0].head >= done

    allowed = left(False)
    if film is not None:
        late = (first.starts > film.closes) & (not first.is_sanded_first)
        allowed = np.where(late, left(True), allowed) & (first.starts >= film.opens)
    found: Slots = np.where(allowed, value, NEVER)
    return found


def _least_between(value: Slots, low: Slots, high: Slots) -> tuple[Slots, Slots]:
    """The least value in [low, high) and its first place, for each pair; NEVER where empty."""
    size = value.size
    if size == 0:
        return np.full(low.size, NEVER), np.zeros(low.size, dtype=np.int64)
    keyed = value.astype(np.int64) * (size + 1) + np.arange(size)
    levels = [keyed]
    step = 1
    while 2 * step <= size:
        above = levels[-1]
        levels.append(np.minimum(above[:-step], above[step:]))
        step *= 2
    length = np.minimum(high, size) - low
    some = length > 0
    level = np.where(some, np.log2(np.maximum(length, 1)).astype(np.int64), 0)
    least = np.full(low.size, np.int64(NEVER) * (size + 1))
    for at, table in enumerate(levels):
        here = some & (level == at)
        if here.any():
            begin = low[here]
            end = np.minimum(high[here], size) - (1 << at)
            least[here] = np.minimum(table[begin], table[end])
    found = np.minimum(least // (size + 1), NEVER)
    return found, np.where(found >= NEVER, 0, least % (size + 1))


def _lay(room: _Room, at: int, task: Task, index: int, *, untaped: bool = True) -> list[Placed]:
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
    untape = _untape(room, at, task, index) if untaped else None
    if untape is not None:
        steps.append(untape)
        off_end = untape.end
    elif task.untape is not None:
        off_end = int(task.untape.last[index]) + 1
    if task.resource is not None:
        room.resources.setdefault(task.resource, []).append((start, end))
    handle = max(int(task.handle[index]), off_end)
    room.films.append(_Film(at, hold, start, off_end, int(task.dry[index]), handle))
    return steps


def _untape(room: _Room, at: int, task: Task, index: int) -> Placed | None:
    """Take the first slot that is free for a coat's tape to come off; None where there is none."""
    if task.untape is None:
        return None
    begin = int(_next_of(room.free(1))[min(int(task.untape.first[index]), room.problem.slots)])
    if begin > task.untape.last[index]:
        return None
    room.take(begin, 1)
    return Placed(at, "untape", "", task.number, begin, begin + 1)
