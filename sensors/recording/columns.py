"""Which column of a recording holds what: named by a config, or guessed from the header."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from rules.units import from_celsius, to_celsius
from sensors.reading import Quantity

# What a painted space usually has; the guess rests on it only where no other probe can be asked.
# Common practice, no source.
_USUAL_C = (0.0, 45.0)
_GUESSED_C = (5.0, 35.0)
_FAR_K, _NEAR_K = 12.0, 6.0
_TEMPERATURES = ("degC", "degF", "K")


def unit_guess(
    quantity: Quantity, unit: str, value: float, others_c: Sequence[float] = ()
) -> str | None:
    """Return the unit that a value looks to be in, or None where the configured one will do.

    Args:
        quantity: what is measured.
        unit: that the config says, as `rules.units` names it.
        value: read by that unit, in the quantity's own.
        others_c: what the other temperature probes of the enclosure say [degC].

    >>> unit_guess(Quantity.HUMIDITY, "%", 0.62), unit_guess(Quantity.HUMIDITY, "1", 6200.0)
    ('1', '%')
    >>> unit_guess(Quantity.AIR_TEMP, "degC", 68.0), unit_guess(Quantity.AIR_TEMP, "degC", 21.0)
    ('degF', None)
    >>> unit_guess(Quantity.AIR_TEMP, "degC", 41.0, [5.5, 6.0]) # 41 degF is 5 degC
    'degF'
    """
    if quantity is Quantity.HUMIDITY:
        if unit == "%" and 0.0 < value <= 1.0:
            return "1"
        return "%" if unit == "1" and 103.0 < value <= 10_300.0 else None
    if quantity in (Quantity.AIR_TEMP, Quantity.SURFACE_TEMP):
        return _temperature_guess(unit, value, others_c)
    if quantity is Quantity.CO2 and unit == "ppm" and 0.0 < value < 0.1:
        return "1"
    return None


def _temperature_guess(unit: str, value: float, others_c: Sequence[float]) -> str | None:
    raw = from_celsius(value, unit)
    for other in _TEMPERATURES:
        if other == unit:
            continue
        as_other = to_celsius(raw, other)
        if others_c:
            middle = median(others_c)
            if abs(value - middle) > _FAR_K and abs(as_other - middle) < _NEAR_K:
                return other
        elif not _USUAL_C[0] <= value <= _USUAL_C[1] and (
            _GUESSED_C[0] <= as_other <= _GUESSED_C[1]
        ):
            return other
    return None


# Units that a column may have; the first of each is the one inside the program.
UNITS: dict[Quantity, tuple[str, ...]] = {
    Quantity.AIR_TEMP: ("degC", "degF", "K"),
    Quantity.SURFACE_TEMP: ("degC", "degF", "K"),
    Quantity.HUMIDITY: ("%",),
    Quantity.CO2: ("ppm",),
    Quantity.DUST: ("ug/m3",),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a recording, and what it is taken for.

    Attributes:
        column: its name in the header.
        point: the sensor body that its values belong to.
        quantity: what it measures.
        unit: of the values in the file: degC, degF, K, %, ppm or ug/m3.
    """

    column: str
    point: str
    quantity: Quantity
    unit: str


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_SURFACE = _set(
    "surface surf hull plank planking panel deck keel spar wood timber steel metal plate wall "
    "substrate skin board transom bilge snow ground"
)
_TEMP = _set("temperature temp tmp t drybulb")
_HUMIDITY = _set("rh humidity hum relhum humid")
_CO2 = _set("co2 carbondioxide")
_DUST = _set("dust pm25 pm2p5 pm")
_AIR = _set("air room indoor inside")
# A column with one of these words is something else, whatever it is also called: a dew point is
# no air temperature, a humidity ratio no humidity, and the weather outside is not the enclosure's.
_OTHER = _set(
    "dew dewpoint dewp tdew frost frostpoint wet wetbulb twb ratio absolute abs specific mixing "
    "deficit vpd pressure light lux wind solar setpoint target set battery batt outside outdoor "
    "outdoors ext external exterior weather forecast sky case dome index feels accuracy alarm "
    "flag status min max std ir w error delta diff margin moisture"
)
_UNIT_WORDS = _set(
    "c f k degc degf deg celsius fahrenheit kelvin pct percent ppm ug m3 relative rel "
    "value reading sensor probe"
)
_FAHRENHEIT = _set("f degf fahrenheit")
_CELSIUS = _set("c degc celsius")
_KELVIN = _set("k kelvin")


def header_unit(name: str) -> str | None:
    """Return the temperature unit that a header name states, or None where it states none.

    Args:
        name: one name from the header.

    Returns:
        ``degC``, ``degF``, ``K`` or None.

    >>> header_unit("Hull temp (°F)"), header_unit("air_temp_c"), header_unit("Temperature")
    ('degF', 'degC', None)
    """
    words = _words(name)
    # The last such word counts: `Sensor C temp (F)` is in Fahrenheit.
    for word in reversed(words):
        if word in _FAHRENHEIT:
            return "degF"
        if word in _CELSIUS:
            return "degC"
        if word in _KELVIN:
            return "K"
    return None


def guess_columns(header: Iterable[str]) -> tuple[Column, ...]:
    """Take columns for what their names say; names that say nothing sure are left out.

    Args:
        header: the names of the header, in their order.

    Returns:
        The columns in header order. Air temperature and humidity of one place share a point.

    Source:
        Names as loggers commonly write them; common practice, no source.

    >>> [(c.point, str(c.quantity), c.unit) for c in guess_columns(["time", "temp_bow", "rh_bow"])]
    [('air-bow', 'air_temp', 'degC'), ('air-bow', 'humidity', '%')]
    >>> guess_columns(["HumidityRatio", "dew_point_c", "Light"])
    ()
    """
    found: list[Column] = []
    taken: dict[tuple[str, Quantity], Column] = {}
    for name in header:
        column = _guess(name)
        if column is None:
            continue
        first = taken.get((column.point, column.quantity))
        if first is not None:
            if first.unit != column.unit:
                continue  # the same measurement given in a second unit
            number = 2
            while (f"{column.point}-{number}", column.quantity) in taken:
                number += 1
            column = replace(column, point=f"{column.point}-{number}")
        taken[column.point, column.quantity] = column
        found.append(column)
    return tuple(found)


def _words(name: str) -> list[str]:
    """Split a header name into lower-case words: at signs, at a capital, before a number."""
    text = name.replace("℃", " degC ").replace("℉", " degF ").replace("µ", "u").replace("μ", "u")
    text = re.sub(r"[°º˚]\s*([CcFf])\b", r" deg\1 ", text)
    text = re.sub(r"\bdeg(?:ree)?s?[ ._]*([CF])\b", r" deg\1 ", text, flags=re.IGNORECASE)
    text = re.sub(r"co[_ ]?2|co₂", " carbondioxide ", text, flags=re.IGNORECASE)
    text = re.sub(r"pm[_ ]?2[._p]?5", " dust ", text, flags=re.IGNORECASE)
    text = re.sub(r"ug ?(/|per|_)? ?m(\^?3|³)", " ", text, flags=re.IGNORECASE)
    text = text.replace("degC", "degc").replace("degF", "degf")
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    return re.findall(r"[^\W_]+", text.casefold())


def _guess(name: str) -> Column | None:
    words = _words(name)
    kinds = set(words)
    if kinds & _OTHER:
        return None
    place = [
        word for word in words if word not in _UNIT_WORDS | _TEMP | _HUMIDITY | _CO2 | _DUST | _AIR
    ]
    unit = header_unit(name)
    if kinds & _SURFACE:
        # `wall humidity` is a probe in the wall's air at best: not a surface temperature.
        if kinds & (_HUMIDITY | _CO2 | _DUST) or "%" in name:
            return None
        return Column(name, "-".join(place), Quantity.SURFACE_TEMP, unit or "degC")
    point = "-".join(["air", *place])
    if kinds & _HUMIDITY:
        return Column(name, point, Quantity.HUMIDITY, "%")
    if kinds & _CO2:
        return Column(name, point, Quantity.CO2, "ppm")
    if kinds & _DUST:
        return Column(name, point, Quantity.DUST, "ug/m3")
    if kinds & _TEMP:
        return Column(name, point, Quantity.AIR_TEMP, unit or "degC")
    return None
