"""Whether a value looks as if it came in another unit than the config says."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from sensors.reading import Quantity
from sensors.units import to_own

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
        unit: that the config says, as `sensors.units` names it.
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
        return _temperature_guess(quantity, unit, value, others_c)
    if quantity is Quantity.CO2 and unit == "ppm" and 0.0 < value < 0.1:
        return "1"
    return None


def _temperature_guess(
    quantity: Quantity, unit: str, value: float, others_c: Sequence[float]
) -> str | None:
    raw = _from_own(value, unit)
    for other in _TEMPERATURES:
        if other == unit:
            continue
        as_other = to_own(raw, other, quantity)
        if others_c:
            middle = median(others_c)
            if abs(value - middle) > _FAR_K and abs(as_other - middle) < _NEAR_K:
                return other
        elif not _USUAL_C[0] <= value <= _USUAL_C[1] and (
            _GUESSED_C[0] <= as_other <= _GUESSED_C[1]
        ):
            return other
    return None


def _from_own(value_c: float, unit: str) -> float:
    if unit == "degF":
        return value_c * 9.0 / 5.0 + 32.0
    return value_c + 273.15 if unit == "K" else value_c
