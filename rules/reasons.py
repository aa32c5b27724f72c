"""Why a call is what it is, in figures and in words; the only place where reasons are worded."""

from __future__ import annotations

from dataclasses import dataclass

from rules.call import Call, Memory
from rules.climate import Climate
from rules.limits import LimitJudgement, is_upper, worst_first
from rules.spec.model import Spec
from rules.text import duration_text
from rules.trend import Break, EarlierOutlook
from rules.vocabulary import SEVERITY, LimitName, LimitState, Stage

MAY_I_START = "may I start?"
IS_THE_FILM_SAFE = "is the film safe?"


@dataclass(frozen=True, slots=True)
class Reason:
    """One ground of a call.

    Attributes:
        limit: name of the limit, or `dwell`, `re-entry`, `outlook`, `surface`, `clock`, `log`, ...
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
    """Something beside the limits that forbids GO for now: the clock, the log's disk."""

    name: str
    text: str


def question_of(stage: Stage) -> str:
    """Return which question a call answers in a stage."""
    if stage in (Stage.PREP, Stage.MIX):
        return MAY_I_START
    return IS_THE_FILM_SAFE


def advice_of(call: Call, stage: Stage, *, still_broken: bool = True) -> str:
    """Return what the call asks of the painter, in a few words.

    Args:
        call: in force.
        stage: of the section.
        still_broken: whether a STOP has its cause still, or waits only for re-entry.

    While a film gives off vapour nothing is advised that switches equipment inside, lowers
    ventilation or sends anyone in unprotected.
    """
    if call is Call.STOP and not still_broken:
        if question_of(stage) == MAY_I_START:
            return "do not start yet: inside the limits again, but not for long enough"
        if stage is Stage.APPLY:
            return "begin no new area: inside the limits again, but not for long enough"
        return "leave it alone: inside the limits again, but not for long enough"
    if question_of(stage) == MAY_I_START:
        return {
            Call.GO: "you may start",
            Call.HOLD: "do not start yet",
            Call.STOP: "do not start: a limit is broken",
        }[call]
    if stage is Stage.APPLY:
        return {
            Call.GO: "carry on",
            Call.HOLD: "begin no new area; finish to the nearest stopping line",
            Call.STOP: "stop at the nearest line: the film is being harmed now",
        }[call]
    return {
        Call.GO: "leave it alone",
        Call.HOLD: "leave it alone and watch",
        Call.STOP: "the film is being harmed now; nothing can be done while it gives off vapour, "
        "and it is noted",
    }[call]


def limit_reasons(
    judged: tuple[LimitJudgement, ...],
    climate: Climate,
    spec: Spec,
    call: Call,
    trend_per_hour: dict[LimitName, float],
) -> list[Reason]:
    """Return one reason a limit, worst first.

    Args:
        judged: every limit in force.
        climate: that they were judged on.
        spec: for the band that entering GO asks for.
        call: in force.
        trend_per_hour: how fast each limit's quantity moves, 0 or absent where no trend stands
            out [unit/h].
    """
    return [
        Reason(
            limit=str(entry.name),
            state=entry.state,
            value=entry.value,
            bound=entry.bound,
            guard=entry.guard,
            unit=entry.unit,
            text=_limit_text(entry, climate, spec, call, trend_per_hour.get(entry.name, 0.0)),
        )
        for entry in worst_first(judged)
    ]


def timer_reasons(memory: Memory, spec: Spec, time_s: float) -> list[Reason]:
    """Return what dwell and re-entry still ask for, where one of them keeps the call from GO."""
    if memory.call is Call.STOP and memory.inside_since_s is not None:
        gone_s = time_s - memory.inside_since_s
        return [
            _timer("re-entry", "inside every limit by the re-entry band", gone_s, spec.re_entry_s)
        ]
    if memory.call is Call.HOLD and memory.settled_since_s is not None:
        gone_s = time_s - memory.settled_since_s
        return [_timer("dwell", "inside every limit", gone_s, spec.dwell_s)]
    return []


def _timer(name: str, what: str, gone_s: float, needed_s: float) -> Reason:
    after = "STOP ends" if name == "re-entry" else "GO comes"
    return Reason(
        limit=name,
        state=LimitState.NEAR,
        value=gone_s,
        bound=needed_s,
        guard=0.0,
        unit="s",
        text=f"{what} for {duration_text(gone_s)}; {after} after {duration_text(needed_s)}"
        if gone_s < needed_s
        else f"{what} for {duration_text(gone_s)}; {after} with the next look",
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
                limit="outlook",
                state=LimitState.NEAR,
                value=each.at_s - time_s,
                bound=looked_ahead_s,
                guard=0.0,
                unit="s",
                text=f"{_QUANTITY[each.name]} {_moving(each.per_hour, entry.unit)}: at this rate "
                f"past its limit in {duration_text(each.at_s - time_s)}",
                by_trend=True,
            )
        )
    looked = (
        f"by the recent trend nothing more is known than {duration_text(looked_ahead_s)} ahead"
        if looked_ahead_s
        else "too little has been seen for a trend"
    )
    found.append(
        Reason(
            limit="outlook",
            state=LimitState.UNKNOWN,
            value=None,
            bound=None,
            guard=None,
            unit="s",
            text=f"outlook: unknown; {looked}",
            by_trend=True,
        )
    )
    return found


def ahead_reasons(ahead: EarlierOutlook, looked_ahead_s: float, time_s: float) -> list[Reason]:
    """Return what the outlook says: each limit that will probably break, or that none will.

    Args:
        ahead: young enough to count.
        looked_ahead_s: how far it looks from now [s].
        time_s: now [s].
    """
    age_s = time_s - ahead.made_s
    found = []
    for each in ahead.breaks:
        about_s, early_s, late_s = (
            max(0.0, at_s - age_s) for at_s in (each.median_s, each.early_s, each.late_s)
        )
        found.append(
            Reason(
                limit="outlook",
                state=LimitState.NEAR,
                value=about_s,
                bound=looked_ahead_s,
                guard=0.0,
                unit="s",
                text=f"{_BREAKS[each.name]} in about {duration_text(about_s)} "
                f"({duration_text(early_s)} to {duration_text(late_s)}; "
                f"probability {100.0 * each.probability:.0f} %)",
            )
        )
    if not found:
        found.append(
            Reason(
                limit="outlook",
                state=LimitState.OK,
                value=None,
                bound=looked_ahead_s,
                guard=0.0,
                unit="s",
                text=f"outlook: no limit will probably break while the film minds it; looked "
                f"{duration_text(looked_ahead_s)} ahead by {ahead.source}",
            )
        )
    return found


_BREAKS = {
    LimitName.DEW_MARGIN_MIN: "the surface would come too near the dew point",
    LimitName.HUMIDITY_MAX: "the air would become too damp",
    LimitName.HUMIDITY_MIN: "the air would become too dry",
    LimitName.SURFACE_TEMP_MIN: "the surface would become too cold",
    LimitName.SURFACE_TEMP_MAX: "the surface would become too hot",
    LimitName.AIR_TEMP_MIN: "the air would become too cold",
    LimitName.AIR_TEMP_MAX: "the air would become too hot",
}


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
    return Reason(doubt.name, LimitState.UNKNOWN, None, None, None, "", doubt.text)


def stop_reason(text: str) -> Reason:
    """Return the reason for a STOP that no limit of the air gives: the closed recoat window."""
    return Reason("recoat closes", LimitState.BROKEN, None, None, None, "", text)


def by_severity(reasons: list[Reason]) -> tuple[Reason, ...]:
    """Return reasons worst first; an unknown outlook, which decides nothing, last."""

    def key(reason: Reason) -> int:
        if reason.limit == "outlook" and reason.state is LimitState.UNKNOWN:
            return 9
        return SEVERITY[reason.state]

    return tuple(sorted(reasons, key=key))


_QUANTITY = {
    LimitName.DEW_MARGIN_MIN: "dew margin",
    LimitName.HUMIDITY_MAX: "humidity",
    LimitName.HUMIDITY_MIN: "lowest humidity",
    LimitName.SURFACE_TEMP_MIN: "coldest surface",
    LimitName.SURFACE_TEMP_MAX: "warmest surface",
    LimitName.AIR_TEMP_MIN: "coldest air",
    LimitName.AIR_TEMP_MAX: "warmest air",
}


def _limit_text(
    entry: LimitJudgement, climate: Climate, spec: Spec, call: Call, per_hour: float
) -> str:
    what = _QUANTITY[entry.name]
    if entry.state is LimitState.UNKNOWN or entry.value is None:
        return f"{what} unknown: {entry.why_unknown}"
    shown_unit = "°C" if entry.unit == "degC" else entry.unit
    spare_unit = "K" if entry.unit == "degC" else entry.unit
    # A value that rounds to its bound needs another digit to show which side it is on.
    places = 1 if abs(entry.value - entry.bound) >= 0.1 else 2
    value = f"{entry.value:.{places}f}"
    if entry.name is LimitName.DEW_MARGIN_MIN:
        needs = f"needs {entry.bound:.1f}"
        text = f"{_margin_text(entry.value, places, climate)}, {needs}"
    else:
        side = "at most" if is_upper(entry.name) else "at least"
        text = f"{what} {value} {shown_unit}, {side} {entry.bound:.1f}"
    if entry.guard:
        sure = entry.bound + (-entry.guard if is_upper(entry.name) else entry.guard)
        text += f" ({sure:.1f} to be sure)"
    if per_hour:
        text += f"; {_moving(per_hour, entry.unit)}"
    if entry.state is LimitState.OK and call is Call.HOLD and entry.inside_median is not None:
        short = entry.guard + spec.go_band.of(entry.name) - entry.inside_median
        if short >= 0.05:
            text += f"; entering GO needs {short:.1f} {spare_unit} more"
    return text


def _margin_text(margin_k: float, places: int, climate: Climate) -> str:
    dew_c, frost_c = climate.dew_point_c, climate.frost_point_c
    frost = frost_c is not None and dew_c is not None and frost_c > dew_c
    point, forms = ("frost point", "frost") if frost else ("dew point", "water")
    if margin_k < 0.0:
        return f"surface {-margin_k:.{places}f} K under the {point}, {forms} forms on it"
    return f"surface {margin_k:.{places}f} K over the {point}"


def _moving(per_hour: float, unit: str) -> str:
    direction = "rising" if per_hour > 0.0 else "falling"
    shown = "K" if unit == "degC" else unit
    return f"{direction} {abs(per_hour):.1f} {shown} an hour"
