"""The mixing sheet for the wall, as text and as one HTML page that needs nothing else."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

from rules.batch.amount import Parts, coverage_m2_per_l, dry_film_um
from rules.batch.plan import RESERVE, Batch, BatchPlan, Plan
from rules.text import counted, duration_text
from rules.units import celsius
from rules.vocabulary import ALL_SECTIONS, Method

ML_PER_US_FL_OZ = 29.5735295625
"""US fluid ounce, NIST Handbook 44 appendix C, from memory; exact by definition."""

G_PER_OZ = 28.349523125
"""Avoirdupois ounce, NIST Handbook 44 appendix C, from memory; exact by definition."""

CUP_ML = 250.0
"""A cup on this sheet unless told otherwise: the metric cup, common practice [mL]."""

CAUTION = (
    "Two-pack polyurethanes contain isocyanates; solvent vapour harms and burns. Follow the "
    "safety data sheet and use the respiratory protection that it asks for, with gloves and "
    "goggles; a sensitised person stays away, mask or not. Think of people in the same building "
    "and downwind. Mix away from ignition sources. A pot that gets hot: pour it thin into a metal "
    "tray outside, face away, nothing that burns near; never carry a smoking pot through the tent, "
    "never put a lid on it. Rags wet with oil varnish or oil paint light themselves: spread them "
    "out flat outside, or drown them."
)


Typed = tuple[str | None, str | None]


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One line of a batch's table: what, and how much in each measure ("" where not known)."""

    what: str
    ml: str
    grams: str
    fl_oz: str
    oz: str
    cups: str


COLUMNS = ("", "mL", "g", "fl oz", "oz weight", "cups")


def batch_rows(parts: Parts, cup_ml: float = CUP_ML) -> tuple[BatchRow, ...]:
    """Return what goes into a pot, part by part, in every measure.

    Args:
        parts: volumes and weights.
        cup_ml: what a cup holds [mL].

    Returns:
        Rows for base, hardener and thinner where there are any, and for all of it.
    """
    total_g = None
    weights = (parts.base_g, parts.hardener_g, parts.thinner_g)
    volumes = (parts.base_ml, parts.hardener_ml, parts.thinner_ml)
    if all(w is not None or v == 0.0 for w, v in zip(weights, volumes, strict=True)):
        total_g = sum(w for w in weights if w is not None)
    rows = [_row("base", parts.base_ml, parts.base_g, cup_ml)]
    if parts.hardener_ml > 0.0:
        rows.append(_row("hardener", parts.hardener_ml, parts.hardener_g, cup_ml))
    if parts.thinner_ml > 0.0:
        rows.append(_row("thinner", parts.thinner_ml, parts.thinner_g, cup_ml))
    rows.append(_row("in the pot", parts.total_ml, total_g, cup_ml))
    return tuple(rows)


def _row(what: str, ml: float, grams: float | None, cup_ml: float) -> BatchRow:
    return BatchRow(
        what,
        _figure(ml),
        "" if grams is None else _figure(grams),
        f"{ml / ML_PER_US_FL_OZ:.2f}",
        "" if grams is None else f"{grams / G_PER_OZ:.2f}",
        f"{ml / cup_ml:.2f}",
    )


def _figure(value: float) -> str:
    """Tenths where one whole unit would be more than 1 % of it."""
    return f"{value:.1f}" if value < 100.0 else f"{value:.0f}"


_GUN_LOSES = " (a gun loses 30 to 50 %: common practice)"


def _job_lines(plan: BatchPlan) -> list[str]:
    job = plan.job
    mix = job.spec.mix
    solids = mix.solids_by_volume_pct if mix is not None else 0.0
    thinner = plan.present.thinner_pct
    if job.film.wet:
        dry = dry_film_um(job.film.thickness_um, solids, thinner)
        film = f"{job.film.thickness_um:g} µm wet, as thinned at present, leaves {dry:.0f} µm dry"
    else:
        dry = job.film.thickness_um
        wet = dry * (100.0 + thinner) / solids
        film = f"{dry:g} µm dry, {wet:.0f} µm wet as thinned at present"
    lines = [
        f"{job.area_m2:g} m2 by {job.method}, {counted(job.coats, 'coat')} of {film}.",
        f"Solids {solids:g} % by volume: {coverage_m2_per_l(solids, dry):.1f} m2 a litre before "
        f"{job.loss_pct:g} % loss{_GUN_LOSES if job.method is Method.GUN else ''}.",
    ]
    if mix is not None and mix.hardener_parts:
        ratio = f"Ratio {mix.base_parts:g}:{mix.hardener_parts:g} by {mix.by}"
        if mix.other_parts is not None:
            other = "weight" if mix.by == "volume" else "volume"
            ratio += f", or {mix.other_parts[0]:g}:{mix.other_parts[1]:g} by {other}"
        lines.append(f"{ratio}, base:hardener.")
    if mix is not None and mix.additive:
        lines.append(f"Add {mix.additive}, which the amounts below leave out.")
    if job.rate_m2_per_h is not None:
        lines.append(f"Your rate: {job.rate_m2_per_h:.3g} m2 an hour, {job.rate_basis}.")
    if job.spec.provenance.generic:
        lines.append("GENERIC FIGURES, from no data sheet: enter your own before you rely on them.")
    return lines


def _plan_lines(plan: Plan) -> list[str]:
    lines = [f"Thinner {plan.thinner_pct:g} % by volume of the mix. Sheet: {plan.band_words}."]
    if plan.pot_life_s is None:
        lines.append("The sheet gives no pot life.")
    else:
        words = f"Pot life {duration_text(plan.pot_life_s)} in a pot of this size"
        if plan.induction_s is not None:
            words += f"; let it stand {duration_text(plan.induction_s)} first"
        if plan.usable_s is not None:
            in_hand = f"({RESERVE * 100.0:g} % kept in hand)"
            after = " after that" if plan.induction_s is not None else ""
            words += f"; use it within {duration_text(plan.usable_s)}{after} {in_hand}"
        lines.append(words + ".")
    return lines


def _batch_title(batch: Batch, of: int) -> str:
    where = ", ".join(name for name in batch.covers if name != ALL_SECTIONS)
    words = f"Batch {batch.number} of {of}: {batch.area_m2:.3g} m2"
    return f"{words}, {where}" if where else words


def _batch_end(batch: Batch) -> str:
    use = "" if batch.use_s is None else f"About {duration_text(batch.use_s)} of work. "
    stop = (
        "Ends at a clean break line."
        if batch.clean_stop
        else "Ends inside a section: stop at a seam, a plank edge or a taped line."
    )
    return use + stop


def _groups(batches: Iterable[Batch]) -> list[list[Batch]]:
    """Batches of the same content one after another, so that their table is printed once."""
    groups: list[list[Batch]] = []
    for batch in batches:
        if groups and abs(groups[-1][0].parts.total_ml - batch.parts.total_ml) < 0.05:
            groups[-1].append(batch)
        else:
            groups.append([batch])
    return groups


def _plans(plan: BatchPlan, typed: Typed) -> list[tuple[str, Plan]]:
    present, forecast = typed
    plans = [(f"the present {present or celsius(plan.present.temp_c)}", plan.present)]
    if plan.forecast is not None:
        said = forecast or celsius(plan.forecast.temp_c)
        plans.append((f"the forecast {said}", plan.forecast))
    return plans


def _do_not_coat(plans: Iterable[tuple[str, Plan]]) -> list[str]:
    """What stands above everything: at which temperature no coat may be begun, and why."""
    return [
        f"DO NOT COAT at {which}: {why}. The sheet below is for planning; ask filmcall check "
        f"whether you may start."
        for which, at in plans
        for why in at.do_not_coat
    ]


def _mind(plan: Plan) -> list[str]:
    return [*(f"do not coat: {why}" for why in plan.do_not_coat), *plan.warnings]


def _measures(cup_ml: float) -> str:
    return (
        f"A cup here is {cup_ml:g} mL; fl oz is the US fluid ounce, {ML_PER_US_FL_OZ:.2f} "
        f"millilitres; oz weight is {G_PER_OZ:.2f} g. Grams only where the sheet gives a density."
    )


def sheet_text(
    plan: BatchPlan, width: int = 78, cup_ml: float = CUP_ML, typed: Typed = (None, None)
) -> str:
    """Return the mixing sheet as plain text.

    Args:
        plan: what to mix.
        width: of a line in characters.
        cup_ml: what a cup holds [mL].
        typed: present and forecast temperature as they are to be shown, or None for °C alone.

    Returns:
        The sheet, ending in a newline.
    """
    lines = [f"MIXING SHEET: {_plain(plan.job.spec.title)}", "=" * width]
    plans = _plans(plan, typed)
    for words in _do_not_coat(plans):
        lines += [*textwrap.wrap(words, width), "=" * width]
    for words in _job_lines(plan):
        lines += textwrap.wrap(words, width)
    for which, at in plans:
        lines += ["", f"At {which}", "-" * width]
        for words in _plan_lines(at):
            lines += textwrap.wrap(words, width)
        for words in _mind(at):
            lines += textwrap.wrap(f"! {_plain(words)}", width, subsequent_indent="  ")
        for group in _groups(at.batches):
            lines.append("")
            for batch in group:
                title_line = _plain(_batch_title(batch, len(at.batches)))
                lines += textwrap.wrap(f"{title_line}. {_batch_end(batch)}", width)
            lines += _text_table(batch_rows(group[0].parts, cup_ml))
        lines += ["", *textwrap.wrap(f"In all, {counted(plan.job.coats, 'coat')}:", width)]
        lines += _text_table(batch_rows(_times(at.total, plan.job.coats), cup_ml))
    lines.append("")
    for words in (_measures(cup_ml), CAUTION):
        lines += textwrap.wrap(words, width)
    return "\n".join(lines) + "\n"


def _plain(text: str) -> str:
    """Text without control characters, since titles and names come from files and people."""
    return "".join(c if c.isprintable() else " " for c in text)


def _text_table(rows: Iterable[BatchRow]) -> list[str]:
    lines = ["  {:<12}{:>9}{:>9}{:>9}{:>11}{:>8}".format(*COLUMNS)]
    lines += [f"  {r.what:<12}{r.ml:>9}{r.grams:>9}{r.fl_oz:>9}{r.oz:>11}{r.cups:>8}" for r in rows]
    return [line.rstrip() for line in lines]


def _times(parts: Parts, coats: int) -> Parts:
    def weight(grams: float | None) -> float | None:
        return None if grams is None else grams * coats

    return Parts(
        parts.base_ml * coats,
        parts.hardener_ml * coats,
        parts.thinner_ml * coats,
        weight(parts.base_g),
        weight(parts.hardener_g),
        weight(parts.thinner_g),
    )


_STYLE = """
body{font:14pt/1.35 sans-serif;color:#111;background:#fff;margin:12mm auto;max-width:185mm;
padding:0 4mm}
h1{font-size:22pt;margin:0 0 2mm}h2{font-size:16pt;border-bottom:2px solid #111;margin:6mm 0 2mm}
h3{font-size:14pt;margin:4mm 0 1mm}p,li{margin:1mm 0}
table{border-collapse:collapse;width:100%;margin:1mm 0 3mm;break-inside:avoid}
th,td{border:1px solid #444;padding:1mm 2mm;text-align:right}
th[scope=row],th:first-child{text-align:left}
tr:last-child td,tr:last-child th{font-weight:bold}
.stop{border:3px solid #111;padding:2mm 3mm;font-weight:bold}
.mind{border-left:4px solid #111;padding-left:3mm}footer{margin-top:6mm;font-size:11pt}
@page{size:A4;margin:12mm}@media print{body{margin:0;max-width:none}}
"""


def sheet_html(plan: BatchPlan, cup_ml: float = CUP_ML, typed: Typed = (None, None)) -> str:
    """Return the mixing sheet as one HTML page for the printer.

    Args:
        plan: what to mix.
        cup_ml: what a cup holds [mL].
        typed: present and forecast temperature as they are to be shown, or None for °C alone.

    Returns:
        A page that loads nothing; all text from files and people is escaped.
    """
    plans = _plans(plan, typed)
    title = escape(f"Mixing sheet: {_plain(plan.job.spec.title)}")
    out = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title><style>{_STYLE}</style></head><body><main>",
        f"<h1>{title}</h1>",
        *(f'<p class="stop">{escape(words)}</p>' for words in _do_not_coat(plans)),
        *(f"<p>{escape(words)}</p>" for words in _job_lines(plan)),
    ]
    for which, at in plans:
        out.append(f"<section><h2>{escape(f'At {which}')}</h2>")
        out += [f"<p>{escape(words)}</p>" for words in _plan_lines(at)]
        if _mind(at):
            items = "".join(f"<li>{escape(_plain(words))}</li>" for words in _mind(at))
            out.append(f'<ul class="mind" aria-label="Look out for">{items}</ul>')
        for group in _groups(at.batches):
            for batch in group:
                words = _plain(_batch_title(batch, len(at.batches)))
                out.append(f"<h3>{escape(words)}</h3><p>{escape(_batch_end(batch))}</p>")
            out.append(_html_table(batch_rows(group[0].parts, cup_ml), "What goes into the pot"))
        coats = counted(plan.job.coats, "coat")
        out.append(f"<h3>In all, {escape(coats)}</h3>")
        out.append(_html_table(batch_rows(_times(at.total, plan.job.coats), cup_ml), "In all"))
        out.append("</section>")
    out.append("</main><footer>")
    out += [f"<p>{escape(words)}</p>" for words in (_measures(cup_ml), CAUTION)]
    out.append("</footer></body></html>")
    return "\n".join(out) + "\n"


def _html_table(rows: Iterable[BatchRow], label: str) -> str:
    head = '<th scope="col">part</th>' + "".join(
        f'<th scope="col">{escape(name)}</th>' for name in COLUMNS[1:]
    )
    body = "".join(
        f'<tr><th scope="row">{escape(r.what)}</th>'
        + "".join(f"<td>{escape(v or '–')}</td>" for v in (r.ml, r.grams, r.fl_oz, r.oz, r.cups))
        + "</tr>"
        for r in rows
    )
    return f'<table aria-label="{escape(label)}"><tr>{head}</tr>{body}</table>'
