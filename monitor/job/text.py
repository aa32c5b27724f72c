"""A plan in words: what to do when, how sure it is, what decides the day, and what to buy."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, tzinfo

from rules.job.ahead import SURE
from rules.job.draws import DRAWS
from rules.job.model import Job, midnight_s
from rules.job.plan import Plan, PlannedStep
from rules.job.shopping import Shopping, tins
from rules.text import counted, date_text, duration_text, hour_text, weekday_text
from rules.units import DAY_S

CAUTION = (
    "GO and this plan are about the film, never about the air that people breathe. Follow the "
    "safety data sheet, local codes and licensed practice."
)
SAFE_SIDE = (
    "Until then the safe side of them counts: the slowest drying, the shortest pot life and recoat "
    "window, the closest limits."
)
GENERIC = (
    "GENERIC FIGURES, from no data sheet, stand behind {}: enter your own before you rely on it."
)
ALL_ON = "Every coat is on."


def day_text(time_s: float, zone: tzinfo) -> str:
    """Return a day with its weekday: `Mon 2026-10-19`."""
    return f"{weekday_text(time_s, zone)} {date_text(time_s, zone)}"


def moment_text(time_s: float, zone: tzinfo) -> str:
    """Return a day and its hour: `Mon 2026-10-19 17:15`."""
    return f"{day_text(time_s, zone)} {hour_text(time_s, zone)}"


def plan_text(
    plan: Plan,
    solved: bool,
    helps: Sequence[str],
    shopping: Shopping,
    zone: tzinfo,
    notes: Sequence[str] = (),
) -> str:
    """Return a plan as text.

    Args:
        plan: itself.
        solved: whether a solver looked for a better one.
        helps: what would help, in words.
        shopping: what the job takes.
        zone: the job's.
        notes: of `JobAtHand`.
    """
    lines = [*head_lines(plan, solved, zone), *note_lines(notes)]
    lines += [""] if plan.steps else []
    for day, steps in itertools.groupby(plan.steps, lambda step: day_text(step.start_s, zone)):
        lines += [day, *(f"  {_step_line(step, zone)}" for step in steps)]
    lines += ["", *risk_lines(plan, zone)]
    if helps:
        lines += ["What would help:", *(f"  {each}" for each in helps)]
    lines += ["", *shopping_lines(shopping), "", *unsaid_lines(plan.job), *generic_lines(plan.job)]
    lines.append(CAUTION)
    return "\n".join(lines)


NOTHING_PROMISED = (
    f"No day can be promised: in under {100 * SURE:.0f} % of {DRAWS} draws of the weather "
    "is she done within the hours that are known."
)


def head_lines(plan: Plan, solved: bool, zone: tzinfo) -> list[str]:
    """Return when the boat is done, what is promised, and how good the plan is."""
    job = plan.job
    lines = [f"{job.boat}: done {moment_text(plan.finish_s, zone)} if all goes as expected."]
    if plan.promised_s is None:
        lines.append(NOTHING_PROMISED)
    else:
        share = _percent(plan.kept[-1] if plan.kept else SURE)
        lines.append(
            f"Promise {day_text(plan.promised_s, zone)}: kept in {share} of {DRAWS} draws of the "
            "weather."
        )
    lines.append(
        f"Must be done by {job.must_be_done}: {duration_text(plan.slack_s)} of slack; "
        f"{plan.decides} decides the day."
    )
    if plan.is_proved:
        lines.append("No plan ends earlier, on a grid of quarter hours.")
    else:
        how = (
            ""
            if solved
            else "; the list order alone made it, --solve and the 'plan' extra better it"
        )
        lines.append(
            f"Perhaps not the best: another could end at most {math.ceil(100 * plan.gap)} % of the "
            f"time earlier{how}."
        )
    return lines


def note_lines(notes: Sequence[str]) -> list[str]:
    """Return the notes of a job at hand, which a plan and the sheet of today both tell."""
    return [f"NOTE: {words}." for words in notes]


def _step_line(step: PlannedStep, zone: tzinfo) -> str:
    mark = "*" if step.is_critical and step.step == "coat" else " "
    span = f"{hour_text(step.start_s, zone)}-{hour_text(step.end_s, zone)}"
    what = f"{step.step:6} {step.section}"
    if step.step in ("coat", "mix"):
        what += f", coat {step.coat}, {step.what}"
    elif step.is_extra:
        what += f", before coat {step.coat}: its window will have closed"
    elif step.what:
        what += f", {step.what}"
    if step.step != "coat":
        return f"{mark} {span}  {what}"
    window = window_text(step, zone)
    return f"{mark} {span}  {what}: holds {100 * step.probability:.0f} %, may start {window}"


def window_text(step: PlannedStep, zone: tzinfo) -> str:
    """Return from when to when a step may start, under its day: an end says its day if it must."""
    first = _near_text(step.earliest_s, step.start_s, zone)
    return f"{first} to {_near_text(step.latest_s, step.earliest_s, zone)}"


def _near_text(time_s: float, beside_s: float, zone: tzinfo) -> str:
    """Return a time as short as it can be said beside another: hour, weekday and hour, or all."""
    hour = hour_text(time_s, zone)
    if date_text(time_s, zone) == date_text(beside_s, zone):
        return hour
    if abs(time_s - beside_s) < 6 * DAY_S:
        return f"{weekday_text(time_s, zone)} {hour}"
    return moment_text(time_s, zone)


def risk_lines(plan: Plan, zone: tzinfo) -> list[str]:
    """Return what would break the plan first, what it rests on, and what each day is worth."""
    lines = []
    weakest = plan.weakest
    if weakest is not None:
        lines.append(
            f"First to break: {weakest.section}, coat {weakest.coat}, on "
            f"{moment_text(weakest.start_s, zone)}: its harm time holds in "
            f"{100 * weakest.probability:.0f} % of the draws"
            + (f", and {counted(weakest.then, 'coat')} wait for it." if weakest.then else ".")
        )
    extra = [step for step in plan.steps if step.is_extra]
    if extra:
        lines.append(
            f"Missed windows cost {counted(len(extra), 'sanding')}: "
            + ", ".join(f"{s.section} before coat {s.coat}" for s in extra)
            + "."
        )
    rests = Counter(step.rests_on for step in plan.steps)
    words = [f"{counted(number, 'step')} on {what}" for what, number in rests.items()]
    lines.append(f"What it rests on: {'; '.join(words)}." if words else ALL_ON)
    lines += tent_lines(plan)
    if len(plan.kept) > 1 or (plan.kept and plan.promised_s is None):
        first = datetime.fromtimestamp(plan.finish_s, zone).date()
        days = [
            f"{day_text(midnight_s(first + timedelta(days=n), zone), zone)} {_percent(share)}"
            for n, share in _steps_of_kept(plan.kept)
        ]
        lines.append("What each day is worth: kept by " + ", ".join(days) + ".")
    if any(step.is_critical for step in plan.steps):
        lines.append("* decides the day: its next start would make the whole job later.")
    return lines


def _percent(share: float) -> str:
    """A share of the draws in whole percent, never more than it is: 89.5 % does not reach 90."""
    return f"{math.floor(100.0 * share + 1e-9)} %"


def tent_lines(plan: Plan) -> list[str]:
    """Return what each enclosure is taken for, and by what."""
    return [f"Air in {name}: {basis}." for name, basis in plan.tents]


def _steps_of_kept(kept: Sequence[float]) -> Iterator[tuple[int, float]]:
    last = -1.0
    for n, share in enumerate(kept):
        if share > last + 0.02 or n == len(kept) - 1:
            yield n, share
            last = share


def shopping_lines(shopping: Shopping) -> list[str]:
    """Return what to buy."""
    if not (shopping.paints or shopping.sheets or shopping.tape_m):
        return ["Nothing more to buy: every coat is laid or stands mixed."]
    losses = " and ".join(f"{loss:g}" for loss in shopping.losses_pct)
    rest = " for what is not laid yet" if shopping.begun else ""
    lines = [f"To buy{rest}, with {losses} % loss and what stays in each pot:"]
    for paint in shopping.paints:
        parts = [
            f"{name} {_litres(volume)}"
            for name, volume in (
                ("base", paint.base_ml), ("hardener", paint.hardener_ml),
                ("thinner", paint.thinner_ml),
            )
            if volume > 0.0
        ]  # fmt: skip
        if parts:
            lines.append(f"  {paint.spec}: {', '.join(parts)}; {counted(paint.pots, 'pot')} to mix")
        if paint.unknown:
            lines.append(
                f"  {paint.spec}: not reckoned for {', '.join(paint.unknown)}, whose film or mix "
                "is not given"
            )
    if shopping.sheets or shopping.tape_m:
        sheets = [f"{counted(n, 'sheet')} of {grit}" for grit, n in shopping.sheets]
        tape = [f"{shopping.tape_m} m of tape"] if shopping.tape_m else []
        lines.append(f"  {', '.join(sheets + tape)} (common practice rates, no source)")
    return lines


def _litres(volume_ml: float) -> str:
    sizes = " + ".join(f"{n} x {size:g} l" for n, size in tins(volume_ml))
    return f"{volume_ml / 1000.0:.2f} l ({sizes})"


def unsaid_lines(job: Job) -> list[str]:
    """Return what of a coat the job leaves open though its sheet tells it apart."""
    return list(
        dict.fromkeys(
            f"{coat.spec.name}: {'; '.join(coat.unsaid)}. {SAFE_SIDE}"
            for section in job.sections
            for coat in section.coats
            if coat.unsaid
        )
    )


def generic_lines(job: Job) -> list[str]:
    """Return a warning where a shipped spec's generic figures stand behind the plan."""
    names = dict.fromkeys(
        coat.spec.name
        for section in job.sections
        for coat in section.coats
        if coat.spec.provenance.generic
    )
    return [GENERIC.format(", ".join(names))] if names else []
