"""Sets a review as plain lines for a terminal: first why, then what was, then what is not known."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.review import text as words
from monitor.review.review import Review, SectionReview
from monitor.review.text import Stamp
from monitor.screen.theme import clean
from rules.events import Event
from rules.review.causes import Verdict
from rules.vocabulary import EventKind

_NOTED = (EventKind.NOTE, EventKind.MEASURED, EventKind.OVERRULED)


def plain_text(review: Review) -> str:
    """Return the whole review as plain lines; nothing in them can steer a terminal."""
    stamp = Stamp(review.timezone)
    session = review.session
    lines = [
        f"{session.title or 'session'} in {session.enclosure or ''}, "
        f"{stamp(review.from_s)} to {stamp(review.to_s)} {stamp.name}"
    ]
    if review.seen:
        lines.append(words.seen_words(review))
    lines += _why_lines(review, stamp)
    for each in review.sections:
        lines += _section_lines(each, review, stamp)
    if any(each.coats for each in review.sections):
        lines.append(f"  {words.UNITS_SAID}")
    noted = noted_lines(review.events, stamp)
    lines += ["", "Noted and measured by hand", *(f"  {line}" for line in noted)] if noted else []
    lines += ["", "Sensors"]
    lines += [
        f"  {each.point}, {words.SENSOR_WORDS[each.quantity.value]}: {words.health_words(each)}"
        for each in review.sensors
    ]
    lines += [f"  {words.calibration_words(each, stamp)}" for each in review.calibrations]
    if review.outages:
        lines += ["", "Outages"] + [f"  {stamp(o.from_s)}: {o.text}" for o in review.outages]
    lines += ["", "Not known"] + [f"  {text}" for text in review.not_known]
    if review.chain_problems:
        lines += ["", "The log was changed after it was written:"]
        lines += [f"  {text}" for text in review.chain_problems]
    lines += ["", words.CAUTION]
    if not review.asked and any(each.coats for each in review.sections):
        lines.append(
            "Is something wrong with the film? Say how it looks and feels: "
            'filmcall review --seen "milky, greasy, in the morning"'
        )
    return "\n".join(clean(line) for line in lines)


def noted_lines(events: Iterable[Event], stamp: Stamp) -> list[str]:
    """Return what people noted or measured by hand, a line each, in the order of time."""
    return [
        f"{stamp(event.time_s)} {event.kind}{', ' + event.section if event.section else ''}: "
        f"{words.event_details(event) or 'nothing said'}"
        for event in sorted(events, key=lambda each: each.time_s)
        # A session's note is its title, which stands at the head.
        if event.kind in _NOTED or (event.note and event.kind is not EventKind.SESSION_STARTED)
    ]


def _why_lines(review: Review, stamp: Stamp) -> list[str]:
    lines: list[str] = []
    advised = words.advised(review)
    for each in review.sections:
        if each.verdicts:
            lines += ["", f"Why? {words.section_name(each.section)}"]
        for verdict in each.verdicts:
            lines += _verdict_lines(verdict, stamp)
            if (each.section, verdict.defect.name) in advised:
                lines += _advice_lines(verdict, review)
    if any(verdict.ranked for each in review.sections for verdict in each.verdicts):
        lines.append(f"  {words.NO_CHANCE}")
    return lines


def _verdict_lines(verdict: Verdict, stamp: Stamp) -> list[str]:
    return [
        f"  {words.answer_words(verdict)}",
        *(
            f"    {at}. {each.cause.sign}: {words.evidence_words(each, stamp)}"
            for at, each in enumerate(verdict.ranked, 1)
        ),
        *(
            f"    not shown: {each.cause.sign}: {words.evidence_words(each, stamp)}"
            for each in verdict.cleared
        ),
        *(f"    not looked at: {cause.sign}: {why}" for cause, why in verdict.not_looked),
    ]


def _advice_lines(verdict: Verdict, review: Review) -> list[str]:
    """What is the same for every section, and so is given once."""
    defect = verdict.defect
    return [
        f"    No sensor sees: {'; '.join(defect.unseen)}",
        f"    To tell it apart: {defect.tell_apart}",
        f"    First aid: {defect.first_aid}",
        *([] if review.seen else [f'    Say what you saw with --seen "...": {defect.ask}']),
    ]


def _section_lines(each: SectionReview, review: Review, stamp: Stamp) -> list[str]:
    lines = ["", words.section_name(each.section)]
    for coat in each.coats:
        lines += [
            f"  {words.coat_title(coat)}",
            f"    {words.laid_words(coat, stamp)}. {words.coat_outcome(coat, review.session)}",
        ]
        for limit in coat.limits:
            if limit.broken_s >= 60.0 or limit.beyond.partly_s > 0.0:
                lines.append(f"    {words.limit_words(limit, stamp)}")
        lines += [f"    {words.window_words(window, stamp)}" for window in coat.windows]
    return lines if each.coats else [*lines, "  No coat is recorded."]
