"""Reads how a coating is mixed: ratio, densities, thinner, and how pot life goes by the pot."""

from __future__ import annotations

import re
from itertools import pairwise

from rules.spec.checks import check_bands, check_ratios
from rules.spec.model import NO_HARDENER, Mix, PotSize, ThinnerBand
from rules.spec.read_times import METHODS, TEMPERATURES
from rules.text import shown
from rules.toml_table import ENTER, Table
from rules.units import BadAmount, amount
from rules.vocabulary import Method

UNSTATED_DENSITY_G_PER_ML = 1.5
"""Of a mix whose pot the sheet gives by mass and whose density it does not: a filled one's, so
that no pot is taken for smaller than it is; common practice, no source [g/mL]."""

_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_RATIO = re.compile(rf"\s*{_NUMBER}\s*:\s*{_NUMBER}\s*")
RATIOS = ("ratio", "ratio_by_weight", "ratio_by_volume")
"""Keys of [mix], one of which must be there where a hardener goes in."""
_THINNER = ("method", "grade", "coat", "cup", "from", "to", "min", "max")


def read_pot_sizes(table: Table, mix: Mix | None) -> tuple[PotSize, ...]:
    """Return how pot life shrinks in bigger pots, which a sheet gives by volume or by mass."""
    density = UNSTATED_DENSITY_G_PER_ML if mix is None else mix.density_g_per_ml
    sizes: dict[float, tuple[str, PotSize]] = {}
    for written, share in table.values.items():
        from_g = None
        if _is_mass(written):
            from_g = table.read(written, written, "g", 1.0, 1e6)
            from_ml = None if from_g is None else from_g / (density or UNSTATED_DENSITY_G_PER_ML)
        else:
            from_ml = table.read(written, written, "ml", 1.0, 1e6)
        share_pct = table.read(written, share, "%", 1.0, 100.0)
        if from_ml is not None and share_pct is not None:
            sizes[from_ml] = (written, PotSize(from_ml, share_pct / 100.0, from_g))
    found = tuple(size for _, (_, size) in sorted(sizes.items()))
    for small, big in pairwise(found):
        if big.factor > small.factor:
            table.fault(
                sizes[big.from_ml][0],
                f"keeps {big.factor * 100:g} % of the pot life, more than the "
                f"{small.factor * 100:g} % of a smaller pot, but a bigger pot heats up more",
                "correct one of the two",
            )
    return found


def _is_mass(written: str) -> bool:
    try:
        amount(written, "g")
    except BadAmount:
        return False
    return True


def read_mix(top: Table, family: str) -> Mix | None:
    """Return how the parts go together."""
    if "mix" not in top.values:
        return None
    densities = ("base_density", "hardener_density", "thinner_density")
    others = ("by", "solids_by_volume", "thinner_max", "max_batch", "thinner", "additive")
    table = top.table("mix", (*RATIOS, *others, *densities))
    read = {key: _ratio(table, key, family) for key in RATIOS if key in table.values}
    if not read and family.startswith("two-pack"):
        table.missing("ratio", '"3:1" (base to hardener)')
    by = _by(table)
    base_density, hardener_density, thinner_density = (
        table.figure(key, "g/ml", 0.3, 5.0) for key in densities
    )
    leads, other = f"ratio_by_{by}", f"ratio_by_{'weight' if by == 'volume' else 'volume'}"
    if read.get("ratio") and read.get(leads) and read["ratio"] != read[leads]:
        table.fault("ratio", f"is not the {leads}, though both are by {by}", "keep one of the two")
    lead, beside = read.get("ratio") or read.get(leads), read.get(other)
    if lead is None and beside is not None:
        table.fault("by", f"says {by}, and only {other} is given", f"give {leads}, or correct by")
    check_ratios(
        {by: lead, other.removeprefix("ratio_by_"): beside},
        (base_density, hardener_density),
        table,
    )
    solids = table.figure("solids_by_volume", "%", 1.0, 100.0, example="50 %")
    thinner_max = table.figure("thinner_max", "%", 0.0, 100.0, example="10 %")
    bands = _bands(table)
    check_bands(bands, thinner_max, top.faults)
    max_batch = table.figure("max_batch", "ml", 1.0, 1e6)
    if solids is None or thinner_max is None:
        return None
    base, hardener = lead or (1.0, 0.0)
    return Mix(
        by=by,
        base_parts=base,
        hardener_parts=hardener,
        base_density_g_per_ml=base_density,
        hardener_density_g_per_ml=hardener_density,
        thinner_density_g_per_ml=thinner_density,
        solids_by_volume_pct=solids,
        thinner_max_pct=thinner_max,
        thinner_bands=tuple(bands.values()),
        max_batch_ml=max_batch,
        other_parts=beside,
        additive=table.words("additive"),
    )


def _by(table: Table) -> str:
    """Which of the two the sheet leads with; where only one ratio is there, that one."""
    given = [key for key in ("volume", "weight") if f"ratio_by_{key}" in table.values]
    if "by" not in table.values and "ratio" not in table.values and len(given) == 1:
        return given[0]
    needed = bool(given) or "ratio" in table.values
    return table.one_of("by", ("volume", "weight"), required=needed) or "volume"


def _bands(table: Table) -> dict[int, ThinnerBand]:
    bands: dict[int, ThinnerBand] = {}
    for i, entry in enumerate(table.tables("thinner", _THINNER)):
        method = entry.one_of("method", METHODS, required=False)
        ends = {key: entry.figure(key, *TEMPERATURES) for key in ("from", "to")}
        # A sheet that says nothing of temperature means every one at which it may be painted.
        cold = ends["from"] if "from" in entry.values else TEMPERATURES[1]
        hot = ends["to"] if "to" in entry.values else TEMPERATURES[2]
        low = entry.figure("min", "%", 0.0, 100.0, example="0 %")
        high = entry.figure("max", "%", 0.0, 100.0, example="5 %")
        grade = entry.words("grade")
        coat = entry.count("coat", 20)
        cup_s = entry.duration("cup", 5.0, 600.0)
        if cold is not None and hot is not None and low is not None and high is not None:
            bands[i] = ThinnerBand(
                Method(method) if method else None, cold, hot, low, high, grade, coat, cup_s
            )
    return bands


def _ratio(table: Table, key: str, family: str) -> tuple[float, float] | None:
    """Return parts of base and of hardener, or None where it cannot be read."""
    written = table.words(key)
    match = _RATIO.fullmatch(written)
    if match is None:
        fix = 'write parts of base to parts of hardener, such as "3:1"'
        if ENTER in written:
            table.fault(key, "is still to be entered", fix)
        elif isinstance(table.values[key], str):
            table.fault(key, f"{shown(written)} is not a ratio", fix)
        return None
    base, hardener = float(match[1]), float(match[2])
    if base <= 0.0:
        table.fault(key, f"{shown(written)} has no base", "give its parts, such as 3:1")
    if family.startswith("two-pack") and hardener <= 0.0:
        table.fault(
            key,
            f"{shown(written)} has no hardener, without which a {family} never cures",
            "give its parts, such as 3:1",
        )
    if family in NO_HARDENER and hardener > 0.0:
        table.fault(
            key,
            f"{shown(written)} has a hardener, but the family {family} has none",
            "remove the ratio, or correct the family",
        )
    return base, hardener
