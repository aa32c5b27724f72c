"""What it costs to put readings into the chain: time and bytes a reading, and how fast it verifies;
and how many ways to forge a log are found.

    python -m benchmarks.custody [--minutes 120] [--rounds 3] [--forged]

The baseline is the same log written by the same program without leaves and roots, in the same run,
turn about; processor time, so that a busy disk counts for neither.
"""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from unittest.mock import patch

from monitor.log.blocks import Blocks, ReadingTuple
from monitor.log.log import Store
from sensors.reading import Quality, Quantity, Reading
from tests.support import forgeries

T0 = 1_794_506_400.0
RATES = ((10.0, 4), (10.0, 20), (1.0, 20))
RECORDED = 400_000


def write_bare(
    _self: Blocks,
    connection: sqlite3.Connection,
    readings: Iterable[tuple[int, bool, Sequence[ReadingTuple]]],
    _notes: object,
    _now_s: float,
    *,
    last: bool = False,  # noqa: ARG001  (as the original has it)
) -> int:
    """Put readings in as the program did before they stood in the chain."""
    before = connection.total_changes
    for channel, _, rows in readings:
        connection.executemany(
            f"INSERT INTO readings VALUES ({channel}, ?, ?, ?, ?, ?) "
            f"ON CONFLICT (channel, time_us) DO NOTHING",
            rows,
        )
    return connection.total_changes - before


def live(path: Path, every_s: float, channels: int, minutes: int) -> int:
    """Write readings as they come in, and return how many."""
    now = T0
    count = 0
    with Store.open(path, now_s=lambda: now) as store:
        for step in range(round(minutes * 60.0 / every_s)):
            now = T0 + step * every_s
            store.add_readings(
                Reading(
                    *("tent", f"p{number}", Quantity.SURFACE_TEMP),
                    *(now, 12.0 + 0.001 * (step % 97), Quality.OK, now),
                )
                for number in range(channels)
            )
            store.tick()
            count += channels
    return count


def recorded(path: Path) -> int:
    """Write a recording of three channels at 10 s, as a replay does, and return its readings."""
    with Store.open(path, now_s=lambda: T0) as store:
        source, _ = store.begin_source("replay", "0" * 64, "recording.csv")
        rows = [
            (round((T0 + 10.0 * step) * 1e6), None, 12.0 + 0.001 * (step % 97), None, 0)
            for step in range(RECORDED // 3)
        ]
        for begin in range(0, len(rows), 16_000):
            for number in range(3):
                part = rows[begin : begin + 16_000]
                store.add_reading_rows(
                    "tent", f"p{number}", Quantity.SURFACE_TEMP, part, source=source
                )
        store.end_source(source, complete=True)
    return len(rows) * 3


@contextmanager
def bare() -> Iterable[None]:  # type: ignore[misc]
    """Leave leaves and roots out."""
    with patch.object(Blocks, "write", write_bare):
        yield


def cost(folder: Path, name: str, rounds: int, work: Callable[[Path], int]) -> None:
    """Print what a reading costs with the chain and without, turn about."""
    spent: dict[bool, list[float]] = {True: [], False: []}
    size = {}
    count = 0
    for turn in range(2 * rounds):
        chained = turn % 2 == 0
        path = folder / f"{name.replace(' ', '-')}-{turn}.db"
        begin = time.process_time()
        if chained:
            count = work(path)
        else:
            with bare():
                count = work(path)
        spent[chained].append((time.process_time() - begin) / count * 1e6)
        size[chained] = path.stat().st_size / count
        if turn < 2 * rounds - 2:
            path.unlink()
    with_us, without_us = median(spent[True]), median(spent[False])
    print(
        f"{name}: {count:,} readings; {with_us:.1f} us and {size[True]:.1f} bytes a reading, "
        f"{without_us:.1f} us and {size[False]:.1f} bytes without the chain: "
        f"{with_us / without_us:.2f} times the time, {size[True] / size[False]:.2f} times the room"
    )


def forged(folder: Path) -> None:
    """Forge an honest log in every way of the table, and print which ways are found by what."""
    kept = folder / "honest.db"
    forgeries.honest(kept)
    with Store.open(kept, now_s=lambda: T0, read_only=True) as store:
        seal = store.seal()
        if store.verify():
            raise SystemExit("the honest log is accused")
    for ways, what in (
        (forgeries.FOUND_BY_THE_CHAIN, "the chain alone"),
        (forgeries.FOUND_BY_A_SEAL, "a witness's seal"),
    ):
        missed = []
        for way in ways:
            path = folder / "forged.db"
            shutil.copyfile(kept, path)
            forgeries.on_file(path, way.change)
            with Store.open(path, now_s=lambda: T0, read_only=True) as store:
                held = store.sealed_as(seal.sha256) == seal
                if held if way.seal_only else not store.verify():
                    missed.append(way.name)
        print(f"forged logs found by {what}: {len(ways) - len(missed)} of {len(ways)}")
        for name in missed:
            print(f"  not found: {name}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--forged", action="store_true", help="only the forged logs")
    parser.add_argument("--minutes", type=int, default=120)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        forged(folder)
        if asked.forged:
            return
        for every_s, channels in RATES:
            what = f"{channels} channels every {every_s:g} s"

            def work(path: Path, every_s: float = every_s, channels: int = channels) -> int:
                return live(path, every_s, channels, asked.minutes)

            cost(folder, what, asked.rounds, work)
        cost(folder, "a recording at full speed", asked.rounds, recorded)
        path = folder / "verified.db"
        count = recorded(path)
        with Store.open(path, now_s=lambda: T0, read_only=True) as store:
            begin = time.process_time()
            audit = store.audit()
            verify_s = time.process_time() - begin
            begin = time.process_time()
            for channel in store.channels():
                for _ in store.reading_rows(channel.channel):
                    pass
            read_s = time.process_time() - begin
        if audit.problems or audit.readings != count:
            raise SystemExit(f"the log does not verify: {audit}")
        print(
            f"verified {count / verify_s:,.0f} readings a second, "
            f"{verify_s / read_s:.2f} times the time of reading them"
        )


if __name__ == "__main__":
    main()
