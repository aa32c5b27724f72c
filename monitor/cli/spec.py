"""`filmcall spec`: list, show, check and begin coating specs."""

from __future__ import annotations

import json
from pathlib import Path

from monitor.specs import find_spec, shipped_names, spec_text
from rules.errors import FilmcallError, SpecFault
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.spec.read import check_spec
from rules.spec.write import FAMILIES, new_spec_text, spec_dict
from rules.text import duration_text

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


def _lines(spec: Spec) -> str:
    source = spec.provenance
    shown = [f"{spec.name}: {spec.title} ({spec.family})", f"  from: {source.sheet}"]
    if source.generic:
        shown.append(f"  {_GENERIC}")
    for stage, limits in spec.limits.items():
        shown.append(f"  limits, {stage.value}:")
        for name, limit in limits.items():
            unit = "K" if "margin" in name else "%" if "humidity" in name else "°C"
            guard = "" if limit.guard else ", sensor error not added"
            shown.append(f"    {name:<18}{limit.bound:g} {unit} until {limit.until.value}{guard}")
    shown.append("  times:")
    for clock, table in spec.times.items():
        rows = ", ".join(
            f"{duration_text(row.duration_s)} at {row.temp_c:g} °C" for row in table.rows
        )
        shown.append(f"    {clock.value:<18}{rows}")
    shown += [f"    {clock.value:<18}unlimited" for clock in spec.unlimited]
    if spec.mix is not None:
        mix = spec.mix
        ratio = "one-pack"
        if mix.hardener_parts:
            ratio = f"mix by {mix.by}: {mix.base_parts:g} to {mix.hardener_parts:g}"
        shown.append(f"  {ratio}, thinner at most {mix.thinner_max_pct:g} %")
    if spec.reminder:
        shown.append(f"  {spec.reminder}")
    return "\n".join(shown)


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
