"""A night in the shed in a second: the real watch, log, alarms and publisher, scripted sensors.

`Rig` lets simulated time pass over the whole live program, breaks what a night can break (a probe,
the link, the disk, the clock, the program), and writes down what came out. How a ring is read is
said at `RingHeard`; no test looks at the program's own objects for it.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from live import Live, Machine

from monitor.live.alarms import Alarms
from monitor.live.publish import Publisher
from monitor.live.restart import LinkLog
from monitor.log.facts import with_spec_text
from monitor.log.log import Store
from monitor.log.rows import LogRefused
from monitor.wire import Json
from rules.events import Event
from rules.vocabulary import EventKind
from sensors.reading import Quality, Quantity, Reading

PORT, STBD = "hull-port", "hull-stbd"
AIR = "air-bow"
ENCLOSURE = "tent"
# Sheets whose every limit harms from the first stroke to its step, so that each break is a fact.
PRIMER, TOPCOAT, ENAMEL = (
    str(Path(__file__).parent / "rig_specs" / f"strict-{name}.toml")
    for name in ("two-pack-epoxy-primer", "polyurethane-topcoat", "one-pack-enamel")
)
MINUTE_S, HOUR_S = 60.0, 3600.0
BASE = "yard/filmcall"

# A mild, dry tent: the dew point is 8.9 degC, so a plank at 15 degC stands 6 K over it.
AIR_C, RH_PCT, HULL_C = 18.0, 55.0, 15.0
# What a tent can do in a minute; a plank follows the air slowly, vapour comes from a wet floor.
SLOPE_PER_MIN = {Quantity.AIR_TEMP: 1.0, Quantity.HUMIDITY: 4.0, Quantity.SURFACE_TEMP: 1.0}
# Far under every guard, and enough that no channel reads the same twice running for long.
NOISE = {Quantity.AIR_TEMP: 0.02, Quantity.HUMIDITY: 0.08, Quantity.SURFACE_TEMP: 0.02}

HEADER = """
[broker]
host = "127.0.0.1"

[publish]
base = "yard/filmcall"
station = "test-bench"

[[enclosure]]
name = "tent"
spec = "{spec}"

[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degC"
topic = "shed/bow"
value = "t"

[[enclosure.point]]
name = "air-bow"
quantity = "humidity"
unit = "%"
topic = "shed/bow"
value = "rh"
"""
PLANK = """
[[enclosure.point]]
name = "{plank}"
quantity = "surface_temp"
unit = "degC"
topic = "shed/{plank}"
section = "{section}"
"""


def plank_of(section: str) -> str:
    """Return the name of the probe on a section."""
    return section.replace("hull", "plank")


def config_text(spec: str, sections: Iterable[str]) -> str:
    """Return a config with one air body and a probe on each section."""
    planks = (PLANK.format(plank=plank_of(each), section=each) for each in sections)
    return HEADER.format(spec=spec) + "".join(planks)


@dataclass(frozen=True, slots=True)
class RingHeard:
    """One message on `<base>/<enclosure>/alarm`; one fact of one section rings by one message.

    The keys read are `section`, its name; `fact`, one of `harmed`, `blind` and `near`; `cause`, for
    `harmed` and `near` the limit's name as in a call's reasons (`dew_margin_min`), for `blind`
    whatever says best what is not known; `since`, from when the fact holds [ISO 8601 UTC]; and
    `text`.

    Attributes:
        at_s: since the rig's beginning, by the clock that nobody sets [s].
        section: whose film.
        fact: `harmed`, `blind` or `near`.
        cause: of the fact.
        text: for people.
        body: the whole message.
    """

    at_s: float
    section: str
    fact: str
    cause: str
    text: str
    body: Json

    @property
    def minute(self) -> float:
        """When it rang [min]."""
        return self.at_s / MINUTE_S

    @property
    def key(self) -> tuple[str, str, str]:
        """Section, fact and, of a harm, by what."""
        return self.section, self.fact, self.cause if self.fact == "harmed" else ""


def ring_of(at_s: float, body: Json) -> RingHeard:
    """Return the ring that a message on the alarm topic stands for.

    Args:
        at_s: when it was published [s].
        body: the message.
    """
    section, fact, cause, text = (str(body[key]) for key in ("section", "fact", "cause", "text"))
    return RingHeard(at_s, section, fact, cause, text, body)


@dataclass(frozen=True, slots=True)
class CallSeen:
    """What the program told of one section when its call, question, advice or reasons changed.

    Attributes:
        at_s: since the rig's beginning [s].
        section: whose.
        call: GO, HOLD or STOP.
        question: that was answered.
        stage: of the section.
        advice: what is asked of the painter.
        reasons: limit and state, worst first.
        body: the whole of it.
    """

    at_s: float
    section: str
    call: str
    question: str
    stage: str
    advice: str
    reasons: tuple[tuple[str, str], ...]
    body: Json

    @property
    def words(self) -> str:
        """Every reason's text, and the advice."""
        return "; ".join([self.advice, *(str(each["text"]) for each in self.body["reasons"])])


@dataclass(slots=True)
class Timeline:
    """What a rig gave out, in order."""

    calls: list[CallSeen] = field(default_factory=list)
    rings: list[RingHeard] = field(default_factory=list)
    alarms: list[tuple[float, Json]] = field(default_factory=list)
    bells: list[float] = field(default_factory=list)

    def rings_between(self, from_s: float, to_s: float, section: str = "") -> list[RingHeard]:
        """Return what rang after `from_s` and not after `to_s`, of one section or of all [s]."""
        return [
            ring
            for ring in self.rings
            if from_s < ring.at_s <= to_s and section in ("", ring.section)
        ]


class _Receipt:
    def wait(self, timeout_s: float) -> bool:
        del timeout_s
        return True


class Line:
    """A line to listeners that writes down what it is handed, with the rig's time."""

    def __init__(self, now_s: Callable[[], float], heard: Callable[[float, str, bytes], None]):
        self.on_connected: list[Callable[[], None]] = []
        self._now_s = now_s
        self._heard = heard

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        """Do nothing: no broker keeps a will here."""

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 1,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> _Receipt:
        """Write a message down; every message counts alike here."""
        del qos, retain, expiry_s
        self._heard(self._now_s(), topic, payload)
        return _Receipt()


class Rig:
    """One shed over any number of runs of the program.

    Attributes:
        timeline: what came out.
        machine: the computer's clocks.
        live: the program's present run.
        step_s: between two messages of each point, and two turns of the loop [s].
        dead: points that say nothing.
        linked: whether there is a broker.
        unrecorded: events that the log refused.
        noise: standard deviation of what each quantity's probes say [°C, %].
    """

    def __init__(
        self,
        folder: Path,
        spec: str = PRIMER,
        sections: tuple[str, ...] = (PORT, STBD),
        *,
        step_s: float = 30.0,
        seed: int = 1,
        machine: Machine | None = None,
        text: str | None = None,
    ) -> None:
        """Start the program in an empty folder, or over the log that lies there.

        Args:
            folder: for config and log.
            spec: the enclosure's.
            sections: each with a probe of its own.
            step_s: between two messages of each point [s].
            seed: of the sensors' noise.
            machine: the computer's clocks; new ones where None.
            text: a config in place of the usual one.
        """
        self.timeline = Timeline()
        self.machine = machine or Machine()
        self.step_s = step_s
        self.sections = sections
        self.dead: set[str] = set()
        self.linked = True
        self.unrecorded: list[Event] = []
        self.full = False
        self._folder = folder
        self._text = text or config_text(spec, sections)
        self.noise = dict(NOISE)
        self._noise = random.Random(seed)
        self._began_s = self.machine.monotonic()
        hull = {plank_of(each): HULL_C for each in sections}
        self._now = {
            (AIR, Quantity.AIR_TEMP): AIR_C,
            (AIR, Quantity.HUMIDITY): RH_PCT,
            **{(name, Quantity.SURFACE_TEMP): value for name, value in hull.items()},
        }
        self._target = dict(self._now)
        self._told: dict[str, tuple[object, ...]] = {}
        self.live = self._start()

    # Time ------------------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Time since the rig's beginning, by the clock that nobody sets [s]."""
        return self.machine.monotonic() - self._began_s

    @property
    def wall_s(self) -> float:
        """What the computer's clock says [s]."""
        return self.machine.wall()

    def run(self, minutes: float, step_s: float | None = None) -> list[RingHeard]:
        """Let time pass; return what rang meanwhile.

        Args:
            minutes: how long [min].
            step_s: between two messages in this stretch; the rig's own where None [s].
        """
        before = len(self.timeline.rings)
        step_s = self.step_s if step_s is None else step_s
        for _ in range(round(minutes * MINUTE_S / step_s)):
            self.step(step_s)
        return self.timeline.rings[before:]

    def step(self, step_s: float) -> None:
        """Let one interval pass: sensors speak, the loop turns, the alarms look."""
        self.machine.monotonic_s += step_s
        self._move(step_s)
        if self.linked:
            self.live.hear(self.sensed())
        self.live.watch.turn(0.0)
        heard = len(self.timeline.alarms)
        link = "" if self.linked else "no link to the broker"
        rung = self.alarms.look(link=link, link_ok=self.linked)
        if rung:
            self.timeline.bells.append(self.now_s)
        if len(rung) != len(self.timeline.alarms) - heard:
            raise AssertionError("the bell and the alarm topic do not ring for the same")

    # Sensors ---------------------------------------------------------------------------------

    def air(
        self, temp_c: float | None = None, rh_pct: float | None = None, *, at_once: bool = False
    ) -> None:
        """Let the air go to new values, as fast as a tent's can or at once [°C, %]."""
        for quantity, value in ((Quantity.AIR_TEMP, temp_c), (Quantity.HUMIDITY, rh_pct)):
            if value is not None:
                self._aim((AIR, quantity), value, at_once)

    def hull(self, surface_c: float, section: str = "", *, at_once: bool = False) -> None:
        """Let a section's surface, or every one, go to a new temperature [°C]."""
        for each in self.sections:
            if section in ("", each):
                self._aim((plank_of(each), Quantity.SURFACE_TEMP), surface_c, at_once)

    def kill(self, *points: str) -> None:
        """Let points fall silent."""
        self.dead |= set(points)

    def revive(self, *points: str) -> None:
        """Let points speak again; all where none is named."""
        self.dead -= set(points) or set(self.dead)

    def truth(self) -> dict[tuple[str, Quantity], float]:
        """Return what is so now, without the sensors' noise [°C, %]."""
        return dict(self._now)

    def sensed(self) -> dict[str, dict[Quantity, float]]:
        """Return what the living points say now."""
        said: dict[str, dict[Quantity, float]] = {}
        for (point, quantity), value in self._now.items():
            noise = self._noise.gauss(0.0, self.noise[quantity])
            if point not in self.dead:
                said.setdefault(point, {})[quantity] = round(value + noise, 2)
        return said

    def _aim(self, channel: tuple[str, Quantity], value: float, at_once: bool) -> None:
        self._target[channel] = value
        if at_once:
            self._now[channel] = value

    def _move(self, step_s: float) -> None:
        for channel, target in self._target.items():
            most = SLOPE_PER_MIN[channel[1]] * step_s / MINUTE_S
            self._now[channel] += max(-most, min(most, target - self._now[channel]))

    # What a night can break ------------------------------------------------------------------

    def lose_link(self) -> None:
        """Lose the broker: nothing comes in, and nobody hears what goes out."""
        self.linked = False

    def find_link(self) -> None:
        """Have the broker back."""
        self.linked = True

    def fill_disk(self) -> None:
        """Let SQLite refuse every write of the running program, as a full disk does."""
        self.full = True
        self.live.store.file.connection.execute("PRAGMA query_only = ON")

    def free_disk(self) -> None:
        """Let the disk take writes again."""
        self.full = False
        self.live.store.file.connection.execute("PRAGMA query_only = OFF")

    def set_clock(self, by_s: float) -> None:
        """Set the computer's clock forward, or back [s]."""
        self.machine.wall_ahead_s += by_s

    def restart(self, down_s: float = 60.0, *, clock_by_s: float = 0.0, kill: bool = False) -> None:
        """End the program and begin it again on the same log, with room on the disk.

        Args:
            down_s: how long nothing ran [s].
            clock_by_s: by how much the clock is set meanwhile [s].
            kill: end it as a power cut would.
        """
        if self.full:
            self.free_disk()
        if kill:
            self.live.kill()
        else:
            self.live.end()
        for _ in range(round(down_s / self.step_s)):
            self.machine.monotonic_s += self.step_s
            self._move(self.step_s)
        self.set_clock(clock_by_s)
        self.live = self._start()

    def end(self) -> None:
        """End the program."""
        self.live.kill()

    def history(
        self, hours: float, *, every_s: float = 300.0, hull_c: float = HULL_C, air_c: float = AIR_C
    ) -> None:
        """Put hours of quiet readings into the log, as an earlier run kept them, and begin anew.

        Args:
            hours: up to now [h].
            every_s: between two rows of a channel [s].
            hull_c: of every section [°C].
            air_c: of the air [°C].
        """
        self.live.end()
        values = {
            AIR: {Quantity.AIR_TEMP: air_c, Quantity.HUMIDITY: RH_PCT},
            **{plank_of(each): {Quantity.SURFACE_TEMP: hull_c} for each in self.sections},
        }
        self.machine.monotonic_s += hours * HOUR_S
        readings = []
        for back in range(round(hours * HOUR_S / every_s), 0, -1):
            time_s = self.wall_s - back * every_s
            for point, said in values.items():
                for quantity, value in said.items():
                    noisy = round(value + self._noise.gauss(0.0, NOISE[quantity]), 2)
                    readings.append(
                        Reading(ENCLOSURE, point, quantity, time_s, noisy, Quality.OK, time_s)
                    )
        with Store.open(self.live.path, now_s=self.machine.wall) as store:
            store.add_readings(readings)
            store.flush()
        self.live = self._start()

    def _start(self) -> Live:
        line = Line(lambda: self.now_s, self._heard)
        publisher = Publisher(line, base=BASE, station="test-bench")
        live = Live(self._folder, self._text, self.machine, publisher)
        live.watch.link = LinkLog(lambda: self.linked)
        self.alarms = Alarms(live.watch, publisher)
        return live

    # What a painter does ---------------------------------------------------------------------

    def event(self, kind: str, section: str | None = None, **more: object) -> Event | None:
        """Record what a person did, from another shell; return it, or None where it is refused.

        Args:
            kind: as the command names it.
            section: whose, or None for none named.
            **more: further fields of an event; `time_s` where it is not now.
        """
        fields: dict[str, object] = {"time_s": self.wall_s, "recorded_s": self.wall_s, **more}
        made = Event(EventKind(kind), enclosure=ENCLOSURE, section=section, **fields)  # type: ignore[arg-type]
        try:
            if self.full:
                return self.live.store.add_event(with_spec_text(self.live.store, made))
            with Store.open(self.live.path, now_s=self.machine.wall) as other:
                return other.add_event(with_spec_text(other, made))
        except LogRefused:
            self.unrecorded.append(made)
            return None

    def acknowledge(self, section: str | None = None) -> bool:
        """Say that the alarms of a section, or all, were heard; return whether the log took it."""
        return self.event("acknowledged", section) is not None

    def coat(
        self, section: str | None, minutes: float = 20.0, *, spec: str | None = None, **more: object
    ) -> None:
        """Lay a coat: started, so many minutes of work, ended."""
        self.event("coat-started", section, spec=spec, **more)
        self.run(minutes)
        self.event("coat-ended", section)
        self.run(1.0)

    # What came out ---------------------------------------------------------------------------

    def told(self, section: str) -> CallSeen:
        """Return what was told of a section last."""
        return next(each for each in reversed(self.timeline.calls) if each.section == section)

    def call(self, section: str = PORT) -> str:
        """Return a section's call now."""
        return self.told(section).call

    def _heard(self, at_s: float, topic: str, payload: bytes) -> None:
        if topic == f"{BASE}/{ENCLOSURE}/alarm":
            body = json.loads(payload)
            self.timeline.alarms.append((at_s, body))
            self.timeline.rings.append(ring_of(at_s, body))
        elif topic == f"{BASE}/{ENCLOSURE}/call" and payload:
            self._see_calls(at_s, json.loads(payload)["sections"])

    def _see_calls(self, at_s: float, bodies: list[Json]) -> None:
        for body in bodies:
            section = str(body["section"])
            reasons = tuple((str(r["limit"]), str(r["state"])) for r in body["reasons"])
            words = tuple(str(body[key]) for key in ("call", "question", "stage", "advice"))
            if self._told.get(section) != (now := (*words, reasons)):
                self._told[section] = now
                self.timeline.calls.append(CallSeen(at_s, section, *words, reasons, body))


def minutes(rings: Iterable[RingHeard], after_s: float = 0.0) -> list[float]:
    """Return when rings came, in minutes after a time, to a tenth [min]."""
    return [round((ring.at_s - after_s) / MINUTE_S, 1) for ring in rings]
