"""`filmcall spec`: list, show, check and begin coating specs."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor import display
from monitor.cli.options import BAD_INPUT, JsonOption, printed
from monitor.cli.spec_questions import asked
from monitor.specs import find_spec, shipped_names, spec_text
from rules.errors import FilmcallError, SpecFault
from rules.limits import unit_of
from rules.spec.checks import time_key
from rules.spec.model import (
    FAMILIES,
    GENERAL_GUIDANCE,
    Band,
    Column,
    Limit,
    Measurement,
    Mix,
    PotSize,
    Spec,
    ThinnerBand,
    TimeTable,
)
from rules.spec.read import check_notes, check_spec
from rules.spec.read_times import endless_word
from rules.spec.write import new_spec_text, spec_dict
from rules.text import duration_text
from rules.units import amount, tenths
from rules.vocabulary import FILM_STAGES, ClockName, Effect, LimitName, Stage, Step

_GENERIC = "generic figures: enter your data sheet's own before you rely on them"


spec_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)


@spec_app.command(
    "list",
    help="List the specs that come with the program; all their figures are generic.",
    epilog="Example: filmcall spec list",
)
def listing() -> str:
    """Return one line a shipped spec."""
    lines = []
    for name in shipped_names():
        spec, _ = find_spec(name)
        lines.append(f"{name:<24} {spec.title}; {_GENERIC}")
    return "\n".join(lines)


@spec_app.command(
    help="Show a whole spec.", epilog="Example: filmcall spec show polyurethane-topcoat --json"
)
def show(
    name: Annotated[str, typer.Argument(help="A shipped spec's name, or a file.")],
    *,
    as_json: JsonOption = False,
) -> str:
    """Return a whole spec, as JSON in SI units or as lines for people."""
    spec, text = find_spec(name)
    if as_json:
        return json.dumps(spec_dict(spec), indent=2)
    return display.shown(shown_spec(spec, text), of_a_sheet=True)


def shown_spec(spec: Spec, text: str) -> str:
    """Return everything that a spec says, each figure in the sheet's own unit beside the SI one.

    Args:
        spec: the spec.
        text: of the file that it was read from, "" for the general guidance.
    """
    sheet: dict[str, Any] = tomllib.loads(text)
    source = spec.provenance
    head = ", ".join(part for part in (source.sheet, source.revision, source.date) if part)
    shown = [f"{spec.name}: {spec.title} ({spec.family})", f"  from: {head}"]
    if source.generic:
        shown.append(f"  {_GENERIC}")
    for stage in FILM_STAGES:
        shown += _limit_lines(spec.limits, stage, sheet)
    shown.append("  times:")
    shown += _time_lines(spec.times, sheet.get("times", {}), "    ")
    shown += [f"    {clock.value:<18}{endless_word(clock)}" for clock in spec.unlimited]
    for column, typed in zip(spec.when, sheet.get("when", ()), strict=True):
        mix = sheet.get("mix", {}) | typed.get("mix", {})
        shown += _column_lines(column, typed | {"mix": mix})
    for name, tables in spec.recoat_by_next.items():
        shown.append(f"  under {name}:")
        shown += _time_lines(tables, sheet.get("recoat_before", {}).get(name, {}), "    ")
    shown += _pot_lines(spec.pot_sizes)
    if spec.tape_not_after_s is not None:
        within = _time_text(spec.tape_not_after_s, sheet.get("tape", {}).get("not_after"))
        shown.append(f"  tape off within {within}, however cold")
    shown += _mix_lines(spec.mix, sheet.get("mix", {}))
    shown += [
        f"  a wet film by {method.value} stands {tenths(k)} K under its surface"
        for method, k in spec.wet_film_cooling_k.items()
    ]
    shown += [
        f"  GO after {duration_text(spec.dwell_s)} inside every limit by the sensors' error and "
        f"{_band(spec.go_band)} more",
        f"  STOP ends after {duration_text(spec.re_entry_s)} inside every limit by "
        f"{_band(spec.re_entry_band)}",
        f"  a coat is taken to last {duration_text(spec.coating_time_s)} until the log has your "
        "own pace",
    ]
    shown += [
        f"  measure before {'the next coat' if each.of_the_film else 'a coat'}: {_measure(each)}"
        for each in spec.measurements
    ]
    for key, value in spec_dict(spec).items():
        if key not in _WORDED:
            shown += _stated_lines(key, value, sheet.get(key))
    shown += [f"  the sheet says: {each}" for each in spec.surroundings.notes]
    if spec.reminder:
        shown.append(f"  before the next coat: {spec.reminder}")
    if spec.after_closes:
        shown.append(f"  past the recoat window: {spec.after_closes}")
    return "\n".join(shown)


def _limit_lines(
    limits: Mapping[Stage, Mapping[LimitName, Limit]], stage: Stage, sheet: Mapping[str, Any]
) -> list[str]:
    own = limits.get(stage, {})
    if not own:
        before = FILM_STAGES[: FILM_STAGES.index(stage)]
        last = next((each for each in reversed(before) if limits.get(each)), Stage.APPLY)
        return [f"  limits, {stage.value}: as in {last.value}"]
    return [f"  limits, {stage.value}:", *_bound_lines(own, stage, sheet)]


def _bound_lines(
    own: Mapping[LimitName, Limit], stage: Stage, sheet: Mapping[str, Any]
) -> list[str]:
    typed = sheet.get("limits", {}).get(stage.value, {})
    return [
        f"    {name:<18}{_limit_text(limit, typed.get(name.value, {}).get('bound'))}"
        for name, limit in own.items()
    ]


def _column_lines(column: Column, typed: Mapping[str, Any]) -> list[str]:
    """What the sheet says anew under conditions."""
    under = _conditions_text(column)
    lines = []
    if column.times:
        lines = [f"  times {under}:", *_time_lines(column.times, typed.get("times", {}), "    ")]
    for stage, own in column.limits.items():
        if own:
            lines += [f"  limits {under}, {stage.value}:", *_bound_lines(own, stage, typed)]
    if column.mix is not None:
        lines += [
            f"  {under}:",
            *(f"  {each}" for each in _mix_lines(column.mix, typed.get("mix", {}))),
        ]
    lines += [f"{each} {under}" for each in _pot_lines(column.pot_sizes or ())]
    if column.hardener_class:
        lines.append(f"  hardener class {under}: {column.hardener_class}")
    return lines


def _pot_lines(sizes: Iterable[PotSize]) -> list[str]:
    return [
        f"  a pot of {_pot_text(size)} or more lives {100.0 * size.factor:g} % as long"
        for size in sizes
    ]


def _pot_text(size: PotSize) -> str:
    """The pot in the unit of the sheet, which is a mass or a volume."""
    amount_l = size.from_ml / 1000.0 if size.from_g is None else size.from_g / 1000.0
    unit, small = ("l", "ml") if size.from_g is None else ("kg", "g")
    return f"{amount_l:.4g} {unit}" if amount_l >= 1.0 else f"{1000.0 * amount_l:.4g} {small}"


def _limit_text(limit: Limit, typed: object) -> str:
    unit = unit_of(limit.name).replace("deg", "°")
    until = limit.until if isinstance(limit.until, Step) else duration_text(limit.until)
    said = f"{_beside(f'{tenths(limit.bound)} {unit}', typed)} until {until}"
    if limit.wait is not None:
        said += f", HOLD from {tenths(limit.wait)} {unit}"
    if limit.effect is not Effect.HARM:
        said += f", {limit.effect}"
    if limit.then is not None:
        said += f", then {limit.then}"
    return said + ("" if limit.guard else ", sensor error not added")


def _beside(figure: str, typed: object) -> str:
    """A figure in SI, with the sheet's own where that is written otherwise."""
    if not isinstance(typed, str):
        return figure
    same = typed.replace("degC", "°C").replace(" ", "") == figure.replace(" ", "").replace("µ", "u")
    return figure if same else f"{figure} ({typed.replace('deg', '°')})"


def _time_lines(
    tables: Mapping[ClockName, TimeTable], sheet: Mapping[str, Any], indent: str
) -> list[str]:
    lines = []
    for clock, table in tables.items():
        typed = sheet.get(time_key(clock), {})
        pairs = typed.items() if isinstance(typed, dict) else ()
        own = {
            amount(temp, "degC"): f" ({took} at {temp})".replace("deg", "°")
            for temp, took in pairs
            if not temp.upper().endswith("C")
        }
        rows = [
            f"{_row_text(row.temp_c, row.duration_s, typed)}{own.get(row.temp_c, '')}"
            for row in table.rows
        ]
        one = "; one row only: estimated elsewhere" if len(rows) == 1 else ""
        lines.append(f"{indent}{clock.value:<18}{', '.join(rows) or endless_word(clock)}{one}")
    return lines


def _measure(asked: Measurement) -> str:
    unit = _HAND_UNITS.get(asked.unit, asked.unit)
    ends = [
        f"{word} {tenths(end)} {unit}"
        for word, end in (("at least", asked.low), ("at most", asked.high))
        if end is not None
    ]
    ends.append(f"counts for {duration_text(asked.max_age_s)}")
    return ", ".join(
        [asked.what, *ends, *(each for each in (asked.method, asked.standard) if each)]
    )


def _mix_lines(mix: Mix | None, typed: Mapping[str, Any]) -> list[str]:
    if mix is None:
        return []
    ratio = "one-pack"
    if mix.hardener_parts:
        ratio = f"mix by {mix.by}: {mix.base_parts:g} to {mix.hardener_parts:g}"
    if mix.other_parts is not None and mix.hardener_parts:
        other = "weight" if mix.by == "volume" else "volume"
        ratio += f", or by {other}: {mix.other_parts[0]:g} to {mix.other_parts[1]:g}"
    lines = [
        f"  {ratio}, {tenths(mix.solids_by_volume_pct)} % solids by volume, thinner at most "
        f"{tenths(mix.thinner_max_pct)} %"
    ]
    densities = (
        ("base", mix.base_density_g_per_ml),
        ("hardener", mix.hardener_density_g_per_ml),
        ("thinner", mix.thinner_density_g_per_ml),
    )
    said = ", ".join(
        f"{name} {_beside(f'{value:.4g} kg/l', typed.get(f'{name}_density'))}"
        for name, value in densities
        if value is not None
    )
    if said:
        lines.append(f"  densities: {said}")
    lines += [_thinner_line(band) for band in mix.thinner_bands]
    if mix.additive:
        lines.append(f"  add: {mix.additive}")
    if mix.max_batch_ml is not None:
        lines.append(f"  a batch of {mix.max_batch_ml / 1000.0:.4g} l at most")
    return lines


def _thinner_line(band: ThinnerBand) -> str:
    said = [
        f" {band.grade}" if band.grade else "",
        f" by {band.method}" if band.method is not None else "",
        f" for coat {band.coat}" if band.coat is not None else "",
        f" from {tenths(band.from_c)} to {tenths(band.to_c)} °C",
        f": {tenths(band.min_pct)} to {tenths(band.max_pct)} %",
        f", {band.cup_s:g} s out of the cup" if band.cup_s is not None else "",
    ]
    return "  thinner" + "".join(said)


# How the figures of `spec_dict` are said, by the end of their keys; longer ends stand first.
_SAID: tuple[tuple[str, Callable[[float], str]], ...] = (
    ("_g_per_ml", lambda value: f"{value:g} g/mL"),
    ("_m_per_s", lambda value: f"{value:.4g} m/s"),
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
# What `shown_spec` words itself.
_WORDED = (
    "name",
    "title",
    "family",
    "source",
    "limits",
    "times",
    "when",
    "recoat_before",
    "pot_sizes",
    "tape_not_after_s",
    "wet_film_cooling_k",
    "call",
    "measure",
    "mix",
)
# What it words beside them, or says with the times.
_WORDED_WITHIN = ("reminder", "after_closes", "as_it_is", "notes")  # fmt: skip


def _time_text(duration_s: float, typed: object) -> str:
    """A time as the sheet has it, where it is known: `6 months` is no `182 d 15 h`."""
    return typed if isinstance(typed, str) else duration_text(duration_s)


def _row_text(temp_c: float, duration_s: float, typed: object = None) -> str:
    """A row of a table, `typed` being that table in the file."""
    rows = typed.items() if isinstance(typed, dict) else ()
    took = {amount(temp, "degC"): time for temp, time in rows}
    return f"{_time_text(duration_s, took.get(temp_c))} at {tenths(temp_c)} °C"


def _conditions_text(column: Column) -> str:
    said = [
        "" if column.method is None else f"by {column.method}",
        "" if column.hardener is None else f"with the {column.hardener} hardener",
        "" if column.service is None else f"{column.service}",
        "" if column.humidity_pct is None else f"at {column.humidity_pct:g} % humidity",
    ]
    return ", ".join(each for each in said if each)


def _stated_lines(key: str, value: object, typed: object) -> list[str]:
    """Say one key of `spec_dict`, as the file has it; nothing of what it does not state."""
    title = key.replace("_", " ")
    if isinstance(value, dict):
        own = typed if isinstance(typed, dict) else {}
        listed = [each for name, one in value.items() for each in _nested_lines(name, one, own)]
        return [f"  {title}:", *listed] if listed else []
    return [f"  {_word(key, value, {})}"] if value not in (None, "") else []


def _nested_lines(key: str, value: object, typed: Mapping[str, object]) -> list[str]:
    if value in (None, "") or key in _WORDED_WITHIN:
        return []
    if isinstance(value, list):
        title, own = key.replace("_", " "), typed.get(key)
        return [
            f"    {title} {_row_text(each['temp_c'], each['duration_s'], own)}" for each in value
        ]
    return [f"    {_word(key, value, typed)}"]


def _word(key: str, value: object, typed: Mapping[str, object]) -> str:
    for end, say in _SAID:
        if key.endswith(end) and isinstance(value, float | int):
            name = key.removesuffix(end)
            own = typed.get(name)
            said = _time_text(value, own) if end == "_s" else _beside(say(value), own)
            return f"{name.replace('_', ' ')} {said}"
    figure = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{key.replace('_', ' ')} {figure}"


def _band(band: Band) -> str:
    return f"{band.dew_margin_k:g} K, {band.humidity_pct:g} %, {band.temp_k:g} K"


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _ask(question: str) -> str:
    sys.stdout.write(question)
    sys.stdout.flush()
    return sys.stdin.readline()


@spec_app.command(
    help="Check a spec file, and list all its faults.",
    epilog="Example: filmcall spec check my-topcoat.toml",
)
def check(
    file: Annotated[Path, typer.Argument(help="A spec's file.", dir_okay=False)],
    *,
    as_json: JsonOption = False,
) -> None:
    """Return what is wrong with a spec file, or what it will do; and how many faults there are."""
    name, text = spec_text(str(file))
    faults = check_spec(text, name)
    notes = check_notes(text)
    if as_json:
        listed, noted = (
            [
                {"key": each.key, "line": each.line, "problem": each.problem, "fix": each.fix}
                for each in found
            ]
            for found in (faults, notes)
        )
        told = {"file": str(file), "faults": listed, "notes": noted}
        said = [json.dumps(told, indent=2)]
    elif faults:
        said = [f"{file}: {fault}" for fault in faults]
    else:
        said = [f"{file}: no fault found"]
        said += [display.shown(f"{file}: note, {each}", of_a_sheet=True) for each in notes]
    printed("\n".join(said), BAD_INPUT if faults else 0)


@spec_app.command(
    help="Begin a spec file, to be filled in from your data sheet.",
    epilog="Example: filmcall spec new my-topcoat --family two-pack-polyurethane",
)
def new(
    name: Annotated[str, typer.Argument(help="The coating's short name.")],
    family: Annotated[str, typer.Option(help="What kind of coating it is.")] = "",
    out: Annotated[
        Path | None, typer.Option(help="The file to write; never over an existing one.")
    ] = None,
) -> str:
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
    if sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty():
        _say(
            "One question a figure; a bare number has the unit in brackets. An empty line leaves a "
            "figure open, and the spec is not used until it is entered."
        )
        text = asked(text, _ask, _say)
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
    open_figures = len(check_spec(text, path.stem))
    if not open_figures:
        return (
            f"wrote {path}; every figure that it needs is entered. Read it back: filmcall spec "
            f"show {path}, and what will be reckoned beside: filmcall spec check {path}"
        )
    return (
        f"wrote {path}. Enter your data sheet's figures where it says ?, then: "
        f"filmcall spec check {path}"
    )
