"""A simulated week through the real watch loop, with faults from a seeded schedule, and the truth.

Everything is the real program, log and SQLite included; only the clocks and the source of arrivals
are simulated. What the tent really is, no part of the program knows.
"""

from __future__ import annotations

import random
import resource
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from monitor.clock import SteadyClock
from monitor.config.model import DEFAULT_ACCURACY, Config, EnclosureConfig, PointConfig
from monitor.live.loop import ArrivalSource, Watch
from monitor.live.publish import Publisher
from monitor.log.log import Store
from monitor.log.rows import LogRefused
from monitor.replay.play import ReplayJob, keeper_of
from monitor.specs import find_spec
from rules.call import Call
from rules.events import Event
from rules.limits import is_upper
from rules.spec.model import Limit, Spec
from rules.vocabulary import ClockName, EventKind, LimitName, LimitState
from sensors.faults import DEFAULT_RULES
from sensors.mqtt.intake import Arrival
from sensors.reading import Quality, Quantity, Reading
from sensors.simulate.probe import Fault
from sensors.simulate.tent import Action, Tent, TentSettings, TrueState

STEP_S = 30.0
START_S = 1_796_000_000.0
# Every limit harms to its last step, so that whatever the truth breaks is asked for as STOP.
SPEC = str(Path(__file__).parent / "rig_specs" / "strict-polyurethane-topcoat.toml")
# A STOP is due by then: three intervals of the slowest probe's lag, one reading to confirm a jump,
# and three intervals after which a value that stopped coming counts no more.
STOP_DUE_S = 300.0
# The widest 95 % uncertainties that the program itself states with these sensors [unit of each].
STATED = {
    LimitName.DEW_MARGIN_MIN: 1.6,
    LimitName.HUMIDITY_MAX: 3.4,
    LimitName.HUMIDITY_MIN: 3.4,
    LimitName.SURFACE_TEMP_MIN: 0.6,
    LimitName.SURFACE_TEMP_MAX: 0.6,
    LimitName.AIR_TEMP_MIN: 0.4,
    LimitName.AIR_TEMP_MAX: 0.4,
}
# Errors of the simulated probes themselves: the two air bodies stand 0.3 K off the tent's mean.
PLACE_K = 0.4
EVENT_KINDS = {kind.value for kind in EventKind}


@dataclass(slots=True)
class Tally:
    """What a soak counts; all durations in hours.

    Attributes:
        hours: simulated.
        faults: put in, by kind.
        go_hours: under GO.
        stop_hours: under STOP.
        false_go: steps under GO while the truth was past a limit by more than the uncertainty.
        false_go_drift: the same while a probe drifted beyond its stated accuracy.
        missed_stop: times that the truth stayed so for longer than a STOP is due, with every probe
            it rests on healthy, and no STOP came.
        false_stop: STOPs that began while the truth was inside every limit by more than the
            uncertainty, no probe failing.
        false_stop_fault: the same while a probe failed.
        late_coat_stop: STOPs that began so because a coat went on after its recoat window had
            closed; the air has no part in them.
        events_lost: recorded by a person and not in the log at the end.
        chain_problems: found by the log's own check.
        memory_growth_mib: from a tenth of the run to its end.
        handles_growth: open files, likewise.
    """

    hours: float = 0.0
    faults: Counter[str] = field(default_factory=Counter)
    go_hours: float = 0.0
    stop_hours: float = 0.0
    false_go: int = 0
    false_go_drift: int = 0
    missed_stop: int = 0
    false_stop: int = 0
    false_stop_fault: int = 0
    late_coat_stop: int = 0
    events_lost: int = 0
    chain_problems: int = 0
    memory_growth_mib: float = 0.0
    handles_growth: int = 0

    def add(self, other: Tally) -> None:
        """Add another soak's counts; the growths keep the larger."""
        self.hours += other.hours
        self.faults.update(other.faults)
        self.go_hours += other.go_hours
        self.stop_hours += other.stop_hours
        self.false_go += other.false_go
        self.false_go_drift += other.false_go_drift
        self.missed_stop += other.missed_stop
        self.false_stop += other.false_stop
        self.false_stop_fault += other.false_stop_fault
        self.late_coat_stop += other.late_coat_stop
        self.events_lost += other.events_lost
        self.chain_problems += other.chain_problems
        self.memory_growth_mib = max(self.memory_growth_mib, other.memory_growth_mib)
        self.handles_growth = max(self.handles_growth, other.handles_growth)


class Queue:
    """Arrivals that the soak puts in and the watch takes out."""

    def __init__(self) -> None:
        self.waiting: list[Arrival] = []

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:  # noqa: ARG002
        """Return what waits."""
        found, self.waiting = self.waiting, []
        return found


class Clocks:
    """The simulated machine's clocks: one that nobody sets, and one that somebody does."""

    def __init__(self, start_s: float) -> None:
        self.true_s = start_s
        self.wall_off_s = 0.0

    def monotonic(self) -> float:
        """Seconds since the soak began."""
        return self.true_s - START_S

    def wall(self) -> float:
        """What the wall clock shows."""
        return self.true_s + self.wall_off_s


@dataclass(frozen=True, slots=True)
class Outage:
    """Something that happens to the program and not to a probe."""

    kind: str
    start_s: float
    end_s: float


def schedule(
    seed: int, days: float
) -> tuple[TentSettings, list[Action], list[Fault], list[Outage]]:
    """Draw a tent, what people do in it, what happens to its probes and to the program."""
    chance = random.Random(f"soak {seed}")
    settings = TentSettings()
    settings = replace(
        settings,
        interval_s=STEP_S,
        outside_mean_c=chance.uniform(11.0, 20.0),
        outside_dew_point_c=chance.uniform(4.0, 11.0),
        outside_swing_k=chance.uniform(2.0, 6.0),
        heater_w=chance.uniform(3000.0, 5000.0),
    )
    actions: list[Action] = []
    for day in range(int(days) + 1):
        noon_s = START_S + 86_400.0 * day
        if chance.random() < 0.8:
            on_s = noon_s + chance.uniform(-4.0, 1.0) * 3600.0
            actions.append(Action(on_s, "heater-on"))
            actions.append(Action(on_s + chance.uniform(3.0, 16.0) * 3600.0, "heater-off"))
        if chance.random() < 0.4:
            actions.append(Action(noon_s + chance.uniform(2.0, 12.0) * 3600.0, "floor-wetted", 2.0))
        if chance.random() < 0.5:
            coat_s = noon_s + chance.uniform(1.0, 5.0) * 3600.0
            actions.append(Action(coat_s, "coat-started"))
            actions.append(Action(coat_s + 3600.0, "coat-ended"))
        if chance.random() < 0.5:
            door_s = noon_s + chance.uniform(-3.0, 8.0) * 3600.0
            actions.append(Action(door_s, "door-open"))
            actions.append(Action(door_s + chance.uniform(120.0, 3600.0), "door-closed"))
    last_s = START_S + days * 86_400.0
    actions = sorted((a for a in actions if START_S < a.time_s < last_s), key=lambda a: a.time_s)
    probes = [(probe.point, probe.quantity) for probe in settings.probes]
    faults: list[Fault] = []
    for _ in range(round(2.0 * days)):
        kind = chance.choice(("dead", "stuck", "drift", "wet", "spike", "spike"))
        point, quantity = chance.choice(probes)
        start_s = chance.uniform(START_S + 3600.0, last_s)
        if kind == "wet":
            quantity, point = Quantity.HUMIDITY, chance.choice(("air-bow", "air-stern"))
        amount = chance.choice((-1.0, 1.0)) * (
            chance.uniform(0.2, 1.0) if kind == "drift" else chance.uniform(8.0, 25.0)
        )
        length_s = chance.uniform(600.0, 6 * 3600.0)
        faults.append(Fault(kind, point, quantity, start_s, start_s + length_s, amount))  # type: ignore[arg-type]
    outages = []
    for kind, a_week in (("broker", 6), ("kill", 5), ("clock", 3), ("disk", 1)):
        for _ in range(max(1, round(a_week * days / 7.0))):
            start_s = chance.uniform(START_S + 7200.0, last_s - 7200.0)
            long_s = {"broker": chance.uniform(20, 1800), "disk": 3600.0}.get(kind, 0.0)
            outages.append(Outage(kind, start_s, start_s + long_s))
    return settings, actions, faults, sorted(outages, key=lambda outage: outage.start_s)


def truly_past(truth: TrueState, limits: dict[LimitName, Limit], spare: float) -> set[LimitName]:
    """Return the limits that the truth is past by more than `spare` stated uncertainties."""
    coldest, warmest = min(truth.surface_temps_c.values()), max(truth.surface_temps_c.values())
    values = {
        LimitName.DEW_MARGIN_MIN: coldest - truth.dew_point_c,
        LimitName.HUMIDITY_MAX: truth.rh_pct,
        LimitName.SURFACE_TEMP_MIN: coldest,
        LimitName.SURFACE_TEMP_MAX: warmest,
        LimitName.AIR_TEMP_MIN: truth.air_temp_c,
        LimitName.AIR_TEMP_MAX: truth.air_temp_c,
    }
    found = set()
    for name, limit in limits.items():
        value = values.get(name)
        if value is None:
            continue
        past = value - limit.bound if is_upper(name) else limit.bound - value
        place = PLACE_K if name in (LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX) else 0.0
        if past > spare * (STATED[name] + place):
            found.add(name)
    return found


_RESTS_ON = {
    LimitName.DEW_MARGIN_MIN: frozenset(
        (Quantity.AIR_TEMP, Quantity.HUMIDITY, Quantity.SURFACE_TEMP)
    ),
    LimitName.HUMIDITY_MAX: frozenset((Quantity.HUMIDITY,)),
    LimitName.HUMIDITY_MIN: frozenset((Quantity.HUMIDITY,)),
    LimitName.SURFACE_TEMP_MIN: frozenset((Quantity.SURFACE_TEMP,)),
    LimitName.SURFACE_TEMP_MAX: frozenset((Quantity.SURFACE_TEMP,)),
    LimitName.AIR_TEMP_MIN: frozenset((Quantity.AIR_TEMP,)),
    LimitName.AIR_TEMP_MAX: frozenset((Quantity.AIR_TEMP,)),
}


class Soak:
    """One seed's run."""

    def __init__(self, seed: int, days: float, folder: Path) -> None:
        settings, actions, faults, outages = schedule(seed, days)
        self.days = days
        self.db = folder / f"soak-{seed}.db"
        self.clocks = Clocks(START_S)
        self.queue = Queue()
        self.source: ArrivalSource = self.queue
        self.publisher: Publisher | None = None
        self.tent = Tent(settings, seed, START_S, actions, faults)
        self.actions, self.faults, self.outages = list(actions), faults, outages
        # Somebody looks every two hours, so that a film that got wet forbids GO no longer.
        self.looks_s = [START_S + 7200.0 * each for each in range(1, int(12 * days) + 1)]
        self.spec: Spec = find_spec(SPEC)[0]
        points = tuple(
            PointConfig(
                name=probe.point,
                quantity=probe.quantity,
                unit=probe.quantity.unit,
                accuracy=DEFAULT_ACCURACY[probe.quantity],
                rules=DEFAULT_RULES[probe.quantity],
                topic=f"soak/{probe.point}/{probe.quantity.value}",
            )
            for probe in settings.probes
        )
        enclosure = EnclosureConfig(name=settings.enclosure, points=points, spec=SPEC)
        self.config = Config(enclosures=(enclosure,))
        self.tally = Tally(hours=days * 24.0)
        self.tally.faults.update(fault.kind for fault in faults)
        self.tally.faults.update(outage.kind for outage in outages)
        self.recorded: list[Event] = []
        self.unkept: list[Event] = []
        self.watch, self.store = self._start()

    def _start(self) -> tuple[Watch, Store]:
        store = Store.open(self.db, now_s=self.clocks.wall)
        (enclosure,) = self.config.enclosures
        watch = Watch(
            self.config,
            {enclosure.name: keeper_of(ReplayJob(enclosure, self.spec, ""))},
            store,
            self.source,
            SteadyClock(self.clocks.wall, self.clocks.monotonic),
            tell=lambda *_told: None,
            publisher=self.publisher,
        )
        return watch, store

    def run(self) -> Tally:
        """Run it and return what was counted."""
        past_since: dict[LimitName, float] = {}
        reported: set[LimitName] = set()
        before = Call.HOLD
        marks: list[tuple[float, int]] = []
        steps = int(self.days * 86_400.0 / STEP_S)
        (name,) = self.watch.rooms
        for number, (truth, readings) in enumerate(self.tent.run(self.days * 86_400.0, STEP_S)):
            self.clocks.true_s = truth.time_s
            self._outages(truth.time_s)
            self._events(truth.time_s, name)
            if not self._is_out("broker", truth.time_s):
                self._arrive(readings)
            self.watch.turn(0.0)
            section = next(iter(self.watch.rooms[name].enclosure.sections.values()))
            call, limits = self._seen(name), section.film.limits()
            self._judge(truth, call, before, limits, past_since, reported)
            before = call
            if number in (steps // 10, steps):
                marks.append((_resident_mib(), _open_files()))
        self._close(name)
        if len(marks) == 2:
            self.tally.memory_growth_mib = marks[1][0] - marks[0][0]
            self.tally.handles_growth = marks[1][1] - marks[0][1]
        return self.tally

    def _judge(
        self,
        truth: TrueState,
        call: Call,
        before: Call,
        limits: dict[LimitName, Limit],
        past_since: dict[LimitName, float],
        reported: set[LimitName],
    ) -> None:
        now_s, tally = truth.time_s, self.tally
        failing = [fault for fault in self.faults if _fails(fault, now_s)]
        past = truly_past(truth, limits, 1.0)
        if call is Call.GO:
            tally.go_hours += STEP_S / 3600.0
            if past:
                drifting = any(fault.kind in ("drift", "stuck") for fault in failing)
                tally.false_go_drift += drifting
                tally.false_go += not drifting
        if call is Call.STOP:
            tally.stop_hours += STEP_S / 3600.0
            if before is not Call.STOP and not truly_past(truth, limits, -1.0):
                if self._is_late_coat():
                    tally.late_coat_stop += 1
                elif failing:
                    tally.false_stop_fault += 1
                else:
                    tally.false_stop += 1
        for limit in list(past_since):
            if limit not in past or call is Call.STOP:
                del past_since[limit]
                reported.discard(limit)
        for limit in past:
            blind = any(fault.quantity in (None, *_RESTS_ON[limit]) for fault in failing)
            if blind or call is Call.STOP or self._is_out("broker", now_s):
                past_since.pop(limit, None)
                continue
            since_s = past_since.setdefault(limit, now_s)
            if now_s - since_s > STOP_DUE_S and limit not in reported:
                reported.add(limit)
                tally.missed_stop += 1

    def _is_late_coat(self) -> bool:
        (room,) = self.watch.rooms.values()
        reasons = room.enclosure.explain()[0].reasons
        broken = {each.limit for each in reasons if each.state is LimitState.BROKEN}
        return broken == {ClockName.RECOAT_CLOSES}

    def _is_out(self, kind: str, now_s: float) -> bool:
        return any(o.kind == kind and o.start_s <= now_s < o.end_s for o in self.outages)

    def _outages(self, now_s: float) -> None:
        for outage in self.outages:
            begins = outage.start_s <= now_s < outage.start_s + STEP_S
            if not begins and not outage.end_s <= now_s < outage.end_s + STEP_S:
                continue
            if outage.kind == "kill" and begins:
                self._kill()
                self.watch, self.store = self._start()
            elif outage.kind == "clock" and begins:
                self.clocks.wall_off_s += random.Random(outage.start_s).choice((3600.0, -1800.0))
            elif outage.kind == "disk":
                self._disk(full=begins)
            elif outage.kind == "broker":
                self._broker(away=begins)

    def _kill(self) -> None:
        """End as by SIGKILL: nothing is flushed, the open transaction is gone."""
        self.store.file.connection.close()
        self.queue.waiting.clear()

    def _broker(self, *, away: bool) -> None:
        if not away:
            self.queue.waiting += self._retained()

    def _seen(self, enclosure: str) -> Call:
        """Return the call as somebody sees it who stands outside the program."""
        return self.watch.rooms[enclosure].enclosure.call

    def _disk(self, *, full: bool) -> None:
        connection = self.store.file.connection
        if full:
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {pages}")
        else:
            connection.execute("PRAGMA max_page_count = 1073741823")

    def _events(self, now_s: float, enclosure: str) -> None:
        while self.actions and self.actions[0].time_s <= now_s:
            action = self.actions.pop(0)
            if action.kind in EVENT_KINDS:
                self.unkept.append(Event(EventKind(action.kind), self.clocks.wall(), enclosure))
        while self.looks_s and self.looks_s[0] <= now_s:
            self.looks_s.pop(0)
            self.unkept.append(Event(EventKind.INSPECTED, self.clocks.wall(), enclosure))
        kept = []
        for event in self.unkept:
            try:
                self.recorded.append(self.store.add_event(event))
            except LogRefused:
                kept.append(event)  # the person is told, and enters it later
        self.unkept = kept

    def _arrive(self, readings: list[Reading]) -> None:
        monotonic_s, wall_s = self.clocks.monotonic(), self.clocks.wall()
        self.queue.waiting += [
            Arrival(replace(each, time_s=wall_s, received_s=wall_s), monotonic_s)
            for each in readings
        ]

    def _retained(self) -> Iterator[Arrival]:
        """What a broker hands out again when it comes back: a fair afternoon of a week ago."""
        wall_s = self.clocks.wall()
        fair = {Quantity.AIR_TEMP: 20.0, Quantity.HUMIDITY: 45.0, Quantity.SURFACE_TEMP: 19.0}
        for point in self.config.enclosures[0].points:
            value = fair[point.quantity]
            reading = Reading(
                self.config.enclosures[0].name, point.name, point.quantity, wall_s, value,
                Quality.RETAINED, wall_s,
            )  # fmt: skip
            yield Arrival(reading, self.clocks.monotonic())

    def _close(self, enclosure: str) -> None:
        self._disk(full=False)
        self.store.flush()
        kept = {event.row for event in self.store.events(enclosure)}
        self.tally.events_lost = sum(event.row not in kept for event in self.recorded)
        self.tally.chain_problems = len(self.store.verify())
        self.store.close()


def _fails(fault: Fault, now_s: float) -> bool:
    """Whether a probe fails, or has failed so lately that its trace is still there."""
    return fault.start_s <= now_s < fault.end_s + 600.0 and (
        fault.kind != "spike" or now_s < fault.start_s + 600.0
    )


def _resident_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


def _open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))
