"""Humidity over saturated salt solutions: the fixed points that a humidity probe is held against.

A jar with a wet salt paste in it, closed and at one temperature, holds one humidity and no other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class CalibrationFault(ValueError):
    """A calibration cannot be made of what was given; the text is one sentence."""


class Salt(StrEnum):
    """A salt whose saturated solution makes a fixed point."""

    LICL = "LiCl"
    MGCL2 = "MgCl2"
    K2CO3 = "K2CO3"
    NACL = "NaCl"
    KCL = "KCl"
    K2SO4 = "K2SO4"

    @property
    def tin(self) -> str:
        """What it is called on the tin."""
        return _TINS[self]


_TINS = {
    Salt.LICL: "lithium chloride",
    Salt.MGCL2: "magnesium chloride",
    Salt.K2CO3: "potassium carbonate, potash",
    Salt.NACL: "sodium chloride, table salt without additives",
    Salt.KCL: "potassium chloride",
    Salt.K2SO4: "potassium sulphate",
}

# Temperature [degC] -> humidity and its uncertainty [%], of Greenspan, "Humidity fixed points of
# binary saturated aqueous solutions", J. Res. NBS 81A(1), 89-96 (1977), table 2; ASTM E104-20a
# gives the same salts. All digits from memory. The tests hold them against that paper's own
# regressions, an unrelated handbook's fit, and the older NBS measurements of sodium chloride;
# lithium chloride and potassium carbonate only against a handbook's rounded values. Potassium
# carbonate was measured up to 30 degC.
_TABLE: dict[Salt, dict[float, tuple[float, float]]] = {
    Salt.LICL: {
        0.0: (11.23, 0.54),
        5.0: (11.26, 0.47),
        10.0: (11.29, 0.41),
        15.0: (11.30, 0.35),
        20.0: (11.31, 0.31),
        25.0: (11.30, 0.27),
        30.0: (11.28, 0.24),
        35.0: (11.25, 0.22),
        40.0: (11.21, 0.21),
    },
    Salt.K2CO3: {
        0.0: (43.13, 0.66),
        5.0: (43.13, 0.50),
        10.0: (43.14, 0.39),
        15.0: (43.15, 0.33),
        20.0: (43.16, 0.33),
        25.0: (43.16, 0.39),
        30.0: (43.17, 0.50),
    },
    Salt.MGCL2: {
        0.0: (33.66, 0.33),
        5.0: (33.60, 0.28),
        10.0: (33.47, 0.24),
        15.0: (33.30, 0.21),
        20.0: (33.07, 0.18),
        25.0: (32.78, 0.16),
        30.0: (32.44, 0.14),
        35.0: (32.05, 0.13),
        40.0: (31.60, 0.13),
    },
    Salt.NACL: {
        0.0: (75.51, 0.34),
        5.0: (75.65, 0.27),
        10.0: (75.67, 0.22),
        15.0: (75.61, 0.18),
        20.0: (75.47, 0.14),
        25.0: (75.29, 0.12),
        30.0: (75.09, 0.11),
        35.0: (74.87, 0.12),
        40.0: (74.68, 0.13),
    },
    Salt.KCL: {
        0.0: (88.61, 0.53),
        5.0: (87.67, 0.45),
        10.0: (86.77, 0.39),
        15.0: (85.92, 0.33),
        20.0: (85.11, 0.29),
        25.0: (84.34, 0.26),
        30.0: (83.62, 0.25),
        35.0: (82.95, 0.25),
        40.0: (82.32, 0.25),
    },
    Salt.K2SO4: {
        0.0: (98.77, 1.10),
        5.0: (98.48, 0.91),
        10.0: (98.18, 0.76),
        15.0: (97.89, 0.63),
        20.0: (97.59, 0.53),
        25.0: (97.30, 0.45),
        30.0: (97.00, 0.40),
        35.0: (96.71, 0.38),
        40.0: (96.41, 0.38),
    },
}
TEMP_MIN_C, TEMP_MAX_C = 0.0, 40.0
_STEP_K = 5.0

# Relative slope of the saturation pressure over water, 5 to 30 degC: a probe that is 1 K warmer
# than its salt reads this share too low. The tests take it from the equations in `rules`.
PER_K = 0.065
# How far probe and salt may differ in a jar that has settled: common practice, no source.
JAR_TEMP_DIFFERENCE_K = 0.1


@dataclass(frozen=True, slots=True)
class SaltPoint:
    """What air over a saturated salt solution holds.

    Attributes:
        salt: which.
        temp_c: of the jar [degC].
        rh_pct: humidity over liquid water [%].
        half_width_pct: how far the truth may be off at the probe: the published uncertainty and
            a probe that is `JAR_TEMP_DIFFERENCE_K` off its salt, added by squares [%].
    """

    salt: Salt
    temp_c: float
    rh_pct: float
    half_width_pct: float


def salt_of(text: str) -> Salt:
    """Return the salt that is meant.

    Raises:
        CalibrationFault: it is none of them.

    >>> salt_of("nacl")
    <Salt.NACL: 'NaCl'>
    """
    for salt in Salt:
        if text.strip().casefold() == salt.casefold():
            return salt
    raise CalibrationFault(
        f"salt {text[:20]!r} has no fixed point here, so nothing was calibrated; use one of "
        f"{', '.join(Salt)}."
    )


def salt_point(salt: Salt, temp_c: float) -> SaltPoint:
    """Return the humidity over a saturated salt solution.

    Args:
        salt: which.
        temp_c: of the jar, 0 to 40, for potassium carbonate to 30 [degC].

    Returns:
        The fixed point; between the table's rows both figures run in straight lines.

    Raises:
        CalibrationFault: the temperature is NaN or outside the table.

    Source:
        Greenspan, J. Res. NBS 81A(1), 89-96 (1977), digits from memory; ASTM E104-20a for the
        method: closed container, steady temperature, liquid standing over undissolved salt.

    >>> salt_point(Salt.NACL, 20.0).rh_pct, round(salt_point(Salt.KCL, 22.5).rh_pct, 2)
    (75.47, 84.72)
    """
    most_c = max(_TABLE[salt])
    if not TEMP_MIN_C <= temp_c <= most_c:  # NaN too
        raise CalibrationFault(
            f"jar at {temp_c:.4g} degC is outside {TEMP_MIN_C:g} to {most_c:g} degC, for which "
            f"the fixed points are kept, so nothing was calibrated. Bring the jar to room "
            f"temperature."
        )
    low_c = min(_STEP_K * math.floor(temp_c / _STEP_K), most_c - _STEP_K)
    share = (temp_c - low_c) / _STEP_K
    low, high = _TABLE[salt][low_c], _TABLE[salt][low_c + _STEP_K]
    rh_pct = low[0] + share * (high[0] - low[0])
    published_pct = low[1] + share * (high[1] - low[1])
    return SaltPoint(
        salt, temp_c, rh_pct, math.hypot(published_pct, rh_pct * PER_K * JAR_TEMP_DIFFERENCE_K)
    )
