"""What a review says, in sentences; `report` sets them on a page, `json` in fixed keys."""

from __future__ import annotations

import math
from collections.abc import Iterable

from monitor.log.rows import Calibration, Session
from monitor.review.figures import (
    TimeStamp,
    exposure_words,
    figure,
    partly_words,
    possible_words,
    thinned_words,
    window_words,
)
from monitor.review.origin import LIVE_EVENT, CallOrigin, calls_heading, event_origin
from monitor.review.read import SensorHealth
from monitor.review.review import Review, SectionReview
from monitor.review.verdict_text import NO_CHANCE, UNKNOWN_SAID_S, verdict_lines
from rules.events import Event
from rules.memory import UNSEEN_S, unanswered
from rules.reasons import LIMIT_WORDS
from rules.review.causes import Verdict
from rules.review.coats import CoatRecord
from rules.review.exposure import LimitTimes
from rules.review.windows import WHICH_POT, WindowName, WindowOutcome
from rules.text import clean, counted, duration_text
from rules.vocabulary import ALL_SECTIONS, EventKind, LimitName

UNITS_SAID = "K h and % h: how far past a limit, times how long."
CAUTION = (
    "This looks at the film and the air round it. It says nothing about the air that people "
    "breathe; follow the safety data sheet before working on a spoiled film. Wear gloves and "
    "goggles: uncured paint sensitises, and a sensitised person stays away, mask or not. Think of "
    "people in the same building and downwind. Never dry-sand antifouling, or paint that may hold "
    "lead. Rags wet with oil varnish or oil paint light themselves: spread them out flat outside, "
    "or drown them. 5,000 ppm of carbon dioxide is the eight-hour limit in many countries; less "
    "than that is no word that the air is good to breathe."
)
SENSOR_WORDS = {
    "air_temp": "air temperature",
    "humidity": "humidity",
    "surface_temp": "surface temperature",
    "co2": "carbon dioxide",
    "dust": "dust",
}
_MARGIN = (LimitName.DEW_MARGIN_MIN,)


def section_name(section: str) -> str:
    """Return what a section is called."""
    return "Whole work" if section == ALL_SECTIONS else section


def advised(review: Review) -> frozenset[tuple[str, str]]:
    """Return which section's verdict on each defect carries its advice: the first that has one."""
    first: dict[str, str] = {}
    for each in review.sections:
        for verdict in each.verdicts:
            first.setdefault(verdict.defect.name, each.section)
    return frozenset((section, defect) for defect, section in first.items())


def seen_words(review: Review, stamp: TimeStamp) -> str:
    """Return what was said to be seen, and how it was understood."""
    when = f"; {'; '.join(review.seen_says)}" if review.seen_says else ""
    denied = f"; not: {', '.join(review.seen_denies)}" if review.seen_denies else ""
    judged = {verdict.defect.name for each in review.sections for verdict in each.verdicts}
    fits = ", ".join(defect.title for defect in review.asked if defect.name in judged)
    others = ", ".join(defect.title for defect in review.asked if defect.name not in judged)
    left = f" Left out, since no coat here can have it: {others}." if others else ""
    sighted = sorted(
        {
            f"at {stamp(each.sighting.at_s)}"
            + ("" if each.sighting.day_said else ", the first such time after the coat")
            for each in review.sections
            if each.sighting.at_s is not None
        }
    )
    at = f"; {' or '.join(sighted)}" if sighted else ""
    coats = sorted({number for each in review.sections for number in each.sighting.coats})
    on = f"; on coat {' and '.join(str(number) for number in coats)}" if coats else ""
    return (
        f'Seen: "{review.seen}". Understood: {fits or "nothing that a coat here can have"}{when}'
        f"{denied}{at}{on}.{left} If that is not what was meant, say it otherwise."
    )


def coat_title(coat: CoatRecord) -> str:
    """Return what a coat is called."""
    method = f", by {coat.method}" if coat.method is not None else ""
    return f"Coat {coat.number}: {coat.spec.title}{method}"


def laid_words(coat: CoatRecord, stamp: TimeStamp) -> str:
    """Return from when to when a coat was laid, as far as anybody recorded it."""
    begun = stamp(coat.started_s) if coat.started_s is not None else "a time not recorded"
    ended = stamp(coat.ended_s) if coat.ended_s is not None else "a time not recorded"
    return f"Laid {begun} to {ended}"


def batch_words(coat: CoatRecord) -> str:
    """Return the names of the pots that went into a coat, and of those that may have."""
    return ", ".join([*coat.batches, *(f"perhaps {name}" for name in coat.perhaps)])


def memory_words(coat: CoatRecord, stamp: TimeStamp) -> str:
    """Return when a coat was, or can have been, wet before it could be handled, or ""."""
    wetting = (
        None if coat.memory is None else unanswered(coat.memory, -math.inf, coat.until_s, None)
    )
    if wetting is None or coat.memory is None:
        return ""
    wet_s, unseen = coat.memory.wet_s, coat.memory.unseen
    found = []
    if wetting.seen:
        times = f"{stamp(wet_s[0][0])} to {stamp(wet_s[-1][1])}"
        found.append(f"Wet {times} while soft, {duration_text(wetting.lasted_s)} in all")
    if not wetting.seen or sum(each.wet_s for each in unseen) >= UNSEEN_S:
        times = f"{stamp(unseen[0].begin_s)} to {stamp(unseen[-1].end_s)}"
        found.append(f"Not known {times} while soft, and dew can have come")
    return ". ".join(found)


def coat_outcome(coat: CoatRecord, session: Session) -> str:
    """Return in one sentence whether a coat was laid and cured inside its spec.

    Args:
        coat: as the log has it.
        session: in which it was laid; what is not over in one that has ended stays unknown.
    """
    goes_on = session.ended_s is None
    so_far = " so far" if coat.is_open and goes_on else ""
    broken = [each for each in coat.limits if each.broken_s > 0.0]
    partly = [each for each in coat.limits if each.beyond.partly_s > 0.0]
    missed = [each for each in coat.windows if each.kept in _MISSED and each.missed_s >= 60.0]
    unknown_s = coat.unknown_s
    said: list[str] = []
    if broken:
        worst = max(broken, key=lambda each: each.broken_s)
        also = [each for each in partly if each.name not in _MARGIN]
        names = ", ".join(dict.fromkeys(LIMIT_WORDS[each.name] for each in (*broken, *also)))
        said.append(f"{names}; {duration_text(worst.broken_s)} at the longest, in {worst.stage}")
    elif partly:
        told = max(partly, key=lambda each: (each.name not in _MARGIN, each.beyond.partly_s))
        names = ", ".join(dict.fromkeys(LIMIT_WORDS[each.name] for each in partly))
        when = partly_words(told.beyond, sure=told.name not in _MARGIN)
        said.append(f"{when}: {names}, in {told.stage}")
    said += [
        f"{'more' if pot.thinner_pct > pot.asked.max_pct else 'less'} thinner than its sheet says"
        for pot in coat.thinned
        if pot.is_sure and pot.asked.against(pot.thinner_pct)
    ]
    said += [
        f"tape still on {duration_text(each.missed_s)} past its time"
        if each.undone
        else f"{_MISSED_WORDS[each.name]} {duration_text(each.missed_s)} {each.kept}"
        for each in missed
    ]
    tail = ""
    if coat.unwashed is not None:
        may = "" if coat.unwashed.seen else ", and whether it was wet while soft is not known"
        tail = f"; coated over unwashed{may}"
    tail += _what_is_left(coat, unknown_s, goes_on)
    if said:
        head = "Outside its spec " if partly and not broken else "Outside its spec: "
        return f"{head}{'; '.join(said)}{tail}."
    if not coat.limits:
        return "Nothing is known of its climate."
    if unknown_s > UNKNOWN_SAID_S:
        return f"Inside its spec{so_far} as far as is known{tail}."
    near_s = max(each.near_s for each in coat.limits)
    near = (
        f"; {duration_text(near_s)} of it nearer than the sensors can tell" if near_s > 60.0 else ""
    )
    if any(each.why == WHICH_POT for each in coat.windows):
        near += "; which pot went in is not known"
    close = [each.name for each in coat.windows if each.kept is WindowOutcome.CLOSE]
    if close:
        near += f"; {' and '.join(close)} too near for the sensors to tell"
    return f"Inside its spec{so_far}{near}{tail}."


_MISSED = (WindowOutcome.EARLY, WindowOutcome.LATE)
_MISSED_WORDS = {
    WindowName.RECOAT: "coated over",
    WindowName.POT_LIFE: "pot used",
    WindowName.INDUCTION: "mix used",
    WindowName.TAPE: "tape off",
}


def _what_is_left(coat: CoatRecord, unknown_s: float, goes_on: bool) -> str:
    """What is not known of a coat, and that its log ends early."""
    unknown = f"; {duration_text(unknown_s)} are not known" if unknown_s > UNKNOWN_SAID_S else ""
    uncured = "; the log ends before it has cured" if coat.is_open and not goes_on else ""
    return unknown + uncured


def health_words(each: SensorHealth) -> str:
    """Return what a channel gave, in one sentence."""
    bad = ", ".join(f"{count} {quality}" for quality, count in each.by_quality.items())
    means = f", {each.thinned} of them kept as minute means" if each.thinned else ""
    gaps = "no gap"
    if each.gaps:
        longest = duration_text(each.longest_gap_s)
        many = f"gaps, the longest {longest}"
        gaps = counted(each.gaps, f"gap of {longest}", many)
    every = "" if each.usual_interval_s is None else f", every {each.usual_interval_s:.0f} s"
    return f"{counted(each.readings, 'reading')}{means}{every}; {gaps}; {bad or 'all ok'}"


def calibration_words(each: Calibration, stamp: TimeStamp) -> str:
    """Return when a probe was last calibrated."""
    return f"{each.point}, {SENSOR_WORDS[each.quantity.value]}: calibrated {stamp(each.made_s)}"


def event_details(event: Event) -> str:
    """Return what a person said with an event: the note, a measured value, spec, coat and pot."""
    value = "" if event.value is None else f"{event.what} {event.value:g} {event.unit or ''}"
    details = [
        (event.what or "") if event.kind is EventKind.VOUCHED else "",
        event.note,
        value.strip(),
        "" if event.spec is None else f"spec {event.spec}",
        "" if event.coat is None else f"coat {event.coat}",
        "" if event.batch is None else f"batch {event.batch}",
        "" if event.amount_ml is None else f"{event.amount_ml:g} mL",
        "" if event.thinner_pct is None else f"thinner {event.thinner_pct:g} %",
        "" if event.method is None else f"by {event.method}",
    ]
    return "; ".join(each for each in details if each)


def limit_words(limit: LimitTimes, stamp: TimeStamp) -> str:
    """Return how one limit was kept over one stage."""
    found = limit.beyond
    long = limit.broken_s >= 60.0
    partly = partly_words(found, sure=limit.name not in _MARGIN, more=long)
    passed = f"{'over' if found.upper else 'under'} {figure(found.bound, found.unit)}"
    when = f"{passed} {partly}"
    if long:
        when = f"{duration_text(limit.broken_s)} {passed}{', and ' + partly if partly else ''}"
    return (
        f"{limit.stage}, {LIMIT_WORDS[limit.name]}: {when}, "
        f"worst {figure(found.worst, found.unit, found.bound)} at {stamp(found.worst_s)}"
        f"{possible_words(found, stamp)}, "
        f"{exposure_words(found)}"
    )


_NOTED = (
    EventKind.NOTE,
    EventKind.MEASURED,
    EventKind.OVERRULED,
    EventKind.RESPEC,
    EventKind.VOUCHED,
)


def plain_text(review: Review) -> str:
    """Return the whole review as plain lines; nothing in them can steer a terminal."""
    stamp = TimeStamp(review.timezone)
    session = review.session
    lines = [
        f"{session.title or 'session'} in {session.enclosure or ''}, "
        f"{stamp(review.from_s)} to {stamp(review.to_s)} {stamp.name}"
    ]
    if review.seen:
        lines.append(seen_words(review, stamp))
    lines += _why_lines(review, stamp)
    for each in review.sections:
        lines += _section_lines(each, review, stamp)
    if any(each.coats for each in review.sections):
        lines.append(f"  {UNITS_SAID}")
    noted = noted_lines(review.events, stamp)
    lines += ["", "Noted and measured by hand", *(f"  {line}" for line in noted)] if noted else []
    lines += ["", "Sensors"]
    lines += [
        f"  {each.point}, {SENSOR_WORDS[each.quantity.value]}: {health_words(each)}"
        for each in review.sensors
    ]
    lines += [f"  {calibration_words(each, stamp)}" for each in review.calibrations]
    if review.outages:
        lines += ["", "Outages"] + [f"  {stamp(o.from_s)}: {o.text}" for o in review.outages]
    lines += ["", "Not known"] + [f"  {text}" for text in review.not_known]
    if review.chain_problems:
        lines += ["", "The log was changed after it was written:"]
        lines += [f"  {text}" for text in review.chain_problems]
    lines += ["", CAUTION]
    if not review.asked and any(each.coats for each in review.sections):
        lines.append(
            "Is something wrong with the film? Say how it looks and feels: "
            'filmcall review --seen "milky, greasy, in the morning"'
        )
    return "\n".join(clean(line) for line in lines)


def noted_lines(events: Iterable[Event], stamp: TimeStamp) -> list[str]:
    """Return what people noted or measured by hand, a line each, in the order of time."""
    return [
        f"{stamp(event.time_s)} {event.kind}{', ' + event.section if event.section else ''}: "
        f"{event_details(event) or 'nothing said'}{_typed_in(event)}"
        for event in sorted(events, key=lambda each: each.time_s)
        # A session's note is its title, which stands at the head.
        if event.kind in _NOTED or (event.note and event.kind is not EventKind.SESSION_STARTED)
    ]


def _typed_in(event: Event) -> str:
    origin = event_origin(event)
    return "" if origin == LIVE_EVENT else f" ({origin})"


def _why_lines(review: Review, stamp: TimeStamp) -> list[str]:
    lines: list[str] = []
    heads = advised(review)
    for each in review.sections:
        if each.verdicts:
            lines += ["", f"Why? {section_name(each.section)}"]
        for verdict in each.verdicts:
            lines += verdict_lines(verdict, stamp)
            if (each.section, verdict.defect.name) in heads:
                lines += _advice_lines(verdict, review)
    if any(verdict.ranked for each in review.sections for verdict in each.verdicts):
        lines.append(f"  {NO_CHANCE}")
    return lines


def _advice_lines(verdict: Verdict, review: Review) -> list[str]:
    """What is the same for every section, and so is given once."""
    defect = verdict.defect
    return [
        f"    No sensor sees: {'; '.join(defect.unseen)}",
        f"    To tell it apart: {defect.tell_apart}",
        f"    First aid: {defect.first_aid}",
        *([] if review.seen else [f'    Say what you saw with --seen "...": {defect.ask}']),
    ]


def _section_lines(each: SectionReview, review: Review, stamp: TimeStamp) -> list[str]:
    lines = ["", section_name(each.section)]
    for coat in each.coats:
        lines += [
            f"  {coat_title(coat)}",
            f"    {laid_words(coat, stamp)}. {coat_outcome(coat, review.session)}",
            *(f"    {each}" for each in [memory_words(coat, stamp)] if each),
        ]
        for limit in coat.limits:
            if limit.broken_s >= 60.0 or limit.beyond.partly_s > 0.0:
                lines.append(f"    {limit_words(limit, stamp)}")
        lines += [f"    {window_words(window, stamp)}" for window in coat.windows]
        lines += [f"    {thinned_words(pot)}" for pot in coat.thinned]
    if not each.coats:
        lines.append("  No coat is recorded.")
    if each.calls and not all(call.origin is CallOrigin.LIVE for call in each.calls):
        later_s = max(call.later_s for call in each.calls)
        said = calls_heading([call.origin for call in each.calls], later_s)
        lines.append(f"  {len(each.calls)} {said}.")
    return lines
