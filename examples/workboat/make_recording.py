"""Make `night.csv`, the recording of the invented workboat job, with the simulated tent.

Run from the checkout; the same seed gives the same file, byte for byte:

    python examples/workboat/make_recording.py examples/workboat/night.csv
"""

from __future__ import annotations

import csv
import math
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

# Lets the script run from a checkout that is not installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sensors.reading import Quantity
from sensors.simulate.tent import Fault, Tent, demo_night

SEED = 7
INTERVAL_S = 30.0
COLUMNS = {
    "temp_bow_c": ("air-bow", Quantity.AIR_TEMP),
    "rh_bow_pct": ("air-bow", Quantity.HUMIDITY),
    "temp_stern_c": ("air-stern", Quantity.AIR_TEMP),
    "rh_stern_pct": ("air-stern", Quantity.HUMIDITY),
    "plank_port_c": ("plank-port", Quantity.SURFACE_TEMP),
    "plank_stbd_c": ("plank-stbd", Quantity.SURFACE_TEMP),
}


def make(target: Path) -> int:
    """Write the recording and return its number of rows."""
    settings, actions, start_s, duration_s = demo_night(SEED)
    settings = replace(settings, interval_s=INTERVAL_S)
    # The starboard probe's plug is loose for twenty minutes, ten hours in.
    loose_s = start_s + 10 * 3600.0
    faults = (Fault("dead", "plank-stbd", None, loose_s, loose_s + 1200.0),)
    tent = Tent(settings, SEED, start_s, actions, faults)
    rows = 0
    with target.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["time", *COLUMNS])
        for truth, readings in tent.run(duration_s, INTERVAL_S):
            values = {(r.point, r.quantity): r.value for r in readings}
            time = datetime.fromtimestamp(math.floor(truth.time_s), UTC)
            cells = [values.get(place) for place in COLUMNS.values()]
            writer.writerow(
                [f"{time:%Y-%m-%dT%H:%M:%SZ}", *("" if v is None else f"{v:g}" for v in cells)]
            )
            rows += 1
    return rows


def main(arguments: list[str]) -> int:
    """Write the recording into the file named."""
    if len(arguments) != 1:
        print("usage: python make_recording.py TARGET.csv", file=sys.stderr)
        return 2
    print(f"{make(Path(arguments[0]))} rows written to {arguments[0]}, seed {SEED}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
