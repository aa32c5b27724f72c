"""What a film's own clocks and spec put in GO's way, beside the limits of the air."""

from __future__ import annotations

from collections.abc import Iterable

from rules.clocks.clock import Clock, ClockState
from rules.clocks.overcoat import Overcoat
from rules.reasons import Doubt, minutes_text
from rules.vocabulary import ClockName, Stage

NOTED = "nothing can be done about it now, and it is noted; look at the film once it is touch dry"


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
                f"the film's spec '{unknown_spec}' is not known, so it gets no GO; the limits of "
                f"{judged_by} stand in. Put its file back, or correct the event",
            )
        )
    if stage is Stage.FLASH:
        # The end of the coat undoes none of it: what was laid at the wrong time is no safe film.
        if overcoat.laid_late:
            found.append(Doubt("recoat closes", f"{overcoat.laid_late}; {NOTED}"))
        if overcoat.too_early:
            found.append(Doubt("recoat opens", f"{overcoat.too_early}; {NOTED}"))
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
        left = "until it is warmer" if left_s is None else f"for another {minutes_text(left_s)}"
        found.append(Doubt("induction", f"the mix must stand {left} before it is used (induction)"))
    if stage is Stage.APPLY:
        lives = [clock.state for clock in clocks if clock.name is ClockName.POT_LIFE]
        if lives and all(state is ClockState.ENDED for state in lives):
            found.append(
                Doubt("pot life", "the life of every pot has ended: what is left is not to be used")
            )
        if overcoat.too_early:
            found.append(Doubt("recoat opens", overcoat.too_early))
    return tuple(found)
