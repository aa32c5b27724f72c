"""Why a call is what it is, in figures and in words; the only place where reasons are worded.

Screen, outlook and review take the words for limits, breaks and distances from here, each with
its own way to show a figure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import tzinfo

from rules.call import Call, Memory
from rules.climate import Climate
from rules.limits import LimitJudgement, is_upper, scale_of, worst_first
from rules.spec.model import Spec
from rules.text import duration_text, hour_and_day_text, printable
from rules.trend import Break, EarlierOutlook
from rules.units import without_minus_zero
from rules.vocabulary import SEVERITY, Effect, LimitName, LimitState, Stage

MAY_I_START = "may I start?"
IS_THE_FILM_SAFE = "is the film safe?"

LIMIT_WORDS = {
    LimitName.DEW_MARGIN_MIN: "dew margin",
    LimitName.HUMIDITY_MAX: "humidity",
    LimitName.HUMIDITY_MIN: "humidity",
    LimitName.SURFACE_TEMP_MIN: "coldest hull",
    LimitName.SURFACE_TEMP_MAX: "warmest hull",
    LimitName.AIR_TEMP_MIN: "coldest air",
    LimitName.AIR_TEMP_MAX: "warmest air",
}
"""What a limit is about."""

FigureText = Callable[[LimitName, float, int], str]
"""Shows a figure of a limit with so many places and its unit, such as `7.7 K`."""


@dataclass(frozen=True, slots=True)
class Reason:
    """One ground of a call.

    Attributes:
        limit: name of the limit, or `limits`, `dwell`, `re-entry`, `outlook`, `surface`, `clock`,
            `log`, ...
        state: ok, near, broken or unknown.
        value: what was measured or reckoned, or None [unit].
        bound: what is asked for, or None [unit].
        guard: how far inside the bound it must stay, or None [unit].
        unit: of the three figures.
        text: one sentence for people.
        by_trend: that an `outlook` rests on the recent trend, carried on.
    """

    limit: str
    state: LimitState
    value: float | None
    bound: float | None
    guard: float | None
    unit: str
    text: str
    by_trend: bool = False


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something beside the limits that forbids GO for now: the clock, the log's disk, the ground.

    Attributes:
        name: of the reason that it makes.
        text: one sentence for people.
        state: near where something was measured and is not as it must be, else unknown.
        value: what was measured, or None [unit].
        bound: what is asked for, or None [unit].
        unit: of both, or "".
    """

    name: str
    text: str
    state: LimitState = LimitState.UNKNOWN
    value: float | None = None
    bound: float | None = None
    unit: str = ""


OUTLOOK = "outlook"
"""Name of the reasons that look ahead."""

MEMORY = "memory"
"""Name of the reason that a film's history gives."""

PROBES_OUT = "probes"
"""Name of the doubt that stands while somebody has carried the probes out on purpose."""


def probes_out_doubt(until: str, section: str | None = None, *, overdue: bool = False) -> Doubt:
    """Return the doubt of probes that are out on purpose.

    Args:
        until: when they are to be back, in words.
        section: of whose surface alone they are, or None where all are out.
        overdue: whether that time has passed.
    """
    what = "nothing" if section is None else f"no surface of {printable(section)}"
    how, then = f"until {until}", " then"
    if overdue:
        how, then = f"and were to be back at {until}", ""
    return Doubt(
        PROBES_OUT,
        f"probes are out on purpose {how}: {what} is measured, and the clocks go on by the safe "
        f"side. Bring them back{then} if the safety data sheet allows entry, and record probes-in",
    )


HARM_WORDS = {
    LimitName.DEW_MARGIN_MIN: "Damp can reach the soft film.",
    LimitName.HUMIDITY_MAX: "Damp can reach the soft film.",
    LimitName.HUMIDITY_MIN: "The air is too dry for the soft film.",
    LimitName.SURFACE_TEMP_MIN: "It is too cold for the film to cure.",
    LimitName.SURFACE_TEMP_MAX: "It is too hot for the soft film.",
    LimitName.AIR_TEMP_MIN: "It is too cold for the film to cure.",
    LimitName.AIR_TEMP_MAX: "It is too hot for the soft film.",
}
"""What a limit past its bound does to a film that nobody can help now."""
_STAY_OUT = (
    "Stay out, switch nothing inside. Leave ventilation and outside heat as they are. Noted."
)


def advice_of(
    call: Call,
    stage: Stage,
    *,
    start: bool = False,
    worst: LimitName | None = None,
    still_broken: bool = True,
    back_s: tuple[float, float] | None = None,
    missing: str = "",
) -> str:
    """Return what the call asks of the painter, in a few words.

    Args:
        call: in force.
        stage: of the section.
        start: whether it answers `may I start?`, and not `is the film safe?`.
        worst: the limit that is past its bound, or None where a STOP has another cause.
        still_broken: whether a STOP has its cause still, or waits only for re-entry.
        back_s: of a STOP without its cause: how long all has been inside again, and how long it
            must be; None where it has not begun [s].
        missing: why it cannot be known whether a STOP's cause is over, or "".

    While a film gives off vapour nothing is advised that switches equipment inside, lowers
    ventilation or sends anyone in unprotected.
    """
    start = start and stage is not Stage.APPLY  # the brush is on the work: it has started
    if call is Call.STOP and not still_broken:
        first = "Wait" if start else "Begin nothing new" if stage is Stage.APPLY else "Keep off"
        return f"{first}: {_waits(back_s, missing)}"
    if start:
        return {
            Call.GO: "You may start",
            Call.HOLD: "Do not start yet",
            Call.STOP: "Do not start" + (": the air is past a limit" if worst else ""),
        }[call]
    if stage is Stage.APPLY:
        return {
            Call.GO: "Carry on",
            Call.HOLD: "Finish to the next break line, then stop",
            Call.STOP: "Stop at the next break line"
            + (": the air is past the limit" if worst else ""),
        }[call]
    harm = HARM_WORDS[worst] if worst else "The film is past its limit."
    return {
        Call.GO: "Keep off",
        Call.HOLD: "Keep off; look again soon",
        Call.STOP: f"{harm} {_STAY_OUT}",
    }[call]


def _waits(back_s: tuple[float, float] | None, missing: str) -> str:
    if missing:
        return f"it cannot be seen whether the cause is over ({missing})"
    if back_s is None:
        return "not well inside the limits yet"
    return f"back inside the limits for {_of(*back_s)}"


def _of(gone_s: float, needed_s: float) -> str:
    """How much of a time has gone, the unit said once where both have the same.

    >>> _of(240.0, 900.0), _of(40.0, 900.0), _of(1000.0, 900.0)
    ('4 of 15 min', '40 s of 15 min', '15 of 15 min')
    """
    gone, needed = duration_text(min(gone_s, needed_s)), duration_text(needed_s)
    number, _, unit = gone.rpartition(" ")
    same = " " not in number and needed.count(" ") == 1 and needed.endswith(f" {unit}")
    return f"{number if same else gone} of {needed}"


def limit_reasons(
    judged: tuple[LimitJudgement, ...],
    climate: Climate,
    spec: Spec,
    call: Call,
    trend_per_hour: dict[LimitName, float],
    cure: CureLeft | None = None,
) -> list[Reason]:
    """Return one reason a limit, worst first.

    Args:
        judged: every limit in force.
        climate: that they were judged on.
        spec: for the band that entering GO asks for.
        call: in force.
        trend_per_hour: how fast each limit's quantity moves, 0 or absent where no trend stands
            out [unit/h].
        cure: how long a wet film still takes, or None where none is.
    """
    return [
        Reason(
            limit=str(entry.name),
            state=entry.state,
            value=entry.value,
            bound=entry.asked,
            guard=entry.guard,
            unit=entry.unit,
            text=_limit_text(entry, climate, spec, call, trend_per_hour.get(entry.name, 0.0), cure),
        )
        for entry in worst_first(judged)
    ]


REACH_K, REACH_PCT = 2.0, 8.0
"""A limit is in reach where a GO has no more room than this to it; our own choice, no source: an
ordinary hour or two of a day."""


def in_reach(name: LimitName, value: float, bound: float, guard: float) -> bool:
    """Return whether a limit is so near that a GO may soon be lost to it.

    Args:
        name: the limit.
        value: measured [K, % or °C].
        bound: what is asked for [the same].
        guard: how far inside it GO is lost [the same].
    """
    room = (bound - guard - value) if is_upper(name) else (value - bound - guard)
    percent = name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN)
    return room < (REACH_PCT if percent else REACH_K)


def go_reasons(
    reasons: list[Reason],
    judged: tuple[LimitJudgement, ...],
    ahead: EarlierOutlook | None,
    looked_ahead_s: float,
) -> list[Reason]:
    """Return a GO's reasons: what it would first be lost to, or that all is kept and for how long.

    Args:
        reasons: one a limit, the nearest to its bound first.
        judged: the limits in force.
        ahead: the outlook, which sees nothing break, or None.
        looked_ahead_s: how far the outlook or the trend looks [s].

    Source:
        No source: wording.
    """
    for entry in worst_first(judged)[:1]:
        if entry.value is not None and in_reach(entry.name, entry.value, entry.asked, entry.guard):
            return reasons
    text = kept_text(looked_ahead_s, by_outlook=ahead is not None)
    return [Reason("limits", LimitState.OK, None, None, None, "", text), *reasons]


def least_room(reasons: Iterable[Reason]) -> float:
    """Return how much room the first limit has that a GO would be lost to.

    Args:
        reasons: of a GO, the nearest to its bound first.

    Returns:
        In whole steps, of 1 K or 4 % (`scale_of`), so that noise does not change who leads;
        infinity without a limit.

    >>> near = Reason("dew_margin_min", LimitState.OK, 4.2, 3.0, 0.9, "K", "")
    >>> least_room([near]), least_room([])
    (0, inf)
    """
    for each in reasons:
        if each.value is not None and each.bound is not None and each.guard is not None:
            room = abs(each.value - each.bound) - each.guard
            return math.floor(room / scale_of(each.unit))
    return math.inf


def kept_text(looked_ahead_s: float, *, by_outlook: bool) -> str:
    """Return that all limits are kept, and for how long they should be.

    >>> kept_text(86_400.0, by_outlook=True), kept_text(0.0, by_outlook=False)
    ('Inside every limit, and should stay so for 24 h', 'Inside every limit')
    """
    ahead = duration_text(looked_ahead_s)
    if by_outlook:
        return f"Inside every limit, and should stay so for {ahead}"
    return "Inside every limit" + (
        f", and by the trend for the next {ahead}" if looked_ahead_s else ""
    )


def timer_reasons(memory: Memory, spec: Spec, time_s: float, *, gated: bool) -> list[Reason]:
    """Return what dwell and re-entry still ask for, where one of them keeps the call from GO."""
    if memory.call is Call.STOP and memory.inside_since_s is not None:
        gone_s = time_s - memory.inside_since_s
        return [_timer("re-entry", "Well inside every limit again", gone_s, spec.re_entry_s)]
    if memory.call is Call.HOLD and memory.settled_since_s is not None and not gated:
        gone_s = time_s - memory.settled_since_s
        return [_timer("dwell", "Inside every limit", gone_s, spec.dwell_s)]
    return []


def _timer(name: str, what: str, gone_s: float, needed_s: float) -> Reason:
    then = "STOP ends" if name == "re-entry" else "GO"
    return Reason(
        limit=name,
        state=LimitState.NEAR,
        value=gone_s,
        bound=needed_s,
        guard=0.0,
        unit="s",
        text=f"{what} for {_of(gone_s, needed_s)}; then {then}",
    )


def outlook_reasons(
    breaks: list[Break], judged: tuple[LimitJudgement, ...], looked_ahead_s: float, time_s: float
) -> list[Reason]:
    """Return what the trend says, and that without an outlook no more is known."""
    found = []
    by_name = {entry.name: entry for entry in judged}
    for each in breaks:
        entry = by_name[each.name]
        found.append(
            Reason(
                limit=OUTLOOK,
                state=LimitState.NEAR,
                value=each.at_s - time_s,
                bound=looked_ahead_s,
                guard=0.0,
                unit="s",
                text=f"{_closing(each, entry.unit)}: limit in {duration_text(each.at_s - time_s)}",
                by_trend=True,
            )
        )
    seen = (
        f"the last hour's trend shows {duration_text(looked_ahead_s)} ahead, no more"
        if looked_ahead_s
        else "too few readings for a trend"
    )
    found.append(
        Reason(
            limit=OUTLOOK,
            state=LimitState.UNKNOWN,
            value=None,
            bound=None,
            guard=None,
            unit="s",
            text=f"No outlook yet: {seen}",
            by_trend=True,
        )
    )
    return found


def _closing(each: Break, unit: str) -> str:
    """A trend that leads to a limit, by how fast it goes."""
    rate = f"{abs(each.per_hour):.1f} {_difference_unit(unit)} an hour"
    if each.name is LimitName.DEW_MARGIN_MIN:
        return f"Hull closing on the dew point, {rate}"
    what = LIMIT_WORDS[each.name]
    return f"{what.capitalize()} {'rising' if each.per_hour > 0.0 else 'falling'} {rate}"


def ahead_reasons(
    ahead: EarlierOutlook,
    looked_ahead_s: float,
    time_s: float,
    zone: tzinfo | None = None,
    harm_time_s: float | None = None,
) -> list[Reason]:
    """Return what the outlook says: each limit that will probably break, or that none will.

    Args:
        ahead: young enough to count.
        looked_ahead_s: how far it looks from now [s].
        time_s: now [s].
        zone: in which times of day are said; None where it is not known, then durations are.
        harm_time_s: how long the film is still at risk, or None where not known [s].
    """
    age_s = time_s - ahead.made_s
    found = []
    for each in ahead.breaks:
        in_s = [max(0.0, at_s - age_s) for at_s in (each.median_s, each.early_s, each.late_s)]
        if zone is None:
            about, early, late = (duration_text(each_s) for each_s in in_s)
            when = f"in about {about}"
        else:
            about, early, late = (hour_and_day_text(time_s + s, zone, time_s) for s in in_s)
            when = f"from {about}"
        likely = f"{100.0 * each.probability:.0f} % likely"
        text = f"{break_text(each.name, when)} ({early} to {late}; {likely})"
        if in_s[2] <= 0.0:
            text = break_text(each.name, "")
        elif early == late:
            text = f"{break_text(each.name, when)} ({likely})"
        found.append(
            Reason(
                limit=OUTLOOK,
                state=LimitState.NEAR,
                value=in_s[0],
                bound=looked_ahead_s,
                guard=0.0,
                unit="s",
                text=text,
            )
        )
    if not found:
        looked = duration_text(looked_ahead_s)
        text = f"Should stay inside every limit for the next {looked} (from {ahead.source})"
        if harm_time_s is not None and harm_time_s <= looked_ahead_s:
            text = (
                "Should stay inside every limit until the film is safe "
                f"({looked} ahead, from {ahead.source})"
            )
        found.append(
            Reason(
                limit=OUTLOOK,
                state=LimitState.OK,
                value=None,
                bound=looked_ahead_s,
                guard=0.0,
                unit="s",
                text=text,
            )
        )
    return found


LAST_START = "last_start"
"""Name of the reason that says until when a coat can be begun."""


def last_start_left(ahead: EarlierOutlook, time_s: float) -> float | None:
    """Return the latest that a coat can be begun, or None where that is past or not known [s]."""
    last_s = ahead.last_start_s
    return last_s if last_s is not None and last_s >= time_s else None


def last_start_reason(ahead: EarlierOutlook, time_s: float, zone: tzinfo | None) -> list[Reason]:
    """Return until when a coat can be begun and what ends it, where that is known.

    Args:
        ahead: young enough to count.
        time_s: now [s].
        zone: in which times of day are said; None where it is not known, then durations are.
    """
    last_s = last_start_left(ahead, time_s)
    if last_s is None or ahead.last_start_limit is None:
        return []
    left_s = last_s - time_s
    when = f"within {duration_text(left_s)}"
    if zone is not None:
        when = f"by {hour_and_day_text(last_s, zone, time_s)}"
    ends = break_text(ahead.last_start_limit, "before the film is safe")
    text = f"Last brush down {when}, then: {ends[:1].lower()}{ends[1:]}"
    return [Reason(LAST_START, LimitState.OK, left_s, None, None, "s", text)]


_TOO = {
    LimitName.DEW_MARGIN_MIN: "Hull probably too near the dew point",
    LimitName.HUMIDITY_MAX: "Air probably too damp",
    LimitName.HUMIDITY_MIN: "Air probably too dry",
    LimitName.SURFACE_TEMP_MIN: "Hull probably too cold",
    LimitName.SURFACE_TEMP_MAX: "Hull probably too hot",
    LimitName.AIR_TEMP_MIN: "Air probably too cold",
    LimitName.AIR_TEMP_MAX: "Air probably too hot",
}


def break_text(name: LimitName, when: str) -> str:
    """Return what an outlook sees break.

    Args:
        name: the limit.
        when: `from 22:10`, say; "" for what is broken already.

    >>> break_text(LimitName.SURFACE_TEMP_MIN, "from 22:10")
    'Hull probably too cold from 22:10'
    >>> break_text(LimitName.HUMIDITY_MAX, "")
    'Air too damp now'
    """
    return f"{_TOO[name]} {when}" if when else _TOO[name].replace("probably ", "") + " now"


def surface_reason(climate: Climate, accuracy_k: float) -> Reason:
    """Return the words that must stand wherever the surface is assumed and not measured."""
    offset_k = climate.assumed_offset_k or 0.0
    where = f"{-offset_k:.1f} K under the coldest air" if offset_k else "as warm as the coldest air"
    return Reason(
        limit="surface",
        state=LimitState.OK,
        value=climate.surface_temp_c,
        bound=None,
        guard=None,
        unit="degC",
        text=f"no surface probe: surface assumed {where}, ± {accuracy_k:.1f} K",
    )


def doubt_reason(doubt: Doubt) -> Reason:
    """Return the reason that a doubt beside the limits makes."""
    return Reason(doubt.name, doubt.state, doubt.value, doubt.bound, None, doubt.unit, doubt.text)


def stop_reason(text: str) -> Reason:
    """Return the reason for a STOP that no limit of the air gives: the closed recoat window."""
    return Reason("recoat closes", LimitState.BROKEN, None, None, None, "", text)


def by_severity(reasons: list[Reason]) -> tuple[Reason, ...]:
    """Return reasons worst first; an unknown outlook, which decides nothing, last."""

    def key(reason: Reason) -> float:
        if reason.limit == PROBES_OUT:
            return SEVERITY[LimitState.UNKNOWN] - 0.5  # it is why the rest is not known
        if reason.limit == OUTLOOK and reason.state is LimitState.UNKNOWN:
            return 9
        return SEVERITY[reason.state]

    return tuple(sorted(reasons, key=key))


def value_text(
    name: LimitName, value: float, bound: float, climate: Climate, figure: FigureText
) -> str:
    """Return what a limit's quantity is now, in any units.

    Args:
        name: the limit.
        value: measured: a margin [K], humidity [%] or temperature [°C].
        bound: what is asked for; a value that would look equal to it gets another digit [the same].
        climate: tells whether it is frost or dew that a margin is about.
        figure: shows a figure with its unit.
    """
    places = 2 if 0.0 < abs(value - bound) < 0.1 else 1
    if name is not LimitName.DEW_MARGIN_MIN:
        return f"{LIMIT_WORDS[name].capitalize()} {figure(name, value, places)}"
    dew_c, frost_c = climate.dew_point_c, climate.frost_point_c
    frost = frost_c is not None and dew_c is not None and frost_c > dew_c
    where = f"above {'frost' if frost else 'dew'} point"
    if value < 0.0:
        where = "below frost point: frost forms" if frost else "below dew point: wet"
    return f"Hull {figure(name, abs(value), places)} {where}"


def distance_text(
    name: LimitName,
    value: float,
    bound: float,
    guard: float,
    climate: Climate,
    figure: FigureText,
) -> str:
    """Return how a measured value stands to its limit, in any units.

    Args:
        name: as for `value_text`; likewise value, bound, climate and figure.
        value: measured.
        bound: what is asked for.
        guard: how far inside it a value must be to count as inside, 0 for none [the same].
        climate: of the value.
        figure: shows a figure with its unit.

    Returns:
        One clause, such as `Hull 7.7 K above dew point; wants 3.0 K, or 3.8 K with sensor error`.
    """
    wants = wants_text(name, bound, figure)
    if guard:
        sure = figure(name, bound - guard if is_upper(name) else bound + guard, 1)
        stands = climate.stands(name, guard)
        wants = (
            f"{wants}, or {sure} {'while a probe stands still' if stands else 'with sensor error'}"
        )
    return f"{value_text(name, value, bound, climate, figure)}; {wants}"


def wants_text(name: LimitName, bound: float, figure: FigureText) -> str:
    """Return what a limit asks for, such as `wants at most 80.0 %`, in any units.

    Args:
        name: the limit.
        bound: what is asked for [unit].
        figure: shows a figure with its unit.
    """
    wants = figure(name, bound, 1)
    if name is not LimitName.DEW_MARGIN_MIN:
        wants = f"at {'most' if is_upper(name) else 'least'} {wants}"
    return f"wants {wants}"


_SLOW = {
    LimitName.DEW_MARGIN_MIN: "Water on a hard film, it cures slowly under it: wipe it dry",
    LimitName.HUMIDITY_MAX: "Damp air, the film dries slowly",
    LimitName.HUMIDITY_MIN: "Dry air, the film cures slowly",
    LimitName.SURFACE_TEMP_MIN: "Cold, the film cures slowly",
    LimitName.SURFACE_TEMP_MAX: "Hot, the film cures fast",
    LimitName.AIR_TEMP_MIN: "Cold, the film cures slowly",
    LimitName.AIR_TEMP_MAX: "Hot, the film cures fast",
}
"""What a film past a limit does that spoils nothing."""


@dataclass(frozen=True, slots=True)
class CureLeft:
    """How long a wet film still takes to cure as warm as it is, or None where it does not [s]."""

    left_s: float | None

    @property
    def text(self) -> str:
        """In words, as they go on after a clause."""
        if self.left_s is None:
            return "no cure is counted meanwhile"
        return f"{duration_text(max(self.left_s, 1.0))} more to cured at this temperature"


def _limit_text(
    entry: LimitJudgement,
    climate: Climate,
    spec: Spec,
    call: Call,
    per_hour: float,
    cure: CureLeft | None,
) -> str:
    if entry.state is LimitState.UNKNOWN or entry.value is None:
        what = LIMIT_WORDS[entry.name].capitalize()
        return f"{what} unknown: {entry.why_unknown}"
    shown_unit = "°C" if entry.unit == "degC" else entry.unit

    def figure(_: LimitName, value: float, places: int) -> str:
        return f"{without_minus_zero(value, places)} {shown_unit}"

    text = distance_text(entry.name, entry.value, entry.asked, entry.guard, climate, figure)
    text += entry.cooling_text
    if entry.effect is Effect.SLOW:
        past = entry.inside is not None and entry.inside < 0.0
        if not past:
            return text
        more = "" if cure is None else f"; {cure.text}"
        return f"{_SLOW[entry.name]}: {text}{more}"
    if entry.asked != entry.bound:
        side = "over" if is_upper(entry.name) else "under"
        text += f", STOP {side} {figure(entry.name, entry.bound, 1)}"
    if per_hour:
        text += f"; {moving_text(per_hour, _difference_unit(entry.unit))}"
    if entry.state is LimitState.OK and call is Call.HOLD and entry.room is not None:
        short = spec.go_band.of(entry.name) - entry.room
        if short >= 0.05:
            text += f"; {short:.1f} {_difference_unit(entry.unit)} short of GO"
    return text


def moving_text(per_hour: float, unit: str) -> str:
    """Return how fast a quantity moves.

    >>> moving_text(-8.6, "K")
    'falling 8.6 K an hour'
    """
    return f"{'rising' if per_hour > 0.0 else 'falling'} {abs(per_hour):.1f} {unit} an hour"


def _difference_unit(unit: str) -> str:
    return "K" if unit == "degC" else unit
