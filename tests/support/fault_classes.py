"""Sensors that stand in `fault_shed`'s enclosure, and the ways in which they fail.

A fault acts on what the elements see (world), on the values that were sampled, or on the rows of
the recording. `shows` says whether somebody who sees nothing but the recording could tell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from fault_shed import Column, Shed, lagged, saturation_pa

BEGINS = datetime(2026, 10, 13, 8, 0, tzinfo=UTC)
CHANNELS = ("temp_bow", "rh_bow", "temp_stern", "rh_stern", "plank_port", "plank_stbd")
LONE = ("temp_bow", "rh_bow", "plank_port")
POINT_OF = {
    "temp_bow": "air-bow",
    "rh_bow": "air-bow",
    "temp_stern": "air-stern",
    "rh_stern": "air-stern",
    "plank_port": "plank-port",
    "plank_stbd": "plank-stbd",
}
QUANTITY_OF = {"temp": "air_temp", "rh": "humidity", "plank": "surface_temp"}
ACCURACY = {"temp": 0.3, "rh": 3.0, "plank": 0.5}
UNIT = {"temp": ("degC", "K"), "rh": ("%", "%"), "plank": ("degC", "K")}
NOISE = {"temp": 0.03, "rh": 0.12, "plank": 0.03}
DIGITS = {"temp": (0.01, 0.1), "rh": (0.01, 0.1, 1.0), "plank": (0.0625, 0.1, 0.5)}
LAG_S = {"air_bow": 120.0, "air_stern": 90.0, "vapour_bow": 30.0, "vapour_stern": 30.0,
         "hull_port": 60.0, "hull_stbd": 60.0}  # fmt: skip


def kind_of(channel: str) -> str:
    """Return `temp`, `rh` or `plank`."""
    return channel.partition("_")[0]


def config_text(channels: tuple[str, ...]) -> str:
    """Return the config of an enclosure with these channels, everything else by default."""
    lines = ['[replay]\ntime = "time"\n\n[[enclosure]]\nname = "polytunnel"',
             'spec = "polyurethane-topcoat"\ntimezone = "Etc/UTC"\n']  # fmt: skip
    for channel in channels:
        kind = kind_of(channel)
        unit, difference = UNIT[kind]
        lines += [
            "[[enclosure.point]]",
            f'name = "{POINT_OF[channel]}"',
            f'quantity = "{QUANTITY_OF[kind]}"',
            f'unit = "{unit}"',
            f'column = "{channel}"',
            f'accuracy = "{ACCURACY[kind]} {difference}"\n',
        ]
    return "\n".join(lines)


@dataclass(slots=True)
class Row:
    """One line of a recording: when it came, what it says of its time, and its cells."""

    came_s: float
    stamp_s: float
    cells: dict[str, str]


@dataclass(slots=True)
class Bench:
    """One run in the making: what the elements see, then what was sampled, then rows."""

    rng: np.random.Generator
    shed: Shed
    every_s: float
    channels: tuple[str, ...]
    onset_s: float
    seen: dict[str, Column]
    lag_s: dict[str, float]
    digit: dict[str, float]
    times_s: Column = field(default_factory=lambda: np.empty(0))
    values: dict[str, Column] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)

    @property
    def after(self) -> slice:
        """Return where the fault acts on the grid of 10 s."""
        return slice(int(np.searchsorted(self.shed.time_s, self.onset_s)), None)

    @property
    def first(self) -> int:
        """Return the first sample of the fault."""
        return int(np.searchsorted(self.times_s, self.onset_s))


Act = Callable[[Bench], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """One class of faults."""

    name: str
    what: str
    shows: bool
    channels: tuple[str, ...]  # those that it falsifies
    world: Act | None = None
    values: Act | None = None
    rows: Act | None = None
    lone: bool = False  # an enclosure with one air body and one hull probe
    frozen: bool = False
    onset_h: tuple[float, float] = (5.0, 9.5)  # after 08:00
    only_every_s: float | None = None

    @property
    def of_hull(self) -> bool:
        """Tell whether it is a fault of the hull's probes, which only a cold hull shows up."""
        hull = any(kind_of(channel) == "plank" for channel in self.channels)
        return hull and len(self.channels) < len(CHANNELS)


@dataclass(frozen=True, slots=True)
class Recording:
    """What is played, and when each row truly came."""

    text: str
    config: str
    rows: tuple[Row, ...]
    channels: tuple[str, ...]
    onset_s: float
    times_s: Column
    values: dict[str, Column]


def recorded(
    shed: Shed,
    fault: Fault | None,
    rng: np.random.Generator,
    every_s: float,
    *,
    irregular: bool = False,
    lone: bool = False,
) -> Recording:
    """Return the recording of one run, with one fault from its onset on, or clean.

    Args:
        shed: what was true.
        fault: which, or None.
        rng: of the sensors and of the fault.
        every_s: a row each so many seconds [s].
        irregular: intervals differ by up to 30 % and one row in fifty is lost.
        lone: one air body and one hull probe where no fault says it.
    """
    if fault is not None:
        lone, every_s = fault.lone, fault.only_every_s or every_s
    channels = LONE if lone else CHANNELS
    bench = Bench(
        rng, shed, every_s, channels, onset_of(shed, fault, rng, lone),
        {"air_bow": shed.air_c[0].copy(), "air_stern": shed.air_c[1].copy(),
         "vapour_bow": shed.vapour_pa[0].copy(), "vapour_stern": shed.vapour_pa[1].copy(),
         "hull_port": shed.hull_c[0].copy(), "hull_stbd": shed.hull_c[1].copy()},
        dict(LAG_S),
        {channel: float(rng.choice(DIGITS[kind_of(channel)])) for channel in CHANNELS},
    )  # fmt: skip
    if fault is not None and fault.world:
        fault.world(bench)
    sample(bench, irregular)
    if fault is not None and fault.values:
        fault.values(bench)
    render(bench)
    if fault is not None and fault.rows:
        fault.rows(bench)
    bench.rows.sort(key=lambda row: row.came_s)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", *channels])
    for row in bench.rows:
        writer.writerow([stamp(row.stamp_s), *(row.cells.get(each, "") for each in channels)])
    return Recording(
        out.getvalue(), config_text(channels), tuple(bench.rows), channels, bench.onset_s,
        bench.times_s, bench.values,
    )  # fmt: skip


def stamp(at_s: float) -> str:
    """Return a time as the recordings and the program's JSON write it."""
    return (BEGINS + timedelta(seconds=round(at_s))).strftime("%Y-%m-%dT%H:%M:%SZ")


def onset_of(shed: Shed, fault: Fault | None, rng: np.random.Generator, lone: bool) -> float:
    """Return a time at which all was well for half an hour, in the fault's hours [s]."""
    if fault is None:
        return float("inf")
    places = 1 if lone else 2
    well = (
        (shed.rh_pct[:places].max(axis=0) < 75.0)
        & (shed.margin_k[:places].min(axis=0) > 4.5)
        & (shed.hull_c[:places].min(axis=0) > 10.8)
    )
    held = np.convolve(well, np.ones(180), "full")[: len(well)] > 179.5
    hour = shed.time_s / 3600.0
    inside = (hour >= fault.onset_h[0]) & (hour <= fault.onset_h[1])
    found = np.flatnonzero(held & inside)
    if not len(found):
        found = np.flatnonzero(inside)
    return float(shed.time_s[rng.choice(found)])


def sample(bench: Bench, irregular: bool) -> None:
    """Read every channel at the times of the rows, with lag, own error and noise."""
    shed, rng = bench.shed, bench.rng
    last_s = float(shed.time_s[-1])
    steps = np.full(int(last_s / bench.every_s) + 1, bench.every_s)
    if irregular:
        steps *= rng.uniform(0.7, 1.3, len(steps))
    times = np.round(np.cumsum(steps) - steps[0])
    times = times[times <= last_s]
    if irregular:
        times = times[rng.random(len(times)) > 0.02]
    bench.times_s = times
    grid = shed.time_s
    shown = {name: lagged(signal, bench.lag_s[name]) for name, signal in bench.seen.items()}
    for channel in bench.channels:
        kind, _, place = channel.partition("_")
        if kind == "rh":
            element = 100.0 * shown[f"vapour_{place}"] / saturation_pa(shown[f"air_{place}"])
        else:
            element = shown[("air_" if kind == "temp" else "hull_") + place]
        own_error = rng.uniform(-ACCURACY[kind], ACCURACY[kind])
        values = np.interp(times, grid, element) + own_error
        values += rng.normal(0.0, NOISE[kind], len(times))
        bench.values[channel] = np.clip(values, 0.5, 100.0) if kind == "rh" else values


def render(bench: Bench) -> None:
    """Round to each channel's last digit and write the rows."""
    for channel, values in bench.values.items():
        digit = bench.digit[channel]
        bench.values[channel] = np.round(np.round(values / digit) * digit, 4)
    bench.rows = [
        Row(float(at), float(at), {name: f"{bench.values[name][index]:.10g}"
                                   for name in bench.channels})
        for index, at in enumerate(bench.times_s)
    ]  # fmt: skip


# --- what the elements see ---------------------------------------------------------------------


def hull_falls_off(bench: Bench) -> None:
    """Let the port probe hang in the air."""
    bench.seen["hull_port"][bench.after] = bench.seen["air_bow"][bench.after]


def hull_on_ground(bench: Bench) -> None:
    """Let the port probe lie on the ground."""
    bench.seen["hull_port"][bench.after] = bench.shed.ground_c[bench.after]


def hull_loose(bench: Bench) -> None:
    """Let the port probe touch the hull by half."""
    half = 0.5 * (bench.seen["hull_port"] + bench.seen["air_bow"])
    bench.seen["hull_port"][bench.after] = half[bench.after]


def sunlit(target: str, low_k: float, high_k: float) -> Act:
    """Return a fault that warms an element with the sun, from its onset on."""

    def act(bench: Bench) -> None:
        warmer = bench.shed.sun * bench.rng.uniform(low_k, high_k)
        bench.seen[target][bench.after] += warmer[bench.after]

    return act


def wrapped(bench: Bench) -> None:
    """Let the bow body stand in a bag: an hour behind in both channels."""
    for name in ("air_bow", "vapour_bow"):
        slow = lagged(bench.seen[name][bench.after], 3600.0)
        bench.seen[name][bench.after] = slow


def hull_under_foam(bench: Bench) -> None:
    """Let the port probe follow the hull by 40 min."""
    bench.seen["hull_port"][bench.after] = lagged(bench.seen["hull_port"][bench.after], 2400.0)


def by_the_door(bench: Bench) -> None:
    """Let the bow body stand half in the outdoor air."""
    half = 0.5 * (bench.seen["air_bow"] + bench.shed.outdoor_c)
    bench.seen["air_bow"][bench.after] = half[bench.after]
    most = saturation_pa(bench.seen["air_bow"])
    bench.seen["vapour_bow"] = np.minimum(bench.seen["vapour_bow"], most)


# --- what is sampled ---------------------------------------------------------------------------


def stuck(*channels: str) -> Act:
    """Return a fault that repeats the value at its onset."""

    def act(bench: Bench) -> None:
        for channel in channels:
            values = bench.values[channel]
            values[bench.first :] = values[bench.first]

    return act


def dithering(*channels: str) -> Act:
    """Return a fault that leaves noise, or a moving last digit, around the value at its onset."""

    def act(bench: Bench) -> None:
        for channel in channels:
            values, digit = bench.values[channel], bench.digit[channel]
            count = len(values) - bench.first
            moving = bench.rng.normal(0.0, NOISE[kind_of(channel)], count)
            moving += digit * bench.rng.choice([-1.0, 0.0, 0.0, 1.0], count)
            values[bench.first :] = values[bench.first] + moving

    return act


def looping(*channels: str) -> Act:
    """Return a fault that plays the last 30 to 120 min again and again."""

    def act(bench: Bench) -> None:
        length = max(10, int(bench.rng.uniform(1800.0, 7200.0) / bench.every_s))
        for channel in channels:
            values = bench.values[channel]
            kept = values[bench.first - length : bench.first].copy()
            values[bench.first :] = np.resize(kept, len(values) - bench.first)

    return act


def stepping(channel: str, low: float, high: float) -> Act:
    """Return a fault that adds one amount from its onset on."""

    def act(bench: Bench) -> None:
        bench.values[channel][bench.first :] += bench.rng.uniform(low, high)

    return act


def drifting(channel: str, per_h: float) -> Act:
    """Return a fault that adds ever more from its onset on."""

    def act(bench: Bench) -> None:
        hours = np.clip(bench.times_s - bench.onset_s, 0.0, None) / 3600.0
        bench.values[channel] += per_h * hours

    return act


def setting(channel: str, value: float, noise: float = 0.0) -> Act:
    """Return a fault that shows one value, with a little noise, from its onset on."""

    def act(bench: Bench) -> None:
        count = len(bench.times_s) - bench.first
        bench.values[channel][bench.first :] = value + bench.rng.normal(0.0, 1.0, count) * noise

    return act


def wetted(bench: Bench) -> None:
    """Keep the bow's humidity at 100 for six hours, then let it dry out."""
    hours = (bench.times_s - bench.onset_s) / 3600.0
    wet = np.clip(1.0 - (hours - 6.0), 0.0, 1.0) * (hours >= 0.0)
    bench.values["rh_bow"] += wet * (100.0 - bench.values["rh_bow"])


def poisoned(*channels: str) -> Act:
    """Return a fault of solvent: humidity reads low by 8 to 12 %, less by half in eight hours."""

    def act(bench: Bench) -> None:
        hours = (bench.times_s - bench.onset_s) / 3600.0
        low = bench.rng.uniform(8.0, 12.0) * 0.5 ** (hours / 8.0) * (1 - np.exp(-hours / 0.1))
        for channel in channels:
            bench.values[channel] -= np.where(hours > 0.0, low, 0.0)

    return act


def scaled(channel: str, by: float) -> Act:
    """Return a fault that multiplies a channel from its onset on."""

    def act(bench: Bench) -> None:
        bench.values[channel][bench.first :] *= by

    return act


def fahrenheit(channel: str) -> Act:
    """Return a fault that goes on in °F."""

    def act(bench: Bench) -> None:
        values = bench.values[channel]
        values[bench.first :] = 32.0 + 1.8 * values[bench.first :]

    return act


def fraction(bench: Bench) -> None:
    """Go on with the bow's humidity between 0 and 1."""
    bench.values["rh_bow"][bench.first :] /= 100.0
    bench.digit["rh_bow"] = 0.001


def exchanged(one: str, other: str) -> Act:
    """Return a fault that swaps two channels from its onset on."""

    def act(bench: Bench) -> None:
        a, b = bench.values[one], bench.values[other]
        a[bench.first :], b[bench.first :] = b[bench.first :].copy(), a[bench.first :].copy()

    return act


def noisy(channel: str, sd: float) -> Act:
    """Return a fault of noise grown to that standard deviation."""

    def act(bench: Bench) -> None:
        count = len(bench.times_s) - bench.first
        bench.values[channel][bench.first :] += bench.rng.normal(0.0, sd, count)

    return act


def spiking(bench: Bench) -> None:
    """Throw one sample in forty of hull and air far off, each by itself."""
    for channel in ("plank_port", "temp_bow"):
        for index in range(bench.first, len(bench.times_s)):
            if bench.rng.random() < 0.025:
                away = bench.rng.choice([-1.0, 1.0]) * bench.rng.uniform(3.0, 15.0)
                bench.values[channel][index] += away


# --- what is written ---------------------------------------------------------------------------


def by_body(bench: Bench) -> None:
    """Write a row of its own for each body, a few seconds apart."""
    rows = []
    for row in bench.rows:
        bodies: dict[str, dict[str, str]] = {}
        for channel, cell in row.cells.items():
            bodies.setdefault(POINT_OF[channel], {})[channel] = cell
        for place, cells in enumerate(bodies.values()):
            shift = 5.0 * place
            rows.append(Row(row.came_s + shift, row.stamp_s + shift, cells))
    bench.rows = rows


def clock_off(by_s: float) -> Act:
    """Return a fault in which the bow body's own clock is wrong all the time."""

    def act(bench: Bench) -> None:
        by_body(bench)
        for row in bench.rows:
            if "temp_bow" in row.cells:
                row.stamp_s += by_s

    return act


def coming_late(bench: Bench) -> None:
    """Let one row in twenty come one to five rows late, sometimes two in succession."""
    for row in bench.rows:
        if row.came_s > bench.onset_s and bench.rng.random() < 0.05:
            row.came_s += bench.every_s * (int(bench.rng.integers(1, 6)) + 0.5)


def emptied(bench: Bench) -> None:
    """Leave one cell in twenty empty."""
    for row in bench.rows:
        if row.came_s > bench.onset_s:
            for channel in row.cells:
                if bench.rng.random() < 0.05:
                    row.cells[channel] = ""


def worded(words: tuple[str, ...], hours: float, *channels: str) -> Act:
    """Return a fault that writes words in place of figures for some hours."""

    def act(bench: Bench) -> None:
        for row in bench.rows:
            if bench.onset_s < row.came_s < bench.onset_s + 3600.0 * hours:
                for channel in channels:
                    row.cells[channel] = str(bench.rng.choice(words))

    return act


def rarer(keep_one_in: int, *channels: str) -> Act:
    """Return a fault after which only one in so many rows carries the channels."""

    def act(bench: Bench) -> None:
        for index, row in enumerate(bench.rows):
            if row.came_s > bench.onset_s and index % keep_one_in:
                for channel in channels:
                    row.cells[channel] = ""

    return act


def switched_off(bench: Bench) -> None:
    """Leave three hours out of the recording."""
    bench.rows = [
        row for row in bench.rows
        if not bench.onset_s < row.came_s < bench.onset_s + 3.0 * 3600.0
    ]  # fmt: skip


def set_back(bench: Bench) -> None:
    """Set the recorder's clock back by an hour."""
    for row in bench.rows:
        if row.came_s > bench.onset_s:
            row.stamp_s -= 3600.0


BOW = ("temp_bow", "rh_bow")
HULL = ("plank_port",)
RH = ("rh_bow",)
AIR = ("temp_bow",)
DAY = (0.5, 3.0)

FAULTS = (
    Fault("stuck-hull", "one hull probe of two repeats its value", True, HULL,
          values=stuck(*HULL), frozen=True),
    Fault("stuck-only-hull", "the only hull probe repeats its value", True, HULL,
          values=stuck(*HULL), lone=True, frozen=True),
    Fault("stuck-air-temp", "air temperature of one body of two", True, AIR,
          values=stuck(*AIR), frozen=True),
    Fault("stuck-humidity", "humidity of one body of two", True, RH, values=stuck(*RH),
          frozen=True),
    Fault("stuck-only-humidity", "humidity of the only body", True, RH, values=stuck(*RH),
          lone=True, frozen=True),
    Fault("stuck-body", "both channels of one body of two", True, BOW, values=stuck(*BOW),
          frozen=True),
    Fault("stuck-only-body", "both channels of the only body", True, BOW, values=stuck(*BOW),
          lone=True, frozen=True),
    Fault("stuck-all", "every channel: the recorder repeats its last row", True, CHANNELS,
          values=stuck(*CHANNELS), frozen=True),
    Fault("dither-hull", "stuck, with a moving last digit: the only hull probe", True, HULL,
          values=dithering(*HULL), lone=True, frozen=True),
    Fault("dither-humidity", "the same: humidity of the only body", True, RH,
          values=dithering(*RH), lone=True, frozen=True),
    Fault("dither-only-body", "the same: both channels of the only body", True, BOW,
          values=dithering(*BOW), lone=True, frozen=True),
    Fault("dither-all", "the same: every channel", True, CHANNELS,
          values=dithering(*CHANNELS), frozen=True),
    Fault("loop-hull", "the only hull probe plays its last hour again", True, HULL,
          values=looping(*HULL), lone=True, frozen=True),
    Fault("loop-only-body", "the same: both channels of the only body", True, BOW,
          values=looping(*BOW), lone=True, frozen=True),
    Fault("loop-all", "the same: the whole recording", True, CHANNELS,
          values=looping(*CHANNELS), frozen=True),
    Fault("hull-fallen-off", "the only hull probe hangs in the air", True, HULL,
          world=hull_falls_off, lone=True),
    Fault("hull-fallen-of-two", "one hull probe of two hangs in the air", True, HULL,
          world=hull_falls_off),
    Fault("hull-on-ground", "the only hull probe lies on the ground", False, HULL,
          world=hull_on_ground, lone=True),
    Fault("hull-loose", "half hull, half air", False, HULL, world=hull_loose, lone=True),
    Fault("hull-under-foam", "the hull probe is 40 min behind", False, HULL,
          world=hull_under_foam, lone=True),
    Fault("hull-jump", "the only hull probe jumps by 5 K and stays", True, HULL,
          values=stepping("plank_port", 5.0, 5.0), lone=True),
    Fault("hull-step", "the same by 2 to 3 K", True, HULL,
          values=stepping("plank_port", 2.0, 3.0), lone=True),
    Fault("hull-drift", "the only hull probe gains 0.4 K an hour", False, HULL,
          values=drifting("plank_port", 0.4), lone=True),
    Fault("sun-on-air", "sun on one body of two, 6 to 12 K at noon", True, BOW,
          world=sunlit("air_bow", 6.0, 12.0), onset_h=DAY),
    Fault("sun-on-only-air", "the same on the only body", False, BOW,
          world=sunlit("air_bow", 6.0, 12.0), onset_h=DAY, lone=True),
    Fault("sun-on-shield", "sun on one shield of two, 1.5 to 3 K", True, BOW,
          world=sunlit("air_bow", 1.5, 3.0), onset_h=DAY),
    Fault("sun-on-hull-probe", "sun on the only hull probe, 4 to 8 K", True, HULL,
          world=sunlit("hull_port", 4.0, 8.0), onset_h=DAY, lone=True),
    Fault("air-step", "air temperature of one body of two 2 to 3 K high", True, AIR,
          values=stepping("temp_bow", 2.0, 3.0)),
    Fault("air-body-in-bag", "the only body is an hour behind", False, BOW, world=wrapped,
          lone=True),
    Fault("air-body-by-door", "one body of two half in outdoor air", False, BOW,
          world=by_the_door),
    Fault("humidity-drift", "humidity of one body of two loses 1.5 % an hour", True, RH,
          values=drifting("rh_bow", -1.5)),
    Fault("humidity-drift-only", "the same of the only body", False, RH,
          values=drifting("rh_bow", -1.5), lone=True),
    Fault("humidity-wet", "100 % for six hours after a wetting", True, RH, values=wetted),
    Fault("solvent-one", "solvent: one body of two reads 8 to 12 % low", True, RH,
          values=poisoned(*RH)),
    Fault("solvent-only", "the same of the only body", False, RH, values=poisoned(*RH),
          lone=True),
    Fault("vapour-parts", "one body of two reads 0.8 of the humidity", True, RH,
          values=scaled("rh_bow", 0.8)),
    Fault("humidity-dead", "the only body's humidity falls to 0", True, RH,
          values=setting("rh_bow", 0.0), lone=True),
    Fault("hull-open-wire", "the only hull probe shows 85.0", True, HULL,
          values=setting("plank_port", 85.0), lone=True),
    Fault("unit-fahrenheit", "the only hull probe goes on in °F", True, HULL,
          values=fahrenheit("plank_port"), lone=True),
    Fault("unit-fraction", "humidity goes on between 0 and 1", True, RH, values=fraction,
          lone=True),
    Fault("swapped", "hull and air temperature are exchanged", True, ("plank_port", "temp_bow"),
          values=exchanged("plank_port", "temp_bow"), lone=True),
    Fault("hull-noise", "noise of the only hull probe grows to 0.6 K", True, HULL,
          values=noisy("plank_port", 0.6), lone=True),
    Fault("spikes", "one sample in forty is 3 to 15 K off", True, ("plank_port", "temp_bow"),
          values=spiking, lone=True),
    Fault("clock-ahead", "one body's clock is 10 min ahead", True, (), rows=clock_off(600.0),
          only_every_s=60.0),
    Fault("clock-behind", "one body's clock is 10 min behind", True, (),
          rows=clock_off(-600.0), only_every_s=60.0),
    Fault("late-rows", "one row in twenty comes 1 to 5 rows late", True, (), rows=coming_late),
    Fault("empty-cells", "one cell in twenty is empty", True, (), rows=emptied),
    Fault("nan-words", "NaN from the only hull probe for three hours", True, HULL,
          rows=worded(("NaN", "nan", ""), 3.0, *HULL), lone=True),
    Fault("error-words", "ERR and unavailable from one body of two, for three hours", True, BOW,
          rows=worded(("ERR", "unavailable", "offline"), 3.0, *BOW)),
    Fault("half-rate", "the hull probes send with every second row", True, (),
          rows=rarer(2, "plank_port", "plank_stbd")),
    Fault("tenth-rate", "the only hull probe sends with every tenth row", True, HULL,
          rows=rarer(10, *HULL), lone=True),
    Fault("recorder-off", "nothing for three hours", True, CHANNELS, rows=switched_off),
    Fault("clock-set-back", "the recorder's clock is set back by an hour", True, (),
          rows=set_back),
)  # fmt: skip

BY_NAME = {fault.name: fault for fault in FAULTS}
