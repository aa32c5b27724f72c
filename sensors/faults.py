"""Whether a value may be believed: range, rate, spike, wet and age, then what its record says.

What a channel's own record and its neighbours say of a plausible value is `sensors.believe`'s.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import median

from sensors.believe.channel import ChannelModel
from sensors.believe.judge import BeliefJudge
from sensors.believe.verdict import Standing
from sensors.reading import Quality, Quantity, Reading


@dataclass(frozen=True, slots=True)
class FaultRules:
    """When a value of one quantity at one point is not believed; all in the quantity's unit.

    Attributes:
        low: lowest plausible value.
        high: highest plausible value.
        rate_floor: a change of this much is believed whatever the time between two readings.
        rate_per_min: and this much more for each minute between them.
        stuck_after_s: a channel that stands still for this long is doubted [s] ...
        stuck_moved: ... once another of its quantity has moved by this much meanwhile, where it
            has not been learned yet how the two move together.
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

LEAST_MAX_AGE_S = 90.0
MOST_MAX_AGE_S = 2100.0
SLOW_INTERVAL_S = 300.0
SATURATED_PCT = 98.0
SATURATED_S = 1800.0
DRIER_PCT = 92.0
_SPIKE_CONFIRM_S = 30.0
_REMEMBERED = 9


def max_age_s(rules: FaultRules, usual_s: float) -> float:
    """Return how long a value counts [s].

    Args:
        rules: of the quantity at the point.
        usual_s: the usual time between two of its readings; 0 where it is not known [s].

    >>> [max_age_s(DEFAULT_RULES[Quantity.HUMIDITY], usual_s) for usual_s in (0.0, 60.0, 3600.0)]
    [90.0, 180.0, 2100.0]
    """
    if rules.max_age_s is not None:
        return rules.max_age_s
    return min(max(3.0 * usual_s, LEAST_MAX_AGE_S), MOST_MAX_AGE_S)


class PointWatch:
    """Judges one quantity at one point by its own past."""

    __slots__ = (
        "_arrived_s",
        "_changes",
        "_intervals",
        "_last",
        "_max_age_s",
        "_pending",
        "_plain",
        "_steady",
        "_usual_s",
        "channel",
        "quantity",
        "rules",
        "saturated_since_s",
    )

    def __init__(
        self, quantity: Quantity, rules: FaultRules, channel: ChannelModel | None = None
    ) -> None:
        self.quantity = quantity
        self.rules = rules
        self.channel = channel
        humid = quantity is Quantity.HUMIDITY
        self._plain = (
            (max(rules.low, 1.0), min(rules.high, SATURATED_PCT))
            if humid
            else (rules.low, rules.high)
        )
        self.saturated_since_s: float | None = None
        self._last: Reading | None = None
        self._pending: Reading | None = None
        self._arrived_s: float | None = None
        self._usual_s = 0.0
        self._steady = False  # whether as many intervals as are remembered are the usual one
        self._max_age_s = max_age_s(rules, 0.0)
        self._intervals: deque[float] = deque(maxlen=_REMEMBERED)
        self._changes: deque[float] = deque(maxlen=_REMEMBERED)

    @property
    def last(self) -> Reading | None:
        """The last value that was believed."""
        return self._last

    def max_age_s(self) -> float:
        """Return how long a value counts: configured, or three usual intervals [s]."""
        return self._max_age_s

    def usual_interval_s(self) -> float | None:
        """Return the usual time between two readings, or None before the second one [s]."""
        return self._usual_s if self._intervals else None

    @property
    def is_slow(self) -> bool:
        """Whether its readings are usually more than 5 min apart."""
        return self._usual_s > SLOW_INTERVAL_S

    def usual_change(self) -> float:
        """Return what a slow point does between two readings; 0 where they are 5 min apart or less.

        Unit: the quantity's.
        """
        if not self.is_slow:
            return 0.0
        return median(self._changes) if self._changes else 0.0

    def believes(self, reading: Reading) -> bool:
        """Take a reading in against which plainly nothing speaks, as `judge` would; else leave it.

        Args:
            reading: never older than the one before.

        Returns:
            Whether it was taken in, and is believed as it is.
        """
        last, arrived_s = self._last, self._arrived_s
        if last is None or arrived_s is None or self._pending is not None:
            return False
        value, time_s = reading.value, reading.time_s
        low, high = self._plain
        if not low < value < high or reading.quality is not Quality.OK or time_s <= arrived_s:
            return False
        change = abs(value - last.value)
        if change > self.rules.rate_floor and self._too_fast(last, reading):
            return False
        interval_s = time_s - arrived_s
        if interval_s != self._usual_s or not self._steady:
            self._note_interval(interval_s)
        self._arrived_s = time_s
        self._changes.append(change)
        self.saturated_since_s = None
        self._last = reading
        return True

    def judge(self, reading: Reading) -> list[Reading]:
        """Return the reading with its quality, after any earlier one that it confirms.

        Args:
            reading: never older than the one before.

        Returns:
            One reading; two where it confirms that the last spike was a true jump, which then
            counts from the first.
        """
        if reading.quality is Quality.MISSING or math.isnan(reading.value):
            return [replace(reading, value=math.nan, quality=Quality.MISSING)]
        if reading.quality is not Quality.OK:
            return [reading]
        if self._arrived_s is not None and reading.time_s > self._arrived_s:
            self._note_interval(reading.time_s - self._arrived_s)
        self._arrived_s = reading.time_s
        value = reading.value
        if self.quantity is Quantity.HUMIDITY:
            if value <= 1.0:  # a fraction for per cent, or a dead probe
                return [replace(reading, quality=Quality.IMPLAUSIBLE)]
            if 100.0 < value <= self.rules.high:
                value = 100.0
                reading = replace(reading, value=value)
        if not self.rules.low <= value <= self.rules.high:
            return [replace(reading, quality=Quality.IMPLAUSIBLE)]
        return self._judge_change(reading)

    def _note_interval(self, interval_s: float) -> None:
        intervals = self._intervals
        steady = interval_s == self._usual_s and intervals.count(interval_s) == len(intervals)
        intervals.append(interval_s)
        self._steady = steady and len(intervals) == _REMEMBERED
        if not steady:
            self._usual_s = median(intervals)
            self._max_age_s = max_age_s(self.rules, self._usual_s)

    def _judge_change(self, reading: Reading) -> list[Reading]:
        last, pending = self._last, self._pending
        if last is not None and self._too_fast(last, reading):
            if pending is not None and self._confirms(pending, reading):
                self._pending = None
                confirmed = replace(pending, quality=Quality.OK)
                self._believe(confirmed)
                self._believe(reading)
                return [confirmed, reading]
            self._pending = reading
            return [replace(reading, quality=Quality.SPIKE)]
        self._pending = None
        self._believe(reading)
        return [reading]

    def _too_fast(self, before: Reading, after: Reading) -> bool:
        minutes = (after.time_s - before.time_s) / 60.0
        allowed = self.rules.rate_floor + self.rules.rate_per_min * minutes
        return abs(after.value - before.value) > allowed

    def _confirms(self, pending: Reading, reading: Reading) -> bool:
        within_s = max(_SPIKE_CONFIRM_S, 2.0 * self._usual_s)
        soon = reading.time_s - pending.time_s <= within_s
        return soon and not self._too_fast(pending, reading)

    def _believe(self, reading: Reading) -> None:
        last = self._last
        if last is not None and reading.time_s > last.time_s:
            self._changes.append(abs(reading.value - last.value))
        if self.quantity is Quantity.HUMIDITY:
            if reading.value < SATURATED_PCT:
                self.saturated_since_s = None
            elif self.saturated_since_s is None:
                self.saturated_since_s = reading.time_s
        self._last = reading

    def forget(self) -> None:
        """Forget the present; what is usual of the point stays known."""
        self._last = self._pending = None
        self._arrived_s = None
        self.saturated_since_s = None


class FaultJudge:
    """Judges every point of one enclosure, by its own past and beside the others."""

    def __init__(self, rules: dict[tuple[str, Quantity], FaultRules]) -> None:
        still = {key: (each.stuck_after_s, each.stuck_moved) for key, each in rules.items()}
        self._beliefs = BeliefJudge(rules, still)
        self._watches = {
            key: PointWatch(key[1], each, self._beliefs.channels[key])
            for key, each in rules.items()
        }

    def watch(self, point: str, quantity: Quantity) -> PointWatch:
        """Return what is known of one quantity at one point."""
        return self._watches[point, quantity]

    def judge(self, reading: Reading) -> list[Reading]:
        """Return the reading with its quality, after any earlier one that it confirms.

        Args:
            reading: of a configured point; times of a point never go back.
        """
        key = reading.point, reading.quantity
        watch = self._watches[key]
        plain = self.plainly(watch, reading)
        if plain is not None:
            return [reading if plain is Quality.OK else replace(reading, quality=plain)]
        before = watch.last
        judged = watch.judge(reading)
        if not judged or judged[-1].quality is not Quality.OK:
            return judged
        beliefs = self._beliefs
        if len(judged) > 1 and before is not None:
            beliefs.jumped(key, before.value, judged[0].value, judged[0].time_s)
            beliefs.take(key, judged[0].value, judged[0].time_s)
        last = judged[-1]
        doubt = beliefs.take(key, last.value, last.time_s)
        if watch.quantity is Quantity.HUMIDITY and self._is_wet(reading.point, watch, last):
            judged[-1] = replace(last, quality=Quality.WET)
        elif doubt is not None:
            # A jump that is not believed confirms nothing: the first of it stays a spike.
            return [replace(last, quality=Quality.DOUBTED)]
        return judged

    def plainly(self, watch: PointWatch, reading: Reading) -> Quality | None:
        """Judge a reading of which its own past plainly says nothing; most are like that.

        Args:
            watch: of its point and quantity.
            reading: of a configured point; times of a point never go back.

        Returns:
            OK or doubted; None where it was not taken in, and `judge` is to be asked.
        """
        channel = watch.channel
        if channel is None or not watch.believes(reading):
            return None
        doubt = self._beliefs.hear(channel, reading.value, reading.time_s)
        return Quality.OK if doubt is None else Quality.DOUBTED

    def why(self, point: str, quantity: Quantity, time_s: float) -> str:
        """Return why a channel is doubted and what to do, as a clause; "" where it is not."""
        return self._beliefs.why((point, quantity), time_s)

    @property
    def standing(self) -> Mapping[tuple[str, Quantity], Standing]:
        """Probes that cannot be told from one that is stuck."""
        return self._beliefs.standing

    def vouch(self, point: str) -> None:
        """Take a person's word that a body is right as it is, until there is new evidence."""
        self._beliefs.vouch(point)

    def forget(self, point: str, quantity: Quantity) -> None:
        """Begin anew with a channel after a jump of the clock, or once its probe was carried."""
        key = point, quantity
        self._watches[key].forget()
        self._beliefs.begin_anew(key)

    def _is_wet(self, point: str, watch: PointWatch, reading: Reading) -> bool:
        since_s = watch.saturated_since_s
        if since_s is None or reading.time_s - since_s < SATURATED_S:
            return False
        others = [
            other.last.value
            for (name, quantity), other in self._watches.items()
            if quantity is Quantity.HUMIDITY and name != point and other.last is not None
        ]
        return any(value < DRIER_PCT for value in others)
