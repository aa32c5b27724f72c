"""The units that sensors send, by the names they are sent under, and how each becomes ours."""

from __future__ import annotations

import math

from rules.text import printable
from sensors.reading import Quantity
from sensors.wire import FaultKind, PayloadFault

# (offset added first, factor): what turns a value in the unit into the quantity's own unit.
# 273.15 K and 5/9 are exact (SI Brochure, 9th edition, 2.3.1; NIST SP 811, B.8).
_TO_TEMPERATURE = {"degC": (0.0, 1.0), "degF": (-32.0, 5.0 / 9.0), "K": (-273.15, 1.0)}
_TO_OWN: dict[Quantity, dict[str, tuple[float, float]]] = {
    Quantity.AIR_TEMP: _TO_TEMPERATURE,
    Quantity.SURFACE_TEMP: _TO_TEMPERATURE,
    Quantity.HUMIDITY: {"%": (0.0, 1.0), "1": (0.0, 100.0)},
    Quantity.CO2: {"ppm": (0.0, 1.0), "1": (0.0, 1e6)},
    Quantity.DUST: {"ug/m3": (0.0, 1.0), "mg/m3": (0.0, 1e3), "kg/m3": (0.0, 1e9)},
}

# What configs and JSON messages call a unit, in lower case and without blanks.
# Both micro signs (U+00B5, U+03BC) and both degree spellings occur; common practice, no source.
_SPELLINGS: dict[str, tuple[str, ...]] = {
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
_BY_SPELLING = {text: unit for unit, texts in _SPELLINGS.items() for text in texts}

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


def fits(unit: str, quantity: Quantity) -> bool:
    """Return whether a value in the unit can be turned into the quantity's own."""
    return unit in _TO_OWN[quantity]


def units_of(quantity: Quantity) -> str:
    """Return the units that a quantity can be sent in, for an error's next step."""
    return ", ".join(_TO_OWN[quantity])


def to_own(value: float, unit: str, quantity: Quantity) -> float:
    """Return a value in the quantity's own unit.

    Args:
        value: what the sensor sent, finite, in `unit`.
        unit: one of `degC`, `degF`, `K`, `%`, `1`, `ppm`, `ug/m3`, `mg/m3`, `kg/m3`.
        quantity: what it measures.

    Returns:
        The value in `quantity.unit`.

    Raises:
        PayloadFault: the unit is not one of this quantity's, or the result is beyond a float.

    Source:
        SI Brochure, 9th edition (2019), 2.3.1 for °C; NIST SP 811 (2008), B.8 for °F.

    >>> to_own(212.0, "degF", Quantity.AIR_TEMP)
    100.0
    >>> round(to_own(293.15, "K", Quantity.SURFACE_TEMP), 9)
    20.0
    """
    scale = _TO_OWN[quantity].get(unit)
    if scale is None:
        raise PayloadFault(
            FaultKind.UNIT,
            f"unit '{printable(unit, 16)}' cannot be a {quantity.value}; value refused. "
            f"Send one of {units_of(quantity)}.",
        )
    own = (value + scale[0]) * scale[1]
    if not math.isfinite(own):
        raise PayloadFault(
            FaultKind.OUT_OF_RANGE,
            f"{quantity.value} {value:g} {unit} is beyond a float; refused. Check the sensor.",
        )
    return own
