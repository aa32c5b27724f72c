"""Turn the infrared recording into a recording with a surface temperature, for `filmcall replay`.

Run from the checkout:

    python examples/convert_snow.py examples/recordings/surfrad-slv16001.dat \
        examples/recordings/snow-2016-01-01.csv

The station measures no surface temperature; it measures the infrared that comes up from the
ground and the infrared that comes down from the sky. A grey surface of emissivity e sends up
what it emits and what it reflects,

    up = e * sigma * T**4 + (1 - e) * down
    T = ((up - (1 - e) * down) / (e * sigma)) ** 0.25

with sigma the Stefan-Boltzmann constant, 5.670374419e-8 W/m2K4 (CODATA 2018). The emissivity is
0.98: snow and frozen soil lie between about 0.95 and 0.99 (generic, no source). On this day the
result for 0.95 is up to 1.0 K warmer, and for 0.99 up to 0.3 K colder.

The column is called after what was expected under the instrument. The recording itself says that
snow cannot have covered it all: 0.18 of the sunlight comes back, and near noon the surface is 5 °C.

The `.dat` file has two header lines (station; latitude, longitude, height), then one row a minute
with 48 fields between blanks: year, day of year, month, day, hour, minute, decimal hour, solar
zenith angle, and then twenty values, each followed by its quality flag (0 is good): downwelling
solar, upwelling solar, direct normal, diffuse, downwelling infrared, its case and dome
temperature, upwelling infrared, its case and dome temperature, UVB, PAR, net solar, net infrared,
total net, air temperature, relative humidity, wind speed, wind direction, pressure. Time is UTC.
A value of -9999.9, and a value whose flag is not 0, is missing and becomes an empty cell.
That order is not taken on trust: every row must bear out its own net infrared (down less up),
and the file is refused otherwise.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator
from pathlib import Path

STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8
EMISSIVITY = 0.98
MISSING = -9999.9
FIELDS = 48

# Place of each value in a row; its flag stands in the next place.
DOWN_IR, UP_IR, NET_IR = 16, 22, 34
AIR_TEMP, HUMIDITY, WIND_SPEED, PRESSURE = 38, 40, 42, 46
# Each of the three is rounded to 0.1 W/m2 on its own, so their sum may be off by 0.15.
NET_IR_ROUNDING_W_M2 = 0.15 + 1e-6

HEADER = (
    "time",
    "air_temp_c",
    "rh_pct",
    "snow_surface_c",
    "pressure_hpa",
    "wind_m_s",
    "down_ir_w_m2",
    "up_ir_w_m2",
)


def surface_temp_c(up_w_m2: float, down_w_m2: float, emissivity: float = EMISSIVITY) -> float:
    """Return the temperature of a grey surface from the infrared above it.

    Args:
        up_w_m2: infrared that comes up from the surface [W/m²].
        down_w_m2: infrared that comes down on it [W/m²].
        emissivity: of the surface, over 0 to 1.

    Returns:
        Surface temperature [°C].

    Raises:
        ValueError: the emissivity is out of range, or the surface would emit nothing.

    Source:
        Stefan-Boltzmann law for a grey, opaque surface; constant from CODATA 2018.

    >>> round(surface_temp_c(315.704, 0.0, emissivity=1.0), 2)
    0.01
    """
    if not 0.0 < emissivity <= 1.0:
        raise ValueError(f"emissivity {emissivity} is not over 0 and up to 1; give 0.98 for snow")
    emitted = up_w_m2 - (1.0 - emissivity) * down_w_m2
    if not emitted > 0.0:
        raise ValueError(f"up {up_w_m2} and down {down_w_m2} W/m2 leave nothing that is emitted")
    return math.sqrt(math.sqrt(emitted / (emissivity * STEFAN_BOLTZMANN_W_M2K4))) - 273.15


def rows(lines: Iterator[str]) -> Iterator[tuple[str, ...]]:
    """Yield the rows of the converted file, from the lines of a `.dat` file with its two headers.

    Raises:
        ValueError: a row has not 48 fields, or its net infrared is not down less up.
    """
    for number, line in enumerate(lines, start=1):
        if number <= 2:
            continue
        fields = line.split()
        if len(fields) != FIELDS:
            raise ValueError(f"line {number}: {len(fields)} fields in place of {FIELDS}")

        def good(place: int, fields: list[str] = fields) -> float | None:
            value = float(fields[place])
            return value if fields[place + 1] == "0" and value > MISSING + 1.0 else None

        up, down, net = good(UP_IR), good(DOWN_IR), good(NET_IR)
        surface = None
        if up is not None and down is not None:
            if net is not None and abs(down - up - net) > NET_IR_ROUNDING_W_M2:
                raise ValueError(f"line {number}: {down} less {up} is not the net {net} W/m2")
            surface = surface_temp_c(up, down)
        year, _day_of_year, month, day, hour, minute = (int(f) for f in fields[:6])
        yield (
            f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}:00Z",
            _cell(good(AIR_TEMP), 1),
            _cell(good(HUMIDITY), 1),
            _cell(surface, 2),
            _cell(good(PRESSURE), 1),
            _cell(good(WIND_SPEED), 1),
            _cell(down, 1),
            _cell(up, 1),
        )


def _cell(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def convert(source: Path, target: Path) -> int:
    """Convert one `.dat` file and return the number of rows written."""
    with source.open(encoding="ascii") as lines, target.open("w", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(HEADER)
        count = 0
        for row in rows(lines):
            writer.writerow(row)
            count += 1
    return count


def main(arguments: list[str]) -> int:
    """Convert the file named first into the file named second."""
    if len(arguments) != 2:
        print("usage: python convert_snow.py SOURCE.dat TARGET.csv", file=sys.stderr)
        return 2
    try:
        count = convert(Path(arguments[0]), Path(arguments[1]))
    except (OSError, ValueError) as fault:
        print(f"{arguments[0]}: {fault}; nothing is converted", file=sys.stderr)
        return 2
    print(f"{count} rows written to {arguments[1]}, surface emissivity {EMISSIVITY}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
