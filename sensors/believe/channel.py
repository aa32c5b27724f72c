"""What one channel's own record has taught of it: change rate, last digit, noise, usual moves."""

from __future__ import annotations

import math
from collections.abc import Callable

from sensors.believe.checks import Together
from sensors.believe.flat_line import ChangeRate
from sensors.believe.only_noise import NoiseWatch
from sensors.believe.pair import PairModel
from sensors.believe.record import MinuteRecord
from sensors.believe.repeated_record import ChangeNats, RepeatTrace
from sensors.believe.verdict import Check, Doubt, Verdict
from sensors.reading import Quantity

_STEP_WEIGHT = 0.02
_LEAST_DIGIT = 1e-4
_USUAL_MEMORY = 288.0
_USUAL_WANTED = 36
_THIRDS_FADE = 1.0 - 1.0 / 144.0
_THIRDS_WANTED = 8.5
_RISES_A_THIRD = 0.005
_FADES_A_SPELL = 1.0 - 1.0 / 500.0
_FADES_A_MINUTE = 1.0 - 1.0 / 2880.0
BODY_NOISE_MIN = 40
NOISE_MIN = 90
"""For how long a body, or a humidity beside its own air, has to show noise alone. Of 112 sound
bodies in 56 invented sheds, 36 h each, five were found to, for less than 20 min."""
SLOW_NOISE_MIN = 240
"""Likewise a hull: of 240 sound ones in three last digits and 40 invented sheds, four were. Both
were counted before noise alone was no news where it had been seen within a week. And a humidity in
air that has shown no quick movement: at the turn of a smooth day it stands still for two hours."""


class Usual:
    """Mean and standard deviation of something looked at every five minutes, a day of memory."""

    __slots__ = ("_count", "_variance", "mean")

    def __init__(self) -> None:
        self.mean = 0.0
        self._variance = 0.0
        self._count = 0

    def learn(self, value: float) -> None:
        """Take what was believed."""
        self._count += 1
        weight = 1.0 / min(self._count, _USUAL_MEMORY)
        off = value - self.mean
        self.mean += weight * off
        self._variance += weight * ((1.0 - weight) * off * off - self._variance)

    def spread(self) -> float | None:
        """Return the standard deviation, or None before three hours have been seen."""
        return math.sqrt(max(0.0, self._variance)) if self._count >= _USUAL_WANTED else None

    def accept(self, value: float) -> None:
        """Take a person's word that this is as it should be."""
        self.mean = value


class UsualTogether:
    """What is usual of a channel's part in the air's quick movement."""

    __slots__ = ("_all", "_ratio")

    def __init__(self) -> None:
        self._all = tuple(Usual() for _ in Together._fields)
        self._ratio = Usual()

    @property
    def known(self) -> bool:
        """Whether three hours have been seen."""
        return self._ratio.spread() is not None

    @property
    def mean(self) -> Together:
        """The mean of each figure."""
        return Together(*(each.mean for each in self._all))

    @property
    def ratio(self) -> float:
        """Its own quick movement over the air's, the geometric mean."""
        return math.exp(self._ratio.mean)

    def learn(self, now: Together) -> None:
        """Take what was believed."""
        for each, value in zip(self._all, now, strict=True):
            each.learn(value)
        self._ratio.learn(math.log(now.own / now.air))

    def accept(self, now: Together) -> None:
        """Take a person's word that this is as it should be."""
        for each, value in zip(self._all, now, strict=True):
            each.accept(value)
        self._ratio.accept(math.log(now.own / now.air))


class UsualGain:
    """What is usual of a hull's gain on an air's movement from third to third of an hour."""

    __slots__ = ("_air", "_both", "_own", "_weight")

    def __init__(self) -> None:
        self._weight = self._both = self._air = self._own = 0.0

    def learn(self, own: float, air: float) -> None:
        """Take a second difference of both, or NaN, each third of an hour [K]."""
        if math.isfinite(own + air):
            self._weight = self._weight * _THIRDS_FADE + 1.0
            self._both = self._both * _THIRDS_FADE + own * air
            self._air = self._air * _THIRDS_FADE + air * air
            self._own = self._own * _THIRDS_FADE + own * own

    def at_most(self) -> float | None:
        """Return the gain and its standard error, or None before three hours have been seen."""
        if self._weight < _THIRDS_WANTED or not self._air:
            return None
        gain = self._both / self._air
        left = max(0.0, self._own / self._air - gain * gain)
        return gain + math.sqrt(left / self._weight)


class Jump:
    """A step that a hull cannot have made.

    Attributes:
        from_c: where it stood before [degC].
        minute: when it stood there.
        size_k: how far it jumped [K].
        seen: the last minute in which it was still away from where it should be.
    """

    __slots__ = ("from_c", "minute", "seen", "size_k")

    def __init__(self, from_c: float, minute: int, size_k: float, seen: int) -> None:
        self.from_c = from_c
        self.minute = minute
        self.size_k = size_k
        self.seen = seen


class ChannelModel:
    """One channel: its record, what was learned from it, and the doubts that stand.

    Memory is bounded: 720 minute means and 1,024 fingerprints, 12 KiB.

    Attributes:
        point: name of the sensor body.
        quantity: that it measures.
        rate: of changes.
        trace: of repeats.
        record: minute means.
        digit: smallest step that it was seen to make; infinite before the first.
        neighbours: other channels that it is held against, and how it moves with each.
        doubts: the tests that it does not pass now.
        spell_start: minute from which it stands still now.
        spells: how often it has moved on.
        spells_then: the same, as an attenuated signal was first suspected.
        longest_still: the longest of its spells that was believed, fading [min].
        noise: of a humidity: whether it and its air, or it alone, or it for hours show only noise.
        hull_noise: of a hull: whether it shows nothing but noise.
        still_from: minute from which an attenuated signal is suspected, or -1.
        jump: that it made and has not answered for, or None.
        settled_from: minute before which its movement is not to be judged nor learned from.
        step_from: minute before which no step is looked for.
        largest_step_k: in five minutes, believed and fading [K].
        quick: what is usual of its part in the air's quick movement.
        apart: how far it usually stands from its neighbours: a temperature over the others, or
            ln of a vapour pressure over theirs.
        apart_now: the same, now; NaN where it is not known.
        apart_ticks: for how many looks it has been beyond.
        per_minute: how many readings its last minute had.
        spacing_min: from that minute to the next that had one [min].
        tick: the five minutes in which it was last held against its neighbours.
        third: the third of an hour in which it was last held against what the air itself shows.
        least_gain: the least of late that its usual gain on the air's quick movement was, since a
            probe that has come off teaches too until it is noticed.
        beside: of a hull, by each air's point: what is usual of its part in that air's movement.
        doubted_at: the last minute in which it was seen to be doubted.
        own_way: the last minute in which it went against all of its neighbours.
        quick_now: that part at the last look, or None.
    """

    __slots__ = (
        "_count",
        "_last",
        "_minute",
        "_nats",
        "_step_digits",
        "_sum",
        "apart",
        "apart_now",
        "apart_ticks",
        "beside",
        "digit",
        "doubted_at",
        "doubts",
        "hull_noise",
        "jump",
        "largest_step_k",
        "least_gain",
        "longest_still",
        "neighbours",
        "noise",
        "own_way",
        "per_minute",
        "point",
        "quantity",
        "quick",
        "quick_now",
        "rate",
        "record",
        "settled_from",
        "spacing_min",
        "spell_start",
        "spells",
        "spells_then",
        "step_from",
        "still_from",
        "third",
        "tick",
        "trace",
    )

    def __init__(self, point: str, quantity: Quantity) -> None:
        self.point = point
        self.quantity = quantity
        self.rate = ChangeRate()
        self.trace = RepeatTrace()
        self.record = MinuteRecord()
        self.digit = math.inf
        self.neighbours: list[tuple[ChannelModel, PairModel]] = []
        self.doubts: dict[Check, Doubt] = {}
        self.still_from = -1
        self.jump: Jump | None = None
        self.step_from = -1
        self.largest_step_k = 0.0
        self.quick = UsualTogether()
        self.quick_now: Together | None = None
        self.least_gain = math.inf
        self.apart = Usual()
        self.apart_now = math.nan
        self.apart_ticks = 0
        self.per_minute = 1
        self.spacing_min = 1
        self.tick = self.third = -1
        self.beside: dict[str, UsualGain] = {}
        self.doubted_at = -1
        self.settled_from = -1
        self.spell_start = -1
        self.spells = 0
        self.spells_then = 0
        self.longest_still = 0.0
        self.own_way = -1
        self.noise = tuple(map(NoiseWatch, (BODY_NOISE_MIN, NOISE_MIN, SLOW_NOISE_MIN)))
        self.hull_noise = NoiseWatch(SLOW_NOISE_MIN)
        self._last = math.nan
        self._nats = ChangeNats()
        self._step_digits = 1.0
        self._minute = -1
        self._sum = 0.0
        self._count = 0

    def take(self, value: float, time_s: float) -> int:
        """Take a reading in.

        Args:
            value: in the quantity's unit.
            time_s: of it, not before the last [s].

        Returns:
            The minute that it closed, or -1.
        """
        rate = self.rate
        last = self._last
        if value == last:
            rate.equal += 1
        else:
            if last == last:
                step = abs(value - last)
                digit = self.digit
                if _LEAST_DIGIT <= step < digit:
                    self.digit = digit = step
                self._step_digits += _STEP_WEIGHT * (step / digit - self._step_digits)
                run = rate.equal
                if self.doubts and Check.FLAT_LINE in self.doubts:
                    if rate.changed_after_doubt(time_s):
                        del self.doubts[Check.FLAT_LINE]
                else:
                    rate.changed(time_s)
                self.trace.take(value, run, self._nats.of(run))
            else:
                rate.since_s = time_s
            self._last = value
        minute = int(time_s // 60.0)
        closed = -1
        if minute != self._minute:
            if self._count:
                closed = self._minute
                self.per_minute = self._count
                self.spacing_min = minute - closed
                self.record.close(closed, self._sum / self._count, self.band_digit(), self._count)
                self.rate.learn(self._step_digits)
                self._nats.learn(self.rate.chance, self._step_digits)
            self._minute = minute
            self._sum = value
            self._count = 1
        else:
            self._sum += value
            self._count += 1
        return closed

    def flat_for_s(self, time_s: float) -> float:
        """Return for how long it has shown one value [s]."""
        return time_s - self.rate.since_s

    def band_digit(self) -> float:
        """Return the last digit, or 0 where it is not known yet, in the quantity's unit."""
        return self.digit if self.digit < math.inf else 0.0

    def band(self) -> float:
        """Return how far a minute mean strays by noise and last digit alone."""
        return self.record.band(self.band_digit(), self.per_minute)

    @property
    def has_moved(self) -> bool:
        """Whether it has shown two different values."""
        return self.digit < math.inf

    def end_spell(self, minute: int) -> None:
        """Learn from a time of standing still that has just ended."""
        start, self.spell_start = self.spell_start, self.record.still_since
        self.spells += 1
        if start < 0 or self.doubts or minute <= start:
            return
        self.longest_still = max(self.longest_still * _FADES_A_SPELL, minute - start)
        for other, pair in self.neighbours:
            moved = abs(other.record.at(minute) - other.record.at(start))
            if not other.doubts and moved == moved:
                pair.moved_while_still = max(pair.moved_while_still * _FADES_A_SPELL, moved)

    def note_gain(self) -> None:
        """Take note, each third of an hour, of its usual gain on the air's quick movement."""
        if self.quick.known:
            self.least_gain = min(self.quick.mean.gain, self.least_gain + _RISES_A_THIRD)

    def fade(self) -> None:
        """Let a minute pass over what is remembered as its largest step."""
        self.largest_step_k *= _FADES_A_MINUTE

    def accept(self) -> None:
        """Take a person's word that it is right as it is: every doubt ends until new evidence."""
        self.doubts.clear()
        self.rate.begin_anew(self.rate.since_s)
        self.trace.begin_anew()
        record = self.record
        record.still_since, record.anchor = record.head, record.at(record.head)
        self.still_from = -1
        if self.jump is not None:
            self.largest_step_k = max(self.largest_step_k, abs(self.jump.size_k))
        self.jump = None
        self.step_from = self.settled_from = record.head + 6
        if self.quick_now is not None:
            self.quick.accept(self.quick_now)
        self.least_gain = math.inf
        if not math.isnan(self.apart_now):
            self.apart.accept(self.apart_now)
        self.apart_ticks = 0
        self.beside.clear()
        for watch in (*self.noise, self.hull_noise):
            watch.accept()

    def note(
        self, check: Check, verdict: Verdict, since_s: float, words: Callable[[], str]
    ) -> None:
        """Begin or end a doubt by a test's verdict.

        Args:
            check: the test.
            verdict: what it says now.
            since_s: when a doubt that begins does [s].
            words: of it, asked for only then.
        """
        if verdict is Verdict.SUSPECT and check not in self.doubts:
            self.doubts[check] = Doubt(check, since_s, words())
        elif verdict is Verdict.PASS:
            self.doubts.pop(check, None)

    def begin_anew(self) -> None:
        """Forget the present; what was learned stays."""
        self.doubts.clear()
        self.rate.begin_anew(math.nan)
        self.trace.begin_anew()
        self.record.begin_anew()
        self._last = math.nan
        self._minute = -1
        self._sum = 0.0
        self._count = 0
        self.still_from = -1
        self.jump = None
        self.step_from = self.doubted_at = -1
        self.apart_ticks = 0
        for watch in (*self.noise, self.hull_noise):
            watch.begin_anew()
