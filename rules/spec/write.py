"""Writes specs out: the whole of one in SI units for programs, and a starting file for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rules.errors import SpecFault
from rules.spec.checks import time_key
from rules.spec.model import FAMILIES, NO_HARDENER, Band, Limit, Mix, PotSize, Spec, TimeTable
from rules.spec.read_times import endless_word
from rules.text import shown
from rules.toml_table import SLUG
from rules.vocabulary import ClockName, LimitName, Method, Stage, Step

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
        "hardener_class": spec.hardener_class or None,
        "source": {
            "sheet": spec.provenance.sheet,
            "revision": spec.provenance.revision,
            "date": spec.provenance.date,
            "generic": spec.provenance.generic,
        },
        "limits": _limits_dict(spec.limits),
        "wet_film_cooling_k": {m.value: k for m, k in spec.wet_film_cooling_k.items()},
        "times": {
            **_times_dict(spec.times),
            **{time_key(c): endless_word(c) for c in spec.unlimited},
        },
        "when": [
            {
                "method": None if each.method is None else each.method.value,
                "hardener": each.hardener,
                "service": None if each.service is None else each.service.value,
                "humidity_pct": each.humidity_pct,
                "hardener_class": each.hardener_class or None,
                "limits": _limits_dict(each.limits),
                "times": _times_dict(each.times),
                "mix": None if each.mix is None else _mix_dict(each.mix),
                "pot_sizes": None if each.pot_sizes is None else _pots_list(each.pot_sizes),
            }
            for each in spec.when
        ],
        "recoat_before": {name: _times_dict(t) for name, t in spec.recoat_by_next.items()},
        "overcoat": {
            "as_it_is": _rows(spec.times.get(ClockName.RECOAT_CLOSES)),
            "wet_on_wet_s": spec.overcoat.wet_on_wet_s,
            "abraded_s": spec.overcoat.abraded_s,
            "sanded_key_s": spec.overcoat.sanded_key_s,
        },
        "launch": {
            "not_before": _rows(spec.launch.not_before),
            "not_after_s": spec.launch.not_after_s,
        },
        "pot_sizes": _pots_list(spec.pot_sizes),
        "tape_not_after_s": spec.tape_not_after_s,
        "mix": None if spec.mix is None else _mix_dict(spec.mix),
        "call": {
            "dwell_s": spec.dwell_s,
            "re_entry_s": spec.re_entry_s,
            "coating_time_s": spec.coating_time_s,
            "go_band": _band_dict(spec.go_band),
            "re_entry_band": _band_dict(spec.re_entry_band),
        },
        "film": {
            "wet_min_um": spec.film.wet_min_um,
            "wet_max_um": spec.film.wet_max_um,
            "dry_min_um": spec.film.dry_min_um,
            "dry_max_um": spec.film.dry_max_um,
            "layers_min": spec.film.layers_min,
            "layers_max": spec.film.layers_max,
            "total_dry_min_um": spec.film.total_dry_min_um,
            "total_dry_max_um": spec.film.total_dry_max_um,
            **{f"{m.value}_wet_max_um": spec.film.method_max_um.get(m) for m in Method},
        },
        "post_cure": None
        if spec.post_cure is None
        else {
            "hold_c": spec.post_cure.hold_c,
            "takes_s": spec.post_cure.takes_s,
            "not_before_s": spec.post_cure.not_before_s,
        },
        "measure": [
            {
                "what": m.what,
                "unit": m.unit,
                "low": m.low,
                "high": m.high,
                "max_age_s": m.max_age_s,
                "method": m.method,
                "standard": m.standard,
                "of": "film" if m.of_the_film else "ground",
            }
            for m in spec.measurements
        ],
        "advice": {
            "reminder": spec.reminder,
            "after_closes": spec.after_closes,
            "air_changes_per_h": spec.surroundings.air_changes_per_h,
            "wind_max_m_per_s": spec.surroundings.wind_max_m_per_s,
            "sun": spec.surroundings.sun,
            "notes": list(spec.surroundings.notes),
        },
    }


def _limits_dict(limits: Mapping[Stage, Mapping[LimitName, Limit]]) -> dict[str, object]:
    return {
        stage.value: {limit.name.value: _limit_dict(limit) for limit in own.values()}
        for stage, own in limits.items()
    }


def _pots_list(sizes: Sequence[PotSize]) -> list[dict[str, float | None]]:
    return [{"from_ml": s.from_ml, "from_g": s.from_g, "factor": s.factor} for s in sizes]


def _limit_dict(limit: Limit) -> dict[str, object]:
    step = isinstance(limit.until, Step)
    return {
        "bound": limit.bound,
        "wait": limit.wait,
        "unit": _LIMIT_UNITS.get(limit.name, "degC"),
        "effect": limit.effect.value,
        "then": None if limit.then is None else limit.then.value,
        "until": str(limit.until) if step else None,
        "until_s": None if step else limit.until,
        "guard": limit.guard,
    }


def _rows(table: TimeTable | None) -> list[dict[str, float]] | None:
    if table is None:
        return None
    return [{"temp_c": row.temp_c, "duration_s": row.duration_s} for row in table.rows]


def _times_dict(times: Mapping[ClockName, TimeTable]) -> dict[str, object]:
    return {time_key(clock): _rows(table) or endless_word(clock) for clock, table in times.items()}


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
                "grade": band.grade or None,
                "coat": band.coat,
                "cup_s": band.cup_s,
            }
            for band in mix.thinner_bands
        ],
        "ratio_by_weight": _ratio_text(mix.parts_by("weight")),
        "ratio_by_volume": _ratio_text(mix.parts_by("volume")),
        "max_batch_ml": mix.max_batch_ml,
        "additive": mix.additive or None,
    }


def _ratio_text(parts: tuple[float, float] | None) -> str | None:
    return None if parts is None or not parts[1] else f"{parts[0]:g}:{parts[1]:g}"


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
    two_pack = family.startswith("two-pack") or family in _MOSTLY_TWO_PACK
    moist = family.startswith("moisture")
    parts = [_HEAD.format(name=name, family=family), _LIMITS]
    parts.append(_HUMIDITY_MIN if moist else "")
    parts.append(_TIMES)
    perhaps = not two_pack and family not in NO_HARDENER
    parts.append(_TWO_PACK_TIMES if two_pack else _offered(_TWO_PACK_TIMES) if perhaps else "")
    parts.append(_CONDITIONS)
    parts.append(_HARDENERS if two_pack or perhaps else "")
    parts.append(_MIX)
    parts.append(_RATIO if two_pack else _offered(_RATIO) if perhaps else "")
    parts.append(_REST)
    return "".join(parts)


def _offered(lines: str) -> str:
    """Lines of a starting file as comments, for what only some of a family have."""
    return "".join(
        each if each.startswith("#") else f"# {each}" for each in lines.splitlines(keepends=True)
    )


_MOSTLY_TWO_PACK = ("tie-coat", "fairing-compound", "laminating-resin", "tank-coating")


_HEAD = """\
# A coating spec for filmcall. Enter your data sheet's figures wherever a ? stands, each with its
# unit, and save. `filmcall spec check FILE` then says what is still missing.
# Units may be the sheet's own: "50 degF", "10 degC", "16 h", "3 days", "2 K", "1.2 kg/l".
# Lines that start with # are read by people only: remove the # where your sheet has the figure.

name = "{name}"
title = "{name}"
family = "{family}"
# What cures it; an amine's kind is in the sheet's own words for the hardener:
# polyamide, amine-adduct, cycloaliphatic-amine, fast-amine, isocyanate or none.
# hardener_class = "polyamide"

[source]
sheet = "?"                 # the data sheet's title
revision = ""
date = ""                   # the sheet's date, as 2026-03-31
generic = false             # true would mark the figures as nobody's in particular

"""

_LIMITS = """\
# What the air and the surface must be. `until` says how long it matters to the film:
# touch-dry, recoat-opens, handle or cured, or a time from the coat's end, such as "24 h".
# Where past it the film only cures more slowly, add effect = "slow"; where it may wait, "wait".
# A wait = "3 K" beside a bound of "1 K" is HOLD under 3 K and STOP under 1 K. With then = "slow" it
# is still told of after `until`, and changes no call.
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

# Times by the temperature of the film. One row will do; add one for each that the sheet has, as
# { "10 degC" = "24 h", "20 degC" = "12 h", "30 degC" = "8 h" }.
[times]
touch_dry = { "20 degC" = "? h" }
handle = { "20 degC" = "? h" }
cured = { "20 degC" = "? days" }
# recoat_opens = { "20 degC" = "? h" }                    # the next coat not before
# recoat_closes = { "20 degC" = "? days" }                # nor after, unsanded; or "unlimited"
# Also: wipe_dry, flash, tape_not_before, tape_not_after, sand.
"""

_CONDITIONS = """\

# What holds under conditions only: one entry for each column of the sheet; any of humidity, or
# of method = "gun", hardener = "winter", service = "immersed" or "atmospheric", all must hold.
# What an entry does not say stays as outside it.
# [[when]]
# humidity = "? %"
# [when.times]
# touch_dry = { "20 degC" = "? h" }
"""

_HARDENERS = """\

# Another hardener than the standard one, whose figures stand outside: its times, limits and mix.
# [[when]]
# hardener = "?"            # the sheet's name for it
# hardener_class = "fast-amine"
# [when.times]
# induction = "none"        # where this one needs none
# touch_dry = { "20 degC" = "? h" }
# [when.limits.apply]
# surface_temp_min = { bound = "? degC", until = "cured" }
# [when.mix]
# ratio = "?:?"             # or additive = "?"
# [when.pot_sizes]
# "1 l" = "? %"
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
# additive = "?"            # what else goes in, such as "1 % of accelerator by volume"
"""

_RATIO = """\
by = "volume"               # or "weight": which of the two the sheet leads with
ratio = "?:?"               # base to hardener, such as "3:1"
# Where the sheet gives both, write ratio_by_weight and ratio_by_volume in place of ratio.
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
# grade = "slow"            # the thinner's name
# coat = 1                  # left out, it holds for every coat
# cup = "? s"               # out of the sheet's flow cup

# [wet_film_cooling]        # how far a wet film cools below its surface as the solvent leaves
# gun = "? K"

# [film]                    # of one coat, and of all
# wet_min = "? um"
# wet_max = "? um"
# dry_min = "? um"
# dry_max = "? um"
# layers_min = 2            # coats
# layers_max = 3
# total_dry_min = "? um"    # all coats together; mm may be written as well
# total_dry_max = "? um"
# roller_wet_max = "? um"   # what it holds without sagging; likewise brush_wet_max, gun_wet_max

# [pot_sizes]               # how pot life falls with the pot: "1 l" or "1 kg" = "80 %"
# "1 l" = "? %"

# [overcoat]                # beside recoat_opens and recoat_closes
# wet_on_wet = "? h"        # from the coat's start: coat until then, or from recoat_opens on
# abraded = "? months"      # until then sand and coat, after it take off; needs recoat_closes
# sanded_key = "24 h"       # how long a sanded ground stays open, at most 48 h

# [launch]                  # into the water, from the last coat's end
# not_before = { "20 degC" = "? h" }
# not_after = "? months"

# [tape]
# not_after = "? days"      # whatever the temperature

# [post_cure]
# hold = "? degC"
# takes = "? h"
# not_before = "? h"

# [[measure]]               # a hand reading that is asked for before a coat: HOLD until it is in
# what = "wood-moisture"    # or concrete-moisture, chloride, dust-class, profile, blast-hours, ...
# high = "? %"              # or low; in %, degC, um, mg/m2, h or class
# max_age = "24 h"          # then it is asked for again
# method = "pin meter, wood scale"
# standard = ""
# of = "ground"             # or "film": of this coat's own film, before the next goes on it

# [advice]
# reminder = ""             # shown before the next coat over a cured film
# after_closes = ""         # what to do once the recoat window has closed
# air_changes = "? a hour"
# wind_max = "? m/s"
# sun = "no direct sun"
# notes = ["?"]             # what else the sheet says, in its words; spec show and check repeat it
"""
