"""How the newest coat of a section stands to the film beneath: too early, too late, or unwashed.

Takes clocks and a film's memory; hands its doubts to the call.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import tzinfo
from typing import NamedTuple

from rules.clocks.all_clocks import clocks_on, coating_over_forbidden
from rules.clocks.clock import ClockState
from rules.clocks.history import TemperatureHistory
from rules.clocks.section_work import SectionWork
from rules.clocks.stages import stage_of
from rules.clocks.work import work_of
from rules.events import Event, in_force
from rules.memory import answered_s, memory_of, unanswered
from rules.reasons import MEMORY, Doubt
from rules.spec.model import Spec
from rules.vocabulary import ClockName, Stage


class Overcoat(NamedTuple):
    """How the newest coat stands to the one beneath; all "" where nothing is wrong.

    Attributes:
        too_late: why coating over was forbidden when it was begun: the window had closed.
        too_early: why it should have waited: the window had not opened.
        laid_late: what `too_late` has done to the film once it is laid.
        unwashed: what the film beneath went through while it was soft, and nobody washed off.
    """

    too_late: str
    too_early: str
    laid_late: str = ""
    unwashed: str = ""


NOTHING_WRONG = Overcoat("", "")


def overcoat_of(
    section: str | None,
    events: Iterable[Event],
    spec_of: Mapping[str, Spec],
    default_spec: Spec,
    history: TemperatureHistory,
    now_s: float,
    zone: tzinfo | None = None,
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
        zone: of the times that it names; None for UTC.
    """
    events = tuple(events)
    kept = in_force(events)
    work = work_of(section, events, now_s)
    newest = work.newest
    if newest is None or newest.started_s is None or len(work.coats) < 2:
        return NOTHING_WRONG
    begun_s = newest.started_s
    before = tuple(event for event in kept if event.time_s < begun_s)
    over = spec_of.get(newest.spec, default_spec) if newest.spec is not None else default_spec
    bench = SectionWork(
        section,
        work_of(section, before, begun_s),
        spec_of,
        default_spec,
        history,
        begun_s,
        None,
        over=over,
    )
    clocks = clocks_on(bench)
    too_early = laid_late = unwashed = ""
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
                    f"Coat {newest.number} went on, and it is not known whether coat "
                    f"{clock.coat}'s recoat window was open"
                )
    memory = memory_of(bench, stage_of(section, before, default_spec, clocks, begun_s).steps_ended)
    if memory is not None and bench.work.newest is not None:
        answered = answered_s(section, before, begun_s)
        wetting = unanswered(memory, answered, begun_s, zone)
        if wetting is not None:
            went = (
                f"was wet {wetting.when} while soft, no wash"
                if wetting.seen
                else f"may have been wet {wetting.when} while soft, no look at it"
            )
            unwashed = (
                f"Coat {newest.number} went on over coat {bench.work.newest.number}, which {went} "
                "recorded: it may not hold"
            )
    return Overcoat(coating_over_forbidden(clocks), too_early, laid_late, unwashed)


NOTED = "Leave it; look at it once it is touch dry"
IF_SANDED = "If it was sanded, record when"
IF_WASHED = "If it was washed, inspected or sanded, record when"


def overcoat_doubts(overcoat: Overcoat, stage: Stage) -> tuple[Doubt, ...]:
    """Return why a coat is no safe film though every limit is ok, until it is touch dry.

    Args:
        overcoat: how it stands to the one beneath.
        stage: of the section.
    """
    found: list[Doubt] = []
    # The end of the coat undoes none of it: what was laid at the wrong time is no safe film.
    if stage is Stage.FLASH and overcoat.laid_late:
        found.append(Doubt("recoat closes", f"{overcoat.laid_late}. {IF_SANDED}"))
    if stage in (Stage.APPLY, Stage.FLASH) and overcoat.too_early:
        noted = f". {NOTED}" if stage is Stage.FLASH else ""
        found.append(Doubt("recoat opens", f"{overcoat.too_early}{noted}"))
    if stage in (Stage.APPLY, Stage.FLASH) and overcoat.unwashed:
        found.append(Doubt(MEMORY, f"{overcoat.unwashed}. {IF_WASHED}"))
    return tuple(found)
