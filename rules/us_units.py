"""Sentences in the units that people in the United States use: the one place that rewrites them.

Everything inside counts in SI units, and every sentence is worded in them once. What a person is to
read in other units goes through `in_us_units` last; JSON never does.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import partial

from rules.units import difference_in, from_celsius

UM_PER_MIL = 25.4
"""Exact: a mil is a thousandth of an inch of 25.4 mm (NIST SP 811, B.8, from memory)."""
M2_PER_SQ_FT = 0.09290304
"""Exact: a foot is 0.3048 m (NIST SP 811, B.8, from memory)."""
ML_PER_FL_OZ = 29.5735295625
"""Exact: a US gallon of 231 cubic inches has 128 fluid ounces (NIST SP 811, B.8, from memory)."""
L_PER_GAL = 3.785411784

_NUMBER = r"[-−]?\d+(?:,\d{3})*(?:\.\d+)?"
# Several figures may share a unit: "5.8 ± 1.1 K", "10 to 35 °C", "10 and 12 °C".
_FIGURES = rf"{_NUMBER}(?:(?: ± | to | and | or | / ){_NUMBER})*"
_AREA, _LITRE = r"(?:m²|m2)", r"(?:litres?|l)"
_Change = Callable[[str, float], str]
"""From a figure as it stands in a text, and what it means, to what it becomes."""


def _places(figure: str) -> int:
    return len(figure.partition(".")[2])


def _read(figure: str) -> float:
    return float(figure.replace(",", "").replace("−", "-"))


def _written(value: float, places: int) -> str:
    text = f"{value + 0.0:,.{places}f}"
    return text.lstrip("-") if not float(text.replace(",", "")) else text


def _temp(figure: str, value: float) -> str:
    return _written(from_celsius(value, "degF"), _places(figure))


def _temp_of_a_sheet(figure: str, value: float) -> str:
    """A whole degree is no rounded one there: 8 °C are 46.4 °F."""
    return _written(from_celsius(value, "degF"), max(1, _places(figure))).removesuffix(".0")


def _difference(figure: str, value: float) -> str:
    text = _written(difference_in(value, "degF"), 1)
    return text if _places(figure) else text.removesuffix(".0")


def _by(factor: float, least_places: int = 0) -> _Change:
    """A figure divided by a factor, with so many places that it says as much as before."""

    def change(figure: str, value: float) -> str:
        value /= factor
        digits = min(3, max(2, len(figure.replace(",", "").replace(".", "").lstrip("-−0"))))
        before = len(str(int(abs(value)))) if abs(value) >= 1.0 else 0
        places = min(3, max(least_places, digits - before))
        return _written(value, max(0, places)) if abs(value) < 1000 else _written(value, 0)

    return change


def _rule(unit: str, to: str, change: _Change) -> tuple[re.Pattern[str], str, _Change]:
    return re.compile(rf"(?<![\w.:])({_FIGURES})([ \n\u00a0]?){unit}(?![\w/²³°])"), to, change


_RULES = (
    _rule(rf"{_AREA} a {_LITRE}", "sq ft a US gal", _by(M2_PER_SQ_FT / L_PER_GAL)),
    _rule(r"(?:m²|m2)/h", "sq ft/h", _by(M2_PER_SQ_FT)),
    _rule("°C", "°F", _temp),
    _rule("K", "°F", _difference),
    _rule(r"(?:µm|um)", "mil", _by(UM_PER_MIL, 1)),
    _rule(_AREA, "sq ft", _by(M2_PER_SQ_FT)),
    _rule(r"(?:ml|mL)", "fl oz", _by(ML_PER_FL_OZ, 1)),
    _rule(r"(?:l|L|litres?)", "US gal", _by(L_PER_GAL, 1)),
    _rule(r"m(?= of tape)", "ft", _by(0.3048)),
)
_DOSE = re.compile(r"\bK h\b")  # a unit that is spoken of without a figure
# What was typed goes before what was made of it and back.
_TYPED_TEMP = re.compile(rf"{_NUMBER} (?:°C|K) \(({_NUMBER}) ?(?:°|deg ?)?F\)")
_TYPED = re.compile(
    rf"{_NUMBER} (?:µm|kg/l|m/s) \(({_NUMBER} ?(?:mils?|thou|lbs?/(?:US )?gal|mph))\)"
)


def in_us_units(
    text: str,
    temps_c: Sequence[float] = (),
    differences_k: Sequence[float] = (),
    *,
    of_a_sheet: bool = False,
) -> str:
    """Return a text with its figures in °F, mil, sq ft, fl oz and US gal.

    A difference of temperatures, which is in K, becomes one of °F by 1.8 alone.

    Args:
        text: worded in SI units, as all of the program's sentences are.
        temps_c: temperatures that stand rounded in the text, so that they are rounded once only
            [°C].
        differences_k: likewise differences of temperatures [K].
        of_a_sheet: whether the text repeats a data sheet, whose whole degrees are exact.

    >>> in_us_units("Hull 2.1 ± 0.9 K above dew point; wants 3.0 K; air 10 to 35 °C")
    'Hull 3.8 ± 1.6 °F above dew point; wants 5.4 °F; air 50 to 95 °F'
    >>> in_us_units("6.5 m2 at 50 µm: 650 ml; chloride 30 mg/m²")
    '70 sq ft at 2.0 mil: 22.0 fl oz; chloride 30 mg/m²'
    >>> in_us_units("Coldest hull 7.7 °C"), in_us_units("Coldest hull 7.7 °C", [(45.8 - 32) / 1.8])
    ('Coldest hull 45.9 °F', 'Coldest hull 45.8 °F')
    """
    text = _TYPED.sub(r"\1", _TYPED_TEMP.sub(r"\1 °F", text))
    for pattern, to, change in _RULES:
        exact = temps_c if change is _temp else differences_k if change is _difference else ()
        if of_a_sheet and change is _temp:
            change = _temp_of_a_sheet
        text = pattern.sub(partial(_changed, to, change, exact), text)
    return _DOSE.sub("°F h", text)


def _changed(to: str, change: _Change, exact: Sequence[float], found: re.Match[str]) -> str:
    figures, gap = found[1], found[2]
    if to == "°F" and change is not _difference and "±" in figures:
        value, sign, spread = figures.partition(" ± ")
        return f"{_each(value, change, exact)}{sign}{_each(spread, _difference)}{gap or ' '}{to}"
    return f"{_each(figures, change, exact)}{gap or ' '}{to}"


def _each(figures: str, change: _Change, exact: Sequence[float] = ()) -> str:
    return re.sub(_NUMBER, lambda one: change(one[0], _meant(one[0], exact)), figures)


def _meant(figure: str, exact: Sequence[float]) -> float:
    """The one exact figure that stands there rounded, or what is written where none or two can."""
    written, half = _read(figure), 0.5000001 * 10.0 ** -_places(figure)
    near = {value for value in exact if abs(value - written) <= half}
    return near.pop() if len(near) == 1 else written
