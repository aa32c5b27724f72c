"""`filmcall batch`: how much to mix, how many batches, and a sheet for the wall."""

from __future__ import annotations

import dataclasses
import json
import time
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.batch_sheet import sheet_html, sheet_text
from monitor.cli.options import (
    DbOption,
    HardenerOption,
    JsonOption,
    MethodOption,
    figure,
    typed_temperature,
)
from monitor.log.files import write_page
from monitor.log.log import Store, log_path
from monitor.named import method_named
from monitor.specs import find_spec
from rules.batch.amount import Film, own_rate
from rules.batch.plan import USUAL_LOSS_PCT, BatchFault, BatchPlan, MixJob, plan_batches
from rules.numbers import number
from rules.units import BadAmount, amount, temperature_c, temperature_words
from rules.vocabulary import ALL_SECTIONS, Method


def run(
    *,
    spec_name: Annotated[str, typer.Option("--spec", help="A shipped spec's name, or a file.")],
    areas: Annotated[
        list[str], typer.Option("--area", help="12, or hull-port=6.5, in order [m2].")
    ],
    temp: Annotated[str, typer.Option(help="Of air, hull and mix now: 18, 18C or 64F.")],
    forecast: Annotated[str | None, typer.Option(help="The temperature to come.")] = None,
    coats: Annotated[int, figure("--coats", "How many.", least=1, most=20, whole=True)] = 1,
    wet_um: Annotated[float | None, figure("--wet-um", "Wet film of one coat [µm].", "µm")] = None,
    dry_um: Annotated[float | None, figure("--dry-um", "Dry film of one coat [µm].", "µm")] = None,
    method: MethodOption = "roller",
    hardener: HardenerOption = None,
    loss_pct: Annotated[
        float | None,
        figure("--loss", "Paint that never reaches the work [%]; 10, of a gun 40.", "%"),
    ] = None,
    thinner_pct: Annotated[
        float | None, figure("--thinner", "Thinner wanted, of the mix [%].", "%")
    ] = None,
    rate_m2_per_h: Annotated[
        float | None, figure("--rate", "Your own rate [m2/h]; else learned from the log.", "m2/h")
    ] = None,
    pot_ml: Annotated[float | None, figure("--pot", "What your pot holds [mL].", "mL")] = None,
    batch_ml: Annotated[
        float | None, figure("--batch-size", "A batch that you want [mL].", "mL")
    ] = None,
    ratio: Annotated[str | None, typer.Option(help="As you read it, to be checked: 3:1.")] = None,
    cup_ml: Annotated[
        float, figure("--cup", "What a cup holds [mL].", "mL", least=10.0, most=10_000.0)
    ] = 250.0,
    html: Annotated[Path | None, typer.Option(help="Write the sheet for the wall.")] = None,
    as_json: JsonOption = False,
    db: DbOption = None,
) -> str:
    """Return the plan as text or JSON, and write the sheet where a file is named.

    Raises:
        FilmcallError: what was given is impossible, or dangerous to mix.
    """
    sections = _sections(areas)
    how = method_named(method) or Method.ROLLER
    basis = "as entered"
    if rate_m2_per_h is None:
        rate_m2_per_h, basis = _learned(db, dict(sections), how)
    job = MixJob(
        spec=find_spec(spec_name)[0],
        film=_film(wet_um, dry_um),
        sections=sections,
        coats=coats,
        method=how,
        loss_pct=USUAL_LOSS_PCT[how] if loss_pct is None else loss_pct,
        hardener=hardener,
        thinner_pct=thinner_pct,
        rate_m2_per_h=rate_m2_per_h,
        rate_basis=basis,
        pot_ml=pot_ml,
        batch_ml=batch_ml,
        ratio=None if ratio is None else _ratio(ratio),
    )
    temp = typed_temperature(temp)
    forecast = None if forecast is None else typed_temperature(forecast)
    plan = plan_batches(
        job, temperature_c(temp), None if forecast is None else temperature_c(forecast)
    )
    typed = (temperature_words(temp), None if forecast is None else temperature_words(forecast))
    if html is not None:
        write_page(html, sheet_html(plan, cup_ml=cup_ml, typed=typed))
    return _json(plan) if as_json else sheet_text(plan, cup_ml=cup_ml, typed=typed)


def _json(plan: BatchPlan) -> str:
    def plain(value: object) -> object:
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        if isinstance(value, tuple | list):
            return [plain(each) for each in value]
        return value

    found = plain(plan)
    if isinstance(found, dict) and isinstance(found.get("job"), dict):
        found["job"]["spec"] = plan.job.spec.name
    return json.dumps(found, indent=2)


def _sections(areas: list[str]) -> tuple[tuple[str, float], ...]:
    found = []
    for text in areas:
        name, equals, figure = text.rpartition("=")
        area_m2 = number(figure)
        try:
            area_m2 = amount(figure, "m**2") if area_m2 is None else area_m2
        except BadAmount:
            raise BatchFault(
                f"area {text!r} cannot be read; give square metres or feet, as 12, 140 sqft or "
                "hull-port=6.5"
            ) from None
        found.append((name if equals else ALL_SECTIONS, area_m2))
    return tuple(found)


def _film(wet_um: float | None, dry_um: float | None) -> Film:
    if (wet_um is None) == (dry_um is None):
        raise BatchFault("the film's thickness is needed once: give either --wet-um or --dry-um")
    if wet_um is not None:
        return Film(wet_um, wet=True)
    return Film(dry_um if dry_um is not None else 0.0, wet=False)


def _ratio(text: str) -> tuple[float, float]:
    base, _, hardener = text.partition(":")
    parts = number(base), number(hardener)
    if parts[0] is None or parts[1] is None:
        raise BatchFault(f"ratio {text!r} cannot be read; base to hardener, as in 3:1")
    return parts[0], parts[1]


def _learned(
    db: Path | None, area_of: dict[str, float], method: Method
) -> tuple[float | None, str]:
    """The painter's own rate from the log's earlier coats, where there are any."""
    path = log_path(db)
    if not path.exists():
        return None, "not known"
    with Store.open(path, now_s=time.time, read_only=True) as store:
        rate = own_rate(store.events(), area_of, time.time(), method)
    if rate is None:
        return None, "not known"
    coats = "one earlier coat" if rate.coats == 1 else f"the median of {rate.coats} earlier coats"
    return rate.m2_per_h, f"learned from {coats} in the log"
