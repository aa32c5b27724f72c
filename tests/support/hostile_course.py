"""Courses of a section that lie in wait for a call: what its probes say, when, and what is done.

Drawn from a seed. Values are led to where a rule turns (a bound, its guard, its bands) and held,
crept, thrown and shaken there, at any pace.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache

from rig import ENAMEL, PRIMER, TOPCOAT

from monitor.specs import find_spec, shipped_names
from rules.air.state import dew_and_frost_c
from rules.call import Call
from rules.climate import (
    AIR_TEMP,
    HUMIDITY,
    SURFACE_TEMP,
    AssumedSurface,
    Climate,
    PointValue,
    climate_of,
)
from rules.errors import FilmcallError
from rules.heat import HEAT
from rules.limits import is_upper
from rules.outlook.draws import OutlookBreak
from rules.reasons import PROBES_OUT, Doubt
from rules.section import Film, LastAnswer, Section
from rules.spec.model import GENERAL_GUIDANCE, Limit, Spec
from rules.trend import AHEAD_COUNTS_S, EarlierOutlook
from rules.vocabulary import FILM_STAGES, Effect, LimitName, LimitState, Method, Stage, Step

SECTION = "hull-port"
BEGAN_S = 1_800_000_000.0
PACES_S = (0.1, 1.0, 1.0, 2.0, 5.0, 7.0, 10.0, 10.0, 10.0, 15.0, 30.0, 60.0, 600.0)
QUALITIES = ("stale", "missing", "doubted", "clock", "spike", "retained", "out of range")
DOUBTS = (
    Doubt("clock", "The clock is not sure"),
    Doubt("log", "The log's disk is full"),
    Doubt(HEAT, "The heater is on", LimitState.NEAR, 1.0, 2.0, "K"),
    Doubt(PROBES_OUT, "The probes are out until 12:00"),
)


@dataclass(slots=True)
class Channel:
    """One quantity at one point; what it says, and how."""

    point: str
    quantity: str
    section: str | None
    value: float
    accuracy: float
    required: bool = True
    usual_change: float = 0.0
    by_air: float = 0.0
    shared: bool = False
    quality: str = "ok"
    hours: int = 6
    said: PointValue | None = None

    def speak(self, step: float, *, anew: bool) -> PointValue:
        """Return its last word, the same object where nothing is new unless asked for anew."""
        value = round(self.value / step) * step if step else self.value
        found = PointValue(
            self.point,
            self.quantity,
            self.section,
            value if self.quality in ("ok", "doubted") else math.nan,
            self.quality,
            self.accuracy,
            self.required,
            self.usual_change,
            self.by_air,
            self.shared,
            f"it has not moved for {self.hours} h" if self.quality == "doubted" else "",
        )
        if anew or self.said is None or repr(found) != repr(self.said):
            self.said = found
        return self.said


@cache
def all_specs() -> tuple[Spec, ...]:
    """Return the shipped specs, the strict ones and the general guidance."""
    files = (*shipped_names(), PRIMER, TOPCOAT, ENAMEL)
    return (GENERAL_GUIDANCE, *(find_spec(each)[0] for each in files))


class Course:
    """A section's course from a seed.

    Attributes:
        chance: what is drawn from.
        time_s: now [s].
        film: what stands.
        ahead: the outlook made last, or None.
        assumed: what stands in for a surface probe, or None.
        doubts: what beside the limits forbids GO.
        channels: every quantity at every point.
    """

    def __init__(self, seed: int) -> None:
        chance = self.chance = random.Random(seed)
        self.time_s = BEGAN_S + chance.choice((0.0, chance.uniform(0.0, 600.0)))
        self.step = chance.choice((0.0, 0.0, 0.001, 0.01))
        self.base_c = chance.choice((0.0, 0.01, 5.0, 10.0, 15.0, 18.0, 20.0, 20.0, 25.0, 34.5))
        self.base_pct = chance.choice((1.0, 20.0, 45.0, 50.0, 55.0, 60.0, 80.0, 84.0, 99.0, 100.0))
        self.specs = [self._spec() for _ in range(2)]
        self.film = self._film()
        self.ahead: EarlierOutlook | None = None
        self.assumed = (
            AssumedSurface(chance.choice((0.0, -0.5, -2.0)), 1.0) if chance.random() < 0.3 else None
        )
        self.doubts: tuple[Doubt, ...] = ()
        self.channels = self._points()
        self.eventful = chance.choice((0.0, 0.002, 0.005, 0.02, 0.1))
        self.pace_s = 10.0

    def last_answers(self) -> tuple[LastAnswer | None, LastAnswer | None]:
        """Return what the log has of both answers."""
        chance = self.chance
        found: list[LastAnswer | None] = []
        for _ in range(2):
            if chance.random() < 0.85:
                found.append(None)
                continue
            name = chance.choice(list(LimitName))
            cause = frozenset({f"{name}@{chance.choice(self.channels).point}"})
            since_s = chance.choice((None, self.time_s - 300.0, self.time_s + 99.0))
            found.append(LastAnswer(Call.STOP, cause, since_s))
        return found[0], found[1]

    def sensed(self) -> list[PointValue]:
        """Return the last word of every point."""
        anew = self.chance.random() < 0.3
        return [each.speak(self.step, anew=anew) for each in self.channels]

    # What there is ---------------------------------------------------------------------------

    def _points(self) -> list[Channel]:
        chance = self.chance
        found: list[Channel] = []
        required = 0.8 if chance.random() < 0.5 else 1.0

        def add(point: str, quantity: str, value: float, section: str | None = None) -> None:
            found.append(
                Channel(
                    point,
                    quantity,
                    section,
                    value,
                    chance.choice((0.0, 0.05, 0.3, 0.5, 3.0 if quantity == HUMIDITY else 1.0)),
                    chance.random() < required,
                    chance.choice((0.0, 0.0, 0.0, 0.2)),
                    chance.choice((0.0, 0.0, 5.0)) if quantity == HUMIDITY else 0.0,
                    quantity == SURFACE_TEMP and point.startswith("air") and chance.random() < 0.5,
                )
            )

        for number in range(chance.choice((1, 1, 2, 3))):
            body = f"air-{number}"
            add(body, AIR_TEMP, self.base_c + chance.uniform(0.0, 2.0))
            if number == 0 or chance.random() < 0.7:
                add(body, HUMIDITY, self.base_pct + chance.uniform(-3.0, 3.0))
            if chance.random() < 0.1:
                add(body, SURFACE_TEMP, self.base_c)
        for number in range(0 if self.assumed and chance.random() < 0.8 else chance.choice((1, 2))):
            where = chance.choice((SECTION, SECTION, SECTION, None, "hull-stbd"))
            add(f"plank-{number}", SURFACE_TEMP, self.base_c + chance.uniform(-1.0, 1.0), where)
        if chance.random() < 0.1:
            add("gas", "co2", 700.0)
        return found

    def _spec(self) -> Spec:
        chance, spec = self.chance, self.chance.choice(all_specs())
        if chance.random() < 0.8:
            spec = replace(
                spec,
                dwell_s=chance.choice((0.0, 30.0, 120.0, 600.0)),
                re_entry_s=chance.choice((0.0, 30.0, 120.0, 900.0)),
            )
        if chance.random() < 0.5:
            limits = {
                stage: {name: self._changed(limit) for name, limit in of_stage.items()}
                for stage, of_stage in spec.limits.items()
            }
            spec = replace(spec, limits=limits)
        return spec

    def _changed(self, limit: Limit) -> Limit:
        chance = self.chance
        if chance.random() < 0.5:
            return limit
        inward = -1.0 if is_upper(limit.name) else 1.0
        wait = limit.bound + inward * chance.choice((0.0, 0.5, 2.0))
        return replace(
            limit,
            guard=chance.random() < 0.8,
            effect=chance.choice(list(Effect)),
            wait=chance.choice((None, wait)),
            then=chance.choice((None, limit.then)),
        )

    def _film(self) -> Film:
        chance = self.chance
        stage = chance.choice(list(Stage))
        film = Film(self.specs[0], stage)
        for _ in range(chance.choice((0, 0, 1, 3))):
            film = self._altered(film)
        return film

    def _altered(self, film: Film) -> Film:
        """One thing changes of what events and clocks say."""
        chance = self.chance
        named = (("induction", "It still rests"), (HEAT, "The heater is on"), ("pot life", "Over"))
        some = tuple(Doubt(*each) for each in named if chance.random() < 0.3)
        spec = chance.choice(self.specs)
        beneath = {
            name: limit
            for name, limit in chance.choice(self.specs).limits_for(Stage.CURE).items()
            if chance.random() < 0.4
        }
        changes: tuple[dict[str, object], ...] = (
            {"stage": chance.choice(list(Stage))},
            {"stage": chance.choice(list(FILM_STAGES))},
            {"stage": Stage.PREP, "steps_ended": frozenset()},
            {"steps_ended": film.steps_ended | {chance.choice(list(Step))}},
            {"method": chance.choice([None, *Method])},
            {"spec": spec},
            {"next_spec": chance.choice((None, spec))},
            {"pot_in_hand": not film.pot_in_hand},
            {"beneath": chance.choice(({}, beneath))},
            {"doubts": chance.choice(((), some))},
            {"start_doubts": chance.choice(((), some))},
            {"notices": chance.choice(((), some))},
            {"coating_forbidden": chance.choice(("", "", "The recoat window has closed"))},
            {"harm_left_s": chance.choice((None, 3600.0))},
            {"cured_left_s": chance.choice((None, 7200.0))},
            {"coating_time_s": chance.choice((None, 1800.0))},
            {},
        )
        return replace(film, **chance.choice(changes))  # type: ignore[arg-type]

    # When ------------------------------------------------------------------------------------

    def pass_time(self, section: Section) -> None:
        """Let an interval pass; now and then to where something falls due, to the instant."""
        chance = self.chance
        pick = chance.random()
        if pick < 0.03:
            return  # two evaluations within one instant
        if pick < 0.06:
            self.time_s += 0.3
        elif pick < 0.12 and (due := self._due(section)):
            self.time_s = max(
                self.time_s, chance.choice(due) + chance.choice((-1e-6, 0.0, 0.0, 0.5))
            )
        else:
            self.time_s += self.pace_s * chance.choice((1.0, 1.0, 1.0, chance.uniform(0.2, 2.0)))

    def _due(self, section: Section) -> list[float]:
        now_s, found = self.time_s, [(math.floor(self.time_s / 60.0) + 1) * 60.0]
        spec = section.film.spec
        for memory in section.answers:
            if memory is not None and memory.settled_since_s is not None:
                found.append(memory.settled_since_s + spec.dwell_s)
            if memory is not None and memory.inside_since_s is not None:
                found.append(memory.inside_since_s + spec.re_entry_s)
        if self.ahead is not None:
            found += [self.ahead.made_s, self.ahead.made_s + AHEAD_COUNTS_S]
        return [each for each in found if now_s < each < now_s + 20.0 * self.pace_s]

    # What is done in between -----------------------------------------------------------------

    def events(self) -> Iterator[Callable[[Section], object]]:
        """Yield what is done before the next evaluation, to be done to every section alike."""
        chance = self.chance
        if chance.random() >= self.eventful:
            return
        pick = chance.random()
        if pick < 0.4:
            film = self.film = self._altered(self.film)
            yield lambda section: section.set_film(film, self.time_s)
        elif pick < 0.65:
            ahead = self.ahead = self._outlook()
            yield lambda section: setattr(section, "ahead", ahead)
        elif pick < 0.8:
            self.doubts = tuple(each for each in DOUBTS if chance.random() < 0.3)
        elif pick < 0.85:
            points = frozenset(each.point for each in self.channels if chance.random() < 0.3)
            self._remove(points)
            yield lambda section: section.release(points, self.time_s)
        elif pick < 0.9:
            self.time_s += chance.choice((-7200.0, -60.0, -1.0, 1.0, 3600.0, 86_400.0))
            time_s, self.ahead = self.time_s, None
            yield lambda section: section.clock_jumped(time_s)
        elif pick < 0.95:
            channel = chance.choice(self.channels)
            channel.accuracy += chance.choice((-channel.accuracy, 0.001, 0.5, 1.0))
            channel.usual_change = chance.choice((0.0, 0.001, 0.2))
        else:
            self.assumed = chance.choice((None, AssumedSurface(chance.choice((0.0, -1.0)), 1.0)))

    def _remove(self, points: frozenset[str]) -> None:
        """Take points out of the config, save the first air body."""
        self.channels = [
            each for each in self.channels if each.point not in points or each.point == "air-0"
        ]

    def _outlook(self) -> EarlierOutlook | None:
        chance, now_s = self.chance, self.time_s
        if chance.random() < 0.2:
            return None
        name = chance.choice(list(LimitName))
        broken = OutlookBreak(name, 0.7, 1800.0, 900.0, 2700.0, 3600.0)
        return EarlierOutlook(
            now_s + chance.choice((0.0, 0.0, -60.0, -1790.0, 30.0)),
            chance.choice((self.film.stage, self.film.stage, chance.choice(list(Stage)))),
            chance.choice((3600.0, 21_600.0)),
            chance.choice(((), (broken,))),
            "the log",
            chance.choice((None, now_s + 600.0, now_s + 7200.0)),
            chance.choice((None, name)),
        )

    # What the probes say ---------------------------------------------------------------------

    def climate(self) -> Climate:
        """Return what the probes make of it now."""
        return climate_of(self.sensed(), SECTION, self.time_s, self.assumed)

    def _turn(self) -> tuple[LimitName, float, float] | None:
        """Draw a limit, a value of its quantity where something turns, and the inward sign."""
        chance, film, climate = self.chance, self.film, self.climate()
        limits = {**film.start_limits(), **(film.film_limits() if film.is_wet else {})}
        known = [each for each in limits.values() if climate.estimates.get(each.name)]
        if not known:
            return None
        limit = chance.choice(known)
        inward = -1.0 if is_upper(limit.name) else 1.0
        guard = chance.choice(climate.estimates[limit.name]).guard
        inner = 0.0 if limit.wait is None else abs(limit.wait - limit.bound)
        spec = chance.choice((film.spec, film.start_spec))
        rooms = [0.0, guard, guard + inner, guard + inner + spec.go_band.of(limit.name)]
        rooms += [spec.re_entry_band.of(limit.name), guard + spec.go_band.of(limit.name)]
        value = limit.bound + limit.film_below_k + inward * chance.choice(rooms)
        return limit.name, value, inward

    def _lead(self, name: LimitName, value: float) -> Channel | None:
        """Set a channel so that a limit's quantity has this value there [K, % or degC]."""
        chance = self.chance
        quantity = {
            LimitName.HUMIDITY_MAX: HUMIDITY,
            LimitName.HUMIDITY_MIN: HUMIDITY,
            LimitName.AIR_TEMP_MIN: AIR_TEMP,
            LimitName.AIR_TEMP_MAX: AIR_TEMP,
        }.get(name, SURFACE_TEMP)
        there = [each for each in self.channels if each.quantity == quantity]
        if name is LimitName.DEW_MARGIN_MIN:
            wet = self._wetting_c()
            if wet is None:
                return None
            if there and chance.random() < 0.6:
                value += wet
            else:
                return self._damp(value)
        if not there:
            return None
        channel = chance.choice(there)
        channel.value = value
        return channel

    def _body(self) -> tuple[Channel, Channel]:
        """The first air body's two channels."""
        air = next(each for each in self.channels if each.quantity == AIR_TEMP)
        humidity = next(each for each in self.channels if each.quantity == HUMIDITY)
        return air, humidity

    def _wetting_c(self) -> float | None:
        air, humidity = self._body()
        try:
            dew_c, frost_c = dew_and_frost_c(air.value, humidity.value)
        except FilmcallError:
            return None
        return dew_c if frost_c is None else max(dew_c, frost_c)

    def _damp(self, margin_k: float) -> Channel | None:
        """Set the humidity so that the first surface stands this far over its dew point [K]."""
        air, humidity = self._body()
        planks = [each for each in self.channels if each.quantity == SURFACE_TEMP]
        surface_c = planks[0].value if planks else air.value
        low, high = 1.1, 100.0
        for _ in range(50):
            humidity.value = 0.5 * (low + high)
            wet = self._wetting_c()
            if wet is None:
                return None
            low, high = (
                (low, humidity.value) if surface_c - wet < margin_k else (humidity.value, high)
            )
        return humidity

    def stretches(self, section: Section) -> Iterator[None]:
        """Yield once an evaluation, endlessly, after the probes have moved.

        Args:
            section: one whose timers tell what falls due.
        """
        chance = self.chance
        ways = (
            self._hold, self._creep, self._plateau, self._jump, self._shake, self._same_margin,
            self._turns, self._fall_silent,
        )  # fmt: skip
        while True:
            self.pace_s = chance.choice(PACES_S)
            if chance.random() < 0.7:
                for _ in self._calm(section, chance.choice((5, 15, 30))):
                    yield
            count = chance.choice((5, 20, 40, 40, 200))
            running = [chance.choice(ways)(section, count)]
            if chance.random() < 0.3:
                running.append(chance.choice(ways)(section, count))
            for _ in range(count):
                for each in running:
                    next(each, None)
                yield

    def _calm(self, _section: Section, count: int) -> Iterator[None]:
        """Everything goes to one weather, and stays with or without noise."""
        noise = self.chance.choice((0.0, 0.0, 1e-3, 0.02))
        own = {AIR_TEMP: self.base_c, HUMIDITY: self.base_pct, SURFACE_TEMP: self.base_c}
        fair = {AIR_TEMP: 20.0, HUMIDITY: 50.0, SURFACE_TEMP: 19.5}
        fair = self.chance.choice((own, fair, fair, fair, fair))
        for each in self.channels:
            each.value = fair.get(each.quantity, each.value)
            each.quality = "ok"
        for _ in range(count):
            for each in self.channels:
                each.value += self.chance.gauss(0.0, noise) if noise else 0.0
            yield

    def _hold(self, _section: Section, count: int) -> Iterator[None]:
        """All stay where they are, some with noise."""
        noise = {each.point: self.chance.choice((0.0, 1e-9, 1e-3, 0.05)) for each in self.channels}
        for _ in range(count):
            for each in self.channels:
                each.value += self.chance.gauss(0.0, noise.get(each.point, 0.0))
            yield

    def _creep(self, _section: Section, count: int) -> Iterator[None]:
        """One creeps towards where something turns, and through."""
        turn = self._turn()
        if turn is None:
            return
        name, value, inward = turn
        step = self.chance.choice((1e-4, 1e-3, 1e-3, 0.01, 0.05)) * self.chance.choice((1, 1, -1))
        channel = self._lead(name, value + inward * step * 0.5 * count)
        per = 1.0 if channel is None or channel.quantity != HUMIDITY or inward < 0 else -1.0
        for _ in range(count):
            if channel is not None:
                channel.value -= per * inward * step
            yield

    def _plateau(self, _section: Section, count: int) -> Iterator[None]:
        """One stands to the last digit where something turns, or beside it."""
        turn = self._turn()
        if turn is None:
            return
        off = self.chance.choice((0.0, 0.0, 1e-12, -1e-12, 1e-6, -1e-6, 1e-3, -1e-3))
        self._lead(turn[0], turn[1] + off)
        for _ in range(count):
            yield

    def _jump(self, _section: Section, count: int) -> Iterator[None]:
        """After a calm one is thrown by any size, and comes back or stays."""
        chance = self.chance
        while count > 0:
            wait = chance.randrange(1, 8)
            for _ in range(wait):
                yield
            channel = chance.choice(self.channels)
            by = chance.choice((-1.0, 1.0)) * 10.0 ** chance.uniform(
                -4.0, chance.choice((1.3, 1.3, 2.3))
            )
            channel.value += by
            lasts = chance.randrange(1, 12)
            for _ in range(lasts):
                yield
            if chance.random() < 0.7:
                channel.value -= by
            count -= wait + lasts

    def _shake(self, _section: Section, count: int) -> Iterator[None]:
        """One swings to and fro by a little where something turns."""
        turn = self._turn()
        if turn is None:
            return
        channel = self._lead(turn[0], turn[1])
        by = 10.0 ** self.chance.uniform(-7.0, -0.5)
        sign = 1.0
        for _ in range(count):
            if channel is not None:
                channel.value += sign * by
                sign = -sign if self.chance.random() < 0.7 else sign
            yield

    def _same_margin(self, _section: Section, count: int) -> Iterator[None]:
        """Air and humidity move together so that the margin stays, or creeps."""
        turn = self._turn()
        air, humidity = self._body()
        margin_k = turn[1] if turn and turn[0] is LimitName.DEW_MARGIN_MIN else 4.0
        per_step = self.chance.choice((0.0, 0.0, 1e-3, -1e-3, 0.02, -0.02))
        warming = self.chance.choice((0.001, -0.001, 0.05, -0.05))
        for k in range(count):
            air.value += warming
            if humidity in self.channels:
                self._damp(margin_k + (0.5 * count - k) * per_step)
            yield

    def _turns(self, _section: Section, count: int) -> Iterator[None]:
        """Probes of one quantity take turns at being the worst."""
        chance = self.chance
        quantity = chance.choice((AIR_TEMP, HUMIDITY, SURFACE_TEMP))
        there = [each for each in self.channels if each.quantity == quantity]
        by = chance.choice((1e-6, 1e-3, 0.05, 0.5))
        for k in range(count):
            if there and k % chance.choice((1, 3, 7)) == 0:
                worst = chance.choice(there)
                middle = sum(each.value for each in there) / len(there)
                for each in there:
                    each.value = middle + (by if each is worst else 0.0)
            yield

    def _fall_silent(self, _section: Section, count: int) -> Iterator[None]:
        """One is not believed for a while, and comes back as it was or otherwise."""
        chance = self.chance
        while count > 0:
            channel = chance.choice(self.channels)
            channel.quality = chance.choice(QUALITIES)
            if chance.random() < 0.3:
                channel.value += chance.uniform(-5.0, 5.0)
            lasts = chance.randrange(1, 25)
            for _ in range(lasts):
                channel.hours += chance.random() < 0.3
                yield
            channel.quality = "ok"
            for _ in range(3):
                yield
            count -= lasts + 3
