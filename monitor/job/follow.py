"""What the log says is done already: films that are on, sandings, so that the rest is planned."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from monitor.job.read import CHORE_TAKES_S
from monitor.job.text import moment_text
from monitor.logged_films import LoggedFilms
from rules.clocks.pots import pot_clocks
from rules.clocks.work import Coat, Work, work_of
from rules.events import Event
from rules.job.ahead import Ahead
from rules.job.columns import STANDARD
from rules.job.model import Chore, CoatToLay, Job, JobSection
from rules.job.problem import Laid, MixedPot
from rules.job.shopping import ENOUGH, coat_takes_ml
from rules.spec.model import Spec
from rules.units import DAY_S
from rules.vocabulary import ALL_SECTIONS, ClockName, EventKind

BEFORE_START_S = 7.0 * DAY_S
"""A coat so shortly before the job's start may be of it; judgement, no source [s]."""

YOUNG_S = 7.0 * DAY_S
"""A film so young may be soft; judgement, no source [s]."""

_DEW = "after dew on the soft film"


@dataclass(frozen=True, slots=True)
class Followed:
    """A job as far as its log has come.

    Attributes:
        job: the same; a sanding that is done is no longer in it.
        laid: the newest film of each section that has one.
        open: sections on which a coat is being laid.
        strayed: what the log has that the job does not, in words.
        taped: sections whose newest film has its tape on still, and since when [s since 1970].
        held: what a section's newest film went through that holds the next coat, in words.
        pots: that stand ready for a section's next coat.
        rests: pots for a section's next coat from which other sections were coated, and in which
            too little is left, or not known how much.
    """

    job: Job
    laid: Mapping[str, Laid]
    open: tuple[str, ...]
    strayed: tuple[str, ...]
    taped: Mapping[str, float]
    held: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    pots: Mapping[str, tuple[MixedPot, ...]] = field(default_factory=dict)
    rests: Mapping[str, tuple[MixedPot, ...]] = field(default_factory=dict)


def followed(
    job: Job,
    events: Iterable[Event],
    now_s: float,
    specs: Mapping[str, Spec],
    films: Mapping[str, LoggedFilms],
    ahead: Mapping[str, Ahead],
) -> Followed:
    """Read what is done from the log's events.

    Args:
        job: the whole work.
        events: of the log that stand by the moment asked about.
        now_s: that moment, or the job's start where that comes later [s since 1970].
        specs: that films lie by, by `Event.spec_key`.
        films: of the sections to which anything was done, now.
        ahead: of each enclosure, by which it is known how warm it was when a pot was mixed.
    """
    events = tuple(events)
    strayed = [*_laid_before(job, events), *_not_named(job, events, now_s)]
    events = tuple(event for event in events if event.time_s >= job.start_s)
    laid: dict[str, Laid] = {}
    taped: dict[str, float] = {}
    held: dict[str, tuple[str, ...]] = {}
    pots: dict[str, tuple[MixedPot, ...]] = {}
    rests: dict[str, tuple[MixedPot, ...]] = {}
    poured: set[float] = set()
    sections, open_ = [], []
    for section in job.sections:
        own = tuple(event for event in events if event.enclosure == section.enclosure)
        work = work_of(section.name, own, now_s)
        coats = [coat for coat in work.coats if coat.started_s is not None]
        count = min(len(coats), len(section.coats))
        logged = films.get(section.name)
        laying = bool(coats) and coats[-1].is_open  # then what is mixed is for that coat
        if logged is not None and count < len(section.coats) and not laying:
            own_pots, odd = _pots(section.coats[count], logged, specs, poured)
            strayed += [f"{each}, the next coat of {section.name} is another" for each in odd]
            air = ahead[section.enclosure]
            works = _works(own, now_s)
            drawn = tuple(_drawn(pot, works, job, air.temp_c(pot.mixed_s)) for pot in own_pots)
            takes_ml = coat_takes_ml(section, section.coats[count], air.temp_c(now_s))
            ready = tuple(pot for pot in drawn if _is_ready(pot, takes_ml))
            if ready:
                pots[section.name] = ready
                section, words = _for_pots(section, count, logged, ready)
                strayed += words
            rests[section.name] = tuple(pot for pot in drawn if pot not in ready)
        if len(coats) > count:
            strayed.append(f"{section.name} has {len(coats)} coats in the log, {count} in the job")
        sanded_s = max(work.sanded_s, default=None)
        if count:
            last = coats[-1]  # which is what lies, though the job may ask for fewer
            spec = _usable(specs, last)
            found = _laid(section, last, count, sanded_s, spec, now_s, logged)
            laid[section.name] = found
            strayed += _odd_spec(section, len(coats), last, spec)
            if last.ended_s is None:
                open_.append(section.name)
            elif work.tape_on_s is not None and work.tape_on_s <= last.ended_s:
                taped[section.name] = work.tape_on_s
            section = _sanded(section, count) if found.sanded else section
            if logged is not None and logged.held:
                held[section.name] = logged.held
                section = _washed_first(section, count)
        elif sanded_s is not None:
            section = _sanded(section, 0)
        sections.append(section)
    return Followed(
        replace(job, sections=tuple(sections)),
        laid,
        tuple(open_),
        tuple(strayed),
        taped,
        held,
        pots,
        rests,
    )


def _laid_before(job: Job, events: Sequence[Event]) -> Iterator[str]:
    """What was laid so shortly before the job's start that it may be the job's own."""
    zone = job.hours.zone
    for section in job.sections:
        own = [e for e in events if e.enclosure == section.enclosure and e.time_s < job.start_s]
        for coat in work_of(section.name, own, job.start_s).coats[-1:]:
            begun_s = coat.started_s or -math.inf
            if begun_s >= job.start_s - BEFORE_START_S:
                yield (
                    f"the log has a coat on {section.name} of {moment_text(begun_s, zone)}, before "
                    f"the job's start of {moment_text(job.start_s, zone)}: it is not counted here; "
                    "where it is of this job set the start before it"
                )


def _not_named(job: Job, events: Sequence[Event], now_s: float) -> Iterator[str]:
    """Films that may be soft in the job's own air, on sections that it does not name."""
    places = {(section.enclosure, section.name) for section in job.sections}
    begun = (e for e in events if e.kind is EventKind.COAT_STARTED and e.section is not None)
    for place in dict.fromkeys((event.enclosure, event.section) for event in begun):
        enclosure, name = place
        if place in places or name == ALL_SECTIONS or enclosure not in dict(places):
            continue
        own = [event for event in events if event.enclosure == enclosure]
        for coat in work_of(name, own, now_s).coats[-1:]:
            if coat.started_s is not None and coat.started_s >= now_s - YOUNG_S:
                yield (
                    f"the log has a coat on {name} of {moment_text(coat.started_s, job.hours.zone)}"
                    ", a section that the job does not name: its film is not counted here, ask "
                    "filmcall clocks"
                )


def _pots(
    coat: CoatToLay, logged: LoggedFilms, specs: Mapping[str, Spec], poured: set[float]
) -> tuple[tuple[MixedPot, ...], list[str]]:
    """The pots that stand ready for a coat, and those of another paint; each serves one section."""
    ends_s = {
        (clock.name, clock.started_s): clock.ends_at_s
        for clock in (pot_clocks(logged.bench) if logged.bench.history.time_s.size else ())
    }
    found, odd = [], []
    for pot in logged.state.pots:
        if pot.mixed_s in poured:
            continue
        spec = specs.get(pot.spec or "")
        if spec is not None and spec.name != coat.spec.name:
            if pot.section is not None:
                odd.append(f"a pot of {spec.name} is mixed")
            continue
        poured.add(pot.mixed_s)
        found.append(
            MixedPot(
                pot.batch,
                pot.amount_ml,
                pot.mixed_s,
                ends_s.get((ClockName.INDUCTION, pot.mixed_s)),
                ends_s.get((ClockName.POT_LIFE, pot.mixed_s)),
            )
        )
    return tuple(found), odd


def _for_pots(
    section: JobSection, count: int, logged: LoggedFilms, ready: Sequence[MixedPot]
) -> tuple[JobSection, list[str]]:
    """The section with its next coat by the method and hardener of the pots that stand ready.

    As the log's clocks have it, a coat takes its pot's hardener, and none named is the standard.
    """
    coat = section.coats[count]
    times_s = {pot.mixed_s for pot in ready}
    poured = [pot for pot in logged.state.pots if pot.mixed_s in times_s]
    hardener = coat.hardener
    if coat.sheet is not None and coat.sheet.hardeners:
        named = {pot.hardener or STANDARD for pot in poured}
        # Two pots with two hardeners: the safe side of all that there are.
        hardener = named.pop() if len(named) == 1 else None
    methods = {pot.method for pot in poured if pot.method is not None}
    method = methods.pop() if len(methods) == 1 else coat.method
    if (method, hardener) == (coat.method, coat.hardener):
        return section, []
    words = []
    if coat.hardener is not None and hardener not in (None, coat.hardener):
        words = [
            f"a pot with the {hardener} hardener is mixed for {section.name}, the job has "
            f"{coat.hardener}"
        ]
    coats = list(section.coats)
    coats[count] = coat.by(method, hardener)
    return replace(section, coats=tuple(coats)), words


def _works(events: tuple[Event, ...], now_s: float) -> dict[str, Work]:
    """What was done to each section that an event names; to all of them where none is named."""
    names = dict.fromkeys(event.section or ALL_SECTIONS for event in events)
    return {name: work_of(name, events, now_s) for name in names}


def _drawn(pot: MixedPot, works: Mapping[str, Work], job: Job, temp_c: float) -> MixedPot:
    """The pot with what coats that were begun from it have left in it, by the job's figures."""
    left_ml, sections = pot.amount_ml, []
    for name, work in works.items():
        for at, coat in enumerate(work.coats):
            if pot.mixed_s not in coat.poured_s:
                continue
            takes_ml = _takes_ml(name, at, coat, job, temp_c)
            left_ml = None if takes_ml is None or left_ml is None else max(left_ml - takes_ml, 0.0)
            sections.append(name)
    return replace(pot, amount_ml=left_ml, drawn_for=tuple(dict.fromkeys(sections)))


def _is_ready(pot: MixedPot, takes_ml: float | None) -> bool:
    """Whether a coat can be planned from a pot: nothing is gone from it, or enough is left."""
    if not pot.drawn_for:
        return True
    if pot.amount_ml is None or takes_ml is None:
        return False
    return pot.amount_ml >= ENOUGH * takes_ml


def _takes_ml(section: str, at: int, coat: Coat, job: Job, temp_c: float) -> float | None:
    """What the job has for a coat, all of it from one pot; None where that is not known [mL]."""
    own = next((each for each in job.sections if each.name == section), None)
    if own is None or at >= len(own.coats) or len(coat.poured_s) > 1:
        return None
    return coat_takes_ml(own, own.coats[at], temp_c)


def _usable(specs: Mapping[str, Spec], coat: Coat) -> Spec | None:
    """The spec that a film lies by, with what holds for it; None where it is not known."""
    sheet = specs.get(coat.spec or "")
    if sheet is None:
        return None
    spec = sheet.under(coat.method, coat.hardener, coat.service)
    return None if {ClockName.TOUCH_DRY, ClockName.CURED} - set(spec.times) else spec


def _laid(
    section: JobSection,
    last: Coat,
    count: int,
    sanded_s: float | None,
    spec: Spec | None,
    now_s: float,
    logged: LoggedFilms | None,
) -> Laid:
    coat = section.coats[count - 1]
    started_s = last.started_s or 0.0
    ended_s = last.ended_s
    if ended_s is None:
        ended_s = max(started_s + coat.takes_s, now_s)
    is_sanded = sanded_s is not None and sanded_s > ended_s
    bench = logged.bench if logged is not None and logged.bench.history.time_s.size else None
    return Laid(replace(coat, spec=spec or coat.spec), started_s, ended_s, is_sanded, bench)


def _odd_spec(section: JobSection, number: int, last: Coat, laid: Spec | None) -> list[str]:
    coat = section.coats[min(number, len(section.coats)) - 1]
    name = coat.spec.name
    if last.spec is None or (laid is not None and laid.name == name):
        hardener = last.hardener or STANDARD
        if laid is None or coat.hardener in (None, hardener):
            return []
        return [f"coat {number} of {section.name} was laid with the {hardener} hardener, the job "
                f"has {coat.hardener}; its clocks go by the {hardener} one"]  # fmt: skip
    if laid is None:
        return [f"coat {number} of {section.name} was laid with a spec that cannot be read, so the "
                f"times of {name} count for it"]  # fmt: skip
    return [
        f"coat {number} of {section.name} was laid with {laid.name}, the job has {name}; its "
        f"clocks go by {laid.name}"
    ]


def _sanded(section: JobSection, count: int) -> JobSection:
    """The section without the sanding before its next coat."""
    return _before_next(section, count, lambda chores: tuple(c for c in chores if c.kind != "sand"))


def _washed_first(section: JobSection, count: int) -> JobSection:
    """The section with a wash before its next coat; a wash or a sanding of its own serves too."""
    return _before_next(
        section,
        count,
        lambda chores: (
            chores
            if any(chore.kind in ("wash", "sand") for chore in chores)
            else (Chore("wash", _DEW, CHORE_TAKES_S["wash"]), *chores)
        ),
    )


def _before_next(
    section: JobSection, count: int, change: Callable[[tuple[Chore, ...]], tuple[Chore, ...]]
) -> JobSection:
    if count >= len(section.coats):
        return section
    coats = list(section.coats)
    coats[count] = replace(coats[count], before=change(coats[count].before))
    return replace(section, coats=tuple(coats))
