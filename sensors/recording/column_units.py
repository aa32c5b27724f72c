"""In which unit each column of a recording is: said, told by its figures, or asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from rules.units import converted, to_celsius
from sensors.recording.figures import can_be, dew_c, far_apart, ratio
from sensors.recording.sights import (
    AIR,
    HUMIDITY,
    SURFACE,
    TEMPERATURE,
    TEMPERATURES,
    Hints,
    Judgement,
    Question,
    Seen,
    unless,
)
from sensors.recording.words import stated_unit

# Common practice, no source.
_USUAL_C = 18.0
_WARM_C = 35.0  # above it degC is not taken for granted by the language of a header [degC]
_CLOSE_K, _FAR_K = 12.0, 20.0  # probes of one tent, and what no two of them are apart [K]


def percent_of(each: Seen) -> NDArray[np.float64]:
    """Return a humidity column's figures in %; a fraction where none is over 1."""
    fraction = each.unit == "1" or (each.unit is None and float(np.nanmax(each.values)) <= 1.0)
    return each.values * 100.0 if fraction else each.values


def unit_choices(each: Seen, hints: Hints) -> tuple[str, ...]:
    """Return the units in which a temperature column may be."""
    if each.unit in TEMPERATURES:
        return (each.unit,)
    return (hints.unit,) if hints.unit else ("degC", "degF")


def settle_humidities(
    seen: list[Seen],
    hints: Hints,
    answers: Mapping[str, str],
    guessed: frozenset[str],
    found: Judgement,
) -> None:
    """Settle the unit of each humidity, or leave the first question that is open."""
    for each in seen:
        if each.role != HUMIDITY:
            continue
        top, middle = float(np.nanmax(each.values)), each.middle
        if middle > 110.0 or middle < 0.0:
            each.leave("its figures can be no humidity in %")
            continue
        if each.unit == "%" and middle > 0.05 and top <= 1.0:
            key = f"humidity {each.name}"
            unit = _share_said(answers.get(key))
            if unit is None:
                why = (
                    f"its header says %, and no figure is over 1 ({middle:.2f}): a fraction, or a "
                    "dead probe; % or fraction"
                )
                what, fault_of = f"unit of {each.name!r}", unless(_share_said, "% or fraction")
                found.questions.append(Question(key, what, "fraction", why, fault_of))
                return
            each.unit = unit
            each.sure, each.why = key not in guessed, "no figure is over 1"
        if each.unit not in ("%", "1"):
            each.unit = hints.humidity_unit
        if each.unit is None:
            each.unit = "1" if 0.0 < top <= 1.0 else "%"
            if each.unit == "1":
                each.why = "no figure is over 1, so it is a fraction"


def settle_units(
    seen: list[Seen],
    hints: Hints,
    answers: Mapping[str, str],
    guessed: frozenset[str],
    found: Judgement,
) -> None:
    """Settle the unit of each temperature, or leave the question that is open."""
    used = [each for each in seen if each.role in (AIR, SURFACE)]
    mute = [each for each in used if each.unit not in TEMPERATURES]
    odd = [each for each in used if each.unit in TEMPERATURES and not _can_be(each, each.unit)]
    for each in odd:
        each.unit, each.why = None, "its figures cannot be in the unit that its header names"
    mute += odd
    if not odd and not hints.unit:
        mute = _units_of_their_own(mute)
    if not mute:
        return
    unit, why = (None, "") if odd else _unit_told(seen, used, mute, hints)
    if unit is None:
        names = " and ".join(repr(each.name) for each in mute)
        unit = _degrees_said(answers.get("unit"))
        if unit is None:
            middles = [each.middle for each in mute]
            low, high = min(middles), max(middles)
            as_f = to_celsius(float(np.mean(middles)), "degF")
            guess = "degF" if abs(as_f - _USUAL_C) < abs(np.mean(middles) - _USUAL_C) else "degC"
            guess = "degF" if hints.fahrenheit else guess
            span = f"{low:.1f}" if high - low < 0.05 else f"{low:.1f} to {high:.1f}"
            reason = (
                f"nothing says it, and {span} may be °C or °F: F or C; "
                "the call stays HOLD until it is known"
            )
            fault_of = unless(_degrees_said, "F or C")
            found.questions.append(Question("unit", f"unit of {names}", guess, reason, fault_of))
            return
        why = "so it was said"
        if "unit" in guessed:
            why = f"{unit} is a guess, since the file names no unit"
            for each in mute:
                each.sure = False
    for each in mute:
        each.unit = unit
        each.why = "; ".join(part for part in (each.why, why) if part)


def _share_said(given: str | None) -> str | None:
    unit = stated_unit(given or "")
    return unit if unit in ("%", "1") else None


def _degrees_said(given: str | None) -> str | None:
    unit = stated_unit((given or "").strip().strip("'\""))
    return unit if unit in TEMPERATURES else None


def _units_of_their_own(mute: list[Seen]) -> list[Seen]:
    """Settle each column whose figures can be in one unit only; return those that are open.

    Two columns need not have one unit: 18 beside 62 may be degC beside degF.
    """
    still: list[Seen] = []
    for each in mute:
        possible = [unit for unit in TEMPERATURES if _can_be(each, unit)]
        if len(possible) == 1:
            each.unit = possible[0]
            each.why = "; ".join(part for part in (each.why, "its figures can be no other") if part)
        else:
            still.append(each)
    return still


def _unit_told(
    seen: list[Seen], used: list[Seen], mute: list[Seen], hints: Hints
) -> tuple[str | None, str]:
    """Return the unit of temperatures that name none, where the file tells it all the same."""
    if hints.unit:
        return hints.unit, "the lines above the header say so"
    possible = [unit for unit in TEMPERATURES if all(_can_be(each, unit) for each in mute)]
    if told := _by_check(seen, used, [unit for unit in possible if unit != "K"]):
        return told
    beside = [
        converted(each.values, each.unit, "degC")
        for each in seen
        if each.unit in TEMPERATURES and each.role in (AIR, SURFACE, TEMPERATURE, "dew")
    ]
    if beside:
        near = [
            unit
            for unit in possible
            if all(
                far_apart(converted(each.values, unit, "degC"), other) < _CLOSE_K
                for each in mute
                for other in beside[:1]
            )
        ]
        far = [
            unit
            for unit in possible
            if all(
                far_apart(converted(each.values, unit, "degC"), other) > _FAR_K
                for each in mute
                for other in beside[:1]
            )
        ]
        if len(near) == 1 and set(near) | set(far) == set(possible):
            return near[0], "so it lies beside the temperature whose unit is named"
    languages = {language for each in seen for language in each.means.languages}
    is_warm = any(each.middle > _WARM_C for each in mute)
    if "degC" in possible and not is_warm and all(each.unit != "degF" for each in used):
        if languages:
            return "degC", "where the header's language is written, that is the unit"
        if hints.decimal == ",":
            return "degC", "where a decimal comma is written, that is the unit"
    return None, ""


def _can_be(each: Seen, unit: str) -> bool:
    return can_be(each.values, unit)


def _by_check(
    seen: list[Seen], used: list[Seen], possible: Sequence[str]
) -> tuple[str, str] | None:
    """Try the file's own dew point or humidity ratio in each unit."""
    airs = [each for each in used if each.role == AIR]
    humids = [each for each in seen if each.role == HUMIDITY]
    if not airs or not humids:
        return None
    rh = percent_of(humids[0])
    checks: list[tuple[str, Callable[[str, NDArray[np.float64]], float]]] = []
    for each in seen:
        if each.role == "dew":

            def apart_dew(unit: str, air_c: NDArray[np.float64], dew: Seen = each) -> float:
                dew_unit = dew.unit if dew.unit in TEMPERATURES else unit
                return far_apart(dew_c(air_c, rh), converted(dew.values, dew_unit, "degC"))

            checks.append(("dew point", apart_dew))
        if each.role == "ratio":
            per = 1000.0 if each.middle > 0.2 else 1.0

            def apart_ratio(
                _unit: str, air_c: NDArray[np.float64], own: Seen = each, per: float = per
            ) -> float:
                # A tenth of the ratio is about 1.5 K of dew point.
                reckoned = ratio(air_c, rh)
                return 15.0 * far_apart(own.values / per / reckoned, np.ones_like(reckoned))

            checks.append(("humidity ratio", apart_ratio))
    for what, apart in checks:
        agrees = [
            unit for unit in possible if apart(unit, converted(airs[0].values, unit, "degC")) < 0.7
        ]
        if len(agrees) == 1:
            return agrees[0], f"only so the file's own {what} agrees"
    return None
