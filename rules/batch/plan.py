"""What to mix and how much at a time: from area and film to parts, batches and break lines."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from rules.batch.amount import Film, Parts, mix_for_area_ml, parts_of, thinned_ml
from rules.batch.thickness import thickness_warnings
from rules.clocks.pots import pot_factor
from rules.errors import FilmcallError
from rules.rate import SafeSide, rate_law
from rules.spec.model import Mix, Spec, ThinnerBand
from rules.spec.thinner import thinner_band
from rules.text import duration_text
from rules.units import tenths
from rules.vocabulary import ClockName, LimitName, Method, Stage

_LARGEST_AREA_M2 = 10_000.0
_LARGEST_LOSS_PCT = 80.0
_COLDEST_C, _HOTTEST_C = -20.0, 60.0

USUAL_LOSS_PCT = {Method.BRUSH: 10.0, Method.ROLLER: 10.0, Method.GUN: 40.0}
"""Share of the mix that never reaches the work; of a gun 30 to 50 %: common practice, no source."""


class BatchFault(FilmcallError, ValueError):
    """A batch cannot be planned as asked, or must not be; the text names what and why."""


@dataclass(frozen=True, slots=True)
class MixJob:
    """What is to be coated, and how.

    Attributes:
        spec: of the coating.
        film: what one coat is to be.
        sections: name and area in the order of painting; break lines fall between them [m2].
        coats: how many.
        method: how it is put on.
        loss_pct: share of the mixed paint that never reaches the work [%].
        thinner_pct: thinner wanted, or None for the least of the sheet's band [% by volume of mix].
        rate_m2_per_h: the painter's own rate, or None where it is not known.
        rate_basis: where the rate comes from, in words.
        pot_ml: what the painter's pot holds, or None [mL].
        batch_ml: a batch size that the painter asks for, thinner included, or None [mL].
        ratio: parts of base and hardener as the painter read them, to be checked, or None.
        hardener: its name, where it is not the sheet's standard one.
    """

    spec: Spec
    film: Film
    sections: tuple[tuple[str, float], ...]
    coats: int = 1
    method: Method = Method.ROLLER
    loss_pct: float = 10.0
    thinner_pct: float | None = None
    rate_m2_per_h: float | None = None
    rate_basis: str = "as entered"
    pot_ml: float | None = None
    batch_ml: float | None = None
    ratio: tuple[float, float] | None = None
    hardener: str | None = None

    @property
    def area_m2(self) -> float:
        """Area of all sections [m2]."""
        return math.fsum(area for _, area in self.sections)


def _in_range(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:  # NaN fails this too
        raise BatchFault(
            f"{name} {value:g} {unit} is outside {low:g} to {high:g} {unit}, so no batch is "
            "planned; enter it again"
        )


def checked_mix(job: MixJob) -> Mix:
    """Refuse what is impossible or dangerous, by name, and return the spec's mix.

    Args:
        job: what is to be coated, and how.

    Returns:
        The spec's mix.

    Raises:
        BatchFault: a figure out of its range, a ratio that is not the spec's, too much thinner, a
            batch larger than its pot.

    Source:
        Ranges are common practice, no source; the rest is the sheet's own.
    """
    mix = job.spec.mix
    name = job.spec.name
    if mix is None:
        raise BatchFault(
            f"spec '{name}' does not say how the parts go together, so no batch can be planned; "
            "add its [mix] from the data sheet"
        )
    if not job.sections:
        raise BatchFault("no area was given, so there is nothing to mix for; give --area")
    for section, area in job.sections:
        _in_range(f"area of '{section}'", area, 0.01, _LARGEST_AREA_M2, "m2")
    _in_range("coats", float(job.coats), 1, 20, "coats")
    _in_range("loss", job.loss_pct, 0.0, _LARGEST_LOSS_PCT, "%")
    _in_range("film", job.film.thickness_um, 5.0, 5000.0, "µm")
    _in_range("solids by volume", mix.solids_by_volume_pct, 1.0, 100.0, "%")
    if job.rate_m2_per_h is not None:
        _in_range("rate", job.rate_m2_per_h, 0.1, 500.0, "m2 an hour")
    if job.pot_ml is not None:
        _in_range("pot", job.pot_ml, 20.0, 200_000.0, "mL")
    if job.ratio is not None:
        _check_ratio(job.ratio, mix, name)
    if job.thinner_pct is not None:
        if not job.thinner_pct >= 0.0:
            raise BatchFault(f"thinner {job.thinner_pct:g} % is below 0 %; enter it again")
        if job.thinner_pct > mix.thinner_max_pct:
            raise BatchFault(
                f"thinner {job.thinner_pct:g} % is above the sheet's {mix.thinner_max_pct:g} % "
                f"for '{name}': the film would sag, stay thin and hold solvent; thin less"
            )
    if job.batch_ml is not None:
        _in_range("batch", job.batch_ml, 20.0, 200_000.0, "mL")
        for what, size in (("your pot", job.pot_ml), ("the sheet's largest", mix.max_batch_ml)):
            if size is not None and job.batch_ml > size:
                raise BatchFault(
                    f"batch {job.batch_ml:g} mL is larger than {what}, {size:g} mL: it would "
                    "spill, or heat itself and set; mix less at a time"
                )
    return mix


def _check_ratio(ratio: tuple[float, float], mix: Mix, name: str) -> None:
    base, hardener = ratio
    if not (base > 0.0 and hardener >= 0.0 and math.isfinite(base + hardener)):
        raise BatchFault(f"ratio {base:g}:{hardener:g} is no ratio; enter base:hardener, as in 4:1")
    want = f"{mix.base_parts:g}:{mix.hardener_parts:g} by {mix.by}"
    for parts in (mix.parts_by("volume"), mix.parts_by("weight")):
        if parts and math.isclose(base * parts[1], hardener * parts[0], rel_tol=1e-3):
            return
    if math.isclose(base * mix.base_parts, hardener * mix.hardener_parts, rel_tol=1e-3):
        raise BatchFault(
            f"ratio {base:g}:{hardener:g} is reversed against spec '{name}', which has {want} "
            "(base to hardener): such a film never cures; swap them"
        )
    raise BatchFault(
        f"ratio {base:g}:{hardener:g} is not that of spec '{name}', {want} (base to hardener): "
        "off-ratio films stay soft or brittle; mix by the sheet"
    )


RESERVE = 0.1
"""Share of the usable time kept in hand: no rate is kept to the minute; generic, no source."""

MANY_BATCHES = 12


@dataclass(frozen=True, slots=True)
class Batch:
    """One pot of one coat.

    Attributes:
        number: from 1 within the coat.
        area_m2: what it covers [m2].
        parts: what goes into it.
        use_s: how long using it takes at the painter's rate, or None [s].
        covers: what it covers, by section.
        clean_stop: True where it ends at the edge of a section.
    """

    number: int
    area_m2: float
    parts: Parts
    use_s: float | None
    covers: tuple[str, ...]
    clean_stop: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """What to mix at one temperature.

    Attributes:
        temp_c: of air, surface and mix [°C].
        thinner_pct: that the plan counts with [% by volume of mix].
        band: the sheet's band at this temperature and method, or None where it gives none.
        band_words: what the band is and what happens outside it.
        pot_life_s: of these batches, or None where the sheet gives none [s].
        induction_s: to wait before use, or None [s].
        usable_s: what is left for use after induction and reserve, or None [s].
        total: what one coat takes.
        batches: of one coat, in order.
        do_not_coat: which of the spec's bounds this temperature is past, in words.
        warnings: what to mind, in words.
    """

    temp_c: float
    thinner_pct: float
    band: ThinnerBand | None
    band_words: str
    pot_life_s: float | None
    induction_s: float | None
    usable_s: float | None
    total: Parts
    batches: tuple[Batch, ...]
    do_not_coat: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """The job, planned for the present and for the forecast temperature.

    Attributes:
        job: as asked.
        present: at the present temperature.
        forecast: at the forecast temperature, or None where none was given.
    """

    job: MixJob
    present: Plan
    forecast: Plan | None


def plan_batches(job: MixJob, temp_c: float, forecast_c: float | None = None) -> BatchPlan:
    """Plan what to mix for a job at the present and at the forecast temperature.

    Args:
        job: what is to be coated, and how.
        temp_c: present temperature, the warmest of air, surface and mix [°C].
        forecast_c: the warmest expected while the coat is laid, or None [°C].

    Returns:
        Volumes, weights, thinner, batches and break lines.

    Raises:
        BatchFault: impossible or dangerous input, named: a reversed ratio, thinner above the
            sheet's maximum, a batch larger than the pot, a pot that dies before it may be used.

    Source:
        Volume-solids arithmetic, see `rules.batch.amount`; pot life by the sheet's own table.
    """
    lacks = job.spec.lacks(job.hardener)
    if lacks:
        raise BatchFault(f"{lacks}, so no batch is planned; correct it or leave it out")
    job = replace(job, spec=job.spec.under(job.method, job.hardener))
    mix = checked_mix(job)
    for name, value in (("temperature", temp_c), ("forecast temperature", forecast_c)):
        if value is not None and not _COLDEST_C <= value <= _HOTTEST_C:
            raise BatchFault(
                f"{name} {tenths(value)} °C is outside -20 to 60 °C, so no batch is planned; "
                "check the reading or its unit"
            )
    return BatchPlan(
        job,
        _plan(job, mix, temp_c),
        None if forecast_c is None else _plan(job, mix, forecast_c),
    )


def _band_words(band: ThinnerBand | None, thinner_pct: float, temp_c: float, mix: Mix) -> str:
    if band is None and mix.thinner_max_pct == 0.0:
        return "none may be added"
    if band is None:
        return (
            f"no figure at {tenths(temp_c)} °C for this method; never "
            f"above {mix.thinner_max_pct:g} %"
        )
    any_temp = band.from_c <= _COLDEST_C and band.to_c >= _HOTTEST_C
    at = "" if any_temp else f"at {band.from_c:g} to {band.to_c:g} °C"
    at = f"{at}{_kind_words(band)}".strip() or "at any temperature"
    share = (
        f"{band.min_pct:g} to {band.max_pct:g} %" if band.min_pct else f"up to {band.max_pct:g} %"
    )
    if thinner_pct < band.min_pct:
        return f"{share} {at}; {thinner_pct:g} % is too little: it sets before it levels"
    if thinner_pct > band.max_pct:
        return f"{share} {at}; {thinner_pct:g} % is too much: it sags and runs"
    less = "less sets before it levels, more" if band.min_pct else "more"
    return f"{share} {at}; {less} makes it sag"


def _kind_words(band: ThinnerBand) -> str:
    """Which thinner, for which coat, and how the thinned mix must run; "" where nothing is said."""
    said = [
        f"the {band.grade} grade" if band.grade else "",
        f"for coat {band.coat}" if band.coat is not None else "",
        f"to {band.cup_s:g} s in the flow cup" if band.cup_s is not None else "",
    ]
    words = ", ".join(each for each in said if each)
    return f" ({words})" if words else ""


def _later_coats(job: MixJob, mix: Mix, temp_c: float) -> list[str]:
    """What the sheet's thinner is for coats after the first, where that is another."""
    first = thinner_band(mix, job.method, temp_c)
    said = []
    for coat in range(2, job.coats + 1):
        band = thinner_band(mix, job.method, temp_c, coat)
        if band is not None and band != first:
            share = f"{band.min_pct:g} to {band.max_pct:g} %"
            said.append(f"thinner of coat {coat}: {share}{_kind_words(band)}")
    return said


def _plan(job: MixJob, mix: Mix, temp_c: float) -> Plan:
    band = thinner_band(mix, job.method, temp_c)
    thinner = job.thinner_pct
    if thinner is None:
        thinner = min(band.min_pct, mix.thinner_max_pct) if band is not None else 0.0
    warnings: list[str] = []
    is_inside = (
        mix.thinner_max_pct == 0.0 if band is None else (band.min_pct <= thinner <= band.max_pct)
    )
    if not is_inside:
        warnings.append("thinner: " + _band_words(band, thinner, temp_c, mix))
    warnings += _later_coats(job, mix, temp_c)
    warnings += thickness_warnings(
        job.spec, job.film, job.method, job.coats, mix.solids_by_volume_pct, thinner
    )
    per_m2 = mix_for_area_ml(job.film, mix.solids_by_volume_pct, thinner, 1.0, job.loss_pct)
    in_pot_per_m2 = thinned_ml(per_m2, thinner)
    rate = job.rate_m2_per_h
    if rate is None:
        rate = job.area_m2 / (job.spec.coating_time_s / 3600.0)
        warnings.append(
            f"your own pace is not known: taken as one coat in "
            f"{duration_text(job.spec.coating_time_s)}, {rate:.3g} m2 an hour; time yourself"
        )
    induction_s = _induction_s(job.spec, temp_c, warnings)
    largest_ml, life_s = _largest_batch(job, mix, temp_c, in_pot_per_m2 * rate, induction_s)
    if job.batch_ml is not None:
        if job.batch_ml > largest_ml * (1.0 + 1e-9):
            raise BatchFault(
                f"batch {job.batch_ml:g} mL at {tenths(temp_c)} °C is more than the "
                f"{largest_ml:.0f} mL that you use within its pot life: the rest would set in the "
                "pot; mix less at a time"
            )
        largest_ml = job.batch_ml
    pieces = _pieces(job.sections, largest_ml / in_pot_per_m2)
    batches = tuple(
        Batch(
            number=n,
            area_m2=area,
            parts=_parts(mix, per_m2 * area, thinner, job.spec.name),
            use_s=area / rate * 3600.0,
            covers=covers,
            clean_stop=clean,
        )
        for n, (area, covers, clean) in enumerate(pieces, start=1)
    )
    if life_s is not None:
        biggest = max(batch.parts.total_ml for batch in batches)
        life_s = _pot_life_s(job.spec, temp_c, biggest)
    if len(batches) > MANY_BATCHES:
        warnings.append(
            f"{len(batches)} batches a coat: wait for cooler hours, or get a second painter"
        )
    if any(not batch.clean_stop for batch in batches):
        warnings.append(
            "some batches end inside a section: stop at a seam, a plank edge or a taped line"
        )
    usable = None
    if life_s is not None:
        usable = (life_s - (induction_s or 0.0)) * (1.0 - RESERVE)
    return Plan(
        temp_c=temp_c,
        thinner_pct=thinner,
        band=band,
        band_words=_band_words(band, thinner, temp_c, mix),
        pot_life_s=life_s,
        induction_s=induction_s,
        usable_s=usable,
        total=_parts(mix, per_m2 * job.area_m2, thinner, job.spec.name),
        batches=batches,
        do_not_coat=_outside_limits(job.spec, temp_c),
        warnings=tuple(warnings),
    )


def _outside_limits(spec: Spec, temp_c: float) -> tuple[str, ...]:
    """Say where the spec's own bounds on air or surface would make the call STOP."""
    limits = spec.limits_for(Stage.APPLY)
    words = []
    for names, side, over in (
        ((LimitName.AIR_TEMP_MIN, LimitName.SURFACE_TEMP_MIN), "below", False),
        ((LimitName.AIR_TEMP_MAX, LimitName.SURFACE_TEMP_MAX), "above", True),
    ):
        bounds = [limits[name].bound for name in names if name in limits]
        if not bounds:
            continue
        bound = min(bounds) if over else max(bounds)
        if (temp_c > bound) if over else (temp_c < bound):
            words.append(f"{tenths(temp_c, bound)} °C is {side} the spec's {bound:g} °C")
    return tuple(words)


def _parts(mix: Mix, mix_ml: float, thinner_pct: float, name: str) -> Parts:
    parts = parts_of(mix, mix_ml, thinner_pct)
    if parts is None:
        raise BatchFault(
            f"spec '{name}' is mixed by weight but gives no densities, so a volume cannot be "
            "turned into weights; add base_density and hardener_density from the data sheet"
        )
    return parts


def _induction_s(spec: Spec, temp_c: float, warnings: list[str]) -> float | None:
    table = spec.times.get(ClockName.INDUCTION)
    if table is None:
        return None
    time_s = rate_law(table, SafeSide.OPENS).time_s(temp_c)
    if math.isinf(time_s):
        coldest = table.rows[0]
        warnings.append(
            f"induction: {tenths(temp_c, coldest.temp_c)} °C is below the sheet's coldest, "
            f"{coldest.temp_c:g} °C: warm the parts first; counted as at {coldest.temp_c:g} °C"
        )
        return coldest.duration_s
    return time_s


def _pot_life_s(spec: Spec, temp_c: float, in_pot_ml: float) -> float | None:
    table = spec.times.get(ClockName.POT_LIFE)
    if table is None:
        return None
    return rate_law(table, SafeSide.CLOSES, pot_factor(spec, in_pot_ml)[0]).time_s(temp_c)


def _largest_batch(
    job: MixJob, mix: Mix, temp_c: float, ml_per_h: float, induction_s: float | None
) -> tuple[float, float | None]:
    """The largest batch that is used up in time, thinner included [mL], and its pot life [s].

    A bigger pot lives shorter, so each size class of the sheet is tried from the biggest down.
    """
    cap = min(size for size in (job.pot_ml, mix.max_batch_ml, math.inf) if size is not None)
    if job.spec.times.get(ClockName.POT_LIFE) is None:
        return cap, None
    edges = [0.0, *(size.from_ml for size in job.spec.pot_sizes), math.inf]
    for low, high in reversed(list(itertools.pairwise(edges))):
        if low > cap:
            continue
        life_s = _pot_life_s(job.spec, temp_c, max(low, 1.0))
        usable_s = ((life_s or 0.0) - (induction_s or 0.0)) * (1.0 - RESERVE)
        in_time_ml = ml_per_h * usable_s / 3600.0
        size = min(cap, in_time_ml, high * (1.0 - 1e-9) if math.isfinite(high) else math.inf)
        if size > 0.0 and size >= low:
            return size, life_s
    life_s = _pot_life_s(job.spec, temp_c, 1.0)
    raise BatchFault(
        f"at {tenths(temp_c)} °C '{job.spec.name}' lives {duration_text(life_s or 0.0)} in the "
        f"pot but must stand {duration_text(induction_s or 0.0)} first, so no batch can be used; "
        "wait until it is cooler"
    )


def _pieces(
    sections: tuple[tuple[str, float], ...], largest_m2: float
) -> list[tuple[float, tuple[str, ...], bool]]:
    """Cut the sections into batches: whole sections together where they fit, else even parts.

    Returns:
        Area, what it covers, and whether it ends at a section's edge, for each batch.
    """
    fits = largest_m2 * (1.0 + 1e-9)
    pieces: list[tuple[float, tuple[str, ...], bool]] = []
    area = 0.0
    names: list[str] = []
    for name, section_m2 in sections:
        if names and area + section_m2 > fits:
            pieces.append((area, tuple(names), True))
            area, names = 0.0, []
        if section_m2 > fits:
            count = math.ceil(section_m2 / fits)
            share = section_m2 / count
            pieces += [
                (share, (f"{name} ({part} of {count})",), part == count)
                for part in range(1, count + 1)
            ]
            continue
        area += section_m2
        names.append(name)
    if names:
        pieces.append((area, tuple(names), True))
    return pieces
