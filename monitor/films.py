"""Keeps what events and temperatures make of each section's film, for the limits to judge by.

The clocks are reckoned anew from events and temperatures, at most once a minute of data time but
near an end, which is seen in its own second.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING

from monitor.log.facts import TextOf
from monitor.samples import ONE_OF_EACH, Temperatures, channels_of
from monitor.wire import Json, clock_dict
from rules.call import Call
from rules.clocks.clock import Clock, ClockState
from rules.clocks.work import laid_with, work_of
from rules.events import (
    CarriedOut,
    Event,
    happened,
    in_force,
    without_corrected,
)
from rules.ground import ground_changes_s, ground_doubts
from rules.harm import harm_left_s, solvent_widening_pct
from rules.limits import stricter_of
from rules.reasons import MEMORY, Doubt
from rules.section import Film
from rules.spec.model import Limit, Measurement, Spec
from rules.trend import AHEAD_COUNTS_S
from rules.vocabulary import (
    AIR_ACCURACY_K,
    ALL_SECTIONS,
    FILM_STAGES,
    SURFACE_ACCURACY_K,
    LimitName,
    Stage,
    Step,
)

if TYPE_CHECKING:
    from monitor.config.model import EnclosureConfig
    from monitor.enclosure import Enclosure
    from rules.climate import AssumedSurface
    from rules.clocks.history import TemperatureOutlook
    from rules.clocks.section_work import SectionWork
    from rules.clocks.stages import FilmState
    from rules.overcoat import Overcoat

# Stage and ended steps change only where a step ends: far from one, looking now and then is enough.
RECKON_EVERY_S = 60.0
RECKON_AT_LEAST_EVERY_S = 1800.0
END_NEAR_S = 5.0
STANDS_STILL_S = 600.0
RECKON_IN_STOP_S = 300.0


class FilmKeeper:
    """Follows one enclosure's events and gives each section's film at a time.

    Attributes:
        default_spec: of the next coat where no event names another.
        specs: every spec that an event has named and that was found.
        temperatures: the samples of each section.
        zone: of the times of day that are said; None for UTC.
        outside_c: gives the air outside at a time, by a forecast's hours; None without one.
        spec_text: that the default spec was read from, or "".
        clock_wrong: whether the clock cannot be right, so that no temperature has a time.
        all_happened: whether every event that stands has happened, though it lie in the future
            of a clock that was set back: so it is live, and not in a replay.
        text_of: gives the text of a spec that the log keeps by its hash; None without a log.
        counted: the config whose points count, former ones among them; None where nobody has
            named any.
        surfaces_ahead: what the surface of each section will probably do; half an hour after it
            was made it counts no more.
    """

    def __init__(
        self,
        default_spec: Spec,
        specs: Mapping[str, Spec],
        *,
        surface_accuracy_k: float = SURFACE_ACCURACY_K,
        air_accuracy_k: float = AIR_ACCURACY_K,
        assumed_surface: Callable[[str], AssumedSurface | None] | None = None,
        counted: EnclosureConfig | None = None,
        specs_of: Callable[[Sequence[Event], TextOf | None], Mapping[str, Spec]] | None = None,
    ) -> None:
        """Begin without events.

        Args:
            default_spec: of the next coat where no event names another.
            specs: that are known already.
            surface_accuracy_k: of the surface probes [K].
            air_accuracy_k: of the air probes [K].
            assumed_surface: what stands in for a section's surface, or None where a point
                measures one.
            counted: the config whose points count, or None where nobody has named any.
            specs_of: finds the specs that films lie by, by `Event.spec_key`; the clocks of one
                that is not found say so.
        """
        self.default_spec = default_spec
        self.spec_text = ""
        self.zone: tzinfo | None = None
        self.outside_c: Callable[[float], float | None] | None = None
        self.all_happened = False
        self.clock_wrong = False
        self._specs_of = specs_of
        self.text_of: TextOf | None = None
        self.specs = {**specs, default_spec.name: default_spec}
        self.accuracies_k = (surface_accuracy_k, air_accuracy_k)
        self._assumed_surface = assumed_surface
        self.counted = counted
        self._events: tuple[Event, ...] = ()
        self._carried = CarriedOut()
        self._newest_event_s = -math.inf
        # Without an event nothing of the ground was measured, now or ever.
        self._plain = Film(
            default_spec, start_doubts=ground_doubts(None, default_spec.measurements, (), 0.0)
        )
        self._standing: tuple[Event, ...] = ()
        self._films: dict[str, Film] = {}
        self._sheets: dict[str, Spec] = {}
        self._clocks: dict[str, tuple[Clock, ...]] = {}
        self._reckoned_s: dict[str, tuple[float, float]] = {}
        self.temperatures: dict[str, Temperatures] = {}
        self.surfaces_ahead: dict[str, TemperatureOutlook] = {}
        self._widened_s = -math.inf
        self._overcoats: dict[str, tuple[tuple[float | None, int], Overcoat]] = {}

    @property
    def events(self) -> tuple[Event, ...]:
        """All events as kept, corrections among them."""
        return self._events

    @property
    def newest_event_s(self) -> float:
        """When the last thing that stands was done; minus infinity where nothing was [s]."""
        return self._newest_event_s

    def set_events(self, events: Iterable[Event]) -> None:
        """Take the enclosure's events as they now stand; everything is reckoned anew."""
        self._events = tuple(events)
        self._standing = standing = in_force(self._events)
        counted = self.counted
        self._carried = CarriedOut(standing) if counted is None else counted.carried_out(standing)
        self._newest_event_s = standing[-1].time_s if standing else -math.inf
        if self._specs_of is not None:
            unknown = [e for e in self._events if e.spec_key not in (None, *self.specs)]
            self.specs.update(self._specs_of(unknown, self.text_of))
        self._reckoned_s.clear()
        for samples in self.temperatures.values():
            samples.ended.clear()
            samples.leave_out(self._carried)
        self._widened_s = -math.inf

    def film_of(self, section: str, time_s: float) -> Film:
        """Return a section's film at a time; give it to `Enclosure` as its `film_of`."""
        if not self._events:
            return self._plain
        last_s, next_s = self._reckoned_s.get(section, (math.inf, -math.inf))
        if not last_s <= time_s < next_s:
            self._reckon(section, time_s)
        return self._films[section]

    def due_s(self) -> float:
        """Return when a film may next be another than it was last seen as, or infinity [s]."""
        return min((next_s for _, next_s in self._reckoned_s.values()), default=math.inf)

    def clocks(self, section: str, time_s: float) -> tuple[Clock, ...]:
        """Return a section's clocks, reckoned within the last minute and counted on from then."""
        if not self._events:
            return ()
        last_s, next_s = self._reckoned_s.get(section, (math.inf, -math.inf))
        if not last_s <= time_s < min(last_s + RECKON_EVERY_S, next_s):
            self._reckon(section, time_s)
            last_s = time_s
        return tuple(each.later(time_s - last_s) for each in self._clocks.get(section, ()))

    def clock_dicts(self, enclosure: Enclosure) -> list[Json]:
        """Return the clocks of all of an enclosure's sections with their fixed keys."""
        return [clock_dict(clock) for clock in self.all_clocks(enclosure)]

    def all_clocks(self, enclosure: Enclosure) -> tuple[Clock, ...]:
        """Return the clocks of all of an enclosure's sections, the next to end first."""
        if not self._events:
            return ()
        from rules.clocks.all_clocks import merge_clocks

        now_s = enclosure.now_s
        return merge_clocks(self.clocks(name, now_s) for name in enclosure.sections)

    def clocks_at(
        self,
        enclosure: Enclosure,
        time_s: float,
        coat: Event | None = None,
        spec: Spec | None = None,
    ) -> tuple[Clock, ...]:
        """Return all clocks as they stood at an earlier time, by the temperatures in memory.

        Args:
            enclosure: whose films these are.
            time_s: that time [s].
            coat: begins the coat under which recoat windows are asked for; then they are reckoned
                anew, and what it corrects falls away. None is what comes next, as last reckoned.
            spec: that the coat names, or None.
        """
        if coat is None and time_s > enclosure.now_s - RECKON_EVERY_S:
            return self.all_clocks(enclosure)
        from rules.clocks.all_clocks import clocks_of, merge_clocks

        events, specs = self._happened(time_s), self.specs
        if coat is not None:
            events = without_corrected(events, coat)
            specs = specs if spec is None else {**specs, coat.spec_key or "": spec}

        def over(name: str) -> Spec | None:
            if coat is None:
                return None
            return specs.get(laid_with(name, events, coat) or "", self.default_spec)

        return merge_clocks(
            clocks_of(
                name,
                events,
                specs,
                self.default_spec,
                self.samples(name).history(),
                time_s,
                over=over(name),
            )
            for name in enclosure.sections
        )

    def memory_of(self, section: str, time_s: float) -> list[str]:
        """Return what of a section's newest film holds the next coat now [s]."""
        if not self._events:
            return []
        held = self.film_of(section, time_s).start_doubts
        return [each.text for each in held if each.name == MEMORY]

    def carried_out(self) -> CarriedOut:
        """Return which probes events say are out, and when."""
        return self._carried

    def evaluated(self, enclosure: Enclosure) -> None:
        """Sample the temperatures of an evaluation, while there is something to reckon with."""
        if not self._events:
            return
        self._widen(enclosure)
        if self.clock_wrong:
            return  # nobody knows of when they are
        for name, section in enclosure.sections.items():
            samples = self.samples(name)
            if samples.is_due(enclosure.now_s):
                said = [enclosure.said(each.point, each.quantity) for each in samples.channels]
                samples.take(enclosure.now_s, said)
            if section.memory.call is Call.STOP and name in self._reckoned_s:
                # Before it can end, what reached the film is to be known.
                last_s, next_s = self._reckoned_s[name]
                self._reckoned_s[name] = (last_s, min(next_s, last_s + RECKON_IN_STOP_S))

    def _widen(self, enclosure: Enclosure) -> None:
        """Widen the humidity probes after each wipe and coat, once a minute."""
        if not self._widened_s <= enclosure.now_s < self._widened_s + RECKON_EVERY_S:
            self._widened_s = enclosure.now_s
            for channel in enclosure.channels():
                if channel.config.quantity.value == "humidity" and channel.config.inside:
                    checked_s = enclosure.salt_checked_s(channel.config.name)
                    channel.widen(solvent_widening_pct(self._events, checked_s, enclosure.now_s))

    def samples(self, section: str) -> Temperatures:
        """Return the temperature samples of a section."""
        if section not in self.temperatures:
            assumed = None if self._assumed_surface is None else self._assumed_surface(section)
            counted = self.counted
            channels = ONE_OF_EACH if counted is None else channels_of(counted, section)
            self.temperatures[section] = Temperatures(*self.accuracies_k, assumed, channels)
            self.temperatures[section].leave_out(self._carried)
        return self.temperatures[section]

    def forget(self, section: str) -> None:
        """Keep nothing more of a section that has ended; should it come back, the log has it."""
        for kept in (
            self._films,
            self._sheets,
            self._clocks,
            self._reckoned_s,
            self.surfaces_ahead,
        ):
            kept.pop(section, None)
        self.temperatures.pop(section, None)
        self._overcoats.pop(section, None)

    def clock_jumped(self, to_s: float) -> None:
        """Forget samples that lie in the future of a clock that was set back."""
        for each in self.temperatures.values():
            each.drop_after(to_s)
        self.surfaces_ahead.clear()
        self._reckoned_s.clear()

    def _reckon(self, section: str, time_s: float) -> None:
        from rules.clocks.all_clocks import clocks_on, history_wanted_from_s
        from rules.clocks.clock import with_held
        from rules.clocks.section_work import SectionWork
        from rules.clocks.stages import film_doubts, films_beneath, stage_of, start_doubts
        from rules.memory import history_told
        from rules.overcoat import overcoat_doubts

        events = self._happened(time_s)
        samples = self.samples(section)
        wanted_s = history_wanted_from_s(section, events, time_s)
        if wanted_s is not None:
            samples.drop_before(wanted_s)
        bench = SectionWork(
            section,
            work_of(section, events, time_s),
            self.specs,
            self.default_spec,
            samples.history(),
            time_s,
            self._surface_ahead(section, time_s),
            samples.ended,
        )
        clocks = clocks_on(bench)
        beneath = films_beneath(bench)
        alone = not self.temperatures.keys() - {section, ALL_SECTIONS}
        state = stage_of(section, events, self.default_spec, clocks, time_s, beneath, alone=alone)
        spec = state.spec(self.specs, self.default_spec)
        next_spec = state.next_spec(self.specs, self.default_spec)
        self._sheets[section] = self.specs.get(state.spec_name, self.default_spec)
        wet = state.film_stage is not None
        overcoat = self._overcoat(section, events, state, samples, time_s)
        unknown, next_unknown = (
            "" if name in self.specs else name for name in (state.spec_name, state.next_spec_name)
        )
        asked = () if state.stage is Stage.APPLY else _asked(bench, next_spec)
        under: dict[LimitName, Limit] = {}
        for each in beneath:
            under = stricter_of(under, each.limits)
        doubts = (
            *film_doubts(state, section, unknown, spec.name),
            *overcoat_doubts(overcoat, state.stage),
        )
        told = history_told(bench, state.steps_ended, self._standing, self.zone)
        soft = state.steps_ended.get(Step.HANDLE) is None
        of_tent, told_of_tent = self._of_the_tent(bench, wet=wet, soft=soft)
        held, notices = (*told.held, *of_tent), (*told.notices, *told_of_tent)
        film = Film(
            spec=spec,
            stage=state.stage,
            method=state.method,
            begun_s=state.coat_started_s if wet else None,
            steps_ended=state.ended(spec) if wet else frozenset(),
            beneath=under,
            next_spec=next_spec,
            pot_in_hand=state.pot_in_hand,
            harm_left_s=harm_left_s(spec, state.stage, state.left_s(spec)) if wet else None,
            cured_left_s=state.harm_left_s[Step.CURED] if wet else None,
            coating_forbidden=(
                overcoat.too_late if state.stage is Stage.APPLY else state.coating_forbidden
            ),
            doubts=(*doubts, *held) if wet else (),
            start_doubts=(
                *held,
                *told.gates,
                *start_doubts(state, clocks, next_unknown, next_spec.name, self.zone),
                *ground_doubts(section, asked, self._standing, time_s),
            ),
            notices=notices,
        )
        gates = [each.text for each in (*told.held, *told.gates)]
        self._clocks[section] = tuple(with_held(clock, gates) for clock in clocks)
        told_s = [each.time_s for each in self._events if each.time_s > time_s]
        told_s.append(ground_changes_s(section, asked, self._standing, time_s))
        left_s = state.left_s(spec)
        told_s += [time_s + left for each in spec.times_until if (left := left_s[each])]
        told_s += [time_s + RECKON_EVERY_S] if told.goes_on else []
        self._reckoned_s[section] = (time_s, min([_next_look_s(clocks, time_s), *told_s]))
        if self._films.get(section) != film:
            self._films[section] = film

    def laid_otherwise(self) -> list[str]:
        """Say of each wet film that lies by another spec than the next coat will go by."""
        said = []
        for name, film in sorted(self._films.items()):
            if film.stage not in FILM_STAGES or self._sheets[name] == self.default_spec:
                continue
            laid, now = film.spec.name, self.default_spec.name
            changed = f"an older text of {now!r}" if laid == now else f"{laid!r}"
            where = "" if name == ALL_SECTIONS else f" --section {name}"
            said.append(
                f"{name}: the film was laid by {changed} and keeps its limits and times; "
                f"the config now gives {now!r}, for the next coat only. "
                f"To change the film's own: filmcall event respec{where} --spec {now}"
            )
        return said

    def look_ahead(self, section: str, surface: TemperatureOutlook | None) -> None:
        """Take a section's new outlook, or that it has none any more, into account."""
        if surface is not None:
            self.surfaces_ahead[section] = surface
        else:
            self.surfaces_ahead.pop(section, None)
        self._reckoned_s.pop(section, None)

    def _surface_ahead(self, section: str, time_s: float) -> TemperatureOutlook | None:
        ahead = self.surfaces_ahead.get(section)
        if ahead is None or not 0.0 <= time_s - float(ahead.time_s[0]) <= AHEAD_COUNTS_S:
            return None
        return ahead

    def _overcoat(
        self,
        section: str,
        events: tuple[Event, ...],
        state: FilmState,
        samples: Temperatures,
        time_s: float,
    ) -> Overcoat:
        """How the newest coat stands to the one beneath; reckoned once for each coat."""
        from rules.overcoat import NOTHING_WRONG, overcoat_of

        if state.stage not in (Stage.APPLY, Stage.FLASH):
            self._overcoats.pop(section, None)
            return NOTHING_WRONG
        coat = (state.coat_started_s, len(self._events))
        known_coat, overcoat = self._overcoats.get(section, (None, NOTHING_WRONG))
        if known_coat != coat:
            overcoat = overcoat_of(
                section,
                events,
                self.specs,
                self.default_spec,
                samples.history(),
                time_s,
                self.zone,
            )
            self._overcoats[section] = (coat, overcoat)
        return overcoat

    def _of_the_tent(
        self, bench: SectionWork, *, wet: bool, soft: bool
    ) -> tuple[tuple[Doubt, ...], tuple[Doubt, ...]]:
        """Whether what heats and dries does so, the cover drips, and the sun is on the hull."""
        from rules import heat
        from rules.memory import dew_points_of

        now_s, history = bench.now_s, bench.history.said or bench.history
        outside_c = None if self.outside_c is None else self.outside_c(now_s)
        doubts: tuple[Doubt, ...] = ()
        air_c = history.air_warmest_c
        moist = dew_points_of(history, now_s - heat.LOOK_BACK_S)
        _, dew_c, _ = moist
        notices: tuple[Doubt, ...] = ()
        if wet and soft and dew_c.size:
            notices = heat.drip_notices(float(dew_c[-1]), outside_c)
        if air_c is not None and air_c.size:
            fires_s, dryer_s = (
                heat.on_since_s(self._standing, each, now_s)
                for each in (heat.HEATER, heat.DEHUMIDIFIER)
            )
            doubts = (
                *heat.heat_doubts(history.time_s, air_c, fires_s, outside_c, now_s),
                *heat.dry_doubts(*moist, dryer_s, now_s),
            )
            if soft:
                hull_c = float(history.coldest_c[-1]), float(history.warmest_c[-1])
                notices += heat.sun_notices(*hull_c, float(air_c[-1]))
        return doubts, notices

    def _happened(self, time_s: float) -> tuple[Event, ...]:
        """The events that count at a time: live all that stand, whatever the clock says now."""
        return happened(self._events, time_s) if self.all_happened else self._events


def _asked(bench: SectionWork, next_spec: Spec) -> tuple[Measurement, ...]:
    """The hand readings before the next coat: of the ground by its spec, of a film by its own."""
    newest = bench.work.newest
    laid = None if newest is None else bench.spec_laid(newest)
    own = () if laid is None else laid.measurements
    return (
        *(each for each in next_spec.measurements if not each.of_the_film),
        *(each for each in own if each.of_the_film),
    )


def _stands_s(clock: Clock, time_s: float) -> float:
    """For how long to take a clock to stand that does not count, which may go on before long [s].

    One that has just begun may only want its first temperature.
    """
    begun_s = time_s if clock.started_s is None else clock.started_s
    return 2.0 * RECKON_EVERY_S if time_s - begun_s < STANDS_STILL_S else STANDS_STILL_S


def _next_look_s(clocks: Iterable[Clock], time_s: float) -> float:
    """When to reckon again: half way to the next end of a clock, and just as it comes [s]."""
    nearest_s = min(
        (
            _stands_s(clock, time_s) if clock.left_s is None else clock.left_s
            for clock in clocks
            if clock.state is ClockState.RUNNING
        ),
        default=math.inf,
    )
    near_s = max(min(0.8 * nearest_s, RECKON_EVERY_S), min(nearest_s, END_NEAR_S))
    return time_s + min(max(0.5 * nearest_s, near_s), RECKON_AT_LEAST_EVERY_S)
