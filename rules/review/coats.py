"""What became of each coat of a section, looked back at: its stages, windows and memory.

Built from events and logged temperatures, as the clocks are; `exposure` and `causes` judge by it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rules.clocks.history import TemperatureHistory
from rules.clocks.work import Coat, Pot, PotUse, Work, is_about, pots_used, work_of
from rules.events import Event, in_force
from rules.limits import limits_in_force, wet_film_allowance_k
from rules.memory import (
    FilmAges,
    FilmAir,
    FilmMemory,
    Known,
    Wetting,
    answered_s,
    remembered,
    unanswered,
)
from rules.rate import SafeSide
from rules.review.exposure import ClimateSeries, LimitTimes, limit_times
from rules.review.windows import (
    Window,
    WindowName,
    air_c,
    came_of,
    pot_windows,
    recoat_window,
    tape_windows,
)
from rules.spec.model import Spec
from rules.spec.thinner import ThinnerRange, thinner_range
from rules.text import duration_text
from rules.units import DAY_S
from rules.vocabulary import (
    CLOCK_OF_STEP,
    FILM_STAGES,
    ClockName,
    Effect,
    EventKind,
    LimitName,
    Method,
    Stage,
    Step,
    Until,
)

END_OF_LOG = "end of the log"


class Thinned(NamedTuple):
    """The thinner in one pot of a coat, and what its sheet asks for.

    Attributes:
        batch: name of the pot, or None.
        thinner_pct: by volume of the mix [%].
        asked: between which shares, by method and temperature.
        is_sure: whether it was that pot.
    """

    batch: str | None
    thinner_pct: float
    asked: ThinnerRange
    is_sure: bool


@dataclass(frozen=True, slots=True)
class CoatRecord:
    """One coat, from its first stroke until the air no longer reaches it.

    Attributes:
        number: as told.
        spec: that it was laid with.
        method: how it was put on, or None.
        batches: names of the pots that went into it.
        started_s: or None where never recorded [s].
        ended_s: or None [s].
        until_s: when the air's record of it ends [s].
        until_why: `next coat`, `back in service`, or `end of the log`.
        steps_s: when each step, or time that a limit names, was over, on the safe side; missing
            where not reached [s].
        windows: recoat over it, pot, induction, tape.
        limits: how long each limit was kept, by stage; those that only slow a cure left out.
        memory: what the film went through, as the call had it, or None without a climate.
        perhaps: names of pots of which one may have gone into it in place of another.
        unwashed: water on it while it was soft, or that may have been, with which nobody dealt
            before the next coat; None where there was none, or no next coat.
        answered_s: when it was last washed, inspected or sanded before the next coat [s].
        thinned: of the pots that went into it, or may have, where their thinner is recorded.
    """

    number: int
    spec: Spec
    method: Method | None
    batches: tuple[str, ...]
    started_s: float | None
    ended_s: float | None
    until_s: float
    until_why: str
    steps_s: Mapping[Until, float]
    windows: tuple[Window, ...]
    limits: tuple[LimitTimes, ...] = ()
    memory: FilmMemory | None = None
    perhaps: tuple[str, ...] = ()
    unwashed: Wetting | None = None
    answered_s: float = -math.inf
    thinned: tuple[Thinned, ...] = ()

    @property
    def begun_s(self) -> float:
        """The first that is known of it [s]."""
        return self.started_s if self.started_s is not None else self.ended_s or self.until_s

    @property
    def unknown_s(self) -> float:
        """For how long some limit that mattered to it is not known, in all [s]."""
        total_s, until_s = 0.0, -math.inf
        for begin_s, end_s in sorted(span for each in self.limits for span in each.unknown):
            total_s += max(0.0, end_s - max(begin_s, until_s))
            until_s = max(until_s, end_s)
        return total_s

    def open_until_s(self, step: Until) -> float:
        """Until when a harm that ends with a step, or after a time, can have reached it [s]."""
        return min(self.until_s, self.steps_s.get(step, math.inf))

    def asks_for(self, name: WindowName) -> bool:
        """Return whether its spec gives a time of the pot."""
        clock = ClockName.POT_LIFE if name is WindowName.POT_LIFE else ClockName.INDUCTION
        return clock in self.spec.times

    @property
    def is_open(self) -> bool:
        """Whether the record ends while a limit still matters to it."""
        if self.until_why != END_OF_LOG:
            return False
        limits = (limits_in_force(self.spec, stage) for stage in FILM_STAGES)
        return any(limit.until not in self.steps_s for each in limits for limit in each.values())

    def stages(self) -> tuple[tuple[Stage, float, float], ...]:
        """Return its stages with begin and end; those it never reached are left out [s]."""
        ended = self.ended_s if self.ended_s is not None else self.until_s
        dry = max(ended, self.open_until_s(Step.TOUCH_DRY))
        cured = max(dry, self.open_until_s(Step.CURED))
        spans = (
            (Stage.APPLY, self.begun_s, min(ended, self.until_s)),
            (Stage.FLASH, ended, min(dry, self.until_s)),
            (Stage.CURE, dry, min(cured, self.until_s)),
        )
        return tuple(span for span in spans if span[2] > span[1])


def coats_of(
    section: str | None,
    events: Iterable[Event],
    spec_of: Mapping[str, Spec],
    default_spec: Spec,
    history: TemperatureHistory,
    end_s: float,
    series: ClimateSeries | None = None,
) -> tuple[tuple[CoatRecord, ...], tuple[str, ...]]:
    """Return what became of a section's coats.

    Args:
        section: its name, or None.
        events: all of the enclosure's events as kept, corrections among them.
        spec_of: specs by name.
        default_spec: of coats whose events name none.
        history: the section's temperatures.
        end_s: end of the record [s].
        series: the climate that the limits are judged on, or None to leave them out.

    Returns:
        The coats in order, and what has to be said (a spec that is not known, say).

    Source:
        Stages and windows: DEVELOPERS.md, "The calls"; the temperatures' accuracy decides between
        kept and missed only where both sides of it agree.
    """
    events = tuple(events)
    work = work_of(section, events, end_s)
    standing = [e for e in in_force(events) if e.time_s <= end_s and is_about(e, section)]
    launches = [e.time_s for e in standing if e.kind is EventKind.BACK_IN_SERVICE]
    said: list[str] = []
    specs = [
        _spec(coat.spec, spec_of, default_spec, said).under(
            coat.method, coat.hardener, coat.service
        )
        for coat in work.coats
    ]
    records: list[CoatRecord] = []
    for at, coat in enumerate(work.coats):
        spec = specs[at]
        following = work.coats[at + 1] if at + 1 < len(work.coats) else None
        begun = coat.started_s if coat.started_s is not None else coat.ended_s
        if begun is None:
            continue
        over_s = None
        if following is not None:
            over_s = following.started_s if following.started_s is not None else following.ended_s
        launched = next((s for s in launches if s > begun), None)
        until_s, why = end_s, END_OF_LOG
        if launched is not None and launched < until_s:
            until_s, why = launched, "back in service"
        if over_s is not None and over_s <= until_s:
            until_s, why = over_s, "next coat"
        laid_end_s = coat.ended_s
        if laid_end_s is None and coat.session_ended_s is not None:
            laid_end_s = coat.session_ended_s
            said.append(
                f"coat {coat.number}: its end was never recorded; counted as the session's end"
            )
        steps: dict[Until, float] = {}
        if laid_end_s is not None:
            for step, name in CLOCK_OF_STEP.items():
                table = spec.times.get(name)
                if table is None:
                    continue
                came = came_of(table, SafeSide.OPENS, history, laid_end_s, until_s, -1.0)
                if came.ended_at_s is not None:
                    steps[step] = came.ended_at_s
            ends = {each: laid_end_s + each for each in spec.times_until}
            steps |= {each: end for each, end in ends.items() if end <= until_s}
        pots = _pots_of(coat, work, spec, spec_of, default_spec)
        windows = [
            *pot_windows(coat.number, pots, history),
            *tape_windows(coat.number, standing, spec, history, begun, laid_end_s, over_s, end_s),
        ]
        if over_s is not None:
            next_spec = specs[at + 1]
            sanded = [e.time_s for e in standing if e.kind is EventKind.SANDED]
            windows.append(
                recoat_window(
                    coat.number,
                    spec,
                    next_spec,
                    history,
                    coat.started_s,
                    laid_end_s,
                    over_s,
                    sanded,
                )
            )
        record = CoatRecord(
            number=coat.number,
            spec=spec,
            method=coat.method,
            batches=_names(use.pot for use, _ in pots),
            perhaps=_names(pot for use, _ in pots for pot in use.others),
            thinned=_thinned(coat, pots, history),
            started_s=coat.started_s,
            ended_s=laid_end_s,
            until_s=until_s,
            until_why=why,
            steps_s=steps,
            windows=tuple(windows),
        )
        if series is not None:
            record = _with_limits(record, series)
        if over_s is not None and record.memory is not None:
            answered = answered_s(section, standing, over_s)
            wetting = unanswered(record.memory, answered, over_s, None)
            record = replace(record, unwashed=wetting, answered_s=answered)
            if wetting is not None:
                record = replace(record, windows=_over_unwashed(record.windows, wetting))
                said.append(
                    f"coat {coat.number} {unwashed_words(wetting)}, and was coated over with no "
                    "wash, inspection or sanding recorded: what came on it may not hold"
                )
        records.append(record)
    return tuple(records), tuple(dict.fromkeys(said))


def unwashed_words(wetting: Wetting) -> str:
    """Return for how long a film was wet, or may have been."""
    lasted = duration_text(wetting.lasted_s)
    if wetting.seen:
        return f"was wet for {lasted} while soft"
    return f"may have been wet for {lasted} while soft, which is not known"


def _over_unwashed(windows: tuple[Window, ...], wetting: Wetting) -> tuple[Window, ...]:
    """The windows, of which the recoat's says what the next coat went over."""
    over = f"over a film that {unwashed_words(wetting)}, no wash recorded"
    return tuple(
        replace(each, over=over) if each.name is WindowName.RECOAT else each for each in windows
    )


def _thinned(
    coat: Coat, uses: Iterable[tuple[PotUse, Spec]], history: TemperatureHistory
) -> tuple[Thinned, ...]:
    found = []
    for use, spec in uses:
        pots = (use.pot, *use.others)
        is_sure = len({pot.thinner_pct for pot in pots}) == 1
        for pot in pots:
            if spec.mix is None or pot.thinner_pct is None:
                continue
            method, temp_c = coat.method or pot.method, air_c(history, use.from_s)
            asked = thinner_range(spec.mix, method, temp_c, coat.number)
            found.append(Thinned(pot.batch, pot.thinner_pct, asked, is_sure))
    return tuple(dict.fromkeys(found))


def _names(pots: Iterable[Pot]) -> tuple[str, ...]:
    return tuple(pot.batch for pot in pots if pot.batch is not None)


def _pots_of(
    coat: Coat, work: Work, spec: Spec, spec_of: Mapping[str, Spec], default: Spec
) -> list[tuple[PotUse, Spec]]:
    """The pots of a coat, each with the spec that it is judged by.

    One of another spec is another coat's, for all that anybody said, unless this one names it.
    """

    def of(pot: Pot) -> Spec:
        return _spec(pot.spec, spec_of, default, [])

    def judging(pot: Pot) -> Spec:
        if of(pot).name == spec.name:
            return spec
        return of(pot).under(pot.method or coat.method, pot.hardener or coat.hardener)

    uses = pots_used(coat, work, lambda pot: of(pot).name == spec.name)
    return [(use, judging(use.pot)) for use in uses]


def _spec(name: str | None, spec_of: Mapping[str, Spec], default: Spec, said: list[str]) -> Spec:
    if name is None or name == default.name:
        return default
    found = spec_of.get(name)
    if found is None:
        said.append(
            f"spec '{name}' is not known here, so its coat is judged by '{default.name}'; "
            "give its file with --spec"
        )
        return default
    return found


def _with_limits(record: CoatRecord, series: ClimateSeries) -> CoatRecord:
    found: list[LimitTimes] = []
    for stage, from_s, to_s in record.stages():
        allowance_k = wet_film_allowance_k(record.spec, stage, record.method)
        for name, limit in limits_in_force(record.spec, stage).items():
            end_s = min(to_s, record.open_until_s(limit.until))
            if end_s <= from_s or limit.effect is Effect.SLOW:
                continue
            bound = limit.bound + (allowance_k if name is LimitName.DEW_MARGIN_MIN else 0.0)
            found.append(
                limit_times(series, name, stage, bound, from_s, end_s, guarded=limit.guard)
            )
    return replace(record, limits=tuple(found), memory=_memory(record, series))


def _memory(record: CoatRecord, series: ClimateSeries) -> FilmMemory | None:
    """What the film went through until the air no longer reached it."""
    steps, until_s = record.steps_s, record.until_s
    if Step.CURED in steps:
        # Two days more, by which a gap that begins before its end is known on both sides.
        until_s = min(until_s, max(steps[each] for each in Step if each in steps) + 2.0 * DAY_S)
    cells, held_s = series.span(record.begun_s, until_s)
    if not held_s.size:
        return None
    ages = FilmAges(
        record.begun_s,
        record.ended_s,
        *(steps.get(step) for step in (Step.TOUCH_DRY, Step.HANDLE, Step.CURED)),
    )
    gas = None
    if series.co2_ppm is not None:
        low, high = series.known(None)
        gas = Known(series.co2_ppm[cells], low[cells], high[cells])
    air = FilmAir(
        series.time_s[cells],
        held_s,
        _known(series, LimitName.DEW_MARGIN_MIN, cells),
        _known(series, LimitName.HUMIDITY_MAX, cells),
        _known(series, LimitName.SURFACE_TEMP_MIN, cells),
        ~series.complete.get(LimitName.SURFACE_TEMP_MIN, np.ones_like(series.time_s, bool))[cells],
        gas,
    )
    return remembered(air, ages, record.spec)


def _known(series: ClimateSeries, name: LimitName, cells: slice) -> Known:
    """A quantity over some cells with its known interval, the sensors' error in it."""
    best = series.values.get(name)
    if best is None:
        nothing = np.full(series.time_s[cells].size, np.nan)
        return Known(nothing, np.full_like(nothing, -np.inf), np.full_like(nothing, np.inf))
    guard = series.guard(name)[cells]
    low, high = series.known(name)
    return Known(best[cells], low[cells] - guard, high[cells] + guard)
