"""Whether a film that is to be laid is one that the sheet and the method can give."""

from __future__ import annotations

from rules.batch.amount import Film, dry_film_um
from rules.spec.model import NO_PAINT, FilmThickness, Spec
from rules.text import counted
from rules.vocabulary import Method

BY_HAND_UM = 100.0
"""What brush and roller can lay wet without sagging where no sheet says; common practice, no
source [um]."""

TROWELLED_UM = 200.0
"""A sheet that asks for more than this at least is about no brush or roller; no source [um]."""


def thickness_warnings(
    spec: Spec,
    film: Film,
    method: Method,
    coats: int,
    solids_pct: float,
    thinner_pct: float,
) -> list[str]:
    """Return what is wrong with a film, in words.

    Args:
        spec: of the coating.
        film: what one coat is to be.
        method: how it is put on.
        coats: how many.
        solids_pct: solids by volume of the mix without thinner [%].
        thinner_pct: thinner added, by volume of the mix [%].
    """
    if film.wet:
        wet_um = film.thickness_um
        dry_um = dry_film_um(wet_um, solids_pct, thinner_pct)
    else:
        dry_um = film.thickness_um
        wet_um = dry_um / dry_film_um(1.0, solids_pct, thinner_pct)
    said, sheet = [], spec.film
    most_um = most_wet_um(spec, method)
    if most_um is not None and wet_um > most_um * _ROUNDED:
        own = "the sheet's" if method in sheet.method_max_um else "common practice, no source:"
        said.append(
            f"film: {wet_um:.0f} µm wet by {method} is over {own} {most_um:g} µm and will sag: lay "
            "it in more coats"
        )
    for kind, value, low, high in (
        ("wet", wet_um, sheet.wet_min_um, sheet.wet_max_um),
        ("dry", dry_um, sheet.dry_min_um, sheet.dry_max_um),
    ):
        if low is not None and value * _ROUNDED < low:
            said.append(f"film: {value:.0f} µm {kind} is thin; the sheet asks for at least {low:g}")
        if high is not None and value > high * _ROUNDED:
            said.append(f"film: {value:.0f} µm {kind} is thick; the sheet has at most {high:g}")
    return said + _all_coats(sheet, dry_um, coats)


def _all_coats(sheet: FilmThickness, dry_um: float, coats: int) -> list[str]:
    """What is wrong with the coats together."""
    said = []
    if sheet.layers_max is not None and coats > sheet.layers_max:
        said.append(f"film: {coats} coats are over the sheet's {sheet.layers_max} layers")
    low, high = sheet.total_dry_min_um, sheet.total_dry_max_um
    if high is not None and coats * dry_um > high * _ROUNDED:
        said.append(
            f"film: {counted(coats, 'coat')} make {coats * dry_um:.0f} µm dry; the sheet has at "
            f"most {high:g} in all"
        )
    before = "; count what lies beneath" if coats == 1 else ""
    if sheet.layers_min is not None and coats < sheet.layers_min:
        said.append(f"film: the sheet asks for at least {sheet.layers_min} coats{before}")
    elif low is not None and coats * dry_um * _ROUNDED < low:
        said.append(
            f"film: {counted(coats, 'coat')} make {coats * dry_um:.0f} µm dry; the sheet asks for "
            f"at least {low:g} in all{before}"
        )
    return said


_ROUNDED = 1.005  # a film worked out from wet to dry and back is never past its own bound


def most_wet_um(spec: Spec, method: Method) -> float | None:
    """Return what a method can lay without sagging, or None where nothing is known [um]."""
    sheet = spec.film
    own = sheet.method_max_um.get(method)
    if own is not None:
        return own
    if method is Method.GUN or spec.family in NO_PAINT or (sheet.wet_min_um or 0.0) > TROWELLED_UM:
        return None
    return BY_HAND_UM
