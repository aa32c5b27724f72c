"""The constraint model of a job, solved by CP-SAT: run as a process of its own, imported by none.

One start variable a step, whose domain is every start that could be; a window, which never falls
with its start, is a clause at each start where the next possible slot changes.
"""

from __future__ import annotations

import pickle
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from ortools.sat.python import cp_model, cp_model_helper

from rules.job.list_order import done_from
from rules.job.plan import lower_bound
from rules.job.problem import CLOSE_BEFORE, NEVER, Chain, Piece, Problem, Side, Slots, Task
from rules.job.room import Layout, Placed

_SEED = 1
_Literal = cp_model_helper.Literal


@dataclass(frozen=True, slots=True)
class _Variable:
    """A start: its variable and every slot that it can take."""

    var: cp_model.IntVar
    slots: Slots


@dataclass(frozen=True, slots=True)
class _Work:
    """A step in the model: what it is, when it starts, and whether it is done at all."""

    chain: int
    kind: str
    what: str
    coat: int
    start: _Variable
    length: int
    present: cp_model.IntVar | None = None


@dataclass(slots=True)
class _Coat:
    """A coat in the model with what hangs on it."""

    chain: int
    task: Task
    start: _Variable
    hold: _Variable
    sandings: list[_Work] = field(default_factory=list)
    untape: _Work | None = None
    dry: cp_model.IntVar | None = None
    reach: cp_model.IntVar | None = None


class JobModel:
    """A job as a constraint model."""

    def __init__(self, problem: Problem, hint: Layout | None) -> None:
        """Build the model.

        Args:
            problem: on the grid.
            hint: a plan that is known; none later than it is looked for.
        """
        self.problem = problem
        self._latest = problem.slots if hint is None else hint.finish
        self._model = cp_model.CpModel()
        self._steps: list[_Work] = []
        self._coats: list[_Coat] = []
        self._at_least: dict[tuple[int, int], cp_model.IntVar] = {}
        self._firsts: dict[int, list[_Variable]] = {}
        least = min(lower_bound(problem), self._latest)
        self._done = self._model.new_int_var(least, self._latest, "done")
        self.is_possible = self._chains(least)
        if self.is_possible:
            self._people_and_resources()
            self._dust()
            self._neighbours()
            self._orders()
            self._same_sections()
            extra = [work.present for work in self._steps if work.present is not None]
            self._weight = len(extra) + 1
            # Of two plans that end together, the one that sands less.
            self._model.minimize(self._done * self._weight + sum(extra))
            if hint is not None:
                self._hint(hint)

    def solve(self, limit_s: float, workers: int, memory_mb: int) -> tuple[Layout | None, int]:
        """Look for the best plan.

        Args:
            limit_s: how long [s].
            workers: how many threads.
            memory_mb: how much memory the search may take [MB].

        Returns:
            The plan, or None where none was found, and the slot before which no plan is done.
        """
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = limit_s
        solver.parameters.num_workers = workers
        solver.parameters.random_seed = _SEED
        solver.parameters.max_memory_in_mb = memory_mb
        status = solver.solve(self._model)
        bound = int(np.floor(solver.best_objective_bound / self._weight + 1e-6))
        if status == cp_model.INFEASIBLE:
            return None, NEVER
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return None, max(bound, 0)
        finish = solver.value(self._done)
        return self._layout(solver, finish), finish if status == cp_model.OPTIMAL else bound

    def _layout(self, solver: cp_model.CpSolver, finish: int) -> Layout:
        steps = [
            Placed(w.chain, w.kind, w.what, w.coat, start, start + w.length, w.present is not None)
            for w in self._steps
            if w.present is None or solver.boolean_value(w.present)
            for start in [solver.value(w.start.var)]
        ]
        return Layout(tuple(sorted(steps, key=lambda s: (s.start, s.chain, s.end))), finish)

    # --- variables --------------------------------------------------------------------------

    def _variable(self, slots: Slots) -> _Variable:
        domain = cp_model.Domain.from_values(slots.tolist())
        return _Variable(self._model.new_int_var_from_domain(domain, ""), slots)

    def _ge(self, variable: _Variable, slot: int) -> _Literal | bool:
        """Whether a start is at a slot or later."""
        place = int(np.searchsorted(variable.slots, slot))
        if place == 0:
            return True
        if place == variable.slots.size:
            return False
        slot = int(variable.slots[place])
        key = (variable.var.index, slot)
        if key not in self._at_least:
            literal = self._model.new_bool_var("")
            self._model.add(variable.var >= slot).only_enforce_if(literal)
            self._model.add(variable.var < slot).only_enforce_if(~literal)
            self._at_least[key] = literal
        return self._at_least[key]

    def _clause(self, literals: Iterable[_Literal | bool]) -> None:
        kept = []
        for literal in literals:
            if literal is True:
                return
            if literal is not False:
                kept.append(literal)
        self._model.add_bool_or(kept)

    def _not_before(
        self,
        variable: _Variable,
        first: Slots,
        then: _Variable,
        unless: _Literal | None = None,
    ) -> None:
        """Another start is not before what follows from this one: `first` by its slots."""
        apart = first - variable.slots
        if first.size == 0:
            return
        least = int(apart.min())
        rule = self._model.add(then.var >= variable.var + least)
        if unless is not None:
            rule.only_enforce_if(~unless)
        if int(apart.max()) == least:
            return
        place = np.searchsorted(then.slots, first)
        for k in np.flatnonzero(np.diff(place, prepend=-1)):
            slot = int(then.slots[place[k]]) if place[k] < then.slots.size else NEVER
            other = () if unless is None else (unless,)
            self._clause((_not(self._ge(variable, int(variable.slots[k]))),
                          self._ge(then, slot), *other))  # fmt: skip

    def _not_after(
        self,
        variable: _Variable,
        last: Slots,
        then: _Variable,
        unless: Sequence[_Literal] = (),
    ) -> None:
        """Another start is not after what follows from this one: `last` by its slots."""
        apart = last - variable.slots
        if not unless and apart.size and int(apart.min()) == int(apart.max()):
            self._model.add(then.var <= variable.var + int(apart[0]))
            return
        place = np.searchsorted(then.slots, last, "right")
        for k in np.flatnonzero(np.diff(place, append=-1)):
            if place[k] == then.slots.size:
                continue
            after = int(variable.slots[k + 1]) if k + 1 < variable.slots.size else NEVER
            self._clause((self._ge(variable, after), *unless,
                          _not(self._ge(then, int(then.slots[place[k]])))))  # fmt: skip

    # --- sections ---------------------------------------------------------------------------

    def _chains(self, least: int) -> bool:
        for at, chain in enumerate(self.problem.chains):
            if not chain.tasks:
                if chain.film is not None:
                    self._model.add(self._done >= min(chain.film.done, NEVER))
                continue
            before: _Coat | None = None
            for task, value in zip(chain.tasks, done_from(self.problem, at), strict=True):
                starts = task.starts[value <= self._latest]
                if starts.size == 0:
                    return False
                before = self._coat(at, chain, task, starts, before)
            if before is not None:
                self._not_before_var(before.start, _of(before, "done"), self._done, least)
        return True

    def _work_slots(self, length: int, last: int) -> Slots:
        left = self.problem.span_left[: max(0, min(last, self.problem.slots))]
        return np.flatnonzero(left >= length)

    def _coat(
        self, at: int, chain: Chain, task: Task, starts: Slots, before: _Coat | None
    ) -> _Coat:
        start = self._variable(starts)
        step = _Work(at, "coat", "", task.number, start, task.length)
        self._steps.append(step)
        coat = _Coat(at, task, start, start)
        own = [start]
        last_slot = int(starts[-1])
        self._before_coat(coat, own, before, chain, last_slot)
        held = start
        for piece in reversed(task.close_before):
            earlier = self._variable(self._work_slots(piece.length, last_slot))
            self._steps.append(
                _Work(at, piece.kind, piece.what, task.number, earlier, piece.length)
            )
            self._model.add(earlier.var + piece.length + piece.dries <= held.var)
            self._model.add(earlier.var >= start.var - task.lead - CLOSE_BEFORE)
            held = earlier
            own.append(earlier)
        coat.hold = held
        for work in coat.sandings:
            self._after_work(work, held)
        if before is not None and before.untape is not None and task.is_taped:
            self._after_work(before.untape, held)
        for side in (task.mix, task.untape):
            if side is not None:
                own.append(self._side(coat, side, starts))
        if before is None:
            self._firsts[at] = own
        else:
            self._window(before, coat)
        self._coats.append(coat)
        return coat

    def _side(self, coat: _Coat, side: Side, starts: Slots) -> _Variable:
        place = np.searchsorted(coat.task.starts, starts)
        first, last = side.first[place], side.last[place]
        slots = self._work_slots(1, int(last[-1]) + 1)
        variable = self._variable(slots[slots >= first[0]])
        self._not_before(coat.start, first, variable)
        self._not_after(coat.start, last, variable)
        work = _Work(coat.chain, side.kind, "", coat.task.number, variable, 1)
        self._steps.append(work)
        if side.kind == "untape":
            coat.untape = work
        return variable

    def _before_coat(
        self,
        coat: _Coat,
        own: list[_Variable],
        before: _Coat | None,
        chain: Chain,
        last_slot: int,
    ) -> None:
        """Washes and sandings of the system, and one that a missed window may ask for."""
        task, at = coat.task, coat.chain
        film = chain.film if before is None else None
        pieces = [(piece, False) for piece in task.middles]
        closes = _of(before, "closes") if before is not None else None
        may_miss = (closes is not None and int(closes[0]) < last_slot) or (
            film is not None and film.closes < last_slot
        )
        if may_miss and not task.is_sanded_first:
            pieces.insert(0, (Piece("sand", "", self.problem.resanding, 0), True))
        earlier: _Work | None = None
        for piece, optional in pieces:
            slots = self._work_slots(piece.length, last_slot)
            if film is not None:
                slots = slots[slots >= (film.sand if piece.kind == "sand" else film.dry)]
            if slots.size == 0 and optional:
                continue
            present = self._model.new_bool_var("") if optional else None
            work = _Work(at, piece.kind, piece.what, task.number, self._variable(slots),
                         piece.length, present)  # fmt: skip
            self._steps.append(work)
            if before is not None:
                ready = _of(before, "sand" if piece.kind == "sand" else "dry")
                self._not_before(before.start, ready, work.start,
                                 None if present is None else present.negated())  # fmt: skip
            if earlier is not None:
                self._after_work(earlier, work.start)
            if piece.kind == "sand":
                coat.sandings.append(work)
            if not optional:
                own.append(work.start)
            self._model.add(work.start.var + piece.length + piece.dries <= coat.start.var
                            ).only_enforce_if([] if present is None else present)  # fmt: skip
            earlier = work
        if film is not None:
            self._model.add(coat.start.var >= film.opens)
            late = self._ge(coat.start, film.closes + 1)
            if not task.is_sanded_first:
                self._clause((_not(late), *_presents(coat)))

    def _after_work(self, work: _Work, then: _Variable) -> None:
        rule = self._model.add(then.var >= work.start.var + work.length)
        if work.present is not None:
            rule.only_enforce_if(work.present)

    def _window(self, before: _Coat, coat: _Coat) -> None:
        self._not_before(before.start, _of(before, "opens"), coat.start)
        if not coat.task.is_sanded_first:
            self._not_after(before.start, _of(before, "closes"), coat.start, _presents(coat))

    # --- what sections share ------------------------------------------------------------------

    def _people_and_resources(self) -> None:
        model, intervals = self._model, []
        for work in self._steps:
            if work.present is None:
                intervals.append(model.new_fixed_size_interval_var(work.start.var, work.length, ""))
            else:
                intervals.append(
                    model.new_optional_fixed_size_interval_var(
                        work.start.var, work.length, work.present, ""
                    )
                )
        if self.problem.people > 0:
            model.add_cumulative(intervals, [1] * len(intervals), self.problem.people)
        by_resource: dict[int, list[cp_model.IntervalVar]] = {}
        for coat in self._coats:
            if coat.task.resource is not None:
                by_resource.setdefault(coat.task.resource, []).append(
                    model.new_fixed_size_interval_var(coat.start.var, coat.task.length, "")
                )
        for own in by_resource.values():
            model.add_no_overlap(own)

    def _not_before_var(
        self, variable: _Variable, first: Slots, then: cp_model.IntVar, least: int = 0
    ) -> None:
        """As `_not_before`, for a time of many slots that is never before `least`."""
        self._model.add(then >= int(first[0]))
        for k in np.flatnonzero(np.diff(first, prepend=first[0])):
            if first[k] > least:
                literal = self._ge(variable, int(variable.slots[k]))
                rule = self._model.add(then >= int(first[k]))
                if literal is not True:
                    rule.only_enforce_if(literal)

    def _until(self, coat: _Coat, name: str, asked: Slots) -> cp_model.IntVar:
        """Until when a film takes dust, or no tape: the first slot after it that is asked for."""
        last = asked[-1] + 1 if asked.size else 0
        slots = np.append(asked, last)
        place = np.searchsorted(slots, np.minimum(_of(coat, name), last))
        found = self._model.new_int_var(0, int(last), "")
        self._not_before_var(coat.start, slots[place], found)
        return found

    def _dust(self) -> None:
        asked: dict[str, Slots] = {}
        for coat in self._coats:
            own = self.problem.chains[coat.chain].enclosure
            for work in coat.sandings:
                asked[own] = np.union1d(asked.get(own, work.start.slots), work.start.slots)
        for sanded in self._coats:
            enclosure = self.problem.chains[sanded.chain].enclosure
            for work in sanded.sandings:
                for other in self._coats:
                    chain = self.problem.chains[other.chain]
                    if other.chain != sanded.chain and chain.enclosure == enclosure:
                        if other.dry is None:
                            other.dry = self._until(other, "dry", asked[enclosure])
                        self._apart(work, other.start.var, other.dry)
                for at, chain in enumerate(self.problem.chains):
                    same = chain.enclosure == enclosure and at != sanded.chain
                    if chain.film is not None and same:
                        rule = self._model.add(work.start.var >= chain.film.dry)
                        if work.present is not None:
                            rule.only_enforce_if(work.present)

    def _apart(self, work: _Work, begin: cp_model.IntVar, end: cp_model.IntVar) -> None:
        """A sanding lies wholly before or wholly after a span."""
        first = self._model.new_bool_var("")
        always = [] if work.present is None else [work.present]
        self._model.add(work.start.var + work.length <= begin).only_enforce_if([first, *always])
        self._model.add(end <= work.start.var).only_enforce_if([~first, *always])

    def _neighbours(self) -> None:
        working = self._work_slots(1, self.problem.slots)
        for coat in self._coats:
            if self.problem.chains[coat.chain].beside:
                coat.reach = self._until(coat, "handle", working)
                if coat.untape is not None:
                    self._model.add(coat.reach >= coat.untape.start.var + 1)
        for one, two in combinations(self._coats, 2):
            if two.chain in self.problem.chains[one.chain].beside:
                first = self._model.new_bool_var("")
                self._model.add(one.reach <= two.hold.var).only_enforce_if(first)
                self._model.add(two.reach <= one.hold.var).only_enforce_if(~first)
        for coat in self._coats:
            beside = self.problem.chains[coat.chain].beside
            for at in beside:
                film = self.problem.chains[at].film
                if film is not None:
                    self._model.add(coat.hold.var >= film.handle)
            for other in self._coats:
                if other.chain in beside:
                    for work in other.sandings:
                        self._apart(work, coat.hold.var, self._off(coat))

    def _off(self, coat: _Coat) -> cp_model.IntVar:
        found = self._model.new_int_var(0, NEVER, "")
        self._model.add(found >= coat.start.var + coat.task.length)
        if coat.untape is not None:
            self._model.add(found >= coat.untape.start.var + 1)
        return found

    def _orders(self) -> None:
        for at, chain in enumerate(self.problem.chains):
            for other in chain.after:
                lasts = [coat for coat in self._coats if coat.chain == other]
                for first in self._firsts.get(at, []):
                    for last in lasts[-1:]:
                        self._model.add(first.var >= last.start.var + last.task.length)

    def _same_sections(self) -> None:
        """Of sections that cannot be told apart, the first named is begun first."""
        seen: dict[tuple[object, ...], _Coat] = {}
        for coat in self._coats:
            chain = self.problem.chains[coat.chain]
            if coat.task is not chain.tasks[0] or chain.beside or chain.after or chain.film:
                continue
            if any(coat.chain in other.after for other in self.problem.chains):
                continue
            key = (chain.enclosure, *(id(task) for task in chain.tasks))
            if key in seen:
                self._model.add(seen[key].start.var <= coat.start.var)
            seen[key] = coat

    def _hint(self, hint: Layout) -> None:
        known: dict[tuple[int, str, str, int, bool], list[Placed]] = {}
        for step in hint.steps:
            key = (step.chain, step.kind, step.what, step.coat, step.extra)
            known.setdefault(key, []).append(step)
        for work in self._steps:
            key = (work.chain, work.kind, work.what, work.coat, work.present is not None)
            found = known.get(key, [])
            if work.present is not None:
                self._model.add_hint(work.present, bool(found))
            if found:
                self._model.add_hint(work.start.var, found.pop(0).start)


def _of(coat: _Coat, name: str) -> Slots:
    """One of a coat's columns, for the starts that its variable has left."""
    column: Slots = getattr(coat.task, name)
    return column[np.searchsorted(coat.task.starts, coat.start.slots)]


def _not(literal: _Literal | bool) -> _Literal | bool:
    return (not literal) if isinstance(literal, bool) else literal.negated()


def _presents(coat: _Coat) -> list[_Literal]:
    return [work.present for work in coat.sandings if work.present is not None]


def main() -> None:
    """Read a problem from standard input, solve it, and write the answer to standard output."""
    problem, hint, limit_s, workers, memory_mb = pickle.load(sys.stdin.buffer)
    _limit_memory(memory_mb)
    model = JobModel(problem, hint)
    answer: tuple[Layout | None, int] = (None, 0)
    if model.is_possible:
        answer = model.solve(limit_s, workers, memory_mb)
    pickle.dump(answer, sys.stdout.buffer)


def _limit_memory(memory_mb: int) -> None:
    try:
        import resource
    except ImportError:  # no such limit on this system: the solver's own stands alone
        return
    # Threads reserve address space that they never use: the limit on it is a wide one.
    most = 4 * memory_mb * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


if __name__ == "__main__":
    main()
