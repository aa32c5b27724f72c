"""What a job, or the rest of one, takes: paint by spec, abrasive and tape by usual rates."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rules.batch.plan import USUAL_LOSS_PCT, BatchFault, MixJob, plan_batches
from rules.job.model import CoatToLay, Job, JobSection
from rules.units import HOUR_S

ENOUGH = 0.95
"""Share of what a coat takes, which holds a loss, that does for it; judgement, no source [1]."""

POT_WASTE_ML = 40.0
"""What stays in each pot [mL]; common practice, no source."""

TINS_L = (5.0, 2.5, 1.0)
"""Common tin sizes [L]; common practice, no source."""

SHEETS_PER_M2 = 2.0
"""Sheets of abrasive, 230 mm by 280 mm, for each sanding; common practice, no source [1/m2]."""

TAPE_SPARE = 1.2
"""How much tape goes on for each metre of edge, a section taken as a square; no source [1]."""


@dataclass(frozen=True, slots=True)
class Paint:
    """What one coating takes.

    Attributes:
        spec: its name.
        base_ml: [mL].
        hardener_ml: [mL].
        thinner_ml: [mL].
        pots: how many are mixed.
        unknown: sections whose film the job does not say, so that they are left out.
    """

    spec: str
    base_ml: float
    hardener_ml: float
    thinner_ml: float
    pots: int
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Shopping:
    """What is still to be laid of a job takes.

    Attributes:
        paints: by spec, in the order in which the job names them.
        sheets: of abrasive, by grit.
        tape_m: masking tape [m].
        losses_pct: of paint that never reaches the work, by the coats' methods, ascending [%].
        begun: whether some coats are laid, so that this is the rest.
    """

    paints: tuple[Paint, ...]
    sheets: tuple[tuple[str, int], ...]
    tape_m: int
    losses_pct: tuple[float, ...]
    begun: bool = False


def shopping_of(
    job: Job,
    temps_c: Mapping[tuple[str, int], float],
    resandings: Iterable[str] = (),
    laid: Mapping[str, int] = MappingProxyType({}),
    mixed_ml: Mapping[str, float] = MappingProxyType({}),
) -> Shopping:
    """Return what a job takes, or what is left of it.

    Args:
        job: the whole work.
        temps_c: at which each coat is mixed, by section and the coat's number [°C].
        resandings: sections that a missed window asks to be sanded once more, one entry each time.
        laid: how many coats are on each section already.
        mixed_ml: what stands mixed for a section's next coat, infinity for enough [mL].
    """
    left = [(section, section.coats[laid.get(section.name, 0) :]) for section in job.sections]
    paints: dict[str, Paint] = {}
    sheets: dict[str, float] = {}
    tape_m = 0.0
    for section, coats in left:
        for place, coat in enumerate(coats):
            found = paints.get(coat.spec.name, Paint(coat.spec.name, 0.0, 0.0, 0.0, 0))
            temp_c = temps_c[section.name, coat.number]
            paints[coat.spec.name] = _with(
                found, section, coat, temp_c, 0.0 if place else mixed_ml.get(section.name, 0.0)
            )
            for chore in coat.before:
                if chore.kind == "sand":
                    area = SHEETS_PER_M2 * section.area_m2
                    sheets[chore.what] = sheets.get(chore.what, 0.0) + area
                if chore.kind == "tape":
                    tape_m += TAPE_SPARE * 4.0 * math.sqrt(section.area_m2)
    areas = {section.name: section.area_m2 for section in job.sections}
    for name in resandings:
        sheets["recoat"] = sheets.get("recoat", 0.0) + SHEETS_PER_M2 * areas[name]
    return Shopping(
        tuple(each for each in paints.values() if each.pots or each.unknown),
        tuple((grit, math.ceil(count)) for grit, count in sheets.items()),
        math.ceil(tape_m),
        tuple(sorted({USUAL_LOSS_PCT[each.mixed_for] for _, coats in left for each in coats})),
        begun=any(laid.values()),
    )


def mix_job(section: JobSection, coat: CoatToLay) -> MixJob | None:
    """Return what a coat on a section asks of a batch plan; None where its film is not stated."""
    if coat.film is None:
        return None
    return MixJob(
        spec=coat.spec,
        film=coat.film,
        sections=((section.name, section.area_m2),),
        method=coat.mixed_for,
        loss_pct=USUAL_LOSS_PCT[coat.mixed_for],
        rate_m2_per_h=min(max(section.area_m2 / coat.takes_s * HOUR_S, 0.1), 500.0),
    )


def coat_takes_ml(section: JobSection, coat: CoatToLay, temp_c: float) -> float | None:
    """Return how much is mixed for a coat [mL], None where the job or its sheet does not say.

    Args:
        section: that is coated.
        coat: of it.
        temp_c: when it is mixed, by which a sheet may ask for thinner [°C].
    """
    mix = mix_job(section, coat)
    if mix is None:
        return None
    try:
        return plan_batches(mix, temp_c).present.total.total_ml
    except BatchFault:
        return None


def _with(
    paint: Paint, section: JobSection, coat: CoatToLay, temp_c: float, mixed_ml: float
) -> Paint:
    lacking = Paint(
        paint.spec, paint.base_ml, paint.hardener_ml, paint.thinner_ml, paint.pots,
        tuple(dict.fromkeys((*paint.unknown, section.name))),
    )  # fmt: skip
    mix = mix_job(section, coat)
    if mix is None or coat.spec.mix is None:
        return lacking
    try:
        plan = plan_batches(mix, temp_c).present
    except BatchFault:
        return lacking
    pots, total_ml = len(plan.batches), plan.total.total_ml
    asked = 1.0 + pots * POT_WASTE_ML / total_ml
    left = max(asked - mixed_ml / total_ml, 0.0)
    return Paint(
        paint.spec,
        paint.base_ml + plan.total.base_ml * left,
        paint.hardener_ml + plan.total.hardener_ml * left,
        paint.thinner_ml + plan.total.thinner_ml * left,
        paint.pots + math.ceil(pots * left / asked),
        paint.unknown,
    )


def tins(volume_ml: float) -> tuple[tuple[int, float], ...]:
    """Return how many tins of which size hold a volume, the fewest litres over first.

    >>> tins(6400.0), tins(300.0)
    (((1, 5.0), (1, 2.5)), ((1, 1.0),))
    """
    best: tuple[float, int, tuple[int, ...]] | None = None
    need = volume_ml / 1000.0
    for large in range(math.ceil(need / TINS_L[0]) + 1):
        for middle in range(3):
            rest = need - large * TINS_L[0] - middle * TINS_L[1]
            small = max(0, math.ceil(rest / TINS_L[2] - 1e-9))
            over = -rest + small * TINS_L[2]
            count = (large, middle, small)
            # A tin more is worth half a litre less left over.
            key = (over + 0.5 * sum(count), sum(count), count)
            if best is None or key < best:
                best = key
    counts = best[2] if best is not None else (0, 0, 0)
    return tuple((n, size) for n, size in zip(counts, TINS_L, strict=True) if n)
