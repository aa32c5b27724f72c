"""How much paint a film takes: volume-solids arithmetic, and the parts of a mix."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rules.spec.model import Mix


@dataclass(frozen=True, slots=True)
class Film:
    """What one coat is to be.

    Attributes:
        thickness_um: film thickness [µm].
        wet: True for the wet film as it is laid, thinner included; False for the dry one.
    """

    thickness_um: float
    wet: bool


@dataclass(frozen=True, slots=True)
class Parts:
    """What goes into a pot.

    Attributes:
        base_ml: base [mL].
        hardener_ml: hardener; 0 for a one-pack coating [mL].
        thinner_ml: thinner [mL].
        base_g: base, or None where its density is not known [g].
        hardener_g: hardener, or None [g].
        thinner_g: thinner, or None [g].
    """

    base_ml: float
    hardener_ml: float
    thinner_ml: float
    base_g: float | None
    hardener_g: float | None
    thinner_g: float | None

    @property
    def mix_ml(self) -> float:
        """Base and hardener together [mL]."""
        return self.base_ml + self.hardener_ml

    @property
    def total_ml(self) -> float:
        """All that is in the pot [mL]."""
        return self.base_ml + self.hardener_ml + self.thinner_ml


def coverage_m2_per_l(solids_pct: float, dry_film_um: float) -> float:
    """Return the theoretical coverage of a paint.

    Args:
        solids_pct: solids by volume of what is applied [%].
        dry_film_um: dry film thickness [µm].

    Returns:
        Coverage without any loss [m2/L].

    Source:
        10 x volume solids [%] / DFT [µm], the rule of coating-inspection texts, from memory. It is
        geometry: 1 L of solids spread 1 µm thick covers 1000 m2.

    >>> coverage_m2_per_l(50.0, 50.0)
    10.0
    """
    return 10.0 * solids_pct / dry_film_um


def dry_film_um(wet_film_um: float, solids_pct: float, thinner_pct: float = 0.0) -> float:
    """Return the dry film that a wet film leaves.

    Args:
        wet_film_um: wet film thickness as laid [µm].
        solids_pct: solids by volume of the mix without thinner [%].
        thinner_pct: thinner added, by volume of the mix [%].

    Returns:
        Dry film thickness [µm].

    Source:
        DFT = WFT x solids / (100 + thinner), coating-inspection texts, from memory.

    >>> dry_film_um(120.0, 50.0, 20.0)
    50.0
    """
    return wet_film_um * solids_pct / (100.0 + thinner_pct)


def mix_for_area_ml(
    film: Film, solids_pct: float, thinner_pct: float, area_m2: float, loss_pct: float
) -> float:
    """Return how much of the mix, without thinner, one coat takes.

    Args:
        film: what the coat is to be.
        solids_pct: solids by volume of the mix without thinner [%].
        thinner_pct: thinner added, by volume of the mix [%].
        area_m2: area [m2].
        loss_pct: share of the mixed paint that never reaches the work [%].

    Returns:
        Base and hardener together [mL]. Volumes are taken to add up.

    Source:
        1 m2 at 1 µm is 1 mL; practical volume = theoretical volume / (1 - loss), as in
        coating-inspection texts, from memory.

    >>> mix_for_area_ml(Film(50.0, wet=False), 50.0, 0.0, 10.0, 20.0)
    1250.0
    """
    if film.wet:
        on_the_work_ml = area_m2 * film.thickness_um / (1.0 + thinner_pct / 100.0)
    else:
        on_the_work_ml = area_m2 * film.thickness_um / (solids_pct / 100.0)
    return on_the_work_ml / (1.0 - loss_pct / 100.0)


def thinned_ml(mix_ml: float, thinner_pct: float) -> float:
    """Return the volume in the pot once the thinner is in [mL]."""
    return mix_ml * (1.0 + thinner_pct / 100.0)


def parts_of(mix: Mix, mix_ml: float, thinner_pct: float) -> Parts | None:
    """Split a volume of mix into its parts by the sheet's ratio.

    Args:
        mix: how the parts go together.
        mix_ml: base and hardener together [mL].
        thinner_pct: thinner added, by volume of the mix [%].

    Returns:
        The parts, or None where the ratio is by weight and a density is missing.

    Source:
        Proportion; by weight with mass = volume x density.
    """
    base_density, hardener_density = mix.base_density_g_per_ml, mix.hardener_density_g_per_ml
    if mix.hardener_parts == 0.0:
        base_ml, hardener_ml = mix_ml, 0.0
    elif mix.by == "volume":
        base_ml = mix_ml * mix.base_parts / (mix.base_parts + mix.hardener_parts)
        hardener_ml = mix_ml - base_ml
    else:
        if base_density is None or hardener_density is None:
            return None
        base_bulk = mix.base_parts / base_density
        hardener_bulk = mix.hardener_parts / hardener_density
        base_ml = mix_ml * base_bulk / (base_bulk + hardener_bulk)
        hardener_ml = mix_ml - base_ml
    thinner_ml = mix_ml * thinner_pct / 100.0
    return Parts(
        base_ml=base_ml,
        hardener_ml=hardener_ml,
        thinner_ml=thinner_ml,
        base_g=_weight(base_ml, base_density),
        hardener_g=_weight(hardener_ml, hardener_density),
        thinner_g=_weight(thinner_ml, mix.thinner_density_g_per_ml),
    )


def _weight(volume_ml: float, density_g_per_ml: float | None) -> float | None:
    if density_g_per_ml is None or not math.isfinite(density_g_per_ml):
        return None
    return volume_ml * density_g_per_ml
