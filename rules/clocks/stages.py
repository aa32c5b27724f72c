"""Where a section's film is in its life, from its events and clocks; the call judges by it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from rules.clocks.all_clocks import clocks_of, coating_over_forbidden
from rules.clocks.clock import Clock, ClockState
from rules.clocks.history import TemperatureHistory
from rules.clocks.work import Coat, Work, work_of
from rules.events import Event, in_force
from rules.reasons import Doubt
from rules.spec.model import Spec
from rules.text import duration_text
from rules.vocabulary import CLOCK_OF_STEP, ClockName, Method, Stage, Step, Until


class Overcoat(NamedTuple):
    """How the newest coat stands to the one beneath; all "" where nothing is wrong.

    Attributes:
        too_late: why coating over was forbidden when it was begun: the window had closed.
        too_early: why it should have waited: the window had not opened.
        laid_late: what `too_late` has done to the film once it is laid.
    """

    too_late: str
    too_early: str
    laid_late: str = ""


NOTHING_WRONG = Overcoat("", "")


def overcoat_of(
    section: str | None,
    events: Iterable[Event],
    spec_of: Mapping[str, Spec],
    default_spec: Spec,
    history: TemperatureHistory,
    now_s: float,
) -> Overcoat:
    """Return how the newest coat of a section stands to the one beneath it.

    The clocks are reckoned for the moment before the newest coat was begun, with its spec as that
    of the next coat, on which recoat times may depend.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept.
        spec_of: specs by name.
        default_spec: of the enclosure.
        history: the section's temperatures.
        now_s: now [s].
    """
    kept = in_force(tuple(events))
    work = work_of(section, kept, now_s)
    newest = work.newest
    if newest is None or newest.started_s is None or len(work.coats) < 2:
        return NOTHING_WRONG
    begun_s = newest.started_s
    before = tuple(event for event in kept if event.time_s < begun_s)
    over = spec_of.get(newest.spec, default_spec) if newest.spec is not None else default_spec
    clocks = clocks_of(section, before, spec_of, over, history, begun_s)
    too_early = laid_late = ""
    for clock in clocks:
        if clock.stops_coating:
            laid_late = (
                f"Coat {newest.number} went on after coat {clock.coat}'s recoat window closed, no "
                f"sanding recorded: it may peel"
            )
        if clock.name is ClockName.RECOAT_OPENS and not clock.buried:
            if clock.state in (ClockState.RUNNING, ClockState.WAITING):
                too_early = (
                    f"Coat {newest.number} went on before coat {clock.coat}'s recoat window "
                    "opened: it may wrinkle, or trap the solvent below"
                )
            elif clock.state is ClockState.UNKNOWN:
                too_early = (
                    f"Coat {newest.number} went on, and nobody knows whether coat {clock.coat}'s "
                    f"recoat window was open"
                )
    return Overcoat(coating_over_forbidden(clocks), too_early, laid_late)


NOTED = "Leave it; look at it once it is touch dry"
IF_SANDED = "If it was sanded, record when"


def film_doubts(
    stage: Stage, clocks: Iterable[Clock], overcoat: Overcoat, unknown_spec: str, judged_by: str
) -> tuple[Doubt, ...]:
    """Return why a section may have no GO though every limit is ok.

    Args:
        stage: of the section.
        clocks: of the section.
        overcoat: how the newest coat stands to the one beneath.
        unknown_spec: name of the film's spec where it cannot be found, or "".
        judged_by: name of the spec that stands in for it.
    """
    found: list[Doubt] = []
    if unknown_spec:
        found.append(
            Doubt(
                "spec",
                f"The film's spec '{unknown_spec}' cannot be found, so no GO; judged by "
                f"{judged_by} meanwhile. Put its file back, or correct the event",
            )
        )
    if stage is Stage.FLASH:
        # The end of the coat undoes none of it: what was laid at the wrong time is no safe film.
        if overcoat.laid_late:
            found.append(Doubt("recoat closes", f"{overcoat.laid_late}. {IF_SANDED}"))
        if overcoat.too_early:
            found.append(Doubt("recoat opens", f"{overcoat.too_early}. {NOTED}"))
    if stage not in (Stage.MIX, Stage.APPLY):
        return tuple(found)
    clocks = tuple(clocks)
    waiting = [
        clock.left_s
        for clock in clocks
        if clock.name is ClockName.INDUCTION and clock.state is ClockState.RUNNING
    ]
    if waiting:
        left_s = max((each for each in waiting if each is not None), default=None)
        left = (
            "until it is warmer" if left_s is None else f"another {duration_text(max(left_s, 1.0))}"
        )
        found.append(Doubt("induction", f"The mix must stand {left} before use (induction)"))
    if stage is Stage.APPLY:
        lives = [clock.state for clock in clocks if clock.name is ClockName.POT_LIFE]
        if lives and all(state is ClockState.ENDED for state in lives):
            found.append(Doubt("pot life", "Pot life over. Do not use or thin what is left."))
        if overcoat.too_early:
            found.append(Doubt("recoat opens", overcoat.too_early))
    return tuple(found)


KEEP_MIX_S = 6 * 3600.0
"""A mix whose pot life no sheet gives counts as waiting to be used for this long [s]."""


@dataclass(frozen=True, slots=True)
class FilmState:
    """What events and clocks say of a section at one time.

    Attributes:
        stage: prep, mix, apply, flash or cure: which question the call answers.
        film_stage: apply, flash or cure while a film is open to harm, else None. It differs from
            `stage` only where the next coat is mixed over a film that still cures; both
            questions then count.
        spec_name: spec of the film that is open to harm, else of the coat mixed or the default.
        next_spec_name: spec of the next coat: that of the mix, else the default.
        coat: number of the newest coat, or None where there is none.
        method: how it was put on, or None.
        coat_started_s: when it was begun, or None [s].
        coat_ended_s: when it was ended, or None [s].
        steps_ended: when each step ended, or None where it has not.
        harm_left_s: how long until each step has ended, None where not known [s].
        coating_forbidden: why coating over must be STOP, or "".
        time_s: at which all this holds [s].
    """

    stage: Stage
    film_stage: Stage | None
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
) -> FilmState:
    """Return where a section's film is in its life.

    No film and no events is prep; mixed is mix; from coat-started to coat-ended is apply; then
    flash until touch dry, cure until cured, and prep again. A mix takes the stage from a film
    that still cures only once recoat has opened. A launch ends the watch over a film.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept, corrections among them.
        default_spec: of the enclosure.
        clocks: of this section, as `all_clocks.clocks_of` gives them for the same time.
        now_s: now [s].

    Returns:
        Stage, spec, and the steps that have ended. A step for which the sheet gives no time ends
        with the next one for which it does; without any, never.

    Source:
        DESIGN's "Which question a call answers"; no source beyond it.
    """
    work = work_of(section, events, now_s)
    clocks = tuple(clocks)
    coat = work.newest
    named = {c.name: c for c in clocks if c.coat is not None and not c.buried}
    ended, left = _steps(named)
    film_stage = _film_stage(work, coat, ended)
    mixed = _mixed(work, clocks, now_s)
    stage = film_stage or (Stage.MIX if mixed is not None else Stage.PREP)
    if film_stage is Stage.CURE and mixed is not None and ended[Step.RECOAT_OPENS] is not None:
        stage = Stage.MIX
    next_name = mixed or default_spec.name
    film_name = (coat.spec or default_spec.name) if coat is not None else next_name
    return FilmState(
        stage=stage,
        film_stage=film_stage,
        spec_name=film_name if film_stage is not None else next_name,
        next_spec_name=next_name,
        coat=None if coat is None else coat.number,
        method=None if coat is None else coat.method,
        coat_started_s=None if coat is None else coat.started_s,
        coat_ended_s=None if coat is None else coat.ended_s,
        steps_ended=ended,
        harm_left_s=left,
        coating_forbidden=coating_over_forbidden(clocks),
        time_s=now_s,
    )


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


def _film_stage(work: Work, coat: Coat | None, ended: Mapping[Step, float | None]) -> Stage | None:
    if coat is None or work.back_in_service_s is not None:
        return None
    if coat.ended_s is None:
        # Nobody paints after the session has ended: the film lies wet, its end not recorded.
        return Stage.APPLY if coat.session_ended_s is None else Stage.FLASH
    if ended[Step.CURED] is not None:
        return None
    return Stage.FLASH if ended[Step.TOUCH_DRY] is None else Stage.CURE


def _mixed(work: Work, clocks: Iterable[Clock], now_s: float) -> str | None:
    """Name of the spec of a mix that waits to be used ("" for the default), or None."""
    coat = work.newest
    used_until = -math.inf
    if coat is not None:
        used_until = max(coat.started_s or -math.inf, coat.ended_s or -math.inf)
    lives = {c.started_s: c for c in clocks if c.name is ClockName.POT_LIFE}
    for pot in reversed(work.pots):
        if pot.mixed_s <= used_until:
            break
        if pot.session_ended_s is not None:
            continue
        life = lives.get(pot.mixed_s)
        alive = (
            now_s - pot.mixed_s <= KEEP_MIX_S
            if life is None or life.state is ClockState.UNKNOWN
            else life.state is not ClockState.ENDED
        )
        if alive:
            return pot.spec or ""
    return None
