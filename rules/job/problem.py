"""A job laid on a grid of quarter hours: what every planner, list or solver, works on.

Opens clocks are rounded up to the grid and closes clocks down, so that a plan on it keeps every
window; "best" is the best on this grid.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.clocks.progress import progress
from rules.clocks.section_work import SectionWork
from rules.job.ahead import Ahead
from rules.job.air import ClockTable, FilmClocks
from rules.job.model import MIXING_S, Chore, CoatToLay, Job, JobFault, JobSection
from rules.job.season import DRIER_PCT, WARMER_K
from rules.spec.model import Spec
from rules.text import duration_text
from rules.units import DAY_S
from rules.vocabulary import CLOCK_OF_STEP

Slots = NDArray[np.int64]

SLOT_S = 900.0
"""The grid [s]; mixing takes one of it."""

UNTAPING_S = 900.0
"""How long taking tape off takes [s]; common practice, no source."""

CLOSE_BEFORE = 8
"""Wipe and tape go on within two hours before their coat, and a pot is mixed within two hours
before it must be, however long it lives [slots]; common practice, no source."""

NEVER = 1 << 30
"""A slot that does not come."""

_NO_MIXING = (
    "can be mixed in no working hour so that its pot has stood its induction and outlives the "
    "coat, {}, so nothing is planned; other working hours would help"
)
_NO_UNTAPING = (
    "has no start after which a working hour comes between the sheet's earliest and latest time "
    "for its tape to come off, {}, so nothing is planned; longer working hours would help"
)
_MORE_HOURS = {True: "a longer forecast", False: "hours after these, by --weather-year FILE.epw,"}
_ROUNDING_S = 1.0
_SLOT = np.float64(SLOT_S)


@dataclass(frozen=True, slots=True)
class Side:
    """Work that hangs on a coat: when it may begin, by the coat's start.

    Attributes:
        kind: `mix` or `untape`.
        first: earliest slot, one for each of the coat's starts.
        last: latest slot, likewise.
    """

    kind: str
    first: Slots
    last: Slots


@dataclass(frozen=True, slots=True)
class Piece:
    """A chore on the grid: its kind, what with, how long it takes and then dries [slots]."""

    kind: str
    what: str
    length: int
    dries: int


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One coat on the grid. Every array has one entry for each of `starts` and never falls.

    Attributes:
        number: of the coat.
        length: [slots].
        starts: at which it may begin, were it alone.
        opens: from when on the next coat may begin.
        closes: until when it may begin without a sanding.
        sand: from when on this film can be sanded.
        dry: from when on it takes no dust.
        handle: from when on it bears a neighbour's tape.
        done: when it is what the job asks of a last film.
        middles: washes and sandings before it, in order.
        close_before: wipes and tapes shortly before it, in order.
        mix: or None for a one-pack.
        untape: or None where no tape goes on for it.
        resource: which one it has for itself while it lasts, or None.
    """

    number: int
    length: int
    starts: Slots
    opens: Slots
    closes: Slots
    sand: Slots
    dry: Slots
    handle: Slots
    done: Slots
    middles: tuple[Piece, ...] = ()
    close_before: tuple[Piece, ...] = ()
    mix: Side | None = None
    untape: Side | None = None
    resource: int | None = None

    @property
    def lead(self) -> int:
        """Slots that wipes and tapes take at least before the coat."""
        return sum(piece.length + piece.dries for piece in self.close_before)

    @property
    def is_sanded_first(self) -> bool:
        """Whether its system has the ground sanded before it."""
        return any(piece.kind == "sand" for piece in self.middles)

    @property
    def is_taped(self) -> bool:
        """Whether tape goes on for it, which the tape of the coat before must make room for."""
        return any(piece.kind == "tape" for piece in self.close_before)


@dataclass(frozen=True, slots=True)
class LaidFilm:
    """A film that is on a section already: its clocks as slots, see `Task`."""

    opens: int
    closes: int
    sand: int
    dry: int
    handle: int
    done: int


@dataclass(frozen=True, slots=True)
class Chain:
    """A section on the grid.

    Attributes:
        name: of the section.
        enclosure: where it stands.
        tasks: its coats that are still to be laid, in order.
        beside: places of its neighbours among the chains.
        after: places of the chains that come first.
        film: the one that it has already, or None for bare ground.
    """

    name: str
    enclosure: str
    tasks: tuple[Task, ...]
    beside: frozenset[int] = frozenset()
    after: frozenset[int] = frozenset()
    film: LaidFilm | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A whole job on the grid.

    Attributes:
        zero_s: when slot 0 begins [s since 1970].
        slots: how many there are.
        people: how many work at once; 0 where nobody is counted.
        span_left: working slots left in the span at each slot, 0 outside working hours.
        chains: the sections.
        resanding: how long a sanding takes that a missed window asks for [slots].
    """

    zero_s: float
    slots: int
    people: int
    span_left: NDArray[np.int64]
    chains: tuple[Chain, ...]
    resanding: int

    def time_s(self, slot: int) -> float:
        """Return when a slot begins [s since 1970]."""
        return self.zero_s + slot * SLOT_S


def whole_slots(length_s: float) -> int:
    """Return how many slots a length takes.

    >>> whole_slots(3600.0), whole_slots(3700.0)
    (4, 5)
    """
    return math.ceil((length_s - _ROUNDING_S) / SLOT_S)


@dataclass(frozen=True, slots=True)
class Laid:
    """The newest film of a section as the log has it.

    Attributes:
        coat: which of the job's; its last, where the log has more than the job asks for.
        started_s: first brush stroke [s].
        ended_s: the coat's end [s].
        sanded: whether it was sanded since.
        bench: its section's work beside what was measured until now; None where no temperature is
            in the log, and the hours of weather stand in from its start on.
    """

    coat: CoatToLay
    started_s: float
    ended_s: float
    sanded: bool
    bench: SectionWork | None = None

    def ends_s(
        self, ahead: Ahead, clocks: Sequence[FilmClocks], name: str, *, latest: bool = True
    ) -> float:
        """Return when a clock ends: as far as it came by the log, then by the hours ahead.

        Args:
            ahead: of its enclosure.
            clocks: of `Ahead.film_clocks`.
            name: field of `FilmClocks`.
            latest: whether the late end is the safe one.

        Returns:
            As `Ahead.ends_s` [s since 1970].
        """
        start_s, left = self.ended_s if latest else self.started_s, 1.0
        table: ClockTable | None = getattr(clocks[0], name)
        if self.bench is not None and table is not None:
            body, now_s = self.bench.cold if latest else self.bench.warm, self.bench.now_s
            came = progress(table.law, body.safe, start_s, now_s)
            if came.ended_at_s is not None:
                return came.ended_at_s
            start_s, left = max(start_s, now_s), 1.0 - came.done
        return float(ahead.ends_s(clocks, name, np.array([start_s]), latest=latest, left=left)[0])


@dataclass(frozen=True, slots=True)
class MixedPot:
    """A pot that stands ready for a section's next coat.

    Attributes:
        batch: its name, or None.
        amount_ml: volume mixed, or None [mL].
        mixed_s: when [s].
        ready_s: when its induction is over, by the log's clock [s].
        dead_s: when its life is over, likewise [s]. Either is None where the log has no
            temperature to count by, and the hours of weather stand in.
        drawn_for: sections that were coated from it; `amount_ml` is what is left then.
    """

    batch: str | None
    amount_ml: float | None
    mixed_s: float
    ready_s: float | None = None
    dead_s: float | None = None
    drawn_for: tuple[str, ...] = ()


def pots_span_s(
    pots: Sequence[MixedPot], ahead: Ahead, clocks: Sequence[FilmClocks]
) -> tuple[float, float]:
    """Return from when and until when all of a coat's pots can be used [s since 1970].

    Args:
        pots: at least one.
        ahead: of their enclosure.
        clocks: of the coat, of `Ahead.film_clocks`.
    """
    mixed_s = np.array([pot.mixed_s for pot in pots])
    ready_s = ahead.ends_s(clocks, "induction", mixed_s)
    dead_s = ahead.ends_s(clocks, "pot_life", mixed_s, latest=False)
    spans = list(zip(pots, ready_s.tolist(), dead_s.tolist(), strict=True))
    return (
        max(each if pot.ready_s is None else pot.ready_s for pot, each, _ in spans),
        min(each if pot.dead_s is None else pot.dead_s for pot, _, each in spans),
    )


def lay_out(
    job: Job,
    ahead: dict[str, Ahead],
    laid: dict[str, Laid],
    from_s: float,
    resanding_s: float,
    pots: Mapping[str, tuple[MixedPot, ...]] | None = None,
) -> Problem:
    """Lay a job on the grid.

    Args:
        job: the whole work.
        ahead: the air of each enclosure.
        laid: the newest film of each section that has one.
        from_s: nothing is begun before then [s since 1970].
        resanding_s: how long a sanding takes that a missed window asks for [s].
        pots: that stand ready for a section's next coat; it goes on from them where it can.

    Raises:
        JobFault: a step that fits into no span, or into no good hours.
    """
    zero_s = math.floor(max(job.start_s, from_s - DAY_S) / SLOT_S) * SLOT_S
    end_s = max(each.end_s for each in ahead.values())
    slots = max(0, math.floor((end_s - zero_s) / SLOT_S))
    span_left = _span_left(job, zero_s, slots, from_s)
    places = {section.name: at for at, section in enumerate(job.sections)}
    grid = _Grid(job, zero_s, slots, span_left)
    chains = tuple(
        Chain(
            name=section.name,
            enclosure=section.enclosure,
            tasks=tuple(
                grid.tasks(
                    section,
                    ahead[section.enclosure],
                    laid.get(section.name),
                    (pots or {}).get(section.name, ()),
                )
            ),
            beside=frozenset(places[name] for name in section.beside),
            after=frozenset(places[name] for name in section.after),
            film=grid.film(section, ahead[section.enclosure], laid.get(section.name)),
        )
        for section in job.sections
    )
    return Problem(zero_s, slots, job.people, span_left, chains, whole_slots(resanding_s))


def _span_left(job: Job, zero_s: float, slots: int, from_s: float) -> NDArray[np.int64]:
    left = np.zeros(slots + 1, dtype=np.int64)
    days = int(slots * SLOT_S // DAY_S) + 3
    for begin_s, end_s in job.hours.spans(job.start, days + _days_between(job.start_s, zero_s)):
        first = math.ceil((max(begin_s, from_s) - zero_s) / SLOT_S - 1e-9)
        last = min(slots, math.floor((end_s - zero_s) / SLOT_S + 1e-9))
        first = max(0, first)
        if first < last:
            left[first:last] = last - np.arange(first, last)
    return left


def _days_between(first_s: float, then_s: float) -> int:
    return max(0, math.ceil((then_s - first_s) / DAY_S))


class _Grid:
    """Makes coats into tasks."""

    def __init__(self, job: Job, zero_s: float, slots: int, span_left: NDArray[np.int64]) -> None:
        self._job, self._zero_s, self._slots, self._left = job, zero_s, slots, span_left
        working = span_left[:slots] > 0
        at = np.where(working, np.arange(slots), NEVER)
        self._next_work = np.append(np.minimum.accumulate(at[::-1])[::-1], NEVER)
        self._made: dict[tuple[object, ...], Task] = {}

    def tasks(
        self, section: JobSection, ahead: Ahead, laid: Laid | None, pots: tuple[MixedPot, ...]
    ) -> list[Task]:
        found = []
        first = 0 if laid is None else laid.coat.number
        for coat in section.coats[first:]:
            following = section.coats[coat.number : coat.number + 1]
            spec = following[0].spec if following else None
            # Coats of one kind share their arrays: a job of 72 has a handful of kinds.
            key = (section.enclosure, id(coat.spec), coat.takes_s, coat.method, coat.before,
                   id(spec), coat.number, pots)  # fmt: skip
            if key not in self._made:
                self._made[key] = self._task(section, coat, spec, ahead, pots)
            found.append(self._made[key])
            pots = ()
        return found

    def film(self, section: JobSection, ahead: Ahead, laid: Laid | None) -> LaidFilm | None:
        if laid is None:
            return None
        left = section.coats[laid.coat.number :]
        clocks = self._clocks(ahead, laid.coat.spec, left[0].spec if left else None)

        def slot(name: str, *, opens: bool = True) -> int:
            end_s = laid.ends_s(ahead, clocks, name, latest=opens)
            return int(self._slots_of(np.array([end_s]), up=opens)[0])

        dry = slot("touch_dry")
        return LaidFilm(
            opens=slot("opens"),
            closes=NEVER if laid.sanded else slot("closes", opens=False),
            sand=max(dry, slot("sand")),
            dry=dry,
            handle=slot("handle" if clocks[0].handle is not None else "done"),
            done=slot("done"),
        )

    def _clocks(self, ahead: Ahead, spec: Spec, following: Spec | None) -> list[FilmClocks]:
        return ahead.film_clocks(spec, following, CLOCK_OF_STEP[self._job.done_when])

    def _slots_of(self, time_s: NDArray[np.float64], *, up: bool) -> Slots:
        exact = (time_s - self._zero_s) / SLOT_S
        whole = np.ceil(exact - 1e-3) if up else np.floor(exact + 1e-3)
        found: Slots = np.where(np.isfinite(whole), whole, NEVER).astype(np.int64)
        return found

    def _task(
        self,
        section: JobSection,
        coat: CoatToLay,
        following: Spec | None,
        ahead: Ahead,
        pots: tuple[MixedPot, ...],
    ) -> Task:
        length = whole_slots(coat.takes_s)
        close_before = _close_before(coat)
        middles = tuple(_piece(chore) for chore in coat.before if chore.kind in ("wash", "sand"))
        starts = np.flatnonzero(self._left[: self._slots] >= length)
        self._check_fits(section, coat, length, middles, starts)
        every_s = self._zero_s + starts * _SLOT
        said = "; ".join((coat.spec.name, *coat.unsaid))
        what = f"section {section.name!r}: coat {coat.number} ({said})"
        starts = starts[ahead.is_good(coat, every_s)]
        if starts.size == 0:
            raise JobFault(f"{what} {_no_hour(coat, ahead, every_s)}")
        clocks = self._clocks(ahead, coat.spec, following)
        in_pot = self._in_pot(pots, ahead, clocks, starts, length)
        starts = starts[in_pot] if in_pot.any() else starts
        mix = None if in_pot.any() else self._mix(coat, ahead, clocks, starts, length)
        untape = self._untape(coat, ahead, clocks, starts, length)
        keep = np.ones(starts.size, dtype=np.bool_)
        for side in (mix, untape):
            if side is not None:
                first = self._next_work[np.clip(side.first, 0, self._slots)]
                keep &= (side.first <= side.last) & (first <= side.last)
            if not keep.any():
                why = _NO_UNTAPING if side is untape else self._no_pot(ahead, clocks, length)
                raise JobFault(f"{what} {why.format(ahead.reach_words())}")
        starts = starts[keep]
        begin_s = self._zero_s + starts * _SLOT
        end_s = begin_s + length * _SLOT

        def up(name: str) -> Slots:
            found = self._slots_of(ahead.ends_s(clocks, name, end_s), up=True)
            return np.maximum.accumulate(np.maximum(found, starts + length))

        closes = self._slots_of(ahead.ends_s(clocks, "closes", begin_s, latest=False), up=False)
        dry = up("touch_dry")
        handle = up("handle") if clocks[0].handle is not None else up("done")
        return Task(
            number=coat.number,
            length=length,
            starts=starts,
            opens=up("opens"),
            closes=np.minimum.accumulate(closes[::-1])[::-1],
            sand=np.maximum(up("sand"), dry),
            dry=dry,
            handle=handle,
            done=up("done"),
            middles=middles,
            close_before=close_before,
            mix=_kept(mix, keep),
            untape=_kept(untape, keep),
        )

    def _check_fits(
        self,
        section: JobSection,
        coat: CoatToLay,
        length: int,
        middles: Sequence[Piece],
        starts: Slots,
    ) -> None:
        longest = int(self._left.max(initial=0))
        needs = [(f"coat {coat.number} ({coat.spec.name})", length + coat.two_pack)]
        needs += [(f"its {piece.kind}", piece.length) for piece in middles]
        for what, slots in needs:
            if slots > longest or starts.size == 0:
                raise JobFault(
                    f"section {section.name!r}: {what} takes "
                    f"{duration_text(slots * SLOT_S)} with its mixing, and no span of the working "
                    f"hours is longer than {duration_text(longest * SLOT_S)}, so nothing is "
                    "planned; lengthen hours in [job], or cut the section in two"
                )

    def _in_pot(
        self,
        pots: tuple[MixedPot, ...],
        ahead: Ahead,
        clocks: list[FilmClocks],
        starts: Slots,
        length: int,
    ) -> NDArray[np.bool_]:
        """At which starts a coat can be laid whole from the pots that stand ready."""
        if not pots:
            return np.zeros(starts.size, dtype=np.bool_)
        ready_s, dead_s = pots_span_s(pots, ahead, clocks)
        begin_s = self._zero_s + starts * _SLOT
        found: NDArray[np.bool_] = (begin_s >= ready_s) & (begin_s + length * _SLOT <= dead_s)
        return found

    def _pots(self, ahead: Ahead, clocks: list[FilmClocks]) -> tuple[Slots, Slots, Slots]:
        """Every slot for mixing, and from when and until when its pot can be used."""
        every = np.flatnonzero(self._left[: self._slots] > 0)
        mixed_s = self._zero_s + (every + whole_slots(MIXING_S)) * _SLOT
        ready = every + 1
        if clocks[0].induction is not None:
            ready = self._slots_of(ahead.ends_s(clocks, "induction", mixed_s), up=True)
            ready = np.maximum.accumulate(np.maximum(ready, every + 1))
        dead = self._slots_of(ahead.ends_s(clocks, "pot_life", mixed_s, latest=False), up=False)
        return every, ready, np.minimum.accumulate(dead[::-1])[::-1]

    def _no_pot(self, ahead: Ahead, clocks: list[FilmClocks], length: int) -> str:
        """Why no start of a coat finds a pot: its life is too short, or the hours do not suit."""
        _, ready, dead = self._pots(ahead, clocks)
        usable = int((dead - ready).max())
        if usable >= length:
            return _NO_MIXING
        return (
            f"takes {duration_text(length * SLOT_S)}, and a pot of it can be used for "
            f"{duration_text(max(0, usable) * SLOT_S)} at most, in whole quarter hours, {{}}, so "
            "nothing is planned; cut the section in two so that one pot does, or take a slower "
            "hardener; a warmer tent would shorten it"
        )

    def _mix(
        self,
        coat: CoatToLay,
        ahead: Ahead,
        clocks: list[FilmClocks],
        starts: Slots,
        length: int,
    ) -> Side | None:
        if not coat.two_pack:
            return None
        every, ready, dead = self._pots(ahead, clocks)
        never = np.append(every, NEVER)
        last = np.append(-1, every)[np.searchsorted(ready, starts, "right")]
        first = never[np.searchsorted(dead, starts + length, "left")]
        return Side("mix", np.maximum(first, last - CLOSE_BEFORE), last)

    def _untape(
        self,
        coat: CoatToLay,
        ahead: Ahead,
        clocks: list[FilmClocks],
        starts: Slots,
        length: int,
    ) -> Side | None:
        if not any(chore.kind == "tape" for chore in coat.before):
            return None
        end_s = self._zero_s + (starts + length) * _SLOT
        first = starts + length
        if clocks[0].tape_off is not None:
            first = np.maximum(
                first, self._slots_of(ahead.ends_s(clocks, "tape_off", end_s), up=True)
            )
        begin_s = self._zero_s + starts * _SLOT
        last = self._slots_of(ahead.ends_s(clocks, "tape_stays", begin_s, latest=False), up=False)
        if coat.spec.tape_not_after_s is not None:
            # These days count from when the tape went on.
            on = starts - sum(p.length + p.dries for p in _close_before(coat)) - CLOSE_BEFORE
            last = np.minimum(last, on + int(coat.spec.tape_not_after_s // SLOT_S))
        if clocks[0].tape_stays is None and coat.spec.tape_not_after_s is None:
            last = np.full(starts.size, self._slots)
        return Side("untape", np.maximum.accumulate(first), np.maximum.accumulate(last))


def _no_hour(coat: CoatToLay, ahead: Ahead, starts_s: NDArray[np.float64]) -> str:
    """Why a coat may start nowhere, and what of the tent's air would let it."""
    best = 100.0 * float(ahead.share(coat, starts_s)[0].max(initial=0.0))
    helps = [
        f"a tent {words}, "
        for words, air in (
            (f"{WARMER_K:g} K warmer", ahead.warmer(WARMER_K)),
            (f"{DRIER_PCT:g} % drier", ahead.drier(DRIER_PCT)),
        )
        if air.is_good(coat, starts_s).any()
    ]
    if ahead.is_open(coat, starts_s).any():
        return (
            "is not known to hold from any hour: no limit breaks, but the hours of weather end "
            f"before its harm time does, {ahead.reach_words()}, so nothing is planned; "
            f"{''.join(helps)}--weather-year FILE.epw for the hours after them, or a longer "
            "forecast might help"
        )
    return (
        "finds no hour from which all its limits hold until its harm time is over, "
        f"{ahead.reach_words()} (the best holds in {best:.0f} % of the draws), so nothing is "
        f"planned; {''.join(helps)}other working hours or {_MORE_HOURS[ahead.far]} might help"
    )


def _kept(side: Side | None, keep: NDArray[np.bool_]) -> Side | None:
    return None if side is None else Side(side.kind, side.first[keep], side.last[keep])


def _close_before(coat: CoatToLay) -> tuple[Piece, ...]:
    return tuple(_piece(chore) for chore in coat.before if chore.kind in ("wipe", "tape"))


def _piece(chore: Chore) -> Piece:
    return Piece(chore.kind, chore.what, whole_slots(chore.takes_s), whole_slots(chore.dries_s))
