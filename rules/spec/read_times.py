"""Reads a sheet's times: by temperature, and by the next coat."""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import replace
from difflib import get_close_matches

from rules.spec.checks import check_rows, check_window, time_key
from rules.spec.model import FAMILIES, NEVER, TimeRow, TimeTable
from rules.text import shown
from rules.toml_table import LONGEST_S, NO_WAIT, SHORTEST_S, UNLIMITED, Table
from rules.units import DAY_S, HOUR_S
from rules.vocabulary import ClockName, Method

_ELSEWHERE = (
    ClockName.CLEARANCE,
    ClockName.LAUNCH_NOT_BEFORE,
    ClockName.LAUNCH_NOT_AFTER,
    ClockName.WET_ON_WET,
)
TIME_KEYS = {time_key(clock): clock for clock in ClockName if clock not in _ELSEWHERE}
METHODS = tuple(method.value for method in Method)
TEMPERATURES = ("degC", -20.0, 60.0)
"""What can be a temperature of paint, hull or air at all."""

# What a clock's time can be at all: wide of every sheet read so far, so that only slips lie
# outside; no source [s].
_PLAUSIBLE_S = {
    ClockName.INDUCTION: (60.0, 6.0 * HOUR_S),
    ClockName.POT_LIFE: (60.0, 30.0 * DAY_S),
    ClockName.WIPE_DRY: (10.0, 2.0 * DAY_S),
    ClockName.FLASH: (10.0, 7.0 * DAY_S),
    ClockName.TOUCH_DRY: (60.0, 60.0 * DAY_S),
    ClockName.RECOAT_OPENS: (60.0, 90.0 * DAY_S),
    ClockName.RECOAT_CLOSES: (60.0, LONGEST_S),
    ClockName.TAPE_NOT_BEFORE: (60.0, 90.0 * DAY_S),
    ClockName.TAPE_NOT_AFTER: (60.0, LONGEST_S),
    ClockName.SAND: (60.0, 90.0 * DAY_S),
    ClockName.HANDLE: (60.0, 90.0 * DAY_S),
    ClockName.CURED: (600.0, 366.0 * DAY_S),
}

_WINDOW = {time_key(c): c for c in (ClockName.RECOAT_OPENS, ClockName.RECOAT_CLOSES)}
_MAY_STAY_OPEN = (ClockName.RECOAT_CLOSES, ClockName.TAPE_NOT_AFTER)
_MAY_BE_NONE = (ClockName.INDUCTION, ClockName.FLASH, ClockName.WIPE_DRY)


def endless_word(clock: ClockName) -> str:
    """Return how a table without rows is written: a window never closes, a wait is not needed.

    >>> endless_word(ClockName.RECOAT_CLOSES), endless_word(ClockName.INDUCTION)
    ('unlimited', 'none')
    """
    return UNLIMITED if clock in _MAY_STAY_OPEN else NO_WAIT


def read_times(table: Table, clocks: Mapping[str, ClockName]) -> dict[ClockName, TimeTable]:
    """Read the time tables of one section; a table with a fault in it is left out."""
    times: dict[ClockName, TimeTable] = {}
    for key, clock in clocks.items():
        if key not in table.values:
            continue
        value = table.values[key]
        if clock in (*_MAY_STAY_OPEN, *_MAY_BE_NONE) and value == endless_word(clock):
            times[clock] = NEVER
            continue
        if not isinstance(value, dict) or not value:
            table.fault(
                key,
                f"{shown(value)} does not say at what temperature" if value else "has no rows",
                'write { "20 degC" = "4 h" }, with a row for each temperature of the sheet'
                + (f', or "{UNLIMITED}" where it never ends' if clock in _MAY_STAY_OPEN else "")
                + (f', or "{NO_WAIT}" where it is not needed' if clock in _MAY_BE_NONE else ""),
            )
            continue
        rows = table.table(key, None)
        keys: dict[float, str] = {}
        read: list[TimeRow] = []
        for written, time in value.items():
            temp_c = rows.read(written, written, *TEMPERATURES)
            low_s, high_s = _PLAUSIBLE_S.get(clock, (SHORTEST_S, LONGEST_S))
            duration_s = rows.read_duration(written, time, low_s, high_s)
            if temp_c is not None and temp_c in keys:
                rows.fault(written, f"is the same temperature as {shown(keys[temp_c])}", "keep one")
            elif temp_c is not None and duration_s is not None:
                keys[temp_c] = written
                read.append(TimeRow(temp_c, duration_s))
        if len(read) == len(value):
            found = TimeTable(tuple(sorted(read, key=lambda row: row.temp_c)))
            check_rows(found, keys, rows.path, rows.faults)
            times[clock] = found
    return times


def reckoned(table: TimeTable, floor_c: float | None) -> TimeTable:
    """Let a table of one row be reckoned down to the application minimum, as most sheets need."""
    return replace(table, reckoned_to_c=floor_c) if len(table.rows) == 1 else table


def reckoned_down(
    times: Mapping[ClockName, TimeTable], floor_c: float | None
) -> dict[ClockName, TimeTable]:
    """Let each table of one row be reckoned down, as `reckoned`."""
    return {clock: reckoned(table, floor_c) for clock, table in times.items()}


def check_needed_times(table: Table, *, mixed: bool, always: Container[ClockName]) -> None:
    """Keep which clocks are missing, without which no film can be followed.

    Args:
        table: that of [times].
        mixed: whether a hardener goes in.
        always: clocks that columns by humidity alone give, which one of them always meets.
    """
    needed = [ClockName.TOUCH_DRY, ClockName.CURED]
    if mixed:
        needed.insert(0, ClockName.POT_LIFE)
    for clock in needed:
        if time_key(clock) not in table.values and clock not in always:
            table.missing(time_key(clock), '{ "20 degC" = "8 h" }')


def read_recoat(
    top: Table, times: Mapping[ClockName, TimeTable]
) -> dict[str, dict[ClockName, TimeTable]]:
    """Read what differs by the next coat; a clock that it does not state stays as in [times]."""
    section = top.table("recoat_before", None)
    recoat: dict[str, dict[ClockName, TimeTable]] = {}
    for following in section.values:
        near = get_close_matches(following, FAMILIES, 1, 0.85)
        if near and following not in FAMILIES and not following.startswith(near[0] + "-"):
            section.fault(following, "is no family and looks like one", f"did you mean {near[0]}")
        table = section.table(following, _WINDOW)
        own = read_times(table, _WINDOW)
        both = {clock: each for clock, each in {**times, **own}.items() if each is not NEVER}
        check_window(both if own else {}, table.path, section.faults)
        recoat[following] = own
    return recoat
