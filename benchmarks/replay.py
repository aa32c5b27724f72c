"""How fast a recording is replayed with a log, without one and with an outlook, in processor time,
and how cost and memory grow with its length.

Four readings a row (air, humidity and two surfaces), one evaluation a row; the readings are counted
in the log, since a column whose unit nobody has confirmed is not played. Baseline: pandas reading
the same file and doing nothing with it.

    python -m benchmarks.replay [--rows 10000 100000 1000000]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

CHILD = """
import json, resource, sys, time
from pathlib import Path
from monitor.replay.outlook import ReplayOutlook
from monitor.replay.play import keeper_of, play, prepare
from monitor.log.log import Store
import pandas
file, db, how = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
begin = time.process_time()
for chunk in pandas.read_csv(file, chunksize=20_000):
    pass
alone_s = time.process_time() - begin
begin = time.process_time()
recording, job = prepare(file, config_file=None, enclosure=None, spec_name="polyurethane-topcoat",
                         timezone=None, assumed_surface_offset_k=None)
keeper, readings = keeper_of(job), 0
if how == "log":
    with Store.open(db, now_s=time.time) as store:
        result = play(recording, job, lambda *told: None, keeper=keeper, store=store, title="b")
        ((readings,),) = store.file.rows("SELECT count(*) FROM readings")
else:
    ahead = ReplayOutlook(job.config, keeper) if how == "outlook" else None
    result = play(recording, job, lambda *told: None, keeper=keeper, outlook=ahead)
took_s = time.process_time() - begin
peak_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps([result.rows, readings, took_s, alone_s, peak_kib / 1024]))
"""


def write_recording(path: Path, rows: int) -> None:
    """Write an invented year-like recording: days, noise, dew in some nights."""
    start_s = 1_760_000_000
    with path.open("w", encoding="utf-8") as file:
        file.write("time,air [°C],rh [%],plank_port [°C],plank_stbd [°C]\n")
        for k in range(rows):
            day = math.sin(2 * math.pi * k / 8640)
            jitter = ((k * 7919) % 101 - 50) / 250
            file.write(
                f"{start_s + 10 * k},{18 + 5 * day + jitter:.2f},{66 - 18 * day + jitter:.2f},"
                f"{17 + 3 * day:.2f},{16.8 + 3 * day + jitter / 4:.2f}\n"
            )


def played(file: Path, log: Path, how: str) -> list[float]:
    """Play a recording in a process of its own, as `how` says.

    Returns:
        Rows, readings in the log, time [s], time of pandas alone [s], peak memory [MiB].
    """
    ran = subprocess.run(
        [sys.executable, "-c", CHILD, str(file), str(log), how],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
    )
    found: list[float] = json.loads(ran.stdout)
    return found


def main() -> None:
    """Print the figures of each length, and what no log and an outlook change."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument(
        "--outlook-rows", type=int, default=12_000, help="of the recording that looks ahead"
    )
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        file, log = Path(folder) / "recording.csv", Path(folder) / "log.db"
        print("rows        rows/s  readings/s  x pandas alone  peak MiB  us/row")
        bare = ""
        for rows in wanted.rows:
            write_recording(file, rows)
            count, readings, took_s, alone_s, peak_mib = played(file, log, "log")
            log.unlink()
            print(
                f"{count:<10.0f}{count / took_s:8.0f}{readings / took_s:12.0f}"
                f"{took_s / alone_s:16.1f}{peak_mib:10.0f}{1e6 * took_s / count:8.1f}"
            )
            _, _, took_s, alone_s, peak_mib = played(file, log, "bare")
            bare = (
                f"without a log: {readings / took_s:.0f} readings/s, {took_s / alone_s:.1f} x "
                f"pandas alone, peak {peak_mib:.0f} MiB"
            )
        print(bare)
        write_recording(file, wanted.outlook_rows)
        _, _, bare_s, _, _ = played(file, log, "bare")
        _, _, ahead_s, _, _ = played(file, log, "outlook")
    print(f"with an outlook: {ahead_s / bare_s:.1f} x the time ({ahead_s:.1f} to {bare_s:.1f} s)")


if __name__ == "__main__":
    begin = time.perf_counter()
    main()
    print(f"whole run {time.perf_counter() - begin:.0f} s")
