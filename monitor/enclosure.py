"""One enclosure from reading to call: judges quality, keeps the present, evaluates each section.

Writes nothing and prints nothing: replay and watch drive it and hand on what it returns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from monitor.calibrations import CalibrationBook
from monitor.config.load import EnclosureConfig, PointConfig
from rules.air.state import pressure_at_altitude_pa
from rules.air.worked_out import worked_out_accuracy
from rules.call import WORST_FIRST, Call
from rules.climate import AssumedSurface, PointValue
from rules.errors import FilmcallError
from rules.events import CarriedOut, Event, ProbesOut
from rules.known import HUMIDITY, TEMPERATURE, gone_by
from rules.notices import (
    CO2_TOLD_PPM,
    DUST_TOLD_UG_M3,
    co2_notice,
    dust_notice,
    standing_notice,
)
from rules.reasons import Doubt, least_room, probes_out_doubt
from rules.section import Film, LastAnswer, Section, SectionCall
from rules.text import date_hour_text, duration_text
from rules.vocabulary import ALL_SECTIONS, EventKind
from sensors.faults import FaultJudge, PointWatch
from sensors.reading import Quality, Quantity, Reading
from sensors.zones import zone_or_utc

_PACE = {Quantity.SURFACE_TEMP.value: TEMPERATURE, Quantity.HUMIDITY.value: HUMIDITY}

FilmOf = Callable[[str, float], Film]


class LastCall(NamedTuple):
    """A section's last two answers in the log; None where it has none.

    Attributes:
        start: whether to start.
        films: about its wet films.
    """

    start: LastAnswer | None = None
    films: LastAnswer | None = None


LOOK_APART_S = 1.0
"""An end of a clock is seen in its own second, and no film is looked at more often for it [s]."""


class Intake(NamedTuple):
    """What became of readings: for the log.

    Attributes:
        kept: as they came, with their quality; late ones too, duplicates not.
        used: the values that were judged, in the same order [unit of each].
        confirmed: earlier spikes that turned out to be true.
    """

    kept: list[Reading]
    used: list[float]
    confirmed: list[Reading]


@dataclass(slots=True)
class Counts:
    """What came in and what was set aside; the screen and doctor show it."""

    readings: int = 0
    evaluations: int = 0
    duplicates: int = 0
    late: int = 0
    unmapped: int = 0
    set_aside: dict[str, int] = field(default_factory=dict)


_OK = Quality.OK.value
_UNHEARD = (Quality.STALE.value, Quality.MISSING.value)
SAME_LAG_S = 30.0
"""Readings that come behind by so nearly the same have a slow clock; judgement, no source [s]."""
SURE_OF_LAG_S = 60.0
"""For so long: what was kept back and comes at once is heard in less; judgement, no source [s]."""


class ChannelState:
    """The present of one quantity at one point."""

    __slots__ = (
        "_lags_s",
        "_quantity",
        "calibrated_accuracy",
        "config",
        "effective_s",
        "expires_s",
        "lag_s",
        "reading",
        "sensed",
        "solvent_accuracy",
        "watch",
        "why",
    )

    def __init__(self, config: PointConfig, watch: PointWatch) -> None:
        self.config = config
        self.watch = watch
        self._quantity = config.quantity.value
        self.why = "" if config.confirmed else f"{config} is a guess that nobody has confirmed"
        self.reading: Reading | None = None
        self.effective_s = -math.inf
        self.expires_s = math.inf
        self.calibrated_accuracy: float | None = None
        self.solvent_accuracy = 0.0
        self.lag_s = math.nan
        self._lags_s: tuple[float, float] = (-math.inf, -math.inf)
        self.sensed = self._sense(math.nan, Quality.MISSING)

    def take(self, reading: Reading, effective_s: float, why: str = "") -> None:
        """Make a judged reading the present one.

        Args:
            reading: with its quality.
            effective_s: the time from which its age counts [s].
            why: it is doubted, where it is.
        """
        self.reading = reading
        self.why = why
        self.effective_s = effective_s
        counts = reading.quality in (Quality.OK, Quality.DOUBTED)
        self.expires_s = effective_s + self.watch.max_age_s() if counts else math.inf
        self.sensed = self._sense(reading.value, reading.quality)

    def go_on(self, reading: Reading, effective_s: float) -> None:
        """Make the present one a reading that is believed as the one before was; see `take`."""
        watch, before = self.watch, self.sensed
        proved = self.calibrated_accuracy
        accuracy = (self.config.accuracy if proved is None else proved) + self.solvent_accuracy
        slow = watch.is_slow or before.usual_change
        if slow or before.quality != _OK or before.accuracy != accuracy:
            self.take(reading, effective_s)
            return
        self.reading = reading
        self.effective_s = effective_s
        self.expires_s = effective_s + watch.max_age_s()
        self.sensed = PointValue._make((*before[:3], reading.value, *before[4:]))

    def too_old(self, reading: Reading, effective_s: float, now_s: float) -> bool:
        """Return whether a reading can be no present: stale when it came, or a broker's old one.

        A retained reading without a time of its own takes no good value's place; where there is
        none, it becomes the present, as `retained`.
        """
        if reading.quality is Quality.RETAINED and self.sensed.quality == Quality.OK.value:
            return True
        return effective_s + self.watch.max_age_s() < now_s

    def came_late(self, effective_s: float, now_s: float) -> None:
        """Take note of a reading that was too old when it came [s]."""
        lag_s, (since_s, _) = now_s - effective_s, self._lags_s
        if not abs(lag_s - self.lag_s) <= SAME_LAG_S:
            self.lag_s, since_s = lag_s, now_s
        self._lags_s = since_s, now_s

    def clock_slow_s(self, now_s: float) -> float | None:
        """Return by how much its probe's own clock is slow; None where it is not, or is silent [s].

        Its readings come, and each says that it is of as long ago as the one before.
        """
        since_s, heard_s = self._lags_s
        is_sure = heard_s - since_s >= SURE_OF_LAG_S
        return self.lag_s if is_sure and now_s - heard_s <= self.watch.max_age_s() else None

    def expire(self) -> None:
        """Its time has run out: what it last said no longer counts."""
        self.expires_s = math.inf
        self.sensed = self._sense(math.nan, Quality.STALE)

    def forget(self) -> None:
        """The clock jumped: nothing from before it counts as present."""
        self.effective_s = -math.inf
        self.expires_s = math.inf
        self.sensed = self._sense(math.nan, Quality.CLOCK)

    def widen(self, solvent_accuracy: float) -> None:
        """Take into account what solvent may have done to the sensor, in its own unit."""
        self.solvent_accuracy = solvent_accuracy
        self.sensed = self.sensed._replace(accuracy=self.accuracy())

    def accuracy(self) -> float:
        """Return the half-width of the sensor's error, calibration and solvent included.

        Unit: the quantity's. What a calibration proved stands in place of the config's figure;
        solvent adds straight, since it pulls one way.
        """
        proved = self.calibrated_accuracy
        return (self.config.accuracy if proved is None else proved) + self.solvent_accuracy

    def _sense(self, value: float, quality: Quality) -> PointValue:
        config = self.config
        return PointValue(
            config.name,
            self._quantity,
            config.section,
            value,
            quality.value,
            self.accuracy(),
            config.required,
            self.watch.usual_change(),
            0.0,
            config.shared_element,
            self.why if quality is Quality.DOUBTED or not config.confirmed else "",
        )


class Enclosure:
    """One painted space: its points, its sections, and the call of each.

    Times given to it never go back, save through `clock_jumped`. In a replay they are the
    recording's own; live they are a steady clock's, so that no jump of the wall clock makes old
    data young.
    """

    def __init__(
        self,
        config: EnclosureConfig,
        film_of: FilmOf,
        start_s: float,
        last_calls: Mapping[str, LastCall] | None = None,
        on_evaluated: Callable[[Enclosure], None] | None = None,
        carried_out: Callable[[], CarriedOut] = CarriedOut,
        films_due_s: Callable[[], float] = lambda: math.inf,
    ) -> None:
        """Begin to watch.

        Args:
            config: of the enclosure and its points.
            film_of: what events say of a section at a time.
            start_s: now [s].
            last_calls: what the log left of each section.
            on_evaluated: is called after each evaluation.
            carried_out: gives which probes events say are out, and when.
            films_due_s: when to ask `film_of` again though nothing is heard [s].
        """
        self._calibrations = CalibrationBook()
        self.config = config
        self._on_evaluated = on_evaluated
        self.name = config.name
        self.counts = Counts()
        self.now_s = start_s
        self.doubts: tuple[Doubt, ...] = ()
        self._carried_out = carried_out
        self.no_link = ""
        self._came_late = False
        self.intake_delay_s = 0.0  # how old what is heard is by the time it comes
        self._film_of, self._films_due_s = film_of, films_due_s
        keys = {(point.name, point.quantity): point.rules for point in config.points}
        self._judge = FaultJudge(keys)
        self._channels = {
            (point.name, point.quantity): ChannelState(
                point, self._judge.watch(point.name, point.quantity)
            )
            for point in config.points
        }
        places = {key: at for at, key in enumerate(self._channels)}
        self._worked_out = tuple(
            (at, places.get((name, Quantity.AIR_TEMP)))
            for (name, quantity), at in places.items()
            if quantity is Quantity.HUMIDITY
            and self._channels[name, quantity].config.told_accuracy_k is not None
        )
        self._next_expiry_s = math.inf  # none runs out before it, and perhaps none at it
        self._next_look_s = math.inf  # at films
        self._assumed = (
            AssumedSurface(config.assumed_surface_offset_k, config.assumed_surface_accuracy_k)
            if config.assumed_surface_offset_k is not None
            else None
        )
        self.sections: dict[str, Section] = {}
        before = last_calls or {}
        for name in self._section_names(before):
            self._add_section(name, before.get(name))

    def _section_names(self, before: Mapping[str, LastCall]) -> tuple[str, ...]:
        named = {point.section for point in self.config.points if point.section is not None}
        return tuple(sorted((named or {ALL_SECTIONS}) | (set(before) - {ALL_SECTIONS})))

    def _add_section(self, name: str, before: LastCall | None = None) -> None:
        film = self._film_of(name, self.now_s)
        start, films = before or LastCall()
        self.sections[name] = Section(name, film, self.now_s, start, films)

    def calibrate(self, book: CalibrationBook) -> None:
        """Pass the readings to come through a log's calibrations, for their value and accuracy."""
        self._calibrations = book

    def salt_checked_s(self, point: str) -> float:
        """Return when a salt last showed what a humidity point has lost; -inf for never [s]."""
        checked_s = self._calibrations.salt_checked_s(self.name, point, self.now_s)
        return -math.inf if checked_s is None else checked_s

    def channels(self) -> Iterable[ChannelState]:
        """Return the present of every configured quantity at every point."""
        return self._channels.values()

    def said(self, point: str, quantity: Quantity) -> tuple[float, float]:
        """Return what a channel says, NaN where it is not believed, and since when [unit, s]."""
        channel = self._channels.get((point, quantity))
        if channel is None or channel.sensed.quality != _OK:
            return math.nan, math.nan
        return channel.sensed.value, channel.effective_s

    @property
    def call(self) -> Call:
        """The worst of the sections' calls."""
        calls = {section.memory.call for section in self.sections.values()}
        return next(call for call in WORST_FIRST if call in calls)

    def take(
        self, readings: Sequence[Reading], effective_s: float, now_s: float | None = None
    ) -> Intake:
        """Take readings of one instant in, and evaluate.

        Args:
            readings: of this enclosure, all of one time.
            effective_s: the time from which their age counts [s].
            now_s: the time at which they came, where that is later, as live [s].
        """
        now_s = effective_s if now_s is None else max(now_s, effective_s)
        self.advance(now_s)
        taken = Intake([], [], [])
        kept, used, _ = taken
        fresh = False
        counts, judge, channels = self.counts, self._judge, self._channels
        as_it_comes = self._calibrations.empty
        came_late = now_s > effective_s
        carried = self._carried_out()
        for reading in readings:
            channel = channels.get((reading.point, reading.quantity))
            if channel is None:
                counts.unmapped += 1
                continue
            counts.readings += 1
            old = came_late or reading.quality is Quality.RETAINED
            if effective_s <= channel.effective_s or (
                old and channel.too_old(reading, effective_s, now_s)
            ):
                self._take_late(channel, reading, effective_s, taken)
                if came_late and reading.quality is Quality.OK:
                    self._came_late = True
                    knew = channel.clock_slow_s(now_s) is not None
                    channel.came_late(effective_s, now_s)
                    fresh |= not knew and channel.clock_slow_s(now_s) is not None
                continue
            said = reading if as_it_comes else self._corrected(channel, reading)
            if carried and channel.config.is_out(carried, effective_s):
                self._take_judged(channel, reading, [said], effective_s, taken)
                fresh = True
                continue
            quality = judge.plainly(channel.watch, said)
            if quality is Quality.OK:
                kept.append(reading)
                used.append(said.value)
                channel.go_on(said, effective_s)
            else:
                judged = judge.judge(said) if quality is None else [_as(said, quality)]
                self._take_judged(channel, reading, judged, effective_s, taken)
            if channel.expires_s < self._next_expiry_s:
                self._next_expiry_s = channel.expires_s
            fresh = True
        if fresh:
            self.now_s = max(self.now_s, now_s)
            self._evaluate()
        return taken

    def _take_judged(
        self,
        channel: ChannelState,
        reading: Reading,
        judged: Sequence[Reading],
        effective_s: float,
        taken: Intake,
    ) -> None:
        """Take in what the judge says of a reading, after any earlier one that it confirms."""
        *confirmed, last = judged
        taken.confirmed.extend(confirmed)
        quality, seen = last.quality, self.counts.set_aside
        if confirmed:  # they were set aside as they came
            seen[Quality.SPIKE.value] = seen.get(Quality.SPIKE.value, 0) - len(confirmed)
        if quality is not Quality.OK:
            seen[quality.value] = seen.get(quality.value, 0) + 1
        taken.kept.append(_as(reading, quality))
        taken.used.append(last.value)
        why = ""
        if quality is Quality.DOUBTED:
            why = self._judge.why(reading.point, reading.quantity, reading.time_s)
        channel.take(last, effective_s, why)

    def _corrected(self, channel: ChannelState, reading: Reading) -> Reading:
        """Pass a reading through its probe's calibration, where it has one."""
        value, channel.calibrated_accuracy = self._calibrations.correct(reading)
        return reading if value == reading.value else replace(reading, value=value)

    def _take_late(
        self, channel: ChannelState, reading: Reading, effective_s: float, taken: Intake
    ) -> None:
        """A late reading enters history and clocks, not the present; a repeated one nothing."""
        if channel.reading is not None and effective_s == channel.effective_s:
            self.counts.duplicates += 1
            return
        self.counts.late += 1
        taken.kept.append(reading)
        taken.used.append(self._corrected(channel, reading).value)

    def take_late(self, readings: Sequence[Reading]) -> Intake:
        """Count readings from before the present; they go to the log and the clocks only."""
        known = [each for each in readings if (each.point, each.quantity) in self._channels]
        self.counts.late += len(known)
        used = [
            self._corrected(self._channels[each.point, each.quantity], each).value for each in known
        ]
        return Intake(known, used, [])

    def advance(self, to_s: float) -> bool:
        """Let time pass: evaluate at each instant before `to_s` at which a value's age ran out or
        a film changed.

        Returns:
            Whether any value ran out.
        """
        expired = False
        while min(self._next_expiry_s, self._next_look_s) < to_s:
            if self._next_look_s <= self._next_expiry_s:
                self._look_at_films(self._next_look_s)
                continue
            at_s = min(channel.expires_s for channel in self._channels.values())
            self._next_expiry_s = at_s
            if at_s >= to_s:
                break
            for channel in self._channels.values():
                if channel.expires_s <= at_s:
                    channel.expire()
                    seen = self.counts.set_aside
                    seen["stale"] = seen.get("stale", 0) + 1
            self._next_expiry_s = min(channel.expires_s for channel in self._channels.values())
            self.now_s = max(self.now_s, at_s)
            self._evaluate()
            expired = True
        return expired

    def _look_at_films(self, at_s: float) -> None:
        """See whether a film has changed with time alone, as where a clock has ended [s]."""
        changed = [
            self._film_of(name, at_s) is not each.film for name, each in self.sections.items()
        ]
        self._look_again(at_s)
        if any(changed):
            self.now_s = max(self.now_s, at_s)
            self._evaluate()

    def _look_again(self, at_s: float) -> None:
        """Set when to look at the films next; where every value has run out, no GO can stand."""
        self._next_look_s = math.inf
        if self._next_expiry_s < math.inf:
            self._next_look_s = max(self._films_due_s(), at_s + LOOK_APART_S)

    def evaluate_now(self, now_s: float) -> None:
        """Evaluate without a new reading, as after an event or a change of a doubt."""
        self.advance(now_s)
        self.now_s = max(self.now_s, now_s)
        self._evaluate()

    def _evaluate(self) -> None:
        self.counts.evaluations += 1
        sensed = [channel.sensed for channel in self._channels.values()]
        if self._worked_out:
            self._weigh_worked_out(sensed)
        if self._judge.standing:
            sensed = [self._widened(each) for each in sensed]
        if self.no_link or self._came_late:
            sensed = [
                self._unheard(each, channel) if each.quality in _UNHEARD else each
                for each, channel in zip(sensed, self._channels.values(), strict=True)
            ]
        carried = self._carried_out()
        if carried:  # where they were carried to, a logger may go on
            sensed = [
                each._replace(quality=Quality.MISSING.value)
                if channel.config.is_out(carried, self.now_s)
                else each
                for each, channel in zip(sensed, self._channels.values(), strict=True)
            ]
        for section in self.sections.values():
            film = self._film_of(section.name, self.now_s)
            if film is not section.film:
                section.set_film(film, self.now_s)
            doubts = self.doubts
            if carried and (out := carried.of_section(section.name, self.now_s)) is not None:
                doubts = (*doubts, self._out_doubt(out))
            section.evaluate(sensed, self.now_s, assumed=self._assumed, doubts=doubts)
        if self._on_evaluated is not None:
            self._on_evaluated(self)
        self._look_again(self.now_s)

    def _weigh_worked_out(self, sensed: list[PointValue]) -> None:
        """Give each humidity that was worked out the accuracy that it has by the air of now."""
        channels = list(self._channels.values())
        pressure_pa = pressure_at_altitude_pa(self.config.altitude_m)
        for at, beside in self._worked_out:
            channel, humidity = channels[at], sensed[at]
            air = None if beside is None else sensed[beside]
            point = channel.config
            if (
                air is None or air.quality != _OK or humidity.quality != _OK
                or channel.calibrated_accuracy is not None
                or point.worked_out_from is None or point.told_accuracy_k is None
            ):  # fmt: skip
                continue
            try:
                accuracy, by_air = worked_out_accuracy(
                    point.worked_out_from,
                    air.value,
                    humidity.value,
                    air.accuracy,
                    point.told_accuracy_k,
                    pressure_pa,
                )
            except FilmcallError:  # the two are not of one moment, and cannot be together
                sensed[at] = humidity._replace(quality=Quality.MISSING.value)
                continue
            accuracy += channel.solvent_accuracy
            sensed[at] = humidity._replace(accuracy=accuracy, by_air=by_air)

    def _widened(self, sensed: PointValue) -> PointValue:
        """Count what a hull or the air can have done since a probe has told nothing of it."""
        stands = self._judge.standing.get((sensed.point, Quantity(sensed.quantity)))
        if stands is None:
            return sensed
        off = gone_by(_PACE[sensed.quantity], stands.unseen_s(self.now_s))
        return sensed._replace(
            usual_change=sensed.usual_change + off, why=sensed.why or "its probe stands"
        )

    def _unheard(self, sensed: PointValue, channel: ChannelState) -> PointValue:
        """Say why nothing counts of a channel where the link or its probe's clock is to blame."""
        slow_s, why = channel.clock_slow_s(self.now_s), self.no_link
        if slow_s is not None and not why:
            why = f"the clock of {channel.config.name} is {duration_text(slow_s)} slow; set it"
        return sensed._replace(why=why) if why else sensed

    def heed(self, event: Event) -> None:
        """Take a person's word on probes: that one is right, or that they were put back."""
        if event.kind is EventKind.VOUCHED:
            self.vouch(event.what or "")
        elif event.kind is EventKind.PROBES_IN:
            carried = self._carried_out()
            for (point, quantity), channel in self._channels.items():
                config, surface = channel.config, quantity is Quantity.SURFACE_TEMP
                if config.inside and carried.touches(event, config.section, surface=surface):
                    self._judge.forget(point, quantity)
                    channel.forget()

    def vouch(self, point: str) -> None:
        """Take a person's word that a body is right: its doubts end until there is new evidence."""
        self._judge.vouch(point)
        for channel in self._channels.values():
            reading = channel.reading
            if (
                channel.config.name == point
                and reading is not None
                and channel.sensed.quality == Quality.DOUBTED.value
            ):
                channel.take(replace(reading, quality=Quality.OK), channel.effective_s)
                self._next_expiry_s = min(self._next_expiry_s, channel.expires_s)

    def _told_beside(self) -> list[Doubt]:
        """What the air, and a probe that moves no more, say beside every call."""
        told = []
        for quantity, least, notice in (
            ("co2", CO2_TOLD_PPM, co2_notice),
            ("dust", DUST_TOLD_UG_M3, dust_notice),
        ):
            highest = max(
                (
                    channel.sensed.value
                    for channel in self._channels.values()
                    if channel.sensed.quantity == quantity
                    and channel.sensed.quality == Quality.OK
                    and channel.config.inside
                ),
                default=-math.inf,
            )
            if highest >= least:
                told.append(notice(highest))
        for (point, quantity), stands in self._judge.standing.items():
            lasted_s = stands.looked_s - stands.since_s
            off = gone_by(_PACE[quantity.value], stands.unseen_s(stands.looked_s))
            humid = quantity is Quantity.HUMIDITY
            told.append(
                standing_notice(point, stands.value, lasted_s, off, noise=stands.noise, humid=humid)
            )
        return told

    def learn(self, readings: Iterable[Reading]) -> None:
        """Let the judge see what came before a restart; nothing of it is present.

        Args:
            readings: as they came, calibrated, in the order of time.
        """
        carried = self._carried_out()
        for reading in readings:
            channel = self._channels.get((reading.point, reading.quantity))
            # What a carried one says is neither held against it nor learned from.
            if channel is None or (carried and channel.config.is_out(carried, reading.time_s)):
                continue
            self._judge.judge(reading)

    def _out_doubt(self, out: ProbesOut) -> Doubt:
        if out.until_s is None:
            return probes_out_doubt("the film is touch dry", out.section)
        until = date_hour_text(out.until_s, zone_or_utc(self.config.timezone))
        return probes_out_doubt(until, out.section, overdue=self.now_s >= out.until_s)

    def clock_jumped(self, to_s: float) -> None:
        """The clock that times are given by was set: nothing from before it is present any more."""
        self.now_s = to_s
        for key, channel in self._channels.items():
            self._judge.forget(*key)
            channel.forget()
        self._next_expiry_s = self._next_look_s = math.inf
        for section in self.sections.values():
            section.clock_jumped(to_s)

    def ensure_section(self, name: str | None) -> None:
        """Begin to watch a section that an event names and the config does not."""
        if name is not None and name != ALL_SECTIONS and name not in self.sections:
            self._add_section(name)

    def end_section(self, name: str) -> None:
        """Watch a section no more that has ended; see `section_ends`."""
        self.sections.pop(name, None)

    def age_s(self, channel: ChannelState) -> float | None:
        """Return how old a channel's last word is, or None where it never spoke [s]."""
        return self.now_s - channel.effective_s if math.isfinite(channel.effective_s) else None

    def explain(self) -> list[SectionCall]:
        """Return every section's call with its reasons, worst call first.

        Where two are alike and no GO, the one with a wet film leads: there is more to lose; of
        two that are GO the one with less room. What stands for all the rest comes after a section
        that has a name.
        """
        zone = zone_or_utc(self.config.timezone)
        air = self._told_beside()
        calls = [section.explain(zone, air) for section in self.sections.values()]
        return sorted(
            calls,
            key=lambda each: (
                WORST_FIRST.index(each.call),
                least_room(each.reasons) if each.call is Call.GO else each.films is None,
                each.section == ALL_SECTIONS,
                each.section,
            ),
        )


def _as(reading: Reading, quality: Quality) -> Reading:
    return reading if reading.quality is quality else replace(reading, quality=quality)


def constant_film(film: Film) -> FilmOf:
    """Return the `film_of` of an enclosure in which nothing has been recorded: always `film`."""

    def film_of(_section: str, _time_s: float) -> Film:
        return film

    return film_of
