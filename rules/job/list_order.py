"""A plan by list order: one section after the other, each as early done as the rest leaves room.

For each section the best starts of all its coats are found at once, backwards from the last, so
that a first coat waits where that saves a sanding. Several orders of the sections are tried.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rules.job.air import Bools
from rules.job.problem import NEVER, Chain, Problem, Slots, Task
from rules.job.room import (
    Choice,
    Layout,
    Placed,
    Room,
    begin_of,
    choice_of,
    lay,
    middles,
    pieces_of,
    ready_after,
    room_without,
    tables,
    take_untape,
    through,
)

_SEED = 7
_SANDING_COST = 10  # a sanding more is worth a coat that is as good as sure
_FEW_COATS, _TRIES_FEW, _TRIES_MANY = 24, 12, 2


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
        room = room_without(problem, layout.steps, set(out))
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


def _one_by_one(room: Room, group: Sequence[int]) -> list[Placed] | None:
    steps: list[Placed] = []
    for at in _lawful(room.problem, group):
        placed = _place(room, at)
        if placed is None:
            return None
        steps += placed[0]
    return steps


def _together(
    room: Room, values: Sequence[Sequence[Slots]], group: Sequence[int], tried: int
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
        placed = _place(room_without(problem, layout.steps, {at}), at, costs[at], layout.finish)
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


def alone(problem: Problem, at: int) -> int:
    """Return the least slot at which a section can be done, were all else out of its way."""
    chain = problem.chains[at]
    if not chain.tasks:
        return chain.film.done if chain.film is not None else 0
    room = Room.empty(problem)
    room.films.clear()
    choices = [
        Choice(np.ones(t.starts.size, dtype=np.bool_), t.starts - t.lead) for t in chain.tasks
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
    room = Room.empty(problem)
    choices = [
        Choice(np.ones(t.starts.size, dtype=np.bool_), t.starts - t.lead) for t in chain.tasks
    ]
    values, _, _ = _values(room, at, choices)
    return [
        int(task.starts[value <= deadline].max(initial=-1))
        for task, value in zip(chain.tasks, values, strict=True)
    ]


def done_from(problem: Problem, at: int) -> list[Slots]:
    """Return for each coat's starts when its section can be done at best from there."""
    chain = problem.chains[at]
    room = Room.empty(problem)
    choices = [
        Choice(np.ones(t.starts.size, dtype=np.bool_), t.starts - t.lead) for t in chain.tasks
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
    off: int = 0
    """From when on the tape of its newest coat is off."""

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
    room = Room.empty(problem)
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
    room: Room, values: Sequence[Sequence[Slots]], rule: Rule, group: Sequence[int]
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
        ready = max(dry, begin_of(room, at), course.off if task.is_taped else 0)
        steps += middles(room, at, task, ready, sand, extra)[1]
        coat_steps = lay(room, at, task, index)
        off = [step.end for step in coat_steps if step.kind == "untape"]
        if task.untape is not None and not off:
            return None
        steps += coat_steps
        course.n, course.index, course.off = course.n + 1, index, max(off, default=0)
        if course.n == len(chain.tasks):
            room.done_coats[at] = int(task.starts[index]) + task.length
            finish = max(finish, int(task.done[index]))
        elif not push(at):
            return None
    return steps, finish


def _next_start(room: Room, at: int, course: _Course, value: Slots) -> tuple[int, bool] | None:
    """The start of a section's next coat from which it can be done soonest, and if it is sanded."""
    chain = room.problem.chains[at]
    task = chain.tasks[course.n]
    choice = choice_of(room, at, chain, task)
    opens, closes, dry, sand = course.window(chain)
    first = max(begin_of(room, at), course.off if task.is_taped else 0)
    begin = np.array([max(dry, first) if task.middles else first])
    best: tuple[int, int, bool] | None = None
    for extra in (False, True):
        pieces = pieces_of(task, extra, room.problem)
        if extra:
            begin = np.maximum(begin, dry)
        ready = int(through(tables(room, at, pieces), begin, sand)[0])
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
    room = Room.empty(problem)
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
    room: Room, at: int, costs: Sequence[Slots] | None = None, latest: int = NEVER
) -> tuple[list[Placed], int] | None:
    """Lay one section's coats into the room that is left."""
    chain = room.problem.chains[at]
    if not chain.tasks:
        room.done_coats[at] = 0
        return [], chain.film.done if chain.film is not None else 0
    choices = [choice_of(room, at, chain, task) for task in chain.tasks]
    values, following, sanded = _values(room, at, choices, costs, latest)
    firsts = _first_values(room, at, choices, values, 0 if costs is None else _SANDING_COST)
    if firsts.size == 0 or firsts.min() >= NEVER:
        return None
    index = int(np.argmin(firsts))
    steps: list[Placed] = []
    laid: list[tuple[Task, int]] = []
    film, ready, sand, extra = chain.film, begin_of(room, at), 0, False
    if film is not None:
        first = chain.tasks[0]
        sand, extra = film.sand, _is_late(first, int(first.starts[index]), film.closes)
    for n, task in enumerate(chain.tasks):
        steps += middles(room, at, task, ready, sand, extra)[1]
        after = chain.tasks[n + 1] if n + 1 < len(chain.tasks) else None
        if after is not None:
            extra = bool(sanded[n][index])
            needs = pieces_of(after, extra, room.problem)
            ready, sand = int(ready_after(room, task, after, needs)[index]), int(task.sand[index])
        untaped = task.untape is not None and after is not None and after.is_taped
        steps += lay(room, at, task, index, untaped=untaped)
        if task.untape is not None and not untaped:
            laid.append((task, index))
        room.done_coats[at] = int(task.starts[index]) + task.length
        index = int(following[n][index]) if after is not None else index
    # The next coat's pot and brush were given their slots before the tape of the one beneath.
    for task, at_index in laid:
        untape = take_untape(room, at, task, at_index)
        if untape is None:
            return None
        steps.append(untape)
    return steps, int(chain.tasks[-1].done[index])


def _is_late(task: Task, start: int, closes: int) -> bool:
    return start > closes and not task.is_sanded_first


def _values(
    room: Room,
    at: int,
    choices: Sequence[Choice],
    costs: Sequence[Slots] | None = None,
    latest: int = NEVER,
) -> tuple[list[Slots], list[Slots], list[Bools]]:
    """For each coat's starts: when the section is done, the next coat's start, and whether sanded.

    Backwards from the last coat, each start looks for the best of those that follow it. With
    `costs` the best is not what is done soonest but what costs least and is done by `latest`.
    """
    chain = room.problem.chains[at]
    if not chain.tasks:
        return [], [], []
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


def _best_next(
    room: Room,
    at: int,
    task: Task,
    after: Task,
    choice: Choice,
    value: Slots,
) -> tuple[Slots, Slots, Bools]:
    size = after.starts.size
    every = np.full(task.starts.size, size)

    def from_ready(extra: bool) -> Slots:
        pieces = pieces_of(after, extra, room.problem)
        begin = ready_after(room, task, after, pieces)
        ready = through(tables(room, at, pieces), begin, task.sand)
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
    room: Room, at: int, choices: Sequence[Choice], values: Sequence[Slots], sanding_costs: int = 0
) -> Slots:
    """For each start of the first coat its value and that of a sanding; NEVER where it may not."""
    chain = room.problem.chains[at]
    first, value = chain.tasks[0], values[0]
    film = chain.film
    ready = np.array([begin_of(room, at)])

    sand = 0 if film is None else film.sand

    def left(extra: bool) -> Bools:
        pieces = pieces_of(first, extra, room.problem)
        done = int(through(tables(room, at, pieces), ready, sand)[0])
        return choices[0].head >= done

    allowed = left(False)
    if film is not None:
        late = (first.starts > film.closes) & (not first.is_sanded_first)
        allowed = np.where(late, left(True), allowed) & (first.starts >= film.opens)
        value = np.minimum(value + sanding_costs * late, NEVER)
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
