"""Reads a coating spec's file section by section, and checks what has been read as a whole."""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from difflib import get_close_matches
from itertools import pairwise

from rules.errors import SpecFault
from rules.spec.checks import (
    check_bands,
    check_limits,
    check_order,
    check_rows,
    check_tape,
    check_window,
    time_key,
)
from rules.spec.model import (
    COATING_TIME_S,
    DWELL_S,
    GO_BAND,
    NEVER,
    RE_ENTRY_BAND,
    RE_ENTRY_S,
    Band,
    Limit,
    Measurement,
    Mix,
    PotSize,
    Provenance,
    Spec,
    ThinnerBand,
    TimeRow,
    TimeTable,
)
from rules.spec.write import FAMILIES, new_spec_text, spec_dict
from rules.text import shown
from rules.toml_table import ENTER, UNLIMITED, Fault, Faults, Table, key_lines
from rules.units import BadAmount, amount, range_ends
from rules.vocabulary import FILM_STAGES, ClockName, LimitName, Method, Stage, Step

TIME_KEYS = {time_key(clock): clock for clock in ClockName if clock is not ClockName.CLEARANCE}
METHODS = tuple(method.value for method in Method)

_WINDOW = {time_key(c): c for c in (ClockName.RECOAT_OPENS, ClockName.RECOAT_CLOSES)}

# Without these a film's safety cannot be judged at all.
_NEEDED_LIMITS = {
    LimitName.DEW_MARGIN_MIN: '{ bound = "3 K", until = "handle" }',
    LimitName.HUMIDITY_MAX: '{ bound = "85 %", until = "touch-dry" }',
    LimitName.SURFACE_TEMP_MIN: '{ bound = "10 degC", until = "cured" }',
}
# What can be a bound at all; a humidity under 1 % is a fraction written as a percentage.
_BOUNDS = {
    LimitName.DEW_MARGIN_MIN: ("K", 0.0, 20.0),
    LimitName.HUMIDITY_MAX: ("%", 1.0, 100.0),
    LimitName.HUMIDITY_MIN: ("%", 1.0, 100.0),
}
_TEMPERATURES = ("degC", -20.0, 60.0)
_MAY_STAY_OPEN = (ClockName.RECOAT_CLOSES, ClockName.TAPE_NOT_AFTER)
# Units that a hand reading may have, and the word for each that events and the log use.
_HAND_UNITS = {"%": "pct", "degC": "degC", "um": "um"}
_NUMBER = r"(\d+\.?\d*|\.\d+)"
_RATIO = re.compile(rf"\s*{_NUMBER}\s*:\s*{_NUMBER}\s*")
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


def read_limits(top: Table) -> dict[Stage, dict[LimitName, Limit]]:
    """Return the limits of each stage."""
    table = top.table("limits", [stage.value for stage in FILM_STAGES])
    limits: dict[Stage, dict[LimitName, Limit]] = {}
    for stage in FILM_STAGES:
        own = table.table(stage.value, [name.value for name in LimitName])
        if stage is Stage.APPLY:
            for name, example in _NEEDED_LIMITS.items():
                if name.value not in own.values:
                    own.missing(name.value, example)
        read = [_limit(own, LimitName(key)) for key in own.values if key in list(LimitName)]
        limits[stage] = {limit.name: limit for limit in read if limit is not None}
    return limits


def _limit(own: Table, name: LimitName) -> Limit | None:
    entry = own.table(name.value, ("bound", "until", "guard"))
    unit, low, high = _BOUNDS.get(name, _TEMPERATURES)
    if not isinstance(own.values[name.value], dict):
        return None
    ends = range_ends(entry.values.get("bound"))
    side = name.value.rpartition("_")[0]
    if ends is not None and {f"{side}_min", f"{side}_max"} <= set(LimitName):
        entry.fault(
            "bound",
            f"{shown(entry.values['bound'])} is a range",
            f'write {side}_min "{ends[0]}" and {side}_max "{ends[1]}"',
        )
        return None
    bound = entry.figure("bound", unit, low, high, difference=unit == "K", example=f"10 {unit}")
    until = entry.one_of("until", [step.value for step in Step], required=True)
    guard = entry.flag("guard", True)
    return None if bound is None or until is None else Limit(name, bound, Step(until), guard)


def read_times(table: Table, clocks: Mapping[str, ClockName]) -> dict[ClockName, TimeTable]:
    """Read the time tables of one section; a table with a fault in it is left out."""
    times: dict[ClockName, TimeTable] = {}
    for key, clock in clocks.items():
        if key not in table.values:
            continue
        value = table.values[key]
        if value == UNLIMITED and clock in _MAY_STAY_OPEN:
            times[clock] = NEVER
            continue
        if not isinstance(value, dict) or not value:
            table.fault(
                key,
                f"{shown(value)} does not say at what temperature" if value else "has no rows",
                'write { "20 degC" = "4 h" }, with a row for each temperature of the sheet'
                + (f', or "{UNLIMITED}" where it never ends' if clock in _MAY_STAY_OPEN else ""),
            )
            continue
        rows = table.table(key, None)
        keys: dict[float, str] = {}
        read: list[TimeRow] = []
        for written, time in value.items():
            temp_c = rows.read(written, written, *_TEMPERATURES)
            duration_s = rows.read_duration(written, time)
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


def reckoned_down(
    times: Mapping[ClockName, TimeTable], floor_c: float | None
) -> dict[ClockName, TimeTable]:
    """Let a table of one row be reckoned down to the application minimum, as most sheets need."""
    return {
        clock: replace(table, reckoned_to_c=floor_c) if len(table.rows) == 1 else table
        for clock, table in times.items()
    }


def check_needed_times(table: Table, family: str) -> None:
    """Keep which clocks are missing, without which no film can be followed."""
    needed = [ClockName.TOUCH_DRY, ClockName.CURED]
    if family.startswith("two-pack"):
        needed.insert(0, ClockName.POT_LIFE)
    for clock in needed:
        if time_key(clock) not in table.values:
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


def read_pot_sizes(table: Table) -> tuple[PotSize, ...]:
    """Return how pot life shrinks in bigger pots."""
    sizes: dict[float, tuple[str, float]] = {}
    for written, share in table.values.items():
        from_ml = table.read(written, written, "ml", 1.0, 1e6)
        share_pct = table.read(written, share, "%", 1.0, 100.0)
        if from_ml is not None and share_pct is not None:
            sizes[from_ml] = (written, share_pct / 100.0)
    found = tuple(PotSize(ml, factor) for ml, (_, factor) in sorted(sizes.items()))
    for small, big in pairwise(found):
        if big.factor > small.factor:
            table.fault(
                sizes[big.from_ml][0],
                f"keeps {big.factor * 100:g} % of the pot life, more than the "
                f"{small.factor * 100:g} % of a smaller pot, but a bigger pot heats up more",
                "correct one of the two",
            )
    return found


def read_mix(top: Table, family: str) -> Mix | None:
    """Return how the parts go together."""
    if "mix" not in top.values:
        return None
    densities = ("base_density", "hardener_density", "thinner_density")
    others = ("by", "ratio", "solids_by_volume", "thinner_max", "max_batch", "thinner")
    table = top.table("mix", (*others, *densities))
    base, hardener = _ratio(table, family)
    by = table.one_of("by", ("volume", "weight"), required="ratio" in table.values)
    base_density, hardener_density, thinner_density = (
        table.figure(key, "g/ml", 0.3, 5.0) for key in densities
    )
    solids = table.figure("solids_by_volume", "%", 1.0, 100.0, example="50 %")
    thinner_max = table.figure("thinner_max", "%", 0.0, 100.0, example="10 %")
    bands: dict[int, ThinnerBand] = {}
    for i, entry in enumerate(table.tables("thinner", ("method", "from", "to", "min", "max"))):
        method = entry.one_of("method", METHODS, required=False)
        cold = entry.figure("from", *_TEMPERATURES, example="10 degC")
        hot = entry.figure("to", *_TEMPERATURES, example="20 degC")
        low = entry.figure("min", "%", 0.0, 100.0, example="0 %")
        high = entry.figure("max", "%", 0.0, 100.0, example="5 %")
        if cold is not None and hot is not None and low is not None and high is not None:
            bands[i] = ThinnerBand(Method(method) if method else None, cold, hot, low, high)
    check_bands(bands, thinner_max, top.faults)
    max_batch = table.figure("max_batch", "ml", 1.0, 1e6)
    if solids is None or thinner_max is None:
        return None
    return Mix(
        by=by or "volume",
        base_parts=base,
        hardener_parts=hardener,
        base_density_g_per_ml=base_density,
        hardener_density_g_per_ml=hardener_density,
        thinner_density_g_per_ml=thinner_density,
        solids_by_volume_pct=solids,
        thinner_max_pct=thinner_max,
        thinner_bands=tuple(bands.values()),
        max_batch_ml=max_batch,
    )


def _ratio(table: Table, family: str) -> tuple[float, float]:
    """Return parts of base and of hardener."""
    two_pack = family.startswith("two-pack")
    if "ratio" not in table.values:
        if two_pack:
            table.missing("ratio", '"3:1" (base to hardener)')
        return 1.0, 0.0
    written = table.words("ratio")
    match = _RATIO.fullmatch(written)
    if match is None:
        mend = 'write parts of base to parts of hardener, such as "3:1"'
        if ENTER in written:
            table.fault("ratio", "is still to be entered", mend)
        elif isinstance(table.values["ratio"], str):
            table.fault("ratio", f"{shown(written)} is not a ratio", mend)
        return 1.0, 0.0
    base, hardener = float(match[1]), float(match[2])
    if base <= 0.0:
        table.fault("ratio", f"{shown(written)} has no base", "give its parts, such as 3:1")
    if two_pack and hardener <= 0.0:
        table.fault(
            "ratio",
            f"{shown(written)} has no hardener, without which a {family} never cures",
            "give its parts, such as 3:1",
        )
    if family and not two_pack and not family.endswith("other") and hardener > 0.0:
        table.fault(
            "ratio",
            f"{shown(written)} has a hardener, but the family {family} has none",
            "remove the ratio, or correct the family",
        )
    return base, hardener


def read_measurements(top: Table) -> Iterator[Measurement]:
    """Return the hand readings asked for before a coat."""
    for entry in top.tables("measure", ("what", "low", "high")):
        what = entry.slug("what", example="wood-moisture")
        bounds: dict[str, float] = {}
        units: set[str] = set()
        for side in ("low", "high"):
            if side in entry.values:
                unit = _hand_unit(entry.values[side])
                value = entry.read(side, entry.values[side], unit, -1e6, 1e6)
                if value is not None:
                    bounds[side] = value
                    units.add(unit)
        if "low" not in entry.values and "high" not in entry.values:
            entry.missing("high", '"16 %"')
        if len(units) > 1:
            entry.fault("high", "is in another kind of unit than low", "give both in one unit")
        elif len(bounds) == 2 and bounds["low"] >= bounds["high"]:
            entry.fault(
                "low",
                f"{shown(entry.values['low'])} is not under high {shown(entry.values['high'])}",
                "correct one of the two",
            )
        for unit in sorted(units)[:1]:
            yield Measurement(what, _HAND_UNITS[unit], bounds.get("low"), bounds.get("high"))


def _hand_unit(written: object) -> str:
    """Return which of the units for hand readings a figure fits; the first where none does."""
    for unit in _HAND_UNITS:
        try:
            amount(written, unit)
        except BadAmount:
            continue
        return unit
    return "%"


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
)


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


def _read(text: str) -> tuple[Spec | None, tuple[Fault, ...]]:
    text = text.removeprefix("\ufeff")
    try:
        values = tomllib.loads(text)
        faults = Faults(key_lines(text))
    except RecursionError:
        return None, (Fault("", 1, "is nested too deeply to be a spec", "see filmcall spec new"),)
    except tomllib.TOMLDecodeError as error:
        return None, (_syntax_fault(text, str(error)),)
    except ValueError:  # Python itself refuses to read a number of more than 4300 digits
        before = re.split(r"\d{1000}", text, maxsplit=1)[0]
        mend = 'write each figure with its unit in quotes, such as "3 K"'
        return None, (
            Fault("", 1 + before.count("\n"), "holds a number too long to be read", mend),
        )

    top = Table(values, (), faults, _TOP)
    name = top.slug("name", example="my-coating")
    title = top.words("title", example="My coating")
    family = top.one_of("family", FAMILIES, required=True) or ""
    provenance = read_provenance(top)
    times_table = top.table("times", TIME_KEYS)
    times = read_times(times_table, TIME_KEYS)
    unlimited = tuple(clock for clock, table in times.items() if table is NEVER)
    times = {clock: table for clock, table in times.items() if table is not NEVER}
    limits = read_limits(top)
    check_limits(limits, times_table, faults)
    check_order(times, faults)
    check_window(times, ("times", time_key(ClockName.RECOAT_CLOSES)), faults)
    check_needed_times(times_table, family)
    recoat = read_recoat(top, times)
    tape_s = top.table("tape", ("not_after",)).duration("not_after")
    check_tape(times, tape_s, faults)
    pots = read_pot_sizes(top.table("pot_sizes", None))
    mix = read_mix(top, family)
    measurements = tuple(read_measurements(top))
    cooling = read_cooling(top.table("wet_film_cooling", METHODS))
    call = top.table("call", ("dwell", "re_entry", "coating_time", "go_band", "re_entry_band"))
    dwell_s = call.duration("dwell", default=DWELL_S)
    re_entry_s = call.duration("re_entry", default=RE_ENTRY_S)
    coating_time_s = call.duration("coating_time", default=COATING_TIME_S)
    go_band = read_band(call, "go_band", GO_BAND)
    re_entry_band = read_band(call, "re_entry_band", RE_ENTRY_BAND)
    advice = top.table("advice", ("reminder", "after_closes"))
    reminder, after_closes = advice.words("reminder"), advice.words("after_closes")

    floor = limits.get(Stage.APPLY, {}).get(LimitName.SURFACE_TEMP_MIN)
    floor_c = None if floor is None else floor.bound
    found = faults.in_order()
    if found or dwell_s is None or re_entry_s is None or coating_time_s is None:
        return None, found
    return (
        Spec(
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
        ),
        (),
    )


def _syntax_fault(text: str, message: str) -> Fault:
    lines = text.splitlines() or [""]
    found = re.search(r" \(at line (\d+), column \d+\)", message)
    line = int(found[1]) if found else len(lines)
    problem = message.replace(found[0], "") if found else message.split(" (at")[0]
    written = lines[min(line, len(lines)) - 1]
    if re.search(r"[=:]\s*[+-]?\d[\d.]*\s*[A-Za-z%°]", written):
        mend = 'put each figure with its unit in quotes, such as "3 K"'
    elif "overwrite" in message or "declare" in message:
        mend = "this key or table is in the file twice: remove one"
    else:
        mend = 'a line is [table], key = "figure unit", or a # comment'
    return Fault("", line, f"is not TOML: {problem[:1].lower()}{problem[1:]}", mend)
