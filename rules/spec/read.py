"""Reads a coating spec's file section by section, and checks what has been read as a whole."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

from rules.errors import SpecFault
from rules.spec.checks import (
    check_limits,
    check_order,
    check_tape,
    check_window,
    note_dried,
    note_lone_columns,
    note_table,
    note_window,
    time_key,
)
from rules.spec.model import (
    COATING_TIME_S,
    COATING_TIMES_S,
    DWELL_S,
    FAMILIES,
    GO_BAND,
    HARDENER_CLASSES,
    NEVER,
    RE_ENTRY_BAND,
    RE_ENTRY_S,
    Band,
    Limit,
    Provenance,
    Spec,
    TimeTable,
)
from rules.spec.read_around import (
    read_film,
    read_launch,
    read_measurements,
    read_overcoat,
    read_post_cure,
    read_surroundings,
)
from rules.spec.read_limits import read_limits
from rules.spec.read_mix import read_mix, read_pot_sizes
from rules.spec.read_times import (
    METHODS,
    TIME_KEYS,
    check_needed_times,
    read_recoat,
    read_times,
    reckoned,
    reckoned_down,
)
from rules.spec.read_when import read_when
from rules.spec.write import new_spec_text, spec_dict
from rules.text import shown
from rules.toml_table import Fault, Faults, Path, Table, TomlFault, key_lines, parsed
from rules.units import DAY_S, HOUR_S
from rules.vocabulary import ClockName, LimitName, Method, Stage

# Dwell and re-entry: over an hour no painter waits for a call; tests play them fast [s].
_HOLDS_S = (0.1, 6.0 * HOUR_S)
_DATE = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")


def read_provenance(top: Table) -> Provenance:
    """Return where the figures come from."""
    source = top.table("source", ("sheet", "revision", "date", "generic"))
    date = source.values.get("date", "")
    if isinstance(date, datetime.date) and not isinstance(date, datetime.datetime):
        date_text = str(date)  # TOML's own date, written without quotes
    else:
        date_text = source.words("date")
        if date_text and not _is_date(date_text):
            source.fault("date", f"{shown(date_text)} is not a date", "write it as 2026-03-31")
    return Provenance(
        sheet=source.words("sheet", example="title of the data sheet"),
        revision=source.words("revision"),
        date=date_text,
        generic=source.flag("generic", False),
    )


def _is_date(text: str) -> bool:
    if not _DATE.fullmatch(text):
        return False
    try:
        datetime.date.fromisoformat(text + "-01-01"[len(text) - 4 :])
    except ValueError:
        return False
    return True


def read_cooling(table: Table) -> dict[Method, float]:
    """Return how far a wet film cools, by method."""
    read = {m: table.figure(m.value, "K", 0.0, 15.0, difference=True) for m in Method}
    return {method: value for method, value in read.items() if value is not None}


def read_band(call: Table, key: str, default: Band) -> Band:
    """Return a band; what it does not state stays at the default."""
    table = call.table(key, ("dew_margin", "humidity", "temp"))
    margin = table.figure("dew_margin", "K", 0.0, 10.0, difference=True)
    humidity = table.figure("humidity", "%", 0.0, 30.0)
    temp = table.figure("temp", "K", 0.0, 10.0, difference=True)
    return Band(
        default.dew_margin_k if margin is None else margin,
        default.humidity_pct if humidity is None else humidity,
        default.temp_k if temp is None else temp,
    )


__all__ = ["FAMILIES", "Fault", "check_spec", "load_spec", "new_spec_text", "spec_dict"]

_TOP = (
    "name",
    "title",
    "family",
    "source",
    "limits",
    "wet_film_cooling",
    "times",
    "recoat_before",
    "pot_sizes",
    "tape",
    "mix",
    "call",
    "measure",
    "advice",
    "hardener_class",
    "when",
    "overcoat",
    "launch",
    "film",
    "post_cure",
)
_ADVICE = ("reminder", "after_closes", "air_changes", "wind_max", "sun", "notes")


def load_spec(text: str, name: str) -> Spec:
    """Read a spec.

    Args:
        text: the file's text.
        name: what to call it in messages: a shipped spec's name or the file's.

    Returns:
        The spec, in SI units.

    Raises:
        SpecFault: anything is wrong with it; the text lists every fault.
    """
    spec, faults = _read(text)
    if spec is None:
        count = f"{len(faults)} fault{'' if len(faults) == 1 else 's'}"
        listed = "\n".join(f"  {fault}" for fault in faults)
        raise SpecFault(f"spec {shown(name)} has {count} and is not used:\n{listed}")
    return spec


def check_spec(text: str, name: str) -> tuple[Fault, ...]:
    """Say everything that is wrong with a spec, at once.

    Args:
        text: the file's text.
        name: what the caller calls it; the faults do not repeat it.

    Returns:
        Every fault by line; empty where the spec can be used.
    """
    del name
    return _read(text)[1]


def check_notes(text: str) -> tuple[Fault, ...]:
    """Return what a sound spec will do that its sheet does not say, by line; no fault of it.

    Args:
        text: the file's text.

    Returns:
        A note of each time table with one row or equal rows, of each with a single column by
        humidity, of an end of the recoat window that is not stated, and of a dry film that no
        coat reaches; empty where the spec has faults.
    """
    spec, _ = _read(text)
    if spec is None:
        return ()
    notes = Faults(key_lines(text.removeprefix("\ufeff")))
    stated = list(_tables(spec))
    for path, clock, table in stated:
        note_table(clock, table, path, notes)
    note_window({*spec.unlimited, *(clock for _, clock, _ in stated)}, notes)
    note_lone_columns(spec.times, spec.when, notes)
    note_dried(spec.film, spec.mix, notes)
    return notes.in_order()


def _tables(spec: Spec) -> Iterator[tuple[Path, ClockName, TimeTable]]:
    """Yield every time table of a spec, and where it stands."""
    places: list[tuple[Path, Mapping[ClockName, TimeTable]]] = [(("times",), spec.times)]
    places += [(("when", at, "times"), column.times) for at, column in enumerate(spec.when)]
    places += [(("recoat_before", name), own) for name, own in spec.recoat_by_next.items()]
    for path, times in places:
        for clock, table in times.items():
            yield (*path, time_key(clock)), clock, table
    if spec.launch.not_before is not None:
        yield ("launch", "not_before"), ClockName.LAUNCH_NOT_BEFORE, spec.launch.not_before


def _read(text: str) -> tuple[Spec | None, tuple[Fault, ...]]:
    try:
        values, faults = parsed(text)
    except TomlFault as refused:
        return None, (refused.fault,)
    spec = _spec(Table(values, (), faults, _TOP), faults)
    found = faults.in_order()
    return (None, found) if found else (spec, ())


def _spec(top: Table, faults: Faults) -> Spec | None:
    """Everything in the file; None, or worth nothing, where a fault was met."""
    name = top.slug("name", example="my-coating")
    title = top.words("title", example="My coating")
    family = top.one_of("family", FAMILIES, required=True) or ""
    hardener_class = top.one_of("hardener_class", HARDENER_CLASSES, required=False) or ""
    provenance = read_provenance(top)
    times_table = top.table("times", TIME_KEYS)
    times = read_times(times_table, TIME_KEYS)
    limits = read_limits(top)
    known = len(faults)
    mix = read_mix(top, family)
    when = read_when(top, family, times, mix if len(faults) == known else None)
    stated: set[ClockName] = {TIME_KEYS[key] for key in times_table.values if key in TIME_KEYS}
    stated |= {clock for column in when for clock in column.times}
    overcoat = read_overcoat(top, times, stated)
    unlimited = tuple(clock for clock, table in times.items() if table is NEVER)
    times = {clock: table for clock, table in times.items() if table is not NEVER}
    check_limits(limits, stated, faults)
    for at, column in enumerate(when):
        check_limits(column.limits, stated, faults, ("when", at, "limits"), limits)
    check_order(times, faults, times_table.path)
    check_window(times, ("times", time_key(ClockName.RECOAT_CLOSES)), faults)
    recoat = read_recoat(top, times)
    tape_s = top.table("tape", ("not_after",)).duration("not_after", 60.0, 366.0 * DAY_S)
    check_tape(times, tape_s, faults)
    check_needed_times(
        times_table,
        mixed=family.startswith("two-pack") or bool(mix and mix.hardener_parts),
        always=[c for column in when if column.by_humidity_alone for c in column.times],
    )
    pots = read_pot_sizes(top.table("pot_sizes", None), mix)
    measurements = tuple(read_measurements(top))
    launch, film, post_cure = read_launch(top), read_film(top), read_post_cure(top)
    cooling = read_cooling(top.table("wet_film_cooling", METHODS))
    call = top.table("call", ("dwell", "re_entry", "coating_time", "go_band", "re_entry_band"))
    dwell_s = call.duration("dwell", *_HOLDS_S, default=DWELL_S)
    re_entry_s = call.duration("re_entry", *_HOLDS_S, default=RE_ENTRY_S)
    coating_time_s = call.duration("coating_time", *COATING_TIMES_S, default=COATING_TIME_S)
    go_band = read_band(call, "go_band", GO_BAND)
    re_entry_band = read_band(call, "re_entry_band", RE_ENTRY_BAND)
    advice = top.table("advice", _ADVICE)
    reminder, after_closes = advice.words("reminder"), advice.words("after_closes")
    surroundings = read_surroundings(advice)

    floor_c = _floor_c(limits)
    if launch.not_before is not None:
        launch = replace(launch, not_before=reckoned(launch.not_before, floor_c))
    if dwell_s is None or re_entry_s is None or coating_time_s is None:
        return None
    return Spec(
        name=name,
        title=title,
        family=family,
        provenance=provenance,
        limits=limits,
        wet_film_cooling_k=cooling,
        times=reckoned_down(times, floor_c),
        recoat_by_next={each: reckoned_down(own, floor_c) for each, own in recoat.items()},
        pot_sizes=pots,
        tape_not_after_s=tape_s,
        mix=mix,
        go_band=go_band,
        re_entry_band=re_entry_band,
        dwell_s=dwell_s,
        re_entry_s=re_entry_s,
        coating_time_s=coating_time_s,
        measurements=measurements,
        unlimited=unlimited,
        reminder=reminder,
        after_closes=after_closes,
        hardener_class=hardener_class,
        when=tuple(
            replace(each, times=reckoned_down(each.times, _floor_c(each.limits, floor_c)))
            for each in when
        ),
        overcoat=overcoat,
        launch=launch,
        film=film,
        post_cure=post_cure,
        surroundings=surroundings,
    )


def _floor_c(
    limits: Mapping[Stage, Mapping[LimitName, Limit]], default_c: float | None = None
) -> float | None:
    """The application minimum, down to which a table of one row is reckoned [degC]."""
    floor = limits.get(Stage.APPLY, {}).get(LimitName.SURFACE_TEMP_MIN)
    return default_c if floor is None else floor.bound
