"""What is to be coated and how, with every refusal of what is impossible or dangerous to mix."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rules.batch.amount import Film
from rules.errors import FilmcallError
from rules.spec.model import Mix, Spec
from rules.vocabulary import Method

_LARGEST_AREA_M2 = 10_000.0
_LARGEST_LOSS_PCT = 80.0


class BatchFault(FilmcallError, ValueError):
    """A batch cannot be planned as asked, or must not be; the text names what and why."""


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be coated, and how.

    Attributes:
        spec: of the coating.
        film: what one coat is to be.
        sections: name and area in the order of painting; stopping lines fall between them [m2].
        coats: how many.
        method: how it is put on.
        loss_pct: share of the mixed paint that never reaches the work [%].
        thinner_pct: thinner wanted, or None for the least of the sheet's band [% by volume of mix].
        rate_m2_per_h: the painter's own rate, or None where it is not known.
        rate_basis: where the rate comes from, in words.
        pot_ml: what the painter's pot holds, or None [mL].
        batch_ml: a batch size that the painter asks for, thinner included, or None [mL].
        ratio: parts of base and hardener as the painter read them, to be checked, or None.
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


def checked_mix(job: Job) -> Mix:
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
    _in_range("film", job.film.thickness_um, 5.0, 2000.0, "µm")
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
    if math.isclose(base * mix.hardener_parts, hardener * mix.base_parts, rel_tol=1e-3):
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
