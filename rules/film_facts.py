"""What is so of a section's wet films, for which an alarm rings: harmed, blind or near."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from rules.climate import Climate
from rules.limits import LimitJudgement
from rules.reasons import HARM_WORDS, Reason
from rules.spec.model import Spec
from rules.vocabulary import LimitName, LimitState, Stage


class FactKind(StrEnum):
    """What can be so of a wet film."""

    HARMED = "harmed"  # a limit is past its bound, or was and is not well inside for long enough
    BLIND = "blind"  # a limit that matters to it is not known
    NEAR = "near"  # inside a limit by less than the sensors' error, or heading past one


FARTHER = 0.05
"""A harm's limit is told anew where it is past its bound by so much more: half the last digit that
people are shown [unit]."""

OUTLOOK = "outlook"
"""Cause of a `near` that no reading shows yet: the outlook or the trend leads past a limit."""


class Past(NamedTuple):
    """What a harm rests on: its limit where it was farthest past its bound.

    Attributes:
        value: measured [unit].
        bound: that was passed [unit].
        beyond: how far [unit].
        climate: of that time.
    """

    value: float
    bound: float
    beyond: float
    climate: Climate


class FilmFact(NamedTuple):
    """One thing that is so of a section's wet films now.

    Attributes:
        kind: harmed, blind or near.
        cause: name of the limit, or `outlook`.
        since_s: of a harm, since when it holds; of the others the time of the evaluation [s].
        reason: the limit as it stands now, or what else says it best.
        past: of a harm, what was past its bound; None where an earlier run of the program saw it.
    """

    kind: FactKind
    cause: str
    since_s: float
    reason: Reason
    past: Past | None = None


@dataclass(frozen=True, slots=True)
class _Harm:
    since_s: float
    inside_since_s: float | None = None
    past: Past | None = None
    over_s: float = math.inf  # when it was first seen inside its bound again


class Harms:
    """Follows by which limits a section's wet films are harmed.

    A harm begins where its limit is past its bound, and ends once that limit has been well inside
    for the re-entry time. Silence ends none, though what was well inside until it fell silent
    counts up to then.
    """

    __slots__ = ("_eased", "_since")

    def __init__(self) -> None:
        self._since: dict[LimitName, _Harm] = {}
        self._eased: set[LimitName] = set()

    def resume(self, names: Iterable[LimitName], since_s: float) -> None:
        """Take up the harms that a STOP rests on, after a restart [s]."""
        for name in names:
            self._since.setdefault(name, _Harm(since_s))

    def join(self, other: Harms) -> None:
        """Take another's harms beside one's own, from when the first of the two began."""
        for name, harm in other._since.items():
            own = self._since.get(name)
            if own is None or harm.since_s < own.since_s:
                past = harm.past if own is None else _farther(harm.past, own.past)
                self._since[name] = replace(harm, past=past)
        self._eased |= other._eased

    def begin_at(self, begun_s: float) -> None:
        """Keep of what began before a film only what was past its bound since that was laid [s]."""
        for name, harm in list(self._since.items()):
            if harm.over_s <= begun_s:
                del self._since[name]
                continue
            past = harm.past
            if past is not None and past.climate.time_s < begun_s:
                past = None
            self._since[name] = replace(harm, since_s=max(harm.since_s, begun_s), past=past)

    def forget(self, names: Iterable[LimitName]) -> None:
        """End the harms that rested on points alone which are no longer in the config."""
        for name in names:
            self._since.pop(name, None)

    def take(self, judged: Sequence[LimitJudgement], spec: Spec, climate: Climate) -> None:
        """Follow one evaluation.

        Args:
            judged: every limit in force.
            spec: for its bands and times.
            climate: that they were judged on, never before the last one.
        """
        time_s = climate.time_s
        judged = [each for each in judged if each.harms]
        if not self._since and not any(each.state is LimitState.BROKEN for each in judged):
            if self._eased:
                self._settle(judged, spec)
            return
        in_force = {entry.name: entry for entry in judged}
        for name in self._since.keys() - in_force.keys():
            del self._since[name]
        for name, entry in in_force.items():
            harm = self._since.get(name)
            if entry.state is LimitState.BROKEN:
                past = _past_of(entry, climate)
                if harm is not None:
                    past = _farther(harm.past, past)
                since_s = time_s if harm is None else harm.since_s
                self._since[name] = _Harm(since_s, None, past)
            elif harm is not None:
                self._follow(name, harm, entry, spec, time_s)
        self._settle(judged, spec)

    def _follow(
        self, name: LimitName, harm: _Harm, entry: LimitJudgement, spec: Spec, time_s: float
    ) -> None:
        inside_s = harm.inside_since_s
        known = entry.state is not LimitState.UNKNOWN and entry.inside is not None
        well = known and (entry.inside or 0.0) >= spec.re_entry_band.of(name)
        counts = well or not known
        if inside_s is not None and counts and time_s - inside_s >= spec.re_entry_s:
            del self._since[name]
            self._eased.add(name)
        else:
            since_s = time_s if inside_s is None else inside_s
            silent = not known and inside_s is None
            over_s = math.inf if silent else min(harm.over_s, time_s)
            self._since[name] = _Harm(harm.since_s, since_s if well else None, harm.past, over_s)

    def names(self) -> tuple[frozenset[LimitName], frozenset[LimitName]]:
        """Return the limits of which a harm lasts, and those that are not well inside since."""
        return frozenset(self._since), frozenset(self._eased)

    def farther(self, name: LimitName) -> float:
        """Return how far past its bound a harm's limit has to be to be told anew [unit]."""
        past = self._since[name].past
        return 0.0 if past is None else past.beyond + FARTHER

    def due_s(self, spec: Spec) -> float:
        """Return when a harm can end by time alone; infinity for never [s]."""
        inside_s = [harm.inside_since_s for harm in self._since.values()]
        return min(
            (each + spec.re_entry_s for each in inside_s if each is not None), default=math.inf
        )

    def _settle(self, judged: Sequence[LimitJudgement], spec: Spec) -> None:
        """A limit that has eased can be near anew once it was inside by guard and band."""
        for entry in judged:
            room = entry.inside_median
            if (
                entry.name in self._eased
                and entry.state is LimitState.OK
                and room is not None
                and room - entry.guard >= spec.go_band.of(entry.name)
            ):
                self._eased.discard(entry.name)

    def clock_jumped(self, time_s: float) -> None:
        """Count the time well inside anew after a jump of the clock; no harm ends by it [s]."""
        self._since = {
            name: _Harm(min(harm.since_s, time_s), None, harm.past)
            for name, harm in self._since.items()
        }

    def facts(
        self,
        judged: Sequence[LimitJudgement],
        reasons: Mapping[str, Reason],
        time_s: float,
    ) -> tuple[FilmFact, ...]:
        """Return what is so of the films by this evaluation.

        Args:
            judged: every limit in force, the worst first.
            reasons: by name of their limit; that of `outlook` only where it leads past a limit.
            time_s: of the evaluation [s].
        """
        found = [
            FilmFact(FactKind.HARMED, str(name), harm.since_s, reasons[str(name)], harm.past)
            for name, harm in self._since.items()
            if str(name) in reasons
        ]
        for kind, state in ((FactKind.BLIND, LimitState.UNKNOWN), (FactKind.NEAR, LimitState.NEAR)):
            for entry in judged:
                worn = kind is FactKind.NEAR and (
                    entry.name in self._since or entry.name in self._eased
                )
                # Where nothing is spoiled nobody need be woken: HOLD and the notice say it.
                quiet = not entry.harms or (
                    kind is FactKind.NEAR and (entry.inside_median or 0.0) >= entry.guard
                )
                if entry.state is state and not worn and not quiet:
                    reason = reasons[str(entry.name)]
                    found.append(FilmFact(kind, str(entry.name), time_s, reason))
                    break
        if OUTLOOK in reasons:
            found.append(FilmFact(FactKind.NEAR, OUTLOOK, time_s, reasons[OUTLOOK]))
        return tuple(found)


def _past_of(entry: LimitJudgement, climate: Climate) -> Past | None:
    if entry.value is None or entry.inside is None:
        return None
    return Past(entry.value, entry.bound, -entry.inside, climate)


def _farther(one: Past | None, other: Past | None) -> Past | None:
    """The one that was farther past its bound; the first of two that look alike."""
    if one is None or other is None:
        return one or other
    return other if other.beyond > one.beyond + FARTHER else one


def todo_of(
    fact: FilmFact, stage: Stage, *, linked: bool = True, slow_clocks: Sequence[str] = ()
) -> str:
    """Return what an alarm asks of the painter; the caution follows it at once.

    Args:
        fact: that rings.
        stage: of the section.
        linked: whether readings could come in: without a link no probe is to blame.
        slow_clocks: the probes whose clocks are slow, where nothing else is why they do not count.
    """
    apply = stage is Stage.APPLY
    if fact.kind is FactKind.BLIND:
        if not linked:
            return "Start the broker, or what leads to it; no probe is to blame."
        if slow_clocks:
            return f"Set the clock of {' and '.join(slow_clocks)}."
        return "Look at the probe, its cable and its battery."
    if fact.kind is FactKind.NEAR:
        return (
            "Finish to the next break line, then stop." if apply else "Keep off; look again soon."
        )
    if fact.reason.state is LimitState.UNKNOWN:
        return "It cannot be seen whether it is over."
    if fact.reason.state is not LimitState.BROKEN:
        first = "Begin nothing new" if apply else "Keep off"
        return f"{first}: it is not well inside the limit for long enough yet."
    if apply:
        return "Stop at the next break line."
    return f"{HARM_WORDS[LimitName(fact.cause)]} Stay out; leave outside heat as it is. Noted."
