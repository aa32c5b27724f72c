"""Whether a value may be believed: range, rate, stuck, spike, wet and age, judged for each point."""

from __future__ import annotations

from dataclasses import dataclass

from sensors.reading import Quantity


@dataclass(frozen=True, slots=True)
class FaultRules:
    """When a value of one quantity at one point is not believed; all in the quantity's unit.

    Attributes:
        low: lowest plausible value.
        high: highest plausible value.
        rate_floor: a change of this much is believed whatever the time between two readings.
        rate_per_min: and this much more for each minute between them.
        stuck_after_s: a value unchanged to the last digit for this long is suspect [s] ...
        stuck_moved: ... once a comparable reading has moved by this much meanwhile.
        max_age_s: how long a value counts; None is three usual intervals, 90 s to 35 min [s].
    """

    low: float
    high: float
    rate_floor: float
    rate_per_min: float
    stuck_after_s: float
    stuck_moved: float
    max_age_s: float | None = None


# Ranges: what the psychrometric core takes, and what a painted space can hold. Rates, stuck
# times and moves: common practice, no source; any of them can be set in the config.
DEFAULT_RULES: dict[Quantity, FaultRules] = {
    Quantity.AIR_TEMP: FaultRules(-40.0, 60.0, 1.0, 2.0, 3600.0, 4.0),
    Quantity.HUMIDITY: FaultRules(0.0, 103.0, 5.0, 10.0, 3600.0, 8.0),
    Quantity.SURFACE_TEMP: FaultRules(-40.0, 80.0, 1.0, 2.0, 3600.0, 4.0),
    Quantity.CO2: FaultRules(0.0, 40_000.0, 500.0, 1000.0, 14_400.0, 300.0),
    Quantity.DUST: FaultRules(0.0, 100_000.0, 500.0, 5000.0, 14_400.0, 200.0),
}
