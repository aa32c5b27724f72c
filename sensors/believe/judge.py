"""Holds every channel of one enclosure against its own past and its neighbours: who is doubted."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterable

from sensors.believe import checks
from sensors.believe.channel import NOISE_MIN, SLOW_NOISE_MIN, ChannelModel, Jump
from sensors.believe.flat_line import flat_line
from sensors.believe.only_noise import NoiseWatch, about_course, order_in, order_together
from sensors.believe.pair import SCALES_MIN, Movement, PairModel
from sensors.believe.repeated_record import repeated_record
from sensors.believe.verdict import STANDS_S, Check, Doubt, Standing, Verdict
from sensors.believe.with_air import SATURATED_PCT, hull_with_air, humidity_with_air
from sensors.reading import Quantity

Key = tuple[str, Quantity]

_TEMPERATURES = (Quantity.AIR_TEMP, Quantity.SURFACE_TEMP)
_MOST_NEIGHBOURS = 4
_TICK_MIN = 5
_TICKS_APART = 2
_TICKS_MOISTURE = 3
_SECOND_OPINION_SPREADS = 1.0
_SPELLS_TO_RECOVER = 5
_NEVER_MOVED_S = 10_800.0
"""A hull with a time constant of a day follows air that changes evenly by a sixteenth in 3 h."""
_RETURNS_BY = 0.6
_SLACK = {
    Quantity.AIR_TEMP: 0.3,
    Quantity.SURFACE_TEMP: 0.3,
    Quantity.HUMIDITY: 2.0,
}
"""A movement of a neighbour that is none, in its unit: common practice, no source."""
_SURE = {Quantity.AIR_TEMP: 0.4, Quantity.SURFACE_TEMP: 0.4, Quantity.HUMIDITY: 3.0}
"""What a channel should show has to be known so well before agreement with it acquits."""


class BeliefJudge:
    """The doubts of one enclosure.

    Attributes:
        standing: probes that cannot be told from one that is stuck, looked at every five minutes.
    """

    def __init__(
        self, keys: Iterable[Key], still: dict[Key, tuple[float, float]] | None = None
    ) -> None:
        """Begin to watch.

        Args:
            keys: every channel.
            still: how long a channel may stand still, and how far another of its quantity may
                move meanwhile, before it is known how they move together [s, its unit].
        """
        self.channels = {key: ChannelModel(*key) for key in keys}
        self._still = still or {}
        self.standing: dict[Key, Standing] = {}
        for key, channel in self.channels.items():
            others = sorted(
                (each for other, each in self.channels.items() if other != key),
                key=lambda each, own=channel: _distance(own, each),  # type: ignore[misc]
            )
            channel.neighbours = [
                (other, PairModel())
                for other in others[:_MOST_NEIGHBOURS]
                if _distance(channel, other) < math.inf
            ]
        self._airs = [c for c in self.channels.values() if c.quantity is Quantity.AIR_TEMP]
        self._hulls = [c for c in self.channels.values() if c.quantity is Quantity.SURFACE_TEMP]
        self._humid = {
            c.point: c for c in self.channels.values() if c.quantity is Quantity.HUMIDITY
        }

    def take(self, key: Key, value: float, time_s: float) -> Doubt | None:
        """Take a plausible reading in and return why it is doubted, or None.

        Args:
            key: its channel.
            value: in its quantity's unit.
            time_s: of it; never before the channel's last one [s].
        """
        return self.hear(self.channels[key], value, time_s)

    def hear(self, channel: ChannelModel, value: float, time_s: float) -> Doubt | None:
        """Take a plausible reading of a channel in; see `take`."""
        closed = channel.take(value, time_s)
        if closed >= 0:
            self._minute(channel, closed, time_s)
        rate, doubts = channel.rate, channel.doubts
        if rate.equal >= rate.needed and Check.FLAT_LINE not in doubts:
            self._flat(channel, value, time_s)
        return next(iter(doubts.values())) if doubts else None

    def jumped(self, key: Key, from_value: float, value: float, time_s: float) -> None:
        """Take note of a step beyond the rate limit, before its reading is taken in.

        Args:
            key: the channel.
            from_value: last value before it.
            value: after it.
            time_s: when [s].
        """
        channel = self.channels[key]
        if channel.quantity is Quantity.SURFACE_TEMP and channel.jump is None:
            self._look_for_step(channel, from_value, value, int(time_s // 60.0))

    def vouch(self, point: str) -> None:
        """Take a person's word for every channel of a body, until there is new evidence."""
        for channel in self.channels.values():
            if channel.point == point:
                channel.accept()
                self.standing.pop((point, channel.quantity), None)

    def begin_anew(self, key: Key) -> None:
        """Forget the present of a channel after a jump of the clock, or once it was carried."""
        self.standing.pop(key, None)
        self.channels[key].begin_anew()

    def why(self, key: Key, time_s: float) -> str:
        """Return why a channel is doubted and what to do, as a clause; "" where it is not."""
        for doubt in self.channels[key].doubts.values():
            lasted = _lasting(time_s - doubt.since_s)
            return (
                f"{doubt.words.replace('{lasted}', lasted)}: look at the probe, or say it is "
                f"right: filmcall event vouched --point {shlex.quote(key[0])}"
            )
        return ""

    def _stands(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        """Whether a hull has shown one value, or noise, for so long that it may as well be stuck.

        Of a time in which it was silent nobody knows what it would have shown.
        """
        since_s = max(channel.rate.since_s, 60.0 * channel.record.still_since)
        if time_s - since_s > STANDS_S:
            self._note_standing(channel, since_s, time_s, STANDS_S, noise=False)
            return
        watch = channel.hull_noise
        watch.look(self._slow_order(channel, watch, minute), minute)
        since_s = 60.0 * watch.since if watch.since >= 0 else math.inf
        self._note_standing(channel, since_s, time_s, 60.0 * SLOW_NOISE_MIN, noise=True)

    def _slow_order(self, channel: ChannelModel, watch: NoiseWatch, minute: int) -> float:
        """How much order there was for hours; infinity where it plainly moved, or stood."""
        begun, record = minute - SLOW_NOISE_MIN, channel.record
        if begun < channel.settled_from:
            return math.inf
        now, band = record.at(minute), channel.band()
        if watch.since < 0 and any(
            abs(record.at(each) - now) >= band for each in (begun, (begun + minute) // 2)
        ):
            return math.inf
        means = record.means_of_four(begun + 1, minute)
        return order_in(means) if checks.flickers(means) else math.inf

    def _note_standing(
        self,
        channel: ChannelModel,
        since_s: float,
        time_s: float,
        longest_s: float,
        *,
        noise: bool,
    ) -> None:
        stands = Standing(channel.record.at(channel.record.head), since_s, time_s, longest_s, noise)
        key = channel.point, channel.quantity
        if stands.unseen_s(time_s) > 0.0 and not channel.doubts:
            self.standing[key] = stands
        else:
            self.standing.pop(key, None)

    # Each minute ----------------------------------------------------------------------------

    def _minute(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        nats = channel.trace.nats
        if nats or Check.REPEATED_RECORD in channel.doubts:
            words = f"{channel.point} repeats, to the last digit, what it showed before"
            channel.note(Check.REPEATED_RECORD, repeated_record(nats), time_s, lambda: words)
        if channel.record.still_since != channel.spell_start:
            channel.end_spell(minute)
        if channel.quantity is Quantity.SURFACE_TEMP:
            self._step(channel, minute)
        if minute // _TICK_MIN != channel.tick:
            channel.tick = minute // _TICK_MIN
            self._tick(channel, minute, time_s)

    def _flat(self, channel: ChannelModel, value: float, time_s: float) -> None:
        if channel.quantity is Quantity.HUMIDITY and value >= SATURATED_PCT:
            return  # saturated air, or a wet probe: there is a quality for that
        rate = channel.rate
        if flat_line(rate.equal, channel.flat_for_s(time_s), rate.needed) is Verdict.SUSPECT:
            words = f"{channel.point} has shown {value:g} {_UNIT[channel.quantity]} for {{lasted}}"
            channel.doubts[Check.FLAT_LINE] = Doubt(
                Check.FLAT_LINE, rate.since_s, f"{words} without the least change"
            )

    # Steps of a hull ------------------------------------------------------------------------

    def _step(self, channel: ChannelModel, minute: int) -> None:
        channel.fade()
        record = channel.record
        value = record.at(minute)
        if channel.jump is not None:
            if minute <= channel.jump.seen:
                return
            expected_c = self._expected_c(channel, channel.jump, minute)
            agrees = checks.agrees_again(value, expected_c, channel.jump.size_k)
            back_k = record.at(minute - checks.STEP_MIN) - value
            if back_k / channel.jump.size_k >= _RETURNS_BY and agrees is not Verdict.PASS:
                channel.jump.from_c, channel.jump.minute = value, minute
            elif agrees is not Verdict.PASS:
                channel.jump.seen = minute
            elif minute - channel.jump.seen >= checks.AGREES_AGAIN_MIN:
                channel.jump = None
                channel.step_from = channel.settled_from = minute
                channel.doubts.pop(Check.RATE_OF_CHANGE, None)
            return
        before = record.at(minute - checks.STEP_MIN)
        if minute < channel.step_from or before != before:
            return
        if self._look_for_exchange(channel, minute):
            return
        if not self._look_for_step(channel, before, value, minute):
            channel.largest_step_k = max(channel.largest_step_k, abs(value - before))

    def _look_for_step(
        self, channel: ChannelModel, before_c: float, value_c: float, minute: int
    ) -> bool:
        if channel.record.closed < checks.PUT_UP_MIN:
            return False
        moved_k = value_c - before_c
        air_k = max(
            (
                abs(move)
                for air in self._airs
                if not math.isnan(move := _moved(air, minute - 2 * checks.STEP_MIN, minute))
            ),
            default=0.0,
        )
        bound_k = checks.hull_step_bound_k(channel.largest_step_k, channel.record.closed, air_k)
        if checks.rate_of_change(moved_k, bound_k) is not Verdict.SUSPECT:
            return False
        start = minute - checks.STEP_MIN
        channel.jump = Jump(before_c, start, moved_k, minute)
        jumped = f"jumped {abs(moved_k):.1f} K {'up' if moved_k > 0.0 else 'down'}"
        channel.doubts[Check.RATE_OF_CHANGE] = Doubt(
            Check.RATE_OF_CHANGE,
            60.0 * minute,
            f"{channel.point} {jumped} at once, which a hull cannot, {{lasted}} ago",
        )
        return True

    def _look_for_exchange(self, channel: ChannelModel, minute: int) -> bool:
        """Whether hull and air have shown each other's temperature since a few minutes ago."""
        if channel.record.closed < checks.PUT_UP_MIN:
            return False

        def ends(of: ChannelModel) -> tuple[float, float]:
            mean = of.record.mean_of_three
            return mean(minute - 2 * checks.STEP_MIN), mean(minute - 3)

        hull = ends(channel)
        for air in self._airs:
            crossed = checks.exchanged(hull, ends(air), channel.band_digit())
            if air.doubts or crossed is not Verdict.SUSPECT:
                continue
            start = minute - 2 * checks.STEP_MIN
            channel.jump = Jump(hull[0], start, hull[1] - hull[0], minute)
            channel.doubts[Check.RATE_OF_CHANGE] = Doubt(
                Check.RATE_OF_CHANGE,
                60.0 * minute,
                f"{channel.point} and the air at {air.point} have shown each other's temperature "
                "for {lasted}: the two may be exchanged",
            )
            return True
        return False

    def _expected_c(self, channel: ChannelModel, jump: Jump, minute: int) -> float:
        """Where a hull that jumped should be now: its past, moved on with the other hull probes.

        Without one that is believed the past speaks for an hour, and after that only a jump back
        ends the doubt.
        """
        moves = [
            move
            for other in self._hulls
            if other is not channel
            and not other.doubts
            and not math.isnan(move := _moved(other, jump.minute, minute))
        ]
        if moves:
            return jump.from_c + sum(moves) / len(moves)
        return jump.from_c if minute - jump.minute <= checks.PAST_SPEAKS_MIN else math.nan

    # Every five minutes ---------------------------------------------------------------------

    def _tick(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        self._attenuated(channel, minute, time_s)
        if channel.quantity is Quantity.SURFACE_TEMP:
            self._stands(channel, minute, time_s)
            hull_with_air(channel, self._airs, minute, time_s)
            self._neighbour(channel, minute, time_s)
        elif channel.quantity is Quantity.AIR_TEMP:
            self._sunlit(channel, minute, time_s)
        elif channel.quantity is Quantity.HUMIDITY:
            self._moisture(channel, minute, time_s)
            own_air = self.channels.get((channel.point, Quantity.AIR_TEMP))
            if own_air is not None:
                humidity_with_air(channel, own_air, minute, time_s)
            self._noise(channel, minute, time_s)
        if not channel.doubts and channel.has_moved:  # what never moved teaches nothing of movement
            for other, pair in channel.neighbours:
                if not other.doubts:
                    since = max(channel.settled_from, other.settled_from)
                    pair.learn(channel.record, other.record, minute, since)

    def _attenuated(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        record = channel.record
        suspected = Check.ATTENUATED_SIGNAL in channel.doubts
        start = channel.still_from if suspected else record.still_since
        still_min = minute - start
        if start < 0 or (not suspected and still_min < checks.LEAST_STILL_MIN):
            return
        own = record.at(minute)
        if channel.quantity is Quantity.HUMIDITY and own >= SATURATED_PCT:
            return
        if suspected and channel.spells - channel.spells_then >= _SPELLS_TO_RECOVER:
            channel.doubts.pop(Check.ATTENUATED_SIGNAL)
            return
        band = channel.band()
        best: tuple[float, float, ChannelModel, float] | None = None
        opinions: list[float] = []
        for other, pair in channel.neighbours:
            move = Movement(record, other.record, start, minute)
            if other.doubts or not move.known:
                continue
            expected = pair.expected(move, still_min)
            if expected is not None:
                by, spread = expected
                opinions.append((by - move.own) / math.hypot(spread, band, checks.LEAST_SPREAD))
                if best is None or spread < best[1]:
                    best = by, spread, other, move.own
            if suspected:
                continue
            still = checks.never_so_still(
                still_min,
                channel.longest_still,
                move.other,
                pair.moved_while_still,
                max(_SLACK[other.quantity], other.band()),
                channel.spells,
                same_kind=_same_kind(channel, other),
                heated=channel.quantity is Quantity.AIR_TEMP
                and other.quantity is Quantity.SURFACE_TEMP,
            )
            if still is Verdict.SUSPECT or (
                expected is None and self._by_default(channel, other, move, time_s - 60.0 * start)
            ):
                self._stands_still(channel, other, start, minute)
                return
        if best is None:
            return
        by, spread, other, moved = best
        verdict = checks.attenuated_signal(moved, by, spread, band, still_min, suspected=suspected)
        if suspected:
            if verdict is Verdict.PASS and spread < _SURE[channel.quantity]:
                channel.doubts.pop(Check.ATTENUATED_SIGNAL)
            return
        sign = math.copysign(1.0, by - moved)
        against = any(sign * each < -_SECOND_OPINION_SPREADS for each in opinions)
        if verdict is Verdict.SUSPECT and not against:
            self._stands_still(channel, other, start, minute)

    def _stands_still(
        self, channel: ChannelModel, other: ChannelModel, start: int, minute: int
    ) -> None:
        channel.still_from = start
        channel.spells_then = channel.spells
        moving = _moving(other, _moved(other, start, minute))
        channel.doubts[Check.ATTENUATED_SIGNAL] = Doubt(
            Check.ATTENUATED_SIGNAL,
            60.0 * start,
            f"{channel.point} has not moved for {{lasted}} while {moving}",
        )

    def _by_default(
        self, channel: ChannelModel, other: ChannelModel, move: Movement, lasted_s: float
    ) -> bool:
        """The same test before it is known how two channels move together."""
        own = self._still.get((channel.point, channel.quantity))
        theirs = self._still.get((other.point, other.quantity))
        if own is None or theirs is None or lasted_s < own[0]:
            return False
        never_moved = (
            channel.quantity is Quantity.SURFACE_TEMP
            and not channel.has_moved
            and lasted_s >= _NEVER_MOVED_S
        )
        sure = other.quantity is channel.quantity or never_moved
        needed = (own if other.quantity is channel.quantity else theirs)[1]
        return abs(move.other) >= (needed if sure else 2.0 * needed)

    def _neighbour(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        """Whether a hull has gone its own way; air may, since heat comes into it first."""
        if channel.jump is not None:
            return  # what it did is known
        suspect, heard = False, False
        for scale in SCALES_MIN:
            spreads: list[float] = []
            if minute - scale < channel.settled_from:
                break
            for other, pair in channel.neighbours:
                if other.doubts:
                    continue
                move = Movement(channel.record, other.record, minute - scale, minute)
                expected = pair.expected(move, scale) if move.known else None
                if expected is not None and math.isfinite(expected[0]):
                    off = move.own - expected[0]
                    spreads.append(
                        off / math.hypot(expected[1], channel.band(), checks.LEAST_SPREAD)
                    )
            heard = heard or bool(spreads)
            suspect = suspect or checks.neighbour(spreads) is Verdict.SUSPECT
        verdict = Verdict.SUSPECT if suspect else Verdict.NOT_EVALUATED
        if suspect:
            channel.own_way = minute
        elif heard and minute - channel.own_way >= checks.AGREES_FOR_MIN:
            verdict = Verdict.PASS
        words = f"{channel.point} goes another way than every probe beside it"
        channel.note(Check.NEIGHBOUR, verdict, time_s, lambda: words)

    def _noise(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        """Whether a humidity shows nothing but noise and nothing of what its own body's air does.

        Sooner where that air shows nothing else either: both would have to have come to rest; and
        of smooth air only after hours, in which its course must have shown.
        """
        air = self.channels.get((channel.point, Quantity.AIR_TEMP))
        spoken = air is not None and max(channel.spacing_min, air.spacing_min) <= 1
        if air is not None and spoken and not air.doubts and not channel.doubts:
            body, alone, slow = channel.noise
            own, theirs = (
                each.record.minutes(minute - NOISE_MIN + 1, minute) for each in (channel, air)
            )
            if max(own) < SATURATED_PCT:
                for watch in (body, alone):
                    pair = own[-watch.window_min :], theirs[-watch.window_min :]
                    order, quick_order = (
                        order_together(*each, both=watch is body)
                        for each in (pair, map(about_course, pair))
                    )
                    watch.look(order, minute, quick_order)
                slow.look(self._slow_order(channel, slow, minute), minute)
        found = [each for each in channel.noise if each.since >= 0]
        first = min(found, key=lambda each: each.since + each.window_min, default=channel.noise[0])
        since_s = 60.0 * first.since if found else math.inf
        self._note_standing(channel, since_s, time_s, 60.0 * first.window_min, noise=True)

    def _sunlit(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        own = channel.record.at(minute)
        others = [
            value
            for air in self._airs
            if air is not channel and not air.doubts and (value := air.record.at(minute)) == value
        ]
        above = own - _median(others) if others else math.nan
        channel.apart_now = above
        humid = self._humid.get(channel.point)
        apart = math.nan
        if humid is not None and not math.isnan(humid.apart_now):
            apart = humid.apart_now - humid.apart.mean
        verdict = checks.sunlit(
            above,
            channel.apart.mean,
            channel.apart.spread(),
            apart,
            above_all=all(
                not value > own
                for other in (*self._airs, *self._hulls)
                if (value := other.record.at(minute)) == value
            ),
        )
        verdict = _lasting_verdict(channel, verdict, _TICKS_APART)
        if verdict is Verdict.PASS and above == above and not channel.doubts:
            channel.apart.learn(above)

        def words() -> str:
            return (
                f"{channel.point} reads {above:.1f} K over the other air probes in the same moist "
                "air: the sun or a heater may shine on it"
            )

        channel.note(Check.SUNLIT, verdict, time_s, words)
        if humid is not None:
            humid.note(Check.SUNLIT, verdict, time_s, words)

    def _moisture(self, channel: ChannelModel, minute: int, time_s: float) -> None:
        own = self._vapour_hpa(channel, minute)
        others = [
            hpa
            for other in self._humid.values()
            if other is not channel
            and (Check.VAPOUR_PRESSURE in other.doubts or not other.doubts)
            and (hpa := self._vapour_hpa(other, minute)) == hpa
        ]
        apart, theirs = math.nan, math.nan
        if others and own > 0.0:
            theirs = _median(others)
            apart = math.log(own / theirs)
        channel.apart_now = apart
        verdict = checks.vapour_pressures_part(apart, channel.apart.mean, channel.apart.spread())
        verdict = _lasting_verdict(channel, verdict, _TICKS_MOISTURE)
        if verdict is Verdict.PASS and apart == apart and not channel.doubts:
            channel.apart.learn(apart)
        channel.note(
            Check.VAPOUR_PRESSURE,
            verdict,
            time_s,
            lambda: (
                f"{channel.point} said {own:.1f} hPa of moisture in the air where the other "
                f"probes of the tent said {theirs:.1f}"
            ),
        )

    def _vapour_hpa(self, humid: ChannelModel, minute: int) -> float:
        air = self.channels.get((humid.point, Quantity.AIR_TEMP))
        if air is None:
            return math.nan
        rh_pct = humid.record.at(minute)
        if not 1.0 < rh_pct < SATURATED_PCT:
            return math.nan
        return checks.vapour_pressure_hpa(air.record.at(minute), rh_pct)


def _lasting_verdict(channel: ChannelModel, verdict: Verdict, ticks: int) -> Verdict:
    if verdict is not Verdict.SUSPECT:
        channel.apart_ticks = 0
        return verdict
    channel.apart_ticks += 1
    return verdict if channel.apart_ticks >= ticks else Verdict.NOT_EVALUATED


def _same_kind(own: ChannelModel, other: ChannelModel) -> bool:
    """Whether two channels measure one kind of thing: humidity often stays where the air cools."""
    return (own.quantity is Quantity.HUMIDITY) == (other.quantity is Quantity.HUMIDITY)


def _distance(own: ChannelModel, other: ChannelModel) -> float:
    """How remote another channel is as a witness; infinite where it is none."""
    if own.quantity in _TEMPERATURES:
        if other.quantity is own.quantity:
            return 0.0
        return 1.0 if other.quantity in _TEMPERATURES else math.inf
    if own.quantity is Quantity.HUMIDITY:
        if other.quantity is Quantity.HUMIDITY:
            return 0.0
        if other.quantity is Quantity.AIR_TEMP:
            return 1.0 if other.point == own.point else 2.0
        return 3.0 if other.quantity is Quantity.SURFACE_TEMP else math.inf
    return math.inf


def _moved(channel: ChannelModel, start: int, minute: int) -> float:
    return channel.record.at(minute) - channel.record.at(start)


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


_UNIT = {
    Quantity.AIR_TEMP: "°C",
    Quantity.HUMIDITY: "%",
    Quantity.SURFACE_TEMP: "°C",
    Quantity.CO2: "ppm",
    Quantity.DUST: "µg/m³",
}


def _moving(other: ChannelModel, moved: float) -> str:
    what = {
        Quantity.AIR_TEMP: "the air",
        Quantity.HUMIDITY: f"the humidity at {other.point}",
    }.get(other.quantity, other.point)
    unit = "K" if other.quantity in _TEMPERATURES else _UNIT[other.quantity]
    return f"{what} {'rose' if moved > 0.0 else 'fell'} {abs(moved):.1f} {unit}"


def _lasting(duration_s: float) -> str:
    minutes = max(1, round(duration_s / 60.0))
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
