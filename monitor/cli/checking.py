"""Judges one hand reading: the call that `filmcall check` gives, without dwell and outlook."""

from __future__ import annotations

from dataclasses import replace

from rules.climate import AIR_TEMP, HUMIDITY, SURFACE_TEMP, Sensed
from rules.reasons import Reason
from rules.section import Film, Section, SectionCall
from rules.spec.model import Spec
from rules.vocabulary import LimitState, Method

HAND = "hand reading"
DEFAULT_AIR_ACCURACY_K = 0.3
DEFAULT_RH_ACCURACY_PCT = 3.0
DEFAULT_SURFACE_ACCURACY_K = 0.5

_NO_OUTLOOK = "outlook: unknown; one hand reading has no dwell and no outlook"
_GUIDANCE = (
    "no spec given: general guidance counts (3 K over the dew point, 85 %, 10 to 35 °C); "
    "your data sheet's own figures go before it"
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
        DEFAULT_AIR_ACCURACY_K,
        DEFAULT_RH_ACCURACY_PCT,
        DEFAULT_SURFACE_ACCURACY_K,
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
        Sensed(HAND, AIR_TEMP, None, air_temp_c, "ok", air_k),
        Sensed(HAND, HUMIDITY, None, rh_pct, "ok", humidity_pct, by_air=rh_by_air),
    ]
    if surface_temp_c is not None:
        sensed.append(Sensed("surface", SURFACE_TEMP, None, surface_temp_c, "ok", surface_k))
    film = Film(replace(spec, dwell_s=0.0), method=method)
    section = Section("all", film, time_s)
    section.evaluate(sensed, time_s)
    call = section.explain()
    kept = [reason for reason in call.reasons if reason.limit not in ("outlook", "dwell")]
    kept.append(_said("outlook", _NO_OUTLOOK))
    if guidance:
        kept.append(_said("spec", _GUIDANCE))
    return replace(call, reasons=tuple(kept), looked_ahead_s=0.0)


def _said(name: str, text: str) -> Reason:
    return Reason(name, LimitState.UNKNOWN, None, None, None, "", text)
