"""`filmcall spec`: list, show, check and begin coating specs."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from monitor.cli.spec_questions import asked
from monitor.specs import find_spec, shipped_names, spec_text
from rules.errors import FilmcallError, SpecFault
from rules.spec.checks import time_key
from rules.spec.model import GENERAL_GUIDANCE, Band, Measurement, Mix, Spec, TimeTable
from rules.spec.read import check_spec
from rules.spec.write import FAMILIES, new_spec_text, spec_dict
from rules.text import duration_text
from rules.units import amount, tenths
from rules.vocabulary import FILM_STAGES, ClockName, Stage

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
    spec, text = find_spec(name_or_file)
    return json.dumps(spec_dict(spec), indent=2) if as_json else shown_spec(spec, text)


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
        shown += _limit_lines(spec, stage, sheet)
    shown.append("  times:")
    shown += _time_lines(spec.times, sheet.get("times", {}), "    ")
    shown += [f"    {clock.value:<18}unlimited" for clock in spec.unlimited]
    for name, tables in spec.recoat_by_next.items():
        shown.append(f"  under {name}:")
        shown += _time_lines(tables, sheet.get("recoat_before", {}).get(name, {}), "    ")
    shown += [
        f"  a pot of {size.from_ml / 1000.0:g} l or more lives {100.0 * size.factor:g} % as long"
        for size in spec.pot_sizes
    ]
    if spec.tape_not_after_s is not None:
        shown.append(f"  tape off within {duration_text(spec.tape_not_after_s)}, however cold")
    shown += _mix_lines(spec.mix)
    shown += [
        f"  a wet film by {method.value} stands {tenths(k)} K under its surface"
        for method, k in spec.wet_film_cooling_k.items()
    ]
    shown += [f"  measure before a coat: {_measure(each)}" for each in spec.measurements]
    shown += [
        f"  GO after {duration_text(spec.dwell_s)} inside every limit by the sensors' error and "
        f"{_band(spec.go_band)} more",
        f"  STOP ends after {duration_text(spec.re_entry_s)} inside every limit by "
        f"{_band(spec.re_entry_band)}",
        f"  a coat is taken to last {duration_text(spec.coating_time_s)} until the log has your "
        "own pace",
    ]
    if spec.reminder:
        shown.append(f"  before the next coat: {spec.reminder}")
    if spec.after_closes:
        shown.append(f"  past the recoat window: {spec.after_closes}")
    return "\n".join(shown)


def _limit_lines(spec: Spec, stage: Stage, sheet: dict[str, Any]) -> list[str]:
    own = spec.limits.get(stage, {})
    if not own:
        before = FILM_STAGES[: FILM_STAGES.index(stage)]
        last = next((each for each in reversed(before) if spec.limits.get(each)), Stage.APPLY)
        return [f"  limits, {stage.value}: as in {last.value}"]
    lines = [f"  limits, {stage.value}:"]
    typed = sheet.get("limits", {}).get(stage.value, {})
    for name, limit in own.items():
        unit = "K" if "margin" in name else "%" if "humidity" in name else "°C"
        figure = _beside(f"{tenths(limit.bound)} {unit}", typed.get(name.value, {}).get("bound"))
        guard = "" if limit.guard else ", sensor error not added"
        lines.append(f"    {name:<18}{figure} until {limit.until.value}{guard}")
    return lines


def _beside(figure: str, typed: object) -> str:
    """A figure in SI, with the sheet's own where that is written otherwise."""
    if not isinstance(typed, str):
        return figure
    same = typed.replace("degC", "°C").replace(" ", "") == figure.replace(" ", "")
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
            f"{duration_text(row.duration_s)} at {tenths(row.temp_c)} °C{own.get(row.temp_c, '')}"
            for row in table.rows
        ]
        one = "; one row only: estimated elsewhere" if len(rows) == 1 else ""
        lines.append(f"{indent}{clock.value:<18}{', '.join(rows) or 'unlimited'}{one}")
    return lines


def _mix_lines(mix: Mix | None) -> list[str]:
    if mix is None:
        return []
    ratio = "one-pack"
    if mix.hardener_parts:
        ratio = f"mix by {mix.by}: {mix.base_parts:g} to {mix.hardener_parts:g}"
    lines = [
        f"  {ratio}, {tenths(mix.solids_by_volume_pct)} % solids by volume, thinner at most "
        f"{tenths(mix.thinner_max_pct)} %"
    ]
    densities = (
        ("base", mix.base_density_g_per_ml),
        ("hardener", mix.hardener_density_g_per_ml),
        ("thinner", mix.thinner_density_g_per_ml),
    )
    said = ", ".join(f"{name} {value:.4g} kg/l" for name, value in densities if value is not None)
    if said:
        lines.append(f"  densities: {said}")
    for band in mix.thinner_bands:
        by = f" by {band.method.value}" if band.method is not None else ""
        lines.append(
            f"  thinner{by} from {tenths(band.from_c)} to {tenths(band.to_c)} °C: "
            f"{tenths(band.min_pct)} to {tenths(band.max_pct)} %"
        )
    if mix.max_batch_ml is not None:
        lines.append(f"  a batch of {mix.max_batch_ml / 1000.0:.4g} l at most")
    return lines


def _measure(asked: Measurement) -> str:
    ends = [
        f"{word} {tenths(end)} {'%' if asked.unit == 'pct' else asked.unit}"
        for word, end in (("at least", asked.low), ("at most", asked.high))
        if end is not None
    ]
    return f"{asked.what}, {', '.join(ends)}"


def _band(band: Band) -> str:
    return f"{band.dew_margin_k:g} K, {band.humidity_pct:g} %, {band.temp_k:g} °C"


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _ask(question: str) -> str:
    sys.stdout.write(question)
    sys.stdout.flush()
    return sys.stdin.readline()


def check(file: Path, *, as_json: bool) -> tuple[str, int]:
    """Return what is wrong with a spec file, and how many faults there are."""
    name, text = spec_text(str(file))
    faults = check_spec(text, name)
    if as_json:
        listed = [
            {"key": each.key, "line": each.line, "problem": each.problem, "mend": each.mend}
            for each in faults
        ]
        return json.dumps({"file": str(file), "faults": listed}, indent=2), len(faults)
    if not faults:
        return f"{file}: no fault found", 0
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
        return f"wrote {path}; every figure is entered. Read it back: filmcall spec show {path}"
    return (
        f"wrote {path}. Enter your data sheet's figures where it says ?, then: "
        f"filmcall spec check {path}"
    )
