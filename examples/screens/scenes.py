"""Moments of the invented workboat job, worked out by the program's own rules for its screens.

The temperatures are invented; calls, reasons, trends and clocks follow from them by the same code
that a real tent is judged by.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import numpy as np

from monitor.outlook.clocks import bands_of
from monitor.outlook.prior import shipped_priors
from monitor.snapshot import PointHealth, Snapshot
from monitor.specs import find_spec
from rules.air.arrays import dew_points_c
from rules.call import WORST_FIRST
from rules.climate import PointValue, climate_of
from rules.clocks.all_clocks import clocks_of, merge_clocks
from rules.clocks.clock import Clock
from rules.clocks.history import TemperatureHistory
from rules.clocks.stages import stage_of
from rules.clocks.work import work_of
from rules.events import Event
from rules.outlook.draws import Outlook, outlook_breaks
from rules.outlook.members import outlook_of_log
from rules.outlook.track import CELL_S, CELLS_A_DAY, Track
from rules.outlook.windows import bounds_of, limit_spans_s
from rules.section import Film, Section
from rules.spec.model import Spec
from rules.trend import EarlierOutlook
from rules.vocabulary import EventKind, Method
from sensors.reading import Quality, Quantity

ENCLOSURE = "polytunnel"
PORT, STARBOARD = "hull-port", "hull-starboard"
STEP_S = 30.0
FILM_EVERY_S = 600.0
WEATHER = ((0.12, 41_000.0), (0.12, 6_700.0), (0.08, 2_900.0))
WARMEST_S = 14.5 * 3600.0

TOPCOAT = find_spec("polyurethane-topcoat")[0]
PRIMER = find_spec("two-pack-epoxy-primer")[0]
SPECS = {spec.name: spec for spec in (TOPCOAT, PRIMER)}

Curve = Callable[[float], float]


def at(day: int, hour: int, minute: int = 0) -> float:
    """Return a time of the invented job, October 2026 UTC [s]."""
    return datetime(2026, 10, day, hour, minute, tzinfo=UTC).timestamp()


def line(start: float, end: float, hours: float, until_s: float) -> Curve:
    """Return a curve that goes straight from one value to another, then stays."""

    def value(time_s: float) -> float:
        share = 1.0 - (until_s - time_s) / (3600.0 * hours)
        wave = 0.04 * math.sin(time_s / 700.0)
        return start + (end - start) * min(1.0, max(0.0, share)) + wave

    return value


def _weather(time_s: float) -> float:
    """What wind and clouds add to the run of a day, as a share of its swing."""
    return sum(size * math.sin(time_s / slow_s) for size, slow_s in WEATHER)


class Tent:
    """Plays curves through both sections and keeps what the screen needs."""

    def __init__(
        self,
        air_c: Curve,
        rh_pct: Curve,
        planks_c: dict[str, Curve],
        events: Sequence[Event] = (),
        spec: Spec = TOPCOAT,
        swing: float = 1.0,
    ) -> None:
        self.air_c, self.rh_pct, self.planks_c = air_c, rh_pct, planks_c
        self.events = tuple(events)
        self.swing = swing  # how much of an ordinary day's run the days before had
        self.spec = spec
        self.trends: dict[str, list[tuple[float, float]]] = {}

    def sensed(self, time_s: float, dead: Sequence[str] = ()) -> list[PointValue]:
        """Return what every point says at a time."""
        air, rh = self.air_c(time_s), self.rh_pct(time_s)

        def one(
            point: str, what: str, section: str | None, value: float, accuracy: float
        ) -> PointValue:
            quality = "stale" if point in dead else "ok"
            return PointValue(point, what, section, value, quality, accuracy)

        found = [
            one("air-bow", "air_temp", None, air, 0.3),
            one("air-bow", "humidity", None, rh, 2.0),
            one("air-stern", "air_temp", None, air + 0.3, 0.3),
            # The same vapour in air 0.3 K warmer, and a little less of it: the bow decides.
            one("air-stern", "humidity", None, rh - 2.2, 2.0),
        ]
        for section, curve in self.planks_c.items():
            point = section.replace("hull", "plank")
            found.append(one(point, "surface_temp", section, curve(time_s), 0.5))
        return found

    def before(self, curve: Curve, time_s: float, start_s: float, swing: float) -> float:
        """Return what a curve was at a time: on the days before, the usual run of a day."""
        if time_s >= start_s:
            return curve(time_s)
        day = [
            math.cos((each - WARMEST_S) / 86_400.0 * 2.0 * math.pi) for each in (time_s, start_s)
        ]
        return curve(start_s) + swing * (
            self.swing * (day[0] - day[1]) + _weather(time_s) - _weather(start_s)
        )

    def outlook(self, section: str, now_s: float, start_s: float) -> Outlook:
        """Return what the log of four days lets expect of one section."""
        times = now_s - CELL_S * np.arange(4 * CELLS_A_DAY - 1, -1, -1, dtype=np.float64)
        plank = self.planks_c[section]

        def cells(curve: Curve, swing: float) -> np.ndarray:
            return np.array([self.before(curve, t, start_s, swing) for t in times.tolist()])

        air, rh = cells(self.air_c, 4.0), np.minimum(cells(self.rh_pct, -16.0), 99.0)
        track = Track(now_s, air, dew_points_c(air, rh), cells(plank, 3.2))
        return outlook_of_log(track, shipped_priors())

    def film(self, section: str, time_s: float) -> Film:
        """Return what the events and clocks up to a time say of a section's film."""
        done = [each for each in self.events if each.time_s <= time_s]
        clocks = self._clocks(section, time_s)
        state = stage_of(section, done, self.spec, clocks, time_s)
        return Film(self.spec, state.stage, Method.ROLLER, state.ended_steps)

    def _ahead(self, outlook: Outlook, film: Film, now_s: float) -> EarlierOutlook:
        """Return what an outlook says of the limits while a film laid now would mind them."""
        spec = film.spec
        spans = limit_spans_s(outlook, spec, spec.coating_time_s, np.zeros(1))
        breaks = outlook_breaks(
            outlook, bounds_of(spec), {name: float(at[0]) for name, at in spans.items()}
        )
        return EarlierOutlook(
            now_s, film.stage, outlook.looked_ahead_s, tuple(breaks), outlook.source
        )

    def snapshot(
        self, now_s: float, hours: float = 4.0, dead: Sequence[str] = (), dead_s: float = 0.0
    ) -> Snapshot:
        """Return the tent at a time, after so many hours of watching it."""
        start_s = now_s - 3600.0 * hours
        outlooks = {
            name: self.outlook(name, now_s, start_s)
            for name in self.planks_c
            if name.replace("hull", "plank") not in dead
        }
        sections = [Section(name, self.film(name, start_s), start_s) for name in self.planks_c]
        count = int(3600.0 * hours / STEP_S)
        for index in range(count + 1):
            time_s = start_s + index * STEP_S
            gone = dead if time_s > now_s - dead_s else ()
            told = any(time_s - STEP_S < each.time_s <= time_s for each in self.events)
            for section in sections:
                if told or time_s % FILM_EVERY_S < STEP_S:
                    section.set_film(self.film(section.name, time_s), time_s)
                if index == count and section.name in outlooks:
                    section.ahead = self._ahead(outlooks[section.name], section.film, now_s)
                section.evaluate(self.sensed(time_s, gone), time_s)
            self._note(self.sensed(time_s, gone), time_s)
        calls = sorted(
            (section.explain(UTC) for section in sections), key=lambda c: WORST_FIRST.index(c.call)
        )
        points = [
            PointHealth(
                each.point,
                Quantity(each.quantity),
                each.section,
                each.value,
                Quality(each.quality),
                dead_s if each.point in dead else 4.0 + 3.0 * place,
                None if each.quantity == "surface_temp" else 41 * 86400.0,
                each.accuracy,
            )
            for place, each in enumerate(self.sensed(now_s, dead))
        ]
        return Snapshot(
            enclosure=ENCLOSURE,
            time_s=now_s,
            timezone="Etc/UTC",
            recorded=False,
            calls=tuple(calls),
            trends={name: tuple(series) for name, series in self.trends.items()},
            clocks=merge_clocks(self._clocks(name, now_s) for name in self.planks_c),
            points=tuple(points),
            events=tuple(sorted(self.events, key=lambda e: -e.time_s)),
            counts={"stale": len(dead), "spike": 1},
            link="connected to 127.0.0.1",
            specs=SPECS,
            taped=frozenset(
                name
                for name in self.planks_c
                if work_of(name, self.events, now_s).tape_on_s is not None
            ),
            outlook={name: bands_of(outlook, None, now_s) for name, outlook in outlooks.items()},
        )

    def _note(self, sensed: list[PointValue], time_s: float) -> None:
        climates = (climate_of(sensed, name, time_s) for name in self.planks_c)
        climate = min(climates, key=lambda c: (c.dew_margin_k is None, c.dew_margin_k))
        for name, value in (
            ("dew_margin_k", climate.dew_margin_k),
            ("rh_pct", climate.rh_pct),
            ("air_temp_c", climate.air_temp_c),
            ("surface_temp_c", climate.surface_temp_c),
        ):
            if value is not None:
                self.trends.setdefault(name, []).append((time_s, value))

    def _clocks(self, section: str, now_s: float) -> tuple[Clock, ...]:
        done = [event for event in self.events if event.time_s <= now_s]
        starts = [event.time_s for event in done]
        if not starts:
            return ()
        times = np.arange(min(starts) - 600.0, now_s + 1.0, 60.0)
        planks = np.array([self.planks_c[section](t) for t in times])
        air = np.array([self.air_c(t) for t in times])
        history = TemperatureHistory(
            times, planks, planks, 0.5, 600.0, air_coldest_c=air, air_warmest_c=air
        )
        return clocks_of(section, done, SPECS, self.spec, history, now_s)


def event(kind: EventKind, time_s: float, section: str | None = None, **more: object) -> Event:
    """Return an event of the job."""
    plain = Event(kind, time_s, ENCLOSURE, section)
    return replace(plain, **more)  # type: ignore[arg-type]


@cache
def go() -> Snapshot:
    """Early afternoon, warm and dry: the topcoat may begin."""
    now_s = at(13, 13, 40)
    events = [
        event(EventKind.SESSION_STARTED, at(13, 9, 5), spec=TOPCOAT.name),
        event(EventKind.WASHED, at(13, 9, 30)),
        event(EventKind.SANDED, at(13, 10, 50)),
        event(EventKind.WIPED, at(13, 13, 2)),
        event(EventKind.MIXED, at(13, 13, 25), batch="A", amount_ml=400.0, spec=TOPCOAT.name),
    ]
    tent = Tent(
        line(17.0, 21.4, 4.0, now_s),
        line(55.0, 50.0, 4.0, now_s),
        {PORT: line(14.0, 18.3, 4.0, now_s), STARBOARD: line(14.6, 19.0, 4.0, now_s)},
        events,
        swing=0.15,
    )
    return tent.snapshot(now_s)


@cache
def hold() -> Snapshot:
    """Late afternoon: the sun goes, the margin shrinks, the port side waits to be painted."""
    now_s = at(13, 16, 10)
    events = [
        event(EventKind.SANDED, at(13, 14, 0)),
        event(EventKind.WIPED, at(13, 15, 30), PORT),
    ]
    tent = Tent(
        line(20.5, 16.9, 4.0, now_s),
        line(58.0, 71.0, 4.0, now_s),
        {PORT: line(18.3, 15.0, 4.0, now_s), STARBOARD: line(18.9, 16.7, 4.0, now_s)},
        events,
    )
    return tent.snapshot(now_s)


def _coated() -> list[Event]:
    return [
        event(EventKind.TAPE_ON, at(13, 14, 0)),
        event(EventKind.MIXED, at(13, 15, 55), batch="A", amount_ml=500.0, spec=TOPCOAT.name),
        event(
            EventKind.COAT_STARTED,
            at(13, 16, 30),
            PORT,
            spec=TOPCOAT.name,
            method=Method.ROLLER,
            batch="A",
        ),
        event(EventKind.COAT_ENDED, at(13, 17, 0), PORT),
        event(
            EventKind.COAT_STARTED,
            at(13, 17, 5),
            STARBOARD,
            spec=TOPCOAT.name,
            method=Method.ROLLER,
            batch="A",
        ),
    ]


@cache
def stop() -> Snapshot:
    """While the coat goes on, a door stands open to the creek: the margin is gone."""
    now_s = at(13, 17, 20)
    tent = Tent(
        line(18.2, 14.1, 0.4, now_s),
        line(66.0, 84.0, 0.4, now_s),
        {PORT: line(16.4, 13.0, 0.4, now_s), STARBOARD: line(16.6, 13.4, 0.4, now_s)},
        _coated(),
    )
    return tent.snapshot(now_s)


@cache
def probe_dead() -> Snapshot:
    """The plug of the port plank's probe came loose: a warm dry tent, and no GO."""
    now_s = at(13, 13, 40)
    tent = Tent(
        line(17.0, 21.4, 4.0, now_s),
        line(62.0, 50.0, 4.0, now_s),
        {PORT: line(14.0, 18.3, 4.0, now_s), STARBOARD: line(14.6, 19.0, 4.0, now_s)},
        [event(EventKind.WIPED, at(13, 13, 2))],
    )
    return tent.snapshot(now_s, dead=["plank-port"], dead_s=240.0)


@cache
def night() -> Snapshot:
    """Two in the morning: the film is still soft, and dew forms on it."""
    now_s = at(14, 2, 14)
    events = [
        *_coated(),
        event(EventKind.COAT_ENDED, at(13, 17, 35), STARBOARD),
        event(EventKind.FLOOR_WETTED, at(13, 21, 45)),
        event(EventKind.HEATER_OFF, at(13, 22, 0)),
        event(EventKind.NOTE, at(13, 22, 5), note="stove out, both doors shut"),
    ]
    tent = Tent(
        line(17.0, 12.4, 8.0, now_s),
        line(66.0, 95.0, 8.0, now_s),
        {PORT: line(16.4, 11.2, 8.0, now_s), STARBOARD: line(16.5, 11.9, 8.0, now_s)},
        events,
    )
    return tent.snapshot(now_s, hours=8.0)


SCENES: dict[str, Callable[[], Snapshot]] = {
    "go": go,
    "hold": hold,
    "stop": stop,
    "probe-dead": probe_dead,
    "night": night,
}
