"""Where a section's film is in its life, from its events and clocks; the call judges by it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import NamedTuple

from rules.clocks.all_clocks import coating_over_forbidden, steps_beneath
from rules.clocks.clock import Clock, ClockState
from rules.clocks.pots import is_alive, waiting_pots
from rules.clocks.section_work import SectionWork
from rules.clocks.work import Coat, Pot, Work, work_of
from rules.events import Event
from rules.limits import own_limits
from rules.reasons import Doubt
from rules.spec.model import Limit, Spec
from rules.text import hour_and_day_text
from rules.vocabulary import (
    ALL_SECTIONS,
    CLOCK_OF_STEP,
    FILM_STAGES,
    ClockName,
    LimitName,
    Method,
    Service,
    Stage,
    Step,
    Until,
)


def film_doubts(
    state: FilmState, section: str | None, unknown_spec: str, judged_by: str
) -> tuple[Doubt, ...]:
    """Return why nobody can say that a wet film is safe though every limit is ok.

    Args:
        state: of the section.
        section: its name, for the command that it asks for.
        unknown_spec: name of the film's spec where it cannot be found, or "".
        judged_by: name of the spec that stands in for it.
    """
    found: list[Doubt] = []
    if unknown_spec:
        found.append(_unknown_spec(unknown_spec, judged_by))
    if state.forgotten:
        where = "" if section in (None, ALL_SECTIONS) else f" --section {section}"
        found.append(
            Doubt(
                "coat",
                f"Coat {state.coat} was begun and its end never recorded, so it is not known "
                f"how far it is. Record it: filmcall event coat-ended{where} --at TIME",
            )
        )
    return tuple(found)


def start_doubts(
    state: FilmState,
    clocks: Iterable[Clock],
    unknown_spec: str,
    judged_by: str,
    zone: tzinfo | None = None,
) -> tuple[Doubt, ...]:
    """Return what keeps a coat from being started, or going on, though every limit is ok.

    Args:
        state: of the section.
        clocks: of the section.
        unknown_spec: name of the next coat's spec where it cannot be found, or "".
        judged_by: name of the spec that stands in for it.
        zone: of the hours that it names; None for UTC.
    """
    found: list[Doubt] = []
    clocks = tuple(clocks)

    def until(left_s: float) -> str:
        # The hour, which stays true between two reckonings; to the next minute, never before.
        end_s = math.ceil((state.time_s + left_s) / 60.0) * 60.0
        return hour_and_day_text(end_s, zone or UTC, state.time_s)

    if unknown_spec:
        found.append(_unknown_spec(unknown_spec, judged_by))
    waiting = [
        clock.left_s
        for clock in clocks
        if clock.name is ClockName.INDUCTION and clock.state is ClockState.RUNNING
    ]
    if waiting and (state.pot_in_hand or state.stage is Stage.APPLY):
        left_s = max((each for each in waiting if each is not None), default=None)
        end = "it is warmer" if left_s is None else until(left_s)
        found.append(Doubt("induction", f"The mix must stand until {end} before use (induction)"))
    lives = [clock.state for clock in clocks if clock.name is ClockName.POT_LIFE]
    all_dead = bool(lives) and all(each is ClockState.ENDED for each in lives)
    if state.dead_pot if state.stage is not Stage.APPLY else all_dead:
        found.append(Doubt("pot life", POT_OVER))
    if state.stage in (Stage.FLASH, Stage.CURE):
        for clock in clocks:
            if clock.name is ClockName.RECOAT_OPENS and not clock.buried:
                found += _not_open(clock, until)
    return tuple(found)


POT_OVER = "Pot life over. Do not use or thin what is left."


def _unknown_spec(name: str, judged_by: str) -> Doubt:
    return Doubt(
        "spec",
        f"The film's spec '{name}' cannot be found, so no GO; judged by {judged_by} meanwhile. "
        "Put its file back, or correct the event",
    )


def _not_open(clock: Clock, until: Callable[[float], str]) -> list[Doubt]:
    """Why a film cannot be coated over yet."""
    if clock.state is ClockState.ENDED:
        return []
    over = f"coated over with {clock.next_spec}" if clock.next_spec else "coated over"
    if clock.state is ClockState.UNKNOWN:
        text = f"It is not known whether coat {clock.coat} may be {over}"
    elif clock.left_s is None:
        text = f"Coat {clock.coat} may not be {over} yet, and it is not counting"
    else:
        text = f"Coat {clock.coat} may be {over} at {until(clock.left_s)}, at this temperature"
    return [Doubt("recoat opens", text)]


@dataclass(frozen=True, slots=True)
class FilmState:
    """What events and clocks say of a section at one time.

    Attributes:
        stage: prep, mix, apply, flash or cure.
        spec_name: spec of the film that is open to harm, else of the coat mixed or the default.
        next_spec_name: spec of the next coat: that of the mix, or of the coat that is being laid,
            else the default.
        coat: number of the newest coat, or None where there is none.
        method: how it was put on, or None.
        coat_started_s: when it was begun, or None [s].
        coat_ended_s: when it was ended, or None [s].
        steps_ended: when each step ended, or None where it has not.
        harm_left_s: how long until each step has ended, None where not known [s].
        coating_forbidden: why coating over must be STOP, or "".
        time_s: at which all this holds [s].
        pots: that live, can be for this section, and from which nothing is laid yet; oldest first.
        dead_pot: such a pot is over its life, and no other is alive.
        forgotten: a coat has been open for longer than anybody paints.
        hardener: of what `spec_name` is of, where it is not the sheet's standard one, or None.
        next_hardener: of the next coat, in the same way.
        service: where the film will serve, or None where nobody said.
    """

    stage: Stage
    spec_name: str
    next_spec_name: str
    coat: int | None
    method: Method | None
    coat_started_s: float | None
    coat_ended_s: float | None
    steps_ended: Mapping[Step, float | None]
    harm_left_s: Mapping[Step, float | None]
    coating_forbidden: str
    time_s: float
    pots: tuple[Pot, ...] = ()
    dead_pot: bool = False
    forgotten: bool = False
    hardener: str | None = None
    next_hardener: str | None = None
    service: Service | None = None

    def spec(self, specs: Mapping[str, Spec], default: Spec) -> Spec:
        """Return the spec that the film goes by, with the figures of its conditions.

        Args:
            specs: by name.
            default: where its own cannot be found.
        """
        found = specs.get(self.spec_name, default)
        return found.under(self.method, self.hardener, self.service)

    def next_spec(self, specs: Mapping[str, Spec], default: Spec) -> Spec:
        """Return the spec of the next coat in the same way."""
        found = specs.get(self.next_spec_name, default)
        return found.under(self.method, self.next_hardener)

    @property
    def pot_in_hand(self) -> bool:
        """Whether a pot is mixed that can be for this section, and nothing laid from it yet."""
        return bool(self.pots)

    @property
    def film_stage(self) -> Stage | None:
        """The stage while a film is open to harm, else None."""
        return self.stage if self.stage in FILM_STAGES else None

    @property
    def ended_steps(self) -> frozenset[Step]:
        """The steps that the film has behind it."""
        return frozenset(step for step, at in self.steps_ended.items() if at is not None)

    def ended(self, spec: Spec) -> frozenset[Until]:
        """Return the steps, and the times that the spec's limits name, which are over."""
        return frozenset(
            self.ended_steps | {s for s, left in self._times_left(spec) if left <= 0.0}
        )

    def left_s(self, spec: Spec) -> dict[Until, float | None]:
        """Return how long until each of them is over, None where not known [s]."""
        left: dict[Until, float | None] = dict(self.harm_left_s.items())
        left.update(self._times_left(spec))
        return left

    def _times_left(self, spec: Spec) -> list[tuple[float, float]]:
        now_s = self.time_s
        ended_s = now_s if self.coat_ended_s is None else self.coat_ended_s
        return [(each, max(0.0, ended_s + each - now_s)) for each in sorted(spec.times_until)]


def stage_of(
    section: str | None,
    events: Iterable[Event],
    default_spec: Spec,
    clocks: Iterable[Clock],
    now_s: float,
    beneath: Sequence[WetFilm] = (),
    *,
    alone: bool = False,
) -> FilmState:
    """Return where a section's film is in its life.

    No film and no events is prep; mixed is mix; from coat-started to coat-ended is apply; then
    flash until touch dry, cure until cured, and prep again. A mix never takes the stage from a
    film. A launch ends the watch over a film.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept, corrections among them.
        default_spec: of the enclosure.
        clocks: of this section, as `all_clocks.clocks_of` gives them for the same time.
        now_s: now [s].
        beneath: films under the newest that are wet still, as `films_beneath` gives them.
        alone: whether the enclosure has no other section, for which a pot could be.

    Returns:
        Stage, spec, and the steps that have ended. A step for which the sheet gives no time ends
        with the next one for which it does; without any, never.

    Source:
        DEVELOPERS.md, "The calls": our own choice, no other source.
    """
    work = work_of(section, events, now_s)
    clocks = tuple(clocks)
    coat = work.newest
    named = {c.name: c for c in clocks if c.coat is not None and not c.buried}
    ended, left = _steps(named)
    film_stage = _film_stage(work, coat, ended, now_s)
    laid = coat
    if film_stage is None and beneath:
        film_stage, laid = beneath[0].stage, beneath[0].coat
    pots = _pots_in_hand(section, work, clocks, film_stage, ended, alone=alone)
    alive = [pot for pot, life in pots if is_alive(pot, life, now_s)]
    paint = alive[-1] if alive else coat if film_stage is Stage.APPLY else None
    next_name = (None if paint is None else paint.spec) or default_spec.name
    next_hardener = None if paint is None else paint.hardener
    wet = laid if film_stage is not None else None
    film_name = (None if wet is None else wet.spec) or default_spec.name
    return FilmState(
        stage=film_stage or (Stage.MIX if alive else Stage.PREP),
        spec_name=next_name if wet is None else film_name,
        next_spec_name=next_name,
        coat=None if coat is None else coat.number,
        method=None if coat is None else coat.method,
        coat_started_s=None if coat is None else coat.started_s,
        coat_ended_s=None if coat is None else coat.ended_s,
        steps_ended=ended,
        harm_left_s=left,
        coating_forbidden=coating_over_forbidden(clocks),
        time_s=now_s,
        pots=tuple(alive),
        dead_pot=not alive
        and any(life is not None and life.state is ClockState.ENDED for _, life in pots),
        forgotten=film_stage is not None and coat is not None and coat.forgotten(now_s),
        hardener=next_hardener if wet is None else wet.hardener,
        next_hardener=next_hardener,
        service=None if wet is None else wet.service,
    )


class WetFilm(NamedTuple):
    """A film under the newest coat that is open to harm still.

    Attributes:
        coat: that it is of.
        stage: flash or cure.
        limits: in force for it.
    """

    coat: Coat
    stage: Stage
    limits: Mapping[LimitName, Limit]


_COATS_REACHED = 4
"""As many of the newest coats have their temperatures at hand."""


def films_beneath(bench: SectionWork) -> list[WetFilm]:
    """Return the films under the newest coat whose harm time runs still, the uppermost first.

    Of one product the newer coat always cures last and has the stricter limits, so that only
    films of another product add anything.

    Args:
        bench: the section's work laid out beside its temperatures.
    """
    coats = bench.work.coats[-_COATS_REACHED:]
    found: list[WetFilm] = []
    over = coats[-1] if coats else None
    if bench.work.back_in_service_s is not None:
        return found
    seen = {over.spec} if over is not None else set()
    for coat in reversed(coats[:-1]):
        spec = bench.spec_laid(coat)
        ended_s = coat.ended_s if coat.ended_s is not None else over.started_s if over else None
        over = coat
        if coat.spec in seen or spec is None or not spec.times or ended_s is None:
            continue
        seen.add(coat.spec)
        ended, _ = _steps(steps_beneath(bench, coat, ended_s))
        if ended[Step.CURED] is not None:
            continue
        stage = Stage.FLASH if ended[Step.TOUCH_DRY] is None else Stage.CURE
        steps: set[Until] = {step for step, at_s in ended.items() if at_s is not None}
        steps |= {each for each in spec.times_until if bench.now_s - ended_s >= each}
        found.append(WetFilm(coat, stage, own_limits(spec, stage, coat.method, steps)))
    return found


def _steps(
    named: Mapping[ClockName, Clock],
) -> tuple[dict[Step, float | None], dict[Step, float | None]]:
    """When each step ended and how long it still takes; one without a time goes by the next."""
    ended: dict[Step, float | None] = {}
    left: dict[Step, float | None] = {}
    after_ended: float | None = None
    after_left: float | None = None
    for step, name in reversed(CLOCK_OF_STEP.items()):
        clock = named.get(name)
        if clock is not None:
            done = clock.state is ClockState.ENDED
            after_ended = clock.ended_at_s if done else None
            after_left = 0.0 if done else clock.left_s
        ended[step], left[step] = after_ended, after_left
    order = list(CLOCK_OF_STEP)
    return {s: ended[s] for s in order}, {s: left[s] for s in order}


def _film_stage(
    work: Work, coat: Coat | None, ended: Mapping[Step, float | None], now_s: float
) -> Stage | None:
    if coat is None or work.back_in_service_s is not None:
        return None
    if coat.ended_s is None:
        # Nobody paints after the session has ended, or for a day: the film lies wet, its end not
        # recorded.
        laid = coat.session_ended_s is not None or coat.forgotten(now_s)
        return Stage.FLASH if laid else Stage.APPLY
    if ended[Step.CURED] is not None:
        return None
    return Stage.FLASH if ended[Step.TOUCH_DRY] is None else Stage.CURE


def _pots_in_hand(
    section: str | None,
    work: Work,
    clocks: Iterable[Clock],
    film_stage: Stage | None,
    ended: Mapping[Step, float | None],
    *,
    alone: bool,
) -> list[tuple[Pot, Clock | None]]:
    """Every pot that waits to be used here, oldest first, with the clock of its life.

    One that names no section is for one that can be coated, where there is another.
    """
    too_early = film_stage in (Stage.FLASH, Stage.CURE) and ended[Step.RECOAT_OPENS] is None
    elsewhere = too_early and not alone and section not in (None, ALL_SECTIONS)
    return [
        (pot, life)
        for pot, life in waiting_pots(work, clocks)
        if not (elsewhere and pot.section in (None, ALL_SECTIONS))
    ]
