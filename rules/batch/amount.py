"""How much paint a film takes: volume-solids arithmetic, and the parts of a mix."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median

from rules.clocks.work import work_of
from rules.events import Event
from rules.spec.model import Mix
from rules.vocabulary import ALL_SECTIONS, EventKind, Method

SHORTEST_S = 120.0
LONGEST_S = 12 * 3600.0


@dataclass(frozen=True, slots=True)
class OwnRate:
    """The painter's rate as earlier coats show it.

    Attributes:
        m2_per_h: the median of the coats [m2/h].
        coats: how many coats it rests on.
        slowest_m2_per_h: [m2/h].
        fastest_m2_per_h: [m2/h].
        set_aside: coats left out, since they took under 2 min or over 12 h.
    """

    m2_per_h: float
    coats: int
    slowest_m2_per_h: float
    fastest_m2_per_h: float
    set_aside: int


def own_rate(
    events: Iterable[Event],
    area_of: Mapping[str, float],
    now_s: float,
    method: Method | None = None,
) -> OwnRate | None:
    """Learn the painter's rate from the coats in the log that began and ended.

    Args:
        events: all of the enclosure's events as kept, corrections among them.
        area_of: area by section; "all" for an enclosure without sections [m2].
        now_s: now [s].
        method: count only coats put on so, or None for all.

    Returns:
        The rate, or None where no coat tells one.

    Source:
        Area over time; the median keeps one interrupted coat from spoiling it.
    """
    events = tuple(events)
    at_once = {
        e.time_s
        for e in events
        if e.kind is EventKind.COAT_STARTED and e.section in (None, ALL_SECTIONS)
    }
    covered: dict[tuple[float, float, str], float] = {}
    for section, area_m2 in area_of.items():
        for coat in work_of(section, events, now_s).coats:
            if coat.started_s is None or coat.ended_s is None or area_m2 <= 0.0:
                continue
            if method is not None and coat.method is not method:
                continue
            # One coat told for all sections at once covers all of them in its time.
            whose = "" if coat.started_s in at_once else section
            key = (coat.started_s, coat.ended_s, whose)
            covered[key] = covered.get(key, 0.0) + area_m2
    rates: list[float] = []
    set_aside = 0
    for (started_s, ended_s, _), area_m2 in covered.items():
        if SHORTEST_S <= ended_s - started_s <= LONGEST_S:
            rates.append(area_m2 / (ended_s - started_s) * 3600.0)
        else:
            set_aside += 1
    if not rates:
        return None
    return OwnRate(median(rates), len(rates), min(rates), max(rates), set_aside)


def learned_rate_m2_per_h(
    events: Iterable[Event],
    area_of: Mapping[str, float],
    now_s: float,
    method: Method | None = None,
) -> float | None:
    """Return the painter's rate alone, as `own_rate` learns it [m2/h]."""
    rate = own_rate(events, area_of, now_s, method)
    return None if rate is None else rate.m2_per_h


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
    """Return the theoretical coverage of a paint,

        coverage [m2/L] = 10 VS [%] / DFT [µm]

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
    """Return the dry film that a wet film leaves,

        DFT = WFT VS / (100 + thinner)

    with VS and thinner in per cent by volume of the mix.

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
    """Return how much of the mix, without thinner, one coat takes,

        V = A DFT / (VS/100) / (1 - loss/100)                  by the dry film
        V = A WFT / (1 + thinner/100) / (1 - loss/100)         by the wet film

    with V in mL, A in m2 and films in µm.

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
    """Split a volume V of mix into its parts by the sheet's ratio a : b,

        V_base = V a / (a + b)                          by volume
        V_base = V (a/d_a) / (a/d_a + b/d_b)            by weight, with densities d

    Args:
        mix: how the parts go together.
        mix_ml: base and hardener together [mL].
        thinner_pct: thinner added, by volume of the mix [%].

    Returns:
        The parts, or None where the ratio is by weight, a density is missing, and the sheet has no
        ratio by volume beside it.

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
        by_volume = mix.parts_by("volume")
        if base_density is not None and hardener_density is not None:
            base_bulk = mix.base_parts / base_density
            hardener_bulk = mix.hardener_parts / hardener_density
        elif by_volume is not None:
            base_bulk, hardener_bulk = by_volume
        else:
            return None
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
