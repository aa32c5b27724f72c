"""The state machine: from judged limits to GO, HOLD or STOP, and when one may follow another.

`TRANSITIONS` is the whole of it; DEVELOPERS.md prints the same table and a test compares them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.climate import ASSUMED
from rules.limits import LimitJudgement
from rules.spec.model import Spec
from rules.vocabulary import Effect, LimitName, LimitState


class Call(StrEnum):
    """What the painter is told."""

    GO = "GO"
    HOLD = "HOLD"
    STOP = "STOP"


WORST_FIRST = (Call.STOP, Call.HOLD, Call.GO)


class Finding(StrEnum):
    """What one evaluation shows; the first that applies counts."""

    BROKEN = "broken"  # a best estimate is past its bound, or coating over is forbidden
    DOUBT = "doubt"  # a limit is near or unknown, or something forbids GO for now
    WAITING = "waiting"  # every limit is ok, but not by enough or not for long enough
    SETTLED = "settled"  # every limit is ok by guard and band, for the dwell


@dataclass(frozen=True, slots=True)
class Transition:
    """One row of the table: in this call, on this finding, once re-entered or not, that call."""

    before: Call
    finding: Finding
    re_entered: bool
    after: Call
    meaning: str


def _rows() -> tuple[Transition, ...]:
    stop, hold, go = Call.STOP, Call.HOLD, Call.GO
    broken, doubt = Finding.BROKEN, Finding.DOUBT
    waiting, settled = Finding.WAITING, Finding.SETTLED
    rows = [
        Transition(go, broken, False, stop, "a limit is past its bound: at once"),
        Transition(go, doubt, False, hold, "near, unknown or forbidden: at once"),
        Transition(go, waiting, False, go, "still inside the guard: the band is for entering"),
        Transition(go, settled, False, go, "all is well"),
        Transition(hold, broken, False, stop, "a limit is past its bound: at once"),
        Transition(hold, doubt, False, hold, "not yet"),
        Transition(hold, waiting, False, hold, "the band or the dwell is not through"),
        Transition(hold, settled, False, go, "band held for the dwell"),
        Transition(stop, broken, False, stop, "still past the bound"),
        Transition(stop, doubt, False, stop, "silence and doubt never end a STOP"),
        Transition(stop, waiting, False, stop, "re-entry time is not through"),
        Transition(stop, settled, False, stop, "re-entry time is not through"),
        Transition(stop, doubt, True, hold, "re-entry band held for the re-entry time"),
        Transition(stop, waiting, True, hold, "re-entry band held for the re-entry time"),
        Transition(stop, settled, True, hold, "a STOP ends in HOLD, never in GO"),
    ]
    return tuple(rows)


TRANSITIONS: tuple[Transition, ...] = _rows()
_NEXT = {(row.before, row.finding, row.re_entered): row.after for row in TRANSITIONS}


@dataclass(frozen=True, slots=True)
class Memory:
    """What the machine remembers between two evaluations of one section.

    Attributes:
        call: the call in force.
        since_s: since when [s].
        inside_since_s: since when every limit is inside by the re-entry band, or None [s].
        settled_since_s: since when every limit is ok by guard and band, or None [s].
        cause: what brought or kept a STOP, as `cause_of` writes it; empty otherwise.
    """

    call: Call
    since_s: float
    inside_since_s: float | None = None
    settled_since_s: float | None = None
    cause: frozenset[str] = frozenset()

    def points(self) -> frozenset[str]:
        """Return the points that a STOP rests on."""
        return frozenset[str]().union(*map(points_of, self.cause))


def first_memory(time_s: float, last_call: Call | None = None) -> Memory:
    """Return where a section begins: STOP comes back as STOP, anything else as HOLD.

    Args:
        time_s: when the program began to watch it [s].
        last_call: the last call in the log, or None where there is none.
    """
    return Memory(Call.STOP if last_call is Call.STOP else Call.HOLD, time_s)


def all_inside(judged: Sequence[LimitJudgement], spec: Spec) -> bool:
    """Return whether every limit that harms is known and inside its bound by the re-entry band."""
    return all(
        not entry.harms
        or (
            entry.inside is not None
            and entry.state is not LimitState.UNKNOWN
            and entry.inside >= spec.re_entry_band.of(entry.name)
        )
        for entry in judged
    )


def all_settled(judged: Sequence[LimitJudgement], spec: Spec) -> bool:
    """Return whether every limit is ok and inside its guard by the band that entering GO needs."""
    return all(
        entry.state is LimitState.OK
        and entry.room is not None
        and (entry.effect is Effect.SLOW or entry.room >= spec.go_band.of(entry.name))
        for entry in judged
    )


def step(
    memory: Memory,
    judged: Sequence[LimitJudgement],
    spec: Spec,
    time_s: float,
    *,
    go_forbidden: bool = False,
    gated: bool = False,
    stop_forced: str = "",
) -> Memory:
    """Walk the table once.

    Args:
        memory: from the evaluation before.
        judged: every limit in force.
        spec: for its bands and times.
        time_s: of this evaluation, never before the last one [s].
        go_forbidden: the outlook, the clock or the log's disk forbids GO for now.
        gated: GO waits for an event or for the end of a clock; the dwell, which is the limits',
            runs on.
        stop_forced: the name of what makes coating wrong beside the limits (the recoat window
            has closed), or "".

    Returns:
        What to remember; `call` is the call in force from this evaluation on.
    """
    broken = {cause_of(entry) for entry in judged if entry.state is LimitState.BROKEN}
    settled = not go_forbidden and not stop_forced and all_settled(judged, spec)
    settled_since_s = _since(memory.settled_since_s, settled, time_s)
    inside = not broken and not stop_forced and all_inside(judged, spec)
    inside_since_s = _since(memory.inside_since_s, inside, time_s)

    if broken or stop_forced:
        finding = Finding.BROKEN
    elif (
        go_forbidden
        or gated
        or any(
            entry.state is LimitState.NEAR or entry.state is LimitState.UNKNOWN for entry in judged
        )
    ):
        finding = Finding.DOUBT
    elif settled_since_s is not None and time_s - settled_since_s >= spec.dwell_s:
        finding = Finding.SETTLED
    else:
        finding = Finding.WAITING
    # A value counts until it runs out: what was inside until it fell silent counts up to then.
    held_since_s = inside_since_s
    if memory.call is Call.STOP and held_since_s is None and _only_silent(judged, spec):
        held_since_s = memory.inside_since_s
    re_entered = (
        memory.call is Call.STOP
        and finding is not Finding.BROKEN
        and held_since_s is not None
        and time_s - held_since_s >= spec.re_entry_s
    )
    call = _NEXT[memory.call, finding, re_entered]

    if call is not Call.STOP:
        cause: frozenset[str] = frozenset()
    elif finding is Finding.BROKEN:
        named = frozenset(broken | ({stop_forced} if stop_forced else set()))
        cause = named if memory.call is not Call.STOP else memory.cause | named
    else:
        cause = memory.cause
    since_s = memory.since_s if call is memory.call else time_s
    return Memory(call, since_s, inside_since_s, settled_since_s, cause)


def _only_silent(judged: Sequence[LimitJudgement], spec: Spec) -> bool:
    """Whether every limit that is known is inside by the re-entry band, and some are not known."""
    harmful = [entry for entry in judged if entry.harms]
    known = [entry for entry in harmful if entry.state is not LimitState.UNKNOWN]
    return len(known) < len(harmful) and all_inside(known, spec)


def _since(before_s: float | None, holds: bool, time_s: float) -> float | None:
    if not holds:
        return None
    return time_s if before_s is None else before_s


def restart_timers(memory: Memory, time_s: float) -> Memory:
    """Return the memory after the clock jumped: GO becomes HOLD, STOP stays, timers begin anew."""
    call = Call.STOP if memory.call is Call.STOP else Call.HOLD
    return Memory(call, time_s, None, None, memory.cause)


def both_of(one: Memory, other: Memory) -> Memory:
    """Return what is remembered where two answers become one: the worse, by what both held."""
    calls = [each.call for each in (one, other)]
    call = min(calls, key=WORST_FIRST.index)

    def later(first_s: float | None, second_s: float | None) -> float | None:
        return None if first_s is None or second_s is None else max(first_s, second_s)

    return Memory(
        call,
        min(each.since_s for each in (one, other) if each.call is call),
        later(one.inside_since_s, other.inside_since_s),
        later(one.settled_since_s, other.settled_since_s),
        one.cause | other.cause,
    )


_AND = " + "


def cause_of(entry: LimitJudgement) -> str:
    """Return how a broken limit is remembered: `limit@point`, or `limit@point + point`."""
    return cause_at(entry.name, entry.source, entry.beside)


def cause_at(name: LimitName, source: str, beside: str) -> str:
    """Return the same for a limit at a point, or at a pair of a surface and an air point."""
    second = f"{_AND}{beside}" if beside else ""
    return f"{name}@{source}{second}"


def points_of(cause: str) -> frozenset[str]:
    """Return the points that a remembered cause rests on.

    >>> sorted(points_of("dew_margin_min@plank-port + air-bow"))
    ['air-bow', 'plank-port']
    >>> points_of("recoat closes")
    frozenset()
    """
    named = cause.partition("@")[2].split(_AND)
    return frozenset(each.removesuffix(ASSUMED) for each in named if each)


def limits_of(cause: Iterable[str]) -> tuple[LimitName, ...]:
    """Return the limits that remembered causes are about, in the order of their names.

    >>> limits_of({"dew_margin_min@plank-port + air-bow", "recoat closes"})
    (<LimitName.DEW_MARGIN_MIN: 'dew_margin_min'>,)
    """
    named = {each.partition("@")[0] for each in cause}
    return tuple(name for name in LimitName if str(name) in named)


def release(memory: Memory, points: frozenset[str], time_s: float) -> Memory:
    """Return the memory once points have been taken out of the config.

    Args:
        memory: of the section.
        points: that are no longer there.
        time_s: when [s].

    Returns:
        HOLD where nothing else caused the STOP, else the STOP with the causes that are left.
    """
    if memory.call is not Call.STOP or not memory.cause:
        return memory
    left = frozenset(each for each in memory.cause if not points_of(each) & points)
    if left:
        return replace(memory, settled_since_s=None, cause=left)
    return Memory(Call.HOLD, time_s)
