"""What a review says, in sentences; `report` sets them on a page, `review_json` in fixed keys."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.log.rows import Calibration, Session
from monitor.review.read import SensorHealth
from monitor.review.review import Review, SectionReview
from rules.events import Event
from rules.reasons import LIMIT_WORDS
from rules.review.causes import Evidence, Finding, Verdict
from rules.review.coats import CoatRecord, Window, WindowName, WindowOutcome
from rules.review.defects import Sign
from rules.review.exposure import Excess, LimitTimes
from rules.text import clean, counted, date_hour_text, date_text, duration_text, hour_text
from rules.units import apart_from
from rules.vocabulary import ALL_SECTIONS, EventKind, LimitName
from sensors.zones import UTC_NAME, zone_or_utc

NO_CHANCE = (
    "Causes stand in the order of how far and how long they held while the film was open to them; "
    "that is no probability."
)
UNITS_SAID = "K h and % h: how far beyond a limit, times how long."
CAUTION = (
    "This looks at the film and the air round it. It says nothing about the air that people "
    "breathe; follow the safety data sheet before working on a spoiled film."
)
SENSOR_WORDS = {
    "air_temp": "air temperature",
    "humidity": "humidity",
    "surface_temp": "surface temperature",
    "co2": "carbon dioxide",
    "dust": "dust",
}
_UNIT_WORDS = {"degC": "°C"}
_MARGIN = (LimitName.DEW_MARGIN_MIN,)
_OF_MARGIN = (Sign.LOW_MARGIN, Sign.WET_BEFORE)


class TimeStamp:
    """Shows times in one zone, the same way everywhere."""

    def __init__(self, timezone: str) -> None:
        self.zone = zone_or_utc(timezone)
        self.name = "UTC" if self.zone.key == UTC_NAME else timezone

    def __call__(self, time_s: float | None) -> str:
        """Return day and minute."""
        if time_s is None:
            return "not known"
        return date_hour_text(time_s, self.zone)

    def minute(self, time_s: float) -> str:
        """Return the time of day."""
        return hour_text(time_s, self.zone)

    def day(self, time_s: float) -> str:
        """Return the day."""
        return date_text(time_s, self.zone)


def figure(value: float | None, unit: str, past: float | None = None) -> str:
    """Return a value with its unit; never as if it were the bound that it is past.

    >>> figure(-0.04, "K"), figure(84.6, "%"), figure(None, "K"), figure(85.3, "%", past=85.0)
    ('0.0 K', '85 %', 'not known', '85.3 %')
    """
    if value is None:
        return "not known"
    shown = apart_from(value, past, 0 if unit in ("%", "ppm") else 1).replace("-", "−")
    return f"{shown} {_UNIT_WORDS.get(unit, unit)}"


def exposure_words(found: Excess) -> str:
    """Return the sum of how far and how long, with its unit."""
    unit = _UNIT_WORDS.get(found.unit, found.unit)
    unit = "K" if unit == "°C" else unit
    places = 0 if unit in ("%", "ppm") else 1
    about = "about " if found.partly_s > 0.0 else ""
    return f"{about}{found.exposure:.{places}f} {unit} h"


def partly_words(found: Excess, *, sure: bool, more: bool = False) -> str:
    """Return what minute means leave open, or "" where the bound is on neither side of them.

    Args:
        found: the sums.
        sure: whether the lowest and highest of such a minute were one quantity's own readings, so
            that some were beyond; a margin's ends are put together from several points.
        more: whether it comes on top of time that was surely beyond.
    """
    if found.partly_s <= 0.0:
        return ""
    perhaps = "" if sure else "perhaps "
    return f"{perhaps}at some time within {duration_text(found.partly_s)}{' more' if more else ''}"


def evidence_words(evidence: Evidence, stamp: TimeStamp) -> str:
    """Return what the log shows of a cause, as figures with times."""
    if evidence.via is not None:
        return f"coat {evidence.coat} over it: {evidence_words(evidence.via, stamp)}"
    if evidence.window is not None:
        return f"coat {evidence.coat}: {window_words(evidence.window, stamp)}"
    found = evidence.beyond
    if found is None:
        return f"coat {evidence.coat}"
    side = "over" if found.upper else "under"
    if evidence.cause.sign is Sign.SURFACE_RISE:
        side = "above its warmth at coating by more than"
    bound, whole = figure(found.bound, found.unit), duration_text(found.whole_s)
    worst = f"worst {figure(found.worst, found.unit, found.bound)} at {stamp(found.worst_s)}"
    partly = partly_words(
        found, sure=evidence.cause.sign not in _OF_MARGIN, more=found.beyond_s > 0.0
    )
    if found.beyond_s <= 0.0 and partly:
        return (
            f"coat {evidence.coat}: {side} {bound} {partly}, of {whole} that matter, from "
            f"{stamp(found.first_s)} to {stamp(found.last_s)}; {worst}; "
            f"{exposure_words(found)} beyond"
        )
    if found.beyond_s <= 0.0:
        return f"coat {evidence.coat}: never {side} {bound} in {whole}; {worst}"
    sure = "" if evidence.clear else "; within the sensors' uncertainty, so not sure"
    also = f", and {partly}" if partly else ""
    return (
        f"coat {evidence.coat}: {duration_text(found.beyond_s)} {side} {bound}{also}, of {whole} "
        f"that matter, from {stamp(found.first_s)} to {stamp(found.last_s)}; {worst}; "
        f"{exposure_words(found)} beyond{sure}"
    )


def window_words(window: Window, stamp: TimeStamp) -> str:
    """Return how a time was kept."""
    done = stamp(window.done_s)
    opens = f"not before {stamp(window.opens_s)}" if window.opens_s is not None else ""
    closes = f"not after {stamp(window.closes_s)}" if window.closes_s is not None else ""
    bounds = " and ".join(each for each in (opens, closes) if each)
    what = {
        WindowName.RECOAT: "coated over",
        WindowName.POT_LIFE: "pot used until",
        WindowName.INDUCTION: "mix first used",
        WindowName.TAPE: "tape off",
    }[window.name]
    if window.kept is WindowOutcome.UNKNOWN:
        return f"{window.name}: not known, {window.why}"
    tail = f" ({bounds})" if bounds else ""
    kept = window.kept.value
    if window.kept is WindowOutcome.CLOSE:
        kept = "kept, though by less than these sensors can tell for sure"
    by = f" by {duration_text(window.missed_s)}" if window.missed_s > 0.0 else ""
    heat = "; at 20 °C it would have been in time" if by and window.kept_at_20_c else ""
    return f"{window.name}: {what} {done}{tail}: {kept}{by}{heat}"


def answer_words(verdict: Verdict) -> str:
    """Return in plain words what the log says of a defect."""
    title = verdict.defect.title
    match verdict.answer:
        case Finding.SUPPORTED:
            first = verdict.ranked[0].cause
            return f"The log supports a cause of {title}: {first.sign}. {capital(first.why)}."
        case Finding.WEAK:
            return (
                f"The log hints at a cause of {title}, {verdict.ranked[0].cause.sign}, but no "
                f"further than {_explained(verdict)} can explain."
            )
        case Finding.AGAINST:
            return (
                f"The log speaks against every cause of {title} that it can see. Look for what no "
                "sensor sees, below."
            )
        case Finding.NOT_KNOWN:
            return (
                f"The log shows no cause of {title}, but it knows too little of the time that "
                "mattered to speak against any."
            )
        case Finding.NOT_SHOWN:
            return f"A log of the air cannot show what causes {title}."
        case Finding.NO_COAT:
            return (
                f"No coat is recorded, so the log can tell no cause of {title}. Say when it was "
                "laid, and look again: filmcall event coat-started --at TIME, and coat-ended."
            )
        case Finding.NO_SUCH_FILM:
            families = " or ".join(verdict.defect.families)
            return f"{capital(title)} comes with {families} coatings; the log has no such coat."


def _explained(verdict: Verdict) -> str:
    partly = any(e.beyond is not None and e.beyond.partly_s > 0.0 for e in verdict.ranked)
    means = " and what minute means leave open" if partly else ""
    return f"the sensors' uncertainty{means}"


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


def seen_words(review: Review) -> str:
    """Return what was said to be seen, and how it was understood."""
    when = f"; {'; '.join(review.seen_says)}" if review.seen_says else ""
    judged = {verdict.defect.name for each in review.sections for verdict in each.verdicts}
    fits = ", ".join(defect.title for defect in review.asked if defect.name in judged)
    others = ", ".join(defect.title for defect in review.asked if defect.name not in judged)
    left = f" Left out, since no coat here can have it: {others}." if others else ""
    return f'Seen: "{review.seen}"{when}. Looked for: {fits}.{left}'


def capital(text: str) -> str:
    """Return text that begins with a capital letter."""
    return text[:1].upper() + text[1:]


def coat_title(coat: CoatRecord) -> str:
    """Return what a coat is called."""
    method = f", by {coat.method}" if coat.method is not None else ""
    return f"Coat {coat.number}: {coat.spec.title}{method}"


def laid_words(coat: CoatRecord, stamp: TimeStamp) -> str:
    """Return from when to when a coat was laid, as far as anybody recorded it."""
    begun = stamp(coat.started_s) if coat.started_s is not None else "a time not recorded"
    ended = stamp(coat.ended_s) if coat.ended_s is not None else "a time not recorded"
    return f"Laid {begun} to {ended}"


def coat_outcome(coat: CoatRecord, session: Session) -> str:
    """Return in one sentence whether a coat was laid and cured inside its spec.

    Args:
        coat: as the log has it.
        session: in which it was laid; what is not over in one that has ended stays unknown.
    """
    goes_on = session.ended_s is None
    so_far = " so far" if coat.is_open and goes_on else ""
    uncured = "; the log ends before it has cured" if coat.is_open and not goes_on else ""
    broken = [each for each in coat.limits if each.broken_s >= 60.0]
    unknown_s = max((each.unknown_s for each in coat.limits), default=0.0)
    partly = [each for each in coat.limits if each.beyond.partly_s > 0.0]
    if broken:
        worst = max(broken, key=lambda each: each.broken_s)
        names = ", ".join(dict.fromkeys(LIMIT_WORDS[each.name] for each in broken))
        longest = duration_text(worst.broken_s)
        return f"Outside its spec: {names}; {longest} at the longest, in {worst.stage}."
    if not coat.limits:
        return "Nothing is known of its climate."
    if partly:
        told = max(partly, key=lambda each: (each.name not in _MARGIN, each.beyond.partly_s))
        names = ", ".join(dict.fromkeys(LIMIT_WORDS[each.name] for each in partly))
        when = partly_words(told.beyond, sure=told.name not in _MARGIN)
        return f"{capital('outside its spec ' + when)}: {names}, in {told.stage}."
    if unknown_s > 0.1 * max(each.whole_s for each in coat.limits):
        return (
            f"Inside its spec{so_far} as far as is known; {duration_text(unknown_s)} are not "
            f"known{uncured}."
        )
    near_s = max(each.near_s for each in coat.limits)
    near = (
        f"; {duration_text(near_s)} of it nearer than the sensors can tell" if near_s > 60.0 else ""
    )
    return f"Inside its spec{so_far}{near}{uncured}."


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
        f"worst {figure(found.worst, found.unit, found.bound)} at {stamp(found.worst_s)}, "
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
        lines.append(seen_words(review))
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
        f"{event_details(event) or 'nothing said'}"
        for event in sorted(events, key=lambda each: each.time_s)
        # A session's note is its title, which stands at the head.
        if event.kind in _NOTED or (event.note and event.kind is not EventKind.SESSION_STARTED)
    ]


def _why_lines(review: Review, stamp: TimeStamp) -> list[str]:
    lines: list[str] = []
    heads = advised(review)
    for each in review.sections:
        if each.verdicts:
            lines += ["", f"Why? {section_name(each.section)}"]
        for verdict in each.verdicts:
            lines += _verdict_lines(verdict, stamp)
            if (each.section, verdict.defect.name) in heads:
                lines += _advice_lines(verdict, review)
    if any(verdict.ranked for each in review.sections for verdict in each.verdicts):
        lines.append(f"  {NO_CHANCE}")
    return lines


def _verdict_lines(verdict: Verdict, stamp: TimeStamp) -> list[str]:
    return [
        f"  {answer_words(verdict)}",
        *(
            f"    {at}. {each.cause.sign}: {evidence_words(each, stamp)}"
            for at, each in enumerate(verdict.ranked, 1)
        ),
        *(
            f"    not shown: {each.cause.sign}: {evidence_words(each, stamp)}"
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


def _section_lines(each: SectionReview, review: Review, stamp: TimeStamp) -> list[str]:
    lines = ["", section_name(each.section)]
    for coat in each.coats:
        lines += [
            f"  {coat_title(coat)}",
            f"    {laid_words(coat, stamp)}. {coat_outcome(coat, review.session)}",
        ]
        for limit in coat.limits:
            if limit.broken_s >= 60.0 or limit.beyond.partly_s > 0.0:
                lines.append(f"    {limit_words(limit, stamp)}")
        lines += [f"    {window_words(window, stamp)}" for window in coat.windows]
    return lines if each.coats else [*lines, "  No coat is recorded."]
