"""`filmcall spec`: list, show, check and begin coating specs."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

from monitor.specs import find_spec, shipped_names, spec_text
from rules.errors import FilmcallError, SpecFault
from rules.limits import unit_of
from rules.spec.model import FAMILIES, GENERAL_GUIDANCE, Column, Limit, Spec, TimeTable
from rules.spec.read import check_notes, check_spec
from rules.spec.write import new_spec_text, spec_dict
from rules.text import duration_text
from rules.toml_table import UNLIMITED
from rules.vocabulary import ClockName, Effect, Step

_GENERIC = "generic figures: enter your data sheet's own before you rely on them"


def listing() -> str:
    """Return one line a shipped spec."""
    lines = []
    for name in shipped_names():
        spec, _ = find_spec(name)
        lines.append(f"{name:<24} {spec.title}; {_GENERIC}")
    return "\n".join(lines)


def show(name_or_file: str, *, as_json: bool) -> str:
    """Return a whole spec, as JSON in SI units or as lines for people."""
    spec, _ = find_spec(name_or_file)
    return json.dumps(spec_dict(spec), indent=2) if as_json else _lines(spec)


# How the figures of `spec_dict` are said, by the end of their keys; longer ends stand first.
_SAID: tuple[tuple[str, Callable[[float], str]], ...] = (
    ("_g_per_ml", lambda value: f"{value:g} g/mL"),
    ("_m_per_s", lambda value: f"{value:g} m/s"),
    ("_per_h", lambda value: f"{value:g} a hour"),
    ("_pct", lambda value: f"{value:g} %"),
    ("_um", lambda value: f"{value:g} µm"),
    ("_ml", lambda value: f"{value:g} mL"),
    ("_s", duration_text),
    ("_c", lambda value: f"{value:g} °C"),
    ("_k", lambda value: f"{value:g} K"),
    ("_g", lambda value: f"{value:g} g"),
)
_HAND_UNITS = {"pct": "%", "degC": "°C", "um": "µm", "mg/m2": "mg/m²"}
# What `_lines` words itself.
_WORDED = ("name", "title", "family", "source", "limits", "times", "when", "call")


def _lines(spec: Spec) -> str:
    """Return a spec for people: its head, limits and times, then all else that it states."""
    whole = spec_dict(spec)
    source = spec.provenance
    shown = [f"{spec.name}: {spec.title} ({spec.family})", f"  from: {source.sheet}"]
    if source.generic:
        shown.append(f"  {_GENERIC}")
    for stage, limits in spec.limits.items():
        shown.append(f"  limits, {stage.value}:")
        shown += [f"    {name:<18}{_limit_text(limit)}" for name, limit in limits.items()]
    shown.append("  times:")
    shown += _time_lines(spec.times)
    shown += [f"    {clock.value:<18}{UNLIMITED}" for clock in spec.unlimited]
    for column in spec.when:
        shown.append(f"  times {_conditions_text(column)}:")
        shown += _time_lines(column.times)
    if spec.mix is not None:
        mix = spec.mix
        ratio = "one-pack"
        if mix.hardener_parts:
            ratio = f"mix by {mix.by}: {mix.base_parts:g} to {mix.hardener_parts:g}"
        shown.append(f"  {ratio}, thinner at most {mix.thinner_max_pct:g} %")
    for key, value in whole.items():
        if key not in _WORDED:
            shown += _stated_lines(key, value)
    return "\n".join(shown)


def _limit_text(limit: Limit) -> str:
    unit = unit_of(limit.name).replace("deg", "°")
    until = limit.until if isinstance(limit.until, Step) else duration_text(limit.until)
    said = f"{limit.bound:g} {unit} until {until}"
    if limit.wait is not None:
        said += f", HOLD from {limit.wait:g} {unit}"
    if limit.effect is not Effect.HARM:
        said += f", {limit.effect}"
    return said + ("" if limit.guard else ", sensor error not added")


def _time_lines(times: Mapping[ClockName, TimeTable]) -> list[str]:
    return [
        f"    {clock.value:<18}"
        + (", ".join(_row_text(row.temp_c, row.duration_s) for row in table.rows) or UNLIMITED)
        for clock, table in times.items()
    ]


def _row_text(temp_c: float, duration_s: float) -> str:
    return f"{duration_text(duration_s)} at {temp_c:g} °C"


def _conditions_text(column: Column) -> str:
    said = [
        "" if column.method is None else f"by {column.method}",
        "" if column.hardener is None else f"with the {column.hardener} hardener",
        "" if column.service is None else f"{column.service}",
        "" if column.humidity_pct is None else f"at {column.humidity_pct:g} % humidity",
    ]
    return ", ".join(each for each in said if each)


def _stated_lines(key: str, value: object) -> list[str]:
    """Say one key of `spec_dict`; nothing of what the sheet does not state."""
    title = key.replace("_", " ")
    if isinstance(value, list):
        said = [_entry_text(each) for each in value if isinstance(each, dict)]
        return [f"  {title}:", *(f"    {each}" for each in said)] if said else []
    if isinstance(value, dict):
        listed = [each for name, one in value.items() for each in _nested_lines(name, one)]
        return [f"  {title}:", *listed] if listed else []
    return [f"  {_word(key, value)}"] if value not in (None, "") else []


def _nested_lines(key: str, value: object) -> list[str]:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [f"    {key.replace('_', ' ')} {_entry_text(each)}" for each in value]
    if isinstance(value, (list, dict)) or value in (None, ""):
        return []
    return [f"    {_word(key, value)}"]


def _entry_text(entry: Mapping[str, object]) -> str:
    unit = str(entry.get("unit", ""))
    if "duration_s" in entry:
        return _row_text(float(str(entry["temp_c"])), float(str(entry["duration_s"])))
    said = []
    for key, value in entry.items():
        if value in (None, "") or key == "unit":
            continue
        word = _word(key, value)
        said.append(f"{word} {_HAND_UNITS.get(unit, unit)}" if key in ("low", "high") else word)
    return ", ".join(said)


def _word(key: str, value: object) -> str:
    for end, say in _SAID:
        if key.endswith(end) and isinstance(value, float | int):
            return f"{key.removesuffix(end).replace('_', ' ')} {say(value)}"
    figure = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{key.replace('_', ' ')} {figure}"


def check(file: Path, *, as_json: bool) -> tuple[str, int]:
    """Return what is wrong with a spec file, or what it will do; and how many faults there are."""
    name, text = spec_text(str(file))
    faults = check_spec(text, name)
    notes = check_notes(text)
    if as_json:
        listed, noted = (
            [
                {"key": each.key, "line": each.line, "problem": each.problem, "mend": each.mend}
                for each in found
            ]
            for found in (faults, notes)
        )
        told = {"file": str(file), "faults": listed, "notes": noted}
        return json.dumps(told, indent=2), len(faults)
    if not faults:
        said = [f"{file}: no fault found", *(f"{file}: note, {each}" for each in notes)]
        return "\n".join(said), 0
    return "\n".join(f"{file}: {fault}" for fault in faults), len(faults)


def new(name: str, family: str, out: Path | None) -> str:
    """Write a starting file, and return what was done.

    Raises:
        SpecFault: there is no such family.
        FilmcallError: the file exists or cannot be written.
    """
    if family not in FAMILIES:
        known = ", ".join(FAMILIES)
        raise SpecFault(f"family {family!r} is not known, so no file was begun; one of: {known}")
    if name in (*shipped_names(), GENERAL_GUIDANCE.name):
        raise SpecFault(
            f"spec {name!r} comes with the program, so your own would be mixed up with its generic "
            "figures; give it another name, as my-topcoat"
        )
    text = new_spec_text(name, family)
    path = out or Path(f"{name}.toml")
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise FilmcallError(
            f"{path} exists and is not written over; give another file with --out"
        ) from None
    except OSError as error:
        raise FilmcallError(
            f"{path} cannot be written ({error.strerror}); give another file with --out"
        ) from None
    return (
        f"wrote {path}. Enter your data sheet's figures where it says ?, then: "
        f"filmcall spec check {path}"
    )
