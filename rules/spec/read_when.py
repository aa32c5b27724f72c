"""Reads the columns of a sheet: times, limits and mix that hold under conditions only."""

from __future__ import annotations

from collections.abc import Mapping

from rules.spec.checks import check_order, check_window, time_key
from rules.spec.model import HARDENER_CLASSES, NEVER, Column, Mix, PotSize, TimeTable
from rules.spec.read_limits import read_limits
from rules.spec.read_mix import RATIOS, read_mix, read_pot_sizes
from rules.spec.read_times import METHODS, TIME_KEYS, read_times
from rules.toml_table import Table
from rules.vocabulary import ClockName, Method, Service

_CONDITIONS = ("method", "hardener", "humidity", "service")
_FIGURES = ("times", "limits", "mix", "pot_sizes", "hardener_class")


def read_when(
    top: Table, family: str, times: Mapping[ClockName, TimeTable], mix: Mix | None
) -> tuple[Column, ...]:
    """Read the columns of a sheet that hold under conditions.

    Args:
        top: the file.
        family: of the coating.
        times: of the file without conditions.
        mix: of the file without conditions; None where it has none, or one with a fault.
    """
    columns: list[Column] = []
    for entry in top.tables("when", (*_CONDITIONS, *_FIGURES)):
        method = entry.one_of("method", METHODS, required=False)
        service = entry.one_of("service", [each.value for each in Service], required=False)
        hardener = entry.words("hardener")
        humidity_pct = entry.figure("humidity", "%", 1.0, 100.0)
        if not any(key in entry.values for key in _CONDITIONS):
            entry.fault(None, "names no condition", 'give one, such as method = "gun"')
        if "hardener" in entry.values and not hardener:
            continue
        own_mix, pots = _mixed(top, entry, family, mix)
        column = Column(
            Method(method) if method else None,
            hardener or None,
            Service(service) if service else None,
            humidity_pct,
            _times(entry, times),
            limits=read_limits(entry, needed=False) if "limits" in entry.values else {},
            mix=own_mix,
            pot_sizes=pots,
            hardener_class=entry.one_of("hardener_class", HARDENER_CLASSES, required=False) or "",
        )
        _check_conditions(entry, column, columns)
        columns.append(column)
    return tuple(columns)


def _times(entry: Table, times: Mapping[ClockName, TimeTable]) -> dict[ClockName, TimeTable]:
    table = entry.table("times", TIME_KEYS)
    if not any(entry.values.get(key) for key in _FIGURES):
        entry.fault(None, "has no times", 'add [when.times] with { "20 degC" = "4 h" }')
    own = read_times(table, TIME_KEYS)
    both = {clock: each for clock, each in {**times, **own}.items() if each is not NEVER}
    if own:
        check_order(both, table.faults, table.path, own)
        check_window(both, table.path, table.faults)
    return own


def _mixed(
    top: Table, entry: Table, family: str, mix: Mix | None
) -> tuple[Mix | None, tuple[PotSize, ...] | None]:
    """The mix and the pots under these conditions, where they differ from the sheet's."""
    own = entry.table("mix", None).values
    found = None
    if own and mix is not None:
        sheet: dict[str, object] = dict(top.table("mix", None).values)
        if any(key in own for key in RATIOS):
            sheet = {key: each for key, each in sheet.items() if key not in RATIOS}
        found = read_mix(Table({"mix": {**sheet, **own}}, entry.path, entry.faults, None), family)
    pots = None
    if "pot_sizes" in entry.values:
        pots = read_pot_sizes(entry.table("pot_sizes", None), found or mix)
    return found, pots


def _check_conditions(entry: Table, column: Column, before: list[Column]) -> None:
    """Keep the faults of figures that stand twice, or under a condition that none can have."""
    if column.humidity_pct is not None:
        for key in _FIGURES[1:]:
            if key in entry.values:
                entry.fault(key, "cannot go by the air's humidity", "leave humidity out")
    own = _stated(column)
    for at, other in enumerate(before, start=1):
        if _conditions(other) != _conditions(column):
            continue
        for path in own & _stated(other):
            entry.faults.add(
                (*entry.path, *path),
                f"stands under the same conditions in when[{at}]",
                "keep one of the two",
            )


def _conditions(column: Column) -> tuple[object, ...]:
    return column.method, column.hardener, column.service, column.humidity_pct


def _stated(column: Column) -> set[tuple[str, ...]]:
    """The keys of everything that a column says."""
    found: set[tuple[str, ...]] = {("times", time_key(clock)) for clock in column.times}
    found |= {
        ("limits", stage.value, name.value)
        for stage, limits in column.limits.items()
        for name in limits
    }
    once = (("mix", column.mix), ("pot_sizes", column.pot_sizes))
    return found | {(key,) for key, value in once if value is not None}
