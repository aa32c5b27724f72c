"""What the coat beneath said when the newest one was begun: too early, too late, or neither."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from rules.clocks.all_clocks import clocks_of, coating_over_forbidden
from rules.clocks.clock import ClockState
from rules.clocks.history import TemperatureHistory
from rules.clocks.work import work_of
from rules.events import Event, in_force
from rules.spec.model import Spec
from rules.vocabulary import ClockName


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
                f"coat {newest.number} was begun after the recoat window of coat {clock.coat} "
                f"had closed: it may not hold to it"
            )
        if clock.name is ClockName.RECOAT_OPENS and not clock.buried:
            if clock.state in (ClockState.RUNNING, ClockState.WAITING):
                too_early = (
                    f"coat {newest.number} was begun before the recoat window of coat "
                    f"{clock.coat} had opened: it may wrinkle, or hold the solvent beneath it"
                )
            elif clock.state is ClockState.UNKNOWN:
                too_early = (
                    f"whether the recoat window of coat {clock.coat} had opened when coat "
                    f"{newest.number} was begun is not known"
                )
    return Overcoat(coating_over_forbidden(clocks), too_early, laid_late)
