"""What a calibration is: a gain and an offset found at reference points, and how well they hold.

Raw readings pass through it before they are judged; what it proved is their accuracy from then on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from rules.units import DAY_S
from sensors.calibrate.salts import CalibrationFault, Salt, salt_point
from sensors.reading import Quantity

__all__ = [
    "CALIBRATED",
    "CalibrationFault",
    "CalibrationMethod",
    "Correction",
    "Reference",
    "fit",
    "salt_reference",
    "solvent_warning",
    "untried_warning",
]

_YEAR_S = 365.25 * DAY_S
# What passes for a humidity: at or under the first a fraction or a dead probe, over the
# second implausible. Such values are left as they came, for the judge of readings to refuse.
_FRACTION_PCT, _SATURATED_PCT, _HIGHEST_PCT = 1.0, 100.0, 103.0
_GAIN_MIN, _GAIN_MAX = 0.8, 1.25
_MOST_POINTS = 12
_REACH = {Quantity.HUMIDITY: (1.0, 100.0)}
_REACH_TEMP = (-40.0, 80.0)

# Solvents cost a polymer probe sensitivity, so that it reads low where it is damp; makers'
# handling notes say so, and that one point in the middle does not show it. The figures: common
# practice, no source.
_HIGH_POINT_PCT = 70.0
_LOW_BY_PCT = 2.0
_MORE_THAN_BELOW_PCT = 1.5
_APART_PCT = 15.0


class CalibrationMethod(StrEnum):
    """How a calibration was made."""

    SALT = "salt"
    SIDE_BY_SIDE = "side-by-side"
    PSYCHROMETER = "psychrometer"


@dataclass(frozen=True, slots=True)
class Calibrated:
    """How one quantity is calibrated; all but times in its unit.

    Attributes:
        unit: of differences, for sentences.
        largest: a greater correction means a broken sensor or a slip, and is refused.
        gain_span: a gain is found only from points at least this far apart.
        drift_per_year: that the sensor may have moved since.
        untried: share of the distance to the nearest reference point that is not known.
        valid_s: how long a calibration holds unless it is told otherwise [s].
        hysteresis: what it differs by from one day to the next, corrected or not.
    """

    unit: str
    largest: float
    gain_span: float
    drift_per_year: float
    untried: float
    valid_s: float
    hysteresis: float


# Drift of humidity: sensor handling notes have under 0.5 % a year in clean air; twice that for a
# workshop. Hysteresis of 1 % is a class value of polymer probes, from memory. All other
# figures are common practice, no source.
CALIBRATED: dict[Quantity, Calibrated] = {
    Quantity.HUMIDITY: Calibrated("%", 15.0, 15.0, 1.0, 0.02, 180.0 * DAY_S, 1.0),
    Quantity.AIR_TEMP: Calibrated("K", 5.0, 10.0, 0.1, 0.01, 365.0 * DAY_S, 0.1),
    Quantity.SURFACE_TEMP: Calibrated("K", 5.0, 10.0, 0.1, 0.01, 365.0 * DAY_S, 0.1),
}


@dataclass(frozen=True, slots=True)
class Reference:
    """One point at which a sensor was held against something better.

    Attributes:
        reading: the sensor's own value, without any correction [the quantity's unit].
        reference: what it should have been [same].
        half_width: how far reference and reading may be off [same].
        what: the reference in words, such as `NaCl at 20.1 degC`.
    """

    reading: float
    reference: float
    half_width: float
    what: str

    @property
    def error(self) -> float:
        """How much the sensor reads too high [the quantity's unit]."""
        return self.reading - self.reference


@dataclass(frozen=True, slots=True)
class Correction:
    """What makes a raw reading right, and how well it does.

    Attributes:
        quantity: that it is for.
        method: how it was found.
        gain: by which a raw value is multiplied [-].
        offset: which is then added [the quantity's unit].
        points: that it was found at.
        residual: largest distance that it leaves at one of them [same].
        half_width: the widest of theirs [same].
        valid_s: how long it holds [s].
    """

    quantity: Quantity
    method: CalibrationMethod
    gain: float
    offset: float
    points: tuple[Reference, ...]
    residual: float
    half_width: float
    valid_s: float

    def value(self, raw: float) -> float:
        """Return the corrected value of a raw one.

        A humidity that is a fraction, dead or implausible stays as it is, so that no correction
        makes it look real. What comes out over 100 % counts as 100, and a probe that shows 100 or
        more is saturated whatever its error below that was.

        >>> point = Reference(73.0, 75.5, 0.5, "NaCl at 20 degC")
        >>> fit(Quantity.HUMIDITY, CalibrationMethod.SALT, [point]).value(60.0)
        62.5
        """
        if self.quantity is not Quantity.HUMIDITY:
            return self.gain * raw + self.offset
        if not _FRACTION_PCT < raw <= _HIGHEST_PCT:  # NaN too
            return raw
        if raw >= _SATURATED_PCT:
            return _SATURATED_PCT
        return min(self.gain * raw + self.offset, _SATURATED_PCT)

    def expired(self, age_s: float) -> bool:
        """Whether it is older than it is good for."""
        return age_s > self.valid_s

    def band(self, raw: float, age_s: float) -> float:
        """Return how far a corrected value may be off for what is not known of the correction.

        Args:
            raw: the value as it came [the quantity's unit].
            age_s: of the calibration [s].

        Returns:
            Half-width: residual, reference (carried out along the line where there is a gain),
            drift since, and distance from the points tried, added by squares [the quantity's
            unit].
        """
        how = CALIBRATED[self.quantity]
        lowest = min(point.reading for point in self.points)
        highest = max(point.reading for point in self.points)
        away = max(lowest - raw, raw - highest, 0.0)
        # A gain is a line through points that may each be off, at worst to opposite sides.
        lever = 1.0 if self.gain == 1.0 else 1.0 + 2.0 * away / (highest - lowest)
        return math.hypot(
            self.residual,
            self.half_width * lever,
            how.drift_per_year * max(age_s, 0.0) / _YEAR_S,
            how.untried * away,
        )

    def accuracy(self, raw: float, age_s: float, stated: float) -> float:
        """Return the half-width of a corrected value's error: what the calibration proved.

        Args:
            raw: the value as it came [the quantity's unit].
            age_s: of the calibration [s].
            stated: half-width that the sensor has by its sheet, 0 or more [same].

        Returns:
            Half-width [same]: what no correction takes away (hysteresis and the like, never more
            than `stated`), and `band`. Past its validity the correction goes on, since dropping
            it would step the value; the sheet's figure then counts again, and the correction is
            added whole, so that the raw value lies within it too.

        Source:
            JCGM 100:2008, 3.2.4 note and 5.1.2: once corrected, the uncertainty of the correction
            stands in the place of the error that it took away. That an expired one is added whole
            is common practice, no source.
        """
        if self.expired(age_s):
            return math.hypot(stated, self.band(raw, age_s)) + abs(self.value(raw) - raw)
        rest = min(stated, CALIBRATED[self.quantity].hysteresis)
        return math.hypot(rest, self.band(raw, age_s))


def salt_reference(
    salt: Salt, temp_c: float, reading_pct: float, spread_pct: float = 0.0
) -> Reference:
    """Return the point that a probe in a salt jar gives.

    Args:
        salt: in the jar.
        temp_c: of the jar, 0 to 40 [degC].
        reading_pct: what the probe came to rest at, raw [%].
        spread_pct: half-width of that [%].

    Raises:
        CalibrationFault: the temperature is outside the table.

    >>> round(salt_reference(Salt.NACL, 20.0, 73.9).error, 2)
    -1.57
    """
    point = salt_point(salt, temp_c)
    return Reference(
        reading=reading_pct,
        reference=point.rh_pct,
        half_width=math.hypot(point.half_width_pct, spread_pct),
        what=f"{salt} at {temp_c:.1f} degC",
    )


def fit(
    quantity: Quantity,
    method: CalibrationMethod,
    points: Sequence[Reference],
    *,
    valid_s: float | None = None,
) -> Correction:
    """Return the correction that reference points ask for.

    One point, or several close together, give an offset; points further apart a gain as well, by
    least squares.

    Args:
        quantity: humidity, air or surface temperature.
        method: how the points were found.
        points: 1 to 12.
        valid_s: how long it holds, or None for the quantity's usual time [s].

    Raises:
        CalibrationFault: a value cannot be, the correction is too large to be one, or the
            quantity is not calibrated.

    >>> low, high = Reference(34.1, 33.1, 0.3, "MgCl2"), Reference(74.1, 75.5, 0.3, "NaCl")
    >>> found = fit(Quantity.HUMIDITY, CalibrationMethod.SALT, [low, high])
    >>> round(found.gain, 3), round(found.value(54.1), 2), round(found.residual, 9)
    (1.06, 54.3, 0.0)
    """
    how = CALIBRATED.get(quantity)
    if how is None:
        raise CalibrationFault(
            f"{quantity.value} has no reference here, so nothing was calibrated; "
            f"one of {', '.join(each.value for each in CALIBRATED)} can be."
        )
    if not 1 <= len(points) <= _MOST_POINTS:
        raise CalibrationFault(
            f"{len(points)} reference points are not between 1 and {_MOST_POINTS}, so nothing "
            f"was calibrated. Give one or more."
        )
    holds_s = how.valid_s if valid_s is None else valid_s
    if not DAY_S <= holds_s <= 10.0 * _YEAR_S:
        raise CalibrationFault(
            f"valid for {holds_s / DAY_S:g} days is not between 1 and 3652, so nothing was "
            f"calibrated. Leave it out for {how.valid_s / DAY_S:g}."
        )
    for point in points:
        _check(quantity, how, point)
    gain, offset = _line(points, how.gain_span)
    if not _GAIN_MIN <= gain <= _GAIN_MAX:
        raise CalibrationFault(
            f"the points ask for a gain of {gain:.2f}, outside {_GAIN_MIN:g} to {_GAIN_MAX:g}, "
            f"which no sound sensor needs; nothing was calibrated. Check which reading belongs to "
            f"which reference, or replace the sensor."
        )
    residual = max(abs(gain * each.reading + offset - each.reference) for each in points)
    if residual > how.largest / 3.0:
        raise CalibrationFault(
            f"the points disagree: the best correction leaves {residual:.1f} {how.unit} at one, "
            f"where at most {how.largest / 3.0:.2g} can be; nothing was calibrated. Check which "
            f"reading belongs to which reference, or replace the sensor."
        )
    return Correction(
        quantity=quantity,
        method=method,
        gain=gain,
        offset=offset,
        points=tuple(points),
        residual=residual,
        half_width=max(each.half_width for each in points),
        valid_s=holds_s,
    )


def _check(quantity: Quantity, how: Calibrated, point: Reference) -> None:
    low, high = _REACH.get(quantity, _REACH_TEMP)
    for name, value in (("reading", point.reading), ("reference", point.reference)):
        if quantity is Quantity.HUMIDITY and 0.0 < value <= _FRACTION_PCT:
            raise CalibrationFault(
                f"{name} {value:g} looks like a fraction, so nothing was calibrated; give it in "
                f"per cent ({value * 100.0:g} for {value:g})."
            )
        if not low < value <= high:  # NaN too
            raise CalibrationFault(
                f"{name} {value:.4g} {quantity.unit} is not between {low:g} and {high:g}, so "
                f"nothing was calibrated. Give the sensor's own value."
            )
    if not 0.0 <= point.half_width <= how.largest:
        raise CalibrationFault(
            f"a reference known to {point.half_width:g} {how.unit} is no better than the sensor; "
            f"nothing was calibrated. Use one known to {how.largest:g} {how.unit} or better."
        )
    if abs(point.error) > how.largest:
        raise CalibrationFault(
            f"{point.what}: reads {point.reading:.2f} for {point.reference:.2f} {quantity.unit}, "
            f"{abs(point.error):.1f} {how.unit} off where at most {how.largest:g} are corrected; "
            f"nothing was calibrated. Check unit, reference and that it has come to rest, or "
            f"replace the sensor."
        )


def _line(points: Sequence[Reference], gain_span: float) -> tuple[float, float]:
    readings = [point.reading for point in points]
    mean_reading = sum(readings) / len(points)
    mean_reference = sum(point.reference for point in points) / len(points)
    references = [point.reference for point in points]
    if min(max(each) - min(each) for each in (readings, references)) < gain_span:
        return 1.0, mean_reference - mean_reading
    across = sum((p.reading - mean_reading) * (p.reference - mean_reference) for p in points)
    gain = across / sum((reading - mean_reading) ** 2 for reading in readings)
    return gain, mean_reference - gain * mean_reading


def solvent_warning(points: Sequence[Reference]) -> str | None:
    """Return the warning that humidity points ask for where the probe has lost sensitivity.

    Args:
        points: of one probe, raw readings; in any order.

    Returns:
        One sentence or two, or None where the highest point is no reason for one.

    >>> low, high = Reference(33.0, 33.1, 0.3, "MgCl2"), Reference(93.1, 97.6, 0.8, "K2SO4")
    >>> solvent_warning([low, high]).split(",")[0]
    'reads 4.5 % low at 97.6 %'
    """
    high = max(points, key=lambda point: point.reference)
    if high.reference < _HIGH_POINT_PCT or high.error >= -(_LOW_BY_PCT + high.half_width):
        return None
    below = [point for point in points if point.reference <= high.reference - _APART_PCT]
    if below:
        lowest = min(below, key=lambda point: point.reference)
        if high.error - lowest.error > -_MORE_THAN_BELOW_PCT:
            return None  # low all over: an offset, and no lost sensitivity
        how = f"and only {lowest.error:+.1f} % off at {lowest.reference:.0f} %"
    else:
        how = "with no lower point to tell it from a plain offset"
    return (
        f"reads {-high.error:.1f} % low at {high.reference:.1f} %, {how}: so do probes that "
        f"solvent vapour has reached, and they call damp air dry. Check again after the next "
        f"coat, and replace it when the error grows."
    )


def untried_warning(points: Sequence[Reference]) -> str | None:
    """Return the warning that humidity was not tried where it matters, near saturation.

    >>> untried_warning([Reference(33.0, 33.1, 0.3, "MgCl2")]).split(";")[0]
    'tried up to 33 % only, where lost sensitivity does not show'
    """
    highest = max(point.reference for point in points)
    if highest >= _HIGH_POINT_PCT:
        return None
    return (
        f"tried up to {highest:.0f} % only, where lost sensitivity does not show; try NaCl, and "
        f"KCl or K2SO4, as well."
    )
