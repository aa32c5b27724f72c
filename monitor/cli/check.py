"""`filmcall check`: one hand reading in, a call with its reasons out."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.call_text import lines
from monitor.cli.options import (
    DbOption,
    HardenerOption,
    JsonOption,
    MethodOption,
    SpecOption,
    config_option,
    figure,
    printed,
    typed_temperature,
)
from monitor.named import method_named, named_as_typed
from monitor.specs import find_spec
from monitor.wire import section_dict
from rules.air.saturation import checked_air_c, checked_rh_pct, checked_surface_c
from rules.air.state import (
    pressure_at_altitude_pa,
    rh_from_wet_bulb_pct,
)
from rules.air.uncertainty import wet_bulb_accuracy
from rules.climate import AIR_TEMP, HUMIDITY, SURFACE_TEMP, PointValue
from rules.errors import FilmcallError
from rules.ground import GROUND, not_looked_at
from rules.numbers import number
from rules.reasons import Reason
from rules.section import Film, Section, SectionCall
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.units import temperature_c
from rules.vocabulary import (
    AIR_ACCURACY_K,
    ALL_SECTIONS,
    HUMIDITY_ACCURACY_PCT,
    SURFACE_ACCURACY_K,
    LimitState,
    Method,
)

EXIT_CODES = {"GO": 0, "HOLD": 10, "STOP": 20}
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
    hardener: str | None = None,
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
        hardener: its name, where it is not the sheet's standard one.
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
    film = Film(replace(spec.under(method, hardener), dwell_s=0.0), method=method)
    section = Section(ALL_SECTIONS, film, time_s)
    section.evaluate(sensed, time_s)
    call = section.explain()
    kept = [reason for reason in call.reasons if reason.limit not in ("outlook", "dwell")]
    kept += [_said("sheet", each, LimitState.OK) for each in spec.surroundings.notes]
    kept += [_said(GROUND, not_looked_at(each)) for each in spec.measurements]
    kept.append(_said("outlook", _NO_OUTLOOK))
    if guidance:
        kept.append(_said("spec", _GUIDANCE))
    return replace(call, reasons=tuple(kept), looked_ahead_s=0.0)


def _said(name: str, text: str, state: LimitState = LimitState.UNKNOWN) -> Reason:
    return Reason(name, state, None, None, None, "", text)


_OPTION_OF = {
    "air_temp_c": "--air",
    "rh_pct": "--rh",
    "wet_bulb_c": "--wet-bulb",
    "surface_temp_c": "--surface",
    "altitude_m": "--altitude",
}
"""What a painter typed, for what the rules call it."""


def run(
    *,
    air: Annotated[str | None, typer.Option(help="Air temperature: 21, 21C or 70F.")] = None,
    rh: Annotated[str | None, typer.Option(help="Relative humidity [%].")] = None,
    wet_bulb: Annotated[
        str | None, typer.Option(help="Wet-bulb temperature, in place of --rh.")
    ] = None,
    surface: Annotated[
        str | None, typer.Option(help="Surface temperature; without it there is no GO.")
    ] = None,
    spec_name: SpecOption = None,
    altitude_m: Annotated[
        float, figure("--altitude", "Above the sea, for the wet bulb [m].", "m")
    ] = 0.0,
    method: MethodOption = None,
    hardener: HardenerOption = None,
    now: Annotated[
        bool, typer.Option("--now", help="By the log's last readings, with --config.")
    ] = False,
    config_file: Annotated[
        Path | None, config_option("With --now: describes the enclosure.")
    ] = None,
    enclosure: Annotated[str | None, typer.Option(help="With --now: which of them.")] = None,
    db: DbOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a hand reading, or the log's last ones, and print the call.

    Raises:
        FilmcallError: anything given cannot be.
        typer.Exit: with the call's status.
    """
    if now:
        from monitor.cli import check_now

        if config_file is None:
            raise FilmcallError(
                "--now has no --config, so nobody knows which probe is where; give the file"
            )
        text, call = check_now.run(config_file, enclosure=enclosure, db=db, as_json=as_json)
    elif air is None:
        raise FilmcallError(
            "'--air' is left out, so nothing was done; as in: filmcall check --air 21 --rh 60 "
            "--surface 19, or --now with --config"
        )
    else:
        text, call = _of_hand(
            air, rh, wet_bulb, surface, spec_name, altitude_m, method, hardener, as_json
        )
    printed(text, EXIT_CODES[call])


@named_as_typed(_OPTION_OF)
def _of_hand(
    air: str,
    rh: str | None,
    wet_bulb: str | None,
    surface: str | None,
    spec_name: str | None,
    altitude_m: float,
    method: str | None,
    hardener: str | None,
    as_json: bool,
) -> tuple[str, str]:
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
    lacks = spec.lacks(hardener)
    if lacks:
        raise FilmcallError(f"{lacks}, so no call is made; correct it or leave it out")
    call = check(
        air_temp_c,
        humidity_pct,
        None if surface is None else checked_surface_c(temperature_c(typed_temperature(surface))),
        spec,
        time_s=time.time(),
        guidance=spec_name is None,
        method=method_named(method),
        hardener=hardener,
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
