"""Tries the shortcut of `Section.evaluate` from outside, against sections without it.

Three sections go through one hostile course: one that judges every evaluation whole, one with the
shortcut that is asked to explain itself now and then, and one that nobody asks before the end.
Whatever can be seen of them must be the same after every evaluation.

    python tests/support/shortcut_trial.py FIRST_SEED SEEDS [EVALUATIONS]
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any

from hostile_course import SECTION, Course

from rules import section as shortcut
from rules.call import Call, Memory
from rules.climate import AssumedSurface, PointValue
from rules.reasons import Doubt
from rules.section import Film, LastAnswer, Section

_OWN = vars(shortcut)
NAME = "quiet_of"
SHORT = _OWN[NAME]


def no_shortcut(*_: object, **__: object) -> None:
    """Let nothing pass: what stands in for the shortcut where everything is judged whole."""


class Witness(Section):
    """A section that counts what it lets pass, with the shortcut or without.

    Attributes:
        evaluations: made.
        passed: those of them that were let pass.
    """

    def __init__(
        self,
        film: Film,
        time_s: float,
        last: tuple[LastAnswer | None, LastAnswer | None] = (None, None),
        *,
        whole: bool = False,
    ) -> None:
        """Begin to watch; `whole` switches the shortcut off."""
        self.evaluations = self.passed = self._judged = 0
        self._short: Callable[..., Any] = no_shortcut if whole else SHORT
        super().__init__(SECTION, film, time_s, *last)

    def evaluate(
        self,
        sensed: Sequence[PointValue],
        time_s: float,
        *,
        assumed: AssumedSurface | None = None,
        doubts: Sequence[Doubt] = (),
    ) -> Memory:
        """Judge the present, and count."""
        before, usual = self._judged, _OWN[NAME]
        _OWN[NAME] = self._short
        try:
            memory = super().evaluate(sensed, time_s, assumed=assumed, doubts=doubts)
        finally:
            _OWN[NAME] = usual  # not `SHORT`, which a test may have spoiled
        self.evaluations += 1
        self.passed += self._judged == before
        return memory

    def _judge(self, *args: Any, **named: Any) -> Any:
        self._judged += 1
        return super()._judge(*args, **named)


@dataclass(slots=True)
class Tally:
    """What a trial came to.

    Attributes:
        evaluations: compared.
        passed: those of them that were let pass by the section that nobody asks.
        passed_asked: those by the one that is asked now and then.
        explained: explanations compared.
        differences: the first of every seed, in words.
        calls: how often each was in force.
    """

    evaluations: int = 0
    passed: int = 0
    passed_asked: int = 0
    explained: int = 0
    differences: tuple[str, ...] = ()
    calls: Counter[str] = field(default_factory=Counter)


def counted(memory: Memory) -> Memory:
    """Return a memory without the timers that nothing can come of in its call.

    GO ends in a doubt or a break, of which neither leaves a timer running; HOLD ends in STOP by a
    break, which ends the time well inside.
    """
    if memory.call is Call.GO:
        return replace(memory, inside_since_s=None, settled_since_s=None)
    return replace(memory, inside_since_s=None) if memory.call is Call.HOLD else memory


def seen(section: Section) -> dict[str, object]:
    """Return what anybody sees of a section without asking for its reasons."""
    start, films = section.answers
    return {
        "decides": counted(section.memory),
        "question": section.question,
        "start": counted(start),
        "films": None if films is None else counted(films),
        "points": section.points(),
        "beside": section.beside,
    }


def first_difference(one: object, other: object, path: str = "") -> str:
    """Return where two values differ first, with both; "" where they are the same."""
    if one == other or repr(one) == repr(other):
        return ""
    if is_dataclass(one) and type(one) is type(other):
        pairs = [
            (each.name, getattr(one, each.name), getattr(other, each.name)) for each in fields(one)
        ]
    elif isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        pairs = [(str(key), one[key], other[key]) for key in one]
    elif isinstance(one, tuple) and isinstance(other, tuple) and len(one) == len(other):
        pairs = [(str(k), *each) for k, each in enumerate(zip(one, other, strict=True))]
    elif isinstance(one, frozenset) and isinstance(other, frozenset):
        return first_difference(tuple(sorted(one, key=repr)), tuple(sorted(other, key=repr)), path)
    else:
        return f"{path}: {one!r} whole, {other!r} with the shortcut"
    for name, mine, its in pairs:
        if found := first_difference(mine, its, f"{path}.{name}"):
            return found
    return ""


def tried(seed: int, evaluations: int = 400) -> Tally:
    """Play one course to its end or to the first difference.

    Args:
        seed: of the course.
        evaluations: how many.
    """
    course, tally = Course(seed), Tally()
    last = course.last_answers()
    whole = Witness(course.film, course.time_s, last, whole=True)
    asked, silent = (Witness(course.film, course.time_s, last) for _ in range(2))
    sections = (whole, asked, silent)
    asking = course.chance.choice((0.0, 0.0, 0.02, 0.2, 1.0))
    stretches = course.stretches(whole)
    for number in range(evaluations):
        course.pass_time(whole)
        next(stretches)
        told: list[str] = []
        for done in course.events():
            said = [done(each) for each in sections]
            told += [first_difference(said[0], each, "done") for each in said[1:]]
        if number:
            told += [first_difference(seen(whole), seen(each), "done") for each in sections[1:]]
        sensed = course.sensed()
        for each in sections:
            each.evaluate(sensed, course.time_s, assumed=course.assumed, doubts=course.doubts)
        tally.evaluations += 1
        tally.calls[whole.memory.call.value] += 1
        for who, each in (("asked", asked), ("silent", silent)):
            told.append(first_difference(seen(whole), seen(each), who))
        last_one = number == evaluations - 1
        explains = (asked, silent) if last_one else (asked,)
        if last_one or course.chance.random() < asking:
            tally.explained += 1
            call = whole.explain()
            told += [first_difference(call, each.explain(), "explain") for each in explains]
        if any(told):
            first = next(each for each in told if each)
            tally.differences = (f"seed {seed}, evaluation {number}, {course.time_s!r} s: {first}",)
            break
    tally.passed, tally.passed_asked = silent.passed, asked.passed
    return tally


def trial(seeds: Sequence[int], evaluations: int = 400) -> Tally:
    """Play a course a seed; every seed's first difference counts."""
    total = Tally()
    for seed in seeds:
        found = tried(seed, evaluations)
        total.evaluations += found.evaluations
        total.passed += found.passed
        total.passed_asked += found.passed_asked
        total.calls += found.calls
        total.explained += found.explained
        total.differences += found.differences
    return total


def main() -> None:
    """Play the seeds that the command line names, and print what they came to."""
    first, count, evaluations = (int(each) for each in (*sys.argv[1:], "400")[:3])
    began_s = time.process_time()
    for seed in range(first, first + count, 50):
        found = trial(range(seed, min(seed + 50, first + count)), evaluations)
        share = found.passed / max(1, found.evaluations)
        share_asked = found.passed_asked / max(1, found.evaluations)
        sys.stdout.write(
            f"seeds from {seed}: {found.evaluations} evaluations, {share:.0%} let pass "
            f"({share_asked:.0%} where asked), {found.explained} explained, "
            f"{len(found.differences)} differ; {dict(found.calls)}; "
            f"{time.process_time() - began_s:.0f} s\n"
        )
        sys.stdout.writelines(f"  {each}\n" for each in found.differences)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
