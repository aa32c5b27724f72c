"""What shipping costs and keeps: rows a second, bytes a reading, lag, catching up, and kills.

    python -m benchmarks.ship [--rows 1000000] [--logs 10] [--rate 100] [--calm 600] [--outage 600]
        [--kills 50] [--seconds 600] [--seed 1]

A PostgreSQL of its own on a free port, with fsync on. Lag is from a reading's own time until a
second connection finds it in the database: the log's wait for its commit (2 s) is in it. `--logs`
writers of `--rate` readings a second each write, and as many shippers ship, all into one database.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "support"))

from ship_kills import cpu_s, kill_round, start_shipper, start_writer
from shipped import differences

from monitor.log.log import Store
from monitor.ship.database import connect, prepare
from monitor.ship.lay_out import lay_out
from monitor.ship.ship import ship_once
from sensors.reading import Quantity
from tests.system.postgres import RealPostgres


def size_and_speed(url: str, folder: Path, rows: int) -> None:
    """Ship a recording whole, lay it out again, and say how large it is."""
    path = folder / "whole.db"
    begun_us = round((time.time() - 40 * 86_400.0) * 1e6)
    with Store.open(path, now_s=time.time) as store:
        source, _ = store.begin_source("replay", "b" * 64, "benchmark")
        for n in range(6):
            part = [
                (begun_us + k * 10_000_000, None, 20.0 + k % 97 / 10.0, None, 0)
                for k in range(rows // 6)
            ]
            store.add_reading_rows("tent", f"p{n}", Quantity.AIR_TEMP, part, source=source)
        store.end_source(source, complete=True)
        uuid = store.log_uuid
    begun_s = time.perf_counter()
    ship_once(url, path)
    took_s = time.perf_counter() - begun_s
    with connect(url) as database:
        sizes = {}
        for table in ("readings", "leaves"):
            (sizes[table],) = database.execute(
                "SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits "
                "WHERE inhparent = %s::regclass", (f"filmcall.{table}",),
            ).fetchone() or (0,)  # fmt: skip
        (held,) = database.execute("SELECT count(*) FROM filmcall.readings").fetchone() or (0,)
    print(f"shipped {held} readings with their leaves in {took_s:.1f} s: {held / took_s:,.0f}/s")
    of_readings, of_leaves = (float(sizes[name]) / held for name in ("readings", "leaves"))
    print(f"  {of_readings:.0f} bytes a reading with its key, {of_leaves:.0f} its share of a leaf")
    begun_s = time.perf_counter()
    lay_out(url, folder, uuid)
    took_s = time.perf_counter() - begun_s
    print(f"  laid out as a log again in {took_s:.1f} s: {held / took_s:,.0f}/s")


def lag(url: str, folder: Path, logs: int, rate: int, calm_s: float, outage_s: float,
        server: RealPostgres) -> bool:  # fmt: skip
    """Write and ship in calm, then with the database away; return whether all is the same."""
    paths = [folder / f"live-{n}.db" for n in range(logs)]
    said = folder / "said.txt"
    seconds = calm_s + outage_s + 60.0
    writers = [
        start_writer(path, seconds, channels=rate, speed=1.0, seed=n)
        for n, path in enumerate(paths)
    ]
    shippers: list[subprocess.Popen[bytes]] = []
    try:
        while not all(path.exists() for path in paths):
            time.sleep(0.1)
        shippers = [start_shipper(path, url, said) for path in paths]
        time.sleep(10.0)
        found = sorted(lags(url, logs, calm_s))
        used = sum(cpu_s(each.pid) for each in shippers) / (calm_s + 10.0) / logs
        p50, p99 = (found[int(len(found) * share)] for share in (0.5, 0.99))
        print(f"calm {calm_s:.0f} s, {logs} logs of {rate} readings/s: lag of the newest reading "
              f"p50 {p50:.2f} s, p99 {p99:.2f} s, worst {found[-1]:.2f} s")  # fmt: skip
        print(f"  a shipper takes {100.0 * used:.1f} % of a core")
        server.stop()
        time.sleep(outage_s)
        server.start()
        back_s = time.monotonic()
        while max(lags(url, logs, 0.0)) > 5.0 and time.monotonic() - back_s < 300.0:
            time.sleep(0.2)
        print(f"database away for {outage_s:.0f} s: every log within 5 s again "
              f"{time.monotonic() - back_s:.1f} s after it was back")  # fmt: skip
        for writer in writers:
            writer.wait(seconds)
    finally:
        for process in (*writers, *shippers):
            process.kill()
            process.wait()
    different = []
    for path in paths:
        ship_once(url, path)
        different += differences(path, url)
    print(f"  log and copy, every row of every table: {different or 'the same'}")
    return not different


def lags(url: str, logs: int, seconds: float) -> list[float]:
    """Return how old the newest reading of each log's newest channel is in the database [s].

    Ten times a second, for so long.
    """
    found = []
    with connect(url) as database:
        until_s = time.monotonic() + seconds
        while not found or time.monotonic() < until_s:
            newest = database.execute(
                "SELECT (SELECT max(time_us) FROM filmcall.readings r WHERE r.log = l.id "
                "AND channel = (SELECT max(id) FROM filmcall.channels c WHERE c.log = l.id)) "
                "FROM filmcall.logs l ORDER BY id DESC LIMIT %s", (logs,),
            ).fetchall()  # fmt: skip
            found += [time.time() - at_us / 1e6 for (at_us,) in newest if at_us is not None]
            time.sleep(0.1)
    return found


def main() -> None:
    """Measure and print; end with 1 where a copy is not its log."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (
        ("rows", 1_000_000), ("logs", 10), ("rate", 100), ("calm", 600.0), ("outage", 600.0),
        ("kills", 50), ("seconds", 600.0), ("seed", 1),
    ):  # fmt: skip
        parser.add_argument(f"--{name}", type=type(default), default=default)
    asked = parser.parse_args()
    fine = True
    with tempfile.TemporaryDirectory(prefix="filmcall-ship-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        server = RealPostgres(folder / "server", quick=False)
        server.start()
        try:
            url = server.new_database()
            prepare(url)
            if asked.rows:
                size_and_speed(url, folder, asked.rows)
            if asked.calm:
                fine &= lag(url, folder, asked.logs, asked.rate, asked.calm, asked.outage, server)
            if asked.kills:
                found = kill_round(
                    server, url, folder, kills=asked.kills, seconds=asked.seconds, seed=asked.seed
                )
                print(f"{found.shipper_kills} kills of the shipper and {found.database_kills} of "
                      f"the database: {found.different or 'every row the same'}")  # fmt: skip
                fine &= not found.different
        finally:
            server.stop()
    sys.exit(0 if fine else 1)


if __name__ == "__main__":
    main()
