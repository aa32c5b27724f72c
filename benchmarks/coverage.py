"""How often the truth is inside the guard that the program shows: Monte Carlo after JCGM 101.

    python -m benchmarks.coverage [--draws 2000] [--quick] [--only TEXT]

Repeated readings: true values stand, errors are drawn from the rectangles that a config states, and
every draw is a row that `filmcall replay --jsonl --all` judges. Counted is how often the worst true
margin is not under the margin shown less the guard shown; 95 % is promised, and 94 to 98 % must
hold. Given the readings: one row is judged, and the true values are drawn about what was read
(JCGM 101:2008, 6.4.2 rectangular, 7 propagation). Saturation pressure as in tests/support.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import sys
import tempfile
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from command import filmcall  # noqa: E402
from fault_shed import Column, dew_point_c, saturation_pa  # noqa: E402

LOWEST_PCT, HIGHEST_PCT = 94.0, 98.0
APART_S = 280.0  # over the 60 s median and twice the noise of a spike, under the 5 min that widen
ROWS_A_REPLAY = 50  # few, so that nothing is learned of the channels, which hold no real hours
DRAWS_GIVEN = 200_000


@dataclass(frozen=True, slots=True)
class Cell:
    """One set of probes and one climate.

    Attributes:
        surfaces: accuracy of each surface probe [K].
        airs: accuracies of each air body [K, %RH].
        surface_c: what each surface truly is [°C]; the last goes for all further ones.
        air_c: the same of the air bodies.
        rh_pct: the same [%].
        on_node: the first surface probe is a quantity of the first air body.
        shared: their errors are one error; `declared` says so in the config.
    """

    name: str
    surfaces: tuple[float, ...] = (0.5,)
    airs: tuple[tuple[float, float], ...] = ((0.3, 3.0),)
    surface_c: tuple[float, ...] = (18.0,)
    air_c: tuple[float, ...] = (20.0,)
    rh_pct: tuple[float, ...] = (60.0,)
    on_node: bool = False
    shared: bool = False
    declared: bool = False

    def truth(self) -> tuple[Column, Column, Column]:
        """Return the true temperatures of surfaces and air, and the humidities."""
        return (filled(self.surface_c, len(self.surfaces)), filled(self.air_c, len(self.airs)),
                filled(self.rh_pct, len(self.airs)))  # fmt: skip


def filled(values: tuple[float, ...], count: int) -> Column:
    """Return so many values, the last repeated."""
    return np.array([values[min(index, len(values) - 1)] for index in range(count)])


SURFACE_K, AIR_K, RH_PCT = (0.1, 0.5, 2.0), (0.1, 0.3, 0.5), (1.5, 3.0, 5.0)
SPREAD = (16.0, 18.0, 19.0)
CELLS = (
    *(Cell(f"surface {s} K, air {a} K, {h} %", (s,), ((a, h),))
      for s in SURFACE_K for a, h in zip(AIR_K, RH_PCT, strict=True)),
    Cell("surface 0.1 K, air 0.5 K, 1.5 %", (0.1,), ((0.5, 1.5),)),
    Cell("surface 2 K, air 0.1 K, 5 %", (2.0,), ((0.1, 5.0),)),
    Cell("cold: 6 °C, 75 %", surface_c=(7.0,), air_c=(6.0,), rh_pct=(75.0,)),
    Cell("hot and dry: 33 °C, 30 %", surface_c=(31.0,), air_c=(33.0,), rh_pct=(30.0,)),
    Cell("damp: 90 %, air 0.5 K, 5 %", (0.5,), ((0.5, 5.0),), rh_pct=(90.0,)),
    Cell("2 surfaces, equal", (0.5,) * 2),
    Cell("4 surfaces, equal", (0.5,) * 4),
    Cell("8 surfaces, equal", (0.5,) * 8),
    Cell("8 surfaces, one 2 K colder", (0.5,) * 8, surface_c=SPREAD),
    Cell("2 airs, equal", airs=((0.3, 3.0),) * 2),
    Cell("4 airs, equal", airs=((0.3, 3.0),) * 4),
    Cell("4 airs, one 15 % damper", airs=((0.3, 3.0),) * 4, rh_pct=(65.0, 50.0)),
    Cell("8 surfaces and 4 airs, equal", (0.5,) * 8, ((0.3, 3.0),) * 4),
    Cell("8 surfaces and 4 airs, one each decides", (0.5,) * 8, ((0.3, 3.0),) * 4, SPREAD,
         rh_pct=(65.0, 50.0)),
    Cell("4 surfaces, 0.2 and 2 K, equal", (0.2, 2.0, 0.2, 2.0)),
    Cell("2 airs, 1.5 and 5 %, equal", airs=((0.3, 1.5), (0.3, 5.0))),
    Cell("one node, independent errors", on_node=True),
    Cell("one node, independent, all 0.5 K and 1.5 %", (0.5,), ((0.5, 1.5),), on_node=True),
    Cell("one node, one shared error", (0.5,), ((0.5, 1.5),), on_node=True, shared=True),
    Cell("one node, one shared error, declared", (0.5,), ((0.5, 1.5),), on_node=True,
         shared=True, declared=True),
)  # fmt: skip
QUICK = ("surface 0.5 K, air 0.3 K, 3.0 %", "8 surfaces, equal", "one node, independent errors")


def config_text(cell: Cell) -> str:
    """Return the cell's config."""
    lines = ['[replay]\ntime = "time"\n\n[[enclosure]]\nname = "bench"\ntimezone = "Etc/UTC"']

    def add(name: str, quantity: str, unit: str, column: str, accuracy: str) -> None:
        lines.append(f'[[enclosure.point]]\nname = "{name}"\nquantity = "{quantity}"\n'
                     f'unit = "{unit}"\ncolumn = "{column}"\naccuracy = "{accuracy}"')  # fmt: skip
        if cell.declared and name == "air-0" and quantity == "surface_temp":
            lines.append("shared_element = true")

    for index, (air_k, rh) in enumerate(cell.airs):
        add(f"air-{index}", "air_temp", "degC", f"t{index}", f"{air_k} K")
        add(f"air-{index}", "humidity", "%", f"h{index}", f"{rh} %")
    for index, accuracy in enumerate(cell.surfaces):
        name = "air-0" if cell.on_node and index == 0 else f"hull-{index}"
        add(name, "surface_temp", "degC", f"s{index}", f"{accuracy} K")
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Shown:
    """The value and the guard that the program shows of margin and humidity."""

    margin_k: float
    margin_guard_k: float
    rh_pct: float
    rh_guard_pct: float


class Refused(Exception):
    """The program would not judge the cell."""


def judged(config: str, surface: Column, air: Column, rh: Column) -> list[Shown | None]:
    """Return what `filmcall replay` says of each row of readings: the only way to the program.

    None stands for a row that was not judged (a point taken for a spike or doubted).
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", *(f"t{k}" for k in range(air.shape[1])),
                     *(f"h{k}" for k in range(rh.shape[1])),
                     *(f"s{k}" for k in range(surface.shape[1]))])  # fmt: skip
    times = []
    for index in range(len(air)):
        at = datetime(2026, 10, 13, tzinfo=UTC) + timedelta(seconds=APART_S * index)
        times.append(at.strftime("%Y-%m-%dT%H:%M:%SZ"))
        cells = (*air[index], *rh[index], *surface[index])
        writer.writerow([times[-1], *(f"{each:.4f}" for each in cells)])
    with tempfile.TemporaryDirectory() as folder:
        file, toml = Path(folder) / "draws.csv", Path(folder) / "bench.toml"
        file.write_text(out.getvalue(), encoding="utf-8")
        toml.write_text(config, encoding="utf-8")
        ran = filmcall("replay", str(file), "--config", str(toml), "--jsonl", "--all")
    if ran.code:
        raise Refused(ran.err.strip().splitlines()[-1])
    by_time = {}
    for line in ran.out.splitlines():
        told = json.loads(line)
        by_time.setdefault(told["time"], shown(told))
    return [by_time.get(at) for at in times]


def shown(told: dict[str, list[dict[str, float | str | None]]]) -> Shown | None:
    """Return the figures of one JSON object, or None where a limit is unknown."""
    found = {each["limit"]: each for each in told["reasons"]}
    margin, damp = found["dew_margin_min"], found["humidity_max"]
    if "unknown" in (margin["state"], damp["state"]):
        return None
    return Shown(
        float(margin["value"] or 0.0), float(margin["guard"] or 0.0),
        float(damp["value"] or 0.0), float(damp["guard"] or 0.0),
    )  # fmt: skip


def errors(cell: Cell, rng: np.random.Generator, draws: int) -> tuple[Column, Column, Column]:
    """Return drawn errors of surfaces, air temperatures and humidities, a row a draw."""
    surface = rng.uniform(-1.0, 1.0, (draws, len(cell.surfaces))) * cell.surfaces
    air = rng.uniform(-1.0, 1.0, (draws, len(cell.airs))) * [each[0] for each in cell.airs]
    rh = rng.uniform(-1.0, 1.0, (draws, len(cell.airs))) * [each[1] for each in cell.airs]
    if cell.shared:
        surface[:, 0] = air[:, 0] * cell.surfaces[0] / cell.airs[0][0]
    return surface, air, rh


def worst_margin_k(surface: Column, air: Column, rh: Column) -> Column:
    """Return the least margin over all pairs of each row [K]."""
    vapour = np.clip(rh, 0.5, 100.0) / 100.0 * saturation_pa(air)
    return np.asarray(surface.min(axis=-1) - dew_point_c(vapour).max(axis=-1))


@dataclass(frozen=True, slots=True)
class Coverage:
    """Shares that were inside, of repeated readings and of true values given the readings [%]."""

    draws: int
    unjudged: int
    margin: float
    humidity: float
    given: float
    shown_bias_k: float
    guard_k: float


def covered(cell: Cell, draws: int) -> Coverage:
    """Return one cell's coverage.

    Raises:
        Refused: the program does not take the cell's config.
    """
    rng = np.random.default_rng([101, zlib.crc32(cell.name.encode())])
    surface_c, air_c, rh_pct = cell.truth()
    wrong = errors(cell, rng, draws)
    read = (surface_c + wrong[0], air_c + wrong[1], np.clip(rh_pct + wrong[2], 0.0, 100.0))
    config = config_text(cell)
    answers: list[Shown | None] = []
    for start in range(0, draws, ROWS_A_REPLAY):
        part = slice(start, start + ROWS_A_REPLAY)
        answers += judged(config, read[0][part], read[1][part], read[2][part])
    told = [each for each in answers if each is not None]
    true_k, true_rh = float(worst_margin_k(surface_c, air_c, rh_pct)), float(rh_pct.max())
    margin = np.array([true_k >= each.margin_k - each.margin_guard_k for each in told])
    humidity = np.array([true_rh <= each.rh_pct + each.rh_guard_pct for each in told])
    return Coverage(
        draws, draws - len(told), share(margin), share(humidity), given_the_readings(cell),
        float(np.mean([each.margin_k for each in told])) - true_k if told else float("nan"),
        float(np.mean([each.margin_guard_k for each in told])) if told else float("nan"),
    )  # fmt: skip


def given_the_readings(cell: Cell) -> float:
    """Return how sure the worst margin less the guard is, where the cell's truth is what was read.

    The true values are drawn about the readings, so that no rule of the program is met twice.

    Raises:
        Refused: the program does not take the cell's config, or does not judge the row.
    """
    surface, air, rh = (each[None, :] for each in cell.truth())
    told = judged(config_text(cell), surface, air, rh)[0]
    if told is None:
        raise Refused("the row was not judged")
    wrong = errors(cell, np.random.default_rng(101), DRAWS_GIVEN)
    possible = worst_margin_k(surface - wrong[0], air - wrong[1], rh - wrong[2])
    return share(possible >= told.margin_k - told.margin_guard_k)


def share(inside: NDArray[np.bool_]) -> float:
    """Return the share that is true [%]."""
    return 100.0 * float(np.mean(inside)) if len(inside) else float("nan")


def infrared(contact_too: bool) -> Cell:
    """Return an infrared point (2 K) that reads a margin of 4.09 K.

    Alone, or beside a contact point (0.2 K) that reads 0.1 K lower.
    """
    # the humidity at which the infrared point's margin is 4.09 K in air of 20 °C
    rh_pct = float(100.0 * saturation_pa(18.0 - 4.09) / saturation_pa(20.0))
    return Cell("infrared", (2.0, 0.2)[: 1 + contact_too], ((0.1, 1.5),), (18.0, 17.9),
                rh_pct=(rh_pct,))  # fmt: skip


def by_wet_bulb(pressure: bool, coefficient: bool) -> float:
    """Return how sure the margin of `filmcall check --wet-bulb` less its guard is.

    Thermometers of 0.3 K and a surface of 0.5 K, the program's defaults; the humidity ratio by the
    ASHRAE Handbook, Fundamentals 2017, chapter 1, equation 33. Pressure is unknown by what weather
    and 100 m of height do (25 hPa; common practice, no source), the psychrometer's coefficient
    by 10 % (WMO-No. 8: 6.2e-4 to 6.9e-4 with good aspiration, from memory).
    """
    air, wet, surface = 20.0, 15.0, 16.0
    ran = filmcall("check", "--air", str(air), "--wet-bulb", str(wet), "--surface", str(surface),
                   "--json")  # fmt: skip
    try:
        told = shown(json.loads(ran.out))
    except ValueError:
        raise Refused(ran.err.strip() or ran.out[:200]) from None
    if told is None:
        raise Refused("the wet-bulb reading was not judged")
    rng = np.random.default_rng(101)

    def about(value: float, half: float) -> Column:
        return value + half * rng.uniform(-1.0, 1.0, DRAWS_GIVEN)

    true_air, true_wet, true_surface = about(air, 0.3), about(wet, 0.3), about(surface, 0.5)
    pressure_pa = about(101325.0, 2500.0 if pressure else 0.0)
    factor = about(1.0, 0.1 if coefficient else 0.0)
    vapour = wet_bulb_vapour_pa(true_air, true_wet, pressure_pa, factor)
    possible = true_surface - dew_point_c(vapour)
    return share(possible >= told.margin_k - told.margin_guard_k)


def wet_bulb_vapour_pa(air: Column, wet: Column, pressure_pa: Column, factor: Column) -> Column:
    """Return the vapour pressure [Pa]; `factor` scales the psychrometer's coefficient."""
    saturated = saturation_pa(wet)
    wet_ratio = 0.621945 * saturated / (pressure_pa - saturated)
    ratio = (2501.0 - 2.326 * wet) * wet_ratio - 1.006 * factor * (air - wet)
    ratio /= 2501.0 + 1.86 * air - 4.186 * wet
    return np.asarray(pressure_pa * ratio / (0.621945 + ratio))


def mark(value: float, draws: int) -> str:
    """Return what is wrong with a share, as far as so many draws can tell (two deviations)."""
    doubt = 2.0 * np.sqrt(max(value, 1.0) * max(100.0 - value, 1.0) / draws)
    if value + doubt < LOWEST_PCT:
        return "LOW"
    return "high" if value - doubt > HIGHEST_PCT else ""


def main() -> None:
    """Print every cell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--quick", action="store_true", help="three cells of 400 draws")
    parser.add_argument("--only", help="cells whose name has this")
    asked = parser.parse_args()
    draws = 400 if asked.quick else asked.draws
    cells = [cell for cell in CELLS if not asked.quick or cell.name in QUICK]
    if asked.only:
        cells = [cell for cell in cells if asked.only in cell.name]
    print(f"share inside the one-sided guard, {draws} repeated readings a cell; "
          f"{LOWEST_PCT:.0f} to {HIGHEST_PCT:.0f} % must hold")  # fmt: skip
    print(f"{'cell':<44} {'margin':>7} {'':<4} {'humid.':>7} {'':<4} {'given the':>9} "
          f"{'shown':>7} {'guard':>6} {'not':>6}")  # fmt: skip
    print(f"{'':<44} {'%':>7} {'':<4} {'%':>7} {'':<4} {'readings':>9} {'bias K':>7} {'K':>6} "
          f"{'judged':>6}")  # fmt: skip
    low, high = 0, 0
    for cell in cells:
        try:
            found = covered(cell, draws)
        except Refused as why:
            print(f"{cell.name:<44} refused: {why}")
            continue
        marks = (mark(found.margin, draws), mark(found.humidity, draws))
        low += marks.count("LOW")
        high += marks.count("high")
        print(f"{cell.name:<44} {found.margin:7.1f} {marks[0]:<4} {found.humidity:7.1f} "
              f"{marks[1]:<4} {found.given:9.1f} {found.shown_bias_k:7.2f} {found.guard_k:6.2f} "
              f"{found.unjudged:6d}")  # fmt: skip
    singles = [
        ("infrared 2 K alone", lambda: given_the_readings(infrared(False))),
        ("and a contact point 0.2 K, 0.1 K lower", lambda: given_the_readings(infrared(True))),
        ("wet bulb, thermometers only", lambda: by_wet_bulb(False, False)),
        ("wet bulb, and pressure within 25 hPa", lambda: by_wet_bulb(True, False)),
        ("wet bulb, pressure and coefficient", lambda: by_wet_bulb(True, True)),
    ]
    print(f"given the readings, {DRAWS_GIVEN} draws of the true values:")
    for name, one in singles:
        try:
            inside = one()
        except Refused as why:
            print(f"{name:<44} refused: {why}")
            continue
        found_mark = mark(inside, DRAWS_GIVEN)
        low += found_mark == "LOW"
        high += found_mark == "high"
        print(f"{name:<44} {inside:7.1f} {found_mark}")
    print(f"shares under {LOWEST_PCT:.0f} %: {low}; over {HIGHEST_PCT:.0f} %, safely: {high}")


if __name__ == "__main__":
    main()
