"""One section's call from one evaluation to the next: climate, limits, outlook and call in line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo

from rules.call import Call, Memory, first_memory, release, restart_timers, step
from rules.climate import AssumedSurface, Climate, PointValue, climate_of
from rules.harm import harm_time_s
from rules.limits import (
    LimitJudgement,
    RecentMedian,
    colder_film_k,
    is_stricter,
    judge,
    limits_in_force,
    wet_film_allowance_k,
    worst_first,
)
from rules.reasons import (
    MAY_I_START,
    Doubt,
    Reason,
    advice_of,
    ahead_reasons,
    by_severity,
    doubt_reason,
    go_reasons,
    limit_reasons,
    outlook_reasons,
    question_of,
    stop_reason,
    surface_reason,
    timer_reasons,
)
from rules.spec.model import Limit, Spec
from rules.trend import EarlierOutlook, RecentTrend
from rules.vocabulary import FILM_STAGES, LimitName, LimitState, Method, Stage, Until


@dataclass(frozen=True, slots=True)
class Film:
    """What events and clocks say of a section at one time.

    Attributes:
        spec: that its film was laid with, or that of the next coat where no film is open.
        stage: prep, mix, apply, flash or cure.
        method: how the coat is put on, where it is known.
        steps_ended: steps and times that the film has behind it.
        curing: the limits of a film that still cures under a mix for the next coat, which count
            beside those of the next coat.
        harm_left_s: how long the limits will go on mattering, where it is known [s].
        coating_time_s: how long a coat takes here, or None for the spec's own [s].
        coating_forbidden: why coating over would be wrong now (the recoat window has closed),
            or "".
        doubts: what the film's own clocks or spec put in GO's way: induction that still runs, a
            pot that is over its life, a spec that is not known.
    """

    spec: Spec
    stage: Stage = Stage.PREP
    method: Method | None = None
    steps_ended: frozenset[Until] = field(default_factory=frozenset)
    curing: Mapping[LimitName, Limit] = field(default_factory=dict)
    harm_left_s: float | None = None
    coating_time_s: float | None = None
    coating_forbidden: str = ""
    doubts: tuple[Doubt, ...] = ()

    def forbids_coating(self) -> bool:
        """Return whether coating over now, which this stage is about, would be wrong."""
        return bool(self.coating_forbidden) and self.stage not in (Stage.FLASH, Stage.CURE)

    def limits(self) -> dict[LimitName, Limit]:
        """Return the limits in force; where two count for one quantity, the stricter."""
        merged = limits_in_force(self.spec, self.stage, self.steps_ended)
        for name, other in self.curing.items():
            known = merged.get(name)
            if known is None or is_stricter(other, known):
                merged[name] = other
        return merged


@dataclass(frozen=True, slots=True)
class SectionCall:
    """A call with everything that it rests on.

    Attributes:
        section: whose call.
        call: GO, HOLD or STOP.
        since_s: since when [s].
        question: which question the call answers.
        stage: of the section.
        advice: what the call asks of the painter.
        reasons: worst first.
        climate: that it rests on.
        spec: name of the spec that it was judged by.
        looked_ahead_s: how far ahead the outlook looked [s].
        harm_time_s: how long the film will mind, or None where the spec does not tell [s].
        time_s: of the evaluation [s].
        cause: what brought or kept a STOP, as `limit@point`.
    """

    section: str
    call: Call
    since_s: float
    question: str
    stage: Stage
    advice: str
    reasons: tuple[Reason, ...]
    climate: Climate
    spec: str
    looked_ahead_s: float
    harm_time_s: float | None
    time_s: float
    cause: frozenset[str] = frozenset()


class Section:
    """Keeps what one section's call needs from one evaluation to the next."""

    def __init__(self, name: str, film: Film, time_s: float, last_call: Call | None = None) -> None:
        self.name = name
        self.film = film
        self.memory: Memory = first_memory(time_s, last_call)
        self._medians = RecentMedian()
        self._trend = RecentTrend()
        self._limits: Mapping[LimitName, Limit] = {}
        self._allowance_k = 0.0
        self._climate: Climate | None = None
        self._judged: tuple[LimitJudgement, ...] = ()
        self._doubts: tuple[Doubt, ...] = ()
        self._assumed: AssumedSurface | None = None
        self.ahead: EarlierOutlook | None = None
        self.set_film(film)

    def set_film(self, film: Film, time_s: float | None = None) -> None:
        """Take a new stage, spec or set of ended steps into account from the next evaluation on.

        A GO that was given to another question, or by laxer limits, is no GO any more: the dwell
        has not been held by what counts now.

        Args:
            film: as events and clocks have it.
            time_s: now; None where nothing has been evaluated yet [s].
        """
        before, limits_before = self.film, self._limits
        self.film = film
        self._limits = film.limits()
        self._allowance_k = wet_film_allowance_k(film.spec, film.stage, film.method)
        if time_s is None:
            return
        asks_anew = (
            question_of(film.stage) == MAY_I_START and question_of(before.stage) != MAY_I_START
        )
        stricter = any(
            name not in limits_before or is_stricter(limit, limits_before[name])
            for name, limit in self._limits.items()
        )
        if asks_anew or stricter:
            self.memory = restart_timers(self.memory, time_s)

    def evaluate(
        self,
        sensed: Iterable[PointValue],
        time_s: float,
        *,
        assumed: AssumedSurface | None = None,
        doubts: Sequence[Doubt] = (),
    ) -> Memory:
        """Judge the present and walk the state machine once.

        Args:
            sensed: the last word of every point of the enclosure.
            time_s: now, never before the last evaluation [s].
            assumed: what stands in for a surface probe, where the config says so.
            doubts: what beside the limits forbids GO for now.

        Returns:
            The memory, whose `call` is in force; `explain` tells why.
        """
        film = self.film
        climate = climate_of(self._asked_of(sensed), self.name, time_s, assumed)
        judged = judge(
            climate,
            self._limits,
            self._medians,
            self._allowance_k,
            colder_film_k(film.spec, self._allowance_k),
        )
        for entry in judged:
            if entry.name is LimitName.DEW_MARGIN_MIN:
                climate = climate.decided_by(entry.source, entry.beside)
        self._trend.take(judged, time_s)
        unasked = film.stage not in FILM_STAGES and LimitName.DEW_MARGIN_MIN not in self._limits
        ahead = self._ahead_now(time_s)
        # An outlook of ten minutes ago cannot know of a heater that has failed since.
        breaks = bool(ahead is not None and ahead.breaks) or bool(
            self._trend.breaks(judged, time_s)
        )
        forbidden = bool(doubts) or bool(film.doubts) or unasked or breaks
        stop_forced = "recoat closes" if film.forbids_coating() else ""
        self.memory = step(
            self.memory,
            judged,
            film.spec,
            time_s,
            go_forbidden=forbidden,
            stop_forced=stop_forced,
        )
        self._climate, self._judged = climate, judged
        self._doubts, self._assumed = (*doubts, *film.doubts), assumed
        return self.memory

    def _asked_of(self, sensed: Iterable[PointValue]) -> Iterable[PointValue]:
        """Need a point that brought a STOP, required or not: its silence never ends it."""
        if not self.memory.cause:
            return sensed
        points = self.memory.points()
        return [
            entry._replace(required=True) if entry.point in points else entry for entry in sensed
        ]

    def explain(self, zone: tzinfo | None = None) -> SectionCall:
        """Return the last evaluation's call with its reasons, worst first.

        Args:
            zone: in which times of day are said; durations are where it is None.

        Raises:
            RuntimeError: nothing has been evaluated yet.
        """
        climate, film, memory = self._climate, self.film, self.memory
        if climate is None:
            raise RuntimeError(f"section {self.name!r} has not been evaluated yet")
        time_s = climate.time_s
        moving = {entry.name: self._trend.per_hour(entry.name) for entry in self._judged}
        ahead = self._ahead_now(time_s)
        looked_ahead_s = self._trend.looked_ahead_s()
        if ahead is not None:
            looked_ahead_s = max(0.0, ahead.looked_ahead_s - (time_s - ahead.made_s))
        harm_time_s = self._harm_time_s(climate)
        reasons = limit_reasons(self._judged, climate, film.spec, memory.call, moving)
        if memory.call is Call.GO:
            reasons = go_reasons(reasons, self._judged, ahead, looked_ahead_s)
        reasons += timer_reasons(memory, film.spec, time_s)
        by_trend = outlook_reasons(
            self._trend.breaks(self._judged, time_s), self._judged, looked_ahead_s, time_s
        )
        if ahead is not None:
            reasons += ahead_reasons(ahead, looked_ahead_s, time_s, zone, harm_time_s)
            by_trend = [each for each in by_trend if each.state is not LimitState.UNKNOWN]
        reasons += by_trend
        reasons += [doubt_reason(doubt) for doubt in self._doubts]
        if film.forbids_coating():
            reasons.append(stop_reason(film.coating_forbidden))
        if climate.assumed_offset_k is not None and self._assumed is not None:
            reasons.append(surface_reason(climate, self._assumed.accuracy_k))
        return SectionCall(
            section=self.name,
            call=memory.call,
            since_s=memory.since_s,
            question=question_of(film.stage),
            stage=film.stage,
            advice=self._advice(time_s),
            reasons=by_severity(reasons),
            climate=climate,
            spec=film.spec.name,
            looked_ahead_s=looked_ahead_s,
            harm_time_s=harm_time_s,
            time_s=time_s,
            cause=memory.cause,
        )

    def _advice(self, time_s: float) -> str:
        """What the call asks of the painter; of a STOP, whether it has its cause still."""
        memory, film = self.memory, self.film
        broken = [each for each in worst_first(self._judged) if each.state is LimitState.BROKEN]
        back_s = None
        if memory.inside_since_s is not None:
            back_s = (time_s - memory.inside_since_s, film.spec.re_entry_s)
        return advice_of(
            memory.call,
            film.stage,
            worst=broken[0].name if broken else None,
            still_broken=bool(broken) or film.forbids_coating(),
            back_s=back_s,
            missing=next(
                (each.why_unknown for each in self._judged if each.state is LimitState.UNKNOWN), ""
            ),
        )

    def _ahead_now(self, time_s: float) -> EarlierOutlook | None:
        """The outlook, where it is young and about the present stage."""
        ahead = self.ahead
        return ahead if ahead is not None and ahead.counts(self.film.stage, time_s) else None

    def _harm_time_s(self, climate: Climate) -> float | None:
        film = self.film
        if film.stage in FILM_STAGES:
            return film.harm_left_s
        spec = film.spec.under(film.method)
        if not spec.times or climate.surface_temp_c is None:
            return None
        return harm_time_s(spec, climate.surface_temp_c, film.coating_time_s)

    def resume(self, cause: frozenset[str], since_s: float | None = None) -> None:
        """Take up the STOP that the section begins with, after a restart.

        Args:
            cause: what brought or kept it.
            since_s: since when it stands; None, or a time to come, leaves the restart's [s].
        """
        if self.memory.call is Call.STOP:
            begun_s = self.memory.since_s
            stands_s = begun_s if since_s is None else min(since_s, begun_s)
            self.memory = replace(self.memory, cause=cause, since_s=stands_s)

    def release(self, points: frozenset[str], time_s: float) -> bool:
        """End a STOP that points alone caused which are no longer in the config.

        Returns:
            Whether the STOP has ended.
        """
        before = self.memory.call
        self.memory = release(self.memory, points, time_s)
        return before is Call.STOP and self.memory.call is not Call.STOP

    def clock_jumped(self, time_s: float) -> None:
        """Begin timers, medians and trend anew after a jump of the clock; a STOP stays."""
        self.memory = restart_timers(self.memory, time_s)
        self._medians.forget()
        self._trend.forget()
        self.ahead = None
