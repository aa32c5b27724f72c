"""Writes specs out: the whole of one in SI units for programs, and a starting file for people."""

from __future__ import annotations

from collections.abc import Mapping

from rules.errors import SpecFault
from rules.spec.checks import time_key
from rules.spec.model import Band, Mix, Spec, TimeTable
from rules.text import shown
from rules.toml_table import SLUG, UNLIMITED
from rules.vocabulary import ClockName, LimitName

FAMILIES = {
    "two-pack-epoxy": "cured by an amine hardener",
    "two-pack-polyurethane": "cured by an isocyanate hardener",
    "two-pack-other": "any other that is mixed with a hardener",
    "moisture-curing-polyurethane": "cured by the water in the air, and so asks for humidity",
    "one-pack-enamel": "dries by solvent and by air",
    "varnish": "clear, dries by solvent and by air",
    "other": "anything else",
}
"""The families of coatings that a spec may belong to, and what each means."""

_LIMIT_UNITS = {
    LimitName.DEW_MARGIN_MIN: "K",
    LimitName.HUMIDITY_MAX: "%",
    LimitName.HUMIDITY_MIN: "%",
}


def spec_dict(spec: Spec) -> dict[str, object]:
    """Return a whole spec as JSON has it, every figure in the unit that its key names.

    Args:
        spec: the spec.

    Returns:
        Text, numbers, lists and dicts only. Limits stand by stage as the file states them, each
        with `bound`, `unit`, `until` and `guard`; times by clock as rows of `temp_c` and
        `duration_s`. What a spec does not state is null or empty.
    """
    return {
        "name": spec.name,
        "title": spec.title,
        "family": spec.family,
        "source": {
            "sheet": spec.provenance.sheet,
            "revision": spec.provenance.revision,
            "date": spec.provenance.date,
            "generic": spec.provenance.generic,
        },
        "limits": {
            stage.value: {
                limit.name.value: {
                    "bound": limit.bound,
                    "unit": _LIMIT_UNITS.get(limit.name, "degC"),
                    "until": limit.until.value,
                    "guard": limit.guard,
                }
                for limit in limits.values()
            }
            for stage, limits in spec.limits.items()
        },
        "wet_film_cooling_k": {m.value: k for m, k in spec.wet_film_cooling_k.items()},
        "times": {**_times_dict(spec.times), **{time_key(c): UNLIMITED for c in spec.unlimited}},
        "recoat_before": {name: _times_dict(t) for name, t in spec.recoat_by_next.items()},
        "pot_sizes": [{"from_ml": s.from_ml, "factor": s.factor} for s in spec.pot_sizes],
        "tape_not_after_s": spec.tape_not_after_s,
        "mix": None if spec.mix is None else _mix_dict(spec.mix),
        "call": {
            "dwell_s": spec.dwell_s,
            "re_entry_s": spec.re_entry_s,
            "coating_time_s": spec.coating_time_s,
            "go_band": _band_dict(spec.go_band),
            "re_entry_band": _band_dict(spec.re_entry_band),
        },
        "measure": [
            {"what": m.what, "unit": m.unit, "low": m.low, "high": m.high}
            for m in spec.measurements
        ],
        "advice": {"reminder": spec.reminder, "after_closes": spec.after_closes},
    }


def _times_dict(times: Mapping[ClockName, TimeTable]) -> dict[str, object]:
    return {
        time_key(clock): [{"temp_c": r.temp_c, "duration_s": r.duration_s} for r in table.rows]
        or UNLIMITED
        for clock, table in times.items()
    }


def _band_dict(band: Band) -> dict[str, float]:
    return {
        "dew_margin_k": band.dew_margin_k,
        "humidity_pct": band.humidity_pct,
        "temp_k": band.temp_k,
    }


def _mix_dict(mix: Mix) -> dict[str, object]:
    return {
        "by": mix.by,
        "base_parts": mix.base_parts,
        "hardener_parts": mix.hardener_parts,
        "base_density_g_per_ml": mix.base_density_g_per_ml,
        "hardener_density_g_per_ml": mix.hardener_density_g_per_ml,
        "thinner_density_g_per_ml": mix.thinner_density_g_per_ml,
        "solids_by_volume_pct": mix.solids_by_volume_pct,
        "thinner_max_pct": mix.thinner_max_pct,
        "thinner": [
            {
                "method": None if band.method is None else band.method.value,
                "from_c": band.from_c,
                "to_c": band.to_c,
                "min_pct": band.min_pct,
                "max_pct": band.max_pct,
            }
            for band in mix.thinner_bands
        ],
        "max_batch_ml": mix.max_batch_ml,
    }


def new_spec_text(name: str, family: str) -> str:
    """Return a commented starting file, whose figures are still to be entered.

    Every figure that only a data sheet can give stands as ?, and `check_spec` names each of
    them and nothing else until it is entered: a file that nobody has filled in is never used.

    Args:
        name: the coating's short name.
        family: one of FAMILIES.

    Returns:
        The text of a TOML file.

    Raises:
        SpecFault: the family is not known, or the name cannot be one.
    """
    if family not in FAMILIES:
        raise SpecFault(
            f"family {shown(family)} is not known, so no spec can be started; "
            f"choose one of {', '.join(FAMILIES)}"
        )
    if not SLUG.fullmatch(name):
        raise SpecFault(
            f"name {shown(name)} cannot name a spec, so none is started; "
            "write small letters, figures and hyphens, such as my-primer"
        )
    two_pack = family.startswith("two-pack")
    moist = family.startswith("moisture")
    parts = [_HEAD.format(name=name, family=family), _LIMITS]
    parts.append(_HUMIDITY_MIN if moist else "")
    parts.append(_TIMES)
    parts.append(_TWO_PACK_TIMES if two_pack else "")
    parts.append(_MIX)
    parts.append(_RATIO if two_pack else "")
    parts.append(_REST)
    return "".join(parts)


_HEAD = """\
# A coating spec for filmcall. Enter your data sheet's figures wherever a ? stands, each with its
# unit, and save. `filmcall spec check FILE` then says what is still missing.
# Units may be the sheet's own: "50 degF", "10 degC", "16 h", "3 days", "2 K", "1.2 kg/l".
# Lines that start with # are read by people only: remove the # where your sheet has the figure.

name = "{name}"
title = "{name}"
family = "{family}"

[source]
sheet = "?"                 # the data sheet's title
revision = ""
date = ""                   # the sheet's date, as 2026-03-31
generic = false             # true would mark the figures as nobody's in particular

"""

_LIMITS = """\
# What the air and the surface must be. `until` says how long it matters to the film:
# touch-dry, recoat-opens, handle or cured.
[limits.apply]
dew_margin_min = { bound = "? K", until = "handle" }      # surface over dew point; often 3 K
humidity_max = { bound = "? %", until = "touch-dry" }
surface_temp_min = { bound = "? degC", until = "cured" }
# surface_temp_max = { bound = "? degC", until = "touch-dry" }
# air_temp_min = { bound = "? degC", until = "touch-dry" }
# air_temp_max = { bound = "? degC", until = "touch-dry" }
"""

_HUMIDITY_MIN = """\
humidity_min = { bound = "? %", until = "cured" }         # it needs water from the air to cure
"""

_TIMES = """\

# A limit goes on as above through flash (until touch-dry) and cure, unless stated anew here.
# [limits.flash]
# [limits.cure]
# surface_temp_min = { bound = "? degC", until = "cured" }

# Times by the temperature of the film. One row will do; add one for each that the sheet has.
[times]
touch_dry = { "20 degC" = "? h" }
handle = { "20 degC" = "? h" }
cured = { "20 degC" = "? days" }
# recoat_opens = { "10 degC" = "? h", "20 degC" = "? h", "30 degC" = "? h" }
# recoat_closes = { "20 degC" = "? days" }
# Also: wipe_dry, flash, tape_not_before, tape_not_after, sand.
"""

_TWO_PACK_TIMES = """\
pot_life = { "20 degC" = "? h" }
# induction = { "20 degC" = "? min" }                     # from mixing until it may be used
"""

_MIX = """\

# Where another coating on top has a window of its own: its family, or its spec's name.
# [recoat_before.two-pack-polyurethane]
# recoat_opens = { "20 degC" = "? h" }
# recoat_closes = { "20 degC" = "? days" }

[mix]
solids_by_volume = "? %"
thinner_max = "? %"         # of the mix before thinning; "0 %" where none may be added
# thinner_density = "? kg/l"
# max_batch = "? l"
"""

_RATIO = """\
by = "volume"               # or "weight"
ratio = "?:?"               # base to hardener, such as "3:1"
# base_density = "? kg/l"
# hardener_density = "? kg/l"
"""

_REST = """\

# [[mix.thinner]]           # one entry for each range of temperature and method
# method = "brush"          # or roller, gun; left out, it holds for all
# from = "? degC"
# to = "? degC"
# min = "? %"
# max = "? %"

# [wet_film_cooling]        # how far a wet film cools below its surface as the solvent leaves
# gun = "? K"

# [tape]
# not_after = "? days"      # whatever the temperature

# [[measure]]               # a hand reading asked for before each coat
# what = "wood-moisture"
# high = "? %"

# [advice]
# reminder = ""             # shown before the next coat over a cured film
# after_closes = ""         # what to do once the recoat window has closed
"""
