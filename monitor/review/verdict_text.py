"""What a verdict on a defect says, in sentences: the answer, what counted, what is open."""

from __future__ import annotations

from monitor.review.figures import (
    TimeStamp,
    capital,
    exposure_words,
    figure,
    hours_words,
    partly_words,
    possible_words,
    short,
    span_words,
    thinned_words,
    window_words,
)
from rules.review.causes import Finding, Verdict
from rules.review.defects import AGES, Cause, Sign
from rules.review.evidence import Evidence
from rules.review.exposure import Excess
from rules.review.likelihood import JUDGEMENT, SUPPORTS_FROM, verbal
from rules.review.windows import WHICH_POT
from rules.text import duration_text

NO_CHANCE = (
    "Causes stand in the order of how strongly the log supports each against another that it does "
    "not show; that is no probability that one of them did it."
)
OPEN_SPANS_SHOWN = 3
UNKNOWN_SAID_S = 600.0
"""From so long on, time that was not known is said of what was [s]."""

_OF_MARGIN = (Sign.LOW_MARGIN, Sign.WET_BEFORE, Sign.WET_BARE)
_QUANTITY = {
    Sign.LOW_MARGIN: "hull and humidity",
    Sign.WET_BEFORE: "hull and humidity",
    Sign.WET_BARE: "hull and humidity",
    Sign.HIGH_HUMIDITY: "humidity",
    Sign.LOW_HUMIDITY: "humidity",
    Sign.LOW_SURFACE: "the hull's temperature",
    Sign.HIGH_SURFACE: "the hull's temperature",
    Sign.SURFACE_RISE: "the hull's temperature",
    Sign.HIGH_AIR: "the air's temperature",
    Sign.HIGH_CO2: "carbon dioxide",
    Sign.UNWASHED: "hull and humidity",
}


def evidence_words(evidence: Evidence, stamp: TimeStamp) -> str:
    """Return what the log shows of a cause, as figures with times."""
    if evidence.via is not None:
        return f"coat {evidence.coat} over it: {evidence_words(evidence.via, stamp)}"
    if evidence.window is not None:
        return f"coat {evidence.coat}: {window_words(evidence.window, stamp)}"
    if evidence.thinned is not None:
        return f"coat {evidence.coat}: {thinned_words(evidence.thinned)}"
    if evidence.cause.sign is Sign.UNWASHED:
        return f"coat {evidence.coat}: {_over_water(evidence, stamp)}"
    found = evidence.beyond
    if found is None:
        return f"coat {evidence.coat}"
    return f"coat {evidence.coat}: {_condition(evidence, found, stamp)}"


def _over_water(evidence: Evidence, stamp: TimeStamp) -> str:
    """When the film under a coat was wet while soft, or may have been, and that nobody washed."""
    wetting = evidence.wetting
    if wetting is None:
        return "the film below was not wet while soft, or was washed, looked at or sanded after it"
    when = span_words(wetting.begin_s, wetting.end_s, stamp)
    was = "was wet" if wetting.seen else "may have been wet"
    return (
        f"the film below {was} {when} while soft, {duration_text(wetting.lasted_s)} in all, and no "
        "wash, inspection or sanding is recorded before this coat"
    )


def _condition(evidence: Evidence, found: Excess, stamp: TimeStamp) -> str:
    side = "over" if found.upper else "under"
    if evidence.cause.sign is Sign.SURFACE_RISE:
        side = "warmer than at coating by more than"
    bound = short(found.bound, found.unit)
    partly = partly_words(
        found, sure=evidence.cause.sign not in _OF_MARGIN, more=found.beyond_s > 0.0
    )
    if found.beyond_s <= 0.0 and not partly:
        return _never(evidence, found, f"{side} {bound}", stamp)
    when = span_words(found.first_s, found.last_s, stamp)
    age = "" if not evidence.age_s else f", on a film {duration_text(evidence.age_s)} old"
    worst = _worst(evidence, found, stamp)
    if found.beyond_s <= 0.0:
        return (
            f"{when}{age}: {side} {bound} {partly}, of {duration_text(found.whole_s)} that matter, "
            f"{worst} ({exposure_words(found)})"
        )
    also = f", and {partly}" if partly else ""
    hours = hours_words(found.beyond_s, found.whole_s)
    if found.unknown_s >= UNKNOWN_SAID_S:
        hours += f" ({duration_text(found.unknown_s)} of them not known)"
    little = "" if evidence.supports or evidence.is_open else "; too little to count"
    return f"{when}{age}: {hours} {side} {bound}{also}, {worst}{little}"


def _worst(evidence: Evidence, found: Excess, stamp: TimeStamp) -> str:
    """The worst value, and that it is water where it is."""
    shown = figure(found.worst, found.unit, found.bound)
    at = stamp.minute(found.worst_s) if found.worst_s is not None else "a time not known"
    wet = evidence.cause.sign in _OF_MARGIN and found.worst is not None and found.worst < 0.0
    more = possible_words(found, stamp)
    return f"wet ({shown}) at {at}{more}" if wet else f"worst {shown} at {at}{more}"


def _never(evidence: Evidence, found: Excess, what: str, stamp: TimeStamp) -> str:
    """That it never was, of time that was known; and what was not."""
    known_s = found.whole_s - found.unknown_s
    if found.worst is None:
        said = f"not known in any of {duration_text(found.whole_s)} that matter"
    else:
        nearest = (
            f"nearest {figure(found.worst, found.unit, found.bound)} at {stamp(found.worst_s)}"
            f"{possible_words(found, stamp)}"
        )
        if found.unknown_s < 60.0 and evidence.after_log_s is None:
            said = f"never {what} in {duration_text(found.whole_s)}; {nearest}"
        else:
            said = f"not {what} in the {duration_text(known_s)} that were known; {nearest}"
    return said


def open_words(evidence: Evidence, stamp: TimeStamp) -> str:
    """Return which minutes leave a cause open, or "" where it is not."""
    if not evidence.is_open:
        return ""
    said = [dose_words(evidence)] if evidence.weight > 0.0 else []
    said += ["it hangs on which pot it was"] if _asks_which_pot(evidence) else []
    said += [each for each in (unknown_words(evidence, stamp),) if each]
    if evidence.highest_known >= evidence.cause.harm:
        passed = evidence.beyond is not None and evidence.beyond.beyond_s > 0.0
        near = "what is harmless" if passed else "the limit"
        said.append(f"too close to {near} for these sensors to tell")
    return "; ".join(each for each in said if each)


def unknown_words(evidence: Evidence, stamp: TimeStamp) -> str:
    """Which minutes were not known and can hold harm, or "" where none."""
    said = []
    if evidence.open_s:
        spans = sorted(evidence.open_s, key=lambda span: span[0] - span[1])[:OPEN_SPANS_SHOWN]
        shown = ", ".join(span_words(*span, stamp) for span in sorted(spans))
        more = len(evidence.open_s) - len(spans)
        said.append(f"not known: {shown}" + (f" and {more} shorter" if more else ""))
    if evidence.after_log_s is not None:
        said.append(f"the log ends at {stamp(evidence.after_log_s)}, while the film was still open")
    return " and ".join(said)


def settle_words(verdict: Verdict, stamp: TimeStamp) -> str:
    """Return what would settle an open verdict, or "" where none is asked."""
    if verdict.answer is not Finding.NOT_KNOWN:
        return ""
    if verdict.unless:
        return f"To settle it: {verdict.unless}."
    for evidence in verdict.still_open:
        what = _QUANTITY.get(evidence.cause.sign, "that time")
        if _asks_which_pot(evidence):
            return (
                "To settle it: record pot-ended for the pot that was not used, with --at TIME; or "
                "take coat-started back and record it with its --batch."
            )
        if evidence.open_s:
            longest = max(evidence.open_s, key=lambda span: span[1] - span[0])
            # No weather station has a hull.
            station = "" if "hull" in what else ", or the nearest weather station's,"
            return (
                f"To settle it: another logger's{station} record of {what} for "
                f"{span_words(*longest, stamp)}."
            )
        if evidence.after_log_s is not None:
            return (
                "To settle it: let the log run on until the film is safe, or play a logger's "
                f"record of {what} after {stamp(evidence.after_log_s)}."
            )
        return (
            f"To settle it: check the probe of {what} against a reference (filmcall calibrate "
            "probe), and look at the film itself."
        )
    why = next((why for _, why in verdict.not_looked if "recorded" in why), "")
    if why:
        return f"To settle it: {why}; record it with filmcall event ... --at TIME."
    return "To settle it: what was not measured, from another logger or a weather station."


def _asks_which_pot(evidence: Evidence) -> bool:
    if evidence.thinned is not None:
        return evidence.is_open
    return evidence.window is not None and evidence.window.why == WHICH_POT


def support_words(evidence: Evidence) -> str:
    """Return how strongly the log supports a cause, with the rows that counted."""
    rows = ", ".join(f"{row.what} {_times(row.ratio)}" for row in evidence.rows)
    strong = f"{capital(verbal(evidence.ratio))} (about {_times(evidence.ratio)}"
    most = evidence.highest_ratio
    if verbal(most) != verbal(evidence.ratio):
        strong += f"; with its highest dose {_times(most)}, {verbal(most)}"
    strong += ")"
    return f"{strong} against a cause that the log does not show: {rows}; {JUDGEMENT}"


def _times(ratio: float) -> str:
    """A likelihood ratio to two figures at the most."""
    if ratio >= 100.0:
        return f"×{round(ratio, -1):.0f}"
    return f"×{ratio:.0f}" if ratio >= 10.0 else f"×{ratio:.2g}"


def age_words(cause: Cause) -> str:
    """Return how open a film is to a cause by its age.

    >>> from monitor.review.defects import shipped_defects
    >>> age_words(shipped_defects()[0].causes[0])
    'how open a film is to it: 100 % laid, 50 % touch dry, 15 % handled, 5 % cured (judgement: \
common practice, no source)'
    """
    shares = ", ".join(
        f"{100.0 * share:.0f} % {age}" for age, share in zip(AGES, cause.age, strict=True)
    )
    return f"how open a film is to it: {shares} ({cause.age_source})"


def dose_words(evidence: Evidence) -> str:
    """Return the dose with its lowest and highest, in hours on a film wholly open to it."""
    if evidence.window is not None or evidence.beyond is None:
        return ""
    return (
        f"dose {evidence.weight:.2f} h, lowest {evidence.lowest:.2f}, highest "
        f"{evidence.highest:.2f}; up to {evidence.cause.harm:g} is taken as harmless"
    )


def counterfactual_words(evidence: Evidence, stamp: TimeStamp) -> str:
    """Return what would have kept a cause from counting."""
    if evidence.via is not None or evidence.wetting is not None:
        return "Washed after that and before the next coat, nothing would point to this cause."
    if evidence.thinned is not None:
        return "Thinned as the sheet says, nothing would point to this cause."
    window, found = evidence.window, evidence.beyond
    if window is not None:
        bound_s = window.opens_s if evidence.cause.sign.name.endswith("EARLY") else window.closes_s
        if evidence.cause.sign is Sign.INDUCTION_SHORT:
            bound_s = window.opens_s
        side = "from" if bound_s == window.opens_s else "by"
        at = f" {side} {stamp(bound_s)}" if bound_s is not None else " in its time"
        return f"Done{at}, nothing would point to this cause."
    if found is None or found.first_s is None:
        return ""
    bound, when = short(found.bound, found.unit), span_words(found.first_s, found.last_s, stamp)
    kept = {
        Sign.LOW_MARGIN: f"Had the hull stayed {bound} over the dew point",
        Sign.WET_BEFORE: f"Had the hull stayed {bound} over the dew point",
        Sign.WET_BARE: f"Had the hull stayed {bound} over the dew point",
        Sign.SURFACE_RISE: f"Had the hull stayed within {bound} of its temperature at coating",
    }.get(evidence.cause.sign)
    if kept is None:
        what = _QUANTITY[evidence.cause.sign].removeprefix("the ")
        kept = f"Had {what} stayed {'under' if found.upper else 'over'} {bound}"
    return f"{kept}, {when}, nothing would point to this cause."


def apart_words(verdict: Verdict) -> str:
    """Return the one look that would separate the first two causes, or "" where there is one."""
    by_cause: dict[str, Evidence] = {}
    for evidence in verdict.ranked:
        by_cause.setdefault(evidence.cause.name, evidence)
    first_two = [evidence.cause for evidence in by_cause.values()][:2]
    if len(first_two) < 2:
        return ""
    one, other = first_two
    return (
        f"To tell the first two apart, look: if {one.would_show}, it was {one.sign}; if "
        f"{other.would_show}, {other.sign}."
    )


def answer_words(verdict: Verdict) -> str:
    """Return in plain words what the log says of a defect."""
    title = verdict.defect.title
    match verdict.answer:
        case Finding.SUPPORTED:
            first = verdict.ranked[0]
            if first.ratio >= SUPPORTS_FROM:
                return f"This log points to {_pointed(first)}. {capital(first.cause.why)}."
            more = " What is not known can hold more." if first.open_s else ""
            return (
                f"This log shows {_pointed(first)}, but by itself that makes it no likelier than "
                f"a cause that the log does not show.{more}"
            )
        case Finding.AGAINST:
            left = sorted({f"{c.sign} ({why})" for c, why in verdict.not_looked})
            but = f" Not looked at: {'; '.join(left)}." if left else ""
            return "The air does not explain it. See the causes below, which no sensor sees." + but
        case Finding.NOT_KNOWN:
            hidden = any(e.open_s or e.after_log_s is not None for e in verdict.still_open)
            near = any(e.highest_known >= e.cause.harm for e in verdict.still_open)
            pots = any(_asks_which_pot(e) for e in verdict.still_open)
            why = "which pot went in is not known" if pots else "minutes that matter are not known"
            if near:
                close = f"it came too close to a limit for {_explained(verdict)} to tell"
                why = f"{close}, and {why}" if hidden else close
            if verdict.unless:
                why = "what the log shows came after it was seen, if it was seen that day"
            return f"Open: {why}, so this log neither explains {title} nor clears the air of it."
        case Finding.NOT_SHOWN:
            return f"A log of the air cannot show what causes {title}."
        case Finding.ELSEWHERE:
            return f"{capital(title)} was seen on another section, so nothing here explains it."
        case Finding.NO_COAT:
            return (
                f"No coat is recorded, so the log can tell no cause of {title}. Say when it was "
                "laid, and look again: filmcall event coat-started --at TIME, and coat-ended."
            )
        case Finding.NO_SUCH_FILM:
            families = " or ".join(verdict.defect.families)
            return f"{capital(title)} comes with {families} coatings; the log has no such coat."


def _pointed(first: Evidence) -> str:
    """What the log points to; dew only where the hull was wet."""
    worst = None if first.beyond is None else first.beyond.worst
    if first.cause.sign is Sign.LOW_MARGIN and worst is not None:
        return (
            "dew on the film before it had set"
            if worst < 0.0
            else "a hull too close to the dew point before the film had set"
        )
    return str(first.cause.sign)


def _explained(verdict: Verdict) -> str:
    partly = any(e.beyond is not None and e.beyond.partly_s > 0.0 for e in verdict.still_open)
    return "these sensors and minute means" if partly else "these sensors"


def verdict_lines(verdict: Verdict, stamp: TimeStamp) -> list[str]:
    """Return a verdict as plain lines."""
    lines = [f"  {answer_words(verdict)}"]
    for at, each in enumerate(verdict.ranked, 1):
        lines.append(f"    {at}. {each.cause.sign}: {evidence_words(each, stamp)}")
        rest = [support_words(each), dose_words(each), unknown_words(each, stamp)]
        lines.append(f"       {'; '.join(part for part in rest if part)}")
    if verdict.ranked:
        lines.append(f"    {counterfactual_words(verdict.ranked[0], stamp)}")
    apart = apart_words(verdict)
    lines += [f"    {apart}"] if apart else []
    for each, why in verdict.vetoed:
        lines.append(f"    cannot be it: {each.cause.sign}: {evidence_words(each, stamp)}; {why}")
    for each in verdict.cleared:
        left = open_words(each, stamp)
        head = "open" if left else "not shown"
        tail = f"; {left}" if left else ""
        lines.append(f"    {head}: {each.cause.sign}: {evidence_words(each, stamp)}{tail}")
    lines += [f"    not looked at: {cause.sign}: {why}" for cause, why in verdict.not_looked]
    settle = settle_words(verdict, stamp)
    return [*lines, *([f"    {settle}"] if settle else [])]
