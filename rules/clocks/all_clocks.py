"""Every countdown of a section: which clocks its events start, and how each stands now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from rules.clocks.bench import Bench, frame_of
from rules.clocks.clock import Clock, ClockState, fixed_clock, join_words, run_clock, spoken
from rules.clocks.film_clocks import film_clocks
from rules.clocks.history import TemperatureHistory, TemperatureOutlook
from rules.clocks.pot_clocks import pot_clocks
from rules.clocks.work import work_of
from rules.events import Event
from rules.rate import Lean
from rules.spec.model import Spec
from rules.vocabulary import ClockName, Method

KEEP_CLEARED_S = 6 * 3600.0
"""A clearance that is over stays on the list for this long [s]."""

_USER_LENGTH = "your own figure from your own test; this program never computes it"
_BREATHING = (
    "until then nobody goes in without the respiratory protection that the safety data sheet "
    "asks for; no vapour is measured here"
)


def clocks_of(
    section: str | None,
    events: Iterable[Event],
    spec_of: Mapping[str, Spec],
    default_spec: Spec,
    history: TemperatureHistory,
    now_s: float,
    outlook: TemperatureOutlook | None = None,
) -> tuple[Clock, ...]:
    """Return every clock of a section, computed from its events and logged temperatures alone.

    Args:
        section: its name; None or "all" for an enclosure without sections.
        events: all of the enclosure's events as kept, corrections among them.
        spec_of: specs by name, for films that were laid with another than the default.
        default_spec: that of the enclosure: of films whose events name none, and of the next
            coat, on which recoat times may depend.
        history: the section's temperatures since the earliest start; missing time is a gap.
        now_s: now; what is told of later does not count yet [s].
        outlook: what the surface will probably do, or None.

    Returns:
        The clocks: of the newest film, of pots, tape, wipe and clearance; first the running
        ones in the order of their ends, then waiting, ended and unknown ones.

    Raises:
        SpecFault: a spec's time table cannot be used.

    Source:
        What each clock does is DESIGN's; the law is checked against ASTM C1074 in tests/rules.
    """
    work = work_of(section, events, now_s)
    bench = Bench(section, work, spec_of, default_spec, history, now_s, outlook)
    clocks = [*film_clocks(bench), *pot_clocks(bench), *wipe_clock(bench), *clearance(bench)]
    return in_order(clocks)


def in_order(clocks: Iterable[Clock]) -> tuple[Clock, ...]:
    """Return clocks with the next to end first, then waiting, ended and unknown ones."""
    rank = {
        ClockState.RUNNING: 0,
        ClockState.WAITING: 1,
        ClockState.ENDED: 2,
        ClockState.UNKNOWN: 3,
    }
    far = float("inf")
    return tuple(
        sorted(clocks, key=lambda c: (rank[c.state], far if c.ends_at_s is None else c.ends_at_s))
    )


def merge_clocks(clocks_by_section: Iterable[Iterable[Clock]]) -> tuple[Clock, ...]:
    """Join the clocks of several sections; what they share (pot, clearance) comes once.

    Args:
        clocks_by_section: the clocks of each.

    Returns:
        All of them in order. Of a shared pot the section counts that is worst for it: the
        soonest end of its life, the latest of its induction.

    Source:
        No source: leaning to the safe side.
    """
    kept: dict[tuple[object, ...], Clock] = {}
    far = float("inf")
    for clock in (c for clocks in clocks_by_section for c in clocks):
        key = (clock.name, clock.section, clock.batch, clock.started_s, clock.coat, clock.buried)
        known = kept.get(key)
        if known is None:
            kept[key] = clock
            continue
        old = far if known.ends_at_s is None else known.ends_at_s
        new = far if clock.ends_at_s is None else clock.ends_at_s
        if new > old if clock.name is ClockName.INDUCTION else new < old:
            kept[key] = clock
    return in_order(kept.values())


def history_wanted_from_s(
    section: str | None, events: Iterable[Event], now_s: float
) -> float | None:
    """Return from when on a section's clocks need temperatures, or None where nothing runs.

    Args:
        section: its name, or None.
        events: all of the enclosure's events.
        now_s: now [s].

    Returns:
        The earliest start of a coat, pot or wipe that still matters [s].

    Source:
        No source: bookkeeping.
    """
    work = work_of(section, events, now_s)
    starts = [c.started_s if c.started_s is not None else c.ended_s for c in work.coats[-4:]]
    starts += [pot.mixed_s for pot in work.pots[-8:]]
    starts.append(work.wiped_s)
    known = [s for s in starts if s is not None]
    return min(known) if known else None


def coating_over_forbidden(clocks: Iterable[Clock]) -> str:
    """Return why coating over must be STOP now, or "" where the recoat window does not forbid it.

    Args:
        clocks: as `clocks_of` gives them.

    Returns:
        One sentence with what to do, or "".

    Source:
        No source: wording.
    """
    for clock in clocks:
        if clock.stops_coating:
            return f"the recoat window of coat {clock.coat} has closed: {clock.advice}"
    return ""


def launch_warning(clocks: Iterable[Clock]) -> str:
    """Return what to say to who puts the work back into service, or "" where it has cured.

    Args:
        clocks: as `clocks_of` gives them.

    Returns:
        A warning while `cured` waits, runs or is unknown; "" otherwise.

    Source:
        Common practice, no source: a film under water or load before it has cured may blister,
        print or lose its hold.
    """
    for clock in clocks:
        if clock.name is not ClockName.CURED or clock.state is ClockState.ENDED:
            continue
        where = f"{clock.section}: " if clock.section else ""
        if clock.state is ClockState.UNKNOWN:
            return f"{where}whether coat {clock.coat} has cured is not known: {clock.basis}"
        left = "" if clock.left_s is None else f", {spoken(clock.left_s)} left as warm as now"
        return (
            f"{where}coat {clock.coat} has not cured{left}: water or load on it now may blister, "
            "mark or loosen it"
        )
    return ""


def wipe_clock(bench: Bench) -> list[Clock]:
    """The drying of the last wipe, for the coat that comes next."""
    wiped = bench.work.wiped_s
    spec = bench.spec_named(bench.work.wiped_spec)
    if wiped is None or spec is None:
        return []
    table = spec.times.get(ClockName.WIPE_DRY)
    if table is None:
        return []
    frame = frame_of(bench, ClockName.WIPE_DRY, spec.name, None)
    return [run_clock(frame, table, Lean.OPENS, bench.cold, wiped, bench.now_s)]


def clearance(bench: Bench) -> list[Clock]:
    """How long the air wants clearing, by the user's own figure and never another."""
    work = bench.work
    frame = Clock(ClockName.CLEARANCE, None, None, ClockState.UNKNOWN)
    if work.air_coat_ended_s is None and not work.air_coat_open:
        return []
    if work.clearance_s is None:
        if not work.clearance_fault and work.air_method is not Method.GUN:
            return []
        words = work.clearance_fault or (
            "no length entered, so this clock does not run; this program never computes one"
        )
        enter = "filmcall event measured --what clearance --value MINUTES --unit min"
        return [replace(frame, basis=words, advice=f"enter your own test's figure: {enter}")]
    words = f"{spoken(work.clearance_s)}, {_USER_LENGTH}"
    if work.air_coat_open or work.air_coat_ended_s is None:
        return [
            replace(
                frame,
                state=ClockState.WAITING,
                left_s=work.clearance_s,
                basis=join_words(words, "starts when the coat is ended"),
                advice=_BREATHING,
            )
        ]
    clock = fixed_clock(frame, work.air_coat_ended_s, work.clearance_s, bench.now_s, words)
    if clock.state is ClockState.RUNNING:
        return [replace(clock, advice=_BREATHING)]
    over_s = bench.now_s - work.air_coat_ended_s - work.clearance_s
    return [clock] if over_s <= KEEP_CLEARED_S else []
