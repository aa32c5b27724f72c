"""Sustained intake through a real broker: what is lost, what it costs, and whether memory grows.

    python benchmarks/intake.py [--rate 2000] [--seconds 60]

Baseline: our own target, 2,000 readings a second for 60 s, none lost. Each message is one JSON
reading with a time of its own, at QoS 1, sent by another process in slices of 10 ms.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from array import array
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sensors.mqtt.broker import Broker
from sensors.mqtt.intake import Intake
from sensors.mqtt.payload import PayloadSource
from sensors.reading import Quantity
from tests.system.broker import RealBroker, Sensor

TARGET_A_SECOND = 2000.0
TOPICS = 20
_SLICE_S = 0.01


def send(port: int, rate: float, seconds: float) -> None:
    """Send numbered readings at a steady rate and wait until the broker has them all."""
    sensor = Sensor(port, "benchmark-sensor")
    total = round(rate * seconds)
    begin, sent = time.monotonic(), 0
    infos = []
    while sent < total:
        due = min(total, int((time.monotonic() - begin + _SLICE_S) * rate))
        for number in range(sent, due):
            body = json.dumps({"v": number, "t": time.time()})
            infos.append(sensor.client.publish(f"bench/{number % TOPICS}", body, 1))
        sent = due
        time.sleep(_SLICE_S)
    took = time.monotonic() - begin
    for info in infos:
        info.wait_for_publish(30.0)
    sensor.close()
    print(json.dumps({"sent": sent, "took_s": took}))


def resident_mib() -> float:
    """Return the memory of this process now, or its peak where the platform tells no more [MiB]."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return pages * resource.getpagesize() / 2**20


def percentile(ordered: list[float], share: float) -> float:
    """Return the value that `share` of an ordered list lies at or below."""
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def measure(rate: float, seconds: float) -> int:
    """Run once, print the figures, and return how many readings were lost."""
    sources = [
        PayloadSource("tent", f"point-{i}", Quantity.CO2, "ppm", f"bench/{i}", "v", "t")
        for i in range(TOPICS)
    ]
    with tempfile.TemporaryDirectory() as folder:
        broker = RealBroker(Path(folder))
        broker.start()
        intake = Intake(Broker(port=broker.port, client_id="benchmark"), sources)
        intake.start()
        try:
            while not all(s.state == "granted" for s in intake.connection.status().subscriptions):
                time.sleep(0.05)
            return _run(intake, broker.port, rate, seconds)
        finally:
            intake.stop()
            broker.stop()


def _run(intake: Intake, port: int, rate: float, seconds: float) -> int:
    command = [sys.executable, __file__, "--send", str(port), "--rate", str(rate)]
    sender = subprocess.Popen(
        [*command, "--seconds", str(seconds)], stdout=subprocess.PIPE, text=True
    )
    total = round(rate * seconds)
    seen = bytearray(total)
    late_s = array("d")
    doubles = 0
    early_mib = 0.0
    while not intake.status().queued and sender.poll() is None:
        time.sleep(0.001)
    begin, cpu = time.monotonic(), time.process_time()
    quiet_since = begin
    while sum_seen(seen) < total and time.monotonic() - quiet_since < 15.0:
        arrivals = intake.drain(0.25)
        for arrival in arrivals:
            number = int(arrival.reading.value)
            doubles += seen[number]
            seen[number] = 1
            late_s.append(arrival.reading.received_s - arrival.reading.time_s)
        if arrivals:
            quiet_since = time.monotonic()
        if not early_mib and time.monotonic() - begin > seconds * 0.2:
            early_mib = resident_mib()
    took, used = time.monotonic() - begin, time.process_time() - cpu
    late_mib = resident_mib()
    output, _ = sender.communicate(timeout=60.0)
    sent = json.loads(output)
    lost = total - sum_seen(seen)
    status = intake.status()
    ordered = sorted(late_s)
    received = total - lost
    print(f"sent              {sent['sent']} in {sent['took_s']:.1f} s")
    print(f"received          {received}, lost {lost}, twice {doubles}, dropped {status.dropped}")
    print(
        f"rate              {received / took:.0f} a second, "
        f"{received / took / TARGET_A_SECOND:.2f} of the target {TARGET_A_SECOND:.0f}"
    )
    print(
        f"CPU               {used / took:.0%} of one core, {used / received * 1e6:.0f} us a reading"
    )
    print(f"sensor to queue   p50 {percentile(ordered, 0.5) * 1e3:.1f} ms, "
          f"p99 {percentile(ordered, 0.99) * 1e3:.1f} ms")  # fmt: skip
    print(
        f"memory            {early_mib:.1f} MiB at a fifth of the run, {late_mib:.1f} at the "
        f"end (this script keeps {len(late_s) * 8 / 2**20:.1f} MiB of delays)"
    )
    return lost


def sum_seen(seen: bytearray) -> int:
    """Return how many numbers have come in."""
    return seen.count(1)


def main() -> None:
    """Read the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rate", type=float, default=TARGET_A_SECOND)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--send", type=int, metavar="PORT", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.send is not None:
        send(options.send, options.rate, options.seconds)
        return
    sys.exit(1 if measure(options.rate, options.seconds) else 0)


if __name__ == "__main__":
    main()
