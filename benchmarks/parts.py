"""What each benchmark is run with, and how its figures are read from what it prints.

A part is one or more commands, each a list of arguments for this interpreter; `{folder}` stands
for a folder of the run's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchmarks import counts, readers
from benchmarks.figures import Figure

Commands = tuple[tuple[str, ...], ...]

# The baseline of a review: every reading of the same log, fetched and dropped.
FETCH = """
import sqlite3, sys, time
begin_s = time.perf_counter()
for row in sqlite3.connect(sys.argv[1]).execute("SELECT * FROM readings"):
    pass
print(f"plain fetch {time.perf_counter() - begin_s:.2f} s")
"""


@dataclass(frozen=True, slots=True)
class Part:
    """One benchmark.

    Attributes:
        name: to choose it by.
        short: commands of the short set, and its size in words.
        full: likewise of the full set.
        minutes: that the full set takes on two idle cores [min].
        read: makes figures of what the commands printed.
    """

    name: str
    short: tuple[Commands, str]
    full: tuple[Commands, str]
    minutes: float
    read: Callable[[str], list[Figure]]


def module(name: str, *arguments: str) -> tuple[str, ...]:
    """Return the command of a benchmark."""
    return ("-m", f"benchmarks.{name}", *arguments)


def _review(days: str) -> Commands:
    command = ("benchmarks/review.py", "--days", days, "--keep", "{folder}/log.db")
    return (command, command, ("-c", FETCH, "{folder}/log.db"))


def _intake(seconds: str) -> Commands:
    return (
        module("watch", "--only", "intake", "--seconds", seconds),
        module("intake", "--seconds", seconds),
    )


def _ship(rows: str, kills: str, seconds: str) -> tuple[str, ...]:
    # Lag and outage are the yard's.
    return module("ship", "--rows", rows, "--calm", "0", "--kills", kills, "--seconds", seconds)


def _yard(*sizes: str) -> tuple[str, ...]:
    names = ("watches", "enclosures", "rate", "calm", "kills", "outage")
    options = zip(names, sizes, strict=True)
    return module("yard", *(word for name, size in options for word in (f"--{name}", size)))


_DEW, _NINETY = (module("dew_point"),), _review("90")
_LATENCY = module("watch", "--only", "latency", "--changes")
# In batches, so that a run may be broken off between two of them.
_SAFETY = tuple(
    module("safety", "--first", str(first), "--seeds", "10", "--days", "7")
    for first in range(0, 100, 10)
)
PARTS = (
    Part(
        "dew_point",
        (_DEW, "4 million pairs"),
        (_DEW, "4 million pairs"),
        0.3,
        readers.read_dew_point,
    ),
    Part(
        "replay",
        ((module("replay", "--rows", "10000", "100000"),), "10⁵ rows"),
        ((module("replay", "--rows", "10000", "100000", "1000000"),), "10⁶ rows"),
        2.0,
        readers.read_replay,
    ),
    Part(
        "latency",
        (((*_LATENCY, "50"),), "50 changes"),
        (((*_LATENCY, "200"),), "200 changes"),
        6.0,
        readers.read_latency,
    ),
    Part("intake", (_intake("15"), "15 s"), (_intake("60"), "60 s"), 2.5, readers.read_intake),
    Part("review", (_NINETY, "90 days"), (_NINETY, "90 days"), 1.5, readers.read_review),
    Part(
        "commands",
        ((module("commands"),), "90 days"),
        ((module("commands", "--runs", "11"),), "90 days"),
        1.5,
        readers.read_commands,
    ),
    Part(
        "startup",
        ((module("startup", "--runs", "15"),), "15 runs"),
        ((module("startup", "--runs", "41"),), "41 runs"),
        0.7,
        readers.read_startup,
    ),
    Part(
        "week",
        ((module("week", "--days", "2"),), "2 days"),
        ((module("week", "--days", "7"),), "7 days"),
        5.0,
        readers.read_week,
    ),
    Part(
        "safety",
        ((module("safety", "--seeds", "4", "--days", "1"),), "4 seeds of 1 day"),
        (_SAFETY, "100 seeds of 7 days"),
        40.0,
        counts.read_safety,
    ),
    Part(
        "broker",
        ((module("safety", "--broker", "--seeds", "1", "--days", "1"),), "1 seed of 1 day"),
        ((module("safety", "--broker", "--seeds", "4", "--days", "7"),), "4 seeds of 7 days"),
        8.0,
        counts.read_broker,
    ),
    Part(
        "kills",
        ((module("kills", "--rounds", "20"),), "20 kills"),
        ((module("kills", "--rounds", "200"),), "200 kills"),
        10.0,
        counts.read_kills,
    ),
    Part(
        "power cuts",
        ((module("kills", "--model", "300"),), "3 × 300 cuts"),
        ((module("kills", "--model", "10000"),), "3 × 10,000 cuts"),
        4.0,
        counts.read_power_cuts,
    ),
    Part(
        "fuzz",
        ((module("fuzz", "--seconds", "30"),), "30 s"),
        ((module("fuzz", "--seconds", "900"),), "15 min"),
        15.0,
        counts.read_fuzz,
    ),
    Part(
        "outlook",
        ((module("outlook", "--tents", "4"),), "16 nights"),
        ((module("outlook", "--tents", "26"),), "104 nights"),
        5.0,
        counts.read_outlook,
    ),
    Part(
        "screen",
        ((module("screen"),), "4 sizes"),
        ((module("screen"),), "4 sizes"),
        0.2,
        readers.read_screen,
    ),
    Part(
        "clocks",
        ((module("clocks"),), "10⁵ samples"),
        ((module("clocks"),), "10⁵ samples"),
        0.2,
        readers.read_clocks,
    ),
    Part(
        "plan",
        ((module("plan", "--limit", "10"),), "4 x 4 and 6 x 4"),
        ((module("plan", "--limit", "10", "--large"),), "up to 12 x 6"),
        2.5,
        readers.read_plan,
    ),
    Part(
        "ship",
        ((_ship("200000", "6", "40"),), "200,000 readings and 6 kills"),
        ((_ship("1000000", "50", "600"),), "10⁶ readings and 50 kills"),
        12.0,
        readers.read_ship,
    ),
    Part(
        "yard",
        ((_yard("2", "4", "40", "60", "6", "20"),), "8 enclosures"),
        ((_yard("10", "20", "1000", "600", "50", "600"),), "200 enclosures"),
        26.0,
        readers.read_yard,
    ),
)
