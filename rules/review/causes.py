"""Which causes of a defect the log supports, in the order of how far and how long; never a chance.

Takes coats from `film_record` and the climate from `exposure`; `monitor.review` puts it in words.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from rules.limits import is_upper, limits_in_force, unit_of, wet_film_allowance_k
from rules.review.coats import CoatRecord, Window, WindowName, WindowOutcome
from rules.review.defects import Cause, Defect, Sign, fits_family
from rules.review.exposure import ClimateSeries, Excess, Floats, beyond
from rules.units import HOUR_S
from rules.vocabulary import LimitName, Stage, Step

AT_LEAST_S = 600.0
"""A condition that stood beyond its bound for less than this supports nothing; no source [s]."""

BEFORE_S = 6.0 * HOUR_S
"""How long before a coat the ground's own dew still counts; common practice, no source [s]."""

MOSTLY = 0.9
"""Share of the open time that must be known before a cause can be spoken against; no source."""

_LIMIT_OF = {
    Sign.LOW_MARGIN: LimitName.DEW_MARGIN_MIN,
    Sign.WET_BEFORE: LimitName.DEW_MARGIN_MIN,
    Sign.HIGH_HUMIDITY: LimitName.HUMIDITY_MAX,
    Sign.LOW_SURFACE: LimitName.SURFACE_TEMP_MIN,
    Sign.HIGH_SURFACE: LimitName.SURFACE_TEMP_MAX,
    Sign.SURFACE_RISE: LimitName.SURFACE_TEMP_MAX,
    Sign.HIGH_AIR: LimitName.AIR_TEMP_MAX,
}
_WINDOW_OF = {
    Sign.RECOAT_EARLY: (WindowName.RECOAT, WindowOutcome.EARLY),
    Sign.RECOAT_LATE: (WindowName.RECOAT, WindowOutcome.LATE),
    Sign.POT_OVER: (WindowName.POT_LIFE, WindowOutcome.LATE),
    Sign.INDUCTION_SHORT: (WindowName.INDUCTION, WindowOutcome.EARLY),
    Sign.TAPE_EARLY: (WindowName.TAPE, WindowOutcome.EARLY),
    Sign.TAPE_LATE: (WindowName.TAPE, WindowOutcome.LATE),
}


class Finding(StrEnum):
    """What the log says of a defect's causes."""

    SUPPORTED = "supported"  # at least one cause clearly beyond its bound while it mattered
    WEAK = "weak"  # beyond, but no further than the sensors' uncertainty explains
    AGAINST = "against"  # every cause that the log can see was looked at and kept clear
    NOT_KNOWN = "not known"  # nothing found, but too much of the open time is not known
    NOT_SHOWN = "not shown"  # a log of the air cannot show this defect's causes
    NO_SUCH_FILM = "no such film"  # no coat of a family that has this defect
    NO_COAT = "no coat"  # none is recorded at all


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the log shows of one cause over one coat.

    Attributes:
        cause: which.
        coat: number of the coat.
        weight: how far and how long, in hours at the cause's scale; orders causes and is no
            probability [h]. 0 where it stood beyond for less than ten minutes.
        clear: beyond by more than the sensors' uncertainty.
        unknown: share of the time that mattered of which the log does not know [1].
        beyond: the sums behind it, for a condition.
        window: the time behind it, for a missed time.
        via: the condition behind a layer on the coat below, else None.
        own_weight: the part of `weight` that no nearer cause explains: damp air while the dew
            margin was kept [h].
    """

    cause: Cause
    coat: int
    weight: float
    clear: bool
    unknown: float
    beyond: Excess | None = None
    window: Window | None = None
    via: Evidence | None = None
    own_weight: float = 0.0

    @property
    def supports(self) -> bool:
        """Whether it counts for its cause at all."""
        return self.weight > 0.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the log says of one defect.

    Attributes:
        defect: which.
        answer: in one word.
        ranked: what supports a cause, strongest first.
        cleared: causes that were looked at and did not show.
        not_looked: causes that this log cannot tell of, and why.
    """

    defect: Defect
    answer: Finding
    ranked: tuple[Evidence, ...]
    cleared: tuple[Evidence, ...]
    not_looked: tuple[tuple[Cause, str], ...]


def verdict_of(
    defect: Defect,
    coats: Sequence[CoatRecord],
    series: ClimateSeries,
    washed_s: Iterable[float] = (),
) -> Verdict:
    """Rank the causes of a defect that a section's log supports.

    A condition counts by the integral of its distance beyond the bound while that coat was open to
    it; the bound and the step that ends it are the coat's own spec's where it has them. What is
    clear of the sensors' uncertainty goes before what is not.

    Args:
        defect: what was seen.
        coats: of the section.
        series: its climate.
        washed_s: when the section was washed [s].

    Returns:
        The answer with its evidence.

    Source:
        No source: this program's own rule. The chemistry behind each cause names its source in
        the defect's entry.
    """
    washed = tuple(washed_s)
    fitting = [coat for coat in coats if defect.fits(coat.spec.family)]
    if not defect.causes:
        return Verdict(defect, Finding.NOT_SHOWN, (), (), ())
    if not coats:
        return Verdict(defect, Finding.NO_COAT, (), (), ())
    if not fitting:
        return Verdict(defect, Finding.NO_SUCH_FILM, (), (), ())
    found: list[Evidence] = []
    not_looked: list[tuple[Cause, str]] = []
    for cause in defect.causes:
        seen: list[Evidence] = []
        why = ""
        for at, coat in enumerate(coats):
            if coat not in fitting or not _can_happen(cause, coat):
                continue
            below = coats[at - 1] if at else None
            evidence = _look(cause, coat, below, series, washed)
            if isinstance(evidence, str):
                why = evidence
            else:
                seen.append(evidence)
        if seen:
            found.extend(seen)
        elif why:
            not_looked.append((cause, why))
    supporting = [_behind_dew(_behind_heat(e, found), found) for e in found if e.supports]
    ranked = sorted(supporting, key=lambda e: (not e.clear, -e.weight))
    cleared = tuple(e for e in found if not e.supports)
    return Verdict(defect, _answer(ranked, found), tuple(ranked), cleared, tuple(not_looked))


def verdicts_of(
    defects: Iterable[Defect],
    coats: Sequence[CoatRecord],
    series: ClimateSeries,
    washed_s: Iterable[float] = (),
) -> tuple[Verdict, ...]:
    """Return the verdict on each defect, those with the heaviest clear evidence first."""
    washed = tuple(washed_s)
    found = [verdict_of(defect, coats, series, washed) for defect in defects]
    return tuple(sorted(found, key=lambda v: -max((e.weight for e in v.ranked), default=0.0)))


def _behind_heat(evidence: Evidence, found: Sequence[Evidence]) -> Evidence:
    """A pot that only the heat made old goes behind the heat that did it."""
    window = evidence.window
    if window is None or not window.kept_at_20_c:
        return evidence
    heat = [
        e.weight
        for e in found
        if e.cause.sign in (Sign.HIGH_AIR, Sign.HIGH_SURFACE)
        and e.coat == evidence.coat
        and e.clear
    ]
    return replace(evidence, weight=min(evidence.weight, *heat)) if any(heat) else evidence


def _behind_dew(evidence: Evidence, found: Sequence[Evidence]) -> Evidence:
    """Damp air goes behind the dew that came out of it: the same water does not accuse twice."""
    if evidence.cause.sign is not Sign.HIGH_HUMIDITY:
        return evidence
    dew = [
        e.weight
        for e in found
        if e.cause.sign is Sign.LOW_MARGIN and e.coat == evidence.coat and e.clear and e.supports
    ]
    if not dew or evidence.own_weight > dew[0]:
        return evidence
    return replace(evidence, weight=min(evidence.weight, dew[0]))


def _answer(ranked: Sequence[Evidence], found: Sequence[Evidence]) -> Finding:
    if any(e.clear for e in ranked):
        return Finding.SUPPORTED
    if ranked:
        return Finding.WEAK
    if not found or any(e.unknown > 1.0 - MOSTLY for e in found):
        return Finding.NOT_KNOWN
    return Finding.AGAINST


def _can_happen(cause: Cause, coat: CoatRecord) -> bool:
    return fits_family(cause.families, coat.spec.family)


def _look(
    cause: Cause,
    coat: CoatRecord,
    below: CoatRecord | None,
    series: ClimateSeries,
    washed: tuple[float, ...],
) -> Evidence | str:
    """The evidence of one cause over one coat, or why this log has none to give."""
    if cause.sign in _WINDOW_OF:
        return _missed(cause, coat)
    if cause.sign is Sign.BLOOM_BELOW:
        return _layer_below(cause, coat, below, series, washed)
    if cause.sign is Sign.WET_BEFORE and below is None:
        return "there is no coat below"
    spans = _spans(cause, coat)
    name = _LIMIT_OF.get(cause.sign)
    values = series.co2_ppm if name is None else series.values.get(name)
    if values is None:
        return "it was not measured"
    bound, unit, upper = _bound(cause, coat, name)
    whole_s = sum(to_s - from_s for from_s, to_s in spans)
    if whole_s <= 0.0:
        return "the log ends before it could matter"
    times, picked, covered, guards, lowest, highest = _cells(series, name, values, spans)
    if cause.sign is Sign.SURFACE_RISE:
        level_c = _level(series, values, coat)
        if level_c is None:
            return "the surface was not measured while the coat was laid"
        picked, lowest, highest = picked - level_c, lowest - level_c, highest - level_c
    found = beyond(
        times, picked, covered, bound, upper=upper, unit=unit, guard=guards, whole_s=whole_s,
        lowest=lowest, highest=highest,
    )  # fmt: skip
    # What a minute's mean hides may hint at a cause, but it never makes one clear.
    long_enough = found.beyond_s + found.partly_s >= AT_LEAST_S
    weight = found.exposure / _scale(cause, bound) if long_enough else 0.0
    own = weight
    if cause.sign is Sign.HIGH_HUMIDITY and weight:
        own = _without_dew(coat, series, spans, picked, covered, bound) / _scale(cause, bound)
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=weight,
        clear=found.clear_s >= AT_LEAST_S,
        unknown=found.unknown_s / whole_s,
        beyond=found,
        own_weight=own,
    )


def _without_dew(
    coat: CoatRecord,
    series: ClimateSeries,
    spans: list[tuple[float, float]],
    rh_pct: Floats,
    covered_s: Floats,
    bound: float,
) -> float:
    """Damp hours while the margin was kept, or not known [% h]."""
    name = LimitName.DEW_MARGIN_MIN
    limit = limits_in_force(coat.spec, Stage.APPLY).get(name)
    margins = series.values.get(name)
    if limit is None or margins is None:
        margin_k = np.full(rh_pct.size, np.nan)
    else:
        margin_k = _cells(series, name, margins, spans)[1] - limit.bound
    with np.errstate(invalid="ignore"):
        counts = (rh_pct > bound) & ~(margin_k < 0.0)
    return float(((rh_pct - bound)[counts] * covered_s[counts]).sum()) / HOUR_S


def _spans(cause: Cause, coat: CoatRecord) -> list[tuple[float, float]]:
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
        if limit is not None:
            end_s = min(end_s, coat.open_until_s(limit.until))
        if cause.until is not None:
            end_s = min(end_s, coat.open_until_s(cause.until))
        elif limit is None:
            end_s = min(end_s, coat.open_until_s(Step.HANDLE))
        if end_s > from_s:
            spans.append((from_s, end_s))
    return spans


def _bound(cause: Cause, coat: CoatRecord, name: LimitName | None) -> tuple[float, str, bool]:
    """The coat's own bound, or the cause's; its unit, and whether it is an upper one."""
    if name is None:
        return cause.bound, "ppm", True
    if cause.sign is Sign.SURFACE_RISE:
        return cause.bound, "K", True
    limit = limits_in_force(coat.spec, Stage.APPLY).get(name)
    bound = cause.bound if limit is None else limit.bound
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
    spans: list[tuple[float, float]],
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Times, values, covered lengths, guards, lowest and highest values of the spans' cells."""
    guard = None if name is None else series.guards.get(name)
    low = values if name is None else series.lowest.get(name, values)
    high = values if name is None else series.highest.get(name, values)
    parts: list[tuple[Floats, Floats, Floats, Floats, Floats, Floats]] = []
    for from_s, to_s in spans:
        cells, covered = series.span(from_s, to_s)
        guards = np.zeros(covered.size) if guard is None else guard[cells]
        parts.append(
            (series.time_s[cells], values[cells], covered, guards, low[cells], high[cells])
        )
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))  # type: ignore[return-value]


def _level(series: ClimateSeries, values: Floats, coat: CoatRecord) -> float | None:
    """The surface while the coat was laid, from which a rise counts [°C]."""
    end_s = coat.ended_s if coat.ended_s is not None else coat.begun_s
    cells, covered = series.span(coat.begun_s - AT_LEAST_S, end_s)
    known = values[cells][(covered > 0.0) & ~np.isnan(values[cells])]
    return float(np.median(known)) if known.size else None


def _missed(cause: Cause, coat: CoatRecord) -> Evidence | str:
    name, wrong = _WINDOW_OF[cause.sign]
    windows = [w for w in coat.windows if w.name is name]
    if not windows:
        return f"no {name} is recorded for it"
    unknown = [w for w in windows if w.kept is WindowOutcome.UNKNOWN]
    if len(unknown) == len(windows):
        return unknown[0].why
    worst = max(windows, key=lambda w: w.missed_s if w.kept is wrong else -math.inf)
    if worst.kept is not wrong:
        close = next((w for w in windows if w.kept is WindowOutcome.CLOSE), None)
        return Evidence(cause, coat.number, 0.0, False, 0.0, window=close or worst)
    share = worst.missed_s / worst.length_s if worst.length_s else 1.0
    return Evidence(cause, coat.number, max(share, 1e-9) / cause.scale, True, 0.0, window=worst)


def _layer_below(
    cause: Cause,
    coat: CoatRecord,
    below: CoatRecord | None,
    series: ClimateSeries,
    washed: tuple[float, ...],
) -> Evidence | str:
    """Whether the coat below stood in what makes amine bloom, and was coated unwashed."""
    if below is None:
        return "there is no coat below"
    if not fits_family(cause.below_families, below.spec.family):
        return "the coat below is none that blooms"
    looked = [_look(each, below, None, series, ()) for each in cause.below]
    found = [e for e in looked if isinstance(e, Evidence)]
    strongest = max(found, key=lambda e: (e.clear and e.supports, e.weight), default=None)
    if strongest is None:
        return "nothing was measured over the coat below"
    clean = any(below.begun_s <= at <= coat.begun_s for at in washed)
    return Evidence(
        cause=cause,
        coat=coat.number,
        weight=0.0 if clean else strongest.weight / cause.scale,
        clear=strongest.clear,
        unknown=strongest.unknown,
        via=strongest,
    )
