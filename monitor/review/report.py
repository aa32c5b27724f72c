"""Sets a review on one HTML page that needs nothing else: for screen, paper and screen readers."""

from __future__ import annotations

from base64 import b64encode
from typing import Any

from monitor.html_page import html_page
from monitor.log.rows import Session
from monitor.review import text as words
from monitor.review import verdict_text as says
from monitor.review.chart import SLIM, coat_chart, table_rows
from monitor.review.figures import (
    TimeStamp,
    capital,
    exposure_words,
    figure,
    partly_words,
    possible_words,
    thinned_words,
    window_words,
)
from monitor.review.origin import LIVE_EVENT, calls_heading, event_origin
from monitor.review.review import Review, ReviewPhoto, SectionReview
from rules.clocks.work import is_about
from rules.errors import FilmcallError
from rules.events import Event
from rules.reasons import LIMIT_WORDS
from rules.review.causes import Verdict
from rules.review.coats import CoatRecord
from rules.review.evidence import Evidence
from rules.review.exposure import LimitTimes
from rules.review.windows import WindowOutcome
from rules.spec.model import Spec
from rules.text import counted, duration_text
from rules.vocabulary import ALL_SECTIONS, LimitName

CALLS_SHOWN = 60
CALLS_ON_PAPER = 12
OPEN_SHOWN = 4
SAFETY = (
    "Two-pack polyurethanes contain isocyanates; sanding dust and solvent vapour harm and burn. "
    "Follow the safety data sheet, local codes and licensed practice, and wear the respiratory "
    "protection that they ask for, air-fed where they do. This program measures no vapour and no "
    "breathing air."
)


class ReportNotInstalled(FilmcallError):
    """The library that sets the page is not there."""


def html_report(review: Review, written_s: float | None = None) -> str:
    """Return the review as one HTML page without any outside part.

    Args:
        review: of `monitor.review.review`.
        written_s: when it is written, or None to leave that out [s].

    Raises:
        ReportNotInstalled: jinja2 is missing.
    """
    context = _context(review, written_s)
    try:
        return html_page("report.html.j2", **context)
    except ImportError:
        raise ReportNotInstalled(
            "the HTML report needs jinja2, which is not installed, so no page was written; "
            "install filmcall with its 'report' extra"
        ) from None


def _context(review: Review, written_s: float | None) -> dict[str, Any]:
    stamp = TimeStamp(review.timezone)
    session = review.session
    named = list(review.events)
    advised = words.advised(review)
    seal = f"Log {review.log_uuid}, "
    seal += (
        f"its calls and events, and its readings from {stamp(review.rests_on_s[0])} to "
        f"{stamp(review.rests_on_s[1])}, are as they were written. "
        if not review.chain_problems
        else "IT WAS CHANGED LATER: " + " ".join(review.chain_problems) + " "
    )
    seal += review.seal
    lead = _lead(review)
    points = _open_points(review, stamp)
    said: set[str] = set()
    return {
        "title": session.title or "untitled session",
        # A recording's title is its file.
        "boat": "" if session.session is None else session.title,
        "enclosure": session.enclosure or "",
        "from": stamp(review.from_s),
        "to": stamp(review.to_s),
        "zone": stamp.name,
        "kind": _kind(review, stamp),
        "recorded_by": _recorded_by(review),
        "written": "" if written_s is None else f"{stamp(written_s)} {stamp.name}",
        "seal": seal,
        "caution": words.CAUTION,
        "safety": SAFETY,
        "no_chance": says.NO_CHANCE,
        "units_said": words.UNITS_SAID,
        "seen": words.seen_words(review, stamp) if review.seen else "",
        "answers": _answers(review),
        "work": [_work_row(each, coat, stamp, session) for each in review.sections
                 for coat in each.coats],
        "open": points,
        "verdict_sections": [
            {
                "name": words.section_name(each.section),
                "verdicts": [
                    _verdict(verdict, stamp, (each.section, verdict.defect.name) in advised, said)
                    for verdict in each.verdicts
                ],
            }
            for each in review.sections
            if each.verdicts
        ],
        "lead": None if lead is None else _chart(*lead, "lead", named, stamp),
        "sections": [
            _section(each, at, named, stamp, lead) for at, each in enumerate(review.sections)
        ],
        "events": [_event(event, stamp) for event in named],
        "photos": [_photo(each, stamp) for each in review.photos],
        "withdrawn": [_withdrawn(event, back, stamp) for event, back in review.withdrawn],
        "sensors": [
            {
                "point": each.point,
                "quantity": words.SENSOR_WORDS[each.quantity.value],
                "range": f"{figure(each.low, each.quantity.unit)} to "
                f"{figure(each.high, each.quantity.unit)}",
                "health": words.health_words(each),
            }
            for each in review.sensors
        ],
        "calibrations": [words.calibration_words(each, stamp) for each in review.calibrations]
        or ["No calibration of these points is in the log."],
        "outages": [f"{stamp(each.from_s)}: {each.text}" for each in review.outages],
        "not_known": [text for text in review.not_known if text not in points],
        "specs": [_spec(spec) for spec in review.specs],
    }  # fmt: skip


def _recorded_by(review: Review) -> str:
    """Through which programs the events came, and how many of them were typed in late."""
    through = ", ".join(review.stations) or "no station is named"
    late = sum(event_origin(each) != LIVE_EVENT for each in review.events)
    said = f"; {late} of {counted(len(review.events), 'event')} typed in late or corrected"
    return f"{through}{said if late else ''}"


def _kind(review: Review, stamp: TimeStamp) -> str:
    """Whether anybody was told of it at the time."""
    if review.session.kind == "simulate":
        return "A simulated tent: nothing here was measured."
    later = [call for each in review.sections for call in each.calls if not call.origin.told]
    if not later:
        return "Measured live."
    first = min(later, key=lambda call: call.time_s + call.later_s)
    return (
        f"A recording, played {stamp(first.time_s + first.later_s)}, "
        f"{duration_text(first.later_s)} later: nobody saw its calls at the time."
    )


def _lead(review: Review) -> tuple[SectionReview, CoatRecord] | None:
    """Whose drawing stands on the first page: of the strongest cause, else of the worst coat."""
    found: list[tuple[float, SectionReview, CoatRecord]] = []
    for each in review.sections:
        ranked = [e for verdict in each.verdicts for e in verdict.ranked[:1]]
        for coat in each.coats:
            strongest = max((e.strength for e in ranked if e.coat == coat.number), default=0.0)
            broken_s = sum(limit.broken_s for limit in coat.limits)
            found.append((strongest * 1e9 + broken_s, each, coat))
    if not found:
        return None
    _, section, coat = max(found, key=lambda one: one[0])
    return section, coat


def _answers(review: Review) -> list[dict[str, str]]:
    """The answer to each defect asked for; once where it is the same for several sections."""
    by_text: dict[str, list[str]] = {}
    for each in review.sections:
        for verdict in each.verdicts:
            text = f"{capital(verdict.defect.title)}: {says.answer_words(verdict)}"
            by_text.setdefault(text, []).append(words.section_name(each.section))
    return [
        {"where": "; ".join(dict.fromkeys(names)), "text": text} for text, names in by_text.items()
    ]


def _open_points(review: Review, stamp: TimeStamp) -> list[str]:
    """What is open, and what would settle it; once for all sections that share it."""
    found = [
        text
        for each in review.sections
        for verdict in each.verdicts
        if (text := says.settle_words(verdict, stamp))
    ]
    if review.outages:
        found.append(
            f"{counted(len(review.outages), 'outage')} in the log, listed with its sensors."
        )
    gaps = sum(each.gaps for each in review.sensors)
    if gaps:
        found.append(f"{counted(gaps, 'gap')} in the readings, listed with the sensors.")
    return list(dict.fromkeys([*found, *review.not_known[:OPEN_SHOWN]]))


def _work_row(
    each: SectionReview, coat: CoatRecord, stamp: TimeStamp, session: Session
) -> dict[str, str]:
    return {
        "section": words.section_name(each.section),
        "coat": str(coat.number),
        "spec": f"{coat.spec.title} ({coat.spec.name})",
        "lots": words.batch_words(coat) or "not recorded",
        "laid": words.laid_words(coat, stamp).removeprefix("Laid "),
        "outcome": words.coat_outcome(coat, session),
    }


def _section(
    each: SectionReview,
    number: int,
    events: list[Event],
    stamp: TimeStamp,
    lead: tuple[SectionReview, CoatRecord] | None,
) -> dict[str, Any]:
    calls = each.calls[:CALLS_SHOWN]
    left = len(each.calls) - len(calls)
    return {
        "name": words.section_name(each.section),
        "coats": [
            _coat(each, coat, f"s{number}c{at}", events, stamp, lead)
            for at, coat in enumerate(each.coats)
        ],
        "calls": [
            {
                "time": stamp(call.time_s),
                "call": call.call,
                "stage": call.stage,
                "reason": call.reason,
                "origin": call.origin.value,
                "on_paper": at < CALLS_ON_PAPER,
            }
            for at, call in enumerate(calls)
        ],
        "calls_are": calls_heading([call.origin for call in each.calls], _later_s(each)),
        "calls_left_out": f"{counted(left, 'later call is', 'later calls are')} left out; "
        "'filmcall export calls' has all."
        if left
        else "",
        "paper_left_out": f"On paper the first {CALLS_ON_PAPER} of {len(calls)}."
        if len(calls) > CALLS_ON_PAPER
        else "",
    }


def _later_s(section: SectionReview) -> float:
    return max((call.later_s for call in section.calls), default=0.0)


def _chart(
    section: SectionReview, coat: CoatRecord, ident: str, events: list[Event], stamp: TimeStamp
) -> dict[str, Any]:
    """A coat's drawing, for a page and for a telephone, and the same figures as a table."""
    from markupsafe import Markup

    where = None if section.section == ALL_SECTIONS else section.section
    # The drawing numbers events as the list of all events does.
    own = [(at, event) for at, event in enumerate(events, 1) if is_about(event, where)]
    return {
        "ident": ident,
        "section": words.section_name(section.section),
        "number": coat.number,
        # Every text in them was escaped where it was put in.
        "wide": Markup(coat_chart(section, coat, own, stamp, ident)),
        "slim": Markup(coat_chart(section, coat, own, stamp, f"{ident}-slim", SLIM)),
        "key": "Above: stages. Numbers: events, in the list below. Shaded: beyond the limit, "
        "while it matters to the film. "
        f"Lowest strip: {calls_heading([c.origin for c in section.calls], _later_s(section))}.",
        "table": table_rows(section, coat, stamp),
    }


def _coat(
    section: SectionReview,
    coat: CoatRecord,
    ident: str,
    events: list[Event],
    stamp: TimeStamp,
    lead: tuple[SectionReview, CoatRecord] | None,
) -> dict[str, Any]:
    laid = words.laid_words(coat, stamp)
    lots = words.batch_words(coat)
    laid += f", batch {lots}" if lots else ""
    laid += f"; the air's record of it ends {stamp(coat.until_s)} ({coat.until_why})"
    rows = [_limit(each, stamp) for each in coat.limits]
    kept = [row for row in rows if not row["told"]]
    told = {row["name"] for row in rows if row["told"]}
    whole = list(dict.fromkeys(row["name"] for row in kept if row["name"] not in told))
    return {
        "ident": ident,
        "number": coat.number,
        "title": words.coat_title(coat),
        "laid": laid,
        "chart": None
        if lead is not None and lead[0] is section and lead[1] is coat
        else _chart(section, coat, ident, events, stamp),
        "limits": [row for row in rows if row["told"]],
        "kept": kept,
        "kept_said": f"Kept throughout: {', '.join(whole)}." if whole else "",
        "windows": [
            {
                "text": window_words(window, stamp),
                "missed": window.kept in (WindowOutcome.EARLY, WindowOutcome.LATE),
            }
            for window in coat.windows
        ]
        + [
            {
                "text": thinned_words(pot),
                "missed": pot.is_sure and bool(pot.asked.against(pot.thinner_pct)),
            }
            for pot in coat.thinned
        ],
    }


def _limit(each: LimitTimes, stamp: TimeStamp) -> dict[str, Any]:
    broken = each.broken_s >= 1.0 or each.beyond.partly_s > 0.0
    return {
        "stage": each.stage.value,
        "name": LIMIT_WORDS[each.name],
        "bound": figure(each.beyond.bound, each.beyond.unit),
        "ok": duration_text(each.ok_s),
        "near": duration_text(each.near_s),
        "broken": _broken(each),
        "unknown": duration_text(each.unknown_s),
        "is_near": each.near_s >= 60.0,
        "is_broken": broken,
        "told": broken or each.near_s >= 60.0 or each.unknown_s >= 60.0,
        "worst": figure(each.beyond.worst, each.beyond.unit, each.beyond.bound)
        + possible_words(each.beyond, stamp),
        "when": stamp(each.beyond.worst_s),
        "exposure": exposure_words(each.beyond),
    }


def _broken(each: LimitTimes) -> str:
    sure = each.name is not LimitName.DEW_MARGIN_MIN
    partly = partly_words(each.beyond, sure=sure, more=True)
    return (
        f"{duration_text(each.broken_s)}, and {partly}" if partly else duration_text(each.broken_s)
    )


def _verdict(verdict: Verdict, stamp: TimeStamp, advice: bool, said: set[str]) -> dict[str, Any]:
    def told(evidence: Evidence) -> dict[str, str]:
        left = says.open_words(evidence, stamp)
        # What is the same for every coat, section and defect is given once.
        first = evidence.supports and evidence.cause.name not in said
        if first:
            said.add(evidence.cause.name)
        cause = evidence.cause
        return {
            "cause": evidence.cause.sign.value,
            "text": says.evidence_words(evidence, stamp),
            "open": f"; open: {left}" if left else "",
            "support": says.support_words(evidence),
            "dose": "; ".join(
                part
                for part in (says.dose_words(evidence), says.unknown_words(evidence, stamp))
                if part
            ),
            "why": f"{capital(cause.why)} ({cause.source})." if first else "",
            "age": f"; {says.age_words(cause)}" if first else "",
        }

    defect = verdict.defect
    return {
        "title": defect.title,
        "advice": advice,  # the same for every section, so it is given once
        "answer": says.answer_words(verdict),
        "looks": defect.looks,
        "mechanism": defect.mechanism,
        "ranked": [told(each) for each in verdict.ranked],
        "without": says.counterfactual_words(verdict.ranked[0], stamp) if verdict.ranked else "",
        "apart": says.apart_words(verdict),
        "settle": says.settle_words(verdict, stamp),
        "vetoed": [{**told(each), "veto": why} for each, why in verdict.vetoed],
        "cleared": [told(each) for each in verdict.cleared],
        "not_looked": [
            {"cause": cause.sign.value, "text": why} for cause, why in verdict.not_looked
        ],
        "unseen": defect.unseen,
        "tell_apart": defect.tell_apart,
        "first_aid": defect.first_aid,
        "ask": defect.ask,
        "source": defect.source,
    }


def _event(event: Event, stamp: TimeStamp) -> dict[str, str]:
    return {
        "time": stamp(event.time_s),
        "kind": event.kind.value,
        "section": event.section or ALL_SECTIONS,
        "details": words.event_details(event),
        "origin": event_origin(event),
    }


def _photo(photo: ReviewPhoto, stamp: TimeStamp) -> dict[str, str]:
    event = photo.event
    where = "" if event.section is None else f", {event.section}"
    said = f": {event.note}" if event.note else ""
    return {
        "source": f"data:{photo.mime};base64,{b64encode(photo.held).decode()}",
        "caption": f"{stamp(event.time_s)}{where}{said} ({event_origin(event)})",
    }


def _withdrawn(event: Event, back: Event, stamp: TimeStamp) -> str:
    when = back.time_s if back.recorded_s is None else back.recorded_s
    where = "" if event.section is None else f", {event.section}"
    return f"{stamp(event.time_s)} {event.kind}{where}: withdrawn {stamp(when)}."


def _spec(spec: Spec) -> str:
    source = spec.provenance
    dated = " ".join(each for each in (source.revision, source.date) if each)
    generic = " Generic figures, no data sheet's." if source.generic else ""
    return f"{spec.title} ({spec.name}): {source.sheet}{', ' + dated if dated else ''}.{generic}"
