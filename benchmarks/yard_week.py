"""A simulated week of one station, as fast as it goes: real broker, log, shipper and PostgreSQL.

    python -m benchmarks.yard_week [--days 7] [--step 60] [--enclosures 20] [--seed 1]

Sensors publish five readings for each enclosure every step over a real broker to the watch's own
intake and loop, in a process whose clocks are simulated; a shipper copies its log meanwhile, and
shipper and database are killed in turn. Each enclosure goes wet twice a day and is coated once. In
the end every value that was sent is held against the log, and every row of the log against its
copy. At a step of a second it is 100 readings a second of simulated time.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from array import array
from contextlib import ExitStack
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from crash import command, environment  # noqa: E402
from ship_kills import cpu_s, start_shipper  # noqa: E402
from shipped import differences  # noqa: E402
from soak import Clocks  # noqa: E402

from benchmarks.watch import SPEC, SPEC_CALL  # noqa: E402
from benchmarks.yard import DAY_S, PER_ENCLOSURE, PLANKS, config_text, enclosure_name  # noqa: E402
from monitor.ship.database import prepare  # noqa: E402
from tests.system.broker import RealBroker, Sensor  # noqa: E402
from tests.system.postgres import RealPostgres  # noqa: E402

HEARD_WITHIN_S = 30.0  # of real time; a reading that takes longer is lost
WET_S, COAT_S = 1_800.0, 3_600.0
KILL_EVERY_S = (3.0, 8.0)
Sent = dict[tuple[str, str, str], tuple["array[int]", "array[float]"]]


class Sheds:
    """What the sensors of every enclosure say, step by step, and all that they have said."""

    def __init__(self, enclosures: int, seed: int) -> None:
        """Draw each enclosure's course."""
        self.names = [enclosure_name(0, number) for number in range(enclosures)]
        self.sent: Sent = {}
        self._draw = random.Random(seed)
        self._phase = {name: self._draw.uniform(0.0, 3_600.0) for name in self.names}
        self._wet_s = {
            name: [self._draw.uniform(0.0, DAY_S) for _ in range(2)] for name in self.names
        }

    def say(self, at_s: float) -> list[tuple[str, bytes]]:
        """Return the messages of one step [s]."""
        messages = []
        for name in self.names:
            day_s = (at_s + self._phase[name]) % DAY_S
            swing = math.sin(day_s / DAY_S * 2.0 * math.pi)
            wet = any(0.0 <= day_s - begin_s < WET_S for begin_s in self._wet_s[name])
            air = self._value(name, "air", "air_temp", at_s, 20.0 + 2.0 * swing)
            rh = self._value(name, "air", "humidity", at_s, 92.0 if wet else 50.0 - 5.0 * swing)
            messages.append((f"{name}/air", {"t": air, "rh": rh, "at": at_s}))
            for k in range(PLANKS):
                hull = self._value(name, f"plank-{k}", "surface_temp", at_s, 19.0 + swing)
                messages.append((f"{name}/plank/{k}", {"v": hull, "at": at_s}))
        return [(topic, json.dumps(body).encode()) for topic, body in messages]

    def _value(self, name: str, point: str, quantity: str, at_s: float, mean: float) -> float:
        value = round(mean + self._draw.gauss(0.0, 0.03), 2)
        times, values = self.sent.setdefault((name, point, quantity), (array("q"), array("d")))
        times.append(round(at_s * 1e6))
        values.append(value)
        return value


def unlike(sent: Sent, log: Path) -> list[str]:
    """Return the channels of which a log does not hold exactly what was sent."""
    store, found = sqlite3.connect(log), []
    for (enclosure, point, quantity), (times, values) in sent.items():
        rows = store.execute(
            "SELECT time_us, raw FROM readings WHERE channel = (SELECT id FROM channels "
            "WHERE enclosure = ? AND point = ? AND quantity = ?) ORDER BY time_us",
            (enclosure, point, quantity),
        ).fetchall()
        if rows != list(zip(times, values, strict=True)):
            found.append(f"{enclosure} {point} {quantity}: {len(rows)} of {len(times)}")
    store.close()
    return found


def watch_week(
    folder: Path, port: int, days: float, step_s: float, enclosures: int, seed: int
) -> None:
    """Play the days through the watch's own loop; called in a process of its own."""
    from monitor.clock import SteadyClock
    from monitor.config.load import load_config_file
    from monitor.live.alarms import Alarms
    from monitor.live.loop import Watch
    from monitor.live.publish import Publisher
    from monitor.live.run import keepers_of
    from monitor.log.log import Store
    from rules.events import Event
    from rules.vocabulary import EventKind
    from sensors.mqtt.intake import Intake

    file, log = folder / "watch.toml", folder / "log.db"
    file.write_text(config_text(port, 0, enclosures))
    config = load_config_file(file)
    assert config.broker is not None
    start_s = math.floor(time.time() - days * DAY_S)
    clocks = Clocks(start_s)

    def steady_s() -> float:
        return clocks.true_s - start_s + 1_000.0

    sources = [source for each in config.enclosures for source in each.sources()]
    broker = config.broker.broker(config.publish.station, os.environ)
    intake = Intake(broker, sources, wall=clocks.wall, monotonic=steady_s)
    sheds, told, heard = Sheds(enclosures, seed), [0], 0
    with Store.open(log, now_s=clocks.wall) as store:
        store.lock_for_watch()

        def tell(*_told: object) -> None:
            told[0] += 1

        publisher = Publisher(intake, base=config.publish.base, station=config.publish.station)
        watch = Watch(
            config, keepers_of(config, folder), store, intake,
            SteadyClock(clocks.wall, steady_s), tell=tell, publisher=publisher,
        )  # fmt: skip
        alarms = Alarms(watch, publisher)
        intake.start()
        sensor = Sensor(port, "week-sensors")
        while not intake.status().connection.connected:
            time.sleep(0.05)
        used_s, coated = time.process_time(), 0
        for number in range(int(days * DAY_S / step_s)):
            clocks.true_s = start_s + number * step_s
            while number * step_s >= (coated + 0.5) * DAY_S / enclosures:
                name = sheds.names[coated % enclosures]
                for kind, after_s in (
                    (EventKind.COAT_STARTED, 0.0),
                    (EventKind.COAT_ENDED, COAT_S),
                ):
                    store.add_event(Event(kind, clocks.true_s - COAT_S + after_s, name))
                coated += 1
            for topic, payload in sheds.say(clocks.true_s):
                sensor.client.publish(topic, payload, 0)
            wanted, until_s = enclosures * PER_ENCLOSURE, time.monotonic() + HEARD_WITHIN_S
            while intake.status().queued < wanted and time.monotonic() < until_s:
                time.sleep(0.002)
            heard += watch.turn(0.0)
            alarms.look()
        intake.stop()
        watch.end()
        used_s = time.process_time() - used_s
    lost = unlike(sheds.sent, log)
    sent = sum(len(times) for times, _ in sheds.sent.values())
    print(json.dumps({"sent": sent, "heard": heard, "told": told[0], "coats": coated,
                      "unlike": lost, "cpu_s": used_s}))  # fmt: skip


def kill_in_turn(
    child: subprocess.Popen[str], postgres: RealPostgres, ship: list[subprocess.Popen[bytes]],
    log: Path, url: str, seed: int,
) -> tuple[int, int]:  # fmt: skip
    """Kill shipper and database in turn while a child runs; return how often each."""
    draw, kills = random.Random(seed), [0, 0]
    while True:
        try:
            child.wait(draw.uniform(*KILL_EVERY_S))
            return kills[0], kills[1]
        except subprocess.TimeoutExpired:
            pass
        which = sum(kills) % 2
        kills[which] += 1
        if which == 0:
            ship[-1].send_signal(signal.SIGKILL)
            ship[-1].wait()
            ship.append(start_shipper(log, url, log.with_name("said.txt")))
        else:
            postgres.kill()
            time.sleep(draw.uniform(0.0, 1.0))
            postgres.start()


def main() -> None:
    """Play, kill, compare and print; end with 1 where a value is not the same."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--step", type=float, default=60.0, help="between readings [s]")
    parser.add_argument("--enclosures", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    played = (asked.days, asked.step, asked.enclosures, asked.seed)
    if asked.child is not None:
        watch_week(asked.child, asked.port, *played)
        return
    with tempfile.TemporaryDirectory(prefix="filmcall-week-") as name, ExitStack() as ending:
        folder = Path(name)
        folder.chmod(0o755)
        (folder / "quick.toml").write_text(SPEC.read_text(encoding="utf-8") + SPEC_CALL)
        postgres = RealPostgres(folder / "server", quick=False)
        postgres.start()
        ending.callback(postgres.stop)
        url = postgres.new_database()
        prepare(url)
        broker = RealBroker(folder, config="allow_anonymous true\nset_tcp_nodelay true")
        broker.start()
        ending.callback(broker.stop)
        begin_s, log = time.monotonic(), folder / "log.db"
        words = [sys.executable, __file__, "--child", name, "--port", str(broker.port)]
        for option in ("days", "step", "enclosures", "seed"):
            words += [f"--{option}", str(getattr(asked, option))]
        child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        ending.callback(child.kill)
        while not log.exists() and child.poll() is None:
            time.sleep(0.1)
        ship = [start_shipper(log, url, folder / "said.txt")]
        ending.callback(lambda: ship[-1].kill())
        kills = kill_in_turn(child, postgres, ship, log, url, asked.seed)
        assert child.stdout is not None
        told = child.stdout.read()
        shipped_s = cpu_s(ship[-1].pid)
        ship[-1].kill()
        ship[-1].wait()
        if child.returncode:
            sys.exit("the week was not played to its end")
        end = json.loads(told)
        done = subprocess.run(
            command("ship", "--once", "--db", str(log), "--to", url),
            env=environment(), capture_output=True, text=True, check=False, timeout=600,
        )  # fmt: skip
        different = [done.stderr] if done.returncode else differences(log, url)
    print(f"{asked.days:g} days of {asked.enclosures} enclosures, a step is {asked.step:g} s: "
          f"{end['sent']:,} readings sent, {end['heard']:,} heard, {end['told']:,} calls told, "
          f"{end['coats']} coats")  # fmt: skip
    print(f"sent and log: {end['unlike'] or 'the same'}")
    print(f"log and copy after {kills[0]} kills of the shipper and {kills[1]} of the database: "
          f"{different or 'the same'}")  # fmt: skip
    reading_us = 1e6 * end["cpu_s"] / end["sent"]
    took_s = time.monotonic() - begin_s
    print(f"watch {end['cpu_s']:.0f} s of processor, {reading_us:.0f} us a reading; the last "
          f"shipper {shipped_s:.1f} s; whole run {took_s:.0f} s, load "
          f"{os.getloadavg()[0]:.1f}")  # fmt: skip
    sys.exit(1 if end["unlike"] or different else 0)


if __name__ == "__main__":
    main()
