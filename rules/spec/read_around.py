"""Reads what a sheet says of the work around a film: overcoating, launch, thickness, the ground."""

from __future__ import annotations

from collections.abc import Container, Iterator

from rules.spec.checks import check_film, check_launch, check_overcoat, check_wet_on_wet
from rules.spec.model import (
    LONGEST_KEY_S,
    MEASURE_AGE_S,
    SANDED_KEY_S,
    FilmThickness,
    Launch,
    Measurement,
    OvercoatSteps,
    PostCure,
    Surroundings,
    TimeTable,
)
from rules.spec.read_times import TEMPERATURES, read_times
from rules.text import shown
from rules.toml_table import Table
from rules.units import DAY_S, HAND_UNITS, HOUR_S, BadAmount, amount, hand_unit_of
from rules.vocabulary import ClockName, Method

_MEASURE = ("what", "low", "high", "max_age", "method", "standard", "of")
_OF = ("ground", "film")
# Unit of a hand reading -> what can be one; wood holds up to twice its dry mass of water.
_HAND_BOUNDS = {
    "%": (0.0, 250.0),
    "degC": TEMPERATURES[1:],
    "um": (0.0, 20_000.0),
    "mg/m**2": (0.0, 1e5),
    "h": (0.0, 8784.0),
    "class": (0.0, 10.0),
}
_THICKNESSES = ("wet_min", "wet_max", "dry_min", "dry_max")
_TOTALS = ("total_dry_min", "total_dry_max")


def read_overcoat(
    top: Table, times: dict[ClockName, TimeTable], named: Container[ClockName]
) -> OvercoatSteps:
    """Return recoating in steps; the window as it is goes among the times.

    Args:
        top: the file.
        times: those of [times]; `as_it_is` is put there as the clock that closes.
        named: the clocks that the file gives a time, with a fault or without, under any conditions.
    """
    table = top.table("overcoat", ("wet_on_wet", "as_it_is", "abraded", "sanded_key"))
    as_it_is = read_times(table, {"as_it_is": ClockName.RECOAT_CLOSES})
    stated = ClockName.RECOAT_CLOSES in times
    if "as_it_is" in table.values and stated:
        table.fault(
            "as_it_is",
            "says the same as times.recoat_closes",
            "keep one of the two",
        )
    abraded_s = table.duration("abraded", HOUR_S)
    key_s = table.duration("sanded_key", 60.0, default=SANDED_KEY_S)
    if key_s is not None and key_s > LONGEST_KEY_S:
        table.fault(
            "sanded_key",
            f"{shown(table.values['sanded_key'])} is over 48 h, after which a sanded ground is "
            "dirty and dead again",
            'give at most "48 h"',
        )
    closes = as_it_is.get(ClockName.RECOAT_CLOSES, times.get(ClockName.RECOAT_CLOSES))
    if abraded_s is not None:
        if closes is None and not (ClockName.RECOAT_CLOSES in named or "as_it_is" in table.values):
            table.fault(
                "abraded",
                "says until when to sand and coat, but neither as_it_is nor times.recoat_closes "
                "says from when it must be sanded",
                'add as_it_is = { "20 degC" = "30 days" }',
            )
        elif closes is not None and closes.rows:
            check_overcoat(closes, abraded_s, stated, table)
    times.update(as_it_is)
    wet_s = table.duration("wet_on_wet")
    opens = times.get(ClockName.RECOAT_OPENS)
    if wet_s is not None and (opens is not None or ClockName.RECOAT_OPENS not in named):
        check_wet_on_wet(opens, wet_s, table)
    return OvercoatSteps(abraded_s, SANDED_KEY_S if key_s is None else key_s, wet_s)


def read_launch(top: Table) -> Launch:
    """Return when the work may go into the water."""
    table = top.table("launch", ("not_before", "not_after"))
    not_before = read_times(table, {"not_before": ClockName.LAUNCH_NOT_BEFORE})
    found = Launch(not_before.get(ClockName.LAUNCH_NOT_BEFORE), table.duration("not_after"))
    check_launch(found, table)
    return found


def read_film(top: Table) -> FilmThickness:
    """Return how thick one coat and all of them are to be, and how many."""
    own = {method: f"{method.value}_wet_max" for method in Method}
    table = top.table("film", (*_THICKNESSES, *_TOTALS, "layers_min", "layers_max", *own.values()))
    wet_min, wet_max, dry_min, dry_max = (
        table.figure(key, "um", 1.0, 20_000.0) for key in _THICKNESSES
    )
    total_min, total_max = (table.figure(key, "um", 1.0, 100_000.0) for key in _TOTALS)
    by_method = {m: table.figure(key, "um", 1.0, 20_000.0) for m, key in own.items()}
    found = FilmThickness(
        wet_min_um=wet_min,
        wet_max_um=wet_max,
        dry_min_um=dry_min,
        dry_max_um=dry_max,
        layers_max=table.count("layers_max", 20),
        layers_min=table.count("layers_min", 20),
        total_dry_min_um=total_min,
        total_dry_max_um=total_max,
        method_max_um={m: figure for m, figure in by_method.items() if figure is not None},
    )
    check_film(found, table)
    return found


def read_post_cure(top: Table) -> PostCure | None:
    """Return the heat that a sheet asks for."""
    if "post_cure" not in top.values:
        return None
    table = top.table("post_cure", ("hold", "takes", "not_before"))
    hold_c = table.figure("hold", "degC", 20.0, 200.0, example="60 degC")
    takes_s = table.duration("takes", 60.0, 90.0 * DAY_S)
    if "takes" not in table.values:
        table.missing("takes", '"8 h"')
    not_before_s = table.duration("not_before")
    return None if hold_c is None or takes_s is None else PostCure(hold_c, takes_s, not_before_s)


def read_surroundings(advice: Table) -> Surroundings:
    """Return what the sheet asks of the place."""
    return Surroundings(
        air_changes_per_h=advice.figure("air_changes", "1/h", 0.1, 1000.0),
        wind_max_m_per_s=advice.figure("wind_max", "m/s", 0.1, 60.0),
        sun=advice.words("sun"),
        notes=advice.listed_words("notes"),
    )


def read_measurements(top: Table) -> Iterator[Measurement]:
    """Return the hand readings asked for before a coat."""
    for entry in top.tables("measure", _MEASURE):
        what = entry.slug("what", example="wood-moisture")
        max_age_s = entry.duration("max_age", 60.0, 366.0 * DAY_S)
        of = entry.one_of("of", _OF, required=False)
        bounds: dict[str, float] = {}
        units: set[str] = set()
        for side in ("low", "high"):
            if side in entry.values:
                unit = _hand_unit(entry.values[side], what)
                value = entry.read(side, entry.values[side], unit, *_HAND_BOUNDS[unit])
                if value is not None:
                    bounds[side] = value
                    units.add(unit)
        if "low" not in entry.values and "high" not in entry.values:
            entry.missing("high", '"16 %"')
        if len(units) > 1:
            entry.fault("high", "is in another kind of unit than low", "give both in one unit")
        elif units and units != {hand_unit_of(what) or min(units)}:
            side = next(iter(bounds))
            entry.fault(
                side,
                f"{shown(entry.values[side])} is no {what}",
                f"give it in {hand_unit_of(what)}",
            )
        elif len(bounds) == 2 and bounds["low"] >= bounds["high"]:
            entry.fault(
                "low",
                f"{shown(entry.values['low'])} is not under high {shown(entry.values['high'])}",
                "correct one of the two",
            )
        for unit in sorted(units)[:1]:
            yield Measurement(
                what,
                HAND_UNITS[unit],
                bounds.get("low"),
                bounds.get("high"),
                MEASURE_AGE_S if max_age_s is None else max_age_s,
                entry.words("method"),
                entry.words("standard"),
                of_the_film=of == "film",
            )


def _hand_unit(written: object, what: str) -> str:
    """Return which of the units for hand readings a figure fits; the usual one where none does."""
    for unit in HAND_UNITS:
        try:
            amount(written, unit)
        except BadAmount:
            continue
        return unit
    return hand_unit_of(what) or "%"
