"""What a log shows of one cause over one coat: its dose or its missed time, and what is open of it.

Takes a coat and the climate; hands an `Evidence` to `causes`, which weighs them against each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rules.known import Floats
from rules.limits import is_upper, limits_in_force, unit_of, wet_film_allowance_k
from rules.memory import BLOOM_BY_CLASS, Age, Condition, Wetting
from rules.review.coats import END_OF_LOG, CoatRecord, Thinned
from rules.review.defects import Cause, Sign, fits_family
from rules.review.dose import (
    MOST_PER_H,
    Cells,
    Dose,
    dose_of,
)
from rules.review.exposure import ClimateSeries, Excess, beyond
from rules.review.likelihood import RatioRow, combined, dose_ratio
from rules.review.windows import Window, WindowName, WindowOutcome
from rules.units import DAY_S, HOUR_S
from rules.vocabulary import FILM_STAGES, LimitName, Stage, Step, Until

_LEVEL_S = 600.0  # before a coat, from which the surface still tells what it was laid on

BEFORE_S = 6.0 * HOUR_S
"""How long before a coat the ground's own dew still counts; common practice, no source [s]."""

DRIES_IN_H = 1.0
"""Time constant in which a wet hull dries while it stands clear of the dew point; common practice,
no source [h]."""

AFTER_LOG_S = DAY_S
"""For so long a film is taken to go on being open where the log ends before it had set [s]."""

_LIMIT_OF = {
    Sign.LOW_MARGIN: LimitName.DEW_MARGIN_MIN,
    Sign.WET_BEFORE: LimitName.DEW_MARGIN_MIN,
    Sign.WET_BARE: LimitName.DEW_MARGIN_MIN,
    Sign.HIGH_HUMIDITY: LimitName.HUMIDITY_MAX,
    Sign.LOW_HUMIDITY: LimitName.HUMIDITY_MIN,
    Sign.LOW_SURFACE: LimitName.SURFACE_TEMP_MIN,
    Sign.HIGH_SURFACE: LimitName.SURFACE_TEMP_MAX,
    Sign.SURFACE_RISE: LimitName.SURFACE_TEMP_MAX,
    Sign.HIGH_AIR: LimitName.AIR_TEMP_MAX,
}
_WET_GROUND = (Sign.WET_BEFORE, Sign.WET_BARE)
_WINDOW_OF = {
    Sign.RECOAT_EARLY: (WindowName.RECOAT, WindowOutcome.EARLY),
    Sign.RECOAT_LATE: (WindowName.RECOAT, WindowOutcome.LATE),
    Sign.POT_OVER: (WindowName.POT_LIFE, WindowOutcome.LATE),
    Sign.INDUCTION_SHORT: (WindowName.INDUCTION, WindowOutcome.EARLY),
    Sign.TAPE_EARLY: (WindowName.TAPE, WindowOutcome.EARLY),
    Sign.TAPE_LATE: (WindowName.TAPE, WindowOutcome.LATE),
}


NEVER_KNOWN = 1.0 - 1e-6
"""Share of the time that mattered from which nothing of it was known [1]."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the log shows of one cause over one coat.

    Attributes:
        cause: which.
        coat: number of the coat.
        weight: its dose by the best estimate, in hours at the cause's scale on a film wholly open
            to it, or for a missed time its share over the cause's scale; no probability [h].
        lowest: the dose that is sure [h].
        highest: the dose that the log allows at the most [h].
        highest_known: the part of it that minutes with a value can hold [h].
        unknown: share of the time that mattered of which the log does not know [1].
        beyond: the sums behind it, for a condition.
        window: the time behind it, for a missed time.
        via: the condition behind a layer on the coat below, else None.
        own_weight: the part of `weight` that no nearer cause explains: damp air while the dew
            margin was kept [h].
        open_s: minutes that were not known and can hold harm [s].
        after_log_s: when the log ended while the film was still open to it, or None [s].
        thinned: the thinner of the pot behind it, or None.
        wetting: of a film coated over: water on it with which nobody dealt, or None.
        age_s: how old the film was when it began, or None [s].
        behind: strength of the nearer cause that it follows from, else no bound [1].
        rows: what counted for it, as likelihood ratios.
    """

    cause: Cause
    coat: int
    weight: float
    unknown: float
    beyond: Excess | None = None
    window: Window | None = None
    via: Evidence | None = None
    wetting: Wetting | None = None
    thinned: Thinned | None = None
    own_weight: float = 0.0
    lowest: float = 0.0
    highest: float = 0.0
    highest_known: float = 0.0
    open_s: tuple[tuple[float, float], ...] = ()
    after_log_s: float | None = None
    age_s: float | None = None
    behind: float = math.inf
    rows: tuple[RatioRow, ...] = ()

    @property
    def supports(self) -> bool:
        """Whether it accuses its cause: even the lowest dose is more than harmless."""
        return self.lowest >= self.cause.harm

    @property
    def strength(self) -> float:
        """How many times as much as is harmless, no more than what lies behind it [1]."""
        return min(self.weight / self.cause.harm, self.behind)

    @property
    def is_open(self) -> bool:
        """Whether it can be neither accused nor acquitted; what was never known acquits nobody."""
        blind = self.unknown >= NEVER_KNOWN
        return not self.supports and (blind or self.highest >= self.cause.harm)

    @property
    def ratio(self) -> float:
        """Likelihood ratio of this cause against another that the log does not show [1]."""
        return combined(self.rows)

    @property
    def highest_ratio(self) -> float:
        """The ratio if the dose was the highest that the log allows [1]."""
        most = min(self.highest / self.cause.harm, self.behind)
        return self.ratio / dose_ratio(self.strength) * dose_ratio(most)


@dataclass(frozen=True, slots=True)
class NotLooked:
    """Why this log has nothing to say of a cause, and whether that leaves the cause open."""

    why: str
    leaves_open: bool = False


def look(
    cause: Cause,
    coat: CoatRecord,
    below: CoatRecord | None,
    series: ClimateSeries,
    washed: tuple[float, ...],
    seen_s: float | None,
    since_s: float = -math.inf,
) -> Evidence | NotLooked:
    """Return the evidence of one cause over one coat until it was seen, or why there is none.

    Args:
        cause: looked for.
        coat: over which.
        below: the coat under it, or None.
        series: of the section.
        washed: when it was washed [s].
        seen_s: when the defect was seen; what came later does not count [s].
        since_s: what came before does not count either [s].
    """
    if seen_s is not None and coat.begun_s >= seen_s:
        return NotLooked("the coat was laid after the defect was seen")
    if cause.sign in _WINDOW_OF:
        return _missed(cause, coat, seen_s)
    if cause.sign is Sign.BLOOM_BELOW:
        return _layer_below(cause, coat, below, series, washed)
    if cause.sign in (Sign.THINNER_OVER, Sign.THINNER_UNDER):
        return _thinner(cause, coat)
    if cause.sign is Sign.UNWASHED:
        return _unwashed(cause, coat, below)
    if cause.sign is Sign.WET_BEFORE and below is None:
        return NotLooked("there is no coat below")
    if cause.sign is Sign.WET_BARE and below is not None:
        return NotLooked("it is not the first coat")
    spans = _spans(cause, coat, seen_s, since_s)
    name = _LIMIT_OF.get(cause.sign)
    values = series.co2_ppm if name is None else series.values.get(name)
    if values is None:
        return NotLooked("it was not measured", leaves_open=name is not None)
    bound, unit, upper = _bound(cause, coat, name)
    whole_s = sum(to_s - from_s for from_s, to_s in spans)
    if whole_s <= 0.0:
        ends = coat.until_why == END_OF_LOG and seen_s is None and since_s == -math.inf
        return NotLooked("the log ends before it could matter", leaves_open=ends)
    cells = _cells(series, name, values, spans, _open_to(cause, coat))
    level_c = 0.0
    if cause.sign is Sign.SURFACE_RISE:
        level = _level(series, values, coat)
        if level is None:
            return NotLooked("the surface was not measured while the coat was laid", True)
        level_c = level
        cells = replace(
            cells, value=cells.value - level_c, low=cells.low - level_c, high=cells.high - level_c
        )
    if cause.sign in _WET_GROUND:
        cells = replace(cells, share=cells.share * _not_dried(cells, bound, coat.begun_s))
    scale = _scale(cause, bound)
    if cause.by_hardener:
        factor = BLOOM_BY_CLASS.get(coat.spec.hardener_class, 1.0)
        cells = replace(cells, share=cells.share * factor)
    dose = dose_of(cells, bound, scale, upper=upper, outside=_outside(spans, series))
    return _evidence(
        cause, coat, cells, dose, bound, unit, upper, whole_s, seen_s, series, spans, level_c
    )


def _evidence(
    cause: Cause,
    coat: CoatRecord,
    cells: Cells,
    dose: Dose,
    bound: float,
    unit: str,
    upper: bool,
    whole_s: float,
    seen_s: float | None,
    series: ClimateSeries,
    spans: Sequence[tuple[float, float]],
    level: float,
) -> Evidence:
    """What a dose says, with the plain sums behind it."""
    known = np.isfinite(cells.value)
    measured = series.measured(_LIMIT_OF.get(cause.sign), upper=upper)
    if measured is not None:
        measured = np.concatenate([measured[series.span(*span)[0]] for span in spans]) - level
    found = beyond(
        cells.time_s, cells.value, cells.covered_s, bound, upper=upper, unit=unit,
        guard=cells.guard, whole_s=whole_s,
        lowest=np.where(known, cells.low, np.nan), highest=np.where(known, cells.high, np.nan),
        measured=measured,
    )  # fmt: skip
    after_s, after_h = _after_the_log(cause, coat, seen_s)
    own = dose.best
    if cause.sign is Sign.HIGH_HUMIDITY and own:
        own = _without_dew(coat, series, spans, cells, bound, _scale(cause, bound))
    first_s = found.first_s
    laid_s = coat.ended_s if coat.ended_s is not None else coat.begun_s
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=dose.best,
        lowest=dose.lowest,
        highest=dose.highest + after_h,
        highest_known=dose.highest - dose.hidden,
        unknown=found.unknown_s / whole_s,
        beyond=found,
        own_weight=own,
        open_s=dose.open_s,
        after_log_s=after_s,
        age_s=None if first_s is None else max(0.0, first_s - laid_s),
    )


def _after_the_log(
    cause: Cause, coat: CoatRecord, seen_s: float | None
) -> tuple[float | None, float]:
    """When the log ended while the film was still open, and what may have reached it since [h]."""
    if coat.until_why != END_OF_LOG or (seen_s is not None and seen_s <= coat.until_s):
        return None, 0.0
    if cause.stages[-1] not in FILM_STAGES:
        return None, 0.0
    name = _LIMIT_OF.get(cause.sign)
    ending: list[Until] = [Step.HANDLE] if cause.until is None else [cause.until]
    limits = [limits_in_force(coat.spec, stage).get(name) for stage in cause.stages if name]
    ending += [limit.until for limit in limits if limit is not None]
    if cause.until is None and any(limits):
        ending = [limit.until for limit in limits if limit is not None]
    if cause.stages[-1] is Stage.FLASH:
        ending.append(Step.TOUCH_DRY)
    if cause.stages[-1] is Stage.APPLY and coat.ended_s is not None:
        return None, 0.0
    if any(step in coat.steps_s for step in ending):
        return None, 0.0
    share = float(_open_to(cause, coat)(np.array([coat.until_s]))[0])
    return coat.until_s, share * MOST_PER_H * AFTER_LOG_S / HOUR_S if share > 0.0 else 0.0


def _without_dew(
    coat: CoatRecord,
    series: ClimateSeries,
    spans: Sequence[tuple[float, float]],
    cells: Cells,
    bound: float,
    scale: float,
) -> float:
    """The dose of damp while the margin was kept, or not known [h]."""
    name = LimitName.DEW_MARGIN_MIN
    limit = limits_in_force(coat.spec, Stage.APPLY).get(name)
    margins = series.values.get(name)
    damp = cells.value
    if limit is not None and margins is not None:
        margin_k = np.concatenate([margins[series.span(*span)[0]] for span in spans])
        with np.errstate(invalid="ignore"):
            damp = np.where(margin_k < limit.bound, np.nan, damp)
    return dose_of(replace(cells, value=damp), bound, scale, upper=True, outside=()).best


def _spans(
    cause: Cause, coat: CoatRecord, seen_s: float | None, since_s: float
) -> list[tuple[float, float]]:
    """When the film was open to a cause: its stages, until the step that ends the harm."""
    spans: list[tuple[float, float]] = []
    if Stage.PREP in cause.stages:
        spans.append((coat.begun_s - BEFORE_S, coat.begun_s))
    for stage, from_s, to_s in coat.stages():
        if stage not in cause.stages:
            continue
        name = _LIMIT_OF.get(cause.sign)
        limit = None if name is None else limits_in_force(coat.spec, stage).get(name)
        end_s = to_s
        # What only slows a cure slows it to its end, whatever step the sheet says it of.
        if limit is not None and (limit.harms or cause.until is None):
            end_s = min(end_s, coat.open_until_s(limit.until))
        if cause.until is not None:
            end_s = min(end_s, coat.open_until_s(cause.until))
        elif limit is None:
            end_s = min(end_s, coat.open_until_s(Step.HANDLE))
        spans.append((from_s, end_s))
    last_s = math.inf if seen_s is None else seen_s
    clipped = [(max(from_s, since_s), min(to_s, last_s)) for from_s, to_s in spans]
    return [span for span in clipped if span[1] > span[0]]


def _outside(
    spans: Sequence[tuple[float, float]], series: ClimateSeries
) -> list[tuple[float, float]]:
    """The parts of the spans that the grid does not reach."""
    if not series.time_s.size:
        return list(spans)
    begin_s, end_s = float(series.time_s[0]), float(series.time_s[-1]) + series.step_s
    found = []
    for from_s, to_s in spans:
        for low, high in ((from_s, min(to_s, begin_s)), (max(from_s, end_s), to_s)):
            if high - low > series.step_s:
                found.append((low, high))
    return found


def _open_to(cause: Cause, coat: CoatRecord) -> Callable[[Floats], Floats]:
    """How open the film is to a cause at each time, by its age; before the coat wholly."""
    ended_s = coat.ended_s if coat.ended_s is not None else coat.until_s
    times, shares = [coat.begun_s, ended_s], [cause.age[0], cause.age[0]]
    steps = (Step.TOUCH_DRY, Step.HANDLE, Step.CURED)
    for step, share in zip(steps, cause.age[1:], strict=True):
        at_s = coat.steps_s.get(step)
        if at_s is not None and at_s > times[-1]:
            times.append(at_s)
            shares.append(share)

    def share_at(time_s: Floats) -> Floats:
        found: Floats = np.interp(time_s, times, shares)
        return np.where(time_s < coat.begun_s, 1.0, found)

    return share_at


def _not_dried(cells: Cells, bound: float, begun_s: float) -> Floats:
    """What is left at the coat's begin of the water of each cell before it [1]."""
    with np.errstate(invalid="ignore"):
        dries = (cells.value >= bound) & (cells.time_s < begun_s)
    hours = np.where(dries, cells.covered_s, 0.0) / HOUR_S
    later_h = hours.sum() - np.cumsum(hours)
    left: Floats = np.exp(-later_h / DRIES_IN_H)
    return left


def _bound(cause: Cause, coat: CoatRecord, name: LimitName | None) -> tuple[float, str, bool]:
    """The coat's own bound, or the cause's; its unit, and whether it is an upper one."""
    if name is None:
        return cause.bound, "ppm", True
    if cause.sign is Sign.SURFACE_RISE:
        return cause.bound, "K", True
    limit = limits_in_force(coat.spec, Stage.APPLY).get(name)
    bound = cause.bound if limit is None or cause.own_bound else limit.bound
    if name is LimitName.DEW_MARGIN_MIN and cause.stages[-1] is not Stage.CURE:
        bound += wet_film_allowance_k(coat.spec, Stage.APPLY, coat.method)
    return bound, unit_of(name), is_upper(name)


def _scale(cause: Cause, bound: float) -> float:
    """What counts as one: dew itself, saturated air, else the cause's own scale [its unit]."""
    if cause.sign is Sign.LOW_MARGIN and bound > 0.0:
        return bound
    if cause.sign is Sign.HIGH_HUMIDITY and bound < 100.0:
        return 100.0 - bound
    return cause.scale


def _cells(
    series: ClimateSeries,
    name: LimitName | None,
    values: Floats,
    spans: Sequence[tuple[float, float]],
    open_to: Callable[[Floats], Floats],
) -> Cells:
    """The spans' cells, with the known interval of each."""
    guard = series.guard(name)
    low, high = series.possible(name)
    parts: list[Cells] = []
    for from_s, to_s in spans:
        cells, covered = series.span(from_s, to_s)
        time_s = series.time_s[cells]
        parts.append(
            Cells(
                time_s=time_s,
                covered_s=covered,
                value=values[cells],
                low=low[cells],
                high=high[cells],
                guard=guard[cells],
                share=open_to(time_s),
            )
        )
    return Cells(
        *(
            np.concatenate([getattr(part, column) for part in parts])
            for column in ("time_s", "covered_s", "value", "low", "high", "guard", "share")
        )
    )


def _level(series: ClimateSeries, values: Floats, coat: CoatRecord) -> float | None:
    """The surface while the coat was laid, from which a rise counts [°C]."""
    end_s = coat.ended_s if coat.ended_s is not None else coat.begun_s
    cells, covered = series.span(coat.begun_s - _LEVEL_S, end_s)
    known = values[cells][(covered > 0.0) & ~np.isnan(values[cells])]
    return float(np.median(known)) if known.size else None


def _missed(cause: Cause, coat: CoatRecord, seen_s: float | None) -> Evidence | NotLooked:
    name, wrong = _WINDOW_OF[cause.sign]
    windows = [w for w in coat.windows if w.name is name]
    if seen_s is not None:
        windows = [w for w in windows if w.done_s is None or w.done_s <= seen_s]
    if not windows:
        asked = name in (WindowName.POT_LIFE, WindowName.INDUCTION) and coat.asks_for(name)
        return NotLooked(f"no {name} is recorded for it", leaves_open=asked)
    unknown = [w for w in windows if w.kept is WindowOutcome.UNKNOWN]
    if len(unknown) == len(windows):
        return NotLooked(unknown[0].why, leaves_open=name is not WindowName.RECOAT)
    early = wrong is WindowOutcome.EARLY
    worst = max(windows, key=lambda w: w.missed_s if w.kept is wrong else -math.inf)
    if worst.kept is not wrong:
        worst = max(windows, key=lambda w: w.missed_by(early=early)[2])
    best, least, most = (
        _share(worst, missed_s) / cause.scale for missed_s in worst.missed_by(early=early)
    )
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=best,
        lowest=least,
        highest=most,
        highest_known=0.0 if worst.kept is WindowOutcome.UNKNOWN else most,
        unknown=0.0,
        window=worst,
    )


def _thinner(cause: Cause, coat: CoatRecord) -> Evidence | NotLooked:
    """By what share of the sheet's own a pot's thinner was over it, or under it."""

    def beyond_by(each: Thinned) -> float:
        most, least = each.asked.max_pct, each.asked.min_pct
        if cause.sign is Sign.THINNER_OVER:
            return max(0.0, each.thinner_pct - most) / max(most, 1.0)
        return max(0.0, least - each.thinner_pct) / max(least, 1.0)

    if not coat.thinned:
        return NotLooked("no thinner is recorded for it")
    worst = max(coat.thinned, key=lambda each: (beyond_by(each), each.is_sure))
    sure = max((beyond_by(each) for each in coat.thinned if each.is_sure), default=0.0)
    most = beyond_by(worst) / cause.scale
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=sure / cause.scale,
        lowest=sure / cause.scale,
        highest=most,
        highest_known=0.0,
        unknown=0.0,
        thinned=worst,
    )


def _share(window: Window, missed_s: float) -> float:
    """By what share of its own length a time was missed [1]."""
    if missed_s <= 0.0:
        return 0.0
    return missed_s / window.length_s if window.length_s else 1.0


def _layer_below(
    cause: Cause,
    coat: CoatRecord,
    below: CoatRecord | None,
    series: ClimateSeries,
    washed: tuple[float, ...],
) -> Evidence | NotLooked:
    """Whether the coat below stood in what makes amine bloom after its last wash."""
    if below is None:
        return NotLooked("there is no coat below")
    if not fits_family(cause.below_families, below.spec.chemistry):
        return NotLooked("the coat below is none that blooms")
    since_s = max((at for at in washed if below.begun_s <= at <= coat.begun_s), default=-math.inf)
    looked = [
        look(each, below, None, series, (), None, since_s)
        for each in cause.below
        if since_s == -math.inf or each.sign not in _WINDOW_OF
    ]
    found = [e for e in looked if isinstance(e, Evidence)]
    strongest = max(found, key=lambda e: (e.supports, e.weight), default=None)
    if strongest is None:
        if since_s > -math.inf:
            return NotLooked("the coat below was washed after all that it stood in")
        return NotLooked("nothing was measured over the coat below", leaves_open=True)
    highest = max(found, key=lambda e: e.highest / e.cause.harm)
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=strongest.weight * cause.harm / strongest.cause.harm,
        lowest=strongest.lowest * cause.harm / strongest.cause.harm,
        highest=highest.highest * cause.harm / highest.cause.harm,
        highest_known=highest.highest_known * cause.harm / highest.cause.harm,
        unknown=strongest.unknown,
        via=strongest,
        open_s=highest.open_s,
        after_log_s=highest.after_log_s,
    )


def _unwashed(cause: Cause, coat: CoatRecord, below: CoatRecord | None) -> Evidence | NotLooked:
    """Whether the coat below was wet while it was soft, by the memory that the call had of it."""
    if below is None:
        return NotLooked("there is no coat below")
    if below.memory is None:
        return NotLooked("nothing was measured over the coat below", leaves_open=True)
    wet, wetting = below.memory.minutes(Condition.WET, Age.WET, Age.SOFT), below.unwashed
    unseen = [each for each in below.memory.unseen if each.end_s > below.answered_s]
    unseen_s = sum(each.wet_s for each in unseen)
    if wetting is None:  # the call counts so little that is not known for nothing
        unseen, unseen_s = [], sum(each.wet_s for each in below.memory.unseen)
    highest_s, best_s = 0.0, 0.0
    if below.answered_s < below.begun_s:
        highest_s = wet.highest_s - (unseen_s if wetting is None else 0.0)
    if wetting is not None:
        highest_s = max(highest_s, wetting.lasted_s)
        best_s = wetting.lasted_s if wetting.seen else 0.0
    # Of what was wet for sure, at the most all that the best estimate has gone before an answer.
    lowest_s = max(0.0, wet.lowest_s - max(0.0, wet.best_s - best_s)) if best_s else 0.0
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=best_s / HOUR_S,
        lowest=lowest_s / HOUR_S,
        highest=highest_s / HOUR_S,
        highest_known=(highest_s - sum(each.wet_s for each in unseen)) / HOUR_S,
        unknown=0.0,
        wetting=wetting,
        open_s=tuple((each.begin_s, each.end_s) for each in unseen),
    )
