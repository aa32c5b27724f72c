"""One section's two answers from one evaluation to the next, and the one call that they make."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

from rules.answer import Answer, Answerer
from rules.call import WORST_FIRST, Call, Memory
from rules.climate import AssumedSurface, Climate, PointValue, climate_of
from rules.film_facts import FilmFact
from rules.harm import harm_time_s
from rules.heat import DRY, HEAT
from rules.limits import own_limits, stricter_of
from rules.quiet import SURE_S, Quiet, quiet_of
from rules.reasons import (
    IS_THE_FILM_SAFE,
    MAY_I_START,
    OUTLOOK,
    PROBES_OUT,
    CureLeft,
    Doubt,
    Reason,
    last_start_left,
)
from rules.spec.model import Limit, Spec
from rules.trend import AHEAD_COUNTS_S, EarlierOutlook
from rules.vocabulary import FILM_STAGES, LimitName, Method, Stage, Until


@dataclass(frozen=True, slots=True)
class Film:
    """What events and clocks say of a section at one time.

    Attributes:
        spec: that its newest film was laid with, or that of the next coat where no film is wet.
        stage: prep, mix, apply, flash or cure.
        method: how the coat is put on, where it is known.
        begun_s: when the newest wet film was begun, or None where nobody recorded it [s].
        steps_ended: steps and times that the newest film has behind it.
        beneath: the limits of wet films under it, each by its own spec and stage.
        next_spec: that of the next coat, or None where it is `spec`.
        pot_in_hand: a pot is mixed for this section, and nothing laid from it yet.
        harm_left_s: how long the limits will go on mattering, where it is known [s].
        cured_left_s: how long the newest film takes to cure at the present temperature, or None
            where it makes no progress [s].
        coating_time_s: how long a coat takes here, or None for the spec's own [s].
        coating_forbidden: why coating over would be wrong now (the recoat window has closed),
            or "".
        doubts: what the wet film's own clocks or spec put in GO's way.
        start_doubts: what keeps a coat from being started: induction that still runs, a pot that
            is over its life, a window that has not opened, a spec that is not known.
        notices: what is told beside every call and changes none.
    """

    spec: Spec
    stage: Stage = Stage.PREP
    method: Method | None = None
    begun_s: float | None = None
    steps_ended: frozenset[Until] = field(default_factory=frozenset)
    beneath: Mapping[LimitName, Limit] = field(default_factory=dict)
    next_spec: Spec | None = None
    pot_in_hand: bool = False
    harm_left_s: float | None = None
    cured_left_s: float | None = None
    coating_time_s: float | None = None
    coating_forbidden: str = ""
    doubts: tuple[Doubt, ...] = ()
    start_doubts: tuple[Doubt, ...] = ()
    notices: tuple[Doubt, ...] = ()

    @property
    def is_wet(self) -> bool:
        """Whether a film is open to harm."""
        return self.stage in FILM_STAGES

    @property
    def start_spec(self) -> Spec:
        """The spec of the next coat."""
        return self.next_spec or self.spec

    def limits(self) -> dict[LimitName, Limit]:
        """Return the limits in force: of the wet films, or of the next coat where none is wet."""
        return self.film_limits() if self.is_wet else self.start_limits()

    def film_limits(self) -> dict[LimitName, Limit]:
        """Return the limits of every wet film; where two count for one quantity, the stricter."""
        found = own_limits(self.spec, self.stage, self.method, self.steps_ended)
        return stricter_of(found, self.beneath)

    def start_limits(self) -> dict[LimitName, Limit]:
        """Return the limits that a coat begun now would have."""
        return own_limits(self.start_spec, Stage.APPLY, self.method)


@dataclass(frozen=True, slots=True)
class SectionCall:
    """A call with everything that it rests on.

    Attributes:
        section: whose call.
        call: GO, HOLD or STOP: the one of its two answers that decides.
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
        start: may a coat be started? None where nobody has reckoned it.
        films: is every wet film safe? None where none is wet.
        last_start_s: the latest that a coat can be begun so that its harm time still fits, or None
            where no end is seen, or no coat is to be begun [s].
        facts: what is so of the wet films: harmed, blind, near.
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
    start: Answer | None = None
    films: Answer | None = None
    facts: tuple[FilmFact, ...] = ()
    last_start_s: float | None = None


@dataclass(frozen=True, slots=True)
class LastAnswer:
    """One of a section's answers as the log has it.

    Attributes:
        call: GO, HOLD or STOP.
        cause: what caused it where it was STOP.
        since_s: since when it stood, or None where that is not known [s].
    """

    call: Call
    cause: frozenset[str] = frozenset()
    since_s: float | None = None


class Section:
    """Keeps what one section's answers need from one evaluation to the next.

    Attributes:
        name: of the section.
        film: what events and clocks say of it.
        ahead: the outlook that was made last, or None.
        turns: how often its call, its film or its answers may have become others.
        beside: what forbade GO at the last evaluation and follows from neither readings nor
            events: names of doubts, and `outlook`.
    """

    def __init__(
        self,
        name: str,
        film: Film,
        time_s: float,
        start: LastAnswer | None = None,
        films: LastAnswer | None = None,
    ) -> None:
        """Begin to watch, or go on after a restart.

        Args:
            name: the section's.
            film: as events and clocks have it.
            time_s: now [s].
            start: the last answer of whether to start, in the log.
            films: the last answer about the wet films, in the log.
        """
        self.name = name
        self.film = film
        self._start = Answerer(time_s)
        self._films: Answerer | None = None
        self._assumed: AssumedSurface | None = None
        self.ahead: EarlierOutlook | None = None
        self.turns = 0
        if start is not None:
            self._start.resume(start.call, start.cause, start.since_s)
        if films is not None and film.is_wet:
            self._films = Answerer(time_s)
            self._films.resume(films.call, films.cause, films.since_s)
        self.beside: frozenset[str] = frozenset()
        self._quiet: Quiet | None = None
        self._evaluated_s = -math.inf
        self._look_again_s = -math.inf
        self._till_look = 0
        self._explained: tuple[object, tuple[object, ...], SectionCall] | None = None
        self.set_film(film)

    @property
    def memory(self) -> Memory:
        """What is remembered of the answer that decides; its `call` is in force."""
        return self._deciding().memory

    @property
    def question(self) -> str:
        """Which question the call in force answers."""
        return MAY_I_START if self._deciding() is self._start else IS_THE_FILM_SAFE

    @property
    def answers(self) -> tuple[Memory, Memory | None]:
        """What is remembered of both: whether to start, and of the wet films where one is."""
        return self._start.memory, None if self._films is None else self._films.memory

    def _deciding(self) -> Answerer:
        """The answer that decides: the films', save where a pot or a brush makes `start` worse.

        Who stands there with a pot and may start is told so, though the film is safe too.
        """
        start, films, film = self._start, self._films, self.film
        if films is None:
            return start
        if not (film.pot_in_hand or film.stage is Stage.APPLY):
            return films
        worse = WORST_FIRST.index(start.memory.call) - WORST_FIRST.index(films.memory.call)
        both_go = worse == 0 and films.memory.call is Call.GO
        wins = worse < 0 or (both_go and film.stage is not Stage.APPLY)
        return start if wins else films

    def set_film(self, film: Film, time_s: float | None = None) -> None:
        """Take a new stage, spec or set of ended steps into account from the next evaluation on.

        A film that was just laid takes over what was known of the air before it: a STOP that was
        painted into is one for the film, and air that was well before stays so. So does a STOP on
        its way out: how long it has been inside counts on under the new coat's own limits.

        Args:
            film: as events and clocks have it.
            time_s: now; None where nothing has been evaluated yet [s].
        """
        self._end_quiet()
        begun = film.begun_s is not None and film.begun_s != self.film.begun_s
        self.film = film
        films = self._films if film.is_wet else None
        if film.is_wet:
            asked, start = film.film_limits(), self._start
            if films is None:
                films = start.for_the_film(film.begun_s)
            elif time_s is not None and films.asks_less_than(asked):
                films = (
                    films
                    if start.asks_less_than(asked)
                    else start.for_the_film(film.begun_s, films)
                )
            films.set_limits(asked, film.spec, time_s, begun=begun)
        self._films = films
        self._start.set_limits(film.start_limits(), film.start_spec, time_s, begun=begun)

    def evaluate(
        self,
        sensed: Sequence[PointValue],
        time_s: float,
        *,
        assumed: AssumedSurface | None = None,
        doubts: Sequence[Doubt] = (),
    ) -> Memory:
        """Judge the present and walk the state machine once for each answer.

        What can change nothing (`quiet`) is only kept for the medians, and judged where asked for.

        Args:
            sensed: the last word of every point of the enclosure; kept, so not to be changed.
            time_s: now, never before the last evaluation [s].
            assumed: what stands in for a surface probe, where the config says so.
            doubts: what beside the limits forbids GO for now.

        Returns:
            The memory of the answer that decides; `explain` tells why.
        """
        quiet, every_s, self._evaluated_s = self._quiet, time_s - self._evaluated_s, time_s
        fits = False
        if quiet is not None:
            fits = quiet.fits(sensed, self.ahead, assumed, doubts)
            if fits and (time_s < quiet.until_s or self._only_samples(quiet, time_s, sensed)):
                quiet.miss(time_s, sensed)
                return self.memory
            self._quiet = None
            quiet.catch_up()
            if quiet.used < _WORTH_IT and time_s < quiet.until_s:
                self._look_later()
        before = self.points()
        climate = self._judge(sensed, time_s, assumed, doubts, self.ahead)
        self._till_look -= 1
        if (time_s >= self._look_again_s or self._till_look <= 0) and self.points() == before:
            due_s, sample_s = self._due_s(time_s), self._next_sample_s()
            if due_s - time_s > _WORTH_IT * every_s:
                if quiet is not None and fits and quiet.still_stands():
                    quiet.lasts(due_s, sample_s)
                else:
                    until_s = min(due_s, sample_s)
                    quiet = quiet_of(
                        self._answerers(), climate, sensed, until_s, self.ahead, assumed, doubts
                    )
                    if quiet is None:
                        self._look_later()
                    else:
                        quiet.due_s = due_s - SURE_S
                self._quiet = quiet
        return self.memory

    def _look_later(self) -> None:
        """Seek no quiet before so many evaluations more, or a time at which much may differ."""
        self._look_again_s = min(self._next_sample_s(), *(e.due_s() for e in self._answerers()))
        self._till_look = _LOOK_EVERY

    def _answerers(self) -> tuple[Answerer, ...]:
        return (self._start,) if self._films is None else (self._start, self._films)

    def _next_sample_s(self) -> float:
        """From when on a trend takes a sample [s]."""
        return min(each.trend.next_sample_s() for each in self._answerers())

    def _only_samples(self, quiet: Quiet, time_s: float, sensed: Sequence[PointValue]) -> bool:
        """Give the trends their samples of an evaluation that fits; whether that is all of it."""
        if time_s >= quiet.due_s or not quiet.samples(time_s, sensed):
            return False
        quiet.until_s = min(quiet.due_s, self._next_sample_s() - SURE_S)
        return True

    def _due_s(self, time_s: float) -> float:
        """From when on time alone may change something beside a trend [s]."""
        due_s = min(each.due_s() for each in self._answerers())
        ahead = self.ahead
        if ahead is None or ahead.made_s + AHEAD_COUNTS_S < time_s:
            return due_s
        return min(due_s, ahead.made_s + (AHEAD_COUNTS_S if ahead.made_s <= time_s else 0.0))

    def _catch_up(self) -> None:
        """Judge the last evaluation whole, where it was let pass; what stands lets more pass."""
        quiet = self._quiet
        if quiet is None or not quiet.missed:
            return
        self._quiet = None
        time_s, sensed, _ = quiet.missed.pop()
        quiet.catch_up()
        self._judge(sensed, time_s, quiet.assumed, quiet.doubts, quiet.ahead)
        if quiet.ahead is self.ahead and quiet.still_stands():
            quiet.lasts(self._due_s(time_s), self._next_sample_s())
            self._quiet = quiet

    def _end_quiet(self) -> None:
        """Let nothing more pass by what was found, before what it rests on changes."""
        self._catch_up()
        self._quiet = self._explained = None
        self.turns += 1

    def _judge(
        self,
        sensed: Sequence[PointValue],
        time_s: float,
        assumed: AssumedSurface | None,
        doubts: Sequence[Doubt],
        made: EarlierOutlook | None,
    ) -> Climate:
        """Judge an evaluation whole, with the outlook that was made last."""
        film, self._explained = self.film, None
        self.turns += 1
        climate = climate_of(self._asked_of(sensed), self.name, time_s, assumed)
        self._assumed = assumed
        ahead = made if made is not None and made.counts(film.stage, time_s) else None
        films = self._films
        if films is not None:
            read, gates = _parted(film.doubts)
            films.evaluate(climate, (*doubts, *read), ahead, gates=gates)
        read, gates = _parted(film.start_doubts)
        self._start.evaluate(
            climate,
            (*doubts, *read),
            None if film.is_wet else ahead,
            gates=gates,
            forbidden=film.coating_forbidden,
            needs_margin=True,
        )
        heat = [doubt for doubt in film.start_doubts if doubt.name == HEAT]
        self.beside = _beside((*doubts, *heat), ahead)
        return climate

    def _asked_of(self, sensed: Iterable[PointValue]) -> Iterable[PointValue]:
        """Need a point that brought a STOP, required or not: its silence never ends it."""
        points = self.points()
        if not points:
            return sensed
        return [
            entry._replace(required=True) if entry.point in points else entry for entry in sensed
        ]

    def explain(self, zone: tzinfo | None = None, air: Sequence[Doubt] = ()) -> SectionCall:
        """Return the last evaluation's call with its reasons, worst first; made once for each.

        Args:
            zone: in which times of day are said; durations are where it is None.
            air: what is told of the enclosure's air beside every call.

        Raises:
            RuntimeError: nothing has been evaluated yet.
        """
        self._catch_up()
        asked = (zone, *air)
        if self._explained is not None:
            ahead, before, call = self._explained
            if ahead is self.ahead and before == asked:
                return call
        call = self._explain(zone, air)
        self._explained = self.ahead, asked, call
        return call

    def _explain(self, zone: tzinfo | None, air: Sequence[Doubt]) -> SectionCall:
        film = self.film
        notices = (*air, *film.notices)
        climate = self._start.climate
        if climate is None:
            raise RuntimeError(f"section {self.name!r} has not been evaluated yet")
        time_s = climate.time_s
        ahead = self._ahead_now(time_s)
        accuracy_k = None if self._assumed is None else self._assumed.accuracy_k
        to_come_s = self._start_harm_time_s(climate)
        start = self._start.explain(
            MAY_I_START,
            film.stage,
            None if film.is_wet else ahead,
            to_come_s,
            accuracy_k,
            zone,
            notices=notices,
        )
        films = None
        if self._films is not None:
            films = self._films.explain(
                IS_THE_FILM_SAFE,
                film.stage,
                ahead,
                film.harm_left_s,
                accuracy_k,
                zone,
                CureLeft(film.cured_left_s),
                notices,
            )
        by_start = films is None or self._deciding() is self._start
        decides = start if films is None or by_start else films
        return SectionCall(
            section=self.name,
            call=decides.call,
            since_s=decides.since_s,
            question=decides.question,
            stage=film.stage,
            advice=decides.advice,
            reasons=decides.reasons,
            climate=decides.climate,
            spec=(film.start_spec if by_start else film.spec).name,
            looked_ahead_s=decides.looked_ahead_s,
            harm_time_s=to_come_s if by_start else film.harm_left_s,
            time_s=time_s,
            cause=decides.cause,
            start=start,
            films=films,
            facts=() if films is None else films.facts,
            last_start_s=None if film.is_wet or ahead is None else last_start_left(ahead, time_s),
        )

    def _ahead_now(self, time_s: float) -> EarlierOutlook | None:
        """The outlook, where it is young and about the present stage."""
        ahead = self.ahead
        return ahead if ahead is not None and ahead.counts(self.film.stage, time_s) else None

    def _start_harm_time_s(self, climate: Climate) -> float | None:
        spec = self.film.start_spec.under(self.film.method)
        if not spec.times or climate.surface_temp_c is None:
            return None
        return harm_time_s(spec, climate.surface_temp_c, self.film.coating_time_s)

    def release(self, points: frozenset[str], time_s: float) -> bool:
        """End a STOP that points alone caused which are no longer in the config.

        Returns:
            Whether the STOP has ended.
        """
        self._end_quiet()
        before = self.memory.call
        for each in self._answerers():
            each.release(points, time_s)
        return before is Call.STOP and self.memory.call is not Call.STOP

    def points(self) -> frozenset[str]:
        """Return the points that a STOP of either answer rests on."""
        own = self._start.memory.points()
        return own if self._films is None else own | self._films.memory.points()

    def clock_jumped(self, time_s: float) -> None:
        """Begin timers, medians and trend anew after a jump of the clock; a STOP stays."""
        self._end_quiet()
        self._evaluated_s = self._look_again_s = -math.inf
        for each in self._answerers():
            each.clock_jumped(time_s)
        self.ahead = None


_WORTH_IT = 3
"""Where fewer evaluations than this can be let pass, each is judged whole."""
_LOOK_EVERY = 32  # evaluations: to seek what can change nothing costs about as much as one or two
_NOTHING: frozenset[str] = frozenset()


def _parted(
    doubts: tuple[Doubt, ...],
) -> tuple[tuple[Doubt, ...], tuple[Doubt, ...]]:
    """Those of a film's doubts that readings tell, and those that an event or a clock ends."""
    read = tuple(doubt for doubt in doubts if doubt.name in (HEAT, DRY))
    return read, tuple(doubt for doubt in doubts if doubt not in read)


def _beside(doubts: Sequence[Doubt], ahead: EarlierOutlook | None) -> frozenset[str]:
    breaks = ahead is not None and bool(ahead.breaks)
    if not (doubts or breaks):
        return _NOTHING
    names = {doubt.name for doubt in doubts if doubt.name != PROBES_OUT}
    return frozenset(names | {OUTLOOK} if breaks else names)
