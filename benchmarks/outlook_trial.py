"""Judges the outlook on enclosures and recordings that it was not settled on, by log and forecast.

`python -m benchmarks.outlook_trial [--short] [--grass FILE] [--keep]` from the checkout; one core,
about eight minutes whole and one short. The outlook is asked through one door
(`tests/support/outlook_door.py`) and shares no physics with what it is judged on:

- 31 enclosures of their own simulator (`held_enclosures`): tents, heated tents, sheds of timber and
  block, heated rooms and rooms within a room, 24 of them ten days under typical-year weather that
  ships with pvlib, three under forty recorded days of an airfield, two under a recorded week of
  grassland, two within a recorded office. Seeds are fixed.
- Recordings by others, in `tests/data/outlook` and `examples/recordings`, sources and licences
  beside them: office room, prairie, airfield (hourly, straight lines between), and with `--grass` a
  month of air and grass under infrared.
- Forecasts as issued every six hours (`issued_forecasts`): errors of temperature, dew point and sun
  apart from one another, autocorrelated, growing with lead. Rooms within a room have none.

Origins begin after a day and a half of log and come to every hour of the day; with a forecast every
second of them is asked. CRPS is mean |x − y| − ½ mean |x − x′| over the draws (Gneiting and Raftery
2007, eq. 21). Each simple forecaster is dressed with its own past errors in the same log. HOLD
counts from a probability of 0.2 on for any of margin 3 K, humidity 85 % and air 10 °C, all three
kept at the origin. Cases in one log hang together: the chance error beside told and came (1 σ of a
binomial) is too small by that.

A figure that misses its target is marked `!`, or `?` where it misses by no more than two of those
chance errors; the short set is too small for most targets and mainly shows what a change does. What
stood before the outlook was changed is in `outlook_trial.json` (`--keep` writes it anew) and is
printed under each row.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
import tracemalloc
from pathlib import Path

os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "support"))

from held_enclosures import enclosures
from issued_forecasts import outside
from outlook_door import Door
from outlook_figures import Figure, Table, counted, kept, printed, tables
from outlook_trial import EVERY_CELLS, Found, Log, enclosure_logs, play, recording_logs

KEPT = Path(__file__).with_suffix(".json")
SHORT = [3, 6, 7, 9, 15, 21, 25]
LONG_LOG_CELLS = 3000  # from here on a third of the origins is enough
MIB = 1 << 20


def memory(log: Log) -> Table:
    """Return the memory that an outlook takes at most while it is made, a week of log behind it."""
    past, row = log.track.until(7 * 288), []
    assert log.issues is not None
    hours, issues = outside(log.issues, past.end_s)
    heat = log.heat[: past.count]
    for how, run in (
        ("by the log", lambda: Door().by_log(past)),
        ("with a forecast", lambda: Door().by_forecast(past, hours, heat, issues)),
    ):
        run()  # tables and the like, once
        tracemalloc.start()
        run()
        row.append(Figure(f"memory/{how}", tracemalloc.get_traced_memory()[1] / MIB, 1))
        tracemalloc.stop()
    return Table("Memory that an outlook takes at most, MiB", ("by the log", "forecast"), [
        ("a week of log", list(row)),
    ])  # fmt: skip


def main() -> None:
    """Play, judge and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--short", action="store_true", help="a small fixed part, a minute")
    parser.add_argument("--grass", type=Path, help="bsrn-pay0616.dat.gz of pvlib's source archive")
    parser.add_argument("--keep", action="store_true", help="keep the figures as those before")
    given = parser.parse_args()
    began, found = time.process_time(), Found()
    every = 2 * EVERY_CELLS + 1 if given.short else EVERY_CELLS
    logs = enclosure_logs(enclosures(SHORT if given.short else None))
    memory_table = memory(logs[0])
    logs += [] if given.short else recording_logs(given.grass)
    for log in logs:
        play(log, 3 * every if log.track.count > LONG_LOG_CELLS else every, found)
        print(f"\r{log.name:<40}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)

    size = "short" if given.short else "whole"
    stored = json.loads(KEPT.read_text()) if KEPT.exists() else {}
    before = stored.get(size, {})
    made = [*tables(found), memory_table]
    for table in made:
        for line in printed(table, before):
            print(line)
    for line in counted(made, before):
        print(line)
    print(f"\n{time.process_time() - began:.0f} s of processor time")
    if given.keep:
        stored[size] = kept(made)
        KEPT.write_text(json.dumps(stored, ensure_ascii=False).replace("]", "]\n") + "\n")


if __name__ == "__main__":
    main()
