"""What a config says of a recording's columns, and the guess that a unit is not the one said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from rules.units import from_celsius, to_celsius
from rules.vocabulary import WorkedOutFrom
from sensors.reading import Quantity
from sensors.recording.words import temperature_unit

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
    Quantity.HUMIDITY: ("%", "1"),
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
        unit: of the values in the file: degC, degF, K, %, 1 (a fraction), ppm or ug/m3.
        worked_out_from: what the values are, where a humidity is worked out from them and the
            air's temperature of the same point; None where they are the quantity itself.
    """

    column: str
    point: str
    quantity: Quantity
    unit: str
    worked_out_from: WorkedOutFrom | None = None

    @property
    def read_in(self) -> str:
        """The unit that its values are brought to as they are read."""
        return self.quantity.unit if self.worked_out_from is None else "degC"


def header_unit(name: str) -> str | None:
    """Return the temperature unit that a header name states, or None where it states none.

    Args:
        name: one name from the header.

    Returns:
        ``degC``, ``degF``, ``K`` or None.

    >>> header_unit("Hull temp (°F)"), header_unit("air_temp_c"), header_unit("Temperature")
    ('degF', 'degC', None)
    """
    return temperature_unit(name)
