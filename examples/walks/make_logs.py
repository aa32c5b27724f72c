"""Make the two loggers' files of the walks with the simulated tent; all of it is invented.

Run from the checkout; the same seed gives the same files, byte for byte:

    python examples/walks/make_logs.py examples/walks
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

# Lets the script run from a checkout that is not installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sensors.reading import Quantity
from sensors.simulate.tent import Action, Tent, TentSettings

SEED = 11
AIR, RH = ("air-bow", Quantity.AIR_TEMP), ("air-bow", Quantity.HUMIDITY)
HULL = ("plank-port", Quantity.SURFACE_TEMP)
Values = dict[tuple[str, Quantity], float]


def rows(tent: Tent, hours: float, interval_s: float) -> Iterator[tuple[datetime, Values]]:
    """Yield what the sensors say, row by row."""
    for truth, readings in tent.run(hours * 3600.0, interval_s):
        yield (
            datetime.fromtimestamp(round(truth.time_s), UTC),
            {(each.point, each.quantity): each.value for each in readings},
        )


def painter(out: Path) -> int:
    """A shed without heat on two September days: °F, semicolons, a local twelve-hour clock."""
    zone = ZoneInfo("America/New_York")
    start_s = datetime(2026, 9, 11, 6, 0, tzinfo=zone).timestamp()
    settings = replace(
        TentSettings(interval_s=600.0, outside_mean_c=17.0, outside_swing_k=5.0),
        outside_dew_point_c=10.5,
        sunrise_h=10.6,  # in UTC, as the simulated sky counts
        sunset_h=23.2,
    )

    def cells(time: datetime, found: Values) -> list[object]:
        fahrenheit = found[AIR] * 1.8 + 32.0
        local = time.astimezone(zone)
        return [f"{local:%m/%d/%Y %I:%M:%S %p}", f"{fahrenheit:.1f}", f"{found[RH]:.1f}"]

    return write(
        out,
        ("No.", "Date/Time", "Temperature (°F)", "Humidity (%RH)"),
        Tent(settings, SEED, start_s),
        (36.0, 600.0),
        cells,
        separator=";",
        numbered=True,
    )


def bloomed_hull(out: Path) -> int:
    """A night over fresh epoxy primer: the heater goes off at eleven, and the hull grows wet."""
    zone = ZoneInfo("Europe/Brussels")

    def at(day: int, hour: int, minute: int = 0) -> float:
        return datetime(2026, 10, day, hour, minute, tzinfo=zone).timestamp()

    settings = TentSettings(interval_s=300.0)
    actions = (
        Action(at(3, 13), "heater-on"),
        Action(at(3, 17), "coat-started"),
        Action(at(3, 18, 10), "coat-ended"),
        Action(at(3, 23), "heater-off"),
        Action(at(4, 7), "heater-on"),
    )

    def cells(time: datetime, found: Values) -> list[object]:
        local = time.astimezone(zone)
        return [
            f"{local:%d.%m.%Y}",
            f"{local:%H:%M}",
            f"{found[AIR]:.1f}",
            f"{found[RH]:.1f}",
            f"{found[HULL]:.1f}",
        ]

    return write(
        out,
        ("Date", "Time", "Air temp C", "RH %", "Hull temp C"),
        Tent(settings, SEED, at(3, 15), actions),
        (18.0, 300.0),
        cells,
        separator=",",
        numbered=False,
    )


def write(
    out: Path,
    header: tuple[str, ...],
    tent: Tent,
    span: tuple[float, float],
    cells: Callable[[datetime, Values], list[object]],
    *,
    separator: str,
    numbered: bool,
) -> int:
    """Write one file and return its number of rows."""
    count = 0
    with out.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=separator, lineterminator="\n")
        writer.writerow(header)
        for time, found in rows(tent, *span):
            count += 1
            writer.writerow([*([count] if numbered else []), *cells(time, found)])
    return count


def main(arguments: list[str]) -> int:
    """Write both files into the folder named."""
    if len(arguments) != 1:
        print("usage: python make_logs.py FOLDER", file=sys.stderr)
        return 2
    folder = Path(arguments[0])
    for name, make in (("painter.csv", painter), ("bloomed-hull.csv", bloomed_hull)):
        print(f"{make(folder / name)} rows written to {folder / name}, seed {SEED}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
