"""What air and probes say beside every call, and changes none."""

from __future__ import annotations

import shlex

from rules.reasons import Doubt
from rules.text import duration_text
from rules.vocabulary import LimitState

CO2_TOLD_PPM = 1000.0
"""From here on carbon dioxide is told to people: outdoors it is some 420 ppm; from memory [ppm]."""


def co2_notice(ppm: float) -> Doubt:
    """Return what carbon dioxide says to people, which is never that the air is fit to breathe.

    Args:
        ppm: the highest that is measured [ppm].

    Source:
        5,000 ppm is the eight-hour limit in many countries (EU directive 2006/15/EC among them),
        from memory; a flame's other gases and the paint's vapour are not measured here.
    """
    text = (
        f"Carbon dioxide {ppm:,.0f} ppm in the air that people breathe: 5,000 is the eight-hour "
        "limit in many countries, and what else a flame or the paint gives off is not measured"
    )
    return Doubt("co2", text, LimitState.OK, ppm, 5000.0, "ppm")


DUST_TOLD_UG_M3 = 100.0
"""From here on dust in the air is told of; common practice, no source [ug/m3]."""


def dust_notice(dust_ug_m3: float) -> Doubt:
    """Return what dust in the air does to a wet film [ug/m3]."""
    text = f"Dust {dust_ug_m3:.0f} µg/m³: it lies down in wet paint. Let it settle before you coat"
    return Doubt("dust", text, LimitState.OK, dust_ug_m3, DUST_TOLD_UG_M3, "ug/m3")


def standing_notice(
    point: str, value: float, lasted_s: float, off: float, *, noise: bool, humid: bool
) -> Doubt:
    """Return what a probe that tells of nothing means for the guard.

    Args:
        point: its name.
        value: that it shows [degC or %].
        lasted_s: for how long [s].
        off: how far the hull or the humidity can have gone from there since [K or %].
        noise: it shows noise around the value.
        humid: it is a humidity, not a hull.
    """
    who, unit, by, longer = point, "°C", "K", "longer than hulls do"
    if humid:
        who, unit, by, longer = f"{point}'s humidity", "%", "%", "which it was not seen to before"
    shown = f"{'nothing but noise around ' if noise else ''}{value:.1f} {unit}"
    text = (
        f"{who} has shown {shown} for {duration_text(lasted_s)}, {longer}: it may be {off:.1f} "
        f"{by} off by now, and that much more is asked for. Look at it, or say it is right: "
        f"filmcall event vouched --point {shlex.quote(point)}"
    )
    return Doubt("standing", text, LimitState.OK, value, None, "%" if humid else "degC")
