"""Figures beside their targets: the form of one, how they are kept, and the page of them all."""

from __future__ import annotations

import json
import os
import platform
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "BENCHMARKS.md"
KEPT = Path(__file__).with_name("figures.json")
BEGIN = "<!-- written by benchmarks/run --write -->"
END = "<!-- end of what benchmarks/run wrote -->"
# From so many cores on that other programs keep busy, a missed time may be theirs. Our own choice.
CROWD_CORES = 0.3


class Unread(Exception):
    """A benchmark printed something else than what is looked for."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured figure.

    Attributes:
        what: was measured.
        target: that it is held against, or "" for none.
        measured: with its unit.
        met: whether the target is met; None where there is none.
        beside: its ratio to a baseline, and which.
        why: what stands in the way where the target is missed, or "".
    """

    what: str
    target: str
    measured: str
    met: bool | None
    beside: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Taken:
    """How a part's figures were taken.

    Attributes:
        part: its name.
        full: True for the full set.
        size: of the set, in words.
        commit: of the checkout, with `+` where files in it had been changed.
        date: UTC.
        seconds: that it took [s].
        others: cores that other programs kept busy meanwhile.
        nice: at which it ran.
        figures: that came of it.
    """

    part: str
    full: bool
    size: str
    commit: str
    date: str
    seconds: float
    others: float
    nice: int
    figures: tuple[Figure, ...]


def numbers(output: str, pattern: str) -> tuple[float, ...]:
    """Return the numbers that a pattern's groups find in a benchmark's output.

    Raises:
        Unread: the pattern is not there.

    >>> numbers("sent 1,200 in 0.6 s", r"sent ([\\d,]+) in ([\\d.]+) s")
    (1200.0, 0.6)
    """
    found = re.search(pattern, output, re.MULTILINE)
    if found is None:
        raise Unread(f"no {pattern!r} in what the benchmark printed")
    return tuple(float(each.replace(",", "")) for each in found.groups())


def number(output: str, pattern: str) -> float:
    """Return the one number that a pattern finds."""
    return numbers(output, pattern)[0]


def kept() -> dict[str, Taken]:
    """Return the figures that were kept, by part."""
    if not KEPT.exists():
        return {}
    found = {}
    for each in json.loads(KEPT.read_text(encoding="utf-8")):
        figures = tuple(Figure(**figure) for figure in each.pop("figures"))
        found[each["part"]] = Taken(**each, figures=figures)
    return found


def keep(taken: Sequence[Taken]) -> None:
    """Keep figures for the page."""
    text = json.dumps([asdict(each) for each in taken], indent=1, ensure_ascii=False)
    KEPT.write_text(text + "\n", encoding="utf-8")


def machine() -> str:
    """Return what kind of machine this is."""
    model = platform.processor() or platform.machine()
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
        model = names[0] if names else model
    except OSError:
        pass
    return (
        f"{model} ({platform.machine()}), {os.cpu_count()} cores, {platform.system()} "
        f"{platform.release().split('-')[0]}, Python {platform.python_version()}"
    )


def table(taken: Sequence[Taken]) -> str:
    """Return the one table, in markdown."""
    rows = [
        "| what | target | measured | met | beside a baseline | set | others¹ | commit |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for each in taken:
        for figure in each.figures:
            met = {True: "yes", False: "**no**", None: "–"}[figure.met]
            rows.append(
                f"| {figure.what} | {figure.target or '–'} | {figure.measured} | {met} "
                f"| {figure.beside} | {'full' if each.full else 'short'}: {each.size} "
                f"| {each.others:.1f} | {each.commit} |"
            )
    return "\n".join(rows)


def misses(taken: Sequence[Taken]) -> str:
    """Return what was missed, and what stands in the way."""
    lines = []
    for each in taken:
        crowd = ""
        if each.others > CROWD_CORES:
            crowd = (
                f" Other programs kept {each.others:.1f} of {os.cpu_count()} cores busy meanwhile, "
                "so a time or a rate is to be taken again on an idle machine."
            )
        for figure in each.figures:
            if figure.met is False:
                why = figure.why or ("" if crowd else "The cause is not known yet.")
                told = f"* **{figure.what}**: {figure.measured} against {figure.target}. {why}"
                lines.append(told.rstrip() + crowd)
    return "\n".join(lines) if lines else "None."


def page(taken: Sequence[Taken]) -> str:
    """Return the page's own part, with the lines that mark it."""
    dates = sorted(each.date for each in taken)
    span = (
        dates[0][:10] if dates[0][:10] == dates[-1][:10] else f"{dates[0][:10]} to {dates[-1][:10]}"
    )
    took = "\n".join(
        f"* `{each.part}`: {each.date} UTC, {each.seconds:.0f} s, "
        f"{'full' if each.full else 'short'} set ({each.size}), nice {each.nice}"
        for each in taken
    )
    return f"""{BEGIN}
Printed by `benchmarks/run`; no test in the suite is timed.

    benchmarks/run                 # the short sets: prints the table
    benchmarks/run --full          # the full sets; says beforehand how long they take
    benchmarks/run --only replay   # one part; `--list` names them
    benchmarks/run --write         # also keeps what was measured, and writes this part of the page

Each figure stands beside a baseline that was measured in the same run, so that the ratio means
something on another machine.

* Machine: {machine()}.
* Date: {span}.

{table(taken)}

¹ Processor cores, of {os.cpu_count()}, that other programs kept busy while this was measured.
Where it is not near 0, times are longer and rates lower than the machine can do; counts do not
mind. A commit with `+` had changes in the checkout that were not committed yet.

### Missed, and what stands in the way
{misses(taken)}

### When each part was measured
{took}
{END}"""


def write(taken: Sequence[Taken]) -> None:
    """Write the page's own part anew; what people wrote before and after it stays."""
    text = PAGE.read_text(encoding="utf-8") if PAGE.exists() else f"{BEGIN}{END}\n"
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise Unread(f"{PAGE.name} has no lines {BEGIN} and {END}, so it is not written")
    PAGE.write_text(f"{before}{page(taken)}{after}", encoding="utf-8")
