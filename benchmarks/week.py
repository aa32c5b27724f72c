"""What `watch` holds in memory and in open files over a simulated week, beside its first day.

    python -m benchmarks.week [--days 7] [--step 10] [--no-screen]

The program runs in a process of its own, with everything that `filmcall watch` has but the broker:
log, films and clocks, retention, the outlook's thread every ten minutes, alarms, messages to the
broker (counted and dropped) and the screen, drawn once a minute. Only the clocks and the source of
arrivals are simulated: six sensors every 10 s, and a person who coats each day and records it. A
larger step is a shorter run with fewer readings, and says less of what each reading leaves.
Baseline: the program's own memory after two hours, and a bare interpreter's. `intake.py` and
`watch.py` measure memory with a real broker.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

ROOT = Path(__file__).resolve().parents[1]
TARGET_MIB = 90.0
# "Flat": a week may add so much to what the program holds after its first hours. No source.
FLAT_MIB = 5.0
FIRST_S = 2.0 * 3600.0
START_S = 1_796_083_200.0  # a midnight, UTC
STEP_S = 10.0
DAY_S = 86_400.0
SAMPLES = 20
ANSWER_S = 120.0  # an outlook that takes longer has failed

CONFIG = """
[broker]
host = "127.0.0.1"

[[enclosure]]
name = "polytunnel"
spec = "polyurethane-topcoat"
"""
POINT = """
[[enclosure.point]]
name = "{name}"
quantity = "{quantity}"
unit = "{unit}"
topic = "shed/{name}"
{more}
"""


class Nowhere:
    """A line to no broker: what goes out is counted and dropped."""

    def __init__(self) -> None:
        self.on_connected: list[Callable[[], None]] = []
        self.bytes = 0

    def set_will(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = True) -> None:
        """Take the will."""

    def publish(
        self,
        topic: str,  # noqa: ARG002
        payload: bytes,
        *,
        qos: int = 1,  # noqa: ARG002
        retain: bool = False,  # noqa: ARG002
        expiry_s: int | None = None,  # noqa: ARG002
    ) -> Nowhere:
        """Count a message."""
        self.bytes += len(payload)
        return self

    def wait(self, timeout_s: float) -> bool:  # noqa: ARG002
        """It has gone."""
        return True


def held() -> dict[str, float]:
    """Return this process's memory and its peak [MiB], its open files and its threads."""
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return {
        "mib": int(status["VmRSS"].split()[0]) / 1024.0,
        "peak_mib": int(status["VmHWM"].split()[0]) / 1024.0,
        "files": len(list(Path("/proc/self/fd").iterdir())),
        "threads": threading.active_count(),
    }


def watch_week(days: float, step_s: float, folder: Path, *, screen: bool) -> None:
    """Run the program and print one line of JSON a sample; called in a process of its own."""
    sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]
    from soak import Clocks, Queue

    from monitor.clock import SteadyClock
    from monitor.config.load import load_config_file
    from monitor.live.alarms import Alarms
    from monitor.live.loop import Watch
    from monitor.live.publish import Publisher
    from monitor.live.run import keepers_of
    from monitor.log.log import Store
    from monitor.log.retention import Retention
    from monitor.outlook import keeper as outlook_keeper
    from monitor.outlook.keeper import OutlookKeeper, OutlookReply
    from rules.events import Event
    from rules.vocabulary import EventKind
    from sensors.mqtt.intake import Arrival
    from sensors.simulate.tent import Action, Tent, TentSettings

    class Outlooks(OutlookKeeper):
        """The run waits for each answer, so that no simulated time passes meanwhile."""

        waiting = 0
        made = 0

        def ask(self, enclosure: str, section: str, *, at_once: bool = False) -> None:
            before_s = self._last_s.get((enclosure, section))
            super().ask(enclosure, section, at_once=at_once)
            self.waiting += self._last_s.get((enclosure, section)) != before_s

        def settle(self) -> None:
            until_s = time.monotonic() + ANSWER_S
            while self.waiting > self._answers.qsize():
                if time.monotonic() > until_s:
                    raise RuntimeError(f"no outlook within {ANSWER_S:.0f} s")
                time.sleep(0.001)
            self.waiting = 0

        def answers(self) -> list[OutlookReply]:
            found = super().answers()
            self.made += sum(each.ahead is not None for each in found)
            return found

    settings = replace(TentSettings(), interval_s=step_s)
    actions, events = [], []
    for day in range(int(days) + 1):
        coat_s = START_S + day * DAY_S + 10.0 * 3600.0
        actions += [
            Action(coat_s - 3.0 * 3600.0, "heater-on"),
            Action(coat_s, "coat-started"),
            Action(coat_s + 8.0 * 3600.0, "heater-off"),
        ]
        section = ("hull-port", "hull-stbd")[day % 2]
        for kind, after_s, words in (
            (EventKind.SESSION_STARTED, -4.0, {}),
            (EventKind.SANDED, -3.0, {}),
            (EventKind.WIPED, -1.0, {}),
            (EventKind.MIXED, -0.5, {"amount_ml": 800.0}),
            (EventKind.COAT_STARTED, 0.0, {"coat": day // 2 + 1}),
            (EventKind.COAT_ENDED, 1.0, {"coat": day // 2 + 1}),
        ):
            if kind is EventKind.SESSION_STARTED and day:
                continue
            at_s = coat_s + 3600.0 * after_s
            events.append(Event(kind, at_s, "polytunnel", section, **words))  # type: ignore[arg-type]

    file, db = folder / "week.toml", folder / "week.db"
    points = [
        POINT.format(
            name=probe.point,
            quantity=probe.quantity.value,
            unit=probe.quantity.unit,
            more=f'section = "hull-{probe.point[6:]}"' if "plank" in probe.point else "",
        )
        for probe in settings.probes
    ]
    file.write_text(CONFIG + "".join(points))
    config = load_config_file(file)
    clocks, queue, line = Clocks(START_S), Queue(), Nowhere()
    # Its ten minutes are those of the simulated clock as well.
    simulated = SimpleNamespace(monotonic=lambda: clocks.monotonic() + 1000.0, time=clocks.wall)
    outlook_keeper.time = simulated  # type: ignore[assignment]
    with Store.open(db, now_s=clocks.wall) as store:
        store.lock_for_watch()
        clock = SteadyClock(clocks.wall, lambda: clocks.true_s - START_S + 1000.0)
        publisher = Publisher(line, base="filmcall", station="bench")
        configs = {each.name: each for each in config.enclosures}
        outlooks = Outlooks(db, configs, folder, clock.now_s, steady_s=simulated.monotonic)
        told = []
        watch = Watch(
            config,
            keepers_of(config, folder),
            store,
            queue,
            clock,
            tell=lambda *_told: told.append(None),
            publisher=publisher,
            outlooks=outlooks,
        )
        watch.retention = Retention(store)
        outlooks.start()
        alarms = Alarms(watch, publisher)
        draw = _drawing() if screen else None
        steps = int(days * DAY_S / step_s)
        used_s = time.process_time()
        for number, (truth, readings) in enumerate(
            Tent(settings, 1, START_S, actions).run(days * DAY_S, step_s)
        ):
            clocks.true_s = truth.time_s
            while events and events[0].time_s <= truth.time_s:
                store.add_event(events.pop(0))
            monotonic_s = clock.now_s() - START_S + 1000.0
            queue.waiting += [
                Arrival(replace(each, time_s=truth.time_s, received_s=truth.time_s), monotonic_s)
                for each in readings
            ]
            watch.turn(0.0)
            alarms.look()
            outlooks.settle()
            if draw is not None and number % max(1, round(60.0 / step_s)) == 0:
                draw(alarms.snapshots["polytunnel"])
            if number % (steps // SAMPLES) == 0 or number == int(FIRST_S / step_s):
                sample = {"day": (truth.time_s - START_S) / DAY_S, **held()}
                print(json.dumps(sample), flush=True)
        outlooks.stop()
        ended = {
            "calls": len(told),
            "outlooks": outlooks.made,
            "sent": publisher.sent,
            "readings": 6 * (steps + 1),
            "cpu_s": time.process_time() - used_s,
            "log_mib": db.stat().st_size / 2**20,
        }
    print(json.dumps(ended), flush=True)


def _drawing() -> Callable[[object], None]:
    """Return what draws a snapshot on a terminal of its own, read and thrown away."""
    from monitor.screen.terminal import REDRAW_S, LiveScreen
    from monitor.screen.theme import Theme

    os.environ["TERM"] = "xterm-256color"
    master, slave = pty.openpty()

    def drain() -> None:
        while os.read(master, 65_536):
            pass

    threading.Thread(target=drain, daemon=True).start()
    out = open(slave, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 (for the whole run)
    ticks = iter(range(10**9))
    screen = LiveScreen(Theme(), out, out, clock=lambda: REDRAW_S * next(ticks))
    screen.__enter__()

    def show(snapshot: object) -> None:
        screen.taken(5.0)  # else a frame is left out
        screen.show(snapshot)  # type: ignore[arg-type]

    return show


def bare_mib() -> float:
    """Return the memory of an interpreter that does nothing [MiB]."""
    told = subprocess.run(
        [sys.executable, "-c", "print(open('/proc/self/status').read())"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return int(told.split("VmRSS:")[1].split()[0]) / 1024.0


def main() -> None:
    """Run the week in a process of its own and print what it held."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--step", type=float, default=STEP_S, help="between readings [s]")
    parser.add_argument("--no-screen", action="store_true")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        watch_week(asked.days, asked.step, asked.child, screen=not asked.no_screen)
        return
    begin_s = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, "--child", folder, "--days", str(asked.days)]
        command += ["--step", str(asked.step)]
        command += ["--no-screen"] * asked.no_screen
        ran = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    *samples, ended = [json.loads(line) for line in ran.stdout.splitlines()]
    print(f"a step is {asked.step:g} s\nday     MiB  peak  files  threads")
    for each in samples:
        print(
            f"{each['day']:<5.2f}{each['mib']:6.1f}{each['peak_mib']:6.0f}{each['files']:7}"
            f"{each['threads']:9}"
        )
    first_day = FIRST_S / DAY_S
    later = [each for each in samples if each["day"] >= first_day - 1e-9]
    first, last = later[0], later[-1]
    middle = sum(each["day"] for each in later) / len(later)
    spread = sum((each["day"] - middle) ** 2 for each in later)
    slope = sum((each["day"] - middle) * each["mib"] for each in later) / spread
    growth_mib = last["mib"] - first["mib"]
    bare = bare_mib()
    print(
        f"{asked.days:g} days: {ended['readings']} readings, {ended['calls']} calls told, "
        f"{ended['outlooks']} outlooks, {ended['sent']} messages, log {ended['log_mib']:.0f} MiB"
    )
    print(
        f"memory {first['mib']:.1f} MiB after two hours, {last['mib']:.1f} at the end, peak "
        f"{last['peak_mib']:.1f}; grew {growth_mib:+.1f} MiB ({slope:+.2f} a day); "
        f"{last['mib'] / bare:.1f} of a bare interpreter's {bare:.1f} MiB"
    )
    print(f"open files {first['files']} after two hours, {last['files']} at the end")
    met = last["peak_mib"] <= TARGET_MIB and growth_mib <= FLAT_MIB
    print(
        f"target: peak {last['peak_mib'] / TARGET_MIB:.2f} of {TARGET_MIB:.0f} MiB, growth at most "
        f"{FLAT_MIB:.0f} MiB: {'met' if met else 'MISSED'}"
    )
    print(
        f"processor {ended['cpu_s']:.0f} s for {asked.days * DAY_S:.0f} s: "
        f"{ended['cpu_s'] / (asked.days * DAY_S):.3%} of one core"
    )
    print(f"whole run {time.perf_counter() - begin_s:.0f} s")


if __name__ == "__main__":
    main()
