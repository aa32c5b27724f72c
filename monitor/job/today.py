"""`filmcall today`: what is next, what to mix, what the night does, and whether the day holds."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime, time, timedelta, tzinfo

import numpy as np

from monitor.job.make import JobAtHand, Made, too_late
from monitor.job.standing import Standing
from monitor.job.text import (
    ALL_ON,
    CAUTION,
    NOTHING_PROMISED,
    day_text,
    generic_lines,
    moment_text,
    note_lines,
    tent_lines,
    unsaid_lines,
)
from monitor.wire import Json
from rules.air.arrays import wetting_temps_c
from rules.batch.plan import BatchFault, plan_batches
from rules.clocks.all_clocks import clocks_on
from rules.clocks.clock import ClockState
from rules.job.model import CoatToLay, JobSection, midnight_s
from rules.job.plan import PlannedStep
from rules.job.problem import SLOT_S, Laid, MixedPot, pots_span_s
from rules.job.shopping import ENOUGH, coat_takes_ml, mix_job
from rules.reasons import LAST_START
from rules.spec.model import Spec
from rules.text import counted, duration_text, hour_and_day_text, hour_text
from rules.units import DAY_S, HOUR_S, celsius
from rules.vocabulary import ClockName, LimitName, Stage

CUP_ML = 250.0
AHEAD_S = 36.0 * HOUR_S
_NIGHT_FROM_H, _NIGHT_H = 20, 12
_DAY_FROM_H = 6
"""From this hour on "tonight" is the coming night. Judgement, no source."""


def today_text(hand: JobAtHand, made: Made) -> str:
    """Return the page as text.

    Args:
        hand: the job at hand.
        made: its plan from now on.
    """
    zone, now_s = hand.job.hours.zone, hand.now_s
    lines = [f"{hand.job.boat}, {moment_text(now_s, zone)}", "", "May I?"]
    lines += [*_calls(hand, zone), "", "Next:"]
    shown = _shown(made.plan.steps, now_s)
    lines += [*_tape(hand, zone), *_pots(hand, made, zone)]
    for step in shown:
        lines += _step(hand, made, step, now_s, zone)
    if not shown:
        lines.append(f"  {ALL_ON}")
    lines += ["", "Tonight:", *_night(hand, made, now_s, zone)]
    lines += [
        "",
        *_day(hand, made, zone),
        *tent_lines(made.plan),
        *_measured(hand),
        "",
        *unsaid_lines(hand.job),
        *generic_lines(hand.job),
        CAUTION,
    ]
    return "\n".join(lines)


def _shown(steps: Sequence[PlannedStep], now_s: float) -> list[PlannedStep]:
    """The steps of the page, or the next one; whatever is mixed with the coat that it is for."""
    soon = [step for step in steps if step.start_s < now_s + AHEAD_S] or steps[:1]
    mixed = {(step.section, step.coat) for step in soon if step.step == "mix"}
    return [
        step
        for step in steps
        if step in soon or (step.step == "coat" and (step.section, step.coat) in mixed)
    ]


def _calls(hand: JobAtHand, zone: tzinfo) -> list[str]:
    followed = hand.followed
    lines, unanswered = list(_blind(hand, zone)), []
    for section in hand.job.sections:
        if _is_blind(hand, section.enclosure):
            continue
        film, heard = followed.laid.get(section.name), hand.heard.get(section.enclosure)
        stood = None if heard is None else heard.fresh(section.name, hand.now_s)
        if stood is not None:
            start = json.loads(stood.call.body)["start"]
            told = _against(hand, section, stood, zone) if start["call"] == "GO" else None
            lines.append(f"  {section.name}: {told or _start(start, stood, hand.now_s, zone)}")
        elif film is None or film.coat.number < len(section.coats):
            unanswered.append(section.name)
    lines += [
        f"  {name}: {words}." for name, held in followed.held.items() for words in held
        if not any(words in line for line in lines)
    ]  # fmt: skip
    if followed.open:
        lines.append(f"  A coat is being laid on {', '.join(followed.open)}: finish it first.")
    if unanswered:
        of = f" of {', '.join(unanswered)}" if lines else ""
        lines.append(
            f"  No call{of} of the last hour is in the log: ask filmcall watch, or take a hand"
        )
        lines.append("  reading and ask filmcall check, before you mix.")
    return lines + [f"  {line}" for line in note_lines(hand.notes)]


def _blind(hand: JobAtHand, zone: tzinfo) -> Iterator[str]:
    for name, heard in sorted(hand.heard.items()):
        if _is_blind(hand, name):
            since = hour_and_day_text(heard.read_s, zone, hand.now_s)
            yield f"  NOT KNOWN in {name}: no reading since {since}. Begin nothing until the probes"
            yield "  are read again, or take a hand reading and ask filmcall check."


def _is_blind(hand: JobAtHand, enclosure: str) -> bool:
    heard = hand.heard.get(enclosure)
    return heard is not None and heard.counts_until_s < hand.now_s


def _start(start: Json, stood: Standing, now_s: float, zone: tzinfo) -> str:
    """The log's answer to "may I start?", whatever the question that decided the call."""
    call, is_new = start["call"], now_s - stood.call.time_s < HOUR_S
    why = start["reasons"]
    if call == "GO":  # until when a coat may be begun; that moves with the outlook
        why = [each for each in why if each["limit"] == LAST_START and is_new]
    at, still = (
        hour_and_day_text(each, zone, now_s) for each in (stood.call.time_s, stood.until_s)
    )
    words = [f"{call} at {at}, by the log", *(each["text"] for each in why[:1])]
    if not is_new:
        words.append(f"Still {call} at {still}")
    return f"{'. '.join(each.rstrip('.') for each in words)}."


def _against(hand: JobAtHand, section: JobSection, stood: Standing, zone: tzinfo) -> str | None:
    """What to say where the film that lies is not open to the job's next coat and the log has GO.

    GO may be for the enclosure's own paint, or older than a coat that was written down later. Where
    every coat is on the film is held to one more of its own paint.
    """
    film = hand.followed.laid.get(section.name)
    if film is None:
        return None
    left = section.coats[film.coat.number :]
    coat = left[0] if left else film.coat
    lies = f"coat {film.coat.number}" if left else "the newest coat"
    is_sanded = film.sanded or (bool(left) and coat.is_sanded_first)
    opens_s, closes_s = _window_s(hand, section, film, coat)
    of = f"the window of {lies} for {coat.spec.title}"
    if hand.now_s < opens_s < np.inf:
        words = f"HOLD: {of} opens {hour_and_day_text(opens_s, zone, hand.now_s)}"
    elif hand.now_s < opens_s:
        words = f"HOLD: {of} is not open"
    elif closes_s <= hand.now_s and not is_sanded:
        words = f"STOP: {of} closed {hour_and_day_text(closes_s, zone, hand.now_s)}: sand first"
    else:
        return None
    go = "older than that coat" if stood.call.time_s < film.started_s else "for another paint"
    return f"{words} (GO in the log is {go})."


def _window_s(
    hand: JobAtHand, section: JobSection, film: Laid, coat: CoatToLay
) -> tuple[float, float]:
    """When the window for the coat on top of a film that lies opens and closes."""
    ahead = hand.ahead[section.enclosure]
    clocks = ahead.film_clocks(film.coat.spec, coat.spec, ClockName.CURED)
    return film.ends_s(ahead, clocks, "opens"), film.ends_s(ahead, clocks, "closes", latest=False)


def _measured(hand: JobAtHand) -> list[str]:
    """What the clocks of films that lie rest on, where the log measured them."""
    lines = []
    for name, film in sorted(hand.followed.laid.items()):
        if film.bench is None:
            continue
        rests = "by the log until now, then by the hours ahead"
        if (since := _unread_since(hand, film)) is not None:
            rests = (
                f"by the log until {since}, at the safe end of what can have been until now, then "
                "by the hours ahead as if it were read again; every hour without a reading puts "
                "them back"
            )
        lines.append(
            f"Clocks of {name}: {rests}; filmcall clocks goes on at the present temperature."
        )
    return lines


def _unread_since(hand: JobAtHand, film: Laid) -> str | None:
    """Since when a film's temperature is not measured, in words; None where it is."""
    if film.bench is None:
        return None
    course, now_s = film.bench.cold.safe, film.bench.now_s
    if course.last_s is None or now_s - course.last_s <= course.fresh_s:
        return None
    return hour_and_day_text(course.last_s, hand.job.hours.zone, now_s)


def _step(hand: JobAtHand, made: Made, step: PlannedStep, now_s: float, zone: tzinfo) -> list[str]:
    span = f"{hour_and_day_text(step.start_s, zone, now_s)} to {hour_text(step.end_s, zone)}"
    section = next(each for each in hand.job.sections if each.name == step.section)
    coat = section.coats[(step.coat or 1) - 1]
    words = f"  {span}  {step.step} {step.section}"
    if step.step == "mix":
        waits = "" if _waits_for(hand, coat, section) is None else ", not before that may go on"
        return [f"{words}, for coat {step.coat}{waits}:", *_mix(made, section, coat)]
    if step.step == "coat":
        window = (
            f"{hour_and_day_text(step.earliest_s, zone, now_s)} to "
            f"{hour_and_day_text(step.latest_s, zone, now_s)}"
        )
        dry_s = _slot_time(made, step, "dry")
        when = _waits_for(hand, coat, section) or f"may start {window}"
        return [
            f"{words}, coat {step.coat} of {coat.spec.title}; {when}",
            f"      holds in {100 * step.probability:.0f} % of the draws; touch dry about "
            f"{hour_and_day_text(dry_s, zone, now_s)}",
        ]
    if step.step == "untape":
        return [f"{words}: tape off by {hour_and_day_text(step.latest_s, zone, now_s)}"]
    if step.is_extra:
        return [f"{words}, before coat {step.coat}: {_closed(hand, made, step, zone)}"]
    return [f"{words}, {step.what}" if step.what else words]


def _closed(hand: JobAtHand, made: Made, sanding: PlannedStep, zone: tzinfo) -> str:
    """When the window closes that a sanding makes up for, of a film that lies or is to be laid."""
    section = next(each for each in hand.job.sections if each.name == sanding.section)
    coat = section.coats[sanding.coat - 1]
    film, number = hand.followed.laid.get(section.name), coat.number - 1
    if film is not None and film.coat.number == number:
        _, closes_s = _window_s(hand, section, film, coat)
    else:
        closes_s = next(
            _slot_time(made, each, "closes") for each in made.plan.steps
            if (each.section, each.step, each.coat) == (section.name, "coat", number)
        )  # fmt: skip
    verb = "closed" if closes_s <= hand.now_s else "closes"
    return f"the window of coat {number} {verb} {hour_and_day_text(closes_s, zone, hand.now_s)}"


def _waits_for(hand: JobAtHand, coat: CoatToLay, section: JobSection) -> str | None:
    """What a coat waits for on a film whose window was not open when its readings ended."""
    film = hand.followed.laid.get(section.name)
    if film is None or coat.number != film.coat.number + 1:
        return None
    since = _unread_since(hand, film)
    if since is None or _window_s(hand, section, film, coat)[0] <= hand.now_s:
        return None
    return (
        f"no reading since {since}: not before filmcall clocks says that coat {film.coat.number} "
        "may be coated over"
    )


def _tape(hand: JobAtHand, zone: tzinfo) -> list[str]:
    """When the tape that the log has on a film comes off: it is no step of the plan any more."""
    lines = []
    for name, on_s in hand.followed.taped.items():
        film = hand.followed.laid[name]
        spec = film.coat.spec
        ahead = hand.ahead[next(s.enclosure for s in hand.job.sections if s.name == name)]
        clocks = ahead.film_clocks(spec, None, ClockName.CURED)
        first_s = film.ends_s(ahead, clocks, "tape_off")
        stays_s = film.ends_s(ahead, clocks, "tape_stays", latest=False)
        last_s = min(stays_s, on_s + (spec.tape_not_after_s or np.inf), *_tape_ended_s(film))
        words = f"  untape {name}, whose tape is on by the log"
        if last_s <= hand.now_s:
            since = hour_and_day_text(last_s, zone, hand.now_s)
            lines.append(f"{words}: OVERDUE since {since}")
            lines.append("      pull it slowly, and expect glue left behind or torn edges")
            continue
        ends = [
            f"{word} {hour_and_day_text(time_s, zone, hand.now_s)}"
            for word, time_s in (("from", first_s), ("by", last_s))
            if np.isfinite(time_s)
        ]
        lines.append(words + (f": off {', '.join(ends)}" if ends else ""))
    return lines


def _tape_ended_s(film: Laid) -> Iterator[float]:
    """When the log's own clock says that the tape should have come off."""
    for clock in () if film.bench is None else clocks_on(film.bench):
        if clock.name is ClockName.TAPE_NOT_AFTER and clock.state is ClockState.ENDED:
            yield np.inf if clock.ends_at_s is None else clock.ends_at_s


def _pots(hand: JobAtHand, made: Made, zone: tzinfo) -> list[str]:
    """What to do with the pots that are mixed: they are no step of the plan any more."""
    lines: list[str] = []
    for section in hand.job.sections:
        name, film = section.name, hand.followed.laid.get(section.name)
        pots, rests = (each.get(name, ()) for each in (hand.followed.pots, hand.followed.rests))
        if not (pots or rests):
            continue
        coat = section.coats[0 if film is None else film.coat.number]
        ahead = hand.ahead[section.enclosure]
        clocks = ahead.film_clocks(coat.spec, None, ClockName.CURED)
        of_coat = f"{name}, coat {coat.number}"
        for pot in rests:
            _, dead_s = pots_span_s([pot], ahead, clocks)
            takes_ml = coat_takes_ml(section, coat, made.mix_temps_c()[name, coat.number])
            lines += _rest_of(pot, takes_ml, of_coat, dead_s, hand.now_s, zone)
        if not pots:
            continue
        first_s, last_s = pots_span_s(pots, ahead, clocks)
        words = f"  {of_coat}: {_named(pots)} is mixed"
        if name not in made.poured:
            lines.append(f"{words}, but no coat can be laid whole before its life is over")
            continue
        until = f" to {hour_and_day_text(last_s, zone, hand.now_s)}" if np.isfinite(last_s) else ""
        lines.append(f"{words}: use it {hour_and_day_text(first_s, zone, hand.now_s)}{until}")
        lines += _rest(made, section, coat, [pot.amount_ml for pot in pots])
    return lines


def _named(pots: Sequence[MixedPot]) -> str:
    named = " and ".join(pot.batch for pot in pots if pot.batch is not None)
    return f"pot {named}" if named else "a pot"


def _rest_of(
    pot: MixedPot, takes_ml: float | None, coat: str, dead_s: float, now_s: float, zone: tzinfo
) -> Iterator[str]:
    """What is left in a pot from which other coats were begun, by the job's figures for them."""
    if pot.amount_ml == 0.0:
        return
    left = "how much is left is not known: measure it"
    if pot.amount_ml is not None:
        takes = "" if takes_ml is None else f" of the {takes_ml:.0f} ml that the coat takes"
        left = f"about {pot.amount_ml:.0f} ml{takes} are left"
    life = f"; its life ends {hour_and_day_text(dead_s, zone, now_s)}"
    yield f"  {coat}: {' and '.join(pot.drawn_for)} had paint from {_named([pot])}:"
    yield f"      {left}{life if np.isfinite(dead_s) else ''}"


def _rest(
    made: Made, section: JobSection, coat: CoatToLay, amounts_ml: Sequence[float | None]
) -> list[str]:
    """Say where what is mixed does not do for a coat."""
    temp_c = made.mix_temps_c()[section.name, coat.number]
    takes_ml = coat_takes_ml(section, coat, temp_c)
    mixed_ml = sum(filter(None, amounts_ml))
    if takes_ml is None or None in amounts_ml or mixed_ml >= ENOUGH * takes_ml:
        return []
    return [
        f"      {mixed_ml:.0f} ml of the {takes_ml:.0f} ml that the coat takes: mix the rest when "
        "it is used up"
    ]


def _mix(made: Made, section: JobSection, coat: CoatToLay) -> list[str]:
    mix = mix_job(section, coat)
    if mix is None:
        return ["      how much: give dry or wet in the job's system"]
    temp_c = made.mix_temps_c()[section.name, coat.number]
    try:
        plan = plan_batches(mix, temp_c).present
    except BatchFault as fault:
        return [f"      how much: {fault}"]
    lines = []
    for batch in plan.batches:
        parts = batch.parts
        cups = ", ".join(
            f"{name} {ml:.0f} ml ({ml / CUP_ML:.2f} cups)"
            for name, ml in (
                ("base", parts.base_ml), ("hardener", parts.hardener_ml),
                ("thinner", parts.thinner_ml),
            )
            if ml > 0.0
        )  # fmt: skip
        lines.append(f"      {cups}; {parts.total_ml:.0f} ml in the pot, at {celsius(temp_c)}")
    if plan.pot_life_s is not None:
        stand = f", stands {duration_text(plan.induction_s)} first" if plan.induction_s else ""
        lines.append(f"      lives {duration_text(plan.pot_life_s)}{stand}; cups of {CUP_ML:g} ml")
    bands = () if coat.spec.mix is None else coat.spec.mix.thinner_bands
    if coat.method is None and len({band.method for band in bands}) > 1:
        lines.append(f"      thinned for a {coat.mixed_for}: the job gives this coat no method")
    return lines


def _slot_time(made: Made, step: PlannedStep, column: str) -> float:
    chain = next(each for each in made.problem.chains if each.name == step.section)
    task = next(each for each in chain.tasks if each.number == step.coat)
    slot = round((step.start_s - made.problem.zero_s) / SLOT_S)
    return made.problem.time_s(int(getattr(task, column)[np.searchsorted(task.starts, slot)]))


def _night(hand: JobAtHand, made: Made, now_s: float, zone: tzinfo) -> list[str]:
    now = datetime.fromtimestamp(now_s, zone)
    day = now.date() - timedelta(days=now.hour < _DAY_FROM_H)
    evening = datetime.combine(day, time(_NIGHT_FROM_H), zone)
    begin_s = max(now_s, evening.timestamp())
    end_s = evening.timestamp() + _NIGHT_H * HOUR_S
    lines = []
    for name in sorted(hand.ahead):
        ahead = hand.ahead[name]
        air = ahead.known
        if air is None or air.end_s < begin_s + HOUR_S:
            lines.append(
                f"  {name}: the forecast's hours end before it; by the weather year alone."
            )
            continue
        if air.start_s > begin_s:
            lines.append(f"  {name}: the forecast's hours begin after it.")
            continue
        first = int(max(0.0, (begin_s - air.start_s) // HOUR_S))
        hours = slice(first, max(first + 1, round((end_s - air.start_s) / HOUR_S)))
        temp, dew = air.temp_c[0, hours], air.dew_point_c[0, hours]
        margin = temp - wetting_temps_c(dew)
        cold, close = int(temp.argmin()), int(margin.argmin())
        cold_at, close_at = (air.start_s + (first + n) * HOUR_S for n in (cold, close))
        lines.append(
            f"  {name}: down to {celsius(float(temp[cold]))} about "
            f"{hour_text(cold_at, zone)}, dew margin down to {margin[close]:.1f} K about "
            f"{hour_text(close_at, zone)}{',' if air.end_s < end_s else '.'}"
        )
        if air.end_s < end_s:
            until = hour_and_day_text(air.end_s, zone, now_s)
            lines.append(
                f"      by the forecast's hours until {until}; of the rest nothing is known."
            )
    # What is laid tomorrow morning is no film of tonight.
    to_s = midnight_s(evening.date() + timedelta(days=1), zone)
    for name, spec, dry_s in _wet(hand, made, to_s):
        limit = spec.limits_for(Stage.APPLY).get(LimitName.DEW_MARGIN_MIN)
        if limit is not None and dry_s > begin_s:
            dry = "no end of it seen"
            if np.isfinite(dry_s):
                dry = f"touch dry about {hour_and_day_text(dry_s, zone, now_s)}"
            lines.append(
                f"  {name} is wet into it, {dry}: its film asks for {limit.bound:g} K until "
                f"{limit.until}."
            )
    return lines


def _wet(hand: JobAtHand, made: Made, end_s: float) -> Iterator[tuple[str, Spec, float]]:
    """Every film that lies, or is begun before a time, and when it is touch dry."""
    for section in hand.job.sections:
        film = hand.followed.laid.get(section.name)
        if film is not None:
            ahead = hand.ahead[section.enclosure]
            clocks = ahead.film_clocks(film.coat.spec, None, ClockName.CURED)
            yield section.name, film.coat.spec, film.ends_s(ahead, clocks, "touch_dry")
        for step in made.plan.steps:
            if (step.section, step.step) == (section.name, "coat") and step.start_s < end_s:
                spec = section.coats[(step.coat or 1) - 1].spec
                yield section.name, spec, _slot_time(made, step, "dry")


def _day(hand: JobAtHand, made: Made, zone: tzinfo) -> list[str]:
    plan = made.plan
    if late := too_late(plan):
        return [f"THE DAY DOES NOT HOLD: {late}."]
    days = int(plan.slack_s // DAY_S)
    lines = [
        f"She is done {moment_text(plan.finish_s, zone)}, {counted(days, 'day')} before the last, "
        f"{hand.job.must_be_done}; {plan.decides} decides it."
    ]
    if plan.promised_s is None:
        lines.append(NOTHING_PROMISED)
    elif plan.promised_s > hand.job.deadline_s:
        lines.append("THE DAY IS NOT SAFE: fewer than nine in ten draws of the weather keep it.")
    else:
        lines.append(
            f"Nine in ten draws have her done by {day_text(plan.promised_s, zone)}: it holds."
        )
    return lines
