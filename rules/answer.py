"""One question of a section from one evaluation to the next: limits, outlook and call in line.

A section asks two: may a coat be started, and is every wet film safe? `section` joins them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from datetime import tzinfo

from rules.call import Call, Memory, both_of, first_memory, limits_of, release, restart_timers, step
from rules.climate import Climate
from rules.film_facts import OUTLOOK, FilmFact, Harms
from rules.limits import LimitJudgement, RecentMedian, is_stricter, judge, worst_first
from rules.reasons import (
    MAY_I_START,
    CureLeft,
    Doubt,
    Reason,
    advice_of,
    ahead_reasons,
    by_severity,
    doubt_reason,
    go_reasons,
    last_start_reason,
    limit_reasons,
    outlook_reasons,
    stop_reason,
    surface_reason,
    timer_reasons,
)
from rules.spec.model import GENERAL_GUIDANCE, Limit, Spec
from rules.trend import EarlierOutlook, RecentTrend
from rules.vocabulary import LimitName, LimitState, Stage

RECOAT_CLOSES = "recoat closes"


@dataclass(frozen=True, slots=True)
class Answer:
    """One of a section's two answers.

    Attributes:
        question: `may I start?` or `is the film safe?`.
        call: GO, HOLD or STOP.
        since_s: since when [s].
        advice: what it asks of the painter.
        reasons: worst first.
        cause: what brought or kept a STOP, as `limit@point`.
        climate: that it rests on.
        looked_ahead_s: how far ahead the outlook, or the trend, looked [s].
        facts: what is so of the wet films; () for `may I start?`.
    """

    question: str
    call: Call
    since_s: float
    advice: str
    reasons: tuple[Reason, ...]
    cause: frozenset[str]
    climate: Climate
    looked_ahead_s: float
    facts: tuple[FilmFact, ...] = ()


class Answerer:
    """Keeps what one answer needs from one evaluation to the next.

    Attributes:
        memory: of the state machine.
        climate: of the last evaluation, or None before the first.
        spec: for its bands and times.
        limits: in force.
        medians: of the last minute.
        trend: of the last hour.
        harms: of its films.
        held_back: whether something beside the limits, the trend and its gates forbids GO.
    """

    def __init__(self, time_s: float) -> None:
        self.memory: Memory = first_memory(time_s)
        self.climate: Climate | None = None
        self.spec = GENERAL_GUIDANCE
        self.limits: Mapping[LimitName, Limit] = {}
        self.medians = RecentMedian()
        self.trend = RecentTrend()
        self.harms = Harms()
        self.held_back = False
        self._judged: tuple[LimitJudgement, ...] = ()
        self._doubts: tuple[Doubt, ...] = ()
        self._gates: tuple[Doubt, ...] = ()
        self._forbidden = ""

    def resume(self, call: Call, cause: frozenset[str], since_s: float | None) -> None:
        """Take up what the log has: STOP comes back as STOP, anything else as HOLD.

        Args:
            call: the last one in the log.
            cause: what brought or kept it, where it was STOP.
            since_s: since when it stands; None, or a time to come, leaves the restart's [s].
        """
        if call is not Call.STOP:
            return
        begun_s = self.memory.since_s
        stands_s = begun_s if since_s is None else min(since_s, begun_s)
        self.memory = Memory(Call.STOP, stands_s, cause=cause)
        self.harms.resume(limits_of(cause), stands_s)

    def for_the_film(self, begun_s: float | None, beneath: Answerer | None = None) -> Answerer:
        """Return where the answer about a film begins that was just laid, on what is known so far.

        What only kept a coat from being started (the closed window) does not harm the film, nor
        does air that has been well again for long behind it, nor what was over before it was laid:
        of that the call alone remains.

        Args:
            begun_s: when it was laid, or None where that was never recorded [s].
            beneath: the answer about films that lie already, of which nothing is forgotten.
        """
        found = deepcopy(self)
        memory = found.memory
        if memory.call is Call.STOP and RECOAT_CLOSES in memory.cause:
            harming, _ = found.harms.names()
            cause = frozenset(e for e in memory.cause if harming.intersection(limits_of([e])))
            found.memory = replace(memory, cause=cause)
            if not cause:
                found.memory = Memory(Call.HOLD, memory.since_s)
        if begun_s is not None:
            found.harms.begin_at(begun_s)
        if beneath is not None:
            found.memory = both_of(found.memory, beneath.memory)
            found.harms.join(beneath.harms)
        return found

    def asks_less_than(self, limits: Mapping[LimitName, Limit]) -> bool:
        """Return whether some of these limits are stricter than those in force."""
        return any(
            name not in self.limits or is_stricter(limit, self.limits[name])
            for name, limit in limits.items()
        )

    def set_limits(
        self,
        limits: Mapping[LimitName, Limit],
        spec: Spec,
        time_s: float | None,
        *,
        begun: bool = False,
    ) -> None:
        """Take other limits into account from the next evaluation on.

        A GO by laxer limits is no GO any more: the dwell has not been held by what counts now.

        Args:
            limits: in force from now on.
            spec: for its bands and times.
            time_s: now; None where nothing has been evaluated yet [s].
            begun: whether they are those of a coat that was just begun: no limit of it has brought
                the STOP that stands, whose way out to HOLD goes on.
        """
        if time_s is not None and self.asks_less_than(limits):
            if begun and self.memory.call is Call.STOP:
                self.memory = replace(self.memory, settled_since_s=None)
            else:
                self.memory = restart_timers(self.memory, time_s)
        self.limits, self.spec = limits, spec

    def evaluate(
        self,
        climate: Climate,
        doubts: tuple[Doubt, ...],
        ahead: EarlierOutlook | None,
        *,
        gates: tuple[Doubt, ...] = (),
        forbidden: str = "",
        needs_margin: bool = False,
    ) -> None:
        """Judge the present and walk the state machine once.

        Args:
            climate: now.
            doubts: what beside the limits forbids GO for now.
            ahead: the outlook for this question, or None.
            gates: what GO waits for that no reading tells: an event, or the end of a clock.
            forbidden: why coating is wrong whatever the air does, or "".
            needs_margin: whether there is no GO without a limit on the dew margin.
        """
        time_s, limits = climate.time_s, self.limits
        judged = judge(climate, limits, self.medians)
        for entry in judged:
            if entry.name is LimitName.DEW_MARGIN_MIN:
                climate = climate.decided_by(entry.source, entry.beside)
        self.trend.take(judged, time_s)
        unasked = needs_margin and LimitName.DEW_MARGIN_MIN not in limits
        # An outlook of ten minutes ago cannot know of a heater that has failed since.
        self.held_back = bool(doubts or unasked or (ahead is not None and ahead.breaks))
        self.memory = step(
            self.memory,
            judged,
            self.spec,
            time_s,
            go_forbidden=self.held_back or bool(self.trend.breaks(judged, time_s)),
            gated=bool(gates),
            stop_forced=RECOAT_CLOSES if forbidden else "",
        )
        self.harms.take(judged, self.spec, climate)
        self.climate, self._judged = climate, judged
        self._doubts, self._gates, self._forbidden = doubts, gates, forbidden

    def due_s(self) -> float:
        """Return from when on time alone may change its call or its facts [s]."""
        memory, due_s = self.memory, self.harms.due_s(self.spec)
        if memory.call is Call.HOLD and memory.settled_since_s is not None and not self._gates:
            due_s = min(due_s, memory.settled_since_s + self.spec.dwell_s)
        if memory.call is Call.STOP and memory.inside_since_s is not None:
            due_s = min(due_s, memory.inside_since_s + self.spec.re_entry_s)
        return due_s

    def explain(
        self,
        question: str,
        stage: Stage,
        ahead: EarlierOutlook | None,
        harm_time_s: float | None,
        assumed_accuracy_k: float | None,
        zone: tzinfo | None,
        cure: CureLeft | None = None,
        notices: Sequence[Doubt] = (),
    ) -> Answer:
        """Return the last evaluation's answer with its reasons, worst first.

        Args:
            question: that it answers.
            stage: of the section.
            ahead: the outlook for this question, or None.
            harm_time_s: how long the film is, or would be, at risk; None where not known [s].
            assumed_accuracy_k: of what stands in for a surface probe, or None [K].
            zone: in which times of day are said; durations are where it is None.
            cure: how long a wet film still takes, or None where none is.
            notices: what is told beside the call and changes none.

        Raises:
            RuntimeError: nothing has been evaluated yet.
        """
        climate, memory, spec = self.climate, self.memory, self.spec
        if climate is None:
            raise RuntimeError("nothing has been evaluated yet")
        time_s = climate.time_s
        moving = {entry.name: self.trend.per_hour(entry.name) for entry in self._judged}
        looked_ahead_s = self.trend.looked_ahead_s()
        if ahead is not None:
            looked_ahead_s = max(0.0, ahead.looked_ahead_s - (time_s - ahead.made_s))
        limits = limit_reasons(self._judged, climate, spec, memory.call, moving, cure)
        if memory.call is Call.STOP:  # of what is near its own cause comes first
            caused = set(map(str, limits_of(memory.cause)))
            limits.sort(key=lambda each: each.state is LimitState.NEAR and each.limit not in caused)
        reasons = list(limits)
        if memory.call is Call.GO:
            reasons = go_reasons(reasons, self._judged, ahead, looked_ahead_s)
        reasons = [*map(doubt_reason, notices), *reasons]
        reasons += timer_reasons(memory, spec, time_s, gated=bool(self._gates))
        by_trend = outlook_reasons(
            self.trend.breaks(self._judged, time_s), self._judged, looked_ahead_s, time_s
        )
        if ahead is not None:
            reasons += ahead_reasons(ahead, looked_ahead_s, time_s, zone, harm_time_s)
            if question == MAY_I_START:
                reasons += last_start_reason(ahead, time_s, zone)
            by_trend = [each for each in by_trend if each.state is not LimitState.UNKNOWN]
        reasons += by_trend
        reasons += [doubt_reason(doubt) for doubt in (*self._doubts, *self._gates)]
        if self._forbidden:
            reasons.append(stop_reason(self._forbidden))
        if climate.assumed_offset_k is not None and assumed_accuracy_k is not None:
            reasons.append(surface_reason(climate, assumed_accuracy_k))
        facts: tuple[FilmFact, ...] = ()
        if question != MAY_I_START:
            named = {each.limit: each for each in limits}
            for each in reasons:
                if each.limit == OUTLOOK and each.state is LimitState.NEAR:
                    named.setdefault(OUTLOOK, each)
            facts = self.harms.facts(worst_first(self._judged), named, time_s)
        return Answer(
            question=question,
            call=memory.call,
            since_s=memory.since_s,
            advice=self._advice(question, stage, time_s),
            reasons=by_severity(reasons),
            cause=memory.cause,
            climate=climate,
            looked_ahead_s=looked_ahead_s,
            facts=facts,
        )

    def _advice(self, question: str, stage: Stage, time_s: float) -> str:
        """What the call asks of the painter; of a STOP, whether it has its cause still."""
        memory = self.memory
        broken = [each for each in worst_first(self._judged) if each.state is LimitState.BROKEN]
        back_s = None
        if memory.inside_since_s is not None:
            back_s = (time_s - memory.inside_since_s, self.spec.re_entry_s)
        return advice_of(
            memory.call,
            stage,
            start=question == MAY_I_START,
            worst=broken[0].name if broken else None,
            still_broken=bool(broken or self._forbidden),
            back_s=back_s,
            missing=next(
                (each.why_unknown for each in self._judged if each.state is LimitState.UNKNOWN), ""
            ),
        )

    def release(self, points: frozenset[str], time_s: float) -> None:
        """End a STOP that points alone caused which are no longer in the config [s]."""
        before = limits_of(self.memory.cause)
        self.memory = release(self.memory, points, time_s)
        self.harms.forget(set(before) - set(limits_of(self.memory.cause)))

    def clock_jumped(self, time_s: float) -> None:
        """Begin timers, medians and trend anew after a jump of the clock; a STOP stays [s]."""
        self.memory = restart_timers(self.memory, time_s)
        self.harms.clock_jumped(time_s)
        self.medians.forget()
        self.trend.forget()
