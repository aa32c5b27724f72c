"""`filmcall check`: one hand reading in, a call with its reasons out."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from monitor.cli.options import typed_temperature
from monitor.named import method_named
from monitor.specs import find_spec
from monitor.wire import section_dict
from rules.air.saturation import checked_air_c, checked_rh_pct, checked_surface_c
from rules.air.state import (
    pressure_at_altitude_pa,
    rh_from_wet_bulb_pct,
)
from rules.air.uncertainty import wet_bulb_accuracy
from rules.climate import AIR_TEMP, HUMIDITY, SURFACE_TEMP, PointValue
from rules.errors import FilmcallError, ImplausibleReading
from rules.numbers import number
from rules.reasons import Reason
from rules.section import Film, Section, SectionCall
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.units import temperature_c, without_minus_zero
from rules.vocabulary import (
    AIR_ACCURACY_K,
    ALL_SECTIONS,
    HUMIDITY_ACCURACY_PCT,
    SURFACE_ACCURACY_K,
    LimitState,
    Method,
)

HAND = "hand reading"

_NO_OUTLOOK = "One reading: it says nothing of the next hours"
_GUIDANCE = (
    "No spec given: judged by general guidance (3 K above dew point, 85 %, 10 to 35 °C); your "
    "data sheet's figures go first"
)


def check(
    air_temp_c: float,
    rh_pct: float,
    surface_temp_c: float | None,
    spec: Spec,
    *,
    time_s: float,
    guidance: bool,
    method: Method | None = None,
    accuracies: tuple[float, float, float] = (
        AIR_ACCURACY_K,
        HUMIDITY_ACCURACY_PCT,
        SURFACE_ACCURACY_K,
    ),
    rh_by_air: float = 0.0,
) -> SectionCall:
    """Return the call on one hand reading, as if a coat were to be started now.

    Args:
        air_temp_c: checked already [degC].
        rh_pct: checked already, at most 100 [%].
        surface_temp_c: or None where it was not measured; then there is no GO [degC].
        spec: of the coat.
        time_s: of the reading [s].
        guidance: whether no spec was given and the answer must say so.
        method: how the coat is to be put on, where it is known.
        accuracies: half-widths of air temperature [K], humidity [%] and surface [K].
        rh_by_air: how the humidity follows the air temperature's error, where it is worked out
            from that and a wet bulb [% per K].
    """
    air_k, humidity_pct, surface_k = accuracies
    sensed = [
        PointValue(HAND, AIR_TEMP, None, air_temp_c, "ok", air_k),
        PointValue(HAND, HUMIDITY, None, rh_pct, "ok", humidity_pct, by_air=rh_by_air),
    ]
    if surface_temp_c is not None:
        sensed.append(PointValue("surface", SURFACE_TEMP, None, surface_temp_c, "ok", surface_k))
    film = Film(replace(spec, dwell_s=0.0), method=method)
    section = Section(ALL_SECTIONS, film, time_s)
    section.evaluate(sensed, time_s)
    call = section.explain()
    kept = [reason for reason in call.reasons if reason.limit not in ("outlook", "dwell")]
    kept.append(_said("outlook", _NO_OUTLOOK))
    if guidance:
        kept.append(_said("spec", _GUIDANCE))
    return replace(call, reasons=tuple(kept), looked_ahead_s=0.0)


def _said(name: str, text: str) -> Reason:
    return Reason(name, LimitState.UNKNOWN, None, None, None, "", text)


_OPTION_OF = {
    "air_temp_c": "--air",
    "rh_pct": "--rh",
    "wet_bulb_c": "--wet-bulb",
    "surface_temp_c": "--surface",
    "altitude_m": "--altitude",
}
"""What a painter typed, for what the rules call it."""


@contextmanager
def _named_as_typed() -> Iterator[None]:
    try:
        yield
    except ImplausibleReading as error:
        text = str(error)
        for name, option in _OPTION_OF.items():
            text = text.replace(f"{name} ", f"{option} ")
        raise ImplausibleReading(text) from None


@_named_as_typed()
def run(
    *,
    air: str,
    rh: str | None,
    wet_bulb: str | None,
    surface: str | None,
    spec_name: str | None,
    altitude_m: float,
    method: str | None,
    as_json: bool,
) -> tuple[str, str]:
    """Return what is to be printed, and the call.

    Args:
        air: as typed; so `wet_bulb` and `surface`.
        rh: or None where a wet bulb is given.
        wet_bulb: or None where a humidity is given.
        surface: or None where it was not measured.
        spec_name: or None for the general guidance.
        altitude_m: above the sea [m].
        method: brush, roller, gun, or None.
        as_json: JSON in place of lines.

    Raises:
        FilmcallError: anything given cannot be.
    """
    air_temp_c = checked_air_c(temperature_c(typed_temperature(air)))
    pressure_pa = pressure_at_altitude_pa(altitude_m)
    rh_accuracy_pct, rh_by_air = HUMIDITY_ACCURACY_PCT, 0.0
    if rh is not None and wet_bulb is None:
        humidity_pct = checked_rh_pct(_percent(rh))
    elif wet_bulb is not None and rh is None:
        wet_bulb_c = temperature_c(typed_temperature(wet_bulb))
        humidity_pct = rh_from_wet_bulb_pct(air_temp_c, wet_bulb_c, pressure_pa)
        rh_accuracy_pct, rh_by_air = wet_bulb_accuracy(
            air_temp_c, wet_bulb_c, pressure_pa, AIR_ACCURACY_K
        )
    else:
        raise FilmcallError(
            "humidity is needed once: give either --rh or --wet-bulb, so that a dew point can be "
            "worked out"
        )
    spec = GENERAL_GUIDANCE if spec_name is None else find_spec(spec_name)[0]
    call = check(
        air_temp_c,
        humidity_pct,
        None if surface is None else checked_surface_c(temperature_c(typed_temperature(surface))),
        spec,
        time_s=time.time(),
        guidance=spec_name is None,
        method=method_named(method),
        accuracies=(AIR_ACCURACY_K, rh_accuracy_pct, SURFACE_ACCURACY_K),
        rh_by_air=rh_by_air,
    )
    as_dict = section_dict(call, pressure_pa)
    text = json.dumps(as_dict, indent=2) if as_json else lines(call, as_dict["dew_margin_u95_k"])
    return text, call.call.value


def _percent(text: str) -> float:
    found = number(text.strip().removesuffix("%"))
    if found is None:
        raise FilmcallError(
            f"humidity {text!r} is no number of per cent, so no call is made; give --rh 60"
        )
    return found


def lines(call: SectionCall, dew_margin_u95_k: float | None) -> str:
    """Return a call as people read it."""
    climate = call.climate
    shown = [f"{call.call.value}: {call.advice}   ({call.question} by {call.spec})"]
    figures = []
    if climate.dew_point_c is not None:
        figures.append(f"dew point {without_minus_zero(climate.dew_point_c, 1)} °C")
    if climate.frost_point_c is not None:
        figures.append(f"frost point {without_minus_zero(climate.frost_point_c, 1)} °C")
    if climate.dew_margin_k is not None:
        figures.append(
            f"dew margin {without_minus_zero(climate.dew_margin_k, 1)} "
            f"± {dew_margin_u95_k or 0.0:.1f} K"
        )
    if figures:
        shown.append("  " + ", ".join(figures))
    shown += [f"  {reason.state.value:<8}{reason.text}" for reason in call.reasons]
    shown.append("  This is about the film. It says nothing about the air that people breathe.")
    return "\n".join(shown)
