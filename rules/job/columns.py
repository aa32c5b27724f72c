"""Which figures of a sheet a job's coat is planned by, where they go by method or by hardener.

The figures are those of `Spec.under`, as for the log's clocks. Where the job does not say what the
sheet tells apart, the coat is planned by the safe side of all that it may be.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import replace

from rules.limits import is_upper
from rules.rate import SafeSide, rate_law
from rules.spec.model import Limit, Spec, TimeRow, TimeTable
from rules.toml_table import choice
from rules.vocabulary import ClockName, LimitName, Method, Stage, Step, Until

STANDARD = "standard"
"""What a job calls the hardener whose figures stand outside the sheet's columns."""

USUAL_METHOD = Method.ROLLER
"""By which amounts are reckoned where a job names none; common practice, no source."""

_NEEDED = frozenset({ClockName.TOUCH_DRY, ClockName.CURED})
_CLOSES = frozenset(
    {ClockName.POT_LIFE, ClockName.RECOAT_CLOSES, ClockName.TAPE_NOT_AFTER, ClockName.WET_ON_WET,
     ClockName.LAUNCH_NOT_AFTER}
)  # fmt: skip


def lacks(sheet: Spec, hardener: str | None) -> str:
    """Return that a sheet has no such hardener and which it has, or ""."""
    return "" if hardener == STANDARD else sheet.lacks(hardener)


def planned_spec(
    sheet: Spec, method: Method | None, hardener: str | None
) -> tuple[Spec, tuple[str, ...]]:
    """Return what a coat is planned by, and what the job should say of it, each in words.

    Args:
        sheet: with all its columns.
        method: how the coat is put on, where the job says it.
        hardener: its name, `standard` for the one of the sheet's own figures, None where the job
            does not say it.
    """
    own = None if hardener == STANDARD and STANDARD not in sheet.hardeners else hardener
    methods = [USUAL_METHOD, *(m for m in Method if m is not USUAL_METHOD)]
    found = {
        (m, h): spec
        for m in ([method] if method else methods)
        for h in ([None, *sheet.hardeners] if hardener is None else [own])
        if set((spec := sheet.under(m, h)).times) >= _NEEDED
    }
    if not found:
        return sheet.under(method or USUAL_METHOD, own), ()
    by_method = list(dict.fromkeys(m for m, _ in found))
    by_hardener = list(dict.fromkeys(h for _, h in found))
    unsaid = []
    if any(found[m, h] != found.get((by_method[0], h)) for m, h in found):
        unsaid.append(_unsaid("method", by_method))
    if len(by_hardener) > 1:
        unsaid.append(_unsaid("hardener", [h or STANDARD for h in by_hardener]))
    specs = list(found.values())
    return (_safest(specs) if unsaid else specs[0]), tuple(unsaid)


def _unsaid(key: str, words: Sequence[str]) -> str:
    quoted = choice(f'"{word}"' for word in words)
    return f'{key} not given, write {key} = {quoted} beside the coat (amounts by "{words[0]}")'


def _safest(specs: Sequence[Spec]) -> Spec:
    """The first spec with the slowest opens clocks, the fastest closes clocks, the closest limits.

    A step that bears tape counts only where each of them gives it: without it the film's end does.
    """
    times = {}
    for clock in dict.fromkeys(clock for spec in specs for clock in spec.times):
        tables = [spec.times[clock] for spec in specs if clock in spec.times]
        if clock is not ClockName.HANDLE or len(tables) == len(specs):
            times[clock] = safest_table(tables, _lean(clock))
    stages = dict.fromkeys(stage for spec in specs for stage in spec.limits)
    return replace(specs[0], times=times, limits={s: _closest(specs, s) for s in stages})


def _lean(clock: ClockName) -> SafeSide:
    return SafeSide.CLOSES if clock in _CLOSES else SafeSide.OPENS


def safest_table(tables: Sequence[TimeTable], lean: SafeSide) -> TimeTable:
    """Return one table that is on the safe side of all, at each temperature.

    At every row of any it has the longest time of an opens clock, without a row where one of them
    gives no time, or the shortest of a closes clock. Between rows the logarithm of each runs
    straight in 1/T, and the chord of the longest lies over it, that of the shortest under it.

    Args:
        tables: at least one.
        lean: which way is the safe one.
    """
    if len(set(tables)) == 1:
        return tables[0]
    laws = [rate_law(table, lean) for table in tables]
    temps = sorted({temp for table in tables for temp in _temps_c(table)})
    worst = max if lean is SafeSide.OPENS else min
    rows = [(temp, worst(law.time_s(temp) for law in laws)) for temp in temps]
    rows = [row for row in rows if row[1] < float("inf")]
    # The last digit of an exponential must not make a time rise with temperature.
    from_warm = list(itertools.accumulate((time_s for _, time_s in reversed(rows)), max))[::-1]
    times = from_warm if worst is max else list(itertools.accumulate((t for _, t in rows), min))
    return TimeTable(
        tuple(TimeRow(temp, time_s) for (temp, _), time_s in zip(rows, times, strict=True))
    )


def _temps_c(table: TimeTable) -> Iterable[float]:
    yield from (row.temp_c for row in table.rows)
    if table.reckoned_to_c is not None:
        yield table.reckoned_to_c
    for _, column in table.columns:
        yield from _temps_c(column)


def _closest(specs: Sequence[Spec], stage: Stage) -> dict[LimitName, Limit]:
    every = [spec.limits.get(stage, {}) for spec in specs]
    found = {}
    for name in dict.fromkeys(name for own in every for name in own):
        limits = [own[name] for own in every if name in own]
        tightest = (min if is_upper(name) else max)(limits, key=lambda limit: limit.bound)
        found[name] = replace(tightest, until=_longest([limit.until for limit in limits]))
    return found


def _longest(untils: Sequence[Until]) -> Until:
    if len(set(untils)) == 1:
        return untils[0]
    steps = list(Step)
    told = [steps.index(until) for until in untils if isinstance(until, Step)]
    return steps[max(told)] if len(told) == len(untils) else Step.CURED
