"""A whole yard on real parts: watches, shippers, one broker, one PostgreSQL, a page and a yard.

    python -m benchmarks.yard [--watches 10] [--enclosures 20] [--rate 1000] [--calm 600]
        [--kills 50] [--outage 600]

Each watch has so many enclosures, with outlooks on and a day and a half of log behind it, and a
shipper of its own; ten pages are open, and `filmcall yard --json` listens. In the calm every other
second one enclosure goes wet, while the last of the first outlooks are made: the time is taken from
just before that reading is published until the page's stream, the yard and the plain word tell of a
STOP. Then shippers, database and broker are killed in turn; then the database is away. In the end
everything that stands in a log is held against its copy, value by value. Lag is as in
`benchmarks/ship.py`, the log's own wait of 2 s in it.
How many enclosures a core serves is reckoned from the processor time of the watches.
"""

from __future__ import annotations

import argparse
import http.client
import json
import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from crash import command, environment  # noqa: E402
from ship_kills import cpu_s, start_shipper  # noqa: E402
from shipped import differences  # noqa: E402

from benchmarks.ship import lags  # noqa: E402
from benchmarks.watch import POINT, SPEC, SPEC_CALL, Ear, percentile  # noqa: E402
from monitor.log.log import Store  # noqa: E402
from monitor.ship.database import prepare  # noqa: E402
from sensors.reading import Quantity  # noqa: E402
from tests.system.broker import RealBroker, Sensor, free_port  # noqa: E402
from tests.system.postgres import RealPostgres  # noqa: E402

PLANKS = 3
PER_ENCLOSURE = PLANKS + 2  # readings a round: air temperature, humidity, planks
PAGES = 10
STOP_EVERY_S, WET_S = 2.0, 6.0
SETTLED_S = 10.0
DAY_S = 86_400.0
HISTORY_S, HISTORY_STEP_S = 36 * 3600.0, 300.0
TOLD_WITHIN_S, HEARD_WITHIN_S, LAG_S, LEVEL_WITHIN_S = 0.150, 5.0, 5.0, 15.0

HEAD = """
[broker]
port = {port}
[publish]
station = "{station}"
"""
ENCLOSURE = """
[[enclosure]]
name = "{name}"
spec = "quick.toml"
"""


def enclosure_name(watch: int, number: int) -> str:
    """Return the name of an enclosure."""
    return f"berth-{watch}-{number:02d}"


def config_text(port: int, watch: int, enclosures: int) -> str:
    """Return a watch's config."""
    text = [HEAD.format(port=port, station=f"shed-{watch}")]
    for number in range(enclosures):
        name = enclosure_name(watch, number)
        text.append(ENCLOSURE.format(name=name))
        points = [
            ("air", "air_temp", "degC", "air", "t", ""),
            ("air", "humidity", "%", "air", "rh", 'rate_floor = "60 %"'),
        ] + [
            (f"plank-{k}", "surface_temp", "degC", f"plank/{k}", "v", 'rate_floor = "40 K"')
            for k in range(PLANKS)
        ]
        text += [
            POINT.format(name=p, quantity=q, unit=u, topic=f"{name}/{t}", value=v, more=m)
            for p, q, u, t, v, m in points
        ]
    return "".join(text)


def write_history(path: Path, watch: int, enclosures: int) -> None:
    """Give a log a day and a half behind it, so that outlooks have something to learn from."""
    end_s = time.time() - 60.0
    draw = random.Random(watch)
    times = [end_s - HISTORY_S + k * HISTORY_STEP_S for k in range(int(HISTORY_S / HISTORY_STEP_S))]
    with Store.open(path, now_s=time.time) as store:
        for number in range(enclosures):
            for point, quantity, value, spread in (
                ("air", Quantity.AIR_TEMP, 20.0, 2.0),
                ("air", Quantity.HUMIDITY, 50.0, -5.0),
                *((f"plank-{k}", Quantity.SURFACE_TEMP, 19.0, 1.0) for k in range(PLANKS)),
            ):
                rows = []
                for at in times:  # a day's swing that ends at its middle
                    swing = math.sin((at - end_s) / DAY_S * 2.0 * math.pi)
                    now = value + spread * swing + draw.gauss(0.0, 0.03)
                    rows.append((round(at * 1e6), None, round(now, 2), None, 0))
                name = enclosure_name(watch, number)
                store.add_reading_rows(name, point, quantity, rows)


def send(port: int, watches: int, enclosures: int, rate: float, stops: bool) -> None:
    """Send every enclosure's readings for ever; with `stops` one goes wet every other second.

    Prints `[enclosure, time]` just before a wet reading is published.
    """
    sensor = Sensor(port, f"benchmark-sensors-{stops}")
    sensor.client.reconnect_delay_set(1, 1)
    names = [enclosure_name(w, n) for n in range(enclosures) for w in range(watches)]
    sends = [(name, topic) for topic in range(PLANKS + 1) for name in names]
    round_s = len(names) * PER_ENCLOSURE / rate
    wet: dict[str, float] = {}
    begin_s = time.monotonic()
    stop_s, turn, sent = begin_s + 20.0, 0, 0
    while True:
        steady_s = time.monotonic()
        due = int((steady_s - begin_s) / round_s * len(sends))
        for k in range(sent, due):
            name, topic = sends[k % len(sends)]
            _send_one(sensor, name, topic, wet=name in wet)
        sent = due
        if stops and steady_s >= stop_s:
            stop_s = steady_s + STOP_EVERY_S
            name, turn = names[turn * 7 % len(names)], turn + 1
            wet[name] = steady_s + WET_S
            print(json.dumps([name, time.time()]), flush=True)
            _send_one(sensor, name, 0, wet=True)
        for name in [each for each, until_s in wet.items() if steady_s >= until_s]:
            del wet[name]
        time.sleep(0.01)


def _send_one(sensor: Sensor, name: str, topic: int, *, wet: bool) -> None:
    now_s = time.time()
    jitter = 0.01 * (int(now_s * 10.0) % 10)  # values that move, as a probe's do
    if topic == 0:
        # 20 degC and 92 % have a dew point of 18.7 degC: a door to the rain, and the hull is wet.
        body = {"t": 20.0 + jitter, "rh": (92.0 if wet else 50.0) + jitter, "at": now_s}
        sensor.client.publish(f"{name}/air", json.dumps(body), 1)
        return
    body = {"v": 19.0 + jitter, "at": now_s}
    sensor.client.publish(f"{name}/plank/{topic - 1}", json.dumps(body), 1)


@dataclass
class Told:
    """When each listener told of a STOP, by enclosure."""

    at_s: dict[str, dict[str, list[float]]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, listener: str, enclosure: str, at_s: float) -> None:
        """Note that a listener told of a STOP then [s]."""
        with self.lock:
            self.at_s.setdefault(listener, {}).setdefault(enclosure, []).append(at_s)

    def delays(self, listener: str, sent: list[tuple[str, float]]) -> list[float | None]:
        """Return how long each STOP took to this listener, None where it did not come in 5 s."""
        found: list[float | None] = []
        heard = self.at_s.get(listener, {})
        for enclosure, sent_s in sent:
            came = [each for each in heard.get(enclosure, []) if 0.0 <= each - sent_s < 5.0]
            found.append(min(came) - sent_s if came else None)
        return found


def listen_page(port: int, name: str, told: Told) -> None:
    """Read the page's stream as a browser does."""
    words: dict[str, str] = {}
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60.0)
    connection.request("GET", "/stream", headers={"Accept": "text/event-stream"})
    answer = connection.getresponse()
    event = b""
    while line := answer.readline():
        at_s = time.time()
        if line.startswith(b"event:"):
            event = line[6:].strip()
        elif line.startswith(b"data:") and event == b"row":
            row = json.loads(line[5:])
            if row["word"] == "STOP" != words.get(row["title"]):
                told.add(name, row["title"], at_s)
            words[row["title"]] = row["word"]


def listen_yard(process: subprocess.Popen[str], told: Told) -> None:
    """Read the yard's lines."""
    assert process.stdout is not None
    for line in process.stdout:
        at_s, row = time.time(), json.loads(line)
        if row["word"] == "STOP":
            told.add("yard", row["enclosure"], at_s)


class WordEar(Ear):
    """Notes when a STOP stands on a plain word topic."""

    def __init__(self, port: int, told: Told) -> None:
        self._told = told
        super().__init__(port, "filmcall/+/word")

    def _hear(self, _client: object, _data: object, message: object) -> None:
        topic, payload = message.topic, message.payload  # type: ignore[attr-defined]
        if payload == b"STOP":
            self._told.add("word", topic.split("/")[1], time.time())


class Yard:
    """Everything that runs, in a folder of its own."""

    def __init__(
        self, folder: Path, ends: ExitStack, watches: int, enclosures: int, rate: float
    ) -> None:
        """Start it all, the watches one after the other.

        Args:
            folder: of its own.
            ends: is given what ends each part before that part is started.
            watches: how many.
            enclosures: of each watch.
            rate: of all [readings/s].
        """
        self.folder, self.watches, self.enclosures, self.rate = folder, watches, enclosures, rate
        self.told, self.stops = Told(), list[tuple[str, float]]()
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.shippers: list[subprocess.Popen[bytes]] = []
        self.sender: subprocess.Popen[str] | None = None
        self.yard: subprocess.Popen[str] | None = None
        self.postgres = RealPostgres(folder / "server", quick=False)
        ends.callback(self.postgres.stop)
        self.postgres.start()
        self.url = self.postgres.new_database()
        prepare(self.url)
        self.broker = RealBroker(folder, config="allow_anonymous true\nset_tcp_nodelay true")
        ends.callback(self.broker.stop)
        self.broker.start()
        ends.callback(self.end)
        (folder / "quick.toml").write_text(SPEC.read_text(encoding="utf-8") + SPEC_CALL)
        self.logs = [folder / f"log-{n}.db" for n in range(watches)]
        self.configs = [folder / f"watch-{n}.toml" for n in range(watches)]
        for n, (log, config) in enumerate(zip(self.logs, self.configs, strict=True)):
            write_history(log, n, enclosures)
            config.write_text(config_text(self.broker.port, n, enclosures))
        self.sender = self._start_sender(stops=True)
        for n in range(watches):
            self.processes[f"watch {n}"] = self._start(
                "watch", "--config", str(self.configs[n]), "--plain", "--db", str(self.logs[n])
            )
        for log in self.logs:
            self.shippers.append(start_shipper(log, self.url, folder / "said.txt"))
        self.page_port = free_port()
        self.processes["page"] = self._start(
            "page", "--config", str(self.configs[0]), "--port", str(self.page_port)
        )
        self.yard = subprocess.Popen(
            command("yard", "--broker", f"127.0.0.1:{self.broker.port}", "--json"),
            env=environment(), stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._thread(listen_yard, self.yard, self.told)
        time.sleep(15.0)
        while max(lags(self.url, watches, 0.0)) > LAG_S:
            time.sleep(1.0)
        for n in range(PAGES):
            self._thread(listen_page, self.page_port, f"page {n}", self.told)
        self.ear = WordEar(self.broker.port, self.told)
        time.sleep(SETTLED_S)  # each page that opens is told every row

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        with (self.folder / "said.txt").open("ab") as out:
            return subprocess.Popen(command(*words), env=environment(), stdout=out, stderr=out)

    def _start_sender(self, *, stops: bool) -> subprocess.Popen[str]:
        words = [sys.executable, __file__, "--send", str(self.broker.port)]
        words += ["--watches", str(self.watches), "--enclosures", str(self.enclosures)]
        words += ["--rate", str(self.rate), *(["--with-stops"] if stops else [])]
        sender = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        self._thread(self._note_stops, sender)
        return sender

    def _note_stops(self, sender: subprocess.Popen[str]) -> None:
        assert sender.stdout is not None
        for line in sender.stdout:
            name, at_s = json.loads(line)
            self.stops.append((name, at_s))

    def without_stops(self) -> None:
        """Let nothing go wet from now on."""
        self.end_sender()
        self.sender = self._start_sender(stops=False)

    def end_sender(self) -> None:
        """Let no more readings come."""
        if self.sender is not None:
            self.sender.kill()
            self.sender.wait()

    def _thread(self, work: Callable[..., None], *given: object) -> None:
        threading.Thread(target=_quietly, args=(work, *given), daemon=True).start()

    def cpu(self) -> dict[str, float]:
        """Return the processor time of each part [s]."""
        found = {name: cpu_s(each.pid) for name, each in self.processes.items()}
        found["yard"] = 0.0 if self.yard is None else cpu_s(self.yard.pid)
        found["shippers"] = sum(cpu_s(each.pid) for each in self.shippers)
        return found

    def newest_s(self, watch: int) -> float:
        """Return the time of the newest reading in a watch's log [s]."""
        log = sqlite3.connect(f"file:{self.logs[watch]}?mode=ro", uri=True)
        try:
            (at_us,) = log.execute(
                "SELECT max(time_us) FROM readings WHERE channel = (SELECT max(id) FROM channels)"
            ).fetchone()
        finally:
            log.close()
        return float(at_us) / 1e6

    def kill_in_turn(self, kills: int) -> list[float]:
        """Kill shipper, database and broker in turn.

        Returns:
            After each return of the broker, how long until the last watch's log held a reading
            of later, its wait for the commit in it [s].
        """
        draw, heard = random.Random(1), []
        for turn in range(kills):
            time.sleep(draw.uniform(1.0, 3.0))
            if turn % 3 == 0:
                which = draw.randrange(self.watches)
                self.shippers[which].send_signal(signal.SIGKILL)
                self.shippers[which].wait()
                said = self.folder / "said.txt"
                self.shippers[which] = start_shipper(self.logs[which], self.url, said)
            elif turn % 3 == 1:
                self.postgres.kill()
                time.sleep(draw.uniform(0.0, 1.0))
                self.postgres.start()
            else:
                self.broker.kill()
                time.sleep(draw.uniform(0.0, 3.0))
                self.broker.start()
                heard.append(self._heard_after(time.time()))
        return heard

    def _heard_after(self, back_s: float) -> float:
        waiting = set(range(self.watches))
        while waiting and time.time() - back_s < 120.0:
            waiting = {each for each in waiting if self.newest_s(each) <= back_s}
            time.sleep(0.1)
        return time.time() - back_s

    def end(self) -> None:
        """End what runs, the watches as a service manager would."""
        self.end_sender()
        told: list[subprocess.Popen[Any]] = [*self.processes.values()]
        told += [] if self.yard is None else [self.yard]
        for each in told:
            each.send_signal(signal.SIGTERM)
        for each in told:
            try:
                each.wait(60.0)
            except subprocess.TimeoutExpired:
                each.kill()
                each.wait()
        for shipper in self.shippers:
            shipper.kill()
            shipper.wait()


def _quietly(work: Callable[..., None], *given: object) -> None:
    try:
        work(*given)
    except (OSError, http.client.HTTPException, ValueError) as fault:
        if not isinstance(fault, (ConnectionError, TimeoutError)):
            print(f"a listener ended: {fault!r}", file=sys.stderr)


def calm(yard: Yard, seconds: float) -> bool:
    """Measure in calm; print; return whether every target is met."""
    from_s = time.time()  # what went wet before every listener stood says nothing
    before, begin_s = yard.cpu(), time.monotonic()
    found = sorted(lags(yard.url, yard.watches, seconds))
    took_s = time.monotonic() - begin_s
    used = {name: value - before[name] for name, value in yard.cpu().items()}
    watching = sum(value for name, value in used.items() if name.startswith("watch")) / took_s
    count = yard.watches * yard.enclosures
    print(f"calm {took_s:.0f} s: {count} enclosures, {yard.rate:.0f} readings/s, load "
          f"{os.getloadavg()[0]:.1f}")  # fmt: skip
    print(f"  watches {100 * watching:.0f} % of a core together: one core serves "
          f"{count / watching:.0f} enclosures of {yard.rate / count:.0f} readings/s")  # fmt: skip
    for name in ("page", "yard", "shippers"):
        print(f"  {name} {100 * used[name] / took_s:.1f} % of a core")
    print(f"  lag of the database p50 {percentile(found, 0.5):.2f} s, p99 "
          f"{percentile(found, 0.99):.2f} s, worst {found[-1]:.2f} s")  # fmt: skip
    time.sleep(5.0)
    calls = Ear(yard.broker.port, "filmcall/+/call")
    time.sleep(2.0)
    made = sum(bool((json.loads(each).get("outlook") or {}).get("bands"))
               for each in calls.words.values())  # fmt: skip
    calls.close()
    print(f"  {made} of {len(calls.words)} enclosures with an outlook")
    good = percentile(found, 0.99) <= LAG_S
    stops = [each for each in yard.stops if from_s < each[1] < time.time() - 5.0]
    pages = [yard.told.delays(f"page {n}", stops) for n in range(PAGES)]
    for name, delays in (
        ("word", yard.told.delays("word", stops)),
        ("page", [each for page in pages for each in page]),
        ("yard", yard.told.delays("yard", stops)),
    ):
        came = sorted(each for each in delays if each is not None)
        if not came:
            print(f"  STOP to {name}: none of {len(stops)} came")
            good = False
            continue
        p50, p99 = percentile(came, 0.5), percentile(came, 0.99)
        print(f"  STOP to {name}: p50 {1e3 * p50:.0f} ms, p99 {1e3 * p99:.0f} ms, worst "
              f"{1e3 * came[-1]:.0f} ms, {len(delays) - len(came)} of {len(delays)} did not "
              "come")  # fmt: skip
        good &= p99 <= TOLD_WITHIN_S and len(came) == len(delays)
    return good


def outage(yard: Yard, seconds: float) -> bool:
    """Take the database away; return whether every log is level again in time."""
    yard.postgres.stop()
    time.sleep(seconds)
    yard.postgres.start()
    back_s = time.monotonic()
    while max(lags(yard.url, yard.watches, 0.0)) > LAG_S and time.monotonic() - back_s < 300.0:
        time.sleep(0.2)
    took_s = time.monotonic() - back_s
    print(f"database away for {seconds:.0f} s: every log within 5 s again after {took_s:.1f} s")
    return took_s <= LEVEL_WITHIN_S


def held_together(yard: Yard) -> bool:
    """Ship what is left, and hold every log against its copy."""
    different, rows = [], 0
    for log in yard.logs:
        done = subprocess.run(
            command("ship", "--once", "--db", str(log), "--to", yard.url),
            env=environment(), capture_output=True, text=True, check=False, timeout=300,
        )  # fmt: skip
        different += [done.stderr] if done.returncode else []
        different += differences(log, yard.url)
        store = sqlite3.connect(log)
        rows += store.execute("SELECT count(*) FROM readings").fetchone()[0]
        store.close()
    print(f"log and copy, {rows:,} readings and every row of every table: "
          f"{different or 'the same'}")  # fmt: skip
    return not different


@contextmanager
def started(*given: int) -> Iterator[Yard]:
    """Start a yard, and end it."""
    with tempfile.TemporaryDirectory(prefix="filmcall-yard-") as name, ExitStack() as ends:
        folder = Path(name)
        folder.chmod(0o755)
        yield Yard(folder, ends, *given)


def main() -> None:
    """Measure and print; end with 1 where something was missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (
        ("watches", 10), ("enclosures", 20), ("rate", 1000), ("calm", 600), ("kills", 50),
        ("outage", 600),
    ):  # fmt: skip
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--send", type=int, metavar="PORT", help=argparse.SUPPRESS)
    parser.add_argument("--with-stops", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    sys.setswitchinterval(0.0005)  # a dozen threads listen, and none may wait for another
    if asked.send is not None:
        send(asked.send, asked.watches, asked.enclosures, asked.rate, asked.with_stops)
        return
    with started(asked.watches, asked.enclosures, asked.rate) as yard:
        good = calm(yard, float(asked.calm))
        yard.without_stops()
        if asked.kills:
            heard = sorted(yard.kill_in_turn(asked.kills))
            print(f"{asked.kills} kills of shipper, database and broker in turn; after the broker "
                  f"was back every watch heard again, and had it in its log, within "
                  f"{heard[-1]:.1f} s (median {percentile(heard, 0.5):.1f})")  # fmt: skip
            good &= heard[-1] <= HEARD_WITHIN_S
        if asked.outage:
            good &= outage(yard, float(asked.outage))
        yard.end_sender()
        time.sleep(3.0)
        for name, process in yard.processes.items():
            if process.poll() is not None:
                print(f"{name} ended with {process.returncode}")
                good = False
            elif name.startswith("watch"):
                process.send_signal(signal.SIGTERM)
                process.wait(60.0)
        good &= held_together(yard)
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
