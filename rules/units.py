"""All units: how they are written, and how one becomes another.

Figures with a unit come from specs, configs and people (`amount`); bare ones come from sensors,
whose units are named beside them (`converted`). The units are a closed list with exact factors: a
library that knows prefixes takes a slip such as `hh` for hecto-hours, and a pot's life for 100
times as long.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, TypeVar

from rules.errors import FilmcallError
from rules.numbers import NUMBER
from rules.text import shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


ZERO_C_IN_K = 273.15
"""Exact: SI Brochure, 9th edition, 2.3.1."""

HOUR_S = 3600.0
DAY_S = 86_400.0

Figures = TypeVar("Figures", float, "NDArray[np.float64]")


def to_celsius(value: Figures, unit: str) -> Figures:
    """Return temperatures in degrees Celsius.

    Args:
        value: one figure or an array of them [unit].
        unit: `degC`, `degF` or `K`.

    Returns:
        Temperatures, of the same shape [°C].

    Source:
        t/°C = T/K - 273.15 (SI Brochure, 9th edition, 2.3.1); t/°C = (t/°F - 32)/1.8 (NIST
        SP 811, B.8, from memory).

    >>> to_celsius(212.0, "degF"), round(to_celsius(293.15, "K"), 9)
    (100.0, 20.0)
    """
    if unit == "degF":
        return (value - 32.0) / 1.8
    return value - ZERO_C_IN_K if unit == "K" else value


def from_celsius(temp_c: Figures, unit: str) -> Figures:
    """Return temperatures in another unit; the inverse of `to_celsius`.

    >>> from_celsius(100.0, "degF"), from_celsius(0.0, "K")
    (212.0, 273.15)
    """
    if unit == "degF":
        return temp_c * 1.8 + 32.0
    return temp_c + ZERO_C_IN_K if unit == "K" else temp_c


def difference_in(change_k: Figures, unit: str) -> Figures:
    """Return a temperature difference in `K`, `degC` or `degF`.

    >>> difference_in(2.0, "degF"), difference_in(2.0, "K")
    (3.6, 2.0)
    """
    return change_k * 1.8 if unit == "degF" else change_k


# What sensors send, beside temperatures: the program's own unit -> unit sent -> factor. Exact.
_SENT: dict[str, dict[str, float]] = {
    "%": {"%": 1.0, "1": 100.0},
    "ppm": {"ppm": 1.0, "1": 1e6},
    "ug/m3": {"ug/m3": 1.0, "mg/m3": 1e3, "kg/m3": 1e9},
}
_TEMPERATURES = ("degC", "degF", "K")


def units_for(to: str) -> tuple[str, ...]:
    """Return the units that a sensor's value can come in.

    Args:
        to: the program's own unit for it: `degC`, `%`, `ppm` or `ug/m3`.

    >>> units_for("%"), units_for("degC")
    (('%', '1'), ('degC', 'degF', 'K'))
    """
    return _TEMPERATURES if to == "degC" else tuple(_SENT[to])


def converted(value: Figures, unit: str, to: str) -> Figures:
    """Return a sensor's values in the program's own unit.

    Args:
        value: one figure or an array of them, as sent [unit].
        unit: one of `units_for(to)`.
        to: the program's own unit: `degC`, `%`, `ppm` or `ug/m3`.

    Raises:
        BadAmount: the one cannot become the other.

    >>> converted(0.62, "1", "%"), converted(50.0, "degF", "degC")
    (62.0, 10.0)
    """
    if unit not in units_for(to):
        raise BadAmount(f"{shown(unit)} cannot become {to}", f"give {', '.join(units_for(to))}")
    return to_celsius(value, unit) if to == "degC" else value * _SENT[to][unit]


# What configs and JSON messages call a unit, in lower case and without blanks.
# Both micro signs (U+00B5, U+03BC) and both degree spellings occur; common practice, no source.
_SENSOR_SPELLINGS: dict[str, tuple[str, ...]] = {
    "degC": ("degc", "°c", "c", "cel", "celsius", "deg_c", "℃"),
    "degF": ("degf", "°f", "f", "fahrenheit", "deg_f", "℉"),
    "K": ("k", "kelvin"),
    "%": ("%", "%rh", "%r.h.", "percent", "pct", "rh%"),
    "1": ("1", "/", "ratio", "fraction"),
    "ppm": ("ppm",),
    "ug/m3": ("ug/m3", "ug/m³", "ug/m^3", "µg/m3", "µg/m³", "μg/m3", "μg/m³"),
    "mg/m3": ("mg/m3", "mg/m³", "mg/m^3"),
    "kg/m3": ("kg/m3", "kg/m³", "kg/m^3"),
}
_BY_SPELLING = {text: unit for unit, texts in _SENSOR_SPELLINGS.items() for text in texts}

# SenML has names of its own and they are case-sensitive: `C` is the coulomb, and `%` is a ratio
# from 0 to 1 like `/` (RFC 8428, 12.1). `ppm` and `ug/m3`: secondary units of RFC 8798,
# list from memory.
_BY_SENML = {
    "Cel": "degC",
    "K": "K",
    "%RH": "%",
    "%": "1",
    "/": "1",
    "ppm": "ppm",
    "ug/m3": "ug/m3",
    "kg/m3": "kg/m3",
}


def known_unit(text: str) -> str | None:
    """Return this program's name for a unit as a config or a JSON message spells it, else None.

    >>> known_unit("°F"), known_unit("% RH"), known_unit("furlong")
    ('degF', '%', None)
    """
    if len(text) > 16:
        return None
    return _BY_SPELLING.get("".join(text.split()).lower())


def senml_unit(text: str) -> str | None:
    """Return this program's name for a unit of the SenML registry, else None.

    >>> senml_unit("Cel"), senml_unit("%"), senml_unit("C")
    ('degC', '1', None)
    """
    return _BY_SENML.get(text)


class BadAmount(FilmcallError, ValueError):
    """A figure cannot be read; `problem` says why and `fix` what to write instead."""

    def __init__(self, problem: str, fix: str) -> None:
        super().__init__(f"{problem}; {fix}")
        self.problem = problem
        self.fix = fix


MOST_BARE_C = 60.0
"""No enclosure's air is measured above it: a warmer bare number is asked for its unit [degC]."""
MOST_BARE_F = 140.0
"""Above it a bare number is no degF of an enclosure either, 60 degC [degF]."""


class UnitAsked(BadAmount):
    """A bare number that may be degF; `text` is the number as typed."""

    def __init__(self, text: str, number: float) -> None:
        bare = tenths(number)
        self.text = bare
        super().__init__(
            f"{shown(text)} may be {bare} °F, which is {tenths(to_celsius(number, 'degF'))} °C, or "
            f"{bare} °C, so nothing was done",
            f"write {bare}F or {bare}C",
        )


# What a figure is called in messages, and how a right one looks, by the unit that is asked for.
_ASKED = {
    "K": ("a temperature difference", '"3 K"'),
    "degC": ("a temperature", '"10 degC"'),
    "%": ("a percentage", '"85 %"'),
    "s": ("a time", '"16 h"'),
    "ml": ("a volume", '"500 ml"'),
    "um": ("a thickness", '"120 um"'),
    "g/ml": ("a density", '"1.2 kg/l"'),
    "m**2": ("an area", '"13 m2" or "140 sqft"'),
    "m**2/h": ("a rate", '"6 m2/h"'),
    "m": ("a length", '"120 m"'),
    "g": ("a mass", '"1 kg"'),
    "h": ("a time in hours", '"4 h"'),
    "mg/m**2": ("a mass on an area", '"30 mg/m2"'),
    "class": ("a class", '"2 class"'),
    "1/h": ("a rate", '"5 a hour"'),
    "m/s": ("a speed", '"5 m/s"'),
}

# Unit asked for -> unit written -> factor; no other unit is read. All are exact by definition: SI
# Brochure, 9th edition, tables 8 and 7; NIST SP 811, appendix B.8 for foot, pound, mile, knot and
# gallons; the Julian year of 365.25 d (IAU) and a twelfth of it.
_INCH_M, _POUND_G, _GALLON_ML, _IMPERIAL_GALLON_ML = 0.0254, 453.59237, 3785.411784, 4546.09
_FOOT_M = 12.0 * _INCH_M
_FACTORS: dict[str, dict[str, float]] = {
    "%": {"%": 1.0},
    "s": {
        "s": 1.0,
        "min": 60.0,
        "h": HOUR_S,
        "d": DAY_S,
        "week": 7.0 * DAY_S,
        "month": 365.25 / 12.0 * DAY_S,
        "year": 365.25 * DAY_S,
    },
    "ml": {
        "ml": 1.0,
        "cl": 10.0,
        "dl": 100.0,
        "l": 1000.0,
        "cm**3": 1.0,
        "gallon": _GALLON_ML,
        "quart": _GALLON_ML / 4.0,
        "pint": _GALLON_ML / 8.0,
        "floz": _GALLON_ML / 128.0,
        "imperial_gallon": _IMPERIAL_GALLON_ML,
    },
    "um": {"um": 1.0, "mm": 1000.0, "thou": 25.4},
    "m**2": {"m**2": 1.0, "cm**2": 1e-4, "ft**2": _FOOT_M**2, "yd**2": (3.0 * _FOOT_M) ** 2},
    "m**2/h": {"m**2/h": 1.0, "ft**2/h": _FOOT_M**2},
    "m": {"m": 1.0, "cm": 0.01, "mm": 0.001, "km": 1000.0, "ft": _FOOT_M},
    "g/ml": {
        "g/ml": 1.0,
        "kg/l": 1.0,
        "g/cm**3": 1.0,
        "kg/dm**3": 1.0,
        "g/l": 1e-3,
        "kg/m**3": 1e-3,
        "lb/gallon": _POUND_G / _GALLON_ML,
        "lb/imperial_gallon": _POUND_G / _IMPERIAL_GALLON_ML,
    },
    "g": {"g": 1.0, "kg": 1000.0, "lb": _POUND_G},
    "h": {"h": 1.0, "min": 1.0 / 60.0, "d": 24.0, "week": 168.0},
    "mg/m**2": {"mg/m**2": 1.0, "g/m**2": 1000.0, "ug/cm**2": 10.0},
    "m/s": {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 0.44704, "knot": 1852.0 / HOUR_S},
    "ug/m**3": {"ug/m**3": 1.0, "mg/m**3": 1e3, "g/m**3": 1e6, "kg/m**3": 1e9},
    "ppm": {"ppm": 1.0},
    # Counted, and of no system: a class of dust, changes of air.
    "class": {"class": 1.0},
    "1/h": {"/h": 1.0},
}
_KNOWN_UNITS = frozenset(unit for units in _FACTORS.values() for unit in units)

HAND_UNITS = {
    "%": "pct",
    "degC": "degC",
    "um": "um",
    "mg/m**2": "mg/m2",
    "h": "h",
    "class": "class",
}
"""Units of hand readings as `amount` names them, and the word that events and the log use."""
_HAND_UNITS_OF = {
    "moisture": "%",
    "class": "class",
    "hours": "h",
    "temp": "degC",
    "profile": "um",
    "chloride": "mg/m**2",
}


def hand_unit_of(what: str) -> str | None:
    """Return the one unit that a hand reading fits by the last word of its name, or None.

    >>> hand_unit_of("wood-moisture"), hand_unit_of("gloss")
    ('%', None)
    """
    return _HAND_UNITS_OF.get(what.rpartition("-")[2])


def hand_figure(value: float | None, unit: str | None, wanted: str) -> float | None:
    """Return a hand reading in a unit of `HAND_UNITS`, or None where it cannot be.

    A share of 1 % and under is a fraction whose unit was forgotten, as with humidity: wood in
    a shed holds more. Only a temperature may be under 0.

    >>> hand_figure(14.0, "pct", "%"), hand_figure(0.14, "pct", "%"), hand_figure(50.0, "F", "degC")
    (14.0, None, 10.0)
    """
    try:
        figure = amount(f"{value!r} {unit}", wanted)
    except BadAmount:
        return None
    least = {"degC": -math.inf, "%": 1.0}.get(wanted, 0.0)
    return figure if figure > least or (figure == least == 0.0) else None


# Spellings from data sheets -> the one that the table above has.
_SPELLINGS = {
    "days": "d",
    "day": "d",
    "hour": "h",
    "hours": "h",
    "hr": "h",
    "hrs": "h",
    "mins": "min",
    "minute": "min",
    "minutes": "min",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "weeks": "week",
    "wks": "week",
    "months": "month",
    "years": "year",
    "percent": "%",
    "pct": "%",
    "%rh": "%",
    "%RH": "%",
    "% RH": "%",
    "% rh": "%",
    "fl oz": "floz",
    "wk": "week",
    "mL": "ml",
    "L": "l",
    "ML": "ml",  # nobody mixes paint by the megalitre, and many write millilitres so
    "litre": "l",
    "litres": "l",
    "liter": "l",
    "liters": "l",
    "kg/L": "kg/l",
    "g/mL": "g/ml",
    "g/L": "g/l",
    "g/cc": "g/cm**3",
    "lb/US gal": "lb/gallon",
    "lb/gal": "lb/gallon",
    "lbs/gal": "lb/gallon",
    "lb/imp gal": "lb/imperial_gallon",
    "lbs": "lb",
    "pounds": "lb",
    "grams": "g",
    "metres": "m",
    "meters": "m",
    "feet": "ft",
    "foot": "ft",
    "knots": "knot",
    "kn": "knot",
    "mi/h": "mph",
    "micron": "um",
    "microns": "um",
    "mil": "thou",
    "mils": "thou",
    "sqft/h": "ft**2/h",
    "sq ft/h": "ft**2/h",
    "sqft": "ft**2",
    "sq ft": "ft**2",
    "sq. ft": "ft**2",
    "sq. ft.": "ft**2",
    "sqm": "m**2",
    "sq m": "m**2",
    "US gal": "gallon",
    "us gal": "gallon",
    "gal": "gallon",
    "gallons": "gallon",
    "imp gal": "imperial_gallon",
    "UK gal": "imperial_gallon",
    "US qt": "quart",
    "qt": "quart",
    "US pt": "pint",
    "US fl oz": "floz",
    "oz": "floz",
    "cc": "ml",
    "a hour": "/h",
    "an hour": "/h",
    "per hour": "/h",
}
# Compared in lower case: where a temperature is asked for, C is no coulomb and F no farad.
_CELSIUS = frozenset({"c", "°c", "degc", "deg c", "celsius"})
_FAHRENHEIT = frozenset({"f", "°f", "degf", "deg f", "fahrenheit"})
_KELVIN = frozenset({"k", "kelvin", "kelvins"})

_FIGURE = re.compile(rf"({NUMBER})\s*(.*)")
# `16 h 30 min`, `1 d 4 h`: two parts or three, the largest first.
_DURATION = re.compile(
    r"(?=(?:.*[0-9]){2})(?:(?P<d>[0-9]+) ?(?:d|days?) ?)?(?:(?P<h>[0-9]+) ?(?:h|hrs?|hours?) ?)?"
    r"(?:(?P<min>[0-9]+) ?(?:min|mins|minutes?))?(?<=[a-z])"
)
# A longer text is no figure with its unit.
_MOST_LETTERS = 80
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_RANGE = re.compile(rf"({NUMBER})([^0-9-]*?)(?:-|–|to)\s*({NUMBER})\s*(.*)")
_SECOND_END = re.compile(r"[^0-9-]*?(?:-|–|to)\s*[0-9].*")


def amount(text: object, to: str, *, difference: bool = False) -> float:
    """Read one figure with its unit.

    Args:
        text: the figure as written, such as `3 K`, `50 degF`, `16 h` or `85 %`.
        to: the unit to give it in: `K`, `degC`, `%`, `s`, `h`, `ml`, `g`, `um`, `g/ml`, `mg/m**2`,
            `class`, `1/h`, `m/s`, `m`, `m**2`, `m**2/h`, `ug/m**3` or `ppm`.
        difference: whether a temperature is a difference, so that 5 degF is 2.78 K.

    Returns:
        The figure in the unit asked for.

    Raises:
        BadAmount: it is not one finite figure with a unit that fits.

    Source:
        Factors: SI Brochure for the metric units, NIST SP 811 for the others.

    >>> amount("16 h 30 min", "s"), round(amount("140 sqft", "m**2"), 3)
    (59400.0, 13.006)
    >>> amount("16 h", "s"), amount("50 degF", "degC"), amount("5 °F", "K", difference=True)
    (57600.0, 10.0, 2.7777777777777777)
    """
    what, example = _ASKED.get(to, (f"an amount in {to}", f'"1 {to}"'))
    fix = f"write {what} with its unit, such as {example}"
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise BadAmount(f"{shown(text)} is not a figure", fix)
    if not isinstance(text, str):
        raise BadAmount(f"{shown(text)} has no unit", f"{fix}, in quotes")
    short = len(text) <= _MOST_LETTERS
    if to == "s" and short and (parts := _DURATION.fullmatch(" ".join(text.split()))) is not None:
        return sum(float(parts[unit] or 0) * _FACTORS["s"][unit] for unit in ("d", "h", "min"))
    number, unit = _split(text, fix)
    if not unit:
        raise BadAmount(f"{shown(text)} has no unit", fix)
    if to in ("K", "degC"):
        value = _temperature(text, number, unit, to, difference, fix)
    else:
        spelled = _spelled(unit)
        factor = _FACTORS[to].get(spelled)
        if factor is None:
            known = spelled in _KNOWN_UNITS or _scale(unit) in _CELSIUS | _FAHRENHEIT | _KELVIN
            why = "does not fit here" if known else "has no unit that is known"
            raise BadAmount(f"{shown(text)} {why}", fix)
        value = number * factor
    if not math.isfinite(value):
        raise BadAmount(f"{shown(text)} is too large to be {what}", fix)
    return value


def temperature_c(text: str) -> float:
    """Read a temperature as typed on the command line; without a letter it is in degC.

    Args:
        text: such as `21`, `21C`, `21 °C`, `70F`, `70 degF` or `294 K`.

    Returns:
        Temperature [°C].

    Raises:
        BadAmount: it is not one finite temperature above absolute zero; `UnitAsked` where a bare
            number is too warm to be meant in degC.

    Source:
        Celsius and Fahrenheit scales by definition (NIST SP 811, appendix B.8, from memory).

    >>> temperature_c("70F"), temperature_c("21")
    (21.11111111111111, 21.0)
    """
    fix = "write a temperature such as 21, 21C or 70F"
    number, unit = _split(text, fix)
    if not unit:
        if MOST_BARE_C < number <= MOST_BARE_F:
            raise UnitAsked(text, number)
        unit = "degC"
    return _temperature(text, number, unit, "degC", False, fix)


def tenths(value: float, bound: float | None = None) -> str:
    """Return a temperature as people read it, with more figures only where a bound needs them.

    Args:
        value: any temperature or difference of two.
        bound: that it is past, and must not look equal to; None where there is none.

    >>> tenths(17.77778), tenths(18.0), tenths(9.998, 10.0), tenths(-0.04)
    ('17.8', '18', '9.998', '0')
    """
    for digits in range(1, 9):
        rounded = round(value, digits)
        if bound is None or rounded != bound:
            break
    return f"{rounded + 0.0:.10g}"


def without_minus_zero(value: float, places: int) -> str:
    """Return a figure with fixed places, its zero never negative.

    >>> without_minus_zero(-0.04, 1), without_minus_zero(-0.06, 1)
    ('0.0', '-0.1')
    """
    return f"{round(value, places) + 0.0:.{places}f}"


def apart_from(value: float, bound: float | None, places: int) -> str:
    """Return a figure with fixed places, and more of them where it would look equal to a bound.

    Args:
        value: any figure.
        bound: that it is past; None where there is none.
        places: after the point, as far as they tell the two apart [-].

    >>> apart_from(85.3, 85.0, 0), apart_from(91.3, 85.0, 0), apart_from(2.996, 3.0, 1)
    ('85.3', '91', '2.996')
    """
    if bound is not None and value != bound:
        for more in range(places, places + 4):
            if round(value, more) != round(bound, more):
                return without_minus_zero(value, more)
    return without_minus_zero(value, places)


def celsius(temp_c: float) -> str:
    """Return a temperature with its unit, in tenths at most [°C]."""
    return f"{tenths(temp_c)} °C"


def temperature_words(text: str) -> str:
    """Return a typed temperature in degrees Celsius, with what was typed where that is another.

    Args:
        text: as `temperature_c` reads it.

    Raises:
        BadAmount: it is not one finite temperature above absolute zero.

    >>> temperature_words("64F"), temperature_words("18C")
    ('17.8 °C (64F)', '18 °C')
    """
    said = celsius(temperature_c(text))
    typed = " ".join(text.split())
    unit = _scale(_split(text, "")[1])
    return said if not unit or unit in _CELSIUS else f"{said} ({typed})"


def range_ends(text: object) -> tuple[str, str] | None:
    """Return both ends of a range with their unit, or None where it is none.

    >>> range_ends("30-85 %"), range_ends("10 C to 20 C"), range_ends("85 %")
    (('30 %', '85 %'), ('10 C', '20 C'), None)
    """
    if not isinstance(text, str) or len(text) > _MOST_LETTERS:
        return None
    found = _RANGE.fullmatch(" ".join(text.replace("−", "-").split()))
    if found is None:
        return None
    low, low_unit, high, unit = found.groups()
    return f"{low} {low_unit.strip() or unit}".strip(), f"{high} {unit}".strip()


def _split(text: str, fix: str) -> tuple[float, str]:
    """Return number and unit as written; the unit may be empty."""
    if len(text) > _MOST_LETTERS:
        raise BadAmount(f"{shown(text)} is longer than {_MOST_LETTERS} letters", fix)
    # A minus sign copied from a printed sheet is often U+2212.
    plain = " ".join(text.replace("−", "-").split())
    if _COMMA.match(plain):
        raise BadAmount(f"{shown(text)} has a comma", f"use a decimal point, and {fix}")
    match = _FIGURE.fullmatch(plain)
    if match is None:
        raise BadAmount(f"{shown(text)} does not start with a number", fix)
    if _SECOND_END.fullmatch(match[2]):
        raise BadAmount(
            f"{shown(text)} is a range", f"choose the figure on the safe side, and {fix}"
        )
    number = float(match[1])
    if not math.isfinite(number):
        raise BadAmount(f"{shown(text)} is too large", fix)
    return number, match[2]


def _spelled(unit: str) -> str:
    # U+00B5 and U+03BC both stand for micro; raised figures come from printed densities.
    plain = unit.replace("µ", "u").replace("μ", "u").replace("²", "**2").replace("³", "**3")
    plain = re.sub(r"\^?(?<=[A-Za-z^])([23])(?!\d)", r"**\1", plain.replace(" / ", "/"))
    return _SPELLINGS.get(plain, plain)


def _scale(unit: str) -> str:
    return unit.casefold().replace("º", "°").replace("℃", "°c").replace("℉", "°f")


def _temperature(text: str, number: float, unit: str, to: str, difference: bool, fix: str) -> float:
    """Convert between K, degC and degF, as a point on the scale or as a difference."""
    scale = _scale(unit)
    if scale not in _CELSIUS | _FAHRENHEIT | _KELVIN:
        raise BadAmount(f"{shown(text)} is not a temperature in K, degC or degF", fix)
    written = "degF" if scale in _FAHRENHEIT else "K" if scale in _KELVIN else "degC"
    if difference:
        return number / difference_in(1.0, written)
    temp_c = to_celsius(number, written)
    if temp_c < -ZERO_C_IN_K:
        raise BadAmount(f"{shown(text)} is below absolute zero", fix)
    return from_celsius(temp_c, to)
