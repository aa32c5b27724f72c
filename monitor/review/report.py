"""Sets a review on one HTML page that needs nothing else: for screen, paper and screen readers."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

from monitor.log.rows import Session
from monitor.palette import PAGE_COLOURS
from monitor.review import text as words
from monitor.review.chart import coat_chart, table_rows
from monitor.review.review import Review, SectionReview
from monitor.review.text import TimeStamp, figure
from rules.clocks.work import is_about
from rules.errors import FilmcallError
from rules.events import Event
from rules.reasons import LIMIT_WORDS
from rules.review.causes import Evidence, Verdict
from rules.review.coats import CoatRecord, WindowOutcome
from rules.review.exposure import LimitTimes
from rules.spec.model import Spec
from rules.text import clean, counted, duration_text
from rules.vocabulary import ALL_SECTIONS, LimitName

CALLS_SHOWN = 60
SAFETY = (
    "Two-pack polyurethanes contain isocyanates; sanding dust and solvent vapour harm and burn. "
    "Follow the safety data sheet, local codes and licensed practice, and wear the respiratory "
    "protection that they ask for, air-fed where they do. This program measures no vapour and no "
    "breathing air."
)


class ReportNotInstalled(FilmcallError):
    """The library that sets the page is not there."""


def html_report(review: Review) -> str:
    """Return the review as one HTML page without any outside part.

    Args:
        review: of `monitor.review.review`.

    Raises:
        ReportNotInstalled: jinja2 is missing.
    """
    try:
        from jinja2 import Environment, StrictUndefined
    except ImportError:
        raise ReportNotInstalled(
            "the HTML report needs jinja2, which is not installed, so no page was written; "
            "install filmcall with its 'report' extra"
        ) from None
    text = (files("monitor") / "data" / "report.html.j2").read_text("utf-8")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # Direction marks would turn a note about; the drawing is no such text.
        finalize=lambda value: clean(value) if type(value) is str else value,
    )
    return environment.from_string(text).render(**_context(review), colours=PAGE_COLOURS)


def _context(review: Review) -> dict[str, Any]:
    stamp = TimeStamp(review.timezone)
    session = review.session
    named = list(review.events)
    advised = words.advised(review)
    kinds = {
        "live": "Measured live.",
        "replay": "A recording played back.",
        "simulate": "A simulated tent: nothing here was measured.",
    }
    chain = f"Log {review.log_uuid}, "
    chain += (
        "it stands as it was written. "
        if not review.chain_problems
        else "IT WAS CHANGED LATER: " + " ".join(review.chain_problems) + " "
    )
    chain += review.seal
    return {
        "title": session.title or "untitled session",
        "enclosure": session.enclosure or "",
        "from": stamp(review.from_s),
        "to": stamp(review.to_s),
        "zone": stamp.name,
        "kind": kinds.get(session.kind, ""),
        "caution": words.CAUTION,
        "safety": SAFETY,
        "no_chance": words.NO_CHANCE,
        "units_said": words.UNITS_SAID,
        "seen": words.seen_words(review) if review.seen else "",
        "verdict_sections": [
            {
                "name": words.section_name(each.section),
                "verdicts": [
                    _verdict(verdict, stamp, (each.section, verdict.defect.name) in advised)
                    for verdict in each.verdicts
                ],
            }
            for each in review.sections
            if each.verdicts
        ],
        "sections": [
            _section(each, at, named, stamp, session) for at, each in enumerate(review.sections)
        ],
        "events": [_event(event, stamp) for event in named],
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
        "not_known": review.not_known,
        "specs": [_spec(spec) for spec in review.specs],
        "chain": chain,
    }


def _section(
    each: SectionReview, number: int, events: list[Event], stamp: TimeStamp, session: Session
) -> dict[str, Any]:
    where = None if each.section == ALL_SECTIONS else each.section
    calls = each.calls[:CALLS_SHOWN]
    left = len(each.calls) - len(calls)
    return {
        "name": words.section_name(each.section),
        "coats": [
            _coat(each, coat, f"s{number}c{at}", events, where, stamp, session)
            for at, coat in enumerate(each.coats)
        ],
        "calls": [
            {
                "time": stamp(call.time_s),
                "call": call.call,
                "stage": call.stage,
                "reason": call.reason,
            }
            for call in calls
        ],
        "calls_left_out": f"{counted(left, 'later call is', 'later calls are')} left out; "
        "'filmcall export calls' has all."
        if left
        else "",
    }


def _coat(
    section: SectionReview,
    coat: CoatRecord,
    ident: str,
    events: list[Event],
    where: str | None,
    stamp: TimeStamp,
    session: Session,
) -> dict[str, Any]:
    from markupsafe import Markup

    # The drawing numbers events as the list of all events does.
    own = [(at, event) for at, event in enumerate(events, 1) if is_about(event, where)]
    chart = coat_chart(section, coat, own, stamp, ident)
    laid = words.laid_words(coat, stamp)
    laid += f", batch {', '.join(coat.batches)}" if coat.batches else ""
    laid += f"; the air's record of it ends {stamp(coat.until_s)} ({coat.until_why})"
    return {
        "ident": ident,
        "number": coat.number,
        "title": words.coat_title(coat),
        "laid": laid,
        "outcome": words.coat_outcome(coat, session),
        "chart": Markup(chart),  # every text in it was escaped where it was put in
        "key": "Above: stages. Numbers: events, in the list below. Shaded: beyond the limit. "
        "Lowest strip: the calls as they were told at the time.",
        "limits": [
            {
                "stage": each.stage.value,
                "name": LIMIT_WORDS[each.name],
                "bound": figure(each.beyond.bound, each.beyond.unit),
                "ok": duration_text(each.ok_s),
                "near": duration_text(each.near_s),
                "broken": _broken(each),
                "unknown": duration_text(each.unknown_s),
                "is_near": each.near_s >= 60.0,
                "is_broken": each.broken_s >= 60.0 or each.beyond.partly_s > 0.0,
                "worst": figure(each.beyond.worst, each.beyond.unit, each.beyond.bound),
                "when": stamp(each.beyond.worst_s),
                "exposure": words.exposure_words(each.beyond),
            }
            for each in coat.limits
        ],
        "windows": [
            {
                "text": words.window_words(window, stamp),
                "missed": window.kept in (WindowOutcome.EARLY, WindowOutcome.LATE),
            }
            for window in coat.windows
        ],
        "table": table_rows(section, coat, stamp),
    }


def _broken(each: LimitTimes) -> str:
    sure = each.name is not LimitName.DEW_MARGIN_MIN
    partly = words.partly_words(each.beyond, sure=sure, more=True)
    return (
        f"{duration_text(each.broken_s)}, and {partly}" if partly else duration_text(each.broken_s)
    )


def _verdict(verdict: Verdict, stamp: TimeStamp, advice: bool) -> dict[str, Any]:
    def told(evidence: Evidence) -> dict[str, str]:
        return {
            "cause": evidence.cause.sign.value,
            "text": words.evidence_words(evidence, stamp),
            "why": words.capital(evidence.cause.why),
            "source": evidence.cause.source,
        }

    defect = verdict.defect
    return {
        "title": defect.title,
        "advice": advice,  # the same for every section, so it is given once
        "answer": words.answer_words(verdict),
        "looks": defect.looks,
        "mechanism": defect.mechanism,
        "ranked": [told(each) for each in verdict.ranked],
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
    }


def _spec(spec: Spec) -> str:
    source = spec.provenance
    dated = " ".join(each for each in (source.revision, source.date) if each)
    generic = " Generic figures, no data sheet's." if source.generic else ""
    return f"{spec.title} ({spec.name}): {source.sheet}{', ' + dated if dated else ''}.{generic}"
