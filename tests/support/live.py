"""A watch without a broker: scripted arrivals, clocks that a test sets, and a real log."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from monitor.clock import SteadyClock
from monitor.config.load import load_config_file
from monitor.enclosure import Enclosure
from monitor.live.loop import Watch
from monitor.live.publish import Publisher
from monitor.live.run import keepers_of
from monitor.log.log import Store
from monitor.outlook.keeper import OutlookKeeper
from monitor.wire import Json
from rules.section import SectionCall
from sensors.mqtt.intake import Arrival
from sensors.reading import Quality, Quantity, Reading

START_S = 1_800_000_000.0  # 2027-01-15 08:00 UTC
HOUR_S = 3600.0
YEAR_S = 365.0 * 86_400.0

TENT = """
[broker]
host = "127.0.0.1"

[[enclosure]]
name = "tent"
spec = "general-guidance"

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
name = "plank-{0}"
quantity = "surface_temp"
unit = "degC"
topic = "shed/plank-{0}"
section = "hull-{0}"
"""
ONE_PLANK = TENT + PLANK.format("port").replace('section = "hull-port"\n', "")
TWO_PLANKS = TENT + PLANK.format("port") + PLANK.format("stbd")

# 20 degC and 50 % have a dew point of 9.3 degC (ASHRAE Fundamentals, psychrometric chart), so a
# surface at 19 degC stands well over 3 K above it and one at 8 degC is wet.
GOOD = {"air-bow": {Quantity.AIR_TEMP: 20.0, Quantity.HUMIDITY: 50.0}}
DRY_C, WET_C = 19.0, 8.0

Values = dict[str, dict[Quantity, float]]


@dataclass
class Machine:
    """The computer: a clock that nobody sets, and one that anybody may."""

    monotonic_s: float = 1000.0
    wall_ahead_s: float = START_S - 1000.0

    def monotonic(self) -> float:
        return self.monotonic_s

    def wall(self) -> float:
        return self.monotonic_s + self.wall_ahead_s


@dataclass
class Script:
    """A source of arrivals that a test fills."""

    arrivals: list[Arrival] = field(default_factory=list)

    def drain(self, timeout_s: float = 0.0) -> list[Arrival]:
        del timeout_s  # a script never waits
        found, self.arrivals = self.arrivals, []
        return found


class Live:
    """One run of the program, from its start to its end."""

    def __init__(
        self,
        folder: Path,
        text: str = ONE_PLANK,
        machine: Machine | None = None,
        publisher: Publisher | None = None,
        outlooks: OutlookKeeper | None = None,
    ) -> None:
        file = folder / "live.toml"
        file.write_text(text)
        self.machine = machine or Machine()
        self.script = Script()
        self.told: list[Json] = []
        self.path = folder / "log.db"
        self.store = Store.open(self.path, now_s=self.machine.wall, busy_s=0.5)
        self.store.lock_for_watch()
        config = load_config_file(file)
        self.watch = Watch(
            config,
            keepers_of(config, folder),
            self.store,
            self.script,
            SteadyClock(self.machine.wall, self.machine.monotonic),
            tell=self._tell,
            publisher=publisher,
            station="test-bench",
            outlooks=outlooks,
        )

    def _tell(self, _enclosure: Enclosure, _calls: list[SectionCall], told: Json) -> None:
        self.told.append(told)

    def end(self) -> None:
        self.watch.end()
        self.store.close()

    def kill(self) -> None:
        """End as a power cut would: what is buffered is lost."""
        self.store.file.connection.close()
        if self.store.file.lock is not None:
            self.store.file.lock.release()

    def hear(
        self,
        values: Values,
        *,
        enclosure: str = "tent",
        age_s: float = 0.0,
        quality: Quality = Quality.OK,
    ) -> None:
        """Let points say something now, or something that was measured `age_s` ago."""
        now_s, received_s = self.machine.monotonic_s, self.machine.wall()
        for point, said in values.items():
            for quantity, value in said.items():
                reading = Reading(
                    enclosure, point, quantity, received_s - age_s, value, quality, received_s
                )
                self.script.arrivals.append(Arrival(reading, now_s))

    def climate(self, surface_c: float = DRY_C, **more: float) -> Values:
        planks = {"plank-port": surface_c, **{f"plank-{k}": v for k, v in more.items()}}
        return {**GOOD, **{name: {Quantity.SURFACE_TEMP: c} for name, c in planks.items()}}

    def run(self, seconds: float, values: Values | None = None, step_s: float = 10.0) -> str:
        """Let time pass, with the same values every step or in silence; return the call."""
        for _ in range(round(seconds / step_s)):
            self.machine.monotonic_s += step_s
            if values is not None:
                self.hear(values)
            self.watch.turn(0.0)
        return self.call()

    def call(self, enclosure: str = "tent") -> str:
        return self.watch.rooms[enclosure].enclosure.call.value

    def calls(self, enclosure: str = "tent") -> dict[str, str]:
        sections = self.watch.rooms[enclosure].enclosure.sections
        return {name: section.memory.call.value for name, section in sections.items()}

    def reasons(self, enclosure: str = "tent") -> dict[str, str]:
        calls = self.watch.rooms[enclosure].enclosure.explain()
        return {reason.limit: reason.text for reason in calls[0].reasons}
